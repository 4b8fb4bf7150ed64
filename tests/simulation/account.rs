//! What each sensor has said, and whether it is to be believed, reckoned apart
//! from the core.

use crate::truth::Truth;
use leeside_core::ids::{GatewayId, SensorId};
use leeside_core::input::{Part, Reading, Sample};
use leeside_core::model::{Model, SensorKind};
use leeside_core::time::Now;

#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) enum Standing {
    Unheard,
    Good,
    /// Not believed; good readings since, if any.
    Bad {
        since: Option<i64>,
        must_change: bool,
    },
}

#[derive(Clone, Debug)]
pub(crate) struct Account {
    pub(crate) standing: Standing,
    /// When the last thing it said was measured (or listening began).
    pub(crate) measured: i64,
    pub(crate) last_at: Option<i64>,
    /// What it said last, also before a restart or a silence.
    pub(crate) said: Option<(Option<f64>, Option<f64>)>,
    /// Main value (mean of the wind) and when it was measured, by the wall.
    pub(crate) value: Option<(f64, i64)>,
    pub(crate) gust: Option<f64>,
    pub(crate) direction: Option<f64>,
    pub(crate) changed: i64,
    /// No wind at all since.
    pub(crate) zero_from: Option<i64>,
    pub(crate) left_out: Option<(Option<SensorId>, i64)>,
}

/// What a guard gets from a sensor.
pub(crate) enum Says<'a> {
    Good(&'a Account),
    Bad,
    Unheard,
    LeftOut,
}

impl Truth {
    pub(crate) fn gateway(&mut self, model: &Model, present: bool) {
        if self.gateway_lost != present {
            return;
        }
        self.gateway_lost = !present;
        if present {
            return;
        }
        let through = |gateway: Option<GatewayId>| gateway.is_some();
        for (account, sensor) in self.accounts.iter_mut().zip(&model.sensors) {
            if through(sensor.gateway) {
                account.direction = None;
                account.standing = Standing::Bad {
                    since: None,
                    must_change: false,
                };
            }
        }
        for (state, contact) in self.contacts.iter_mut().zip(&model.contacts) {
            if through(contact.gateway) {
                state.heard = false;
                state.latched = i64::MIN;
            }
        }
    }

    pub(crate) fn restart(&mut self, now: Now) {
        for account in &mut self.accounts {
            if account.standing == Standing::Good {
                account.standing = Standing::Unheard;
            } else if let Standing::Bad { since, .. } = &mut account.standing {
                *since = None;
            }
            account.measured = now.steady.0;
            account.last_at = account.last_at.filter(|at| *at <= now.wall.0);
            account.value = None;
            account.gust = None;
            account.direction = None;
            account.changed = now.steady.0;
            account.zero_from = None;
        }
        for contact in &mut self.contacts {
            contact.heard = false;
            contact.latched = i64::MIN;
        }
        for group in &mut self.groups {
            for guard in &mut group.guards {
                guard.calm_from = None;
                guard.over_from = None;
                guard.heard = false;
            }
            group.known = false;
            group.known_from = None;
        }
    }

    /// Silence and stuck values that have come true before `now`.
    pub(crate) fn lapse(&mut self, model: &Model, now: Now) {
        let blows: Vec<f64> = self.accounts.iter().map(Account::blows).collect();
        for (account, sensor) in self.accounts.iter_mut().zip(&model.sensors) {
            let rule = &sensor.validity;
            if account
                .left_out
                .is_some_and(|(_, until)| until < now.wall.0)
            {
                account.left_out = None;
            }
            let bad = |must_change| Standing::Bad {
                since: None,
                must_change,
            };
            if account.measured + rule.silence_ms < now.steady.0 {
                account.standing = bad(false);
                // A direction of before the silence is none.
                account.direction = None;
            } else if let (Some(stuck), true) = (rule.stuck_ms, account.value.is_some())
                && account.changed + stuck < now.steady.0
            {
                account.standing = bad(true);
            } else if let (Some(zero), Some(from)) = (rule.zero, account.zero_from)
                && from + zero.for_ms < now.steady.0
                && blows[zero.neighbour.index()] >= zero.neighbour_mps
            {
                account.standing = bad(true);
            }
        }
    }

