//! A value over two others as coloured cells on paper, with what is too small hatched and a limit drawn in: and outlines of
//! a section with a dimension.

use crate::chart::{escaped, figure, ticks};
use crate::colour::{INK, PAPER_HEX, SOFT_INK};
use std::fmt::Write as _;
use stringline_core::colour::sequential;

/// A value over a grid.
#[derive(Clone, Debug, Default)]
pub struct CellMap {
    /// Its heading.
    pub title: String,
    /// What runs to the right, with its unit.
    pub x: String,
    /// What runs upwards, with its unit.
    pub y: String,
    /// Where the columns are, ascending.
    pub xs: Vec<f64>,
    /// Where the rows are, ascending.
    pub ys: Vec<f64>,
    /// Row by row; `None` where there is no such state.
    pub values: Vec<Option<f64>>,
    /// Cells below this are hatched.
    pub wanted: f64,
    /// Lines `[x, y]` drawn over the cells, as limits.
    pub lines: Vec<Vec<[f64; 2]>>,
}

const WIDTH: f64 = 900.0;
const HEIGHT: f64 = 300.0;
const HEAD: f64 = 64.0;
const MARGIN: f64 = 24.0;
/// Left, top, right and bottom of a map's frame within its cell.
const INSET: [f64; 4] = [74.0, 34.0, 120.0, 52.0];

/// The head of a sheet.
fn sheet(title: &str, note: &str, width: f64, height: f64) -> String {
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width:.0}\" height=\"{height:.0}\" viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\">\n\
         <title>{title}</title>\n\
         <style>text{{font-family:'Helvetica Neue',Helvetica,Arial,'Liberation Sans','DejaVu Sans',sans-serif;font-size:13px;fill:{INK}}}\
         .s{{fill:{SOFT_INK};font-size:12px}}.b{{font-weight:bold}}.f{{fill:none;stroke:{INK};stroke-width:1}}\
         .l{{fill:none;stroke:{PAPER_HEX};stroke-width:4}}.k{{fill:none;stroke:{INK};stroke-width:2}}</style>\n\
         <defs><pattern id=\"h\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
         <path d=\"M0,0V6\" stroke=\"{PAPER_HEX}\" stroke-width=\"2.4\"/></pattern></defs>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"{PAPER_HEX}\"/>\n\
         <text x=\"{MARGIN}\" y=\"30\" class=\"b\" style=\"font-size:16px\">{title}</text>\n\
         <text x=\"{MARGIN}\" y=\"48\" class=\"s\">{note}</text>\n",
        title = escaped(title),
        note = escaped(note),
    )
}

/// Draws maps one under the other, on one scale from 0, as a self-contained SVG. All text is escaped.
pub fn render_maps(title: &str, note: &str, legend: &str, maps: &[CellMap]) -> String {
    let width = WIDTH + 2.0 * MARGIN;
    let height = HEAD + MARGIN + HEIGHT * maps.len().max(1) as f64;
    let mut svg = sheet(title, note, width, height);
    let largest = maps.iter().flat_map(|m| &m.values).flatten().copied().filter(|v| v.is_finite()).fold(0.0, f64::max);
    let scale = ticks([0.0, largest.max(1e-3)], 5.0);
    let top = scale[scale.len() - 1];
    for (i, map) in maps.iter().enumerate() {
        draw(&mut svg, map, [MARGIN, HEAD + HEIGHT * i as f64], &scale, top, legend);
    }
    svg.push_str("</svg>\n");
    svg
}

/// Where a cell ends: half way to the next place.
fn edges(at: &[f64]) -> Vec<f64> {
    let mut edges: Vec<f64> = at.windows(2).map(|w| 0.5 * (w[0] + w[1])).collect();
    if let (Some(first), Some(last)) = (at.first(), at.last()) {
        edges.insert(0, *first);
        edges.push(*last);
    }
    edges
}

