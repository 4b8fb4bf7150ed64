//! A simulated plant with its sensors: a client of its own on the same broker,
//! that sends readings out of a weather file as sensors would, carries commands
//! out as drives would, and reports.

use crate::clock::Clock;
use crate::service::BrokerPlace;
use crate::wire::{Topics, orders, reading_payload, report_payload};
use chrono::Timelike;
use leeside_config::Site;
use leeside_config::wire::{ContactWire, DriveWire, SensorWire, Wire};
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::{ContactKind, Model};
use leeside_core::output::{Command, Order, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, Release};
use leeside_core::time::{MINUTE, SECOND, Wall};
use leeside_dryrun::replay::{Feed, Sky, for_data};
use leeside_dryrun::weather::{Row, Series};
use leeside_plant::{Plant, Told};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, EventLoop, MqttOptions};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{mpsc, watch};

/// Messages under way before more are made.
const ROOM: usize = 500;
/// Contacts and gateways say again that they are there, simulated ms.
const CONTACTS_EVERY_MS: i64 = 30 * SECOND;
/// Real time between two rounds of readings is at least this, ms.
const LEAST_ROUND_MS: i64 = 100;

/// What is simulated.
pub struct Simulation {
    /// Where the broker is.
    pub place: BrokerPlace,
    /// Root of the topic tree.
    pub root: String,
    /// The site.
    pub model: Arc<Model>,
    /// The weather.
    pub sky: Sky,
    /// The same clock as the service's.
    pub clock: Arc<Clock>,
    /// From reading to reading, simulated ms.
    pub step_ms: i64,
    /// Ends it when it turns true.
    pub stop: watch::Receiver<bool>,
}

impl core::fmt::Debug for Simulation {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Simulation")
            .field("place", &self.place)
            .finish_non_exhaustive()
    }
}

/// How often sensors speak at this speed, simulated ms: often enough for the
/// most impatient silence check of the site, seldom enough for the machine.
#[must_use]
pub fn step_ms(model: &Model, speed: u32) -> i64 {
    let impatient = model
        .sensors
        .iter()
        .map(|sensor| sensor.validity.silence_ms)
        .min()
        .unwrap_or(MINUTE);
    let wanted = (impatient / 3).clamp(SECOND, MINUTE);
    wanted.max(LEAST_ROUND_MS.saturating_mul(i64::from(speed)))
}

/// What a simulation makes of a site: sensors that are checked as hourly rows allow,
/// and patience for the speed. It stands in the fingerprint, so that whoever reads a
/// journal of it decides with the same site.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Fitting {
    /// Usual length of a row of the weather, ms.
    pub resolution_ms: i64,
    /// From reading to reading, simulated ms.
    pub step_ms: i64,
    /// How many times as fast as real time.
    pub speed: u32,
}

/// Between the fingerprint of the files and what a simulation made of them.
const FITTED: &str = "-simulated-";

impl Fitting {
    /// The fingerprint of the files alone, and what a simulation made of them.
    #[must_use]
    pub fn of(fingerprint: &str) -> (&str, Option<Self>) {
        let Some((files, with)) = fingerprint.split_once(FITTED) else {
            return (fingerprint, None);
        };
        let mut numbers = with.split('-');
        let mut next = || numbers.next()?.parse().ok();
        let fitting = match (next(), next(), next()) {
            (Some(resolution_ms), Some(step_ms), Some(speed)) => {
                u32::try_from(speed).ok().map(|speed| Self {
                    resolution_ms,
                    step_ms,
                    speed,
                })
            }
            _ => None,
        };
        // What is not understood is no version that anybody knows.
        fitting.map_or((fingerprint, None), |fitting| (files, Some(fitting)))
    }

    /// The model as the simulation has it.
    #[must_use]
    pub fn model(&self, model: &Model) -> Model {
        patient(
            for_data(model, self.resolution_ms, self.step_ms),
            self.speed,
        )
    }

    /// The site as the simulation has it.
    #[must_use]
    pub fn site(&self, site: Site) -> Site {
        let Self {
            resolution_ms,
            step_ms,
            speed,
        } = self;
        Site {
            model: Arc::new(self.model(&site.model)),
            wire: own_forms(&site.wire),
            fingerprint: format!(
                "{}{FITTED}{resolution_ms}-{step_ms}-{speed}",
                site.fingerprint
            ),
            ..site
        }
    }
}

