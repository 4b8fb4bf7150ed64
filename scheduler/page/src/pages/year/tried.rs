//! What a trial changes: by group, and difference by difference.

use super::ask::Tried;
use super::show::{Scene, TOLD, dotted};
use crate::layout::tag;
use crate::words::local;
use leeside_dryrun::diff::{Difference, GroupDiff, How, Side, Step};
use maud::{Markup, html};

impl Scene<'_> {
    /// What the trial changes.
    pub(super) fn trial(&self, tried: &Tried) -> Markup {
        let words = self.words;
        let changed: Vec<&GroupDiff> = tried
            .differences
            .iter()
            .filter(|group| !group.differences.is_empty() || group.old != group.new)
            .collect();
        html! {
            section.tried aria-labelledby="tried" {
                h2 #tried { (words.say("trial.title_done")) }
                ul.notes { @for (knob, value) in &tried.trial.changes {
                    li { (words.say_of("trial", knob.name())) ": " (words.number(*value, 1)) " " (knob.unit()) }
                } }
                p.note { (words.say("trial.not_touched")) }
                @if tried.trial.raises_wind(self.model()) { p.wrong { (words.say("trial.raises")) } }
                @if changed.is_empty() {
                    p.none { (words.say("trial.nothing")) }
                } @else {
                    (self.differences(&changed))
                    (self.one_by_one(&changed))
                }
            }
            (self.audit(&tried.year.audit, "audit-tried", words.say("audit.title_tried")))
        }
    }

    fn differences(&self, changed: &[&GroupDiff]) -> Markup {
        let words = self.words;
        let pair = |group: &GroupDiff, of: fn(&Side) -> i64| {
            let told = |side: &Option<Side>| {
                side.as_ref()
                    .map_or_else(|| "–".to_owned(), |side| self.hours(of(side)))
            };
            let (old, new) = (told(&group.old), told(&group.new));
            if old == new {
                old
            } else {
                format!("{old} → {new}")
            }
        };
        let count = |group: &GroupDiff, how: How| {
            dotted(u32::try_from(group.count(how, None)).unwrap_or(u32::MAX))
        };
        html! {
            div.wide tabindex="0" role="group" aria-label=(words.say("trial.by_group")) {
                table.counts {
                    caption { (words.say("trial.by_group")) }
                    thead { tr {
                        th scope="col" { (words.say("now.group")) }
                        th scope="col" { (words.say("year.moves")) }
                        @for how in How::ALL { th scope="col" { (words.say_of("how", how.as_str())) } }
                        th scope="col" { (words.say("year.shaded")) }
                        th scope="col" { (words.say("year.locked")) }
                        th scope="col" { (words.say("year.refuge")) }
                        th scope="col" { (words.say("trial.exposed")) }
                    } }
                    tbody { @for group in changed {
                        @let moves = |side: &Option<Side>| side.as_ref().map_or(0, |side| side.movements);
                        tr {
                            th scope="row" { (group.name) }
                            td.number { (moves(&group.old)) " → " (moves(&group.new)) }
                            @for how in How::ALL { td.number { (count(group, how)) } }
                            td.number { (pair(group, |side| side.account.shaded_ms)) }
                            td.number { (pair(group, |side| side.account.locked_ms)) }
                            td.number { (pair(group, |side| side.account.refuge_ms)) }
                            td.number { (pair(group, |side| side.exposure.all_ms)) }
                        }
                    } }
                }
            }
        }
    }

    fn one_by_one(&self, changed: &[&GroupDiff]) -> Markup {
        let words = self.words;
        let mut all: Vec<(&str, &Difference)> = changed
            .iter()
            .flat_map(|group| {
                group
                    .differences
                    .iter()
                    .map(|one| (group.name.as_str(), one))
            })
            .collect();
        all.sort_by_key(|(_, one)| one.at());
        let count = all.len();
        let step = |step: &Option<Step>| match step {
            None => html! { "–" },
            Some(step) => html! {
                (local(self.model(), step.at).format("%H:%M")) " " (self.tell.pose(step.pose)) " " (tag(words, step.word))
            },
        };
        html! {
            details {
                summary { (self.fill("trial.first", &[("told", &count.min(TOLD)), ("all", &count)])) }
                div.wide tabindex="0" role="group" aria-label=(words.say("trial.one_by_one")) {
                    table {
                        thead { tr {
                            th scope="col" { (words.say("why.when")) }
                            th scope="col" { (words.say("now.group")) }
                            th scope="col" { (words.say("trial.how")) }
                            th scope="col" { (words.say("trial.as_is")) }
                            th scope="col" { (words.say("trial.tried")) }
                        } }
                        tbody { @for (group, one) in all.into_iter().take(TOLD) {
                            tr {
                                th scope="row" { (words.date(one.at().local_date(self.model().site.zone))) }
                                td { (group) }
                                td { (words.say_of("how", one.how.as_str())) }
                                td { (step(&one.old)) }
                                td { (step(&one.new)) }
                            }
                        } }
                    }
                }
            }
        }
    }
}
