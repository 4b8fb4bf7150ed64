//! Products, feeders, gateways, devices, groups.

use crate::site::form::{Form, Key, Kind, Often, Section, may, must, or, or_said};

const SLATS: &[Key] = &[
    must("width_mm", Form::Number(1.0, 1000.0), "Width of a slat."),
    must(
        "spacing_mm",
        Form::Number(1.0, 1000.0),
        "Vertical distance from slat to slat when extended.",
    ),
    must(
        "tilt_min_deg",
        Form::Number(-90.0, 0.0),
        "Least tilt the mechanism reaches; negative is inner edge down.",
    ),
    must(
        "tilt_max_deg",
        Form::Number(0.0, 90.0),
        "Greatest tilt the mechanism reaches: closed, outer edge down.",
    ),
    or(
        "margin_deg",
        Form::Number(0.0, 30.0),
        0.0,
        "Added to the cut-off tilt, for curved slats.",
    ),
];

const REFUGE: &[Key] = &[
    must("wind", Form::Pose, "In wind."),
    must("hail", Form::Refuge, "In hail, or \"not_harmed\"."),
    must("ice", Form::Refuge, "Before it freezes, or \"not_harmed\"."),
    must("rain", Form::Refuge, "In rain, or \"not_harmed\"."),
];

const DUTY: &[Key] = &[
    must(
        "run_min",
        Form::Number(0.1, 600.0),
        "Running time the motor allows within the window.",
    ),
    must(
        "window_min",
        Form::Number(0.1, 1440.0),
        "Length of the sliding window.",
    ),
];

const AWNING: &[Key] = &[
    must(
        "mount_m",
        Form::Number(0.0, 100.0),
        "Height of the mounting above the terrace or floor.",
    ),
    must(
        "projection_m",
        Form::Number(0.1, 20.0),
        "Length of the cloth when fully extended.",
    ),
    must(
        "pitch_deg",
        Form::Number(0.0, 90.0),
        "How steeply it falls; 0 is level.",
    ),
    or(
        "valance_m",
        Form::Number(0.0, 5.0),
        0.0,
        "How far a valance hangs down from the front edge.",
    ),
];

const WIND_CLASS: &[Key] = &[
    must(
        "standard",
        Form::Word(&[
            ("EN 13561", "awnings and screens"),
            ("EN 13659", "shutters and external slat blinds"),
        ]),
        "The standard it was tested to.",
    ),
    must(
        "class",
        Form::Whole(0, 6),
        "The class; a static test result, never an operating limit.",
    ),
];

/// The kinds of device, by the words of the file.
pub(crate) const DEVICE_KINDS: &[(&str, &str)] = &[
    ("slat_blind", "external slat blind"),
    ("roller_shutter", "roller shutter"),
    ("screen", "fabric screen in front of an opening"),
    ("awning", "awning"),
];

