//! What reads from outside. A target must come back; what it answers is tested
//! elsewhere.

#[path = "http.rs"]
mod http;

use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use flate2::read::GzDecoder;
use leeside_config::calendar::Calendar;
use leeside_config::{LoadOptions, Site, closed_days, load_site, site};
use leeside_core::Core;
use leeside_core::input::{Input, RestartCause};
use leeside_core::output::Output;
use leeside_core::time::{Now, Steady, Wall};
use leeside_daemon::resume::{State, resume};
use leeside_daemon::versions::Versions;
use leeside_daemon::wire::{Arrival, Decoded, Decoder, Topics};
use leeside_dryrun::weather;
use leeside_journal::{Batch, Journal, Kind, Snapshot, Span};
use leeside_page::form::Fields;
use leeside_page::people::People;
use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

/// Something that reads bytes.
pub(crate) struct Target {
    pub(crate) name: &'static str,
    pub(crate) seeds: fn() -> Vec<Vec<u8>>,
    /// Words of the form.
    pub(crate) words: &'static [&'static str],
    pub(crate) run: fn(&[u8]),
}

pub(crate) const TARGETS: &[Target] = &[
    Target {
        name: "site",
        seeds: site_seeds,
        words: &[
            "[[device]]",
            "[[group]]",
            "[days]",
            "[policy]",
            "names = [\"S-1..99999999\"]",
            "\"always\"",
            "1979-05-27",
            "\"\"\"",
            "inf",
            "{ extension_pct = 100, tilt_deg = 75 }",
            "\"sunset\"",
            "[holidays]\nregion = \"US\"\n",
            "\"Pacific/Apia\"",
            "latitude_deg = 90\n",
            "hold_min = 0\n",
        ],
        run: a_site,
    },
    Target {
        name: "calendar",
        seeds: calendar_seeds,
        words: &[
            "RRULE:FREQ=",
            "YEARLY",
            "SECONDLY",
            "BYSETPOS=-1",
            "BYDAY=5MO,-5SU",
            "BYMONTHDAY=-31",
            "BYWEEKNO=53",
            "BYYEARDAY=366",
            "INTERVAL=0",
            "COUNT=99999999",
            "UNTIL=99991231T235959Z",
            "DTSTART;VALUE=DATE:00010101",
            "DURATION:P99999W",
            "EXDATE",
            "RDATE;VALUE=PERIOD",
            "TZID=",
            "RECURRENCE-ID;RANGE=THISANDFUTURE:",
            "BEGIN:VTIMEZONE\r\n",
            "BEGIN:VEVENT\r\n",
            "END:VEVENT\r\n",
            "\r\n ",
            "TZOFFSETTO:+235959",
        ],
        run: a_calendar,
    },
    Target {
        name: "weather",
        seeds: weather_seeds,
        words: &[
            "LOCATION,",
            "DATA PERIODS",
            "24:00",
            "utc,",
            "gust_ms",
            "NA",
            "9999",
            "2013-02-30T25:00:00Z",
            "\u{feff}",
            "\r",
            "\"\"",
            ",,,,,,",
            "[time]\n",
            "[columns.gust]\n",
            "step = \"0h\"\n",
            "zone = \"Europe/Berlin\"\n",
            "label = \"end\"\n",
            "storm:",
        ],
        run: a_weather_file,
    },
    Target {
        name: "messages",
        seeds: message_seeds,
        words: &[
            "quick/sensor/wind south",
            "quick/request",
            "quick/drive/S-1/report",
            "quick/contact/terrace door",
            "{\"gust_mps\":",
            "\"mean_mps\":",
            "\"ask\":\"pose\"",
            "\"hold_s\":",
            "\"until\":\"next_phase\"",
            "\"sequence\":",
            "\"state\":\"moving\"",
            "null",
            "\"power_w\":",
            "[[[[[[[[[[[[[[[[",
            "{\"a\":{\"a\":{\"a\":",
            "\"extension_pct\":",
            "\"tilt_deg\":",
            "\\ud800",
            "\\u0000",
        ],
        run: messages,
    },
    Target {
        name: "forms",
        seeds: form_seeds,
        words: &[
            "&",
            "=",
            "%",
            "%00",
            "%ff",
            "%F0%9F%8C%9E",
            "+",
            "name=",
            "password=",
            "[[person]]\n",
            "role = \"operate\"\n",
            "rooms = [\"office\"]\n",
            "$argon2id$v=19$m=19456,t=2,p=1$",
            "\"\"\"",
        ],
        run: forms,
    },
    Target {
        name: "http",
        seeds: http::seeds,
        words: http::WORDS,
        run: http::ask,
    },
    Target {
        name: "rows",
        seeds: row_seeds,
        words: &[
            "{\"reading\":{\"sensor\":",
            "{\"request\":",
            "{\"contact\":{\"contact\":",
            "{\"report\":",
            "\"device\":",
            "\"group\":",
            "\"timers\":[",
            "\"groups\":{",
            "\"steady\":",
            "\"wall\":",
            "null",
            "[]",
            "{}",
            "\"core\":",
            "\"inner\":{",
            "\"order\":[",
        ],
        run: rows,
    },
    Target {
        name: "journal",
        seeds: journal_seeds,
        words: &[
            "entry",
            "snapshot",
            "SQLite format 3\0",
            "CREATE TABLE",
            "\0\0\0\0",
        ],
        run: a_journal_file,
    },
];

