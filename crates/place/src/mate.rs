//! Mates: how two datums stand to each other, or a datum to the car, as equations.
//!
//! Every equation is one number that is zero where the mate holds: a length (mm) or the sine of an
//! angle (rad). With a datum's position p and direction d in the car's frame, w = p_a − p_b, and u, v
//! square to d_b:
//!
//! | equation | value | by p_a, d_a, p_b, d_b |
//! | --- | --- | --- |
//! | same point, along e | e·w | e, 0, −e, 0 |
//! | on a line, along u | u·w | u, 0, −u, −(d_b·w) u |
//! | on a plane, distance o | d_b·w − o | d_b, 0, −d_b, w |
//! | parallel, along u | ±u·d_a | 0, ±u, 0, −\|d_a·d_b\| u |
//! | square | d_a·d_b | 0, d_b, 0, d_a |
//! | distance D | \|w\| − D | w/\|w\|, 0, −w/\|w\|, 0 |
//! | angle α | ∠(d_a, d_b) − α | 0, −d_b/sin α, 0, −d_a/sin α |
//!
//! (As d_b turns by δ, u turns by −d_b (u·δ), whence the line's derivative.) A pair is the same with the
//! second datum's mirror image; a coordinate is e·(mean of p) − value.

use crate::anchor::{Anchor, Hold, MIRROR};
use nalgebra::Matrix6;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};

/// A datum on a scan, or in the car's frame.
#[derive(Clone, Debug, PartialEq)]
pub struct On {
    /// The scan; `None` where the datum is given in the car's frame.
    pub scan: Option<String>,
    /// The datum, in that frame.
    pub anchor: Anchor,
}

/// How two directions look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Facing {
    /// The same way: one face seen on two scans.
    Same,
    /// Against each other: two faces in contact.
    Opposed,
}

/// An axis of the car (ISO 8855).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CarAxis {
    /// Forward.
    X,
    /// To the left.
    Y,
    /// Up.
    Z,
}

impl CarAxis {
    fn unit(self) -> Vec3 {
        match self {
            CarAxis::X => Vec3::x(),
            CarAxis::Y => Vec3::y(),
            CarAxis::Z => Vec3::z(),
        }
    }
}

/// What a mate says.
#[derive(Clone, Debug, PartialEq)]
pub enum Relation {
    /// The datums meet, each holding what it can: two points coincide, a point lies on an axis or a face,
    /// two axes are one line, two faces one plane, an axis lies in a face.
    Meet {
        /// One.
        first: On,
        /// The other.
        second: On,
        /// Of a face, and of two of the second: how far the other stands from it along its normal, mm.
        offset: f64,
        /// How two faces look; `None` where both ways may be.
        facing: Option<Facing>,
    },
    /// Two points are a known distance apart.
    Distance {
        /// One.
        first: On,
        /// The other.
        second: On,
        /// mm, above zero.
        distance: f64,
    },
    /// Two axes or faces are parallel.
    Parallel {
        /// One.
        first: On,
        /// The other.
        second: On,
    },
    /// Two axes, or two normals, stand at a known angle.
    Angle {
        /// One.
        first: On,
        /// The other.
        second: On,
        /// rad, above 0 and below π; of axes the smaller one.
        angle: f64,
    },
    /// Mirror images in the car's plane of symmetry, y = 0.
    Pair {
        /// On the left.
        left: On,
        /// On the right.
        right: On,
        /// How far apart they should be by the drawing, mm; not adjusted by, only told by.
        apart: Option<f64>,
    },
    /// The mean of points has a known coordinate.
    Coordinate {
        /// The points.
        of: Vec<On>,
        /// Which coordinate.
        axis: CarAxis,
        /// mm.
        value: f64,
    },
    /// A placement of one scan on another that is known already, from surfaces or markers.
    Relative {
        /// The scan that is placed.
        scan: String,
        /// The scan that it is placed on; `None` for the car.
        on: Option<String>,
        /// `on_from_scan`.
        placement: RigidTransform,
        /// Of the small motion by which it may be off, in the axes of `on` about its origin.
        covariance: Box<Matrix6<f64>>,
        /// Of that covariance; infinite where it is known.
        degrees_of_freedom: f64,
        /// The middle of what they share, in the axes of `on`: where it is told what is left between them.
        at: Point3,
    },
}

