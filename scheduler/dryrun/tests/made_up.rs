//! Made-up storms, and other settings tried on a facade, at the example house.
#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_core::model::Model;
use leeside_core::output::{Command, LockoutChange, Word};
use leeside_core::reason::{Because, Fault};
use leeside_dryrun::replay::{LEAD_IN_MS, Setting, Sink, Sky, Stopped, replay};
use leeside_dryrun::tune::{Sweep, svg, table, tune};
use leeside_dryrun::weather::{WeatherError, read};
use std::io;
use std::ops::ControlFlow;
use std::path::Path;

#[derive(Default)]
struct Lockouts(Vec<LockoutChange>);

impl Sink for Lockouts {
    fn movement(&mut self, _model: &Model, _command: &Command) -> io::Result<()> {
        Ok(())
    }

    fn lockout(&mut self, _model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.0.push(change.clone());
        Ok(())
    }
}

fn storm(more: &str) -> Result<Setting, WeatherError> {
    let site = example::site();
    let mut setting = example::clear(&site, "2027-03-14T00:00", "2027-03-15T00:00");
    let text = format!("storm:at=2027-03-14T10:00-04:00,peak=24,rise=2h,fall=3h,shift=40{more}");
    let weather = read(Path::new(&text))?;
    setting.sky = Sky::Rows(weather.over(setting.from.plus(-LEAD_IN_MS), setting.to)?);
    Ok(setting)
}

fn lockouts(setting: &Setting) -> Vec<LockoutChange> {
    let mut sink = Lockouts::default();
    replay(setting, &mut sink, &mut |_| ControlFlow::Continue(())).unwrap();
    sink.0
}

#[test]
fn a_made_up_storm_locks_every_group_in_wind() {
    let setting = storm("").unwrap();
    let changes = lockouts(&setting);
    for index in 0..setting.model.groups.len() {
        let of_group = changes
            .iter()
            .filter(|c| c.group.index() == index && c.word == Word::Wind);
        let engaged = of_group.clone().find(|c| c.engaged).unwrap();
        assert!(
            matches!(engaged.because, Because::WindAbove { .. }),
            "{engaged:?}"
        );
        assert!(of_group.clone().any(|c| !c.engaged), "never released");
    }
}

#[test]
fn a_sensor_that_fails_in_it_engages_by_silence() {
    let changes = lockouts(&storm(",fail=mast slip@07:14").unwrap());
    let silent = changes.iter().find(|change| {
        matches!(
            change.because,
            Because::SensorUnknown {
                fault: Fault::Silent,
                ..
            }
        )
    });
    let at = silent.unwrap().at.wall.utc().to_rfc3339();
    assert!(at.starts_with("2027-03-14T11:1"), "{at}");
    let refused = replay(
        &storm(",fail=mast nowhere@07:14").unwrap(),
        &mut Lockouts::default(),
        &mut |_| ControlFlow::Continue(()),
    );
    assert!(matches!(refused, Err(Stopped::NoSensor(..))), "{refused:?}");
}

#[test]
fn a_storm_outside_the_span_is_refused_with_when_it_blows() {
    let weather = read(Path::new("storm:at=2028-03-14T10:00Z,peak=24")).unwrap();
    let setting = storm("").unwrap();
    let error = weather
        .over(setting.from, setting.to)
        .unwrap_err()
        .to_string();
    assert!(error.contains("2028-03-14T09:00:00Z"), "{error}");
}

#[test]
fn a_higher_threshold_lets_more_sun_in_and_the_site_stays_as_it_is() {
    let site = example::site();
    let setting = example::typical(&site, "2027-06-01T00:00", "2027-06-08T00:00");
    let facade = site.model.facade_named("harbour").unwrap();
    let sweeps = [Sweep::read("on_wm2=150..450/150").unwrap()];
    let go = |_| ControlFlow::Continue(());
    let tried = tune(&setting, facade, &sweeps, &go).unwrap();
    assert_eq!(tried.len(), 4);
    assert!(tried[1].gave.sun_h < tried[3].gave.sun_h, "{tried:?}");
    assert!(tried[1].gave.view_h <= tried[3].gave.view_h, "{tried:?}");
    assert!(tried.iter().any(|choice| choice.unbeaten));
    // Once more, by whatever number of threads, the same; and a picture of it.
    assert_eq!(tune(&setting, facade, &sweeps, &go).unwrap(), tried);
    assert!(table(&sweeps, &tried).contains("as it stands"));
    // Three panels: the site as it stands and three other choices in each, and the legend.
    let drawn = svg("week", &sweeps, &tried);
    assert_eq!(drawn.matches("<path class=\"stands\"").count(), 3 + 1);
    assert_eq!(drawn.matches("<circle").count(), 3 * 3 + 2);
}
