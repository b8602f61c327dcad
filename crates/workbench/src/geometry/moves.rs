//! Moves in plain words, with the numbers that can be changed, and what dragging a hardpoint does to them.

use stringline_hardpoints::{Role, Side};
use stringline_kinematics::{AxleGeometry, Change, Move, RodEnd, Upper, Variant};

/// A number of a move.
pub(crate) struct Number<'a> {
    /// What it is; empty where the move's own words say it.
    pub(crate) name: &'static str,
    pub(crate) unit: &'static str,
    pub(crate) value: &'a mut f64,
}

/// The names of a vector's parts.
const AXES: [&str; 3] = ["forward", "out", "up"];

/// What a move does, in words.
pub(crate) fn words(change: &Change) -> String {
    match change {
        Change::DropBallJoint { .. } => "lower ball joint lowered in the knuckle".into(),
        Change::MoveBallJoint { role, .. } => format!("{} moved in the knuckle", role.words()),
        Change::MoveTieRodOuter { .. } => "outer tie-rod joint moved on the knuckle".into(),
        Change::PlatePosition { position, of, .. } => format!("steering plate, hole {position} of {of}"),
        Change::Spacer { under: RodEnd::Outer, .. } => "spacer under the outer rod end".into(),
        Change::Spacer { under: RodEnd::Inner, .. } => "spacer under the inner rod end".into(),
        Change::FlipRodEnd { .. } => "rod end flipped to the arm's other face".into(),
        Change::MoveTieRodInner { .. } => "inner tie-rod joint moved on the rack".into(),
        Change::RodLength { .. } => "tie rod longer".into(),
        Change::Align { .. } => "toe set by the tie rod".into(),
        Change::ArmLength { .. } => "lower arm longer".into(),
        Change::ArmLegs { .. } => "legs of the lower arm longer".into(),
        Change::UpperArmLegs { .. } => "legs of the upper arm longer".into(),
        Change::MovePivot { role, .. } => format!("{} pivot moved on the chassis", role.words()),
        Change::MoveStrutTop { .. } => "strut top moved".into(),
        Change::MoveRack { .. } => "rack moved".into(),
        Change::RackStroke { .. } => "stops of the rack".into(),
        Change::Wheel { .. } => "another wheel or tyre".into(),
        Change::RideHeight { .. } => "body raised".into(),
    }
}

/// The numbers of a move.
pub(crate) fn numbers(change: &mut Change) -> Vec<Number<'_>> {
    let mm = |name, value| Number { name, unit: "mm", value };
    match change {
        Change::DropBallJoint { by }
        | Change::FlipRodEnd { by }
        | Change::RodLength { by }
        | Change::ArmLength { by }
        | Change::RideHeight { by }
        | Change::Spacer { thickness: by, .. } => vec![mm("", by)],
        Change::Align { toe_in_deg } => vec![Number { name: "in", unit: "°", value: toe_in_deg }],
        Change::MoveTieRodOuter { by }
        | Change::MoveTieRodInner { by }
        | Change::MoveBallJoint { by, .. }
        | Change::MovePivot { by, .. }
        | Change::MoveStrutTop { by } => AXES.into_iter().zip(by).map(|(name, value)| mm(name, value)).collect(),
        Change::MoveRack { by } => {
            ["forward", "left", "up"].into_iter().zip(by).map(|(name, value)| mm(name, value)).collect()
        }
        Change::ArmLegs { front, rear } | Change::UpperArmLegs { front, rear } => {
            vec![mm("front", front), mm("rear", rear)]
        }
        Change::RackStroke { stroke: [low, high] } => vec![mm("right", low), mm("left", high)],
        Change::Wheel { radius, outboard, .. } => {
            let mut all = vec![mm("out", outboard)];
            all.extend(radius.as_mut().map(|radius| mm("radius", radius)));
            all
        }
        Change::PlatePosition { step, .. } => AXES.into_iter().zip(step).map(|(name, value)| mm(name, value)).collect(),
    }
}

