//! Questions over everything else: a path, an export, what to do with unsaved steps; the list of keys; settings.

use super::{Action, parts};
use crate::face::MOUSE;
use crate::files;
use crate::keys::Command;
use crate::state::{Asking, Purpose, State};
use crate::theme;
use crate::words::{self, Trouble};
use egui::{Context, Grid, Id, Key, Modal, RichText, ScrollArea, Slider, Ui};
use std::path::PathBuf;
use stringline_hardpoints::export::CAUTION;
use stringline_kinematics::AS_FOUND;

pub(super) fn window(ctx: &Context, state: &State, actions: &mut Vec<Action>) {
    let Some(asking) = &state.asking else { return };
    let modal = Modal::new(Id::new("asking")).show(ctx, |ui| {
        ui.set_width(match asking {
            Asking::Keys => 640.0,
            _ => 480.0,
        });
        match asking {
            Asking::Path { purpose, proposed, dialog, cancelled, trouble } => {
                path(ui, state, *purpose, proposed, dialog.is_some(), *cancelled, trouble.as_ref(), actions);
            }
            Asking::Replace(purpose, path) => replace(ui, *purpose, path, actions),
            Asking::Export { proposed, trouble } => export(ui, state, proposed, trouble.as_ref(), actions),
            Asking::Close => close(ui, state, actions),
            Asking::Keys => keys(ui, actions),
            Asking::Settings => settings(ui, state, actions),
        }
    });
    if modal.should_close() {
        actions.push(Action::Cancel);
    }
}

#[expect(clippy::too_many_arguments, reason = "the fields of one question, used here alone")]
fn path(
    ui: &mut Ui,
    state: &State,
    purpose: Purpose,
    proposed: &str,
    dialog: bool,
    cancelled: bool,
    trouble: Option<&Trouble>,
    actions: &mut Vec<Action>,
) {
    ui.heading(files::question(purpose));
    let id = Id::new(("path", purpose));
    let (text, entered) = parts::text_field(ui, id, "Path of the file", proposed, "");
    // The field is ready to type in as soon as it is there.
    let first = Id::new("path asked").with(purpose);
    if !ui.data(|data| data.get_temp::<bool>(first).unwrap_or(false)) {
        ui.data_mut(|data| data.insert_temp(first, true));
        parts::ready_to_type(ui, id, &text);
    }
    if let Some(trouble) = trouble {
        parts::trouble(ui, trouble);
    }
    if dialog {
        parts::faint(ui, "A dialog of the system is open; the path can be typed here instead.");
    } else if cancelled {
        parts::faint(
            ui,
            "No file was chosen in a dialog. If none appeared, this system offers none: type the path here.",
        );
    }
    let given = || PathBuf::from(text.trim());
    let done = |ui: &Ui| ui.data_mut(|data| data.insert_temp(first, false));
    ui.horizontal(|ui| {
        let words = match purpose {
            Purpose::Open => "Open this file",
            Purpose::AddScan => "Add this file",
            Purpose::SaveAs => "Save to this file",
            Purpose::Picture | Purpose::MapPicture => "Write this picture",
            Purpose::MapPly => "Write this mesh",
            Purpose::Section => "Take this section",
        };
        let ready = !text.trim().is_empty();
        let go = ui.add_enabled(ready, egui::Button::new(words)).on_hover_text("Key: Enter").clicked();
        if ready && (go || entered) {
            actions.push(Action::Given(purpose, given()));
            done(ui);
        }
        if parts::button(ui, "Look for it …", "Choose the file in a dialog of the system.") {
            actions.push(Action::Dialog(purpose));
        }
        if parts::button(ui, "Leave it", "Key: Esc") {
            actions.push(Action::Cancel);
            done(ui);
        }
    });
    if ui.input(|input| input.key_pressed(Key::Escape)) {
        done(ui);
    }
    if purpose == Purpose::Open && !state.remembered.jobs.is_empty() {
        parts::heading(ui, "Opened before");
        for job in &state.remembered.jobs {
            let name = job.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
            if parts::button(ui, &name, &job.display().to_string()) {
                actions.push(Action::Open(job.clone()));
                done(ui);
            }
        }
    }
}

fn replace(ui: &mut Ui, purpose: Purpose, path: &std::path::Path, actions: &mut Vec<Action>) {
    ui.heading("There is a file already");
    ui.label(path.display().to_string());
    if purpose == Purpose::SaveAs {
        parts::faint(ui, "What is in it now stays beside it, with .previous at the end of its name.");
    }
    ui.horizontal(|ui| {
        if parts::button(ui, "Take its place", "Write over it.") {
            actions.push(Action::Sure(purpose, path.to_owned()));
        }
        if parts::button(ui, "Another name", "Ask for the path again.") {
            actions.push(Action::Ask(purpose));
        }
        if parts::button(ui, "Leave it", "Key: Esc") {
            actions.push(Action::Cancel);
        }
    });
}

/// The formats: ending, what it is for.
const FORMATS: [(&str, &str, &str); 4] = [
    (".hardpoints.json", "JSON", "The whole set with covariances, for programs."),
    (".step", "STEP", "Axes, points and faces by name, for CAD."),
    (".dxf", "DXF", "Flat views."),
    (".csv", "CSV", "A table."),
];

