//! Guards and wishes that groups refer to by name.

use crate::site::form::{Form, Key, Kind, Often, Section, may, must, or, or_said};

const SECTOR: &[Key] = &[
    must(
        "from_deg",
        Form::Number(0.0, 360.0),
        "From this direction (where the wind blows from, clockwise from north).",
    ),
    must(
        "to_deg",
        Form::Number(0.0, 360.0),
        "Clockwise to this direction.",
    ),
    must(
        "factor",
        Form::Number(0.0, 10.0),
        "Multiplies the sensor's own factor within the sector, at least 1: a sector may only tighten.",
    ),
];

const LINK: &[Key] = &[
    must("sensor", Form::Ref(Kind::Sensor), "The wind sensor."),
    must(
        "factor",
        Form::Number(0.0, 10.0),
        "From the speed at the sensor to the speed at the group (height, exposure, roof edge), at least 1.",
    ),
    or_said(
        "forecast",
        Form::Flag,
        "false",
        "Whether this is a forecast: it may engage the guard, and says nothing while it is not to be believed.",
    ),
    may(
        "sectors",
        Form::Tables(SECTOR),
        "Directions in which the wind counts for more.",
    ),
];

pub(crate) const WIND: Section = Section {
    name: "wind",
    often: Often::Any,
    defines: Some(Kind::Wind),
    doc: "A wind guard. Its limit comes from the products of the group that uses it.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "sensors",
            Form::Tables(LINK),
            "The sensors that count, each with its factor; the worst decides.",
        ),
        or(
            "hysteresis_mps",
            Form::Number(0.1, 20.0),
            2.0,
            "Releases below the limit minus this.",
        ),
        or(
            "hold_min",
            Form::Number(0.01, 1440.0),
            20.0,
            "Gust and mean must have stayed below that for so long.",
        ),
        or(
            "persistence_s",
            Form::Number(0.0, 600.0),
            0.0,
            "The limit must have been reached for so long before it engages; 0: at once.",
        ),
    ],
};

pub(crate) const RAIN: Section = Section {
    name: "rain",
    often: Often::Any,
    defines: Some(Kind::Rain),
    doc: "A rain guard.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "sensors",
            Form::Refs(Kind::Sensor),
            "Rain sensors that count; any of them engages.",
        ),
        or(
            "above_mm_h",
            Form::Number(0.0, 200.0),
            0.0,
            "Engages above this intensity (or above 0 for a sensor that says 0 and 1).",
        ),
        or(
            "hold_min",
            Form::Number(0.01, 1440.0),
            20.0,
            "Dry for so long before release.",
        ),
    ],
};

pub(crate) const HAIL: Section = Section {
    name: "hail",
    often: Often::Any,
    defines: Some(Kind::Hail),
    doc: "A hail guard.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "sensors",
            Form::Refs(Kind::Sensor),
            "Hail sensors that count; any of them engages.",
        ),
        must(
            "from",
            Form::Number(0.0, 1000.0),
            "Engages at or above this value: 1 for a sensor that says 0 and 1.",
        ),
        or(
            "hold_min",
            Form::Number(0.01, 1440.0),
            20.0,
            "Free of hail for so long before release.",
        ),
    ],
};

const MOISTURE: &[Key] = &[
    may(
        "rain",
        Form::Ref(Kind::Sensor),
        "A rain sensor. Give rain or humidity.",
    ),
    or(
        "within_min",
        Form::Number(1.0, 2880.0),
        120.0,
        "Rain counts for so long.",
    ),
    may(
        "humidity",
        Form::Ref(Kind::Sensor),
        "A humidity sensor. Give rain or humidity.",
    ),
    or(
        "from_pct",
        Form::Number(1.0, 100.0),
        90.0,
        "Humid from this on.",
    ),
];

pub(crate) const ICE: Section = Section {
    name: "ice",
    often: Often::Any,
    defines: Some(Kind::Ice),
    doc: "An ice guard: to refuge before it freezes, then hold.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "sensors",
            Form::Refs(Kind::Sensor),
            "Temperature sensors that count; the coldest decides.",
        ),
        must(
            "below_c",
            Form::Number(-10.0, 15.0),
            "To refuge below this, when moist.",
        ),
        must(
            "above_c",
            Form::Number(-10.0, 25.0),
            "Release above this ...",
        ),
        must(
            "hold_min",
            Form::Number(0.01, 2880.0),
            "... after it has lasted so long.",
        ),
        must(
            "moisture",
            Form::Or(
                &Form::Word(&[(
                    "always",
                    "taken as always moist: the careful reading where nothing measures it",
                )]),
                &Form::Tables(MOISTURE),
            ),
            "What tells of moisture, any of them: \"always\", or a list.",
        ),
    ],
};

