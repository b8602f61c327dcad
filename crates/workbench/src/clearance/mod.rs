//! The stop Clearance: bodies swept over lock and travel, what comes near what, and where.

pub(crate) mod acts;
pub(crate) mod marks;
pub(crate) mod sweeps;
pub(crate) mod wheels;

use crate::clearance::marks::Marked;
use crate::clearance::sweeps::{Sweeps, Swept};
use crate::shown::{Layer, LineMark, Mark, ShownLine, ShownScan};
use crate::state::{State, Stop};
use crate::words::Trouble;
use std::path::PathBuf;
use std::sync::Arc;
use stringline_clearance::{Closest, SweptState};
use stringline_core::Point3;
use stringline_job::{BodyShape, Name};

/// A surface that comes nearer than is wanted glows so far about the place, mm.
const GLOW: f64 = 14.0;
/// Half the size of the cross where two bodies touch, mm.
const CROSS: f64 = 8.0;
/// How solid a wheel is drawn: what it hides is what one wants to see.
const WHEEL: f32 = 0.6;
/// How solid a body is drawn that only another variant has.
const ELSEWHERE: f32 = 0.25;

/// What is looked at, and what came of it.
#[derive(Default)]
pub(crate) struct Clearance {
    /// The state looked at, by its places among travels and locks; straight ahead at rest where none was chosen.
    pub(crate) at: Option<[usize; 2]>,
    pub(crate) sweeps: Option<Arc<Sweeps>>,
    /// A sweep is to begin when the hardpoints are worked out.
    pub(crate) waits: bool,
    /// The task that sweeps.
    pub(crate) task: Option<u64>,
    pub(crate) failed: Option<Trouble>,
    /// Since when it plays, by egui's clock, s, and from which lock.
    pub(crate) playing: Option<(f64, usize)>,
    /// It plays from the next frame on.
    pub(crate) plays: bool,
    pub(crate) frames: Option<Frames>,
    /// The wheel that a drawn section is asked for; new ones where none is named.
    pub(crate) drawn_for: Option<Name>,
    /// What of a body must go.
    pub(crate) marked: Option<Arc<Marked>>,
    /// The task that marks it, and the pair that it marks.
    pub(crate) marking: Option<(u64, usize)>,
}

/// Pictures of every lock, being written.
pub(crate) struct Frames {
    pub(crate) folder: PathBuf,
    /// The lock of the next one.
    pub(crate) next: usize,
    /// Frames drawn since that lock was gone to: the scene follows one behind.
    pub(crate) drawn: u32,
    /// A picture is being written.
    pub(crate) open: bool,
}

/// What is shown of a sweep.
#[derive(Clone, Copy)]
pub(crate) struct View<'s> {
    pub(crate) swept: &'s Swept,
    pub(crate) state: &'s SweptState,
    /// The places of its travel and lock.
    pub(crate) at: [usize; 2],
}

impl View<'_> {
    /// The pair that comes nearest at this state, and where on each body, in the car.
    pub(crate) fn nearest(&self) -> Option<(usize, &Closest, [Point3; 2])> {
        let (pair, closest) = self.state.smallest()?;
        Some((pair, closest, self.state.places(&self.swept.sweep.pairs, pair)?))
    }
}

impl Clearance {
    /// The variant of that name as it was swept; the first where it was not.
    pub(crate) fn swept(&self, name: &str) -> Option<&Swept> {
        let all = &self.sweeps.as_ref()?.of;
        all.iter().find(|swept| swept.name == name).or(all.first())
    }
}

/// The state that is looked at, while that stop is open.
pub(crate) fn view(state: &State) -> Option<View<'_>> {
    if state.stop != Stop::Clearance {
        return None;
    }
    let swept = state.clearance.swept(&state.geometry.hand)?;
    let sweep = &swept.sweep;
    let [travel, lock] = state.clearance.at.unwrap_or_else(|| rest(swept));
    let at = [travel.min(sweep.travels.len().saturating_sub(1)), lock.min(sweep.locks.len().saturating_sub(1))];
    Some(View { swept, state: sweep.at(at[0], at[1])?, at })
}

