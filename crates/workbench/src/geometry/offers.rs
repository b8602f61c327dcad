//! Working backwards: moves that give what is wanted, offered to be taken into the variant in hand.

use crate::geometry::study::BUMP;
use crate::words::Trouble;
use stringline_core::covariance::rounded;
use stringline_hardpoints::Side;
use stringline_kinematics::solve_for::{
    AckermannGoal, Adjuster, BumpSteer, BumpSteerGoal, CasterGoal, Freedom, LockGoal, ackermann_plate, bump_steer,
    find_lock, least_bump_steer, set_caster,
};
use stringline_kinematics::{AS_FOUND, Axle, AxleGeometry, Change, Held, Move, RodEnd, Upper, Variant, geometry_of};

/// How far a rod's end may be moved to find least bump steer, mm.
const REACH: f64 = 80.0;
/// And within a steering plate, mm.
const PLATE: f64 = 60.0;

/// What is to be worked out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Wish {
    BumpSteer,
    Ackermann,
    Caster,
    Lock,
}

/// The numbers of the wishes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Goals {
    /// Whose form is open.
    pub(crate) open: Option<Wish>,
    /// Travel either way over which toe is to stay, mm.
    pub(crate) bump: f64,
    /// Outer and inner end of the tie rod may go up and down.
    pub(crate) ends: [bool; 2],
    pub(crate) percent: f64,
    /// At this steer of the inner wheel, degrees.
    pub(crate) inner_deg: f64,
    pub(crate) caster_deg: f64,
    /// Which of [`adjusters`].
    pub(crate) adjuster: usize,
    pub(crate) lock_deg: f64,
    pub(crate) margin_deg: f64,
}

impl Default for Goals {
    fn default() -> Goals {
        Goals {
            open: Some(Wish::BumpSteer),
            bump: BUMP,
            ends: [true, false],
            percent: 50.0,
            inner_deg: 30.0,
            caster_deg: 6.0,
            adjuster: 0,
            lock_deg: 40.0,
            margin_deg: 15.0,
        }
    }
}

/// What may be turned for caster on such a corner.
pub(crate) fn adjusters(geometry: &AxleGeometry) -> Vec<(&'static str, Adjuster)> {
    let mut all = vec![
        ("lower arm's front leg", Adjuster::FrontLeg),
        ("lower arm's rear leg", Adjuster::RearLeg),
        ("both legs, one against the other", Adjuster::LegsOpposed),
    ];
    match geometry.left.upper {
        Upper::Strut { .. } => all.push(("strut top, forward or back", Adjuster::StrutTop([1.0, 0.0, 0.0]))),
        Upper::Arm { .. } => all.push(("upper arm's legs, one against the other", Adjuster::UpperLegsOpposed)),
    }
    all
}

/// Moves that give what was wanted.
#[derive(Clone, Debug)]
pub(crate) struct Offer {
    /// The variant it was worked out on; nothing but that can take it.
    pub(crate) on: Variant,
    pub(crate) moves: Vec<Move>,
    /// What it does, before and after, a line each.
    pub(crate) lines: Vec<String>,
    /// Where it falls short.
    pub(crate) short: Option<String>,
}

/// Works it out; `on` has this geometry.
pub(crate) fn solve(wish: Wish, on: Variant, geometry: &AxleGeometry, goals: &Goals) -> Result<Offer, Trouble> {
    match wish {
        Wish::BumpSteer => least(on, geometry, goals),
        Wish::Ackermann => plate(on, geometry, goals),
        Wish::Caster => caster(on, geometry, goals),
        Wish::Lock => lock(on, geometry, goals),
    }
}

/// Moves as a shop can make them: to the tenth of a millimetre; toe is set on the car.
fn makeable(moves: Vec<Move>) -> Vec<Move> {
    moves
        .into_iter()
        .map(|mut m| {
            if !matches!(m.change, Change::Align { .. }) {
                for number in super::moves::numbers(&mut m.change) {
                    *number.value = super::moves::snapped(*number.value);
                }
            }
            m
        })
        .collect()
}

fn with(geometry: &AxleGeometry, moves: &[Move]) -> Result<Axle, Trouble> {
    let variant = Variant { name: "offer".into(), base: Some(AS_FOUND.into()), moves: moves.to_vec() };
    let moved = geometry_of(geometry, std::slice::from_ref(&variant), "offer").map_err(|e| Trouble::of(&e))?;
    Axle::new(&moved).map_err(|e| Trouble::of(&e))
}

fn axle(geometry: &AxleGeometry) -> Result<Axle, Trouble> {
    Axle::new(geometry).map_err(|e| Trouble::of(&e))
}

fn bump(axle: &Axle, range: f64) -> Result<BumpSteer, Trouble> {
    bump_steer(axle, [-range, range], Held::WheelCentre).map_err(|e| Trouble::of(&e))
}

