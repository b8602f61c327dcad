//! The signed distance of every point of one scan from another.

use crate::columns::Columns;
use crate::near::{Hint, Near};
use rayon::prelude::*;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use stringline_core::colour::diverging;
use stringline_core::{Explain, Point3, RigidTransform};
use stringline_scan::order::z_order;
use stringline_scan::{Geometry, Scan, Sideless};

/// For more points than this a tree over the facets is worth making: it finds the nearest one sooner than the vertices do.
const FEW: usize = 10_000;

/// Points between two reports of progress, on each core.
const SHARE: usize = 4096;

/// The gap at one point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gap {
    /// The point of the scan that was mapped.
    pub point: u32,
    /// mm; negative where the point lies inside the other scan's material.
    pub gap: f64,
    /// The nearest place on the other scan, mm, in that one's frame.
    pub foot: Point3,
}

/// A point whose gap has no sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unsigned {
    /// The point of the scan that was mapped.
    pub point: u32,
    /// Why.
    pub why: NoSign,
}

/// Why a gap has no sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum NoSign {
    /// It is nearest to a border of the other scan: what is open has no inside.
    Border,
    /// The other scan's facets there disagree on which side is out.
    Facing,
    /// The other scan's surface runs through itself or through another of its parts, and is nearest where it is not the outside.
    Crossing,
    /// The other scan is a cloud without normals of its own.
    NoNormals,
}

impl NoSign {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            NoSign::Border => "nearest to a border",
            NoSign::Facing => "facets disagree on which side is out",
            NoSign::Crossing => "the surface runs through itself",
            NoSign::NoNormals => "no normals",
        }
    }

    /// Of the nearest place of a surface.
    pub fn of(sideless: Sideless) -> NoSign {
        match sideless {
            Sideless::Border => NoSign::Border,
            Sideless::Facing => NoSign::Facing,
            Sideless::NoNormals => NoSign::NoNormals,
        }
    }
}

/// The gaps of all points of a scan.
#[derive(Clone, Debug, PartialEq)]
pub struct GapMap {
    /// One a point, mm: positive outside the other scan's material, negative inside, NaN where its
    /// surface is farther away than the limit.
    pub gaps: Vec<f32>,
    /// The points whose gap has no sign, ids ascending; it stands as positive.
    pub unsigned: Vec<Unsigned>,
    /// How many points have a gap.
    pub within: usize,
    /// The point that comes nearest or lies deepest; of equal ones the first. `None` if none has a gap.
    pub smallest: Option<Gap>,
    /// The point farthest away within the limit.
    pub largest: Option<Gap>,
}

/// How many gaps there are of which size.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Histogram {
    /// Gaps below the range.
    pub below: usize,
    /// One a part, in order.
    pub counts: Vec<usize>,
    /// Those of its upper end and beyond.
    pub above: usize,
}

/// How many gaps lie from `from` up to `to`, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bar {
    /// mm.
    pub from: f64,
    /// mm.
    pub to: f64,
    /// How many points.
    pub points: usize,
}

/// How the gaps spread about zero, mm: the same surface seen twice, once it lies well, spreads as its noise does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Points with a gap.
    pub count: usize,
    /// Mean of the signed gaps.
    pub mean: f64,
    /// Root mean square.
    pub rms: f64,
    /// 95 % of the gaps are this size or smaller.
    pub within_95: f64,
}

impl GapMap {
    /// How the gaps spread; `None` where there is none. Points without a gap are not counted.
    pub fn spread(&self) -> Option<Spread> {
        let gaps = || self.gaps.iter().map(|&g| f64::from(g)).filter(|g| !g.is_nan());
        let mut sizes: Vec<f64> = gaps().map(f64::abs).collect();
        let at = (sizes.len() * 95).div_ceil(100).checked_sub(1)?;
        let count = sizes.len();
        let (_, &mut within_95, _) = sizes.select_nth_unstable_by(at, f64::total_cmp);
        let mean = gaps().sum::<f64>() / count as f64;
        let rms = (gaps().map(|g| g * g).sum::<f64>() / count as f64).sqrt();
        Some(Spread { count, mean, rms, within_95 })
    }

    /// How many gaps lie in each of `parts` equal parts of the range from `from` to `to` (mm; a part holds its lower
    /// end), below it and above it. Points without a gap are not counted.
    pub fn histogram(&self, from: f64, to: f64, parts: usize) -> Histogram {
        let mut histogram = Histogram { below: 0, counts: vec![0; parts], above: 0 };
        for gap in self.gaps.iter().map(|&g| f64::from(g)).filter(|g| !g.is_nan()) {
            let place = (gap - from) / (to - from) * parts as f64;
            match histogram.counts.get_mut(place.max(0.0) as usize) {
                _ if place < 0.0 => histogram.below += 1,
                Some(count) => *count += 1,
                None => histogram.above += 1,
            }
        }
        histogram
    }

