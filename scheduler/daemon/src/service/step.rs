//! One step: an input in, everything that follows from it out.

use super::pieces::Pieces;
use super::{SNAPSHOT_AT_LEAST_MS, SNAPSHOT_AT_MOST_MS, Seen, Service};
use crate::record::Recorder;
use crate::resume::State;
use crate::wire::Message;
use leeside_core::ids::GroupId;
use leeside_core::input::{Input, RestartCause};
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::{Now, SECOND, Steady};
use leeside_journal::{Batch, Durability, Kind, Snapshot};
use std::time::Duration;
use tokio::time::Instant;

/// A state larger than this, bytes, is not written with every command.
const SMALL: usize = 256 * 1024;

/// So many drives of a moment leave before the next of them are written down; then
/// twice as many, and so on, so that it does not come in too many pieces.
const FIRST_PORTION: usize = 32;

/// So many drives, or rows that only tell of something, are written down at a time.
const LARGEST_PORTION: usize = 256;

/// At most so long what only tells of something waits for what moves to leave.
const MOVES_FIRST: Duration = Duration::from_millis(250);

/// When the state was last written, and how large it was.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct SnapshotPace {
    at: Option<Steady>,
    bytes: usize,
}

impl SnapshotPace {
    /// Whether it is to be written again: with all that matters where it is
    /// small, at intervals where it is large, and now and then in any case.
    /// Between two snapshots nothing is lost: the inputs are in the journal.
    fn due(self, now: Now, matters: bool) -> bool {
        let Some(at) = self.at else { return true };
        let since = now.steady.0 - at.0;
        since >= SNAPSHOT_AT_LEAST_MS
            || (matters && (self.bytes <= SMALL || since >= SNAPSHOT_AT_MOST_MS))
    }
}

impl Service {
    /// Feeds an input to the core, at the present moment; gives what came out.
    pub(super) async fn handle(&mut self, input: Input) -> Pieces<Output> {
        if self.clock.compare() {
            self.step(Input::Restart(RestartCause::ClockJump)).await;
        }
        // What is due is decided upon by itself first, as if it had been woken for in
        // time: its first command then need not wait until all of it is decided.
        if let Some(due) = self.overdue() {
            let outputs = self.step_at(due, Input::Tick).await;
            if input == Input::Tick {
                return outputs;
            }
        }
        self.step(input).await
    }

    /// When the core should have been woken for what is due by now. Whatever is later
    /// than by a second is late for the core too, and not to be made up for.
    fn overdue(&mut self) -> Option<Now> {
        let now = self.clock.now();
        let Output::Wake(Some(wake)) = self.core.poll() else {
            return None;
        };
        let due = wake.at.steady.plus(1);
        let late_ms = now.steady.0 - due.0;
        (0..SECOND).contains(&late_ms).then(|| Now {
            wall: now.wall.plus(-late_ms),
            steady: due,
        })
    }

    async fn step(&mut self, input: Input) -> Pieces<Output> {
        let now = self.clock.now();
        self.step_at(now, input).await
    }

    pub(super) async fn step_at(&mut self, now: Now, input: Input) -> Pieces<Output> {
        if input != Input::Tick {
            self.heard.taken(now.steady);
        }
        // A large moment goes in portions, each made when the one before has left, and
        // written before it leaves itself: the first drives are not kept waiting for
        // the last ones. What moves nothing waits then until all that moves has left.
        // Wherever that breaks off, the input is written, and all follows from it.
        let (mut outputs, mut most) = (Pieces::new(), FIRST_PORTION);
        if input == Input::Tick {
            self.core.tick_as_polled(now);
        } else {
            self.core.handle(now, input.clone());
        }
        let mut portion = Vec::new();
        let mut more = self.drain_portion(most, &mut portion, None);
        if input == Input::Tick && portion.is_empty() {
            return outputs;
        }
        let matters = !portion.is_empty() || is_turning_point(&input);
        let mut batch = if matters {
            self.follows()
        } else {
            Batch::new()
        };
        if let Err(error) = batch.input(now, subject(&self.model, &input), &input) {
            tracing::error!(%error, "an input cannot be written down");
        }
        let (mut telling, mut told) = (Pieces::new(), Pieces::new());
        let large = more;
        if large {
            portion
                .extract_if(.., |output| !matches!(output, Output::Command(_)))
                .for_each(|output| telling.push(output));
        }
        self.portion(now, &portion, batch, matters, &mut told).await;
        while more {
            most = most.saturating_mul(2).min(LARGEST_PORTION);
            let mut next = Vec::with_capacity(portion.len());
            outputs.add(core::mem::take(&mut portion));
            more = self.drain_portion(most, &mut next, Some(&mut telling));
            portion = next;
            let batch = self.follows();
            self.portion(now, &portion, batch, true, &mut told).await;
        }
        outputs.add(portion);
        if large {
            // The machine is the broker's and the plant's as long as they are behind.
            self.outbox.moved(MOVES_FIRST).await;
        }
        for portion in telling.pieces() {
            let batch = self.follows();
            self.portion(now, portion, batch, true, &mut told).await;
        }
        outputs.append(telling);
        self.tell(told, &outputs);
        // Whoever watches, and the state, come after what has to leave.
        (self.watch)(now, &Seen::Input(&input));
        self.watched(now, &outputs);
        self.count(Some(&input), &outputs);
        self.acknowledge(&input).await;
        if self.recorder.is_some() && self.snapshot.due(now, matters) {
            self.write_snapshot(now, false).await;
        }
        outputs
    }

