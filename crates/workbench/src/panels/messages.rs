//! What there is to say, at the top of the view, each to be put away.

use super::{Action, parts};
use crate::state::State;
use crate::theme;
use egui::{Align2, Area, Frame, Id, Margin, Order, Rect, RichText, Stroke, Ui, pos2};

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
}