/// Moves that can be added: with the words that are asked for.
pub(crate) fn offered(geometry: &AxleGeometry) -> Vec<(&'static str, Change)> {
    let zero = [0.0; 3];
    let mut all = vec![
        ("Drop the lower ball joint", Change::DropBallJoint { by: 0.0 }),
        ("Move the lower ball joint", Change::MoveBallJoint { role: Role::LowerBallJoint, by: zero }),
        ("Move the outer tie-rod joint", Change::MoveTieRodOuter { by: zero }),
        ("Move the inner tie-rod joint", Change::MoveTieRodInner { by: zero }),
        ("Spacer under the outer rod end", Change::Spacer { under: RodEnd::Outer, thickness: 0.0 }),
        ("Spacer under the inner rod end", Change::Spacer { under: RodEnd::Inner, thickness: 0.0 }),
        ("Flip the rod end", Change::FlipRodEnd { by: 0.0 }),
        ("Set toe", Change::Align { toe_in_deg: 0.0 }),
        ("Longer tie rod", Change::RodLength { by: 0.0 }),
        ("Longer lower arm", Change::ArmLength { by: 0.0 }),
        ("Set the lower arm's legs", Change::ArmLegs { front: 0.0, rear: 0.0 }),
        ("Move the lower arm's front pivot", Change::MovePivot { role: Role::LowerArmFront, by: zero }),
        ("Move the lower arm's rear pivot", Change::MovePivot { role: Role::LowerArmRear, by: zero }),
    ];
    match geometry.left.upper {
        Upper::Strut { .. } => all.push(("Move the strut top", Change::MoveStrutTop { by: zero })),
        Upper::Arm { .. } => all.extend([
            ("Move the upper ball joint", Change::MoveBallJoint { role: Role::UpperBallJoint, by: zero }),
            ("Set the upper arm's legs", Change::UpperArmLegs { front: 0.0, rear: 0.0 }),
            ("Move the upper arm's front pivot", Change::MovePivot { role: Role::UpperArmFront, by: zero }),
            ("Move the upper arm's rear pivot", Change::MovePivot { role: Role::UpperArmRear, by: zero }),
        ]),
    }
    let stroke = geometry.rack.stroke.unwrap_or([-60.0, 60.0]);
    all.extend([
        ("Move the rack", Change::MoveRack { by: zero }),
        ("Other stops of the rack", Change::RackStroke { stroke }),
        (
            "Another wheel or tyre",
            Change::Wheel { tyre: None, radius: Some(geometry.left.wheel.radius), outboard: 0.0 },
        ),
        ("Raise the body", Change::RideHeight { by: 0.0 }),
    ]);
    all
}

/// The hardpoints that can be dragged, from the wheel inwards.
pub(crate) fn points(geometry: &AxleGeometry) -> Vec<Role> {
    let mut all =
        vec![Role::TieRodOuter, Role::TieRodInner, Role::LowerBallJoint, Role::LowerArmFront, Role::LowerArmRear];
    match geometry.left.upper {
        Upper::Strut { .. } => all.push(Role::StrutTop),
        Upper::Arm { .. } => all.extend([Role::UpperBallJoint, Role::UpperArmFront, Role::UpperArmRear]),
    }
    all
}

/// The move that puts a hardpoint elsewhere along an axis of the car; `None` where no one part's change does that.
/// Left corner, mm.
fn change_for(role: Role, axis: usize, by: f64) -> Option<Change> {
    let mut vector = [0.0; 3];
    *vector.get_mut(axis)? = by;
    match (role, axis) {
        (Role::TieRodOuter, _) => Some(Change::MoveTieRodOuter { by: vector }),
        (Role::TieRodInner, _) => Some(Change::MoveTieRodInner { by: vector }),
        (Role::StrutTop, _) => Some(Change::MoveStrutTop { by: vector }),
        (Role::LowerArmFront | Role::LowerArmRear | Role::UpperArmFront | Role::UpperArmRear, _) => {
            Some(Change::MovePivot { role, by: vector })
        }
        (Role::LowerBallJoint, 2) => Some(Change::DropBallJoint { by: -by }),
        (Role::LowerBallJoint | Role::UpperBallJoint, _) => Some(Change::MoveBallJoint { role, by: vector }),
        _ => None,
    }
}

/// How far a variant's own moves put a hardpoint along an axis, for moves of that side, mm.
pub(crate) fn total(variant: &Variant, role: Role, axis: usize, side: Option<Side>) -> f64 {
    let of = |m: &Move| match (&m.change, role, axis) {
        (Change::MoveTieRodOuter { by }, Role::TieRodOuter, _)
        | (Change::MoveTieRodInner { by }, Role::TieRodInner, _)
        | (Change::MoveStrutTop { by }, Role::StrutTop, _) => by[axis],
        (Change::MovePivot { role: moved, by } | Change::MoveBallJoint { role: moved, by }, ..) if *moved == role => {
            by[axis]
        }
        (Change::DropBallJoint { by }, Role::LowerBallJoint, 2) => -by,
        _ => 0.0,
    };
    variant.moves.iter().filter(|m| m.side == side).map(of).sum()
}

/// Puts a hardpoint further along an axis; sums with the move that does so already. Whether it can be done.
pub(crate) fn nudge(variant: &mut Variant, role: Role, axis: usize, by: f64, side: Option<Side>) -> bool {
    let Some(change) = change_for(role, axis, by) else { return false };
    add(variant, Move { side, change });
    true
}