fn bump_line(before: &Axle, after: &Axle, range: f64) -> Result<String, Trouble> {
    let (a, b) = (bump(before, range)?, bump(after, range)?);
    Ok(format!("bump steer ±{range:.0} mm: {:.2}° → {:.2}°", a.largest_deg, b.largest_deg))
}

fn least(on: Variant, geometry: &AxleGeometry, goals: &Goals) -> Result<Offer, Trouble> {
    let ends = [RodEnd::Outer, RodEnd::Inner].into_iter().zip(goals.ends).filter(|(_, free)| *free);
    let goal = BumpSteerGoal {
        travel: [-goals.bump, goals.bump],
        held: Held::WheelCentre,
        free: ends.map(|(end, _)| Freedom::vertical(end, REACH)).collect(),
        stock: None,
    };
    let answer = least_bump_steer(geometry, &goal).map_err(|e| Trouble::of(&e))?;
    let moves = makeable(answer.moves);
    let lines = vec![bump_line(&axle(geometry)?, &with(geometry, &moves)?, goals.bump)?];
    let short = (!answer.at_limit.is_empty())
        .then(|| format!("It lies at the end of what was tried, {REACH:.0} mm: more would do better."));
    let short = short.or_else(|| (!answer.converged).then(|| "The search did not settle.".into()));
    Ok(Offer { on, moves, lines, short })
}

