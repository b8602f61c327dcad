//! `stringline curves`: what a suspension does, as found and as it would be.

use crate::args::CurvesArgs;
use crate::export::{Source, read};
use crate::failure::{Failure, Outcome};
use crate::fit::file_name;
use crate::run::cannot_write;
use crate::table::{Align, Table, rounded};
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use stringline_core::covariance::two_significant;
use stringline_hardpoints::{Role, Side};
use stringline_job::{Job, Results, replace_result};
use stringline_kinematics::solve_for::bump_steer;
use stringline_kinematics::{
    AS_FOUND, Axle, AxleMeasures, Band, Held, Measured, Quantity, SUMMARY, State, Tolerance, TrustError, TrustQuestion,
    Variant, VariantError, bands, cautions, even, geometry_of, rack_range,
};
use stringline_picture::{Chart, Curve, Line, render_charts};

/// Positions over wheel travel and over the rack.
const POSITIONS: usize = 41;
/// Wheel travel where nothing else is asked for, mm.
pub(crate) const USUAL_TRAVEL: [f64; 2] = [-60.0, 60.0];
/// And either way that bump steer is summed up over, mm.
pub(crate) const USUAL_BUMP: f64 = 30.0;

/// What is asked of the kinematics.
pub(crate) struct Request<'a> {
    pub(crate) measured: &'a Measured,
    pub(crate) variants: &'a [Variant],
    /// The first is what the others are compared with.
    pub(crate) names: &'a [String],
    pub(crate) travel: [f64; 2],
    pub(crate) rack: Option<[f64; 2]>,
    pub(crate) bump: f64,
    pub(crate) tolerances: &'a [Tolerance],
}

/// All that `curves` computes.
#[derive(Serialize)]
pub(crate) struct CurvesReport {
    /// What was assumed.
    notes: Vec<String>,
    /// Each variant, in the order asked for.
    pub(crate) variants: Vec<VariantReport>,
    /// Files written.
    files: Vec<PathBuf>,
}

#[derive(Serialize)]
pub(crate) struct VariantReport {
    pub(crate) name: String,
    /// The largest change of toe over the range of travel that bump steer is summed up over.
    pub(crate) bump_steer: BumpSteerReport,
    /// How far the rack can go at rest until a tie rod reaches over centre, mm; absent where it never does.
    over_centre: [Option<f64>; 2],
    rest: StateReport,
    travel: Vec<StateReport>,
    rack: Vec<StateReport>,
    /// What to look at.
    cautions: Vec<String>,
    /// Whose uncertainty matters most to bump steer, the largest first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    matters: Vec<MattersReport>,
}

#[derive(Clone, Copy, Serialize)]
pub(crate) struct BumpSteerReport {
    /// Either way, mm.
    range: f64,
    pub(crate) largest_deg: f64,
    rms_deg: f64,
    /// 95 % half-width of the largest change, where the hardpoints' uncertainty is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    u95_deg: Option<f64>,
}

/// One position.
#[derive(Clone, Serialize)]
struct StateReport {
    travel: f64,
    rack: f64,
    /// By the names of quantities; what is undefined is left out.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    left: BTreeMap<&'static str, Value>,
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    right: BTreeMap<&'static str, Value>,
    /// Why there is no such position.
    #[serde(skip_serializing_if = "Option::is_none")]
    no_position: Option<String>,
}

#[derive(Clone, Copy, Serialize)]
struct Value {
    value: f64,
    #[serde(skip_serializing_if = "Option::is_none")]
    u95: Option<f64>,
}

#[derive(Serialize)]
struct MattersReport {
    role: Role,
    side: Side,
    /// A making tolerance, not a measured point.
    tolerance: bool,
    /// Part of the variance, %.
    percent: f64,
}

