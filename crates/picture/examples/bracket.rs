//! An invented bracket, meshed from a distance function, with painted patches and call-outs:
//! `cargo run --release -p stringline-picture --example bracket -- [FOLDER [CELL_MM]]`
//! writes one SVG a view. Its figures are invented too.

use std::error::Error;
use std::path::PathBuf;
use std::time::Instant;
use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_picture::{
    Callout, FormSymbol, Frame, PictureSettings, ScanLayer, Scene, Section, TextLine, Tint, View, render,
};
use stringline_scan::{Cloud, Geometry, Mesh};

/// Signed distance to an upright cylinder about `axis` (0 x, 1 y, 2 z), mm.
fn cylinder(p: Vec3, centre: Vec3, axis: usize, radius: f64, half: f64) -> f64 {
    let w = p - centre;
    let along = w[axis].abs() - half;
    let across = (w.norm_squared() - w[axis] * w[axis]).max(0.0).sqrt() - radius;
    across.max(along)
}

fn cuboid(p: Vec3, centre: Vec3, half: Vec3, round: f64) -> f64 {
    let q = (p - centre).abs() - half + Vec3::repeat(round);
    q.sup(&Vec3::zeros()).norm() + q.max().min(0.0) - round
}

/// A union with a fillet of about `r`.
fn blend(a: f64, b: f64, r: f64) -> f64 {
    let h = (r - (a - b).abs()).max(0.0) / r;
    a.min(b) - 0.25 * h * h * r
}

fn bracket(p: Vec3) -> f64 {
    let v = Vec3::new;
    let arm = cuboid(p, v(0.0, 34.0, 0.0), v(14.0, 64.0, 10.0), 6.0);
    let hub = cylinder(p, v(0.0, -40.0, 0.0), 1, 42.0, 16.0);
    let lug = cylinder(p, v(0.0, 112.0, 0.0), 2, 20.0, 16.0);
    let ear = cuboid(p, v(0.0, -36.0, 60.0), v(18.0, 12.0, 44.0), 5.0);
    let body = blend(blend(blend(arm, hub, 14.0), lug, 10.0), ear, 14.0);
    let bore = cylinder(p, v(0.0, -52.0, 0.0), 1, 25.0, 14.0);
    let seat = cylinder(p, v(0.0, 112.0, 0.0), 2, 9.0 + 0.09 * p.z, 60.0);
    let bolts = cylinder(p, v(0.0, -36.0, 88.0), 1, 6.0, 60.0).min(cylinder(p, v(0.0, -36.0, 66.0), 1, 6.0, 60.0));
    body.max(-bore).max(-seat).max(-bolts)
}

/// Naive surface nets: one vertex a cell that the surface passes through.
fn mesh(field: impl Fn(Vec3) -> f64, low: Vec3, cell: f64, counts: [usize; 3]) -> Mesh {
    let corner = |i: usize, j: usize, k: usize| low + Vec3::new(i as f64, j as f64, k as f64) * cell;
    let at = |i: usize, j: usize, k: usize| (k * (counts[1] + 1) + j) * (counts[0] + 1) + i;
    let mut values = Vec::new();
    for k in 0..=counts[2] {
        for j in 0..=counts[1] {
            values.extend((0..=counts[0]).map(|i| field(corner(i, j, k))));
        }
    }
    let mut index = vec![u32::MAX; values.len()];
    let mut mesh = Mesh::default();
    let mut seed = 1_u64;
    for k in 0..counts[2] {
        for j in 0..counts[1] {
            for i in 0..counts[0] {
                let corners: Vec<(Vec3, f64)> = (0..8)
                    .map(|c| (i + (c & 1), j + (c >> 1 & 1), k + (c >> 2)))
                    .map(|(i, j, k)| (corner(i, j, k), values[at(i, j, k)]))
                    .collect();
                let (mut sum, mut count) = (Vec3::zeros(), 0.0);
                for a in 0..8_usize {
                    for b in [a ^ 1, a ^ 2, a ^ 4] {
                        let ((p, u), (q, v)) = (corners[a], corners[b]);
                        if a < b && (u < 0.0) != (v < 0.0) {
                            sum += p + (q - p) * (u / (u - v));
                            count += 1.0;
                        }
                    }
                }
                if count > 0.0 {
                    index[at(i, j, k)] = mesh.vertices.len() as u32;
                    // A little scanner noise, uniform ± 0.03 mm.
                    let noise = Vec3::from_fn(|_, _| {
                        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                        0.06 * ((seed >> 33) as f64 / (1_u64 << 31) as f64 - 0.5)
                    });
                    mesh.vertices.push(Point3::from(sum / count + noise));
                }
            }
        }
    }
    for k in 1..counts[2] {
        for j in 1..counts[1] {
            for i in 1..counts[0] {
                let here = values[at(i, j, k)] < 0.0;
                let edges = [
                    (values[at(i + 1, j, k)], [at(i, j - 1, k - 1), at(i, j, k - 1), at(i, j, k), at(i, j - 1, k)]),
                    (values[at(i, j + 1, k)], [at(i - 1, j, k - 1), at(i - 1, j, k), at(i, j, k), at(i, j, k - 1)]),
                    (values[at(i, j, k + 1)], [at(i - 1, j - 1, k), at(i, j - 1, k), at(i, j, k), at(i - 1, j, k)]),
                ];
                for (there, quad) in edges {
                    if here != (there < 0.0) {
                        let [a, b, c, d] = quad.map(|q| index[q]);
                        let quad = if here { [a, b, c, d] } else { [a, d, c, b] };
                        mesh.facets.push([quad[0], quad[1], quad[2]]);
                        mesh.facets.push([quad[0], quad[2], quad[3]]);
                    }
                }
            }
        }
    }
    mesh
}

