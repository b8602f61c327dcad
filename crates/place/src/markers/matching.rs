//! Two sets of marker centres, matched by their mutual distances without numbering.
//!
//! Distances between markers are the same in both scans. Every pair of source markers is laid on every pair of
//! target markers as far apart, and every third marker that keeps both its distances fixes a placement (the
//! alignment step of RANSAC, done exhaustively: M. A. Fischler and R. C. Bolles, *Random Sample
//! Consensus*, Comm. ACM 24 (1981) 381). Each placement collects the markers that it brings together, is
//! settled on them, and scored by their number. The best one is taken; whether it may be believed is told by
//! the next best that matches markers differently. A symmetric layout has several, and says so.

use crate::pairs::{PairError, PairFit, PairSigmas, PointPair, closest, from_pairs};
use std::borrow::Cow;
use stringline_core::{Explain, Point3, RigidTransform, Vec3};

/// Two distances agree within this many standard uncertainties of their difference.
const DISTANCES: f64 = 4.0;
/// Centres brought together lie within this many standard uncertainties of their difference.
const TOGETHER: f64 = 4.5;
/// Markers beyond three (which fix a placement) that must agree, or it is by chance.
const SURE: usize = 4;
/// By how many markers the best must beat the next best.
const LEAD: usize = 2;
/// Below this share of the smaller set something is amiss.
const FEW: f64 = 0.4;
/// Placements followed at most: a regular grid of markers has hundreds, and by then the answer is known.
const MOST: usize = 400;
/// A triangle flatter than this (height over longest side) fixes no placement well.
const FLAT: f64 = 0.05;

/// How markers are matched.
#[derive(Clone, Debug, PartialEq)]
pub struct MatchSettings {
    /// Standard uncertainty of one coordinate of a marker's centre, mm. Default: 0.05.
    pub sigma: f64,
}

impl Default for MatchSettings {
    fn default() -> Self {
        MatchSettings { sigma: 0.05 }
    }
}

/// A marker in both scans.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MarkerPair {
    /// Its place among the source's markers.
    pub source: usize,
    /// Its place among the target's.
    pub target: usize,
    /// Source moved less target, mm.
    pub residual: Vec3,
}

/// Something about a match the user should look at.
#[derive(Clone, Debug, PartialEq)]
pub enum MarkerNote {
    /// Another placement matches about as many markers: the layout is nearly symmetric.
    Ambiguous {
        /// Markers matched here.
        matched: usize,
        /// Markers that the other placement matches.
        other: usize,
        /// The other placement.
        target_from_source: RigidTransform,
    },
    /// Three markers alone agree: they may do so by chance.
    OnlyThree,
    /// Few of the markers were matched.
    Few {
        /// Markers matched.
        matched: usize,
        /// Markers of the smaller set.
        of: usize,
    },
}

impl std::fmt::Display for MarkerNote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            MarkerNote::Ambiguous { matched, other, .. } => write!(
                f,
                "{matched} markers match, but laid otherwise {other} do too: the layout is nearly symmetric; move or add a marker, or check the placement"
            ),
            MarkerNote::OnlyThree => {
                f.write_str("only three markers match, which may be chance; add markers that both scans see")
            }
            MarkerNote::Few { matched, of } => {
                write!(f, "only {matched} of {of} markers match; some may have moved between the scans")
            }
        }
    }
}

/// Markers matched between two scans, and the placement they give.
#[derive(Clone, Debug, PartialEq)]
pub struct MarkerMatch {
    /// The markers seen in both, by their place among the source's.
    pub pairs: Vec<MarkerPair>,
    /// The placement, its covariance and residuals.
    pub fit: PairFit,
    /// Source markers without partner.
    pub source_alone: Vec<usize>,
    /// Target markers without partner.
    pub target_alone: Vec<usize>,
    /// What to look at. Empty: the match can be relied on.
    pub notes: Vec<MarkerNote>,
}

/// Why markers could not be matched.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MarkerError {
    /// Fewer than three.
    #[error("the {scan} has {found} markers; three or more are needed")]
    TooFew {
        /// Source or target.
        scan: &'static str,
        /// How many it has.
        found: usize,
    },
    /// A centre that is not finite, or an uncertainty that is not positive.
    #[error("marker {index} of the {scan} has a place that is not a number")]
    NotFinite {
        /// Source or target.
        scan: &'static str,
        /// Its place among them.
        index: usize,
    },
    /// The uncertainty is not a positive length.
    #[error("markers cannot be matched with an uncertainty of {sigma} mm")]
    BadSigma {
        /// The one given, mm.
        sigma: f64,
    },
    /// No three markers agree.
    #[error("no three markers of the one scan are as far apart as three of the other")]
    NoMatch,
    /// The matched markers give no placement.
    #[error(transparent)]
    Placement(#[from] PairError),
}

