//! A tree of oriented boxes over the facets of a mesh.
//!
//! A box lies along the principal axes of the corners it holds, so that over a smooth piece of surface
//! of size s it is only about s²/8R thick: which of two nearly parallel surfaces is nearest is decided
//! high up (S. Gottschalk, M. Lin and D. Manocha, *OBBTree*, SIGGRAPH 1996). The tree is balanced and
//! stored as a heap: node 1 is the root, the children of node i are 2i and 2i + 1, the leaves, all
//! at one depth, hold equal runs of the facets.

use nalgebra::{Matrix3, SymmetricEigen};
use rayon::prelude::*;
use std::ops::Range;
use stringline_core::{Point3, UnitVec3, Vec3, frame_about};
use stringline_scan::normals::smallest_eigenvector;

/// Subtrees of fewer facets are built on one core.
const PARALLEL: usize = 1 << 13;

/// Over this many levels from the leaves a box is fitted to the corners themselves, above to boxes.
const BY_CORNERS: u32 = 5;

/// Above, a box is fitted to those that lie so many levels below it.
const BELOW: u32 = 3;

/// Stored axes are longer than one, and off the square, by less than this.
const AXES: f64 = 4e-7;

/// Boxes are this share larger than what they hold, to outweigh the rounding to `f32`.
const SLACK: f64 = 1e-6;

/// So often places of two boxes are brought nearer to each other before the line between them is tried.
const ROUNDS: usize = 2;

/// An oriented box as it is stored, relative to the tree's origin.
#[derive(Clone, Copy, Default)]
struct Stored {
    centre: [f32; 3],
    axes: [[f32; 3]; 3],
    half: [f32; 3],
}

/// Four boxes side by side, to be looked at at once.
#[derive(Clone, Copy, Default)]
pub(crate) struct Four {
    centre: [[f32; 4]; 3],
    axes: [[[f32; 4]; 3]; 3],
    half: [[f32; 4]; 3],
}

impl Four {
    fn new(boxes: &[Stored]) -> Four {
        let mut four = Four::default();
        for (lane, stored) in boxes.iter().enumerate() {
            for i in 0..3 {
                four.centre[i][lane] = stored.centre[i];
                four.half[i][lane] = stored.half[i];
                for k in 0..3 {
                    four.axes[i][k][lane] = stored.axes[i][k];
                }
            }
        }
        four
    }

    /// The squares of distances that the boxes are certainly away from a place, mm²; 0 inside. Where there is no box it
    /// means nothing.
    #[inline]
    pub(crate) fn away_squared(&self, p: &Place) -> [f32; 4] {
        let mut squared = [0.0; 4];
        for (axis, half) in self.axes.iter().zip(&self.half) {
            for lane in 0..4 {
                let way = |i: usize| axis[i][lane] * (p.at[i] - self.centre[i][lane]);
                let out = (way(0) + way(1) + way(2)).abs() - half[lane] - p.slack;
                let out = if out > 0.0 { out } else { 0.0 };
                squared[lane] += out * out;
            }
        }
        squared
    }
}

/// A place relative to the tree's origin, mm, and how far rounding may take it.
pub(crate) struct Place {
    at: [f32; 3],
    slack: f32,
}

/// An oriented box: all points whose coordinates along `axes` from `centre` are within ± `half`, mm.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Obb {
    pub(crate) centre: Vec3,
    /// Unit vectors, as columns.
    pub(crate) axes: Matrix3<f64>,
    pub(crate) half: Vec3,
}