pub(crate) fn curves(args: &CurvesArgs) -> Result<Outcome, Failure> {
    let Source { set, variants, mut messages, in_part } = read(&args.source)?;
    let measured = Measured::from_set(&set).map_err(|error| Failure::from(error).at(&args.source))?;
    let names = if args.variants.is_empty() { all_names(&variants) } else { args.variants.clone() };
    let tolerances: Vec<Tolerance> =
        args.made_within.iter().map(|&(role, half_width)| Tolerance { role, side: None, half_width }).collect();
    let request = Request {
        measured: &measured,
        variants: &variants,
        names: &names,
        travel: args.travel,
        rack: args.rack,
        bump: args.bump,
        tolerances: &tolerances,
    };
    let mut report = work_out(&request)?;
    let title = set.vehicle.name.clone().or_else(|| set.name.clone()).unwrap_or_else(|| file_name(&args.source));
    write_files(&mut report, &title, args.csv.as_deref(), args.svg.as_deref())?;
    let missing: Vec<String> = report.unreached();
    let mut outcome =
        if args.json { Outcome::json(&report)? } else { Outcome { text: text(&report, &title), ..Outcome::default() } };
    messages.extend(report.notes.iter().cloned());
    outcome.in_part = in_part || !missing.is_empty();
    messages.extend(missing);
    outcome.messages = messages;
    Ok(outcome)
}

/// The car as found, then every variant.
pub(crate) fn all_names(variants: &[Variant]) -> Vec<String> {
    std::iter::once(AS_FOUND.to_owned()).chain(variants.iter().map(|v| v.name.clone())).collect()
}

/// A job's variants.
pub(crate) fn variants_of(job: &Job) -> Vec<Variant> {
    job.variants.iter().map(|variant| Variant::clone(variant)).collect()
}

