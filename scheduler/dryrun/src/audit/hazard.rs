//! When the weather was too much for a group, worked out from the rows of the
//! weather and the rules of the site alone, without asking the core.

use crate::weather::{Quantity, Row, Series, Values};
use leeside_core::model::{
    Group, IceRule, Model, Moisture, Refuges, SensorKind, WindLink, WindRule,
};
use leeside_core::output::Word;
use leeside_core::pose::Pose;
use leeside_core::time::Wall;

/// By how much a surface sensor may read below the air, K: the replay's own
/// assumption, taken at its worst.
const COLD_SURFACE_K: f64 = 3.0;

/// What may be too much, highest rank first.
pub(super) const HAZARDS: [Word; 4] = [Word::Wind, Word::Hail, Word::Ice, Word::Rain];

/// An interval of even weather that was too much.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Over {
    pub(super) from: Wall,
    pub(super) to: Wall,
    /// Wind at the group m/s, level of hail, temperature °C, rain mm/h.
    pub(super) level: f64,
}

/// A storm of one group: from the first interval that was too much until calm
/// has lasted for the hold time.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Spell {
    pub(super) hazard: Word,
    pub(super) end: Wall,
    /// In order of time; never empty.
    pub(super) over: Vec<Over>,
}

impl Spell {
    pub(super) fn start(&self) -> Wall {
        self.over.first().map_or(self.end, |over| over.from)
    }

    /// The worst level: the highest, or for ice the lowest.
    pub(super) fn worst(&self) -> f64 {
        let levels = self.over.iter().map(|over| over.level);
        levels
            .reduce(|a, b| worse(self.hazard, a, b))
            .unwrap_or(0.0)
    }
}

/// The worse of two levels.
pub(super) fn worse(hazard: Word, a: f64, b: f64) -> f64 {
    if hazard == Word::Ice {
        a.min(b)
    } else {
        a.max(b)
    }
}

/// Where a product is out of harm's way; `None` where the hazard does not harm it.
pub(super) fn refuge(refuges: &Refuges, hazard: Word) -> Option<Pose> {
    match hazard {
        Word::Wind => Some(refuges.wind),
        Word::Hail => refuges.hail,
        Word::Ice => refuges.ice,
        Word::Rain => refuges.rain,
        Word::Service
        | Word::Fire
        | Word::Door
        | Word::Drive
        | Word::Hand
        | Word::Sun
        | Word::Timetable
        | Word::Rest => None,
    }
}

/// How the weather of a row looks to a group.
enum Look {
    Over(f64),
    Between,
    Calm,
    /// The row says nothing of it.
    Unknown,
}

/// The spells of one hazard of a group; none where the group has no such rule.
pub(super) fn spells(model: &Model, series: &Series, group: &Group, hazard: Word) -> Vec<Spell> {
    match hazard {
        Word::Wind => group.wind.as_ref().map_or_else(Vec::new, |rule| {
            join(hazard, series, rule.hold_ms, |row, _| {
                wind(rule, &row.values)
            })
        }),
        Word::Hail => group.hail.as_ref().map_or_else(Vec::new, |rule| {
            join(hazard, series, rule.hold_ms, |row, _| {
                match row.values.hail {
                    None => Look::Unknown,
                    Some(hail) if hail >= rule.from => Look::Over(hail),
                    Some(_) => Look::Calm,
                }
            })
        }),
        Word::Rain => group.rain.as_ref().map_or_else(Vec::new, |rule| {
            join(hazard, series, rule.hold_ms, |row, _| {
                match row.values.rain {
                    None => Look::Unknown,
                    Some(rain) if rain > rule.above => Look::Over(rain),
                    Some(_) => Look::Calm,
                }
            })
        }),
        Word::Ice => group.ice.as_ref().map_or_else(Vec::new, |rule| {
            join(hazard, series, rule.hold_ms, |row, rows| {
                ice(rule, &frost(model, rule, row, rows, series))
            })
        }),
        Word::Service
        | Word::Fire
        | Word::Door
        | Word::Drive
        | Word::Hand
        | Word::Sun
        | Word::Timetable
        | Word::Rest => Vec::new(),
    }
}

