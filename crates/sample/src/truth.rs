//! What is true of the sample, and how far results are off it.

use serde::{Deserialize, Serialize};
use stringline_core::{Point3, Vec3};
use stringline_fit::Kind;
use stringline_hardpoints::{Construction, DatumKind, Hardpoint, Role, Side};

/// What a truth file says, as far as it is used here.
#[derive(Deserialize)]
pub struct Truth {
    /// What can be painted.
    pub features: Vec<TrueFeature>,
    /// What can be made of it.
    pub hardpoints: Vec<TrueHardpoint>,
}

/// A feature as modelled.
#[derive(Deserialize)]
pub struct TrueFeature {
    /// snake_case.
    pub name: String,
    /// Its shape.
    pub kind: Kind,
    /// mm.
    pub radius: Option<f64>,
    /// Degrees.
    pub half_angle_deg: Option<f64>,
    pub(crate) dabs: Vec<TrueDab>,
}

/// Where a person would touch the part.
#[derive(Deserialize)]
pub(crate) struct TrueDab {
    pub(crate) centre: [f64; 3],
    pub(crate) radius: f64,
    pub(crate) seen_from: [f64; 3],
}

/// A hardpoint as modelled.
#[derive(Deserialize)]
pub struct TrueHardpoint {
    /// What it does.
    pub role: Role,
    /// Where it is.
    pub side: Side,
    pub(crate) construction: TrueConstruction,
    pub(crate) car: Placed,
}

#[derive(Deserialize)]
pub(crate) struct Placed {
    pub(crate) point: [f64; 3],
    pub(crate) direction: Option<[f64; 3]>,
}

/// How the truth file says that a person constructs a hardpoint.
#[derive(Deserialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub(crate) enum TrueConstruction {
    Axis {
        feature: String,
    },
    Face {
        feature: String,
    },
    SphereCentre {
        feature: String,
    },
    GaugePoint {
        feature: String,
        gauge_diameter: f64,
    },
    AxisAndPlane {
        axis: String,
        plane: String,
    },
    AxisAndMidPlane {
        axis: String,
        faces: [String; 2],
    },
    /// The axis is that of two bores fitted together.
    JointAxisAndMidPlane {
        axes: [String; 2],
        faces: [String; 2],
    },
    AxisFromFace {
        axis: String,
        face: String,
        distance: f64,
    },
    AxisThroughCentres {
        features: [String; 2],
    },
}

impl TrueConstruction {
    /// `kind` is what plays the role, `call` gives a feature's name in the job.
    pub(crate) fn construction(&self, kind: DatumKind, call: impl Fn(&String) -> String) -> Construction {
        match self {
            TrueConstruction::Axis { feature } => Construction::Axis { axis: call(feature) },
            TrueConstruction::Face { feature } => Construction::Face { plane: call(feature) },
            TrueConstruction::SphereCentre { feature } => Construction::SphereCentre { sphere: call(feature) },
            TrueConstruction::GaugePoint { feature, gauge_diameter } => {
                Construction::ConeAtDiameter { cone: call(feature), diameter: *gauge_diameter }
            }
            // Where it is told as a point on the axis of a bolt hole, the axis itself is the hardpoint.
            TrueConstruction::AxisAndPlane { axis, .. } if kind == DatumKind::Axis => {
                Construction::Axis { axis: call(axis) }
            }
            TrueConstruction::AxisAndPlane { axis, plane } => {
                Construction::AxisMeetsPlane { axis: call(axis), plane: call(plane) }
            }
            TrueConstruction::AxisAndMidPlane { axis, faces: [first, second] }
            | TrueConstruction::JointAxisAndMidPlane { axes: [axis, _], faces: [first, second] } => {
                Construction::MidPlaneOnAxis { first: call(first), second: call(second), axis: call(axis) }
            }
            TrueConstruction::AxisFromFace { axis, face, distance } => {
                Construction::PointOnAxis { axis: call(axis), face: call(face), distance: *distance, towards: None }
            }
            TrueConstruction::AxisThroughCentres { features: [from, to] } => {
                Construction::AxisThrough { from: call(from), to: call(to) }
            }
        }
    }
}

/// A hardpoint beside its truth.
#[derive(Serialize)]
pub struct Compared {
    /// What it does.
    pub role: Role,
    /// Where it is.
    pub side: Side,
    /// Distance from the truth, mm: of a point in space, of an axis across it at the true
    /// position, of a face along its normal.
    pub off: f64,
    /// The same as stated at 95 %.
    pub stated: f64,
    /// The angle from the truth, degrees.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub off_deg: Option<f64>,
    /// The same as stated at 95 %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stated_deg: Option<f64>,
    /// Whether both are within what is stated.
    pub within: bool,
}

/// Each hardpoint beside its truth.
pub fn compare(hardpoints: &[Hardpoint], truths: &[Truth]) -> Vec<Compared> {
    let compare_one = |hardpoint: &Hardpoint| {
        let mut known = truths.iter().flat_map(|truth| &truth.hardpoints);
        let truth = known.find(|t| (t.role, t.side) == (hardpoint.role, hardpoint.side))?;
        let u95 = hardpoint.u95?;
        let step = Point3::from(hardpoint.position) - Point3::from(truth.car.point);
        let (off, off_deg) = match (hardpoint.kind, hardpoint.direction, truth.car.direction) {
            (DatumKind::Axis, Some(direction), Some(true_direction)) => {
                let (direction, true_direction) = (Vec3::from(direction), Vec3::from(true_direction));
                (step.cross(&direction).norm(), Some(angle(&direction, &true_direction)))
            }
            (DatumKind::Face, Some(normal), Some(true_normal)) => {
                let (normal, true_normal) = (Vec3::from(normal), Vec3::from(true_normal));
                // The face is stated where its points are: the true plane is followed there.
                (step.dot(&true_normal).abs(), Some(angle(&normal, &true_normal)))
            }
            (DatumKind::Axis, Some(direction), None) => (step.cross(&Vec3::from(direction)).norm(), None),
            _ => (step.norm(), None),
        };
        let stated_deg = u95.direction_deg.filter(|_| off_deg.is_some());
        let turned = off_deg.zip(stated_deg).is_none_or(|(off, stated)| off <= stated);
        Some(Compared {
            role: hardpoint.role,
            side: hardpoint.side,
            off,
            stated: u95.position,
            off_deg,
            stated_deg,
            within: off <= u95.position && turned,
        })
    };
    hardpoints.iter().filter_map(compare_one).collect()
}

/// Between two lines, degrees.
fn angle(a: &Vec3, b: &Vec3) -> f64 {
    a.cross(b).norm().atan2(a.dot(b).abs()).to_degrees()
}
