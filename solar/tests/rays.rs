//! A second way for every geometry formula: rays shot at slats, plates and
//! curtains, none of which knows a profile angle. 10,000 and more random cases
//! each, from a fixed seed.

mod common;

use common::{Dice, Worst};
use leeside_solar::reach::{Awning, Section};
use leeside_solar::shade::{Obstructions, Opening};
use leeside_solar::{Cutoff, Plane, Slats, Sun, trig};

const CASES: usize = 10_000;

// --- slats: rays in the section through the curtain ------------------------

/// The share of rays that pass an endless ladder of slats. `RAYS` start inside,
/// spread over one spacing, and look for a slat on the way to the sun.
fn rays_through(slats: &Slats, profile: f64, tilt: f64) -> f64 {
    const RAYS: u16 = 200;
    let (width, spacing) = (slats.width_mm(), slats.spacing_mm());
    let (rise, out) = trig::sin_cos(profile.to_radians());
    let (drop, reach) = trig::sin_cos(tilt.to_radians());
    // Half a slat, from its middle to its outer edge.
    let (hx, hz) = (reach * width / 2.0, -drop * width / 2.0);
    let reach_in_slats = (width * rise / out + width) / spacing;
    let mut passed = 0;
    for ray in 0..RAYS {
        let z0 = (f64::from(ray) + 0.5) / f64::from(RAYS) * spacing;
        let mut k = -(reach_in_slats.ceil() + 2.0);
        let mut hit = false;
        while k <= reach_in_slats.ceil() + 2.0 && !hit {
            // Ray (0, z0) + t (out, rise) meets (0, k s) + u (hx, hz), |u| <= 1.
            let across = hx * rise - hz * out;
            if across.abs() > 1e-12 {
                let u = -(z0 - k * spacing) * out / across;
                hit = u.abs() <= 1.0;
            }
            k += 1.0;
        }
        passed += u32::from(!hit);
    }
    f64::from(passed) / f64::from(RAYS)
}

#[test]
fn slats_pass_what_rays_pass() {
    // One ray more or less at the edge of the gap: 1/200.
    let mut worst = Worst::new("slat transmittance against 200 rays", 0.0051);
    let mut dice = Dice(101);
    let (mut angles, mut leaks, mut level) = (0, 0, 0);
    for case in 0..CASES {
        let slats = Slats::new(
            dice.between(10.0, 120.0),
            dice.between(10.0, 120.0),
            dice.between(-90.0, 0.0),
            dice.between(30.0, 90.0),
            0.0,
        )
        .unwrap();
        let profile = dice.between(0.5, 85.0);
        let tilt = dice.between(-90.0, 90.0);
        let name = format!("case {case}: {slats:?} {profile} {tilt}");
        let by_rays = rays_through(&slats, profile, tilt);
        worst.see(&name, slats.transmittance(profile, tilt), by_rays);
        match slats.cutoff(profile) {
            Cutoff::NoDirectSun => panic!("{name}: the sun is in front"),
            Cutoff::HorizontalSuffices => {
                level += 1;
                assert!(rays_through(&slats, profile, 0.0) <= 0.0, "{name}");
            }
            Cutoff::Angle(cut) => {
                angles += 1;
                assert!(rays_through(&slats, profile, cut + 1e-9) <= 0.0, "{name}");
                // Any smaller tilt lets rays through, as soon as 200 can tell.
                let less = dice.between(0.0, cut);
                let passing = rays_through(&slats, profile, less);
                let formula = slats.transmittance(profile, less);
                assert!(passing > 0.0 || formula < 0.0051, "{name}: {less}");
            }
            Cutoff::NotBlockable { tilt_deg, leak } => {
                leaks += 1;
                worst.see(&name, leak, rays_through(&slats, profile, tilt_deg));
                let other = dice.between(0.0, slats.tilt_limits_deg().1);
                assert!(
                    rays_through(&slats, profile, other) >= leak - 0.0051,
                    "{name}"
                );
            }
        }
        if let Some(cut) = slats.cutoff_inner_edge_down(profile) {
            assert!(rays_through(&slats, profile, cut - 1e-9) <= 0.0, "{name}");
        }
    }
    worst.report();
    common::say(&format!(
        "of {CASES} blinds {level} block level, {angles} at an angle, {leaks} never"
    ));
    assert!(level > 500 && angles > 500 && leaks > 500);
}

