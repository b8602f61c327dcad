//! Markers on a part: magnetic spheres and flat round discs, found in a scan by themselves, and matched
//! between scans by their distances ([`match_markers`]).
//!
//! **Spheres.** Over a ball of radius R the normal turns with the place: Δn = Δx/R in every direction. Each
//! small bit of surface where that holds points at the centre p − R·n it would have; where many agree a
//! ball is fitted robustly.
//!
//! **Discs.** A raised or recessed disc is a piece of surface whose normals hardly turn from point to point, cut off by
//! its rim all round. Pieces of a disc's area are given a plane, their outermost points a circle. A sticker
//! too thin to stand out in the shape is not found: give [`match_markers`] the centres from elsewhere.

mod matching;

pub use matching::{MarkerError, MarkerMatch, MarkerNote, MarkerPair, MatchSettings, match_markers};

use crate::surface::target::{Surfel, surfels, usable};
use nalgebra::Matrix3;
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::f64::consts::PI;
use stringline_core::{Point3, Vec3};
use stringline_fit::{FitSettings, Kind, fit};
use stringline_scan::Scan;
use stringline_scan::index::Index;

/// What a marker is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MarkerKind {
    /// A ball, as on a magnet.
    Sphere,
    /// A flat round disc that stands out or lies deeper than what is round it.
    Disc,
}

/// A marker found in a scan.
#[derive(Clone, Debug, PartialEq)]
pub struct Marker {
    /// What it is.
    pub kind: MarkerKind,
    /// Its centre in the scan's frame, mm.
    pub centre: Point3,
    /// mm.
    pub radius: f64,
    /// Covariance of the centre, mm².
    pub covariance: Matrix3<f64>,
    /// Root mean square distance of its points from the shape, mm.
    pub rms: f64,
    /// Share of the ball's surface or of the disc's rim that was seen, 0 to 1.
    pub seen: f64,
}

impl Marker {
    /// The largest standard uncertainty of the centre in any direction, mm.
    pub fn sigma(&self) -> f64 {
        self.covariance.symmetric_eigenvalues().max().max(0.0).sqrt()
    }
}

/// How markers are looked for.
#[derive(Clone, Debug, PartialEq)]
pub struct MarkerSettings {
    /// Least radius, mm. Default: 2.
    pub least_radius: f64,
    /// Largest radius, mm. Default: 15.
    pub largest_radius: f64,
    /// Share of a ball's surface, or of a disc's rim, that must be seen. Default: 0.25 of a ball; a disc needs
    /// three times as much.
    pub least_seen: f64,
}

impl Default for MarkerSettings {
    fn default() -> Self {
        MarkerSettings { least_radius: 2.0, largest_radius: 15.0, least_seen: 0.25 }
    }
}

/// Bits of surface on a radius of the smallest ball.
const BITS: f64 = 4.0;
/// Share of the normals' turn that a ball may leave unexplained.
const NOT_ROUND: f64 = 0.15;
/// Bits that agree on a centre.
const AGREEING: usize = 12;
/// A ball's root mean square distance, and a rim's, as share of the radius.
const BALL_FORM: f64 = 0.03;
const RIM_FORM: f64 = 0.08;
/// Normals of neighbours on a disc differ by less than cos 12°.
const FLAT: f64 = 0.978;
/// Rings of neighbours in which normals lean over towards the rim.
const RIM_RINGS: usize = 3;
/// Sectors that a rim is divided in.
const SECTORS: usize = 24;

