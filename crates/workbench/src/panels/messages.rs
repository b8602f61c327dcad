//! What there is to say, at the top of the view, each to be put away.

use super::{Action, parts};
use crate::state::State;
use crate::theme;
use crate::work::MapOf;
use egui::{Align2, Area, Frame, Id, Margin, Order, Rect, RichText, Stroke, Ui, pos2, vec2};

pub(super) fn all(ui: &mut Ui, rect: Rect, state: &State, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    if !state.messages.is_empty() {
        Area::new(Id::new("messages"))
            .order(Order::Foreground)
            .pivot(Align2::CENTER_TOP)
            .fixed_pos(pos2(rect.center().x, rect.top() + 8.0))
            .show(ui.ctx(), |ui| {
                ui.set_max_width((rect.width() - 24.0).clamp(120.0, 560.0));
                for message in &state.messages {
                    let edge = if message.next.is_some() { ink.red } else { ink.blue };
                    let frame = Frame::new()
                        .fill(ink.paper)
                        .stroke(Stroke::new(1.0, edge))
                        .inner_margin(Margin::symmetric(10, 6));
                    frame.show(ui, |ui| {
                        ui.horizontal_top(|ui| {
                            if parts::sign(ui, "✕", &format!("Put away: {}", message.text)) {
                                actions.push(Action::Dismiss(message.id));
                            }
                            ui.vertical(|ui| {
                                ui.label(RichText::new(&message.text).color(edge));
                                if let Some(next) = &message.next {
                                    ui.label(next);
                                }
                            });
                        });
                    });
                    ui.add_space(4.0);
                }
            });
    }
    legend(ui, rect, state, actions);
}

/// The scale of the map that is shown.
fn legend(ui: &mut Ui, rect: Rect, state: &State, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    let Some(map) = &state.map else { return };
    let title = match &map.of {
        MapOf::Residuals(name) => format!("{name}: off its shape, mm"),
        MapOf::Gap { of, from, .. } => format!("{of} off {from}, mm"),
        MapOf::Laid { mate, after, .. } => format!("{mate}, {}, mm", if *after { "after" } else { "before" }),
    };
    Area::new(Id::new("legend"))
        .order(Order::Foreground)
        .pivot(Align2::RIGHT_BOTTOM)
        .fixed_pos(rect.right_bottom() - vec2(10.0, 10.0))
        .show(ui.ctx(), |ui| {
            let frame =
                Frame::new().fill(ink.paper).stroke(Stroke::new(1.0, ink.hair)).inner_margin(Margin::symmetric(10, 6));
            frame.show(ui, |ui| {
                ui.horizontal(|ui| {
                    ui.label(title);
                    if parts::sign(ui, "✕", "Put the map away") {
                        actions.push(Action::Map(None));
                    }
                });
                let (bar, _) = ui.allocate_exact_size(vec2(240.0, 14.0), egui::Sense::hover());
                let steps = 48;
                for step in 0..steps {
                    let from = step as f32 / steps as f32;
                    let left = egui::lerp(bar.x_range(), from);
                    let right = egui::lerp(bar.x_range(), from + 1.0 / steps as f32);
                    let colour = crate::scale::diverging(2.0 * (from + 0.5 / steps as f32) - 1.0);
                    let piece = Rect::from_x_y_ranges(left..=right, bar.y_range());
                    ui.painter().rect_filled(piece, 0.0, colour);
                }
                let ends = [format!("−{}", map.range), "0".to_owned(), format!("+{}", map.range)];
                let (below, response) = ui.allocate_exact_size(vec2(240.0, 18.0), egui::Sense::hover());
                let words = ends.join(" to ");
                response.widget_info(|| egui::WidgetInfo::labeled(egui::WidgetType::Label, true, &words));
                let font = egui::TextStyle::Body.resolve(ui.style());
                let places = [Align2::LEFT_TOP, Align2::CENTER_TOP, Align2::RIGHT_TOP];
                for (text, align) in ends.into_iter().zip(places) {
                    ui.painter().text(align.pos_in_rect(&below), align, text, font.clone(), ink.ink);
                }
                let words = match &map.of {
                    MapOf::Residuals(_) => "plus: outside the shape, minus: within it",
                    MapOf::Gap { .. } | MapOf::Laid { .. } => "plus: outside the other, minus: within it",
                };
                parts::faint(ui, words);
                for note in &map.notes {
                    parts::faint(ui, note);
                }
            });
        });
}
