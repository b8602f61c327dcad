//! The truth files beside the scans.

use crate::kestrel::hardpoints as h;
use crate::kestrel::model::{Construction, PartModel, TrueFeature};
use crate::kestrel::{Noise, Part, ScanSettings};
use serde::Serialize;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_fit::feature::{Kind, Shape, Side};

const FORMAT: &str = "stringline-kestrel-truth";
const INVENTED: &str = "An invented car: nothing here was measured on a real one.";

/// `*.truth.json`: what a scan really holds. mm; degrees in fields ending `_deg`.
#[derive(Serialize)]
pub struct ScanTruth {
    format: &'static str,
    version: u32,
    note: &'static str,
    part: &'static str,
    scan: &'static str,
    units: &'static str,
    seed: u64,
    noise: Noise,
    /// Row by row: car = matrix · (scan, 1).
    car_from_scan: [[f64; 4]; 4],
    features: Vec<FeatureTruth>,
    hardpoints: Vec<HardpointTruth>,
}

#[derive(Serialize)]
struct FeatureTruth {
    name: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    role: Option<&'static str>,
    kind: Kind,
    side: Side,
    scan: Placed,
    car: Placed,
    #[serde(skip_serializing_if = "Option::is_none")]
    radius: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    half_angle_deg: Option<f64>,
    extent: ExtentTruth,
    dabs: Vec<DabTruth>,
}

#[derive(Serialize)]
struct Placed {
    point: [f64; 3],
    #[serde(skip_serializing_if = "Option::is_none")]
    direction: Option<[f64; 3]>,
}

/// Where the surface is exact, counted from the point along `direction` (in the scan
/// frame; the shape's own where it has one) and across it.
#[derive(Serialize)]
struct ExtentTruth {
    direction: [f64; 3],
    #[serde(skip_serializing_if = "Option::is_none")]
    along: Option<[f64; 2]>,
    #[serde(skip_serializing_if = "Option::is_none")]
    across: Option<[f64; 2]>,
}

/// In the scan frame.
#[derive(Serialize)]
struct DabTruth {
    centre: [f64; 3],
    radius: f64,
    seen_from: [f64; 3],
}

#[derive(Serialize)]
struct HardpointTruth {
    role: &'static str,
    side: &'static str,
    construction: Construction,
    scan: Placed,
    car: Placed,
}

/// Twelve decimals hide the last bits in which machines differ; zero has no sign.
fn rounded(x: f64) -> f64 {
    (x * 1e12).round() / 1e12 + 0.0
}

fn numbers(v: &Vec3) -> [f64; 3] {
    [v.x, v.y, v.z].map(rounded)
}

fn placed(point: &Point3, direction: Option<Vec3>) -> Placed {
    Placed { point: numbers(&point.coords), direction: direction.as_ref().map(numbers) }
}

/// The truth beside one scan.
pub fn of_scan(part: Part, model: &PartModel, settings: &ScanSettings, car_from_scan: &RigidTransform) -> ScanTruth {
    let matrix = car_from_scan.to_homogeneous();
    let to_scan = |p: &Point3| car_from_scan.inverse_transform_point(p);
    let turn = |v: Vec3| car_from_scan.inverse_transform_vector(&v);
    let feature = |f: &TrueFeature| {
        let point = f.shape.point();
        let direction = f.shape.direction().map(|d| d.into_inner());
        let finite = |range: [f64; 2]| range.iter().all(|x| x.is_finite()).then_some(range);
        FeatureTruth {
            name: f.name,
            role: f.role,
            kind: f.shape.kind(),
            side: f.side,
            scan: placed(&to_scan(&point), direction.map(turn)),
            car: placed(&point, direction),
            radius: f.shape.radius(),
            half_angle_deg: f.shape.half_angle().map(|a| rounded(a.to_degrees())),
            extent: ExtentTruth {
                direction: numbers(&turn(f.along_direction.into_inner())),
                along: finite(f.along),
                across: finite(f.across).filter(|_| matches!(f.shape, Shape::Plane { .. })),
            },
            dabs: f
                .dabs
                .iter()
                .map(|dab| DabTruth {
                    centre: numbers(&to_scan(&dab.centre).coords),
                    radius: dab.radius,
                    seen_from: numbers(&turn(dab.seen_from.into_inner())),
                })
                .collect(),
        }
    };
    let hardpoints = model.hardpoints.iter().filter_map(|hardpoint| {
        let (point, direction) = hardpoint.construction.solve(&model.features)?;
        let direction = direction.map(|d| d.into_inner());
        Some(HardpointTruth {
            role: hardpoint.role,
            side: hardpoint.side,
            construction: hardpoint.construction.clone(),
            scan: placed(&to_scan(&point), direction.map(turn)),
            car: placed(&point, direction),
        })
    });
    ScanTruth {
        format: FORMAT,
        version: 1,
        note: INVENTED,
        part: part.name(),
        scan: part.file_name(),
        units: "mm",
        seed: settings.seed,
        noise: settings.noise,
        car_from_scan: std::array::from_fn(|i| std::array::from_fn(|j| rounded(matrix[(i, j)]))),
        features: model.features.iter().map(feature).collect(),
        hardpoints: hardpoints.collect(),
    }
}

