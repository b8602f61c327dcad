//! The brush: a dab touches a scan and takes the surface around it.
//!
//! A dab selects, of the points within its radius that face where it was seen from, those that
//! hang together with the touched one along the surface. What lies behind a thin wall faces away;
//! what faces the viewer across a gap hangs together with nothing touched. Nothing depends on
//! chance or on the number of threads, so a job replays to the same ids.

use crate::geometry::Geometry;
use crate::scan::Scan;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use stringline_core::{Explain, Point3, UnitVec3, Vec3};

/// A surface turned more than 80° from the viewer is not seen well enough to be painted
/// (the cosine). Noise tilts normals by some degrees: at 90° the choice would be a coin's.
const FACING: f64 = 0.173_648;

/// The touched surface's own normal is averaged over this many spacings.
const TOUCH_SPACINGS: f64 = 3.0;

/// One touch of the brush, as it stands in a job file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Dab {
    /// Where the brush touched, in the scan's frame, mm: on the surface or near it.
    #[schemars(with = "[f64; 3]")]
    pub centre: Point3,
    /// mm, more than zero.
    pub radius: f64,
    /// Unit direction from the surface towards the eye; other lengths are brought to one.
    /// Without it the touched surface's own normal is taken.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(with = "Option<[f64; 3]>")]
    pub seen_from: Option<UnitVec3>,
    /// Whether the dab takes its surface away from the patch instead of adding it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub wipe: bool,
}

impl Dab {
    /// A dab that adds the surface around `centre`, seen along its own normal.
    pub fn new(centre: Point3, radius: f64) -> Dab {
        Dab { centre, radius, seen_from: None, wipe: false }
    }
}

/// Painted points of one scan.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Patch {
    /// Vertices or points, in order of id.
    pub points: Vec<u32>,
    /// The facets all of whose corners are painted, in order of id; none for a cloud.
    pub facets: Vec<u32>,
}

/// Why a dab cannot be painted. Dabs are counted from 1.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum PaintError {
    /// The scan holds no points.
    #[error("the scan is empty: there is nothing to paint on")]
    EmptyScan,
    /// A coordinate, the radius or the view direction is infinite, not a number, or a direction of no length.
    #[error("dab {dab} has a centre, radius or view direction that is not a finite number")]
    NotFinite {
        /// Which dab.
        dab: usize,
    },
    /// The radius is zero or negative.
    #[error("dab {dab} has a radius of {radius} mm")]
    Radius {
        /// Which dab.
        dab: usize,
        /// What it says, mm.
        radius: f64,
    },
    /// No scanned point lies within the radius.
    #[error("the nearest surface is {distance:.1} mm away from dab {dab} at ({:.2}, {:.2}, {:.2}), beyond its radius of {radius} mm", at.x, at.y, at.z)]
    OutOfReach {
        /// Which dab.
        dab: usize,
        /// Its centre, mm.
        at: Point3,
        /// Its radius, mm.
        radius: f64,
        /// From the centre to the nearest point, mm.
        distance: f64,
    },
    /// There is surface within the radius, but none of it faces where the dab was seen from.
    #[error("no surface within {radius} mm of dab {dab} at ({:.2}, {:.2}, {:.2}) faces where it was seen from", at.x, at.y, at.z)]
    FacesAway {
        /// Which dab.
        dab: usize,
        /// Its centre, mm.
        at: Point3,
        /// Its radius, mm.
        radius: f64,
    },
}

impl Explain for PaintError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            PaintError::EmptyScan => "Check that this is the right file and that it was exported whole.",
            PaintError::NotFinite { .. } => "Give every coordinate and the radius as ordinary numbers in millimetres.",
            PaintError::Radius { .. } => "Give a radius of more than 0 mm.",
            PaintError::OutOfReach { .. } => "Give a point on the surface or a larger radius, and check the unit of the scan.",
            PaintError::FacesAway { .. } => "Leave the view direction out to take the surface as it lies, or turn it towards the outside of the material.",
        }
        .into()
    }
}

impl Scan {
    /// Resolves dabs to the points they select, in the order given: a later dab wins.
    ///
    /// A dab touches the nearest point that faces the viewer (any, without a view) and selects
    /// all points within its radius that hang together with the touched one along the surface
    /// and are turned less than 80° from the view. On a mesh points hang together along facets'
    /// edges; on a cloud as [`Scan::neighbours`] says, and if the scan is not
    /// [oriented](Scan::oriented) a normal faces both ways.
    ///
    /// # Errors
    /// A dab that makes no sense or touches nothing; a dab that wipes must touch too.
    pub fn paint(&self, dabs: &[Dab]) -> Result<Patch, PaintError> {
        let mut painted = Marks::new(self.points().len());
        for (i, dab) in dabs.iter().enumerate() {
            for point in self.touch(dab, i + 1)? {
                painted.set(point, !dab.wipe);
            }
        }
        Ok(self.patch(painted.ids()))
    }

