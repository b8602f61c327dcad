//! STEP files read back by a small reader of their own: references, names, geometry.
//!
//! The reader shares no code with the writer. It knows just enough of ISO 10303-21 to resolve
//! entities and of ISO 10303-42 to evaluate curves and surfaces.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use proptest::prelude::*;
use std::collections::BTreeMap;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_exchange::step::{Assembly, Heading, Part, Piece, StepError, write};

#[derive(Clone, Debug, PartialEq)]
enum Value {
    Absent,
    Number(f64),
    Text(String),
    Word(String),
    Reference(u32),
    List(Vec<Value>),
    Record(String, Vec<Value>),
}

impl Value {
    fn number(&self) -> f64 {
        match self {
            Value::Number(x) => *x,
            other => panic!("{other:?} is no number"),
        }
    }
    fn reference(&self) -> u32 {
        match self {
            Value::Reference(r) => *r,
            other => panic!("{other:?} is no reference"),
        }
    }
    fn list(&self) -> &[Value] {
        match self {
            Value::List(l) => l,
            other => panic!("{other:?} is no list"),
        }
    }
    fn text(&self) -> &str {
        match self {
            Value::Text(t) => t,
            other => panic!("{other:?} is no text"),
        }
    }
    fn truth(&self) -> bool {
        match self {
            Value::Word(w) if w == "T" => true,
            Value::Word(w) if w == "F" => false,
            other => panic!("{other:?} is no truth value"),
        }
    }
    fn references(&self, out: &mut Vec<u32>) {
        match self {
            Value::Reference(r) => out.push(*r),
            Value::List(l) | Value::Record(_, l) => l.iter().for_each(|v| v.references(out)),
            _ => {}
        }
    }
}

struct Scanner<'a> {
    rest: &'a str,
}

impl Scanner<'_> {
    fn peek(&self) -> char {
        self.rest.chars().next().unwrap()
    }
    fn take(&mut self, expected: char) {
        assert_eq!(self.peek(), expected, "before {:.40}", self.rest);
        self.rest = &self.rest[expected.len_utf8()..];
    }
    fn run(&mut self, of: impl Fn(char) -> bool) -> String {
        let end = self.rest.find(|c| !of(c)).unwrap();
        let (run, rest) = self.rest.split_at(end);
        self.rest = rest;
        run.into()
    }
    fn list(&mut self) -> Vec<Value> {
        self.take('(');
        let mut list = Vec::new();
        while self.peek() != ')' {
            list.push(self.value());
            // Records of a complex instance stand side by side without commas.
            if self.peek() == ',' {
                self.take(',');
            }
        }
        self.take(')');
        list
    }
    fn value(&mut self) -> Value {
        match self.peek() {
            '$' | '*' => {
                self.run(|c| "$*".contains(c));
                Value::Absent
            }
            '#' => {
                self.take('#');
                Value::Reference(self.run(|c| c.is_ascii_digit()).parse().unwrap())
            }
            '.' => {
                self.take('.');
                let word = self.run(|c| c.is_ascii_uppercase() || c == '_');
                self.take('.');
                Value::Word(word)
            }
            '(' => Value::List(self.list()),
            '\'' => Value::Text(self.text()),
            c if c.is_ascii_uppercase() => {
                let keyword = self.run(|c| c.is_ascii_alphanumeric() || c == '_');
                Value::Record(keyword, self.list())
            }
            _ => {
                let digits = self.run(|c| "+-.E".contains(c) || c.is_ascii_digit());
                // A REAL has a point after its first digits; an INTEGER has none and no exponent.
                let mantissa = digits.split('E').next().unwrap();
                assert!(mantissa.contains('.') || !digits.contains('E'), "{digits}");
                assert!(!mantissa.trim_start_matches('-').starts_with('.'), "{digits}");
                Value::Number(digits.parse().unwrap())
            }
        }
    }
    fn text(&mut self) -> String {
        self.take('\'');
        let mut out = String::new();
        loop {
            if let Some(rest) = self.rest.strip_prefix("''") {
                out.push('\'');
                self.rest = rest;
            } else if let Some(rest) = self.rest.strip_prefix("\\\\") {
                out.push('\\');
                self.rest = rest;
            } else if self.rest.starts_with("\\X2\\") || self.rest.starts_with("\\X4\\") {
                let width = if self.rest.starts_with("\\X2") { 4 } else { 8 };
                let end = self.rest.find("\\X0\\").unwrap();
                let digits = &self.rest[4..end];
                assert_eq!(digits.len() % width, 0);
                for i in (0..digits.len()).step_by(width) {
                    let code = u32::from_str_radix(&digits[i..i + width], 16).unwrap();
                    out.push(char::from_u32(code).unwrap());
                }
                self.rest = &self.rest[end + 4..];
            } else if self.peek() == '\'' {
                self.take('\'');
                return out;
            } else {
                let c = self.peek();
                assert!((' '..='~').contains(&c) && c != '\\', "{c:?}");
                out.push(c);
                self.rest = &self.rest[c.len_utf8()..];
            }
        }
    }
}

