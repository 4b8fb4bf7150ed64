//! A year as a carpet: a day is a column, midnight below, the colour says what
//! was.

use super::palette::{self, NOTHING, Rgb};
use super::png::Picture;
use super::year::{NO_TILT, ROWS, UNSEEN};
use crate::plot::escaped;
use chrono::{Datelike, Days, NaiveDate, Timelike};
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::time::Wall;
use leeside_solar::{SUNRISE_ELEVATION_DEG, crossings};
use std::fmt::Write as _;

/// Drawing units: the carpet itself, and what stands around it.
const WIDTH: f64 = 700.0;
const LEFT: f64 = 34.0;
const TOP: f64 = 6.0;
const BELOW: f64 = 18.0;
const RIGHT: f64 = 6.0;
/// Columns that a picture has at least.
const COLUMNS: usize = 365;
/// Rises and sets farther apart than this are not joined, minutes.
const JUMP_MIN: u32 = 90;

/// What all carpets of a page share: the days, and rise and set of the sun.
pub(super) struct Frame {
    first: NaiveDate,
    days: usize,
    /// Paths of rises and sets in drawing units.
    sun: String,
    /// Height of the carpet.
    height: f64,
}

impl Frame {
    pub(super) fn new(
        model: &Model,
        (first, days): (NaiveDate, usize),
        (from, to): (Wall, Wall),
        height: f64,
    ) -> Self {
        let mut frame = Self {
            first,
            days,
            sun: String::new(),
            height,
        };
        let all = crossings(model.site.location, SUNRISE_ELEVATION_DEG, from.0, to.0);
        for way in [
            leeside_solar::Crossing::Rising,
            leeside_solar::Crossing::Falling,
        ] {
            let mut last: Option<(i64, u32)> = None;
            for (at, _) in all.iter().filter(|(_, is)| *is == way) {
                let local = Wall(*at).utc().with_timezone(&model.site.zone);
                let day = local.date_naive().signed_duration_since(first).num_days();
                let minute = local.hour() * 60 + local.minute();
                let joined = last
                    .is_some_and(|(before, m)| day - before == 1 && m.abs_diff(minute) < JUMP_MIN);
                let (x, y) = (
                    frame.x(day) + 0.5 * frame.day_width(),
                    frame.y(f64::from(minute) / 60.0),
                );
                let _ = write!(frame.sun, "{}{x:.1} {y:.1}", if joined { 'L' } else { 'M' });
                last = Some((day, minute));
            }
        }
        frame
    }

    fn day_width(&self) -> f64 {
        WIDTH / count(self.days)
    }

    fn x(&self, day: i64) -> f64 {
        let day = i32::try_from(day).unwrap_or(i32::MAX);
        LEFT + f64::from(day) * self.day_width()
    }

    /// Height of an hour of the day.
    fn y(&self, hour: f64) -> f64 {
        TOP + self.height * (1.0 - hour / 24.0)
    }

    /// A carpet as a drawing of its own.
    pub(super) fn drawing(&self, label: &str, picture: &Picture) -> String {
        let tall = self.height;
        let (width, height) = (LEFT + WIDTH + RIGHT, TOP + tall + BELOW);
        let mut svg = format!(
            "<svg class=\"carpet\" viewBox=\"0 0 {width} {height}\" role=\"img\" aria-label=\"{}\">\n\
             <image x=\"{LEFT}\" y=\"{TOP}\" width=\"{WIDTH}\" height=\"{tall}\" preserveAspectRatio=\"none\" \
             style=\"image-rendering:pixelated\" href=\"{}\"/>\n",
            escaped(label),
            picture.address()
        );
        if !self.sun.is_empty() {
            let _ = writeln!(
                svg,
                "<path class=\"halo\" d=\"{0}\"/><path class=\"sunline\" d=\"{0}\"/>",
                self.sun
            );
        }
        let _ = writeln!(
            svg,
            "<rect class=\"frame\" x=\"{LEFT}\" y=\"{TOP}\" width=\"{WIDTH}\" height=\"{tall}\"/>"
        );
        for hour in [0_u8, 6, 12, 18, 24] {
            let y = self.y(f64::from(hour));
            let _ = writeln!(
                svg,
                "<path class=\"tick\" d=\"M{LEFT} {y}h-4\"/><text class=\"axis\" x=\"{}\" y=\"{:.1}\" \
                 text-anchor=\"end\">{hour:02}</text>",
                LEFT - 7.0,
                y + 3.5
            );
        }
        self.months(&mut svg);
        svg.push_str("</svg>\n");
        svg
    }

    /// Ticks and names along the days: months of a long span, days of a short one.
    fn months(&self, svg: &mut String) {
        let y = TOP + self.height;
        let long = self.days > 62;
        for day in 0..self.days {
            let Some(date) = self.first.checked_add_days(Days::new(day as u64)) else {
                continue;
            };
            if date.day() != 1 && long {
                continue;
            }
            let x = self.x(i64::try_from(day).unwrap_or(0));
            let _ = write!(svg, "<path class=\"tick\" d=\"M{x:.1} {y}v4\"/>");
            let (name, width) = if long {
                (date.format("%b").to_string(), 30.4 * self.day_width())
            } else if day.is_multiple_of(self.days.div_ceil(12)) {
                (date.format("%-d %b").to_string(), self.day_width())
            } else {
                continue;
            };
            let _ = writeln!(
                svg,
                "<text class=\"axis\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{name}</text>",
                x + width / 2.0,
                y + 13.0
            );
        }
    }
}

