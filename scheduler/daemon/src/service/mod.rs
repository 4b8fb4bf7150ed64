//! The loop around the core: feed one thing, drain everything, write it down,
//! send it, wait, repeat.

mod access;
mod answers;
mod nap;
mod options;
mod pieces;
mod report;
mod step;
mod swap;
mod troubles;

pub use options::{BrokerPlace, Options, Reloading, Seen, ServiceError, Watch};

use crate::broker::{self, Running};
use crate::clock::Clock;
use crate::control::{self, Control};
use crate::door::{Asked, Porter};
use crate::handing::Handing;
use crate::keeper::{self, Keeper, News};
use crate::link::{Dialect, Ears, Inbox, LinkEvent, Outbox, Poller};
use crate::record::{self, Condition, Keep, Recorder};
use crate::resume::{Resumed, resume};
use crate::seen::Counters;
use crate::versions::{self, Versions};
use crate::wire::{Board, Decoder, Encoder, Presence, Topics, Trouble};
use leeside_config::Site;
use leeside_config::wire::Broker;
use leeside_core::Core;
use leeside_core::ids::GroupId;
use leeside_core::input::{Input, RestartCause};
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::{MINUTE, Now, SECOND};
use leeside_journal::{Durability, Kind, SiteFiles};
use serde_json::json;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, RwLock};
use std::time::Duration;
use tokio::sync::{mpsc, watch};
use tokio::time::Instant;

/// A beat for plants that watch whether the service is there.
const HEARTBEAT: Duration = Duration::from_secs(10);
/// Clock, flood and old rows are looked after this often.
const HOUSEKEEPING: Duration = Duration::from_secs(60);
/// The head of the journal is logged this often (and shown at the broker more often).
const HEAD_LOGGED: Duration = Duration::from_secs(3_600);
/// A goodbye waits at most so long for the broker.
const GOODBYE: Duration = Duration::from_secs(2);

/// Runs the service until it is told to stop.
///
/// # Errors
/// Where it cannot start: the broker's address, certificates, password.
pub async fn run(site: &Site, options: Options) -> Result<(), ServiceError> {
    let Options {
        clock,
        journal,
        watch,
        stop,
        ready,
        reloading,
        porter,
    } = options;
    let own_broker = start_broker(site).await?;
    let place = place(site, own_broker.as_ref());
    let topics = Topics::new(&site.wire.broker.root);
    let decoder = Decoder::new(Arc::clone(&site.model), &topics, &site.wire);
    let encoder = Encoder::new(
        Arc::clone(&site.model),
        topics,
        &site.wire,
        &site.fingerprint,
    );
    let access = access::access(site, &place)?;
    let outbox = Arc::new(Outbox::new());
    let ears = Arc::new(RwLock::new(Ears::new(0, decoder, &encoder)));
    let (poller, mut inbox) = Poller::new(
        access,
        Arc::clone(&ears),
        Arc::clone(&outbox),
        Arc::clone(&clock),
    );

    let found = journal.as_ref().map(|path| record::find(path, clock.now()));
    let holds_journal = found.as_ref().is_some_and(|found| found.journal.is_some());
    let kept = found
        .as_ref()
        .and_then(|found| found.journal.as_ref().or(found.readable.as_ref()));
    if let Some(last) = kept.and_then(|journal| journal.last_moment().ok().flatten()) {
        clock.resume_after(last);
    }
    let at = clock.now();
    let resumed = state_before(site, found.as_ref(), at);
    let begun = Begun::with(at, &resumed);
    let recorder = journal
        .as_ref()
        .zip(found)
        .map(|(path, found)| Recorder::start(path, found));
    let (news_to, news) = keeper::news();
    let Kept { keeping, control } = keep(
        reloading,
        site,
        &clock,
        journal.as_deref().filter(|_| holds_journal),
        news_to.clone(),
    );
    let mut service = Service {
        model: Arc::clone(&site.model),
        fingerprint: site.fingerprint.clone(),
        years: versions::years(site),
        ears,
        generation: 0,
        news,
        core: resumed.core,
        board: resumed.board,
        encoder,
        outbox,
        recorder,
        clock,
        watch,
        clock_trusted: true,
        handing: Handing::new(&site.wire.alarm_receivers, news_to),
        counters: Counters::default(),
        heard: report::Heard::default(),
        begun: Instant::now(),
        head_at: None,
        snapshot: step::SnapshotPace::default(),
        left_out: 0,
        refused_at: None,
        porter,
        keep: keep_of(site),
        files: versions::files(site),
    };
    service.warn(&resumed.notes);
    service.begin(site, begun).await;
    let polling = tokio::spawn(poller.run());
    if let Some(ready) = ready {
        // Nobody may have waited for it.
        let _ = ready.send(place);
    }
    let turned = service.turn(&mut inbox, stop).await;
    // The poller goes on as long as the inbox is there: the goodbye has to leave.
    service.end().await;
    drop(inbox);
    drop(control);
    polling.abort();
    if let Some(keeping) = keeping {
        keeping.abort();
    }
    if let Some(broker) = own_broker {
        broker.stop(GOODBYE).await;
    }
    turned
}