struct File {
    entities: BTreeMap<u32, Value>,
}

impl File {
    fn read(text: &str) -> File {
        assert!(text.is_ascii());
        assert!(text.starts_with("ISO-10303-21;\nHEADER;\n"));
        assert!(text.ends_with("ENDSEC;\nEND-ISO-10303-21;\n"));
        let data = text.split_once("\nDATA;\n").unwrap().1;
        let mut entities = BTreeMap::new();
        let mut scanner = Scanner { rest: data };
        while scanner.peek() == '#' {
            let id = scanner.value().reference();
            scanner.take('=');
            let value = scanner.value();
            scanner.take(';');
            scanner.take('\n');
            assert!(entities.insert(id, value).is_none(), "#{id} is there twice");
        }
        assert_eq!(scanner.rest, "ENDSEC;\nEND-ISO-10303-21;\n");
        let file = File { entities };
        for (id, value) in &file.entities {
            let mut references = Vec::new();
            value.references(&mut references);
            for r in references {
                assert!(file.entities.contains_key(&r), "#{id} names #{r}, which is missing");
            }
        }
        file
    }

    fn get(&self, id: u32) -> (&str, &[Value]) {
        match &self.entities[&id] {
            Value::Record(keyword, attributes) => (keyword, attributes),
            other => panic!("#{id} is {other:?}"),
        }
    }

    fn all(&self, keyword: &str) -> Vec<(u32, &[Value])> {
        self.entities
            .iter()
            .filter_map(|(id, v)| match v {
                Value::Record(k, a) if k == keyword => Some((*id, a.as_slice())),
                _ => None,
            })
            .collect()
    }

    fn triple(&self, v: &Value, keyword: &str) -> Vec3 {
        let (k, a) = self.get(v.reference());
        assert_eq!(k, keyword);
        let c: Vec<f64> = a[1].list().iter().map(Value::number).collect();
        Vec3::from_column_slice(&c)
    }

    /// Origin and the three axes (ISO 10303-42: x is the reference direction made square to z).
    fn placement(&self, v: &Value) -> (Vec3, [Vec3; 3]) {
        let (k, a) = self.get(v.reference());
        assert_eq!(k, "AXIS2_PLACEMENT_3D");
        let z = self.triple(&a[2], "DIRECTION").normalize();
        let x = self.triple(&a[3], "DIRECTION");
        assert!(x.dot(&z).abs() < 1e-14 && (x.norm() - 1.0).abs() < 1e-14);
        let x = (x - z * x.dot(&z)).normalize();
        (self.triple(&a[1], "CARTESIAN_POINT"), [x, z.cross(&x), z])
    }

    fn vertex(&self, v: &Value) -> Vec3 {
        let (k, a) = self.get(v.reference());
        assert_eq!(k, "VERTEX_POINT");
        self.triple(&a[1], "CARTESIAN_POINT")
    }

    /// Points along an edge with the direction it runs there.
    fn edge(&self, v: &Value) -> (u32, u32, Vec<(Vec3, Vec3)>) {
        let (k, a) = self.get(v.reference());
        assert_eq!(k, "EDGE_CURVE");
        let (from, to) = (self.vertex(&a[1]), self.vertex(&a[2]));
        assert!(a[4].truth());
        let (k, c) = self.get(a[3].reference());
        let samples = match k {
            "LINE" => {
                let origin = self.triple(&c[1], "CARTESIAN_POINT");
                let (k, v) = self.get(c[2].reference());
                assert_eq!((k, v[2].number()), ("VECTOR", 1.0));
                let d = self.triple(&v[1], "DIRECTION");
                assert!(d.cross(&(from - origin)).norm() < 1e-9);
                assert!(d.cross(&(to - origin)).norm() < 1e-9);
                assert!(d.dot(&(to - from)) > 0.0, "the line runs from its first vertex");
                (0..=8).map(|i| (from + (to - from) * (f64::from(i) / 8.0), d)).collect()
            }
            "CIRCLE" => {
                let (origin, [x, y, _]) = self.placement(&c[1]);
                let radius = c[2].number();
                assert!((origin + x * radius - from).norm() < 1e-9 && from == to);
                (0..16)
                    .map(|i| {
                        let (sin, cos) = (f64::from(i) * std::f64::consts::TAU / 16.0).sin_cos();
                        (origin + (x * cos + y * sin) * radius, y * cos - x * sin)
                    })
                    .collect()
            }
            other => panic!("{other}"),
        };
        (a[1].reference(), a[2].reference(), samples)
    }

