//! Which corners change their colour when the bench's tint does.

use crate::scene::display::Display;
use crate::shown::{Layer, Mark, Scale, Tint};
use std::sync::Arc;
use std::time::{Duration, Instant};

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

/// The bit of a code that says that the value is a magnitude.
const MAGNITUDE: u32 = 8;
/// Points whose colour is worked out in one frame at most, and values looked at to find those that changed.
const POINTS_A_FRAME: usize = 60_000;
const VALUES_A_FRAME: usize = 500_000;
/// And no longer than this: where points lie apart in memory each costs more.
const TIME_A_FRAME: Duration = Duration::from_micros(1500);
/// Points between two looks at the clock.
const POINTS_A_LOOK: usize = 1024;

/// The colours of a scan's corners as they were sent to the graphics card, and which may be out of date.
pub(crate) struct Codes {
    /// One a corner of each piece.
    pieces: Vec<Vec<u32>>,
    /// Points whose mark changed, ascending, and the first of them that still waits.
    marked: Vec<u32>,
    next_marked: usize,
    /// How far the values have been taken over.
    sweep: Option<Sweep>,
}

/// Values that are taken over from a map, in order of the points.
struct Sweep {
    next: usize,
    /// One past the last.
    end: usize,
    /// What the points had before; none if that was taken over in part only.
    before: Option<Arc<[f32]>>,
}

impl Codes {
    /// No colour anywhere.
    pub(crate) fn new(display: &Display) -> Codes {
        let pieces = display.pieces.iter().map(|p| vec![0; p.corners.len()]).collect();
        Codes { pieces, marked: Vec::new(), next_marked: 0, sweep: None }
    }

    /// Takes note of what another tint may have changed.
    pub(crate) fn change(&mut self, old: &Tint, new: &Tint) {
        let marked = changed_marks(&old.layers, &new.layers);
        let waiting = &self.marked[self.next_marked..];
        self.marked = if waiting.is_empty() { marked } else { union(waiting, &marked) };
        self.next_marked = 0;
        let same_range = old.range.to_bits() == new.range.to_bits() && old.scale == new.scale;
        if !(Arc::ptr_eq(&old.values, &new.values) && same_range) {
            let end = old.values.len().max(new.values.len()).max(self.sweep.as_ref().map_or(0, |s| s.end));
            let before = (self.sweep.is_none()).then(|| Arc::clone(&old.values));
            self.sweep = (end > 0).then_some(Sweep { next: 0, end, before });
        }
    }

    /// Whether every colour is up to date.
    pub(crate) fn are_done(&self) -> bool {
        self.marked.is_empty() && self.sweep.is_none()
    }

    /// Works out colours that may be out of date, as many as a frame bears; returns what is to be
    /// sent, one run a piece at most.
    pub(crate) fn work(&mut self, display: &Display, tint: &Tint) -> Vec<Patch> {
        if self.are_done() {
            return Vec::new();
        }
        let begun = Instant::now();
        let in_time = |number: usize| number % POINTS_A_LOOK != POINTS_A_LOOK - 1 || begun.elapsed() < TIME_A_FRAME;
        // Changed corners of each piece: first and one past the last.
        let mut runs: Vec<Option<(usize, usize)>> = vec![None; self.pieces.len()];
        let pieces = &mut self.pieces;
        let mut colour = |point: u32, marks: &mut Marks<'_>| {
            let value = tint.values.get(point as usize).copied().unwrap_or(f32::NAN);
            let code = code(marks.at(point), value, tint.range, tint.scale);
            for &(piece, corner) in display.places(point) {
                let (piece, corner) = (piece as usize, corner as usize);
                let slot = &mut pieces[piece][corner];
                if *slot != code {
                    *slot = code;
                    let run = runs[piece].get_or_insert((corner, corner + 1));
                    *run = (run.0.min(corner), run.1.max(corner + 1));
                }
            }
        };
        let mut done = 0;
        let mut marks = Marks::new(&tint.layers);
        while let Some(&point) = self.marked.get(self.next_marked)
            && done < POINTS_A_FRAME
            && in_time(done)
        {
            colour(point, &mut marks);
            self.next_marked += 1;
            done += 1;
        }
        if self.next_marked == self.marked.len() {
            (self.marked, self.next_marked) = (Vec::new(), 0);
        }
        if let Some(sweep) = &mut self.sweep {
            let at = |values: &[f32], i: usize| values.get(i).copied().unwrap_or(f32::NAN);
            let look_to = sweep.end.min(sweep.next + VALUES_A_FRAME);
            let mut marks = Marks::new(&tint.layers);
            while sweep.next < look_to && done < POINTS_A_FRAME && in_time(sweep.next) {
                let was_none = sweep.before.as_ref().is_some_and(|before| at(before, sweep.next).is_nan());
                if !(was_none && at(&tint.values, sweep.next).is_nan()) {
                    colour(sweep.next as u32, &mut marks);
                    done += 1;
                }
                sweep.next += 1;
            }
            if sweep.next == sweep.end {
                self.sweep = None;
            }
        }
        let patch = |(piece, run): (usize, Option<(usize, usize)>)| {
            let (first, end) = run?;
            Some(Patch { piece, first, codes: self.pieces[piece][first..end].to_vec() })
        };
        runs.into_iter().enumerate().filter_map(patch).collect()
    }
}

