//! A body ready to have distances measured to it.

use crate::inside::{Shells, shells};
use crate::tree::{Obb, Tree};
use crate::triangle::Triangle;
use rayon::prelude::*;
use std::borrow::Cow;
use std::collections::BinaryHeap;
use std::sync::Arc;
use stringline_core::{Explain, Point3, UnitVec3, Vec3};
use stringline_scan::{Geometry, Mesh, Scan};

/// Facets in a leaf of the tree, at most.
const LEAF: usize = 2;

/// A ball as large as this share of a cloud's spacing about every point covers an evenly scanned
/// surface: half the diagonal of the square that a point stands for.
const BALL: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// A mesh, or a cloud, with a tree over it. Cheap to clone.
#[derive(Clone)]
pub struct Body {
    inner: Arc<Inner>,
}

struct Inner {
    vertices: Vec<Point3>,
    /// In the order of the tree.
    facets: Vec<[u32; 3]>,
    /// What each of them was called.
    ids: Vec<u32>,
    /// Where each of those that came is now; `u32::MAX` for one that was left out.
    places: Vec<u32>,
    tree: Tree,
    shells: Shells,
    skin: f64,
    bounds: (Point3, Point3),
}

/// Why there is no body.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BodyError {
    /// No facet, no point.
    #[error("there is no surface to measure to")]
    Empty,
    /// A coordinate that is not finite.
    #[error("vertex {vertex} has a coordinate that is not a number")]
    NotFinite {
        /// Its place among the vertices.
        vertex: u32,
    },
    /// A facet with a vertex that is not there.
    #[error("facet {facet} names vertex {vertex}, but there are only {count}")]
    NoVertex {
        /// Its place among the facets.
        facet: u32,
        /// The vertex it names.
        vertex: u32,
        /// How many there are.
        count: usize,
    },
    /// A size that makes no body.
    #[error("{what} of {value} mm makes no body")]
    Size {
        /// Which size.
        what: &'static str,
        /// Its value, mm.
        value: f64,
    },
    /// An outline that bounds no area.
    #[error("the outline of {count} points bounds no flat area")]
    Outline {
        /// How many points it has.
        count: usize,
    },
}

impl Explain for BodyError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            BodyError::Empty => "Choose a scan or a design that holds a surface.",
            BodyError::NotFinite { .. } | BodyError::NoVertex { .. } => {
                "Write the file again from the program it came from, then import it anew."
            }
            BodyError::Size { .. } => "Give a size of more than 0 mm.",
            BodyError::Outline { .. } => {
                "Give three or more corners in one plane, in order round the outline, that do not cross it."
            }
        }
        .into()
    }
}

impl Body {
    /// A scan as a body, in its own frame.
    ///
    /// A mesh is taken as it is. Of a cloud every point becomes a ball of 0.71 of the scan's
    /// [spacing](Scan::spacing), which just covers an evenly scanned surface; so gaps to a cloud are too
    /// small by up to that [skin](Body::skin), and too large only at holes.
    ///
    /// # Errors
    /// An empty scan, a coordinate that is not finite, a facet that names no vertex.
    pub fn from_scan(scan: &Scan) -> Result<Body, BodyError> {
        match scan.geometry() {
            Geometry::Mesh(mesh) => Body::from_mesh(mesh),
            Geometry::Cloud(cloud) => {
                let facets = (0..cloud.points.len() as u32).map(|i| [i; 3]).collect();
                Body::new(cloud.points.clone(), facets, BALL * scan.spacing())
            }
        }
    }

    /// A mesh as a body, in its own frame. Facets that touch must share vertices for what they enclose
    /// to be known.
    ///
    /// # Errors
    /// As [`Body::from_scan`].
    pub fn from_mesh(mesh: &Mesh) -> Result<Body, BodyError> {
        Body::new(mesh.vertices.clone(), mesh.facets.clone(), 0.0)
    }

    /// A bar with round ends: everything within half of `diameter` (mm) of the line between two points.
    /// Distances to it are exact. With both points in one place it is a ball.
    ///
    /// # Errors
    /// A diameter that is not a positive length, a coordinate that is not finite.
    pub fn capsule(from: Point3, to: Point3, diameter: f64) -> Result<Body, BodyError> {
        if !(diameter.is_finite() && diameter > 0.0) {
            return Err(BodyError::Size { what: "a diameter", value: diameter });
        }
        // In lengths of about its diameter: a body of revolution's distance from a long line takes many divisions.
        // What is no number is refused below.
        let parts = (((to - from).norm() / diameter).ceil().clamp(1.0, 256.0) as u32).max(1);
        let places = (0..=parts).map(|i| from + (to - from) * (f64::from(i) / f64::from(parts)));
        Body::new(places.collect(), (0..parts).map(|i| [i, i + 1, i + 1]).collect(), 0.5 * diameter)
    }

