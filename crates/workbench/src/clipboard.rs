//! The system's clipboard. bevy_egui's own brings a second display protocol with it, which this window does not
//! speak and which is half a minute of every first build.

use bevy_egui::egui::{Event, Key, OutputCommand};

/// The clipboard, opened when it is first needed.
#[derive(Default)]
pub(crate) struct Clipboard(Option<arboard::Clipboard>);

impl Clipboard {
    /// Adds what the keys for copy, cut and paste mean to the events of a frame.
    pub(crate) fn read_keys(&mut self, events: &mut Vec<Event>) {
        let mut meant = Vec::new();
        for event in events.iter() {
            let Event::Key { key, pressed: true, modifiers, .. } = event else {
                continue;
            };
            match key {
                Key::C if modifiers.command => meant.push(Event::Copy),
                Key::X if modifiers.command => meant.push(Event::Cut),
                // An empty clipboard, or one that holds a picture, has no text to give.
                Key::V if modifiers.command => {
                    let text = self.with(arboard::Clipboard::get_text);
                    meant.extend(text.filter(|text| !text.is_empty()).map(Event::Paste));
                }
                _ => {}
            }
        }
        events.append(&mut meant);
    }

    /// Keeps the texts that a frame wants copied.
    pub(crate) fn keep(&mut self, commands: &[OutputCommand]) {
        for command in commands {
            if let OutputCommand::CopyText(text) = command
                && !text.is_empty()
            {
                self.with(|clipboard| clipboard.set_text(text.clone()));
            }
        }
    }

    fn with<T>(&mut self, act: impl FnOnce(&mut arboard::Clipboard) -> Result<T, arboard::Error>) -> Option<T> {
        if self.0.is_none() {
            match arboard::Clipboard::new() {
                Ok(clipboard) => self.0 = Some(clipboard),
                Err(error) => bevy::log::warn!("the clipboard cannot be opened: {error}"),
            }
        }
        match act(self.0.as_mut()?) {
            Ok(done) => Some(done),
            Err(arboard::Error::ContentNotAvailable) => None,
            Err(error) => {
                bevy::log::warn!("the clipboard did not answer: {error}");
                None
            }
        }
    }
}
