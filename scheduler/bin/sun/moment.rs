//! One moment: computed once, told as text or as one JSON object.

use std::io::Write;

use chrono::{DateTime, SecondsFormat, Utc};
use leeside_solar::light::{
    Components, PlaneIrradiance, Sky, Source, erbs, extraterrestrial, haurwitz, ineichen,
};
use leeside_solar::{Cutoff, Position, Slats, Sun, delta_t_estimate, position, trig};
use serde_json::{Map, Value, json};

use super::subject::{Facade, Group, Subject};
use super::{ClearSky, Format, SunArgs};

/// Everything there is to say about one moment.
struct Answer {
    at: DateTime<Utc>,
    position: Position,
    source: Source,
    light: Components,
    facade: Option<OnFacade>,
}

struct OnFacade {
    name: String,
    azimuth_deg: f64,
    tilt_deg: f64,
    incidence_deg: f64,
    horizontal_shadow_angle_deg: f64,
    profile_angle_deg: f64,
    sunlit: bool,
    hidden: bool,
    cutoff: Option<Cutoff>,
    light: PlaneIrradiance,
    groups: Vec<OnGroup>,
}

struct OnGroup {
    name: String,
    lit_share: Option<f64>,
    cutoff: Option<Cutoff>,
    penetration_m: Option<f64>,
}

pub(super) fn tell(
    at: DateTime<Utc>,
    args: &SunArgs,
    subject: &Subject,
    out: &mut impl Write,
) -> anyhow::Result<()> {
    let answer = Answer::of(at, args, subject);
    match args.format {
        Format::Json => writeln!(out, "{}", answer.json())?,
        Format::Text => answer.text(subject, out)?,
    }
    Ok(())
}

impl Answer {
    fn of(at: DateTime<Utc>, args: &SunArgs, subject: &Subject) -> Self {
        let ms = at.timestamp_millis();
        let delta_t = args.delta_t.unwrap_or_else(|| delta_t_estimate(ms));
        let position = position(ms, subject.location, subject.air, delta_t);
        let sun = Sun::from_angles(position.apparent_elevation_deg, position.azimuth_deg);
        let true_up = trig::sin(position.elevation_deg.to_radians());
        let above = extraterrestrial(ms);
        let (source, light) = match (args.ghi, args.clear_sky) {
            (Some(ghi), _) => (Source::Measured, erbs(ghi, true_up, above)),
            (None, ClearSky::Haurwitz) => (Source::ClearSky, erbs(haurwitz(&sun), true_up, above)),
            (None, ClearSky::Ineichen) => {
                let light = ineichen(
                    &sun,
                    subject.turbidity,
                    subject.air.pressure_hpa,
                    subject.location.altitude_m(),
                    above,
                );
                (Source::ClearSky, light)
            }
        };
        let sky = Sky::new(
            source,
            light,
            &sun,
            above,
            args.sky_model.model(),
            subject.albedo,
        );
        Self {
            at,
            position,
            source,
            light,
            facade: subject
                .facade
                .as_ref()
                .map(|facade| OnFacade::of(facade, &sun, &sky)),
        }
    }
}

impl OnFacade {
    fn of(facade: &Facade, sun: &Sun, sky: &Sky) -> Self {
        let plane = &facade.plane;
        let profile_angle_deg = plane.profile_angle_deg(sun);
        Self {
            name: facade.name.clone(),
            azimuth_deg: plane.azimuth_deg(),
            tilt_deg: plane.tilt_deg(),
            incidence_deg: trig::acos(plane.cos_incidence(sun)).to_degrees(),
            horizontal_shadow_angle_deg: plane.horizontal_shadow_angle_deg(sun),
            profile_angle_deg,
            sunlit: plane.sunlit(sun),
            hidden: facade.obstructions.hidden_by_horizon(sun),
            cutoff: facade.slats.map(|slats| slats.cutoff_at(plane, sun)),
            light: sky.on_plane(plane, sun),
            groups: facade
                .groups
                .iter()
                .map(|group| OnGroup::of(group, facade, sun, profile_angle_deg))
                .collect(),
        }
    }
}

