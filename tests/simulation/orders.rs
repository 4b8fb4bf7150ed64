//! What is looked at in a command as it comes out, before the plant is told.

use crate::checks::{Checks, Finding, NEAR_PPM, Scene, active_fire, open_door};
use crate::reasons::names_something;
use crate::truth::GUARDS;
use leeside_core::ids::DeviceId;
use leeside_core::model::Model;
use leeside_core::output::{Command, Word};
use leeside_core::pose::Pose;

impl Checks {
    /// A command has come out; the plant has not been told yet.
    pub(crate) fn command(&mut self, scene: &Scene<'_>, command: &Command) -> Finding {
        let Scene { model, truth, .. } = scene;
        self.commands += 1;
        if command.sequence <= self.sequence {
            return Err(format!(
                "sequence {} after {}",
                command.sequence, self.sequence
            ));
        }
        self.sequence = command.sequence;
        let group = &model.groups[command.group.index()];
        if command.orders.is_empty() || command.not_after <= command.at.wall {
            return Err("a command that asks nothing, or too late".to_owned());
        }
        names_something(model, command)?;
        for order in &command.orders {
            if !group.devices.contains(&order.device) {
                return Err(format!("{:?} is not of {}", order.device, group.name));
            }
            if let Some(pose) = order.pose {
                self.order(scene, command, order.device, pose)?;
            }
        }
        let _ = truth;
        Ok(())
    }

    fn order(
        &mut self,
        scene: &Scene<'_>,
        command: &Command,
        device: DeviceId,
        pose: Pose,
    ) -> Finding {
        let Scene {
            model,
            truth,
            plant,
            now,
            ..
        } = scene;
        let word = command.decided_by;
        let state = &truth.groups[command.group.index()];
        let wish = matches!(
            word,
            Word::Hand | Word::Sun | Word::Timetable | Word::Rest | Word::Drive
        );
        let here = plant
            .stand(device, now.steady)
            .map_or(0, |s| s.extension_ppm);
        let extends = i64::from(pose.extension_pct) * 10_000 > here + NEAR_PPM;
        let name = &model.device(device).name;
        let told = format!("{name} to {} by {}", pose.extension_pct, word.as_str());
        if wish && truth.holds(command.group.index()).contains(&true) {
            return Err(format!("{told} although a guard holds"));
        }
        if wish && self.devices[device.index()].barred {
            return Err(format!("{told} although its power is in question"));
        }
        if wish && !state.known {
            return Err(format!("{told} although the weather is not known"));
        }
        let fire = active_fire(scene, command.group);
        if state.service && !(fire && model.policy.fire_moves_service) {
            return Err(format!("{told} although somebody works there"));
        }
        if matches!(word, Word::Sun | Word::Timetable | Word::Rest) {
            if quiet(model, command) {
                return Err(format!("{told} in quiet hours"));
            }
            if !truth.clock_trusted {
                return Err(format!("{told} with a clock that is not to be trusted"));
            }
        }
        if extends && fire {
            return Err(format!("{told} in a fire"));
        }
        // Where it stands nobody but the simulation knows.
        let extends = extends && !self.devices[device.index()].excused;
        if extends && open_door(scene, device) {
            return Err(format!("{told} past an open door, standing at {here} ppm"));
        }
        if extends && let Some(place) = GUARDS.iter().position(|g| *g == word) {
            let rules = &model.groups[command.group.index()];
            let guard = &state.guards[place];
            if guard.unknown || !guard.heard || !truth.hears(rules, word) {
                return Err(format!("{told} on unknown weather"));
            }
        }
        if wish {
            self.duty(scene, device, pose)
                .map_err(|why| format!("{told}: {why}"))?;
        }
        Ok(())
    }

    /// Hand and comfort leave one full travel.
    fn duty(&self, scene: &Scene<'_>, device: DeviceId, pose: Pose) -> Finding {
        let Scene {
            model, plant, now, ..
        } = scene;
        let product = model.product_of(device);
        let Some(budget) = product.budget else {
            return Ok(());
        };
        let watched = &self.devices[device.index()];
        if watched.excused {
            return Ok(());
        }
        let from = now.steady.0 - budget.window_ms;
        let used: i64 = watched
            .runs
            .iter()
            .map(|(a, b)| (b - a.max(&from)).max(0))
            .sum();
        let here = plant
            .stand(device, now.steady)
            .map_or(0, |s| s.extension_ppm);
        let way = i64::from(pose.extension_pct) * 10_000 - here;
        let takes = if way > 0 {
            product.extend_ms * way
        } else {
            product.retract_ms * -way
        } / 1_000_000;
        let full = product.extend_ms.max(product.retract_ms) + product.tilt_ms;
        // Told again where it stands already, it does not run.
        if takes < product.extend_ms / 50 {
            return Ok(());
        }
        if used + takes + full > budget.run_ms + 1_500 {
            return Err(format!(
                "{used} + {takes} + {full} ms of {} ms duty",
                budget.run_ms
            ));
        }
        Ok(())
    }
}

fn quiet(model: &Model, command: &Command) -> bool {
    use chrono::Timelike;
    let Some(rule) = model.groups[command.group.index()].quiet else {
        return false;
    };
    let local = command.at.wall.utc().with_timezone(&model.site.zone);
    let minute = local.hour() * 60 + local.minute();
    // Drawn sites have quiet hours over midnight.
    minute >= u32::from(rule.from_min) || minute < u32::from(rule.to_min)
}
