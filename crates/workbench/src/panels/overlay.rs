//! One scan over another, looked into: on the sheet of the car frame, and as a page of the drawer.

use super::{Action, outlines, parts};
use crate::keys::Command;
use crate::overlay::{Act, Overlaid, gap_text, probe, probe_words, shown};
use crate::scale::diverging;
use crate::state::{Page, Purpose, State};
use crate::theme;
use crate::words::count;
use egui::{
    Align2, Rect, RichText, Sense, Stroke, StrokeKind, TextStyle, Ui, UiBuilder, WidgetInfo, WidgetType, pos2, vec2,
};
use stringline_core::covariance::rounded;

/// The share of the page that the histogram takes.
const HISTOGRAM: f32 = 0.42;
/// Room for counts above the bars and for gaps below them, logical points.
const ROOM: [f32; 2] = [18.0, 34.0];

/// What the map tells, on the sheet.
pub(super) fn sheet(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(overlaid) = shown(state) else { return };
    let overlay = &overlaid.overlay;
    ui.horizontal_wrapped(|ui| {
        for (gap, words) in [(&overlay.map.smallest, "smallest"), (&overlay.map.largest, "largest")] {
            let Some(gap) = gap else { continue };
            let [at, _] = overlay.ends(gap);
            let [x, y, z] = [at.x, at.y, at.z].map(|v| rounded(v, 0.15).replace('-', "−"));
            let why = format!(
                "Look straight at the place with the {words} gap, ({x}, {y}, {z}). It becomes the probed place, to cut through."
            );
            if parts::button(ui, &format!("{words} {}", gap_text(gap.gap)), &why) {
                actions.push(Action::Looking(Act::Show(*gap)));
            }
        }
    });
    probed(ui, state, overlaid, actions);
    ui.horizontal_wrapped(|ui| {
        parts::command(ui, Command::SectionLine, true, actions);
        let open = state.drawer == Some(Page::Overlay);
        let tip = "How many gaps are how large, and both outlines in a section, in the drawer below.";
        if ui.selectable_label(open, "Histogram").on_hover_text(tip).clicked() {
            actions.push(Action::Drawer((!open).then_some(Page::Overlay)));
        }
        export(ui, actions);
    });
}

/// The gap under the pointer or at the place that stays.
fn probed(ui: &mut Ui, state: &State, overlaid: &Overlaid, actions: &mut Vec<Action>) {
    let Some(probe) = probe(state) else {
        parts::faint(
            ui,
            format!("Point at {} to read the gap there; a click keeps the place.", overlaid.overlay.of.name),
        );
        return;
    };
    let ink = theme::of(ui);
    let (gap, words) = probe_words(&overlaid.overlay, &probe);
    ui.horizontal_wrapped(|ui| {
        let text = RichText::new(format!("here {gap}, {words}"));
        ui.label(if probe.no_sign.is_some() { text.color(ink.amber) } else { text });
        if state.looking.pinned.is_some() && parts::sign(ui, "✕", "Let the probed place go. Key: Esc") {
            actions.push(Action::Looking(Act::Unpin));
        }
    });
}

/// Writing the map.
fn export(ui: &mut Ui, actions: &mut Vec<Action>) {
    for (purpose, words, why) in [
        (
            Purpose::MapPly,
            "Write as PLY",
            "The measured scan as a mesh with its colours, for any program that shows meshes.",
        ),
        (
            Purpose::MapPicture,
            "Write as picture",
            "The measured scan with its colours and their scale, as an SVG to print or send.",
        ),
    ] {
        if parts::button(ui, words, why) {
            actions.push(Action::Ask(purpose));
        }
    }
}

pub(super) fn page(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(overlaid) = shown(state) else {
        ui.horizontal_wrapped(|ui| {
            ui.label("No scan is laid over another yet.");
            parts::command(ui, Command::GapMap, state.overlaid().is_some_and(|(of, from)| of != from), actions);
        });
        return;
    };
    let range = state.map.as_ref().map_or(1.0, |map| map.range);
    let area = ui.available_rect_before_wrap();
    let (left, right) = area.split_left_right_at_x(area.left() + HISTOGRAM * area.width());
    ui.scope_builder(UiBuilder::new().max_rect(left.shrink2(vec2(4.0, 0.0))), |ui| histogram(ui, overlaid, range));
    ui.scope_builder(UiBuilder::new().max_rect(right.shrink2(vec2(4.0, 0.0))), |ui| {
        outlines::section(ui, state, actions);
    });
    ui.allocate_rect(area, Sense::hover());
}