/// The curves that running a job draws, over the usual ranges; `None` where its hardpoints make no corner yet and no
/// variant asks for one.
pub(crate) fn of_results(results: &Results, variants: &[Variant]) -> Result<Option<CurvesReport>, Failure> {
    let measured = Measured::from_set(&results.set).and_then(|measured| measured.geometry().map(|_| measured));
    match measured {
        Ok(measured) => Ok(Some(work_out(&Request {
            measured: &measured,
            variants,
            names: &all_names(variants),
            travel: USUAL_TRAVEL,
            rack: None,
            bump: USUAL_BUMP,
            tolerances: &[],
        })?)),
        Err(_) if variants.is_empty() => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// Writes the spreadsheet and the drawing, and notes them in the report.
pub(crate) fn write_files(
    report: &mut CurvesReport,
    title: &str,
    csv: Option<&Path>,
    svg: Option<&Path>,
) -> Result<(), Failure> {
    let texts = [csv.map(|path| (path, csv_text(report))), svg.map(|path| (path, drawing(report, title)))];
    for (path, text) in texts.into_iter().flatten() {
        replace_result(path, text.as_bytes()).map_err(|cause| cannot_write(path, &cause))?;
        report.files.push(path.to_owned());
    }
    Ok(())
}

/// Every variant over travel and rack.
pub(crate) fn work_out(request: &Request<'_>) -> Result<CurvesReport, Failure> {
    let variants = request.names.iter().map(|name| variant(request, name)).collect::<Result<Vec<_>, _>>()?;
    Ok(CurvesReport { notes: request.measured.notes.clone(), variants, files: Vec::new() })
}

fn variant(request: &Request<'_>, name: &str) -> Result<VariantReport, Failure> {
    let geometry = match geometry_of(&request.measured.geometry()?, request.variants, name) {
        Err(VariantError::Unknown { known, .. }) if known.is_empty() => {
            return Err(Failure::new(
                format!("there is no variant called '{name}'"),
                "Design it in the job first; a hardpoint set has only as-found.",
            ));
        }
        other => other?,
    };
    let axle = Axle::new(&geometry)?;
    // While steering the tyre stays on the ground; up and down the wheel's centre is what is measured.
    let over = axle.over_centre(0.0, Held::Contact)?;
    let rack = request.rack.map_or_else(|| rack_range(&axle, 0.0), Ok)?;
    let travels: Vec<State> = even(request.travel, POSITIONS).into_iter().map(|t| State::level(t, 0.0)).collect();
    let racks: Vec<State> = even(rack, POSITIONS).into_iter().map(|r| State::level(0.0, r)).collect();
    let question = |states, held| Asked { request, name, states, held };
    let rest = [State::default()];
    let rest = question(&rest, Held::WheelCentre).report(&axle)?;
    let travel = question(&travels, Held::WheelCentre).report(&axle)?;
    let steered = question(&racks, Held::Contact).report(&axle)?;

    let range = [-request.bump, request.bump];
    let bump = bump_steer(&axle, range, Held::WheelCentre)?;
    let states: Vec<State> = even(range, POSITIONS).into_iter().map(|t| State::level(t, 0.0)).collect();
    let bump_bands = question(&states, Held::WheelCentre).bands(&BUMP)?;
    let worst = bump_bands.iter().flat_map(|b| b.values.iter().zip(&b.u95));
    let worst = worst.filter_map(|(v, u)| Some((v.as_ref()?.abs(), (*u)?))).max_by(|a, b| a.0.total_cmp(&b.0));
    let shares = bump_bands.first().map(|b| b.shares.as_slice()).unwrap_or_default();
    let matters = shares.iter().take(4).filter(|s| s.share > 0.01).map(|s| MattersReport {
        role: s.role,
        side: s.side,
        tolerance: s.tolerance,
        percent: 100.0 * s.share,
    });
    Ok(VariantReport {
        name: name.to_owned(),
        bump_steer: BumpSteerReport {
            range: request.bump,
            largest_deg: bump.largest_deg,
            rms_deg: bump.rms_deg,
            u95_deg: worst.map(|w| w.1),
        },
        over_centre: over.map(|v| v.is_finite().then_some(v)),
        cautions: cautions(&axle, over, &steered.measures),
        matters: matters.collect(),
        rest: rest.states.into_iter().next().ok_or_else(|| Failure::new("the car has no rest", "Report this."))?,
        travel: travel.states,
        rack: steered.states,
    })
}

/// What bump steer's uncertainty is judged by.
const BUMP: [(Quantity, Side); 2] = [(Quantity::BumpSteer, Side::Left), (Quantity::BumpSteer, Side::Right)];

/// A sweep of one variant.
struct Asked<'a> {
    request: &'a Request<'a>,
    name: &'a str,
    states: &'a [State],
    held: Held,
}

struct Answered {
    states: Vec<StateReport>,
    measures: Vec<AxleMeasures>,
}

impl Asked<'_> {
    fn report(&self, axle: &Axle) -> Result<Answered, Failure> {
        // From rest outwards, so that a sweep that begins beyond an end finds the rest of its states.
        let swept: Vec<_> = self.states.iter().map(|s| axle.solve(*s, self.held)).collect();
        let solved: Vec<State> = self.states.iter().zip(&swept).filter(|(_, m)| m.is_ok()).map(|(s, _)| *s).collect();
        let all: Vec<(Quantity, Side)> =
            Quantity::ALL.iter().flat_map(|q| [(*q, Side::Left), (*q, Side::Right)]).collect();
        let bands = Asked { states: &solved, ..*self }.bands(&all)?;
        let mut at = 0;
        let mut states = Vec::new();
        let mut measures = Vec::new();
        for (state, m) in self.states.iter().zip(swept) {
            let mut report = StateReport {
                travel: state.travel[0],
                rack: state.rack,
                left: BTreeMap::new(),
                right: BTreeMap::new(),
                no_position: None,
            };
            match m {
                Ok(m) => {
                    for (i, (quantity, side)) in all.iter().enumerate() {
                        if let Some(value) = quantity.of(&m, *side) {
                            let u95 = bands.get(i).and_then(|b| b.u95.get(at).copied().flatten());
                            let map = if *side == Side::Right { &mut report.right } else { &mut report.left };
                            map.insert(quantity.name(), Value { value, u95 });
                        }
                    }
                    measures.push(m);
                    at += 1;
                }
                Err(error) => report.no_position = Some(error.to_string()),
            }
            states.push(report);
        }
        Ok(Answered { states, measures })
    }

    /// Bands of some curves; none where nothing is known of the hardpoints' uncertainty.
    fn bands(&self, quantities: &[(Quantity, Side)]) -> Result<Vec<Band>, Failure> {
        if self.states.is_empty() {
            return Ok(Vec::new());
        }
        let question = TrustQuestion {
            measured: self.request.measured,
            variants: self.request.variants,
            variant: self.name,
            states: self.states,
            held: self.held,
            quantities,
            tolerances: self.request.tolerances,
        };
        match bands(&question) {
            Ok(bands) => Ok(bands),
            // A state at the very end of the mechanism has no neighbour on its far side.
            Err(TrustError::NothingKnown | TrustError::Solve(_)) => Ok(Vec::new()),
            Err(error) => Err(error.into()),
        }
    }
}

