//! Public holidays and Easter against other implementations (see
//! `reference/README.md`), and data files that are wrong.

#![expect(clippy::unwrap_used, reason = "tests")]

use std::collections::{BTreeMap, BTreeSet};

use leeside_config::holidays::{
    BUILT_IN, Country, Holiday, RegionError, easter, holidays, holidays_of, regions,
};

/// Region, year → date, name, substitute.
type Table = BTreeMap<(String, i32), Vec<(String, String, bool)>>;

fn rows(bytes: &'static [u8]) -> Vec<csv::StringRecord> {
    csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .from_reader(bytes)
        .records()
        .map(Result::unwrap)
        .collect()
}

/// Compares every year of a table, all days, nothing more and nothing less.
fn compare(table: Table, ours_instead: &[(&str, &str, &str, bool)]) -> usize {
    let mut compared = 0;
    for ((region, year), mut wanted) in table {
        let mut got: Vec<(String, String, bool)> = holidays(&region, year)
            .unwrap()
            .into_iter()
            .map(|h| (h.date.to_string(), h.name, h.substitute))
            .collect();
        compared += wanted.len();
        // Where a difference is decided for us, our row must really stand there.
        for (_, date, name, substitute) in ours_instead
            .iter()
            .filter(|(r, date, ..)| *r == region && date.starts_with(&year.to_string()))
        {
            let row = ((*date).to_owned(), (*name).to_owned(), *substitute);
            assert!(got.contains(&row), "{region} {row:?} is not ours");
            got.retain(|other| other.0 != *date);
            wanted.retain(|other| other.0 != *date);
        }
        assert_eq!(got, wanted, "{region} {year}");
    }
    compared
}

/// Nine regions, even years 2024 to 2034, exact in date, name and
/// substitute; decreed days (`one_off`) left out, as they are no rules.
#[test]
fn the_nine_regions_agree_exactly() {
    let mut table = Table::new();
    let mut one_off = 0;
    for row in rows(include_bytes!("reference/holidays_nine_regions.csv")) {
        let region = if row[1].is_empty() {
            row[0].to_owned()
        } else {
            format!("{}-{}", &row[0], &row[1])
        };
        if &row[6] == "1" {
            one_off += 1;
            continue;
        }
        let year = row[2][..4].parse().unwrap();
        table.entry((region, year)).or_default().push((
            row[2].to_owned(),
            row[4].to_owned(),
            &row[5] == "1",
        ));
    }
    assert_eq!(table.len(), 9 * 6);
    assert_eq!(compare(table, &[]) + one_off, 585);
}

/// All built-in regions, 2020 to 2036. In two years Scotland differs in name only:
/// "New Year's Day, if it be not a Sunday or, if it be a Sunday, 3rd January"
/// (Banking and Financial Dealings Act 1971, schedule 1 paragraph 2), so the
/// substitute for New Year's Day is the 3rd, and the 2nd is a holiday in itself.
#[test]
fn all_regions_agree_with_the_holidays_library() {
    let mut table = Table::new();
    for row in rows(include_bytes!("reference/holidays_all_regions.csv")) {
        if &row[4] == "0" {
            let year = row[1][..4].parse().unwrap();
            table.entry((row[0].to_owned(), year)).or_default().push((
                row[1].to_owned(),
                row[2].to_owned(),
                &row[3] == "1",
            ));
        }
    }
    let ours = [
        ("GB-SCT", "2023-01-02", "New Year Holiday", false),
        ("GB-SCT", "2023-01-03", "New Year's Day (observed)", true),
        ("GB-SCT", "2034-01-02", "New Year Holiday", false),
        ("GB-SCT", "2034-01-03", "New Year's Day (observed)", true),
    ];
    let in_table: BTreeSet<&String> = table.keys().map(|(region, _)| region).collect();
    // What no table covers: Austrian states (same days as AT) and GB as a whole.
    let not_in_table: Vec<String> = regions()
        .into_iter()
        .map(|(code, _)| code)
        .filter(|code| !in_table.contains(code) && !code.starts_with("AT-"))
        .collect();
    assert_eq!(not_in_table, ["GB"]);
    assert!(compare(table, &ours) > 6000);
}

/// Easter 1900 to 2199: python-dateutil for every year, and a second table for the
/// even ones.
#[test]
fn easter_agrees_for_three_centuries() {
    let all = rows(include_bytes!("reference/easter_all_years.csv"));
    assert_eq!(all.len(), 300);
    let even = rows(include_bytes!("reference/easter.csv"));
    assert_eq!(even.len(), 150);
    for row in all.iter().chain(&even) {
        assert_eq!(easter(row[0].parse().unwrap()).unwrap().to_string(), row[1]);
    }
    // The first Gregorian Easter, as python-dateutil has it.
    assert_eq!(easter(1583).unwrap().to_string(), "1583-04-10");
    assert_eq!(easter(1582), None);
}

