//! What a hand-held scanner makes of a part: its own frame, missing areas, stray points,
//! noise along the normal.

use crate::kestrel::mesher::{self, Sizing, Skin, Subject};
use crate::kestrel::model::{PartModel, TrueFeature};
use crate::kestrel::{Noise, ScanSettings};
use crate::noise_field::{ScannerNoise, SmoothField};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::StandardNormal;
use rayon::prelude::*;
use stringline_core::{Point3, RigidTransform, UnitVec3, Vec3, frame_about};
use stringline_scan::Mesh;

/// A scan as the mesh it would be, with the frame it is in.
pub(crate) struct Scanned {
    pub(crate) mesh: Mesh,
    pub(crate) car_from_scan: RigidTransform,
    pub(crate) strays: usize,
}

/// A random frame: any rotation, the part's middle 100 to 500 mm off along each axis.
fn pose(rng: &mut ChaCha8Rng, middle: Point3) -> RigidTransform {
    // A normal vector in four dimensions has no preferred direction, nor has the rotation.
    let q: [f64; 4] = std::array::from_fn(|_| rng.sample(StandardNormal));
    let rotation = nalgebra::UnitQuaternion::from_quaternion(nalgebra::Quaternion::from(q));
    let place: [f64; 3] = std::array::from_fn(|_| {
        let far: f64 = rng.random_range(100.0..500.0);
        if rng.random() { far } else { -far }
    });
    let scan_from_car =
        RigidTransform::from_parts(Vec3::from(place).into(), rotation) * nalgebra::Translation3::from(-middle.coords);
    scan_from_car.inverse()
}

/// Scans a part.
pub(crate) fn scan(model: &PartModel, part_seed: u64, settings: &ScanSettings) -> Scanned {
    let mut rng = ChaCha8Rng::seed_from_u64(part_seed);
    let [low, high] = model.bounds.map(Point3::from);
    let car_from_scan = pose(&mut rng, nalgebra::center(&low, &high));
    let skin_at = |scale: f64| skin(model, part_seed, &car_from_scan, scale);
    let mut skin = skin_at(scale_for(settings.triangles, &skin_at));
    drop_unseen(model, part_seed, &car_from_scan, &mut skin);
    add_noise(part_seed, &settings.noise, &mut skin);
    let seen = skin.vertices.len();
    add_strays(&mut rng, &mut skin);
    let strays = skin.vertices.len() - seen;
    Scanned { mesh: Mesh { vertices: skin.vertices, facets: skin.facets }, car_from_scan, strays }
}

/// The part's mesh in the scan frame, before anything is lost or disturbed.
fn skin(model: &PartModel, part_seed: u64, car_from_scan: &RigidTransform, scale: f64) -> Skin {
    let [low, high] = model.bounds.map(Point3::from);
    let mut zones: Vec<_> = model.features.iter().map(TrueFeature::zone).collect();
    zones.extend(model.zones.iter().cloned());
    let sizing = Sizing {
        zones,
        coarse: model.coarse,
        edges: model.edges,
        growth: 1.0,
        scale,
        patches: SmoothField::new(part_seed ^ 0x5041, 25.0, 24),
    };
    mesher::mesh(&Subject {
        solid: &model.solid,
        window: &model.window,
        part_from_scan: *car_from_scan,
        bounds: box_in_scan(car_from_scan, low, high),
        sizing: &sizing,
        jitter: 0.12,
        seed: part_seed,
    })
}

/// The mesh of a part in its own frame, cells `scale` times the usual size.
#[cfg(test)]
pub(crate) fn whole_skin(model: &PartModel, part_seed: u64, scale: f64) -> Skin {
    skin(model, part_seed, &RigidTransform::identity(), scale)
}

/// Multiplier of all cell sizes that gives about `triangles` facets; 1 where none are asked for.
fn scale_for(triangles: Option<usize>, skin_at: &impl Fn(f64) -> Skin) -> f64 {
    let Some(wanted) = triangles else {
        return 1.0;
    };
    // Facets go with the inverse square of the cell size; two cheap trials settle the factor.
    let mut scale = 2.0;
    for trial_size in [wanted.min(100_000), wanted.min(400_000)] {
        let found = skin_at(scale).facets.len().max(1) as f64;
        scale *= (found / trial_size as f64).sqrt();
    }
    let found = skin_at(scale).facets.len().max(1) as f64;
    scale * (found / wanted as f64).sqrt()
}

