//! Maps of signed values over a scan: how far points lie off a shape, or off another scan.

use crate::overlay::Overlaid;
use crate::state::State;
use crate::words::{Trouble, count};
use crate::work::{Done, MapOf, Progress, Values};
use std::sync::Arc;
use stringline_clearance::GapError;
use stringline_job::{Laying, Name, Overlay};

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
                Done::Values(Values {
                    of,
                    scan: result.scan.clone(),
                    values: values.into(),
                    range: nice(largest) as f32,
                    notes: Vec::new(),
                    overlaid: None,
                })
            };
            Ok(Some((words, Box::new(work))))
        }
        wanted => gap(state, wanted),
    }
}

fn gap(state: &State, wanted: MapOf) -> Result<Option<(String, Work)>, Trouble> {
    let (of, from, within, car_from_of) = match &wanted {
        MapOf::Residuals(_) => return Ok(None),
        MapOf::Gap { of, from, within } => (of.clone(), from.clone(), *within, state.world_from_scan(of)),
        MapOf::Laid { mate, after, within } => {
            let Some(laid) = crate::placing::laid(state, mate) else { return Ok(None) };
            let at = if *after { Some(laid.after(&state.results)) } else { laid.before().copied() };
            let Some(at) = at else { return Ok(None) };
            (laid.scan.clone(), laid.on.clone(), *within, state.world_from_scan(&laid.on) * at)
        }
    };
    let laying = |name: &Name, car_from_scan| {
        let scan = Arc::clone(state.scans.get(name)?.ready()?);
        Some(Laying { name: name.clone(), scan, car_from_scan })
    };
    let car_from_other = state.world_from_scan(&from);
    let (Some(mapped), Some(against)) = (laying(&of, car_from_of), laying(&from, car_from_other)) else {
        return Ok(None);
    };
    let words = format!("How far {of} lies off {from}");
    let work = move |progress: &Progress| {
        let share = |share| progress.at(share);
        match Overlay::new(mapped, against, f64::from(within), share) {
            Ok(overlay) => {
                let map = &overlay.map;
                let range = nice(most(&map.gaps)) as f32;
                let all = map.gaps.len();
                let mut notes = vec![format!("{} of {} points lie within {within} mm", count(map.within), count(all))];
                if let Some(spread) = map.spread() {
                    notes.push(format!("mean {:+.3} mm, rms {:.3} mm", spread.mean, spread.rms).replace('-', "−"));
                }
                if let Some(smallest) = map.smallest {
                    let word = if smallest.gap < 0.0 { "deepest" } else { "nearest" };
                    notes.push(format!("{word}: {:.2} mm", smallest.gap).replace('-', "−"));
                }
                for (why, points) in map.why_unsigned() {
                    notes.push(format!("{} points without a sign count as plus: {}", count(points), why.words()));
                }
                let values = map.gaps.as_slice().into();
                let overlaid = Some(Arc::new(Overlaid::new(overlay)));
                Done::Values(Values { of: wanted, scan: of, values, range, notes, overlaid })
            }
            Err(GapError::Stopped) => Done::NoMap,
            Err(error) => Done::Failed(Trouble::of(&error)),
        }
    };
    Ok(Some((words, Box::new(work))))
}

/// What nine in ten of the values stay under: a few far ones must not wash out the rest.
fn most(values: &[f32]) -> f64 {
    let mut known: Vec<f32> = values.iter().filter(|value| !value.is_nan()).map(|value| value.abs()).collect();
    let Some(last) = known.len().checked_sub(1) else { return 0.0 };
    let at = (known.len() * 9 / 10).min(last);
    let (_, value, _) = known.select_nth_unstable_by(at, f32::total_cmp);
    f64::from(*value)
}

/// The next larger round number: 1, 2 or 5 times a power of ten.
pub(crate) fn nice(value: f64) -> f64 {
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