pub(crate) const PRODUCT: Section = Section {
    name: "product",
    often: Often::Some,
    defines: Some(Kind::Product),
    doc: "The make-up that several devices share. The maker's sheet decides every number here.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must("kind", Form::Word(DEVICE_KINDS), "The kind of device."),
        must(
            "travel_extend_s",
            Form::Number(1.0, 600.0),
            "From fully retracted to fully extended, measured.",
        ),
        must(
            "travel_retract_s",
            Form::Number(1.0, 600.0),
            "From fully extended to fully retracted, measured.",
        ),
        may(
            "tilt_s",
            Form::Number(0.1, 120.0),
            "For the whole tilt range; slat blinds only, and they must state it.",
        ),
        may(
            "slats",
            Form::Table(SLATS),
            "Slat geometry; slat blinds only, and they must state it.",
        ),
        must(
            "wind_limit_mps",
            Form::Number(1.0, 60.0),
            "Wind at the device from which it must be in its refuge.",
        ),
        must(
            "wind_limit_source",
            Form::Text,
            "Where that limit comes from: the maker's sheet and page.",
        ),
        may(
            "wind_class",
            Form::Table(WIND_CLASS),
            "Wind class, to be compared with the limit.",
        ),
        must(
            "refuge",
            Form::Table(REFUGE),
            "Per guard, the pose in which it is out of harm's way.",
        ),
        must(
            "reversal_pause_s",
            Form::Number(0.0, 60.0),
            "Pause between running one way and the other.",
        ),
        may(
            "duty",
            Form::Table(DUTY),
            "Running time the motor allows; without it, no limit is watched.",
        ),
        or(
            "reference_after_moves",
            Form::Whole(0, 10_000),
            0.0,
            "Runs to an end stop after so many moves between the stops, to find its position again; 0 never.",
        ),
        may(
            "endurance_cycles",
            Form::Whole(1, 10_000_000),
            "Full cycles the maker vouches for.",
        ),
        may(
            "awning",
            Form::Table(AWNING),
            "Geometry of an awning; needed where a sun rule keeps the sun to a depth.",
        ),
        may(
            "g_total",
            Form::Number(0.0, 1.0),
            "Solar transmittance of glazing and shading together, for reports.",
        ),
    ],
};

pub(crate) const FEEDER: Section = Section {
    name: "feeder",
    often: Often::Some,
    defines: Some(Kind::Feeder),
    doc: "A breaker-protected circuit that several drives share.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "stagger_s",
            Form::Number(0.0, 60.0),
            "Least time between two starts on this feeder.",
        ),
        or(
            "starts_at_once",
            Form::Whole(1, 1000),
            1.0,
            "How many drives may start at one time.",
        ),
    ],
};

pub(crate) const GATEWAY: Section = Section {
    name: "gateway",
    often: Often::Any,
    defines: Some(Kind::Gateway),
    doc: "A device between the broker and some drives and sensors, whose presence is watched.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "silence_s",
            Form::Number(1.0, 86_400.0),
            "Not heard for this long: lost.",
        ),
        may(
            "topic",
            Form::Text,
            "Foreign topic on which it says that it is there.",
        ),
        may(
            "pointer",
            Form::Pointer,
            "JSON Pointer (RFC 6901) to that word in the message; without it, the whole message.",
        ),
        may("present", Form::Text, "What it says when it is there."),
        may(
            "absent",
            Form::Text,
            "What it, or its last will, says when it is not.",
        ),
    ],
};

const POWER: &[Key] = &[
    must(
        "running_from_w",
        Form::Number(0.1, 10_000.0),
        "Power from which on it counts as running.",
    ),
    must(
        "too_much_w",
        Form::Number(0.1, 10_000.0),
        "More than this is too much.",
    ),
    may(
        "supply_v",
        Form::Number(1.0, 1_000.0),
        "Where the plant measures the current: the voltage by which it counts as power.",
    ),
];

const LIMIT: &[Key] = &[
    must(
        "mps",
        Form::Number(1.0, 60.0),
        "Limit in m/s; it may only be lower than the product's.",
    ),
    must("source", Form::Text, "Where that limit comes from."),
];