    /// The patch of given points, with the facets all of whose corners are among them.
    /// Ids that are not in this scan are left out.
    pub fn patch(&self, mut points: Vec<u32>) -> Patch {
        points.retain(|&p| (p as usize) < self.points().len());
        points.sort_unstable();
        points.dedup();
        let mut painted = Marks::new(self.points().len());
        points.iter().for_each(|&p| painted.set(p, true));
        let mut facets = Vec::new();
        if let (Geometry::Mesh(mesh), Some(rings)) = (self.geometry(), self.rings()) {
            for &point in &points {
                // A facet is counted at its lowest corner.
                facets.extend(rings.facets_at(point).iter().filter(|&&f| {
                    let corners = mesh.facets[f as usize];
                    corners.iter().all(|&v| v >= point && painted.get(v))
                }));
            }
            facets.sort_unstable();
            facets.dedup();
        }
        Patch { points, facets }
    }

    /// The points one dab selects, in no particular order.
    fn touch(&self, dab: &Dab, number: usize) -> Result<Vec<u32>, PaintError> {
        let view = match &dab.seen_from {
            // A direction read from a file may have any length.
            Some(view) => Some(view.try_normalize(0.0).ok_or(PaintError::NotFinite { dab: number })?),
            None => None,
        };
        let numbers = dab.centre.iter().chain([&dab.radius]).chain(view.iter().flatten());
        if !numbers.copied().all(f64::is_finite) {
            return Err(PaintError::NotFinite { dab: number });
        }
        let (at, radius) = (dab.centre, dab.radius);
        if radius <= 0.0 {
            return Err(PaintError::Radius { dab: number, radius });
        }

        let mut candidates = self.within(&at, radius);
        // A vertex that no facet uses is not on the surface.
        candidates.retain(|&i| self.rings().is_none() || self.normals()[i as usize] != Vec3::zeros());
        if candidates.is_empty() {
            let nearest = self.nearest(&at).ok_or(PaintError::EmptyScan)?;
            let distance = (self.points()[nearest as usize] - at).norm();
            return Err(PaintError::OutOfReach { dab: number, at, radius, distance });
        }
        if let Some(view) = view {
            candidates.retain(|&i| self.faces(i, &view));
        }
        let distance = |i: u32| (self.points()[i as usize] - at).norm_squared();
        let touched = candidates
            .iter()
            .copied()
            .min_by(|&i, &j| distance(i).total_cmp(&distance(j)).then(i.cmp(&j)))
            .ok_or(PaintError::FacesAway { dab: number, at, radius })?;
        // No view of a surface without a normal: then the neighbourhood alone decides.
        let view = match view {
            Some(view) => view,
            None => self.own_view(touched, &candidates).unwrap_or_else(Vec3::zeros),
        };
        if view != Vec3::zeros() {
            candidates.retain(|&i| i == touched || self.faces(i, &view));
        }
        Ok(self.connected(touched, &candidates, &view))
    }

    /// Whether a point's surface is turned towards `view`.
    fn faces(&self, point: u32, view: &Vec3) -> bool {
        let normal = self.normals()[point as usize];
        let cosine = normal.dot(view);
        let cosine = if self.oriented() { cosine } else { cosine.abs() };
        cosine > FACING || normal == Vec3::zeros()
    }

    /// The mean normal about the touched point, of the candidates that agree with it.
    fn own_view(&self, touched: u32, candidates: &[u32]) -> Option<Vec3> {
        let (centre, normal) = (self.points()[touched as usize], self.normals()[touched as usize]);
        let reach = TOUCH_SPACINGS * self.spacing();
        let mut sum = Vec3::zeros();
        for &i in candidates {
            if (self.points()[i as usize] - centre).norm_squared() <= reach * reach {
                let other = self.normals()[i as usize];
                let turn = normal.dot(&other);
                if turn > 0.5 {
                    sum += other;
                } else if turn < -0.5 && !self.oriented() {
                    sum -= other;
                }
            }
        }
        sum.try_normalize(0.0)
    }

