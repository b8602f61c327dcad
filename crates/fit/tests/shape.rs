//! Which shape: a small version of the trial (the full one:
//! `cargo run --release -p stringline-testkit --bin trials -- shape`), and what must not be claimed.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use stringline_fit::{FitSettings, Kind, Verdict, fit_auto};
use stringline_testkit::patches::{Case, Painted};
use stringline_testkit::shape::run;

#[test]
fn distinguishable_patches_are_told_apart() {
    for kind in [Kind::Plane, Kind::Cylinder, Kind::Cone, Kind::Sphere] {
        let (clear, _) = run(kind, 40);
        assert_eq!(clear.count(), 40, "{kind}: too few distinguishable patches");
        // 98 % over many: of 40, two may miss by chance.
        assert!(clear.right >= 38, "{kind}: {clear:?}");
        assert_eq!(clear.wrong, 0, "{kind}: {clear:?}");
    }
}

/// A ring 0.8 mm long with 40 points cannot tell a bore from a taper seat, or a band of a ball.
#[test]
fn a_short_ring_cannot_tell_a_bore_from_a_taper() {
    let case = Case {
        name: "short ring",
        painted: Painted::Round { radius: 7.0, half_angle: 0.0, length: 0.8, arcs: vec![[0.0, std::f64::consts::TAU]] },
        points: 40,
        sigma: 0.03,
    };
    for seed in 0..10 {
        let patch = case.simulate(seed, None);
        let weighed = fit_auto(&patch.points, &[], &FitSettings::default()).unwrap();
        match weighed.verdict {
            Verdict::CannotTell(kinds) => {
                assert!(kinds.contains(&Kind::Cylinder) && kinds.len() > 1, "seed {seed}: {kinds:?}")
            }
            Verdict::Decided(kind) => panic!("seed {seed}: decided for a {kind}"),
        }
    }
}
