//! `stringline gap`: swept clearance of a job's bodies, and one scan laid over another.

use crate::args::GapArgs;
use crate::cut::{self, Cut};
use crate::failure::{Failure, Outcome};
use crate::fit::file_name;
use crate::overlay;
use crate::run::{Evaluated, cannot_write, evaluate_file, files_text, trouble};
use crate::table::{Align, Table, rounded};
use serde::Serialize;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use stringline_clearance::{CAUTIONS, Reach, Shape, Sweep, Touch, Verdict, gap_words, lock_words, read_section};
use stringline_core::Point3;
use stringline_core::covariance::two_significant;
use stringline_hardpoints::Side;
use stringline_hardpoints::export::CAUTION;
use stringline_job::{
    Bodies, BodyShape, ClearanceSpec, Job, LoadError, LoadedScan, Name, ScanFile, Setup, folder_of, load,
    replace_result,
};
use stringline_picture::{CellMap, render_maps};

/// What `gap --json` prints.
#[derive(Serialize)]
pub(crate) struct GapReport {
    side: Side,
    /// mm.
    wanted: f64,
    lock_deg: f64,
    travel: [f64; 2],
    /// In the order asked for.
    pub(crate) variants: Vec<VariantReport>,
    cautions: Vec<&'static str>,
    pub(crate) files: Vec<PathBuf>,
}

/// One variant.
#[derive(Serialize)]
pub(crate) struct VariantReport {
    name: String,
    bodies: Vec<String>,
    /// Over all travel: to the right, to the left.
    largest_lock: [ReachReport; 2],
    /// Degrees of lock gained on the first variant, right and left.
    #[serde(skip_serializing_if = "Option::is_none")]
    gained_deg: Option<[f64; 2]>,
    rows: Vec<RowReport>,
    pairs: Vec<PairReport>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    cuts: Vec<Cut>,
    map: MapReport,
}

/// The smallest gap over lock and travel.
#[derive(Serialize)]
struct MapReport {
    locks_deg: Vec<f64>,
    travels: Vec<f64>,
    /// Row by row; absent where there is no such state or all is further apart than was looked for.
    gaps: Vec<Option<f64>>,
    /// Which pair it is of.
    pairs: Vec<Option<usize>>,
    /// Why there is no such state.
    stops: Vec<Option<String>>,
}

#[derive(Serialize)]
struct RowReport {
    travel: f64,
    largest_lock: [ReachReport; 2],
}

/// How far the lock goes to one side.
#[derive(Clone, Serialize)]
struct ReachReport {
    /// Absent where the gap is not kept straight ahead.
    #[serde(skip_serializing_if = "Option::is_none")]
    lock_deg: Option<f64>,
    /// At 95 %, where a gap ends it and its uncertainty is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    lock_u95_deg: Option<f64>,
    /// What ends it.
    by: String,
    /// Which part of the wheel comes too near to what.
    #[serde(skip_serializing_if = "Option::is_none")]
    what: Option<String>,
    /// Where, in car coordinates, mm.
    #[serde(skip_serializing_if = "Option::is_none")]
    at: Option<[f64; 3]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    travel: Option<f64>,
}

#[derive(Serialize)]
struct PairReport {
    pair: String,
    largest_lock: Vec<[ReachReport; 2]>,
    /// At the state of the grid where it comes nearest; absent where it is further apart than was looked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    smallest: Option<SmallestReport>,
}

#[derive(Serialize)]
struct SmallestReport {
    lock_deg: f64,
    travel: f64,
    at: [f64; 3],
    verdict: VerdictReport,
}

#[derive(Serialize)]
struct VerdictReport {
    gap: f64,
    u95: f64,
    wanted: f64,
    outcome: &'static str,
    components: Vec<ComponentReport>,
}

#[derive(Serialize)]
struct ComponentReport {
    name: String,
    standard: f64,
}

/// A variant with what was found.
struct Swept {
    setup: Setup,
    sweep: Sweep,
}

