//! The colours of the scene.

use crate::scale::Rgb;
use crate::shown::LineMark;

/// What a theme gives the scene.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Palette {
    /// Behind the parts.
    pub background: Rgb,
    /// A part.
    pub metal: Rgb,
    /// The inside of its surface, and what is seen where it is cut.
    pub inside: Rgb,
    /// Hatching over that where it is cut.
    pub hatch: Rgb,
    /// Over the metal, and how much of it: painted, footprint, wiping, of a feature, of the chosen
    /// feature, too near to another body, in the order of their codes from 1.
    pub marks: [(Rgb, f32); 6],
}

/// The palette of a theme.
pub fn palette(dark: bool) -> Palette {
    // Marking blue, as brushed on metal before scribing.
    let blue = [28, 66, 186];
    // Vermilion of the variants' set for what is too near.
    let near = ([213, 94, 0], 0.9);
    let marks = [(blue, 0.88), ([92, 128, 236], 0.62), ([196, 120, 40], 0.72), (blue, 0.34), (blue, 0.62), near];
    if dark {
        Palette { background: [29, 32, 36], metal: [186, 188, 190], inside: [104, 98, 92], hatch: [70, 66, 62], marks }
    } else {
        Palette {
            background: [236, 236, 233],
            metal: [172, 174, 176],
            inside: [150, 140, 130],
            hatch: [112, 102, 92],
            marks,
        }
    }
}

/// The colour of a line, sRGB and opacity, and its width in logical points.
pub fn line(mark: LineMark, dark: bool) -> ([u8; 4], f32) {
    let on = |light: Rgb, on_dark: Rgb| {
        let [r, g, b] = if dark { on_dark } else { light };
        [r, g, b, 255]
    };
    match mark {
        LineMark::Live => (on([200, 60, 20], [255, 150, 90]), 2.0),
        LineMark::Feature => (on([60, 70, 96], [170, 184, 214]), 1.25),
        LineMark::Chosen => (on([14, 40, 140], [140, 176, 255]), 2.0),
        LineMark::Hardpoint => (on([20, 20, 24], [240, 240, 244]), 2.0),
        LineMark::Measure => (on([110, 30, 110], [230, 150, 230]), 1.5),
        LineMark::Link(variant) => {
            let [r, g, b] = crate::scale::variant(variant, dark);
            ([r, g, b, 255], 3.0)
        }
        LineMark::Ghost => (on([90, 92, 98], [160, 162, 168]), 1.5),
        LineMark::Construction => (on([92, 98, 120], [150, 160, 190]), 1.0),
        LineMark::Axis(axis) => {
            let [x, y, z] = crate::scale::axes(dark);
            let [r, g, b] = [x, y, z].get(usize::from(axis)).copied().unwrap_or(z);
            ([r, g, b, 255], 1.5)
        }
    }
}

/// sRGB to linear light (IEC 61966-2-1).
pub fn linear(colour: Rgb) -> [f32; 3] {
    colour.map(|c| {
        let c = f32::from(c) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scale::vik;

    #[test]
    fn vik_is_the_published_table() {
        let table = vik();
        assert_eq!(table.len(), 256);
        // First, last and a middle one as published.
        assert_eq!([table[0], table[255]], [[0, 18, 97], [89, 0, 8]]);
        let luminance = |c: Rgb| {
            let [r, g, b] = linear(c);
            0.2126 * r + 0.7152 * g + 0.0722 * b
        };
        let brightest = (0..256).max_by(|&a, &b| luminance(table[a]).total_cmp(&luminance(table[b]))).unwrap();
        assert!((120..136).contains(&brightest), "brightest at {brightest}");
    }
}
