//! Where the light on a facade has to go before any of its groups' sun wishes
//! can change.
//!
//! A wish asks only whether irradiance is at or above some thresholds, at or
//! below others, and whether the sun is on its opening. Within one *cell* of
//! those answers a look changes nothing, so the groups need not be looked at.

use crate::ids::GroupId;
use crate::model::{Facade, Model};
use crate::time::{MINUTE, Wall};
use leeside_solar::shade::{Aspect, Obstructions, Opening};
use leeside_solar::{Plane, Sun};
use serde::{Deserialize, Serialize};

/// What a group's wish asks of the light: its place among the thresholds of its
/// facade and the number of its opening there.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) struct Asks {
    on: u16,
    off: u16,
    /// `None`: the whole facade.
    pub(crate) opening: Option<u8>,
}

impl Asks {
    /// Whether it is bright, and whether it is dim: all that the wish sees of a cell.
    pub(crate) fn answers(self, cell: Cell) -> (bool, bool) {
        let lit = cell.lit(self.opening);
        (lit && cell.above > self.on, !lit || cell.below <= self.off)
    }
}

/// The thresholds and openings of a facade's groups, and beside them what every look
/// at the facade needs of it.
#[derive(Clone, Debug)]
pub(crate) struct Thresholds {
    pub(crate) plane: Plane,
    /// A skyline may hide the sun from it.
    pub(crate) horizon: bool,
    /// Facades with the same list of light sensors have the same number.
    pub(crate) light: usize,
    /// Wishes ask "at or above": sorted, W/m².
    from: Vec<f64>,
    /// Wishes ask "at or below": sorted, W/m².
    to: Vec<f64>,
    /// Openings that something may shade, with what does, without repeats.
    openings: Vec<Shaded>,
    /// The cell while the sun is not on the facade.
    dark: Cell,
}

/// An opening that something may shade.
#[derive(Clone, Debug)]
struct Shaded {
    opening: Opening,
    by: Obstructions,
    /// Its skyline is another than its facade's, so that it has to be asked too.
    own_horizon: bool,
}

/// For how long ahead it is worked out on which openings the sun is sure to fall or not
/// to fall, ms. Most are lit or shaded for hours.
const SURE_MS: i64 = 10 * MINUTE;

/// On which openings direct sun is sure to fall from a moment to another, as long as it
/// is on the facade: the sun does not go far in that time.
#[derive(Clone, Debug)]
pub(crate) struct Sure {
    from: Wall,
    to: Wall,
    /// Bit per opening: it is sure.
    known: u64,
    /// Bit per opening: it is lit.
    lit: u64,
}

impl Default for Sure {
    /// Never.
    fn default() -> Self {
        Self {
            from: Wall(i64::MAX),
            to: Wall(i64::MIN),
            known: 0,
            lit: 0,
        }
    }
}

/// Which answers the light gives.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Cell {
    above: u16,
    below: u16,
    /// The sun is on the facade.
    pub(crate) sunlit: bool,
    /// Bit per opening: direct sun falls on some of it.
    lit: u64,
}

impl Cell {
    /// Whether direct sun falls on an opening (or, without one, on the facade).
    pub(crate) const fn lit(self, opening: Option<u8>) -> bool {
        match opening {
            Some(index) => self.sunlit && self.lit & (1 << index) != 0,
            None => self.sunlit,
        }
    }
}

