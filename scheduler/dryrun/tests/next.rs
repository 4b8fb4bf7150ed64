//! What comes next is what the replay will do, counted from the base time.

#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Command, Word};
use leeside_core::time::{Wall, to_utc};
use leeside_dryrun::next::{json, next, text};
use leeside_dryrun::replay::{Sink, replay};
use leeside_dryrun::report::Head;
use std::ops::ControlFlow;

struct All(Vec<(Wall, GroupId, String, Word)>);

impl Sink for All {
    fn movement(&mut self, _model: &Model, command: &Command) -> std::io::Result<()> {
        self.0.push((
            command.at.wall,
            command.group,
            command.pose.to_string(),
            command.decided_by,
        ));
        Ok(())
    }
}

#[test]
fn the_next_movements_are_those_of_the_replay() {
    let site = example::site();
    let setting = example::clear(&site, "2027-06-30T09:30", "2027-07-15T00:00");
    let groups: Vec<GroupId> = (0..site.model.groups.len()).map(GroupId::of).collect();
    let next = next(&setting, &groups, 4).unwrap();
    let mut all = All(vec![]);
    replay(&setting, &mut all, &mut |_| ControlFlow::Continue(())).unwrap();
    for of in &next.groups {
        let want = all
            .0
            .iter()
            .filter(|(_, group, ..)| *group == of.group)
            .take(4);
        let want: Vec<_> = want
            .map(|(at, _, pose, word)| (*at, pose.clone(), *word))
            .collect();
        let got: Vec<_> = of
            .coming
            .iter()
            .map(|m| (m.at.wall, m.pose.to_string(), m.decided_by))
            .collect();
        assert_eq!(got, want, "{}", site.model.group(of.group).name);
        assert!(of.coming.iter().all(|m| m.at.wall >= setting.from));
    }
    let told = text(&site.model, &Head::of(&setting, &site.fingerprint), &next);
    assert!(
        told.contains("no clouds, no wind"),
        "the assumption stands on it:\n{told}"
    );
}

#[test]
fn a_workday_of_the_workshop_is_told_from_the_base_time_in_both_clocks() {
    let site = example::site();
    // Wednesday, 30 June 2027, 05:00 in New York (UTC-4).
    let setting = example::clear(&site, "2027-06-30T05:00", "2027-07-15T00:00");
    let group = site.model.group_named("workshop lights").unwrap();
    let next = next(&setting, &[group], 2).unwrap();
    let told = json(&site.model, &Head::of(&setting, &site.fingerprint), &next);
    let of = &told["groups"][0];
    // Shut since the evening before; the site file opens it at 06:15.
    assert_eq!(of["now"]["extension_pct"], 100);
    assert_eq!(of["now"]["decided_by"], "timetable");
    let first = &of["next"][0];
    assert_eq!(first["at_local"], "2027-06-30T06:15:00-04:00");
    assert_eq!(first["at_utc"], "2027-06-30T10:15:00Z");
    assert_eq!(first["in_s"], 75 * 60);
    assert_eq!(first["in"], "1 h 15 min");
    assert_eq!(first["extension_pct"], 0);
    // Sunset of that day and half an hour is past 20:30, the latest that the site file allows.
    assert_eq!(of["next"][1]["at_local"], "2027-06-30T20:30:00-04:00");
    assert_eq!(of["next"][1]["extension_pct"], 100);
    assert_eq!(of["next"].as_array().unwrap().len(), 2);
}

#[test]
fn a_base_time_that_does_not_exist_is_read_as_the_calendar_standard_says() {
    // RFC 5545 §3.3.5: a time in the gap has the offset before it.
    let site = example::site();
    let gap = chrono::NaiveDate::from_ymd_opt(2027, 3, 14)
        .unwrap()
        .and_hms_opt(2, 30, 0)
        .unwrap();
    let at = Wall::from_utc(to_utc(site.model.site.zone, gap).utc);
    let mut setting = example::clear(&site, "2027-03-14T00:00", "2027-03-20T00:00");
    setting.from = at;
    let group = site.model.group_named("harbour offices 1").unwrap();
    let next = next(&setting, &[group], 1).unwrap();
    let told = json(&site.model, &Head::of(&setting, &site.fingerprint), &next);
    assert_eq!(told["from_local"], "2027-03-14T03:30:00-04:00");
}