    /// Distance of a point from a surface, and the surface's normal there.
    fn surface(&self, v: &Value, p: Vec3) -> (f64, Vec3) {
        let (k, a) = self.get(v.reference());
        let (origin, [_, _, z]) = self.placement(&a[1]);
        let w = p - origin;
        let along = z.dot(&w);
        let radial = w - z * along;
        match k {
            "PLANE" => (along, z),
            "CYLINDRICAL_SURFACE" => (radial.norm() - a[2].number(), radial.normalize()),
            "CONICAL_SURFACE" => {
                let (sin, cos) = a[3].number().sin_cos();
                let off = radial.norm() - a[2].number();
                (off * cos - along * sin, radial.normalize() * cos - z * sin)
            }
            "SPHERICAL_SURFACE" => (w.norm() - a[2].number(), w.normalize()),
            other => panic!("{other}"),
        }
    }

    /// Every face: its edges lie on its surface, form a closed loop and have the face on their left.
    fn check_faces(&self) -> usize {
        let faces = self.all("ADVANCED_FACE");
        for (id, a) in &faces {
            assert!(a[3].truth());
            let [bound] = a[1].list() else { panic!("one bound") };
            let (k, b) = self.get(bound.reference());
            assert!(k == "FACE_OUTER_BOUND" && b[2].truth());
            let (k, ring) = self.get(b[1].reference());
            if k == "VERTEX_LOOP" {
                let (off, _) = self.surface(&a[2], self.vertex(&ring[1]));
                assert!(off.abs() < 1e-9, "#{id}");
                continue;
            }
            assert_eq!(k, "EDGE_LOOP");
            let mut ends = Vec::new();
            let mut all = Vec::new();
            for oriented in ring[1].list() {
                let (k, o) = self.get(oriented.reference());
                assert_eq!(k, "ORIENTED_EDGE");
                let (from, to, samples) = self.edge(&o[3]);
                let forward = o[4].truth();
                ends.push(if forward { (from, to) } else { (to, from) });
                let sign = if forward { 1.0 } else { -1.0 };
                all.extend(samples.iter().map(|(p, d)| (*p, d * sign)));
            }
            for (i, (_, to)) in ends.iter().enumerate() {
                assert_eq!(*to, ends[(i + 1) % ends.len()].0, "#{id} does not close");
            }
            let (kind, surface) = self.get(a[2].reference());
            let (origin, [_, _, z]) = self.placement(&surface[1]);
            let height = |p: &Vec3| z.dot(&(p - origin));
            let middle = all.iter().map(|(p, _)| height(p)).sum::<f64>() / all.len() as f64;
            for (p, along) in &all {
                let (off, normal) = self.surface(&a[2], *p);
                assert!(off.abs() < 1e-9 * (1.0 + p.norm()), "#{id} off by {off:e}");
                let inwards = normal.cross(along);
                // A seam has the face on both sides; a rim must have it on its left.
                let rim = along.dot(&z).abs() < 1e-9;
                let leads_in = match kind {
                    "PLANE" => inwards.dot(&(origin - p)),
                    _ => inwards.dot(&z) * (middle - height(p)),
                };
                assert!(!rim || leads_in > 0.0, "#{id} is inside out");
            }
        }
        faces.len()
    }
}

fn heading() -> Heading<'static> {
    Heading { file_name: "x.step", time_stamp: "2026-01-31T12:00:00Z", system: "test", description: vec!["a", "b"] }
}

fn pieces(at: Point3, direction: UnitVec3, radius: f64, length: f64, half_angle: f64) -> Vec<Piece> {
    vec![
        Piece::Point { at },
        Piece::Segment { from: at, to: at + direction.into_inner() * length },
        Piece::Circle { centre: at, normal: direction, radius },
        Piece::Disc { centre: at, normal: direction, radius },
        Piece::Cylinder { start: at, direction, radius, length },
        Piece::Cone { start: at, direction, radius, half_angle, length },
        Piece::Sphere { centre: at, radius },
    ]
}

fn assembly(parts: Vec<Part>) -> Assembly {
    Assembly { name: "whole".into(), description: "all of it".into(), parts }
}

