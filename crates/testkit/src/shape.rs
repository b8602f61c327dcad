//! The trial of which shape a patch is: random patches of each kind, and what the weighing says.

use crate::patches::{Case, Painted};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use stringline_fit::{FitSettings, Kind, Verdict, fit, fit_auto};

/// A misfit (sum of squares over σ²) of the next best shape from which on a patch counts as distinguishable.
pub const DISTINGUISHABLE: f64 = 60.0;

/// Tally of one kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Decided for the true kind.
    pub right: usize,
    /// "Cannot tell", the true kind among the candidates.
    pub open: usize,
    /// Decided for another kind, or "cannot tell" without the true one.
    pub wrong: usize,
}

impl Tally {
    /// All of them.
    pub fn count(&self) -> usize {
        self.right + self.open + self.wrong
    }
}

/// A random patch of a kind: 2 to 40 mm large, 150 to 4000 points, σ 0.03 mm.
pub fn random_case(kind: Kind, seed: u64) -> Case {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ 0x5eed_0000);
    let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
    let length = between(2.0, 40.0);
    let arcs = vec![[0.0, between(30.0, 360.0).to_radians()]];
    let painted = match kind {
        Kind::Plane => Painted::Plane { sides: [length, between(2.0, 40.0)] },
        Kind::Cylinder => Painted::Round { radius: between(3.0, 40.0), half_angle: 0.0, length, arcs },
        Kind::Cone => {
            let half_angle = between(0.5, 45.0).to_radians();
            let radius = 0.5 * length * half_angle.tan() + between(1.0, 20.0);
            Painted::Round { radius, half_angle, length, arcs }
        }
        _ => Painted::Cap { radius: between(3.0, 30.0), half_width: between(10.0, 90.0).to_radians() },
    };
    Case { name: "random", painted, points: between(150.0, 4000.0) as usize, sigma: 0.03 }
}

/// Whether the true points tell the kind apart at the noise level: every shape that does not contain
/// it misfits them by [`DISTINGUISHABLE`], and a taper or bend that would matter would show.
pub fn distinguishable(case: &Case, seed: u64) -> bool {
    let kind = case.painted.kind();
    let exact = Case { sigma: 0.0, ..case.clone() }.simulate(seed, None);
    let keep = FitSettings { keep_all: true, held_radius: None };
    let misfit = |other: Kind| {
        fit(&exact.points, &[], other, &keep)
            .map_or(f64::INFINITY, |f| f.rms.powi(2) * exact.points.len() as f64 / case.sigma.powi(2))
    };
    let others: &[Kind] = match kind {
        Kind::Plane => &[],
        Kind::Cylinder => &[Kind::Plane, Kind::Sphere],
        Kind::Cone => &[Kind::Plane, Kind::Cylinder, Kind::Sphere],
        _ => &[Kind::Plane, Kind::Cylinder, Kind::Cone],
    };
    if others.iter().any(|&other| misfit(other) < DISTINGUISHABLE) {
        return false;
    }
    match &case.painted {
        // The bound of the half angle, had the bore one. Half of a 1:20 taper must be well outside it.
        Painted::Round { radius, half_angle: 0.0, length, arcs } => {
            let tapered = Case {
                painted: Painted::Round { radius: *radius, half_angle: 1e-9, length: *length, arcs: arcs.clone() },
                ..case.clone()
            };
            tapered.bound(seed).half_angle * 5.0 < 0.025
        }
        // The sagitta of the bend across the narrow side: u(κ) = σ·√(720/n)/w², turned across the wide one.
        Painted::Plane { sides } => {
            let (narrow, wide) = (sides[0].min(sides[1]), sides[0].hypot(sides[1]));
            5.0 * case.sigma * (720.0 / case.points as f64).sqrt() / narrow.powi(2) * wide < 0.1
        }
        _ => true,
    }
}

/// Runs patches of a kind until `count` distinguishable ones are seen; returns their tally and that of the others.
pub fn run(kind: Kind, count: usize) -> (Tally, Tally) {
    let (mut clear, mut unclear) = (Tally::default(), Tally::default());
    let mut seed = 0;
    while clear.count() < count && seed < 20 * count as u64 {
        let case = random_case(kind, seed);
        let patch = case.simulate(seed, None);
        let tally = if distinguishable(&case, seed) { &mut clear } else { &mut unclear };
        match fit_auto(&patch.points, &[], &FitSettings::default()).map(|w| w.verdict) {
            Ok(Verdict::Decided(k)) if k == kind => tally.right += 1,
            Ok(Verdict::CannotTell(kinds)) if kinds.contains(&kind) => tally.open += 1,
            _ => tally.wrong += 1,
        }
        seed += 1;
    }
    (clear, unclear)
}

/// Prints the table.
pub fn print_table(count: usize, out: &mut impl std::io::Write) -> std::io::Result<()> {
    writeln!(
        out,
        "{count} random patches of each kind that is distinguishable at the noise level, and those met besides"
    )?;
    writeln!(
        out,
        "{:<10} {:>7} {:>12} {:>7} | {:>14} {:>12} {:>7}",
        "kind", "right", "cannot tell", "wrong", "others: right", "cannot tell", "wrong"
    )?;
    for kind in [Kind::Plane, Kind::Cylinder, Kind::Cone, Kind::Sphere] {
        let (c, u) = run(kind, count);
        writeln!(
            out,
            "{:<10} {:>7} {:>12} {:>7} | {:>14} {:>12} {:>7}",
            kind.word(),
            c.right,
            c.open,
            c.wrong,
            u.right,
            u.open,
            u.wrong
        )?;
        out.flush()?;
    }
    Ok(())
}
