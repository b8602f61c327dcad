//! Scans laid on one another: by the surface that both saw, by markers, by picked points.
//!
//! Each is remembered with what it follows from (both scans, the areas, the start, the mate's own words), so that what
//! does not change that does not register again.

use crate::document::{Job, rigid};
use crate::evaluate::{EvaluateError, Results};
use crate::fitting::painted;
use crate::mates::{MarkerSpec, PickedPair, StartSpec, Tie};
use crate::name::Name;
use crate::placing::stands;
use crate::scans::LoadedScan;
use nalgebra::Matrix6;
use std::collections::BTreeMap;
use std::sync::Arc;
use stringline_clearance::{GapError, GapMap, gap_map};
use stringline_core::covariance::chi_squared_tail;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_place::{
    Marker, MarkerMatch, MarkerSettings, MatchSettings, PairFit, PairSigmas, PointPair, Relation, RoughSettings,
    SurfaceError, SurfaceFit, SurfaceSettings, find_discs, find_spheres, from_pairs, match_markers, place_from_nothing,
    register,
};
use stringline_scan::Scan;

/// How one scan lies on another, before all mates are adjusted together.
#[derive(Clone, Debug, PartialEq)]
pub struct Laid {
    /// The scan that is laid.
    pub scan: Name,
    /// The scan that it is laid on.
    pub on: Name,
    /// Takes the coordinates of the one to those of the other.
    pub on_from_scan: RigidTransform,
    /// Covariance of the small motion by which that may be off (mm, rad), in the axes of `on` about its origin.
    pub covariance: Matrix6<f64>,
    /// Of that covariance; infinite where it is known.
    pub degrees_of_freedom: f64,
    /// The middle of what both share, in the frame of `on`, mm.
    pub middle: Point3,
    /// How it was found.
    pub how: How,
    /// What to look at, such as another place that fits as well; among the results' warnings too.
    pub notes: Vec<String>,
}

/// How a scan was laid on another.
#[derive(Clone, Debug, PartialEq)]
pub enum How {
    /// By the surface that both saw.
    Surface {
        /// Where it started: `on_from_scan`.
        start: RigidTransform,
        /// The registration.
        fit: Box<SurfaceFit>,
    },
    /// By markers.
    Markers {
        /// Those found on the scan, in its frame.
        scan: Vec<Marker>,
        /// Those found on the other, in its frame.
        on: Vec<Marker>,
        /// Which are which.
        matched: MarkerMatch,
    },
    /// By picked points.
    Points {
        /// As picked.
        pairs: Vec<PickedPair>,
        /// The placement they give.
        fit: PairFit,
    },
}

impl Laid {
    /// Where a registration started: the picture before.
    pub fn before(&self) -> Option<&RigidTransform> {
        match &self.how {
            How::Surface { start, .. } => Some(start),
            How::Markers { .. } | How::Points { .. } => None,
        }
    }

    /// How the scan lies on the other with all mates adjusted together, or by this alone where one has no place in
    /// the car: the picture after.
    pub fn after(&self, results: &Results) -> RigidTransform {
        let of = |scan: &Name| results.placements.get(scan).map(|placed| placed.car_from_scan);
        match (of(&self.scan), of(&self.on)) {
            (Some(car_from_scan), Some(car_from_on)) => car_from_on.inverse() * car_from_scan,
            _ => self.on_from_scan,
        }
    }

    /// What is left between markers or picked points, in the frame of `on`, mm: the place on `on`, and from there to
    /// where the scan has it by this mate alone. Empty for surfaces, which have a gap map.
    pub fn residuals(&self) -> Vec<(Point3, Vec3)> {
        match &self.how {
            How::Surface { .. } => Vec::new(),
            How::Markers { on, matched, .. } => {
                let of = |pair: &stringline_place::MarkerPair| Some((on.get(pair.target)?.centre, pair.residual));
                matched.pairs.iter().filter_map(of).collect()
            }
            How::Points { pairs, fit } => {
                pairs.iter().map(|pair| Point3::from(pair.on)).zip(fit.residuals.iter().copied()).collect()
            }
        }
    }

