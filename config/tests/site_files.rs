//! Sound site files: the example, the quick test site, the schema, and what a
//! reader must never do.
#![expect(clippy::unwrap_used, reason = "tests")]

use leeside_config::{LoadOptions, Site, load_site, site};
use leeside_core::model::Kind;
use leeside_core::safe::{longest_time_to_safe, time_to_safe};
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

fn project(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(file)
}

fn example() -> Site {
    let (site, warnings) = load_site(
        &project("deploy/example/site.toml"),
        &LoadOptions::around(2027),
    )
    .unwrap();
    let said: Vec<_> = warnings.iter().map(ToString::to_string).collect();
    assert!(said.is_empty(), "{}", said.join("\n"));
    site
}

#[test]
fn the_example_is_sound_and_as_large_as_promised() {
    let model = example().model;
    assert!(model.facades.len() >= 4);
    assert!(model.groups.len() >= 12);
    assert!(model.devices.len() >= 60);
    let kinds: Vec<Kind> = model
        .devices
        .iter()
        .map(|d| model.product(d.product).kind)
        .collect();
    for kind in [
        Kind::SlatBlind,
        Kind::RollerShutter,
        Kind::Screen,
        Kind::Awning,
    ] {
        assert!(kinds.contains(&kind), "{kind:?}");
    }
    let wind = |s: &&leeside_core::model::Sensor| s.kind == leeside_core::model::SensorKind::Wind;
    assert_eq!(model.sensors.iter().filter(wind).count(), 3);
    assert!(model.facades.iter().all(|facade| !facade.light.is_empty()));
}

#[test]
fn the_example_knows_its_days() {
    let model = example().model;
    let class = |year, month, day| {
        let date = chrono::NaiveDate::from_ymd_opt(year, month, day).unwrap();
        model.day_class(model.days.class(date)).to_owned()
    };
    assert_eq!(class(2027, 3, 3), "workday");
    assert_eq!(class(2027, 3, 6), "weekend");
    // Thanksgiving, fourth Thursday of November: 5 U.S.C. § 6103.
    assert_eq!(class(2027, 11, 25), "holiday");
    // In the house calendar from 24 December to 1 January: closed is stronger
    // than the holidays within.
    assert_eq!(class(2027, 12, 24), "closed");
    assert_eq!(class(2027, 12, 25), "closed");
    assert_eq!(class(2028, 1, 1), "closed");
    assert_eq!(class(2028, 1, 3), "workday");
    assert_eq!(class(2027, 7, 16), "closed");
    // First Mondays of May and October, in each of five years.
    assert_eq!(model.specials.len(), 10);
}

/// Without a stated precedence the site's own classes are the strongest, the first in
/// the file first, and Saturdays and Sundays are the weekend. The last day asked for has
/// its class too.
#[test]
fn own_classes_are_the_strongest_and_the_first_of_them_first() {
    let dir = tempfile::tempdir().unwrap();
    let quick = std::fs::read_to_string(project("tests/sites/quick.toml")).unwrap();
    let calendar = |name: &str, days: &[&str]| {
        let event = |day: &&str| {
            format!(
                "BEGIN:VEVENT\r\nUID:{name}{day}\r\nDTSTART;VALUE=DATE:{day}\r\nSUMMARY:{name}\r\nEND:VEVENT\r\n"
            )
        };
        let events: String = days.iter().map(event).collect();
        let text = format!("BEGIN:VCALENDAR\r\nVERSION:2.0\r\n{events}END:VCALENDAR\r\n");
        std::fs::write(dir.path().join(format!("{name}.ics")), text).unwrap();
        format!(
            "[[calendar]]\nname = \"{name} days\"\nfile = \"{name}.ics\"\nday_class = \"{name}\"\n"
        )
    };
    let more = [
        "\n[days]\nown_classes = [\"fair\", \"concert\"]\n".to_owned(),
        calendar("closed", &["20270301", "20270302", "20301231"]),
        calendar("concert", &["20270302", "20270303"]),
        calendar("fair", &["20270303", "20270306"]),
    ];
    let path = dir.path().join("site.toml");
    let plans = "closed = \"workday\"\nfair = \"workday\"\nconcert = \"workday\"";
    let quick = quick.replace("closed = \"workday\"", plans);
    std::fs::write(&path, quick + &more.concat()).unwrap();
    let model = load_site(&path, &LoadOptions::around(2027))
        .unwrap()
        .0
        .model;
    let class = |year, month, day| {
        let date = chrono::NaiveDate::from_ymd_opt(year, month, day).unwrap();
        model.day_class(model.days.class(date)).to_owned()
    };
    assert_eq!(class(2027, 3, 1), "closed");
    assert_eq!(class(2027, 3, 2), "concert");
    assert_eq!(class(2027, 3, 3), "fair");
    assert_eq!(class(2027, 3, 4), "workday");
    assert_eq!(class(2027, 3, 6), "fair", "a Saturday");
    assert_eq!(class(2027, 3, 13), "weekend", "a Saturday");
    assert_eq!(class(2030, 12, 31), "closed", "the last day laid out");
}

