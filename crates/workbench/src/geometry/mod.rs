//! The stop Geometry: what the linkage does now, and what it would do with moves made.

pub(crate) mod acts;
pub(crate) mod linkage;
pub(crate) mod moves;
pub(crate) mod offers;
pub(crate) mod study;

use crate::geometry::offers::{Goals, Offer};
use crate::geometry::study::{Bands, Key, Path, Study};
use crate::words::Trouble;
use std::collections::BTreeSet;
use std::sync::Arc;
use stringline_hardpoints::{Role, Side};
use stringline_kinematics::{AS_FOUND, AxleMeasures, Change, Held, Quantity, SolveError, State as At, Variant};

/// Furthest travel either way that can be asked for, mm.
pub(crate) const FURTHEST: f64 = 300.0;

/// What curves run over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) enum Over {
    /// Wheel travel; the wheel centre's height is what is counted.
    #[default]
    Travel,
    /// Rack travel; the tyres stay on the ground.
    Rack,
}

impl Over {
    /// The height that is held.
    pub(crate) fn held(self) -> Held {
        match self {
            Over::Travel => Held::WheelCentre,
            Over::Rack => Held::Contact,
        }
    }
}

/// A hardpoint being dragged along an axis of the car.
#[derive(Clone, Debug)]
pub(crate) struct Drag {
    pub(crate) role: Role,
    /// 0, 1, 2: x, y, z.
    pub(crate) axis: usize,
    /// The variant before.
    pub(crate) from: Variant,
    /// How far by now, mm, not rounded.
    pub(crate) by: f64,
}

/// What is looked at, and what came of it.
pub(crate) struct Geometry {
    /// Where the wheels are, mm from rest.
    pub(crate) travel: f64,
    /// Where the rack is, mm to the left.
    pub(crate) rack: f64,
    pub(crate) over: Over,
    /// Curves run over this much travel either way, mm.
    pub(crate) range: f64,
    pub(crate) quantity: Quantity,
    /// The variant that is drawn and changed.
    pub(crate) hand: String,
    /// Variants whose curves are not shown.
    pub(crate) hidden: BTreeSet<String>,
    /// The hardpoint in hand, and the axis that keys move it along.
    pub(crate) point: Option<Role>,
    pub(crate) axis: usize,
    /// Moves go to both sides.
    pub(crate) both: bool,
    /// A variant while it is being changed.
    pub(crate) draft: Option<Variant>,
    pub(crate) drag: Option<Drag>,
    /// Since when, by egui's clock, s, and at which turn of the cycle it began, rad; `None` at rest.
    pub(crate) playing: Option<(f64, f64)>,
    /// It plays from the next frame on.
    pub(crate) plays: bool,
    pub(crate) asked: Option<(u64, Key)>,
    pub(crate) study: Option<Arc<Study>>,
    pub(crate) bands: Option<Arc<Bands>>,
    pub(crate) goals: Goals,
    pub(crate) offer: Option<Result<Offer, Trouble>>,
    /// The task that works one out.
    pub(crate) offering: Option<u64>,
}

impl Default for Geometry {
    fn default() -> Geometry {
        Geometry {
            travel: 0.0,
            rack: 0.0,
            over: Over::Travel,
            range: 60.0,
            quantity: Quantity::BumpSteer,
            hand: AS_FOUND.into(),
            hidden: BTreeSet::new(),
            point: None,
            axis: 2,
            both: true,
            draft: None,
            drag: None,
            playing: None,
            plays: false,
            asked: None,
            study: None,
            bands: None,
            goals: Goals::default(),
            offer: None,
            offering: None,
        }
    }
}

/// What a person wants done at this stop.
#[derive(Clone, Debug)]
pub(crate) enum Act {
    Travel(f64),
    Rack(f64),
    Over(Over),
    Range(f64),
    Show(Quantity),
    Hand(String),
    Hide(String, bool),
    Point(Option<Role>),
    Axis(usize),
    Both(bool),
    /// The variant as it is being changed.
    Draft(Variant),
    /// The change is done with.
    Settle,
    /// The hardpoint that much further along an axis, not settled yet, mm.
    Shift(Role, usize, f64),
    DragBegin(Role, usize),
    /// So much further, mm.
    DragBy(f64),
    DragEnd,
    /// A move is added to the variant in hand.
    Add(Change),
    New,
    Rename(String, String),
    Remove(String),
    Goals(Goals),
    Solve(offers::Wish),
    Decline,
}

impl Geometry {
    /// Where everything is now.
    pub(crate) fn at(&self) -> At {
        At::level(self.travel, self.rack)
    }

    /// Along the axis of the curves.
    pub(crate) fn along(&self) -> f64 {
        match self.over {
            Over::Travel => self.travel,
            Over::Rack => self.rack,
        }
    }

    /// The variant in hand as it was studied.
    pub(crate) fn path(&self) -> Option<&Result<Path, Trouble>> {
        // A draft that was not studied yet is shown as what it stands on.
        self.path_of(&self.hand).or_else(|| self.path_of(self.draft.as_ref()?.base.as_deref().unwrap_or(AS_FOUND)))
    }

    pub(crate) fn path_of(&self, name: &str) -> Option<&Result<Path, Trouble>> {
        let paths = self.study.as_ref()?.paths.as_ref().ok()?;
        paths.iter().find(|(known, _)| known == name).map(|(_, path)| path)
    }

    /// All measures of a variant where everything is now.
    pub(crate) fn now(&self, path: &Path) -> Result<AxleMeasures, SolveError> {
        path.axle.solve(self.at(), self.over.held())
    }
}

/// The corner looked at.
pub(crate) fn corner_side(side: Side) -> Side {
    if side == Side::Right { Side::Right } else { Side::Left }
}
