//! Where a place's partner on a surface is found: points with normals, an index over them, and
//! which of them lie at a border.

use rayon::prelude::*;
use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use stringline_core::{Point3, Vec3};
use stringline_scan::index::Index;
use stringline_scan::runs::Runs;
use stringline_scan::{Geometry, Mesh, Scan, order};

/// A mesh's facets are asked where the nearest vertex lies farther aside than this many spacings.
const ASIDE: f64 = 1.5;
/// Beyond this many spacings aside a cloud's nearest point is its border.
const BORDER: f64 = 2.5;
/// Unless the surfaces are still so far apart that curvature explains it: this share of the distance.
const BORDER_SHARE: f64 = 0.7;

/// Points that one worker takes at a time.
const PORTION: usize = 8192;

/// A bit of surface.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Surfel {
    /// mm.
    pub(crate) at: Point3,
    /// Unit.
    pub(crate) normal: Vec3,
}

enum Finder<'a> {
    /// All points of a scan, through its own index.
    Whole(&'a Scan),
    Own(Index),
}

/// A surface that partners are looked for on.
pub(crate) struct Target<'a> {
    points: Cow<'a, [Point3]>,
    normals: Cow<'a, [Vec3]>,
    finder: Finder<'a>,
    runs: Runs,
    /// Points at a border; empty if there are none.
    border: Vec<bool>,
    spacing: f64,
    /// Whether the normals' sign means something.
    oriented: bool,
}

impl<'a> Target<'a> {
    /// A scan, or some of its points.
    pub(crate) fn new(scan: &'a Scan, only: Option<&[u32]>) -> Target<'a> {
        let border = match scan.geometry() {
            Geometry::Mesh(mesh) => borders(mesh),
            Geometry::Cloud(_) => Vec::new(),
        };
        let (spacing, oriented) = (scan.spacing(), scan.oriented());
        match only {
            None => Target {
                points: scan.points().into(),
                normals: scan.normals().into(),
                finder: Finder::Whole(scan),
                runs: scan.runs(),
                border,
                spacing,
                oriented,
            },
            Some(ids) => {
                let points: Vec<Point3> = ids.iter().map(|&i| scan.points()[i as usize]).collect();
                let border = if border.is_empty() { border } else { ids.iter().map(|&i| border[i as usize]).collect() };
                Target {
                    finder: Finder::Own(Index::new(&points)),
                    runs: Runs::new(&points),
                    points: points.into(),
                    normals: ids.iter().map(|&i| scan.normals()[i as usize]).collect(),
                    border,
                    spacing,
                    oriented,
                }
            }
        }
    }

    /// A few bits of surface `spacing` (mm) apart.
    pub(crate) fn of_surfels(surfels: &[Surfel], spacing: f64, oriented: bool) -> Target<'static> {
        let points: Vec<Point3> = surfels.iter().map(|s| s.at).collect();
        Target {
            finder: Finder::Own(Index::new(&points)),
            runs: Runs::new(&points),
            normals: surfels.iter().map(|s| s.normal).collect(),
            points: points.into(),
            border: Vec::new(),
            spacing,
            oriented,
        }
    }

    pub(crate) fn oriented(&self) -> bool {
        self.oriented
    }

    /// The partner of each place within `limit`, mm; none where the surface ends before it.
    pub(crate) fn partners(&self, places: &[Point3], limit: f64) -> impl Iterator<Item = Option<Surfel>> {
        let nearest = match &self.finder {
            Finder::Whole(scan) => scan.nearest_to_each(&self.runs, places),
            Finder::Own(index) => index.nearest_to_each(&self.points, &self.runs, places),
        };
        places.iter().zip(nearest).map(move |(x, nearest)| self.partner(x, nearest? as usize, limit))
    }

    fn partner(&self, x: &Point3, nearest: usize, limit: f64) -> Option<Surfel> {
        let found = Surfel { at: self.points[nearest], normal: self.normals[nearest] };
        let away = x - found.at;
        let squared = away.norm_squared();
        let height = found.normal.dot(&away);
        let aside = (squared - height * height).max(0.0).sqrt();
        if aside > ASIDE * self.spacing
            && let Finder::Whole(scan) = &self.finder
            && let Geometry::Mesh(_) = scan.geometry()
        {
            // Large facets, whose corners are far away, or the border: a foot there has no outward.
            let foot = scan.foot(x, limit)?;
            return Some(Surfel { at: foot.at, normal: foot.outward.ok()?.try_normalize(0.0)? });
        }
        let inside = squared <= limit * limit
            && aside <= f64::max(BORDER * self.spacing, BORDER_SHARE * squared.sqrt())
            && !self.border.get(nearest).is_some_and(|&b| b)
            && found.normal != Vec3::zeros();
        inside.then_some(found)
    }
}

