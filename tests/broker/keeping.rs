//! A journal that cannot be kept: damaged, read-only, on a disk that is full. Guards
//! go on, an alarm says so, and what could be kept is kept.

use crate::building::Building;
use crate::client::{Listener, Message, last_extension};
use crate::daemon::{At, Daemon, Setup};
use crate::journal::replayed;
use crate::storm::{all_out, engaged, sent_in};
use leeside_journal::{Journal, Kind, Span};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::process::Command;

fn fault(message: &Message, active: bool) -> bool {
    message.topic == "quick/alarm/journal_fault" && message.json()["active"] == active
}

/// Files beside the journal that were moved aside, without their logs.
fn aside(dir: &Path) -> Vec<PathBuf> {
    let all = std::fs::read_dir(dir)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let named = |path: &PathBuf| {
        path.extension()
            .is_some_and(|end| end.to_string_lossy().starts_with("damaged-"))
    };
    all.filter(named).collect()
}

fn commands(journal: &Path) -> usize {
    let journal = Journal::open_read_only(journal).unwrap();
    assert_eq!(journal.verify().unwrap().fault, None);
    let all = journal.entries(Span::ALL).map(Result::unwrap);
    all.filter(|entry| entry.kind == Kind::Command).count()
}

/// The screens are asked to somewhere, for ten minutes, and go there.
fn ask_by_hand(listener: &Listener) {
    let mark = listener.mark();
    let by_hand = "{\"by\":\"panel\",\"ask\":\"pose\",\"group\":\"west screens\",\"extension_pct\":40,\"hold_s\":600}";
    listener.say("quick/request", by_hand);
    listener.wait_some(mark, "the pose by hand", |m| {
        (last_extension(m, "west screens") == Some(40)).then_some(())
    });
}

/// All of the file is something else: moved aside, and said until somebody has started
/// it again.
#[test]
fn a_journal_that_is_none_at_the_start_is_moved_aside() {
    let setup = Setup::new(At::Mosquitto);
    let rubbish = [7_u8; 20_000];
    std::fs::write(setup.site.journal(), rubbish).unwrap();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = setup.start();
    let alarm = listener.wait(0, "the alarm", |m| fault(m, true));
    let reason = alarm.json()["reason"].as_str().unwrap().to_owned();
    assert!(
        reason.contains("moved to") && reason.contains(".damaged-"),
        "{reason}"
    );
    all_out(&listener, 0);
    let mark = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    // What the new file takes does not take the alarm away.
    let late = Listener::new(setup.port);
    let kept = late.wait(0, "the alarm, kept", |m| {
        m.topic == "quick/alarm/journal_fault"
    });
    assert!(kept.retained && kept.json()["active"] == true);
    daemon.terminate();
    let moved = aside(setup.site.dir.path());
    assert_eq!(moved.len(), 1, "{moved:?}");
    assert_eq!(std::fs::read(&moved[0]).unwrap(), rubbish);
    assert!(commands(&setup.site.journal()) >= 4);
    assert_eq!(replayed(&setup.site.path, &setup.site.journal()).differ, 0);
}

/// An index of the file is damaged, which only a write finds: the rows of then are
/// moved aside and can still be read, the state goes on, and the new file holds it.
#[test]
fn a_journal_found_damaged_while_running_is_begun_anew_with_the_state() {
    let setup = Setup::new(At::Mosquitto);
    let path = setup.site.journal();
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = setup.start();
    all_out(&listener, 0);
    ask_by_hand(&listener);
    daemon.terminate();
    let before = commands(&path);
    {
        let db = rusqlite::Connection::open(&path).unwrap();
        let page = "SELECT rootpage FROM sqlite_schema WHERE name = 'entry_wall'";
        let root: i64 = db.query_row(page, [], |row| row.get(0)).unwrap();
        let size: i64 = db
            .query_row("PRAGMA page_size", [], |row| row.get(0))
            .unwrap();
        drop(db);
        let mut file = std::fs::File::options().write(true).open(&path).unwrap();
        file.seek(SeekFrom::Start(u64::try_from((root - 1) * size).unwrap()))
            .unwrap();
        file.write_all(&vec![0xFF; usize::try_from(size).unwrap()])
            .unwrap();
    }
    let mark = listener.mark();
    let daemon = setup.start();
    let alarm = listener.wait(mark, "the alarm", |m| fault(m, true));
    let reason = alarm.json()["reason"].as_str().unwrap().to_owned();
    assert!(reason.contains(".damaged-"), "{reason}");
    listener.wait_some(mark, "the slats going out", |m| {
        (last_extension(m, "south slats") == Some(100)).then_some(())
    });
    let storm = listener.mark();
    building.blow("wind south", 13.0);
    sent_in(&listener, storm, "south slats");
    listener.wait(storm, "the lockout", |m| engaged(m, "south slats", "wind"));
    daemon.kill();

    let moved = aside(setup.site.dir.path());
    assert_eq!(moved.len(), 1, "{moved:?}");
    let salvaged = rusqlite::Connection::open(&moved[0]).unwrap();
    let count = "SELECT count(*) FROM entry NOT INDEXED WHERE kind = 'command'";
    let rows: i64 = salvaged.query_row(count, [], |row| row.get(0)).unwrap();
    assert_eq!(
        usize::try_from(rows).unwrap(),
        before,
        "the rows of before can still be read"
    );
    assert!(
        commands(&path) >= 2,
        "the new file holds what was decided since"
    );
    assert_eq!(replayed(&setup.site.path, &path).differ, 0);

    // The state is in the new file: the hold by hand outlives this sudden end too.
    let mark = listener.mark();
    building.blow("wind south", 2.0);
    let _daemon = setup.start();
    listener.wait(mark, "the pose by hand, again", |m| {
        m.topic == "quick/group/west screens/pose"
            && m.json()["decided_by"] == "hand"
            && m.json()["extension_pct"] == 40
    });
    listener.wait(mark, "the alarm's end", |m| fault(m, false));
}

