//! One corner: from wheel travel and rack travel to its position.
//!
//! `Linkage` gives every position from the lower arm's angle θ and the rack. What is asked for is a height,
//! so θ is found by Newton's method on one equation, height(θ, rack) = wanted, with its analytic derivative. A solution is
//! followed from the rest position (or from the last one), and a step that would need more than a small change of θ
//! is halved: so the mechanism cannot jump to another part of its curve. Where no step is small
//! enough the mechanism ends, and the end is located.

use crate::error::{Along, End, GeometryError, SolveError};
use crate::geometry::{CornerGeometry, mirror_point, mirror_vec};
use crate::linkage::{Given, Linkage, Parts, Pose, Screw};
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_hardpoints::Side;

/// A height counts as met within this, mm.
pub(crate) const HEIGHT: f64 = 1e-10;
/// The largest change of θ in one Newton step, rad.
const LARGEST_STEP: f64 = 0.2;
/// How far a solution may lie from where it was expected, rad.
const EXPECTED: f64 = 0.1;
/// The smallest part of a way that is tried before the mechanism counts as ended.
const SMALLEST_PART: f64 = 1e-7;
/// The smallest rise of the wheel per radian of the lower arm: below it the linkage turns back, mm.
const LEAST_RISE: f64 = 1e-3;

/// Which height wheel travel is counted in, and held while the rack moves.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Held {
    /// That of the wheel's centre.
    #[default]
    WheelCentre,
    /// That of the contact point: the tyre stays on the ground as it steers.
    Contact,
}

/// A solved corner as of the left side, with its two motions.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Solved {
    pub(crate) pose: Pose,
    /// Contact point: the wheel's lowest point.
    pub(crate) contact: Point3,
    /// Per radian of the lower arm, rack held.
    pub(crate) rise: Screw,
    /// Per millimetre of rack, lower arm held.
    pub(crate) steer: Screw,
}

/// A corner that can be solved.
#[derive(Clone, Debug)]
pub struct Corner {
    pub(crate) side: Side,
    pub(crate) linkage: Linkage,
    pub(crate) rest: Solved,
    /// Toe-in at rest, rad.
    pub(crate) rest_toe: f64,
}

/// Where the points of a corner are, in vehicle axes, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Positions {
    /// Lower ball joint.
    pub lower_ball: Point3,
    /// Strut top or upper ball joint.
    pub axis_top: Point3,
    /// Inner tie-rod joint.
    pub tie_rod_inner: Point3,
    /// Outer tie-rod joint.
    pub tie_rod_outer: Point3,
    /// Wheel centre.
    pub wheel_centre: Point3,
    /// Lowest point of the tyre's middle.
    pub contact: Point3,
    /// Along the spin axis, outboard.
    pub spin: UnitVec3,
}

impl Corner {
    /// Takes a corner at rest.
    ///
    /// # Errors
    /// [`GeometryError`] where the points make no mechanism, or one that is at its end at rest.
    pub fn new(geometry: &CornerGeometry, rack_direction: UnitVec3) -> Result<Corner, GeometryError> {
        Corner::of_parts(&Parts::new(geometry, rack_direction)?, geometry.side)
    }

    pub(crate) fn of_parts(parts: &Parts, side: Side) -> Result<Corner, GeometryError> {
        let linkage = Linkage::new(parts)?;
        let at_end = |end| GeometryError::AtEnd { side, end };
        let rest = linkage.solved(0.0, 0.0).map_err(at_end)?;
        for held in [Held::WheelCentre, Held::Contact] {
            // False for NaN too.
            let rate = rest.height_rate(held);
            if !(rate > LEAST_RISE && rate.is_finite()) {
                return Err(at_end(End::LowerArm));
            }
        }
        let rest_toe = rest.pose.spin.x.atan2(rest.pose.spin.y);
        Ok(Corner { side, linkage, rest, rest_toe })
    }

    /// Left or right.
    pub fn side(&self) -> Side {
        self.side
    }

    /// The rest position.
    pub fn at_rest(&self) -> Positions {
        self.positions(&self.rest)
    }

    /// The position at a wheel travel from rest (mm, up) and a rack travel (mm, to the left).
    ///
    /// # Errors
    /// [`SolveError`] where the mechanism ends before that.
    pub fn solve(&self, travel: f64, held: Held, rack: f64) -> Result<Positions, SolveError> {
        Ok(self.positions(&self.solve_near(&self.rest, travel, held, rack)?))
    }

