//! Made-up sites: every kind of device, guard and wish, with drawn numbers.

use crate::rng::Rng;
use chrono::NaiveDate;
use leeside_core::ids::{
    ContactId, DayClassId, DeviceId, FacadeId, FeederId, GatewayId, GroupId, ProductId, RoomId,
    SensorId, TimetableId,
};
use leeside_core::model::{
    Anchor, Budget, Contact, ContactKind, DailyCap, DayPlan, DayTable, Device, Drive, Evidence,
    Facade, Feeder, FireRule, FrozenWind, Gateway, Group, HailRule, HandRule, HeatRule, IceRule,
    IfNone, Kind, Model, Moisture, Phase, Policy, Product, QuietHours, RainRule, Refuges, Room,
    Sector, Sensor, SensorKind, Site, SunAim, SunEvent, SunRule, SwitchRule, Timetable, Unheard,
    Validity, WindLink, WindRule, ZeroCheck,
};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, SECOND};
use leeside_solar::shade::Obstructions;
use leeside_solar::{Atmosphere, Location, Plane, Slats};

pub(crate) const MAST: SensorId = SensorId(0);
pub(crate) const TOWER: SensorId = SensorId(1);
pub(crate) const RAIN: SensorId = SensorId(2);
pub(crate) const THERMO: SensorId = SensorId(3);
pub(crate) const HYGRO: SensorId = SensorId(4);
pub(crate) const HAIL: SensorId = SensorId(5);
pub(crate) const LIGHT: SensorId = SensorId(6);
pub(crate) const INSIDE: SensorId = SensorId(7);
pub(crate) const DOORS: [ContactId; 2] = [ContactId(0), ContactId(1)];
pub(crate) const FIRE: ContactId = ContactId(2);
pub(crate) const OCCUPIED: ContactId = ContactId(3);
/// Two plain switch inputs of one group: in, and out.
pub(crate) const SWITCHES: [ContactId; 2] = [ContactId(4), ContactId(5)];
pub(crate) const SWITCHED: GroupId = GroupId(2);
/// Pressed so long is a long press, ms.
pub(crate) const LONG_MS: i64 = 600;
pub(crate) const GATEWAY: GatewayId = GatewayId(0);

/// How often each sensor speaks, ms.
pub(crate) const EVERY: [i64; 8] = [
    2 * MINUTE,
    3 * MINUTE,
    5 * MINUTE,
    10 * MINUTE,
    10 * MINUTE,
    5 * MINUTE,
    5 * MINUTE,
    10 * MINUTE,
];

/// A site drawn from `rng`.
pub(crate) fn draw(rng: &mut Rng) -> Model {
    let mut model = frame(rng);
    sensors(&mut model, rng);
    let awning = product(rng, Kind::Awning, [30, 35, 0], Pose::RETRACTED);
    let blind = product(rng, Kind::SlatBlind, [50, 60, 2], Pose::RETRACTED);
    let shutter = product(rng, Kind::RollerShutter, [20, 22, 0], Pose::EXTENDED);
    let screen = product(rng, Kind::Screen, [25, 25, 0], Pose::RETRACTED);
    model.products = vec![awning, blind, shutter, screen];
    // Ice and rain harm what hangs out; hail drives screens in and shutters out.
    for (index, refuge) in model.products.iter_mut().map(|p| &mut p.refuge).enumerate() {
        // Some shutters would freeze fast where they hang, too.
        refuge.ice = (index != 2 || rng.once_in(2)).then_some(Pose::RETRACTED);
        refuge.rain = (index == 0 || index == 3).then_some(Pose::RETRACTED);
        refuge.hail = Some(if index == 2 {
            Pose::EXTENDED
        } else {
            Pose::RETRACTED
        });
    }
    for product in [0, 0, 1, 1, 1, 2, 2, 3, 3] {
        device(&mut model, rng, product);
    }
    for (index, door) in [(5, 0), (6, 0), (7, 1), (8, 1)] {
        model.devices[index].doors = vec![DOORS[door]];
    }
    model.devices[6].escape = true;
    let members: [(Kind, &[u32], usize); 4] = [
        (Kind::Awning, &[0, 1], 0),
        (Kind::SlatBlind, &[2, 3, 4], 1),
        (Kind::RollerShutter, &[5, 6], 1),
        (Kind::Screen, &[7, 8], 0),
    ];
    for (kind, devices, timetable) in members {
        group(&mut model, rng, kind, devices, timetable);
    }
    model
}

