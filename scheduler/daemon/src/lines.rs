//! What happens, in lines that a person can read while it goes by.

use crate::service::Seen;
use chrono::SecondsFormat;
use leeside_core::input::{DriveState, Input, Part, Reading, Report, Sample};
use leeside_core::model::{Model, SensorKind};
use leeside_core::output::{Command, Output};
use leeside_core::say;
use leeside_core::time::{MINUTE, Now, Wall};
use std::sync::Arc;

/// A reading of light that has hardly changed is worth a line this often.
const LIGHT_EVERY_MS: i64 = 10 * MINUTE;

/// Makes lines; remembers what was said, so as not to say it twice.
#[derive(Debug)]
pub struct Lines {
    model: Arc<Model>,
    said: Vec<Option<(String, Wall)>>,
    contacts: Vec<Option<bool>>,
    gateways: Vec<Option<bool>>,
}

impl Lines {
    /// Nothing said yet.
    #[must_use]
    pub fn new(model: Arc<Model>) -> Self {
        let said = vec![None; model.sensors.len()];
        let contacts = vec![None; model.contacts.len()];
        let gateways = vec![None; model.gateways.len()];
        Self {
            model,
            said,
            contacts,
            gateways,
        }
    }

    /// A line for what was seen; `None` for what is not worth one.
    pub fn line(&mut self, now: Now, seen: &Seen<'_>) -> Option<String> {
        let model = Arc::clone(&self.model);
        let (word, text, at) = match seen {
            Seen::Input(input) => {
                if !self.is_news(input, now) {
                    return None;
                }
                let (word, text) = input_text(&model, input)?;
                (word, text, now.wall)
            }
            Seen::Output(output) => output_text(&model, now, output)?,
            Seen::Site(model) => {
                *self = Self::new(Arc::clone(model));
                let text = "another version of the site file is in force".to_owned();
                return Some(format!("{}  {:<8}  {text}", local(model, now.wall), "site"));
            }
            Seen::Note(text) => ("note", (*text).to_owned(), now.wall),
        };
        Some(format!("{}  {word:<8}  {text}", local(&model, at)))
    }

    /// Whether an input says something that was not said before.
    fn is_news(&mut self, input: &Input, now: Now) -> bool {
        match input {
            Input::Reading(reading) => {
                let text = reading_text(&self.model, reading);
                let kind = self.model.sensor(reading.sensor).kind;
                let Some(said) = self.said.get_mut(reading.sensor.index()) else {
                    return true;
                };
                let news = match said {
                    None => true,
                    Some((before, at)) => {
                        *before != text && (!is_light(kind) || now.wall.0 - at.0 >= LIGHT_EVERY_MS)
                    }
                };
                if news {
                    *said = Some((text, now.wall));
                }
                news
            }
            Input::Contact { contact, active } => self
                .contacts
                .get_mut(contact.index())
                .is_none_or(|said| said.replace(*active) != Some(*active)),
            Input::Gateway { gateway, present } => self
                .gateways
                .get_mut(gateway.index())
                .is_none_or(|said| said.replace(*present) != Some(*present)),
            Input::Garbled { .. }
            | Input::Request(_)
            | Input::Report(_)
            | Input::Connected
            | Input::Disconnected
            | Input::Restart(_)
            | Input::Clock { .. }
            | Input::Tick => true,
        }
    }
}

/// Light changes with every minute.
const fn is_light(kind: SensorKind) -> bool {
    match kind {
        SensorKind::PlaneIrradiance
        | SensorKind::PlaneIlluminance
        | SensorKind::GlobalHorizontal
        | SensorKind::HorizontalIlluminance => true,
        SensorKind::Wind
        | SensorKind::Rain
        | SensorKind::Hail
        | SensorKind::Temperature
        | SensorKind::Humidity
        | SensorKind::SurfaceTemperature
        | SensorKind::RoomTemperature => false,
    }
}

/// Local time of day with its date, to the second.
fn local(model: &Model, at: Wall) -> String {
    let text = at
        .utc()
        .with_timezone(&model.site.zone)
        .to_rfc3339_opts(SecondsFormat::Secs, false);
    text.get(..19)
        .map_or(text.clone(), |short| short.replace('T', " "))
}

