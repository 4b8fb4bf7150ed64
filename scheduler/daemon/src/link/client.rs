//! One connection, in MQTT 5 or 3.1.1: rumqttc has a client for each, this
//! makes them one.

use crate::wire::Message;
use rumqttc::v5::mqttbytes::v5 as five;
use rumqttc::{Outgoing, QoS, TlsConfiguration, Transport, v5};
use std::time::Duration;

/// Messages under way at a time: what mosquitto allows by default.
pub(super) const WINDOW: u16 = 20;
/// Larger packets are not taken, bytes. MQTT 5 tells the broker so; with 3.1.1
/// a larger packet ends the connection.
const LARGEST_PACKET: u32 = 256 * 1024;
/// An unanswered attempt to connect ends after this, s.
const PATIENCE_S: u64 = 5;
/// Room for requests to the client: the window and the subscriptions.
const ROOM: usize = WINDOW as usize + 64;

/// Which version of the protocol.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Dialect {
    /// MQTT 5.
    Five,
    /// MQTT 3.1.1.
    ThreeOneOne,
}

/// How to get to the broker.
#[derive(Clone)]
pub struct Access {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// Who we are to it.
    pub client_id: String,
    /// User and password.
    pub login: Option<(String, String)>,
    /// TLS.
    pub tls: Option<TlsConfiguration>,
    /// At least this often something passes in each direction, s; 5 or more.
    pub keep_alive_s: u16,
    /// The version to begin with; the other is tried where the broker lacks it.
    pub dialect: Dialect,
}

impl core::fmt::Debug for Access {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Access")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("client_id", &self.client_id)
            .field("login", &self.login.as_ref().map(|(user, _)| user))
            .field("tls", &self.tls.is_some())
            .finish_non_exhaustive()
    }
}

/// The sending half of a connection. Never waits.
#[derive(Clone, Debug)]
pub(super) enum Sender {
    Five(v5::AsyncClient),
    ThreeOneOne(rumqttc::AsyncClient),
}

/// The polling half of a connection.
pub(super) enum Polled {
    Five(Box<v5::EventLoop>),
    ThreeOneOne(Box<rumqttc::EventLoop>),
}

/// What a poll gave.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Happened {
    /// The broker has let us in.
    Connected,
    /// The broker has answered our subscriptions; the topics it refused.
    Subscribed { refused: usize },
    /// A message arrived.
    Arrived {
        topic: String,
        payload: Vec<u8>,
        retained: bool,
    },
    /// The next message was given this number.
    Numbered(u16),
    /// The message of this number was taken by the broker.
    Taken(u16),
    /// ... but nobody listens to it.
    Unheard(u16),
    /// ... or refused.
    Refused(u16, String),
    /// Nothing that matters here.
    Other,
}

/// Why a connection ended or did not come about.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Ended {
    pub(super) why: String,
    /// The broker does not speak this version.
    pub(super) wrong_dialect: bool,
    /// The broker took the call and hung up without a word: so do some that do
    /// not speak this version, and some that are just starting or ending.
    pub(super) hung_up: bool,
    /// Somebody else has come with our client identifier.
    pub(super) taken_over: bool,
}

impl Ended {
    /// Ended for a reason of no consequence for the next attempt.
    pub(super) const fn because(why: String) -> Self {
        Self {
            why,
            wrong_dialect: false,
            hung_up: false,
            taken_over: false,
        }
    }
}

/// Opens a connection: nothing happens until it is polled.
pub(super) fn open(access: &Access, will: &Message, dialect: Dialect) -> (Sender, Polled) {
    match dialect {
        Dialect::Five => {
            let (client, polled) = v5::AsyncClient::new(options_5(access, will), ROOM);
            (Sender::Five(client), Polled::Five(Box::new(polled)))
        }
        Dialect::ThreeOneOne => {
            let (client, mut polled) = rumqttc::AsyncClient::new(options_311(access, will), ROOM);
            let mut network = rumqttc::NetworkOptions::new();
            network.set_tcp_nodelay(true);
            network.set_connection_timeout(PATIENCE_S);
            polled.network_options = network;
            (
                Sender::ThreeOneOne(client),
                Polled::ThreeOneOne(Box::new(polled)),
            )
        }
    }
}

