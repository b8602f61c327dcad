//! Curves on paper: charts side by side on one sheet, several curves overlaid in each, with their 95 % bands.
//!
//! Curves are told apart by their stroke as well as by their colour, and named in the heading.

use crate::colour::{INK, PAPER_HEX, SOFT_INK};
use std::fmt::Write as _;

/// One curve.
#[derive(Clone, Debug, Default)]
pub struct Curve {
    /// What it is called in the heading. Curves of the same name in several charts are drawn alike.
    pub name: String,
    /// Points in order; where either number is not finite the curve is broken.
    pub points: Vec<[f64; 2]>,
    /// Half the height of the band at each point; empty where there is none.
    pub band: Vec<f64>,
}

/// A place on the x axis worth a line, as a stop.
#[derive(Clone, Debug)]
pub struct Line {
    /// Where.
    pub at: f64,
    /// What it is.
    pub name: String,
    /// The curve it belongs to, which it is coloured like.
    pub curve: String,
}

/// One chart.
#[derive(Clone, Debug, Default)]
pub struct Chart {
    /// Its heading.
    pub title: String,
    /// What runs to the right, with its unit.
    pub x: String,
    /// What runs upwards, with its unit.
    pub y: String,
    /// The curves.
    pub curves: Vec<Curve>,
    /// Upright lines.
    pub lines: Vec<Line>,
}

/// Okabe and Ito's colours (2008, *from memory*), darkened for thin lines on paper, each with a stroke of its own.
const STROKES: [(&str, &str); 5] =
    [(INK, ""), ("#b84300", "9 4"), ("#2c68b8", "2 3"), ("#00705a", "12 3 2 3"), ("#8a4a78", "5 2")];

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 300.0;
const HEAD: f64 = 74.0;
const MARGIN: f64 = 24.0;
/// Left, top, right and bottom of a chart's frame within its cell.
const INSET: [f64; 4] = [74.0, 34.0, 18.0, 52.0];

/// Draws charts two abreast as a self-contained SVG. All text is escaped; numbers that are not finite are left out.
pub fn render_charts(title: &str, note: &str, charts: &[Chart]) -> String {
    let columns = if charts.len() > 1 { 2 } else { 1 };
    let rows = charts.len().div_ceil(columns).max(1);
    let width = 2.0 * MARGIN + WIDTH * columns as f64;
    let height = HEAD + MARGIN + HEIGHT * rows as f64;
    let mut names: Vec<&str> = Vec::new();
    for curve in charts.iter().flat_map(|c| &c.curves) {
        if !names.contains(&curve.name.as_str()) {
            names.push(&curve.name);
        }
    }
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width:.0}\" height=\"{height:.0}\" viewBox=\"0 0 {width:.0} {height:.0}\" role=\"img\">\n\
         <title>{title}</title>\n\
         <style>text{{font-family:'Helvetica Neue',Helvetica,Arial,'Liberation Sans','DejaVu Sans',sans-serif;font-size:13px;fill:{INK}}}\
         .s{{fill:{SOFT_INK};font-size:12px}}.b{{font-weight:bold}}.f{{fill:none;stroke:{INK};stroke-width:1}}\
         .g{{fill:none;stroke:{SOFT_INK};stroke-width:.4}}.z{{fill:none;stroke:{SOFT_INK};stroke-width:1}}</style>\n\
         <rect width=\"100%\" height=\"100%\" fill=\"{PAPER_HEX}\"/>\n\
         <text x=\"{MARGIN}\" y=\"30\" class=\"b\" style=\"font-size:16px\">{title}</text>\n",
        title = escaped(title),
    );
    let mut x = MARGIN;
    for (i, name) in names.iter().enumerate() {
        let (colour, dash) = stroke(i);
        let _ = writeln!(
            svg,
            "<path d=\"M{x:.1},52h34\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\" stroke-dasharray=\"{dash}\"/>\
             <text x=\"{:.1}\" y=\"56\">{}</text>",
            x + 40.0,
            escaped(name)
        );
        x += 60.0 + 7.4 * name.chars().count() as f64;
    }
    let _ = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"30\" class=\"s\" text-anchor=\"end\">{}</text>",
        width - MARGIN,
        escaped(note)
    );
    for (i, chart) in charts.iter().enumerate() {
        let corner = [MARGIN + WIDTH * (i % columns) as f64, HEAD + HEIGHT * (i / columns) as f64];
        draw(&mut svg, chart, corner, &names);
    }
    svg.push_str("</svg>\n");
    svg
}

fn stroke(i: usize) -> (&'static str, &'static str) {
    STROKES[i % STROKES.len()]
}

