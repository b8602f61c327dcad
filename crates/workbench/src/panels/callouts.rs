//! Read-outs at the features themselves, as call-outs stand on a workshop drawing: a leader, the size,
//! the form error after its symbol, how well the place is known. They keep clear of each other.

use super::{Action, parts};
use crate::shown::Eye;
use crate::state::State;
use crate::theme;
use crate::words;
use egui::{
    Area, Button, Color32, Frame, Id, Margin, Order, Pos2, Rect, RichText, Stroke, Ui, Vec2, WidgetInfo, WidgetType,
    pos2, vec2,
};
use stringline_core::Point3;
use stringline_fit::Kind;
use stringline_job::{Name, hardpoint_words};

/// With more call-outs than this only the chosen and the picked ones are unfolded by themselves.
const MANY: usize = 8;
/// How far from their feature call-outs are tried, logical points.
const REACHES: [f32; 5] = [46.0, 78.0, 118.0, 170.0, 240.0];
/// Directions that are tried at each distance, from the upper right on.
const DIRECTIONS: usize = 12;
/// Left between call-outs.
const CLEAR: f32 = 5.0;

/// One call-out.
struct Callout {
    /// The feature or hardpoint, and what folding goes by.
    name: String,
    title: String,
    lines: Vec<String>,
    anchor: Pos2,
    colour: Color32,
    folded: bool,
    /// The feature that its title chooses.
    chooses: Option<Name>,
    live: bool,
}

pub(super) fn all(ui: &mut Ui, view: Rect, state: &State, eye: Option<&Eye>, actions: &mut Vec<Action>) {
    let Some(eye) = eye else { return };
    let mut callouts = gather(ui, view, state, eye);
    // What is in hand gets the best place.
    let rank = |callout: &Callout| (!callout.live, callout.chooses != state.chosen || state.chosen.is_none());
    callouts.sort_by(|a, b| rank(a).cmp(&rank(b)).then_with(|| a.name.cmp(&b.name)));
    let sizes: Vec<Vec2> = callouts.iter().map(|callout| size_of(ui, callout)).collect();
    let anchors: Vec<Pos2> = callouts.iter().map(|callout| callout.anchor).collect();
    let rects = place(view.shrink(6.0), &anchors, &sizes);
    for (callout, rect) in callouts.iter().zip(rects) {
        draw(ui, callout, rect, actions);
    }
}

fn gather(ui: &Ui, view: Rect, state: &State, eye: &Eye) -> Vec<Callout> {
    let ink = theme::of(ui);
    let on_screen = |point: &Point3| {
        let [x, y] = eye.to_screen(point)?;
        Some(pos2(x, y)).filter(|p| view.contains(*p))
    };
    let Some(job) = state.job() else { return Vec::new() };
    let mut callouts = Vec::new();
    let live_name = state.live.as_ref().map(|live| &live.feature);
    for (name, result) in &state.results.features {
        let hidden = state.scans.get(&result.scan).is_none_or(|scan| scan.opacity <= 0.0);
        let at = state.world_from_scan(&result.scan) * result.feature.shape.point();
        let Some(anchor) = on_screen(&at).filter(|_| !hidden && live_name != Some(name)) else { continue };
        let chosen = state.chosen.as_ref() == Some(name);
        let roles = job.hardpoints.iter().filter(|hardpoint| hardpoint.construction.inputs() == [name.as_str()]);
        let roles: Vec<String> = roles.map(|hardpoint| hardpoint_words(hardpoint.role, hardpoint.side)).collect();
        let title = if roles.is_empty() { name.to_string() } else { roles.join(", ") };
        let mut lines = words::feature_lines(&result.feature);
        if let Some(words) = result.weighed.as_ref().and_then(|weighed| words::undecided(&weighed.verdict)) {
            lines.push(words);
        }
        callouts.push(Callout {
            name: name.to_string(),
            title,
            lines,
            anchor,
            colour: if chosen { ink.blue } else { ink.ink },
            folded: false,
            chooses: Some(name.clone()),
            live: false,
        });
    }
    for hardpoint in &state.results.set.hardpoints {
        let spec = job.hardpoints.iter().find(|spec| spec.key() == (hardpoint.role, hardpoint.side));
        let of_one = spec.is_some_and(|spec| spec.construction.inputs().len() == 1);
        let Some(anchor) = on_screen(&Point3::from(hardpoint.position)).filter(|_| !of_one) else { continue };
        let name = hardpoint_words(hardpoint.role, hardpoint.side);
        callouts.push(Callout {
            title: name.clone(),
            name,
            lines: words::hardpoint_lines(hardpoint),
            anchor,
            colour: ink.ink,
            folded: false,
            chooses: None,
            live: false,
        });
    }
    let many = callouts.len() > MANY;
    for callout in &mut callouts {
        let in_hand = callout.chooses.is_some() && callout.chooses == state.chosen;
        let picked = state.picked.contains(&callout.name);
        callout.folded = state.folded(&callout.name) != (many && !in_hand && !picked && !state.fold_all);
    }
    callouts.extend(live(state, ink, on_screen));
    callouts
}

