//! Outside check: sunlit and shaded minutes a day on four facades over a typical
//! year, against what pvlib 0.16.1 and a page of Python make of the same EPW file
//! (`tests/outside_shade/recompute.py`, its table beside it).
#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use chrono_tz::Tz;
use leeside_core::ids::{FacadeId, SensorId, TimetableId};
use leeside_core::model::{
    Anchor, DailyCap, DayPlan, Facade, Model, Phase, SensorKind, SunAim, Timetable,
};
use leeside_core::output::Command;
use leeside_core::pose::Pose;
use leeside_core::time::{MINUTE, Wall};
use leeside_dryrun::html::HtmlReport;
use leeside_dryrun::replay::{Feed, LEAD_IN_MS, Occupancy, PlantKind, Setting, Sink, Sky, replay};
use leeside_dryrun::report::Head;
use leeside_dryrun::weather::read;
use leeside_solar::shade::Opening;
use leeside_solar::{Atmosphere, Location, Plane};
use std::io;
use std::ops::ControlFlow;
use std::sync::Arc;

const DAYS: usize = 365;
const DAY: i64 = 86_400_000;
const FACADES: [(&str, f64); 4] = [
    ("north", 0.0),
    ("east", 90.0),
    ("south", 180.0),
    ("west", 270.0),
];

/// Four facades with a screen each, that go down for the sun and for nothing else.
fn model() -> Model {
    let mut model = Model::clone(&example::site().model);
    let pattern = model
        .group(model.group_named("yard offices").unwrap())
        .clone();
    let light = model
        .sensor(model.sensor_named("light yard").unwrap())
        .clone();
    model.site.zone = Tz::UTC;
    model.site.location = Location::new(45.0, 8.0, 250.0).unwrap();
    model.site.atmosphere = Atmosphere::new(980.0, 12.0).unwrap();
    model.site.albedo = 0.2;
    model.specials.clear();
    model.arrangements.clear();
    model.contacts.clear();
    let phase = Phase {
        name: "always".to_owned(),
        start: Anchor::Time(0),
        pose: Pose::RETRACTED,
        sun: true,
        jitter_min: 0,
        jitter_seed: 0,
    };
    let mut plans = model.timetables[0].plans.clone();
    plans
        .iter_mut()
        .for_each(|plan: &mut DayPlan| plan.phases = vec![phase.clone()]);
    model.timetables = vec![Timetable {
        name: "always".to_owned(),
        plans,
    }];
    for device in &mut model.devices {
        device.doors.clear();
    }
    let devices = pattern.devices.clone();
    model.facades.clear();
    model.groups.clear();
    model.sensors.clear();
    for (index, (name, azimuth)) in FACADES.into_iter().enumerate() {
        let mut sensor = light.clone();
        sensor.name = name.to_owned();
        assert_eq!(sensor.kind, SensorKind::PlaneIrradiance);
        model.sensors.push(sensor);
        model.facades.push(Facade {
            name: name.to_owned(),
            plane: Plane::new(azimuth, 90.0).unwrap(),
            obstructions: Default::default(),
            light: vec![SensorId::of(index)],
        });
        let mut group = pattern.clone();
        group.name = name.to_owned();
        group.facade = FacadeId::of(index);
        group.devices = vec![devices[index]];
        // For the gain: 10 m² of glass behind each.
        let opening = Opening::new(5.0, 2.0).unwrap();
        model.devices[devices[index].index()].opening = Some(opening);
        group.rooms.clear();
        (group.wind, group.hail, group.ice, group.rain, group.fire) =
            (None, None, None, None, None);
        (group.opening, group.quiet) = (None, None);
        group.obstructions = Default::default();
        group.timetable = TimetableId::of(0);
        let rule = group.sun.as_mut().unwrap();
        rule.aim = SunAim::Fixed(Pose::EXTENDED);
        (rule.on_wm2, rule.off_wm2) = (200.0, 100.0);
        (rule.on_delay_ms, rule.off_delay_ms) = (3 * MINUTE, 15 * MINUTE);
        rule.retract_delay_ms = 0;
        rule.cap = DailyCap {
            travels: 10_000,
            tilts: 10_000,
        };
        rule.heat = None;
        model.groups.push(group);
    }
    model
}

/// Shaded milliseconds per facade and day.
struct Shaded {
    from: Wall,
    since: [Option<Wall>; 4],
    ms: [Vec<i64>; 4],
}

impl Shaded {
    fn end(&mut self, facade: usize, at: Wall) {
        let Some(since) = self.since[facade].take() else {
            return;
        };
        let mut begin = since.0 - self.from.0;
        let end = at.0 - self.from.0;
        while begin < end {
            let day = begin.div_euclid(DAY);
            let until = end.min((day + 1) * DAY);
            if let Some(ms) = usize::try_from(day)
                .ok()
                .and_then(|day| self.ms[facade].get_mut(day))
            {
                *ms += until - begin;
            }
            begin = until;
        }
    }
}

