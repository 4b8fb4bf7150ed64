//! What must never be seen, checked at every step against the plant as it
//! really stands and against what was delivered.

use crate::site::{DOORS, FIRE};
use crate::truth::{GUARDS, Truth};
use leeside_core::Core;
use leeside_core::ids::{DeviceId, GroupId};
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::pose::Pose;
use leeside_core::time::Now;
use leeside_plant::Plant;
use std::collections::VecDeque;

/// How far a device may be from where it should be, millionths: the core reckons
/// in whole hundredths, and a report counts as right within three of them.
pub(crate) const NEAR_PPM: i64 = 31_000;
/// How long a halt may take from the moment it became due, ms.
pub(crate) const REACTION_MS: i64 = 2_000;
/// How long a drive may be under way to where it was last told: full travel, stagger
/// with all others of its feeder, and pause, with some to spare, ms.
pub(crate) const UNDER_WAY_MS: i64 = 2 * 60_000;
/// How long after a start what was told before it may still go on, ms.
const FORGOT_MS: i64 = UNDER_WAY_MS;
/// How long anything asked by hand may hold: to the end of the day, which may have 25
/// hours, or to the next phase; and how often that is looked at, ms.
const HAND_MS: i64 = 26 * 3_600_000;
const HAND_LOOK_MS: i64 = 15 * 60_000;

/// What is remembered of a device.
#[derive(Clone, Debug, Default)]
pub(crate) struct Watched {
    /// Since when, and from which refuge.
    pub(crate) exposed_from: Option<(i64, Pose)>,
    /// The furthest it may extend while something forbids it.
    ceiling: Option<i64>,
    /// Where it may be while somebody works at it.
    still: Option<(i64, i64)>,
    starts: u32,
    run_ms: i64,
    /// Runs that the core can know of.
    pub(crate) runs: VecDeque<(i64, i64)>,
    /// From when on that is: what it was told before a start may have been forgotten.
    pub(crate) known_from: i64,
    /// Broken, powerless or left without its commands: nothing is asked of it
    /// until it is told anew.
    pub(crate) excused: bool,
    /// In order, and a command to it was lost on the way: it is owed another one.
    pub(crate) owed: bool,
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
        self.owed = false;
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
    /// Until then drives may run, and start, as nobody remembers that they were told.
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

pub(crate) type Finding = Result<(), String>;

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

    /// The program starts again and remembers what was until `kept`, if anything.
    pub(crate) fn forget(&mut self, now: i64, kept: Option<i64>) {
        self.forgot_until = now + FORGOT_MS;
        let kept = kept.unwrap_or(i64::MIN);
        for watched in &mut self.devices {
            watched.runs.retain(|(start, _)| *start < kept);
            if let Some((_, end)) = watched.runs.back_mut() {
                *end = kept.min(*end);
            }
            watched.known_from = self.forgot_until;
            watched.unsure = true;
        }
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
            if verdict.decided_by == Word::Hand {
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
            // The run that ends an excuse is still within it: how long it took shows only now.
            let within = watched.excused;
            if watched.told.is_some_and(there) {
                watched.told = None;
                watched.excused = false;
            }
            watched.astray &= !watched.goal.is_some_and(there);
            let ran = usage.run_ms - watched.run_ms;
            let t = now.steady.0;
            let from = (t - ran).max(watched.known_from);
            if ran > 0 && from < t {
                match watched.runs.back_mut() {
                    Some((_, end)) if *end == from => *end = t,
                    _ => watched.runs.push_back((from, t)),
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
            if within {
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

pub(crate) fn active_fire(scene: &Scene<'_>, group: GroupId) -> bool {
    let rule = scene.model.groups[group.index()].fire.as_ref();
    rule.is_some() && scene.truth.active(scene.model, FIRE, scene.now)
}

pub(crate) fn open_door(scene: &Scene<'_>, device: DeviceId) -> bool {
    let doors = &scene.model.device(device).doors;
    DOORS
        .iter()
        .any(|d| doors.contains(d) && scene.truth.active(scene.model, *d, scene.now))
}
