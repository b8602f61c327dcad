//! Where call-outs stand: in a column on each side of the parts, clear of each other,
//! with leaders that do not cross.

/// What placement needs to know of a call-out.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Label {
    /// Where its leader ends, px, y down.
    pub(crate) anchor: [f64; 2],
    /// px.
    pub(crate) height: f64,
    /// From its top to the reference line at which the leader begins, px.
    pub(crate) reference: f64,
}

/// Least distance between call-outs of a column, px.
pub(crate) const GAP: f64 = 14.0;

/// The height of a column that holds some call-outs, px.
pub(crate) fn column_height(heights: impl IntoIterator<Item = f64>) -> f64 {
    heights.into_iter().fold(-GAP, |sum, height| sum + height + GAP).max(0.0)
}

/// Which labels go in the left column: a split by the anchors' x, so that leaders of the two
/// sides cannot cross, balancing the leaders' length against the columns' height.
///
/// `low` and `high` are the x of the parts' edges.
pub(crate) fn left_side(anchors_x: &[f64], [low, high]: [f64; 2], heights: &[f64], room: f64) -> Vec<bool> {
    let mut order: Vec<usize> = (0..anchors_x.len()).collect();
    order.sort_by(|&a, &b| anchors_x[a].total_cmp(&anchors_x[b]).then(a.cmp(&b)));
    let spread = (high - low).max(1e-9);
    let cost = |split: usize| {
        let (left, right) = order.split_at(split);
        let reach: f64 = left.iter().map(|&i| anchors_x[i] - low).sum::<f64>()
            + right.iter().map(|&i| high - anchors_x[i]).sum::<f64>();
        let [left, right] = [left, right].map(|side| column_height(side.iter().map(|&i| heights[i])));
        let overflow = (left - room).max(0.0) + (right - room).max(0.0);
        reach / spread + 0.8 * (left - right).abs() / room.max(1.0) + 100.0 * overflow
    };
    let best = (0..=order.len()).fold((0, f64::INFINITY), |best, split| {
        let cost = cost(split);
        if cost < best.1 { (split, cost) } else { best }
    });
    let mut is_left = vec![false; order.len()];
    for &i in order.iter().take(best.0) {
        is_left[i] = true;
    }
    is_left
}

/// Tops of the labels of one column between two heights on the sheet, px. `edge` is the x at
/// which their leaders begin. The column must have the room ([`column_height`]).
pub(crate) fn place_column(labels: &[Label], edge: f64, top: f64, bottom: f64) -> Vec<f64> {
    let mut order: Vec<usize> = (0..labels.len()).collect();
    order.sort_by(|&a, &b| {
        let (a, b) = (&labels[a].anchor, &labels[b].anchor);
        a[1].total_cmp(&b[1]).then(a[0].total_cmp(&b[0]))
    });
    let mut tops = pack(labels, &order, top, bottom);
    // Exchange the labels of crossing leaders until none cross. It shortens the leaders each
    // time where labels are alike; the limit is for where they are not.
    for _ in 0..labels.len() * labels.len() {
        let Some((i, j)) = first_crossing(labels, &order, &tops, edge) else {
            break;
        };
        order.swap(i, j);
        tops = pack(labels, &order, top, bottom);
    }
    tops
}

/// Places of `order` whose leaders cross.
fn first_crossing(labels: &[Label], order: &[usize], tops: &[f64], edge: f64) -> Option<(usize, usize)> {
    let leader = |place: usize| {
        let label = &labels[order[place]];
        (label.anchor, [edge, tops[order[place]] + label.reference])
    };
    (0..order.len()).flat_map(|i| (i + 1..order.len()).map(move |j| (i, j))).find(|&(i, j)| cross(leader(i), leader(j)))
}

