//! The page in German: whatever is not marked as English is German, or data.

use crate::axe::storm;
use crate::brokers::PATIENCE;
use crate::house::House;
use crate::plain::{Answer, Plain, signed_in};
use std::collections::BTreeSet;
use std::path::Path;

const ENGLISH: &str = include_str!("../../scheduler/page/words/en.toml");
const GERMAN: &str = include_str!("../../scheduler/page/words/de.toml");

/// Words that no German sentence has, and no name in the quick site.
const TELLING: [&str; 18] = [
    "the", "of", "is", "are", "and", "not", "which", "cannot", "with", "from", "to", "until",
    "nothing", "there", "its", "every", "where", "be",
];

/// The texts of a catalogue: one a line, behind its key.
fn texts(catalogue: &str) -> Vec<&str> {
    catalogue
        .lines()
        .filter_map(|line| line.split_once(" = \"")?.1.strip_suffix('"'))
        .collect()
}

/// Pieces of English sentences between their places, long enough to be told apart.
fn english_pieces() -> BTreeSet<String> {
    let german = texts(GERMAN).join("\n");
    texts(ENGLISH)
        .iter()
        .flat_map(|text| {
            text.split(['{', '}'])
                .step_by(2)
                .map(str::to_owned)
                .collect::<Vec<_>>()
        })
        .map(|piece| piece.trim().to_owned())
        .filter(|piece| piece.len() > 9 && piece.contains(' ') && !german.contains(piece.as_str()))
        .collect()
}

/// Whatever a person reads of a page, but for what is marked as another language:
/// texts, and the attributes that are read out.
fn read(page: &str) -> Vec<String> {
    const VOID: [&str; 6] = ["meta", "link", "input", "br", "hr", "img"];
    let mut told = Vec::new();
    // For each open element whether it is in another language.
    let mut open: Vec<(String, bool)> = Vec::new();
    let mut rest = page;
    while let Some((text, more)) = rest.split_once('<') {
        let foreign = open.last().is_some_and(|(_, foreign)| *foreign);
        if !foreign && !text.trim().is_empty() {
            told.push(text.trim().to_owned());
        }
        // No attribute of ours has an unescaped bracket.
        let (tag, after) = more.split_once('>').unwrap_or((more, ""));
        rest = after;
        if let Some(name) = tag.strip_prefix('/') {
            while open.pop().is_some_and(|(inner, _)| inner != name) {}
            continue;
        }
        let name: String = tag
            .chars()
            .take_while(|c| c.is_ascii_alphanumeric())
            .collect();
        if tag.starts_with('!') || name.is_empty() {
            continue;
        }
        let attribute = |wanted: &str| {
            let (_, value) = tag.split_once(&format!(" {wanted}=\""))?;
            value.split('"').next().map(str::to_owned)
        };
        let foreign = match attribute("lang") {
            // Which the page itself is in is not the question.
            Some(lang) => name != "html" && lang != "de",
            None => foreign,
        };
        if !foreign {
            let read_out = ["aria-label", "title", "alt", "label", "placeholder"];
            told.extend(read_out.into_iter().filter_map(attribute));
        }
        let closed = VOID.contains(&name.as_str()) || tag.ends_with('/');
        if !closed {
            open.push((name.clone(), foreign));
        }
        if name == "script" || name == "style" || name == "textarea" {
            let end = format!("</{name}");
            rest = rest.find(&end).map_or("", |at| &rest[at..]);
        }
    }
    told
}

/// What of a page is English and not marked so.
fn english(pieces: &BTreeSet<String>, answer: &Answer) -> Vec<String> {
    let is_english = |text: &String| {
        let words = || text.split(|c: char| !c.is_alphanumeric());
        pieces.iter().any(|piece| text.contains(piece.as_str()))
            || words().any(|word| TELLING.contains(&word))
    };
    read(&answer.body).into_iter().filter(is_english).collect()
}