    /// Writes outputs down, and gives the message that has to leave for each.
    pub(super) fn outputs(
        &mut self,
        now: Now,
        outputs: &[Output],
        batch: &mut Batch,
    ) -> Vec<Option<Message>> {
        outputs
            .iter()
            .map(|output| self.output(now, output, batch))
            .collect()
    }

    /// Writes outputs down after what stands in the batch already, and sends those that
    /// move something; what only tells of something is left.
    async fn portion(
        &mut self,
        now: Now,
        outputs: &[Output],
        mut batch: Batch,
        wait: bool,
        told: &mut Pieces<Message>,
    ) {
        let leaving = self.outputs(now, outputs, &mut batch);
        if let Some(recorder) = &self.recorder {
            recorder.write(batch, wait).await;
        }
        self.leave(leaving, outputs, told);
    }

    /// Sends what moves drives; gives what only tells of something, for which there is
    /// time when all that moves has left.
    pub(super) fn leave(
        &mut self,
        messages: Vec<Option<Message>>,
        outputs: &[Output],
        told: &mut Pieces<Message>,
    ) {
        let (mut moving, mut moments) = (Vec::new(), Vec::new());
        for (message, output) in messages.into_iter().zip(outputs) {
            let Some(message) = message else { continue };
            if let Output::Command(command) = output {
                if message.tells {
                    told.push(message);
                } else {
                    moving.push(self.timed(message));
                }
                let orders = self.encoder.foreign_orders(command);
                moving.extend(orders.map(|message| self.timed(message)));
                moments.push(command.at.steady);
                continue;
            }
            if matches!(output, Output::Alarm(_)) {
                self.handing.hand(&message.payload);
            }
            told.push(message);
        }
        if !moving.is_empty() {
            self.outbox.put_all(moving);
        }
        for moment in moments {
            self.left(moment);
        }
    }

    /// Sends what only tells of something, and where commands sent their groups.
    pub(super) fn tell(&self, told: Pieces<Message>, outputs: &Pieces<Output>) {
        let poses = outputs.iter().filter_map(|output| match output {
            Output::Command(command) => Some(self.encoder.pose(command)),
            Output::Lockout(_)
            | Output::Alarm(_)
            | Output::Refused { .. }
            | Output::Announce { .. }
            | Output::Wake(_) => None,
        });
        let mut told = told.into_iter().chain(poses).peekable();
        // A few at a time, so that the connection is never kept waiting for its outbox.
        while told.peek().is_some() {
            let some = told.by_ref().take(LARGEST_PORTION);
            let some: Vec<_> = some.map(|message| self.timed(message)).collect();
            self.outbox.put_all(some);
        }
    }

    /// Shows outputs to whoever watches.
    pub(super) fn watched(&mut self, now: Now, outputs: &Pieces<Output>) {
        for output in outputs.iter() {
            (self.watch)(now, &Seen::Output(output));
        }
        if let Some(porter) = &mut self.porter {
            outputs.pieces().for_each(|outputs| porter.note(outputs));
        }
    }

    pub(super) fn drain(&mut self) -> Vec<Output> {
        let mut outputs = Vec::new();
        self.drain_portion(usize::MAX, &mut outputs, None);
        outputs
    }

    /// Takes outputs up to the command with which so many drives are told to move;
    /// whether there may be more. What is no command may be set aside.
    fn drain_portion(
        &mut self,
        most: usize,
        outputs: &mut Vec<Output>,
        mut aside: Option<&mut Pieces<Output>>,
    ) -> bool {
        let mut drives = 0;
        while drives < most {
            let output = self.core.poll();
            match &output {
                Output::Wake(_) => return false,
                Output::Command(command) => drives += command.orders.len(),
                Output::Lockout(_)
                | Output::Alarm(_)
                | Output::Refused { .. }
                | Output::Announce { .. } => {
                    if let Some(aside) = &mut aside {
                        aside.push(output);
                        continue;
                    }
                }
            }
            outputs.push(output);
        }
        true
    }

