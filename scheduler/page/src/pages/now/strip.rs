//! The house by the compass: the horizon unrolled, the facades where they look with
//! their groups as they stand, the sun where it is.

use super::{Scene, by_compass, direction};
use crate::draw::{PAPERS, Paper};
use crate::layout::family;
use leeside_core::ids::{FacadeId, GroupId};
use leeside_daemon::door::{GroupNow, SunNow};
use maud::{Markup, html};

/// The horizon in the strip, and how tall a facade stands on it.
const HORIZON: f64 = 110.0;
const FRONT: f64 = 44.0;
/// A row of names below it, about how wide a letter is, and how many rows at most.
const ROW: f64 = 16.0;
const LETTER: f64 = 7.4;
const MOST_ROWS: u8 = 4;
/// Groups of a facade that stand side by side there; of more the mean is shown.
const MOST_COLUMNS: usize = 8;

impl<'a> Scene<'a> {
    fn sun_text(&self) -> String {
        let (words, sun) = (self.words, self.present.sun);
        if sun.elevation_deg <= 0.0 {
            return words.say("now.sun_down").to_owned();
        }
        words.fill(
            "now.sun_up",
            &[
                ("azimuth", &words.number(sun.azimuth_deg, 0)),
                ("direction", &direction(words, sun.azimuth_deg)),
                ("elevation", &words.number(sun.elevation_deg, 0)),
            ],
        )
    }

