//! What a hardpoint is for, and what a whole corner needs.

use crate::datum::DatumKind;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_core::Vec3;

/// What a hardpoint does in the suspension. In files the name is snake_case.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Where the strut's top mount pivots.
    StrutTop,
    /// A point of the strut's sliding axis, at its lower end.
    StrutLower,
    /// The sliding axis of the damper.
    DamperAxis,
    /// Front inner pivot of the lower arm.
    LowerArmFront,
    /// Rear inner pivot of the lower arm.
    LowerArmRear,
    /// Front inner pivot of the upper arm.
    UpperArmFront,
    /// Rear inner pivot of the upper arm.
    UpperArmRear,
    /// Centre of the lower ball joint.
    LowerBallJoint,
    /// Centre of the upper ball joint.
    UpperBallJoint,
    /// Centre of the joint between rack and tie rod.
    TieRodInner,
    /// Centre of the joint between tie rod and steering arm.
    TieRodOuter,
    /// The line the rack slides along.
    RackAxis,
    /// The line the wheel spins about.
    HubAxis,
    /// The face the wheel or the disc seats on.
    HubFace,
    /// Where the hub axis meets the wheel's middle plane.
    WheelCentre,
    /// Axis of the first brake caliper bolt hole.
    #[serde(rename = "brake_mount_1")]
    BrakeMount1,
    /// Axis of the second brake caliper bolt hole.
    #[serde(rename = "brake_mount_2")]
    BrakeMount2,
    /// Where the anti-roll bar's link joins the arm or the strut.
    AntiRollLink,
    /// The face the spring seats on.
    SpringSeat,
}

impl Role {
    /// Every role, in the order of files and tables.
    pub const ALL: [Role; 19] = [
        Role::StrutTop,
        Role::StrutLower,
        Role::DamperAxis,
        Role::LowerArmFront,
        Role::LowerArmRear,
        Role::UpperArmFront,
        Role::UpperArmRear,
        Role::LowerBallJoint,
        Role::UpperBallJoint,
        Role::TieRodInner,
        Role::TieRodOuter,
        Role::RackAxis,
        Role::HubAxis,
        Role::HubFace,
        Role::WheelCentre,
        Role::BrakeMount1,
        Role::BrakeMount2,
        Role::AntiRollLink,
        Role::SpringSeat,
    ];

    /// The name in files.
    pub fn name(self) -> &'static str {
        match self {
            Role::StrutTop => "strut_top",
            Role::StrutLower => "strut_lower",
            Role::DamperAxis => "damper_axis",
            Role::LowerArmFront => "lower_arm_front",
            Role::LowerArmRear => "lower_arm_rear",
            Role::UpperArmFront => "upper_arm_front",
            Role::UpperArmRear => "upper_arm_rear",
            Role::LowerBallJoint => "lower_ball_joint",
            Role::UpperBallJoint => "upper_ball_joint",
            Role::TieRodInner => "tie_rod_inner",
            Role::TieRodOuter => "tie_rod_outer",
            Role::RackAxis => "rack_axis",
            Role::HubAxis => "hub_axis",
            Role::HubFace => "hub_face",
            Role::WheelCentre => "wheel_centre",
            Role::BrakeMount1 => "brake_mount_1",
            Role::BrakeMount2 => "brake_mount_2",
            Role::AntiRollLink => "anti_roll_link",
            Role::SpringSeat => "spring_seat",
        }
    }

    /// The name on screen.
    pub fn words(self) -> String {
        self.name().replace('_', " ")
    }

    /// Whether the role is played by a point, an axis or a face.
    pub fn kind(self) -> DatumKind {
        match self {
            Role::DamperAxis | Role::RackAxis | Role::HubAxis | Role::BrakeMount1 | Role::BrakeMount2 => {
                DatumKind::Axis
            }
            Role::HubFace | Role::SpringSeat => DatumKind::Face,
            _ => DatumKind::Point,
        }
    }

    /// Which way the direction of an axis or face points in vehicle axes (ISO 8855), so that
    /// two sets of one car agree: the hub outboard, the rack to the left, damper and spring
    /// seat up. `None` where neither sense is better, and for points.
    pub fn sense(self, side: Side) -> Option<Vec3> {
        match (self, side) {
            (Role::DamperAxis | Role::SpringSeat, _) => Some(Vec3::z()),
            (Role::RackAxis, _) => Some(Vec3::y()),
            (Role::HubAxis | Role::HubFace, Side::Left) => Some(Vec3::y()),
            (Role::HubAxis | Role::HubFace, Side::Right) => Some(-Vec3::y()),
            _ => None,
        }
    }
}

