//! What can be wrong with the service itself: alarmed like anything else.

/// Something wrong with the service itself.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Trouble {
    /// The journal cannot be written.
    Journal,
    /// The broker takes or lets us read less than we need.
    Broker,
    /// More arrives than can be handled; some of it was not looked at.
    Flood,
    /// The site file on disk was rejected; the one before stays in force.
    Site,
    /// A calendar on disk was rejected; the one before stays in force.
    Calendar,
    /// An alarm could not be handed on to where it should go.
    Handing,
}

impl Trouble {
    /// All of them.
    pub const ALL: [Self; 6] = [
        Self::Journal,
        Self::Broker,
        Self::Flood,
        Self::Site,
        Self::Calendar,
        Self::Handing,
    ];

    /// The word as it stands in messages.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Journal => "journal_fault",
            Self::Broker => "broker_refuses",
            Self::Flood => "flood",
            Self::Site => "site_rejected",
            Self::Calendar => "calendar_rejected",
            Self::Handing => "alarm_not_handed_on",
        }
    }

    /// Whether there may be several of it, each about something that has a name.
    #[must_use]
    pub const fn is_about_something(self) -> bool {
        match self {
            Self::Calendar | Self::Handing => true,
            Self::Journal | Self::Broker | Self::Flood | Self::Site => false,
        }
    }

    /// The key of its alarm.
    #[must_use]
    pub fn key(self, about: Option<&str>) -> String {
        match about {
            Some(about) => format!("{}/{about}", self.as_str()),
            None => self.as_str().to_owned(),
        }
    }

    /// Which one an alarm's key names, and what it is about; `None` for alarms of
    /// the core.
    #[must_use]
    pub fn of(key: &str) -> Option<(Self, Option<&str>)> {
        let (word, about) = match key.split_once('/') {
            Some((word, about)) => (word, Some(about)),
            None => (key, None),
        };
        let trouble = Self::ALL
            .into_iter()
            .find(|trouble| trouble.as_str() == word)?;
        Some((trouble, about))
    }

    /// What is said when it is over.
    #[must_use]
    pub const fn well(self) -> &'static str {
        match self {
            Self::Journal => "the journal is kept",
            Self::Broker => "the broker takes what we send and lets us listen",
            Self::Flood => "no more arrives than can be handled",
            Self::Site => "the site file on disk is in force",
            Self::Calendar => "the calendar on disk is in force",
            Self::Handing => "alarms are handed on",
        }
    }
}
