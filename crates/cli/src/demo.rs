//! `stringline demo`: the whole main job on the sample scans, checked against their truth.
//!
//! The job is made by the operations that a person would make: add the scans, paint, mate them to one another and to
//! the car, fit, construct, export. Nothing of the truth is used but where a person would touch the parts.

use crate::args::{DemoArgs, GapArgs};
use crate::curves::{
    CurvesReport, Request, USUAL_TRAVEL, all_names, cautions_text, rest_table, sentence, variants_of, work_out,
    write_files,
};
use crate::failure::{Failure, Outcome};
use crate::feature_report::size;
use crate::gap::{self, GapReport};
use crate::overlay::{self, OverlayReport};
use crate::run::{Evaluated, RunReport, evaluate, files_text, report, trouble, write_results};
use crate::table::{Align, Table, count, position, rounded};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use stringline_core::covariance::two_significant;
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, RigidTransform};
use stringline_fit::Feature;
use stringline_hardpoints::export::CAUTION;
use stringline_hardpoints::{Role, Side};
use stringline_job::{
    BodyShape, BodySpec, ClearanceSpec, History, Job, Name, Op, Place, Placement, WheelSpec, hardpoint_words,
    scan_file, write_job,
};
use stringline_kinematics::solve_for::{BumpSteerGoal, Freedom, least_bump_steer};
use stringline_kinematics::{AS_FOUND, Change, Held, Link, Measured, RodEnd, Variant, geometry_of};
use stringline_sample::{
    Compared, JOB_FILE, SCANS, TrueFeature, Truth, compare, feature_name, second_name, write_new_arm,
};

/// What `demo --json` prints.
#[derive(Serialize)]
struct Report {
    #[serde(flatten)]
    run: RunReport,
    truth: Vec<Compared>,
    kinematics: CurvesReport,
    overlay: OverlayReport,
    clearance: GapReport,
}

pub(crate) fn demo(args: &DemoArgs) -> Result<Outcome, Failure> {
    let truths = SCANS.iter().map(|sample| parse::<Truth>(sample.truth)).collect::<Result<Vec<_>, _>>()?;
    let sheets: Vec<(&str, &Truth)> = SCANS.iter().map(|sample| sample.name).zip(&truths).collect();
    let mut files: Vec<PathBuf> = SCANS.iter().map(|sample| args.dir.join(sample.file)).collect();
    let path = args.dir.join(JOB_FILE);
    let raw = stringline_sample::begin_raw(&args.dir)?;
    let mut evaluated = evaluate(stringline_sample::work(&raw, &sheets)?, &args.dir);
    let mut kinematics = design(&mut evaluated)?;
    let overlay = clear(&mut evaluated, &args.dir, &mut files)?;
    let clearance = swept(&evaluated, &args.dir)?;
    write_job(&path, &evaluated.job)?;
    files.push(path.clone());
    let written = write_results(&evaluated, &args.dir, JOB_FILE)?;
    files.extend(written.files);
    // Over those of the job alone: these know how closely the new knuckle can be made.
    let curves = ["csv", "svg"].map(|ending| args.dir.join(format!("kestrel.curves.{ending}")));
    write_files(&mut kinematics, &evaluated.job.title, Some(&curves[0]), Some(&curves[1]))?;
    files.extend(overlay.files.iter().chain(&clearance.files).cloned());
    let truth = compare(&evaluated.results.set.hardpoints, &truths);
    let report = Report { run: report(&evaluated, JOB_FILE, files), truth, kinematics, overlay, clearance };
    let mut outcome = if args.json {
        Outcome::json(&report)?
    } else {
        let shows = crate::has_window().then_some(path);
        Outcome { text: text(&evaluated, &report, &truths), shows, ..Outcome::default() }
    };
    outcome.messages = trouble(&evaluated.results);
    outcome.messages.extend(written.trouble);
    outcome.in_part = !evaluated.results.is_complete();
    Ok(outcome)
}

