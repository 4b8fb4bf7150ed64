//! What must never be seen, checked at every step against the plant as it
//! really stands and against what was delivered.

use crate::reasons::names_something;
use crate::site::{DOORS, FIRE};
use crate::truth::{GUARDS, Truth};
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::{FrozenWind, Model};
use leeside_core::output::{Command, Word};
use leeside_core::pose::Pose;
use leeside_core::reason::Release;
use leeside_core::time::Now;
use leeside_plant::Plant;
use std::collections::VecDeque;

/// How far a device may be from where it should be, millionths: the core reckons
/// in whole hundredths, and a report counts as right within three of them.
const NEAR_PPM: i64 = 31_000;
/// How long a halt may take from the moment it became due, ms.
const REACTION_MS: i64 = 2_000;
/// How long anything asked by hand may hold: to the end of the day, which may have 25
/// hours, or to the next phase; and how often that is looked at, ms.
const HAND_MS: i64 = 26 * 3_600_000;
const HAND_LOOK_MS: i64 = 15 * 60_000;
/// Within how long after a run in vain a guard has a drive without power told again, ms.
const TRIED_WITHIN_MS: i64 = 5 * 60_000;

/// What is remembered of a device.
#[derive(Clone, Debug, Default)]
pub(crate) struct Watched {
    /// Since when, and from which refuge.
    exposed_from: Option<(i64, Pose)>,
    /// The furthest it may extend while something forbids it.
    ceiling: Option<i64>,
    /// Where it may be while somebody works at it.
    still: Option<(i64, i64)>,
    starts: u32,
    run_ms: i64,
    runs: VecDeque<(i64, i64)>,
    /// Broken, powerless or left without its commands: nothing is asked of it
    /// until it is told anew.
    pub(crate) excused: bool,
    /// Told anew since: once it is there the core knows again where it stands.
    pub(crate) told: Option<Pose>,
    hasty: u32,
    /// An alarm about its power stands: no comfort moves it.
    pub(crate) barred: bool,
    /// Since when it has stood, or run, without a break.
    pub(crate) idle_since: Option<i64>,
    /// When it was last told anything.
    pub(crate) commanded_at: i64,
    /// The core may not know where it stands: no power was seen, or a gap has been.
    pub(crate) unsure: bool,
    pub(crate) busy_since: Option<i64>,
    /// Where it was last told to go, and could.
    pub(crate) goal: Option<Pose>,
    /// Something it was told it has not done, or it was stopped on its way: it is not
    /// where it was told to be, until it has reached a goal again.
    pub(crate) astray: bool,
    /// It was astray when it was last told to go somewhere: it may be there already.
    pub(crate) reveals: bool,
    /// Known to have drawn no power on a command, and not seen to move since.
    pub(crate) powerless: bool,
    /// ... and in order again, out of its refuge, since.
    pub(crate) untried_from: Option<i64>,
    pub(crate) sound: bool,
}

impl Watched {
    /// Nothing is asked of it until it has been told anew, and has gone there.
    pub(crate) const fn excuse(&mut self) {
        self.excused = true;
        self.told = None;
        self.goal = None;
        self.astray = true;
    }
}

/// Everything that is watched.
#[derive(Clone, Debug)]
pub(crate) struct Checks {
    pub(crate) devices: Vec<Watched>,
    starts: Vec<VecDeque<i64>>,
    pub(crate) sequence: u64,
    /// Until then, stagger, pause and duty of before are not known to the core.
    pub(crate) forgot_until: i64,
    pub(crate) commands: u64,
    pub(crate) lockouts: u64,
    /// When anything was last asked of a group by hand.
    pub(crate) asked: Vec<i64>,
    looked: i64,
}

/// What the world is like at a step.
pub(crate) struct Scene<'a> {
    pub(crate) model: &'a Model,
    pub(crate) truth: &'a Truth,
    pub(crate) plant: &'a Plant,
    pub(crate) now: Now,
    /// The core runs and its commands arrive.
    pub(crate) reached: bool,
}

