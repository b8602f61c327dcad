//! Both outlines of an overlay in a section, drawn flat and dimensioned.

use super::{Action, parts};
use crate::keys::Command;
use crate::overlay::{Across, Act, Cut, Sectioned, probe, shown};
use crate::scale;
use crate::state::State;
use crate::theme;
use egui::{Align2, Color32, Id, Pos2, Rangef, RichText, Stroke, TextStyle, Ui, WidgetInfo, WidgetType, pos2, vec2};
use egui_plot::{AxisHints, Line, LineStyle, Plot, PlotBounds, PlotPoints};
use nalgebra::Point2;
use stringline_core::covariance::rounded;

/// Round a distance at least so much is shown to either side, mm, and this many times its length.
const AROUND: (f64, f64) = (5.0, 3.0);
/// Length of an arrow's head, logical points.
const HEAD: f32 = 7.0;

/// A distance that is drawn.
struct Told {
    ends: [Point2<f64>; 2],
    text: String,
}

/// The section with what it is cut by.
pub(super) fn section(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let looking = &state.looking;
    controls(ui, state, actions);
    if looking.task.is_some_and(|id| state.task(id).is_some()) {
        parts::faint(ui, "cutting …");
    }
    let Some(sectioned) = &looking.section else {
        if looking.cut.is_none() {
            parts::faint(
                ui,
                "Choose where to cut both open: across an axis of the car, or along the gap at a probed place.",
            );
        }
        return;
    };
    let told = told(sectioned);
    words(ui, sectioned);
    if sectioned.section.outlines.iter().all(Vec::is_empty) {
        return;
    }
    draw(ui, sectioned, &told);
}

/// Where to cut.
fn controls(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let cut = state.looking.cut;
    ui.horizontal_wrapped(|ui| {
        let tip = "Both outlines where a plane cuts the scans. Drag moves the drawing, Ctrl with the wheel zooms it.";
        ui.label(RichText::new("Section").strong()).on_hover_text(tip);
        for across in Across::ALL {
            let (name, _, why) = across.words();
            let chosen = cut.is_some_and(|cut| cut.across == across);
            if ui.selectable_label(chosen, name).on_hover_text(why).clicked() {
                let act = match (probe(state), across.axis()) {
                    // Through what was probed, where something was.
                    (Some(_), _) | (None, None) => Act::Through(across),
                    (None, Some(axis)) => {
                        // The first cut is where there is something to see.
                        let middle = shown(state).map_or(0.0, |overlaid| overlaid.middle[axis]);
                        Act::Cut(Cut { across, at: (middle * 10.0).round() / 10.0 })
                    }
                };
                actions.push(Action::Looking(act));
            }
        }
        if cut.is_some() && parts::button(ui, "No section", "Put the section away, here and in the view.") {
            actions.push(Action::Looking(Act::NoCut));
        }
    });
    let Some(cut) = cut else { return };
    ui.horizontal_wrapped(|ui| {
        if cut.across.axis().is_some() {
            let id = Id::new(("section at", cut.across.words().0));
            let now = rounded(cut.at, 0.015);
            let (text, entered) = parts::number_field(ui, id, "cut at", "mm", &now);
            if entered
                && let Some(at) = parts::number(&text)
                && text != now
            {
                actions.push(Action::Looking(Act::Cut(Cut { at, ..cut })));
            }
        }
        let tip = format!("Cut through the place that was probed.\nKey: {}", Command::SectionLine.key_words());
        let there = state.looking.pinned.is_some();
        let button = ui.add_enabled(there, egui::Button::new("Probed place"));
        if button
            .on_hover_text(&tip)
            .on_disabled_hover_text(format!("Click a place of the gap map first. {tip}"))
            .clicked()
        {
            actions.push(Action::Looking(Act::Through(cut.across)));
        }
        let view = Id::new("section view");
        for (words, why, around) in [
            ("Whole", "Show all of both outlines.", false),
            ("Close up", "Show the distances of this section large.", true),
        ] {
            if parts::button(ui, words, why) {
                ui.data_mut(|data| data.insert_temp(view, around));
            }
        }
    });
}