fn frame(rng: &mut Rng) -> Model {
    let phase = |name: &str, start, extension_pct, sun| Phase {
        name: name.to_owned(),
        start,
        pose: Pose::extension(extension_pct),
        sun,
        jitter_min: 5,
        jitter_seed: 7,
    };
    let at = |event, if_none| Anchor::Sun {
        event,
        offset_min: 10,
        not_before: Some(5 * 60),
        not_after: Some(22 * 60),
        if_none: IfNone::At(if_none),
    };
    let timetable = |name: &str, phases| Timetable {
        name: name.to_owned(),
        plans: vec![DayPlan {
            class: DayClassId(0),
            phases,
        }],
    };
    let out = timetable(
        "out",
        vec![
            phase("night", Anchor::Time(0), 0, false),
            phase("day", Anchor::Time(8 * 60), 100, true),
            phase("noon", Anchor::Time(13 * 60), 60, true),
            phase("evening", at(SunEvent::Sunset, 1200), 0, false),
        ],
    );
    let dark = timetable(
        "dark",
        vec![
            phase("morning", at(SunEvent::Sunrise, 400), 0, true),
            phase("siesta", Anchor::Time(14 * 60), 50, true),
            phase("night", at(SunEvent::CivilDusk, 1200), 100, false),
        ],
    );
    Model {
        site: Site {
            name: "made up".to_owned(),
            location: Location::new(50.0, 8.0, 100.0).unwrap(),
            atmosphere: Atmosphere::standard(100.0),
            zone: chrono_tz::Europe::Berlin,
            albedo: 0.2,
            linke_turbidity: 3.0,
        },
        policy: Policy {
            fire_moves_service: rng.once_in(2),
            fire_moves_service_decided: "drawn".to_owned(),
            frozen_wind: if rng.once_in(2) {
                FrozenWind::Hold
            } else {
                FrozenWind::Refuge
            },
            frozen_wind_decided: "drawn".to_owned(),
            known_for_ms: rng.int(0, 4) * MINUTE,
            service_reminder_ms: 8 * HOUR,
            command_lifetime_ms: MINUTE,
            answer_grace_ms: leeside_core::model::ANSWER_GRACE_MS,
            time_to_safe_max_ms: 5 * MINUTE,
            exposure_max_ms: 5 * MINUTE,
        },
        facades: vec![Facade {
            name: "south-west".to_owned(),
            plane: Plane::new(225.0, 90.0).unwrap(),
            obstructions: Obstructions::default(),
            light: vec![LIGHT],
        }],
        rooms: vec![Room {
            name: "room".to_owned(),
            occupancy: Some(OCCUPIED),
            temperature: Some(INSIDE),
        }],
        products: vec![],
        devices: vec![],
        feeders: (0..2).map(|i| feeder(i, rng)).collect(),
        gateways: vec![Gateway {
            name: "roof".to_owned(),
            silence_ms: MINUTE,
        }],
        groups: vec![],
        sensors: vec![],
        contacts: vec![],
        day_classes: vec!["every day".to_owned()],
        days: DayTable::new(NaiveDate::default(), vec![], [DayClassId(0); 7]),
        specials: vec![],
        timetables: vec![out, dark],
        arrangements: vec![],
    }
}

fn feeder(index: u32, rng: &mut Rng) -> Feeder {
    Feeder {
        name: format!("feeder {index}"),
        stagger_ms: rng.int(0, 8) * 500,
        starts_at_once: u32::try_from(rng.int(1, 2)).unwrap_or(1),
    }
}

