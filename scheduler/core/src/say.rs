//! Words for reasons: from the closed lists to sentences a person can read.
//!
//! Everything here is made from the same values that machines get; nothing
//! decides by words.

use crate::engine::Quiet;
use crate::fixed::Fixed;
pub use crate::fixed::write_moment;
use crate::ids::SensorId;
use crate::model::{Model, SensorKind};
use crate::output::{AlarmWord, Word};
use crate::reason::{Because, DriveTrouble, Fault, LightSource, Release, SlatsSay, WindPart};
use crate::time::{Now, Steady, Wall};
use core::fmt::{self, Write as _};

/// A reason in words, with its numbers.
#[must_use]
pub fn because(model: &Model, because: &Because) -> String {
    let mut words = String::with_capacity(128);
    write_because(&mut words, model, because);
    words
}

/// A reason in words, with its numbers, at the end of a text.
pub fn write_because(into: &mut String, model: &Model, because: &Because) {
    // Writing to a string cannot fail.
    let _ = tell(into, model, because);
}

fn tell(into: &mut String, model: &Model, because: &Because) -> fmt::Result {
    match because {
        Because::WindAbove {
            sensor,
            part,
            speed_mps,
            factor,
            limit_mps,
        } => {
            let part = match part {
                WindPart::Gust => "gust",
                WindPart::Mean => "mean wind",
            };
            let name = sensor_name(model, *sensor);
            write!(into, "{part} {} m/s at {name}", Fixed(*speed_mps, 1))?;
            if (factor - 1.0).abs() >= 1e-9 {
                let here = Fixed(speed_mps * factor, 1);
                write!(into, " × {} = {here} m/s here", Fixed(*factor, 2))?;
            }
            write!(into, ", limit {} m/s", Fixed(*limit_mps, 1))
        }
        Because::WindHolding {
            peak_mps,
            limit_mps,
            calm_below_mps,
        } => write!(
            into,
            "wind was up to {} m/s (limit {}); held until it has stayed below {} m/s",
            Fixed(*peak_mps, 1),
            Fixed(*limit_mps, 1),
            Fixed(*calm_below_mps, 1)
        ),
        Because::SensorUnknown { .. }
        | Because::WeatherUnknown { .. }
        | Because::Hail { .. }
        | Because::HailHolding
        | Because::Frost { .. }
        | Because::FrostHolding { .. }
        | Because::Rain { .. }
        | Because::RainHolding => weather(into, model, because),
        Because::DoorOpen { contact } => {
            let name = contact_name(model, contact.index());
            write!(into, "door {name} is open, or not known to be closed")
        }
        Because::Fire { contact } => {
            let name = contact_name(model, contact.index());
            write!(into, "fire or escape contact {name} is active")
        }
        Because::Service { owner, since } => {
            let since = local(model, *since);
            write!(into, "{owner} has been working at the facade since {since}")
        }
        Because::Hand { by, room: true } => write!(into, "asked from the room by {by}"),
        Because::Hand { by, room: false } => write!(into, "asked from the centre by {by}"),
        Because::RefugeWouldExtend => into.write_str(
            "its refuge would extend it on unknown weather: it stays and an alarm says so",
        ),
        Because::Quiet => into.write_str("quiet hours: no comfort move"),
        Because::ClockUntrusted => into.write_str("the clock is not to be trusted: pose kept"),
        Because::StateLost => into.write_str(
            "what was kept of the run before cannot be read: locked out until it has been calm for long enough",
        ),
        Because::Rest => into.write_str("nothing else asks"),
        Because::Reference { moves } => write!(
            into,
            "finds its position again at an end stop after {moves} moves"
        ),
        Because::DutySpent {
            used_ms,
            allowed_ms,
        } => write!(
            into,
            "drive has run {} s of {} s allowed; the rest is kept for weather",
            used_ms / 1_000,
            allowed_ms / 1_000
        ),
        Because::Drive { trouble } => into.write_str(trouble_words(*trouble)),
        Because::GatewayLost { gateway } => {
            let name = model
                .gateways
                .get(gateway.index())
                .map_or("?", |g| g.name.as_str());
            write!(into, "gateway {name} is not heard")
        }
        Because::Bypassed { by, until } => {
            write!(into, "left out by {by} until {}", local(model, *until))
        }
        Because::SunShading { .. }
        | Because::SunOpened { .. }
        | Because::SunCapped { .. }
        | Because::Heat { .. } => sun(into, model, because),
        Because::Phase { .. } | Because::Special { .. } => day(into, model, because),
    }
}

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the caller has sorted out the rest"
)]
fn weather(into: &mut String, model: &Model, because: &Because) -> fmt::Result {
    match because {
        Because::SensorUnknown { sensor, fault } => write!(
            into,
            "{} {}: unknown is not calm",
            sensor_name(model, *sensor),
            fault_words(*fault)
        ),
        Because::WeatherUnknown {
            sensor: Some(sensor),
        } => write!(
            into,
            "weather not known since the start: {} not heard yet",
            sensor_name(model, *sensor)
        ),
        Because::WeatherUnknown { sensor: None } => {
            into.write_str("weather not known for long enough since the start")
        }
        Because::Hail { sensor } => write!(into, "hail at {}", sensor_name(model, *sensor)),
        Because::HailHolding => into.write_str("hail has ended, held until it has stayed away"),
        Because::Frost {
            sensor,
            temperature_c,
            below_c,
        } => write!(
            into,
            "{} °C at {} with moisture, frost limit {} °C",
            Fixed(*temperature_c, 1),
            sensor_name(model, *sensor),
            Fixed(*below_c, 1)
        ),
        Because::FrostHolding { above_c } => write!(
            into,
            "may be frozen, held until it has stayed above {} °C",
            Fixed(*above_c, 1)
        ),
        Because::Rain { sensor, value } => {
            let name = sensor_name(model, *sensor);
            write!(into, "rain at {name} ({})", Fixed(*value, 1))
        }
        Because::RainHolding => into.write_str("rain has ended, held until it has stayed dry"),
        _ => Ok(()),
    }
}

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the caller has sorted out the rest"
)]
fn sun(into: &mut String, model: &Model, because: &Because) -> fmt::Result {
    match because {
        Because::SunShading {
            light,
            irradiance_wm2,
            on_wm2,
            incidence_deg,
            profile_deg,
            slats,
        } => {
            // By hand: most reasons of a year are of this kind.
            into.push_str("sun on the facade, ");
            Fixed(*irradiance_wm2, 0).push(into);
            into.push_str(" W/m² ");
            write_light(into, model, *light)?;
            for (between, value) in [
                (" (from ", on_wm2),
                ("), incidence ", incidence_deg),
                ("°, profile ", profile_deg),
            ] {
                into.push_str(between);
                Fixed(*value, 0).push(into);
            }
            into.push('°');
            match slats {
                SlatsSay::None => Ok(()),
                SlatsSay::Horizontal => into.write_str(", horizontal slats block"),
                SlatsSay::CutOff(deg) => {
                    into.push_str(", cut-off ");
                    Fixed(*deg, 0).push(into);
                    into.write_char('°')
                }
                SlatsSay::Leak(leak) => {
                    let leak = Fixed(leak * 100.0, 0);
                    write!(into, ", no tilt blocks, least leak {leak} %")
                }
            }
        }
        Because::SunOpened {
            irradiance_wm2,
            off_wm2,
        } => write!(
            into,
            "no longer bright or no sun on the opening ({} W/m², off at {}): slats open, \
             retraction follows",
            Fixed(*irradiance_wm2, 0),
            Fixed(*off_wm2, 0)
        ),
        Because::SunCapped { cap } => write!(into, "the day's {cap} comfort moves are used up"),
        Because::Heat {
            keep_out,
            room_c,
            setpoint_c,
            irradiance_wm2,
        } => write!(
            into,
            "nobody in, room {} °C (wanted {}), {} W/m²: heat {}",
            Fixed(*room_c, 1),
            Fixed(*setpoint_c, 1),
            Fixed(*irradiance_wm2, 0),
            if *keep_out { "kept out" } else { "let in" }
        ),
        _ => Ok(()),
    }
}

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the caller has sorted out the rest"
)]
fn day(into: &mut String, model: &Model, because: &Because) -> fmt::Result {
    match because {
        Because::Phase {
            timetable,
            plan,
            phase,
        } => {
            let Some(table) = model.timetables.get(timetable.index()) else {
                return into.write_str("a phase of an earlier timetable");
            };
            let Some(plan) = table.plans.get(usize::from(*plan)) else {
                return write!(into, "timetable {}", table.name);
            };
            let class = model
                .day_classes
                .get(plan.class.index())
                .map_or("?", String::as_str);
            let phase = plan
                .phases
                .get(usize::from(*phase))
                .map_or("?", |p| p.name.as_str());
            write!(into, "timetable {}, {class}: {phase}", table.name)
        }
        Because::Special { index } => {
            let name = model
                .specials
                .get(*index as usize)
                .map_or("?", |s| s.name.as_str());
            write!(into, "special day: {name}")
        }
        _ => Ok(()),
    }
}

