//! Binary STL: an 80-byte header, a count, then 50 bytes a facet (normal, three corners, attribute).

use std::io::{BufWriter, Write};

use super::WriteError;
use crate::Mesh;

/// Writes a mesh as binary STL; coordinates are rounded to `f32`, as the format demands.
///
/// # Errors
/// [`WriteError::TooMany`] beyond 4294967295 facets, [`WriteError::Io`] when the destination refuses.
pub fn stl(mesh: &Mesh, out: &mut dyn Write) -> Result<(), WriteError> {
    let count = u32::try_from(mesh.facets.len()).map_err(|_too_large| WriteError::TooMany {
        format: "STL",
        what: "facets",
        count: mesh.facets.len(),
    })?;
    let mut out = BufWriter::with_capacity(1 << 16, out);
    // A header that begins with "solid" would be taken for text by many programs.
    let mut header = [b' '; 80];
    let title = b"binary STL, millimetres";
    header[..title.len()].copy_from_slice(title);
    out.write_all(&header)?;
    out.write_all(&count.to_le_bytes())?;
    for facet in 0..count {
        let normal = mesh.area_vector(facet);
        let normal = normal.try_normalize(0.0).unwrap_or_default();
        let mut record = [0_u8; 50];
        let corners = mesh.corners(facet);
        let numbers = normal.iter().chain(corners.iter().flat_map(|p| p.iter()));
        for (slot, number) in record.chunks_exact_mut(4).zip(numbers) {
            slot.copy_from_slice(&(*number as f32).to_le_bytes());
        }
        out.write_all(&record)?;
    }
    out.flush()?;
    Ok(())
}
