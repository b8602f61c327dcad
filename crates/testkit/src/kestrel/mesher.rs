//! A triangle mesh of a solid's skin, finer where asked.
//!
//! Space is cut into blocks and each block into an octree that is refined only near the
//! skin, as far as a wanted cell size says. Every octree edge that the skin crosses gives
//! a facet pair between the four cells round it (surface nets on an octree: Gibson,
//! *Constrained Elastic Surface Nets*, MICCAI 1998; the minimal edges of Ju et al., *Dual
//! Contouring of Hermite Data*, SIGGRAPH 2002, keep it closed where cell sizes change).
//! Each vertex starts at the mean of its cell's crossings and is then projected on the
//! zero level, so that it lies on the modelled surface to rounding error.
//!
//! Only blocks near the skin are ever looked at, and each sees only the few primitives
//! that matter to it, so ten million facets take seconds.

use crate::kestrel::solid::{STEEPEST, Solid};
use crate::noise_field::SmoothField;
use rayon::prelude::*;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};

/// Where the mesh must be finer: a ring or disc round an axis, thick or thin.
#[derive(Clone, Debug)]
pub(crate) struct Zone {
    /// On the axis, in the part frame, mm.
    pub(crate) point: Point3,
    /// Along the axis.
    pub(crate) direction: UnitVec3,
    /// Lowest and highest coordinate along the axis from the point, mm.
    pub(crate) along: [f64; 2],
    /// Nearest and furthest distance from the axis, mm.
    pub(crate) across: [f64; 2],
    /// Cell size there, mm.
    pub(crate) size: f64,
}

impl Zone {
    fn distance(&self, p: &Point3) -> f64 {
        let w = p - self.point;
        let along = self.direction.dot(&w);
        let across = (w - self.direction.into_inner() * along).norm();
        let beyond = |x: f64, [low, high]: [f64; 2]| (low - x).max(x - high).max(0.0);
        beyond(along, self.along).hypot(beyond(across, self.across))
    }
}

/// How fine the mesh is, and where.
#[derive(Clone, Debug)]
pub(crate) struct Sizing {
    /// Regions of finer cells.
    pub(crate) zones: Vec<Zone>,
    /// Where the surface bends sharply, cells are halved down to this size, mm.
    pub(crate) edges: f64,
    /// Cell size far from every zone, mm.
    pub(crate) coarse: f64,
    /// Growth of the cell size with distance from a zone, mm/mm.
    pub(crate) growth: f64,
    /// All sizes are multiplied by this.
    pub(crate) scale: f64,
    /// Sizes wander with this field: no scanner passes every patch equally often.
    pub(crate) patches: SmoothField,
}

impl Sizing {
    fn finest(&self) -> f64 {
        self.zones.iter().fold(self.coarse, |m, z| m.min(z.size)) * self.scale
    }

    /// The zones that matter within `reach` of `p`.
    fn near(&self, p: &Point3, reach: f64) -> Self {
        let zones = self
            .zones
            .iter()
            .filter(|zone| zone.size + self.growth * (zone.distance(p) - reach).max(0.0) < self.coarse);
        Self { zones: zones.cloned().collect(), patches: self.patches.clone(), ..*self }
    }

    fn at(&self, p: &Point3) -> f64 {
        let size =
            self.zones.iter().fold(self.coarse, |size, zone| size.min(zone.size + self.growth * zone.distance(p)));
        size * self.scale * (1.0 + 0.2 * self.patches.at(p).clamp(-1.5, 1.5))
    }
}

/// What to mesh.
pub(crate) struct Subject<'a> {
    /// The solid, in part coordinates.
    pub(crate) solid: &'a Solid,
    /// Only its skin inside this is meshed, in part coordinates.
    pub(crate) window: &'a Solid,
    /// Takes the mesh's frame to the part's. The octree is square to the mesh's frame.
    pub(crate) part_from_scan: RigidTransform,
    /// A box round the window in the mesh's frame, mm.
    pub(crate) bounds: (Point3, Point3),
    /// Cell sizes.
    pub(crate) sizing: &'a Sizing,
    /// Vertices start this share of their cell's size off, at random, before they are projected.
    pub(crate) jitter: f64,
    /// Decides the jitter.
    pub(crate) seed: u64,
}

/// A mesh in the scan frame with the outward normal of the solid at each vertex.
pub(crate) struct Skin {
    pub(crate) vertices: Vec<Point3>,
    pub(crate) normals: Vec<Vec3>,
    pub(crate) facets: Vec<[u32; 3]>,
}

/// Cells along a block's edge as a power of two, at the finest level.
const BLOCK_LEVELS: u32 = 5;
const BLOCK: i32 = 1 << BLOCK_LEVELS;
const NONE: u32 = u32::MAX;
/// Marks a node that is a leaf; the other bits are its number in the block.
const LEAF: u32 = 1 << 31;

