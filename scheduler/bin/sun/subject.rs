//! What is asked about: a place, perhaps a facade, perhaps slats; from options
//! or from a site file.

use std::path::Path;

use chrono::{Datelike, Utc};
use chrono_tz::Tz;
use leeside_core::ids::FacadeId;
use leeside_core::model::{Model, SunAim};
use leeside_solar::reach::Section;
use leeside_solar::shade::{Obstructions, Opening};
use leeside_solar::{Atmosphere, Location, Plane, RangeError, Slats};

use super::SunArgs;
use crate::exit::Broken;

/// The place, the facade and the light that the answers are about.
#[derive(Debug)]
pub(super) struct Subject {
    pub(super) name: String,
    pub(super) location: Location,
    pub(super) air: Atmosphere,
    pub(super) zone: Tz,
    pub(super) albedo: f64,
    pub(super) turbidity: f64,
    pub(super) facade: Option<Facade>,
}

/// A facade and what hangs on it.
#[derive(Debug)]
pub(super) struct Facade {
    pub(super) name: String,
    pub(super) plane: Plane,
    pub(super) obstructions: Obstructions,
    /// Of the options, or of the first group that has any.
    pub(super) slats: Option<Slats>,
    pub(super) groups: Vec<Group>,
}

/// A group on the facade, as far as the sun goes.
#[derive(Debug)]
pub(super) struct Group {
    pub(super) name: String,
    pub(super) opening: Option<Opening>,
    pub(super) obstructions: Obstructions,
    pub(super) slats: Option<Slats>,
    pub(super) section: Option<Section>,
}

impl Subject {
    pub(super) fn of(args: &SunArgs) -> Result<Self, Broken> {
        let mut subject = match &args.site {
            Some(site) => from_site(site, args.facade.as_deref(), args.date.is_none())?,
            None => from_options(args)?,
        };
        subject.take_over(args)?;
        Ok(subject)
    }

    /// The options that hold for both forms.
    fn take_over(&mut self, args: &SunArgs) -> Result<(), Broken> {
        let Self { location, air, .. } = self;
        if let Some(altitude) = args.altitude {
            *location = Location::new(location.latitude_deg(), location.longitude_deg(), altitude)
                .map_err(|e| option("--altitude", e))?;
            *air = Atmosphere {
                temperature_c: air.temperature_c,
                ..Atmosphere::standard(altitude)
            };
        }
        if let Some(pressure) = args.pressure {
            *air = Atmosphere::new(pressure, air.temperature_c)
                .map_err(|e| option("--pressure", e))?;
        }
        if let Some(temperature) = args.temperature {
            *air = Atmosphere::new(air.pressure_hpa, temperature)
                .map_err(|e| option("--temperature", e))?;
        }
        let check = |name, what, given: Option<f64>, limits, unit| {
            given
                .map(|value| RangeError::check(what, value, limits, unit))
                .transpose()
                .map_err(|e| option(name, e))
        };
        check(
            "--delta-t",
            "delta T",
            args.delta_t,
            (-10_000.0, 10_000.0),
            "s",
        )?;
        check(
            "--ghi",
            "global irradiance",
            args.ghi,
            (0.0, 2000.0),
            "W/m²",
        )?;
        if let Some(albedo) = check("--albedo", "albedo", args.albedo, (0.0, 1.0), "")? {
            self.albedo = albedo;
        }
        let turbidity = check(
            "--linke-turbidity",
            "Linke turbidity",
            args.linke_turbidity,
            (1.0, 20.0),
            "",
        )?;
        self.turbidity = turbidity.unwrap_or(self.turbidity);
        self.zone = args.zone.unwrap_or(self.zone);
        Ok(())
    }
}

fn option(name: &str, error: RangeError) -> Broken {
    Broken(format!("{name}: {}", error.to_string().trim_end()))
}