impl CurvesReport {
    /// States that could not be reached: the first of each variant and sweep.
    fn unreached(&self) -> Vec<String> {
        let mut lines = Vec::new();
        for v in &self.variants {
            for sweep in [&v.travel, &v.rack] {
                let errors: Vec<&String> = sweep.iter().filter_map(|s| s.no_position.as_ref()).collect();
                if let Some(first) = errors.first() {
                    let more =
                        if errors.len() > 1 { format!(" (and {} more)", errors.len() - 1) } else { String::new() };
                    lines.push(format!("{}: {first}{more}", v.name));
                }
            }
        }
        lines
    }
}

/// What a fabricator wants to know first: `bump steer ±30 mm: 0.42° → 0.03°`.
pub(crate) fn sentence(report: &CurvesReport, from: &str, to: &str) -> Option<String> {
    let find = |name: &str| report.variants.iter().find(|v| v.name == name).map(|v| v.bump_steer);
    let (a, b) = (find(from)?, find(to)?);
    Some(format!("bump steer ±{} mm: {:.2}° → {:.2}°", a.range, a.largest_deg, b.largest_deg))
}

/// The tables for a person.
pub(crate) fn text(report: &CurvesReport, title: &str) -> String {
    let mut parts = vec![format!("{title}\n\n{}", rest_table(report))];
    parts.push(travel_table(report).to_string());
    for v in &report.variants {
        parts.push(format!("Steering, {}, tyres on the ground\n{}", v.name, rack_table(v)));
    }
    let mut lines = Vec::new();
    if let Some(first) = report.variants.first() {
        if report.variants.len() == 1 {
            let b = first.bump_steer;
            lines.push(format!("Bump steer ±{} mm: {:.2}°.\n", b.range, b.largest_deg));
        }
        for other in report.variants.iter().skip(1) {
            if let Some(s) = sentence(report, &first.name, &other.name) {
                lines.push(format!("{} against {}: {s}.\n", other.name, first.name));
            }
        }
        if let Some(most) = first.matters.first() {
            lines.push(format!(
                "Of bump steer's uncertainty {:.0} % is the {} {}{}\n",
                most.percent,
                most.side,
                most.role.words(),
                if most.tolerance { "'s making." } else { "'s: scan that again first." }
            ));
        }
    }
    parts.push(lines.concat());
    parts.push(cautions_text(report));
    parts.push(
        "Signs are those of ISO 8855: steer to the left is positive; toe-in, camber and the rest mean the same on both \
         sides. ± holds the truth with 95 % probability as far as the hardpoints' own uncertainty goes.\n"
            .into(),
    );
    parts.retain(|part| !part.is_empty());
    if !report.files.is_empty() {
        parts.push(crate::run::files_text(&report.files));
    }
    parts.join("\n")
}

