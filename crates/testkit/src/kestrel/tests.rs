use super::*;
use crate::kestrel::hardpoints as h;
use crate::kestrel::model::TrueFeature;
use std::sync::LazyLock;
use stringline_core::Point3;
use stringline_fit::feature::Shape;

/// Without noise, gaps in the sampling still in: what lies on the model must be exact.
fn exact() -> ScanSettings {
    let mut settings = ScanSettings::default();
    settings.noise.sigma = 0.0;
    settings
}

fn points_in_car(scan: &Scan) -> Vec<Point3> {
    let points = scan.geometry.points();
    let on_the_part = &points[..points.len() - scan.strays];
    on_the_part.iter().map(|p| scan.car_from_scan.transform_point(p)).collect()
}

/// Every part's points without noise: made once, looked at by several tests.
static EXACT: LazyLock<Vec<Vec<Point3>>> = LazyLock::new(|| {
    let parts = Part::ALL.into_iter();
    parts.map(|part| points_in_car(&scan(part, &part.model(), &exact()))).collect()
});

/// The points that lie on a feature, near its surface and where it is exact, with their distances.
fn on<'a>(feature: &'a TrueFeature, points: &'a [Point3]) -> impl Iterator<Item = (f64, &'a Point3)> + 'a {
    points.iter().filter(|p| feature.covers(p)).map(|p| (feature.shape.distance(p).abs(), p)).filter(|(d, _)| *d < 0.2)
}

/// Area of the surface within the extents, interruptions included, mm².
fn area(feature: &TrueFeature) -> f64 {
    let turn = std::f64::consts::TAU;
    let [low, high] = feature.along;
    match feature.shape {
        Shape::Plane { .. } => 0.5 * turn * (feature.across[1].powi(2) - feature.across[0].powi(2)),
        Shape::Cylinder { radius, .. } | Shape::Sphere { radius, .. } => turn * radius * (high - low),
        Shape::Cone { radius, .. } => turn * radius * (high - low),
        Shape::Circle { .. } => 0.0,
    }
}

