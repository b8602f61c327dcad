//! The panels: plain functions from what there is to what a person wants done. None changes the job or
//! touches the disk.

mod asking;
mod bodies;
mod callouts;
mod clearance;
mod compared;
mod curves;
mod drawer;
mod drawing;
mod empty;
mod features;
mod frame;
mod gaps;
mod geometry;
mod handles;
mod later;
mod legend;
mod messages;
mod outlines;
mod overlay;
mod parts;
mod placing;
mod roles;
mod route;
mod scans;

use crate::geometry::Act;
use crate::keys::Command;
use crate::shown::Eye;
use crate::state::{Page, Purpose, Section, State, Stop};
use crate::work::MapOf;
use egui::{Frame, Id, Margin, Panel, Rect, ScrollArea, Ui};
use std::path::PathBuf;
use stringline_hardpoints::Side;
use stringline_job::{Name, Op};

/// Width of the sheet, logical points.
const SHEET: f32 = 312.0;

/// What a person wants done.
#[derive(Debug)]
pub(crate) enum Action {
    /// Operations on the job, in order.
    Do(Vec<Op>),
    Command(Command),
    Go(Stop),
    Choose(Option<Name>),
    Pick(String),
    /// Another name, as typed, for a feature.
    Rename(Name, String),
    Side(Side),
    Brush(f64),
    Ask(Purpose),
    /// Asks in a dialog of the system, again.
    Dialog(Purpose),
    Given(Purpose, PathBuf),
    /// Given, and what stands there may be replaced.
    Sure(Purpose, PathBuf),
    Open(PathBuf),
    Sample,
    /// Strikes a job off the recent ones.
    Forget(PathBuf),
    /// Files, and the variant in place of the car as found.
    Export(Vec<PathBuf>, Option<String>),
    Cancel,
    SaveAndClose,
    CloseAnyway,
    Geometry(Act),
    Clearance(crate::clearance::acts::Act),
    Placing(crate::placing::Act),
    Opacity(Name, f32),
    LoadAgain(Name),
    Section(Option<Section>),
    Map(Option<MapOf>),
    Looking(crate::overlay::Act),
    /// The scan that is coloured, and the one it is laid over.
    Overlay(Name, Name),
    /// How far off another surface is looked for, mm.
    GapWithin(u16),
    Fold(String),
    Dismiss(u64),
    Drawer(Option<Page>),
    StopTask(u64),
    StopEvaluating,
    Evaluate,
    Text(f32),
    /// Back until only so many steps are done.
    UndoTo(usize),
}

/// Draws everything; what is left for the scans, and what is wanted.
pub(crate) fn all(ui: &mut Ui, state: &State, eye: Option<&Eye>) -> (Rect, Vec<Action>) {
    let mut actions = Vec::new();
    if state.asking.is_some() {
        // Nothing below a question speaks, nor says in a tooltip what it would do.
        ui.disable();
    }
    Panel::top(Id::new("route")).show_separator_line(true).show(ui, |ui| route::bar(ui, state, &mut actions));
    if state.job.is_some() {
        Panel::left(Id::new("sheet"))
            .resizable(false)
            .exact_size(SHEET)
            .frame(Frame::side_top_panel(ui.style()).inner_margin(Margin::symmetric(10, 8)))
            .show(ui, |ui| {
                ScrollArea::vertical().auto_shrink(false).show(ui, |ui| sheet(ui, state, &mut actions));
            });
        // Open and shut it has a height of its own.
        let panel = match state.drawer {
            // Curves want more room than lists.
            Some(Page::Overlay) => {
                Panel::bottom(Id::new("drawer of an overlay")).resizable(true).default_size(370.0).min_size(260.0)
            }
            Some(Page::Curves | Page::Gaps) => {
                Panel::bottom(Id::new("drawer of curves")).resizable(true).default_size(300.0).min_size(260.0)
            }
            Some(_) => Panel::bottom(Id::new("open drawer")).resizable(true).default_size(240.0),
            None => Panel::bottom(Id::new("shut drawer")),
        };
        panel.show(ui, |ui| drawer::drawer(ui, state, &mut actions));
    }
    let rect = ui.available_rect_before_wrap();
    match state.job {
        Some(_) if state.stop == Stop::Geometry => handles::all(ui, rect, state, eye, &mut actions),
        Some(_) if state.stop == Stop::Clearance => callouts::clearance(ui, rect, state, eye),
        Some(_) => {
            callouts::all(ui, rect, state, eye, &mut actions);
            callouts::probe(ui, rect, state, eye);
        }
        None => empty::page(ui, rect, state, &mut actions),
    }
    messages::all(ui, rect, state, &mut actions);
    legend::all(ui, rect, state, &mut actions);
    asking::window(ui.ctx(), state, &mut actions);
    (rect, actions)
}

fn sheet(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    match state.stop {
        Stop::Scans => scans::sheet(ui, state, actions),
        Stop::Features => features::sheet(ui, state, actions),
        Stop::Frame => frame::sheet(ui, state, actions),
        Stop::Geometry => geometry::sheet(ui, state, actions),
        Stop::Clearance => clearance::sheet(ui, state, actions),
        Stop::Cut => later::sheet(ui),
    }
}
