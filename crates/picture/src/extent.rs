//! How far a scan reaches, stray points left aside: a speck a metre off must not make the
//! part a dot on the sheet.

use rayon::prelude::*;

/// At most this share of the points is a stray at either end.
const STRAYS: f64 = 0.0005;
/// Strays stand off from the rest by at least this many bins of the whole reach.
const GAP: usize = 10;
const BINS: usize = 1024;

/// Least and greatest of the values without what stands off at either end; `None` for no finite value.
pub(crate) fn span(values: &[f64]) -> Option<(f64, f64)> {
    let mut limits = (f64::NEG_INFINITY, f64::INFINITY);
    let mut reach = within(values, limits)?;
    // A speck far off makes the bins wide, so once it is gone look again.
    for _ in 0..8 {
        let (low, high) = reach;
        let width = (high - low) / BINS as f64;
        if !width.is_finite() || width <= 0.0 {
            break;
        }
        // The cast saturates: the greatest value falls in the last bin.
        let bin = |v: f64| (((v - low) / width) as usize).min(BINS - 1);
        let mut counts = vec![0_u64; BINS];
        for &v in values.iter().filter(|v| (low..=high).contains(*v)) {
            counts[bin(v)] += 1;
        }
        let most = (STRAYS * values.len() as f64) as u64;
        let from_low = beyond_gap(counts.iter(), most);
        let from_high = beyond_gap(counts.iter().rev(), most);
        if from_low == 0 && from_high == 0 {
            break;
        }
        if from_low > 0 {
            limits.0 = low + (from_low as f64 - 1.0) * width;
        }
        if from_high > 0 {
            limits.1 = high - (from_high as f64 - 1.0) * width;
        }
        reach = within(values, limits)?;
    }
    Some(reach)
}

/// Least and greatest value within limits.
fn within(values: &[f64], (low, high): (f64, f64)) -> Option<(f64, f64)> {
    values
        .par_iter()
        .filter(|v| v.is_finite() && (low..=high).contains(*v))
        .fold(|| None, |r: Option<(f64, f64)>, &v| Some(r.map_or((v, v), |(l, h)| (l.min(v), h.max(v)))))
        .reduce(
            || None,
            |a, b| match (a, b) {
                (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
                (a, b) => a.or(b),
            },
        )
}

/// The first bin beyond the last gap that has no more than `most` points before it; zero for none.
fn beyond_gap<'a>(counts: impl Iterator<Item = &'a u64>, most: u64) -> usize {
    let (mut before, mut empty, mut beyond) = (0, 0, 0);
    for (i, &count) in counts.enumerate() {
        if count == 0 {
            empty += 1;
            continue;
        }
        if empty >= GAP {
            beyond = i;
        }
        empty = 0;
        before += count;
        if before > most {
            break;
        }
    }
    beyond
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part() -> Vec<f64> {
        (0..100_000).map(|i| f64::from(i) * 1e-3).collect()
    }

    #[test]
    fn a_part_without_strays_keeps_its_reach() {
        assert_eq!(span(&part()), Some((0.0, 99.999)));
        assert_eq!(span(&[3.0]), Some((3.0, 3.0)));
        assert_eq!(span(&[f64::NAN, f64::INFINITY]), None);
        assert_eq!(span(&[]), None);
    }

    #[test]
    fn strays_near_and_far_are_left_aside() {
        let mut values = part();
        values.extend([-2.0, 103.0, 104.0, 5000.0, 5001.0, -1e7, f64::NAN]);
        assert_eq!(span(&values), Some((0.0, 99.999)));
    }

    #[test]
    fn a_part_in_two_pieces_is_kept_whole() {
        let mut values = part();
        values.extend((0..1000).map(|i| 150.0 + f64::from(i) * 1e-3));
        assert_eq!(span(&values), Some((0.0, 150.999)));
    }
}
