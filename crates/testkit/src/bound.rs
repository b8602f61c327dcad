//! The trial against the Cramér–Rao bound: many seeds of each case, root-mean-square errors
//! over the bound, and gross failures counted.

use crate::patches::{Beyond, Bound, Case};
use stringline_fit::{FitSettings, Shape, fit};

/// An error over this many times the bound is a gross failure.
pub const GROSS: f64 = 10.0;

/// The outcome of one case.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// Root-mean-square error over the bound, for each quantity that the shape has.
    pub ratio: Bound,
    /// Seeds whose error in any quantity is over [`GROSS`] times the bound, or that gave no fit.
    pub gross: Vec<u64>,
    /// The seed with the largest error over its bound, and that ratio.
    pub worst: (u64, f64),
}

/// Runs `seeds` of a case.
pub fn run(case: &Case, seeds: std::ops::Range<u64>, spill: Option<(Beyond, f64)>) -> Outcome {
    let count = seeds.clone().count() as f64;
    let mut outcome = Outcome::default();
    let mut squares = Bound::default();
    for seed in seeds {
        let bound = case.bound(seed);
        let patch = case.simulate(seed, spill);
        let Ok(feature) = fit(&patch.points, &[], case.painted.kind(), &FitSettings::default()) else {
            outcome.gross.push(seed);
            continue;
        };
        let centroid = patch.points[..patch.on_shape].iter().fold(nalgebra::Vector3::zeros(), |s, p| s + p.coords)
            / patch.on_shape as f64;
        let off = error(case, &feature.shape, &patch.direction, &patch.point, &centroid.into());
        let over = Bound {
            angle: ratio(off.angle, bound.angle),
            position: ratio(off.position, bound.position),
            radius: ratio(off.radius, bound.radius),
            half_angle: ratio(off.half_angle, bound.half_angle),
        };
        let most = over.angle.max(over.position).max(over.radius).max(over.half_angle);
        if most > GROSS {
            outcome.gross.push(seed);
        }
        if most > outcome.worst.1 {
            outcome.worst = (seed, most);
        }
        squares.angle += over.angle.powi(2);
        squares.position += over.position.powi(2);
        squares.radius += over.radius.powi(2);
        squares.half_angle += over.half_angle.powi(2);
    }
    outcome.ratio = Bound {
        angle: (squares.angle / count).sqrt(),
        position: (squares.position / count).sqrt(),
        radius: (squares.radius / count).sqrt(),
        half_angle: (squares.half_angle / count).sqrt(),
    };
    outcome
}

fn ratio(error: f64, bound: f64) -> f64 {
    if bound > 0.0 { error / bound } else { 0.0 }
}

fn error(
    case: &Case,
    shape: &Shape,
    direction: &stringline_core::UnitVec3,
    point: &stringline_core::Point3,
    centroid: &stringline_core::Point3,
) -> Bound {
    use crate::patches::Painted;
    let angle = shape.direction().map_or(0.0, |d| d.cross(direction).norm().atan2(d.dot(direction).abs()));
    // Where an axis crosses the plane through the centroid square to the true axis.
    let crossing = |on: &stringline_core::Point3, d: &nalgebra::Vector3<f64>| {
        on + d * (direction.dot(&(centroid - on)) / direction.dot(d))
    };
    let along = direction.dot(&(centroid - point));
    match (&case.painted, *shape) {
        (Painted::Plane { .. }, Shape::Plane { point: p, normal }) => Bound {
            angle,
            position: (normal.dot(&(p - centroid))
                - direction.dot(&(point - centroid)) * normal.dot(direction).signum())
            .abs(),
            ..Bound::default()
        },
        (Painted::Cap { radius, .. }, Shape::Sphere { centre, radius: r }) => {
            Bound { position: (centre - point).norm(), radius: (r - radius).abs(), ..Bound::default() }
        }
        (Painted::Round { radius, half_angle, .. }, _) => {
            let (p, d) = (shape.point(), shape.direction().map_or_else(nalgebra::Vector3::zeros, |d| d.into_inner()));
            let psi = shape.half_angle().unwrap_or(0.0);
            let here = crossing(&p, &d);
            let r_here = shape.radius().unwrap_or(0.0) + d.dot(&(here - p)) * psi.tan();
            Bound {
                angle,
                position: (here - crossing(point, direction)).norm(),
                radius: (r_here - (radius + along * half_angle.tan())).abs(),
                half_angle: (psi - half_angle).abs(),
            }
        }
        _ => Bound { angle: f64::INFINITY, ..Bound::default() },
    }
}

/// Prints the table of every case whose name holds `only`, clean and with 20 % of its points beyond the edge.
pub fn print_table(seeds: u64, only: &str, out: &mut impl std::io::Write) -> std::io::Result<()> {
    writeln!(out, "root-mean-square error over the Cramér–Rao bound, {seeds} seeds a row")?;
    writeln!(
        out,
        "{:<28} {:<10} {:>7} {:>9} {:>7} {:>11} {:>6} {:>14}",
        "patch", "spill", "angle", "position", "radius", "half angle", "gross", "worst (seed)"
    )?;
    for case in crate::patches::bound_cases().into_iter().filter(|case| case.name.contains(only)) {
        for (spill, word) in
            [(None, "none"), (Some((Beyond::Fillet, 0.2)), "fillet"), (Some((Beyond::Face, 0.2)), "face")]
        {
            let o = run(&case, 0..seeds, spill);
            let show = |x: f64| if x > 0.0 { format!("{x:.3}") } else { "–".into() };
            writeln!(
                out,
                "{:<28} {:<10} {:>7} {:>9} {:>7} {:>11} {:>6} {:>14}",
                case.name,
                word,
                show(o.ratio.angle),
                show(o.ratio.position),
                show(o.ratio.radius),
                show(o.ratio.half_angle),
                o.gross.len(),
                format!("{:.1} ({})", o.worst.1, o.worst.0)
            )?;
            if !o.gross.is_empty() {
                writeln!(out, "  gross in seeds {:?}", &o.gross[..o.gross.len().min(10)])?;
            }
            out.flush()?;
        }
    }
    Ok(())
}
