//! Whether each device is in its refuge, or on its way there in time.

use crate::checks::{Checks, Finding, NEAR_PPM, REACTION_MS, Scene, active_fire, open_door};
use crate::truth::GUARDS;
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::FrozenWind;
use leeside_core::pose::Pose;

/// Within how long after a run in vain a guard has a drive without power told again, ms.
const TRIED_WITHIN_MS: i64 = 5 * 60_000;

impl Checks {
    /// Never out of refuge beyond the time to safe while a guard holds.
    pub(crate) fn refuge(
        &mut self,
        scene: &Scene<'_>,
        core: Option<&Core>,
        group: GroupId,
        device: DeviceId,
    ) -> Finding {
        let Scene {
            model, plant, now, ..
        } = scene;
        let exposed = core
            .and_then(|_| wanted_refuge(scene, group, device))
            .filter(|refuge| {
                let here = plant
                    .stand(device, now.steady)
                    .map_or(0, |s| s.extension_ppm);
                let wanted = i64::from(refuge.extension_pct) * 10_000;
                let blocked = wanted > here && open_door(scene, device);
                (here - wanted).abs() > NEAR_PPM && !blocked
            });
        let on_feeder =
            |d: &&leeside_core::model::Device| d.drive.feeder == model.device(device).drive.feeder;
        let drives =
            i64::try_from(model.devices.iter().filter(on_feeder).count()).unwrap_or(i64::MAX);
        let product = model.product_of(device);
        let feeder = model.feeder(model.device(device).drive.feeder);
        let allowed = drives * feeder.stagger_ms
            + 2 * product.reversal_pause_ms
            + product.extend_ms.max(product.retract_ms)
            + product.tilt_ms
            + REACTION_MS;
        let name = &model.device(device).name;
        let watched = &mut self.devices[device.index()];
        // One that had no power and has some again is told again by and by.
        if exposed.is_some() && watched.powerless && watched.sound {
            let from = *watched.untried_from.get_or_insert(now.steady.0);
            if now.steady.0 - from > TRIED_WITHIN_MS + 2 * allowed {
                return Err(format!(
                    "{name} out of its refuge, and not told again since it has power"
                ));
            }
        } else {
            watched.untried_from = None;
        }
        let Some(refuge) = exposed.filter(|_| !watched.excused || watched.owed) else {
            watched.exposed_from = None;
            return Ok(());
        };
        // Where another guard wants it elsewhere it has to have the time to go there.
        let same = watched.exposed_from.filter(|(_, old)| *old == refuge);
        let (from, _) = *watched
            .exposed_from
            .insert(same.unwrap_or((now.steady.0, refuge)));
        let since = now.steady.0 - from;
        if since > allowed {
            return Err(format!(
                "{name} out of its refuge for {since} ms, allowed {allowed} ms"
            ));
        }
        Ok(())
    }
}

/// The refuge that a device must be in or on its way to; `None` where it is to stay.
fn wanted_refuge(scene: &Scene<'_>, group: GroupId, device: DeviceId) -> Option<Pose> {
    let Scene { model, truth, .. } = scene;
    let state = &truth.groups[group.index()];
    let rules = &model.groups[group.index()];
    if state.service || active_fire(scene, group) {
        return None;
    }
    let held = truth.holds(group.index());
    if state.frozen && held[2] && model.policy.frozen_wind == FrozenWind::Hold {
        return None;
    }
    let refuges = model.product_of(device).refuge;
    let poses = [Some(refuges.wind), refuges.hail, refuges.ice, refuges.rain];
    let first = held.iter().position(|h| *h)?;
    let here = scene.plant.stand(device, scene.now.steady);
    let here = here.map_or(0, |stand| stand.extension_ppm);
    let mut unknown = false;
    // The highest that holds, or the next one where that claims no pose for this device.
    for place in (first..GUARDS.len()).filter(|place| held[*place]) {
        if state.frozen && (place == 2 || place > first) {
            return None;
        }
        let Some(pose) = poses[place] else { continue };
        let guard = &state.guards[place];
        unknown |= guard.unknown || !guard.heard || !truth.hears(rules, GUARDS[place]);
        let out = i64::from(pose.extension_pct) * 10_000 - here;
        if !unknown || pose.extension_pct == 0 {
            return Some(pose);
        }
        // Unknown never extends. Where it is (nearly) there it may count as there.
        if out < NEAR_PPM {
            return None;
        }
    }
    None
}
