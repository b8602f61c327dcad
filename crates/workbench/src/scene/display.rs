//! A scan made ready to be drawn: pieces small enough to be culled and uploaded one by one, in
//! the bytes that the graphics card takes.

use rayon::prelude::*;
use stringline_core::{Point3, Vec3};
use stringline_scan::pieces::Piece as Cut;
use stringline_scan::{Geometry, Scan};

/// Facets of a piece: few enough to be culled by, many enough for few calls to the driver.
const PIECE: usize = 65_000;

/// Facets of the coarse copies that a moving view may fall back to.
const COARSE: [usize; 3] = [1_000_000, 150_000, 30_000];

/// A coarse copy is made where it has at most this share of the next finer one's facets.
const WORTH_IT: f64 = 0.6;

/// The neighbour of a cloud's point whose distance tells how wide its disc must be to close up
/// with those about it, and the share of that distance. Eight points lie about one on a square grid.
const DISC_NEIGHBOUR: usize = 6;
const DISC_SHARE: f64 = 0.75;

/// A disc is no wider than this many spacings: what picking takes for the surface.
const WIDEST_DISC: f64 = 3.0;

/// Directions in which the farthest point of a scan is kept to fit it into the view.
const OUTLINE: usize = 96;

/// A bend of this much over the distance of neighbouring points counts as sharp, rad.
const SHARP: f32 = 0.12;

/// Normals of neighbours that differ by this much more than the bend tells count as rough, rad.
const ROUGH: f32 = 0.35;

/// One corner of the drawn surface, 20 bytes: position (3 × f32, mm from [`Display::origin`]), normal
/// (octahedral, 2 × 16 bit) and what tells machined from cast (bend and roughness, 2 × 16 bit; of a
/// cloud the disc's radius as a share of [`Display::disc`], and nothing).
pub type Corner = [u32; 5];

/// A scan made ready to be drawn.
pub struct Display {
    /// What the corners' positions count from, in the scan's frame. Near the surface, so that 32
    /// bits keep a ten-thousandth of a millimetre on a part two metres long.
    pub origin: Point3,
    /// Finest first.
    pub levels: Vec<Level>,
    /// Radius of a cloud's widest discs, mm; none for a mesh.
    pub disc: Option<f32>,
    /// Whether the normals point out of the material.
    pub oriented: bool,
    /// Points that everything else lies between, stray ones aside, in the scan's frame.
    pub outline: Vec<Point3>,
    /// Of all levels, finest first.
    pub pieces: Vec<Piece>,
    places: Places,
}

/// One fineness of a scan.
pub struct Level {
    /// Which of all [pieces](Display::pieces).
    pub pieces: std::ops::Range<usize>,
    /// Facets, or discs of a cloud.
    pub elements: usize,
}

/// A part of the surface.
pub struct Piece {
    /// As uploaded.
    pub corners: Vec<Corner>,
    /// Three a facet; none of a cloud.
    pub indices: Indices,
    /// Which point of the scan each corner is.
    pub points: Vec<u32>,
    /// The ball round it: centre from [`Display::origin`] and radius, mm.
    pub ball: ([f32; 3], f32),
}

/// Corners of facets, as short as can be.
pub enum Indices {
    /// Up to 65536 corners.
    Short(Vec<u16>),
    /// More.
    Long(Vec<u32>),
}

impl Indices {
    /// Three a facet.
    pub fn len(&self) -> usize {
        match self {
            Indices::Short(list) => list.len(),
            Indices::Long(list) => list.len(),
        }
    }

    /// Of a cloud.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// As uploaded.
    pub fn bytes(&self) -> &[u8] {
        match self {
            Indices::Short(list) => bytemuck::cast_slice(list),
            Indices::Long(list) => bytemuck::cast_slice(list),
        }
    }
}

/// Where each point of the scan occurs among the corners: of the point `i` in
/// `corners[starts[i]..starts[i + 1]]`.
struct Places {
    starts: Vec<u32>,
    /// Piece and corner.
    corners: Vec<(u32, u32)>,
}