    /// A batch for what comes with an output, or follows from an input that is written
    /// already.
    fn follows(&self) -> Batch {
        let recorder = self.recorder.as_ref();
        let mut batch = recorder.map_or_else(Batch::new, Recorder::batch);
        batch.at_least(Durability::Power);
        batch
    }

    /// Writes an output down, and gives the message that has to leave for it.
    fn output(&mut self, now: Now, output: &Output, batch: &mut Batch) -> Option<Message> {
        let (model, encoder) = (&self.model, &self.encoder);
        let (at, kind, subject, message) = match output {
            Output::Command(command) => {
                let name = model.group(command.group).name.as_str();
                (command.at, Kind::Command, name, encoder.command(command))
            }
            Output::Lockout(change) => {
                let name = &model.group(change.group).name;
                batch.row(
                    change.at,
                    Kind::Lockout,
                    name,
                    encoder.lockout_record(change),
                );
                let news = self.board.lockout(model, change);
                return news.then(|| encoder.lockouts(&self.board, change.group, change.at.wall));
            }
            Output::Alarm(alarm) => {
                self.board.alarm(model, alarm);
                (
                    alarm.at,
                    Kind::Alarm,
                    alarm.key.as_str(),
                    encoder.alarm(alarm),
                )
            }
            Output::Refused {
                group,
                by,
                word,
                because,
            } => {
                let name = group.map_or("", |group| model.group(group).name.as_str());
                (
                    now,
                    Kind::Refused,
                    name,
                    encoder.refused(*group, by, *word, because, now.wall),
                )
            }
            Output::Announce { group, ends } => {
                let name = model.group(*group).name.as_str();
                (
                    now,
                    Kind::Announce,
                    name,
                    encoder.announce(*group, *ends, now.wall),
                )
            }
            Output::Wake(_) => return None,
        };
        batch.row(at, kind, subject, &message.payload);
        Some(message)
    }

    /// Sends a message.
    pub(super) fn send(&self, message: Message) {
        self.outbox.put_all([self.timed(message)]);
    }

    /// A message with its moments on the runtime's clock: by when it must have left,
    /// and before when it must not.
    fn timed(&self, message: Message) -> (Message, Option<Instant>, Option<Instant>) {
        let deadline = message.not_after.map(|at| self.clock.instant_of_wall(at));
        let due = (message.delay_ms > 0)
            .then(|| Instant::now() + self.clock.real(u64::from(message.delay_ms)));
        (message, deadline, due)
    }

    /// Shows the lockouts of a group as they stand.
    pub(super) fn show_lockouts(&self, group: GroupId) {
        self.send(
            self.encoder
                .lockouts(&self.board, group, self.clock.now().wall),
        );
    }

    pub(super) fn add_snapshot(&mut self, now: Now, batch: &mut Batch) {
        let state = State {
            core: self.core.snapshot(),
            board: self.board.clone(),
            years: Some(self.years),
        };
        match serde_json::to_string(&state) {
            Ok(body) => {
                self.snapshot = SnapshotPace {
                    at: Some(now.steady),
                    bytes: body.len(),
                };
                batch.snapshot(
                    now,
                    Snapshot {
                        fingerprint: self.fingerprint.clone(),
                        body,
                    },
                );
            }
            Err(error) => tracing::error!(%error, "the state cannot be written down"),
        }
    }

    /// Writes the state down; at an orderly end it is waited for.
    pub(super) async fn write_snapshot(&mut self, now: Now, wait: bool) {
        let mut batch = Batch::new();
        self.add_snapshot(now, &mut batch);
        if wait {
            batch.at_least(Durability::Power);
        }
        if let Some(recorder) = &self.recorder {
            recorder.write(batch, wait).await;
        }
    }
}

/// Inputs whose rows must outlive a power cut even where nothing follows at once.
const fn is_turning_point(input: &Input) -> bool {
    match input {
        Input::Request(_)
        | Input::Restart(_)
        | Input::Clock { .. }
        | Input::Connected
        | Input::Disconnected => true,
        Input::Reading(_)
        | Input::Garbled { .. }
        | Input::Contact { .. }
        | Input::Report(_)
        | Input::Gateway { .. }
        | Input::Tick => false,
    }
}

/// The name of what an input is about, for people who read the journal.
fn subject<'a>(model: &'a Model, input: &Input) -> &'a str {
    match input {
        Input::Reading(reading) => &model.sensor(reading.sensor).name,
        Input::Garbled { sensor } => &model.sensor(*sensor).name,
        Input::Contact { contact, .. } => &model.contact(*contact).name,
        Input::Report(report) => &model.device(report.device).name,
        Input::Gateway { gateway, .. } => model
            .gateways
            .get(gateway.index())
            .map_or("", |gateway| &gateway.name),
        Input::Request(_)
        | Input::Connected
        | Input::Disconnected
        | Input::Restart(_)
        | Input::Clock { .. }
        | Input::Tick => "",
    }
}
