//! One replay on several threads.
//!
//! Groups that share no feeder and no device know nothing of each other: they hear
//! the same sensors and read the same calendars, and that is all. So each thread
//! has a core with the whole site's sensors, facades and timetables but only some
//! of its groups, and decides upon those as one core would upon all. Their outputs
//! carry their places in the order of a core's outputs ([`Place`]); span by span they
//! are put together in that order and handed to the sink on the caller's thread.

use super::run::{Each, Looks, Outlet, Said, lead};
use super::spans::{Span, Telling};
use super::{Setting, Sink, Stopped, Tally};
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{AlarmWord, Place};
use leeside_core::time::{HOUR, Wall};
use leeside_solar::shade::Obstructions;
use std::io;
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, channel, sync_channel};

/// With fewer groups than this for each thread, one does it as quickly.
const LEAST_GROUPS: usize = 100;

/// How much is handed over at once: little enough to be still at hand for the one that
/// tells it.
const SPAN_MS: i64 = 3 * HOUR;

/// How many such spans a thread may run ahead of the sink.
const SPANS_AHEAD: usize = 12;

/// How many threads a replay of this site is worth.
pub(super) fn worth(model: &Model) -> usize {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    cores.min(model.groups.len() / LEAST_GROUPS)
}

/// Into how many pieces for each thread a site is cut, at least: facades see the sun at
/// different times of the day, and no share is to have only those of one side.
const PIECES: usize = 8;

/// The groups in at most so many shares of about the same size, such that no
/// feeder and no device has groups in two of them.
pub(super) fn shares(model: &Model, parts: usize) -> Vec<Vec<GroupId>> {
    let bound = bound_together(model);
    let weight = |group: usize| model.groups[group].devices.len() + 1;
    let whole: usize = (0..model.groups.len()).map(weight).sum();
    let piece = whole / (PIECES * parts.max(1));
    let mut shares: Vec<(usize, Vec<GroupId>)> = vec![Default::default(); parts.max(1)];
    let mut share_of = vec![0; model.groups.len()];
    // The share that is being filled, and how much it has been given in one go.
    let (mut filling, mut given) = (0, 0);
    for (group, first) in bound.into_iter().enumerate() {
        if first == group {
            // Neighbours in the site file mostly hang on one facade: they stay together.
            let same = group > 0 && model.groups[group - 1].facade == model.groups[group].facade;
            if given > piece || (!same && given > 0) {
                let lightest = (0..shares.len()).min_by_key(|share| shares[*share].0);
                (filling, given) = (lightest.unwrap_or(0), 0);
            }
            share_of[group] = filling;
        } else {
            share_of[group] = share_of[first];
        }
        let (filled, groups) = &mut shares[share_of[group]];
        *filled += weight(group);
        given += weight(group);
        groups.push(GroupId::of(group));
    }
    let shares = shares.into_iter().map(|(_, groups)| groups);
    shares.filter(|groups| !groups.is_empty()).collect()
}

/// Per group, the first of those that it is bound to by a feeder or a device.
fn bound_together(model: &Model) -> Vec<usize> {
    let mut bound: Vec<usize> = (0..model.groups.len()).collect();
    let mut on_feeder: Vec<Option<usize>> = vec![None; model.feeders.len()];
    let mut with_device: Vec<Option<usize>> = vec![None; model.devices.len()];
    fn first_of(bound: &[usize], mut group: usize) -> usize {
        while bound[group] != group {
            group = bound[group];
        }
        group
    }
    for (index, group) in model.groups.iter().enumerate() {
        for device in &group.devices {
            let feeder = model.device(*device).drive.feeder.index();
            for other in [&mut on_feeder[feeder], &mut with_device[device.index()]] {
                let other = *other.get_or_insert(index);
                let (a, b) = (first_of(&bound, other), first_of(&bound, index));
                bound[a.max(b)] = a.min(b);
            }
        }
    }
    (0..bound.len())
        .map(|group| first_of(&bound, group))
        .collect()
}

/// The site with only these groups: the others keep their numbers, and have
/// nothing that could move or lock out.
fn only(model: &Model, share: &[GroupId]) -> Model {
    let mut model = model.clone();
    for (index, group) in model.groups.iter_mut().enumerate() {
        if share.binary_search(&GroupId::of(index)).is_err() {
            group.devices.clear();
            group.rooms.clear();
            group.wind = None;
            group.hail = None;
            group.ice = None;
            group.rain = None;
            group.fire = None;
            group.sun = None;
            group.quiet = None;
            group.opening = None;
            group.obstructions = Obstructions::default();
        }
    }
    model
}

