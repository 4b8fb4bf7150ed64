//! Small parts of a page: numbers, lists, keys to colours.

use super::palette::{self, Fill};
use crate::plot::escaped;
use leeside_core::output::Word;
use std::fmt::Write as _;

/// Nothing is easier to overlook than a nought.
pub(super) const NONE: &str = "·";

/// A number in groups of three digits, apart by a thin space.
pub(super) fn grouped(number: u64) -> String {
    let digits = number.to_string();
    let mut told = String::new();
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            told.push('\u{202F}');
        }
        told.push(digit);
    }
    told
}

/// A count, or a dot for none.
pub(super) fn dotted(count: u64) -> String {
    if count == 0 {
        NONE.to_owned()
    } else {
        grouped(count)
    }
}

/// Hours in whole numbers; a dot for none, `< 1` for less than half of one.
pub(super) fn whole_hours(hours: f64) -> String {
    if hours <= 0.0 {
        NONE.to_owned()
    } else if hours < 0.5 {
        "&lt;\u{202F}1".to_owned()
    } else {
        rounded(hours)
    }
}

/// Rounded to a whole number.
pub(super) fn rounded(value: f64) -> String {
    format!("{value:.0}")
        .parse()
        .map_or_else(|_| format!("{value:.0}"), grouped)
}

/// With one decimal place.
pub(super) fn one_place(value: f64) -> String {
    format!("{value:.1}")
}

/// A share in per cent, without decimals.
pub(super) fn percent(part: f64, whole: f64) -> String {
    if whole > 0.0 {
        format!("{:.0}\u{202F}%", part / whole * 100.0)
    } else {
        "–".to_owned()
    }
}

/// A list of texts.
pub(super) fn list(texts: &[impl ToString]) -> String {
    let items: Vec<String> = texts
        .iter()
        .map(|text| format!("<li>{}</li>", escaped(&text.to_string())))
        .collect();
    format!("<ul>{}</ul>\n", items.join("\n"))
}

/// Text inside a quoted string of a style sheet within a page (CSS Syntax
/// Level 3, §4.3.7): what could end it or the sheet is written as its code.
pub(super) fn css_text(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        if letter.is_control() || matches!(letter, '"' | '\\' | '<' | '>' | '&') {
            let _ = write!(safe, "\\{:x} ", u32::from(letter));
        } else {
            safe.push(letter);
        }
    }
    safe
}

/// Fillings and ramps that keys and bars of the page refer to.
pub(super) fn definitions() -> String {
    let mut svg =
        "<svg width=\"0\" height=\"0\" style=\"position:absolute\" aria-hidden=\"true\"><defs>"
            .to_owned();
    for word in Word::ALL {
        let (rgb, fill) = palette::word(word);
        let colour = palette::hex(rgb);
        let shape = match fill {
            Fill::Plain => "M0 0h4v4h-4z",
            Fill::Level => "M0 0h4v2h-4z",
            Fill::Upright => "M0 0h2v4h-2z",
            Fill::Checks => "M0 0h2v2h-2zM2 2h2v2h-2z",
        };
        let _ = write!(
            svg,
            "<pattern id=\"w-{}\" width=\"4\" height=\"4\" patternUnits=\"userSpaceOnUse\">\
             <path d=\"M0 0h4v4h-4z\" fill=\"{}\"/><path d=\"{shape}\" fill=\"{colour}\"/></pattern>",
            word.as_str(),
            palette::hex(palette::tint(rgb))
        );
    }
    for (name, colour) in [
        ("r-extension", palette::extension as fn(f64) -> palette::Rgb),
        ("r-tilt", palette::tilt),
    ] {
        let _ = write!(svg, "<linearGradient id=\"{name}\">");
        for step in 0..=10_u8 {
            let place = f64::from(step) / 10.0;
            let _ = write!(
                svg,
                "<stop offset=\"{place}\" stop-color=\"{}\"/>",
                palette::hex(colour(place))
            );
        }
        svg.push_str("</linearGradient>");
    }
    svg.push_str("</defs></svg>\n");
    svg
}

/// A swatch of a filling of [`definitions`].
fn swatch(fill: &str, class: &str, width: u8) -> String {
    format!(
        "<svg class=\"{class}\" viewBox=\"0 0 {width} 10\" preserveAspectRatio=\"none\"><rect x=\".5\" y=\".5\" \
         width=\"{}\" height=\"9\" fill=\"{fill}\" stroke=\"#1a1a1a\" stroke-width=\".6\"/></svg>",
        width - 1
    )
}

