//! What the window knows: the job and what came of it, what is chosen, what is open. Panels read it
//! and never change it.

use crate::clearance::Clearance;
use crate::folders::Remembered;
use crate::geometry::Geometry;
use crate::live::Live;
use crate::overlay::Looking;
use crate::placing::Placing;
use crate::shown::{Look, Tint, Touched};
use crate::words::Trouble;
use crate::work::{Footprint, MapOf, Task, Values};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_hardpoints::{Role, Side};
use stringline_job::{FeatureResult, FitSpec, History, Job, LoadedScan, Name, Results, ScanFile};
use stringline_scan::{Dab, Scan};

/// Where on the route one is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Stop {
    Scans,
    Features,
    Frame,
    Geometry,
    Clearance,
    Cut,
}

/// The job that is open.
pub(crate) struct OpenedJob {
    pub(crate) path: PathBuf,
    /// It has no file of the user's choice yet.
    pub(crate) draft: bool,
    pub(crate) history: History,
    /// The revision that the file holds.
    pub(crate) saved: Option<u64>,
    /// It is being written to another file, and takes no steps meanwhile.
    pub(crate) moving: bool,
}

impl OpenedJob {
    /// Whether there is nothing that saving would add.
    pub(crate) fn is_saved(&self) -> bool {
        let job = self.history.job();
        self.saved == Some(job.revision()) && (!self.draft || job.scans.is_empty())
    }
}

/// A scan of the job as far as it is there.
pub(crate) struct ScanState {
    /// As the job had it when loading began.
    pub(crate) file: Arc<ScanFile>,
    /// Another one for another surface.
    pub(crate) id: u64,
    pub(crate) there: There,
    /// 0 hidden, 1 solid.
    pub(crate) opacity: f32,
}

/// How much of a scan is there.
pub(crate) enum There {
    /// Being loaded by this task.
    Loading(u64),
    /// Being loaded by this task, with something to see of it already.
    Coarse(u64, Arc<Scan>),
    Ready(Arc<LoadedScan>),
    /// Loading was stopped.
    Stopped,
    Failed(Trouble),
}

impl ScanState {
    pub(crate) fn ready(&self) -> Option<&Arc<LoadedScan>> {
        match &self.there {
            There::Ready(loaded) => Some(loaded),
            _ => None,
        }
    }

    /// What there is to see of it.
    pub(crate) fn surface(&self) -> Option<&Arc<Scan>> {
        match &self.there {
            There::Ready(loaded) => Some(&loaded.scan),
            There::Coarse(_, scan) => Some(scan),
            There::Loading(_) | There::Stopped | There::Failed(_) => None,
        }
    }
}

/// A stroke of the brush that is not over yet.
pub(crate) struct Stroke {
    pub(crate) feature: Name,
    /// It begins the feature.
    pub(crate) fresh: bool,
    pub(crate) scan: Name,
    pub(crate) dabs: Vec<Dab>,
}

/// Where the view is cut open.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Section {
    pub(crate) point: Point3,
    /// What lies on this side is cut away.
    pub(crate) normal: UnitVec3,
    /// Moved along the normal, mm.
    pub(crate) shift: f64,
}

/// What a path is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Purpose {
    Open,
    AddScan,
    SaveAs,
    Picture,
    /// The gap map as a coloured mesh.
    MapPly,
    /// The gap map as a picture.
    MapPicture,
    /// The drawn section of a wheel.
    Section,
}

/// A question over everything else.
pub(crate) enum Asking {
    Path {
        purpose: Purpose,
        /// What stands in the field at first.
        proposed: String,
        /// The dialog of the system that is open.
        dialog: Option<u64>,
        /// That dialog gave no answer.
        cancelled: bool,
        trouble: Option<Trouble>,
    },
    /// There is a file already.
    Replace(Purpose, PathBuf),
    Export {
        /// Folder and first part of the names.
        proposed: String,
        trouble: Option<Trouble>,
    },
    /// There are steps that were not saved.
    Close,
    Keys,
    Settings,
}

/// Something to say.
pub(crate) struct Message {
    pub(crate) id: u64,
    pub(crate) text: String,
    /// What to do; only where something went wrong.
    pub(crate) next: Option<String>,
}

/// A page of the drawer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Page {
    Curves,
    Compared,
    Gaps,
    Overlay,
    Steps,
    Numbers,
    Look,
}