fn export(ui: &mut Ui, state: &State, proposed: &str, trouble: Option<&Trouble>, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    ui.heading("Export the hardpoints");
    let set = &state.results.set;
    if set.hardpoints.is_empty() {
        parts::note(ui, ink.amber, |ui| {
            ui.label("There is no hardpoint yet: say what the features are for, at the stop Features.");
        });
    } else {
        ui.label(words::plural(set.hardpoints.len(), "hardpoint"));
    }
    let look = state.results.failures.len() + state.results.warnings.len();
    if look > 0 {
        parts::note(ui, ink.amber, |ui| {
            ui.label(format!(
                "{} a look first: see the drawer.",
                words::plural(look, "thing") + if look == 1 { " needs" } else { " need" }
            ));
        });
    }
    if !state.up_to_date() {
        parts::faint(ui, "The last step is still being worked out.");
    }
    let variant = of_variant(ui, state);
    let proposed = &match &variant {
        // Beside the car as found, not in its place.
        Some(name) => format!("{proposed}.{}", name.replace(' ', "-")),
        None => proposed.to_owned(),
    };
    let id = Id::new("export path");
    let (stem, entered) = parts::text_field(ui, id, "Folder and first part of the names", proposed, "");
    // Enter writes the files as they are proposed.
    if ui.memory(|memory| memory.focused().is_none()) {
        parts::ready_to_type(ui, id, &stem);
    }
    let mut targets = Vec::new();
    for (ending, name, why) in FORMATS {
        let id = Id::new(("export", ending));
        let mut wanted: bool = parts::kept(ui, id, &true);
        if ui.checkbox(&mut wanted, name).on_hover_text(why).changed() {
            parts::keep(ui, id, true, wanted);
        }
        if wanted {
            targets.push(PathBuf::from(format!("{}{ending}", stem.trim())));
        }
    }
    for path in targets.iter().filter(|path| path.exists()) {
        parts::faint(ui, format!("{} is there already and is replaced.", path.display()));
    }
    if let Some(trouble) = trouble {
        parts::trouble(ui, trouble);
    }
    parts::note(ui, ink.amber, |ui| {
        ui.label(RichText::new("Before you cut or weld by these files:").color(ink.amber));
        for line in CAUTION {
            ui.label(line);
        }
    });
    ui.horizontal(|ui| {
        let ready = !targets.is_empty() && !stem.trim().is_empty() && state.up_to_date();
        let go = ui.add_enabled(ready, egui::Button::new("Write the files")).on_hover_text("Key: Enter").clicked();
        if ready && (go || entered) {
            actions.push(Action::Export(targets, variant));
        }
        if parts::button(ui, "Leave it", "Key: Esc") {
            actions.push(Action::Cancel);
        }
    });
}

/// Which geometry leaves: the car as found, or a variant of it.
fn of_variant(ui: &mut Ui, state: &State) -> Option<String> {
    let variants = &state.job()?.variants;
    if variants.is_empty() {
        return None;
    }
    let id = Id::new("export of");
    let mut chosen: String = parts::kept(ui, id, &AS_FOUND.to_owned());
    ui.horizontal_wrapped(|ui| {
        for name in std::iter::once(AS_FOUND).chain(variants.iter().map(|variant| variant.name.as_str())) {
            let tip = "What the moves leave alone keeps its ±; what they move is a design and has none.";
            ui.selectable_value(&mut chosen, name.to_owned(), name).on_hover_text(tip);
        }
    });
    parts::keep(ui, id, AS_FOUND.to_owned(), chosen.clone());
    variants.iter().any(|variant| variant.name == chosen).then_some(chosen)
}

fn close(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    ui.heading("There are steps that were not saved");
    let draft = state.job.as_ref().is_some_and(|open| open.draft);
    let words = if draft {
        "This job has no file of its own yet. Left as it is, it is offered when Stringline starts again."
    } else {
        "Left as they are, they are done again when this job is opened next, and can be taken back one by one."
    };
    ui.label(words);
    ui.horizontal(|ui| {
        if parts::button(ui, "Save and close", "Write the job to its file, then close.") {
            actions.push(Action::SaveAndClose);
        }
        if parts::button(ui, "Close as it is", "Nothing is lost: the recovery log keeps the steps.") {
            actions.push(Action::CloseAnyway);
        }
        if parts::button(ui, "Stay", "Key: Esc") {
            actions.push(Action::Cancel);
        }
    });
}

fn keys(ui: &mut Ui, actions: &mut Vec<Action>) {
    ui.heading("Keys and mouse");
    ScrollArea::vertical().max_height((ui.ctx().content_rect().height() - 160.0).max(160.0)).show(ui, |ui| {
        Grid::new("mouse").num_columns(2).striped(true).show(ui, |ui| {
            for [what, does] in MOUSE {
                ui.label(what);
                ui.label(does);
                ui.end_row();
            }
        });
        ui.separator();
        Grid::new("keys").num_columns(3).striped(true).show(ui, |ui| {
            for command in Command::ALL {
                ui.label(command.key_words());
                ui.label(command.words());
                ui.add(egui::Label::new(RichText::new(command.why()).small()).wrap());
                ui.end_row();
            }
        });
    });
    if parts::button(ui, "Close", "Key: Esc") {
        actions.push(Action::Cancel);
    }
}

fn settings(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    ui.heading("Settings");
    ui.horizontal(|ui| {
        let label = ui.label("Size of the text");
        let mut size = state.remembered.text;
        let response = ui.add(Slider::new(&mut size, 11.0..=26.0).step_by(1.0)).labelled_by(label.id);
        if response.changed() {
            actions.push(Action::Text(size));
        }
    });
    parts::switch(ui, Command::Theme, state.remembered.dark, true, actions);
    ui.add_space(8.0);
    if parts::button(ui, "Close", "Key: Esc") {
        actions.push(Action::Cancel);
    }
}
