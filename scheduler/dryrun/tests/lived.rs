//! A journal as a story: what was lived through is told as it was then.

#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_core::Core;
use leeside_core::ids::GroupId;
use leeside_core::input::{Ask, Input, Origin, Request, Until};
use leeside_core::model::ContactKind;
use leeside_core::output::{Output, Word};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Now, Wall};
use leeside_dryrun::replay::Feed;
use leeside_dryrun::told::{Movement, iso_utc};
use leeside_dryrun::why::{
    Basis, Lived, LivedError, Story, WhyError, complaint, complaint_json, plain, why,
};
use leeside_journal::{Batch, Journal, Kind, Snapshot};
use leeside_plant::Plant;

/// A core, its plant, and a journal that is written as the daemon writes it.
struct House {
    core: Core,
    plant: Plant,
    journal: Journal,
    moved: Vec<Movement>,
}

impl House {
    fn input(&mut self, at: i64, input: &Input) {
        let now = Now::both(at);
        let mut batch = Batch::new();
        batch.input(now, "", input).unwrap();
        self.core.handle(now, input.clone());
        self.journal.write(&batch).unwrap();
        self.drain(at);
    }

    /// Drains, hands commands to the plant and its reports back, until both have
    /// nothing more to say; says when to wake.
    fn drain(&mut self, at: i64) -> Option<i64> {
        loop {
            match self.core.poll() {
                Output::Command(command) => {
                    self.plant.handle(command.at, &command);
                    if !command.repeat {
                        self.moved.push(Movement::of(&command));
                    }
                }
                Output::Lockout(_)
                | Output::Alarm(_)
                | Output::Refused { .. }
                | Output::Announce { .. } => {}
                Output::Wake(wake) => {
                    self.plant.advance(Now::both(at));
                    let Some(told) = self.plant.poll() else {
                        return wake.map(|wake| wake.at.wall.0);
                    };
                    let report = Input::Report(told.report);
                    let mut batch = Batch::new();
                    batch.input(Now::both(at), "", &report).unwrap();
                    self.journal.write(&batch).unwrap();
                    self.core.handle(Now::both(at), report);
                }
            }
        }
    }

    /// Wakes the core whenever it asks before `until`, and hears the plant.
    fn until(&mut self, mut at: i64, until: i64) {
        loop {
            let wake = self.drain(at).map(|wake| wake.max(at) + 1);
            let plant = self.plant.next().map(|next| next.0.max(at));
            let Some(next) = wake
                .into_iter()
                .chain(plant)
                .min()
                .filter(|next| *next < until)
            else {
                return;
            };
            at = next;
            if wake == Some(next) {
                self.input(at, &Input::Tick);
            }
        }
    }
}

