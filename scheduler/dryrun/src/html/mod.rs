//! A dry run as one HTML file that prints well on A4: what it rests on, the
//! year by month, per facade a carpet of extension, tilt and deciding word and
//! the sun's path, per group movements, wear, light and view, the storms, and
//! how to read it all. Nothing is loaded from anywhere; everything that was
//! written by people is escaped.
//!
//! [`HtmlReport`] is a sink: it looks at the building every ten minutes of the
//! replay, and [`HtmlReport::finish`] makes the page.

mod carpet;
mod facade;
mod palette;
mod parts;
mod png;
mod storm;
mod sun;
mod tables;
mod year;

pub use png::Picture;
pub use sun::sun_path_plot;
pub use year::{Carpet, Carpets, LOOKS_A_DAY};

use crate::plot::escaped;
use crate::replay::{Setting, Sink, Stopped, Tally, replay};
use crate::report::Head;
use carpet::Frame;
use chrono::{Datelike, NaiveDate};
use leeside_core::Core;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Command, LockoutChange};
use leeside_core::time::Wall;
use parts::{css_text, grouped, list, one_place};
use std::fmt::Write as _;
use std::io;
use std::ops::ControlFlow;
use year::Year;

const STYLE: &str = include_str!("style.css");

/// What the light did at a group over a span, hours.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct LightHours {
    /// Direct sun that came through.
    pub(crate) let_in: f64,
    /// What of the opening could be looked through by day.
    pub(crate) view: f64,
}

/// Replays and counts what the page counts of light, per group.
pub(crate) fn light_hours(
    setting: &Setting,
    progress: &mut dyn FnMut(Wall) -> ControlFlow<()>,
) -> Result<(Vec<LightHours>, Tally), Stopped> {
    let mut year = Year::new(setting);
    let tally = replay(setting, &mut year, progress)?;
    let hours = year.groups.iter().map(|group| LightHours {
        let_in: group.let_in_h,
        view: group.view_h,
    });
    Ok((hours.collect(), tally))
}

/// Takes a replay in and makes a page of it.
pub struct HtmlReport<'a> {
    setting: &'a Setting,
    head: &'a Head,
    year: Year<'a>,
}

impl std::fmt::Debug for HtmlReport<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("HtmlReport")
            .field("site", &self.head.site)
            .finish_non_exhaustive()
    }
}

impl<'a> HtmlReport<'a> {
    /// A page of the replay of `setting`.
    #[must_use]
    pub fn new(setting: &'a Setting, head: &'a Head) -> Self {
        Self {
            setting,
            head,
            year: Year::new(setting),
        }
    }

    /// What its carpets are woven of, for whoever draws them otherwise.
    #[must_use]
    pub fn carpets(&self) -> Carpets {
        self.year.carpets()
    }

    /// The page.
    #[must_use]
    pub fn finish(self, tally: &Tally) -> String {
        let page = Page {
            model: &self.setting.model,
            setting: self.setting,
            head: self.head,
            year: &self.year,
            tally,
        };
        page.document()
    }
}

impl Sink for HtmlReport<'_> {
    fn movement(&mut self, model: &Model, command: &Command) -> io::Result<()> {
        self.year.movement(model, command)
    }

    fn lockout(&mut self, model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.year.lockout(model, change)
    }

    fn look_at(&self) -> Option<Wall> {
        self.year.look_at()
    }

    fn look(&mut self, core: &Core, at: Wall) -> io::Result<()> {
        self.year.look(core, at)
    }
}

/// All that a page is made of.
struct Page<'a> {
    model: &'a Model,
    setting: &'a Setting,
    head: &'a Head,
    year: &'a Year<'a>,
    tally: &'a Tally,
}

