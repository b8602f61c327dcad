//! The palette: paper, ink, marking blue and vermilion, and the tints of scans.
//!
//! Blue and vermilion are the pair of Okabe and Ito's colour-universal set (2008, *from
//! memory*) that red-green colour blindness separates best; the tints differ in lightness
//! too, and nothing is told by colour alone.

/// The sheet.
pub(crate) const PAPER: [u8; 3] = [250, 249, 245];
/// Lines and text.
pub(crate) const INK: &str = "#1f262d";
/// Secondary text.
pub(crate) const SOFT_INK: &str = "#5b636b";
/// The sheet, as SVG writes it.
pub(crate) const PAPER_HEX: &str = "#faf9f5";
/// Hardpoints.
pub(crate) const VERMILION: &str = "#b84300";
/// Painted patches.
pub(crate) const MARKING_BLUE: [f32; 3] = [44.0, 104.0, 184.0];
/// Surface seen from inside the material, as through a hole in a scan.
pub(crate) const INSIDE: [f32; 3] = [128.0, 122.0, 116.0];
/// Cut material, between its hatching lines.
pub(crate) const CUT: [f32; 3] = [238.0, 232.0, 218.0];
/// The hatching of cut material.
pub(crate) const HATCH: [f32; 3] = [96.0, 92.0, 86.0];

/// The colour of a scan's bare surface.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Tint {
    /// Bare casting, a warm grey.
    #[default]
    Iron,
    /// Pale ochre.
    Ochre,
    /// Grey green.
    Sage,
    /// Dark slate.
    Slate,
}

impl Tint {
    /// sRGB, 0 to 255, in full light.
    pub(crate) fn rgb(self) -> [f32; 3] {
        match self {
            Tint::Iron => [196.0, 193.0, 187.0],
            Tint::Ochre => [214.0, 190.0, 144.0],
            Tint::Sage => [174.0, 194.0, 178.0],
            Tint::Slate => [128.0, 136.0, 146.0],
        }
    }
}
