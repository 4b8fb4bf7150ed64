//! A year of sun at one-minute steps, for comparing with other libraries:
//! `tests/compare_pvlib/compare.py` runs it and takes the time.
//!
//! Reads one line: `LATITUDE LONGITUDE ALTITUDE_M PRESSURE_HPA TEMPERATURE_C
//! FROM_MS WHAT ROUNDS`, where WHAT is `vector`, `angles` or `full` (the full
//! algorithm), or `print` for every 97th minute's elevation and azimuth.

use std::io::Write;

use leeside_solar::{Atmosphere, Location, SunPath, delta_t_estimate, position};

const MINUTES: i64 = 525_600;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut line = String::new();
    std::io::stdin().read_line(&mut line)?;
    let words: Vec<&str> = line.split_whitespace().collect();
    let &[
        lat,
        lon,
        altitude,
        pressure,
        temperature,
        from,
        what,
        rounds,
    ] = words.as_slice()
    else {
        return Err("expected eight words, see the top of this example".into());
    };
    let place = Location::new(lat.parse()?, lon.parse()?, altitude.parse()?)?;
    let air = Atmosphere::new(pressure.parse()?, temperature.parse()?)?;
    let from: i64 = from.parse()?;
    let rounds: u32 = rounds.parse()?;
    let minutes = || (0..MINUTES).map(|minute| from + minute * 60_000);
    let mut out = std::io::stdout().lock();
    let mut sum = 0.0;
    for _ in 0..rounds {
        // A fresh path each round: the daily work is in the time.
        let mut path = SunPath::new(place, air);
        match what {
            "vector" => sum += minutes().map(|at| path.at(at).up).sum::<f64>(),
            "angles" => {
                let both = minutes().map(|at| {
                    let sun = path.at(at);
                    sun.elevation_deg() + sun.azimuth_deg()
                });
                sum += both.sum::<f64>();
            }
            "full" => {
                let both = minutes().map(|at| {
                    let sun = position(at, place, air, delta_t_estimate(at));
                    sun.apparent_elevation_deg + sun.azimuth_deg
                });
                sum += both.sum::<f64>();
            }
            "print" => {
                for at in minutes().step_by(97) {
                    let (truly, seen) = path.both(at);
                    writeln!(
                        out,
                        "{at} {} {} {}",
                        truly.elevation_deg(),
                        seen.elevation_deg(),
                        seen.azimuth_deg()
                    )?;
                }
            }
            other => return Err(format!("{other:?} is none of vector, angles, full, print").into()),
        }
    }
    if what != "print" {
        // Printed, so that the sum is not optimised away.
        writeln!(out, "{sum}")?;
    }
    Ok(())
}
