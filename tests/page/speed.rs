//! How quick the page is: figures for people, on the machine at hand. No test judges
//! seconds; run them by hand, with nothing else going on:
//!
//!     cargo test --release --test page -- --ignored --nocapture figures
//!
//! | figure | goal |
//! |---|---|
//! | first page, all in all | under 100 KiB, ready in under 200 ms |
//! | 1,000 groups: first paint; longest frame while scrolling | 2 s; 50 ms |
//! | 50 open pages at an update a second | under 2 % of a core |
//! | from the gust to the last of 1,000 commands, with 50 pages over without | 1 |

use crate::brokers::{PATIENCE, free_port, wait_for_port};
use crate::browser::Browser;
use crate::building::{Building, wind_of};
use crate::client::Listener;
use crate::daemon::Daemon;
use crate::house::House;
use serde_json::Value;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::net::{Shutdown, TcpStream};
use std::path::Path;
use std::time::{Duration, Instant};

/// Gusts with and without pages, in pairs.
const PAIRS: usize = 30;
/// They take no longer than this, whatever the machine.
const AT_MOST: Duration = Duration::from_secs(150);

/// What came over the line for the page that is open, bytes, and when it was ready, ms.
const WEIGHT: &str = "const [page] = performance.getEntriesByType('navigation'); \
    const rest = performance.getEntriesByType('resource').filter(one => !one.name.includes('/live')); \
    const paint = performance.getEntriesByName('first-contentful-paint')[0]; \
    return [page.encodedBodySize + rest.reduce((sum, one) => sum + one.encodedBodySize, 0), \
            page.loadEventEnd, paint ? paint.startTime : -1, rest.length]";

fn numbers(value: &Value) -> Vec<f64> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(|number| number.as_f64().unwrap())
        .collect()
}

/// The weight once style and script are counted too: the browser notes a resource
/// only when its last byte has been dealt with, which may be after the page is there.
fn weight_with_all(browser: &Browser) -> Vec<f64> {
    let begin = Instant::now();
    loop {
        let weight = numbers(&browser.js(WEIGHT, vec![]));
        if weight[1] > 0.0 && weight[3] >= 2.0 {
            return weight;
        }
        assert!(
            begin.elapsed() < PATIENCE,
            "style and script are counted: {weight:?}"
        );
        std::thread::sleep(Duration::from_millis(50));
    }
}

