//! What runs over a day as a drawing: lanes one below the other, the local clock
//! across. Colours come from the style sheet, by class, so that a drawing follows
//! day and night.

use chrono::NaiveTime;
use core::fmt::Write as _;
use leeside_core::model::Model;
use leeside_core::time::{Wall, to_utc};
use maud::{Markup, html};

/// The paper of a drawing. Lettering keeps its size, so a phone gets a drawing of its
/// own and not a desk's made small.
#[derive(Clone, Copy, Debug)]
pub struct Paper {
    /// Width, in the drawing's own units.
    pub width: f64,
    /// What is left free at the left, for the marks of lanes.
    pub left: f64,
    /// Hours between two marks of the clock.
    hours: usize,
    /// The style that shows it where it fits.
    pub class: &'static str,
}

/// For a desk.
pub const DESK: Paper = Paper {
    width: 960.0,
    left: 78.0,
    hours: 3,
    class: "for-desk",
};

/// For a phone.
pub const PHONE: Paper = Paper {
    width: 390.0,
    left: 58.0,
    hours: 6,
    class: "for-phone",
};

/// Both; the style sheet shows one of them.
pub const PAPERS: [Paper; 2] = [DESK, PHONE];

const RIGHT: f64 = 14.0;

/// A local day across a drawing.
#[derive(Clone, Copy, Debug)]
pub struct Day {
    /// Its first moment.
    pub from: Wall,
    /// The first moment of the next.
    pub to: Wall,
    /// What it is drawn on.
    pub paper: Paper,
}

impl Day {
    /// The local day in which a moment lies.
    #[must_use]
    pub fn of(model: &Model, at: Wall) -> Self {
        let date = at.local_date(model.site.zone);
        let start = |date: chrono::NaiveDate| {
            Wall::from_utc(to_utc(model.site.zone, date.and_time(NaiveTime::MIN)).utc)
        };
        let next = date.succ_opt().unwrap_or(date);
        Self {
            from: start(date),
            to: start(next),
            paper: DESK,
        }
    }

    /// The same day on other paper.
    #[must_use]
    pub const fn on(self, paper: Paper) -> Self {
        Self { paper, ..self }
    }

    /// Where a moment lies across.
    #[must_use]
    pub fn x(&self, at: Wall) -> f64 {
        let share = ratio(at.0 - self.from.0, self.to.0 - self.from.0).clamp(0.0, 1.0);
        self.paper.left + share * (self.paper.width - self.paper.left - RIGHT)
    }
}

/// A lane of a drawing: a quantity upwards.
#[derive(Clone, Copy, Debug)]
pub struct Lane {
    /// The upper edge.
    pub top: f64,
    /// How tall.
    pub height: f64,
    /// The value at the lower edge.
    pub low: f64,
    /// The value at the upper edge.
    pub high: f64,
}

impl Lane {
    /// Where a value lies.
    #[must_use]
    pub fn y(&self, value: f64) -> f64 {
        let share = (value - self.low) / (self.high - self.low).max(1e-9);
        self.top + self.height * (1.0 - share.clamp(0.0, 1.0))
    }

    /// Its frame, its name and its marks at the side.
    #[must_use]
    pub fn frame(&self, paper: Paper, name: &str, marks: &[(f64, String)]) -> Markup {
        let (bottom, left, right) = (self.top + self.height, paper.left, paper.width - RIGHT);
        html! {
            path.lane d={ "M" (left) " " (at(self.top)) "V" (at(bottom)) "H" (right) } {}
            text.lane-name x=(left + 6.0) y=(at(self.top + 14.0)) { (name) }
            @for (value, text) in marks {
                @let y = self.y(*value);
                path.lane-mark d={ "M" (left) " " (at(y)) "h-5" } {}
                text.lane-value x=(left - 8.0) y=(at(y + 4.0)) { (text) }
            }
        }
    }

    /// A line across at a value.
    #[must_use]
    pub fn level(&self, paper: Paper, value: f64, class: &str) -> Markup {
        html! { path class=(class) d={ "M" (paper.left) " " (at(self.y(value))) "H" (paper.width - RIGHT) } {} }
    }

    /// A line through points that are no farther apart than `gap_ms`.
    #[must_use]
    pub fn line(&self, day: &Day, points: &[(Wall, f64)], gap_ms: i64) -> String {
        let mut path = String::new();
        let mut last: Option<Wall> = None;
        for (moment, value) in points {
            let joined = last.is_some_and(|last| moment.0 - last.0 <= gap_ms);
            let pen = if joined { 'L' } else { 'M' };
            // Writing to a String does not fail.
            let _ = write!(path, "{pen}{} {}", at(day.x(*moment)), at(self.y(*value)));
            last = Some(*moment);
        }
        path
    }

    /// A line in steps: each value holds until the next moment, the last until `end`;
    /// `None` leaves a gap.
    #[must_use]
    pub fn steps(&self, day: &Day, points: &[(Wall, Option<f64>)], end: Wall) -> String {
        let mut path = String::new();
        let mut down = false;
        for (index, (moment, value)) in points.iter().enumerate() {
            let until = points.get(index + 1).map_or(end, |(next, _)| *next);
            let Some(value) = value else {
                down = false;
                continue;
            };
            let (x, y) = (at(day.x(*moment)), at(self.y(*value)));
            let _ = if down {
                write!(path, "V{y}H{}", at(day.x(until)))
            } else {
                write!(path, "M{x} {y}H{}", at(day.x(until)))
            };
            down = true;
        }
        path
    }

