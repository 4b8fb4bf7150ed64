//! Taking connections: plain or with TLS, so many at a time, none for ever silent.

use crate::house::{House, Options};
use crate::pages;
use axum::extract::connect_info::Connected;
use axum::serve::{IncomingStream, Listener};
use core::future::Future;
use leeside_config::wire::PageTls;
use rustls::crypto::CryptoProvider;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::server::danger::ClientCertVerifier;
use rustls::{RootCertStore, ServerConfig};
use std::io;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio::time::{Instant, Sleep};

/// Connections at once. More wait in the system's queue.
const MOST_CONNECTIONS: usize = 512;
/// A connection on which nothing goes either way for so long is closed. Open event
/// streams have a sign of life much more often.
const SILENT: Duration = Duration::from_secs(60);
/// A TLS handshake takes at most so long.
const HANDSHAKE: Duration = Duration::from_secs(10);
/// After a failure to listen it is tried again after this.
const AGAIN: Duration = Duration::from_secs(10);
/// Requests under way are waited for at most so long at the end.
const GOODBYE: Duration = Duration::from_secs(2);

/// Why the page cannot be served.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// The address is taken, or not this machine's.
    #[error("the page cannot listen on {address}: {source}")]
    Address {
        /// Where it should listen.
        address: SocketAddr,
        /// The system's reason.
        source: io::Error,
    },
    /// Certificate or key.
    #[error("the page's TLS: {path} holds no {what} that can be read: {why}; expected PEM")]
    File {
        /// The file.
        path: PathBuf,
        /// What should be in it.
        what: &'static str,
        /// What is wrong.
        why: String,
    },
    /// Certificate and key do not belong together.
    #[error("the page's certificate and key cannot be used: {0}")]
    Pair(#[from] rustls::Error),
}

/// Serves the page until told to stop. What keeps it from listening is logged and
/// tried again: the house is looked after all the same.
pub async fn run(options: Options) {
    let Some(address) = options.settings.listen else {
        return;
    };
    let mut stop = options.stop.clone();
    loop {
        match open(&options, address).await {
            Ok(door) => {
                let scheme = if options.settings.tls.is_some() {
                    "https"
                } else {
                    "http"
                };
                tracing::info!("the page is at {scheme}://{}/", door.bound);
                serve(options, door).await;
                return;
            }
            Err(error) => tracing::error!("{error}; it is tried again"),
        }
        tokio::select! {
            _ = stop.wait_for(|stop| *stop) => return,
            () = tokio::time::sleep(AGAIN) => {}
        }
    }
}

async fn open(options: &Options, address: SocketAddr) -> Result<Entrance, PageError> {
    let tls = options
        .settings
        .tls
        .as_ref()
        .map(server_config)
        .transpose()?;
    let failed = |source| PageError::Address { address, source };
    let listener = TcpListener::bind(address).await.map_err(failed)?;
    let bound = listener.local_addr().map_err(failed)?;
    let (handshaken, ready) = mpsc::channel(16);
    tokio::spawn(take(listener, tls, handshaken));
    Ok(Entrance { bound, ready })
}

async fn serve(options: Options, entrance: Entrance) {
    let mut stop = options.stop.clone();
    let house = House::new(options);
    let following = tokio::spawn(crate::live::follow(Arc::clone(&house)));
    let service = pages::router(&house).into_make_service_with_connect_info::<PeerAddress>();
    let stopped = {
        let mut stop = stop.clone();
        async move {
            // An error means that nobody is left who could say stop: so stop.
            let _ = stop.wait_for(|stop| *stop).await;
        }
    };
    let serving = axum::serve(entrance, service).with_graceful_shutdown(stopped);
    let late = async {
        let _ = stop.wait_for(|stop| *stop).await;
        tokio::time::sleep(GOODBYE).await;
    };
    tokio::select! {
        served = async { serving.await } => {
            if let Err(error) = served {
                tracing::error!(%error, "the page has ended");
            }
        }
        () = late => {}
    }
    following.abort();
}

fn server_config(tls: &PageTls) -> Result<Arc<ServerConfig>, PageError> {
    let refused = |path: &Path, what, why: String| PageError::File {
        path: path.to_owned(),
        what,
        why,
    };
    let cert = |why: rustls::pki_types::pem::Error| {
        refused(&tls.certificate_file, "certificate", why.to_string())
    };
    let chain: Vec<CertificateDer<'static>> = CertificateDer::pem_file_iter(&tls.certificate_file)
        .map_err(cert)?
        .collect::<Result<_, _>>()
        .map_err(cert)?;
    if chain.is_empty() {
        return Err(refused(
            &tls.certificate_file,
            "certificate",
            "it is empty".to_owned(),
        ));
    }
    let key = PrivateKeyDer::from_pem_file(&tls.key_file)
        .map_err(|why| refused(&tls.key_file, "private key", why.to_string()))?;
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ServerConfig::builder_with_provider(Arc::clone(&provider))
        .with_safe_default_protocol_versions()?;
    let builder = match &tls.client_ca_file {
        None => builder.with_no_client_auth(),
        Some(path) => builder.with_client_cert_verifier(vouched_for(path, provider)?),
    };
    let mut config = builder.with_single_cert(chain, key)?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(Arc::new(config))
}

