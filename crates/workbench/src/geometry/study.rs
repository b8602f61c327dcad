//! Curves of all variants, worked out on a thread of its own: first the curves, then their bands.

use crate::geometry::Over;
use crate::words::Trouble;
use crate::work::{Done, Reports, Slot};
use std::sync::Arc;
use stringline_core::Explain;
use stringline_hardpoints::Side;
use stringline_job::Results;
use stringline_kinematics::solve_for::{BumpSteer, bump_steer};
use stringline_kinematics::{
    AS_FOUND, Along, Axle, AxleMeasures, Band, Held, Measured, Quantity, SolveError, State as At, TrustError,
    TrustQuestion, Variant, bands, cautions, even, geometry_of, rack_range,
};

/// Positions of a curve.
const POSITIONS: usize = 101;
/// Positions of a band: it is smoother than its curve is long.
const BAND_POSITIONS: usize = 31;
/// Wheel travel either way over which bump steer is summed up, mm; as the command line does.
pub(crate) const BUMP: f64 = 30.0;

/// What the curves depend on: another key, another study.
#[derive(Clone)]
pub(crate) struct Key {
    pub(crate) results: Arc<Results>,
    pub(crate) variants: Vec<Variant>,
    pub(crate) over: Over,
    /// Where the other motion stands, mm.
    pub(crate) at: f64,
    /// Travel either way, mm.
    pub(crate) range: f64,
}

impl PartialEq for Key {
    fn eq(&self, other: &Key) -> bool {
        Arc::ptr_eq(&self.results, &other.results)
            && (self.over, self.at.to_bits(), self.range.to_bits())
                == (other.over, other.at.to_bits(), other.range.to_bits())
            && self.variants == other.variants
    }
}

/// The wish for a study.
pub(crate) struct StudyAsk {
    pub(crate) ticket: u64,
    pub(crate) key: Key,
}

/// Curves of all variants.
pub(crate) struct Study {
    pub(crate) ticket: u64,
    pub(crate) over: Over,
    /// mm.
    pub(crate) at: f64,
    /// What was assumed in reading the hardpoints.
    pub(crate) notes: Vec<String>,
    /// By name, as found first; why not, where the hardpoints make no car.
    pub(crate) paths: Result<Vec<Named>, Trouble>,
}

/// A variant's name with its curves, or why it has none.
pub(crate) type Named = (String, Result<Path, Trouble>);

/// One variant.
pub(crate) struct Path {
    pub(crate) axle: Axle,
    /// Along the axis of the curves, mm.
    pub(crate) xs: Vec<f64>,
    pub(crate) states: Vec<Result<AxleMeasures, SolveError>>,
    /// Places along that axis worth a line.
    pub(crate) limits: Vec<(f64, &'static str)>,
    /// How far the rack can go at rest, mm.
    pub(crate) rack: [f64; 2],
    /// At rest.
    pub(crate) rest: AxleMeasures,
    pub(crate) cautions: Vec<String>,
    /// Over ± [`BUMP`]; `None` where the mechanism ends before that.
    pub(crate) bump: Option<BumpSteer>,
}

/// The bands of a study's curves.
pub(crate) struct Bands {
    pub(crate) ticket: u64,
    /// By variant; none where nothing is known of the hardpoints' uncertainty.
    pub(crate) of: Vec<(String, Vec<f64>, Vec<Band>)>,
}

impl Bands {
    /// 95 % half-width of a quantity of a variant at a place, between neighbours in proportion.
    pub(crate) fn u95(&self, variant: &str, quantity: Quantity, side: Side, x: f64) -> Option<f64> {
        let (_, xs, bands) = self.of.iter().find(|(name, ..)| name == variant)?;
        let band = bands.iter().find(|band| band.quantity == quantity && band.side == side)?;
        let after = xs.partition_point(|known| *known < x);
        let (before, after) = (after.checked_sub(1).unwrap_or(after), after.min(xs.len().checked_sub(1)?));
        let (a, b) = ((*band.u95.get(before)?)?, (*band.u95.get(after)?)?);
        let (from, to) = (*xs.get(before)?, *xs.get(after)?);
        // Beyond its ends nothing was worked out.
        let beyond = x < xs.first()? - 1e-9 || x > xs.last()? + 1e-9;
        let part = if to > from { (x - from) / (to - from) } else { 0.0 };
        (!beyond).then(|| a + (b - a) * part.clamp(0.0, 1.0))
    }

