//! What a site file says about the way to plant, sensors and people: broker,
//! foreign topics and message forms, journal, page. Plain values; the daemon
//! gives them life. The decision core never sees them.

use std::net::SocketAddr;
use std::path::PathBuf;

/// Everything beside the model that the daemon needs of a site file.
#[derive(Clone, PartialEq, Debug)]
pub struct Wire {
    /// The broker, and our place on it.
    pub broker: BrokerSettings,
    /// The journal file.
    pub journal: JournalSettings,
    /// Who else is told of alarms.
    pub alarm_receivers: Vec<AlarmReceiver>,
    /// The page.
    pub page: PageSettings,
    /// How each sensor speaks, in the order of the model's sensors.
    pub sensors: Vec<SensorWire>,
    /// How each contact speaks, in the order of the model's contacts.
    pub contacts: Vec<ContactWire>,
    /// How each gateway says that it is there, in the order of the model's gateways.
    pub gateways: Vec<Option<ContactForm>>,
    /// The message forms of foreign plants.
    pub forms: Vec<DriveForm>,
    /// How each device's drive is spoken to, in the order of the model's devices.
    pub drives: Vec<DriveWire>,
}

/// The broker, and our place on it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BrokerSettings {
    /// Which broker.
    pub broker: Broker,
    /// Root of our own topic tree, without a slash at either end.
    pub root: String,
    /// Client identifier towards the broker.
    pub client_id: String,
    /// A sign of life at least this often, s (MQTT keep-alive, 5 or more).
    pub keep_alive_s: u16,
}

/// Which broker is used.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Broker {
    /// The one inside the daemon.
    Embedded {
        /// Where it listens.
        listen: SocketAddr,
    },
    /// One that runs elsewhere.
    External {
        /// Host name or address.
        host: String,
        /// Port.
        port: u16,
        /// Protocol version to speak.
        protocol: Protocol,
        /// TLS, where the broker asks for it.
        tls: Option<Tls>,
        /// User name and password, where the broker asks for them.
        login: Option<Login>,
    },
}

/// MQTT protocol version.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Protocol {
    /// MQTT 5.
    V5,
    /// MQTT 3.1.1, for brokers without 5.
    V311,
}

/// TLS towards the broker.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Tls {
    /// Certificates (PEM) that may vouch for the broker.
    pub ca_file: PathBuf,
    /// Our own certificate and key (PEM), where the broker asks for them.
    pub client: Option<(PathBuf, PathBuf)>,
}

/// User name and the file that holds the password: a password never stands in
/// the site file itself.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Login {
    /// User name.
    pub user: String,
    /// File whose first line is the password.
    pub password_file: PathBuf,
}

/// The journal file.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct JournalSettings {
    /// Where it is kept.
    pub file: PathBuf,
    /// Days to keep; older entries are deleted. 0: all.
    pub keep_days: u32,
    /// Size of the file, MB (10⁶ bytes), above which the oldest entries are deleted. 0: no bound.
    pub keep_mb: u32,
}

/// Somebody beside the broker who is told of alarms.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct AlarmReceiver {
    /// What people call it.
    pub name: String,
    /// How it is told.
    pub way: AlarmWay,
    /// One that takes longer has failed, s.
    pub timeout_s: u16,
}

/// How a receiver of alarms is told.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum AlarmWay {
    /// A program and its arguments, the message on its standard input.
    Command(Vec<String>),
    /// A web server, to which the message is posted.
    Webhook {
        /// Where.
        url: Url,
        /// Certificates (PEM) that may vouch for it; none: those that the machine trusts.
        ca_file: Option<PathBuf>,
        /// File whose first line is a bearer token.
        token_file: Option<PathBuf>,
    },
}

/// An http or https address, taken apart.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Url {
    /// Whether the line is encrypted (https).
    pub tls: bool,
    /// Host name or address, without brackets.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Path and query, beginning with a slash.
    pub target: String,
}

