//! The same bits everywhere: an auditor elsewhere must get the same year plan,
//! so the last bit of every result is part of what is promised.
//!
//! The constant below was taken on x86-64 Linux. Where this fails on another
//! machine, some trigonometry has not gone through `trig`; where it fails after
//! a change here, the change moved last bits, and so golden files with it: if
//! that was meant, put the new number in.

mod common;

use common::Dice;
use leeside_solar::light::{Sky, SkyModel, Source, erbs, extraterrestrial, ineichen};
use leeside_solar::{
    Atmosphere, Cutoff, Location, Plane, Slats, SunPath, crossings, delta_t_estimate, position,
    transits,
};

/// FNV-1a over the bits of numbers.
struct Bits(u64);

impl Bits {
    fn take(&mut self, value: f64) {
        self.take_bits(value.to_bits());
    }

    fn take_bits(&mut self, bits: u64) {
        for byte in bits.to_le_bytes() {
            self.0 = (self.0 ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01B3);
        }
    }
}

#[test]
fn the_last_bit_is_the_same_on_every_machine() {
    let mut bits = Bits(0xCBF2_9CE4_8422_2325);
    let mut dice = Dice(77);
    for _ in 0..200 {
        let place = Location::new(
            dice.between(-89.0, 89.0),
            dice.between(-180.0, 180.0),
            dice.between(0.0, 3000.0),
        )
        .unwrap();
        let air = Atmosphere::standard(place.altitude_m());
        let mut path = SunPath::new(place, air);
        let plane = Plane::new(dice.between(0.0, 360.0), dice.between(30.0, 100.0)).unwrap();
        let slats = Slats::new(80.0, 76.0, -90.0, 90.0, 2.0).unwrap();
        let from = dice.whole(631_152_000_000, 2_524_608_000_000);
        let full = position(from, place, air, delta_t_estimate(from));
        bits.take(full.apparent_elevation_deg);
        bits.take(full.azimuth_deg);
        for at in (0..20).map(|i| from + i * 4_321_987) {
            let (truly, sun) = path.both(at);
            bits.take(sun.elevation_deg());
            bits.take(sun.azimuth_deg());
            bits.take(plane.profile_angle_deg(&sun));
            let above = extraterrestrial(at);
            let clear = ineichen(&sun, 3.0, air.pressure_hpa, 0.0, above);
            let split = erbs(clear.ghi, truly.up, above);
            let sky = Sky::new(Source::ClearSky, split, &sun, above, SkyModel::Perez, 0.2);
            bits.take(sky.on_plane(&plane, &sun).total());
            if let Cutoff::Angle(tilt) = slats.cutoff_at(&plane, &sun) {
                bits.take(tilt);
            }
        }
        for (at, _) in crossings(place, -0.8333, from, from + 86_400_000) {
            bits.take_bits(at.cast_unsigned());
        }
        for at in transits(place, from, from + 86_400_000) {
            bits.take_bits(at.cast_unsigned());
        }
    }
    assert_eq!(bits.0, 0x8AA5_3584_FC94_BDE5, "{:#018X}", bits.0);
}
