//! Where a device stands: extension and, for slats, tilt.

use crate::model::Product;
use serde::{Deserialize, Serialize};

/// Extension plus tilt. Whole numbers, so that two machines agree on every
/// comparison and a pose prints the same everywhere.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize, Deserialize)]
pub struct Pose {
    /// 0 % fully retracted … 100 % fully extended.
    pub extension_pct: u8,
    /// Slat angle in degrees: 0 horizontal, positive outer edge down. `None`
    /// for devices without slats.
    pub tilt_deg: Option<i16>,
}

impl Pose {
    /// Fully retracted, no tilt.
    pub const RETRACTED: Self = Self {
        extension_pct: 0,
        tilt_deg: None,
    };
    /// Fully extended, no tilt.
    pub const EXTENDED: Self = Self {
        extension_pct: 100,
        tilt_deg: None,
    };

    /// A pose without tilt.
    #[must_use]
    pub const fn extension(extension_pct: u8) -> Self {
        Self {
            extension_pct,
            tilt_deg: None,
        }
    }

    /// A pose of a slat blind.
    #[must_use]
    pub const fn slats(extension_pct: u8, tilt_deg: i16) -> Self {
        Self {
            extension_pct,
            tilt_deg: Some(tilt_deg),
        }
    }

    /// Whether going from `from` to this pose extends the device further.
    #[must_use]
    pub const fn extends_beyond(self, from: Self) -> bool {
        self.extension_pct > from.extension_pct
    }
}

impl core::fmt::Display for Pose {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match (self.extension_pct, self.tilt_deg) {
            (0, _) => f.write_str("retracted"),
            (100, None) => f.write_str("extended"),
            (100, Some(tilt)) => write!(f, "extended, slats {tilt}°"),
            (pct, None) => write!(f, "{pct} % extended"),
            (pct, Some(tilt)) => write!(f, "{pct} % extended, slats {tilt}°"),
        }
    }
}

/// The pose as a product can take it: with a tilt for slats, without for others.
pub(crate) fn fit(pose: Pose, product: &Product) -> Pose {
    match (product.slats, pose.tilt_deg) {
        (Some(_), None) => Pose {
            tilt_deg: Some(0),
            ..pose
        },
        (None, Some(_)) => Pose {
            tilt_deg: None,
            ..pose
        },
        _ => pose,
    }
}
