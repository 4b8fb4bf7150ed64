//! Bounds that hold on every rank, refuge included, and what single devices do
//! that do not follow their group.

use super::Core;
use super::settle::WEATHER;
use super::voices::Voice;
use crate::ids::{ContactId, DeviceId, GroupId};
use crate::output::{Course, Exception, Word};
use crate::pose::Pose;
use crate::reason::Because;

impl Core {
    /// Devices that do not follow their group, and why.
    pub(super) fn exceptions(&self, group: GroupId, voice: &Voice) -> Vec<Exception> {
        let devices = self.model.group(group).devices.iter();
        let freely = self.goes_freely(group, voice);
        devices
            .filter(|device| !freely.is_some_and(|pose| self.follows(**device, pose)))
            .filter_map(|device| self.exception(group, *device, voice))
            .collect()
    }

    /// Where hand or comfort send a group in which no device has a course of its own
    /// and nothing but a door forbids to extend: then there is little to look at of
    /// each device.
    fn goes_freely(&self, group: GroupId, voice: &Voice) -> Option<Pose> {
        let guarded = voice.word.is_guard()
            || matches!(voice.because, Because::SensorUnknown { .. })
            || !self.groups[group.index()].device_holds.is_empty();
        match voice.course {
            Course::To(pose) if !guarded && self.fire(group).is_none() => Some(pose),
            Course::To(_) | Course::Hold => None,
        }
    }

    /// Whether a device of a group that [goes freely](Self::goes_freely) to a pose is
    /// sure to follow, so that [`exception`](Self::exception) finds none: it has no
    /// door, nothing is known against its drive, no position is to be found again, and
    /// it is on its way already or its budget is good for any travel.
    fn follows(&self, device: DeviceId, pose: Pose) -> bool {
        let drive = &self.drives[device.index()];
        let (model, evidence) = (&self.model, &self.evidence[device.index()]);
        let told = || drive.target == Some(crate::drives::fit(pose, model.product_of(device)));
        model.device(device).doors.is_empty()
            && evidence.trouble.is_none()
            && !drive.may_reference()
            && (drive.may_go_anywhere(model.product_of(device)) || told())
    }

    fn exception(&self, group: GroupId, device: DeviceId, voice: &Voice) -> Option<Exception> {
        let own = self.own_course(group, device, voice);
        if let Some(lower) = self.given_way(group, device, voice) {
            return Some(lower);
        }
        let (word, because, course) = match &own {
            Some(own) => (own.word, &own.because, &own.course),
            None => (voice.word, &voice.because, &voice.course),
        };
        let Course::To(pose) = *course else {
            return own;
        };
        if let Some(held) = self.bounded(group, device, word, because, pose) {
            return Some(held);
        }
        self.reference(group, device, word, pose).or(own)
    }

    /// A comfort move that goes by way of an end stop, to find the position again.
    fn reference(
        &self,
        group: GroupId,
        device: DeviceId,
        word: Word,
        pose: Pose,
    ) -> Option<Exception> {
        let drive = &self.drives[device.index()];
        if word.is_guard() || !drive.may_reference() {
            return None;
        }
        let product = self.model.product_of(device);
        let fitted = crate::drives::fit(pose, product);
        let stop = drive.reference(product, fitted, self.now.steady)?;
        let because = Because::Reference { moves: drive.moves };
        // The way to the stop keeps within the same bounds.
        let held = self.bounded(group, device, word, &because, stop).is_some();
        (!held).then_some(Exception {
            device,
            course: Course::To(stop),
            word: Word::Drive,
            because,
        })
    }

    /// What a device does by itself: its own refuge, escape, or set up by hand.
    fn own_course(&self, group: GroupId, device: DeviceId, voice: &Voice) -> Option<Exception> {
        let say = |course, word, because| {
            Some(Exception {
                device,
                course,
                word,
                because,
            })
        };
        if voice.word == Word::Fire && self.model.device(device).escape {
            let retract = Course::To(Pose::RETRACTED);
            return if voice.course == retract {
                None
            } else {
                say(retract, Word::Fire, voice.because.clone())
            };
        }
        if WEATHER.contains(&voice.word) && voice.course != Course::Hold {
            let own = self
                .device_refuge(device, voice.word)
                .map_or(Course::Hold, Course::To);
            return if own == voice.course {
                None
            } else {
                say(own, voice.word, voice.because.clone())
            };
        }
        if voice.word < Word::Hand || matches!(voice.because, Because::WeatherUnknown { .. }) {
            return None;
        }
        let holds = &self.groups[group.index()].device_holds;
        let (_, hold) = holds.iter().find(|(d, _)| *d == device)?;
        let pose = self.set_up_pose(group, device);
        let course = pose.map_or(Course::Hold, Course::To);
        say(
            course,
            Word::Hand,
            Because::Hand {
                by: hold.by.clone(),
                room: hold.room,
            },
        )
    }

