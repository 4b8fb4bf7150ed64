//! How long 10,000 drive commands take from a gust, through a real mosquitto on
//! loopback, as a ratio to a bare client that publishes as many messages with
//! the same properties and the same window to the same subscriber.
//!
//! What the service itself adds before its first command leaves is told beside: the
//! way from the sensor through the broker to us and on to the plant is that of an
//! echo, a bare client that answers a message with one; what is above it is ours.
//!
//! `cargo bench -p leeside-daemon --bench burst [-- DRIVES ROUNDS DRIVES_PER_GROUP]`
#![expect(clippy::unwrap_used, clippy::print_stdout, reason = "a benchmark")]

use leeside_config::{LoadOptions, Site, load_site};
use leeside_daemon::clock::Clock;
use leeside_daemon::service::{self, Options};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, PublishProperties};
use rumqttc::v5::{AsyncClient, Client, Event, MqttOptions};
use std::fmt::Write as _;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// As the program does.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Echoes in each round.
const ECHOES: usize = 10;
const QUIET: Duration = Duration::from_secs(2);
const PATIENCE: Duration = Duration::from_secs(120);

struct Broker(Child);

impl Drop for Broker {
    fn drop(&mut self) {
        // It ends with the benchmark, however that ends.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn main() {
    // cargo itself adds --bench.
    let mut numbers = std::env::args().filter_map(|word| word.parse::<usize>().ok());
    let (drives, rounds) = (
        numbers.next().unwrap_or(10_000),
        numbers.next().unwrap_or(5),
    );
    let dir = tempfile::tempdir().unwrap();
    let port = std::net::TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port();
    let Some(_broker) = mosquitto(dir.path(), port) else {
        println!("mosquitto is not installed: nothing measured");
        return;
    };
    let each = numbers.next().unwrap_or(100).max(1);
    let site = site(dir.path(), port, drives, each);
    let arrived = subscriber(port);
    let _echo = echo(port);
    let begun = Instant::now();
    let (stopper, stop) = watch::channel(false);
    let journal = dir.path().join("journal.sqlite");
    let service = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .unwrap();
        let options = Options {
            journal: Some(journal),
            ..Options::new(Arc::new(Clock::machine()), stop)
        };
        runtime.block_on(service::run(&site, options)).unwrap();
    });
    let (sensor, mut connection) = Client::new(options("sensor", port), 100);
    std::thread::spawn(move || connection.iter().for_each(drop));
    let blow = |gust: f64| {
        let reading = format!("{{\"gust_mps\":{gust},\"mean_mps\":{gust}}}");
        sensor
            .publish("bench/sensor/mast", QoS::AtLeastOnce, false, reading)
            .unwrap();
    };
    println!("{drives} drives in groups of {each}, each on a feeder of its own, {rounds} rounds");
    // The first time out is not measured: everything is new then.
    while take(&arrived, 1, Duration::from_millis(500)).is_empty() {
        blow(1.0);
        assert!(begun.elapsed() < PATIENCE, "nothing goes out");
    }
    settle(&arrived, Duration::from_secs(3));
    let (mut ours, mut bare, mut firsts) = (Vec::new(), Vec::new(), Vec::new());
    let mut echoes = Vec::new();
    for _ in 0..rounds {
        let start = Instant::now();
        blow(20.0);
        let moments = take(&arrived, drives, PATIENCE);
        assert_eq!(moments.len(), drives, "not all commands came");
        firsts.push(moments[0].duration_since(start).as_secs_f64() * 1e3);
        ours.push(moments[drives - 1].duration_since(start).as_secs_f64());
        // What only tells of it has left too: the bare client has the machine to itself.
        settle(&arrived, QUIET);
        for _ in 0..ECHOES {
            let start = Instant::now();
            sensor
                .publish("echo/ping", QoS::AtLeastOnce, false, "1")
                .unwrap();
            let moments = take(&arrived, 1, PATIENCE);
            echoes.push(moments[0].duration_since(start).as_secs_f64() * 1e3);
            // As after a while in which nothing came.
            std::thread::sleep(Duration::from_millis(50));
        }
        bare.push(publish_bare(port, drives, &arrived));
        // Out again for the next round: the hold is 3 s.
        blow(1.0);
        assert_eq!(take(&arrived, drives, PATIENCE).len(), drives);
        settle(&arrived, QUIET);
    }
    stopper.send(true).unwrap();
    service.join().unwrap();
    let (ours, bare, first) = (median(&mut ours), median(&mut bare), median(&mut firsts));
    let echo = median(&mut echoes);
    println!("first command after the gust  {first:8.2} ms");
    println!("an echo, all the same way     {echo:8.2} ms");
    println!("first command, our own part   {:8.2} ms", first - echo);
    println!("last command after the gust   {ours:8.3} s");
    println!("bare client, as many          {bare:8.3} s");
    println!("ratio                         {:8.2}", ours / bare);
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn mosquitto(dir: &Path, port: u16) -> Option<Broker> {
    let config = dir.join("mosquitto.conf");
    let text = format!("listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n");
    std::fs::write(&config, text).unwrap();
    let path = format!("{}:/usr/sbin", std::env::var("PATH").unwrap_or_default());
    let child = Command::new("mosquitto")
        .env("PATH", path)
        .arg("-c")
        .arg(&config)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .ok()?;
    while std::net::TcpStream::connect(("127.0.0.1", port)).is_err() {
        std::thread::sleep(Duration::from_millis(20));
    }
    Some(Broker(child))
}

