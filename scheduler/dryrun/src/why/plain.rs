//! The answer for a tenant: two or three sentences without a word of the trade.

use super::{Basis, Why};
use crate::told::Movement;
use leeside_core::engine::phase_starts;
use leeside_core::ids::{SensorId, TimetableId};
use leeside_core::model::{Kind, Model};
use leeside_core::output::Course;
use leeside_core::pose::Pose;
use leeside_core::reason::{Because, WindPart};
use leeside_core::time::{MINUTE, Wall};

/// Slats at this tilt or steeper are called closed, degrees.
const CLOSED_FROM_DEG: i16 = 65;
/// Slats flatter than this are called level, degrees.
const LEVEL_BELOW_DEG: i16 = 5;

/// Two or three sentences: how it stood and why, since when and until when, and
/// what the answer rests on.
#[must_use]
pub fn plain(model: &Model, basis: &Basis, why: &Why) -> String {
    let kind = model.group(why.group).kind;
    let verdict = &why.then.verdict;
    let state = match (&verdict.course, why.poses.first()) {
        (Course::To(pose), _) => format!("are to be {}", stands(kind, *pose)),
        (Course::Hold, Some((_, Some(pose)))) => {
            format!("are to stay as they are, {}", stands(kind, *pose))
        }
        (Course::Hold, _) => "are to stay as they are".to_owned(),
    };
    let mut told = format!(
        "On {} the {} of {} {state}: {}.",
        moment(model, why.at),
        noun(kind),
        model.group(why.group).name,
        reason(model, &verdict.because)
    );
    let since = why
        .then
        .since
        .map(|since| format!("That has been so since {}", near(model, why.at, since.wall)));
    let next = why
        .next
        .as_ref()
        .map(|next| movement(model, kind, why.at, next));
    let until = match (since, next) {
        (Some(since), Some(next)) => format!(" {since}; they move next {next}."),
        (Some(since), None) => format!(" {since}."),
        (None, Some(next)) => format!(" They move next {next}."),
        (None, None) => String::new(),
    };
    told.push_str(&until);
    if let Basis::Told(head) = basis {
        let source = if head.weather_file.is_some() {
            "a weather file"
        } else {
            "a clear and calm sky"
        };
        told.push_str(&format!(
            " This is worked out from {source}, not measured in the house."
        ));
    }
    told
}

/// A movement in words, as seen from `from`: `at 15:02 (up: ...)`.
pub(super) fn movement(model: &Model, kind: Kind, from: Wall, movement: &Movement) -> String {
    let when = near(model, from, movement.at.wall);
    format!(
        "at {when} ({}: {})",
        stands(kind, movement.pose),
        reason_of(model, movement)
    )
}

/// Why it moved, as a tenant would be told. Where the timetable decides but no
/// phase of it has just begun, something else has ended.
pub(super) fn reason_of(model: &Model, movement: &Movement) -> String {
    let told = reason(model, &movement.because);
    let Because::Phase { timetable, .. } = movement.because else {
        return told;
    };
    let at = movement.at.wall;
    let starts = phase_starts(model, timetable, at.local_date(model.site.zone));
    if starts
        .iter()
        .any(|(start, ..)| (start.0 - at.0).abs() < MINUTE)
    {
        told
    } else {
        format!("what they were moved for before has ended, and {told}")
    }
}

/// What people call such devices.
pub(super) const fn noun(kind: Kind) -> &'static str {
    match kind {
        Kind::SlatBlind => "blinds",
        Kind::RollerShutter => "shutters",
        Kind::Screen => "screens",
        Kind::Awning => "awnings",
    }
}

/// How they stand, as people say it.
pub(super) fn stands(kind: Kind, pose: Pose) -> String {
    let (none, all) = if kind == Kind::Awning {
        ("in", "out")
    } else {
        ("up", "down")
    };
    let way = match pose.extension_pct {
        0 => return none.to_owned(),
        100 => all.to_owned(),
        part => format!("{part} % {all}"),
    };
    let slats = slats(pose).map(|slats| {
        let turned = if slats.starts_with("to ") {
            "turned "
        } else {
            ""
        };
        format!(" with the slats {turned}{slats}")
    });
    way + &slats.unwrap_or_default()
}

