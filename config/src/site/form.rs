//! The shape of a site file as data: sections, their keys, what each holds.
//!
//! One table drives four things, so that they cannot drift apart: the check for
//! unknown and missing keys, types and ranges; the JSON Schema for editors; the
//! list of defaults in force; and the words of the complaints.

/// What a key may hold.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Form {
    /// Any text that is not empty.
    Text,
    /// A name of something: it becomes part of topics, so some characters are barred.
    Name,
    /// Several names, ranges allowed: `"S-101..108"`.
    Names,
    /// Several texts.
    Texts,
    /// A JSON Pointer (RFC 6901); empty for the whole message.
    Pointer,
    /// `true` or `false`.
    Flag,
    /// A number within limits.
    Number(f64, f64),
    /// A whole number within limits.
    Whole(i64, i64),
    /// A time of day: `"07:30"`.
    Clock,
    /// A date: `2027-03-01`.
    Date,
    /// A local date and time: `2027-03-01T18:00:00`.
    Moment,
    /// One of a few words, each with its meaning.
    Word(&'static [(&'static str, &'static str)]),
    /// Several of a few words.
    Words(&'static [(&'static str, &'static str)]),
    /// A pose: `"retracted"`, `"extended"` or a table.
    Pose,
    /// A pose, or `"not_harmed"`.
    Refuge,
    /// The name of something defined elsewhere in the file.
    Ref(Kind),
    /// Several such names, ranges allowed.
    Refs(Kind),
    /// Pairs of numbers, each within its limits: `[[0, 5], [90, 12]]`.
    Pairs((f64, f64), (f64, f64)),
    /// A table.
    Table(&'static [Key]),
    /// A list of tables.
    Tables(&'static [Key]),
    /// A table whose keys are names of that kind.
    Map(Kind, &'static Form),
    /// A text of the first form, or a table (list) of the second.
    Or(&'static Form, &'static Form),
}

/// Whether a key must be there.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Need {
    /// It must.
    Must,
    /// It may be left out, and then there is no such thing.
    May,
    /// It may be left out, and then this number holds.
    Else(f64),
    /// It may be left out, and then this word, text or flag holds.
    Said(&'static str),
}

/// One key.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Key {
    pub(crate) name: &'static str,
    pub(crate) form: Form,
    pub(crate) need: Need,
    /// One sentence for editors, complaints and the list of defaults.
    pub(crate) doc: &'static str,
}

pub(crate) const fn must(name: &'static str, form: Form, doc: &'static str) -> Key {
    Key {
        name,
        form,
        need: Need::Must,
        doc,
    }
}

pub(crate) const fn may(name: &'static str, form: Form, doc: &'static str) -> Key {
    Key {
        name,
        form,
        need: Need::May,
        doc,
    }
}

pub(crate) const fn or(name: &'static str, form: Form, number: f64, doc: &'static str) -> Key {
    Key {
        name,
        form,
        need: Need::Else(number),
        doc,
    }
}

pub(crate) const fn or_said(
    name: &'static str,
    form: Form,
    said: &'static str,
    doc: &'static str,
) -> Key {
    Key {
        name,
        form,
        need: Need::Said(said),
        doc,
    }
}

/// How often a section may stand in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Often {
    /// `[name]`, and it must be there.
    Once,
    /// `[name]`, or not at all.
    AtMostOnce,
    /// `[[name]]`, at least one.
    Some,
    /// `[[name]]`, any number.
    Any,
}

/// A top-level section.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Section {
    pub(crate) name: &'static str,
    pub(crate) often: Often,
    /// What names of this section are names of; `None` for sections without names.
    pub(crate) defines: Option<Kind>,
    pub(crate) keys: &'static [Key],
    pub(crate) doc: &'static str,
}

impl Section {
    /// `[name]` or `[[name]]`.
    pub(crate) fn header(&self) -> String {
        if self.many() {
            format!("[[{}]]", self.name)
        } else {
            format!("[{}]", self.name)
        }
    }

    pub(crate) const fn many(&self) -> bool {
        matches!(self.often, Often::Some | Often::Any)
    }
}

/// What a name can be the name of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kind {
    Facade,
    Room,
    Opening,
    Product,
    Device,
    Feeder,
    Gateway,
    Sensor,
    Contact,
    Wind,
    Rain,
    Ice,
    Hail,
    Fire,
    Sun,
    Hand,
    Group,
    Timetable,
    DayClass,
    Calendar,
    SpecialDay,
    Arrangement,
    DriveForm,
    AlarmReceiver,
}