/// How many points have which gap, in the colours of the map.
fn histogram(ui: &mut Ui, overlaid: &Overlaid, range: f32) {
    let ink = theme::of(ui);
    let map = &overlaid.overlay.map;
    let heading =
        format!("{}: gaps of {} of {} points", overlaid.overlay.title(), count(map.within), count(map.gaps.len()));
    ui.label(RichText::new(heading).strong());
    if overlaid.bars.is_empty() {
        parts::faint(ui, format!("No point lies within {} mm of the other.", overlaid.overlay.limit));
        return;
    }
    let size = ui.available_size().max(vec2(200.0, 90.0));
    let (all, _) = ui.allocate_exact_size(size, Sense::hover());
    let plot = Rect::from_min_max(all.min + vec2(2.0, ROOM[0]), all.max - vec2(2.0, ROOM[1]));
    let most = overlaid.bars.iter().map(|bar| bar.points).max().unwrap_or(1).max(1) as f32;
    let wide = plot.width() / overlaid.bars.len() as f32;
    let small = TextStyle::Small.resolve(ui.style());
    let step = overlaid.bars.first().map_or(1.0, |bar| bar.to - bar.from);
    // As many digits as tell the bars apart.
    let edge = |gap: f64| rounded(gap, step.max(0.001)).replace('-', "−");
    for (place, bar) in overlaid.bars.iter().enumerate() {
        let left = plot.left() + place as f32 * wide;
        let column = Rect::from_min_max(pos2(left, all.top()), pos2(left + wide, plot.bottom()));
        let words = format!("{} to {} mm: {} points", edge(bar.from), edge(bar.to), count(bar.points));
        let response = ui.interact(column, ui.id().with(("bar", place)), Sense::hover());
        response.widget_info(|| WidgetInfo::labeled(WidgetType::Label, true, &words));
        response.on_hover_text(&words);
        let height = (plot.height() * bar.points as f32 / most).max(if bar.points > 0 { 1.0 } else { 0.0 });
        let top = plot.bottom() - height;
        let rect = Rect::from_min_max(pos2(left + 1.0, top), pos2(left + wide - 1.0, plot.bottom()));
        let middle = (0.5 * (bar.from + bar.to)) as f32;
        ui.painter().rect(rect, 0.0, diverging(middle / range), Stroke::new(1.0, ink.hair), StrokeKind::Inside);
        // Counts stand side by side only as far as there is room, which above the tallest bar there is; the pointer reads all.
        let galley = ui.painter().layout_no_wrap(count(bar.points), small.clone(), ink.ink);
        if galley.size().x <= wide - 2.0 || bar.points as f32 == most {
            let at = Align2::CENTER_BOTTOM.anchor_size(pos2(left + 0.5 * wide, top - 1.0), galley.size());
            ui.painter().galley(at.min, galley, ink.ink);
        }
    }
    ui.painter().hline(plot.x_range(), plot.bottom(), Stroke::new(1.0, ink.ink));
    let mut free = f32::NEG_INFINITY;
    let edges = overlaid.bars.iter().map(|bar| bar.from).chain(overlaid.bars.last().map(|bar| bar.to));
    for (place, gap) in edges.enumerate() {
        let x = plot.left() + place as f32 * wide;
        let galley = ui.painter().layout_no_wrap(edge(gap), small.clone(), ink.ink);
        let half = 0.5 * galley.size().x;
        let middle = x.clamp(all.left() + half, (all.right() - half).max(all.left() + half));
        if middle - half > free {
            free = middle + half + 6.0;
            ui.painter().vline(x, plot.bottom()..=plot.bottom() + 3.0, Stroke::new(1.0, ink.ink));
            ui.painter().galley(pos2(middle - half, plot.bottom() + 4.0), galley, ink.ink);
        }
    }
    let words = "gap, mm: plus outside the other, minus within it";
    ui.painter().text(pos2(plot.center().x, all.bottom()), Align2::CENTER_BOTTOM, words, small, ink.faint);
}
