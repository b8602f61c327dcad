//! All mates as one system of equations about the scans' placements.

use crate::adjust::Known;
use crate::anchor::Hold;
use crate::error::AdjustError;
use crate::mate::{Here, Mate, Relation, rows};
use crate::motion::{Pivot, carried};
use nalgebra::{DMatrix, DVector, Matrix6, RowVector6};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use stringline_core::covariance::{Source, Sources, add_source, by_motion, propagate};
use stringline_core::{Point3, RigidTransform, Vec3};

/// What counts as exact still errs by this, so that the equations keep weights, mm and rad.
const FLOOR: [f64; 2] = [1e-4, 1e-7];

/// One equation with its derivatives by the small motion of each scan that is not known.
pub(crate) struct Equation {
    pub(crate) value: f64,
    pub(crate) along: Option<Vec3>,
    pub(crate) by_scan: Vec<(usize, RowVector6<f64>)>,
    pub(crate) by_datum: Vec<[Vec3; 2]>,
}

/// The mates, and which scans they place.
pub(crate) struct System<'a> {
    pub(crate) mates: Vec<&'a Mate>,
    /// The scans to place, sorted by name.
    pub(crate) scans: Vec<String>,
    pub(crate) known: &'a BTreeMap<String, Known>,
}

/// The system near some placements.
pub(crate) struct Linear {
    pub(crate) value: DVector<f64>,
    /// By the motions of all scans, six columns each, about the origin.
    pub(crate) by_motion: DMatrix<f64>,
    /// By what is independent: Jacobians of as many rows as there are equations.
    pub(crate) sources: Sources,
    pub(crate) along: Vec<Option<Vec3>>,
    /// The equations of each mate.
    pub(crate) of: Vec<Range<usize>>,
    /// Covariance of the values.
    pub(crate) covariance: DMatrix<f64>,
}

impl<'a> System<'a> {
    pub(crate) fn new(
        mates: impl IntoIterator<Item = &'a Mate>,
        known: &'a BTreeMap<String, Known>,
    ) -> Result<Self, AdjustError> {
        let mates: Vec<&Mate> = mates.into_iter().collect();
        let mut scans = BTreeSet::new();
        for mate in &mates {
            check(mate)?;
            scans.extend(mate.relation.scans().into_iter().filter(|s| !known.contains_key(*s)).map(str::to_owned));
        }
        Ok(System { mates, scans: scans.into_iter().collect(), known })
    }

    pub(crate) fn index(&self, scan: &str) -> Option<usize> {
        self.scans.iter().position(|s| s == scan)
    }

    /// Where a scan stands; `None` while that is open.
    pub(crate) fn pose(&self, scan: Option<&str>, poses: &[Option<RigidTransform>]) -> Option<RigidTransform> {
        match scan {
            None => Some(RigidTransform::identity()),
            Some(scan) => match self.known.get(scan) {
                Some(known) => Some(known.car_from_scan),
                None => poses[self.index(scan)?],
            },
        }
    }

    /// Whether all the scans that a mate speaks of have a place.
    pub(crate) fn is_open(&self, mate: &Mate, poses: &[Option<RigidTransform>]) -> bool {
        mate.relation.scans().into_iter().any(|scan| self.pose(Some(scan), poses).is_none())
    }

    /// The datums of a mate in the car's frame; empty while a scan of theirs has no place.
    pub(crate) fn here(&self, mate: &Mate, poses: &[Option<RigidTransform>]) -> Vec<Here> {
        let datums = mate.relation.datums();
        datums.iter().map_while(|on| Some(Here::of(&on.anchor, &self.pose(on.scan.as_deref(), poses)?))).collect()
    }

    /// A mate's equations; none while a scan of its has no place.
    pub(crate) fn equations(&self, mate: &Mate, poses: &[Option<RigidTransform>]) -> Vec<Equation> {
        if let Relation::Relative { scan, on, placement, at, .. } = &mate.relation {
            let (Some(car_from_scan), Some(car_from_on)) =
                (self.pose(Some(scan), poses), self.pose(on.as_deref(), poses))
            else {
                return Vec::new();
            };
            let turn = (car_from_scan * (car_from_on * placement).inverse()).rotation.scaled_axis();
            let [p, q] = [car_from_scan * placement.inverse_transform_point(at), car_from_on * at];
            let parts = [(Some(scan.as_str()), p, 1.0), (on.as_deref(), q, -1.0)];
            let of_scan = |row: usize, (scan, at, sign): &(Option<&str>, Point3, f64)| {
                Some((self.index((*scan)?)?, (about(at) * *sign).row(row).into_owned()))
            };
            return (0..6)
                .map(|k| Equation {
                    value: if k < 3 { (p - q)[k] } else { turn[k - 3] },
                    along: (k < 3).then(|| Vec3::ith(k, 1.0)),
                    by_scan: parts.iter().filter_map(|part| of_scan(k, part)).collect(),
                    by_datum: Vec::new(),
                })
                .collect();
        }
        let here = self.here(mate, poses);
        let datums = mate.relation.datums();
        if here.len() < datums.len() {
            return Vec::new();
        }
        let of_scan = |on: usize, by: &[Vec3; 2]| {
            let scan = self.index(datums[on].scan.as_deref()?)?;
            // The transpose of t + θ×p, θ×d: forces and moments.
            let turn = here[on].p.coords.cross(&by[0]) + here[on].d.map_or(Vec3::zeros(), |d| d.cross(&by[1]));
            let shift = by[0];
            Some((scan, RowVector6::new(shift.x, shift.y, shift.z, turn.x, turn.y, turn.z)))
        };
        rows(&mate.relation, &here)
            .into_iter()
            .map(|row| Equation {
                value: row.value,
                along: row.along,
                by_scan: row.by.iter().enumerate().filter_map(|(on, by)| of_scan(on, by)).collect(),
                by_datum: row.by,
            })
            .collect()
    }