fn main() -> Result<(), Box<dyn Error>> {
    let mut arguments = std::env::args().skip(1);
    let folder = PathBuf::from(arguments.next().unwrap_or_else(|| ".".into()));
    let cell: f64 = arguments.next().unwrap_or_else(|| "0.8".into()).parse()?;
    let (low, high) = (Vec3::new(-50.0, -64.0, -50.0), Vec3::new(50.0, 140.0, 110.0));
    let counts = [0, 1, 2].map(|i| ((high[i] - low[i]) / cell).ceil() as usize);
    let mesh = mesh(bracket, low, cell, counts);
    let painted: Vec<u32> = (0..mesh.facets.len() as u32)
        .filter(|&f| {
            let centre = mesh.corners(f).iter().fold(Vec3::zeros(), |s, p| s + p.coords) / 3.0;
            let bore = (centre.x.hypot(centre.z) - 25.0).abs() < 0.4
                && centre.y.abs() < 60.0
                && centre.y < -30.0
                && centre.x > 5.0;
            let lug = (centre.z - 16.0).abs() < 0.4 && centre.y > 90.0 && centre.x > -8.0;
            bore || lug
        })
        .collect();
    let gradient = |p: &Point3| {
        let rise = |axis| bracket(p.coords + Vec3::ith(axis, 0.01)) - bracket(p.coords - Vec3::ith(axis, 0.01));
        Vec3::new(rise(0), rise(1), rise(2)).normalize()
    };
    let points: Vec<Point3> = mesh.vertices.iter().step_by(7).copied().collect();
    let cloud = Geometry::Cloud(Cloud { normals: points.iter().map(gradient).collect(), points });
    let facets = mesh.facets.len();
    let geometry = Geometry::Mesh(mesh);

    let p = Point3::new;
    let mut scene = Scene::new("Bracket, as scanned");
    scene.frame = Frame::Car;
    scene.note = "± at 95 %; invented figures".into();
    scene.layers.push(ScanLayer { painted: &painted, ..ScanLayer::new(&geometry) });
    scene.callouts = vec![
        Callout::feature(p(0.0, -52.0, 25.0), "hub bore")
            .along(p(0.0, -60.0, 0.0), p(0.0, -20.0, 0.0))
            .with("Ø 50.003 ± 0.006")
            .with(TextLine::form(FormSymbol::Cylindricity, "0.061")),
        Callout::feature(p(0.0, 112.0, 16.0), "taper seat")
            .along(p(0.0, 112.0, -20.0), p(0.0, 112.0, 20.0))
            .with("10.28° ± 0.05°, near 1:5.6")
            .with(TextLine::form(FormSymbol::SurfaceProfile, "0.048")),
        Callout::feature(p(0.0, 100.0, 16.0), "lug face").with(TextLine::form(FormSymbol::Flatness, "0.055")),
        Callout::feature(p(6.0, -24.0, 88.0), "strut bolt, upper")
            .along(p(0.0, -60.0, 88.0), p(0.0, -12.0, 88.0))
            .with("Ø 12.01 ± 0.02")
            .with(TextLine::form(FormSymbol::Cylindricity, "0.058")),
        Callout::feature(p(6.0, -24.0, 66.0), "strut bolt, lower")
            .along(p(0.0, -60.0, 66.0), p(0.0, -12.0, 66.0))
            .with("Ø 12.00 ± 0.02")
            .with(TextLine::form(FormSymbol::Cylindricity, "0.057")),
        Callout::feature(p(42.0, -40.0, 0.0), "hub outside")
            .with("Ø 83.99 ± 0.01")
            .with(TextLine::form(FormSymbol::Roundness, "0.060")),
        Callout::feature(p(14.0, 30.0, 0.0), "arm side").with(TextLine::form(FormSymbol::Straightness, "0.052")),
        Callout::hardpoint(p(0.0, 112.0, 0.0), "lower ball joint").with("x 0.00 y 112.01 z 0.02").with("± 0.011 mm"),
        Callout::hardpoint(p(0.0, -56.0, 0.0), "wheel centre").with("± 0.008 mm"),
        Callout::hardpoint(p(0.0, -36.0, 77.0), "strut lower").with("± 0.02 mm"),
    ];
    let cut = Section { point: p(0.0, 0.0, 0.0), normal: UnitVec3::new_normalize(Vec3::x()) };
    for (name, view, section) in [
        ("isometric", View::Isometric, None),
        ("front", View::Front, None),
        ("left", View::Left, None),
        ("top", View::Top, None),
        (
            "cut",
            View::From { direction: UnitVec3::new_normalize(Vec3::new(1.0, 0.35, 0.45)), up: Vec3::z_axis() },
            Some(cut),
        ),
        ("cut-square", View::Front, Some(cut)),
    ] {
        let started = Instant::now();
        let svg = render(&scene, &PictureSettings { view, section, ..PictureSettings::default() });
        #[allow(clippy::print_stdout, reason = "an example speaks")]
        {
            println!("{name}: {facets} facets, {:.2} s, {} kB", started.elapsed().as_secs_f64(), svg.len() / 1000);
        }
        std::fs::write(folder.join(format!("bracket-{name}.svg")), svg)?;
    }
    scene.title = "Bracket, as a cloud of points".into();
    if let Some(layer) = scene.layers.first_mut() {
        *layer = ScanLayer { tint: Tint::Sage, ..ScanLayer::new(&cloud) };
    }
    std::fs::write(folder.join("bracket-cloud.svg"), render(&scene, &PictureSettings::default()))?;
    Ok(())
}
