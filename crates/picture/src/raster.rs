//! A z-buffer rasteriser: scans to fragments, one a sample.
//!
//! Meshes are scan-converted with edge functions, clouds as discs that lie in the surface.
//! The sheet is cut into bands of rows that are drawn at the same time, each in the order
//! of layers and facets, so the number of cores does not show in the result.

use crate::scene::ScanLayer;
use crate::view::Projection;
use rayon::prelude::*;
use stringline_core::{Point3, Vec3};
use stringline_scan::{Geometry, Mesh};

/// Facets whose normals differ from a vertex's by more than this are drawn with an edge there, as a cosine (35°).
const CREASE: f32 = 0.82;
/// Rows drawn by one task.
const BAND: usize = 64;

/// What one sample sees.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fragment {
    /// Height towards the viewer, in samples like the other two coordinates; −∞ where nothing is seen.
    pub(crate) height: f32,
    /// Surface normal's share to the right and up, in units of 1/[`NORMAL_UNIT`]; it faces the viewer.
    pub(crate) normal: [i16; 2],
    /// Which surface, zero for none.
    pub(crate) surface: Surface,
    /// The value to colour it by.
    pub(crate) value: Value,
}

/// A value from −1 to 1, packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Value(u16);

impl Value {
    /// The surface is not coloured by values.
    pub(crate) const NONE: Value = Value(0);
    const STEPS: f32 = 65_000.0;

    fn new(value: f32) -> Value {
        if value.is_nan() { Value(1) } else { Value(2 + (0.5 * (value.clamp(-1.0, 1.0) + 1.0) * Self::STEPS) as u16) }
    }

    /// `None` where the surface is not coloured by values; NaN where it has none there.
    pub(crate) fn get(self) -> Option<f32> {
        match self.0 {
            0 => None,
            1 => Some(f32::NAN),
            v => Some(2.0 * f32::from(v - 2) / Self::STEPS - 1.0),
        }
    }
}

/// The length of a unit normal in a fragment.
pub(crate) const NORMAL_UNIT: f32 = 32_000.0;

/// Layer and state of a surface, packed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Surface(u16);

impl Surface {
    pub(crate) const NONE: Surface = Surface(0);
    const FLAT: u16 = 1;
    const PAINTED: u16 = 2;
    const INSIDE: u16 = 4;

    fn new(layer: usize, painted: bool) -> Self {
        let layer = layer.min(usize::from(u16::MAX >> 3) - 1) as u16 + 1;
        Surface(layer << 3 | if painted { Self::PAINTED } else { 0 })
    }

    /// The layer's number; meaningless for [`Surface::NONE`].
    pub(crate) fn layer(self) -> usize {
        usize::from(self.0 >> 3).saturating_sub(1)
    }

    pub(crate) fn is_none(self) -> bool {
        self.0 == 0
    }

    pub(crate) fn is_painted(self) -> bool {
        self.0 & Self::PAINTED != 0
    }

    /// Seen from within the material.
    pub(crate) fn is_inside(self) -> bool {
        self.0 & Self::INSIDE != 0
    }

    /// The normal is unknown.
    pub(crate) fn is_flat(self) -> bool {
        self.0 & Self::FLAT != 0
    }
}

impl Fragment {
    pub(crate) const EMPTY: Fragment =
        Fragment { height: f32::NEG_INFINITY, normal: [0, 0], surface: Surface::NONE, value: Value::NONE };

    /// The unit normal: right, up, to the viewer.
    pub(crate) fn unit_normal(&self) -> [f32; 3] {
        let x = f32::from(self.normal[0]) / NORMAL_UNIT;
        let y = f32::from(self.normal[1]) / NORMAL_UNIT;
        [x, y, (1.0 - x * x - y * y).max(0.0).sqrt()]
    }
}

/// Samples in rows from the top.
#[derive(Debug)]
pub(crate) struct Fragments {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) samples: Vec<Fragment>,
}

/// A half space that is cut away, in sheet coordinates (samples): what has `a·x + b·y + c·height + d > 0`.
#[derive(Clone, Copy, Debug)]
pub(crate) struct CutAway {
    pub(crate) a: f32,
    pub(crate) b: f32,
    pub(crate) c: f32,
    pub(crate) d: f32,
}

impl CutAway {
    fn removes(&self, x: f32, y: f32, height: f32) -> bool {
        self.a * x + self.b * y + self.c * height + self.d > 0.0
    }

