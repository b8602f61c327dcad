//! What the mates leave free, as slides and turns of the scans.
//!
//! The free small motions span a space. Those of it without any turn are slides; what is left turns about
//! axes: with turn ω and shift t about the origin, the axis runs along ω through ω×t/|ω|², and
//! ω·t/|ω|² is its pitch.

use crate::system::System;
use nalgebra::{DMatrix, DVector};
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};

/// How one scan may move.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FreeMotion {
    /// Along a direction.
    Slide {
        /// In the frame it moves in: the car's, or the target's.
        along: UnitVec3,
    },
    /// About an axis.
    Turn {
        /// On the axis, in that frame, mm.
        about: Point3,
        /// Along it.
        along: UnitVec3,
        /// Advance along the axis, mm a radian; 0 for a plain turn.
        pitch: f64,
    },
}

impl std::fmt::Display for FreeMotion {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let direction = |d: &UnitVec3| format!("({:.3}, {:.3}, {:.3})", d.x, d.y, d.z);
        match self {
            FreeMotion::Slide { along } => write!(f, "free to slide along {}", direction(along)),
            FreeMotion::Turn { about: p, along, pitch } => {
                write!(
                    f,
                    "free to turn about the axis {} through ({:.1}, {:.1}, {:.1})",
                    direction(along),
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

/// One free motion: scans that move together.
#[derive(Clone, Debug, PartialEq)]
pub struct Freedom {
    /// Each scan that moves, how, and the axis of a datum that it moves along or about.
    pub scans: Vec<(String, FreeMotion, Option<String>)>,
}

impl Freedom {
    /// Whether a scan moves.
    pub fn moves(&self, scan: &str) -> bool {
        self.scans.iter().any(|(name, ..)| name == scan)
    }
}

impl std::fmt::Display for Freedom {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (index, (scan, motion, axis)) in self.scans.iter().enumerate() {
            if index > 0 {
                f.write_str(", and with it ")?;
            }
            let axis = axis.as_ref().map(|name| format!("the axis of '{name}'"));
            let numbers = |d: &UnitVec3| format!("({:.3}, {:.3}, {:.3})", d.x, d.y, d.z);
            match motion {
                FreeMotion::Slide { along } => {
                    write!(f, "{scan} is free to slide along {}", axis.unwrap_or_else(|| numbers(along)))?;
                }
                FreeMotion::Turn { about, along, .. } => {
                    let line = || {
                        format!(
                            "a line through ({:.0}, {:.0}, {:.0}) along {}",
                            about.x,
                            about.y,
                            about.z,
                            numbers(along)
                        )
                    };
                    write!(f, "{scan} is free to turn about {}", axis.unwrap_or_else(line))?;
                }
            }
        }
        Ok(())
    }
}

/// The free motions about the origin, a column each, in words.
pub(crate) fn freedoms(system: &System<'_>, poses: &[Option<RigidTransform>], free: &DMatrix<f64>) -> Vec<Freedom> {
    if free.ncols() == 0 {
        return Vec::new();
    }
    let scans = system.scans.len();
    let pivots = system.pivots(poses);
    // Turns as lengths at the lever, so that both are in mm.
    let turns =
        DMatrix::from_fn(3 * scans, free.ncols(), |i, j| free[(6 * (i / 3) + 3 + i % 3, j)] * pivots[i / 3].lever);
    let eigen = turns.tr_mul(&turns).symmetric_eigen();
    let mut order: Vec<usize> = (0..free.ncols()).collect();
    order.sort_by(|a, b| eigen.eigenvalues[*a].total_cmp(&eigen.eigenvalues[*b]));
    let mut slides: Vec<DVector<f64>> = Vec::new();
    let mut found = Vec::new();
    for k in order {
        let mut motion = free * eigen.eigenvectors.column(k);
        let is_slide = eigen.eigenvalues[k] < 1e-4;
        if is_slide {
            slides.push(motion.clone());
        } else {
            for slide in &slides {
                let dot: f64 = (0..scans).map(|s| slide.rows(6 * s, 3).dot(&motion.rows(6 * s, 3))).sum();
                motion.axpy(-dot / slide.norm_squared(), slide, 1.0);
            }
        }
        let largest = (0..scans).map(|s| size(&motion, s, pivots[s].lever, &pivots[s].centre)).fold(0.0, f64::max);
        let moving = (0..scans).filter(|&s| size(&motion, s, pivots[s].lever, &pivots[s].centre) > 0.01 * largest);
        let of_scan = |s: usize| {
            let name = &system.scans[s];
            let how = free_motion(&motion, s);
            let like = like(system, poses, &how);
            (name.clone(), how, like)
        };
        found.push(Freedom { scans: moving.map(of_scan).collect() });
    }
    found
}

fn parts(motion: &DVector<f64>, scan: usize) -> (Vec3, Vec3) {
    let at = |k: usize| motion[6 * scan + k];
    (Vec3::new(at(0), at(1), at(2)), Vec3::new(at(3), at(4), at(5)))
}

fn size(motion: &DVector<f64>, scan: usize, lever: f64, centre: &Point3) -> f64 {
    let (shift, turn) = parts(motion, scan);
    (shift + turn.cross(&centre.coords)).norm().max(turn.norm() * lever)
}

fn free_motion(motion: &DVector<f64>, scan: usize) -> FreeMotion {
    let (shift, turn) = parts(motion, scan);
    // Far off axes are slides: over a metre the turn moves less than it shifts.
    match UnitVec3::try_new(turn, 1e-12).filter(|_| turn.norm() * 1e5 > shift.norm()) {
        Some(along) => {
            let squared = turn.norm_squared();
            FreeMotion::Turn {
                about: Point3::from(turn.cross(&shift) / squared),
                along,
                pitch: turn.dot(&shift) / squared,
            }
        }
        None => FreeMotion::Slide { along: UnitVec3::new_normalize(shift) },
    }
}

/// A datum whose axis is that of the motion, to a degree and a millimetre.
fn like(system: &System<'_>, poses: &[Option<RigidTransform>], motion: &FreeMotion) -> Option<String> {
    for mate in &system.mates {
        for (on, here) in mate.relation.datums().iter().zip(system.here(mate, poses)) {
            let Some(d) = here.d else { continue };
            let same = |along: &UnitVec3| d.cross(along).norm() < 0.0175;
            let is = match motion {
                FreeMotion::Slide { along } => same(along),
                FreeMotion::Turn { about, along, .. } => {
                    on.anchor.hold != crate::Hold::Face && same(along) && d.cross(&(about - here.p)).norm() < 1.0
                }
            };
            if is {
                return Some(on.anchor.name.clone());
            }
        }
    }
    None
}
