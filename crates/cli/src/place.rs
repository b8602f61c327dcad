//! `stringline place`: how a job's scans sit in the car, and how far that can be trusted.

use crate::args::PlaceArgs;
use crate::failure::{Failure, Outcome};
use crate::laid::{self, LaidReport};
use crate::run::{Evaluated, evaluate_file, stem_of, trouble};
use crate::table::{Align, Table, position, rounded, with_uncertainty};
use serde::Serialize;
use stringline_core::covariance::{by_motion, chain, combined, coverage_factor, largest_sigma, two_significant};
use stringline_core::{Point3, Vec3};
use stringline_hardpoints::Role;
use stringline_job::{Name, PlacementResult, off_words};

/// What `place --json` prints.
#[derive(Serialize)]
struct PlaceReport {
    job: String,
    complete: bool,
    placements: Vec<PlacementReport>,
    mates: Vec<MateReport>,
    laid: Vec<LaidReport>,
    free: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    test: Option<TestReport>,
    asymmetry: Vec<AsymmetryReport>,
    messages: Vec<String>,
}

#[derive(Serialize)]
struct PlacementReport {
    scan: String,
    found: String,
    car_from_scan: [[f64; 4]; 4],
    /// Of the small motion (mm, rad), car axes, about the car's origin; absent where it counts as exact.
    #[serde(skip_serializing_if = "Option::is_none")]
    covariance: Option<[[f64; 6]; 6]>,
    /// In the middle of its features.
    #[serde(skip_serializing_if = "Option::is_none")]
    u95: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    u95_deg: Option<f64>,
}

#[derive(Serialize)]
struct MateReport {
    name: String,
    says: String,
    left_out: bool,
    equations: usize,
    /// Where what is left is told, in the car, mm.
    at: [f64; 3],
    /// Between the datums as placed, from the second to the first, car axes, mm.
    residual: [f64; 3],
    /// One standard deviation of that along itself, mm; absent where nothing checks it.
    #[serde(skip_serializing_if = "Option::is_none")]
    sigma: Option<f64>,
    residual_deg: f64,
    /// Against what all the others say; absent where it alone holds what it holds.
    #[serde(skip_serializing_if = "Option::is_none")]
    off: Option<OffReport>,
    /// What its absence would change.
    without: Vec<MovesReport>,
    sides: Vec<SideReport>,
    or_else: Vec<String>,
}

#[derive(Serialize)]
struct OffReport {
    shift: [f64; 3],
    u95: f64,
    turn_deg: f64,
    turn_u95_deg: f64,
    probability: f64,
}

#[derive(Serialize)]
struct MovesReport {
    scan: String,
    shift: f64,
    turn_deg: f64,
}

#[derive(Serialize)]
struct SideReport {
    datum: String,
    outboard: f64,
    u95: f64,
    probability: f64,
}

#[derive(Serialize)]
struct TestReport {
    chi_squared: f64,
    redundancy: usize,
    probability: f64,
}

#[derive(Serialize)]
struct AsymmetryReport {
    role: Role,
    /// Left less the mirror image of right, car axes, mm.
    shift: [f64; 3],
    u95: f64,
    probability: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    turn_deg: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    turn_u95_deg: Option<f64>,
}

/// What chance does less often than once in so many is called significant.
const SIGNIFICANT: f64 = 0.05;
/// And this calls for a look at the part.
const CLEAR: f64 = 0.001;

pub(crate) fn place(args: &PlaceArgs) -> Result<Outcome, Failure> {
    let (evaluated, messages) = evaluate_file(&args.job)?;
    let results = &evaluated.results;
    if results.placements.is_empty() && results.failures.is_empty() {
        return Err(Failure::new(
            "no scan of the job has a place in the car".to_owned(),
            "Mate datums of the scans with one another and with the car, or type a placement.",
        ));
    }
    let mut told = messages;
    told.extend(trouble(results));
    let job = crate::fit::file_name(&args.job);
    let laid = laid::reports(&evaluated, args, stem_of(&job))?;
    let mut outcome = if args.json {
        Outcome::json(&report(&evaluated, job, laid, told.clone()))?
    } else {
        Outcome { text: text(&evaluated) + &laid::text(&laid), ..Outcome::default() }
    };
    outcome.messages = told;
    outcome.in_part = !results.is_complete();
    Ok(outcome)
}