/// The key of a ramp between two ends.
pub(super) fn ramp_key(ramp: &str, low: &str, high: &str, more: &str) -> String {
    let unseen = swatch(&palette::hex(palette::UNSEEN), "", 16);
    format!(
        "<p class=\"key\"><span>{} {} {}</span>{more}<span>{unseen}not looked at</span></p>\n",
        escaped(low),
        swatch(&format!("url(#{ramp})"), "scale", 140),
        escaped(high)
    )
}

/// Paper, where nothing is.
pub(super) fn paper_key(text: &str) -> String {
    format!("<span>{}{}</span>", swatch("#fff", "", 16), escaped(text))
}

/// The key of words, with the share of the time in which each decided.
pub(super) fn word_key(shares: &[(Word, f64)]) -> String {
    let mut told = "<p class=\"key\">".to_owned();
    for (word, share) in shares {
        let share = match share * 100.0 {
            small if small < 1.0 => "&lt;\u{202F}1\u{202F}%".to_owned(),
            share => format!("{share:.0}\u{202F}%"),
        };
        let fill = swatch(&format!("url(#w-{})", word.as_str()), "", 16);
        let _ = write!(told, "<span>{fill}<i>{}</i> {share}</span>", word.as_str());
    }
    told.push_str("</p>\n");
    told
}

/// A bar of stacked parts, each with the filling of its word; the full width is
/// `most`.
pub(super) fn bar(parts: &[(Word, u32)], most: u32) -> String {
    const WIDTH: f64 = 260.0;
    let mut svg = format!(
        "<svg class=\"bar\" viewBox=\"0 0 {WIDTH} 12\" preserveAspectRatio=\"none\" aria-hidden=\"true\">"
    );
    let mut x = 0.3;
    for (word, count) in parts.iter().filter(|(_, count)| *count > 0) {
        // Room for the outline of the longest.
        let width = f64::from(*count) / f64::from(most.max(1)) * (WIDTH - 0.6);
        let _ = write!(
            svg,
            "<rect x=\"{x:.1}\" y=\".4\" width=\"{width:.1}\" height=\"11.2\" fill=\"url(#w-{})\" stroke=\"#1a1a1a\" \
             stroke-width=\".5\"/>",
            word.as_str()
        );
        x += width;
    }
    svg.push_str("</svg>");
    svg
}

/// A table: heads and rows, each cell already safe. `text` names the columns
/// that hold words.
pub(super) fn table(
    heads: &[String],
    text: &[usize],
    rows: &[Vec<String>],
    sum: Option<&[String]>,
) -> String {
    let class = |column: usize| {
        if text.contains(&column) {
            " class=\"text\""
        } else {
            ""
        }
    };
    let mut out = "<table>\n<thead><tr>".to_owned();
    for (column, head) in heads.iter().enumerate() {
        let _ = write!(out, "<th{}>{head}</th>", class(column));
    }
    out.push_str("</tr></thead>\n<tbody>\n");
    let mut row = |cells: &[String], kind: &str| {
        let _ = write!(out, "<tr{kind}>");
        for (column, cell) in cells.iter().enumerate() {
            let _ = write!(out, "<td{}>{cell}</td>", class(column));
        }
        out.push_str("</tr>\n");
    };
    rows.iter().for_each(|cells| row(cells, ""));
    if let Some(cells) = sum {
        row(cells, " class=\"sum\"");
    }
    out.push_str("</tbody>\n</table>\n");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_told_in_groups() {
        let table = [
            (0, "0"),
            (999, "999"),
            (1_000, "1\u{202F}000"),
            (1_234_567, "1\u{202F}234\u{202F}567"),
        ];
        for (number, want) in table {
            assert_eq!(grouped(number), want);
        }
        assert_eq!(whole_hours(0.2), "&lt;\u{202F}1");
        assert_eq!(whole_hours(1_234.6), "1\u{202F}235");
    }

    #[test]
    fn nothing_gets_out_of_a_style_sheet() {
        assert_eq!(css_text("a\"b\\c</style>"), "a\\22 b\\5c c\\3c /style\\3e ");
    }
}
