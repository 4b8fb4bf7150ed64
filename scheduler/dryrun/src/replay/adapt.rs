//! What has to be adapted or assumed so that data can stand in for sensors.

use super::{PlantKind, Setting, Sky};
use crate::note::Note;
use crate::weather::{Quantity, Series};
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

/// What a replay assumes, most important first.
#[must_use]
pub fn assumptions(setting: &Setting) -> Vec<Note> {
    let model = &setting.model;
    let mut notes = Vec::new();
    match &setting.sky {
        Sky::ClearAndCalm => notes.push(Note::ClearAndCalm),
        Sky::Rows(series) => of_rows(&mut notes, model, series),
    }
    let has = |kind| model.sensors.iter().any(|sensor| sensor.kind == kind);
    let hail = match &setting.sky {
        Sky::ClearAndCalm => false,
        Sky::Rows(series) => series.speaks_of(Quantity::Hail),
    };
    if has(SensorKind::Hail) && !hail {
        notes.push(Note::NoHail);
    }
    if has(SensorKind::RoomTemperature) {
        notes.push(Note::NoRoomTemperature);
    }
    notes.push(Note::Untouched(setting.occupancy));
    notes.push(match setting.plant {
        PlantKind::Ideal => Note::IdealPlant,
        PlantKind::Simulated => Note::SimulatedPlant,
    });
    notes
}

fn of_rows(notes: &mut Vec<Note>, model: &Model, series: &Series) {
    let has = |kinds: &[SensorKind]| {
        model
            .sensors
            .iter()
            .any(|sensor| kinds.contains(&sensor.kind))
    };
    let speaks = |quantity| series.speaks_of(quantity);
    let row_ms = series.about.resolution_ms;
    let rows = series.rows.len();
    let gusts = series
        .rows
        .iter()
        .filter(|row| row.values.gust.is_some())
        .count();
    if has(&[SensorKind::Wind]) {
        if !speaks(Quantity::Mean) && !speaks(Quantity::Gust) {
            notes.push(Note::NoWind);
        } else if gusts == 0 {
            notes.push(Note::NoGusts(row_ms));
        } else if gusts < rows {
            notes.push(Note::FewGusts { gusts, rows });
        }
        notes.push(Note::OneWind);
    }
    let light = [
        SensorKind::PlaneIrradiance,
        SensorKind::PlaneIlluminance,
        SensorKind::GlobalHorizontal,
        SensorKind::HorizontalIlluminance,
    ];
    if has(&light) {
        notes.push(if speaks(Quantity::Ghi) {
            let split = !(speaks(Quantity::Dni) && speaks(Quantity::Dhi));
            Note::Light { split, row_ms }
        } else {
            Note::NoIrradiance
        });
    }
    if has(&[SensorKind::Rain]) && !speaks(Quantity::Rain) {
        notes.push(Note::NoRain);
    } else if has(&[SensorKind::Rain]) && row_ms > MINUTE {
        notes.push(Note::RainSpread(row_ms));
    }
    if has(&[SensorKind::SurfaceTemperature]) {
        notes.push(Note::SurfaceTemperature);
    }
    if row_ms > MINUTE && !model.sensors.is_empty() {
        notes.push(Note::SensorsUnchecked);
    }
}
