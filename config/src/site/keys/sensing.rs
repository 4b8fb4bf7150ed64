//! Sensors and contacts.

use crate::site::form::{Form, Key, Kind, Often, Section, may, must, or};

/// The kinds of sensor, by the words of the file.
pub(crate) const SENSOR_KINDS: &[(&str, &str)] = &[
    ("wind", "gust, mean and direction of the wind"),
    ("rain", "rain in mm/h, or 0 and 1"),
    ("hail", "hail as 0 and 1, or the level of a warning service"),
    ("temperature", "outdoor air temperature, °C"),
    ("humidity", "relative humidity, %"),
    (
        "surface_temperature",
        "temperature of the surface that may freeze, °C",
    ),
    ("room_temperature", "room air temperature, °C"),
    ("plane_irradiance", "irradiance on its facade's plane, W/m²"),
    ("plane_illuminance", "illuminance on its facade's plane, lx"),
    ("global_horizontal", "global horizontal irradiance, W/m²"),
    ("horizontal_illuminance", "horizontal illuminance, lx"),
];

/// Units that foreign sensors may speak in.
pub(crate) const UNITS: &[(&str, &str)] = &[
    ("m/s", "metres per second"),
    ("km/h", "kilometres per hour"),
    ("kn", "knots"),
    ("mph", "miles per hour"),
    ("mm/h", "millimetres per hour"),
    ("in/h", "inches per hour"),
    ("degC", "degrees Celsius"),
    ("degF", "degrees Fahrenheit"),
    ("K", "kelvin"),
    ("%", "per cent"),
    ("ratio", "0 to 1 for 0 to 100 %"),
    ("W/m2", "watts per square metre"),
    ("lx", "lux"),
    ("klx", "kilolux"),
    ("deg", "degrees"),
    ("1", "a bare number, such as 0 and 1"),
];

const PART: &[Key] = &[
    must("topic", Form::Text, "The topic of the messages."),
    may(
        "pointer",
        Form::Pointer,
        "JSON Pointer (RFC 6901) to the number; without it, the whole message is the number.",
    ),
    may(
        "unit",
        Form::Word(UNITS),
        "The unit it is in; without it, our own.",
    ),
    or(
        "factor",
        Form::Number(-1.0e6, 1.0e6),
        1.0,
        "Multiplies what the sensor sends, before the unit is converted.",
    ),
];

const TIME: &[Key] = &[
    must(
        "pointer",
        Form::Pointer,
        "JSON Pointer (RFC 6901) to the moment of measuring.",
    ),
    must(
        "form",
        Form::Word(&[
            ("rfc3339", "2027-03-01T18:00:00+01:00"),
            ("unix_s", "seconds since 1970"),
            ("unix_ms", "milliseconds since 1970"),
        ]),
        "How it is written.",
    ),
];

const ZERO: &[Key] = &[
    must(
        "neighbour",
        Form::Ref(Kind::Sensor),
        "The wind sensor to compare with.",
    ),
    must(
        "neighbour_mps",
        Form::Number(0.5, 60.0),
        "What the neighbour reads at least.",
    ),
    must(
        "for_min",
        Form::Number(0.01, 1440.0),
        "For how long zero is read beside that.",
    ),
];