/// The site with patience for a plant that is reached over a real broker in time
/// that runs `speed` times as fast: what takes a real tenth of a second there and
/// back is a minute at 600 times. Without it, drives seem silent that are not.
fn patient(mut model: Model, speed: u32) -> Model {
    /// There and back through the broker, real ms, on a busy machine.
    const THERE_AND_BACK_MS: i64 = 2_000;
    let longest = THERE_AND_BACK_MS.saturating_mul(i64::from(speed));
    let policy = &mut model.policy;
    policy.answer_grace_ms = policy.answer_grace_ms.max(longest);
    policy.command_lifetime_ms = policy.command_lifetime_ms.max(longest);
    model
}

/// The site's wire with every sensor, contact, gateway and drive speaking our
/// own form: that is the form in which the simulated plant speaks.
fn own_forms(wire: &Wire) -> Wire {
    Wire {
        sensors: vec![SensorWire::Own; wire.sensors.len()],
        contacts: vec![ContactWire::Own; wire.contacts.len()],
        gateways: vec![None; wire.gateways.len()],
        drives: vec![DriveWire::Own; wire.drives.len()],
        ..wire.clone()
    }
}

/// When to begin so that a storm comes `lead_ms` later: before the first row in
/// which the wind reaches the limit of at least half of the groups. Best is one
/// around noon of a warm day after three rows below every limit, so that
/// something is out that has to come in; where the weather has none, less will do.
#[must_use]
pub fn before_storm(model: &Model, series: &Series, lead_ms: i64) -> Option<Wall> {
    let mut limits: Vec<f64> = model
        .groups
        .iter()
        .filter_map(|group| group.wind.as_ref())
        .map(|rule| rule.limit_mps)
        .collect();
    limits.sort_by(f64::total_cmp);
    let (lowest, middle) = (*limits.first()?, *limits.get(limits.len() / 2)?);
    let speed = |row: &Row| row.values.gust.or(row.values.mean);
    let storm = |row: &Row| speed(row).is_some_and(|speed| speed >= middle);
    let calm = |row: &Row| speed(row).is_some_and(|speed| speed < lowest);
    let warm = |row: &Row| {
        row.values
            .temperature
            .is_none_or(|temperature| temperature >= 15.0)
    };
    let by_day =
        |row: &Row| (11..=16).contains(&row.start.utc().with_timezone(&model.site.zone).hour());
    let after = |rows: &[Row]| match rows {
        [before @ .., last] => storm(last) && by_day(last) && before.iter().all(calm),
        [] => false,
    };
    let rows = &series.rows;
    let best = rows
        .windows(4)
        .find(|rows| after(rows) && rows.iter().all(warm));
    let good = best.or_else(|| {
        rows.windows(2)
            .find(|rows| after(rows) && rows.iter().all(warm))
    });
    let fair = good.or_else(|| rows.windows(2).find(|rows| after(rows)));
    let found = fair
        .and_then(<[Row]>::last)
        .or_else(|| rows.iter().find(|row| storm(row)))?;
    Some(found.start.plus(-lead_ms))
}

/// Runs the plant and its sensors until told to stop.
pub async fn run(simulation: Simulation) {
    let Simulation {
        place,
        root,
        model,
        sky,
        clock,
        step_ms,
        mut stop,
    } = simulation;
    let topics = Topics::new(&root);
    let (client, polled) = connection(&place);
    let (arrived, mut commands) = mpsc::channel(ROOM);
    let polling = tokio::spawn(poll(
        client.clone(),
        polled,
        format!("{root}/group/+/command"),
        arrived,
    ));
    let mut talker = Talker {
        client,
        topics,
        model: Arc::clone(&model),
    };
    let mut feed = Feed::new(Arc::clone(&model), &sky);
    let mut plant = Plant::new(&model, clock.now());
    let mut readings_due = clock.now().steady;
    let mut contacts_due = clock.now().steady;
    loop {
        let now = clock.now();
        plant.advance(now);
        talker.reports(&mut plant);
        if now.steady >= contacts_due {
            contacts_due = now.steady.plus(CONTACTS_EVERY_MS);
            talker.contacts();
        }
        if now.steady >= readings_due {
            readings_due = now.steady.plus(step_ms);
            feed.look(now.wall);
            for reading in feed.readings(now.wall) {
                talker.say(
                    talker.topics.sensor(&model.sensor(reading.sensor).name),
                    reading_payload(reading),
                );
            }
        }
        let next = [Some(readings_due), Some(contacts_due), plant.next()]
            .into_iter()
            .flatten()
            .min();
        let wake = clock.instant(next.unwrap_or(readings_due).plus(1));
        tokio::select! {
            biased;
            _ = stop.wait_for(|stop| *stop) => break,
            payload = commands.recv() => match payload {
                Some(payload) => {
                    if let Some(command) = command(&model, &payload) {
                        plant.handle(clock.now(), &command);
                    }
                }
                None => break,
            },
            () = tokio::time::sleep_until(wake) => {}
        }
    }
    polling.abort();
}

