//! The set as a flat drawing: three views, to scale, each on its own layers.
//!
//! The view from above lies at its true x and y. Below it, sharing x, is the view from the right
//! (x and z); to the right of that, sharing z, the view from the front (y and z).

use super::{CAUTION, ExportError};
use crate::datum::{Datum, DatumKind};
use crate::set::HardpointSet;
use stringline_core::covariance::two_significant;
use stringline_core::{Point3, Vec3, frame_about};
use stringline_exchange::dxf::{Corner, Drawing, Entity, Layer, Shape, write};
use stringline_fit::Shape as Fitted;

/// Height of the labels, mm.
const TEXT: f64 = 3.5;

/// Radius of the ring round a point, mm.
const RING: f64 = 2.5;

/// Half length an axis is drawn with, mm.
const AXIS_HALF_LENGTH: f64 = 25.0;

/// Radius a face is drawn with, mm.
const FACE_RADIUS: f64 = 20.0;

/// Width of a letter as a share of its height, for keeping labels apart.
const LETTER: f64 = 0.9;

/// Clear space between views, mm.
const MARGIN: f64 = 80.0;

/// Corners of the outline of a tilted disc.
const OUTLINE: usize = 48;

/// Two directions closer than this look end-on to each other, rad.
const END_ON: f64 = 1e-6;

/// A direction of looking: which coordinates run to the right and up, and which layer comes first.
struct View {
    title: &'static str,
    layer: usize,
    across: usize,
    up: usize,
    /// What is added to them on the sheet, mm.
    shift: [f64; 2],
}

/// Each view's layers, from its first: hardpoints, then features, then text.
const LAYERS: [(&str, u8); 10] = [
    ("TOP HARDPOINTS", 7),
    ("TOP FEATURES", 5),
    ("TOP TEXT", 8),
    ("SIDE HARDPOINTS", 7),
    ("SIDE FEATURES", 5),
    ("SIDE TEXT", 8),
    ("FRONT HARDPOINTS", 7),
    ("FRONT FEATURES", 5),
    ("FRONT TEXT", 8),
    ("NOTES", 1),
];
const NOTES: usize = 9;

impl View {
    fn place(&self, p: &Point3) -> [f64; 2] {
        [p[self.across] + self.shift[0], p[self.up] + self.shift[1]]
    }

    /// The coordinate that runs towards or away from the eye.
    fn depth(&self) -> usize {
        3 - self.across - self.up
    }
}

/// The set as a DXF drawing in millimetres: views from above, from the right and from the front.
/// In a set that is not placed in the car these are the scan's own axes.
///
/// # Errors
/// [`ExportError`] if the set is not sound.
pub fn to_dxf(set: &HardpointSet) -> Result<String, ExportError> {
    set.check()?;
    let title = super::title(set);
    let mut comments = vec![title.clone(), set.axes.words().to_owned()];
    comments.extend(CAUTION.map(str::to_owned));
    let mut drawing = Drawing {
        comments,
        layers: LAYERS.map(|(name, colour)| Layer { name: name.into(), colour }).into(),
        entities: Vec::new(),
    };
    let (low, high) = bounds(set);
    let below = low.y - MARGIN - high.z;
    let beside = high.x + MARGIN - low.y;
    let views = [
        View { title: "from above: x right, y up", layer: 0, across: 0, up: 1, shift: [0.0, 0.0] },
        View { title: "from the right: x right, z up", layer: 3, across: 0, up: 2, shift: [0.0, below] },
        View { title: "from the front: y right, z up", layer: 6, across: 1, up: 2, shift: [beside, below] },
    ];
    for view in &views {
        let mut labels = Labels::default();
        let mut add = |layer: usize, shape: Shape| {
            drawing.entities.push(Entity { layer: view.layer + layer, shape });
        };
        for datum in &set.datums {
            for shape in feature(view, &datum.shape()?, datum.extent.along, datum.extent.across) {
                add(1, shape);
            }
        }
        for hardpoint in &set.hardpoints {
            let datum = hardpoint.datum()?;
            for shape in marks(view, &datum) {
                add(0, shape);
            }
            let at = view.place(&datum.position());
            let uncertainty = match hardpoint.u95 {
                Some(u) => format!(" ±{} mm", two_significant(u.position)),
                None => String::new(),
            };
            let text = hardpoint.role.words() + " " + hardpoint.side.name() + &uncertainty;
            let at = labels.place([at[0] + 1.5 * RING, at[1] + RING], &text);
            add(2, Shape::Text { at, height: TEXT, text });
        }
        let corner = Point3::from([0, 1, 2].map(|i| if i == view.up { high[i] } else { low[i] }));
        let at = view.place(&corner);
        add(2, Shape::Text { at: [at[0], at[1] + 0.3 * MARGIN], height: 1.5 * TEXT, text: view.title.into() });
    }
    let foot = view_foot(&views, &low);
    let lines = [
        format!("{title}, scale 1:1, millimetres"),
        set.axes.words().to_owned(),
        "± is the expanded uncertainty of the position at 95 % coverage".to_owned(),
    ];
    let lines = lines.into_iter().chain(CAUTION.map(str::to_owned));
    for (i, text) in lines.enumerate() {
        drawing.entities.push(Entity {
            layer: NOTES,
            shape: Shape::Text { at: [foot[0], foot[1] - 1.6 * TEXT * i as f64], height: TEXT, text },
        });
    }
    Ok(write(&drawing)?)
}

