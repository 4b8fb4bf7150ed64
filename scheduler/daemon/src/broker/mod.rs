//! A broker inside the process, behind a small trait of our own.
//!
//! The zero-setup default. It listens on loopback; to anything else it is not
//! opened, because whoever reaches a broker without credentials can move every
//! shade of the building.

#[cfg(feature = "embedded-broker")]
mod embedded;

#[cfg(feature = "embedded-broker")]
pub use embedded::Embedded;

use std::net::SocketAddr;
use std::pin::Pin;

/// Why a broker does not start.
#[derive(Debug, thiserror::Error)]
pub enum BrokerError {
    /// It would be open to the network.
    #[error(
        "the embedded broker would listen on {0}, which is not loopback, without asking for credentials; let it listen on 127.0.0.1, or set up an external broker with users and access rules (one is in deploy/mosquitto)"
    )]
    Open(SocketAddr),
    /// The address cannot be bound.
    #[error(
        "the embedded broker cannot listen on {listen}: {why}; is another broker there already?"
    )]
    Bind {
        /// Where it should listen.
        listen: SocketAddr,
        /// What it says.
        why: String,
    },
    /// It was left out when this program was built.
    #[error(
        "this program was built without the embedded broker; name an external one in the site file"
    )]
    LeftOut,
}

/// A broker to start.
pub trait Broker {
    /// Starts it.
    fn start(
        &self,
        listen: SocketAddr,
    ) -> Pin<Box<dyn Future<Output = Result<Running, BrokerError>> + Send>>;
}

/// A running broker. It ends when this is dropped.
pub struct Running {
    /// Where it listens (the port that was found, where none was asked for).
    pub listens: SocketAddr,
    stop: Option<Box<dyn FnOnce() + Send>>,
    ended: Option<tokio::task::JoinHandle<()>>,
}

impl Running {
    /// Ends it and waits until it has ended, at most `patience`.
    pub async fn stop(mut self, patience: std::time::Duration) {
        if let Some(stop) = self.stop.take() {
            stop();
        }
        if let Some(ended) = self.ended.take() {
            // Whether in time or not: the process ends next.
            let _ = tokio::time::timeout(patience, ended).await;
        }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if let Some(stop) = self.stop.take() {
            stop();
        }
    }
}

impl core::fmt::Debug for Running {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Running")
            .field("listens", &self.listens)
            .finish_non_exhaustive()
    }
}

/// Starts the broker that this program was built with.
///
/// # Errors
/// Where it may not or cannot listen there, or was left out.
pub async fn start_embedded(listen: SocketAddr) -> Result<Running, BrokerError> {
    if !listen.ip().is_loopback() {
        return Err(BrokerError::Open(listen));
    }
    #[cfg(feature = "embedded-broker")]
    return Embedded.start(listen).await;
    #[cfg(not(feature = "embedded-broker"))]
    Err(BrokerError::LeftOut)
}
