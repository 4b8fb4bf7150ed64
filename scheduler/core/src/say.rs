//! Words for reasons: from the closed lists to sentences a person can read.
//!
//! Everything here is made from the same values that machines get; nothing
//! decides by words.

use crate::engine::Quiet;
use crate::ids::SensorId;
use crate::model::{Model, SensorKind};
use crate::output::{AlarmWord, Word};
use crate::reason::{Because, DriveTrouble, Fault, LightSource, Release, SlatsSay, WindPart};
use crate::time::{Now, Steady, Wall};

/// A reason in words, with its numbers.
#[must_use]
pub fn because(model: &Model, because: &Because) -> String {
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
            let here = if (factor - 1.0).abs() < 1e-9 {
                String::new()
            } else {
                format!(" × {factor:.2} = {:.1} m/s here", speed_mps * factor)
            };
            let name = sensor_name(model, *sensor);
            format!("{part} {speed_mps:.1} m/s at {name}{here}, limit {limit_mps:.1} m/s")
        }
        Because::WindHolding {
            peak_mps,
            limit_mps,
            calm_below_mps,
        } => format!(
            "wind was up to {peak_mps:.1} m/s (limit {limit_mps:.1}); held until it has stayed \
             below {calm_below_mps:.1} m/s"
        ),
        Because::SensorUnknown { .. }
        | Because::WeatherUnknown { .. }
        | Because::Hail { .. }
        | Because::HailHolding
        | Because::Frost { .. }
        | Because::FrostHolding { .. }
        | Because::Rain { .. }
        | Because::RainHolding => weather(model, because),
        Because::DoorOpen { contact } => {
            format!(
                "door {} is open, or not known to be closed",
                contact_name(model, contact.index())
            )
        }
        Because::Fire { contact } => {
            format!(
                "fire or escape contact {} is active",
                contact_name(model, contact.index())
            )
        }
        Because::Service { owner, since } => {
            format!("{owner} works at the facade since {}", local(model, *since))
        }
        Because::Hand { by, room: true } => format!("asked from the room by {by}"),
        Because::Hand { by, room: false } => format!("asked from the centre by {by}"),
        Because::RefugeWouldExtend => {
            "its refuge would extend it on unknown weather: it stays and an alarm says so"
                .to_owned()
        }
        Because::Quiet => "quiet hours: no comfort move".to_owned(),
        Because::ClockUntrusted => "the clock is not to be trusted: pose kept".to_owned(),
        Because::Rest => "nothing else asks".to_owned(),
        Because::Reference { moves } => {
            format!("finds its position again at an end stop after {moves} moves")
        }
        Because::DutySpent {
            used_ms,
            allowed_ms,
        } => format!(
            "drive has run {} s of {} s allowed; the rest is kept for weather",
            used_ms / 1_000,
            allowed_ms / 1_000
        ),
        Because::Drive { trouble } => trouble_words(*trouble).to_owned(),
        Because::GatewayLost { gateway } => {
            let name = model
                .gateways
                .get(gateway.index())
                .map_or("?", |g| g.name.as_str());
            format!("gateway {name} is not heard")
        }
        Because::Bypassed { by, until } => {
            format!("left out by {by} until {}", local(model, *until))
        }
        Because::SunShading { .. }
        | Because::SunOpened { .. }
        | Because::SunCapped { .. }
        | Because::Heat { .. } => sun(model, because),
        Because::Phase { .. } | Because::Special { .. } => day(model, because),
    }
}

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the caller has sorted out the rest"
)]
fn weather(model: &Model, because: &Because) -> String {
    match because {
        Because::SensorUnknown { sensor, fault } => {
            format!(
                "{} {}: unknown is not calm",
                sensor_name(model, *sensor),
                fault_words(*fault)
            )
        }
        Because::WeatherUnknown {
            sensor: Some(sensor),
        } => format!(
            "weather not known since the start: {} not heard yet",
            sensor_name(model, *sensor)
        ),
        Because::WeatherUnknown { sensor: None } => {
            "weather not known for long enough since the start".to_owned()
        }
        Because::Hail { sensor } => format!("hail at {}", sensor_name(model, *sensor)),
        Because::HailHolding => "hail has ended, held until it has stayed away".to_owned(),
        Because::Frost {
            sensor,
            temperature_c,
            below_c,
        } => format!(
            "{temperature_c:.1} °C at {} with moisture, frost limit {below_c:.1} °C",
            sensor_name(model, *sensor)
        ),
        Because::FrostHolding { above_c } => {
            format!("may be frozen, held until it has stayed above {above_c:.1} °C")
        }
        Because::Rain { sensor, value } => {
            format!("rain at {} ({value:.1})", sensor_name(model, *sensor))
        }
        Because::RainHolding => "rain has ended, held until it has stayed dry".to_owned(),
        _ => String::new(),
    }
}

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the caller has sorted out the rest"
)]
fn sun(model: &Model, because: &Because) -> String {
    match because {
        Because::SunShading {
            light,
            irradiance_wm2,
            on_wm2,
            incidence_deg,
            profile_deg,
            slats,
        } => {
            let slats = match slats {
                SlatsSay::None => String::new(),
                SlatsSay::Horizontal => ", horizontal slats block".to_owned(),
                SlatsSay::CutOff(deg) => format!(", cut-off {deg:.0}°"),
                SlatsSay::Leak(leak) => {
                    format!(", no tilt blocks, least leak {:.0} %", leak * 100.0)
                }
            };
            format!(
                "sun on the facade, {irradiance_wm2:.0} W/m² {} (from {on_wm2:.0}), incidence \
                 {incidence_deg:.0}°, profile {profile_deg:.0}°{slats}",
                light_words(model, *light)
            )
        }
        Because::SunOpened {
            irradiance_wm2,
            off_wm2,
        } => format!(
            "no longer bright or no sun on the opening ({irradiance_wm2:.0} W/m², off at \
             {off_wm2:.0}): slats open, retraction follows"
        ),
        Because::SunCapped { cap } => format!("the day's {cap} comfort moves are used up"),
        Because::Heat {
            keep_out,
            room_c,
            setpoint_c,
            irradiance_wm2,
        } => format!(
            "nobody in, room {room_c:.1} °C (wanted {setpoint_c:.1}), {irradiance_wm2:.0} W/m²: \
             heat {}",
            if *keep_out { "kept out" } else { "let in" }
        ),
        _ => String::new(),
    }
}

