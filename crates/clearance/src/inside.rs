//! What a body encloses.
//!
//! A *shell* is a connected part of a surface. It is closed if at each of its edges exactly two facets
//! meet; then a line from a point to far away crosses it an odd number of times where the point lies
//! inside. Where the facets also agree on which side is out, crossings outwards less those inwards (the
//! winding number) tell it even where the shell runs through itself. An open shell encloses nothing
//! that could be told.

use crate::body::Body;
use crate::triangle::normal;
use rayon::prelude::*;
use stringline_core::{Point3, Vec3};

/// A line that passes an edge closer than this share of the facet's size is taken anew elsewhere.
const GRAZE: f64 = 1e-9;

/// Directions to look along, none of them along a usual one of a part.
const DIRECTIONS: [[f64; 3]; 5] =
    [[0.36, 0.48, 0.80], [-0.61, 0.37, 0.70], [0.23, -0.87, 0.43], [0.71, 0.53, -0.46], [-0.41, -0.29, -0.86]];

/// One connected part of a surface.
#[derive(Clone, Debug)]
pub(crate) struct Shell {
    /// A vertex of it.
    pub(crate) vertex: u32,
    kind: Kind,
    low: Point3,
    high: Point3,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Open,
    /// Closed, but facets disagree on which side is out.
    Closed,
    /// Closed, and all facets agree.
    Oriented,
}

/// All shells of a body.
pub(crate) struct Shells {
    pub(crate) all: Vec<Shell>,
    /// Which one each facet belongs to, in the order of the facets.
    of_facet: Vec<u32>,
}

impl Shells {
    pub(crate) fn closed(&self) -> impl Iterator<Item = &Shell> {
        self.all.iter().filter(|s| s.kind != Kind::Open)
    }

    pub(crate) fn all_closed(&self) -> bool {
        self.all.iter().all(|s| s.kind != Kind::Open)
    }

    pub(crate) fn all_oriented(&self) -> bool {
        self.all.iter().all(|s| s.kind == Kind::Oriented)
    }
}

/// Takes a surface apart.
pub(crate) fn shells(vertices: &[Point3], facets: &[[u32; 3]]) -> Shells {
    // Union of the vertices of each facet; the root is the lowest of its set.
    let mut parent: Vec<u32> = (0..vertices.len() as u32).collect();
    let find = |parent: &mut [u32], mut v: u32| {
        while parent[v as usize] != v {
            parent[v as usize] = parent[parent[v as usize] as usize];
            v = parent[v as usize];
        }
        v
    };
    for &[a, b, c] in facets {
        for v in [b, c] {
            let (s, t) = (find(&mut parent, a), find(&mut parent, v));
            let (low, high) = (s.min(t), s.max(t));
            parent[high as usize] = low;
        }
    }
    let mut shell_of = vec![u32::MAX; vertices.len()];
    let mut all: Vec<Shell> = Vec::new();
    let of_facet: Vec<u32> = facets
        .iter()
        .map(|facet| {
            let root = find(&mut parent, facet[0]) as usize;
            if shell_of[root] == u32::MAX {
                shell_of[root] = all.len() as u32;
                let p = vertices[root];
                all.push(Shell { vertex: root as u32, kind: Kind::Oriented, low: p, high: p });
            }
            let shell = &mut all[shell_of[root] as usize];
            for &v in facet {
                let p = vertices[v as usize];
                (shell.low, shell.high) = (shell.low.inf(&p), shell.high.sup(&p));
            }
            shell_of[root]
        })
        .collect();
    // Every edge by its lower and higher vertex, with which way it runs in the last bit.
    let mut edges: Vec<(u64, bool)> = facets
        .par_iter()
        .with_min_len(4096)
        .flat_map_iter(|f| {
            [(f[0], f[1]), (f[1], f[2]), (f[2], f[0])]
                .into_iter()
                .map(|(u, v)| (u64::from(u.min(v)) << 32 | u64::from(u.max(v)), u < v))
        })
        .collect();
    edges.par_sort_unstable();
    for edge in edges.chunk_by(|a, b| a.0 == b.0) {
        let kind = match edge {
            [a, b] if a.1 != b.1 => continue,
            [_, _] => Kind::Closed,
            _ => Kind::Open,
        };
        let shell = &mut all[shell_of[find(&mut parent, edge[0].0 as u32) as usize] as usize];
        if shell.kind != Kind::Open {
            shell.kind = kind;
        }
    }
    Shells { all, of_facet }
}

