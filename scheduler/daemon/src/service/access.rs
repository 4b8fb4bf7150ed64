//! From the site file's settings to the way to the broker.

use super::{BrokerPlace, ServiceError};
use crate::link::{Access, Dialect, configure_tls};
use leeside_config::Site;
use leeside_config::wire::{Broker, Login, Protocol};

pub(super) fn access(site: &Site, place: &BrokerPlace) -> Result<Access, ServiceError> {
    let settings = &site.wire.broker;
    let (dialect, tls, login) = match &settings.broker {
        Broker::Embedded { .. } => (Dialect::Five, None, None),
        Broker::External {
            protocol,
            tls,
            login,
            ..
        } => {
            let dialect = match protocol {
                Protocol::V5 => Dialect::Five,
                Protocol::V311 => Dialect::ThreeOneOne,
            };
            let tls = tls.as_ref().map(configure_tls).transpose()?;
            (dialect, tls, login.as_ref().map(credentials).transpose()?)
        }
    };
    Ok(Access {
        host: place.host.clone(),
        port: place.port,
        client_id: settings.client_id.clone(),
        login,
        tls,
        keep_alive_s: settings.keep_alive_s,
        dialect,
    })
}

/// The password is the first line of its file: never in the site file, never in a log.
fn credentials(login: &Login) -> Result<(String, String), ServiceError> {
    let path = &login.password_file;
    let text = std::fs::read_to_string(path).map_err(|source| ServiceError::Password {
        path: path.clone(),
        source,
    })?;
    Ok((
        login.user.clone(),
        text.lines().next().unwrap_or_default().to_owned(),
    ))
}
