//! A virtual display, and a person at its mouse and keyboard.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use x11rb::connection::Connection;
use x11rb::protocol::xproto::{
    BUTTON_PRESS_EVENT, BUTTON_RELEASE_EVENT, ConnectionExt as _, ImageFormat, InputFocus, KEY_PRESS_EVENT,
    KEY_RELEASE_EVENT, MOTION_NOTIFY_EVENT, MapState,
};
use x11rb::protocol::xtest::ConnectionExt as _;
use x11rb::rust_connection::RustConnection;

/// The display's size, pixels; the window fills it.
pub(crate) const SIZE: [u16; 2] = [1280, 800];
/// Long enough for the slowest machine that runs this; a test that waits so long has failed.
const PATIENCE: Duration = Duration::from_secs(120);

/// Keys that are not characters, by their X keysyms (X11/keysymdef.h).
pub(crate) const RETURN: u32 = 0xff0d;
const SHIFT: u32 = 0xffe1;
const CONTROL: u32 = 0xffe3;

/// A mouse button.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Button {
    Left = 1,
    Middle = 2,
}

/// An X server that draws into memory.
pub(crate) struct Screen {
    server: Child,
    name: String,
    x: RustConnection,
    root: u32,
    /// The characters that each key gives, plain and with Shift.
    keys: Vec<(u8, [u32; 2])>,
}

impl Drop for Screen {
    fn drop(&mut self) {
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

impl Screen {
    pub(crate) fn open() -> Screen {
        let size = format!("{}x{}x24", SIZE[0], SIZE[1]);
        let mut server = Command::new("Xvfb")
            .args(["-displayfd", "1", "-screen", "0", &size, "-nolisten", "tcp"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("this test needs a virtual display: install Xvfb (package xvfb), or run .ci/test, which does");
        let mut number = String::new();
        BufReader::new(server.stdout.take().unwrap()).read_line(&mut number).unwrap();
        let name = format!(":{}", number.trim());
        let (x, screen) = x11rb::connect(Some(&name)).unwrap();
        let setup = x.setup();
        let root = setup.roots[screen].root;
        let (first, last) = (setup.min_keycode, setup.max_keycode);
        let map = x.get_keyboard_mapping(first, last - first + 1).unwrap().reply().unwrap();
        let each = usize::from(map.keysyms_per_keycode);
        let keys = map
            .keysyms
            .chunks(each)
            .zip(first..=last)
            .map(|(signs, code)| (code, [signs[0], signs.get(1).copied().unwrap_or(0)]))
            .collect();
        Screen { server, name, x, root, keys }
    }

    pub(crate) fn name(&self) -> &str {
        &self.name
    }

    /// Waits for a window to be there and gives it the keyboard, as a window manager would.
    pub(crate) fn wait_for_window(&self) {
        let found = until("a window is there", || {
            let tree = self.x.query_tree(self.root).unwrap().reply().unwrap();
            tree.children.into_iter().find(|&window| {
                let shown = self.x.get_window_attributes(window).unwrap().reply();
                let size = self.x.get_geometry(window).unwrap().reply();
                shown.is_ok_and(|a| a.map_state == MapState::VIEWABLE) && size.is_ok_and(|g| g.width > 400)
            })
        });
        self.x.set_input_focus(InputFocus::PARENT, found, x11rb::CURRENT_TIME).unwrap();
        self.x.flush().unwrap();
    }

    /// What is on the screen, four bytes a pixel.
    pub(crate) fn picture(&self) -> Vec<u8> {
        let [width, height] = SIZE;
        self.x.get_image(ImageFormat::Z_PIXMAP, self.root, 0, 0, width, height, !0).unwrap().reply().unwrap().data
    }

    /// Waits until something is drawn and nothing has changed for a while.
    pub(crate) fn settled(&self) {
        let mut last = self.picture();
        let mut since = Instant::now();
        until("the picture stands still", || {
            std::thread::sleep(Duration::from_millis(40));
            let now = self.picture();
            if now != last {
                (last, since) = (now, Instant::now());
            }
            let drawn = last.chunks(4).any(|pixel| pixel[..3] != last[..3]);
            (drawn && since.elapsed() > Duration::from_millis(350)).then_some(())
        });
    }

    /// Does something that shows, and waits until it has been drawn.
    pub(crate) fn after(&self, act: impl FnOnce()) {
        let before = self.picture();
        act();
        until("what was done shows", || (self.picture() != before).then_some(()));
        self.settled();
    }

    fn fake(&self, kind: u8, detail: u8, x: i16, y: i16) {
        self.x.xtest_fake_input(kind, detail, x11rb::CURRENT_TIME, self.root, x, y, 0).unwrap();
        self.x.flush().unwrap();
        std::thread::sleep(Duration::from_millis(15));
    }

    pub(crate) fn point_at(&self, at: [f32; 2]) {
        self.fake(MOTION_NOTIFY_EVENT, 0, at[0].round() as i16, at[1].round() as i16);
    }

    pub(crate) fn hold(&self, button: Button) {
        self.fake(BUTTON_PRESS_EVENT, button as u8, 0, 0);
    }

    pub(crate) fn let_go(&self, button: Button) {
        self.fake(BUTTON_RELEASE_EVENT, button as u8, 0, 0);
    }

    pub(crate) fn click(&self, at: [f32; 2]) {
        self.point_at(at);
        std::thread::sleep(Duration::from_millis(120));
        self.hold(Button::Left);
        self.let_go(Button::Left);
    }

    /// One straight move with a button held.
    pub(crate) fn drag(&self, button: Button, from: [f32; 2], to: [f32; 2]) {
        self.point_at(from);
        self.hold(button);
        self.point_at(to);
        self.let_go(button);
    }

    fn code(&self, sign: u32) -> (u8, bool) {
        let at = |shift: usize| self.keys.iter().find(|(_, signs)| signs[shift] == sign).map(|(code, _)| *code);
        at(0).map(|code| (code, false)).or_else(|| at(1).map(|code| (code, true))).expect("the keyboard has that key")
    }

    /// Presses a key, with Ctrl if wanted; a character is its own keysym.
    pub(crate) fn key(&self, sign: u32, control: bool) {
        let (code, shift) = self.code(sign);
        let held = [(shift, SHIFT), (control, CONTROL)];
        let held: Vec<u8> = held.iter().filter(|(wanted, _)| *wanted).map(|(_, sign)| self.code(*sign).0).collect();
        held.iter().for_each(|&code| self.fake(KEY_PRESS_EVENT, code, 0, 0));
        // As long as a hand holds it: what is pressed and let go within one frame counts as not held.
        let pause = || std::thread::sleep(Duration::from_millis(if control { 200 } else { 0 }));
        pause();
        self.fake(KEY_PRESS_EVENT, code, 0, 0);
        self.fake(KEY_RELEASE_EVENT, code, 0, 0);
        pause();
        held.iter().for_each(|&code| self.fake(KEY_RELEASE_EVENT, code, 0, 0));
    }

    pub(crate) fn letter(&self, letter: char) {
        self.key(u32::from(letter), false);
    }

    pub(crate) fn with_control(&self, letter: char) {
        self.key(u32::from(letter), true);
    }

    pub(crate) fn write(&self, text: &str) {
        text.chars().for_each(|letter| self.letter(letter));
    }
}

/// Tries again and again until there is an answer.
pub(crate) fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(begun.elapsed() < PATIENCE, "waited in vain until {what}");
        std::thread::sleep(Duration::from_millis(30));
    }
}