/// Which vertices lie at a border, or where facets do not fit together.
///
/// Round an inner vertex the facets' next corners are the same as their last ones. Sums of numbers
/// that stand for the corners tell it without a table of edges.
fn borders(mesh: &Mesh) -> Vec<bool> {
    let mut balance = vec![0u64; mesh.vertices.len()];
    for &[a, b, c] in &mesh.facets {
        if [a, b, c].iter().any(|&v| v as usize >= balance.len()) {
            continue;
        }
        for (at, next, last) in [(a, b, c), (b, c, a), (c, a, b)] {
            let sum = &mut balance[at as usize];
            *sum = sum.wrapping_add(scatter(next)).wrapping_sub(scatter(last));
        }
    }
    balance.into_iter().map(|b| b != 0).collect()
}

/// A number without pattern for each id (the finaliser of SplitMix64, from memory).
fn scatter(id: u32) -> u64 {
    let mut x = u64::from(id).wrapping_add(0x9e37_79b9_7f4a_7c15);
    x = (x ^ x >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x = (x ^ x >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    x ^ x >> 31
}

/// The points of a scan that can be placed by: finite, with a normal, along a space-filling curve.
pub(crate) fn usable(scan: &Scan, only: Option<&[u32]>) -> Vec<u32> {
    let good = |&i: &u32| {
        let i = i as usize;
        i < scan.points().len() && scan.normals()[i] != Vec3::zeros() && scan.points()[i].iter().all(|c| c.is_finite())
    };
    match only {
        Some(ids) => {
            let mut ids: Vec<u32> = ids.iter().copied().filter(good).collect();
            ids.sort_unstable();
            ids.dedup();
            ids
        }
        None => match scan.geometry() {
            Geometry::Mesh(mesh) => order::z_order(&mesh.vertices).into_iter().filter(good).collect(),
            Geometry::Cloud(cloud) => (0..cloud.points.len() as u32).filter(good).collect(),
        },
    }
}

/// Which way a normal looks: the axis of its largest component, and the sense where that means something.
fn facing(normal: &Vec3, oriented: bool) -> u64 {
    let axis = normal.iamax();
    axis as u64 * 2 + u64::from(oriented && normal[axis] < 0.0)
}

fn cell(p: &Point3, side: f64) -> u64 {
    let at = |c: f64| ((c / side).floor() as i64 as u64) & ((1 << 20) - 1);
    at(p.x) | at(p.y) << 20 | at(p.z) << 40
}

/// One point of each cube of side `side`, mm.
fn one_a_cell(scan: &Scan, ids: &[u32], side: f64) -> Vec<u32> {
    let cell = |&i: &u32| (cell(&scan.points()[i as usize], side), i);
    let first = |ids: &mut dyn Iterator<Item = (u64, u32)>| -> Vec<(u64, u32)> {
        let mut seen = HashSet::new();
        ids.filter(|(cell, _)| seen.insert(*cell)).collect()
    };
    // Along a space-filling curve few cells reach into more than one portion.
    let portions: Vec<_> = ids.par_chunks(PORTION).map(|ids| first(&mut ids.iter().map(cell))).collect();
    first(&mut portions.into_iter().flatten()).into_iter().map(|(_, i)| i).collect()
}

/// About `wanted` of the points, spread evenly over their surface of `area` (mm²) however dense it is.
pub(crate) fn spread(scan: &Scan, ids: &[u32], area: f64, wanted: usize) -> Vec<u32> {
    if ids.len() <= wanted + wanted / 4 {
        return ids.to_vec();
    }
    // A surface that leans every way cuts half as many cubes again as one that lies along them (Cauchy's
    // formula for the mean shadow, from memory), and rough ones a few more.
    let mut side = (2.0 * area / wanted as f64).sqrt();
    let mut found = Vec::new();
    for _ in 0..4 {
        if !(side > 0.0 && side.is_finite()) {
            return ids.iter().copied().step_by(ids.len().div_ceil(wanted)).collect();
        }
        found = one_a_cell(scan, ids, side);
        let off = found.len() as f64 / wanted as f64;
        if (0.8..1.25).contains(&off) {
            break;
        }
        side *= off.sqrt();
    }
    found
}

/// Bits of surface `side` (mm) apart: the mean of the points in each cube that look the same way.
pub(crate) fn surfels(scan: &Scan, ids: &[u32], side: f64) -> Vec<Surfel> {
    let mut place: HashMap<(u64, u64), usize> = HashMap::new();
    let mut sums: Vec<(Vec3, Vec3, f64)> = Vec::new();
    // Along a space-filling curve points stay in a cell for a while: most need not be looked up.
    let mut last = None;
    for &i in ids {
        let (p, normal) = (scan.points()[i as usize], scan.normals()[i as usize]);
        let key = (cell(&p, side), facing(&normal, scan.oriented()));
        let at = match last {
            Some((last, at)) if last == key => at,
            _ => *place.entry(key).or_insert_with(|| {
                sums.push((Vec3::zeros(), Vec3::zeros(), 0.0));
                sums.len() - 1
            }),
        };
        last = Some((key, at));
        let (position, sum, count) = &mut sums[at];
        *position += p.coords;
        *sum += if sum.dot(&normal) < 0.0 { -normal } else { normal };
        *count += 1.0;
    }
    sums.into_iter()
        .filter_map(|(position, sum, count)| {
            Some(Surfel { at: Point3::from(position / count), normal: sum.try_normalize(0.0)? })
        })
        .collect()
}