/// Adds a move: to one of the same kind and side where there is one (they sum), otherwise before the toe is set. A
/// toe setting takes the place of those before it.
pub(crate) fn add(variant: &mut Variant, new: Move) {
    if matches!(new.change, Change::Align { .. }) {
        variant
            .moves
            .retain(|m| !(matches!(m.change, Change::Align { .. }) && (new.side.is_none() || m.side == new.side)));
        variant.moves.push(new);
        return;
    }
    for known in variant.moves.iter_mut().filter(|m| m.side == new.side) {
        if sum(&mut known.change, &new.change) {
            return;
        }
    }
    let aligns = variant.moves.iter().rev().take_while(|m| matches!(m.change, Change::Align { .. })).count();
    variant.moves.insert(variant.moves.len() - aligns, new);
}

/// Adds one move's numbers to another of the same kind.
fn sum(to: &mut Change, from: &Change) -> bool {
    match (to, from) {
        (Change::MoveTieRodOuter { by: a }, Change::MoveTieRodOuter { by: b })
        | (Change::MoveTieRodInner { by: a }, Change::MoveTieRodInner { by: b })
        | (Change::MoveStrutTop { by: a }, Change::MoveStrutTop { by: b }) => add_all(a, b),
        (Change::MovePivot { role: r, by: a }, Change::MovePivot { role: s, by: b })
        | (Change::MoveBallJoint { role: r, by: a }, Change::MoveBallJoint { role: s, by: b })
            if r == s =>
        {
            add_all(a, b)
        }
        (Change::DropBallJoint { by: a }, Change::DropBallJoint { by: b })
        | (Change::ArmLength { by: a }, Change::ArmLength { by: b }) => {
            *a = tidy(*a + b);
            true
        }
        (Change::ArmLegs { front: a, rear: c }, Change::ArmLegs { front: b, rear: d }) => {
            (*a, *c) = (tidy(*a + b), tidy(*c + d));
            true
        }
        _ => false,
    }
}

fn add_all(a: &mut [f64; 3], b: &[f64; 3]) -> bool {
    for (a, b) in a.iter_mut().zip(b) {
        *a = tidy(*a + b);
    }
    true
}

/// Without the last digits that sums of tenths leave.
fn tidy(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// A dragged length, to the tenth of a millimetre.
pub(crate) fn snapped(mm: f64) -> f64 {
    // Adding zero leaves none with a sign.
    (mm * 10.0).round() / 10.0 + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn empty() -> Variant {
        Variant::new("a", None, vec![Change::Align { toe_in_deg: 0.1 }.into()])
    }

    #[test]
    fn a_dragged_hardpoint_is_one_move_before_the_toe_is_set() {
        let mut variant = empty();
        for by in [0.1, 0.2, -3.0] {
            assert!(nudge(&mut variant, Role::TieRodOuter, 2, by, None));
        }
        assert!(nudge(&mut variant, Role::TieRodOuter, 0, 1.0, None));
        assert_eq!(variant.moves.len(), 2);
        assert_eq!(variant.moves[0].change, Change::MoveTieRodOuter { by: [1.0, 0.0, -2.7] });
        assert_eq!(total(&variant, Role::TieRodOuter, 2, None), -2.7);
        // Of one side it is a move of its own.
        assert!(nudge(&mut variant, Role::TieRodOuter, 2, 5.0, Some(Side::Left)));
        assert_eq!((variant.moves.len(), total(&variant, Role::TieRodOuter, 2, None)), (3, -2.7));
        assert!(matches!(variant.moves[2].change, Change::Align { .. }));
    }

    #[test]
    fn raising_the_ball_joint_is_less_drop_and_elsewhere_it_is_moved_in_the_knuckle() {
        let mut variant = empty();
        assert!(nudge(&mut variant, Role::LowerBallJoint, 2, -50.0, None));
        assert_eq!(variant.moves[0].change, Change::DropBallJoint { by: 50.0 });
        assert!(nudge(&mut variant, Role::LowerBallJoint, 0, 2.0, None));
        let forward = Change::MoveBallJoint { role: Role::LowerBallJoint, by: [2.0, 0.0, 0.0] };
        assert_eq!((variant.moves[1].change.clone(), total(&variant, Role::LowerBallJoint, 0, None)), (forward, 2.0));
        assert_eq!(total(&variant, Role::LowerBallJoint, 2, None), -50.0);
    }

    #[test]
    fn toe_is_set_once_and_last() {
        let mut variant = empty();
        add(&mut variant, Change::DropBallJoint { by: 10.0 }.into());
        add(&mut variant, Change::Align { toe_in_deg: 0.0 }.into());
        assert_eq!(variant.moves.len(), 2);
        assert_eq!(variant.moves[1].change, Change::Align { toe_in_deg: 0.0 });
    }

    #[test]
    fn every_number_of_a_move_can_be_changed() {
        for mut change in [Change::Spacer { under: RodEnd::Inner, thickness: 0.0 }, Change::RideHeight { by: 0.0 }] {
            let before = change.clone();
            numbers(&mut change).into_iter().for_each(|number| *number.value = 3.0);
            assert_ne!(change, before);
            assert!(!words(&change).is_empty());
        }
    }
}