/// How far the invented shop's knuckle drops the lower ball joint, mm.
const DROP: f64 = 50.0;
/// The name of the car on that knuckle alone.
const DROPPED: &str = "drop-50";
/// The name of the same with a shorter steering arm, and the rack and the tie rods put right.
const PROPOSED: &str = "proposed";
/// How much shorter the proposed steering arm is, mm: with the arm as it was, the dropped tie rod meets the rim.
const SHORTER: f64 = 25.0;
/// How far the rack goes forward, mm: the shorter arm alone goes over centre sooner.
const RACK_FORWARD: f64 = 30.0;
/// How far the invented rim's mounting face lies outboard of its middle, mm: as the sample's table has it.
const RIM_OFFSET: f64 = 38.0;
/// The gap that the invented shop wants, mm.
const WANTED_GAP: f64 = 8.0;
/// How far from the new arm the old one is looked for, mm.
const OVERLAY_LIMIT: f64 = 60.0;
/// Wheel travel either way over which toe is to stay, mm.
const BUMP: f64 = 30.0;
/// How nearly the invented shop places a welded bung, mm.
const BUNG: f64 = 0.2;

/// Designs on the car as measured: a drop knuckle; and on it a shorter steering arm with the rack moved to suit, and the
/// tie rod's outer joint as low as it must go for both. The variants become part of the job; the curves of all three are drawn.
fn design(evaluated: &mut Evaluated) -> Result<CurvesReport, Failure> {
    let measured = Measured::from_set(&evaluated.results.set)?;
    let found = measured.geometry()?;
    let toe = Change::Align { toe_in_deg: 0.0 };
    let dropped = Variant::new(DROPPED, None, vec![Change::DropBallJoint { by: DROP }.into(), toe.clone().into()]);
    let goal = BumpSteerGoal {
        travel: [-BUMP, BUMP],
        held: Held::WheelCentre,
        free: vec![Freedom::vertical(RodEnd::Outer, 80.0)],
        stock: None,
    };
    let moves = |lower: f64| {
        let outer = Change::MoveTieRodOuter { by: [SHORTER, 0.0, -lower] };
        let inner = Change::MoveTieRodInner { by: [RACK_FORWARD, 0.0, 0.0] };
        [outer, inner, toe.clone()].map(Into::into).to_vec()
    };
    let level = [dropped.clone(), Variant::new(PROPOSED, Some(DROPPED), moves(0.0))];
    let answer = least_bump_steer(&geometry_of(&found, &level, PROPOSED)?, &goal)?;
    // To the half millimetre: no bung is welded more nearly.
    let lower = answer.amounts.first().map_or(0.0, |v| (-2.0 * v).round() / 2.0);
    let mut proposed = Variant::new(PROPOSED, Some(DROPPED), moves(lower));
    proposed.made_within.insert(Role::TieRodOuter, BUNG);
    let mut history = History::new(Job::clone(&evaluated.job));
    for variant in [dropped, proposed] {
        history.apply(&Op::SetVariant { variant: Box::new(variant) })?;
    }
    evaluated.job = Job::clone(history.job());
    let variants = variants_of(&evaluated.job);
    work_out(&Request {
        measured: &measured,
        variants: &variants,
        names: &all_names(&variants),
        travel: USUAL_TRAVEL,
        rack: None,
        bump: BUMP,
        tolerances: &[],
    })
}

/// The new arm's name in the job.
const NEW_ARM: &str = "new-arm";

