//! The window: bevy and egui over the operations of a job.
//!
//! [`shown`] is what passes between the two halves: the bench (the state of the work, its panels,
//! its workers; knows no bevy) and the scene (the 3-D view). The window drives a bench through
//! [`face::Bench`]:
//!
//! ```no_run
//! # fn make(wake: stringline_workbench::face::Wake) -> impl stringline_workbench::face::Bench { Nobody }
//! # struct Nobody;
//! # impl stringline_workbench::face::Bench for Nobody {
//! #     fn poll(&mut self) -> bool { false }
//! #     fn ui(&mut self, ui: &mut egui::Ui, _: Option<&stringline_workbench::shown::Eye>) -> egui::Rect { ui.max_rect() }
//! #     fn shown(&mut self) -> stringline_workbench::shown::Shown { Default::default() }
//! #     fn pointer(&mut self, _: stringline_workbench::shown::Pointer) {}
//! #     fn dropped(&mut self, _: Vec<std::path::PathBuf>) {}
//! #     fn picture_wanted(&mut self) -> Option<std::path::PathBuf> { None }
//! #     fn may_close(&mut self) -> bool { true }
//! # }
//! stringline_workbench::run("Stringline", make)?;
//! # Ok::<(), stringline_workbench::WindowError>(())
//! ```

#[cfg(feature = "window")]
pub mod app;
pub mod face;
#[cfg(feature = "window")]
pub mod mouse;
#[cfg(feature = "window")]
mod picture;
#[cfg(feature = "window")]
pub mod scene;
pub mod shown;
pub mod view;

#[cfg(feature = "window")]
pub use app::{Headless, HeadlessSettings, WindowError, run};