#[expect(
    clippy::wildcard_enum_match_arm,
    reason = "the caller has sorted out the rest"
)]
fn day(model: &Model, because: &Because) -> String {
    match because {
        Because::Phase {
            timetable,
            plan,
            phase,
        } => {
            let Some(table) = model.timetables.get(timetable.index()) else {
                return "a phase of an earlier timetable".to_owned();
            };
            let Some(plan) = table.plans.get(usize::from(*plan)) else {
                return format!("timetable {}", table.name);
            };
            let class = model
                .day_classes
                .get(plan.class.index())
                .map_or("?", String::as_str);
            let phase = plan
                .phases
                .get(usize::from(*phase))
                .map_or("?", |p| p.name.as_str());
            format!("timetable {}, {class}: {phase}", table.name)
        }
        Because::Special { index } => {
            let name = model
                .specials
                .get(*index as usize)
                .map_or("?", |s| s.name.as_str());
            format!("special day: {name}")
        }
        _ => String::new(),
    }
}

fn light_words(model: &Model, light: LightSource) -> String {
    match light {
        LightSource::Measured(sensor) => format!("at {}", sensor_name(model, sensor)),
        LightSource::Transposed(sensor) => {
            format!("worked out from {}", sensor_name(model, sensor))
        }
        LightSource::ClearSky => "estimated from a clear sky, no sensor".to_owned(),
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
    let one = |l: &crate::output::Lost| {
        let course = l.pose.map_or_else(|| "hold".to_owned(), |p| p.to_string());
        format!("{}: {course}", l.word.as_str())
    };
    lost.iter().map(one).collect::<Vec<_>>().join("; ")
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
    at.utc()
        .with_timezone(&model.site.zone)
        .format("%Y-%m-%d %H:%M:%S")
        .to_string()
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
