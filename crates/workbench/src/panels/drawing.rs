//! Small drawings of constructions: what is given in ink, what is made in marking blue.

use super::roles::Offer;
use crate::theme::{self, Ink};
use egui::{Painter, Pos2, Rect, RichText, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, WidgetType, pos2, vec2};
use stringline_hardpoints::Construction;

const SIZE: Vec2 = vec2(76.0, 48.0);

/// A construction to choose, with its drawing. Whether it was.
pub(super) fn offer(ui: &mut Ui, offer: &Offer, chosen: bool) -> bool {
    let ink = theme::of(ui);
    let words = offer.words();
    let width = ui.available_width();
    let text = egui::WidgetText::from(RichText::new(&words)).into_galley(
        ui,
        Some(egui::TextWrapMode::Wrap),
        width - SIZE.x - 18.0,
        egui::TextStyle::Body,
    );
    let height = SIZE.y.max(text.size().y) + 6.0;
    let (rect, response) = ui.allocate_exact_size(vec2(width, height), Sense::click());
    response.widget_info(|| WidgetInfo::selected(WidgetType::RadioButton, true, chosen, &words));
    let edge = if chosen {
        Stroke::new(2.0, ink.blue)
    } else if response.hovered() || response.has_focus() {
        Stroke::new(1.0, ink.ink)
    } else {
        Stroke::new(1.0, ink.hair)
    };
    let painter = ui.painter();
    painter.rect(rect, 2.0, ink.well, edge, egui::StrokeKind::Inside);
    let inside = Rect::from_min_size(rect.min + vec2(4.0, (height - SIZE.y) / 2.0), SIZE);
    sketch(&painter.with_clip_rect(inside), inside, ink, &offer.construction);
    painter.galley(pos2(inside.right() + 8.0, rect.center().y - text.size().y / 2.0), text, ink.ink);
    response.clicked()
}

/// What is drawn in, in units of the drawing.
struct Board<'a> {
    painter: &'a Painter,
    rect: Rect,
    ink: Ink,
}

impl Board<'_> {
    fn at(&self, x: f32, y: f32) -> Pos2 {
        self.rect.min + vec2(x * self.rect.width(), y * self.rect.height())
    }

    /// A chain line, as drawings have for axes.
    fn axis(&self, from: (f32, f32), to: (f32, f32), made: bool) {
        let colour = if made { self.ink.blue } else { self.ink.ink };
        let line = [self.at(from.0, from.1), self.at(to.0, to.1)];
        let stroke = Stroke::new(if made { 2.0 } else { 1.0 }, colour);
        self.painter.extend(Shape::dashed_line_with_offset(&line, stroke, &[8.0, 2.0], &[2.0, 2.0], 0.0));
    }

    /// A face seen aslant about x.
    fn face(&self, x: f32, made: bool) {
        let colour = if made { self.ink.blue } else { self.ink.ink };
        let corners = [(x - 0.08, 0.22), (x + 0.08, 0.08), (x + 0.08, 0.78), (x - 0.08, 0.92)];
        let points = corners.map(|(x, y)| self.at(x, y)).to_vec();
        let stroke = Stroke::new(if made { 2.0 } else { 1.0 }, colour);
        self.painter.add(Shape::convex_polygon(points, colour.gamma_multiply(0.15), stroke));
    }

    fn point(&self, x: f32, y: f32, made: bool) {
        let (radius, colour) = if made { (3.5, self.ink.blue) } else { (2.5, self.ink.ink) };
        self.painter.circle_filled(self.at(x, y), radius, colour);
    }

    fn ring(&self, x: f32, y: f32, radius: f32) {
        self.painter.circle_stroke(self.at(x, y), radius * self.rect.height(), Stroke::new(1.0, self.ink.ink));
    }

    /// A length with its ends.
    fn length(&self, from: f32, to: f32, y: f32) {
        let stroke = Stroke::new(1.0, self.ink.faint);
        self.painter.line_segment([self.at(from, y), self.at(to, y)], stroke);
        for x in [from, to] {
            self.painter.line_segment([self.at(x, y - 0.08), self.at(x, y + 0.08)], stroke);
        }
    }

    fn line(&self, points: &[(f32, f32)]) {
        let points = points.iter().map(|(x, y)| self.at(*x, *y)).collect();
        self.painter.add(Shape::line(points, Stroke::new(1.0, self.ink.ink)));
    }
}

fn sketch(painter: &Painter, rect: Rect, ink: Ink, construction: &Construction) {
    let board = Board { painter, rect, ink };
    match construction {
        Construction::SphereCentre { .. } | Construction::CircleCentre { .. } => {
            board.ring(0.5, 0.5, 0.38);
            board.point(0.5, 0.5, true);
        }
        Construction::AxisMeetsPlane { .. } => {
            board.face(0.5, false);
            board.axis((0.05, 0.5), (0.95, 0.5), false);
            board.point(0.5, 0.5, true);
        }
        Construction::MidPlaneOnAxis { .. } => {
            board.face(0.25, false);
            board.face(0.75, false);
            board.axis((0.02, 0.5), (0.98, 0.5), false);
            board.point(0.5, 0.5, true);
        }
        Construction::PointOnAxis { .. } => {
            board.face(0.2, false);
            board.axis((0.05, 0.5), (0.95, 0.5), false);
            board.length(0.2, 0.7, 0.75);
            board.point(0.7, 0.5, true);
        }
        Construction::NearestPoints { .. } => {
            board.axis((0.05, 0.8), (0.95, 0.35), false);
            board.axis((0.1, 0.12), (0.9, 0.88), false);
            board.point(0.56, 0.55, true);
        }
        Construction::ConeAtDiameter { .. } => {
            board.line(&[(0.15, 0.3), (0.85, 0.12)]);
            board.line(&[(0.15, 0.7), (0.85, 0.88)]);
            board.axis((0.05, 0.5), (0.95, 0.5), false);
            board.line(&[(0.55, 0.2), (0.55, 0.8)]);
            board.point(0.55, 0.5, true);
        }
        Construction::MidPoint { .. } => {
            board.line(&[(0.15, 0.75), (0.85, 0.25)]);
            board.point(0.15, 0.75, false);
            board.point(0.85, 0.25, false);
            board.point(0.5, 0.5, true);
        }
        Construction::AxisThrough { .. } => {
            board.axis((0.02, 0.8), (0.98, 0.2), true);
            board.point(0.25, 0.655, false);
            board.point(0.75, 0.345, false);
        }
        Construction::Axis { .. } => {
            board.line(&[(0.2, 0.25), (0.8, 0.25)]);
            board.line(&[(0.2, 0.75), (0.8, 0.75)]);
            board.axis((0.03, 0.5), (0.97, 0.5), true);
        }
        Construction::Face { .. } => board.face(0.5, true),
        Construction::Mirrored { .. } => {
            board.axis((0.5, 0.02), (0.5, 0.98), false);
            board.point(0.2, 0.5, false);
            board.point(0.8, 0.5, true);
        }
        Construction::OffsetAlongAxis { .. } => {
            board.axis((0.05, 0.3), (0.95, 0.3), false);
            board.point(0.2, 0.65, false);
            board.length(0.2, 0.75, 0.85);
            board.point(0.75, 0.65, true);
        }
    }
}
