//! The sun on a facade over the minutes to come, worked out once for all the
//! groups that hang there.

use crate::time::{MINUTE, Wall};
use leeside_solar::{Cutoff, Plane, Slats, Sun, SunPath};

/// Profile angles of the coming minutes and what slats can do about them.
#[derive(Clone, Debug, Default)]
pub(crate) struct Ahead {
    span: Option<(Wall, i64)>,
    profiles: Vec<f64>,
    suns: Vec<Sun>,
    cutoffs: Vec<(Slats, Cutoff)>,
    leaks: Vec<(Slats, i16, bool)>,
}

impl Ahead {
    /// Profile angles of the minutes at which the sun is on the facade.
    pub(crate) fn profiles(&self) -> &[f64] {
        &self.profiles
    }

    /// The sun at the same minutes.
    pub(crate) fn suns(&self) -> &[Sun] {
        &self.suns
    }

    /// The tilt that blocks through all of them.
    pub(crate) fn cutoff(&mut self, slats: &Slats) -> Cutoff {
        if let Some((_, cutoff)) = self.cutoffs.iter().find(|(s, _)| s == slats) {
            return *cutoff;
        }
        let cutoff = slats.cutoff_over(self.profiles.iter().copied());
        self.cutoffs.push((*slats, cutoff));
        cutoff
    }

    /// Whether slats at a tilt let direct sun through at any of them.
    pub(crate) fn leaks(&mut self, slats: &Slats, tilt: i16) -> bool {
        let known = self.leaks.iter().find(|(s, t, _)| *t == tilt && s == slats);
        if let Some((.., leaks)) = known {
            return *leaks;
        }
        let passes = |profile: &f64| slats.transmittance(*profile, f64::from(tilt)) > 0.0;
        let leaks = self.profiles.iter().any(passes);
        self.leaks.push((*slats, tilt, leaks));
        leaks
    }
}

/// What is needed to work it out.
pub(crate) struct Outlook<'a> {
    pub(crate) path: &'a mut SunPath,
    pub(crate) plane: Plane,
    pub(crate) wall: Wall,
    pub(crate) ahead: &'a mut Ahead,
}

impl Outlook<'_> {
    /// From now through `minutes` later.
    pub(crate) fn over(&mut self, minutes: i64) -> &mut Ahead {
        if self.ahead.span != Some((self.wall, minutes)) {
            self.ahead.span = Some((self.wall, minutes));
            self.ahead.cutoffs.clear();
            self.ahead.leaks.clear();
            self.ahead.profiles.clear();
            self.ahead.suns.clear();
            for minute in 0..=minutes {
                let sun = self.path.at(self.wall.0 + minute * MINUTE);
                if self.plane.sunlit(&sun) {
                    self.ahead.profiles.push(self.plane.profile_angle_deg(&sun));
                    self.ahead.suns.push(sun);
                }
            }
        }
        self.ahead
    }
}