fn connection(place: &BrokerPlace) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new("simulated-plant", &place.host, place.port);
    options
        .set_keep_alive(Duration::from_secs(15))
        .set_max_packet_size(Some(1024 * 1024));
    AsyncClient::new(options, ROOM)
}

/// Polls the plant's connection; subscribes again on each new one.
async fn poll(
    client: AsyncClient,
    mut polled: EventLoop,
    topic: String,
    arrived: mpsc::Sender<Vec<u8>>,
) {
    loop {
        match polled.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                // Where there is no room the next connection tries again.
                let _ = client.try_subscribe(topic.clone(), QoS::AtLeastOnce);
            }
            // A command from before this connection is not meant for now.
            Ok(Event::Incoming(Packet::Publish(publish))) if !publish.retain => {
                if arrived.send(publish.payload.to_vec()).await.is_err() {
                    return;
                }
            }
            Ok(Event::Incoming(_) | Event::Outgoing(_)) => {}
            Err(error) => {
                tracing::debug!(%error, "the simulated plant has no connection");
                tokio::time::sleep(Duration::from_millis(500)).await;
            }
        }
    }
}

/// Says what sensors, contacts and drives have to say.
struct Talker {
    client: AsyncClient,
    topics: Topics,
    model: Arc<Model>,
}

impl Talker {
    fn say(&self, topic: String, payload: String) {
        // Without a connection nobody hears a sensor either.
        let _ = self
            .client
            .try_publish(topic, QoS::AtLeastOnce, false, payload);
    }

    fn reports(&mut self, plant: &mut Plant) {
        while let Some(Told { report, .. }) = plant.poll() {
            self.say(
                self.topics.drive(&self.model, report.device, "report"),
                report_payload(&report),
            );
        }
    }

    /// Nobody at a door, nothing burns, everybody at work; every gateway is there.
    fn contacts(&self) {
        for contact in &self.model.contacts {
            let active = contact.kind == ContactKind::Occupancy;
            self.say(
                self.topics.contact(&contact.name),
                format!("{{\"active\":{active}}}"),
            );
        }
        for gateway in &self.model.gateways {
            self.say(
                self.topics.gateway(&gateway.name),
                "{\"present\":true}".to_owned(),
            );
        }
    }
}

/// A command as the plant takes it; what it does not need is left plain.
fn command(model: &Model, payload: &[u8]) -> Option<Command> {
    let read = orders(payload)?;
    let order = |(name, pose, delay): (String, Option<Pose>, u32)| {
        let device = model.device_named(&name)?;
        Some(Order {
            device,
            pose,
            start_delay_ms: delay,
        })
    };
    let orders: Vec<Order> = read.orders.into_iter().filter_map(order).collect();
    let first: DeviceId = orders.first()?.device;
    let group = model
        .groups
        .iter()
        .position(|group| group.devices.contains(&first))
        .map(GroupId::of)?;
    Some(Command {
        sequence: read.sequence,
        group,
        at: leeside_core::time::Now::both(0),
        not_after: read.not_after,
        pose: Pose::RETRACTED,
        orders,
        decided_by: Word::Rest,
        because: Because::Rest,
        lost: std::sync::Arc::default(),
        release: Release::AnyWish,
        repeat: false,
    })
}
