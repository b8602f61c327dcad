//! Plate holes for wanted Ackermann percentages at a wanted lock, bump steer held.
//!
//! For each percentage the outer tie-rod joint is moved along the plate and square to it. Minimised is
//! (100·(A − wanted))² + Σ(toe change/0.01°)²: the percentage is met to well under a tenth, and of all places that meet
//! it the one with the least bump steer is taken.

use super::least::minimise;
use super::{BumpSteer, SolveForError, bad, check_range, judge, rack_for_lock, toe_changes, with_toe_kept};
use crate::axle::{Ackermann, Axle, State};
use crate::corner::Held;
use crate::geometry::AxleGeometry;
use crate::moves::{Change, Move};
use stringline_core::Vec3;
use stringline_hardpoints::Side;

/// What is wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct AckermannGoal {
    /// Percentages (angle difference, inner wheel reference): one hole each.
    pub percents: Vec<f64>,
    /// Steer of the inner wheel at which they are wanted, degrees.
    pub inner_deg: f64,
    /// Which way the car turns there.
    pub turn: Side,
    /// Wheel travel over which toe should stay, mm.
    pub travel: [f64; 2],
    /// Directions in which a hole may lie from the present place, for the left corner; each within `reach`.
    pub directions: Vec<[f64; 3]>,
    /// mm.
    pub reach: f64,
}

/// One hole and what it does.
#[derive(Clone, Debug, PartialEq)]
pub struct PlateHole {
    /// What was wanted.
    pub wanted_percent: f64,
    /// From the present place of the joint, left corner, mm.
    pub by: [f64; 3],
    /// What it comes to at the lock.
    pub ackermann: Ackermann,
    /// Whether the percentage is met within 0.1.
    pub met: bool,
    /// Rack travel at the lock, mm.
    pub rack: f64,
    /// Over-centre margin of the inner wheel there, rad.
    pub margin: f64,
    /// Steering arm, mm.
    pub steering_arm: f64,
    /// Steer per rack travel straight ahead, rad/mm.
    pub steer_per_rack: f64,
    /// Bump steer with it.
    pub bump_steer: BumpSteer,
    /// What to do.
    pub moves: Vec<Move>,
    /// The axle with it.
    pub geometry: AxleGeometry,
    /// Iterations.
    pub iterations: usize,
}

/// The holes, one for each percentage, in their order.
///
/// # Errors
/// [`SolveForError`]: a goal that makes no sense, a car without a wheelbase, a lock beyond over-centre.
pub fn ackermann_plate(geometry: &AxleGeometry, goal: &AckermannGoal) -> Result<Vec<PlateHole>, SolveForError> {
    check_range(goal.travel)?;
    if geometry.car.wheelbase.is_none() {
        return Err(bad("Ackermann needs the wheelbase"));
    }
    if !(5.0..=85.0).contains(&goal.inner_deg) {
        return Err(bad("Ackermann is judged between 5° and 85° of the inner wheel"));
    }
    if goal.percents.iter().any(|p| !p.is_finite()) || !(goal.reach.is_finite() && goal.reach > 0.0) {
        return Err(bad("percentages and reach must be numbers, the reach over zero"));
    }
    let lock = goal.inner_deg.to_radians();
    // The lock must be within reach before anything is moved.
    rack_for_lock(&Axle::new(geometry)?, goal.turn, lock, 0.0)?;
    let moves_of = |x: &[f64]| -> Vec<Move> {
        let by: Vec3 = goal.directions.iter().zip(x).map(|(d, x)| Vec3::from(*d) * *x).sum();
        vec![Change::MoveTieRodOuter { by: by.into() }.into()]
    };
    let limits = vec![[-goal.reach, goal.reach]; goal.directions.len()];
    let mut start = vec![0.0; goal.directions.len()];
    let mut holes = Vec::new();
    for &wanted in &goal.percents {
        let trial = |x: &[f64]| -> Option<Vec<f64>> {
            let axle = Axle::new(&with_toe_kept(geometry, &moves_of(x)).ok()?.0).ok()?;
            let mut residuals: Vec<f64> =
                toe_changes(&axle, goal.travel, Held::WheelCentre).ok()?.iter().map(|t| t / 0.01).collect();
            let rack = rack_for_lock(&axle, goal.turn, lock, 0.0).ok()?;
            let m = axle.solve_unstopped(State::level(0.0, rack), Held::Contact).ok()?;
            residuals.push(100.0 * (m.ackermann?.percent - wanted));
            Some(residuals)
        };
        let least = minimise(&start, &limits, trial).ok_or_else(|| SolveForError::OutOfReach {
            what: format!("{wanted} % Ackermann"),
            closest: "near the present place the lock cannot be reached".into(),
        })?;
        let (moved, moves) = with_toe_kept(geometry, &moves_of(&least.x))?;
        let axle = Axle::new(&moved)?;
        let rack = rack_for_lock(&axle, goal.turn, lock, 0.0)?;
        let m = axle.solve_unstopped(State::level(0.0, rack), Held::Contact)?;
        let ackermann = m.ackermann.ok_or_else(|| bad("the wheels steer opposite ways at this lock"))?;
        let inner = if goal.turn == Side::Right { &m.right } else { &m.left };
        let rest = axle.corner(goal.turn).measures_at_rest();
        let by: Vec3 = goal.directions.iter().zip(&least.x).map(|(d, x)| Vec3::from(*d) * *x).sum();
        holes.push(PlateHole {
            wanted_percent: wanted,
            by: by.into(),
            ackermann,
            met: (ackermann.percent - wanted).abs() < 0.1,
            rack,
            margin: inner.over_centre_margin,
            steering_arm: rest.steering_arm,
            steer_per_rack: rest.steer_per_rack,
            bump_steer: judge(&toe_changes(&axle, goal.travel, Held::WheelCentre)?),
            moves,
            geometry: moved,
            iterations: least.iterations,
        });
        start = least.x;
    }
    Ok(holes)
}
