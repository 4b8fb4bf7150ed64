//! The choices as a table and as a picture.

use super::{Gave, Sweep, Tried};
use crate::plot::escaped;
use std::fmt::Write as _;

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 480.0;
const MARGIN: f64 = 60.0;

/// A table in plain text; `*` marks what no other choice beats in everything.
#[must_use]
pub fn table(sweeps: &[Sweep], tried: &[Tried]) -> String {
    let mut out = String::new();
    for sweep in sweeps {
        let _ = write!(out, "{:>19} ", sweep.key.name());
    }
    out.push_str("  direct sun h   view out h  moves/day  exposed s\n");
    for choice in tried {
        if choice.values.is_empty() {
            let _ = write!(
                out,
                "{:>width$} ",
                "as it stands",
                width = sweeps.len() * 20 - 1
            );
        }
        for value in &choice.values {
            let _ = write!(out, "{:>19} ", short(*value));
        }
        let gave = &choice.gave;
        let _ = writeln!(
            out,
            "{:>14.1} {:>12.1} {:>10.2} {:>10.0} {}",
            gave.sun_h,
            gave.view_h,
            gave.movements,
            gave.exposed_s,
            if choice.unbeaten { "*" } else { "" }
        );
    }
    out.push_str(
        "\nMeans over the facade's groups with a sun rule, exposure over all their devices. * no other choice beats it \
         in everything. Nothing was written: take what suits into the site file by hand.\n",
    );
    out
}

/// Direct sun let in against view out; larger dots move more often, filled ones
/// no other choice beats.
#[must_use]
pub fn svg(title: &str, sweeps: &[Sweep], tried: &[Tried]) -> String {
    let sun = Axis::over(tried, |gave| gave.sun_h);
    let view = Axis::over(tried, |gave| gave.view_h);
    let moves = Axis::over(tried, |gave| gave.movements);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" font-family=\"sans-serif\" \
         font-size=\"12\"><title>{0}</title><rect width=\"{WIDTH}\" height=\"{HEIGHT}\" fill=\"#fff\"/><text \
         x=\"{MARGIN}\" y=\"24\" font-size=\"15\">{0}</text>",
        escaped(title)
    );
    let (right, bottom) = (WIDTH - MARGIN, HEIGHT - MARGIN);
    let _ = write!(
        out,
        "<path d=\"M{MARGIN} {MARGIN}V{bottom}H{right}\" fill=\"none\" stroke=\"#444\"/><text x=\"{right}\" y=\"{}\" \
         text-anchor=\"end\">direct sun let in, hours ({:.0} to {:.0})</text><text x=\"{MARGIN}\" y=\"{}\">view out, \
         hours ({:.0} to {:.0}); larger: more movements, {:.1} to {:.1} a day</text>",
        bottom + 34.0,
        sun.least,
        sun.most,
        MARGIN - 12.0,
        view.least,
        view.most,
        moves.least,
        moves.most
    );
    for choice in tried {
        let x = MARGIN + sun.share(choice.gave.sun_h) * (right - MARGIN);
        let y = bottom - view.share(choice.gave.view_h) * (bottom - MARGIN);
        let r = 4.0 + 6.0 * moves.share(choice.gave.movements);
        let (fill, stroke) = match (choice.unbeaten, choice.values.is_empty()) {
            (_, true) => ("#c0392b", "#7b241c"),
            (true, false) => ("#1f618d", "#1a5276"),
            (false, false) => ("none", "#7f8c8d"),
        };
        let _ = write!(
            out,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\" fill=\"{fill}\" stroke=\"{stroke}\"><title>{}</title></circle>",
            escaped(&told(sweeps, choice))
        );
    }
    let _ = writeln!(
        out,
        "<text x=\"{MARGIN}\" y=\"{}\">red: as it stands; blue: no other choice beats it in everything; grey: beaten</text></svg>",
        HEIGHT - 8.0
    );
    out
}

fn told(sweeps: &[Sweep], choice: &Tried) -> String {
    let values = sweeps.iter().zip(&choice.values);
    let values: Vec<String> = values
        .map(|(sweep, value)| format!("{} {}", sweep.key.name(), short(*value)))
        .collect();
    let what = if values.is_empty() {
        "as it stands".to_owned()
    } else {
        values.join(", ")
    };
    let Gave {
        sun_h,
        view_h,
        movements,
        exposed_s,
    } = choice.gave;
    format!(
        "{what}: direct sun {sun_h:.1} h, view {view_h:.1} h, {movements:.2} moves a day, exposed {exposed_s:.0} s"
    )
}

/// A number without a tail of zeros.
fn short(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// From the least to the most of something.
struct Axis {
    least: f64,
    most: f64,
}

impl Axis {
    fn over(tried: &[Tried], of: fn(&Gave) -> f64) -> Self {
        let values = || tried.iter().map(|choice| of(&choice.gave));
        Self {
            least: values().fold(f64::INFINITY, f64::min),
            most: values().fold(f64::NEG_INFINITY, f64::max),
        }
    }

    fn share(&self, value: f64) -> f64 {
        let span = self.most - self.least;
        if span > 0.0 {
            (value - self.least) / span
        } else {
            0.5
        }
    }
}
