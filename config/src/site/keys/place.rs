//! Site, policy, facades, rooms, openings.

use crate::site::form::{Form, Key, Kind, Often, Section, may, must, or};

pub(crate) const SITE: Section = Section {
    name: "site",
    often: Often::Once,
    defines: None,
    doc: "The place.",
    keys: &[
        must("name", Form::Name, "What people call the site."),
        must(
            "latitude_deg",
            Form::Number(-90.0, 90.0),
            "Latitude, positive north.",
        ),
        must(
            "longitude_deg",
            Form::Number(-180.0, 180.0),
            "Longitude, positive east of Greenwich.",
        ),
        must(
            "altitude_m",
            Form::Number(-500.0, 9000.0),
            "Height above sea level.",
        ),
        must(
            "zone",
            Form::Text,
            "IANA time zone in which people there read clocks, such as Europe/Berlin.",
        ),
        may(
            "pressure_hpa",
            Form::Number(300.0, 1100.0),
            "Yearly mean of the air pressure there, for refraction; without it, standard air at that altitude.",
        ),
        or(
            "temperature_c",
            Form::Number(-60.0, 50.0),
            12.0,
            "Yearly mean of the air temperature, for refraction.",
        ),
        or(
            "albedo",
            Form::Number(0.0, 1.0),
            0.2,
            "Share of light that the ground throws back.",
        ),
        or(
            "linke_turbidity",
            Form::Number(1.0, 10.0),
            3.0,
            "Haze of the sky, for the clear-sky estimate where no light sensor is trusted.",
        ),
    ],
};

const DECISION_FLAG: &[Key] = &[
    must("answer", Form::Flag, "true or false."),
    must("decided_by", Form::Text, "Who decided."),
    must("decided_on", Form::Date, "On which day."),
];

const DECISION_FROZEN: &[Key] = &[
    must(
        "answer",
        Form::Word(&[
            ("hold", "it stays where it is, and an alarm says so"),
            ("refuge", "wind may still send it to its refuge"),
        ]),
        "What happens to it.",
    ),
    must("decided_by", Form::Text, "Who decided."),
    must("decided_on", Form::Date, "On which day."),
];

pub(crate) const POLICY: Section = Section {
    name: "policy",
    often: Often::Once,
    defines: None,
    doc: "What only the owner can decide, and other rules of the whole site.",
    keys: &[
        must(
            "fire_moves_service",
            Form::Table(DECISION_FLAG),
            "Whether fire may move a group at which somebody works. There is no default.",
        ),
        must(
            "frozen_device_in_wind",
            Form::Table(DECISION_FROZEN),
            "What wind may do to a device that may be frozen in its guides. There is no default.",
        ),
        must(
            "time_to_safe_max_s",
            Form::Number(1.0, 3600.0),
            "Longest time to safe (detection, stagger and travel) that is accepted without a warning.",
        ),
        may(
            "exposure_max_s",
            Form::Number(1.0, 3600.0),
            "Longest time out of refuge above a limit that the storm audit accepts; without it, time_to_safe_max_s.",
        ),
        or(
            "weather_known_for_s",
            Form::Number(0.0, 3600.0),
            300.0,
            "After a start no wish moves anything until the weather has been known for this long.",
        ),
        or(
            "service_reminder_h",
            Form::Number(0.1, 168.0),
            8.0,
            "A service hold older than this is reminded of.",
        ),
        or(
            "command_lifetime_s",
            Form::Number(1.0, 600.0),
            30.0,
            "A command must not be carried out later than this after it was made.",
        ),
    ],
};

const GAP: &[Key] = &[
    must(
        "depth_m",
        Form::Number(0.0, 50.0),
        "How far it stands out from the face of the facade.",
    ),
    must(
        "gap_m",
        Form::Number(0.0, 50.0),
        "Its distance from the edge of the opening.",
    ),
];

const OPPOSITE: &[Key] = &[
    must(
        "height_m",
        Form::Number(-100.0, 1000.0),
        "How far its top is above the sill of the openings.",
    ),
    must(
        "distance_m",
        Form::Number(0.1, 10_000.0),
        "How far it stands in front of the glass.",
    ),
];

pub(crate) const FACADE: Section = Section {
    name: "facade",
    often: Often::Some,
    defines: Some(Kind::Facade),
    doc: "A plane of the building.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "azimuth_deg",
            Form::Number(0.0, 360.0),
            "Where it faces, clockwise from true (not magnetic) north; 90 is east.",
        ),
        or(
            "tilt_deg",
            Form::Number(0.0, 180.0),
            90.0,
            "0 faces up, 90 is a vertical wall.",
        ),
        may(
            "horizon_deg",
            Form::Pairs((0.0, 360.0), (0.0, 90.0)),
            "The skyline as pairs of azimuth and elevation, azimuths rising.",
        ),
        may(
            "opposite",
            Form::Table(OPPOSITE),
            "A long building parallel to the facade.",
        ),
        may(
            "light",
            Form::Refs(Kind::Sensor),
            "Light sensors that speak for this facade, best first.",
        ),
    ],
};

pub(crate) const ROOM: Section = Section {
    name: "room",
    often: Often::Any,
    defines: Some(Kind::Room),
    doc: "A room, or several that are treated as one.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        may(
            "occupancy",
            Form::Ref(Kind::Contact),
            "The contact that says whether somebody is in; without it the room counts as occupied.",
        ),
        may(
            "temperature",
            Form::Ref(Kind::Sensor),
            "The sensor of the room's temperature, for heat in or out.",
        ),
    ],
};

pub(crate) const OPENING: Section = Section {
    name: "opening",
    often: Often::Any,
    defines: Some(Kind::Opening),
    doc: "A window (or a row of like windows) in a facade.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must("facade", Form::Ref(Kind::Facade), "The facade it is in."),
        must(
            "width_mm",
            Form::Number(10.0, 100_000.0),
            "Width of the glass.",
        ),
        must(
            "height_mm",
            Form::Number(10.0, 100_000.0),
            "Height of the glass.",
        ),
        may(
            "sill_mm",
            Form::Number(0.0, 90_000.0),
            "Height of the sill above the floor; needed where a sun rule keeps the sun to a depth.",
        ),
        or(
            "wall_mm",
            Form::Number(0.0, 10_000.0),
            0.0,
            "From the glass to the inner face of the wall.",
        ),
        or(
            "reveal_mm",
            Form::Number(0.0, 10_000.0),
            0.0,
            "How far the glass lies behind the face of the facade.",
        ),
        may("overhang", Form::Table(GAP), "An overhang above it."),
        may(
            "left_fin",
            Form::Table(GAP),
            "A fin to the left of one who looks out.",
        ),
        may(
            "right_fin",
            Form::Table(GAP),
            "A fin to the right of one who looks out.",
        ),
    ],
};
