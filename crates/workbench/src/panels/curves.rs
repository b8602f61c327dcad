//! The page of the drawer with the curves: one measure of all variants over travel or rack.

use super::geometry::colour;
use super::{Action, compared, parts};
use crate::geometry::study::{Named, Path, Study};
use crate::geometry::{Act, Over, corner_side};
use crate::keys::Command;
use crate::state::State;
use crate::theme;
use egui::{
    Align2, Color32, FontId, Id, Label, Rangef, Rect, RichText, ScrollArea, Sense, Stroke, TextStyle, Ui, pos2, vec2,
};
use egui_plot::{AxisHints, FilledArea, Line, LineStyle, Plot, PlotPoints, PlotTransform, Points, VLine};
use stringline_kinematics::Quantity;

/// Room for the list of measures, logical points.
const LIST: f32 = 230.0;
/// Left between names at the ends of lines.
const APART: f32 = 2.0;
/// Room for those names in the chart, as a share of the curve's length.
const ROOM: f64 = 0.13;

pub(super) fn page(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(study) = &state.geometry.study else {
        ui.label("There is no linkage yet: see the stop Geometry.");
        return;
    };
    let Ok(paths) = &study.paths else {
        ui.label("There is no linkage yet: the stop Geometry says what it needs.");
        return;
    };
    let area = ui.available_rect_before_wrap();
    let (left, right) = area.split_left_right_at_x(area.left() + LIST);
    ui.scope_builder(egui::UiBuilder::new().max_rect(left), |ui| measures(ui, state, actions));
    ui.scope_builder(egui::UiBuilder::new().max_rect(right.shrink2(vec2(8.0, 0.0))), |ui| {
        chart(ui, state, study, paths, actions)
    });
    ui.allocate_rect(area, Sense::hover());
}

/// Every measure by its plain name.
fn measures(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let chosen = state.geometry.quantity;
    ui.horizontal(|ui| {
        parts::faint(
            ui,
            format!(
                "{} {}   {} {}",
                Command::LastCurve.words(),
                Command::LastCurve.key_words(),
                Command::NextCurve.words(),
                Command::NextCurve.key_words()
            ),
        );
    });
    ScrollArea::vertical().id_salt("measures").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 1.0;
        for quantity in Quantity::ALL {
            let here = *quantity == chosen;
            let response = ui.add(egui::Button::selectable(here, RichText::new(quantity.words()).small()).truncate());
            if here && !response.has_focus() {
                follow(ui, &response, *quantity);
            }
            if response.on_hover_text(quantity.words()).clicked() {
                actions.push(Action::Geometry(Act::Show(*quantity)));
            }
        }
    });
}

/// Keeps the chosen one in sight when keys go through the list.
fn follow(ui: &Ui, response: &egui::Response, quantity: Quantity) {
    let id = Id::new("measure in sight");
    let known = ui.data(|data| data.get_temp::<Quantity>(id));
    if known != Some(quantity) {
        ui.data_mut(|data| data.insert_temp(id, quantity));
        response.scroll_to_me(None);
    }
}

/// A curve as it is drawn.
struct Curve<'a> {
    name: &'a str,
    path: &'a Path,
    colour: Color32,
    style: LineStyle,
    in_hand: bool,
    /// Where there is a value.
    points: Vec<[f64; 2]>,
    /// Places, lower and upper edges of its band.
    band: [Vec<f64>; 3],
}

