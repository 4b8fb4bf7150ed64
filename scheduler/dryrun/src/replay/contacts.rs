//! Contacts in a replay: everything at rest, and somebody in at stated hours.

use chrono::{Days, NaiveDate, NaiveTime};
use leeside_core::ids::ContactId;
use leeside_core::input::Input;
use leeside_core::model::{ContactKind, Model};
use leeside_core::time::{Wall, to_utc};

/// When somebody is in.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Occupancy {
    /// Always.
    Always,
    /// Never.
    Never,
    /// On days of the class `workday`, between two local times.
    Workdays {
        /// From this minute of the local day.
        from_min: u16,
        /// Until this minute of the local day.
        to_min: u16,
    },
}

impl Occupancy {
    /// Workdays from 8 to 18 o'clock (common practice, no source).
    pub const OFFICE: Self = Self::Workdays {
        from_min: 8 * 60,
        to_min: 18 * 60,
    };

    /// In words.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Always => "rooms are always occupied".to_owned(),
            Self::Never => "rooms are never occupied".to_owned(),
            Self::Workdays { from_min, to_min } => format!(
                "rooms are occupied on workdays from {:02}:{:02} to {:02}:{:02} local time",
                from_min / 60,
                from_min % 60,
                to_min / 60,
                to_min % 60
            ),
        }
    }
}

/// The contacts of a site over time.
pub(super) struct Contacts {
    occupancy: Occupancy,
    /// Until when today's answer holds, and the answer's times.
    day: Option<Day>,
    said: Option<bool>,
}

struct Day {
    ends: Wall,
    occupied: Option<(Wall, Wall)>,
}

impl Contacts {
    pub(super) const fn new(occupancy: Occupancy) -> Self {
        Self {
            occupancy,
            day: None,
            said: None,
        }
    }

    /// Nobody remembers what was said: all of it has to be said again.
    pub(super) const fn forget(&mut self) {
        self.said = None;
    }

    /// The contacts that change at a moment; at the first, all of them.
    pub(super) fn changes(&mut self, model: &Model, at: Wall) -> Vec<Input> {
        let occupied = self.occupied(model, at);
        let first = self.said.is_none();
        if self.said == Some(occupied) {
            return Vec::new();
        }
        self.said = Some(occupied);
        let contacts = (0..)
            .zip(&model.contacts)
            .filter(|(_, contact)| contact.kind == ContactKind::Occupancy || first);
        contacts
            .map(|(index, contact)| Input::Contact {
                contact: ContactId(index),
                active: contact.kind == ContactKind::Occupancy && occupied,
            })
            .collect()
    }

    fn occupied(&mut self, model: &Model, at: Wall) -> bool {
        let (from_min, to_min) = match self.occupancy {
            Occupancy::Always => return true,
            Occupancy::Never => return false,
            Occupancy::Workdays { from_min, to_min } => (from_min, to_min),
        };
        if self.day.as_ref().is_none_or(|day| at >= day.ends) {
            let date = at.local_date(model.site.zone);
            let tomorrow = date.checked_add_days(Days::new(1)).unwrap_or(date);
            let workday = model
                .day_classes
                .get(model.days.class(date).index())
                .is_some_and(|c| c == "workday");
            let time = |minute| moment_of(model, date, minute);
            self.day = Some(Day {
                ends: moment_of(model, tomorrow, 0),
                occupied: workday.then(|| (time(from_min), time(to_min))),
            });
        }
        let today = self.day.as_ref().and_then(|day| day.occupied);
        today.is_some_and(|(from, to)| from <= at && at < to)
    }
}

/// A minute of a local day as a moment.
pub(super) fn moment_of(model: &Model, date: NaiveDate, minute: u16) -> Wall {
    let time = NaiveTime::from_num_seconds_from_midnight_opt(u32::from(minute) * 60, 0)
        .unwrap_or_default();
    Wall::from_utc(to_utc(model.site.zone, date.and_time(time)).utc)
}
