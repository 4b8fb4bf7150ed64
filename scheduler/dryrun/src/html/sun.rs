//! The sun's path over a facade of the site, as `plot` draws it.

use crate::plot::{Gather, Grain, Onto, SunPathPlot, sun_path};
use leeside_core::ids::FacadeId;
use leeside_core::model::Model;
use leeside_core::time::HOUR;

/// The drawing for a facade in a year.
pub(super) fn drawing(model: &Model, id: FacadeId, year: i32) -> String {
    sun_path(&sun_path_plot(model, id, year))
}

/// What there is to draw of the sun over a facade in a year: its path on the 21st
/// from December to June, the hours of standard time, and what hides it from the
/// facade (from the first opening on it, where there is one).
#[must_use]
pub fn sun_path_plot(model: &Model, id: FacadeId, year: i32) -> SunPathPlot {
    let facade = model.facade(id);
    let group = model
        .groups
        .iter()
        .find(|group| group.facade == id && group.opening.is_some());
    let gather = Gather {
        location: model.site.location,
        air: model.site.atmosphere,
        zone: model.site.zone,
        year,
        onto: Some(Onto {
            plane: &facade.plane,
            obstructions: group.map_or(&facade.obstructions, |group| &group.obstructions),
            opening: group.and_then(|group| group.opening.as_ref()),
        }),
        grain: Grain::Coarse,
    };
    let lit = group.map_or_else(
        || "lit: the facade".to_owned(),
        |group| format!("lit: some of the opening of group {}", group.name),
    );
    SunPathPlot {
        title: format!("The sun over facade {}", facade.name),
        subtitle: format!(
            "azimuth {}°, tilt {}°; apparent sun of {year}; hours UTC{:+}; {lit}",
            facade.plane.azimuth_deg(),
            facade.plane.tilt_deg(),
            gather.standard_offset_ms() / HOUR,
        ),
        left_azimuth_deg: gather.left_azimuth_deg(),
        facade_azimuth_deg: Some(facade.plane.azimuth_deg()),
        days: gather.days(),
        hours: gather.hours(),
        regions: gather.regions(),
    }
}