pub(crate) struct State {
    pub(crate) job: Option<OpenedJob>,
    pub(crate) stop: Stop,
    pub(crate) scans: BTreeMap<Name, ScanState>,
    pub(crate) results: Arc<Results>,
    /// The revision they are of.
    pub(crate) results_of: Option<u64>,
    pub(crate) evaluating: bool,
    /// The feature that is painted and spoken of.
    pub(crate) chosen: Option<Name>,
    /// Features and datums to construct from and to measure between, in order.
    pub(crate) picked: Vec<String>,
    /// Counts wishes to type what something is for.
    pub(crate) naming: u64,
    /// Counts wishes to type another name for the feature in hand.
    pub(crate) renaming: u64,
    /// The last chosen side of the car.
    pub(crate) side: Side,
    pub(crate) wiping: bool,
    /// What is under the pointer.
    pub(crate) under: Option<(Name, Touched)>,
    pub(crate) footprint: Option<Footprint>,
    pub(crate) live: Option<Live>,
    pub(crate) stroke: Option<Stroke>,
    /// Which scan is laid over which, as last chosen: the coloured one first.
    pub(crate) overlay: Option<(Name, Name)>,
    /// How far off another surface is looked for, mm.
    pub(crate) gap_within: u16,
    pub(crate) map_wanted: Option<MapOf>,
    pub(crate) map: Option<Arc<Values>>,
    /// What is looked at of a gap map.
    pub(crate) looking: Looking,
    pub(crate) fold_all: bool,
    /// Call-outs that stand against the rest.
    pub(crate) fold_other: BTreeSet<String>,
    pub(crate) look: Look,
    pub(crate) parallel: bool,
    pub(crate) section: Option<Section>,
    pub(crate) remembered: Remembered,
    /// Jobs left without a file of their own.
    pub(crate) drafts: Vec<PathBuf>,
    pub(crate) asking: Option<Asking>,
    pub(crate) messages: Vec<Message>,
    pub(crate) drawer: Option<Page>,
    pub(crate) tasks: Vec<Task>,
    pub(crate) geometry: Geometry,
    pub(crate) clearance: Clearance,
    pub(crate) placing: Placing,
    /// Per scan, made anew where something that it shows changed.
    pub(crate) tints: BTreeMap<Name, Arc<Tint>>,
    /// Of each feature what it was fitted to, as its scan's colours need it, and which result that is of.
    pub(crate) patches: BTreeMap<Name, (Arc<FeatureResult>, Arc<[u32]>)>,
}

impl State {
    pub(crate) fn new(remembered: Remembered, drafts: Vec<PathBuf>) -> State {
        State {
            job: None,
            stop: Stop::Scans,
            scans: BTreeMap::new(),
            results: Arc::default(),
            results_of: None,
            evaluating: false,
            chosen: None,
            picked: Vec::new(),
            naming: 0,
            renaming: 0,
            side: Side::Left,
            wiping: false,
            under: None,
            footprint: None,
            live: None,
            stroke: None,
            overlay: None,
            gap_within: 50,
            map_wanted: None,
            map: None,
            looking: Looking::default(),
            fold_all: false,
            fold_other: BTreeSet::new(),
            look: Look::default(),
            parallel: false,
            section: None,
            remembered,
            drafts,
            asking: None,
            messages: Vec::new(),
            drawer: None,
            tasks: Vec::new(),
            geometry: Geometry::default(),
            clearance: Clearance::default(),
            placing: Placing::default(),
            tints: BTreeMap::new(),
            patches: BTreeMap::new(),
        }
    }

    pub(crate) fn job(&self) -> Option<&Arc<Job>> {
        self.job.as_ref().map(|open| open.history.job())
    }

    /// The chosen feature with what came of it, where that is of the job as it is now.
    pub(crate) fn chosen_result(&self) -> Option<(&Name, &Arc<FeatureResult>)> {
        let name = self.chosen.as_ref()?;
        self.results.features.get(name).map(|result| (name, result))
    }

    /// How the chosen feature is to be fitted.
    pub(crate) fn chosen_fit(&self) -> Option<&FitSpec> {
        self.job()?.features.get(self.chosen.as_ref()?).map(|feature| &feature.fit)
    }

    /// Whether the results are of the job as it is now.
    pub(crate) fn up_to_date(&self) -> bool {
        self.results_of.is_some() && self.results_of == self.job().map(|job| job.revision())
    }