/// Joins rows to spells. A gap, and a row that says nothing, is no calm.
fn join<'a>(
    hazard: Word,
    series: &'a Series,
    hold_ms: i64,
    look: impl Fn(&Row, &'a [Row]) -> Look,
) -> Vec<Spell> {
    let mut spells: Vec<Spell> = Vec::new();
    let mut open: Option<Spell> = None;
    let mut before: Option<Wall> = None;
    for (index, row) in series.rows.iter().enumerate() {
        if let Some(spell) = &mut open {
            if before.is_some_and(|end| end < row.start) {
                spell.end = row.start.plus(hold_ms);
            }
            if spell.end <= row.start {
                spells.extend(open.take());
            }
        }
        match look(row, &series.rows[..index]) {
            Look::Over(level) => {
                let over = Over {
                    from: row.start,
                    to: row.end,
                    level,
                };
                let spell = open.get_or_insert_with(|| Spell {
                    hazard,
                    end: row.end,
                    over: vec![],
                });
                spell.over.push(over);
                spell.end = row.end.plus(hold_ms);
            }
            Look::Between | Look::Unknown => {
                if let Some(spell) = &mut open {
                    spell.end = row.end.plus(hold_ms);
                }
            }
            Look::Calm => {}
        }
        before = Some(row.end);
    }
    spells.extend(open);
    spells
}

fn wind(rule: &WindRule, values: &Values) -> Look {
    let speeds = [values.gust, values.mean].into_iter().flatten();
    let Some(speed) = speeds.reduce(f64::max) else {
        return Look::Unknown;
    };
    let measuring = rule.links.iter().filter(|link| !link.advisory);
    let level = measuring
        .map(|link| speed * factor(link, values.direction))
        .fold(0.0, f64::max);
    if level >= rule.limit_mps {
        Look::Over(level)
    } else if level < rule.limit_mps - rule.hysteresis_mps {
        Look::Calm
    } else {
        Look::Between
    }
}

/// Factor of a link times the largest of its sectors that the wind comes from;
/// of all of them where nobody knows the direction.
fn factor(link: &WindLink, direction: Option<f64>) -> f64 {
    let mut largest = 1.0_f64;
    for sector in &link.sectors {
        let inside = direction.is_none_or(|from| {
            let (begin, end, from) = (sector.from_deg, sector.to_deg, from.rem_euclid(360.0));
            if begin <= end {
                begin <= from && from <= end
            } else {
                from >= begin || from <= end
            }
        });
        if inside {
            largest = largest.max(sector.factor);
        }
    }
    link.factor * largest
}

/// What a row says of frost.
pub(super) struct Frost {
    /// Of the sensors that count, the coldest at its worst, °C.
    pub(super) coldest: Option<f64>,
    /// Whether there is something to freeze; `None`: nobody knows.
    pub(super) moist: Option<bool>,
}

pub(super) fn frost(
    model: &Model,
    rule: &IceRule,
    row: &Row,
    rows_before: &[Row],
    series: &Series,
) -> Frost {
    let surface = |id| model.sensor(id).kind == SensorKind::SurfaceTemperature;
    let colder = if rule.sensors.iter().any(|id| surface(*id)) {
        COLD_SURFACE_K
    } else {
        0.0
    };
    let of = |moisture: &Moisture| match moisture {
        Moisture::Always => Some(true),
        Moisture::Humidity { from_pct, .. } => {
            row.values.humidity.map(|humidity| humidity >= *from_pct)
        }
        Moisture::Rain { within_ms, .. } => {
            let since = row.start.plus(-within_ms);
            let recent = rows_before
                .iter()
                .rev()
                .take_while(|before| before.end > since);
            let wet = recent
                .chain([row])
                .any(|row| row.values.rain.is_some_and(|rain| rain > 0.0));
            // Data without any rain are taken as dry, as the replay says.
            let silent = row.values.rain.is_none() && series.speaks_of(Quantity::Rain);
            if silent && !wet { None } else { Some(wet) }
        }
    };
    let sources: Vec<Option<bool>> = rule.moisture.iter().map(of).collect();
    let moist = if sources.contains(&Some(true)) {
        Some(true)
    } else if sources.contains(&None) {
        None
    } else {
        Some(false)
    };
    Frost {
        coldest: row.values.temperature.map(|air| air - colder),
        moist,
    }
}

fn ice(rule: &IceRule, frost: &Frost) -> Look {
    match frost.coldest {
        None => Look::Unknown,
        Some(coldest) if coldest < rule.below_c && frost.moist == Some(true) => Look::Over(coldest),
        Some(coldest) if coldest > rule.above_c => Look::Calm,
        Some(_) => Look::Between,
    }
}