/// Keeps what comes out until the span is over.
struct Gather {
    span: Span,
    to: SyncSender<Span>,
    /// Spans that were told, to be used again.
    back: Receiver<Span>,
}

impl Outlet for Gather {
    fn say(&mut self, _: &Model, place: Place, said: Said) -> io::Result<()> {
        self.span.keep(place, said);
        Ok(())
    }

    fn sink(&mut self) -> Option<&mut dyn Sink> {
        None
    }
}

impl Gather {
    /// Hands the span over; an error where nobody takes it any more.
    fn hand_over(&mut self, reached: Wall) -> Result<(), Stopped> {
        let next = self.back.try_recv().unwrap_or_default();
        let mut span = std::mem::replace(&mut self.span, next);
        span.reached = reached;
        self.to.send(span).map_err(|_| Stopped::Asked(reached))
    }
}

/// Runs a replay with its groups in shares, each on a thread of its own.
pub(super) fn together(
    setting: &Setting,
    model: &Arc<Model>,
    shares: &[Vec<GroupId>],
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<Tally, Stopped> {
    std::thread::scope(|scope| {
        let start = |share: &Vec<GroupId>| {
            let (to, from) = sync_channel(SPANS_AHEAD);
            let (give_back, back) = channel();
            let part = Arc::new(only(model, share));
            let thread = scope.spawn(move || {
                let span = Span::default();
                let gather = Gather { span, to, back };
                let mut hand_over = |at, gather: &mut Gather| gather.hand_over(at);
                let each: (i64, Each<'_, _>) = (SPAN_MS, &mut hand_over);
                lead(setting, part, &[], Looks::AsNeeded, gather, each)
            });
            (Telling::new(from, give_back), thread)
        };
        let (mut spans, threads): (Vec<_>, Vec<_>) = shares.iter().map(start).unzip();
        let told = tell(setting.to, model, &mut spans, sink, progress);
        // Threads that are still running find nobody who takes their spans, and end.
        drop(spans);
        let mut tallies = Vec::with_capacity(threads.len());
        let mut stopped = Ok(());
        for thread in threads {
            match thread.join() {
                Ok(Ok(tally)) => tallies.push(tally),
                Ok(Err(why)) => stopped = Err(why),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        told?;
        stopped?;
        Tally::of_parts(tallies, shares).ok_or(Stopped::Asked(setting.from))
    })
}

/// Puts the spans of all parts together and hands them to the sink.
fn tell(
    to: Wall,
    model: &Model,
    parts: &mut [Telling],
    sink: &mut dyn Sink,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<(), Stopped> {
    let (mut sequence, mut asked) = (0, Wall(i64::MIN));
    loop {
        let mut reached = to;
        for part in &mut *parts {
            match part.next_span() {
                Some(at) => reached = at,
                // A part that ended early says why itself.
                None => return Ok(()),
            }
        }
        // Each part's are in order already. Of parts with the same place the first.
        while let Some((first, second)) = earliest(parts) {
            let part = &mut parts[first.1];
            while let Some(place) = part.place()
                && second.is_none_or(|second| (place, first.1) < second)
            {
                part.tell_next(model, first.1 == 0, &mut sequence, sink)?;
            }
        }
        if reached >= to {
            return Ok(());
        }
        if reached.0.saturating_sub(asked.0) >= 24 * HOUR {
            asked = reached;
            if progress(reached).is_break() {
                return Err(Stopped::Asked(reached));
            }
        }
    }
}

/// A place that a part's next output has, and the part.
type Next = (Place, usize);

/// The earliest of all parts, and the earliest of the others.
fn earliest(parts: &[Telling]) -> Option<(Next, Option<Next>)> {
    let places = parts.iter().enumerate();
    let places = places.filter_map(|(part, telling)| Some((telling.place()?, part)));
    let first = places.clone().min()?;
    Some((first, places.filter(|place| *place != first).min()))
}

/// Whether an alarm is about no group's devices: every part raises it.
pub(super) const fn of_the_site(word: AlarmWord) -> bool {
    match word {
        AlarmWord::SensorFault
        | AlarmWord::SensorBypassed
        | AlarmWord::GatewayLost
        | AlarmWord::ClockUntrusted
        | AlarmWord::StateLost => true,
        AlarmWord::NotInRefuge
        | AlarmWord::WindDuringService
        | AlarmWord::ServiceOverdue
        | AlarmWord::DriveUnconfirmed
        | AlarmWord::DrivePower
        | AlarmWord::DriveDuty
        | AlarmWord::Frozen
        | AlarmWord::FireActive => false,
    }
}
