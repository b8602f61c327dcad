//! The sheet of the car frame: where each scan stands, typed; one scan laid over another.

use super::{Action, overlay, parts, placing};
use crate::keys::Command;
use crate::state::{State, There};
use crate::theme;
use crate::work::MapOf;
use egui::{ComboBox, Id, Ui};
use nalgebra::{Translation3, UnitQuaternion};
use stringline_core::RigidTransform;
use stringline_job::{Name, Op, Placement};

/// The six numbers that are typed: shifts in mm, then turns in degrees.
const FIELDS: [(&str, &str); 6] = [
    ("forward x", "mm"),
    ("left y", "mm"),
    ("up z", "mm"),
    ("turn about x", "°"),
    ("turn about y", "°"),
    ("turn about z", "°"),
];

/// How far off another surface can be looked for, mm.
const WITHIN: [u16; 7] = [2, 5, 10, 20, 50, 100, 200];

pub(super) fn sheet(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(job) = state.job() else { return };
    ui.heading("Car frame");
    parts::faint(
        ui,
        "x forward, y left, z up; the origin on the ground under the middle of the front axle (ISO 8855). Hardpoints need their scan to stand in it.",
    );
    if job.scans.is_empty() {
        ui.label("There is no scan to place yet.");
        parts::command(ui, Command::StopScans, true, actions);
        return;
    }
    placing::fresh(ui, state, actions);
    for name in job.scans.keys() {
        ui.push_id(name.as_str(), |ui| placed(ui, state, name, actions));
    }
    over_another(ui, state, actions);
    placing::mates(ui, state, actions);
}

fn placed(ui: &mut Ui, state: &State, name: &Name, actions: &mut Vec<Action>) {
    let Some(job) = state.job() else { return };
    let placement = job.placements.get(name);
    let by_mates = state.results.placements.get(name).filter(|_| placement.is_none());
    let title = match state.car_from_scan(name) {
        Some(_) => format!("✓ {name}"),
        None => format!("{name}: not placed yet"),
    };
    ui.separator();
    egui::CollapsingHeader::new(title).id_salt("placed").default_open(placement.is_none() && by_mates.is_none()).show(ui, |ui| {
        if let Some(placement) = placement {
            parts::faint(ui, format!("found: {}", placement.found));
        }
        if let Some(placed) = by_mates {
            parts::faint(ui, format!("found: {}; numbers typed here take its place", placed.found));
        }
        let now = state.world_from_scan(name);
        let initial = numbers(&now);
        let mut typed = [None; 6];
        let mut changed = false;
        let mut entered = false;
        for (index, (label, unit)) in FIELDS.iter().enumerate() {
            let text = format!("{:.4}", initial[index]);
            let id = Id::new(("placement", name.as_str(), index));
            // The scan's name tells these fields from another scan's, for whoever hears them read.
            let (value, enter) = parts::number_field(ui, id, label, unit, &text);
            entered |= enter;
            changed |= value != text;
            // What was not touched keeps all its digits.
            typed[index] = if value == text { Some(initial[index]) } else { parts::number(&value) };
        }
        parts::faint(ui, "Turned first about z, then about the turned y, then about the twice turned x; then shifted.");
        let all: Option<Vec<f64>> = typed.into_iter().collect();
        match all.and_then(|all| <[f64; 6]>::try_from(all).ok()) {
            Some(all) => {
                ui.horizontal_wrapped(|ui| {
                    let why = "Put the scan where these numbers say.";
                    if changed && (parts::button(ui, &format!("Place {name}"), why) || entered) {
                        actions.push(place(name, &transform(&all), "typed"));
                    }
                    if placement.is_none() {
                        let why = "Take the scan's own axes as the car's: right where the scanner was set up on the car, and enough to begin with.";
                        if parts::button(ui, "As it is", why) {
                            actions.push(place(name, &RigidTransform::identity(), "the scan's own frame taken as the car's"));
                        }
                    } else if parts::button(ui, "Forget", "Let the scan stand in its own frame again.") {
                        actions.push(Action::Do(vec![Op::UnplaceScan { name: name.clone() }]));
                    }
                });
            }
            None => drop(parts::faint(ui, "Every field takes a number.")),
        }
    });
}