/// The marks of ascending points.
struct Marks<'a> {
    /// What is left of each layer, the highest first.
    layers: Vec<(&'a [u32], Mark)>,
}

impl<'a> Marks<'a> {
    fn new(layers: &'a [Layer]) -> Marks<'a> {
        Marks { layers: layers.iter().rev().map(|layer| (&*layer.points, layer.mark)).collect() }
    }

    fn at(&mut self, point: u32) -> Option<Mark> {
        self.layers.iter_mut().find_map(|(rest, mark)| {
            *rest = &rest[below(rest, point)..];
            (rest.first() == Some(&point)).then_some(*mark)
        })
    }
}

/// How many of an ascending list come before a point, which is mostly near its start.
fn below(list: &[u32], point: u32) -> usize {
    let (mut low, mut step) = (0, 1);
    while list.get(low + step - 1).is_some_and(|p| *p < point) {
        low += step;
        step *= 2;
    }
    let end = list.len().min(low + step);
    low + list[low.min(end)..end].partition_point(|p| *p < point)
}

/// Mark and value of a corner in 32 bits: the mark in the lowest three (0 for none), then one for a magnitude, the value's
/// place on the scale in the highest sixteen (0 for none, 1 to 65535 from −`range` to `range`, or from 0 of a magnitude).
pub(crate) fn code(mark: Option<Mark>, value: f32, range: f32, scale: Scale) -> u32 {
    let mark = match mark {
        None => 0,
        Some(Mark::Painted) => 1,
        Some(Mark::Footprint) => 2,
        Some(Mark::Wiping) => 3,
        Some(Mark::Feature) => 4,
        Some(Mark::Chosen) => 5,
        Some(Mark::Near) => 6,
    };
    let share = value / range;
    // A value of 0 over a range of 0 is in the middle; NaN stays without a colour.
    let share = if value == 0.0 { 0.0 } else { share.clamp(-1.0, 1.0) };
    let place = match scale {
        _ if share.is_nan() => return mark,
        Scale::Signed => 32768.0 + share * 32767.0,
        Scale::Magnitude => 1.0 + share.max(0.0) * 65534.0,
    };
    let scale = if scale == Scale::Magnitude { MAGNITUDE } else { 0 };
    mark | scale | (place.round() as u32) << 16
}

/// The points of the layers in which two lists differ, ascending.
fn changed_marks(old: &[Layer], new: &[Layer]) -> Vec<u32> {
    let same = |(a, b): &(&Layer, &Layer)| a.mark == b.mark && Arc::ptr_eq(&a.points, &b.points);
    let start = old.iter().zip(new).take_while(same).count();
    let (old, new) = (&old[start..], &new[start..]);
    let end = old.iter().rev().zip(new.iter().rev()).take_while(same).count();
    let layers = old[..old.len() - end].iter().chain(&new[..new.len() - end]);
    layers.fold(Vec::new(), |points, layer| union(&points, &layer.points))
}

/// All points of two ascending lists, ascending.
fn union(a: &[u32], b: &[u32]) -> Vec<u32> {
    let (mut i, mut j) = (0, 0);
    let mut all = Vec::with_capacity(a.len() + b.len());
    while let (Some(&x), Some(&y)) = (a.get(i), b.get(j)) {
        all.push(x.min(y));
        i += usize::from(x <= y);
        j += usize::from(y <= x);
    }
    all.extend_from_slice(&a[i..]);
    all.extend_from_slice(&b[j..]);
    all
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
        let layer = |&(point, mark): &(u32, Mark)| Layer { points: [point].into(), mark };
        Tint { layers: marks.iter().map(layer).collect(), ..Tint::default() }
    }

