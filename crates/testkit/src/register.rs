//! Trials of surface registration: partial overlap from random starts, from nothing, and how honest the ± is.
//!
//! The part is the Kestrel's knuckle, scanned twice with different seeds: other facets, other noise,
//! other density, in other frames.

use crate::kestrel::{self, Noise, Part, ScanSettings};
use crate::noise_field::ScannerNoise;
use crate::stated::median;
use nalgebra::{Matrix6, UnitQuaternion, Vector6};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use stringline_core::covariance::coverage_factor;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_place::{RoughSettings, SurfaceFit, SurfaceSettings, place_from_nothing, register};
use stringline_scan::{Cloud, Geometry, Mesh, Scan};

/// A direction without preference.
fn direction(rng: &mut ChaCha8Rng) -> Vec3 {
    let v: [f64; 3] = std::array::from_fn(|_| StandardNormal.sample(rng));
    Vec3::from(v).normalize()
}

/// A motion within `shift` (mm) and `turn` (rad) about `centre`: both uniform up to their limit.
fn motion(rng: &mut ChaCha8Rng, centre: &Point3, shift: f64, turn: f64) -> RigidTransform {
    let rotation = UnitQuaternion::from_scaled_axis(direction(rng) * (turn * rng.random::<f64>()));
    let shift = direction(rng) * (shift * rng.random::<f64>());
    RigidTransform::from_parts((centre.coords - rotation * centre.coords + shift).into(), rotation)
}

/// Two scans of the part in the car's axes, other facets in each.
#[derive(Clone, Debug)]
pub struct Twice {
    scans: [Geometry; 2],
}

impl Twice {
    /// About `triangles` facets each, without noise.
    pub fn new(triangles: usize, seed: u64) -> Twice {
        let model = Part::Knuckle.model();
        let noise = Noise { sigma: 0.0, ..ScanSettings::default().noise };
        let scans = [2 * seed, 2 * seed + 1].map(|seed| {
            let scan = kestrel::scan(Part::Knuckle, &model, &ScanSettings { seed, noise, triangles: Some(triangles) });
            moved(&scan.geometry, &scan.car_from_scan)
        });
        Twice { scans }
    }

    /// The same with noise along the normals.
    pub fn noisy(&self, noise: Noise, seed: u64) -> Twice {
        let mut which = 0;
        let scans = self.scans.each_ref().map(|geometry| {
            which += 1;
            let scan = Scan::new(geometry.clone());
            let mut source =
                ScannerNoise::new(2 * seed + which, noise.sigma, noise.correlated_share, noise.correlation_length);
            let shared: Vec<f64> = scan.points().par_iter().map(|p| source.shared(p)).collect();
            let mut moves = scan.normals().iter().zip(shared).map(|(n, shared)| n * (shared + source.white()));
            let mut points: Vec<Point3> = geometry.points().to_vec();
            points.iter_mut().for_each(|p| *p += moves.next().unwrap_or_else(Vec3::zeros));
            match geometry {
                Geometry::Mesh(mesh) => Geometry::Mesh(Mesh { vertices: points, facets: mesh.facets.clone() }),
                Geometry::Cloud(_) => Geometry::Cloud(Cloud { points, normals: Vec::new() }),
            }
        });
        Twice { scans }
    }

    /// Source and target cut by two planes square to a random direction, so that of each scan `overlap` is
    /// also in the other; as clouds without normals, or meshes.
    pub fn cut(&self, rng: &mut ChaCha8Rng, overlap: f64, clouds: bool) -> [Geometry; 2] {
        let along = direction(rng);
        // Each scan keeps 1/(2 − overlap) of the part.
        let keep = 1.0 / (2.0 - overlap);
        let mut places: Vec<f64> = self.scans[0].points().iter().map(|p| p.coords.dot(&along)).collect();
        places.sort_unstable_by(f64::total_cmp);
        let at = |share: f64| places[((places.len() - 1) as f64 * share) as usize];
        let (low, high) = (at(1.0 - keep), at(keep));
        let first = cut(&self.scans[0], |p| p.coords.dot(&along) <= high, clouds);
        let second = cut(&self.scans[1], |p| p.coords.dot(&along) >= low, clouds);
        [first, second]
    }
}

