//! A year to be looked at: on what it rests, carpets, months, groups, storms.

use super::ask::{Form, Shown, Year};
use super::carpet::{What, framed, shares};
use crate::layout::tag;
use crate::notes::Noter;
use crate::pages::now::by_compass;
use crate::reasons::Teller;
use crate::words::{Words, local};
use core::fmt::Display;
use leeside_core::ids::{DeviceId, FacadeId, GroupId};
use leeside_core::model::Model;
use leeside_core::output::Word;
use leeside_core::time::{HOUR, Wall};
use leeside_dryrun::audit::{Audit, Storm};
use leeside_dryrun::html::Carpet;
use leeside_dryrun::replay::GroupMonth;
use maud::{Markup, html};

/// Storms and differences that are told one by one.
pub(super) const TOLD: usize = 30;

pub(super) fn shown(words: Words, shown: &Shown, address: &str) -> Markup {
    let scene = Scene {
        words,
        shown,
        address,
        tell: Teller {
            words,
            model: &shown.model,
            now: Wall(0),
        },
    };
    html! {
        (scene.basis())
        @if let Some(tried) = &shown.trial { (scene.trial(tried)) }
        (scene.carpets())
        (scene.months(&shown.as_is))
        (scene.groups(&shown.as_is))
        (scene.audit(&shown.as_is.audit, "audit", words.say("audit.title")))
        (scene.facades())
    }
}

pub(super) struct Scene<'a> {
    pub(super) words: Words,
    shown: &'a Shown,
    address: &'a str,
    pub(super) tell: Teller<'a>,
}

