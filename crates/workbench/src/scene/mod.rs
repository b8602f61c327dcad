//! The 3-D view: a mirror of what the bench shows, in entities, and how it is drawn.
//!
//! Everything goes one way. The bench says what is shown ([`Shown`]), [`mirror`] keeps one
//! [`Body`] a scan for it, and `draw` draws those. Nothing here knows of jobs.

pub mod colours;
pub mod display;
mod draw;
mod pace;
mod tint;
mod watch;

pub(crate) use draw::{BenchView, DrawPlugin};
pub use pace::Pace;

use crate::face::Wake;
use crate::mouse::{Found, Mouse, sides};
use crate::shown::{LookAt, Shown, ShownScan, Tint, Touched};
use crate::view::{Ball, View, ball_about};
use bevy::ecs::prelude::*;
use bevy::log::info_span;
use display::Display;
use std::collections::BTreeSet;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use stringline_core::{Point3, RigidTransform, UnitVec3};
use tint::{Codes, Patch};

/// The view counts as moving until it has stood still for this long.
const SETTLED: Duration = Duration::from_millis(160);

/// Fainter scans are picked only where there is nothing else.
const PICKED_FIRST: f32 = 0.5;

/// One scan as it is drawn.
#[derive(Component)]
pub struct Body {
    /// Which of [`Shown::scans`].
    pub slot: usize,
    /// [`ShownScan::id`].
    pub id: u64,
    /// Its surface.
    pub display: Arc<Display>,
    /// Where it stands.
    pub world_from_scan: RigidTransform,
    /// 0 hidden, 1 solid.
    pub opacity: f32,
    /// Which of [`Display::levels`] is drawn.
    pub level: usize,
    tint: Arc<Tint>,
    codes: Codes,
    /// Colours that are still to go to the graphics card.
    patches: Vec<Patch>,
}

impl Body {
    fn new(slot: usize, id: u64, display: Arc<Display>) -> Body {
        let codes = Codes::new(&display);
        Body {
            slot,
            id,
            display,
            world_from_scan: RigidTransform::identity(),
            opacity: 1.0,
            level: 0,
            tint: Arc::default(),
            codes,
            patches: Vec::new(),
        }
    }

    /// How many corners wait for their colour.
    pub fn waiting(&self) -> usize {
        self.patches.iter().map(|p| p.codes.len()).sum()
    }

    fn follow(&mut self, slot: usize, shown: &ShownScan) {
        self.slot = slot;
        self.world_from_scan = shown.world_from_scan;
        self.opacity = shown.opacity;
        if !Arc::ptr_eq(&self.tint, &shown.tint) {
            self.codes.change(&self.tint, &shown.tint);
            self.tint = shown.tint.clone();
        }
        self.patches.extend(self.codes.work(&self.display, &self.tint));
    }
}

/// The view, and what it shows.
#[derive(Resource)]
pub struct Stage {
    /// Where the scene is seen from.
    pub view: View,
    /// What the mouse is in the middle of.
    pub mouse: Mouse,
    /// Left for the scans on the screen, logical points.
    pub area: egui::Rect,
    /// Pixels a logical point.
    pub scale: f32,
    /// What the bench showed last.
    pub shown: Shown,
    /// Speaks of the graphics card's work.
    pub pace: Arc<Pace>,
    /// A ball that everything visible lies in.
    ball: Option<Ball>,
    /// Points that everything visible lies between, world.
    outline: Vec<Point3>,
    moved: Option<Instant>,
    looked: u64,
    /// Wishes that wait until everything shown is there.
    wish: Option<LookAt>,
    wake: Wake,
    /// Colours are still being worked out, a share a frame.
    recolouring: bool,
    asked: BTreeSet<u64>,
    ready: Sender<(u64, Option<Display>)>,
    // A receiver is not shared between threads; a lock makes it so.
    finished: Mutex<Receiver<(u64, Option<Display>)>>,
}

impl Stage {
    /// An empty one.
    pub fn new(wake: Wake) -> Stage {
        let (ready, finished) = channel();
        Stage {
            view: View::default(),
            mouse: Mouse::default(),
            area: egui::Rect::ZERO,
            scale: 1.0,
            shown: Shown::default(),
            pace: Arc::default(),
            ball: None,
            outline: Vec::new(),
            moved: None,
            looked: 0,
            wish: None,
            wake,
            recolouring: false,
            asked: BTreeSet::new(),
            ready,
            finished: Mutex::new(finished),
        }
    }

