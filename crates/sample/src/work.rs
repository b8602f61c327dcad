//! What a person does with the sample's scans: paint, mate, construct.

use crate::SampleError;
use crate::truth::{TrueConstruction, TrueDab, TrueHardpoint, Truth};
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_fit::Relation;
use stringline_hardpoints::{Construction, Role, Side};
use stringline_job::{
    CarAxisSpec, FacingSpec, FitSpec, HardpointSpec, History, Job, Joint, MateSpec, Name, NameError, Op, Tie,
};
use stringline_scan::Dab;

/// Bores that share an axis, besides those that a hardpoint's construction says.
const COMMON_AXES: &[(&str, [&str; 2])] = &[("arm bushes", ["front bush bore", "rear bush bore"])];
/// The pins' ends stand this far outboard of the hub faces, mm: measured on the set-up stands.
const PIN_END: f64 = 80.0;
/// The towers' distance by the invented car's drawing, mm.
const TOWERS_APART: f64 = 1120.0;
/// How nearly the invented car's left and right are mirror images but for the bent tower, mm. A real body is not so
/// true: 0.5 is what a pair has where nothing is said.
const MIRROR_GIVE: f64 = 0.02;

/// Does on a job's scans what a person would, step by step: every feature painted in its scan's own frame, the car's
/// frame and every scan's placement found from datums, the hardpoints constructed. `truths` say by scan where a person
/// would touch it, and how the hardpoints are made.
///
/// # Errors
/// [`SampleError::Name`] and [`SampleError::Op`].
pub fn work(job: &Job, truths: &[(&str, &Truth)]) -> Result<Job, SampleError> {
    let mut history = History::new(job.clone());
    for &(scan, truth) in truths {
        for feature in truth.features.iter().filter(|feature| !feature.dabs.is_empty()) {
            let name: Name = feature_name(scan, &feature.name).parse()?;
            // A person sees whether it is a bore, a taper, a ball or a face.
            let fit = FitSpec { shape: feature.kind.into(), grow: true, ..FitSpec::default() };
            history.apply(&Op::AddFeature { name: name.clone(), scan: scan.parse()?, fit })?;
            history.apply(&Op::Paint { feature: name, dabs: feature.dabs.iter().map(dab).collect() })?;
        }
        for hardpoint in &truth.hardpoints {
            add_hardpoint(&mut history, scan, hardpoint, truths)?;
        }
    }
    for (name, members) in COMMON_AXES {
        join(&mut history, name, members.map(str::to_owned))?;
    }
    mate(&mut history)?;
    Ok(Job::clone(history.job()))
}

/// How the scans hang together: the stance scan on the ground and on the car's middle; the body's sides and the rack on
/// it by the balls that they share; the arm in its brackets; the knuckle on the stand's pin, under the strut tower and
/// on the arm's ball.
fn mate(history: &mut History) -> Result<(), SampleError> {
    for side in ["left", "right"] {
        let name = format!("stance {side} hub").parse()?;
        let (axis, plane) = (format!("stance {side} pin"), format!("stance {side} pin end"));
        history.apply(&Op::SetDatum { name, construction: Construction::AxisMeetsPlane { axis, plane } })?;
    }
    let mut add = |name: &str, mate: MateSpec| -> Result<(), SampleError> {
        Ok(history.apply(&Op::SetMate { name: name.parse()?, mate: Box::new(mate) })?)
    };
    let meet = |first: &str, second: &str| -> MateSpec {
        Tie::Meet { first: first.into(), second: second.into(), offset: 0.0, facing: None }.into()
    };
    let pair = |left: &str, right: &str, apart: Option<f64>| -> MateSpec {
        let tie = Tie::Pair { left: left.into(), right: right.into(), apart };
        MateSpec { give: Some(MIRROR_GIVE), ..tie.into() }
    };
    for i in 1..=4 {
        add(&format!("floor {i}"), Tie::Ground { face: format!("stance floor {i}"), height: 0.0 }.into())?;
        for (of, on) in [("left", "target"), ("right", "right target"), ("rack", "rack target")] {
            let (first, second) = (format!("stance {of} target {i}"), format!("{on} {i}"));
            add(&format!("{of} target {i}"), meet(&first, &second))?;
        }
    }
    let hubs = ["stance left hub", "stance right hub"].map(str::to_owned);
    add("front axle", Tie::Coordinate { of: hubs.to_vec(), axis: CarAxisSpec::X, value: 0.0 }.into())?;
    add("hubs", pair(&hubs[0], &hubs[1], None))?;
    add("rack ends", pair("ball left", "ball right", None))?;
    add("strut towers", pair("strut top on chassis-left", "strut top on chassis-right", Some(TOWERS_APART)))?;
    for (bush, role) in [("front bush", "lower arm front"), ("rear bush", "lower arm rear")] {
        add(bush, meet(&format!("{role} on lower-arm"), &format!("{role} on chassis-left")))?;
    }
    add("hub on its pin", meet("hub bore", "stance left pin"))?;
    let face = Tie::Meet {
        first: "hub face".into(),
        second: "stance left pin end".into(),
        offset: -PIN_END,
        facing: Some(FacingSpec::Same),
    };
    add("hub face", face.into())?;
    add("strut", meet("strut top on chassis-left", "strut clamp bore"))?;
    add("ball joint", meet("lower ball joint on knuckle", "lower ball joint on lower-arm"))
}

