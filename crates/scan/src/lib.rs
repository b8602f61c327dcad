//! Scans: reading and writing them, indexing them, painting patches on them.
//!
//! Readers take bytes; this crate never opens a file.

pub mod brush;
mod facets;
pub mod foot;
pub mod geometry;
pub mod index;
mod neighbourhoods;
pub mod normals;
pub mod order;
pub mod pick;
pub mod pieces;
mod ray;
pub mod read;
mod rings;
pub mod runs;
pub mod scan;
pub mod survey;
mod weld;
pub mod write;

pub use brush::{Dab, PaintError, Patch};
pub use foot::{Foot, Sideless};
pub use geometry::{Cloud, Geometry, Mesh};
pub use pick::Hit;
pub use pieces::{Coarse, Piece};
pub use scan::{Sample, Scan};
pub use stringline_core::{Point3, UnitVec3, Vec3};
pub use survey::{Edges, Survey};