// --- plates: rays in space --------------------------------------------------

type Vector = [f64; 3];

fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn along(from: Vector, steps: &[(f64, Vector)]) -> Vector {
    steps.iter().fold(from, |p, (s, d)| {
        [p[0] + s * d[0], p[1] + s * d[1], p[2] + s * d[2]]
    })
}

/// A rectangle: a corner and two perpendicular edges as (length, direction).
struct Plate(Vector, (f64, Vector), (f64, Vector));

impl Plate {
    /// Whether a ray from `p` along `d` meets it.
    fn stops(&self, p: Vector, d: Vector) -> bool {
        let Self(corner, (a, u), (b, v)) = self;
        let normal = [
            u[1] * v[2] - u[2] * v[1],
            u[2] * v[0] - u[0] * v[2],
            u[0] * v[1] - u[1] * v[0],
        ];
        let toward = dot(d, normal);
        if toward.abs() < 1e-15 {
            return false;
        }
        let from_corner = along(p, &[(-1.0, *corner)]);
        let t = -dot(from_corner, normal) / toward;
        let at = along(from_corner, &[(t, d)]);
        t > 1e-12 && (0.0..=*a).contains(&dot(at, *u)) && (0.0..=*b).contains(&dot(at, *v))
    }
}

/// A facade in space: the middle of the sill is the origin, on the glass.
struct Scene {
    /// Horizontally to the right of one who looks out, up the slope, outwards.
    right: Vector,
    up: Vector,
    out: Vector,
    /// Horizontally away from the facade.
    ahead: Vector,
    plates: Vec<Plate>,
    width: f64,
    height: f64,
}

const FAR: f64 = 1e5;

impl Scene {
    fn new(azimuth: f64, tilt: f64, width: f64, height: f64) -> Self {
        let (se, cn) = trig::sin_cos(azimuth.to_radians());
        let (st, ct) = trig::sin_cos(tilt.to_radians());
        Self {
            right: [cn, -se, 0.0],
            up: [-ct * se, -ct * cn, st],
            out: [st * se, st * cn, ct],
            ahead: [se, cn, 0.0],
            plates: Vec::new(),
            width,
            height,
        }
    }

    /// A plate along the slope's horizontal, `above` the sill, from `from` to
    /// `to` outwards of the glass.
    fn shelf(&mut self, above: f64, from: f64, to: f64) {
        let corner = along(
            [0.0; 3],
            &[(above, self.up), (from, self.out), (-FAR, self.right)],
        );
        self.plates.push(Plate(
            corner,
            (to - from, self.out),
            (2.0 * FAR, self.right),
        ));
    }

    /// A plate along the slope, `beside` the middle.
    fn fin(&mut self, beside: f64, from: f64, to: f64) {
        let corner = along(
            [0.0; 3],
            &[(beside, self.right), (from, self.out), (-FAR, self.up)],
        );
        self.plates
            .push(Plate(corner, (to - from, self.out), (2.0 * FAR, self.up)));
    }

    fn building(&mut self, height: f64, distance: f64) {
        let base = along(
            [0.0, 0.0, height - FAR],
            &[(distance, self.ahead), (-FAR, self.right)],
        );
        self.plates
            .push(Plate(base, (2.0 * FAR, self.right), (FAR, [0.0, 0.0, 1.0])));
    }