impl Obb {
    /// A distance that the box is certainly away from another; 0 if they may touch. The largest one of: that along the line
    /// of their centres, which for boxes small against the way is right to the second order; those of each from
    /// what the other fills along its axes, which see thin boxes side by side; and that along a line between places near each
    /// other. Once it is `enough` it is not looked for further.
    pub(crate) fn apart(&self, other: &Obb, enough: f64) -> f64 {
        let between = other.centre - self.centre;
        let (here, there) = (self.axes.tr_mul(&between), other.axes.tr_mul(&between));
        let way = between.norm();
        let along = way - (here.abs().dot(&self.half) + there.abs().dot(&other.half)) / way.max(f64::MIN_POSITIVE);
        if along >= enough {
            return along;
        }
        // Entry (i, j): axis i of this one along axis j of the other.
        let share = self.axes.tr_mul(&other.axes).abs();
        let out = |t: Vec3, half: Vec3| {
            let gap = t.abs() - half;
            let positive = |x: f64| if x > 0.0 { x * x } else { 0.0 };
            positive(gap.x) + positive(gap.y) + positive(gap.z)
        };
        let here = out(here, self.half + share * other.half);
        let there = out(there, other.half + share.tr_mul(&self.half));
        let known = ((if here > there { here } else { there }).sqrt() * (1.0 - AXES)).max(along);
        if known <= 0.0 || known >= enough {
            return known;
        }
        // Long boxes askew: along the line between places that lie near each other.
        let (mut x, mut y) = (self.centre, other.centre);
        for _ in 0..ROUNDS {
            x = self.nearest(&y);
            y = other.nearest(&x);
        }
        let way = y - x;
        let length = way.norm();
        let reach = self.axes.tr_mul(&way).abs().dot(&self.half) + other.axes.tr_mul(&way).abs().dot(&other.half);
        let between = (way.dot(&between) - reach) / length.max(f64::MIN_POSITIVE);
        if between > known { between } else { known }
    }

    /// The place in the box nearest to another.
    fn nearest(&self, p: &Vec3) -> Vec3 {
        let at = self.axes.tr_mul(&(p - self.centre));
        self.centre + self.axes * at.zip_map(&self.half, |c, h| c.max(-h).min(h))
    }

    /// A measure of its size: the square of its half diagonal.
    pub(crate) fn size(&self) -> f64 {
        self.half.norm_squared()
    }
}

/// The tree. The facets it was built over are to be kept in the order that [`Tree::new`] gives.
pub(crate) struct Tree {
    origin: Vec3,
    count: usize,
    nodes: Vec<Stored>,
}

impl Tree {
    /// Builds the tree over at least one facet, with up to `leaf` of them in a leaf, and gives the order of the facets: the old place of
    /// the one at each new place. All vertices are there and finite.
    pub(crate) fn new(vertices: &[Point3], facets: &[[u32; 3]], origin: Point3, leaf: usize) -> (Tree, Vec<u32>) {
        let origin = origin.coords;
        let mut centred: Vec<Centred> = facets
            .par_iter()
            .enumerate()
            .with_min_len(1024)
            .map(|(id, facet)| {
                let sum = facet.iter().map(|&v| vertices[v as usize].coords - origin).sum::<Vec3>();
                Centred { id: id as u32, sum: [sum.x as f32, sum.y as f32, sum.z as f32] }
            })
            .collect();
        let count = facets.len();
        let leaves = count.div_ceil(leaf).next_power_of_two();
        sort(&mut centred, 0..leaves, &|leaf| count * leaf / leaves);
        let order: Vec<u32> = centred.into_iter().map(|c| c.id).collect();
        let mut nodes = vec![Stored::default(); 2 * leaves];
        let corner = |place: usize| facets[order[place] as usize].map(|v| vertices[v as usize].coords - origin);
        let mut moments = vec![Moments::default(); 2 * leaves];
        moments[leaves..].par_iter_mut().with_min_len(256).enumerate().for_each(|(leaf, m)| {
            facet_run(count, leaves, leaves + leaf).for_each(|place| corner(place).iter().for_each(|p| m.add(p)));
        });
        // Level by level from the leaves up; a level's nodes stand side by side.
        let depth = leaves.trailing_zeros();
        for level in (0..depth).rev() {
            let first = 1usize << level;
            let (upper, lower) = moments.split_at_mut(2 * first);
            upper[first..].par_iter_mut().with_min_len(1024).enumerate().for_each(|(i, moments)| {
                *moments = lower[2 * i].plus(&lower[2 * i + 1]);
            });
        }
        for level in (0..=depth).rev() {
            let first = 1usize << level;
            let (upper, lower) = nodes.split_at_mut(2 * first);
            let by_corners = depth - level < BY_CORNERS;
            upper[first..].par_iter_mut().with_min_len(64).enumerate().for_each(|(i, stored)| {
                let node = first + i;
                let axes = moments[node].axes();
                let mut span = Span::new(&axes);
                if by_corners {
                    for place in facet_run(count, leaves, node) {
                        corner(place).iter().for_each(|p| span.add(p));
                    }
                } else {
                    let below = (node << BELOW)..((node + 1) << BELOW);
                    below.for_each(|n| span.add_box(&lower[n - 2 * first]));
                }
                *stored = span.stored();
            });
        }
        (Tree { origin, count, nodes }, order)
    }

