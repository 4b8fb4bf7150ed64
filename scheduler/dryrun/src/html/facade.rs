//! A facade's page with its carpets, the carpet of the whole house, and the
//! sun's path over each facade.

use super::Page;
use super::carpet::{self, Frame};
use super::parts::{paper_key, ramp_key, word_key};
use super::png::base64;
use super::sun;
use crate::plot::escaped;
use chrono::Datelike;
use leeside_core::ids::FacadeId;
use leeside_core::model::Model;
use std::fmt::Write as _;

/// Facades that have groups.
fn used(model: &Model) -> impl Iterator<Item = FacadeId> {
    let all = (0..model.facades.len()).map(FacadeId::of);
    all.filter(|id| model.groups.iter().any(|group| group.facade == *id))
}

/// What decided in the whole house.
pub(super) fn house(out: &mut String, page: &Page<'_>, frame: &Frame) {
    let word = &page.year.house.word;
    figure(
        out,
        "What decided",
        "a column is a day, from midnight below to midnight above; the word that decided for most devices of the house, and its \
         share of the time; dashed: sunrise and sunset",
        &frame.drawing(
            "What decided in the whole house",
            &carpet::word(page.year.days, word),
        ),
        &word_key(&carpet::shares(word)),
    );
}

/// One section for each facade.
pub(super) fn sections(out: &mut String, page: &Page<'_>, frame: &Frame) {
    for id in used(page.model) {
        one(out, page, frame, id);
    }
}

/// The sun's path over each facade.
pub(super) fn sun_paths(out: &mut String, page: &Page<'_>) {
    out.push_str(
        "<section id=\"sun\">\n<h2>The sun over each facade</h2>\n<p class=\"sub\">For checking on site: at each moment the sun \
         must stand where these curves have it, and shine on the facade where they are drawn thick.</p>\n",
    );
    for id in used(page.model) {
        let svg = sun::drawing(page.model, id, page.year.first.year());
        let _ = writeln!(
            out,
            "<figure class=\"sunpath\"><img alt=\"The sun's path over facade {}\" src=\"data:image/svg+xml;base64,{}\"></figure>",
            escaped(&page.model.facade(id).name),
            base64(svg.as_bytes())
        );
    }
    out.push_str("</section>\n");
}

fn one(out: &mut String, page: &Page<'_>, frame: &Frame, id: FacadeId) {
    let (model, index) = (page.model, id.index());
    let (facade, year) = (model.facade(id), &page.year.facades[index]);
    let groups = model
        .groups
        .iter()
        .filter(|group| group.facade == id)
        .map(|group| group.name.as_str());
    let groups: Vec<&str> = groups.collect();
    let days = page.year.days;
    // Writing to a String does not fail.
    let _ = write!(
        out,
        "<section id=\"facade-{index}\">\n<h2>Facade {}</h2>\n<p class=\"sub\">azimuth {}°, tilt {}°; groups: {}</p>\n",
        escaped(&facade.name),
        facade.plane.azimuth_deg(),
        facade.plane.tilt_deg(),
        escaped(&groups.join(", "))
    );
    figure(
        out,
        "Extension",
        "mean of all devices on the facade; dashed: sunrise and sunset",
        &frame.drawing(
            &format!("Extension of facade {}", facade.name),
            &carpet::extension(days, &year.extension),
        ),
        &ramp_key("r-extension", "retracted", "extended", ""),
    );
    if let Some(limits) = slat_limits(model, id) {
        let picture = carpet::tilt(days, &year.tilt, &year.extension, limits);
        figure(
            out,
            "Tilt of extended slats",
            "mean of its slat blinds; 0° is horizontal, positive the outer edge down",
            &frame.drawing(&format!("Tilt on facade {}", facade.name), &picture),
            &ramp_key(
                "r-tilt",
                &format!("{:.0}°", limits.0),
                &format!("{:.0}°", limits.1),
                &paper_key("no slats extended"),
            ),
        );
    }
    figure(
        out,
        "What decided",
        "the word that decided for most devices of the facade, and its share of the time",
        &frame.drawing(
            &format!("What decided on facade {}", facade.name),
            &carpet::word(days, &year.word),
        ),
        &word_key(&carpet::shares(&year.word)),
    );
    out.push_str("</section>\n");
}

fn figure(out: &mut String, title: &str, caption: &str, drawing: &str, key: &str) {
    let _ = write!(
        out,
        "<figure><figcaption><b>{}</b>{}</figcaption>\n{drawing}{key}</figure>\n",
        escaped(title),
        escaped(caption)
    );
}

/// The flattest and steepest tilt of the facade's slats from horizontal up;
/// `None` where it has none.
fn slat_limits(model: &Model, id: FacadeId) -> Option<(f64, f64)> {
    let groups = model.groups.iter().filter(|group| group.facade == id);
    let limits = groups
        .filter_map(|group| group.slats.as_ref())
        .map(leeside_solar::Slats::tilt_limits_deg);
    limits.reduce(|(least, most), (low, high)| (least.min(low), most.max(high)))
}
