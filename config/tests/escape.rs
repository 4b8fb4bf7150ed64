//! Escape openings: what would extend before one is told, unless somebody has allowed
//! it or nothing does. (That it stays retracted otherwise: common practice, no source.)
#![expect(clippy::unwrap_used, reason = "tests")]

use leeside_config::{LoadOptions, site};
use std::collections::BTreeMap;
use std::path::Path;

const CALENDAR: &str = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20270101T000000Z\r\nDTSTART;VALUE=DATE:20270503\r\nSUMMARY:fair\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n";

/// The broken file in which everything extends shutters before an escape opening.
fn extending() -> String {
    let file = "../tests/broken/escape_extends.toml";
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(file)).unwrap()
}

/// The text with each of `changes` made, each of which must hit.
fn changed(text: &str, changes: &[(&str, &str)]) -> String {
    let mut text = text.to_owned();
    for (old, new) in changes {
        assert!(text.contains(old), "{old}");
        text = text.replace(old, new);
    }
    text
}

/// Message and hint of what is said about a site that is sound but for warnings.
fn said(text: &str) -> Vec<(String, String)> {
    let mut files = BTreeMap::from([("fair.ics".to_owned(), CALENDAR.to_owned())]);
    let outcome = site::parse("x.toml", text, &mut files, &LoadOptions::around(2027));
    assert!(outcome.site.is_some(), "{:?}", outcome.diagnostics);
    let told = outcome.diagnostics.into_iter();
    told.map(|d| (d.message, d.hint)).collect()
}

/// What extends: the part of the one message after the colon.
fn ways(text: &str) -> String {
    let said = said(text);
    assert_eq!(said.len(), 1, "{said:?}");
    let (_, ways) = said[0].0.split_once("extends it: ").unwrap();
    ways.to_owned()
}

/// Takes away all that extends but what stands in the group and its product.
const QUIET_DAYS: &[(&str, &str)] = &[
    (
        "{ phase = \"night\", at = \"sunset\", pose = \"extended\",",
        "{ phase = \"night\", at = \"sunset\", pose = \"retracted\",",
    ),
    ("{ extension_pct = 90 }", "\"retracted\""),
    (
        "groups = [\"terrace\"]\npose = \"extended\"",
        "groups = [\"terrace\"]\npose = \"retracted\"",
    ),
    (
        "{ \"terrace\" = \"extended\" }",
        "{ \"terrace\" = \"retracted\" }",
    ),
];

const QUIET_GROUP: &[(&str, &str)] = &[
    ("rest = \"extended\"", "rest = \"retracted\""),
    ("sun = \"shutters down\"\n", ""),
    (
        "[[sun]]\nname = \"shutters down\"\naim = \"fixed\"\npose = \"extended\"\non_wm2 = 200\noff_wm2 = 120\n",
        "",
    ),
];

const QUIET_PRODUCT: &[(&str, &str)] = &[(
    "refuge = { wind = \"extended\", hail = \"retracted\", ice = { extension_pct = 20 },",
    "refuge = { wind = \"retracted\", hail = \"retracted\", ice = \"retracted\",",
)];

#[test]
fn what_somebody_has_allowed_is_not_complained_about() {
    let allowed = "escape = true\nescape_allowed_by = \"fire concept of 2026-03, section 4\"";
    let allowed = changed(&extending(), &[("escape = true", allowed)]);
    assert_eq!(said(&allowed), []);
    let unsaid = changed(&extending(), &[("escape = true\n", "")]);
    assert_eq!(said(&unsaid), [], "no escape opening");
}

#[test]
fn what_stays_retracted_is_not_complained_about() {
    let quiet = [QUIET_DAYS, QUIET_GROUP, QUIET_PRODUCT].concat();
    assert_eq!(said(&changed(&extending(), &quiet)), []);
}

