//! Precedence: who speaks on each rank, and which of them decides.
//!
//! Guards limit, wishes ask. The verdict is the highest wish that asks, within
//! the bounds of every guard; where two guards want different refuges the
//! higher decides.

use super::settle::WEATHER;
use super::{Core, Known, stale_bits};
use crate::guard::{Engaged, GuardState};
use crate::ids::{ContactId, DeviceId, GroupId, TimetableId};
use crate::model::{FrozenWind, Model, Phase, QuietHours};
use crate::output::{Course, Lost, Verdict, Word};
use crate::pose::Pose;
use crate::reason::{Because, Release};
use crate::time::Wall;
use crate::wish::sun;
use std::sync::Arc;

/// What one rank has to say.
pub(super) struct Voice {
    pub(super) word: Word,
    pub(super) course: Course,
    pub(super) because: Because,
    pub(super) release: Release,
}

/// What is said below sun, timetable or rest is made of: which of them decides, the
/// special day, the timetable, where the group rests and its hours of quiet.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Below(Word, Option<u32>, TimetableId, Pose, Option<QuietHours>);

/// A place in the order of precedence. One word may speak in more than one place.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Rank {
    Service,
    Fire,
    /// A frozen device that even wind may not move.
    Frozen,
    Wind,
    Hail,
    Ice,
    Rain,
    /// After a restart, until the weather is known.
    Unknown,
    Hand,
    Sun,
    Timetable,
    Rest,
}

impl Rank {
    /// The word of a rank; `None` for the second places of a word.
    pub(super) const fn word(self) -> Option<Word> {
        match self {
            Self::Service => Some(Word::Service),
            Self::Fire => Some(Word::Fire),
            Self::Wind => Some(Word::Wind),
            Self::Hail => Some(Word::Hail),
            Self::Ice => Some(Word::Ice),
            Self::Rain => Some(Word::Rain),
            Self::Hand => Some(Word::Hand),
            Self::Sun => Some(Word::Sun),
            Self::Timetable => Some(Word::Timetable),
            Self::Rest => Some(Word::Rest),
            Self::Frozen | Self::Unknown => None,
        }
    }
}

pub(super) const RANKS: [Rank; 12] = [
    Rank::Service,
    Rank::Fire,
    Rank::Frozen,
    Rank::Wind,
    Rank::Hail,
    Rank::Ice,
    Rank::Rain,
    Rank::Unknown,
    Rank::Hand,
    Rank::Sun,
    Rank::Timetable,
    Rank::Rest,
];

/// The first rank of [`RANKS`] that no guard and no hand speaks on.
const COMFORT: usize = 9;
const _: () =
    assert!(matches!(RANKS[COMFORT], Rank::Sun) && matches!(RANKS[COMFORT - 1], Rank::Hand));

impl Core {
    /// Decides anew; the word, if the verdict differs from the last one (or has to
    /// be said again).
    pub(super) fn decide_if_new(
        &mut self,
        model: &Model,
        group: GroupId,
        bits: u8,
    ) -> Option<Word> {
        let (mut ranks, at_ease) = (RANKS.into_iter(), self.at_ease(group));
        let passed = if at_ease { COMFORT } else { 0 };
        let first = ranks
            .by_ref()
            .skip(passed)
            .find_map(|rank| self.voice(group, rank))?;
        let again = bits & (stale_bits::REPEAT | stale_bits::DEVICES) != 0;
        if let Some(old) = &self.groups[group.index()].verdict {
            let same = old.decided_by == first.word
                && old.course == first.course
                && core::mem::discriminant(&old.because) == core::mem::discriminant(&first.because);
            if same && !again {
                return None;
            }
        }
        // What was set up by hand ends with the group's next movement.
        if let Course::To(pose) = first.course {
            let holds = &mut self.groups[group.index()].device_holds;
            holds.retain(|(_, hold)| hold.group_at == Some(pose));
        }
        self.begin_guard(model, group, &first);
        let word = first.word;
        let lost = self.lost_below(group, word, ranks);
        let verdict = self.verdict_of(group, first, lost);
        let state = &mut self.groups[group.index()];
        match &mut state.verdict {
            Some(old) => {
                if old.course != verdict.course {
                    state.changed = Some(verdict.at);
                }
                **old = verdict;
            }
            None => {
                state.changed = Some(verdict.at);
                state.verdict = Some(Box::new(verdict));
            }
        }
        Some(word)
    }