impl Page<'_> {
    fn document(&self) -> String {
        let head = self.head;
        let title = head.title().to_lowercase();
        let title = escaped(&format!("{}, {title} {}", head.site, self.span_words()));
        let mut out = format!(
            "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta name=\"viewport\" content=\"width=device-width\">\n<title>{title}</title>\n<style>\n{STYLE}\
             @page {{ size: A4; margin: 16mm 15mm 17mm; {} {} }}\n</style>\n</head>\n<body>\n{}",
            corner(
                "bottom-left",
                &format!("{} · {}", head.site, head.fingerprint()),
                ""
            ),
            corner("bottom-right", "", "counter(page) \" / \" counter(pages)"),
            parts::definitions(),
        );
        let year = self.year;
        let (days, span) = (
            (year.first, year.days),
            (self.setting.from, self.setting.to),
        );
        let frame = |height| Frame::new(self.model, days, span, height);
        self.first_page(&mut out, &frame(120.0));
        tables::months(&mut out, self);
        tables::movements(&mut out, self);
        facade::sections(&mut out, self, &frame(218.0));
        facade::sun_paths(&mut out, self);
        tables::light(&mut out, self);
        tables::storms(&mut out, self);
        tables::reading(&mut out, self);
        out.push_str("</body>\n</html>\n");
        out
    }

    /// First and last day.
    fn ends(&self) -> (NaiveDate, NaiveDate) {
        let zone = self.model.site.zone;
        (
            self.setting.from.local_date(zone),
            self.setting.to.plus(-1).local_date(zone),
        )
    }

    /// The span as people say it: a year, or its first and last day.
    fn span_words(&self) -> String {
        let (first, last) = self.ends();
        let whole = first.ordinal() == 1 && last.month() == 12 && last.day() == 31;
        if whole && first.year() == last.year() {
            first.year().to_string()
        } else {
            format!(
                "{} to {}",
                first.format("%-d %B %Y"),
                last.format("%-d %B %Y")
            )
        }
    }

    fn first_page(&self, out: &mut String, frame: &Frame) {
        let head = self.head;
        let (first, last) = self.ends();
        // Writing to a String does not fail.
        let _ = write!(
            out,
            "<header class=\"first-page\">\n<p class=\"eyebrow\">{}</p>\n<h1>{}</h1>\n\
             <p class=\"lead\">Every {} from {} to {}, {}</p>\n",
            head.title(),
            escaped(&head.site),
            if head.is_lived() {
                "movement that was decided"
            } else {
                "planned movement"
            },
            first.format("%-d %B %Y"),
            last.format("%-d %B %Y"),
            escaped(&head.zone),
        );
        self.figures(out);
        let _ = write!(
            out,
            "<div class=\"two\">\n<div>\n<h3>Read this first</h3>\n<div class=\"caution\">{}</div>\n\
             <h3>Assumed</h3>\n{}</div>\n<div>\n<h3>What it rests on</h3>\n{}</div>\n</div>\n",
            list(&head.cautions),
            list(&head.assumptions),
            self.data(),
        );
        facade::house(out, self, frame);
        out.push_str("<nav>");
        for (at, name) in self.contents() {
            let _ = write!(out, "<a href=\"#{at}\">{}</a> ", escaped(&name));
        }
        out.push_str("</nav>\n</header>\n");
    }

    fn contents(&self) -> Vec<(String, String)> {
        let owned = |(at, name): (&str, &str)| (at.to_owned(), name.to_owned());
        let facades = self.model.facades.iter().enumerate();
        let facades = facades
            .map(|(index, facade)| (format!("facade-{index}"), format!("Facade {}", facade.name)));
        let mut all: Vec<_> = [("months", "By month"), ("groups", "By group")]
            .map(owned)
            .to_vec();
        all.extend(facades);
        let rest = [
            ("sun", "Sun paths"),
            ("light", "Light and view"),
            ("storms", "Storms"),
            ("reading", "How to read"),
        ];
        all.extend(rest.map(owned));
        all
    }

    /// The numbers that are asked for first.
    fn figures(&self, out: &mut String) {
        let groups = || (0..self.model.groups.len()).map(GroupId::of);
        let moved: u32 = groups().map(|id| self.tally.group(id).moved()).sum();
        let locked: f64 = self
            .year
            .storms
            .locked()
            .iter()
            .map(storm::Locked::hours)
            .sum();
        let storms = self.year.storms.storms(&self.setting.sky).len();
        let (sun, kept) = self.year.groups.iter().zip(&self.model.groups).fold(
            (0.0, 0.0),
            |(sun, kept), (of, group)| {
                if tables::stands_before(group.kind) {
                    (sun + of.sun_h, kept + of.kept_out_h())
                } else {
                    (sun, kept)
                }
            },
        );
        let days = u32::try_from(self.year.days).map_or(1.0, f64::from);
        let count = u32::try_from(self.model.groups.len().max(1)).map_or(1.0, f64::from);
        let busiest = self.tally.busiest();
        let figures = [
            (grouped(u64::from(moved)), "movements of groups".to_owned()),
            (
                one_place(f64::from(moved) / days / count),
                "movements a day and group".to_owned(),
            ),
            (
                busiest.map_or_else(|| "0".to_owned(), |day| grouped(u64::from(day.movements))),
                busiest.map_or_else(
                    || "no busiest day".to_owned(),
                    |day| day.date.format("on the busiest day, %a %-d %b").to_string(),
                ),
            ),
            (
                parts::percent(kept, sun),
                "of direct sun on the openings kept out".to_owned(),
            ),
            (
                storms.to_string(),
                "spells in which wind locked something".to_owned(),
            ),
            (
                one_place(locked / count),
                "hours locked by wind, mean of the groups".to_owned(),
            ),
        ];
        out.push_str("<div class=\"figures\">");
        for (figure, label) in figures {
            let _ = write!(
                out,
                "<div><b>{}</b><span>{}</span></div>",
                escaped(&figure),
                escaped(&label)
            );
        }
        out.push_str("</div>\n");
    }

    fn data(&self) -> String {
        let head = self.head;
        let rows = if head.rows > 0 {
            format!(
                "{} rows of {}",
                grouped(u64::try_from(head.rows).unwrap_or(0)),
                head.resolution
            )
        } else {
            head.resolution.clone()
        };
        let mut told = vec![
            ("weather", escaped(&head.source.to_string())),
            (
                "file",
                escaped(head.weather_file.as_deref().unwrap_or("none")),
            ),
            ("resolution", escaped(&rows)),
            ("gaps", escaped(&head.gap_words())),
            ("plant", escaped(&head.plant_words())),
        ];
        if !head.notes.is_empty() {
            told.push((
                "read as",
                head.notes
                    .iter()
                    .map(|note| escaped(&note.to_string()))
                    .collect::<Vec<_>>()
                    .join("<br>"),
            ));
        }
        let mono = |text: &str| format!("<span class=\"mono\">{}</span>", escaped(text));
        told.extend([
            (
                "program",
                escaped(&format!("{}, zone data {}", head.program, head.zone_data)),
            ),
            ("site file", mono(&head.site_sha256)),
            (
                "weather file",
                mono(head.weather_sha256.as_deref().unwrap_or("made up")),
            ),
        ]);
        let rows: Vec<String> = told
            .iter()
            .map(|(term, text)| format!("<dt>{term}</dt><dd>{text}</dd>\n"))
            .collect();
        format!("<dl>{}</dl>\n", rows.concat())
    }
}

/// Something in the margin of every printed page.
fn corner(place: &str, text: &str, counter: &str) -> String {
    let content = if counter.is_empty() {
        format!("\"{}\"", css_text(text))
    } else {
        counter.to_owned()
    };
    format!(
        "@{place} {{ content: {content}; color: #5c5a55; font: 7pt \"Source Sans 3\", \"Helvetica Neue\", Arial, \
         \"Liberation Sans\", sans-serif; }}"
    )
}
