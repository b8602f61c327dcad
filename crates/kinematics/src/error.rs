//! Why a geometry is no mechanism, and where a mechanism ends.

use std::borrow::Cow;
use stringline_core::Explain;
use stringline_hardpoints::{Role, Side};

/// Why coordinates make no corner.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum GeometryError {
    /// A corner is neither left nor right.
    #[error("a corner must be on the left or on the right")]
    NoSide,
    /// A coordinate is not a number, or lies a kilometre away.
    #[error("{side} corner: {point} has no usable coordinates")]
    NotFinite {
        /// The corner.
        side: Side,
        /// What.
        point: &'static str,
    },
    /// The wheel has no size.
    #[error("{side} corner: the wheel's radius is {radius} mm")]
    WheelRadius {
        /// The corner.
        side: Side,
        /// mm.
        radius: f64,
    },
    /// The spin axis stands upright.
    #[error("{side} corner: the wheel's spin axis stands upright")]
    WheelFlat {
        /// The corner.
        side: Side,
    },
    /// Two points that should be apart are at one place.
    #[error("{side} corner: {a} and {b} are at the same place")]
    Coincident {
        /// The corner.
        side: Side,
        /// A point.
        a: &'static str,
        /// The other.
        b: &'static str,
    },
    /// A point lies on a line that it should have a lever about.
    #[error("{side} corner: {point} lies on the line of {line}")]
    OnLine {
        /// The corner.
        side: Side,
        /// The point.
        point: &'static str,
        /// The line.
        line: &'static str,
    },
    /// The steering axis lies flat or points down.
    #[error("{side} corner: the steering axis does not point up from the lower ball joint")]
    AxisLies {
        /// The corner.
        side: Side,
    },
    /// The strut's sliding axis runs across the steering axis.
    #[error("{side} corner: the strut slides across the steering axis or away from its top mount")]
    StrutAcross {
        /// The corner.
        side: Side,
    },
    /// The lower arm's axis stands upright, so that it cannot rise and fall.
    #[error("{side} corner: the lower arm swings level, so the wheel cannot rise and fall")]
    ArmUpright {
        /// The corner.
        side: Side,
    },
    /// At rest the mechanism is at its end already.
    #[error("{side} corner: {end} at rest")]
    AtEnd {
        /// The corner.
        side: Side,
        /// Which end.
        end: End,
    },
    /// The rack's numbers make no rack.
    #[error("the rack's {what}")]
    Rack {
        /// What is wrong.
        what: &'static str,
    },
    /// The car's numbers make no car.
    #[error("the car's {what} is {value}")]
    Car {
        /// Which.
        what: &'static str,
        /// Its value.
        value: f64,
    },
    /// A hardpoint is missing from the set.
    #[error("the hardpoint set has no {} for the {side} corner", words(.roles))]
    Missing {
        /// The corner.
        side: Side,
        /// Any of these would do.
        roles: Vec<Role>,
    },
    /// Something else the corner needs is missing.
    #[error("the hardpoint set does not say {what}")]
    Unsaid {
        /// What.
        what: &'static str,
        /// What to do about it.
        next: &'static str,
    },
    /// The set is not in vehicle axes.
    #[error("the hardpoint set is in the scan's own axes, not placed in the car")]
    NotPlaced,
    /// The set itself is damaged.
    #[error("{0}")]
    Set(#[from] stringline_hardpoints::SetError),
}

fn words(roles: &[Role]) -> String {
    roles.iter().map(|r| r.words()).collect::<Vec<_>>().join(" or ")
}