    pub(crate) fn reading(&mut self, model: &Model, now: Now, reading: &Reading) {
        let sensor = model.sensor(reading.sensor);
        if sensor.gateway.is_some() && self.gateway_lost {
            return;
        }
        let rule = &sensor.validity;
        let account = &mut self.accounts[reading.sensor.index()];
        let (at, wall) = (reading.at.0, now.wall.0);
        let copy = account.last_at == Some(at) && account.standing != Standing::Unheard;
        if at > wall + 5_000 || wall - at > rule.silence_ms || copy || account.last_at > Some(at) {
            return;
        }
        let part = |part: Part| part.value();
        let (value, gust, direction) = match reading.sample {
            Sample::Value(v) => (Some(v), None, None),
            Sample::Wind {
                gust,
                mean,
                direction,
            } => (part(mean), part(gust), part(direction)),
        };
        let said = || value.iter().chain(&gust);
        if said().any(|v| !v.is_finite()) {
            return;
        }
        account.measured = account.measured.max(now.steady.0 - (wall - at).max(0));
        let outside = said().any(|v| *v < rule.min || *v > rule.max);
        let rate = rule.max_rate_per_s.zip(account.value).zip(value);
        let seconds =
            |ms: i64| f64::from(i32::try_from(ms.max(1_000)).unwrap_or(i32::MAX)) / 1000.0;
        let too_fast = rate.is_some_and(|((limit, (old, since)), new)| {
            (new - old).abs() > limit * seconds(at - since)
        });
        account.last_at = Some(at);
        let still = is_wind(model, reading.sensor) && said().all(|v| *v <= 0.0);
        let calm = still && !outside && !too_fast;
        account.zero_from = calm.then(|| account.zero_from.unwrap_or(now.steady.0));
        if outside || too_fast {
            account.standing = Standing::Bad {
                since: None,
                must_change: false,
            };
            return;
        }
        let changed = account.said != Some((value, gust));
        if changed {
            account.changed = now.steady.0;
        }
        account.said = Some((value, gust));
        account.value = value.map(|v| (v, at));
        account.gust = gust;
        account.direction = direction.or(account.direction);
        let stuck = rule
            .stuck_ms
            .is_some_and(|ms| account.changed + ms <= now.steady.0);
        account.standing = match account.standing {
            Standing::Bad { .. } if stuck => Standing::Bad {
                since: None,
                must_change: true,
            },
            Standing::Unheard | Standing::Good => Standing::Good,
            Standing::Bad {
                since: None,
                must_change: true,
            } if !changed => account.standing,
            Standing::Bad { since, must_change } => {
                let since = since.unwrap_or(now.steady.0);
                if now.steady.0 - since >= rule.recover_ms {
                    Standing::Good
                } else {
                    Standing::Bad {
                        since: Some(since),
                        must_change,
                    }
                }
            }
        };
    }

    pub(crate) fn says(&self, sensor: SensorId) -> Says<'_> {
        let account = &self.accounts[sensor.index()];
        let account = match account.left_out {
            Some((Some(other), _)) => &self.accounts[other.index()],
            Some((None, _)) => return Says::LeftOut,
            None => account,
        };
        match account.standing {
            Standing::Good => Says::Good(account),
            Standing::Bad { .. } => Says::Bad,
            Standing::Unheard => Says::Unheard,
        }
    }

    /// Whether a sensor is known to be at fault, for somebody to bypass it.
    pub(crate) fn is_bad(&self, sensor: SensorId) -> bool {
        matches!(self.accounts[sensor.index()].standing, Standing::Bad { .. })
    }
}

impl Account {
    /// The wind that it tells of, m/s, where it is believed.
    fn blows(&self) -> f64 {
        let speeds = self.gust.into_iter().chain(self.value.map(|v| v.0));
        if self.standing == Standing::Good {
            speeds.fold(f64::NEG_INFINITY, f64::max)
        } else {
            f64::NEG_INFINITY
        }
    }
}

/// Whether a sensor speaks of the wind.
pub(crate) fn is_wind(model: &Model, sensor: SensorId) -> bool {
    model.sensor(sensor).kind == SensorKind::Wind
}
