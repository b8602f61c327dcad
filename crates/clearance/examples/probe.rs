#![allow(missing_docs, clippy::all, clippy::unwrap_used, clippy::print_stdout)]
use std::f64::consts::TAU;
use std::time::Instant;
use stringline_clearance::*;
use stringline_core::{Point3, RigidTransform, Vec3};
use stringline_scan::Mesh;

fn grid(n: u32, m: u32, closed: bool, at: impl Fn(f64, f64) -> Point3) -> Mesh {
    let mut mesh = Mesh::default();
    let cols = if closed { m } else { m + 1 };
    for i in 0..n { for j in 0..cols { mesh.vertices.push(at(f64::from(i) / f64::from(n), f64::from(j) / f64::from(m))); } }
    let id = |i: u32, j: u32| (i % n) * cols + j % cols;
    for i in 0..n { for j in 0..m {
        let (a, b, c, d) = (id(i, j), id(i + 1, j), id(i + 1, j + 1), id(i, j + 1));
        mesh.facets.extend([[a, b, c], [a, c, d]]);
    } }
    mesh
}
fn wob(p: Point3, k: f64) -> Point3 {
    let h = |a: f64| ((p.x * 12.9898 + p.y * 78.233 + p.z * 37.719 + a).sin() * 43758.5453).fract() * k;
    p + Vec3::new(h(1.0), h(2.0), h(3.0))
}
fn main() {
    let wheel = Wheel::from_size("205/50R16", 165.1, 35.0, &TyreSettings::default(), &RimSettings::default()).unwrap();
    // A bent arm: a torus piece lying inboard of the wheel.
    let arm = grid(1000, 500, true, |u, v| {
        let (s, t) = (TAU * u, TAU * v);
        let r = 20.0 + 3.0 * (5.0 * s).sin();
        let q = 150.0 + r * t.cos();
        wob(Point3::new(q * s.cos(), q * s.sin() * 0.8, r * t.sin() + 10.0 * (3.0 * s).sin()), 0.03)
    });
    let chassis = grid(2000, 500, false, |u, v| {
        let s = TAU * u;
        let r = 400.0 + 5.0 * (40.0 * s).sin();
        wob(Point3::new(r * s.cos(), (v - 0.5) * 900.0 + 3.0 * (30.0 * v).sin(), r * s.sin()), 0.03)
    });
    let wm = wheel.mesh(3000);
    let time = |what: &str, t: Instant| println!("{what}: {:.1} ms", t.elapsed().as_secs_f64() * 1e3);
    println!("arm {} chassis {} wheel {}", arm.facets.len(), chassis.facets.len(), wm.facets.len());
    std::fs::write("/tmp/dist/meshes.bin", [&arm, &wm].iter().flat_map(|m| {
        let mut b = Vec::new();
        b.extend((m.vertices.len() as u64).to_le_bytes()); b.extend((m.facets.len() as u64).to_le_bytes());
        m.vertices.iter().for_each(|p| p.iter().for_each(|c| b.extend(c.to_le_bytes())));
        m.facets.iter().for_each(|f| f.iter().for_each(|c| b.extend(c.to_le_bytes())));
        b }).collect::<Vec<u8>>()).unwrap();
    let t = Instant::now(); let b = Body::from_mesh(&arm).unwrap(); time("build arm", t);
    let t = Instant::now(); let c = Body::from_mesh(&chassis).unwrap(); time("build chassis", t);
    let t = Instant::now(); let w = Body::from_mesh(&wm).unwrap(); time("build wheel mesh", t);
    let pose = |steer: f64, z: f64| {
        // Wheel centre 230 mm outboard of the arm's middle.
        RigidTransform::translation(30.0, 300.0, 40.0 + z) * RigidTransform::rotation(Vec3::z() * steer.to_radians())
            * RigidTransform::translation(0.0, 90.0, 0.0)
    };
    for (name, hints) in [("cold", false), ("hint", true)] {
        let t = Instant::now();
        let mut last = None; let mut sum = 0.0;
        for k in 0..141 { let x = wheel_distance(&wheel, &b, &pose(-70.0 + k as f64, 0.0), 1e3, if hints { last.as_ref() } else { None }); sum += x.unwrap().gap; last = x; }
        time(&format!("revolved wheel–arm 141 {name} {sum}"), t);
        let t = Instant::now();
        let mut last = None; let mut sum = 0.0;
        for k in 0..141 { let x = distance(&w, &b, &pose(-70.0 + k as f64, 0.0), 1e3, if hints { last.as_ref() } else { None }); sum += x.unwrap().gap; last = x; }
        time(&format!("mesh wheel–arm 141 {name} {sum}"), t);
        let t = Instant::now();
        let mut last = None; let mut sum = 0.0;
        for k in 0..141 { let x = wheel_distance(&wheel, &c, &(RigidTransform::translation(0.0,0.0,20.0)*RigidTransform::rotation(Vec3::z()*0.002*k as f64)), 1e3, if hints { last.as_ref() } else { None }); sum += x.unwrap().gap; last = x; }
        time(&format!("revolved wheel–chassis 141 {name} {sum}"), t);
        let t = Instant::now();
        let mut last = None; let mut sum = 0.0;
        for k in 0..141 { let x = distance(&w, &c, &(RigidTransform::translation(0.0,0.0,20.0)*RigidTransform::rotation(Vec3::z()*0.002*k as f64)), 1e3, if hints { last.as_ref() } else { None }); sum += x.unwrap().gap; last = x; }
        time(&format!("mesh wheel–chassis 141 {name} {sum}"), t);
    }
    // Coaxial rings 4 mm apart.
    let ring = |r: f64| Body::from_mesh(&grid(2000, 250, false, |u, v| Point3::new(r * (TAU * u).cos(), (v - 0.5) * 100.0, r * (TAU * u).sin()))).unwrap();
    let (r1, r2) = (ring(300.0), ring(304.0));
    let cyl = Wheel::from_profile(&[[200.0, -50.0], [300.0, -50.0], [300.0, 50.0], [200.0, 50.0]]).unwrap();
    let t = Instant::now();
    let mut last = None;
    for k in 0..2 { last = distance(&r1, &r2, &RigidTransform::rotation(Vec3::y() * 0.01 * k as f64), 1e3, last.as_ref()); }
    time(&format!("coaxial meshes 20 poses {:?}", last.map(|l| l.gap)), t);
    let t = Instant::now();
    let mut last = None;
    for k in 0..20 { last = wheel_distance(&cyl, &r2, &RigidTransform::rotation(Vec3::y() * 0.01 * k as f64), 1e3, last.as_ref()); }
    time(&format!("coaxial revolved 20 poses {:?}", last.map(|l| l.gap)), t);
}
