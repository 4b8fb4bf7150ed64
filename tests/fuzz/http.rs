//! The page as it is asked over a line: bytes in front of the whole router, and a house
//! behind it that answers. Somebody is signed in who may do everything; what comes
//! without their cookie is a stranger's.

use super::{drain, file, now, scratch};
use hyper::server::conn::http1;
use hyper_util::rt::TokioIo;
use hyper_util::service::TowerToHyperService;
use leeside_config::closed_days::read_file;
use leeside_config::{LoadOptions, Site, load_site};
use leeside_core::Core;
use leeside_core::input::{Input, RestartCause};
use leeside_core::output::Output;
use leeside_daemon::clock::Clock;
use leeside_daemon::door::{self, Asked, Explained, Porter, SharedModel};
use leeside_daemon::{keeper, wire};
use leeside_page::people::NOBODY;
use leeside_page::{House, Options, pages};
use std::path::PathBuf;
use std::sync::{Arc, OnceLock};
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::runtime::Builder;
use tokio::sync::watch;
use tokio::time::Instant;

/// What the words of a request stand for: they differ from run to run, or follow from
/// what else stands in it.
const COOKIE: &str = "Cookie: leeside_session={session}\r\n";
const SIZED: &str = "Content-Length: {length}\r\n";
/// Whoever has no answer by then leaves: some answers never end, of others the question did not.
const PATIENCE: Duration = Duration::from_millis(100);
/// What is sure to be answered is waited for, however busy the machine is.
const LONG: Duration = Duration::from_secs(120);

const CALENDARS: [&str; 2] = ["house.ics", "cleaning.ics"];
const FORM: &str = "application/x-www-form-urlencoded";

/// Words of the form.
pub(super) const WORDS: &[&str] = &[
    "Cookie: leeside_session={session}\r\n",
    "csrf={csrf}&",
    "{revision}",
    "Content-Length: {length}\r\n",
    "Transfer-Encoding: chunked\r\n",
    "0\r\n\r\n",
    "Accept-Language: de\r\n",
    "Host: [::1]\r\n",
    "Expect: 100-continue\r\n",
    "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n",
    "HEAD",
    "Last-Event-ID: 1\r\n",
    "/../",
    "%00",
    "%E2%80%A8",
    "&day=",
    "9999-12-31",
    "-262143-01-01",
    "2027-10-31T02:30",
    "=1e308",
];

/// What can be looked at.
const SHOWN: [&str; 22] = [
    "/",
    "/calendar?year=2027",
    "/calendar/export?calendar=closed+days",
    "/calendar/entry?day=2027-08-09",
    "/why?group=harbour+offices+1&day=2027-06-01&at=10%3A14",
    "/why?room=meeting+room&day=2027-06-01",
    "/facade?facade=harbour&day=2027-06-21",
    "/facade/minutes.csv?facade=harbour&day=2027-06-21",
    "/year?weather=none.csv&year=2027",
    "/hands?group=harbour+offices+1",
    "/live",
    "/language?to=de&back=%2Fcalendar",
    "/assets/page.css",
    "/metrics",
    "/healthz",
    "/readyz",
    "/sign-in?to=/hands",
    "/nowhere/at/all",
    "/api/v1/openapi.json",
    "/api/v1/present",
    "/api/v1/groups/harbour%20offices%201/why",
    "/api/v1/calendars",
];

/// What a form sends.
const FORMS: [(&str, &str); 14] = [
    (
        "/hands/ask",
        "group=harbour+offices+1&what=pose&extension=40&tilt=-15&until=hour",
    ),
    (
        "/hands/ask",
        "group=harbour+offices+1&what=drive&drive=A-07&drive_extension=40&until=next_phase",
    ),
    (
        "/hands/ask",
        "group=harbour+offices+1&what=service_on&service_end=2027-06-01T18:00",
    ),
    ("/hands/arrange", "arrangement=projection"),
    ("/hands/acknowledge", "key=sensor_fault%2Fmast+slip"),
    (
        "/hands/bypass",
        "sensor=mast+slip&substitute=mast+yard&bypass_until=2027-06-02T10:00",
    ),
    ("/hands/reload", "do=reload"),
    (
        "/calendar/save",
        "calendar=closed+days&revision={revision}&name=Stocktaking+%26+summer&first=2027-08-09&last=2027-08-20&again=year&until=2031-08-09&do=preview",
    ),
    (
        "/calendar/save",
        "calendar=closed+days&revision={revision}&name=Stocktaking&first=2027-08-09&do=save",
    ),
    (
        "/calendar/remove",
        "calendar=closed+days&revision={revision}&uid=summer&do=save",
    ),
    (
        "/calendar/import",
        "calendar=closed+days&revision={revision}&text=BEGIN%3AVCALENDAR%0D%0AEND%3AVCALENDAR%0D%0A&do=preview",
    ),
    (
        "/calendar/undo",
        "calendar=closed+days&revision={revision}&do=save",
    ),
    ("/sign-in", "name=R.+Tenant&password=a%20long%20one"),
    ("/sign-out", ""),
];

