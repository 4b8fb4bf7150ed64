//! Every one, every pair and every triple of guards and wishes, in each of their
//! states, against a table written out by hand.
//!
//! Every voice asks for a pose of its own, so that the pose tells who decided.

use crate::support::*;
use leeside_core::ids::{ContactId, DeviceId, GroupId, SensorId};
use leeside_core::input::{Ask, Input, Origin, RestartCause, Until};
use leeside_core::model::{
    Budget, ContactKind, FrozenWind, Kind, Moisture, QuietHours, SensorKind, SpecialDay, SunAim,
    Validity,
};
use leeside_core::output::{Course, Word};
use leeside_core::pose::Pose;
use leeside_core::time::HOUR;

/// A state that is not the calm one.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum State {
    Service,
    Fire,
    WindOver,
    WindHolding,
    WindUnknown,
    HailOver,
    HailHolding,
    HailUnknown,
    IceCold,
    IceHolding,
    IceUnknown,
    Frozen,
    FrozenUnknown,
    RainOver,
    RainHolding,
    RainUnknown,
    NotKnown,
    HandPose,
    HandHalt,
    Sun,
    PhaseWithoutSun,
    NoPhase,
    SpecialWithSun,
    SpecialWithoutSun,
    Quiet,
    ClockUntrusted,
    DoorOpen,
    DoorUnknown,
    DutySpent,
}

use State::*;

/// What speaks in which state: rank (lower goes first), word, pose (`None`: hold).
/// A timetable's phase (50 %, sun allowed) always speaks unless a state below says otherwise.
#[rustfmt::skip]
const TABLE: [(State, u8, Word, Option<u8>); 20] = [
    (Service,           10, Word::Service,   None),
    (Fire,              20, Word::Fire,      Some(5)),
    (Frozen,            30, Word::Ice,       None),
    (FrozenUnknown,     30, Word::Ice,       None),
    (WindOver,          40, Word::Wind,      Some(10)),
    (WindHolding,       40, Word::Wind,      Some(10)),
    (WindUnknown,       40, Word::Wind,      Some(10)),
    (HailOver,          50, Word::Hail,      Some(20)),
    (HailHolding,       50, Word::Hail,      Some(20)),
    (HailUnknown,       50, Word::Hail,      Some(20)),
    (IceCold,           60, Word::Ice,       Some(30)),
    (IceHolding,        60, Word::Ice,       Some(30)),
    (IceUnknown,        60, Word::Ice,       Some(30)),
    (RainOver,          70, Word::Rain,      Some(40)),
    (RainHolding,       70, Word::Rain,      Some(40)),
    (RainUnknown,       70, Word::Rain,      Some(40)),
    (NotKnown,          80, Word::Wind,      None),
    (HandPose,          90, Word::Hand,      Some(70)),
    (HandHalt,          90, Word::Hand,      None),
    (Sun,              100, Word::Sun,       Some(60)),
];

/// States that cannot be at once: two of one guard or wish.
#[rustfmt::skip]
const APART: [&[State]; 7] = [
    &[WindOver, WindHolding, WindUnknown],
    &[HailOver, HailHolding, HailUnknown],
    &[IceCold, IceHolding, IceUnknown, Frozen, FrozenUnknown],
    &[RainOver, RainHolding, RainUnknown],
    &[HandPose, HandHalt],
    &[PhaseWithoutSun, NoPhase, SpecialWithSun, SpecialWithoutSun],
    &[DoorOpen, DoorUnknown],
];

const ALL: [State; 29] = [
    Service,
    Fire,
    WindOver,
    WindHolding,
    WindUnknown,
    HailOver,
    HailHolding,
    HailUnknown,
    IceCold,
    IceHolding,
    IceUnknown,
    Frozen,
    FrozenUnknown,
    RainOver,
    RainHolding,
    RainUnknown,
    NotKnown,
    HandPose,
    HandHalt,
    Sun,
    PhaseWithoutSun,
    NoPhase,
    SpecialWithSun,
    SpecialWithoutSun,
    Quiet,
    ClockUntrusted,
    DoorOpen,
    DoorUnknown,
    DutySpent,
];

/// The two questions without a default, what harms the device, and where it stands.
#[derive(Clone, Copy, Debug)]
struct Setting {
    /// Wind asks it out to 90 %, and hail does not harm it; otherwise as the table says.
    out_in_wind: bool,
    fire_moves_service: bool,
    frozen_wind: FrozenWind,
    here: u8,
}

/// A group's word and pose (`None`: hold), and what its device does instead.
type Decided = (Word, Option<u8>, Option<(Word, Option<u8>)>);