    pub(crate) fn relation(&self) -> Relation {
        Relation::Relative {
            scan: self.scan.to_string(),
            on: Some(self.on.to_string()),
            placement: self.on_from_scan,
            covariance: Box::new(self.covariance),
            degrees_of_freedom: self.degrees_of_freedom,
            at: self.middle,
        }
    }
}

/// The signed gaps of one scan from another before a placement and after it.
#[derive(Clone, Debug, PartialEq)]
pub struct BeforeAfter {
    /// As it stood.
    pub before: GapMap,
    /// As it stands.
    pub after: GapMap,
}

/// Maps the gaps of `of` from `against` as it stood and as it stands: both take coordinates of `of` to those of
/// `against`. Arguments and errors as for [`gap_map`].
///
/// # Errors
/// See [`GapError`].
pub fn before_after(
    of: &Scan,
    against: &Scan,
    [before, after]: [&RigidTransform; 2],
    limit: f64,
    go_on: impl Fn(f32) -> bool + Sync,
) -> Result<BeforeAfter, GapError> {
    let before = gap_map(of, against, before, limit, |done| go_on(0.5 * done))?;
    Ok(BeforeAfter { before, after: gap_map(of, against, after, limit, |done| go_on(0.5 + 0.5 * done))? })
}

/// What was laid, by the mates' names.
#[derive(Debug, Default)]
pub(crate) struct Laying(BTreeMap<Name, (Key, Outcome)>);

type Outcome = Result<Arc<Laid>, EvaluateError>;

/// What laying follows from.
#[derive(Clone, Debug)]
struct Key {
    tie: Tie,
    scans: [Arc<LoadedScan>; 2],
    areas: [Option<Vec<u32>>; 2],
    /// Where the other mates put it, if it starts there.
    stand: Option<RigidTransform>,
}

impl PartialEq for Key {
    fn eq(&self, other: &Self) -> bool {
        let same_scans = self.scans.iter().zip(&other.scans).all(|(a, b)| Arc::ptr_eq(a, b));
        same_scans && self.tie == other.tie && self.areas == other.areas && self.stand == other.stand
    }
}

impl Laying {
    /// Lays what changed; whether it came to the end. `watch` is told how many are begun.
    pub(crate) fn lay_all(
        &mut self,
        job: &Job,
        scans: &BTreeMap<Name, Arc<LoadedScan>>,
        results: &mut Results,
        watch: &(dyn Fn(usize) -> bool + Sync),
    ) -> bool {
        let from_mates = |tie: &Tie| matches!(tie, Tie::Surface { start: StartSpec::Mates, .. });
        let all = job.mates.iter().filter_map(|(name, mate)| Some((name, &mate.tie, mate.tie.scans()?)));
        // What starts from where the others put it comes last; none of those starts from another of them.
        let (last, first): (Vec<_>, Vec<_>) = all.partition(|(_, tie, _)| from_mates(tie));
        let mut stand = None;
        let mut kept = BTreeMap::new();
        for (begun, (name, tie, on)) in first.into_iter().chain(last).enumerate() {
            let stand = from_mates(tie).then(|| &*stand.get_or_insert_with(|| stands(job, results)));
            let outcome = key(job, scans, results, (tie, on), stand).and_then(|key| {
                let outcome = match self.0.get(name) {
                    Some((of, outcome)) if *of == key => outcome.clone(),
                    _ => lay(&key, &|| watch(begun)).map(Arc::new),
                };
                if !matches!(outcome, Err(EvaluateError::Surface(SurfaceError::Stopped))) {
                    kept.insert(name.clone(), (key, outcome.clone()));
                }
                outcome
            });
            match outcome {
                Err(EvaluateError::Surface(SurfaceError::Stopped)) => {
                    self.0.extend(kept);
                    return false;
                }
                Err(error) => results.fail("mate", name, error),
                Ok(laid) => {
                    laid.notes.iter().for_each(|note| results.warn(name, note.clone()));
                    results.laid.insert(name.clone(), laid);
                }
            }
        }
        self.0 = kept;
        true
    }
}

