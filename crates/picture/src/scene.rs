//! What a picture shows and how.

use crate::{FormSymbol, Scale, Tint, View};
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_scan::{Geometry, Patch, Scan};

/// Everything in one picture. Positions are in the scene's frame, mm.
#[derive(Clone, Debug)]
pub struct Scene<'a> {
    /// The heading.
    pub title: String,
    /// A line at the foot, such as what the ± means; empty for none.
    pub note: String,
    /// What the scene's axes mean.
    pub frame: Frame,
    /// The scans, drawn together: nearer surfaces hide farther ones.
    pub layers: Vec<ScanLayer<'a>>,
    /// The read-outs; their order does not matter.
    pub callouts: Vec<Callout>,
    /// What the colours of layers with values mean.
    pub scale: Option<Scale>,
}

impl Scene<'_> {
    /// An empty scene in a scan's own frame.
    pub fn new(title: impl Into<String>) -> Self {
        Scene {
            title: title.into(),
            note: String::new(),
            frame: Frame::Scan,
            layers: Vec::new(),
            callouts: Vec::new(),
            scale: None,
        }
    }
}

/// What the axes of a scene mean.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Frame {
    /// The arbitrary frame a scanner left: axes are x, y and z, no more.
    Scan,
    /// ISO 8855 vehicle axes: x forward, y left, z up.
    Car,
}

/// One scan in a scene.
#[derive(Clone, Copy, Debug)]
pub struct ScanLayer<'a> {
    /// The scan, in its own frame.
    pub geometry: &'a Geometry,
    /// Where the scan stands in the scene.
    pub scene_from_scan: RigidTransform,
    /// Unit normals, one a point, in the scan's frame: outward for a mesh, of either sign for
    /// a cloud. Without them a mesh's are computed from its facets and a cloud's taken from the
    /// cloud; a cloud that has none is drawn flat, shaded by its relief alone.
    pub normals: Option<&'a [Vec3]>,
    /// The colour of unpainted surface.
    pub tint: Tint,
    /// Painted facets of a mesh or points of a cloud. Ids beyond the scan are ignored.
    pub painted: &'a [u32],
    /// Values from −1 to 1, one a point, to colour the surface by
    /// ([`stringline_core::colour::diverging`]); grey where one is no number. Say what they mean by [`Scene::scale`].
    pub values: Option<&'a [f32]>,
}

impl<'a> ScanLayer<'a> {
    /// An unpainted scan standing in its own frame.
    pub fn new(geometry: &'a Geometry) -> Self {
        ScanLayer {
            geometry,
            scene_from_scan: RigidTransform::identity(),
            normals: None,
            tint: Tint::default(),
            painted: &[],
            values: None,
        }
    }

    /// An unpainted scan standing in its own frame, with its normals.
    pub fn of(scan: &'a Scan) -> Self {
        ScanLayer { normals: Some(scan.normals()), ..ScanLayer::new(scan.geometry()) }
    }

    /// The same with a patch painted: of a mesh its facets, of a cloud its points.
    pub fn with_patch(mut self, patch: &'a Patch) -> Self {
        self.painted = match self.geometry {
            Geometry::Mesh(_) => &patch.facets,
            Geometry::Cloud(_) => &patch.points,
        };
        self
    }
}

/// A read-out standing at the thing it speaks of.
#[derive(Clone, Debug)]
pub struct Callout {
    /// Where the leader ends.
    pub anchor: Point3,
    /// Both ends of an axis to draw as a chain line.
    pub axis: Option<(Point3, Point3)>,
    /// How the anchor is drawn.
    pub mark: Mark,
    /// The heading, above the reference line.
    pub name: String,
    /// What stands under the reference line.
    pub lines: Vec<TextLine>,
}

impl Callout {
    /// A call-out at a feature.
    pub fn feature(anchor: Point3, name: impl Into<String>) -> Self {
        Callout { anchor, axis: None, mark: Mark::Feature, name: name.into(), lines: Vec::new() }
    }

    /// A call-out at a hardpoint.
    pub fn hardpoint(anchor: Point3, name: impl Into<String>) -> Self {
        Callout { mark: Mark::Hardpoint, ..Callout::feature(anchor, name) }
    }

    /// The same with an axis from one point to another.
    pub fn along(mut self, from: Point3, to: Point3) -> Self {
        self.axis = Some((from, to));
        self
    }

    /// The same with one more line of text.
    pub fn with(mut self, line: impl Into<TextLine>) -> Self {
        self.lines.push(line.into());
        self
    }
}

/// How a call-out's anchor is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// A dot: the leader ends on a surface or an axis. Hollow where the part hides it.
    Feature,
    /// A crossed circle.
    Hardpoint,
}

/// A line of a call-out: text, after a form symbol if it states a form error.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextLine {
    /// Drawn before the text.
    pub symbol: Option<FormSymbol>,
    /// The text. "Ø" and "±" are in every common font; rarer signs may not be.
    pub text: String,
}

impl TextLine {
    /// A form error: symbol, then value.
    pub fn form(symbol: FormSymbol, text: impl Into<String>) -> Self {
        TextLine { symbol: Some(symbol), text: text.into() }
    }
}

impl From<String> for TextLine {
    fn from(text: String) -> Self {
        TextLine { symbol: None, text }
    }
}

impl From<&str> for TextLine {
    fn from(text: &str) -> Self {
        text.to_owned().into()
    }
}

/// A cut: what lies on the normal's side of the plane is taken away.
#[derive(Clone, Copy, Debug)]
pub struct Section {
    /// On the cutting plane, mm.
    pub point: Point3,
    /// Towards what is removed; normally towards the viewer.
    pub normal: UnitVec3,
}

/// How a scene becomes a picture.
#[derive(Clone, Debug)]
pub struct PictureSettings {
    /// Where it is seen from. Default: isometric.
    pub view: View,
    /// Width, px of the SVG. Default 1280, at least 320.
    pub width: u32,
    /// Height, px of the SVG. Default 800, at least 240; a picture whose call-outs need
    /// more grows taller.
    pub height: u32,
    /// Pixels of the embedded raster to one of the SVG. Default 1.25.
    pub raster_scale: f64,
    /// Samples a raster pixel along each side. Default 2, at most 4.
    pub supersampling: u32,
    /// Size of the call-outs' text, px. Default 13.
    pub text_size: f64,
    /// Cut the scans open. Default `None`.
    pub section: Option<Section>,
}

impl Default for PictureSettings {
    fn default() -> Self {
        PictureSettings {
            view: View::Isometric,
            width: 1280,
            height: 800,
            raster_scale: 1.25,
            supersampling: 2,
            text_size: 13.0,
            section: None,
        }
    }
}
