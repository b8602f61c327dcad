//! Whole pictures: what the raster shows, and that the sheet can be read.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use base64::Engine as _;
use std::f64::consts::{PI, TAU};
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3};
use stringline_picture::{
    Callout, FormSymbol, Frame, PictureSettings, ScanLayer, Scene, Section, TextLine, Tint, View, render,
};
use stringline_scan::{Cloud, Dab, Geometry, Mesh, Scan};

/// A closed sphere with its facets facing outwards.
fn sphere(centre: Point3, radius: f64, rings: u32) -> Mesh {
    let segments = 2 * rings;
    let mut mesh = Mesh::default();
    for i in 0..=rings {
        let polar = PI * f64::from(i) / f64::from(rings);
        for j in 0..segments {
            let around = TAU * f64::from(j) / f64::from(segments);
            let out = Vec3::new(polar.sin() * around.cos(), polar.sin() * around.sin(), polar.cos());
            mesh.vertices.push(centre + out * radius);
        }
    }
    let at = |i: u32, j: u32| i * segments + j % segments;
    for i in 0..rings {
        for j in 0..segments {
            mesh.facets.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
            mesh.facets.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
        }
    }
    mesh
}

fn plain(view: View) -> PictureSettings {
    PictureSettings { view, raster_scale: 1.0, ..PictureSettings::default() }
}

/// The embedded raster: width, height, RGB pixels, and pixels a mm by the scale bar.
struct Shown {
    width: usize,
    pixels: Vec<[u8; 3]>,
}

impl Shown {
    fn of(svg: &str) -> Shown {
        let document = roxmltree::Document::parse(svg).unwrap();
        let image = document.descendants().find(|n| n.has_tag_name("image")).unwrap();
        let data = image.attribute("href").unwrap();
        let bytes = base64::engine::general_purpose::STANDARD
            .decode(data.strip_prefix("data:image/png;base64,").unwrap())
            .unwrap();
        let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
        decoder.set_transformations(png::Transformations::EXPAND);
        let mut reader = decoder.read_info().unwrap();
        let mut buffer = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut buffer).unwrap();
        assert_eq!(info.color_type, png::ColorType::Rgb);
        Shown { width: info.width as usize, pixels: buffer.chunks_exact(3).map(|c| [c[0], c[1], c[2]]).collect() }
    }

    fn covered(&self) -> usize {
        self.pixels.iter().filter(|p| **p != PAPER).count()
    }

    fn blue(&self) -> usize {
        self.pixels.iter().filter(|p| is_blue(**p)).count()
    }

    fn middle(&self) -> [u8; 3] {
        self.pixels[self.pixels.len() / self.width / 2 * self.width + self.width / 2]
    }
}

const PAPER: [u8; 3] = [250, 249, 245];

fn is_blue([r, _, b]: [u8; 3]) -> bool {
    i32::from(b) - i32::from(r) > 60
}

fn is_ochre([r, _, b]: [u8; 3]) -> bool {
    i32::from(r) - i32::from(b) > 25
}

#[test]
fn a_spheres_silhouette_has_the_area_of_its_circle() {
    let geometry = Geometry::Mesh(sphere(Point3::new(310.0, -45.0, 7.0), 20.0, 120));
    let mut scene = Scene::new("sphere");
    scene.layers.push(ScanLayer::new(&geometry));
    for view in [View::Top, View::Front, View::Isometric] {
        let shown = Shown::of(&render(&scene, &plain(view)));
        // Nothing but the sphere is on the sheet, so it fills the height left for it.
        let diameter = 800.0 - 64.0 - 104.0;
        let area = PI * diameter * diameter / 4.0;
        let covered = shown.covered() as f64;
        // Each pixel that the outline touches counts whole: half a pixel more all round.
        let most = area + PI * diameter;
        assert!(covered > 0.999 * area && covered < most, "{view:?}: {covered} for {area}");
    }
}

#[test]
fn a_stray_point_does_not_make_the_part_small() {
    let mut mesh = sphere(Point3::origin(), 20.0, 60);
    let alone = Geometry::Mesh(mesh.clone());
    mesh.vertices.push(Point3::new(900.0, -2000.0, 400.0));
    let with_stray = Geometry::Mesh(mesh);
    let [a, b] = [&alone, &with_stray].map(|geometry| {
        let mut scene = Scene::new("stray");
        scene.layers.push(ScanLayer::new(geometry));
        Shown::of(&render(&scene, &plain(View::Isometric))).covered()
    });
    assert_eq!(a, b);
}