/// Lets in whom the authorities of a file vouch for.
fn vouched_for(
    path: &Path,
    provider: Arc<CryptoProvider>,
) -> Result<Arc<dyn ClientCertVerifier>, PageError> {
    let refused = |why: String| PageError::File {
        path: path.to_owned(),
        what: "authority for browsers",
        why,
    };
    let mut roots = RootCertStore::empty();
    for one in CertificateDer::pem_file_iter(path).map_err(|why| refused(why.to_string()))? {
        let one = one.map_err(|why| refused(why.to_string()))?;
        roots.add(one).map_err(|why| refused(why.to_string()))?;
    }
    WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider)
        .build()
        .map_err(|why| refused(why.to_string()))
}

/// Takes connections for ever; each shakes hands in a task of its own, so that a
/// slow one keeps nobody waiting.
async fn take(listener: TcpListener, tls: Option<Arc<ServerConfig>>, ready: mpsc::Sender<Ready>) {
    let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    let acceptor = tls.map(tokio_rustls::TlsAcceptor::from);
    loop {
        let Ok(permit) = Arc::clone(&room).acquire_owned().await else {
            return;
        };
        let (stream, peer) = tokio::select! {
            () = ready.closed() => return,
            accepted = listener.accept() => match accepted {
                Ok(accepted) => accepted,
                Err(error) => {
                    // Out of files, most likely: wait for some to be closed.
                    tracing::warn!(%error, "the page cannot take a connection");
                    tokio::time::sleep(Duration::from_millis(500)).await;
                    continue;
                }
            },
        };
        // Small answers leave at once; where that cannot be set they leave later.
        let _ = stream.set_nodelay(true);
        let (ready, acceptor) = (ready.clone(), acceptor.clone());
        tokio::spawn(async move {
            let line = match acceptor {
                None => Line::Plain(stream),
                Some(acceptor) => {
                    match tokio::time::timeout(HANDSHAKE, acceptor.accept(stream)).await {
                        Ok(Ok(stream)) => Line::Tls(Box::new(stream)),
                        Ok(Err(_)) | Err(_) => return,
                    }
                }
            };
            // The page has ended meanwhile: so does the connection.
            let _ = ready.send((Attended::new(line, permit), peer)).await;
        });
    }
}

type Ready = (Attended, SocketAddr);

/// Where ready connections come from.
struct Entrance {
    bound: SocketAddr,
    ready: mpsc::Receiver<Ready>,
}

impl Listener for Entrance {
    type Io = Attended;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> Ready {
        match self.ready.recv().await {
            Some(ready) => ready,
            None => core::future::pending().await,
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        Ok(self.bound)
    }
}

impl Connected<IncomingStream<'_, Entrance>> for PeerAddress {
    fn connect_info(stream: IncomingStream<'_, Entrance>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// The address of whoever is at the other end.
#[derive(Clone, Copy, Debug)]
pub struct PeerAddress(pub SocketAddr);

enum Line {
    Plain(TcpStream),
    Tls(Box<tokio_rustls::server::TlsStream<TcpStream>>),
}

/// A connection that is closed when it has been silent for too long.
struct Attended {
    line: Line,
    silent: Pin<Box<Sleep>>,
    _room: OwnedSemaphorePermit,
}

impl Attended {
    fn new(line: Line, room: OwnedSemaphorePermit) -> Self {
        Self {
            line,
            silent: Box::pin(tokio::time::sleep(SILENT)),
            _room: room,
        }
    }

    /// Something went over the line, or nothing did and its time may be over.
    fn attend<T>(
        &mut self,
        cx: &mut Context<'_>,
        poll: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if poll.is_ready() {
            self.silent.as_mut().reset(Instant::now() + SILENT);
            return poll;
        }
        match self.silent.as_mut().poll(cx) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Attended {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let poll = match &mut self.line {
            Line::Plain(stream) => Pin::new(stream).poll_read(cx, into),
            Line::Tls(stream) => Pin::new(stream).poll_read(cx, into),
        };
        self.attend(cx, poll)
    }
}

impl AsyncWrite for Attended {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let poll = match &mut self.line {
            Line::Plain(stream) => Pin::new(stream).poll_write(cx, bytes),
            Line::Tls(stream) => Pin::new(stream).poll_write(cx, bytes),
        };
        self.attend(cx, poll)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut self.line {
            Line::Plain(stream) => Pin::new(stream).poll_flush(cx),
            Line::Tls(stream) => Pin::new(stream).poll_flush(cx),
        }
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match &mut self.line {
            Line::Plain(stream) => Pin::new(stream).poll_shutdown(cx),
            Line::Tls(stream) => Pin::new(stream).poll_shutdown(cx),
        }
    }
}
