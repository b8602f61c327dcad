//! Every action that has a key: what it is called, why one would, and the key.

use egui::{Key, KeyboardShortcut, Modifiers};

/// An action that has a key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Command {
    /// A new job.
    New,
    /// Opens a job.
    Open,
    /// Adds scan files.
    AddScan,
    /// Writes the job to its file.
    Save,
    /// Writes the job to another file.
    SaveAs,
    /// Writes the hardpoint set.
    Export,
    /// Writes a picture of the view.
    Picture,
    /// Goes back a step.
    Undo,
    /// Does the undone step again.
    Redo,
    /// Spreads the chosen patch over its surface.
    Grow,
    /// Lets go of the chosen feature, so that the next dab begins another.
    Finish,
    /// The next shape, from "by the evidence" on.
    NextShape,
    /// Holds the radius, or lets it go.
    Hold,
    /// Joins the chosen bore with the picked ones.
    Join,
    /// Goes to the words that say what it is for.
    Name,
    /// Goes to the name of the chosen feature, to type another.
    Rename,
    /// Picks the chosen feature for constructing and measuring.
    Pick,
    /// Leaves nothing picked.
    PickNone,
    /// Takes the chosen feature out.
    Remove,
    /// A wider brush.
    Wider,
    /// A narrower brush.
    Narrower,
    /// The brush wipes, or paints again.
    Wipe,
    /// How far the chosen feature's points lie off its shape.
    Residuals,
    /// How far a scan lies off another.
    GapMap,
    /// Cuts both scans of a gap map open.
    SectionLine,
    /// Folds all call-outs, or unfolds them.
    Fold,
    /// Everything in view.
    Fit,
    /// Square on to the chosen feature, or to the surface under the pointer.
    SquareOn,
    /// Without perspective, or with it.
    Parallel,
    /// Cuts the view through the chosen feature.
    Section,
    /// From the front.
    Front,
    /// From behind.
    Rear,
    /// From the left.
    Left,
    /// From the right.
    Right,
    /// From above.
    Top,
    /// From below.
    Under,
    /// Dark or light.
    Theme,
    /// The drawer.
    Drawer,
    /// This list.
    Keys,
    /// Settings.
    Settings,
    /// Moves the wheels or the rack to and fro, or stops.
    Play,
    /// Back to rest.
    Rest,
    /// Wheels up.
    Rise,
    /// Wheels down.
    Fall,
    /// Rack to the left.
    RackLeft,
    /// Rack to the right.
    RackRight,
    /// Curves over travel, or over the rack.
    Over,
    /// The next measure.
    NextCurve,
    /// The measure before.
    LastCurve,
    /// The other corner.
    OtherSide,
    /// Takes the next variant in hand.
    NextVariant,
    /// Begins a variant on the one in hand.
    NewVariant,
    /// Takes the next hardpoint in hand.
    NextPoint,
    /// The next axis to move along.
    NextAxis,
    /// The hardpoint further along the axis.
    Further,
    /// The hardpoint back along the axis.
    Nearer,
    /// Works out least bump steer.
    LeastBumpSteer,
    /// Takes the moves offered.
    TakeOffer,
    /// Lays a scan on another by the surface they share.
    Lay,
    /// Picks the same points on two scans.
    PickPoints,
    /// Draws what is left of the mates.
    Arrows,
    /// Sweeps lock and travel.
    Sweep,
    /// Marks what of a body must go.
    CutHere,
    /// Writes pictures of every lock.
    Frames,
    /// Along the route.
    StopScans,
    /// Along the route.
    StopFeatures,
    /// Along the route.
    StopFrame,
    /// Along the route.
    StopGeometry,
    /// Along the route.
    StopClearance,
    /// Along the route.
    StopCut,
}

use Command as C;