/// What a program sends.
const MESSAGES: [(&str, &str); 6] = [
    (
        "/api/v1/requests",
        "{\"ask\":\"pose\",\"group\":\"harbour offices 1\",\"extension_pct\":40,\"hold_s\":600}",
    ),
    (
        "/api/v1/requests",
        "{\"ask\":\"bypass\",\"sensor\":\"mast slip\",\"until\":\"2027-06-02T10:00:00Z\"}",
    ),
    (
        "/api/v1/session",
        "{\"name\":\"R. Tenant\",\"password\":\"a long one, it is\"}",
    ),
    ("/api/v1/session/end", "{}"),
    (
        "/api/v1/calendars/closed%20days/entries",
        "{\"revision\":\"{revision}\",\"name\":\"Stocktaking\",\"first\":\"2027-08-09\"}",
    ),
    (
        "/api/v1/calendars/closed%20days/remove",
        "{\"revision\":\"{revision}\",\"uid\":\"summer\"}",
    ),
];

pub(super) fn seeds() -> Vec<Vec<u8>> {
    let get = |path: &&str| format!("GET {path} HTTP/1.1\r\nHost: localhost:8080\r\n{COOKIE}\r\n");
    let post = |path: &str, kind: &str, more: &str, body: &str| {
        format!(
            "POST {path} HTTP/1.1\r\nHost: localhost:8080\r\n{COOKIE}Content-Type: {kind}\r\n{SIZED}{more}\r\n{body}"
        )
    };
    let mut all: Vec<String> = SHOWN.iter().map(get).collect();
    all.extend(FORMS.map(|(path, body)| post(path, FORM, "", &format!("csrf={{csrf}}&{body}"))));
    let ours = "x-csrf-token: {csrf}\r\n";
    all.extend(MESSAGES.map(|(path, body)| post(path, "application/json", ours, body)));
    let parts = "multipart/form-data; boundary=cut";
    let part = |name: &str, rest: &str| {
        format!("--cut\r\nContent-Disposition: form-data; name=\"{name}\"{rest}\r\n")
    };
    let file = [
        part("csrf", "\r\n\r\n{csrf}"),
        part(
            "file",
            "; filename=\"w.csv\"\r\n\r\nutc,gust_ms\n2027-06-01T00:00:00Z,3\n",
        ),
        "--cut--\r\n".to_owned(),
    ];
    all.push(post("/year/weather", parts, "", &file.concat()));
    all.into_iter().map(String::into_bytes).collect()
}

/// A site on disk, and its core some time after the start.
struct Standing {
    site: Site,
    core: Core,
}

pub(super) fn ask(bytes: &[u8]) {
    static STANDING: OnceLock<Standing> = OnceLock::new();
    let standing = STANDING.get_or_init(|| {
        lay_out();
        let (site, _) =
            load_site(&scratch().join("site.toml"), &LoadOptions::around(2027)).unwrap();
        let mut core = Core::new(Arc::clone(&site.model), now(0));
        core.handle(now(1), Input::Restart(RestartCause::Started));
        core.handle(now(60_000), Input::Connected);
        drain(&mut core);
        let standing = Standing { site, core };
        // Somebody is signed in indeed, and their forms are taken.
        for (path, what) in [
            ("GET /hands?", "harbour"),
            ("POST /calendar/save", "Stocktaking"),
        ] {
            let known = seeds();
            let mut seeds = known
                .iter()
                .filter(|seed| seed.starts_with(path.as_bytes()));
            let heard = heard(&standing, seeds.next().unwrap(), LONG);
            let heard = String::from_utf8_lossy(&heard);
            let first = heard.lines().next();
            let well = heard.starts_with("HTTP/1.1 200") && heard.contains(what);
            assert!(well, "{path}: {first:?}");
        }
        standing
    });
    let _ = heard(standing, bytes, PATIENCE);
}

/// What is answered.
fn heard(standing: &Standing, bytes: &[u8], patience: Duration) -> Vec<u8> {
    // What the one before has changed.
    lay_out();
    let runtime = Builder::new_current_thread().enable_time().build().unwrap();
    let heard = runtime.block_on(asked(standing, bytes, patience));
    // What still works for this one must not slow down the next.
    runtime.shutdown_timeout(Duration::from_secs(600));
    heard
}