    /// Whether no guard and no hand has anything to say: then all ranks above
    /// [`COMFORT`] keep quiet.
    fn at_ease(&self, group: GroupId) -> bool {
        let state = &self.groups[group.index()];
        let guards = [&state.wind, &state.hail, &state.ice.guard, &state.rain];
        state.service.is_none()
            && state.hand.is_none()
            && state.known == Known::Yes
            && guards.into_iter().all(|guard| guard.engaged.is_none())
            && self.fire(group).is_none()
    }

    /// A guard begins to send a group somewhere. Where a drive does not report,
    /// somebody may have moved it since: it is told even if it should be there.
    fn begin_guard(&mut self, model: &Model, group: GroupId, first: &Voice) {
        let Some(old) = &self.groups[group.index()].verdict else {
            return;
        };
        let same = old.decided_by == first.word && old.course == first.course;
        if same || !first.word.is_guard() || first.course == Course::Hold {
            return;
        }
        for device in &model.group(group).devices {
            if !model.device(*device).drive.reports {
                self.drives[device.index()].forget_target();
            }
        }
    }

    /// The verdict of this moment, with all that spoke.
    pub(super) fn verdict(&self, group: GroupId) -> Verdict {
        let mut ranks = RANKS.into_iter();
        let first = ranks.find_map(|rank| self.voice(group, rank));
        let first = first.unwrap_or_else(|| self.rest(group));
        let lost = self.speak(group, ranks).collect();
        self.verdict_of(group, first, lost)
    }

    /// What speaks on the ranks `below` and loses. A gust decides for many groups that
    /// ask for the same, so what lost last is shared where it is the same again.
    fn lost_below(
        &mut self,
        group: GroupId,
        first: Word,
        below: impl Iterator<Item = Rank>,
    ) -> Arc<[Lost]> {
        if first < Word::Sun {
            return self.lost_to(group, below);
        }
        // Below sun only timetable and rest speak, and within a moment what they say is
        // made of these alone.
        let rules = self.model.group(group);
        let (special, quiet) = (self.specials[group.index()], rules.quiet);
        let by = Below(first, special, rules.timetable, rules.rest, quiet);
        let mut known = self.lost_to_comfort.iter();
        if let Some((_, lost)) = known.find(|(of, _)| *of == by) {
            return Arc::clone(lost);
        }
        let lost = self.lost_to(group, below);
        self.lost_to_comfort.push((by, Arc::clone(&lost)));
        lost
    }

    fn lost_to(&mut self, group: GroupId, below: impl Iterator<Item = Rank>) -> Arc<[Lost]> {
        let mut losing = core::mem::take(&mut self.losing);
        losing.extend(self.speak(group, below));
        if *losing != *self.lost {
            self.lost = losing.drain(..).collect();
        }
        losing.clear();
        self.losing = losing;
        Arc::clone(&self.lost)
    }

    fn speak(
        &self,
        group: GroupId,
        ranks: impl Iterator<Item = Rank>,
    ) -> impl Iterator<Item = Lost> {
        let voices = ranks.filter_map(move |rank| self.voice(group, rank));
        voices.map(|voice| Lost {
            word: voice.word,
            pose: match voice.course {
                Course::To(pose) => Some(pose),
                Course::Hold => None,
            },
            because: voice.because,
        })
    }

    /// The verdict by the first voice that speaks; what lost spoke below it.
    fn verdict_of(&self, group: GroupId, first: Voice, lost: Arc<[Lost]>) -> Verdict {
        let exceptions = self.exceptions(group, &first);
        Verdict {
            group,
            at: self.now,
            course: first.course,
            exceptions,
            decided_by: first.word,
            because: first.because,
            lost,
            release: first.release,
        }
    }

    pub(super) fn voice(&self, group: GroupId, rank: Rank) -> Option<Voice> {
        match rank {
            Rank::Service => self.service(group),
            Rank::Fire => self.fire_voice(group),
            Rank::Frozen => self.frozen(group),
            Rank::Wind => self.weather(group, Word::Wind),
            Rank::Hail => self.weather(group, Word::Hail),
            Rank::Ice => self.weather(group, Word::Ice),
            Rank::Rain => self.weather(group, Word::Rain),
            Rank::Unknown => self.unknown(group),
            Rank::Hand => self.hand(group),
            Rank::Sun => self.sun(group),
            Rank::Timetable => self.timetable(group),
            Rank::Rest => Some(self.comfort(group, self.rest(group))),
        }
    }