/// A value with the digits its ± leaves it, or three decimals.
fn stated(value: Option<&Value>) -> String {
    match value {
        Some(Value { value, u95: Some(u) }) if *u > 1e-9 => {
            format!("{} ± {}", rounded(*value, *u), two_significant(*u))
        }
        Some(v) => rounded(v.value, 0.010),
        None => "–".into(),
    }
}

/// What to look at, of every variant.
pub(crate) fn cautions_text(report: &CurvesReport) -> String {
    let lines: Vec<String> =
        report.variants.iter().flat_map(|v| v.cautions.iter().map(move |c| format!("  {}: {c}\n", v.name))).collect();
    if lines.is_empty() { String::new() } else { format!("Cautions:\n{}", lines.concat()) }
}

pub(crate) fn rest_table(report: &CurvesReport) -> Table {
    let mut columns = vec![("at rest, left".to_owned(), Align::Left), ("".to_owned(), Align::Left)];
    for (i, v) in report.variants.iter().enumerate() {
        columns.push((v.name.clone(), Align::Right));
        if i > 0 {
            columns.push(("change".to_owned(), Align::Right));
        }
    }
    let headings: Vec<(&str, Align)> = columns.iter().map(|(name, align)| (name.as_str(), *align)).collect();
    let mut table = Table::new(&headings);
    for quantity in SUMMARY {
        let mut cells = vec![quantity.words().to_owned(), quantity.unit().to_owned()];
        let first = report.variants.first().and_then(|v| v.rest.left.get(quantity.name()));
        // Slopes are small numbers.
        let fine = if quantity.unit().contains('/') { 0.000_10 } else { 0.010 };
        for (i, v) in report.variants.iter().enumerate() {
            let value = v.rest.left.get(quantity.name());
            cells.push(match value {
                Some(Value { value, u95: None }) => rounded(*value, fine),
                other => stated(other),
            });
            if i > 0 {
                let change = value.zip(first).map(|(a, b)| a.value - b.value);
                cells.push(change.map_or_else(String::new, |c| signed(c, fine)));
            }
        }
        table.cells(cells);
    }
    table
}

fn signed(value: f64, uncertainty: f64) -> String {
    let text = rounded(value, uncertainty);
    if value > 0.0 && text.chars().any(|c| c.is_ascii_digit() && c != '0') { format!("+{text}") } else { text }
}

fn travel_table(report: &CurvesReport) -> Table {
    let mut columns = vec![("travel mm".to_owned(), Align::Right)];
    for v in &report.variants {
        for what in ["toe change °", "camber °", "roll centre mm"] {
            columns.push((format!("{}: {what}", v.name), Align::Right));
        }
    }
    let headings: Vec<(&str, Align)> = columns.iter().map(|(name, align)| (name.as_str(), *align)).collect();
    let mut table = Table::new(&headings);
    for i in (0..POSITIONS).step_by(4) {
        let Some(travel) = report.variants.first().and_then(|v| v.travel.get(i)).map(|s| s.travel) else { continue };
        let mut cells = vec![rounded(travel, 1.5)];
        for v in &report.variants {
            for quantity in [Quantity::BumpSteer, Quantity::Camber, Quantity::RollCentreByVelocity] {
                cells.push(stated(v.travel.get(i).and_then(|s| s.left.get(quantity.name()))));
            }
        }
        table.cells(cells);
    }
    table
}