    /// Where each scan's motion is counted from.
    pub(crate) fn pivots(&self, poses: &[Option<RigidTransform>]) -> Vec<Pivot> {
        let mut points: Vec<Vec<Point3>> = vec![Vec::new(); self.scans.len()];
        for mate in &self.mates {
            if let Relation::Relative { scan, on, placement, at, .. } = &mate.relation {
                let of = [(Some(scan), placement.inverse_transform_point(at)), (on.as_ref(), *at)];
                for (scan, point) in of.into_iter().filter_map(|(scan, point)| Some((self.index(scan?)?, point))) {
                    points[scan].extend(poses[scan].map(|pose| pose * point));
                }
            }
            for on in mate.relation.datums() {
                let at = on.scan.as_deref().and_then(|scan| self.index(scan));
                if let Some((at, pose)) = at.and_then(|at| Some((at, poses[at]?))) {
                    points[at].push(pose * on.anchor.position);
                }
            }
        }
        points.iter().map(|of_scan| Pivot::of(of_scan)).collect()
    }

    /// The equations of all mates near the placements, which are all there.
    pub(crate) fn linear(&self, poses: &[Option<RigidTransform>]) -> Linear {
        let equations: Vec<Vec<Equation>> = self.mates.iter().map(|mate| self.equations(mate, poses)).collect();
        let count = equations.iter().map(Vec::len).sum();
        let mut linear = Linear {
            value: DVector::zeros(count),
            by_motion: DMatrix::zeros(count, 6 * self.scans.len()),
            sources: Sources::new(),
            along: Vec::with_capacity(count),
            of: Vec::with_capacity(self.mates.len()),
            covariance: DMatrix::zeros(count, count),
        };
        let mut at = 0;
        for (mate, own) in self.mates.iter().zip(&equations) {
            let range = at..at + own.len();
            at = range.end;
            for (row, equation) in range.clone().zip(own) {
                linear.value[row] = equation.value;
                linear.along.push(equation.along);
                for (scan, by) in &equation.by_scan {
                    let mut place = linear.by_motion.view_mut((row, 6 * scan), (1, 6));
                    place += by;
                }
                let (give, floor) = match equation.along {
                    Some(_) => (mate.give, FLOOR[0]),
                    None => (mate.give_angle, FLOOR[1]),
                };
                linear.covariance[(row, row)] = give * give + floor * floor;
            }
            self.add_sources(mate, own, range.clone(), count, poses, &mut linear.sources);
            linear.of.push(range);
        }
        for source in linear.sources.values() {
            linear.covariance += propagate(&source.jacobian, &source.covariance);
        }
        linear
    }

