//! What stands in the window before there is a job: what it is for, and how to begin.

use super::{Action, parts};
use crate::keys::Command;
use crate::state::State;
use crate::theme::{self, Ink};
use egui::{Align2, FontId, Pos2, Rect, RichText, ScrollArea, Stroke, Ui, UiBuilder, pos2, vec2};

pub(super) fn page(ui: &mut Ui, rect: Rect, state: &State, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    ui.painter().rect_filled(rect, 0.0, ink.paper);
    let width = rect.width().min(680.0) - 40.0;
    let inner = Rect::from_center_size(rect.center(), vec2(width, rect.height() - 24.0));
    ui.scope_builder(UiBuilder::new().max_rect(inner), |ui| {
        ScrollArea::vertical().show(ui, |ui| {
            ui.add_space((rect.height() * 0.06).max(4.0));
            ui.label(RichText::new("Stringline").size(26.0));
            ui.label("From a scan of the old parts to hardpoints that you can trust.");
            ui.add_space(10.0);
            sketch(ui, ink);
            ui.add_space(6.0);
            for (number, line) in [
                "Add a scan: drop the file anywhere on this window.",
                "Paint a bore, a seat or a face with the brush. Its axis appears after the first dabs, and its ± shrinks as you paint.",
                "Say what it is for: hub axis, lower ball joint, tie rod outer … until the corner is complete.",
                "Export the hardpoints as STEP, DXF, CSV or JSON.",
            ]
            .into_iter()
            .enumerate()
            {
                ui.horizontal_top(|ui| {
                    ui.label(RichText::new(format!("{}", number + 1)).color(ink.blue));
                    ui.label(line);
                });
            }
            ui.add_space(12.0);
            ui.horizontal_wrapped(|ui| {
                let why = "Five scans of an invented car's corner, ready to paint on. Nothing can be broken: what you do stays in a folder of its own.";
                if parts::button(ui, "Try it on the Kestrel", why) {
                    actions.push(Action::Sample);
                }
                parts::command(ui, Command::AddScan, true, actions);
                parts::command(ui, Command::Open, true, actions);
                parts::command(ui, Command::Keys, true, actions);
            });
            if !state.drafts.is_empty() {
                parts::heading(ui, "Left without a file of their own");
                for draft in &state.drafts {
                    let number = draft.parent().and_then(|folder| folder.file_name());
                    let words = format!("Unsaved job {}", number.map(|n| n.to_string_lossy()).unwrap_or_default());
                    if parts::button(ui, &words, "Go on with it: every step is still there.") {
                        actions.push(Action::Open(draft.clone()));
                    }
                }
            }
            if !state.remembered.jobs.is_empty() {
                parts::heading(ui, "Opened before");
                for job in &state.remembered.jobs {
                    ui.horizontal(|ui| {
                        let name = job.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
                        if parts::button(ui, &name, &job.display().to_string()) {
                            actions.push(Action::Open(job.clone()));
                        }
                        if parts::sign(ui, "✕", &format!("Take {name} off this list; the file stays")) {
                            actions.push(Action::Forget(job.clone()));
                        }
                        let folder = job.parent().map(|folder| folder.display().to_string()).unwrap_or_default();
                        ui.add(egui::Label::new(RichText::new(folder).small().color(ink.faint)).truncate());
                    });
                }
            }
        });
    });
}

/// A bore with three dabs in it, its axis and its call-out.
fn sketch(ui: &mut Ui, ink: Ink) {
    let (rect, response) = ui.allocate_exact_size(vec2(ui.available_width(), 128.0), egui::Sense::hover());
    response.widget_info(|| {
        egui::WidgetInfo::labeled(
            egui::WidgetType::Image,
            true,
            "A bore with three painted dabs, its axis and its diameter",
        )
    });
    let painter = ui.painter_at(rect);
    let centre = pos2(rect.left() + 110.0, rect.center().y);
    let at = |x: f32, y: f32| centre + vec2(x, y);
    // The part and its bore, seen aslant.
    let ellipse = |rx: f32, ry: f32, dx: f32| -> Vec<Pos2> {
        (0..=60).map(|i| i as f32 / 60.0 * std::f32::consts::TAU).map(|a| at(dx + rx * a.cos(), ry * a.sin())).collect()
    };
    let line = Stroke::new(1.5, ink.ink);
    painter.add(egui::Shape::line(ellipse(34.0, 54.0, 0.0), line));
    painter.add(egui::Shape::line(ellipse(22.0, 36.0, 0.0), line));
    for angle in [-2.3_f32, 0.2, 1.9] {
        let arc = (-6..=6).map(|i| angle + i as f32 * 0.06).map(|a| at(22.0 * a.cos(), 36.0 * a.sin())).collect();
        painter.add(egui::Shape::line(arc, Stroke::new(6.0, ink.blue)));
    }
    // A chain line, as drawings have for axes.
    let (from, to) = (at(-92.0, 0.0), at(120.0, 0.0));
    let axis =
        egui::Shape::dashed_line_with_offset(&[from, to], Stroke::new(1.2, ink.blue), &[14.0, 3.0], &[3.0, 3.0], 0.0);
    painter.extend(axis);
    let knee = at(130.0, -34.0);
    let foot = at(17.0, -23.0);
    painter.line_segment([foot, knee], Stroke::new(1.0, ink.ink));
    painter.line_segment([knee, knee + vec2(150.0, 0.0)], Stroke::new(1.0, ink.ink));
    let font = FontId::proportional(15.0);
    painter.text(knee + vec2(8.0, -2.0), Align2::LEFT_BOTTOM, "⌀ 78.000 ± 0.004", font.clone(), ink.ink);
    painter.text(knee + vec2(8.0, 3.0), Align2::LEFT_TOP, "⌭ 0.12", font, ink.ink);
}