fn rack_table(v: &VariantReport) -> Table {
    let mut table = Table::new(&[
        ("rack mm", Align::Right),
        ("left °", Align::Right),
        ("right °", Align::Right),
        ("Ackermann %", Align::Right),
        ("error °", Align::Right),
        ("margin left °", Align::Right),
        ("margin right °", Align::Right),
        ("turning circle m", Align::Right),
    ]);
    for s in v.rack.iter().step_by(4) {
        let plain = |side: &BTreeMap<&'static str, Value>, q: Quantity, fine: f64, scale: f64| {
            side.get(q.name()).map_or_else(|| "–".to_owned(), |v| rounded(v.value * scale, fine))
        };
        table.row([
            rounded(s.rack, 1.5),
            plain(&s.left, Quantity::Steer, 0.010, 1.0),
            plain(&s.right, Quantity::Steer, 0.010, 1.0),
            plain(&s.left, Quantity::AckermannPercent, 1.5, 1.0),
            plain(&s.left, Quantity::AckermannError, 0.010, 1.0),
            plain(&s.left, Quantity::OverCentreMargin, 0.15, 1.0),
            plain(&s.right, Quantity::OverCentreMargin, 0.15, 1.0),
            plain(&s.left, Quantity::TurningCircle, 0.010, 1e-3),
        ]);
    }
    table
}

/// A line for each variant, position and side; a column for each quantity and its ±.
fn csv_text(report: &CurvesReport) -> String {
    let mut text = String::from("variant,sweep,travel,rack,side");
    for q in Quantity::ALL {
        text.push_str(&format!(",{0},{0}_u95", q.name()));
    }
    text.push('\n');
    for v in &report.variants {
        // Names of variants are plain: a comma is all that could upset the columns.
        let name = format!("\"{}\"", v.name.replace('"', "\"\""));
        for (sweep, states) in [("travel", &v.travel), ("rack", &v.rack)] {
            for s in states.iter().filter(|s| s.no_position.is_none()) {
                for (side, values) in [("left", &s.left), ("right", &s.right)] {
                    text.push_str(&format!("{name},{sweep},{},{},{side}", s.travel, s.rack));
                    for q in Quantity::ALL {
                        let value = values.get(q.name());
                        let cell = |v: Option<f64>| v.map_or_else(String::new, |v| v.to_string());
                        text.push_str(&format!(
                            ",{},{}",
                            cell(value.map(|v| v.value)),
                            cell(value.and_then(|v| v.u95))
                        ));
                    }
                    text.push('\n');
                }
            }
        }
    }
    text
}

fn drawing(report: &CurvesReport, title: &str) -> String {
    let chart = |quantity: Quantity, over_rack: bool| {
        let curves = report.variants.iter().map(|v| {
            let states = if over_rack { &v.rack } else { &v.travel };
            let value = |s: &StateReport| s.left.get(quantity.name()).copied();
            Curve {
                name: v.name.clone(),
                points: states
                    .iter()
                    .map(|s| [if over_rack { s.rack } else { s.travel }, value(s).map_or(f64::NAN, |v| v.value)])
                    .collect(),
                band: states.iter().map(|s| value(s).and_then(|v| v.u95).unwrap_or(0.0)).collect(),
            }
        });
        let unit = if quantity.unit().is_empty() { String::new() } else { format!(", {}", quantity.unit()) };
        let lines = report.variants.iter().filter(|_| over_rack).flat_map(|v| {
            v.over_centre.iter().flatten().map(move |at| Line {
                at: *at,
                name: "over centre".into(),
                curve: v.name.clone(),
            })
        });
        Chart {
            title: format!("{}{}", quantity.words(), if quantity.of_corner() { ", left" } else { "" }),
            x: if over_rack { "rack travel, mm to the left" } else { "wheel travel, mm up" }.into(),
            y: format!("{}{unit}", quantity.words().split(" (").next().unwrap_or_default()),
            curves: curves.collect(),
            lines: lines.collect(),
        }
    };
    let charts = [
        chart(Quantity::BumpSteer, false),
        chart(Quantity::Camber, false),
        chart(Quantity::Caster, false),
        chart(Quantity::RollCentreByVelocity, false),
        chart(Quantity::Steer, true),
        chart(Quantity::AckermannPercent, true),
        chart(Quantity::AckermannError, true),
        chart(Quantity::OverCentreMargin, true),
    ];
    render_charts(&format!("{title}: kinematics"), "bands hold the truth with 95 % probability", &charts)
}