/// The project's folder, also seen from the crate in `guided/`.
fn root() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let holds_all =
        |folder: &&Path| folder.join("Cargo.lock").is_file() && folder.join("deploy").is_dir();
    here.ancestors().find(holds_all).unwrap().to_owned()
}

fn all_of(folder: &str, ending: &str) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(root().join(folder))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.to_string_lossy().ends_with(ending))
        .collect();
    paths.sort();
    paths
        .iter()
        .map(|path| std::fs::read(path).unwrap())
        .collect()
}

fn file(path: &str) -> Vec<u8> {
    std::fs::read(root().join(path)).unwrap()
}

fn moment(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

fn site_seeds() -> Vec<Vec<u8>> {
    let mut all = all_of("tests/sites", ".toml");
    all.extend(all_of("tests/broken", ".toml"));
    all
}

fn a_site(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let mut beside = BTreeMap::from([
        (
            "house.ics".to_owned(),
            String::from_utf8_lossy(&file("deploy/example/house.ics")).into_owned(),
        ),
        ("closed.ics".to_owned(), "BEGIN:VCALENDAR\r\n".to_owned()),
    ]);
    let outcome = site::parse("site.toml", &text, &mut beside, &LoadOptions::around(2027));
    for diagnostic in &outcome.diagnostics {
        let _ = diagnostic.render(&text, false);
    }
    let _ = closed_days::house_calendar(&text);
    // What was let through can be run.
    if let Some(site) = outcome.site {
        let mut core = Core::new(Arc::clone(&site.model), now(0));
        let inputs = [
            Input::Restart(RestartCause::Started),
            Input::Connected,
            Input::Tick,
        ];
        for (input, minutes) in inputs.into_iter().zip(1..) {
            core.handle(now(minutes * 60_000), input);
            drain(&mut core);
        }
    }
}

fn calendar_seeds() -> Vec<Vec<u8>> {
    let mut all = all_of("config/tests/broken_calendars", ".ics");
    all.extend(all_of("deploy/example", ".ics"));
    all
}

fn a_calendar(bytes: &[u8]) {
    let (calendar, _) = Calendar::parse("x.ics", bytes);
    let (from, to) = (
        moment("2027-01-01T00:00:00Z"),
        moment("2028-01-01T00:00:00Z"),
    );
    let _ = calendar.occurrences(from, to, Tz::America__New_York);
    let _ = calendar.overlapping(from, to, Tz::Australia__Lord_Howe);
    let _ = closed_days::list("x.ics", &String::from_utf8_lossy(bytes));
}

/// The first lines of the real files, plain and packed; with what stands beside
/// them after a line of its own.
fn weather_seeds() -> Vec<Vec<u8>> {
    let mut all = vec![b"storm: gust 20 m/s for 2 h".to_vec()];
    for packed in all_of("tests/weather", ".gz") {
        let mut head = vec![0; 6_000];
        let length = GzDecoder::new(packed.as_slice()).read(&mut head).unwrap();
        head.truncate(length);
        let lines = head.iter().rposition(|byte| *byte == b'\n').unwrap_or(0) + 1;
        head.truncate(lines);
        all.push(head);
        all.push(packed[..packed.len().min(3_000)].to_vec());
    }
    let described = [
        all[3].clone(),
        BESIDE.to_vec(),
        file("tests/weather/nycflights13_jfk_2013.csv.gz.toml"),
    ];
    all.push(described.concat());
    all
}

const BESIDE: &[u8] = b"\n%%%% beside\n";

fn a_weather_file(bytes: &[u8]) {
    let place = scratch().join("weather.csv");
    let beside = scratch().join("weather.csv.toml");
    let cut = bytes
        .windows(BESIDE.len())
        .position(|window| window == BESIDE);
    let (data, about) = cut.map_or((bytes, None), |at| {
        (&bytes[..at], Some(&bytes[at + BESIDE.len()..]))
    });
    std::fs::write(&place, data).unwrap();
    match about {
        Some(about) => std::fs::write(&beside, about).unwrap(),
        None => drop(std::fs::remove_file(&beside)),
    }
    let (from, to) = (Wall(1_357_000_000_000), Wall(1_357_200_000_000));
    for path in [
        place.as_path(),
        Path::new(String::from_utf8_lossy(data).as_ref()),
    ] {
        if path != place && !data.starts_with(b"storm:") {
            continue;
        }
        if let Ok(weather) = weather::read(path) {
            let _ = weather.over(from, to);
        }
    }
}

/// Topic, line, payload.
fn message_seeds() -> Vec<Vec<u8>> {
    let texts = [
        "quick/sensor/wind south\n{\"gust_mps\":13.0,\"mean_mps\":9.0,\"direction_deg\":180}",
        "quick/sensor/rain\n{\"value\":0.4,\"at\":\"2027-06-01T10:00:00Z\"}",
        "quick/sensor/rain\n1.5",
        "quick/contact/terrace door\n{\"active\":true}",
        "quick/drive/S-1/report\n{\"state\":\"standing\",\"sequence\":3,\"extension_pct\":100,\"tilt_deg\":30,\"power_w\":120.5}",
        "quick/request\n{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"south slats\",\"extension_pct\":40,\"hold_s\":600}",
        "quick/request\n{\"by\":\"panel\",\"ask\":\"drive\",\"drive\":\"S-1\",\"tilt_deg\":10,\"until\":\"next_phase\"}",
        "quick/request\n{\"by\":\"panel\",\"ask\":\"halt\",\"group\":\"west screens\"}",
        "quick/request\n{\"by\":\"panel\",\"ask\":\"release\",\"group\":\"west screens\"}",
        "quick/request\n{\"by\":\"fm\",\"ask\":\"service\",\"group\":\"west screens\",\"on\":true,\"expected_end\":\"2027-06-01T10:00:00Z\"}",
        "quick/request\n{\"by\":\"fm\",\"ask\":\"bypass\",\"sensor\":\"wind west\",\"substitute\":\"wind roof\",\"until\":\"2027-06-01T10:00:00Z\"}",
        "quick/request\n{\"by\":\"fm\",\"ask\":\"acknowledge\",\"key\":\"sensor_fault/wind west\"}",
        "quick/gateway/cabinet\nonline",
        "roof/weather\n{\"wind\":{\"gust\":40.2,\"mean\":20},\"at\":\"2027-06-01T10:00:00Z\"}",
        "hall/17/state\n{\"position\":40,\"moving\":false}",
    ];
    texts.map(|text| text.as_bytes().to_vec()).into()
}

fn messages(bytes: &[u8]) {
    static DECODERS: OnceLock<Vec<(Decoder, Site)>> = OnceLock::new();
    let decoders = DECODERS.get_or_init(|| {
        let of = |name: &str| {
            let (site, _) = load_site(&root().join(name), &LoadOptions::around(2027)).unwrap();
            let topics = Topics::new("quick");
            (
                Decoder::new(Arc::clone(&site.model), &topics, &site.wire),
                site,
            )
        };
        [
            "tests/sites/quick.toml",
            "tests/sites/foreign.toml",
            "deploy/example/site.toml",
        ]
        .map(of)
        .into()
    });
    let at = bytes
        .iter()
        .position(|byte| *byte == b'\n')
        .unwrap_or(bytes.len());
    let topic = String::from_utf8_lossy(&bytes[..at]).into_owned();
    let payload = bytes.get(at + 1..).unwrap_or_default();
    for (decoder, site) in decoders {
        let mut core = Core::new(Arc::clone(&site.model), now(0));
        core.handle(now(1), Input::Restart(RestartCause::Started));
        // What a foreign site listens to has topics of its own: each hears this as well.
        let topics = std::iter::once(&topic).chain(decoder.foreign_topics());
        for topic in topics {
            let arrival = Arrival {
                topic,
                payload,
                retained: false,
                at: now(10).wall,
            };
            for decoded in decoder.decode(&arrival) {
                let input = match decoded {
                    Decoded::Input(input) => Some(input),
                    Decoded::Malformed { why, input } => {
                        let _ = why.to_string();
                        input
                    }
                    Decoded::Retained | Decoded::Unknown => None,
                };
                if let Some(input) = input {
                    core.handle(now(20), input);
                    drain(&mut core);
                }
            }
        }
        for ms in [30, 5_000, 60_000] {
            core.handle(now(ms), Input::Tick);
            drain(&mut core);
        }
    }
}

/// What the page reads that people write: forms as a browser sends them, and the
/// file of people.
fn form_seeds() -> Vec<Vec<u8>> {
    let texts = [
        "name=R.+Tenant&password=a%20long%20one&token=0123abcd",
        "group=south+slats&extension_pct=40&tilt_deg=-15&hold_min=90",
        "first=2027-08-09&last=2027-08-20&name=Stocktaking+%26+summer&yearly=on",
        "[[person]]\nname = \"R. Tenant\"\nrole = \"operate\"\nrooms = [\"office\"]\npassword = \"$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHQ$aGFzaA\"\n",
    ];
    texts.map(|text| text.as_bytes().to_vec()).into()
}

fn forms(bytes: &[u8]) {
    if let Ok(fields) = Fields::encoded(bytes) {
        for name in ["name", "password", "first", "extension_pct"] {
            let _ = (
                fields.text(name),
                fields.raw(name),
                fields.some(name),
                fields.ticked(name),
                fields.file(name),
            );
        }
    }
    let path = scratch().join("people.toml");
    std::fs::write(&path, bytes).unwrap();
    if let Err(error) = People::read(&path) {
        let _ = error.to_string();
    }
}

/// A journal with a little of everything, made once.
fn sample() -> &'static Path {
    static SAMPLE: OnceLock<PathBuf> = OnceLock::new();
    SAMPLE.get_or_init(|| {
        let path = scratch().join("sample.sqlite");
        let db = rusqlite::Connection::open(&path).unwrap();
        db.execute_batch(include_str!("../broker/old/journal_format_1.sql"))
            .unwrap();
        path
    })
}

