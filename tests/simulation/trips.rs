//! A check that cannot trip checks nothing: each one is shown a made-up story that
//! breaks its rule, and has to complain of that; and the same story in order, of which
//! it has to say nothing. So is each excuse: the story that it is for, and the same
//! where it has ended.

mod drives;
mod power;
mod told;
mod weather;

use crate::bench::Bench;
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::input::Ask;
use leeside_core::model::{Evidence, Model};

type Finding = Result<(), String>;

/// A slat blind without doors, a shutter with one, and a screen on another feeder.
const BLIND: DeviceId = DeviceId(2);
const SECOND_BLIND: DeviceId = DeviceId(3);
const SHUTTER: DeviceId = DeviceId(5);

/// A story: what is told, in order or (`true`) with its rule broken.
type Story = fn(bool) -> Finding;

/// Each rule, some words of the complaint that its check must make, and the story.
const STORIES: [(&str, &str, Story); 57] = [
    ("numbers rise", "sequence", told::numbers),
    (
        "numbers rise over a start",
        "sequence",
        told::numbers_over_a_start,
    ),
    ("no command is late", "too late", told::lateness),
    ("no command is empty", "asks nothing", told::emptiness),
    (
        "orders are for the group's drives",
        "is not of",
        told::strangers,
    ),
    ("reasons fit", "decided because", told::reasons),
    ("reasons name what there is", "decided because", told::names),
    (
        "no wish while a guard holds",
        "although a guard holds",
        told::held,
    ),
    (
        "no comfort without power",
        "its power is in question",
        told::barred,
    ),
    (
        "no wish on unknown weather",
        "the weather is not known",
        told::unknown,
    ),
    ("no wish in service", "somebody works there", told::served),
    (
        "fire in service as the site says",
        "somebody works there",
        told::served_in_fire,
    ),
    ("no comfort in quiet hours", "in quiet hours", told::quiet),
    (
        "no comfort by a wrong clock",
        "not to be trusted",
        told::clock,
    ),
    ("no extending in a fire", "in a fire", told::fire),
    ("no extending past a door", "past an open door", told::door),
    (
        "no refuge extends unknown",
        "on unknown weather",
        told::blind_refuge,
    ),
    ("duty", "ms duty", told::duty),
    ("duty over a start", "ms duty", told::duty_over_a_start),
    ("reversal pause", "within its reversal pause", drives::pause),
    (
        "reversal pause after a start",
        "within its reversal pause",
        drives::pause_after_a_start,
    ),
    ("stagger", "stagger", drives::stagger),
    (
        "what runs out halts at a door",
        "past an open door",
        drives::runs_past_door,
    ),
    (
        "... and in a fire",
        "past an open door or in a fire",
        drives::runs_out_in_a_fire,
    ),
    (
        "... once it is reached",
        "past an open door",
        drives::runs_past_door_unreached,
    ),
    (
        "nothing moves in service",
        "while somebody works",
        drives::moves_in_service,
    ),
    (
        "mended it is watched again",
        "past an open door",
        drives::mended,
    ),
    ("refuge in time", "out of its refuge for", drives::refuge),
    (
        "what is owed is said",
        "out of its refuge for",
        drives::owed,
    ),
    (
        "out when the door shuts",
        "out of its refuge for",
        drives::out_when_shut,
    ),
    (
        "out when the weather is known",
        "out of its refuge for",
        drives::out_when_known,
    ),
    (
        "frozen as the site says",
        "out of its refuge for",
        drives::frozen,
    ),
    (
        "in after service",
        "out of its refuge for",
        drives::in_after_service,
    ),
    (
        "tried again with power",
        "not told again",
        drives::tried_again,
    ),
    ("a switch runs", "ought to run", drives::runs_by_switch),
    (
        "... its own way",
        "ought to run",
        drives::other_way_by_switch,
    ),
    ("... and halts", "ought to halt", drives::halts_by_switch),
    ("holds by hand end", "still held by hand", power::hand),
    (
        "... also in 1970",
        "still held by hand",
        power::hand_in_1970,
    ),
    ("too much power is alarmed", "no alarm", power::power_unseen),
    (
        "power without a command is alarmed",
        "no alarm",
        power::power_uncommanded,
    ),
    (
        "no power on a command is alarmed",
        "no alarm",
        power::power_missing,
    ),
    (
        "no alarm for nothing",
        "nothing is wrong",
        power::false_alarm,
    ),
    (
        "... nor for something else",
        "nothing is wrong",
        power::another_alarm,
    ),
    (
        "alarms say what is wrong",
        "because",
        power::alarm_without_trouble,
    ),
    (
        "alarms name drives",
        "is of no device",
        power::nobodys_alarm,
    ),
    ("no lockout is missing", "ought", weather::missing_lockout),
    ("no lockout is too long", "ought", weather::needless_lockout),
    ("zero while a neighbour blows", "ought", weather::zero),
    ("zero while nothing blows", "ought", weather::zero_in_calm),
    ("masts are heard in 1970", "ought", weather::heard_in_1970),
    ("lockouts outlive 1970", "ought", weather::held_in_1970),
    ("frost", "ought", weather::frost),
    ("what is counted was heard", "counted", weather::counts),
    (
        "without power nowhere",
        "drew no power when told",
        weather::believed,
    ),
    (
        "a lost state is said",
        "no alarm stands",
        weather::state_lost,
    ),
    ("the same again", "came out otherwise", weather::same_again),
];

/// Tells all stories; what did not go as it should.
pub(crate) fn all() -> Vec<String> {
    let mut wrong = Vec::new();
    for (rule, words, story) in STORIES {
        if let Err(why) = story(false) {
            wrong.push(format!("{rule}: complains of what is in order: {why}"));
        }
        match story(true) {
            Err(why) if why.contains(words) => {}
            Err(why) => wrong.push(format!("{rule}: complains of something else: {why}")),
            Ok(()) => wrong.push(format!("{rule}: the check did not trip")),
        }
    }
    wrong
}

fn service(bench: &mut Bench, on: bool) {
    let group = GroupId(1);
    let expected_end = None;
    bench.ask(Ask::Service {
        group,
        on,
        expected_end,
    });
}

fn measured(model: &mut Model) {
    for device in &mut model.devices {
        device.drive.evidence = Some(Evidence {
            running_from_w: 50.0,
            too_much_w: 300.0,
            supply_v: None,
        });
    }
}