impl OnGroup {
    fn of(group: &Group, facade: &Facade, sun: &Sun, profile_deg: f64) -> Self {
        let plane = &facade.plane;
        let lit = plane.sunlit(sun) && !group.obstructions.hidden_by_horizon(sun);
        Self {
            name: group.name.clone(),
            lit_share: group
                .opening
                .map(|opening| group.obstructions.lit_share(plane, sun, &opening)),
            cutoff: group.slats.map(|slats: Slats| slats.cutoff_at(plane, sun)),
            penetration_m: group.section.map(|section| {
                if lit {
                    let shaded = group.obstructions.shadow_from_head(plane, sun);
                    section.penetration_m(profile_deg, shaded)
                } else {
                    0.0
                }
            }),
        }
    }
}

// --- JSON ---------------------------------------------------------------------

impl Answer {
    /// One object; a field that has no value for this moment is null.
    fn json(&self) -> Value {
        let mut object = Map::new();
        let mut put = |key: &str, value: Value| {
            object.insert(key.to_owned(), value);
        };
        put(
            "at",
            json!(self.at.to_rfc3339_opts(SecondsFormat::AutoSi, true)),
        );
        put("elevation_deg", json!(self.position.elevation_deg));
        put(
            "apparent_elevation_deg",
            json!(self.position.apparent_elevation_deg),
        );
        put("azimuth_deg", json!(self.position.azimuth_deg));
        let facade = self.facade.as_ref();
        let of = |part: fn(&OnFacade) -> Value| facade.map_or(Value::Null, part);
        put("facade", of(|f| json!(f.name)));
        put("incidence_deg", of(|f| json!(f.incidence_deg)));
        put(
            "horizontal_shadow_angle_deg",
            of(|f| json!(f.horizontal_shadow_angle_deg)),
        );
        put("profile_angle_deg", of(|f| json!(f.profile_angle_deg)));
        put("sunlit", of(|f| json!(f.sunlit)));
        put("hidden_by_horizon", of(|f| json!(f.hidden)));
        let cutoff = facade.and_then(|f| f.cutoff);
        for (key, value) in cutoff_fields(cutoff) {
            put(key, value);
        }
        put(
            "irradiance_source",
            json!(match self.source {
                Source::Measured => "measured",
                Source::ClearSky => "clear_sky",
            }),
        );
        put("ghi_wm2", json!(self.light.ghi));
        put("dni_wm2", json!(self.light.dni));
        put("dhi_wm2", json!(self.light.dhi));
        put("plane_irradiance_wm2", of(|f| json!(f.light.total())));
        put("plane_direct_wm2", of(|f| json!(f.light.direct)));
        put("plane_sky_wm2", of(|f| json!(f.light.sky)));
        put("plane_ground_wm2", of(|f| json!(f.light.ground)));
        put(
            "groups",
            facade.map_or(Value::Null, |f| {
                f.groups.iter().map(OnGroup::json).collect()
            }),
        );
        Value::Object(object)
    }
}

impl OnGroup {
    fn json(&self) -> Value {
        let mut object = Map::new();
        object.insert("group".into(), json!(self.name));
        object.insert("lit_share".into(), json!(self.lit_share));
        object.insert("penetration_m".into(), json!(self.penetration_m));
        for (key, value) in cutoff_fields(self.cutoff) {
            object.insert(key.into(), value);
        }
        Value::Object(object)
    }
}

