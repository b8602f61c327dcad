//! A scan in pieces that are drawn one by one, and coarse copies of it for a far view.
//!
//! Both speak of the scan's own points by their ids, so that positions, normals and whatever else
//! is known of a point (painted or not, its gap to another scan) are looked up, not copied.

use crate::geometry::Geometry;
use crate::scan::Scan;
use rayon::prelude::*;
use std::ops::Range;
use stringline_core::Point3;

/// Fewer items than this are split on one core.
const PARALLEL: usize = 1 << 14;

/// No point, or none yet.
const NONE: u32 = u32::MAX;

/// Times the size of the cells is corrected towards the wanted count.
const CORRECTIONS: usize = 5;

/// The count need not be nearer to the wanted one than this share of it.
const NEAR_ENOUGH: f64 = 0.1;

/// Beyond this many times the wanted facets the copy is made again with larger cells.
const TOO_MANY: f64 = 1.25;

/// Points a cell in the sample that the count is judged by: fewer would leave cells unseen.
const SAMPLE_OF_CELL: usize = 5;

/// Bits a cell's coordinate: three of them fill a 64-bit key.
const BITS: u32 = 21;

/// Part of a scan, or a coarse copy of it, with a numbering of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Of each of the piece's own vertices the point of the scan it is.
    pub points: Vec<u32>,
    /// Three of the piece's own vertices a facet, wound as in the scan; none of a cloud.
    pub facets: Vec<[u32; 3]>,
    /// Smallest and largest coordinates, mm.
    pub bounds: (Point3, Point3),
}

/// A whole scan with fewer facets or points.
#[derive(Clone, Debug, PartialEq)]
pub struct Coarse {
    /// The copy, in one piece: its vertices are points of the scan.
    pub piece: Piece,
    /// The size of the cells of which one point was kept, mm: no point of the copy's surface lies
    /// farther than `cell·√3` from the scan. Zero if the copy is the scan itself.
    pub cell: f64,
}

impl Scan {
    /// Splits the scan into pieces of at most `most` facets (of a cloud: points), and more than
    /// half of that, each compact in space. Every facet is in one piece; a point is in as many as
    /// its facets are, and one without facets in none.
    ///
    /// Facets keep the scan's order within a piece. The same scan gives the same pieces.
    ///
    /// ```
    /// # use stringline_scan::{Cloud, Geometry, Point3, Scan};
    /// # let points = (0..400).map(|i| Point3::new(f64::from(i % 20), f64::from(i / 20), 0.0)).collect();
    /// # let scan = Scan::new(Geometry::Cloud(Cloud { points, normals: vec![] }));
    /// for piece in scan.pieces(65_000) {
    ///     let positions: Vec<Point3> = piece.points.iter().map(|&id| scan.points()[id as usize]).collect();
    ///     assert_eq!(positions.len(), 400);
    /// }
    /// ```
    pub fn pieces(&self, most: usize) -> Vec<Piece> {
        let points = self.points();
        match self.geometry() {
            Geometry::Cloud(_) => {
                let mut items: Vec<Item> =
                    points.par_iter().enumerate().map(|(id, p)| Item::new(id as u32, *p)).collect();
                let runs = split(&mut items, most.max(1));
                runs.into_par_iter()
                    .filter_map(|run| {
                        let mut ids: Vec<u32> = items[run].iter().map(|item| item.id).collect();
                        ids.sort_unstable();
                        self.piece(ids, Vec::new())
                    })
                    .collect()
            }
            Geometry::Mesh(mesh) => {
                let mut items: Vec<Item> = mesh
                    .facets
                    .par_iter()
                    .enumerate()
                    .filter(|(_, facet)| facet.iter().all(|&v| (v as usize) < points.len()))
                    .map(|(id, facet)| {
                        let [a, b, c] = facet.map(|v| points[v as usize]);
                        Item::new(id as u32, Point3::from((a.coords + b.coords + c.coords) / 3.0))
                    })
                    .collect();
                let runs = split(&mut items, most.max(1));
                // A table of all points a worker, filled and cleared again for each piece.
                let share = runs.len().div_ceil(rayon::current_num_threads()).max(1);
                runs.par_chunks(share)
                    .flat_map_iter(|runs| {
                        let mut own = vec![NONE; points.len()];
                        let piece = |run: &Range<usize>| {
                            let mut facets: Vec<u32> = items[run.clone()].iter().map(|item| item.id).collect();
                            facets.sort_unstable();
                            let facets = facets.into_iter().map(|f| mesh.facets[f as usize]).collect();
                            self.renumbered(facets, &mut own)
                        };
                        runs.iter().filter_map(piece).collect::<Vec<Piece>>()
                    })
                    .collect()
            }
        }
    }