/// What is measured out in it.
fn told(sectioned: &Sectioned) -> Vec<Told> {
    let smallest = sectioned.section.nearest.map(|nearest| Told {
        ends: [nearest.on_a, nearest.on_b],
        text: match nearest.distance > 0.0 {
            true => format!("smallest {} mm", rounded(nearest.distance, 0.015)),
            false => "they cross".into(),
        },
    });
    let probed = sectioned.probed.as_ref().map(|(ends, text)| Told { ends: *ends, text: text.clone() });
    probed.into_iter().chain(smallest).collect()
}

/// The section in words, so that nothing is told by the drawing alone.
fn words(ui: &mut Ui, sectioned: &Sectioned) {
    let [of, other] = &sectioned.names;
    let [a, b] = [0, 1].map(|i| sectioned.section.outlines[i].is_empty());
    let smallest = match sectioned.section.nearest {
        Some(nearest) if nearest.distance > 0.0 => {
            format!("smallest distance in this section {} mm", rounded(nearest.distance, 0.015))
        }
        Some(_) => "the outlines cross in this section".to_owned(),
        None if a && b => "the plane meets neither; of a cloud there is no outline".to_owned(),
        None => {
            let missing = if a { of } else { other };
            format!("the plane does not meet {missing}, or it is a cloud, which has no outline")
        }
    };
    let (_, seen, _) = sectioned.cut.across.words();
    let probed = sectioned.probed.as_ref().map_or(String::new(), |(_, gap)| format!("; gap at the probed place {gap}"));
    ui.label(RichText::new(format!("{smallest}{probed}. {of}: line; {other}: dashes; {seen}.")).small());
}

