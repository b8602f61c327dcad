//! The signed distance of many points from one body of revolution.
//!
//! It is that of the place (r, y) from the outline in the half plane, negative inside. A grid over the half plane has in
//! every cell the pieces of the outline that can be nearest to a place in it: with d the distance of its centre and h half its
//! diagonal, those within d + 2h of the centre, since a distance changes by no more than the way. So the distance is exact,
//! and only a few pieces are asked.

use crate::profile::{Place, Profile};
use crate::revolve::flatten;
use stringline_core::Point3;

/// Side of a cell, mm.
const CELL: f64 = 3.0;

/// What of the half plane a cell holds.
#[derive(Clone, Copy)]
enum Side {
    Inside,
    Outside,
    /// The outline runs through it.
    Both,
}

struct Cell {
    /// Certainly not nearer to the outline than this, mm.
    least: f64,
    side: Side,
    /// Its pieces among all lists; none outside and farther away than the limit.
    pieces: std::ops::Range<usize>,
}

/// A profile with its grid.
pub(crate) struct Field<'p> {
    profile: &'p Profile,
    limit: f64,
    low: f64,
    columns: usize,
    rows: usize,
    cells: Vec<Cell>,
    lists: Vec<u32>,
}

impl<'p> Field<'p> {
    /// For distances up to `limit` outside, mm.
    pub(crate) fn new(profile: &'p Profile, limit: f64) -> Field<'p> {
        let ends = || profile.pieces.iter().flat_map(|p| [p.from, p.to]);
        let far = ends().map(|p| p.x).fold(0.0, f64::max) + limit;
        let low = ends().map(|p| p.y).fold(f64::INFINITY, f64::min) - limit;
        let high = ends().map(|p| p.y).fold(f64::NEG_INFINITY, f64::max) + limit;
        let (columns, rows) = ((far / CELL) as usize + 1, ((high - low) / CELL) as usize + 1);
        let half = CELL * std::f64::consts::FRAC_1_SQRT_2;
        let mut field = Field { profile, limit, low, columns, rows, cells: Vec::new(), lists: Vec::new() };
        for (j, i) in (0..rows).flat_map(|j| (0..columns).map(move |i| (j, i))) {
            let centre = Place::new((i as f64 + 0.5) * CELL, low + (j as f64 + 0.5) * CELL);
            let away = |k: usize| (profile.pieces[k].foot(&centre) - centre).norm();
            let nearest = (0..profile.pieces.len()).map(away).fold(f64::INFINITY, f64::min);
            let side = match nearest > half {
                true if profile.holds(&centre) => Side::Inside,
                true => Side::Outside,
                false => Side::Both,
            };
            let first = field.lists.len();
            if nearest - half < limit || matches!(side, Side::Inside) {
                let near = (0..profile.pieces.len()).filter(|&k| away(k) <= nearest + 2.0 * half);
                field.lists.extend(near.map(|k| k as u32));
            }
            field.cells.push(Cell { least: (nearest - half).max(0.0), side, pieces: first..field.lists.len() });
        }
        field
    }

    /// The signed distance of a point in the wheel's frame, mm; beyond the limit something that is no more than it and no
    /// less than the limit.
    pub(crate) fn signed(&self, p: &Point3) -> f64 {
        let at = flatten(&p.coords);
        let (column, row) = (at.x / CELL, (at.y - self.low) / CELL);
        if !(row >= 0.0 && (row as usize) < self.rows && (column as usize) < self.columns) {
            return self.limit;
        }
        let cell = &self.cells[row as usize * self.columns + column as usize];
        if cell.pieces.is_empty() {
            return cell.least;
        }
        let foot = |&k: &u32| (self.profile.pieces[k as usize].foot(&at) - at).norm_squared();
        let distance = self.lists[cell.pieces.clone()].iter().map(foot).fold(f64::INFINITY, f64::min).sqrt();
        let inside = match cell.side {
            Side::Inside => true,
            Side::Outside => false,
            Side::Both => self.profile.holds(&at),
        };
        if inside { -distance } else { distance }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wheel::{RimSettings, TyreSettings, Wheel};

    #[test]
    fn it_is_the_least_over_all_pieces() {
        let wheel = Wheel::from_size("205/50R16", 165.1, 35.0, &TyreSettings::default(), &RimSettings::default());
        let wheel = wheel.unwrap();
        let profile = wheel.profile();
        let field = Field::new(profile, 30.0);
        let mut inside = 0;
        for k in 0..40_000u32 {
            let (i, j) = (f64::from(k % 200), f64::from(k / 200));
            let at = Place::new(1.93 * i, -180.0 + 1.81 * j);
            let least = profile.pieces.iter().map(|p| (p.foot(&at) - at).norm()).fold(f64::INFINITY, f64::min);
            let found = field.signed(&Point3::new(at.x * 0.6, at.y, at.x * 0.8));
            if profile.holds(&at) {
                inside += 1;
                assert!((found + least).abs() < 1e-9, "{at} {found} {least}");
            } else if least < 30.0 {
                assert!((found - least).abs() < 1e-9, "{at} {found} {least}");
            } else {
                assert!(found.abs() <= least + 1e-9 && found.abs() >= 30.0 - 1e-9, "{at} {found} {least}");
            }
        }
        assert!(inside > 1000, "{inside}");
    }
}
