//! Least bump steer: where the tie rod's ends should be, or which spacers go under them.
//!
//! Minimised is the sum of squares of the toe change since rest over the range of travel, both corners, toe at
//! rest kept by the rod's length.

use super::least::minimise;
use super::{BumpSteer, SolveForError, bad, check_range, judge, toe_changes, with_toe_kept};
use crate::axle::Axle;
use crate::corner::Held;
use crate::geometry::AxleGeometry;
use crate::moves::{Change, Move, MoveError, RodEnd};
use stringline_core::Vec3;

/// One direction in which an end of the tie rod may be put elsewhere.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Freedom {
    /// Which end.
    pub end: RodEnd,
    /// In vehicle axes of the left corner; need not have unit length.
    pub direction: [f64; 3],
    /// Least and most, in units of the direction's length (mm for a unit vector).
    pub limits: [f64; 2],
}

impl Freedom {
    /// Up and down by as much as `reach`, mm.
    pub fn vertical(end: RodEnd, reach: f64) -> Freedom {
        Freedom { end, direction: [0.0, 0.0, 1.0], limits: [-reach, reach] }
    }
}

/// Spacers on the shelf.
#[derive(Clone, Debug, PartialEq)]
pub struct Stock {
    /// Thickness and how many of it, mm.
    pub pieces: Vec<(f64, u32)>,
}

/// What is wanted.
#[derive(Clone, Debug, PartialEq)]
pub struct BumpSteerGoal {
    /// Wheel travel over which toe should stay, mm.
    pub travel: [f64; 2],
    /// Height held.
    pub held: Held,
    /// What may be moved.
    pub free: Vec<Freedom>,
    /// Where given, the first freedom is made up of such spacers.
    pub stock: Option<Stock>,
}

/// A stack of spacers.
#[derive(Clone, Debug, PartialEq)]
pub struct Stack {
    /// Total, mm; negative: the rod's end is lowered.
    pub thickness: f64,
    /// Thickness and how many of it.
    pub pieces: Vec<(f64, u32)>,
    /// What is left with it.
    pub after: BumpSteer,
}

/// How to have it.
#[derive(Clone, Debug, PartialEq)]
pub struct BumpSteerAnswer {
    /// What to do, toe set again at the end.
    pub moves: Vec<Move>,
    /// How far along each freedom.
    pub amounts: Vec<f64>,
    /// The axle with the moves made.
    pub geometry: AxleGeometry,
    /// Before.
    pub before: BumpSteer,
    /// After.
    pub after: BumpSteer,
    /// With no limit but the freedoms', where spacers came in steps.
    pub best: BumpSteer,
    /// The stack of spacers, and the next best ones, where a stock was given.
    pub stacks: Vec<Stack>,
    /// Amounts that lie at their limit: more would do better.
    pub at_limit: Vec<usize>,
    /// Iterations.
    pub iterations: usize,
    /// Whether the iteration met its tolerance.
    pub converged: bool,
}

