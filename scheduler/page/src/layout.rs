//! The frame around every page, and the pieces that several pages use.

use crate::assets;
use crate::form::{Complaints, Fields};
use crate::gate::{Viewer, encode};
use crate::pages;
use crate::words::{Language, Words};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use leeside_core::output::Word;
use leeside_core::pose::Pose;
use leeside_daemon::door::Present;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// A page within the frame.
#[derive(Debug)]
pub struct Sheet<'a> {
    /// Its heading and title.
    pub title: &'a str,
    /// The route it belongs to, for the navigation.
    pub path: &'a str,
    /// Scripts it wants beside the frame's, by asset name.
    pub scripts: &'a [&'a str],
    /// Without scripts it is loaded again so often, s; 0: never.
    pub again_s: u32,
}

impl Sheet<'_> {
    /// The whole page.
    #[must_use]
    pub fn show(&self, viewer: &Viewer, present: &Present, body: &Markup) -> Markup {
        let words = viewer.words;
        html! {
            (DOCTYPE)
            html lang=(words.language.tag()) {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    title { (self.title) " · " (present.model.site.name) }
                    link rel="icon" type="image/svg+xml" href=(assets::path("mark.svg"));
                    link rel="stylesheet" href=(assets::path("page.css"));
                    @for script in self.scripts {
                        script defer src=(assets::path(script)) {}
                    }
                    @if self.again_s > 0 {
                        noscript { meta http-equiv="refresh" content=(self.again_s); }
                    }
                }
                body {
                    a.skip href="#main" { (words.say("frame.skip")) }
                    header.top {
                        p.site { (present.model.site.name) }
                        (navigation(viewer, self.path))
                        (who(viewer))
                    }
                    main #main tabindex="-1" {
                        h1 { (self.title) }
                        (*body)
                    }
                    footer { p { (words.say("frame.caution")) } }
                }
            }
        }
    }
}

fn navigation(viewer: &Viewer, here: &str) -> Markup {
    let words = viewer.words;
    html! {
        nav.pages aria-label=(words.say("frame.pages")) {
            ul {
                @for page in pages::NAVIGATION.iter().filter(|page| viewer.may(page.role)) {
                    li {
                        a href=(page.path) aria-current=[(page.path == here).then_some("page")] {
                            (words.say_of("nav", page.word))
                        }
                    }
                }
            }
        }
    }
}

fn who(viewer: &Viewer) -> Markup {
    let words = viewer.words;
    let here = viewer
        .uri
        .path_and_query()
        .map_or("/", |here| here.as_str());
    html! {
        div.who {
            ul.languages aria-label=(words.say("frame.language")) {
                @for language in Language::ALL.iter().filter(|one| **one != words.language) {
                    @let to = Words::of(*language);
                    li {
                        a lang=(language.tag()) hreflang=(language.tag())
                            href={ "/language?to=" (language.tag()) "&back=" (encode(here)) } {
                            (to.say("frame.name_of_language"))
                        }
                    }
                }
            }
            @if let Some(name) = &viewer.name {
                form method="post" action="/sign-out" {
                    (token(viewer))
                    span.name { (name) }
                    button.quiet { (words.say("frame.sign_out")) }
                }
            } @else if viewer.has_people {
                a href="/sign-in" { (words.say("frame.sign_in")) }
            }
        }
    }
}

/// The token that every form of ours carries.
#[must_use]
pub fn token(viewer: &Viewer) -> Markup {
    html! { input type="hidden" name="csrf" value=(viewer.csrf); }
}

/// A page that says what went wrong.
#[must_use]
pub fn failure(viewer: &Viewer, status: StatusCode, why: &str) -> Response {
    failed(viewer, status, &html! { p.wrong { (why) } })
}

/// The same with what went wrong as it is to be shown.
#[must_use]
pub fn failed(viewer: &Viewer, status: StatusCode, why: &Markup) -> Response {
    let words = viewer.words;
    let title = words.say("error.title");
    // Without the house's name: whoever sees this may not have signed in.
    let page = html! {
        (DOCTYPE)
        html lang=(words.language.tag()) {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) }
                link rel="icon" type="image/svg+xml" href=(assets::path("mark.svg"));
                link rel="stylesheet" href=(assets::path("page.css"));
            }
            body {
                main #main {
                    h1 { (title) }
                    (*why)
                    p { a href="/" { (words.say("error.back")) } }
                }
            }
        }
    };
    (status, page).into_response()
}