    /// Copies of the scan with about so many facets (of a cloud: points) each, for a view from
    /// afar, in the order of `counts`. Where the scan has no more than that, it is copied as it is.
    /// None at all of a scan that has none itself.
    ///
    /// The points of each cell of a cubic grid become one of them, the one nearest to their mean,
    /// and facets that keep three corners stay (J. Rossignac and P. Borrel, *Multi-resolution 3D
    /// approximations for rendering complex scenes*, in *Modeling in Computer Graphics*, Springer
    /// 1993). What is smaller than a cell vanishes.
    pub fn coarse(&self, counts: &[usize]) -> Vec<Coarse> {
        let mut order: Vec<usize> = (0..counts.len()).collect();
        order.sort_by_key(|&i| (std::cmp::Reverse(counts[i]), i));
        let mut copies: Vec<Option<Coarse>> = vec![None; counts.len()];
        // Each is made from the next finer one: the first takes nearly all of the time. Where so
        // few were wanted that nothing is left, the finer one stays.
        let mut finer: Option<Coarse> = None;
        for i in order {
            let copy = self.coarser(finer.as_ref(), counts[i]);
            finer = copy.or(finer).or_else(|| self.coarser(None, usize::MAX));
            copies[i] = finer.clone();
        }
        copies.into_iter().flatten().collect()
    }

    /// One coarse copy, of the scan or of a finer copy; `None` if nothing is left.
    fn coarser(&self, finer: Option<&Coarse>, count: usize) -> Option<Coarse> {
        let whole: Vec<u32>;
        let (ids, facets, cell): (&[u32], &[[u32; 3]], f64) = match (finer, self.geometry()) {
            (Some(finer), _) => (&finer.piece.points, &finer.piece.facets, finer.cell),
            (None, geometry) => {
                whole = (0..self.points().len() as u32).collect();
                match geometry {
                    Geometry::Mesh(mesh) => (&whole, &mesh.facets, 0.0),
                    Geometry::Cloud(_) => (&whole, &[], 0.0),
                }
            }
        };
        let is_mesh = matches!(self.geometry(), Geometry::Mesh(_));
        let size = if is_mesh { facets.len() } else { ids.len() };
        if size <= count {
            return match finer {
                Some(finer) => Some(finer.clone()),
                None if is_mesh => {
                    let there = |f: &&[u32; 3]| f.iter().all(|&v| (v as usize) < ids.len());
                    let facets = facets.iter().filter(there).copied().collect();
                    Some(Coarse { piece: self.renumbered(facets, &mut vec![NONE; ids.len()])?, cell })
                }
                None => Some(Coarse { piece: self.piece(ids.to_vec(), Vec::new())?, cell }),
            };
        }
        let points: Vec<Point3> = ids.iter().map(|&id| self.points()[id as usize]).collect();
        if !is_mesh {
            let grid = Grid::of(self, &points, count.max(1));
            let mut kept: Vec<u32> = grid.one_of_each(&points).0.into_iter().map(|i| ids[i as usize]).collect();
            kept.sort_unstable();
            return Some(Coarse { piece: self.piece(kept, Vec::new())?, cell: cell + grid.cell });
        }
        let cluster = |cells: f64| {
            let grid = Grid::of(self, &points, (cells.ceil() as usize).max(1));
            let (kept, cell_of) = grid.one_of_each(&points);
            (collapsed(facets, &cell_of, |cell| ids[kept[cell as usize] as usize]), grid.cell)
        };
        // A closed net has two facets a vertex; cells that hold more than one sheet make more.
        let cells = count as f64 / 2.0;
        let (mut facets, mut size) = cluster(cells);
        let ratio = facets.len() as f64 / count as f64;
        if ratio > TOO_MANY {
            (facets, size) = cluster(cells / ratio);
        }
        Some(Coarse { piece: self.renumbered(facets, &mut vec![NONE; self.points().len()])?, cell: cell + size })
    }

    /// The piece of facets that still name points of the scan. `own` must hold [`NONE`] for every
    /// point, and does so again afterwards.
    fn renumbered(&self, mut facets: Vec<[u32; 3]>, own: &mut [u32]) -> Option<Piece> {
        let mut ids = Vec::with_capacity(facets.len());
        for v in facets.iter_mut().flatten() {
            let place = &mut own[*v as usize];
            if *place == NONE {
                *place = ids.len() as u32;
                ids.push(*v);
            }
            *v = *place;
        }
        ids.iter().for_each(|&id| own[id as usize] = NONE);
        self.piece(ids, facets)
    }

    /// With its bounds; `None` for no points.
    fn piece(&self, points: Vec<u32>, facets: Vec<[u32; 3]>) -> Option<Piece> {
        let first = self.points()[*points.first()? as usize];
        let mut bounds = (first, first);
        for p in points.iter().map(|&id| &self.points()[id as usize]) {
            for axis in 0..3 {
                bounds.0[axis] = bounds.0[axis].min(p[axis]);
                bounds.1[axis] = bounds.1[axis].max(p[axis]);
            }
        }
        Some(Piece { points, facets, bounds })
    }
}

/// A facet or a point, and where it is, roughly.
#[derive(Clone, Copy)]
struct Item {
    at: [f32; 3],
    id: u32,
}

impl Item {
    fn new(id: u32, at: Point3) -> Item {
        Item { at: [at.x as f32, at.y as f32, at.z as f32], id }
    }
}

