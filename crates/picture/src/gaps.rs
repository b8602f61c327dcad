//! A picture of a scan coloured by its gaps.

use crate::legend::Scale;
use crate::scene::{Callout, Frame, PictureSettings, ScanLayer, Scene};
use crate::sheet::render;
use stringline_core::covariance::rounded;
use stringline_core::{Point3, RigidTransform};
use stringline_scan::Scan;

/// What [`render_gaps`] draws.
#[derive(Clone, Copy)]
pub struct GapPicture<'a> {
    /// Stands over it.
    pub title: &'a str,
    /// The scan that was measured.
    pub scan: &'a Scan,
    /// Where it stands.
    pub car_from_scan: &'a RigidTransform,
    /// One a point, mm; NaN where there is none.
    pub gaps: &'a [f32],
    /// The gap at either end of the scale, mm.
    pub full: f64,
    /// Where it is smallest and where largest, car coordinates: what is said of the place, and the gap there.
    pub told: &'a [(Point3, &'a str, f64)],
}

/// Draws a scan coloured by its gaps, seen from where most of it can be seen, as a self-contained SVG.
pub fn render_gaps(picture: &GapPicture<'_>) -> String {
    let full = picture.full;
    let values: Vec<f32> = picture.gaps.iter().map(|gap| gap / full as f32).collect();
    let mut scene = Scene::new(picture.title);
    scene.frame = Frame::Car;
    scene.note = "gaps of the drawn surface from the other; negative within its material".into();
    scene.layers.push(ScanLayer {
        scene_from_scan: *picture.car_from_scan,
        normals: picture.scan.oriented().then(|| picture.scan.normals()),
        values: Some(&values),
        ..ScanLayer::new(picture.scan.geometry())
    });
    scene.scale = Some(Scale {
        title: "gap, mm".into(),
        marks: [format!("−{full}"), "0".into(), format!("{full}")],
        none: "farther away".into(),
    });
    for (at, words, gap) in picture.told {
        scene.callouts.push(Callout::feature(*at, *words).with(format!("{} mm", rounded(*gap, 0.015))));
    }
    render(&scene, &PictureSettings::default())
}
