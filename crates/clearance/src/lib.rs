//! How far bodies are apart.
//!
//! A *gap* is a distance, positive between two bodies that are apart and negative where one has
//! entered the other. [`gap_map`] gives that of every point of one scan from the surface of another,
//! [`distance`] the smallest of two bodies, [`wheel_distance`] that of a wheel from a body; [`sweep`] follows
//! moving parts over lock and wheel travel, [`swept_mark`] says where a wheel needs room, and a [`Verdict`] how far a gap
//! can be trusted.

mod body;
mod columns;
mod design;
mod distance;
mod drawn;
mod field;
mod flat;
mod inside;
mod kept;
mod map;
mod mark;
mod mould;
mod near;
mod part;
mod profile;
mod reach;
mod revolve;
mod section;
mod sweep;
mod tree;
mod triangle;
mod verdict;
mod wheel;
mod words;

pub use body::{Body, BodyError};
pub use design::{ball, plate, tube};
pub use distance::{Closest, distance};
pub use drawn::{SectionError, read_section};
pub use flat::{FlatGap, nearest_outlines};
pub use map::{Bar, Gap, GapError, GapMap, Histogram, NoSign, Spread, Unsigned, gap_map};
pub use mark::{Mark, swept_mark};
pub use mould::Moulded;
pub use part::{Part, Shape, part_gap};
pub use revolve::wheel_distance;
pub use section::{Outline, Plane, section};
pub use sweep::{
    EndedBy, Pair, Poses, Reach, Stop, Sweep, SweepError, SweepSettings, SweptState, Touch, state_at, sweep,
};
pub use verdict::{CAUTIONS, Component, Outcome, Verdict, placement_part};
pub use wheel::{RimSettings, TyreSettings, Wheel, WheelError};
pub use words::{gap_words, lock_words};
