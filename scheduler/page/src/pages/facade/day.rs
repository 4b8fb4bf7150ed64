//! A facade's day, minute by minute: where the sun stands, from which tilt it is
//! kept out, and what the devices of a group do under a clear sky.

use crate::draw::Day;
use crate::failure::Failure;
use crate::pages::why::{clear_and_calm, suns};
use chrono::Datelike;
use leeside_core::ids::{FacadeId, GroupId};
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Wall};
use leeside_dryrun::html::sun_path_plot;
use leeside_dryrun::plot::SunPathPlot;
use leeside_dryrun::why::{Story, timeline};
use leeside_solar::{Cutoff, Sun, SunPath};
use std::sync::Arc;

/// A facade on a day.
#[derive(Debug)]
pub struct Answer {
    /// The house.
    pub model: Arc<Model>,
    /// Which facade.
    pub facade: FacadeId,
    /// The group looked at; `None`: the facade has none.
    pub group: Option<GroupId>,
    /// The day.
    pub day: Day,
    /// The sun's paths of the year and what hides them.
    pub plot: SunPathPlot,
    /// The sun of the day, every five minutes.
    pub suns: Vec<(Wall, Sun)>,
    /// Every minute of it.
    pub minutes: Vec<Minute>,
}

/// One minute.
#[derive(Clone, Copy, Debug)]
pub struct Minute {
    /// Its begin.
    pub at: Wall,
    /// The apparent sun.
    pub sun: Sun,
    /// Angle between sun and normal of the facade, degrees.
    pub incidence_deg: f64,
    /// Profile angle, degrees.
    pub profile_deg: f64,
    /// Share of the opening (or 1 of the facade) that the sun falls on, 0..1.
    pub lit_share: f64,
    /// From which tilt direct sun is kept out; `None`: no slats.
    pub cutoff: Option<Cutoff>,
    /// Where the group's first device stands; `None`: no group, or not known.
    pub pose: Option<Pose>,
    /// What decides over the group.
    pub word: Option<Word>,
}

/// Works a day out.
pub(super) fn work(
    model: &Arc<Model>,
    facade: FacadeId,
    group: Option<GroupId>,
    day: Day,
) -> Result<Answer, Failure> {
    let told = match group {
        None => Vec::new(),
        Some(group) => {
            let setting = clear_and_calm(model, day.from.plus(-24 * HOUR), day.to);
            let told = timeline(
                &Story::Told(&setting),
                group,
                None,
                (day.from, day.to),
                MINUTE,
            );
            told?.glances
        }
    };
    let mut path = SunPath::new(model.site.location, model.site.atmosphere);
    let minutes = (0..)
        .map(|n| day.from.plus(n * MINUTE))
        .take_while(|at| *at < day.to)
        .enumerate()
        .map(|(index, at)| {
            let glance = told.get(index);
            let mut minute = minute(model, facade, group, at, path.at(at.0));
            minute.pose = glance.and_then(|glance| glance.pose);
            minute.word = glance.map(|glance| glance.decided_by);
            minute
        });
    Ok(Answer {
        minutes: minutes.collect(),
        plot: sun_path_plot(model, facade, day.from.local_date(model.site.zone).year()),
        suns: suns(model, &day),
        model: Arc::clone(model),
        facade,
        group,
        day,
    })
}

/// The geometry of a minute.
fn minute(model: &Model, facade: FacadeId, group: Option<GroupId>, at: Wall, sun: Sun) -> Minute {
    let plane = &model.facade(facade).plane;
    let group = group.map(|group| model.group(group));
    let obstructions = group.map_or(&model.facade(facade).obstructions, |group| {
        &group.obstructions
    });
    let lit_share = match group.and_then(|group| group.opening) {
        _ if !sun.is_up() => 0.0,
        Some(opening) => obstructions.lit_share(plane, &sun, &opening),
        None if plane.sunlit(&sun) && !obstructions.hidden_by_horizon(&sun) => 1.0,
        None => 0.0,
    };
    Minute {
        at,
        sun,
        incidence_deg: leeside_solar::trig::acos(plane.cos_incidence(&sun).clamp(-1.0, 1.0))
            .to_degrees(),
        profile_deg: plane.profile_angle_deg(&sun),
        lit_share,
        cutoff: group
            .and_then(|group| group.slats.as_ref())
            .map(|slats| slats.cutoff_at(plane, &sun)),
        pose: None,
        word: None,
    }
}