    /// What a lower weather guard does with a device for which the one that decides
    /// claims no pose: it is not harmed by it, or its refuge would extend it on unknown
    /// weather, which never happens. Then nothing is lost by going to the refuge of
    /// the next guard that has one, and much may be: a shutter whose wind sensor is
    /// silent in frost would stay out and freeze fast. Once frozen it stays.
    ///
    /// A guard that does claim a pose keeps its precedence, even where a door stands
    /// in the way for the moment; and where what is not known harms the device, the
    /// lower refuge must not extend it either.
    fn given_way(&self, group: GroupId, device: DeviceId, voice: &Voice) -> Option<Exception> {
        let ice = &self.groups[group.index()].ice;
        let place = WEATHER.iter().position(|word| *word == voice.word)?;
        if ice.frozen || matches!(voice.because, Because::WeatherUnknown { .. }) {
            return None;
        }
        let here = self.drives[device.index()].pose(self.now.steady);
        let here = here.unwrap_or(Pose::RETRACTED);
        let mut unknown = false;
        for word in WEATHER.into_iter().skip(place) {
            let Some(guard) = self.guard(group, word) else {
                continue;
            };
            let Some(engaged) = &guard.engaged else {
                continue;
            };
            let Some(pose) = self.device_refuge(device, word) else {
                continue;
            };
            unknown |= guard.unheard || matches!(engaged.because, Because::SensorUnknown { .. });
            if unknown && pose.extends_beyond(here) {
                continue;
            }
            let held = || self.bounded(group, device, word, &engaged.because, pose);
            if word == voice.word || held().is_some() {
                return None;
            }
            return Some(Exception {
                device,
                course: Course::To(pose),
                word,
                because: engaged.because.clone(),
            });
        }
        None
    }

    /// Where somebody wants a device while setting it up; `None`: nowhere, or halted.
    pub(super) fn set_up_pose(&self, group: GroupId, device: DeviceId) -> Option<Pose> {
        let holds = &self.groups[group.index()].device_holds;
        let (_, hold) = holds.iter().find(|(d, hold)| *d == device && !hold.halt)?;
        let told = self.drives[device.index()].target;
        Some(hold.pose(told.unwrap_or_else(|| self.present(group))))
    }

    /// Bounds that hold on every rank: nothing extends past an open door or on
    /// unknown weather, and comfort stays within the duty budget.
    fn bounded(
        &self,
        group: GroupId,
        device: DeviceId,
        word: Word,
        because: &Because,
        pose: Pose,
    ) -> Option<Exception> {
        let now = self.now.steady;
        let drive = &self.drives[device.index()];
        let held = |word, because| {
            Some(Exception {
                device,
                course: Course::Hold,
                word,
                because,
            })
        };
        // From an unknown place any extension may be a further one.
        let here = drive.pose(now).unwrap_or(Pose::RETRACTED);
        if pose.extends_beyond(here)
            && let Some((word, because)) = self.forbids_extension(group, device, word, because)
        {
            return held(word, because);
        }
        if word.is_guard() {
            return None;
        }
        if let Some(trouble) = self.evidence[device.index()].trouble {
            return held(Word::Drive, Because::Drive { trouble });
        }
        let product = self.model.product_of(device);
        let pose = crate::drives::fit(pose, product);
        if product.budget.is_some() && drive.target != Some(pose) {
            let takes = drive.travel_ms(product, pose, now);
            if !drive.may_comfort(product, takes, now) {
                return held(
                    Word::Drive,
                    Because::DutySpent {
                        used_ms: drive.used_ms(product, now),
                        allowed_ms: product.budget.map_or(0, |b| b.run_ms),
                    },
                );
            }
        }
        None
    }

    /// What forbids that a device extends any further just now.
    pub(super) fn forbids_extension(
        &self,
        group: GroupId,
        device: DeviceId,
        word: Word,
        because: &Because,
    ) -> Option<(Word, Because)> {
        let doors = &self.model.device(device).doors;
        if let Some(door) = doors.iter().find(|c| self.contact_active(**c)) {
            return Some((Word::Door, Because::DoorOpen { contact: *door }));
        }
        let unheard = self.guard(group, word).is_some_and(|guard| guard.unheard);
        if unheard || matches!(because, Because::SensorUnknown { .. }) {
            return Some((word, Because::RefugeWouldExtend));
        }
        let contact = self.fire(group)?;
        let fire = word == Word::Fire || self.model.device(device).escape;
        fire.then_some((Word::Fire, Because::Fire { contact }))
    }

    /// Whether a contact counts as active: open, alarm, occupied; latched; or unknown.
    pub(super) fn contact_active(&self, id: ContactId) -> bool {
        use crate::model::ContactKind;
        let state = &self.contacts[id.index()];
        let contact = self.model.contact(id);
        let now = self.now.steady;
        match state.heard {
            None => match contact.kind {
                // Never heard since the restart: a door may be open, somebody may be in.
                ContactKind::Door | ContactKind::Occupancy | ContactKind::Window => true,
                // Fire speaks when it changes: the last word stands.
                ContactKind::Fire => state.active,
                ContactKind::Switch => false,
            },
            Some(heard) => {
                let silent = contact.silence_ms.is_some_and(|ms| now.0 - heard.0 >= ms);
                let unknown = silent && contact.kind != ContactKind::Switch;
                state.active || unknown || state.latched_until.is_some_and(|until| now < until)
            }
        }
    }
}