/// Written, not copied: an alarm of the harness may interrupt what copies files.
fn lay_out() {
    static CONTENTS: OnceLock<[Vec<u8>; 2]> = OnceLock::new();
    let example = |name: &str| file(&format!("deploy/example/{name}"));
    let contents = CONTENTS.get_or_init(|| {
        std::fs::write(scratch().join("site.toml"), example("site.toml")).unwrap();
        std::fs::write(people(), KEEPER.replace("{hash}", NOBODY)).unwrap();
        CALENDARS.map(example)
    });
    for (name, content) in CALENDARS.iter().zip(contents) {
        std::fs::write(scratch().join(name), content).unwrap();
    }
    for name in CALENDARS {
        // There may be none.
        let history = scratch().join(format!(".{name}.history"));
        drop(std::fs::remove_file(&history));
        drop(std::fs::remove_dir_all(&history));
    }
}

const KEEPER: &str =
    "[[person]]\nname = \"A. Keeper\"\nrole = \"configure\"\npassword = \"{hash}\"\n";

fn people() -> PathBuf {
    scratch().join("keepers.toml")
}

async fn asked(standing: &Standing, bytes: &[u8], patience: Duration) -> Vec<u8> {
    let site = &standing.site;
    let (looks_in, porter) = door::door(&site.model, &site.fingerprint, now(60_000));
    let answering = tokio::spawn(answer(porter, standing.core.clone()));
    let (_goes_on, stop) = watch::channel(false);
    let mut settings = site.wire.page.clone();
    settings.listen = Some(([127, 0, 0, 1], 8080).into());
    settings.people_file = Some(people());
    let house = House::new(Options {
        site: scratch().join("site.toml"),
        settings,
        door: looks_in,
        // Nobody loads anything anew.
        reloads: keeper::reloads().0,
        clock: Arc::new(Clock::simulated(now(60_000).wall, 1)),
        journal: None,
        stop,
    });
    let session = house.sessions.begin("A. Keeper", NOBODY, Instant::now());
    let csrf = house.sessions.find(&session, Instant::now()).unwrap().csrf;
    let revision = read_file(&scratch().join("house.ics")).unwrap().1;
    let words = [
        ("{session}", &session),
        ("{csrf}", &csrf),
        ("{revision}", &revision),
    ];
    let bytes = filled(bytes, &words.map(|(word, text)| (word, text.as_str())));
    let (mut here, there) = tokio::io::duplex(1 << 16);
    let router = TowerToHyperService::new(pages::router(&house));
    let serving = http1::Builder::new()
        .half_close(true)
        .serve_connection(TokioIo::new(there), router);
    let mut heard = Vec::new();
    let asking = async {
        // Cut off is an answer, too.
        let _ = here.write_all(&bytes).await;
        let _ = here.shutdown().await;
        let _ = here.read_to_end(&mut heard).await;
    };
    let both = async { tokio::join!(serving, asking) };
    let _ = tokio::time::timeout(patience, both).await;
    answering.abort();
    heard
}

/// The words for what they stand for; the length is that of what follows the first empty line.
fn filled(bytes: &[u8], words: &[(&str, &str)]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    for (word, text) in words {
        bytes = replaced(&bytes, word.as_bytes(), text.as_bytes());
    }
    let end = bytes.windows(4).position(|four| four == b"\r\n\r\n");
    let length = end.map_or(0, |at| bytes.len() - at - 4).to_string();
    replaced(&bytes, b"{length}", length.as_bytes())
}

fn replaced(bytes: &[u8], word: &[u8], by: &[u8]) -> Vec<u8> {
    let (mut out, mut rest) = (Vec::with_capacity(bytes.len()), bytes);
    while let Some(at) = rest.windows(word.len()).position(|here| here == word) {
        out.extend_from_slice(&rest[..at]);
        out.extend_from_slice(by);
        rest = &rest[at + word.len()..];
    }
    out.extend_from_slice(rest);
    out
}

/// The loop, as far as the page can see it.
async fn answer(mut porter: Porter, mut core: Core) {
    let shown = wire::Board::default();
    let mut at = 60_000;
    porter.show(&core, &shown, now(at), true);
    loop {
        // Nobody may wait for the answer any more.
        match porter.next().await {
            Asked::Request(_, request, answer) => {
                at += 1_000;
                core.handle(now(at), Input::Request(request));
                let outputs = outputs(&mut core);
                porter.note(&outputs);
                let _ = answer.send(Ok(door::refusals(&outputs)));
            }
            Asked::Explain(SharedModel(model), group, answer) => {
                let _ = answer.send(Ok(Explained {
                    at: core.now(),
                    model: SharedModel(model),
                    explanation: core.explain(group),
                    ranks: core.ranks(group),
                }));
            }
            Asked::HowIsIt(_) => {}
        }
        // Whoever waits to see what came of it waits for the second from here.
        for _ in 0..2 {
            porter.show(&core, &shown, now(at), true);
        }
    }
}

fn outputs(core: &mut Core) -> Vec<Output> {
    std::iter::from_fn(|| Some(core.poll()))
        .take_while(|output| !matches!(output, Output::Wake(_)))
        .collect()
}