    pub(crate) fn positions(&self, solved: &Solved) -> Positions {
        let side = |p: Point3| if self.side == Side::Right { mirror_point(p) } else { p };
        let pose = &solved.pose;
        let spin = if self.side == Side::Right { mirror_vec(pose.spin) } else { pose.spin };
        Positions {
            lower_ball: side(pose.lower_ball),
            axis_top: side(pose.top),
            tie_rod_inner: side(pose.tie_rod_inner),
            tie_rod_outer: side(pose.tie_rod_outer),
            wheel_centre: side(pose.wheel_centre),
            contact: side(solved.contact),
            spin: UnitVec3::new_unchecked(spin),
        }
    }

    /// The largest error in any link's length at a solved state, mm: what is left of the closure.
    ///
    /// # Errors
    /// As [`Corner::solve`].
    pub fn residual(&self, travel: f64, held: Held, rack: f64) -> Result<f64, SolveError> {
        let solved = self.solve_near(&self.rest, travel, held, rack)?;
        let wanted = self.rest.height(held) + travel;
        Ok(self.linkage.residual(&solved.pose).max((solved.height(held) - wanted).abs()))
    }

    /// Follows the mechanism from `near` to the state asked for.
    pub(crate) fn solve_near(&self, near: &Solved, travel: f64, held: Held, rack: f64) -> Result<Solved, SolveError> {
        if !(travel.is_finite() && rack.is_finite()) {
            return Err(SolveError::NotFinite { travel, rack });
        }
        let height = self.rest.height(held) + travel;
        if let Ok(solved) = self.linkage.follow(near, held, height, rack) {
            return Ok(solved);
        }
        // The straight way there may leave the mechanism's range: first the travel, then the rack.
        let side = self.side;
        let level = self.linkage.follow(&self.rest, held, height, 0.0).map_err(|(at, end)| {
            let at = at * travel;
            SolveError::NoPosition { side, end, travel, rack, along: Along::Travel, at }
        })?;
        self.linkage.follow(&level, held, height, rack).map_err(|(part, end)| {
            let limits = self.linkage.rack_ends(&level, held, height);
            let (at, end) = match limits[usize::from(rack > 0.0)] {
                Some((at, end)) if at.abs() <= rack.abs() => (at, end),
                _ => (part * rack, end),
            };
            SolveError::NoPosition { side, end, travel, rack, along: Along::Rack, at }
        })
    }

    /// How far the rack can go at a wheel travel before the mechanism ends (the tie rod reaches over centre), mm:
    /// lowest and highest; infinite where it turns on without end.
    ///
    /// # Errors
    /// [`SolveError`] where there is no position at that travel.
    pub fn rack_limits(&self, travel: f64, held: Held) -> Result<[f64; 2], SolveError> {
        let solved = self.solve_near(&self.rest, travel, held, 0.0)?;
        Ok(self.rack_limits_of(&solved, held))
    }

    /// The same from a position with the rack centred.
    pub(crate) fn rack_limits_of(&self, level: &Solved, held: Held) -> [f64; 2] {
        let ends = self.linkage.rack_ends(level, held, level.height(held));
        [ends[0].map_or(f64::NEG_INFINITY, |e| e.0), ends[1].map_or(f64::INFINITY, |e| e.0)]
    }
}

impl Solved {
    /// The height that travel is counted in, mm.
    #[inline]
    pub(crate) fn height(&self, held: Held) -> f64 {
        match held {
            Held::WheelCentre => self.pose.wheel_centre.z,
            Held::Contact => self.contact.z,
        }
    }

    /// Its rate per radian of the lower arm. The lowest point of a rigid wheel rises as fast as the wheel's material
    /// there.
    #[inline]
    pub(crate) fn height_rate(&self, held: Held) -> f64 {
        self.rate_of(&self.rise, held)
    }

    #[inline]
    fn rate_of(&self, screw: &Screw, held: Held) -> f64 {
        match held {
            Held::WheelCentre => screw.at(&self.pose.wheel_centre).z,
            Held::Contact => screw.at(&self.contact).z,
        }
    }

    /// The knuckle's motion per millimetre of the rack with the height held.
    #[inline]
    pub(crate) fn steer_held(&self, held: Held) -> Screw {
        self.steer.plus(&self.rise, -self.rate_of(&self.steer, held) / self.height_rate(held))
    }

    /// θ where a small step of height and rack is expected to lead.
    #[inline]
    fn expected(&self, held: Held, height: f64, rack: f64) -> f64 {
        let rack_effect = self.rate_of(&self.steer, held) * (rack - self.pose.rack);
        self.pose.theta + (height - self.height(held) - rack_effect) / self.height_rate(held)
    }
}

impl Linkage {
    /// Positions and motions at θ and rack.
    #[inline]
    pub(crate) fn solved(&self, theta: f64, rack: f64) -> Result<Solved, End> {
        let pose = self.pose(theta, Given::Rack(rack))?;
        Ok(Solved {
            contact: contact(&pose, self.parts.points.wheel.radius),
            rise: self.rise(&pose),
            steer: self.steer(&pose),
            pose,
        })
    }