fn write_light(into: &mut String, model: &Model, light: LightSource) -> fmt::Result {
    match light {
        LightSource::Measured(sensor) => {
            into.push_str("at ");
            into.write_str(sensor_name(model, sensor))
        }
        LightSource::Transposed(sensor) => {
            into.push_str("worked out from ");
            into.write_str(sensor_name(model, sensor))
        }
        LightSource::ClearSky => into.write_str("estimated from a clear sky, no sensor"),
    }
}

/// Why a rank keeps quiet, in words, with its numbers.
#[must_use]
pub fn quiet(model: &Model, quiet: &Quiet) -> String {
    match quiet {
        Quiet::NoRule => "no such rule for this group".to_owned(),
        Quiet::NotSet => "not set".to_owned(),
        Quiet::ContactAtRest => "contacts at rest".to_owned(),
        Quiet::WindBelow {
            sensor,
            part,
            here_mps,
            limit_mps,
        } => {
            let part = match part {
                WindPart::Gust => "gust",
                WindPart::Mean => "mean wind",
            };
            let name = sensor_name(model, *sensor);
            format!("{part} {here_mps:.1} m/s here (by {name}), below the limit {limit_mps:.1} m/s")
        }
        Quiet::ValueBelow {
            sensor,
            value,
            limit,
        } => {
            let name = sensor_name(model, *sensor);
            format!("{name} reads {value:.1}, does not pass {limit:.1}")
        }
        Quiet::NoFrost {
            sensor,
            temperature_c,
            below_c,
        } => {
            let name = sensor_name(model, *sensor);
            format!("{temperature_c:.1} °C at {name}: not below {below_c:.1} °C, or nothing moist")
        }
        Quiet::SunNotAllowed => "the phase or special day does not allow sun".to_owned(),
        Quiet::SunNotThere { irradiance_wm2 } => {
            format!("no direct sun on the facade ({irradiance_wm2:.0} W/m²)")
        }
        Quiet::SunTooDim {
            irradiance_wm2,
            on_wm2,
        } => format!("{irradiance_wm2:.0} W/m², bright from {on_wm2:.0} W/m² for the on-delay"),
        Quiet::SunCapped { travels, tilts } => {
            format!("the day's comfort moves are used up ({travels} travels, {tilts} tilt steps)")
        }
        Quiet::NoPhase => "no phase applies".to_owned(),
    }
}

