//! What the mouse does over the scans: the one place that gives its buttons their meaning, as
//! [`crate::face::MOUSE`] tells the user.

use crate::shown::{Pointer, Touched};
use crate::view::View;
use egui::{Event, MouseWheelUnit, PointerButton, Pos2, Rect};
use stringline_core::Point3;

/// One step of the wheel shows the world this much higher.
const WHEEL_STEP: f64 = 1.18;

/// Logical points of a touch pad's scrolling that count as one step of a wheel.
const POINTS_A_STEP: f32 = 40.0;

/// A point of the scans under a place on the screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// The same for the bench.
    pub touched: Touched,
    /// In the world, mm.
    pub world: Point3,
}

/// The view's place on the screen, and what lies over it.
pub struct Place<'a> {
    /// Left for the scans, logical points.
    pub area: Rect,
    /// Whether a panel or a call-out takes the pointer there.
    pub covered: &'a dyn Fn(Pos2) -> bool,
    /// What lies under a place on the screen.
    pub find: &'a dyn Fn(&View, Pos2) -> Option<Found>,
}

impl Place<'_> {
    fn holds(&self, at: Pos2) -> bool {
        self.area.contains(at) && !(self.covered)(at)
    }
}

/// Left, top, width and height.
pub fn sides(area: Rect) -> [f32; 4] {
    [area.left(), area.top(), area.width(), area.height()]
}

/// A button that went down over the view.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Held {
    /// On a part.
    Paint,
    /// Turns about this point, world.
    Turn(Point3),
    /// Moves with this point, world.
    Move(Point3),
}

/// What the mouse is in the middle of.
#[derive(Default)]
pub struct Mouse {
    held: Option<(PointerButton, Held)>,
    at: Option<Pos2>,
    shift: bool,
    /// Whether the bench believes that the pointer is over a scan.
    over: bool,
}

impl Mouse {
    /// Whether the view is being turned or moved.
    pub fn steers(&self) -> bool {
        matches!(self.held, Some((_, Held::Turn(_) | Held::Move(_))))
    }

    /// Takes the events of a frame. Moves the view, and returns what the bench is to know.
    pub fn take(&mut self, events: &[Event], place: &Place<'_>, view: &mut View) -> Vec<Pointer> {
        let mut said = Vec::new();
        let mut hover = false;
        for event in events {
            match event {
                Event::ModifiersChanged(modifiers) => self.shift = modifiers.shift,
                Event::PointerMoved(to) => {
                    let from = self.at.replace(*to);
                    match self.held {
                        Some((_, held)) => self.drag(held, from.unwrap_or(*to), *to, place, view, &mut said),
                        None => hover = true,
                    }
                }
                Event::PointerButton { pos, button, pressed: true, modifiers } => {
                    self.at = Some(*pos);
                    self.shift = modifiers.shift;
                    if self.held.is_none() && place.holds(*pos) {
                        self.press(*pos, *button, place, view, &mut said);
                    }
                }
                Event::PointerButton { pos, button, pressed: false, .. } => {
                    self.at = Some(*pos);
                    if let Some((_, held)) = self.held.take_if(|(by, _)| by == button) {
                        if held == Held::Paint {
                            said.push(Pointer::Release);
                        }
                        hover = true;
                    }
                }
                Event::PointerGone => {
                    self.at = None;
                    hover = true;
                }
                // Alt-tab in the middle of a drag: the button's release goes elsewhere.
                Event::WindowFocused(false) => {
                    let held = self.held.take().map(|(_, held)| held);
                    said.extend((held == Some(Held::Paint)).then_some(Pointer::Release));
                }
                Event::MouseWheel { unit, delta, modifiers, .. } => {
                    let steps = match unit {
                        MouseWheelUnit::Point => delta.y / POINTS_A_STEP,
                        MouseWheelUnit::Line | MouseWheelUnit::Page => delta.y,
                    };
                    match self.at.filter(|at| place.holds(*at)) {
                        Some(_) if modifiers.ctrl && steps != 0.0 => said.push(Pointer::Wheel(steps)),
                        Some(at) if steps != 0.0 => {
                            zoom(at, WHEEL_STEP.powf(f64::from(-steps)), place, view);
                            hover = self.held.is_none();
                        }
                        _ => {}
                    }
                }
                Event::Zoom(factor) if *factor > 0.0 => {
                    if let Some(at) = self.at.filter(|at| place.holds(*at)) {
                        zoom(at, 1.0 / f64::from(*factor), place, view);
                        hover = self.held.is_none();
                    }
                }
                _ => {}
            }
        }
        if hover && self.held.is_none() {
            // Once a frame: finding what lies there costs more than the rest.
            let found = self.at.filter(|at| place.holds(*at)).and_then(|at| (place.find)(view, at));
            self.hover(found, &mut said);
        }
        said
    }

