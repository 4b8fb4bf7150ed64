//! The sun on a facade over the minutes to come, worked out once for all the
//! groups that hang there.

use crate::time::{MINUTE, Wall};
use leeside_solar::{Beam, Cutoff, Over, Plane, Slats, Sun, SunPath};

/// The sun of single minutes, over the whole site or seen from one facade, in
/// places that a later minute takes over.
#[derive(Clone, Debug)]
pub(crate) struct Minutes<T>(Vec<Option<(i64, T)>>);

/// How many minutes are kept; a power of two, more than a least interval has.
const KEPT: usize = 64;

impl<T> Default for Minutes<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T: Copy> Minutes<T> {
    /// What is known of a minute after a moment, if it is.
    fn known(&self, place: usize, ms: i64) -> Option<T> {
        let (at, known) = (*self.0.get(place % KEPT)?)?;
        (at == ms).then_some(known)
    }

    /// The place of a moment, after which those of the next minutes come.
    fn place(ms: i64) -> usize {
        usize::try_from(ms.div_euclid(MINUTE).rem_euclid(64)).unwrap_or(0)
    }

    /// What is known of a moment, or is worked out of it now: a function of the
    /// moment alone.
    pub(crate) fn of(&mut self, ms: i64, work_out: impl FnOnce() -> T) -> T {
        if self.0.is_empty() {
            self.0.resize(KEPT, None);
        }
        let place = Self::place(ms);
        match self.0[place] {
            Some((at, known)) if at == ms => known,
            _ => {
                let found = work_out();
                self.0[place] = Some((ms, found));
                found
            }
        }
    }
}

/// What is known of the minutes to come, and of spans of them from one moment on.
#[derive(Clone, Debug, Default)]
pub(crate) struct Ahead {
    /// The beam and the sun, where it is on the facade.
    minutes: Minutes<Option<(Beam, Sun)>>,
    from: Option<Wall>,
    spans: Vec<Span>,
    /// Spans of an earlier moment, to be used again.
    spare: Vec<Span>,
}

/// The sun of some coming minutes and what slats can do about it.
#[derive(Clone, Debug, Default)]
pub(crate) struct Span {
    minutes: i64,
    beams: Vec<Beam>,
    suns: Vec<Sun>,
    /// By what groups are alike in, what they find.
    cutoffs: Vec<(usize, Over)>,
    leaks: Vec<(usize, i16, bool)>,
    most: Vec<(usize, f64)>,
}

/// Groups that are alike (see [`Topology`](crate::topology::Topology)) find the same
/// over a span, so each thing is worked out for the first of them that asks.
impl Span {
    /// The most that is wanted at any of the minutes at which the sun is on the facade,
    /// given its profile angle in degrees and itself; 0 where it never is.
    pub(crate) fn most(&mut self, alike: usize, wanted: impl Fn(f64, &Sun) -> f64) -> f64 {
        if let Some((_, most)) = self.most.iter().find(|(of, _)| *of == alike) {
            return *most;
        }
        let minutes = self.beams.iter().zip(&self.suns);
        let most = minutes.map(|(beam, sun)| wanted(beam.profile_deg(), sun));
        let most = most.fold(0.0, f64::max);
        self.most.push((alike, most));
        most
    }

    /// The tilt that blocks through all of them.
    pub(crate) fn cutoff(&mut self, alike: usize, slats: &Slats) -> Cutoff {
        if let Some((_, over)) = self.cutoffs.iter().find(|(of, _)| *of == alike) {
            return over.cutoff;
        }
        let over = slats.over(&self.beams);
        self.cutoffs.push((alike, over));
        over.cutoff
    }

    /// Whether slats at a tilt let direct sun through at any of them.
    pub(crate) fn leaks(&mut self, alike: usize, slats: &Slats, tilt: i16) -> bool {
        let blocks = |(of, over): &(usize, Over)| *of == alike && over.surely_blocks(tilt.into());
        if self.cutoffs.iter().any(blocks) {
            return false;
        }
        let mut known = self.leaks.iter();
        if let Some((.., leaks)) = known.find(|(of, t, _)| *of == alike && *t == tilt) {
            return *leaks;
        }
        let passes = |beam: &Beam| slats.passes(beam, f64::from(tilt)) > 0.0;
        let leaks = self.beams.iter().any(passes);
        self.leaks.push((alike, tilt, leaks));
        leaks
    }
}

/// What is needed to work it out.
pub(crate) struct Outlook<'a> {
    pub(crate) path: &'a mut SunPath,
    /// The true and the apparent sun over the site, for all its facades.
    pub(crate) suns: &'a mut Minutes<(Sun, Sun)>,
    pub(crate) plane: Plane,
    /// The number of what the group that asks is alike in.
    pub(crate) alike: usize,
    pub(crate) wall: Wall,
    pub(crate) ahead: &'a mut Ahead,
}

impl Outlook<'_> {
    /// From now through `minutes` later.
    pub(crate) fn over(&mut self, minutes: i64) -> &mut Span {
        let ahead = &mut *self.ahead;
        if ahead.from != Some(self.wall) {
            ahead.from = Some(self.wall);
            ahead.spare.append(&mut ahead.spans);
        }
        let known = ahead.spans.iter().position(|span| span.minutes == minutes);
        let index = known.unwrap_or_else(|| {
            let mut span = ahead.spare.pop().unwrap_or_default();
            span.minutes = minutes;
            span.cutoffs.clear();
            span.leaks.clear();
            span.most.clear();
            span.beams.clear();
            span.suns.clear();
            let places = Minutes::<()>::place(self.wall.0)..;
            for (minute, place) in (0..=minutes).zip(places) {
                let ms = self.wall.0 + minute * MINUTE;
                let known = ahead.minutes.known(place, ms);
                let seen = known.unwrap_or_else(|| {
                    ahead.minutes.of(ms, || {
                        let (_, sun) = self.suns.of(ms, || self.path.both(ms));
                        let sunlit = self.plane.sunlit(&sun);
                        sunlit.then(|| (Beam::under(self.plane.profile_angle_deg(&sun)), sun))
                    })
                });
                if let Some((beam, sun)) = seen {
                    span.beams.push(beam);
                    span.suns.push(sun);
                }
            }
            ahead.spans.push(span);
            ahead.spans.len() - 1
        });
        &mut ahead.spans[index]
    }
}
