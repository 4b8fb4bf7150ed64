//! What is shown and answered through the door.

use super::Service;
use crate::door::{Asked, Explained, SharedModel, Unanswered, refusals};
use crate::link::Inbox;
use leeside_core::input::Input;
use std::sync::Arc;

impl Service {
    /// Shows whoever looks through the door what is now.
    pub(super) fn show(&mut self) {
        if let Some(porter) = &mut self.porter {
            porter.show(
                &self.core,
                &self.board,
                self.clock.now(),
                self.clock_trusted,
            );
        }
    }

    /// Answers what was asked through the door. What was meant for another version
    /// of the site is not carried out: its numbers may mean something else now.
    pub(super) async fn answer(&mut self, asked: Asked, inbox: &Inbox) {
        // Nobody may wait for the answer any more.
        match asked {
            Asked::HowIsIt(answer) => {
                let _ = answer.send(Ok(Box::new(self.report(inbox))));
            }
            Asked::Request(SharedModel(model), request, answer) => {
                let said = if Arc::ptr_eq(&model, &self.model) {
                    Ok(refusals(self.handle(Input::Request(request)).await.iter()))
                } else {
                    Err(Unanswered::Changed)
                };
                let _ = answer.send(said);
            }
            Asked::Explain(SharedModel(model), group, answer) => {
                let said = if Arc::ptr_eq(&model, &self.model) {
                    Ok(Explained {
                        at: self.core.now(),
                        model: SharedModel(model),
                        explanation: self.core.explain(group),
                        ranks: self.core.ranks(group),
                    })
                } else {
                    Err(Unanswered::Changed)
                };
                let _ = answer.send(said);
            }
        }
    }

    /// Tells those who look whether the broker can be reached.
    pub(super) fn tell_broker(&mut self, connected: bool, why: &str) {
        let now = self.clock.now();
        if let Some(porter) = &mut self.porter {
            porter.broker(now, connected, why);
        }
    }
}
