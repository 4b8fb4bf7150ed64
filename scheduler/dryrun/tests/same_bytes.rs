//! What the replay leaves out changes nothing: looking at everything at every step,
//! and sharing the groups out among threads, give the same bytes.
#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_dryrun::replay::{
    Nothing, Setting, Sink, Stopped, Tally, replay_in_parts, replay_plainly,
};
use leeside_dryrun::report::{CsvSink, Head, JsonSink};
use std::ops::ControlFlow;

/// Twelve days of the example site under its typical year.
fn setting((from, to): (&str, &str)) -> Setting {
    example::typical(&example::site(), from, to)
}

type Replay<'a> = &'a dyn Fn(&Setting, &mut dyn Sink) -> Result<Tally, Stopped>;

/// CSV and JSON with its summary.
fn bytes(setting: &Setting, replay: Replay<'_>) -> (String, String) {
    let head = Head::of(setting, "test");
    let mut csv = CsvSink::new(Vec::new(), &head).unwrap();
    replay(setting, &mut csv).unwrap();
    let mut json = JsonSink::new(Vec::new(), &head).unwrap();
    let tally = replay(setting, &mut json).unwrap();
    let json = json.finish(&setting.model, &tally).unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (text(csv.finish().unwrap()), text(json))
}

fn in_parts(parts: usize) -> impl Fn(&Setting, &mut dyn Sink) -> Result<Tally, Stopped> {
    move |setting, sink| replay_in_parts(setting, parts, sink, &mut |_| ControlFlow::Continue(()))
}

/// Frost and storms of winter, the change to summer time, and summer.
const SPANS: [(&str, &str); 3] = [
    ("2027-01-21T00:00", "2027-02-02T00:00"),
    ("2027-03-07T00:00", "2027-03-19T00:00"),
    ("2027-06-20T00:00", "2027-07-02T00:00"),
];

#[test]
fn looking_at_everything_at_every_step_gives_the_same_bytes() {
    let plainly = |setting: &Setting, sink: &mut dyn Sink| {
        replay_plainly(setting, sink, &mut |_| ControlFlow::Continue(()))
    };
    for span in SPANS {
        let setting = setting(span);
        let (csv, json) = bytes(&setting, &in_parts(1));
        let (plain_csv, plain_json) = bytes(&setting, &plainly);
        assert!(csv.lines().count() > 300, "{}", csv.lines().count());
        assert!(
            csv == plain_csv,
            "{span:?}: {}",
            first_other(&csv, &plain_csv)
        );
        assert!(
            json == plain_json,
            "{span:?}: {}",
            first_other(&json, &plain_json)
        );
    }
}

#[test]
fn sharing_the_groups_out_among_threads_gives_the_same_bytes() {
    for span in SPANS {
        let setting = setting(span);
        let (csv, json) = bytes(&setting, &in_parts(1));
        for parts in [2, 3, 5] {
            let (shared, shared_json) = bytes(&setting, &in_parts(parts));
            assert!(
                csv == shared,
                "{span:?}, {parts}: {}",
                first_other(&csv, &shared)
            );
            let other = first_other(&json, &shared_json);
            assert!(json == shared_json, "{span:?}, {parts}: {other}");
        }
    }
}

/// The first line that differs, for a person to read.
fn first_other(a: &str, b: &str) -> String {
    let differs = a.lines().zip(b.lines()).find(|(a, b)| a != b);
    differs.map_or_else(|| "the length".to_owned(), |(a, b)| format!("{a}\n{b}"))
}

#[test]
fn whoever_stops_a_shared_replay_is_heard_and_its_threads_end() {
    let setting = setting(SPANS[0]);
    let mut days = 0;
    let stopped = replay_in_parts(&setting, 3, &mut Nothing, &mut |_| {
        days += 1;
        if days < 4 {
            ControlFlow::Continue(())
        } else {
            ControlFlow::Break(())
        }
    });
    assert!(matches!(stopped, Err(Stopped::Asked(at)) if at < setting.to));
    assert_eq!(days, 4);
}
