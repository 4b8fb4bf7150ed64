//! The complaint report: everything that moved behind one room in a span of
//! time, with the reasons.

use super::json::FORMAT_VERSION;
use super::{Basis, Story, WhyError, plain};
use crate::replay::Sink;
use crate::told::{
    Movement, clock, day_and_clock, decided, goes_on, iso_local, iso_utc, utc_clock, wrapped,
};
use leeside_core::ids::{GroupId, RoomId};
use leeside_core::model::Model;
use leeside_core::output::{Command, LockoutChange};
use leeside_core::pose::Pose;
use leeside_core::say;
use leeside_core::time::Wall;
use serde_json::{Value, json};
use std::cell::Cell;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io;

/// Lines are wrapped at this width.
const WIDTH: usize = 100;

/// What moved, or what kept it from moving.
#[derive(Clone, Debug)]
pub enum Event {
    /// A movement.
    Moved(Movement),
    /// A lockout began or ended.
    Lockout(LockoutChange),
}

impl Event {
    fn at(&self) -> Wall {
        match self {
            Self::Moved(movement) => movement.at.wall,
            Self::Lockout(change) => change.at.wall,
        }
    }
}

/// Everything that moved behind a room.
#[derive(Clone, Debug)]
pub struct Complaint {
    /// The room.
    pub room: RoomId,
    /// From this moment (included).
    pub from: Wall,
    /// Until this moment (excluded).
    pub to: Wall,
    /// The groups with a device in front of that room.
    pub groups: Vec<GroupId>,
    /// In order of time.
    pub events: Vec<Event>,
}

/// Gathers what moved behind a room.
///
/// # Errors
/// [`WhyError`].
pub fn complaint(
    story: &Story<'_>,
    model: &Model,
    room: RoomId,
    from: Wall,
    to: Wall,
) -> Result<Complaint, WhyError> {
    let with = |group: &GroupId| model.group(*group).rooms.contains(&room);
    let groups: Vec<GroupId> = (0..model.groups.len())
        .map(GroupId::of)
        .filter(with)
        .collect();
    let mut gathered = Gathered {
        from,
        to,
        groups: &groups,
        events: vec![],
    };
    story.run(&mut gathered, &Cell::new(false))?;
    let events = gathered.events;
    Ok(Complaint {
        room,
        from,
        to,
        groups,
        events,
    })
}

struct Gathered<'a> {
    from: Wall,
    to: Wall,
    groups: &'a [GroupId],
    events: Vec<Event>,
}

impl Gathered<'_> {
    fn take(&mut self, group: GroupId, event: Event) {
        let at = event.at();
        if self.groups.contains(&group) && self.from <= at && at < self.to {
            self.events.push(event);
        }
    }
}

impl Sink for Gathered<'_> {
    fn movement(&mut self, _model: &Model, command: &Command) -> io::Result<()> {
        self.take(command.group, Event::Moved(Movement::of(command)));
        Ok(())
    }

    fn lockout(&mut self, _model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.take(change.group, Event::Lockout(change.clone()));
        Ok(())
    }
}

/// In full.
#[must_use]
pub fn complaint_text(model: &Model, basis: &Basis, of: &Complaint) -> String {
    let mut out = String::new();
    heading(&mut out, model, of);
    for line in basis.lines() {
        wrapped(&mut out, "  - ", &line, WIDTH);
    }
    let mut day = None;
    for event in &of.events {
        let at = event.at();
        new_day(&mut out, model, &mut day, at);
        let first = format!("  {:<8}  ", clock(model, at));
        let told = match event {
            Event::Moved(movement) => {
                let lost = if movement.lost.is_empty() {
                    String::new()
                } else {
                    format!("; lost: {}", say::lost(&movement.lost))
                };
                format!(
                    "{}: {} ({}{lost}), {}",
                    model.group(movement.group).name,
                    movement.pose,
                    decided(model, movement.decided_by, &movement.because),
                    utc_clock(model, at),
                )
            }
            Event::Lockout(change) => format!(
                "{}: {} lockout {} ({})",
                model.group(change.group).name,
                change.word.as_str(),
                lockout_word(change),
                say::because(model, &change.because)
            ),
        };
        wrapped(&mut out, &first, &told, WIDTH);
    }
    ending(&mut out, of);
    out
}

