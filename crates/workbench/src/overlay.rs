//! One scan laid over another, looked into: the gap under the pointer, where it is smallest and largest, how many gaps are
//! how large, both outlines in a section, and the map as a file.

use crate::bench::Workbench;
use crate::files;
use crate::keys::Command;
use crate::shown::{LineMark, LookAt, ShownLine, Touched};
use crate::state::{Page, Purpose, State, Stop};
use crate::words::Trouble;
use crate::work::Done;
use nalgebra::Point2;
use std::path::PathBuf;
use std::sync::Arc;
use stringline_clearance::{Bar, Gap, Plane};
use stringline_core::covariance::rounded;
use stringline_core::{Explain, Point3, UnitVec3, Vec3};
use stringline_job::{Overlay, OverlaySection, Probe, io_next_step, replace_result};
use stringline_picture::{GapPicture, render_gaps};

/// Bars of the histogram.
const BARS: usize = 12;
/// Half the size of the cross at the probed place, mm.
const CROSS: f64 = 4.0;
/// So many places of both outlines are drawn in the view at most.
const DRAWN: usize = 3000;
/// A probed place this near to the plane of a section has its gap told there, mm.
const IN_PLANE: f64 = 0.01;

/// A gap map with what is told of it.
pub(crate) struct Overlaid {
    pub(crate) overlay: Overlay,
    /// From the smallest gap to the largest.
    pub(crate) bars: Vec<Bar>,
    /// The middle of the measured scan's box in the car, mm.
    pub(crate) middle: Point3,
}

impl Overlaid {
    pub(crate) fn new(overlay: Overlay) -> Overlaid {
        let of = &overlay.of;
        let places = || of.scan.scan.points().iter().map(|p| of.car_from_scan * p);
        let first = places().next().unwrap_or_default();
        let (low, high) = places().fold((first, first), |(low, high), p| (low.inf(&p), high.sup(&p)));
        Overlaid { bars: overlay.map.bars(BARS), middle: nalgebra::center(&low, &high), overlay }
    }
}

/// What is looked at of the gap map.
#[derive(Default)]
pub(crate) struct Looking {
    /// The probed place that stays, on the measured scan, in the car.
    pub(crate) pinned: Option<Point3>,
    /// How both are to be cut open.
    pub(crate) cut: Option<Cut>,
    pub(crate) section: Option<Arc<Sectioned>>,
    /// The task that cuts.
    pub(crate) task: Option<u64>,
}

/// A plane to cut in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Cut {
    pub(crate) across: Across,
    /// Where on that axis of the car, mm.
    pub(crate) at: f64,
}

/// What a section is square to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Across {
    X,
    Y,
    Z,
    /// Upright, and along the gap at the probed place.
    Gap,
}

impl Across {
    pub(crate) const ALL: [Across; 4] = [Across::X, Across::Y, Across::Z, Across::Gap];

    /// What it is called, how it is seen, and what for.
    pub(crate) fn words(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Across::X => (
                "across x",
                "seen from the front: the car's left to the right",
                "A plane square to x (forward): both outlines as from the front.",
            ),
            Across::Y => (
                "across y",
                "seen from the left: the rear to the right",
                "A plane square to y (left): both outlines as from the car's left.",
            ),
            Across::Z => (
                "across z",
                "seen from above: the car's right to the right",
                "A level plane, square to z (up): both outlines as from above.",
            ),
            Across::Gap => (
                "along the gap",
                "upright, along the gap at the probed place",
                "The upright plane in which the gap at the probed place lies: it shows that gap in its true length.",
            ),
        }
    }

    /// The axes of the drawing, to the right and up: name, and whether it runs against the axis of the car.
    pub(crate) fn axes(self) -> [(&'static str, bool); 2] {
        match self {
            Across::X => [("y left, mm", false), ("z up, mm", false)],
            Across::Y => [("x forward, mm", true), ("z up, mm", false)],
            Across::Z => [("y left, mm", true), ("x forward, mm", false)],
            Across::Gap => [("level, from the gap, mm", false), ("z up, mm", false)],
        }
    }

    /// What is to the right and what is up in it, of the car.
    fn in_plane(self) -> Option<[Vec3; 2]> {
        let (x, y, z) = (Vec3::x(), Vec3::y(), Vec3::z());
        match self {
            Across::X => Some([y, z]),
            Across::Y => Some([-x, z]),
            Across::Z => Some([-y, x]),
            Across::Gap => None,
        }
    }

    /// Which coordinate tells where it is.
    pub(crate) fn axis(self) -> Option<usize> {
        match self {
            Across::X => Some(0),
            Across::Y => Some(1),
            Across::Z => Some(2),
            Across::Gap => None,
        }
    }
}