    /// All that a tint changes, however many frames it takes.
    fn update(codes: &mut Codes, display: &Display, old: &Tint, new: &Tint) -> Vec<Patch> {
        codes.change(old, new);
        let mut all = Vec::new();
        while !codes.are_done() {
            all.extend(codes.work(display, new));
        }
        all
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
        let values: Arc<[f32]> = values.into();
        let many = Layer { points: (0..80_000).collect(), mark: Mark::Feature };
        let steps = [
            tint(&[(3, Mark::Painted), (70_000, Mark::Footprint)]),
            tint(&[(3, Mark::Footprint), (4, Mark::Painted)]),
            tint(&[(3, Mark::Painted), (3, Mark::Footprint)]),
            Tint { values: values.clone(), range: 0.5, ..tint(&[(4, Mark::Chosen)]) },
            Tint { values: values.clone(), range: 1.0, ..tint(&[(4, Mark::Chosen)]) },
            Tint {
                layers: vec![many, Layer { points: [4, 70_000].into(), mark: Mark::Wiping }],
                values: values.clone(),
                range: 1.0,
                ..Tint::default()
            },
            Tint { values, range: 1.0, scale: Scale::Magnitude, ..Tint::default() },
            Tint { values: vec![0.5; 90_000].into(), range: 1.0, ..Tint::default() },
            Tint::default(),
        ];
        for new in steps {
            let patches = update(&mut codes, &display, &old, &new);
            applied(&display, &patches, &mut card);
            for (piece, held) in display.pieces.iter().zip(&card) {
                for (point, held) in piece.points.iter().zip(held) {
                    let top = new.layers.iter().rev().find(|layer| layer.points.contains(point));
                    let value = new.values.get(*point as usize).copied().unwrap_or(f32::NAN);
                    assert_eq!(*held, code(top.map(|layer| layer.mark), value, new.range, new.scale), "point {point}");
                }
            }
            old = new;
        }
    }

    #[test]
    fn a_map_that_takes_the_place_of_another_half_way_is_right_in_the_end() {
        let display = display(300);
        let (mut codes, mut card) = (Codes::new(&display), Vec::new());
        let map = |value: f32| Tint { values: vec![value; 90_000].into(), range: 1.0, ..Tint::default() };
        let (first, second) = (map(0.25), map(f32::NAN));
        codes.change(&Tint::default(), &first);
        let begun = codes.work(&display, &first);
        assert!(!begun.is_empty() && !codes.are_done());
        applied(&display, &begun, &mut card);
        let rest = update(&mut codes, &display, &first, &second);
        applied(&display, &rest, &mut card);
        assert!(card.iter().flatten().all(|code| *code == 0));
    }

    #[test]
    fn only_touched_pieces_are_sent() {
        let display = display(300);
        let mut codes = Codes::new(&display);
        let patches = update(&mut codes, &display, &Tint::default(), &tint(&[(0, Mark::Footprint)]));
        let full: usize =
            patches.iter().filter(|p| display.levels[0].pieces.contains(&p.piece)).map(|p| p.codes.len()).sum();
        assert_eq!(full, 1);
        assert_eq!(update(&mut codes, &display, &tint(&[(0, Mark::Footprint)]), &tint(&[(0, Mark::Footprint)])), []);
    }

    #[test]
    fn values_lie_on_the_scale_and_beyond_it_at_its_ends() {
        let place = |value, range| code(None, value, range, Scale::Signed) >> 16;
        assert_eq!(
            [place(-2.0, 1.0), place(-1.0, 1.0), place(0.0, 1.0), place(1.0, 1.0), place(9.0, 1.0)],
            [1, 1, 32768, 65535, 65535]
        );
        assert_eq!([place(f32::NAN, 1.0), place(0.0, 0.0), place(1.0, 0.0)], [0, 32768, 65535]);
        assert_eq!(code(Some(Mark::Painted), f32::NAN, 0.0, Scale::Signed), 1);
        let magnitude = |value| code(Some(Mark::Near), value, 2.0, Scale::Magnitude);
        assert_eq!([-1.0, 0.0, 1.0, 2.0, 5.0].map(|value| magnitude(value) >> 16), [1, 1, 32768, 65535, 65535]);
        assert_eq!((magnitude(1.0) & 15, magnitude(f32::NAN)), (6 | MAGNITUDE, 6));
    }
}