/// A mate, and how nearly it holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Mate {
    /// What it is called.
    pub name: String,
    /// What it says.
    pub relation: Relation,
    /// How far the parts themselves may be off it, besides what is measured: one standard deviation, mm.
    pub give: f64,
    /// The same for directions, rad.
    pub give_angle: f64,
    /// Whether it is left out by itself where the others say clearly that it does not hold.
    pub may_fail: bool,
}

impl Relation {
    /// The datums in their order.
    pub(crate) fn datums(&self) -> Vec<&On> {
        match self {
            Relation::Meet { first, second, .. }
            | Relation::Distance { first, second, .. }
            | Relation::Parallel { first, second }
            | Relation::Angle { first, second, .. } => vec![first, second],
            Relation::Pair { left, right, .. } => vec![left, right],
            Relation::Coordinate { of, .. } => of.iter().collect(),
            Relation::Relative { .. } => Vec::new(),
        }
    }

    /// The scans that it speaks of.
    pub(crate) fn scans(&self) -> Vec<&str> {
        match self {
            Relation::Relative { scan, on, .. } => std::iter::once(scan).chain(on).map(String::as_str).collect(),
            _ => self.datums().into_iter().filter_map(|on| on.scan.as_deref()).collect(),
        }
    }
}

/// One equation: its value and its derivatives.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    /// mm, or rad.
    pub(crate) value: f64,
    /// Of a length, the direction in the car that it is counted along; `None` for an angle.
    pub(crate) along: Option<Vec3>,
    /// By each datum's position and direction, in the relation's order.
    pub(crate) by: Vec<[Vec3; 2]>,
}

/// A datum in the car's frame.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Here {
    pub(crate) hold: Hold,
    pub(crate) p: Point3,
    pub(crate) d: Option<UnitVec3>,
}

impl Here {
    pub(crate) fn of(anchor: &Anchor, car_from: &RigidTransform) -> Here {
        Here { hold: anchor.hold, p: car_from * anchor.position, d: anchor.direction.map(|d| car_from.rotation * d) }
    }

    fn mirrored(&self) -> Here {
        let flip = |v: Vec3| v.component_mul(&Vec3::from(MIRROR));
        Here {
            hold: self.hold,
            p: Point3::from(flip(self.p.coords)),
            d: self.d.map(|d| UnitVec3::new_unchecked(flip(d.into_inner()))),
        }
    }
}

/// The equations of a mate whose datums stand so. A [`Relation::Relative`] has none here: its six
/// follow from the placements themselves. An empty list: the datums cannot be mated so.
pub(crate) fn rows(relation: &Relation, here: &[Here]) -> Vec<Row> {
    match (relation, here) {
        (Relation::Meet { offset, .. }, [a, b]) => meet(a, b, *offset),
        (Relation::Pair { .. }, [a, b]) => {
            let mut rows = meet(a, &b.mirrored(), 0.0);
            for row in &mut rows {
                row.by[1] = row.by[1].map(|v| v.component_mul(&Vec3::from(MIRROR)));
            }
            rows
        }
        (Relation::Distance { distance, .. }, [a, b]) if a.hold.has_point() && b.hold.has_point() => {
            let w = a.p - b.p;
            let e = w.try_normalize(1e-9).unwrap_or_else(Vec3::x);
            vec![Row { value: w.norm() - distance, along: Some(e), by: vec![[e, Vec3::zeros()], [-e, Vec3::zeros()]] }]
        }
        (Relation::Parallel { .. }, [Here { d: Some(a), .. }, Here { d: Some(b), .. }]) => parallel(a, b),
        (Relation::Angle { angle, .. }, [Here { d: Some(a), hold, .. }, Here { d: Some(b), hold: other, .. }]) => {
            let faces = *hold == Hold::Face && *other == Hold::Face;
            let sign = if faces || a.dot(b) >= 0.0 { 1.0 } else { -1.0 };
            let (sin, cos) = (a.cross(b).norm().max(1e-9), sign * a.dot(b));
            let by = |d: &UnitVec3| [Vec3::zeros(), d.into_inner() * (-sign / sin)];
            vec![Row { value: sin.atan2(cos) - angle, along: None, by: vec![by(b), by(a)] }]
        }
        (Relation::Coordinate { axis, value, .. }, points) if points.iter().all(|h| h.hold.has_point()) => {
            let e = axis.unit();
            let share = 1.0 / points.len().max(1) as f64;
            let mean: f64 = points.iter().map(|h| e.dot(&h.p.coords)).sum::<f64>() * share;
            vec![Row { value: mean - value, along: Some(e), by: vec![[e * share, Vec3::zeros()]; points.len()] }]
        }
        _ => Vec::new(),
    }
}