/// Both outlines, with what is measured out in them.
pub(crate) struct Sectioned {
    pub(crate) cut: Cut,
    pub(crate) section: OverlaySection,
    /// The gap at the probed place where it lies in the plane: from and to, and its words.
    pub(crate) probed: Option<([Point2<f64>; 2], String)>,
    /// Names of the scans.
    pub(crate) names: [String; 2],
    /// In the view, by the number of the scan.
    lines: Vec<(u8, Vec<Point3>)>,
}

/// What a person wants done.
#[derive(Clone, Debug)]
pub(crate) enum Act {
    /// Takes the view to a place of the map, the smallest gap or the largest.
    Show(Gap),
    /// The probed place stays no more.
    Unpin,
    Cut(Cut),
    /// Cuts through the probed place.
    Through(Across),
    NoCut,
}

/// The overlay whose colours are shown.
pub(crate) fn shown(state: &State) -> Option<&Arc<Overlaid>> {
    state.map.as_ref()?.overlaid.as_ref()
}

/// The gap under the pointer, else at the place that stays.
pub(crate) fn probe(state: &State) -> Option<Probe> {
    let overlay = &shown(state)?.overlay;
    let under = state.under.as_ref().and_then(|(scan, touched)| place(overlay, scan.as_str(), touched));
    under.or(state.looking.pinned).map(|at| overlay.probe(&at))
}

/// The place of the measured scan at the pointer: under it, or nearest to what is under it on the other scan.
fn place(overlay: &Overlay, scan: &str, touched: &Touched) -> Option<Point3> {
    if overlay.of.name.as_str() == scan {
        return Some(overlay.of.car_from_scan * touched.at);
    }
    if overlay.against.name.as_str() != scan {
        return None;
    }
    let there = overlay.of.car_from_scan.inverse() * (overlay.against.car_from_scan * touched.at);
    let foot = overlay.of.scan.scan.foot(&there, overlay.limit)?;
    Some(overlay.of.car_from_scan * foot.at)
}

/// A probed gap in words: its size, then what there is to say of it.
pub(crate) fn probe_words(overlay: &Overlay, probe: &Probe) -> (String, String) {
    let other = &overlay.against.name;
    match (&probe.found, probe.no_sign) {
        (None, _) => (format!("more than {} mm", overlay.limit), format!("{other} is farther away than is looked for")),
        (Some((_, gap)), Some(why)) => {
            (format!("{} mm", rounded(*gap, 0.015)), format!("no sign, counts as plus: {}", why.words()))
        }
        (Some((_, gap)), None) => {
            let side = if *gap < 0.0 { "within" } else { "outside" };
            (gap_text(*gap), format!("{side} {other}"))
        }
    }
}

/// A signed gap with its unit.
pub(crate) fn gap_text(gap: f64) -> String {
    let text = rounded(gap, 0.015).replace('-', "−");
    if gap > 0.0 { format!("+{text} mm") } else { format!("{text} mm") }
}

impl Workbench {
    pub(crate) fn overlay_act(&mut self, act: Act) {
        match act {
            Act::Show(gap) => self.show_gap(&gap),
            Act::Unpin => self.state.looking.pinned = None,
            Act::Cut(cut) => self.cut_overlay(cut),
            Act::Through(across) => self.cut_through(across),
            Act::NoCut => {
                let looking = &mut self.state.looking;
                (looking.cut, looking.section, looking.task) = (None, None, None);
            }
        }
    }

    /// Does a command of a gap map; whether it is one.
    pub(crate) fn overlay_command(&mut self, command: Command) -> bool {
        if command != Command::SectionLine {
            return false;
        }
        let Some(overlaid) = shown(&self.state).cloned() else {
            self.say("Show a gap map first: the section is of both its scans");
            return true;
        };
        let under = self.state.under.clone().and_then(|(scan, t)| place(&overlaid.overlay, scan.as_str(), &t));
        if let Some(at) = under {
            self.state.looking.pinned = Some(at);
        }
        let across = self.state.looking.cut.map_or(Across::X, |cut| cut.across);
        self.cut_through(across);
        true
    }

