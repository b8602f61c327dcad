//! The sheet of features: the brush, the list, the one that is chosen, what is picked.

use super::{Action, parts, roles};
use crate::keys::Command;
use crate::state::State;
use crate::theme;
use crate::words::{self, Trouble, plural};
use crate::work::MapOf;
use egui::{ComboBox, Id, RichText, Slider, TextEdit, Ui};
use stringline_job::{FeatureSpec, FitSpec, Name, Op, Wanted, hardpoint_words};

/// The shapes a person can ask for, in plain words.
const SHAPES: [(Wanted, &str, &str); 6] = [
    (Wanted::Auto, "by evidence", "Whichever shape the points speak for; it is said where they do not decide."),
    (Wanted::Plane, "plane", "A flat face."),
    (Wanted::Cylinder, "cylinder", "A bore, a pin, a bush."),
    (Wanted::Cone, "cone", "A taper seat, a chamfer."),
    (Wanted::Sphere, "sphere", "A ball, a cup."),
    (Wanted::Circle, "circle", "The rim of a hole in sheet metal: paint the rim alone."),
];

pub(super) fn sheet(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(job) = state.job() else { return };
    ui.heading("Features");
    brush(ui, state, actions);
    if job.features.is_empty() {
        parts::faint(
            ui,
            "Press on a bore, a seat or a face and draw round it. Three dabs spread round a bore say more than one large one.",
        );
    }
    if let Some(name) = &state.chosen {
        chosen(ui, state, name, actions);
    }
    roles::picked(ui, state, actions);
    if !job.features.is_empty() {
        list(ui, state, actions);
    }
    roles::needed(ui, state, actions);
}

fn brush(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    ui.horizontal(|ui| {
        let label = ui.label("Brush");
        let mut radius = state.remembered.brush;
        let slider = Slider::new(&mut radius, 0.5..=50.0)
            .logarithmic(true)
            .suffix(" mm")
            .custom_formatter(|value, _| format!("{value:.1}"));
        let tip = format!(
            "Radius of a dab. Keys: {} and {}, or Ctrl and the wheel.",
            Command::Wider.key_words(),
            Command::Narrower.key_words()
        );
        if ui.add(slider).labelled_by(label.id).on_hover_text(tip).changed() {
            actions.push(Action::Brush(radius));
        }
    });
    ui.horizontal(|ui| {
        parts::switch(ui, Command::Wipe, state.wiping, true, actions);
        if state.evaluating {
            parts::faint(ui, "fitting …");
            if parts::button(ui, "Stop", "Stop working out the features; the last step is kept, unfitted.") {
                actions.push(Action::StopEvaluating);
            }
        } else if !state.up_to_date() && !state.tasks.is_empty() {
            parts::faint(ui, "waiting for scans");
        } else if !state.up_to_date() && parts::button(ui, "Fit all", "Work out what was stopped.") {
            actions.push(Action::Evaluate);
        }
    });
}

/// The feature in hand: what it is, and everything that can be done to it.
fn chosen(ui: &mut Ui, state: &State, name: &Name, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    let Some(job) = state.job() else { return };
    let Some(spec) = job.features.get(name) else { return };
    parts::heading(ui, "In hand");
    name_field(ui, state, name, actions);
    parts::faint(ui, format!("on {}", spec.scan));
    if let Some(failed) =
        state.results.failures.iter().find(|failed| failed.what == "feature" && failed.name == name.as_str())
    {
        parts::trouble(ui, &Trouble::of(&failed.error));
    }
    if let Some((_, result)) = state.chosen_result() {
        let feature = &result.feature;
        ui.label(feature.shape.kind().words(feature.side));
        for line in words::feature_lines(feature) {
            ui.label(line);
        }
        let points = format!("{} points, {} left out", words::count(feature.used), words::count(feature.rejected));
        parts::faint(ui, points)
            .on_hover_text("Points that do not belong, as where a dab spilled over an edge, are left out.");
        if let Some(words) = result.weighed.as_ref().and_then(|weighed| words::undecided(&weighed.verdict)) {
            ui.label(RichText::new(format!("It {words}.")).color(ink.amber));
        }
    }
    if let Some(advice) = crate::live::advice_for(state, name) {
        parts::note(ui, ink.blue, |ui| {
            ui.label(advice);
        });
    }
    ui.horizontal_wrapped(|ui| {
        parts::switch(ui, Command::Grow, spec.fit.grow, true, actions);
        parts::command(ui, Command::Finish, true, actions);
        parts::command(ui, Command::Remove, true, actions);
        parts::command(ui, Command::Rename, true, actions);
    });
    shape(ui, name, &spec.fit, actions);
    held_and_joined(ui, state, name, actions);
    let map_shown = state.map_wanted.as_ref() == Some(&MapOf::Residuals(name.clone()));
    ui.horizontal_wrapped(|ui| {
        parts::switch(ui, Command::Residuals, map_shown, true, actions);
        parts::switch(ui, Command::Section, state.section.is_some(), true, actions);
    });
    if let Some(section) = state.section {
        ui.horizontal(|ui| {
            let label = ui.label("Cut moved by");
            let mut shift = section.shift;
            let slider = Slider::new(&mut shift, -100.0..=100.0).suffix(" mm");
            if ui.add(slider).labelled_by(label.id).on_hover_text("Move the cut through the part.").changed() {
                actions.push(Action::Section(Some(crate::state::Section { shift, ..section })));
            }
        });
    }
    dabs(ui, name, spec, actions);
}