fn meet(a: &Here, b: &Here, offset: f64) -> Vec<Row> {
    let w = a.p - b.p;
    let none = Vec3::zeros();
    // The same with its sign changed, so that a length is always from the second to the first.
    let swapped = |mut rows: Vec<Row>| {
        for row in &mut rows {
            row.by.swap(0, 1);
            row.by = row.by.iter().map(|[p, d]| [-p, -d]).collect();
            row.value = -row.value;
        }
        rows
    };
    match (a.hold, b.hold, a.d, b.d) {
        (Hold::Point | Hold::Seat, Hold::Point | Hold::Seat, da, db) => {
            let along = |e: Vec3| Row { value: e.dot(&w), along: Some(e), by: vec![[e, none], [-e, none]] };
            let mut rows: Vec<Row> = [Vec3::x(), Vec3::y(), Vec3::z()].map(along).into();
            if let (Some(da), Some(db)) = (da, db) {
                rows.extend(parallel(&da, &db));
            }
            rows
        }
        (Hold::Point, Hold::Axis, _, Some(db)) => on_line(&w, &db),
        (Hold::Axis, Hold::Point, ..) => swapped(meet(b, a, offset)),
        (Hold::Axis | Hold::Seat, Hold::Axis | Hold::Seat, Some(da), Some(db)) => {
            let mut rows = on_line(&w, &db);
            rows.extend(parallel(&da, &db));
            rows
        }
        (Hold::Point | Hold::Seat, Hold::Face, _, Some(db)) => vec![on_plane(&w, &db, offset)],
        (Hold::Axis, Hold::Face, Some(da), Some(db)) => {
            let (da, db) = (da.into_inner(), db.into_inner());
            let square = Row { value: da.dot(&db), along: None, by: vec![[none, db], [none, da]] };
            vec![on_plane(&w, &UnitVec3::new_unchecked(db), offset), square]
        }
        (Hold::Face, Hold::Face, Some(da), Some(db)) => {
            let mut rows = vec![on_plane(&w, &db, offset)];
            rows.extend(parallel(&da, &db));
            rows
        }
        (Hold::Face, ..) => swapped(meet(b, a, offset)),
        _ => Vec::new(),
    }
}

fn on_line(w: &Vec3, d: &UnitVec3) -> Vec<Row> {
    let (u, v) = frame_about(d);
    let s = d.dot(w);
    let one = |u: Vec3| Row { value: u.dot(w), along: Some(u), by: vec![[u, Vec3::zeros()], [-u, u * -s]] };
    vec![one(u), one(v)]
}

fn on_plane(w: &Vec3, normal: &UnitVec3, offset: f64) -> Row {
    let n = normal.into_inner();
    Row { value: n.dot(w) - offset, along: Some(n), by: vec![[n, Vec3::zeros()], [-n, *w]] }
}

fn parallel(a: &UnitVec3, b: &UnitVec3) -> Vec<Row> {
    let (u, v) = frame_about(b);
    let c = a.dot(b);
    let sign = if c < 0.0 { -1.0 } else { 1.0 };
    let one = |u: Vec3| Row {
        value: sign * u.dot(a),
        along: None,
        by: vec![[Vec3::zeros(), u * sign], [Vec3::zeros(), u * -c.abs()]],
    };
    vec![one(u), one(v)]
}

/// Whether the directions look as the mate says; true where it does not say.
pub(crate) fn looks_right(relation: &Relation, here: &[Here]) -> bool {
    let dot = |b: &Here| match (here.first().and_then(|a| a.d), b.d) {
        (Some(a), Some(b)) => a.dot(&b),
        _ => 0.0,
    };
    match (relation, here) {
        (Relation::Meet { facing: Some(facing), .. }, [_, b]) => match facing {
            Facing::Same => dot(b) >= 0.0,
            Facing::Opposed => dot(b) <= 0.0,
        },
        (Relation::Pair { .. }, [a, b]) => a.p.y >= b.p.y && (a.hold != Hold::Face || dot(&b.mirrored()) >= 0.0),
        _ => true,
    }
}
