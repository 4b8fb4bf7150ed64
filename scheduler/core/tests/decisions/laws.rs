//! The laws of the contract, each as a property over made-up days at a made-up
//! site: what a shell does between inputs must not matter, only what it puts in.

use crate::support::*;
use leeside_core::Core;
use leeside_core::engine::Snapshot;
use leeside_core::ids::{ContactId, DeviceId, GatewayId, GroupId, RoomId, SensorId};
use leeside_core::input::{
    Ask, DriveState, Input, Origin, Reading, Report, Request, RestartCause, Sample, Until,
};
use leeside_core::model::{
    Budget, ContactKind, Gateway, Kind, Model, Moisture, QuietHours, SensorKind, SunAim, Validity,
    ZeroCheck,
};
use leeside_core::output::Output;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Now, SECOND};
use proptest::prelude::*;
use std::sync::Arc;

/// Three groups on one feeder that between them have every guard and every wish.
pub(crate) fn site() -> Model {
    let mut house = House::new(Pose::RETRACTED);
    house.model.timetables.clear();
    house.timetable(&[
        (0, Pose::RETRACTED, false),
        (7 * 60, Pose::extension(60), true),
        (13 * 60, Pose::RETRACTED, true),
        (21 * 60, Pose::EXTENDED, false),
    ]);
    house.model.policy.known_for_ms = MINUTE;
    house.model.feeders[0].stagger_ms = 2 * SECOND;
    let tower = SensorId(1);
    let zero = ZeroCheck {
        neighbour: tower,
        neighbour_mps: 6.0,
        for_ms: 20 * MINUTE,
    };
    let picky = Validity {
        min: 0.0,
        max: 60.0,
        stuck_ms: Some(2 * HOUR),
        max_rate_per_s: Some(0.5),
        ..WATCHED
    };
    let mast = house.sensor_with(
        "mast",
        SensorKind::Wind,
        Validity {
            zero: Some(zero),
            ..picky
        },
    );
    house.sensor_with("tower", SensorKind::Wind, picky);
    let rain = house.sensor_with("rain", SensorKind::Rain, WATCHED);
    let thermo = house.sensor_with("thermo", SensorKind::Temperature, WATCHED);
    let hail = house.sensor_with("hail", SensorKind::Hail, WATCHED);
    let light = house.sensor_with("light", SensorKind::PlaneIrradiance, WATCHED);
    let inside = house.sensor_with("inside", SensorKind::RoomTemperature, WATCHED);
    house.model.facades[0].light = vec![light];
    let door = house.contact("door", ContactKind::Door);
    let fire = house.contact("fire", ContactKind::Fire);
    let occupied = house.contact("occupied", ContactKind::Occupancy);
    house.model.contacts[0].latch_ms = 2 * MINUTE;
    house.model.contacts[0].silence_ms = Some(3 * HOUR);
    house.model.rooms[0].occupancy = Some(occupied);
    house.model.rooms[0].temperature = Some(inside);
    house.model.gateways.push(Gateway {
        name: "gate".to_owned(),
        silence_ms: MINUTE,
    });
    house.model.sensors[rain.index()].gateway = Some(GatewayId(0));

    let awning = house.single("awning", Kind::Awning);
    let mut rule = wind_rule(&[mast, tower]);
    rule.links[1].factor = 1.2;
    rule.persistence_ms = 5 * SECOND;
    house.of(awning).wind = Some(rule);
    house.of(awning).rain = Some(rain_rule(&[rain]));
    house.product_of(awning).refuge.rain = Some(Pose::RETRACTED);
    house.product_of(awning).budget = Some(Budget {
        run_ms: 4 * MINUTE,
        window_ms: HOUR,
    });
    house.of(awning).hand.announce_ms = 5 * MINUTE;

    let shutter = house.single("shutter", Kind::RollerShutter);
    house.model.devices[1].doors = vec![door];
    house.model.devices[1].escape = true;
    house.model.devices[1].drive.reports = true;
    house.of(shutter).wind = Some(wind_rule(&[tower]));
    house.of(shutter).hail = Some(hail_rule(&[hail]));
    house.of(shutter).fire = Some(fire_rule(&[fire]));
    let product = house.product_of(shutter);
    product.refuge.wind = Pose::EXTENDED;
    product.refuge.hail = Some(Pose::RETRACTED);
    product.reference_after_moves = 5;

    let blind = house.single("blind", Kind::SlatBlind);
    let mut ice = ice_rule(&[thermo]);
    ice.moisture = vec![Moisture::Rain {
        sensor: rain,
        within_ms: 2 * HOUR,
    }];
    house.of(blind).ice = Some(ice);
    house.product_of(blind).refuge.ice = Some(Pose::RETRACTED);
    house.of(blind).wind = Some(wind_rule(&[mast]));
    house.of(blind).sun = Some(sun_rule(SunAim::TrackSlats));
    house.of(blind).quiet = Some(QuietHours {
        from_min: 22 * 60,
        to_min: 6 * 60,
    });
    house.model
}

