//! Operations, undo and redo, and what the recovery log brings back.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::fs;
use std::path::Path;
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, RigidTransform};
use stringline_fit::Relation;
use stringline_hardpoints::{Construction, Role, Side};
use stringline_job::{
    BodyShape, BodySpec, ClearanceSpec, FileError, FitSpec, HardpointSpec, History, Job, Joint, Name, Op, OpError,
    OpenJob, PairSpec, Place, Placement, ScanFile, Tie, Wanted, log_of, plan, previous_of, read_job, unsaved_steps,
};
use stringline_kinematics::Link;
use stringline_scan::Dab;

fn name(text: &str) -> Name {
    text.parse().unwrap()
}

fn scan() -> ScanFile {
    ScanFile {
        file: "knuckle.ply".into(),
        size: 10,
        sha256: "0".repeat(64),
        unit: LengthUnit::Millimetre,
        extra: Default::default(),
    }
}

fn hardpoint() -> HardpointSpec {
    HardpointSpec {
        role: Role::LowerBallJoint,
        side: Side::Left,
        construction: Construction::AxisMeetsPlane { axis: "bore".into(), plane: "face".into() },
        extra: Default::default(),
    }
}

fn fit(shape: Wanted) -> FitSpec {
    FitSpec { shape, ..FitSpec::default() }
}

fn body(shape: BodyShape, moves_with: Link) -> BodySpec {
    BodySpec {
        shape,
        moves_with,
        side: Side::Left,
        variants: Vec::new(),
        drawn_in: None,
        made_within: None,
        extra: Default::default(),
    }
}

fn rod(diameter: f64) -> BodyShape {
    BodyShape::Tube { from: Place::Hardpoint(Role::TieRodInner), to: Place::At([1.0, 2.0, 3.0]), diameter }
}

fn clearance() -> ClearanceSpec {
    let pair = PairSpec { a: name("arm"), b: name("rod"), wanted: Some(3.0), extra: Default::default() };
    ClearanceSpec { pairs: vec![pair], ..ClearanceSpec::default() }
}

#[test]
fn bodies_hold_what_rests_on_them() {
    let mut history = job();
    let refused = |history: &mut History, op: Op| history.apply(&op).unwrap_err().to_string();
    assert!(refused(&mut history, Op::RemoveBody { name: name("arm") }).contains("needed by the pair"));
    assert!(refused(&mut history, Op::RemoveBody { name: name("leg") }).contains("no body \"leg\""));
    let wrong = |shape, link| Op::SetBody { name: name("x"), body: Box::new(body(shape, link)) };
    assert!(refused(&mut history, wrong(rod(0.0), Link::TieRod)).contains("diameter"));
    assert!(refused(&mut history, wrong(BodyShape::Scan { scan: name("other") }, Link::Chassis)).contains("no scan"));
    let flat = BodyShape::Plate { outline: vec![[0.0; 3]; 2], thickness: 3.0 };
    assert!(refused(&mut history, wrong(flat, Link::Chassis)).contains("outline"));
    let unknown = BodySpec { variants: vec!["none".into()], ..body(rod(5.0), Link::TieRod) };
    assert!(refused(&mut history, Op::SetBody { name: name("x"), body: Box::new(unknown) }).contains("no variant"));
    for spec in [
        ClearanceSpec { wanted: -1.0, ..clearance() },
        ClearanceSpec { lock_deg: 91.0, ..clearance() },
        ClearanceSpec { lock_step_deg: 0.0, ..clearance() },
        ClearanceSpec { travel: [5.0, 5.0], ..clearance() },
        ClearanceSpec { travels: 1, ..clearance() },
        ClearanceSpec { side: Side::Centre, ..clearance() },
    ] {
        let op = Op::SetClearance { clearance: Some(Box::new(spec)) };
        assert!(refused(&mut history, op).contains("cannot be had"));
    }
    // Set free, they go.
    history.apply(&Op::SetClearance { clearance: None }).unwrap();
    history.apply(&Op::RemoveBody { name: name("rod") }).unwrap();
    assert_eq!(history.job().bodies.len(), 1);
}

