//! The choices as a table and as a picture.

use super::{Gave, Sweep, Tried};
use crate::plot::escaped;
use std::fmt::Write as _;

/// A table in plain text, its rows numbered from 0, the site as it stands; `*`
/// marks what no other choice beats in everything.
#[must_use]
pub fn table(sweeps: &[Sweep], tried: &[Tried]) -> String {
    let mut out = format!("{:>4}", "no.");
    let width = |sweep: &Sweep| sweep.key.name().len().max(7) + 2;
    // Writing to a String does not fail.
    for sweep in sweeps {
        let _ = write!(out, "{:>width$}", sweep.key.name(), width = width(sweep));
    }
    out.push_str("  direct sun h   view out h  moves/day  exposed s\n");
    for (number, choice) in tried.iter().enumerate() {
        let _ = write!(out, "{number:>4}");
        for (sweep, value) in sweeps.iter().zip(&choice.values) {
            let _ = write!(out, "{:>width$}", short(*value), width = width(sweep));
        }
        let gave = &choice.gave;
        let _ = writeln!(
            out,
            "{:>14.1} {:>12.1} {:>10.2} {:>10.0}{}{}",
            gave.sun_h,
            gave.view_h,
            gave.movements,
            gave.exposed_s,
            if choice.unbeaten { " *" } else { "" },
            if choice.stands { " as it stands" } else { "" },
        );
    }
    out.push_str(
        "\nLess direct sun, more view out, fewer moves and less exposure count as better. Means over the facade's groups with\n\
         a sun rule; exposure in storms over all their devices together, audited with the simulated plant. * no other choice\n\
         is at least as good in everything and better in something. Nothing was written: take what suits into the site file\n\
         by hand, and see with `leeside diff` what it changes.\n",
    );
    out
}

