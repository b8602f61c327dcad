//! A steered axle: two corners, one rack, and what they do together.

use crate::corner::{Corner, Held, Positions, Solved};
use crate::error::{GeometryError, SolveError};
use crate::geometry::{AxleGeometry, CornerGeometry};
use crate::measures::CornerMeasures;
use nalgebra::Rotation3;
use stringline_core::Vec3;
use stringline_hardpoints::Side;

/// Below this steer angle of the inner wheel Ackermann is blank: static toe swamps it, rad (5°).
pub const ACKERMANN_FROM: f64 = 5.0 * std::f64::consts::PI / 180.0;

/// How the wheels of a turn agree.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ackermann {
    /// Steer of the inner wheel, rad, positive.
    pub inner: f64,
    /// Steer of the outer wheel, rad.
    pub outer: f64,
    /// The outer angle at which both wheels turn about one point of the rear axle's line:
    /// cot δo = cot δi + t/L, t between the steering axes on the ground at rest, L the wheelbase.
    pub ideal_outer: f64,
    /// Ackermann % (angle difference, inner wheel reference): 100·(δi − δo)/(δi − δo,ideal).
    pub percent: f64,
    /// Error: δo − δo,ideal, rad; positive when the outer wheel turns too much.
    pub error: f64,
}

/// What both corners do together at one state.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxleMeasures {
    /// Rack travel, mm, to the left.
    pub rack: f64,
    /// Left corner.
    pub left: CornerMeasures,
    /// Right corner.
    pub right: CornerMeasures,
    /// Distance of the contact points across the car, mm.
    pub track: f64,
    /// Its change from rest, mm.
    pub track_change: f64,
    /// Change of the distance from front to rear axle, left and right: how far the contact points moved forward, mm.
    pub wheelbase_change: [f64; 2],
    /// Roll centre, both corners together, from the contact points' velocities: (y, height above the ground between the
    /// contact points), mm. `None` where the two lines are parallel.
    pub roll_centre_by_velocity: Option<[f64; 2]>,
    /// The same by the two-plane construction.
    pub roll_centre_by_planes: Option<[f64; 2]>,
    /// Blank below [`ACKERMANN_FROM`], without a wheelbase, or when the wheels steer opposite ways.
    pub ackermann: Option<Ackermann>,
    /// Turning circle between kerbs, mm: diameter of the outer front contact point's path about the turn centre on the rear
    /// axle's line that the mean of the two cotangents gives.
    pub turning_circle: Option<f64>,
    /// Steering-wheel angle per mean steer angle, where the rack's travel per turn is known.
    pub steering_ratio: Option<f64>,
    /// Anti-dive at the front when braking with brakes on the wheels, %, left and right:
    /// 100·share·(L/h)·(forward per rise of C's material).
    pub anti_dive: Option<[f64; 2]>,
    /// Anti-lift at the front when driving by the front wheels alone through shafts, %, left and right:
    /// 100·(L/h)·(forward per rise of the wheel centre).
    pub anti_lift: Option<[f64; 2]>,
}

/// A state of the axle: wheel travel of each side from rest, mm up; rack travel, mm to the left.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct State {
    /// Left, right.
    pub travel: [f64; 2],
    /// mm.
    pub rack: f64,
}

impl State {
    /// Both wheels alike.
    pub fn level(travel: f64, rack: f64) -> State {
        State { travel: [travel; 2], rack }
    }
}

/// An axle that can be solved.
#[derive(Clone, Debug)]
pub struct Axle {
    geometry: AxleGeometry,
    left: Corner,
    right: Corner,
    rest: Rest,
}

#[derive(Clone, Copy, Debug)]
struct Rest {
    track: f64,
    contact_x: [f64; 2],
    axis_track: f64,
    contact_z: [f64; 2],
}