/// What they do, as people say it: where they are as far out as before, only their
/// slats turn.
pub(super) fn does(kind: Kind, before: Option<Pose>, to: Pose) -> String {
    let as_far = before.is_some_and(|before| before.extension_pct == to.extension_pct);
    let turned = slats(to).filter(|_| as_far && to.extension_pct > 0);
    match turned {
        Some(slats) => format!("turn their slats {slats}"),
        None => format!("go {}", stands(kind, to)),
    }
}

/// How slats stand.
fn slats(pose: Pose) -> Option<String> {
    pose.tilt_deg.map(|tilt| match tilt.unsigned_abs() {
        flat if flat < LEVEL_BELOW_DEG.unsigned_abs() => "level".to_owned(),
        steep if steep >= CLOSED_FROM_DEG.unsigned_abs() => "closed".to_owned(),
        _ => format!("to {tilt}°"),
    })
}

/// `Thursday 1 July 2027 at 10:14`.
fn moment(model: &Model, at: Wall) -> String {
    at.utc()
        .with_timezone(&model.site.zone)
        .format("%A %-d %B %Y at %H:%M")
        .to_string()
}

/// A moment as it is told beside another: the clock, and the day where it is
/// another.
fn near(model: &Model, from: Wall, at: Wall) -> String {
    let zone = model.site.zone;
    let form = if from.local_date(zone) == at.local_date(zone) {
        "%H:%M"
    } else {
        "%H:%M on %A %-d %B"
    };
    at.utc().with_timezone(&zone).format(form).to_string()
}

/// Why, as a tenant would be told.
pub(super) fn reason(model: &Model, because: &Because) -> String {
    match because {
        Because::WindAbove {
            part,
            speed_mps,
            factor,
            limit_mps,
            ..
        } => {
            let part = match part {
                WindPart::Gust => "gusts reach",
                WindPart::Mean => "the wind reaches",
            };
            let here = speed_mps * factor;
            format!(
                "{part} {} here and they must be safe from {}",
                speed(here),
                speed(*limit_mps)
            )
        }
        Because::WindHolding { peak_mps, .. } => {
            format!(
                "it was too windy ({}), and it has to stay calm for a while first",
                speed(*peak_mps)
            )
        }
        Because::SensorUnknown { sensor, .. }
        | Because::WeatherUnknown {
            sensor: Some(sensor),
        } => {
            format!(
                "the weather cannot be known for sure ({} tells nothing that can be believed)",
                name(model, *sensor)
            )
        }
        Because::WeatherUnknown { sensor: None } => {
            "the weather has not been known for long enough since the start".to_owned()
        }
        Because::Hail { .. } => "it hails".to_owned(),
        Because::HailHolding => {
            "it has hailed, and it has to stay away for a while first".to_owned()
        }
        Because::Frost { temperature_c, .. } => {
            format!("they could freeze fast ({temperature_c:.1} °C and damp)")
        }
        Because::FrostHolding { .. } => {
            "they could be frozen fast, and it has to stay warm for a while first".to_owned()
        }
        Because::Rain { .. } => "it rains".to_owned(),
        Because::RainHolding => {
            "it has rained, and it has to stay dry for a while first".to_owned()
        }
        Because::DoorOpen { .. } => "a door is open, or was a moment ago".to_owned(),
        Because::Fire { .. } => "the fire alarm or an escape release is active".to_owned(),
        Because::Service { .. } => "somebody works at the facade, so nothing moves".to_owned(),
        Because::Hand { room: true, .. } => "somebody asked for it in the room".to_owned(),
        Because::Hand { room: false, .. } => "it was asked for centrally".to_owned(),
        Because::SunShading { irradiance_wm2, .. } => {
            format!(
                "the sun shines strongly on this side of the building ({irradiance_wm2:.0} W/m²)"
            )
        }
        Because::SunOpened { .. } => {
            "the sun no longer shines strongly on this side of the building".to_owned()
        }
        Because::SunCapped { .. } => "they have moved often enough today".to_owned(),
        Because::Heat { keep_out: true, .. } => "nobody is in and heat is kept out".to_owned(),
        Because::Heat {
            keep_out: false, ..
        } => "nobody is in and the sun's warmth is let in".to_owned(),
        Because::Phase {
            timetable,
            plan,
            phase,
        } => format!(
            "the timetable asks for it ({})",
            phase_name(model, *timetable, *plan, *phase)
        ),
        Because::Special { index } => {
            let special = model.specials.get(*index as usize);
            let name = special.map_or("?", |special| special.name.as_str());
            format!("it is a special day ({name})")
        }
        Because::Rest => "nothing asks for anything else".to_owned(),
        Because::Quiet => "these are quiet hours".to_owned(),
        Because::StateLost => "what was known before was lost".to_owned(),
        Because::ClockUntrusted => "the clock is in doubt, so they stay".to_owned(),
        Because::DutySpent { .. } => "the motors have to cool down".to_owned(),
        Because::Reference { .. } => {
            "they find their position again at the end of their way".to_owned()
        }
        Because::RefugeWouldExtend => {
            "the weather cannot be known for sure, and then nothing is let down or out".to_owned()
        }
        Because::Drive { .. } => "a motor does not do what it should".to_owned(),
        Because::GatewayLost { .. } => "the line to the motors is lost".to_owned(),
        Because::Bypassed { .. } => "a sensor has been left out by hand".to_owned(),
    }
}

