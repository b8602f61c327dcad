//! The one validator behind every reader: what leaves here is finite, in range, without
//! degenerate or repeated facets, and every vertex belongs to a facet.

use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

use rayon::prelude::*;
use stringline_core::{Point3, Vec3};

use super::Repairs;
use super::error::Problem;
use crate::weld::Welder;
use crate::{Cloud, Mesh};

/// A coordinate beyond this cannot be a position: 10¹² mm is a million kilometres, while
/// coordinates of a national grid in metres stay below 10¹⁰ mm.
pub(super) const LARGEST: f64 = 1e12;

/// A coordinate nearer to zero than this, and not zero, is the mark of bytes in the wrong order
/// when most points have one; a few are rounding residues.
const SMALLEST: f64 = 1e-30;

/// Facets handled as one piece of work.
const CHUNK: usize = 1 << 15;

/// Whether `p` can be a position.
pub(super) fn usable(p: &Point3) -> bool {
    // Written so that NaN is not usable, and without branches.
    (p.x.abs() <= LARGEST) & (p.y.abs() <= LARGEST) & (p.z.abs() <= LARGEST)
}

fn absurdly_small(p: &Point3) -> bool {
    let small = |c: f64| (c != 0.0) & (c.abs() < SMALLEST);
    small(p.x) | small(p.y) | small(p.z)
}

/// Refuses a set of points of which more than half cannot be positions; returns how many cannot.
fn unusable_points(points: &[Point3], what: &'static str) -> Result<u64, Problem> {
    let (unusable, small) = points
        .par_chunks(CHUNK)
        .map(|chunk| {
            chunk.iter().fold((0, 0), |(unusable, small), p| {
                (unusable + u64::from(!usable(p)), small + u64::from(absurdly_small(p)))
            })
        })
        .reduce(|| (0, 0), |a, b| (a.0 + b.0, a.1 + b.1));
    let total = points.len() as u64;
    if (unusable + small) * 2 > total {
        return Err(Problem::MostlyUnusable { unusable: unusable + small, total, what });
    }
    Ok(unusable)
}

/// Tidies a cloud in place and tells in `repairs` what was done. `notices` gets what a person
/// should know.
pub(super) fn cloud(cloud: &mut Cloud, repairs: &mut Repairs, notices: &mut Vec<String>) -> Result<(), Problem> {
    let unusable = unusable_points(&cloud.points, "points")?;
    if !cloud.normals.is_empty() && cloud.normals.len() != cloud.points.len() {
        cloud.normals = Vec::new();
    }
    if unusable > 0 {
        repairs.unusable_points += unusable;
        let keep: Vec<bool> = cloud.points.iter().map(usable).collect();
        let mut kept = keep.iter();
        cloud.points.retain(|_| *kept.next().unwrap_or(&false));
        let mut kept = keep.iter();
        cloud.normals.retain(|_| *kept.next().unwrap_or(&false));
    }
    let unit = |n: &mut Vec3| {
        let norm = n.norm();
        *n /= norm;
        norm.is_finite() && norm > 0.0
    };
    if !cloud.normals.is_empty() && !cloud.normals.par_iter_mut().all(unit) {
        cloud.normals = Vec::new();
        notices.push("Some points have no usable normal, so the file's normals were left out.".into());
    }
    if cloud.points.is_empty() {
        return Err(nothing(repairs));
    }
    Ok(())
}

