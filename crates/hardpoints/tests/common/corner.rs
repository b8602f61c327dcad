//! An invented left strut corner in vehicle axes: every number here is made up.

use super::{feature, rng, unit};
use stringline_core::Point3;
use stringline_fit::Shape;
use stringline_hardpoints::{
    Construction as C, CoordinateAxes, DatumRecord, HardpointSet, Inputs, Role, ScanFile, Side, Suspension,
};

const SCAN: &str = "knuckle.ply";

fn features() -> Vec<(&'static str, Shape)> {
    let p = Point3::new;
    let cylinder = |point, direction, radius| Shape::Cylinder { point, direction, radius };
    vec![
        ("hub bore", cylinder(p(1.3, 690.0, 301.2), unit(0.004, 0.9995, -0.02), 31.0)),
        ("hub face", Shape::Plane { point: p(14.0, 705.1, 340.0), normal: unit(0.004, 0.9995, -0.02) }),
        (
            "ball joint taper",
            Shape::Cone {
                point: p(-4.0, 668.0, 212.0),
                direction: unit(0.03, 0.12, -0.99),
                radius: 8.1,
                half_angle: 0.062_418_809_996,
            },
        ),
        (
            "tie rod taper",
            Shape::Cone {
                point: p(-121.0, 650.0, 262.0),
                direction: unit(0.01, -0.05, 1.0),
                radius: 6.4,
                half_angle: 0.049_958_395_721,
            },
        ),
        ("strut bore", cylinder(p(-9.0, 610.0, 420.0), unit(-0.07, -0.18, 0.98), 25.4)),
        ("tower face", Shape::Plane { point: p(-32.0, 540.0, 812.0), normal: unit(-0.05, -0.1, 0.99) }),
        ("front bushing", cylinder(p(150.0, 360.0, 198.0), unit(0.995, 0.06, 0.02), 17.0)),
        ("front bracket, fore", Shape::Plane { point: p(172.0, 361.0, 199.0), normal: unit(-0.995, -0.05, -0.02) }),
        ("front bracket, aft", Shape::Plane { point: p(128.0, 359.0, 197.0), normal: unit(0.996, 0.07, 0.02) }),
        ("rear ball Ø22", Shape::Sphere { centre: p(-180.0, 352.0, 205.0), radius: 11.0 }),
        ("rack joint", Shape::Sphere { centre: p(-140.0, 330.0, 255.0), radius: 14.0 }),
        ("caliper hole", Shape::Circle { centre: p(62.0, 690.0, 345.0), normal: unit(0.0, 1.0, 0.01), radius: 6.4 }),
    ]
}

/// The set, and what it was made from.
pub(crate) fn corner() -> (HardpointSet, Inputs) {
    let mut r = rng(42);
    let mut inputs = Inputs::default();
    let mut set = HardpointSet::new(CoordinateAxes::Iso8855);
    set.name = Some("Invented corner, left".into());
    set.suspension = Some(Suspension::Strut);
    set.vehicle.name = Some("Kestrel".into());
    set.vehicle.wheelbase = Some(2520.0);
    set.vehicle.track = Some(1480.0);
    set.vehicle.tyre = Some("205/50R16".into());
    set.scans.push(ScanFile { file: SCAN.into(), sha256: "0123456789abcdef".repeat(4), extra: Default::default() });
    for (i, (name, shape)) in features().into_iter().enumerate() {
        let f = feature(shape, 0.004, 60.0 + 20.0 * i as f64, &mut r);
        set.datums.push(DatumRecord::from_feature(name, &f, Some(SCAN)));
        inputs.add_feature(name, f).unwrap();
    }
    let s = |x: &str| x.to_owned();
    let constructions = [
        (Role::HubAxis, C::Axis { axis: s("hub bore") }),
        (Role::HubFace, C::Face { plane: s("hub face") }),
        (
            Role::WheelCentre,
            C::PointOnAxis {
                axis: s("hub bore"),
                face: s("hub face"),
                distance: 35.0,
                towards: Some(s("tie rod taper")),
            },
        ),
        (Role::LowerBallJoint, C::ConeAtDiameter { cone: s("ball joint taper"), diameter: 16.0 }),
        (Role::TieRodOuter, C::ConeAtDiameter { cone: s("tie rod taper"), diameter: 12.0 }),
        (Role::DamperAxis, C::Axis { axis: s("strut bore") }),
        (Role::StrutTop, C::AxisMeetsPlane { axis: s("strut bore"), plane: s("tower face") }),
        (
            Role::LowerArmFront,
            C::MidPlaneOnAxis {
                first: s("front bracket, fore"),
                second: s("front bracket, aft"),
                axis: s("front bushing"),
            },
        ),
        (Role::LowerArmRear, C::SphereCentre { sphere: s("rear ball Ø22") }),
        (Role::TieRodInner, C::SphereCentre { sphere: s("rack joint") }),
        (Role::BrakeMount1, C::Axis { axis: s("caliper hole") }),
    ];
    for (role, how) in constructions {
        let made = inputs.construct(&how).unwrap();
        set.add(role, Side::Left, &made, &how, &inputs).unwrap();
    }
    (set, inputs)
}