#[test]
fn nearer_surfaces_hide_farther_ones() {
    let near = Geometry::Mesh(sphere(Point3::new(0.0, 0.0, 100.0), 10.0, 60));
    let far = Geometry::Mesh(sphere(Point3::new(0.0, 0.0, 0.0), 20.0, 60));
    let layers = [ScanLayer { tint: Tint::Ochre, ..ScanLayer::new(&near) }, ScanLayer::new(&far)];
    for order in [[0, 1], [1, 0]] {
        let mut scene = Scene::new("two");
        scene.layers = order.map(|i| layers[i]).to_vec();
        let above = Shown::of(&render(&scene, &plain(View::Top)));
        assert!(is_ochre(above.middle()), "{:?}", above.middle());
        let below = Shown::of(&render(&scene, &plain(View::Bottom)));
        assert!(!is_ochre(below.middle()), "{:?}", below.middle());
        assert_eq!(below.pixels.iter().filter(|p| is_ochre(**p)).count(), 0);
    }
}

#[test]
fn painted_facets_are_blue_and_only_where_seen() {
    let mesh = sphere(Point3::origin(), 20.0, 60);
    let upper: Vec<u32> = (0..mesh.facets.len() as u32)
        .filter(|&f| mesh.corners(f).iter().all(|p| p.z > 10.0))
        .chain([u32::MAX])
        .collect();
    let geometry = Geometry::Mesh(mesh);
    let mut scene = Scene::new("painted");
    scene.layers.push(ScanLayer { painted: &upper, ..ScanLayer::new(&geometry) });
    let above = Shown::of(&render(&scene, &plain(View::Top)));
    // The cap over half the radius is seen from above as a disc of √3/2 of it.
    let share = above.blue() as f64 / above.covered() as f64;
    assert!((share - 0.75).abs() < 0.03, "{share}");
    assert_eq!(Shown::of(&render(&scene, &plain(View::Bottom))).blue(), 0);
}

#[test]
fn a_cloud_closes_and_can_be_painted() {
    let mesh = sphere(Point3::origin(), 20.0, 90);
    let normals: Vec<Vec3> = mesh.vertices.iter().map(|p| p.coords / 20.0).collect();
    let painted: Vec<u32> = (0..mesh.vertices.len() as u32).filter(|&i| mesh.vertices[i as usize].z > 10.0).collect();
    let either_sign = normals.iter().enumerate().map(|(i, n)| if i % 3 == 0 { -n } else { *n }).collect();
    for normals in [normals, either_sign, Vec::new()] {
        let geometry = Geometry::Cloud(Cloud { points: mesh.vertices.clone(), normals });
        let mut scene = Scene::new("cloud");
        scene.layers.push(ScanLayer { painted: &painted, ..ScanLayer::new(&geometry) });
        let shown = Shown::of(&render(&scene, &plain(View::Isometric)));
        let diameter: f64 = 800.0 - 64.0 - 104.0;
        let share = shown.covered() as f64 / (PI * diameter * diameter / 4.0);
        // The discs of the outermost points reach beyond the outline by up to their radius, here some 8 px.
        let reach = (1.0 + 2.0 * 8.0 / diameter).powi(2);
        assert!((0.98..1.02 * reach).contains(&share), "{share}");
        assert!(shown.blue() > shown.covered() / 20);
    }
}

#[test]
fn a_cut_takes_the_near_side_away_and_hatches_the_material() {
    // A ball in a hollow ball: the cut shows the inner one whole where it was hidden.
    let mut shell = sphere(Point3::origin(), 20.0, 60);
    let hollow = sphere(Point3::origin(), 15.0, 60);
    let first = shell.vertices.len() as u32;
    shell.vertices.extend(hollow.vertices);
    shell.facets.extend(hollow.facets.iter().map(|f| [f[0], f[2], f[1]].map(|v| v + first)));
    let shell = Geometry::Mesh(shell);
    let ball = Geometry::Mesh(sphere(Point3::new(0.0, 0.0, -8.0), 5.0, 30));
    let mut scene = Scene::new("cut");
    scene.layers = vec![ScanLayer::new(&shell), ScanLayer { tint: Tint::Ochre, ..ScanLayer::new(&ball) }];
    let whole = Shown::of(&render(&scene, &plain(View::Top)));
    let svg = render(
        &scene,
        &PictureSettings {
            section: Some(Section { point: Point3::origin(), normal: Vec3::z_axis() }),
            ..plain(View::Top)
        },
    );
    assert!(svg.contains("cut open"));
    let cut = Shown::of(&svg);
    assert!(!is_ochre(whole.middle()) && is_ochre(cut.middle()));
    // Between the hatching lines the material is lighter than any lit surface.
    let light = |shown: &Shown| {
        let bright = |p: &&[u8; 3]| **p != PAPER && p.iter().all(|&v| v > 210);
        shown.pixels.iter().filter(bright).count() as f64 / shown.covered() as f64
    };
    let ring = 1.0 - 0.75 * 0.75;
    let share = light(&cut) / ring;
    assert!((0.7..0.95).contains(&share), "{share}");
}