/// The call-out of what is being painted, beside the cursor.
fn live(state: &State, ink: theme::Ink, on_screen: impl Fn(&Point3) -> Option<Pos2>) -> Option<Callout> {
    let live = state.live.as_ref()?;
    let scan = &live.scan;
    let dabs = match &state.stroke {
        Some(stroke) => stroke.dabs.last().cloned(),
        None => state.job()?.features.get(&live.feature)?.dabs.last().map(|touch| touch.dab.clone()),
    };
    let anchor = on_screen(&(state.world_from_scan(scan) * dabs?.centre))?;
    let (title, mut lines) = match &live.outcome {
        Ok(fit) => {
            let title = fit.shape.shape.kind().words(fit.shape.side).to_owned();
            let mut lines = words::feature_lines(&fit.shape);
            lines.extend(fit.verdict.as_ref().and_then(words::undecided));
            (title, lines)
        }
        Err(trouble) => ("not enough yet".to_owned(), vec![trouble.next.clone()]),
    };
    lines.extend(crate::live::advice_for(state, &live.feature));
    Some(Callout {
        name: format!("painting {}", live.feature),
        title,
        lines,
        anchor,
        colour: ink.blue,
        folded: false,
        chooses: None,
        live: true,
    })
}

/// Longest line of a call-out, logical points; longer ones wrap.
const WIDEST: f32 = 240.0;

fn size_of(ui: &Ui, callout: &Callout) -> Vec2 {
    let font = egui::TextStyle::Body.resolve(ui.style());
    let measure =
        |text: &str| ui.fonts_mut(|fonts| fonts.layout(text.to_owned(), font.clone(), Color32::WHITE, WIDEST)).size();
    let mut size = measure(&callout.title) + vec2(30.0, 6.0);
    if !callout.folded {
        for line in &callout.lines {
            let line = measure(line);
            size = vec2(size.x.max(line.x), size.y + line.y + 2.0);
        }
    }
    size + vec2(16.0, 8.0)
}

/// Where call-outs stand: each tries places about its anchor, near ones first, and takes the first
/// that is in view and clear of those before it and of all anchors; if there is none, the least bad.
fn place(view: Rect, anchors: &[Pos2], sizes: &[Vec2]) -> Vec<Rect> {
    let mut placed: Vec<Rect> = Vec::new();
    for (index, (&anchor, &size)) in anchors.iter().zip(sizes).enumerate() {
        let mut best: Option<(f32, Rect)> = None;
        'search: for reach in REACHES {
            for step in 0..DIRECTIONS {
                // Up and right first, then by turns to either side.
                let turn = step.div_ceil(2) as f32 * if step % 2 == 0 { 1.0 } else { -1.0 };
                let angle = -0.6 + turn * std::f32::consts::TAU / DIRECTIONS as f32;
                let (sin, cos) = angle.sin_cos();
                let corner = anchor + vec2(cos, sin) * reach;
                // The side that faces the anchor is at that distance.
                let centre = corner + vec2(cos * size.x / 2.0, sin * size.y / 2.0);
                let rect = Rect::from_center_size(centre, size);
                let outside = rect.area() - rect.intersect(view).area().max(0.0).min(rect.area());
                let overlap = |other: &Rect| {
                    let shared = rect.expand(CLEAR).intersect(*other);
                    if shared.is_positive() { shared.area() } else { 0.0 }
                };
                let over: f32 = placed.iter().map(overlap).sum();
                let hidden = anchors.iter().enumerate().filter(|(i, a)| *i != index && rect.contains(**a)).count();
                let cost = 4.0 * outside + 2.0 * over + 400.0 * hidden as f32;
                if best.as_ref().is_none_or(|(least, _)| cost < *least) {
                    best = Some((cost, rect));
                }
                if cost <= 0.0 {
                    break 'search;
                }
            }
        }
        let rect = best.map_or(Rect::from_min_size(anchor, size), |(_, rect)| rect);
        // What does not fit is at least in view.
        let room = view.size() - size;
        let min = view.min + (rect.min - view.min).clamp(Vec2::ZERO, room.max(Vec2::ZERO));
        placed.push(Rect::from_min_size(min, size));
    }
    placed
}