/// Travel × rack states of an axle, both wheels alike.
#[derive(Clone, Debug)]
pub struct Grid {
    /// mm.
    pub travels: Vec<f64>,
    /// mm.
    pub racks: Vec<f64>,
    /// Row by row: all racks of the first travel, then of the next.
    pub states: Vec<Result<AxleMeasures, SolveError>>,
    /// Of each travel, how far the rack can go until a tie rod reaches over centre, lowest and highest, whatever the stops;
    /// `None` where there is no position at that travel.
    pub over_centre: Vec<Option<[f64; 2]>>,
}

impl Grid {
    /// The state at the indices of its travel and rack.
    pub fn at(&self, travel: usize, rack: usize) -> Option<&Result<AxleMeasures, SolveError>> {
        (rack < self.racks.len()).then(|| self.states.get(travel * self.racks.len() + rack)).flatten()
    }
}

impl Axle {
    /// Takes an axle at rest.
    ///
    /// # Errors
    /// [`GeometryError`] where the points make no mechanism.
    pub fn new(geometry: &AxleGeometry) -> Result<Axle, GeometryError> {
        check(geometry)?;
        let direction = geometry.rack.direction;
        let left = Corner::new(&geometry.left, direction)?;
        let right = Corner::new(&geometry.right, direction)?;
        if left.side() != Side::Left || right.side() != Side::Right {
            return Err(GeometryError::NoSide);
        }
        let (l, r) = (left.measures_at_rest(), right.measures_at_rest());
        let rest = Rest {
            track: l.contact.y - r.contact.y,
            contact_x: [l.contact.x, r.contact.x],
            axis_track: l.axis_on_ground.y - r.axis_on_ground.y,
            contact_z: [l.contact.z, r.contact.z],
        };
        Ok(Axle { geometry: *geometry, left, right, rest })
    }

    /// The coordinates it was made from.
    pub fn geometry(&self) -> &AxleGeometry {
        &self.geometry
    }

    /// A corner of it; [`Side::Centre`] has the left one.
    pub fn corner(&self, side: Side) -> &Corner {
        if side == Side::Right { &self.right } else { &self.left }
    }

    /// Distance between the steering axes on the ground at rest, mm.
    pub fn steering_axis_track(&self) -> f64 {
        self.rest.axis_track
    }

    /// All measures at a state.
    ///
    /// # Errors
    /// [`SolveError`] beyond a rack stop or where a corner's mechanism ends.
    pub fn solve(&self, state: State, held: Held) -> Result<AxleMeasures, SolveError> {
        self.check_stops(state.rack)?;
        self.solve_unstopped(state, held)
    }

    /// The same whatever the stops.
    pub(crate) fn solve_unstopped(&self, state: State, held: Held) -> Result<AxleMeasures, SolveError> {
        let left = self.left.solve_near(&self.left.rest, state.travel[0], held, state.rack)?;
        let right = self.right.solve_near(&self.right.rest, state.travel[1], held, state.rack)?;
        Ok(self.measures(&left, &right))
    }

    /// Where the points of both corners are at a state: for drawing.
    ///
    /// # Errors
    /// As [`Axle::solve`].
    pub fn positions(&self, state: State, held: Held) -> Result<[Positions; 2], SolveError> {
        self.check_stops(state.rack)?;
        Ok([self.left.solve(state.travel[0], held, state.rack)?, self.right.solve(state.travel[1], held, state.rack)?])
    }

    /// Measures at each state, in their order; neighbours are solved from one another, so order them as a sweep.
    pub fn sweep(&self, states: &[State], held: Held) -> Vec<Result<AxleMeasures, SolveError>> {
        let mut near = [self.left.rest, self.right.rest];
        states
            .iter()
            .map(|state| {
                self.check_stops(state.rack)?;
                let left = self.left.solve_near(&near[0], state.travel[0], held, state.rack)?;
                let right = self.right.solve_near(&near[1], state.travel[1], held, state.rack)?;
                near = [left, right];
                Ok(self.measures(&left, &right))
            })
            .collect()
    }

