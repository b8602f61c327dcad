//! The form symbols of ISO 1101, drawn as paths because few fonts have them.

/// A symbol of ISO 1101:2017, table 1, for the form a feature is held to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FormSymbol {
    /// A line.
    Straightness,
    /// A parallelogram.
    Flatness,
    /// A circle.
    Roundness,
    /// A circle between two slanting lines.
    Cylindricity,
    /// A half disc's outline: the form of a cone, a sphere or any surface.
    SurfaceProfile,
}

impl FormSymbol {
    /// SVG path data in a box one unit high, the base line at y = 0 and up negative.
    pub(crate) fn path(self) -> &'static str {
        match self {
            FormSymbol::Straightness => "M0,-0.4H1.2",
            FormSymbol::Flatness => "M0,0L0.4,-0.75H1.4L1,0Z",
            FormSymbol::Roundness => "M0.1,-0.4a0.4,0.4 0 1 0 0.8,0a0.4,0.4 0 1 0 -0.8,0Z",
            FormSymbol::Cylindricity => {
                "M0,0L0.42,-0.84M0.9,0L1.32,-0.84M0.26,-0.42a0.4,0.4 0 1 0 0.8,0a0.4,0.4 0 1 0 -0.8,0Z"
            }
            FormSymbol::SurfaceProfile => "M0,-0.1A0.6,0.6 0 0 1 1.2,-0.1Z",
        }
    }

    /// Width of the drawn symbol, in its height units.
    pub(crate) fn width(self) -> f64 {
        match self {
            FormSymbol::Straightness | FormSymbol::SurfaceProfile => 1.2,
            FormSymbol::Flatness => 1.4,
            FormSymbol::Roundness => 1.0,
            FormSymbol::Cylindricity => 1.32,
        }
    }

    /// The word, for readers that cannot see the symbol.
    pub fn word(self) -> &'static str {
        match self {
            FormSymbol::Straightness => "straightness",
            FormSymbol::Flatness => "flatness",
            FormSymbol::Roundness => "roundness",
            FormSymbol::Cylindricity => "cylindricity",
            FormSymbol::SurfaceProfile => "profile of a surface",
        }
    }
}