/// Boxes of the texts of a sheet, by the crate's own upper bound of a letter's width.
fn text_boxes(svg: &str) -> Vec<(String, [f64; 4])> {
    let document = roxmltree::Document::parse(svg).unwrap();
    document
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .map(|n| {
            let number = |name| n.attribute(name).unwrap().parse::<f64>().unwrap();
            let text = n.text().unwrap_or_default().to_owned();
            let size = number("font-size");
            assert!(size >= 11.0, "{text} at {size} px");
            // An average letter of a wide font is about 0.6 em.
            let width = 0.6 * size * text.chars().count() as f64;
            let x = match n.attribute("text-anchor") {
                Some("end") => number("x") - width,
                Some("middle") => number("x") - 0.5 * width,
                _ => number("x"),
            };
            let y = number("y");
            (text, [x, y - 0.75 * size, x + width, y + 0.2 * size])
        })
        .collect()
}

fn crowd(callouts: usize) -> Vec<Callout> {
    (0..callouts)
        .map(|i| {
            // All in one corner of the part.
            let (x, y) = ((i % 5) as f64, (i / 5) as f64);
            let anchor = Point3::new(12.0 + x, 8.0 + y, 12.0 - 0.5 * x);
            let callout = if i % 3 == 0 {
                Callout::hardpoint(anchor, format!("hardpoint {i}")).with("± 0.012 mm")
            } else {
                Callout::feature(anchor, format!("bore {i}")).along(anchor, anchor + Vec3::new(0.0, 20.0, 0.0))
            };
            callout.with("Ø 14.002 ± 0.004").with(TextLine::form(FormSymbol::Cylindricity, "0.031"))
        })
        .collect()
}

#[test]
fn crowded_callouts_keep_clear_of_each_other_and_of_the_edge() {
    let geometry = Geometry::Mesh(sphere(Point3::origin(), 20.0, 60));
    for (count, width) in [(2, 1280), (10, 1280), (16, 1280), (10, 800), (60, 1280)] {
        for view in [View::Top, View::Front, View::Left, View::Isometric] {
            let mut scene = Scene::new("crowd");
            scene.note = "± at 95 %".into();
            scene.frame = Frame::Car;
            scene.layers.push(ScanLayer::new(&geometry));
            scene.callouts = crowd(count);
            let svg = render(&scene, &PictureSettings { width, raster_scale: 0.25, ..plain(view) });
            let document = roxmltree::Document::parse(&svg).unwrap();
            let height: f64 = document.root_element().attribute("height").unwrap().parse().unwrap();
            assert!(count > 16 || height == 800.0, "{height}");
            let boxes = text_boxes(&svg);
            assert!(boxes.len() >= 3 * count);
            for (i, (a, p)) in boxes.iter().enumerate() {
                assert!(
                    p[0] >= 0.0 && p[1] >= 0.0 && p[2] <= f64::from(width) && p[3] <= height,
                    "{a} beyond the edge: {p:?} ({view:?}, {count})"
                );
                for (b, q) in &boxes[..i] {
                    assert!(
                        p[2] <= q[0] || q[2] <= p[0] || p[3] <= q[1] || q[3] <= p[1],
                        "{a} {p:?} over {b} {q:?} ({view:?}, {count})"
                    );
                }
            }
        }
    }
}

#[test]
fn any_text_gives_valid_xml() {
    let mut scene = Scene::new("<Kestrel> & \"friends\" \u{1}\u{0}");
    scene.note = "]]> <!-- &amp; \u{ffff}".into();
    scene
        .callouts
        .push(Callout::feature(Point3::origin(), "a<b & c>d").with("\u{1b}[0m Ø ± ∅ 漢字").with("x".repeat(500)));
    let svg = render(&scene, &PictureSettings::default());
    let document = roxmltree::Document::parse(&svg).unwrap();
    assert!(document.descendants().any(|n| n.text() == Some("a<b & c>d")));
    assert!(text_boxes(&svg).len() > 15);
}

