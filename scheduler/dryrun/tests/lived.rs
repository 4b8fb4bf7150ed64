//! A journal as a story: what was lived through is told as it was then.

#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_config::Site;
use leeside_core::Core;
use leeside_core::engine::{Explanation, RankView};
use leeside_core::ids::{ContactId, DeviceId, GroupId, RoomId};
use leeside_core::input::{Ask, Input, Origin, Part, Reading, Request, Sample, Until};
use leeside_core::model::{ContactKind, Model};
use leeside_core::output::{Output, Word};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Now, Wall};
use leeside_dryrun::lived::{Versions, Years};
use leeside_dryrun::replay::Feed;
use leeside_dryrun::told::{Movement, iso_utc};
use leeside_dryrun::weather::from_journal;
use leeside_dryrun::why::{
    Basis, Lived, LivedError, Story, WhyError, complaint, complaint_json, plain, why,
};
use leeside_journal::{Batch, Journal, Kind, Snapshot};
use leeside_plant::Plant;
use std::path::Path;
use std::sync::Arc;

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

/// What the core said of the group at a moment.
struct Then {
    explained: Explanation,
    ranks: Vec<RankView>,
    poses: Vec<(DeviceId, Option<Pose>)>,
}

/// Versions by their fingerprints.
struct Sites(Vec<(String, Arc<Model>)>);

impl Versions for Sites {
    fn model(&mut self, fingerprint: &str, _years: Option<Years>) -> Option<Arc<Model>> {
        let found = self.0.iter().find(|(name, _)| name == fingerprint);
        found.map(|(_, model)| model.clone())
    }
}

/// A day that was lived through.
struct Day {
    site: Site,
    group: GroupId,
    room: RoomId,
    from: Wall,
    to: Wall,
    /// Asked for by hand at ten past eleven, in the middle of the sun's hours.
    asked: Wall,
    /// Twenty minutes later, and what was then.
    at: Wall,
    then: Then,
    journal: Journal,
    moved: Vec<Movement>,
    _folder: tempfile::TempDir,
}

impl Day {
    fn lived() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let site = example::site();
        let model = site.model.clone();
        let setting = example::clear(&site, "2027-06-30T00:00", "2027-07-01T00:00");
        let (from, to) = (setting.from, setting.to);
        let group = model.group_named("harbour offices 1").unwrap();
        let room = model.room_named("offices 1").unwrap();
        let asked = example::local(&model, "2027-06-30T11:10");
        let at = example::local(&model, "2027-06-30T11:30");
        let mut house = House::begun(&site, from, &folder.path().join("journal.sqlite"));
        let mut feed = Feed::new(model.clone(), &setting.sky);
        let mut then = None;
        for step in (from.0..to.0).step_by(60_000) {
            feed.look(Wall(step));
            let readings = feed.readings(Wall(step)).to_vec();
            for reading in readings {
                house.input(step, &Input::Reading(reading));
            }
            if step == asked.0 {
                let ask = Ask::Pose {
                    group,
                    extension_pct: Some(0),
                    tilt_deg: None,
                    until: Until::Rule,
                };
                let from = Origin::Room(room);
                house.input(
                    step,
                    &Input::Request(Request {
                        by: "room panel 3".to_owned(),
                        from,
                        ask,
                    }),
                );
            }
            if step == from.0 + 9 * HOUR {
                house.snapshot(step, &site.fingerprint);
            }
            house.until(step, step + MINUTE);
            if step == at.0 {
                then = Some(house.at(Now::both(step + 1), group));
            }
        }
        let House { journal, moved, .. } = house;
        let then = then.unwrap();
        Self {
            site,
            group,
            room,
            from,
            to,
            asked,
            at,
            then,
            journal,
            moved,
            _folder: folder,
        }
    }

    fn of(&self, from: Wall, to: Wall) -> Result<Lived<'_>, LivedError> {
        let mut versions = Sites(vec![(
            self.site.fingerprint.clone(),
            self.site.model.clone(),
        )]);
        let model = self.site.model.clone();
        Lived::of(&self.journal, model, &mut versions, from, to)
    }

    fn whole(&self) -> Lived<'_> {
        self.of(self.from, self.to).unwrap()
    }

    fn moved(&self, group: GroupId) -> Vec<&Movement> {
        self.moved
            .iter()
            .filter(|movement| movement.group == group)
            .collect()
    }
}

impl House {
    fn begun(site: &Site, from: Wall, path: &Path) -> Self {
        let (model, now) = (&site.model, Now::both(from.0));
        let mut house = Self {
            core: Core::new(model.clone(), now),
            plant: Plant::ideal(model, now),
            journal: Journal::open(path).unwrap(),
            moved: vec![],
        };
        let mut begun = Batch::new();
        begun.row(now, Kind::Run, "", "{\"resumed\":false}");
        house.journal.write(&begun).unwrap();
        for (index, contact) in (0..).zip(&model.contacts) {
            let active = contact.kind == ContactKind::Occupancy;
            house.input(
                from.0,
                &Input::Contact {
                    contact: ContactId(index),
                    active,
                },
            );
        }
        house
    }

    fn snapshot(&mut self, at: i64, fingerprint: &str) {
        let body = serde_json::json!({ "core": self.core.snapshot(), "board": {} }).to_string();
        let mut batch = Batch::new();
        batch.snapshot(
            Now::both(at),
            Snapshot {
                fingerprint: fingerprint.to_owned(),
                body,
            },
        );
        self.journal.write(&batch).unwrap();
    }