/// What a person does, step by step.
fn work() -> Vec<Op> {
    let dab = |x: f64| Dab::new(Point3::new(x, 0.1 + 0.2, 1.0 / 3.0), 4.0);
    vec![
        Op::SetTitle { title: "left front".into() },
        Op::AddScan { name: name("knuckle"), scan: scan() },
        Op::PlaceScan {
            name: name("knuckle"),
            placement: Box::new(Placement::typed(&RigidTransform::identity(), "typed")),
        },
        Op::AddFeature { name: name("bore"), scan: name("knuckle"), fit: fit(Wanted::Cylinder) },
        Op::Paint { feature: name("bore"), dabs: vec![dab(1.0), dab(2.0)] },
        Op::AddFeature { name: name("face"), scan: name("knuckle"), fit: fit(Wanted::Auto) },
        Op::Paint { feature: name("face"), dabs: vec![dab(3.0)] },
        Op::Wipe { feature: name("bore"), dab: 0 },
        Op::Join {
            name: name("square"),
            joint: Joint {
                features: vec![name("bore"), name("face")],
                relation: Relation::Square,
                extra: Default::default(),
            },
        },
        Op::SetHardpoint { hardpoint: hardpoint() },
        Op::SetBody {
            name: name("arm"),
            body: Box::new(body(BodyShape::Scan { scan: name("knuckle") }, Link::LowerArm)),
        },
        Op::SetBody { name: name("spare"), body: Box::new(body(rod(20.0), Link::TieRod)) },
        Op::SetBody { name: name("rod"), body: Box::new(body(rod(22.0), Link::TieRod)) },
        Op::RemoveBody { name: name("spare") },
        Op::SetClearance { clearance: Some(Box::new(clearance())) },
        Op::SetExports { exports: vec!["left.step".into()] },
    ]
}

/// Whether two jobs are the same document: they may have come about in different ways.
#[track_caller]
fn assert_same(left: &Job, right: &Job) {
    let text = |job: &Job| String::from_utf8(job.to_json().unwrap()).unwrap();
    assert_eq!(text(left), text(right));
}

fn job() -> History {
    let mut history = History::new(Job::default());
    work().iter().for_each(|op| history.apply(op).unwrap());
    history
}

#[test]
fn every_step_can_be_undone_and_done_again() {
    let mut history = History::new(Job::default());
    let mut states = vec![history.job().clone()];
    for op in work() {
        history.apply(&op).unwrap();
        states.push(history.job().clone());
    }
    for state in states.iter().rev().skip(1) {
        assert!(history.undo().is_some());
        assert_eq!(history.job(), state);
    }
    assert_eq!(history.undo(), None);
    assert_eq!(history.undone().next(), Some("Name the job"));
    for state in &states[1..] {
        assert!(history.redo().is_some());
        assert_eq!(history.job(), state);
    }
    assert_eq!(history.redo(), None);
    assert_eq!(history.done().count(), work().len());
}

#[test]
fn planning_changes_nothing() {
    let history = job();
    let before = history.job().to_json().unwrap();
    plan(history.job(), &Op::SetTitle { title: "other".into() }).unwrap();
    assert_eq!(history.job().to_json().unwrap(), before);
}

#[test]
fn a_change_planned_on_another_state_is_refused() {
    let mut history = job();
    let title = |text: &str| Op::SetTitle { title: text.into() };
    let late = plan(history.job(), &title("late")).unwrap();
    history.apply(&title("first")).unwrap();
    assert!(matches!(history.commit(late.clone()), Err(OpError::Stale { .. })));
    assert_eq!(history.job().title, "first");
    // Back on the state it was planned on it is welcome.
    history.undo();
    // But not on one that merely took that state's place in the row.
    let on_first = {
        history.redo();
        let change = plan(history.job(), &title("on first")).unwrap();
        history.undo();
        change
    };
    history.commit(late).unwrap();
    assert!(matches!(history.commit(on_first), Err(OpError::Stale { .. })));
    assert_eq!(history.job().title, "late");
}

#[test]
fn parts_that_did_not_change_are_shared() {
    let mut history = job();
    let before = history.job().clone();
    history.apply(&Op::Wipe { feature: name("face"), dab: 0 }).unwrap();
    let after = history.job();
    assert!(std::sync::Arc::ptr_eq(&before.features["bore"], &after.features["bore"]));
    assert!(!std::sync::Arc::ptr_eq(&before.features["face"], &after.features["face"]));
}

