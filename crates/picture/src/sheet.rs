//! The sheet: the shaded raster, the call-outs over it, and what stands round them.

use crate::colour::{INK, PAPER_HEX, SOFT_INK, VERMILION};
use crate::extent::span;
use crate::labels::{Label, column_height, left_side, place_column};
use crate::raster::{CutAway, Fragments, draw};
use crate::scene::{Callout, Frame, Mark, PictureSettings, Scene, TextLine};
use crate::shade::{Shading, raise_cut};
use crate::view::Projection;
use base64::Engine as _;
use rayon::prelude::*;
use std::fmt::Write as _;
use stringline_core::{Point3, Vec3};

/// Round the sheet, px.
const MARGIN: f64 = 26.0;
/// Kept for the heading, px.
const HEADER: f64 = 64.0;
/// Kept for the axes, the scale bar and the note, px.
const FOOTER: f64 = 104.0;
/// Between the parts and a column of call-outs, px.
const CLEARANCE: f64 = 44.0;
/// The level end of a leader, px.
const SHOULDER: f64 = 12.0;
/// Longer lines of a call-out are broken, characters.
const LINE_LENGTH: usize = 36;
/// An axis is drawn this far beyond its ends, px.
const OVERSHOOT: f64 = 12.0;

/// Draws a scene as a self-contained SVG.
///
/// Positions and normals that are not finite, facets with missing vertices and painted ids
/// beyond their scan are left out; an empty scene gives an empty sheet. All text is escaped.
pub fn render(scene: &Scene, settings: &PictureSettings) -> String {
    let width = f64::from(settings.width.clamp(320, 8192));
    let base_height = f64::from(settings.height.clamp(240, 8192));
    let text = setting(settings.text_size, 6.0, 48.0);
    let blocks: Vec<Block> = scene.callouts.iter().filter(|c| finite(&c.anchor)).map(|c| Block::new(c, text)).collect();

    let basis = settings.view.basis();
    let view = |p: &Point3| basis.map(|axis| axis.dot(&p.coords));
    let bounds = bounds(scene, &view).unwrap_or(([0.0; 2], [0.0; 2]));
    // Heights need only be small numbers, so any point's will do as their zero.
    let first = scene.layers.iter().find_map(|l| l.geometry.points().first().map(|p| l.scene_from_scan * p));
    let height = first.filter(finite).map_or(0.0, |p| view(&p)[2]);
    let middle = [0.5 * (bounds.0[0] + bounds.1[0]), 0.5 * (bounds.0[1] + bounds.1[1]), height];
    let centre = Point3::from(basis.iter().zip(middle).fold(Vec3::zeros(), |sum, (axis, m)| sum + axis * m));
    let extent = [0, 1].map(|i| (bounds.1[i] - bounds.0[i]).max(1e-3));

    // Sides depend on the view alone, the scale on the columns, the rest on the scale.
    let room = base_height - HEADER - FOOTER;
    let heights: Vec<f64> = blocks.iter().map(|b| b.height).collect();
    let anchors_x: Vec<f64> = blocks.iter().map(|b| view(&b.callout.anchor)[0]).collect();
    let is_left = left_side(&anchors_x, [bounds.0[0], bounds.1[0]], &heights, room);
    let column = |left: bool| {
        let side = || blocks.iter().zip(&is_left).filter(|(_, l)| **l == left);
        (side().fold(0.0_f64, |w, (b, _)| w.max(b.width)), column_height(side().map(|(b, _)| b.height)))
    };
    let (left_width, left_height) = column(true);
    let (right_width, right_height) = column(false);
    let clear = |w: f64| if w > 0.0 { w + CLEARANCE } else { 0.0 };
    let beside = clear(left_width) + clear(right_width);
    let height = base_height.max(left_height.max(right_height) + HEADER + FOOTER);
    let free = [(width - 2.0 * MARGIN - beside).max(0.2 * width), room];
    let scale = (free[0] / extent[0]).min(free[1] / extent[1]);
    let content = [extent[0] * scale, extent[1] * scale];
    let projection = Projection {
        basis,
        centre,
        origin: [
            0.5 * (width - content[0] - beside) + clear(left_width) + 0.5 * content[0],
            HEADER + 0.5 * (height - HEADER - FOOTER),
        ],
        scale,
    };
    let edges =
        [projection.origin[0] - 0.5 * content[0] - CLEARANCE, projection.origin[0] + 0.5 * content[0] + CLEARANCE];

    let mut svg = Svg::open(width, height, scene, settings);
    let seen = shaded(&mut svg, scene, settings, &projection, content);

    for block in &blocks {
        if let Some((from, to)) = block.callout.axis {
            svg.axis(&projection, &from, &to);
        }
    }
    for left in [true, false] {
        let side: Vec<&Block> = blocks.iter().zip(&is_left).filter(|(_, l)| **l == left).map(|(b, _)| b).collect();
        let (edge, inward) = if left { (edges[0], SHOULDER) } else { (edges[1], -SHOULDER) };
        let labels: Vec<Label> = side
            .iter()
            .map(|b| {
                let [x, y, _] = projection.project(&b.callout.anchor);
                Label { anchor: [x, y], height: b.height, reference: b.reference }
            })
            .collect();
        let tops = place_column(&labels, edge + inward, HEADER, height - FOOTER);
        for ((block, label), top) in side.iter().zip(&labels).zip(&tops) {
            svg.leader(label, [edge, top + block.reference], inward, block.width);
        }
        for ((block, label), top) in side.iter().zip(&labels).zip(&tops) {
            match block.callout.mark {
                Mark::Hardpoint => svg.hardpoint(label.anchor),
                Mark::Feature => {
                    let hidden = seen.hides(&projection, &block.callout.anchor);
                    svg.dot(label.anchor, hidden);
                }
            }
            let x = if left { edge - block.width } else { edge };
            svg.block(block, x, *top, text);
        }
    }
    svg.furniture(scene, settings, &projection, width, height);
    svg.close()
}

