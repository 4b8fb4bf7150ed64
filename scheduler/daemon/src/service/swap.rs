//! Another site takes effect: between two inputs, in one piece.
//!
//! What had arrived before is decided by the old model, what arrives later by
//! the new one, and nothing that was read by one ever reaches the other. The
//! core keeps its state by names (`Core::reload`): lockouts, holds, service and
//! positions stay, and only what follows from the change moves.

use super::pieces::Pieces;
use super::{Seen, Service};
use crate::keeper::News;
use crate::link::{Ears, Inbox, LinkEvent};
use crate::versions;
use crate::wire::{Decoder, Encoder, Message, Topics, Trouble};
use leeside_config::Site;
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::input::Input;
use leeside_core::model::Model;
use leeside_journal::{Batch, Durability, Kind};
use serde_json::json;
use std::sync::{Arc, PoisonError};

impl Service {
    pub(super) async fn news(&mut self, news: News, inbox: &mut Inbox) {
        match news {
            News::Swap { site, why, done } => {
                self.swap(&site, why, inbox).await;
                // The keeper may have ended.
                let _ = done.send(());
            }
            News::Site(complaint) => {
                if let Some(why) = &complaint {
                    tracing::error!("{why}");
                    self.note(why);
                }
                self.trouble(Trouble::Site, None, complaint.as_deref())
                    .await;
            }
            News::Handing(name, complaint) => {
                self.trouble(Trouble::Handing, Some(&name), complaint.as_deref())
                    .await;
            }
            News::Calendar(name, complaint) => {
                if let Some(why) = &complaint {
                    tracing::error!("{why}");
                    self.note(why);
                }
                self.trouble(Trouble::Calendar, Some(&name), complaint.as_deref())
                    .await;
            }
        }
    }

    async fn swap(&mut self, site: &Site, why: &str, inbox: &mut Inbox) {
        if let Ok(moment) = sd_notify::NotifyState::monotonic_usec_now() {
            super::systemd(&[sd_notify::NotifyState::Reloading, moment]);
        }
        let topics = Topics::new(&site.wire.broker.root);
        let decoder = Decoder::new(Arc::clone(&site.model), &topics, &site.wire);
        let encoder = Encoder::new(
            Arc::clone(&site.model),
            topics,
            &site.wire,
            &site.fingerprint,
        );
        // From here on arrivals are read by the new model; those that were read by
        // the old one are all in the inbox, because reading and putting there are
        // one step under the same lock.
        let old_generation = self.generation;
        self.generation += 1;
        let ears = Ears::new(self.generation, decoder, &encoder);
        let (listen, no_longer) = {
            let mut present = self.ears.write().unwrap_or_else(PoisonError::into_inner);
            let changes = present.changes(&ears);
            *present = ears;
            changes
        };
        let mut later = Vec::new();
        while let Some(event) = inbox.try_next() {
            match event {
                LinkEvent::Input {
                    generation,
                    input,
                    arrived,
                } if generation == old_generation => {
                    self.heard.arrives(arrived);
                    self.handle(input).await;
                }
                event @ (LinkEvent::Input { .. }
                | LinkEvent::Connected(_)
                | LinkEvent::Disconnected { .. }
                | LinkEvent::Refused(_)
                | LinkEvent::Unreadable(_)) => later.push(event),
            }
        }
        self.take_effect(site, encoder, why).await;
        self.outbox.listen(&listen, &no_longer);
        for event in later {
            self.link(event).await;
        }
        super::systemd(&[sd_notify::NotifyState::Ready]);
    }

    async fn take_effect(&mut self, site: &Site, encoder: Encoder, why: &str) {
        // The old model decides everything up to this moment.
        let now = self.clock.now();
        self.step_at(now, Input::Tick).await;
        let old = std::mem::replace(&mut self.model, Arc::clone(&site.model));
        let old_encoder = std::mem::replace(&mut self.encoder, encoder);
        self.core = self.core.reload(Arc::clone(&site.model));
        self.fingerprint.clone_from(&site.fingerprint);
        self.years = versions::years(site);
        self.keep = super::keep_of(site);
        self.files = versions::files(site);
        self.handing.set(&site.wire.alarm_receivers);
        self.counters.reloads += 1;
        self.outbox.renumber(
            |group| renumbered_group(&old, &site.model, group),
            |device| renumbered_device(&old, &site.model, device),
        );
        let body = json!({
            "fingerprint": self.fingerprint,
            "years": self.years,
            "why": why,
        });
        let mut batch = Batch::new();
        batch.row(now, Kind::Site, &site.model.site.name, body.to_string());
        batch.site(self.files.clone());
        batch.at_least(Durability::Power);
        let outputs = self.drain();
        let leaving = self.outputs(now, &outputs, &mut batch);
        self.forget_the_gone(&old, &old_encoder);
        self.add_snapshot(now, &mut batch);
        if let Some(recorder) = &self.recorder {
            recorder.write(batch, true).await;
        }
        tracing::info!(why, fingerprint = %self.fingerprint, "another version of the site is in force");
        (self.watch)(now, &Seen::Site(&site.model));
        if let Some(porter) = &mut self.porter {
            porter.reloaded(&site.model, &site.fingerprint, now);
        }
        let mut told = Pieces::new();
        self.leave(leaving, &outputs, &mut told);
        let mut all = Pieces::new();
        all.add(outputs);
        let outputs = all;
        self.tell(told, &outputs);
        self.watched(now, &outputs);
        let online = crate::wire::Presence::Online;
        self.send(self.encoder.service(online, Some(now.wall)));
    }

    /// What is kept at the broker about groups that are no more is taken away, and
    /// alarms that no longer stand are cleared.
    fn forget_the_gone(&mut self, old: &Model, old_encoder: &Encoder) {
        let now = self.clock.now().wall;
        for (index, group) in old.groups.iter().enumerate() {
            if self.model.group_named(&group.name).is_none() {
                self.board.lockouts.remove(&group.name);
                for what in ["pose", "lockout"] {
                    let topic = old_encoder.topics().group(old, GroupId::of(index), what);
                    self.send(Message::state(topic, String::new()));
                }
            }
        }
        for (index, group) in self.model.groups.iter().enumerate() {
            if old.group_named(&group.name).is_none() {
                self.show_lockouts(GroupId::of(index));
            }
        }
        let stand: Vec<String> = self.core.alarms().into_iter().map(|a| a.key).collect();
        let gone: Vec<(String, String)> = self
            .board
            .alarms
            .iter()
            .filter(|(key, _)| Trouble::of(key).is_none() && !stand.contains(key))
            .map(|(key, raised)| (key.clone(), raised.word.clone()))
            .collect();
        for (key, word) in gone {
            self.board.alarms.remove(&key);
            self.send(self.encoder.cleared(&key, &word, now));
        }
    }
}

fn renumbered_group(old: &Model, new: &Model, id: GroupId) -> Option<GroupId> {
    new.group_named(&old.groups.get(id.index())?.name)
}

fn renumbered_device(old: &Model, new: &Model, id: DeviceId) -> Option<DeviceId> {
    new.device_named(&old.devices.get(id.index())?.name)
}