#[test]
fn nothing_and_nonsense_are_drawn_without_complaint() {
    let nan = f64::NAN;
    let geometry = Geometry::Mesh(Mesh {
        vertices: vec![Point3::new(nan, 0.0, 0.0), Point3::new(0.0, f64::INFINITY, 0.0), Point3::new(1.0, 1.0, 1.0)],
        facets: vec![[0, 1, 2], [2, 2, 2], [7, 8, 9]],
    });
    let cloud = Geometry::Cloud(Cloud { points: vec![Point3::new(nan, nan, nan)], normals: vec![Vec3::zeros()] });
    let mut scene = Scene::new("");
    for settings in [
        PictureSettings::default(),
        PictureSettings {
            width: 0,
            height: 0,
            raster_scale: nan,
            supersampling: 0,
            text_size: nan,
            view: View::From {
                direction: UnitVec3::new_unchecked(Vec3::zeros()),
                up: UnitVec3::new_unchecked(Vec3::zeros()),
            },
            ..PictureSettings::default()
        },
    ] {
        scene.layers.clear();
        roxmltree::Document::parse(&render(&scene, &settings)).unwrap();
        scene.layers.push(ScanLayer::new(&geometry));
        scene.layers.push(ScanLayer::new(&cloud));
        scene.callouts = vec![Callout::hardpoint(Point3::new(0.0, nan, 0.0), "lost")];
        roxmltree::Document::parse(&render(&scene, &settings)).unwrap();
    }
}

#[test]
fn the_same_scene_gives_the_same_bytes_wherever_the_scan_stands() {
    let mesh = sphere(Point3::origin(), 20.0, 40);
    let far = RigidTransform::translation(2500.0, -740.0, 300.0);
    let moved =
        Geometry::Mesh(Mesh { vertices: mesh.vertices.iter().map(|p| far * p).collect(), facets: mesh.facets.clone() });
    let geometry = Geometry::Mesh(mesh);
    let picture = |geometry, scene_from_scan| {
        let mut scene = Scene::new("sphere");
        scene.layers.push(ScanLayer { scene_from_scan, ..ScanLayer::new(geometry) });
        scene.callouts = crowd(4);
        for callout in &mut scene.callouts {
            callout.anchor = far * callout.anchor;
            callout.axis = None;
        }
        render(&scene, &PictureSettings::default())
    };
    let first = picture(&geometry, far);
    assert_eq!(first, picture(&geometry, far));
    // A scan placed in the car and one that was exported there show the same.
    let (a, b) = (Shown::of(&first), Shown::of(&picture(&moved, RigidTransform::identity())));
    let different =
        a.pixels.iter().zip(&b.pixels).filter(|(p, q)| p.iter().zip(q.iter()).any(|(v, w)| v.abs_diff(*w) > 8));
    assert!(different.count() < a.pixels.len() / 500);
}

#[test]
fn a_picture_of_a_real_scan_stays_small() {
    let geometry = Geometry::Mesh(sphere(Point3::origin(), 20.0, 300));
    let mut scene = Scene::new("size");
    scene.layers.push(ScanLayer::new(&geometry));
    scene.callouts = crowd(10);
    assert!(render(&scene, &PictureSettings::default()).len() < 400_000);
}

#[test]
fn what_was_dabbed_is_blue() {
    let scan = Scan::new(Geometry::Mesh(sphere(Point3::origin(), 20.0, 90)));
    let patch = scan.paint(&[Dab::new(Point3::new(0.0, 0.0, 20.0), 8.0)]).unwrap();
    let mut scene = Scene::new("dab");
    scene.layers.push(ScanLayer::of(&scan).with_patch(&patch));
    let above = Shown::of(&render(&scene, &plain(View::Top)));
    // The ball of 8 mm about a pole of the sphere of 20 mm cuts a rim of radius 8·√(1 − (8/40)²) out of it.
    let wanted = 8.0_f64.powi(2) * (1.0 - 0.2_f64.powi(2)) / 400.0;
    let share = above.blue() as f64 / above.covered() as f64;
    assert!((share / wanted - 1.0).abs() < 0.1, "{share} of {wanted}");
    assert_eq!(Shown::of(&render(&scene, &plain(View::Bottom))).blue(), 0);
}
