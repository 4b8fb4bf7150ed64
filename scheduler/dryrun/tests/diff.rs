//! What a changed site file changes: nothing for the same file, the tightened
//! limit for a tightened limit.

#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_core::output::Word;
use leeside_dryrun::diff::{Behaviour, How, Side, compare, differs, json, keys, text};
use leeside_dryrun::replay::Setting;
use leeside_dryrun::report::Head;
use std::ops::ControlFlow;
use std::sync::Arc;

fn behaviour(setting: &Setting) -> Behaviour {
    Behaviour::of(setting, &|_| ControlFlow::Continue(())).unwrap()
}

#[test]
fn the_same_file_changes_nothing() {
    let site = example::site();
    let setting = example::typical(&site, "2027-03-08T00:00", "2027-03-15T00:00");
    let groups = compare(&behaviour(&setting), &behaviour(&setting));
    assert_eq!(groups.len(), site.model.groups.len());
    assert!(!differs(&groups));
    let head = Head::of(&setting, &site.fingerprint);
    let told = text(&site.model, &head, &head, &[], &groups);
    assert!(told.contains("the same, movement by movement"), "{told}");
}

#[test]
fn a_tighter_wind_limit_shows_in_its_group_only_and_as_wind() {
    let site = example::site();
    let old = example::typical(&site, "2027-03-01T00:00", "2027-04-01T00:00");
    let mut new = old.clone();
    let group = site.model.group_named("meeting room").unwrap();
    let model = Arc::make_mut(&mut new.model);
    model.groups[group.index()].wind.as_mut().unwrap().limit_mps = 8.0;
    let groups = compare(&behaviour(&old), &behaviour(&new));
    assert!(differs(&groups));
    for of in &groups {
        let mine = of.name == "meeting room";
        assert_eq!(of.differences.is_empty(), !mine, "{}", of.name);
        assert_eq!(of.old == of.new, !mine, "{}", of.name);
    }
    let mine = groups.iter().find(|of| of.name == "meeting room").unwrap();
    let locked = |of: &Option<Side>| of.as_ref().unwrap().account.locked_ms;
    assert!(
        locked(&mine.new) > locked(&mine.old),
        "a tighter limit locks for longer"
    );
    let by_wind: usize = How::ALL
        .iter()
        .map(|how| mine.count(*how, Some(Word::Wind)))
        .sum();
    assert!(by_wind > 0);
    // The numbers of movements agree with what was added and removed.
    let moved = |of: &Option<Side>| of.as_ref().unwrap().movements;
    assert_eq!(
        moved(&mine.old) + mine.count(How::Added, None),
        moved(&mine.new) + mine.count(How::Removed, None)
    );
    let head = Head::of(&old, &site.fingerprint);
    let told = json(&site.model, &head, &head, &[], &groups);
    assert_eq!(told["differs"], true);
    let listed = told["groups"][7]["differences"].as_array().unwrap().len();
    assert_eq!(listed, mine.differences.len());
}

#[test]
fn a_group_that_is_gone_takes_its_movements_along() {
    let site = example::site();
    let setting = example::clear(&site, "2027-06-30T00:00", "2027-07-01T00:00");
    let old = behaviour(&setting);
    let mut new = old.clone();
    let gone = new.groups.remove(3);
    let groups = compare(&old, &new);
    let of = groups.iter().find(|of| of.name == gone.name).unwrap();
    assert!(of.new.is_none());
    assert!(!gone.steps.is_empty());
    assert_eq!(of.count(How::Removed, None), gone.steps.len());
    assert!(differs(&compare(&new, &old)), "and the other way round");
}

#[test]
fn the_example_s_keys_are_compared_by_name() {
    let old = std::fs::read_to_string(example::path("deploy/example/site.toml")).unwrap();
    assert!(keys(&old, &old).unwrap().is_empty());
    let new = old.replace(
        "hysteresis_mps = 2.5\nhold_min = 30\n\n[[wind]]\nname = \"entrance wind\"",
        "hysteresis_mps = 3\nhold_min = 30\n\n[[wind]]\nname = \"entrance wind\"",
    );
    assert_ne!(old, new);
    let found = keys(&old, &new).unwrap();
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].key, "wind[\"terrace wind\"].hysteresis_mps");
    assert_eq!(
        (found[0].old.as_deref(), found[0].new.as_deref()),
        (Some("2.5"), Some("3"))
    );
}
