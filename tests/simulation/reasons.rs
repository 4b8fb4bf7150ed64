//! Every command says why, by something that the site has.

use leeside_core::model::Model;
use leeside_core::output::{Command, Word};
use leeside_core::reason::Because;

/// The reason fits the word and names something that the site has.
pub(crate) fn names_something(model: &Model, command: &Command) -> Result<(), String> {
    let sensor = |s: leeside_core::ids::SensorId| s.index() < model.sensors.len();
    let contact = |c: leeside_core::ids::ContactId| c.index() < model.contacts.len();
    let fits = match (&command.because, command.decided_by) {
        (Because::WindAbove { sensor: s, .. }, Word::Wind) => sensor(*s),
        (Because::WindHolding { .. }, Word::Wind)
        | (Because::HailHolding, Word::Hail)
        | (Because::FrostHolding { .. }, Word::Ice)
        | (Because::RainHolding, Word::Rain)
        | (Because::Rest, Word::Rest)
        | (Because::Reference { .. } | Because::DutySpent { .. }, Word::Drive)
        | (
            Because::SunOpened { .. } | Because::SunShading { .. } | Because::Heat { .. },
            Word::Sun,
        )
        | (
            Because::WeatherUnknown { .. } | Because::RefugeWouldExtend | Because::StateLost,
            Word::Wind | Word::Hail | Word::Ice | Word::Rain,
        ) => true,
        (
            Because::SensorUnknown { sensor: s, .. },
            Word::Wind | Word::Hail | Word::Ice | Word::Rain,
        )
        | (Because::Hail { sensor: s }, Word::Hail)
        | (Because::Frost { sensor: s, .. }, Word::Ice)
        | (Because::Rain { sensor: s, .. }, Word::Rain) => sensor(*s),
        (Because::DoorOpen { contact: c }, Word::Door)
        | (Because::Fire { contact: c }, Word::Fire) => contact(*c),
        (Because::Hand { by, .. }, Word::Hand)
        | (Because::Service { owner: by, .. }, Word::Service) => !by.is_empty(),
        (Because::Phase { timetable, .. }, Word::Timetable) => {
            timetable.index() < model.timetables.len()
        }
        (Because::Special { index }, Word::Timetable) => (*index as usize) < model.specials.len(),
        _ => false,
    };
    let words = leeside_core::say::because(model, &command.because);
    if fits && !words.is_empty() {
        return Ok(());
    }
    Err(format!(
        "{:?} decided because {:?} ({words})",
        command.decided_by, command.because
    ))
}