fn key(
    job: &Job,
    scans: &BTreeMap<Name, Arc<LoadedScan>>,
    results: &Results,
    (tie, [scan, on]): (&Tie, [&Name; 2]),
    stand: Option<&BTreeMap<String, RigidTransform>>,
) -> Result<Key, EvaluateError> {
    let missing = |what, name: &Name| EvaluateError::Missing { what, name: name.to_string() };
    let loaded = |name: &Name| match scans.get(name) {
        Some(scan) => Ok(Arc::clone(scan)),
        None if job.scans.contains_key(name) => Err(EvaluateError::RestsOn { what: "scan", name: name.to_string() }),
        None => Err(missing("scan", name)),
    };
    let loaded = [loaded(scan)?, loaded(on)?];
    let area = |names: &[Name], scan: &Name, loaded: &LoadedScan| -> Result<Option<Vec<u32>>, EvaluateError> {
        let mut points = Vec::new();
        for area in names {
            let spec = job.features.get(area).ok_or_else(|| missing("feature", area))?;
            if spec.scan != *scan {
                return Err(EvaluateError::AreaElsewhere { area: area.clone(), scan: scan.clone() });
            }
            match results.features.get(area) {
                Some(fitted) => points.extend(&fitted.patch.points),
                // No shape fits it: what is painted serves all the same.
                None => points.extend(painted(&loaded.scan, spec)?.points),
            }
        }
        points.sort_unstable();
        points.dedup();
        Ok((!names.is_empty()).then_some(points))
    };
    let areas = match tie {
        Tie::Surface { scan_areas, on_areas, .. } => {
            [area(scan_areas, scan, &loaded[0])?, area(on_areas, on, &loaded[1])?]
        }
        _ => [None, None],
    };
    let stand = match stand {
        None => None,
        Some(stand) => match (stand.get(scan.as_str()), stand.get(on.as_str())) {
            (Some(car_from_scan), Some(car_from_on)) => Some(car_from_on.inverse() * car_from_scan),
            _ => return Err(EvaluateError::NoStart { scan: scan.clone(), on: on.clone() }),
        },
    };
    Ok(Key { tie: tie.clone(), scans: loaded, areas, stand })
}

fn lay(key: &Key, go_on: &(dyn Fn() -> bool + Sync)) -> Result<Laid, EvaluateError> {
    let [scan, on] = [&key.scans[0].scan, &key.scans[1].scan];
    match &key.tie {
        Tie::Surface { scan: name, on: on_name, start, .. } => {
            let mut notes = Vec::new();
            let (start, near) = start_of(key, start, &mut notes, go_on)?;
            let settings =
                SurfaceSettings { source_points: key.areas[0].clone(), target_points: key.areas[1].clone(), ..near };
            let fit = register(scan, on, &start, &settings, |_| go_on())?;
            notes.extend(fit.notes.iter().map(ToString::to_string));
            if !fit.converged {
                notes.push("the registration did not come to rest; its ± may be too small".into());
            }
            Ok(Laid {
                scan: name.clone(),
                on: on_name.clone(),
                on_from_scan: fit.target_from_source,
                covariance: fit.covariance,
                degrees_of_freedom: fit.noise.degrees_of_freedom,
                middle: fit.middle,
                notes,
                how: How::Surface { start, fit: Box::new(fit) },
            })
        }
        Tie::Markers { scan: name, on: on_name, marker, least_diameter, largest_diameter, sigma } => {
            let settings = MarkerSettings {
                least_radius: 0.5 * least_diameter,
                largest_radius: 0.5 * largest_diameter,
                ..MarkerSettings::default()
            };
            let find = |scan: &Scan| match marker {
                MarkerSpec::Sphere => find_spheres(scan, &settings),
                MarkerSpec::Disc => find_discs(scan, &settings),
            };
            let found = [find(scan), find(on)];
            let centres = found.each_ref().map(|markers| markers.iter().map(|m| m.centre).collect::<Vec<_>>());
            let matched = match_markers(&centres[0], &centres[1], &MatchSettings { sigma: *sigma })?;
            let both: Vec<Point3> = matched.pairs.iter().map(|pair| centres[1][pair.target]).collect();
            let [scan, on] = found;
            Ok(Laid {
                scan: name.clone(),
                on: on_name.clone(),
                on_from_scan: matched.fit.target_from_source,
                covariance: matched.fit.covariance,
                degrees_of_freedom: matched.fit.degrees_of_freedom,
                middle: middle(&both),
                notes: matched.notes.iter().map(ToString::to_string).collect(),
                how: How::Markers { scan, on, matched },
            })
        }
        Tie::Points { scan: name, on: on_name, pairs, sigma } => {
            // Both of a pair are picked.
            let fit = from_pairs(&point_pairs(pairs, sigma * 2.0_f64.sqrt()), PairSigmas::Known)?;
            let square: f64 = fit.residuals.iter().map(|r| r.norm_squared()).sum::<f64>() / (2.0 * sigma * sigma);
            let spare = 3 * pairs.len() - 6;
            let mut notes = Vec::new();
            if chi_squared_tail(square, spare) < UNLIKELY {
                notes.push(format!(
                    "the picked points are {:.2} mm apart (root mean square) when laid on one another, more than {sigma} \
                     mm a pick explains: pick them again, or state how well they are picked",
                    fit.rms
                ));
            }
            Ok(Laid {
                scan: name.clone(),
                on: on_name.clone(),
                on_from_scan: fit.target_from_source,
                covariance: fit.covariance,
                degrees_of_freedom: fit.degrees_of_freedom,
                middle: middle(&pairs.iter().map(|pair| Point3::from(pair.on)).collect::<Vec<_>>()),
                notes,
                how: How::Points { pairs: pairs.clone(), fit },
            })
        }
        _ => unreachable!("a mate that lays no scan on another does not come here"),
    }
}