/// Something that happens so many ms after what happened before.
#[derive(Clone, Debug)]
pub(crate) struct Event {
    pub(crate) after_ms: i64,
    pub(crate) input: Input,
}

/// Times that meet: at once, at the end of holds and silences, a millisecond beside.
fn gap() -> impl Strategy<Value = i64> {
    prop_oneof![
        3 => Just(0),
        4 => 1..2 * MINUTE,
        2 => 1..40 * MINUTE,
        1 => (prop::sample::select(vec![5 * SECOND, MINUTE, 10 * MINUTE, 15 * MINUTE, 20 * MINUTE, HOUR]), -1..=1_i64)
            .prop_map(|(ms, beside)| ms + beside),
    ]
}

fn sample(sensor: u32) -> BoxedStrategy<Sample> {
    match sensor {
        0 | 1 => {
            let speed = || {
                prop_oneof![
                    0.0..14.0_f64,
                    prop::sample::select(vec![0.0, 8.0, 10.0, 70.0])
                ]
            };
            let gust = prop::option::weighted(0.8, speed());
            let from = prop::option::weighted(0.3, 0.0..360.0_f64);
            (gust, speed(), from)
                .prop_map(|(g, m, d)| wind(g, Some(m), d))
                .boxed()
        }
        2 | 4 => prop_oneof![Just(0.0), Just(1.0), 0.0..2.0_f64]
            .prop_map(Sample::Value)
            .boxed(),
        3 => (-4.0..9.0_f64).prop_map(Sample::Value).boxed(),
        5 => (0.0..900.0_f64).prop_map(Sample::Value).boxed(),
        _ => (15.0..30.0_f64).prop_map(Sample::Value).boxed(),
    }
}

/// A reading; its `at` is filled in when it is put in.
fn reading() -> BoxedStrategy<Input> {
    (0..7_u32)
        .prop_flat_map(|sensor| {
            sample(sensor).prop_map(move |sample| {
                Input::Reading(Reading {
                    sensor: SensorId(sensor),
                    at: leeside_core::time::Wall(0),
                    sample,
                })
            })
        })
        .boxed()
}

/// A gust at one of the two masts, mostly below the limit.
fn speed() -> BoxedStrategy<Input> {
    (0..2_u32, prop_oneof![3 => 0.0..8.0_f64, 1 => 8.0..14.0_f64])
        .prop_map(|(sensor, gust)| {
            Input::Reading(Reading {
                sensor: SensorId(sensor),
                at: leeside_core::time::Wall(0),
                sample: wind(Some(gust), None, None),
            })
        })
        .boxed()
}

/// The same site with sensors that are never at fault.
fn trusting() -> Model {
    let mut model = site();
    for sensor in &mut model.sensors {
        sensor.validity = TRUSTING;
    }
    model
}

pub(crate) fn ask() -> impl Strategy<Value = Ask> {
    let group = || (0..3_u32).prop_map(GroupId);
    let until = prop_oneof![
        Just(Until::Rule),
        (0..2 * HOUR).prop_map(Until::For),
        Just(Until::NextPhase),
        Just(Until::EndOfDay)
    ];
    let part = (prop::option::of(0..=100_u8), prop::option::of(-10..90_i16));
    prop_oneof![
        4 => (group(), part.clone(), until.clone()).prop_map(|(group, (extension_pct, tilt_deg), until)| {
            Ask::Pose { group, extension_pct, tilt_deg, until }
        }),
        1 => (group(), until.clone()).prop_map(|(group, until)| Ask::Halt { group, until }),
        1 => ((0..3_u32).prop_map(DeviceId), part, until).prop_map(|(device, (extension_pct, tilt_deg), until)| {
            Ask::Device { device, extension_pct, tilt_deg, until }
        }),
        1 => group().prop_map(|group| Ask::Release { group }),
        1 => (group(), any::<bool>()).prop_map(|(group, on)| Ask::Service { group, on, expected_end: None }),
        1 => group().prop_map(|group| Ask::FrostCleared { group }),
        1 => ((0..7_u32), prop::option::of(0..7_u32)).prop_map(|(sensor, other)| Ask::Bypass {
            sensor: SensorId(sensor),
            substitute: other.map(SensorId),
            until: Some(leeside_core::time::Wall(1_781_600_000_000)),
        }),
    ]
}

