//! Working backwards: which change gives what is wanted.
//!
//! Every answer is a list of [`Move`]s, so that it can be kept as a variant, with what was minimised, how well it did, and
//! what it costs elsewhere.

mod ackermann;
mod bump_steer;
mod caster;
mod least;
mod lock;

pub use ackermann::{AckermannGoal, PlateHole, ackermann_plate};
pub use bump_steer::{BumpSteerAnswer, BumpSteerGoal, Freedom, Stack, Stock, least_bump_steer};
pub use caster::{Adjuster, CasterAnswer, CasterGoal, SideEffects, set_caster};
pub use lock::{LockAnswer, LockGoal, LockOption, find_lock};

use crate::axle::{Axle, State};
use crate::corner::Held;
use crate::error::{GeometryError, SolveError};
use crate::geometry::AxleGeometry;
use crate::moves::{Change, Move, MoveError, apply};
use std::borrow::Cow;
use stringline_core::Explain;
use stringline_hardpoints::Side;

/// Why there is no answer.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SolveForError {
    /// The car as it is makes no mechanism.
    #[error(transparent)]
    Geometry(#[from] GeometryError),
    /// The car as it is cannot reach the states asked about.
    #[error(transparent)]
    Solve(#[from] SolveError),
    /// A wish that makes no sense.
    #[error("{what}")]
    BadGoal {
        /// What is wrong with it.
        what: String,
    },
    /// Nothing within the limits does it.
    #[error("{what} cannot be had: {closest}")]
    OutOfReach {
        /// What was wanted.
        what: String,
        /// The nearest there is.
        closest: String,
    },
}

impl Explain for SolveForError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            SolveForError::Geometry(e) => e.next_step(),
            SolveForError::Solve(e) => e.next_step(),
            SolveForError::BadGoal { .. } => "Correct what is asked for.".into(),
            SolveForError::OutOfReach { .. } => "Ask for less, or free another point.".into(),
        }
    }
}

fn bad(what: impl Into<String>) -> SolveForError {
    SolveForError::BadGoal { what: what.into() }
}

/// Toe change over a range of wheel travel, both corners.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BumpSteer {
    /// Root mean square, degrees.
    pub rms_deg: f64,
    /// Largest, degrees.
    pub largest_deg: f64,
}

/// Positions over which bump steer is judged: odd, so that rest is one of them where the range is even about it.
const POSITIONS: usize = 21;

/// Toe change since rest at every position of a range, left then right, degrees.
fn toe_changes(axle: &Axle, range: [f64; 2], held: Held) -> Result<Vec<f64>, SolveError> {
    let step = (range[1] - range[0]) / (POSITIONS - 1) as f64;
    let states: Vec<State> = (0..POSITIONS).map(|i| State::level(range[0] + step * i as f64, 0.0)).collect();
    let swept = axle.sweep(&states, held).into_iter().collect::<Result<Vec<_>, _>>()?;
    let left = swept.iter().map(|m| m.left.toe_change.to_degrees());
    Ok(left.chain(swept.iter().map(|m| m.right.toe_change.to_degrees())).collect())
}

/// Bump steer over a range of wheel travel, mm from rest.
///
/// # Errors
/// [`SolveError`] where the range leaves the mechanism's.
pub fn bump_steer(axle: &Axle, range: [f64; 2], held: Held) -> Result<BumpSteer, SolveError> {
    Ok(judge(&toe_changes(axle, range, held)?))
}

fn judge(changes: &[f64]) -> BumpSteer {
    let squares: f64 = changes.iter().map(|c| c * c).sum();
    BumpSteer {
        rms_deg: (squares / changes.len().max(1) as f64).sqrt(),
        largest_deg: changes.iter().fold(0.0, |m, c| m.max(c.abs())),
    }
}

fn check_range(range: [f64; 2]) -> Result<(), SolveForError> {
    if range.iter().all(|v| v.is_finite()) && range[0] < range[1] {
        Ok(())
    } else {
        Err(bad("the range of travel must run from a lower to a higher one"))
    }
}

/// Moves made, toe set again to what it was on each side.
fn with_toe_kept(geometry: &AxleGeometry, moves: &[Move]) -> Result<(AxleGeometry, Vec<Move>), MoveError> {
    let before = Axle::new(geometry)?;
    let mut all = moves.to_vec();
    let toe = |side| before.corner(side).rest_toe.to_degrees();
    let (left, right) = (toe(Side::Left), toe(Side::Right));
    if (left - right).abs() < 1e-9 {
        all.push(Change::Align { toe_in_deg: left }.into());
    } else {
        for (side, toe_in_deg) in [(Side::Left, left), (Side::Right, right)] {
            all.push(Move { side: Some(side), change: Change::Align { toe_in_deg } });
        }
    }
    Ok((apply(geometry, &all)?, all))
}

/// The rack position at which the inner wheel of a turn to `turn` steers by `angle` (rad), the tyres on the ground.
///
/// # Errors
/// [`SolveForError::OutOfReach`] where the rod reaches over centre first.
pub fn rack_for_lock(axle: &Axle, turn: Side, angle: f64, travel: f64) -> Result<f64, SolveForError> {
    let inner = |rack: f64| -> Result<(f64, f64), SolveError> {
        let corner = axle.corner(turn);
        let m = corner.measures(&corner.solve_near(&corner.rest, travel, Held::Contact, rack)?);
        let sign = if turn == Side::Right { -1.0 } else { 1.0 };
        Ok((sign * m.steer, sign * m.steer_per_rack))
    };
    let (at_rest, slope) = inner(0.0)?;
    let limits = axle.corner(turn).rack_limits(travel, Held::Contact)?;
    let end = if (angle - at_rest) * slope > 0.0 { limits[1] } else { limits[0] };
    // Just before the end: at it the slope is infinite.
    let mut far = if end.is_finite() { end * (1.0 - 1e-6) } else { 1000.0_f64.copysign(end) };
    let reach = inner(far)?.0;
    if reach < angle {
        return Err(SolveForError::OutOfReach {
            what: format!("a lock of {:.1}°", angle.to_degrees()),
            closest: format!("over centre comes at {:.1}° of the inner wheel", reach.to_degrees()),
        });
    }
    let mut near = 0.0;
    let mut rack = 0.5 * far;
    for _ in 0..80 {
        let (steer, slope) = inner(rack)?;
        if (steer - angle).abs() < 1e-12 {
            break;
        }
        if steer < angle {
            near = rack;
        } else {
            far = rack;
        }
        let newton = rack + (angle - steer) / slope;
        let within = (newton - near) * (newton - far) < 0.0;
        let next = if within { newton } else { 0.5 * (near + far) };
        if (next - rack).abs() < 1e-12 {
            break;
        }
        rack = next;
    }
    Ok(rack)
}
