//! What is looked at first: the ranges worth sweeping, the measures of a summary, and what to beware of.

use crate::axle::{Axle, AxleMeasures};
use crate::corner::Held;
use crate::error::SolveError;
use crate::quantity::Quantity;

/// Where no stop is known the rack is swept to this part of the way to over centre.
const BEFORE_OVER_CENTRE: f64 = 0.98;
/// And no further than this, mm.
const FAR: f64 = 150.0;
/// Below this over-centre margin a caution is due, rad (10°): a rod that is loaded there can pull the linkage through.
/// Common practice asks for more; no source.
const LITTLE_MARGIN: f64 = 10.0 * std::f64::consts::PI / 180.0;

/// The measures of a summary, in the order of its table.
pub const SUMMARY: [Quantity; 13] = [
    Quantity::ToeIn,
    Quantity::Camber,
    Quantity::Caster,
    Quantity::KingpinInclination,
    Quantity::ScrubRadius,
    Quantity::MechanicalTrail,
    Quantity::SpindleOffset,
    Quantity::RollCentreByVelocity,
    Quantity::RollCentreByPlanes,
    Quantity::BumpSteerSlope,
    Quantity::SteerPerRack,
    Quantity::SteeringArm,
    Quantity::OverCentreMargin,
];

/// Evenly spaced positions from one end of a range to the other, both included; exactly zero where that is one of them.
pub fn even([low, high]: [f64; 2], positions: usize) -> Vec<f64> {
    let last = positions.saturating_sub(1).max(1) as f64;
    let at = |i: usize| low + (high - low) * i as f64 / last;
    (0..positions).map(at).map(|v| if v.abs() < 1e-9 { 0.0 } else { v }).collect()
}

/// How far the rack is worth sweeping at a wheel travel (mm), the tyres on the ground: to its stops, or nearly to over
/// centre where that comes first or no stop is known; mm.
///
/// # Errors
/// [`SolveError`] where there is no position at that travel.
pub fn rack_range(axle: &Axle, travel: f64) -> Result<[f64; 2], SolveError> {
    let over = axle.over_centre(travel, Held::Contact)?;
    let [low, high] = over.map(|v| (v * BEFORE_OVER_CENTRE).clamp(-FAR, FAR));
    Ok(axle.geometry().rack.stroke.map_or([low, high], |[a, b]| [a.max(low), b.min(high)]))
}

/// What to beware of in an axle, each as a sentence: over centre, too little margin to it, joints tilted too far.
///
/// `over` is [`Axle::over_centre`] at rest, `steered` are measures over the rack's range.
pub fn cautions(axle: &Axle, over: [f64; 2], steered: &[AxleMeasures]) -> Vec<String> {
    let mut lines = Vec::new();
    let geometry = axle.geometry();
    let stroke = geometry.rack.stroke;
    let mm = |v: f64| format!("{v:.1} mm").replace('-', "−");
    match stroke {
        Some([low, high]) => {
            for (stop, end) in [(low, over[0]), (high, over[1])] {
                if stop.abs() >= end.abs() {
                    lines.push(format!(
                        "Over centre: the tie rod comes in line with its arm at rack {}, before the rack's stop at {}. \
                         The linkage can lock. Fit a positive stop before that, and check by hand that it holds.",
                        mm(end),
                        mm(stop)
                    ));
                }
            }
        }
        None if over.iter().any(|v| v.is_finite()) => lines.push(format!(
            "No rack stops are known. The tie rods reach over centre at rack {} and {}: positive stops must come well \
             before that, and before the tyre touches.",
            mm(over[0]),
            mm(over[1])
        )),
        None => {}
    }
    let least = steered.iter().flat_map(|m| [(&m.left, m.rack), (&m.right, m.rack)]);
    if let Some((m, rack)) = least.min_by(|a, b| a.0.over_centre_margin.total_cmp(&b.0.over_centre_margin))
        && stroke.is_some()
        && m.over_centre_margin < LITTLE_MARGIN
    {
        lines.push(format!(
            "At rack {} only {:.1}° are left between rod and arm to over centre.",
            mm(rack),
            m.over_centre_margin.to_degrees()
        ));
    }
    let corners = || steered.iter().flat_map(|m| [&m.left, &m.right]);
    let outer = corners().filter_map(|c| c.outer_misalignment).reduce(f64::max);
    let inner = corners().filter_map(|c| c.inner_misalignment).reduce(f64::max);
    let left = &geometry.left;
    for (name, worst, limit) in [("outer", outer, left.outer_joint), ("inner", inner, left.inner_joint)] {
        if let (Some(worst), Some(limit)) = (worst, limit)
            && worst > limit.permissible
        {
            lines.push(format!(
                "The {name} tie-rod joint tilts by {:.1}°; it may by {:.1}°.",
                worst.to_degrees(),
                limit.permissible.to_degrees()
            ));
        }
    }
    lines
}
