//! A client as any other: it knows topics and JSON, nothing else.

use crate::brokers::PATIENCE;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, Publish};
use rumqttc::v5::{Client, Event, MqttOptions};
use serde_json::Value;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, Instant};

/// A message as it arrived.
#[derive(Clone, Debug)]
pub(crate) struct Message {
    pub(crate) topic: String,
    pub(crate) payload: Vec<u8>,
    pub(crate) retained: bool,
    /// The user property `sequence`.
    pub(crate) sequence: Option<String>,
    /// MQTT 5 correlation data.
    pub(crate) correlation: Option<Vec<u8>>,
    pub(crate) expires_s: Option<u32>,
    pub(crate) qos: u8,
}

impl Message {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.payload).unwrap_or_else(|error| {
            panic!(
                "{} is no JSON ({error}): {}",
                self.topic,
                String::from_utf8_lossy(&self.payload)
            )
        })
    }

    fn of(publish: &Publish) -> Self {
        let properties = publish.properties.as_ref();
        let sequence = properties.and_then(|properties| {
            properties
                .user_properties
                .iter()
                .find(|(key, _)| key == "sequence")
                .map(|(_, value)| value.clone())
        });
        Self {
            topic: String::from_utf8(publish.topic.to_vec()).unwrap(),
            payload: publish.payload.to_vec(),
            retained: publish.retain,
            sequence,
            correlation: properties
                .and_then(|properties| properties.correlation_data.as_ref())
                .map(|data| data.to_vec()),
            expires_s: properties.and_then(|properties| properties.message_expiry_interval),
            qos: publish.qos as u8,
        }
    }
}

#[derive(Default)]
struct Heard {
    messages: Mutex<Vec<Message>>,
    news: Condvar,
    connected: AtomicBool,
}

/// Hears everything and says what it is told to. It reconnects by itself.
#[derive(Clone)]
pub(crate) struct Listener {
    client: Client,
    heard: Arc<Heard>,
}

static COUNT: AtomicU32 = AtomicU32::new(0);

impl Listener {
    /// A client that hears everything under `#`.
    pub(crate) fn new(port: u16) -> Self {
        Self::with(port, None, "#")
    }

    /// A client with a name and password, that hears one filter.
    pub(crate) fn with(port: u16, login: Option<(&str, &str)>, filter: &str) -> Self {
        let id = format!(
            "outside-{}-{}",
            std::process::id(),
            COUNT.fetch_add(1, Ordering::Relaxed)
        );
        let mut options = MqttOptions::new(id, "127.0.0.1", port);
        options
            .set_keep_alive(Duration::from_secs(30))
            .set_max_packet_size(Some(1024 * 1024));
        if let Some((user, password)) = login {
            options.set_credentials(user, password);
        }
        let (client, mut connection) = Client::new(options, 10_000);
        let heard = Arc::new(Heard::default());
        let listener = Self {
            client: client.clone(),
            heard: Arc::clone(&heard),
        };
        let filter = filter.to_owned();
        // Ends with the process: the connection goes on until the test is over.
        std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => {
                        client.try_subscribe(&filter, QoS::AtLeastOnce).unwrap();
                    }
                    Ok(Event::Incoming(Packet::SubAck(_))) => {
                        heard.connected.store(true, Ordering::SeqCst)
                    }
                    Ok(Event::Incoming(Packet::Publish(publish))) => {
                        heard.messages.lock().unwrap().push(Message::of(&publish));
                        heard.news.notify_all();
                    }
                    Ok(_) => {}
                    Err(_) => {
                        heard.connected.store(false, Ordering::SeqCst);
                        if Arc::strong_count(&heard) == 1 {
                            return;
                        }
                        std::thread::sleep(Duration::from_millis(50));
                    }
                }
            }
        });
        listener.wait_connected();
        listener
    }

    pub(crate) fn wait_connected(&self) {
        let begin = Instant::now();
        while !self.heard.connected.load(Ordering::SeqCst) {
            assert!(
                begin.elapsed() < PATIENCE,
                "the outside client does not get to the broker"
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Says something; without a connection nobody hears it.
    pub(crate) fn say(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        if self.heard.connected.load(Ordering::SeqCst) {
            // Full: as good as no connection.
            let _ = self
                .client
                .try_publish(topic, QoS::AtLeastOnce, false, payload.into());
        }
    }

    /// Says something that the broker keeps.
    pub(crate) fn say_retained(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.client
            .try_publish(topic, QoS::AtLeastOnce, true, payload.into())
            .unwrap();
    }

    /// How much has been heard so far: a place to look on from.
    pub(crate) fn mark(&self) -> usize {
        self.heard.messages.lock().unwrap().len()
    }

    /// What has been heard since a place.
    pub(crate) fn since(&self, mark: usize) -> Vec<Message> {
        self.heard.messages.lock().unwrap()[mark..].to_vec()
    }

    /// Waits until something heard since a place is what is looked for.
    pub(crate) fn wait(
        &self,
        mark: usize,
        what: &str,
        mut wanted: impl FnMut(&Message) -> bool,
    ) -> Message {
        self.wait_some(mark, what, |messages| {
            messages.iter().find(|message| wanted(message)).cloned()
        })
    }

    /// Waits until all that was heard since a place gives an answer.
    pub(crate) fn wait_some<T>(
        &self,
        mark: usize,
        what: &str,
        mut answer: impl FnMut(&[Message]) -> Option<T>,
    ) -> T {
        let begin = Instant::now();
        let mut messages = self.heard.messages.lock().unwrap();
        loop {
            if let Some(found) = answer(&messages[mark.min(messages.len())..]) {
                return found;
            }
            if begin.elapsed() >= PATIENCE {
                let tail: Vec<String> = messages
                    .iter()
                    .skip(mark)
                    .filter(|message| !message.topic.contains("/sensor/"))
                    .map(|m| format!("{} {}", m.topic, String::from_utf8_lossy(&m.payload)))
                    .collect();
                panic!(
                    "waited in vain for {what}; heard since:\n{}",
                    tail.join("\n")
                );
            }
            messages = self
                .heard
                .news
                .wait_timeout(messages, Duration::from_millis(100))
                .unwrap()
                .0;
        }
    }
}

/// Commands to groups among messages, in order: group and payload.
pub(crate) fn commands(messages: &[Message]) -> Vec<(String, Value)> {
    let of = |message: &Message| {
        let group = message
            .topic
            .strip_prefix("quick/group/")?
            .strip_suffix("/command")?;
        Some((group.to_owned(), message.json()))
    };
    messages.iter().filter_map(of).collect()
}

/// The extension that each group was last sent to.
pub(crate) fn last_extension(messages: &[Message], group: &str) -> Option<u64> {
    let all = commands(messages);
    let last = all.iter().rev().find(|(name, _)| name == group)?;
    last.1["pose"]["extension_pct"].as_u64()
}