fn draw(svg: &mut String, map: &CellMap, corner: [f64; 2], scale: &[f64], top: f64, legend: &str) {
    let frame =
        [corner[0] + INSET[0], corner[1] + INSET[1], corner[0] + WIDTH - INSET[2], corner[1] + HEIGHT - INSET[3]];
    let _ = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" class=\"b\">{}</text>",
        frame[0],
        frame[1] - 12.0,
        escaped(&map.title)
    );
    let (xs, ys) = (edges(&map.xs), edges(&map.ys));
    let ends = |e: &[f64]| e.first().copied().zip(e.last().copied()).filter(|(a, b)| a < b);
    let (Some((x0, x1)), Some((y0, y1))) = (ends(&xs), ends(&ys)) else { return };
    let x = |v: f64| frame[0] + (v - x0) / (x1 - x0) * (frame[2] - frame[0]);
    let y = |v: f64| frame[3] - (v - y0) / (y1 - y0) * (frame[3] - frame[1]);
    for row in 0..map.ys.len() {
        for column in 0..map.xs.len() {
            let Some(value) = map.values.get(row * map.xs.len() + column).copied().flatten() else { continue };
            let place = format!(
                "x=\"{:.2}\" y=\"{:.2}\" width=\"{:.2}\" height=\"{:.2}\"",
                x(xs[column]),
                y(ys[row + 1]),
                // A hair wider, so that no paper shows between cells.
                x(xs[column + 1]) - x(xs[column]) + 0.3,
                y(ys[row]) - y(ys[row + 1]) + 0.3
            );
            let [r, g, b] = sequential(value / top);
            let _ = writeln!(svg, "<rect {place} fill=\"#{r:02x}{g:02x}{b:02x}\"/>");
            if value < map.wanted {
                let _ = writeln!(svg, "<rect {place} fill=\"url(#h)\"/>");
            }
        }
    }
    for line in map.lines.iter().filter(|l| !l.is_empty()) {
        let mut d = String::new();
        for (i, p) in line.iter().enumerate() {
            let _ = write!(d, "{}{:.1},{:.1}", if i == 0 { 'M' } else { 'L' }, x(p[0]), y(p[1]));
        }
        let _ = writeln!(svg, "<path class=\"l\" d=\"{d}\"/><path class=\"k\" d=\"{d}\"/>");
    }
    for (axis, range, parts) in [(0, [x0, x1], 10.0), (1, [y0, y1], 4.0)] {
        let marks = ticks(range, parts);
        for value in marks.iter().filter(|v| (range[0]..=range[1]).contains(*v)) {
            let text = figure(*value, &marks);
            let _ = match axis {
                0 => writeln!(
                    svg,
                    "<path class=\"f\" d=\"M{0:.1},{1:.1}v4\"/><text x=\"{0:.1}\" y=\"{2:.1}\" class=\"s\" text-anchor=\"middle\">{text}</text>",
                    x(*value),
                    frame[3],
                    frame[3] + 17.0
                ),
                _ => writeln!(
                    svg,
                    "<path class=\"f\" d=\"M{0:.1},{1:.1}h-4\"/><text x=\"{2:.1}\" y=\"{3:.1}\" class=\"s\" text-anchor=\"end\">{text}</text>",
                    frame[0],
                    y(*value),
                    frame[0] - 7.0,
                    y(*value) + 4.0
                ),
            };
        }
    }
    // The scale, with what is hatched on it.
    let (left, wide) = (frame[2] + 22.0, 16.0);
    let at = |v: f64| frame[3] - v / top * (frame[3] - frame[1]);
    for i in 0..64 {
        let (low, high) = (f64::from(i) / 64.0 * top, f64::from(i + 1) / 64.0 * top);
        let [r, g, b] = sequential(0.5 * (low + high) / top);
        let _ = writeln!(
            svg,
            "<rect x=\"{left:.1}\" y=\"{:.2}\" width=\"{wide}\" height=\"{:.2}\" fill=\"#{r:02x}{g:02x}{b:02x}\"/>",
            at(high),
            at(low) - at(high) + 0.3
        );
    }
    let _ = writeln!(
        svg,
        "<rect x=\"{left:.1}\" y=\"{:.2}\" width=\"{wide}\" height=\"{:.2}\" fill=\"url(#h)\"/>\
         <rect class=\"f\" x=\"{left:.1}\" y=\"{:.1}\" width=\"{wide}\" height=\"{:.1}\"/>",
        at(map.wanted.min(top)),
        at(0.0) - at(map.wanted.min(top)),
        frame[1],
        frame[3] - frame[1]
    );
    for value in scale {
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" class=\"s\">{}</text>",
            left + wide + 5.0,
            at(*value) + 4.0,
            figure(*value, scale)
        );
    }
    let _ = writeln!(
        svg,
        "<text x=\"{left:.1}\" y=\"{:.1}\" class=\"s\">{}</text>\
         <rect class=\"f\" x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\"/>\
         <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
         <text transform=\"translate({:.1},{:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
        frame[1] - 12.0,
        escaped(legend),
        frame[0],
        frame[1],
        frame[2] - frame[0],
        frame[3] - frame[1],
        0.5 * (frame[0] + frame[2]),
        frame[3] + 37.0,
        escaped(&map.x),
        corner[0] + 14.0,
        0.5 * (frame[1] + frame[3]),
        escaped(&map.y),
    );
}