fn from_options(args: &SunArgs) -> Result<Subject, Broken> {
    let (Some(latitude), Some(longitude)) = (args.latitude, args.longitude) else {
        // The command line's own rules have asked for both already.
        return Err(Broken(
            "give --latitude and --longitude, or a site file".into(),
        ));
    };
    let location = Location::new(latitude, longitude, 0.0).map_err(|e| {
        let name = if e.what == "latitude" {
            "--latitude"
        } else {
            "--longitude"
        };
        option(name, e)
    })?;
    let slats = match (args.slat_width, args.slat_spacing) {
        (Some(width), Some(spacing)) => {
            let slats = Slats::new(width, spacing, -90.0, 90.0, 0.0).map_err(|e| {
                let name = if e.what == "slat width" {
                    "--slat-width"
                } else {
                    "--slat-spacing"
                };
                option(name, e)
            })?;
            Some(slats)
        }
        (_, None) | (None, _) => None,
    };
    let facade = match args.facade_azimuth {
        Some(azimuth) => {
            let tilt = args.facade_tilt.unwrap_or(90.0);
            let plane = Plane::new(azimuth, tilt).map_err(|e| {
                let name = if e.what == "facade tilt" {
                    "--facade-tilt"
                } else {
                    "--facade-azimuth"
                };
                option(name, e)
            })?;
            Some(Facade {
                name: format!("facade facing {azimuth}°"),
                plane,
                obstructions: Obstructions::default(),
                slats,
                groups: Vec::new(),
            })
        }
        None => None,
    };
    Ok(Subject {
        name: format!("{latitude}°, {longitude}°"),
        location,
        air: Atmosphere::standard(0.0),
        zone: Tz::UTC,
        albedo: 0.2,
        turbidity: 3.0,
        facade,
    })
}

/// The place of a site file and one of its facades: the one named, or the only
/// one. `wants_facade`: having several and naming none is then a mistake.
fn from_site(path: &Path, facade: Option<&str>, wants_facade: bool) -> Result<Subject, Broken> {
    // The sun goes by no calendar: one year's days are enough to read it.
    let options = leeside_config::LoadOptions::around(Utc::now().year());
    let (site, _) = leeside_config::load_site(path, &options).map_err(|problems| {
        let all: Vec<String> = problems.iter().map(ToString::to_string).collect();
        Broken(format!(
            "{} does not pass `leeside check`:\n{}",
            path.display(),
            all.join("\n")
        ))
    })?;
    let model = &site.model;
    let chosen = match (facade, model.facades.len()) {
        (Some(name), _) => Some(model.facade_named(name).ok_or_else(|| {
            Broken(format!(
                "--facade: {} has no facade {name:?}; it has {}",
                path.display(),
                names(model)
            ))
        })?),
        (None, 1) => Some(FacadeId::of(0)),
        (None, _) if wants_facade => {
            return Err(Broken(format!("name one with --facade: {}", names(model))));
        }
        (None, _) => None,
    };
    let place = &model.site;
    Ok(Subject {
        name: place.name.clone(),
        location: place.location,
        air: place.atmosphere,
        zone: place.zone,
        albedo: place.albedo,
        turbidity: place.linke_turbidity,
        facade: chosen.map(|id| facade_of(model, id)),
    })
}

fn names(model: &Model) -> String {
    let names: Vec<String> = model
        .facades
        .iter()
        .map(|f| format!("{:?}", f.name))
        .collect();
    names.join(", ")
}

fn facade_of(model: &Model, id: FacadeId) -> Facade {
    let facade = model.facade(id);
    let groups: Vec<Group> = model
        .groups
        .iter()
        .filter(|group| group.facade == id)
        .map(|group| Group {
            name: group.name.clone(),
            opening: group.opening,
            obstructions: group.obstructions.clone(),
            slats: group.slats,
            section: group.sun.as_ref().and_then(|sun| match sun.aim {
                SunAim::Depth { section, .. } => Some(section),
                SunAim::TrackSlats | SunAim::Fixed(_) | SunAim::Terrace { .. } => None,
            }),
        })
        .collect();
    Facade {
        name: facade.name.clone(),
        plane: facade.plane,
        obstructions: facade.obstructions.clone(),
        slats: groups.iter().find_map(|group| group.slats),
        groups,
    }
}
