//! Laying one scan on another: by their surfaces, by markers, by points that are picked on both.

use crate::bench::Workbench;
use crate::keys::Command;
use crate::show;
use crate::shown::{LineMark, ShownLine, Touched};
use crate::state::{State, Stop};
use crate::words::Trouble;
use crate::work::MapOf;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};
use stringline_job::{Laid, MarkerSpec, MateSpec, Name, Op, PickedPair, StartSpec, Tie};

/// Residuals are drawn so many times as long as they are.
pub(crate) const LONGER: f64 = 50.0;
/// The head of an arrow: its share of the length, and at most so much, mm.
const HEAD: (f64, f64) = (0.25, 12.0);
/// Half the size of the cross at a picked point, mm.
const CROSS: f64 = 5.0;
/// Markers are looked for from and to these diameters, mm.
const MARKERS: [f64; 2] = [4.0, 30.0];
/// Standard uncertainties of a marker's centre and of a picked point, mm: *common practice, no source*.
const SIGMAS: [f64; 2] = [0.05, 1.0];

/// What is going on at this stop.
#[derive(Default)]
pub(crate) struct Placing {
    pub(crate) picking: Option<Picking>,
    /// The mate that was asked for last, until it is kept or undone.
    pub(crate) fresh: Option<Name>,
    /// Residuals are drawn as arrows.
    pub(crate) arrows: bool,
}

/// Points that are being picked, on the scan that is laid and on the other by turns.
pub(crate) struct Picking {
    pub(crate) scan: Name,
    pub(crate) on: Name,
    pub(crate) pairs: Vec<PickedPair>,
    /// Picked on the first and not yet on the second.
    pub(crate) half: Option<[f64; 3]>,
}

/// How a scan is to be laid on another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum By {
    /// By the surface, from where it stands.
    Surface,
    /// By the surface, from nothing.
    SurfaceAnywhere,
    /// By the surface, from the picked points.
    SurfaceFromPoints,
    Balls,
    Discs,
    Points,
}

/// What a person wants done.
#[derive(Clone, Debug)]
pub(crate) enum Act {
    Lay(By),
    /// Takes the last picked point back.
    Unpick,
    StopPicking,
    /// What was laid last stays.
    Keep,
    /// Shows the gaps as they were before, or as they are.
    Gaps(Name, bool),
}

impl Workbench {
    pub(crate) fn placing_act(&mut self, act: Act) {
        match act {
            Act::Lay(by) => self.lay(by),
            Act::Unpick => {
                if let Some(picking) = &mut self.state.placing.picking
                    && picking.half.take().is_none()
                {
                    picking.half = picking.pairs.pop().map(|pair| pair.scan);
                }
            }
            Act::StopPicking => self.state.placing.picking = None,
            Act::Keep => self.state.placing.fresh = None,
            Act::Gaps(mate, after) => {
                let map = MapOf::Laid { mate, after, within: self.state.gap_within };
                self.act(crate::panels::Action::Map(Some(map)));
            }
        }
    }

    /// Does a command of this stop; whether it is one.
    pub(crate) fn placing_command(&mut self, command: Command) -> bool {
        match command {
            Command::PickPoints => {
                self.state.stop = Stop::Frame;
                if self.state.placing.picking.take().is_none() {
                    self.begin_picking();
                }
            }
            Command::Lay => self.lay(By::Surface),
            Command::Arrows => {
                self.state.stop = Stop::Frame;
                self.state.placing.arrows = !self.state.placing.arrows;
            }
            _ => return false,
        }
        true
    }

    fn begin_picking(&mut self) {
        match self.state.overlaid() {
            Some((scan, on)) if scan != on => {
                self.state.placing.picking = Some(Picking { scan, on, pairs: Vec::new(), half: None });
            }
            _ => self.say("Two different scans are needed, to pick the same points on both"),
        }
    }

    /// A press of the pointer while points are picked; whether it was one.
    pub(crate) fn pick_at(&mut self, touched: &Touched) -> bool {
        if self.state.stop != Stop::Frame {
            return false;
        }
        let Some(name) = show::scan_at(&self.state, touched.scan).cloned() else { return false };
        let Some(picking) = &mut self.state.placing.picking else { return false };
        let at = touched.at.coords.into();
        let (wanted, other) = match picking.half {
            None => (&picking.scan, &picking.on),
            Some(_) => (&picking.on, &picking.scan),
        };
        if name == *wanted {
            match picking.half.take() {
                None => picking.half = Some(at),
                Some(scan) => picking.pairs.push(PickedPair { scan, on: at }),
            }
        } else {
            let text = format!("This is {name}: the next point is to be on {wanted}, the same place as on {other}");
            self.say(text);
        }
        true
    }

