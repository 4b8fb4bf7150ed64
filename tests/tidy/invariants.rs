//! The numbered invariants of `DEVELOPERS.md` name gates that exist.
//!
//! A row reads `| I7 | what must stay true | gates |`, each gate in backticks: a
//! file, or a file and a test in it (`path/to/tests.rs::name_of_the_test`).

use crate::{must_read, none, root};

/// Number and gates of each row.
fn rows(developers: &str) -> Vec<(String, Vec<String>)> {
    developers
        .lines()
        .filter_map(|line| {
            let cells: Vec<&str> = line.trim().trim_matches('|').split(" | ").collect();
            let number = cells.first()?.trim();
            let digits = number.strip_prefix('I')?;
            if cells.len() != 3 || !digits.bytes().all(|b| b.is_ascii_digit()) {
                return None;
            }
            let gates = cells[2].split('`').skip(1).step_by(2);
            Some((number.to_owned(), gates.map(String::from).collect()))
        })
        .collect()
}

#[test]
fn every_invariant_names_a_gate_that_exists() {
    let rows = rows(&must_read("DEVELOPERS.md"));
    assert!(rows.len() >= 10, "read only {} invariants", rows.len());
    let mut wrong = Vec::new();
    for (index, (number, gates)) in rows.iter().enumerate() {
        if *number != format!("I{}", index + 1) {
            wrong.push(format!("{number} stands where I{} is expected", index + 1));
        }
        if gates.is_empty() {
            wrong.push(format!("{number} names no gate"));
        }
        for gate in gates {
            let (path, test) = gate.split_once("::").unwrap_or((gate, ""));
            if !root().join(path).exists() {
                wrong.push(format!("{number}: there is no {path}"));
            } else if !test.is_empty() && !must_read(path).contains(&format!("fn {test}(")) {
                wrong.push(format!("{number}: there is no `{test}` in {path}"));
            }
        }
    }
    none("invariants of DEVELOPERS.md", &wrong);
}