impl Explain for MarkerError {
    fn next_step(&self) -> Cow<'static, str> {
        match self {
            MarkerError::TooFew { .. } => "Put on more markers, four or more that both scans see.".into(),
            MarkerError::NotFinite { .. } => "Leave that marker out.".into(),
            MarkerError::BadSigma { .. } => "Give how well a marker's centre is known, in mm, as more than 0.".into(),
            MarkerError::NoMatch => {
                "See that both scans show the same markers and that none has moved, and that both are in millimetres."
                    .into()
            }
            MarkerError::Placement(error) => error.next_step(),
        }
    }
}

/// Matches marker centres of two scans (mm, each in its scan's frame) and places source on target by them.
///
/// Up to a third of either set may be missing in the other or be no markers at all.
///
/// ```
/// use stringline_core::{Point3, RigidTransform, Vec3};
/// use stringline_place::{MatchSettings, match_markers};
///
/// let source = [[0.0, 0.0, 0.0], [91.0, 3.0, 8.0], [14.0, 77.0, -5.0], [60.0, 52.0, 33.0], [35.0, 20.0, 41.0]].map(Point3::from);
/// let truth = RigidTransform::new(Vec3::new(300.0, -20.0, 55.0), Vec3::new(0.4, -1.1, 0.2));
/// // The other scan sees four of them, in another order, and something else.
/// let target: Vec<Point3> =
///     [3, 0, 4, 1].iter().map(|&i: &usize| truth * source[i]).chain([Point3::new(250.0, 10.0, 9.0)]).collect();
/// let found = match_markers(&source, &target, &MatchSettings::default())?;
/// assert_eq!(found.pairs.iter().map(|p| (p.source, p.target)).collect::<Vec<_>>(), [(0, 1), (1, 3), (3, 0), (4, 2)]);
/// assert!(found.notes.is_empty());
/// # Ok::<(), stringline_place::MarkerError>(())
/// ```
///
/// # Errors
/// Fewer than three markers in a set, numbers that make no sense, no three that agree.
pub fn match_markers(
    source: &[Point3],
    target: &[Point3],
    settings: &MatchSettings,
) -> Result<MarkerMatch, MarkerError> {
    for (scan, set) in [("source", source), ("target", target)] {
        if set.len() < 3 {
            return Err(MarkerError::TooFew { scan, found: set.len() });
        }
        if let Some(index) = set.iter().position(|p| !p.iter().all(|c| c.is_finite())) {
            return Err(MarkerError::NotFinite { scan, index });
        }
    }
    let sigma = settings.sigma;
    if !(sigma.is_finite() && sigma > 0.0) {
        return Err(MarkerError::BadSigma { sigma });
    }
    let search = Search { source, target, sigma, lengths: lengths(target) };
    let mut answers = search.answers();
    // Most markers first, of equal numbers the closest.
    answers.sort_by(|a, b| b.pairs.len().cmp(&a.pairs.len()).then(a.square.total_cmp(&b.square)));
    let best = answers.first().ok_or(MarkerError::NoMatch)?;
    let pairs: Vec<PointPair> = best
        .pairs
        .iter()
        .map(|&(i, j)| PointPair { source: source[i], target: target[j], sigma: sigma * 2.0_f64.sqrt() })
        .collect();
    let fit = from_pairs(&pairs, PairSigmas::Ratios)?;
    let mut notes = Vec::new();
    let matched = best.pairs.len();
    // What shares most of its pairs is the same answer.
    let differs = |a: &&Answer| a.pairs.iter().filter(|p| best.pairs.contains(p)).count() * 2 < a.pairs.len();
    let other = answers.iter().find(differs);
    if let Some(other) = other.filter(|other| other.pairs.len() + LEAD > matched) {
        notes.push(MarkerNote::Ambiguous { matched, other: other.pairs.len(), target_from_source: other.place });
    }
    if matched < SURE {
        notes.push(MarkerNote::OnlyThree);
    }
    let of = source.len().min(target.len());
    if (matched as f64) < FEW * of as f64 {
        notes.push(MarkerNote::Few { matched, of });
    }
    let mut all: Vec<MarkerPair> = best
        .pairs
        .iter()
        .zip(&fit.residuals)
        .map(|(&(source, target), &residual)| MarkerPair { source, target, residual })
        .collect();
    all.sort_by_key(|p| p.source);
    Ok(MarkerMatch {
        source_alone: (0..source.len()).filter(|i| all.iter().all(|p| p.source != *i)).collect(),
        target_alone: (0..target.len()).filter(|j| all.iter().all(|p| p.target != *j)).collect(),
        pairs: all,
        fit,
        notes,
    })
}