/// What is to be expected, by the table and the bounds: the group's word and pose,
/// and what holds its device instead.
#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "only weather can be unknown"
)]
fn expected(states: &[State], setting: Setting) -> Decided {
    let has = |state: State| states.contains(&state);
    let speaks = |(state, ..): &&(State, u8, Word, Option<u8>)| {
        has(*state)
            // Stated for the site: fire moves what service holds.
            && !(*state == Service && has(Fire) && setting.fire_moves_service)
            && !(*state == Sun && (has(PhaseWithoutSun) || has(NoPhase) || has(SpecialWithoutSun)))
    };
    let rank = |(state, rank, ..): &(State, u8, Word, Option<u8>)| {
        let frozen = matches!(state, Frozen | FrozenUnknown);
        // Stated for the site: wind may move what is frozen (and what outranks ice may).
        if frozen && setting.frozen_wind == FrozenWind::Refuge {
            60
        } else {
            *rank
        }
    };
    let first = TABLE.iter().filter(speaks).min_by_key(|row| rank(row));
    let comfort = |pose| {
        if has(Quiet) || has(ClockUntrusted) {
            None
        } else {
            Some(pose)
        }
    };
    let base = if has(NoPhase) {
        (Word::Rest, comfort(80))
    } else if has(SpecialWithSun) || has(SpecialWithoutSun) {
        (Word::Timetable, comfort(55))
    } else {
        (Word::Timetable, comfort(50))
    };
    if setting.out_in_wind
        && let Some((_, _, word, _)) = first
        && let Some(decided) = out_in_wind(states, setting, *word)
    {
        return decided;
    }
    let (word, pose) = match first {
        Some((_, _, Word::Sun, pose)) => (Word::Sun, pose.and_then(comfort)),
        Some((_, _, word, pose)) => (*word, *pose),
        None => base,
    };
    let Some(to) = pose else {
        return (word, pose, None);
    };
    let unknown = match word {
        Word::Wind => has(WindUnknown),
        Word::Hail => has(HailUnknown),
        Word::Ice => has(IceUnknown),
        Word::Rain => has(RainUnknown),
        _ => false,
    };
    let wish = matches!(word, Word::Hand | Word::Sun | Word::Timetable | Word::Rest);
    let held = if to > setting.here && (has(DoorOpen) || has(DoorUnknown)) {
        Some(Word::Door)
    } else if to > setting.here && (unknown || word == Word::Fire) {
        Some(word)
    } else if wish && has(DutySpent) && to != setting.here {
        Some(Word::Drive)
    } else {
        None
    };
    (word, pose, held.map(|word| (word, None)))
}

/// The same where wind asks the device out to 90 % and hail does not harm it, written
/// out by hand for each guard that decides: the group's word and pose, and what its
/// device does instead. `None`: as the table says.
fn out_in_wind(states: &[State], setting: Setting, word: Word) -> Option<Decided> {
    let has = |state: State| states.contains(&state);
    let frozen = has(Frozen) || has(FrozenUnknown);
    let door = has(DoorOpen) || has(DoorUnknown);
    let ice = has(IceCold) || has(IceHolding) || has(IceUnknown);
    let rain = has(RainOver) || has(RainHolding) || has(RainUnknown);
    // Which guard takes over what is let be, and where to: it only retracts from 60 %.
    let lower = if frozen {
        None
    } else if ice {
        Some((Word::Ice, Some(30)))
    } else if rain {
        Some((Word::Rain, Some(40)))
    } else {
        None
    };
    assert_eq!(setting.here, 60, "from where both only retract");
    if word == Word::Hail {
        // Nothing of the group is harmed by hail.
        return Some((word, None, lower));
    }
    if word != Word::Wind {
        return None;
    }
    if has(WindOver) || has(WindHolding) {
        // Known wind claims its pose: only a door holds it back.
        return Some((word, Some(90), door.then_some((Word::Door, None))));
    }
    // Unknown wind never extends: it lets the device be.
    let held = if door { Word::Door } else { Word::Wind };
    has(WindUnknown).then(|| (word, Some(90), lower.or(Some((held, None)))))
}

const GROUP: GroupId = GroupId(0);
const MAST: SensorId = SensorId(0);
const HAIL: SensorId = SensorId(1);
const THERMO: SensorId = SensorId(2);
const HYGRO: SensorId = SensorId(3);
const RAIN: SensorId = SensorId(4);
const LIGHT: SensorId = SensorId(5);
const DOOR: ContactId = ContactId(0);
const ALARM: ContactId = ContactId(1);