/// Takes an invented design of a new arm into the job, and says what moves with what, so that
/// the wheel can be swept past the old arm and the new one; lays the new arm over the old.
fn clear(evaluated: &mut Evaluated, dir: &Path, files: &mut Vec<PathBuf>) -> Result<OverlayReport, Failure> {
    let mut history = History::new(Job::clone(&evaluated.job));
    let drawn = write_new_arm(dir)?;
    let new_arm: Name = NEW_ARM.parse()?;
    let scan = scan_file(&drawn, LengthUnit::Millimetre, dir)?;
    files.push(drawn);
    history.apply(&Op::AddScan { name: new_arm.clone(), scan })?;
    let placement = Placement::typed(&RigidTransform::identity(), "drawn in the car's axes");
    history.apply(&Op::PlaceScan { name: new_arm.clone(), placement: Box::new(placement) })?;
    let body = |shape: BodyShape, moves_with: Link| BodySpec {
        shape,
        moves_with,
        side: Side::Left,
        variants: Vec::new(),
        drawn_in: None,
        made_within: None,
        extra: serde_json::Map::new(),
    };
    let scan = |name: &str| Ok::<_, Failure>(BodyShape::Scan { scan: name.parse()? });
    let wheel = WheelSpec {
        tyre: None,
        rim_width: None,
        offset: Some(RIM_OFFSET),
        new: false,
        bulge: 0.0,
        section: Vec::new(),
        extra: serde_json::Map::new(),
    };
    let joint = |role: Role| Place::Hardpoint(role);
    let rod = BodyShape::Tube { from: joint(Role::TieRodInner), to: joint(Role::TieRodOuter), diameter: 18.0 };
    let old = [AS_FOUND, DROPPED].map(str::to_owned).to_vec();
    let bodies = [
        ("wheel", body(BodyShape::Wheel(wheel), Link::Knuckle)),
        ("old arm", BodySpec { variants: old, ..body(scan("lower-arm")?, Link::LowerArm) }),
        (
            "new arm",
            BodySpec {
                variants: vec![PROPOSED.into()],
                made_within: Some(1.0),
                ..body(scan(NEW_ARM)?, Link::LowerArm)
            },
        ),
        ("chassis", body(scan("chassis-left")?, Link::Chassis)),
        ("tie rod", BodySpec { made_within: Some(0.5), ..body(rod, Link::TieRod) }),
    ];
    for (name, body) in bodies {
        history.apply(&Op::SetBody { name: name.parse()?, body: Box::new(body) })?;
    }
    let clearance = ClearanceSpec { wanted: WANTED_GAP, lock_deg: 55.0, ..ClearanceSpec::default() };
    history.apply(&Op::SetClearance { clearance: Some(Box::new(clearance)) })?;
    evaluated.job = Job::clone(history.job());
    let stem = crate::run::stem_of(JOB_FILE);
    overlay::work_out(evaluated, dir, [NEW_ARM, "lower-arm"], OVERLAY_LIMIT, Some((dir, stem)))
}

/// Sweeps the wheel past the old arm in the car as found and past the new one in the car as proposed.
fn swept(evaluated: &Evaluated, dir: &Path) -> Result<GapReport, Failure> {
    let args = GapArgs {
        job: dir.join(JOB_FILE),
        overlay: Vec::new(),
        limit: None,
        variants: [AS_FOUND, PROPOSED].map(str::to_owned).to_vec(),
        wanted: None,
        lock: None,
        travel: None,
        section: None,
        out: None,
        json: false,
    };
    gap::work_out(evaluated, dir, &args, Some((dir, crate::run::stem_of(JOB_FILE))))
}

/// The geometry's part of the text.
fn design_text(report: &CurvesReport) -> String {
    let line = |from: &str, to: &str, words: &str| {
        sentence(report, from, to).map_or_else(String::new, |s| format!("  {words}: {s}\n"))
    };
    format!(
        "{}\nA knuckle that drops the lower ball joint by {DROP} mm; on it a steering arm {SHORTER} mm shorter, the rack \
         {RACK_FORWARD} mm further forward, and the tie rod's outer joint lowered to suit:\n{}{}{}\n{}",
        rest_table(report),
        line(AS_FOUND, DROPPED, "the knuckle alone"),
        line(DROPPED, PROPOSED, "with steering arm, rack and tie rod"),
        line(AS_FOUND, PROPOSED, "as found against proposed"),
        cautions_text(report),
    )
}

/// The new arm over the old one, and the wheel swept past both, as text.
fn clearance_text(report: &Report) -> String {
    format!(
        "A new arm of tube (an invented design) over the old one:\n{}\nThe wheel swept past the old arm and, on the dropped \
         knuckle, past the new one:\n{}",
        overlay::text(&report.overlay),
        gap::text(&report.clearance, false),
    )
}

fn parse<'a, T: Deserialize<'a>>(bytes: &'a [u8]) -> Result<T, Failure> {
    serde_json::from_slice(bytes).map_err(|error| {
        Failure::new(
            format!("a truth file inside the program cannot be read: {error}"),
            "Report this as a fault of the program.",
        )
    })
}