    /// A press of the pointer on a scan of the map: the probed place stays. Whether it was one.
    pub(crate) fn pin_at(&mut self, scan: &str, touched: &Touched) -> bool {
        if self.state.stop != Stop::Frame {
            return false;
        }
        let at = shown(&self.state).and_then(|overlaid| place(&overlaid.overlay, scan, touched));
        self.state.looking.pinned = at.or(self.state.looking.pinned);
        at.is_some()
    }

    fn show_gap(&mut self, gap: &Gap) {
        let Some(overlaid) = shown(&self.state).cloned() else { return };
        let overlay = &overlaid.overlay;
        let [at, foot] = overlay.ends(gap);
        let normal = overlay.of.scan.scan.normals().get(gap.point as usize).copied().unwrap_or_else(Vec3::zeros);
        let out = UnitVec3::try_new(overlay.of.car_from_scan.rotation * normal, 0.5);
        let facing = out.or_else(|| UnitVec3::try_new(foot - at, 1e-9)).unwrap_or_else(Vec3::z_axis);
        self.state.looking.pinned = Some(at);
        self.look(LookAt::SquareOn(at, facing));
    }

    fn cut_through(&mut self, across: Across) {
        let Some(at) = probe(&self.state).map(|probe| probe.at) else {
            self.say("Point at a place of the gap map, or click one, to cut through it");
            return;
        };
        self.state.looking.pinned = Some(at);
        let at = across.axis().map_or(0.0, |axis| at[axis]);
        self.cut_overlay(Cut { across, at });
    }

    fn cut_overlay(&mut self, cut: Cut) {
        self.state.looking.cut = Some(cut);
        self.state.drawer = Some(Page::Overlay);
        self.recut();
    }

    /// Cuts both scans of the map open, where that is asked for.
    fn recut(&mut self) {
        let (Some(overlaid), Some(cut)) = (shown(&self.state).cloned(), self.state.looking.cut) else { return };
        let pinned = self.state.looking.pinned;
        if let Some(task) = self.state.looking.task.and_then(|id| self.state.task(id)) {
            task.stop();
        }
        let words = format!("Cutting {}", overlaid.overlay.title());
        let id = self.begin(words, move |progress, _| {
            if !progress.at(0.0) {
                return Done::Quiet;
            }
            match sectioned(&overlaid.overlay, cut, pinned) {
                Some(sectioned) => Done::Sectioned(Arc::new(sectioned)),
                None => Done::Failed(Trouble::new(
                    "there is no probed place whose gap a section could run along",
                    "Click a place of the gap map that is not grey, or cut across an axis.",
                )),
            }
        });
        self.state.looking.task = Some(id);
    }

    pub(crate) fn sectioned(&mut self, task: Option<u64>, sectioned: Arc<Sectioned>) {
        if task == self.state.looking.task {
            self.state.looking.section = Some(sectioned);
            self.state.looking.task = None;
        }
    }

    /// The map is another, or none.
    pub(crate) fn overlay_changed(&mut self) {
        self.state.looking.section = None;
        let known = self.state.looking.pinned;
        // It lies on a surface that may be another now.
        self.state.looking.pinned = shown(&self.state).and(known);
        self.recut();
    }

    /// Writes the map that is shown, in the colours that are shown.
    pub(crate) fn write_map(&mut self, purpose: Purpose, path: PathBuf) {
        let Some((overlaid, full)) = self.state.map.as_ref().and_then(|map| Some((map.overlaid.clone()?, map.range)))
        else {
            self.say("There is no gap map to write");
            return;
        };
        let overlay = overlaid.overlay.title();
        self.begin(format!("Writing {overlay}"), move |_, _| {
            // As many digits as it was rounded to, not those of its binary form.
            let full = full.to_string().parse().unwrap_or(f64::from(full));
            let bytes = match purpose {
                Purpose::MapPly => overlaid.overlay.ply(full).map_err(|error| Trouble::of(&error as &dyn Explain)),
                _ => Ok(picture(&overlaid.overlay, full).into_bytes()),
            };
            let written = bytes.and_then(|bytes| {
                replace_result(&path, &bytes).map_err(|cause| {
                    Trouble::new(format!("cannot write {}: {cause}", path.display()), io_next_step(&cause, "write"))
                })
            });
            match written {
                Ok(()) => Done::Written(vec![path]),
                Err(trouble) => Done::Failed(trouble),
            }
        });
    }
}