fn row_seeds() -> Vec<Vec<u8>> {
    let journal = Journal::open_read_only(sample()).unwrap();
    let mut all: Vec<Vec<u8>> = journal
        .entries(Span::ALL)
        .map(Result::unwrap)
        .filter(|entry| entry.kind.is_input())
        .map(|entry| entry.body.into_bytes())
        .collect();
    let (_, _, snapshot) = journal.snapshot_before(i64::MAX).unwrap().unwrap();
    // A state is much larger than a row: as often as rows, all the same.
    for _ in 0..all.len() {
        all.push(snapshot.body.clone().into_bytes());
    }
    all
}

fn rows(bytes: &[u8]) {
    static SITE: OnceLock<Site> = OnceLock::new();
    let site = SITE.get_or_init(|| {
        let path = root().join("tests/sites/quick.toml");
        load_site(&path, &LoadOptions::around(2027)).unwrap().0
    });
    // As the program finds it at its start: a state, or a sound state with a row after it.
    let state = serde_json::from_slice::<State>(bytes);
    let is_state = state.is_ok();
    let sound = serde_json::from_str::<State>(&sound_state()).unwrap();
    // A row bears the moment of its state.
    let kept = state.unwrap_or(sound).core.taken;
    let text = String::from_utf8_lossy(bytes).into_owned();
    let path = scratch().join("rows.sqlite");
    for end in ["", "-wal", "-shm"] {
        // Whatever the last one left.
        drop(std::fs::remove_file(
            scratch().join(format!("rows.sqlite{end}")),
        ));
    }
    let mut journal = Journal::open(&path).unwrap();
    let mut batch = Batch::new();
    batch.snapshot(
        kept,
        Snapshot {
            fingerprint: site.fingerprint.clone(),
            body: if is_state {
                text.clone()
            } else {
                sound_state()
            },
        },
    );
    journal.write(&batch).unwrap();
    if !is_state {
        journal
            .append_output(kept.plus(1), Kind::Reading, "x", text)
            .unwrap();
    }
    let begin = now(1_000);
    let resumed = resume(
        Some(&journal),
        &mut Versions::new(site, Some(&journal)),
        begin,
    );
    let cause = resumed.cause();
    let mut core = resumed.core;
    core.handle(begin, Input::Restart(cause));
    drain(&mut core);
    core.handle(begin.plus(60_000), Input::Tick);
    drain(&mut core);
    let _ = core.snapshot();
}