pub(crate) fn gap(args: &GapArgs) -> Result<Outcome, Failure> {
    let (evaluated, mut messages) = evaluate_file(&args.job)?;
    messages.extend(trouble(&evaluated.results));
    let folder = folder_of(&args.job);
    let name = file_name(&args.job);
    let stem = crate::run::stem_of(&name);
    if let [of, against] = &args.overlay[..] {
        let mut outcome = overlay::overlay(&evaluated, folder, [of, against], args, stem)?;
        outcome.messages.splice(0..0, messages);
        return Ok(outcome);
    }
    let report = work_out(&evaluated, folder, args, args.out.as_deref().map(|out| (out, stem)))?;
    let mut outcome =
        if args.json { Outcome::json(&report)? } else { Outcome { text: text(&report, true), ..Outcome::default() } };
    outcome.in_part = !evaluated.results.is_complete();
    outcome.messages = messages;
    Ok(outcome)
}

/// Sweeps the variants asked for; pictures go to the folder given, under names that begin with the stem given.
pub(crate) fn work_out(
    evaluated: &Evaluated,
    folder: &Path,
    args: &GapArgs,
    out: Option<(&Path, &str)>,
) -> Result<GapReport, Failure> {
    let load = |name: &Name, file: &ScanFile| -> Result<Arc<LoadedScan>, LoadError> {
        match evaluated.scans.iter().find(|(known, _)| known == name) {
            Some((_, scan)) => Ok(Arc::clone(scan)),
            None => Ok(Arc::new(load(file, folder)?)),
        }
    };
    let mut job = Job::clone(&evaluated.job);
    if let Some(path) = &args.section {
        drawn(&mut job, path)?;
    }
    let bodies = Bodies::new(&job, &evaluated.results.set, &evaluated.results.placements, &load)?;
    let mut clearance = bodies.clearance().clone();
    change(&mut clearance, args)?;
    let bodies = bodies.with(clearance);
    let c = bodies.clearance().clone();
    let names = if args.variants.is_empty() { bodies.variants() } else { args.variants.clone() };
    let mut swept = Vec::new();
    for name in &names {
        let setup = bodies.set_up(name)?;
        let sweep = setup.sweep(|_| true)?;
        swept.push(Swept { setup, sweep });
    }
    let mut files = Vec::new();
    let mut variants: Vec<VariantReport> = Vec::new();
    for one in &swept {
        let cuts = match out {
            Some((folder, stem)) => cut::cuts(&one.setup, &one.sweep, folder, stem, &mut files)?,
            None => Vec::new(),
        };
        let report = variant(one, variants.first(), cuts);
        variants.push(report);
    }
    if let Some((folder, stem)) = out {
        let path = folder.join(format!("{stem}.gap-map.svg"));
        let title = if evaluated.job.title.is_empty() { stem } else { &evaluated.job.title };
        write(&path, map_picture(&swept, title).as_bytes(), &mut files)?;
        for one in &swept {
            for (touch, side) in one.sweep.all_travel.iter().zip(["right", "left"]) {
                let Some(touch) = &touch.touch else { continue };
                let name = |what: &str| folder.join(format!("{stem}.{}.{what}-{side}.svg", one.setup.variant));
                write(&name("section"), cut::section_picture(&one.setup, touch).as_bytes(), &mut files)?;
                write(&name("touch"), cut::touch_picture(&one.setup, touch).as_bytes(), &mut files)?;
            }
        }
    }
    Ok(GapReport {
        side: c.side,
        wanted: c.wanted,
        lock_deg: c.lock_deg,
        travel: c.travel,
        variants,
        cautions: CAUTIONS.iter().chain(&CAUTION).copied().collect(),
        files,
    })
}

/// Gives all wheels of the job a drawn section.
fn drawn(job: &mut Job, path: &Path) -> Result<(), Failure> {
    let bytes = std::fs::read(path).map_err(|cause| {
        Failure::new(format!("cannot read {}: {cause}", path.display()), "Check the path and that you may read it.")
    })?;
    let section = read_section(&bytes).map_err(|error| Failure::from(error).at(path))?;
    let mut wheels = 0;
    for body in job.bodies.values_mut() {
        if let BodyShape::Wheel(wheel) = &mut Arc::make_mut(body).shape {
            wheel.section.clone_from(&section);
            wheels += 1;
        }
    }
    match wheels {
        0 => Err(Failure::new("the job has no wheel for the drawn section", "Add a wheel to the job's bodies.")),
        _ => Ok(()),
    }
}

