//! The sun's path over a facade: elevation over azimuth for some days of the
//! year, what stands in the way, and when the facade is lit.
//!
//! Lit and unlit differ by width and dash as well as by colour (blue and orange
//! of Okabe and Ito's palette), so the drawing reads in grey print and to every
//! eye; what hides the sun is hatched, not only tinted.

mod frame;

use std::fmt::Write as _;

use super::escaped;
use frame::{CHART, Frame, LEFT, RIGHT, ROW, TOP, WIDTH};

/// What is to be drawn.
#[derive(Debug, Clone)]
pub struct SunPathPlot {
    /// First line above the drawing.
    pub title: String,
    /// Second line, smaller.
    pub subtitle: String,
    /// Azimuth at the left edge, degrees; the drawing goes once round from it.
    pub left_azimuth_deg: f64,
    /// The facade's azimuth, if there is one: marked on the axis.
    pub facade_azimuth_deg: Option<f64>,
    /// The days, in the order of the table below the drawing.
    pub days: Vec<PathDay>,
    /// The same hour through the year.
    pub hours: Vec<HourLine>,
    /// What hides the sun.
    pub regions: Vec<Region>,
}

/// One day's path.
#[derive(Debug, Clone)]
pub struct PathDay {
    /// `21 June`.
    pub label: String,
    /// The path from rise to set; several suns a day are no problem.
    pub points: Vec<PathPoint>,
    /// When the facade is lit, in words: `09:10-17:25`.
    pub lit_hours: String,
}

/// One moment of a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PathPoint {
    /// Degrees, clockwise from true north.
    pub azimuth_deg: f64,
    /// Degrees above the level horizon.
    pub elevation_deg: f64,
    /// Whether direct sun falls on the facade or its opening.
    pub lit: bool,
}

/// One hour of the clock through the year.
#[derive(Debug, Clone)]
pub struct HourLine {
    /// `14`.
    pub label: String,
    /// Azimuth and elevation, degrees.
    pub points: Vec<(f64, f64)>,
}

/// What a region of the sky is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RegionKind {
    /// Below the skyline.
    Skyline,
    /// Shaded by what stands out from the facade, or by the building opposite.
    Shade,
    /// Behind the plane of the facade.
    Behind,
}

/// A part of the sky from which no sun comes: for each azimuth, rising from the
/// left edge, from one elevation to another.
#[derive(Debug, Clone)]
pub struct Region {
    /// What it is.
    pub kind: RegionKind,
    /// Azimuth, lower and upper elevation, degrees.
    pub band: Vec<(f64, f64, f64)>,
}

/// The drawing as a complete SVG document.
#[must_use]
pub fn sun_path(plot: &SunPathPlot) -> String {
    let frame = Frame::of(plot);
    let rows = u32::try_from(plot.days.len()).unwrap_or(0);
    let height = TOP + CHART + 118.0 + ROW * f64::from(rows);
    let mut svg = String::new();
    head(&mut svg, plot, height);
    for region in &plot.regions {
        draw_region(&mut svg, &frame, region);
    }
    grid(&mut svg, &frame);
    for hour in &plot.hours {
        draw_hour(&mut svg, &frame, hour);
    }
    for day in &plot.days {
        draw_day(&mut svg, &frame, day);
    }
    // A white halo keeps labels legible where lines cross them.
    for hour in &plot.hours {
        label_hour(&mut svg, &frame, hour);
    }
    for day in &plot.days {
        label_day(&mut svg, &frame, day);
    }
    if let Some(azimuth) = plot.facade_azimuth_deg {
        let x = frame.x(azimuth);
        let y = TOP + CHART;
        line(
            &mut svg,
            format_args!("<path class=\"facade\" d=\"M{x:.1} {y:.1}l-7 12h14z\"/>"),
        );
    }
    legend(&mut svg, plot);
    svg.push_str("</svg>\n");
    svg
}

/// Writing to a String cannot fail.
fn line(svg: &mut String, text: std::fmt::Arguments<'_>) {
    let _ = svg.write_fmt(text);
    svg.push('\n');
}

