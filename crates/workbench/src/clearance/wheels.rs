//! Wheels as bodies: by their sizes, or by a drawn section from a file.

use crate::bench::Workbench;
use crate::state::Purpose;
use crate::words::Trouble;
use crate::work::Done;
use std::path::PathBuf;
use stringline_clearance::{Wheel, read_section};
use stringline_hardpoints::Side;
use stringline_job::{BodyShape, BodySpec, Name, Op, WheelSpec, io_next_step};
use stringline_kinematics::Link;

/// A body as it begins.
pub(crate) fn new_body(shape: BodyShape, moves_with: Link, side: Side) -> BodySpec {
    BodySpec {
        shape,
        moves_with,
        side,
        variants: Vec::new(),
        drawn_in: None,
        made_within: None,
        extra: Default::default(),
    }
}

/// A wheel by the sizes of the car.
pub(crate) fn sized() -> WheelSpec {
    WheelSpec {
        tyre: None,
        rim_width: None,
        offset: None,
        new: false,
        bulge: 0.0,
        section: Vec::new(),
        extra: Default::default(),
    }
}

/// That wheel at both corners.
pub(crate) fn new_wheels(wheel: &WheelSpec) -> Vec<Op> {
    let at = |side: Side| {
        let name: Name = format!("wheel {}", side.name()).parse().ok()?;
        let body = Box::new(new_body(BodyShape::Wheel(wheel.clone()), Link::Knuckle, side));
        Some(Op::SetBody { name, body })
    };
    [Side::Left, Side::Right].into_iter().filter_map(at).collect()
}

impl Workbench {
    /// Asks for the file with the drawn section of a wheel; of new ones at both corners where none is named.
    pub(crate) fn ask_for_section(&mut self, wheel: Option<Name>) {
        self.state.clearance.drawn_for = wheel;
        self.act(crate::panels::Action::Ask(Purpose::Section));
    }

    /// Reads that file.
    pub(crate) fn read_drawn(&mut self, path: PathBuf) {
        let wheel = self.state.clearance.drawn_for.take();
        self.begin(format!("Reading {}", path.display()), move |_, _| {
            let at = |trouble: Trouble| Trouble::new(format!("{}: {}", path.display(), trouble.what), trouble.next);
            let bytes = match std::fs::read(&path) {
                Ok(bytes) => bytes,
                Err(cause) => {
                    let what = format!("cannot read {}: {cause}", path.display());
                    return Done::Failed(Trouble::new(what, io_next_step(&cause, "read")));
                }
            };
            let section = match read_section(&bytes) {
                Ok(section) => section,
                Err(error) => return Done::Failed(at(Trouble::of(&error))),
            };
            // What makes no wheel is told here, not at the next sweep.
            match Wheel::from_profile(&section) {
                Ok(_) => Done::Drawn(wheel, section),
                Err(error) => Done::Failed(at(Trouble::of(&error))),
            }
        });
    }

    /// A section was read.
    pub(crate) fn take_drawn(&mut self, wheel: Option<Name>, section: Vec<[f64; 2]>) {
        let Some(name) = wheel else {
            self.apply(new_wheels(&WheelSpec { section, ..sized() }));
            return;
        };
        let known = self.state.job().and_then(|job| job.bodies.get(&name));
        let Some(mut body) = known.map(|body| BodySpec::clone(body)) else { return };
        if let BodyShape::Wheel(wheel) = &mut body.shape {
            wheel.section = section;
            self.apply(vec![Op::SetBody { name, body: Box::new(body) }]);
        }
    }
}