    /// All combinations of wheel travel and rack travel, both wheels alike. Each row is followed outwards from the
    /// rack position nearest the middle, so that an end of the mechanism on one side leaves the other side whole.
    pub fn grid(&self, travels: &[f64], racks: &[f64], held: Held) -> Grid {
        let mut order: Vec<usize> = (0..racks.len()).collect();
        order.sort_by(|a, b| racks[*a].total_cmp(&racks[*b]));
        let split = order.partition_point(|&i| racks[i] < 0.0);
        let blank = Err(SolveError::NotFinite { travel: f64::NAN, rack: f64::NAN });
        let mut states = vec![blank; travels.len() * racks.len()];
        let mut level = [self.left.rest, self.right.rest];
        let mut over_centre = Vec::with_capacity(travels.len());
        for (row, &travel) in travels.iter().enumerate() {
            let start = self.pair(&level, State::level(travel, 0.0), held);
            over_centre.push(start.as_ref().ok().map(|pair| {
                let l = self.left.rack_limits_of(&pair[0], held);
                let r = self.right.rack_limits_of(&pair[1], held);
                [l[0].max(r[0]), l[1].min(r[1])]
            }));
            level = start.unwrap_or(level);
            let near = level;
            for half in [Vec::from_iter(order[..split].iter().rev()), Vec::from_iter(&order[split..])] {
                let mut near = near;
                let mut ended: Option<SolveError> = None;
                for &&i in &half {
                    let state = State::level(travel, racks[i]);
                    let cell = &mut states[row * racks.len() + i];
                    // Beyond an end there is nothing: say where the end is without looking for it again.
                    if let Some(error) = ended {
                        *cell = Err(beyond(error, state));
                        continue;
                    }
                    *cell = self.check_stops(state.rack).and_then(|()| {
                        near = self.pair(&near, state, held)?;
                        Ok(self.measures(&near[0], &near[1]))
                    });
                    if let Err(error @ SolveError::NoPosition { .. }) = cell {
                        ended = Some(*error);
                    }
                }
            }
        }
        Grid { travels: travels.to_vec(), racks: racks.to_vec(), states, over_centre }
    }

    /// The car rolled by `angle` (rad, positive about x: the left side rises) with the body's middle at its height, the
    /// wheels staying on the ground. Angles of the wheels are those to the ground.
    ///
    /// The whole car is turned about the line of the ground under the plane of symmetry; each
    /// wheel is then brought back to the ground.
    ///
    /// # Errors
    /// [`SolveError`] where a corner's mechanism ends before that.
    pub fn roll(&self, angle: f64, rack: f64) -> Result<AxleMeasures, RollError> {
        self.check_stops(rack)?;
        if !(angle.is_finite() && angle.abs() < 1.0) {
            return Err(SolveError::NotFinite { travel: f64::NAN, rack }.into());
        }
        let rolled = Axle::new(&rolled(&self.geometry, angle))?;
        let pair = [(&rolled.left, 0), (&rolled.right, 1)].map(|(corner, i)| {
            let travel = self.rest.contact_z[i] - corner.rest.height(Held::Contact);
            corner.solve_near(&corner.rest, travel, Held::Contact, rack)
        });
        let [left, right] = pair;
        Ok(self.measures(&left?, &right?))
    }

    /// How much rack is left to over-centre (or the stop, where that comes first) at a wheel travel: to the right (as a
    /// negative travel) and to the left, mm from centre.
    ///
    /// # Errors
    /// [`SolveError`] where there is no position at that travel.
    pub fn rack_limits(&self, travel: f64, held: Held) -> Result<[f64; 2], SolveError> {
        let (l, r) = (self.left.rack_limits(travel, held)?, self.right.rack_limits(travel, held)?);
        let stroke = self.geometry.rack.stroke.unwrap_or([f64::NEG_INFINITY, f64::INFINITY]);
        Ok([l[0].max(r[0]).max(stroke[0]), l[1].min(r[1]).min(stroke[1])])
    }

