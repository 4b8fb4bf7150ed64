//! What is to be minded beside a report: a closed list, with its values.
//!
//! Reports for files and programs say it in English ([`Display`](fmt::Display));
//! the page says the same from its catalogue, in the reader's language.

use crate::replay::Occupancy;
use crate::weather::{Quantity, duration, moment};
use chrono::NaiveDate;
use core::fmt;
use leeside_core::time::Wall;
use serde::{Serialize, Serializer};

/// Something to mind.
#[derive(Clone, PartialEq, Debug)]
pub enum Note {
    /// A dry run shows the logic, not the building.
    ShowsLogic,
    /// A record shows what was decided, not the building.
    ShowsDecisions,
    /// Nothing of this is a safety system.
    NoSafetySystem,
    /// The maker's limit overrides the site file's.
    MakersLimit,
    /// The light of the data fits the sun better when moved by so many minutes.
    LightMoved(i64),
    /// Limits or thresholds are those of a trial.
    Trial,
    /// The weather is made up, clear and calm.
    ClearAndCalm,
    /// No hail in the data.
    NoHail,
    /// Room temperatures are not known.
    NoRoomTemperature,
    /// Nobody touches anything, and when rooms are occupied.
    Untouched(Occupancy),
    /// Every device is at once where it is told to be.
    IdealPlant,
    /// Devices take their times.
    SimulatedPlant,
    /// No wind in the data.
    NoWind,
    /// No gusts in the data, whose rows are so long, ms.
    NoGusts(i64),
    /// Gusts in some rows only.
    FewGusts {
        /// Rows with a gust.
        gusts: usize,
        /// All rows.
        rows: usize,
    },
    /// All wind sensors read the same.
    OneWind,
    /// Where light comes from.
    Light {
        /// Whether it had to be split into beam and diffuse.
        split: bool,
        /// Length of a row, ms.
        row_ms: i64,
    },
    /// No irradiance in the data.
    NoIrradiance,
    /// No rain in the data.
    NoRain,
    /// Rain is spread over rows of such a length, ms.
    RainSpread(i64),
    /// Surface temperature is worked out.
    SurfaceTemperature,
    /// Stuck values and jumps are not looked for.
    SensorsUnchecked,
    /// Decided from recorded inputs.
    FromInputs,
    /// Where devices stood is what drives reported.
    FromReports,
    /// A version of the site file decided that was not kept.
    VersionNotKept {
        /// From then on.
        from: Wall,
        /// Beginning of its fingerprint.
        fingerprint: String,
    },
    /// A version of the site file decided from then on.
    VersionFrom {
        /// From then on.
        from: Wall,
        /// Beginning of its fingerprint.
        fingerprint: String,
    },
    /// The journal's chain holds.
    ChainHolds,
    /// The journal's chain is broken.
    ChainBroken {
        /// At this row.
        row: i64,
        /// How.
        fault: String,
    },
    /// All commands of the journal are decided as they were.
    DecidedAlike(u64),
    /// Some are not.
    DecidedOtherwise {
        /// So many.
        differ: u64,
        /// Of so many.
        all: u64,
    },
    /// An EPW file whose rows are UTC though its heading names another zone, h.
    EpwOfPvgis(i64),
    /// Irradiance is that of about this minute of each hour.
    OneMoment(f64),
    /// How hours of an EPW file are named.
    Epw,
    /// How hours of a TMY3 file are named.
    Tmy3,
    /// The first line was left out.
    LeadingCopy,
    /// Rain stands in tenths.
    RainInTenths {
        /// Wet hours that fit.
        fitting: usize,
        /// Wet hours.
        wet: usize,
    },
    /// Months, each with the year that it was taken from.
    TypicalOf(Vec<(u32, i32)>),
    /// 29 February of this year is made up.
    LeapDay(i32),
    /// Gusts are made up.
    SyntheticGusts {
        /// Seed.
        seed: u64,
        /// Turbulence intensity, 1.
        intensity: f64,
    },
    /// The storm is made up.
    MadeUpStorm,
    /// Weather out of a journal.
    Recorded {
        /// Whether the fingerprint is the journal's last hash.
        whole: bool,
    },
    /// How the columns of a CSV file were read.
    Columns {
        /// Each.
        columns: Vec<ColumnRead>,
        /// Whether a row's time is that of its end.
        label_is_end: bool,
        /// Length of a row, ms.
        row_ms: i64,
    },
    /// Rows whose local time does not exist.
    TimesInGap(usize),
    /// Rows whose local time exists twice.
    TimesTwice(usize),
}

/// How a column was read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ColumnRead {
    /// As this.
    pub quantity: Quantity,
    /// Its heading.
    pub name: String,
    /// Its unit.
    pub unit: &'static str,
    /// Whether it is a sum over the row.
    pub sum: bool,
}

