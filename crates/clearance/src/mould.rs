//! A wheel from a scanned one: its axis, and the outline that all its points fill when they turn about it.
//!
//! The normal line of any point of a surface of revolution meets the axis. With the axis as the line (d, m),
//! m = c × d, and the normal line (n, p × n), that is n·m + (p × n)·d = 0: homogeneous and linear in (d, m). Its
//! least squares with |d| = 1 are an eigenvalue problem of 6 × 6 (H. Pottmann and T. Randrup, *Rotational and
//! helical surface approximation for reverse engineering*, Computing 60 (1998) 307). Spokes, lettering and
//! whatever else is not round are weighted down by how far their normals pass from the axis.
//!
//! The outline is that of the cells of a grid in the half plane of radius and axis that the facets fill.

use crate::profile::{Piece, Place, Profile, Step};
use crate::revolve::flatten;
use crate::triangle::Triangle;
use crate::wheel::{Wheel, WheelError};
use nalgebra::{Matrix3, Matrix4, SMatrix, SVector, SymmetricEigen, Vector4};
use rayon::prelude::*;
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

/// Rounds in which the axis is refined.
const REFINED: usize = 8;

/// Points that share a place of the outline lie in one square of this, mm, and face alike within so much, rad.
const PLACE: f64 = 3.0;
const FACING: f64 = std::f64::consts::PI / 12.0;