/// The labels set so far in a view: left, right and baseline of each.
#[derive(Default)]
struct Labels(Vec<(f64, f64, f64)>);

impl Labels {
    /// Moves a label down until it is clear of the earlier ones.
    fn place(&mut self, at: [f64; 2], text: &str) -> [f64; 2] {
        let [x, mut y] = at;
        let right = x + LETTER * TEXT * text.chars().count() as f64;
        let pitch = 1.4 * TEXT;
        let touches = |y: f64, l: &(f64, f64, f64)| l.0 < right && x < l.1 && (l.2 - y).abs() < pitch;
        // Each step clears one label for good, as steps only lead down.
        while let Some(label) = self.0.iter().find(|l| touches(y, l)) {
            let below = label.2 - pitch;
            // A number so large that a step is lost in it.
            if below >= y {
                break;
            }
            y = below;
        }
        self.0.push((x, right, y));
        [x, y]
    }
}

/// Where the notes begin: under the side view, at its left.
fn view_foot(views: &[View; 3], low: &Point3) -> [f64; 2] {
    let at = views[1].place(low);
    [at[0], at[1] - 0.4 * MARGIN]
}

/// The box all positions lie in, with what is drawn about them.
fn bounds(set: &HardpointSet) -> (Point3, Point3) {
    let room = Vec3::repeat(AXIS_HALF_LENGTH);
    let hardpoints = set.hardpoints.iter().map(|h| Point3::from(h.position));
    let datums = set.datums.iter().map(|d| Point3::from(d.point));
    let mut all = hardpoints.chain(datums);
    let Some(first) = all.next() else {
        return (Point3::origin() - room, Point3::origin() + room);
    };
    let (low, high) = all.fold((first, first), |(l, h), p| (l.inf(&p), h.sup(&p)));
    (low - room, high + room)
}

/// A hardpoint's own marks.
fn marks(view: &View, datum: &Datum) -> Vec<Shape> {
    let position = datum.position();
    let at = view.place(&position);
    let mut shapes = vec![Shape::Point { at }];
    match (datum.kind(), datum.direction()) {
        (DatumKind::Axis, Some(d)) => {
            let arm = d.into_inner() * AXIS_HALF_LENGTH;
            shapes.extend(line(view, &(position - arm), &(position + arm)));
        }
        (DatumKind::Face, Some(d)) => {
            shapes.push(ring(view, &position, &d.into_inner(), FACE_RADIUS));
        }
        _ => shapes.push(Shape::Circle { centre: at, radius: RING }),
    }
    shapes
}

/// What is seen of a feature: the rims of what was measured and its axis.
fn feature(view: &View, shape: &Fitted, along: [f64; 2], across: f64) -> Vec<Shape> {
    match *shape {
        Fitted::Plane { point, normal } => {
            let radius = if across > 0.0 { across } else { FACE_RADIUS };
            vec![ring(view, &point, &normal, radius)]
        }
        Fitted::Circle { centre, normal, radius } => vec![ring(view, &centre, &normal, radius)],
        Fitted::Sphere { centre, radius } => vec![Shape::Circle { centre: view.place(&centre), radius }],
        Fitted::Cylinder { point, direction, .. } | Fitted::Cone { point, direction, .. } => {
            let d = direction.into_inner();
            let radius = shape.radius().unwrap_or_default();
            let slope = shape.half_angle().map_or(0.0, f64::tan);
            let ends = along.map(|t| (point + d * t, radius + t * slope));
            let mut shapes: Vec<Shape> =
                ends.iter().filter(|(_, r)| *r > 0.0).map(|(p, r)| ring(view, p, &d, *r)).collect();
            shapes.extend(line(view, &ends[0].0, &ends[1].0));
            shapes
        }
    }
}

/// A line as seen, unless it is seen end-on.
fn line(view: &View, from: &Point3, to: &Point3) -> Option<Shape> {
    let (from, to) = (view.place(from), view.place(to));
    let length = (to[0] - from[0]).hypot(to[1] - from[1]);
    (length > END_ON).then_some(Shape::Line { from, to })
}

/// A circle as seen: a circle end-on, else the outline of the ellipse it looks like.
fn ring(view: &View, centre: &Point3, normal: &Vec3, radius: f64) -> Shape {
    let tilt = normal[view.across].hypot(normal[view.up]);
    if tilt < END_ON && normal[view.depth()] != 0.0 {
        return Shape::Circle { centre: view.place(centre), radius };
    }
    let (u, v) = frame_about(&stringline_core::UnitVec3::new_normalize(*normal));
    let corners = (0..OUTLINE)
        .map(|i| {
            let (sin, cos) = (i as f64 * std::f64::consts::TAU / OUTLINE as f64).sin_cos();
            Corner { at: view.place(&(centre + (u * cos + v * sin) * radius)), bulge: 0.0 }
        })
        .collect();
    Shape::Polyline { corners, closed: true }
}
