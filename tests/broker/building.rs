//! The building around the program: sensors that keep talking, drives that report.

use crate::client::{Listener, Message};
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// The groups of the quick site, the sensors that each listens to, and its limit.
pub(crate) const GROUPS: [&str; 3] = ["south slats", "west screens", "terrace awnings"];
const SENSORS: [&str; 3] = ["wind south", "wind west", "wind roof"];
/// Sensors speak this often; the quick site takes 3 s for silence.
const EVERY: Duration = Duration::from_millis(250);

/// Sensors and drives of the quick site.
pub(crate) struct Building {
    wind: Arc<Mutex<BTreeMap<&'static str, Option<f64>>>>,
    door: Arc<AtomicBool>,
    ends: Arc<AtomicBool>,
    threads: Vec<std::thread::JoinHandle<()>>,
}

impl Building {
    /// Calm and dry; every drive does at once what it is told.
    pub(crate) fn calm(listener: &Listener) -> Self {
        Self::that_speaks(listener, EVERY)
    }

    /// The same with sensors that speak this often.
    pub(crate) fn that_speaks(listener: &Listener, every: Duration) -> Self {
        let wind: BTreeMap<&'static str, Option<f64>> =
            SENSORS.map(|name| (name, Some(2.0))).into();
        let wind = Arc::new(Mutex::new(wind));
        let (door, ends) = (
            Arc::new(AtomicBool::new(false)),
            Arc::new(AtomicBool::new(false)),
        );
        let sensors = {
            let (wind, door, ends) = (Arc::clone(&wind), Arc::clone(&door), Arc::clone(&ends));
            let listener = listener.clone();
            std::thread::spawn(move || {
                while !ends.load(Ordering::SeqCst) {
                    let now = wind.lock().unwrap().clone();
                    for (name, gust) in now {
                        if let Some(gust) = gust {
                            listener.say(&format!("quick/sensor/{name}"), wind_of(gust));
                        }
                    }
                    listener.say("quick/sensor/rain", "{\"value\":0}");
                    let open = door.load(Ordering::SeqCst);
                    listener.say(
                        "quick/contact/terrace door",
                        json!({ "active": open }).to_string(),
                    );
                    std::thread::sleep(every);
                }
            })
        };
        let drives = {
            let (ends, listener) = (Arc::clone(&ends), listener.clone());
            let mut mark = listener.mark();
            std::thread::spawn(move || {
                while !ends.load(Ordering::SeqCst) {
                    for message in listener.since(mark) {
                        mark += 1;
                        carry_out(&listener, &message);
                    }
                    std::thread::sleep(Duration::from_millis(10));
                }
            })
        };
        Self {
            wind,
            door,
            ends,
            threads: vec![sensors, drives],
        }
    }

    /// Lets the wind blow at a sensor, from its next message on.
    pub(crate) fn blow(&self, sensor: &'static str, gust_mps: f64) {
        self.wind.lock().unwrap().insert(sensor, Some(gust_mps));
    }

    /// Opens or closes the terrace door, from its next message on.
    pub(crate) fn open_door(&self, open: bool) {
        self.door.store(open, Ordering::SeqCst);
    }

    /// Pulls a sensor's plug.
    pub(crate) fn silence(&self, sensor: &'static str) {
        self.wind.lock().unwrap().insert(sensor, None);
    }
}

impl Drop for Building {
    fn drop(&mut self) {
        self.ends.store(true, Ordering::SeqCst);
        for thread in self.threads.drain(..) {
            // A panic there has been printed already.
            let _ = thread.join();
        }
    }
}

/// A wind reading with this gust.
pub(crate) fn wind_of(gust_mps: f64) -> String {
    json!({ "gust_mps": gust_mps, "mean_mps": gust_mps * 0.7 }).to_string()
}

/// Each drive of a command says that it stands where it was sent.
fn carry_out(listener: &Listener, message: &Message) {
    if !message.topic.starts_with("quick/group/") || !message.topic.ends_with("/command") {
        return;
    }
    let command = message.json();
    for order in command["orders"].as_array().into_iter().flatten() {
        let drive = order["drive"].as_str().unwrap();
        let mut report = json!({ "state": "standing", "sequence": command["sequence"] });
        if !order["extension_pct"].is_null() {
            report["extension_pct"] = order["extension_pct"].clone();
            report["tilt_deg"] = order["tilt_deg"].clone();
        }
        listener.say(&format!("quick/drive/{drive}/report"), report.to_string());
    }
}
