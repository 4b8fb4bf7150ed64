//! A trial: limits and thresholds changed in a copy of the model, for a replay only.
//! Nothing that runs is touched, and nothing is written.

use crate::form::{Complaints, Fields};
use crate::words::Words;
use leeside_core::ids::{FacadeId, GroupId};
use leeside_core::model::{Group, Model};
use leeside_core::time::MINUTE;
use std::sync::Arc;

/// Which groups a trial is about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Scope {
    /// All of them.
    House,
    /// Those of a facade.
    Facade(FacadeId),
    /// One.
    Group(GroupId),
}

/// A number that a trial may change.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Knob {
    /// Wind limit, m/s at the group.
    WindLimit,
    /// How long calm has to last before wind releases, min.
    WindHold,
    /// Bright from this irradiance on the facade, W/m².
    SunOn,
    /// No longer bright at this, W/m².
    SunOff,
    /// Bright for so long before shading, min.
    OnDelay,
    /// Dim for so long before slats open, min.
    OffDelay,
}

impl Knob {
    /// All of them, in the order of the form.
    pub const ALL: [Self; 6] = [
        Self::WindLimit,
        Self::WindHold,
        Self::SunOn,
        Self::SunOff,
        Self::OnDelay,
        Self::OffDelay,
    ];

    /// Its name in the form, and its word in the catalogue's `trial`.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::WindLimit => "wind_limit",
            Self::WindHold => "wind_hold",
            Self::SunOn => "sun_on",
            Self::SunOff => "sun_off",
            Self::OnDelay => "on_delay",
            Self::OffDelay => "off_delay",
        }
    }

    /// Its unit.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        match self {
            Self::WindLimit => "m/s",
            Self::SunOn | Self::SunOff => "W/m²",
            Self::WindHold | Self::OnDelay | Self::OffDelay => "min",
        }
    }

    /// From the least to the most that can be tried, as far as a site file may say.
    #[must_use]
    pub const fn range(self) -> (f64, f64) {
        match self {
            Self::WindLimit => (1.0, 60.0),
            Self::WindHold => (0.0, 240.0),
            Self::SunOn | Self::SunOff => (1.0, 1_400.0),
            Self::OnDelay | Self::OffDelay => (0.0, 240.0),
        }
    }

    /// What holds now for a group; `None`: it has no such rule.
    #[must_use]
    pub fn of(self, group: &Group) -> Option<f64> {
        let (wind, sun) = (group.wind.as_ref(), group.sun.as_ref());
        match self {
            Self::WindLimit => wind.map(|rule| rule.limit_mps),
            Self::WindHold => wind.map(|rule| minutes(rule.hold_ms)),
            Self::SunOn => sun.map(|rule| rule.on_wm2),
            Self::SunOff => sun.map(|rule| rule.off_wm2),
            Self::OnDelay => sun.map(|rule| minutes(rule.on_delay_ms)),
            Self::OffDelay => sun.map(|rule| minutes(rule.off_delay_ms)),
        }
    }

    fn set(self, group: &mut Group, value: f64) {
        if let Some(rule) = &mut group.wind {
            match self {
                Self::WindLimit => {
                    rule.limit_mps = value;
                    // What releases stays below what engages.
                    rule.hysteresis_mps = rule.hysteresis_mps.min(value / 2.0);
                }
                Self::WindHold => rule.hold_ms = milliseconds(value),
                Self::SunOn | Self::SunOff | Self::OnDelay | Self::OffDelay => {}
            }
        }
        if let Some(rule) = &mut group.sun {
            match self {
                Self::SunOn => rule.on_wm2 = value,
                Self::SunOff => rule.off_wm2 = value,
                Self::OnDelay => rule.on_delay_ms = milliseconds(value),
                Self::OffDelay => rule.off_delay_ms = milliseconds(value),
                Self::WindLimit | Self::WindHold => {}
            }
        }
    }
}

/// A trial.
#[derive(Clone, PartialEq, Debug)]
pub struct Trial {
    /// Which groups.
    pub scope: Scope,
    /// What is changed, and to what.
    pub changes: Vec<(Knob, f64)>,
}

impl Trial {
    /// Reads it from the form. `None`: nothing is changed, or something is wrong.
    pub(super) fn read(
        words: Words,
        model: &Model,
        fields: &Fields,
        wrong: &mut Complaints,
    ) -> Option<Self> {
        let scope = scope(model, fields.text("scope"));
        if scope.is_none() {
            wrong.at("scope", words.say("trial.no_such_scope"));
        }
        let mut changes = Vec::new();
        for knob in Knob::ALL {
            let Some(text) = fields.some(knob.name()) else {
                continue;
            };
            let (least, most) = knob.range();
            // Those who write a comma mean a point.
            let value = text.replace(',', ".").parse::<f64>().ok();
            match value.filter(|value| (least..=most).contains(value)) {
                Some(value) => changes.push((knob, value)),
                None => {
                    let places: &[(&str, &dyn core::fmt::Display)] = &[
                        ("least", &words.number(least, 0)),
                        ("most", &words.number(most, 0)),
                        ("unit", &knob.unit()),
                    ];
                    wrong.at(knob.name(), words.fill("trial.range", places));
                }
            }
        }
        let trial = Self {
            scope: scope?,
            changes,
        };
        if trial.changes.is_empty() {
            return None;
        }
        let tried = trial.on(model);
        let crossed = trial.groups(model).any(|group| {
            let rule = tried.group(group).sun.as_ref();
            rule.is_some_and(|rule| rule.off_wm2 > rule.on_wm2)
        });
        if crossed {
            wrong.at("sun_off", words.say("trial.crossed"));
        }
        Some(trial).filter(|_| wrong.none())
    }