fn text(evaluated: &Evaluated, report: &Report, truths: &[Truth]) -> String {
    let mut features = Table::new(&[
        ("feature", Align::Left),
        ("scan", Align::Left),
        ("shape", Align::Left),
        ("size mm or °", Align::Left),
        ("truth", Align::Right),
        ("form error mm", Align::Right),
        ("points", Align::Right),
        ("left out", Align::Right),
    ]);
    let known = |name: &str| {
        let mut features = SCANS.iter().zip(truths).flat_map(|(s, t)| t.features.iter().map(move |f| (s, f)));
        features.find(|(sample, f)| feature_name(sample.name, &f.name) == name).map(|(_, f)| f)
    };
    let mut rows: Vec<_> = evaluated.results.features.iter().collect();
    rows.sort_by_key(|(name, result)| (&result.scan, *name));
    for (name, result) in rows {
        let feature = &result.feature;
        let truth = known(name.as_str()).map_or_else(String::new, |truth| true_size(truth, feature));
        features.row([
            name.to_string(),
            result.scan.to_string(),
            feature.shape.kind().words(feature.side).to_owned(),
            size(feature),
            truth,
            rounded(feature.form_error, 0.01),
            count(feature.used),
            count(feature.rejected),
        ]);
    }
    let mut hardpoints = Table::new(&[
        ("hardpoint", Align::Left),
        ("position mm", Align::Left),
        ("± mm", Align::Right),
        ("off truth", Align::Right),
        ("± °", Align::Right),
        ("off truth", Align::Right),
        ("within ±", Align::Left),
    ]);
    for compared in &report.truth {
        let Some(hardpoint) = evaluated.results.set.find(compared.role, compared.side) else {
            continue;
        };
        hardpoints.row([
            hardpoint_words(compared.role, compared.side),
            position(&hardpoint.position.into(), compared.stated),
            two_significant(compared.stated),
            rounded(compared.off, compared.stated),
            compared.stated_deg.map_or_else(String::new, two_significant),
            compared.off_deg.zip(compared.stated_deg).map_or_else(String::new, |(off, stated)| rounded(off, stated)),
            if compared.within { "yes" } else { "no" }.into(),
        ]);
    }
    let placed = crate::place::text(evaluated);
    let twice = seen_twice(evaluated, truths);
    let within = report.truth.iter().filter(|compared| compared.within).count();
    format!(
        "{title}: an invented car, scanned by a program\n\n{features}\n{placed}\n{hardpoints}\
         {within} of {all} hardpoints lie within their ± of the truth. ± holds the truth with 95 % probability, so \
         about one in twenty may lie outside.\n\n{twice}\n{design}\n{clearance}\n\
         Positions in vehicle axes (x forward, y left, z up), mm. \
         No placement was typed: every scan is placed by what it shares with the others and by the car's own floor, \
         hubs and symmetry.\n\n{files}\n{CHECKS}{caution}",
        caution = CAUTION.map(|line| format!("  {line}\n")).concat(),
        title = evaluated.job.title,
        design = design_text(&report.kinematics),
        clearance = clearance_text(report),
        all = report.truth.len(),
        files = files_text(&report.run.files),
    )
}

/// Points that two scans have: how well the scans agree on them in the car.
fn seen_twice(evaluated: &Evaluated, truths: &[Truth]) -> Table {
    let mut table = Table::new(&[
        ("seen on two scans", Align::Left),
        ("apart mm", Align::Right),
        ("± mm", Align::Right),
        ("how the second has it", Align::Left),
    ]);
    for (sample, truth) in SCANS.iter().zip(truths).flat_map(|(s, t)| t.hardpoints.iter().map(move |h| (s, h))) {
        let name = second_name(sample.name, truth.role);
        let first = evaluated.results.set.find(truth.role, truth.side);
        let (Some(first), Some(second)) = (first, evaluated.results.datums.get(name.as_str())) else {
            continue;
        };
        let apart = (Point3::from(first.position) - second.datum.position()).norm();
        // The scan that gave the hardpoint itself.
        if apart == 0.0 {
            continue;
        }
        let stated = first.u95.map_or(f64::INFINITY, |u| u.position).hypot(second.position_u95());
        let how = evaluated.job.datums.get(name.as_str()).map_or_else(String::new, |how| how.words());
        table.row([name, rounded(apart, stated), two_significant(stated), how]);
    }
    table
}

/// The truth of what [`size`] states, with the same digits.
fn true_size(truth: &TrueFeature, feature: &Feature) -> String {
    let u = feature.u95();
    match (truth.half_angle_deg, u.half_angle_deg, truth.radius, u.radius) {
        _ if truth.kind != feature.shape.kind() => format!("a {}", truth.kind),
        (Some(half), Some(u_half), ..) => rounded(2.0 * half, 2.0 * u_half),
        (_, _, Some(radius), Some(u_radius)) => rounded(2.0 * radius, 2.0 * u_radius),
        _ => String::new(),
    }
}

const CHECKS: &str = "\
Before you cut or weld by such numbers:
  Look at every picture: is each feature painted where you mean it?
  The ± knows the scans' noise and how well they are placed, not the scanner's calibration.
  Measure a distance on the part by hand and compare.
";
