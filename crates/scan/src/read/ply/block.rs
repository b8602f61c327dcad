//! The common binary layouts, decoded from blocks of bytes: vertices of fixed size with `float` or
//! `double` coordinates, faces with one list of corners counted by a byte.

use rayon::prelude::*;
use stringline_core::{Point3, Vec3};

use super::super::error::Problem;
use super::super::source::{BLOCK, Source};
use super::super::{ReadSettings, within_limit};
use super::header::{Element, Encoding, Kind, Scalar};
use super::{Content, cut_short};

/// The fewest records of a block that are worth handing to another core.
const SHARE: usize = 4096;

/// Where in a vertex record the numbers are.
pub(super) struct VertexLayout {
    size: usize,
    position: [Number; 3],
    normal: Option<[Number; 3]>,
}

#[derive(Clone, Copy)]
struct Number {
    at: usize,
    double: bool,
}

impl VertexLayout {
    /// The layout of an element, where it is a common one.
    pub(super) fn of(element: &Element, with_normals: bool) -> Option<Self> {
        let size = usize::try_from(element.fixed_size()?).ok()?;
        let find = |name: &str| {
            let mut at = 0;
            for property in &element.properties {
                let Kind::Scalar(scalar) = property.kind else {
                    return None;
                };
                if property.name == name {
                    let double = match scalar {
                        Scalar::F32 => false,
                        Scalar::F64 => true,
                        _ => return None,
                    };
                    return Some(Number { at, double });
                }
                at += scalar.size() as usize;
            }
            None
        };
        let normal = match with_normals {
            true => Some([find("nx")?, find("ny")?, find("nz")?]),
            false => None,
        };
        (size <= BLOCK).then_some(Self { size, position: [find("x")?, find("y")?, find("z")?], normal })
    }
}

/// Decodes the vertices of the element.
pub(super) fn vertices(
    source: &mut Source<'_>,
    element: &Element,
    layout: &VertexLayout,
    encoding: Encoding,
    content: &mut Content,
) -> Result<(), Problem> {
    let floats = layout.position.map(|n| (n.at, n.double));
    let mut left = element.count;
    while left > 0 {
        let block = source.fill(BLOCK / layout.size * layout.size)?;
        let records = (block.len() / layout.size).min(usize::try_from(left).unwrap_or(usize::MAX));
        if records == 0 {
            return Err(cut_short(element, element.count - left));
        }
        let block = &block[..records * layout.size];
        let each = block.par_chunks_exact(layout.size).with_min_len(SHARE);
        match (encoding, floats, layout.normal) {
            // By far the most frequent layouts get loops without a choice inside.
            (Encoding::LittleEndian, [(0, false), (4, false), (8, false)], None) => {
                content.points.par_extend(each.map(|record| {
                    let (floats, _) = record.as_chunks::<4>();
                    Point3::from([0, 1, 2].map(|k| f64::from(f32::from_le_bytes(floats[k]))))
                }));
            }
            (Encoding::LittleEndian, [(0, true), (8, true), (16, true)], None) => {
                content.points.par_extend(each.map(|record| {
                    let (doubles, _) = record.as_chunks::<8>();
                    Point3::from([0, 1, 2].map(|k| f64::from_le_bytes(doubles[k])))
                }));
            }
            _ => {
                for record in block.chunks_exact(layout.size) {
                    let read = |numbers: [Number; 3]| numbers.map(|n| float(record, n, encoding));
                    content.points.push(Point3::from(read(layout.position)));
                    if let Some(normal) = layout.normal {
                        content.normals.push(Vec3::from(read(normal)));
                    }
                }
            }
        }
        let used = block.len();
        source.advance(used);
        left -= records as u64;
    }
    Ok(())
}

fn float(record: &[u8], number: Number, encoding: Encoding) -> f64 {
    let rest = &record[number.at..];
    let little = encoding == Encoding::LittleEndian;
    if number.double {
        let bytes = rest.first_chunk().copied().unwrap_or_default();
        if little { f64::from_le_bytes(bytes) } else { f64::from_be_bytes(bytes) }
    } else {
        let bytes = rest.first_chunk().copied().unwrap_or_default();
        f64::from(if little { f32::from_le_bytes(bytes) } else { f32::from_be_bytes(bytes) })
    }
}

/// A face record: fixed bytes, the list of corners, fixed bytes.
pub(super) struct FaceLayout {
    before: usize,
    after: usize,
    signed: bool,
}

impl FaceLayout {
    /// The layout of an element, where it is a common one.
    pub(super) fn of(element: &Element) -> Option<Self> {
        let corners = element.corners()?;
        let fixed = |properties: &[super::header::Property]| {
            properties.iter().try_fold(0, |sum, p| match p.kind {
                Kind::Scalar(scalar) => Some(sum + scalar.size() as usize),
                Kind::List { .. } => None,
            })
        };
        let signed = match element.properties[corners].kind {
            Kind::List { count: Scalar::U8, item: Scalar::I32 } => true,
            Kind::List { count: Scalar::U8, item: Scalar::U32 } => false,
            _ => return None,
        };
        let layout = Self {
            before: fixed(&element.properties[..corners])?,
            after: fixed(&element.properties[corners + 1..])?,
            signed,
        };
        (layout.before + layout.after < BLOCK / 4).then_some(layout)
    }
}

/// Decodes the faces of the element.
pub(super) fn faces(
    source: &mut Source<'_>,
    element: &Element,
    layout: &FaceLayout,
    encoding: Encoding,
    content: &mut Content,
    settings: &ReadSettings,
) -> Result<(), Problem> {
    let (fixed, before) = (layout.before + 1 + layout.after, layout.before);
    let little = encoding == Encoding::LittleEndian;
    let index = |bytes: [u8; 4]| {
        let bits = if little { u32::from_le_bytes(bytes) } else { u32::from_be_bytes(bytes) };
        if layout.signed { i64::from(bits as i32) } else { i64::from(bits) }
    };
    // Range is checked by the validator, in one pass over all; a negative index becomes one that
    // no mesh has.
    let triangle = |list: &[u8]| -> [u32; 3] {
        let (list, _) = list.as_chunks();
        [0, 1, 2].map(|k| index(list[k]).try_into().unwrap_or(u32::MAX))
    };
    let mut left = element.count;
    while left > 0 {
        let block = source.fill(BLOCK)?;
        let mut at = 0;
        // A block of nothing but triangles is decoded on all cores; any other record by record.
        let size = fixed + 12;
        let records = (block.len() / size).min(usize::try_from(left).unwrap_or(usize::MAX));
        let triangles = || block[..records * size].par_chunks_exact(size).with_min_len(SHARE);
        if triangles().all(|record| record[before] == 3) {
            let facets = triangles().map(|record| triangle(&record[before + 1..]));
            content.polygons.facets.par_extend(facets);
            at = records * size;
            left -= records as u64;
        }
        while left > 0 {
            let rest = &block[at..];
            let Some(&corners) = rest.get(before) else {
                break;
            };
            let size = fixed + 4 * usize::from(corners);
            let Some(record) = rest.get(..size) else {
                break;
            };
            let list = &record[before + 1..];
            if corners == 3 {
                content.polygons.facets.push(triangle(list));
            } else {
                let list = list.as_chunks().0[..usize::from(corners)].iter();
                let list = list.map(|bytes| index(*bytes));
                content.polygons.push(list, content.vertices_announced)?;
            }
            at += size;
            left -= 1;
        }
        if at == 0 {
            return Err(cut_short(element, element.count - left));
        }
        source.advance(at);
        within_limit(content.polygons.count(), "facets", settings)?;
    }
    Ok(())
}