/// A leaf cell: lowest corner in finest units, and size in finest units.
#[derive(Clone, Copy)]
struct Leaf {
    corner: [i32; 3],
    size: i32,
    /// The skin may cross it.
    near: bool,
}

struct Block {
    corner: [i32; 3],
    solid: Solid,
    /// The first of eight children, or a leaf's number marked by [`LEAF`].
    nodes: Vec<u32>,
    leaves: Vec<Leaf>,
    /// Number of its first leaf among all.
    first: u32,
}

struct Lattice<'a> {
    subject: &'a Subject<'a>,
    unit: f64,
    /// Blocks along each axis.
    counts: [i32; 3],
    /// Which block stands at a place, or [`NONE`].
    places: Vec<u32>,
    blocks: Vec<Block>,
}

/// The facets round one block's edges, and where its vertices start.
struct Crossings {
    quads: Vec<[u32; 4]>,
    starts: Vec<Option<Point3>>,
}

/// Meshes the skin of a solid.
pub(crate) fn mesh(subject: &Subject) -> Skin {
    let lattice = Lattice::build(subject);
    let crossings: Vec<Crossings> =
        (0..lattice.blocks.len()).into_par_iter().map(|block| lattice.crossings(block)).collect();

    let leaves = lattice.blocks.iter().map(|b| b.leaves.len()).sum();
    let mut used = vec![false; leaves];
    for quad in crossings.iter().flat_map(|c| &c.quads) {
        for &leaf in quad {
            used[leaf as usize] = true;
        }
    }
    let vertices: Vec<(Point3, Vec3)> = lattice
        .blocks
        .par_iter()
        .zip(&crossings)
        .flat_map_iter(|(block, crossings)| {
            let used = &used;
            let lattice = &lattice;
            block
                .leaves
                .iter()
                .enumerate()
                .filter(move |(i, _)| used[block.first as usize + i])
                .map(move |(i, leaf)| lattice.vertex(block, leaf, crossings.starts[i]))
        })
        .collect();
    let mut number = vec![NONE; leaves];
    let mut next = 0;
    for (slot, &used) in number.iter_mut().zip(&used) {
        if used {
            *slot = next;
            next += 1;
        }
    }
    let mut facets = Vec::with_capacity(crossings.iter().map(|c| c.quads.len() * 2).sum());
    for quad in crossings.iter().flat_map(|c| &c.quads) {
        split(quad.map(|leaf| number[leaf as usize]), &vertices, &mut facets);
    }
    let (vertices, normals) = vertices.into_iter().unzip();
    Skin { vertices, normals, facets }
}

/// Cuts a quad along its shorter diagonal; one with a repeated corner is a single facet.
fn split(q: [u32; 4], vertices: &[(Point3, Vec3)], facets: &mut Vec<[u32; 3]>) {
    let at = |i: usize| vertices[q[i] as usize].0;
    let across = |i: usize, j: usize| (at(i) - at(j)).norm_squared();
    let pair = if across(0, 2) <= across(1, 3) {
        [[q[0], q[1], q[2]], [q[0], q[2], q[3]]]
    } else {
        [[q[0], q[1], q[3]], [q[1], q[2], q[3]]]
    };
    facets.extend(pair.into_iter().filter(|[a, b, c]| a != b && b != c && a != c));
}

impl<'a> Lattice<'a> {
    fn build(subject: &'a Subject<'a>) -> Self {
        let unit = subject.sizing.finest();
        let side = unit * f64::from(BLOCK);
        let (low, high) = subject.bounds;
        let counts: [i32; 3] = std::array::from_fn(|k| ((high[k] - low[k]) / side).ceil().max(1.0) as i32);
        let mut lattice = Self { subject, unit, counts, places: Vec::new(), blocks: Vec::new() };
        // Supers of 8³ blocks first, so that most of the box is left out at once.
        let group = 8;
        let groups = counts.map(|c| (c + group - 1) / group);
        let mut corners = Vec::new();
        for x in 0..groups[0] {
            for y in 0..groups[1] {
                for z in 0..groups[2] {
                    corners.push([x, y, z].map(|c| c * group));
                }
            }
        }
        let found: Vec<Vec<Block>> = corners
            .into_par_iter()
            .map(|corner| {
                let mut found = Vec::new();
                lattice.group(corner, group, subject.solid, &mut found);
                found
            })
            .collect();
        lattice.places = vec![NONE; counts.iter().map(|&c| c as usize).product()];
        let mut first = 0;
        for mut block in found.into_iter().flatten() {
            block.first = first;
            first += block.leaves.len() as u32;
            if let Some(place) = lattice.place(block.corner) {
                lattice.places[place] = lattice.blocks.len() as u32;
                lattice.blocks.push(block);
            }
        }
        lattice
    }