fn draw(ui: &mut Ui, sectioned: &Sectioned, told: &[Told]) {
    let ink = theme::of(ui);
    let [right, up] = sectioned.cut.across.axes();
    let sign = |against: bool| if against { -1.0 } else { 1.0 };
    let number = |value: f64, step: f64| {
        // A step of 0.1 has one digit.
        rounded(value, 1.5 * step.abs().max(1e-4)).replace('-', "−")
    };
    let places = || sectioned.section.outlines.iter().flatten().flat_map(|outline| &outline.places);
    let whole = bounds(places());
    // A cut elsewhere is seen whole at first.
    let view = Id::new("section view");
    let id = Id::new(("section", sectioned.cut.across.words().0, sectioned.cut.at.to_bits(), &sectioned.names));
    let fresh = ui.data_mut(|data| {
        let seen = data.get_temp::<Id>(view.with("of"));
        data.insert_temp(view.with("of"), id);
        seen != Some(id)
    });
    let asked = ui.data_mut(|data| data.remove_temp::<bool>(view)).or(fresh.then_some(false));
    let colours = [0, 1].map(|number| {
        let [r, g, b] = scale::variant(number, ui.visuals().dark_mode);
        Color32::from_rgb(r, g, b)
    });
    let plot = Plot::new("section")
        .data_aspect(1.0)
        .show_x(false)
        .show_y(false)
        .label_formatter(|_| None)
        .show_background(false)
        // A drawing, not a chart: few lines behind it.
        .grid_spacing(Rangef::new(24.0, 600.0))
        .custom_x_axes(vec![
            AxisHints::new_x()
                .label(right.0)
                .tick_label_color(ink.faint)
                .formatter(move |mark, _| number(sign(right.1) * mark.value, mark.step_size)),
        ])
        .custom_y_axes(vec![
            AxisHints::new_y()
                .label(up.0)
                .tick_label_color(ink.faint)
                .min_thickness(44.0)
                .formatter(move |mark, _| number(sign(up.1) * mark.value, mark.step_size)),
        ]);
    let drawn = plot.show(ui, |plot| {
        match asked {
            Some(true) => plot.set_plot_bounds(close_up(told).or(whole).unwrap_or(PlotBounds::new_symmetrical(100.0))),
            Some(false) => plot.set_plot_bounds(whole.unwrap_or(PlotBounds::new_symmetrical(100.0))),
            None => {}
        }
        let styles = [LineStyle::Solid, LineStyle::Dashed { length: 8.0 }];
        for ((outlines, colour), style) in sectioned.section.outlines.iter().zip(colours).zip(styles) {
            for outline in outlines {
                let points: Vec<[f64; 2]> = outline.chain().map(|place| [place.x, place.y]).collect();
                let line = Line::new("", PlotPoints::from(points)).color(colour).width(1.6).style(style);
                plot.line(line.allow_hover(false));
            }
        }
    });
    let label = format!("Section {}: {}", sectioned.cut.across.words().0, sectioned.names.join(" and "));
    drawn.response.widget_info(|| WidgetInfo::labeled(WidgetType::Image, true, &label));
    let frame = *drawn.transform.frame();
    let painter = ui.painter().with_clip_rect(frame);
    let font = TextStyle::Body.resolve(ui.style());
    let mut below = frame.top();
    for told in told {
        let [a, b] = told.ends.map(|place| {
            pos2(drawn.transform.position_from_point_x(place.x), drawn.transform.position_from_point_y(place.y))
        });
        arrow(&painter, a, b, Stroke::new(1.5, ink.blue));
        let galley = painter.layout_no_wrap(told.text.clone(), font.clone(), ink.blue);
        let mut rect = Align2::LEFT_CENTER.anchor_size(pos2(a.x.max(b.x) + 8.0, 0.5 * (a.y + b.y)), galley.size());
        // Words of two distances at one place stand below each other.
        if rect.top() < below && rect.top() > below - 2.0 * rect.height() {
            rect = rect.translate(vec2(0.0, below - rect.top()));
        }
        below = rect.bottom() + 2.0;
        painter.rect_filled(rect.expand(2.0), 0.0, ink.paper.gamma_multiply(0.85));
        painter.galley(rect.min, galley, ink.blue);
    }
}

/// A dimension line: arrows at both ends where there is room for them, else dots.
fn arrow(painter: &egui::Painter, a: Pos2, b: Pos2, stroke: Stroke) {
    painter.line_segment([a, b], stroke);
    let along = b - a;
    for (tip, away) in [(a, along), (b, -along)] {
        if along.length() < 3.0 * HEAD {
            painter.circle_filled(tip, 2.5, stroke.color);
            continue;
        }
        let back = tip + away.normalized() * HEAD;
        let side = away.normalized().rot90() * (0.35 * HEAD);
        painter.line_segment([tip, back + side], stroke);
        painter.line_segment([tip, back - side], stroke);
    }
}

fn bounds<'p>(places: impl Iterator<Item = &'p Point2<f64>>) -> Option<PlotBounds> {
    let (low, high) = places.fold(None, |ends: Option<(Point2<f64>, Point2<f64>)>, p| {
        Some(ends.map_or((*p, *p), |(low, high)| (low.inf(p), high.sup(p))))
    })?;
    let room = 0.04 * (high - low).norm().max(1.0);
    Some(PlotBounds::from_min_max([low.x - room, low.y - room], [high.x + room, high.y + room]))
}

/// About the distances.
fn close_up(told: &[Told]) -> Option<PlotBounds> {
    let first = told.first()?;
    let middle = nalgebra::center(&first.ends[0], &first.ends[1]);
    let reach = (AROUND.1 * (first.ends[1] - first.ends[0]).norm()).max(AROUND.0);
    Some(PlotBounds::from_min_max([middle.x - reach, middle.y - reach], [middle.x + reach, middle.y + reach]))
}