fn head(svg: &mut String, plot: &SunPathPlot, height: f64) {
    let title = escaped(&plot.title);
    let subtitle = escaped(&plot.subtitle);
    line(
        svg,
        format_args!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {WIDTH} {height}\" \
             width=\"{WIDTH}\" height=\"{height}\" role=\"img\" aria-label=\"{title}\">"
        ),
    );
    line(svg, format_args!("<title>{title}</title>"));
    svg.push_str(STYLE);
    line(
        svg,
        format_args!("<rect width=\"{WIDTH}\" height=\"{height}\" fill=\"#fff\"/>"),
    );
    line(
        svg,
        format_args!("<text class=\"title\" x=\"{LEFT}\" y=\"28\">{title}</text>"),
    );
    line(
        svg,
        format_args!("<text x=\"{LEFT}\" y=\"50\">{subtitle}</text>"),
    );
}

const STYLE: &str = "<style>\
text{font:13px system-ui,sans-serif;fill:#222}\
.title{font-size:18px;font-weight:600}\
.small{font-size:11px;fill:#444}\
.halo{paint-order:stroke;stroke:#fff;stroke-width:4px;stroke-linejoin:round}\
.grid{stroke:#ccc;stroke-width:.6}\
.axis{stroke:#222;stroke-width:1.2;fill:none}\
.lit{fill:none;stroke:#d55e00;stroke-width:4;stroke-linecap:round}\
.unlit{fill:none;stroke:#0072b2;stroke-width:1.4;stroke-dasharray:5 4}\
.hour{fill:none;stroke:#888;stroke-width:.8;stroke-dasharray:1 3}\
.dot-lit{fill:#d55e00;stroke:#fff;stroke-width:1}\
.dot{fill:#fff;stroke:#0072b2;stroke-width:1.2}\
.facade{fill:#222}\
.edge{stroke:#555;stroke-width:1}\
</style>\n\
<defs>\
<pattern id=\"skyline\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">\
<rect width=\"6\" height=\"6\" fill=\"#d9d9d9\"/>\
<path d=\"M0 6L6 0\" stroke=\"#777\" stroke-width=\"1\"/></pattern>\
<pattern id=\"shade\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\">\
<rect width=\"7\" height=\"7\" fill=\"#f1f1f1\"/>\
<path d=\"M0 3.5H7\" stroke=\"#aaa\" stroke-width=\"1\"/></pattern>\
<pattern id=\"behind\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\">\
<rect width=\"8\" height=\"8\" fill=\"#f6f6f6\"/>\
<circle cx=\"4\" cy=\"4\" r=\".9\" fill=\"#999\"/></pattern>\
</defs>\n";

const fn pattern(kind: RegionKind) -> &'static str {
    match kind {
        RegionKind::Skyline => "skyline",
        RegionKind::Shade => "shade",
        RegionKind::Behind => "behind",
    }
}

fn draw_region(svg: &mut String, frame: &Frame, region: &Region) {
    // Pieces without a gap: a column that has no height ends one.
    let columns: Vec<_> = region
        .band
        .iter()
        .map(|(azimuth, low, high)| (frame.across(*azimuth), *low, *high))
        .collect();
    let fill = pattern(region.kind);
    for piece in columns.chunk_by(|a, b| b.0 >= a.0 && (a.2 > a.1) == (b.2 > b.1)) {
        if piece.len() < 2 || piece[0].2 <= piece[0].1 {
            continue;
        }
        let mut path = String::new();
        for (i, (across, _, high)) in piece.iter().enumerate() {
            let (x, y) = (frame.x_from_left(*across), frame.y(*high));
            let _ = write!(path, "{}{x:.1} {y:.1}", if i == 0 { 'M' } else { 'L' });
        }
        for (across, low, _) in piece.iter().rev() {
            let (x, y) = (frame.x_from_left(*across), frame.y(*low));
            let _ = write!(path, "L{x:.1} {y:.1}");
        }
        line(
            svg,
            format_args!("<path d=\"{path}Z\" fill=\"url(#{fill})\" class=\"edge\"/>"),
        );
    }
}

