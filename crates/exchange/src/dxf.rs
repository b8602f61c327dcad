//! Flat drawings as DXF, release R2000 (`AC1015`), in millimetres.
//!
//! R2000 is the oldest release with closed polylines of lines and arcs (`LWPOLYLINE` with
//! bulges), and what cutting and drawing programs read most widely. The sections and tables are
//! those the release demands and no more.

use std::borrow::Cow;
use std::fmt::Write;
use stringline_core::Explain;

/// A layer: what can be shown, hidden and coloured together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layer {
    /// Letters, digits, `-`, `_` and spaces.
    pub name: String,
    /// Colour number of the format's index, 1 (red) to 255; 7 is black on white and white on black.
    pub colour: u8,
}

/// One corner of a [`Shape::Polyline`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Corner {
    /// mm.
    pub at: [f64; 2],
    /// Tangent of a quarter of the angle of the arc from here to the next corner, positive
    /// counter-clockwise; 0 for a straight line.
    pub bulge: f64,
}

/// What can be drawn, mm.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// A point.
    Point {
        /// mm.
        at: [f64; 2],
    },
    /// A straight line.
    Line {
        /// mm.
        from: [f64; 2],
        /// mm.
        to: [f64; 2],
    },
    /// A whole circle.
    Circle {
        /// mm.
        centre: [f64; 2],
        /// mm.
        radius: f64,
    },
    /// Lines and arcs through corners.
    Polyline {
        /// In order.
        corners: Vec<Corner>,
        /// Whether the last is joined to the first.
        closed: bool,
    },
    /// One line of text, its left end on the baseline at `at`.
    Text {
        /// mm.
        at: [f64; 2],
        /// Height of a capital letter, mm.
        height: f64,
        /// Any Unicode.
        text: String,
    },
}

/// A shape on its layer.
#[derive(Clone, Debug, PartialEq)]
pub struct Entity {
    /// The layer's place in [`Drawing::layers`].
    pub layer: usize,
    /// What to draw.
    pub shape: Shape,
}

/// A flat drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Drawing {
    /// Lines for whoever opens the file as text.
    pub comments: Vec<String>,
    /// The layers, besides layer `0`, which every drawing has.
    pub layers: Vec<Layer>,
    /// In drawing order.
    pub entities: Vec<Entity>,
}

/// Why a drawing could not be written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DxfError {
    /// A coordinate or size is not finite.
    #[error("entity {entity} on layer '{layer}' holds a number that is not finite")]
    NotFinite {
        /// Its place in the drawing.
        entity: usize,
        /// Its layer.
        layer: String,
    },
    /// A size that draws nothing.
    #[error("entity {entity} on layer '{layer}' has a {what} that draws nothing")]
    Empty {
        /// Its place in the drawing.
        entity: usize,
        /// Its layer.
        layer: String,
        /// What is wrong with it.
        what: &'static str,
    },
    /// An entity names a layer the drawing does not have.
    #[error("entity {entity} is on layer number {layer}, which the drawing does not have")]
    NoLayer {
        /// Its place in the drawing.
        entity: usize,
        /// The layer's place.
        layer: usize,
    },
    /// A layer's name is empty, taken, or has a character the format forbids.
    #[error("'{name}' cannot be the name of a layer here")]
    LayerName {
        /// The name.
        name: String,
    },
}

impl Explain for DxfError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            DxfError::NotFinite { .. } | DxfError::Empty { .. } => {
                "Fit or construct it again, or leave it out of the drawing.".into()
            }
            DxfError::NoLayer { .. } => "Add the layer to the drawing.".into(),
            DxfError::LayerName { .. } => "Name each layer once, with letters, digits, spaces, - and _ only.".into(),
        }
    }
}