/// Tidies a mesh in place and tells in `repairs` what was done.
pub(super) fn mesh(mesh: &mut Mesh, weld: bool, repairs: &mut Repairs) -> Result<(), Problem> {
    if weld {
        check_range(mesh)?;
        weld_vertices(mesh, repairs);
    }
    let check_coordinates = unusable_points(&mesh.vertices, "vertices")? > 0;
    let marks: Vec<AtomicU64> = (0..mesh.vertices.len()).map(|_| AtomicU64::new(0)).collect();

    let vertices = &mesh.vertices;
    let verdicts: Option<Verdicts> = mesh
        .facets
        .par_chunks(CHUNK)
        .enumerate()
        .map(|(chunk, facets)| {
            let mut verdicts = Verdicts::default();
            for (facet, corners) in facets.iter().enumerate() {
                let facet = (chunk * CHUNK + facet) as u32;
                let [a, b, c] = corners.map(|v| v as usize);
                let (pa, pb, pc) = (vertices.get(a)?, vertices.get(b)?, vertices.get(c)?);
                if check_coordinates && !(usable(pa) && usable(pb) && usable(pc)) {
                    verdicts.unusable.push(facet);
                } else if (pb - pa).cross(&(pc - pa)) == Vec3::zeros() {
                    // Also true where an index is repeated.
                    verdicts.degenerate.push(facet);
                } else {
                    for v in [a, b, c] {
                        if marks[v].load(Relaxed) == 0 {
                            marks[v].fetch_or(USED, Relaxed);
                        }
                    }
                    let [first, second, third] = rotated(corners);
                    let bit = fingerprint(second, third);
                    if marks[first as usize].fetch_or(bit, Relaxed) & bit != 0 {
                        verdicts.suspects.push(first);
                    }
                }
            }
            Some(verdicts)
        })
        .try_reduce(Verdicts::default, |a, b| Some(a.joined(b)));
    // A facet out of range ended the search; find the first one to name it.
    let Some(verdicts) = verdicts else {
        check_range(mesh)?;
        return Err(nothing(repairs));
    };

    let (unusable, degenerate) = (verdicts.unusable.len() as u64, verdicts.degenerate.len() as u64);
    repairs.unusable_facets += unusable;
    repairs.degenerate_facets += degenerate;
    if repairs.unusable_facets * 2 > repairs.facets_in_file {
        return Err(Problem::MostlyUnusable {
            unusable: repairs.unusable_facets,
            total: repairs.facets_in_file,
            what: "facets",
        });
    }
    let mut dropped = verdicts.unusable;
    dropped.extend(verdicts.degenerate);
    dropped.sort_unstable();
    let duplicates = duplicates(&mesh.facets, &dropped, verdicts.suspects);
    repairs.duplicate_facets += duplicates.len() as u64;
    dropped.extend(duplicates);
    if !dropped.is_empty() {
        dropped.sort_unstable();
        remove_sorted(&mut mesh.facets, &dropped);
    }
    drop_unused(mesh, &marks, repairs);
    if mesh.facets.is_empty() {
        return Err(nothing(repairs));
    }
    Ok(())
}

/// The top bit of a vertex's mark: some facet uses it. The others are a small Bloom filter over
/// the facets whose smallest index this vertex is.
const USED: u64 = 1 << 63;

/// A facet's bit in the filter of its smallest vertex.
fn fingerprint(second: u32, third: u32) -> u64 {
    let key = u64::from(second) << 32 | u64::from(third);
    // Multiplicative hashing: the product's top bits depend on all of the key.
    let hash = key.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ (key >> 29);
    1 << (((hash.wrapping_mul(0xD6E8_FEB8_6659_FD93) >> 32) * 63) >> 32)
}

/// The corners from the smallest index on: equal for every rotation, not for the reverse.
fn rotated(corners: &[u32; 3]) -> [u32; 3] {
    let [a, b, c] = *corners;
    // Selections instead of branches: which corner is smallest cannot be predicted.
    let smallest = smallest(corners);
    let (is_a, is_b) = (a == smallest, b == smallest);
    let second = if is_a {
        b
    } else if is_b {
        c
    } else {
        a
    };
    let third = if is_a {
        c
    } else if is_b {
        a
    } else {
        b
    };
    [smallest, second, third]
}

fn smallest([a, b, c]: &[u32; 3]) -> u32 {
    *a.min(b).min(c)
}

#[derive(Default)]
struct Verdicts {
    unusable: Vec<u32>,
    degenerate: Vec<u32>,
    /// Smallest vertices whose facets may hold a duplicate.
    suspects: Vec<u32>,
}

impl Verdicts {
    fn joined(mut self, other: Self) -> Self {
        self.unusable.extend(other.unusable);
        self.degenerate.extend(other.degenerate);
        self.suspects.extend(other.suspects);
        self
    }
}