    /// Whether the sun reaches the point `x` to the right of the middle and `y`
    /// above the sill.
    fn lit(&self, sun: &Sun, x: f64, y: f64) -> bool {
        let d = [sun.east, sun.north, sun.up];
        let p = along([0.0; 3], &[(x, self.right), (y, self.up)]);
        !self.plates.iter().any(|plate| plate.stops(p, d))
    }

    fn share(&self, sun: &Sun, n: u16) -> f64 {
        let mut lit = 0_u32;
        for i in 0..n {
            for j in 0..n {
                let x = ((f64::from(i) + 0.5) / f64::from(n) - 0.5) * self.width;
                let y = (f64::from(j) + 0.5) / f64::from(n) * self.height;
                lit += u32::from(self.lit(sun, x, y));
            }
        }
        f64::from(lit) / (f64::from(n) * f64::from(n))
    }
}

/// A sun in front of the plane and above the horizon.
fn sun_on(dice: &mut Dice, plane: &Plane) -> Sun {
    loop {
        let sun = Sun::from_angles(dice.between(0.5, 88.0), dice.between(0.0, 360.0));
        if plane.cos_incidence(&sun) > 0.02 {
            return sun;
        }
    }
}

fn tilt(dice: &mut Dice) -> f64 {
    if dice.between(0.0, 1.0) < 0.6 {
        90.0
    } else {
        dice.between(20.0, 120.0)
    }
}