fn box_in_scan(car_from_scan: &RigidTransform, low: Point3, high: Point3) -> (Point3, Point3) {
    let corners = (0..8).map(|i| {
        let corner = Point3::from(std::array::from_fn::<f64, 3, _>(|k| if i >> k & 1 == 0 { low[k] } else { high[k] }));
        car_from_scan.inverse_transform_point(&corner)
    });
    let far = Point3::from([f64::INFINITY; 3]);
    corners.fold((far, -far), |(low, high), p| (low.inf(&p), high.sup(&p)))
}

/// Takes away the facets that the scanner missed; borders are ragged.
fn drop_unseen(model: &PartModel, seed: u64, car_from_scan: &RigidTransform, skin: &mut Skin) {
    let ragged = SmoothField::new(seed ^ 0x5241, 3.0, 24);
    let unseen: Vec<bool> = skin
        .vertices
        .par_iter()
        .map(|vertex| {
            let p = car_from_scan.transform_point(vertex);
            let border =
                model.unseen.iter().map(|region| region.distance(&p)).fold(-model.window.at(&p).distance, f64::min);
            // The field stays within five deviations: elsewhere it need not be asked.
            border < 4.0 && border < 0.8 * ragged.at(&p)
        })
        .collect();
    skin.facets.retain(|f| f.iter().all(|&v| !unseen[v as usize]));
    compact(skin);
}

/// Drops vertices that no facet uses, keeping the order of the rest.
fn compact(skin: &mut Skin) {
    let mut used = vec![false; skin.vertices.len()];
    for &v in skin.facets.iter().flatten() {
        used[v as usize] = true;
    }
    let keep = |i: &mut usize| {
        *i += 1;
        used[*i - 1]
    };
    let (mut i, mut j) = (0, 0);
    skin.vertices.retain(|_| keep(&mut i));
    skin.normals.retain(|_| keep(&mut j));
    let mut next = 0;
    let number: Vec<u32> = used
        .iter()
        .map(|&used| {
            next += u32::from(used);
            next.wrapping_sub(1)
        })
        .collect();
    for facet in &mut skin.facets {
        *facet = facet.map(|v| number[v as usize]);
    }
}

fn add_noise(seed: u64, noise: &Noise, skin: &mut Skin) {
    if noise.sigma == 0.0 {
        return;
    }
    let mut source = ScannerNoise::new(seed ^ 0x4e4f, noise.sigma, noise.correlated_share, noise.correlation_length);
    let shared: Vec<f64> = skin.vertices.par_iter().map(|p| source.shared(p)).collect();
    let moves = shared.into_iter().zip(&skin.normals);
    for (p, (shared, normal)) in skin.vertices.iter_mut().zip(moves) {
        *p += normal * (shared + source.white());
    }
}

/// Small flakes of surface hanging in the air, as reflections leave them.
fn add_strays(rng: &mut ChaCha8Rng, skin: &mut Skin) {
    let count = skin.vertices.len();
    if count == 0 {
        return;
    }
    for _ in 0..24 {
        let from = rng.random_range(0..count);
        let away: f64 = rng.random_range(1.5..18.0);
        let centre = skin.vertices[from] + skin.normals[from] * away;
        let tilt: [f64; 3] = std::array::from_fn(|_| rng.sample(StandardNormal));
        let normal = UnitVec3::new_normalize(skin.normals[from] + Vec3::from(tilt) * 0.4);
        let (u, v) = frame_about(&normal);
        let size: f64 = rng.random_range(0.3..1.6);
        let rim = rng.random_range(3..9_u32);
        let first = skin.vertices.len() as u32;
        skin.vertices.push(centre);
        for i in 0..rim {
            let turn = f64::from(i) / f64::from(rim) * std::f64::consts::TAU;
            let length = size * rng.random_range(0.5..1.2);
            let lift = size * rng.random_range(-0.2..0.2);
            let out = u * turn.cos() + v * turn.sin();
            skin.vertices.push(centre + out * length + normal.into_inner() * lift);
            skin.facets.push([first, first + 1 + i, first + 1 + (i + 1) % rim]);
        }
        skin.normals.resize(skin.vertices.len(), normal.into_inner());
    }
}
