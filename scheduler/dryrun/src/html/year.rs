//! What a year's page is drawn from: the building looked at every ten minutes,
//! and every movement and lockout.

use super::storm::{Locked, Storms};
use crate::replay::{Feed, Setting, Sink};
use chrono::{NaiveDate, Timelike};
use leeside_core::Core;
use leeside_core::engine::Explanation;
use leeside_core::ids::GroupId;
use leeside_core::model::{Group, Kind, Model};
use leeside_core::output::{Command, Course, LockoutChange, Word};
use leeside_core::pose::Pose;
use leeside_core::time::{HOUR, MINUTE, Wall};
use leeside_solar::Sun;
use leeside_solar::light::Sky as Light;
use std::io;

/// From look to look, ms. Each is in the middle of the time for which it counts:
/// hours of the data and the sun of another time would make mornings too bright.
pub(super) const EVERY_MS: i64 = 10 * MINUTE;
/// Looks a day, from midnight on.
pub const LOOKS_A_DAY: usize = 144;
/// Rows of a carpet.
pub(super) const ROWS: usize = LOOKS_A_DAY;
/// Direct sun is what is at least so strong at right angles, W/m² (sunshine as
/// the Guide to Instruments, WMO-No. 8, defines it).
pub(super) const SUNSHINE_WM2: f64 = 120.0;
/// A cell of a carpet that nobody looked at.
pub(super) const UNSEEN: u8 = u8::MAX;
/// A cell of the tilt carpet without extended slats.
pub(super) const NO_TILT: i16 = i16::MIN;

/// Everything gathered.
pub(super) struct Year<'a> {
    feed: Feed<'a>,
    at: Wall,
    to: Wall,
    /// The begin of the span has been seen.
    begun: bool,
    pub(super) first: NaiveDate,
    pub(super) days: usize,
    pub(super) facades: Vec<FacadeYear>,
    /// All facades taken together.
    pub(super) house: FacadeYear,
    pub(super) groups: Vec<GroupYear>,
    pub(super) devices: Vec<Worn>,
    pub(super) storms: Storms,
    /// Looks at which the data said nothing of the light, and looks in all.
    pub(super) dark_looks: u32,
    pub(super) looks: u32,
}

/// What the carpets of a span are woven of.
#[derive(Clone, Debug)]
pub struct Carpets {
    /// The first day.
    pub first: NaiveDate,
    /// How many days.
    pub days: usize,
    /// All facades taken together.
    pub house: Carpet,
    /// Each facade, in the order of the site file.
    pub facades: Vec<Carpet>,
}

/// A facade over a span: day by day, [`LOOKS_A_DAY`] looks each from local midnight
/// on. `None`: nobody looked.
#[derive(Clone, Debug)]
pub struct Carpet {
    /// Mean extension of its devices, per cent.
    pub extension: Vec<Option<u8>>,
    /// Mean tilt of its extended slats, degrees; `None` also where none is extended.
    pub tilt: Vec<Option<i16>>,
    /// What decided for most of its devices.
    pub word: Vec<Option<Word>>,
}

impl Carpet {
    fn of(facade: &FacadeYear) -> Self {
        let seen = |cell: &u8| Some(*cell).filter(|cell| *cell != UNSEEN);
        Self {
            extension: facade.extension.iter().map(seen).collect(),
            tilt: facade
                .tilt
                .iter()
                .map(|cell| Some(*cell).filter(|cell| *cell != NO_TILT))
                .collect(),
            word: facade
                .word
                .iter()
                .map(|cell| Word::ALL.get(usize::from(*cell)).copied())
                .collect(),
        }
    }
}

/// A facade's carpets, day by day, each from midnight on.
pub(super) struct FacadeYear {
    /// Mean extension of its devices, per cent.
    pub(super) extension: Vec<u8>,
    /// Mean tilt of its extended slats, degrees.
    pub(super) tilt: Vec<i16>,
    /// What decided for most of its devices, as a place in [`Word::ALL`].
    pub(super) word: Vec<u8>,
}

impl FacadeYear {
    fn unseen(days: usize) -> Self {
        Self {
            extension: vec![UNSEEN; days * ROWS],
            tilt: vec![NO_TILT; days * ROWS],
            word: vec![UNSEEN; days * ROWS],
        }
    }
}