fn house(states: &[State], setting: Setting) -> House {
    let has = |state: State| states.contains(&state);
    let mut house = House::new(Pose::RETRACTED);
    house.model.policy.fire_moves_service = setting.fire_moves_service;
    house.model.policy.frozen_wind = setting.frozen_wind;
    house.model.policy.known_for_ms = 6 * HOUR;
    house.model.timetables.clear();
    if has(NoPhase) {
        house.timetable(&[]);
    } else {
        house.timetable(&[(0, Pose::extension(50), !has(PhaseWithoutSun))]);
    }
    let bounded = Validity {
        max: 1000.0,
        ..TRUSTING
    };
    let kinds = [
        ("mast", SensorKind::Wind),
        ("hail", SensorKind::Hail),
        ("thermo", SensorKind::Temperature),
        ("hygro", SensorKind::Humidity),
        ("rain", SensorKind::Rain),
        ("light", SensorKind::PlaneIrradiance),
    ];
    for (name, kind) in kinds {
        house.sensor_with(name, kind, bounded);
    }
    house.model.facades[0].light = vec![LIGHT];
    house.contact("door", ContactKind::Door);
    house.contact("fire", ContactKind::Fire);
    house.single("thing", Kind::Screen);
    let device = &mut house.model.devices[0];
    device.doors = vec![DOOR];
    device.drive.reports = true;
    let product = house.product_of(GROUP);
    product.refuge.wind = Pose::extension(10);
    product.refuge.hail = Some(Pose::extension(20));
    product.refuge.ice = Some(Pose::extension(30));
    product.refuge.rain = Some(Pose::extension(40));
    if setting.out_in_wind {
        product.refuge.wind = Pose::extension(90);
        product.refuge.hail = None;
    }
    if has(DutySpent) {
        product.budget = Some(Budget {
            run_ms: 60_000,
            window_ms: 72 * HOUR,
        });
    }
    let group = house.of(GROUP);
    group.rest = Pose::extension(80);
    group.wind = Some(wind_rule(&[MAST]));
    group.hail = Some(hail_rule(&[HAIL]));
    group.rain = Some(rain_rule(&[RAIN]));
    let mut ice = ice_rule(&[THERMO]);
    ice.moisture = vec![Moisture::Humidity {
        sensor: HYGRO,
        from_pct: 90.0,
    }];
    group.ice = Some(ice);
    let mut fire = fire_rule(&[ALARM]);
    fire.pose = Pose::extension(5);
    group.fire = Some(fire);
    let mut sun = sun_rule(SunAim::Fixed(Pose::extension(60)));
    sun.on_delay_ms = 0;
    group.sun = Some(sun);
    group.hand.hold_ms = 20 * HOUR;
    // From noon on, so that nothing holds the way to the starting state.
    group.quiet = has(Quiet).then_some(QuietHours {
        from_min: 12 * 60,
        to_min: 20 * 60,
    });
    if has(SpecialWithSun) || has(SpecialWithoutSun) {
        house.model.specials.push(SpecialDay {
            name: "special".to_owned(),
            groups: vec![GROUP],
            from: leeside_core::time::Wall(0),
            to: leeside_core::time::Wall(i64::MAX / 4),
            pose: Pose::extension(55),
            sun: has(SpecialWithSun),
        });
    }
    house
}

