//! Read-outs at the features themselves, as call-outs stand on a workshop drawing: a leader, the size,
//! the form error after its symbol, how well the place is known. They keep clear of each other and leave
//! the parts in sight: of many the names stand only where there is room, the rest are dots that say theirs
//! to the pointer.

use super::{Action, parts};
use crate::clearance;
use crate::overlay;
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
/// So many folded call-outs are named at most, and they take no more than this share of the view together.
const FOLDED: (usize, f32) = (12, 0.05);
/// A dot and what about it counts as pointing at it, logical points.
const DOT: (f32, f32) = (3.0, 7.0);
/// How far from their feature call-outs are tried, logical points.
const REACHES: [f32; 5] = [46.0, 78.0, 118.0, 170.0, 240.0];
/// Those of them that a folded call-out tries.
const NEAR: usize = 3;
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
    has_role: bool,
    /// The feature that its title chooses.
    chooses: Option<Name>,
    live: bool,
}

pub(super) fn all(ui: &mut Ui, view: Rect, state: &State, eye: Option<&Eye>, actions: &mut Vec<Action>) {
    let Some(eye) = eye else { return };
    let mut callouts = gather(ui, view, state, eye);
    // What is in hand gets the best place, then what a person unfolded, then what has a role.
    let rank = |callout: &Callout| {
        let chosen = callout.chooses != state.chosen || state.chosen.is_none();
        (!callout.live, chosen, callout.folded, !callout.has_role)
    };
    callouts.sort_by(|a, b| rank(a).cmp(&rank(b)).then_with(|| a.name.cmp(&b.name)));
    let wanted: Vec<Wanted> = callouts
        .iter()
        .map(|callout| Wanted { anchor: callout.anchor, size: size_of(ui, callout), yields: callout.folded })
        .collect();
    let rects = place(view.shrink(6.0), &wanted);
    // Only the dot that is pointed at is more than a mark.
    let pointer = ui.input(|input| input.pointer.hover_pos());
    let reach = |callout: &Callout| pointer.map_or(f32::INFINITY, |at| (callout.anchor - at).length());
    let dots = callouts.iter().zip(&rects).filter(|(_, rect)| rect.is_none()).map(|(callout, _)| callout);
    let pointed = dots.clone().min_by(|a, b| reach(a).total_cmp(&reach(b))).filter(|c| reach(c) < DOT.1);
    for callout in dots {
        mark(ui, callout, callout.colour);
    }
    for (callout, rect) in callouts.iter().zip(&rects) {
        if let Some(rect) = rect {
            draw(ui, callout, *rect, actions);
        }
    }
    if let Some(callout) = pointed {
        dot(ui, callout, actions);
    }
}

/// A dot at the place of a feature.
fn mark(ui: &Ui, callout: &Callout, colour: Color32) {
    ui.painter().circle(callout.anchor, DOT.0, colour, Stroke::new(1.0, theme::of(ui).paper));
}

/// The smallest gap at the place where it is, and where most of a body must go.
pub(super) fn clearance(ui: &mut Ui, view: Rect, state: &State, eye: Option<&Eye>) {
    let (Some(eye), Some(shown)) = (eye, clearance::view(state)) else { return };
    let ink = theme::of(ui);
    let at = |point: &Point3| eye.to_screen(point).map(|[x, y]| pos2(x, y)).filter(|at| view.contains(*at));
    let callout = |name: &str, title: String, line: String, anchor: Pos2, bad: bool| Callout {
        name: name.into(),
        title,
        lines: vec![line],
        anchor,
        colour: if bad { ink.red } else { ink.ink },
        folded: false,
        has_role: false,
        chooses: None,
        live: true,
    };
    let gap = shown.nearest().and_then(|(pair, closest, [a, b])| {
        let wanted = shown.swept.sweep.pairs.get(pair).map_or(0.0, |pair| pair.wanted);
        let title = match closest.gap > 0.0 {
            true => format!("{} mm", stringline_core::covariance::rounded(closest.gap, 0.01)),
            false => "they touch".to_owned(),
        };
        let words = shown.swept.pairs.get(pair).cloned().unwrap_or_default();
        Some(callout("smallest gap", title, words, at(&nalgebra::center(&a, &b))?, closest.gap < wanted))
    });
    let cut = clearance::marks::deepest(state).and_then(|(place, marked)| {
        let title = format!("{} mm must go", stringline_core::covariance::rounded(marked.depth, 0.15));
        Some(callout("deepest", title, format!("{}, deepest place", marked.body), at(&place)?, true))
    });
    few(ui, view, &gap.into_iter().chain(cut).collect::<Vec<_>>());
}