#[test]
fn a_recorded_day_is_explained_as_it_was_lived() {
    let folder = tempfile::tempdir().unwrap();
    let site = example::site();
    let model = site.model.clone();
    let setting = example::clear(&site, "2027-06-30T00:00", "2027-07-01T00:00");
    let group = model.group_named("harbour offices 1").unwrap();
    let room = model.room_named("offices 1").unwrap();
    let (from, to) = (setting.from, setting.to);
    let mut house = House {
        core: Core::new(model.clone(), Now::both(from.0)),
        plant: Plant::ideal(&model, Now::both(from.0)),
        journal: Journal::open(&folder.path().join("journal.sqlite")).unwrap(),
        moved: vec![],
    };
    let mut begun = Batch::new();
    begun.row(
        Now::both(from.0),
        Kind::Run,
        "",
        "{\"resumed\":false}".to_owned(),
    );
    house.journal.write(&begun).unwrap();
    for (index, contact) in (0..).zip(&model.contacts) {
        let active = contact.kind == ContactKind::Occupancy;
        house.input(
            from.0,
            &Input::Contact {
                contact: leeside_core::ids::ContactId(index),
                active,
            },
        );
    }
    // Asked for by hand at ten past eleven, in the middle of the sun's hours.
    let asked = example::local(&model, "2027-06-30T11:10");
    let at = example::local(&model, "2027-06-30T11:30");
    let mut then = None;
    let mut feed = Feed::new(model.clone(), &setting.sky);
    let mut step = from.0;
    while step < to.0 {
        feed.look(Wall(step));
        let readings: Vec<Input> = feed
            .readings(Wall(step))
            .iter()
            .map(|reading| Input::Reading(*reading))
            .collect();
        readings
            .iter()
            .for_each(|reading| house.input(step, reading));
        if step == asked.0 {
            let ask = Ask::Pose {
                group,
                extension_pct: Some(0),
                tilt_deg: None,
                until: Until::Rule,
            };
            let request = Request {
                by: "room panel 3".to_owned(),
                from: Origin::Room(room),
                ask,
            };
            house.input(step, &Input::Request(request));
        }
        if step == from.0 + 9 * HOUR {
            let body =
                serde_json::json!({ "core": house.core.snapshot(), "board": {} }).to_string();
            let mut batch = Batch::new();
            let fingerprint = site.fingerprint.clone();
            batch.snapshot(Now::both(step), Snapshot { fingerprint, body });
            house.journal.write(&batch).unwrap();
        }
        house.until(step, step + MINUTE);
        step += MINUTE;
        if step == at.0 + MINUTE {
            // As it stands at the end of that minute, looked at without touching it.
            let mut copy = house.core.clone();
            copy.handle(Now::both(step - 1), Input::Tick);
            let devices = &model.group(group).devices;
            let poses: Vec<_> = devices
                .iter()
                .map(|device| (*device, copy.pose(*device)))
                .collect();
            then = Some((copy.explain(group), copy.ranks(group), poses, copy.now()));
        }
    }

    let lived = Lived::of(&house.journal, model.clone(), &site.fingerprint, from, to).unwrap();
    assert!(lived.notes().is_empty());
    let (explained, ranks, poses, now) = then.unwrap();
    let found = why(&Story::Lived(&lived), group, now.wall.plus(-1)).unwrap();
    assert_eq!(found.then, explained);
    assert_eq!(found.ranks, ranks);
    assert_eq!(found.then.verdict.decided_by, Word::Hand);
    assert_eq!(found.poses, poses);
    let retracted = |pose: &Option<Pose>| pose.is_some_and(|pose| pose.extension_pct == 0);
    assert!(poses.iter().all(|(_, pose)| retracted(pose)), "{poses:?}");
    let of_group = |group: GroupId| {
        house
            .moved
            .iter()
            .filter(move |movement| movement.group == group)
    };
    assert_eq!(
        found.last.as_ref(),
        of_group(group).filter(|m| m.at.wall <= at).last()
    );
    assert_eq!(
        found.next.as_ref(),
        of_group(group).find(|m| m.at.wall > now.wall)
    );
    assert!(
        found.next.is_some(),
        "it goes back when the hold by hand ends"
    );

    let basis = Basis::Lived {
        journal: "journal.sqlite".to_owned(),
        fingerprint: String::new(),
        notes: vec![],
    };
    let told = plain(&model, &basis, &found);
    assert!(told.contains("somebody asked for it in the room"), "{told}");
    assert!(
        !told.contains("room panel 3"),
        "no names in what a tenant reads: {told}"
    );
    assert!(!told.contains("not measured"), "{told}");

    // The report on the room holds what was moved, and nothing else.
    let story = Story::Lived(&lived);
    let report = complaint(&story, &model, room, asked, to).unwrap();
    let want: Vec<String> = house
        .moved
        .iter()
        .filter(|m| report.groups.contains(&m.group) && m.at.wall >= asked)
        .map(|m| format!("{} {}", iso_utc(m.at.wall), model.group(m.group).name))
        .collect();
    let told = complaint_json(&model, &basis, &report);
    let got: Vec<String> = told["movements"]
        .as_array()
        .unwrap()
        .iter()
        .map(|m| {
            format!(
                "{} {}",
                m["at_utc"].as_str().unwrap(),
                m["group"].as_str().unwrap()
            )
        })
        .collect();
    assert_eq!(got, want);
    assert!(want.len() > 3);

    // From the snapshot in the middle on it is told the same.
    let late = Lived::of(
        &house.journal,
        model.clone(),
        &site.fingerprint,
        to.plus(-HOUR),
        to,
    )
    .unwrap();
    let answer = why(&Story::Lived(&late), group, to.plus(-2 * MINUTE)).unwrap();
    let whole = why(&Story::Lived(&lived), group, to.plus(-2 * MINUTE)).unwrap();
    assert_eq!(answer.then, whole.then);

    // Another site file than then is said; a span without rows is named.
    let other = Lived::of(
        &house.journal,
        model.clone(),
        "another",
        to.plus(50 * HOUR),
        to.plus(51 * HOUR),
    );
    assert!(matches!(other, Err(LivedError::Nothing { .. })));
    let before = why(&Story::Lived(&lived), group, from.plus(-HOUR));
    assert!(matches!(before, Err(WhyError::Outside(_))), "{before:?}");
}