fn options(name: &str, port: u16) -> MqttOptions {
    let mut options = MqttOptions::new(name, "127.0.0.1", port);
    options.set_keep_alive(Duration::from_secs(60));
    let mut network = options.network_options();
    network.set_tcp_nodelay(true);
    options.set_network_options(network);
    options
}

/// Hears every drive command and says when.
fn subscriber(port: u16) -> Receiver<Instant> {
    let (client, mut connection) = Client::new(options("plant", port), 100);
    let (sender, arrived) = channel();
    let (ready, is_ready) = channel();
    std::thread::spawn(move || {
        client.subscribe("bench/drive/+", QoS::AtLeastOnce).unwrap();
        for event in connection.iter() {
            match event {
                Ok(Event::Incoming(Packet::Publish(_))) => {
                    if sender.send(Instant::now()).is_err() {
                        return;
                    }
                }
                Ok(Event::Incoming(Packet::SubAck(_))) => ready.send(()).unwrap(),
                Ok(_) => {}
                Err(_) => return,
            }
        }
    });
    is_ready.recv().unwrap();
    arrived
}

/// A client that answers each message with one, as the service's own connection would.
fn echo(port: u16) -> tokio::runtime::Runtime {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    let (client, mut polled) = AsyncClient::new(options("echo", port), 100);
    let (ready, is_ready) = channel();
    runtime.spawn(async move {
        client
            .subscribe("echo/ping", QoS::AtLeastOnce)
            .await
            .unwrap();
        while let Ok(event) = polled.poll().await {
            match event {
                Event::Incoming(Packet::Publish(_)) => client
                    .try_publish("bench/drive/echo", QoS::AtLeastOnce, false, "1")
                    .unwrap(),
                Event::Incoming(Packet::SubAck(_)) => ready.send(()).unwrap(),
                Event::Incoming(_) | Event::Outgoing(_) => {}
            }
        }
    });
    is_ready.recv().unwrap();
    runtime
}

/// Up to `count` arrivals, as long as the next is not later than `patience`.
fn take(arrived: &Receiver<Instant>, count: usize, patience: Duration) -> Vec<Instant> {
    (0..count)
        .map_while(|_| arrived.recv_timeout(patience).ok())
        .collect()
}

/// Waits until nothing has arrived for a while.
fn settle(arrived: &Receiver<Instant>, quiet: Duration) {
    while arrived.recv_timeout(quiet).is_ok() {}
}