impl Note {
    /// What no dry run shows, whatever it rests on.
    pub(crate) const ALWAYS: [Self; 3] =
        [Self::ShowsLogic, Self::NoSafetySystem, Self::MakersLimit];
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(words) = self.plain() {
            return f.write_str(words);
        }
        self.with_values(f)
    }
}

impl Note {
    /// Those without values.
    #[expect(clippy::wildcard_enum_match_arm, reason = "the others have values")]
    const fn plain(&self) -> Option<&'static str> {
        Some(match self {
            Self::ShowsLogic => {
                "a dry run shows the logic on these data; it does not show that a sensor stood in the wind of its \
                 facade, nor that a motor moved"
            }
            Self::ShowsDecisions => {
                "this shows what was decided and what drives reported; it does not show that a sensor stood in the wind of \
                 its facade, nor that a motor moved"
            }
            Self::NoSafetySystem => {
                "software, network and broker are no safety system: where wind, fire or people matter, hard-wired, \
                 independent means do the protecting"
            }
            Self::MakersLimit => {
                "the maker's wind limit for size, guide and place overrides every number in a site file"
            }
            Self::Trial => {
                "this is a trial from the page: limits or thresholds are others than those of the site file"
            }
            Self::ClearAndCalm => {
                "made-up weather: no clouds, no wind, no rain, 20 °C; this says what sun and timetable alone would \
                 do, and nothing about wind, rain or frost"
            }
            Self::NoHail => "no hail in the data: assumed none, the hail guard is not exercised",
            Self::NoRoomTemperature => {
                "room temperatures are not known: heat in or out is not exercised"
            }
            Self::IdealPlant => "ideal plant: every device is at once where it is told to be",
            Self::SimulatedPlant => {
                "simulated plant: devices take the times of their make-up, none fails"
            }
            Self::NoWind => {
                "the data say nothing of wind: every wind guard takes that as unknown and engages"
            }
            Self::OneWind => "every wind sensor reads the same wind, that of the weather station",
            Self::NoIrradiance => {
                "the data say nothing of irradiance: light is estimated from a clear sky"
            }
            Self::NoRain => "no rain in the data: assumed dry, the rain guard is not exercised",
            Self::SurfaceTemperature => {
                "surface temperature: air temperature, 3 K below it while the sun is down (common practice, no source)"
            }
            Self::SensorsUnchecked => {
                "sensors are not checked for stuck values and jumps: those of the data are not theirs"
            }
            Self::FromInputs => {
                "decided anew from the inputs that the service recorded: readings, contacts, requests, what drives reported"
            }
            Self::FromReports => {
                "where devices stood is what their drives reported, or what follows from travel times where they do not"
            }
            Self::ChainHolds => "the journal's chain holds",
            Self::Epw => {
                "EPW: hours name their end in standard time; irradiance and rain speak of the hour before, wind, \
                 temperature and humidity hold from the time on"
            }
            Self::Tmy3 => {
                "TMY3: times name the end of the hour in local standard time; irradiance and rain speak of the hour before, \
                 wind, temperature and humidity hold from the time on"
            }
            Self::LeadingCopy => "the first line repeats the last hour of the year and is left out",
            Self::MadeUpStorm => {
                "the storm is made up, and with it wind, rain and temperature of the whole span"
            }
            Self::Recorded { whole: true } => {
                "journal: the strongest wind, the heaviest rain and hail, the lowest temperature and the highest humidity of \
                 all sensors, minute by minute; the fingerprint is the journal's last hash"
            }
            Self::Recorded { whole: false } => {
                "journal: the strongest wind, the heaviest rain and hail, the lowest temperature and the highest humidity of \
                 all sensors, minute by minute"
            }
            _ => return None,
        })
    }

    #[expect(clippy::wildcard_enum_match_arm, reason = "the others have no values")]
    #[expect(clippy::too_many_lines, reason = "one list")]
    fn with_values(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LightMoved(minutes) => write!(
                f,
                "the light of the data fits the site's sun best when moved by {minutes:+} minutes: is it the right \
                 place, and does the file keep the time it claims?"
            ),
            Self::Untouched(occupancy) => write!(
                f,
                "doors and windows stay closed, no fire, no requests by hand, no service; {}",
                occupancy.words()
            ),
            Self::NoGusts(row_ms) => write!(
                f,
                "no gusts in the data: limits are compared with means over {}, and means hide gusts; do not judge \
                 safety by this run",
                duration(*row_ms)
            ),
            Self::FewGusts { gusts, rows } => write!(
                f,
                "gusts in {gusts} of {rows} rows only; elsewhere limits are compared with the mean, and means hide gusts"
            ),
            Self::Light { split, row_ms } => write!(
                f,
                "light sensors read the irradiance of the data, {}carried onto each facade with the sun of the minute \
                 and an even sky; clouds shorter than {} are not in the data",
                if *split {
                    "split into beam and diffuse (Erbs), "
                } else {
                    ""
                },
                duration(*row_ms)
            ),
            Self::RainSpread(row_ms) => {
                write!(f, "rain is spread evenly over its {}", duration(*row_ms))
            }
            Self::VersionNotKept { from, fingerprint } => write!(
                f,
                "from {} on another version of the site file decided (fingerprint {fingerprint}), which was not kept: \
                 rows name things by their place in it, so that reasons and numbers may be those of the file at hand",
                moment(*from)
            ),
            Self::VersionFrom { from, fingerprint } => write!(
                f,
                "from {} on the site file of fingerprint {fingerprint} decided; what came before was decided by the \
                 version before",
                moment(*from)
            ),
            Self::ChainBroken { row, fault } => {
                write!(f, "the journal's chain is broken at row {row}: {fault}")
            }
            Self::DecidedAlike(all) => write!(
                f,
                "all {all} commands of the journal are decided now as they were, byte for byte"
            ),
            Self::DecidedOtherwise { differ, all } => write!(
                f,
                "{differ} of {all} commands of the journal are decided otherwise now: it was altered, or the program or \
                 a version of the site file that was not kept are not those of then"
            ),
            Self::EpwOfPvgis(zone_h) => write!(
                f,
                "EPW made by PVGIS: the rows are UTC though the heading says zone {zone_h}; read as UTC"
            ),
            Self::OneMoment(minute) => write!(
                f,
                "irradiance is that of one moment, about minute {minute:.0} of each hour; it stands for the whole hour"
            ),
            Self::RainInTenths { fitting, wet } => write!(
                f,
                "rain: {fitting} of {wet} wet hours are hundredths of an inch in tenths of a millimetre though the \
                 heading says mm; read as tenths"
            ),
            Self::TypicalOf(months) => {
                f.write_str("typical year, put together from ")?;
                for (index, (month, year)) in months.iter().enumerate() {
                    let date = NaiveDate::from_ymd_opt(*year, *month, 1).unwrap_or_default();
                    let between = if index > 0 { ", " } else { "" };
                    write!(f, "{between}{}", date.format("%b %Y"))?;
                }
                f.write_str(": a jump where months meet is not weather")
            }
            Self::LeapDay(year) => write!(
                f,
                "29 February {year}: a typical year has no such day; it gets the hours of 28 February again"
            ),
            Self::SyntheticGusts { seed, intensity } => write!(
                f,
                "synthetic gusts, seed {seed}, turbulence intensity {intensity}: made up within the means, not measured"
            ),
            Self::Columns {
                columns,
                label_is_end,
                row_ms,
            } => {
                f.write_str("CSV: ")?;
                for (index, column) in columns.iter().enumerate() {
                    let between = if index > 0 { ", " } else { "" };
                    let sum = if column.sum { ", a sum" } else { "" };
                    let (what, name, unit) = (column.quantity.name(), &column.name, column.unit);
                    write!(f, "{between}{what} = {name} ({unit}{sum})")?;
                }
                let label = if *label_is_end { "ends" } else { "begins" };
                write!(
                    f,
                    "; each row speaks of {} that {label} at its time",
                    duration(*row_ms)
                )
            }
            Self::TimesInGap(rows) => write!(
                f,
                "{rows} rows carry a local time that does not exist (clocks go forward over it); read with the offset \
                 before the change"
            ),
            Self::TimesTwice(rows) => write!(
                f,
                "{rows} rows carry a local time that exists twice; in order of the rows, first the earlier, then the later"
            ),
            _ => Ok(()),
        }
    }
}

