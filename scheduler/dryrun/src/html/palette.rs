//! Colours that eyes of every kind tell apart and that print in grey: one ramp
//! from light to dark for extension, one for tilt, and for words the palette of
//! Okabe and Ito (2008), with stripes of two strengths where greys would fall together.

use leeside_core::output::Word;

/// Red, green, blue.
pub(super) type Rgb = [u8; 3];

/// Nobody looked: grey, outside of every ramp.
pub(super) const UNSEEN: Rgb = [0xC4, 0xB8, 0xB0];
/// Nothing extended.
pub(super) const NOTHING: Rgb = [0xFF, 0xFF, 0xFF];

/// Retracted to extended: paper to deep blue, ever darker.
const EXTENSION: [Rgb; 4] = [
    [0xFF, 0xFF, 0xFF],
    [0xB9, 0xD3, 0xE6],
    [0x4E, 0x8A, 0xB8],
    [0x08, 0x30, 0x60],
];
/// Flat to steep slats: pale yellow over green to dark purple, ever darker.
const TILT: [Rgb; 4] = [
    [0xF6, 0xE4, 0x8B],
    [0x7C, 0xC0, 0x7A],
    [0x2C, 0x70, 0x8E],
    [0x3A, 0x0A, 0x52],
];

/// Colour at a place (0..1) of the ramp of extension.
pub(super) fn extension(place: f64) -> Rgb {
    ramp(&EXTENSION, place)
}

/// Colour at a place (0..1) of the ramp of tilt.
pub(super) fn tilt(place: f64) -> Rgb {
    ramp(&TILT, place)
}

fn ramp(stops: &[Rgb; 4], place: f64) -> Rgb {
    let place = place.clamp(0.0, 1.0) * 3.0;
    let index = [2.0, 1.0]
        .iter()
        .position(|from| place >= *from)
        .map_or(0, |i| 2 - i);
    let share = place - [0.0, 1.0, 2.0][index];
    let (low, high) = (stops[index], stops[index + 1]);
    [0, 1, 2].map(|part| mixed(low[part], high[part], share))
}

fn mixed(low: u8, high: u8, share: f64) -> u8 {
    let value = f64::from(low) + (f64::from(high) - f64::from(low)) * share;
    (0..u8::MAX)
        .find(|whole| value < f64::from(*whole) + 0.5)
        .unwrap_or(u8::MAX)
}

/// How a word's area is filled.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Fill {
    /// All of it.
    Plain,
    /// Stripes along the days.
    Level,
    /// Stripes up and down.
    Upright,
    /// Squares.
    Checks,
}

/// Colour and filling of a word.
pub(super) const fn word(word: Word) -> (Rgb, Fill) {
    match word {
        Word::Service => ([0xD5, 0x5E, 0x00], Fill::Level),
        Word::Fire => ([0xD5, 0x5E, 0x00], Fill::Plain),
        Word::Wind => ([0x1A, 0x1A, 0x1A], Fill::Plain),
        Word::Hail => ([0x00, 0x9E, 0x73], Fill::Checks),
        Word::Ice => ([0x00, 0x72, 0xB2], Fill::Upright),
        Word::Rain => ([0x56, 0xB4, 0xE9], Fill::Level),
        Word::Door => ([0xB8, 0x9B, 0x00], Fill::Checks),
        Word::Drive => ([0x55, 0x55, 0x55], Fill::Checks),
        Word::Hand => ([0xCC, 0x79, 0xA7], Fill::Upright),
        Word::Sun => ([0xE6, 0x9F, 0x00], Fill::Plain),
        Word::Timetable => ([0xEE, 0xEA, 0xE0], Fill::Plain),
        Word::Rest => ([0xFF, 0xFF, 0xFF], Fill::Plain),
    }
}

/// What lies between the stripes of a colour: the same, much lighter, so that
/// nothing is lost between them.
pub(super) fn tint(rgb: Rgb) -> Rgb {
    rgb.map(|part| mixed(part, u8::MAX, 0.62))
}

/// Whether a cell of such a filling has the full colour, by its column and row.
pub(super) const fn filled(fill: Fill, column: usize, row: usize) -> bool {
    let (upright, level) = ((column / 2).is_multiple_of(2), (row / 3).is_multiple_of(2));
    match fill {
        Fill::Plain => true,
        Fill::Level => level,
        Fill::Upright => upright,
        Fill::Checks => upright == level,
    }
}

/// As a page writes it.
pub(super) fn hex([red, green, blue]: Rgb) -> String {
    format!("#{red:02x}{green:02x}{blue:02x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance of sRGB without its gamma, for comparing greys
    /// (weights of ITU-R BT.709).
    fn grey(rgb: Rgb) -> f64 {
        let [r, g, b] = rgb.map(f64::from);
        0.2126 * r + 0.7152 * g + 0.0722 * b
    }

    #[test]
    fn ramps_grow_darker_all_the_way() {
        for ramp in [extension as fn(f64) -> Rgb, tilt] {
            let greys: Vec<f64> = (0..=20).map(|i| grey(ramp(f64::from(i) / 20.0))).collect();
            assert!(greys.windows(2).all(|pair| pair[1] < pair[0]), "{greys:?}");
            assert!(greys[0] - greys[20] > 150.0);
        }
        assert_eq!(extension(0.0), EXTENSION[0]);
        assert_eq!(extension(1.0), EXTENSION[3]);
        assert_eq!(tilt(2.0 / 3.0), TILT[2]);
    }

    #[test]
    fn words_with_like_greys_differ_in_filling() {
        for (index, a) in Word::ALL.into_iter().enumerate() {
            for b in Word::ALL.into_iter().skip(index + 1) {
                let ((one, fill_one), (other, fill_other)) = (word(a), word(b));
                let apart = (grey(one) - grey(other)).abs();
                assert!(
                    apart > 14.0 || fill_one != fill_other,
                    "{a:?} and {b:?}: {apart}"
                );
            }
        }
    }

    #[test]
    fn every_filling_leaves_something_to_see() {
        for fill in [Fill::Plain, Fill::Level, Fill::Upright, Fill::Checks] {
            let cells = (0..12).flat_map(|day| (0..12).map(move |row| filled(fill, day, row)));
            assert!(cells.filter(|filled| *filled).count() >= 72);
        }
    }
}