    /// The histogram from the smallest gap to the largest in so many bars; none where there is no gap.
    pub fn bars(&self, parts: usize) -> Vec<Bar> {
        let (Some(low), Some(high)) = (&self.smallest, &self.largest) else { return Vec::new() };
        let width = ((high.gap - low.gap) / parts.max(1) as f64).max(1e-9);
        let found = self.histogram(low.gap, low.gap + width * parts as f64, parts);
        let bar = |(i, points): (usize, &usize)| {
            let from = low.gap + width * i as f64;
            // What is at the very ends may round to just beyond.
            let beyond = [if i == 0 { found.below } else { 0 }, if i + 1 == parts { found.above } else { 0 }];
            Bar { from, to: from + width, points: points + beyond[0] + beyond[1] }
        };
        found.counts.iter().enumerate().map(bar).collect()
    }

    /// Why the gap of a point has no sign; `None` where it has one.
    pub fn why_no_sign(&self, point: u32) -> Option<NoSign> {
        let place = self.unsigned.binary_search_by_key(&point, |unsigned| unsigned.point).ok()?;
        self.unsigned.get(place).map(|unsigned| unsigned.why)
    }

    /// How many points have no sign for each reason that occurs.
    pub fn why_unsigned(&self) -> Vec<(NoSign, usize)> {
        let mut counts = BTreeMap::new();
        self.unsigned.iter().for_each(|u| *counts.entry(u.why).or_insert(0) += 1);
        counts.into_iter().collect()
    }

    /// A colour for every point, from that of a gap of −`full` (mm) to that of `full`; grey where there is none
    /// ([`stringline_core::colour::diverging`]). For [`stringline_scan::write::ply_coloured`].
    pub fn colours(&self, full: f64) -> Vec<[u8; 3]> {
        self.gaps.par_iter().map(|&gap| diverging(gap / full as f32)).collect()
    }
}

/// Why there is no map.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum GapError {
    /// A limit that is not a positive length.
    #[error("gaps cannot be looked for up to {limit} mm")]
    Limit {
        /// The limit given, mm.
        limit: f64,
    },
    /// A placement that is not one.
    #[error("the placement of one scan to the other holds a number that is not finite")]
    Placement,
    /// A scan without surface.
    #[error("the scan that gaps were to be measured to is empty")]
    Empty,
    /// Whoever asked for it stopped it.
    #[error("the gap map was stopped before it was done")]
    Stopped,
}

impl Explain for GapError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            GapError::Limit { .. } => "Give a limit of more than 0 mm.",
            GapError::Placement => "Place the scans again.",
            GapError::Empty => "Choose a scan that holds a surface.",
            GapError::Stopped => "Start it again when you need it.",
        }
        .into()
    }
}