/// The facets (sorted) that repeat an earlier one, looked for only at the suspect vertices.
/// `dropped` (sorted) are out of the game.
fn duplicates(facets: &[[u32; 3]], dropped: &[u32], mut suspects: Vec<u32>) -> Vec<u32> {
    if suspects.is_empty() {
        return Vec::new();
    }
    suspects.sort_unstable();
    suspects.dedup();
    let last = suspects.last().map_or(0, |&v| v as usize);
    let mut suspect = vec![0_u64; last / 64 + 1];
    for &v in &suspects {
        suspect[v as usize / 64] |= 1 << (v % 64);
    }
    let mut candidates: Vec<([u32; 3], u32)> = facets
        .par_chunks(CHUNK)
        .enumerate()
        .flat_map_iter(|(chunk, facets)| {
            let suspect = &suspect;
            facets.iter().enumerate().filter_map(move |(facet, corners)| {
                let first = smallest(corners);
                let word = suspect.get(first as usize / 64)?;
                ((word >> (first % 64)) & 1 == 1).then(|| (rotated(corners), (chunk * CHUNK + facet) as u32))
            })
        })
        .filter(|(_, facet)| dropped.binary_search(facet).is_err())
        .collect();
    candidates.par_sort_unstable();
    let mut repeats: Vec<u32> =
        candidates.windows(2).filter(|pair| pair[0].0 == pair[1].0).map(|pair| pair[1].1).collect();
    repeats.sort_unstable();
    repeats
}

fn remove_sorted(facets: &mut Vec<[u32; 3]>, dropped: &[u32]) {
    let mut next = dropped.iter().copied().peekable();
    let mut facet = 0_u32;
    facets.retain(|_| {
        let drop = next.peek() == Some(&facet);
        if drop {
            next.next();
        }
        facet += 1;
        !drop
    });
}

/// Removes the vertices no kept facet uses; the others keep their order.
fn drop_unused(mesh: &mut Mesh, marks: &[AtomicU64], repairs: &mut Repairs) {
    let unused = marks.par_iter().filter(|m| m.load(Relaxed) == 0).count();
    if unused == 0 {
        return;
    }
    repairs.unused_vertices += unused as u64;
    let mut next = 0_u32;
    let renumbered: Vec<u32> = marks
        .iter()
        .map(|mark| {
            let number = next;
            next += u32::from(mark.load(Relaxed) != 0);
            number
        })
        .collect();
    let mut mark = marks.iter();
    mesh.vertices.retain(|_| mark.next().is_some_and(|m| m.load(Relaxed) != 0));
    mesh.facets.par_iter_mut().for_each(|corners| *corners = corners.map(|v| renumbered[v as usize]));
}

/// Joins equal positions of an indexed mesh whose indices are in range.
fn weld_vertices(mesh: &mut Mesh, repairs: &mut Repairs) {
    let before = mesh.vertices.len();
    let mut welder = Welder::with_capacity(before / 2);
    let numbers: Vec<u32> = mesh.vertices.iter().map(|&p| welder.vertex(p)).collect();
    mesh.vertices = welder.into_vertices();
    for corners in &mut mesh.facets {
        *corners = corners.map(|v| numbers[v as usize]);
    }
    repairs.welded_vertices += (before - mesh.vertices.len()) as u64;
}

fn check_range(mesh: &Mesh) -> Result<(), Problem> {
    let vertices = mesh.vertices.len() as u64;
    let out_of_range = |corners: &[u32; 3]| corners.iter().any(|&v| u64::from(v) >= vertices);
    match mesh.facets.par_iter().position_first(out_of_range) {
        None => Ok(()),
        Some(facet) => Err(Problem::IndexOutOfRange {
            facet: facet as u64,
            index: mesh.facets[facet].iter().find(|&&v| u64::from(v) >= vertices).map_or(0, |&v| i64::from(v)),
            vertices,
        }),
    }
}

