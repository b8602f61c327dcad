//! Magnetic balls as targets: what scans taken at different times have in common.

use crate::kestrel::model::TrueFeature;
use crate::kestrel::solid::{Solid, rod, union};
use stringline_core::{Point3, UnitVec3};

/// A ball of 25 mm.
pub(crate) const TARGET: f64 = 12.5;
/// Its centre stands this far off what it stands on, mm.
pub(crate) const TARGET_HEIGHT: f64 = 15.0;
/// The magnet under it.
const FOOT: f64 = 6.0;

/// A ball on its magnet; `neck` runs from its centre to what it stands on.
pub(crate) fn target(centre: Point3, neck: UnitVec3) -> Solid {
    let ball = Solid::Sphere { centre, radius: TARGET };
    union(1.0, vec![ball, rod(centre, neck, [0.0, TARGET_HEIGHT + 3.0], FOOT, 0.0)])
}

/// A solid with balls on it.
pub(crate) fn with_targets(solid: Solid, targets: impl IntoIterator<Item = (Point3, UnitVec3)>) -> Solid {
    let balls = targets.into_iter().map(|(centre, neck)| target(centre, neck));
    union(1.0, std::iter::once(solid).chain(balls).collect())
}

/// The balls as features, with dabs on the side away from their foot.
pub(crate) fn target_features<const N: usize>(
    names: [&'static str; N],
    targets: [(Point3, UnitVec3); N],
) -> impl Iterator<Item = TrueFeature> {
    names.into_iter().zip(targets).map(|(name, (centre, neck))| {
        TrueFeature::ball(name, centre, TARGET, neck, [-TARGET, 6.0]).dabs(4, &[-8.0, 0.0], 0.06, 4.0)
    })
}
