//! The site file loaded anew while the service runs: all of it or nothing, and
//! nothing moves that need not.

use crate::building::Building;
use crate::client::{Listener, Message, commands, last_extension};
use crate::daemon::{At, Setup, signal};
use crate::journal::replayed;
use crate::storm::{all_out, engaged, sent_in};
use leeside_journal::{Journal, Kind, Span};
use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

fn reload(site: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_leeside"))
        .arg("reload")
        .arg(site)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

pub(crate) fn accepted(site: &Path) {
    let output = reload(site);
    assert!(
        output.status.success(),
        "{} {}",
        text(&output.stdout),
        text(&output.stderr)
    );
}

pub(crate) fn change(site: &Path, from: &str, to: &str) {
    let before = std::fs::read_to_string(site).unwrap();
    let after = before.replace(from, to);
    assert_ne!(before, after, "{from} is not in the file");
    std::fs::write(site, after).unwrap();
}

fn alarm(message: &Message, key: &str, active: bool) -> bool {
    message.topic == format!("quick/alarm/{key}") && message.json()["active"] == active
}

/// Groups of the commands among messages.
fn commanded(messages: &[Message]) -> Vec<String> {
    commands(messages)
        .into_iter()
        .map(|(group, _)| group)
        .collect()
}

const CLOTH: &str = "pose = \"extended\", sun = false";

#[test]
fn a_sound_file_takes_effect_and_moves_only_what_it_changes() {
    let setup = Setup::new(At::Mosquitto);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let _building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    // Nothing changed: nothing happens.
    accepted(&setup.site.path);
    change(
        &setup.site.path,
        CLOTH,
        "pose = { extension_pct = 60 }, sun = false",
    );
    accepted(&setup.site.path);
    for group in ["west screens", "terrace awnings"] {
        listener.wait_some(mark, "the new pose", |messages| {
            (last_extension(messages, group) == Some(60)).then_some(())
        });
    }
    let mut groups = commanded(&listener.since(mark));
    groups.sort();
    assert_eq!(groups, ["terrace awnings", "west screens"]);
    // The signal does the same.
    let mark = listener.mark();
    change(
        &setup.site.path,
        "pose = { extension_pct = 60 }",
        "pose = { extension_pct = 70 }",
    );
    signal(daemon.pid(), "HUP");
    listener.wait_some(mark, "the pose after the signal", |messages| {
        (last_extension(messages, "west screens") == Some(70)).then_some(())
    });
    let (status, _) = daemon.terminate();
    assert!(status.success());
    let found = replayed(&setup.site.path, &setup.site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
    assert_eq!(found.differ, 0);
    let journal = Journal::open_read_only(&setup.site.journal()).unwrap();
    let versions = journal
        .entries(Span::ALL)
        .filter(|entry| entry.as_ref().unwrap().kind == Kind::Site)
        .count();
    assert_eq!(versions, 2, "a row for each version that took effect");
}

#[test]
fn a_broken_file_is_rejected_with_its_problems_and_the_old_one_stays() {
    let setup = Setup::new(At::Embedded);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    change(
        &setup.site.path,
        "wind_limit_mps = 14",
        "wind_limit_mps = \"14\"",
    );
    change(&setup.site.path, CLOTH, "pose = \"retracted\", sun = false");
    let output = reload(&setup.site.path);
    let said = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(
        said.contains("site.toml:43:") && said.contains("wind_limit_mps"),
        "{said}"
    );
    listener.wait(mark, "the alarm", |m| {
        alarm(m, "site_rejected", true)
            && m.json()["reason"]
                .as_str()
                .unwrap()
                .contains("site.toml:43:")
    });
    // What the file would change has not changed, and the guards are there.
    building.blow("wind west", 15.0);
    sent_in(&listener, mark, "west screens");
    assert_eq!(commanded(&listener.since(mark)), ["west screens"]);
    let listens = format!("127.0.0.1:{}", setup.port);
    // What only a start can change is no half-accepted change either.
    change(
        &setup.site.path,
        "wind_limit_mps = \"14\"",
        "wind_limit_mps = 14",
    );
    change(&setup.site.path, "pose = \"retracted\", sun = false", CLOTH);
    change(&setup.site.path, &listens, "127.0.0.1:1");
    let output = reload(&setup.site.path);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("[broker] has changed"));
    change(&setup.site.path, "127.0.0.1:1\"", &format!("{listens}\""));
    accepted(&setup.site.path);
    listener.wait(mark, "the end of the alarm", |m| {
        alarm(m, "site_rejected", false)
    });
    daemon.terminate();
    let output = reload(&setup.site.path);
    assert_eq!(output.status.code(), Some(1), "nobody answers any more");
    assert!(text(&output.stderr).contains("no service answers"));
}

/// Groups change places and names in the middle of a storm: every lockout stays
/// where its devices are, and a gust that has come and gone is not forgotten.
#[test]
fn a_lockout_outlives_a_reload() {
    let setup = Setup::new(At::Mosquitto);
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    for group in ["south slats", "terrace awnings"] {
        sent_in(&listener, mark, group);
    }
    building.blow("wind south", 2.0);
    let calm_from = chrono::Utc::now().timestamp_millis();
    let mark = listener.mark();
    // Another group first in the file, another sensor first, and another name.
    change(
        &setup.site.path,
        "[[group]]\nname = \"south slats\"",
        "[[device]]\nname = \"N-1\"\nproduct = \"screen\"\nfacade = \"west\"\nfeeder = \"F1\"\n\n[[group]]\nname = \"new screen\"\ndevices = [\"N-1\"]\nwind = \"west\"\ntimetable = \"always out, cloth\"\nrest = \"retracted\"\n\n[[group]]\nname = \"southern slats\"",
    );
    change(
        &setup.site.path,
        "[[sensor]]\nname = \"wind south\"",
        "[[sensor]]\nname = \"outside\"\nkind = \"temperature\"\nsilence_s = 60\n\n[[sensor]]\nname = \"wind south\"",
    );
    accepted(&setup.site.path);
    listener.wait(mark, "the lockout under the new name", |m| {
        engaged(m, "southern slats", "wind")
    });
    listener.wait_some(mark, "the slats going out again", |messages| {
        (last_extension(messages, "southern slats") == Some(100)).then_some(())
    });
    listener.wait_some(mark, "the awnings going out again", |messages| {
        (last_extension(messages, "terrace awnings") == Some(100)).then_some(())
    });
    let heard = commands(&listener.since(mark));
    for (group, command) in &heard {
        let at = chrono::DateTime::parse_from_rfc3339(command["at"].as_str().unwrap()).unwrap();
        let after = at.timestamp_millis() - calm_from;
        let held = group == "southern slats" || group == "terrace awnings";
        assert!(
            !held || after >= 2_700,
            "{group} {after} ms after the calm began: {command}"
        );
        assert_ne!(
            group, "west screens",
            "nothing of it has changed: {command}"
        );
    }
    // Nothing is left of the old name for those who come later.
    let late = Listener::new(setup.port);
    late.wait(0, "the pose under the new name", |m| {
        m.topic == "quick/group/southern slats/pose"
    });
    assert!(
        !late
            .since(0)
            .iter()
            .any(|m| m.topic.contains("/south slats/") && m.retained)
    );
    daemon.kill();
    let found = replayed(&setup.site.path, &setup.site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
    // Started with yet another file, it takes the state over into that one.
    change(
        &setup.site.path,
        "name = \"southern slats\"",
        "name = \"slats\"",
    );
    let mark = listener.mark();
    let daemon = setup.start();
    building.blow("wind west", 15.0);
    sent_in(&listener, mark, "west screens");
    daemon.kill();
    let found = replayed(&setup.site.path, &setup.site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
    assert_eq!(found.runs, 2);
}

/// Two sensors change places in the file again and again while both speak: were
/// a reading of the one ever taken for the other's, the screens would come in.
#[test]
fn no_reading_is_taken_for_another_sensors_at_a_reload() {
    let setup = Setup::new(At::Mosquitto);
    let path = &setup.site.path;
    // The roof stays below the slats' limit of 12, the south above the screens' 14.
    change(path, "wind_limit_mps = 12", "wind_limit_mps = 25");
    change(path, "wind_limit_mps = 7", "wind_limit_mps = 25");
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let building = Building::that_speaks(&listener, Duration::from_millis(1));
    all_out(&listener, 0);
    building.blow("wind south", 20.0);
    let mark = listener.mark();
    let one = std::fs::read_to_string(path).unwrap();
    let two = one
        .replace("name = \"wind south\"\nkind", "name = \"wind ###\"\nkind")
        .replace("name = \"wind west\"\nkind", "name = \"wind south\"\nkind")
        .replace("name = \"wind ###\"\nkind", "name = \"wind west\"\nkind")
        .replace(
            "facades = [\"south\"]\nsilence",
            "facades = [\"###\"]\nsilence",
        )
        .replace(
            "facades = [\"west\"]\nsilence",
            "facades = [\"south\"]\nsilence",
        )
        .replace(
            "facades = [\"###\"]\nsilence",
            "facades = [\"west\"]\nsilence",
        );
    assert_ne!(one, two);
    for round in 0..20 {
        std::fs::write(path, if round % 2 == 0 { &two } else { &one }).unwrap();
        accepted(path);
    }
    let moved = commanded(&listener.since(mark));
    assert!(moved.is_empty(), "{moved:?}");
    // It would have shown: the same gust at the west's own sensor does.
    building.blow("wind west", 20.0);
    sent_in(&listener, mark, "west screens");
    drop(daemon);
    let found = replayed(path, &setup.site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
}

const CALENDAR: &str = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//tests//EN\r\nEND:VCALENDAR\r\n";

/// A calendar with an event around now.
fn calendar(event: bool) -> String {
    if !event {
        return CALENDAR.to_owned();
    }
    let now = chrono::Utc::now();
    let stamp = |hours: i64| {
        (now + chrono::Duration::hours(hours))
            .format("%Y%m%dT%H%M%SZ")
            .to_string()
    };
    let event = format!(
        "BEGIN:VEVENT\r\nUID:1@tests\r\nDTSTAMP:20260101T000000Z\r\nDTSTART:{}\r\nDTEND:{}\r\nSUMMARY:Cleaning\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n",
        stamp(-1),
        stamp(1)
    );
    CALENDAR.replace("END:VCALENDAR\r\n", &event)
}

#[test]
fn a_changed_calendar_takes_effect_by_itself_and_a_broken_one_is_alarmed() {
    let setup = Setup::new(At::Mosquitto);
    let file = setup.site.dir.path().join("cleaning.ics");
    std::fs::write(&file, calendar(false)).unwrap();
    let text = std::fs::read_to_string(&setup.site.path).unwrap();
    let special = "[[calendar]]\nname = \"cleaning\"\nfile = \"cleaning.ics\"\nspecial = { groups = [\"west screens\"], pose = { extension_pct = 25 }, sun = false }\n";
    std::fs::write(&setup.site.path, format!("{text}\n{special}")).unwrap();
    let daemon = setup.start();
    let listener = Listener::new(setup.port);
    let _building = Building::calm(&listener);
    all_out(&listener, 0);
    let mark = listener.mark();
    // The site file itself is not loaded anew by that: half-made changes wait.
    let sound = std::fs::read_to_string(&setup.site.path).unwrap();
    change(&setup.site.path, CLOTH, "pose = \"retracted\", sun = false");
    std::fs::write(&file, calendar(true)).unwrap();
    listener.wait_some(mark, "the pose of the special day", |messages| {
        (last_extension(messages, "west screens") == Some(25)).then_some(())
    });
    assert_eq!(commanded(&listener.since(mark)), ["west screens"]);

    let mark = listener.mark();
    let broken = calendar(true).replace("DTSTART:2", "DTSTART:x");
    std::fs::write(&file, broken).unwrap();
    let raised = listener.wait(mark, "the alarm", |m| {
        alarm(m, "calendar_rejected/cleaning.ics", true)
    });
    let reason = raised.json()["reason"].as_str().unwrap().to_owned();
    for part in ["cleaning.ics:7", "DTSTART", "stays in force"] {
        assert!(reason.contains(part), "{part} in {reason}");
    }
    // Taken away altogether: another reason, the same alarm.
    std::fs::remove_file(&file).unwrap();
    listener.wait(mark, "the alarm's new reason", |m| {
        alarm(m, "calendar_rejected/cleaning.ics", true)
            && m.json()["reason"]
                .as_str()
                .unwrap()
                .contains("no such file")
    });
    assert!(
        commanded(&listener.since(mark)).is_empty(),
        "the previous one stays"
    );
    std::fs::write(&file, calendar(false)).unwrap();
    listener.wait(mark, "the end of the alarm", |m| {
        alarm(m, "calendar_rejected/cleaning.ics", false)
    });
    listener.wait_some(mark, "the timetable's pose again", |messages| {
        (last_extension(messages, "west screens") == Some(100)).then_some(())
    });
    daemon.terminate();
    std::fs::write(&setup.site.path, sound).unwrap();
    let found = replayed(&setup.site.path, &setup.site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
}

/// The days of the coming years are laid out when a year begins: seen on a
/// simulated New Year's Eve.
#[test]
fn a_new_year_lays_out_the_next_years_and_moves_nothing() {
    let setup = Setup::new(At::Embedded);
    let weather = setup.site.dir.path().join("calm.csv");
    let mut rows = "time,gust_mps,mean_mps,temperature_c,rain_mm_h\n".to_owned();
    for hour in 0..48 {
        let day = if hour < 24 {
            "2027-12-31"
        } else {
            "2028-01-01"
        };
        rows.push_str(&format!("{day}T{:02}:00:00Z,3,2,5,0\n", hour % 24));
    }
    std::fs::write(&weather, rows).unwrap();
    crate::link::describe_weather(&setup.site.dir.path().join("calm.csv.toml"));
    let journal = setup.site.journal().display().to_string();
    let daemon = crate::daemon::Daemon::start(
        &setup.site.path,
        &[
            "--plant",
            "simulated",
            "--weather",
            &weather.display().to_string(),
            "--from",
            "2027-12-31T12:00",
            "--speed",
            "3600",
            "--journal",
            &journal,
        ],
    );
    daemon.wait_line("another version of the site");
    let (status, _) = daemon.terminate();
    assert!(status.success());
    let journal = Journal::open_read_only(&setup.site.journal()).unwrap();
    let all: Vec<_> = journal.entries(Span::ALL).map(Result::unwrap).collect();
    let version = all.iter().find(|row| row.kind == Kind::Site).unwrap();
    let body: serde_json::Value = serde_json::from_str(&version.body).unwrap();
    assert_eq!(body["why"], "year");
    assert_eq!(body["years"], serde_json::json!([2027, 2031]));
    let zone = chrono_tz::America::New_York;
    let at = version.now.wall.utc().with_timezone(&zone);
    assert_eq!(at.format("%Y-%m-%d").to_string(), "2028-01-01");
    // Of this very moment; what the weather does later is another matter.
    let with_it: Vec<_> = all
        .iter()
        .filter(|row| row.kind == Kind::Command && row.now.wall == version.now.wall)
        .collect();
    assert!(with_it.is_empty(), "nothing moves for it: {with_it:?}");
}