#[test]
fn regions_that_do_not_exist_get_a_proposal() {
    let hint = |region: &str| match holidays(region, 2027) {
        Err(RegionError::Unknown { hint, .. }) => hint,
        other => panic!("{region}: {other:?}"),
    };
    assert_eq!(hint("de-by"), "did you mean DE-BY?");
    assert_eq!(hint("DE_BY"), "did you mean DE-BY?");
    assert_eq!(hint("Bavaria"), "did you mean DE-BY?");
    assert_eq!(hint("Austria"), "did you mean AT?");
    assert_eq!(hint("GB-SCO"), "did you mean GB-SCT?");
    assert_eq!(
        hint("CH-APPENZELL"),
        "known: CH, CH-BE, CH-BS, CH-GE, CH-TI, CH-ZH"
    );
    assert_eq!(hint("FR-ALSACE"), "France is not divided here: write FR");
    assert_eq!(
        hint("Atlantis"),
        "known countries: AT, BE, CH, DE, FR, GB, IT, NL, PL, SE, US"
    );
    assert_eq!(
        hint(""),
        "known countries: AT, BE, CH, DE, FR, GB, IT, NL, PL, SE, US"
    );
    let error = holidays("DE-BY", 2200).unwrap_err();
    assert_eq!(
        error.to_string(),
        "the holiday rules of DE-BY are stated for 2000 to 2199, not for 2200"
    );
    assert!(holidays("DE-BY", i32::MIN).is_err() && holidays("DE-BY", i32::MAX).is_err());
}

#[test]
fn every_built_in_file_can_be_read_and_every_year_worked_out() {
    let codes = regions();
    for (name, text) in BUILT_IN {
        Country::parse(name, text).unwrap();
        let code = name.trim_end_matches(".toml").to_uppercase();
        assert!(codes.iter().any(|(c, _)| *c == code), "{name}");
    }
    assert_eq!(
        codes
            .iter()
            .filter(|(code, _)| code.starts_with("DE-"))
            .count(),
        16
    );
    for (code, _) in &codes {
        for year in 2000..=2199 {
            let days = holidays(code, year).unwrap();
            assert!(days.len() >= 4, "{code} {year}");
            assert!(
                days.windows(2).all(|pair| pair[0].date < pair[1].date),
                "{code} {year}"
            );
            assert!(days.iter().all(|day| !day.source.is_empty()));
        }
    }
}

/// Laws that changed, by year (the sources stand in the data files).
#[test]
fn law_changes_take_effect_in_their_year() {
    let has = |region: &str, date: &str| {
        holidays(region, date[..4].parse().unwrap())
            .unwrap()
            .iter()
            .any(|h| h.date.to_string() == date)
    };
    for (region, before, after) in [
        ("DE-BE", "2018-03-08", "2019-03-08"),
        ("DE-MV", "2022-03-08", "2023-03-08"),
        ("DE-TH", "2018-09-20", "2019-09-20"),
        ("DE-HH", "2016-10-31", "2018-10-31"),
        ("PL", "2010-01-06", "2011-01-06"),
        ("PL", "2024-12-24", "2025-12-24"),
        ("IT", "2025-10-04", "2026-10-04"),
        ("SE", "2004-06-06", "2005-06-06"),
        ("US", "2020-06-19", "2021-06-19"),
        ("NL", "2013-04-27", "2015-04-27"),
        ("GB-SCT", "2006-11-30", "2007-11-30"),
    ] {
        assert!(!has(region, before), "{region} {before}");
        assert!(has(region, after), "{region} {after}");
    }
    assert!(
        has("SE", "2004-05-31") && !has("SE", "2005-05-16"),
        "Pentecost Monday in Sweden ended with 2004"
    );
    assert!(
        has("NL", "2014-04-26"),
        "King's Day on a Sunday is kept on the day before"
    );
    assert!(has("US", "2021-12-31"), "New Year's Day 2022 is a Saturday");
}

const GOOD: &str = "country = \"XA\"\nname = \"Exampleland\"\nvalid = { from = 2000, until = 2100 }\n\n[subdivisions]\nN = \"North\"\n\n[[holiday]]\nname = \"Founding Day\"\non = \"1st monday of may\"\nin = [\"N\"]\nfrom = 2001\nevery = 2\nsource = \"Founding Act\"\n";

#[test]
fn a_person_can_add_a_country() {
    let country = Country::parse("xa.toml", GOOD).unwrap();
    let days =
        |region: &str, year| holidays_of(std::slice::from_ref(&country), region, year).unwrap();
    assert_eq!(days("XA", 2027), []);
    assert_eq!(days("XA-N", 2028), []);
    assert_eq!(days("XA-N", 2027)[0].date.to_string(), "2027-05-03");
    assert_eq!(days("XA-N", 2027)[0].source, "Founding Act");
}