    pub(crate) fn is_leaf(&self, node: usize) -> bool {
        2 * node >= self.nodes.len()
    }

    /// The places of the facets under a node.
    pub(crate) fn run(&self, node: usize) -> Range<usize> {
        facet_run(self.count, self.nodes.len() / 2, node)
    }

    /// A place to ask [`Four::away_squared`] from.
    pub(crate) fn place(&self, p: &Point3) -> Place {
        let way = p.coords - self.origin;
        let root = &self.nodes[1];
        let reach = root.half.iter().chain(&root.centre).map(|c| f64::from(c.abs())).sum::<f64>();
        // More than the rounding of places, axes and products.
        Place { at: [way.x, way.y, way.z].map(|c| c as f32), slack: (2e-6 * (way.norm() + reach)) as f32 }
    }

    /// How many levels lie below the root.
    pub(crate) fn depth(&self) -> u32 {
        (self.nodes.len() / 2).ilog2()
    }

    /// The boxes four by four: number b holds the nodes from 4b on, which are those two levels below node b, and in number 0 the
    /// root and its children.
    pub(crate) fn fours(&self) -> Vec<Four> {
        self.nodes.par_chunks(4).with_min_len(1024).map(Four::new).collect()
    }

    /// A node's box in the frame of the mesh.
    pub(crate) fn bounds(&self, node: usize) -> Obb {
        let stored = &self.nodes[node];
        Obb { centre: vec(&stored.centre) + self.origin, axes: columns(&stored.axes), half: vec(&stored.half) }
    }
}

fn facet_run(count: usize, leaves: usize, node: usize) -> Range<usize> {
    // The leaves under a node: those whose number begins with the node's.
    let up = leaves.ilog2() - node.ilog2();
    let (first, last) = ((node << up) - leaves, ((node + 1) << up) - leaves);
    count * first / leaves..count * last / leaves
}

fn vec(v: &[f32; 3]) -> Vec3 {
    Vec3::new(f64::from(v[0]), f64::from(v[1]), f64::from(v[2]))
}

fn columns(axes: &[[f32; 3]; 3]) -> Matrix3<f64> {
    Matrix3::from_columns(&[vec(&axes[0]), vec(&axes[1]), vec(&axes[2])])
}

/// A facet's three corners added up: it only has to order.
#[derive(Clone, Copy)]
struct Centred {
    id: u32,
    sum: [f32; 3],
}

/// Sorts the facets of some leaves so that those of each half of the leaves lie together, and within
/// it those of each half of that half.
fn sort(facets: &mut [Centred], leaves: Range<usize>, run: &(impl Fn(usize) -> usize + Sync)) {
    if leaves.len() < 2 {
        return;
    }
    let (mut low, mut high) = ([f32::INFINITY; 3], [f32::NEG_INFINITY; 3]);
    for c in facets.iter() {
        for axis in 0..3 {
            low[axis] = low[axis].min(c.sum[axis]);
            high[axis] = high[axis].max(c.sum[axis]);
        }
    }
    let widest = |a: &usize, b: &usize| (high[*a] - low[*a]).total_cmp(&(high[*b] - low[*b]));
    let axis = (0..3).max_by(widest).unwrap_or(0);
    let middle = leaves.start + leaves.len() / 2;
    let half = run(middle) - run(leaves.start);
    if half < facets.len() {
        facets.select_nth_unstable_by(half, |a, b| a.sum[axis].total_cmp(&b.sum[axis]).then(a.id.cmp(&b.id)));
    }
    let large = facets.len() > PARALLEL;
    let (left, right) = facets.split_at_mut(half);
    if large {
        rayon::join(|| sort(left, leaves.start..middle, run), || sort(right, middle..leaves.end, run));
    } else {
        sort(left, leaves.start..middle, run);
        sort(right, middle..leaves.end, run);
    }
}

