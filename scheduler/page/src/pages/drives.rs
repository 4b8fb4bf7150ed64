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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::words::Language;
    use leeside_core::ids::DeviceId;

    #[test]
    fn what_ran_longest_comes_first_and_energy_only_where_it_is_measured() {
        let model = crate::pages::example();
        let drive = |index, travels, ran_ms, measured| DriveView {
            device: DeviceId::of(index),
            travels,
            ran_ms,
            measured,
        };
        let said =
            |drives: &[DriveView]| shown(Words::of(Language::German), &model, drives).into_string();
        let name = |index| format!(">{}<", model.device(DeviceId::of(index)).name);
        let told = said(&[drive(0, 2, 90_000, None), drive(1, 7, 3_900_000, None)]);
        assert!(told.find(&name(1)) < told.find(&name(0)), "{told}");
        assert!(
            told.contains(">7<") && told.contains(">1 h 5 min<") && !told.contains("Energie"),
            "{told}"
        );
        let measured = drive(1, 7, 3_900_000, Some((3_600_000, 41.25)));
        let told = said(&[drive(0, 2, 90_000, None), measured]);
        assert!(
            told.contains("Energie, Wh") && told.contains(">1 h<") && told.contains(">41,2<"),
            "{told}"
        );
        assert_eq!(told.matches(">–<").count(), 2, "not measured: {told}");
    }
}
