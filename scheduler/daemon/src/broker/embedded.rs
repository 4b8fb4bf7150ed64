//! The embedded broker: the crate `mqtt5`, with its defaults made safe.

use super::{Broker, BrokerError, Running};
use mqtt5::broker::MqttBroker;
use mqtt5::broker::config::{AuthConfig, BrokerConfig, StorageBackend, StorageConfig};
use std::net::SocketAddr;
use std::pin::Pin;
use std::time::Duration;

/// Larger packets are refused, bytes.
const LARGEST_PACKET: usize = 256 * 1024;
/// More clients than a building has; fewer than would exhaust the machine.
const MOST_CLIENTS: usize = 500;
/// Retained messages in all, against a client that invents topics.
const MOST_RETAINED: usize = 100_000;
/// A session is kept so long after its client went away.
const SESSION: Duration = Duration::from_secs(3_600);

/// The embedded broker.
#[derive(Clone, Copy, Debug, Default)]
pub struct Embedded;

impl Broker for Embedded {
    fn start(
        &self,
        listen: SocketAddr,
    ) -> Pin<Box<dyn Future<Output = Result<Running, BrokerError>> + Send>> {
        Box::pin(async move {
            let refused = |error: mqtt5::error::MqttError| BrokerError::Bind {
                listen,
                why: error.to_string(),
            };
            let mut broker = MqttBroker::with_config(config(listen))
                .await
                .map_err(refused)?;
            let listens = broker.local_addr().unwrap_or(listen);
            let handle = broker.shutdown_handle();
            let mut ready = broker.ready_receiver();
            let ended = tokio::spawn(async move {
                if let Err(error) = broker.run().await {
                    tracing::error!(%error, "the embedded broker has ended");
                }
            });
            // An error means that the broker has ended at once, which is logged above.
            let _ = ready.wait_for(|ready| *ready).await;
            Ok(Running {
                listens,
                stop: Some(Box::new(move || handle.shutdown())),
                ended: Some(ended),
            })
        })
    }
}

/// The crate's defaults listen on every interface and write into the working
/// folder; every setting that matters is stated here.
fn config(listen: SocketAddr) -> BrokerConfig {
    let storage = StorageConfig::default()
        .with_backend(StorageBackend::Memory)
        .with_max_queued_messages_per_client(1_000)
        .with_max_queued_bytes_per_client(4 * 1024 * 1024);
    BrokerConfig::default()
        .with_bind_address(listen)
        // Loopback only (see `start_embedded`): who is on the machine is in already.
        .with_auth(AuthConfig::default().with_allow_anonymous(true))
        .with_storage(storage)
        .with_max_clients(MOST_CLIENTS)
        .with_max_packet_size(LARGEST_PACKET)
        .with_max_retained_messages(MOST_RETAINED)
        .with_session_expiry(SESSION)
        .with_sys_topics_enabled(false)
}
