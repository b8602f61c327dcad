//! The window: bevy and egui over the operations of a job.
//!
//! [`shown`] and [`face`] are what passes between the two halves: the bench (the state of the work,
//! its panels, its workers; knows no bevy) and the scene (the 3-D view).

pub mod bench;
pub mod face;
pub mod folders;
pub mod keys;
pub mod scale;
pub mod shown;
pub mod theme;
pub mod words;

mod files;
mod keep;
mod live;
mod maps;
mod measured;
mod paint;
mod panels;
mod show;
mod state;
mod work;

pub use bench::Workbench;
pub use folders::Folders;
