//! The forms of the page.

use super::carried;
use crate::form::{Complaints, Fields};
use crate::gate::Viewer;
use crate::layout::{Field, token};
use crate::reasons::Teller;
use leeside_core::ids::GroupId;
use leeside_core::model::Kind;
use leeside_core::output::Word;
use leeside_core::sensor::Standing;
use leeside_daemon::door::Present;
use maud::{Markup, html};

/// What can be done to a group.
pub(super) fn group(
    viewer: &Viewer,
    present: &Present,
    id: GroupId,
    typed: &Fields,
    wrong: &Complaints,
) -> Markup {
    let (words, model) = (viewer.words, &present.model);
    let group = model.group(id);
    let name = group.name.as_str();
    let slats = group.kind == Kind::SlatBlind;
    let field = |name, label, kind, hint| {
        Field {
            name,
            label: words.say(label),
            kind,
            hint: words.say(hint),
            needed: false,
        }
        .show(typed, wrong)
    };
    html! {
        section aria-labelledby="move" {
            h2 #move { (words.say("hands.move")) }
            div.doings {
                @for (what, key) in [
                    ("retract", "hands.retract"),
                    ("extend", "hands.extend"),
                    ("halt", "hands.halt"),
                    ("release", "hands.release"),
                ] {
                    form method="post" action="/hands/ask" {
                        (carried(viewer, name, what))
                        button.big.quiet[what == "release"] { (words.say(key)) }
                    }
                }
            }
            p.hint { (words.say("hands.rule_hint")) }
            form.stack method="post" action="/hands/ask" {
                (carried(viewer, name, "pose"))
                div.beside {
                    (field("extension", "hands.extension", "number", "hands.extension_hint"))
                    @if slats { (field("tilt", "hands.tilt", "number", "hands.tilt_hint")) }
                }
                (until(viewer, typed))
                button { (words.say("hands.go")) }
            }
        }
        section aria-labelledby="setting-up" {
            h2 #setting-up { (words.say("hands.one_drive")) }
            form.stack method="post" action="/hands/ask" {
                (carried(viewer, name, "drive"))
                div.field {
                    label for="drive" { (words.say("hands.drive")) }
                    select #drive name="drive" {
                        @for device in &group.devices {
                            @let name = &model.device(*device).name;
                            option value=(name) selected[typed.text("drive") == name.as_str()] { (name) }
                        }
                    }
                }
                div.beside {
                    (field("drive_extension", "hands.extension", "number", "hands.extension_hint"))
                    @if slats { (field("drive_tilt", "hands.tilt", "number", "hands.tilt_hint")) }
                }
                p.hint { (words.say("hands.one_drive_hint")) }
                button { (words.say("hands.go")) }
            }
        }
        (service(viewer, present, id, typed, wrong))
        section aria-labelledby="frost" {
            h2 #frost { (words.say("hands.frost")) }
            form method="post" action="/hands/ask" {
                (carried(viewer, name, "frost"))
                p.hint { (words.say("hands.frost_hint")) }
                button.quiet { (words.say("hands.frost_send")) }
            }
        }
    }
}

fn until(viewer: &Viewer, typed: &Fields) -> Markup {
    let words = viewer.words;
    html! {
        div.field {
            label for="until" { (words.say("hands.until")) }
            select #until name="until" {
                @for (value, key) in [
                    ("rule", "hands.until_rule"),
                    ("next_phase", "hands.until_phase"),
                    ("end_of_day", "hands.until_day"),
                    ("hour", "hands.until_hour"),
                    ("four_hours", "hands.until_four"),
                ] {
                    option value=(value) selected[typed.text("until") == value] { (words.say(key)) }
                }
            }
        }
    }
}

fn service(
    viewer: &Viewer,
    present: &Present,
    id: GroupId,
    typed: &Fields,
    wrong: &Complaints,
) -> Markup {
    let (words, model) = (viewer.words, &present.model);
    let name = model.group(id).name.as_str();
    let now = present.groups.get(id.index()).and_then(Option::as_ref);
    let verdict = now
        .map(|now| &now.explanation.verdict)
        .filter(|verdict| verdict.decided_by == Word::Service);
    let tell = Teller {
        words,
        model,
        now: present.at.wall,
    };
    html! {
        section aria-labelledby="service" {
            h2 #service { (words.say("hands.service")) }
            @if let Some(verdict) = verdict {
                p { strong { (tell.because(&verdict.because)) } }
                form method="post" action="/hands/ask" {
                    (carried(viewer, name, "service_off"))
                    button { (words.say("hands.service_off")) }
                }
            } @else {
                form.stack method="post" action="/hands/ask" {
                    (carried(viewer, name, "service_on"))
                    (Field {
                        name: "service_end",
                        label: words.say("hands.service_end"),
                        kind: "datetime-local",
                        hint: words.say("hands.service_hint"),
                        needed: false,
                    }.show(typed, wrong))
                    button { (words.say("hands.service_on")) }
                }
                p.hint { (words.say("hands.service_caution")) }
            }
        }
    }
}

