//! The sheet of scans: what there is, showing and fading it, its unit, what the job and the car are called.

use super::{Action, parts};
use crate::files::likelier_unit;
use crate::keys::Command;
use crate::state::{ScanState, State, There};
use crate::theme;
use crate::words::count;
use egui::{ComboBox, Id, RichText, Slider, Ui};
use stringline_core::units::LengthUnit;
use stringline_hardpoints::Suspension;
use stringline_job::{Name, Op, ScanFile};
use stringline_scan::Geometry;

/// Units that scan files come in.
const UNITS: [(LengthUnit, &str); 6] = [
    (LengthUnit::Millimetre, "millimetres"),
    (LengthUnit::Centimetre, "centimetres"),
    (LengthUnit::Metre, "metres"),
    (LengthUnit::Inch, "inches"),
    (LengthUnit::Foot, "feet"),
    (LengthUnit::Micrometre, "micrometres"),
];

fn unit_words(unit: LengthUnit) -> &'static str {
    UNITS.iter().find(|(known, _)| *known == unit).map_or("", |(_, words)| words)
}

pub(super) fn sheet(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(job) = state.job() else { return };
    ui.heading("Scans");
    if job.scans.is_empty() {
        ui.label("Drop scan files on the window, or:");
    }
    parts::wide_command(ui, Command::AddScan, true, actions);
    for (name, scan) in &state.scans {
        ui.push_id(name.as_str(), |ui| row(ui, state, name, scan, actions));
    }
    if !job.scans.is_empty() {
        ui.add_space(8.0);
        if parts::button(ui, "Paint features →", "Go on to the next stop: paint bores, seats and faces on these scans.")
        {
            actions.push(Action::Command(Command::StopFeatures));
        }
    }
    parts::heading(ui, "The job");
    let (title, _) = parts::text_field(ui, Id::new("title"), "What it is called", &job.title, "left front, donor");
    if title != job.title && parts::button(ui, "Keep the name", "It stands on exports and at the top of the window.") {
        actions.push(Action::Do(vec![Op::SetTitle { title }]));
    }
    kind_of_corner(ui, state, actions);
}

/// The choice between the kinds of suspension.
pub(super) fn kind_of_corner(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(job) = state.job() else { return };
    ui.label("Kind of corner");
    ui.horizontal(|ui| {
        for (kind, words, why) in [
            (Suspension::Strut, "strut", "One lower arm below a strut."),
            (Suspension::DoubleWishbone, "two arms", "An upper and a lower arm."),
        ] {
            let chosen = job.suspension == Some(kind);
            let tip = format!("{why} It decides which hardpoints a complete corner needs.");
            if ui.selectable_label(chosen, words).on_hover_text(tip).clicked() && !chosen {
                let vehicle = Box::new(job.vehicle.as_ref().clone());
                actions.push(Action::Do(vec![Op::SetVehicle { vehicle, suspension: Some(kind) }]));
            }
        }
    });
}

fn row(ui: &mut Ui, state: &State, name: &Name, scan: &ScanState, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    ui.separator();
    ui.horizontal(|ui| {
        let mut shown = scan.opacity > 0.0;
        let tip = "Show or hide this scan. Hidden, it is not painted either.";
        if ui.checkbox(&mut shown, name.as_str()).on_hover_text(tip).changed() {
            actions.push(Action::Opacity(name.clone(), if shown { 1.0 } else { 0.0 }));
        }
    });
    match &scan.there {
        There::Loading(task) | There::Coarse(task, _) => {
            if let Some(task) = state.task(*task) {
                ui.horizontal(|ui| {
                    ui.add(egui::ProgressBar::new(task.share()).desired_width(150.0).show_percentage());
                    if parts::button(ui, "Stop", "Leave this scan out for now; it can be loaded again.") {
                        actions.push(Action::StopTask(task.id));
                    }
                });
            }
        }
        There::Stopped => {
            ui.horizontal(|ui| {
                ui.label("Loading was stopped.");
                if parts::button(ui, "Load", "Load this scan after all.") {
                    actions.push(Action::LoadAgain(name.clone()));
                }
            });
        }
        There::Failed(trouble) => {
            parts::trouble(ui, trouble);
            ui.horizontal(|ui| {
                if parts::button(ui, "Try again", "Read the file once more, when it is back in its place.") {
                    actions.push(Action::LoadAgain(name.clone()));
                }
                remove(ui, state, name, actions);
            });
        }
        There::Ready(loaded) => {
            let what = match loaded.scan.geometry() {
                Geometry::Mesh(mesh) => format!("{} triangles", count(mesh.facets.len())),
                Geometry::Cloud(cloud) => format!("{} points", count(cloud.points.len())),
            };
            parts::faint(ui, format!("{what} · a point every {:.2} mm", loaded.scan.spacing()));
            if scan.opacity > 0.0 {
                let mut opacity = scan.opacity;
                let label = ui.horizontal(|ui| {
                    let label = ui.label("Faded to");
                    let slider = Slider::new(&mut opacity, 0.1..=1.0)
                        .show_value(true)
                        .custom_formatter(|value, _| format!("{:.0} %", 100.0 * value));
                    let response = ui.add(slider).labelled_by(label.id);
                    response.on_hover_text("See through this scan to what lies behind it.").changed()
                });
                if label.inner {
                    actions.push(Action::Opacity(name.clone(), opacity));
                }
            }
            if let Some(other) = likelier_unit(&loaded.scan, scan.file.unit) {
                parts::note(ui, ink.amber, |ui| {
                    let size = loaded.scan.geometry().bounds().map_or(0.0, |(low, high)| (high - low).max());
                    ui.label(format!("It is {size:.3} mm long. Is the file in {}?", unit_words(other)));
                });
            }
            ui.horizontal(|ui| {
                unit(ui, state, name, &scan.file, actions);
                remove(ui, state, name, actions);
            });
        }
    }
}

fn unit(ui: &mut Ui, state: &State, name: &Name, file: &ScanFile, actions: &mut Vec<Action>) {
    let painted = state.job().is_some_and(|job| job.features.values().any(|feature| feature.scan == *name));
    ui.add_enabled_ui(!painted, |ui| {
        let combo =
            ComboBox::from_id_salt("unit").width(104.0).selected_text(unit_words(file.unit)).show_ui(ui, |ui| {
                for (unit, words) in UNITS {
                    if ui.selectable_label(file.unit == unit, words).clicked() && file.unit != unit {
                        let scan = ScanFile { unit, ..file.clone() };
                        actions.push(Action::Do(vec![Op::ReplaceScan { name: name.clone(), scan }]));
                    }
                }
            });
        combo
            .response
            .on_hover_text("The unit of the file's numbers. Nothing is rescaled unless you say so.")
            .on_disabled_hover_text("Features are painted on it: another unit would move them. Remove them first.");
    });
}

fn remove(ui: &mut Ui, state: &State, name: &Name, actions: &mut Vec<Action>) {
    let used = state.job().is_some_and(|job| job.features.values().any(|feature| feature.scan == *name));
    let button = ui.add_enabled(!used, egui::Button::new(RichText::new("Remove")));
    let button = button.on_hover_text("Take it out of the job. The file stays where it is.");
    let label = format!("Remove {name}");
    button.widget_info(|| egui::WidgetInfo::labeled(egui::WidgetType::Button, !used, &label));
    if button.on_disabled_hover_text("Features lie on it: remove them first.").clicked() {
        actions.push(Action::Do(vec![Op::RemoveScan { name: name.clone() }]));
    }
}
