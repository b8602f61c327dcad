//! The scale of what is coloured in the view.

use super::{Action, parts};
use crate::clearance::acts::Act;
use crate::clearance::marks;
use crate::scale;
use crate::shown::Scale;
use crate::state::{State, Stop};
use crate::theme;
use crate::work::MapOf;
use egui::{
    Align2, Area, Color32, Frame, Id, Margin, Order, Rect, Stroke, TextStyle, Ui, WidgetInfo, WidgetType, vec2,
};

/// Pieces of the bar.
const STEPS: u8 = 48;
/// Size of the bar, logical points.
const BAR: egui::Vec2 = vec2(240.0, 14.0);

/// What a legend says.
struct Legend<'s> {
    title: String,
    /// What puts the colours away: its words, and what it does.
    away: (&'static str, Action),
    scale: Scale,
    /// At the end of the scale, mm.
    range: f32,
    /// What the signs or sizes mean, then what else there is to say.
    notes: Vec<&'s str>,
}

pub(super) fn all(ui: &mut Ui, rect: Rect, state: &State, actions: &mut Vec<Action>) {
    // Each stop shows its own colours.
    let legend = if state.stop == Stop::Clearance { of_mark(state) } else { of_map(state) };
    let Some(legend) = legend else { return };
    let ink = theme::of(ui);
    Area::new(Id::new("legend"))
        .order(Order::Foreground)
        .pivot(Align2::RIGHT_BOTTOM)
        .fixed_pos(rect.right_bottom() - vec2(10.0, 10.0))
        .show(ui.ctx(), |ui| {
            let frame =
                Frame::new().fill(ink.paper).stroke(Stroke::new(1.0, ink.hair)).inner_margin(Margin::symmetric(10, 6));
            frame.show(ui, |ui| draw(ui, legend, actions));
        });
}

fn of_map(state: &State) -> Option<Legend<'_>> {
    let map = state.map.as_ref()?;
    let title = match &map.of {
        MapOf::Residuals(name) => format!("{name}: off its shape, mm"),
        MapOf::Gap { of, from, .. } => format!("{of} off {from}, mm"),
        MapOf::Laid { mate, after, .. } => format!("{mate}, {}, mm", if *after { "after" } else { "before" }),
    };
    let signs = match &map.of {
        MapOf::Residuals(_) => "plus: outside the shape, minus: within it",
        MapOf::Gap { .. } | MapOf::Laid { .. } => "plus: outside the other, minus: within it",
    };
    let notes = std::iter::once(signs).chain(map.notes.iter().map(String::as_str)).collect();
    Some(Legend { title, away: ("Put the map away", Action::Map(None)), scale: Scale::Signed, range: map.range, notes })
}

fn of_mark(state: &State) -> Option<Legend<'_>> {
    let marked = marks::shown(state)?;
    Some(Legend {
        title: format!("{}: depth that must go, mm", marked.body),
        away: ("Put the mark away", Action::Clearance(Act::Mark(marked.pair))),
        scale: Scale::Magnitude,
        range: marked.range(),
        notes: vec![&marked.sentence, "over all locks and travels of the sweep; what may stay has no colour"],
    })
}

fn draw(ui: &mut Ui, legend: Legend<'_>, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    let Legend { title, away: (words, action), scale, range, notes } = legend;
    ui.set_max_width(1.4 * BAR.x);
    ui.horizontal(|ui| {
        ui.label(title);
        if parts::sign(ui, "✕", words) {
            actions.push(action);
        }
    });
    let (bar, _) = ui.allocate_exact_size(BAR, egui::Sense::hover());
    let colour = |share: f32| -> Color32 {
        match scale {
            Scale::Signed => scale::diverging(2.0 * share - 1.0),
            Scale::Magnitude => scale::magnitude(share),
        }
    };
    let step = 1.0 / f32::from(STEPS);
    for from in (0..STEPS).map(|number| f32::from(number) * step) {
        let [left, right] = [from, from + step].map(|share| egui::lerp(bar.x_range(), share));
        let piece = Rect::from_x_y_ranges(left..=right, bar.y_range());
        ui.painter().rect_filled(piece, 0.0, colour(from + 0.5 * step));
    }
    let ends = match scale {
        Scale::Signed => [format!("−{range}"), "0".to_owned(), format!("+{range}")],
        Scale::Magnitude => ["0".to_owned(), format!("{}", 0.5 * range), format!("{range}")],
    };
    let (below, response) = ui.allocate_exact_size(vec2(BAR.x, 18.0), egui::Sense::hover());
    let words = ends.join(" to ");
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Label, true, &words));
    let font = TextStyle::Body.resolve(ui.style());
    let places = [Align2::LEFT_TOP, Align2::CENTER_TOP, Align2::RIGHT_TOP];
    for (text, align) in ends.into_iter().zip(places) {
        ui.painter().text(align.pos_in_rect(&below), align, text, font.clone(), ink.ink);
    }
    for note in notes {
        parts::faint(ui, note);
    }
}
