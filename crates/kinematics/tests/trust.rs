//! Linear propagation against simulation (JCGM 101).

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

mod common;

use common::kestrel_set;
use stringline_hardpoints::{Role, Side};
use stringline_kinematics::{
    AS_FOUND, Change, Held, Measured, Quantity, State, Tolerance, TrustError, TrustQuestion, Variant, bands, simulate,
};

fn states() -> Vec<State> {
    (-4..=4).map(|i| State::level(f64::from(i) * 10.0, 0.0)).collect()
}

#[test]
fn linear_bands_agree_with_simulation() {
    let measured = Measured::from_set(&kestrel_set(0.1)).unwrap();
    let states = states();
    let quantities = [
        (Quantity::BumpSteer, Side::Left),
        (Quantity::Caster, Side::Left),
        (Quantity::Camber, Side::Right),
        (Quantity::RollCentreByVelocity, Side::Left),
        (Quantity::MechanicalTrail, Side::Left),
        (Quantity::TrackChange, Side::Left),
    ];
    let drop = Variant::new("drop", None, vec![Change::DropBallJoint { by: 50.0 }.into()]);
    let tolerances = [Tolerance { role: Role::TieRodOuter, side: None, half_width: 0.2 }];
    for variant in [AS_FOUND, "drop"] {
        let question = TrustQuestion {
            measured: &measured,
            variants: std::slice::from_ref(&drop),
            variant,
            states: &states,
            held: Held::WheelCentre,
            quantities: &quantities,
            tolerances: &tolerances,
        };
        let (linear, drawn) = (bands(&question).unwrap(), simulate(&question, 4000, 7).unwrap());
        for (band, simulated) in linear.iter().zip(&drawn) {
            assert_eq!(simulated.failed, 0);
            for (i, state) in states.iter().enumerate() {
                let (u, s) = (band.standard[i].unwrap(), simulated.standard[i].unwrap());
                let what = format!("{variant} {:?} at {}: {u} {s}", band.quantity, state.travel[0]);
                if u < 1e-9 {
                    // Bump steer at rest is nought for certain.
                    assert!(s < 1e-9, "{what}");
                    continue;
                }
                // 4,000 draws know a standard deviation to 1.1 %; 5 % is over four of that.
                assert!((s / u - 1.0).abs() < 0.05, "{what}");
                let [low, high] = simulated.interval[i].unwrap();
                let value = band.values[i].unwrap();
                // JCGM 101, clause 8, with the tolerance of one significant digit of u; ends known to 3 % of u or so.
                let delta = 0.5 * 10.0_f64.powf(u.log10().floor());
                assert!((value - 1.96 * u - low).abs() < delta.max(0.12 * u), "{what}");
                assert!((value + 1.96 * u - high).abs() < delta.max(0.12 * u), "{what}");
            }
            assert!((band.shares.iter().map(|s| s.share).sum::<f64>() - 1.0).abs() < 1e-9);
            assert!(band.shares.windows(2).all(|w| w[0].share >= w[1].share));
        }
        // Which point to scan again: for caster the ends of the steering axis and nothing of the tie rod.
        let caster = &linear[1];
        assert!([Role::StrutTop, Role::LowerBallJoint].contains(&caster.shares[0].role), "{:?}", caster.shares);
        let rod: f64 = caster.shares.iter().filter(|s| s.role == Role::TieRodInner).map(|s| s.share).sum();
        assert!(rod < 0.01);
    }
}

#[test]
fn what_a_variant_says_of_its_making_is_a_tolerance_of_its_points() {
    let measured = Measured::from_set(&kestrel_set(0.1)).unwrap();
    let states = states();
    let quantities = [(Quantity::BumpSteer, Side::Left), (Quantity::Caster, Side::Right)];
    let within =
        |variant: Variant, points: &[(Role, f64)]| Variant { made_within: points.iter().copied().collect(), ..variant };
    let base = Variant::new("drop", None, vec![Change::DropBallJoint { by: 50.0 }.into()]);
    let plain = [base.clone(), Variant::new("on", Some("drop"), Vec::new())];
    // The base's word holds for what stands on it, until that has its own.
    let said = [
        within(base, &[(Role::TieRodOuter, 9.0), (Role::LowerBallJoint, 0.3)]),
        within(plain[1].clone(), &[(Role::TieRodOuter, 0.2)]),
    ];
    let ask = |variants: &[Variant], tolerances: &[Tolerance]| {
        bands(&TrustQuestion {
            measured: &measured,
            variants,
            variant: "on",
            states: &states,
            held: Held::WheelCentre,
            quantities: &quantities,
            tolerances,
        })
    };
    let tolerance = |role, half_width| Tolerance { role, side: None, half_width };
    let given = [tolerance(Role::LowerBallJoint, 0.3), tolerance(Role::TieRodOuter, 0.2)];
    assert_eq!(ask(&said, &[]).unwrap(), ask(&plain, &given).unwrap());
    assert_ne!(ask(&said, &[]).unwrap(), ask(&plain, &[]).unwrap());
    // What the question gives goes before both.
    let other = [tolerance(Role::TieRodOuter, 1.0)];
    let both = [other[0], given[0]];
    let (a, b) = (ask(&said, &other).unwrap(), ask(&plain, &both).unwrap());
    for (a, b) in a.iter().zip(&b) {
        for (x, y) in a.standard.iter().zip(&b.standard) {
            assert!((x.unwrap() - y.unwrap()).abs() < 1e-12);
        }
    }
}

#[test]
fn a_worse_point_leads_the_ranking_and_a_seed_repeats() {
    let mut measured = Measured::from_set(&kestrel_set(0.02)).unwrap();
    for point in &mut measured.points {
        if (point.role, point.side) == (Role::TieRodInner, Side::Left) {
            point.covariance.as_mut().unwrap().scale_mut(400.0);
        }
    }
    let states = states();
    let quantities = [(Quantity::BumpSteer, Side::Left)];
    let question = TrustQuestion {
        measured: &measured,
        variants: &[],
        variant: AS_FOUND,
        states: &states,
        held: Held::WheelCentre,
        quantities: &quantities,
        tolerances: &[],
    };
    let band = &bands(&question).unwrap()[0];
    assert_eq!((band.shares[0].role, band.shares[0].side), (Role::TieRodInner, Side::Left));
    assert!(band.shares[0].share > 0.9);
    assert_eq!(simulate(&question, 50, 3).unwrap(), simulate(&question, 50, 3).unwrap());
    assert_ne!(simulate(&question, 50, 3).unwrap(), simulate(&question, 50, 4).unwrap());
    let exact = Measured::from_set(&kestrel_set(0.0)).unwrap();
    assert_eq!(bands(&TrustQuestion { measured: &exact, ..question }).unwrap_err(), TrustError::NothingKnown);
    let bad = [Tolerance { role: Role::SpringSeat, side: None, half_width: 0.2 }];
    let error = bands(&TrustQuestion { tolerances: &bad, ..question }).unwrap_err();
    assert!(matches!(error, TrustError::BadTolerance { role: Role::SpringSeat, .. }), "{error}");
}
