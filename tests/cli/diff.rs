//! `leeside diff`: nothing changed, a limit changed, and what is refused.

use crate::support::{SITE, TMY3, broken, leeside, root};
use std::fs;
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const MARCH: [&str; 6] = [
    "--from",
    "2027-03-01",
    "--to",
    "2027-03-14",
    "--weather",
    TMY3,
];

/// The example with one text in place of another, beside its calendars.
fn changed(from: &str, to: &str) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let example = root().join("deploy/example");
    for file in fs::read_dir(&example).unwrap() {
        let file = file.unwrap();
        fs::copy(file.path(), folder.path().join(file.file_name())).unwrap();
    }
    let path = folder.path().join("site.toml");
    let text = fs::read_to_string(&path).unwrap();
    assert_eq!(text.matches(from).count(), 1, "{from}");
    fs::write(&path, text.replace(from, to)).unwrap();
    (folder, path)
}

fn diff(old: &Path, new: &Path, more: &[&str]) -> crate::support::Said {
    let (old, new) = (old.to_str().unwrap(), new.to_str().unwrap());
    leeside(&[&["diff", old, new], &MARCH[..], more].concat())
}

#[test]
fn the_same_file_or_another_comment_changes_nothing() {
    let old = root().join(SITE);
    let (_folder, new) = changed("# Awnings keep the sun", "# Our awnings keep the sun");
    for other in [&old, &new] {
        let text = diff(&old, other, &[]).well();
        assert!(text.contains("Keys changed: 0\n"), "{text}");
        assert!(
            text.contains("Behaviour: the same, movement by movement"),
            "{text}"
        );
    }
}

#[test]
fn a_changed_limit_shows_its_key_and_its_movements_with_exit_code_3() {
    let old = root().join(SITE);
    let (_folder, new) = changed("wind_limit_mps = 13\n", "wind_limit_mps = 8\n");
    let said = diff(&old, &new, &[]);
    assert_eq!(said.code, Some(3), "{said:#?}");
    for words in [
        "Keys changed: 1\n  product[\"zip screen\"].wind_limit_mps\n      was  13\n      now  8\n",
        "\nby cause ",
        "\nhours ",
        "\nExposed in storms (simulated plant, each site by its own limits): all devices together ",
        "\nseconds ",
        "in order of time",
    ] {
        assert!(said.out.contains(words), "{words}: {}", said.out);
    }
    let told = diff(&old, &new, &["--format", "json"]);
    assert_eq!(told.code, Some(3));
    let told: serde_json::Value = serde_json::from_str(&told.out).unwrap();
    assert_eq!(told["format_version"], 1);
    assert_eq!(told["differs"], true);
    assert_eq!(told["keys"][0]["new"], "8");
    let mut exposed = 0.0;
    for group in told["groups"].as_array().unwrap() {
        let screens = ["meeting room", "yard offices", "lane offices 1"];
        let mine = screens.contains(&group["group"].as_str().unwrap());
        let longer = group["new"]["locked_h"].as_f64() > group["old"]["locked_h"].as_f64();
        assert_eq!(longer, mine, "{}", group["group"]);
        // A device is exposed for at least its travel, and for no longer than the site allows.
        for side in ["old", "new"] {
            let exposed = |key: &str| group[side][key].as_f64().unwrap();
            let (all, longest) = (exposed("exposed_s"), exposed("longest_exposed_s"));
            assert!(longest <= 150.0 && longest <= all, "{}", group["group"]);
            assert_eq!(all > 0.0, longest > 20.0, "{} {side}", group["group"]);
        }
        let same = group["old"]["exposed_s"] == group["new"]["exposed_s"];
        assert!(same || mine, "{}", group["group"]);
        exposed += group["old"]["exposed_s"].as_f64().unwrap();
    }
    assert!(exposed > 0.0, "devices were out when the wind came");
    let again = diff(&old, &new, &[]);
    assert_eq!(again.out, said.out, "two runs give the same bytes");
}

#[test]
fn a_changed_calendar_is_told_as_a_file() {
    let old = root().join(SITE);
    let (folder, new) = changed("# Awnings keep the sun", "# Awnings keep the sun");
    let house = folder.path().join("house.ics");
    let text = fs::read_to_string(&house).unwrap();
    let day = "BEGIN:VEVENT\r\nUID:one-more@example\r\nDTSTAMP:20260101T000000Z\r\nDTSTART;VALUE=DATE:20270303\r\n\
               SUMMARY:One more closed day\r\nEND:VEVENT\r\nEND:VCALENDAR";
    let text = text.replace('\n', "\r\n").replace("\r\r", "\r");
    fs::write(&house, text.replace("END:VCALENDAR", day)).unwrap();
    let said = diff(&old, &new, &[]);
    assert_eq!(said.code, Some(3), "{said:#?}");
    assert!(
        said.out.contains("Keys changed: 1\n  file house.ics\n"),
        "{}",
        said.out
    );
    assert!(said.out.contains("closed"), "{}", said.out);
}

#[test]
fn what_is_broken_is_named() {
    let unsound = "tests/broken/key_unknown.toml";
    broken(&[
        (&["diff", SITE], "<NEW>"),
        (
            &["diff", SITE, SITE, "--year", "2027"],
            "weather is missing",
        ),
        (
            &["diff", SITE, unsound, "--year", "2027", "--weather", TMY3],
            "must not be run",
        ),
    ]);
}
