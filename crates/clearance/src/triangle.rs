//! The smallest distance of two triangles.
//!
//! Where they do not cross, it lies between a corner of one and the other, or between two edges inside
//! both. Ends of edges are corners, so of two edges only the common normal of their lines counts:
//! with r from a point of the first to one of the second, n = d₁ × d₂, it is |n·r|/|n|, at
//! s = (r × d₂)·n/|n|² and t = (r × d₁)·n/|n|² of the edges. Taken from the cross product and not from
//! |d₁|²|d₂|² − (d₁·d₂)² it loses nothing where edges are nearly parallel. They cross where an edge of
//! one goes through the other.

use stringline_core::Vec3;

/// A triangle thinner than this share of its length is treated as its edges: its plane is not known.
const SLIVER: f64 = 1e-8;

/// One thinner than this is not left out by its plane, which rounding tilts.
const THIN: f64 = 1e-6;

/// A pair is left out along the line of its middles only if it is farther apart by this share.
const ROUNDING: f64 = 1e-9;

/// Three corners, mm.
pub(crate) type Triangle = [Vec3; 3];

/// Two places and the square of the distance between them, mm².
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pair {
    pub(crate) squared: f64,
    pub(crate) on_a: Vec3,
    pub(crate) on_b: Vec3,
}

/// The nearest places of two triangles, if nearer than the square `limit` (mm²) says.
pub(crate) fn closest(a: &Triangle, b: &Triangle, limit: f64) -> Option<Pair> {
    // Along the line of their middles most pairs are told apart at once.
    let way = (b[0] + b[1] + b[2]) - (a[0] + a[1] + a[2]);
    let low = b.iter().map(|p| way.dot(p)).fold(f64::INFINITY, f64::min);
    let high = a.iter().map(|p| way.dot(p)).fold(f64::NEG_INFINITY, f64::max);
    let between = low - high;
    if between > 0.0 && between * between >= limit * way.norm_squared() * (1.0 + ROUNDING) {
        return None;
    }
    let (na, nb) = (normal(a), normal(b));
    let above_a = b.map(|p| na.dot(&(p - a[0])));
    let above_b = a.map(|p| nb.dot(&(p - b[0])));
    let flat =
        |t: &Triangle, n: &Vec3| n.norm() > THIN * (t[1] - t[0]).norm_squared().max((t[2] - t[0]).norm_squared());
    let (flat_a, flat_b) = (flat(a, &na), flat(b, &nb));
    if (flat_a && apart(&above_a, na.norm_squared(), limit)) || (flat_b && apart(&above_b, nb.norm_squared(), limit)) {
        return None;
    }
    // Of two with known planes only those cross whose corners lie on both sides of each other.
    let (over_a, over_b) = (!flat_a || straddle(&above_a), !flat_b || straddle(&above_b));
    if over_a && over_b {
        let through_b = || flat_b.then(|| crossing(a, &above_b, b, &nb)).flatten();
        let through_a = || flat_a.then(|| crossing(b, &above_a, a, &na)).flatten();
        if let Some(p) = through_b().or_else(through_a) {
            return Some(Pair { squared: 0.0, on_a: p, on_b: p });
        }
    }
    let mut best = Pair { squared: limit, on_a: Vec3::zeros(), on_b: Vec3::zeros() };
    let mut found = false;
    let mut take = |on_a: Vec3, on_b: Vec3| {
        let squared = (on_a - on_b).norm_squared();
        if squared < best.squared {
            best = Pair { squared, on_a, on_b };
            found = true;
        }
        best.squared
    };
    for p in a {
        take(*p, on_triangle(b, p));
    }
    let mut least = limit;
    for p in b {
        least = take(on_triangle(a, p), *p);
    }
    for i in 0..3 {
        let (p, d1) = (a[i], a[(i + 1) % 3] - a[i]);
        for j in 0..3 {
            let (q, d2) = (b[j], b[(j + 1) % 3] - b[j]);
            let (r, n) = (q - p, d1.cross(&d2));
            let (across, nn) = (n.dot(&r), n.norm_squared());
            // Also where there is no normal: then both are zero.
            if across * across >= least * nn {
                continue;
            }
            let (s, t) = (r.cross(&d2).dot(&n), r.cross(&d1).dot(&n));
            if (0.0..=nn).contains(&s) && (0.0..=nn).contains(&t) {
                least = take(p + d1 * (s / nn), q + d2 * (t / nn));
            }
        }
    }
    found.then_some(best)
}