/// The balls in a scan, by their place along x, on all cores.
///
/// A ball that is part of the workpiece is found like a marker.
pub fn find_spheres(scan: &Scan, settings: &MarkerSettings) -> Vec<Marker> {
    let ids = usable(scan, None);
    let side = (settings.least_radius / BITS).max(1.5 * scan.spacing());
    if ids.is_empty() || !(side > 0.0 && side.is_finite()) {
        return Vec::new();
    }
    let bits = surfels(scan, &ids, side);
    let places: Vec<Point3> = bits.iter().map(|b| b.at).collect();
    let index = Index::new(&places);
    let pointed: Vec<(Point3, f64)> = (0..bits.len())
        .into_par_iter()
        .filter_map(|i| {
            let near = index.within(&places, &places[i], 3.0 * side);
            let (radius, centre) = ball_at(&bits[i], near.iter().map(|&j| &bits[j as usize]), scan.oriented())?;
            (settings.least_radius * 0.7..=settings.largest_radius * 1.3).contains(&radius).then_some((centre, radius))
        })
        .collect();
    let centres: Vec<Point3> = pointed.iter().map(|p| p.0).collect();
    let index = Index::new(&centres);
    let votes: Vec<Vec<u32>> = pointed
        .par_iter()
        .map(|(centre, radius)| {
            let mut near = index.within(&centres, centre, 0.25 * radius);
            near.retain(|&j| (pointed[j as usize].1 / radius - 1.0).abs() < 0.25);
            near
        })
        .collect();
    let mut order: Vec<usize> = (0..pointed.len()).filter(|&i| votes[i].len() >= AGREEING).collect();
    order.sort_by(|&a, &b| votes[b].len().cmp(&votes[a].len()).then(a.cmp(&b)));
    let mut found: Vec<Marker> = Vec::new();
    let mut refused: Vec<(Point3, f64)> = Vec::new();
    for i in order {
        let n = votes[i].len() as f64;
        let centre = Point3::from(votes[i].iter().map(|&j| centres[j as usize].coords).sum::<Vec3>() / n);
        let radius = votes[i].iter().map(|&j| pointed[j as usize].1).sum::<f64>() / n;
        let known = found.iter().map(|m| (m.centre, m.radius)).chain(refused.iter().copied());
        if known.into_iter().any(|(c, r)| (c - centre).norm() < 0.5 * r) {
            continue;
        }
        match ball(scan, &centre, radius, settings) {
            Some(marker) => found.push(marker),
            None => refused.push((centre, radius)),
        }
    }
    in_order(found)
}

fn in_order(mut markers: Vec<Marker>) -> Vec<Marker> {
    markers.sort_by(|a, b| {
        a.centre
            .x
            .total_cmp(&b.centre.x)
            .then(a.centre.y.total_cmp(&b.centre.y))
            .then(a.centre.z.total_cmp(&b.centre.z))
    });
    markers
}

/// Radius and centre of the ball that the normals near a bit of surface tell of; `None` if they tell of none.
fn ball_at<'a>(at: &Surfel, near: impl Iterator<Item = &'a Surfel> + Clone, oriented: bool) -> Option<(f64, Point3)> {
    let steps = near.filter_map(|other| {
        let normal = if !oriented && other.normal.dot(&at.normal) < 0.0 { -other.normal } else { other.normal };
        // What turns this fast is across an edge.
        (normal.dot(&at.normal) > 0.3).then(|| (other.at - at.at, normal - at.normal))
    });
    let (mut both, mut length, mut spread) = (0.0, 0.0, Matrix3::zeros());
    let mut count = 0;
    for (step, turn) in steps.clone() {
        both += step.dot(&turn);
        length += step.norm_squared();
        spread += step * step.transpose();
        count += 1;
    }
    if count < 7 || length <= 0.0 {
        return None;
    }
    let curvature = both / length;
    let (left, all) = steps.fold((0.0, 0.0), |(left, all), (step, turn)| {
        (left + (turn - step * curvature).norm_squared(), all + turn.norm_squared())
    });
    // Across the surface in both directions, or an edge's rounding would do.
    let values = spread.symmetric_eigenvalues();
    let mut values = [values[0], values[1], values[2]];
    values.sort_by(f64::total_cmp);
    let round = left < NOT_ROUND * all && values[1] > 0.2 * values[2];
    let outward = !oriented || curvature > 0.0;
    (round && outward && curvature != 0.0).then(|| (1.0 / curvature.abs(), at.at - at.normal / curvature))
}

