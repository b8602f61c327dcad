//! The page of the drawer with the smallest gap over lock and travel, to click into.

use super::Action;
use crate::clearance::acts::Act;
use crate::clearance::view;
use crate::state::State;
use crate::theme;
use egui::{Align2, Color32, Rect, Sense, Stroke, StrokeKind, TextStyle, Ui, WidgetInfo, WidgetType, pos2, vec2};
use stringline_core::colour::sequential;

/// Room for the travels at the left and the locks below, logical points.
const MARGIN: egui::Vec2 = vec2(96.0, 36.0);
/// Width of the legend, logical points.
const LEGEND: f32 = 290.0;

pub(super) fn page(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(view) = view(state) else {
        ui.label("There is no sweep yet: see the stop Clearance.");
        return;
    };
    let ink = theme::of(ui);
    let sweep = &view.swept.sweep;
    let (columns, rows) = (sweep.locks.len(), sweep.travels.len());
    let wanted = sweep.pairs.iter().map(|pair| pair.wanted).fold(0.0, f64::max);
    // A little more than what is wanted is what one looks at.
    let top = (4.0 * wanted).max(20.0);
    let size = ui.available_size().max(vec2(320.0, 120.0));
    let (all, response) = ui.allocate_exact_size(size, Sense::click_and_drag());
    let label = format!("Smallest gap over lock and travel, {}", view.swept.name);
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Image, true, &label));
    let plot = Rect::from_min_max(all.min + vec2(MARGIN.x, 6.0), pos2(all.right() - LEGEND, all.bottom() - MARGIN.y));
    let cell = vec2(plot.width() / columns as f32, plot.height() / rows as f32);
    // The highest travel is on top; locks to the left are on the left, as one sits in the car.
    let cell_rect = |travel: usize, lock: usize| {
        let min = pos2(plot.right() - (lock + 1) as f32 * cell.x, plot.bottom() - (travel + 1) as f32 * cell.y);
        Rect::from_min_size(min, cell)
    };
    let painter = ui.painter_at(all);
    painter.rect_filled(plot, 0.0, ink.well);
    let colour = |gap: f64| {
        let [r, g, b] = sequential((gap / top).clamp(0.0, 1.0));
        Color32::from_rgb(r, g, b)
    };
    for travel in 0..rows {
        for lock in 0..columns {
            let Some(known) = sweep.at(travel, lock) else { continue };
            if known.poses.is_err() {
                continue;
            }
            let gap = known.smallest().map_or(top, |(_, closest)| closest.gap);
            let rect = cell_rect(travel, lock);
            // A hair wider, so that no seam shows between cells.
            painter.rect_filled(rect.expand(0.3), 0.0, colour(gap));
            if gap < wanted {
                let stroke = Stroke::new(1.0, Color32::WHITE);
                painter.line_segment([rect.left_bottom(), rect.right_top()], stroke);
                if gap <= 0.0 {
                    painter.line_segment([rect.left_top(), rect.right_bottom()], stroke);
                }
            }
        }
    }
    painter.rect_stroke(plot, 0.0, Stroke::new(1.0, ink.hair), StrokeKind::Outside);
    let here = cell_rect(view.at[0], view.at[1]);
    painter.rect_stroke(here.expand(1.5), 0.0, Stroke::new(2.0, ink.blue), StrokeKind::Outside);
    let font = TextStyle::Small.resolve(ui.style());
    let text = |at, align: Align2, words: String| {
        painter.text(at, align, words.replace('-', "−"), font.clone(), ink.ink);
    };
    for (travel, mm) in sweep.travels.iter().enumerate() {
        let y = cell_rect(travel, 0).center().y;
        // As many as there is room for.
        let every = ((14.0 / cell.y).ceil() as usize).max(1);
        if travel % every == 0 {
            text(pos2(plot.left() - 6.0, y), Align2::RIGHT_CENTER, format!("{mm:+.0}"));
        }
    }
    text(pos2(all.left() + 4.0, plot.center().y), Align2::LEFT_CENTER, "travel\nmm up".into());
    let step = [1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 45.0];
    let degrees: Vec<f64> = sweep.locks.iter().map(|lock| lock.to_degrees()).collect();
    let per_degree = plot.width() as f64 / (degrees.last().unwrap_or(&1.0) - degrees.first().unwrap_or(&0.0)).max(1.0);
    let every = step.into_iter().find(|step| step * per_degree > 34.0).unwrap_or(45.0);
    for (lock, degree) in degrees.iter().enumerate() {
        let number = degree / every;
        if (number - number.round()).abs() < 1e-6 {
            let x = cell_rect(0, lock).center().x;
            painter.vline(x, plot.bottom()..=plot.bottom() + 3.0, Stroke::new(1.0, ink.hair));
            text(pos2(x, plot.bottom() + 4.0), Align2::CENTER_TOP, format!("{degree:+.0}°"));
        }
    }
    text(pos2(plot.center().x, all.bottom()), Align2::CENTER_BOTTOM, "lock of this wheel, to the left positive".into());
    legend(ui, &painter, plot, top, wanted);
    if (response.clicked() || response.dragged())
        && let Some(at) = response.interact_pointer_pos().filter(|at| plot.contains(*at))
    {
        let lock = ((plot.right() - at.x) / cell.x) as usize;
        let travel = ((plot.bottom() - at.y) / cell.y) as usize;
        actions.push(Action::Clearance(Act::At([travel.min(rows - 1), lock.min(columns - 1)])));
    }
    if let Some(at) = response.hover_pos().filter(|at| plot.contains(*at)) {
        let lock = (((plot.right() - at.x) / cell.x) as usize).min(columns - 1);
        let travel = (((plot.bottom() - at.y) / cell.y) as usize).min(rows - 1);
        if let Some(known) = sweep.at(travel, lock) {
            let words = match (&known.poses, known.smallest()) {
                (Err(stop), _) => format!("no such position: {stop}"),
                (_, None) => "further apart than was looked for".into(),
                (_, Some((pair, closest))) => {
                    format!("{:.1} mm, {}", closest.gap, view.swept.pairs.get(pair).map_or("", String::as_str))
                }
            };
            let place = format!("lock {:+.1}°, travel {:+.0} mm", known.lock.to_degrees(), known.travel);
            response.on_hover_text_at_pointer(format!("{}\n{words}", place.replace('-', "−")));
        }
    }
}

