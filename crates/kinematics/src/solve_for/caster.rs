//! A wanted caster by an adjuster, and what that does elsewhere.

use super::{BumpSteer, SolveForError, bad, bump_steer, check_range, with_toe_kept};
use crate::axle::Axle;
use crate::corner::Held;
use crate::geometry::AxleGeometry;
use crate::moves::{Change, Move, apply};
use stringline_hardpoints::Side;

/// What is turned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Adjuster {
    /// The front member of the lower arm (or the radius rod, where that lies in front).
    FrontLeg,
    /// The rear member of the lower arm.
    RearLeg,
    /// Both by the same amount against each other: front longer, rear shorter.
    LegsOpposed,
    /// The strut's top mount along a direction (vehicle axes, left corner).
    StrutTop([f64; 3]),
    /// The upper arm's legs against each other: front longer, rear shorter.
    UpperLegsOpposed,
}

impl Adjuster {
    fn moves(self, x: f64) -> Vec<Move> {
        vec![
            match self {
                Adjuster::FrontLeg => Change::ArmLegs { front: x, rear: 0.0 },
                Adjuster::RearLeg => Change::ArmLegs { front: 0.0, rear: x },
                Adjuster::LegsOpposed => Change::ArmLegs { front: x, rear: -x },
                Adjuster::StrutTop(d) => Change::MoveStrutTop { by: d.map(|v| v * x) },
                Adjuster::UpperLegsOpposed => Change::UpperArmLegs { front: x, rear: -x },
            }
            .into(),
        ]
    }
}

/// What is wanted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CasterGoal {
    /// Caster at rest of the left corner, degrees; the right one gets the same adjustment.
    pub caster_deg: f64,
    /// What is turned.
    pub by: Adjuster,
    /// Wheel travel over which bump steer is judged, mm.
    pub travel: [f64; 2],
}

/// What the left corner does besides, at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SideEffects {
    /// Caster, rad.
    pub caster: f64,
    /// Camber seen from the front, rad.
    pub camber: f64,
    /// Kingpin inclination, rad.
    pub kingpin_inclination: f64,
    /// Toe-in, rad.
    pub toe_in: f64,
    /// Scrub radius, mm.
    pub scrub_radius: f64,
    /// Mechanical trail, mm.
    pub mechanical_trail: f64,
    /// Track, mm.
    pub track: f64,
    /// Wheel centre forward of where it was, mm.
    pub forward: f64,
    /// Bump steer.
    pub bump_steer: BumpSteer,
}

/// How to have it.
#[derive(Clone, Debug, PartialEq)]
pub struct CasterAnswer {
    /// How far the adjuster is turned, mm (of the strut top: in units of its direction).
    pub amount: f64,
    /// What to do, toe set again at the end.
    pub moves: Vec<Move>,
    /// Before.
    pub before: SideEffects,
    /// With the adjuster turned and nothing else.
    pub turned: SideEffects,
    /// With toe set again.
    pub after: SideEffects,
    /// The axle with the moves made.
    pub geometry: AxleGeometry,
}

/// Finds it, by secant steps on the adjuster with toe set again each time: the caster is met, nothing is traded for it.
///
/// # Errors
/// [`SolveForError`].
pub fn set_caster(geometry: &AxleGeometry, goal: &CasterGoal) -> Result<CasterAnswer, SolveForError> {
    check_range(goal.travel)?;
    if goal.caster_deg.is_nan() || goal.caster_deg.abs() > 45.0 {
        return Err(bad(format!("a caster of {}° cannot be set", goal.caster_deg)));
    }
    let wanted = goal.caster_deg.to_radians();
    let rest_x = Axle::new(geometry)?.corner(Side::Left).measures_at_rest().wheel_centre.x;
    let caster = |x: f64| -> Result<f64, SolveForError> {
        let (moved, _) = with_toe_kept(geometry, &goal.by.moves(x))?;
        Ok(Axle::new(&moved)?.corner(Side::Left).measures_at_rest().caster - wanted)
    };
    let out_of_reach = |closest: f64| SolveForError::OutOfReach {
        what: format!("a caster of {:.2}°", goal.caster_deg),
        closest: format!("this adjuster brings it to {:.2}°", (closest + wanted).to_degrees()),
    };
    let (mut a, mut off_a) = (0.0, caster(0.0)?);
    let (mut b, first) = (0.5, off_a);
    let mut off_b = caster(b)?;
    for _ in 0..60 {
        if off_b.abs() < 1e-13 || (b - a).abs() < 1e-12 {
            break;
        }
        let step = -off_b * (b - a) / (off_b - off_a);
        if !step.is_finite() {
            return Err(out_of_reach(first));
        }
        // An adjuster is turned by millimetres: a longer step is taken in parts.
        let next = b + step.clamp(-20.0, 20.0);
        let off = caster(next).or(Err(out_of_reach(off_b)))?;
        (a, off_a, b, off_b) = (b, off_b, next, off);
    }
    if off_b.abs() > 1e-9 {
        return Err(out_of_reach(off_b));
    }
    let effects = |geometry: &AxleGeometry| -> Result<SideEffects, SolveForError> {
        let axle = Axle::new(geometry)?;
        let (m, r) = (axle.corner(Side::Left).measures_at_rest(), axle.corner(Side::Right).measures_at_rest());
        Ok(SideEffects {
            caster: m.caster,
            camber: m.camber,
            kingpin_inclination: m.kingpin_inclination,
            toe_in: m.toe_in,
            scrub_radius: m.scrub_radius,
            mechanical_trail: m.mechanical_trail,
            track: m.contact.y - r.contact.y,
            forward: m.wheel_centre.x - rest_x,
            bump_steer: bump_steer(&axle, goal.travel, Held::WheelCentre)?,
        })
    };
    let moves = goal.by.moves(b);
    let turned = apply(geometry, &moves)?;
    let (after, moves) = with_toe_kept(geometry, &moves)?;
    Ok(CasterAnswer {
        amount: b,
        moves,
        before: effects(geometry)?,
        turned: effects(&turned)?,
        after: effects(&after)?,
        geometry: after,
    })
}
