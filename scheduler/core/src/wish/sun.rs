//! The sun wish: shade while the sun is bright on the facade, track it with the
//! slats, and let go in two steps.
//!
//! Bright means: irradiance on the facade's plane at or above the threshold and
//! direct sun on the opening, both for the on-delay. No longer bright means: at
//! or below the lower threshold, or no direct sun, for the off-delay; then the
//! slats open first, and the blind retracts only later. Delays, least step,
//! least interval and a daily cap keep a sky with broken cloud from pumping.

use crate::model::{DailyCap, Group, HeatRule, Kind, SunAim, SunRule};
use crate::pose::Pose;
use crate::reason::{Because, LightSource, SlatsSay};
use crate::time::{MINUTE, Now, Steady, earlier};
use crate::wish::ahead::{Outlook, Span};
use chrono::{Datelike, NaiveDate};
use leeside_solar::trig::acos;
use leeside_solar::{Cutoff, Plane, Sun};
use serde::{Deserialize, Serialize};

/// What is known of a facade's sun and light at the last look.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct FacadeLight {
    pub(crate) source: LightSource,
    /// Irradiance on the plane, W/m².
    pub(crate) irradiance_wm2: f64,
    /// The sun is up, in front of the plane and not behind the horizon.
    pub(crate) sunlit: bool,
}

/// Where the wish stands.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) enum Stage {
    /// Asks for nothing.
    Off,
    /// Shades.
    Shading,
    /// Slats are open; retraction follows at the given moment.
    Opened(Steady),
}

/// A group's sun wish.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct SunState {
    pub(crate) stage: Stage,
    /// Since when the light has asked for the other of bright and dim.
    turning: Option<Steady>,
    /// The pose asked for while not off.
    pub(crate) pose: Pose,
    pub(crate) slats: SlatsSay,
    /// When the tilt (or depth) was last worked out.
    tracked: Option<Steady>,
    /// Local date of the counts, as days from the common era.
    day: Option<i32>,
    pub(crate) travels: u16,
    pub(crate) tilts: u16,
    /// Wanted to move, but the day's moves are used up.
    pub(crate) capped: bool,
    /// What heat asks for, steadied by the same delays.
    heat: Option<HeatAsk>,
    heat_turning: Option<(Steady, Option<bool>)>,
}

/// Keep heat out (or let it in) while nobody is in.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct HeatAsk {
    keep_out: bool,
    pose: Pose,
    room_c: f64,
    setpoint_c: f64,
}

impl SunState {
    pub(crate) const fn new() -> Self {
        Self {
            stage: Stage::Off,
            turning: None,
            pose: Pose::RETRACTED,
            slats: SlatsSay::None,
            tracked: None,
            day: None,
            travels: 0,
            tilts: 0,
            capped: false,
            heat: None,
            heat_turning: None,
        }
    }

    /// What was counted before a restart may be stale: it starts over, but the
    /// moves of the day stay counted.
    pub(crate) const fn restart(&mut self) {
        self.stage = Stage::Off;
        self.turning = None;
        self.tracked = None;
        self.heat = None;
        self.heat_turning = None;
    }
}

/// A new local day has its own moves.
pub(crate) fn new_day(state: &mut SunState, date: NaiveDate) {
    let day = date.num_days_from_ce();
    if state.day != Some(day) {
        state.day = Some(day);
        state.travels = 0;
        state.tilts = 0;
        state.capped = false;
    }
}

/// One look at the light. `lit` says whether direct sun falls on the group's
/// opening; the outlook tells the sun of the minutes to come.
pub(crate) fn step(
    state: &mut SunState,
    group: &Group,
    rule: &SunRule,
    light: &FacadeLight,
    lit: bool,
    now: Now,
    outlook: &mut Outlook<'_>,
) {
    let shading = state.stage == Stage::Shading;
    let bright = lit && light.irradiance_wm2 >= rule.on_wm2;
    let dim = !lit || light.irradiance_wm2 <= rule.off_wm2;
    let turns = if shading { dim } else { bright };
    if turns {
        let since = *state.turning.get_or_insert(now.steady);
        let delay = if shading {
            rule.off_delay_ms
        } else {
            rule.on_delay_ms
        };
        if now.steady.0 - since.0 >= delay {
            state.turning = None;
            if shading {
                let_go(state, group, rule, now)
            } else {
                shade(state, rule)
            }
        }
    } else {
        state.turning = None;
    }
    if let Stage::Opened(retract) = state.stage
        && retract <= now.steady
    {
        state.stage = Stage::Off;
        state.travels = state.travels.saturating_add(1);
    }
    if state.stage == Stage::Shading {
        track(state, group, rule, now, outlook);
    }
}

/// Begins to shade, if the day's travels allow the way out and back.
fn shade(state: &mut SunState, rule: &SunRule) {
    if state.stage == Stage::Off {
        let DailyCap { travels, .. } = rule.cap;
        if state.travels.saturating_add(2) > travels {
            state.capped = true;
            return;
        }
        state.travels = state.travels.saturating_add(1);
    }
    state.stage = Stage::Shading;
    state.tracked = None;
}

