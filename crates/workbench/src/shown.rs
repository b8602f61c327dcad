//! What passes between the bench (the state of the work) and the scene (the 3-D view): the bench
//! says what to show, the scene says what the pointer does. Neither knows the other.

use std::sync::Arc;
use stringline_core::{Point3, RigidTransform, UnitVec3};
use stringline_scan::Scan;

/// Everything the scene draws. The bench makes it anew each frame; it is cheap (behind `Arc`s) and
/// the scene compares it with the last one to see what to upload.
#[derive(Clone, Debug, Default)]
pub struct Shown {
    /// The scans.
    pub scans: Vec<ShownScan>,
    /// Axes, circles, outlines of faces, points: drawn over the scans, thin.
    pub lines: Vec<ShownLine>,
    /// What lies on the positive side of this plane (a point of it and its normal, world) is cut away.
    pub section: Option<(Point3, UnitVec3)>,
    /// Light background or dark.
    pub dark: bool,
    /// Where the view is to go, when it is to move by itself; `turn` counts such wishes.
    pub look: Look,
}

/// One scan as it is shown.
#[derive(Clone, Debug)]
pub struct ShownScan {
    /// Another one for another surface: a coarse preview and the full scan have different numbers.
    pub id: u64,
    /// The surface.
    pub scan: Arc<Scan>,
    /// Where it stands: the car's frame where it is placed, otherwise its own.
    pub world_from_scan: RigidTransform,
    /// 0 hidden, 1 solid, in between faded.
    pub opacity: f32,
    /// Colours of its points. Compare by `Arc::ptr_eq`.
    pub tint: Arc<Tint>,
}

/// Colours over a scan's own.
#[derive(Clone, Debug, Default)]
pub struct Tint {
    /// Marked points, lowest layer first: of a point in several the last one shows.
    pub layers: Vec<Layer>,
    /// A value a point (NaN: none), shown on the scale up to `range`; empty for no map.
    pub values: Arc<[f32]>,
    /// mm.
    pub range: f32,
    /// What the values are.
    pub scale: Scale,
}

/// What values are, which decides their colours.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Scale {
    /// Signed: on the diverging scale from −`range` to `range`.
    #[default]
    Signed,
    /// Sizes: on the sequential scale from 0 to `range`.
    Magnitude,
}

/// Points that are marked alike. Compare by `Arc::ptr_eq`.
#[derive(Clone, Debug)]
pub struct Layer {
    /// Ids, ascending.
    pub points: Arc<[u32]>,
    /// Why they are coloured.
    pub mark: Mark,
}

/// Why a point is coloured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// Painted: marking blue.
    Painted,
    /// Under the brush, would be painted.
    Footprint,
    /// Under the brush, would be wiped.
    Wiping,
    /// Belongs to a feature that is not being painted.
    Feature,
    /// Belongs to the chosen feature.
    Chosen,
    /// Comes nearer to another body than is wanted.
    Near,
}

/// A line drawn in the world.
#[derive(Clone, Debug)]
pub struct ShownLine {
    /// Its corners, world, mm.
    pub points: Vec<Point3>,
    /// What it stands for, which decides its colour.
    pub mark: LineMark,
}

/// What a line stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineMark {
    /// Of the fit while it is being painted.
    Live,
    /// Of a feature.
    Feature,
    /// Of the chosen feature.
    Chosen,
    /// Of a hardpoint.
    Hardpoint,
    /// The car's axes x, y, z.
    Axis(u8),
    /// A measured distance.
    Measure,
    /// A member of the linkage of a variant, by the variant's number; the car as found is 0.
    Link(u8),
    /// The same beside the one in hand, fainter.
    Ghost,
    /// A light line that helps to read the linkage: wheel, steering axis, instant axis.
    Construction,
}

/// A wish for the view.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Look {
    /// One more for each new wish.
    pub turn: u64,
    /// What is wished.
    pub at: LookAt,
}

/// Where to look from.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum LookAt {
    /// Everything that is visible, from where the view is.
    #[default]
    Fit,
    /// Everything, from this direction (the view looks along it), with this direction up; world.
    Along(UnitVec3, UnitVec3),
    /// Square on to a face: this point in the middle, looking against this normal; world.
    SquareOn(Point3, UnitVec3),
    /// Orthographic instead of perspective.
    Parallel(bool),
}

/// What the pointer does on the scans; the scene says it, the bench acts on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pointer {
    /// It moved off every scan, or over a panel.
    Nowhere,
    /// It hovers over a point of a scan.
    Over(Touched),
    /// The main button went down here, with or without the wiping key (Shift).
    Press(Touched, bool),
    /// It is held and moved here.
    Drag(Touched, bool),
    /// It was let go.
    Release,
    /// The wheel turned with the brush key (Ctrl): steps, positive for wider.
    Wheel(f32),
}

/// A point of a scan under the pointer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Touched {
    /// Which of [`Shown::scans`].
    pub scan: usize,
    /// On its surface, in the scan's frame, mm.
    pub at: Point3,
    /// From the surface towards the eye, unit, in the scan's frame.
    pub seen_from: UnitVec3,
}

/// Maps world points to the screen, for what panels draw at the feature itself. Logical points of egui.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Eye {
    /// From world coordinates (mm, homogeneous) to clip space, row by row.
    pub clip_from_world: [[f64; 4]; 4],
    /// Left, top, width, height of the 3-D view on the screen.
    pub view: [f32; 4],
}

impl Eye {
    /// Where a world point appears; `None` behind the eye.
    pub fn to_screen(&self, p: &Point3) -> Option<[f32; 2]> {
        let row = |r: usize| {
            let m = &self.clip_from_world[r];
            m[0] * p.x + m[1] * p.y + m[2] * p.z + m[3]
        };
        let (x, y, w) = (row(0), row(1), row(3));
        let [left, top, width, height] = self.view;
        (w > 1e-9).then(|| {
            let (x, y) = ((x / w) as f32, (y / w) as f32);
            [left + (x + 1.0) * 0.5 * width, top + (1.0 - y) * 0.5 * height]
        })
    }
}