#[test]
fn time_to_safe_is_detection_start_and_travel() {
    let (site, _) = load_site(
        &project("tests/sites/quick.toml"),
        &LoadOptions::around(2027),
    )
    .unwrap();
    let model = &site.model;
    let of = |name: &str| time_to_safe(model, model.group_named(name).unwrap()).unwrap();
    // Eight drives on one feeder, one start at a time, 0.2 s apart; starts of a
    // moment ago may delay the first by one step; reversal pause 0.5 s.
    let slats = of("south slats");
    assert_eq!(slats.detection_ms, 3000);
    assert_eq!(slats.start_ms, 500 + 8 * 200);
    assert_eq!(slats.travel_ms, 4000 + 1000);
    assert_eq!(slats.total_ms(), 10_100);
    assert_eq!(of("west screens").total_ms(), 9100);
    assert_eq!(longest_time_to_safe(model).unwrap(), slats);
}

#[test]
fn devices_are_dealt_out_over_their_feeders() {
    let model = example().model;
    let feeder = |device: &str| {
        let id = model.device_named(device).unwrap();
        model.feeder(model.device(id).drive.feeder).name.clone()
    };
    assert_eq!(feeder("S-101"), "F1 harbour");
    assert_eq!(feeder("S-102"), "F2 harbour");
    assert_eq!(feeder("S-103"), "F1 harbour");
}

#[test]
fn a_group_takes_the_lowest_limit_with_its_source() {
    let model = example().model;
    let rule = |group: &str| {
        model
            .group(model.group_named(group).unwrap())
            .wind
            .clone()
            .unwrap()
    };
    let close = |a: f64, b: f64| (a - b).abs() < 1e-9;
    assert!(close(rule("harbour offices 1").limit_mps, 12.0));
    assert!(rule("harbour offices 1").source.contains("p. 4"));
    assert!(close(rule("harbour top floor").limit_mps, 10.0));
    assert!(rule("harbour top floor").source.contains("p. 5"));
}

/// The schema in `deploy/` is what the table of keys says. To write it anew:
/// `cargo run -p leeside-config --example schema > deploy/site.schema.json`.
#[test]
fn the_schema_is_current() {
    let written = std::fs::read_to_string(project("deploy/site.schema.json")).unwrap();
    let current = format!("{:#}\n", site::schema());
    assert!(
        written == current,
        "deploy/site.schema.json is not what the table of keys says"
    );
}