/// Straight ahead, as near ride height as the travels have it.
pub(crate) fn rest(swept: &Swept) -> [usize; 2] {
    let nearest = |values: &[f64]| {
        let best = values.iter().enumerate().min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
        best.map_or(0, |(place, _)| place)
    };
    [nearest(&swept.sweep.travels), nearest(&swept.sweep.locks)]
}

/// How a scan is shown at that state: where it stands and how solid; `None` where it is shown as everywhere else.
pub(crate) fn placed(state: &State, scan: &Name) -> Option<(Option<stringline_core::RigidTransform>, f32)> {
    let view = view(state)?;
    let part = view.swept.bodies.iter().position(|body| body.scan.as_ref() == Some(scan));
    match part {
        // It is drawn with its mark in place of this.
        Some(part) if marks::stands_for(state, part) => Some((None, 0.0)),
        Some(part) => Some((view.state.poses.as_ref().ok().and_then(|poses| poses.get(part).copied()), 1.0)),
        None => {
            let mut bodies = state.job()?.bodies.values().filter(|body| body.shape.scan() == Some(scan));
            let turned = |body: &Arc<stringline_job::BodySpec>| matches!(body.shape, BodyShape::TurnedScan { .. });
            match bodies.next()? {
                // The wheel that it was turned into is drawn in its place.
                body if turned(body) && body.is_in(&view.swept.name) => Some((None, 0.0)),
                _ => Some((None, ELSEWHERE)),
            }
        }
    }
}

/// Bodies that are no scans: wheels, tubes, plates.
pub(crate) fn drawn(state: &State) -> Vec<ShownScan> {
    let Some(view) = view(state) else { return Vec::new() };
    let Ok(poses) = &view.state.poses else { return Vec::new() };
    let body = |(part, body): (usize, &sweeps::SweptBody)| {
        let (id, surface) = body.drawn.as_ref()?;
        Some(ShownScan {
            id: *id,
            scan: Arc::clone(surface),
            world_from_scan: *poses.get(part)?,
            opacity: if body.wheel { WHEEL } else { 1.0 },
            tint: Arc::default(),
        })
    };
    view.swept.bodies.iter().enumerate().filter_map(body).chain(marks::drawn(state)).collect()
}

/// Where bodies come nearest, as lines.
pub(crate) fn lines(state: &State, lines: &mut Vec<ShownLine>) {
    let Some(view) = view(state) else { return };
    let Some((_, closest, [a, b])) = view.nearest() else { return };
    let mut add = |points: Vec<Point3>| lines.push(ShownLine { points, mark: LineMark::Measure });
    if closest.gap > 0.0 {
        add(vec![a, b]);
    }
    for axis in [stringline_core::Vec3::x(), stringline_core::Vec3::y(), stringline_core::Vec3::z()] {
        let at = nalgebra::center(&a, &b);
        add(vec![at - axis * CROSS, at + axis * CROSS]);
    }
}

/// Where a scan's surface comes nearer to another body than is wanted.
pub(crate) fn glow(state: &State, scan: &Name) -> Vec<Layer> {
    let (Some(view), Some(loaded)) = (view(state), state.scans.get(scan).and_then(|scan| scan.ready())) else {
        return Vec::new();
    };
    let Some(part) = view.swept.bodies.iter().position(|body| body.scan.as_ref() == Some(scan)) else {
        return Vec::new();
    };
    let pairs = view.swept.sweep.pairs.iter().zip(&view.state.closest);
    let near = pairs.filter_map(|(pair, closest)| {
        let closest = closest.as_ref().filter(|closest| closest.gap < pair.wanted)?;
        let place = if pair.a == part { closest.on_a } else { closest.on_b };
        (pair.a == part || pair.b == part).then(|| loaded.scan.within(&place, GLOW))
    });
    near.map(|mut points| {
        points.sort_unstable();
        Layer { points: points.into(), mark: Mark::Near }
    })
    .collect()
}
