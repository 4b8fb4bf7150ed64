//! The people file: written whole, read strictly; passwords only as hashes.
#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;

fn person(name: &str) -> Person {
    Person {
        name: name.to_owned(),
        role: Role::Operate,
        rooms: vec!["meeting room".to_owned()],
        password: hash("keeper", "a long enough one").unwrap(),
    }
}

#[test]
fn what_is_written_is_read_again_and_only_its_owner_may_read_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("people.toml");
    assert_eq!(People::read(&path).unwrap(), People::default());
    let mut people = People::default();
    people.add(person("k. \"quoted\" = keeper")).unwrap();
    people.write(&path).unwrap();
    assert_eq!(People::read(&path).unwrap(), people);
    let text = std::fs::read_to_string(&path).unwrap();
    assert!(text.contains("$argon2id$v=19$m=19456,t=2,p=1$") && !text.contains("a long enough"));
    let mode =
        std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&path).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600);
    assert_eq!(
        std::fs::read_dir(folder.path()).unwrap().count(),
        1,
        "nothing is left beside it"
    );
}

#[test]
fn a_password_fits_its_hash_and_no_other() {
    let hash = hash("keeper", "a long enough one").unwrap();
    assert!(fits("a long enough one", &hash));
    assert!(!fits("a long enough One", &hash));
    assert!(!fits("a long enough one", NOBODY));
    assert!(
        PasswordHash::new(NOBODY).is_ok(),
        "takes as long as any other"
    );
}

#[test]
fn passwords_have_bounds_and_two_of_them_never_the_same_hash() {
    assert!(hash("keeper", "elevenchars").is_err());
    assert!(hash("keeper", &"wind from the west ".repeat(7)).is_err());
    assert!(hash("keeper", &format!("{}Ölrost", "ü".repeat(58))).is_ok());
    assert_ne!(
        hash("keeper", "a long enough one").unwrap(),
        hash("keeper", "a long enough one").unwrap()
    );
}

#[test]
fn a_broken_file_is_refused_with_its_line() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("people.toml");
    let good = format!("[[person]]\nname = \"a\"\nrole = \"look\"\npassword = \"{NOBODY}\"\n");
    for (text, line, part) in [
        (good.replace("look", "rule"), 3, "unknown variant `rule`"),
        (format!("{good}{good}"), 5, "\"a\" is there twice"),
        (good.replace(NOBODY, "hunter2"), 1, "is no argon2 hash"),
        (format!("{good}shoe = 1\n"), 5, "unknown field `shoe`"),
    ] {
        std::fs::write(&path, &text).unwrap();
        let error = People::read(&path).unwrap_err().to_string();
        assert!(
            error.contains(&format!("people.toml:{line}: ")) && error.contains(part),
            "{error}"
        );
    }
}

#[test]
fn names_are_names_and_unlike() {
    let mut people = People::default();
    people.add(person("a")).unwrap();
    assert!(people.add(person("a")).is_err());
    assert!(people.add(person(" b")).is_err());
    assert!(people.add(person("b\n")).is_err());
    assert!(people.remove("b").is_err() && people.change("b").is_err());
    people.remove("a").unwrap();
    assert!(people.all.is_empty());
}
