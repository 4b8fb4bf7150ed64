//! Requests: by hand, for setting up, for service; how long they hold.

use super::{Core, Service, stale_bits};
use crate::ids::{DeviceId, GroupId};
use crate::input::{Ask, Origin, Request, Until};
use crate::output::{AlarmWord, Course, Output, WakeFor, Word};
use crate::reason::Because;
use crate::time::{Now, Wall};
use crate::wish::hand::{self, Hold};
use crate::wish::timetable::start_of;
use chrono::Days;

impl Core {
    /// Whether a request speaks of things that exist.
    fn exists(&self, ask: &Ask) -> bool {
        match ask {
            Ask::Pose { group, .. }
            | Ask::Halt { group, .. }
            | Ask::Release { group }
            | Ask::Service { group, .. }
            | Ask::FrostCleared { group } => group.index() < self.groups.len(),
            Ask::Device { device, .. } => device.index() < self.drives.len(),
            Ask::Bypass { sensor, .. } => sensor.index() < self.sensors.len(),
            Ask::Arrange { .. } | Ask::Acknowledge { .. } => true,
        }
    }

    pub(super) fn request(&mut self, request: &Request) {
        if !self.exists(&request.ask) {
            return;
        }
        match &request.ask {
            Ask::Pose {
                group,
                extension_pct,
                tilt_deg,
                until,
            } => {
                self.hold_by_hand(request, *group, (*extension_pct, *tilt_deg), false, *until);
            }
            Ask::Halt { group, until } => {
                self.hold_by_hand(request, *group, (None, None), true, *until);
            }
            Ask::Device {
                device,
                extension_pct,
                tilt_deg,
                until,
            } => {
                self.set_up(request, *device, (*extension_pct, *tilt_deg), *until);
            }
            Ask::Release { group } => {
                let state = &mut self.groups[group.index()];
                state.hand = None;
                state.device_holds.clear();
                self.timers.clear(WakeFor::Hand(*group));
                self.mark(*group, stale_bits::DECIDE | stale_bits::DEVICES);
            }
            Ask::Arrange { arrangement } => {
                let model = self.model.clone();
                let Some(arrangement) = model.arrangements.get(arrangement.index()) else {
                    return;
                };
                let until = arrangement.hold_ms.map_or(Until::Rule, Until::For);
                for (group, pose) in &arrangement.poses {
                    let parts = (Some(pose.extension_pct), pose.tilt_deg);
                    self.hold_by_hand(request, *group, parts, false, until);
                }
            }
            Ask::Service {
                group,
                on,
                expected_end,
            } => {
                self.service_set(&request.by, *group, *on, *expected_end);
            }
            Ask::Bypass {
                sensor,
                substitute,
                until,
            } => {
                self.bypass(&request.by, *sensor, *substitute, *until);
            }
            Ask::Acknowledge { key } => self.acknowledge(key, &request.by),
            Ask::FrostCleared { group } => {
                self.frost_cleared(*group);
                self.mark(*group, stale_bits::GUARDS | stale_bits::DECIDE);
                self.group_alarms(*group);
            }
        }
    }

    /// The guard that refuses a request by hand, if one holds.
    fn refusal(&self, group: GroupId) -> Option<(Word, Because)> {
        let verdict = self.verdict(group);
        let unknown = matches!(verdict.because, Because::WeatherUnknown { .. });
        (verdict.decided_by.is_guard() || unknown).then_some((verdict.decided_by, verdict.because))
    }

    fn hold_by_hand(
        &mut self,
        request: &Request,
        group: GroupId,
        (extension_pct, tilt_deg): (Option<u8>, Option<i16>),
        halt: bool,
        until: Until,
    ) {
        let room = matches!(request.from, Origin::Room(_));
        let outranked = self.groups[group.index()]
            .hand
            .as_ref()
            .is_some_and(|h| h.room && !room);
        let refusal = self.refusal(group).or_else(|| {
            let hold = self.groups[group.index()]
                .hand
                .as_ref()
                .filter(|_| outranked)?;
            Some((
                Word::Hand,
                Because::Hand {
                    by: hold.by.clone(),
                    room: hold.room,
                },
            ))
        });
        if let Some((word, because)) = refusal {
            let (group, by) = (Some(group), request.by.clone());
            self.say(Output::Refused {
                group,
                by,
                word,
                because,
            });
            return;
        }
        let ends = self.hold_ends(group, until);
        let state = &mut self.groups[group.index()];
        state.overrides = state.overrides.saturating_add(1);
        state.hand = Some(Box::new(Hold {
            by: request.by.clone(),
            room,
            extension_pct: extension_pct.map(|p| p.min(100)),
            tilt_deg: tilt_deg.map(|t| t.clamp(-90, 90)),
            halt,
            ends,
            announced: false,
            group_at: None,
        }));
        state.device_holds.clear();
        self.arm_hand(group);
        self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
    }

