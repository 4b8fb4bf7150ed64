//! What the service is given, what it tells, and why it may not start.

use crate::broker::BrokerError;
use crate::clock::Clock;
use crate::door::Porter;
use crate::keeper::{Origin, Reload, Reloads, reloads};
use crate::link::TlsError;
use leeside_core::input::Input;
use leeside_core::model::Model;
use leeside_core::output::Output;
use leeside_core::time::Now;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot, watch};

/// Something that somebody may want to watch.
#[derive(Clone, Copy, Debug)]
pub enum Seen<'a> {
    /// Went into the core.
    Input(&'a Input),
    /// Came out of it.
    Output(&'a Output),
    /// Another model is in force from here on.
    Site(&'a Arc<Model>),
    /// Said by the service itself.
    Note(&'a str),
}

/// Whoever watches: called for everything, in order.
pub type Watch = Box<dyn FnMut(Now, &Seen<'_>) + Send>;

/// What the service needs beside the site.
pub struct Options {
    /// What time it is.
    pub clock: Arc<Clock>,
    /// The journal file; none: nothing is kept, and a restart forgets.
    pub journal: Option<PathBuf>,
    /// Whoever watches.
    pub watch: Watch,
    /// Ends the service when it turns true.
    pub stop: watch::Receiver<bool>,
    /// Told where the broker is once it can be reached.
    pub ready: Option<oneshot::Sender<BrokerPlace>>,
    /// Where the site comes from; none: it stays as it is.
    pub reloading: Option<Reloading>,
    /// The loop's side of the door; none: nobody looks in or asks.
    pub porter: Option<Porter>,
}

/// Where the site comes from, and how it is asked to be loaded anew.
#[derive(Debug)]
pub struct Reloading {
    pub(super) origin: Origin,
    pub(super) door: Reloads,
    pub(super) asks: mpsc::Receiver<Reload>,
}

impl Reloading {
    /// With the door for whoever asks.
    #[must_use]
    pub fn new(origin: Origin) -> (Self, Reloads) {
        let (door, asks) = reloads();
        let reloading = Self {
            origin,
            door: door.clone(),
            asks,
        };
        (reloading, door)
    }
}

impl Options {
    /// No journal, nobody who watches, a site that stays as it is.
    #[must_use]
    pub fn new(clock: Arc<Clock>, stop: watch::Receiver<bool>) -> Self {
        Self {
            clock,
            journal: None,
            watch: Box::new(|_, _| {}),
            stop,
            ready: None,
            reloading: None,
            porter: None,
        }
    }
}

impl core::fmt::Debug for Options {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Options")
            .field("journal", &self.journal)
            .finish_non_exhaustive()
    }
}

/// Where the broker is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BrokerPlace {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
}

/// Why the service does not start, or (for a fault of its own only) does not go on.
#[derive(Debug, thiserror::Error)]
pub enum ServiceError {
    /// The embedded broker.
    #[error(transparent)]
    Broker(#[from] BrokerError),
    /// Certificates.
    #[error("TLS towards the broker: {0}")]
    Tls(#[from] TlsError),
    /// The task that holds the connection has ended by itself.
    #[error(
        "the connection to the broker was given up by a fault of this program; please report it with the log"
    )]
    Link,
    /// The password file.
    #[error(
        "the password file {path} cannot be read: {source}; its first line has to be the password"
    )]
    Password {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: std::io::Error,
    },
}
