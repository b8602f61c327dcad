//! Whether many points lie inside a closed mesh.
//!
//! A line straight up from a point crosses a closed surface an odd number of times where the point lies inside; where all
//! facets agree on which side is out, crossings outwards less those inwards (the winding number) tell it even where the
//! surface runs through itself. Facets are kept in the columns of a grid over x and y. Whether a line passes a facet is
//! told by its edges alone, each always taken from its lower vertex to its higher, so that of facets that share an edge
//! never both or none are crossed.

use stringline_core::{Point3, Vec3};
use stringline_scan::Mesh;

/// Facets may be entered this many times each, on average.
const ENTRIES: usize = 6;

/// A closed mesh with its facets in columns.
pub(crate) struct Columns<'m> {
    mesh: &'m Mesh,
    low: [f64; 2],
    cell: f64,
    size: [usize; 2],
    /// Where each column's facets begin among all.
    starts: Vec<u32>,
    facets: Vec<u32>,
    /// Whether facets agree on which side is out.
    oriented: bool,
    /// Whether that side is out.
    outward: bool,
}

impl<'m> Columns<'m> {
    /// `None` of a mesh with a border, or without facets.
    pub(crate) fn new(mesh: &'m Mesh) -> Option<Columns<'m>> {
        let shells = crate::inside::shells(&mesh.vertices, &mesh.facets);
        if mesh.facets.is_empty() || !shells.all_closed() {
            return None;
        }
        let used = || mesh.facets.iter().flatten().map(|&v| mesh.vertices[v as usize]);
        let (mut low, mut high) = (mesh.corners(0)[0], mesh.corners(0)[0]);
        used().for_each(|p| (low, high) = (low.inf(&p), high.sup(&p)));
        let wide = [high.x - low.x, high.y - low.y].map(|w| w.max(1e-9));
        let mut columns = Columns {
            mesh,
            low: [low.x, low.y],
            cell: (wide[0] * wide[1] / mesh.facets.len() as f64).sqrt().max(1e-4 * wide[0].max(wide[1])),
            size: [1, 1],
            starts: Vec::new(),
            facets: Vec::new(),
            oriented: shells.all_oriented(),
            outward: volume(mesh, &low) >= 0.0,
        };
        // Columns wide enough that long facets are not entered too often.
        let most = ENTRIES * mesh.facets.len() + 1024;
        loop {
            columns.size = wide.map(|w| (w / columns.cell) as usize + 1);
            let entries = |f: u32| columns.over(f).into_iter().map(|[a, b]| b - a + 1).product::<usize>();
            if (0..mesh.facets.len() as u32).map(entries).sum::<usize>() <= most || columns.size == [1, 1] {
                break;
            }
            columns.cell *= 1.5;
        }
        let each = |mut enter: Box<dyn FnMut(usize, u32) + '_>, columns: &Columns<'_>| {
            for facet in 0..mesh.facets.len() as u32 {
                let [[x0, x1], [y0, y1]] = columns.over(facet);
                (y0..=y1).for_each(|y| (x0..=x1).for_each(|x| enter(y * columns.size[0] + x, facet)));
            }
        };
        let mut starts = vec![0u32; columns.size[0] * columns.size[1] + 1];
        each(Box::new(|column, _| starts[column + 1] += 1), &columns);
        (1..starts.len()).for_each(|i| starts[i] += starts[i - 1]);
        let (mut next, mut facets) = (starts.clone(), vec![0u32; starts.last().map_or(0, |&n| n as usize)]);
        each(
            Box::new(|column, facet| {
                facets[next[column] as usize] = facet;
                next[column] += 1;
            }),
            &columns,
        );
        (columns.starts, columns.facets) = (starts, facets);
        Some(columns)
    }

    /// The columns under a facet: first and last, along x and y.
    fn over(&self, facet: u32) -> [[usize; 2]; 2] {
        let corners = self.mesh.corners(facet);
        [0, 1].map(|axis| {
            let at = corners.map(|p| self.place(p[axis], axis));
            [at.into_iter().min().unwrap_or(0), at.into_iter().max().unwrap_or(0)]
        })
    }

    fn place(&self, x: f64, axis: usize) -> usize {
        (((x - self.low[axis]) / self.cell).max(0.0) as usize).min(self.size[axis] - 1)
    }

    /// Whether all facets agree on which side is out.
    pub(crate) fn oriented(&self) -> bool {
        self.oriented
    }

    /// Whether a point that is nearest to the outside (or inside) of a facet lies where that says. `off` is its distance
    /// from the surface, mm.
    pub(crate) fn agrees(&self, p: &Point3, inside: bool, off: f64) -> bool {
        // A line that grazes a facet on edge may be told wrongly: then one beside it is asked.
        let step = Vec3::new(0.31, 0.17, 0.0) * off.abs().min(0.01);
        self.inside(p) == inside || self.inside(&(p + step)) == inside
    }

    fn inside(&self, p: &Point3) -> bool {
        let beyond =
            |axis: usize| p[axis] < self.low[axis] || p[axis] > self.low[axis] + self.cell * self.size[axis] as f64;
        let (mut winding, mut count) = (0, 0);
        if !(beyond(0) || beyond(1)) {
            let column = self.place(p.y, 1) * self.size[0] + self.place(p.x, 0);
            for &facet in &self.facets[self.starts[column] as usize..self.starts[column + 1] as usize] {
                let turn = self.passes(facet, p);
                if turn != 0 && self.above(facet, p) {
                    (winding, count) = (winding + turn, count + 1);
                }
            }
        }
        match (self.oriented, self.outward) {
            (true, true) => winding >= 1,
            // Inside out: outside counts as inside.
            (true, false) => winding >= 0,
            (false, outward) => (count % 2 == 1) == outward,
        }
    }

    /// Whether the line passes a facet: 1 if it faces up, −1 if down, 0 if it does not.
    fn passes(&self, facet: u32, p: &Point3) -> i32 {
        let ids = self.mesh.facets[facet as usize];
        let mut turn = 0;
        for i in 0..3 {
            let (from, to) = (ids[i], ids[(i + 1) % 3]);
            let (a, b) = (self.mesh.vertices[from.min(to) as usize], self.mesh.vertices[from.max(to) as usize]);
            // A level line to greater x from p crosses the edge.
            if (a.y > p.y) != (b.y > p.y) && p.x < a.x + (b.x - a.x) * ((p.y - a.y) / (b.y - a.y)) {
                let upwards = (b.y > a.y) == (from < to);
                turn += if upwards { 1 } else { -1 };
            }
        }
        turn
    }

    fn above(&self, facet: u32, p: &Point3) -> bool {
        let n = self.mesh.area_vector(facet);
        n.dot(&(p - self.mesh.corners(facet)[0])) * n.z < 0.0
    }
}

/// Six times what the facets enclose: positive where they face outwards.
fn volume(mesh: &Mesh, about: &Point3) -> f64 {
    let of = |f: u32| {
        let [a, b, c] = mesh.corners(f).map(|p| p - about);
        a.dot(&b.cross(&c))
    };
    (0..mesh.facets.len() as u32).map(of).sum()
}