impl Command {
    /// All, in the order of the list of keys.
    pub const ALL: [Command; 70] = [
        C::New,
        C::Open,
        C::AddScan,
        C::Save,
        C::SaveAs,
        C::Export,
        C::Picture,
        C::Undo,
        C::Redo,
        C::StopScans,
        C::StopFeatures,
        C::StopFrame,
        C::StopGeometry,
        C::StopClearance,
        C::StopCut,
        C::Wider,
        C::Narrower,
        C::Wipe,
        C::Grow,
        C::NextShape,
        C::Hold,
        C::Join,
        C::Name,
        C::Rename,
        C::Finish,
        C::Remove,
        C::Pick,
        C::PickNone,
        C::Residuals,
        C::GapMap,
        C::SectionLine,
        C::Fold,
        C::Fit,
        C::SquareOn,
        C::Parallel,
        C::Section,
        C::Front,
        C::Rear,
        C::Left,
        C::Right,
        C::Top,
        C::Under,
        C::Play,
        C::Rest,
        C::Rise,
        C::Fall,
        C::RackLeft,
        C::RackRight,
        C::Over,
        C::NextCurve,
        C::LastCurve,
        C::OtherSide,
        C::NextVariant,
        C::NewVariant,
        C::NextPoint,
        C::NextAxis,
        C::Further,
        C::Nearer,
        C::LeastBumpSteer,
        C::TakeOffer,
        C::Lay,
        C::PickPoints,
        C::Arrows,
        C::Sweep,
        C::CutHere,
        C::Frames,
        C::Theme,
        C::Drawer,
        C::Keys,
        C::Settings,
    ];