impl Sink for Shaded {
    fn movement(&mut self, _model: &Model, command: &Command) -> io::Result<()> {
        let facade = command.group.index();
        if command.pose.extension_pct > 0 {
            self.since[facade].get_or_insert(command.at.wall);
        } else {
            self.end(facade, command.at.wall);
        }
        Ok(())
    }
}

/// A year in EPW weather.
fn year() -> Setting {
    let from = Wall::from_utc("2027-01-01T00:00:00Z".parse().unwrap());
    let to = from.plus(365 * DAY);
    let weather = read(&example::path(
        "tests/weather/pvgis_tmy_45N_8E_2005-2023.epw.gz",
    ))
    .unwrap();
    Setting {
        model: Arc::new(model()),
        sky: Sky::Rows(weather.over(from.plus(-LEAD_IN_MS), to).unwrap()),
        from,
        to,
        step_ms: MINUTE,
        plant: PlantKind::Ideal,
        occupancy: Occupancy::Always,
    }
}

#[test]
fn sunlit_and_shaded_minutes_are_those_of_pvlib() {
    let setting = year();
    let from = setting.from;
    let mut shaded = Shaded {
        from,
        since: [None; 4],
        ms: std::array::from_fn(|_| vec![0; DAYS]),
    };
    replay(&setting, &mut shaded, &mut |_| ControlFlow::Continue(())).unwrap();
    let mut feed = Feed::new(setting.model.clone(), &setting.sky);
    let mut sunlit = [[0_i64; 4]; DAYS];
    for (day, of_day) in (0_i64..).zip(&mut sunlit) {
        for minute in 0..24 * 60 {
            let lit = feed.look(from.plus(day * DAY + minute * MINUTE));
            for (count, lit) in of_day.iter_mut().zip(lit) {
                *count += i64::from(*lit);
            }
        }
    }
    let table = std::fs::read_to_string(example::path("tests/outside_shade/year.csv")).unwrap();
    let rows = table.lines().filter(|line| !line.starts_with('#')).skip(1);
    let (mut compared, mut wrong) = (0, Vec::new());
    for (index, row) in rows.enumerate() {
        let (day, facade) = (index / 4, index % 4);
        let cells: Vec<&str> = row.split(',').collect();
        assert_eq!(cells[1], FACADES[facade].0, "{row}");
        let theirs: [i64; 2] = [cells[2].parse().unwrap(), cells[3].parse().unwrap()];
        let ours = [sunlit[day][facade], shaded.ms[facade][day] / MINUTE];
        if ours
            .iter()
            .zip(theirs)
            .any(|(ours, theirs)| (ours - theirs).abs() > 1)
        {
            wrong.push(format!("{row}: ours {ours:?}"));
        }
        compared += 1;
    }
    assert_eq!(compared, 4 * DAYS);
    assert!(
        wrong.is_empty(),
        "{} of {compared}: {:#?}",
        wrong.len(),
        &wrong[..wrong.len().min(10)]
    );
}

/// Cells of a group's row in the table of light and view.
fn cells_of<'a>(page: &'a str, group: &str) -> Vec<&'a str> {
    let (_, light) = page.split_once("<section id=\"light\">").unwrap();
    let row = format!("<tr><td>{group}</td>");
    let (_, row) = light.split_once(&row).unwrap_or_else(|| panic!("{row}"));
    let (row, _) = row.split_once("</tr>").unwrap();
    let cells = row.split("<td").filter_map(|cell| cell.split_once('>'));
    cells
        .map(|(_, cell)| cell.trim_end_matches("</td>").trim())
        .collect()
}

/// The estimated solar gain of the page, per facade, against pvlib's irradiation of
/// the same year. The page looks every ten minutes, pvlib every minute: within half
/// a per cent of the light, and two where it also counts when the device moves.
#[test]
fn the_gain_of_the_page_is_that_of_pvlib_s_irradiation() {
    let setting = year();
    let head = Head::of(&setting, "0");
    let mut sink = HtmlReport::new(&setting, &head);
    let tally = replay(&setting, &mut sink, &mut |_| ControlFlow::Continue(())).unwrap();
    let page = sink.finish(&tally);
    let table = std::fs::read_to_string(example::path("tests/outside_shade/gain.csv")).unwrap();
    let rows = table.lines().filter(|line| !line.starts_with('#')).skip(1);
    let mut compared = 0;
    for row in rows {
        let theirs: Vec<&str> = row.split(',').collect();
        let ours = cells_of(&page, theirs[0]);
        let number = |cell: &str| -> f64 { cell.replace('\u{202F}', "").parse().unwrap() };
        let last = ours.len() - 1;
        for (column, want, within) in [(last - 1, theirs[3], 0.02), (last, theirs[4], 0.005)] {
            let (got, want) = (number(ours[column]), number(want));
            assert!((got - want).abs() < within * want, "{row}: ours {ours:?}");
        }
        compared += 1;
    }
    assert_eq!(compared, FACADES.len());
}