/// Adds the raster and says what it shows where.
fn shaded(
    svg: &mut Svg,
    scene: &Scene,
    settings: &PictureSettings,
    projection: &Projection,
    content: [f64; 2],
) -> Seen {
    const BORDER: f64 = 4.0;
    let supersampling = settings.supersampling.clamp(1, 4);
    let raster_scale = setting(settings.raster_scale, 0.25, 4.0);
    let samples_a_px = raster_scale * f64::from(supersampling);
    // Whole sheet pixels, so that raster and vectors stay in register.
    let corner = [0, 1].map(|i| (projection.origin[i] - 0.5 * content[i] - BORDER).floor());
    let pixels = [0, 1].map(|i| ((content[i] + 2.0 * BORDER + 1.0) * raster_scale).ceil() as usize);
    let [columns, rows] = pixels.map(|p| p * supersampling as usize);
    let in_samples = Projection {
        origin: [0, 1].map(|i| (projection.origin[i] - corner[i]) * samples_a_px),
        scale: projection.scale * samples_a_px,
        ..*projection
    };
    let cut = settings.section.map(|section| {
        // The plane n·(p − q) > 0 in sheet coordinates: n's share of each axis, y turned over.
        let n = projection.basis.map(|axis| axis.dot(&section.normal));
        let [x, y, h] = in_samples.project(&section.point);
        let h = h * in_samples.scale;
        CutAway { a: n[0] as f32, b: -n[1] as f32, c: n[2] as f32, d: -(n[0] * x - n[1] * y + n[2] * h) as f32 }
    });
    let mut fragments = draw(&scene.layers, &in_samples, cut.as_ref(), columns, rows);
    if let Some(cut) = &cut {
        raise_cut(&mut fragments, cut);
    }
    if !scene.layers.is_empty() {
        let tints: Vec<_> = scene.layers.iter().map(|l| l.tint).collect();
        let shading = Shading {
            tints: &tints,
            cut: cut.as_ref(),
            supersampling: supersampling as usize,
            raster_scale: raster_scale as f32,
        };
        match shading.image(&fragments).png() {
            Ok(png) => svg.image(
                corner,
                pixels.map(|p| p as f64 / raster_scale),
                &base64::engine::general_purpose::STANDARD.encode(png),
            ),
            // Cannot happen for a sheet of sensible size; were it to, the call-outs still stand.
            Err(error) => svg.text([MARGIN, HEADER], "", &format!("The shaded picture could not be written: {error}")),
        }
    }
    Seen { fragments, in_samples, corner, samples_a_px }
}

