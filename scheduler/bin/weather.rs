//! The weather that a replay is asked for, given the same way to every verb.

use crate::exit::Broken;
use clap::Args;
use leeside_core::model::Model;
use leeside_core::time::{MINUTE, SECOND, Wall};
use leeside_dryrun::replay::{LEAD_IN_MS, Sky};
use leeside_dryrun::weather::{Gusts, Weather, from_journal, is_journal, read};
use std::path::PathBuf;

/// The word for made-up weather in place of a file.
const CLEAR_SKY_CALM: &str = "clear-sky-calm";

/// A file or a description, and gusts.
#[derive(Args, Debug)]
pub(crate) struct WeatherArgs {
    /// Weather: a TMY3, EPW or CSV file (gzip too); the journal of a service, for
    /// what its own sensors recorded; clear-sky-calm for a made-up sky without
    /// clouds, wind and rain; or a made-up storm like
    /// storm:at=2027-03-14T10:00-04:00,peak=24,rise=2h,fall=3h,shift=40,rain=8,fail=SENSOR@10:14
    #[arg(long, value_name = "FILE")]
    weather: Option<PathBuf>,
    /// Make gusts up within the means of the weather, the same for the same seed
    #[arg(long, value_name = "seed=N,intensity=0.18")]
    gusts: Option<String>,
}

/// What was given.
pub(crate) enum Given {
    /// A clear and calm sky.
    ClearAndCalm,
    /// Data, and gusts to be made up within them.
    Data(Box<Weather>, Option<Gusts>),
}

impl WeatherArgs {
    /// What was given; `None` where nothing was.
    ///
    /// # Errors
    /// [`Broken`] where it cannot be read, or gusts have nothing to blow in.
    pub(crate) fn read(&self, model: &Model) -> anyhow::Result<Option<Given>> {
        let gusts = self.gusts.as_deref().map(Gusts::read).transpose();
        let gusts = gusts.map_err(|error| Broken(error.to_string()))?;
        let calm = |why: &str| {
            Broken(format!(
                "--gusts: expected weather with a mean wind to make gusts up in, and {why}: give --weather FILE, or leave \
                 --gusts away"
            ))
        };
        match &self.weather {
            None if gusts.is_some() => Err(calm("there is no weather file").into()),
            None => Ok(None),
            Some(file) if file.as_os_str() == CLEAR_SKY_CALM => {
                if gusts.is_some() {
                    return Err(calm(&format!("{CLEAR_SKY_CALM} has no wind")).into());
                }
                Ok(Some(Given::ClearAndCalm))
            }
            Some(file) => {
                let weather = if is_journal(file) {
                    from_journal(file, model).map(Weather::Real)
                } else {
                    read(file)
                };
                let weather = weather.map_err(|error| Broken(error.to_string()))?;
                Ok(Some(Given::Data(Box::new(weather), gusts)))
            }
        }
    }

    /// What is said where weather is missing.
    pub(crate) fn missing() -> Broken {
        Broken(format!(
            "weather is missing: give --weather FILE (TMY3, EPW or CSV), or --weather {CLEAR_SKY_CALM} for what sun and \
             timetable alone would do"
        ))
    }
}

impl Given {
    /// The weather of a span, with a lead-in where there is any.
    ///
    /// # Errors
    /// [`Broken`] where the data say too little of the span.
    pub(crate) fn over(&self, from: Wall, to: Wall) -> anyhow::Result<Sky> {
        let Self::Data(weather, gusts) = self else {
            return Ok(Sky::ClearAndCalm);
        };
        // The span itself must be there; its lead-in need not.
        let own = weather.over(from, to);
        let own = own.map_err(|error| Broken(error.to_string()))?;
        let series = weather.over(from.plus(-LEAD_IN_MS), to).unwrap_or(own);
        let Some(gusts) = gusts else {
            return Ok(Sky::Rows(series));
        };
        if !series.rows.iter().any(Gusts::fit) {
            return Err(Broken(format!(
                "--gusts: {} has no mean wind over more than a minute within the span, and gusts are made up within such \
                 means only: leave --gusts away",
                series.about.file
            ))
            .into());
        }
        Ok(Sky::Rows(gusts.over(&series)))
    }
}

/// From reading to reading, ms: what comes every few seconds is to be seen every
/// few seconds.
pub(crate) fn step_ms(sky: &Sky) -> i64 {
    match sky {
        Sky::Rows(series) => series.about.resolution_ms.clamp(SECOND, MINUTE),
        Sky::ClearAndCalm => MINUTE,
    }
}
