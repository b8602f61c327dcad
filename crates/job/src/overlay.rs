//! One scan of a job laid over another: its gaps, where one points at them, in sections and as a file.

use crate::name::Name;
use crate::scans::LoadedScan;
use std::sync::Arc;
use stringline_clearance::{
    FlatGap, Gap, GapError, GapMap, NoSign, Outline, Plane, gap_map, nearest_outlines, section,
};
use stringline_core::{Point3, RigidTransform};
use stringline_scan::Geometry;
use stringline_scan::write::{Precision, WriteError, ply_coloured};

/// A scan of an overlay, and where it stands.
#[derive(Clone)]
pub struct Laying {
    /// Its name.
    pub name: Name,
    /// What was scanned.
    pub scan: Arc<LoadedScan>,
    /// Where it stands in the car; of a scan that is not placed, where it is taken to stand.
    pub car_from_scan: RigidTransform,
}

/// One scan laid over another.
pub struct Overlay {
    /// The scan that is measured.
    pub of: Laying,
    /// The one it is measured against.
    pub against: Laying,
    /// How far off the other was looked for, mm.
    pub limit: f64,
    /// The gaps of all its points.
    pub map: GapMap,
}

/// The gap at one place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe {
    /// On the measured scan, car coordinates, mm.
    pub at: Point3,
    /// The nearest place on the other, and the gap in mm, negative within it; `None` where that is farther than the limit.
    pub found: Option<(Point3, f64)>,
    /// Why the gap has no sign and counts as positive.
    pub no_sign: Option<NoSign>,
}

/// Both outlines in a plane.
#[derive(Clone, Debug)]
pub struct OverlaySection {
    /// The plane, in the car.
    pub plane: Plane,
    /// Of the measured scan, then of the other; none of a cloud.
    pub outlines: [Vec<Outline>; 2],
    /// Where they come nearest in it.
    pub nearest: Option<FlatGap>,
}

impl Overlay {
    /// Measures the first against the second; `go_on` is told which share is done, and stops it with false.
    ///
    /// # Errors
    /// [`GapError`].
    pub fn new(
        of: Laying,
        against: Laying,
        limit: f64,
        go_on: impl Fn(f32) -> bool + Sync,
    ) -> Result<Overlay, GapError> {
        let against_from_of = against.car_from_scan.inverse() * of.car_from_scan;
        let map = gap_map(&of.scan.scan, &against.scan.scan, &against_from_of, limit, go_on)?;
        Ok(Overlay { of, against, limit, map })
    }

    /// Both names: "new arm over old arm".
    pub fn title(&self) -> String {
        format!("{} over {}", self.of.name, self.against.name)
    }

    /// A gap of the map where it is in the car: on the measured scan and on the other.
    pub fn ends(&self, gap: &Gap) -> [Point3; 2] {
        let on_of = self.of.scan.scan.points().get(gap.point as usize).copied().unwrap_or_default();
        [self.of.car_from_scan * on_of, self.against.car_from_scan * gap.foot]
    }

    /// The smallest and the largest gap, as far as there are any: where on the measured scan (car coordinates), which, mm.
    pub fn extremes(&self) -> Vec<(Point3, &'static str, f64)> {
        let both = [(&self.map.smallest, "smallest"), (&self.map.largest, "largest")];
        both.into_iter().filter_map(|(gap, words)| gap.as_ref().map(|g| (self.ends(g)[0], words, g.gap))).collect()
    }

    /// The gap at any place of the measured scan (car coordinates), by the same rule as the map's. What the other encloses is
    /// not asked again: where its surface runs through itself or is turned round, the nearest point of the map tells.
    pub fn probe(&self, at: &Point3) -> Probe {
        let p = self.against.car_from_scan.inverse() * at;
        let Some(foot) = self.against.scan.scan.foot(&p, self.limit) else {
            return Probe { at: *at, found: None, no_sign: None };
        };
        let nearest = self.of.scan.scan.nearest(&(self.of.car_from_scan.inverse() * at));
        let as_mapped = nearest
            .and_then(|point| self.map.why_no_sign(point))
            .filter(|why| matches!(why, NoSign::Facing | NoSign::Crossing));
        let (gap, no_sign) = match (foot.signed(&p), as_mapped) {
            (Ok(gap), None) => (gap, None),
            (Ok(_), Some(why)) => (foot.distance, Some(why)),
            (Err(sideless), _) => (foot.distance, Some(NoSign::of(sideless))),
        };
        Probe { at: *at, found: Some((self.against.car_from_scan * foot.at, gap)), no_sign }
    }

    /// Cuts both open.
    pub fn section(&self, plane: &Plane) -> OverlaySection {
        let outlines = [&self.of, &self.against].map(|laying| match laying.scan.scan.geometry() {
            Geometry::Mesh(mesh) => section(mesh, &plane.moved(&laying.car_from_scan.inverse())),
            Geometry::Cloud(_) => Vec::new(),
        });
        let nearest = nearest_outlines(&outlines[0], &outlines[1]);
        OverlaySection { plane: *plane, outlines, nearest }
    }

    /// The measured scan as a binary PLY in its own frame, each point in the colour of its gap, from that of −`full` (mm) to that
    /// of `full`.
    ///
    /// # Errors
    /// [`WriteError`].
    pub fn ply(&self, full: f64) -> Result<Vec<u8>, WriteError> {
        let mut bytes = Vec::new();
        ply_coloured(self.of.scan.scan.geometry(), Precision::Single, &self.map.colours(full), &mut bytes)?;
        Ok(bytes)
    }
}