/// Whether two segments properly cross.
pub(crate) fn cross(a: ([f64; 2], [f64; 2]), b: ([f64; 2], [f64; 2])) -> bool {
    let side = |p: [f64; 2], q: [f64; 2], r: [f64; 2]| (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]);
    side(a.0, a.1, b.0) * side(a.0, a.1, b.1) < 0.0 && side(b.0, b.1, a.0) * side(b.0, b.1, a.1) < 0.0
}

/// Tops nearest to level leaders (in the least-squares sense) in the order given: isotonic
/// regression by pooling adjacent violators, then held within the column.
fn pack(labels: &[Label], order: &[usize], top: f64, bottom: f64) -> Vec<f64> {
    struct Pool {
        sum: f64,
        members: usize,
    }
    let mut offset = 0.0;
    let mut offsets = Vec::with_capacity(order.len());
    let mut pools: Vec<Pool> = Vec::new();
    for &i in order {
        let label = &labels[i];
        offsets.push(offset);
        let mut pool = Pool { sum: label.anchor[1] - label.reference - offset, members: 1 };
        while let Some(last) = pools.pop_if(|last| last.sum / last.members as f64 >= pool.sum / pool.members as f64) {
            pool.sum += last.sum;
            pool.members += last.members;
        }
        pools.push(pool);
        offset += label.height + GAP;
    }
    let lowest = (bottom - (offset - GAP).max(0.0)).max(top);
    let mut tops = vec![top; labels.len()];
    let places = pools
        .iter()
        .flat_map(|pool| std::iter::repeat_n((pool.sum / pool.members as f64).clamp(top, lowest), pool.members));
    for ((&i, offset), place) in order.iter().zip(offsets).zip(places) {
        tops[i] = place + offset;
    }
    tops
}

#[cfg(test)]
mod tests {
    use super::*;

    fn label(x: f64, y: f64) -> Label {
        Label { anchor: [x, y], height: 40.0, reference: 16.0 }
    }

    #[test]
    fn labels_with_room_stand_level_with_their_anchors() {
        let labels = [label(300.0, 100.0), label(320.0, 400.0)];
        assert_eq!(place_column(&labels, 200.0, 0.0, 600.0), [84.0, 384.0]);
    }

    #[test]
    fn a_crowd_is_pushed_apart_and_kept_inside() {
        let labels: Vec<Label> =
            (0..10).map(|i| label(300.0 + f64::from(i * 37 % 11), 590.0 + f64::from(i % 3))).collect();
        let mut tops = place_column(&labels, 200.0, 10.0, 600.0);
        tops.sort_by(f64::total_cmp);
        assert!(tops[0] >= 10.0 && tops[9] + 40.0 <= 600.0 + 1e-9, "{tops:?}");
        assert!(tops.windows(2).all(|w| w[1] - w[0] >= 40.0 + GAP - 1e-9), "{tops:?}");
    }

    #[test]
    fn leaders_do_not_cross() {
        // A far anchor just above a near one: level order would cross.
        let labels: Vec<Label> =
            (0..8).map(|i| label(250.0 + 60.0 * f64::from(i * 5 % 8), 300.0 + f64::from(i))).collect();
        let tops = place_column(&labels, 200.0, 0.0, 600.0);
        for i in 0..labels.len() {
            for j in 0..i {
                let leader = |k: usize| (labels[k].anchor, [200.0, tops[k] + 16.0]);
                assert!(!cross(leader(i), leader(j)), "{i} and {j}: {tops:?}");
            }
        }
    }

    #[test]
    fn sides_are_split_by_x_and_both_fit() {
        // Nine of ten anchors lie at the right, more than one column holds.
        let xs: Vec<f64> = (0..10).map(|i| if i == 0 { 0.0 } else { 900.0 + f64::from(i) }).collect();
        let left = left_side(&xs, [0.0, 1000.0], &[50.0; 10], 400.0);
        assert!(left[0] && !left[9]);
        for side in [true, false] {
            let count = left.iter().filter(|&&l| l == side).count();
            assert!(column_height((0..count).map(|_| 50.0)) <= 400.0);
        }
    }
}
