//! Which corners change their colour when the bench's tint does.

use crate::scene::display::Display;
use crate::shown::{Mark, Tint};

/// Colours of a run of corners of one piece.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Patch {
    /// Of [`Display::pieces`].
    pub(crate) piece: usize,
    /// The first corner.
    pub(crate) first: usize,
    /// One a corner, as [`code`] makes them.
    pub(crate) codes: Vec<u32>,
}

/// The colours of a scan's corners as they were sent to the graphics card.
pub(crate) struct Codes {
    /// One a corner of each piece.
    pieces: Vec<Vec<u32>>,
}

impl Codes {
    /// No colour anywhere.
    pub(crate) fn new(display: &Display) -> Codes {
        Codes { pieces: display.pieces.iter().map(|p| vec![0; p.corners.len()]).collect() }
    }

    /// Takes a tint over from another; returns what is to be sent, one run a piece at most.
    pub(crate) fn update(&mut self, display: &Display, old: &Tint, new: &Tint) -> Vec<Patch> {
        // Changed corners of each piece: first and one past the last.
        let mut runs: Vec<Option<(usize, usize)>> = vec![None; self.pieces.len()];
        let mut marks = new.marks.iter().peekable();
        for point in changed(old, new) {
            while marks.next_if(|(id, _)| *id < point).is_some() {}
            let mark = marks.peek().filter(|(id, _)| *id == point).map(|(_, mark)| *mark);
            let value = new.values.get(point as usize).copied().unwrap_or(f32::NAN);
            let code = code(mark, value, new.range);
            for &(piece, corner) in display.places(point) {
                let (piece, corner) = (piece as usize, corner as usize);
                let slot = &mut self.pieces[piece][corner];
                if *slot != code {
                    *slot = code;
                    let run = runs[piece].get_or_insert((corner, corner + 1));
                    *run = (run.0.min(corner), run.1.max(corner + 1));
                }
            }
        }
        let patch = |(piece, run): (usize, Option<(usize, usize)>)| {
            let (first, end) = run?;
            Some(Patch { piece, first, codes: self.pieces[piece][first..end].to_vec() })
        };
        runs.into_iter().enumerate().filter_map(patch).collect()
    }
}

/// Mark and value of a corner in 32 bits: the mark in the lowest eight (0 for none), the value's
/// place on the scale in the highest sixteen (0 for none, 1 to 65535 from −`range` to `range`).
pub(crate) fn code(mark: Option<Mark>, value: f32, range: f32) -> u32 {
    let mark = match mark {
        None => 0,
        Some(Mark::Painted) => 1,
        Some(Mark::Footprint) => 2,
        Some(Mark::Wiping) => 3,
        Some(Mark::Feature) => 4,
        Some(Mark::Chosen) => 5,
    };
    let share = value / range;
    // A value of 0 over a range of 0 is in the middle; NaN stays without a colour.
    let share = if value == 0.0 { 0.0 } else { share.clamp(-1.0, 1.0) };
    let place = if share.is_nan() { 0 } else { (32768.0 + share * 32767.0).round() as u32 };
    mark | place << 16
}

/// The points whose colour may differ between two tints, ascending.
fn changed(old: &Tint, new: &Tint) -> Vec<u32> {
    let marks = differing(&old.marks, &new.marks);
    let values = changed_values(old, new);
    if values.is_empty() {
        return marks;
    }
    let mut both = [marks, values].concat();
    both.sort_unstable();
    both.dedup();
    both
}

/// The points that are marked otherwise in one list than in the other, both ascending.
fn differing(old: &[(u32, Mark)], new: &[(u32, Mark)]) -> Vec<u32> {
    let (mut o, mut n) = (old.iter().peekable(), new.iter().peekable());
    let mut found = Vec::new();
    loop {
        match (o.peek(), n.peek()) {
            (Some(a), Some(b)) if a == b => {
                o.next();
                n.next();
            }
            (Some(a), Some(b)) if a.0 == b.0 => {
                found.push(a.0);
                o.next();
                n.next();
            }
            (Some(a), b) if b.is_none_or(|b| a.0 < b.0) => {
                found.push(a.0);
                o.next();
            }
            (_, Some(b)) => {
                found.push(b.0);
                n.next();
            }
            _ => return found,
        }
    }
}