/// Cells in which an outline is looked for.
const MOST: usize = 40_000_000;

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
        let (first, scatter) = axis(scan)?;
        let (point, direction) = refined(scan, first);
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
        let wide = spread[1] > 1e-6 * total;
        if !wide {
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

/// The axis again, from where the points are and not only from how their facets face: of a scan of 0.03 mm scatter the
/// normals tell it to some hundredths of a millimetre, the points to some thousandths.
///
/// Points that share a place (r, y) of the outline and face alike lie on one line of it, N·(r, y) = e, whatever their angle φ
/// round the axis. With the axis off by (a, b) and tilted by (α, β) along two directions square to it, e changes
/// round the axis by −N_r (a cos φ + b sin φ) − (N_r y − N_y r)(α cos φ + β sin φ): least squares of these four, each place with
/// an e of its own, weighted against what is not round.
fn refined(scan: &Scan, (mut point, mut direction): (Point3, UnitVec3)) -> (Point3, UnitVec3) {
    let stride = scan.points().len().div_ceil(SAMPLE).max(1);
    let sample: Vec<(&Point3, &Vec3)> = scan.points().iter().zip(scan.normals()).step_by(stride).collect();
    for _ in 0..REFINED {
        let (u, v) = frame_about(&direction);
        let mut places: BTreeMap<[i64; 3], Vec<Round>> = BTreeMap::new();
        for (p, n) in &sample {
            let q = *p - point;
            let (x, z, y) = (q.dot(&u), q.dot(&v), q.dot(&direction));
            let r = (x * x + z * z).sqrt();
            let (cos, sin) = (x / r, z / r);
            let facing = Step::new(n.dot(&u) * cos + n.dot(&v) * sin, n.dot(&direction));
            // On the axis, or facing round it.
            if !(r > PLACE && facing.norm() > 0.5) {
                continue;
            }
            let turn = facing.y.atan2(facing.x);
            let key = [r / PLACE, y / PLACE, turn / FACING].map(|k| k.floor() as i64);
            places.entry(key).or_default().push(Round { at: Step::new(r, y), facing: facing.normalize(), cos, sin });
        }
        // Each with its place's mean taken away: residuals, and what they change by.
        let mut rows: Vec<(f64, Vector4<f64>)> = Vec::with_capacity(sample.len());
        for all in places.values().filter(|all| all.len() >= 8) {
            let n = all.iter().map(|p| p.facing).sum::<Step>().normalize();
            let row = |p: &Round| {
                let lever = n.x * p.at.y - n.y * p.at.x;
                (n.dot(&p.at), Vector4::new(n.x * p.cos, n.x * p.sin, lever * p.cos, lever * p.sin))
            };
            let mut mean = (0.0, Vector4::zeros());
            all.iter().map(row).for_each(|(e, c)| mean = (mean.0 + e, mean.1 + c));
            let share = 1.0 / all.len() as f64;
            rows.extend(all.iter().map(row).map(|(e, c)| (e - mean.0 * share, c - mean.1 * share)));
        }
        let mut sizes: Vec<f64> = rows.iter().map(|(e, _)| e.abs()).collect();
        sizes.sort_unstable_by(f64::total_cmp);
        let Some(median) = sizes.get(sizes.len() / 2) else { break };
        let reach = (TUKEY * MEDIAN * median).max(1e-9);
        let (mut normal, mut right) = (Matrix4::zeros(), Vector4::zeros());
        for (e, c) in rows.iter().filter(|(e, _)| e.abs() < reach) {
            let w = (1.0 - (e / reach).powi(2)).powi(2);
            normal.ger(w, c, c, 1.0);
            right += c * (w * e);
        }
        let Some(step) = normal.cholesky().map(|c| c.solve(&right)) else { break };
        point += u * step[0] + v * step[1];
        direction = UnitVec3::new_normalize(direction.into_inner() + u * step[2] + v * step[3]);
    }
    (point, direction)
}

/// A point as [`refined`] sees it.
struct Round {
    at: Step,
    facing: Step,
    cos: f64,
    sin: f64,
}

/// Cells in the half plane of radius and axis.
struct Cells {
    size: f64,
    /// The lowest coordinate along the axis, and the row it lies in.
    low: f64,
    columns: usize,
    rows: usize,
    filled: Vec<bool>,
}

impl Cells {
    /// Empty rows on either side.
    const SPARE: usize = 2;

    fn new(places: &[Place], size: f64) -> Result<Cells, WheelError> {
        let far = places.iter().map(|p| p.x).fold(0.0, f64::max);
        let (low, high) = places.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |s, p| (s.0.min(p.y), s.1.max(p.y)));
        let (columns, rows) = ((far / size) as usize + 3, ((high - low) / size) as usize + 1 + 2 * Cells::SPARE);
        if !(far.is_finite() && low.is_finite()) || columns.saturating_mul(rows) > MOST {
            return Err(WheelError::Size { what: "a cell", value: size });
        }
        Ok(Cells { size, low, columns, rows, filled: vec![false; columns * rows] })
    }

    fn row(&self, y: f64) -> usize {
        (((y - self.low) / self.size).max(0.0) as usize + Cells::SPARE).min(self.rows - 1)
    }

    fn column(&self, r: f64) -> usize {
        ((r / self.size).max(0.0) as usize).min(self.columns - 1)
    }

    /// Fills all cells that a flat triangle passes through.
    fn fill(&mut self, t: &[Place; 3]) {
        let [first, last] = [f64::min as fn(f64, f64) -> f64, f64::max].map(|f| self.row(f(t[0].y, f(t[1].y, t[2].y))));
        for row in first..=last {
            let below = self.low + (row as f64 - Cells::SPARE as f64) * self.size;
            let (mut left, mut right) = (f64::INFINITY, f64::NEG_INFINITY);
            for i in 0..3 {
                let (a, b) = (t[i], t[(i + 1) % 3]);
                let (a, b) = if a.y <= b.y { (a, b) } else { (b, a) };
                // What of the edge lies in this row; at its ends rounding must lose nothing.
                let slack = 1e-9 * self.size;
                if b.y < below - slack || a.y > below + self.size + slack {
                    continue;
                }
                for y in [below.max(a.y), (below + self.size).min(b.y)] {
                    let s = if b.y > a.y { ((y - a.y) / (b.y - a.y)).clamp(0.0, 1.0) } else { 0.0 };
                    let x = a.x + (b.x - a.x) * s;
                    (left, right) = (left.min(x), right.max(x));
                }
                if a.y == b.y {
                    (left, right) = (left.min(a.x.min(b.x)), right.max(a.x.max(b.x)));
                }
            }
            if left <= right {
                let (i, j) = (self.column(left), self.column(right));
                self.filled[row * self.columns + i..=row * self.columns + j].fill(true);
            }
        }
    }

    /// Fills what lies next to a filled cell, and then what cannot be reached from outside.
    fn widened(self) -> Vec<bool> {
        let Cells { columns, rows, .. } = self;
        let near = |i: usize, most: usize| i.saturating_sub(1)..=(i + 1).min(most - 1);
        let wide: Vec<bool> = (0..columns * rows)
            .into_par_iter()
            .with_min_len(4096)
            .map(|k| near(k / columns, rows).any(|j| near(k % columns, columns).any(|i| self.filled[j * columns + i])))
            .collect();
        // From the corner farthest out; the axis is no outside.
        let mut outside = vec![false; columns * rows];
        let mut open = vec![columns * rows - 1];
        while let Some(k) = open.pop() {
            if std::mem::replace(&mut outside[k], true) {
                continue;
            }
            let (i, j) = (k % columns, k / columns);
            let mut go = |k: usize| {
                if !wide[k] && !outside[k] {
                    open.push(k);
                }
            };
            (i > 0).then(|| go(k - 1));
            (i + 1 < columns).then(|| go(k + 1));
            (j > 0).then(|| go(k - columns));
            (j + 1 < rows).then(|| go(k + columns));
        }
        outside.into_iter().map(|o| !o).collect()
    }
}