/// The feature's name, to be typed over.
fn name_field(ui: &mut Ui, state: &State, name: &Name, actions: &mut Vec<Action>) {
    let id = Id::new(("name of", name.as_str()));
    let initial = name.to_string();
    let mut text = parts::kept(ui, id, &initial);
    if parts::wished(ui, Id::new("renaming"), state.renaming) {
        parts::ready_to_type(ui, id, &text);
    }
    let response = ui.horizontal(|ui| {
        let label = ui.label("Name");
        let field = TextEdit::singleline(&mut text).id(id).text_color(theme::of(ui).blue);
        ui.add(field.desired_width(f32::INFINITY)).labelled_by(label.id).on_hover_text(Command::Rename.tip())
    });
    let response = response.inner;
    if response.lost_focus() {
        // Esc, or a click elsewhere, leaves it as it was.
        let entered = ui.input(|input| input.key_pressed(egui::Key::Enter));
        if entered && text.trim() != name.as_str() {
            actions.push(Action::Rename(name.clone(), text.trim().to_owned()));
        }
        text.clone_from(&initial);
    } else if response.has_focus() && text != initial {
        parts::faint(ui, "Enter renames it, Esc leaves it as it was.");
    }
    parts::keep(ui, id, initial, text);
}

fn shape(ui: &mut Ui, name: &Name, fit: &FitSpec, actions: &mut Vec<Action>) {
    ui.horizontal(|ui| {
        let label = ui.label("Shape");
        let now = SHAPES.iter().find(|(shape, ..)| *shape == fit.shape).map_or("", |(_, words, _)| words);
        let combo = ComboBox::from_id_salt("shape").selected_text(now).show_ui(ui, |ui| {
            for (shape, words, why) in SHAPES {
                let chosen = fit.shape == shape;
                if ui.selectable_label(chosen, words).on_hover_text(why).clicked() && !chosen {
                    let held = fit.held_radius.filter(|_| !matches!(shape, Wanted::Plane | Wanted::Cone));
                    let fit = FitSpec { shape, held_radius: held, ..fit.clone() };
                    actions.push(Action::Do(vec![Op::SetFit { name: name.clone(), fit }]));
                }
            }
        });
        combo.response.labelled_by(label.id).on_hover_text(Command::NextShape.why());
        parts::command(ui, Command::NextShape, true, actions);
    });
}

