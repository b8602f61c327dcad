//! Where a swept wheel needs room, as a coloured mesh, and a section where bodies come too near.

use crate::failure::Failure;
use crate::gap::write;
use crate::table::rounded;
use serde::Serialize;
use std::path::{Path, PathBuf};
use stringline_clearance::{EndedBy, Mark, Plane, Poses, Reach, Shape, Sweep, Touch, section};
use stringline_core::colour::diverging;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_job::Setup;
use stringline_picture::{
    Callout, Dimension, Frame, Outline, PictureSettings, Scale, ScanLayer, Scene, Section, Tint, View, render,
    render_section,
};
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
    #[serde(skip)]
    words: String,
}

impl Cut {
    /// In words, with its file.
    pub(crate) fn sentence(&self) -> String {
        match self.depth > 0.0 {
            true => format!("{}: {}", self.words, self.file.display()),
            false => self.words.clone(),
        }
    }
}

/// The marks of every wheel on every scanned or designed body that it comes too near to, over all locks asked for; each
/// written as a coloured mesh in the body's frame and as a picture.
pub(crate) fn cuts(
    setup: &Setup,
    sweep: &Sweep,
    folder: &Path,
    stem: &str,
    files: &mut Vec<PathBuf>,
) -> Result<Vec<Cut>, Failure> {
    let mut cuts = Vec::new();
    let locks = [sweep.locks.first(), sweep.locks.last()].map(|l| l.copied().unwrap_or(0.0));
    for (i, pair) in setup.pairs.iter().enumerate() {
        let kept = |reach: &Reach| reach.by != EndedBy::Pair(i);
        if sweep.pair_rows.iter().all(|row| row[i].iter().all(kept)) {
            continue;
        }
        let Some(([wheel, body], mark)) = setup.marked_parts(i).zip(setup.mark(i, locks, |_| true)) else { continue };
        let picture = mark_picture(setup, body, &mark, pair.wanted);
        let body = &setup.parts[body].name;
        write(&folder.join(format!("{stem}.{}.{body}.cut-here.svg", setup.variant)), picture.as_bytes(), files)?;
        let path = folder.join(format!("{stem}.{}.{body}.cut-here.ply", setup.variant));
        write(&path, &ply(mark.mesh.clone(), &colours(&mark, pair.wanted as f32))?, files)?;
        let wheel = &setup.parts[wheel].name;
        cuts.push(Cut {
            words: mark.sentence(body, wheel),
            body: body.clone(),
            wheel: wheel.clone(),
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

/// The marked body where it stands at rest, seen from where it is cut deepest.
fn mark_picture(setup: &Setup, part: usize, mark: &Mark, wanted: f64) -> String {
    let car_from_part = setup.poses.at(0.0, 0.0).ok().map_or_else(RigidTransform::identity, |poses| poses[part]);
    let values: Vec<f32> = mark.gaps.iter().map(|gap| (gap - wanted as f32) / BEYOND).collect();
    let geometry = Geometry::Mesh(mark.mesh.clone());
    let mut scene = Scene::new(format!("{}: where {} is in the wheel's way", setup.variant, setup.parts[part].name));
    scene.frame = Frame::Car;
    scene.note = "smallest gap over all locks and wheel travels; grey: farther away".into();
    scene.layers.push(ScanLayer { scene_from_scan: car_from_part, values: Some(&values), ..ScanLayer::new(&geometry) });
    scene.scale = Some(Scale {
        title: format!("gap less the {wanted} mm wanted, mm"),
        marks: [format!("−{BEYOND} must go"), "0".into(), format!("{BEYOND} room")],
        none: "farther away".into(),
    });
    let mut facing = Vec3::z();
    if let Some(deepest) = mark.deepest {
        let touching = (0..mark.mesh.facets.len() as u32).filter(|&f| mark.mesh.facets[f as usize].contains(&deepest));
        facing = car_from_part * touching.map(|f| mark.mesh.area_vector(f)).sum::<Vec3>();
        let at = car_from_part * mark.mesh.vertices[deepest as usize];
        let mut callout = Callout::feature(at, "deepest");
        callout = callout.with(match mark.depth {
            depth if depth > 0.0 => format!("{} mm must go", rounded(depth, 0.15)),
            _ => "nothing must go".into(),
        });
        scene.callouts.push(callout);
    }
    render(&scene, &PictureSettings { view: seen_from(&facing), ..PictureSettings::default() })
}

/// From a side, a little from above.
fn seen_from(facing: &Vec3) -> View {
    let direction = facing.try_normalize(0.0).unwrap_or_else(Vec3::z) + Vec3::new(0.13, 0.07, 0.25);
    View::From { direction: UnitVec3::new_normalize(direction), up: Vec3::z_axis() }
}

/// Both bodies of a pair where they come too near, cut open there.
pub(crate) fn touch_picture(setup: &Setup, touch: &Touch) -> String {
    let pair = &setup.pairs[touch.pair];
    let plane = touch_plane(setup, touch);
    let meshes: Vec<(usize, Geometry)> =
        [pair.a, pair.b].into_iter().filter_map(|part| Some((part, Geometry::Mesh(setup.mesh(part)?)))).collect();
    let mut scene = Scene::new(format!("{}: {}", setup.variant, setup.words(touch.pair)));
    scene.frame = Frame::Car;
    scene.note = state_note(touch, pair.wanted);
    for ((part, geometry), tint) in meshes.iter().zip([Tint::Slate, Tint::Ochre]) {
        scene.layers.push(ScanLayer { scene_from_scan: touch.poses[*part], tint, ..ScanLayer::new(geometry) });
    }
    scene.callouts.push(
        Callout::feature(touch.at(pair), "first to come too near")
            .with(format!("gap {} mm", rounded(touch.closest.gap, 0.015))),
    );
    let normal = UnitVec3::new_normalize(plane.u.cross(&plane.v));
    let view = View::From { direction: normal, up: Vec3::z_axis() };
    let section = Some(Section { point: plane.point, normal });
    render(&scene, &PictureSettings { view, section, ..PictureSettings::default() })
}

fn state_note(touch: &Touch, wanted: f64) -> String {
    format!(
        "lock {:.2}°, wheel travel {:.1} mm, where less than {wanted} mm is left first",
        touch.lock.to_degrees(),
        touch.travel,
    )
    .replace('-', "−")
}

/// A binary PLY of a mesh with a colour at every vertex.
pub(crate) fn ply(mesh: Mesh, colours: &[[u8; 3]]) -> Result<Vec<u8>, Failure> {
    let mut bytes = Vec::new();
    ply_coloured(&Geometry::Mesh(mesh), Precision::Single, colours, &mut bytes)?;
    Ok(bytes)
}

/// The plane in which a pair comes too near: of a wheel that through its axis and the place, else the upright plane along the
/// gap. `u` runs to the right of a picture and `v` up.
fn touch_plane(setup: &Setup, touch: &Touch) -> Plane {
    let pair = &setup.pairs[touch.pair];
    let (at_a, at_b) = (touch.poses[pair.a] * touch.closest.on_a, touch.poses[pair.b] * touch.closest.on_b);
    let at = nalgebra::center(&at_a, &at_b);
    let (right, up) = match wheel_of(setup, touch) {
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
    Plane { point: at, u: right, v: (up - right * right.dot(&up)).normalize() }
}

fn wheel_of(setup: &Setup, touch: &Touch) -> Option<usize> {
    let pair = &setup.pairs[touch.pair];
    [pair.a, pair.b].into_iter().find(|&p| matches!(setup.parts[p].shape, Shape::Wheel(_)))
}

/// The outlines of a pair in that plane.
pub(crate) fn section_picture(setup: &Setup, touch: &Touch) -> String {
    let pair = &setup.pairs[touch.pair];
    let (at_a, at_b) = (touch.poses[pair.a] * touch.closest.on_a, touch.poses[pair.b] * touch.closest.on_b);
    let plane = touch_plane(setup, touch);
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
    let words =
        if wheel_of(setup, touch).is_some() { "plane through the wheel's axis" } else { "upright plane along the gap" };
    let note = format!("{words}; {}", state_note(touch, pair.wanted));
    render_section(&title, &note, &outlines, Some(&dimension), [[-AROUND, AROUND]; 2])
}

/// Where a plane of the car cuts a mesh, in the plane.
pub(crate) fn outline(name: &str, mesh: Option<&Mesh>, car_from_mesh: &RigidTransform, plane: &Plane) -> Outline {
    let here = plane.moved(&car_from_mesh.inverse());
    let outlines = mesh.map_or_else(Vec::new, |mesh| section(mesh, &here));
    drawn_outline(name, &outlines)
}

/// Outlines as they are drawn.
pub(crate) fn drawn_outline(name: &str, outlines: &[stringline_clearance::Outline]) -> Outline {
    let chains = outlines.iter().map(|o| o.chain().map(|p| p.coords.into()).collect()).collect();
    Outline { name: name.into(), chains }
}