/// Whether a point (mm, in the body's frame) lies in what the body encloses.
pub(crate) fn encloses(body: &Body, p: &Vec3) -> bool {
    let holds = |s: &Shell| (0..3).all(|i| s.low[i] < p[i] && p[i] < s.high[i]);
    if !body.shells().closed().any(holds) {
        return false;
    }
    let mut votes = 0;
    for d in DIRECTIONS {
        let d = Vec3::from(d).normalize();
        if let Some(inside) = along(body, p, &d) {
            return inside;
        }
        votes += 1;
    }
    // Every line grazes an edge: the point lies on the surface itself.
    votes > 0
}

/// As a line tells it; `None` if it grazes an edge.
fn along(body: &Body, p: &Vec3, d: &Vec3) -> Option<bool> {
    let tree = body.tree();
    let shells = body.shells();
    let mut crossed: Vec<(u32, i32, u32)> = Vec::new();
    let mut open = vec![1usize];
    while let Some(node) = open.pop() {
        let b = tree.bounds(node);
        let (o, r) = (b.axes.tr_mul(&(p - b.centre)), b.axes.tr_mul(d));
        let (mut enter, mut leave) = (0.0f64, f64::INFINITY);
        for i in 0..3 {
            let (s, t) = ((-b.half[i] - o[i]) / r[i], (b.half[i] - o[i]) / r[i]);
            // A line along a side gives no number, which neither takes.
            enter = enter.max(s.min(t));
            leave = leave.min(s.max(t));
        }
        if enter > leave {
            continue;
        }
        if !tree.is_leaf(node) {
            open.extend([2 * node, 2 * node + 1]);
            continue;
        }
        for place in tree.run(node) {
            let shell = shells.of_facet[place];
            if shells.all[shell as usize].kind == Kind::Open {
                continue;
            }
            let t = body.triangle(place);
            let n = normal(&t);
            let along = n.dot(d);
            let size = (t[1] - t[0]).norm_squared().max((t[2] - t[0]).norm_squared());
            let volumes = [0, 1, 2].map(|i| (t[i] - p).cross(&(t[(i + 1) % 3] - p)).dot(d));
            let (low, high) = (
                volumes.iter().fold(f64::INFINITY, |m, v| m.min(*v)),
                volumes.iter().fold(f64::NEG_INFINITY, |m, v| m.max(*v)),
            );
            let graze = GRAZE * size;
            if low < -graze && high > graze {
                continue;
            }
            // Towards the facet, not away from it.
            let ahead = n.dot(&(t[0] - p)) * along;
            if low.abs().min(high.abs()) <= graze || volumes.iter().any(|v| v.abs() <= graze) {
                if ahead < 0.0 && along != 0.0 {
                    continue;
                }
                return None;
            }
            if ahead > 0.0 {
                let turn = if along > 0.0 { 1 } else { -1 };
                match crossed.iter_mut().find(|c| c.0 == shell) {
                    Some(c) => (c.1, c.2) = (c.1 + turn, c.2 + 1),
                    None => crossed.push((shell, turn, 1)),
                }
            }
        }
    }
    // Together, so that the wall of a cavity, a shell of its own that faces inwards, takes away what it bounds.
    let kind = |c: &(u32, i32, u32)| shells.all[c.0 as usize].kind;
    let winding: i32 = crossed.iter().filter(|c| kind(c) == Kind::Oriented).map(|c| c.1).sum();
    Some(winding != 0 || crossed.iter().any(|c| kind(c) == Kind::Closed && c.2 % 2 == 1))
}

/// A vertex of `a` on a shell that lies in what `b` encloses, if there is one; `b_from_a` as a function.
/// Only to be asked where the surfaces do not cross: then a shell lies inside with all of it or not at all.
pub(crate) fn shell_within(a: &Body, b: &Body, b_from_a: impl Fn(&Point3) -> Point3) -> Option<u32> {
    if b.is_open() {
        return None;
    }
    a.shells().all.iter().map(|s| s.vertex).find(|&v| encloses(b, &b_from_a(&a.vertices()[v as usize]).coords))
}
