//! Broker, message forms of foreign plants, journal, page.

use crate::site::form::{Form, Key, Kind, Often, Section, may, must, or, or_said};

const TLS: &[Key] = &[
    must(
        "ca_file",
        Form::Text,
        "Certificates (PEM) that may vouch for the broker.",
    ),
    may(
        "certificate_file",
        Form::Text,
        "Our own certificate (PEM), where the broker asks for one.",
    ),
    may(
        "key_file",
        Form::Text,
        "The key (PEM) of our own certificate.",
    ),
];

const LOGIN: &[Key] = &[
    must("user", Form::Text, "User name."),
    must(
        "password_file",
        Form::Text,
        "File whose first line is the password.",
    ),
];

const EXTERNAL: &[Key] = &[
    must("host", Form::Text, "Host name or address."),
    or("port", Form::Whole(1, 65_535), 1883.0, "Port."),
    or_said(
        "protocol",
        Form::Word(&[
            ("5", "MQTT 5"),
            ("3.1.1", "MQTT 3.1.1, for brokers without 5"),
        ]),
        "5",
        "Protocol version.",
    ),
    may(
        "tls",
        Form::Table(TLS),
        "TLS; without it, the line is not encrypted.",
    ),
    may("login", Form::Table(LOGIN), "User name and password."),
];

const EMBEDDED: &[Key] = &[must(
    "listen",
    Form::Text,
    "Address and port it listens on, such as 127.0.0.1:1883.",
)];

pub(crate) const BROKER: Section = Section {
    name: "broker",
    often: Often::AtMostOnce,
    defines: None,
    doc: "The MQTT broker. Without external, one inside the daemon is used.",
    keys: &[
        may(
            "external",
            Form::Table(EXTERNAL),
            "A broker that runs elsewhere. Give external or embedded.",
        ),
        may(
            "embedded",
            Form::Table(EMBEDDED),
            "The broker inside the daemon; without it, on 127.0.0.1:1883.",
        ),
        or_said("root", Form::Text, "leeside", "Root of our own topics."),
        or_said(
            "client_id",
            Form::Text,
            "leeside",
            "Client identifier towards the broker.",
        ),
        or(
            "keep_alive_s",
            Form::Whole(5, 3600),
            15.0,
            "A sign of life at least this often.",
        ),
    ],
};

const COMMAND: &[Key] = &[
    must(
        "topic",
        Form::Text,
        "Topic, with {address} or {device} in it.",
    ),
    must(
        "message",
        Form::Text,
        "Message, with placeholders such as {extension_pct}.",
    ),
];

const REPORT: &[Key] = &[
    must(
        "topic",
        Form::Text,
        "Topic, with {address} or {device} in it.",
    ),
    may(
        "extension",
        Form::Pointer,
        "JSON Pointer (RFC 6901) to the extension in %; \"\" where the whole message is that number.",
    ),
    or(
        "extension_factor",
        Form::Number(-1000.0, 1000.0),
        1.0,
        "The reported extension is multiplied by this; -1 where the plant counts from extended (0) to retracted (100).",
    ),
    or(
        "extension_offset_pct",
        Form::Number(-1000.0, 1000.0),
        0.0,
        "Added after the factor; 100 where the factor turns the count round.",
    ),
    may(
        "tilt",
        Form::Pointer,
        "JSON Pointer to the tilt in degrees.",
    ),
    or(
        "tilt_factor",
        Form::Number(-1000.0, 1000.0),
        1.0,
        "The reported tilt is multiplied by this.",
    ),
    or(
        "tilt_offset_deg",
        Form::Number(-360.0, 360.0),
        0.0,
        "Added after the factor.",
    ),
    may(
        "power",
        Form::Pointer,
        "JSON Pointer to the electrical power in W.",
    ),
    or(
        "power_factor",
        Form::Number(-1_000_000.0, 1_000_000.0),
        1.0,
        "The reported power is multiplied by this; 0.001 where it is in mW.",
    ),
    may(
        "current",
        Form::Pointer,
        "JSON Pointer to the current in A, where that is measured; `supply_v` in the device's `power` makes power of it.",
    ),
    or(
        "current_factor",
        Form::Number(-1_000_000.0, 1_000_000.0),
        1.0,
        "The reported current is multiplied by this; 0.001 where it is in mA.",
    ),
    may(
        "moving",
        Form::Pointer,
        "JSON Pointer to a flag that is true while the drive runs.",
    ),
    may(
        "fault",
        Form::Pointer,
        "JSON Pointer to a flag that is true when the drive cannot move.",
    ),
];