    /// The candidates that hang together with `seed`, itself one of them.
    fn connected(&self, seed: u32, candidates: &[u32], view: &Vec3) -> Vec<u32> {
        match (self.geometry(), self.rings()) {
            (Geometry::Mesh(mesh), Some(rings)) => {
                let mut open = Marks::new(self.points().len());
                for &i in candidates {
                    open.set(i, true);
                }
                open.set(seed, false);
                let mut found = vec![seed];
                let mut next = 0;
                while let Some(&point) = found.get(next) {
                    next += 1;
                    for &facet in rings.facets_at(point) {
                        for v in mesh.facets[facet as usize] {
                            if open.get(v) {
                                open.set(v, false);
                                found.push(v);
                            }
                        }
                    }
                }
                found
            }
            _ => {
                let mut open = Cells::new(self, candidates);
                open.take(|i| i == seed, &self.points()[seed as usize], &mut Vec::new());
                let mut found = vec![seed];
                // Normals whose sign means nothing take it from the point they were reached from,
                // so that going round the edge of a fin leads to a side that faces away.
                let signed = |point: u32, before: &Vec3| {
                    let normal = self.normals()[point as usize];
                    if self.oriented() || normal.dot(before) >= 0.0 { normal } else { -normal }
                };
                let mut normals = vec![signed(seed, view)];
                let mut next = 0;
                while let Some(&point) = found.get(next) {
                    let normal = normals[next];
                    next += 1;
                    let take = |other| {
                        let turned_away = !self.oriented() && signed(other, &normal).dot(view) < 0.0;
                        self.linked(point, other) && !turned_away
                    };
                    open.take(take, &self.points()[point as usize], &mut found);
                    normals.extend(found[normals.len()..].iter().map(|&other| signed(other, &normal)));
                }
                found
            }
        }
    }
}

/// One bit a point.
struct Marks(Vec<u64>);

impl Marks {
    fn new(points: usize) -> Marks {
        Marks(vec![0; points.div_ceil(64)])
    }

    fn get(&self, i: u32) -> bool {
        self.0[i as usize / 64] >> (i % 64) & 1 == 1
    }

    fn set(&mut self, i: u32, mark: bool) {
        let word = &mut self.0[i as usize / 64];
        *word = *word & !(1 << (i % 64)) | u64::from(mark) << (i % 64);
    }

    fn ids(&self) -> Vec<u32> {
        let mut ids = Vec::new();
        for (i, &word) in self.0.iter().enumerate() {
            let mut rest = word;
            while rest != 0 {
                ids.push(i as u32 * 64 + rest.trailing_zeros());
                rest &= rest - 1;
            }
        }
        ids
    }
}

/// Points of a cloud not yet visited, in a box of cells no smaller than a link between
/// neighbours, so that those of any point are in its own and the 26 around it. Visited
/// points leave, which keeps a flood linear however dense the cloud.
struct Cells {
    low: Point3,
    side: f64,
    /// Cells along each axis.
    size: [usize; 3],
    /// Where each cell's points begin and end in `points`.
    range: Vec<(u32, u32)>,
    points: Vec<u32>,
}

impl Cells {
    fn new(scan: &Scan, candidates: &[u32]) -> Cells {
        let position = |i: &u32| scan.points()[*i as usize];
        let start = candidates.first().map_or(Point3::origin(), position);
        let (low, high) =
            candidates.iter().map(position).fold((start, start), |(low, high), p| (low.inf(&p), high.sup(&p)));
        // Few cells beside the points, whatever the spacing.
        let most = (8.0 * candidates.len() as f64).cbrt().ceil().max(1.0);
        let side = scan.link().max((high - low).max() / most).max(f64::MIN_POSITIVE);
        let size = [0, 1, 2].map(|k| ((high[k] - low[k]) / side) as usize + 1);
        let mut cells =
            Cells { low, side, size, range: vec![(0, 0); size.iter().product()], points: vec![0; candidates.len()] };
        // Counting sort into the cells.
        for i in candidates {
            let number = cells.number(cells.cell_of(&position(i)));
            cells.range[number].1 += 1;
        }
        let mut end = 0;
        for range in &mut cells.range {
            end += range.1;
            *range = (end - range.1, end - range.1);
        }
        for i in candidates {
            let number = cells.number(cells.cell_of(&position(i)));
            let range = &mut cells.range[number];
            cells.points[range.1 as usize] = *i;
            range.1 += 1;
        }
        cells
    }

    fn cell_of(&self, p: &Point3) -> [usize; 3] {
        [0, 1, 2].map(|k| (((p[k] - self.low[k]) / self.side) as usize).min(self.size[k] - 1))
    }

    fn number(&self, [x, y, z]: [usize; 3]) -> usize {
        (z * self.size[1] + y) * self.size[0] + x
    }

    /// Moves the points about `p` that `take` to `taken`.
    fn take(&mut self, take: impl Fn(u32) -> bool, p: &Point3, taken: &mut Vec<u32>) {
        let cell = self.cell_of(p);
        let [xs, ys, zs] = [0, 1, 2].map(|k| cell[k].saturating_sub(1)..=(cell[k] + 1).min(self.size[k] - 1));
        for z in zs {
            for y in ys.clone() {
                for x in xs.clone() {
                    let number = self.number([x, y, z]);
                    let (begin, mut end) = self.range[number];
                    let mut i = begin;
                    while i < end {
                        let point = self.points[i as usize];
                        if take(point) {
                            taken.push(point);
                            end -= 1;
                            self.points[i as usize] = self.points[end as usize];
                        } else {
                            i += 1;
                        }
                    }
                    self.range[number].1 = end;
                }
            }
        }
    }
}
