//! What a start finds: a site file that was broken while the service was not
//! running; a simulated plant whose journal is told again.

use crate::brokers::free_port;
use crate::building::Building;
use crate::client::{Listener, last_extension};
use crate::daemon::{At, Daemon, Setup, TestSite};
use crate::journal::replayed;
use crate::reload::{accepted, change};
use crate::storm::{all_out, sent_in};
use leeside_journal::{Journal, Kind, Span};
use std::path::Path;
use std::process::Command;

/// A power cut while somebody was editing: the cabinet comes back with the site that
/// was in force, its guards work, an alarm stands, and the mended file takes effect
/// when it is loaded.
#[test]
fn a_broken_site_file_at_the_start_leaves_the_last_one_in_force() {
    let setup = Setup::new(At::Mosquitto);
    let site = &setup.site.path;
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = setup.start();
    all_out(&listener, 0);
    // What counts is what was last accepted, not what it once began with.
    change(site, "wind_limit_mps = 12", "wind_limit_mps = 9");
    accepted(site);
    daemon.kill();
    let sound = std::fs::read_to_string(site).unwrap();
    // Half of it, in the middle of a line.
    std::fs::write(site, &sound[..sound.len() / 2]).unwrap();
    // The site file no longer says where the journal is: the command line does, as in
    // `deploy/systemd`.
    let journal = setup.site.journal().display().to_string();
    let mark = listener.mark();
    let daemon = Daemon::start(site, &["--journal", &journal]);
    daemon.wait_line("was broken at the start");
    let alarm = listener.wait(mark, "the alarm", |m| {
        m.topic == "quick/alarm/site_rejected" && m.json()["active"] == true
    });
    let reason = alarm.json()["reason"].as_str().unwrap().to_owned();
    assert!(
        reason.contains("site.toml was broken at the start"),
        "{reason}"
    );
    listener.wait_some(mark, "the slats going out", |m| {
        (last_extension(m, "south slats") == Some(100)).then_some(())
    });
    building.blow("wind south", 10.0);
    let command = sent_in(&listener, mark, "south slats");
    assert!(
        command["reason"].as_str().unwrap().contains("limit 9.0"),
        "{command}"
    );
    std::fs::write(site, &sound).unwrap();
    let mark = listener.mark();
    accepted(site);
    listener.wait(mark, "the alarm's end", |m| {
        m.topic == "quick/alarm/site_rejected" && m.json()["active"] == false
    });
    let (status, _) = daemon.terminate();
    assert!(status.success());
    let found = replayed(site, &setup.site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
}

/// Nothing to go on with, or only with another site's: refused, with every problem.
#[test]
fn a_broken_site_file_without_a_site_of_before_is_refused() {
    let setup = Setup::new(At::Embedded);
    let site = &setup.site.path;
    let refused = |path: &Path| {
        let run = Command::new(env!("CARGO_BIN_EXE_leeside"))
            .arg("run")
            .arg(path)
            .output()
            .unwrap();
        assert_eq!(run.status.code(), Some(2));
        String::from_utf8(run.stderr).unwrap()
    };
    let sound = std::fs::read_to_string(site).unwrap();
    change(site, "wind_limit_mps = 12", "wind_limit_mps = \"12\"");
    let said = refused(site);
    assert!(
        said.contains("the site file is broken") && said.contains("wind_limit_mps"),
        "{said}"
    );
    // A site ran here under another name: it is not taken for this one.
    std::fs::write(site, &sound).unwrap();
    setup.start().terminate();
    let other = site.with_file_name("other.toml");
    std::fs::write(
        &other,
        sound.replace("wind_limit_mps = 12", "wind_limit_mps = \"12\""),
    )
    .unwrap();
    assert!(refused(&other).contains("the site file is broken"));
}

/// The sensors of a simulated plant are checked as its weather allows, and its drives
/// have patience for its speed: the journal says so, and tells the same commands again.
#[test]
fn the_journal_of_a_simulated_plant_is_replayed_byte_for_byte() {
    let port = free_port();
    let site = TestSite::new(&format!("embedded = {{ listen = \"127.0.0.1:{port}\" }}"));
    let weather =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/weather/nycflights13_jfk_2013.csv.gz");
    let weather = weather.display().to_string();
    let journal = site.journal().display().to_string();
    let words = [
        "--plant",
        "simulated",
        "--weather",
        &weather,
        "--speed",
        "600",
        "--journal",
        &journal,
    ];
    let daemon = Daemon::start(&site.path, &words);
    crate::brokers::wait_for_port(port);
    let listener = Listener::new(port);
    listener.wait_some(0, "the storm", |messages| {
        let wind = |(_, command): &(String, serde_json::Value)| {
            command["decided_by"] == "wind" && command["reason"].as_str().unwrap().contains("limit")
        };
        crate::client::commands(messages)
            .iter()
            .any(wind)
            .then_some(())
    });
    let (status, _) = daemon.terminate();
    assert!(status.success());
    let found = replayed(&site.path, &site.journal());
    assert_eq!(found.differences, [], "of {} commands", found.same);
    assert!(found.same > 0 && found.differ == 0);
    // It can fail: with the checks of the plain site the hourly wind is stuck or silent.
    let journal = Journal::open_read_only(&site.journal()).unwrap();
    let run = journal
        .entries(Span::ALL)
        .map(Result::unwrap)
        .find(|entry| entry.kind == Kind::Run)
        .unwrap();
    assert!(run.body.contains("-simulated-3600000-"), "{}", run.body);
}