/// Sums of coordinates and of their products.
#[derive(Clone, Copy, Default)]
struct Moments {
    count: f64,
    sum: Vec3,
    /// xx, yy, zz.
    squares: Vec3,
    /// yz, zx, xy.
    products: Vec3,
}

impl Moments {
    fn add(&mut self, p: &Vec3) {
        self.count += 1.0;
        self.sum += p;
        self.squares += p.component_mul(p);
        self.products += Vec3::new(p.y * p.z, p.z * p.x, p.x * p.y);
    }

    fn plus(&self, other: &Moments) -> Moments {
        Moments {
            count: self.count + other.count,
            sum: self.sum + other.sum,
            squares: self.squares + other.squares,
            products: self.products + other.products,
        }
    }

    /// The principal axes, as `f32` holds them.
    fn axes(&self) -> [[f32; 3]; 3] {
        let m = self.sum / self.count;
        let d = self.squares / self.count - m.component_mul(&m);
        let o = self.products / self.count - Vec3::new(m.y * m.z, m.z * m.x, m.x * m.y);
        let covariance = Matrix3::new(d.x, o.z, o.y, o.z, d.y, o.x, o.y, o.x, d.z);
        let vectors = match smallest_eigenvector(&covariance).and_then(|n| UnitVec3::try_new(n, 0.5)) {
            Some(across) => {
                let (u, v) = frame_about(&across);
                let (cu, cv) = (covariance * u, covariance * v);
                // The turn in the plane that takes out what the two have in common.
                let (sine, cosine) = (0.5 * (2.0 * u.dot(&cv)).atan2(u.dot(&cu) - v.dot(&cv))).sin_cos();
                Some(Matrix3::from_columns(&[u * cosine + v * sine, v * cosine - u * sine, across.into_inner()]))
            }
            None => SymmetricEigen::try_new(covariance, f64::EPSILON, 50).map(|e| e.eigenvectors),
        };
        let vectors = vectors.filter(|v| v.iter().all(|c| c.is_finite())).unwrap_or_else(Matrix3::identity);
        let axis = |i: usize| [vectors[(0, i)] as f32, vectors[(1, i)] as f32, vectors[(2, i)] as f32];
        [axis(0), axis(1), axis(2)]
    }
}

/// How far points reach along three axes.
struct Span {
    axes: [[f32; 3]; 3],
    rows: Matrix3<f64>,
    low: Vec3,
    high: Vec3,
}

impl Span {
    fn new(axes: &[[f32; 3]; 3]) -> Span {
        Span {
            axes: *axes,
            rows: columns(axes).transpose(),
            low: Vec3::repeat(f64::INFINITY),
            high: Vec3::repeat(f64::NEG_INFINITY),
        }
    }

    fn add(&mut self, p: &Vec3) {
        let at = self.rows * p;
        for i in 0..3 {
            self.low[i] = if at[i] < self.low[i] { at[i] } else { self.low[i] };
            self.high[i] = if at[i] > self.high[i] { at[i] } else { self.high[i] };
        }
    }

    fn add_box(&mut self, b: &Stored) {
        let reach = (self.rows * columns(&b.axes)).abs() * vec(&b.half);
        let at = self.rows * vec(&b.centre);
        self.low = self.low.inf(&(at - reach));
        self.high = self.high.sup(&(at + reach));
    }

    fn stored(&self) -> Stored {
        let middle = self.rows.tr_mul(&((self.low + self.high) * 0.5));
        let centre = [middle.x as f32, middle.y as f32, middle.z as f32];
        // From the centre as it is stored.
        let at = self.rows * vec(&centre);
        let half = (self.high - at).sup(&(at - self.low));
        let half = half.add_scalar(SLACK * half.norm());
        Stored { centre, axes: self.axes, half: [0, 1, 2].map(|i| (half[i] as f32).next_up()) }
    }
}