fn chart(ui: &mut Ui, state: &State, study: &Study, paths: &[Named], actions: &mut Vec<Action>) {
    let geometry = &state.geometry;
    let (quantity, side) = (geometry.quantity, corner_side(state.side));
    let bands = geometry.bands.as_ref().filter(|bands| bands.ticket == study.ticket);
    let curves: Vec<Curve<'_>> = paths
        .iter()
        .enumerate()
        .filter(|(_, (name, _))| !geometry.hidden.contains(name))
        .filter_map(|(place, (name, path))| {
            let path = path.as_ref().ok()?;
            let value = |state: &Result<_, _>| state.as_ref().ok().and_then(|m| quantity.of(m, side));
            let points: Vec<[f64; 2]> =
                path.xs.iter().zip(&path.states).filter_map(|(x, state)| Some([*x, value(state)?])).collect();
            let mut band = [const { Vec::new() }; 3];
            if let Some(bands) = bands {
                for [x, y] in &points {
                    if let Some(u) = bands.u95(name, quantity, side, *x) {
                        band[0].push(*x);
                        band[1].push(y - u);
                        band[2].push(y + u);
                    }
                }
            }
            // Told apart by their stroke as well as by their colour.
            let style = match place % 3 {
                0 => LineStyle::Solid,
                1 => LineStyle::Dashed { length: 9.0 },
                _ => LineStyle::Dotted { spacing: 5.0 },
            };
            Some(Curve {
                name,
                path,
                colour: colour(ui, state, name),
                style,
                in_hand: geometry.hand == *name,
                points,
                band,
            })
        })
        .collect();
    let unit = quantity.unit();
    let of = if quantity.of_corner() { format!(", {} corner", side.name()) } else { String::new() };
    let other = match study.over {
        Over::Travel => format!("at rack {:+.1} mm", study.at),
        Over::Rack => format!("at travel {:+.1} mm", study.at),
    };
    let along = |x: f64| match study.over {
        Over::Travel => format!("travel {x:+.1} mm"),
        Over::Rack => format!("rack {x:+.1} mm"),
    };
    // Under the pointer of the frame before, else where the linkage is.
    let cursor_id = Id::new("cursor of the curves");
    let pointed = ui.data(|data| data.get_temp::<f64>(cursor_id));
    let cursor = pointed.unwrap_or(geometry.along());
    ui.horizontal_wrapped(|ui| {
        let ink = theme::of(ui);
        let heading = if unit.is_empty() {
            format!("{}{of}", quantity.words())
        } else {
            format!("{}, {unit}{of}", quantity.words())
        };
        let tip = "Drag in the chart to move the linkage. The shaded band holds the truth with 95 % probability, as far as \
                   the hardpoints' own uncertainty goes.";
        ui.label(RichText::new(heading).strong()).on_hover_text(tip);
        let place = format!("{} {other}:", along(cursor)).replace('-', "−");
        ui.label(RichText::new(place).color(ink.faint));
        for curve in &curves {
            let value = value_at(&curve.points, cursor);
            let text =
                value.map_or_else(|| "–".to_owned(), |v| compared::at(state, curve.name, quantity, side, cursor, v));
            let degrees = if unit == "°" { "°" } else { "" };
            let text = RichText::new(format!("{} {text}{degrees}", curve.name)).color(curve.colour);
            // A value and its ± stay on one line.
            ui.add(Label::new(text).extend());
        }
    });
    if let Some((point, share)) = bands.and_then(|bands| bands.matters(&geometry.hand, quantity, side)) {
        let text = format!("Of this curve's ± {:.0} % is the {point}'s: scan that again first.", 100.0 * share);
        parts::faint(ui, text);
    }
    if curves.iter().all(|curve| curve.points.is_empty()) {
        let needs = match quantity {
            Quantity::AntiDive => {
                "It needs the wheelbase, the centre of mass's height and the front brakes' share: see The car."
            }
            Quantity::AntiLift => "It needs the wheelbase and the centre of mass's height: see The car.",
            Quantity::SteeringRatio => "It needs the rack's travel for a turn of the steering wheel: see The car.",
            _ if study.over == Over::Travel => "It is not defined here: choose \"over rack\".",
            _ => "It is not defined here: a number of the car is missing, or the joints' axes.",
        };
        parts::faint(ui, needs);
        return;
    }
    draw(ui, state, study, &curves, cursor_id, actions);
}

/// Between two neighbours in proportion.
fn value_at(points: &[[f64; 2]], x: f64) -> Option<f64> {
    let after = points.partition_point(|p| p[0] < x);
    let (a, b) = (points.get(after.saturating_sub(1))?, points.get(after.min(points.len().checked_sub(1)?))?);
    if x < points.first()?[0] - 1e-9 || x > points.last()?[0] + 1e-9 {
        return None;
    }
    let part = if b[0] > a[0] { ((x - a[0]) / (b[0] - a[0])).clamp(0.0, 1.0) } else { 0.0 };
    Some(a[1] + (b[1] - a[1]) * part)
}

