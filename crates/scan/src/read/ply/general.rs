//! Every other binary layout, one record at a time through `ply-rs`.
//!
//! `ply-rs` grows its lists item by item, so a list whose length lies costs no more memory than
//! the file has bytes before it fails at the end of the file.

use std::io;

use ply_rs::parser::Parser;
use ply_rs::ply::{Addable, ElementDef, Property, PropertyAccess, PropertyDef, PropertyType, ScalarType};
use stringline_core::{Point3, Vec3};

use super::super::error::{Place, Problem};
use super::super::source::Source;
use super::super::{FileFormat, ReadSettings, within_limit};
use super::header::{Element, Encoding, Kind, Scalar};
use super::{Content, cut_short};

/// The numbers of a vertex that matter, in the order x y z nx ny nz.
struct Vertex([f64; 6]);

impl PropertyAccess for Vertex {
    fn new() -> Self {
        Self([0.0; 6])
    }

    fn set_property(&mut self, name: String, property: Property) {
        const NAMES: [&str; 6] = ["x", "y", "z", "nx", "ny", "nz"];
        if let Some(k) = NAMES.iter().position(|n| *n == name)
            && let Some(value) = number(&property)
        {
            self.0[k] = value;
        }
    }
}

/// The corners of a face.
struct Face(Vec<i64>);

impl PropertyAccess for Face {
    fn new() -> Self {
        Self(Vec::new())
    }

    fn set_property(&mut self, name: String, property: Property) {
        if name == "vertex_indices" || name == "vertex_index" {
            // A second list of the other name does not replace the first.
            if self.0.is_empty() {
                self.0 = list(property);
            }
        }
    }
}

/// A record of no interest.
struct Ignored;

impl PropertyAccess for Ignored {
    fn new() -> Self {
        Self
    }
}

fn number(property: &Property) -> Option<f64> {
    Some(match *property {
        Property::Char(v) => v.into(),
        Property::UChar(v) => v.into(),
        Property::Short(v) => v.into(),
        Property::UShort(v) => v.into(),
        Property::Int(v) => v.into(),
        Property::UInt(v) => v.into(),
        Property::Float(v) => v.into(),
        Property::Double(v) => v,
        _ => return None,
    })
}

/// The indices of a list; a fraction or a number beyond any index becomes −1.
fn list(property: Property) -> Vec<i64> {
    fn all<T: Into<i64>>(items: Vec<T>) -> Vec<i64> {
        items.into_iter().map(Into::into).collect()
    }
    let whole = |v: f64| {
        if v.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&v) { v as i64 } else { -1 }
    };
    match property {
        Property::ListChar(v) => all(v),
        Property::ListUChar(v) => all(v),
        Property::ListShort(v) => all(v),
        Property::ListUShort(v) => all(v),
        Property::ListInt(v) => all(v),
        Property::ListUInt(v) => all(v),
        Property::ListFloat(v) => v.into_iter().map(|v| whole(v.into())).collect(),
        Property::ListDouble(v) => v.into_iter().map(whole).collect(),
        _ => Vec::new(),
    }
}

fn definition(element: &Element) -> ElementDef {
    let scalar = |s: Scalar| match s {
        Scalar::I8 => ScalarType::Char,
        Scalar::U8 => ScalarType::UChar,
        Scalar::I16 => ScalarType::Short,
        Scalar::U16 => ScalarType::UShort,
        Scalar::I32 => ScalarType::Int,
        Scalar::U32 => ScalarType::UInt,
        Scalar::F32 => ScalarType::Float,
        Scalar::F64 => ScalarType::Double,
    };
    let mut definition = ElementDef::new(element.name.clone());
    for property in &element.properties {
        let kind = match property.kind {
            Kind::Scalar(s) => PropertyType::Scalar(scalar(s)),
            Kind::List { count, item } => PropertyType::List(scalar(count), scalar(item)),
        };
        definition.properties.add(PropertyDef::new(property.name.clone(), kind));
    }
    definition
}

/// Decodes every record of the element and hands it to `take`.
fn each<E: PropertyAccess>(
    source: &mut Source<'_>,
    element: &Element,
    encoding: Encoding,
    mut take: impl FnMut(E) -> Result<(), Problem>,
) -> Result<(), Problem> {
    let parser = Parser::<E>::new();
    let definition = definition(element);
    for index in 0..element.count {
        if source.remaining() == 0 {
            return Err(cut_short(element, index));
        }
        let record = match encoding {
            Encoding::BigEndian => parser.read_big_endian_element(source, &definition),
            _ => parser.read_little_endian_element(source, &definition),
        };
        take(record.map_err(|e| failed(element, index, e))?)?;
    }
    Ok(())
}

fn failed(element: &Element, index: u64, error: io::Error) -> Problem {
    match error.kind() {
        io::ErrorKind::UnexpectedEof => cut_short(element, index),
        // What ply-rs makes of the end of the file inside a list.
        io::ErrorKind::InvalidInput => Problem::Malformed {
            format: FileFormat::Ply,
            place: Place::Record { kind: element.name.clone(), index },
            problem: "a list longer than the file".into(),
        },
        _ => error.into(),
    }
}

pub(super) fn vertices(
    source: &mut Source<'_>,
    element: &Element,
    encoding: Encoding,
    with_normals: bool,
    content: &mut Content,
) -> Result<(), Problem> {
    each(source, element, encoding, |Vertex([x, y, z, nx, ny, nz])| {
        content.points.push(Point3::new(x, y, z));
        if with_normals {
            content.normals.push(Vec3::new(nx, ny, nz));
        }
        Ok(())
    })
}

pub(super) fn faces(
    source: &mut Source<'_>,
    element: &Element,
    encoding: Encoding,
    content: &mut Content,
    settings: &ReadSettings,
) -> Result<(), Problem> {
    each(source, element, encoding, |Face(corners)| {
        content.polygons.push(corners, content.vertices_announced)?;
        within_limit(content.polygons.count(), "facets", settings)
    })
}

pub(super) fn pass_over(source: &mut Source<'_>, element: &Element, encoding: Encoding) -> Result<(), Problem> {
    each(source, element, encoding, |Ignored| Ok(()))
}
