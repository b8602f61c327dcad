//! A wheel from a scanned one: its axis, and the outline that all its points fill when they turn about it.
//!
//! The normal line of any point of a surface of revolution meets the axis. With the axis as the line (d, m),
//! m = c × d, and the normal line (n, p × n), that is n·m + (p × n)·d = 0: homogeneous and linear in (d, m). Its
//! least squares with |d| = 1 are an eigenvalue problem of 6 × 6 (H. Pottmann and T. Randrup, *Rotational and
//! helical surface approximation for reverse engineering*, Computing 60 (1998) 307). Spokes, lettering and
//! whatever else is not round are weighted down by how far their normals pass from the axis.
//!
//! The outline is that of the cells of a grid in the half plane of radius and axis that the facets fill.

use crate::profile::{Piece, Place, Profile};
use crate::revolve::flatten;
use crate::wheel::{Wheel, WheelError};
use nalgebra::{Matrix3, SMatrix, SVector, SymmetricEigen};
use std::collections::BTreeMap;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};
use stringline_scan::{Geometry, Scan};

/// Points that decide the axis.
const SAMPLE: usize = 40_000;

/// Rounds of weighting.
const ROUNDS: usize = 30;

/// Normals that pass farther from the axis than so many times the usual count for nothing (Tukey's weight).
const TUKEY: f64 = 4.685;

/// A median deviation times this is a standard deviation of normal scatter.
const MEDIAN: f64 = 1.4826;

/// By how many cells an outline may lie beyond the surface: two along their diagonal, and what simplifying it takes.
const EXCESS: f64 = 3.4;

/// A wheel made from a scan.
#[derive(Clone, Debug)]
pub struct Moulded {
    /// The wheel.
    pub wheel: Wheel,
    /// Takes coordinates of the scan to the wheel's frame: its y axis is the axis found, with its largest component
    /// positive, and its origin the middle of the scan along it.
    pub wheel_from_scan: RigidTransform,
    /// How far a usual normal passes from the axis, mm (median): what the axis rests on.
    pub scatter: f64,
    /// How far the outline may lie beyond the scanned surface, mm: never within it.
    pub excess: f64,
}

impl Wheel {
    /// A wheel from a scan of one: fits its axis and turns what was scanned about it. `cell` (mm) is the fineness of
    /// the outline, which lies outside all facets by up to 3.4 of it and nowhere within.
    ///
    /// Whatever was scanned sweeps round: a hub that was left in the wheel fills the hollow. What was not scanned is
    /// open. Clouds are taken as points a cell in size.
    ///
    /// # Errors
    /// A scan without surface or that has no one axis (a ball, a plane, a bare cylinder's end); a cell that makes no
    /// sense or is too fine (more than 40 million cells).
    pub fn from_scan(scan: &Scan, cell: f64) -> Result<Moulded, WheelError> {
        if !(cell.is_finite() && cell > 0.0) {
            return Err(WheelError::Size { what: "a cell", value: cell });
        }
        let (axis, scatter) = axis(scan)?;
        let (point, direction) = axis;
        // y along the axis.
        let (u, v) = frame_about(&direction);
        let rows = Matrix3::from_rows(&[v.transpose(), direction.transpose(), u.transpose()]);
        let rotation = nalgebra::Rotation3::from_matrix_unchecked(rows);
        let turned = |p: &Point3| rotation * (p - point);
        let along = || scan.points().iter().map(|p| turned(p).y);
        let (low, high) = (along().fold(f64::INFINITY, f64::min), along().fold(f64::NEG_INFINITY, f64::max));
        let middle = 0.5 * (low + high);
        let wheel_from_scan = RigidTransform::from_parts(
            (rotation * -point.coords - Vec3::y() * middle).into(),
            nalgebra::UnitQuaternion::from_rotation_matrix(&rotation),
        );
        let wheel = Wheel::of(outline(scan, &wheel_from_scan, cell)?);
        Ok(Moulded { wheel, wheel_from_scan, scatter, excess: EXCESS * cell })
    }
}