/// What the raster shows where.
struct Seen {
    fragments: Fragments,
    in_samples: Projection,
    corner: [f64; 2],
    samples_a_px: f64,
}

impl Seen {
    /// Whether a surface stands clearly before a point.
    fn hides(&self, projection: &Projection, p: &Point3) -> bool {
        let [x, y, height] = projection.project(p);
        let [column, row] = [x - self.corner[0], y - self.corner[1]].map(|v| (v * self.samples_a_px).floor() as i64);
        let here = self.fragments.at(column, row);
        !here.surface.is_none() && f64::from(here.height) > height * self.in_samples.scale + 3.0 * self.samples_a_px
    }
}

/// A setting held within limits; one that is not a number is the least.
fn setting(value: f64, least: f64, most: f64) -> f64 {
    if value.is_nan() { least } else { value.clamp(least, most) }
}

fn finite(p: &Point3) -> bool {
    p.iter().all(|v| v.is_finite())
}

/// Least and greatest view coordinates, right and up, of everything in a scene but stray points.
fn bounds(scene: &Scene, view: &(impl Fn(&Point3) -> [f64; 3] + Sync)) -> Option<([f64; 2], [f64; 2])> {
    let scans = scene.layers.iter().filter_map(|layer| {
        let points = layer.geometry.points();
        let along =
            |i: usize| -> Vec<f64> { points.par_iter().map(|p| view(&(layer.scene_from_scan * p))[i]).collect() };
        let (x, y) = (span(&along(0))?, span(&along(1))?);
        Some(([x.0, y.0], [x.1, y.1]))
    });
    let callouts = scene.callouts.iter().flat_map(|c| {
        let axis = c.axis.map(|(from, to)| [from, to]);
        std::iter::once(c.anchor).chain(axis.into_iter().flatten())
    });
    let callouts = callouts.filter(finite).map(|p| {
        let [x, y, _] = view(&p);
        ([x, y], [x, y])
    });
    scans.chain(callouts).reduce(|a, b| ([0, 1].map(|i| a.0[i].min(b.0[i])), [0, 1].map(|i| a.1[i].max(b.1[i]))))
}

/// A call-out laid out.
struct Block<'a> {
    callout: &'a Callout,
    name: Vec<String>,
    lines: Vec<TextLine>,
    width: f64,
    height: f64,
    /// From the top to the reference line, under the name.
    reference: f64,
}

impl<'a> Block<'a> {
    fn new(callout: &'a Callout, text: f64) -> Self {
        let name = broken(&callout.name);
        let lines: Vec<TextLine> = callout
            .lines
            .iter()
            .flat_map(|line| {
                broken(&line.text)
                    .into_iter()
                    .enumerate()
                    .map(|(i, text)| TextLine { symbol: line.symbol.filter(|_| i == 0), text })
            })
            .collect();
        let width = name
            .iter()
            .map(|n| text_width(n, text) * BOLD)
            .chain(lines.iter().map(|l| line_width(l, text)))
            .fold(2.0 * text, f64::max);
        let reference = name.len() as f64 * 1.25 * text + 0.25 * text;
        Block {
            callout,
            name,
            height: reference + lines.len() as f64 * 1.32 * text + 0.3 * text,
            lines,
            width,
            reference,
        }
    }
}

/// A text in lines of bearable length, broken at spaces where there are any.
fn broken(text: &str) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut length = 0;
    for word in text.split_whitespace() {
        let letters: Vec<char> = word.chars().collect();
        for (i, part) in letters.chunks(LINE_LENGTH).enumerate() {
            if length > 0 && (i > 0 || length + 1 + part.len() > LINE_LENGTH) {
                lines.push(std::mem::take(&mut line));
                length = 0;
            }
            if length > 0 {
                line.push(' ');
                length += 1;
            }
            line.extend(part);
            length += part.len();
        }
    }
    if length > 0 {
        lines.push(line);
    }
    lines
}

/// Bold letters are this much wider.
const BOLD: f64 = 1.13;

fn line_width(line: &TextLine, text: f64) -> f64 {
    line.symbol.map_or(0.0, |s| (s.width() * SYMBOL_HEIGHT + 0.45) * text) + text_width(&line.text, text)
}

/// Height of a form symbol's unit, in text sizes.
const SYMBOL_HEIGHT: f64 = 0.86;

