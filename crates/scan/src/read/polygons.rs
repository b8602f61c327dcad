//! Faces of any number of corners, split into triangles from their first corner.

use super::Repairs;
use super::error::Problem;

/// Collects faces as triangles.
#[derive(Default)]
pub(super) struct Polygons {
    pub(super) facets: Vec<[u32; 3]>,
    split: u64,
    without_area: u64,
}

impl Polygons {
    pub(super) fn with_capacity(facets: usize) -> Self {
        Self { facets: Vec::with_capacity(facets), ..Self::default() }
    }

    /// Adds a face; its indices (from 0) must be below `vertices`.
    pub(super) fn push(&mut self, corners: impl IntoIterator<Item = i64>, vertices: u64) -> Result<(), Problem> {
        let facet = self.count();
        let mut corners = corners.into_iter().map(|index| match u32::try_from(index) {
            Ok(number) if u64::from(number) < vertices => Ok(number),
            _ => Err(Problem::IndexOutOfRange { facet, index, vertices }),
        });
        let mut next = || corners.next().transpose();
        let (Some(first), Some(mut previous), Some(third)) = (next()?, next()?, next()?) else {
            // Two corners or fewer have no area.
            self.without_area += 1;
            return Ok(());
        };
        let before = self.facets.len();
        let mut corner = Some(third);
        while let Some(current) = corner {
            self.facets.push([first, previous, current]);
            previous = current;
            corner = next()?;
        }
        self.split += u64::from(self.facets.len() > before + 1);
        Ok(())
    }

    /// Facets in the file so far.
    pub(super) fn count(&self) -> u64 {
        self.facets.len() as u64 + self.without_area
    }

    /// The facets, with what was found told in `repairs`.
    pub(super) fn finish(self, repairs: &mut Repairs) -> Vec<[u32; 3]> {
        repairs.facets_in_file += self.count();
        repairs.degenerate_facets += self.without_area;
        repairs.split_polygons += self.split;
        self.facets
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faces_become_fans() {
        let mut polygons = Polygons::default();
        for face in [&[0, 1, 2][..], &[3, 4, 5, 6, 7], &[1, 2], &[]] {
            polygons.push(face.iter().copied(), 8).unwrap();
        }
        for (face, bad) in [([0, -1, 2], -1), ([0, 1, 8], 8), ([1 << 40, 0, 1], 1 << 40)] {
            match polygons.push(face, 8) {
                Err(Problem::IndexOutOfRange { index, facet, .. }) => {
                    assert_eq!((index, facet), (bad, 6))
                }
                other => panic!("{other:?}"),
            }
        }
        let mut repairs = Repairs::default();
        let facets = polygons.finish(&mut repairs);
        assert_eq!(facets, [[0, 1, 2], [3, 4, 5], [3, 5, 6], [3, 6, 7]]);
        assert_eq!((repairs.facets_in_file, repairs.split_polygons, repairs.degenerate_facets), (6, 1, 2));
    }
}
