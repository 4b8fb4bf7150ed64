//! What all requests share: the door, who is signed in, where files lie.

use crate::live::Live;
use crate::pages::{facade, why, year};
use crate::people::{self, People, Person};
use crate::sessions::{Session, Sessions};
use crate::work::{Bench, Turns};
use leeside_config::wire::PageSettings;
use leeside_daemon::clock::Clock;
use leeside_daemon::door::{Door, Present};
use leeside_daemon::keeper::Reloads;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, SystemTime};
use tokio::sync::{Semaphore, watch};
use tokio::time::Instant;

/// Passwords looked at at once. Each takes a core for a moment, which commands need too.
const HASHED_AT_ONCE: usize = 1;
/// Look-aheads and the like at once, for the same reason.
const WORKED_AT_ONCE: usize = 1;
/// Whoever waits longer for their turn is told to try again.
const TURN: Duration = Duration::from_secs(20);
/// What followed from an ask is waited for at most so long.
const SHOWN: Duration = Duration::from_secs(2);

/// What the page is given.
#[derive(Clone, Debug)]
pub struct Options {
    /// The site file.
    pub site: PathBuf,
    /// What the site file says of the page.
    pub settings: PageSettings,
    /// The way to the loop.
    pub door: Door,
    /// Where a reload of the site file is asked for.
    pub reloads: Reloads,
    /// What time it is.
    pub clock: Arc<Clock>,
    /// The journal, where one is kept.
    pub journal: Option<PathBuf>,
    /// Ends the page when it turns true.
    pub stop: watch::Receiver<bool>,
}

/// What all requests share.
#[derive(Debug)]
pub struct House {
    /// What the page was given.
    pub given: Options,
    /// Who is signed in.
    pub sessions: Sessions,
    /// Those who follow what happens.
    pub live: Live,
    /// One piece of long work after the other.
    pub turns: Turns,
    /// Days of groups that were asked about.
    pub whys: Bench<why::Answer>,
    /// Days of facades that were asked about.
    pub facades: Bench<facade::Answer>,
    /// Years that were asked about.
    pub years: Bench<year::Answer>,
    /// Weather files that were sent here.
    pub uploads: year::Uploads,
    people: Mutex<Read>,
    hashing: Arc<Semaphore>,
    working: Arc<Semaphore>,
}

/// The people file as it was last read.
#[derive(Debug, Default)]
struct Read {
    stamp: Option<(SystemTime, u64)>,
    people: Arc<People>,
    fault: Option<String>,
}

/// The shared state of all handlers.
pub type App = Arc<House>;

impl House {
    /// With nobody signed in.
    #[must_use]
    pub fn new(given: Options) -> App {
        Arc::new(Self {
            live: Live::new(),
            turns: Turns::default(),
            whys: Bench::keeping(24),
            facades: Bench::keeping(12),
            years: Bench::keeping(4),
            uploads: year::Uploads::default(),
            given,
            sessions: Sessions::default(),
            people: Mutex::default(),
            hashing: Arc::new(Semaphore::new(HASHED_AT_ONCE)),
            working: Arc::new(Semaphore::new(WORKED_AT_ONCE)),
        })
    }

    /// What is now.
    #[must_use]
    pub fn present(&self) -> Arc<Present> {
        self.given.door.present()
    }

    /// Waits, not for long, until what followed from an ask is in what is shown.
    pub async fn shown_after(&self, before: &Present) {
        let mut presents = self.given.door.follow();
        // The next one may have been made before the ask was heard.
        let newer = presents.wait_for(|present| present.revision >= before.revision + 2);
        let _ = tokio::time::timeout(SHOWN, newer).await;
    }

    /// Whether one has to sign in.
    #[must_use]
    pub const fn has_people(&self) -> bool {
        self.given.settings.people_file.is_some()
    }

    /// Whether browsers reach the page by TLS.
    #[must_use]
    pub const fn secure(&self) -> bool {
        self.given.settings.tls.is_some() || self.given.settings.behind_proxy
    }

    /// Who may sign in, as the file says now. A file that turned unreadable lets
    /// nobody in; the log says why.
    #[must_use]
    pub fn people(&self) -> Arc<People> {
        let Some(path) = &self.given.settings.people_file else {
            return Arc::default();
        };
        let stamp = std::fs::metadata(path)
            .ok()
            .and_then(|meta| Some((meta.modified().ok()?, meta.len())));
        let mut read = self.people.lock().unwrap_or_else(PoisonError::into_inner);
        if read.stamp != stamp || stamp.is_none() {
            let (people, fault) = match People::read(path) {
                Ok(people) => (people, None),
                Err(error) => (People::default(), Some(error.to_string())),
            };
            if fault != read.fault
                && let Some(fault) = &fault
            {
                tracing::error!("nobody can sign in: {fault}");
            }
            *read = Read {
                stamp,
                people: Arc::new(people),
                fault,
            };
        }
        Arc::clone(&read.people)
    }

    /// The session of a token and whose it is, if both still are.
    #[must_use]
    pub fn signed_in(&self, token: &str) -> Option<(Session, Person)> {
        let session = self.sessions.find(token, Instant::now())?;
        let person = self.people().named(&session.name).cloned();
        match person.filter(|person| person.password == session.password) {
            Some(person) => Some((session, person)),
            None => {
                self.sessions.end(token);
                None
            }
        }
    }

    /// Does something that takes a while, on a thread of its own, one at a time.
    /// `None`: others have been at it for too long.
    pub async fn aside<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Option<T> {
        let turn = Arc::clone(&self.working).acquire_owned();
        let permit = tokio::time::timeout(TURN, turn).await.ok()?.ok()?;
        let done = tokio::task::spawn_blocking(move || {
            let done = work();
            drop(permit);
            done
        });
        done.await.ok()
    }

    /// Whether name and password belong together; takes a while, on a thread of its own.
    pub async fn knows(&self, name: &str, password: String) -> Option<Person> {
        let person = self.people().named(name).cloned();
        let hash = person.as_ref().map_or_else(
            || people::NOBODY.to_owned(),
            |person| person.password.clone(),
        );
        let permit = Arc::clone(&self.hashing).acquire_owned().await.ok()?;
        let fits = tokio::task::spawn_blocking(move || {
            let fits = people::fits(&password, &hash);
            drop(permit);
            fits
        });
        // Waited for whether there is such a person or not.
        let fits = fits.await.unwrap_or(false);
        person.filter(|_| fits)
    }
}