    /// As it stands, looked at without touching it.
    fn at(&self, now: Now, group: GroupId) -> Then {
        let mut copy = self.core.clone();
        copy.handle(now, Input::Tick);
        let devices = copy.model().group(group).devices.clone();
        Then {
            explained: copy.explain(group),
            ranks: copy.ranks(group),
            poses: devices
                .into_iter()
                .map(|device| (device, copy.pose(device)))
                .collect(),
        }
    }
}

fn basis() -> Basis {
    Basis::Lived {
        journal: "journal.sqlite".to_owned(),
        fingerprint: String::new(),
        notes: vec![],
    }
}

#[test]
fn a_recorded_moment_is_explained_as_it_was_lived() {
    let day = Day::lived();
    let lived = day.whole();
    assert!(lived.notes().is_empty());
    let found = why(&Story::Lived(&lived), day.group, day.at).unwrap();
    assert_eq!(found.then, day.then.explained);
    assert_eq!(found.ranks, day.then.ranks);
    assert_eq!(found.poses, day.then.poses);
    assert_eq!(found.then.verdict.decided_by, Word::Hand);
    let retracted = |pose: &Option<Pose>| pose.is_some_and(|pose| pose.extension_pct == 0);
    assert!(
        found.poses.iter().all(|(_, pose)| retracted(pose)),
        "{:?}",
        found.poses
    );
    let moved = day.moved(day.group);
    let before = moved
        .iter()
        .rev()
        .find(|movement| movement.at.wall <= day.at);
    assert_eq!(found.last.as_ref(), before.copied());
    let after = moved.iter().find(|movement| movement.at.wall > day.at);
    assert_eq!(found.next.as_ref(), after.copied());
    assert!(after.is_some(), "it goes back when the hold by hand ends");

    let told = plain(&day.site.model, &basis(), &found);
    assert!(told.contains("somebody asked for it in the room"), "{told}");
    assert!(
        !told.contains("room panel 3"),
        "no names in what a tenant reads: {told}"
    );
    assert!(!told.contains("not measured"), "{told}");
}

#[test]
fn the_report_on_a_room_holds_what_was_moved_and_nothing_else() {
    let day = Day::lived();
    let (model, lived) = (&day.site.model, day.whole());
    let report = complaint(&Story::Lived(&lived), model, day.room, day.asked, day.to).unwrap();
    let mine = |movement: &&Movement| {
        report.groups.contains(&movement.group) && movement.at.wall >= day.asked
    };
    let want: Vec<String> = day
        .moved
        .iter()
        .filter(mine)
        .map(|movement| {
            format!(
                "{} {}",
                iso_utc(movement.at.wall),
                model.group(movement.group).name
            )
        })
        .collect();
    let told = complaint_json(model, &basis(), &report);
    let movements = told["movements"].as_array().unwrap();
    let text = |value: &serde_json::Value| value.as_str().unwrap().to_owned();
    let got: Vec<String> = movements
        .iter()
        .map(|m| format!("{} {}", text(&m["at_utc"]), text(&m["group"])))
        .collect();
    assert_eq!(got, want);
    assert!(want.len() > 3);
}

#[test]
fn a_part_of_a_journal_begins_at_its_snapshot() {
    let day = Day::lived();
    let at = day.to.plus(-2 * MINUTE);
    let late = day.of(day.to.plus(-HOUR), day.to).unwrap();
    let answer = why(&Story::Lived(&late), day.group, at).unwrap();
    let whole = why(&Story::Lived(&day.whole()), day.group, at).unwrap();
    assert_eq!(answer.then, whole.then);
}

#[test]
fn what_a_journal_does_not_hold_is_refused() {
    let day = Day::lived();
    let outside = day.of(day.to.plus(50 * HOUR), day.to.plus(51 * HOUR));
    assert!(matches!(outside, Err(LivedError::Nothing { .. })));
    let before = why(&Story::Lived(&day.whole()), day.group, day.from.plus(-HOUR));
    assert!(matches!(before, Err(WhyError::Outside(_))), "{before:?}");
}

#[test]
fn the_next_movement_is_looked_for_up_to_the_last_row() {
    let day = Day::lived();
    let lived = day.of(day.from, day.to.plus(100 * HOUR));
    let answer = why(&Story::Lived(&lived.unwrap()), day.group, day.to.plus(-1)).unwrap();
    assert!(answer.next.is_none());
    assert!(answer.span.1 < day.to, "{:?}", answer.span);
}

/// Before a site file was loaded anew a sensor had another place in it, and there was
/// one more: what each said is taken for what it was.
#[test]
fn weather_of_a_journal_goes_by_the_names_of_its_sensors() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.sqlite");
    let site = example::site();
    let mast = site.model.sensor_named("mast harbour").unwrap();
    let elsewhere = site.model.sensor_named("roof air").unwrap();
    let mut batch = Batch::new();
    for (place, name, gust) in [
        (elsewhere, "mast harbour", 12.5),
        (mast, "taken away", 30.0),
    ] {
        let reading = Reading {
            sensor: place,
            at: Wall(60_000),
            sample: Sample::Wind {
                gust: Part::Value(gust),
                mean: Part::Unsaid,
                direction: Part::Unsaid,
            },
        };
        batch
            .input(Now::both(60_000), name, &Input::Reading(reading))
            .unwrap();
    }
    Journal::open(&path).unwrap().write(&batch).unwrap();
    let series = from_journal(&path, &site.model).unwrap();
    let gusts: Vec<_> = series.rows.iter().map(|row| row.values.gust).collect();
    assert_eq!(gusts, [Some(12.5)]);
}
