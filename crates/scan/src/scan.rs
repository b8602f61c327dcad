//! A scan made ready to work on: points with normals, neighbours and a spatial index.

use crate::brush::Patch;
use crate::facets::Facets;
use crate::geometry::{Cloud, Geometry};
use crate::index::Index;
use crate::rings::Rings;
use crate::runs::Runs;
use crate::{normals, order};
use stringline_core::{Point3, Vec3};

/// Points of a cloud up to this many spacings apart can be neighbours on its surface.
const LINK_SPACINGS: f64 = 3.0;

/// Neighbours' normals differ by less than this: cos 60°.
const LINK_TURN: f64 = 0.5;

/// A step between neighbours rises from the surface by less than this share of its length,
/// sin 30°: what lies behind a thin wall is not a neighbour, however near.
const LINK_RISE: f64 = 0.5;

/// Points whose neighbourhood tells the spacing.
const SPACING_SAMPLE: usize = 2000;

/// A mesh or a cloud with a unit outward normal at every point, its adjacency and a spatial index.
///
/// A *point* is a vertex of a mesh or a point of a cloud, and goes by its place in
/// [`Scan::points`]. A mesh keeps the order it came in; a cloud is sorted along a
/// space-filling curve ([`order::z_order`]), by which searches run several times faster.
/// The order depends on the points alone, so that the same file gives the same ids.
///
/// ```
/// use stringline_scan::{Cloud, Dab, Geometry, Point3, Scan};
///
/// let points = (0..400).map(|i| Point3::new(f64::from(i % 20), f64::from(i / 20), 0.0)).collect();
/// let scan = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
/// let patch = scan.paint(&[Dab::new(Point3::new(10.0, 10.0, 0.0), 3.5)])?;
/// assert_eq!(patch.points.len(), 37);
/// # Ok::<(), stringline_scan::PaintError>(())
/// ```
pub struct Scan {
    geometry: Geometry,
    normals: Vec<Vec3>,
    oriented: bool,
    spacing: f64,
    index: Index,
    bounds: Option<(Point3, Point3)>,
    /// Of a mesh; none of a cloud.
    rings: Option<Rings>,
    /// Of a mesh; none of a cloud.
    facets: Option<Facets>,
}

/// The points of a patch, as a fit takes them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sample {
    /// Positions in the scan's frame, mm.
    pub points: Vec<Point3>,
    /// One outward unit normal a point (zero where the surface has none there), or empty
    /// where the scan cannot tell outside from inside.
    pub normals: Vec<Vec3>,
}

impl Scan {
    /// Takes a geometry in and makes it ready, on all cores.
    ///
    /// Normals of a mesh come from its facets. A cloud keeps its file's normals; where it has
    /// none they are estimated from each point's neighbourhood, with an arbitrary sign, and the
    /// scan is not [oriented](Scan::oriented).
    pub fn new(geometry: Geometry) -> Scan {
        match geometry {
            Geometry::Mesh(mesh) => {
                let index = Index::new(&mesh.vertices);
                let rings = Rings::new(&mesh);
                Scan {
                    normals: normals::of_mesh(&mesh, &rings),
                    oriented: true,
                    spacing: spacing(&mesh.vertices, &index),
                    index,
                    rings: Some(rings),
                    facets: Some(Facets::new(&mesh)),
                    geometry: Geometry::Mesh(mesh),
                    bounds: None,
                }
                .bounded()
            }
            Geometry::Cloud(cloud) => {
                let order = order::z_order(&cloud.points);
                let points: Vec<Point3> = order.iter().map(|&i| cloud.points[i as usize]).collect();
                let index = Index::new(&points);
                let oriented = !points.is_empty() && cloud.normals.len() == points.len();
                let normals = if oriented {
                    let unit = |i: &u32| {
                        let n = cloud.normals[*i as usize];
                        n.try_normalize(0.0).filter(|n| n.norm() > 0.5).unwrap_or_else(Vec3::zeros)
                    };
                    order.iter().map(unit).collect()
                } else {
                    normals::of_cloud(&points, &index)
                };
                Scan {
                    spacing: spacing(&points, &index),
                    index,
                    rings: None,
                    facets: None,
                    bounds: None,
                    oriented,
                    geometry: Geometry::Cloud(Cloud {
                        normals: if oriented { normals.clone() } else { Vec::new() },
                        points,
                    }),
                    normals,
                }
                .bounded()
            }
        }
    }

    fn bounded(mut self) -> Scan {
        self.bounds = self.geometry.bounds();
        self
    }

    /// What the scan holds. A cloud is in the order of [`Scan::points`], not of its file.
    pub fn geometry(&self) -> &Geometry {
        &self.geometry
    }

    /// The vertices of a mesh or the points of a cloud, mm.
    pub fn points(&self) -> &[Point3] {
        self.geometry.points()
    }

    /// One unit normal a point; zero where the surface has none (a vertex without facets, a
    /// neighbourhood that is a line). Outward if the scan is [oriented](Scan::oriented).
    pub fn normals(&self) -> &[Vec3] {
        &self.normals
    }

    /// Whether the normals point out of the material: true for a mesh and for a cloud that came
    /// with normals, false where they were estimated and their sign means nothing.
    pub fn oriented(&self) -> bool {
        self.oriented
    }

    /// How far apart the points lie, mm: the median over the scan of the side of the square of
    /// surface that a point stands for, √(πr²/8) with r the distance of its eighth neighbour.
    /// Zero for fewer than two points.
    pub fn spacing(&self) -> f64 {
        self.spacing
    }