/// The axis, and the median distance at which normals pass it.
fn axis(scan: &Scan) -> Result<((Point3, UnitVec3), f64), WheelError> {
    let (points, normals) = (scan.points(), scan.normals());
    let stride = points.len().div_ceil(SAMPLE).max(1);
    let lines: Vec<(Vec3, Vec3)> = points
        .iter()
        .zip(normals)
        .step_by(stride)
        .filter(|(_, n)| **n != Vec3::zeros())
        .map(|(p, n)| (p.coords, *n))
        .collect();
    if lines.len() < 100 {
        return Err(WheelError::Axis { points: lines.len() });
    }
    let none = || WheelError::Axis { points: lines.len() };
    let centre = lines.iter().map(|l| l.0).sum::<Vec3>() / lines.len() as f64;
    let size = lines.iter().map(|l| (l.0 - centre).norm()).fold(0.0, f64::max);
    // Scaled, so that both halves of the unknown weigh alike.
    let lines: Vec<SVector<f64, 6>> = lines
        .iter()
        .map(|(p, n)| {
            let moment = ((p - centre) / size).cross(n);
            SVector::<f64, 6>::from_iterator(moment.iter().chain(n.iter()).copied())
        })
        .collect();
    let mut weights = vec![1.0; lines.len()];
    let mut found = None;
    for _ in 0..ROUNDS {
        let mut sum = SMatrix::<f64, 6, 6>::zeros();
        for (line, &w) in lines.iter().zip(&weights) {
            sum.ger(w, line, line, 1.0);
        }
        // min |d|=1 of x'Sx: m eliminated, then the least eigenvector of what is left for d.
        let (dd, dm) = (sum.fixed_view::<3, 3>(0, 0).into_owned(), sum.fixed_view::<3, 3>(0, 3).into_owned());
        let mm = sum.fixed_view::<3, 3>(3, 3).into_owned();
        // Normals in two directions at least, else the axis may lie anywhere; those of a plain tube are in no more.
        let total = mm.trace();
        let mut spread: [f64; 3] = mm.symmetric_eigenvalues().into();
        spread.sort_unstable_by(f64::total_cmp);
        if !(spread[1] > 1e-6 * total) {
            return Err(none());
        }
        let inverse = (mm + Matrix3::identity() * (1e-9 * total)).try_inverse().ok_or_else(none)?;
        let left = SymmetricEigen::new(dd - dm * inverse * dm.transpose());
        let order = left.eigenvalues.map(|x| x.max(0.0));
        let least = order.imin();
        let second = (0..3).filter(|&i| i != least).map(|i| order[i]).fold(f64::INFINITY, f64::min);
        // Two directions that serve alike: a ball, a plane.
        if second <= 1e-6 * weights.iter().sum::<f64>() || order[least] > 0.5 * second {
            return Err(none());
        }
        let d: Vec3 = left.eigenvectors.column(least).into_owned();
        let m: Vec3 = -(inverse * dm.transpose() * d);
        // A line's moment is square to it.
        let m = m - d * d.dot(&m);
        let offs: Vec<f64> = lines
            .iter()
            .map(|l| {
                let (moment, n) = (Vec3::new(l[0], l[1], l[2]), Vec3::new(l[3], l[4], l[5]));
                // Over the sine between them: the distance of the two lines.
                (n.dot(&m) + moment.dot(&d)) / n.cross(&d).norm().max(0.05)
            })
            .collect();
        let mut sorted: Vec<f64> = offs.iter().map(|o| o.abs()).collect();
        sorted.sort_unstable_by(f64::total_cmp);
        let median = sorted[sorted.len() / 2];
        let reach = (TUKEY * MEDIAN * median).max(1e-9);
        for (w, off) in weights.iter_mut().zip(&offs) {
            let t = off / reach;
            *w = if t.abs() < 1.0 { (1.0 - t * t).powi(2) } else { 0.0 };
        }
        found = Some((d, m, median * size));
    }
    let (d, m, scatter) = found.ok_or_else(none)?;
    // Its sense: the largest component positive.
    let (d, m) = if d[d.iamax()] < 0.0 { (-d, -m) } else { (d, m) };
    let point = Point3::from(centre + d.cross(&m) * size);
    Ok(((point, UnitVec3::new_normalize(d)), scatter))
}