/// The length of a line of the glass that is lit, found by bisecting for the
/// place where rays begin to reach it. Lit at one end, or nowhere.
fn lit_length(lit: impl Fn(f64) -> bool, length: f64, lit_end_first: bool) -> f64 {
    let at = |share: f64| lit(if lit_end_first { share } else { 1.0 - share } * length);
    if !at(1e-9) {
        return 0.0;
    }
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..50 {
        let middle = f64::midpoint(low, high);
        if at(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    low * length
}

#[test]
fn overhangs_and_fins_shade_what_rays_do_not_reach() {
    let mut overhang = Worst::new("lit share under an overhang against bisected rays", 1e-7);
    let mut fins = Worst::new("lit share beside a fin against bisected rays", 1e-7);
    let mut dice = Dice(202);
    for case in 0..CASES {
        let (azimuth, tilt) = (dice.between(0.0, 360.0), tilt(&mut dice));
        let plane = Plane::new(azimuth, tilt).unwrap();
        let sun = sun_on(&mut dice, &plane);
        let (width, height) = (dice.between(0.4, 4.0), dice.between(0.4, 3.0));
        let opening = Opening::new(width, height).unwrap();
        let (depth, gap) = (dice.between(0.05, 2.0), dice.between(0.0, 0.5));
        let name = format!("case {case}: {plane:?} {sun:?} {depth} {gap}");

        let mut scene = Scene::new(azimuth, tilt, width, height);
        scene.shelf(height + gap, 0.0, depth);
        let got = Obstructions::default().with_overhang(depth, gap).unwrap();
        let rays = lit_length(|y| scene.lit(&sun, 0.0, y), height, true) / height;
        overhang.see(&name, got.lit_share(&plane, &sun, &opening), rays);

        let mut scene = Scene::new(azimuth, tilt, width, height);
        let on_right = dice.bits().is_multiple_of(2);
        let (beside, got) = if on_right {
            (
                width / 2.0 + gap,
                Obstructions::default().with_right_fin(depth, gap),
            )
        } else {
            (
                -width / 2.0 - gap,
                Obstructions::default().with_left_fin(depth, gap),
            )
        };
        scene.fin(beside, 0.0, depth);
        let line = |x: f64| scene.lit(&sun, x - width / 2.0, height / 2.0);
        let rays = lit_length(line, width, on_right) / width;
        fins.see(&name, got.unwrap().lit_share(&plane, &sun, &opening), rays);
    }
    overhang.report();
    fins.report();
}

#[test]
fn everything_together_shades_what_rays_do_not_reach() {
    const GRID: u16 = 24;
    // Half a cell at each of two edges.
    let mut worst = Worst::new(
        "lit share with reveal, overhang, fins, building; 576 rays",
        0.045,
    );
    let mut dice = Dice(303);
    let mut partly = 0;
    for case in 0..CASES {
        let (azimuth, tilt) = (dice.between(0.0, 360.0), tilt(&mut dice));
        let plane = Plane::new(azimuth, tilt).unwrap();
        let sun = sun_on(&mut dice, &plane);
        let (width, height) = (dice.between(0.4, 4.0), dice.between(0.4, 3.0));
        let opening = Opening::new(width, height).unwrap();
        let mut scene = Scene::new(azimuth, tilt, width, height);
        let mut got = Obstructions::default();

        let reveal = dice.between(0.0, 0.3);
        got = got.with_reveal(reveal).unwrap();
        scene.shelf(height, 0.0, reveal);
        scene.shelf(0.0, 0.0, reveal);
        scene.fin(width / 2.0, 0.0, reveal);
        scene.fin(-width / 2.0, 0.0, reveal);
        let mut some = |most: f64| (dice.between(0.0, most), dice.between(0.0, 0.5));
        let (depth, gap) = some(1.5);
        got = got.with_overhang(depth, gap).unwrap();
        scene.shelf(height + gap, reveal, reveal + depth);
        let (depth, gap) = some(1.0);
        got = got.with_left_fin(depth, gap).unwrap();
        scene.fin(-width / 2.0 - gap, reveal, reveal + depth);
        let (depth, gap) = some(1.0);
        got = got.with_right_fin(depth, gap).unwrap();
        scene.fin(width / 2.0 + gap, reveal, reveal + depth);
        let (top, distance) = (dice.between(-5.0, 20.0), dice.between(8.0, 40.0));
        got = got.with_opposite(top, distance).unwrap();
        scene.building(top, distance);

        let share = got.lit_share(&plane, &sun, &opening);
        partly += usize::from(share > 0.05 && share < 0.95);
        let name = format!("case {case}: {plane:?} {sun:?} {got:?} {width}x{height}");
        worst.see(&name, share, scene.share(&sun, GRID));
    }
    worst.report();
    assert!(partly > 2000, "only {partly} cases were partly lit");
}

// --- depth and curtains: rays in the section --------------------------------

#[test]
fn the_sun_reaches_as_deep_as_rays_do() {
    let mut depth = Worst::new("penetration against bisected rays [m]", 1e-6);
    let mut curtain = Worst::new("depth behind a curtain against what was asked [m]", 1e-6);
    let mut dice = Dice(404);
    let south = Plane::new(180.0, 90.0).unwrap();
    for case in 0..2 * CASES {
        let sill = dice.between(0.0, 1.2);
        let head = sill + dice.between(0.3, 2.5);
        let (plane, wall) = (dice.between(0.0, 1.0), dice.between(0.0, 0.5));
        let room = Section::new(head, sill, plane, wall).unwrap();
        let profile = dice.between(1.0, 88.0);
        let (rise, out) = trig::sin_cos(profile.to_radians());
        let (plate, gap) = (dice.between(0.0, 1.5), dice.between(0.0, 0.4));
        let shade = Obstructions::default().with_overhang(plate, gap).unwrap();
        // A ray from the work plane: where does it pass the glass, and does it
        // clear the overhang's front edge and the curtain's lower edge?
        let reached = |inside: f64, edge: f64| {
            let at_glass = plane + (inside + wall) * rise / out;
            let above_head = at_glass + (head + gap - at_glass);
            let meets_overhang = (above_head - at_glass) * out / rise <= plate;
            at_glass > sill && at_glass < edge && !meets_overhang
        };
        // Deepest of many, then bisected outwards from it.
        let deepest = |edge: f64| {
            // Everything lit lies between the rays through sill and edge.
            let deep = ((edge - plane) * out / rise - wall).max(0.0);
            let steps = 400_u16;
            let lit = (0..=steps)
                .rev()
                .map(|i| deep * f64::from(i) / f64::from(steps))
                .find(|d| reached(*d, edge));
            let Some(mut low) = lit else { return 0.0 };
            let mut high = low + deep / f64::from(steps);
            for _ in 0..50 {
                let middle = f64::midpoint(low, high);
                if reached(middle, edge) {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            low
        };
        let sun = Sun::from_angles(profile, 180.0);
        let shaded = shade.shadow_from_head(&south, &sun);
        let name = format!("case {case}: {room:?} {profile} {plate} {gap}");
        let by_rays = deepest(head);
        let got = room.penetration_m(profile, shaded);
        // A sliver of light thinner than the steps is not found by rays.
        if by_rays > 0.0 || got * rise / out > 0.05 * (head - sill) {
            let lit_glass = (head - shaded - sill).min(head - shaded - plane);
            if lit_glass > 0.01 * (head - plane) {
                depth.see(&name, got, by_rays);
            }
        }

        let asked = dice.between(0.0, 3.0);
        let extension = room.extension_for_depth(profile, shaded, asked);
        let edge = if extension < 1.0 {
            head - extension * (head - sill)
        } else {
            sill
        };
        let behind = deepest(edge);
        if extension > 0.0 && extension < 1.0 && edge - sill > 0.01 * (head - plane) {
            curtain.see(&name, behind, asked);
        } else if extension < 1.0 {
            assert!(behind <= asked + 1e-6, "{name}: {behind} > {asked}");
        } else {
            assert!(behind <= 1e-9, "{name}: closed, but {behind}");
        }
    }
    depth.report();
    curtain.report();
}

#[test]
fn awnings_cover_what_rays_do_not_reach() {
    let mut dice = Dice(505);
    let (mut enough, mut short) = (0, 0);
    for case in 0..CASES {
        let (mount, projection) = (dice.between(2.2, 4.0), dice.between(1.0, 4.0));
        let (pitch, valance) = (dice.between(0.0, 40.0), dice.between(0.0, 0.3));
        let awning = Awning::new(mount, projection, pitch, valance).unwrap();
        let profile = dice.between(2.0, 88.0);
        let (depth, plane) = (dice.between(0.0, 3.0), dice.between(0.0, 1.0));
        let (rise, out) = trig::sin_cos(profile.to_radians());
        let (fall, reach) = trig::sin_cos(pitch.to_radians());
        // Does a ray from `x` outside the wall at the plane meet cloth or valance?
        let covered = |x: f64, extension: f64| {
            let (fx, fz) = (
                extension * projection * reach,
                mount - extension * projection * fall,
            );
            // On which side of the ray lie the mounting, the front edge and the
            // valance's lower edge? Cloth and valance stop it where two differ.
            let side = |px: f64, pz: f64| (pz - plane) * out - (px - x) * rise;
            let (a, b, c) = (side(0.0, mount), side(fx, fz), side(fx, fz - valance));
            a.min(b).min(c) <= 1e-9 && a.max(b).max(c) >= -1e-9
        };
        let got = awning.extension_for_terrace(profile, depth, plane);
        let name = format!("case {case}: {awning:?} {profile} {depth} {plane} {got:?}");
        let samples = || (0..=20_u16).map(|i| depth * f64::from(i) / 20.0);
        if got.sufficient {
            enough += 1;
            assert!(samples().all(|x| covered(x, got.extension)), "{name}");
            if got.extension > 0.01 {
                assert!(
                    !covered(depth, got.extension * 0.99),
                    "{name}: less would do"
                );
            }
        } else {
            short += 1;
            assert!(!covered(depth, 1.0), "{name}: it would reach");
        }
    }
    assert!(enough > 1000 && short > 1000, "{enough} {short}");
}