/// Writes a drawing.
///
/// # Errors
/// [`DxfError`] for numbers or layer names that make no valid drawing; nothing is written then.
pub fn write(drawing: &Drawing) -> Result<String, DxfError> {
    check(drawing)?;
    let mut out = Pairs::default();
    for line in &drawing.comments {
        out.text(999, line);
    }
    header(&mut out, drawing);
    tables(&mut out, drawing);
    blocks(&mut out);
    out.word(0, "SECTION").word(2, "ENTITIES");
    for (i, entity) in drawing.entities.iter().enumerate() {
        // `check` has seen that the layer exists.
        let layer = drawing.layers.get(entity.layer).map_or("0", |l| l.name.as_str());
        draw(&mut out, FIRST_FREE + i, layer, &entity.shape);
    }
    out.word(0, "ENDSEC");
    objects(&mut out);
    out.word(0, "EOF");
    Ok(out.0)
}

// Handles of the fixed objects, in hexadecimal in the file.
const BLOCK_RECORD_TABLE: usize = 0x1;
const LAYER_TABLE: usize = 0x2;
const STYLE_TABLE: usize = 0x3;
const LTYPE_TABLE: usize = 0x5;
const VIEW_TABLE: usize = 0x6;
const UCS_TABLE: usize = 0x7;
const VPORT_TABLE: usize = 0x8;
const APPID_TABLE: usize = 0x9;
const DIMSTYLE_TABLE: usize = 0xA;
const ROOT_DICTIONARY: usize = 0xC;
const GROUP_DICTIONARY: usize = 0xD;
const LAYOUT_DICTIONARY: usize = 0xE;
const LAYER_ZERO: usize = 0x10;
const STYLE_STANDARD: usize = 0x11;
const APPID_ACAD: usize = 0x12;
const LTYPE_BY_BLOCK: usize = 0x14;
const LTYPE_BY_LAYER: usize = 0x15;
const LTYPE_CONTINUOUS: usize = 0x16;
const PAPER_SPACE: usize = 0x1B;
const MODEL_SPACE: usize = 0x1F;
const DIMSTYLE_STANDARD: usize = 0x27;
const VPORT_ACTIVE: usize = 0x28;
const MODEL_LAYOUT: usize = 0x30;
const PAPER_LAYOUT: usize = 0x31;
const FIRST_LAYER: usize = 0x100;
const FIRST_FREE: usize = 0x10000;

/// Group codes and their values, a line each.
#[derive(Default)]
struct Pairs(String);

impl Pairs {
    fn word(&mut self, code: u16, value: &str) -> &mut Self {
        // Writing to a String cannot fail.
        let _ = writeln!(self.0, "{code:>3}\n{value}");
        self
    }

    fn integer(&mut self, code: u16, value: impl Into<i64>) -> &mut Self {
        self.word(code, &value.into().to_string())
    }

    fn handle(&mut self, code: u16, value: usize) -> &mut Self {
        self.word(code, &format!("{value:X}"))
    }

    /// The shortest digits that read back as the same number; some readers know no exponents.
    fn number(&mut self, code: u16, value: f64) -> &mut Self {
        let shortest = (value + 0.0).to_string();
        let point = if shortest.contains('.') { "" } else { ".0" };
        self.word(code, &format!("{shortest}{point}"))
    }

    /// `x` under the code, `y` under the code + 10, `z` = 0 under the code + 20.
    fn place(&mut self, code: u16, at: [f64; 2]) -> &mut Self {
        self.number(code, at[0]).number(code + 10, at[1]).number(code + 20, 0.0)
    }

    /// A text: `±`, `°` and `⌀` by the format's own signs, what else is not ASCII as `\U+XXXX`,
    /// which R2000 understands, control characters as spaces.
    fn text(&mut self, code: u16, text: &str) -> &mut Self {
        let mut out = String::new();
        let mut units = [0; 2];
        for c in text.chars() {
            match c {
                // A caret starts a control character in this format.
                '^' => out.push_str("^ "),
                '±' => out.push_str("%%p"),
                '°' => out.push_str("%%d"),
                '⌀' => out.push_str("%%c"),
                ' '..='~' => out.push(c),
                c if c.is_control() => out.push(' '),
                c => {
                    for unit in c.encode_utf16(&mut units) {
                        let _ = write!(out, "\\U+{unit:04X}");
                    }
                }
            }
        }
        self.word(code, &out)
    }