/// When something could first be seen, ms. Chromium notes that a frame later than the
/// page is there, and a headless one may wait for somebody who wants to see it.
fn first_paint_ms(browser: &Browser) -> f64 {
    let begin = Instant::now();
    loop {
        let paint = numbers(&browser.js(WEIGHT, vec![]))[2];
        if paint > 0.0 {
            return paint;
        }
        assert!(begin.elapsed() < PATIENCE, "the page is never painted");
        let small = serde_json::json!({ "format": "jpeg", "quality": 1 });
        browser.chrome("Page.captureScreenshot", small);
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn the_first_page_weighs_less_than_100_kib_in_all() {
    let house = House::open();
    let browser = Browser::take();
    house.settle(&browser);
    browser.go(&house.at("/"));
    let weight = weight_with_all(&browser);
    assert!(weight[0] < 100.0 * 1_024.0, "{} bytes", weight[0]);
}

/// The quick site with so many groups more, each of one screen in the west.
fn large(groups: usize, broker: u16, page: u16, folder: &Path) -> std::path::PathBuf {
    let quick = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/sites/quick.toml");
    let mut text = std::fs::read_to_string(quick).unwrap();
    for n in 0..groups {
        let _ = write!(
            text,
            "\n[[feeder]]\nname = \"L{n}\"\nstagger_s = 0.2\n\
             [[device]]\nname = \"L-{n}\"\nproduct = \"screen\"\nfacade = \"west\"\nfeeder = \"L{n}\"\n\
             [[group]]\nname = \"west {n}\"\ndevices = [\"L-{n}\"]\nwind = \"west\"\ntimetable = \"always out, cloth\"\nrest = \"retracted\"\n"
        );
    }
    let _ = write!(
        text,
        "\n[broker]\nroot = \"quick\"\nkeep_alive_s = 5\nembedded = {{ listen = \"127.0.0.1:{broker}\" }}\n\
         [journal]\nfile = \"journal.sqlite\"\n[page]\nlisten = \"127.0.0.1:{page}\"\n"
    );
    let path = folder.join("site.toml");
    std::fs::write(&path, text).unwrap();
    path
}

/// Processor time that a process has used, s (proc(5): fields 14 and 15, in ticks of
/// a hundredth of a second on Linux).
fn used_s(pid: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap();
    let after = stat.rsplit_once(") ").unwrap().1;
    let ticks: Vec<f64> = after
        .split(' ')
        .skip(11)
        .take(2)
        .map(|part| part.parse().unwrap())
        .collect();
    ticks.iter().sum::<f64>() / 100.0
}

/// So many readers of what changes; each reads for as long as it is kept.
fn readers(page: u16, count: usize) -> Vec<TcpStream> {
    (0..count)
        .map(|_| {
            let mut stream = TcpStream::connect(("127.0.0.1", page)).unwrap();
            let request = format!("GET /live HTTP/1.1\r\nhost: 127.0.0.1:{page}\r\n\r\n");
            stream.write_all(request.as_bytes()).unwrap();
            let mut reading = stream.try_clone().unwrap();
            std::thread::spawn(move || {
                let mut bytes = [0; 65_536];
                while reading.read(&mut bytes).is_ok_and(|read| read > 0) {}
            });
            stream
        })
        .collect()
}

/// The readers go. Dropped alone they would live on in the threads that read.
fn leave(readers: Vec<TcpStream>) {
    for stream in readers {
        let _ = stream.shutdown(Shutdown::Both);
    }
}

/// Waits until so many groups of the west have got a command; looks at each message once.
fn wait_for_commands(listener: &Listener, mut mark: usize, groups: usize, every: Duration) {
    let (begin, mut told) = (Instant::now(), BTreeSet::new());
    while told.len() < groups {
        assert!(begin.elapsed() < PATIENCE, "not all commands came");
        std::thread::sleep(every);
        let new = listener.since(mark);
        mark += new.len();
        let topics = new.into_iter().map(|message| message.topic);
        told.extend(
            topics.filter(|topic| {
                topic.starts_with("quick/group/west ") && topic.ends_with("/command")
            }),
        );
    }
}

/// From the gust to the last of so many commands, ms; afterwards everything is out again.
fn gust_ms(listener: &Listener, building: &Building, groups: usize) -> f64 {
    let (mark, begin) = (listener.mark(), Instant::now());
    building.blow("wind west", 20.0);
    listener.say("quick/sensor/wind west", wind_of(20.0));
    wait_for_commands(listener, mark, groups, Duration::from_millis(2));
    let took = begin.elapsed().as_secs_f64() * 1_000.0;
    let mark = listener.mark();
    building.blow("wind west", 2.0);
    wait_for_commands(listener, mark, groups, Duration::from_millis(50));
    // Drives report, pages are told.
    std::thread::sleep(Duration::from_millis(700));
    took
}

/// Gusts with pages open and without, in turns, so that whatever else the machine does
/// falls on both alike. Without, with; by pair, ms.
fn gusts_in_pairs(listener: &Listener, building: &Building, page: u16) -> Vec<(f64, f64)> {
    let (begin, mut pairs) = (Instant::now(), Vec::new());
    // What comes first has the caches cold.
    gust_ms(listener, building, 1_000);
    while pairs.len() < PAIRS && begin.elapsed() < AT_MOST {
        let with = || {
            let kept = readers(page, 50);
            // Each gets the whole page first.
            std::thread::sleep(Duration::from_millis(800));
            let took = gust_ms(listener, building, 1_000);
            leave(kept);
            std::thread::sleep(Duration::from_millis(200));
            took
        };
        // Which of the two goes first changes from pair to pair.
        pairs.push(if pairs.len() % 2 == 0 {
            let without = gust_ms(listener, building, 1_000);
            (without, with())
        } else {
            let with = with();
            (gust_ms(listener, building, 1_000), with)
        });
    }
    pairs
}

/// The value below which so large a part lies (0..1).
fn quantile(values: &[f64], part: f64) -> f64 {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "some dozens"
    )]
    let index = ((values.len() - 1) as f64 * part).round() as usize;
    values[index]
}