    /// The same as an area down to the lower edge.
    #[must_use]
    pub fn area(&self, day: &Day, points: &[(Wall, Option<f64>)], end: Wall) -> String {
        let mut path = String::new();
        let bottom = at(self.top + self.height);
        for (index, (moment, value)) in points.iter().enumerate() {
            let until = points.get(index + 1).map_or(end, |(next, _)| *next);
            let Some(value) = value.filter(|value| *value > self.low) else {
                continue;
            };
            let _ = write!(
                path,
                "M{0} {bottom}V{1}H{2}V{bottom}z",
                at(day.x(*moment)),
                at(self.y(value)),
                at(day.x(until))
            );
        }
        path
    }
}

/// The clock below a drawing, and lines up through its lanes.
#[must_use]
pub fn clock(model: &Model, day: &Day, top: f64, bottom: f64) -> Markup {
    let date = day.from.local_date(model.site.zone);
    let hours: Vec<(u32, Wall)> = (0..24)
        .step_by(day.paper.hours)
        .filter_map(|hour| {
            let local = date.and_hms_opt(hour, 0, 0)?;
            Some((hour, Wall::from_utc(to_utc(model.site.zone, local).utc)))
        })
        .collect();
    html! {
        @for (hour, moment) in &hours {
            @let x = at(day.x(*moment));
            path.hour d={ "M" (x) " " (at(top)) "V" (at(bottom)) } {}
            text.clock-hour x=(x) y=(at(bottom + 16.0)) { (format!("{hour:02}:00")) }
        }
    }
}

/// A moment marked through all lanes.
#[must_use]
pub fn marked(day: &Day, moment: Wall, top: f64, bottom: f64, class: &str) -> Markup {
    html! {
        path class=(class) d={ "M" (at(day.x(moment))) " " (at(top)) "V" (at(bottom)) } {}
    }
}

/// A bar from one moment to another.
#[must_use]
pub fn bar(day: &Day, (from, to): (Wall, Wall), top: f64, height: f64, class: &str) -> Markup {
    let (x, right) = (day.x(from), day.x(to));
    html! {
        rect class=(class) x=(at(x)) y=(at(top)) width=(at((right - x).max(0.5))) height=(at(height)) {}
    }
}

/// A place in a drawing, to a tenth.
#[must_use]
pub fn at(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

/// A round number not below `value`, for the upper edge of a lane.
#[must_use]
pub fn roof(value: f64, steps: &[f64]) -> f64 {
    let fits = steps.iter().copied().find(|step| *step >= value);
    fits.or_else(|| steps.last().copied()).unwrap_or(value)
}

#[expect(clippy::cast_precision_loss, reason = "a day is 9e7 ms")]
fn ratio(part: i64, whole: i64) -> f64 {
    part as f64 / whole.max(1) as f64
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    const LANE: Lane = Lane {
        top: 10.0,
        height: 100.0,
        low: 0.0,
        high: 50.0,
    };

    fn day() -> Day {
        Day {
            from: Wall(0),
            to: Wall(86_800),
            paper: DESK,
        }
    }

    #[test]
    fn a_step_holds_until_the_next_and_unknown_leaves_a_gap() {
        let points = [
            (Wall(0), Some(0.0)),
            (Wall(43_400), None),
            (Wall(65_100), Some(50.0)),
        ];
        // 868 units wide: a tenth of a second is a unit.
        assert_eq!(
            LANE.steps(&day(), &points, Wall(86_800)),
            "M78 110H512M729 10H946"
        );
        assert_eq!(
            LANE.area(&day(), &points, Wall(86_800)),
            "M729 110V10H946V110z"
        );
        let line = [(Wall(0), 0.0), (Wall(10), 25.0), (Wall(99), 50.0)];
        assert_eq!(LANE.line(&day(), &line, 10), "M78 110L78.1 60M79 10");
    }

    #[test]
    fn the_clocks_of_a_day_that_jumps_stand_where_they_are() {
        let path =
            std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/example/site.toml");
        let options = leeside_config::LoadOptions::around(2027);
        let model = leeside_config::load_site(&path, &options).unwrap().0.model;
        // New York, 14 March 2027: 23 hours (rules of the IANA zone).
        let day = Day::of(&model, Wall(1_805_050_000_000));
        assert_eq!(day.to.0 - day.from.0, 23 * 3_600_000);
        let drawn = clock(&model, &day, 0.0, 10.0).into_string();
        // Six o'clock is five hours after midnight.
        let x = at(day.x(day.from.plus(5 * 3_600_000)));
        assert!(
            drawn.contains(&format!("x=\"{x}\" y=\"26\">06:00")),
            "{drawn}"
        );
    }

    #[test]
    fn roofs_are_round() {
        assert!((roof(11.0, &[10.0, 20.0]) - 20.0).abs() < 1e-9);
        assert!((roof(99.0, &[10.0, 20.0]) - 20.0).abs() < 1e-9);
    }
}
