//! PLY: text, and binary in either byte order; points, normals, and faces of any corner count.
//!
//! The header is parsed here, because what it announces must be checked against the file's real
//! size before anything is allocated, and because `ply-rs` panics on a count beyond 64 bits.
//! Three decoders share it:
//!
//! - [`block`]: the common binary layouts, decoded from blocks;
//! - [`general`]: every other binary layout, record by record through `ply-rs`;
//! - [`text`]: text, parsed as `f64` whatever type is declared (`ply-rs` rounds to the declared
//!   type and refuses `nan`, `.5` and `1E5`, which scanners write).

mod block;
mod general;
mod header;
mod text;

use stringline_core::{Point3, Vec3};

use super::error::Problem;
use super::polygons::Polygons;
use super::source::Source;
use super::{Draft, FileFormat, ReadSettings, Repairs, within_limit};
use crate::{Cloud, Geometry, Mesh};

use header::{Element, Encoding, Header};

/// What the decoders fill.
struct Content {
    points: Vec<Point3>,
    /// As many as points where the file has them and no faces.
    normals: Vec<Vec3>,
    polygons: Polygons,
    vertices_announced: u64,
}

/// Reads a PLY file from its start.
pub(super) fn read(source: &mut Source<'_>, settings: &ReadSettings) -> Result<Draft, Problem> {
    let header = header::parse(source)?;
    header.check_size(source.remaining())?;
    let mut notices = Vec::new();

    let (vertices, faces) = (header.element("vertex"), header.element("face"));
    let Some(vertices) = vertices else {
        return Err(header::malformed("no \u{201c}vertex\u{201d} element is declared"));
    };
    for axis in ["x", "y", "z"] {
        if vertices.scalar(axis).is_none() {
            return Err(header::malformed(format!("the vertices have no number named \u{201c}{axis}\u{201d}")));
        }
    }
    let face_count = faces.map_or(0, |f| f.count);
    if face_count > 0 && faces.is_some_and(|f| f.corners().is_none()) {
        return Err(header::malformed("the faces have no list named \u{201c}vertex_indices\u{201d}"));
    }
    within_limit(vertices.count, "points", settings)?;
    within_limit(face_count, "facets", settings)?;
    if face_count == 0 && header.element("tristrips").is_some_and(|t| t.count > 0) {
        notices.push("The file holds triangle strips, which are not read; only its points were.".into());
    }

    // The counts fit in the file, so these are bounded by its size.
    let with_normals = face_count == 0 && ["nx", "ny", "nz"].iter().all(|n| vertices.scalar(n).is_some());
    let mut content = Content {
        points: Vec::with_capacity(vertices.count as usize),
        normals: Vec::with_capacity(if with_normals { vertices.count as usize } else { 0 }),
        polygons: Polygons::with_capacity(face_count as usize),
        vertices_announced: vertices.count,
    };
    if header.encoding == Encoding::Text {
        text::decode(source, &header, with_normals, &mut content, settings, &mut notices)?;
    } else {
        decode_binary(source, &header, with_normals, &mut content, settings)?;
        if source.remaining() > 0 {
            notices.push(format!("{} bytes follow what the header announces; they were left out.", source.remaining()));
        }
    }

    let mut repairs = Repairs { points_in_file: content.points.len() as u64, ..Repairs::default() };
    let facets = content.polygons.finish(&mut repairs);
    let geometry = if face_count > 0 {
        Geometry::Mesh(Mesh { vertices: content.points, facets })
    } else {
        Geometry::Cloud(Cloud { points: content.points, normals: content.normals })
    };
    Ok(Draft { notices, ..Draft::new(geometry, repairs) })
}

fn decode_binary(
    source: &mut Source<'_>,
    header: &Header,
    with_normals: bool,
    content: &mut Content,
    settings: &ReadSettings,
) -> Result<(), Problem> {
    for element in &header.elements {
        match element.name.as_str() {
            "vertex" => {
                if let Some(layout) = block::VertexLayout::of(element, with_normals) {
                    block::vertices(source, element, &layout, header.encoding, content)?;
                } else {
                    general::vertices(source, element, header.encoding, with_normals, content)?;
                }
            }
            "face" => {
                if let Some(layout) = block::FaceLayout::of(element) {
                    block::faces(source, element, &layout, header.encoding, content, settings)?;
                } else {
                    general::faces(source, element, header.encoding, content, settings)?;
                }
            }
            _ => match element.fixed_size() {
                Some(size) => source.skip(size * element.count)?,
                None => general::pass_over(source, element, header.encoding)?,
            },
        }
    }
    Ok(())
}

/// The file ended inside an element although the sizes seemed to fit.
fn cut_short(element: &Element, index: u64) -> Problem {
    Problem::Malformed {
        format: FileFormat::Ply,
        place: super::Place::Record { kind: element.name.clone(), index },
        problem: format!("the file ends before the last of {} announced records,", element.count),
    }
}