impl Scene<'_> {
    pub(super) fn model(&self) -> &Model {
        &self.shown.model
    }

    pub(super) fn fill(&self, key: &'static str, places: &[(&str, &dyn Display)]) -> String {
        self.words.fill(key, places)
    }

    pub(super) fn hours(&self, ms: i64) -> String {
        if ms == 0 {
            "·".to_owned()
        } else {
            self.words.number(hours(ms), 1)
        }
    }

    fn moment(&self, at: Wall) -> String {
        let at_site = local(self.model(), at);
        format!(
            "{} {}",
            self.words.date(at_site.date_naive()),
            at_site.format("%H:%M")
        )
    }

    fn noter(&self) -> Noter<'_> {
        Noter {
            words: self.words,
            model: self.model(),
        }
    }

    fn basis(&self) -> Markup {
        let (words, head) = (self.words, &self.shown.head);
        let noter = self.noter();
        let last = self.shown.days.1.pred_opt().unwrap_or(self.shown.days.1);
        let span = self.fill(
            "year.span",
            &[
                ("from", &words.date(self.shown.days.0)),
                ("to", &words.date(last)),
            ],
        );
        html! {
            section aria-labelledby="basis" {
                h2 #basis { (words.say("year.what")) " " small { (span) } }
                p { (words.say("year.weather_was")) " "
                    @match &head.weather_file { Some(file) => { (file) }, None => { (words.say("year.calm")) } }
                    @if head.rows > 0 { ", " (self.fill("year.rows", &[("rows", &head.rows), ("resolution", &head.resolution)])) }
                }
                details {
                    summary { (words.say("year.rests_on")) }
                    ul.notes {
                        @for note in head.cautions.iter().chain(&head.assumptions).chain(&head.notes) { li { (noter.note(note)) } }
                        li { (noter.source(&head.source)) }
                        li { (noter.gaps(head)) }
                        li.mono { (noter.fingerprint(head)) }
                    }
                }
                p.downloads {
                    (words.say("year.take_away"))
                    @for form in Form::ALL {
                        " " a.button.quiet href={ "/year/report?" (self.address) "&form=" (form.ending()) } {
                            (words.say_of("year_form", form.ending()))
                        }
                    }
                }
                @if self.shown.trial.is_some() { p.note { (words.say("year.take_trial")) } }
            }
        }
    }

    fn picture(&self, of: &str, what: What, tried: bool) -> String {
        let tried = if tried { "&tried=on" } else { "" };
        format!(
            "/year/carpet.png?{}&of={of}&what={}{tried}",
            self.address,
            what.name()
        )
    }

    /// What decided in the whole house; of a trial both, one above the other.
    fn carpets(&self) -> Markup {
        let words = self.words;
        let of = |year: &Year, title: &str, tried: bool| {
            let carpet = &year.carpets.house;
            let label = format!("{title}: {}", self.shares_in_words(carpet));
            html! {
                figure.plot {
                    figcaption { strong { (title) } }
                    div.wide tabindex="0" role="group" aria-label=(title) {
                        (framed(words, self.shown, &label, &self.picture("house", What::Word, tried)))
                    }
                    (self.shares(carpet))
                }
            }
        };
        html! {
            section aria-labelledby="carpets" {
                h2 #carpets { (words.say("year.decided")) }
                p.note { (words.say("year.carpet_note")) }
                (of(&self.shown.as_is, words.say("year.house"), false))
                @if let Some(tried) = &self.shown.trial { (of(&tried.year, words.say("year.house_tried"), true)) }
            }
        }
    }

    fn shares_in_words(&self, carpet: &Carpet) -> String {
        let told: Vec<String> = shares(carpet)
            .iter()
            .map(|(word, share)| {
                format!(
                    "{} {} %",
                    self.words.say_of("word", word.as_str()),
                    self.words.number(share * 100.0, 1)
                )
            })
            .collect();
        told.join(", ")
    }

    fn shares(&self, carpet: &Carpet) -> Markup {
        html! {
            p.shares {
                @for (word, share) in shares(carpet) {
                    span.keyed { (tag(self.words, word)) " " (self.words.number(share * 100.0, 1)) " %" } " "
                }
            }
        }
    }

    /// Each facade with its three carpets.
    fn facades(&self) -> Markup {
        let words = self.words;
        let used = |facade: &FacadeId| {
            self.model()
                .groups
                .iter()
                .any(|group| group.facade == *facade)
        };
        html! {
            section aria-labelledby="facades" {
                h2 #facades { (words.say("year.facades")) }
                @for facade in by_compass(self.model()).into_iter().filter(used) {
                    details.facade-year {
                        summary { (self.model().facade(facade).name) }
                        (self.facade(facade))
                    }
                }
            }
        }
    }

    fn facade(&self, facade: FacadeId) -> Markup {
        let words = self.words;
        let name = &self.model().facade(facade).name;
        let index = facade.index().to_string();
        let Some(carpet) = self.shown.as_is.carpets.facades.get(facade.index()) else {
            return html! {};
        };
        let slats = carpet.tilt.iter().any(Option::is_some);
        let figure = |what: What, key: &'static str, alternative: String, below: Markup| {
            let title = words.say(key);
            let label = format!("{name}, {title}: {alternative}");
            html! {
                figure.plot {
                    figcaption { strong { (title) } }
                    div.wide tabindex="0" role="group" aria-label={ (name) ", " (title) } {
                        (framed(words, self.shown, &label, &self.picture(&index, what, false)))
                    }
                    (below)
                }
            }
        };
        let ramp = |low: &str, high: &str| {
            html! {
                p.shares { span.keyed { (low) " " svg.ramp viewBox="0 0 60 10" aria-hidden="true" {
                    rect.ramp-low width="20" height="10" {} rect.ramp-mid x="20" width="20" height="10" {} rect.ramp-high x="40" width="20" height="10" {}
                } " " (high) } }
            }
        };
        html! {
            (figure(What::Word, "year.decided", self.shares_in_words(carpet), self.shares(carpet)))
            (figure(What::Extension, "year.extension", self.mean_extension(carpet), ramp(words.say("pose.retracted"), words.say("pose.extended"))))
            @if slats { (figure(What::Tilt, "year.tilt", self.mean_tilt(carpet), ramp("0°", "90°"))) }
        }
    }

    fn mean_extension(&self, carpet: &Carpet) -> String {
        let mean = mean(carpet.extension.iter().flatten().map(|pct| f64::from(*pct)));
        self.fill(
            "year.mean_extension",
            &[("mean", &self.words.number(mean, 0))],
        )
    }

    fn mean_tilt(&self, carpet: &Carpet) -> String {
        let mean = mean(carpet.tilt.iter().flatten().map(|deg| f64::from(*deg)));
        self.fill("year.mean_tilt", &[("mean", &self.words.number(mean, 0))])
    }

    fn months(&self, year: &Year) -> Markup {
        let words = self.words;
        let moved: Vec<(i32, u32, GroupMonth)> = year
            .tally
            .months
            .iter()
            .map(|month| {
                let mut sum = GroupMonth::default();
                month.groups.iter().for_each(|group| sum.add(group));
                (month.year, month.month, sum)
            })
            .collect();
        let used = used_words(moved.iter().map(|(_, _, sum)| sum));
        html! {
            section aria-labelledby="months" {
                h2 #months { (words.say("year.months")) }
                p.note { (words.say("year.months_note")) }
                @if let Some(busiest) = year.tally.busiest() {
                    p.note { (self.fill("year.busiest", &[("date", &words.date(busiest.date)), ("movements", &busiest.movements)])) }
                }
                div.wide tabindex="0" role="group" aria-labelledby="months" {
                    table.counts {
                        thead { tr {
                            th scope="col" { (words.say("year.month")) }
                            (self.counted_heads(&used))
                        } }
                        tbody { @for (year, month, sum) in &moved {
                            tr { th scope="row" { (words.month(*year, *month)) } (self.counted(sum, &used)) }
                        } }
                    }
                }
            }
        }
    }

    fn groups(&self, year: &Year) -> Markup {
        let words = self.words;
        let all: Vec<(GroupId, GroupMonth)> = (0..self.model().groups.len())
            .map(GroupId::of)
            .map(|id| (id, year.tally.group(id)))
            .collect();
        let used = used_words(all.iter().map(|(_, sum)| sum));
        html! {
            section aria-labelledby="groups" {
                h2 #groups { (words.say("year.groups")) }
                p.note { (words.say("year.groups_note")) }
                div.wide tabindex="0" role="group" aria-labelledby="groups" {
                    table.counts {
                        thead { tr {
                            th scope="col" { (words.say("now.group")) }
                            (self.counted_heads(&used))
                        } }
                        tbody { @for (id, sum) in &all {
                            tr { th scope="row" { (self.model().group(*id).name) } (self.counted(sum, &used)) }
                        } }
                    }
                }
            }
        }
    }

    fn counted_heads(&self, used: &[(usize, Word)]) -> Markup {
        let words = self.words;
        html! {
            th scope="col" { (words.say("year.moves")) }
            @for (_, word) in used { th scope="col" { (words.say_of("word", word.as_str())) } }
            th scope="col" { (words.say("year.sunlit")) }
            th scope="col" { (words.say("year.shaded")) }
            th scope="col" { (words.say("year.locked")) }
            th scope="col" { (words.say("year.refuge")) }
        }
    }

    fn counted(&self, sum: &GroupMonth, used: &[(usize, Word)]) -> Markup {
        html! {
            td.number { (dotted(sum.moved())) }
            @for (index, _) in used { td.number { (dotted(sum.movements[*index])) } }
            @for ms in [sum.sunlit_ms, sum.shaded_ms, sum.locked_ms, sum.refuge_ms] { td.number { (self.hours(ms)) } }
        }
    }

    /// The storm audit.
    pub(super) fn audit(&self, audit: &Audit, id: &str, title: &str) -> Markup {
        let words = self.words;
        let allowed = words.span(audit.allowed_ms);
        let storms = audit
            .shown
            .first()
            .map_or(&[][..], |shown| &shown.storms[..]);
        html! {
            section aria-labelledby=(id) {
                h2 id=(id) { (title) }
                p.note { (words.say("audit.note")) }
                @if storms.is_empty() {
                    p.none { (words.say("audit.no_storms")) }
                } @else {
                    p.verdict-line.bad[audit.has_findings()] {
                        @if audit.has_findings() { (self.fill("audit.findings", &[("allowed", &allowed)])) }
                        @else { (self.fill("audit.well", &[("allowed", &allowed)])) }
                    }
                    (self.scenarios(audit))
                    (self.devices(audit))
                    (self.worst(storms))
                }
            }
        }
    }

    fn scenarios(&self, audit: &Audit) -> Markup {
        let words = self.words;
        let hazards = [Word::Wind, Word::Hail, Word::Ice, Word::Rain];
        let over = |storms: &[Storm], hazard: Word| {
            let mut devices: Vec<DeviceId> = storms
                .iter()
                .filter(|storm| storm.hazard == hazard)
                .flat_map(|storm| &storm.devices)
                .filter(|stay| stay.exposed_ms > audit.allowed_ms)
                .map(|stay| stay.device)
                .collect();
            devices.sort_unstable();
            devices.dedup();
            devices.len()
        };
        html! {
            div.wide tabindex="0" role="group" aria-label=(words.say("audit.scenarios")) {
                table.counts {
                    caption { (self.fill("audit.over", &[("devices", &self.model().devices.len())])) }
                    thead { tr {
                        th scope="col" { (words.say("audit.fails")) }
                        th scope="col" { (words.say("audit.storms")) }
                        @for hazard in hazards { th scope="col" { (words.say_of("word", hazard.as_str())) } }
                    } }
                    tbody { @for shown in &audit.shown {
                        tr {
                            th scope="row" { (self.noter().fails(&shown.scenario)) }
                            td.number { (shown.storms.len()) }
                            @for hazard in hazards { td.number { (dotted(u32::try_from(over(&shown.storms, hazard)).unwrap_or(u32::MAX))) } }
                        }
                    } }
                }
            }
        }
    }

    fn devices(&self, audit: &Audit) -> Markup {
        let words = self.words;
        let all: Vec<DeviceId> = (0..self.model().devices.len())
            .map(DeviceId::of)
            .filter(|device| audit.longest_of_all(*device).is_some())
            .collect();
        html! {
            @if all.is_empty() {
                p.none { (words.say("audit.nobody")) }
            } @else {
                details {
                    summary { (self.fill("audit.devices", &[("devices", &all.len())])) }
                    div.wide tabindex="0" role="group" aria-label=(words.say("audit.each_device")) {
                        table.counts {
                            thead { tr {
                                th scope="col" { (words.say("audit.device")) }
                                th scope="col" { (words.say("audit.exposed")) }
                                th scope="col" { (words.say("audit.longest")) }
                                th scope="col" { (words.say("audit.worst")) }
                            } }
                            tbody { @for device in all {
                                @if let Some(longest) = audit.longest_of_all(device) {
                                    @let storm = &audit.shown[longest.scenario].storms[longest.storm];
                                    tr.faulty[longest.stay.exposed_ms > audit.allowed_ms] {
                                        th scope="row" { (self.model().device(device).name) }
                                        td.number { (words.span(audit.exposed_ms(device, 0))) }
                                        td.number { (words.span(longest.stay.exposed_ms)) }
                                        td { (tag(words, storm.hazard)) " " (self.moment(storm.start)) ", " (self.level(storm.hazard, longest.stay.worst.unwrap_or(storm.worst))) }
                                    }
                                }
                            } }
                        }
                    }
                }
            }
        }
    }

    fn level(&self, hazard: Word, level: f64) -> String {
        let unit = if hazard == Word::Hail {
            ""
        } else if hazard == Word::Ice {
            "°C"
        } else if hazard == Word::Rain {
            "mm/h"
        } else {
            "m/s"
        };
        format!("{} {unit}", self.words.number(level, 1))
    }

    /// The storms that were worst for the house.
    fn worst(&self, storms: &[Storm]) -> Markup {
        let words = self.words;
        let exposed = |storm: &&Storm| {
            storm
                .devices
                .iter()
                .map(|stay| stay.exposed_ms)
                .max()
                .unwrap_or(0)
        };
        let mut all: Vec<&Storm> = storms.iter().collect();
        all.sort_by_key(|storm| (core::cmp::Reverse(exposed(storm)), storm.start));
        html! {
            details {
                summary { (self.fill("audit.worst_storms", &[("storms", &storms.len())])) }
                div.wide tabindex="0" role="group" aria-label=(words.say("audit.storms")) {
                    table {
                        thead { tr {
                            th scope="col" { (words.say("now.group")) }
                            th scope="col" { (words.say("now.guard")) }
                            th scope="col" { (words.say("audit.from")) }
                            th scope="col" { (words.say("audit.to")) }
                            th scope="col" { (words.say("audit.worst_level")) }
                            th scope="col" { (words.say("audit.longest")) }
                        } }
                        tbody { @for storm in all.into_iter().take(TOLD) {
                            tr {
                                th scope="row" { (self.model().group(storm.group).name) }
                                td { (tag(words, storm.hazard)) }
                                td { (self.moment(storm.start)) }
                                td { (self.moment(storm.end)) }
                                td.number { (self.level(storm.hazard, storm.worst)) }
                                td.number { (words.span(exposed(&storm))) }
                            }
                        } }
                    }
                }
            }
        }
    }
}

/// Words that decided over some movement, with their place.
fn used_words<'m>(all: impl Iterator<Item = &'m GroupMonth>) -> Vec<(usize, Word)> {
    let mut sum = GroupMonth::default();
    all.for_each(|month| sum.add(month));
    Word::ALL
        .into_iter()
        .enumerate()
        .filter(|(index, _)| sum.movements[*index] > 0)
        .collect()
}

pub(super) fn dotted(count: u32) -> String {
    if count == 0 {
        "·".to_owned()
    } else {
        count.to_string()
    }
}

fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    if count > 0.0 { sum / count } else { 0.0 }
}

#[expect(clippy::cast_precision_loss, reason = "a century is 3e12 ms")]
fn hours(ms: i64) -> f64 {
    ms as f64 / HOUR as f64
}
