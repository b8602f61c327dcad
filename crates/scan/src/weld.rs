//! Welding: equal positions become one vertex.
//!
//! An open-addressing table of vertex numbers over the vertex array itself, so that the
//! table costs about 13 bytes a vertex and growing it never touches the vertices.

use std::hash::BuildHasher;

use stringline_core::Point3;

/// The most vertices a table can name; a `u32` less its empty mark.
pub(crate) const MOST_VERTICES: usize = u32::MAX as usize - 1;

/// Positions looked up side by side; a multiple of three, for whole facets.
pub(crate) const BATCH: usize = 384;

/// The part of a hash kept in a slot.
const TAG: u64 = !(u32::MAX as u64);

/// Adding zero turns −0.0 into 0.0 and leaves every other number alone.
fn plain_zeros(p: Point3) -> Point3 {
    Point3::new(p.x + 0.0, p.y + 0.0, p.z + 0.0)
}

/// Collects vertices, each position once.
pub(crate) struct Welder {
    vertices: Vec<Point3>,
    /// `hash's upper half << 32 | vertex + 1`, or 0. A slot's home is its hash's top bits.
    slots: Vec<u64>,
    bits: u32,
    keys: [u64; 3],
}

impl Welder {
    /// Expects about `vertices` different positions.
    pub(crate) fn with_capacity(vertices: usize) -> Self {
        let bits = (vertices * 8 / 5).max(64).next_power_of_two().ilog2();
        // Random keys, so that no file can be made to fall into one slot; the numbering of the
        // vertices follows the order of arrival alone and does not depend on them.
        let random = std::hash::RandomState::new();
        Self {
            vertices: Vec::with_capacity(vertices),
            slots: vec![0; 1 << bits],
            bits,
            keys: [0, 1, 2].map(|k| random.hash_one(k) | 1),
        }
    }

    /// The number of the vertex at `p`, which must be finite; −0.0 counts as 0.0.
    pub(crate) fn vertex(&mut self, p: Point3) -> u32 {
        let p = plain_zeros(p);
        self.find_or_add(p, self.hash(&p))
    }

    /// [`Self::vertex`] of many positions; `positions` are left without −0.0.
    ///
    /// Quicker than one by one: the table is far larger than the caches, and looking at all homes
    /// first lets the processor fetch them side by side.
    pub(crate) fn vertices_at(&mut self, positions: &mut [Point3; BATCH]) -> [u32; BATCH] {
        let mut hashes = [0; BATCH];
        for (p, hash) in positions.iter_mut().zip(&mut hashes) {
            *p = plain_zeros(*p);
            *hash = self.hash(p);
        }
        let seen = hashes.iter().fold(0, |seen, hash| seen ^ self.slots[self.home(*hash)]);
        std::hint::black_box(seen);
        std::array::from_fn(|k| self.find_or_add(positions[k], hashes[k]))
    }

    fn home(&self, hash: u64) -> usize {
        (hash >> (64 - self.bits)) as usize
    }

    fn find_or_add(&mut self, p: Point3, hash: u64) -> u32 {
        let tag = hash & TAG;
        let mask = self.slots.len() - 1;
        let mut at = self.home(hash);
        loop {
            let slot = self.slots[at];
            if slot == 0 {
                break;
            }
            if slot & TAG == tag {
                let vertex = (slot as u32) - 1;
                if self.vertices[vertex as usize] == p {
                    return vertex;
                }
            }
            at = (at + 1) & mask;
        }
        debug_assert!(self.vertices.len() < MOST_VERTICES);
        let vertex = self.vertices.len() as u32;
        self.vertices.push(p);
        self.slots[at] = tag | u64::from(vertex + 1);
        if self.vertices.len() * 4 > self.slots.len() * 3 {
            self.grow();
        }
        vertex
    }

    /// The vertices, in the order of their first appearance.
    pub(crate) fn into_vertices(mut self) -> Vec<Point3> {
        self.vertices.shrink_to_fit();
        self.vertices
    }

    /// Two folded multiplications: every bit of the three coordinates reaches the top bits.
    fn hash(&self, p: &Point3) -> u64 {
        let fold = |a: u64, b: u64| {
            let product = u128::from(a) * u128::from(b);
            (product as u64) ^ ((product >> 64) as u64)
        };
        let [k0, k1, k2] = self.keys;
        let xy = fold(p.x.to_bits() ^ k0, p.y.to_bits() ^ k1);
        fold(xy ^ k1, p.z.to_bits() ^ k2)
    }

    fn grow(&mut self) {
        let bits = self.bits + 1;
        let mut slots = vec![0_u64; 1 << bits];
        let mask = slots.len() - 1;
        for &slot in self.slots.iter().filter(|&&slot| slot != 0) {
            let mut at = (slot >> (64 - bits)) as usize;
            while slots[at] != 0 {
                at = (at + 1) & mask;
            }
            slots[at] = slot;
        }
        (self.bits, self.slots) = (bits, slots);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::HashMap;

    #[test]
    fn signed_zeros_are_one_position() {
        let mut welder = Welder::with_capacity(0);
        assert_eq!(welder.vertex(Point3::new(0.0, -0.0, 1.0)), 0);
        assert_eq!(welder.vertex(Point3::new(-0.0, 0.0, 1.0)), 0);
        assert_eq!(welder.vertex(Point3::new(0.0, 0.0, -1.0)), 1);
        assert!(welder.into_vertices()[0].y.is_sign_positive());
    }

    proptest! {
        #[test]
        fn agrees_with_a_map(coords in prop::collection::vec((-4_i8..4, -4_i8..4, -9_i8..9), 0..3000)) {
            let mut welder = Welder::with_capacity(3);
            let mut map: HashMap<(i8, i8, i8), u32> = HashMap::new();
            let mut all = Vec::new();
            for (x, y, z) in coords {
                let next = map.len() as u32;
                let expected = *map.entry((x, y, z)).or_insert(next);
                // Fractions that need many bits.
                let p = Point3::new(f64::from(x) / 3.0, f64::from(y) * 1e6, f64::from(z) * 1e-9);
                prop_assert_eq!(welder.vertex(p), expected);
                all.push(p);
            }
            // By batches it is the same.
            let mut batched = Welder::with_capacity(3);
            for chunk in all.chunks(BATCH) {
                let mut batch = [chunk[0]; BATCH];
                batch[..chunk.len()].copy_from_slice(chunk);
                let numbers = batched.vertices_at(&mut batch);
                for (p, number) in chunk.iter().zip(numbers) {
                    prop_assert_eq!(welder.vertex(*p), number);
                }
            }
            prop_assert_eq!(welder.into_vertices().len(), map.len());
        }
    }
}