/// Where a scan's features have their middle, in the car; of a scan without any its box has.
fn middle_of(evaluated: &Evaluated, scan: &Name, placement: &PlacementResult) -> Point3 {
    if evaluated.results.features.values().all(|f| f.scan != *scan) {
        let loaded = evaluated.scans.iter().find(|(name, _)| name == scan);
        let bounds = loaded.and_then(|(_, loaded)| loaded.scan.bounds());
        let middle = bounds.map_or_else(Point3::origin, |(low, high)| nalgebra::center(&low, &high));
        return placement.car_from_scan * middle;
    }
    let features = evaluated.results.features.values().filter(|f| f.scan == *scan);
    let points: Vec<Vec3> = features.map(|f| (placement.car_from_scan * f.feature.shape.point()).coords).collect();
    Point3::from(points.iter().sum::<Vec3>() / points.len().max(1) as f64)
}

/// The ± of a placement at a point, mm, and of its turn, rad; `None` where it counts as exact.
fn trust(placement: &PlacementResult, at: &Point3) -> Option<(f64, f64)> {
    placement.covariance?;
    let largest = |rows: &nalgebra::DMatrix<f64>| {
        let (covariance, nu) = combined(3, &chain(&[(rows.clone(), &placement.sources)]));
        coverage_factor(3, nu) * largest_sigma(&covariance)
    };
    let turn = nalgebra::DMatrix::from_fn(3, 6, |i, j| if j == i + 3 { 1.0 } else { 0.0 });
    Some((largest(&by_motion(at, None)), largest(&turn)))
}

fn report(evaluated: &Evaluated, job: String, laid: Vec<LaidReport>, messages: Vec<String>) -> PlaceReport {
    let results = &evaluated.results;
    let placements = results.placements.iter().map(|(scan, placement)| {
        let trust = trust(placement, &middle_of(evaluated, scan, placement));
        let matrix = placement.car_from_scan.to_homogeneous();
        PlacementReport {
            scan: scan.to_string(),
            found: placement.found.clone(),
            car_from_scan: std::array::from_fn(|i| std::array::from_fn(|j| matrix[(i, j)])),
            covariance: placement.covariance.map(|c| std::array::from_fn(|i| std::array::from_fn(|j| c[(i, j)]))),
            u95: trust.map(|(mm, _)| mm),
            u95_deg: trust.map(|(_, turn)| turn.to_degrees()),
        }
    });
    let fits = results.adjusted.iter().flat_map(|adjusted| &adjusted.mates);
    let mates = fits.map(|fit| MateReport {
        name: fit.name.clone(),
        says: says(evaluated, &fit.name),
        left_out: fit.left_out,
        equations: fit.equations,
        at: fit.at.coords.into(),
        residual: fit.residual.into(),
        sigma: fit.sigma,
        residual_deg: fit.residual_turn.to_degrees(),
        off: fit.off.as_ref().map(|off| OffReport {
            shift: off.shift.into(),
            u95: off.shift_u95,
            turn_deg: off.turn.to_degrees(),
            turn_u95_deg: off.turn_u95.to_degrees(),
            probability: off.probability,
        }),
        without: fit
            .moves
            .iter()
            .map(|m| MovesReport { scan: m.scan.clone(), shift: m.shift, turn_deg: m.turn.to_degrees() })
            .collect(),
        sides: fit
            .sides
            .iter()
            .map(|s| SideReport {
                datum: s.datum.clone(),
                outboard: s.outboard,
                u95: s.u95,
                probability: s.probability,
            })
            .collect(),
        or_else: fit.or_else.clone(),
    });
    let asymmetry = results.asymmetries().into_iter().map(|(role, a)| AsymmetryReport {
        role,
        shift: a.shift.into(),
        u95: a.shift_u95,
        probability: a.probability,
        turn_deg: a.turn.map(|[turn, ..]| turn.to_degrees()),
        turn_u95_deg: a.turn.map(|[_, u95, _]| u95.to_degrees()),
    });
    PlaceReport {
        job,
        complete: results.is_complete(),
        placements: placements.collect(),
        mates: mates.collect(),
        laid,
        free: results.adjusted.iter().flat_map(|a| &a.free).map(ToString::to_string).collect(),
        test: results.adjusted.as_ref().map(|a| TestReport {
            chi_squared: a.chi_squared,
            redundancy: a.redundancy,
            probability: a.probability,
        }),
        asymmetry: asymmetry.collect(),
        messages,
    }
}