impl Thresholds {
    /// Those of the groups on a facade; notes what each group asks.
    pub(crate) fn of(
        model: &Model,
        (facade, light): (&Facade, usize),
        groups: &[GroupId],
        asks: &mut [Asks],
    ) -> Self {
        let mut thresholds = Self {
            plane: facade.plane,
            horizon: facade.obstructions.horizon().is_some(),
            light,
            from: Vec::new(),
            to: Vec::new(),
            openings: Vec::new(),
            dark: Cell::default(),
        };
        for &id in groups {
            let group = model.group(id);
            let Some(rule) = &group.sun else { continue };
            thresholds.from.push(rule.on_wm2);
            thresholds.from.extend(rule.heat.iter().map(|h| h.from_wm2));
            thresholds.to.push(rule.off_wm2);
            let shaded = group.obstructions != Obstructions::default();
            let opening = group.opening.filter(|_| shaded);
            let index = opening.and_then(|o| thresholds.opening(o, &group.obstructions, facade));
            asks[id.index()].opening = index;
        }
        for list in [&mut thresholds.from, &mut thresholds.to] {
            list.sort_by(f64::total_cmp);
            list.dedup();
        }
        for &id in groups {
            let Some(rule) = &model.group(id).sun else {
                continue;
            };
            let at = &mut asks[id.index()];
            (at.on, at.off) = (
                count(thresholds.from.partition_point(|t| *t < rule.on_wm2)),
                count(thresholds.to.partition_point(|t| *t < rule.off_wm2)),
            );
        }
        thresholds.dark = thresholds.between(0.0);
        thresholds
    }

    /// The index of an opening and what shades it; more than 64 different ones
    /// share the last.
    fn opening(&mut self, opening: Opening, by: &Obstructions, at: &Facade) -> Option<u8> {
        let same = |known: &Shaded| known.opening == opening && known.by == *by;
        if let Some(index) = self.openings.iter().position(same) {
            return u8::try_from(index).ok();
        }
        if self.openings.len() < 64 {
            self.openings.push(Shaded {
                opening,
                by: by.clone(),
                own_horizon: by.horizon() != at.obstructions.horizon(),
            });
        }
        u8::try_from(self.openings.len() - 1).ok()
    }

    /// The answers of this light; `sure` is what is known from moments before.
    pub(crate) fn cell(
        &self,
        (at, sun): (Wall, &Sun),
        (sunlit, irradiance): (bool, f64),
        sure: &mut Sure,
    ) -> Cell {
        // While the sun is not on the facade no irradiance makes it bright.
        if !sunlit {
            return self.dark;
        }
        let between = self.between(irradiance);
        // Where it is too little for all of them, and little enough for all to let go,
        // nobody asks on which openings it falls.
        let matters = between.above > 0 || between.below > 0;
        let lit = if matters && !self.openings.is_empty() {
            self.lit(at, sun, sure)
        } else {
            0
        };
        Cell {
            sunlit,
            lit,
            ..between
        }
    }

    /// On which openings direct sun falls, which is on the facade.
    fn lit(&self, at: Wall, sun: &Sun, sure: &mut Sure) -> u64 {
        let openings = (0..self.openings.len()).zip(&self.openings);
        if !(sure.from <= at && at <= sure.to) {
            let aspect = Aspect::of(&self.plane, sun);
            let moved = Sun::moves_within(SURE_MS);
            *sure = Sure {
                from: at,
                to: at.plus(SURE_MS),
                ..Sure::default()
            };
            for (index, shaded) in openings.clone() {
                let lit = shaded.by.lights_about(&shaded.opening, &aspect, moved);
                sure.known |= u64::from(lit.is_some()) << index;
                sure.lit |= u64::from(lit == Some(true)) << index;
            }
        }
        let unknown = openings.filter(|(index, _)| sure.known & (1 << index) == 0);
        let mut lit = sure.lit;
        let mut aspect = None;
        for (index, shaded) in unknown {
            let aspect = aspect.get_or_insert_with(|| Aspect::of(&self.plane, sun));
            let by = &shaded.by;
            let hidden = shaded.own_horizon && by.hidden_by_horizon(sun);
            lit |= u64::from(!hidden && by.lights_any_of(&shaded.opening, aspect)) << index;
        }
        lit
    }

    /// Between which thresholds an irradiance lies.
    fn between(&self, irradiance: f64) -> Cell {
        Cell {
            above: count(self.from.partition_point(|t| *t <= irradiance)),
            below: count(self.to.partition_point(|t| *t < irradiance)),
            ..Cell::default()
        }
    }
}

fn count(thresholds: usize) -> u16 {
    u16::try_from(thresholds).unwrap_or(u16::MAX)
}