    /// The cutting plane's height under a sample, unless it is seen edge-on.
    pub(crate) fn height_at(&self, x: f32, y: f32) -> Option<f32> {
        (self.c.abs() > 0.05).then(|| -(self.a * x + self.b * y + self.d) / self.c)
    }
}

/// Draws the layers on `width` × `height` samples; `projection` is in samples.
pub(crate) fn draw(
    layers: &[ScanLayer],
    projection: &Projection,
    cut: Option<&CutAway>,
    width: usize,
    height: usize,
) -> Fragments {
    let prepared: Vec<Prepared> =
        layers.iter().enumerate().map(|(number, layer)| Prepared::new(number, layer, projection, height)).collect();
    let mut samples = vec![Fragment::EMPTY; width * height];
    samples.par_chunks_mut((width * BAND).max(1)).enumerate().for_each(|(band, rows)| {
        let mut target = Band {
            width,
            first_row: band * BAND,
            last_row: (band * BAND + rows.len() / width.max(1)).saturating_sub(1),
            rows,
            cut,
        };
        for layer in &prepared {
            layer.draw(&mut target);
        }
    });
    Fragments { width, height, samples }
}

/// Some rows of the sheet.
struct Band<'a> {
    width: usize,
    first_row: usize,
    last_row: usize,
    rows: &'a mut [Fragment],
    cut: Option<&'a CutAway>,
}

impl Band<'_> {
    /// Rows (or columns) of samples whose centres may lie between two coordinates, within limits.
    fn span(low: f32, high: f32, first: usize, last: usize) -> std::ops::Range<usize> {
        let low = (low - 0.5).ceil().max(first as f32);
        let high = (high - 0.5).floor().min(last as f32);
        // Both are whole numbers within the sheet unless the span is empty.
        if low <= high { low as usize..high as usize + 1 } else { 0..0 }
    }

    fn offer(&mut self, column: usize, row: usize, fragment: Fragment) {
        if self.cut.is_some_and(|cut| cut.removes(column as f32 + 0.5, row as f32 + 0.5, fragment.height)) {
            return;
        }
        let index = (row - self.first_row) * self.width + column;
        if let Some(old) = self.rows.get_mut(index)
            && fragment.height > old.height
        {
            *old = fragment;
        }
    }
}

/// A layer in sheet coordinates.
struct Prepared<'a> {
    number: usize,
    /// Right, down and to the viewer, in samples; NaN for a point that is not finite.
    points: Vec<[f32; 3]>,
    /// Right, up, to the viewer; all zero where unknown.
    normals: Vec<[f32; 3]>,
    painted: Vec<bool>,
    /// One a point.
    values: Option<&'a [f32]>,
    /// Rows each primitive reaches.
    reach: Vec<[f32; 2]>,
    shape: Primitives<'a>,
}

enum Primitives<'a> {
    Facets(&'a Mesh),
    /// Discs of this radius, in samples.
    Discs(f32),
}

impl<'a> Prepared<'a> {
    fn new(number: usize, layer: &ScanLayer<'a>, projection: &Projection, sheet_height: usize) -> Self {
        let points: Vec<[f32; 3]> =
            layer.geometry.points().par_iter().map(|p| sheet_point(&(layer.scene_from_scan * p), projection)).collect();
        let given = layer
            .normals
            .or(match layer.geometry {
                Geometry::Cloud(cloud) => Some(cloud.normals.as_slice()),
                Geometry::Mesh(_) => None,
            })
            .filter(|normals| normals.len() == points.len());
        let turn = |n: &Vec3| {
            let n = layer.scene_from_scan.rotation * n;
            projection.basis.map(|axis| axis.dot(&n) as f32)
        };
        let normals = match (given, layer.geometry) {
            (Some(normals), _) => normals.par_iter().map(turn).collect(),
            (None, Geometry::Mesh(mesh)) => vertex_normals(mesh).par_iter().map(turn).collect(),
            (None, Geometry::Cloud(_)) => vec![[0.0; 3]; points.len()],
        };
        let primitives = match layer.geometry {
            Geometry::Mesh(mesh) => mesh.facets.len(),
            Geometry::Cloud(cloud) => cloud.points.len(),
        };
        let mut painted = vec![false; primitives];
        for &id in layer.painted {
            if let Some(flag) = painted.get_mut(id as usize) {
                *flag = true;
            }
        }
        let (shape, reach) = match layer.geometry {
            Geometry::Mesh(mesh) => (
                Primitives::Facets(mesh),
                mesh.facets
                    .par_iter()
                    .map(|facet| match corners(&points, facet) {
                        Some([a, b, c]) => [a[1].min(b[1]).min(c[1]), a[1].max(b[1]).max(c[1])],
                        None => [f32::INFINITY, f32::NEG_INFINITY],
                    })
                    .collect(),
            ),
            Geometry::Cloud(_) => {
                let radius = disc_radius(&points, sheet_height);
                (Primitives::Discs(radius), points.par_iter().map(|p| [p[1] - radius, p[1] + radius]).collect())
            }
        };
        let values = layer.values.filter(|values| values.len() == points.len());
        Prepared { number, points, normals, painted, values, reach, shape }
    }

