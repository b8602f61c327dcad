//! On the sheet of the stop Clearance: which bodies there are, what each moves with and what it is.

use super::{Action, parts};
use crate::clearance::acts::Act;
use crate::clearance::wheels::{new_body, sized};
use crate::geometry;
use crate::state::State;
use egui::{CollapsingHeader, ComboBox, Ui};
use std::sync::Arc;
use stringline_core::Point3;
use stringline_hardpoints::{Role, Side};
use stringline_job::{BodyShape, BodySpec, Job, Name, Op, Place};
use stringline_kinematics::Link;

/// Diameter that a new tube begins with, mm.
const TUBE: f64 = 25.0;
/// What a drawn section is for.
const DRAWN: &str = "From a file with the section of rim and tyre: a point a line, its place along the axis (outboard positive \
                     from the rim's middle) and its radius, mm.";
/// What a scan is turned into a wheel for.
const TURNED: &str = "This is a scanned wheel: its axis is fitted, and what was scanned is turned about it. It stands where it was \
                      scanned and moves with the knuckle.";

/// What moves with what.
pub(super) fn bodies(ui: &mut Ui, state: &State, job: &Arc<Job>, actions: &mut Vec<Action>) {
    parts::heading(ui, "Bodies");
    if job.bodies.is_empty() {
        ui.label("Say which scan moves with what, and add the wheel.");
    }
    for (name, body) in &job.bodies {
        ui.push_id(("body", name.as_str()), |ui| one_body(ui, state, job, name, body, actions));
    }
    for name in job.scans.keys() {
        let known = job.bodies.values().any(|b| b.shape.scan() == Some(name));
        if known || job.bodies.contains_key(name) {
            continue;
        }
        let side = geometry::linkage::knuckle_side(state, name);
        let (moves_with, side) = match side {
            Some(side) => (Link::Knuckle, side),
            None => (Link::Chassis, Side::Centre),
        };
        ui.horizontal_wrapped(|ui| {
            if parts::button(ui, &format!("+ {name}"), "This scan is a body that something could touch.") {
                let body = new_body(BodyShape::Scan { scan: name.clone() }, moves_with, side);
                actions.push(set(name, body));
            }
            if parts::button(ui, &format!("{name} is a wheel"), TURNED) {
                actions
                    .push(set(name, new_body(BodyShape::turned(name.clone()), Link::Knuckle, wheel_side(state, name))));
            }
        });
    }
    ui.horizontal_wrapped(|ui| {
        let wheel = job.bodies.values().any(|b| matches!(b.shape, BodyShape::Wheel(_)));
        if !wheel && parts::button(ui, "+ wheel", "The wheel with its tyre, from the sizes of the car and the rim.") {
            actions.push(Action::Do(crate::clearance::wheels::new_wheels(&sized())));
        }
        if !wheel && parts::button(ui, "+ wheel from a drawing", DRAWN) {
            actions.push(Action::Clearance(Act::Draw(None)));
        }
        let rods = job.bodies.values().any(|b| matches!(b.shape, BodyShape::Tube { .. }));
        if !rods && parts::button(ui, "+ tie rods", "A round bar between both ends of each tie rod.") {
            for side in [Side::Left, Side::Right] {
                let (from, to) = (Place::Hardpoint(Role::TieRodInner), Place::Hardpoint(Role::TieRodOuter));
                if let Ok(name) = format!("tie rod {}", side.name()).parse::<Name>() {
                    let shape = BodyShape::Tube { from, to, diameter: TUBE };
                    actions.push(set(&name, new_body(shape, Link::TieRod, side)));
                }
            }
        }
    });
    parts::faint(
        ui,
        "A new part's design is added as a scan is, placed at the stop Car frame, and fitted in its variant here.",
    );
}

fn set(name: &Name, body: BodySpec) -> Action {
    Action::Do(vec![Op::SetBody { name: name.clone(), body: Box::new(body) }])
}