/// Twice the area along the normal.
pub(crate) fn normal(t: &Triangle) -> Vec3 {
    (t[1] - t[0]).cross(&(t[2] - t[0]))
}

/// Whether all heights (times |n|) lie on one side and beyond the limit.
fn apart(heights: &[f64; 3], nn: f64, limit: f64) -> bool {
    let least = heights.iter().fold(f64::INFINITY, |m, h| m.min(h.abs()));
    !straddle(heights) && least * least >= limit * nn
}

fn straddle(heights: &[f64; 3]) -> bool {
    let low = heights.iter().copied().fold(f64::INFINITY, f64::min);
    let high = heights.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    low <= 0.0 && high >= 0.0
}

/// Where an edge of `a` goes through `b`, whose normal is `n`; `heights` are those of `a` over it.
fn crossing(a: &Triangle, heights: &[f64; 3], b: &Triangle, n: &Vec3) -> Option<Vec3> {
    (0..3).find_map(|i| {
        let j = (i + 1) % 3;
        let (h, k) = (heights[i], heights[j]);
        if h * k > 0.0 || h == k {
            return None;
        }
        let p = a[i] + (a[j] - a[i]) * (h / (h - k));
        let inside = (0..3).all(|e| (b[(e + 1) % 3] - b[e]).cross(&(p - b[e])).dot(n) >= 0.0);
        inside.then_some(p)
    })
}

/// The nearest place on a triangle (C. Ericson, *Real-Time Collision Detection*, Morgan Kaufmann 2005, 5.1.5).
pub(crate) fn on_triangle(t: &Triangle, p: &Vec3) -> Vec3 {
    let [a, b, c] = t;
    let (ab, ac, ap) = (b - a, c - a, p - a);
    let (d1, d2) = (ab.dot(&ap), ac.dot(&ap));
    if d1 <= 0.0 && d2 <= 0.0 {
        return *a;
    }
    let bp = p - b;
    let (d3, d4) = (ab.dot(&bp), ac.dot(&bp));
    if d3 >= 0.0 && d4 <= d3 {
        return *b;
    }
    let cp = p - c;
    let (d5, d6) = (ab.dot(&cp), ac.dot(&cp));
    if d6 >= 0.0 && d5 <= d6 {
        return *c;
    }
    let n = ab.cross(&ac);
    let area = n.norm_squared();
    let length = ab.norm_squared().max(ac.norm_squared());
    if area <= SLIVER * SLIVER * length * length {
        let feet = [(a, b), (b, c), (c, a)].map(|(from, to)| on_segment(from, to, p));
        let far = |q: &Vec3| (q - p).norm_squared();
        return feet.into_iter().min_by(|u, v| far(u).total_cmp(&far(v))).unwrap_or(*a);
    }
    let (u, v, w) = (n.dot(&bp.cross(&cp)), n.dot(&cp.cross(&ap)), n.dot(&ap.cross(&bp)));
    if w <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        return a + ab * (d1 / (d1 - d3));
    }
    if v <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        return a + ac * (d2 / (d2 - d6));
    }
    let (along, left) = (d4 - d3, d5 - d6);
    if u <= 0.0 && along >= 0.0 && left >= 0.0 {
        return b + (c - b) * (along / (along + left));
    }
    // Down the normal: no product of areas, so that a thin triangle costs no accuracy.
    p - n * (n.dot(&ap) / area)
}

/// The nearest place on a segment.
fn on_segment(from: &Vec3, to: &Vec3, p: &Vec3) -> Vec3 {
    let d = to - from;
    let t = d.dot(&(p - from)) / d.norm_squared();
    // A length of zero gives no number, and its end.
    if t >= 1.0 {
        *to
    } else if t > 0.0 {
        from + d * t
    } else {
        *from
    }
}
