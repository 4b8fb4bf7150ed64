//! TLS towards the broker: rustls with ring, certificates in PEM files.

use leeside_config::wire::Tls;
use rumqttc::TlsConfiguration;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ClientConfig, RootCertStore};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Why TLS cannot be set up.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file cannot be read, or holds nothing of the kind.
    #[error("{path} holds no {what} that can be read: {why}; expected PEM")]
    File {
        /// The file.
        path: PathBuf,
        /// What should be in it.
        what: &'static str,
        /// What is wrong.
        why: String,
    },
    /// Certificate and key do not make a pair, or are of a kind that is not known.
    #[error("certificate and key cannot be used: {0}")]
    Unusable(#[from] rustls::Error),
}

/// The settings of a connection.
///
/// # Errors
/// Where a file cannot be read or holds something else.
pub fn configure(tls: &Tls) -> Result<TlsConfiguration, TlsError> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates(&tls.ca_file)? {
        roots.add(certificate)?;
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots);
    let config = match &tls.client {
        None => builder.with_no_client_auth(),
        Some((certificate, key)) => {
            let file = |why: rustls::pki_types::pem::Error| TlsError::File {
                path: key.clone(),
                what: "private key",
                why: why.to_string(),
            };
            let private = PrivateKeyDer::from_pem_file(key).map_err(file)?;
            builder.with_client_auth_cert(certificates(certificate)?, private)?
        }
    };
    Ok(TlsConfiguration::Rustls(Arc::new(config)))
}

/// The certificates of a PEM file.
pub(crate) fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let refused = |why: String| TlsError::File {
        path: path.to_owned(),
        what: "certificate",
        why,
    };
    let found: Result<Vec<_>, _> = CertificateDer::pem_file_iter(path)
        .map_err(|error| refused(error.to_string()))?
        .collect();
    let found = found.map_err(|error| refused(error.to_string()))?;
    if found.is_empty() {
        return Err(refused("it is empty".to_owned()));
    }
    Ok(found)
}
