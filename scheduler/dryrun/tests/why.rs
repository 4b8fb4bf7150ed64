//! The reason of one movement: the ranks of that moment, the movement before,
//! the one after, and what would have had to be different.

#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Command, Word};
use leeside_core::time::Wall;
use leeside_dryrun::replay::{Setting, Sink, replay};
use leeside_dryrun::report::Head;
use leeside_dryrun::why::{
    Basis, Story, complaint, complaint_json, complaint_plain, complaint_text, json, plain, text,
    why,
};
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

fn movements(setting: &Setting) -> Vec<(Wall, GroupId, String, Word)> {
    let mut all = All(vec![]);
    replay(setting, &mut all, &mut |_| ControlFlow::Continue(())).unwrap();
    all.0
}

fn basis(setting: &Setting, sha: &str) -> Basis {
    Basis::Told(Box::new(Head::of(setting, sha)))
}

/// Every movement of every group in a week of real weather: asked at its very
/// moment, the answer names it as the last one, with the same word and pose; and
/// a moment earlier it is the next one.
#[test]
fn each_movement_of_a_week_explains_itself() {
    let site = example::site();
    let model = &site.model;
    let setting = example::typical(&site, "2027-03-08T00:00", "2027-03-15T00:00");
    let all = movements(&setting);
    assert!(all.len() > 200, "{}", all.len());
    // One in eleven is enough, and reaches every group and hour.
    for (at, group, pose, word) in all.iter().step_by(11) {
        let name = &model.group(*group).name;
        let then = why(&Story::Told(&setting), *group, *at).unwrap();
        let last = then.last.as_ref().unwrap();
        assert_eq!(
            (last.at.wall, last.pose.to_string(), last.decided_by),
            (*at, pose.clone(), *word),
            "{name}"
        );
        assert_eq!(then.then.verdict.decided_by, *word, "{name}");
        // The first rank that speaks is the one that decided.
        let speaks = then
            .ranks
            .iter()
            .find(|rank| matches!(rank.says, leeside_core::engine::Says::Speaks { .. }));
        assert_eq!(speaks.unwrap().word, *word, "{name}");
        let before = why(&Story::Told(&setting), *group, at.plus(-1)).unwrap();
        assert_eq!(before.next.as_ref().unwrap().at.wall, *at, "{name}");
    }
}

#[test]
fn what_would_have_had_to_be_different_is_told_with_its_distance() {
    let site = example::site();
    let model = &site.model;
    let setting = example::clear(&site, "2027-06-23T00:00", "2027-07-08T00:00");
    let group = model.group_named("harbour offices 1").unwrap();
    let at = example::local(model, "2027-06-30T10:14");
    let then = why(&Story::Told(&setting), group, at).unwrap();
    let basis = basis(&setting, &site.fingerprint);
    let full = text(model, &basis, &then);
    // No wind at all under the made-up sky; the product's limit is 12 m/s.
    assert!(
        full.contains("12.0 m/s more wind here (12.0 m/s)"),
        "{full}"
    );
    assert!(full.contains("> sun"), "{full}");
    assert!(full.contains("- timetable"), "{full}");
    let told = json(model, &basis, &then);
    assert_eq!(told["verdict"]["decided_by"], "sun");
    assert_eq!(told["at_local"], "2027-06-30T10:14:00-04:00");
    assert_eq!(told["last"]["decided_by"], "sun");
    assert!(told["last"]["at_utc"].as_str() <= told["at_utc"].as_str());
    assert!(told["next"]["at_utc"].as_str() > told["at_utc"].as_str());
    assert_eq!(told["poses"].as_array().unwrap().len(), 8);
    let ranks = told["ranks"].as_array().unwrap();
    let words: Vec<&str> = ranks
        .iter()
        .map(|rank| rank["word"].as_str().unwrap())
        .collect();
    let order: Vec<&str> = Word::ALL
        .iter()
        .map(|word| word.as_str())
        .filter(|word| words.contains(word))
        .collect();
    assert_eq!(words, order, "highest rank first, each once");
}

#[test]
fn a_tenant_gets_two_or_three_sentences() {
    let site = example::site();
    let model = &site.model;
    let setting = example::clear(&site, "2027-06-23T00:00", "2027-07-08T00:00");
    let basis = basis(&setting, &site.fingerprint);
    for group in (0..model.groups.len()).map(GroupId::of) {
        let then = why(
            &Story::Told(&setting),
            group,
            example::local(model, "2027-06-30T10:14"),
        )
        .unwrap();
        let told = plain(model, &basis, &then);
        let sentences = told.split_inclusive(". ").count();
        assert!((2..=3).contains(&sentences), "{sentences}: {told}");
        for trade in [
            "verdict",
            "tilt",
            "extended",
            "retracted",
            "lockout",
            "incidence",
            "phase",
        ] {
            assert!(!told.contains(trade), "{trade}: {told}");
        }
        assert!(told.contains("not measured in the house"), "{told}");
    }
}

#[test]
fn a_room_s_report_holds_every_movement_in_front_of_it_and_no_other() {
    let site = example::site();
    let model = &site.model;
    let setting = example::typical(&site, "2027-06-08T00:00", "2027-06-10T00:00");
    let room = model.room_named("offices 1").unwrap();
    let (from, to) = (
        example::local(model, "2027-06-08T06:00"),
        example::local(model, "2027-06-09T12:00"),
    );
    let found = complaint(&Story::Told(&setting), model, room, from, to).unwrap();
    let names = ["harbour offices 1", "slip offices 1", "lane offices 1"];
    let mine: Vec<GroupId> = names
        .iter()
        .map(|name| model.group_named(name).unwrap())
        .collect();
    assert_eq!(found.groups, mine);
    let want: Vec<_> = movements(&setting)
        .into_iter()
        .filter(|(at, group, ..)| mine.contains(group) && from <= *at && *at < to)
        .collect();
    let basis = basis(&setting, &site.fingerprint);
    let told = complaint_json(model, &basis, &found);
    let got = told["movements"].as_array().unwrap();
    assert_eq!(got.len(), want.len());
    assert!(want.len() > 5);
    for (movement, (at, group, ..)) in got.iter().zip(&want) {
        assert_eq!(movement["group"], model.group(*group).name);
        assert_eq!(movement["at_utc"], leeside_dryrun::told::iso_utc(*at));
    }
    let full = complaint_text(model, &basis, &found);
    assert!(
        full.contains(&format!("{} movements.", want.len())),
        "{full}"
    );
    let short = complaint_plain(model, &basis, &found);
    assert!(short.contains("offices 1"), "{short}");
    assert!(!short.contains("W/m² at"), "{short}");
}