/// A number without a tail of zeros; what differs between groups has none.
fn short(value: Option<f64>) -> String {
    let Some(value) = value else {
        return "mixed".to_owned();
    };
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Drawing units.
const WIDTH: f64 = 820.0;
const LEFT: f64 = 78.0;
const RIGHT: f64 = 26.0;
const TOP: f64 = 64.0;
const PANEL: f64 = 170.0;
const BETWEEN: f64 = 34.0;
const BELOW: f64 = 92.0;

/// One of the things that a choice gave.
type Part = fn(&Gave) -> f64;

/// What stands over the direct sun let in, a panel each.
const PANELS: [(&str, Part); 3] = [
    ("view out, hours (more is better)", |gave| gave.view_h),
    ("movements a day (fewer is better)", |gave| gave.movements),
    ("exposed in storms, s (less is better)", |gave| {
        gave.exposed_s
    }),
];

/// Direct sun let in against view out, movements and exposure, one above the
/// other. Filled dots with a number no other choice beats; the number is that of
/// the table. Shapes differ as well as colours, so that it reads in grey.
#[must_use]
pub fn svg(title: &str, sweeps: &[Sweep], tried: &[Tried]) -> String {
    let height = TOP + 3.0 * PANEL + 2.0 * BETWEEN + BELOW;
    let title = escaped(title);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" width=\"{WIDTH}\" height=\"{height}\" \
         role=\"img\" aria-label=\"{title}\"><title>{title}</title>\n<style>text{{font:12px system-ui,sans-serif;\
         fill:#222}}.small{{font-size:11px;fill:#444}}.num{{font-size:11px;font-weight:600;paint-order:stroke;stroke:#fff;\
         stroke-width:3px;stroke-linejoin:round}}.grid{{stroke:#ddd;stroke-width:.7}}.axis{{fill:none;stroke:#222}}\
         .best{{fill:#0072b2;stroke:#fff}}.beaten{{fill:#fff;stroke:#777}}.stands{{fill:#d55e00;stroke:#fff}}</style>\n\
         <rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>\n<text x=\"{LEFT}\" y=\"28\" \
         style=\"font-size:16px;font-weight:600\">{title}</text>\n"
    );
    let sun = Axis::over(tried, |gave| gave.sun_h);
    for (index, (name, of)) in (0_u8..).zip(PANELS) {
        let top = TOP + f64::from(index) * (PANEL + BETWEEN);
        panel(&mut out, (top, name), &sun, sweeps, tried, of);
    }
    let bottom = height - BELOW;
    for tick in sun.ticks() {
        let x = LEFT + sun.share(tick) * (WIDTH - LEFT - RIGHT);
        line(
            &mut out,
            &format!(
                "<text x=\"{x:.1}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
                bottom + 18.0,
                short(Some(tick))
            ),
        );
    }
    line(
        &mut out,
        &format!(
            "<text x=\"{}\" y=\"{}\" text-anchor=\"end\">direct sun let in, hours (less is better)</text>",
            WIDTH - RIGHT,
            bottom + 36.0
        ),
    );
    legend(&mut out, bottom + 62.0);
    out.push_str("</svg>\n");
    out
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

fn panel(
    out: &mut String,
    (top, name): (f64, &str),
    sun: &Axis,
    sweeps: &[Sweep],
    tried: &[Tried],
    of: Part,
) {
    let axis = Axis::over(tried, of);
    let (right, bottom) = (WIDTH - RIGHT, top + PANEL);
    line(
        out,
        &format!("<text x=\"{LEFT}\" y=\"{:.1}\">{name}</text>", top - 8.0),
    );
    let place = |gave: &Gave| {
        (
            LEFT + sun.share(gave.sun_h) * (right - LEFT),
            bottom - axis.share(of(gave)) * PANEL,
        )
    };
    for tick in sun.ticks() {
        let x = LEFT + sun.share(tick) * (right - LEFT);
        line(
            out,
            &format!("<path class=\"grid\" d=\"M{x:.1} {top}V{bottom}\"/>"),
        );
    }
    for tick in axis.ticks() {
        let y = bottom - axis.share(tick) * PANEL;
        line(
            out,
            &format!(
                "<path class=\"grid\" d=\"M{LEFT} {y:.1}H{right}\"/><text class=\"small\" x=\"{}\" y=\"{:.1}\" \
                 text-anchor=\"end\">{}</text>",
                LEFT - 7.0,
                y + 4.0,
                short(Some(tick))
            ),
        );
    }
    line(
        out,
        &format!("<path class=\"axis\" d=\"M{LEFT} {top}V{bottom}H{right}\"/>"),
    );
    // What matters most is drawn last.
    let rank = |choice: &Tried| (choice.stands, choice.unbeaten);
    let mut order: Vec<(usize, &Tried)> = tried.iter().enumerate().collect();
    order.sort_by_key(|(number, choice)| (rank(choice), *number));
    for (number, choice) in &order {
        let (x, y) = place(&choice.gave);
        line(
            out,
            &format!(
                "<g transform=\"translate({x:.1} {y:.1})\">{}<title>{}</title></g>",
                mark(choice.stands, choice.unbeaten),
                escaped(&told(*number, sweeps, choice))
            ),
        );
    }
    numbers(out, &order, place);
}

/// Numbers beside the dots; those of one place together.
fn numbers(out: &mut String, order: &[(usize, &Tried)], place: impl Fn(&Gave) -> (f64, f64)) {
    let mut labels: Vec<((f64, f64), Vec<usize>)> = vec![];
    for (number, choice) in order.iter().filter(|(_, c)| c.unbeaten || c.stands) {
        let (x, y) = place(&choice.gave);
        let near = |(a, b): (f64, f64)| (a - x).abs() < 9.0 && (b - y).abs() < 9.0;
        match labels.iter_mut().find(|(at, _)| near(*at)) {
            Some((_, all)) => all.push(*number),
            None => labels.push(((x, y), vec![*number])),
        }
    }
    for ((x, y), mut all) in labels {
        all.sort_unstable();
        let told: Vec<String> = all.iter().map(usize::to_string).collect();
        // To the side that has room.
        let (dx, anchor) = if x > WIDTH - RIGHT - 40.0 {
            (-9.0, "end")
        } else {
            (9.0, "start")
        };
        line(
            out,
            &format!(
                "<text class=\"num\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{}</text>",
                x + dx,
                y - 5.0,
                told.join(", ")
            ),
        );
    }
}

const fn mark(stands: bool, unbeaten: bool) -> &'static str {
    match (stands, unbeaten) {
        (true, _) => "<path class=\"stands\" d=\"M0 -7L7 0L0 7L-7 0Z\"/>",
        (false, true) => "<circle class=\"best\" r=\"5\"/>",
        (false, false) => "<circle class=\"beaten\" r=\"3.5\"/>",
    }
}

fn legend(out: &mut String, y: f64) {
    let entries = [
        (true, false, "0, the site as it stands"),
        (false, true, "no other choice beats it in everything"),
        (false, false, "beaten"),
    ];
    let mut x = LEFT + 7.0;
    for ((stands, unbeaten, words), wide) in entries.into_iter().zip([190.0, 265.0, 0.0]) {
        line(
            out,
            &format!(
                "<g transform=\"translate({x} {})\">{}</g><text x=\"{}\" y=\"{y}\">{words}</text>",
                y - 4.0,
                mark(stands, unbeaten),
                x + 14.0
            ),
        );
        x += wide;
    }
    line(
        out,
        &format!(
            "<text class=\"small\" x=\"{LEFT}\" y=\"{}\">Numbers are those of the table. It suggests and writes nothing.</text>",
            y + 18.0
        ),
    );
}