/// Fits a ball to the points near where one is thought to be.
fn ball(scan: &Scan, centre: &Point3, radius: f64, settings: &MarkerSettings) -> Option<Marker> {
    let mut near = scan.within(centre, 1.25 * radius);
    near.retain(|&i| {
        let out = scan.points()[i as usize] - centre;
        let along = out.norm();
        along > 0.75 * radius && (scan.normals()[i as usize].dot(&out) / along).abs() > 0.85
    });
    let points: Vec<Point3> = near.iter().map(|&i| scan.points()[i as usize]).collect();
    let feature = fit(&points, &[], Kind::Sphere, &FitSettings::default()).ok()?;
    let (at, size) = (feature.shape.point(), feature.shape.radius()?);
    let in_range = (settings.least_radius..=settings.largest_radius).contains(&size);
    let away: Vec<f64> = points.iter().map(|p| (p - at).norm()).collect();
    let on = |i: usize| (away[i] - size).abs() < 4.0 * feature.rms.max(1e-9 * size);
    let directions = (0..points.len()).filter(|&i| on(i)).map(|i| (points[i] - at) / away[i]);
    let seen = seen_of_sphere(directions);
    let good = in_range
        && feature.converged
        && feature.rms < BALL_FORM * size
        && feature.used * 10 > points.len() * 7
        && seen >= settings.least_seen
        && (at - centre).norm() < 0.5 * radius;
    good.then(|| Marker {
        kind: MarkerKind::Sphere,
        centre: at,
        radius: size,
        covariance: feature.covariance.fixed_view::<3, 3>(0, 0).into_owned(),
        rms: feature.rms,
        seen,
    })
}

/// Which share of 96 cells of equal area the directions fall in: 8 rings of equal height, 12 sectors each.
fn seen_of_sphere(directions: impl Iterator<Item = Vec3>) -> f64 {
    let mut hit = [false; 96];
    for d in directions {
        let ring = ((0.5 * (d.z + 1.0) * 8.0) as usize).min(7);
        let sector = ((d.y.atan2(d.x) / (2.0 * PI) + 0.5) * 12.0) as usize;
        hit[ring * 12 + sector.min(11)] = true;
    }
    hit.iter().filter(|h| **h).count() as f64 / 96.0
}

/// The flat round discs in a scan that stand out or lie deeper than what is round them, by their place along x.
///
/// Round faces of the workpiece, such as the end of a boss without a hole, are found like markers.
pub fn find_discs(scan: &Scan, settings: &MarkerSettings) -> Vec<Marker> {
    let n = scan.points().len();
    let least = (0.5 * PI * settings.least_radius.powi(2) / scan.spacing().powi(2)).max(12.0) as usize;
    let neighbours: Vec<Vec<u32>> =
        (0..n as u32).into_par_iter().with_min_len(1024).map(|i| scan.neighbours(i)).collect();
    let agree = |a: u32, b: u32| {
        let turn = scan.normals()[a as usize].dot(&scan.normals()[b as usize]);
        (if scan.oriented() { turn } else { turn.abs() }) > FLAT
    };
    // A point where the surface bends belongs to no disc: the rim of one must not lead over to its flank.
    let flat: Vec<bool> = neighbours
        .par_iter()
        .enumerate()
        .map(|(i, near)| near.len() > 2 && near.iter().filter(|&&j| agree(i as u32, j)).count() * 4 >= near.len() * 3)
        .collect();
    let mut piece = vec![false; n];
    let mut pieces: Vec<Vec<u32>> = Vec::new();
    for seed in 0..n {
        if piece[seed] || !flat[seed] {
            continue;
        }
        piece[seed] = true;
        let mut members = vec![seed as u32];
        let mut next = 0;
        while next < members.len() {
            let at = members[next];
            next += 1;
            for &other in &neighbours[at as usize] {
                if !piece[other as usize] && flat[other as usize] && agree(at, other) {
                    piece[other as usize] = true;
                    members.push(other);
                }
            }
        }
        if members.len() >= least {
            members.sort_unstable();
            pieces.push(members);
        }
    }
    in_order(pieces.par_iter().filter_map(|members| disc(scan, members, &neighbours, settings)).collect())
}