impl Explain for GeometryError {
    fn next_step(&self) -> Cow<'static, str> {
        use GeometryError as E;
        match self {
            E::NoSide => "Give the corner's side as left or right.".into(),
            E::NotFinite { .. } => "Give its coordinates in millimetres, in vehicle axes.".into(),
            E::WheelRadius { .. } => "Give the tyre's loaded radius in millimetres, over zero.".into(),
            E::WheelFlat { .. } => "Check the hub axis: it must run across the car.".into(),
            E::Coincident { .. } | E::OnLine { .. } => "Check these points: one of them is in the wrong place.".into(),
            E::AxisLies { .. } => "Check lower ball joint and top: z points up in vehicle axes.".into(),
            E::StrutAcross { .. } => {
                "Check strut top and strut lower: lower must lie below the top on the sliding axis.".into()
            }
            E::ArmUpright { .. } => "Check the lower arm's inner pivots: one lies ahead of the other.".into(),
            E::AtEnd { .. } => "Check the points of the members named: at rest they must not stand in line.".into(),
            E::Rack { .. } => "Give a direction to the left, and stops on either side of zero.".into(),
            E::Car { .. } => "Give a length over zero in millimetres, a share between 0 and 1.".into(),
            E::Missing { .. } => "Construct it from a scan, or type it in.".into(),
            E::Unsaid { next, .. } => (*next).into(),
            E::NotPlaced => "Place the scans in the car first.".into(),
            E::Set(error) => error.next_step(),
        }
    }
}

/// Where a mechanism ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// Tie rod and steering arm stand in line: beyond it the rack cannot hold the wheel.
    OverCentre,
    /// The upper arm and the knuckle stand in line.
    UpperArm,
    /// The strut is pushed together to nothing.
    Strut,
    /// The lower arm points straight up or down.
    LowerArm,
}

impl std::fmt::Display for End {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            End::OverCentre => "the tie rod reaches over centre",
            End::UpperArm => "the upper arm and the knuckle come in line",
            End::Strut => "the strut reaches the end of its length",
            End::LowerArm => "the linkage turns back (the wheel goes no higher or lower)",
        })
    }
}

/// Which of the two motions an end was met along.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Along {
    /// Wheel travel.
    Travel,
    /// Rack travel.
    Rack,
}

/// Why there is no position.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SolveError {
    /// The mechanism ends before the state asked for.
    #[error("{side} corner: no position at {}: {end} at {}", place(*.travel, *.rack, *.along), mm(*.at))]
    NoPosition {
        /// The corner.
        side: Side,
        /// What ends it.
        end: End,
        /// Wheel travel asked for, mm.
        travel: f64,
        /// Rack travel asked for, mm.
        rack: f64,
        /// Along which motion the end was found.
        along: Along,
        /// Where the end lies along it, mm.
        at: f64,
    },
    /// The rack's stop comes first.
    #[error("no position at rack {}: the rack's stop is at {}", mm(*.rack), mm(*.stop))]
    RackStop {
        /// mm.
        rack: f64,
        /// mm.
        stop: f64,
    },
    /// A number asked for is not one.
    #[error("travel {travel} with rack {rack} is no position")]
    NotFinite {
        /// mm.
        travel: f64,
        /// mm.
        rack: f64,
    },
}

fn mm(v: f64) -> String {
    // A typographic minus, as in every text for people.
    format!("{v:.1} mm").replace('-', "−")
}

fn place(travel: f64, rack: f64, along: Along) -> String {
    match along {
        Along::Rack if travel == 0.0 => format!("rack {}", mm(rack)),
        Along::Rack => format!("travel {}, rack {}", mm(travel), mm(rack)),
        Along::Travel if rack == 0.0 => format!("travel {}", mm(travel)),
        Along::Travel => format!("rack {}, travel {}", mm(rack), mm(travel)),
    }
}

impl Explain for SolveError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            SolveError::NoPosition { end: End::OverCentre, .. } => {
                "Stop the rack well before that with a positive stop, or move the tie rod's outer joint.".into()
            }
            SolveError::NoPosition { .. } => "Ask for less travel, or check the hardpoints.".into(),
            SolveError::RackStop { .. } => "Ask for less rack travel, or give the rack more stroke.".into(),
            SolveError::NotFinite { .. } => "Give travel and rack in millimetres.".into(),
        }
    }
}
