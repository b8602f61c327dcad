//! Rack stroke and steering-arm length for a wanted lock with a wanted over-centre margin.
//!
//! The arm's length decides the stroke; the margin at a given lock hardly depends on it, but on the angle between
//! rod and arm straight ahead. So lengths over a range are all tried, and the shortest stroke that keeps the margin
//! is taken; where none keeps it, the one with the largest margin is shown and said to fall short.

use super::{SolveForError, bad, rack_for_lock, with_toe_kept};
use crate::axle::Axle;
use crate::corner::Held;
use crate::geometry::AxleGeometry;
use crate::moves::{Change, Move};
use stringline_core::Vec3;
use stringline_hardpoints::Side;

/// What is wanted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LockGoal {
    /// Steer of the inner wheel at full lock, degrees.
    pub inner_deg: f64,
    /// Over-centre margin there, degrees.
    pub margin_deg: f64,
    /// Shortest and longest steering arm to try, mm.
    pub arm: [f64; 2],
    /// How many lengths to try.
    pub steps: usize,
}

/// A length and what it does, the worse of both turns.
#[derive(Clone, Debug, PartialEq)]
pub struct LockOption {
    /// Steering arm, mm.
    pub arm: f64,
    /// Rack travel each way, mm.
    pub stroke: f64,
    /// Over-centre margin of the inner wheel at the lock, rad.
    pub margin: f64,
    /// Rack left between lock and over centre, mm.
    pub rack_left: f64,
    /// Steer per rack travel straight ahead, rad/mm.
    pub steer_per_rack: f64,
    /// Whether the margin is kept.
    pub keeps_margin: bool,
    /// What to do.
    pub moves: Vec<Move>,
    /// The axle with it.
    pub geometry: AxleGeometry,
}

/// The length taken, and all that were tried.
#[derive(Clone, Debug, PartialEq)]
pub struct LockAnswer {
    /// The shortest stroke that keeps the margin, or the largest margin where none does.
    pub chosen: LockOption,
    /// All lengths at which the lock can be reached, short to long.
    pub options: Vec<LockOption>,
}

/// Finds it.
///
/// # Errors
/// [`SolveForError::OutOfReach`] where no length reaches the lock before over-centre.
pub fn find_lock(geometry: &AxleGeometry, goal: &LockGoal) -> Result<LockAnswer, SolveForError> {
    let [short, long] = goal.arm;
    if !(short.is_finite() && long.is_finite() && 0.0 < short && short <= long) {
        return Err(bad("the arm's lengths must run from a shorter to a longer one"));
    }
    if !(1.0..=85.0).contains(&goal.inner_deg) || !(0.0..90.0).contains(&goal.margin_deg) {
        return Err(bad("a lock lies between 1° and 85°, a margin between 0° and 90°"));
    }
    let steps = goal.steps.clamp(2, 200);
    let before = Axle::new(geometry)?;
    let arm_now = before.corner(Side::Left).measures_at_rest().steering_arm;
    // Along the arm: from the steering axis square to it through the joint.
    let p = before.corner(Side::Left).at_rest();
    let k = (p.axis_top - p.lower_ball).normalize();
    let lever = p.tie_rod_outer - p.lower_ball;
    let along: Vec3 = (lever - k * lever.dot(&k)).normalize();
    let lock = goal.inner_deg.to_radians();
    let mut options = Vec::new();
    let mut last_error = None;
    for i in 0..steps {
        let arm = short + (long - short) * i as f64 / (steps - 1) as f64;
        match option(geometry, along * (arm - arm_now), lock, goal.margin_deg.to_radians()) {
            Ok(option) => options.push(option),
            Err(error) => last_error = Some(error),
        }
    }
    let kept = options.iter().filter(|o| o.keeps_margin).min_by(|a, b| a.stroke.total_cmp(&b.stroke));
    let best = kept.or_else(|| options.iter().max_by(|a, b| a.margin.total_cmp(&b.margin)));
    match best.cloned() {
        Some(chosen) => Ok(LockAnswer { chosen, options }),
        None => Err(last_error.unwrap_or_else(|| bad("no length was tried"))),
    }
}

fn option(geometry: &AxleGeometry, by: Vec3, lock: f64, wanted: f64) -> Result<LockOption, SolveForError> {
    let change = Change::MoveTieRodOuter { by: by.into() };
    let (moved, moves) = with_toe_kept(geometry, &[change.into()])?;
    let axle = Axle::new(&moved)?;
    let (mut stroke, mut margin, mut rack_left) = (0.0_f64, f64::INFINITY, f64::INFINITY);
    for turn in [Side::Left, Side::Right] {
        let rack = rack_for_lock(&axle, turn, lock, 0.0)?;
        let corner = axle.corner(turn);
        let m = corner.measures(&corner.solve_near(&corner.rest, 0.0, Held::Contact, rack)?);
        let limits = corner.rack_limits(0.0, Held::Contact)?;
        stroke = stroke.max(rack.abs());
        margin = margin.min(m.over_centre_margin);
        rack_left = rack_left.min(limits[usize::from(rack > 0.0)].abs() - rack.abs());
    }
    let rest = axle.corner(Side::Left).measures_at_rest();
    Ok(LockOption {
        arm: rest.steering_arm,
        stroke,
        margin,
        rack_left,
        steer_per_rack: rest.steer_per_rack,
        keeps_margin: margin >= wanted,
        moves,
        geometry: moved,
    })
}
