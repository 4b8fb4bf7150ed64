//! What a row of the journal is: a closed list.

use leeside_core::input::Input;

/// What a row is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Kind {
    /// The program started: version, site file, whether it took up an earlier state.
    Run,
    /// Another version of the site file or its calendars took effect: fingerprint, why.
    Site,
    /// Input: a sensor measured something.
    Reading,
    /// Input: a sensor sent something that is no reading.
    Garbled,
    /// Input: a contact.
    Contact,
    /// Input: somebody asked for something.
    Request,
    /// Input: a drive told of itself.
    Report,
    /// Input: the way to the plant was there.
    Connected,
    /// Input: the way to the plant was lost.
    Disconnected,
    /// Input: a gateway was heard or lost.
    Gateway,
    /// Input: start, suspend, clock step, reload.
    Restart,
    /// Input: whether the wall clock is to be trusted.
    Clock,
    /// Input: a wake-up from which something followed.
    Tick,
    /// Output: a command, as it went out.
    Command,
    /// Output: a lockout began, changed or ended.
    Lockout,
    /// Output: an alarm was raised, acknowledged or cleared.
    Alarm,
    /// Output: a request was refused.
    Refused,
    /// Output: the end of a hold by hand was announced.
    Announce,
    /// Names were taken out of earlier rows.
    Erasure,
    /// Earlier rows were removed.
    Pruned,
    /// Rows are missing here: they could not be written in time (disk full), and
    /// there was no more room to keep them until they could.
    Gap,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Self; 21] = [
        Self::Run,
        Self::Site,
        Self::Reading,
        Self::Garbled,
        Self::Contact,
        Self::Request,
        Self::Report,
        Self::Connected,
        Self::Disconnected,
        Self::Gateway,
        Self::Restart,
        Self::Clock,
        Self::Tick,
        Self::Command,
        Self::Lockout,
        Self::Alarm,
        Self::Refused,
        Self::Announce,
        Self::Erasure,
        Self::Pruned,
        Self::Gap,
    ];

    /// The kind as it stands in the file.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Run => "run",
            Self::Site => "site",
            Self::Reading => "reading",
            Self::Garbled => "garbled",
            Self::Contact => "contact",
            Self::Request => "request",
            Self::Report => "report",
            Self::Connected => "connected",
            Self::Disconnected => "disconnected",
            Self::Gateway => "gateway",
            Self::Restart => "restart",
            Self::Clock => "clock",
            Self::Tick => "tick",
            Self::Command => "command",
            Self::Lockout => "lockout",
            Self::Alarm => "alarm",
            Self::Refused => "refused",
            Self::Announce => "announce",
            Self::Erasure => "erasure",
            Self::Pruned => "pruned",
            Self::Gap => "gap",
        }
    }

    /// The kind of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }

    /// The kind of an input.
    #[must_use]
    pub const fn of(input: &Input) -> Self {
        match input {
            Input::Reading(_) => Self::Reading,
            Input::Garbled { .. } => Self::Garbled,
            Input::Contact { .. } => Self::Contact,
            Input::Request(_) => Self::Request,
            Input::Report(_) => Self::Report,
            Input::Connected => Self::Connected,
            Input::Disconnected => Self::Disconnected,
            Input::Gateway { .. } => Self::Gateway,
            Input::Restart(_) => Self::Restart,
            Input::Clock { .. } => Self::Clock,
            Input::Tick => Self::Tick,
        }
    }

    /// Whether such a row went into the core.
    #[must_use]
    pub const fn is_input(self) -> bool {
        match self {
            Self::Reading
            | Self::Garbled
            | Self::Contact
            | Self::Request
            | Self::Report
            | Self::Connected
            | Self::Disconnected
            | Self::Gateway
            | Self::Restart
            | Self::Clock
            | Self::Tick => true,
            Self::Run
            | Self::Site
            | Self::Command
            | Self::Lockout
            | Self::Alarm
            | Self::Refused
            | Self::Announce
            | Self::Erasure
            | Self::Pruned
            | Self::Gap => false,
        }
    }

    /// Whether such a row may name a person, and so is sealed with a salt that
    /// lets the name be taken out later without breaking the chain.
    #[must_use]
    pub const fn may_name_a_person(self) -> bool {
        match self {
            Self::Request
            | Self::Command
            | Self::Lockout
            | Self::Alarm
            | Self::Refused
            | Self::Announce => true,
            Self::Run
            | Self::Site
            | Self::Reading
            | Self::Garbled
            | Self::Contact
            | Self::Report
            | Self::Connected
            | Self::Disconnected
            | Self::Gateway
            | Self::Restart
            | Self::Clock
            | Self::Tick
            | Self::Erasure
            | Self::Pruned
            | Self::Gap => false,
        }
    }
}