fn one_body(ui: &mut Ui, state: &State, job: &Job, name: &Name, body: &BodySpec, actions: &mut Vec<Action>) {
    let what = match &body.shape {
        BodyShape::Scan { .. } => "",
        BodyShape::Tube { .. } => "tube",
        BodyShape::Plate { .. } => "plate",
        BodyShape::Wheel(_) => "wheel",
        BodyShape::TurnedScan { .. } => "scanned wheel",
    };
    let with = format!("moves with {}{}", body.moves_with.words(), side_words(body.side));
    CollapsingHeader::new(name.as_str())
        .id_salt("one")
        .show(ui, |ui| {
            let mut changed = body.clone();
            ui.horizontal(|ui| {
                let label = ui.label("moves with");
                let combo = ComboBox::from_id_salt("link").selected_text(body.moves_with.words()).show_ui(ui, |ui| {
                    for link in Link::ALL {
                        ui.selectable_value(&mut changed.moves_with, link, link.words());
                    }
                });
                combo.response.labelled_by(label.id);
            });
            ui.horizontal(|ui| {
                let label = ui.label("corner");
                let combo = ComboBox::from_id_salt("side").selected_text(body.side.name()).show_ui(ui, |ui| {
                    for side in [Side::Left, Side::Right, Side::Centre] {
                        ui.selectable_value(&mut changed.side, side, side.name());
                    }
                });
                combo.response.labelled_by(label.id);
            });
            if !job.variants.is_empty() {
                ui.horizontal(|ui| {
                    let label = ui.label("fitted in");
                    let now = match body.variants.as_slice() {
                        [] => "every variant".to_owned(),
                        some => some.join(", "),
                    };
                    let combo = ComboBox::from_id_salt("variants").selected_text(now).show_ui(ui, |ui| {
                        if ui.selectable_label(body.variants.is_empty(), "every variant").clicked() {
                            changed.variants.clear();
                        }
                        let names = std::iter::once(stringline_kinematics::AS_FOUND)
                            .chain(job.variants.iter().map(|variant| variant.name.as_str()));
                        for variant in names {
                            let has = body.variants.iter().any(|known| known == variant);
                            if ui.selectable_label(has, variant).clicked() {
                                match has {
                                    true => changed.variants.retain(|known| known != variant),
                                    false => changed.variants.push(variant.to_owned()),
                                }
                            }
                        }
                    });
                    combo
                        .response
                        .labelled_by(label.id)
                        .on_hover_text("The old part as found, the new one in its variant.");
                });
            }
            match &mut changed.shape {
                BodyShape::Tube { diameter, .. } => number(ui, "diameter", "mm", diameter),
                BodyShape::Plate { thickness, .. } => number(ui, "thickness", "mm", thickness),
                BodyShape::Wheel(wheel) if !wheel.section.is_empty() => {
                    let radius = wheel.section.iter().map(|p| p[0]).fold(0.0, f64::max);
                    let points = crate::words::plural(wheel.section.len(), "point");
                    parts::faint(ui, format!("drawn section of {points}, radius {radius} mm"));
                    if parts::button(
                        ui,
                        "Back to its sizes",
                        "The tyre's marking and the rim's numbers in place of the drawing.",
                    ) {
                        wheel.section.clear();
                    }
                }
                BodyShape::Wheel(wheel) => {
                    number(ui, "bulge of each side", "mm", &mut wheel.bulge);
                    let mut offset = wheel.offset.or(job.vehicle.rim_offset).unwrap_or(0.0);
                    number(ui, "rim offset", "mm", &mut offset);
                    if wheel.offset.or(job.vehicle.rim_offset) != Some(offset) {
                        wheel.offset = Some(offset);
                    }
                    let tyre = wheel.tyre.clone().or_else(|| job.vehicle.tyre.clone());
                    parts::faint(
                        ui,
                        format!("tyre {}", tyre.as_deref().unwrap_or("not known: see \"The car\" at Geometry")),
                    );
                }
                BodyShape::TurnedScan { cell, .. } => number(ui, "fineness", "mm", cell),
                BodyShape::Scan { .. } => {}
            }
            match &body.shape {
                BodyShape::Wheel(_) if parts::button(ui, "Take a drawn section", DRAWN) => {
                    actions.push(Action::Clearance(Act::Draw(Some(name.clone()))));
                }
                BodyShape::Scan { scan } if parts::button(ui, "It is a wheel", TURNED) => {
                    changed.shape = BodyShape::turned(scan.clone());
                    changed.moves_with = Link::Knuckle;
                    changed.side = wheel_side(state, scan);
                }
                BodyShape::TurnedScan { scan, .. }
                    if parts::button(ui, "As it was scanned", "The scan itself again, not turned about an axis.") =>
                {
                    changed.shape = BodyShape::Scan { scan: scan.clone() };
                }
                _ => {}
            }
            if changed != *body {
                actions.push(set(name, changed));
            }
            if parts::button(ui, "Take it out", "It is no body any more; a scan stays in the job.") {
                actions.push(Action::Do(vec![Op::RemoveBody { name: name.clone() }]));
            }
        })
        .header_response
        .on_hover_text(format!("{what} {with}").trim());
}

/// The corner whose wheel a scan is: on whose side of the car it stands.
fn wheel_side(state: &State, scan: &Name) -> Side {
    let bounds = state.scans.get(scan).and_then(|scan| scan.ready()?.scan.bounds());
    let middle = bounds.map(|(low, high)| state.world_from_scan(scan) * nalgebra::center(&low, &high));
    if middle.is_some_and(|middle: Point3| middle.y < 0.0) { Side::Right } else { Side::Left }
}

fn side_words(side: Side) -> String {
    if side == Side::Centre { String::new() } else { format!(", {}", side.name()) }
}

/// A number that is taken once it is typed, not while it is.
pub(super) fn number(ui: &mut Ui, name: &str, unit: &str, value: &mut f64) {
    let initial = format!("{value}");
    let (text, entered) = parts::number_field(ui, ui.id().with(name), name, unit, &initial);
    if entered && let Some(now) = parts::number(&text) {
        *value = now;
    }
}
