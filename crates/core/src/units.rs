//! Units a file may be in. Inside there are only millimetres.

use serde::{Deserialize, Serialize};

/// The length unit of a file's coordinates.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum LengthUnit {
    /// 1 mm.
    Millimetre,
    /// 1000 mm.
    Metre,
    /// 25.4 mm exactly.
    Inch,
    /// 0.001 mm.
    Micrometre,
    /// 10 mm.
    Centimetre,
    /// 304.8 mm exactly.
    Foot,
}

impl LengthUnit {
    /// Millimetres in one of this unit.
    pub fn in_millimetres(self) -> f64 {
        match self {
            LengthUnit::Millimetre => 1.0,
            LengthUnit::Metre => 1000.0,
            LengthUnit::Inch => 25.4,
            LengthUnit::Micrometre => 0.001,
            LengthUnit::Centimetre => 10.0,
            LengthUnit::Foot => 304.8,
        }
    }

    /// The unit's symbol.
    pub fn symbol(self) -> &'static str {
        match self {
            LengthUnit::Millimetre => "mm",
            LengthUnit::Metre => "m",
            LengthUnit::Inch => "in",
            LengthUnit::Micrometre => "µm",
            LengthUnit::Centimetre => "cm",
            LengthUnit::Foot => "ft",
        }
    }
}

impl std::fmt::Display for LengthUnit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.symbol())
    }
}
