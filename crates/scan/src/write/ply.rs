//! Binary little-endian PLY of a mesh, or of a cloud with its normals.

use std::io::{BufWriter, Write};

use super::WriteError;
use crate::Geometry;

/// How coordinates are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Precision {
    /// `float`, 24 bits: 0.06 µm at 1 m.
    Single,
    /// `double`: nothing is lost.
    Double,
}

/// Writes a scan as binary little-endian PLY: `x y z`, a cloud's normals as `nx ny nz`,
/// a mesh's facets as `list uchar uint vertex_indices`.
///
/// # Errors
/// [`WriteError::TooMany`] when a mesh has more vertices than its indices can name,
/// [`WriteError::Io`] when the destination refuses.
pub fn ply(geometry: &Geometry, precision: Precision, out: &mut dyn Write) -> Result<(), WriteError> {
    write(geometry, precision, None, out)
}

/// As [`ply`], with a colour for every point as `red green blue` (sRGB, `uchar`), in the order of
/// [`Geometry::points`].
///
/// # Errors
/// As [`ply`]; [`WriteError::Colours`] when there are more or fewer colours than points.
pub fn ply_coloured(
    geometry: &Geometry,
    precision: Precision,
    colours: &[[u8; 3]],
    out: &mut dyn Write,
) -> Result<(), WriteError> {
    let points = geometry.points().len();
    if colours.len() != points {
        return Err(WriteError::Colours { colours: colours.len(), points });
    }
    write(geometry, precision, Some(colours), out)
}

fn write(
    geometry: &Geometry,
    precision: Precision,
    colours: Option<&[[u8; 3]]>,
    out: &mut dyn Write,
) -> Result<(), WriteError> {
    let points = geometry.points();
    let (normals, facets) = match geometry {
        Geometry::Cloud(cloud) => (cloud.normals.as_slice(), None),
        Geometry::Mesh(mesh) => (&[][..], Some(&mesh.facets)),
    };
    if facets.is_some() && u32::try_from(points.len()).is_err() {
        return Err(WriteError::TooMany { format: "PLY", what: "vertices", count: points.len() });
    }
    let mut out = BufWriter::with_capacity(1 << 16, out);
    let scalar = match precision {
        Precision::Single => "float",
        Precision::Double => "double",
    };
    write!(
        out,
        "ply\nformat binary_little_endian 1.0\ncomment lengths in millimetres\n\
         element vertex {}\n",
        points.len()
    )?;
    let with_normals = normals.len() == points.len() && !normals.is_empty();
    let names: &[&str] = if with_normals { &["x", "y", "z", "nx", "ny", "nz"] } else { &["x", "y", "z"] };
    for name in names {
        writeln!(out, "property {scalar} {name}")?;
    }
    if colours.is_some() {
        out.write_all(b"property uchar red\nproperty uchar green\nproperty uchar blue\n")?;
    }
    if let Some(facets) = facets {
        writeln!(out, "element face {}\nproperty list uchar uint vertex_indices", facets.len())?;
    }
    out.write_all(b"end_header\n")?;

    let number = |out: &mut dyn Write, value: f64| match precision {
        Precision::Single => out.write_all(&(value as f32).to_le_bytes()),
        Precision::Double => out.write_all(&value.to_le_bytes()),
    };
    let mut normals = normals.iter();
    let mut colours = colours.into_iter().flatten();
    for point in points {
        for value in point.iter() {
            number(&mut out, *value)?;
        }
        if with_normals && let Some(normal) = normals.next() {
            for value in normal.iter() {
                number(&mut out, *value)?;
            }
        }
        if let Some(colour) = colours.next() {
            out.write_all(colour)?;
        }
    }
    for facet in facets.into_iter().flatten() {
        let mut record = [3_u8; 13];
        for (slot, index) in record[1..].chunks_exact_mut(4).zip(facet) {
            slot.copy_from_slice(&index.to_le_bytes());
        }
        out.write_all(&record)?;
    }
    out.flush()?;
    Ok(())
}