/// The same number of messages from a client that does nothing else.
fn publish_bare(port: u16, count: usize, arrived: &Receiver<Instant>) -> f64 {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .unwrap();
    let mut with = options("bare", port);
    with.set_outgoing_inflight_upper_limit(20);
    let (client, mut polled) = AsyncClient::new(with, 100);
    let connected = Arc::new(tokio::sync::Notify::new());
    let told = Arc::clone(&connected);
    let polling = runtime.spawn(async move {
        while let Ok(event) = polled.poll().await {
            if matches!(event, Event::Incoming(Packet::ConnAck(_))) {
                told.notify_one();
            }
        }
    });
    runtime.block_on(connected.notified());
    let start = Instant::now();
    let publishing = runtime.spawn(async move {
        for n in 0..count {
            let properties = PublishProperties {
                payload_format_indicator: Some(1),
                message_expiry_interval: Some(60),
                content_type: Some("application/json".to_owned()),
                user_properties: vec![("sequence".to_owned(), n.to_string())],
                ..PublishProperties::default()
            };
            let payload = "{\"position\": 0, \"tilt\": 0, \"wait\": 0}";
            let topic = format!("bench/drive/D-{n}");
            client
                .publish_with_properties(topic, QoS::AtLeastOnce, false, payload, properties)
                .await
                .unwrap();
        }
        client
    });
    let moments = take(arrived, count, PATIENCE);
    assert_eq!(moments.len(), count);
    let took = moments[count - 1].duration_since(start).as_secs_f64();
    drop(runtime.block_on(publishing));
    polling.abort();
    took
}

/// Groups of `each`, every drive on a feeder of its own.
fn site(dir: &Path, port: u16, drives: usize, each: usize) -> Site {
    let mut text = format!(
        r#"
[site]
name = "Bench"
latitude_deg = 40.65
longitude_deg = -73.80
altitude_m = 5
zone = "America/New_York"
[policy]
fire_moves_service = {{ answer = false, decided_by = "the benchmark", decided_on = 2026-11-01 }}
frozen_device_in_wind = {{ answer = "hold", decided_by = "the benchmark", decided_on = 2026-11-01 }}
weather_known_for_s = 1
command_lifetime_s = 60
time_to_safe_max_s = 60
[broker]
root = "bench"
external = {{ host = "127.0.0.1", port = {port} }}
[[facade]]
name = "south"
azimuth_deg = 180
[[product]]
name = "screen"
kind = "screen"
travel_extend_s = 1
travel_retract_s = 1
reversal_pause_s = 0.5
wind_limit_mps = 14
wind_limit_source = "made up for a benchmark"
refuge = {{ wind = "retracted", hail = "not_harmed", ice = "not_harmed", rain = "not_harmed" }}
[[drive_form]]
name = "plain"
pose = {{ topic = "bench/drive/{{device}}", message = '{{"position": {{extension_pct}}, "tilt": {{tilt_deg}}, "wait": {{start_delay_ms}}}}' }}
[[sensor]]
name = "mast"
kind = "wind"
facades = ["south"]
silence_s = 3600
recover_s = 1
[[wind]]
name = "mast"
sensors = [{{ sensor = "mast", factor = 1.0 }}]
hold_min = 0.05
[[timetable]]
name = "out"
[timetable.days]
workday = [{{ phase = "out", at = "00:00", pose = "extended", sun = false }}]
weekend = "workday"
holiday = "workday"
closed = "workday"
"#
    );
    for n in 0..drives {
        write!(
            text,
            "[[feeder]]\nname = \"F-{n}\"\nstagger_s = 0.2\n[[device]]\nname = \"D-{n}\"\nproduct = \"screen\"\nfacade = \"south\"\nfeeder = \"F-{n}\"\ndrive_form = \"plain\"\nreports = false\n"
        )
        .unwrap();
    }
    for first in (0..drives).step_by(each) {
        let names: Vec<String> = (first..drives.min(first + each))
            .map(|n| format!("\"D-{n}\""))
            .collect();
        write!(
            text,
            "[[group]]\nname = \"G-{first}\"\ndevices = [{}]\nwind = \"mast\"\ntimetable = \"out\"\nrest = \"retracted\"\n",
            names.join(", ")
        )
        .unwrap();
    }
    let path = dir.join("site.toml");
    std::fs::write(&path, text).unwrap();
    load_site(&path, &LoadOptions::around(2027))
        .map_err(|problems| format!("{:#?}", &problems[..problems.len().min(8)]))
        .unwrap()
        .0
}
