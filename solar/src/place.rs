//! A place on earth and the air above it.

use crate::RangeError;
use crate::range::limit;
use crate::trig::pow;

/// A place on the WGS 84 ellipsoid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Location {
    latitude_deg: f64,
    longitude_deg: f64,
    altitude_m: f64,
}

impl Location {
    /// `latitude_deg` -90..90, positive north; `longitude_deg` -180..180,
    /// positive east; `altitude_m` -500..9000 above sea level.
    ///
    /// # Errors
    /// The first of the three that is out of range or not a number.
    pub fn new(latitude_deg: f64, longitude_deg: f64, altitude_m: f64) -> Result<Self, RangeError> {
        Ok(Self {
            latitude_deg: RangeError::check("latitude", latitude_deg, (-90.0, 90.0), "degrees")?,
            longitude_deg: RangeError::check(
                "longitude",
                longitude_deg,
                (-180.0, 180.0),
                "degrees",
            )?,
            altitude_m: RangeError::check("altitude", altitude_m, (-500.0, 9000.0), "m")?,
        })
    }

    /// Geodetic latitude in degrees, positive north.
    #[must_use]
    pub const fn latitude_deg(&self) -> f64 {
        self.latitude_deg
    }

    /// Longitude in degrees, positive east of Greenwich.
    #[must_use]
    pub const fn longitude_deg(&self) -> f64 {
        self.longitude_deg
    }

    /// Metres above sea level.
    #[must_use]
    pub const fn altitude_m(&self) -> f64 {
        self.altitude_m
    }
}

/// The air that refracts and dims the sunlight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Atmosphere {
    /// Yearly mean of the local pressure (not reduced to sea level), hPa.
    pub pressure_hpa: f64,
    /// Yearly mean of the air temperature, degrees Celsius.
    pub temperature_c: f64,
}

impl Atmosphere {
    /// Pressure 0..1200 hPa (0 = no air, no refraction), temperature -90..60 °C.
    ///
    /// # Errors
    /// The first of the two that is out of range or not a number.
    pub fn new(pressure_hpa: f64, temperature_c: f64) -> Result<Self, RangeError> {
        Ok(Self {
            pressure_hpa: RangeError::check("pressure", pressure_hpa, (0.0, 1200.0), "hPa")?,
            temperature_c: RangeError::check("temperature", temperature_c, (-90.0, 60.0), "°C")?,
        })
    }

    /// The barometric pressure of the U.S. Standard Atmosphere 1976 at
    /// `altitude_m` (1013.25 hPa at sea level), and 12 °C.
    ///
    /// Source of the closed form: `pvlib.atmosphere.alt2pres` (BSD-3), with the
    /// 12 °C that NREL's own SPA examples and pvlib assume.
    #[must_use]
    pub fn standard(altitude_m: f64) -> Self {
        let altitude_m = limit(altitude_m, -500.0, 9000.0);
        Self {
            pressure_hpa: pow((44331.514 - altitude_m) / 11880.516, 1.0 / 0.190_263_2),
            temperature_c: 12.0,
        }
    }

    /// The factor that carries refraction from standard air to this air,
    /// 1 at 1010 hPa and 10 °C (SPA eq. 42). The fields are public and so may
    /// hold anything; what is out of range is brought to the nearest limit.
    pub(crate) fn refraction_factor(self) -> f64 {
        let pressure = limit(self.pressure_hpa, 0.0, 1200.0);
        let temperature = limit(self.temperature_c, -90.0, 60.0);
        pressure / 1010.0 * (283.0 / (273.0 + temperature))
    }
}

#[cfg(test)]
mod tests {
    use super::{Atmosphere, Location};

    #[test]
    fn limits() {
        assert!(Location::new(90.0, -180.0, 9000.0).is_ok());
        assert!(Location::new(90.1, 0.0, 0.0).is_err());
        assert!(Location::new(0.0, f64::NAN, 0.0).is_err());
        assert!(Location::new(0.0, 0.0, f64::INFINITY).is_err());
        assert!(Atmosphere::new(1013.25, -273.0).is_err());
    }

    /// Source: pvlib 0.16.1 `alt2pres`, as used in `reference/sun_position.csv`.
    #[test]
    fn standard_pressure() {
        for (altitude_m, hpa) in [(0.0, 1013.25), (520.0, 952.32), (1830.14, 811.86)] {
            let got = Atmosphere::standard(altitude_m).pressure_hpa;
            assert!((got - hpa).abs() < 0.006, "{altitude_m} m: {got}");
        }
    }
}