/// What the light did at one group, hours.
#[derive(Clone, Debug, Default)]
pub(super) struct GroupYear {
    /// The sun was up.
    pub(super) day_h: f64,
    /// Direct sun fell on the opening (weighed with the share of it that was lit).
    pub(super) sun_h: f64,
    /// Of that, what came through.
    pub(super) let_in_h: f64,
    /// Of the day, what of the opening could be looked through.
    pub(super) view_h: f64,
    /// Direct sun, and the sun wish asked to shade, but wind decided.
    pub(super) lost_wind_h: f64,
    /// The same for rain, ice and hail.
    pub(super) lost_other_h: f64,
    /// Irradiation of the opening where nothing was before it, kWh/m².
    pub(super) open_kwh: f64,
    /// Irradiation of what was before it, kWh/m².
    pub(super) shaded_kwh: f64,
}

/// What a device did.
#[derive(Clone, Debug, Default)]
pub(super) struct Worn {
    at: Option<Pose>,
    /// Way travelled, per cent of the whole way.
    pub(super) way_pct: u64,
    /// Starts.
    pub(super) starts: u32,
    /// Starts that only tilted.
    pub(super) tilts: u32,
}

impl<'a> Year<'a> {
    pub(super) fn new(setting: &'a Setting) -> Self {
        let model = &setting.model;
        let date = |at: Wall| at.local_date(model.site.zone);
        let first = date(setting.from);
        let days = date(setting.to.plus(-1))
            .signed_duration_since(first)
            .num_days();
        let days = usize::try_from(days).unwrap_or(0) + 1;
        Self {
            feed: Feed::new(model.clone(), &setting.sky),
            at: setting.from,
            to: setting.to,
            begun: false,
            first,
            days,
            facades: model
                .facades
                .iter()
                .map(|_| FacadeYear::unseen(days))
                .collect(),
            house: FacadeYear::unseen(days),
            groups: vec![GroupYear::default(); model.groups.len()],
            devices: vec![Worn::default(); model.devices.len()],
            storms: Storms::new(setting),
            dark_looks: 0,
            looks: 0,
        }
    }

    /// What was gathered for carpets.
    pub(super) fn carpets(&self) -> Carpets {
        Carpets {
            first: self.first,
            days: self.days,
            house: Carpet::of(&self.house),
            facades: self.facades.iter().map(Carpet::of).collect(),
        }
    }

    /// Where a moment stands in the carpets.
    fn cell(&self, model: &Model, at: Wall) -> Option<usize> {
        let local = at.utc().with_timezone(&model.site.zone);
        let day = local
            .date_naive()
            .signed_duration_since(self.first)
            .num_days();
        let day = usize::try_from(day).ok().filter(|day| *day < self.days)?;
        let minute = local.hour() * 60 + local.minute();
        let row = usize::try_from(i64::from(minute) * MINUTE / EVERY_MS).ok()?;
        Some(day * ROWS + row.min(ROWS - 1))
    }
}

/// The middle of the ten minutes in which a moment lies.
const fn middle(at: Wall) -> Wall {
    Wall(at.0.div_euclid(EVERY_MS) * EVERY_MS + EVERY_MS / 2)
}

impl Sink for Year<'_> {
    fn movement(&mut self, model: &Model, command: &Command) -> io::Result<()> {
        for order in &command.orders {
            let Some(pose) = order.pose else { continue };
            let worn = &mut self.devices[order.device.index()];
            let before = worn.at.replace(pose).unwrap_or(Pose::RETRACTED);
            let way = before.extension_pct.abs_diff(pose.extension_pct);
            worn.way_pct += u64::from(way);
            worn.starts += 1;
            worn.tilts += u32::from(way == 0 && before.tilt_deg != pose.tilt_deg);
        }
        self.storms.movement(model, command);
        Ok(())
    }

    fn lockout(&mut self, _model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.storms.lockout(change);
        Ok(())
    }

    fn look_at(&self) -> Option<Wall> {
        (self.at < self.to).then_some(self.at)
    }

    fn look(&mut self, core: &Core, at: Wall) -> io::Result<()> {
        if !std::mem::replace(&mut self.begun, true) {
            self.storms.engaged_before(core);
            self.at = middle(at).max(at.plus(1));
            return Ok(());
        }
        self.at = middle(at.plus(EVERY_MS));
        let model = core.model().clone();
        self.feed.look(at);
        let (sun, light) = self.feed.light_of(at);
        self.looks += 1;
        self.dark_looks += u32::from(light.is_none());
        let cell = self.cell(&model, at);
        let mut facades: Vec<Seen> = vec![Seen::default(); model.facades.len()];
        for (index, group) in model.groups.iter().enumerate() {
            let now = core.explain(GroupId::of(index));
            let stood = Stood::of(core, group);
            facades[group.facade.index()].add(group, &stood, now.verdict.decided_by);
            if sun.is_up() {
                self.groups[index].look(&model, group, &stood, &now, &sun, light.as_ref());
            }
        }
        let Some(cell) = cell else { return Ok(()) };
        let mut house = Seen::default();
        for (facade, seen) in self.facades.iter_mut().zip(&facades) {
            seen.draw(facade, cell);
            house.join(seen);
        }
        house.draw(&mut self.house, cell);
        Ok(())
    }
}

