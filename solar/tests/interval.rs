//! Between two moves the tilt must block at every minute: the intersection of
//! blocking intervals against a plain scan of all tilts.

mod common;

use common::Dice;
use leeside_solar::{Cutoff, Slats};

#[test]
fn the_smallest_tilt_that_blocks_throughout() {
    let mut dice = Dice(606);
    let (mut angles, mut leaks) = (0, 0);
    for case in 0..10_000 {
        let margin = if case % 3 == 0 {
            dice.between(0.0, 12.0)
        } else {
            0.0
        };
        let most = dice.between(40.0, 90.0);
        let width = dice.between(40.0, 100.0);
        let slats = Slats::new(width, width * dice.between(0.7, 1.3), -90.0, most, margin).unwrap();
        let from = dice.between(-5.0, 80.0);
        let span = dice.between(0.0, if case % 3 == 0 { 70.0 } else { 12.0 });
        let profiles = || (0..8_u8).map(move |i| from + span * f64::from(i) / 7.0);
        let name = format!("case {case}: {slats:?} from {from} over {span}");
        // Worst within the margin and over the interval; a sun that is not in
        // front asks for nothing.
        let leak_at = |tilt: f64| {
            profiles()
                .filter(|p| *p > 0.0 && *p < 90.0)
                .flat_map(|p| [-margin, -margin / 2.0, 0.0, margin / 2.0, margin].map(|m| (p, m)))
                .map(|(p, m)| slats.transmittance(p, tilt + m))
                .fold(0.0, f64::max)
        };
        let scan = || {
            (0..=900_u16)
                .map(|i| f64::from(i) * 0.1)
                .filter(|t| *t <= most)
        };
        match slats.cutoff_over(profiles()) {
            Cutoff::NoDirectSun => assert!(from + span <= 0.0, "{name}"),
            Cutoff::HorizontalSuffices => assert!(leak_at(0.0) <= 1e-9, "{name}"),
            Cutoff::Angle(tilt) => {
                angles += 1;
                assert!(leak_at(tilt) <= 1e-9, "{name}: {tilt} leaks");
                assert!(tilt <= most, "{name}");
                let smaller = scan()
                    .filter(|t| *t < tilt - 1e-9)
                    .find(|t| leak_at(*t) <= 0.0);
                assert_eq!(smaller, None, "{name}: {tilt} is not the smallest");
            }
            Cutoff::NotBlockable { tilt_deg, leak } => {
                leaks += 1;
                assert!((0.0..=most).contains(&tilt_deg), "{name}");
                let least = scan().map(leak_at).fold(1.0, f64::min);
                assert!(
                    leak <= least + 1e-6,
                    "{name}: {leak} at {tilt_deg}, scan {least}"
                );
                let found = leak_at(tilt_deg);
                assert!(
                    (found - leak).abs() < 1e-6,
                    "{name}: says {leak}, is {found}"
                );
            }
        }
    }
    common::say(&format!(
        "{angles} intervals with an angle, {leaks} without"
    ));
    assert!(angles > 1000 && leaks > 1000);
}

/// With a margin each moment may have its tilt, and both together none.
#[test]
fn each_alone_but_not_together() {
    let slats = Slats::new(80.0, 78.4, -90.0, 90.0, 10.0).unwrap();
    assert!(matches!(slats.cutoff(1.0), Cutoff::Angle(tilt) if (87.4..87.6).contains(&tilt)));
    assert_eq!(slats.cutoff(80.0), Cutoff::HorizontalSuffices);
    let both = slats.cutoff_over([1.0, 80.0].into_iter());
    assert!(matches!(both, Cutoff::NotBlockable { .. }), "{both:?}");
}
