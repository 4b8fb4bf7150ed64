//! The JSON interface, held against its description (`scheduler/page/openapi.json`).

use crate::brokers::PATIENCE;
use crate::described::Described;
use crate::house::{House, PASSWORD};
use crate::plain::{Answer, Plain};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::time::{Duration, Instant};

const DESCRIPTION: &str = "scheduler/page/openapi.json";

/// Somebody who speaks JSON, and what they have been answered.
struct Speaker<'a> {
    plain: Plain,
    csrf: String,
    described: &'a Described,
    /// Operations that have answered well.
    well: std::cell::RefCell<BTreeSet<String>>,
}

impl<'a> Speaker<'a> {
    fn new(house: &House, described: &'a Described) -> Self {
        Self {
            plain: Plain::new(house),
            csrf: String::new(),
            described,
            well: std::cell::RefCell::default(),
        }
    }

    fn say(&self, method: &str, template: &str, of: &str, body: &Value) -> (u16, Value) {
        let path = match (template.find('{'), template.find('}')) {
            (Some(from), Some(to)) => format!("{}{of}{}", &template[..from], &template[to + 1..]),
            _ => template.to_owned(),
        };
        let headers = [
            ("content-type", "application/json"),
            ("x-csrf-token", self.csrf.as_str()),
        ];
        let text = if method == "GET" {
            String::new()
        } else {
            body.to_string()
        };
        let answer = self.plain.with(&headers, method, &path, &text);
        self.held(method, template, &answer)
    }

    /// Holds an answer against the description.
    fn held(&self, method: &str, template: &str, answer: &Answer) -> (u16, Value) {
        let operation = &self.described.0["paths"][template][method.to_lowercase()];
        let status = answer.status.to_string();
        let response = &operation["responses"][&status];
        assert!(
            response.is_object(),
            "{method} {template}: {status} is not described: {}",
            answer.body
        );
        assert_eq!(answer.header("content-type"), "application/json");
        let value: Value = serde_json::from_str(&answer.body).unwrap();
        let schema = &response["content"]["application/json"]["schema"];
        self.described.check(schema, &value, template).unwrap();
        if answer.status == 200 {
            self.well
                .borrow_mut()
                .insert(operation["operationId"].as_str().unwrap().to_owned());
        }
        (answer.status, value)
    }

    fn sign_in(&mut self, name: &str) {
        let body = json!({ "name": name, "password": PASSWORD });
        let (status, session) = self.say("POST", "/api/v1/session", "", &body);
        assert_eq!(status, 200);
        session["csrf"].as_str().unwrap().clone_into(&mut self.csrf);
    }
}

