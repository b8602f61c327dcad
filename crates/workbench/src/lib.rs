//! The window: bevy and egui over the operations of a job.
//!
//! [`shown`] is what passes between the two halves: the bench (the state of the work, its panels,
//! its workers; knows no bevy) and the scene (the 3-D view).

pub mod shown;