/// Every ordered pair of markers by their distance.
fn lengths(points: &[Point3]) -> Vec<(f64, usize, usize)> {
    let mut all: Vec<(f64, usize, usize)> = (0..points.len())
        .flat_map(|i| (0..points.len()).filter(move |&j| j != i).map(move |j| (i, j)))
        .map(|(i, j)| ((points[i] - points[j]).norm(), i, j))
        .collect();
    all.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
    all
}

/// A placement with the markers it brings together.
struct Answer {
    /// By the source's marker.
    pairs: Vec<(usize, usize)>,
    /// Sum of squared distances, mm².
    square: f64,
    place: RigidTransform,
}

struct Search<'a> {
    source: &'a [Point3],
    target: &'a [Point3],
    sigma: f64,
    lengths: Vec<(f64, usize, usize)>,
}

impl Search<'_> {
    /// A distance has √2 σ along its line, the difference of two 2 σ.
    fn tolerance(&self) -> f64 {
        DISTANCES * 2.0 * self.sigma
    }

    fn answers(&self) -> Vec<Answer> {
        let mut answers: Vec<Answer> = Vec::new();
        let n = self.source.len();
        for i in 0..n {
            for j in i + 1..n {
                let length = (self.source[i] - self.source[j]).norm();
                let first = self.lengths.partition_point(|l| l.0 < length - self.tolerance());
                let alike = self.lengths[first..].iter().take_while(|l| l.0 <= length + self.tolerance());
                for &(_, k, l) in alike {
                    self.thirds([i, j], [k, l], &mut answers);
                    if answers.len() >= MOST {
                        return answers;
                    }
                }
            }
        }
        answers
    }

    /// Follows every third marker that keeps its distances from a pair laid on a pair.
    fn thirds(&self, [i, j]: [usize; 2], [k, l]: [usize; 2], answers: &mut Vec<Answer>) {
        let (s, t) = (self.source, self.target);
        for m in j + 1..s.len() {
            let (to_i, to_j) = ((s[m] - s[i]).norm(), (s[m] - s[j]).norm());
            let longest = to_i.max(to_j).max((s[i] - s[j]).norm());
            let height = (s[j] - s[i]).cross(&(s[m] - s[i])).norm() / longest;
            if height < FLAT * longest || height < 10.0 * self.sigma {
                continue;
            }
            for o in 0..t.len() {
                let keeps = o != k
                    && o != l
                    && ((t[o] - t[k]).norm() - to_i).abs() <= self.tolerance()
                    && ((t[o] - t[l]).norm() - to_j).abs() <= self.tolerance();
                let three = [(i, k), (j, l), (m, o)];
                if !keeps || answers.iter().any(|known| three.iter().all(|p| known.pairs.contains(p))) {
                    continue;
                }
                answers.extend(self.settle(&three));
            }
        }
    }

    /// Collects the markers that a placement brings together and places by them, until they stay the same.
    fn settle(&self, three: &[(usize, usize); 3]) -> Option<Answer> {
        let place_by =
            |pairs: &[(usize, usize)]| closest(pairs.iter().map(|&(a, b)| (self.source[a], self.target[b], 1.0)));
        let mut pairs = three.to_vec();
        let mut place = place_by(&pairs)?;
        for round in 0..8 {
            // Three markers place the far ones badly; all of them place them well.
            let limit = if round == 0 { 3.0 } else { 1.0 } * TOGETHER * 2.0_f64.sqrt() * self.sigma;
            let now = self.together(&place, limit);
            if now.len() < 3 {
                return None;
            }
            let same = now == pairs;
            pairs = now;
            place = place_by(&pairs)?;
            if same && round > 0 {
                break;
            }
        }
        let square = pairs.iter().map(|&(a, b)| (place * self.source[a] - self.target[b]).norm_squared()).sum();
        Some(Answer { pairs, square, place })
    }

    /// Markers brought within `limit` (mm) of each other, nearest first, each once; by the source's marker.
    fn together(&self, place: &RigidTransform, limit: f64) -> Vec<(usize, usize)> {
        let mut near: Vec<(f64, usize, usize)> = Vec::new();
        for (a, p) in self.source.iter().enumerate() {
            let p = place * p;
            near.extend(self.target.iter().enumerate().map(|(b, q)| ((p - q).norm(), a, b)).filter(|n| n.0 <= limit));
        }
        near.sort_by(|a, b| a.0.total_cmp(&b.0).then((a.1, a.2).cmp(&(b.1, b.2))));
        let mut pairs: Vec<(usize, usize)> = Vec::new();
        for (_, a, b) in near {
            if pairs.iter().all(|&(x, y)| x != a && y != b) {
                pairs.push((a, b));
            }
        }
        pairs.sort_unstable();
        pairs
    }
}