    /// What a mate's equations owe to the datums' uncertainty, and to that of known placements.
    fn add_sources(
        &self,
        mate: &Mate,
        own: &[Equation],
        range: Range<usize>,
        count: usize,
        poses: &[Option<RigidTransform>],
        sources: &mut Sources,
    ) {
        let mut add = |name: &str, part: DMatrix<f64>, like: &Source| {
            let mut all = DMatrix::zeros(count, part.ncols());
            all.rows_mut(range.start, range.len()).copy_from(&part);
            add_source(sources, name, all, like);
        };
        let known = |scan: Option<&str>| {
            let scan = scan?;
            Some((placement_name(scan), self.known.get(scan)?.motion()?))
        };
        if let Relation::Relative { scan, on, covariance, degrees_of_freedom, at, .. } = &mate.relation {
            let Some(car_from_on) = self.pose(on.as_deref(), poses) else { return };
            let here = about(&(car_from_on * at));
            let dynamic = |m: Matrix6<f64>| DMatrix::from_column_slice(6, 6, m.as_slice());
            let like = Source {
                jacobian: DMatrix::zeros(0, 0),
                covariance: dynamic(**covariance),
                degrees_of_freedom: *degrees_of_freedom,
            };
            add(&mate_name(&mate.name), dynamic(here * carried(&car_from_on) * -1.0), &like);
            for (scan, sign) in [(Some(scan.as_str()), 1.0), (on.as_deref(), -1.0)] {
                if let Some((name, motion)) = known(scan) {
                    add(&name, dynamic(here * sign), &motion);
                }
            }
            return;
        }
        for (index, on) in mate.relation.datums().into_iter().enumerate() {
            let Some(pose) = self.pose(on.scan.as_deref(), poses) else { return };
            let numbers = on.anchor.numbers();
            let mut by = DMatrix::zeros(own.len(), numbers);
            let mut in_car = by.clone();
            for (row, equation) in own.iter().enumerate() {
                for (block, v) in equation.by_datum[index].iter().enumerate().take(numbers / 3) {
                    in_car.view_mut((row, 3 * block), (1, 3)).tr_copy_from(v);
                    // Rᵀ v: the derivative by the numbers as the scan has them.
                    by.view_mut((row, 3 * block), (1, 3)).tr_copy_from(&pose.rotation.inverse_transform_vector(v));
                }
            }
            for (name, source) in &on.anchor.sources {
                add(name, &by * &source.jacobian, source);
            }
            if let Some((name, motion)) = known(on.scan.as_deref()) {
                let here = Here::of(&on.anchor, &pose);
                add(&name, in_car * by_motion(&here.p, here.d.as_ref()), &motion);
            }
        }
    }
}

/// Takes a small motion about the origin to the same one about a point: t' = t + θ×p, θ' = θ.
fn about(p: &Point3) -> Matrix6<f64> {
    let mut m = Matrix6::identity();
    m.fixed_view_mut::<3, 3>(0, 3).copy_from(&-p.coords.cross_matrix());
    m
}

/// The name of a known placement among the sources; a slash is in no datum's name.
pub(crate) fn placement_name(scan: &str) -> String {
    format!("placement/{scan}")
}

/// The name of a mate's own give among the sources.
pub(crate) fn mate_name(mate: &str) -> String {
    format!("mate/{mate}")
}

fn check(mate: &Mate) -> Result<(), AdjustError> {
    let bad = |what| Err(AdjustError::BadNumber { mate: mate.name.clone(), what });
    let is_give = |v: f64| v.is_finite() && v >= 0.0;
    if !is_give(mate.give) || !is_give(mate.give_angle) {
        return bad("a give that is not zero or above");
    }
    match &mate.relation {
        Relation::Distance { distance, .. } if !(distance.is_finite() && *distance > 0.0) => {
            return bad("a distance that is not above zero");
        }
        Relation::Angle { angle, .. } if !(*angle > 1e-3 && *angle < std::f64::consts::PI - 1e-3) => {
            return bad("an angle that is not between 0 and 180°; say parallel instead");
        }
        Relation::Coordinate { value, .. } if !value.is_finite() => return bad("a coordinate that is not a number"),
        Relation::Meet { offset, .. } if !offset.is_finite() => return bad("an offset that is not a number"),
        Relation::Pair { apart: Some(apart), .. } if !(apart.is_finite() && *apart > 0.0) => {
            return bad("a distance that is not above zero");
        }
        Relation::Relative { covariance, degrees_of_freedom, at, .. }
            if !(covariance.iter().chain(at.iter()).all(|v| v.is_finite()) && *degrees_of_freedom > 0.0) =>
        {
            return bad("a covariance that is none");
        }
        _ => {}
    }
    let datums = mate.relation.datums();
    for on in &datums {
        let numbers = on.anchor.numbers();
        let finite = on.anchor.position.iter().all(|v| v.is_finite());
        let sound = |s: &Source| {
            s.jacobian.nrows() == numbers
                && s.jacobian.ncols() == s.covariance.nrows()
                && s.covariance.is_square()
                && s.covariance.iter().chain(s.jacobian.iter()).all(|v| v.is_finite())
        };
        let directed = on.anchor.direction.is_some() == (on.anchor.hold != Hold::Point);
        if !finite || !directed || !on.anchor.sources.values().all(sound) {
            return Err(AdjustError::DamagedDatum { mate: mate.name.clone(), datum: on.anchor.name.clone() });
        }
    }
    let here: Vec<Here> = datums.iter().map(|on| Here::of(&on.anchor, &RigidTransform::identity())).collect();
    if rows(&mate.relation, &here).is_empty() && !matches!(mate.relation, Relation::Relative { .. }) {
        return Err(AdjustError::CannotMate {
            mate: mate.name.clone(),
            datums: datums
                .iter()
                .map(|on| format!("'{}' is of kind {}", on.anchor.name, on.anchor.hold.word()))
                .collect(),
        });
    }
    Ok(())
}