fn says(evaluated: &Evaluated, mate: &str) -> String {
    let spec = evaluated.job.mates.iter().find(|(name, _)| name.as_str() == mate);
    spec.map_or_else(String::new, |(_, spec)| spec.tie.words())
}

/// The tables for a person.
pub(crate) fn text(evaluated: &Evaluated) -> String {
    let results = &evaluated.results;
    let mut scans = Table::new(&[
        ("scan", Align::Left),
        ("its middle in the car mm", Align::Left),
        ("± mm", Align::Right),
        ("turn ± °", Align::Right),
        ("placed", Align::Left),
    ]);
    for (scan, placement) in &results.placements {
        let middle = middle_of(evaluated, scan, placement);
        let trust = trust(placement, &middle);
        scans.row([
            scan.to_string(),
            position(&middle, trust.map_or(0.1, |(mm, _)| mm)),
            trust.map_or_else(|| "exact".into(), |(mm, _)| two_significant(mm)),
            trust.map_or_else(String::new, |(_, turn)| two_significant(turn.to_degrees())),
            placement.found.clone(),
        ]);
    }
    let mut parts = vec![scans.to_string()];
    let Some(adjusted) = &results.adjusted else { return parts.concat() };
    let mut mates = Table::new(&[
        ("mate", Align::Left),
        ("what it says", Align::Left),
        ("left over mm", Align::Right),
        ("in σ", Align::Right),
        ("off the others mm", Align::Right),
        ("off °", Align::Right),
        ("by chance", Align::Right),
        ("without it moves most", Align::Left),
        ("", Align::Left),
    ]);
    for fit in &adjusted.mates {
        let off = fit.off.as_ref();
        let verdict = match off {
            _ if fit.left_out => "LEFT OUT: does not hold",
            None => "nothing checks it",
            Some(off) if off.probability < CLEAR => "fits badly",
            Some(_) => "",
        };
        let lengths = off.filter(|off| off.shift_u95 > 0.0);
        let angles = off.filter(|off| off.turn_u95 > 0.0);
        let most = fit.moves.first().map_or_else(String::new, |m| {
            format!("{} {} mm, {:.4}°", m.scan, rounded(m.shift, 0.01), m.turn.to_degrees())
        });
        mates.row([
            fit.name.clone(),
            says(evaluated, &fit.name),
            rounded(fit.residual.norm(), 0.01),
            fit.standardised().map_or_else(String::new, |times| format!("{times:.1}")),
            lengths.map_or_else(String::new, |off| with_uncertainty(off.shift.norm(), off.shift_u95)),
            angles.map_or_else(String::new, |off| with_uncertainty(off.turn.to_degrees(), off.turn_u95.to_degrees())),
            off.map_or_else(String::new, |off| chance(off.probability)),
            most,
            verdict.into(),
        ]);
    }
    parts.push(format!(
        "\n{mates}\"Off the others\" is how far a mate is off what all the others say, ± at 95 %; \"by chance\" how \
         often chance alone puts it as far.\nAll together: χ² {:.1} for {} equations to spare, {} by chance.\n",
        adjusted.chi_squared,
        adjusted.redundancy,
        chance(adjusted.probability)
    ));
    for free in &adjusted.free {
        parts.push(format!("Free: {free}.\n"));
    }
    let mut unlike = Table::new(&[
        ("left against right", Align::Left),
        ("left stands from the mirror image of right mm", Align::Left),
        ("by chance", Align::Right),
        ("", Align::Left),
    ]);
    for (role, a) in results.asymmetries() {
        let verdict = if a.probability < SIGNIFICANT { "significant" } else { "no difference shown" };
        unlike.row([role.words().to_owned(), off_words(a.shift, a.shift_u95), chance(a.probability), verdict.into()]);
    }
    if !unlike.is_empty() {
        parts.push(format!("\n{unlike}"));
    }
    parts.push("\nPositions in vehicle axes (x forward, y left, z up).\n".into());
    parts.concat()
}

/// A probability as a person reads it.
fn chance(probability: f64) -> String {
    if probability < 1e-4 { "< 0.01 %".into() } else { format!("{} %", two_significant(100.0 * probability)) }
}