#[test]
#[ignore = "figures for people; nothing is checked"]
#[expect(clippy::print_stdout, reason = "figures are printed")]
fn figures() {
    let house = House::open();
    let browser = Browser::take();
    house.settle(&browser);
    let mut ready: Vec<f64> = (0..9)
        .map(|_| {
            browser.chrome("Network.clearBrowserCache", serde_json::json!({}));
            browser.go(&house.at("/"));
            numbers(&browser.js(WEIGHT, vec![]))[1]
        })
        .collect();
    ready.sort_by(f64::total_cmp);
    let weight = numbers(&browser.js(WEIGHT, vec![]));
    println!(
        "first page: {:.1} KiB, ready in {:.0} ms (median of 9)",
        weight[0] / 1_024.0,
        ready[4]
    );
    drop(house);

    let folder = tempfile::tempdir().unwrap();
    let (broker, page) = (free_port(), free_port());
    let path = large(1_000, broker, page, folder.path());
    let daemon = Daemon::start(&path, &["--quiet"]);
    wait_for_port(page);
    let listener = Listener::new(broker);
    let building = Building::calm(&listener);
    browser.go(&format!("http://127.0.0.1:{page}/"));
    browser.wait_text("#p-lockouts", "None");
    browser.wait_text("#g-1002 .tag", "timetable");
    browser.go(&format!("http://127.0.0.1:{page}/"));
    let paint = first_paint_ms(&browser);
    let weight = weight_with_all(&browser);
    browser.js(
        "window.frames_ms = []; let last = performance.now(), n = 0; \
         const step = now => { window.frames_ms.push(now - last); last = now; scrollBy(0, 120); \
                               if (++n < 300) requestAnimationFrame(step); else window.done = true }; \
         requestAnimationFrame(step)",
        vec![],
    );
    while browser.js("return window.done === true", vec![]) != true {
        std::thread::sleep(Duration::from_millis(100));
    }
    let mut frames = numbers(&browser.js("return window.frames_ms", vec![]));
    frames.sort_by(f64::total_cmp);
    println!(
        "1,000 groups: {:.0} KiB, first paint after {:.0} ms; scrolling 300 frames: longest {:.0} ms, median {:.0} ms",
        weight[0] / 1_024.0,
        paint,
        frames[frames.len() - 1],
        frames[frames.len() / 2]
    );
    browser.go("about:blank");

    let begin = used_s(daemon.pid());
    let span = Duration::from_secs(30);
    std::thread::sleep(span);
    let idle = (used_s(daemon.pid()) - begin) / span.as_secs_f64() * 100.0;
    let kept = readers(page, 50);
    std::thread::sleep(Duration::from_secs(3));
    let begin = used_s(daemon.pid());
    std::thread::sleep(span);
    let watched = (used_s(daemon.pid()) - begin) / span.as_secs_f64() * 100.0;
    println!(
        "50 open pages of 1,000 groups: {watched:.1} % of a core, {idle:.1} % without; more by {:.1} %",
        watched - idle
    );
    leave(kept);
    let pairs = gusts_in_pairs(&listener, &building, page);
    let (without, with): (Vec<f64>, Vec<f64>) = pairs.iter().copied().unzip();
    let ratios: Vec<f64> = pairs.iter().map(|(without, with)| with / without).collect();
    println!(
        "from the gust to the last of 1,000 commands, {} pairs in turns: median {:.0} ms without pages, {:.0} ms \
         with 50; ratio of a pair: median {:.2}, half of them {:.2} to {:.2}, all {:.2} to {:.2}",
        pairs.len(),
        quantile(&without, 0.5),
        quantile(&with, 0.5),
        quantile(&ratios, 0.5),
        quantile(&ratios, 0.25),
        quantile(&ratios, 0.75),
        quantile(&ratios, 0.0),
        quantile(&ratios, 1.0)
    );
}