/// The state that the run before left. Where its journal was damaged, or cannot be
/// read at all, it is lost.
fn state_before(site: &Site, found: Option<&record::Found>, now: Now) -> Resumed {
    let kept = found.and_then(|found| found.journal.as_ref().or(found.readable.as_ref()));
    let mut resumed = resume(kept, &mut Versions::new(site, kept), now);
    resumed.lost |= found.is_some_and(|found| found.lost);
    resumed
}

/// What keeps the site current.
#[derive(Default)]
struct Kept {
    keeping: Option<tokio::task::JoinHandle<()>>,
    control: Option<Control>,
}

fn keep(
    reloading: Option<Reloading>,
    site: &Site,
    clock: &Arc<Clock>,
    journal: Option<&Path>,
    news: mpsc::Sender<News>,
) -> Kept {
    let Some(Reloading { origin, door, asks }) = reloading else {
        return Kept::default();
    };
    let keeper = Keeper::new(origin, site, Arc::clone(clock), news);
    let control = journal.and_then(|journal| {
        Control::open(control::socket_beside(journal), door)
            .map_err(|error| {
                tracing::warn!(%error, "no socket beside the journal: reload with SIGHUP");
            })
            .ok()
    });
    Kept {
        keeping: Some(tokio::spawn(keeper.run(asks))),
        control,
    }
}

const fn keep_of(site: &Site) -> Keep {
    Keep {
        days: site.wire.journal.keep_days,
        mb: site.wire.journal.keep_mb,
    }
}

async fn start_broker(site: &Site) -> Result<Option<Running>, ServiceError> {
    match &site.wire.broker.broker {
        Broker::Embedded { listen } => Ok(Some(broker::start_embedded(*listen).await?)),
        Broker::External { .. } => Ok(None),
    }
}

fn place(site: &Site, own: Option<&Running>) -> BrokerPlace {
    let of = |address: SocketAddr| BrokerPlace {
        host: address.ip().to_string(),
        port: address.port(),
    };
    match (&site.wire.broker.broker, own) {
        (Broker::External { host, port, .. }, _) => BrokerPlace {
            host: host.clone(),
            port: *port,
        },
        (Broker::Embedded { .. }, Some(running)) => of(running.listens),
        (Broker::Embedded { listen }, None) => of(*listen),
    }
}

/// How a run took up what was before.
struct Begun {
    /// When. A new core counts the pauses of its drives from here, and so has whoever
    /// replays the journal.
    at: Now,
    /// As what the core is told of it.
    cause: RestartCause,
    resumed: bool,
    replayed: usize,
    /// Whether the state was that of another site file (or of other years of it).
    reloaded: bool,
}

impl Begun {
    const fn with(at: Now, resumed: &Resumed) -> Self {
        Self {
            at,
            cause: resumed.cause(),
            resumed: resumed.taken_up,
            replayed: resumed.replayed,
            reloaded: resumed.reloaded,
        }
    }
}

/// The loop's state.
struct Service {
    model: Arc<Model>,
    fingerprint: String,
    years: versions::Years,
    ears: Arc<RwLock<Ears>>,
    /// By which model arrivals are read at present.
    generation: u64,
    news: mpsc::Receiver<News>,
    core: Core,
    board: Board,
    encoder: Encoder,
    outbox: Arc<Outbox>,
    recorder: Option<Recorder>,
    clock: Arc<Clock>,
    watch: Watch,
    clock_trusted: bool,
    handing: Handing,
    counters: Counters,
    heard: report::Heard,
    begun: Instant,
    /// When the head of the journal was last logged.
    head_at: Option<Instant>,
    snapshot: step::SnapshotPace,
    left_out: u64,
    refused_at: Option<Instant>,
    porter: Option<Porter>,
    keep: Keep,
    /// The files of the site in force, for a journal that has to be begun anew.
    files: SiteFiles,
}

impl Service {
    fn note(&mut self, text: &str) {
        (self.watch)(self.clock.now(), &Seen::Note(text));
    }

    /// Says what somebody should know of, in the log too.
    fn warn(&mut self, notes: &[String]) {
        for note in notes {
            tracing::warn!("{note}");
            self.note(note);
        }
    }

