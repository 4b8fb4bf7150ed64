//! The sun path over the facade, as [`leeside_dryrun::plot`] draws it.

use chrono::{Datelike, Utc};
use leeside_core::time::HOUR;
use leeside_dryrun::plot::{Gather, Grain, Onto, SunPathPlot, sun_path};

use super::SunArgs;
use super::subject::Subject;

pub(super) fn draw(args: &SunArgs, subject: &Subject) -> anyhow::Result<String> {
    let year = match (args.date, args.at.as_deref()) {
        (Some(date), _) => date.year(),
        (None, Some(text)) if text != "-" => super::parsed(text, "--at", subject.zone)?.year(),
        (None, _) => Utc::now().year(),
    };
    let facade = subject.facade.as_ref();
    let group = facade.and_then(|f| f.groups.iter().find(|group| group.opening.is_some()));
    let gather = Gather {
        location: subject.location,
        air: subject.air,
        zone: subject.zone,
        year,
        onto: facade.map(|facade| Onto {
            plane: &facade.plane,
            obstructions: group.map_or(&facade.obstructions, |group| &group.obstructions),
            opening: group.and_then(|group| group.opening.as_ref()),
        }),
        grain: Grain::Fine,
    };
    let title = facade.map_or_else(
        || format!("Sun path over {}", subject.name),
        |facade| format!("Sun path over {}, {}", subject.name, facade.name),
    );
    let place = subject.location;
    Ok(sun_path(&SunPathPlot {
        title,
        subtitle: format!(
            "{:.4}°, {:.4}°; {}apparent sun, {year}; hours UTC{:+}{}",
            place.latitude_deg(),
            place.longitude_deg(),
            facade.map_or_else(String::new, |f| format!(
                "azimuth {}°, tilt {}°; ",
                f.plane.azimuth_deg(),
                f.plane.tilt_deg()
            )),
            gather.standard_offset_ms() / HOUR,
            group.map_or_else(String::new, |group| format!(
                "; lit: some of the opening of group {}",
                group.name
            )),
        ),
        left_azimuth_deg: gather.left_azimuth_deg(),
        facade_azimuth_deg: facade.map(|f| f.plane.azimuth_deg()),
        days: gather.days(),
        hours: gather.hours(),
        regions: gather.regions(),
    }))
}