/// Writes a result and notes its file.
pub(crate) fn write(path: &Path, bytes: &[u8], files: &mut Vec<PathBuf>) -> Result<(), Failure> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(|cause| cannot_write(folder, &cause))?;
    }
    replace_result(path, bytes).map_err(|cause| cannot_write(path, &cause))?;
    files.push(path.to_owned());
    Ok(())
}

/// What the command line changes of what the job asks for.
fn change(spec: &mut ClearanceSpec, args: &GapArgs) -> Result<(), Failure> {
    if let Some(wanted) = args.wanted {
        spec.wanted = wanted;
        spec.pairs.iter_mut().for_each(|p| p.wanted = None);
    }
    if let Some(lock) = args.lock {
        if lock > 90.0 {
            return Err(Failure::usage("a lock of more than 90° cannot be swept", "Give less."));
        }
        spec.lock_deg = lock;
        spec.lock_step_deg = spec.lock_step_deg.min(lock);
    }
    if let Some(travel) = args.travel {
        spec.travel = travel;
    }
    Ok(())
}

fn variant(swept: &Swept, first: Option<&VariantReport>, cuts: Vec<Cut>) -> VariantReport {
    let Swept { setup, sweep } = swept;
    let largest_lock = sweep.all_travel.each_ref().map(|r| reach(setup, r, true));
    let gained_deg = first.and_then(|first| {
        let gained = |i: usize| Some(largest_lock[i].lock_deg?.abs() - first.largest_lock[i].lock_deg?.abs());
        Some([gained(0)?, gained(1)?])
    });
    let smallest: Vec<_> = sweep.states.iter().map(|s| s.smallest().map(|(pair, c)| (pair, c.gap))).collect();
    VariantReport {
        name: setup.variant.clone(),
        bodies: setup.parts.iter().map(|p| p.name.clone()).collect(),
        gained_deg,
        rows: sweep
            .travels
            .iter()
            .zip(&sweep.rows)
            .map(|(&travel, row)| RowReport { travel, largest_lock: row.each_ref().map(|r| reach(setup, r, false)) })
            .collect(),
        pairs: (0..sweep.pairs.len()).map(|pair| pair_report(swept, pair)).collect(),
        cuts,
        map: MapReport {
            locks_deg: sweep.locks.iter().map(|l| l.to_degrees()).collect(),
            travels: sweep.travels.clone(),
            gaps: smallest.iter().map(|s| s.map(|s| s.1)).collect(),
            pairs: smallest.iter().map(|s| s.map(|s| s.0)).collect(),
            stops: sweep.states.iter().map(|s| s.poses.as_ref().err().map(ToString::to_string)).collect(),
        },
        largest_lock,
    }
}

fn pair_report(swept: &Swept, pair: usize) -> PairReport {
    let Swept { setup, sweep } = swept;
    let smallest = sweep.nearest(pair).map(|(state, closest)| {
        let verdict = setup.verdict(pair, state.lock, state.travel, closest);
        let of = &sweep.pairs[pair];
        let at = state.poses.as_ref().map(|p| p[of.a] * closest.on_a).unwrap_or(closest.on_a);
        SmallestReport {
            lock_deg: state.lock.to_degrees(),
            travel: state.travel,
            at: at.coords.into(),
            verdict: verdict_report(&verdict),
        }
    });
    PairReport {
        pair: setup.words(pair),
        largest_lock: sweep.pair_rows.iter().map(|row| row[pair].each_ref().map(|r| reach(setup, r, false))).collect(),
        smallest,
    }
}

fn verdict_report(v: &Verdict) -> VerdictReport {
    VerdictReport {
        gap: v.gap,
        u95: v.u95,
        wanted: v.wanted,
        outcome: v.outcome.words(),
        components: v
            .components
            .iter()
            .map(|c| ComponentReport { name: c.name.clone(), standard: c.standard })
            .collect(),
    }
}