    /// Whether the main button paints.
    pub(crate) fn brush_in_hand(&self) -> bool {
        self.stop == Stop::Features && self.asking.is_none()
    }

    /// Where a scan stands: in the car where it is placed, otherwise in its own frame.
    pub(crate) fn world_from_scan(&self, scan: &Name) -> RigidTransform {
        self.car_from_scan(scan).unwrap_or_else(RigidTransform::identity)
    }

    /// Where a scan stands in the car: as typed, or as the job's mates place it; `None` where it is not placed.
    pub(crate) fn car_from_scan(&self, scan: &Name) -> Option<RigidTransform> {
        let typed = self.job().and_then(|job| job.placements.get(scan));
        match typed {
            Some(typed) => typed.car_from_scan(),
            None => self.results.placements.get(scan).map(|placed| placed.car_from_scan),
        }
    }

    /// The roles that have a hardpoint on that side or in the centre.
    pub(crate) fn roles_present(&self, side: Side) -> Vec<Role> {
        let job = self.job();
        let hardpoints = job.iter().flat_map(|job| &job.hardpoints);
        hardpoints.filter(|h| h.side == side || h.side == Side::Centre).map(|h| h.role).collect()
    }

    pub(crate) fn task(&self, id: u64) -> Option<&Task> {
        self.tasks.iter().find(|task| task.id == id)
    }

    /// The scan that is coloured and the one it is laid over, of those that are there: as chosen, or the two whose boxes
    /// in the car share most of the larger one.
    pub(crate) fn overlaid(&self) -> Option<(Name, Name)> {
        let ready = |name: &Name| self.scans.get(name).is_some_and(|scan| scan.ready().is_some());
        let chosen = self.overlay.clone().filter(|(of, from)| ready(of) && ready(from));
        chosen.or_else(|| {
            let names: Vec<&Name> = self.scans.keys().filter(|name| ready(name)).collect();
            let boxes: Vec<Option<[Vec3; 2]>> = names.iter().map(|name| self.box_in_car(name)).collect();
            let mut best: Option<(f64, usize, usize)> = None;
            for (i, a) in boxes.iter().enumerate() {
                for (j, b) in boxes.iter().enumerate().skip(i + 1) {
                    let shared = a.zip(*b).map_or(0.0, |(a, b)| shared(&a, &b));
                    if best.is_none_or(|(most, ..)| shared > most) {
                        best = Some((shared, i, j));
                    }
                }
            }
            best.map(|(_, i, j)| (names[i].clone(), names[j].clone()))
        })
    }

    /// Lowest and highest coordinates of a scan where it stands.
    fn box_in_car(&self, name: &Name) -> Option<[Vec3; 2]> {
        let (low, high) = self.scans.get(name)?.ready()?.scan.bounds()?;
        let stands = self.world_from_scan(name);
        let corner = |i: usize| {
            let end = |axis: usize| if i >> axis & 1 == 0 { low[axis] } else { high[axis] };
            (stands * Point3::new(end(0), end(1), end(2))).coords
        };
        let corners: [Vec3; 8] = std::array::from_fn(corner);
        let ends = |by: fn(&Vec3, &Vec3) -> Vec3| corners.iter().skip(1).fold(corners[0], |a, b| by(&a, b));
        Some([ends(Vec3::inf), ends(Vec3::sup)])
    }

    /// Whether a call-out is folded.
    pub(crate) fn folded(&self, name: &str) -> bool {
        self.fold_all != self.fold_other.contains(name)
    }

    /// The colours of all scans are made anew.
    pub(crate) fn recolour_all(&mut self) {
        self.tints.clear();
    }

    /// The colours of a scan are made anew.
    pub(crate) fn recolour(&mut self, scan: &Name) {
        self.tints.remove(scan);
    }
}

/// How much two boxes share of the larger one, 0 to 1.
fn shared(a: &[Vec3; 2], b: &[Vec3; 2]) -> f64 {
    let volume = |low: &Vec3, high: &Vec3| (0..3).map(|axis| (high[axis] - low[axis]).max(0.0)).product::<f64>();
    let larger = volume(&a[0], &a[1]).max(volume(&b[0], &b[1]));
    if larger > 0.0 { volume(&a[0].sup(&b[0]), &a[1].inf(&b[1])) / larger } else { 0.0 }
}
