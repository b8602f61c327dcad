//! Writers: geometry to bytes. They never open a file.
//!
//! Coordinates are written as they are, in millimetres.

mod ply;
mod stl;
mod xyz;

use std::borrow::Cow;
use std::io;

use stringline_core::Explain;

pub use ply::{Precision, ply, ply_coloured};
pub use stl::stl;
pub use xyz::xyz;

/// Why a scan could not be written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteError {
    /// The destination refused the bytes: a full disk, a closed pipe, no permission.
    #[error("writing the scan failed: {source}")]
    Io {
        /// What the destination said.
        #[from]
        source: io::Error,
    },
    /// The format counts its elements in 32 bits and there are more.
    #[error("{count} {what} are more than a {format} file can count (4294967295)")]
    TooMany {
        /// The format's name.
        format: &'static str,
        /// "facets", for instance.
        what: &'static str,
        /// How many there are.
        count: usize,
    },
    /// Not one colour a point.
    #[error("there are {colours} colours for {points} points")]
    Colours {
        /// How many colours were given.
        colours: usize,
        /// How many points the scan has.
        points: usize,
    },
}

impl Explain for WriteError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            WriteError::Io { .. } => {
                "Check that the folder exists, that you may write there and that the disk has room."
            }
            WriteError::Colours { .. } => "Colour the scan that the map was made of.",
            WriteError::TooMany { .. } => "Write the scan in several parts.",
        }
        .into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Cloud, Geometry, Mesh};
    use stringline_core::{Point3, Vec3};

    fn triangle() -> Mesh {
        Mesh {
            vertices: vec![Point3::new(0.0, 0.0, 0.0), Point3::new(2.0, 0.0, 0.0), Point3::new(0.0, 3.0, 0.5)],
            facets: vec![[0, 1, 2]],
        }
    }

    #[test]
    fn binary_stl_has_the_published_layout() {
        let mut bytes = Vec::new();
        stl(&triangle(), &mut bytes).unwrap();
        // 80-byte header, a count, 50 bytes a facet: 12 floats and an attribute.
        assert_eq!(bytes.len(), 84 + 50);
        assert_eq!(&bytes[80..84], &1_u32.to_le_bytes());
        assert!(!bytes.starts_with(b"solid"));
        assert_eq!(&bytes[108..112], &2.0_f32.to_le_bytes());
    }

    #[test]
    fn ply_says_what_it_holds() {
        let mut bytes = Vec::new();
        ply(&Geometry::Mesh(triangle()), Precision::Double, &mut bytes).unwrap();
        let header = String::from_utf8_lossy(&bytes);
        assert!(header.starts_with("ply\nformat binary_little_endian 1.0\n"));
        assert!(header.contains("element vertex 3\nproperty double x\n"));
        let end = bytes.windows(11).position(|w| w == b"end_header\n").unwrap() + 11;
        assert_eq!(bytes.len() - end, 3 * 24 + 13);
    }

    #[test]
    fn colours_follow_each_point() {
        let mut bytes = Vec::new();
        let mesh = Geometry::Mesh(triangle());
        let colours = [[1, 2, 3], [4, 5, 6], [7, 8, 9]];
        ply_coloured(&mesh, Precision::Single, &colours, &mut bytes).unwrap();
        let header = String::from_utf8_lossy(&bytes);
        assert!(
            header.contains(
                "property float z\nproperty uchar red\nproperty uchar green\nproperty uchar blue\nelement face"
            )
        );
        let end = bytes.windows(11).position(|w| w == b"end_header\n").unwrap() + 11;
        assert_eq!(bytes.len() - end, 3 * 15 + 13);
        assert_eq!(bytes[end + 12..end + 15], [1, 2, 3]);
        let error = ply_coloured(&mesh, Precision::Single, &colours[1..], &mut bytes).unwrap_err();
        assert!(error.to_string().contains("2 colours for 3 points") && error.next_step().ends_with('.'));
    }

    #[test]
    fn xyz_text_keeps_every_digit() {
        let p = Point3::new(1_000_000.000_001, -0.1, 1.0 / 3.0);
        let cloud = Geometry::Cloud(Cloud { points: vec![p], normals: vec![Vec3::new(0.0, 0.6, 0.8)] });
        let mut bytes = Vec::new();
        xyz(&cloud, &mut bytes).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        let numbers: Vec<f64> = text.split_whitespace().map(|t| t.parse().unwrap()).collect();
        assert_eq!(numbers, [p.x, p.y, p.z, 0.0, 0.6, 0.8]);
    }
}
