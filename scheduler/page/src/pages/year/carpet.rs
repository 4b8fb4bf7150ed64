//! Carpets: a day is a column, midnight below, the colour says what was. As pictures
//! for day and night, with the same colours as everywhere on the page.

use super::ask::Shown;
use crate::draw::at;
use crate::words::Words;
use chrono::{Datelike, Days, Timelike};
use core::fmt::Write as _;
use leeside_core::output::Word;
use leeside_core::time::Wall;
use leeside_dryrun::html::{Carpet, LOOKS_A_DAY, Picture};
use leeside_solar::{Crossing, SUNRISE_ELEVATION_DEG, crossings};
use maud::{Markup, html};

type Rgb = [u8; 3];

/// What a carpet shows.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum What {
    /// The deciding word.
    Word,
    /// Mean extension.
    Extension,
    /// Mean tilt of extended slats.
    Tilt,
}

impl What {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Word, Self::Extension, Self::Tilt];

    /// In the address.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Word => "word",
            Self::Extension => "extension",
            Self::Tilt => "tilt",
        }
    }
}

/// Columns that a picture has at least, so that stripes of a short span are as fine
/// as those of a year.
const COLUMNS: usize = 365;
/// Tilt from flat to steep, degrees.
const TILTS: (f64, f64) = (0.0, 90.0);

/// Colours by day or by night: of words, of unknown, of nothing and of everything.
struct Paint {
    words: fn(Word) -> (Rgb, Rgb),
    unknown: Rgb,
    nothing: Rgb,
    ramp: [Rgb; 3],
}

const DAY: Paint = Paint {
    words: by_day,
    unknown: [0xcf, 0xc9, 0xb8],
    nothing: [0xff, 0xfe, 0xfa],
    ramp: [[0xff, 0xfe, 0xfa], [0x74, 0xa3, 0xb8], [0x0b, 0x3a, 0x50]],
};
const NIGHT: Paint = Paint {
    words: by_night,
    unknown: [0x38, 0x47, 0x4f],
    nothing: [0x17, 0x23, 0x29],
    ramp: [[0x17, 0x23, 0x29], [0x3f, 0x79, 0x93], [0xd4, 0xee, 0xf8]],
};

/// Full colour and wash of a word, those of the style sheet.
const fn by_day(word: Word) -> (Rgb, Rgb) {
    match word {
        Word::Wind | Word::Hail | Word::Ice | Word::Rain => {
            ([0xa6, 0x3a, 0x00], [0xfb, 0xe6, 0xd9])
        }
        Word::Fire => ([0x8f, 0x0f, 0x3f], [0xf9, 0xdf, 0xe8]),
        Word::Service | Word::Door | Word::Drive => ([0x5b, 0x3a, 0x8c], [0xec, 0xe5, 0xf6]),
        Word::Hand => ([0x0b, 0x5a, 0x76], [0xdc, 0xec, 0xf3]),
        Word::Sun => ([0xe3, 0xa0, 0x08], [0xfb, 0xef, 0xc9]),
        Word::Timetable => ([0xc9, 0xdd, 0xcc], [0xe0, 0xee, 0xe2]),
        Word::Rest => ([0xec, 0xea, 0xe2], [0xec, 0xea, 0xe2]),
    }
}

const fn by_night(word: Word) -> (Rgb, Rgb) {
    match word {
        Word::Wind | Word::Hail | Word::Ice | Word::Rain => {
            ([0xff, 0x9d, 0x66], [0x3d, 0x22, 0x13])
        }
        Word::Fire => ([0xff, 0x9d, 0xbd], [0x42, 0x1a, 0x29]),
        Word::Service | Word::Door | Word::Drive => ([0xcd, 0xb4, 0xf5], [0x2f, 0x25, 0x43]),
        Word::Hand => ([0x7c, 0xc4, 0xde], [0x14, 0x32, 0x3f]),
        Word::Sun => ([0xf0, 0xb4, 0x29], [0x3a, 0x2f, 0x10]),
        Word::Timetable => ([0x2b, 0x4d, 0x35], [0x1b, 0x33, 0x22]),
        Word::Rest => ([0x24, 0x2f, 0x35], [0x24, 0x2f, 0x35]),
    }
}