fn plate(on: Variant, geometry: &AxleGeometry, goals: &Goals) -> Result<Offer, Trouble> {
    let goal = AckermannGoal {
        percents: vec![goals.percent],
        inner_deg: goals.inner_deg,
        turn: Side::Left,
        travel: [-goals.bump, goals.bump],
        directions: vec![[0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        reach: PLATE,
    };
    let holes = ackermann_plate(geometry, &goal).map_err(|e| Trouble::of(&e))?;
    let hole =
        holes.into_iter().next().ok_or_else(|| Trouble::new("no hole was found", "Ask for another percentage."))?;
    let moves = makeable(hole.moves);
    let lines = vec![
        format!("Ackermann at {:.0}° of the inner wheel: {:.1} %", goals.inner_deg, hole.ackermann.percent),
        bump_line(&axle(geometry)?, &with(geometry, &moves)?, goals.bump)?,
        format!("at that lock {:.0}° are left to over centre", hole.margin.to_degrees()),
        format!("steering arm {:.1} mm", hole.steering_arm),
    ];
    let short = (!hole.met).then(|| format!("{} % cannot be met within {PLATE:.0} mm.", goals.percent));
    Ok(Offer { on, moves, lines, short })
}

fn caster(on: Variant, geometry: &AxleGeometry, goals: &Goals) -> Result<Offer, Trouble> {
    let all = adjusters(geometry);
    let Some((_, by)) = all.get(goals.adjuster).or(all.first()).copied() else {
        return Err(Trouble::new("nothing can be turned", "Choose what is turned."));
    };
    let goal = CasterGoal { caster_deg: goals.caster_deg, by, travel: [-goals.bump, goals.bump] };
    let answer = set_caster(geometry, &goal).map_err(|e| Trouble::of(&e))?;
    let moves = makeable(answer.moves);
    let (before, after) = (axle(geometry)?, with(geometry, &moves)?);
    let (a, b) = [&before, &after].map(|axle| axle.corner(Side::Left).measures_at_rest()).into();
    let change = |words: &str, from: f64, to: f64, unit: &str| {
        format!("{words}: {}{unit} → {}{unit}", rounded(from, 0.01), rounded(to, 0.01))
    };
    let degrees = |words: &str, from: f64, to: f64| change(words, from.to_degrees(), to.to_degrees(), "°");
    let lines = vec![
        degrees("caster", a.caster, b.caster),
        bump_line(&before, &after, goals.bump)?,
        degrees("camber", a.camber, b.camber),
        change("mechanical trail", a.mechanical_trail, b.mechanical_trail, " mm"),
        change("wheel forward by", 0.0, b.wheel_centre.x - a.wheel_centre.x, " mm"),
        change("track", answer.before.track, answer.after.track, " mm"),
        degrees("toe before it is set again", a.toe_in, answer.turned.toe_in),
    ];
    Ok(Offer { on, moves, lines, short: None })
}

fn lock(on: Variant, geometry: &AxleGeometry, goals: &Goals) -> Result<Offer, Trouble> {
    let before = axle(geometry)?;
    let arm = before.corner(Side::Left).measures_at_rest().steering_arm;
    let goal =
        LockGoal { inner_deg: goals.lock_deg, margin_deg: goals.margin_deg, arm: [0.6 * arm, 1.3 * arm], steps: 29 };
    let answer = find_lock(geometry, &goal).map_err(|e| Trouble::of(&e))?;
    let chosen = answer.chosen;
    let mut moves = makeable(chosen.moves);
    let stroke = (chosen.stroke * 10.0).ceil() / 10.0;
    moves.insert(0, Change::RackStroke { stroke: [-stroke, stroke] }.into());
    let lines = vec![
        format!("lock {:.0}° with the rack's stops at ±{stroke:.1} mm", goals.lock_deg),
        format!("steering arm: {arm:.1} mm → {:.1} mm", chosen.arm),
        format!(
            "at the lock {:.1}° and {:.1} mm of rack are left to over centre",
            chosen.margin.to_degrees(),
            chosen.rack_left
        ),
        bump_line(&before, &with(geometry, &moves)?, goals.bump)?,
    ];
    let short = (!chosen.keeps_margin).then(|| {
        format!(
            "No arm from {:.0} to {:.0} mm keeps {:.0}°: this one comes nearest.",
            goal.arm[0], goal.arm[1], goals.margin_deg
        )
    });
    Ok(Offer { on, moves, lines, short })
}

#[cfg(test)]
mod tests {
    use super::*;
    use stringline_core::{Point3, UnitVec3, Vec3};
    use stringline_kinematics::{Car, CornerGeometry, Rack, Wheel};

    /// The corner of the kinematics' own example: an invented strut.
    fn geometry() -> AxleGeometry {
        let corner = CornerGeometry {
            side: Side::Left,
            lower_front: Point3::new(15.0, 365.0, 200.0),
            lower_rear: Point3::new(-300.0, 390.0, 215.0),
            lower_ball: Point3::new(8.0, 705.0, 205.0),
            upper: Upper::Strut { top: Point3::new(-45.0, 570.0, 845.0), lower: Point3::new(-2.0, 640.0, 420.0) },
            tie_rod_inner: Point3::new(-95.0, 330.0, 252.0),
            tie_rod_outer: Point3::new(-105.0, 672.0, 240.0),
            wheel: Wheel {
                centre: Point3::new(0.0, 740.0, 300.0),
                spin: UnitVec3::new_normalize(Vec3::new(0.0, 1.0, 0.02)),
                radius: 300.0,
            },
            damper: None,
            outer_joint: None,
            inner_joint: None,
        };
        AxleGeometry::symmetric(corner, Rack::default(), Car { wheelbase: Some(2500.0), ..Car::default() })
    }

    fn on() -> Variant {
        Variant { name: "a".into(), base: None, moves: Vec::new() }
    }

    #[test]
    fn every_offer_does_what_it_says_once_its_moves_are_made() {
        let geometry = geometry();
        let goals = Goals { caster_deg: 4.5, lock_deg: 35.0, ..Goals::default() };
        let before = bump(&axle(&geometry).unwrap(), goals.bump).unwrap();
        let moved = |wish| {
            let offer = solve(wish, on(), &geometry, &goals).unwrap();
            assert!(offer.short.is_none() && !offer.lines.is_empty(), "{wish:?}: {:?}", offer.short);
            with(&geometry, &offer.moves).unwrap()
        };
        let after = bump(&moved(Wish::BumpSteer), goals.bump).unwrap();
        assert!(after.largest_deg < 0.2 * before.largest_deg, "{before:?} {after:?}");
        let caster = moved(Wish::Caster).corner(Side::Left).measures_at_rest().caster.to_degrees();
        // The adjuster is turned to the tenth of a millimetre.
        assert!((caster - 4.5).abs() < 0.02, "{caster}");
        let locked = moved(Wish::Lock);
        let stop = locked.geometry().rack.stroke.unwrap()[0];
        let m = locked.solve(stringline_kinematics::State::level(0.0, stop), Held::Contact).unwrap();
        assert!((m.left.steer.to_degrees() - 35.0).abs() < 0.2, "{}", m.left.steer.to_degrees());
        assert!(m.left.over_centre_margin.to_degrees() >= goals.margin_deg - 0.2);
        let plated = moved(Wish::Ackermann);
        let rack =
            stringline_kinematics::solve_for::rack_for_lock(&plated, Side::Left, 30_f64.to_radians(), 0.0).unwrap();
        let m = plated.solve(stringline_kinematics::State::level(0.0, rack), Held::Contact).unwrap();
        assert!((m.ackermann.unwrap().percent - goals.percent).abs() < 0.5, "{:?}", m.ackermann);
    }

    #[test]
    fn what_cannot_be_had_is_said_with_what_to_do() {
        let goals = Goals { lock_deg: 84.0, ..Goals::default() };
        let trouble = solve(Wish::Lock, on(), &geometry(), &goals).unwrap_err();
        assert!(trouble.what.contains("over centre") && !trouble.next.is_empty(), "{trouble:?}");
    }
}
