//! What lies between two picked things.

use crate::state::State;
use crate::words::Trouble;
use stringline_core::Point3;
use stringline_core::covariance::with_uncertainty;
use stringline_hardpoints::{Inputs, Measurement, Quantity, place_feature};

/// Measures between the first two picked things; `None` unless two are picked and known.
pub(crate) fn between(state: &State) -> Option<Result<Measurement, Trouble>> {
    let [first, second] = state.picked.as_slice() else { return None };
    state.job()?;
    let mut inputs = Inputs::default();
    let mut frames = Vec::new();
    for name in [first, second] {
        let added = if let Some(result) = state.results.features.get(name.as_str()) {
            frames.push(Some(&result.scan).filter(|scan| state.car_from_scan(scan).is_none()));
            inputs.add_feature(name.as_str(), place_feature(&result.feature, &state.world_from_scan(&result.scan)))
        } else {
            let made = state.results.datums.get(name.as_str())?;
            frames.push(None);
            inputs.add_constructed(name.as_str(), made.clone())
        };
        if let Err(error) = added {
            return Some(Err(Trouble::of(&error)));
        }
    }
    if let [a, b] = frames.as_slice()
        && a != b
    {
        return Some(Err(Trouble::new(
            "they lie on scans that do not stand in one frame",
            "Place both scans in the car first, at the stop \"Car frame\".",
        )));
    }
    Some(inputs.measure(first, second).map_err(|error| Trouble::of(&error)))
}

/// The measured distance as a line in the world.
pub(crate) fn line(state: &State) -> Option<Vec<Point3>> {
    let measured = between(state)?.ok()?;
    measured.distance?;
    Some(measured.feet.to_vec())
}

/// What was measured, a line each.
pub(crate) fn lines(measured: &Measurement, in_car: bool) -> Vec<String> {
    let mut lines = Vec::new();
    let mm = |quantity: &Quantity| with_uncertainty(quantity.value, quantity.u95);
    match &measured.distance {
        Some(distance) => lines.push(format!("{} mm {}", mm(distance), measured.between.words())),
        None => lines.push(measured.between.words().to_owned()),
    }
    if let Some(components) = &measured.components {
        let names = if in_car { ["forward", "left", "up"] } else { ["along x", "along y", "along z"] };
        for (name, component) in names.iter().zip(components) {
            lines.push(format!("{name} {} mm", mm(component)));
        }
    }
    if let Some(angle) = &measured.angle {
        lines.push(format!("angle {}°", with_uncertainty(angle.value.to_degrees(), angle.u95.to_degrees())));
    }
    lines.extend(measured.notes.iter().map(ToString::to_string));
    lines
}

/// Whether what is picked stands in the car's directions.
pub(crate) fn in_car(state: &State) -> bool {
    let Some(job) = state.job() else { return false };
    state.picked.iter().all(|name| match job.features.get(name.as_str()) {
        Some(feature) => state.car_from_scan(&feature.scan).is_some(),
        None => true,
    })
}
