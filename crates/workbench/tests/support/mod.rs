//! A bench with nothing but a frame of panels and a list of scans, to try the scene with.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use stringline_core::{RigidTransform, Vec3};
use stringline_scan::{Geometry, Mesh, Point3, Scan};
use stringline_workbench::face::Bench;
use stringline_workbench::shown::{Eye, Pointer, Shown, ShownScan, Tint};

/// What the double shows and what it heard, shared with the one who tries it.
#[derive(Default)]
pub(crate) struct Desk {
    pub(crate) shown: Shown,
    pub(crate) heard: Vec<Pointer>,
    pub(crate) picture: Option<PathBuf>,
    pub(crate) pictures_done: Vec<Result<(), String>>,
    pub(crate) dropped: Vec<PathBuf>,
    /// Width of the panel at the left, points.
    pub(crate) panel: f32,
    pub(crate) eye: Option<Eye>,
    /// How often the panels were drawn.
    pub(crate) frames: u64,
    /// Whether the window is to close.
    pub(crate) closing: bool,
}

/// A bench that is driven from outside.
#[derive(Clone, Default)]
pub(crate) struct Double(pub(crate) Arc<Mutex<Desk>>);

impl Double {
    pub(crate) fn desk(&self) -> std::sync::MutexGuard<'_, Desk> {
        self.0.lock().unwrap()
    }
}

impl Bench for Double {
    fn poll(&mut self) -> bool {
        false
    }

    fn ui(&mut self, ui: &mut egui::Ui, eye: Option<&Eye>) -> egui::Rect {
        let mut desk = self.desk();
        desk.eye = eye.copied();
        desk.frames += 1;
        if desk.panel > 0.0 {
            egui::Panel::left("sheet").exact_size(desk.panel).resizable(false).show(ui, |ui| {
                ui.label("A sheet");
            });
        }
        ui.available_rect_before_wrap()
    }

    fn shown(&mut self) -> Shown {
        self.desk().shown.clone()
    }

    fn pointer(&mut self, event: Pointer) {
        self.desk().heard.push(event);
    }

    fn dropped(&mut self, paths: Vec<PathBuf>) {
        self.desk().dropped.extend(paths);
    }

    fn picture_wanted(&mut self) -> Option<PathBuf> {
        self.desk().picture.take()
    }

    fn picture_done(&mut self, _: &std::path::Path, result: Result<(), String>) {
        self.desk().pictures_done.push(result);
    }

    fn may_close(&mut self) -> bool {
        true
    }

    fn wants_close(&mut self) -> bool {
        self.desk().closing
    }
}

/// A scan as shown, unplaced and solid.
pub(crate) fn shown_scan(id: u64, scan: Arc<Scan>) -> ShownScan {
    ShownScan { id, scan, world_from_scan: RigidTransform::identity(), opacity: 1.0, tint: Arc::new(Tint::default()) }
}

/// A closed body of about `facets` facets, 200 mm across: a ball with waves on it, so that every
/// facet is another.
pub(crate) fn wavy_ball(facets: usize) -> Scan {
    let rings = ((facets as f64 / 4.0).sqrt() as u32).max(3);
    let around = rings * 2;
    let mut vertices = Vec::with_capacity((rings * around) as usize);
    for i in 0..=rings {
        let polar = std::f64::consts::PI * f64::from(i) / f64::from(rings);
        for j in 0..around {
            let turn = std::f64::consts::TAU * f64::from(j) / f64::from(around);
            let r = 90.0
                + 6.0 * (9.0 * polar).sin() * (8.0 * turn).cos()
                + 0.4 * (90.0 * polar).sin() * (70.0 * turn).sin();
            let direction = Vec3::new(polar.sin() * turn.cos(), polar.sin() * turn.sin(), polar.cos());
            vertices.push(Point3::from(direction * r));
        }
    }
    let mut facet_list = Vec::with_capacity((rings * around * 2) as usize);
    for i in 0..rings {
        for j in 0..around {
            let next = (j + 1) % around;
            let (a, b, c, d) = (i * around + j, i * around + next, (i + 1) * around + j, (i + 1) * around + next);
            facet_list.push([a, c, b]);
            facet_list.push([b, c, d]);
        }
    }
    Scan::new(Geometry::Mesh(Mesh { vertices, facets: facet_list }))
}
