//! One step: an input in, everything that follows from it out.

use super::{SNAPSHOT_AT_LEAST_MS, SNAPSHOT_AT_MOST_MS, Seen, Service};
use crate::resume::State;
use crate::wire::Message;
use leeside_core::ids::GroupId;
use leeside_core::input::{Input, RestartCause};
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::{Now, Steady};
use leeside_journal::{Batch, Durability, Kind, Snapshot};

/// A state larger than this, bytes, is not written with every command.
const SMALL: usize = 256 * 1024;

/// So many drives of a moment leave before the rest of it is written; of what then
/// remains four times as many, and so on, so that it does not come in many pieces.
const FIRST_PORTION: usize = 64;

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
    pub(super) async fn handle(&mut self, input: Input) -> Vec<Output> {
        if self.clock.compare() {
            self.step(Input::Restart(RestartCause::ClockJump)).await;
        }
        self.step(input).await
    }

    async fn step(&mut self, input: Input) -> Vec<Output> {
        let now = self.clock.now();
        self.step_at(now, input).await
    }

    pub(super) async fn step_at(&mut self, now: Now, input: Input) -> Vec<Output> {
        self.heard.taken(now.steady);
        // A large moment goes in portions, each made when the one before has left, and
        // written before it leaves itself: the first drives are not kept waiting for
        // the last ones.
        let (mut outputs, mut most) = (Vec::new(), FIRST_PORTION);
        if input == Input::Tick {
            self.core.tick_as_polled(now);
        } else {
            self.core.handle(now, input.clone());
        }
        let mut more = self.drain_portion(most, &mut outputs);
        if input == Input::Tick && outputs.is_empty() {
            return outputs;
        }
        let matters = !outputs.is_empty() || is_turning_point(&input);
        let mut batch = Batch::new();
        if let Err(error) = batch.input(now, subject(&self.model, &input), &input) {
            tracing::error!(%error, "an input cannot be written down");
        }
        let mut left = 0;
        loop {
            let portion = &outputs[left..];
            let leaving = self.outputs(now, portion, &mut batch);
            if matters {
                batch.at_least(Durability::Power);
            }
            if let Some(recorder) = &self.recorder {
                recorder.write(core::mem::take(&mut batch), matters).await;
            }
            self.leave(leaving, portion);
            left = outputs.len();
            most = most.saturating_mul(4);
            more = more && self.drain_portion(most, &mut outputs);
            if left == outputs.len() {
                break;
            }
        }
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

    /// Sends what has to leave for outputs: what moves drives first.
    pub(super) fn leave(&mut self, messages: Vec<Option<Message>>, outputs: &[Output]) {
        let mut others = Vec::new();
        for (message, output) in messages.into_iter().zip(outputs) {
            let Some(message) = message else { continue };
            if let Output::Command(command) = output {
                self.send(message);
                self.left(command.at.steady);
                self.encoder
                    .foreign_orders(command)
                    .for_each(|message| self.send(message));
                others.push(self.encoder.pose(command));
                continue;
            }
            if matches!(output, Output::Alarm(_)) {
                self.handing.hand(&message.payload);
            }
            others.push(message);
        }
        others.into_iter().for_each(|message| self.send(message));
    }

    /// Shows outputs to whoever watches.
    pub(super) fn watched(&mut self, now: Now, outputs: &[Output]) {
        for output in outputs {
            (self.watch)(now, &Seen::Output(output));
        }
        if let Some(porter) = &mut self.porter {
            porter.note(outputs);
        }
    }

    pub(super) fn drain(&mut self) -> Vec<Output> {
        let mut outputs = Vec::new();
        self.drain_portion(usize::MAX, &mut outputs);
        outputs
    }

    /// Takes outputs up to the command with which so many drives are told to move;
    /// whether there may be more.
    fn drain_portion(&mut self, most: usize, outputs: &mut Vec<Output>) -> bool {
        let mut drives = 0;
        while drives < most {
            let output = self.core.poll();
            match &output {
                Output::Wake(_) => return false,
                Output::Command(command) => drives += command.orders.len(),
                Output::Lockout(_)
                | Output::Alarm(_)
                | Output::Refused { .. }
                | Output::Announce { .. } => {}
            }
            outputs.push(output);
        }
        true
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
        batch.row(at, kind, subject, message.payload.clone());
        Some(message)
    }

    /// Sends a message, with its moments on the runtime's clock.
    pub(super) fn send(&self, message: Message) {
        let deadline = message.not_after.map(|at| self.clock.instant_of_wall(at));
        let due = (message.delay_ms > 0)
            .then(|| tokio::time::Instant::now() + self.clock.real(u64::from(message.delay_ms)));
        self.outbox.put(message, deadline, due);
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