    /// Newton's method from `start`.
    #[inline]
    pub(crate) fn settle(&self, start: f64, held: Held, height: f64, rack: f64) -> Result<Solved, End> {
        let mut theta = start;
        for _ in 0..30 {
            let solved = self.solved(theta, rack)?;
            let rate = solved.height_rate(held);
            // Where rod and arm stand in line, the rate has no bound.
            if !rate.is_finite() {
                return Err(End::OverCentre);
            }
            if rate <= LEAST_RISE {
                return Err(End::LowerArm);
            }
            let off = height - solved.height(held);
            if off.abs() <= HEIGHT {
                return Ok(solved);
            }
            theta += (off / rate).clamp(-LARGEST_STEP, LARGEST_STEP);
        }
        Err(End::LowerArm)
    }

    /// From a solved state to another, in as many steps as it takes. The error says how much of the way was gone and
    /// what ended it.
    pub(crate) fn follow(&self, from: &Solved, held: Held, height: f64, rack: f64) -> Result<Solved, (f64, End)> {
        let (height_0, rack_0) = (from.height(held), from.pose.rack);
        let mut now = *from;
        let (mut done, mut part) = (0.0, 1.0_f64);
        loop {
            let next = (done + part).min(1.0);
            // Exactly what was asked for at the end of the way.
            let (h, r) = if next >= 1.0 {
                (height, rack)
            } else {
                (height_0 + (height - height_0) * next, rack_0 + (rack - rack_0) * next)
            };
            let expected = now.expected(held, h, r);
            let step = if (expected - now.pose.theta).abs() <= LARGEST_STEP {
                self.settle(expected, held, h, r)
            } else {
                Err(End::LowerArm)
            };
            match step {
                Ok(solved) if (solved.pose.theta - expected).abs() <= EXPECTED => {
                    if next >= 1.0 {
                        return Ok(solved);
                    }
                    (now, done, part) = (solved, next, part * 2.0);
                }
                other => {
                    part *= 0.5;
                    if part < SMALLEST_PART {
                        return Err((done, other.err().unwrap_or(End::LowerArm)));
                    }
                }
            }
        }
    }

    /// The position at a turn of the knuckle about its steering axis, the height held: secant steps on θ.
    pub(crate) fn turned(&self, start: f64, turn: f64, held: Held, height: f64) -> Result<Pose, End> {
        let radius = self.parts.points.wheel.radius;
        let off = |theta: f64| {
            let pose = self.pose(theta, Given::Turn(turn))?;
            let z = match held {
                Held::WheelCentre => pose.wheel_centre.z,
                Held::Contact => contact(&pose, radius).z,
            };
            Ok((pose, z - height))
        };
        let (mut a, mut b) = (start, start + 1e-4);
        let (_, mut off_a) = off(a)?;
        for _ in 0..40 {
            let (pose, off_b) = off(b)?;
            if off_b.abs() <= HEIGHT {
                return Ok(pose);
            }
            let step = -off_b * (b - a) / (off_b - off_a);
            if !step.is_finite() {
                return Err(End::LowerArm);
            }
            (a, off_a) = (b, off_b);
            b += step.clamp(-LARGEST_STEP, LARGEST_STEP);
        }
        Err(End::LowerArm)
    }

    /// The ends of the rack's travel (lowest, highest) at a height, from a position at that height; `None` where the
    /// wheel turns right round without one.
    ///
    /// The knuckle's turn about the steering axis is followed, not the rack: the rack turns back there, the knuckle
    /// goes on, so an end can be located to the last digit. It is where rod and arm come in line, or where
    /// the rack turns back because the wheel rises and falls as it steers, whichever is first.
    pub(crate) fn rack_ends(&self, level: &Solved, held: Held, height: f64) -> [Option<(f64, End)>; 2] {
        let mut ends = [None, None];
        let turn_0 = self.turn_of(&level.pose);
        for sense in [-1.0, 1.0] {
            if let Some((rack, end, to_left)) = self.rack_end(level, turn_0, sense, held, height) {
                ends[usize::from(to_left)] = Some((rack, end));
            }
        }
        ends
    }