impl Url {
    /// Takes an address apart (RFC 3986 §3, as far as http has use for it).
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn parse(text: &str) -> Result<Self, &'static str> {
        let (tls, rest) = match (text.strip_prefix("https://"), text.strip_prefix("http://")) {
            (Some(rest), _) => (true, rest),
            (None, Some(rest)) => (false, rest),
            (None, None) => return Err("it begins with http:// or https://"),
        };
        if !text.is_ascii() || text.contains(|c: char| c.is_ascii_control() || c == ' ') {
            return Err("spaces and other than ASCII characters are written as %XX");
        }
        if rest.contains('#') {
            return Err("a part after # is never sent: leave it out");
        }
        let end = rest.find(['/', '?']).unwrap_or(rest.len());
        let (place, target) = rest.split_at(end);
        if place.contains('@') {
            return Err("names and passwords have no place in it: use `token_file`");
        }
        let (host, port) = match place.strip_prefix('[') {
            Some(six) => {
                let Some((host, port)) = six.split_once(']') else {
                    return Err("the bracket of its IPv6 address is not closed");
                };
                (host, port.strip_prefix(':'))
            }
            None => match place.split_once(':') {
                Some((host, port)) => (host, Some(port)),
                None => (place, None),
            },
        };
        if host.is_empty() {
            return Err("it names no host");
        }
        let port = match port {
            None => {
                if tls {
                    443
                } else {
                    80
                }
            }
            Some(port) => port
                .parse()
                .map_err(|_| "its port is no number up to 65535")?,
        };
        Ok(Self {
            tls,
            host: host.to_owned(),
            port,
            target: match target {
                "" => "/".to_owned(),
                query if query.starts_with('?') => format!("/{query}"),
                path => path.to_owned(),
            },
        })
    }
}

/// The page.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PageSettings {
    /// Where it listens; `None`: no page.
    pub listen: Option<SocketAddr>,
    /// File with the people who may sign in; `None`: the page only shows.
    pub people_file: Option<PathBuf>,
    /// Certificate and key, where the page speaks TLS by itself.
    pub tls: Option<PageTls>,
    /// Whether a proxy in front speaks TLS with the browsers, and its word about
    /// their addresses (`X-Forwarded-For`) is taken.
    pub behind_proxy: bool,
    /// Folder with weather files to choose from; without one in the site file, that
    /// of the site file itself.
    pub weather_folder: PathBuf,
}

/// The page's own certificate and key.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PageTls {
    /// The certificate and what vouches for it (PEM).
    pub certificate_file: PathBuf,
    /// Its key (PEM).
    pub key_file: PathBuf,
    /// Who vouches for browsers (PEM): with it, nobody without a certificate gets
    /// as far as the password.
    pub client_ca_file: Option<PathBuf>,
}

/// How a sensor speaks.
#[derive(Clone, PartialEq, Debug)]
pub enum SensorWire {
    /// In our own form, on our own topic.
    Own,
    /// In its own form: one or more parts.
    Foreign {
        /// Each a topic and where the number stands in its messages.
        parts: Vec<SensorPart>,
        /// Where the moment of measuring stands in the message, if it does.
        time: Option<TimePart>,
    },
}

/// Which part of a reading a foreign message carries.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Quantity {
    /// The only value of a sensor that measures one thing.
    Value,
    /// Gust, m/s.
    Gust,
    /// Mean wind, m/s.
    Mean,
    /// Direction the wind blows from, degrees.
    Direction,
}

/// Where a number stands in foreign messages, and how it becomes ours:
/// `ours = theirs * factor + offset`.
#[derive(Clone, PartialEq, Debug)]
pub struct SensorPart {
    /// What it is.
    pub quantity: Quantity,
    /// The topic.
    pub topic: String,
    /// JSON Pointer (RFC 6901) into the message; `None`: the whole message is the number.
    pub pointer: Option<String>,
    /// Factor, the unit's conversion included.
    pub factor: f64,
    /// Offset after the factor, for °F.
    pub offset: f64,
}

/// Where the moment of measuring stands in a foreign message.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TimePart {
    /// JSON Pointer (RFC 6901).
    pub pointer: String,
    /// How it is written.
    pub form: TimeForm,
}

/// How a moment is written in a foreign message.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TimeForm {
    /// RFC 3339 with offset.
    Rfc3339,
    /// Seconds since 1970-01-01T00:00Z.
    UnixS,
    /// Milliseconds since 1970-01-01T00:00Z.
    UnixMs,
}

/// How a contact speaks.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ContactWire {
    /// In our own form, on our own topic.
    Own,
    /// In its own form.
    Foreign(ContactForm),
}