/// A labelled text field that keeps what was typed and says what is wrong with it.
#[derive(Clone, Copy, Debug)]
pub struct Field<'a> {
    /// Its name in the form.
    pub name: &'static str,
    /// Its label.
    pub label: &'a str,
    /// The kind of input: text, date, number, password, ...
    pub kind: &'static str,
    /// What it is for, below it; may be empty.
    pub hint: &'a str,
    /// Whether it has to be filled in.
    pub needed: bool,
}

impl Field<'_> {
    /// The field, with what was typed and what is wrong.
    #[must_use]
    pub fn show(&self, typed: &Fields, wrong: &Complaints) -> Markup {
        self.show_as("off", typed, wrong)
    }

    /// The same, which browsers and password managers may fill in as `remembered`.
    #[must_use]
    pub fn show_as(&self, remembered: &str, typed: &Fields, wrong: &Complaints) -> Markup {
        let complaint = wrong.of(self.name);
        let (hint_id, wrong_id) = (
            format!("{}-hint", self.name),
            format!("{}-wrong", self.name),
        );
        let described: Vec<&str> = [
            (!self.hint.is_empty()).then_some(hint_id.as_str()),
            complaint.map(|_| wrong_id.as_str()),
        ]
        .into_iter()
        .flatten()
        .collect();
        let described = Some(described.join(" ")).filter(|ids| !ids.is_empty());
        let value = Some(typed.text(self.name)).filter(|_| self.kind != "password");
        html! {
            div.field.is-wrong[complaint.is_some()] {
                label for=(self.name) { (self.label) }
                input id=(self.name) name=(self.name) type=(self.kind) value=[value]
                    required[self.needed] aria-invalid=[complaint.map(|_| "true")]
                    aria-describedby=[described] autocomplete=(remembered);
                @if !self.hint.is_empty() { p.hint id=(hint_id) { (self.hint) } }
                @if let Some(complaint) = complaint { p.wrong id=(wrong_id) { (complaint) } }
            }
        }
    }
}

/// The family of a word: its colour and its mark. The mark says the same without colour.
#[must_use]
pub const fn family(word: Word) -> (&'static str, &'static str) {
    match word {
        Word::Service | Word::Door | Word::Drive => ("bound", "◆"),
        Word::Fire => ("fire", "✚"),
        Word::Wind | Word::Hail | Word::Ice | Word::Rain => ("weather", "▲"),
        Word::Hand => ("hand", "■"),
        Word::Sun => ("sun", "●"),
        Word::Timetable => ("clock", "◐"),
        Word::Rest => ("rest", "○"),
    }
}

/// The word that decided, as a tag.
#[must_use]
pub fn tag(words: Words, word: Word) -> Markup {
    let (class, mark) = family(word);
    html! {
        span class={ "tag " (class) } {
            span.mark aria-hidden="true" { (mark) } " " (words.say_of("word", word.as_str()))
        }
    }
}

/// A device drawn as it stands: how far it is extended, and how its slats are tilted.
/// Beside it stands the same in words, so it is hidden from those who listen.
#[must_use]
pub fn glyph(pose: Option<Pose>) -> Markup {
    let Some(pose) = pose else {
        return PreEscaped("<svg class=\"glyph unknown\" viewBox=\"0 0 24 28\" aria-hidden=\"true\"><path class=\"opening\" d=\"M2 2h20v24h-20z\"/><text x=\"12\" y=\"19\">?</text></svg>".to_owned());
    };
    let cloth = f64::from(pose.extension_pct) * 0.22;
    html! {
        svg.glyph viewBox="0 0 24 28" aria-hidden="true" {
            path.opening d="M2 2h20v24h-20z" {}
            @if let Some(tilt) = pose.tilt_deg {
                @let (rise, reach) = slat(tilt);
                @for n in 0..6_u8 {
                    @let y = 4.0 + f64::from(n) * 4.0;
                    @if y - 4.0 < cloth {
                        path.slat d={ "M" (12.0 - reach) " " (y - rise) "L" (12.0 + reach) " " (y + rise) } {}
                    }
                }
            } @else {
                rect.cloth x="3" y="3" width="18" height=(cloth) {}
            }
            path.rail d={ "M3 " (3.0 + cloth) "h18" } {}
        }
    }
}

/// Half a slat seen from the side: how far it rises and reaches, in the glyph's units.
fn slat(tilt_deg: i16) -> (f64, f64) {
    let turned = leeside_solar::trig::sin_cos(f64::from(tilt_deg).to_radians());
    let round = |value: f64| (value * 10.0).round() / 10.0;
    (round(turned.0 * 1.9), round(3.0 + turned.1 * 5.0))
}
