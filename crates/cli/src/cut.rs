//! Where a swept wheel needs room, as a coloured mesh, and a section where bodies come too near.

use crate::failure::Failure;
use crate::gap::write;
use crate::table::rounded;
use serde::Serialize;
use std::path::{Path, PathBuf};
use stringline_clearance::{Mark, Plane, Shape, Sweep, Touch, section};
use stringline_core::colour::diverging;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_job::Setup;
use stringline_picture::{Dimension, Outline, render_section};
use stringline_scan::write::{Precision, ply_coloured};
use stringline_scan::{Geometry, Mesh};

/// Gaps beyond the one wanted are told in colour up to this, mm.
const BEYOND: f32 = 20.0;
/// Half of what a section shows, mm.
const AROUND: f64 = 120.0;

/// What of a body is in a wheel's way.
#[derive(Serialize)]
pub(crate) struct Cut {
    body: String,
    wheel: String,
    /// What must go, mm² of surface.
    area: f64,
    /// By how much, mm.
    depth: f64,
    /// Where the deepest place is, in the body's own frame, mm.
    at: Option<[f64; 3]>,
    file: PathBuf,
}

impl Cut {
    /// In words.
    pub(crate) fn sentence(&self) -> String {
        if self.depth <= 0.0 {
            return format!("nothing of {} is in the way of {}", self.body, self.wheel);
        }
        format!(
            "{} cm² of {} within the gap wanted of {}, {} mm must go at the deepest place: {}",
            rounded(self.area / 100.0, 0.15),
            self.body,
            self.wheel,
            rounded(self.depth, 0.15),
            self.file.display()
        )
    }
}

/// The marks of every wheel on every scanned or designed body it is paired with, over all locks asked for; each written as a
/// coloured mesh in the body's frame.
pub(crate) fn cuts(
    setup: &Setup<'_>,
    sweep: &Sweep,
    folder: &Path,
    stem: &str,
    files: &mut Vec<PathBuf>,
) -> Result<Vec<Cut>, Failure> {
    let mut cuts = Vec::new();
    let locks = [sweep.locks.first(), sweep.locks.last()].map(|l| l.copied().unwrap_or(0.0));
    for (i, pair) in setup.pairs.iter().enumerate() {
        let Some(mark) = setup.mark(i, locks, |_| true) else { continue };
        let wheel = matches!(setup.parts[pair.a].shape, Shape::Wheel(_));
        let (wheel, body) = if wheel { (pair.a, pair.b) } else { (pair.b, pair.a) };
        let body = &setup.parts[body].name;
        let path = folder.join(format!("{stem}.{}.{body}.cut-here.ply", setup.variant));
        write(&path, &ply(mark.mesh.clone(), &colours(&mark, pair.wanted as f32))?, files)?;
        cuts.push(Cut {
            body: body.clone(),
            wheel: setup.parts[wheel].name.clone(),
            area: mark.area,
            depth: mark.depth,
            at: mark.deepest.map(|v| mark.mesh.vertices[v as usize].coords.into()),
            file: path,
        });
    }
    Ok(cuts)
}

/// On the diverging scale about the gap wanted: blue where material must go, brown where there is room, grey beyond.
fn colours(mark: &Mark, wanted: f32) -> Vec<[u8; 3]> {
    mark.gaps.iter().map(|gap| diverging((gap - wanted) / BEYOND)).collect()
}

/// A binary PLY of a mesh with a colour at every vertex.
pub(crate) fn ply(mesh: Mesh, colours: &[[u8; 3]]) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    ply_coloured(&Geometry::Mesh(mesh), Precision::Single, colours, &mut bytes)?;
    Ok(bytes)
}

/// The section where a pair comes too near: of a wheel the plane through its axis and that place, else the upright plane
/// along the gap.
pub(crate) fn section_picture(setup: &Setup<'_>, touch: &Touch) -> String {
    let pair = &setup.pairs[touch.pair];
    let (at_a, at_b) = (touch.poses[pair.a] * touch.closest.on_a, touch.poses[pair.b] * touch.closest.on_b);
    let at = nalgebra::center(&at_a, &at_b);
    let wheel = [pair.a, pair.b].into_iter().find(|&p| matches!(setup.parts[p].shape, Shape::Wheel(_)));
    // To the right of the picture, and up.
    let (right, up) = match wheel {
        Some(wheel) => {
            let pose = &touch.poses[wheel];
            let axis = pose * Vec3::y();
            let out = at - pose * Point3::origin();
            (axis, (out - axis * axis.dot(&out)).try_normalize(1e-9).unwrap_or_else(Vec3::z))
        }
        None => {
            let along = at_b - at_a;
            let level = Vec3::new(along.x, along.y, 0.0).try_normalize(1e-9).unwrap_or_else(Vec3::y);
            (level, Vec3::z())
        }
    };
    let plane = Plane { point: at, u: right, v: (up - right * right.dot(&up)).normalize() };
    let outlines: Vec<Outline> = [pair.a, pair.b]
        .into_iter()
        .map(|part| {
            let mesh = setup.mesh(part);
            outline(&setup.parts[part].name, mesh.as_ref(), &touch.poses[part], &plane)
        })
        .collect();
    let flat = |p: &Point3| plane.flat(p).coords.into();
    let dimension =
        Dimension { from: flat(&at_a), to: flat(&at_b), text: format!("{} mm", rounded(touch.closest.gap, 0.015)) };
    let title = format!("{}: {}", setup.variant, setup.words(touch.pair));
    let words = if wheel.is_some() { "plane through the wheel's axis" } else { "upright plane along the gap" };
    let note = format!(
        "{words}; lock {:.2}°, wheel travel {:.1} mm, where less than {} mm is left first",
        touch.lock.to_degrees(),
        touch.travel,
        pair.wanted
    )
    .replace('-', "−");
    render_section(&title, &note, &outlines, Some(&dimension), [[-AROUND, AROUND]; 2])
}

/// Where a plane of the car cuts a mesh, in the plane.
pub(crate) fn outline(name: &str, mesh: Option<&Mesh>, car_from_mesh: &RigidTransform, plane: &Plane) -> Outline {
    let mesh_from_car = car_from_mesh.inverse();
    let here = Plane { point: mesh_from_car * plane.point, u: mesh_from_car * plane.u, v: mesh_from_car * plane.v };
    let chain = |o: stringline_clearance::Outline| {
        let first = o.places.first().filter(|_| o.closed).copied();
        o.places.iter().copied().chain(first).map(|p| p.coords.into()).collect()
    };
    let chains = mesh.map_or_else(Vec::new, |mesh| section(mesh, &here).into_iter().map(chain).collect());
    Outline { name: name.into(), chains }
}
