//! The topic tree under the root.

use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::Model;

/// A name as one level of a topic: what MQTT gives a meaning (`/`, `+`, `#`,
/// control characters) and `%` itself are written as `%` and two hexadecimal
/// digits per byte (as RFC 3986 §2.1 has it); all else, spaces too, stays.
#[must_use]
pub fn segment(name: &str) -> String {
    let mut out = String::with_capacity(name.len());
    for c in name.chars() {
        if matches!(c, '/' | '+' | '#' | '%') || c.is_control() {
            let mut bytes = [0; 4];
            for byte in c.encode_utf8(&mut bytes).bytes() {
                out.push_str(&format!("%{byte:02X}"));
            }
        } else {
            out.push(c);
        }
    }
    out
}

/// Builds the topics of a site.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Topics {
    root: String,
}

impl Topics {
    /// The tree under `root` (one or more levels; slashes at its ends do not count).
    #[must_use]
    pub fn new(root: &str) -> Self {
        Self {
            root: root.trim_matches('/').to_owned(),
        }
    }

    /// The root itself.
    #[must_use]
    pub fn root(&self) -> &str {
        &self.root
    }

    /// The topics that are listened to.
    #[must_use]
    pub fn subscriptions(&self) -> Vec<String> {
        [
            "sensor/+",
            "contact/+",
            "drive/+/report",
            "gateway/+",
            "request",
            "room/+/request",
        ]
        .iter()
        .map(|rest| format!("{}/{rest}", self.root))
        .collect()
    }

    /// Sign of life and last will.
    #[must_use]
    pub fn service(&self) -> String {
        format!("{}/service", self.root)
    }

    /// The beat by which plants notice that the service is gone.
    #[must_use]
    pub fn heartbeat(&self) -> String {
        format!("{}/service/heartbeat", self.root)
    }

    /// The head of the journal's chain.
    #[must_use]
    pub fn journal(&self) -> String {
        format!("{}/service/journal", self.root)
    }

    /// Something of a group: `command`, `pose`, `lockout`, `announce`.
    #[must_use]
    pub fn group(&self, model: &Model, group: GroupId, what: &str) -> String {
        let name = segment(&model.group(group).name);
        [&self.root, "/group/", &name, "/", what].concat()
    }

    /// Something of a drive: `report`.
    #[must_use]
    pub fn drive(&self, model: &Model, device: DeviceId, what: &str) -> String {
        let name = segment(&model.device(device).name);
        [&self.root, "/drive/", &name, "/", what].concat()
    }

    /// An alarm by its key; the key's own levels stay levels.
    #[must_use]
    pub fn alarm(&self, key: &str) -> String {
        let levels: Vec<String> = key.split('/').map(segment).collect();
        format!("{}/alarm/{}", self.root, levels.join("/"))
    }

    /// Where refusals of requests go.
    #[must_use]
    pub fn refused(&self) -> String {
        format!("{}/request/refused", self.root)
    }

    /// Readings of a sensor.
    #[must_use]
    pub fn sensor(&self, name: &str) -> String {
        format!("{}/sensor/{}", self.root, segment(name))
    }

    /// States of a contact.
    #[must_use]
    pub fn contact(&self, name: &str) -> String {
        format!("{}/contact/{}", self.root, segment(name))
    }

    /// Presence of a gateway.
    #[must_use]
    pub fn gateway(&self, name: &str) -> String {
        format!("{}/gateway/{}", self.root, segment(name))
    }

    /// Requests of the centre.
    #[must_use]
    pub fn request(&self) -> String {
        format!("{}/request", self.root)
    }

    /// Requests of a room.
    #[must_use]
    pub fn room_request(&self, name: &str) -> String {
        format!("{}/room/{}/request", self.root, segment(name))
    }
}
