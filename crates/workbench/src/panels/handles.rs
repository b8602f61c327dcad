//! Hardpoints of the linkage in the view: dots to take in hand, arrows along the car's axes to drag.

use super::Action;
use super::geometry::colour;
use crate::geometry::linkage::{Placed, placed};
use crate::geometry::study::Path;
use crate::geometry::{Act, corner_side, moves};
use crate::scale::axes;
use crate::shown::Eye;
use crate::state::State;
use crate::theme;
use egui::{
    Align2, Area, Color32, FontId, Id, Order, Pos2, Rect, Sense, Stroke, TextStyle, Ui, Vec2, WidgetInfo, WidgetType,
    pos2, vec2,
};
use stringline_core::{Point3, Vec3};
use stringline_hardpoints::{Role, Side};
use stringline_kinematics::AS_FOUND;

/// Length of an arrow, logical points.
const ARROW: f32 = 62.0;
/// Room to take hold of a dot or a tip, logical points.
const GRIP: f32 = 18.0;
/// An axis that is foreshortened to less than this part of its length is not offered.
const FORESHORTENED: f32 = 0.12;
const NAMES: [&str; 3] = ["x", "y", "z"];

pub(super) fn all(ui: &mut Ui, view: Rect, state: &State, eye: Option<&Eye>, actions: &mut Vec<Action>) {
    let geometry = &state.geometry;
    if geometry.drag.is_some() && !ui.input(|input| input.pointer.any_down()) {
        // However it ended: the pointer may have left what was dragged.
        actions.push(Action::Geometry(Act::DragEnd));
    }
    let Some(eye) = eye else { return };
    // While a dragged variant cannot be put together its handles stay where they can.
    let path: Option<&Path> =
        [geometry.path(), geometry.path_of(AS_FOUND)].into_iter().flatten().find_map(|p| p.as_ref().ok());
    let Some(path) = path else { return };
    let Some([left, right]) = placed(state, path) else { return };
    // What is drawn here stays off the panels.
    let mut over = ui.new_child(egui::UiBuilder::new().max_rect(view));
    over.set_clip_rect(view);
    let ui = &mut over;
    let side = corner_side(state.side);
    let corner = if side == Side::Right { &right } else { &left };
    for role in moves::points(path.axle.geometry()) {
        point(ui, view, state, eye, corner, role, actions);
    }
    if geometry.point.is_none()
        && let Some(at) =
            corner.point(Role::WheelCentre).and_then(|at| on_screen(eye, &at)).filter(|at| view.contains(*at))
    {
        label(ui, at + vec2(0.0, -12.0), &geometry.hand, colour(ui, state, &geometry.hand));
    }
}

fn on_screen(eye: &Eye, at: &Point3) -> Option<Pos2> {
    eye.to_screen(at).map(|[x, y]| pos2(x, y))
}

fn font(ui: &Ui) -> FontId {
    TextStyle::Small.resolve(ui.style())
}

/// Words on a ground of paper, so that they read over any scan.
fn label(ui: &Ui, at: Pos2, words: &str, colour: Color32) {
    let ink = theme::of(ui);
    let galley = ui.painter().layout_no_wrap(words.to_owned(), font(ui), colour);
    let rect = Align2::CENTER_BOTTOM.anchor_size(at, galley.size());
    ui.painter().rect_filled(rect.expand2(vec2(4.0, 1.0)), 2.0, ink.paper.gamma_multiply(0.88));
    ui.painter().galley(rect.min, galley, colour);
}

fn point(ui: &Ui, view: Rect, state: &State, eye: &Eye, corner: &Placed, role: Role, actions: &mut Vec<Action>) {
    let Some(place) = corner.point(role) else { return };
    let Some(at) = on_screen(eye, &place).filter(|at| view.contains(*at)) else { return };
    let ink = theme::of(ui);
    let chosen = state.geometry.point == Some(role);
    let words = role.words();
    let response = grip(ui, Id::new(("hardpoint", role)), at, Sense::click());
    response.widget_info(|| WidgetInfo::selected(WidgetType::Button, true, chosen, format!("Hardpoint {words}")));
    let lit = chosen || response.hovered();
    ui.painter().circle(
        at,
        if lit { 6.0 } else { 4.5 },
        if chosen { ink.blue } else { ink.paper },
        Stroke::new(1.5, if chosen { ink.on_blue } else { ink.ink }),
    );
    if response.clicked() {
        actions.push(Action::Geometry(Act::Point(if chosen { None } else { Some(role) })));
    }
    let response = response.on_hover_text(format!("{words}: take it in hand to move it"));
    if !chosen {
        if response.hovered() {
            label(ui, at + vec2(0.0, -10.0), &words, ink.ink);
        }
        return;
    }
    label(ui, at + vec2(0.0, 30.0), &words, ink.ink);
    for axis in 0..3 {
        arrow(ui, view, state, eye, &place, at, role, axis, actions);
    }
}