    fn press(&mut self, at: Pos2, button: PointerButton, place: &Place<'_>, view: &View, said: &mut Vec<Pointer>) {
        let found = (place.find)(view, at);
        let depth = || found.map_or_else(|| view.at_focus(at.into(), sides(place.area)), |found| found.world);
        let held = match (button, found) {
            (PointerButton::Primary, Some(found)) => {
                said.push(Pointer::Press(found.touched, self.shift));
                self.over = true;
                Held::Paint
            }
            (PointerButton::Primary, None) => Held::Turn(view.at_focus(place.area.center().into(), sides(place.area))),
            (PointerButton::Middle, _) if !self.shift => Held::Turn(depth()),
            (PointerButton::Middle | PointerButton::Secondary, _) => Held::Move(depth()),
            _ => return,
        };
        if held != Held::Paint {
            self.hover(None, said);
        }
        self.held = Some((button, held));
    }

    fn drag(&self, held: Held, from: Pos2, to: Pos2, place: &Place<'_>, view: &mut View, said: &mut Vec<Pointer>) {
        match held {
            Held::Paint => {
                if let Some(found) = (place.find)(view, to) {
                    said.push(Pointer::Drag(found.touched, self.shift));
                }
            }
            Held::Turn(about) => {
                let share = (to - from) / place.area.height().max(1.0);
                view.orbit(&about, f64::from(share.x), f64::from(share.y));
            }
            Held::Move(grabbed) => view.pan(&grabbed, from.into(), to.into(), sides(place.area)),
        }
    }

    fn hover(&mut self, found: Option<Found>, said: &mut Vec<Pointer>) {
        match found {
            Some(found) => said.push(Pointer::Over(found.touched)),
            None if self.over => said.push(Pointer::Nowhere),
            None => {}
        }
        self.over = found.is_some();
    }
}

fn zoom(at: Pos2, factor: f64, place: &Place<'_>, view: &mut View) {
    let about = (place.find)(view, at).map_or_else(|| view.at_focus(at.into(), sides(place.area)), |found| found.world);
    view.zoom(&about, factor);
}

#[cfg(test)]
mod tests {
    use super::*;
    use egui::{Modifiers, TouchPhase, pos2, vec2};
    use stringline_core::Vec3;

    const AREA: Rect = Rect { min: pos2(300.0, 40.0), max: pos2(1200.0, 640.0) };

    /// A part in the middle 200 points of the view; a panel over its top left corner.
    struct Desk {
        mouse: Mouse,
        view: View,
    }

    impl Desk {
        fn new() -> Desk {
            Desk { mouse: Mouse::default(), view: View::default() }
        }

        fn send(&mut self, modifiers: Modifiers, events: &[Event]) -> Vec<Pointer> {
            let find = |view: &View, at: Pos2| {
                let world = view.at_focus(at.into(), sides(AREA));
                let touched = Touched { scan: 0, at: world, seen_from: Vec3::z_axis() };
                ((at - AREA.center()).length() < 100.0).then_some(Found { touched, world })
            };
            let covered = |at: Pos2| at.x < 400.0 && at.y < 100.0;
            let place = Place { area: AREA, covered: &covered, find: &find };
            let events = [&[Event::ModifiersChanged(modifiers)], events].concat();
            self.mouse.take(&events, &place, &mut self.view)
        }

        fn button(&mut self, at: Pos2, button: PointerButton, pressed: bool, modifiers: Modifiers) -> Vec<Pointer> {
            self.send(modifiers, &[Event::PointerButton { pos: at, button, pressed, modifiers }])
        }

        fn moved(&mut self, at: Pos2) -> Vec<Pointer> {
            self.send(Modifiers::NONE, &[Event::PointerMoved(at)])
        }
    }

    fn on_part() -> Pos2 {
        AREA.center()
    }

    const BESIDE: Pos2 = pos2(500.0, 500.0);
    const PANEL: Pos2 = pos2(350.0, 60.0);

