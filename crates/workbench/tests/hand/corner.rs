//! A strut corner scanned as balls at its hardpoints.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::fmt::Write as _;
use std::path::Path;
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_hardpoints::{Construction, Role, Side, Suspension, Vehicle};
use stringline_job::{FitSpec, HardpointSpec, History, Job, Op, Placement, Wanted, scan_file};
use stringline_scan::Dab;

/// Radius of the balls, mm.
const BALL: f64 = 10.0;

/// An invented strut corner, left, vehicle axes, mm: the example of the kinematics with its rack a little high.
pub(crate) const POINTS: [(Role, [f64; 3]); 8] = [
    (Role::StrutTop, [-45.0, 570.0, 845.0]),
    (Role::StrutLower, [-2.0, 640.0, 420.0]),
    (Role::LowerArmFront, [15.0, 365.0, 200.0]),
    (Role::LowerArmRear, [-300.0, 390.0, 215.0]),
    (Role::LowerBallJoint, [8.0, 705.0, 205.0]),
    (Role::TieRodInner, [-95.0, 330.0, 252.0]),
    (Role::TieRodOuter, [-105.0, 672.0, 240.0]),
    (Role::WheelCentre, [0.0, 740.0, 300.0]),
];
/// Two points of the hub's axis, inboard first.
pub(crate) const HUB: [[f64; 3]; 2] = [[0.0, 640.0, 301.0], [0.0, 800.0, 299.4]];

/// That corner as a job whose scan lies in `folder`; without `left_out`.
pub(crate) fn corner(folder: &Path, left_out: Option<Role>) -> History {
    let mut text = String::new();
    let all = POINTS.iter().map(|(_, p)| *p).chain(HUB);
    for (ball, centre) in all.enumerate() {
        // Points evenly round a ball (Fibonacci), each a little off it, the same on every machine.
        for i in 0..300_u32 {
            let z = 1.0 - 2.0 * (f64::from(i) + 0.5) / 300.0;
            let turn = f64::from(i) * 2.399_963;
            let off = 0.02 * (f64::from(i * 7 + ball as u32 * 13) * 12.9898).sin();
            let r = (1.0 - z * z).sqrt();
            let p = Point3::from(centre) + Vec3::new(r * turn.cos(), r * turn.sin(), z) * (BALL + off);
            writeln!(text, "{:.5} {:.5} {:.5}", p.x, p.y, p.z).unwrap();
        }
    }
    std::fs::write(folder.join("corner.xyz"), text).unwrap();
    let mut history = History::new(Job::default());
    let scan = scan_file(&folder.join("corner.xyz"), LengthUnit::Millimetre, folder).unwrap();
    let name: stringline_job::Name = "corner".parse().unwrap();
    let mut ops = vec![
        Op::AddScan { name: name.clone(), scan },
        Op::PlaceScan {
            name: name.clone(),
            placement: Box::new(Placement::typed(&RigidTransform::identity(), "typed")),
        },
        Op::SetVehicle {
            vehicle: Box::new(Vehicle {
                tyre: Some("185/60R14".into()),
                rim_offset: Some(40.0),
                tyre_radius: Some(300.0),
                wheelbase: Some(2500.0),
                ..Vehicle::default()
            }),
            suspension: Some(Suspension::Strut),
        },
    ];
    let mut paint = |feature: &str, centre: [f64; 3]| {
        let feature: stringline_job::Name = feature.parse().unwrap();
        let fit = FitSpec { shape: Wanted::Sphere, ..FitSpec::default() };
        ops.push(Op::AddFeature { name: feature.clone(), scan: name.clone(), fit });
        ops.push(Op::Paint { feature, dabs: vec![Dab::new(Point3::from(centre), 1.5 * BALL)] });
    };
    for (role, centre) in POINTS {
        paint(&role.words(), centre);
    }
    paint("hub inboard", HUB[0]);
    paint("hub outboard", HUB[1]);
    let hardpoint = |role: Role, construction| Op::SetHardpoint {
        hardpoint: HardpointSpec { role, side: Side::Left, construction, extra: Default::default() },
    };
    for (role, _) in POINTS.into_iter().filter(|(role, _)| Some(*role) != left_out) {
        ops.push(hardpoint(role, Construction::SphereCentre { sphere: role.words() }));
    }
    for (end, feature) in [("hub a", "hub inboard"), ("hub b", "hub outboard")] {
        let construction = Construction::SphereCentre { sphere: feature.into() };
        ops.push(Op::SetDatum { name: end.parse().unwrap(), construction });
    }
    ops.push(hardpoint(Role::HubAxis, Construction::AxisThrough { from: "hub a".into(), to: "hub b".into() }));
    for op in ops {
        history.apply(&op).unwrap();
    }
    history
}
