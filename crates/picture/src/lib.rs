//! Pictures of scans and features without a window: a shaded view of one or more
//! scans with call-outs standing at the features, as on a workshop drawing.
//!
//! The result is one self-contained SVG: the scans as an embedded PNG, everything
//! with a meaning (axes, leaders, text, hardpoints, scale bar) as vectors over it.
//!
//! ```
//! use stringline_core::Point3;
//! use stringline_picture::{Callout, FormSymbol, PictureSettings, ScanLayer, Scene, TextLine, View};
//! use stringline_scan::{Geometry, Mesh};
//!
//! let plate = Geometry::Mesh(Mesh {
//!     vertices: vec![
//!         Point3::new(0.0, 0.0, 0.0),
//!         Point3::new(60.0, 0.0, 0.0),
//!         Point3::new(60.0, 40.0, 0.0),
//!         Point3::new(0.0, 40.0, 0.0),
//!     ],
//!     facets: vec![[0, 1, 2], [0, 2, 3]],
//! });
//! let mut scene = Scene::new("Plate");
//! scene.layers.push(ScanLayer { painted: &[0], ..ScanLayer::new(&plate) });
//! scene.callouts.push(
//!     Callout::feature(Point3::new(20.0, 15.0, 0.0), "top face")
//!         .with(TextLine::form(FormSymbol::Flatness, "0.02")),
//! );
//! let svg = stringline_picture::render(
//!     &scene,
//!     &PictureSettings { view: View::Top, ..PictureSettings::default() },
//! );
//! assert!(svg.starts_with("<svg") && svg.contains("top face"));
//! ```
//!
//! The same scene and settings give the same bytes, on any number of cores.

mod chart;
mod colour;
mod extent;
mod gaps;
mod image;
mod labels;
mod legend;
mod map;
mod raster;
mod scene;
mod shade;
mod sheet;
mod symbols;
mod view;

pub use chart::{Chart, Curve, Line, render_charts};
pub use colour::Tint;
pub use gaps::{GapPicture, render_gaps};
pub use legend::Scale;
pub use map::{CellMap, Dimension, Outline, render_maps, render_section};
pub use scene::{Callout, Frame, Mark, PictureSettings, ScanLayer, Scene, Section, TextLine};
pub use sheet::render;
pub use symbols::FormSymbol;
pub use view::View;