fn part(name: &str, pieces: Vec<Piece>) -> Part {
    Part { name: name.into(), description: String::new(), pieces }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 100, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn geometry_is_what_was_given(
        p in prop::array::uniform3(-3000.0f64..3000.0),
        d in prop::array::uniform3(-1.0f64..1.0),
        radius in 0.5f64..60.0,
        length in 0.1f64..200.0,
        half_angle in 0.001f64..1.4,
    ) {
        prop_assume!(Vec3::from(d).norm() > 1e-3);
        let (at, direction) = (Point3::from(p), UnitVec3::new_normalize(Vec3::from(d)));
        let all = pieces(at, direction, radius, length, half_angle);
        let text = write(&assembly(vec![part("all", all)]), &heading()).unwrap();
        let file = File::read(&text);
        prop_assert_eq!(file.check_faces(), 4);
        for (keyword, sizes) in [
            ("PLANE", vec![]),
            ("CYLINDRICAL_SURFACE", vec![radius]),
            ("CONICAL_SURFACE", vec![radius, half_angle]),
        ] {
            let surfaces = file.all(keyword);
            let [(_, a)] = surfaces[..] else { panic!("one {keyword}") };
            let (k, placement) = file.get(a[1].reference());
            prop_assert_eq!(k, "AXIS2_PLACEMENT_3D");
            // To the last bit.
            prop_assert_eq!(file.triple(&placement[1], "CARTESIAN_POINT"), at.coords);
            prop_assert_eq!(file.triple(&placement[2], "DIRECTION"), direction.into_inner());
            let written: Vec<f64> = a[2..].iter().map(Value::number).collect();
            prop_assert_eq!(written, sizes);
        }
        let lines = file.all("TRIMMED_CURVE");
        let [(_, a)] = lines[..] else { panic!("one line") };
        let Value::Record(_, end) = &a[3].list()[1] else { panic!("a parameter") };
        prop_assert!((end[0].number() - length).abs() < 1e-9);
    }

    #[test]
    fn names_survive(name in "\\PC{0,30}") {
        let text = write(&assembly(vec![part(&name, vec![Piece::Point { at: Point3::origin() }])]), &heading()).unwrap();
        let file = File::read(&text);
        let products = file.all("PRODUCT");
        prop_assert_eq!(products[0].1[1].text(), name.as_str());
        prop_assert_eq!(products[1].1[1].text(), "whole");
    }
}

#[test]
fn every_part_is_a_product_of_the_assembly() {
    let direction = UnitVec3::new_normalize(Vec3::new(0.2, 0.3, 0.9));
    let parts: Vec<Part> = pieces(Point3::new(1.0, 2.0, 3.0), direction, 5.0, 20.0, 0.1)
        .into_iter()
        .enumerate()
        .map(|(i, p)| part(&format!("part {i}"), vec![p]))
        .collect();
    let text = write(&assembly(parts), &heading()).unwrap();
    let file = File::read(&text);
    assert_eq!(file.all("PRODUCT").len(), 8);
    let uses = file.all("NEXT_ASSEMBLY_USAGE_OCCURRENCE");
    let names: Vec<&str> = uses.iter().map(|(_, a)| a[1].text()).collect();
    assert_eq!(names, (0..7).map(|i| format!("part {i}")).collect::<Vec<_>>());
    // Each product has one shape, and each shape representation is reached from it.
    assert_eq!(file.all("SHAPE_DEFINITION_REPRESENTATION").len(), 8);
    let bases: Vec<u32> = file.all("SHAPE_DEFINITION_REPRESENTATION").iter().map(|(_, a)| a[1].reference()).collect();
    for (_, a) in file.all("SHAPE_REPRESENTATION_RELATIONSHIP") {
        assert!(bases.contains(&a[2].reference()));
    }
    // Millimetres and radians.
    let units = file.entities.values().filter(|v| matches!(v, Value::List(_)));
    let spelt = format!("{:?}", units.collect::<Vec<_>>());
    assert!(spelt.contains("[Word(\"MILLI\"), Word(\"METRE\")]"));
    assert!(spelt.contains("[Absent, Word(\"RADIAN\")]"));
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let all = || {
        let p = pieces(Point3::origin(), Vec3::x_axis(), 5.0, 20.0, 0.1);
        write(&assembly(vec![part("all", p)]), &heading()).unwrap()
    };
    assert_eq!(all(), all());
}

#[test]
fn shapes_that_are_none_are_refused() {
    let (at, z) = (Point3::origin(), Vec3::z_axis());
    let refused = |piece: Piece| write(&assembly(vec![part("bad", vec![piece])]), &heading());
    let nan = Point3::new(0.0, f64::NAN, 0.0);
    assert!(matches!(refused(Piece::Point { at: nan }), Err(StepError::NotFinite { .. })));
    for piece in [
        Piece::Segment { from: at, to: at },
        Piece::Sphere { centre: at, radius: -1.0 },
        Piece::Cylinder { start: at, direction: z, radius: 1.0, length: 0.0 },
        Piece::Cone { start: at, direction: z, radius: 1.0, half_angle: 1.6, length: 1.0 },
    ] {
        let error = refused(piece).unwrap_err();
        assert!(matches!(error, StepError::BadSize { .. }), "{error}");
        assert!(error.to_string().contains("'bad'"));
    }
}