pub(crate) fn anything() -> BoxedStrategy<Input> {
    let report = (0..3_u32, 0..=100_u8, any::<bool>()).prop_map(|(device, pct, refused)| {
        let tilt = (device == 2).then_some(0);
        Input::Report(Report {
            device: DeviceId(device),
            sequence: None,
            state: if refused {
                DriveState::Refused
            } else {
                DriveState::Standing
            },
            pose: Some(Pose {
                extension_pct: pct,
                tilt_deg: tilt,
            }),
            power_w: None,
        })
    });
    prop_oneof![
        20 => reading(),
        3 => (0..3_u32, any::<bool>()).prop_map(|(c, active)| Input::Contact { contact: ContactId(c), active }),
        4 => (ask(), any::<bool>()).prop_map(|(ask, room)| Input::Request(Request {
            by: "somebody".to_owned(),
            from: if room { Origin::Room(RoomId(0)) } else { Origin::Centre },
            ask,
        })),
        2 => report,
        1 => Just(Input::Connected),
        1 => Just(Input::Disconnected),
        1 => any::<bool>().prop_map(|present| Input::Gateway { gateway: GatewayId(0), present }),
        1 => any::<bool>().prop_map(|trusted| Input::Clock { trusted }),
        1 => prop::sample::select(vec![RestartCause::Started, RestartCause::ClockJump, RestartCause::Reloaded])
            .prop_map(Input::Restart),
    ]
    .boxed()
}

pub(crate) fn events(input: BoxedStrategy<Input>) -> impl Strategy<Value = Vec<Event>> {
    let event = (gap(), input).prop_map(|(after_ms, input)| Event { after_ms, input });
    prop::collection::vec(event, 1..120)
}

/// A core that is fed events and remembers what it said.
#[derive(Clone)]
pub(crate) struct Run {
    pub(crate) core: Core,
    pub(crate) ms: i64,
    pub(crate) said: Vec<Output>,
}

/// 05:00 UTC on 15 June 2026.
pub(crate) const START: i64 = 1_781_499_600_000;

impl Run {
    pub(crate) fn new(model: &Arc<Model>) -> Self {
        let core = Core::new(model.clone(), Now::both(START));
        Self {
            core,
            ms: START,
            said: Vec::new(),
        }
    }

    pub(crate) fn put(&mut self, event: &Event) {
        self.ms += event.after_ms;
        let mut input = event.input.clone();
        if let Input::Reading(reading) = &mut input {
            reading.at = Now::both(self.ms).wall;
        }
        // What was due before a start is not made up for: whether it was there until
        // then is no matter of ticks.
        if input == Input::Restart(RestartCause::Started) {
            self.tick(self.ms);
        }
        self.core.handle(Now::both(self.ms), input);
        self.said.extend(drain(&mut self.core));
    }

    pub(crate) fn tick(&mut self, ms: i64) {
        self.core.handle(Now::both(ms), Input::Tick);
        self.said.extend(drain(&mut self.core));
    }

    fn look_anew(&mut self, ms: i64) {
        self.core.look_anew(Now::both(ms));
        self.said.extend(drain(&mut self.core));
    }

    /// Wakes up whenever it wants to, as soon as that moment has passed.
    fn follow_wakes(&mut self, until: i64) {
        loop {
            let Output::Wake(wake) = self.core.poll() else {
                unreachable!("drained")
            };
            match wake.map(|w| w.at.steady.0 + 1) {
                Some(at) if at <= until => self.tick(at),
                _ => return,
            }
        }
    }

    fn end(mut self) -> Vec<Output> {
        self.tick(self.ms + 5 * HOUR);
        self.said
    }
}

fn plain(model: &Arc<Model>, events: &[Event]) -> Vec<Output> {
    let mut run = Run::new(model);
    for event in events {
        run.put(event);
    }
    run.end()
}

/// Commands, lockouts and refusals in their order; alarms in any.
fn decisions(said: Vec<Output>) -> Vec<Output> {
    let is_alarm = |o: &Output| matches!(o, Output::Alarm(_));
    let (mut alarms, mut rest): (Vec<_>, Vec<_>) = said.into_iter().partition(is_alarm);
    alarms.sort_by_key(|alarm| format!("{alarm:?}"));
    rest.extend(alarms);
    rest
}

