//! What of OWASP ASVS 4.0.3, level 1, has no other place; the list is
//! `scheduler/page/ASVS.md`.

use crate::house::{House, PASSWORD, people_verb};
use crate::plain::{Plain, signed_in};
use std::collections::BTreeSet;
use std::path::Path;
use std::process::{Command, Stdio};

const GUEST: &[(&str, &str, &[&str])] = &[("guest", "look", &[])];

/// Every row of the list either names tests that exist, or says why there is none.
#[test]
fn the_list_names_tests_that_exist() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let list = std::fs::read_to_string(root.join("scheduler/page/ASVS.md")).unwrap();
    let mut items = BTreeSet::new();
    for row in list.lines().filter(|line| {
        line.starts_with("| ") && line[2..].starts_with(|c: char| c.is_ascii_digit())
    }) {
        let cells: Vec<&str> = row.trim_matches('|').split(" | ").collect();
        assert_eq!(cells.len(), 3, "{row}");
        items.extend(cells[0].split(", ").map(|item| item.trim().to_owned()));
        let gates: Vec<&str> = cells[2]
            .split('`')
            .skip(1)
            .step_by(2)
            .filter(|gate| gate.contains("::"))
            .collect();
        assert!(
            !gates.is_empty() || cells[2].trim().starts_with("no test:"),
            "{row}"
        );
        for gate in gates {
            let (file, name) = gate.split_once("::").unwrap();
            let text = std::fs::read_to_string(root.join(file))
                .unwrap_or_else(|error| panic!("{file}: {error}"));
            assert!(text.contains(&format!("fn {name}(")), "{gate} is no test");
        }
    }
    assert!(items.len() > 60, "{items:?}");
}

#[test]
fn no_password_and_no_token_stands_in_a_log_an_address_or_a_page() {
    let house = House::peopled(GUEST);
    let plain = Plain::new(&house);
    let wrong = "a password nobody has";
    plain.sign_in("guest", wrong);
    let well = plain.sign_in("guest", PASSWORD);
    let token = plain.cookies()["leeside_session"].clone();
    assert_eq!(token.len(), 64, "256 bits");
    let page = plain.get("/");
    assert!(!page.body.contains(&token) && !well.header("location").contains(&token));
    house.daemon.wait_line("signed in");
    for line in house.daemon.lines() {
        assert!(
            !line.contains(PASSWORD) && !line.contains(wrong) && !line.contains(&token),
            "{line}"
        );
    }
}

#[test]
fn a_page_says_nothing_about_what_serves_it_and_lets_nobody_else_read_it() {
    let house = House::peopled(GUEST);
    let plain = signed_in(&house, "guest");
    for path in ["/", "/api/v1/present", "/nowhere"] {
        let answer = plain.with(&[("origin", "https://evil.example")], "GET", path, "");
        for header in [
            "server",
            "x-powered-by",
            "access-control-allow-origin",
            "access-control-allow-credentials",
        ] {
            assert_eq!(answer.header(header), "", "{header} at {path}");
        }
        let kind = answer.header("content-type");
        assert!(
            kind == "application/json" || kind == "text/html; charset=utf-8",
            "{kind}"
        );
    }
}

#[test]
fn long_passwords_of_any_letters_count_whole() {
    let house = House::peopled(GUEST);
    let long = format!("ö 🌬 {}", "w".repeat(100));
    let add = ["add", "SITE", "long", "--role", "look"];
    let added = people_verb(&house.site.path, &add, &long);
    assert!(
        added.status.success(),
        "{}",
        String::from_utf8_lossy(&added.stderr)
    );
    let plain = Plain::new(&house);
    assert_eq!(plain.sign_in("long", &long[..long.len() - 1]).status, 401);
    assert_eq!(plain.sign_in("long", &long).status, 303);
    let longer = "w".repeat(200);
    let refused = people_verb(
        &house.site.path,
        &["add", "SITE", "longer", "--role", "look"],
        &longer,
    );
    assert!(String::from_utf8_lossy(&refused.stderr).contains("at most 128 characters"));
}

#[test]
fn old_tls_is_refused() {
    let lines = "people_file = \"people.toml\"\ntls = { certificate_file = \"certificate.pem\", key_file = \"key.pem\" }";
    let house = House::with(lines, GUEST, crate::line::certificate);
    let talks = |version: &str| {
        Command::new("openssl")
            .args([
                "s_client",
                "-connect",
                &format!("127.0.0.1:{}", house.page),
                version,
            ])
            .stdin(Stdio::null())
            .output()
            .unwrap()
            .status
            .success()
    };
    assert!(talks("-tls1_3") && talks("-tls1_2"));
    assert!(!talks("-tls1_1"));
}