fn sound_state() -> String {
    static STATE: OnceLock<String> = OnceLock::new();
    let state = STATE.get_or_init(|| {
        let journal = Journal::open_read_only(sample()).unwrap();
        journal.snapshot_before(i64::MAX).unwrap().unwrap().2.body
    });
    state.clone()
}

fn journal_seeds() -> Vec<Vec<u8>> {
    vec![std::fs::read(sample()).unwrap()]
}

fn a_journal_file(bytes: &[u8]) {
    let path = scratch().join("damaged.sqlite");
    for end in ["", "-wal", "-shm", "-journal"] {
        // Whatever the last one left.
        drop(std::fs::remove_file(
            scratch().join(format!("damaged.sqlite{end}")),
        ));
    }
    std::fs::write(&path, bytes).unwrap();
    if let Ok(journal) = Journal::open_read_only(&path) {
        let _ = journal.verify();
        for entry in journal.entries(Span::ALL).flatten() {
            let _ = entry.input();
        }
        let _ = journal.naming("A. Person");
        let _ = journal.snapshot_before(i64::MAX);
    }
    if let Ok(mut journal) = Journal::open(&path) {
        let _ = journal.append(now(0), "x", &Input::Tick);
        let _ = journal.erase(now(1), "panel");
        let _ = journal.prune_to_size(now(2), 1_000);
    }
}

/// 2027-06-01T10:00:00Z and so many milliseconds.
fn now(ms: i64) -> Now {
    Now {
        wall: Wall(1_811_844_000_000 + ms),
        steady: Steady(ms),
    }
}

fn drain(core: &mut Core) {
    // A core that never comes to its end hangs the daemon: so it may not here.
    for _ in 0..100_000 {
        if matches!(core.poll(), Output::Wake(_)) {
            return;
        }
    }
    panic!("the core does not come to its end");
}

/// A folder of this process. In memory, where there is such a place.
fn scratch() -> &'static Path {
    static SCRATCH: OnceLock<tempfile::TempDir> = OnceLock::new();
    SCRATCH
        .get_or_init(|| {
            let memory = Path::new("/dev/shm");
            if memory.is_dir() {
                tempfile::tempdir_in(memory).unwrap()
            } else {
                tempfile::tempdir().unwrap()
            }
        })
        .path()
}