fn with_calendar(folder: &std::path::Path) {
    let path = folder.join("site.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let calendar =
        "[[calendar]]\nname = \"closed days\"\nfile = \"house.ics\"\nday_class = \"closed\"\n";
    std::fs::write(&path, format!("{text}\n{calendar}")).unwrap();
    let empty = leeside_config::closed_days::empty();
    std::fs::write(folder.join("house.ics"), empty).unwrap();
}

fn requests(speaker: &Speaker<'_>, house: &House) {
    let requests = "/api/v1/requests";
    let halt = json!({ "ask": "halt", "group": "south slats" });
    assert_eq!(speaker.say("POST", requests, "", &halt).0, 200);
    house.building.blow("wind south", 17.4);
    house.listener.wait(0, "a lockout", |message| {
        message.topic == "quick/group/south slats/lockout" && message.json()["engaged"] == true
    });
    let (status, refused) = speaker.say("POST", requests, "", &halt);
    assert_eq!(
        (status, &refused["refusals"][0]["by"]),
        (409, &json!("wind"))
    );
    for bad in [
        json!([]),
        json!({ "ask": "fly" }),
        json!({ "ask": "halt", "group": "nowhere" }),
        json!({ "ask": "halt", "group": "south slats", "by": "the president" }),
        json!({ "ask": "pose", "group": "south slats", "extension_pct": 101 }),
    ] {
        assert_eq!(speaker.say("POST", requests, "", &bad).0, 422, "{bad}");
    }
}

fn calendars(speaker: &Speaker<'_>) {
    let (_, calendars) = speaker.say("GET", "/api/v1/calendars", "", &Value::Null);
    let revision = calendars["calendars"][0]["revision"].clone();
    let entries = "/api/v1/calendars/{calendar}/entries";
    let add = |name: &str| json!({ "first": "2027-05-07", "name": name, "revision": revision });
    assert_eq!(
        speaker.say("POST", entries, "closed%20days", &add("one")).0,
        200
    );
    let (status, conflict) = speaker.say("POST", entries, "closed%20days", &add("two"));
    assert_eq!(
        (status, &conflict["entries"][0]["name"]),
        (409, &json!("one"))
    );
    assert_eq!(
        speaker
            .say(
                "POST",
                entries,
                "closed%20days",
                &json!({ "first": "soon", "name": "x" })
            )
            .0,
        422
    );
    assert_eq!(speaker.say("POST", entries, "nowhere", &add("one")).0, 404);
    let remove = "/api/v1/calendars/{calendar}/remove";
    let gone = json!({ "uid": conflict["entries"][0]["uid"] });
    assert_eq!(speaker.say("POST", remove, "closed%20days", &gone).0, 200);
    assert_eq!(speaker.say("POST", remove, "closed%20days", &gone).0, 422);
}

#[test]
fn every_operation_answers_as_it_is_described() {
    let people: &[(&str, &str, &[&str])] = &[("keeper", "configure", &[])];
    let house = House::with("people_file = \"people.toml\"", people, with_calendar);
    let described = Described::read(DESCRIPTION);
    let mut speaker = Speaker::new(&house, &described);
    for (path, operations) in described.0["paths"].as_object().unwrap() {
        for (method, operation) in operations.as_object().unwrap() {
            if operation["security"] != json!([]) {
                let (status, _) = speaker.say(&method.to_uppercase(), path, "x", &json!({}));
                assert_eq!(status, 401, "{path} without a session");
            }
        }
    }
    assert_eq!(
        speaker
            .say("POST", "/api/v1/session", "", &json!({ "name": "keeper" }))
            .0,
        422
    );
    assert_eq!(
        speaker
            .say(
                "POST",
                "/api/v1/session",
                "",
                &json!({ "name": "keeper", "password": "wrong" })
            )
            .0,
        401
    );
    speaker.sign_in("keeper");
    speaker.say("GET", "/api/v1/openapi.json", "", &Value::Null);
    let begin = Instant::now();
    loop {
        let (_, present) = speaker.say("GET", "/api/v1/present", "", &Value::Null);
        if present["groups"][0]["verdict"]["decided_by"] == "timetable"
            && present["broker"]["connected"] == true
        {
            break;
        }
        assert!(begin.elapsed() < PATIENCE, "{present:#}");
        std::thread::sleep(Duration::from_millis(100));
    }
    let why = "/api/v1/groups/{group}/why";
    let (_, told) = speaker.say("GET", why, "south%20slats", &Value::Null);
    assert!(
        told["ranks"]
            .as_array()
            .unwrap()
            .iter()
            .any(|rank| rank["word"] == "wind" && rank["speaks"] == false)
    );
    assert_eq!(speaker.say("GET", why, "nowhere", &Value::Null).0, 404);
    requests(&speaker, &house);
    calendars(&speaker);
    let token = std::mem::take(&mut speaker.csrf);
    let halt = json!({ "ask": "halt", "group": "south slats" });
    let status = speaker.say("POST", "/api/v1/requests", "", &halt).0;
    assert_eq!(status, 403, "without the token");
    speaker.csrf = token;
    assert_eq!(
        speaker.say("POST", "/api/v1/session/end", "", &json!({})).0,
        200
    );
    assert_eq!(
        speaker.say("GET", "/api/v1/present", "", &Value::Null).0,
        401
    );
    let all: BTreeSet<String> = described.0["paths"]
        .as_object()
        .unwrap()
        .values()
        .flat_map(|operations| operations.as_object().unwrap().values())
        .map(|operation| operation["operationId"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(
        *speaker.well.borrow(),
        all,
        "each operation has answered well at least once"
    );
}

#[test]
fn what_is_described_is_what_there_is() {
    let described = Described::read(DESCRIPTION);
    let paths: BTreeSet<&str> = described.0["paths"]
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect();
    let routes: BTreeSet<&str> = leeside_page::pages::routes()
        .iter()
        .map(|route| route.path)
        .filter(|path| path.starts_with("/api/"))
        .collect();
    assert_eq!(paths, routes);
}
