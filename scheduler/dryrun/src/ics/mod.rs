//! A dry run as iCalendar (RFC 5545), for an ordinary calendar program.
//!
//! One event for each lockout, for each change of phase of a timetable and for
//! each special day; never one for a slat step. Lockouts last from engaging to
//! release; a change of phase is a moment. All times are UTC, which every
//! program shows in its reader's zone. Names of events stay the same from run
//! to run (they hang on site, group and moment only), so that a calendar that is
//! taken in again is brought up to date and not doubled. DTSTAMP is the first
//! moment of the span: nothing here depends on when it was run.

mod line;

use crate::replay::Sink;
use crate::report::Head;
use crate::told::{day_and_clock, goes_on};
use crate::weather::sha256_hex;
use leeside_core::Core;
use leeside_core::ids::{GroupId, TimetableId};
use leeside_core::model::Model;
use leeside_core::output::{Command, LockoutChange, Word};
use leeside_core::reason::Because;
use leeside_core::say;
use leeside_core::time::{MINUTE, Wall};
use std::io::{self, Write};

pub use line::{escaped, folded};

/// Gathers what becomes an event, and writes it at the end.
#[derive(Debug)]
pub struct IcsSink<W> {
    out: W,
    from: Wall,
    to: Wall,
    at: Wall,
    head: Head,
    open: Vec<Lockout>,
    events: Vec<Event>,
    phases: Vec<Option<(u16, u16)>>,
}

/// A lockout that has not ended yet.
#[derive(Clone, Debug)]
struct Lockout {
    group: GroupId,
    word: Word,
    from: Wall,
    because: Because,
    peak_mps: Option<f64>,
}

/// What becomes a VEVENT.
#[derive(Clone, Debug)]
struct Event {
    from: Wall,
    to: Option<Wall>,
    /// What it is, for its name and category.
    kind: &'static str,
    /// What tells it apart from others of its kind and moment.
    about: String,
    summary: String,
    description: String,
}

impl<W: Write> IcsSink<W> {
    /// Events of the span from `from` to `to`.
    #[must_use]
    pub fn new(out: W, head: &Head, model: &Model, from: Wall, to: Wall) -> Self {
        Self {
            out,
            from,
            to,
            at: from,
            head: head.clone(),
            open: vec![],
            events: vec![],
            phases: vec![None; model.timetables.len()],
        }
    }

    /// Writes the calendar; gives the writer back.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn finish(mut self, model: &Model) -> io::Result<W> {
        for lockout in std::mem::take(&mut self.open) {
            let event = lockout_event(
                model,
                &lockout,
                self.to,
                "still engaged at the end of the span",
            );
            self.events.push(event);
        }
        self.specials(model);
        let kinds = ["lockout", "phase", "special-day"];
        let rank = |kind| kinds.iter().position(|k| *k == kind);
        self.events.sort_by(|a, b| {
            (a.from, rank(a.kind), &a.about).cmp(&(b.from, rank(b.kind), &b.about))
        });
        let Self {
            mut out,
            head,
            events,
            from,
            ..
        } = self;
        let mut put =
            |name: &str, value: &str| out.write_all(folded(&format!("{name}:{value}")).as_bytes());
        let title = escaped(&format!("{}: dry run", head.site));
        let said = head
            .cautions
            .iter()
            .chain(&head.assumptions)
            .chain(&head.notes);
        let said: Vec<String> = std::iter::once(head.fingerprint())
            .chain([format!(
                "weather: {}; gaps: {}",
                head.source,
                head.gap_words()
            )])
            .chain(said.map(ToString::to_string))
            .collect();
        put("BEGIN", "VCALENDAR")?;
        put("VERSION", "2.0")?;
        put(
            "PRODID",
            &format!("-//Leeside//Dry run {}//EN", env!("CARGO_PKG_VERSION")),
        )?;
        put("CALSCALE", "GREGORIAN")?;
        // RFC 7986; the X- form is what older programs read.
        put("NAME", &title)?;
        put("X-WR-CALNAME", &title)?;
        put("DESCRIPTION", &escaped(&said.join("\n")))?;
        for event in &events {
            put("BEGIN", "VEVENT")?;
            put("UID", &uid(&head.site, event))?;
            put("DTSTAMP", &stamp(from))?;
            put("DTSTART", &stamp(event.from))?;
            if let Some(to) = event.to {
                put("DTEND", &stamp(to.max(event.from.plus(1_000))))?;
            }
            put("SUMMARY", &escaped(&event.summary))?;
            put("DESCRIPTION", &escaped(&event.description))?;
            put("CATEGORIES", event.kind)?;
            // Nobody is busy because a blind is.
            put("TRANSP", "TRANSPARENT")?;
            put("END", "VEVENT")?;
        }
        put("END", "VCALENDAR")?;
        out.flush()?;
        Ok(out)
    }

    /// What was engaged before the span and has not been told of yet.
    fn engaged_before(&mut self, core: &Core) {
        for group in (0..core.model().groups.len()).map(GroupId::of) {
            for view in core.lockouts(group) {
                let told = |open: &Lockout| open.group == group && open.word == view.word;
                if !self.open.iter().any(told) {
                    self.open.push(Lockout {
                        group,
                        word: view.word,
                        from: self.from.max(view.since.wall),
                        peak_mps: peak(&view.because),
                        because: view.because,
                    });
                }
            }
        }
    }

    fn specials(&mut self, model: &Model) {
        for special in &model.specials {
            let (from, to) = (special.from.max(self.from), special.to.min(self.to));
            if from >= to {
                continue;
            }
            let names: Vec<&str> = special
                .groups
                .iter()
                .map(|group| model.group(*group).name.as_str())
                .collect();
            let sun = if special.sun {
                "sun may override"
            } else {
                "whatever the sun does"
            };
            self.events.push(Event {
                from,
                to: Some(to),
                kind: "special-day",
                about: special.name.clone(),
                summary: format!("{}: {}", special.name, special.pose),
                description: format!(
                    "special day in place of the timetable, {sun}\ngroups: {}",
                    names.join(", ")
                ),
            });
        }
    }
}