fn count(number: usize) -> f64 {
    u32::try_from(number).map_or(f64::MAX, f64::from)
}

/// The cells of a carpet, turned from days into rows of a picture.
/// A day of a short span is several columns wide, so that stripes are as fine as
/// those of a year. `colour` is asked for a day, row and column.
fn picture(days: usize, palette: Vec<Rgb>, colour: impl Fn(usize, usize, usize) -> u8) -> Picture {
    let columns = COLUMNS.div_ceil(days.max(1));
    let mut pixels = Vec::with_capacity(days * columns * ROWS);
    for row in (0..ROWS).rev() {
        let day = |column: usize| colour(column / columns, row, column);
        pixels.extend((0..days * columns).map(day));
    }
    Picture {
        width: days * columns,
        height: ROWS,
        palette,
        pixels,
    }
}

/// Extension, per cent.
pub(super) fn extension(days: usize, cells: &[u8]) -> Picture {
    let mut colours: Vec<Rgb> = (0..=100_u8)
        .map(|pct| palette::extension(f64::from(pct) / 100.0))
        .collect();
    colours.push(palette::UNSEEN);
    picture(days, colours, |day, row, _| {
        cells[day * ROWS + row].min(101)
    })
}

/// Tilt between the flattest and the steepest, degrees; paper where no slats
/// are extended.
pub(super) fn tilt(days: usize, cells: &[i16], seen: &[u8], (least, most): (f64, f64)) -> Picture {
    let mut colours: Vec<Rgb> = (0..=100_u8)
        .map(|pct| palette::tilt(f64::from(pct) / 100.0))
        .collect();
    colours.extend([NOTHING, palette::UNSEEN]);
    let place = |tilt: i16| {
        let share = (f64::from(tilt) - least) / (most - least).max(1.0) * 100.0;
        (0..100_u8)
            .find(|pct| share < f64::from(*pct) + 0.5)
            .unwrap_or(100)
    };
    picture(days, colours, |day, row, _| {
        let cell = day * ROWS + row;
        match (seen[cell], cells[cell]) {
            (UNSEEN, _) => 102,
            (_, NO_TILT) => 101,
            (_, tilt) => place(tilt),
        }
    })
}

/// The deciding word.
pub(super) fn word(days: usize, cells: &[u8]) -> Picture {
    let full = Word::ALL.map(|word| palette::word(word).0);
    let mut colours = full.to_vec();
    colours.extend(full.map(palette::tint));
    colours.push(palette::UNSEEN);
    picture(days, colours, |day, row, column| {
        let index = cells[day * ROWS + row];
        let Some(word) = Word::ALL.get(usize::from(index)) else {
            return 24;
        };
        if palette::filled(palette::word(*word).1, column, row) {
            index
        } else {
            index + 12
        }
    })
}

/// The words that decided somewhere, in order of precedence, with the share of
/// the looks in which they did.
pub(super) fn shares(cells: &[u8]) -> Vec<(Word, f64)> {
    let seen = cells.iter().filter(|cell| **cell != UNSEEN).count();
    let of = |(index, word): (u8, Word)| {
        let mine = cells.iter().filter(|cell| **cell == index).count();
        (mine > 0).then(|| (word, count(mine) / count(seen)))
    };
    (0_u8..).zip(Word::ALL).filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn midnight_lies_below_and_days_run_to_the_right() {
        let mut cells = vec![0_u8; 3 * ROWS];
        cells[ROWS] = 100; // second day, midnight
        cells[2 * ROWS + ROWS - 1] = UNSEEN; // third day, last look
        let picture = extension(3, &cells);
        // Three days of 122 columns each.
        assert_eq!((picture.width, picture.height), (366, ROWS));
        let pixel = |column: usize, from_below: usize| {
            picture.pixels[(ROWS - 1 - from_below) * 366 + column]
        };
        assert_eq!(
            [121, 122, 243, 244].map(|column| pixel(column, 0)),
            [0, 100, 100, 0]
        );
        assert_eq!(
            [243, 244, 365].map(|column| pixel(column, ROWS - 1)),
            [0, 101, 101]
        );
        assert_eq!(picture.pixels.iter().filter(|p| **p != 0).count(), 244);
    }

    #[test]
    fn shares_are_of_what_was_seen() {
        let cells = [2, 2, 9, UNSEEN];
        let told: Vec<(Word, u8)> = shares(&cells)
            .into_iter()
            .map(|(w, s)| (w, if s > 0.5 { 2 } else { 1 }))
            .collect();
        assert_eq!(told, [(Word::Wind, 2), (Word::Sun, 1)]);
    }
}