fn options_5(access: &Access, will: &Message) -> v5::MqttOptions {
    let mut options = v5::MqttOptions::new(&access.client_id, &access.host, access.port);
    options
        .set_keep_alive(keep_alive(access))
        .set_clean_start(true)
        .set_max_packet_size(Some(LARGEST_PACKET))
        .set_connection_timeout(PATIENCE_S);
    options.set_outgoing_inflight_upper_limit(WINDOW);
    let mut network = options.network_options();
    network.set_tcp_nodelay(true);
    network.set_connection_timeout(PATIENCE_S);
    options.set_network_options(network);
    options.set_last_will(five::LastWill::new(
        &will.topic,
        will.payload.clone(),
        v5::mqttbytes::QoS::AtLeastOnce,
        true,
        None,
    ));
    if let Some((user, password)) = &access.login {
        options.set_credentials(user, password);
    }
    if let Some(tls) = &access.tls {
        options.set_transport(Transport::tls_with_config(tls.clone()));
    }
    options
}

fn options_311(access: &Access, will: &Message) -> rumqttc::MqttOptions {
    let mut options = rumqttc::MqttOptions::new(&access.client_id, &access.host, access.port);
    let largest = usize::try_from(LARGEST_PACKET).unwrap_or(usize::MAX);
    options
        .set_keep_alive(keep_alive(access))
        .set_clean_session(true)
        .set_max_packet_size(largest, largest)
        .set_inflight(WINDOW);
    options.set_last_will(rumqttc::LastWill::new(
        &will.topic,
        will.payload.clone(),
        QoS::AtLeastOnce,
        true,
    ));
    if let Some((user, password)) = &access.login {
        options.set_credentials(user, password);
    }
    if let Some(tls) = &access.tls {
        options.set_transport(Transport::tls_with_config(tls.clone()));
    }
    options
}

/// The client of MQTT 5 ends the program on less than 5 s.
fn keep_alive(access: &Access) -> Duration {
    Duration::from_secs(u64::from(access.keep_alive_s.max(5)))
}

impl Sender {
    /// Asks for the topics; `false` where the client has no room.
    pub(super) fn subscribe(&self, topics: &[String]) -> bool {
        match self {
            Self::Five(client) => {
                let filters = topics
                    .iter()
                    .map(|topic| five::Filter::new(topic, v5::mqttbytes::QoS::AtLeastOnce));
                client.try_subscribe_many(filters).is_ok()
            }
            Self::ThreeOneOne(client) => {
                let filters = topics
                    .iter()
                    .map(|topic| rumqttc::SubscribeFilter::new(topic.clone(), QoS::AtLeastOnce));
                client.try_subscribe_many(filters).is_ok()
            }
        }
    }

    /// Says that a topic is no longer listened to.
    pub(super) fn unsubscribe(&self, topic: &str) {
        // Where there is no room it is heard on, and not used.
        let _ = match self {
            Self::Five(client) => client.try_unsubscribe(topic).is_ok(),
            Self::ThreeOneOne(client) => client.try_unsubscribe(topic).is_ok(),
        };
    }

    /// Hands a message over; `false` where the client does not take it.
    pub(super) fn publish(&self, message: &Message, expires_s: Option<u32>) -> bool {
        let (topic, payload, retain) = (
            message.topic.as_str(),
            message.payload.clone(),
            message.retained(),
        );
        match self {
            Self::Five(client) => {
                // Both name the command that an answer is an answer to.
                let number = message.sequence.map(|n| n.to_string());
                let correlation = number.clone().map(Into::into);
                let sequence = number.map(|number| ("sequence".to_owned(), number));
                let properties = five::PublishProperties {
                    payload_format_indicator: Some(1),
                    message_expiry_interval: expires_s,
                    content_type: Some("application/json".to_owned()),
                    correlation_data: correlation,
                    user_properties: sequence.into_iter().collect(),
                    ..five::PublishProperties::default()
                };
                let qos = v5::mqttbytes::QoS::AtLeastOnce;
                client
                    .try_publish_with_properties(topic, qos, retain, payload, properties)
                    .is_ok()
            }
            Self::ThreeOneOne(client) => client
                .try_publish(topic, QoS::AtLeastOnce, retain, payload)
                .is_ok(),
        }
    }

    /// Says goodbye: the last will is not needed.
    pub(super) fn goodbye(&self) {
        // Where there is no room the connection is so far behind that the last will is right.
        let _ = match self {
            Self::Five(client) => client.try_disconnect().is_ok(),
            Self::ThreeOneOne(client) => client.try_disconnect().is_ok(),
        };
    }
}

impl Polled {
    /// Waits for the next thing that happens.
    pub(super) async fn poll(&mut self) -> Result<Happened, Ended> {
        match self {
            Self::Five(polled) => match polled.poll().await {
                Ok(event) => Ok(happened_5(event)),
                Err(error) => Err(ended_5(&error)),
            },
            Self::ThreeOneOne(polled) => match polled.poll().await {
                Ok(event) => Ok(happened_311(event)),
                Err(error) => Err(ended_311(&error)),
            },
        }
    }