pub(crate) const DRIVE_FORM: Section = Section {
    name: "drive_form",
    often: Often::Any,
    defines: Some(Kind::DriveForm),
    doc: "How the drives of a foreign plant are spoken to.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        must(
            "pose",
            Form::Table(COMMAND),
            "Topic and message that send a drive to a pose.",
        ),
        may(
            "halt",
            Form::Table(COMMAND),
            "Topic and message that halt a drive.",
        ),
        may("report", Form::Table(REPORT), "How the plant reports."),
    ],
};

pub(crate) const JOURNAL: Section = Section {
    name: "journal",
    often: Often::AtMostOnce,
    defines: None,
    doc: "The durable record of readings, requests, verdicts and commands.",
    keys: &[
        or_said(
            "file",
            Form::Text,
            crate::site::DEFAULT_JOURNAL,
            "The journal file; relative to the site file.",
        ),
        or(
            "keep_days",
            Form::Whole(0, 36_500),
            0.0,
            "Days to keep; 0: all.",
        ),
        or(
            "keep_mb",
            Form::Whole(0, 1_000_000),
            0.0,
            "Size of the file, MB, above which the oldest entries are deleted; 0: no bound.",
        ),
    ],
};

pub(crate) const ALARM_RECEIVER: Section = Section {
    name: "alarm_receiver",
    often: Often::Any,
    defines: Some(Kind::AlarmReceiver),
    doc: "Somebody beside the broker who is told of alarms: a program on this machine, or a web server.",
    keys: &[
        must("name", Form::Name, "What people call it."),
        may(
            "command",
            Form::Texts,
            "Program and arguments, run once for each alarm with the message on its standard input; no shell is involved. Give command or webhook.",
        ),
        may(
            "webhook",
            Form::Text,
            "Address to which each alarm is posted as JSON, such as https://alarms.example/house.",
        ),
        may(
            "ca_file",
            Form::Text,
            "Certificates (PEM) that may vouch for the web server; without it, those that this machine trusts.",
        ),
        may(
            "token_file",
            Form::Text,
            "File whose first line is sent as a bearer token (RFC 6750).",
        ),
        or(
            "timeout_s",
            Form::Whole(1, 60),
            10.0,
            "One that takes longer has failed; it is tried three times.",
        ),
    ],
};

const PAGE_TLS: &[Key] = &[
    must(
        "certificate_file",
        Form::Text,
        "The page's certificate and what vouches for it (PEM).",
    ),
    must("key_file", Form::Text, "The key (PEM) of that certificate."),
    may(
        "client_ca_file",
        Form::Text,
        "Authority (PEM) that vouches for browsers: only those with a certificate of it get to the page at all.",
    ),
];

pub(crate) const PAGE: Section = Section {
    name: "page",
    often: Often::AtMostOnce,
    defines: None,
    doc: "The page. Without this section there is none.",
    keys: &[
        or_said(
            "listen",
            Form::Text,
            "127.0.0.1:8080",
            "Address and port it listens on.",
        ),
        may(
            "people_file",
            Form::Text,
            "File with the people who may sign in; without it the page only shows.",
        ),
        may(
            "tls",
            Form::Table(PAGE_TLS),
            "TLS by the page itself; without it, the line is not encrypted.",
        ),
        may(
            "behind_proxy",
            Form::Flag,
            "A proxy in front speaks TLS with the browsers, sets X-Forwarded-For, and is the only way to the page.",
        ),
        may(
            "weather_folder",
            Form::Text,
            "Folder with weather files to choose from for the year; without it, those beside the site file.",
        ),
    ],
};