/// Whether a cell has the full colour of its word: words of one family differ by
/// their stripes.
const fn filled(word: Word, column: usize, row: usize) -> bool {
    let (upright, level) = ((column / 2).is_multiple_of(2), (row / 4).is_multiple_of(2));
    match word {
        Word::Ice | Word::Drive => upright,
        Word::Rain | Word::Door => level,
        Word::Hail => upright == level,
        Word::Service
        | Word::Fire
        | Word::Wind
        | Word::Hand
        | Word::Sun
        | Word::Timetable
        | Word::Rest => true,
    }
}

/// A carpet as a PNG file.
pub(super) fn png(carpet: &Carpet, days: usize, what: What, night: bool) -> Vec<u8> {
    let paint = if night { NIGHT } else { DAY };
    let wide = COLUMNS.div_ceil(days.max(1));
    let mut palette = vec![paint.unknown, paint.nothing];
    palette.extend((0..=100_u8).map(|pct| mixed(&paint.ramp, f64::from(pct) / 100.0)));
    for word in Word::ALL {
        let (full, wash) = (paint.words)(word);
        palette.extend([full, wash]);
    }
    let cell = |day: usize, row: usize, column: usize| {
        let cell = day * LOOKS_A_DAY + row;
        match what {
            What::Extension => carpet.extension[cell].map_or(0, |pct| 2 + pct.min(100)),
            What::Tilt => match (carpet.extension[cell], carpet.tilt[cell]) {
                (None, _) => 0,
                (Some(_), None) => 1,
                (Some(_), Some(tilt)) => 2 + percent(f64::from(tilt)),
            },
            What::Word => carpet.word[cell].map_or(0, |word| {
                let place = (0_u8..).zip(Word::ALL).find(|(_, other)| *other == word);
                let wash = u8::from(!filled(word, column, row));
                place.map_or(0, |(index, _)| 103 + 2 * index + wash)
            }),
        }
    };
    let mut pixels = Vec::with_capacity(days * wide * LOOKS_A_DAY);
    for row in (0..LOOKS_A_DAY).rev() {
        pixels.extend((0..days * wide).map(|column| cell(column / wide, row, column)));
    }
    Picture {
        width: days * wide,
        height: LOOKS_A_DAY,
        palette,
        pixels,
    }
    .png()
}

/// A tilt as its share of the ramp, per cent.
fn percent(tilt_deg: f64) -> u8 {
    let share = (tilt_deg - TILTS.0) / (TILTS.1 - TILTS.0) * 100.0;
    (0..100_u8)
        .find(|pct| share < f64::from(*pct) + 0.5)
        .unwrap_or(100)
}

fn mixed(ramp: &[Rgb; 3], share: f64) -> Rgb {
    let (low, high, part) = if share < 0.5 {
        (ramp[0], ramp[1], share * 2.0)
    } else {
        (ramp[1], ramp[2], share * 2.0 - 1.0)
    };
    [0, 1, 2].map(|channel| {
        let value =
            f64::from(low[channel]) + (f64::from(high[channel]) - f64::from(low[channel])) * part;
        (0..u8::MAX)
            .find(|whole| value < f64::from(*whole) + 0.5)
            .unwrap_or(u8::MAX)
    })
}

const LEFT: f64 = 46.0;
const WIDTH: f64 = 900.0;
const TALL: f64 = 168.0;
const TOP: f64 = 6.0;

/// A carpet within its days and hours; `address` leads to its picture.
pub(super) fn framed(words: Words, shown: &Shown, label: &str, address: &str) -> Markup {
    let first = shown.days.0;
    let days = usize::try_from(shown.days.1.signed_duration_since(first).num_days()).unwrap_or(1);
    let across = |day: usize| LEFT + WIDTH * ratio(day, days);
    let long = days > 62;
    let marks: Vec<(f64, String)> = (0..days)
        .filter_map(|day| {
            let date = first.checked_add_days(Days::new(u64::try_from(day).ok()?))?;
            let month = words.say_of("month_short", &date.month().to_string());
            if long {
                (date.day() == 1).then(|| (across(day), month))
            } else {
                day.is_multiple_of(days.div_ceil(10))
                    .then(|| (across(day), format!("{} {month}", date.day())))
            }
        })
        .collect();
    html! {
        svg.carpet viewBox={ "0 0 " (LEFT + WIDTH + 8.0) " " (TOP + TALL + 22.0) } role="img" aria-label=(label) {
            image.by-day x=(LEFT) y=(TOP) width=(WIDTH) height=(TALL) preserveAspectRatio="none" image-rendering="pixelated" href=(address) {}
            image.by-night x=(LEFT) y=(TOP) width=(WIDTH) height=(TALL) preserveAspectRatio="none" image-rendering="pixelated" href={ (address) "&night=on" } {}
            path.carpet-sun d=(sun_lines(shown, days)) {}
            path.lane d={ "M" (LEFT) " " (TOP) "V" (TOP + TALL) "H" (LEFT + WIDTH) } {}
            @for hour in [0_u8, 6, 12, 18, 24] {
                @let y = TOP + TALL * (1.0 - f64::from(hour) / 24.0);
                path.lane-mark d={ "M" (LEFT) " " (at(y)) "h-5" } {}
                text.lane-value x=(LEFT - 8.0) y=(at(y + 4.0)) { (format!("{hour:02}")) }
            }
            @for (x, name) in &marks {
                path.lane-mark d={ "M" (at(*x)) " " (TOP + TALL) "v5" } {}
                text.month-name x=(at(*x + 2.0)) y=(TOP + TALL + 17.0) { (name) }
            }
        }
    }
}

