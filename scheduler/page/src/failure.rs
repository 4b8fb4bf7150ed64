//! Why something could not be done or answered, put into words only when it is
//! shown, in the reader's language.
//!
//! What reads files, and the system, say in English what is wrong and where: the
//! sentence comes from the catalogue, their own words follow as they are, marked as
//! English.

use crate::days::Unseen;
use crate::words::{Language, Words};
use leeside_config::Diagnostic;
use leeside_config::closed_days::{Objection, Refusal};
use leeside_dryrun::lived::LivedError;
use leeside_dryrun::replay::Stopped;
use leeside_dryrun::weather::WeatherError;
use leeside_dryrun::why::WhyError;
use leeside_journal::Error as JournalError;
use maud::{Markup, html};

/// A sentence of the catalogue, its values, and what is to be said in English.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Failure {
    key: &'static str,
    places: Vec<(&'static str, String)>,
    detail: Option<String>,
}

impl Failure {
    /// The sentence of that key.
    #[must_use]
    pub const fn of(key: &'static str) -> Self {
        Self {
            key,
            places: Vec::new(),
            detail: None,
        }
    }

    /// With a value for one of its places.
    #[must_use]
    pub fn with(mut self, place: &'static str, value: impl ToString) -> Self {
        self.places.push((place, value.to_string()));
        self
    }

    /// With what a reader of files, or the system, says in English.
    #[must_use]
    pub fn detail(mut self, words: impl ToString) -> Self {
        self.detail = Some(words.to_string());
        self
    }

    /// With every occurrence of something in what is said taken out.
    #[must_use]
    pub fn without(mut self, text: &str) -> Self {
        self.detail = self.detail.map(|detail| detail.replace(text, ""));
        self
    }

    /// The sentence.
    #[must_use]
    pub fn sentence(&self, words: Words) -> String {
        let places: Vec<(&str, &dyn core::fmt::Display)> = self
            .places
            .iter()
            .map(|(name, value)| (*name, value as &dyn core::fmt::Display))
            .collect();
        words.fill(self.key, &places)
    }

    /// The sentence, and what is said in English below it.
    #[must_use]
    pub fn show(&self, words: Words) -> Markup {
        html! {
            p.wrong role="alert" { (self.sentence(words)) }
            @if let Some(detail) = &self.detail { pre.problems lang="en" tabindex="0" { (detail) } }
        }
    }

    /// All of it in English, for programs.
    #[must_use]
    pub fn in_english(&self) -> String {
        let sentence = self.sentence(Words::of(Language::English));
        match &self.detail {
            Some(detail) => format!("{sentence} {detail}"),
            None => sentence,
        }
    }
}

impl From<WeatherError> for Failure {
    fn from(error: WeatherError) -> Self {
        match error {
            WeatherError::Span {
                file,
                asked,
                first,
                last,
                ..
            } => Self::of("weather.span")
                .with("file", file)
                .with("asked", asked.replace(" to ", " – "))
                .with("first", first)
                .with("last", last),
            error @ (WeatherError::Read { .. }
            | WeatherError::Cell { .. }
            | WeatherError::Line { .. }
            | WeatherError::Form { .. }
            | WeatherError::Mapping { .. }) => Self::of("weather.broken").detail(error),
        }
    }
}

impl From<Stopped> for Failure {
    fn from(stopped: Stopped) -> Self {
        match stopped {
            Stopped::Asked(_) => Self::of("work.stopped"),
            Stopped::NoSensor(sensor, _) => Self::of("work.no_sensor").with("sensor", sensor),
            fault @ (Stopped::Sink(_) | Stopped::Step(_)) => Self::of("work.fault").detail(fault),
        }
    }
}

impl From<JournalError> for Failure {
    fn from(error: JournalError) -> Self {
        Self::of("why.journal").detail(error)
    }
}

impl From<LivedError> for Failure {
    fn from(error: LivedError) -> Self {
        match error {
            LivedError::Nothing { .. } => Self::of("why.nothing_then"),
            LivedError::Stopped(_) => Self::of("work.stopped"),
            LivedError::Journal(error) => error.into(),
            error @ LivedError::Row { .. } => Self::of("why.journal").detail(error),
            error @ LivedError::Sink(_) => Self::of("work.fault").detail(error),
        }
    }
}

impl From<WhyError> for Failure {
    fn from(error: WhyError) -> Self {
        match error {
            WhyError::Stopped(stopped) => stopped.into(),
            WhyError::Lived(error) => error.into(),
            WhyError::Outside(_) => Self::of("why.nothing_then"),
        }
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::of("work.fault").detail(error)
    }
}

impl From<Unseen> for Failure {
    fn from(unseen: Unseen) -> Self {
        match unseen {
            Unseen::Broken(problems) => {
                Self::of("calendar.site_broken").detail(problems.join("\n"))
            }
            Unseen::Refused(refusal) => Self::from(&refusal),
        }
    }
}

/// The site file on disk cannot be read for what was asked: its first problem.
#[must_use]
pub fn site_broken(problems: &[Diagnostic]) -> Failure {
    let failure = Failure::of("error.site_broken");
    match problems.first() {
        Some(first) => failure.detail(first),
        None => failure,
    }
}

impl From<&Refusal> for Failure {
    fn from(refusal: &Refusal) -> Self {
        match refusal {
            Refusal::Unreadable(problems) => {
                let problems: Vec<String> = problems.iter().map(ToString::to_string).collect();
                Self::of("objection.unreadable").detail(problems.join("\n"))
            }
            Refusal::Nonsense { objection, .. } => Self::of(key_of(*objection)),
            Refusal::Conflict { .. } => Self::of("calendar.conflict"),
            Refusal::File { .. } => Self::of("objection.file").detail(refusal),
        }
    }
}

const fn key_of(objection: Objection) -> &'static str {
    match objection {
        Objection::NotUtf8 => "calendar.not_utf8",
        Objection::NoFile | Objection::NotAFile => "objection.no_file",
        Objection::BeingEdited => "objection.being_edited",
        Objection::NothingToUndo => "objection.nothing_to_undo",
        Objection::NoName => "objection.no_name",
        Objection::NameTooLong => "calendar.name_long",
        Objection::EndsBeforeStart => "calendar.backwards",
        Objection::OutOfRange => "calendar.no_day",
        Objection::TooLong => "objection.too_long",
        Objection::TimesBackwards => "calendar.time_backwards",
        Objection::SeriesEnd => "calendar.no_end",
        Objection::NeverEnds => "objection.never_ends",
        Objection::EndInZone => "objection.end_in_zone",
        Objection::RuleOfItsOwn => "objection.own_rule",
        Objection::AlreadyThere => "objection.already_there",
        Objection::UidTaken => "objection.uid_taken",
        Objection::NoSuchEntry => "calendar.gone",
        Objection::SeveralEntries => "objection.several",
        Objection::TouchesOthers => "objection.touches_others",
        Objection::NoEvent => "objection.no_event",
        Objection::NotClosed => "objection.not_closed",
        Objection::SiteNotToml => "error.site_broken",
        Objection::NoCalendar | Objection::SeveralCalendars => "calendar.none",
    }
}