    /// The head of a named object.
    fn object(&mut self, kind: &str, handle: usize, owner: usize, classes: &[&str]) -> &mut Self {
        self.word(0, kind)
            // Alone among all objects a dimension style has its handle under 105.
            .handle(if kind == "DIMSTYLE" { 105 } else { 5 }, handle)
            .handle(330, owner);
        for class in classes {
            self.word(100, class);
        }
        self
    }

    fn table(&mut self, name: &str, handle: usize, entries: usize) -> &mut Self {
        self.word(0, "TABLE")
            .word(2, name)
            .handle(5, handle)
            .handle(330, 0)
            .word(100, "AcDbSymbolTable")
            .integer(70, entries as i64)
    }
}

fn header(out: &mut Pairs, drawing: &Drawing) {
    let (low, high) = extents(drawing);
    out.word(0, "SECTION").word(2, "HEADER");
    out.word(9, "$ACADVER").word(1, "AC1015");
    out.word(9, "$DWGCODEPAGE").word(3, "ANSI_1252");
    out.word(9, "$HANDSEED").handle(5, FIRST_FREE + drawing.entities.len());
    // Millimetres, metric patterns.
    out.word(9, "$INSUNITS").integer(70, 4);
    out.word(9, "$MEASUREMENT").integer(70, 1);
    out.word(9, "$EXTMIN").place(10, low);
    out.word(9, "$EXTMAX").place(10, high);
    // Points are drawn as crosses, so that they can be seen.
    out.word(9, "$PDMODE").integer(70, 2);
    out.word(0, "ENDSEC");
}

fn tables(out: &mut Pairs, drawing: &Drawing) {
    let symbol = "AcDbSymbolTableRecord";
    let (low, high) = extents(drawing);
    out.word(0, "SECTION").word(2, "TABLES");

    out.table("VPORT", VPORT_TABLE, 1);
    let middle = [0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1])];
    let height = (high[1] - low[1]).max(0.5 * (high[0] - low[0])).max(1.0);
    let classes = [symbol, "AcDbViewportTableRecord"];
    out.object("VPORT", VPORT_ACTIVE, VPORT_TABLE, &classes).word(2, "*Active").integer(70, 0);
    for (code, x, y) in
        [(10, 0.0, 0.0), (11, 1.0, 1.0), (12, middle[0], middle[1]), (13, 0.0, 0.0), (14, 10.0, 10.0), (15, 10.0, 10.0)]
    {
        out.number(code, x).number(code + 10, y);
    }
    out.number(16, 0.0).number(26, 0.0).number(36, 1.0);
    out.place(17, [0.0, 0.0]);
    out.number(40, 1.1 * height).number(41, 2.0);
    out.word(0, "ENDTAB");

    out.table("LTYPE", LTYPE_TABLE, 3);
    for (handle, name, description) in [
        (LTYPE_BY_BLOCK, "ByBlock", ""),
        (LTYPE_BY_LAYER, "ByLayer", ""),
        (LTYPE_CONTINUOUS, "Continuous", "Solid line"),
    ] {
        out.object("LTYPE", handle, LTYPE_TABLE, &[symbol, "AcDbLinetypeTableRecord"])
            .word(2, name)
            .integer(70, 0)
            .word(3, description)
            .integer(72, 65)
            .integer(73, 0)
            .number(40, 0.0);
    }
    out.word(0, "ENDTAB");

    out.table("LAYER", LAYER_TABLE, drawing.layers.len() + 1);
    let zero = (LAYER_ZERO, "0", 7);
    let others = drawing.layers.iter().enumerate();
    let others = others.map(|(i, l)| (FIRST_LAYER + i, l.name.as_str(), l.colour));
    for (handle, name, colour) in std::iter::once(zero).chain(others) {
        out.object("LAYER", handle, LAYER_TABLE, &[symbol, "AcDbLayerTableRecord"])
            .word(2, name)
            .integer(70, 0)
            .integer(62, colour)
            .word(6, "Continuous");
    }
    out.word(0, "ENDTAB");

    out.table("STYLE", STYLE_TABLE, 1);
    out.object("STYLE", STYLE_STANDARD, STYLE_TABLE, &[symbol, "AcDbTextStyleTableRecord"])
        .word(2, "Standard")
        .integer(70, 0)
        .number(40, 0.0)
        .number(41, 1.0)
        .number(50, 0.0)
        .integer(71, 0)
        .number(42, 2.5)
        .word(3, "txt")
        .word(4, "");
    out.word(0, "ENDTAB");

    out.table("VIEW", VIEW_TABLE, 0).word(0, "ENDTAB");
    out.table("UCS", UCS_TABLE, 0).word(0, "ENDTAB");

    out.table("APPID", APPID_TABLE, 1);
    out.object("APPID", APPID_ACAD, APPID_TABLE, &[symbol, "AcDbRegAppTableRecord"]).word(2, "ACAD").integer(70, 0);
    out.word(0, "ENDTAB");

    out.table("DIMSTYLE", DIMSTYLE_TABLE, 1).word(100, "AcDbDimStyleTable");
    out.object("DIMSTYLE", DIMSTYLE_STANDARD, DIMSTYLE_TABLE, &[symbol, "AcDbDimStyleTableRecord"])
        .word(2, "Standard")
        .integer(70, 0);
    out.word(0, "ENDTAB");

    out.table("BLOCK_RECORD", BLOCK_RECORD_TABLE, 2);
    for (handle, name, layout) in
        [(MODEL_SPACE, "*Model_Space", MODEL_LAYOUT), (PAPER_SPACE, "*Paper_Space", PAPER_LAYOUT)]
    {
        out.object("BLOCK_RECORD", handle, BLOCK_RECORD_TABLE, &[symbol, "AcDbBlockTableRecord"])
            .word(2, name)
            .handle(340, layout);
    }
    out.word(0, "ENDTAB").word(0, "ENDSEC");
}