    /// Splits a cube of `count`³ blocks down to the blocks that the skin may cross.
    fn group(&self, corner: [i32; 3], count: i32, solid: &Solid, found: &mut Vec<Block>) {
        if (0..3).any(|k| corner[k] >= self.counts[k]) {
            return;
        }
        let cell = Leaf { corner: corner.map(|c| c * BLOCK), size: count * BLOCK, near: true };
        let (centre, reach) = self.ball(&cell);
        // With slack: vertices near the border are projected with this tree too.
        let solid = solid.near(&centre, 1.3 * reach);
        if !self.may_cross(&cell, &solid) {
            return;
        }
        if count == 1 {
            let sizing = self.subject.sizing.near(&centre, reach);
            let mut block = Block { corner: cell.corner, solid, nodes: vec![0], leaves: Vec::new(), first: 0 };
            self.refine(&mut block, 0, cell, &sizing);
            found.push(block);
            return;
        }
        let half = count / 2;
        for octant in 0..8 {
            let corner = std::array::from_fn(|k| corner[k] + half * (octant >> k & 1));
            self.group(corner, half, &solid, found);
        }
    }

    fn refine(&self, block: &mut Block, node: usize, cell: Leaf, sizing: &Sizing) {
        let near = self.may_cross(&cell, &block.solid);
        let (centre, _) = self.ball(&cell);
        let size = f64::from(cell.size) * self.unit;
        let large = |limit: f64| size > limit * 1.0001;
        if near
            && cell.size > 1
            && (large(sizing.at(&centre)) || large(sizing.edges * sizing.scale) && self.bends(&cell, &block.solid))
        {
            let first = block.nodes.len();
            block.nodes[node] = first as u32;
            block.nodes.resize(first + 8, 0);
            let size = cell.size / 2;
            for octant in 0..8_i32 {
                let corner = std::array::from_fn(|k| cell.corner[k] + size * (octant >> k & 1));
                let child = Leaf { corner, size, near };
                self.refine(block, first + octant as usize, child, sizing);
            }
        } else {
            block.nodes[node] = LEAF | block.leaves.len() as u32;
            block.leaves.push(Leaf { near, ..cell });
        }
    }

    /// The ball round a cell, in the part frame.
    fn ball(&self, cell: &Leaf) -> (Point3, f64) {
        let half = f64::from(cell.size) * 0.5;
        let centre = self.part(cell.corner.map(|c| f64::from(c) + half));
        (centre, half * self.unit * 3.0_f64.sqrt())
    }

    fn may_cross(&self, cell: &Leaf, solid: &Solid) -> bool {
        let (centre, reach) = self.ball(cell);
        let reach = reach * STEEPEST;
        solid.at(&centre).distance.abs() <= reach && self.subject.window.at(&centre).distance <= reach
    }

    /// Whether the surface turns by more than 45° within a cell, or is met twice.
    fn bends(&self, cell: &Leaf, solid: &Solid) -> bool {
        // Four corners of the cube, none next to another.
        let corners = [[0, 0, 0], [1, 1, 0], [1, 0, 1], [0, 1, 1]];
        let normals = corners.map(|c| {
            let place = std::array::from_fn(|k| f64::from(cell.corner[k] + cell.size * c[k]));
            solid.at(&self.part(place)).gradient.normalize()
        });
        let limit = 45.0_f64.to_radians().cos();
        (1..4).any(|i| (0..i).any(|j| normals[i].dot(&normals[j]) < limit))
    }

    /// Scan coordinates of a place in finest units.
    fn scan(&self, place: [f64; 3]) -> Point3 {
        self.subject.bounds.0 + Vec3::from(place) * self.unit
    }

    fn part(&self, place: [f64; 3]) -> Point3 {
        self.subject.part_from_scan.transform_point(&self.scan(place))
    }

    fn place(&self, corner: [i32; 3]) -> Option<usize> {
        let mut index = 0;
        for (c, count) in corner.iter().zip(self.counts) {
            let k = c.div_euclid(BLOCK);
            if !(0..count).contains(&k) {
                return None;
            }
            index = index * count as usize + k as usize;
        }
        Some(index)
    }

    /// The leaf that holds a finest cell: its number among all, and itself.
    fn leaf_at(&self, cell: [i32; 3]) -> Option<(u32, &Leaf)> {
        let block = self.places[self.place(cell)?];
        let block = self.blocks.get(block as usize)?;
        let mut node = block.nodes[0];
        let mut size = BLOCK;
        while node & LEAF == 0 {
            size /= 2;
            let octant = (0..3).fold(0, |o, k| o | u32::from(cell[k] & size != 0) << k);
            node = block.nodes[(node + octant) as usize];
        }
        let leaf = node & !LEAF;
        Some((block.first + leaf, &block.leaves[leaf as usize]))
    }