/// Equal but for how long a command stays good, which counts from the call.
pub(crate) fn same(mut a: Vec<Output>, mut b: Vec<Output>) -> Result<(), TestCaseError> {
    for output in a.iter_mut().chain(&mut b) {
        if let Output::Command(command) = output {
            command.not_after = command.at.wall;
        }
    }
    let differ = a
        .iter()
        .map(Some)
        .chain([None])
        .zip(b.iter().map(Some).chain([None]))
        .find(|(a, b)| a != b);
    match differ {
        None if a.len() == b.len() => Ok(()),
        differ => {
            let (a, b) = differ.unwrap_or((a.last(), b.last()));
            Err(TestCaseError::fail(format!("\n  left {a:?}\n right {b:?}")))
        }
    }
}

proptest! {
    #[test]
    fn extra_ticks_change_nothing(
        events in events(anything()),
        ticks in prop::collection::vec(0..100_u8, 120),
    ) {
        let model = Arc::new(site());
        let mut run = Run::new(&model);
        for (event, share) in events.iter().zip(&ticks) {
            run.tick(run.ms + event.after_ms * i64::from(*share) / 100);
            run.put(event);
            run.tick(run.ms);
        }
        same(run.end(), plain(&model, &events))?;
    }

    /// What is not looked at could not have changed anything: looking at all of it
    /// at any time gives the same.
    #[test]
    fn looking_at_everything_anew_changes_nothing(
        events in events(anything()),
        looks in prop::collection::vec(0..100_u8, 120),
    ) {
        let model = Arc::new(site());
        let mut run = Run::new(&model);
        for (event, share) in events.iter().zip(&looks) {
            run.look_anew(run.ms + event.after_ms * i64::from(*share) / 100);
            run.put(event);
            run.look_anew(run.ms);
        }
        same(run.end(), plain(&model, &events))?;
    }

    #[test]
    fn late_wake_ups_change_nothing(events in events(anything())) {
        let model = Arc::new(site());
        let mut run = Run::new(&model);
        for event in &events {
            run.follow_wakes(run.ms + event.after_ms);
            run.put(event);
        }
        same(run.end(), plain(&model, &events))?;
    }

    #[test]
    fn the_same_reading_twice_changes_nothing(events in events(anything())) {
        let model = Arc::new(site());
        let mut run = Run::new(&model);
        let mut last: Option<(i64, Input)> = None;
        for event in &events {
            // At once, and again just before the next input.
            if let Some((at, input)) = last.take() {
                let mut input = input;
                if let Input::Reading(reading) = &mut input {
                    reading.at = Now::both(at).wall;
                }
                run.core.handle(Now::both(run.ms), input.clone());
                run.core.handle(Now::both(run.ms + event.after_ms), input);
            }
            run.put(event);
            if matches!(event.input, Input::Reading(_)) {
                last = Some((run.ms, event.input.clone()));
            }
        }
        same(run.end(), plain(&model, &events))?;
    }

    #[test]
    fn readings_of_one_moment_may_come_in_any_order(
        events in events(reading()),
        seed in any::<u64>(),
    ) {
        // Of each moment one reading per sensor, in the order drawn and in another.
        let mut moments: Vec<(i64, Vec<Event>)> = Vec::new();
        for event in &events {
            let sensor = |e: &Event| if let Input::Reading(r) = &e.input { r.sensor } else { SensorId(99) };
            match moments.last_mut() {
                Some((_, group)) if event.after_ms == 0 => {
                    if group.iter().all(|e| sensor(e) != sensor(event)) {
                        group.push(event.clone());
                    }
                }
                _ => moments.push((event.after_ms, vec![event.clone()])),
            }
        }
        let play = |turn: &dyn Fn(&mut Vec<Event>)| {
            let model = Arc::new(site());
            let mut run = Run::new(&model);
            for (after_ms, group) in &moments {
                let mut group = group.clone();
                turn(&mut group);
                for (index, mut event) in group.into_iter().enumerate() {
                    event.after_ms = if index == 0 { *after_ms } else { 0 };
                    run.put(&event);
                }
            }
            decisions(run.end())
        };
        let by = |n: usize| usize::try_from(seed % 7).unwrap_or(0) % n.max(1);
        let one = play(&|_| {});
        same(one.clone(), play(&|group| group.reverse()))?;
        same(one, play(&|group| { let n = by(group.len()); group.rotate_left(n); }))?;
    }

    #[test]
    fn restored_from_its_snapshot_it_goes_on_as_if_nothing_had_happened(
        events in events(anything()),
        place in 0..100_usize,
    ) {
        let model = Arc::new(site());
        let place = place * events.len() / 100;
        let mut run = Run::new(&model);
        for (index, event) in events.iter().enumerate() {
            if index == place {
                let text = serde_json::to_string(&run.core.snapshot()).unwrap();
                let kept: Snapshot = serde_json::from_str(&text).unwrap();
                run.core = Core::restore(model.clone(), &kept).unwrap();
            }
            run.put(event);
        }
        same(run.end(), plain(&model, &events))?;
    }

    #[test]
    fn a_stricter_limit_never_shortens_a_lockout(
        events in events(anything()),
        stricter in 0.0..6.0_f64,
    ) {
        let loose = Arc::new(site());
        let mut strict = site();
        for rule in strict.groups.iter_mut().filter_map(|g| g.wind.as_mut()) {
            rule.limit_mps -= stricter;
        }
        tightens(&events, &loose, &Arc::new(strict))?;
    }

    #[test]
    fn adding_a_sensor_never_lets_more_move(events in events(anything()), group in 0..3_usize) {
        let strict = Arc::new(site());
        let mut loose = site();
        let rules = &mut loose.groups[group];
        if let Some(rule) = rules.wind.as_mut().filter(|r| r.links.len() > 1) {
            rule.links.remove(0);
        }
        rules.hail = None;
        rules.rain = None;
        tightens(&events, &Arc::new(loose), &strict)?;
    }

    /// Both laws again where no sensor is ever at fault: speeds alone decide.
    #[test]
    fn speeds_alone_obey_a_stricter_limit_and_another_sensor(
        events in events(speed()),
        stricter in 0.0..6.0_f64,
        left_out in 0..2_usize,
    ) {
        let both = trusting();
        let (mut one, mut strict) = (both.clone(), both.clone());
        if let Some(rule) = one.groups[0].wind.as_mut() {
            rule.links.remove(left_out);
        }
        for rule in strict.groups.iter_mut().filter_map(|g| g.wind.as_mut()) {
            rule.limit_mps -= stricter;
        }
        let both = Arc::new(both);
        tightens(&events, &Arc::new(one), &both)?;
        tightens(&events, &both, &Arc::new(strict))?;
    }

    #[test]
    fn nothing_that_is_put_in_stops_it(events in events(anything()), index in 3..9_u32) {
        let model = Arc::new(site());
        let mut run = Run::new(&model);
        for event in &events {
            let mut event = event.clone();
            match &mut event.input {
                Input::Reading(reading) => reading.sensor = SensorId(index + 4),
                Input::Contact { contact, .. } => *contact = ContactId(index),
                Input::Report(report) => report.device = DeviceId(index),
                Input::Gateway { gateway, .. } => *gateway = GatewayId(index),
                Input::Request(request) => match &mut request.ask {
                    Ask::Pose { group, .. } | Ask::Halt { group, .. } | Ask::Release { group }
                    | Ask::Service { group, .. } | Ask::FrostCleared { group } => *group = GroupId(index),
                    Ask::Device { device, .. } => *device = DeviceId(index),
                    Ask::Bypass { sensor, .. } => *sensor = SensorId(index + 4),
                    Ask::Arrange { .. } | Ask::Acknowledge { .. } => {}
                },
                Input::Garbled { .. } | Input::Connected | Input::Disconnected | Input::Restart(_)
                | Input::Clock { .. } | Input::Tick => {}
            }
            run.put(&event);
        }
        // Of things that do not exist nothing comes but what time brings.
        let told = run.end().iter().any(|o| matches!(o, Output::Refused { .. }));
        prop_assert!(!told);
    }
}

/// At every moment the strict core has every group locked that the loose one has.
/// What a person does about frost or sensors is left out: it would be done to two
/// different buildings.
fn tightens(
    events: &[Event],
    loose: &Arc<Model>,
    strict: &Arc<Model>,
) -> Result<(), TestCaseError> {
    let (mut a, mut b) = (Run::new(loose), Run::new(strict));
    for event in events {
        if let Input::Request(request) = &event.input
            && matches!(request.ask, Ask::FrostCleared { .. } | Ask::Bypass { .. })
        {
            continue;
        }
        a.put(event);
        b.put(event);
        for group in (0..3).map(GroupId) {
            let locked = |run: &Run| {
                run.core
                    .lockouts(group)
                    .iter()
                    .map(|l| l.word)
                    .collect::<Vec<_>>()
            };
            let (loose, strict) = (locked(&a), locked(&b));
            prop_assert!(
                loose.iter().all(|word| strict.contains(word)),
                "{loose:?} {strict:?}"
            );
        }
    }
    Ok(())
}
