//! The window: bevy and egui over the operations of a job.
//!
//! [`shown`] and [`face`] are what passes between the two halves: the bench (the state of the work,
//! its panels, its workers; knows no bevy) and the scene (the 3-D view). The window drives a bench:
//!
//! ```no_run
//! stringline_workbench::run("Stringline", |wake| stringline_workbench::Workbench::new(None, wake))?;
//! # Ok::<(), stringline_workbench::WindowError>(())
//! ```

#[cfg(feature = "window")]
pub mod app;
pub mod bench;
mod clearance;
#[cfg(feature = "window")]
mod clipboard;
pub mod face;
mod files;
pub mod folders;
mod geometry;
mod keep;
pub mod keys;
mod live;
mod maps;
mod measured;
#[cfg(feature = "window")]
pub mod mouse;
mod overlay;
mod paint;
mod panels;
#[cfg(feature = "window")]
mod picture;
mod placing;
pub mod scale;
#[cfg(feature = "window")]
pub mod scene;
mod show;
pub mod shown;
mod state;
pub mod theme;
pub mod view;
pub mod words;
mod work;

#[cfg(feature = "window")]
pub use app::{Headless, HeadlessSettings, WindowError, has_display, run};
pub use bench::Workbench;
pub use egui;
pub use folders::Folders;