    fn set_up(
        &mut self,
        request: &Request,
        device: DeviceId,
        (extension_pct, tilt_deg): (Option<u8>, Option<i16>),
        until: Until,
    ) {
        let Some(group) = self.topology.device_group[device.index()] else {
            return;
        };
        if let Some((word, because)) = self.refusal(group) {
            let (group, by) = (Some(group), request.by.clone());
            self.say(Output::Refused {
                group,
                by,
                word,
                because,
            });
            return;
        }
        let ends = self.hold_ends(group, until);
        let verdict = self.groups[group.index()].verdict.as_ref();
        let group_at = verdict.and_then(|v| match v.course {
            Course::To(pose) => Some(pose),
            Course::Hold => None,
        });
        let hold = Hold {
            by: request.by.clone(),
            room: matches!(request.from, Origin::Room(_)),
            extension_pct: extension_pct.map(|p| p.min(100)),
            tilt_deg: tilt_deg.map(|t| t.clamp(-90, 90)),
            halt: extension_pct.is_none() && tilt_deg.is_none(),
            ends,
            announced: true,
            group_at,
        };
        let holds = &mut self.groups[group.index()].device_holds;
        holds.retain(|(d, _)| *d != device);
        holds.push((device, hold));
        self.arm_hand(group);
        self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
    }

    fn hold_ends(&self, group: GroupId, until: Until) -> Now {
        let rule = self.model.group(group).hand;
        let zone = self.model.site.zone;
        let date = self.now.wall.local_date(zone);
        let tomorrow = date.checked_add_days(Days::new(1)).unwrap_or(date);
        hand::ends(
            until,
            self.now,
            rule.hold_ms,
            self.next_phase(group),
            start_of(zone, tomorrow),
        )
    }

    pub(super) fn arm_hand(&mut self, group: GroupId) {
        let announce = self.model.group(group).hand.announce_ms;
        let state = &self.groups[group.index()];
        let hand = state.hand.as_ref().map(|h| {
            if h.announced {
                h.ends.steady
            } else {
                h.ends.steady.plus(-announce)
            }
        });
        let devices = state.device_holds.iter().map(|(_, h)| h.ends.steady);
        match devices.chain(hand).min() {
            Some(at) => self
                .timers
                .set(WakeFor::Hand(group), at.max(self.now.steady)),
            None => self.timers.clear(WakeFor::Hand(group)),
        }
    }

    pub(super) fn hand_due(&mut self, group: GroupId) {
        let now = self.now.steady;
        let announce = self.model.group(group).hand.announce_ms;
        let state = &mut self.groups[group.index()];
        let mut announced = None;
        if let Some(hold) = &mut state.hand {
            if hold.ends.steady <= now {
                state.hand = None;
            } else if !hold.announced && hold.ends.steady.plus(-announce) <= now {
                hold.announced = true;
                announced = Some(hold.ends.wall);
            }
        }
        state
            .device_holds
            .retain(|(_, hold)| hold.ends.steady > now);
        if let Some(ends) = announced {
            self.say(Output::Announce { group, ends });
        }
        self.arm_hand(group);
        self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
    }

    fn service_set(&mut self, by: &str, group: GroupId, on: bool, expected_end: Option<Wall>) {
        let since = self.now.wall;
        let state = &mut self.groups[group.index()];
        state.service = on.then(|| {
            Box::new(Service {
                owner: by.to_owned(),
                since,
                expected_end,
            })
        });
        self.arm_service(group);
        if !on {
            let key = format!("service_overdue/{}", self.model.group(group).name);
            self.set_alarm(key, AlarmWord::ServiceOverdue, false, Because::Rest);
        }
        self.group_alarms(group);
        self.mark(group, stale_bits::DECIDE | stale_bits::DEVICES);
    }

    pub(super) fn arm_service(&mut self, group: GroupId) {
        match &self.groups[group.index()].service {
            Some(service) => {
                let reminder = service.since.plus(self.model.policy.service_reminder_ms);
                let due = service
                    .expected_end
                    .map_or(reminder, |end| end.min(reminder));
                self.timers.set(
                    WakeFor::Service(group),
                    self.steady_of(due).max(self.now.steady),
                );
            }
            None => self.timers.clear(WakeFor::Service(group)),
        }
    }

    pub(super) fn service_due(&mut self, group: GroupId) {
        let Some(service) = self.groups[group.index()].service.clone() else {
            return;
        };
        let key = format!("service_overdue/{}", self.model.group(group).name);
        let because = Because::Service {
            owner: service.owner,
            since: service.since,
        };
        self.set_alarm(key, AlarmWord::ServiceOverdue, true, because);
    }
}