    fn new(vertices: Vec<Point3>, facets: Vec<[u32; 3]>, skin: f64) -> Result<Body, BodyError> {
        if facets.is_empty() {
            return Err(BodyError::Empty);
        }
        if let Some(vertex) = vertices.par_iter().position_first(|p| !p.iter().all(|c| c.is_finite())) {
            return Err(BodyError::NotFinite { vertex: vertex as u32 });
        }
        let count = vertices.len();
        let astray = |f: &[u32; 3]| f.iter().any(|&v| v as usize >= count);
        if let Some(facet) = facets.par_iter().position_first(astray) {
            let vertex = facets[facet].into_iter().max().unwrap_or(0);
            return Err(BodyError::NoVertex { facet: facet as u32, vertex, count });
        }
        let first = facets[0][0] as usize;
        let (mut low, mut high) = (vertices[first], vertices[first]);
        for p in facets.iter().flatten().map(|&v| vertices[v as usize]) {
            (low, high) = (low.inf(&p), high.sup(&p));
        }
        let (tree, ids) = Tree::new(&vertices, &facets, nalgebra::center(&low, &high), LEAF);
        let mut places = vec![u32::MAX; facets.len()];
        let facets: Vec<[u32; 3]> = ids.iter().map(|&id| facets[id as usize]).collect();
        ids.iter().enumerate().for_each(|(place, &id)| places[id as usize] = place as u32);
        // Vertices in the order in which the tree's facets use them: those of a leaf lie side by side.
        let mut renamed = vec![u32::MAX; count];
        let mut sorted = Vec::with_capacity(count);
        let facets: Vec<[u32; 3]> = facets
            .into_iter()
            .map(|facet| {
                facet.map(|v| {
                    let name = &mut renamed[v as usize];
                    if *name == u32::MAX {
                        *name = sorted.len() as u32;
                        sorted.push(vertices[v as usize]);
                    }
                    *name
                })
            })
            .collect();
        let shells = shells(&sorted, &facets);
        let grown = Vec3::repeat(skin);
        let bounds = (low - grown, high + grown);
        Ok(Body { inner: Arc::new(Inner { vertices: sorted, facets, ids, places, tree, shells, skin, bounds }) })
    }

    /// Smallest and largest coordinates, mm.
    pub fn bounds(&self) -> (Point3, Point3) {
        self.inner.bounds
    }

    /// How far the body reaches beyond the facets measured to, mm: 0 for a mesh.
    pub fn skin(&self) -> f64 {
        self.inner.skin
    }

    /// How many facets (of a cloud: points) it holds.
    pub fn len(&self) -> usize {
        self.inner.facets.len()
    }

    /// Never: a body holds at least one facet.
    pub fn is_empty(&self) -> bool {
        false
    }

    /// Whether it encloses nothing, so that what lies within it cannot be told from what lies outside:
    /// no connected part of its surface is closed.
    pub fn is_open(&self) -> bool {
        self.inner.shells.closed().next().is_none()
    }

    /// The radius about a point of the ball that just holds the body, mm.
    pub fn sphere_about(&self, point: &Point3) -> f64 {
        self.farthest(|p| (p - point.coords).norm())
    }

    /// The radius about an axis of the cylinder that just holds the body, mm: a turn by an angle φ moves
    /// no point of the body by more than that times φ.
    pub fn cylinder_about(&self, point: &Point3, direction: &UnitVec3) -> f64 {
        self.farthest(|p| direction.cross(&(p - point.coords)).norm())
    }

    /// The largest value of a convex function that grows by no more than 1 a mm.
    fn farthest(&self, f: impl Fn(&Vec3) -> f64) -> f64 {
        let tree = self.tree();
        let bound = |node: usize| {
            let b = tree.bounds(node);
            Bound(f(&b.centre) + b.size().sqrt(), node)
        };
        let (mut most, mut open) = (0.0, BinaryHeap::from([bound(1)]));
        while let Some(Bound(most_possible, node)) = open.pop() {
            if most_possible <= most {
                break;
            }
            if tree.is_leaf(node) {
                for place in tree.run(node) {
                    most = self.triangle(place).iter().map(&f).fold(most, f64::max);
                }
            } else {
                open.extend([bound(2 * node), bound(2 * node + 1)]);
            }
        }
        most + self.inner.skin
    }

    pub(crate) fn tree(&self) -> &Tree {
        &self.inner.tree
    }

    pub(crate) fn shells(&self) -> &Shells {
        &self.inner.shells
    }

    pub(crate) fn vertices(&self) -> &[Point3] {
        &self.inner.vertices
    }

    /// The corners of the facet at a place in the tree.
    pub(crate) fn triangle(&self, place: usize) -> Triangle {
        self.inner.facets[place].map(|v| self.inner.vertices[v as usize].coords)
    }

    /// What the facet at a place was called when it came.
    pub(crate) fn id(&self, place: usize) -> u32 {
        self.inner.ids[place]
    }

    /// The place of a facet.
    pub(crate) fn place(&self, id: u32) -> Option<usize> {
        self.inner.places.get(id as usize).map(|&place| place as usize)
    }

    pub(crate) fn root(&self) -> Obb {
        self.inner.tree.bounds(1)
    }
}

impl std::fmt::Debug for Body {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Body({} facets, skin {} mm)", self.len(), self.inner.skin)
    }
}

/// A node and the most it can hold, greatest first.
struct Bound(f64, usize);

impl PartialEq for Bound {
    fn eq(&self, other: &Bound) -> bool {
        self.cmp(other).is_eq()
    }
}

impl Eq for Bound {}

impl PartialOrd for Bound {
    fn partial_cmp(&self, other: &Bound) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Bound {
    fn cmp(&self, other: &Bound) -> std::cmp::Ordering {
        self.0.total_cmp(&other.0).then(other.1.cmp(&self.1))
    }
}
