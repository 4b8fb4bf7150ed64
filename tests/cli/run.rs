//! `leeside run`: what is refused before anything runs. What it does at a broker
//! is tested in `tests/broker`.

use crate::support::{JFK_2013, SITE, broken};

#[test]
fn what_is_broken_is_named_before_anything_runs() {
    const SIMULATED: [&str; 4] = ["run", SITE, "--plant", "simulated"];
    let simulated = |more: &[&'static str]| [&SIMULATED[..], more].concat();
    broken(&[
        (&["run"], "<SITE>"),
        (
            &["run", "nowhere.toml"],
            "nowhere.toml:1:1: error: the site file cannot be read",
        ),
        (
            &["run", "tests/broken/clock_bad.toml"],
            "clock_bad.toml:113:25: error: `at` is \"7 am\"",
        ),
        (
            &["run", SITE, "--plant", "imagined"],
            "[possible values: real, simulated]",
        ),
        (
            &["run", SITE, "--weather", JFK_2013],
            "add --plant simulated",
        ),
        (
            &["run", SITE, "--from", "2013-01-01T00:00"],
            "add --plant simulated",
        ),
        (
            &simulated(&[]),
            "a simulated plant needs weather for its sensors: --weather FILE",
        ),
        (
            &simulated(&["--weather", "nowhere.csv"]),
            "nowhere.csv: cannot be read",
        ),
        (
            &simulated(&["--weather", JFK_2013, "--speed", "0"]),
            "0 is not in 1..=3600",
        ),
        (
            &simulated(&["--weather", JFK_2013, "--from", "noon"]),
            "--from \"noon\" is no moment; write 2013-03-06T12:00",
        ),
        (
            &simulated(&["--weather", JFK_2013, "--from", "2020-01-01T00:00"]),
            "which goes from 2013-01-01 06:00:00 UTC to 2013-12-31 00:00:00 UTC",
        ),
    ]);
}