/// `cutoff` is null where there are no slats; the tilt is that of a vertical
/// curtain, null where none blocks or none is needed.
fn cutoff_fields(cutoff: Option<Cutoff>) -> [(&'static str, Value); 4] {
    let (word, tilt, least) = match cutoff {
        None => (None, None, None),
        Some(Cutoff::NoDirectSun) => (Some("no_direct_sun"), None, None),
        Some(Cutoff::HorizontalSuffices) => (Some("horizontal_suffices"), Some(0.0), None),
        Some(Cutoff::Angle(tilt)) => (Some("angle"), Some(tilt), None),
        Some(Cutoff::NotBlockable { tilt_deg, leak }) => {
            (Some("not_blockable"), None, Some((tilt_deg, leak)))
        }
    };
    [
        ("cutoff", json!(word)),
        ("cutoff_tilt_deg", json!(tilt)),
        ("least_leak_tilt_deg", json!(least.map(|(tilt, _)| tilt))),
        ("least_leak", json!(least.map(|(_, leak)| leak))),
    ]
}

// --- text ---------------------------------------------------------------------

impl Answer {
    fn text(&self, subject: &Subject, out: &mut impl Write) -> std::io::Result<()> {
        let local = self.at.with_timezone(&subject.zone);
        writeln!(
            out,
            "{}, {}",
            subject.name,
            local.format("%Y-%m-%d %H:%M:%S %Z")
        )?;
        let seen = self.position.apparent_elevation_deg;
        let true_elevation = self.position.elevation_deg;
        row(
            out,
            "elevation",
            &format!("{seen:.3}° as seen, {true_elevation:.3}° without refraction"),
        )?;
        row(
            out,
            "azimuth",
            &format!("{:.3}° from true north", self.position.azimuth_deg),
        )?;
        let Components { ghi, dni, dhi } = self.light;
        let source = match self.source {
            Source::Measured => "as given",
            Source::ClearSky => "clear-sky estimate",
        };
        row(
            out,
            "light",
            &format!("{ghi:.0} W/m² global, {dni:.0} direct normal, {dhi:.0} diffuse ({source})"),
        )?;
        if let Some(facade) = &self.facade {
            facade.text(out)?;
        }
        writeln!(out)
    }
}

impl OnFacade {
    fn text(&self, out: &mut impl Write) -> std::io::Result<()> {
        let lit = match (self.sunlit, self.hidden) {
            (true, false) => "direct sun",
            (true, true) => "the sun is behind the skyline",
            (false, _) => "no direct sun",
        };
        row(
            out,
            "facade",
            &format!(
                "{}: azimuth {}°, tilt {}°: {lit}",
                self.name, self.azimuth_deg, self.tilt_deg
            ),
        )?;
        row(out, "incidence", &format!("{:.2}°", self.incidence_deg))?;
        row(
            out,
            "shadow angles",
            &format!(
                "horizontal {:+.2}° (+ = to the right, looking out), profile {:.2}°",
                self.horizontal_shadow_angle_deg, self.profile_angle_deg
            ),
        )?;
        let PlaneIrradiance {
            direct,
            sky,
            ground,
        } = self.light;
        row(
            out,
            "on the plane",
            &format!(
                "{:.0} W/m²: {direct:.0} direct, {sky:.0} sky, {ground:.0} ground",
                self.light.total()
            ),
        )?;
        if let Some(cutoff) = self.cutoff {
            row(out, "slats", &cutoff_words(cutoff))?;
        }
        for group in &self.groups {
            let mut words = Vec::new();
            if let Some(share) = group.lit_share {
                words.push(format!("{:.0} % of the opening lit", share * 100.0));
            }
            if let Some(depth) = group.penetration_m {
                words.push(format!("sun reaches {depth:.2} m deep"));
            }
            if let Some(cutoff) = group.cutoff {
                words.push(cutoff_words(cutoff));
            }
            if !words.is_empty() {
                row(
                    out,
                    "group",
                    &format!("{}: {}", group.name, words.join("; ")),
                )?;
            }
        }
        Ok(())
    }
}

fn row(out: &mut impl Write, what: &str, words: &str) -> std::io::Result<()> {
    writeln!(out, "  {what:<14} {words}")
}

fn cutoff_words(cutoff: Cutoff) -> String {
    match cutoff {
        Cutoff::NoDirectSun => "no direct sun to keep out".to_owned(),
        Cutoff::HorizontalSuffices => "horizontal slats block".to_owned(),
        Cutoff::Angle(tilt) => format!("cut-off tilt {tilt:.1}° (outer edge down)"),
        Cutoff::NotBlockable { tilt_deg, leak } => format!(
            "no tilt blocks; least passes at {tilt_deg:.1}°: {:.1} %",
            leak * 100.0
        ),
    }
}