#[test]
fn a_refuge_alone_is_told_and_that_another_product_mends_it() {
    let text = changed(&extending(), &[QUIET_DAYS, QUIET_GROUP].concat());
    assert_eq!(
        ways(&text),
        "in its refuge from wind, in its refuge from ice"
    );
    assert!(
        said(&text)[0]
            .1
            .contains("a product whose refuge is retracted")
    );
    let text = changed(&extending(), QUIET_PRODUCT);
    assert!(!said(&text)[0].1.contains("product"));
    // Without a guard nothing ever sends it there.
    let text = changed(&extending(), &[QUIET_DAYS, QUIET_GROUP].concat());
    let unguarded = "ice = { none_because = \"never freezes here\" }\n";
    let text = changed(&text, &[("ice = \"frost\"\n", unguarded)]);
    assert!(
        said(&text)
            .iter()
            .any(|(m, _)| m.ends_with(": in its refuge from wind"))
    );
}

#[test]
fn a_sun_rule_counts_where_some_phase_or_special_day_allows_sun() {
    let named = |text: &str| {
        let end = "extends it: by the sun rule `shutters down`";
        said(text).iter().any(|(message, _)| message.ends_with(end))
    };
    let rest = ("rest = \"extended\"", "rest = \"retracted\"");
    let quiet = [QUIET_DAYS, QUIET_PRODUCT, &[rest]].concat();
    let text = changed(&extending(), &quiet);
    assert_eq!(ways(&text), "by the sun rule `shutters down`");
    let day = "pose = \"retracted\", sun = true },\n  { phase = \"night\", at = \"sunset\", pose = \"retracted\"";
    let dark = day.replace("sun = true", "sun = false");
    let dark = changed(&text, &[(day, &dark)]);
    assert!(
        said(&dark)
            .iter()
            .all(|(message, _)| !message.contains("escape"))
    );
    let special = "groups = [\"terrace\"]\npose = \"retracted\"\nsun = ";
    let (never, bright) = (format!("{special}false"), format!("{special}true"));
    let bright = changed(&dark, &[(&never, &bright)]);
    assert!(named(&bright));
    let open = changed(
        &text,
        &[(
            "aim = \"fixed\"\npose = \"extended\"",
            "aim = \"fixed\"\npose = \"retracted\"",
        )],
    );
    assert_eq!(said(&open), [], "a sun rule that extends nothing");
    let heat = "off_wm2 = 120\nheat = { setpoint_c = 22, from_wm2 = 150, keep_out = \"extended\", let_in = \"retracted\" }\n\n[[group]]\nname = \"south";
    let heat = changed(
        &open,
        &[("off_wm2 = 120\n\n[[group]]\nname = \"south", heat)],
    );
    assert!(named(&heat), "heat kept out");
}

#[test]
fn calendars_of_special_days_are_named_for_the_groups_they_concern() {
    let quiet = [QUIET_DAYS, QUIET_GROUP, QUIET_PRODUCT].concat();
    let text = changed(&extending(), &quiet);
    let with = |group: &str, pose: &str| {
        format!(
            "{text}\n[[calendar]]\nname = \"fairs\"\nfile = \"fair.ics\"\nspecial = {{ groups = [\"{group}\"], pose = {pose}, sun = false }}\n"
        )
    };
    assert_eq!(
        ways(&with("terrace", "\"extended\"")),
        "by the calendar `fairs`"
    );
    assert_eq!(said(&with("terrace", "\"retracted\"")), []);
    let slats = "{ extension_pct = 100, tilt_deg = 0 }";
    assert_eq!(said(&with("south slats", slats)), []);
}

/// One table may stand for devices of several groups: each group has its own line.
#[test]
fn each_group_is_told_apart() {
    let second = "devices = [\"R-1\"]\nwind = \"south wind\"\nhail = \"hail\"\nice = \"frost\"\nfire = \"fire\"\ntimetable = \"terrace\"\nrest = \"retracted\"\n\n[[group]]\nname = \"gate\"\ndevices = [\"R-2\"]";
    let text = changed(&extending(), &[("devices = [\"R-1..2\"]", second)]);
    let said = said(&text);
    assert_eq!(said.len(), 2, "{said:?}");
    let of = |group: &str| said.iter().find(|(m, _)| m.contains(group)).unwrap();
    assert!(!of("the group `terrace`").0.contains("at rest"));
    assert!(of("the group `gate`").0.contains("at rest"));
}