    #[test]
    fn left_paints_on_a_part_and_wipes_with_shift() {
        let mut desk = Desk::new();
        for (modifiers, wiping) in [(Modifiers::NONE, false), (Modifiers::SHIFT, true)] {
            let said = desk.button(on_part(), PointerButton::Primary, true, modifiers);
            assert!(matches!(said[..], [Pointer::Press(_, wipes)] if wipes == wiping), "{said:?}");
            let said = desk.send(modifiers, &[Event::PointerMoved(on_part() + vec2(9.0, 0.0))]);
            assert!(matches!(said[..], [Pointer::Drag(_, wipes)] if wipes == wiping), "{said:?}");
            // Off the part nothing is painted, and the drag goes on.
            assert_eq!(desk.send(modifiers, &[Event::PointerMoved(BESIDE)]), []);
            let said = desk.button(BESIDE, PointerButton::Primary, false, modifiers);
            assert_eq!(said, [Pointer::Release, Pointer::Nowhere]);
        }
        assert_eq!(desk.view, View::default());
    }

    #[test]
    fn every_move_of_a_frame_paints() {
        let mut desk = Desk::new();
        desk.button(on_part(), PointerButton::Primary, true, Modifiers::NONE);
        let moves: Vec<Event> = (1..=5).map(|i| Event::PointerMoved(on_part() + vec2(i as f32, 0.0))).collect();
        assert_eq!(desk.send(Modifiers::NONE, &moves).len(), 5);
    }

    #[test]
    fn hovering_says_where_once_a_frame_and_when_it_ends() {
        let mut desk = Desk::new();
        let moves = [Event::PointerMoved(on_part()), Event::PointerMoved(on_part() + vec2(1.0, 0.0))];
        assert!(matches!(desk.send(Modifiers::NONE, &moves)[..], [Pointer::Over(_)]));
        assert_eq!(desk.moved(BESIDE), [Pointer::Nowhere]);
        assert_eq!(desk.moved(BESIDE + vec2(1.0, 0.0)), []);
        desk.moved(on_part());
        assert_eq!(desk.moved(PANEL), [Pointer::Nowhere]);
        desk.moved(on_part());
        assert_eq!(desk.send(Modifiers::NONE, &[Event::PointerGone]), [Pointer::Nowhere]);
    }

    #[test]
    fn drags_turn_or_move_the_view() {
        let cases = [
            (PointerButton::Primary, BESIDE, Modifiers::NONE, true),
            (PointerButton::Middle, on_part(), Modifiers::NONE, true),
            (PointerButton::Middle, on_part(), Modifiers::SHIFT, false),
            (PointerButton::Secondary, on_part(), Modifiers::NONE, false),
        ];
        for (button, at, modifiers, turns) in cases {
            let mut desk = Desk::new();
            let before = desk.view.clone();
            assert_eq!(desk.button(at, button, true, modifiers), []);
            assert!(desk.mouse.steers());
            desk.moved(at + vec2(60.0, 10.0));
            desk.button(at + vec2(60.0, 10.0), button, false, modifiers);
            assert!(!desk.mouse.steers());
            assert_ne!(desk.view, before, "{button:?}");
            let turned = desk.view.towards_eye().angle(&before.towards_eye()) > 0.1;
            assert_eq!(turned, turns, "{button:?} {modifiers:?}");
        }
    }

    #[test]
    fn the_wheel_zooms_in_when_turned_away_and_ctrl_gives_it_to_the_brush() {
        let wheel = |modifiers| Event::MouseWheel {
            unit: MouseWheelUnit::Line,
            delta: vec2(0.0, 1.0),
            phase: TouchPhase::Move,
            modifiers,
        };
        let mut desk = Desk::new();
        desk.moved(BESIDE);
        desk.send(Modifiers::NONE, &[wheel(Modifiers::NONE)]);
        assert!(desk.view.height() < View::default().height());
        let height = desk.view.height();
        assert_eq!(desk.send(Modifiers::CTRL, &[wheel(Modifiers::CTRL)]), [Pointer::Wheel(1.0)]);
        assert_eq!(desk.view.height(), height);
    }

    #[test]
    fn panels_keep_what_begins_on_them() {
        let mut desk = Desk::new();
        desk.moved(PANEL);
        for button in [PointerButton::Primary, PointerButton::Middle, PointerButton::Secondary] {
            assert_eq!(desk.button(PANEL, button, true, Modifiers::NONE), []);
            desk.moved(on_part());
            desk.button(on_part(), button, false, Modifiers::NONE);
        }
        assert_eq!(desk.view, View::default());
    }

    #[test]
    fn losing_the_window_ends_the_stroke() {
        let mut desk = Desk::new();
        desk.button(on_part(), PointerButton::Primary, true, Modifiers::NONE);
        assert_eq!(desk.send(Modifiers::NONE, &[Event::WindowFocused(false)]), [Pointer::Release]);
    }
}