    /// The groups it is about.
    pub fn groups<'m>(&self, model: &'m Model) -> impl Iterator<Item = GroupId> + use<'m> {
        let scope = self.scope;
        (0..model.groups.len())
            .map(GroupId::of)
            .filter(move |group| match scope {
                Scope::House => true,
                Scope::Facade(facade) => model.group(*group).facade == facade,
                Scope::Group(one) => *group == one,
            })
    }

    /// The model with the trial in it.
    #[must_use]
    pub fn on(&self, model: &Model) -> Arc<Model> {
        let mut tried = model.clone();
        for group in self.groups(model) {
            for (knob, value) in &self.changes {
                knob.set(&mut tried.groups[group.index()], *value);
            }
        }
        Arc::new(tried)
    }

    /// Groups whose wind limit it raises above the one in force: what the maker
    /// allows is not ours to try on a real device.
    #[must_use]
    pub fn raises_wind(&self, model: &Model) -> bool {
        let raised = |limit: f64| {
            self.groups(model).any(|group| {
                let rule = model.group(group).wind.as_ref();
                rule.is_some_and(|rule| limit > rule.limit_mps)
            })
        };
        self.changes
            .iter()
            .any(|(knob, value)| *knob == Knob::WindLimit && raised(*value))
    }
}

/// `house`, `facade:NAME`, `group:NAME`.
fn scope(model: &Model, text: &str) -> Option<Scope> {
    match text.split_once(':') {
        None if text.is_empty() || text == "house" => Some(Scope::House),
        None => None,
        Some(("facade", name)) => model.facade_named(name).map(Scope::Facade),
        Some(("group", name)) => model.group_named(name).map(Scope::Group),
        Some(_) => None,
    }
}

#[expect(clippy::cast_precision_loss, reason = "some hours in ms")]
fn minutes(ms: i64) -> f64 {
    ms as f64 / MINUTE as f64
}

#[expect(clippy::cast_possible_truncation, reason = "at most 240 min")]
fn milliseconds(minutes: f64) -> i64 {
    (minutes * 60_000.0).round() as i64
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;
    use crate::pages::example as model;
    use crate::words::Language;

    fn read(query: &str) -> (Option<Trial>, Complaints) {
        let mut wrong = Complaints::default();
        let fields = Fields::encoded(query.as_bytes()).unwrap();
        let trial = Trial::read(Words::of(Language::English), &model(), &fields, &mut wrong);
        (trial, wrong)
    }

    #[test]
    fn a_trial_changes_its_groups_and_no_others() {
        let model = model();
        let (trial, wrong) = read("scope=facade%3Aslip&wind_limit=9%2C5&sun_on=300&off_delay=5");
        assert!(wrong.none(), "{wrong:?}");
        let trial = trial.unwrap();
        let tried = trial.on(&model);
        let slip = model.facade_named("slip").unwrap();
        for (before, after) in model.groups.iter().zip(&tried.groups) {
            let ours = before.facade == slip;
            for knob in Knob::ALL {
                let changed = [
                    (Knob::WindLimit, 9.5),
                    (Knob::SunOn, 300.0),
                    (Knob::OffDelay, 5.0),
                ];
                let change = changed.iter().find(|(changed, _)| ours && *changed == knob);
                let want = knob
                    .of(before)
                    .map(|is| change.map_or(is, |(_, value)| *value));
                assert_eq!(knob.of(after), want, "{} {knob:?}", before.name);
            }
        }
        // The terraces of that facade bear 7 m/s.
        assert!(trial.raises_wind(&model));
    }

    #[test]
    fn what_cannot_be_is_told_at_its_field() {
        let table = [
            ("wind_limit=0.2", "wind_limit"),
            ("wind_limit=calm", "wind_limit"),
            ("sun_on=1e9", "sun_on"),
            ("off_delay=-1", "off_delay"),
            ("sun_on=NaN", "sun_on"),
            ("scope=cellar&sun_on=300", "scope"),
            ("scope=group%3Anobody&sun_on=300", "scope"),
            ("scope=group%3Aslip+offices+1&sun_on=50", "sun_off"),
        ];
        for (query, field) in table {
            let (trial, wrong) = read(query);
            assert!(
                trial.is_none() && wrong.of(field).is_some(),
                "{query}: {wrong:?}"
            );
        }
        let (trial, wrong) = read("wind_limit=&sun_on=");
        assert!(trial.is_none() && wrong.none());
    }
}
