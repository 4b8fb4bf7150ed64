//! The example house and weather for it, for the tests of this crate.
#![allow(dead_code, reason = "each test program uses its own part")]

use chrono::NaiveDateTime;
use leeside_config::{LoadOptions, Site, load_site};
use leeside_core::model::Model;
use leeside_core::time::{MINUTE, Wall, to_utc};
use leeside_dryrun::replay::{LEAD_IN_MS, Occupancy, PlantKind, Setting, Sky};
use leeside_dryrun::weather::read;
use std::path::{Path, PathBuf};

pub(crate) fn path(of: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(of)
}

pub(crate) fn site() -> Site {
    load_site(
        &path("deploy/example/site.toml"),
        &LoadOptions::around(2027),
    )
    .unwrap()
    .0
}

/// A local time of the site.
pub(crate) fn local(model: &Model, text: &str) -> Wall {
    let local = NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M").unwrap();
    Wall::from_utc(to_utc(model.site.zone, local).utc)
}

pub(crate) fn clear(site: &Site, from: &str, to: &str) -> Setting {
    Setting {
        model: site.model.clone(),
        sky: Sky::ClearAndCalm,
        from: local(&site.model, from),
        to: local(&site.model, to),
        step_ms: MINUTE,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::OFFICE,
    }
}

/// The typical year of the airport nearby.
pub(crate) fn typical(site: &Site, from: &str, to: &str) -> Setting {
    let mut setting = clear(site, from, to);
    let weather = read(&path("tests/weather/tmy3_744860_new_york_jfk.csv.gz")).unwrap();
    setting.sky = Sky::Rows(
        weather
            .over(setting.from.plus(-LEAD_IN_MS), setting.to)
            .unwrap(),
    );
    setting
}