/// Something is mounted over a folder; it goes with this value.
struct Mounted(PathBuf);

impl Mounted {
    /// As root by mounting, which stops root as well. `None`: it cannot be done here.
    fn new(over: &Path, words: &[&str]) -> Option<Self> {
        let mounted = Command::new("mount").args(words).arg(over).output().ok()?;
        if mounted.status.success() {
            return Some(Self(over.to_owned()));
        }
        not_checked(String::from_utf8_lossy(&mounted.stderr).trim());
        None
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        // Busy: it goes once nobody holds it.
        let _ = Command::new("umount").arg("--lazy").arg(&self.0).status();
    }
}

#[expect(clippy::print_stderr, reason = "so that it is not taken for checked")]
fn not_checked(why: &str) {
    eprintln!("NOT CHECKED: {why}");
}

fn is_root() -> bool {
    Command::new("id").arg("-u").output().unwrap().stdout == b"0\n"
}

/// A folder that cannot be written until it is let go: by its permissions, and for
/// root, whom they do not stop, by a mount.
enum ReadOnly {
    Permissions(PathBuf),
    Mount(Mounted),
}

impl ReadOnly {
    fn make(folder: &Path) -> Option<Self> {
        if is_root() {
            let text = folder.display().to_string();
            let mounted = Mounted::new(folder, &["--bind", &text])?;
            let again = Command::new("mount")
                .args(["-o", "remount,bind,ro"])
                .arg(folder)
                .output()
                .unwrap();
            assert!(
                again.status.success(),
                "{}",
                String::from_utf8_lossy(&again.stderr)
            );
            return Some(Self::Mount(mounted));
        }
        permissions(folder, 0o555);
        Some(Self::Permissions(folder.to_owned()))
    }

    fn let_go(self) {
        match self {
            Self::Permissions(folder) => permissions(&folder, 0o755),
            Self::Mount(mounted) => drop(mounted),
        }
    }
}

fn permissions(path: &Path, mode: u32) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
}

/// The journal in a folder of its own, which the tests make what they need.
fn in_a_folder(setup: &Setup) -> (PathBuf, PathBuf) {
    let folder = setup.site.dir.path().join("kept");
    std::fs::create_dir(&folder).unwrap();
    crate::reload::change(
        &setup.site.path,
        "file = \"journal.sqlite\"",
        "file = \"kept/journal.sqlite\"",
    );
    let path = folder.join("journal.sqlite");
    (folder, path)
}

/// The state is read from a journal that cannot be written, and what happens meanwhile
/// is written once it can be.
#[test]
fn a_read_only_journal_still_gives_its_state_and_is_gone_on_with_later() {
    let setup = Setup::new(At::Mosquitto);
    let (folder, path) = in_a_folder(&setup);
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = setup.start();
    all_out(&listener, 0);
    ask_by_hand(&listener);
    daemon.terminate();
    let before = commands(&path);
    let Some(read_only) = ReadOnly::make(&folder) else {
        return;
    };
    let mark = listener.mark();
    let daemon = setup.start();
    listener.wait(mark, "the alarm", |m| fault(m, true));
    listener.wait(mark, "the pose by hand, again", |m| {
        m.topic == "quick/group/west screens/pose"
            && m.json()["decided_by"] == "hand"
            && m.json()["extension_pct"] == 40
    });
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    read_only.let_go();
    listener.wait(mark, "the alarm's end", |m| fault(m, false));
    let (status, _) = daemon.terminate();
    assert!(status.success());
    assert!(
        commands(&path) >= before + 3,
        "what happened meanwhile is written after all"
    );
    let found = replayed(&setup.site.path, &path);
    assert_eq!(found.differences, [], "of {} commands", found.same);
}

/// A disk of its own that becomes full while the service runs, and has room again.
#[test]
fn a_disk_that_fills_while_running_is_alarmed_and_gone_on_with() {
    let setup = Setup::new(At::Mosquitto);
    let (folder, path) = in_a_folder(&setup);
    if !is_root() {
        not_checked("a small disk can be mounted by root only");
        return;
    }
    let Some(_disk) = Mounted::new(&folder, &["-t", "tmpfs", "-o", "size=4m", "none"]) else {
        return;
    };
    let listener = Listener::new(setup.port);
    let building = Building::calm(&listener);
    let daemon = Daemon::start(&setup.site.path, &["--quiet"]);
    all_out(&listener, 0);
    // Somebody else's file takes what is left.
    let filler = folder.join("filler");
    let mut file = std::fs::File::create(&filler).unwrap();
    while file.write_all(&[0; 4_096]).is_ok() {}
    drop(file);
    let mark = listener.mark();
    listener.wait(0, "the alarm", |m| fault(m, true));
    building.blow("wind south", 13.0);
    sent_in(&listener, mark, "south slats");
    std::fs::remove_file(&filler).unwrap();
    listener.wait(mark, "the alarm's end", |m| fault(m, false));
    let (status, _) = daemon.terminate();
    assert!(status.success());
    assert!(commands(&path) >= 5);
    assert_eq!(replayed(&setup.site.path, &path).differ, 0);
}