    /// Where tie rod and steering arm come in line on either side, whatever the stops: lowest and highest rack, mm.
    ///
    /// # Errors
    /// As [`Axle::rack_limits`].
    pub fn over_centre(&self, travel: f64, held: Held) -> Result<[f64; 2], SolveError> {
        let (l, r) = (self.left.rack_limits(travel, held)?, self.right.rack_limits(travel, held)?);
        Ok([l[0].max(r[0]), l[1].min(r[1])])
    }

    fn pair(&self, near: &[Solved; 2], state: State, held: Held) -> Result<[Solved; 2], SolveError> {
        Ok([
            self.left.solve_near(&near[0], state.travel[0], held, state.rack)?,
            self.right.solve_near(&near[1], state.travel[1], held, state.rack)?,
        ])
    }

    pub(crate) fn check_stops(&self, rack: f64) -> Result<(), SolveError> {
        match self.geometry.rack.stroke {
            Some([low, _]) if rack < low => Err(SolveError::RackStop { rack, stop: low }),
            Some([_, high]) if rack > high => Err(SolveError::RackStop { rack, stop: high }),
            _ => Ok(()),
        }
    }

    fn measures(&self, left: &Solved, right: &Solved) -> AxleMeasures {
        let (l, r) = (self.left.measures(left), self.right.measures(right));
        let car = &self.geometry.car;
        let track = l.contact.y - r.contact.y;
        let mean_rate = 0.5 * (l.steer_per_rack + r.steer_per_rack);
        let turn = car.wheelbase.and_then(|wheelbase| Turn::of(l.steer, r.steer, wheelbase));
        let anti = |forward: [f64; 2], share: f64| {
            let (wheelbase, height) = (car.wheelbase?, car.mass_height?);
            Some(forward.map(|f| 100.0 * share * wheelbase / height * f))
        };
        AxleMeasures {
            rack: left.pose.rack,
            track,
            track_change: track - self.rest.track,
            wheelbase_change: [l.contact.x - self.rest.contact_x[0], r.contact.x - self.rest.contact_x[1]],
            roll_centre_by_velocity: meet(&l, &r, l.roll_centre_by_velocity, r.roll_centre_by_velocity),
            roll_centre_by_planes: l
                .roll_centre_by_planes
                .zip(r.roll_centre_by_planes)
                .and_then(|(a, b)| meet(&l, &r, a, b)),
            ackermann: turn.as_ref().and_then(|turn| turn.ackermann(self.rest.axis_track)),
            turning_circle: turn.as_ref().map(|turn| 2.0 * turn.outer_radius(track)),
            steering_ratio: self
                .geometry
                .rack
                .per_turn
                .map(|per_turn| std::f64::consts::TAU / per_turn / mean_rate.abs())
                .filter(|ratio| ratio.is_finite()),
            anti_dive: car
                .front_brake_share
                .and_then(|share| anti([l.forward_per_travel, r.forward_per_travel], share)),
            anti_lift: anti([l.centre_forward_per_travel, r.centre_forward_per_travel], 1.0),
            left: l,
            right: r,
        }
    }
}

/// Why a rolled state could not be had.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum RollError {
    /// The mechanism ends.
    #[error(transparent)]
    Solve(#[from] SolveError),
    /// Rolled that far, the geometry is none.
    #[error(transparent)]
    Geometry(#[from] GeometryError),
}

impl stringline_core::Explain for RollError {
    fn next_step(&self) -> std::borrow::Cow<'static, str> {
        match self {
            RollError::Solve(e) => e.next_step(),
            RollError::Geometry(_) => "Ask for less roll.".into(),
        }
    }
}