/// The points whose value or its place on the scale changed, ascending.
fn changed_values(old: &Tint, new: &Tint) -> Vec<u32> {
    let rescaled = old.range.to_bits() != new.range.to_bits();
    let at = |tint: &Tint, i: usize| tint.values.get(i).copied().unwrap_or(f32::NAN);
    let same = |a: f32, b: f32| (a.is_nan() && b.is_nan()) || (!rescaled && a.to_bits() == b.to_bits());
    (0..old.values.len().max(new.values.len())).filter(|&i| !same(at(old, i), at(new, i))).map(|i| i as u32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use stringline_core::Point3;
    use stringline_scan::{Geometry, Mesh, Scan};

    /// A flat mesh of `n` × `n` points.
    fn display(n: u32) -> Display {
        let vertices = (0..n * n).map(|i| Point3::new(f64::from(i % n), f64::from(i / n), 0.0)).collect();
        let square = |i: u32| [[i, i + 1, i + n], [i + 1, i + n + 1, i + n]];
        let facets = (0..n * (n - 1)).filter(|i| i % n != n - 1).flat_map(square).collect();
        Display::new(&Scan::new(Geometry::Mesh(Mesh { vertices, facets }))).unwrap()
    }

    fn tint(marks: &[(u32, Mark)]) -> Tint {
        Tint { marks: marks.to_vec(), ..Tint::default() }
    }

    /// What a card would hold after these patches.
    fn applied(display: &Display, patches: &[Patch], codes: &mut Vec<Vec<u32>>) {
        codes.resize_with(display.pieces.len(), Vec::new);
        for (piece, held) in display.pieces.iter().zip(codes.iter_mut()) {
            held.resize(piece.corners.len(), 0);
        }
        for p in patches {
            codes[p.piece][p.first..p.first + p.codes.len()].copy_from_slice(&p.codes);
        }
    }

    #[test]
    fn what_was_sent_is_what_is_wanted() {
        let display = display(300);
        assert!(display.levels[0].pieces.len() > 1);
        let (mut codes, mut card, mut old) = (Codes::new(&display), Vec::new(), Tint::default());
        let mut values = vec![f32::NAN; 90_000];
        values[5..900].fill(0.25);
        let steps = [
            tint(&[(3, Mark::Painted), (70_000, Mark::Footprint)]),
            tint(&[(3, Mark::Footprint), (4, Mark::Painted)]),
            Tint { marks: vec![(4, Mark::Chosen)], values: values.clone(), range: 0.5 },
            Tint { marks: vec![(4, Mark::Chosen)], values, range: 1.0 },
            Tint::default(),
        ];
        for new in steps {
            let patches = codes.update(&display, &old, &new);
            applied(&display, &patches, &mut card);
            for (piece, held) in display.pieces.iter().zip(&card) {
                for (point, held) in piece.points.iter().zip(held) {
                    let mark = new.marks.iter().find(|(id, _)| id == point).map(|(_, m)| *m);
                    let value = new.values.get(*point as usize).copied().unwrap_or(f32::NAN);
                    assert_eq!(*held, code(mark, value, new.range), "point {point}");
                }
            }
            old = new;
        }
    }

    #[test]
    fn only_touched_pieces_are_sent() {
        let display = display(300);
        let mut codes = Codes::new(&display);
        let patches = codes.update(&display, &Tint::default(), &tint(&[(0, Mark::Footprint)]));
        let full: usize =
            patches.iter().filter(|p| display.levels[0].pieces.contains(&p.piece)).map(|p| p.codes.len()).sum();
        assert_eq!(full, 1);
        assert_eq!(codes.update(&display, &tint(&[(0, Mark::Footprint)]), &tint(&[(0, Mark::Footprint)])), []);
    }

    #[test]
    fn values_lie_on_the_scale_and_beyond_it_at_its_ends() {
        let place = |value, range| code(None, value, range) >> 16;
        assert_eq!(
            [place(-2.0, 1.0), place(-1.0, 1.0), place(0.0, 1.0), place(1.0, 1.0), place(9.0, 1.0)],
            [1, 1, 32768, 65535, 65535]
        );
        assert_eq!([place(f32::NAN, 1.0), place(0.0, 0.0), place(1.0, 0.0)], [0, 32768, 65535]);
        assert_eq!(code(Some(Mark::Painted), f32::NAN, 0.0), 1);
    }
}