    /// The point nearest to `p` (to a tenth of a micrometre); `None` for an empty scan.
    pub fn nearest(&self, p: &Point3) -> Option<u32> {
        self.index.nearest(p)
    }

    /// Its points in runs, for [`Scan::nearest_to_each`].
    pub fn runs(&self) -> Runs {
        match &self.geometry {
            Geometry::Mesh(mesh) => Runs::new(&mesh.vertices),
            Geometry::Cloud(cloud) => Runs::of_ordered(&cloud.points),
        }
    }

    /// The point nearest to each of `places` (to a tenth of a micrometre); `None` for an empty scan. Fast where
    /// places that follow one another lie close together, as points of another scan in [`order::z_order`] do.
    pub fn nearest_to_each(&self, runs: &Runs, places: &[Point3]) -> Vec<Option<u32>> {
        self.index.nearest_to_each(self.points(), runs, places)
    }

    /// The points within `radius` (mm) of `p`, in order of id.
    pub fn within(&self, p: &Point3, radius: f64) -> Vec<u32> {
        self.index.within(self.points(), p, radius)
    }

    /// The `k` points nearest to `p`, nearest first (to a tenth of a micrometre); all if there are fewer.
    pub fn k_nearest(&self, p: &Point3, k: usize) -> Vec<u32> {
        self.index.k_nearest(p, k)
    }

    /// The points next to `point` on the surface, in order of id: on a mesh those that share a
    /// facet with it; on a cloud those within three spacings whose normal differs by less than
    /// 60° and that do not lie off the surface, as the other side of a thin wall does.
    /// None for an id that is not there.
    pub fn neighbours(&self, point: u32) -> Vec<u32> {
        match (&self.geometry, &self.rings) {
            (Geometry::Mesh(mesh), Some(rings)) => rings.neighbours(mesh, point),
            _ => {
                let Some(p) = self.points().get(point as usize) else {
                    return Vec::new();
                };
                let mut near = self.within(p, self.link());
                near.retain(|&other| other != point && self.linked(point, other));
                near
            }
        }
    }

    /// The positions and normals of a patch. Ids that are not in this scan are left out.
    pub fn sample(&self, patch: &Patch) -> Sample {
        let there = || patch.points.iter().map(|&i| i as usize);
        Sample {
            points: there().filter_map(|i| self.points().get(i).copied()).collect(),
            normals: if self.oriented {
                there().filter_map(|i| self.normals.get(i).copied()).collect()
            } else {
                Vec::new()
            },
        }
    }

    /// Smallest and largest coordinates, mm; `None` for an empty scan.
    pub fn bounds(&self) -> Option<(Point3, Point3)> {
        self.bounds
    }

    /// The spatial index over [`Scan::points`].
    pub(crate) fn index(&self) -> &Index {
        &self.index
    }

    /// How facets of a mesh are found.
    pub(crate) fn facets(&self) -> Option<&Facets> {
        self.facets.as_ref()
    }

    /// Searches the facets in another way.
    #[cfg(test)]
    pub(crate) fn set_facets(&mut self, facets: Facets) {
        self.facets = Some(facets);
    }

    /// The adjacency of a mesh.
    pub(crate) fn rings(&self) -> Option<&Rings> {
        self.rings.as_ref()
    }

    /// How far apart neighbours on a cloud can be, mm.
    pub(crate) fn link(&self) -> f64 {
        LINK_SPACINGS * self.spacing
    }

    /// Whether two points of a cloud are next to each other on one surface. Symmetric.
    pub(crate) fn linked(&self, a: u32, b: u32) -> bool {
        let (a, b) = (a as usize, b as usize);
        let step = self.points()[b] - self.points()[a];
        let length_squared = step.norm_squared();
        let link = self.link();
        if length_squared > link * link {
            return false;
        }
        let (na, nb) = (self.normals[a], self.normals[b]);
        let turn = na.dot(&nb);
        let agree = if self.oriented { turn } else { turn.abs() };
        // A zero normal says nothing, so it forbids nothing.
        let known = na != Vec3::zeros() && nb != Vec3::zeros();
        if known && agree < LINK_TURN {
            return false;
        }
        // Noise lifts near points off the surface by more than a share of their distance.
        let rise = LINK_RISE * length_squared.sqrt().max(self.spacing);
        na.dot(&step).abs() <= rise && nb.dot(&step).abs() <= rise
    }
}

/// What it holds, in a line: millions of points are of no use to a reader.
impl std::fmt::Debug for Scan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let facets = match &self.geometry {
            Geometry::Mesh(mesh) => mesh.facets.len(),
            Geometry::Cloud(_) => 0,
        };
        write!(f, "Scan({} points, {facets} facets)", self.points().len())
    }
}

/// See [`Scan::spacing`].
fn spacing(points: &[Point3], index: &Index) -> f64 {
    let stride = points.len() / SPACING_SAMPLE + 1;
    let mut spacings: Vec<f64> = points
        .iter()
        .step_by(stride)
        .filter_map(|p| {
            let near = index.k_nearest(p, 9);
            let others = near.len().checked_sub(1).filter(|&n| n > 0)?;
            let reach = near.iter().map(|&i| (points[i as usize] - p).norm()).fold(0.0, f64::max);
            // Coincident points tell nothing.
            (reach > 0.0 && reach.is_finite()).then(|| reach * (std::f64::consts::PI / others as f64).sqrt())
        })
        .collect();
    spacings.sort_unstable_by(f64::total_cmp);
    spacings.get(spacings.len() / 2).copied().unwrap_or(0.0)
}