/// The path that is proposed for a map: beside the job.
pub(crate) fn proposed(state: &State, ending: &str) -> Option<String> {
    let open = state.job.as_ref()?;
    let title = shown(state)?.overlay.title();
    let name = open.path.file_name()?.to_string_lossy().into_owned();
    Some(format!("{}.{title}.{ending}", files::stem(&name)))
}

fn picture(overlay: &Overlay, full: f64) -> String {
    render_gaps(&GapPicture {
        title: &overlay.title(),
        scan: &overlay.of.scan.scan,
        car_from_scan: &overlay.of.car_from_scan,
        gaps: &overlay.map.gaps,
        full,
        told: &overlay.extremes(),
    })
}

/// The plane of a cut; `None` along a gap where none is known.
fn plane(overlay: &Overlay, cut: Cut, pinned: Option<Point3>) -> Option<Plane> {
    if let Some([u, v]) = cut.across.in_plane() {
        return Some(Plane { point: Point3::from(u.cross(&v) * cut.at), u, v });
    }
    let probe = overlay.probe(&pinned?);
    let plane = Plane::upright(&probe.at, &probe.found?.0);
    // Heights are those of the car.
    Some(Plane { point: Point3::new(plane.point.x, plane.point.y, 0.0), ..plane })
}

fn sectioned(overlay: &Overlay, cut: Cut, pinned: Option<Point3>) -> Option<Sectioned> {
    let plane = plane(overlay, cut, pinned)?;
    let section = overlay.section(&plane);
    let probed = pinned.filter(|at| plane.normal().dot(&(at - plane.point)).abs() < IN_PLANE).and_then(|at| {
        let probe = overlay.probe(&at);
        let (foot, _) = probe.found?;
        Some(([plane.flat(&at), plane.flat(&foot)], probe_words(overlay, &probe).0))
    });
    let all: usize = section.outlines.iter().flatten().map(|outline| outline.places.len()).sum();
    let every = all.div_ceil(DRAWN).max(1);
    let lines = (0_u8..).zip(&section.outlines).flat_map(|(number, outlines)| {
        outlines.iter().map(move |outline| {
            let last = outline.chain().last();
            (number, outline.chain().step_by(every).chain(last).map(|place| plane.at(&place)).collect())
        })
    });
    let lines = lines.collect();
    let names = [&overlay.of, &overlay.against].map(|laying| laying.name.to_string());
    Some(Sectioned { cut, section, probed, names, lines })
}

/// The probed place with its gap, and the section, in the view.
pub(crate) fn lines(state: &State, lines: &mut Vec<ShownLine>) {
    let Some(overlaid) = shown(state) else { return };
    let mut add = |points: Vec<Point3>, mark| lines.push(ShownLine { points, mark });
    if let Some(at) = state.looking.pinned {
        for axis in [Vec3::x(), Vec3::y(), Vec3::z()] {
            add(vec![at - axis * CROSS, at + axis * CROSS], LineMark::Chosen);
        }
        if let Some((foot, _)) = overlaid.overlay.probe(&at).found {
            add(vec![at, foot], LineMark::Measure);
        }
    }
    if let Some(sectioned) = &state.looking.section {
        // In the colours of the drawing.
        for (number, points) in &sectioned.lines {
            add(points.clone(), LineMark::Link(*number));
        }
        if let Some(nearest) = sectioned.section.nearest.filter(|nearest| nearest.distance > 0.0) {
            let plane = &sectioned.section.plane;
            add(vec![plane.at(&nearest.on_a), plane.at(&nearest.on_b)], LineMark::Measure);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn planes_are_seen_against_their_axis_with_what_is_named_at_them() {
        let names = |axis: usize| ["x forward, mm", "y left, mm", "z up, mm"][axis];
        for across in [Across::X, Across::Y, Across::Z] {
            let [u, v] = across.in_plane().unwrap();
            let normal = u.cross(&v);
            assert_eq!((normal.norm(), Some(normal.imax())), (1.0, across.axis()));
            for ((name, against), along) in across.axes().into_iter().zip([u, v]) {
                assert_eq!((name, against), (names(along.iamax()), along.sum() < 0.0), "{across:?}");
            }
        }
        assert_eq!([gap_text(0.5204), gap_text(-0.5204)], ["+0.520 mm", "−0.520 mm"]);
    }
}