fn nothing(repairs: &Repairs) -> Problem {
    Problem::NothingUsable { found: repairs.to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::HashSet;

    fn square() -> Mesh {
        Mesh {
            vertices: [(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)].map(|(x, y)| Point3::new(x, y, 0.0)).to_vec(),
            facets: vec![[0, 1, 2], [0, 2, 3]],
        }
    }

    fn counted(facets: usize) -> Repairs {
        Repairs { facets_in_file: facets as u64, ..Repairs::default() }
    }

    #[test]
    fn each_fault_is_dropped_and_counted() {
        let mut m = square();
        m.vertices.push(Point3::new(f64::NAN, 0.0, 0.0)); // 4
        m.vertices.push(Point3::new(2.0, 0.0, 0.0)); // 5: on the line through 0 and 1
        m.vertices.push(Point3::new(9.0, 9.0, 9.0)); // 6: unused
        m.facets.extend([
            [0, 1, 4], // not a number
            [0, 1, 5], // no area
            [2, 2, 3], // repeated corner
            [2, 0, 1], // the first again, turned
            [0, 2, 1], // the first from behind: kept, it faces the other way
        ]);
        let mut repairs = counted(m.facets.len());
        mesh(&mut m, false, &mut repairs).unwrap();
        assert_eq!(m.facets, [[0, 1, 2], [0, 2, 3], [0, 2, 1]]);
        assert_eq!(m.vertices, square().vertices);
        assert_eq!((repairs.unusable_facets, repairs.degenerate_facets), (1, 2));
        assert_eq!((repairs.duplicate_facets, repairs.unused_vertices), (1, 3));
    }

    #[test]
    fn the_first_index_out_of_range_is_named() {
        let mut m = square();
        m.facets.extend([[1, 2, 4], [9, 9, 9]]);
        match mesh(&mut m, false, &mut counted(4)) {
            Err(Problem::IndexOutOfRange { facet, index, vertices }) => {
                assert_eq!((facet, index, vertices), (2, 4, 4));
            }
            other => panic!("{other:?}"),
        }
        // The same when welding, which walks the indices first.
        assert!(mesh(&mut m, true, &mut counted(4)).is_err());
    }

    #[test]
    fn a_soup_is_welded() {
        let s = square();
        let mut soup = Mesh::default();
        for facet in 0..2 {
            soup.vertices.extend(s.corners(facet));
            soup.facets.push([0, 1, 2].map(|k| 3 * facet + k));
        }
        let mut repairs = counted(2);
        mesh(&mut soup, true, &mut repairs).unwrap();
        assert_eq!(soup, s);
        assert_eq!(repairs.welded_vertices, 2);
    }

    #[test]
    fn swapped_bytes_are_recognised() {
        // 10.0_f32 read in the wrong byte order.
        let wrong = f64::from(f32::from_bits(10.0_f32.to_bits().swap_bytes()));
        let mut c = Cloud { points: vec![Point3::new(wrong, wrong, wrong); 5], normals: Vec::new() };
        let refused = cloud(&mut c, &mut Repairs::default(), &mut Vec::new());
        assert!(matches!(refused, Err(Problem::MostlyUnusable { .. })));
    }

    #[test]
    fn a_point_without_a_normal_costs_all_normals() {
        let mut c = Cloud {
            points: vec![Point3::origin(), Point3::new(1.0, 0.0, 0.0), Point3::new(f64::INFINITY, 0.0, 0.0)],
            normals: vec![Vec3::new(0.0, 0.0, 2.0), Vec3::x(), Vec3::zeros()],
        };
        let (mut repairs, mut notices) = (Repairs::default(), Vec::new());
        // The point without a normal is itself unusable: the others keep theirs, at unit length.
        cloud(&mut c, &mut repairs, &mut notices).unwrap();
        assert_eq!(c.normals, [Vec3::z(), Vec3::x()]);
        assert_eq!((repairs.unusable_points, notices.len()), (1, 0));
        c.normals[1] = Vec3::zeros();
        cloud(&mut c, &mut repairs, &mut notices).unwrap();
        assert_eq!((c.points.len(), c.normals.len(), notices.len()), (2, 0, 1));
    }

    proptest! {
        #[test]
        fn duplicates_are_those_a_set_finds(
            raw in prop::collection::vec([0_u32..9, 0..9, 0..9], 1..400)
        ) {
            // Points in general position: only repeated indices are degenerate.
            let vertices = (0..9).map(f64::from).map(|t| Point3::new(t, t * t, t * t * t)).collect();
            let mut m = Mesh { vertices, facets: raw.clone() };
            let mut seen = HashSet::new();
            let mut expected = Vec::new();
            for f in &raw {
                let degenerate = f[0] == f[1] || f[1] == f[2] || f[0] == f[2];
                if !degenerate && seen.insert(rotated(f)) {
                    expected.push(*f);
                }
            }
            let mut repairs = counted(raw.len());
            match mesh(&mut m, false, &mut repairs) {
                Ok(()) => {
                    let named: Vec<[Point3; 3]> = (0..m.facets.len() as u32).map(|f| m.corners(f)).collect();
                    let wanted: Vec<[Point3; 3]> = expected.iter().map(|f| f.map(|v| {
                        let t = f64::from(v);
                        Point3::new(t, t * t, t * t * t)
                    })).collect();
                    prop_assert_eq!(named, wanted);
                    prop_assert_eq!(repairs.duplicate_facets + repairs.degenerate_facets, (raw.len() - expected.len()) as u64);
                }
                Err(Problem::NothingUsable { .. }) => prop_assert!(expected.is_empty()),
                Err(other) => prop_assert!(false, "{other}"),
            }
        }
    }
}
