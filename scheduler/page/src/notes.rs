//! What is to be minded beside a year, in the words of the catalogue: the closed
//! lists that the dry run says in English for files and programs.
//!
//! No match has a wildcard: a note without words does not compile.

use crate::words::{Words, local};
use core::fmt::Display;
use leeside_core::model::Model;
use leeside_core::time::Wall;
use leeside_dryrun::audit::Fails;
use leeside_dryrun::note::{ColumnRead, Note, Source};
use leeside_dryrun::replay::{Failing, Occupancy};
use leeside_dryrun::report::Head;
use leeside_dryrun::weather::Quantity;

/// Says notes about one house.
#[derive(Clone, Copy, Debug)]
pub struct Noter<'a> {
    /// In these words.
    pub words: Words,
    /// Of this house.
    pub model: &'a Model,
}

impl Noter<'_> {
    fn moment(&self, at: Wall) -> String {
        let at = local(self.model, at);
        format!(
            "{} {}",
            self.words.date(at.date_naive()),
            at.format("%H:%M")
        )
    }

    /// A note in a sentence.
    #[must_use]
    #[expect(clippy::too_many_lines, reason = "one list")]
    pub fn note(&self, note: &Note) -> String {
        let words = self.words;
        let fill = |key, places: &[(&str, &dyn Display)]| words.fill(key, places);
        let span = |ms: i64| words.span(ms);
        match note {
            Note::ShowsLogic => words.say("note.shows_logic").to_owned(),
            Note::ShowsDecisions => words.say("note.shows_decisions").to_owned(),
            Note::NoSafetySystem => words.say("note.no_safety_system").to_owned(),
            Note::MakersLimit => words.say("note.makers_limit").to_owned(),
            Note::LightMoved(minutes) => {
                fill("note.light_moved", &[("minutes", &format!("{minutes:+}"))])
            }
            Note::Trial => words.say("note.trial").to_owned(),
            Note::ClearAndCalm => words.say("note.clear_and_calm").to_owned(),
            Note::NoHail => words.say("note.no_hail").to_owned(),
            Note::NoRoomTemperature => words.say("note.no_room_temperature").to_owned(),
            Note::Untouched(occupancy) => fill(
                "note.untouched",
                &[("occupied", &self.occupied(*occupancy))],
            ),
            Note::IdealPlant => words.say("note.ideal_plant").to_owned(),
            Note::SimulatedPlant => words.say("note.simulated_plant").to_owned(),
            Note::NoWind => words.say("note.no_wind").to_owned(),
            Note::NoGusts(ms) => fill("note.no_gusts", &[("span", &span(*ms))]),
            Note::FewGusts { gusts, rows } => {
                fill("note.few_gusts", &[("gusts", gusts), ("rows", rows)])
            }
            Note::OneWind => words.say("note.one_wind").to_owned(),
            Note::Light {
                split: true,
                row_ms,
            } => fill("note.light_split", &[("span", &span(*row_ms))]),
            Note::Light {
                split: false,
                row_ms,
            } => fill("note.light", &[("span", &span(*row_ms))]),
            Note::NoIrradiance => words.say("note.no_irradiance").to_owned(),
            Note::NoRain => words.say("note.no_rain").to_owned(),
            Note::RainSpread(ms) => fill("note.rain_spread", &[("span", &span(*ms))]),
            Note::SurfaceTemperature => words.say("note.surface_temperature").to_owned(),
            Note::SensorsUnchecked => words.say("note.sensors_unchecked").to_owned(),
            Note::FromInputs => words.say("note.from_inputs").to_owned(),
            Note::FromReports => words.say("note.from_reports").to_owned(),
            Note::VersionNotKept { from, fingerprint } => fill(
                "note.version_not_kept",
                &[("from", &self.moment(*from)), ("fingerprint", fingerprint)],
            ),
            Note::VersionFrom { from, fingerprint } => fill(
                "note.version_from",
                &[("from", &self.moment(*from)), ("fingerprint", fingerprint)],
            ),
            Note::ChainHolds => words.say("note.chain_holds").to_owned(),
            Note::ChainBroken { row, .. } => fill("note.chain_broken", &[("row", row)]),
            Note::DecidedAlike(all) => fill("note.decided_alike", &[("all", all)]),
            Note::DecidedOtherwise { differ, all } => fill(
                "note.decided_otherwise",
                &[("differ", differ), ("all", all)],
            ),
            Note::EpwOfPvgis(zone_h) => fill("note.epw_pvgis", &[("zone", zone_h)]),
            Note::OneMoment(minute) => {
                fill("note.one_moment", &[("minute", &words.number(*minute, 0))])
            }
            Note::Epw => words.say("note.epw").to_owned(),
            Note::Tmy3 => words.say("note.tmy3").to_owned(),
            Note::LeadingCopy => words.say("note.leading_copy").to_owned(),
            Note::RainInTenths { fitting, wet } => {
                fill("note.rain_in_tenths", &[("fitting", fitting), ("wet", wet)])
            }
            Note::TypicalOf(months) => {
                let months: Vec<String> = months
                    .iter()
                    .map(|(month, year)| words.month(*year, *month))
                    .collect();
                fill("note.typical_of", &[("months", &months.join(", "))])
            }
            Note::LeapDay(year) => fill("note.leap_day", &[("year", year)]),
            Note::SyntheticGusts { seed, intensity } => fill(
                "note.synthetic_gusts",
                &[("seed", seed), ("intensity", &words.number(*intensity, 2))],
            ),
            Note::MadeUpStorm => words.say("note.made_up_storm").to_owned(),
            Note::Recorded { whole: true } => words.say("note.recorded_whole").to_owned(),
            Note::Recorded { whole: false } => words.say("note.recorded").to_owned(),
            Note::Columns {
                columns,
                label_is_end,
                row_ms,
            } => {
                let told: Vec<String> = columns.iter().map(|column| self.column(column)).collect();
                let key = if *label_is_end {
                    "note.columns_end"
                } else {
                    "note.columns_begin"
                };
                fill(
                    key,
                    &[("columns", &told.join(", ")), ("span", &span(*row_ms))],
                )
            }
            Note::TimesInGap(rows) => fill("note.times_in_gap", &[("rows", rows)]),
            Note::TimesTwice(rows) => fill("note.times_twice", &[("rows", rows)]),
        }
    }

    fn column(&self, column: &ColumnRead) -> String {
        let key = if column.sum {
            "note.column_sum"
        } else {
            "note.column"
        };
        let what = self.quantity(column.quantity);
        let places: &[(&str, &dyn Display)] = &[
            ("what", &what),
            ("name", &column.name),
            ("unit", &column.unit),
        ];
        self.words.fill(key, places)
    }

    fn quantity(&self, quantity: Quantity) -> &'static str {
        let words = self.words;
        match quantity {
            Quantity::Ghi => words.say("quantity.ghi"),
            Quantity::Dni => words.say("quantity.dni"),
            Quantity::Dhi => words.say("quantity.dhi"),
            Quantity::Temperature => words.say("quantity.temperature"),
            Quantity::Humidity => words.say("quantity.humidity"),
            Quantity::Mean => words.say("quantity.mean"),
            Quantity::Gust => words.say("quantity.gust"),
            Quantity::Direction => words.say("quantity.direction"),
            Quantity::Rain => words.say("quantity.rain"),
            Quantity::Pressure => words.say("quantity.pressure"),
            Quantity::Hail => words.say("quantity.hail"),
        }
    }

    fn occupied(&self, occupancy: Occupancy) -> String {
        let words = self.words;
        match occupancy {
            Occupancy::Always => words.say("note.always_occupied").to_owned(),
            Occupancy::Never => words.say("note.never_occupied").to_owned(),
            Occupancy::Workdays { from_min, to_min } => {
                let clock = |min| format!("{:02}:{:02}", min / 60, min % 60);
                let places: &[(&str, &dyn Display)] =
                    &[("from", &clock(from_min)), ("to", &clock(to_min))];
                words.fill("note.occupied_workdays", places)
            }
        }
    }

    /// What weather is and where it comes from.
    #[must_use]
    pub fn source(&self, source: &Source) -> String {
        let words = self.words;
        match source {
            Source::ClearAndCalm => words.say("source.clear_and_calm").to_owned(),
            Source::Sensors => words.say("source.sensors").to_owned(),
            Source::Epw(data, place) => {
                words.fill("source.epw", &[("data", data), ("place", place)])
            }
            Source::Tmy3(station, place) => {
                words.fill("source.tmy3", &[("station", station), ("place", place)])
            }
            Source::Csv(file) => words.fill("source.csv", &[("file", file)]),
            // The file's own words.
            Source::Named(own) => own.clone(),
            Source::Storm(description) => {
                words.fill("source.storm", &[("description", description)])
            }
            Source::WithGusts(source, seed) => words.fill(
                "source.with_gusts",
                &[("source", &self.source(source)), ("seed", seed)],
            ),
        }
    }

    /// The gaps of the data.
    #[must_use]
    pub fn gaps(&self, head: &Head) -> String {
        let words = self.words;
        if head.gaps == 0 {
            return words.say("year.no_gaps").to_owned();
        }
        let longest = head.longest_gaps.iter().map(|gap| {
            let hours = words.number(gap.hours(), 1);
            let (from, to) = (self.moment(gap.0.from), self.moment(gap.0.to));
            words.fill(
                "year.gap",
                &[("from", &from), ("to", &to), ("hours", &hours)],
            )
        });
        let longest: Vec<String> = longest.collect();
        words.fill(
            "year.gaps",
            &[
                ("count", &head.gaps),
                ("hours", &words.number(head.gap_hours, 1)),
                ("longest", &longest.join("; ")),
            ],
        )
    }

    /// What tells two runs apart.
    #[must_use]
    pub fn fingerprint(&self, head: &Head) -> String {
        let short = |sum: &str| sum.chars().take(12).collect::<String>();
        let weather = head
            .weather_sha256
            .as_deref()
            .map_or_else(|| self.words.say("source.clear_and_calm").to_owned(), short);
        self.words.fill(
            "year.fingerprint",
            &[
                ("site", &short(&head.site_sha256)),
                ("weather", &weather),
                ("program", &head.program),
                ("zones", &head.zone_data),
            ],
        )
    }

    /// What fails around every storm of an audit.
    #[must_use]
    pub fn fails(&self, fails: &Fails) -> String {
        let words = self.words;
        match fails {
            Fails::Nothing => words.say("fails.nothing").to_owned(),
            Fails::Sensor(sensor, Failing::Silent) => {
                words.fill("fails.silent", &[("sensor", sensor)])
            }
            Fails::Sensor(sensor, Failing::Stuck) => {
                words.fill("fails.stuck", &[("sensor", sensor)])
            }
            Fails::Sensor(sensor, Failing::Zero) => words.fill("fails.zero", &[("sensor", sensor)]),
            Fails::Feeder(feeder) => words.fill("fails.feeder", &[("feeder", feeder)]),
            Fails::Restart => words.say("fails.restart").to_owned(),
            Fails::PowerCut => words.say("fails.power_cut").to_owned(),
            Fails::BrokerGap => words.say("fails.broker_gap").to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::Language;

    /// One of each kind; a new kind has to be put here, too.
    fn each() -> Vec<Note> {
        let fingerprint = || "0123456789ab".to_owned();
        let column = |sum| ColumnRead {
            quantity: Quantity::Rain,
            name: "precip_mm".to_owned(),
            unit: "mm",
            sum,
        };
        let columns = |label_is_end| Note::Columns {
            columns: vec![column(true), column(false)],
            label_is_end,
            row_ms: 600_000,
        };
        let light = |split| Note::Light {
            split,
            row_ms: 3_600_000,
        };
        let from = Wall(1_800_000_000_000);
        vec![
            Note::ShowsLogic,
            Note::ShowsDecisions,
            Note::NoSafetySystem,
            Note::MakersLimit,
            Note::LightMoved(60),
            Note::Trial,
            Note::ClearAndCalm,
            Note::NoHail,
            Note::NoRoomTemperature,
            Note::Untouched(Occupancy::OFFICE),
            Note::Untouched(Occupancy::Always),
            Note::Untouched(Occupancy::Never),
            Note::IdealPlant,
            Note::SimulatedPlant,
            Note::NoWind,
            Note::NoGusts(3_600_000),
            Note::FewGusts { gusts: 1, rows: 2 },
            Note::OneWind,
            light(true),
            light(false),
            Note::NoIrradiance,
            Note::NoRain,
            Note::RainSpread(3_600_000),
            Note::SurfaceTemperature,
            Note::SensorsUnchecked,
            Note::FromInputs,
            Note::FromReports,
            Note::VersionNotKept {
                from,
                fingerprint: fingerprint(),
            },
            Note::VersionFrom {
                from,
                fingerprint: fingerprint(),
            },
            Note::ChainHolds,
            Note::ChainBroken {
                row: 7,
                fault: "altered".to_owned(),
            },
            Note::DecidedAlike(12),
            Note::DecidedOtherwise { differ: 1, all: 12 },
            Note::EpwOfPvgis(1),
            Note::OneMoment(11.0),
            Note::Epw,
            Note::Tmy3,
            Note::LeadingCopy,
            Note::RainInTenths {
                fitting: 99,
                wet: 100,
            },
            Note::TypicalOf(vec![(1, 1999), (2, 2001)]),
            Note::LeapDay(2028),
            Note::SyntheticGusts {
                seed: 7,
                intensity: 0.18,
            },
            Note::MadeUpStorm,
            Note::Recorded { whole: true },
            Note::Recorded { whole: false },
            columns(true),
            columns(false),
            Note::TimesInGap(2),
            Note::TimesTwice(2),
        ]
    }

    #[test]
    fn every_note_is_said_in_both_languages_with_its_values() {
        let model = crate::pages::example();
        let noter = |language| Noter {
            words: Words::of(language),
            model: &model,
        };
        let (en, de) = (noter(Language::English), noter(Language::German));
        for note in each() {
            let (english, german) = (en.note(&note), de.note(&note));
            assert_ne!(english, german, "{note:?}");
            for told in [&english, &german] {
                assert!(told.contains(' ') && !told.contains(['{', '}']), "{told}");
            }
            // The same values stand in what files are told. Dates are written otherwise.
            let dated = matches!(
                note,
                Note::VersionNotKept { .. } | Note::VersionFrom { .. } | Note::TypicalOf(_)
            );
            let digits = |text: &str| {
                text.chars()
                    .filter(char::is_ascii_digit)
                    .collect::<String>()
            };
            if !dated {
                assert_eq!(digits(&english), digits(&note.to_string()), "{note:?}");
            }
        }
    }
}