    fn lay(&mut self, by: By) {
        let Some(job) = self.state.job().cloned() else { return };
        let picked = self.state.placing.picking.as_ref().map(|p| (p.scan.clone(), p.on.clone(), p.pairs.clone()));
        let pair = match (by, &picked) {
            (By::Points | By::SurfaceFromPoints, Some((scan, on, _))) => Some((scan.clone(), on.clone())),
            _ => self.state.overlaid(),
        };
        let Some((scan, on)) = pair.filter(|(scan, on)| scan != on) else {
            self.say("Choose two different scans: one is laid on the other");
            return;
        };
        let pairs = picked.map(|(.., pairs)| pairs).unwrap_or_default();
        if matches!(by, By::Points | By::SurfaceFromPoints) && pairs.len() < 3 {
            self.say("Pick three points or more on both scans first");
            return;
        }
        let surface = |start| Tie::Surface {
            scan: scan.clone(),
            on: on.clone(),
            scan_areas: Vec::new(),
            on_areas: Vec::new(),
            start,
        };
        let markers = |marker| {
            let [least_diameter, largest_diameter] = MARKERS;
            Tie::Markers {
                scan: scan.clone(),
                on: on.clone(),
                marker,
                least_diameter,
                largest_diameter,
                sigma: SIGMAS[0],
            }
        };
        let tie = match by {
            By::Surface => {
                let stands = self.state.world_from_scan(&on).inverse() * self.state.world_from_scan(&scan);
                surface(StartSpec::stand(&stands))
            }
            By::SurfaceAnywhere => surface(StartSpec::Nothing),
            By::SurfaceFromPoints => surface(StartSpec::Points { pairs }),
            By::Balls => markers(MarkerSpec::Sphere),
            By::Discs => markers(MarkerSpec::Disc),
            By::Points => Tie::Points { scan: scan.clone(), on: on.clone(), pairs, sigma: SIGMAS[1] },
        };
        let name: Name = match format!("{scan} on {on}").parse() {
            Ok(name) => name,
            Err(error) => return self.trouble(Trouble::of(&error)),
        };
        let mut ops = Vec::new();
        if job.placements.contains_key(&scan) {
            // What is typed would go before what is laid.
            ops.push(Op::UnplaceScan { name: scan });
        }
        ops.push(Op::SetMate { name: name.clone(), mate: Box::new(MateSpec::from(tie)) });
        if self.apply(ops) {
            self.state.placing.picking = None;
            self.state.placing.fresh = Some(name);
        }
    }
}

/// What came of a mate that lays a scan on another.
pub(crate) fn laid<'s>(state: &'s State, mate: &Name) -> Option<&'s Laid> {
    state.results.laid.get(mate).map(|laid| laid.as_ref())
}

/// How a scan lies on another as it did before, where those gaps are shown: the picture goes with its colours.
pub(crate) fn before(state: &State, scan: &Name) -> Option<RigidTransform> {
    let Some(MapOf::Laid { mate, after: false, .. }) = &state.map_wanted else { return None };
    let laid = laid(state, mate).filter(|laid| laid.scan == *scan)?;
    Some(state.world_from_scan(&laid.on) * laid.before()?)
}

/// Picked points and residuals, as lines.
pub(crate) fn lines(state: &State, lines: &mut Vec<ShownLine>) {
    if let Some(picking) = &state.placing.picking {
        let [of, on] = [&picking.scan, &picking.on].map(|name| state.world_from_scan(name));
        let pairs = picking.pairs.iter().map(|pair| [of * Point3::from(pair.scan), on * Point3::from(pair.on)]);
        for [a, b] in pairs {
            lines.push(ShownLine { points: vec![a, b], mark: LineMark::Measure });
            cross(&a, lines);
            cross(&b, lines);
        }
        if let Some(half) = picking.half {
            cross(&(of * Point3::from(half)), lines);
        }
    }
    if !state.placing.arrows {
        return;
    }
    for mate in state.results.adjusted.iter().flat_map(|adjusted| &adjusted.mates) {
        arrow(&mate.at, &mate.residual, if mate.left_out { LineMark::Live } else { LineMark::Measure }, lines);
    }
    for laid in state.results.laid.values() {
        let world = state.world_from_scan(&laid.on);
        for (at, residual) in laid.residuals() {
            arrow(&(world * at), &(world.rotation * residual), LineMark::Measure, lines);
        }
    }
}

fn cross(at: &Point3, lines: &mut Vec<ShownLine>) {
    for axis in [Vec3::x(), Vec3::y(), Vec3::z()] {
        lines.push(ShownLine { points: vec![at - axis * CROSS, at + axis * CROSS], mark: LineMark::Chosen });
    }
}

/// A residual as an arrow from where it is told.
fn arrow(at: &Point3, residual: &Vec3, mark: LineMark, lines: &mut Vec<ShownLine>) {
    let long = residual * LONGER;
    let Some(along) = UnitVec3::try_new(long, 1e-9) else { return };
    let tip = at + long;
    let head = (long.norm() * HEAD.0).min(HEAD.1);
    let (u, _) = frame_about(&along);
    let back = tip - along.into_inner() * head;
    lines.push(ShownLine { points: vec![*at, tip], mark });
    lines.push(ShownLine { points: vec![back + u * (0.4 * head), tip, back - u * (0.4 * head)], mark });
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_residual_is_an_arrow_fifty_times_as_long() {
        let (at, residual) = (Point3::new(1.0, 2.0, 3.0), Vec3::new(0.0, -0.03, 0.04));
        let mut lines = Vec::new();
        arrow(&at, &residual, LineMark::Measure, &mut lines);
        let [shaft, head] = &lines[..] else { panic!("{lines:?}") };
        assert!((shaft.points[1] - shaft.points[0] - residual * 50.0).norm() < 1e-12);
        assert!(head.points.contains(&shaft.points[1]));
        arrow(&at, &Vec3::zeros(), LineMark::Measure, &mut lines);
        assert_eq!(lines.len(), 2, "nothing is no arrow");
    }
}