fn draw(ui: &Ui, callout: &Callout, rect: Rect, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    // The leader goes from the feature to the nearest point of the frame, a dot at its foot.
    let near = rect.clamp(callout.anchor);
    let stroke = Stroke::new(1.0, callout.colour);
    ui.painter().line_segment([callout.anchor, near], stroke);
    ui.painter().circle_filled(callout.anchor, 2.5, callout.colour);
    Area::new(Id::new(("callout", &callout.name)))
        .order(Order::Middle)
        .interactable(!callout.live)
        .fixed_pos(rect.min)
        .constrain(false)
        .show(ui.ctx(), |ui| {
            let frame = Frame::new().fill(ink.paper).stroke(stroke).inner_margin(Margin::symmetric(7, 3));
            frame.show(ui, |ui| {
                ui.spacing_mut().item_spacing.y = 2.0;
                ui.set_max_width(WIDEST + 24.0);
                ui.horizontal(|ui| {
                    let text = RichText::new(&callout.title).color(callout.colour);
                    if callout.live {
                        ui.label(text);
                        return;
                    }
                    let title = ui.add(Button::new(text).frame(false));
                    let label = format!("Call-out {}", callout.title);
                    title.widget_info(|| WidgetInfo::labeled(WidgetType::Button, true, &label));
                    let title = title.on_hover_text(format!("Take {} in hand", callout.name));
                    if title.clicked()
                        && let Some(name) = &callout.chooses
                    {
                        actions.push(Action::Choose(Some(name.clone())));
                    }
                    let (fold, words) = if callout.folded { ("▸", "Unfold") } else { ("▾", "Fold") };
                    if parts::sign(ui, fold, &format!("{words} {}", callout.title)) {
                        actions.push(Action::Fold(callout.name.clone()));
                    }
                });
                if !callout.folded {
                    for line in &callout.lines {
                        let response = ui.label(line);
                        explain(response, line);
                    }
                }
            });
        });
}

/// What the signs of a line mean.
fn explain(response: egui::Response, line: &str) {
    let kind = [Kind::Plane, Kind::Circle, Kind::Cylinder, Kind::Cone];
    if let Some(kind) = kind.into_iter().find(|kind| line.starts_with(words::form_symbol(*kind))) {
        response.on_hover_text(format!(
            "{} (ISO 1101), measured from peak to valley, mm: the scanner's noise is in it.",
            words::form_word(kind)
        ));
    } else if line.starts_with('⌀') {
        response.on_hover_text("Diameter, mm, ± at 95 %.");
    } else if line.starts_with('∠') {
        response.on_hover_text("Included angle, ± at 95 %.");
    } else if line.contains('±') {
        response.on_hover_text("± at 95 %: the place in mm, the direction in degrees. It knows the scan's noise, not the scanner's calibration.");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn callouts_keep_clear_of_each_other_and_in_view() {
        let view = Rect::from_min_size(pos2(300.0, 40.0), vec2(980.0, 700.0));
        // A cluster such as a knuckle's, some near the edge.
        let anchors: Vec<Pos2> = (0..9)
            .map(|i| pos2(620.0 + (i % 3) as f32 * 90.0, 300.0 + (i / 3) as f32 * 80.0))
            .chain([pos2(305.0, 45.0), pos2(1275.0, 735.0)])
            .collect();
        let sizes = vec![vec2(150.0, 66.0); anchors.len()];
        let rects = place(view, &anchors, &sizes);
        for (i, a) in rects.iter().enumerate() {
            assert!(view.expand(0.5).contains_rect(*a), "{a:?}");
            for b in &rects[i + 1..] {
                assert!(!a.intersect(*b).is_positive(), "{a:?} over {b:?}");
            }
        }
        assert_eq!(rects, place(view, &anchors, &sizes));
    }
}