fn blocks(out: &mut Pairs) {
    out.word(0, "SECTION").word(2, "BLOCKS");
    for (record, name) in [(MODEL_SPACE, "*Model_Space"), (PAPER_SPACE, "*Paper_Space")] {
        // A block's two ends follow its record: handles record + 1 and record + 2.
        out.object("BLOCK", record + 1, record, &["AcDbEntity"])
            .word(8, "0")
            .word(100, "AcDbBlockBegin")
            .word(2, name)
            .integer(70, 0)
            .place(10, [0.0, 0.0])
            .word(3, name)
            .word(1, "");
        out.object("ENDBLK", record + 2, record, &["AcDbEntity"]).word(8, "0").word(100, "AcDbBlockEnd");
    }
    out.word(0, "ENDSEC");
}

fn objects(out: &mut Pairs) {
    let dictionary = ["AcDbDictionary"];
    out.word(0, "SECTION").word(2, "OBJECTS");
    out.object("DICTIONARY", ROOT_DICTIONARY, 0, &dictionary)
        .integer(281, 1)
        .word(3, "ACAD_GROUP")
        .handle(350, GROUP_DICTIONARY)
        .word(3, "ACAD_LAYOUT")
        .handle(350, LAYOUT_DICTIONARY);
    out.object("DICTIONARY", GROUP_DICTIONARY, ROOT_DICTIONARY, &dictionary).integer(281, 1);
    out.object("DICTIONARY", LAYOUT_DICTIONARY, ROOT_DICTIONARY, &dictionary)
        .integer(281, 1)
        .word(3, "Model")
        .handle(350, MODEL_LAYOUT)
        .word(3, "Layout1")
        .handle(350, PAPER_LAYOUT);
    for (handle, name, order, flags, record) in
        [(MODEL_LAYOUT, "Model", 0, 1024, MODEL_SPACE), (PAPER_LAYOUT, "Layout1", 1, 0, PAPER_SPACE)]
    {
        out.object("LAYOUT", handle, LAYOUT_DICTIONARY, &["AcDbPlotSettings"])
            .word(1, "")
            .word(2, "")
            .word(4, "")
            .word(6, "")
            .integer(70, flags)
            .integer(72, 1)
            .word(100, "AcDbLayout")
            .word(1, name)
            .integer(70, 1)
            .integer(71, order)
            .handle(330, record);
    }
    out.word(0, "ENDSEC");
}

