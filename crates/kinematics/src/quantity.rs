//! The measures by name, in the units people read: for tables, files, curves and their uncertainty.

use crate::axle::AxleMeasures;
use crate::measures::CornerMeasures;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use stringline_hardpoints::Side;

macro_rules! quantities {
    ($($(#[doc = $doc:literal])* $variant:ident, $name:literal, $words:literal, $unit:literal, $scope:ident;)*) => {
        /// A measure of a corner or an axle. Definitions: [`CornerMeasures`], [`AxleMeasures`].
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
        #[serde(rename_all = "snake_case")]
        pub enum Quantity {
            $($(#[doc = $doc])* $variant,)*
        }

        impl Quantity {
            /// All of them, in the order of tables.
            pub const ALL: &'static [Quantity] = &[$(Quantity::$variant,)*];

            /// The name in files; `_deg` where it is in degrees.
            pub fn name(self) -> &'static str {
                match self { $(Quantity::$variant => $name,)* }
            }

            /// The name on screen.
            pub fn words(self) -> &'static str {
                match self { $(Quantity::$variant => $words,)* }
            }

            /// The unit of [`Quantity::of`].
            pub fn unit(self) -> &'static str {
                match self { $(Quantity::$variant => $unit,)* }
            }

            /// Whether each corner has its own.
            pub fn of_corner(self) -> bool {
                match self { $(Quantity::$variant => scope!($scope),)* }
            }
        }
    };
}

macro_rules! scope {
    (corner) => {
        true
    };
    (axle) => {
        false
    };
}

quantities! {
    /// Steer angle.
    Steer, "steer_deg", "steer", "°", corner;
    /// Toe-in.
    ToeIn, "toe_in_deg", "toe-in", "°", corner;
    /// Change of toe-in since rest.
    BumpSteer, "bump_steer_deg", "bump steer (toe-in change)", "°", corner;
    /// Slope of toe-in.
    BumpSteerSlope, "bump_steer_slope_deg_per_mm", "bump-steer slope", "°/mm", corner;
    /// Camber seen from the front.
    Camber, "camber_deg", "camber (front view)", "°", corner;
    /// True lean.
    Inclination, "inclination_deg", "inclination (true lean)", "°", corner;
    /// Slope of inclination.
    InclinationSlope, "inclination_slope_deg_per_mm", "inclination slope", "°/mm", corner;
    /// Caster.
    Caster, "caster_deg", "caster", "°", corner;
    /// Kingpin inclination.
    KingpinInclination, "kingpin_inclination_deg", "kingpin inclination", "°", corner;
    /// Scrub radius.
    ScrubRadius, "scrub_radius", "scrub radius", "mm", corner;
    /// Mechanical trail.
    MechanicalTrail, "mechanical_trail", "mechanical trail", "mm", corner;
    /// Spindle offset.
    SpindleOffset, "spindle_offset", "spindle offset", "mm", corner;
    /// Castor offset at the wheel centre.
    CastorOffset, "castor_offset_at_centre", "castor offset at wheel centre", "mm", corner;
    /// Roll-centre height above the contact point, by its velocity.
    RollCentreByVelocity, "roll_centre_by_velocity", "roll centre (contact velocity)", "mm", corner;
    /// Roll-centre height above the contact point, by the two planes.
    RollCentreByPlanes, "roll_centre_by_planes", "roll centre (two planes)", "mm", corner;
    /// Steer per rack travel.
    SteerPerRack, "steer_per_rack_deg_per_mm", "steer per rack travel", "°/mm", corner;
    /// Effective steering arm.
    SteeringArm, "steering_arm", "steering arm", "mm", corner;
    /// Angle between steering arm and rod.
    RodArmAngle, "rod_arm_angle_deg", "angle rod to arm", "°", corner;
    /// Over-centre margin.
    OverCentreMargin, "over_centre_margin_deg", "over-centre margin", "°", corner;
    /// Swing of the rod in the knuckle.
    OuterSwing, "outer_swing_deg", "rod swing at the arm", "°", corner;
    /// Swing of the rod in the car.
    InnerSwing, "inner_swing_deg", "rod swing at the rack", "°", corner;
    /// Misalignment of the outer joint.
    OuterMisalignment, "outer_misalignment_deg", "outer joint misalignment", "°", corner;
    /// Misalignment of the inner joint.
    InnerMisalignment, "inner_misalignment_deg", "inner joint misalignment", "°", corner;
    /// Length of strut or damper.
    DamperLength, "damper_length", "damper length", "mm", corner;
    /// Motion ratio.
    MotionRatio, "motion_ratio", "motion ratio", "", corner;
    /// Change of the wheelbase on this side.
    WheelbaseChange, "wheelbase_change", "wheelbase change", "mm", corner;
    /// Anti-dive.
    AntiDive, "anti_dive_percent", "anti-dive", "%", corner;
    /// Anti-lift.
    AntiLift, "anti_lift_percent", "anti-lift", "%", corner;
    /// Change of track.
    TrackChange, "track_change", "track change", "mm", axle;
    /// Steer of the inner wheel.
    InnerSteer, "inner_steer_deg", "steer of the inner wheel", "°", axle;
    /// Steer of the outer wheel.
    OuterSteer, "outer_steer_deg", "steer of the outer wheel", "°", axle;
    /// Ackermann percentage.
    AckermannPercent, "ackermann_percent", "Ackermann (angle difference, inner wheel reference)", "%", axle;
    /// Ackermann error.
    AckermannError, "ackermann_error_deg", "Ackermann error (outer wheel)", "°", axle;
    /// Turning circle.
    TurningCircle, "turning_circle", "turning circle", "mm", axle;
    /// Steering ratio.
    SteeringRatio, "steering_ratio", "steering ratio", "", axle;
    /// Roll-centre height of the axle above the ground, by velocities.
    AxleRollCentre, "axle_roll_centre", "axle's roll centre (contact velocity)", "mm", axle;
}

impl Quantity {
    /// Its value in [`Quantity::unit`]; `None` where it is undefined in this state. Of the axle's measures both sides have
    /// the same.
    pub fn of(self, m: &AxleMeasures, side: Side) -> Option<f64> {
        use Quantity as Q;
        let i = usize::from(side == Side::Right);
        let c: &CornerMeasures = if side == Side::Right { &m.right } else { &m.left };
        let deg = |v: f64| Some(v.to_degrees());
        let value = match self {
            Q::Steer => deg(c.steer),
            Q::ToeIn => deg(c.toe_in),
            Q::BumpSteer => deg(c.toe_change),
            Q::BumpSteerSlope => deg(c.toe_in_per_travel),
            Q::Camber => deg(c.camber),
            Q::Inclination => deg(c.inclination),
            Q::InclinationSlope => deg(c.inclination_per_travel),
            Q::Caster => deg(c.caster),
            Q::KingpinInclination => deg(c.kingpin_inclination),
            Q::ScrubRadius => Some(c.scrub_radius),
            Q::MechanicalTrail => Some(c.mechanical_trail),
            Q::SpindleOffset => Some(c.spindle_offset),
            Q::CastorOffset => Some(c.castor_offset_at_centre),
            Q::RollCentreByVelocity => Some(c.roll_centre_by_velocity),
            Q::RollCentreByPlanes => c.roll_centre_by_planes,
            Q::SteerPerRack => deg(c.steer_per_rack),
            Q::SteeringArm => Some(c.steering_arm),
            Q::RodArmAngle => deg(c.rod_arm_angle),
            Q::OverCentreMargin => deg(c.over_centre_margin),
            Q::OuterSwing => deg(c.outer_swing),
            Q::InnerSwing => deg(c.inner_swing),
            Q::OuterMisalignment => c.outer_misalignment.map(f64::to_degrees),
            Q::InnerMisalignment => c.inner_misalignment.map(f64::to_degrees),
            Q::DamperLength => c.damper_length,
            Q::MotionRatio => c.motion_ratio,
            Q::WheelbaseChange => Some(m.wheelbase_change[i]),
            Q::AntiDive => m.anti_dive.map(|a| a[i]),
            Q::AntiLift => m.anti_lift.map(|a| a[i]),
            Q::TrackChange => Some(m.track_change),
            Q::InnerSteer => m.ackermann.map(|a| a.inner.to_degrees()),
            Q::OuterSteer => m.ackermann.map(|a| a.outer.to_degrees()),
            Q::AckermannPercent => m.ackermann.map(|a| a.percent),
            Q::AckermannError => m.ackermann.map(|a| a.error.to_degrees()),
            Q::TurningCircle => m.turning_circle,
            Q::SteeringRatio => m.steering_ratio,
            Q::AxleRollCentre => m.roll_centre_by_velocity.map(|rc| rc[1]),
        };
        value.filter(|v| v.is_finite())
    }
}

impl std::fmt::Display for Quantity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.words())
    }
}
