//! What has to be adapted or assumed so that data can stand in for sensors.

use super::{PlantKind, Setting, Sky};
use crate::weather::{Quantity, Series, duration};
use leeside_core::model::{Model, SensorKind};
use leeside_core::time::MINUTE;

/// The site with its sensors' checks fitted to data instead of instruments:
/// silence is not found before the second missing step; where rows are longer
/// than a minute, stuck values and jumps are the data's, not a sensor's, and are
/// not looked for. Contacts speak when they change. Ranges stay.
#[must_use]
pub fn for_data(model: &Model, resolution_ms: i64, step_ms: i64) -> Model {
    let mut model = model.clone();
    for sensor in &mut model.sensors {
        let validity = &mut sensor.validity;
        validity.silence_ms = validity.silence_ms.max(2 * step_ms);
        if resolution_ms > MINUTE {
            validity.stuck_ms = None;
            validity.max_rate_per_s = None;
        }
    }
    for contact in &mut model.contacts {
        contact.silence_ms = None;
    }
    model
}

/// What a replay assumes, in words, most important first.
#[must_use]
pub fn assumptions(setting: &Setting) -> Vec<String> {
    let model = &setting.model;
    let mut words = Vec::new();
    match &setting.sky {
        Sky::ClearAndCalm => {
            words.push(
                "made-up weather: no clouds, no wind, no rain, 20 °C; this says what sun and timetable alone would \
                 do, and nothing about wind, rain or frost"
                    .to_owned(),
            );
        }
        Sky::Rows(series) => of_rows(&mut words, model, series),
    }
    let has = |kind| model.sensors.iter().any(|sensor| sensor.kind == kind);
    let hail = match &setting.sky {
        Sky::ClearAndCalm => false,
        Sky::Rows(series) => series.speaks_of(Quantity::Hail),
    };
    if has(SensorKind::Hail) && !hail {
        words.push("no hail in the data: assumed none, the hail guard is not exercised".to_owned());
    }
    if has(SensorKind::RoomTemperature) {
        words.push("room temperatures are not known: heat in or out is not exercised".to_owned());
    }
    words.push(format!(
        "doors and windows stay closed, no fire, no requests by hand, no service; {}",
        setting.occupancy.words()
    ));
    words.push(match setting.plant {
        PlantKind::Ideal => {
            "ideal plant: every device is at once where it is told to be".to_owned()
        }
        PlantKind::Simulated => {
            "simulated plant: devices take the times of their make-up, none fails".to_owned()
        }
    });
    words
}

fn of_rows(words: &mut Vec<String>, model: &Model, series: &Series) {
    let has = |kinds: &[SensorKind]| {
        model
            .sensors
            .iter()
            .any(|sensor| kinds.contains(&sensor.kind))
    };
    let speaks = |quantity| series.speaks_of(quantity);
    let step = duration(series.about.resolution_ms);
    let gusts = series
        .rows
        .iter()
        .filter(|row| row.values.gust.is_some())
        .count();
    if has(&[SensorKind::Wind]) {
        if !speaks(Quantity::Mean) && !speaks(Quantity::Gust) {
            words.push(
                "the data say nothing of wind: every wind guard takes that as unknown and engages"
                    .to_owned(),
            );
        } else if gusts == 0 {
            words.push(format!(
                "no gusts in the data: limits are compared with means over {step}, and means hide gusts; do not \
                 judge safety by this run"
            ));
        } else if gusts < series.rows.len() {
            words.push(format!(
                "gusts in {gusts} of {} rows only; elsewhere limits are compared with the mean, and means hide gusts",
                series.rows.len()
            ));
        }
        words.push("every wind sensor reads the same wind, that of the weather station".to_owned());
    }
    let light = [
        SensorKind::PlaneIrradiance,
        SensorKind::PlaneIlluminance,
        SensorKind::GlobalHorizontal,
        SensorKind::HorizontalIlluminance,
    ];
    if has(&light) {
        words.push(if speaks(Quantity::Ghi) {
            let split = if speaks(Quantity::Dni) && speaks(Quantity::Dhi) {
                ""
            } else {
                "split into beam and diffuse (Erbs), "
            };
            format!(
                "light sensors read the irradiance of the data, {split}carried onto each facade with the sun of the \
                 minute and an even sky; clouds shorter than {step} are not in the data"
            )
        } else {
            "the data say nothing of irradiance: light is estimated from a clear sky".to_owned()
        });
    }
    if has(&[SensorKind::Rain]) && !speaks(Quantity::Rain) {
        words.push("no rain in the data: assumed dry, the rain guard is not exercised".to_owned());
    } else if has(&[SensorKind::Rain]) && series.about.resolution_ms > MINUTE {
        words.push(format!("rain is spread evenly over its {step}"));
    }
    if has(&[SensorKind::SurfaceTemperature]) {
        words.push(
            "surface temperature: air temperature, 3 K below it while the sun is down (common practice, no source)"
                .to_owned(),
        );
    }
    if series.about.resolution_ms > MINUTE && !model.sensors.is_empty() {
        words.push(
            "sensors are not checked for stuck values and jumps: those of the data are not theirs"
                .to_owned(),
        );
    }
}
