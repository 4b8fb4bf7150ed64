//! Keeps the site in force current: loads the site file anew when asked, takes
//! changed calendars in by itself, and lays the days of the coming years out in
//! time. Reading and judging happen here, aside from the loop; the loop is given
//! whole sites only, and those that it cannot use are never given to it.

mod files;

use crate::clock::Clock;
use crate::versions::{Fit, Years, years};
use chrono::Datelike;
use files::{Judged, Watched, judge};
use leeside_config::wire::{BrokerSettings, Wire};
use leeside_config::{Diagnostic, LoadOptions, Outcome, Site, Sources, site};
use leeside_core::model::Model;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Calendars, and whether a year has begun, are looked at this often.
const LOOK_EVERY: Duration = Duration::from_secs(2);
/// Requests to reload that may wait.
const ROOM: usize = 16;

/// Where the site in force comes from.
#[derive(Clone)]
pub struct Origin {
    /// The site file.
    pub path: PathBuf,
    /// What this run makes of it.
    pub fit: Fit,
    /// Where the run began with the site that was last in force: what is wrong with
    /// the site file.
    pub broken: Option<String>,
}

impl core::fmt::Debug for Origin {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Origin")
            .field("path", &self.path)
            .finish_non_exhaustive()
    }
}

/// What became of it, in a sentence.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Said {
    /// The file on disk is in force now, with this fingerprint.
    InForce(String),
    /// It was in force already.
    InForceAlready,
    /// It is broken: its first problem.
    Broken(String),
    /// This section of it needs a restart.
    NeedsRestart(String),
    /// It could not be read, by a fault of this program.
    Unread,
    /// The service is ending.
    Ending,
    /// The question was not understood, and why.
    NotUnderstood(String),
}

impl core::fmt::Display for Said {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::InForce(fingerprint) => write!(
                f,
                "the site file on disk is in force now, fingerprint {fingerprint}"
            ),
            Self::InForceAlready => f.write_str("the site file on disk is in force already"),
            Self::Broken(first) => write!(
                f,
                "the site file on disk is broken, the one before stays in force: {first}"
            ),
            Self::NeedsRestart(section) => write!(
                f,
                "{section} has changed: that takes a restart of the service. Nothing of the site file was taken over, \
                 the one before stays in force"
            ),
            Self::Unread => f.write_str("the site file could not be read: a fault of this program"),
            Self::Ending => f.write_str("the service is ending"),
            Self::NotUnderstood(why) => write!(f, "not understood: {why}"),
        }
    }
}

/// What became of a request to load the site file anew.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize, serde::Deserialize)]
pub struct Answer {
    /// Whether the site file on disk is in force now.
    pub accepted: bool,
    /// In a sentence.
    pub said: Said,
    /// Every problem of the files, drawn with its place; warnings where it was accepted.
    pub diagnostics: Vec<String>,
}

/// A request to load the site file anew; answered when it is in force or rejected.
#[derive(Debug)]
pub struct Reload(pub oneshot::Sender<Answer>);

/// Where requests to reload are sent.
pub type Reloads = mpsc::Sender<Reload>;

/// A channel for requests to reload.
#[must_use]
pub fn reloads() -> (Reloads, mpsc::Receiver<Reload>) {
    mpsc::channel(ROOM)
}

/// A channel for news to the loop.
pub(crate) fn news() -> (mpsc::Sender<News>, mpsc::Receiver<News>) {
    mpsc::channel(ROOM)
}

/// What the loop is told.
pub(crate) enum News {
    /// Another site is to take effect.
    Swap {
        site: Box<Site>,
        why: &'static str,
        done: oneshot::Sender<()>,
    },
    /// The site file was rejected, or is sound again.
    Site(Option<String>),
    /// A calendar was rejected, or is sound again.
    Calendar(String, Option<String>),
    /// Alarms cannot be handed on to a receiver, or can be again.
    Handing(String, Option<String>),
}