/// The gap under the pointer, or at the place that stays.
pub(super) fn probe(ui: &mut Ui, view: Rect, state: &State, eye: Option<&Eye>) {
    // The brush has call-outs of its own.
    let (Some(eye), false, Some(overlaid)) = (eye, state.brush_in_hand(), overlay::shown(state)) else { return };
    let Some(probe) = overlay::probe(state) else { return };
    let Some(anchor) = eye.to_screen(&probe.at).map(|[x, y]| pos2(x, y)).filter(|at| view.contains(*at)) else {
        return;
    };
    let (title, line) = overlay::probe_words(&overlaid.overlay, &probe);
    let callout = Callout {
        name: "probed gap".into(),
        title,
        lines: vec![line],
        anchor,
        colour: if probe.no_sign.is_some() { theme::of(ui).amber } else { theme::of(ui).ink },
        folded: false,
        has_role: false,
        chooses: None,
        live: true,
    };
    few(ui, view, &[callout]);
}

/// Call-outs that have none but each other to keep clear of.
fn few(ui: &mut Ui, view: Rect, callouts: &[Callout]) {
    let wanted = |callout: &Callout| Wanted { anchor: callout.anchor, size: size_of(ui, callout), yields: false };
    let wanted: Vec<Wanted> = callouts.iter().map(wanted).collect();
    for (callout, rect) in callouts.iter().zip(place(view.shrink(6.0), &wanted)) {
        if let Some(rect) = rect {
            draw(ui, callout, rect, &mut Vec::new());
        }
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
        let has_role = !roles.is_empty();
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
            has_role,
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
            has_role: true,
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
        has_role: false,
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

/// What is to stand beside a point.
struct Wanted {
    anchor: Pos2,
    size: Vec2,
    /// Rather a dot than in the way.
    yields: bool,
}

/// Where call-outs stand: each tries places about its anchor, near ones first, and takes the first that is in view
/// and clear of those before it and of all anchors. If there is none, or those that yield fill their share of the
/// view already, one that yields is not placed; the others stand where it is least bad.
fn place(view: Rect, wanted: &[Wanted]) -> Vec<Option<Rect>> {
    let mut placed: Vec<Option<Rect>> = Vec::new();
    let (mut left, mut room) = (FOLDED.0, FOLDED.1 * view.area());
    for (index, Wanted { anchor, size, yields }) in wanted.iter().enumerate() {
        if *yields && (left == 0 || room < size.x * size.y) {
            placed.push(None);
            continue;
        }
        // A name that yields stands near its place and in nobody's way, or not at all.
        let reaches = if *yields { &REACHES[..NEAR] } else { &REACHES[..] };
        let mut best: Option<(f32, Rect)> = None;
        'search: for &reach in reaches {
            for step in 0..DIRECTIONS {
                // Up and right first, then by turns to either side.
                let turn = step.div_ceil(2) as f32 * if step % 2 == 0 { 1.0 } else { -1.0 };
                let angle = -0.6 + turn * std::f32::consts::TAU / DIRECTIONS as f32;
                let (sin, cos) = angle.sin_cos();
                let corner = *anchor + vec2(cos, sin) * reach;
                // The side that faces the anchor is at that distance.
                let centre = corner + vec2(cos * size.x / 2.0, sin * size.y / 2.0);
                let rect = Rect::from_center_size(centre, *size);
                let in_the_way = || {
                    let clear = rect.expand(CLEAR);
                    !view.contains_rect(rect)
                        || placed.iter().flatten().any(|other| clear.intersect(*other).is_positive())
                        || wanted.iter().enumerate().any(|(i, other)| i != index && rect.contains(other.anchor))
                };
                if *yields {
                    if !in_the_way() {
                        best = Some((0.0, rect));
                        break 'search;
                    }
                    continue;
                }
                let outside = rect.area() - rect.intersect(view).area().max(0.0).min(rect.area());
                let overlap = |other: &Rect| {
                    let shared = rect.expand(CLEAR).intersect(*other);
                    if shared.is_positive() { shared.area() } else { 0.0 }
                };
                let over: f32 = placed.iter().flatten().map(overlap).sum();
                let others = wanted.iter().enumerate().filter(|(i, _)| *i != index);
                let hidden = others.filter(|(_, other)| rect.contains(other.anchor)).count();
                let cost = 4.0 * outside + 2.0 * over + 400.0 * hidden as f32;
                if best.as_ref().is_none_or(|(least, _)| cost < *least) {
                    best = Some((cost, rect));
                }
                if cost <= 0.0 {
                    break 'search;
                }
            }
        }
        let Some((_, rect)) = best else {
            placed.push(None);
            continue;
        };
        if *yields {
            room -= rect.area();
            left -= 1;
        }
        // What does not fit is at least in view.
        let slack = view.size() - *size;
        let min = view.min + (rect.min - view.min).clamp(Vec2::ZERO, slack.max(Vec2::ZERO));
        placed.push(Some(Rect::from_min_size(min, *size)));
    }
    placed
}

/// A call-out that there is no room for, while it is pointed at: it says what it would, and can be taken.
fn dot(ui: &mut Ui, callout: &Callout, actions: &mut Vec<Action>) {
    let blue = theme::of(ui).blue;
    let area = Area::new(Id::new(("callout dot", &callout.name))).order(Order::Middle);
    let area = area.fixed_pos(callout.anchor - Vec2::splat(DOT.1)).constrain(false);
    area.show(ui.ctx(), |ui| {
        let (_, response) = ui.allocate_exact_size(Vec2::splat(2.0 * DOT.1), egui::Sense::click());
        let label = format!("Call-out {}", callout.title);
        response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, true, &label));
        mark(ui, callout, blue);
        let words = std::iter::once(&callout.title).chain(&callout.lines).cloned().collect::<Vec<_>>().join("\n");
        if response.on_hover_text(words).clicked() {
            match &callout.chooses {
                Some(name) => actions.push(Action::Choose(Some(name.clone()))),
                None => actions.push(Action::Fold(callout.name.clone())),
            }
        }
    });
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

    const VIEW: Rect = Rect { min: pos2(300.0, 40.0), max: pos2(1280.0, 740.0) };

    fn wanted(anchors: impl IntoIterator<Item = Pos2>, size: Vec2, yields: bool) -> Vec<Wanted> {
        anchors.into_iter().map(|anchor| Wanted { anchor, size, yields }).collect()
    }

    fn assert_clear(rects: &[Rect]) {
        for (i, a) in rects.iter().enumerate() {
            assert!(VIEW.expand(0.5).contains_rect(*a), "{a:?}");
            for b in &rects[i + 1..] {
                assert!(!a.intersect(*b).is_positive(), "{a:?} over {b:?}");
            }
        }
    }

    #[test]
    fn callouts_keep_clear_of_each_other_and_in_view() {
        // A cluster such as a knuckle's, some near the edge.
        let anchors = (0..9).map(|i| pos2(620.0 + (i % 3) as f32 * 90.0, 300.0 + (i / 3) as f32 * 80.0));
        let wanted = wanted(anchors.chain([pos2(305.0, 45.0), pos2(1275.0, 735.0)]), vec2(150.0, 66.0), false);
        let rects = place(VIEW, &wanted);
        let all: Vec<Rect> = rects.iter().flatten().copied().collect();
        assert_eq!(all.len(), wanted.len());
        assert_clear(&all);
        assert_eq!(rects, place(VIEW, &wanted));
    }

    #[test]
    fn many_callouts_leave_the_parts_in_sight() {
        // A car full of features, one of them unfolded.
        let anchors = (0..120).map(|i| pos2(500.0 + (i % 12) as f32 * 45.0, 200.0 + (i / 12) as f32 * 40.0));
        let mut wanted = wanted(anchors, vec2(120.0, 24.0), true);
        wanted[0] = Wanted { size: vec2(180.0, 80.0), yields: false, ..wanted[0] };
        let rects = place(VIEW, &wanted);
        assert!(rects[0].is_some());
        let named: Vec<Rect> = rects[1..].iter().flatten().copied().collect();
        assert_clear(&named);
        assert!((1..=FOLDED.0).contains(&named.len()), "{}", named.len());
        let taken: f32 = named.iter().map(|rect| rect.area()).sum();
        assert!(taken <= FOLDED.1 * VIEW.area(), "{taken}");
        for rect in &named {
            assert!(wanted.iter().all(|other| !rect.contains(other.anchor)), "{rect:?}");
        }
    }
}
