//! From a hardpoint set to an axle.

use crate::error::GeometryError;
use crate::geometry::{AxleGeometry, Car, CornerGeometry, Rack, Upper, Wheel, mirror_point, mirror_unit};
use nalgebra::DMatrix;
use stringline_core::tyre::TyreSize;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_hardpoints::{CoordinateAxes, HardpointSet, Role, Side, Suspension};

/// A hardpoint as it was measured: three numbers of its position and three of its direction, where it has one.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuredPoint {
    /// What it does.
    pub role: Role,
    /// On which side.
    pub side: Side,
    /// mm.
    pub position: Point3,
    /// Unit direction of an axis or a face.
    pub direction: Option<UnitVec3>,
    /// 3×3 or 6×6, mm and rad; `None` where it is not known.
    pub covariance: Option<DMatrix<f64>>,
    /// Effective degrees of freedom of the covariance.
    pub degrees_of_freedom: f64,
}

impl MeasuredPoint {
    /// A point known by its coordinates alone.
    pub fn exact(role: Role, side: Side, position: Point3) -> MeasuredPoint {
        MeasuredPoint { role, side, position, direction: None, covariance: None, degrees_of_freedom: f64::INFINITY }
    }

    /// The same moved by `step`, three or six numbers.
    pub(crate) fn moved(&mut self, step: &[f64]) {
        if let [x, y, z, rest @ ..] = step {
            self.position += Vec3::new(*x, *y, *z);
            if let ([a, b, c], Some(d)) = (rest, self.direction) {
                self.direction = Some(UnitVec3::new_normalize(d.into_inner() + Vec3::new(*a, *b, *c)));
            }
        }
    }
}

/// The hardpoints of an axle with what is known of the car.
#[derive(Clone, Debug, PartialEq)]
pub struct Measured {
    /// Each role and side once.
    pub points: Vec<MeasuredPoint>,
    /// Strut or double wishbone.
    pub suspension: Suspension,
    /// Loaded radius of the tyre, mm.
    pub tyre_radius: f64,
    /// From the rim's middle plane to the hub face, positive when the face lies outboard, mm: used where there is no
    /// wheel centre.
    pub rim_offset: Option<f64>,
    /// Where the rack's stops let it go.
    pub rack_stroke: Option<[f64; 2]>,
    /// Travel for one turn of the steering wheel, mm.
    pub rack_per_turn: Option<f64>,
    /// The rest of the car.
    pub car: Car,
    /// What was assumed in reading, in sentences.
    pub notes: Vec<String>,
}

impl Measured {
    /// Reads a set.
    ///
    /// # Errors
    /// [`GeometryError`]: not placed in the car, damaged, or without a tyre's radius. What a corner needs is asked for by
    /// [`Measured::geometry`].
    pub fn from_set(set: &HardpointSet) -> Result<Measured, GeometryError> {
        if set.axes != CoordinateAxes::Iso8855 {
            return Err(GeometryError::NotPlaced);
        }
        let mut notes = Vec::new();
        let points = set
            .hardpoints
            .iter()
            .map(|h| {
                let datum = h.datum()?;
                Ok(MeasuredPoint {
                    role: h.role,
                    side: h.side,
                    position: datum.position(),
                    direction: datum.direction(),
                    covariance: h.covariance_matrix()?,
                    degrees_of_freedom: h.degrees_of_freedom.unwrap_or(f64::INFINITY),
                })
            })
            .collect::<Result<Vec<_>, GeometryError>>()?;
        let upper_ball = points.iter().any(|p| p.role == Role::UpperBallJoint);
        let suspension = set.suspension.unwrap_or(match upper_ball {
            true => Suspension::DoubleWishbone,
            false => Suspension::Strut,
        });
        let v = &set.vehicle;
        let marked = v.tyre.as_deref().and_then(|marking| TyreSize::parse(marking).ok()).map(|size| size.free_radius());
        let tyre_radius = match (v.tyre_radius, marked) {
            (Some(radius), _) => radius,
            (None, Some(radius)) => {
                notes.push(format!(
                    "The tyre's free radius from its marking, {radius:.1} mm, stands for the loaded one, which is smaller by some 3 %."
                ));
                radius
            }
            (None, None) => {
                return Err(GeometryError::Unsaid {
                    what: "how large the tyre is",
                    next: "Give the vehicle's tyre_radius in mm, or its tyre as 205/50R16.",
                });
            }
        };
        let measured = Measured {
            points,
            suspension,
            tyre_radius,
            rim_offset: v.rim_offset,
            rack_stroke: v.rack_stroke,
            rack_per_turn: v.rack_per_turn,
            car: Car { wheelbase: v.wheelbase, mass_height: v.mass_height, front_brake_share: v.front_brake_share },
            notes,
        };
        Ok(Measured { notes: measured.all_notes(), ..measured })
    }