/// Lets go: slats first, or at once where there are none.
fn let_go(state: &mut SunState, group: &Group, rule: &SunRule, now: Now) {
    if group.kind == Kind::SlatBlind && rule.retract_delay_ms > 0 {
        if state.pose.tilt_deg != Some(0) {
            state.tilts = state.tilts.saturating_add(1);
        }
        state.pose = Pose::slats(state.pose.extension_pct, 0);
        state.stage = Stage::Opened(now.steady.plus(rule.retract_delay_ms));
    } else {
        state.stage = Stage::Off;
        state.travels = state.travels.saturating_add(1);
    }
}

/// Works out the pose for the interval to come, not more often than the least interval.
fn track(state: &mut SunState, group: &Group, rule: &SunRule, now: Now, outlook: &mut Outlook<'_>) {
    let first = state.tracked.is_none();
    if state
        .tracked
        .is_some_and(|at| now.steady.0 - at.0 < rule.least_interval_ms)
    {
        return;
    }
    state.tracked = Some(now.steady);
    let minutes = rule.least_interval_ms / MINUTE;
    match rule.aim {
        SunAim::Fixed(pose) => state.pose = pose,
        SunAim::TrackSlats => {
            let alike = outlook.alike;
            track_slats(state, group, rule, first, (outlook.over(minutes), alike));
        }
        SunAim::Depth { section, depth_m } => {
            let (plane, alike) = (outlook.plane, outlook.alike);
            let ahead = outlook.over(minutes);
            // What an overhang shades already needs no curtain.
            let wanted = ahead.most(alike, |profile, sun| {
                let shaded_m = group.obstructions.shadow_from_head(&plane, sun);
                section.extension_for_depth(profile, shaded_m, depth_m)
            });
            extend(state, rule, first, wanted);
        }
        SunAim::Terrace {
            awning,
            depth_m,
            plane_m,
        } => {
            let alike = outlook.alike;
            let wanted = outlook.over(minutes).most(alike, |profile, _| {
                let reach = awning.extension_for_terrace(profile, depth_m, plane_m);
                reach.extension
            });
            extend(state, rule, first, wanted);
        }
    }
}

fn track_slats(
    state: &mut SunState,
    group: &Group,
    rule: &SunRule,
    first: bool,
    (ahead, alike): (&mut Span, usize),
) {
    let Some(slats) = group.slats else {
        state.pose = Pose::EXTENDED;
        return;
    };
    let cutoff = ahead.cutoff(alike, &slats);
    let (tilt, say) = match cutoff {
        Cutoff::NoDirectSun | Cutoff::HorizontalSuffices => (0, SlatsSay::Horizontal),
        Cutoff::Angle(deg) => {
            let stepped = up_to_step(deg, rule.least_step);
            // Where steeper is not always tighter, the next step may leak: then the degree itself.
            let blocks = !ahead.leaks(alike, &slats, stepped)
                && f64::from(stepped) <= slats.tilt_limits_deg().1;
            let tilt = if blocks { stepped } else { up_to_step(deg, 1) };
            (tilt, SlatsSay::CutOff(deg))
        }
        Cutoff::NotBlockable { tilt_deg, leak } => (nearest(tilt_deg), SlatsSay::Leak(leak)),
    };
    state.slats = say;
    let old = state.pose.tilt_deg.unwrap_or(0);
    if first {
        state.pose = Pose::slats(100, tilt);
        return;
    }
    if tilt == old || ((tilt - old).abs() < rule.least_step && !ahead.leaks(alike, &slats, old)) {
        return;
    }
    // The last step of the day is kept for opening the slats.
    if state.tilts.saturating_add(2) > rule.cap.tilts {
        state.capped = true;
        return;
    }
    state.tilts = state.tilts.saturating_add(1);
    state.pose = Pose::slats(100, tilt);
}

fn extend(state: &mut SunState, rule: &SunRule, first: bool, wanted: f64) {
    let step = rule.least_step.clamp(1, 100);
    let pct = up_to_step(wanted.clamp(0.0, 1.0) * 100.0, step).clamp(0, 100);
    let pct = u8::try_from(pct).unwrap_or(100);
    if first {
        state.pose = Pose::extension(pct);
        return;
    }
    if pct == state.pose.extension_pct {
        return;
    }
    if state.travels.saturating_add(2) > rule.cap.travels {
        state.capped = true;
        return;
    }
    state.travels = state.travels.saturating_add(1);
    state.pose = Pose::extension(pct);
}

/// The multiple of `step` at or above `value` (with a hair of tolerance, so that
/// 45.0000001 is not 50).
fn up_to_step(value: f64, step: i16) -> i16 {
    let step = step.max(1);
    let steps = (value / f64::from(step) - 1e-6).ceil();
    nearest(steps * f64::from(step))
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "clamped to the range of i16 first"
)]
fn nearest(value: f64) -> i16 {
    value.round().clamp(-32_000.0, 32_000.0) as i16
}