/// For a tenant.
#[must_use]
pub fn complaint_plain(model: &Model, basis: &Basis, of: &Complaint) -> String {
    let mut out = String::new();
    heading(&mut out, model, of);
    let mut day = None;
    let mut stood: BTreeMap<GroupId, Pose> = BTreeMap::new();
    for event in &of.events {
        let at = event.at();
        let told = match event {
            Event::Moved(movement) => {
                let kind = model.group(movement.group).kind;
                let before = stood.insert(movement.group, movement.pose);
                format!(
                    "the {} of {} {}: {}",
                    plain::noun(kind),
                    model.group(movement.group).name,
                    plain::does(kind, before, movement.pose),
                    plain::reason_of(model, movement)
                )
            }
            // What a lockout does shows in the movements; only its end explains a wait.
            Event::Lockout(_) => continue,
        };
        new_day(&mut out, model, &mut day, at);
        let at = at.utc().with_timezone(&model.site.zone).format("%H:%M");
        wrapped(&mut out, &format!("  {at}  "), &told, WIDTH);
    }
    ending(&mut out, of);
    if !basis.is_lived() {
        out.push_str("This is worked out from weather data, not measured in the house.\n");
    }
    out
}

/// For programs: `format_version`, `basis`, `room`, `groups`, `from_utc`,
/// `to_utc`, `movements`, `lockouts`.
#[must_use]
pub fn complaint_json(model: &Model, basis: &Basis, of: &Complaint) -> Value {
    let movements = of.events.iter().filter_map(|event| match event {
        Event::Moved(movement) => Some(Value::Object(movement.to_json(model))),
        Event::Lockout(_) => None,
    });
    let lockouts = of.events.iter().filter_map(|event| match event {
        Event::Moved(_) => None,
        Event::Lockout(change) => Some(json!({
            "at_local": iso_local(model, change.at.wall),
            "at_utc": iso_utc(change.at.wall),
            "group": model.group(change.group).name,
            "guard": change.word.as_str(),
            "engaged": change.engaged,
            "reason": say::because(model, &change.because),
        })),
    });
    json!({
        "format_version": FORMAT_VERSION,
        "basis": basis.to_json(),
        "room": room(model, of),
        "groups": of.groups.iter().map(|group| model.group(*group).name.as_str()).collect::<Vec<_>>(),
        "from_utc": iso_utc(of.from),
        "to_utc": iso_utc(of.to),
        "movements": movements.collect::<Vec<_>>(),
        "lockouts": lockouts.collect::<Vec<_>>(),
    })
}

fn room<'m>(model: &'m Model, of: &Complaint) -> &'m str {
    model
        .rooms
        .get(of.room.index())
        .map_or("?", |room| room.name.as_str())
}

fn heading(out: &mut String, model: &Model, of: &Complaint) {
    let (from, to) = (day_and_clock(model, of.from), day_and_clock(model, of.to));
    let names: Vec<&str> = of
        .groups
        .iter()
        .map(|group| model.group(*group).name.as_str())
        .collect();
    // Writing to a String does not fail.
    let _ = writeln!(
        out,
        "What moved in front of {}, {from} to {to}",
        room(model, of)
    );
    wrapped(out, "groups: ", &names.join(", "), WIDTH);
}

fn new_day(out: &mut String, model: &Model, day: &mut Option<chrono::NaiveDate>, at: Wall) {
    let date = at.local_date(model.site.zone);
    if *day != Some(date) {
        *day = Some(date);
        let _ = writeln!(out, "\n{}", date.format("%A %-d %B %Y"));
    }
}

fn ending(out: &mut String, of: &Complaint) {
    let moved = of
        .events
        .iter()
        .filter(|event| matches!(event, Event::Moved(_)))
        .count();
    let _ = match moved {
        0 => writeln!(out, "\nNothing moved."),
        1 => writeln!(out, "\n1 movement."),
        many => writeln!(out, "\n{many} movements."),
    };
}

fn lockout_word(change: &LockoutChange) -> &'static str {
    match (change.engaged, goes_on(&change.because)) {
        (true, false) => "engaged",
        (true, true) => "goes on",
        (false, _) => "released",
    }
}
