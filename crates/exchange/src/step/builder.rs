//! Typed helpers over the entity table: geometry, topology and the pieces made of them.
//!
//! They are what a solid needs too: faces over shared edges, gathered into a shell.

use super::Piece;
use crate::part21::{Id, Table, Value};
use stringline_core::{Point3, UnitVec3, Vec3, frame_about};

/// A vertex and where it is.
#[derive(Clone, Copy, Debug)]
pub struct Vertex {
    id: Id,
    at: Point3,
}

/// An edge in one of its senses.
#[derive(Clone, Copy, Debug)]
pub struct Directed {
    edge: Id,
    forward: bool,
}

impl Directed {
    /// The same edge run the other way.
    pub fn reversed(self) -> Directed {
        Directed { forward: !self.forward, ..self }
    }
}

/// Adds geometry and topology to a table under one name.
pub struct Builder<'a> {
    table: &'a mut Table,
    name: &'a str,
}

impl<'a> Builder<'a> {
    /// Items are added to `table` and carry `name`.
    pub fn new(table: &'a mut Table, name: &'a str) -> Builder<'a> {
        Builder { table, name }
    }

    fn add<const N: usize>(&mut self, keyword: &str, attributes: [Value; N]) -> Id {
        self.table.add(keyword, attributes)
    }

    fn name(&self) -> Value {
        self.name.into()
    }

    /// `CARTESIAN_POINT`, mm.
    pub fn point(&mut self, p: &Point3) -> Id {
        let name = self.name();
        self.add("CARTESIAN_POINT", [name, [p.x, p.y, p.z].into()])
    }

    /// `DIRECTION`.
    pub fn direction(&mut self, d: &Vec3) -> Id {
        self.add("DIRECTION", ["".into(), [d.x, d.y, d.z].into()])
    }

    /// `AXIS2_PLACEMENT_3D` with z along `axis` and x along `reference`.
    pub fn placement(&mut self, origin: &Point3, axis: &UnitVec3, reference: &Vec3) -> Id {
        let (name, p) = (self.name(), self.point(origin));
        let (z, x) = (self.direction(axis), self.direction(reference));
        self.add("AXIS2_PLACEMENT_3D", [name, p.into(), z.into(), x.into()])
    }

    /// `LINE` whose parameter is the distance from `from`, mm.
    pub fn line(&mut self, from: &Point3, direction: &Vec3) -> Id {
        let (p, d) = (self.point(from), self.direction(direction));
        let v = self.add("VECTOR", ["".into(), d.into(), 1.0.into()]);
        let name = self.name();
        self.add("LINE", [name, p.into(), v.into()])
    }

    /// `CIRCLE`, mm.
    pub fn circle(&mut self, placement: Id, radius: f64) -> Id {
        let name = self.name();
        self.add("CIRCLE", [name, placement.into(), radius.into()])
    }

    /// A bounded line as a `TRIMMED_CURVE`.
    pub fn segment(&mut self, from: &Point3, to: &Point3) -> Id {
        let (direction, length) = UnitVec3::new_and_get(to - from);
        let line = self.line(from, &direction);
        let trim = |p: Id, t: f64| -> Value {
            let parameter = Value::Typed("PARAMETER_VALUE", Box::new(t.into()));
            Value::List(vec![p.into(), parameter])
        };
        let first = trim(self.point(from), 0.0);
        let second = trim(self.point(to), length);
        let by = Value::Word("PARAMETER");
        let name = self.name();
        self.add("TRIMMED_CURVE", [name, line.into(), first, second, true.into(), by])
    }

    /// `VERTEX_POINT`.
    pub fn vertex(&mut self, at: &Point3) -> Vertex {
        let p = self.point(at);
        let id = self.add("VERTEX_POINT", ["".into(), p.into()]);
        Vertex { id, at: *at }
    }

    /// `EDGE_CURVE` along a curve that runs from `from` to `to`.
    pub fn edge(&mut self, from: Vertex, to: Vertex, curve: Id) -> Directed {
        let (a, b) = (from.id.into(), to.id.into());
        let edge = self.add("EDGE_CURVE", ["".into(), a, b, curve.into(), true.into()]);
        Directed { edge, forward: true }
    }

    /// A straight edge.
    pub fn straight_edge(&mut self, from: Vertex, to: Vertex) -> Directed {
        let line = self.line(&from.at, &(to.at - from.at).normalize());
        self.edge(from, to, line)
    }

    /// A whole circle as an edge, turning about `axis` from its one vertex, which lies along `x`.
    pub fn round_edge(&mut self, centre: &Point3, axis: &UnitVec3, x: &Vec3, radius: f64) -> (Vertex, Directed) {
        let vertex = self.vertex(&(centre + x * radius));
        let placement = self.placement(centre, axis, x);
        let circle = self.circle(placement, radius);
        (vertex, self.edge(vertex, vertex, circle))
    }

    /// `ADVANCED_FACE` on a surface, bounded by one loop that has the face on its left, seen with
    /// the surface's normal towards the eye.
    pub fn face(&mut self, surface: Id, boundary: &[Directed]) -> Id {
        let mut edges = Vec::with_capacity(boundary.len());
        for d in boundary {
            let (edge, forward) = (d.edge.into(), d.forward.into());
            edges.push(self.add("ORIENTED_EDGE", ["".into(), Value::Derived, Value::Derived, edge, forward]));
        }
        let ring = self.add("EDGE_LOOP", ["".into(), edges.into()]);
        self.bounded(surface, ring)
    }

    fn bounded(&mut self, surface: Id, ring: Id) -> Id {
        let bound = self.add("FACE_OUTER_BOUND", ["".into(), ring.into(), true.into()]);
        let (name, bounds) = (self.name(), vec![bound].into());
        self.add("ADVANCED_FACE", [name, bounds, surface.into(), true.into()])
    }

    /// A face between two rings about one axis, with a seam: a length of a cylinder or a cone.
    fn band(&mut self, surface: Id, rings: [(Point3, f64); 2], axis: &UnitVec3, x: &Vec3) -> Id {
        let [low, high] = rings.map(|(centre, radius)| self.round_edge(&centre, axis, x, radius));
        let seam = self.straight_edge(low.0, high.0);
        self.face(surface, &[low.1, seam, high.1.reversed(), seam.reversed()])
    }

    /// The curve or point of a piece of wire, or `None` for a face.
    pub fn wire(&mut self, piece: &Piece) -> Option<Id> {
        match piece {
            Piece::Point { at } => Some(self.point(at)),
            Piece::Segment { from, to } => Some(self.segment(from, to)),
            Piece::Circle { centre, normal, radius } => {
                let placement = self.placement(centre, normal, &frame_about(normal).0);
                Some(self.circle(placement, *radius))
            }
            _ => None,
        }
    }

    /// The face of a piece of surface, or `None` for wire.
    pub fn sheet(&mut self, piece: &Piece) -> Option<Id> {
        let name = self.name();
        match *piece {
            Piece::Point { .. } | Piece::Segment { .. } | Piece::Circle { .. } => None,
            Piece::Disc { centre, normal, radius } => {
                let (x, _) = frame_about(&normal);
                let placement = self.placement(&centre, &normal, &x);
                let surface = self.add("PLANE", [name, placement.into()]);
                let (_, ring) = self.round_edge(&centre, &normal, &x, radius);
                Some(self.face(surface, &[ring]))
            }
            Piece::Cylinder { start, direction, radius, length } => {
                let (x, _) = frame_about(&direction);
                let placement = self.placement(&start, &direction, &x);
                let attributes = [name, placement.into(), radius.into()];
                let surface = self.add("CYLINDRICAL_SURFACE", attributes);
                let end = start + direction.into_inner() * length;
                let rings = [(start, radius), (end, radius)];
                Some(self.band(surface, rings, &direction, &x))
            }
            Piece::Cone { start, direction, radius, half_angle, length } => {
                let (x, _) = frame_about(&direction);
                let placement = self.placement(&start, &direction, &x);
                let attributes = [name, placement.into(), radius.into(), half_angle.into()];
                let surface = self.add("CONICAL_SURFACE", attributes);
                let end = start + direction.into_inner() * length;
                let rings = [(start, radius), (end, radius + length * half_angle.tan())];
                Some(self.band(surface, rings, &direction, &x))
            }
            Piece::Sphere { centre, radius } => {
                let (z, x) = (Vec3::z_axis(), Vec3::x());
                let placement = self.placement(&centre, &z, &x);
                let attributes = [name, placement.into(), radius.into()];
                let surface = self.add("SPHERICAL_SURFACE", attributes);
                // A whole sphere has no edge: its one bound is a vertex on it.
                let pole = self.vertex(&(centre - z.into_inner() * radius));
                let ring = self.add("VERTEX_LOOP", ["".into(), pole.id.into()]);
                Some(self.bounded(surface, ring))
            }
        }
    }
}