fn legend(ui: &Ui, painter: &egui::Painter, plot: Rect, top: f64, wanted: f64) {
    let ink = theme::of(ui);
    let font = TextStyle::Small.resolve(ui.style());
    let left = plot.right() + 16.0;
    let bar = Rect::from_min_size(pos2(left, plot.top() + 18.0), vec2(14.0, (plot.height() - 18.0).max(20.0)));
    for step in 0..48 {
        let part = step as f32 / 48.0;
        let [r, g, b] = sequential(f64::from(part));
        let y = egui::lerp(bar.bottom()..=bar.top(), part);
        let piece = Rect::from_min_max(pos2(bar.left(), y - bar.height() / 48.0), pos2(bar.right(), y + 0.5));
        painter.rect_filled(piece, 0.0, Color32::from_rgb(r, g, b));
    }
    let text = |at, align: Align2, words: &str| {
        painter.text(at, align, words, font.clone(), ink.ink);
    };
    text(pos2(left, plot.top()), Align2::LEFT_TOP, "smallest gap, mm");
    text(pos2(bar.right() + 6.0, bar.top()), Align2::LEFT_TOP, &format!("{top:.0} or more"));
    text(pos2(bar.right() + 6.0, bar.bottom()), Align2::LEFT_BOTTOM, "0");
    let y = egui::lerp(bar.bottom()..=bar.top(), (wanted / top) as f32);
    painter.hline(bar.left() - 3.0..=bar.right() + 4.0, y, Stroke::new(1.5, ink.ink));
    text(pos2(bar.right() + 6.0, y), Align2::LEFT_CENTER, &format!("{wanted} wanted"));
    let note = "struck out: less than\nwanted; crossed:\ntouching; blank: no\nsuch position";
    text(pos2(bar.right() + 96.0, bar.top()), Align2::LEFT_TOP, note);
}