fn moved(geometry: &Geometry, by: &RigidTransform) -> Geometry {
    match geometry {
        Geometry::Mesh(mesh) => Geometry::Mesh(Mesh {
            vertices: mesh.vertices.iter().map(|p| by * p).collect(),
            facets: mesh.facets.clone(),
        }),
        Geometry::Cloud(cloud) => Geometry::Cloud(Cloud {
            points: cloud.points.iter().map(|p| by * p).collect(),
            normals: cloud.normals.iter().map(|n| by * n).collect(),
        }),
    }
}

fn cut(geometry: &Geometry, keep: impl Fn(&Point3) -> bool, cloud: bool) -> Geometry {
    let points = geometry.points();
    match geometry {
        Geometry::Mesh(mesh) if !cloud => {
            let mut number = vec![u32::MAX; points.len()];
            let mut vertices = Vec::new();
            for (n, p) in number.iter_mut().zip(points).filter(|(_, p)| keep(p)) {
                *n = vertices.len() as u32;
                vertices.push(*p);
            }
            let facets = mesh.facets.iter().map(|f| f.map(|v| number[v as usize])).filter(|f| !f.contains(&u32::MAX));
            Geometry::Mesh(Mesh { facets: facets.collect(), vertices })
        }
        _ => {
            let points = points.iter().filter(|p| keep(p)).copied().collect();
            Geometry::Cloud(Cloud { points, normals: Vec::new() })
        }
    }
}

/// How a trial went.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// Largest error over the source's points, mm; none if there was no placement.
    pub worst: Option<f64>,
    /// Whether a note asks to check it.
    pub warned: bool,
    /// Share of the source on the target.
    pub overlap: f64,
    /// Seconds.
    pub seconds: f64,
}

impl Outcome {
    /// Within 0.1 mm everywhere.
    pub fn right(&self) -> bool {
        self.worst.is_some_and(|w| w < 0.1)
    }
}

fn worst(points: &[Point3], found: &RigidTransform, truth: &RigidTransform) -> f64 {
    points.iter().step_by(points.len() / 2000 + 1).map(|p| (found * p - truth * p).norm()).fold(0.0, f64::max)
}

/// Registers two cut scans from a random start within 15° and 30 mm, or (`nothing`) without one.
pub fn trial(twice: &Twice, seed: u64, overlap: f64, clouds: bool, nothing: bool) -> Outcome {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let [source, target] = twice.cut(&mut rng, overlap, clouds);
    let n = source.points().len().max(1) as f64;
    let centre = Point3::from(source.points().iter().map(|p| p.coords).sum::<Vec3>() / n);
    let off = if nothing {
        motion(&mut rng, &centre, 300.0, std::f64::consts::PI)
    } else {
        motion(&mut rng, &centre, 30.0, 15.0_f64.to_radians())
    };
    let source = Scan::new(moved(&source, &off));
    let target = Scan::new(target);
    let truth = off.inverse();
    let begun = std::time::Instant::now();
    let (start, warned) = if nothing {
        match place_from_nothing(&source, &target, &RoughSettings::default(), |_| true) {
            Ok(rough) => (rough.target_from_source, !rough.notes.is_empty()),
            Err(_) => {
                return Outcome { worst: None, warned: true, overlap: 0.0, seconds: begun.elapsed().as_secs_f64() };
            }
        }
    } else {
        (RigidTransform::identity(), false)
    };
    let settings = SurfaceSettings { try_others: !nothing, ..SurfaceSettings::default() };
    let found = register(&source, &target, &start, &settings, |_| true);
    let seconds = begun.elapsed().as_secs_f64();
    match found {
        Ok(fit) => Outcome {
            worst: Some(worst(source.points(), &fit.target_from_source, &truth)),
            warned: warned || !fit.notes.is_empty(),
            overlap: fit.overlap,
            seconds,
        },
        Err(_) => Outcome { worst: None, warned: true, overlap: 0.0, seconds },
    }
}