/// How the devices of a group stood.
pub(super) struct Stood {
    /// Mean extension, 0..1.
    pub(super) share: f64,
    /// Tilt of the first extended device with slats, degrees.
    pub(super) tilt: Option<i16>,
}

impl Stood {
    fn of(core: &Core, group: &Group) -> Self {
        let (mut sum, mut tilt) = (0_u32, None);
        for device in &group.devices {
            let Some(pose) = core.pose(*device) else {
                continue;
            };
            sum += u32::from(pose.extension_pct);
            if pose.extension_pct > 0 {
                tilt = tilt.or(pose.tilt_deg);
            }
        }
        let devices = u32::try_from(group.devices.len())
            .unwrap_or(u32::MAX)
            .max(1);
        Self {
            share: f64::from(sum) / f64::from(devices) / 100.0,
            tilt,
        }
    }
}

/// What stood on a facade at one look.
#[derive(Clone, Debug, Default)]
struct Seen {
    devices: f64,
    extension: f64,
    slats: f64,
    tilt: f64,
    words: [f64; Word::ALL.len()],
}

impl Seen {
    fn add(&mut self, group: &Group, stood: &Stood, word: Word) {
        let devices = u32::try_from(group.devices.len()).map_or(1.0, f64::from);
        self.devices += devices;
        self.extension += devices * stood.share;
        if let Some(tilt) = stood.tilt {
            self.slats += devices;
            self.tilt += devices * f64::from(tilt);
        }
        if let Some(index) = place(word) {
            self.words[usize::from(index)] += devices;
        }
    }

    fn join(&mut self, other: &Self) {
        self.devices += other.devices;
        self.extension += other.extension;
        self.slats += other.slats;
        self.tilt += other.tilt;
        for (mine, theirs) in self.words.iter_mut().zip(other.words) {
            *mine += theirs;
        }
    }

    fn draw(&self, facade: &mut FacadeYear, cell: usize) {
        if self.devices <= 0.0 {
            return;
        }
        facade.extension[cell] = whole(self.extension / self.devices * 100.0);
        if self.slats > 0.0 {
            let tilt = self.tilt / self.slats;
            facade.tilt[cell] = i16::from(whole(tilt + 90.0)) - 90;
        }
        // Of equals the higher rank.
        let words = (0_u8..).zip(&self.words);
        let most = words.fold((UNSEEN, 0.0), |best, (index, devices)| {
            if *devices > best.1 {
                (index, *devices)
            } else {
                best
            }
        });
        facade.word[cell] = most.0;
    }
}

impl GroupYear {
    fn look(
        &mut self,
        model: &Model,
        group: &Group,
        stood: &Stood,
        now: &Explanation,
        sun: &Sun,
        light: Option<&Light>,
    ) {
        let hours = hours(EVERY_MS);
        let plane = &model.facade(group.facade).plane;
        let lit = lit_share(model, group, sun);
        self.day_h += hours;
        self.view_h += hours * seen_through(group, stood, 0.0);
        let Some(light) = light else { return };
        let on_plane = light.on_plane(plane, sun).total_with_lit_share(lit);
        self.open_kwh += on_plane * (1.0 - stood.share) * hours / 1_000.0;
        self.shaded_kwh += on_plane * stood.share * hours / 1_000.0;
        if lit <= 0.0 || light.components().dni < SUNSHINE_WM2 {
            return;
        }
        let profile = plane.profile_angle_deg(sun);
        self.sun_h += hours * lit;
        self.let_in_h += hours * lit * seen_through(group, stood, profile);
        let verdict = &now.verdict;
        let asked = verdict.lost.iter().any(|lost| {
            lost.word == Word::Sun && lost.pose.is_some_and(|pose| pose.extension_pct > 0)
        });
        let kept = verdict.course == Course::Hold && stood.share > 0.0;
        match verdict.decided_by {
            Word::Wind if asked && !kept => self.lost_wind_h += hours * lit,
            Word::Hail | Word::Ice | Word::Rain if asked && !kept => {
                self.lost_other_h += hours * lit
            }
            Word::Service
            | Word::Fire
            | Word::Wind
            | Word::Hail
            | Word::Ice
            | Word::Rain
            | Word::Door
            | Word::Drive
            | Word::Hand
            | Word::Sun
            | Word::Timetable
            | Word::Rest => {}
        }
    }

    /// Direct sun kept out, hours.
    pub(super) fn kept_out_h(&self) -> f64 {
        self.sun_h - self.let_in_h
    }
}