/// An upper bound on a text's width, px: that of the widest of the common sans-serif fonts.
fn text_width(text: &str, size: f64) -> f64 {
    let ems: f64 = text
        .chars()
        .map(|c| match c {
            ' ' | '\'' | ',' | '.' | ':' | ';' | 'i' | 'j' | 'l' | '|' | '!' | 'I' => 0.34,
            '(' | ')' | '[' | ']' | 'f' | 'r' | 't' | '/' | '-' => 0.42,
            'm' | 'w' | 'M' | 'W' | '@' | '%' | '—' => 1.0,
            '±' | '+' | '−' | '=' | '<' | '>' | '×' => 0.84,
            '0'..='9' | 'a'..='z' => 0.64,
            'A'..='Z' | 'Ø' => 0.79,
            _ => 1.0,
        })
        .sum();
    ems * size
}

/// A text as XML character data or an attribute's value.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            // XML 1.0 has no way to write these.
            '\u{0}'..='\u{1f}' | '\u{7f}' | '\u{fffe}' | '\u{ffff}' => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// A round length that is between 90 and 225 px long at a scale (px a mm), mm.
fn bar_length(scale: f64) -> f64 {
    let shortest = 90.0 / scale;
    let decade = 10_f64.powf(shortest.log10().floor());
    [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * decade).find(|&length| length >= shortest).unwrap_or(10.0 * decade)
}

/// An SVG in the making. Writing to a string cannot fail, so the results of `write!` are dropped.
struct Svg(String);

