//! What a scan holds: a mesh or a cloud, in f64 so that a car frame metres from
//! its origin costs no precision.

use rayon::prelude::*;
use stringline_core::{Point3, Vec3};

/// A triangle mesh with shared vertices, in the scan's frame, mm.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Mesh {
    /// Vertex positions, mm.
    pub vertices: Vec<Point3>,
    /// Three vertex indices a facet, counter-clockwise seen from outside the material.
    pub facets: Vec<[u32; 3]>,
}

impl Mesh {
    /// The corners of a facet.
    pub fn corners(&self, facet: u32) -> [Point3; 3] {
        self.facets[facet as usize].map(|v| self.vertices[v as usize])
    }

    /// Twice the facet's area along its outward normal, mm²; zero for a degenerate facet.
    pub fn area_vector(&self, facet: u32) -> Vec3 {
        let [a, b, c] = self.corners(facet);
        (b - a).cross(&(c - a))
    }
}

/// A point cloud in the scan's frame, mm.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cloud {
    /// Positions, mm.
    pub points: Vec<Point3>,
    /// One outward unit normal a point, or empty where the file has none.
    pub normals: Vec<Vec3>,
}

/// Either kind of scan.
#[derive(Clone, Debug, PartialEq)]
pub enum Geometry {
    /// Facets over shared vertices.
    Mesh(Mesh),
    /// Points alone.
    Cloud(Cloud),
}

impl Geometry {
    /// The vertices of a mesh or the points of a cloud, mm.
    pub fn points(&self) -> &[Point3] {
        match self {
            Geometry::Mesh(mesh) => &mesh.vertices,
            Geometry::Cloud(cloud) => &cloud.points,
        }
    }

    /// Smallest and largest coordinates, mm; `None` for an empty scan.
    pub fn bounds(&self) -> Option<(Point3, Point3)> {
        // Plain comparisons, as there is no NaN here: a third of the time of `inf` and `sup`.
        let less = |a: &Point3, b: &Point3| a.coords.zip_map(&b.coords, |a, b| if a < b { a } else { b }).into();
        let more = |a: &Point3, b: &Point3| a.coords.zip_map(&b.coords, |a, b| if a > b { a } else { b }).into();
        let join = |a: (Point3, Point3), b: (Point3, Point3)| (less(&a.0, &b.0), more(&a.1, &b.1));
        let bounds = |part: &[Point3]| part.iter().map(|p| (*p, *p)).reduce(join);
        self.points().par_chunks(1 << 15).filter_map(bounds).reduce_with(join)
    }
}