    fn service(&self, group: GroupId) -> Option<Voice> {
        let service = self.groups[group.index()].service.as_ref()?;
        if self.model.policy.fire_moves_service && self.fire_told(group) {
            return None;
        }
        Some(Voice {
            word: Word::Service,
            course: Course::Hold,
            because: Because::Service {
                owner: service.owner.clone(),
                since: service.since,
            },
            release: Release::OwnerEnds,
        })
    }

    /// The active fire contact of a group.
    pub(super) fn fire(&self, group: GroupId) -> Option<ContactId> {
        let rule = self.model.group(group).fire.as_ref()?;
        rule.contacts
            .iter()
            .copied()
            .find(|c| self.contact_active(*c))
    }

    /// Whether a fire contact has told of fire. One that is only unknown must not
    /// move what somebody works at.
    fn fire_told(&self, group: GroupId) -> bool {
        let rule = self.model.group(group).fire.as_ref();
        let mut contacts = rule.iter().flat_map(|rule| &rule.contacts);
        contacts.any(|c| self.contacts[c.index()].active)
    }

    fn fire_voice(&self, group: GroupId) -> Option<Voice> {
        let contact = self.fire(group)?;
        let pose = self.model.group(group).fire.as_ref()?.pose;
        Some(Voice {
            word: Word::Fire,
            course: Course::To(pose),
            because: Because::Fire { contact },
            release: Release::ContactClears(contact),
        })
    }

    fn frozen(&self, group: GroupId) -> Option<Voice> {
        let ice = &self.groups[group.index()].ice;
        if !ice.frozen || self.model.policy.frozen_wind == FrozenWind::Refuge {
            return None;
        }
        self.weather(group, Word::Ice)
    }

    #[inline]
    fn weather(&self, group: GroupId, word: Word) -> Option<Voice> {
        let state = self.guard(group, word)?;
        let engaged = state.engaged.as_deref()?;
        Some(self.engaged(group, word, state, engaged))
    }

    fn engaged(&self, group: GroupId, word: Word, state: &GuardState, engaged: &Engaged) -> Voice {
        let frozen = word == Word::Ice && self.groups[group.index()].ice.frozen;
        let course = match self.refuge(group, word) {
            Some(pose) if !frozen => Course::To(pose),
            _ => Course::Hold,
        };
        Voice {
            word,
            course,
            because: engaged.because.clone(),
            release: state.release(self.guard_times(group, word)),
        }
    }

    /// The refuge that most of a group takes: that of its first device that is harmed.
    fn refuge(&self, group: GroupId, word: Word) -> Option<Pose> {
        let devices = &self.model.group(group).devices;
        devices.iter().find_map(|d| self.device_refuge(*d, word))
    }

    /// The refuge of a device from a weather guard; `None`: it is not harmed.
    pub(super) fn device_refuge(&self, device: DeviceId, word: Word) -> Option<Pose> {
        let refuge = self.model.product_of(device).refuge;
        match word {
            Word::Wind => Some(refuge.wind),
            Word::Hail => refuge.hail,
            Word::Ice => refuge.ice,
            Word::Rain => refuge.rain,
            Word::Service
            | Word::Fire
            | Word::Door
            | Word::Drive
            | Word::Hand
            | Word::Sun
            | Word::Timetable
            | Word::Rest => None,
        }
    }

    /// After a restart no wish moves anything until the weather is known.
    fn unknown(&self, group: GroupId) -> Option<Voice> {
        let state = &self.groups[group.index()];
        if state.known == Known::Yes {
            return None;
        }
        let sensor = self.topology.needs[group.index()]
            .iter()
            .copied()
            .find(|s| {
                matches!(
                    crate::guard::hear(&self.sensors, *s),
                    crate::guard::Heard::Waiting
                )
            });
        let release = match state.known {
            Known::Since(since) => Release::AtSteady(since.plus(self.model.policy.known_for_ms)),
            Known::No | Known::Yes => Release::SensorHeard,
        };
        let rules = self.model.group(group);
        let has = [
            rules.wind.is_some(),
            rules.hail.is_some(),
            rules.ice.is_some(),
        ];
        let word = WEATHER
            .into_iter()
            .zip(has)
            .find(|(_, has)| *has)
            .map_or(Word::Rain, |w| w.0);
        Some(Voice {
            word,
            course: Course::Hold,
            because: Because::WeatherUnknown { sensor },
            release,
        })
    }