/// Every key and section of the example is one that the schema knows, and the
/// schema allows nothing else.
#[test]
fn the_schema_knows_the_example() {
    let text = std::fs::read_to_string(project("deploy/example/site.toml")).unwrap();
    let table: toml::Table = text.parse().unwrap();
    let schema = site::schema();
    let sections: BTreeSet<&String> = schema["properties"].as_object().unwrap().keys().collect();
    for (section, value) in &table {
        assert!(sections.contains(section), "{section}");
        let of = &schema["properties"][section];
        let (keys, entries) = match value.as_array() {
            Some(entries) => (&of["items"]["properties"], entries.clone()),
            None => (&of["properties"], vec![value.clone()]),
        };
        for entry in entries {
            for key in entry.as_table().unwrap().keys() {
                assert!(
                    keys.as_object().unwrap().contains_key(key),
                    "{section}.{key}"
                );
            }
        }
    }
}

#[test]
fn the_same_text_has_the_same_fingerprint_and_another_has_another() {
    let text = std::fs::read_to_string(project("tests/sites/quick.toml")).unwrap();
    let print = |name: &str, text: &str| {
        let outcome = site::parse(name, text, &mut BTreeMap::new(), &LoadOptions::around(2027));
        outcome.site.unwrap().fingerprint
    };
    assert_eq!(print("a.toml", &text), print("elsewhere/b.toml", &text));
    assert_ne!(
        print("a.toml", &text),
        print("a.toml", &text.replace("Quick", "Quack"))
    );
}

/// What stands in the list of defaults is in force: a door that states no latch has the
/// default, and a fire contact has none.
#[test]
fn a_default_that_means_nothing_is_not_in_force() {
    let text = std::fs::read_to_string(project("tests/sites/quick.toml")).unwrap();
    let text = text.replace("latch_s = 1", "");
    let text = format!("{text}\n[[contact]]\nname = \"fire panel\"\nkind = \"fire\"\n");
    let mut none = BTreeMap::new();
    let outcome = site::parse("quick.toml", &text, &mut none, &LoadOptions::around(2027));
    assert!(outcome.site.is_some(), "{:?}", outcome.diagnostics);
    let defaults = outcome.defaults.iter();
    let latched = defaults.filter(|default| default.key == "latch_s");
    let latched: Vec<_> = latched.map(|default| default.of.as_str()).collect();
    assert!(
        latched.len() == 1 && latched[0].contains("terrace door"),
        "{latched:?}"
    );
}

#[test]
fn every_problem_can_be_drawn() {
    let text = std::fs::read_to_string(project("tests/broken/many_at_once.toml")).unwrap();
    let outcome = site::parse(
        "x.toml",
        &text,
        &mut BTreeMap::new(),
        &LoadOptions::around(2027),
    );
    for problem in &outcome.diagnostics {
        let drawn = problem.render(&text, false);
        let head = format!("x.toml:{}:{}: ", problem.line, problem.column);
        assert!(drawn.starts_with(&head), "{drawn}");
        assert!(drawn.lines().count() > 1, "{drawn}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// Whatever is cut out of a sound file or put into it, reading it ends in a
    /// site or in at least one error, and never in a panic.
    #[test]
    fn damaged_files_are_complained_about(
        from in 0..6000usize,
        length in 0..400usize,
        put in "[\\PC\n]{0,12}",
    ) {
        let text = std::fs::read_to_string(project("tests/sites/quick.toml")).unwrap();
        let clamp = |at: usize| (0..=at.min(text.len())).rev().find(|i| text.is_char_boundary(*i)).unwrap_or(0);
        let (from, to) = (clamp(from), clamp(from + length));
        let damaged = format!("{}{put}{}", &text[..from], &text[to..]);
        let outcome = site::parse("x.toml", &damaged, &mut BTreeMap::new(), &LoadOptions::around(2027));
        prop_assert!(outcome.site.is_some() || !outcome.diagnostics.is_empty());
        for problem in &outcome.diagnostics {
            prop_assert!(!problem.message.is_empty());
            prop_assert!(!problem.message.contains("cannot say where"), "{problem}\n{damaged}");
            prop_assert!(!problem.render(&damaged, true).is_empty());
        }
    }
}