    fn draw(&self, band: &mut Band) {
        // Centres of the band's first and last rows.
        let (top, bottom) = (band.first_row as f32, band.last_row as f32 + 1.0);
        for (index, &[low, high]) in self.reach.iter().enumerate() {
            if low > bottom || high < top || low.is_nan() {
                continue;
            }
            let painted = self.painted.get(index).copied().unwrap_or(false);
            let surface = Surface::new(self.number, painted);
            match &self.shape {
                Primitives::Facets(mesh) => {
                    if let Some(facet) = mesh.facets.get(index) {
                        self.facet(band, facet, surface);
                    }
                }
                Primitives::Discs(radius) => self.disc(band, index, *radius, surface),
            }
        }
    }

    fn facet(&self, band: &mut Band, facet: &[u32; 3], surface: Surface) {
        let Some([a, b, c]) = corners(&self.points, facet) else {
            return;
        };
        // Twice the signed area on a sheet whose y points down: negative when seen from outside.
        let area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
        if area == 0.0 || !area.is_finite() {
            return;
        }
        let inside = area > 0.0;
        let surface = if inside { Surface(surface.0 | Surface::INSIDE) } else { surface };
        let corner_normals = self.corner_normals(facet, [a, b, c], inside);
        let values = self.values.map(|values| facet.map(|v| values.get(v as usize).copied().unwrap_or(f32::NAN)));
        let rows = Band::span(a[1].min(b[1]).min(c[1]), a[1].max(b[1]).max(c[1]), band.first_row, band.last_row);
        let columns = Band::span(a[0].min(b[0]).min(c[0]), a[0].max(b[0]).max(c[0]), 0, band.width.saturating_sub(1));
        for row in rows {
            let y = row as f32 + 0.5;
            for column in columns.clone() {
                let x = column as f32 + 0.5;
                let edge = |p: [f32; 3], q: [f32; 3]| ((q[0] - p[0]) * (y - p[1]) - (q[1] - p[1]) * (x - p[0])) / area;
                let weights = [edge(b, c), edge(c, a), edge(a, b)];
                if weights.iter().any(|&w| w < 0.0) {
                    continue;
                }
                let mix = |values: [f32; 3]| weights[0] * values[0] + weights[1] * values[1] + weights[2] * values[2];
                let [na, nb, nc] = &corner_normals;
                let normal = [mix([na[0], nb[0], nc[0]]), mix([na[1], nb[1], nc[1]]), mix([na[2], nb[2], nc[2]])];
                let value = values.map_or(Value::NONE, |values| Value::new(mix(values)));
                let fragment = Fragment { height: mix([a[2], b[2], c[2]]), normal: packed(normal), surface, value };
                band.offer(column, row, fragment);
            }
        }
    }

    /// The normals to shade a facet's corners with, turned to the viewer: the vertices' own,
    /// or the facet's where it meets its neighbours at an edge.
    fn corner_normals(&self, facet: &[u32; 3], [a, b, c]: [[f32; 3]; 3], inside: bool) -> [[f32; 3]; 3] {
        let sign = if inside { -1.0 } else { 1.0 };
        let own = facing_normal(a, b, c);
        facet.map(|vertex| {
            let n = self.normals.get(vertex as usize).copied().unwrap_or([0.0; 3]);
            let agreement = n[0] * own[0] + n[1] * own[1] + n[2] * own[2];
            // "own" faces the viewer; the vertex's normal faces out of the material.
            if agreement * sign > CREASE { n.map(|v| v * sign) } else { own }
        })
    }