impl Kind {
    /// As a person would say it.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Facade => "facade",
            Self::Room => "room",
            Self::Opening => "opening",
            Self::Product => "product",
            Self::Device => "device",
            Self::Feeder => "feeder",
            Self::Gateway => "gateway",
            Self::Sensor => "sensor",
            Self::Contact => "contact",
            Self::Wind => "wind rule",
            Self::Rain => "rain rule",
            Self::Ice => "ice rule",
            Self::Hail => "hail rule",
            Self::Fire => "fire rule",
            Self::Sun => "sun rule",
            Self::Hand => "hand rule",
            Self::Group => "group",
            Self::Timetable => "timetable",
            Self::DayClass => "day class",
            Self::Calendar => "calendar",
            Self::SpecialDay => "special day",
            Self::Arrangement => "arrangement",
            Self::DriveForm => "drive form",
            Self::AlarmReceiver => "alarm receiver",
        }
    }

    /// As a person would say it of one.
    pub(crate) fn with_article(self) -> String {
        let vowel = self.word().starts_with(['a', 'e', 'i', 'o', 'u']);
        format!("{} {}", if vowel { "an" } else { "a" }, self.word())
    }

    /// The section that defines such names, as it is written in the file.
    pub(crate) const fn section(self) -> &'static str {
        match self {
            Self::Facade => "[[facade]]",
            Self::Room => "[[room]]",
            Self::Opening => "[[opening]]",
            Self::Product => "[[product]]",
            Self::Device => "[[device]]",
            Self::Feeder => "[[feeder]]",
            Self::Gateway => "[[gateway]]",
            Self::Sensor => "[[sensor]]",
            Self::Contact => "[[contact]]",
            Self::Wind => "[[wind]]",
            Self::Rain => "[[rain]]",
            Self::Ice => "[[ice]]",
            Self::Hail => "[[hail]]",
            Self::Fire => "[[fire]]",
            Self::Sun => "[[sun]]",
            Self::Hand => "[[hand]]",
            Self::Group => "[[group]]",
            Self::Timetable => "[[timetable]]",
            Self::DayClass => "[days] own_classes",
            Self::Calendar => "[[calendar]]",
            Self::SpecialDay => "[[special_day]]",
            Self::Arrangement => "[[arrangement]]",
            Self::DriveForm => "[[drive_form]]",
            Self::AlarmReceiver => "[[alarm_receiver]]",
        }
    }
}

/// The unit that a key carries at the end of its name.
pub(crate) fn unit_of(key: &str) -> &'static str {
    const UNITS: [(&str, &str); 18] = [
        ("_per_s", "per second"),
        ("_mm_h", "mm/h"),
        ("_mps", "m/s"),
        ("_wm2", "W/m²"),
        ("_hpa", "hPa"),
        ("_deg", "°"),
        ("_pct", "%"),
        ("_min", "min"),
        ("_days", "days"),
        ("_lx", "lx"),
        ("_mm", "mm"),
        ("_ms", "ms"),
        ("_s", "s"),
        ("_h", "h"),
        ("_m", "m"),
        ("_c", "°C"),
        ("_k", "K"),
        ("_w", "W"),
    ];
    if matches!(key, "range_min" | "range_max") {
        return "in the sensor's unit";
    }
    UNITS
        .iter()
        .find(|(end, _)| key.ends_with(end))
        .map_or("", |(_, unit)| unit)
}

/// A number as a person would write it, with the unit of its key.
pub(crate) fn with_unit(number: impl std::fmt::Display, key: &str) -> String {
    match unit_of(key) {
        "" => number.to_string(),
        "°" => format!("{number}°"),
        unit => format!("{number} {unit}"),
    }
}