/// Brings a core into the states: wishes first, as a guard would refuse them.
fn play(states: &[State], setting: Setting) -> Decided {
    let has = |state: State| states.contains(&state);
    let mut rig = Rig::calm(house(states, setting));
    let mut clock = 0;
    let mut put = |rig: &mut Rig, input: In| {
        clock += 1;
        let time = format!("12:00:{clock:02}");
        rig.put(&time, &input);
    };
    rig.put("06:30:00", &tick());
    let halt = asks(
        "panel",
        Origin::Centre,
        Ask::Halt {
            group: GROUP,
            until: Until::Rule,
        },
    );
    if has(HandPose) {
        put(&mut rig, room(GROUP, 70));
    }
    if has(HandHalt) {
        put(&mut rig, halt);
    }
    if has(NotKnown) || has(DoorUnknown) {
        put(&mut rig, In::Put(Input::Restart(RestartCause::ClockJump)));
        if !has(DoorUnknown) {
            put(&mut rig, contact(DOOR, false));
        }
        put(&mut rig, contact(ALARM, false));
        put(&mut rig, gust(MAST, 1.0));
        for (sensor, calm) in [
            (HAIL, 0.0),
            (THERMO, 20.0),
            (HYGRO, 50.0),
            (RAIN, 0.0),
            (LIGHT, 0.0),
        ] {
            put(&mut rig, value(sensor, calm));
        }
    }
    if has(Sun) {
        put(&mut rig, value(LIGHT, 800.0));
    }
    if has(ClockUntrusted) {
        put(&mut rig, In::Put(Input::Clock { trusted: false }));
    }
    let readings: &[(State, SensorId, &[f64])] = &[
        (HailOver, HAIL, &[1.0]),
        (HailHolding, HAIL, &[1.0, 0.0]),
        (HailUnknown, HAIL, &[2000.0]),
        (RainOver, RAIN, &[1.0]),
        (RainHolding, RAIN, &[1.0, 0.0]),
        (RainUnknown, RAIN, &[2000.0]),
        (IceCold, THERMO, &[2.0]),
        (IceHolding, THERMO, &[2.0, 7.0]),
        (IceUnknown, THERMO, &[2000.0]),
        (Frozen, THERMO, &[-1.0]),
        (FrozenUnknown, THERMO, &[2.9, 2000.0]),
    ];
    if has(IceCold) || has(IceHolding) || has(Frozen) {
        put(&mut rig, value(HYGRO, 95.0));
    }
    for (state, sensor, values) in readings {
        for v in values.iter().filter(|_| has(*state)) {
            put(&mut rig, value(*sensor, *v));
        }
    }
    for (state, values) in [
        (WindOver, &[12.0][..]),
        (WindHolding, &[12.0, 1.0]),
        (WindUnknown, &[2000.0]),
    ] {
        for v in values.iter().filter(|_| has(state)) {
            put(&mut rig, gust(MAST, *v));
        }
    }
    if has(DoorOpen) {
        put(&mut rig, contact(DOOR, true));
    }
    if has(Fire) {
        put(&mut rig, contact(ALARM, true));
    }
    if has(Service) {
        put(&mut rig, service(GROUP, true));
    }
    rig.put("12:10:00", &tick());
    rig.put(
        "12:10:01",
        &stands(DeviceId(0), Pose::extension(setting.here)),
    );
    rig.put("12:10:02", &tick());
    decided(&rig)
}

fn decided(rig: &Rig) -> Decided {
    let verdict = rig.core.explain(GROUP).verdict;
    let pose = |course: &Course| match course {
        Course::To(pose) => Some(pose.extension_pct),
        Course::Hold => None,
    };
    let own = verdict.exceptions.first();
    (
        verdict.decided_by,
        pose(&verdict.course),
        own.map(|e| (e.word, pose(&e.course))),
    )
}

fn apart(a: State, b: State) -> bool {
    APART.iter().any(|group| group.contains(&a) && group.contains(&b))
        // A restart with a door not heard again is also one with weather not known.
        || (a.min(b), a.max(b)) == (NotKnown, DoorUnknown)
}

/// A restart for the door's sake leaves the weather not known, too.
fn told(states: &[State]) -> Vec<State> {
    let mut told = states.to_vec();
    if told.contains(&DoorUnknown) {
        told.push(NotKnown);
    }
    told
}

fn sets() -> Vec<Vec<State>> {
    let mut sets = vec![vec![]];
    for (i, a) in ALL.iter().enumerate() {
        sets.push(vec![*a]);
        for (j, b) in ALL.iter().enumerate().skip(i + 1) {
            if apart(*a, *b) {
                continue;
            }
            sets.push(vec![*a, *b]);
            for c in &ALL[j + 1..] {
                if !apart(*a, *c) && !apart(*b, *c) {
                    sets.push(vec![*a, *b, *c]);
                }
            }
        }
    }
    sets
}

#[test]
fn every_pair_and_triple_of_guards_and_wishes_decides_as_the_table_says() {
    let sets = sets();
    assert!(sets.len() > 3000, "{}", sets.len());
    let mut wrong = Vec::new();
    for set in &sets {
        for (out_in_wind, fire_moves_service, frozen_wind, here) in [
            (false, false, FrozenWind::Hold, 100),
            (false, false, FrozenWind::Hold, 0),
            (false, true, FrozenWind::Refuge, 100),
            (true, false, FrozenWind::Hold, 60),
            (true, true, FrozenWind::Refuge, 60),
        ] {
            let setting = Setting {
                out_in_wind,
                fire_moves_service,
                frozen_wind,
                here,
            };
            let (wanted, got) = (expected(&told(set), setting), play(set, setting));
            if wanted != got {
                wrong.push(format!(
                    "{set:?} {setting:?}: wanted {wanted:?}, got {got:?}"
                ));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "{} wrong, such as\n{}",
        wrong.len(),
        wrong[..wrong.len().min(25)].join("\n")
    );
}