impl Display {
    /// Makes a scan ready, on all cores; seconds for millions of points. `None` for an empty scan.
    pub fn new(scan: &Scan) -> Option<Display> {
        let bounds = scan.geometry().bounds()?;
        let origin = nalgebra::center(&bounds.0, &bounds.1);
        let cuts = levels(scan);
        let cues = match scan.geometry() {
            Geometry::Mesh(_) => cues(scan, cuts.first().map_or(&[], Vec::as_slice)),
            Geometry::Cloud(_) => disc_radii(scan),
        };
        let mut levels = Vec::new();
        let mut all: Vec<&Cut> = Vec::new();
        for level in &cuts {
            let first = all.len();
            all.extend(level);
            let elements = level.iter().map(elements).sum();
            levels.push(Level { pieces: first..all.len(), elements });
        }
        let places = Places::new(scan.points().len(), &all);
        let pieces: Vec<Piece> = all.par_iter().map(|cut| piece(scan, &origin, cut, &cues)).collect();
        let disc = matches!(scan.geometry(), Geometry::Cloud(_)).then(|| (scan.spacing() * WIDEST_DISC) as f32);
        let outline = outline(scan, cuts.last().map_or(&[], Vec::as_slice));
        Some(Display { origin, levels, pieces, disc, oriented: scan.oriented(), outline, places })
    }
}

/// The scan in pieces, finest first: itself, and coarse copies in one piece each.
fn levels(scan: &Scan) -> Vec<Vec<Cut>> {
    let size = |cuts: &[Cut]| cuts.iter().map(elements).sum::<usize>();
    let mut levels = vec![scan.pieces(PIECE)];
    let whole = size(&levels[0]);
    let counts: Vec<usize> = COARSE.into_iter().filter(|&c| (c as f64) < WORTH_IT * whole as f64).collect();
    for coarse in scan.coarse(&counts) {
        let finer = levels.last().map_or(0, |l| size(l));
        let copy = vec![coarse.piece];
        if size(&copy) as f64 <= WORTH_IT * finer as f64 {
            levels.push(copy);
        }
    }
    levels
}

fn elements(cut: &Cut) -> usize {
    if cut.facets.is_empty() { cut.points.len() } else { cut.facets.len() }
}

impl Display {
    /// Where a point occurs among the corners: piece and corner.
    pub fn places(&self, point: u32) -> &[(u32, u32)] {
        let at = |i: usize| self.places.starts.get(i).map_or(0, |&s| s as usize);
        self.places.corners.get(at(point as usize)..at(point as usize + 1)).unwrap_or(&[])
    }
}

impl Places {
    fn new(points: usize, pieces: &[&Cut]) -> Places {
        let mut starts = vec![0_u32; points + 1];
        for &point in pieces.iter().flat_map(|p| &p.points) {
            starts[point as usize + 1] += 1;
        }
        for i in 0..points {
            starts[i + 1] += starts[i];
        }
        let mut next = starts.clone();
        let mut corners = vec![(0, 0); starts[points] as usize];
        for (p, piece) in pieces.iter().enumerate() {
            for (c, &point) in piece.points.iter().enumerate() {
                let slot = &mut next[point as usize];
                corners[*slot as usize] = (p as u32, c as u32);
                *slot += 1;
            }
        }
        Places { starts, corners }
    }
}

fn indices(cut: &Cut) -> Indices {
    let all = || cut.facets.iter().flatten();
    match cut.points.len() <= 1 << 16 {
        true => Indices::Short(all().map(|&i| i as u16).collect()),
        false => Indices::Long(all().copied().collect()),
    }
}

fn piece(scan: &Scan, origin: &Point3, cut: &Cut, cues: &[[f32; 2]]) -> Piece {
    let at = |i: u32| (scan.points()[i as usize] - origin).cast::<f32>();
    let corner = |&i: &u32| {
        let p = at(i);
        let [u, v] = octahedral(&scan.normals()[i as usize]);
        let [bend, rough] = cues[i as usize];
        [p.x.to_bits(), p.y.to_bits(), p.z.to_bits(), pair(u, v), pair(bend, rough)]
    };
    let (low, high) = cut.bounds;
    let centre = (nalgebra::center(&low, &high) - origin).cast::<f32>();
    let radius = ((high - low).norm() / 2.0) as f32;
    Piece {
        corners: cut.points.iter().map(corner).collect(),
        indices: indices(cut),
        points: cut.points.clone(),
        ball: (centre.into(), radius),
    }
}

/// Of each point of a cloud the radius of its disc as a share of the widest.
fn disc_radii(scan: &Scan) -> Vec<[f32; 2]> {
    let widest = (scan.spacing() * WIDEST_DISC).max(f64::MIN_POSITIVE);
    let share = |p: &Point3| {
        let near = scan.k_nearest(p, DISC_NEIGHBOUR + 1);
        let far = near.get(DISC_NEIGHBOUR).map_or(widest, |&i| (scan.points()[i as usize] - p).norm());
        [(far * DISC_SHARE / widest).min(1.0) as f32, 0.0]
    };
    scan.points().par_iter().map(share).collect()
}