/// `kestrel.truth.json`: the whole corner in car axes.
#[derive(Serialize)]
pub struct CarTruth {
    format: &'static str,
    version: u32,
    note: &'static str,
    axes: &'static str,
    units: &'static str,
    vehicle: Vehicle,
    hardpoints: Vec<CarHardpoint>,
}

#[derive(Serialize)]
struct Vehicle {
    name: &'static str,
    wheelbase: f64,
    front_track: f64,
    tyre: &'static str,
    tyre_free_radius: f64,
    tyre_loaded_radius: f64,
    static_camber_deg: f64,
    static_toe_deg: f64,
}

#[derive(Serialize)]
struct CarHardpoint {
    role: &'static str,
    side: &'static str,
    #[serde(flatten)]
    place: Placed,
}

/// The truth of the whole car.
pub fn of_car() -> CarTruth {
    let hub = Some(h::hub_axis().into_inner());
    let damper = Some(h::damper_axis().into_inner());
    let clamp = h::point(h::STRUT_LOWER);
    let ear = |up: f64| h::from_hub(h::BRAKE_MOUNT_FACE, h::BRAKE_MOUNT_FORWARD, up);
    let left = [
        ("strut_top", h::point(h::STRUT_TOP), None),
        ("strut_lower", clamp, None),
        ("damper_axis", clamp, damper),
        ("spring_seat", clamp + h::damper_axis().into_inner() * h::SPRING_SEAT_ABOVE_CLAMP, None),
        ("lower_arm_front", h::point(h::LOWER_ARM_FRONT), None),
        ("lower_arm_rear", h::point(h::LOWER_ARM_REAR), None),
        ("lower_ball_joint", h::point(h::LOWER_BALL_JOINT), None),
        ("tie_rod_outer", h::point(h::TIE_ROD_OUTER), None),
        ("tie_rod_inner", h::point(h::TIE_ROD_INNER), None),
        ("rack_axis", h::rack_middle(), Some(Vec3::y())),
        ("hub_axis", h::hub_face(), hub),
        ("hub_face", h::hub_face(), hub),
        ("wheel_centre", h::wheel_centre(), None),
        ("brake_mount_1", ear(h::BRAKE_MOUNT_UP), None),
        ("brake_mount_2", ear(-h::BRAKE_MOUNT_UP), None),
        ("anti_roll_link", h::point(h::ANTI_ROLL_LINK), None),
    ];
    // Of the right side only what is scanned.
    let right =
        [("strut_top", h::right_strut_top(), None), ("tie_rod_inner", h::mirrored(h::point(h::TIE_ROD_INNER)), None)];
    let entry = |side| {
        move |(role, point, direction): &(&'static str, Point3, Option<Vec3>)| CarHardpoint {
            role,
            side,
            place: placed(point, *direction),
        }
    };
    let hardpoints = left.iter().map(entry("left")).chain(right.iter().map(entry("right"))).collect();
    CarTruth {
        format: FORMAT,
        version: 1,
        note: INVENTED,
        axes: "ISO 8855: x forward, y left, z up; origin on the ground under the front axle centre",
        units: "mm",
        vehicle: Vehicle {
            name: "Kestrel",
            wheelbase: h::WHEELBASE,
            front_track: h::FRONT_TRACK,
            tyre: h::TYRE,
            tyre_free_radius: h::TYRE_FREE_RADIUS,
            tyre_loaded_radius: h::TYRE_LOADED_RADIUS,
            static_camber_deg: h::STATIC_CAMBER_DEG,
            static_toe_deg: 0.0,
        },
        hardpoints,
    }
}