/// The outline of the cells that the scan fills.
fn outline(scan: &Scan, wheel_from_scan: &RigidTransform, cell: f64) -> Result<Profile, WheelError> {
    let flat: Vec<Place> = scan.points().iter().map(|p| flatten(&(wheel_from_scan * p).coords)).collect();
    let far = flat.iter().map(|p| p.x).fold(0.0, f64::max);
    let (low, high) = flat.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |s, p| (s.0.min(p.y), s.1.max(p.y)));
    // Two cells more on every side.
    let (columns, rows) = ((far / cell) as usize + 3, ((high - low) / cell) as usize + 5);
    if !(far.is_finite() && low.is_finite()) || columns.saturating_mul(rows) > 40_000_000 {
        return Err(WheelError::Size { what: "a cell", value: cell });
    }
    let mut filled = vec![false; columns * rows];
    let mut fill = |p: &Place| {
        let (i, j) = ((p.x / cell) as usize, ((p.y - low) / cell) as usize + 2);
        filled[j * columns + i] = true;
    };
    match scan.geometry() {
        Geometry::Cloud(_) => flat.iter().for_each(&mut fill),
        Geometry::Mesh(mesh) => {
            let mut parts = Vec::new();
            for facet in 0..mesh.facets.len() as u32 {
                let [a, b, c] = mesh.corners(facet).map(|p| wheel_from_scan * p);
                parts.push([a.coords, b.coords, c.coords]);
                // Divided until every point's place is within half a cell of a corner's.
                while let Some(t) = parts.pop() {
                    let places = t.map(|p| flatten(&p));
                    let edge = |i: usize| (t[(i + 1) % 3] - t[i]).norm();
                    let flat = |i: usize| (places[(i + 1) % 3] - places[i]).norm();
                    let long = edge(0).max(edge(1)).max(edge(2));
                    let wide = flat(0).max(flat(1)).max(flat(2));
                    let least = places.iter().map(|p| p.x).fold(f64::INFINITY, f64::min) - long;
                    let bend = if least > 0.0 { long.min(long * long / (6.0 * least)) } else { long };
                    if wide + bend <= 0.5 * cell {
                        places.iter().for_each(&mut fill);
                        continue;
                    }
                    // What makes it large: its places, or that it bends.
                    let size = |i: usize| if wide > bend { flat(i) } else { edge(i) };
                    let i = (0..3).max_by(|&i, &j| size(i).total_cmp(&size(j))).unwrap_or(0);
                    let (a, b, c) = (t[i], t[(i + 1) % 3], t[(i + 2) % 3]);
                    let m = (a + b) * 0.5;
                    parts.extend([[a, m, c], [m, b, c]]);
                }
            }
        }
    }
    // A cell next to a filled one is filled too: what is between the points stays inside, and small holes close.
    let at = |filled: &[bool], i: isize, j: isize| {
        i >= 0 && j >= 0 && (i as usize) < columns && (j as usize) < rows && filled[j as usize * columns + i as usize]
    };
    let around = || (-1isize..=1).flat_map(|x| (-1isize..=1).map(move |y| (x, y)));
    let wide: Vec<bool> = (0..columns * rows)
        .map(|k| {
            let (i, j) = ((k % columns) as isize, (k / columns) as isize);
            around().any(|(x, y)| at(&filled, i + x, j + y))
        })
        .collect();
    // The edges between filled and empty cells, as steps between corners, the filled one on the left.
    let mut steps: BTreeMap<(usize, usize), Vec<(usize, usize)>> = BTreeMap::new();
    for j in 0..rows {
        for i in (0..columns).filter(|i| wide[j * columns + i]) {
            let (x, y) = (i as isize, j as isize);
            if !at(&wide, x, y - 1) {
                steps.entry((i, j)).or_default().push((i + 1, j));
            }
            if !at(&wide, x + 1, y) {
                steps.entry((i + 1, j)).or_default().push((i + 1, j + 1));
            }
            if !at(&wide, x, y + 1) {
                steps.entry((i + 1, j + 1)).or_default().push((i, j + 1));
            }
            if i > 0 && !at(&wide, x - 1, y) {
                steps.entry((i, j + 1)).or_default().push((i, j));
            }
        }
    }
    let place = |(i, j): (usize, usize)| Place::new(i as f64 * cell, low + (j as f64 - 2.0) * cell);
    let mut pieces = Vec::new();
    while let Some(start) = steps.keys().next().copied() {
        // What ends at the axis begins there.
        let mut chain = vec![start];
        let mut here = start;
        while let Some(list) = steps.get_mut(&here) {
            let next = list.pop();
            if list.is_empty() {
                steps.remove(&here);
            }
            let Some(next) = next else { break };
            chain.push(next);
            here = next;
        }
        let corners: Vec<Place> = chain.into_iter().map(place).collect();
        let kept = simplified(&corners, 0.5 * cell);
        pieces.extend(kept.windows(2).map(|w| Piece { from: w[0], to: w[1] }));
    }
    if pieces.is_empty() {
        return Err(WheelError::Outline { count: 0 });
    }
    Ok(Profile::new(pieces))
}

/// A chain with fewer corners, off by no more than `off` (D. H. Douglas and T. K. Peucker, Cartographica 10 (1973)
/// 112).
fn simplified(chain: &[Place], off: f64) -> Vec<Place> {
    let mut keep = vec![false; chain.len()];
    let last = chain.len() - 1;
    (keep[0], keep[last]) = (true, true);
    // A closed one is parted where it is farthest from its start.
    let mut open = vec![(0, last)];
    while let Some((from, to)) = open.pop() {
        let piece = Piece { from: chain[from], to: chain[to] };
        let far = |i: usize| (chain[i] - piece.foot(&chain[i])).norm();
        let Some(worst) = (from + 1..to).max_by(|&a, &b| far(a).total_cmp(&far(b))) else { continue };
        if far(worst) > off {
            keep[worst] = true;
            open.extend([(from, worst), (worst, to)]);
        }
    }
    chain.iter().zip(&keep).filter(|(_, k)| **k).map(|(p, _)| *p).collect()
}
