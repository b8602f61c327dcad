//! A variant as a hardpoint set: what leaves for whoever draws the parts.
//!
//! Hardpoints that the moves left where they were keep all that is known of them. The others are points of a design:
//! they have coordinates and no uncertainty, and say which variant they come from. What lies on a part that
//! moved, and that the linkage says nothing about (a brake mount, a hub face), is left out.

use crate::error::GeometryError;
use crate::geometry::{CornerGeometry, Upper};
use crate::measured::Measured;
use crate::moves::{Variant, VariantError, geometry_of};
use std::borrow::Cow;
use stringline_core::{Explain, Point3, UnitVec3};
use stringline_hardpoints::{Datum, DatumKind, Hardpoint, HardpointSet, Role, Side};

/// Within this a point is where it was, mm (and a direction, rad).
const SAME: f64 = 1e-9;

/// Why a variant is no hardpoint set.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum DesignError {
    /// The car as found makes no mechanism.
    #[error(transparent)]
    Geometry(#[from] GeometryError),
    /// The variant cannot be made.
    #[error(transparent)]
    Variant(#[from] VariantError),
}

impl Explain for DesignError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            DesignError::Geometry(error) => error.next_step(),
            DesignError::Variant(error) => error.next_step(),
        }
    }
}

/// The set with a variant's moves made: vehicle axes, mm, at rest.
///
/// # Errors
/// [`DesignError`]: a set that makes no car, an unknown variant, moves that cannot be made.
pub fn designed_set(set: &HardpointSet, variants: &[Variant], name: &str) -> Result<HardpointSet, DesignError> {
    let found = Measured::from_set(set)?.geometry()?;
    let made = geometry_of(&found, variants, name)?;
    let mut designed = set.clone();
    designed.name = Some(match &set.name {
        Some(known) => format!("{known}: {name}"),
        None => name.to_owned(),
    });
    designed.vehicle.rack_stroke = made.rack.stroke;
    if (made.left.wheel.radius - found.left.wheel.radius).abs() > SAME {
        designed.vehicle.tyre_radius = Some(made.left.wheel.radius);
        designed.vehicle.tyre = None;
    }
    designed.hardpoints.retain_mut(|hardpoint| {
        // What is on the centre line belongs to both; its own side decides for the rest.
        let (was, is) = (found.corner(hardpoint.side), made.corner(hardpoint.side));
        match place(hardpoint.role, was, is) {
            Place::Stays => true,
            Place::Unknown => false,
            Place::At(position, direction) => {
                *hardpoint = design(hardpoint, position, direction, name);
                true
            }
        }
    });
    let needed: Vec<String> = designed.hardpoints.iter().flat_map(|h| h.sources.iter().cloned()).collect();
    designed.datums.retain(|datum| needed.contains(&datum.name));
    designed.scans.retain(|scan| designed.datums.iter().any(|datum| datum.scan.as_deref() == Some(&scan.file)));
    Ok(designed)
}

/// Where a hardpoint is with the moves made.
enum Place {
    Stays,
    At(Point3, Option<UnitVec3>),
    /// It lies on a part that moved, by an amount the linkage does not say.
    Unknown,
}

fn place(role: Role, was: &CornerGeometry, is: &CornerGeometry) -> Place {
    let point = |p: fn(&CornerGeometry) -> Option<Point3>| match (p(was), p(is)) {
        (Some(before), Some(after)) if (after - before).norm() > SAME => Place::At(after, None),
        _ => Place::Stays,
    };
    let strut = |c: &CornerGeometry| match c.upper {
        Upper::Strut { top, lower } => Some([top, lower]),
        Upper::Arm { .. } => None,
    };
    let same = |a: &Point3, b: &Point3| (a - b).norm() <= SAME;
    let spins = (was.wheel.spin.into_inner() - is.wheel.spin.into_inner()).norm() <= SAME;
    let knuckle_stays = spins && same(&was.wheel.centre, &is.wheel.centre);
    let stays = |so: bool| if so { Place::Stays } else { Place::Unknown };
    match role {
        Role::LowerArmFront => point(|c| Some(c.lower_front)),
        Role::LowerArmRear => point(|c| Some(c.lower_rear)),
        Role::LowerBallJoint => point(|c| Some(c.lower_ball)),
        Role::TieRodInner => point(|c| Some(c.tie_rod_inner)),
        Role::TieRodOuter => point(|c| Some(c.tie_rod_outer)),
        Role::WheelCentre => point(|c| Some(c.wheel.centre)),
        Role::StrutTop => point(|c| match c.upper {
            Upper::Strut { top, .. } => Some(top),
            Upper::Arm { .. } => None,
        }),
        Role::StrutLower => point(|c| match c.upper {
            Upper::Strut { lower, .. } => Some(lower),
            Upper::Arm { .. } => None,
        }),
        Role::UpperArmFront => point(|c| match c.upper {
            Upper::Arm { front, .. } => Some(front),
            Upper::Strut { .. } => None,
        }),
        Role::UpperArmRear => point(|c| match c.upper {
            Upper::Arm { rear, .. } => Some(rear),
            Upper::Strut { .. } => None,
        }),
        Role::UpperBallJoint => point(|c| match c.upper {
            Upper::Arm { ball, .. } => Some(ball),
            Upper::Strut { .. } => None,
        }),
        Role::HubAxis if knuckle_stays => Place::Stays,
        Role::HubAxis => Place::At(is.wheel.centre, Some(is.wheel.spin)),
        Role::DamperAxis => match (strut(was), strut(is)) {
            (Some(a), Some(b)) if !(same(&a[0], &b[0]) && same(&a[1], &b[1])) => {
                // Along the sliding axis, as the strut itself.
                Place::At(b[1], UnitVec3::try_new(b[0] - b[1], SAME))
            }
            _ => Place::Stays,
        },
        Role::RackAxis => stays(same(&was.tie_rod_inner, &is.tie_rod_inner)),
        Role::HubFace | Role::BrakeMount1 | Role::BrakeMount2 | Role::SpringSeat => stays(knuckle_stays),
        Role::AntiRollLink => stays(same(&was.lower_ball, &is.lower_ball)),
    }
}

/// A hardpoint of the design.
fn design(was: &Hardpoint, position: Point3, direction: Option<UnitVec3>, name: &str) -> Hardpoint {
    // As the format has it: directions keep the sense that the measured one had.
    let direction = direction.map(|d| {
        let d = d.into_inner();
        let turned = was.direction.is_some_and(|known| stringline_core::Vec3::from(known).dot(&d) < 0.0);
        UnitVec3::new_normalize(if turned { -d } else { d })
    });
    let datum = match (was.kind, direction) {
        (DatumKind::Axis, Some(direction)) => Datum::Axis { position, direction },
        (DatumKind::Face, Some(normal)) => Datum::Face { position, normal },
        _ => Datum::Point { position },
    };
    let side: Side = was.side;
    Hardpoint {
        construction: Some(format!("designed: variant '{name}'")),
        notes: vec!["Designed, not measured: it has no uncertainty.".into()],
        ..Hardpoint::from_datum(was.role, side, &datum)
    }
}