/// Halves the items across their longest side until no part has more than `most`; returns the parts.
fn split(items: &mut [Item], most: usize) -> Vec<Range<usize>> {
    fn halve(items: &mut [Item], from: usize, most: usize) -> Vec<Range<usize>> {
        if items.is_empty() {
            return Vec::new();
        }
        if items.len() <= most {
            return std::iter::once(from..from + items.len()).collect();
        }
        let mut low = [f32::INFINITY; 3];
        let mut high = [f32::NEG_INFINITY; 3];
        for item in items.iter() {
            for axis in 0..3 {
                low[axis] = low[axis].min(item.at[axis]);
                high[axis] = high[axis].max(item.at[axis]);
            }
        }
        let side = |axis: usize| high[axis] - low[axis];
        let longest = (1..3).fold(0, |best, axis| if side(axis) > side(best) { axis } else { best });
        let half = items.len() / 2;
        let order = |a: &Item, b: &Item| a.at[longest].total_cmp(&b.at[longest]).then(a.id.cmp(&b.id));
        items.select_nth_unstable_by(half, order);
        let parallel = items.len() > PARALLEL;
        let (a, b) = items.split_at_mut(half);
        let (mut a, b) = if parallel {
            rayon::join(|| halve(a, from, most), || halve(b, from + half, most))
        } else {
            (halve(a, from, most), halve(b, from + half, most))
        };
        a.extend(b);
        a
    }
    halve(items, 0, most)
}

/// Cubic cells.
struct Grid {
    origin: Point3,
    cell: f64,
}

impl Grid {
    /// The grid of which the points fill about `wanted` cells.
    fn of(scan: &Scan, points: &[Point3], wanted: usize) -> Grid {
        let origin = scan.index().middle();
        // A point stands for a square of the spacing, and a sheet across a grid fills one cell
        // and a half for every cell's face of its area.
        let start = scan.spacing() * (1.5 * scan.points().len() as f64 / wanted as f64).sqrt();
        let mut grid = Grid { origin, cell: if start > 0.0 { start } else { 1.0 } };
        let stride = (points.len() / (SAMPLE_OF_CELL * wanted)).max(1);
        for _ in 0..CORRECTIONS {
            let mut keys: Vec<u64> = points.par_iter().step_by(stride).map(|p| grid.key(p)).collect();
            keys.par_sort_unstable();
            keys.dedup();
            let ratio = keys.len() as f64 / wanted as f64;
            if (ratio - 1.0).abs() <= NEAR_ENOUGH {
                break;
            }
            grid.cell *= ratio.sqrt();
        }
        grid
    }

    /// The number of a point's cell. Points millions of cells away share the outermost ones.
    fn key(&self, p: &Point3) -> u64 {
        let half = f64::from(1u32 << (BITS - 1));
        ((p - self.origin) / self.cell).iter().fold(0, |key, c| {
            // `as` takes NaN to 0.
            key << BITS | (c + half).clamp(0.0, 2.0 * half - 1.0) as u64
        })
    }

    /// Of each cell that holds points the one nearest to their mean, and of each point which cell.
    fn one_of_each(&self, points: &[Point3]) -> (Vec<u32>, Vec<u32>) {
        let mut keyed: Vec<(u64, u32)> = points.par_iter().enumerate().map(|(i, p)| (self.key(p), i as u32)).collect();
        keyed.par_sort_unstable();
        let runs: Vec<&[(u64, u32)]> = keyed.chunk_by(|a, b| a.0 == b.0).collect();
        let kept = runs
            .par_iter()
            .with_min_len(1024)
            .map(|run| {
                // About one of them, so that far from the origin nothing is lost.
                let base = points[run[0].1 as usize];
                let sum = run.iter().map(|&(_, i)| points[i as usize] - base).sum::<stringline_core::Vec3>();
                let mean = base + sum / run.len() as f64;
                let off = |i: u32| (points[i as usize] - mean).norm_squared();
                run.iter().map(|&(_, i)| i).min_by(|&a, &b| off(a).total_cmp(&off(b))).unwrap_or(run[0].1)
            })
            .collect();
        let mut cell_of = vec![0; points.len()];
        for (cell, run) in runs.iter().enumerate() {
            run.iter().for_each(|&(_, i)| cell_of[i as usize] = cell as u32);
        }
        (kept, cell_of)
    }
}

/// The facets that keep three corners when each vertex moves to its cell's one, each once.
fn collapsed(facets: &[[u32; 3]], cell_of: &[u32], point_of: impl Fn(u32) -> u32 + Sync) -> Vec<[u32; 3]> {
    let mut kept: Vec<[u32; 3]> = facets
        .par_iter()
        .with_min_len(1 << 12)
        .filter_map(|facet| {
            let [a, b, c] = facet.map(|v| cell_of.get(v as usize).copied());
            let (a, b, c) = (a?, b?, c?);
            // The lowest first, the sense kept, so that equal facets look equal.
            (a != b && b != c && c != a).then(|| match a.min(b).min(c) {
                low if low == a => [a, b, c],
                low if low == b => [b, c, a],
                _ => [c, a, b],
            })
        })
        .collect();
    kept.par_sort_unstable();
    kept.dedup();
    kept.iter_mut().flatten().for_each(|v| *v = point_of(*v));
    kept
}