/// The lines from each contact point to where its roll-centre height stands over the plane of symmetry, met.
fn meet(l: &CornerMeasures, r: &CornerMeasures, left: f64, right: f64) -> Option<[f64; 2]> {
    // Left: z = left·(1 − y/y_l); right likewise with its own (negative) y.
    let (slope_l, slope_r) = (-left / l.contact.y, -right / r.contact.y);
    let (at_l, at_r) = (left + l.contact.z, right + r.contact.z);
    let ground = |y: f64| {
        let part = (y - r.contact.y) / (l.contact.y - r.contact.y);
        r.contact.z + part * (l.contact.z - r.contact.z)
    };
    let y = if (slope_l - slope_r).abs() > 1e-15 {
        (at_r - at_l) / (slope_l - slope_r)
    } else if (at_l - at_r).abs() < 1e-9 {
        0.0
    } else {
        return None;
    };
    let z = at_l + slope_l * y - ground(y);
    (y.is_finite() && z.is_finite()).then_some([y, z])
}

/// A turn of the car, by the steer angles of its front wheels.
struct Turn {
    inner: f64,
    outer: f64,
    wheelbase: f64,
}

impl Turn {
    fn of(left: f64, right: f64, wheelbase: f64) -> Option<Turn> {
        // To the left the left wheel is the inner one.
        let (inner, outer) = if left + right > 0.0 { (left, right) } else { (-right, -left) };
        (inner >= ACKERMANN_FROM && outer > 0.0).then_some(Turn { inner, outer, wheelbase })
    }

    fn ackermann(&self, axis_track: f64) -> Option<Ackermann> {
        let cot = self.inner.tan().recip() + axis_track / self.wheelbase;
        let ideal_outer = 1.0_f64.atan2(cot);
        let (inner, outer) = (self.inner, self.outer);
        let percent = 100.0 * (inner - outer) / (inner - ideal_outer);
        percent.is_finite().then_some(Ackermann { inner, outer, ideal_outer, percent, error: outer - ideal_outer })
    }

    fn outer_radius(&self, track: f64) -> f64 {
        let cot = 0.5 * (self.inner.tan().recip() + self.outer.tan().recip());
        (self.wheelbase * cot + 0.5 * track).hypot(self.wheelbase)
    }
}

fn check(geometry: &AxleGeometry) -> Result<(), GeometryError> {
    let rack = &geometry.rack;
    if !((rack.direction.norm() - 1.0).abs() < 1e-6 && rack.direction.y > 0.0) {
        return Err(GeometryError::Rack { what: "direction does not point to the left" });
    }
    if rack.stroke.is_some_and(|[low, high]| !(low.is_finite() && high.is_finite() && low <= 0.0 && high >= 0.0)) {
        return Err(GeometryError::Rack { what: "stops do not lie on either side of its rest" });
    }
    if rack.per_turn.is_some_and(|v| !(v.is_finite() && v > 0.0)) {
        return Err(GeometryError::Rack { what: "travel per turn is not over zero" });
    }
    let car = &geometry.car;
    for (what, value) in [("wheelbase", car.wheelbase), ("centre of mass's height", car.mass_height)] {
        if let Some(value) = value
            && !(value.is_finite() && value > 0.0)
        {
            return Err(GeometryError::Car { what, value });
        }
    }
    match car.front_brake_share {
        Some(value) if !(0.0..=1.0).contains(&value) => Err(GeometryError::Car { what: "front brakes' share", value }),
        _ => Ok(()),
    }
}

/// The same end for a state further on.
fn beyond(error: SolveError, state: State) -> SolveError {
    match error {
        SolveError::NoPosition { side, end, along, at, .. } => {
            SolveError::NoPosition { side, end, along, at, travel: state.travel[0], rack: state.rack }
        }
        other => other,
    }
}

/// The whole car turned about the x axis.
fn rolled(geometry: &AxleGeometry, angle: f64) -> AxleGeometry {
    let turn = Rotation3::from_axis_angle(&Vec3::x_axis(), angle);
    let corner = |c: &CornerGeometry| c.mapped(|p| turn * p, |d| turn * d);
    let mut rack = geometry.rack;
    rack.direction = turn * rack.direction;
    AxleGeometry { left: corner(&geometry.left), right: corner(&geometry.right), rack, car: geometry.car }
}
