//! Working backwards: moves that give what is wanted, offered to be taken into the variant in hand.

use crate::geometry::study::BUMP;
use crate::words::{Trouble, number};
use stringline_core::covariance::rounded;
use stringline_hardpoints::Side;
use stringline_kinematics::solve_for::{
    AckermannGoal, Adjuster, BumpSteer, BumpSteerGoal, CasterGoal, Freedom, LockGoal, Stack, Stock, ackermann_plate,
    bump_steer, find_lock, least_bump_steer, set_caster,
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
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Goals {
    /// Whose form is open.
    pub(crate) open: Option<Wish>,
    /// Travel either way over which toe is to stay, mm.
    pub(crate) bump: f64,
    /// Outer and inner end of the tie rod may go up and down.
    pub(crate) ends: [bool; 2],
    /// Thicknesses of spacers that can be had, mm, as typed; empty: any.
    pub(crate) stock: String,
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
            stock: String::new(),
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
    let variant = Variant::new("offer", Some(AS_FOUND), moves.to_vec());
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
    let stock = stock_of(&goals.stock)?;
    let ends = [RodEnd::Outer, RodEnd::Inner].into_iter().zip(goals.ends).filter(|(_, free)| *free);
    let mut free: Vec<Freedom> = ends.map(|(end, _)| Freedom::vertical(end, REACH)).collect();
    let first = free.first().map(|freedom| freedom.end);
    if let (Some(_), Some(Freedom { end: RodEnd::Outer, direction, .. }), Some(joint)) =
        (&stock, free.first_mut(), geometry.left.outer_joint)
    {
        // Spacers go along the bolt.
        *direction = (joint.axis.into_inner() * joint.axis.z.signum()).into();
    }
    let goal = BumpSteerGoal { travel: [-goals.bump, goals.bump], held: Held::WheelCentre, free, stock };
    let answer = least_bump_steer(geometry, &goal).map_err(|e| Trouble::of(&e))?;
    let (mut moves, mut lines) = (answer.moves, Vec::new());
    if let (Some(stack), Some(under)) = (answer.stacks.first(), first) {
        // The first of the moves, said as what is done.
        if let Some(m) = moves.first_mut() {
            m.change = Change::Spacer { under, thickness: stack.thickness };
        }
        lines.push(stack_words(stack));
    }
    let moves = makeable(moves);
    lines.push(bump_line(&axle(geometry)?, &with(geometry, &moves)?, goals.bump)?);
    if goal.stock.is_some() {
        lines.push(format!("with a spacer of any thickness it would be {:.2}°", answer.best.largest_deg));
    }
    let short = (!answer.at_limit.is_empty())
        .then(|| format!("It lies at the end of what was tried, {REACH:.0} mm: more would do better."));
    let short = short.or_else(|| (!answer.converged).then(|| "The search did not settle.".into()));
    Ok(Offer { on, moves, lines, short })
}

/// The spacers that can be had: a thickness for each kind, as many of it as make a stack.
fn stock_of(typed: &str) -> Result<Option<Stock>, Trouble> {
    const MANY: u32 = 12;
    let words = typed.split([' ', ';']).map(|word| word.trim_end_matches(',')).filter(|word| !word.is_empty());
    let mut pieces = Vec::new();
    for word in words {
        match number(word).filter(|thickness| *thickness > 0.0) {
            Some(thickness) => pieces.push((thickness, MANY)),
            None => {
                return Err(Trouble::new(
                    format!("\"{word}\" is no thickness of a spacer"),
                    "Type thicknesses in mm with spaces between them, or nothing for any thickness.",
                ));
            }
        }
    }
    Ok((!pieces.is_empty()).then_some(Stock { pieces }))
}

fn stack_words(stack: &Stack) -> String {
    let pieces: Vec<String> =
        stack.pieces.iter().map(|(thickness, count)| format!("{count} × {thickness} mm")).collect();
    let under = if stack.thickness < 0.0 { "below the arm, the rod's end lowered" } else { "the rod's end raised" };
    if pieces.is_empty() { "no spacer at all".into() } else { format!("{}: {under}", pieces.join(" + ")) }
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
        Variant::new("a", None, Vec::new())
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
    fn spacers_of_the_shelf_make_the_stack() {
        let geometry = geometry();
        let goals = Goals { stock: "1 2,5; 10".into(), ..Goals::default() };
        let offer = solve(Wish::BumpSteer, on(), &geometry, &goals).unwrap();
        let Change::Spacer { under: RodEnd::Outer, thickness } = offer.moves[0].change else {
            panic!("{:?}", offer.moves);
        };
        // Only what such pieces make, all on one side of the arm.
        let halves = (2.0 * thickness).round();
        assert!((2.0 * thickness - halves).abs() < 1e-9 && thickness != 0.0, "{thickness}");
        let free = solve(Wish::BumpSteer, on(), &geometry, &Goals::default()).unwrap();
        let largest = |moves: &[Move]| bump(&with(&geometry, moves).unwrap(), BUMP).unwrap().largest_deg;
        assert!(largest(&offer.moves) < 0.5 * bump(&axle(&geometry).unwrap(), BUMP).unwrap().largest_deg);
        assert!(largest(&offer.moves) >= largest(&free.moves) - 1e-3);
        let trouble = solve(Wish::BumpSteer, on(), &geometry, &Goals { stock: "two".into(), ..goals }).unwrap_err();
        assert!(trouble.what.contains("two"), "{trouble:?}");
    }

    #[test]
    fn what_cannot_be_had_is_said_with_what_to_do() {
        let goals = Goals { lock_deg: 84.0, ..Goals::default() };
        let trouble = solve(Wish::Lock, on(), &geometry(), &goals).unwrap_err();
        assert!(trouble.what.contains("over centre") && !trouble.next.is_empty(), "{trouble:?}");
    }
}