fn sensors(model: &mut Model, rng: &mut Rng) {
    let kinds = [
        ("mast", SensorKind::Wind, (0.0, 60.0)),
        ("tower", SensorKind::Wind, (0.0, 60.0)),
        ("rain", SensorKind::Rain, (0.0, 100.0)),
        ("thermo", SensorKind::Temperature, (-40.0, 60.0)),
        ("hygro", SensorKind::Humidity, (0.0, 100.0)),
        ("hail", SensorKind::Hail, (0.0, 1.0)),
        ("light", SensorKind::PlaneIrradiance, (0.0, 1500.0)),
        ("inside", SensorKind::RoomTemperature, (0.0, 50.0)),
    ];
    for (index, (name, kind, (min, max))) in kinds.into_iter().enumerate() {
        let validity = Validity {
            min,
            max,
            silence_ms: EVERY[index] * 2 + rng.int(1, 6) * MINUTE,
            stuck_ms: (kind == SensorKind::Wind).then(|| rng.int(40, 90) * MINUTE),
            max_rate_per_s: (kind == SensorKind::Temperature).then_some(0.05),
            // The tower is beside the mast: it tells when the mast's cups are gone.
            zero: (index == 0 && rng.once_in(2)).then(|| ZeroCheck {
                neighbour: TOWER,
                neighbour_mps: 3.0,
                for_ms: rng.int(15, 35) * MINUTE,
            }),
            recover_ms: rng.int(0, 12) * MINUTE,
        };
        model.sensors.push(Sensor {
            name: name.to_owned(),
            kind,
            validity,
            gust: Unheard::KeptFor(MINUTE),
            gateway: matches!(kind, SensorKind::Rain | SensorKind::Hail).then_some(GATEWAY),
        });
    }
    let kinds = [
        ("terrace door", ContactKind::Door),
        ("garden door", ContactKind::Door),
        ("fire", ContactKind::Fire),
        ("occupied", ContactKind::Occupancy),
        ("switch in", ContactKind::Switch),
        ("switch out", ContactKind::Switch),
    ];
    for (index, (name, kind)) in kinds.into_iter().enumerate() {
        model.contacts.push(Contact {
            name: name.to_owned(),
            kind,
            silence_ms: None,
            latch_ms: if kind == ContactKind::Door {
                rng.int(0, 2) * MINUTE
            } else {
                0
            },
            switch: (kind == ContactKind::Switch).then_some(SwitchRule {
                group: SWITCHED,
                extend: index == 5,
                long_press_ms: LONG_MS,
            }),
            gateway: (index == 1).then_some(GATEWAY),
        });
    }
}

fn product(rng: &mut Rng, kind: Kind, seconds: [i64; 3], refuge: Pose) -> Product {
    let [extend, retract, tilt] = seconds;
    let slats = (kind == Kind::SlatBlind).then(|| Slats::new(80.0, 72.0, 0.0, 90.0, 0.0).unwrap());
    let full_ms = (extend.max(retract) + tilt + 1) * SECOND;
    Product {
        name: format!("{kind:?}"),
        kind,
        extend_ms: extend * SECOND,
        retract_ms: retract * SECOND,
        tilt_ms: tilt * SECOND,
        slats,
        wind_limit_mps: 10.0,
        wind_limit_source: "drawn".to_owned(),
        refuge: Refuges {
            wind: refuge,
            hail: None,
            ice: None,
            rain: None,
        },
        reversal_pause_ms: rng.int(0, 4) * 300,
        budget: rng.once_in(2).then(|| Budget {
            run_ms: rng.int(3, 6) * full_ms,
            window_ms: rng.int(20, 120) * MINUTE,
        }),
        reference_after_moves: u32::try_from(rng.int(0, 1) * rng.int(3, 9)).unwrap_or(0),
        endurance_cycles: None,
        g_total: None,
    }
}

fn device(model: &mut Model, rng: &mut Rng, product: u32) {
    model.devices.push(Device {
        name: format!("device {}", model.devices.len()),
        product: ProductId(product),
        room: Some(RoomId(0)),
        opening: None,
        drive: Drive {
            feeder: FeederId(u32::from(product > 1)),
            gateway: None,
            evidence: rng.once_in(2).then_some(Evidence {
                running_from_w: 50.0,
                too_much_w: 300.0,
                supply_v: None,
            }),
            reports: rng.once_in(2),
        },
        doors: vec![],
        escape: false,
    });
}