pub(crate) const DEVICE: Section = Section {
    name: "device",
    often: Often::Some,
    defines: Some(Kind::Device),
    doc: "One shutter, slat blind, screen or awning with its drive, or many that are alike.",
    keys: &[
        may(
            "name",
            Form::Name,
            "What people call it. Give name, or names for several that are alike.",
        ),
        may(
            "names",
            Form::Names,
            "Names of several that are alike; \"S-101..108\" means eight.",
        ),
        must("product", Form::Ref(Kind::Product), "Its product."),
        may(
            "opening",
            Form::Ref(Kind::Opening),
            "The opening it covers. Give opening or facade.",
        ),
        may(
            "facade",
            Form::Ref(Kind::Facade),
            "The facade it hangs on, where it covers no opening.",
        ),
        may("room", Form::Ref(Kind::Room), "The room behind it."),
        may(
            "feeder",
            Form::Ref(Kind::Feeder),
            "The feeder its drive hangs on. Give feeder, or feeders.",
        ),
        may(
            "feeders",
            Form::Refs(Kind::Feeder),
            "Feeders over which these drives are dealt out in turn.",
        ),
        may(
            "gateway",
            Form::Ref(Kind::Gateway),
            "The gateway that reaches its drive.",
        ),
        may(
            "wind_limit",
            Form::Table(LIMIT),
            "A limit below that of its product: corner, large size. It counts for the whole group.",
        ),
        may(
            "doors",
            Form::Refs(Kind::Contact),
            "Doors (and windows) that it must never extend past while they are open.",
        ),
        or_said(
            "escape",
            Form::Flag,
            "false",
            "Whether it covers an escape, rescue or smoke opening.",
        ),
        may(
            "escape_allowed_by",
            Form::Text,
            "What allows it to extend in front of such an opening, such as a section of the fire concept; without it, check warns of each way in which it would.",
        ),
        may(
            "power",
            Form::Table(POWER),
            "What the plant measures of the drive's power, where it does.",
        ),
        may(
            "reports",
            Form::Flag,
            "Whether the plant tells where the drive stands; without it, true for our own form, and for a drive form that has a report.",
        ),
        may(
            "drive_form",
            Form::Ref(Kind::DriveForm),
            "How its drive is spoken to, where it does not know our own form.",
        ),
        may(
            "address",
            Form::Text,
            "What stands for {address} in the drive form; without it, the name.",
        ),
        may(
            "addresses",
            Form::Texts,
            "The same for several devices, in the order of their names.",
        ),
    ],
};

const NONE_BECAUSE: &[Key] = &[must(
    "none_because",
    Form::Text,
    "Why this group needs no such guard.",
)];

const QUIET: &[Key] = &[
    must("from", Form::Clock, "From this time of day."),
    must(
        "to",
        Form::Clock,
        "To this time of day; may be past midnight.",
    ),
];

pub(crate) const GROUP: Section = Section {
    name: "group",
    often: Often::Some,
    defines: Some(Kind::Group),
    doc: "Devices that are commanded together: same facade, same exposure, same kind.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "devices",
            Form::Refs(Kind::Device),
            "Its devices; \"S-101..108\" means eight.",
        ),
        must(
            "wind",
            Form::Or(&Form::Ref(Kind::Wind), &Form::Table(NONE_BECAUSE)),
            "Its wind rule, or { none_because = \"...\" }.",
        ),
        may(
            "wind_limit",
            Form::Table(LIMIT),
            "A limit below that of its products: top floor, corner, large size.",
        ),
        may(
            "hail",
            Form::Or(&Form::Ref(Kind::Hail), &Form::Table(NONE_BECAUSE)),
            "Its hail rule.",
        ),
        may(
            "ice",
            Form::Or(&Form::Ref(Kind::Ice), &Form::Table(NONE_BECAUSE)),
            "Its ice rule.",
        ),
        may(
            "rain",
            Form::Or(&Form::Ref(Kind::Rain), &Form::Table(NONE_BECAUSE)),
            "Its rain rule.",
        ),
        may("fire", Form::Ref(Kind::Fire), "Its fire rule."),
        must("timetable", Form::Ref(Kind::Timetable), "Its timetable."),
        must(
            "rest",
            Form::Pose,
            "Its pose when nothing asks for another.",
        ),
        may(
            "sun",
            Form::Ref(Kind::Sun),
            "Its sun rule; without it the sun moves nothing.",
        ),
        may(
            "hand",
            Form::Ref(Kind::Hand),
            "Its hand rule; without it, requests hold for an hour.",
        ),
        may(
            "quiet",
            Form::Table(QUIET),
            "Hours in which no comfort move happens.",
        ),
    ],
};
