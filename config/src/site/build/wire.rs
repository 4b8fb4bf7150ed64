//! Broker, journal, page, and how each thing on the wire speaks.

use super::foreign::{contact, drives, form, sensor, two_states};
use crate::site::node::Node;
use crate::site::read::{Reader, Tree};
use crate::wire::{
    AlarmReceiver, AlarmWay, Broker, BrokerSettings, ContactWire, JournalSettings, Login,
    PageSettings, PageTls, Protocol, Tls, Url, Wire,
};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;

pub(crate) fn wire(reader: &mut Reader<'_>, tree: &Tree) -> Option<Wire> {
    let broker = broker(reader, tree);
    let page = page(reader, tree);
    let sensors: Vec<_> = tree
        .all("sensor")
        .iter()
        .map(|node| sensor(reader, node))
        .collect();
    let contacts: Vec<_> = tree
        .all("contact")
        .iter()
        .map(|node| contact(reader, node))
        .collect();
    let gateways: Vec<_> = tree
        .all("gateway")
        .iter()
        .map(|node| two_states(reader, node, ("present", "absent")))
        .collect();
    let forms: Vec<_> = tree
        .all("drive_form")
        .iter()
        .map(|node| form(reader, node))
        .collect();
    let drives = tree.all("device").iter().flat_map(drives).collect();
    let receivers: Vec<_> = tree
        .all("alarm_receiver")
        .iter()
        .map(|node| receiver(reader, node))
        .collect();
    Some(Wire {
        broker: broker?,
        journal: journal(reader, tree)?,
        alarm_receivers: receivers.into_iter().collect::<Option<_>>()?,
        page: page?,
        sensors: sensors.into_iter().collect::<Option<_>>()?,
        contacts: contacts
            .into_iter()
            .map(|form| Some(form?.map_or(ContactWire::Own, ContactWire::Foreign)))
            .collect::<Option<_>>()?,
        gateways: gateways.into_iter().collect::<Option<_>>()?,
        forms: forms.into_iter().collect::<Option<_>>()?,
        drives,
    })
}

fn broker(reader: &mut Reader<'_>, tree: &Tree) -> Option<BrokerSettings> {
    let Some(node) = tree.one("broker") else {
        let inside = "the one inside the daemon, on 127.0.0.1:1883, topics under leeside";
        reader.assume("[broker]", "embedded", inside, "Which broker is used.");
        return Some(BrokerSettings {
            broker: embedded(),
            root: "leeside".to_owned(),
            client_id: "leeside".to_owned(),
            keep_alive_s: 15,
        });
    };
    let root = node.text("root")?;
    if root.starts_with(['/', '$']) || root.ends_with('/') || root.contains(['+', '#', '\0']) {
        reader.error(
            &node.at("root"),
            format!("`root` is \"{root}\", which is no root for topics"),
            "no slash at either end, no `$` in front, no wildcard",
        );
    }
    let broker = match (node.table("external"), node.table("embedded")) {
        (Some(_), Some(embedded)) => {
            reader.error(
                &embedded.span,
                "[broker] has both `external` and `embedded`",
                "give one of them",
            );
            return None;
        }
        (Some(node), None) => external(reader, node)?,
        (None, Some(node)) => Broker::Embedded {
            listen: address(reader, node, "listen")?,
        },
        (None, None) => embedded(),
    };
    Some(BrokerSettings {
        broker,
        root: root.to_owned(),
        client_id: node.text("client_id")?.to_owned(),
        keep_alive_s: u16::try_from(node.whole("keep_alive_s")?).ok()?,
    })
}

fn embedded() -> Broker {
    Broker::Embedded {
        listen: SocketAddr::from((Ipv4Addr::LOCALHOST, 1883)),
    }
}

fn address(reader: &mut Reader<'_>, node: &Node, key: &str) -> Option<SocketAddr> {
    let text = node.text(key)?;
    match text.parse() {
        Ok(address) => Some(address),
        Err(_) => {
            reader.error(
                &node.at(key),
                format!("`{key}` is \"{text}\", expected an address with port"),
                "such as \"127.0.0.1:1883\", or \"[::1]:1883\"",
            );
            None
        }
    }
}

fn external(reader: &mut Reader<'_>, node: &Node) -> Option<Broker> {
    let host = node.text("host")?;
    if host.contains("://") || host.contains(char::is_whitespace) {
        reader.error(
            &node.at("host"),
            format!("`host` is \"{host}\", expected a bare host name or address"),
            "leave the scheme out; `port` and `tls` have keys of their own",
        );
    }
    let tls = match node.table("tls") {
        None => None,
        Some(tls) => Some(Tls {
            ca_file: PathBuf::from(tls.text("ca_file")?),
            client: client_certificate(reader, tls),
        }),
    };
    let login = match node.table("login") {
        None => None,
        Some(login) => Some(Login {
            user: login.text("user")?.to_owned(),
            password_file: PathBuf::from(login.text("password_file")?),
        }),
    };
    let protocol = if node.word("protocol")? == "5" {
        Protocol::V5
    } else {
        Protocol::V311
    };
    Some(Broker::External {
        host: host.to_owned(),
        port: u16::try_from(node.whole("port")?).ok()?,
        protocol,
        tls,
        login,
    })
}