/// Share of the group's opening that direct sun falls on; of its facade where it
/// has none.
fn lit_share(model: &Model, group: &Group, sun: &Sun) -> f64 {
    let plane = &model.facade(group.facade).plane;
    match &group.opening {
        Some(opening) => group.obstructions.lit_share(plane, sun, opening),
        None if !plane.sunlit(sun) || group.obstructions.hidden_by_horizon(sun) => 0.0,
        None => 1.0,
    }
}

/// Share of the opening through which a line at that profile angle passes.
/// Cloth and curtain let nothing through; an awning does not stand before it.
fn seen_through(group: &Group, stood: &Stood, profile_deg: f64) -> f64 {
    let through = match (group.kind, &group.slats, stood.tilt) {
        (Kind::Awning, _, _) => 1.0,
        (Kind::SlatBlind, Some(slats), Some(tilt)) => {
            slats.transmittance(profile_deg, f64::from(tilt))
        }
        (Kind::SlatBlind | Kind::RollerShutter | Kind::Screen, _, _) => 0.0,
    };
    1.0 - stood.share + stood.share * through
}

/// The place of a word in the order of precedence.
pub(super) fn place(word: Word) -> Option<u8> {
    (0_u8..)
        .zip(Word::ALL)
        .find(|(_, other)| *other == word)
        .map(|(index, _)| index)
}

/// The nearest whole number from 0 to 254.
fn whole(value: f64) -> u8 {
    (0..u8::MAX)
        .find(|whole| value < f64::from(*whole) + 0.5)
        .unwrap_or(u8::MAX - 1)
}

/// Milliseconds as hours.
#[expect(
    clippy::cast_precision_loss,
    reason = "a century is 3e12 ms, far below 2^53"
)]
pub(super) fn hours(ms: i64) -> f64 {
    ms as f64 / HOUR as f64
}

impl Locked {
    /// How long, hours.
    pub(super) fn hours(&self) -> f64 {
        hours(self.to.0 - self.from.0)
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    #[test]
    fn means_are_rounded_into_their_cells() {
        let table = [(-3.0, 0), (0.4, 0), (0.5, 1), (99.6, 100), (1e9, 254)];
        for (value, want) in table {
            assert_eq!(whole(value), want, "{value}");
        }
    }

    fn group(kind: Kind, slats: Option<leeside_solar::Slats>) -> Group {
        let site = leeside_config::load_site(
            &std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
                .join("../../deploy/example/site.toml"),
            &leeside_config::LoadOptions::around(2027),
        );
        let mut group = site.unwrap().0.model.groups[0].clone();
        group.kind = kind;
        group.slats = slats;
        group
    }

    #[test]
    fn what_passes_between_slats_is_that_of_the_published_blind() {
        // Slats of 16 mm every 12 mm, tilt 45°: direct-to-direct transmittance at profile angles 0 and 60°,
        // the example blind of ISO 15099 as tabulated in the EnergyPlus Engineering Reference.
        let slats = leeside_solar::Slats::new(16.0, 12.0, -90.0, 90.0, 0.0).unwrap();
        let group = group(Kind::SlatBlind, Some(slats));
        for (share, tilt, profile, want) in [
            (1.0, 45, 0.0, 0.057),
            (1.0, 45, 60.0, 0.0),
            (0.5, 45, 0.0, 0.5285),
        ] {
            let through = seen_through(
                &group,
                &Stood {
                    share,
                    tilt: Some(tilt),
                },
                profile,
            );
            assert!(
                (through - want).abs() < 0.0005,
                "{share} {tilt} {profile}: {through}"
            );
        }
    }

    #[test]
    fn cloth_stops_what_it_covers_and_an_awning_nothing() {
        let stood = Stood {
            share: 0.4,
            tilt: None,
        };
        let through = |kind| seen_through(&group(kind, None), &stood, 30.0);
        assert!((through(Kind::Screen) - 0.6).abs() < 1e-12);
        assert!((through(Kind::RollerShutter) - 0.6).abs() < 1e-12);
        assert!((through(Kind::Awning) - 1.0).abs() < 1e-12);
    }

    #[test]
    fn of_words_with_equally_many_devices_the_higher_rank_is_drawn() {
        let mut seen = Seen {
            devices: 4.0,
            ..Seen::default()
        };
        seen.words[usize::from(place(Word::Sun).unwrap())] = 2.0;
        seen.words[usize::from(place(Word::Wind).unwrap())] = 2.0;
        let mut facade = FacadeYear::unseen(1);
        seen.draw(&mut facade, 0);
        assert_eq!(facade.word[0], place(Word::Wind).unwrap());
        assert_eq!(facade.tilt[0], NO_TILT);
    }
}