/// The gap of every point of `of` from the surface of `against`, up to `limit` (mm), on all cores.
///
/// `against_from_of` takes coordinates of `of` to the frame of `against`. On a mesh the distance is
/// exactly that of the nearest of all facets, and its sign that of the pseudo-normal there; on a
/// cloud it is that of the nearest point's tangent plane ([`Scan::foot`]). Against a closed mesh every sign is
/// also checked by what the mesh encloses, so that facets turned round and surfaces that run through themselves are told
/// ([`GapMap::unsigned`]).
///
/// `go_on` is told now and then which share is done, 0 to 1, from any thread and not quite in order;
/// once it answers false the work stops.
///
/// ```
/// use stringline_clearance::gap_map;
/// use stringline_core::RigidTransform;
/// use stringline_scan::{Geometry, Mesh, Point3, Scan};
///
/// let square = |z: f64| {
///     let corners = [[0.0, 0.0, z], [10.0, 0.0, z], [10.0, 10.0, z], [0.0, 10.0, z]];
///     let facets = vec![[0, 1, 2], [0, 2, 3]];
///     Scan::new(Geometry::Mesh(Mesh { vertices: corners.map(Point3::from).to_vec(), facets }))
/// };
/// let above = RigidTransform::translation(2.0, 3.0, -0.25);
/// let map = gap_map(&square(0.0), &square(0.0), &above, 1.0, |_| true)?;
/// // Of the moved square only one corner lies over the other one, and below it.
/// assert_eq!((map.gaps[0], map.within), (-0.25, 1));
/// # Ok::<(), stringline_clearance::GapError>(())
/// ```
///
/// # Errors
/// A limit or a placement that makes no sense, an empty `against`, or [`GapError::Stopped`].
pub fn gap_map(
    of: &Scan,
    against: &Scan,
    against_from_of: &RigidTransform,
    limit: f64,
    go_on: impl Fn(f32) -> bool + Sync,
) -> Result<GapMap, GapError> {
    if !(limit.is_finite() && limit > 0.0) {
        return Err(GapError::Limit { limit });
    }
    let numbers = against_from_of.translation.vector.iter().chain(against_from_of.rotation.coords.iter());
    if !numbers.copied().all(f64::is_finite) {
        return Err(GapError::Placement);
    }
    if against.points().is_empty() {
        return Err(GapError::Empty);
    }
    let points = of.points();
    let (columns, near) = match against.geometry() {
        Geometry::Mesh(mesh) => {
            rayon::join(|| Columns::new(mesh), || if points.len() > FEW { Near::new(mesh) } else { None })
        }
        Geometry::Cloud(_) => (None, None),
    };
    let foot = |p: &Point3, hint: &mut Hint| match &near {
        None => against.foot(p, limit),
        Some(near) => {
            let facet = near.facet(p, limit, hint)?;
            against.foot_on_facet(p, facet).filter(|foot| foot.distance <= limit)
        }
    };
    // Neighbours one after the other: each finds warm what the last one looked at.
    let order = if near.is_some() { z_order(points) } else { (0..points.len() as u32).collect() };
    let (stopped, done) = (AtomicBool::new(false), AtomicUsize::new(0));
    let parts: Vec<Part> = order
        .par_chunks(SHARE)
        .map(|ids| {
            let mut part = Part::default();
            if stopped.load(Ordering::Relaxed) {
                return part;
            }
            let mut hint = Hint::default();
            for &point in ids {
                let p = against_from_of * points[point as usize];
                let Some(foot) = foot(&p, &mut hint) else { continue };
                let signed = foot.signed(&p).map_err(NoSign::of).and_then(|gap| match &columns {
                    Some(columns) if !columns.agrees(&p, gap < 0.0, gap) && gap != 0.0 => {
                        Err(if columns.oriented() { NoSign::Crossing } else { NoSign::Facing })
                    }
                    _ => Ok(gap),
                });
                if let Err(why) = signed {
                    part.unsigned.push(Unsigned { point, why });
                }
                part.add(Gap { point, gap: signed.unwrap_or(foot.distance), foot: foot.at });
            }
            let done = done.fetch_add(ids.len(), Ordering::Relaxed) + ids.len();
            if !go_on(done as f32 / points.len() as f32) {
                stopped.store(true, Ordering::Relaxed);
            }
            part
        })
        .collect();
    if stopped.into_inner() {
        return Err(GapError::Stopped);
    }
    let mut gaps = vec![f32::NAN; points.len()];
    let mut all = Part::default();
    let mut within = 0;
    for part in parts {
        within += part.gaps.len();
        part.gaps.into_iter().for_each(|(point, gap)| gaps[point as usize] = gap);
        all.unsigned.extend(part.unsigned);
        all.smallest = lesser(all.smallest, part.smallest, 1.0);
        all.largest = lesser(all.largest, part.largest, -1.0);
    }
    let Part { mut unsigned, smallest, largest, .. } = all;
    unsigned.sort_unstable_by_key(|u| u.point);
    Ok(GapMap { gaps, unsigned, within, smallest, largest })
}

/// What is known of one share of the points.
#[derive(Default)]
struct Part {
    gaps: Vec<(u32, f32)>,
    unsigned: Vec<Unsigned>,
    smallest: Option<Gap>,
    largest: Option<Gap>,
}

impl Part {
    fn add(&mut self, found: Gap) {
        self.gaps.push((found.point, found.gap as f32));
        self.smallest = lesser(self.smallest, Some(found), 1.0);
        self.largest = lesser(self.largest, Some(found), -1.0);
    }
}

/// The one with the lesser gap times `sign`; of equal ones that of the lowest point.
fn lesser(first: Option<Gap>, second: Option<Gap>, sign: f64) -> Option<Gap> {
    match (first, second) {
        (Some(a), Some(b)) => {
            let nearer = sign * b.gap < sign * a.gap || (b.gap == a.gap && b.point < a.point);
            Some(if nearer { b } else { a })
        }
        (a, b) => a.or(b),
    }
}