/// Arrangements of several groups, for those whom no room binds.
pub(super) fn arrangements(viewer: &Viewer, present: &Present) -> Markup {
    let (words, model) = (viewer.words, &present.model);
    html! {
        @if viewer.rooms.is_empty() && !model.arrangements.is_empty() {
            section aria-labelledby="arrangements" {
                h2 #arrangements { (words.say("hands.arrangements")) }
                div.doings {
                    @for arrangement in &model.arrangements {
                        form method="post" action="/hands/arrange" {
                            (token(viewer))
                            input type="hidden" name="arrangement" value=(arrangement.name);
                            button.quiet { (arrangement.name) }
                        }
                    }
                }
            }
        }
    }
}

/// Alarms that stand, to be acknowledged.
pub(super) fn alarms(viewer: &Viewer, present: &Present) -> Markup {
    let (words, model) = (viewer.words, &present.model);
    let tell = Teller {
        words,
        model,
        now: present.at.wall,
    };
    let seen = |key: &str, about: &str| {
        html! {
            form method="post" action="/hands/acknowledge" {
                (token(viewer))
                input type="hidden" name="key" value=(key);
                button.quiet aria-label=(words.fill("hands.acknowledge_of", &[("alarm", &about)])) {
                    (words.say("hands.acknowledge"))
                }
            }
        }
    };
    let by = |by: Option<&String>| by.map(|by| words.fill("now.seen_by", &[("by", by)]));
    let calm = present.alarms.is_empty() && present.troubles.is_empty();
    html! {
        section.calm[calm] aria-labelledby="alarms" {
            h2 #alarms { (words.say("now.alarms")) }
            @if calm { p.none { (words.say("now.no_alarms")) } }
            ul.entries hidden[calm] {
                @for alarm in &present.alarms {
                    @let about = alarm.key.split_once('/').map_or("", |(_, about)| about);
                    @let title = format!("{} {about}", tell.alarm(alarm.word));
                    li {
                        span { strong { (title.trim()) } ": " (tell.because(&alarm.because)) }
                        @match by(alarm.acknowledged_by.as_ref()) {
                            Some(by) => { span.hint { (by) } }
                            None => { (seen(&alarm.key, title.trim())) }
                        }
                    }
                }
                @for trouble in &present.troubles {
                    @let title = words.say_of("trouble", trouble.what);
                    li {
                        span { strong { (title) } ": " span lang="en" { (trouble.reason) } }
                        @match by(trouble.acknowledged_by.as_ref()) {
                            Some(by) => { span.hint { (by) } }
                            None => { (seen(&trouble.key, &title)) }
                        }
                    }
                }
            }
        }
    }
}

/// Sensors, to be left out or taken in again.
pub(super) fn sensors(
    viewer: &Viewer,
    present: &Present,
    typed: &Fields,
    wrong: &Complaints,
) -> Markup {
    let (words, model) = (viewer.words, &present.model);
    let tell = Teller {
        words,
        model,
        now: present.at.wall,
    };
    let bypassed: Vec<usize> = (0..present.sensors.len())
        .filter(|index| present.sensors[*index].state.bypass().is_some())
        .collect();
    html! {
        section aria-labelledby="bypass" {
            h2 #bypass { (words.say("hands.bypass")) }
            ul.entries {
                @for index in bypassed {
                    @let sensor = &model.sensors[index].name;
                    @if let Some(bypass) = present.sensors[index].state.bypass() {
                        li {
                            span {
                                strong { (sensor) } ": "
                                (words.fill("now.bypassed", &[("by", &bypass.by), ("until", &tell.moment(bypass.until))]))
                            }
                            form method="post" action="/hands/bypass" {
                                (token(viewer))
                                input type="hidden" name="sensor" value=(sensor);
                                button.quiet name="do" value="end" { (words.say("hands.bypass_end")) }
                            }
                        }
                    }
                }
            }
            form.stack method="post" action="/hands/bypass" {
                (token(viewer))
                div.field {
                    label for="sensor" { (words.say("now.sensor")) }
                    select #sensor name="sensor" {
                        @for (index, sensor) in model.sensors.iter().enumerate() {
                            @let well = present.sensors.get(index).is_some_and(|now| now.standing == Standing::Good);
                            option value=(sensor.name) selected[typed.text("sensor") == sensor.name] {
                                (sensor.name) @if !well { " ✕" }
                            }
                        }
                    }
                }
                div.field {
                    label for="substitute" { (words.say("hands.substitute")) }
                    select #substitute name="substitute" {
                        option value="" { (words.say("hands.nobody_stands_in")) }
                        @for sensor in &model.sensors {
                            option value=(sensor.name) selected[typed.text("substitute") == sensor.name] { (sensor.name) }
                        }
                    }
                }
                (Field {
                    name: "bypass_until",
                    label: words.say("hands.bypass_until"),
                    kind: "datetime-local",
                    hint: words.say("hands.bypass_hint"),
                    needed: true,
                }.show(typed, wrong))
                button { (words.say("hands.bypass_send")) }
            }
        }
    }
}
