//! The drawer: all numbers, all steps, what needs a look. Shut until wanted.

use super::{Action, compared, curves, gaps, overlay, parts};
use crate::keys::Command;
use crate::state::{Page, State};
use crate::theme;
use crate::words::{self, Trouble, count};
use egui::{Grid, RichText, ScrollArea, Ui};
use stringline_core::covariance::rounded;
use stringline_job::hardpoint_words;

pub(super) fn drawer(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let look = state.results.failures.len() + state.results.warnings.len();
    ui.horizontal(|ui| {
        for (page, name, why) in [
            (
                Page::Curves,
                "Curves".to_owned(),
                "What toe, camber and the rest do over travel and rack, of all variants.",
            ),
            (Page::Compared, "Compared".to_owned(), "Every variant's numbers beside those of the car as found."),
            (Page::Gaps, "Gaps".to_owned(), "The smallest gap over lock and travel; click to go there."),
            (
                Page::Overlay,
                "Overlay".to_owned(),
                "Of one scan over another: how many gaps are how large, and both outlines in a section.",
            ),
            (Page::Numbers, "Numbers".to_owned(), "Every feature and hardpoint with its ±."),
            (Page::Steps, "Steps".to_owned(), "Everything that was done, to go back to."),
            (
                Page::Look,
                format!("Needs a look ({look})"),
                "What could not be worked out, and what to look at before trusting it.",
            ),
        ] {
            let open = state.drawer == Some(page);
            if ui.selectable_label(open, name).on_hover_text(why).clicked() {
                actions.push(Action::Drawer(if open { None } else { Some(page) }));
            }
        }
        parts::command(ui, Command::Drawer, true, actions);
        for task in state.tasks.iter().filter(|task| task.shown) {
            ui.separator();
            ui.label(RichText::new(&task.words).small());
            if task.share() > 0.0 {
                ui.add(egui::ProgressBar::new(task.share()).desired_width(90.0));
            }
            if parts::sign(ui, "✕", &format!("Stop: {}", task.words)) {
                actions.push(Action::StopTask(task.id));
            }
        }
    });
    let Some(page) = state.drawer else { return };
    if page == Page::Curves {
        // It fills what there is, and scrolls within itself.
        curves::page(ui, state, actions);
        return;
    }
    if page == Page::Gaps {
        gaps::page(ui, state, actions);
        return;
    }
    if page == Page::Overlay {
        overlay::page(ui, state, actions);
        return;
    }
    ScrollArea::both().auto_shrink(false).show(ui, |ui| match page {
        Page::Curves | Page::Gaps | Page::Overlay => {}
        Page::Compared => compared::page(ui, state),
        Page::Numbers => numbers(ui, state),
        Page::Steps => steps(ui, state, actions),
        Page::Look => look_at(ui, state),
    });
}

fn numbers(ui: &mut Ui, state: &State) {
    let ink = theme::of(ui);
    let head = |ui: &mut Ui, words: &[&str]| {
        for word in words {
            ui.label(RichText::new(*word).small().color(ink.faint));
        }
        ui.end_row();
    };
    if state.results.features.is_empty() {
        ui.label("Nothing is painted yet.");
    }
    Grid::new("features").striped(true).min_col_width(40.0).show(ui, |ui| {
        head(ui, &["feature", "scan", "shape", "size", "form error mm", "rms mm", "points", "left out"]);
        for (name, result) in &state.results.features {
            let feature = &result.feature;
            for text in [
                name.to_string(),
                result.scan.to_string(),
                feature.shape.kind().words(feature.side).to_owned(),
                words::size(feature),
                rounded(feature.form_error, 0.01),
                rounded(feature.rms, 0.01),
                count(feature.used),
                count(feature.rejected),
            ] {
                ui.label(text);
            }
            ui.end_row();
        }
    });
    if !state.results.set.hardpoints.is_empty() {
        ui.separator();
        Grid::new("hardpoints").striped(true).min_col_width(40.0).show(ui, |ui| {
            head(ui, &["hardpoint", "position mm", "±", "how"]);
            for hardpoint in &state.results.set.hardpoints {
                let lines = words::hardpoint_lines(hardpoint);
                ui.label(hardpoint_words(hardpoint.role, hardpoint.side));
                lines.into_iter().for_each(|line| drop(ui.label(line)));
                ui.label(hardpoint.construction.clone().unwrap_or_default());
                ui.end_row();
            }
        });
    }
}

fn steps(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(open) = &state.job else { return };
    let ink = theme::of(ui);
    let all = open.history.done().count();
    if all == 0 {
        ui.label("Nothing was done since the job was opened.");
    }
    for (number, step) in open.history.done().enumerate() {
        ui.horizontal(|ui| {
            ui.label(format!("{}. {step}", number + 1));
            if number + 1 < all {
                let words = format!("Back to step {}", number + 1);
                if parts::sign(ui, "↶", &words) {
                    actions.push(Action::UndoTo(number + 1));
                }
            }
        });
    }
    for step in open.history.undone() {
        ui.label(RichText::new(format!("undone: {step}")).color(ink.faint));
    }
}

fn look_at(ui: &mut Ui, state: &State) {
    let results = &state.results;
    if results.failures.is_empty() && results.warnings.is_empty() {
        ui.label("Nothing: all that the job asks for was worked out.");
    }
    for failed in results.failures.iter().filter(|failed| !failed.error.is_consequence()) {
        let Trouble { what, next } = Trouble::of(&failed.error);
        parts::trouble(ui, &Trouble::new(format!("{} {}: {what}", failed.what, failed.name), next));
    }
    let ink = theme::of(ui);
    for warning in &results.warnings {
        parts::note(ui, ink.amber, |ui| {
            ui.label(format!("{}: {}", warning.about, warning.text));
        });
    }
    for failed in results.failures.iter().filter(|failed| failed.error.is_consequence()) {
        parts::faint(ui, format!("{} {}: {}", failed.what, failed.name, failed.error));
    }
}