pub(crate) const FIRE: Section = Section {
    name: "fire",
    often: Often::Any,
    defines: Some(Kind::Fire),
    doc: "Fire and escape: a pose to go to, and nothing extends meanwhile.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "contacts",
            Form::Refs(Kind::Contact),
            "Fire contacts; any of them engages.",
        ),
        must("pose", Form::Pose, "The pose to go to."),
    ],
};

pub(crate) const HAND: Section = Section {
    name: "hand",
    often: Often::Any,
    defines: Some(Kind::Hand),
    doc: "How long requests by hand hold.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "hold_min",
            Form::Number(0.01, 2880.0),
            "A request without an end of its own holds for so long.",
        ),
        or(
            "announce_min",
            Form::Number(0.0, 120.0),
            5.0,
            "The return is announced so long before.",
        ),
    ],
};

const HEAT: &[Key] = &[
    may(
        "outdoor",
        Form::Ref(Kind::Sensor),
        "Outdoor temperature sensor.",
    ),
    must(
        "setpoint_c",
        Form::Number(5.0, 35.0),
        "Wanted room temperature.",
    ),
    or(
        "band_k",
        Form::Number(0.1, 10.0),
        2.0,
        "Band around it in which nothing is done.",
    ),
    must(
        "from_wm2",
        Form::Number(1.0, 1200.0),
        "Irradiance from which sun is worth letting in or keeping out.",
    ),
    must("keep_out", Form::Pose, "The pose that keeps heat out."),
    must("let_in", Form::Pose, "The pose that lets heat in."),
];

pub(crate) const SUN: Section = Section {
    name: "sun",
    often: Often::Any,
    defines: Some(Kind::Sun),
    doc: "A sun wish: when it is bright on the facade, and what to do then.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "aim",
            Form::Word(&[
                ("track_slats", "slats follow the sun at cut-off"),
                ("fixed", "a fixed pose while the sun is on the opening"),
                ("depth", "just so far that direct sun stays within depth_m"),
            ]),
            "What to do.",
        ),
        may("pose", Form::Pose, "For fixed: the pose."),
        may(
            "depth_m",
            Form::Number(0.0, 50.0),
            "For depth: how deep direct sun may reach.",
        ),
        may(
            "plane_m",
            Form::Number(0.0, 20.0),
            "For depth: height of the work plane above the floor.",
        ),
        must(
            "on_wm2",
            Form::Number(1.0, 1400.0),
            "Bright at or above this irradiance on the facade.",
        ),
        must(
            "off_wm2",
            Form::Number(0.0, 1400.0),
            "No longer bright at or below this; less than on_wm2.",
        ),
        or(
            "on_delay_min",
            Form::Number(0.0, 240.0),
            3.0,
            "Bright for so long before shading.",
        ),
        or(
            "off_delay_min",
            Form::Number(0.0, 240.0),
            15.0,
            "Dim for so long before slats open, or the device retracts.",
        ),
        or(
            "retract_delay_min",
            Form::Number(0.0, 480.0),
            15.0,
            "So long after slats opened until the blind retracts.",
        ),
        or(
            "least_step_deg",
            Form::Whole(1, 90),
            10.0,
            "For track_slats: tilt moves by at least this.",
        ),
        or(
            "least_step_pct",
            Form::Whole(1, 100),
            10.0,
            "For depth: extension moves by at least this.",
        ),
        or(
            "least_interval_min",
            Form::Number(0.0, 240.0),
            15.0,
            "... and not more often than this.",
        ),
        or(
            "travels_per_day",
            Form::Whole(1, 1000),
            8.0,
            "Travels a day the sun may cause.",
        ),
        or(
            "tilts_per_day",
            Form::Whole(1, 1000),
            40.0,
            "Tilt steps a day the sun may cause.",
        ),
        may(
            "heat",
            Form::Table(HEAT),
            "Heat in or out while nobody is in.",
        ),
    ],
};