    /// The first inputs of a run, and the states that everybody may see.
    async fn begin(&mut self, site: &Site, begun: Begun) {
        let body = json!({
            "version": env!("CARGO_PKG_VERSION"),
            "site": self.model.site.name,
            "fingerprint": self.fingerprint,
            "years": self.years,
            "resumed": begun.resumed,
            "replayed": begun.replayed,
            "reloaded": begun.reloaded,
        });
        let mut batch = leeside_journal::Batch::new();
        batch.row(begun.at, Kind::Run, &self.model.site.name, body.to_string());
        batch.site(versions::files(site));
        batch.at_least(Durability::Power);
        if let Some(recorder) = &self.recorder {
            recorder.write(batch, true).await;
        }
        for group in 0..self.model.groups.len() {
            self.show_lockouts(GroupId::of(group));
        }
        self.clear_old_troubles();
        self.handle(Input::Restart(begun.cause)).await;
        self.look_at_clock().await;
    }

    /// The loop itself, until it is told to stop.
    async fn turn(
        &mut self,
        inbox: &mut Inbox,
        mut stop: watch::Receiver<bool>,
    ) -> Result<(), ServiceError> {
        let mut heartbeat = tokio::time::interval(HEARTBEAT);
        let mut watchdog = watchdog();
        let mut housekeeping = tokio::time::interval(HOUSEKEEPING);
        let mut journal = self.recorder.as_ref().map(Recorder::condition);
        self.journal_condition(journal.as_mut()).await;
        systemd(&[sd_notify::NotifyState::Ready]);
        let (mut wake, mut nap) = (self.wake(), nap::Nap::default());
        loop {
            let due = self.outbox.due();
            // When those who look are to be shown something new.
            let show = self.porter.as_ref().map(Porter::due);
            tokio::select! {
                biased;
                stopped = stop.wait_for(|stop| *stop) => {
                    // An error means that nobody is left who could say stop: so stop.
                    drop(stopped);
                    return Ok(());
                }
                Some(news) = self.news.recv() => self.news(news, inbox).await,
                () = sleep_until(show) => self.show(),
                asked = asked(self.porter.as_mut()) => self.answer(asked, inbox).await,
                event = inbox.next() => match event {
                    Some(event) => self.link(event).await,
                    None => return Err(ServiceError::Link),
                },
                () = nap.until(wake) => {
                    if let Some(asked) = wake {
                        self.counters.lateness.note(asked.elapsed().as_secs_f64());
                    }
                    self.handle(Input::Tick).await;
                }
                () = sleep_until(due) => {}
                () = self.outbox.many_spent() => {}
                _ = heartbeat.tick() => self.beat(),
                () = fed(watchdog.as_mut()) => systemd(&[sd_notify::NotifyState::Watchdog]),
                _ = housekeeping.tick() => self.housekeeping(inbox).await,
                () = changed(journal.as_mut()) => self.journal_condition(journal.as_mut()).await,
            }
            wake = self.wake();
        }
    }

    /// When the core wants to be woken: once the moment it names has passed.
    fn wake(&mut self) -> Option<Instant> {
        match self.core.poll() {
            Output::Wake(wake) => wake.map(|wake| self.clock.instant(wake.at.steady.plus(1))),
            // Everything is drained after each input, so there is nothing else.
            Output::Command(_)
            | Output::Lockout(_)
            | Output::Alarm(_)
            | Output::Refused { .. }
            | Output::Announce { .. } => Some(Instant::now()),
        }
    }

    async fn link(&mut self, event: LinkEvent) {
        match event {
            LinkEvent::Input {
                generation,
                input,
                arrived,
            } => {
                // What was read by another model has been dealt with at the swap.
                if generation == self.generation {
                    self.heard.arrives(arrived);
                    self.handle(input).await;
                }
            }
            LinkEvent::Connected(dialect) => {
                if dialect == Dialect::ThreeOneOne {
                    self.note("the broker speaks MQTT 3.1.1: messages do not expire there, not_after does");
                }
                tracing::info!(?dialect, "connected to the broker");
                let now = self.clock.now().wall;
                self.send(self.encoder.service(Presence::Online, Some(now)));
                self.tell_broker(true, "");
                self.handle(Input::Connected).await;
            }
            LinkEvent::Disconnected { why, was_connected } => {
                tracing::warn!(%why, "no connection to the broker");
                self.tell_broker(false, &why.to_string());
                if was_connected {
                    self.handle(Input::Disconnected).await;
                } else {
                    self.note(&format!("no connection to the broker: {why}"));
                }
            }
            LinkEvent::Refused(why) => {
                tracing::error!(%why, "the broker refuses");
                self.note(&why);
                self.refused_at = Some(Instant::now());
                self.trouble(Trouble::Broker, None, Some(&why)).await;
            }
            LinkEvent::Unreadable(why) => {
                self.send(self.encoder.unreadable(&why, self.clock.now().wall));
            }
        }
    }

