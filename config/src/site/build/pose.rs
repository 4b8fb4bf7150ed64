//! Whether a pose suits a kind of device.

use crate::site::node::Span;
use crate::site::read::Reader;
use leeside_core::model::Kind;
use leeside_core::pose::Pose;
use leeside_solar::Slats;

/// The kind as the file writes it.
pub(crate) const fn word(kind: Kind) -> &'static str {
    match kind {
        Kind::SlatBlind => "slat blind",
        Kind::RollerShutter => "roller shutter",
        Kind::Screen => "screen",
        Kind::Awning => "awning",
    }
}

/// The same, of one.
pub(crate) fn with_article(kind: Kind) -> String {
    let article = if kind == Kind::Awning { "an" } else { "a" };
    format!("{article} {}", word(kind))
}

impl Reader<'_> {
    /// The pose as the core wants it: retracted has no tilt, slats have one, the
    /// others none. `what` says whose pose it is.
    pub(crate) fn fit(
        &mut self,
        pose: Pose,
        kind: Kind,
        slats: Option<&Slats>,
        span: &Span,
        what: &str,
    ) -> Option<Pose> {
        if pose.extension_pct == 0 {
            return Some(Pose::RETRACTED);
        }
        match (kind, pose.tilt_deg) {
            (Kind::SlatBlind, None) => {
                self.error(
                    span,
                    format!("{what} is a pose without tilt, but it is for slat blinds"),
                    format!(
                        "write {{ extension_pct = {}, tilt_deg = ... }}",
                        pose.extension_pct
                    ),
                );
                None
            }
            (Kind::SlatBlind, Some(tilt)) => {
                let outside = slats
                    .map(Slats::tilt_limits_deg)
                    .filter(|(min, max)| !(*min..=*max).contains(&f64::from(tilt)));
                if let Some((min, max)) = outside {
                    self.error(span, format!("{what} has a tilt of {tilt}°, beyond what the slats reach: {min} to {max}°"), "keep within the product's tilt_min_deg and tilt_max_deg");
                    return None;
                }
                Some(pose)
            }
            (_, Some(_)) => {
                self.error(
                    span,
                    format!(
                        "{what} has a tilt, but it is for {}, which has no slats",
                        with_article(kind)
                    ),
                    "leave tilt_deg out",
                );
                None
            }
            (_, None) => Some(pose),
        }
    }
}