/// Prints how often the placement was found.
pub fn print_table(seeds: u64, triangles: usize, overlap: f64, out: &mut impl std::io::Write) -> std::io::Result<()> {
    writeln!(out, "knuckle, {triangles} facets, {:.0} % overlap, {seeds} random cuts and starts", 100.0 * overlap)?;
    writeln!(
        out,
        "{:<28} {:>7} {:>16} {:>14} {:>12} {:>9} {:>9}",
        "", "right", "wrong, warned", "wrong, silent", "right, warned", "s, busy", "median µm"
    )?;
    let twice = Twice::new(triangles, 1).noisy(ScanSettings::default().noise, 1);
    for (clouds, nothing) in [(false, false), (true, false), (false, true), (true, true)] {
        // Side by side, so that the seconds are those of a busy machine.
        let one = |seed| trial(&twice, seed, overlap, clouds, nothing);
        let outcomes: Vec<Outcome> = (0..seeds).into_par_iter().map(one).collect();
        let count = |f: &dyn Fn(&Outcome) -> bool| outcomes.iter().filter(|o| f(o)).count();
        let name = format!(
            "{}, {}",
            if clouds { "clouds" } else { "meshes" },
            if nothing { "no start" } else { "15°, 30 mm" }
        );
        writeln!(
            out,
            "{name:<28} {:>7} {:>16} {:>14} {:>12} {:>9.2} {:>9.2}",
            count(&|o| o.right()),
            count(&|o| !o.right() && o.warned),
            count(&|o| !o.right() && !o.warned),
            count(&|o| o.right() && o.warned),
            median(outcomes.iter().map(|o| o.seconds).collect()),
            1e3 * median(outcomes.iter().filter(|o| o.right()).filter_map(|o| o.worst).collect()),
        )?;
        let lost: Vec<u64> = outcomes.iter().zip(0..).filter(|(o, _)| !o.right()).map(|(_, seed)| seed).collect();
        if !lost.is_empty() {
            writeln!(out, "  not right: seeds {lost:?}")?;
        }
        out.flush()?;
    }
    Ok(())
}

/// The small motion by which a placement is off, in the target's axes about its origin.
pub fn off_by(found: &RigidTransform, truth: &RigidTransform) -> Vector6<f64> {
    let off = found * truth.inverse();
    let turn = off.rotation.scaled_axis();
    let shift = off.translation.vector;
    Vector6::new(shift.x, shift.y, shift.z, turn.x, turn.y, turn.z)
}

/// Whether the stated 95 % regions hold the truth: all six together, the place of `at`, and the turn.
pub fn held(off: &Vector6<f64>, covariance: &Matrix6<f64>, freedom: f64, at: &Point3) -> Option<[bool; 3]> {
    let within = |square: f64, d: usize| square <= coverage_factor(d, freedom).powi(2);
    // Turns in mm at 100 mm, or the matrix mixes sizes.
    let scale = Matrix6::from_diagonal(&Vector6::new(1.0, 1.0, 1.0, 100.0, 100.0, 100.0));
    let all = (scale * covariance * scale).cholesky()?;
    let mut place = nalgebra::SMatrix::<f64, 3, 6>::identity();
    place.fixed_view_mut::<3, 3>(0, 3).copy_from(&-at.coords.cross_matrix());
    let shift = place * off;
    let of_shift = (place * covariance * place.transpose()).cholesky()?;
    let turn: Vec3 = off.fixed_rows::<3>(3).into();
    let of_turn = covariance.fixed_view::<3, 3>(3, 3).into_owned().cholesky()?;
    let scaled = scale * off;
    Some([
        within(scaled.dot(&all.solve(&scaled)), 6),
        within(shift.dot(&of_shift.solve(&shift)), 3),
        within(turn.dot(&of_turn.solve(&turn)), 3),
    ])
}