fn grid(svg: &mut String, frame: &Frame) {
    let mut elevation = 0.0;
    while elevation <= frame.top_elevation {
        let y = frame.y(elevation);
        let (from, to) = (LEFT, WIDTH - RIGHT);
        line(
            svg,
            format_args!("<path class=\"grid\" d=\"M{from} {y:.1}H{to}\"/>"),
        );
        let (x, below) = (LEFT - 8.0, y + 4.0);
        line(
            svg,
            format_args!(
                "<text x=\"{x}\" y=\"{below:.1}\" text-anchor=\"end\">{elevation}°</text>"
            ),
        );
        elevation += 10.0;
    }
    let bottom = TOP + CHART;
    for step in 0..=24_u16 {
        let degrees = 15.0 * f64::from(step);
        let azimuth = (frame.left_azimuth + degrees).rem_euclid(360.0);
        let x = frame.x_from_left(degrees);
        line(
            svg,
            format_args!("<path class=\"grid\" d=\"M{x:.1} {TOP}V{bottom}\"/>"),
        );
        if step % 2 == 0 {
            let below = bottom + 28.0;
            let name = quarter(azimuth).map_or_else(|| format!("{azimuth:.0}°"), str::to_owned);
            line(
                svg,
                format_args!(
                    "<text x=\"{x:.1}\" y=\"{below}\" text-anchor=\"middle\">{name}</text>"
                ),
            );
        }
    }
    line(
        svg,
        format_args!(
            "<path class=\"axis\" d=\"M{LEFT} {TOP}V{bottom}H{}\"/>",
            WIDTH - RIGHT
        ),
    );
}

fn quarter(azimuth: f64) -> Option<&'static str> {
    [
        (0.0, "N 0°"),
        (90.0, "E 90°"),
        (180.0, "S 180°"),
        (270.0, "W 270°"),
    ]
    .into_iter()
    .find_map(|(at, name)| ((azimuth - at).abs() < 0.5).then_some(name))
}

fn draw_day(svg: &mut String, frame: &Frame, day: &PathDay) {
    let mut rest = day.points.as_slice();
    while let Some(first) = rest.first() {
        let alike = rest.iter().take_while(|p| p.lit == first.lit).count();
        // One point more, so that neighbouring pieces meet.
        let piece = &rest[..rest.len().min(alike + 1)];
        let class = if first.lit { "lit" } else { "unlit" };
        let path = frame.polyline(piece.iter().map(|p| (p.azimuth_deg, p.elevation_deg)));
        line(svg, format_args!("<path class=\"{class}\" d=\"{path}\"/>"));
        rest = &rest[alike..];
    }
}

fn label_day(svg: &mut String, frame: &Frame, day: &PathDay) {
    let highest = day
        .points
        .iter()
        .max_by(|a, b| a.elevation_deg.total_cmp(&b.elevation_deg));
    if let Some(point) = highest {
        let (x, y) = (frame.x(point.azimuth_deg), frame.y(point.elevation_deg));
        let (below, label) = (y + 15.0, escaped(&day.label));
        line(
            svg,
            format_args!(
                "<text class=\"small halo\" x=\"{x:.1}\" y=\"{below:.1}\" \
                 text-anchor=\"middle\">{label}</text>"
            ),
        );
    }
}

fn draw_hour(svg: &mut String, frame: &Frame, hour: &HourLine) {
    let path = frame.polyline(hour.points.iter().copied());
    if path.is_empty() {
        return;
    }
    line(svg, format_args!("<path class=\"hour\" d=\"{path}\"/>"));
}

/// Beside the outermost point of the hour, on the side away from noon, where the
/// paths leave room.
fn label_hour(svg: &mut String, frame: &Frame, hour: &HourLine) {
    let highest = hour.points.iter().max_by(|a, b| a.1.total_cmp(&b.1));
    let Some((azimuth, elevation)) = highest else {
        return;
    };
    let (x, y) = (frame.x(*azimuth), frame.y(*elevation));
    let from_middle = x - f64::midpoint(LEFT, WIDTH - RIGHT);
    let (dx, dy, anchor) = if from_middle.abs() < 25.0 {
        (0.0, -8.0, "middle")
    } else if from_middle < 0.0 {
        (-6.0, -3.0, "end")
    } else {
        (6.0, -3.0, "start")
    };
    let (x, y, label) = (x + dx, y + dy, escaped(&hour.label));
    line(
        svg,
        format_args!(
            "<text class=\"small halo\" x=\"{x:.1}\" y=\"{y:.1}\" \
             text-anchor=\"{anchor}\">{label}</text>"
        ),
    );
}

