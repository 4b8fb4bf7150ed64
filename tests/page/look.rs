//! Pictures of every page, to be looked at by people: in both variants, on a desk and
//! on a phone. They are no test; run them by hand:
//!
//!     cargo test --test page -- --ignored pictures
//!
//! They land in `target/look`, or where `LOOK` says.

use crate::brokers::{PATIENCE, free_port, wait_for_port};
use crate::browser::Browser;
use crate::daemon::Daemon;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Name and password of the one who looks.
const LOOKER: (&str, &str) = ("keeper", "wind from the west");

/// The example house with a simulated plant.
struct Example {
    _daemon: Daemon,
    page: u16,
    _folder: tempfile::TempDir,
}

impl Example {
    /// From a moment on, so much quicker than life.
    fn start(from: &str, speed: &str) -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let folder = tempfile::tempdir().unwrap();
        for entry in std::fs::read_dir(root.join("deploy/example"))
            .unwrap()
            .flatten()
        {
            std::fs::copy(entry.path(), folder.path().join(entry.file_name())).unwrap();
        }
        let weather = folder.path().join("typical-year.csv.gz");
        std::fs::copy(
            root.join("tests/weather/tmy3_744860_new_york_jfk.csv.gz"),
            &weather,
        )
        .unwrap();
        let (broker, page) = (free_port(), free_port());
        let path = folder.path().join("site.toml");
        let text = std::fs::read_to_string(&path).unwrap();
        let text = text
            .replace("127.0.0.1:1883", &format!("127.0.0.1:{broker}"))
            .replace(
                "listen = \"127.0.0.1:8080\"",
                &format!("listen = \"127.0.0.1:{page}\"\npeople_file = \"people.toml\""),
            );
        std::fs::write(&path, text).unwrap();
        let added = crate::house::people_verb(
            &path,
            &["add", "SITE", LOOKER.0, "--role", "configure"],
            LOOKER.1,
        );
        assert!(
            added.status.success(),
            "{}",
            String::from_utf8_lossy(&added.stderr)
        );
        let journal = folder.path().join("journal.sqlite");
        let (weather, journal) = (weather.display().to_string(), journal.display().to_string());
        let more = [
            "--plant",
            "simulated",
            "--weather",
            &weather,
            "--journal",
            &journal,
            "--speed",
            speed,
            "--quiet",
            "--from",
            from,
        ];
        let daemon = Daemon::start(&path, &more);
        wait_for_port(page);
        Self {
            _daemon: daemon,
            page,
            _folder: folder,
        }
    }

    fn sign_in(&self, browser: &Browser) {
        self.open(browser, "/sign-in");
        browser.fill("#name", LOOKER.0);
        browser.fill("#password", LOOKER.1);
        browser.click("main button");
        browser.wait("nav.pages");
    }

    fn open(&self, browser: &Browser, page: &str) {
        browser.go(&format!("http://127.0.0.1:{}{page}", self.page));
        let begin = Instant::now();
        while browser.has(".waiting") && begin.elapsed() < PATIENCE * 4 {
            std::thread::sleep(Duration::from_millis(300));
        }
    }
}

/// Takes a picture of what is open, by day and by night, on desk and phone.
fn picture(browser: &Browser, folder: &Path, name: &str, open: impl Fn(&Browser)) {
    for (size, phone) in [("desk", false), ("phone", true)] {
        if phone {
            browser.phone();
        } else {
            browser.desk();
        }
        for (variant, night) in [("day", false), ("night", true)] {
            browser.night(night);
            open(browser);
            std::thread::sleep(Duration::from_millis(700));
            let path = folder.join(format!("{name}-{size}-{variant}.png"));
            std::fs::write(path, decoded(&browser.picture())).unwrap();
        }
    }
}

fn typed(browser: &Browser, first: &str, last: &str) {
    browser.fill("#name", "Stocktaking");
    browser.set("#first", first);
    browser.set("#last", last);
    browser.click("button[value=preview]");
    browser.wait(".preview, .wrong");
}

#[test]
#[ignore = "pictures for people to look at; nothing is checked"]
fn pictures_of_every_page() {
    let folder = std::env::var_os("LOOK").map_or_else(
        || Path::new(env!("CARGO_MANIFEST_DIR")).join("target/look"),
        PathBuf::from,
    );
    std::fs::create_dir_all(&folder).unwrap();
    let browser = Browser::take();
    // A stormy morning (the typical year's 7 March), and an hour of it passes first.
    let house = Example::start("2027-03-07T09:30", "240");
    picture(&browser, &folder, "sign-in", |browser| {
        house.open(browser, "/sign-in");
    });
    picture(&browser, &folder, "refused", |browser| {
        house.open(browser, "/hands?group=nobody");
    });
    house.sign_in(&browser);
    for (name, page) in [
        ("storm", "/"),
        ("storm-why", "/why?group=slip+terrace"),
        ("storm-hands", "/hands?group=slip+terrace"),
    ] {
        picture(&browser, &folder, name, |browser| house.open(browser, page));
    }
    drop(house);
    let house = Example::start("2027-05-06T14:10", "30");
    house.sign_in(&browser);
    std::thread::sleep(Duration::from_secs(20));
    let pages = [
        ("now", "/"),
        ("why-empty", "/why"),
        ("why", "/why?group=harbour+offices+1"),
        (
            "why-planned",
            "/why?group=harbour+offices+1&at=2027-06-21T10:14",
        ),
        ("year", "/year"),
        (
            "year-told",
            "/year?weather=file%3Atypical-year.csv.gz&from=2027-01-01&to=2027-12-31&scope=facade%3Aslip&sun_on=300",
        ),
        ("facade", "/facade?facade=harbour&date=2027-03-20"),
        (
            "facade-slip",
            "/facade?facade=slip&group=meeting+room&date=2027-06-21",
        ),
        ("calendar", "/calendar"),
        ("entry", "/calendar/entry?calendar=window+cleaning"),
        ("hands", "/hands"),
        ("hands-group", "/hands?group=harbour+offices+1"),
        (
            "german",
            "/language?to=de&back=%2Fwhy%3Fgroup%3Dharbour%2Boffices%2B1",
        ),
        ("english", "/language?to=en&back=%2F"),
    ];
    for (name, page) in pages {
        picture(&browser, &folder, name, |browser| house.open(browser, page));
    }
    for (name, first, last) in [
        ("entry-previewed", "2027-12-20", "2027-12-22"),
        ("entry-wrong", "2027-12-20", "2027-12-19"),
    ] {
        picture(&browser, &folder, name, |browser| {
            house.open(browser, "/calendar/entry?calendar=closed+days");
            typed(browser, first, last);
        });
    }
}

/// Base64 without its padding (RFC 4648, §4).
fn decoded(text: &str) -> Vec<u8> {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut bytes = Vec::with_capacity(text.len() / 4 * 3);
    let (mut held, mut bits) = (0_u32, 0_u32);
    for letter in text.bytes().filter(|letter| *letter != b'=') {
        let value = LETTERS
            .iter()
            .position(|other| *other == letter)
            .unwrap_or(0);
        held = (held << 6) | u32::try_from(value).unwrap_or(0);
        bits += 6;
        if bits >= 8 {
            bits -= 8;
            bytes.push(u8::try_from((held >> bits) & 0xff).unwrap_or(0));
        }
    }
    bytes
}