    fn hand(&self, group: GroupId) -> Option<Voice> {
        let hold = self.groups[group.index()].hand.as_ref()?;
        let base = self.present(group);
        let course = if hold.halt {
            Course::Hold
        } else {
            Course::To(hold.pose(base))
        };
        Some(Voice {
            word: Word::Hand,
            course,
            because: Because::Hand {
                by: hold.by.clone(),
                room: hold.room,
            },
            release: Release::At(hold.ends.wall),
        })
    }

    /// The pose that a group is in or on its way to, for what a request leaves open.
    pub(super) fn present(&self, group: GroupId) -> Pose {
        let rules = self.model.group(group);
        let first = rules.devices.first();
        let state = first.map(|d| &self.drives[d.index()]);
        state
            .and_then(|s| s.target.or_else(|| s.pose(self.now.steady)))
            .unwrap_or(rules.rest)
    }

    /// The phase or special day: whether sun is allowed there.
    pub(super) fn sun_allowed(&self, group: GroupId) -> bool {
        match self.specials[group.index()] {
            Some(index) => self.model.specials[index as usize].sun,
            None => self.phase(group).is_some_and(|phase| phase.sun),
        }
    }

    pub(super) fn phase(&self, group: GroupId) -> Option<&Phase> {
        let timetable = self.model.group(group).timetable;
        self.timetables[timetable.index()].phase(&self.model)
    }

    fn sun(&self, group: GroupId) -> Option<Voice> {
        let rules = self.model.group(group);
        let rule = rules.sun.as_ref()?;
        if !self.sun_allowed(group) {
            return None;
        }
        let state = &self.groups[group.index()].sun;
        // Only where it asks for anything the light need be known.
        sun::asks(state)?;
        let (sun, light) = self.told_light(rules.facade)?;
        let toward = (&self.model.facade(rules.facade).plane, &sun);
        let (pose, because) = sun::ask(state, rule, &light, toward)?;
        let voice = Voice {
            word: Word::Sun,
            course: Course::To(pose),
            because,
            release: Release::LightChanges,
        };
        Some(self.comfort(group, voice))
    }

    fn timetable(&self, group: GroupId) -> Option<Voice> {
        let voice = match self.specials[group.index()] {
            Some(index) => {
                let special = &self.model.specials[index as usize];
                Voice {
                    word: Word::Timetable,
                    course: Course::To(special.pose),
                    because: Because::Special { index },
                    release: Release::At(special.to),
                }
            }
            None => {
                let timetable = self.model.group(group).timetable;
                let state = &self.timetables[timetable.index()];
                let (plan, phase) = state.current?;
                Voice {
                    word: Word::Timetable,
                    course: Course::To(state.phase(&self.model)?.pose),
                    because: Because::Phase {
                        timetable,
                        plan,
                        phase,
                    },
                    release: Release::At(state.next),
                }
            }
        };
        Some(self.comfort(group, voice))
    }

    fn rest(&self, group: GroupId) -> Voice {
        Voice {
            word: Word::Rest,
            course: Course::To(self.model.group(group).rest),
            because: Because::Rest,
            release: Release::AnyWish,
        }
    }

    /// Comfort holds in quiet hours and while the clock is not to be trusted:
    /// it keeps the pose, it does not fall to rest.
    #[inline]
    fn comfort(&self, group: GroupId, voice: Voice) -> Voice {
        if self.clock_trusted && self.model.group(group).quiet.is_none() {
            return voice;
        }
        self.comfort_waits(group, voice)
    }

    fn comfort_waits(&self, group: GroupId, voice: Voice) -> Voice {
        if !self.clock_trusted {
            return Voice {
                course: Course::Hold,
                because: Because::ClockUntrusted,
                release: Release::ClockTrusted,
                ..voice
            };
        }
        match self.quiet(group) {
            Some((true, until)) => Voice {
                course: Course::Hold,
                because: Because::Quiet,
                release: Release::At(until),
                ..voice
            },
            _ => voice,
        }
    }

    /// When the group's present phase or special day ends, as far as today is known.
    pub(super) fn next_phase(&self, group: GroupId) -> Wall {
        match self.specials[group.index()] {
            Some(index) => self.model.specials[index as usize].to,
            None => self.timetables[self.model.group(group).timetable.index()].next,
        }
    }
}