/// A calendar, a broken one beside it, a weather file that nobody can read.
fn files(folder: &Path) {
    storm(folder);
    let path = folder.join("site.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let calendar =
        "[[calendar]]\nname = \"closed days\"\nfile = \"house.ics\"\nday_class = \"closed\"\n";
    std::fs::write(&path, format!("{text}\n{calendar}")).unwrap();
    std::fs::write(
        folder.join("house.ics"),
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//tests//EN\r\nBEGIN:VEVENT\r\nUID:outing\r\n\
         DTSTAMP:20260101T000000Z\r\nDTSTART;VALUE=DATE:20270717\r\nSUMMARY:Ausflug\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n",
    )
    .unwrap();
    std::fs::write(
        folder.join("broken.csv"),
        "utc,gust_ms\n2027-03-01T00:00:00Z,a lot\n",
    )
    .unwrap();
}

fn in_german(plain: &Plain) {
    let mut jar = plain.cookies();
    jar.insert("leeside_language".to_owned(), "de".to_owned());
    plain.set_cookies(&jar);
}

/// The answer, once it has been worked out.
fn worked_out(plain: &Plain, path: &str) -> Answer {
    for _ in 0..200 {
        let answer = plain.get(path);
        if !answer.body.contains("id=\"waiting\"") {
            return answer;
        }
    }
    panic!("{path}: never worked out")
}

/// The answer, once it says something: what is shown of the present is a little old.
fn once(plain: &Plain, path: &str, part: &str) -> Answer {
    let begin = std::time::Instant::now();
    loop {
        let answer = plain.get(path);
        if answer.body.contains(part) || begin.elapsed() > PATIENCE {
            return answer;
        }
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
}

/// A page's name here, and what came.
type Page = (&'static str, Answer);

/// Every page, and what it says to what cannot be done.
fn sound(plain: &Plain) -> Vec<Page> {
    let token = plain.get("/hands").hidden("csrf");
    let day = |name: &'static str, first: &'static str| {
        let fields = [
            ("csrf", token.as_str()),
            ("calendar", "closed days"),
            ("do", "preview"),
        ];
        let revision = plain.get("/calendar/entry").hidden("revision");
        let more = [
            ("name", name),
            ("first", first),
            ("revision", revision.as_str()),
            ("again", ""),
        ];
        let all: Vec<(&str, &str)> = fields.into_iter().chain(more).collect();
        plain.post("/calendar/save", &all)
    };
    let file = "/year?weather=file%3Astorm.csv&from=2027-03-01&to=2027-03-02";
    vec![
        ("now", plain.get("/")),
        ("calendar", plain.get("/calendar")),
        ("entry", plain.get("/calendar/entry")),
        ("preview", day("Inventur", "2027-04-05")),
        ("already there", day("Ausflug", "2027-07-17")),
        ("no day", day("", "nie")),
        ("no calendar", plain.get("/calendar/entry?calendar=x")),
        ("why", worked_out(plain, "/why?group=south%20slats")),
        (
            "planned",
            worked_out(plain, "/why?group=south%20slats&at=2031-06-21T12:00"),
        ),
        ("no group", plain.get("/why?group=x&at=x")),
        (
            "facade",
            worked_out(
                plain,
                "/facade?facade=south&group=south%20slats&date=2027-06-21",
            ),
        ),
        (
            "year",
            worked_out(plain, "/year?weather=calm&from=2027-06-01&to=2027-06-03"),
        ),
        ("weather", worked_out(plain, &format!("{file}&faults=on"))),
        ("trial", worked_out(plain, &format!("{file}&wind_limit=25"))),
        (
            "span",
            worked_out(
                plain,
                "/year?weather=file%3Astorm.csv&from=2019-03-01&to=2019-03-02",
            ),
        ),
        (
            "broken weather",
            worked_out(plain, "/year?weather=file%3Abroken.csv"),
        ),
        (
            "too long",
            worked_out(plain, "/year?weather=calm&from=2020-01-01&to=2027-01-01"),
        ),
        ("hands", plain.get("/hands")),
        ("hands on a group", plain.get("/hands?group=south%20slats")),
        ("nothing there", plain.get("/nothing")),
        ("no form", plain.get("/year?weather=%zz")),
        (
            "stranger's form",
            plain.post("/hands/reload", &[("csrf", "x")]),
        ),
        ("reload", plain.post("/hands/reload", &[("csrf", &token)])),
    ]
}

/// What is said while files of the house are broken, and to strangers.
fn broken(house: &House, plain: &Plain) -> Vec<Page> {
    let mut pages = Vec::new();
    let token = plain.get("/hands").hidden("csrf");
    let sound = std::fs::read_to_string(&house.site.path).unwrap();
    std::fs::write(&house.site.path, sound.replacen("limit_mps", "limit_mp", 1)).unwrap();
    pages.push((
        "broken site",
        plain.post("/hands/reload", &[("csrf", &token)]),
    ));
    std::fs::write(
        &house.site.path,
        sound.replacen("[page]", "[page]\nbehind_proxy = true", 1),
    )
    .unwrap();
    pages.push((
        "restart needed",
        plain.post("/hands/reload", &[("csrf", &token)]),
    ));
    pages.push(("trouble", once(plain, "/", "abgelehnt")));
    std::fs::write(house.site.dir.path().join("house.ics"), "no calendar").unwrap();
    pages.push(("broken calendar", plain.get("/calendar")));
    let strange = Plain::new(house);
    in_german(&strange);
    pages.push(("sign in", strange.get("/sign-in")));
    pages
}

#[test]
fn a_german_page_is_german_but_for_what_is_marked_and_data() {
    let house = House::with(
        "people_file = \"people.toml\"",
        &[("keeper", "configure", &[])],
        files,
    );
    let pieces = english_pieces();
    assert!(pieces.len() > 300, "{}", pieces.len());
    let plain = signed_in(&house, "keeper");
    // It knows English when it sees it.
    let answer = plain.get("/year");
    assert!(english(&pieces, &answer).len() > 5, "{}", answer.body);
    in_german(&plain);
    let mut pages = sound(&plain);
    pages.extend(broken(&house, &plain));
    for (name, answer) in &pages {
        assert!(
            answer.body.contains("<html lang=\"de\""),
            "{name}: {}",
            answer.body
        );
        assert!(read(&answer.body).len() > 3, "{name}: {}", answer.body);
        assert_eq!(english(&pieces, answer), Vec::<String>::new(), "{name}");
    }
    // What was asked for is what was shown.
    let shown = |name: &str, part: &str| {
        let (_, answer) = pages.iter().find(|(other, _)| *other == name).unwrap();
        assert!(answer.body.contains(part), "{name}: {}", answer.body);
    };
    shown("weather", "Jeder Windsensor misst denselben Wind");
    shown("weather", "Lücke beim Broker");
    shown("span", "liegt nicht in storm.csv");
    shown("broken weather", "<pre class=\"problems\" lang=\"en\"");
    shown("already there", "Das steht schon im Kalender");
    shown("broken site", "site.toml:");
    shown("restart needed", "braucht einen Neustart");
    shown("trouble", "Anlagendatei");
    shown("broken calendar", "nicht als Kalender lesbar");
}
