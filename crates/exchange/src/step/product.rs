//! The product structure around the geometry: one assembly, a product for each part.

use super::Part;
use super::builder::Builder;
use crate::part21::{Id, Table, Value};
use stringline_core::{Point3, Vec3};

/// AP214 edition 1.
pub(super) const SCHEMA: &str = "AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }";

/// How far apart geometry that belongs together may lie, mm.
const CONFUSION: f64 = 1e-7;

/// The contexts all products share, and the parts added so far.
pub(super) struct Products {
    product_context: Id,
    definition_context: Id,
    geometry: Id,
    origin: Id,
    parts: Vec<Product>,
}

/// A product: its name, its definition and the representation that stands for it.
struct Product {
    name: String,
    definition: Id,
    representation: Id,
}

impl Products {
    pub(super) fn new(t: &mut Table) -> Products {
        let application = t.add("APPLICATION_CONTEXT", ["core data for automotive mechanical design processes".into()]);
        t.add(
            "APPLICATION_PROTOCOL_DEFINITION",
            ["international standard".into(), "automotive_design".into(), 2000.into(), application.into()],
        );
        Products {
            product_context: t.add("PRODUCT_CONTEXT", ["".into(), application.into(), "mechanical".into()]),
            definition_context: t
                .add("PRODUCT_DEFINITION_CONTEXT", ["part definition".into(), application.into(), "design".into()]),
            geometry: geometry_context(t),
            origin: Builder::new(t, "").placement(&Point3::origin(), &Vec3::z_axis(), &Vec3::x()),
            parts: Vec::new(),
        }
    }

    pub(super) fn add_part(&mut self, t: &mut Table, part: &Part) {
        let product = self.product(t, &part.name, &part.description);
        let name = || Value::from(part.name.as_str());

        let mut builder = Builder::new(t, &part.name);
        let pieces = part.pieces.iter();
        let wires: Vec<Id> = pieces.clone().filter_map(|p| builder.wire(p)).collect();
        let faces: Vec<Id> = pieces.filter_map(|p| builder.sheet(p)).collect();
        let mut shapes = Vec::new();
        if !wires.is_empty() {
            let set = t.add("GEOMETRIC_CURVE_SET", [name(), wires.into()]);
            shapes.push(("GEOMETRICALLY_BOUNDED_WIREFRAME_SHAPE_REPRESENTATION", set));
        }
        if !faces.is_empty() {
            // One shell a face: they do not join.
            let shells: Vec<Id> = faces.into_iter().map(|f| t.add("OPEN_SHELL", [name(), vec![f].into()])).collect();
            let model = t.add("SHELL_BASED_SURFACE_MODEL", [name(), shells.into()]);
            shapes.push(("MANIFOLD_SURFACE_SHAPE_REPRESENTATION", model));
        }
        for (keyword, item) in shapes {
            let items = vec![self.origin, item].into();
            let shape = t.add(keyword, [name(), items, self.geometry.into()]);
            let base = product.representation.into();
            t.add("SHAPE_REPRESENTATION_RELATIONSHIP", ["".into(), "".into(), base, shape.into()]);
        }
        self.parts.push(product);
    }

    /// Puts every part into an assembly.
    pub(super) fn assemble(self, t: &mut Table, name: &str, description: &str) {
        let root = self.product(t, name, description);
        for (i, part) in self.parts.iter().enumerate() {
            let number = (i + 1).to_string();
            let occurrence = t.add(
                "NEXT_ASSEMBLY_USAGE_OCCURRENCE",
                [
                    number.as_str().into(),
                    part.name.as_str().into(),
                    "".into(),
                    root.definition.into(),
                    part.definition.into(),
                    Value::Omitted,
                ],
            );
            let placed = t.add("PRODUCT_DEFINITION_SHAPE", ["".into(), "".into(), occurrence.into()]);
            // Every part is drawn where it belongs, so each is placed as it is.
            let stay =
                t.add("ITEM_DEFINED_TRANSFORMATION", ["".into(), "".into(), self.origin.into(), self.origin.into()]);
            let (from, to) = (part.representation.into(), root.representation.into());
            let relation = t.add_complex(&[
                ("REPRESENTATION_RELATIONSHIP", &["".into(), "".into(), from, to]),
                ("REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION", &[stay.into()]),
                ("SHAPE_REPRESENTATION_RELATIONSHIP", &[]),
            ]);
            t.add("CONTEXT_DEPENDENT_SHAPE_REPRESENTATION", [relation.into(), placed.into()]);
        }
    }

    fn product(&self, t: &mut Table, name: &str, description: &str) -> Product {
        let contexts = vec![self.product_context].into();
        let product = t.add("PRODUCT", [name.into(), name.into(), description.into(), contexts]);
        t.add("PRODUCT_RELATED_PRODUCT_CATEGORY", ["part".into(), Value::Omitted, vec![product].into()]);
        let formation = t.add("PRODUCT_DEFINITION_FORMATION", ["".into(), "".into(), product.into()]);
        let context = self.definition_context.into();
        let definition = t.add("PRODUCT_DEFINITION", ["design".into(), "".into(), formation.into(), context]);
        let shape = t.add("PRODUCT_DEFINITION_SHAPE", ["".into(), "".into(), definition.into()]);
        let items = vec![self.origin].into();
        let representation = t.add("SHAPE_REPRESENTATION", [name.into(), items, self.geometry.into()]);
        t.add("SHAPE_DEFINITION_REPRESENTATION", [shape.into(), representation.into()]);
        Product { name: name.into(), definition, representation }
    }
}

/// Millimetres, radians, and how closely geometry meets.
fn geometry_context(t: &mut Table) -> Id {
    let length = t.add_complex(&[
        ("LENGTH_UNIT", &[]),
        ("NAMED_UNIT", &[Value::Derived]),
        ("SI_UNIT", &[Value::Word("MILLI"), Value::Word("METRE")]),
    ]);
    let angle = t.add_complex(&[
        ("NAMED_UNIT", &[Value::Derived]),
        ("PLANE_ANGLE_UNIT", &[]),
        ("SI_UNIT", &[Value::Omitted, Value::Word("RADIAN")]),
    ]);
    let solid_angle = t.add_complex(&[
        ("NAMED_UNIT", &[Value::Derived]),
        ("SI_UNIT", &[Value::Omitted, Value::Word("STERADIAN")]),
        ("SOLID_ANGLE_UNIT", &[]),
    ]);
    let uncertainty = t.add(
        "UNCERTAINTY_MEASURE_WITH_UNIT",
        [
            Value::Typed("LENGTH_MEASURE", Box::new(CONFUSION.into())),
            length.into(),
            "distance_accuracy_value".into(),
            "how closely geometry meets".into(),
        ],
    );
    t.add_complex(&[
        ("GEOMETRIC_REPRESENTATION_CONTEXT", &[3.into()]),
        ("GLOBAL_UNCERTAINTY_ASSIGNED_CONTEXT", &[vec![uncertainty].into()]),
        ("GLOBAL_UNIT_ASSIGNED_CONTEXT", &[vec![length, angle, solid_angle].into()]),
        ("REPRESENTATION_CONTEXT", &["".into(), "".into()]),
    ])
}
