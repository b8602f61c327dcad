//! A thread that waits for the graphics card, so that news of finished frames comes without one drawn.

use bevy::render::render_resource::PollType;
use bevy::render::renderer::RenderDevice;
use std::sync::mpsc::{Sender, channel};
use std::thread::JoinHandle;

/// The thread. It ends with this, and is waited for: were the card let go of there, after the program has begun to end,
/// the driver would stumble over what it has taken down already.
pub(crate) struct Watch {
    asked: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Watch {
    pub(crate) fn new(device: RenderDevice) -> Watch {
        let (asked, wishes) = channel::<()>();
        let thread = std::thread::spawn(move || {
            while wishes.recv().is_ok() {
                // What went wrong is seen by the one who draws.
                let _ = device.poll(PollType::wait_indefinitely());
            }
        });
        Watch { asked: Some(asked), thread: Some(thread) }
    }

    /// Has it wait for what the card was handed.
    pub(crate) fn ask(&self) {
        if let Some(asked) = &self.asked {
            // Fails only if the thread has died; then the news comes with the next frame.
            let _ = asked.send(());
        }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.asked = None;
        if let Some(thread) = self.thread.take() {
            // A panic in there has been reported where it happened.
            let _ = thread.join();
        }
    }
}