/// What chance does less often is told.
const UNLIKELY: f64 = 1e-3;
/// How far off a start is at most that the mates hold, mm and rad.
const MATES: (f64, f64) = (5.0, 0.035);

/// Where a registration starts, and how far that can be trusted.
fn start_of(
    key: &Key,
    start: &StartSpec,
    notes: &mut Vec<String>,
    go_on: &(dyn Fn() -> bool + Sync),
) -> Result<(RigidTransform, SurfaceSettings), EvaluateError> {
    let roughly = SurfaceSettings::default();
    // Another start round it would be no better.
    let alone = SurfaceSettings { try_others: false, ..SurfaceSettings::default() };
    match start {
        StartSpec::Nothing => {
            let settings = RoughSettings {
                source_points: key.areas[0].clone(),
                target_points: key.areas[1].clone(),
                ..RoughSettings::default()
            };
            let rough = place_from_nothing(&key.scans[0].scan, &key.scans[1].scan, &settings, |_| go_on())?;
            notes.extend(rough.notes.iter().map(ToString::to_string));
            Ok((rough.target_from_source, alone))
        }
        StartSpec::Mates => {
            let stand = key.stand.ok_or(SurfaceError::BadValue { what: "the start", value: f64::NAN })?;
            let (start_shift, start_turn) = MATES;
            Ok((stand, SurfaceSettings { start_shift, start_turn, ..alone }))
        }
        StartSpec::Stand { on_from_scan } => match rigid(on_from_scan) {
            Some(start) => Ok((start, roughly)),
            None => Err(SurfaceError::BadValue { what: "the start", value: f64::NAN }.into()),
        },
        StartSpec::Points { pairs } => {
            Ok((from_pairs(&point_pairs(pairs, 1.0), PairSigmas::Ratios)?.target_from_source, roughly))
        }
    }
}

fn point_pairs(pairs: &[PickedPair], sigma: f64) -> Vec<PointPair> {
    let one = |pair: &PickedPair| PointPair { source: pair.scan.into(), target: pair.on.into(), sigma };
    pairs.iter().map(one).collect()
}

fn middle(points: &[Point3]) -> Point3 {
    Point3::from(points.iter().map(|p| p.coords).sum::<Vec3>() / points.len().max(1) as f64)
}