/// What the lines and patterns mean, and the lit hours day by day.
fn legend(svg: &mut String, plot: &SunPathPlot) {
    let mut y = TOP + CHART + 56.0;
    let mut x = LEFT;
    let mut entry = |svg: &mut String, sample: &str, words: &str, width: f64| {
        let (text_x, text_y) = (x + 44.0, y + 4.0);
        line(
            svg,
            format_args!(
                "<g transform=\"translate({x} {y})\">{sample}</g>\
                 <text x=\"{text_x}\" y=\"{text_y}\">{words}</text>"
            ),
        );
        x += width;
    };
    entry(
        svg,
        "<path class=\"lit\" d=\"M0 0H34\"/>",
        "facade lit",
        128.0,
    );
    entry(
        svg,
        "<path class=\"unlit\" d=\"M0 0H34\"/>",
        "not lit",
        112.0,
    );
    entry(
        svg,
        "<path class=\"hour\" d=\"M0 0H34\"/>",
        "same hour",
        128.0,
    );
    let kinds = [
        (RegionKind::Skyline, "skyline", 106.0),
        (RegionKind::Shade, "shaded by building or neighbour", 262.0),
        (RegionKind::Behind, "behind the facade", 120.0),
    ];
    for (kind, words, width) in kinds {
        if plot.regions.iter().any(|region| region.kind == kind) {
            let sample = format!(
                "<rect y=\"-7\" width=\"34\" height=\"14\" fill=\"url(#{})\" class=\"edge\"/>",
                pattern(kind)
            );
            entry(svg, &sample, words, width);
        }
    }
    y += 30.0;
    line(
        svg,
        format_args!(
            "<text class=\"small\" x=\"{LEFT}\" y=\"{y}\">Direct sun, by the local clock</text>"
        ),
    );
    for day in &plot.days {
        y += ROW;
        let (label, hours) = (escaped(&day.label), escaped(&day.lit_hours));
        let hours_x = LEFT + 96.0;
        line(
            svg,
            format_args!(
                "<text x=\"{LEFT}\" y=\"{y}\">{label}</text>\
                 <text x=\"{hours_x}\" y=\"{y}\">{hours}</text>"
            ),
        );
    }
}

#[cfg(test)]
mod tests {
    use super::{HourLine, PathDay, PathPoint, Region, RegionKind, SunPathPlot, sun_path};

    fn plot(points: Vec<PathPoint>) -> SunPathPlot {
        SunPathPlot {
            title: "East & west <test>".into(),
            subtitle: "somewhere".into(),
            left_azimuth_deg: 0.0,
            facade_azimuth_deg: Some(90.0),
            days: vec![PathDay {
                label: "21 March".into(),
                points,
                lit_hours: "06:10-12:00".into(),
            }],
            hours: vec![HourLine {
                label: "12".into(),
                points: vec![(180.0, 40.0), (181.0, 60.0)],
            }],
            regions: vec![Region {
                kind: RegionKind::Skyline,
                band: vec![(0.0, 0.0, 5.0), (180.0, 0.0, 8.0), (359.9, 0.0, 5.0)],
            }],
        }
    }

    fn point(azimuth_deg: f64, lit: bool) -> PathPoint {
        PathPoint {
            azimuth_deg,
            elevation_deg: 30.0,
            lit,
        }
    }

    #[test]
    fn lit_and_unlit_pieces_meet_and_nothing_is_not_a_number() {
        let points = [(90.0, true), (120.0, true), (150.0, false), (180.0, false)]
            .map(|(azimuth, lit)| point(azimuth, lit));
        let svg = sun_path(&plot(points.to_vec()));
        assert!(svg.contains("class=\"lit\" d=\"M276.0 "), "{svg}");
        assert_eq!(
            svg.matches("class=\"lit\" d=").count(),
            2,
            "path and legend"
        );
        assert!(svg.contains("East &amp; west &lt;test&gt;"));
        assert!(!svg.contains("NaN") && !svg.contains("inf"));
        assert!(svg.starts_with("<svg ") && svg.ends_with("</svg>\n"));
    }

    #[test]
    fn a_path_over_the_edge_is_lifted() {
        let svg = sun_path(&plot(vec![point(350.0, false), point(10.0, false)]));
        let path = svg
            .lines()
            .find(|line| line.contains("class=\"unlit\" d=\"M"))
            .map(|line| line.matches('M').count());
        assert_eq!(path, Some(2), "{svg}");
    }

    #[test]
    fn no_days_is_a_drawing_too() {
        let mut empty = plot(Vec::new());
        empty.days.clear();
        assert!(sun_path(&empty).ends_with("</svg>\n"));
    }
}