fn draw(svg: &mut String, chart: &Chart, corner: [f64; 2], names: &[&str]) {
    let frame =
        [corner[0] + INSET[0], corner[1] + INSET[1], corner[0] + WIDTH - INSET[2], corner[1] + HEIGHT - INSET[3]];
    let finite = |p: &[f64; 2]| p[0].is_finite() && p[1].is_finite();
    let mut span = [[f64::INFINITY, f64::NEG_INFINITY]; 2];
    for curve in &chart.curves {
        for (k, p) in curve.points.iter().enumerate().filter(|(_, p)| finite(p)) {
            let half = curve.band.get(k).copied().filter(|b| b.is_finite()).unwrap_or(0.0);
            for (axis, low, high) in [(0, p[0], p[0]), (1, p[1] - half, p[1] + half)] {
                span[axis] = [span[axis][0].min(low), span[axis][1].max(high)];
            }
        }
    }
    let _ = writeln!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" class=\"b\">{}</text>",
        frame[0],
        frame[1] - 12.0,
        escaped(&chart.title)
    );
    if span.iter().any(|s| s[0] > s[1]) {
        let _ = writeln!(
            svg,
            "<text x=\"{:.1}\" y=\"{:.1}\" class=\"s\">nothing to draw</text>",
            frame[0],
            frame[1] + 20.0
        );
        return;
    }
    let ticks = [ticks(span[0], 6.0), ticks(span[1], 4.0)];
    let ends = [0, 1].map(|axis| {
        let t = &ticks[axis];
        // The x axis ends with the curves; the y axis at a tick, so that no curve runs along the frame.
        if axis == 0 && span[0][1] > span[0][0] { span[0] } else { [t[0], t[t.len() - 1]] }
    });
    let at = |p: &[f64; 2]| {
        [
            frame[0] + (p[0] - ends[0][0]) / (ends[0][1] - ends[0][0]) * (frame[2] - frame[0]),
            frame[3] - (p[1] - ends[1][0]) / (ends[1][1] - ends[1][0]) * (frame[3] - frame[1]),
        ]
    };
    for value in ticks[0].iter().filter(|v| (ends[0][0]..=ends[0][1]).contains(*v)) {
        let x = at(&[*value, ends[1][0]])[0];
        let class = if value.abs() < 1e-12 { "z" } else { "g" };
        let _ = writeln!(
            svg,
            "<path class=\"{class}\" d=\"M{x:.1},{:.1}V{:.1}\"/><text x=\"{x:.1}\" y=\"{:.1}\" class=\"s\" text-anchor=\"middle\">{}</text>",
            frame[1],
            frame[3],
            frame[3] + 17.0,
            figure(*value, &ticks[0])
        );
    }
    for value in &ticks[1] {
        let y = at(&[ends[0][0], *value])[1];
        let class = if value.abs() < 1e-12 { "z" } else { "g" };
        let _ = writeln!(
            svg,
            "<path class=\"{class}\" d=\"M{:.1},{y:.1}H{:.1}\"/><text x=\"{:.1}\" y=\"{:.1}\" class=\"s\" text-anchor=\"end\">{}</text>",
            frame[0],
            frame[2],
            frame[0] - 6.0,
            y + 4.0,
            figure(*value, &ticks[1])
        );
    }
    // Lines of one name side by side are named once.
    let mut named: Vec<(&str, f64)> = Vec::new();
    for line in chart.lines.iter().filter(|l| (ends[0][0]..=ends[0][1]).contains(&l.at)) {
        let x = at(&[line.at, ends[1][0]])[0];
        let (colour, _) = stroke(names.iter().position(|n| *n == line.curve).unwrap_or(0));
        let _ = writeln!(
            svg,
            "<path fill=\"none\" stroke=\"{colour}\" stroke-dasharray=\"6 3\" d=\"M{x:.1},{:.1}V{:.1}\"/>",
            frame[1], frame[3],
        );
        if named.iter().all(|(name, there)| *name != line.name || (x - there).abs() > 30.0) {
            named.push((&line.name, x));
            // On the side where there is room.
            let beside = if x < 0.5 * (frame[0] + frame[2]) { x + 13.0 } else { x - 5.0 };
            let _ = writeln!(
                svg,
                "<text class=\"s\" transform=\"translate({beside:.1},{:.1}) rotate(-90)\">{}</text>",
                frame[3] - 6.0,
                escaped(&line.name)
            );
        }
    }
    for curve in &chart.curves {
        let (colour, dash) = stroke(names.iter().position(|n| *n == curve.name).unwrap_or(0));
        for run in runs(curve) {
            if run.iter().any(|(_, half)| *half > 0.0) {
                let edge = |sign: f64| run.iter().map(move |(p, half)| [p[0], p[1] + sign * half]);
                let outline: Vec<[f64; 2]> =
                    edge(1.0).chain(edge(-1.0).collect::<Vec<_>>().into_iter().rev()).collect();
                let _ = writeln!(
                    svg,
                    "<path d=\"{}Z\" fill=\"{colour}\" fill-opacity=\".15\" stroke=\"none\"/>",
                    path(outline.iter().map(at))
                );
            }
            let _ = writeln!(
                svg,
                "<path d=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"2\" stroke-dasharray=\"{dash}\" stroke-linejoin=\"round\"/>",
                path(run.iter().map(|(p, _)| at(p)))
            );
        }
    }
    let _ = writeln!(
        svg,
        "<rect class=\"f\" x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\"/>\
         <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{}</text>\
         <text transform=\"translate({:.1},{:.1}) rotate(-90)\" text-anchor=\"middle\">{}</text>",
        frame[0],
        frame[1],
        frame[2] - frame[0],
        frame[3] - frame[1],
        0.5 * (frame[0] + frame[2]),
        frame[3] + 37.0,
        escaped(&chart.x),
        corner[0] + 14.0,
        0.5 * (frame[1] + frame[3]),
        escaped(&chart.y),
    );
}