fn phase_name(model: &Model, timetable: TimetableId, plan: u16, phase: u16) -> &str {
    let plan = model
        .timetables
        .get(timetable.index())
        .and_then(|timetable| timetable.plans.get(usize::from(plan)));
    plan.and_then(|plan| plan.phases.get(usize::from(phase)))
        .map_or("?", |phase| phase.name.as_str())
}

/// `13.1 m/s (47 km/h)`.
fn speed(mps: f64) -> String {
    format!("{mps:.1} m/s ({:.0} km/h)", mps * 3.6)
}

fn name(model: &Model, sensor: SensorId) -> &str {
    model
        .sensors
        .get(sensor.index())
        .map_or("a sensor", |sensor| sensor.name.as_str())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn poses_are_told_as_people_say_them() {
        let table = [
            (
                Kind::SlatBlind,
                Pose::slats(100, 0),
                "down with the slats level",
            ),
            (
                Kind::SlatBlind,
                Pose::slats(100, 75),
                "down with the slats closed",
            ),
            (
                Kind::SlatBlind,
                Pose::slats(100, -30),
                "down with the slats turned to -30°",
            ),
            (Kind::SlatBlind, Pose::RETRACTED, "up"),
            (Kind::Screen, Pose::extension(60), "60 % down"),
            (Kind::Awning, Pose::extension(100), "out"),
            (Kind::Awning, Pose::RETRACTED, "in"),
        ];
        for (kind, pose, want) in table {
            assert_eq!(stands(kind, pose), want);
        }
    }

    /// Seen: blinds that were down and only turned their slats were told to "go down".
    #[test]
    fn who_only_turns_slats_does_not_go_down() {
        let does = |before, to| super::does(Kind::SlatBlind, before, to);
        let down = Pose::slats(100, 40);
        assert_eq!(
            does(Some(down), Pose::slats(100, 20)),
            "turn their slats to 20°"
        );
        assert_eq!(
            does(Some(down), Pose::slats(100, 0)),
            "turn their slats level"
        );
        assert_eq!(does(None, down), "go down with the slats turned to 40°");
        assert_eq!(
            does(Some(Pose::RETRACTED), down),
            "go down with the slats turned to 40°"
        );
        assert_eq!(does(Some(down), Pose::RETRACTED), "go up");
        assert_eq!(does(Some(Pose::RETRACTED), Pose::RETRACTED), "go up");
    }
}
