//! A web server to which the message is posted: HTTP/1.1 (RFC 9112), as much of
//! it as one POST takes. The connection serves once, redirects are failures, and
//! of the answer only its status counts.

use crate::link::certificates;
use leeside_config::wire::Url;
use rustls::pki_types::ServerName;
use rustls::{ClientConfig, RootCertStore};
use std::path::Path;
use std::sync::Arc;
use tokio::io::{AsyncBufReadExt, AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt, BufReader};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;

/// A longer first line is no answer, bytes.
const LONGEST_LINE: u64 = 1_024;

/// Posts it once; `ca_file` and `token_file` as the site file has them.
pub(super) async fn post(
    url: &Url,
    (ca_file, token_file): (Option<&Path>, Option<&Path>),
    message: &Arc<str>,
) -> Result<(), String> {
    let request = request(url, token_file, message)?;
    let stream = TcpStream::connect((url.host.as_str(), url.port))
        .await
        .map_err(|error| format!("{}:{} cannot be reached: {error}", url.host, url.port))?;
    if !url.tls {
        return exchange(stream, &request).await;
    }
    let name = ServerName::try_from(url.host.clone())
        .map_err(|_| format!("{} is no name that a certificate can be for", url.host))?;
    let ca_file = ca_file.map(Path::to_owned);
    let config = tokio::task::spawn_blocking(move || trust(ca_file.as_deref()))
        .await
        .map_err(|error| error.to_string())??;
    let stream = TlsConnector::from(Arc::new(config))
        .connect(name, stream)
        .await
        .map_err(|error| format!("no TLS with {}: {error}", url.host))?;
    exchange(stream, &request).await
}

fn request(url: &Url, token_file: Option<&Path>, message: &str) -> Result<String, String> {
    let host = if url.host.contains(':') {
        format!("[{}]", url.host)
    } else {
        url.host.clone()
    };
    let standard = if url.tls { 443 } else { 80 };
    let port = if url.port == standard {
        String::new()
    } else {
        format!(":{}", url.port)
    };
    let token = match token_file {
        None => String::new(),
        Some(path) => {
            let text = std::fs::read_to_string(path)
                .map_err(|error| format!("{} cannot be read: {error}", path.display()))?;
            let token = text.lines().next().unwrap_or_default().trim();
            if token.is_empty() || !token.chars().all(|c| c.is_ascii_graphic()) {
                return Err(format!("{} holds no token", path.display()));
            }
            format!("Authorization: Bearer {token}\r\n")
        }
    };
    Ok(format!(
        "POST {} HTTP/1.1\r\nHost: {host}{port}\r\nUser-Agent: leeside/{}\r\nContent-Type: application/json\r\nContent-Length: {}\r\n{token}Connection: close\r\n\r\n{message}",
        url.target,
        env!("CARGO_PKG_VERSION"),
        message.len(),
    ))
}

async fn exchange(
    stream: impl AsyncRead + AsyncWrite + Unpin,
    request: &str,
) -> Result<(), String> {
    let (reader, mut writer) = tokio::io::split(stream);
    let sent = async {
        writer.write_all(request.as_bytes()).await?;
        writer.flush().await
    };
    sent.await.map_err(|error| format!("it hung up: {error}"))?;
    let mut line = Vec::new();
    BufReader::new(reader.take(LONGEST_LINE))
        .read_until(b'\n', &mut line)
        .await
        .map_err(|error| format!("it hung up: {error}"))?;
    match status(&line) {
        Some(200..=299) => Ok(()),
        Some(other) => Err(format!("it answers {other}")),
        None => Err("it does not speak HTTP".to_owned()),
    }
}

/// The status of `HTTP/1.1 204 No Content`.
fn status(line: &[u8]) -> Option<u16> {
    let line = core::str::from_utf8(line).ok()?;
    let rest = line.strip_prefix("HTTP/1.")?;
    rest.split_ascii_whitespace().nth(1)?.parse().ok()
}

fn trust(ca_file: Option<&Path>) -> Result<ClientConfig, String> {
    let mut roots = RootCertStore::empty();
    match ca_file {
        Some(path) => {
            for certificate in certificates(path).map_err(|error| error.to_string())? {
                roots.add(certificate).map_err(|error| error.to_string())?;
            }
        }
        None => {
            let found = rustls_native_certs::load_native_certs();
            let (taken, _) = roots.add_parsable_certificates(found.certs);
            if taken == 0 {
                return Err(
                    "this machine trusts no certificates: name some with ca_file".to_owned(),
                );
            }
        }
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?
        .with_root_certificates(roots)
        .with_no_client_auth();
    Ok(config)
}