/// Registers two scans with new noise and says what was stated; `None` if it failed.
pub fn honest(exact: &Twice, seed: u64, noise: Noise, clouds: bool) -> Option<(SurfaceFit, [bool; 3], Vector6<f64>)> {
    let twice = exact.noisy(noise, 1000 + seed);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let [source, target] = twice.cut(&mut rng, 0.6, clouds);
    let n = source.points().len().max(1) as f64;
    let centre = Point3::from(source.points().iter().map(|p| p.coords).sum::<Vec3>() / n);
    let off = motion(&mut rng, &centre, 1.0, 0.01);
    let source = Scan::new(moved(&source, &off));
    let fit = register(&source, &Scan::new(target), &RigidTransform::identity(), &SurfaceSettings::default(), |_| true)
        .ok()?;
    let off = off_by(&fit.target_from_source, &off.inverse());
    let held = held(&off, &fit.covariance, fit.noise.degrees_of_freedom, &centre)?;
    Some((fit, held, off))
}

/// The mean square over six directions of the error in units of what is stated: one where the ± is right.
pub fn square(fit: &SurfaceFit, off: &Vector6<f64>) -> Option<f64> {
    let scale = Matrix6::from_diagonal(&Vector6::new(1.0, 1.0, 1.0, 100.0, 100.0, 100.0));
    let off = scale * off;
    Some(off.dot(&(scale * fit.covariance * scale).cholesky()?.solve(&off)) / 6.0)
}

/// Prints how often the stated regions hold the truth.
pub fn print_cover(seeds: u64, triangles: usize, out: &mut impl std::io::Write) -> std::io::Result<()> {
    writeln!(
        out,
        "cover of the stated 95 % regions, {seeds} pairs of scans of the knuckle, {triangles} facets, 60 % overlap"
    )?;
    writeln!(
        out,
        "{:<36} {:>7} {:>7} {:>7} {:>14} {:>6} {:>7}",
        "noise", "all six", "place", "turn", "mean z² of 6", "ν", "failed"
    )?;
    for clouds in [false, true] {
        for (share, length) in [(0.0, 1.0), (0.5, 1.0), (0.5, 2.0)] {
            let noise = Noise { sigma: 0.03, correlated_share: share, correlation_length: length };
            // Facets of their own for every seed: the few pairs of them that one scan has would err the same way each time.
            let one = |seed| honest(&Twice::new(triangles, seed), seed, noise, clouds);
            let all: Vec<_> = (0..seeds).into_par_iter().filter_map(one).collect();
            let share_of =
                |k: usize| 100.0 * all.iter().filter(|(_, held, _)| held[k]).count() as f64 / all.len().max(1) as f64;
            let z = |(fit, _, off): &(SurfaceFit, [bool; 3], Vector6<f64>)| square(fit, off);
            let name = format!(
                "{}, {:.0} % over {length} mm",
                if clouds { "clouds" } else { "meshes" },
                100.0 * noise.correlated_share
            );
            let mean = all.iter().filter_map(z).sum::<f64>() / all.len().max(1) as f64;
            writeln!(
                out,
                "{name:<36} {:>7.1} {:>7.1} {:>7.1} {:>14.2} {:>6.0} {:>7}",
                share_of(0),
                share_of(1),
                share_of(2),
                mean,
                median(all.iter().map(|(fit, ..)| fit.noise.degrees_of_freedom).collect()),
                seeds as usize - all.len()
            )?;
            out.flush()?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The full trial is `trials register`: 100 starts, at least 95 right.
    #[test]
    fn two_fifths_of_overlap_are_enough_from_fifteen_degrees_and_thirty_millimetres() {
        let twice = Twice::new(60_000, 1).noisy(ScanSettings::default().noise, 1);
        let right = (0..10).filter(|&seed| trial(&twice, seed, 0.4, seed % 2 == 0, false).right()).count();
        assert!(right >= 9, "{right} of 10");
    }
}