fn told(number: usize, sweeps: &[Sweep], choice: &Tried) -> String {
    let values = sweeps.iter().zip(&choice.values);
    let values: Vec<String> = values
        .map(|(sweep, value)| format!("{} {}", sweep.key.name(), short(*value)))
        .collect();
    let stands = if choice.stands { " as it stands" } else { "" };
    let Gave {
        sun_h,
        view_h,
        movements,
        exposed_s,
    } = choice.gave;
    format!(
        "{number}{stands}: {}: direct sun {sun_h:.1} h, view {view_h:.1} h, {movements:.2} moves a day, exposed {exposed_s:.0} s",
        values.join(", ")
    )
}

/// Whole steps from a little below the least to a little above the most.
struct Axis {
    from: f64,
    to: f64,
    step: f64,
}

impl Axis {
    fn over(tried: &[Tried], of: Part) -> Self {
        let values = || tried.iter().map(|choice| of(&choice.gave));
        let least = values().fold(f64::INFINITY, f64::min);
        let most = values().fold(f64::NEG_INFINITY, f64::max);
        Self::between(least, most)
    }

    /// About four steps of 1, 2 or 5 times a power of ten; a little room where all
    /// is the same.
    fn between(least: f64, most: f64) -> Self {
        if !(least.is_finite() && most.is_finite()) {
            return Self {
                from: 0.0,
                to: 1.0,
                step: 1.0,
            };
        }
        let span = (most - least).max(most.abs() * 0.02).max(0.02);
        let mut step = 0.001;
        let mut next = [2.0, 2.5, 2.0].into_iter().cycle();
        while span / step > 5.0 {
            step *= next.next().unwrap_or(2.0);
        }
        let from = (least / step).floor() * step;
        let to = (most / step).ceil() * step;
        Self {
            from,
            to: if to > from { to } else { from + step },
            step,
        }
    }

    fn ticks(&self) -> Vec<f64> {
        let all = (0_u8..20).map(|index| self.from + f64::from(index) * self.step);
        all.take_while(|tick| *tick <= self.to + self.step * 0.01)
            .collect()
    }

    fn share(&self, value: f64) -> f64 {
        (value - self.from) / (self.to - self.from)
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]
    use super::*;

    #[test]
    fn axes_have_a_few_whole_steps_around_what_they_show() {
        for (least, most) in [
            (47.2, 56.3),
            (449.5, 449.5),
            (637.0, 1304.0),
            (0.0, 0.0),
            (2.91, 3.31),
            (0.0, 1e7),
        ] {
            let axis = Axis::between(least, most);
            let ticks = axis.ticks();
            assert!((2..=8).contains(&ticks.len()), "{least} {most}: {ticks:?}");
            assert!(axis.from <= least && most <= axis.to + 1e-9);
            for value in [least, most] {
                assert!((-1e-9..=1.0 + 1e-9).contains(&axis.share(value)));
            }
        }
    }

    fn tried(number: f64, unbeaten: bool, stands: bool) -> Tried {
        Tried {
            values: vec![(!stands).then_some(number)],
            gave: Gave {
                sun_h: number,
                view_h: 1000.0 - number,
                movements: 3.0,
                exposed_s: 0.0,
            },
            unbeaten,
            stands,
        }
    }

    #[test]
    fn the_picture_has_every_choice_in_every_panel_and_the_table_its_number() {
        let sweeps = [Sweep::read("on_wm2=150..250/50").unwrap()];
        let all = [
            tried(200.0, false, true),
            tried(150.0, true, false),
            tried(250.0, false, false),
        ];
        let told = table(&sweeps, &all);
        assert!(told.contains("   0    mixed"), "{told}");
        assert!(told.contains("   1      150"), "{told}");
        assert!(told.contains("0 as it stands\n"), "{told}");
        let drawn = svg("a <b>", &sweeps, &all);
        assert_eq!(drawn.matches("<title>").count(), 1 + 3 * 3);
        assert!(drawn.contains("a &lt;b&gt;") && !drawn.contains("NaN"));
        assert_eq!(drawn.matches("class=\"stands\"").count(), 3 + 1);
    }
}