    fn rack_end(&self, level: &Solved, turn_0: f64, sense: f64, held: Held, height: f64) -> Option<(f64, End, bool)> {
        const STEP: f64 = 0.2;
        let radius = self.parts.points.wheel.radius;
        // What is left of the steering, 1 at the start and 0 at an end; with the position.
        let left_of = |pose: &Pose| {
            let at = match held {
                Held::WheelCentre => pose.wheel_centre,
                Held::Contact => contact(pose, radius),
            };
            self.steering_left(pose, &at)
        };
        let whole = left_of(&level.pose);
        let at = |start: f64, turned: f64| {
            let pose = self.turned(start, turn_0 + sense * turned, held, height)?;
            let [lever, determinant] = left_of(&pose);
            Ok((pose, (lever / whole[0]).min(determinant / whole[1])))
        };
        let to_left = |pose: &Pose| pose.rack > level.pose.rack;
        let (mut low, mut now, mut left_now) = (0.0, level.pose, 1.0);
        while low < std::f64::consts::PI {
            let mut high = low + STEP;
            let (next, left) = match at(now.theta, high) {
                Ok(next) => next,
                // Some other member ends the steering: found to a small part of the step.
                Err(end) => {
                    for _ in 0..40 {
                        let middle = 0.5 * (low + high);
                        match at(now.theta, middle) {
                            Ok((pose, _)) => (low, now) = (middle, pose),
                            Err(_) => high = middle,
                        }
                    }
                    return Some((now.rack, end, to_left(&now)));
                }
            };
            if left > 0.0 {
                (low, now, left_now) = (high, next, left);
                continue;
            }
            // The zero between, by false position (the Illinois rule: an end that stays counts half).
            let (mut f_low, mut f_high) = (left_now, left);
            let mut last_good = now;
            for _ in 0..80 {
                let middle = (low * f_high - high * f_low) / (f_high - f_low);
                let Ok((pose, f)) = at(last_good.theta, middle) else { break };
                if f > 0.0 {
                    (low, f_low, last_good) = (middle, f, pose);
                    f_high *= 0.5;
                } else {
                    (high, f_high) = (middle, f);
                    f_low *= 0.5;
                }
                if f.abs() < 1e-12 || high - low < 1e-13 {
                    last_good = pose;
                    break;
                }
            }
            return Some((last_good.rack, End::OverCentre, to_left(&last_good)));
        }
        None
    }
}

/// The wheel's lowest point: a radius from the centre, down the wheel's plane.
#[inline]
pub(crate) fn contact(pose: &Pose, radius: f64) -> Point3 {
    let n = &pose.spin;
    let down = Vec3::new(n.x * n.z, n.y * n.z, n.z * n.z - 1.0);
    pose.wheel_centre + down * (radius / (n.x * n.x + n.y * n.y).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::geometry::{Upper, Wheel};

    /// Steer about an inclined axis in closed form, T = tan, N = √(1 + T²τ + T²σ): inclination =
    /// asin[Tτ·sin θ/N + Tσ(1 − cos θ)/N²], here with caster τ = 6°, kingpin inclination σ = 12°, θ = ±60°; figures of the
    /// reference list.
    #[test]
    fn a_wheel_turns_about_its_inclined_axis() {
        let (tau, sigma) = (6.0_f64.to_radians().tan(), 12.0_f64.to_radians().tan());
        let ball = Point3::new(0.0, 700.0, 200.0);
        let geometry = CornerGeometry {
            side: Side::Left,
            lower_front: Point3::new(100.0, 400.0, 200.0),
            lower_rear: Point3::new(-100.0, 400.0, 200.0),
            lower_ball: ball,
            upper: Upper::Arm {
                front: Point3::new(80.0, 420.0, 440.0),
                rear: Point3::new(-120.0, 420.0, 440.0),
                ball: ball + Vec3::new(-tau, -sigma, 1.0) * 230.0,
            },
            tie_rod_inner: Point3::new(-120.0, 350.0, 260.0),
            tie_rod_outer: Point3::new(-120.0, 680.0, 260.0),
            wheel: Wheel { centre: Point3::new(0.0, 750.0, 300.0), spin: Vec3::y_axis(), radius: 300.0 },
            damper: None,
            outer_joint: None,
            inner_joint: None,
        };
        let corner = Corner::new(&geometry, Vec3::y_axis()).unwrap();
        let rest = corner.linkage.turn_of(&corner.rest.pose);
        for (turn, inclination, steer) in [(60.0_f64, 10.905384, 57.928542), (-60.0, 0.690638, -58.572083)] {
            // The lower arm stays at rest, so the steering axis does too.
            let pose = corner.linkage.pose(0.0, Given::Turn(rest + turn.to_radians())).unwrap();
            let n = pose.spin;
            let (sin, cos) = turn.to_radians().sin_cos();
            let squared = 1.0 + tau * tau + sigma * sigma;
            let exact = (tau * sin / squared.sqrt() + sigma * (1.0 - cos) / squared).asin();
            assert!(((-n.z.asin()) - exact).abs() < 1e-12, "{}", -n.z.asin());
            assert!(((-n.z.asin()).to_degrees() - inclination).abs() < 1e-6);
            assert!(((-n.x).atan2(n.y).to_degrees() - steer).abs() < 1e-6);
        }
    }
}
