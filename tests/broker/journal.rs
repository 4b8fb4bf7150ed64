//! What survives a sudden end, and whether the journal tells what was lived through.

use crate::building::Building;
use crate::client::{Listener, commands, last_extension};
use crate::daemon::{At, Setup};
use crate::reload::{accepted, change};
use crate::storm::{all_out, sent_in};
use leeside_config::{LoadOptions, load_site};
use leeside_daemon::replay::replay;
use leeside_journal::{Journal, Kind, Span};
use serde_json::Value;
use std::path::Path;

pub(crate) fn replayed(site: &Path, journal: &Path) -> leeside_daemon::replay::Replayed {
    let (site, _) = load_site(site, &LoadOptions::around(2027)).unwrap();
    let journal = Journal::open_read_only(journal).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
    replay(&journal, &site, 5).unwrap()
}

/// A storm over a real broker, with an orderly and two sudden ends in it: the
/// inputs of the journal give the commands of the journal, byte for byte, and
/// those are what was heard at the broker.
#[test]
fn the_journal_replayed_gives_the_commands_that_were_sent() {
    let setup = Setup::new(At::Mosquitto);
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = setup.start();
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    daemon.kill();

    let daemon = setup.start();
    let mark = listener.mark();
    building.blow("wind south", 2.0);
    all_out(&listener, mark);
    let (status, _) = daemon.terminate();
    assert!(status.success());

    let mark = listener.mark();
    let daemon = setup.start();
    all_out(&listener, mark);
    let mark = listener.mark();
    building.blow("wind west", 15.0);
    sent_in(&listener, mark, "west screens");
    let ask = "{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"south slats\",\"extension_pct\":30,\"hold_s\":600}";
    listener.say("quick/request", ask);
    listener.wait_some(mark, "the pose by hand", |messages| {
        (last_extension(messages, "south slats") == Some(30)).then_some(())
    });
    daemon.kill();

    let found = replayed(&setup.site.path, &setup.site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
    assert_eq!((found.differ, found.runs), (0, 3));
    assert!(
        found.same >= 9,
        "three groups out, in and out again at least: {}",
        found.same
    );
    let journal = Journal::open_read_only(&setup.site.journal()).unwrap();
    let recorded: Vec<String> = journal
        .entries(Span::ALL)
        .map(Result::unwrap)
        .filter(|entry| entry.kind == Kind::Command)
        .map(|entry| entry.body)
        .collect();
    assert_eq!(recorded, found.commands);
    told_as_a_dry_run(&setup.site.path, &setup.site.journal(), &recorded);
    let heard: Vec<String> = listener
        .since(0)
        .into_iter()
        .filter(|m| m.topic.ends_with("/command"))
        .map(|m| String::from_utf8(m.payload).unwrap())
        .collect();
    assert!(
        heard.iter().all(|payload| recorded.contains(payload)),
        "all that was heard is on record"
    );
}

/// `dry-run --journal` tells the same commands: moment, group, pose, reason and
/// what each drive was told.
fn told_as_a_dry_run(site: &Path, journal: &Path, recorded: &[String]) {
    let year = chrono::Utc::now().format("%Y").to_string();
    let told = std::process::Command::new(env!("CARGO_BIN_EXE_leeside"))
        .args(["dry-run", "--format", "json", "--year", &year, "--journal"])
        .args([journal, site])
        .output()
        .unwrap();
    let err = String::from_utf8_lossy(&told.stderr).into_owned();
    assert_eq!(told.status.code(), Some(0), "{err}");
    let told: Value = serde_json::from_slice(&told.stdout).unwrap();
    assert_eq!(told["head"]["plant"], "real");
    let cautions = told["head"]["cautions"].to_string();
    let all = format!(
        "all {} commands of the journal are decided now as they were",
        recorded.len()
    );
    assert!(cautions.contains(&all), "{cautions}");
    assert!(cautions.contains("the journal's chain holds"), "{cautions}");
    let pose = |of: &Value| (of["extension_pct"].clone(), of["tilt_deg"].clone());
    let orders = |of: &Value| -> Vec<Value> {
        let all = of["orders"].as_array().unwrap().iter();
        let delays = all.map(|order| order["start_delay_ms"].clone());
        delays.collect()
    };
    // A verdict said again after a reconnect or a start moves nothing.
    let moved: Vec<Value> = recorded
        .iter()
        .map(|payload| serde_json::from_str(payload).unwrap())
        .filter(|command: &Value| command["repeat"] != true)
        .collect();
    let movements = told["movements"].as_array().unwrap();
    assert!(movements.len() >= 6, "{}", movements.len());
    let mut rest = moved.iter();
    for movement in movements {
        let at = movement["at_utc"].as_str().unwrap().trim_end_matches('Z');
        let found = rest.find(|command| {
            command["group"] == movement["group"]
                && command["at"].as_str().unwrap().starts_with(at)
                && pose(&command["pose"]) == pose(movement)
                && command["reason"] == movement["reason"]
                && command["decided_by"] == movement["decided_by"]
                && orders(command) == orders(movement)
        });
        assert!(found.is_some(), "{movement} is not among\n{moved:#?}");
    }
}

/// A limit is changed and a sensor put before the others while the program runs, in
/// one go with a sudden end: what each version decided is told with its own limits
/// and names, whatever the file on disk says by then.
#[test]
fn a_journal_with_a_reload_and_a_restart_is_told_by_the_versions_of_then() {
    let setup = Setup::new(At::Mosquitto);
    let (site, journal) = (setup.site.path.clone(), setup.site.journal());
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = setup.start();
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    let first = sent_in(&listener, mark, "south slats");
    let mark = listener.mark();
    building.blow("wind south", 2.0);
    all_out_again(&listener, mark);
    let again = commands(&listener.since(mark));
    let (_, out_again) = again
        .iter()
        .rev()
        .find(|(group, _)| group == "south slats")
        .unwrap()
        .clone();

    change(&site, "wind_limit_mps = 12", "wind_limit_mps = 9");
    change(
        &site,
        "[[sensor]]\nname = \"wind south\"",
        "[[sensor]]\nname = \"roof air\"\nkind = \"temperature\"\nsilence_s = 86400\n\n[[sensor]]\nname = \"wind south\"",
    );
    accepted(&site);
    let mark = listener.mark();
    building.blow("wind south", 10.0);
    let second = sent_in(&listener, mark, "south slats");
    daemon.kill();
    building.blow("wind south", 2.0);
    let mark = listener.mark();
    let daemon = setup.start();
    all_out_again(&listener, mark);
    daemon.terminate();

    // The file on disk goes on changing, and nobody loads it.
    change(&site, "wind_limit_mps = 9", "wind_limit_mps = 11");
    let told = |command: &Value| {
        let at = command["at"].as_str().unwrap();
        let words = ["why", "--group", "south slats", "--at", at, "--journal"];
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_leeside"))
            .args(words)
            .args([&journal, &site])
            .args(["--format", "json"])
            .output()
            .unwrap();
        let err = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(0), "{err}");
        serde_json::from_slice::<Value>(&output.stdout).unwrap()
    };
    for (command, limit) in [(&first, "limit 12.0 m/s"), (&second, "limit 9.0 m/s")] {
        assert!(command["reason"].as_str().unwrap().contains(limit));
        let why = told(command);
        assert_eq!(why["verdict"]["decided_by"], "wind", "{why:#}");
        assert_eq!(why["verdict"]["reason"], command["reason"]);
        assert_eq!(why["last"]["reason"], command["reason"]);
    }
    // In the calm between: what would have had to be different is the limit of then.
    let quiet = told(&out_again);
    let ranks = quiet["ranks"].as_array().unwrap();
    let wind = ranks.iter().find(|rank| rank["word"] == "wind").unwrap();
    let taken = wind["it_would_have_taken"].as_str().unwrap();
    assert!(taken.contains("(12.0 m/s)"), "{taken}");
    // The next movement is of the second version, where the sensor has another place:
    // its reason names it all the same.
    assert_eq!(quiet["next"]["reason"], second["reason"], "{quiet:#}");

    let found = replayed(&site, &journal);
    assert_eq!(found.differences, [], "of {} commands", found.same);
    assert_eq!((found.differ, found.runs), (0, 2));
    let year = chrono::Utc::now().format("%Y").to_string();
    let csv = std::process::Command::new(env!("CARGO_BIN_EXE_leeside"))
        .args(["dry-run", "--format", "csv", "--year", &year, "--journal"])
        .args([&journal, &site])
        .output()
        .unwrap();
    let csv = String::from_utf8(csv.stdout).unwrap();
    for command in [&first, &second] {
        assert!(csv.contains(command["reason"].as_str().unwrap()), "{csv}");
    }
    assert!(
        csv.contains("decided; what came before was decided by the version before"),
        "{csv}"
    );
}