    /// The horizon from north over south to north again, the facades where they
    /// look, the sun where it stands.
    pub(super) fn compass(&self) -> Markup {
        let words = self.words;
        let order = by_compass(self.model);
        let named = |id: &FacadeId| {
            let facade = self.model.facade(*id);
            let azimuth = words.number(facade.plane.azimuth_deg(), 0);
            let lit = if self.lit(*id) {
                words.say("now.lit")
            } else {
                words.say("now.shade")
            };
            format!("{} {azimuth}° ({lit})", facade.name)
        };
        let facades: Vec<String> = order.iter().map(named).collect();
        let sun = self.sun_text();
        let text = words.fill(
            "now.compass_text",
            &[("facades", &facades.join(", ")), ("sun", &sun)],
        );
        html! {
            figure #p-compass .compass {
                @for paper in PAPERS { (self.strip(paper, &order, &text)) }
                figcaption { (sun) }
            }
        }
    }

    /// The strip itself: each facade stands where it looks, its groups as they stand.
    fn strip(&self, paper: Paper, order: &[FacadeId], text: &str) -> Markup {
        let words = self.words;
        let per_degree = paper.width / 360.0;
        let names = self.names(paper, order);
        let rows = names.iter().map(|(_, _, row)| row + 1).max().unwrap_or(0);
        let tall = HORIZON + 26.0 + f64::from(rows) * ROW;
        html! {
            svg class=(paper.class) viewBox={ "0 0 " (paper.width) " " (tall) } role="img" aria-label=(text) {
                path.sky d={ "M0 0h" (paper.width) "v" (HORIZON) "h-" (paper.width) "z" } {}
                path.ground d={ "M0 " (HORIZON) "h" (paper.width) "v" (tall - HORIZON) "h-" (paper.width) "z" } {}
                path.horizon d={ "M0 " (HORIZON) "h" (paper.width) } {}
                @for (index, point) in ["n", "ne", "e", "se", "s", "sw", "w", "nw"].iter().enumerate() {
                    @let x = f64::from(u32::try_from(index * 45).unwrap_or(0)) * per_degree;
                    path.tick d={ "M" (round(x)) " " (HORIZON) "v5" } {}
                    text.point x=(round(x.max(9.0))) y=(HORIZON + 18.0) { (words.say_of("compass", point)) }
                }
                @for facade in order { (self.front(*facade, per_degree)) }
                (sun_disc(self.present.sun, per_degree))
                @for (name, x, row) in &names {
                    text.front-name x=(round(*x)) y=(HORIZON + 20.0 + f64::from(row + 1) * ROW) { (name) }
                }
            }
        }
    }

    /// Names below the facades, in so many rows that none covers another: name,
    /// middle, row.
    fn names(&self, paper: Paper, order: &[FacadeId]) -> Vec<(&'a str, f64, u8)> {
        let mut ends: Vec<f64> = Vec::new();
        let mut all = Vec::new();
        for id in order {
            let facade = self.model.facade(*id);
            let letters = u16::try_from(facade.name.chars().count()).unwrap_or(u16::MAX);
            let half = (f64::from(letters) * LETTER / 2.0).min(paper.width / 2.0);
            let middle = facade.plane.azimuth_deg() / 360.0 * paper.width;
            let x = middle.clamp(half, paper.width - half);
            let row = ends.iter().position(|end| *end < x - half);
            let row = row.unwrap_or(ends.len());
            // The headings below have them all.
            let Some(row) = u8::try_from(row).ok().filter(|row| *row < MOST_ROWS) else {
                continue;
            };
            if ends.len() == usize::from(row) {
                ends.push(0.0);
            }
            ends[usize::from(row)] = x + half + LETTER;
            all.push((facade.name.as_str(), x, row));
        }
        all
    }

    /// A facade: its groups side by side, each as far extended as it is; above it the
    /// mark of the highest guard that decides there.
    fn front(&self, id: FacadeId, per_degree: f64) -> Markup {
        let middle = self.model.facade(id).plane.azimuth_deg() * per_degree;
        let wide = (per_degree * 20.0).clamp(30.0, 60.0);
        let left = middle - wide / 2.0;
        let groups = self.present.groups.iter().enumerate();
        let here: Vec<&GroupNow> = groups
            .filter(|(index, _)| self.model.group(GroupId::of(*index)).facade == id)
            .filter_map(|(_, now)| now.as_deref())
            .collect();
        let column = here.len().div_ceil(MOST_COLUMNS).max(1);
        let columns: Vec<f64> = here.chunks(column).map(mean_extension).collect();
        let each = wide / f64::from(u32::try_from(columns.len().max(1)).unwrap_or(1));
        let guard = here
            .iter()
            .map(|now| now.explanation.verdict.decided_by)
            .filter(|word| word.is_guard())
            .min();
        html! {
            path.front.lit[self.lit(id)] d={ "M" (round(left)) " " (HORIZON) "v-" (FRONT) "h" (round(wide)) "v" (FRONT) "z" } {}
            @for (index, share) in columns.iter().enumerate() {
                @let x = left + each * f64::from(u32::try_from(index).unwrap_or(0));
                rect.cloth x=(round(x + 1.5)) y=(HORIZON - FRONT + 1.5) width=(round((each - 3.0).max(1.0))) height=(round(share * (FRONT - 3.0))) {}
            }
            @if let Some(word) = guard {
                @let (class, mark) = family(word);
                text class={ "front-mark " (class) } x=(round(middle)) y=(HORIZON - FRONT - 6.0) { (mark) }
            }
        }
    }

    /// Whether the sun is on a facade, as a part that follows.
    pub(super) fn lit_in_words(&self, id: FacadeId) -> Markup {
        let key = if self.lit(id) { "now.lit" } else { "now.shade" };
        html! { span id={ "lit-" (id.index()) } { (self.words.say(key)) } }
    }
}

/// How far groups are extended in the mean, 0 to 1; who does not know counts as retracted.
fn mean_extension(groups: &[&GroupNow]) -> f64 {
    let poses: Vec<f64> = groups
        .iter()
        .flat_map(|now| &now.poses)
        .map(|pose| pose.map_or(0.0, |pose| f64::from(pose.extension_pct) / 100.0))
        .collect();
    let count = u32::try_from(poses.len().max(1)).unwrap_or(u32::MAX);
    poses.iter().sum::<f64>() / f64::from(count)
}

/// The sun over the horizon strip: azimuth across, elevation up; below the horizon none.
fn sun_disc(sun: SunNow, per_degree: f64) -> Markup {
    let (x, y) = (
        sun.azimuth_deg * per_degree,
        HORIZON - sun.elevation_deg * 1.1,
    );
    html! {
        @if sun.elevation_deg > -3.0 {
            circle.sun cx=(round(x)) cy=(round(y)) r="10" {}
        }
    }
}

fn round(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