#[test]
fn vertices_lie_on_the_true_surfaces() {
    let mut wrong = Vec::new();
    for part in Part::ALL {
        let model = part.model();
        let points = &EXACT[part as usize];
        for feature in &model.features {
            let mut count = 0;
            let mut worst = (0.0, &Point3::origin());
            for found in on(feature, points) {
                count += 1;
                if found.0 > worst.0 {
                    worst = found;
                }
            }
            let name = format!("{} {}", part.name(), feature.name);
            if worst.0 > 1e-6 {
                wrong.push(format!("{name}: {} mm off at {}", worst.0, worst.1));
            }
            // Two in five at least of the vertices that cells of the usual size give (1.5 a cell's square).
            let leaf = if feature.cell < 1.0 { 0.6 } else { 1.2 * (feature.cell / 1.5).floor() };
            let wanted = 0.4 * 1.5 * area(feature) / f64::powi(leaf, 2);
            if f64::from(count) < wanted {
                wrong.push(format!("{name}: {count} of {wanted:.0} vertices"));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn dabs_touch_their_feature() {
    let mut wrong = Vec::new();
    for part in Part::ALL {
        let model = part.model();
        let points = &EXACT[part as usize];
        for feature in &model.features {
            for (i, dab) in feature.dabs.iter().enumerate() {
                let name = format!("{} {} dab {i}", part.name(), feature.name);
                assert!(feature.shape.distance(&dab.centre).abs() < 1e-9, "{name}");
                let near = points
                    .iter()
                    .filter(|p| (*p - dab.centre).norm() < dab.radius)
                    .filter(|p| feature.shape.distance(p).abs() < 1e-6)
                    .count();
                if near < 12 {
                    wrong.push(format!("{name}: {near} points"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn constructions_give_the_table() {
    // The hardpoints made of the features are those that the parts were drawn from.
    let car = serde_json::to_value(truth::of_car()).unwrap();
    for part in Part::ALL {
        let model = part.model();
        for hardpoint in &model.hardpoints {
            let (point, direction) = hardpoint
                .construction
                .solve(&model.features)
                .unwrap_or_else(|| panic!("{}: a feature is missing", hardpoint.role));
            let entry = car["hardpoints"]
                .as_array()
                .unwrap()
                .iter()
                .find(|e| e["role"] == hardpoint.role && e["side"] == hardpoint.side)
                .unwrap_or_else(|| panic!("{} is not in the car's truth", hardpoint.role));
            let triple = |v: &serde_json::Value| -> [f64; 3] { std::array::from_fn(|k| v[k].as_f64().unwrap()) };
            let known = Point3::from(triple(&entry["point"]));
            let off = match direction {
                Some(d) if hardpoint.role.ends_with("axis") => {
                    let stated = stringline_core::Vec3::from(triple(&entry["direction"]));
                    assert!(d.cross(&stated).norm() < 1e-11, "{}", hardpoint.role);
                    d.cross(&(point - known)).norm()
                }
                _ => (point - known).norm(),
            };
            assert!(off < 1e-9, "{} {}: {off} mm off", part.name(), hardpoint.role);
        }
    }
}

#[test]
fn the_truth_agrees_between_frames() {
    for part in Part::ALL {
        let model = part.model();
        let settings = ScanSettings { triangles: Some(4000), ..exact() };
        let made = scan(part, &model, &settings);
        let truth = truth::of_scan(part, &model, &settings, &made.car_from_scan);
        let truth = serde_json::to_value(truth).unwrap();
        let triple = |v: &serde_json::Value| -> [f64; 3] { std::array::from_fn(|k| v[k].as_f64().unwrap()) };
        let rows: [[f64; 4]; 4] =
            std::array::from_fn(|i| std::array::from_fn(|j| truth["car_from_scan"][i][j].as_f64().unwrap()));
        let to_car = |p: [f64; 3], w: f64| -> Point3 {
            Point3::from(std::array::from_fn::<f64, 3, _>(|i| {
                rows[i][0] * p[0] + rows[i][1] * p[1] + rows[i][2] * p[2] + rows[i][3] * w
            }))
        };
        let lists = ["features", "hardpoints"].map(|list| truth[list].as_array().unwrap().clone());
        for entry in lists.iter().flatten() {
            let moved = to_car(triple(&entry["scan"]["point"]), 1.0);
            let known = Point3::from(triple(&entry["car"]["point"]));
            assert!((moved - known).norm() < 1e-8, "{entry}");
            if entry["car"]["direction"].is_array() {
                let moved = to_car(triple(&entry["scan"]["direction"]), 0.0);
                let known = Point3::from(triple(&entry["car"]["direction"]));
                assert!((moved - known).norm() < 1e-11, "{entry}");
            }
        }
    }
}

#[test]
fn the_wheel_centre_is_where_the_table_says() {
    assert!((h::from_hub(h::WHEEL_CENTRE_FROM_HUB_FACE, 0.0, 0.0) - h::wheel_centre()).norm() < 1e-12);
}

/// The file that a part's scan makes.
fn bytes(part: Part, settings: &ScanSettings) -> Vec<u8> {
    let mut file = Vec::new();
    let made = scan(part, &part.model(), settings);
    part.write(&made.geometry, &mut file).unwrap();
    file
}

#[test]
fn a_seed_decides_every_byte() {
    let small = ScanSettings { triangles: Some(20_000), ..ScanSettings::default() };
    let first = bytes(Part::Knuckle, &small);
    assert!(first == bytes(Part::Knuckle, &small), "the same seed gave another file");
    let other = ScanSettings { seed: small.seed + 1, ..small };
    assert!(first != bytes(Part::Knuckle, &other), "another seed gave the same file");
}

#[test]
fn the_committed_scans_are_what_the_generator_makes() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../sample-scans");
    let settings = ScanSettings::default();
    for part in Part::ALL {
        let committed = std::fs::read(folder.join(part.file_name())).unwrap();
        // Not assert_eq: it would print megabytes.
        assert!(
            bytes(part, &settings) == committed,
            "{}: run `cargo run --release -p stringline-testkit --bin kestrel-scans`",
            part.file_name()
        );
        let model = part.model();
        let pose = scan(part, &model, &ScanSettings { triangles: Some(4000), ..settings }).car_from_scan;
        let truth = serde_json::to_string_pretty(&truth::of_scan(part, &model, &settings, &pose)).unwrap();
        let committed = std::fs::read_to_string(folder.join(format!("{}.truth.json", part.name()))).unwrap();
        assert_eq!(truth, committed.trim_end(), "{}", part.name());
    }
    let car = serde_json::to_string_pretty(&truth::of_car()).unwrap();
    let committed = std::fs::read_to_string(folder.join("kestrel.truth.json")).unwrap();
    assert_eq!(car, committed.trim_end());
}

#[test]
fn the_noise_is_as_asked() {
    let settings = ScanSettings::default();
    let model = Part::Knuckle.model();
    let points = &points_in_car(&scan(Part::Knuckle, &model, &settings));
    let (mut count, mut sum) = (0.0, 0.0);
    for feature in &model.features {
        for (distance, _) in on(feature, points) {
            count += 1.0;
            sum += distance * distance;
        }
    }
    let sigma = f64::sqrt(sum / count);
    // 30,000 points in thousands of correlation patches: the estimate is good to about 1 %.
    assert!((sigma / settings.noise.sigma - 1.0).abs() < 0.03, "{sigma}");
}

#[test]
fn as_many_facets_as_asked() {
    for wanted in [50_000, 400_000] {
        let settings = ScanSettings { triangles: Some(wanted), ..ScanSettings::default() };
        let Geometry::Mesh(mesh) = scan(Part::LowerArm, &Part::LowerArm.model(), &settings).geometry else {
            panic!("the lower arm is a mesh");
        };
        let share = mesh.facets.len() as f64 / wanted as f64;
        assert!((0.85..1.15).contains(&share), "{} of {wanted}", mesh.facets.len());
    }
}

#[test]
fn the_skin_is_closed_and_facets_face_outwards() {
    // Before anything is taken away, every edge of a closed part's mesh has two facets in
    // opposite senses, and the facets' normals agree with the solid's.
    let model = Part::LowerArm.model();
    let skin = scanner::whole_skin(&model, 7, 3.0);
    let mut edges: Vec<(u32, u32)> = skin.facets.iter().flat_map(|&[a, b, c]| [(a, b), (b, c), (c, a)]).collect();
    edges.sort_unstable();
    let open = edges.iter().filter(|&&(a, b)| edges.binary_search(&(b, a)).is_err()).count();
    assert_eq!(open, 0, "of {} half edges", edges.len());
    let (mut outward, mut whole) = (0.0, 0.0);
    for &[a, b, c] in &skin.facets {
        let [p, q, r] = [a, b, c].map(|v| skin.vertices[v as usize]);
        let area = (q - p).cross(&(r - p));
        let normal = skin.normals[a as usize] + skin.normals[b as usize] + skin.normals[c as usize];
        whole += area.norm();
        if area.dot(&normal) > 0.0 {
            outward += area.norm();
        }
    }
    assert!(outward / whole > 0.999, "{}", outward / whole);
}