fn all_out_again(listener: &Listener, mark: usize) {
    for group in ["south slats", "terrace awnings"] {
        listener.wait_some(mark, &format!("{group} going out again"), |messages| {
            (last_extension(messages, group) == Some(100)).then_some(())
        });
    }
}

/// Altering a recorded gust changes what the replay decides: the comparison can fail.
#[test]
fn an_altered_journal_is_found_out_twice() {
    let setup = Setup::new(At::Embedded);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    daemon.terminate();
    let path = setup.site.journal();
    let db = rusqlite::Connection::open(&path).unwrap();
    let changed = db
        .execute(
            "UPDATE entry SET body = replace(body, '13.0', '3.0') WHERE kind = 'reading'",
            [],
        )
        .unwrap();
    assert!(changed > 0);
    drop(db);
    let journal = Journal::open_read_only(&path).unwrap();
    assert!(journal.verify().unwrap().fault.is_some());
    let (site, _) = load_site(&setup.site.path, &LoadOptions::around(2027)).unwrap();
    assert!(replay(&journal, &site, 5).unwrap().differ > 0);
}

/// Killed in a storm and started again in the calm after it: nothing goes out
/// before the hold is over, and numbers of commands are never used twice.
#[test]
fn a_lockout_outlives_a_sudden_end() {
    let setup = Setup::new(At::Mosquitto);
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = setup.start();
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    listener.wait(mark, "the lockout", |m| {
        crate::storm::engaged(m, "south slats", "wind")
    });
    daemon.kill();
    let calm_from = chrono::Utc::now().timestamp_millis();
    building.blow("wind south", 2.0);
    let mark = listener.mark();
    let _daemon = setup.start();
    listener.wait_some(mark, "the slats going out again", |messages| {
        (last_extension(messages, "south slats") == Some(100)).then_some(())
    });
    let all = commands(&listener.since(0));
    let out: &Value = &all
        .iter()
        .rev()
        .find(|(name, _)| name == "south slats")
        .unwrap()
        .1;
    let at = chrono::DateTime::parse_from_rfc3339(out["at"].as_str().unwrap())
        .unwrap()
        .timestamp_millis();
    assert!(
        at - calm_from >= 3_000,
        "out again {} ms after the calm began",
        at - calm_from
    );
    let numbers: Vec<u64> = all
        .iter()
        .map(|(_, command)| command["sequence"].as_u64().unwrap())
        .collect();
    let mut sorted = numbers.clone();
    sorted.sort_unstable();
    sorted.dedup();
    assert_eq!(numbers, sorted, "numbers count up, over the sudden end too");
}

