//! What a report rests on.

use crate::note::{Note, Source};
use crate::replay::{PlantKind, Setting, Sky, assumptions};
use crate::weather::{Gap, duration, moment, shift_to_sun_min};
use chrono_tz::IANA_TZDB_VERSION;
use core::fmt;
use leeside_core::time::{HOUR, MINUTE, Wall};
use serde::{Serialize, Serializer};

/// From this shift on the light of the data is said not to fit the site's sun, minutes.
const SHIFT_WORTH_SAYING_MIN: i64 = 40;

/// The plant of a journal.
const LIVED: &str = "real";

/// What a report rests on, in the order in which it is read.
#[derive(Clone, Debug, Serialize)]
pub struct Head {
    /// Name of the site.
    pub site: String,
    /// First moment of the span, site time.
    pub from: String,
    /// End of the span, site time.
    pub to: String,
    /// The site's zone.
    pub zone: String,
    /// SHA-256 over the site file and the files that it names.
    pub site_sha256: String,
    /// Name of the weather file.
    pub weather_file: Option<String>,
    /// SHA-256 of the weather file.
    pub weather_sha256: Option<String>,
    /// Seed and intensity of gusts made up within its means.
    pub synthetic_gusts: Option<String>,
    /// Program and version.
    pub program: String,
    /// Version of the zone data.
    pub zone_data: String,
    /// What the weather is and where it comes from.
    pub source: Source,
    /// Length of its rows.
    pub resolution: String,
    /// Rows in the span.
    pub rows: usize,
    /// Gaps of the span: how many.
    pub gaps: usize,
    /// Gaps of the span: hours without data.
    pub gap_hours: f64,
    /// The longest gaps.
    pub longest_gaps: Vec<LongGap>,
    /// Ideal, simulated or real.
    pub plant: &'static str,
    /// Step of the replay, s.
    pub step_s: i64,
    /// How the weather file had to be read.
    pub notes: Vec<Note>,
    /// What is assumed.
    pub assumptions: Vec<Note>,
    /// Cautions.
    pub cautions: Vec<Note>,
}

impl Head {
    /// The head of a replay of the site with that fingerprint.
    #[must_use]
    pub fn of(setting: &Setting, site_sha256: &str) -> Self {
        let site = &setting.model.site;
        let local = |at: Wall| {
            at.utc()
                .with_timezone(&site.zone)
                .format("%Y-%m-%dT%H:%M:%S%:z")
                .to_string()
        };
        let mut head = Self {
            site: site.name.clone(),
            from: local(setting.from),
            to: local(setting.to),
            zone: site.zone.name().to_owned(),
            site_sha256: site_sha256.to_owned(),
            weather_file: None,
            weather_sha256: None,
            synthetic_gusts: None,
            program: concat!("leeside ", env!("CARGO_PKG_VERSION")).to_owned(),
            zone_data: IANA_TZDB_VERSION.to_owned(),
            source: Source::ClearAndCalm,
            resolution: duration(setting.step_ms),
            rows: 0,
            gaps: 0,
            gap_hours: 0.0,
            longest_gaps: vec![],
            plant: match setting.plant {
                PlantKind::Ideal => "ideal",
                PlantKind::Simulated => "simulated",
            },
            step_s: setting.step_ms / 1_000,
            notes: vec![],
            assumptions: assumptions(setting),
            cautions: Note::ALWAYS.to_vec(),
        };
        if let Sky::Rows(series) = &setting.sky {
            head.weather_file = Some(series.about.file.clone());
            head.weather_sha256 = Some(series.about.sha256.clone());
            head.synthetic_gusts = series
                .about
                .gusts
                .as_ref()
                .map(|gusts| format!("seed {}, intensity {}", gusts.seed, gusts.intensity));
            head.source.clone_from(&*series.about.source);
            head.resolution = duration(series.about.resolution_ms);
            if series.about.gusts.is_some() {
                head.resolution =
                    format!("{}, made up within {}", duration(MINUTE), head.resolution);
            }
            head.rows = series
                .rows
                .iter()
                .filter(|row| row.end > setting.from && row.start < setting.to)
                .count();
            head.notes.clone_from(&series.about.notes);
            head.take_gaps(series.gaps_over(setting.from, setting.to));
            let shift = shift_to_sun_min(series, site.location).unwrap_or(0);
            if shift.abs() >= SHIFT_WORTH_SAYING_MIN {
                head.cautions.insert(0, Note::LightMoved(shift));
            }
        }
        head
    }

    /// The head of what a journal tells instead of a replay of weather: the plant
    /// was the real one. `found` is to be read first.
    #[must_use]
    pub fn lived(mut self, found: Vec<Note>) -> Self {
        self.plant = LIVED;
        self.step_s = 0;
        self.assumptions = vec![Note::FromInputs, Note::FromReports];
        for caution in &mut self.cautions {
            if *caution == Note::ShowsLogic {
                *caution = Note::ShowsDecisions;
            }
        }
        self.cautions.splice(0..0, found);
        self
    }

    /// Whether a journal tells.
    #[must_use]
    pub fn is_lived(&self) -> bool {
        self.plant == LIVED
    }

    /// What kind of report it is.
    #[must_use]
    pub fn title(&self) -> &'static str {
        if self.is_lived() { "Record" } else { "Dry run" }
    }

    fn take_gaps(&mut self, mut gaps: Vec<Gap>) {
        self.gaps = gaps.len();
        self.gap_hours = hours(gaps.iter().map(|gap| gap.to.0 - gap.from.0).sum());
        gaps.sort_by_key(|gap| (gap.from.0 - gap.to.0, gap.from));
        self.longest_gaps = gaps.into_iter().take(5).map(LongGap).collect();
    }

    /// One line that tells two runs apart.
    #[must_use]
    pub fn fingerprint(&self) -> String {
        let weather = self
            .weather_sha256
            .as_deref()
            .map_or("made up", |sha| &sha[..12.min(sha.len())]);
        let site = &self.site_sha256[..12.min(self.site_sha256.len())];
        let gusts = self
            .synthetic_gusts
            .as_ref()
            .map_or_else(String::new, |gusts| format!(", synthetic gusts {gusts}"));
        format!(
            "site {site}, weather {weather}{gusts}, {}, zone data {}",
            self.program, self.zone_data
        )
    }

    /// The gaps in words.
    #[must_use]
    pub fn gap_words(&self) -> String {
        if self.gaps == 0 {
            return "none".to_owned();
        }
        let longest: Vec<String> = self.longest_gaps.iter().map(ToString::to_string).collect();
        let longest = longest.join("; ");
        format!(
            "{} ({:.1} h), taken as unknown; longest {longest}",
            self.gaps, self.gap_hours
        )
    }
}

/// One of the longest gaps.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct LongGap(pub Gap);

impl LongGap {
    /// Its length, hours, to a hundredth.
    #[must_use]
    pub fn hours(self) -> f64 {
        hours(self.0.to.0 - self.0.from.0)
    }
}

impl fmt::Display for LongGap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (from, to) = (moment(self.0.from), moment(self.0.to));
        write!(f, "{from} to {to} ({} h)", self.hours())
    }
}

impl Serialize for LongGap {
    /// In words.
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_str(self)
    }
}

/// Milliseconds as hours, to a hundredth.
#[expect(
    clippy::cast_precision_loss,
    reason = "a century is 3e12 ms, far below 2^53"
)]
pub(super) fn hours(ms: i64) -> f64 {
    (ms as f64 / HOUR as f64 * 100.0).round() / 100.0
}