impl Serialize for Note {
    /// Its English sentence.
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

/// What weather is and where it comes from.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Source {
    /// Made up: clear and calm.
    ClearAndCalm,
    /// The building's own sensors.
    Sensors,
    /// An EPW file: the data that it names, and the place.
    Epw(String, String),
    /// A TMY3 file: station and place.
    Tmy3(String, String),
    /// A CSV file that does not say: its name.
    Csv(String),
    /// In the words of the file itself.
    Named(String),
    /// A storm made up out of this description.
    Storm(String),
    /// The same with gusts made up from this seed.
    WithGusts(Box<Self>, u64),
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ClearAndCalm => f.write_str("made up: clear sky, calm, dry, 20 °C"),
            Self::Sensors => f.write_str("what the building's own sensors recorded"),
            Self::Epw(data, place) => write!(f, "EPW, {data} {place}"),
            Self::Tmy3(station, place) => write!(f, "TMY3 typical year, station {station} {place}"),
            Self::Csv(file) => write!(f, "CSV file {file}"),
            Self::Named(words) => f.write_str(words),
            Self::Storm(description) => write!(f, "made up: {description}"),
            Self::WithGusts(source, seed) => write!(f, "{source}; synthetic gusts, seed {seed}"),
        }
    }
}

impl Serialize for Source {
    /// In English.
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}