impl<W: Write> Sink for IcsSink<W> {
    fn movement(&mut self, _model: &Model, _command: &Command) -> io::Result<()> {
        Ok(())
    }

    fn lockout(&mut self, model: &Model, change: &LockoutChange) -> io::Result<()> {
        let mine = |open: &Lockout| open.group == change.group && open.word == change.word;
        let at = change.at.wall;
        match (self.open.iter().position(mine), change.engaged) {
            (None, true) => self.open.push(Lockout {
                group: change.group,
                word: change.word,
                from: if goes_on(&change.because) {
                    self.from
                } else {
                    at
                },
                because: change.because.clone(),
                peak_mps: peak(&change.because),
            }),
            (Some(index), true) => {
                let open = &mut self.open[index];
                let peaks = open.peak_mps.into_iter().chain(peak(&change.because));
                open.peak_mps = peaks.fold(None, |most: Option<f64>, peak| {
                    Some(most.map_or(peak, |m| m.max(peak)))
                });
            }
            (Some(index), false) => {
                let mut open = self.open.remove(index);
                open.peak_mps = peak(&change.because).or(open.peak_mps);
                let ended = format!("released {}", day_and_clock(model, at));
                self.events.push(lockout_event(model, &open, at, &ended));
            }
            // Engaged before the span, released in it.
            (None, false) => {
                let open = Lockout {
                    group: change.group,
                    word: change.word,
                    from: self.from,
                    because: change.because.clone(),
                    peak_mps: peak(&change.because),
                };
                self.events
                    .push(lockout_event(model, &open, at, "engaged before the span"));
            }
        }
        Ok(())
    }

    fn look_at(&self) -> Option<Wall> {
        Some(self.at)
    }

    fn look(&mut self, core: &Core, at: Wall) -> io::Result<()> {
        if self.at == self.from {
            self.engaged_before(core);
        }
        self.at = at.plus(MINUTE);
        for index in 0..self.phases.len() {
            let id = TimetableId::of(index);
            let Some((since, plan, phase)) = core.phase_of(id) else {
                continue;
            };
            let before = self.phases[index].replace((plan, phase));
            // What went on from before the span is no change in it.
            if before.is_some_and(|before| before != (plan, phase)) {
                let since = since.unwrap_or(at);
                self.events
                    .extend(phase_event(core.model(), id, since, plan, phase));
            }
        }
        Ok(())
    }
}

fn peak(because: &Because) -> Option<f64> {
    #[expect(clippy::wildcard_enum_match_arm, reason = "only wind has a speed")]
    match because {
        Because::WindAbove {
            speed_mps, factor, ..
        } => Some(speed_mps * factor),
        Because::WindHolding { peak_mps, .. } => Some(*peak_mps),
        _ => None,
    }
}

fn lockout_event(model: &Model, lockout: &Lockout, to: Wall, ended: &str) -> Event {
    let group = &model.group(lockout.group).name;
    // A reason that tells of the past has the peak in it.
    let peak = lockout.peak_mps.filter(|_| !goes_on(&lockout.because));
    let peak = peak.map_or_else(String::new, |peak| format!(", up to {peak:.1} m/s here"));
    Event {
        from: lockout.from,
        to: Some(to),
        kind: "lockout",
        about: format!("{} {group}", lockout.word.as_str()),
        summary: format!("{} lockout: {group}", lockout.word.as_str()),
        description: format!("{}{peak}\n{ended}", say::because(model, &lockout.because)),
    }
}

fn phase_event(model: &Model, id: TimetableId, at: Wall, plan: u16, phase: u16) -> Option<Event> {
    let timetable = model.timetable(id);
    let plan = timetable.plans.get(usize::from(plan))?;
    let phase = plan.phases.get(usize::from(phase))?;
    let groups = model
        .groups
        .iter()
        .filter(|group| group.timetable == id)
        .map(|group| group.name.as_str());
    let groups: Vec<&str> = groups.collect();
    let sun = if phase.sun {
        "sun may override"
    } else {
        "whatever the sun does"
    };
    let date = at.local_date(model.site.zone);
    let class = model.day_class(plan.class);
    let why = model
        .days
        .entry(date)
        .map_or_else(String::new, |day| format!(" ({})", day.why));
    Some(Event {
        from: at,
        to: None,
        kind: "phase",
        about: timetable.name.clone(),
        summary: format!("{}: {}, {}", timetable.name, phase.name, phase.pose),
        description: format!(
            "{sun}\nday class: {class}{why}\ngroups: {}",
            groups.join(", ")
        ),
    })
}

/// The same for the same thing in every run.
fn uid(site: &str, event: &Event) -> String {
    let text = format!("{site}\n{}\n{}\n{}", event.kind, event.about, event.from.0);
    let hash = sha256_hex(text.as_bytes());
    format!("{}@leeside", &hash[..32])
}

/// RFC 5545 §3.3.5, form 2.
fn stamp(at: Wall) -> String {
    at.utc().format("%Y%m%dT%H%M%SZ").to_string()
}
