//! What drives have done: travels, running time, and energy where it is measured.

use crate::words::Words;
use leeside_core::engine::DriveView;
use leeside_core::model::Model;
use maud::{Markup, html};

/// The drives of a group, those that have run longest first.
pub(super) fn shown(words: Words, model: &Model, drives: &[DriveView]) -> Markup {
    let mut drives: Vec<&DriveView> = drives.iter().collect();
    drives.sort_by_key(|drive| (core::cmp::Reverse(drive.ran_ms), drive.device));
    let measured = drives.iter().any(|drive| drive.measured.is_some());
    let nothing = || "–".to_owned();
    html! {
        section aria-labelledby="drives" {
            h2 #drives { (words.say("drives.title")) }
            p.hint { (words.say("drives.note")) }
            div.wide tabindex="0" role="group" aria-labelledby="drives" {
                table.counts {
                    thead { tr {
                        th scope="col" { (words.say("hands.drive")) }
                        th scope="col" { (words.say("drives.travels")) }
                        th scope="col" { (words.say("drives.ran")) }
                        @if measured {
                            th scope="col" { (words.say("drives.measured")) }
                            th scope="col" { (words.say("drives.energy")) }
                        }
                    } }
                    tbody { @for drive in drives {
                        tr {
                            th scope="row" { (model.device(drive.device).name) }
                            td.number { (drive.travels) }
                            td.number { (words.span(drive.ran_ms)) }
                            @if measured {
                                td.number { (drive.measured.map_or_else(nothing, |(ms, _)| words.span(ms))) }
                                td.number { (drive.measured.map_or_else(nothing, |(_, wh)| words.number(wh, 1))) }
                            }
                        }
                    } }
                }
            }
        }
    }
}