/// A disc, if the piece of surface is one.
fn disc(scan: &Scan, members: &[u32], neighbours: &[Vec<u32>], settings: &MarkerSettings) -> Option<Marker> {
    let mut points: Vec<Point3> = members.iter().map(|&i| scan.points()[i as usize]).collect();
    let middle = Point3::from(points.iter().map(|p| p.coords).sum::<Vec3>() / points.len() as f64);
    let reach = points.iter().map(|p| (p - middle).norm()).fold(0.0, f64::max);
    if !(settings.least_radius * 0.7..=settings.largest_radius * 1.4).contains(&reach) {
        return None;
    }
    let plane = fit(&points, &[], Kind::Plane, &FitSettings::default()).ok()?;
    let normal = plane.shape.direction()?.into_inner();
    let (u, v) = stringline_core::frame_about(&plane.shape.direction()?);
    // Near the rim normals lean over although the points still lie on the disc: they belong to it too.
    let level = 4.0 * plane.rms + 1e-6 * reach;
    let mut inside: BTreeSet<u32> = members.iter().copied().collect();
    let mut edge: Vec<u32> = members.to_vec();
    for _ in 0..RIM_RINGS {
        let beyond: BTreeSet<u32> = edge.iter().flat_map(|&i| neighbours[i as usize].iter().copied()).collect();
        edge = beyond
            .into_iter()
            .filter(|i| !inside.contains(i) && plane.shape.distance(&scan.points()[*i as usize]).abs() <= level)
            .collect();
        inside.extend(&edge);
        points.extend(edge.iter().map(|&i| scan.points()[i as usize]));
    }
    // In each sector the outermost point: the rim, less half a spacing.
    let mut rim = [None::<(f64, Point3)>; SECTORS];
    for p in &points {
        let d = p - middle;
        let (x, y) = (u.dot(&d), v.dot(&d));
        let far = x.hypot(y);
        let sector = (((y.atan2(x) / (2.0 * PI) + 0.5) * SECTORS as f64) as usize).min(SECTORS - 1);
        if rim[sector].is_none_or(|(known, _)| far > known) {
            rim[sector] = Some((far, p - normal * plane.shape.distance(p)));
        }
    }
    let rim: Vec<Point3> = rim.into_iter().flatten().map(|(_, p)| p).collect();
    let circle = fit(&rim, &[], Kind::Circle, &FitSettings { keep_all: true, held_radius: None }).ok()?;
    let (centre, radius) = (circle.shape.point(), circle.shape.radius()?);
    // As many sectors again, seen from the circle's own centre.
    let mut hit = [false; SECTORS];
    let mut central = 0;
    for p in &points {
        let d = p - centre;
        let (x, y) = (u.dot(&d), v.dot(&d));
        let far = x.hypot(y);
        central += usize::from(far < 0.5 * radius);
        if far > 0.8 * radius {
            hit[(((y.atan2(x) / (2.0 * PI) + 0.5) * SECTORS as f64) as usize).min(SECTORS - 1)] = true;
        }
    }
    let seen = hit.iter().filter(|h| **h).count() as f64 / SECTORS as f64;
    // A quarter of a disc's area lies within half its radius; of a ring none does.
    let full = central as f64 > 0.15 * points.len() as f64;
    let good = full
        && (settings.least_radius..=settings.largest_radius).contains(&radius)
        && circle.rms < RIM_FORM * radius
        && plane.rms < 0.05 * radius
        && seen >= (3.0 * settings.least_seen).min(1.0);
    good.then(|| Marker {
        kind: MarkerKind::Disc,
        centre,
        radius,
        covariance: circle.covariance.fixed_view::<3, 3>(0, 0).into_owned(),
        rms: circle.rms,
        seen,
    })
}