/// Finds it.
///
/// # Errors
/// [`SolveForError`]: a goal that makes no sense, or a car that cannot travel that far.
pub fn least_bump_steer(geometry: &AxleGeometry, goal: &BumpSteerGoal) -> Result<BumpSteerAnswer, SolveForError> {
    check_range(goal.travel)?;
    if goal.free.is_empty() {
        return Err(bad("nothing may be moved"));
    }
    for f in &goal.free {
        let [low, high] = f.limits;
        if !(f.direction.iter().all(|v| v.is_finite()) && Vec3::from(f.direction).norm() > 1e-9) {
            return Err(bad("a direction in which a rod's end may move has no length"));
        }
        if !(low.is_finite() && high.is_finite() && low <= high) {
            return Err(bad("the limits of a rod's end must run from a lower to a higher one"));
        }
    }
    let before = judge(&toe_changes(&Axle::new(geometry)?, goal.travel, goal.held)?);
    let trial = |x: &[f64]| -> Option<Vec<f64>> {
        let (moved, _) = with_toe_kept(geometry, &moves_of(&goal.free, x)).ok()?;
        toe_changes(&Axle::new(&moved).ok()?, goal.travel, goal.held).ok()
    };
    let limits: Vec<[f64; 2]> = goal.free.iter().map(|f| f.limits).collect();
    let least = minimise(&vec![0.0; goal.free.len()], &limits, trial).ok_or_else(|| SolveForError::OutOfReach {
        what: "less bump steer".into(),
        closest: "moved ever so little the linkage cannot be put together".into(),
    })?;
    let finish = |x: &[f64]| -> Result<(AxleGeometry, Vec<Move>, BumpSteer), SolveForError> {
        let (moved, moves) = with_toe_kept(geometry, &moves_of(&goal.free, x)).map_err(SolveForError::from)?;
        let after = judge(&toe_changes(&Axle::new(&moved)?, goal.travel, goal.held)?);
        Ok((moved, moves, after))
    };
    let mut amounts = least.x.clone();
    let (mut result, mut moves, mut after) = finish(&amounts)?;
    let best = after;
    let mut stacks = Vec::new();
    if let Some(stock) = &goal.stock {
        let sums = sums(stock)?;
        // The nearest on either side and some more: the cost is smooth, but the next stack may have fewer pieces.
        let mut near: Vec<&Total> = sums.iter().filter(|s| (limits[0][0]..=limits[0][1]).contains(&s.0)).collect();
        near.sort_by(|a, b| (a.0 - least.x[0]).abs().total_cmp(&(b.0 - least.x[0]).abs()));
        for (thickness, pieces) in near.into_iter().take(8) {
            let mut x = least.x.clone();
            x[0] = *thickness;
            if let Ok((.., after)) = finish(&x) {
                stacks.push(Stack { thickness: *thickness, pieces: pieces.clone(), after });
            }
        }
        stacks.sort_by(|a, b| a.after.rms_deg.total_cmp(&b.after.rms_deg));
        let Some(first) = stacks.first() else {
            return Err(SolveForError::OutOfReach {
                what: "a stack of these spacers".into(),
                closest: "none lies within the limits".into(),
            });
        };
        amounts[0] = first.thickness;
        (result, moves, after) = finish(&amounts)?;
    }
    let at_limit = (0..amounts.len()).filter(|&i| least.x[i] <= limits[i][0] || least.x[i] >= limits[i][1]).collect();
    Ok(BumpSteerAnswer {
        moves,
        amounts,
        geometry: result,
        before,
        after,
        best,
        stacks,
        at_limit,
        iterations: least.iterations,
        converged: least.converged,
    })
}

impl From<MoveError> for SolveForError {
    fn from(error: MoveError) -> Self {
        match error {
            MoveError::Bad(what) => SolveForError::BadGoal { what },
            MoveError::Geometry(error) => SolveForError::Geometry(error),
        }
    }
}

fn moves_of(free: &[Freedom], x: &[f64]) -> Vec<Move> {
    let mut moves = Vec::new();
    for end in [RodEnd::Outer, RodEnd::Inner] {
        let by: Vec3 =
            free.iter().zip(x).filter(|(f, _)| f.end == end).map(|(f, x)| Vec3::from(f.direction) * *x).sum();
        if free.iter().any(|f| f.end == end) {
            let by = by.into();
            moves.push(match end {
                RodEnd::Outer => Change::MoveTieRodOuter { by }.into(),
                RodEnd::Inner => Change::MoveTieRodInner { by }.into(),
            });
        }
    }
    moves
}

/// A thickness, mm, and the pieces that make it.
type Total = (f64, Vec<(f64, u32)>);

/// Every total that can be stacked, above and below, with the fewest pieces that make it; from low to high.
fn sums(stock: &Stock) -> Result<Vec<Total>, SolveForError> {
    /// Totals are told apart to a hundredth of a millimetre.
    const APART: f64 = 100.0;
    let mut all = std::collections::BTreeMap::from([(0_i64, (0.0, Vec::new()))]);
    for &(thickness, count) in &stock.pieces {
        if !(thickness.is_finite() && thickness > 0.0) {
            return Err(bad(format!("a spacer {thickness} mm thick cannot be")));
        }
        let base = all.clone();
        for (total, pieces) in base.values() {
            // More than a dozen of one kind is no stack.
            for n in 1..=count.min(12) {
                let sum: f64 = total + thickness * f64::from(n);
                let mut with: Vec<(f64, u32)> = pieces.clone();
                with.push((thickness, n));
                let number = |p: &[(f64, u32)]| p.iter().map(|x| x.1).sum::<u32>();
                let key = (sum * APART).round() as i64;
                let keep = all.get(&key).is_none_or(|(_, known)| number(&with) < number(known));
                if keep {
                    all.insert(key, (sum, with));
                }
            }
            if all.len() > 100_000 {
                return Err(bad("there are too many kinds of spacers"));
            }
        }
    }
    let below = all.values().rev().filter(|s| s.0 > 0.0).map(|(sum, pieces)| (-sum, pieces.clone()));
    Ok(below.chain(all.values().cloned()).collect())
}