pub(crate) const SENSOR: Section = Section {
    name: "sensor",
    often: Often::Some,
    defines: Some(Kind::Sensor),
    doc: "What measures.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must("kind", Form::Word(SENSOR_KINDS), "What it measures."),
        may(
            "facades",
            Form::Refs(Kind::Facade),
            "For wind: the facades whose wind it sees.",
        ),
        must(
            "silence_s",
            Form::Number(1.0, 86_400.0),
            "No reading for this long: silent, and its guards engage.",
        ),
        may(
            "range_min",
            Form::Number(-1.0e6, 1.0e6),
            "Lowest believable value; without it, by kind.",
        ),
        may(
            "range_max",
            Form::Number(-1.0e6, 1.0e6),
            "Highest believable value; without it, by kind.",
        ),
        may(
            "stuck_h",
            Form::Number(0.001, 720.0),
            "The very same value for this long: stuck. Without it, not checked.",
        ),
        may(
            "max_rate_per_s",
            Form::Number(1.0e-6, 1.0e6),
            "Fastest believable change. Without it, not checked.",
        ),
        may(
            "zero_check",
            Form::Table(ZERO),
            "For wind: tells a broken cable from a calm by a neighbour.",
        ),
        or(
            "recover_s",
            Form::Number(0.0, 86_400.0),
            60.0,
            "A fault is over after good readings for this long.",
        ),
        may(
            "gust_kept_s",
            Form::Number(0.0, 86_400.0),
            "For wind: a gust that later readings leave out counts until it is this old; 0: with its own reading only. Without it, silence_s.",
        ),
        may(
            "gateway",
            Form::Ref(Kind::Gateway),
            "The gateway it comes through.",
        ),
        may(
            "topic",
            Form::Text,
            "Foreign topic; without it, our own topic and form.",
        ),
        may(
            "pointer",
            Form::Pointer,
            "JSON Pointer (RFC 6901) to the number; without it, the whole message is the number.",
        ),
        may(
            "unit",
            Form::Word(UNITS),
            "The unit a foreign sensor speaks in; without it, our own.",
        ),
        may(
            "factor",
            Form::Number(-1.0e6, 1.0e6),
            "Multiplies what a foreign sensor sends, before the unit is converted.",
        ),
        may(
            "gust",
            Form::Table(PART),
            "For foreign wind sensors: where the gust stands.",
        ),
        may(
            "mean",
            Form::Table(PART),
            "For foreign wind sensors: where the mean stands.",
        ),
        may(
            "direction",
            Form::Table(PART),
            "For foreign wind sensors: where the direction stands.",
        ),
        may(
            "time",
            Form::Table(TIME),
            "Where the moment of measuring stands in foreign messages; without it, the moment of arrival counts.",
        ),
    ],
};

/// The kinds of contact, by the words of the file.
pub(crate) const CONTACT_KINDS: &[(&str, &str)] = &[
    ("door", "a door that somebody may step out of; active: open"),
    ("window", "a window; active: open"),
    ("fire", "the fire alarm or an escape release; active: alarm"),
    ("occupancy", "somebody is in the room; active: occupied"),
    ("switch", "a plain switch input; active: pressed"),
];

const SWITCH: &[Key] = &[
    must("group", Form::Ref(Kind::Group), "The group it asks for."),
    must(
        "asks",
        Form::Word(&[("extend", "to extend"), ("retract", "to retract")]),
        "What it asks.",
    ),
    or(
        "long_press_ms",
        Form::Number(50.0, 10_000.0),
        500.0,
        "Pressed for at least this long is a long press.",
    ),
];

pub(crate) const CONTACT: Section = Section {
    name: "contact",
    often: Often::Any,
    defines: Some(Kind::Contact),
    doc: "What is open or closed: door, window, fire, occupancy, plain switch.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must("kind", Form::Word(CONTACT_KINDS), "What it stands for."),
        may(
            "silence_s",
            Form::Number(1.0, 864_000.0),
            "Not heard for this long: unknown, and taken as active. Without it, it speaks only when it changes.",
        ),
        or(
            "latch_s",
            Form::Number(0.0, 86_400.0),
            10.0,
            "For doors and windows: counts as open this long after closing.",
        ),
        may("switch", Form::Table(SWITCH), "For switches: what they do."),
        may(
            "gateway",
            Form::Ref(Kind::Gateway),
            "The gateway it comes through.",
        ),
        may(
            "topic",
            Form::Text,
            "Foreign topic; without it, our own topic and form.",
        ),
        may(
            "pointer",
            Form::Pointer,
            "JSON Pointer (RFC 6901) to its word; without it, the whole message.",
        ),
        may(
            "active",
            Form::Text,
            "What a foreign contact says when active: open, alarm, occupied, pressed.",
        ),
        may("inactive", Form::Text, "What it says when not."),
    ],
};