fn place(name: &Name, car_from_scan: &RigidTransform, found: &str) -> Action {
    let placement = Box::new(Placement::typed(car_from_scan, found));
    Action::Do(vec![Op::PlaceScan { name: name.clone(), placement }])
}

/// Shifts in mm and turns about x, y and z in degrees: `Rz · Ry · Rx`.
fn numbers(t: &RigidTransform) -> [f64; 6] {
    let (x, y, z) = t.rotation.euler_angles();
    let v = t.translation.vector;
    [v.x, v.y, v.z, x.to_degrees(), y.to_degrees(), z.to_degrees()]
}

fn transform(n: &[f64; 6]) -> RigidTransform {
    let rotation = UnitQuaternion::from_euler_angles(n[3].to_radians(), n[4].to_radians(), n[5].to_radians());
    RigidTransform::from_parts(Translation3::new(n[0], n[1], n[2]), rotation)
}

/// One scan over another, with the gap between them in colours.
fn over_another(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    let ready: Vec<&Name> =
        state.scans.iter().filter(|(_, scan)| matches!(scan.there, There::Ready(_))).map(|(name, _)| name).collect();
    let Some(initial) = state.overlaid() else { return };
    parts::heading(ui, "One scan over another");
    parts::faint(ui, "Colours one scan by how far it lies off the other, where both stand in the car.");
    let (mut of, mut from) = initial.clone();
    for (label, chosen) in [("Colour", &mut of), ("against", &mut from)] {
        ui.horizontal(|ui| {
            let text = ui.label(label);
            let combo = ComboBox::from_id_salt(label).selected_text(chosen.as_str()).show_ui(ui, |ui| {
                for name in &ready {
                    ui.selectable_value(chosen, (*name).clone(), name.as_str());
                }
            });
            combo.response.labelled_by(text.id);
        });
    }
    if (&of, &from) != (&initial.0, &initial.1) {
        actions.push(Action::Overlay(of.clone(), from.clone()));
    }
    let wanted = MapOf::Gap { of: of.clone(), from: from.clone(), within: state.gap_within };
    let shown = state.map_wanted.as_ref() == Some(&wanted);
    if of == from {
        parts::faint(ui, "Choose two different scans.");
    } else {
        ui.horizontal_wrapped(|ui| {
            parts::switch(ui, Command::GapMap, shown, true, actions);
            let faded = state.scans.get(&from).is_some_and(|scan| scan.opacity < 1.0);
            if ui
                .selectable_label(faded, "Fade the other")
                .on_hover_text("See through the scan it is measured against.")
                .clicked()
            {
                actions.push(Action::Opacity(from.clone(), if faded { 1.0 } else { 0.3 }));
            }
        });
    }
    ui.horizontal(|ui| {
        let label = ui.label("gaps up to");
        let now = format!("{} mm", state.gap_within);
        let combo = ComboBox::from_id_salt("gaps up to").selected_text(now).show_ui(ui, |ui| {
            for within in WITHIN {
                let chosen = state.gap_within == within;
                if ui.selectable_label(chosen, format!("{within} mm")).clicked() && !chosen {
                    actions.push(Action::GapWithin(within));
                }
            }
        });
        combo.response.labelled_by(label.id).on_hover_text("What lies farther off is left grey. Less is quicker.");
    });
    overlay::sheet(ui, state, actions);
    if of != from {
        placing::lay(ui, state, [&of, &from], actions);
    }
    let unplaced = [&of, &from].into_iter().find(|name| state.car_from_scan(name).is_none());
    if let Some(name) = unplaced {
        parts::note(ui, ink.amber, |ui| {
            ui.label(format!("{name} is not placed: it is taken as it stands in its own frame."));
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn typed_numbers_and_transforms_agree() {
        let typed = [12.5, -700.0, 301.25, 5.0, -12.0, 171.0];
        let back = numbers(&transform(&typed));
        for (a, b) in typed.iter().zip(back) {
            assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
        // A turn about z alone takes x to y.
        let turned = transform(&[0.0, 0.0, 0.0, 0.0, 0.0, 90.0]) * stringline_core::Point3::new(1.0, 0.0, 0.0);
        assert!((turned - stringline_core::Point3::new(0.0, 1.0, 0.0)).norm() < 1e-12);
    }
}