    /// What lies under a place on the screen.
    pub fn find(&self, view: &View, at: egui::Pos2) -> Option<Found> {
        let (origin, direction) = view.ray(at.into(), sides(self.area), self.ball.as_ref());
        let hits =
            self.shown.scans.iter().enumerate().filter(|(_, scan)| scan.opacity > 0.0).filter_map(|(i, shown)| {
                let scan_from_world = shown.world_from_scan.inverse();
                let (from, along) = (scan_from_world * origin, scan_from_world.rotation * direction);
                let cut = self.shown.section.map(|(p, n)| (scan_from_world * p, scan_from_world.rotation * n));
                let hit = shown.scan.hit_within(&from, &along, cut.as_ref().map(|(p, n)| (p, n)))?;
                let touched = Touched { scan: i, at: hit.at, seen_from: -along };
                Some((
                    shown.opacity < PICKED_FIRST,
                    hit.distance,
                    Found { touched, world: shown.world_from_scan * hit.at },
                ))
            });
        hits.min_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))).map(|(.., found)| found)
    }

    /// Takes note that the view moved.
    pub fn moves(&mut self) {
        self.moved = Some(Instant::now());
    }

    /// How long until the view counts as standing still; `None` if it does.
    pub fn settles_in(&self) -> Option<Duration> {
        let rest = SETTLED.checked_sub(self.moved?.elapsed());
        if self.mouse.steers() { Some(rest.unwrap_or(SETTLED)) } else { rest }
    }

    /// How world points would come to the screen in another view of what is shown now.
    pub fn eye_of(&self, view: &View) -> crate::shown::Eye {
        view.to_eye(sides(self.area), self.ball.as_ref())
    }

    /// How world points come to the screen now.
    pub fn eye(&self) -> Option<crate::shown::Eye> {
        let seen = self.area.width() >= 1.0 && self.area.height() >= 1.0;
        seen.then(|| self.view.to_eye(sides(self.area), self.ball.as_ref()))
    }

    /// Whether colours are still being worked out, so that another frame is needed.
    pub fn is_recolouring(&self) -> bool {
        self.recolouring
    }

    /// Whether a surface is still being made ready.
    pub fn is_busy(&self) -> bool {
        !self.asked.is_empty()
    }

    /// Takes what the bench shows, and goes where it wishes to look.
    pub fn show(&mut self, shown: Shown) {
        if shown.look.turn != self.looked {
            self.looked = shown.look.turn;
            match shown.look.at {
                at @ (LookAt::SquareOn(..) | LookAt::Parallel(_)) => {
                    self.view.look(&at, &self.outline, sides(self.area));
                    self.moves();
                }
                at => self.wish = Some(at),
            }
        }
        // While parts move they are drawn as finely as there is time for, as while the view does.
        let moved = |(a, b): (&ShownScan, &ShownScan)| a.id == b.id && a.world_from_scan != b.world_from_scan;
        if self.shown.scans.iter().zip(&shown.scans).any(moved) {
            self.moves();
        }
        self.shown = shown;
    }

    /// Makes a surface ready on a thread of its own.
    fn ask(&mut self, shown: &ShownScan) {
        if !self.asked.insert(shown.id) {
            return;
        }
        let (id, scan, ready, wake) = (shown.id, shown.scan.clone(), self.ready.clone(), self.wake.clone());
        std::thread::spawn(move || {
            // A panic in there must not leave the scene waiting for ever.
            let display = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| Display::new(&scan))).ok().flatten();
            // Nobody listens any more once the window is gone.
            let _ = ready.send((id, display));
            wake();
        });
    }
}