/// A hold by hand that was confirmed is there after a sudden end.
#[test]
fn a_hold_by_hand_outlives_a_sudden_end() {
    let setup = Setup::new(At::Mosquitto);
    let listener = Listener::new(setup.port);
    let _building = Building::calm(&listener);
    let daemon = setup.start();
    all_out(&listener, 0);
    let mark = listener.mark();
    let ask = "{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"west screens\",\"extension_pct\":40,\"hold_s\":600}";
    listener.say("quick/request", ask);
    let by_hand = |m: &crate::client::Message| {
        m.topic == "quick/group/west screens/pose"
            && m.json()["decided_by"] == "hand"
            && m.json()["extension_pct"] == 40
    };
    listener.wait(mark, "the pose by hand", by_hand);
    daemon.kill();
    let mark = listener.mark();
    let _daemon = setup.start();
    listener.wait(mark, "the pose by hand, again", |m| {
        by_hand(m) && !m.retained
    });
    listener.wait_some(mark, "the others going out", |messages| {
        (last_extension(messages, "south slats") == Some(100)).then_some(())
    });
    let others: Vec<_> = commands(&listener.since(mark))
        .into_iter()
        .filter(|(name, command)| {
            // Until the weather is known it stays where it is; it goes nowhere but there.
            let to = &command["pose"]["extension_pct"];
            name == "west screens" && !to.is_null() && *to != 40
        })
        .collect();
    assert!(others.is_empty(), "{others:?}");
}

/// A journal that cannot be read or written: guards go on, and an alarm says so.
#[test]
fn without_a_journal_guards_go_on_and_an_alarm_says_so() {
    let setup = Setup::new(At::Mosquitto);
    // A folder stands where the file should be.
    std::fs::create_dir(setup.site.journal()).unwrap();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let _daemon = setup.start();
    listener.wait(0, "the alarm", |m| {
        m.topic == "quick/alarm/journal_fault" && m.json()["active"] == true
    });
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    // The disk is there again: what happened meanwhile is written after all.
    std::fs::remove_dir(setup.site.journal()).unwrap();
    listener.wait(mark, "the alarm's end", |m| {
        m.topic == "quick/alarm/journal_fault" && m.json()["active"] == false
    });
    let journal = Journal::open_read_only(&setup.site.journal()).unwrap();
    let commands = journal
        .entries(Span::ALL)
        .filter(|entry| entry.as_ref().unwrap().kind == Kind::Command)
        .count();
    assert!(commands >= 5, "{commands}");
    assert_eq!(journal.verify().unwrap().fault, None);
}