fn client_certificate(reader: &mut Reader<'_>, tls: &Node) -> Option<(PathBuf, PathBuf)> {
    match (tls.text("certificate_file"), tls.text("key_file")) {
        (Some(certificate), Some(key)) => Some((PathBuf::from(certificate), PathBuf::from(key))),
        (None, None) => None,
        _ => {
            reader.error(
                &tls.span,
                "`certificate_file` and `key_file` belong together",
                "give both, or neither",
            );
            None
        }
    }
}

fn journal(reader: &mut Reader<'_>, tree: &Tree) -> Option<JournalSettings> {
    let Some(node) = tree.one("journal") else {
        let file = "leeside-journal.sqlite, beside the site file, everything kept";
        reader.assume(
            "[journal]",
            "file",
            file,
            "Where the durable record is kept.",
        );
        return Some(JournalSettings {
            file: PathBuf::from(crate::site::DEFAULT_JOURNAL),
            keep_days: 0,
            keep_mb: 0,
        });
    };
    Some(JournalSettings {
        file: PathBuf::from(node.text("file")?),
        keep_days: u32::try_from(node.whole("keep_days")?).ok()?,
        keep_mb: u32::try_from(node.whole("keep_mb")?).ok()?,
    })
}

fn receiver(reader: &mut Reader<'_>, node: &Node) -> Option<AlarmReceiver> {
    let way = match (node.texts("command"), node.text("webhook")) {
        (Some(_), Some(_)) | (None, None) => {
            if node.sound {
                reader.error(
                    &node.span,
                    format!("{} has to say how it is told", node.label),
                    "give `command` or `webhook`, one of them",
                );
            }
            return None;
        }
        (Some(words), None) => {
            for key in ["ca_file", "token_file"] {
                if node.has(key) {
                    reader.error(
                        &node.at(key),
                        format!("`{key}` is of no use to a command"),
                        "leave it out; it belongs to `webhook`",
                    );
                }
            }
            AlarmWay::Command(words.iter().map(|(word, _)| word.clone()).collect())
        }
        (None, Some(address)) => match Url::parse(address) {
            Ok(url) => AlarmWay::Webhook {
                url,
                ca_file: node.text("ca_file").map(PathBuf::from),
                token_file: node.text("token_file").map(PathBuf::from),
            },
            Err(why) => {
                reader.error(
                    &node.at("webhook"),
                    // The address itself is not repeated: it may hold a secret.
                    format!("`webhook` is no address to post to: {why}"),
                    "such as \"https://alarms.example/house\"",
                );
                return None;
            }
        },
    };
    Some(AlarmReceiver {
        name: node.text("name")?.to_owned(),
        way,
        timeout_s: u16::try_from(node.whole("timeout_s")?).ok()?,
    })
}

fn page(reader: &mut Reader<'_>, tree: &Tree) -> Option<PageSettings> {
    let Some(node) = tree.one("page") else {
        return Some(PageSettings {
            listen: None,
            people_file: None,
            tls: None,
            behind_proxy: false,
            weather_folder: PathBuf::new(),
        });
    };
    let listen = address(reader, node, "listen")?;
    let tls = match node.table("tls") {
        Some(node) => Some(PageTls {
            certificate_file: PathBuf::from(node.text("certificate_file")?),
            key_file: PathBuf::from(node.text("key_file")?),
            client_ca_file: node.text("client_ca_file").map(PathBuf::from),
        }),
        None => None,
    };
    let page = PageSettings {
        listen: Some(listen),
        people_file: node.text("people_file").map(PathBuf::from),
        tls,
        behind_proxy: node.flag("behind_proxy").unwrap_or(false),
        weather_folder: PathBuf::from(node.text("weather_folder").unwrap_or_default()),
    };
    // Whoever can reach the machine could look and ask, and read passwords on the way.
    if !listen.ip().is_loopback() && page.people_file.is_none() {
        reader.error(
            &node.at("listen"),
            format!(
                "the page would listen on {listen}, for everybody there, with nobody signed in"
            ),
            "name a `people_file`, or listen on the loopback interface, such as \"127.0.0.1:8080\"",
        );
    }
    if !listen.ip().is_loopback() && page.tls.is_none() && !page.behind_proxy {
        reader.error(
            &node.at("listen"),
            format!(
                "the page would listen on {listen} without TLS: passwords could be read on the way"
            ),
            "give `tls`, or say `behind_proxy = true` where a proxy in front speaks TLS",
        );
    }
    Some(page)
}