    /// What it is called, and what for.
    fn text(self) -> (&'static str, &'static str) {
        match self {
            C::New => ("New job", "Begin with nothing. The job that is open is kept."),
            C::Open => ("Open", "Open a job that was saved."),
            C::AddScan => ("Add scans", "Take scan files into the job: PLY, STL, OBJ, XYZ, E57 or 3MF."),
            C::Save => ("Save", "Write the job to its file. What was saved before stays beside it."),
            C::SaveAs => ("Save as", "Write the job to another file and go on in that one."),
            C::Export => ("Export", "Write the hardpoints for design: JSON, STEP, DXF or CSV."),
            C::Picture => ("Picture", "Write what the view shows as a PNG."),
            C::Undo => ("Undo", "Take the last step back. There is no end to how far."),
            C::Redo => ("Redo", "Do the step again that was taken back."),
            C::Grow => (
                "Grow",
                "Spread the patch from its dabs over the same surface, up to the fillets: a longer, surer axis.",
            ),
            C::Finish => ("Done", "Let go of this feature. The next dab begins another."),
            C::NextShape => ("Next", "Say which shape it is, where the evidence does not decide or you know better."),
            C::Hold => {
                ("Hold radius", "Fix the radius at what it is now, or at what you type: a reamed bore, a known pin.")
            }
            C::Join => ("Join", "Fit this bore and the picked ones on one axis, as both bushes of an arm are."),
            C::Name => {
                ("What it is for", "Type a word of what it is for: hub, tie rod … Enter takes the first that fits.")
            }
            C::Rename => ("Rename", "Type another name for this feature. Whatever speaks of it follows."),
            C::Pick => ("Pick", "Take this for constructing or measuring. Pick two or three."),
            C::PickNone => ("Pick none", "Leave nothing picked, and put away what is open."),
            C::Remove => ("Remove", "Take the chosen feature out of the job."),
            C::Wider => ("Wider brush", "Paint more at a touch."),
            C::Narrower => ("Narrower brush", "Paint less at a touch, to stay clear of edges."),
            C::Wipe => ("Wipe", "Let the brush take paint away. Holding Shift does the same for a moment."),
            C::Residuals => ("Deviations", "Colour the patch by how far each point lies off the shape."),
            C::GapMap => {
                ("Gap map", "Colour one scan by how far it lies off another: plus outside it, minus within it.")
            }
            C::SectionLine => (
                "Section line",
                "Cut both scans of the gap map open through the place under the pointer, and draw both outlines below.",
            ),
            C::Fold => ("Fold call-outs", "Show only names beside the features, or everything again."),
            C::Fit => ("All in view", "Bring everything that is shown into view."),
            C::SquareOn => ("Square on", "Look straight at the chosen feature, or at the surface under the pointer."),
            C::Parallel => ("Parallel view", "Draw without perspective, so that equal lengths look equal."),
            C::Section => ("Section", "Cut the view open through the chosen feature, to look into a bore."),
            C::Front => ("From the front", "Look from the front of the car."),
            C::Rear => ("From behind", "Look from behind the car."),
            C::Left => ("From the left", "Look from the car's left."),
            C::Right => ("From the right", "Look from the car's right."),
            C::Top => ("From above", "Look down on the car."),
            C::Under => ("From below", "Look up from the ground."),
            C::Play => ("Play", "Let the wheels travel, or the rack or the lock go from end to end, to and fro."),
            C::Rest => ("At rest", "Wheels at ride height, rack centred."),
            C::Rise => ("Wheels up", "Both wheels 1 mm up."),
            C::Fall => ("Wheels down", "Both wheels 1 mm down."),
            C::RackLeft => ("Rack left", "The rack 1 mm to the left of the car."),
            C::RackRight => ("Rack right", "The rack 1 mm to the right of the car."),
            C::Over => ("Over travel or rack", "Draw the curves over wheel travel, or over rack travel."),
            C::NextCurve => ("Next curve", "Draw the next measure."),
            C::LastCurve => ("Curve before", "Draw the measure before."),
            C::OtherSide => ("Other side", "Look at the other corner's numbers."),
            C::NextVariant => ("Next variant", "Take the next variant in hand."),
            C::NewVariant => ("New variant", "Begin a variant on top of the one in hand, to move things in."),
            C::NextPoint => ("Next hardpoint", "Take the next hardpoint in hand, to move it."),
            C::NextAxis => ("Next axis", "Move along the next of the car's axes: x forward, y to the left, z up."),
            C::Further => ("Further", "The hardpoint in hand 0.1 mm along the axis."),
            C::Nearer => ("Back", "The hardpoint in hand 0.1 mm back along the axis."),
            C::LeastBumpSteer => {
                ("Least bump steer", "Work out where the tie rod's end must be for the least bump steer.")
            }
            C::TakeOffer => ("Take it", "Take the moves that were worked out into the variant."),
            C::Lay => {
                ("Lay by surface", "Lay one scan on the other by the surface that both saw, from where it stands now.")
            }
            C::PickPoints => {
                ("Pick points", "Click the same places on both scans, three or more, to lay one on the other.")
            }
            C::Arrows => ("Arrows", "Draw what is left of every mate as an arrow, fifty times as long."),
            C::Sweep => {
                ("Sweep", "Turn the wheel through every lock and travel, in every variant, and find every gap.")
            }
            C::CutHere => (
                "Cut here",
                "Colour what of the body that comes nearest must go to keep the wanted gap over all locks and travels, by depth.",
            ),
            C::Frames => {
                ("Write frames", "Write a picture of every lock at this travel, to be made into a moving one.")
            }
            C::Theme => ("Light or dark", "Change between light and dark."),
            C::Drawer => ("Drawer", "All steps, numbers and curves, below."),
            C::Keys => ("Keys", "Every key and what the mouse does."),
            C::Settings => ("Settings", "Size of the text, light or dark."),
            C::StopScans => ("Scans", "The scan files of the job."),
            C::StopFeatures => ("Features", "Paint bores, seats and faces, and say what they are for."),
            C::StopFrame => ("Car frame", "Where each scan stands in the car, and one scan laid over another."),
            C::StopGeometry => ("Geometry", "How the corner moves, and what moving a hardpoint does to it."),
            C::StopClearance => ("Clearance", "What comes near what as it moves."),
            C::StopCut => ("Cut files", "Plates and spacers to cut."),
        }
    }