/// Divides a facet round the axis until its places lie within `off` of those of a flat triangle, and hands these on.
///
/// r is convex, its second derivative along a step with a part t round the axis t²/r. Between any two points of a facet that
/// part is at most C/r, C the largest |pᵢ × pⱼ| of its corners across the axis, so the places lie within C²/2r³ of the
/// corners' triangle.
fn flattened(facet: Triangle, off: f64, mut take: impl FnMut(&[Place; 3])) {
    let mut parts = vec![facet];
    while let Some(t) = parts.pop() {
        let places = t.map(|p| flatten(&p));
        let least = places.iter().map(|p| p.x).fold(f64::INFINITY, f64::min);
        let next = |i: usize| (i + 1) % 3;
        let across = |i: usize| (t[i].x * t[next(i)].z - t[i].z * t[next(i)].x).abs();
        let ahead = |i: usize| t[i].x * t[next(i)].x + t[i].z * t[next(i)].z > 0.0;
        let long = |i: usize| ((t[next(i)].x - t[i].x).powi(2) + (t[next(i)].z - t[i].z).powi(2)).sqrt();
        let most = |f: &dyn Fn(usize) -> f64| f(0).max(f(1)).max(f(2));
        let (c, reach) = (most(&across), most(&long));
        // Within 30° of each other the facet comes no nearer to the axis than 0.96 of its corners: 0.96⁻³/2 is 0.57.
        let flat = c <= 0.5 * least * least && (0..3).all(ahead) && 0.57 * c * c <= off * least.powi(3);
        if flat || reach <= off {
            take(&places);
            continue;
        }
        let size = |i: usize| if least > reach { across(i) } else { long(i) };
        let i = (0..3).max_by(|&i, &j| size(i).total_cmp(&size(j))).unwrap_or(0);
        let (a, b, c) = (t[i], t[next(i)], t[(i + 2) % 3]);
        let m = (a + b) * 0.5;
        parts.extend([[a, m, c], [m, b, c]]);
    }
}

/// The outline of the cells that the scan fills.
fn outline(scan: &Scan, wheel_from_scan: &RigidTransform, cell: f64) -> Result<Profile, WheelError> {
    let turned: Vec<Vec3> = scan.points().iter().map(|p| (wheel_from_scan * p).coords).collect();
    let flat: Vec<Place> = turned.iter().map(flatten).collect();
    let mut cells = Cells::new(&flat, cell)?;
    match scan.geometry() {
        Geometry::Cloud(_) => flat.iter().for_each(|p| cells.fill(&[*p; 3])),
        Geometry::Mesh(mesh) => mesh.facets.iter().for_each(|facet| {
            flattened(facet.map(|v| turned[v as usize]), 0.5 * cell, |t| cells.fill(t));
        }),
    }
    let (low, columns, rows) = (cells.low, cells.columns, cells.rows);
    // A cell next to a filled one is filled too: what is between the points stays inside, and small holes close.
    let wide = cells.widened();
    let at = |i: isize, j: isize| {
        i >= 0 && j >= 0 && (i as usize) < columns && (j as usize) < rows && wide[j as usize * columns + i as usize]
    };
    // The edges between filled and empty cells, as steps between corners, the filled one on the left.
    let mut steps: BTreeMap<(usize, usize), Vec<(usize, usize)>> = BTreeMap::new();
    for j in 0..rows {
        for i in (0..columns).filter(|i| wide[j * columns + i]) {
            let (x, y) = (i as isize, j as isize);
            if !at(x, y - 1) {
                steps.entry((i, j)).or_default().push((i + 1, j));
            }
            if !at(x + 1, y) {
                steps.entry((i + 1, j)).or_default().push((i + 1, j + 1));
            }
            if !at(x, y + 1) {
                steps.entry((i + 1, j + 1)).or_default().push((i, j + 1));
            }
            if i > 0 && !at(x - 1, y) {
                steps.entry((i, j + 1)).or_default().push((i, j));
            }
        }
    }
    let place = |(i, j): (usize, usize)| Place::new(i as f64 * cell, low + (j as f64 - Cells::SPARE as f64) * cell);
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