    /// The axle at rest. What one side lacks is the mirror image of the other's.
    ///
    /// # Errors
    /// [`GeometryError::Missing`] for a role that neither side has.
    pub fn geometry(&self) -> Result<AxleGeometry, GeometryError> {
        let rack = [Side::Centre, Side::Left, Side::Right]
            .into_iter()
            .find_map(|side| self.find(Role::RackAxis, side))
            .and_then(|p| p.direction)
            .map_or(Vec3::y_axis(), |d| if d.y < 0.0 { -d } else { d });
        Ok(AxleGeometry {
            left: self.corner(Side::Left)?,
            right: self.corner(Side::Right)?,
            rack: Rack { direction: rack, stroke: self.rack_stroke, per_turn: self.rack_per_turn },
            car: self.car,
        })
    }

    /// The point of that role and side.
    pub fn find(&self, role: Role, side: Side) -> Option<&MeasuredPoint> {
        self.points.iter().find(|p| p.role == role && p.side == side)
    }

    fn corner(&self, side: Side) -> Result<CornerGeometry, GeometryError> {
        let point = |role| self.here(role, side).map(|p| p.0).ok_or_else(|| missing(side, &[role]));
        let upper = match self.suspension {
            Suspension::Strut => {
                let top = point(Role::StrutTop)?;
                let lower = self.here(Role::StrutLower, side).map(|p| p.0);
                let lower = lower.or_else(|| {
                    // A point of the damper's axis level with the hub, well below the mount.
                    let (on, d) = self.here(Role::DamperAxis, side)?;
                    let d = d?.into_inner();
                    Some(on - d * d.dot(&(on - top)) - d * 400.0)
                });
                let needs = [Role::StrutLower, Role::DamperAxis];
                Upper::Strut { top, lower: lower.ok_or_else(|| missing(side, &needs))? }
            }
            Suspension::DoubleWishbone => Upper::Arm {
                front: point(Role::UpperArmFront)?,
                rear: point(Role::UpperArmRear)?,
                ball: point(Role::UpperBallJoint)?,
            },
        };
        let spin = [Role::HubAxis, Role::HubFace].iter().find_map(|r| self.here(*r, side)?.1);
        let spin = spin.ok_or_else(|| missing(side, &[Role::HubAxis, Role::HubFace]))?;
        let wheel = match (self.here(Role::WheelCentre, side), self.here(Role::HubFace, side), self.rim_offset) {
            (Some((centre, _)), ..) => Wheel { centre, spin, radius: self.tyre_radius },
            (None, Some((face, _)), Some(offset)) => {
                // Where the hub's axis meets its face.
                let on = self.here(Role::HubAxis, side).map_or(face, |p| p.0);
                let face = on + spin.into_inner() * spin.dot(&(face - on));
                Wheel::on_hub(face, spin, offset, self.tyre_radius)
            }
            _ => return Err(missing(side, &[Role::WheelCentre])),
        };
        Ok(CornerGeometry {
            side,
            lower_front: point(Role::LowerArmFront)?,
            lower_rear: point(Role::LowerArmRear)?,
            lower_ball: point(Role::LowerBallJoint)?,
            upper,
            tie_rod_inner: point(Role::TieRodInner)?,
            tie_rod_outer: point(Role::TieRodOuter)?,
            wheel,
            damper: None,
            outer_joint: None,
            inner_joint: None,
        })
    }

    /// The datum of a side, or the mirror image of the other side's.
    fn here(&self, role: Role, side: Side) -> Option<(Point3, Option<UnitVec3>)> {
        if let Some(p) = self.find(role, side) {
            return Some((p.position, p.direction));
        }
        let other = if side == Side::Left { Side::Right } else { Side::Left };
        let p = self.find(role, other)?;
        Some((mirror_point(p.position), p.direction.map(mirror_unit)))
    }

    fn all_notes(&self) -> Vec<String> {
        let mut notes = self.notes.clone();
        for (side, other) in [(Side::Left, Side::Right), (Side::Right, Side::Left)] {
            let mirrored: Vec<String> = Role::ALL
                .into_iter()
                .filter(|r| CORNER.contains(r) && self.find(*r, side).is_none() && self.find(*r, other).is_some())
                .map(Role::words)
                .collect();
            if !mirrored.is_empty() {
                notes.push(format!(
                    "The {side} corner takes the mirror image of the {other} one's {}.",
                    mirrored.join(", ")
                ));
            }
        }
        if [Side::Centre, Side::Left, Side::Right].iter().all(|s| self.find(Role::RackAxis, *s).is_none()) {
            notes.push("The rack is taken to slide straight across the car: the set has no rack axis.".into());
        }
        notes
    }
}

/// The roles of the points a corner is made of.
pub(crate) const CORNER: [Role; 12] = [
    Role::StrutTop,
    Role::StrutLower,
    Role::LowerArmFront,
    Role::LowerArmRear,
    Role::UpperArmFront,
    Role::UpperArmRear,
    Role::LowerBallJoint,
    Role::UpperBallJoint,
    Role::TieRodInner,
    Role::TieRodOuter,
    Role::HubAxis,
    Role::WheelCentre,
];

fn missing(side: Side, roles: &[Role]) -> GeometryError {
    GeometryError::Missing { side, roles: roles.to_vec() }
}