/// When the wish has to be looked at again without any new light.
pub(crate) fn due(state: &SunState, rule: &SunRule) -> Option<Steady> {
    let shading = state.stage == Stage::Shading;
    let delay = if shading {
        rule.off_delay_ms
    } else {
        rule.on_delay_ms
    };
    let turn = state.turning.map(|since| since.plus(delay));
    let other = match state.stage {
        Stage::Off => None,
        Stage::Shading => match rule.aim {
            SunAim::Fixed(_) => None,
            SunAim::TrackSlats | SunAim::Depth { .. } | SunAim::Terrace { .. } => {
                state.tracked.map(|at| at.plus(rule.least_interval_ms))
            }
        },
        Stage::Opened(retract) => Some(retract),
    };
    let heat = state.heat_turning.map(|(since, _)| {
        let delay = if state.heat.is_none() {
            rule.on_delay_ms
        } else {
            rule.off_delay_ms
        };
        since.plus(delay)
    });
    earlier(turn, earlier(other, heat))
}

/// What the wish asks for, and why.
///
/// While nobody is in, heat speaks in place of glare.
pub(crate) fn ask(
    state: &SunState,
    rule: &SunRule,
    light: &FacadeLight,
    (plane, sun): (&Plane, &Sun),
) -> Option<(Pose, Because)> {
    if let Some(heat) = state.heat {
        let because = Because::Heat {
            keep_out: heat.keep_out,
            room_c: heat.room_c,
            setpoint_c: heat.setpoint_c,
            irradiance_wm2: light.irradiance_wm2,
        };
        return Some((heat.pose, because));
    }
    match state.stage {
        Stage::Off => None,
        Stage::Shading => Some((
            state.pose,
            Because::SunShading {
                light: light.source,
                irradiance_wm2: light.irradiance_wm2,
                on_wm2: rule.on_wm2,
                incidence_deg: acos(plane.cos_incidence(sun).clamp(-1.0, 1.0)).to_degrees(),
                profile_deg: plane.profile_angle_deg(sun),
                slats: state.slats,
            },
        )),
        Stage::Opened(_) => Some((
            state.pose,
            Because::SunOpened {
                irradiance_wm2: light.irradiance_wm2,
                off_wm2: rule.off_wm2,
            },
        )),
    }
}

/// The pose that the wish asks for and for what sort of reason: what has to
/// change before a decision can.
pub(crate) fn asks(state: &SunState) -> Option<(Pose, u8)> {
    match (&state.heat, state.stage) {
        (Some(heat), _) => Some((heat.pose, 0)),
        (None, Stage::Off) => None,
        (None, Stage::Shading) => Some((state.pose, 1)),
        (None, Stage::Opened(_)) => Some((state.pose, 2)),
    }
}

/// What heat asks for at this moment, while nobody is in.
pub(crate) fn heat(
    rule: &HeatRule,
    light: &FacadeLight,
    room_c: Option<f64>,
    outdoor_c: Option<f64>,
) -> Option<HeatAsk> {
    let room_c = room_c?;
    if !light.sunlit || light.irradiance_wm2 < rule.from_wm2 {
        return None;
    }
    let ask = |keep_out, pose| HeatAsk {
        keep_out,
        pose,
        room_c,
        setpoint_c: rule.setpoint_c,
    };
    if room_c >= rule.setpoint_c + rule.band_k {
        return Some(ask(true, rule.keep_out));
    }
    // Free heat is welcome only where the outdoors does not bring it anyway.
    let cool_outside = outdoor_c.is_none_or(|t| t < rule.setpoint_c);
    (room_c <= rule.setpoint_c - rule.band_k && cool_outside).then(|| ask(false, rule.let_in))
}

/// Steadies what heat asks for: a change has to last for the on-delay (to begin)
/// or the off-delay (to end or to turn), and the day's travels allow it.
pub(crate) fn step_heat(state: &mut SunState, rule: &SunRule, ask: Option<HeatAsk>, now: Now) {
    let wanted = ask.map(|a| a.keep_out);
    if wanted == state.heat.map(|a| a.keep_out) {
        state.heat_turning = None;
        return;
    }
    let since = match state.heat_turning {
        Some((since, toward)) if toward == wanted => since,
        _ => now.steady,
    };
    state.heat_turning = Some((since, wanted));
    let delay = if state.heat.is_none() {
        rule.on_delay_ms
    } else {
        rule.off_delay_ms
    };
    if now.steady.0 - since.0 < delay {
        return;
    }
    state.heat_turning = None;
    if ask.is_some() && state.travels.saturating_add(2) > rule.cap.travels {
        state.capped = true;
        return;
    }
    state.travels = state.travels.saturating_add(1);
    state.heat = ask;
}