/// The task.
pub(crate) struct Keeper {
    origin: Origin,
    clock: Arc<Clock>,
    in_force: InForce,
    watched: Watched,
    /// Calendars about which an alarm stands.
    rejected: BTreeSet<String>,
    news: mpsc::Sender<News>,
}

/// What of the site in force is needed here.
struct InForce {
    sources: Arc<Sources>,
    fingerprint: String,
    years: Years,
    model: Arc<Model>,
    fixed: Fixed,
}

/// What only a start can change.
#[derive(Clone, PartialEq, Eq)]
struct Fixed {
    broker: BrokerSettings,
    journal: PathBuf,
    page: leeside_config::wire::PageSettings,
}

impl Fixed {
    fn of(wire: &Wire) -> Self {
        Self {
            broker: wire.broker.clone(),
            journal: wire.journal.file.clone(),
            page: wire.page.clone(),
        }
    }

    /// The section that differs.
    fn differs(&self, other: &Self) -> Option<&'static str> {
        if self.broker != other.broker {
            Some("[broker]")
        } else if self.journal != other.journal {
            Some("[journal] file")
        } else if self.page != other.page {
            Some("[page]")
        } else {
            None
        }
    }
}

impl InForce {
    fn of(site: &Site) -> Self {
        Self {
            sources: Arc::clone(&site.sources),
            fingerprint: site.fingerprint.clone(),
            years: years(site),
            model: Arc::clone(&site.model),
            fixed: Fixed::of(&site.wire),
        }
    }
}

impl Keeper {
    pub(crate) fn new(
        origin: Origin,
        site: &Site,
        clock: Arc<Clock>,
        news: mpsc::Sender<News>,
    ) -> Self {
        Self {
            origin,
            clock,
            in_force: InForce::of(site),
            watched: Watched::default(),
            rejected: BTreeSet::new(),
            news,
        }
    }

    /// Until nobody listens any more.
    pub(crate) async fn run(mut self, mut asks: mpsc::Receiver<Reload>) {
        if let Some(broken) = self.origin.broken.take() {
            self.tell(News::Site(Some(broken))).await;
        }
        let mut look = tokio::time::interval(LOOK_EVERY);
        look.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        while !self.news.is_closed() {
            tokio::select! {
                Some(Reload(answer)) = asks.recv() => {
                    let said = self.reload().await;
                    // Whoever asked may have gone.
                    let _ = answer.send(said);
                }
                _ = look.tick() => {
                    self.look_at_year().await;
                    self.look_at_files().await;
                }
            }
        }
    }

    /// The years around the present one, at the place of the site.
    fn years_now(&self) -> LoadOptions {
        let zone = self.in_force.model.site.zone;
        LoadOptions::around(self.clock.now().wall.local_date(zone).year())
    }

    fn folder(&self) -> PathBuf {
        self.origin
            .path
            .parent()
            .unwrap_or_else(|| Path::new(""))
            .to_owned()
    }

    async fn reload(&mut self) -> Answer {
        let (path, options) = (self.origin.path.clone(), self.years_now());
        let Some(outcome) = aside(move || site::load(&path, &options)).await else {
            return rejected(Said::Unread);
        };
        let answer = self.judged(outcome).await;
        for problem in &answer.diagnostics {
            tracing::warn!("{problem}");
        }
        let complaint = (!answer.accepted).then(|| answer.said.to_string());
        self.tell(News::Site(complaint)).await;
        answer
    }

