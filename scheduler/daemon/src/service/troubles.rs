//! Alarms about the service itself: raised, seen by somebody, cleared.

use super::Service;
use crate::record::Condition;
use crate::wire::{Raised, Trouble};
use leeside_core::input::{Ask, Input};
use leeside_journal::{Batch, Durability, Kind};
use tokio::sync::watch;

impl Service {
    /// Raises an alarm with a reason, or clears it; `about` names what it is
    /// about, where there may be several of a kind. Said only when it is news.
    pub(super) async fn trouble(
        &mut self,
        trouble: Trouble,
        about: Option<&str>,
        why: Option<&str>,
    ) {
        let key = trouble.key(about);
        let now = self.clock.now();
        let before = self.board.alarms.get(&key);
        match why {
            Some(why) => {
                if before.is_some_and(|raised| raised.reason == why) {
                    return;
                }
                let raised = Raised {
                    word: trouble.as_str().to_owned(),
                    since: before.map_or(now.wall, |raised| raised.since),
                    reason: why.to_owned(),
                    acknowledged_by: None,
                };
                self.board.alarms.insert(key.clone(), raised);
            }
            None => {
                if self.board.alarms.remove(&key).is_none() {
                    return;
                }
            }
        }
        self.say_trouble(trouble, about, why, None).await;
    }

    async fn say_trouble(
        &mut self,
        trouble: Trouble,
        about: Option<&str>,
        why: Option<&str>,
        by: Option<&str>,
    ) {
        let now = self.clock.now();
        let reason = why.unwrap_or_else(|| trouble.well());
        let message = self
            .encoder
            .trouble(trouble, about, (why.is_some(), by), now.wall, reason);
        // A journal that cannot be kept cannot be told so.
        if trouble != Trouble::Journal
            && let Some(recorder) = &self.recorder
        {
            let mut batch = Batch::new();
            batch.row(now, Kind::Alarm, &trouble.key(about), &message.payload);
            recorder.write(batch, false).await;
        }
        // That somebody cannot be told is not told to the same people.
        if trouble != Trouble::Handing {
            self.handing.hand(&message.payload);
        }
        self.send(message);
    }

    /// What an earlier run may have left standing at the broker.
    pub(super) fn clear_old_troubles(&mut self) {
        let now = self.clock.now().wall;
        let mut keys: Vec<(Trouble, Option<String>)> = Trouble::ALL
            .into_iter()
            .filter(|t| !t.is_about_something())
            .map(|t| (t, None))
            .collect();
        for key in self.board.alarms.keys() {
            if let Some((trouble, Some(about))) = Trouble::of(key) {
                keys.push((trouble, Some(about.to_owned())));
            }
        }
        for (trouble, about) in keys {
            let about = about.as_deref();
            self.board.alarms.remove(&trouble.key(about));
            let message = self
                .encoder
                .trouble(trouble, about, (false, None), now, trouble.well());
            self.send(message);
        }
    }

    /// Somebody has seen an alarm: those of the service are not the core's.
    pub(super) async fn acknowledge(&mut self, input: &Input) {
        let Input::Request(request) = input else {
            return;
        };
        let Ask::Acknowledge { key } = &request.ask else {
            return;
        };
        let Some((trouble, about)) = Trouble::of(key) else {
            return;
        };
        let Some(raised) = self.board.alarms.get_mut(key) else {
            return;
        };
        raised.acknowledged_by = Some(request.by.clone());
        let why = raised.reason.clone();
        self.say_trouble(trouble, about, Some(&why), Some(&request.by))
            .await;
    }

    pub(super) async fn journal_condition(
        &mut self,
        condition: Option<&mut watch::Receiver<Condition>>,
    ) {
        let Some(condition) = condition else { return };
        let Condition {
            fault, begun_anew, ..
        } = condition.borrow_and_update().clone();
        if let Some(fault) = &fault {
            tracing::error!(%fault, "the journal cannot be kept");
            self.note(&format!("the journal cannot be kept: {fault}"));
        } else if let Some(damage) = &begun_anew {
            tracing::error!(%damage, "the journal was damaged");
            self.note(&format!("the journal was damaged: {damage}"));
            // The new one holds neither the state nor the site until it is told.
            let now = self.clock.now();
            let mut batch = Batch::new();
            batch.site(self.files.clone());
            self.add_snapshot(now, &mut batch);
            batch.at_least(Durability::Power);
            if let Some(recorder) = &self.recorder {
                recorder.write(batch, false).await;
            }
        }
        // That a file was lost stands until the next start: somebody has to look.
        let why = fault.or(begun_anew);
        self.trouble(Trouble::Journal, None, why.as_deref()).await;
    }
}