/// What is wrong with a sensor, in words.
#[must_use]
pub const fn fault_words(fault: Fault) -> &'static str {
    match fault {
        Fault::Silent => "is silent",
        Fault::Stuck => "is stuck at one value",
        Fault::OutOfRange => "reads outside its range",
        Fault::TooFast => "changes faster than weather does",
        Fault::ZeroWhileNeighbourBlows => "reads zero while its neighbour blows",
        Fault::LeftOut => "is left out by somebody's word, and no other speaks in its place",
        Fault::GatewayLost => "is cut off: its gateway is lost",
    }
}

/// What is wrong with a drive, in words.
#[must_use]
pub const fn trouble_words(trouble: DriveTrouble) -> &'static str {
    match trouble {
        DriveTrouble::Silent => "drive does not answer",
        DriveTrouble::Refused => "drive refuses",
        DriveTrouble::Elsewhere => "drive stands elsewhere than told",
        DriveTrouble::Fault => "drive reports a fault",
        DriveTrouble::NoPower => "drive draws no power on a command",
        DriveTrouble::PowerUncommanded => "drive draws power without a command",
        DriveTrouble::TooMuchPower => "drive draws too much power",
        DriveTrouble::RunsTooLong => "drive runs too long",
    }
}

/// What an alarm is about, in words.
#[must_use]
pub const fn alarm_words(word: AlarmWord) -> &'static str {
    match word {
        AlarmWord::SensorFault => "sensor not to be believed",
        AlarmWord::SensorBypassed => "sensor left out by hand",
        AlarmWord::NotInRefuge => "cannot go to its refuge",
        AlarmWord::WindDuringService => "wind above the limit during service",
        AlarmWord::ServiceOverdue => "service lasts longer than expected",
        AlarmWord::DriveUnconfirmed => "drive not confirmed",
        AlarmWord::DrivePower => "drive power contradicts its command",
        AlarmWord::DriveDuty => "drive's duty budget is spent",
        AlarmWord::GatewayLost => "gateway lost",
        AlarmWord::ClockUntrusted => "clock not to be trusted",
        AlarmWord::Frozen => "may be frozen",
        AlarmWord::FireActive => "fire or escape active",
        AlarmWord::StateLost => "state of the run before lost",
    }
}