#[test]
fn what_others_need_stays() {
    let history = job();
    let refused = |op: Op| plan(history.job(), &op).unwrap_err().to_string();
    assert!(refused(Op::RemoveScan { name: name("knuckle") }).contains("\"bore\""));
    assert!(refused(Op::RemoveFeature { name: name("bore") }).contains("\"square\""));
    assert!(refused(Op::RemoveFeature { name: name("nothing") }).contains("no feature"));
    let mut parted = history.clone();
    parted.apply(&Op::Part { name: name("square") }).unwrap();
    let error = plan(parted.job(), &Op::RemoveFeature { name: name("bore") }).unwrap_err();
    assert!(error.to_string().contains("lower ball joint"), "{error}");
}

#[test]
fn a_renamed_feature_is_renamed_wherever_it_is_spoken_of() {
    let mut history = job();
    let axis = Construction::Axis { axis: "bore".into() };
    history.apply(&Op::SetDatum { name: name("axis"), construction: axis }).unwrap();
    let tie = Tie::Pair { left: "bore".into(), right: "face".into(), apart: None };
    history.apply(&Op::SetMate { name: name("pair"), mate: Box::new(tie.into()) }).unwrap();
    let before = history.job().clone();
    let rename = |name: &str, to: &str| Op::RenameFeature { name: self::name(name), to: self::name(to) };
    for (op, why) in [
        (rename("bore", "face"), "a feature \"face\""),
        (rename("bore", "axis"), "a datum \"axis\""),
        (rename("nothing", "other"), "no feature \"nothing\""),
    ] {
        let error = plan(&before, &op).unwrap_err().to_string();
        assert!(error.contains(why), "{error}");
    }
    history.apply(&rename("bore", "hub bore")).unwrap();
    let text = |job: &Job| String::from_utf8(job.to_json().unwrap()).unwrap();
    // Nothing else of the job has the word in it.
    let by_hand = text(&before).replace("\"bore\"", "\"hub bore\"");
    let read = Job::from_json(by_hand.as_bytes()).unwrap();
    assert_same(history.job(), &read);
    assert!(!text(history.job()).contains("\"bore\""));
    assert_eq!(history.done().last(), Some("Rename bore to hub bore"));
    history.undo();
    assert_same(history.job(), &before);
}

#[test]
fn references_must_lead_somewhere() {
    let history = job();
    let refused = |op: Op| plan(history.job(), &op).unwrap_err();
    let axis = |axis: &str| Construction::Axis { axis: axis.into() };
    assert!(matches!(
        refused(Op::SetDatum { name: name("axis"), construction: axis("nothing") }),
        OpError::Missing { .. }
    ));
    assert!(matches!(refused(Op::SetDatum { name: name("bore"), construction: axis("bore") }), OpError::Taken { .. }));
    let mut history = history.clone();
    history.apply(&Op::SetDatum { name: name("a"), construction: axis("bore") }).unwrap();
    history.apply(&Op::SetDatum { name: name("b"), construction: axis("a") }).unwrap();
    let circle = plan(history.job(), &Op::SetDatum { name: name("a"), construction: axis("b") });
    assert!(matches!(circle, Err(OpError::Circular { .. })));
}

#[test]
fn a_saved_job_is_the_same_on_another_machine() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.job.json");
    let mut open = OpenJob::create(&path, Job::default()).unwrap();
    work().iter().for_each(|op| open.apply(op).unwrap());
    assert!(!open.is_saved());
    open.save().unwrap();
    assert!(open.is_saved());
    assert_same(&read_job(&path).unwrap(), open.job());
    assert_same(&read_job(&previous_of(&path)).unwrap(), &Job::default());
    open.close();
    assert!(!log_of(&path).exists());
}

/// The files of a program that was cut off after `work`, `saved` steps of it saved.
fn cut_off(folder: &Path, saved: usize) -> std::path::PathBuf {
    let path = folder.join("a.job.json");
    let mut open = OpenJob::create(&path, Job::default()).unwrap();
    for (index, op) in work().iter().enumerate() {
        if index == saved {
            open.save().unwrap();
        }
        open.apply(op).unwrap();
    }
    // No save and no close: as if the power went.
    path
}