    fn beat(&mut self) {
        let message = self.encoder.heartbeat(self.clock.now().wall);
        self.outbox
            .put(message, Some(Instant::now() + HEARTBEAT * 3), None);
    }

    async fn housekeeping(&mut self, inbox: &Inbox) {
        self.look_at_clock().await;
        let left_out = inbox
            .arrivals
            .left_out
            .load(std::sync::atomic::Ordering::Relaxed);
        let (before, now) = (
            core::mem::replace(&mut self.left_out, left_out),
            self.clock.now(),
        );
        if left_out > before {
            let why = format!(
                "{} messages were not looked at: too many at a time",
                left_out - before
            );
            tracing::error!("{why}");
            self.trouble(Trouble::Flood, None, Some(&why)).await;
        } else if before > 0 {
            self.left_out = 0;
            self.trouble(Trouble::Flood, None, None).await;
        }
        if self
            .refused_at
            .is_some_and(|at| at.elapsed() >= HOUSEKEEPING)
        {
            self.refused_at = None;
            self.trouble(Trouble::Broker, None, None).await;
        }
        self.publish_head();
        if let Some(recorder) = &self.recorder {
            recorder.prune(now, self.keep);
        }
    }

    /// Tells the core whether the wall clock can be right.
    async fn look_at_clock(&mut self) {
        let trusted = self.clock.plausible();
        if trusted != self.clock_trusted {
            self.clock_trusted = trusted;
            self.handle(Input::Clock { trusted }).await;
        }
    }

    /// Shows the head of the journal's chain outside of it: at the broker, and now
    /// and then in the log.
    fn publish_head(&mut self) {
        let Some(recorder) = &self.recorder else {
            return;
        };
        let Some(head) = recorder.condition().borrow().head else {
            return;
        };
        let hash = head.hex();
        if self.head_at.is_none_or(|at| at.elapsed() >= HEAD_LOGGED) {
            self.head_at = Some(Instant::now());
            tracing::info!(row = head.id, hash, "head of the journal");
        }
        let at = self.clock.now().wall;
        self.send(self.encoder.journal_head(head.id, &hash, at));
    }

    /// An orderly end.
    async fn end(mut self) {
        systemd(&[sd_notify::NotifyState::Stopping]);
        let now = self.clock.now();
        self.head_at = None;
        self.publish_head();
        self.send(self.encoder.service(Presence::Offline, Some(now.wall)));
        let sent = self.outbox.emptied(GOODBYE).await;
        if !sent {
            tracing::warn!("the broker did not take the goodbye in time");
        }
        self.outbox.goodbye();
        // A moment for the goodbye itself to leave.
        tokio::time::sleep(Duration::from_millis(50)).await;
        self.write_snapshot(now, true).await;
        if let Some(recorder) = self.recorder.take() {
            recorder.finish();
        }
        self.note("stopped");
    }
}

async fn asked(porter: Option<&mut Porter>) -> Asked {
    match porter {
        Some(porter) => porter.next().await,
        None => core::future::pending().await,
    }
}

async fn sleep_until(at: Option<Instant>) {
    match at {
        Some(at) => tokio::time::sleep_until(at).await,
        None => core::future::pending().await,
    }
}

async fn changed(condition: Option<&mut watch::Receiver<Condition>>) {
    match condition {
        // The thread's end is not a condition to act on: wait for the others.
        Some(condition) => {
            if condition.changed().await.is_err() {
                core::future::pending::<()>().await;
            }
        }
        None => core::future::pending().await,
    }
}

/// The beat that the service manager wants, with room to spare; it comes out of
/// the loop itself, so it stops when the loop does.
fn watchdog() -> Option<tokio::time::Interval> {
    let within = sd_notify::watchdog_enabled()?;
    Some(tokio::time::interval(
        (within / 3).max(Duration::from_millis(100)),
    ))
}

async fn fed(watchdog: Option<&mut tokio::time::Interval>) {
    match watchdog {
        Some(watchdog) => {
            watchdog.tick().await;
        }
        None => core::future::pending().await,
    }
}

fn systemd(states: &[sd_notify::NotifyState<'_>]) {
    // Not started by systemd: nobody listens.
    let _ = sd_notify::notify(states);
}

/// How often a snapshot is taken at least, and at most for a large site.
const SNAPSHOT_AT_LEAST_MS: i64 = MINUTE;
const SNAPSHOT_AT_MOST_MS: i64 = 30 * SECOND;
