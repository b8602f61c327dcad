//! Text points: `x y z`, or `x y z nx ny nz` where there are normals, one a line.

use std::io::{BufWriter, Write};

use super::WriteError;
use crate::Geometry;

/// Writes the points of a scan (a mesh's vertices) as text; every digit of the `f64` is kept.
///
/// # Errors
/// [`WriteError::Io`] when the destination refuses.
pub fn xyz(geometry: &Geometry, out: &mut dyn Write) -> Result<(), WriteError> {
    let normals = match geometry {
        Geometry::Cloud(cloud) if cloud.normals.len() == cloud.points.len() => &cloud.normals[..],
        _ => &[],
    };
    let mut out = BufWriter::with_capacity(1 << 16, out);
    let mut normals = normals.iter();
    for p in geometry.points() {
        // Rust prints the shortest decimal that reads back to the same number.
        write!(out, "{} {} {}", p.x, p.y, p.z)?;
        if let Some(n) = normals.next() {
            write!(out, " {} {} {}", n.x, n.y, n.z)?;
        }
        out.write_all(b"\n")?;
    }
    out.flush()?;
    Ok(())
}
