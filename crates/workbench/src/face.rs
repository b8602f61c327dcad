//! What the window asks of the bench.

use crate::shown::{Eye, Pointer, Shown};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Asks the window, from any thread, to look for news and draw itself again.
pub type Wake = Arc<dyn Fn() + Send + Sync>;

/// The state of the work with its panels and workers, as the window drives it. Every call is on
/// the window's thread and must be over in a few milliseconds.
pub trait Bench: Send + Sync + 'static {
    /// Takes what workers finished; true if anything changed. Called at the start of each frame,
    /// and there is a frame whenever the [`Wake`] given at the start is called.
    fn poll(&mut self) -> bool;

    /// Draws every panel and call-out; `eye` maps world points to the screen, `None` before the
    /// first frame. Returns the rectangle left for the scans. egui may ask for it twice a frame.
    fn ui(&mut self, ui: &mut egui::Ui, eye: Option<&Eye>) -> egui::Rect;

    /// What the scene shows now.
    fn shown(&mut self) -> Shown;

    /// What the pointer did on the scans; before [`Bench::ui`] of the same frame.
    fn pointer(&mut self, event: Pointer);

    /// Files were dropped on the window.
    fn dropped(&mut self, paths: Vec<PathBuf>);

    /// A picture of the view is wanted at this path (PNG); taken once.
    fn picture_wanted(&mut self) -> Option<PathBuf>;

    /// What became of a picture that was wanted; the error is a sentence.
    fn picture_done(&mut self, _path: &Path, _result: Result<(), String>) {}

    /// The window is asked to close; false to stay open, as when unsaved work asks first.
    fn may_close(&mut self) -> bool;

    /// Whether the window is to close by itself, as after that question was answered.
    fn wants_close(&mut self) -> bool {
        false
    }
}

/// What each button does over the scans, for the help: what is done, what it does.
pub const MOUSE: [[&str; 2]; 9] = [
    ["Left on a part", "paints with a brush in hand, otherwise picks"],
    ["Shift + left on a part", "wipes with a brush in hand"],
    ["Left drag beside the parts", "turns the view"],
    ["Middle drag", "turns the view about the point under the pointer"],
    ["Right drag", "moves the view"],
    ["Shift + middle drag", "moves the view"],
    ["Wheel", "zooms to the pointer"],
    ["Ctrl + wheel", "makes the brush wider or narrower"],
    ["Files dropped on the window", "are opened"],
];