fn group(model: &mut Model, rng: &mut Rng, kind: Kind, devices: &[u32], timetable: usize) {
    let product = &model.products[model.devices[devices[0] as usize].product.index()];
    let outdoors = kind == Kind::Awning || kind == Kind::Screen;
    let hold = |rng: &mut Rng| rng.int(5, 40) * MINUTE;
    let moisture = if rng.once_in(2) {
        Moisture::Rain {
            sensor: RAIN,
            within_ms: rng.int(1, 6) * HOUR,
        }
    } else {
        Moisture::Humidity {
            sensor: HYGRO,
            from_pct: 85.0,
        }
    };
    let ice = IceRule {
        sensors: vec![THERMO],
        below_c: 3.0,
        above_c: 5.0,
        hold_ms: hold(rng) * 2,
        moisture: vec![moisture],
    };
    let group = Group {
        name: format!("{kind:?}s"),
        facade: FacadeId(0),
        kind,
        devices: devices.iter().copied().map(DeviceId).collect(),
        rooms: vec![RoomId(0)],
        wind: Some(wind(rng, hold)),
        hail: (kind != Kind::Awning).then(|| HailRule {
            sensors: vec![HAIL],
            from: 0.5,
            hold_ms: hold(rng),
        }),
        ice: product.refuge.ice.map(|_| ice),
        rain: outdoors.then(|| RainRule {
            sensors: vec![RAIN],
            above: 0.2,
            hold_ms: hold(rng),
        }),
        fire: (kind == Kind::RollerShutter || kind == Kind::SlatBlind).then(|| FireRule {
            contacts: vec![FIRE],
            pose: Pose::RETRACTED,
        }),
        timetable: TimetableId::of(timetable),
        rest: Pose::RETRACTED,
        sun: (kind != Kind::RollerShutter).then(|| sun(rng, kind)),
        hand: HandRule {
            hold_ms: HOUR,
            announce_ms: 5 * MINUTE,
        },
        quiet: rng.once_in(3).then_some(QuietHours {
            from_min: 22 * 60,
            to_min: 6 * 60,
        }),
        slats: product.slats,
        opening: None,
        obstructions: Obstructions::default(),
    };
    model.groups.push(group);
}

fn wind(rng: &mut Rng, hold: fn(&mut Rng) -> i64) -> WindRule {
    let link = |rng: &mut Rng, sensor| WindLink {
        sensor,
        factor: rng.real(1.0, 1.4),
        sectors: if rng.once_in(3) {
            vec![Sector {
                from_deg: 200.0,
                to_deg: 300.0,
                factor: 1.2,
            }]
        } else {
            vec![]
        },
        advisory: false,
    };
    let which: &[SensorId] = rng.pick(&[&[MAST][..], &[TOWER], &[MAST, TOWER]]);
    WindRule {
        limit_mps: rng.real(7.0, 14.0),
        source: "drawn".to_owned(),
        hysteresis_mps: rng.real(0.0, 3.0),
        hold_ms: hold(rng),
        persistence_ms: rng.int(0, 2) * 4 * SECOND,
        links: which.iter().map(|sensor| link(rng, *sensor)).collect(),
    }
}

fn sun(rng: &mut Rng, kind: Kind) -> SunRule {
    SunRule {
        aim: if kind == Kind::SlatBlind {
            SunAim::TrackSlats
        } else {
            SunAim::Fixed(Pose::extension(80))
        },
        on_wm2: 250.0,
        off_wm2: 120.0,
        on_delay_ms: rng.int(0, 10) * MINUTE,
        off_delay_ms: rng.int(5, 20) * MINUTE,
        retract_delay_ms: 20 * MINUTE,
        least_step: 5,
        least_interval_ms: rng.int(10, 30) * MINUTE,
        cap: DailyCap {
            travels: 10,
            tilts: 40,
        },
        heat: rng.once_in(2).then_some(HeatRule {
            outdoor: Some(THERMO),
            setpoint_c: 22.0,
            band_k: 1.0,
            from_wm2: 150.0,
            keep_out: Pose::EXTENDED,
            let_in: Pose::RETRACTED,
        }),
    }
}