fn reach(setup: &Setup, reach: &Reach, with_uncertainty: bool) -> ReachReport {
    ReachReport {
        lock_deg: reach.lock.map(f64::to_degrees),
        lock_u95_deg: reach
            .touch
            .as_ref()
            .filter(|_| with_uncertainty)
            .and_then(|t| setup.lock_u95(t))
            .map(f64::to_degrees),
        by: setup.ended_by(&reach.by),
        what: reach.touch.as_ref().map(|t| what(setup, t)),
        at: reach.touch.as_ref().map(|t| t.at(&setup.pairs[t.pair]).coords.into()),
        travel: reach.touch.as_ref().map(|t| t.travel),
    }
}

/// What comes too near to what.
fn what(setup: &Setup, touch: &Touch) -> String {
    let of = &setup.pairs[touch.pair];
    let name = |part: usize, place: &Point3| match &setup.parts[part].shape {
        Shape::Wheel(wheel) => wheel.whereabouts(place).to_owned(),
        Shape::Body(_) => setup.parts[part].name.clone(),
    };
    format!("{} and {}", name(of.a, &touch.closest.on_a), name(of.b, &touch.closest.on_b))
}

/// The map of every variant.
fn map_picture(swept: &[Swept], title: &str) -> String {
    let maps: Vec<CellMap> = swept
        .iter()
        .map(|Swept { setup, sweep }| {
            let wanted = sweep.pairs.iter().map(|p| p.wanted).fold(0.0, f64::max);
            let far = wanted + setup.settings().beyond;
            let value = |s: &stringline_clearance::SweptState| match (&s.poses, s.smallest()) {
                (Err(_), _) => None,
                (Ok(_), None) => Some(far),
                (Ok(_), Some((_, c))) => Some(c.gap),
            };
            let line = |side: usize| {
                let at = |(row, travel): (&[Reach; 2], &f64)| Some([row[side].lock?.to_degrees(), *travel]);
                sweep.rows.iter().zip(&sweep.travels).filter_map(at).collect()
            };
            CellMap {
                title: setup.variant.clone(),
                x: "lock of this wheel, ° to the left".into(),
                y: "wheel travel, mm up".into(),
                xs: sweep.locks.iter().map(|l| l.to_degrees()).collect(),
                ys: sweep.travels.clone(),
                values: sweep.states.iter().map(value).collect(),
                wanted,
                lines: vec![line(0), line(1)],
            }
        })
        .collect();
    let note = "hatched: less than the gap wanted; lines: largest lock from straight ahead; blank: no such position";
    render_maps(&format!("{title}: smallest gap"), note, "gap, mm", &maps)
}

fn lock_text(r: &ReachReport) -> String {
    lock_words(r.lock_deg, r.lock_u95_deg)
}

/// What a fabricator wants to know of the last variant, against the first.
fn sentences(report: &GapReport) -> String {
    let (Some(first), Some(last)) = (report.variants.first(), report.variants.last()) else { return String::new() };
    let side = |i: usize| {
        let (now, before) = (&last.largest_lock[i], &first.largest_lock[i]);
        let to = ["right", "left"][i];
        let all = now.by == Setup::NOTHING;
        let mut text = match now.lock_deg {
            None => format!("To the {to}, {} does not keep {} mm even straight ahead", last.name, report.wanted),
            Some(_) if all => {
                format!("To the {to}, {} keeps {} mm over all {}° looked at", last.name, report.wanted, report.lock_deg)
            }
            Some(_) => {
                format!("To the {to}, {} keeps {} mm up to {} of lock", last.name, report.wanted, lock_text(now))
            }
        };
        if report.variants.len() > 1 {
            let gained = last.gained_deg.map_or_else(String::new, |g| format!(" ({:+.1}°)", g[i]).replace('-', "−"));
            text += &match before.lock_deg {
                None => format!("; {} did not keep it straight ahead", first.name),
                Some(_) => format!("; {} had {}{gained}", first.name, lock_text(before)),
            };
        }
        if let (Some(what), Some(at), Some(travel)) = (&now.what, now.at, now.travel) {
            let [x, y, z] = at.map(|v| rounded(v, 0.5));
            text += &format!(
                ". First to come too near: {what}, at ({x}, {y}, {z}) in the car, wheel travel {} mm",
                rounded(travel, 0.5)
            );
        } else if !all {
            text += &format!(". What ends it: {}", now.by);
        }
        text + ".\n"
    };
    format!("\n{}{}", side(0), side(1))
}

