//! Left against right: the mirror image, the mean of both, and how unlike they are.

use crate::anchor::{Anchor, Hold};
use nalgebra::DMatrix;
use stringline_core::covariance::{chain, chi_squared_tail, combined, coverage_factor, largest_sigma, propagate};
use stringline_core::{UnitVec3, Vec3, frame_about};

/// How far the left datum stands from the mirror image of the right one.
#[derive(Clone, Debug, PartialEq)]
pub struct Asymmetry {
    /// Left less mirrored right, car axes, mm: of a point all of it, of an axis across it, of a face along its normal.
    pub shift: Vec3,
    /// Its length's ± at 95 %: the largest half-axis of the joint region, mm.
    pub shift_u95: f64,
    /// The probability that chance alone puts them so far apart.
    pub probability: f64,
    /// Of axes and faces: the angle between them, rad, its ± and its probability.
    pub turn: Option<[f64; 3]>,
}

/// Compares two datums of one kind in the car's frame, whose sources have their placements in them: what both
/// rest on counts once. `None` where they are of different kinds.
pub fn asymmetry(left: &Anchor, right: &Anchor) -> Option<Asymmetry> {
    if left.hold != right.hold {
        return None;
    }
    let image = turned_alike(left, right.mirrored());
    let n = left.numbers();
    let whole = DMatrix::identity(n, n);
    let sources = chain(&[(whole.clone(), &left.sources), (-whole, &image.sources)]);
    let (covariance, nu) = combined(n, &sources);
    let apart = left.position - image.position;
    let judge = |axes: &[Vec3], from: usize, v: &Vec3| {
        let by = DMatrix::from_fn(axes.len(), n, |i, j| if j / 3 == from { axes[i][j % 3] } else { 0.0 });
        let e = nalgebra::DVector::from_iterator(axes.len(), axes.iter().map(|a| a.dot(v)));
        let c = propagate(&by, &covariance);
        let chi = c.clone().cholesky().map_or(f64::NAN, |c| e.dot(&c.solve(&e)));
        let k = coverage_factor(axes.len(), nu);
        // The F distribution's tail by way of χ², the ± widened as the coverage factor is.
        let widened = (coverage_factor(axes.len(), f64::INFINITY) / k).powi(2);
        let shift: Vec3 = axes.iter().zip(e.iter()).map(|(a, e)| a * *e).sum();
        (shift, k * largest_sigma(&c), chi_squared_tail(chi * widened, axes.len()))
    };
    let (u, v, d) = match left.direction {
        Some(d) => {
            let (u, v) = frame_about(&d);
            (u, v, d.into_inner())
        }
        None => (Vec3::x(), Vec3::y(), Vec3::z()),
    };
    let place: &[Vec3] = match left.hold {
        Hold::Point | Hold::Seat => &[Vec3::x(), Vec3::y(), Vec3::z()],
        Hold::Axis => &[u, v],
        Hold::Face => &[d],
    };
    let (shift, shift_u95, probability) = judge(place, 0, &apart);
    let turn = left.direction.zip(image.direction).map(|(a, b)| {
        let (turn, u95, probability) = judge(&[u, v], 1, &(a.into_inner() - b.into_inner()));
        [turn.norm(), u95, probability]
    });
    Some(Asymmetry { shift, shift_u95, probability, turn })
}

/// The mean of the left datum and the mirror image of the right one, on the left; `None` where they are of
/// different kinds.
pub fn average(left: &Anchor, right: &Anchor) -> Option<Anchor> {
    if left.hold != right.hold {
        return None;
    }
    let image = turned_alike(left, right.mirrored());
    let half = DMatrix::from_diagonal_element(left.numbers(), left.numbers(), 0.5);
    Some(Anchor {
        name: left.name.clone(),
        hold: left.hold,
        position: nalgebra::center(&left.position, &image.position),
        direction: left
            .direction
            .zip(image.direction)
            .map(|(a, b)| UnitVec3::new_normalize(a.into_inner() + b.into_inner())),
        sources: chain(&[(half.clone(), &left.sources), (half, &image.sources)]),
    })
}

/// An axis has no sense of its own: that of the other is taken.
fn turned_alike(like: &Anchor, anchor: Anchor) -> Anchor {
    match (like.direction, anchor.direction) {
        (Some(a), Some(b)) if a.dot(&b) < 0.0 => anchor.turned(),
        _ => anchor,
    }
}
