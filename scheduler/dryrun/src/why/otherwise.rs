//! What would have had to be different for a rank to speak.

use leeside_core::engine::Quiet;
use leeside_core::model::Model;
use leeside_core::output::Word;

/// What would have made a quiet rank speak, in words.
#[must_use]
pub fn otherwise(model: &Model, word: Word, quiet: &Quiet) -> String {
    let sensor = |id: leeside_core::ids::SensorId| {
        model
            .sensors
            .get(id.index())
            .map_or("?", |s| s.name.as_str())
    };
    match quiet {
        Quiet::NoRule => "a rule for it in the site file".to_owned(),
        Quiet::NotSet => match word {
            Word::Service => "somebody setting service for this group".to_owned(),
            Word::Hand => "somebody asking by hand, within its hold time".to_owned(),
            Word::Fire
            | Word::Wind
            | Word::Hail
            | Word::Ice
            | Word::Rain
            | Word::Door
            | Word::Drive
            | Word::Sun
            | Word::Timetable
            | Word::Rest => "a reading of one of its sensors".to_owned(),
        },
        Quiet::ContactAtRest => match word {
            Word::Fire => "a fire or escape contact active, or not heard".to_owned(),
            Word::Door => "a door open, or not known to be closed".to_owned(),
            Word::Service
            | Word::Wind
            | Word::Hail
            | Word::Ice
            | Word::Rain
            | Word::Drive
            | Word::Hand
            | Word::Sun
            | Word::Timetable
            | Word::Rest => "one of its contacts active".to_owned(),
        },
        Quiet::WindBelow {
            here_mps,
            limit_mps,
            ..
        } => {
            let more = (limit_mps - here_mps).max(0.0);
            format!(
                "{more:.1} m/s more wind here ({limit_mps:.1} m/s), or a sensor of it not to be believed"
            )
        }
        Quiet::ValueBelow {
            sensor: id, limit, ..
        } => {
            format!("{} above {limit:.1}, or not to be believed", sensor(*id))
        }
        Quiet::NoFrost {
            sensor: id,
            below_c,
            ..
        } => {
            format!(
                "{} below {below_c:.1} °C with moisture, or not to be believed",
                sensor(*id)
            )
        }
        Quiet::SunNotAllowed => "a phase or special day that allows sun".to_owned(),
        Quiet::SunNotThere { .. } => "direct sun on the facade".to_owned(),
        Quiet::SunTooDim {
            irradiance_wm2,
            on_wm2,
        } => {
            let more = on_wm2 - irradiance_wm2;
            if more > 0.0 {
                format!("{more:.0} W/m² more on the facade, for the on-delay")
            } else {
                "as bright for the whole on-delay, and direct sun on the opening".to_owned()
            }
        }
        Quiet::SunCapped { .. } => "fewer comfort moves earlier that day".to_owned(),
        Quiet::NoPhase => "a phase that applies".to_owned(),
    }
}