/// The report as text; `whole` with its rows and cautions.
pub(crate) fn text(report: &GapReport, whole: bool) -> String {
    let mut parts = vec![format!(
        "Smallest gaps, {} corner: {} mm wanted, lock to ±{}°, wheel travel {} to {} mm\n",
        report.side,
        report.wanted,
        report.lock_deg,
        report.travel[0].to_string().replace('-', "−"),
        report.travel[1]
    )];
    let mut locks = Table::new(&[
        ("largest lock over all travel", Align::Left),
        ("to the right", Align::Right),
        ("gained", Align::Right),
        ("ended by", Align::Left),
        ("to the left", Align::Right),
        ("gained", Align::Right),
        ("ended by", Align::Left),
    ]);
    for v in &report.variants {
        let gained = |i: usize| v.gained_deg.map_or_else(String::new, |g| format!("{:+.2}°", g[i]).replace('-', "−"));
        let [right, left] = &v.largest_lock;
        locks.cells(vec![
            v.name.clone(),
            lock_text(right),
            gained(0),
            right.by.clone(),
            lock_text(left),
            gained(1),
            left.by.clone(),
        ]);
    }
    parts.push(locks.to_string() + &sentences(report));
    if whole {
        for v in &report.variants {
            let mut rows = Table::new(&[
                ("travel mm", Align::Right),
                ("lock right", Align::Right),
                ("ended by", Align::Left),
                ("lock left", Align::Right),
                ("ended by", Align::Left),
            ]);
            for row in &v.rows {
                let [right, left] = &row.largest_lock;
                rows.cells(vec![
                    rounded(row.travel, 0.15),
                    lock_text(right),
                    right.by.clone(),
                    lock_text(left),
                    left.by.clone(),
                ]);
            }
            parts.push(format!("{}:\n{rows}", v.name));
        }
    }
    let mut verdicts = Table::new(&[
        ("over all locks and travels", Align::Left),
        ("pair", Align::Left),
        ("smallest gap mm", Align::Right),
        ("at lock", Align::Right),
        ("travel mm", Align::Right),
        ("verdict", Align::Left),
        ("± from", Align::Left),
    ]);
    for v in &report.variants {
        for p in &v.pairs {
            let Some(s) = &p.smallest else {
                verdicts.cells(vec![
                    v.name.clone(),
                    p.pair.clone(),
                    "far".into(),
                    String::new(),
                    String::new(),
                    "passes".into(),
                    String::new(),
                ]);
                continue;
            };
            let from: Vec<String> =
                s.verdict.components.iter().map(|c| format!("{} {}", c.name, two_significant(c.standard))).collect();
            verdicts.cells(vec![
                v.name.clone(),
                p.pair.clone(),
                gap_words(s.verdict.gap, s.verdict.u95),
                format!("{:.0}°", s.lock_deg).replace('-', "−"),
                rounded(s.travel, 0.15),
                s.verdict.outcome.to_owned(),
                from.join(", "),
            ]);
        }
    }
    parts.push(verdicts.to_string());
    let cuts: Vec<String> = report
        .variants
        .iter()
        .flat_map(|v| v.cuts.iter().map(move |c| format!("  {}: {}\n", v.name, c.sentence())))
        .collect();
    if !cuts.is_empty() {
        parts.push(format!("Where the wheel needs room:\n{}", cuts.concat()));
    }
    parts.push(
        "Locks are of this corner's wheel, to the left positive; the largest lock is that up to which every gap is kept, \
         between the states looked at too. ± holds the truth with 95 % probability; its parts are standard \
         uncertainties, mm.\n"
            .into(),
    );
    if whole && !report.files.is_empty() {
        parts.push(files_text(&report.files));
    }
    // Those that hold for every result are told once, at the end of a longer report.
    let cautions = report.cautions.iter().filter(|c| whole || !CAUTION.contains(c));
    parts.push(format!(
        "Before you cut, weld or drive by these gaps:\n{}",
        cautions.map(|c| format!("  {c}\n")).collect::<String>()
    ));
    parts.join("\n")
}