#[test]
fn what_was_not_saved_is_recovered() {
    for saved in [0, 3, work().len() - 1] {
        let folder = tempfile::tempdir().unwrap();
        let path = cut_off(folder.path(), saved);
        assert_eq!(unsaved_steps(&path), work().len() - saved);
        let (mut open, recovered) = OpenJob::open(&path).unwrap();
        assert_eq!(recovered.trouble, None);
        assert_eq!(recovered.steps.len(), work().len() - saved);
        assert_same(open.job(), job().job());
        assert!(!open.is_saved());
        // Cut off again before anything is saved, nothing is lost either.
        open.apply(&Op::SetTitle { title: "went on".into() }).unwrap();
        drop(open);
        let (mut open, recovered) = OpenJob::open(&path).unwrap();
        assert_eq!(recovered.steps.len(), work().len() - saved + 1);
        assert_eq!(open.job().title, "went on");
        open.undo().unwrap();
        assert_same(open.job(), job().job());
    }
}

#[test]
fn undo_is_recovered_too() {
    let folder = tempfile::tempdir().unwrap();
    let path = cut_off(folder.path(), 4);
    let (mut open, _) = OpenJob::open(&path).unwrap();
    open.save().unwrap();
    open.undo().unwrap();
    open.undo().unwrap();
    open.redo().unwrap();
    let expected = open.job().clone();
    drop(open);
    let (open, recovered) = OpenJob::open(&path).unwrap();
    assert_same(open.job(), &expected);
    assert_eq!(recovered.steps.len(), 3);
}

#[test]
fn a_log_cut_anywhere_gives_back_all_whole_steps() {
    let folder = tempfile::tempdir().unwrap();
    let path = cut_off(folder.path(), 2);
    let log = fs::read(log_of(&path)).unwrap();
    let mut most = 0;
    // Around every line end, and every so often in between.
    let near_an_end = |length: usize| (length.saturating_sub(1)..length + 1).any(|at| log.get(at) == Some(&b'\n'));
    for length in (0..log.len()).filter(|&length| length % 41 == 0 || near_an_end(length)) {
        fs::write(log_of(&path), &log[..length]).unwrap();
        let whole_lines = log[..length].iter().filter(|&&byte| byte == b'\n').count();
        let (open, recovered) = OpenJob::open(&path).unwrap();
        assert_eq!(recovered.steps.len(), whole_lines.saturating_sub(1), "cut at {length}");
        // A log of another file or a line cut short is told; a cut between lines cannot be seen.
        let clean = length > 0 && log[length - 1] == b'\n';
        assert_eq!(recovered.trouble.is_none(), clean, "cut at {length}: {recovered:?}");
        most = most.max(open.job().features.len());
    }
    assert_eq!(most, 2);
}

#[test]
fn a_crash_between_the_saved_job_and_its_new_log_loses_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let path = cut_off(folder.path(), 5);
    let (mut open, _) = OpenJob::open(&path).unwrap();
    let log = fs::read(log_of(&path)).unwrap();
    let old = fs::read(&path).unwrap();
    open.save().unwrap();
    let expected = open.job().clone();
    let base = {
        use sha2::Digest;
        let digest = sha2::Sha256::digest(fs::read(&path).unwrap());
        digest.iter().map(|byte| format!("{byte:02x}")).collect::<String>()
    };
    drop(open);
    // The log as it stood while the job was being written, beside the new and the old job.
    let during = [log.as_slice(), format!("{{\"base\":\"{base}\"}}\n").as_bytes()].concat();
    fs::write(log_of(&path), &during).unwrap();
    let (open, recovered) = OpenJob::open(&path).unwrap();
    assert_same(open.job(), &expected);
    assert_eq!(recovered.steps.len(), 0);
    drop(open);
    fs::write(log_of(&path), &during).unwrap();
    fs::write(&path, old).unwrap();
    let (open, recovered) = OpenJob::open(&path).unwrap();
    assert_same(open.job(), &expected);
    assert_eq!(recovered.steps.len(), work().len() - 5);
}

#[test]
fn a_log_of_another_job_is_kept_aside_and_not_used() {
    let folder = tempfile::tempdir().unwrap();
    let path = cut_off(folder.path(), 2);
    fs::write(&path, Job::default().to_json().unwrap()).unwrap();
    // The very first base is that of an empty job, so take it out of the log.
    let log = fs::read_to_string(log_of(&path)).unwrap();
    let foreign = log.replacen("base\":\"", "base\":\"f", 1);
    fs::write(log_of(&path), &foreign).unwrap();
    let (open, recovered) = OpenJob::open(&path).unwrap();
    assert_same(open.job(), &Job::default());
    assert!(recovered.trouble.unwrap().contains("another version"));
    let kept = folder.path().join("a.job.json.log.unused");
    assert_eq!(fs::read_to_string(kept).unwrap(), foreign);
}