impl Svg {
    fn open(width: f64, height: f64, scene: &Scene, settings: &PictureSettings) -> Self {
        let mut svg = Svg(String::new());
        let title = escaped(&scene.title);
        let caption = settings.view.caption(scene.frame);
        let _ = write!(
            svg.0,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width:.0}\" height=\"{height:.0}\" \
             viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\">\n\
             <title>{title}</title>\n<desc>{caption}</desc>\n\
             <style>text{{font-family:'Helvetica Neue',Helvetica,Arial,'Liberation Sans','DejaVu Sans',sans-serif;fill:{INK}}}\
             .n{{font-weight:bold}}.s{{fill:{SOFT_INK}}}\
             .l{{fill:none;stroke:{INK};stroke-width:1.1;stroke-linejoin:round}}\
             .c{{fill:none;stroke:{PAPER_HEX};stroke-opacity:.8;stroke-width:3.2;stroke-linejoin:round}}\
             .a{{fill:none;stroke:{INK};stroke-width:1.3;stroke-dasharray:16 3 3 3}}\
             .h{{fill:none;stroke:{VERMILION};stroke-width:2}}</style>\n\
             <rect width=\"100%\" height=\"100%\" fill=\"{PAPER_HEX}\"/>\n",
        );
        svg
    }

    fn close(mut self) -> String {
        self.0.push_str("</svg>\n");
        self.0
    }

    fn image(&mut self, [x, y]: [f64; 2], [w, h]: [f64; 2], png: &str) {
        let _ = writeln!(
            self.0,
            "<image x=\"{x}\" y=\"{y}\" width=\"{w:.3}\" height=\"{h:.3}\" preserveAspectRatio=\"none\" href=\"data:image/png;base64,{png}\"/>"
        );
    }

    /// `attributes` are ours, `text` is anybody's.
    fn text(&mut self, [x, y]: [f64; 2], attributes: &str, text: &str) {
        let _ = writeln!(self.0, "<text x=\"{x:.1}\" y=\"{y:.1}\" {attributes}>{}</text>", escaped(text));
    }

    /// A line with a light casing, so that it shows on any shade.
    fn cased(&mut self, class: &str, path: &str) {
        let _ = writeln!(self.0, "<path class=\"c\" d=\"{path}\"/><path class=\"{class}\" d=\"{path}\"/>");
    }

    fn axis(&mut self, projection: &Projection, from: &Point3, to: &Point3) {
        if !finite(from) || !finite(to) {
            return;
        }
        let ([x0, y0, _], [x1, y1, _]) = (projection.project(from), projection.project(to));
        let length = (x1 - x0).hypot(y1 - y0);
        if length < 6.0 {
            // Seen end-on: a centre mark.
            let (x, y) = (0.5 * (x0 + x1), 0.5 * (y0 + y1));
            let r = OVERSHOOT + 4.0;
            let path = format!("M{:.1},{y:.1}H{:.1}M{x:.1},{:.1}V{:.1}", x - r, x + r, y - r, y + r);
            self.cased("l", &path);
            return;
        }
        let (dx, dy) = (OVERSHOOT * (x1 - x0) / length, OVERSHOOT * (y1 - y0) / length);
        let path = format!("M{:.1},{:.1}L{:.1},{:.1}", x0 - dx, y0 - dy, x1 + dx, y1 + dy);
        self.cased("a", &path);
    }

    /// From the anchor to the reference line, and that line itself.
    fn leader(&mut self, label: &Label, [edge, y]: [f64; 2], inward: f64, width: f64) {
        let [x, anchor_y] = label.anchor;
        let end = edge - width * inward.signum();
        let path = format!("M{x:.1},{anchor_y:.1}L{:.1},{y:.1}H{end:.1}", edge + inward);
        self.cased("l", &path);
    }

    fn dot(&mut self, [x, y]: [f64; 2], hidden: bool) {
        let (fill, stroke) = if hidden { (PAPER_HEX, INK) } else { (INK, PAPER_HEX) };
        let _ = writeln!(
            self.0,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"3.6\" fill=\"{fill}\" stroke=\"{stroke}\" stroke-width=\"1.2\"/>"
        );
    }

    fn hardpoint(&mut self, [x, y]: [f64; 2]) {
        let _ =
            writeln!(self.0, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"7\" fill=\"{PAPER_HEX}\" fill-opacity=\".75\"/>");
        let path = format!(
            "M{:.1},{y:.1}a7,7 0 1 0 14,0a7,7 0 1 0 -14,0M{:.1},{y:.1}h22M{x:.1},{:.1}v22",
            x - 7.0,
            x - 11.0,
            y - 11.0
        );
        let _ = writeln!(self.0, "<path class=\"h\" d=\"{path}\"/>");
    }

    fn block(&mut self, block: &Block, x: f64, top: f64, text: f64) {
        let size = format!("font-size=\"{text}\"");
        for (i, name) in block.name.iter().enumerate() {
            let y = top + (i as f64 * 1.25 + 1.0) * text;
            self.text([x, y], &format!("class=\"n\" {size}"), name);
        }
        for (i, line) in block.lines.iter().enumerate() {
            let y = top + block.reference + (i as f64 * 1.32 + 1.15) * text;
            let mut at = x;
            if let Some(symbol) = line.symbol {
                let unit = SYMBOL_HEIGHT * text;
                let _ = writeln!(
                    self.0,
                    "<path class=\"l\" transform=\"translate({at:.1} {y:.1}) scale({unit:.2})\" \
                     style=\"stroke-width:{:.3}\" d=\"{}\"><title>{}</title></path>",
                    1.2 / unit,
                    symbol.path(),
                    symbol.word(),
                );
                at += (symbol.width() * SYMBOL_HEIGHT + 0.45) * text;
            }
            self.text([at, y], &size, &line.text);
        }
    }

    /// Heading, axes, scale bar, view name and note.
    fn furniture(
        &mut self,
        scene: &Scene,
        settings: &PictureSettings,
        projection: &Projection,
        width: f64,
        height: f64,
    ) {
        self.text([MARGIN, MARGIN + 14.0], "class=\"n\" font-size=\"19\"", &scene.title);
        if let Some(scale) = &scene.scale {
            self.0.push_str(&crate::legend::draw(scale, width - MARGIN, MARGIN));
        }
        let foot = height - MARGIN;
        self.triad(scene.frame, projection, [MARGIN + 76.0, foot - 34.0]);

        let length = bar_length(projection.scale);
        let (x, px) = (MARGIN + 210.0, length * projection.scale);
        let label = if length >= 1.0 { format!("{length:.0} mm") } else { format!("{length} mm") };
        let _ = writeln!(
            self.0,
            "<path class=\"l\" d=\"M{x:.1},{:.1}v8M{x:.1},{:.1}h{px:.1}m0,-4v8M{:.1},{:.1}v4\"/>",
            foot - 8.0,
            foot - 4.0,
            x + 0.5 * px,
            foot - 4.0,
        );
        self.text([x, foot - 14.0], "font-size=\"12\"", &label);

        let right = "text-anchor=\"end\" font-size=\"12\"";
        let caption = match settings.section {
            Some(_) => format!("{}, cut open", settings.view.caption(scene.frame)),
            None => settings.view.caption(scene.frame).to_owned(),
        };
        let caption_y = if scene.note.is_empty() { foot } else { foot - 18.0 };
        self.text([width - MARGIN, caption_y], &format!("class=\"n\" {right}"), &caption);
        if !scene.note.is_empty() {
            self.text([width - MARGIN, foot], &format!("class=\"s\" {right}"), &scene.note);
        }
    }

    fn triad(&mut self, frame: Frame, projection: &Projection, [x, y]: [f64; 2]) {
        const LENGTH: f64 = 30.0;
        let words = match frame {
            Frame::Car => ["x forward", "y left", "z up"],
            Frame::Scan => ["x", "y", "z"],
        };
        let [right, up, back] = projection.basis;
        for (i, word) in words.into_iter().enumerate() {
            let (dx, dy) = (LENGTH * right[i], -LENGTH * up[i]);
            let length = dx.hypot(dy);
            if length < 2.0 {
                // Straight to the viewer or away: the point or the feathers of an arrow.
                let inner = if back[i] > 0.0 {
                    format!("<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"1.6\" fill=\"{INK}\"/>")
                } else {
                    format!("<path class=\"l\" d=\"M{:.1},{:.1}l7,7m0,-7l-7,7\"/>", x - 3.5, y - 3.5)
                };
                let _ = writeln!(self.0, "<circle class=\"l\" cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"5\"/>{inner}");
                // Clear of the other two axes: on the side neither points to.
                let toward: [f64; 2] = [right, up].map(|axis| axis.sum() - axis[i]);
                let anchor = if toward[0] > 0.0 { "end" } else { "start" };
                let at = [x - 9.0 * toward[0].signum(), y + if toward[1] > 0.0 { 16.0 } else { -9.0 }];
                self.text(at, &format!("font-size=\"11\" text-anchor=\"{anchor}\""), word);
                continue;
            }
            let (ux, uy) = (dx / length, dy / length);
            let (tx, ty) = (x + dx, y + dy);
            let _ = writeln!(
                self.0,
                "<path class=\"l\" d=\"M{x:.1},{y:.1}L{tx:.1},{ty:.1}\"/>\
                 <path fill=\"{INK}\" d=\"M{:.1},{:.1}L{:.1},{:.1}L{:.1},{:.1}Z\"/>",
                tx + 4.0 * ux,
                ty + 4.0 * uy,
                tx - 4.0 * ux - 2.6 * uy,
                ty - 4.0 * uy + 2.6 * ux,
                tx - 4.0 * ux + 2.6 * uy,
                ty - 4.0 * uy - 2.6 * ux,
            );
            let anchor = if ux > 0.3 {
                "start"
            } else if ux < -0.3 {
                "end"
            } else {
                "middle"
            };
            let at = [tx + 8.0 * ux, ty + 9.0 * uy + 4.0];
            self.text(at, &format!("font-size=\"11\" text-anchor=\"{anchor}\""), word);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_texts_are_broken() {
        assert_eq!(broken("a short one"), ["a short one"]);
        let lines = broken(&format!("lower ball joint {}", "x".repeat(80)));
        assert!(lines.iter().all(|l| l.chars().count() <= LINE_LENGTH));
        assert_eq!(lines.concat().matches('x').count(), 80);
        assert!(broken("  ").is_empty());
    }

    #[test]
    fn scale_bars_are_round_and_fit() {
        for exponent in -20..20 {
            let scale = 1.37_f64.powi(exponent);
            let px = bar_length(scale) * scale;
            assert!((90.0..=225.1).contains(&px), "{scale}: {px}");
        }
    }

    #[test]
    fn widths_bound_those_of_a_wide_font() {
        // DejaVu Sans 2.37, regular and bold: advance widths in ems, read from the font files.
        for (text, regular, bold) in [("Ø 14.002 ± 0.004", 8.940, 9.754), ("lower ball joint", 7.366, 8.460)] {
            let width = text_width(text, 1.0);
            assert!(width >= regular && width * BOLD >= bold, "{text}: {width}");
            assert!(width < 1.25 * regular, "{text}: {width}");
        }
    }
}