/// Holding the radius at a known size, and fitting with other bores on one axis.
fn held_and_joined(ui: &mut Ui, state: &State, name: &Name, actions: &mut Vec<Action>) {
    let Some((job, fit)) = state.job().zip(state.chosen_fit()) else { return };
    let radius = state.chosen_result().and_then(|(_, result)| result.feature.shape.radius());
    let joint = job.joint_of(name);
    let others = state.picked.iter().filter(|picked| *picked != name.as_str()).count();
    ui.horizontal_wrapped(|ui| {
        if fit.held_radius.or(radius).is_some() {
            parts::switch(ui, Command::Hold, fit.held_radius.is_some(), true, actions);
        }
        parts::switch(ui, Command::Join, joint.is_some(), joint.is_some() || others > 0, actions);
    });
    if let Some(held) = fit.held_radius {
        // As a diameter, which is what stands on drawings.
        let initial = format!("{:.3}", 2.0 * held);
        let id = Id::new(("held", name.as_str()));
        let (text, entered) = parts::number_field(ui, id, "⌀ held at", "mm", &initial);
        match parts::number(&text).filter(|diameter| *diameter > 0.0) {
            Some(diameter) if text != initial => {
                let hold = parts::button(ui, "Hold this diameter", "Fit with the diameter fixed at what you typed.");
                if hold || entered {
                    let fit = FitSpec { held_radius: Some(diameter / 2.0), ..fit.clone() };
                    actions.push(Action::Do(vec![Op::SetFit { name: name.clone(), fit }]));
                }
            }
            Some(_) => {}
            None => drop(parts::faint(ui, "A diameter in millimetres, above zero.")),
        }
    }
    if let Some((_, joint)) = joint {
        let others: Vec<&str> = joint.features.iter().filter(|other| *other != name).map(Name::as_str).collect();
        ui.label(format!("fitted on {} with {}", joint.relation.word(), others.join(", ")));
        if let Some(moved) = state.chosen_result().and_then(|(_, result)| result.joint.as_ref()).map(|(_, m)| m) {
            let turn = moved.turn.to_degrees();
            parts::faint(ui, format!("which turned it by {turn:.3}° and shifted it by {:.3} mm", moved.shift));
        }
    }
}

/// The dabs, to wipe one by one.
fn dabs(ui: &mut Ui, name: &Name, spec: &FeatureSpec, actions: &mut Vec<Action>) {
    if spec.dabs.is_empty() {
        return;
    }
    egui::CollapsingHeader::new(plural(spec.dabs.len(), "dab")).id_salt("dabs").show(ui, |ui| {
        for (index, dab) in spec.painted().iter().enumerate() {
            ui.horizontal(|ui| {
                let verb = if dab.wipe { "wipes" } else { "paints" };
                ui.label(format!("{}: {verb} {:.1} mm", index + 1, dab.radius));
                if parts::sign(ui, "✕", &format!("Take dab {} away", index + 1)) {
                    actions.push(Action::Do(vec![Op::Wipe { feature: name.clone(), dab: index }]));
                }
            });
        }
    });
}

/// All features and the datums between, to choose and to pick.
fn list(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    let Some(job) = state.job() else { return };
    parts::heading(ui, "All features");
    parts::faint(ui, "The name chooses, the box picks for constructing and measuring.");
    for name in job.features.keys() {
        if parts::row_out_of_sight(ui) {
            continue;
        }
        ui.horizontal(|ui| {
            pick_box(ui, state, name.as_str(), actions);
            let here = state.chosen.as_ref() == Some(name);
            let failed = state.results.failures.iter().any(|f| f.what == "feature" && f.name == name.as_str());
            let text =
                RichText::new(name.as_str()).color(if failed && !here { ink.red } else { ui.visuals().text_color() });
            let text = if here { text.color(ink.on_blue) } else { text };
            if ui.selectable_label(here, text).on_hover_text("Take this feature in hand").clicked() {
                actions.push(Action::Choose(if here { None } else { Some(name.clone()) }));
            }
            let used: Vec<String> = job
                .hardpoints
                .iter()
                .filter(|hardpoint| hardpoint.construction.inputs().contains(&name.as_str()))
                .map(|hardpoint| hardpoint_words(hardpoint.role, hardpoint.side))
                .collect();
            let detail = match state.results.features.get(name) {
                Some(_) if !used.is_empty() => used.join(", "),
                Some(result) => words::size(&result.feature),
                None if failed => "needs a look".into(),
                None => "…".into(),
            };
            ui.add(egui::Label::new(RichText::new(detail).small().color(ink.faint)).truncate());
        });
    }
    for (name, how) in &job.datums {
        ui.horizontal(|ui| {
            pick_box(ui, state, name.as_str(), actions);
            ui.label(name.as_str()).on_hover_text(how.words());
            if parts::sign(ui, "✕", &format!("Remove {name}")) {
                actions.push(Action::Do(vec![Op::RemoveDatum { name: name.clone() }]));
            }
        });
    }
}

fn pick_box(ui: &mut Ui, state: &State, name: &str, actions: &mut Vec<Action>) {
    let mut picked = state.picked.iter().any(|picked| picked == name);
    let response = ui.checkbox(&mut picked, "").on_hover_text(Command::Pick.tip());
    let label = format!("Pick {name}");
    response.widget_info(|| egui::WidgetInfo::selected(egui::WidgetType::Checkbox, true, picked, &label));
    if response.clicked() {
        actions.push(Action::Pick(name.to_owned()));
    }
}