    fn disc(&self, band: &mut Band, index: usize, radius: f32, surface: Surface) {
        let (Some(&p), Some(&n)) = (self.points.get(index), self.normals.get(index)) else {
            return;
        };
        if p.iter().any(|v| !v.is_finite()) {
            return;
        }
        let known = n.iter().all(|v| v.is_finite()) && n.iter().any(|&v| v != 0.0);
        let (n, surface) = if !known {
            ([0.0, 0.0, 1.0], Surface(surface.0 | Surface::FLAT))
        } else if n[2] < 0.0 {
            // A cloud is drawn on both sides: where normals were estimated their sign means nothing.
            (n.map(|v| -v), surface)
        } else {
            (n, surface)
        };
        // A disc seen edge-on would be lost between samples and its heights unbounded.
        let nz = n[2].max(0.25);
        let packed = packed(n);
        let value = self.values.and_then(|values| values.get(index)).map_or(Value::NONE, |&v| Value::new(v));
        let columns = Band::span(p[0] - radius, p[0] + radius, 0, band.width.saturating_sub(1));
        for row in Band::span(p[1] - radius, p[1] + radius, band.first_row, band.last_row) {
            // Up on the sheet is −y.
            let up = p[1] - (row as f32 + 0.5);
            for column in columns.clone() {
                let right = column as f32 + 0.5 - p[0];
                let rise = -(n[0] * right + n[1] * up) / nz;
                if right * right + up * up + rise * rise > radius * radius {
                    continue;
                }
                let fragment = Fragment { height: p[2] + rise, normal: packed, surface, value };
                band.offer(column, row, fragment);
            }
        }
    }
}

fn sheet_point(p: &Point3, projection: &Projection) -> [f32; 3] {
    let [x, y, height] = projection.project(p);
    [x as f32, y as f32, (height * projection.scale) as f32]
}

fn corners(points: &[[f32; 3]], facet: &[u32; 3]) -> Option<[[f32; 3]; 3]> {
    let [a, b, c] = facet.map(|v| points.get(v as usize).copied());
    Some([a?, b?, c?])
}

/// Area-weighted vertex normals.
fn vertex_normals(mesh: &Mesh) -> Vec<Vec3> {
    let mut normals = vec![Vec3::zeros(); mesh.vertices.len()];
    for facet in &mesh.facets {
        let [Some(a), Some(b), Some(c)] = facet.map(|v| mesh.vertices.get(v as usize)) else {
            continue;
        };
        let area = (b - a).cross(&(c - a));
        for &v in facet {
            if let Some(n) = normals.get_mut(v as usize) {
                *n += area;
            }
        }
    }
    for n in &mut normals {
        *n = n.try_normalize(0.0).unwrap_or_default();
    }
    normals
}

/// The unit normal of a facet, of its two the one that faces the viewer: right, up, to the viewer.
fn facing_normal(a: [f32; 3], b: [f32; 3], c: [f32; 3]) -> [f32; 3] {
    let u = [b[0] - a[0], a[1] - b[1], b[2] - a[2]];
    let v = [c[0] - a[0], a[1] - c[1], c[2] - a[2]];
    let n = [u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]];
    let length = (n[0] * n[0] + n[1] * n[1] + n[2] * n[2]).sqrt();
    if length == 0.0 || !length.is_finite() {
        return [0.0, 0.0, 1.0];
    }
    n.map(|v| v / length.copysign(n[2]))
}

fn packed(n: [f32; 3]) -> [i16; 2] {
    let length = (n[0] * n[0] + n[1] * n[1] + n[2] * n[2]).sqrt().max(1e-12);
    // The cast saturates and sends NaN to zero.
    [n[0], n[1]].map(|v| (v / length * NORMAL_UNIT) as i16)
}

/// A radius at which discs on a cloud's points just close the surface, in samples.
///
/// The area comes from a coarse grid over the sheet; about half of the points of a part
/// seen from one side lie on its far side.
fn disc_radius(points: &[[f32; 3]], sheet_height: usize) -> f32 {
    const CELL: f32 = 16.0;
    let finite = points.iter().filter(|p| p.iter().all(|v| v.is_finite()));
    let mut cells: Vec<[i32; 2]> =
        finite.map(|p| [(p[0] / CELL).floor() as i32, (p[1] / CELL).floor() as i32]).collect();
    let count = cells.len();
    cells.sort_unstable();
    cells.dedup();
    let area = cells.len() as f32 * CELL * CELL;
    let spacing = (area / (0.5 * count.max(1) as f32)).sqrt();
    // Scans are uneven and slanting surface is seen denser than it is.
    (1.5 * spacing).clamp(1.5, (0.015 * sheet_height as f32).max(1.5))
}