/// Made-up rules, so that the days follow from the README beside the data files; the
/// weekdays are counted off a printed calendar (31 December 2022 is a Saturday).
#[test]
fn substitutes_cross_the_turn_of_the_year_and_holidays_stay_what_they_are() {
    let holiday = |name: &str, on: &str, substitute: &str| {
        format!("[[holiday]]\nname = \"{name}\"\non = \"{on}\"\n{substitute}\nsource = \"Act\"\n\n")
    };
    let days = |rules: &[String], year| {
        let head =
            "country = \"XA\"\nname = \"Exampleland\"\nvalid = { from = 2000, until = 2100 }\n\n";
        let text = format!("{head}{}", rules.concat());
        let country = Country::parse("xa.toml", &text).unwrap();
        let days = holidays_of(&[country], "XA", year).unwrap();
        let told = |day: &Holiday| format!("{} {} {}", day.date, day.name, day.substitute);
        days.iter().map(told).collect::<Vec<_>>()
    };
    let last = holiday("Last", "12-31", "substitute = \"next free weekday\"");
    let monday = "2023-01-02 Last (observed) true";
    assert_eq!(
        days(std::slice::from_ref(&last), 2023),
        [monday, "2023-12-31 Last false"]
    );
    // That Monday is a holiday of its own: the next weekday is free.
    let second = holiday("Second", "01-02", "");
    let moved = days(&[last, second.clone()], 2023);
    assert_eq!(
        moved[..2],
        ["2023-01-02 Second false", "2023-01-03 Last (observed) true"]
    );
    // Two that share a day: it is no mere substitute.
    let shifted = holiday("Last", "12-31", "substitute = { saturday = 2 }");
    let shared = days(&[shifted, second], 2023);
    assert_eq!(shared[0], "2023-01-02 Last (observed); Second false");
}

#[test]
fn wrong_data_files_name_line_and_remedy() {
    for (from, to, wanted) in [
        (
            "1st monday of may",
            "2st monday of may",
            "xa.toml:10:6: error: `2st` is none of 1st, 2nd, 3rd, 4th, last (hint: the forms stand in the README beside the built-in holiday files)",
        ),
        (
            "[\"N\"]",
            "[\"S\"]",
            "xa.toml:11:7: error: subdivision `S` is not listed (hint: listed under [subdivisions]: N)",
        ),
        (
            "from = 2001\n",
            "",
            "xa.toml:12:9: error: `every` needs a number above 1, and `from` to count from (hint: e.g. from = 2000, every = 5)",
        ),
        (
            "\"Founding Act\"",
            "\" \"",
            "xa.toml:14:10: error: a holiday needs a name and a source (hint: name the law)",
        ),
        (
            "\"XA\"",
            "\"Exa\"",
            "xa.toml:1:11: error: country `Exa` is not two capital letters (hint: an ISO 3166-1 code, e.g. DE)",
        ),
        (
            "until = 2100",
            "until = 1999",
            "xa.toml:3:18: error: `valid` 2000 to 1999 is no span of years (hint: from at least 1583 to at most 9999)",
        ),
        (
            "every = 2\n",
            "every = 2\nuntil = 2000\n",
            "xa.toml:10:6: error: from 2001 until 2000 holds in no year (hint: exchange them)",
        ),
        (
            "every = 2\n",
            "moved = { sunday = -9 }\n",
            "xa.toml:13:9: error: sunday = -9 moves it by more than a week (hint: -7 to 7)",
        ),
        (
            "every = 2\n",
            "substitute = \"monday\"\n",
            "xa.toml:13:14: error: substitute `monday` is unknown (hint: \"next free weekday\" or e.g. { saturday = -1, sunday = 1 })",
        ),
        (
            "every = 2\n",
            "weekend = true\n",
            "xa.toml:13:1: error: unknown field `weekend`, expected one of `name`, `on`, `in`, `from`, `until`, `every`, `only`, `except`, `moved`, `substitute`, `source` (hint: see the README beside the built-in holiday files)",
        ),
        (
            "every = 2\n",
            "every = \n",
            "xa.toml:13:9: error: string values must be quoted, expected literal string (hint: see the README beside the built-in holiday files)",
        ),
    ] {
        assert!(GOOD.contains(from));
        let problems = Country::parse("xa.toml", &GOOD.replacen(from, to, 1)).unwrap_err();
        assert_eq!(
            problems.iter().map(ToString::to_string).collect::<Vec<_>>(),
            [wanted]
        );
    }
    let two = GOOD
        .replace("1st monday", "1st moonday")
        .replace("[\"N\"]", "[\"S\"]");
    assert_eq!(
        Country::parse("xa.toml", &two).unwrap_err().len(),
        2,
        "all in one pass"
    );
}

#[test]
fn a_country_is_two_capital_letters() {
    for code in ["X", "XAB", "xa", "X1", ""] {
        let problems = Country::parse(
            "xa.toml",
            &GOOD.replacen("\"XA\"", &format!("\"{code}\""), 1),
        )
        .unwrap_err();
        assert!(
            problems[0].message.contains("is not two capital letters"),
            "{code}"
        );
    }
    assert!(Country::parse("xa.toml", &GOOD.replacen("from = 2000", "from = 1583", 1)).is_ok());
    assert!(Country::parse("xa.toml", &GOOD.replacen("from = 2000", "from = 1582", 1)).is_err());
    assert!(Country::parse("xa.toml", &GOOD.replacen("until = 2100", "until = 9999", 1)).is_ok());
    assert!(
        Country::parse(
            "xa.toml",
            &GOOD.replacen("until = 2100", "until = 10000", 1)
        )
        .is_err()
    );
}