/// Rise and set of the sun over the days.
fn sun_lines(shown: &Shown, days: usize) -> String {
    const JUMP_MIN: u32 = 90;
    let site = &shown.model.site;
    let date = |date: chrono::NaiveDate| {
        let local = date.and_time(chrono::NaiveTime::MIN);
        Wall::from_utc(leeside_core::time::to_utc(site.zone, local).utc)
    };
    let (from, to) = (date(shown.days.0), date(shown.days.1));
    let all = crossings(site.location, SUNRISE_ELEVATION_DEG, from.0, to.0);
    let mut path = String::new();
    for way in [Crossing::Rising, Crossing::Falling] {
        let mut last: Option<(i64, u32)> = None;
        for (moment, _) in all.iter().filter(|(_, is)| *is == way) {
            let local = Wall(*moment).utc().with_timezone(&site.zone);
            let day = local
                .date_naive()
                .signed_duration_since(shown.days.0)
                .num_days();
            let minute = local.hour() * 60 + local.minute();
            let joined =
                last.is_some_and(|(before, m)| day - before == 1 && m.abs_diff(minute) < JUMP_MIN);
            let x = LEFT + WIDTH * ratio(usize::try_from(day).unwrap_or(0) * 2 + 1, days * 2);
            let y = TOP + TALL * (1.0 - f64::from(minute) / 1_440.0);
            // Writing to a String does not fail.
            let _ = write!(
                path,
                "{}{} {}",
                if joined { 'L' } else { 'M' },
                at(x),
                at(y)
            );
            last = Some((day, minute));
        }
    }
    path
}

/// The words that decided somewhere, with their share of the looks.
pub(super) fn shares(carpet: &Carpet) -> Vec<(Word, f64)> {
    let seen = carpet.word.iter().flatten().count();
    let of = |word: Word| {
        let mine = carpet
            .word
            .iter()
            .flatten()
            .filter(|other| **other == word)
            .count();
        (mine > 0).then(|| (word, ratio(mine, seen)))
    };
    Word::ALL.into_iter().filter_map(of).collect()
}

fn ratio(part: usize, whole: usize) -> f64 {
    let of = |number: usize| u32::try_from(number).map_or(f64::MAX, f64::from);
    of(part) / of(whole.max(1))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_one_colour_differ_in_their_stripes() {
        for paint in [by_day, by_night] {
            for (index, one) in Word::ALL.into_iter().enumerate() {
                for other in Word::ALL.into_iter().skip(index + 1) {
                    let looks = |word: Word| -> Vec<Rgb> {
                        let (full, wash) = paint(word);
                        (0..16)
                            .flat_map(|column| (0..16).map(move |row| (column, row)))
                            .map(|(column, row)| {
                                if filled(word, column, row) {
                                    full
                                } else {
                                    wash
                                }
                            })
                            .collect()
                    };
                    assert_ne!(looks(one), looks(other), "{one:?} {other:?}");
                }
            }
        }
    }

    #[test]
    fn ramps_run_from_nothing_to_everything() {
        for paint in [DAY, NIGHT] {
            assert_eq!(mixed(&paint.ramp, 0.0), paint.nothing);
            assert_eq!(mixed(&paint.ramp, 1.0), paint.ramp[2]);
            assert_eq!(mixed(&paint.ramp, 0.5), paint.ramp[1]);
        }
        assert_eq!(
            [percent(-20.0), percent(0.0), percent(45.0), percent(95.0)],
            [0, 0, 50, 100]
        );
    }
}