fn draw(ui: &mut Ui, state: &State, study: &Study, curves: &[Curve<'_>], cursor_id: Id, actions: &mut Vec<Action>) {
    let geometry = &state.geometry;
    let ink = theme::of(ui);
    let low = curves.iter().flat_map(|c| c.path.xs.first()).copied().fold(f64::INFINITY, f64::min);
    let high = curves.iter().flat_map(|c| c.path.xs.last()).copied().fold(f64::NEG_INFINITY, f64::max);
    let all = curves
        .iter()
        .flat_map(|c| c.points.iter().map(|p| p[1]).chain(c.band[1].iter().copied()).chain(c.band[2].iter().copied()));
    let (bottom, top) = all.fold((f64::INFINITY, f64::NEG_INFINITY), |(b, t), y| (b.min(y), t.max(y)));
    // A curve that does not change is drawn level, not as noise.
    let least = 1e-3_f64.max(1e-6 * top.abs().max(bottom.abs()));
    let room = 0.5 * (least - (top - bottom)).max(0.0) + 0.06 * (top - bottom).max(least);
    let (bottom, top) = (bottom - room, top + room);
    let plot = Plot::new("curves")
        .default_x_bounds(low, high + ROOM * (high - low))
        .default_y_bounds(bottom, top)
        .auto_bounds(false)
        .allow_zoom(false)
        .allow_drag(false)
        .allow_scroll(false)
        .allow_boxed_zoom(false)
        .allow_axis_zoom_drag(false)
        .allow_double_click_reset(false)
        .show_crosshair(false)
        .show_x(false)
        .show_y(false)
        .set_margin_fraction(vec2(0.0, 0.0))
        .label_formatter(|_| None)
        .show_background(false)
        .sense(Sense::click_and_drag())
        .custom_x_axes(vec![
            AxisHints::new_x()
                .label(match study.over {
                    Over::Travel => "wheel travel, mm up",
                    Over::Rack => "rack travel, mm to the left",
                })
                .formatter(move |mark, _| {
                    // To the right of the curves stand their names.
                    if mark.value > high + 1e-9 { String::new() } else { number(mark.value, mark.step_size) }
                })
                .tick_label_color(ink.faint)
                .label_spacing(Rangef::new(28.0, 46.0)),
        ])
        .custom_y_axes(vec![
            AxisHints::new_y()
                .formatter(|mark, _| number(mark.value, mark.step_size))
                .tick_label_color(ink.faint)
                .min_thickness(38.0)
                .label_spacing(Rangef::new(13.0, 22.0)),
        ])
        .grid_spacing(Rangef::new(13.0, 160.0));
    let shown = plot.show(ui, |plot| {
        plot.set_plot_bounds_x(low..=high + ROOM * (high - low));
        plot.set_plot_bounds_y(bottom..=top);
        for curve in curves {
            let [xs, below, above] = &curve.band;
            if xs.len() > 1 {
                plot.add(
                    FilledArea::new("", xs, below, above)
                        .fill_color(curve.colour.gamma_multiply(0.16))
                        .allow_hover(false),
                );
            }
        }
        for curve in curves {
            let width = if curve.in_hand { 2.5 } else { 1.6 };
            plot.line(
                Line::new("", PlotPoints::from(curve.points.clone()))
                    .color(curve.colour)
                    .width(width)
                    .style(curve.style)
                    .allow_hover(false),
            );
        }
        plot.add(VLine::new("", geometry.along()).color(ink.blue).width(1.2).allow_hover(false));
        for curve in curves {
            if let Some(y) = value_at(&curve.points, geometry.along()) {
                plot.add(
                    Points::new("", vec![[geometry.along(), y]]).radius(4.0).color(curve.colour).allow_hover(false),
                );
            }
        }
    });
    let frame = *shown.transform.frame();
    limits(ui, &shown.transform, frame, curves);
    names(ui, &shown.transform, frame, curves);
    let pointed =
        shown.response.hover_pos().filter(|at| frame.contains(*at)).map(|at| shown.transform.value_from_position(at).x);
    let pointed = pointed.filter(|x| (low..=high).contains(x));
    if let Some(x) = pointed {
        let at = shown.transform.position_from_point_x(x);
        ui.painter().vline(at, frame.y_range(), Stroke::new(1.0, ink.faint));
    }
    let known = ui.data(|data| data.get_temp::<f64>(cursor_id));
    if known != pointed {
        ui.data_mut(|data| match pointed {
            Some(x) => drop(data.insert_temp(cursor_id, x)),
            None => drop(data.remove_temp::<f64>(cursor_id)),
        });
        // The read-out stands above what was just drawn.
        ui.ctx().request_repaint();
    }
    // Dragging in the chart moves the linkage.
    let held = shown.response.dragged() || shown.response.clicked();
    if held && let Some(x) = pointed {
        actions.push(Action::Geometry(match study.over {
            Over::Travel => Act::Travel(x),
            Over::Rack => Act::Rack(x),
        }));
    }
}

fn small(ui: &Ui) -> FontId {
    TextStyle::Small.resolve(ui.style())
}

/// Upright lines where the mechanism ends, with words that keep clear of each other.
fn limits(ui: &Ui, transform: &PlotTransform, frame: Rect, curves: &[Curve<'_>]) {
    let mut taken: Vec<Rect> = Vec::new();
    let mut named: Vec<(&str, f32)> = Vec::new();
    for curve in curves {
        for (at, words) in &curve.path.limits {
            let x = transform.position_from_point_x(*at);
            if !frame.x_range().contains(x) {
                continue;
            }
            let dashes = egui::Shape::dashed_line(
                &[pos2(x, frame.top()), pos2(x, frame.bottom())],
                Stroke::new(1.2, curve.colour),
                5.0,
                4.0,
            );
            ui.painter().extend(dashes);
            // Of the same words side by side one will do.
            if named.iter().any(|(known, there)| known == words && (x - there).abs() < 24.0) {
                continue;
            }
            named.push((words, x));
            let galley = ui.painter().layout_no_wrap((*words).to_owned(), small(ui), curve.colour);
            let to_left = x + galley.size().x + 6.0 > frame.right();
            let left = if to_left { x - galley.size().x - 4.0 } else { x + 4.0 };
            let mut rect = Rect::from_min_size(pos2(left, frame.top() + 2.0), galley.size());
            while taken.iter().any(|other| other.intersects(rect)) && rect.bottom() < frame.bottom() {
                rect = rect.translate(vec2(0.0, galley.size().y + APART));
            }
            ui.painter().rect_filled(rect.expand(1.0), 0.0, theme::of(ui).paper.gamma_multiply(0.8));
            ui.painter().galley(rect.min, galley, curve.colour);
            taken.push(rect);
        }
    }
}

/// The names of the curves at their right ends, moved apart where they would overlap.
fn names(ui: &Ui, transform: &PlotTransform, frame: Rect, curves: &[Curve<'_>]) {
    let height = small(ui).size * 1.25 + APART;
    let mut ends: Vec<(f32, f32, &Curve<'_>)> = curves
        .iter()
        .filter_map(|curve| {
            let [x, y] = *curve.points.last()?;
            Some((transform.position_from_point_x(x), transform.position_from_point_y(y), curve))
        })
        .collect();
    ends.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut next = frame.top();
    let over = ends.len() as f32 * height;
    for (place, (x, y, curve)) in ends.into_iter().enumerate() {
        let last = frame.bottom() - over + place as f32 * height;
        let top = (y - 0.5 * height).max(next).min(last.max(frame.top()));
        next = top + height;
        let at = pos2(x + 6.0, top + 0.5 * height);
        if (at.y - y).abs() > 2.0 {
            ui.painter().line_segment([pos2(x, y), pos2(x + 5.0, at.y)], Stroke::new(1.0, curve.colour));
        }
        let painter = ui.painter().with_clip_rect(frame.expand(2.0));
        let galley = painter.layout_no_wrap(curve.name.to_owned(), small(ui), curve.colour);
        let rect = Align2::LEFT_CENTER.anchor_size(at, galley.size());
        painter.rect_filled(rect, 0.0, theme::of(ui).paper);
        painter.galley(rect.min, galley, curve.colour);
    }
}

/// A number at an axis, with as many digits as its step asks for.
fn number(value: f64, step: f64) -> String {
    let digits = (-(step.abs().max(1e-9).log10() + 1e-9).floor()).clamp(0.0, 6.0) as usize;
    let text = format!("{value:.digits$}");
    let is_zero = !text.chars().any(|c| c.is_ascii_digit() && c != '0');
    if is_zero { "0".into() } else { text.replace('-', "−") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_have_as_many_digits_as_their_steps() {
        assert_eq!(number(0.1 + 0.2, 0.1), "0.3");
        assert_eq!(number(-0.0, 0.1), "0");
        assert_eq!(number(-20.0, 10.0), "−20");
        assert_eq!(number(0.05, 0.01), "0.05");
    }

    #[test]
    fn a_curve_is_read_between_its_points_and_not_beyond() {
        let points = [[0.0, 1.0], [2.0, 3.0], [4.0, 3.0]];
        assert_eq!(value_at(&points, 1.0), Some(2.0));
        assert_eq!(value_at(&points, 4.0), Some(3.0));
        assert_eq!(value_at(&points, 4.1), None);
        assert_eq!(value_at(&[], 0.0), None);
    }
}
