//! The frame of the drawing: measures, and from angles to places in it.

use std::fmt::Write as _;

use super::SunPathPlot;

pub(super) const WIDTH: f64 = 960.0;
pub(super) const LEFT: f64 = 56.0;
pub(super) const RIGHT: f64 = 24.0;
pub(super) const TOP: f64 = 74.0;
pub(super) const CHART: f64 = 420.0;
pub(super) const ROW: f64 = 19.0;

/// From angles to the drawing.
pub(super) struct Frame {
    pub(super) left_azimuth: f64,
    pub(super) top_elevation: f64,
}

impl Frame {
    pub(super) fn of(plot: &SunPathPlot) -> Self {
        let highest = plot
            .days
            .iter()
            .flat_map(|day| &day.points)
            .fold(10.0, |high: f64, point| high.max(point.elevation_deg));
        Self {
            left_azimuth: plot.left_azimuth_deg,
            // A little air above the highest path, in whole tens.
            top_elevation: (10.0 * ((highest + 4.0) / 10.0).ceil()).clamp(20.0, 90.0),
        }
    }

    /// Degrees from the left edge, 0..360.
    pub(super) fn across(&self, azimuth: f64) -> f64 {
        (azimuth - self.left_azimuth).rem_euclid(360.0)
    }

    pub(super) fn x(&self, azimuth: f64) -> f64 {
        self.x_from_left(self.across(azimuth))
    }

    pub(super) fn x_from_left(&self, degrees: f64) -> f64 {
        LEFT + degrees / 360.0 * (WIDTH - LEFT - RIGHT)
    }

    pub(super) fn y(&self, elevation: f64) -> f64 {
        TOP + CHART * (1.0 - elevation.clamp(0.0, self.top_elevation) / self.top_elevation)
    }

    /// Points as a path, lifted where they go over the edge of the drawing.
    pub(super) fn polyline(&self, points: impl Iterator<Item = (f64, f64)>) -> String {
        let mut path = String::new();
        let mut before: Option<f64> = None;
        for (azimuth, elevation) in points {
            let across = self.across(azimuth);
            let (x, y) = (self.x_from_left(across), self.y(elevation));
            let goes_on = before.is_some_and(|b| (across - b).abs() < 180.0);
            let _ = write!(path, "{}{x:.1} {y:.1}", if goes_on { 'L' } else { 'M' });
            before = Some(across);
        }
        path
    }
}
