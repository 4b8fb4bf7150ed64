//! The page of a year: whole in itself, the same each time, and safe whatever
//! people call things.

#![expect(clippy::unwrap_used, reason = "tests")]

mod example;

use leeside_dryrun::html::HtmlReport;
use leeside_dryrun::replay::{Setting, replay};
use leeside_dryrun::report::Head;
use std::ops::ControlFlow;
use std::sync::Arc;

fn page(setting: &Setting, sha: &str) -> String {
    let head = Head::of(setting, sha);
    let mut report = HtmlReport::new(setting, &head);
    let tally = replay(setting, &mut report, &mut |_| ControlFlow::Continue(())).unwrap();
    report.finish(&tally)
}

#[test]
fn a_year_is_one_file_that_loads_nothing() {
    let site = example::site();
    let setting = example::typical(&site, "2027-01-01T00:00", "2028-01-01T00:00");
    let html = page(&setting, &site.fingerprint);
    assert!(html.len() < 3_000_000, "{} bytes", html.len());
    if let Some(folder) = option_env!("HTML_OUT") {
        std::fs::write(std::path::Path::new(folder).join("year.html"), &html).unwrap();
    }
    for reference in [
        "href=\"http",
        "src=\"http",
        "@import",
        "url(http",
        "<script",
    ] {
        assert!(!html.contains(reference), "{reference}");
    }
    // Every facade has its three carpets (no tilt where there are no slats) and its sun path.
    for facade in &site.model.facades {
        assert!(html.contains(&format!("<h2>Facade {}</h2>", facade.name)));
        for what in ["Extension of facade", "What decided on facade"] {
            assert!(
                html.contains(&format!("aria-label=\"{what} {}\"", facade.name)),
                "{what}"
            );
        }
        let slats = site.model.groups.iter().any(|group| {
            site.model.facade(group.facade).name == facade.name && group.slats.is_some()
        });
        assert_eq!(
            html.contains(&format!("aria-label=\"Tilt on facade {}\"", facade.name)),
            slats
        );
    }
    assert_eq!(
        html.matches("data:image/svg+xml").count(),
        site.model.facades.len()
    );
    // What it rests on stands on the first page.
    let first = &html[..html.find("<section").unwrap()];
    for said in [
        "TMY3 typical year",
        "8\u{202F}760 rows of 1 h",
        "no gusts in the data",
        site.fingerprint.as_str(),
    ] {
        assert!(first.contains(said), "{said}");
    }
}

/// The numbers of the page are those of the replay's own account.
#[test]
fn the_tables_hold_the_numbers_of_the_replay() {
    let site = example::site();
    let setting = example::typical(&site, "2027-03-01T00:00", "2027-04-01T00:00");
    let head = Head::of(&setting, &site.fingerprint);
    let mut report = HtmlReport::new(&setting, &head);
    let tally = replay(&setting, &mut report, &mut |_| ControlFlow::Continue(())).unwrap();
    let html = report.finish(&tally);
    assert_eq!(
        html,
        page(&setting, &site.fingerprint),
        "two runs give the same bytes"
    );
    let moved: u32 = tally.months[0]
        .groups
        .iter()
        .map(leeside_dryrun::replay::GroupMonth::moved)
        .sum();
    assert!((100..10_000).contains(&moved), "{moved}");
    let told = if moved < 1_000 {
        moved.to_string()
    } else {
        format!("{}\u{202F}{:03}", moved / 1_000, moved % 1_000)
    };
    assert!(
        html.contains(&format!("<b>{told}</b><span>movements of groups</span>")),
        "{told}"
    );
    assert!(
        html.contains(&format!("<td>March 2027</td><td>{told}</td>")),
        "{told}"
    );
}

#[test]
fn whatever_people_call_things_stays_text() {
    let site = example::site();
    let mut setting = example::clear(&site, "2027-06-30T00:00", "2027-07-01T00:00");
    let nasty = "</style></title><script>alert('1')</script>\"&<b>";
    let model = Arc::make_mut(&mut setting.model);
    model.site.name = nasty.to_owned();
    model.facades[0].name = nasty.to_owned();
    model.groups[0].name = nasty.to_owned();
    let html = page(&setting, &site.fingerprint);
    for broken_out in ["<script", "</style></title>", "<b>alert", "'1')</script"] {
        assert!(!html.contains(broken_out), "{broken_out}");
    }
    assert_eq!(html.matches("</style>").count(), 1);
    assert!(html.contains("&lt;script&gt;"));
}
