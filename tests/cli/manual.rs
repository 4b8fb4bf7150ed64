//! `leeside manual`: pages and completions, complete and readable by what reads them.

use crate::support::leeside;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

fn written() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("made/here");
    leeside(&["manual", "--out", out.to_str().unwrap()]).well();
    folder
}

fn names(folder: &Path) -> BTreeSet<String> {
    fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
fn every_verb_has_its_page() {
    let folder = written();
    let pages = folder.path().join("made/here/man");
    let names = names(&pages);
    for verb in crate::help::verbs() {
        let name = format!("leeside-{}.1", verb.join("-"));
        assert!(names.contains(&name), "{name}: {names:?}");
    }
    assert!(names.contains("leeside.1"));
    assert!(
        !names.contains("leeside-manual.1"),
        "a verb of the workshop"
    );
    let page = fs::read_to_string(pages.join("leeside-journal-verify.1")).unwrap();
    for word in [".TH leeside-journal-verify 1", "\\-\\-head", "Exit codes"] {
        assert!(page.contains(word), "{word}:\n{page}");
    }
}

/// bash itself reads its file, and offers the verbs.
#[test]
fn bash_completes_verbs_and_options() {
    let folder = written();
    let file = folder.path().join("made/here/completions/leeside.bash");
    let offered = |words: &str, at: usize| {
        let script = format!(
            "source '{}'; COMP_WORDS=({words}); COMP_CWORD={at}; _leeside leeside \"${{COMP_WORDS[$COMP_CWORD]}}\" \"${{COMP_WORDS[$COMP_CWORD-1]}}\"; echo \"${{COMPREPLY[@]}}\"",
            file.display()
        );
        let said = Command::new("bash").args(["-c", &script]).output().unwrap();
        assert!(said.status.success(), "{said:?}");
        String::from_utf8(said.stdout).unwrap()
    };
    let verbs = offered("leeside jo", 1);
    assert_eq!(verbs.trim(), "journal");
    let options = offered("leeside journal verify --he", 3);
    assert!(options.contains("--head"), "{options}");
    let all = names(&folder.path().join("made/here/completions"));
    assert_eq!(all.len(), 3, "{all:?}");
}

#[test]
fn a_folder_that_cannot_be_made_is_named() {
    let err = leeside(&["manual", "--out", "/proc/nowhere"]).refused(1);
    assert!(err.contains("/proc/nowhere cannot be written to"), "{err}");
}