/// The outline of one body in a section.
#[derive(Clone, Debug, Default)]
pub struct Outline {
    /// Its name.
    pub name: String,
    /// Chains of places, mm, in the section's plane: x to the right, y up. A closed one comes back to its first.
    pub chains: Vec<Vec<[f64; 2]>>,
}

/// A distance told in a section.
#[derive(Clone, Debug)]
pub struct Dimension {
    /// From here.
    pub from: [f64; 2],
    /// To there.
    pub to: [f64; 2],
    /// What stands at it.
    pub text: String,
}

/// Strokes of outlines: Okabe and Ito's colours (2008, *from memory*), each with a stroke of its own.
const STROKES: [(&str, &str); 4] = [(INK, ""), ("#b84300", "9 4"), ("#2c68b8", "2 3"), ("#00705a", "12 3 2 3")];

/// Draws the outlines of a section and a dimension, as a self-contained SVG. `window` is what is shown: lowest and highest x
/// and y, mm. All text is escaped.
pub fn render_section(
    title: &str,
    note: &str,
    outlines: &[Outline],
    dimension: Option<&Dimension>,
    window: [[f64; 2]; 2],
) -> String {
    let size = 640.0;
    let span = (window[0][1] - window[0][0]).max(window[1][1] - window[1][0]).max(1e-6);
    let middle = window.map(|w| 0.5 * (w[0] + w[1]));
    let (left, top) = (MARGIN, HEAD + 28.0);
    let mut svg = sheet(title, note, size + 2.0 * MARGIN, size + top + MARGIN);
    let scale = size / span;
    let at =
        |p: [f64; 2]| [left + 0.5 * size + (p[0] - middle[0]) * scale, top + 0.5 * size - (p[1] - middle[1]) * scale];
    let _ = writeln!(
        svg,
        "<clipPath id=\"c\"><rect x=\"{left}\" y=\"{top}\" width=\"{size}\" height=\"{size}\"/></clipPath>"
    );
    let mut x = left;
    for (i, outline) in outlines.iter().enumerate() {
        let (colour, dash) = STROKES[i % STROKES.len()];
        let _ = writeln!(
            svg,
            "<path d=\"M{x:.1},70h30\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\" stroke-dasharray=\"{dash}\"/>\
             <text x=\"{:.1}\" y=\"74\">{}</text>",
            x + 36.0,
            escaped(&outline.name)
        );
        x += 56.0 + 7.4 * outline.name.chars().count() as f64;
        let reach = 0.75 * span;
        let shown = |p: &[f64; 2]| (p[0] - middle[0]).abs() < reach && (p[1] - middle[1]).abs() < reach;
        let mut d = String::new();
        for chain in &outline.chains {
            // A new stroke wherever the chain has been out of sight.
            let mut pen_down = false;
            for pair in chain.windows(2) {
                if !(shown(&pair[0]) || shown(&pair[1])) {
                    pen_down = false;
                    continue;
                }
                let ([ax, ay], [bx, by]) = (at(pair[0]), at(pair[1]));
                if !pen_down {
                    let _ = write!(d, "M{ax:.1},{ay:.1}");
                }
                let _ = write!(d, "L{bx:.1},{by:.1}");
                pen_down = true;
            }
        }
        if !d.is_empty() {
            let _ = writeln!(
                svg,
                "<path clip-path=\"url(#c)\" d=\"{d}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"1.6\" stroke-dasharray=\"{dash}\" stroke-linejoin=\"round\"/>"
            );
        }
    }
    if let Some(dimension) = dimension {
        let ([ax, ay], [bx, by]) = (at(dimension.from), at(dimension.to));
        let _ = writeln!(
            svg,
            "<path class=\"k\" d=\"M{ax:.1},{ay:.1}L{bx:.1},{by:.1}\"/>\
             <circle cx=\"{ax:.1}\" cy=\"{ay:.1}\" r=\"3\"/><circle cx=\"{bx:.1}\" cy=\"{by:.1}\" r=\"3\"/>\
             <text x=\"{:.1}\" y=\"{:.1}\" class=\"b\" stroke=\"{PAPER_HEX}\" stroke-width=\"4\" paint-order=\"stroke\">{}</text>",
            ax.max(bx) + 10.0,
            0.5 * (ay + by) + 4.0,
            escaped(&dimension.text)
        );
    }
    // A bar of a round length.
    let bar = ticks([0.0, 0.25 * span], 1.0)[1];
    let (bx, by) = (left + 14.0, top + size - 14.0);
    let _ = writeln!(
        svg,
        "<rect class=\"f\" x=\"{left}\" y=\"{top}\" width=\"{size}\" height=\"{size}\"/>\
         <path class=\"k\" d=\"M{bx:.1},{by:.1}h{:.1}\"/><text x=\"{bx:.1}\" y=\"{:.1}\" class=\"s\">{} mm</text>",
        bar * scale,
        by - 6.0,
        figure(bar, &[0.0, bar])
    );
    svg.push_str("</svg>\n");
    svg
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_map_hatches_what_is_too_small_and_leaves_out_what_is_not_there() {
        let map = CellMap {
            title: "a <b>".into(),
            xs: vec![-1.0, 0.0, 1.0],
            ys: vec![0.0, 1.0],
            values: vec![Some(1.0), None, Some(3.0), Some(0.0), Some(9.0), Some(4.0)],
            wanted: 2.0,
            lines: vec![vec![[0.5, 0.0], [0.6, 1.0]]],
            ..CellMap::default()
        };
        let svg = render_maps("A & B", "", "gap, mm", &[map]);
        let read = roxmltree::Document::parse(&svg).unwrap();
        let rects = |hatched: bool| {
            let fill = |n: &roxmltree::Node| n.attribute("fill").is_some_and(|f| (f == "url(#h)") == hatched);
            read.descendants().filter(|n| n.has_tag_name("rect") && fill(n)).count()
        };
        // Two cells and the part of the scale below the gap wanted.
        assert_eq!(rects(true), 3);
        assert_eq!(rects(false), 1 + 5 + 64);
    }

    #[test]
    fn a_section_is_valid_xml() {
        let outline = Outline { name: "arm & co".into(), chains: vec![vec![[0.0, 0.0], [10.0, 4.0], [12.0, 0.0]]] };
        let dimension = Dimension { from: [1.0, 1.0], to: [2.0, 5.0], text: "4.1 mm".into() };
        let svg = render_section("s", "n", &[outline], Some(&dimension), [[0.0, 20.0], [0.0, 10.0]]);
        assert!(roxmltree::Document::parse(&svg).is_ok() && svg.contains("4.1 mm"));
    }
}