/// A foreign message with two states.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ContactForm {
    /// The topic.
    pub topic: String,
    /// JSON Pointer (RFC 6901) into the message; `None`: the whole message.
    pub pointer: Option<String>,
    /// What it says when active (open, alarm, occupied, pressed; for a gateway: there).
    pub active: String,
    /// What it says when not.
    pub inactive: String,
}

/// How a foreign plant is spoken to. In topics and messages these stand for
/// the command's own values: see [`PLACEHOLDERS`].
#[derive(Clone, PartialEq, Debug)]
pub struct DriveForm {
    /// What the site file calls it.
    pub name: String,
    /// Topic and message that send a drive to a pose.
    pub pose: (String, String),
    /// Topic and message that halt a drive, where the plant has one.
    pub halt: Option<(String, String)>,
    /// How the plant reports.
    pub report: Option<ReportForm>,
}

/// The placeholders that topics and messages of a [`DriveForm`] may hold, each
/// with what stands in its place.
pub const PLACEHOLDERS: [(&str, &str); 8] = [
    ("device", "name of the device"),
    (
        "address",
        "address of the drive, its device's name where none is given",
    ),
    ("group", "name of the group"),
    ("extension_pct", "extension, 0 retracted to 100 extended"),
    (
        "retraction_pct",
        "100 minus the extension, for plants that count the other way",
    ),
    (
        "tilt_deg",
        "tilt in degrees, 0 horizontal, positive outer edge down; 0 without slats",
    ),
    ("start_delay_ms", "milliseconds to wait before starting"),
    ("sequence", "number of the command"),
];

/// A number in a drive's report, and how it becomes ours:
/// `ours = theirs * factor + offset`.
#[derive(Clone, PartialEq, Debug)]
pub struct ReportPart {
    /// JSON Pointer (RFC 6901); the empty one is the whole message.
    pub pointer: String,
    /// Factor; -1 with an offset of 100 for a plant that counts from extended to retracted.
    pub factor: f64,
    /// Offset after the factor.
    pub offset: f64,
}

/// How a foreign plant reports of a drive.
#[derive(Clone, PartialEq, Debug)]
pub struct ReportForm {
    /// The topic, with `{address}` or `{device}` in it.
    pub topic: String,
    /// The extension; becomes %, 0 retracted to 100 extended.
    pub extension: Option<ReportPart>,
    /// The tilt; becomes degrees, 0 horizontal, positive outer edge down.
    pub tilt: Option<ReportPart>,
    /// The electrical power; becomes W.
    pub power: Option<ReportPart>,
    /// The current; becomes A.
    pub current: Option<ReportPart>,
    /// JSON Pointer to a flag that is true while the drive runs.
    pub moving: Option<String>,
    /// JSON Pointer to a flag that is true when the drive cannot move.
    pub fault: Option<String>,
}

/// How one drive is spoken to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum DriveWire {
    /// In our own form, on our own topics.
    Own,
    /// In a foreign form.
    Foreign {
        /// Index into [`Wire::forms`].
        form: usize,
        /// What stands for `{address}`.
        address: String,
    },
}

impl Wire {
    /// Makes relative paths lie in `folder`.
    pub(crate) fn lie_in(&mut self, folder: &std::path::Path) {
        let place = |path: &mut PathBuf| *path = folder.join(&path);
        place(&mut self.journal.file);
        if let Some(file) = &mut self.page.people_file {
            place(file);
        }
        place(&mut self.page.weather_folder);
        if let Some(tls) = &mut self.page.tls {
            place(&mut tls.certificate_file);
            place(&mut tls.key_file);
            if let Some(file) = &mut tls.client_ca_file {
                place(file);
            }
        }
        for receiver in &mut self.alarm_receivers {
            if let AlarmWay::Webhook {
                ca_file,
                token_file,
                ..
            } = &mut receiver.way
            {
                ca_file.iter_mut().chain(token_file).for_each(place);
            }
        }
        if let Broker::External { tls, login, .. } = &mut self.broker.broker {
            if let Some(tls) = tls {
                place(&mut tls.ca_file);
                if let Some((certificate, key)) = &mut tls.client {
                    place(certificate);
                    place(key);
                }
            }
            if let Some(login) = login {
                place(&mut login.password_file);
            }
        }
    }
}