/// Constructs a hardpoint; where another scan has it as well, or where left and right are to be compared, also as a
/// datum that can be mated.
fn add_hardpoint(
    history: &mut History,
    scan: &str,
    truth: &TrueHardpoint,
    truths: &[(&str, &Truth)],
) -> Result<(), SampleError> {
    let call = |feature: &String| feature_name(scan, feature);
    if let TrueConstruction::JointAxisAndMidPlane { axes, .. } = &truth.construction {
        join(history, &format!("{} holes", truth.role.words()), axes.each_ref().map(call))?;
    }
    let construction = truth.construction.construction(truth.role.kind(), call);
    let same = |other: &&TrueHardpoint| (other.role, other.side) == (truth.role, truth.side);
    let twice = truths.iter().flat_map(|(_, t)| &t.hardpoints).filter(same).count() > 1;
    if twice || truth.role == Role::StrutTop {
        let name = second_name(scan, truth.role).parse()?;
        history.apply(&Op::SetDatum { name, construction: construction.clone() })?;
    }
    let taken = history.job().hardpoints.iter().any(|known| known.key() == (truth.role, truth.side));
    if !taken {
        let (role, side): (Role, Side) = (truth.role, truth.side);
        let hardpoint = HardpointSpec { role, side, construction, extra: serde_json::Map::new() };
        history.apply(&Op::SetHardpoint { hardpoint })?;
    }
    Ok(())
}

/// What a point is called as one scan has it.
pub fn second_name(scan: &str, role: Role) -> String {
    format!("{} on {scan}", role.words())
}

fn join(history: &mut History, name: &str, members: [String; 2]) -> Result<(), SampleError> {
    let features = members.into_iter().map(Name::try_from).collect::<Result<_, NameError>>()?;
    let joint = Joint { features, relation: Relation::CommonAxis, extra: serde_json::Map::new() };
    history.apply(&Op::Join { name: name.parse()?, joint })?;
    Ok(())
}

/// A feature's name in the job: plain words, with the scan's where several scans have features of one name.
pub fn feature_name(scan: &str, name: &str) -> String {
    let words = name.replace('_', " ");
    match scan {
        "chassis-right" => format!("right {words}"),
        "stance" => format!("stance {words}"),
        "rack" if words.starts_with("target") => format!("rack {words}"),
        _ => words,
    }
}

fn dab(dab: &TrueDab) -> Dab {
    let seen_from = UnitVec3::try_new(Vec3::from(dab.seen_from), 0.0);
    Dab { seen_from, ..Dab::new(Point3::from(dab.centre), dab.radius) }
}