impl Minute {
    /// The tilt from which direct sun is kept out, degrees: 0 where level slats do,
    /// the best there is where none does; `None` where no sun comes from in front.
    pub fn cutoff_deg(&self) -> Option<f64> {
        match self.cutoff? {
            Cutoff::NoDirectSun => None,
            Cutoff::HorizontalSuffices => Some(0.0),
            Cutoff::Angle(deg) => Some(deg),
            Cutoff::NotBlockable { tilt_deg, .. } => Some(tilt_deg),
        }
    }
}

/// Minutes in a row in which the group stood and the sun fell alike.
#[derive(Debug)]
pub struct Stay<'a> {
    /// The minutes.
    pub minutes: &'a [Minute],
}

impl Stay<'_> {
    /// Least and most of what `value` gives.
    pub fn range(&self, value: impl Fn(&Minute) -> Option<f64>) -> Option<(f64, f64)> {
        let values = self.minutes.iter().filter_map(value).map(|v| (v, v));
        values.reduce(|(low, high), (a, b)| (low.min(a), high.max(b)))
    }
}

impl Answer {
    /// The day in stays.
    pub fn stays(&self) -> impl Iterator<Item = Stay<'_>> {
        let alike = |a: &Minute, b: &Minute| {
            a.pose == b.pose && a.word == b.word && (a.lit_share > 0.0) == (b.lit_share > 0.0)
        };
        self.minutes.chunk_by(alike).map(|minutes| Stay { minutes })
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;
    use crate::pages::example as model;

    #[test]
    fn cut_off_of_the_day_is_that_of_the_published_formula() {
        let model = model();
        let group = model.group_named("harbour offices 1").unwrap();
        let facade = model.group(group).facade;
        // 2027-03-14 is a day of 23 hours in New York.
        let day = Day::of(&model, Wall(1_805_050_000_000));
        let answer = work(&model, facade, Some(group), day).unwrap();
        assert_eq!(answer.minutes.len(), 23 * 60);
        let mut angles = 0;
        for minute in &answer.minutes {
            if let Some(Cutoff::Angle(deg)) = minute.cutoff {
                // asin(s cos(profile) / w) - profile (ZEMCH 2012, eq. 11), and the
                // site's margin of 4 degrees; 72 mm apart, 80 mm wide.
                let (_, cos) = leeside_solar::trig::sin_cos(minute.profile_deg.to_radians());
                let cut_off = leeside_solar::trig::asin(72.0 / 80.0 * cos).to_degrees();
                let want = cut_off - minute.profile_deg + 4.0;
                assert!((deg - want).abs() < 0.01, "{deg} {want}");
                angles += 1;
            }
        }
        assert!(angles > 60, "{angles}");
        // The devices are never at a tilt that lets direct sun in while the sun decides.
        let sun: Vec<&Minute> = answer
            .minutes
            .iter()
            .filter(|m| m.word == Some(Word::Sun))
            .collect();
        assert!(!sun.is_empty());
    }

    #[test]
    fn stays_cover_the_day_without_gaps() {
        let model = model();
        let facade = model.facade_named("slip").unwrap();
        let day = Day::of(&model, Wall(1_813_651_200_000));
        let answer = work(&model, facade, None, day).unwrap();
        let covered: usize = answer.stays().map(|stay| stay.minutes.len()).sum();
        assert_eq!(covered, answer.minutes.len());
        assert!(answer.stays().count() >= 3, "dark, lit, dark");
    }
}