/// What releases a verdict, in words, with local times.
#[must_use]
pub fn release(model: &Model, release: &Release, now: Now) -> String {
    let at = |steady: Steady| local(model, now.wall.plus(steady.0 - now.steady.0));
    match release {
        Release::EarliestIfCalm(steady) => format!("if it stays calm, at {}", at(*steady)),
        Release::AfterCalm(ms) => format!("after {} of calm", span(*ms)),
        Release::SensorRecovers(sensor) => {
            format!(
                "when {} is to be believed again",
                sensor_name(model, *sensor)
            )
        }
        Release::SensorHeard => "when every sensor of its guards has been heard".to_owned(),
        Release::DoorCloses => "when the door is closed".to_owned(),
        Release::ContactClears(contact) => {
            format!("when {} clears", contact_name(model, contact.index()))
        }
        Release::OwnerEnds => "when whoever set it ends it".to_owned(),
        Release::At(wall) => format!("at {}", local(model, *wall)),
        Release::AtSteady(steady) => format!("at {}", at(*steady)),
        Release::LightChanges => "when sun or light change".to_owned(),
        Release::AnyWish => "when something else asks".to_owned(),
        Release::ClockTrusted => "when the clock is trusted again".to_owned(),
        Release::BudgetRecovers => "when the drive has rested".to_owned(),
    }
}

/// What spoke and lost, in one line: `sun: extended, slats 40°; rest: retracted`.
#[must_use]
pub fn lost(lost: &[crate::output::Lost]) -> String {
    let mut words = String::new();
    write_lost(&mut words, lost);
    words
}

/// What lost, in one line, at the end of a text.
pub fn write_lost(into: &mut String, lost: &[crate::output::Lost]) {
    for (index, one) in lost.iter().enumerate() {
        if index > 0 {
            into.push_str("; ");
        }
        into.push_str(one.word.as_str());
        into.push_str(": ");
        match one.pose {
            // Writing to a string cannot fail.
            Some(pose) => {
                let _ = write!(into, "{pose}");
            }
            None => into.push_str("hold"),
        }
    }
}

/// The unit of a sensor's readings.
#[must_use]
pub const fn unit(kind: SensorKind) -> &'static str {
    match kind {
        SensorKind::Wind => "m/s",
        SensorKind::Rain => "mm/h",
        SensorKind::Hail => "",
        SensorKind::Temperature | SensorKind::SurfaceTemperature | SensorKind::RoomTemperature => {
            "°C"
        }
        SensorKind::Humidity => "%",
        SensorKind::PlaneIrradiance | SensorKind::GlobalHorizontal => "W/m²",
        SensorKind::PlaneIlluminance | SensorKind::HorizontalIlluminance => "lx",
    }
}

/// A word of the order of precedence as it starts a sentence.
#[must_use]
pub const fn word(word: Word) -> &'static str {
    word.as_str()
}

/// A wall moment as people at the site read it: `2027-03-14 10:14:05`.
#[must_use]
pub fn local(model: &Model, at: Wall) -> String {
    let mut text = String::with_capacity(24);
    let local = at.utc().with_timezone(&model.site.zone).naive_local();
    write_moment(&mut text, local, ' ');
    text
}

/// A span in words: `20 min`, `1 h 5 min`, `45 s`.
#[must_use]
pub fn span(ms: i64) -> String {
    let seconds = ms / 1_000;
    let (h, m, s) = (seconds / 3_600, seconds % 3_600 / 60, seconds % 60);
    let parts = [(h, "h"), (m, "min"), (s, "s")];
    let told: Vec<String> = parts
        .iter()
        .filter(|(n, _)| *n != 0)
        .map(|(n, u)| format!("{n} {u}"))
        .collect();
    if told.is_empty() {
        format!("{ms} ms")
    } else {
        told.join(" ")
    }
}

fn sensor_name(model: &Model, id: SensorId) -> &str {
    model
        .sensors
        .get(id.index())
        .map_or("?", |s| s.name.as_str())
}

fn contact_name(model: &Model, index: usize) -> &str {
    model.contacts.get(index).map_or("?", |c| c.name.as_str())
}