fn input_text(model: &Model, input: &Input) -> Option<(&'static str, String)> {
    Some(match input {
        Input::Reading(reading) => ("reading", reading_text(model, reading)),
        Input::Garbled { sensor } => (
            "garbled",
            format!("{}: no reading", model.sensor(*sensor).name),
        ),
        Input::Contact { contact, active } => {
            let contact = model.contact(*contact);
            (
                "contact",
                format!(
                    "{} {}",
                    contact.name,
                    if *active { "active" } else { "not active" }
                ),
            )
        }
        Input::Request(request) => ("request", format!("by {}: {:?}", request.by, request.ask)),
        Input::Report(report) => ("report", report_text(model, report)),
        Input::Connected => ("link", "connected to the broker".to_owned()),
        Input::Disconnected => ("link", "no connection to the broker".to_owned()),
        Input::Gateway { gateway, present } => {
            let name = &model.gateways.get(gateway.index())?.name;
            (
                "gateway",
                format!("{name} {}", if *present { "heard" } else { "lost" }),
            )
        }
        Input::Restart(cause) => (
            "restart",
            format!("{cause:?}: nothing heard before counts as fresh"),
        ),
        Input::Clock { trusted } => (
            "clock",
            (if *trusted {
                "trusted"
            } else {
                "not to be trusted"
            })
            .to_owned(),
        ),
        Input::Tick => return None,
    })
}

fn reading_text(model: &Model, reading: &Reading) -> String {
    let sensor = model.sensor(reading.sensor);
    let value = match reading.sample {
        Sample::Value(value) => format!("{value:.1} {}", unit(sensor.kind)),
        Sample::Wind {
            gust,
            mean,
            direction,
        } => {
            let part = |name: &str, part: Part, unit: &str| match part {
                Part::Value(value) => format!("{name} {value:.1}{unit}"),
                Part::Absent => format!("no {name}"),
                Part::Unsaid => String::new(),
            };
            let all = [
                part("gust", gust, " m/s"),
                part("mean", mean, " m/s"),
                part("from", direction, "°"),
            ];
            all.into_iter()
                .filter(|text| !text.is_empty())
                .collect::<Vec<_>>()
                .join(", ")
        }
    };
    format!("{}: {value}", sensor.name)
}

const fn unit(kind: SensorKind) -> &'static str {
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

fn report_text(model: &Model, report: &Report) -> String {
    let state = match report.state {
        DriveState::Moving => "moving",
        DriveState::Standing => "standing",
        DriveState::Refused => "refuses",
        DriveState::Fault => "cannot move",
    };
    let pose = report
        .pose
        .map(|pose| format!(", {pose}"))
        .unwrap_or_default();
    format!("{}: {state}{pose}", model.device(report.device).name)
}

fn output_text(model: &Model, now: Now, output: &Output) -> Option<(&'static str, String, Wall)> {
    Some(match output {
        Output::Command(command) => ("COMMAND", command_text(model, command), command.at.wall),
        Output::Lockout(change) => {
            let text = format!(
                "{}: {} {}: {}",
                model.group(change.group).name,
                change.word.as_str(),
                if change.engaged {
                    "engaged"
                } else {
                    "released"
                },
                say::because(model, &change.because),
            );
            ("LOCKOUT", text, change.at.wall)
        }
        Output::Alarm(alarm) => {
            let text = format!(
                "{} {}: {}",
                alarm.key,
                if alarm.active { "raised" } else { "cleared" },
                say::because(model, &alarm.because)
            );
            ("ALARM", text, alarm.at.wall)
        }
        Output::Refused {
            group,
            by,
            word,
            because,
        } => {
            let group = group.map_or("", |group| &model.group(group).name);
            let text = format!(
                "{group}: asked by {by}, {} refuses: {}",
                word.as_str(),
                say::because(model, because)
            );
            ("refused", text, now.wall)
        }
        Output::Announce { group, ends } => {
            let text = format!(
                "{}: the hold by hand ends at {}",
                model.group(*group).name,
                local(model, *ends)
            );
            ("announce", text, now.wall)
        }
        Output::Wake(_) => return None,
    })
}

fn command_text(model: &Model, command: &Command) -> String {
    let last = command
        .orders
        .iter()
        .map(|order| order.start_delay_ms)
        .max()
        .unwrap_or(0);
    let halts =
        !command.orders.is_empty() && command.orders.iter().all(|order| order.pose.is_none());
    let pose = if halts {
        "stay".to_owned()
    } else {
        command.pose.to_string()
    };
    let again = if command.repeat { ", again" } else { "" };
    format!(
        "#{} {}: {} ({}{:.1} s{again}); {}: {}",
        command.sequence,
        model.group(command.group).name,
        pose,
        match command.orders.len() {
            1 => "1 drive, it starts after ".to_owned(),
            many => format!("{many} drives, the last starts after "),
        },
        f64::from(last) / 1_000.0,
        command.decided_by.as_str(),
        say::because(model, &command.because),
    )
}