    /// Messages that had arrived before the connection ended: the broker counts
    /// them as delivered, so nobody would send them again.
    pub(super) fn left_over(&mut self) -> Vec<Happened> {
        let all: Vec<Happened> = match self {
            Self::Five(polled) => polled.state.events.drain(..).map(happened_5).collect(),
            Self::ThreeOneOne(polled) => polled.state.events.drain(..).map(happened_311).collect(),
        };
        all.into_iter()
            .filter(|happened| matches!(happened, Happened::Arrived { .. }))
            .collect()
    }
}

fn happened_5(event: v5::Event) -> Happened {
    use five::{Packet, PubAckReason, SubscribeReasonCode};
    match event {
        v5::Event::Outgoing(Outgoing::Publish(number)) => Happened::Numbered(number),
        v5::Event::Incoming(Packet::ConnAck(_)) => Happened::Connected,
        v5::Event::Incoming(Packet::SubAck(ack)) => {
            let refused = ack
                .return_codes
                .iter()
                .filter(|code| !matches!(code, SubscribeReasonCode::Success(_)));
            Happened::Subscribed {
                refused: refused.count(),
            }
        }
        v5::Event::Incoming(Packet::PubAck(ack)) => match ack.reason {
            PubAckReason::Success => Happened::Taken(ack.pkid),
            PubAckReason::NoMatchingSubscribers => Happened::Unheard(ack.pkid),
            reason @ (PubAckReason::UnspecifiedError
            | PubAckReason::ImplementationSpecificError
            | PubAckReason::NotAuthorized
            | PubAckReason::TopicNameInvalid
            | PubAckReason::PacketIdentifierInUse
            | PubAckReason::QuotaExceeded
            | PubAckReason::PayloadFormatInvalid) => {
                Happened::Refused(ack.pkid, format!("{reason:?}"))
            }
        },
        v5::Event::Incoming(Packet::Publish(publish)) => Happened::Arrived {
            topic: String::from_utf8_lossy(&publish.topic).into_owned(),
            payload: publish.payload.to_vec(),
            retained: publish.retain,
        },
        v5::Event::Incoming(_) | v5::Event::Outgoing(_) => Happened::Other,
    }
}

fn ended_5(error: &v5::ConnectionError) -> Ended {
    use five::ConnectReturnCode::{RefusedProtocolVersion, UnsupportedProtocolVersion};
    let wrong_dialect = matches!(
        error,
        v5::ConnectionError::ConnectionRefused(RefusedProtocolVersion | UnsupportedProtocolVersion)
            | v5::ConnectionError::MqttState(v5::StateError::Deserialization(_))
    );
    let taken_over = matches!(
        error,
        v5::ConnectionError::MqttState(v5::StateError::ServerDisconnect {
            reason_code: five::DisconnectReasonCode::SessionTakenOver,
            ..
        })
    );
    // A broker of 3.1.1 refuses in 3.1.1, and then closes: that answer is shorter
    // than one of 5, and is not seen.
    let hung_up = matches!(
        error,
        v5::ConnectionError::MqttState(v5::StateError::ConnectionAborted)
    );
    Ended {
        why: error.to_string(),
        wrong_dialect,
        hung_up,
        taken_over,
    }
}

fn happened_311(event: rumqttc::Event) -> Happened {
    use rumqttc::{Packet, SubscribeReasonCode};
    match event {
        rumqttc::Event::Outgoing(Outgoing::Publish(number)) => Happened::Numbered(number),
        rumqttc::Event::Incoming(Packet::ConnAck(_)) => Happened::Connected,
        rumqttc::Event::Incoming(Packet::SubAck(ack)) => {
            let refused = ack
                .return_codes
                .iter()
                .filter(|code| matches!(code, SubscribeReasonCode::Failure));
            Happened::Subscribed {
                refused: refused.count(),
            }
        }
        rumqttc::Event::Incoming(Packet::PubAck(ack)) => Happened::Taken(ack.pkid),
        rumqttc::Event::Incoming(Packet::Publish(publish)) => Happened::Arrived {
            topic: publish.topic,
            payload: publish.payload.to_vec(),
            retained: publish.retain,
        },
        rumqttc::Event::Incoming(_) | rumqttc::Event::Outgoing(_) => Happened::Other,
    }
}

fn ended_311(error: &rumqttc::ConnectionError) -> Ended {
    use rumqttc::ConnectReturnCode::RefusedProtocolVersion;
    let wrong_dialect = matches!(
        error,
        rumqttc::ConnectionError::ConnectionRefused(RefusedProtocolVersion)
    );
    let hung_up = matches!(
        error,
        rumqttc::ConnectionError::MqttState(rumqttc::StateError::ConnectionAborted)
    );
    Ended {
        wrong_dialect,
        hung_up,
        ..Ended::because(error.to_string())
    }
}