    async fn judged(&mut self, outcome: Outcome) -> Answer {
        let drawn: Vec<String> = outcome
            .diagnostics
            .iter()
            .map(|problem| draw(problem, &outcome))
            .collect();
        let Some(site) = outcome.site else {
            let first = outcome
                .diagnostics
                .iter()
                .find(|problem| problem.severity == leeside_config::Severity::Error);
            let first = first.map_or_else(String::new, ToString::to_string);
            return Answer {
                diagnostics: drawn,
                ..rejected(Said::Broken(first))
            };
        };
        let site = (self.origin.fit)(site);
        if let Some(section) = self.in_force.fixed.differs(&Fixed::of(&site.wire)) {
            return rejected(Said::NeedsRestart(section.to_owned()));
        }
        let said = if site.fingerprint == self.in_force.fingerprint {
            Said::InForceAlready
        } else {
            let short: String = site.fingerprint.chars().take(12).collect();
            self.swap(site, "asked").await;
            Said::InForce(short)
        };
        for name in std::mem::take(&mut self.rejected) {
            self.tell(News::Calendar(name, None)).await;
        }
        Answer {
            accepted: true,
            said,
            diagnostics: drawn,
        }
    }

    /// Gives a site to the loop, and waits until it is in force.
    async fn swap(&mut self, site: Site, why: &'static str) {
        self.in_force = InForce::of(&site);
        self.watched = Watched::default();
        let (done, is_done) = oneshot::channel();
        let site = Box::new(site);
        self.tell(News::Swap { site, why, done }).await;
        // An error: the loop has ended, and this task ends next.
        let _ = is_done.await;
    }

    async fn look_at_year(&mut self) {
        let options = self.years_now();
        if (*options.years.start(), *options.years.end()) == self.in_force.years {
            return;
        }
        let (sources, folder) = (Arc::clone(&self.in_force.sources), self.folder());
        let years = options.clone();
        let outcome = aside(move || sources.read(&folder, &years)).await;
        match outcome.and_then(|outcome| outcome.site) {
            Some(site) => {
                let site = (self.origin.fit)(site);
                self.swap(site, "year").await;
            }
            None => {
                // What was sound for one year is so for another; were it not, this
                // is said once, and the days after the last one known go by weekday.
                self.in_force.years = (*options.years.start(), *options.years.end());
                let why = "the days of the coming years cannot be laid out; they go by weekday";
                self.tell(News::Site(Some(why.to_owned()))).await;
            }
        }
    }

    async fn look_at_files(&mut self) {
        let (sources, folder) = (Arc::clone(&self.in_force.sources), self.folder());
        let (mut watched, options) = (std::mem::take(&mut self.watched), self.years_now());
        let judged = aside(move || {
            let changed = watched.changed(&folder, &sources);
            let judged = (!changed.is_empty()).then(|| judge(&sources, &folder, &options, changed));
            (watched, judged)
        });
        let Some((watched, judged)) = judged.await else {
            return;
        };
        self.watched = watched;
        let Some(Judged { site, complaints }) = judged else {
            return;
        };
        if let Some(site) = site {
            let site = (self.origin.fit)(*site);
            let watched = std::mem::take(&mut self.watched);
            self.swap(site, "calendar").await;
            self.watched = watched;
        }
        for (name, complaint) in complaints {
            let stood = self.rejected.contains(&name);
            if complaint.is_none() && !stood {
                continue;
            }
            if complaint.is_some() {
                self.rejected.insert(name.clone());
            } else {
                self.rejected.remove(&name);
            }
            self.tell(News::Calendar(name, complaint)).await;
        }
    }

    async fn tell(&self, news: News) {
        // The loop has ended: this task ends next.
        let _ = self.news.send(news).await;
    }
}

fn rejected(said: Said) -> Answer {
    Answer {
        accepted: false,
        said,
        diagnostics: Vec::new(),
    }
}

/// A problem with the lines around it, where it is one of the site file.
fn draw(problem: &Diagnostic, outcome: &Outcome) -> String {
    if problem.span.is_empty() {
        problem.to_string()
    } else {
        problem.render(&outcome.text, false)
    }
}

/// Does something that may take a while on a thread of its own.
async fn aside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Option<T> {
    tokio::task::spawn_blocking(work).await.ok()
}
