//! A variant as a hardpoint set: what leaves for whoever draws the parts.
//!
//! Hardpoints that the moves left where they were keep all that is known of them. The others are points of a design:
//! they have coordinates and no uncertainty, and say which variant they come from. What lies on a part that
//! moved, and that the linkage says nothing about (a brake mount, a hub face), is left out.

use crate::error::GeometryError;
use crate::geometry::{CornerGeometry, Upper, mirror_point};
use crate::measured::Measured;
use crate::moves::{Variant, VariantError, geometry_of, made_within};
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
    let within = made_within(variants, name)?;
    let design =
        |was: &Hardpoint, position, direction| design(was, position, direction, name, within.get(&was.role).copied());
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
                *hardpoint = design(hardpoint, position, direction);
                true
            }
        }
    });
    // A side that was the mirror image of the other need not be one with the moves made.
    for hardpoint in designed.hardpoints.clone() {
        let other = match hardpoint.side {
            Side::Left => Side::Right,
            Side::Right => Side::Left,
            Side::Centre => continue,
        };
        let here = known(hardpoint.role, made.corner(hardpoint.side));
        if let (Some((here, _)), Some((there, direction))) = (here, known(hardpoint.role, made.corner(other)))
            && designed.find(hardpoint.role, other).is_none()
            && (mirror_point(here) - there).norm() > SAME
        {
            let mirrored =
                Hardpoint { side: other, direction: hardpoint.direction.map(|[x, y, z]| [x, -y, z]), ..hardpoint };
            designed.hardpoints.push(design(&mirrored, there, direction));
        }
    }
    designed.hardpoints.sort_by_key(|hardpoint| (hardpoint.side, hardpoint.role));
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

/// Where the linkage has a role's point, and its direction.
fn known(role: Role, c: &CornerGeometry) -> Option<(Point3, Option<UnitVec3>)> {
    let point = |p: Point3| Some((p, None));
    match (role, c.upper) {
        (Role::LowerArmFront, _) => point(c.lower_front),
        (Role::LowerArmRear, _) => point(c.lower_rear),
        (Role::LowerBallJoint, _) => point(c.lower_ball),
        (Role::TieRodInner, _) => point(c.tie_rod_inner),
        (Role::TieRodOuter, _) => point(c.tie_rod_outer),
        (Role::WheelCentre, _) => point(c.wheel.centre),
        (Role::HubAxis, _) => Some((c.wheel.centre, Some(c.wheel.spin))),
        (Role::StrutTop, Upper::Strut { top, .. }) => point(top),
        (Role::StrutLower, Upper::Strut { lower, .. }) => point(lower),
        // Along the sliding axis, as the strut itself.
        (Role::DamperAxis, Upper::Strut { top, lower }) => Some((lower, UnitVec3::try_new(top - lower, SAME))),
        (Role::UpperArmFront, Upper::Arm { front, .. }) => point(front),
        (Role::UpperArmRear, Upper::Arm { rear, .. }) => point(rear),
        (Role::UpperBallJoint, Upper::Arm { ball, .. }) => point(ball),
        _ => None,
    }
}

fn place(role: Role, was: &CornerGeometry, is: &CornerGeometry) -> Place {
    let same = |a: &Point3, b: &Point3| (a - b).norm() <= SAME;
    let turned = |a: Option<UnitVec3>, b: Option<UnitVec3>| match (a, b) {
        (Some(a), Some(b)) => (a.into_inner() - b.into_inner()).norm() > SAME,
        _ => false,
    };
    if let (Some((before, from)), Some((after, to))) = (known(role, was), known(role, is)) {
        return if same(&before, &after) && !turned(from, to) { Place::Stays } else { Place::At(after, to) };
    }
    let member_stays = match role {
        Role::RackAxis => same(&was.tie_rod_inner, &is.tie_rod_inner),
        Role::HubFace | Role::BrakeMount1 | Role::BrakeMount2 | Role::SpringSeat => {
            same(&was.wheel.centre, &is.wheel.centre) && !turned(Some(was.wheel.spin), Some(is.wheel.spin))
        }
        Role::AntiRollLink => same(&was.lower_ball, &is.lower_ball),
        // A point that such a suspension does not have.
        _ => true,
    };
    if member_stays { Place::Stays } else { Place::Unknown }
}

/// A hardpoint of the design.
fn design(
    was: &Hardpoint,
    position: Point3,
    direction: Option<UnitVec3>,
    name: &str,
    within: Option<f64>,
) -> Hardpoint {
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
    let point = Hardpoint::from_datum(was.role, was.side, &datum);
    let (point, note) = match within.filter(|_| was.kind == DatumKind::Point) {
        Some(within) => (
            point.known_within(within),
            format!(
                "Designed, to be made within ±{within} mm: its ± is of the making alone, not of what it was measured from."
            ),
        ),
        None => (point, "Designed, not measured: it has no uncertainty.".into()),
    };
    Hardpoint { construction: Some(format!("designed: variant '{name}'")), notes: vec![note], ..point }
}