impl std::fmt::Display for Role {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

impl std::str::FromStr for Role {
    type Err = UnknownRole;

    fn from_str(s: &str) -> Result<Self, Self::Err> {
        let wanted = s.trim().to_ascii_lowercase().replace([' ', '-'], "_");
        Role::ALL.into_iter().find(|r| r.name() == wanted).ok_or_else(|| UnknownRole { name: s.into() })
    }
}

/// A word that is no role's name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("there is no role called '{name}'")]
pub struct UnknownRole {
    /// What was written.
    pub name: String,
}

impl stringline_core::Explain for UnknownRole {
    fn next_step(&self) -> std::borrow::Cow<'static, str> {
        let names: Vec<&str> = Role::ALL.iter().map(|r| r.name()).collect();
        format!("Use one of: {}.", names.join(", ")).into()
    }
}

/// The side of the car.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Positive y in vehicle axes.
    Left,
    /// Negative y in vehicle axes.
    Right,
    /// On the symmetry plane, or shared by both sides (the rack's axis).
    Centre,
}

impl Side {
    /// The name in files and on screen.
    pub fn name(self) -> &'static str {
        match self {
            Side::Left => "left",
            Side::Right => "right",
            Side::Centre => "centre",
        }
    }
}

impl std::fmt::Display for Side {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.name())
    }
}

/// The kinds of corner a set can describe.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Suspension {
    /// A strut above one lower arm.
    Strut,
    /// Two arms, one above the other.
    DoubleWishbone,
}

impl Suspension {
    /// What a complete corner needs: of each group, at least one role.
    pub fn needs(self) -> &'static [&'static [Role]] {
        match self {
            Suspension::Strut => &[
                &[Role::StrutTop],
                &[Role::StrutLower, Role::DamperAxis],
                &[Role::LowerArmFront],
                &[Role::LowerArmRear],
                &[Role::LowerBallJoint],
                &[Role::TieRodInner],
                &[Role::TieRodOuter],
                &[Role::HubAxis],
                &[Role::WheelCentre],
            ],
            Suspension::DoubleWishbone => &[
                &[Role::LowerArmFront],
                &[Role::LowerArmRear],
                &[Role::LowerBallJoint],
                &[Role::UpperArmFront],
                &[Role::UpperArmRear],
                &[Role::UpperBallJoint],
                &[Role::TieRodInner],
                &[Role::TieRodOuter],
                &[Role::HubAxis],
                &[Role::WheelCentre],
            ],
        }
    }

    /// The groups of [`Suspension::needs`] of which none is among `present`.
    pub fn missing(self, present: &[Role]) -> Vec<&'static [Role]> {
        self.needs().iter().copied().filter(|group| !group.iter().any(|role| present.contains(role))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_in_files_and_in_code_agree() {
        for role in Role::ALL {
            assert_eq!(serde_json::to_string(&role).unwrap(), format!("\"{}\"", role.name()));
            assert_eq!(role.words().parse::<Role>().unwrap(), role);
        }
        assert!("lower_ball_joints".parse::<Role>().is_err());
        let mut sorted = Role::ALL;
        sorted.sort();
        assert_eq!(sorted, Role::ALL);
    }

    #[test]
    fn a_strut_corner_takes_either_form_of_the_sliding_axis() {
        let mut present: Vec<Role> = Suspension::Strut.needs().iter().map(|g| g[0]).collect();
        assert!(Suspension::Strut.missing(&present).is_empty());
        present.retain(|r| *r != Role::StrutLower);
        assert_eq!(Suspension::Strut.missing(&present).len(), 1);
        present.push(Role::DamperAxis);
        assert!(Suspension::Strut.missing(&present).is_empty());
    }
}
