//! Day classes, calendars, timetables, special days, arrangements.

use crate::site::form::{Form, Key, Kind, Often, Section, may, must, or, or_said};

/// Days of the week, Monday first.
pub(crate) const WEEKDAYS: &[(&str, &str)] = &[
    ("monday", ""),
    ("tuesday", ""),
    ("wednesday", ""),
    ("thursday", ""),
    ("friday", ""),
    ("saturday", ""),
    ("sunday", ""),
];

/// What a phase can start at beside a time of day.
pub(crate) const EVENTS: &[(&str, &str)] = &[
    ("sunrise", "upper limb on the horizon, rising"),
    ("sunset", "upper limb on the horizon, falling"),
    ("civil_dawn", "sun at 6 degrees below the horizon, rising"),
    ("civil_dusk", "sun at 6 degrees below the horizon, falling"),
    ("sun_rises_through", "sun rising through elevation_deg"),
    ("sun_falls_through", "sun falling through elevation_deg"),
    ("dawn_by_light", "a light sensor says so"),
    ("dusk_by_light", "a light sensor says so"),
];

pub(crate) const DAYS: Section = Section {
    name: "days",
    often: Often::AtMostOnce,
    defines: None,
    doc: "The classes of days. workday, weekend, holiday and closed are always there.",
    keys: &[
        may(
            "weekend",
            Form::Words(WEEKDAYS),
            "Days of the week that are weekend; without it, saturday and sunday.",
        ),
        may("own_classes", Form::Names, "Classes of the site's own."),
        may(
            "precedence",
            Form::Refs(Kind::DayClass),
            "Which class wins where several claim a day, strongest first; without it: own classes, closed, holiday, weekend, workday.",
        ),
    ],
};

pub(crate) const HOLIDAYS: Section = Section {
    name: "holidays",
    often: Often::AtMostOnce,
    defines: None,
    doc: "Public holidays, worked out without a network.",
    keys: &[
        must(
            "region",
            Form::Text,
            "Region as in ISO 3166-2, such as DE-BY or US-NY.",
        ),
        may(
            "rules_file",
            Form::Text,
            "A file of holiday rules of your own, beside the site file, in place of those built in.",
        ),
        or_said(
            "day_class",
            Form::Ref(Kind::DayClass),
            "holiday",
            "The class of these days.",
        ),
    ],
};

const SPECIAL: &[Key] = &[
    must("groups", Form::Refs(Kind::Group), "The groups it concerns."),
    must("pose", Form::Pose, "Their pose while it lasts."),
    must("sun", Form::Flag, "Whether sun is allowed meanwhile."),
];

pub(crate) const CALENDAR: Section = Section {
    name: "calendar",
    often: Often::Any,
    defines: Some(Kind::Calendar),
    doc: "An iCalendar file (RFC 5545) and what its days mean.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must("file", Form::Text, "The .ics file, beside the site file."),
        may(
            "day_class",
            Form::Ref(Kind::DayClass),
            "The class of days with an event in it. Give day_class or special.",
        ),
        may(
            "special",
            Form::Table(SPECIAL),
            "What its events do to some groups while they last.",
        ),
    ],
};

const PHASE: &[Key] = &[
    must("phase", Form::Text, "What people call it."),
    must(
        "at",
        Form::Text,
        "When it starts: a time of day (\"07:30\") or an event of the sun (\"sunset\").",
    ),
    may(
        "offset_min",
        Form::Whole(-720, 720),
        "So many minutes after the event; negative: before it.",
    ),
    may(
        "elevation_deg",
        Form::Number(-30.0, 90.0),
        "For sun_rises_through and sun_falls_through.",
    ),
    may("not_before", Form::Clock, "Not before this time of day."),
    may("not_after", Form::Clock, "Not after this time of day."),
    may(
        "if_none",
        Form::Text,
        "On a day without the event: \"skip\", or a time of day.",
    ),
    may(
        "sensor",
        Form::Ref(Kind::Sensor),
        "For dawn_by_light and dusk_by_light: the light sensor.",
    ),
    may(
        "light_lx",
        Form::Number(0.1, 200_000.0),
        "... and its value, for a sensor in lx.",
    ),
    may(
        "light_wm2",
        Form::Number(0.001, 1500.0),
        "... or for a sensor in W/m².",
    ),
    may(
        "from_elevation_deg",
        Form::Number(-18.0, 90.0),
        "... which counts only once the sun has passed this elevation ...",
    ),
    may(
        "at_latest_elevation_deg",
        Form::Number(-18.0, 90.0),
        "... and at this elevation the phase starts whatever the sensor says.",
    ),
    must("pose", Form::Pose, "Its base pose."),
    must(
        "sun",
        Form::Flag,
        "Whether the sun wish may override the base pose.",
    ),
    or(
        "jitter_min",
        Form::Whole(0, 120),
        0.0,
        "Spread of the start, to look lived-in.",
    ),
    or(
        "jitter_seed",
        Form::Whole(0, 1_000_000_000),
        0.0,
        "Seed of the spread.",
    ),
];

pub(crate) const TIMETABLE: Section = Section {
    name: "timetable",
    often: Often::Some,
    defines: Some(Kind::Timetable),
    doc: "The phases of a day, for each class of days.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "days",
            Form::Map(
                Kind::DayClass,
                &Form::Or(&Form::Ref(Kind::DayClass), &Form::Tables(PHASE)),
            ),
            "For each day class its phases, or the name of the class whose phases it shares.",
        ),
    ],
};

pub(crate) const SPECIAL_DAY: Section = Section {
    name: "special_day",
    often: Often::Any,
    defines: Some(Kind::SpecialDay),
    doc: "A span of time in which some groups keep a pose of their own, in place of the timetable.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must("from", Form::Moment, "From this local time."),
        must("to", Form::Moment, "Until this local time."),
        must("groups", Form::Refs(Kind::Group), "The groups it concerns."),
        must("pose", Form::Pose, "Their pose while it lasts."),
        must("sun", Form::Flag, "Whether sun is allowed meanwhile."),
    ],
};

pub(crate) const ARRANGEMENT: Section = Section {
    name: "arrangement",
    often: Often::Any,
    defines: Some(Kind::Arrangement),
    doc: "Poses for several groups at once, to be asked for by name.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "poses",
            Form::Map(Kind::Group, &Form::Pose),
            "For each group its pose.",
        ),
        may(
            "hold_min",
            Form::Number(0.01, 2880.0),
            "How long it holds; without it, by each group's hand rule.",
        ),
    ],
};