/// The points of a coarse copy that lie farthest in directions spread evenly over the sphere
/// (R. Swinbank and R. J. Purser, *Fibonacci grids: A novel approach to global modelling*, 2006).
/// Strays are not in such a copy, or count for little in a cloud.
fn outline(scan: &Scan, coarse: &[Cut]) -> Vec<Point3> {
    let points: Vec<Point3> = coarse.iter().flat_map(|c| &c.points).map(|&i| scan.points()[i as usize]).collect();
    let farthest = |i: usize| {
        let z = 1.0 - (2.0 * i as f64 + 1.0) / OUTLINE as f64;
        let (turn, r) = (i as f64 * std::f64::consts::PI * (5.0_f64.sqrt() - 1.0), (1.0 - z * z).sqrt());
        let direction = Vec3::new(r * turn.cos(), r * turn.sin(), z);
        let along = |p: &&Point3| direction.dot(&p.coords);
        points.iter().max_by(|a, b| along(a).total_cmp(&along(b))).copied()
    };
    (0..OUTLINE).into_par_iter().filter_map(farthest).collect()
}

/// How sharply the surface bends at each point (−1 hollow to 1 edge) and how rough it is (0 to 1),
/// from the normals along the edges that leave it: over an edge `e` a smooth surface turns its
/// normal by `k·e` with `k` its curvature, and what it turns otherwise is roughness.
fn cues(scan: &Scan, pieces: &[Cut]) -> Vec<[f32; 2]> {
    let (points, normals) = (scan.points(), scan.normals());
    // Of each point: sum of the bends, of the squared turns, number of edges.
    let sums: Vec<Vec<[f32; 3]>> = pieces
        .par_iter()
        .map(|piece| {
            let mut sums = vec![[0.0_f32; 3]; piece.points.len()];
            for facet in &piece.facets {
                for (i, j) in [(0, 1), (1, 2), (2, 0)] {
                    let ends = [facet[i], facet[j]].map(|e| e as usize);
                    let [a, b] = ends.map(|e| piece.points[e] as usize);
                    let (edge, turn) = (points[b] - points[a], normals[b] - normals[a]);
                    let bend = turn.dot(&edge) / edge.norm();
                    if bend.is_finite() {
                        for end in ends {
                            let s = &mut sums[end];
                            *s = [s[0] + bend as f32, s[1] + turn.norm_squared() as f32, s[2] + 1.0];
                        }
                    }
                }
            }
            sums
        })
        .collect();
    let mut total = vec![[0.0_f32; 3]; points.len()];
    for (piece, sums) in pieces.iter().zip(&sums) {
        for (&point, s) in piece.points.iter().zip(sums) {
            let t = &mut total[point as usize];
            *t = [t[0] + s[0], t[1] + s[1], t[2] + s[2]];
        }
    }
    total
        .into_par_iter()
        .map(|[bend, turn, edges]| {
            let (bend, turn) = if edges > 0.0 { (bend / edges, turn / edges) } else { (0.0, 0.0) };
            let rough = (turn - bend * bend).max(0.0).sqrt();
            [(bend / SHARP).clamp(-1.0, 1.0), (rough / ROUGH).min(1.0)]
        })
        .collect()
}

/// A direction in two numbers from −1 to 1: the octahedron unfolded (Z. H. Cigolle and others, *A
/// Survey of Efficient Representations for Independent Unit Vectors*, Journal of Computer Graphics
/// Techniques 3(2), 2014). Two ones, which no other direction gives, where there is none.
fn octahedral(n: &Vec3) -> [f32; 2] {
    let sum = n.x.abs() + n.y.abs() + n.z.abs();
    if !(sum > 0.0 && sum.is_finite()) {
        return [1.0, 1.0];
    }
    let (u, v) = (n.x / sum, n.y / sum);
    let sign = |c: f64| if c < 0.0 { -1.0 } else { 1.0 };
    let (u, v) = if n.z >= 0.0 { (u, v) } else { ((1.0 - v.abs()) * sign(u), (1.0 - u.abs()) * sign(v)) };
    // The farthest direction of all unfolds to the corners, one of which stands for none.
    [u as f32, v.min(0.9999) as f32]
}

/// Two numbers from −1 to 1 in 32 bits.
fn pair(a: f32, b: f32) -> u32 {
    let half = |c: f32| u32::from((c * 32767.0).round() as i16 as u16);
    half(a) | half(b) << 16
}