/// Keeps one body for each shown scan. A surface that is not ready yet is stood in for by the one
/// that was shown in its place before.
pub fn mirror(mut commands: Commands, mut stage: ResMut<Stage>, mut bodies: Query<(Entity, &mut Body)>) {
    let _span = info_span!("mirror").entered();
    let stage = &mut *stage;
    let finished: Vec<_> = stage.finished.get_mut().unwrap_or_else(PoisonError::into_inner).try_iter().collect();
    let mut fresh: Vec<Body> = Vec::new();
    for (id, display) in finished {
        stage.asked.remove(&id);
        // One that is no longer shown, or empty, has no body.
        if let (Some(display), Some(slot)) = (display, stage.shown.scans.iter().position(|s| s.id == id)) {
            fresh.push(Body::new(slot, id, Arc::new(display)));
        }
    }
    let shown = std::mem::take(&mut stage.shown.scans);
    let mut stand_ins: Vec<(Entity, usize)> = Vec::new();
    let mut there: BTreeSet<u64> = fresh.iter().map(|b| b.id).collect();
    let (mut outline, mut visible, mut recolouring) = (Vec::new(), 0, false);
    let had_none = stage.outline.is_empty();
    let mut take = |body: &mut Body, slot: usize, shown: &ShownScan| {
        body.follow(slot, shown);
        recolouring |= !body.codes.are_done();
        if shown.opacity > 0.0 {
            visible += 1;
            outline.extend(body.display.outline.iter().map(|p| body.world_from_scan * p));
        }
    };
    for (entity, mut body) in &mut bodies {
        match shown.iter().position(|s| s.id == body.id) {
            Some(slot) => {
                there.insert(body.id);
                take(&mut body, slot, &shown[slot]);
            }
            None => stand_ins.push((entity, body.slot)),
        }
    }
    for mut body in fresh {
        let slot = body.slot;
        take(&mut body, slot, &shown[slot]);
        commands.spawn(body);
    }
    for scan in &shown {
        if !there.contains(&scan.id) && !scan.scan.points().is_empty() {
            stage.ask(scan);
        }
    }
    for (entity, slot) in stand_ins {
        let waits = shown.get(slot).is_some_and(|s| stage.asked.contains(&s.id) && !there.contains(&s.id));
        if !waits {
            commands.entity(entity).despawn();
        } else if let (Ok((_, mut body)), Some(scan)) = (bodies.get_mut(entity), shown.get(slot)) {
            // Its points are others, so it keeps its colours.
            body.world_from_scan = scan.world_from_scan;
            body.opacity = scan.opacity;
            outline.extend(body.display.outline.iter().map(|p| body.world_from_scan * p));
        }
    }
    stage.shown.scans = shown;
    stage.recolouring = recolouring;
    if visible > 0 {
        // Wheels and linkage reach further than the scans.
        outline.extend(stage.shown.lines.iter().flat_map(|line| &line.points));
    }
    stage.ball = ball_about(&outline);
    stage.outline = outline;
    // The first parts on the bench are brought into the view unasked.
    if had_none && visible > 0 && stage.wish.is_none() {
        stage.wish = Some(LookAt::Fit);
    }
    if stage.asked.is_empty()
        && stage.area.width() >= 1.0
        && let Some(at) = stage.wish.take()
    {
        stage.view.look(&at, &stage.outline, sides(stage.area));
        stage.moves();
        (stage.wake)();
    }
}

/// Chooses how finely each body is drawn: fully while the view stands still, and while it moves
/// as finely as the graphics card does in time.
pub fn choose_levels(stage: Res<Stage>, mut bodies: Query<&mut Body>) {
    let allowed = match stage.settles_in() {
        Some(_) => stage.pace.allowed(),
        None => usize::MAX,
    };
    let total = |level: usize| -> usize {
        let elements = |b: &Body| b.display.levels.get(level).or(b.display.levels.last()).map_or(0, |l| l.elements);
        bodies.iter().filter(|b| b.opacity > 0.0).map(elements).sum()
    };
    let levels = bodies.iter().map(|b| b.display.levels.len()).max().unwrap_or(0);
    let level = (0..levels).find(|&l| total(l) <= allowed).unwrap_or(levels.saturating_sub(1));
    for mut body in &mut bodies {
        let level = level.min(body.display.levels.len().saturating_sub(1));
        if body.level != level {
            body.level = level;
        }
    }
}

/// A direction as the scene's lists need it: none for no section.
pub(crate) fn plane_in(
    world_from_scan: &RigidTransform,
    section: Option<(Point3, UnitVec3)>,
    origin: &Point3,
) -> [f32; 4] {
    section.map_or([0.0; 4], |(point, normal)| {
        let scan_from_world = world_from_scan.inverse();
        let (p, n) = (scan_from_world * point - origin, scan_from_world.rotation * normal);
        [n.x as f32, n.y as f32, n.z as f32, n.dot(&p) as f32]
    })
}