/// The unbroken parts of a curve: points with half the height of the band.
fn runs(curve: &Curve) -> Vec<Vec<([f64; 2], f64)>> {
    let mut runs = vec![Vec::new()];
    for (k, p) in curve.points.iter().enumerate() {
        if p.iter().all(|v| v.is_finite()) {
            let half = curve.band.get(k).copied().filter(|b| b.is_finite()).unwrap_or(0.0);
            if let Some(run) = runs.last_mut() {
                run.push((*p, half));
            }
        } else {
            runs.push(Vec::new());
        }
    }
    runs.retain(|run| !run.is_empty());
    runs
}

fn path(points: impl Iterator<Item = [f64; 2]>) -> String {
    let mut d = String::new();
    for (i, [x, y]) in points.enumerate() {
        let _ = write!(d, "{}{x:.1},{y:.1}", if i == 0 { 'M' } else { 'L' });
    }
    d
}

/// Round numbers that enclose a span, at most about as many as said: 1, 2 or 5 times a power of ten apart.
pub(crate) fn ticks([low, high]: [f64; 2], parts: f64) -> Vec<f64> {
    // A level curve gets some room, so that its rounding is not drawn as hills.
    let least = 1e-6_f64.max(1e-9 * low.abs().max(high.abs()));
    let (low, high) =
        if high - low < least { (low - 0.5 * least.max(0.1), high + 0.5 * least.max(0.1)) } else { (low, high) };
    let rough = (high - low) / parts;
    let power = 10.0_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough * 0.999).unwrap_or(power);
    let (first, last) = ((low / step).floor() as i64, (high / step).ceil() as i64);
    (first..=last.max(first + 1)).map(|i| i as f64 * step).collect()
}

/// A tick's number with as many decimals as tell it from its neighbours.
pub(crate) fn figure(value: f64, ticks: &[f64]) -> String {
    let step = ticks.get(1).map_or(1.0, |b| (b - ticks[0]).abs());
    let decimals = (-step.log10().floor()).clamp(0.0, 9.0) as usize;
    let text = format!("{value:.decimals$}");
    if value.abs() < 0.5 * step { text.trim_start_matches('-').to_owned() } else { text.replace('-', "−") }
}

pub(crate) fn escaped(text: &str) -> String {
    let allowed = |c: &char| !c.is_control();
    text.chars()
        .filter(allowed)
        .map(|c| match c {
            '&' => "&amp;".to_owned(),
            '<' => "&lt;".to_owned(),
            '>' => "&gt;".to_owned(),
            '"' => "&quot;".to_owned(),
            c => c.to_string(),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_enclose() {
        assert_eq!(ticks([-60.0, 60.0], 4.0), [-100.0, -50.0, 0.0, 50.0, 100.0]);
        let t = ticks([0.013, 0.097], 4.0);
        assert!(t[0] <= 0.013 && t[t.len() - 1] >= 0.097 && t.len() < 8, "{t:?}");
        assert!(ticks([2.0, 2.0], 4.0).len() >= 2);
        assert_eq!(figure(-0.5, &[-0.5, 0.0, 0.5]), "−0.5");
        assert_eq!(figure(-1e-17, &[-0.5, 0.0, 0.5]), "0.0");
    }

    #[test]
    fn a_sheet_is_valid_xml_and_breaks_where_a_curve_does() {
        let curve = Curve {
            name: "as <found> & \"proposed\"".into(),
            points: vec![[-1.0, 2.0], [0.0, f64::NAN], [1.0, 3.0], [2.0, 4.0]],
            band: vec![0.1; 4],
        };
        let chart = Chart {
            title: "toe".into(),
            x: "mm".into(),
            y: "°".into(),
            curves: vec![curve],
            lines: vec![Line { at: 1.5, name: "stop".into(), curve: String::new() }],
        };
        let svg = render_charts("A & B", "±", &[chart.clone(), Chart::default(), chart]);
        let read = roxmltree::Document::parse(&svg).unwrap();
        assert!(!svg.contains("NaN"));
        let curves = read.descendants().filter(|n| n.attribute("stroke-linejoin").is_some()).count();
        assert_eq!(curves, 4, "two parts in each of two charts");
    }
}