#[test]
fn a_job_never_takes_the_place_of_a_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.job.json");
    fs::write(&path, "something else").unwrap();
    assert!(matches!(OpenJob::create(&path, Job::default()), Err(FileError::Exists { .. })));
    assert_eq!(fs::read_to_string(&path).unwrap(), "something else");
}

#[test]
fn folders_and_missing_files_are_errors() {
    let folder = tempfile::tempdir().unwrap();
    for path in [folder.path().to_owned(), folder.path().join("missing.job.json")] {
        assert!(matches!(OpenJob::open(&path), Err(FileError::Io { .. })));
        assert!(matches!(read_job(&path), Err(FileError::Io { .. })));
    }
}

#[test]
fn a_job_saved_elsewhere_goes_on_there_with_all_its_steps() {
    let folder = tempfile::tempdir().unwrap();
    let first = cut_off(folder.path(), 3);
    let (mut open, _) = OpenJob::open(&first).unwrap();
    let steps = open.history().done().count();
    fs::create_dir(folder.path().join("jobs")).unwrap();
    let second = folder.path().join("jobs").join("b.job.json");
    open.save_as(&second).unwrap();
    assert!(open.is_saved() && open.path() == second && !log_of(&first).exists());
    // The scan is where it was, seen from the new folder; so it is after an undo.
    let file = |job: &Job| job.scans["knuckle"].file.clone();
    assert_eq!(file(&read_job(&second).unwrap()), "../knuckle.ply");
    assert_eq!(open.history().done().count(), steps);
    open.undo().unwrap();
    assert_eq!(file(open.job()), "../knuckle.ply");
    assert_eq!(unsaved_steps(&second), 1);
    // What cannot be written leaves the job open as it was.
    let nowhere = folder.path().join("nowhere").join("c.job.json");
    assert!(matches!(open.save_as(&nowhere), Err(FileError::Io { .. })));
    assert_eq!(open.path(), second);
    assert_eq!(unsaved_steps(&second), 1);
}

#[test]
fn variants_stand_on_one_another_and_never_on_themselves() {
    use stringline_kinematics::{Change, Variant};
    let variant = |name: &str, base: Option<&str>, by: f64| Op::SetVariant {
        variant: Box::new(Variant::new(name, base, vec![Change::DropBallJoint { by }.into()])),
    };
    let mut history = History::new(Job::default());
    history.apply(&variant("drop", None, 50.0)).unwrap();
    history.apply(&variant("proposed", Some("drop"), 1.0)).unwrap();
    // Said again, it takes the place of what was said before.
    history.apply(&variant("drop", Some("as-found"), 40.0)).unwrap();
    assert_eq!(history.job().variants.len(), 2);
    assert_eq!(history.job().variants[0].moves, [Change::DropBallJoint { by: 40.0 }.into()]);
    let bad = |op: &Op| plan(history.job(), op).unwrap_err();
    assert!(matches!(bad(&variant("as-found", None, 1.0)), OpError::BadVariant { .. }));
    assert!(matches!(bad(&variant("a/b", None, 1.0)), OpError::BadVariant { .. }));
    assert!(matches!(bad(&variant("new", Some("nothing"), 1.0)), OpError::Missing { .. }));
    assert!(matches!(bad(&variant("drop", Some("drop"), 1.0)), OpError::BadVariant { .. }));
    assert!(matches!(bad(&variant("drop", Some("proposed"), 1.0)), OpError::BadVariant { .. }));
    let remove = |name: &str| Op::RemoveVariant { name: name.into() };
    assert!(matches!(bad(&remove("drop")), OpError::VariantNeeded { .. }));
    // Written and read again, nothing is lost; a circle in a file is refused.
    let text = serde_json::to_string(&**history.job()).unwrap();
    assert_eq!(Job::from_json(text.as_bytes()).unwrap().variants, history.job().variants);
    let circle = text.replace("\"as-found\"", "\"proposed\"");
    assert!(circle != text && Job::from_json(circle.as_bytes()).is_err());
    history.apply(&remove("proposed")).unwrap();
    history.apply(&remove("drop")).unwrap();
    assert!(history.job().variants.is_empty());
}