type Finding = Result<(), String>;

impl Checks {
    pub(crate) fn new(model: &Model) -> Self {
        Self {
            devices: vec![Watched::default(); model.devices.len()],
            starts: vec![VecDeque::new(); model.feeders.len()],
            sequence: 0,
            forgot_until: i64::MIN,
            commands: 0,
            lockouts: 0,
            asked: vec![i64::MIN; model.groups.len()],
            looked: i64::MIN,
        }
    }

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
        let Some(budget) = product.budget.filter(|_| now.steady.0 > self.forgot_until) else {
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
        let full = product.extend_ms.max(product.retract_ms);
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

    /// A moment, before anything new happens in it.
    pub(crate) fn step(&mut self, scene: &Scene<'_>, core: Option<&Core>) -> Finding {
        self.starts(scene)?;
        if let Some(core) = core {
            for index in 0..scene.model.groups.len() {
                guards(scene, core, GroupId::of(index))?;
            }
            self.hands(scene, core)?;
        }
        for (index, rules) in scene.model.groups.iter().enumerate() {
            for device in &rules.devices {
                let group = GroupId::of(index);
                self.moves(scene, group, *device)?;
                let core = core.filter(|_| scene.reached);
                self.refuge(scene, core, group, *device)?;
            }
        }
        Ok(())
    }

    /// What is asked by hand ends within a day, whatever the clock does meanwhile.
    fn hands(&mut self, scene: &Scene<'_>, core: &Core) -> Finding {
        let now = scene.now.steady.0;
        if now < self.looked.saturating_add(HAND_LOOK_MS) {
            return Ok(());
        }
        self.looked = now;
        for (index, asked) in self.asked.iter().enumerate() {
            if now < asked.saturating_add(HAND_MS) {
                continue;
            }
            let verdict = core.explain(GroupId::of(index)).verdict;
            // A clock that was set back may promise the same end once more.
            let soon =
                matches!(verdict.release, Release::At(ends) if ends.0 - scene.now.wall.0 < HAND_MS);
            if verdict.decided_by == Word::Hand && !soon {
                let name = &scene.model.groups[index].name;
                return Err(format!(
                    "{name} still held by hand, nobody having asked for a day: {:?}",
                    verdict.release
                ));
            }
        }
        Ok(())
    }

    /// Starts of the motors as the plant makes them: stagger and pause.
    fn starts(&mut self, scene: &Scene<'_>) -> Finding {
        let Scene {
            model, plant, now, ..
        } = scene;
        for (index, device) in model.devices.iter().enumerate() {
            let Some(usage) = plant.usage(DeviceId::of(index), now.steady) else {
                continue;
            };
            let watched = &mut self.devices[index];
            let stand = plant
                .stand(DeviceId::of(index), now.steady)
                .map_or(0, |s| s.extension_ppm);
            let there = |pose: Pose| (i64::from(pose.extension_pct) * 10_000 - stand).abs() < 1_000;
            if watched.told.is_some_and(there) {
                watched.told = None;
                watched.excused = false;
            }
            watched.astray &= !watched.goal.is_some_and(there);
            let ran = usage.run_ms - watched.run_ms;
            if ran > 0 {
                let t = now.steady.0;
                match watched.runs.back_mut() {
                    Some((_, end)) if *end == t - ran => *end = t,
                    _ => watched.runs.push_back((t - ran, t)),
                }
                while watched
                    .runs
                    .front()
                    .is_some_and(|(_, end)| *end < t - 3 * 3_600_000)
                {
                    watched.runs.pop_front();
                }
            }
            if ran > 0 {
                watched.idle_since = None;
                watched.busy_since.get_or_insert(now.steady.0 - ran);
            } else {
                watched.idle_since.get_or_insert(now.steady.0);
                watched.busy_since = None;
            }
            let started = usage.starts > watched.starts;
            let hasty = usage.hasty > watched.hasty;
            watched.run_ms = usage.run_ms;
            watched.starts = usage.starts;
            watched.hasty = usage.hasty;
            if watched.excused {
                watched.runs.clear();
            }
            if watched.excused || now.steady.0 <= self.forgot_until {
                continue;
            }
            if hasty {
                return Err(format!(
                    "{} told to turn within its reversal pause",
                    device.name
                ));
            }
            if started {
                let feeder = model.feeder(device.drive.feeder);
                let starts = &mut self.starts[device.drive.feeder.index()];
                starts.push_back(now.steady.0);
                let at_once = usize::try_from(feeder.starts_at_once).unwrap_or(1);
                while starts.len() > at_once + 1 {
                    starts.pop_front();
                }
                if starts.len() > at_once && starts[at_once] - starts[0] < feeder.stagger_ms {
                    return Err(format!(
                        "{}: starts at {starts:?}, stagger {} ms",
                        feeder.name, feeder.stagger_ms
                    ));
                }
            }
        }
        Ok(())
    }

    /// Nothing extends past a door or in a fire; where somebody works nothing moves.
    fn moves(&mut self, scene: &Scene<'_>, group: GroupId, device: DeviceId) -> Finding {
        let Scene {
            model,
            truth,
            plant,
            now,
            reached,
        } = scene;
        let soon = now.steady.plus(REACTION_MS);
        let (Some(stand), Some(then)) =
            (plant.stand(device, now.steady), plant.stand(device, soon))
        else {
            return Ok(());
        };
        let (here, then) = (stand.extension_ppm, then.extension_ppm);
        let watched = &mut self.devices[device.index()];
        let fire = active_fire(scene, group);
        let forbidden = *reached && !watched.excused && (open_door(scene, device) || fire);
        let name = &model.device(device).name;
        match (forbidden, watched.ceiling) {
            (true, None) => watched.ceiling = Some(here.max(then)),
            (true, Some(ceiling)) if here > ceiling + NEAR_PPM => {
                return Err(format!(
                    "{name} extends to {here} ppm from {ceiling} past an open door or in a fire"
                ));
            }
            (true, Some(ceiling)) => watched.ceiling = Some(ceiling.min(here.max(then))),
            (false, _) => watched.ceiling = None,
        }
        let service = truth.groups[group.index()].service;
        let still =
            *reached && !watched.excused && service && !(fire && model.policy.fire_moves_service);
        match (still, watched.still) {
            (true, None) => watched.still = Some((here.min(then), here.max(then))),
            (true, Some((low, high))) if here < low - NEAR_PPM || here > high + NEAR_PPM => {
                return Err(format!(
                    "{name} moves to {here} ppm from {low}..{high} while somebody works there"
                ));
            }
            (true, Some(_)) => {}
            (false, _) => watched.still = None,
        }
        Ok(())
    }

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
        let Some(refuge) = exposed.filter(|_| !watched.excused) else {
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

/// The core's lockouts are those that the readings ask for: none missing, none too many.
fn guards(scene: &Scene<'_>, core: &Core, group: GroupId) -> Finding {
    let told = core.lockouts(group);
    let held: [bool; 4] = core::array::from_fn(|i| told.iter().any(|l| l.word == GUARDS[i]));
    let ought = scene.truth.holds(group.index());
    if held != ought {
        let name = &scene.model.groups[group.index()].name;
        return Err(format!(
            "{name}: {held:?} held of wind, hail, ice, rain; ought {ought:?}"
        ));
    }
    Ok(())
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
        if out < 5 * NEAR_PPM {
            return None;
        }
    }
    None
}

fn active_fire(scene: &Scene<'_>, group: GroupId) -> bool {
    let rule = scene.model.groups[group.index()].fire.as_ref();
    rule.is_some() && scene.truth.active(scene.model, FIRE, scene.now)
}

fn open_door(scene: &Scene<'_>, device: DeviceId) -> bool {
    let doors = &scene.model.device(device).doors;
    DOORS
        .iter()
        .any(|d| doors.contains(d) && scene.truth.active(scene.model, *d, scene.now))
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
