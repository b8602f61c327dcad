//! The outline of a body of revolution in the half plane of radius and axis, with a tree over it.

use nalgebra::{Point2, Vector2};

/// A place in the half plane: radius and coordinate along the axis, mm.
pub(crate) type Place = Point2<f64>;
/// A step in it.
pub(crate) type Step = Vector2<f64>;

/// A straight piece of the outline.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Piece {
    pub(crate) from: Place,
    pub(crate) to: Place,
}

impl Piece {
    /// The nearest place on it.
    pub(crate) fn foot(&self, p: &Place) -> Place {
        let d = self.to - self.from;
        let t = d.dot(&(p - self.from)) / d.norm_squared();
        // A length of zero gives no number, and its end.
        if t >= 1.0 {
            self.to
        } else if t > 0.0 {
            self.from + d * t
        } else {
            self.from
        }
    }
}

/// A box along some direction, in the half plane.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Oblong {
    pub(crate) centre: Place,
    /// Of unit length; the other axis is square to it.
    pub(crate) along: Step,
    pub(crate) half: Step,
}

impl Oblong {
    fn over(pieces: &[Piece]) -> Oblong {
        let ends = || pieces.iter().flat_map(|p| [p.from, p.to]);
        let count = (2 * pieces.len()) as f64;
        let mean = ends().map(|p| p.coords).sum::<Step>() / count;
        let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
        for p in ends() {
            let d = p.coords - mean;
            (xx, xy, yy) = (xx + d.x * d.x, xy + d.x * d.y, yy + d.y * d.y);
        }
        let turn = 0.5 * (2.0 * xy).atan2(xx - yy);
        let along = Step::new(turn.cos(), turn.sin());
        let across = Step::new(-along.y, along.x);
        let span = |w: &Step| {
            ends().map(|p| w.dot(&p.coords)).fold((f64::INFINITY, f64::NEG_INFINITY), |s, x| (s.0.min(x), s.1.max(x)))
        };
        let ((a, b), (c, d)) = (span(&along), span(&across));
        let centre = Place::from(along * (0.5 * (a + b)) + across * (0.5 * (c + d)));
        let slack = 1e-12 * (centre.coords.norm() + b - a);
        Oblong { centre, along, half: Step::new(0.5 * (b - a) + slack, 0.5 * (d - c) + slack) }
    }

    /// How far a shape about `p` is away along the box's axes, where it reaches from `p` against a unit step as
    /// `reach` says; and the way to `p` from the box's nearest place.
    pub(crate) fn apart(&self, p: &Place, reach: impl Fn(&Step) -> f64) -> (f64, Step) {
        let across = Step::new(-self.along.y, self.along.x);
        let d = p - self.centre;
        let out = |axis: Step, half: f64| {
            let t = d.dot(&axis);
            let w = if t < 0.0 { -axis } else { axis };
            let beyond = t.abs() - half;
            if beyond <= 0.0 { (0.0, Step::zeros()) } else { ((beyond - reach(&w)).max(0.0), w * beyond) }
        };
        let ((s, to_s), (t, to_t)) = (out(self.along, self.half.x), out(across, self.half.y));
        ((s * s + t * t).sqrt(), to_s + to_t)
    }
}

/// Pieces in order along the outline, in a balanced tree: a heap of boxes as over facets, one piece a leaf.
#[derive(Clone, Debug)]
pub(crate) struct Profile {
    pub(crate) pieces: Vec<Piece>,
    boxes: Vec<Oblong>,
}

impl Profile {
    /// Of at least one piece.
    pub(crate) fn new(pieces: Vec<Piece>) -> Profile {
        let leaves = pieces.len().next_power_of_two();
        let count = pieces.len();
        let boxes = (0..2 * leaves)
            .map(|node| {
                let run = run(count, leaves, node.max(1));
                // A leaf may be empty where there are fewer pieces than leaves: it is never visited.
                Oblong::over(&pieces[if run.is_empty() { 0..1 } else { run }])
            })
            .collect();
        Profile { pieces, boxes }
    }

    pub(crate) fn bounds(&self, node: usize) -> &Oblong {
        &self.boxes[node]
    }

    pub(crate) fn run(&self, node: usize) -> std::ops::Range<usize> {
        run(self.pieces.len(), self.boxes.len() / 2, node)
    }

    /// Whether a place lies inside the closed outline: a line from it outwards crosses it an odd number of times.
    pub(crate) fn holds(&self, p: &Place) -> bool {
        let crosses = |piece: &&Piece| {
            let (a, b) = (piece.from, piece.to);
            (a.y > p.y) != (b.y > p.y) && p.x < a.x + (b.x - a.x) * (p.y - a.y) / (b.y - a.y)
        };
        self.pieces.iter().filter(crosses).count() % 2 == 1
    }
}

fn run(count: usize, leaves: usize, node: usize) -> std::ops::Range<usize> {
    let up = leaves.ilog2() - node.ilog2();
    let (first, last) = ((node << up) - leaves, ((node + 1) << up) - leaves);
    count * first / leaves..count * last / leaves
}