#[expect(clippy::too_many_arguments, reason = "the one caller has them all at hand")]
fn arrow(
    ui: &Ui,
    view: Rect,
    state: &State,
    eye: &Eye,
    place: &Point3,
    at: Pos2,
    role: Role,
    axis: usize,
    actions: &mut Vec<Action>,
) {
    // y is outboard for both corners, as moves are.
    let mirrored = axis == 1 && corner_side(state.side) == Side::Right;
    let mut along = Vec3::zeros();
    along[axis] = if mirrored { -1.0 } else { 1.0 };
    // Points a millimetre, from a step of 10 mm.
    let Some(next) = on_screen(eye, &(place + along * 10.0)) else { return };
    let per_mm = (next - at) / 10.0;
    let longest = (0..3)
        .filter_map(|i| {
            let mut unit = Vec3::zeros();
            unit[i] = 10.0;
            Some((on_screen(eye, &(place + unit))? - at).length() / 10.0)
        })
        .fold(0.0, f32::max);
    if per_mm.length() < FORESHORTENED * longest || per_mm.length() <= 0.0 {
        return;
    }
    let direction = per_mm.normalized();
    let tip = at + direction * ARROW;
    if !view.contains(tip) {
        return;
    }
    let response = grip(ui, Id::new(("arrow", role, axis)), tip, Sense::drag());
    let dragged = state.geometry.drag.as_ref().is_some_and(|drag| (drag.role, drag.axis) == (role, axis));
    let [r, g, b] = axes(ui.visuals().dark_mode)[axis];
    let colour = Color32::from_rgb(r, g, b);
    let strong = dragged || response.hovered() || state.geometry.axis == axis;
    ui.painter().arrow(
        at + direction * 7.0,
        direction * (ARROW - 7.0),
        Stroke::new(if strong { 3.0 } else { 1.75 }, colour),
    );
    let words = format!("Drag {} along {}", role.words(), NAMES[axis]);
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, true, &words));
    if response.drag_started() {
        actions.push(Action::Geometry(Act::DragBegin(role, axis)));
    }
    if response.dragged() && dragged || response.drag_started() {
        let moved: Vec2 = response.drag_delta();
        // Shift for fine work: a tenth of the way.
        let fine = if ui.input(|input| input.modifiers.shift) { 0.1 } else { 1.0 };
        let mm = fine * moved.dot(direction) / per_mm.length();
        actions.push(Action::Geometry(Act::DragBy(f64::from(mm))));
    }
    if response.drag_stopped() {
        actions.push(Action::Geometry(Act::DragEnd));
    }
    let side = (!state.geometry.both).then(|| corner_side(state.side));
    let total = crate::geometry::acts::in_hand(state).map_or(0.0, |variant| moves::total(&variant, role, axis, side));
    let text = format!("{} {total:+.1}", NAMES[axis]).replace('-', "−");
    label(ui, tip + direction * 12.0 + vec2(0.0, 7.0), &text, colour);
    let _ = response.on_hover_text(format!("{words}, in tenths of a millimetre; with Shift ten times finer"));
}

/// Something small that can be taken hold of, over the scans.
fn grip(ui: &Ui, id: Id, at: Pos2, sense: Sense) -> egui::Response {
    Area::new(id)
        .order(Order::Middle)
        .fixed_pos(at - Vec2::splat(0.5 * GRIP))
        .constrain(false)
        .show(ui.ctx(), |ui| ui.allocate_exact_size(Vec2::splat(GRIP), sense).1)
        .inner
}
