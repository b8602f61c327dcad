//! Which motions a surface leaves free, in words.

use nalgebra::{DMatrix, Matrix6, Vector6};
use stringline_core::{Point3, UnitVec3, Vec3};

/// A motion that the overlapping surfaces do not hinder.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FreeMotion {
    /// Sliding along a direction, in the target's axes.
    Slide {
        /// Unit.
        along: UnitVec3,
    },
    /// Turning about an axis.
    Turn {
        /// On the axis, mm, in the target's frame.
        through: Point3,
        /// Of the axis, in the target's axes.
        about: UnitVec3,
        /// Sliding along the axis with each radian of turn, mm; 0 for a pure turn, that of a thread otherwise.
        pitch: f64,
    },
}

impl std::fmt::Display for FreeMotion {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let direction = |d: &UnitVec3| format!("({:.3}, {:.3}, {:.3})", d.x, d.y, d.z);
        match self {
            FreeMotion::Slide { along } => write!(f, "free to slide along {}", direction(along)),
            FreeMotion::Turn { through: p, about, pitch } => {
                write!(
                    f,
                    "free to turn about the axis {} through ({:.1}, {:.1}, {:.1})",
                    direction(about),
                    p.x,
                    p.y,
                    p.z
                )?;
                if pitch.abs() > 0.0 {
                    write!(f, ", sliding {:.1} mm along it each turn", pitch * std::f64::consts::TAU)?;
                }
                Ok(())
            }
        }
    }
}

/// Turns below this share of a motion (in mm at the arm) are none; so are pitches.
const NEGLIGIBLE: f64 = 0.03;

/// The free motions spanned by `directions`: orthonormal motions `[t, ω·arm]` about `centre`.
///
/// Slides come first: the combinations without a turn. What is left turns; its shift along a free
/// slide says nothing and is taken out. The axis of a turn ω with shift t passes through
/// ω×t/ω², its pitch is ω·t/ω² (screw theory; from memory).
pub(crate) fn in_words(directions: &[Vector6<f64>], arm: f64, centre: &Point3) -> Vec<FreeMotion> {
    if directions.is_empty() {
        return Vec::new();
    }
    let turns = DMatrix::from_fn(3, directions.len(), |i, j| directions[j][3 + i]);
    let eigen = turns.tr_mul(&turns).symmetric_eigen();
    let mut order: Vec<usize> = (0..directions.len()).collect();
    order.sort_by(|&a, &b| eigen.eigenvalues[a].total_cmp(&eigen.eigenvalues[b]));
    let mut free = Vec::new();
    let mut slides: Vec<Vec3> = Vec::new();
    for k in order {
        let motion: Vector6<f64> =
            directions.iter().zip(eigen.eigenvectors.column(k).iter()).map(|(d, w)| d * *w).sum();
        let mut shift: Vec3 = motion.fixed_rows::<3>(0).into();
        let turn: Vec3 = motion.fixed_rows::<3>(3) / arm;
        if eigen.eigenvalues[k].max(0.0).sqrt() < NEGLIGIBLE {
            if let Some(along) = UnitVec3::try_new(one_sense(shift), 1e-9) {
                slides.push(along.into_inner());
                free.push(FreeMotion::Slide { along });
            }
            continue;
        }
        for slide in &slides {
            shift -= slide * slide.dot(&shift);
        }
        let square = turn.norm_squared();
        let about = UnitVec3::new_normalize(one_sense(turn));
        let pitch = turn.dot(&shift) / square;
        // The axis is given where it is nearest to the middle of what overlaps.
        let through = centre + turn.cross(&shift) / square;
        let pitch = if pitch.abs() < NEGLIGIBLE * arm { 0.0 } else { pitch };
        free.push(FreeMotion::Turn { through, about, pitch });
    }
    free
}

/// Of a direction's two senses the one whose largest component is positive.
fn one_sense(v: Vec3) -> Vec3 {
    if v[v.iamax()] < 0.0 { -v } else { v }
}

/// Moves the covariance of a motion `[t, ω]` about `centre` to one about the origin: `t₀ = t + c×ω`.
pub(crate) fn about_origin(covariance: &Matrix6<f64>, centre: &Point3) -> Matrix6<f64> {
    let mut shift = Matrix6::identity();
    shift.fixed_view_mut::<3, 3>(0, 3).copy_from(&centre.coords.cross_matrix());
    let moved = shift * covariance * shift.transpose();
    (moved + moved.transpose()) * 0.5
}