    /// Whose uncertainty matters most to a quantity, with its part of the variance.
    pub(crate) fn matters(&self, variant: &str, quantity: Quantity, side: Side) -> Option<(String, f64)> {
        let (.., bands) = self.of.iter().find(|(name, ..)| name == variant)?;
        let band = bands.iter().find(|band| band.quantity == quantity && band.side == side)?;
        let most = band.shares.first().filter(|share| share.share > 0.01)?;
        Some((stringline_job::hardpoint_words(most.role, most.side), most.share))
    }
}

/// Works a study out; the curves are reported as soon as they are there.
pub(crate) fn work(ask: StudyAsk, slot: &Slot<StudyAsk>, reports: &Reports) -> Done {
    let StudyAsk { ticket, key } = ask;
    let study = |notes, paths| Done::Studied(Arc::new(Study { ticket, over: key.over, at: key.at, notes, paths }));
    let measured = Measured::from_set(&key.results.set).and_then(|measured| {
        let geometry = measured.geometry()?;
        Ok((measured, geometry))
    });
    let (measured, as_found) = match measured {
        Ok(both) => both,
        Err(error) => return study(Vec::new(), Err(Trouble::of(&error))),
    };
    let names = std::iter::once(AS_FOUND).chain(key.variants.iter().map(|variant| variant.name.as_str()));
    let path = |name: &str| -> Result<Path, Trouble> {
        let geometry = geometry_of(&as_found, &key.variants, name).map_err(|e| Trouble::of(&e))?;
        let axle = Axle::new(&geometry).map_err(|e| Trouble::of(&e))?;
        path_of(axle, &key).map_err(|e| Trouble::of(&e))
    };
    let paths: Vec<Named> = names.map(|name| (name.to_owned(), path(name))).collect();
    let wanted: Vec<(String, Vec<At>)> =
        paths.iter().filter_map(|(name, path)| band_states(name, path, &key)).collect();
    reports.send(study(measured.notes.clone(), Ok(paths)));
    let mut of = Vec::new();
    for (name, states) in wanted {
        if slot.superseded() {
            return Done::Quiet;
        }
        match bands_of(&measured, &key, &name, &states) {
            Ok(bands) => {
                let xs = states.iter().map(|at| along(at, key.over)).collect();
                of.push((name, xs, bands));
            }
            // Without any uncertainty there is no band, and that is no trouble.
            Err(TrustError::NothingKnown | TrustError::Solve(_)) => {}
            Err(error) => return Done::Failed(Trouble::new(error.to_string(), error.next_step())),
        }
    }
    Done::Banded(Arc::new(Bands { ticket, of }))
}

fn along(at: &At, over: Over) -> f64 {
    match over {
        Over::Travel => at.travel[0],
        Over::Rack => at.rack,
    }
}

fn state_at(key: &Key, x: f64) -> At {
    match key.over {
        Over::Travel => At::level(x, key.at),
        Over::Rack => At::level(key.at, x),
    }
}

fn path_of(axle: Axle, key: &Key) -> Result<Path, SolveError> {
    let rest = axle.solve(At::default(), Held::WheelCentre)?;
    let stroke = axle.geometry().rack.stroke;
    let at_rest = rack_range(&axle, 0.0)?;
    let mut limits = Vec::new();
    let range = match key.over {
        Over::Travel => [-key.range, key.range],
        Over::Rack => {
            let over = axle.over_centre(key.at, Held::Contact)?;
            limits.extend(over.into_iter().filter(|at| at.is_finite()).map(|at| (at, "over centre")));
            limits.extend(stroke.into_iter().flatten().map(|at| (at, "the rack's stop")));
            rack_range(&axle, key.at)?
        }
    };
    let xs = even(range, POSITIONS);
    // From rest outwards, each on its own: beyond an end of the mechanism the others are still there.
    let held = key.over.held();
    let states: Vec<_> = xs.iter().map(|x| axle.solve(state_at(key, *x), held)).collect();
    for state in &states {
        if let Err(SolveError::NoPosition { end, along: Along::Travel, at, .. }) = state
            && key.over == Over::Travel
            && limits.iter().all(|(known, _)| (known - at).abs() > 0.01)
        {
            limits.push((*at, end_words(*end)));
        }
    }
    let over = axle.over_centre(0.0, Held::Contact)?;
    let steered: Vec<AxleMeasures> =
        even(at_rest, 41).into_iter().filter_map(|rack| axle.solve(At::level(0.0, rack), Held::Contact).ok()).collect();
    let cautions = cautions(&axle, over, &steered);
    let bump = bump_steer(&axle, [-BUMP, BUMP], Held::WheelCentre).ok();
    Ok(Path { xs, states, limits, rack: at_rest, rest, cautions, bump, axle })
}

fn end_words(end: stringline_kinematics::End) -> &'static str {
    use stringline_kinematics::End;
    match end {
        End::OverCentre => "over centre",
        End::UpperArm => "upper arm and knuckle in line",
        End::Strut => "end of the strut",
        End::LowerArm => "the linkage turns back",
    }
}

/// The states that a variant's bands are worked out at: a little within what was reached, so that each has neighbours.
fn band_states(name: &str, path: &Result<Path, Trouble>, key: &Key) -> Option<(String, Vec<At>)> {
    let path = path.as_ref().ok()?;
    let mut reached = path.xs.iter().zip(&path.states).filter(|(_, state)| state.is_ok()).map(|(x, _)| *x);
    let first = reached.next()?;
    let last = reached.next_back()?;
    let whole = path.states.iter().all(Result::is_ok);
    let inset = if whole { 0.0 } else { 0.03 * (last - first) };
    let xs = even([first + inset, last - inset], BAND_POSITIONS);
    Some((name.to_owned(), xs.into_iter().map(|x| state_at(key, x)).collect()))
}

fn bands_of(measured: &Measured, key: &Key, name: &str, states: &[At]) -> Result<Vec<Band>, TrustError> {
    let all: Vec<(Quantity, Side)> =
        Quantity::ALL.iter().flat_map(|quantity| [(*quantity, Side::Left), (*quantity, Side::Right)]).collect();
    bands(&TrustQuestion {
        measured,
        variants: &key.variants,
        variant: name,
        states,
        held: key.over.held(),
        quantities: &all,
        tolerances: &[],
    })
}