    fn crossings(&self, block: usize) -> Crossings {
        let block = &self.blocks[block];
        let mut found = Crossings { quads: Vec::new(), starts: vec![None; block.leaves.len()] };
        for (number, leaf) in block.leaves.iter().enumerate().filter(|(_, l)| l.near) {
            let corner =
                |i: usize| -> [i32; 3] { std::array::from_fn(|k| leaf.corner[k] + leaf.size * (i as i32 >> k & 1)) };
            let values: [f64; 8] = std::array::from_fn(|i| {
                let place = self.part(corner(i).map(f64::from));
                block.solid.at(&place).distance
            });
            let mut sum = Vec3::zeros();
            let mut count = 0.0;
            for axis in 0..3 {
                for from in (0..8).filter(|i| i >> axis & 1 == 0) {
                    let to = from | 1 << axis;
                    let (a, b) = (values[from], values[to]);
                    if (a < 0.0) == (b < 0.0) {
                        continue;
                    }
                    let mut crossing = Vec3::from(corner(from).map(f64::from));
                    crossing[axis] += f64::from(leaf.size) * (a / (a - b));
                    sum += crossing;
                    count += 1.0;
                    self.quad(leaf, axis, from, a < 0.0, &mut found.quads);
                }
            }
            if count > 0.0 {
                found.starts[number] = Some(self.scan((sum / count).into()));
            }
        }
        found
    }

    /// The facet pair of one crossed edge of `leaf`, if this leaf is the one to make it.
    fn quad(&self, leaf: &Leaf, axis: usize, from: usize, outward: bool, quads: &mut Vec<[u32; 4]>) {
        let (u, v) = ((axis + 1) % 3, (axis + 2) % 3);
        let edge: [i32; 3] = std::array::from_fn(|k| leaf.corner[k] + leaf.size * (from as i32 >> k & 1));
        let mut round = [0; 4];
        let mut owner = None;
        // The four cells round the edge, counter-clockwise seen from its far end.
        for (i, (du, dv)) in [(0, 0), (-1, 0), (-1, -1), (0, -1)].into_iter().enumerate() {
            let mut cell = edge;
            cell[u] += du;
            cell[v] += dv;
            let Some((number, neighbour)) = self.leaf_at(cell) else {
                return;
            };
            // A smaller neighbour has this edge in shorter pieces and makes their facets.
            if neighbour.size < leaf.size {
                return;
            }
            if neighbour.size == leaf.size && owner.is_none() {
                owner = Some(neighbour.corner);
            }
            round[i] = number;
        }
        if owner == Some(leaf.corner) {
            if !outward {
                round.reverse();
            }
            quads.push(round);
        }
    }

    /// A leaf's vertex in the scan frame and the outward normal there.
    fn vertex(&self, block: &Block, leaf: &Leaf, start: Option<Point3>) -> (Point3, Vec3) {
        let half = f64::from(leaf.size) * 0.5;
        let start = start.unwrap_or_else(|| self.scan(leaf.corner.map(|c| f64::from(c) + half)));
        let size = f64::from(leaf.size) * self.unit;
        let start = start + jitter(leaf.corner, self.subject.seed) * (size * self.subject.jitter);
        let start = self.subject.part_from_scan.transform_point(&start);
        let (p, normal) = project(&block.solid, start, size);
        (
            self.subject.part_from_scan.inverse_transform_point(&p),
            self.subject.part_from_scan.inverse_transform_vector(&normal),
        )
    }
}

/// A vector with components from −1 to 1 that depends on the place and the seed alone.
fn jitter(corner: [i32; 3], seed: u64) -> Vec3 {
    // SplitMix64 (Steele, Lea and Flood, OOPSLA 2014), stirred once a coordinate.
    let mut state = seed;
    Vec3::from(corner.map(|c| {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15) ^ c as u64;
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        state = z ^ (z >> 31);
        (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }))
}

/// Moves a point to the zero level along the gradient (Newton's steps), at most `limit` away.
pub(crate) fn project(solid: &Solid, start: Point3, limit: f64) -> (Point3, Vec3) {
    let mut p = start;
    let mut normal = Vec3::z();
    for _ in 0..20 {
        let sample = solid.at(&p);
        let squared = sample.gradient.norm_squared();
        if squared < 1e-12 {
            break;
        }
        normal = sample.gradient / squared.sqrt();
        if sample.distance.abs() < 1e-10 {
            break;
        }
        p -= sample.gradient * (sample.distance / squared);
        if (p - start).norm() > limit {
            return (start, normal);
        }
    }
    (p, normal)
}