fn draw(out: &mut Pairs, handle: usize, layer: &str, shape: &Shape) {
    let (kind, class) = match shape {
        Shape::Point { .. } => ("POINT", "AcDbPoint"),
        Shape::Line { .. } => ("LINE", "AcDbLine"),
        Shape::Circle { .. } => ("CIRCLE", "AcDbCircle"),
        Shape::Polyline { .. } => ("LWPOLYLINE", "AcDbPolyline"),
        Shape::Text { .. } => ("TEXT", "AcDbText"),
    };
    out.object(kind, handle, MODEL_SPACE, &["AcDbEntity"]).word(8, layer).word(100, class);
    match shape {
        Shape::Point { at } => {
            out.place(10, *at);
        }
        Shape::Line { from, to } => {
            out.place(10, *from).place(11, *to);
        }
        Shape::Circle { centre, radius } => {
            out.place(10, *centre).number(40, *radius);
        }
        Shape::Polyline { corners, closed } => {
            out.integer(90, corners.len() as i64).integer(70, i64::from(*closed));
            for corner in corners {
                out.number(10, corner.at[0]).number(20, corner.at[1]);
                if corner.bulge != 0.0 {
                    out.number(42, corner.bulge);
                }
            }
        }
        Shape::Text { at, height, text } => {
            out.place(10, *at).number(40, *height).text(1, text).word(100, "AcDbText");
        }
    }
}

/// The corners of the box all corners, centres and ends lie in.
fn extents(drawing: &Drawing) -> ([f64; 2], [f64; 2]) {
    let mut low = [f64::INFINITY; 2];
    let mut high = [f64::NEG_INFINITY; 2];
    let mut grow = |p: &[f64; 2], by: f64| {
        for i in 0..2 {
            low[i] = low[i].min(p[i] - by);
            high[i] = high[i].max(p[i] + by);
        }
    };
    for entity in &drawing.entities {
        match &entity.shape {
            Shape::Point { at } | Shape::Text { at, .. } => grow(at, 0.0),
            Shape::Line { from, to } => {
                grow(from, 0.0);
                grow(to, 0.0);
            }
            Shape::Circle { centre, radius } => grow(centre, *radius),
            Shape::Polyline { corners, .. } => corners.iter().for_each(|c| grow(&c.at, 0.0)),
        }
    }
    if low[0] > high[0] {
        return ([0.0; 2], [0.0; 2]);
    }
    (low, high)
}

fn check(drawing: &Drawing) -> Result<(), DxfError> {
    let mut names = std::collections::BTreeSet::from(["0".to_owned()]);
    for layer in &drawing.layers {
        let plain = |c: char| c.is_ascii_alphanumeric() || " -_".contains(c);
        // Names differ by more than case.
        let fresh = names.insert(layer.name.to_ascii_lowercase());
        if layer.name.trim().is_empty() || !layer.name.chars().all(plain) || !fresh {
            return Err(DxfError::LayerName { name: layer.name.clone() });
        }
    }
    for (i, entity) in drawing.entities.iter().enumerate() {
        let Some(layer) = drawing.layers.get(entity.layer) else {
            return Err(DxfError::NoLayer { entity: i, layer: entity.layer });
        };
        let layer = || layer.name.clone();
        let empty = |what| Err(DxfError::Empty { entity: i, layer: layer(), what });
        let numbers: Vec<f64> = match &entity.shape {
            Shape::Point { at } => at.to_vec(),
            Shape::Line { from, to } => [*from, *to].concat(),
            Shape::Circle { centre, radius } => vec![centre[0], centre[1], *radius],
            Shape::Polyline { corners, .. } => corners.iter().flat_map(|c| [c.at[0], c.at[1], c.bulge]).collect(),
            Shape::Text { at, height, .. } => vec![at[0], at[1], *height],
        };
        if !numbers.iter().all(|x| x.is_finite()) {
            return Err(DxfError::NotFinite { entity: i, layer: layer() });
        }
        match &entity.shape {
            Shape::Circle { radius, .. } if *radius <= 0.0 => return empty("radius"),
            Shape::Text { height, .. } if *height <= 0.0 => return empty("text height"),
            Shape::Polyline { corners, .. } if corners.len() < 2 => {
                return empty("number of corners");
            }
            _ => {}
        }
    }
    Ok(())
}