    /// What it is called.
    pub fn words(self) -> &'static str {
        self.text().0
    }

    /// What one does it for.
    pub fn why(self) -> &'static str {
        self.text().1
    }

    /// Its key.
    pub fn key(self) -> KeyboardShortcut {
        let (modifiers, key) = match self {
            C::New => (Modifiers::COMMAND, Key::N),
            C::Open => (Modifiers::COMMAND, Key::O),
            C::AddScan => (Modifiers::NONE, Key::A),
            C::Save => (Modifiers::COMMAND, Key::S),
            C::SaveAs => (Modifiers::COMMAND.plus(Modifiers::SHIFT), Key::S),
            C::Export => (Modifiers::COMMAND, Key::E),
            C::Picture => (Modifiers::COMMAND, Key::P),
            C::Undo => (Modifiers::COMMAND, Key::Z),
            C::Redo => (Modifiers::COMMAND, Key::Y),
            C::Grow => (Modifiers::NONE, Key::G),
            C::Finish => (Modifiers::NONE, Key::Enter),
            C::NextShape => (Modifiers::NONE, Key::N),
            C::Hold => (Modifiers::NONE, Key::H),
            C::Join => (Modifiers::NONE, Key::J),
            C::Name => (Modifiers::NONE, Key::R),
            C::Rename => (Modifiers::SHIFT, Key::N),
            C::Pick => (Modifiers::NONE, Key::Space),
            C::PickNone => (Modifiers::NONE, Key::Escape),
            C::Remove => (Modifiers::NONE, Key::Delete),
            C::Wider => (Modifiers::NONE, Key::Plus),
            C::Narrower => (Modifiers::NONE, Key::Minus),
            C::Wipe => (Modifiers::NONE, Key::W),
            C::Residuals => (Modifiers::NONE, Key::M),
            C::GapMap => (Modifiers::NONE, Key::E),
            C::SectionLine => (Modifiers::SHIFT, Key::X),
            C::Fold => (Modifiers::NONE, Key::O),
            C::Fit => (Modifiers::NONE, Key::Home),
            C::SquareOn => (Modifiers::NONE, Key::Q),
            C::Parallel => (Modifiers::NONE, Key::P),
            C::Section => (Modifiers::NONE, Key::C),
            C::Front => (Modifiers::SHIFT, Key::F),
            C::Rear => (Modifiers::SHIFT, Key::B),
            C::Left => (Modifiers::SHIFT, Key::L),
            C::Right => (Modifiers::SHIFT, Key::R),
            C::Top => (Modifiers::SHIFT, Key::T),
            C::Under => (Modifiers::SHIFT, Key::U),
            C::Play => (Modifiers::NONE, Key::K),
            C::Rest => (Modifiers::NONE, Key::Num0),
            C::Rise => (Modifiers::NONE, Key::ArrowUp),
            C::Fall => (Modifiers::NONE, Key::ArrowDown),
            C::RackLeft => (Modifiers::NONE, Key::ArrowLeft),
            C::RackRight => (Modifiers::NONE, Key::ArrowRight),
            C::Over => (Modifiers::NONE, Key::T),
            C::NextCurve => (Modifiers::NONE, Key::F),
            C::LastCurve => (Modifiers::NONE, Key::B),
            C::OtherSide => (Modifiers::NONE, Key::S),
            C::NextVariant => (Modifiers::NONE, Key::V),
            C::NewVariant => (Modifiers::SHIFT, Key::V),
            C::NextPoint => (Modifiers::NONE, Key::U),
            C::NextAxis => (Modifiers::NONE, Key::X),
            C::Further => (Modifiers::NONE, Key::Period),
            C::Nearer => (Modifiers::NONE, Key::Comma),
            C::LeastBumpSteer => (Modifiers::NONE, Key::I),
            C::TakeOffer => (Modifiers::NONE, Key::Y),
            C::Lay => (Modifiers::SHIFT, Key::S),
            C::PickPoints => (Modifiers::SHIFT, Key::D),
            C::Arrows => (Modifiers::SHIFT, Key::A),
            C::Sweep => (Modifiers::NONE, Key::Z),
            C::CutHere => (Modifiers::SHIFT, Key::C),
            C::Frames => (Modifiers::SHIFT, Key::P),
            C::Theme => (Modifiers::NONE, Key::L),
            C::Drawer => (Modifiers::NONE, Key::D),
            C::Keys => (Modifiers::NONE, Key::F1),
            C::Settings => (Modifiers::NONE, Key::F2),
            C::StopScans => (Modifiers::NONE, Key::Num1),
            C::StopFeatures => (Modifiers::NONE, Key::Num2),
            C::StopFrame => (Modifiers::NONE, Key::Num3),
            C::StopGeometry => (Modifiers::NONE, Key::Num4),
            C::StopClearance => (Modifiers::NONE, Key::Num5),
            C::StopCut => (Modifiers::NONE, Key::Num6),
        };
        KeyboardShortcut::new(modifiers, key)
    }

    /// The key as it is written beside the action.
    pub fn key_words(self) -> String {
        let KeyboardShortcut { modifiers, logical_key } = self.key();
        let mut words = String::new();
        if modifiers.command {
            words.push_str(if cfg!(target_os = "macos") { "Cmd+" } else { "Ctrl+" });
        }
        if modifiers.shift {
            words.push_str("Shift+");
        }
        words.push_str(match logical_key {
            Key::Plus => "+",
            Key::Minus => "−",
            Key::Comma => ",",
            Key::Period => ".",
            Key::Escape => "Esc",
            Key::Delete => "Del",
            key => key.name(),
        });
        words
    }

    /// What it does and its key, for a tooltip.
    pub fn tip(self) -> String {
        format!("{}\nKey: {}", self.why(), self.key_words())
    }

    /// The command whose key was pressed, if one was.
    pub(crate) fn pressed(ctx: &egui::Context) -> Option<Command> {
        let typing = ctx.text_edit_focused();
        let focused = ctx.memory(|memory| memory.focused().is_some());
        ctx.input_mut(|input| {
            let mut found = None;
            input.events.retain(|event| {
                let egui::Event::Key { key, pressed: true, modifiers, .. } = event else {
                    return true;
                };
                let is = |command: &Command| {
                    let shortcut = command.key();
                    // Plus and minus stand on different keys on different keyboards, some of them shifted.
                    let sign = matches!(shortcut.logical_key, Key::Plus | Key::Minus);
                    let same = *key == shortcut.logical_key || sign && *key == Key::Equals && *command == C::Wider;
                    let wanted = shortcut.modifiers;
                    same && wanted.command == modifiers.command
                        && !modifiers.alt
                        && (sign || wanted.shift == modifiers.shift)
                };
                let Some(command) = Command::ALL.into_iter().find(is) else {
                    return true;
                };
                // Undo is the text's own while one types.
                let text = matches!(command, C::Undo | C::Redo);
                let plain = text || !command.key().modifiers.command && !matches!(command, C::Keys | C::Settings);
                // Letters belong to the text being typed; Enter, Space and arrows to a widget reached by Tab.
                let arrow = matches!(command, C::Rise | C::Fall | C::RackLeft | C::RackRight);
                let to_widget = (arrow || matches!(command, C::Finish | C::Pick)) && focused;
                if plain && typing || to_widget || found.is_some() {
                    return true;
                }
                found = Some(command);
                false
            });
            found
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn no_key_and_no_name_stands_for_two_things() {
        let keys: BTreeSet<String> = Command::ALL.iter().map(|c| c.key_words()).collect();
        let names: BTreeSet<&str> = Command::ALL.iter().map(|c| c.words()).collect();
        let all: BTreeSet<Command> = Command::ALL.into_iter().collect();
        assert_eq!((keys.len(), names.len(), all.len()), (70, 70, 70));
    }
}
