//! Fragments to colours: light, contact shadow, ink at the edges, marking blue and hatching.

use crate::colour::{CUT, HATCH, INSIDE, MARKING_BLUE, PAPER, Tint};
use crate::image::Rgb;
use crate::raster::{CutAway, Fragment, Fragments};
use rayon::prelude::*;
use stringline_core::colour::diverging;

/// Over the viewer's left shoulder: raking, so that machined faces stand off from castings.
const KEY: [f32; 3] = [-0.48, 0.62, 0.62];
/// Half way between the key light and the viewer.
const KEY_HALF: [f32; 3] = [-0.267, 0.345, 0.900];
const FILL: [f32; 3] = [0.80, 0.05, 0.60];
/// Directions in which contact shadow is looked for.
const TAPS: [[f32; 2]; 8] = [
    [1.0, 0.0],
    [0.707, 0.707],
    [0.0, 1.0],
    [-0.707, 0.707],
    [-1.0, 0.0],
    [-0.707, -0.707],
    [0.0, -1.0],
    [0.707, -0.707],
];

/// How surfaces are coloured.
pub(crate) struct Shading<'a> {
    /// Tints by layer.
    pub(crate) tints: &'a [Tint],
    /// The cutting plane, in samples.
    pub(crate) cut: Option<&'a CutAway>,
    /// Samples along each side of a pixel.
    pub(crate) supersampling: usize,
    /// Raster pixels of a sheet pixel: what is so many px wide on the sheet stays so.
    pub(crate) raster_scale: f32,
}

impl Shading<'_> {
    /// Colours an image whose pixels are squares of samples.
    pub(crate) fn image(&self, fragments: &Fragments) -> Rgb {
        let step = self.supersampling.max(1);
        let (width, height) = (fragments.width / step, fragments.height / step);
        let mut pixels = vec![PAPER; width * height];
        pixels.par_chunks_mut(width.max(1)).enumerate().for_each(|(row, line)| {
            for (column, pixel) in line.iter_mut().enumerate() {
                *pixel = self.pixel(fragments, column * step, row * step, step);
            }
        });
        Rgb { width, height, pixels }
    }

    fn pixel(&self, fragments: &Fragments, x: usize, y: usize, step: usize) -> [u8; 3] {
        let block = (0..step).flat_map(|j| (0..step).map(move |i| (x + i, y + j)));
        if block.clone().all(|(x, y)| fragments.at(x as i64, y as i64).surface.is_none()) {
            return PAPER;
        }
        let light = 1.0 - self.contact_shadow(fragments, x + step / 2, y + step / 2);
        let mut sum = [0.0_f32; 3];
        for (x, y) in block {
            let colour = self.sample(fragments, x, y, light);
            for (s, c) in sum.iter_mut().zip(colour) {
                *s += c;
            }
        }
        let count = (step * step) as f32;
        sum.map(|s| (s / count).round().clamp(0.0, 255.0) as u8)
    }

    fn sample(&self, fragments: &Fragments, x: usize, y: usize, light: f32) -> [f32; 3] {
        let here = fragments.at(x as i64, y as i64);
        if here.surface.is_none() {
            return PAPER.map(f32::from);
        }
        let ink = self.ink(fragments, &here, x, y);
        if here.surface.is_inside() && self.cut.is_some() {
            let pitch = 9.0 * self.supersampling as f32 * self.raster_scale;
            let across = (x as f32 + y as f32) * std::f32::consts::FRAC_1_SQRT_2;
            let on_line = across.rem_euclid(pitch) < 0.13 * pitch;
            return mixed(if on_line { HATCH } else { CUT }, [30.0, 34.0, 40.0], ink);
        }
        let base = if here.surface.is_painted() {
            MARKING_BLUE
        } else if let Some(value) = here.value.get() {
            diverging(value).map(f32::from)
        } else if here.surface.is_inside() {
            INSIDE
        } else {
            self.tints.get(here.surface.layer()).copied().unwrap_or_default().rgb()
        };
        let n = here.unit_normal();
        let key = dot(n, KEY).max(0.0);
        let fill = dot(n, FILL).max(0.0);
        let sky = 0.5 + 0.5 * n[1];
        // What is coloured keeps its form but may not sink into shadow: its colour must be told.
        let coloured = here.surface.is_painted() || here.value.get().is_some();
        let ambient = if coloured { 0.42 } else { 0.30 };
        let diffuse = (ambient + 0.10 * sky + 0.24 * fill) * light + 0.46 * key * (0.4 + 0.6 * light);
        let gloss = if here.surface.is_flat() { 0.0 } else { 0.20 * dot(n, KEY_HALF).max(0.0).powi(28) };
        // Shadows of metal are a little cool.
        let cool = [0.97, 0.99, 1.03];
        let mut colour = [0.0; 3];
        for i in 0..3 {
            let warmth = 1.0 + (cool[i] - 1.0) * (1.0 - diffuse).clamp(0.0, 1.0) * 2.0;
            colour[i] = base[i] * diffuse * 1.08 * warmth;
            colour[i] += (255.0 - colour[i]).max(0.0) * gloss;
        }
        mixed(colour, [30.0, 34.0, 40.0], ink)
    }

    /// How much of an edge line covers a sample, 0 to 1.
    fn ink(&self, fragments: &Fragments, here: &Fragment, x: usize, y: usize) -> f32 {
        let (x, y) = (x as i64, y as i64);
        let n = here.unit_normal();
        let reach = self.supersampling as f32 * self.raster_scale;
        let mut ink = 0.0_f32;
        for (dx, dy) in [(1, 0), (0, 1)] {
            let before = fragments.at(x - dx, y - dy);
            let after = fragments.at(x + dx, y + dy);
            for other in [before, after] {
                if other.surface.is_none() {
                    // The outline.
                    ink = ink.max(0.75);
                } else if other.surface.is_inside() != here.surface.is_inside() && self.cut.is_some() {
                    ink = ink.max(0.9);
                } else if !here.surface.is_flat() && !other.surface.is_flat() {
                    let m = other.unit_normal();
                    let crease = dot(n, m);
                    if crease < 0.80 {
                        ink = ink.max(0.34 * ((0.80 - crease) / 0.3).min(1.0));
                    }
                }
            }
            if !before.surface.is_none() && !after.surface.is_none() {
                // A slope cancels here; a step does not.
                let step = (before.height + after.height - 2.0 * here.height).abs();
                let slope = 1.0 / n[2].max(0.12);
                let threshold = 2.2 * reach * slope;
                if step > threshold {
                    ink = ink.max(0.6 * ((step - threshold) / (3.0 * reach)).min(1.0));
                }
            }
        }
        ink
    }

    /// The share of the sky that nearby surface hides, 0 to 1 (screen-space ambient occlusion).
    fn contact_shadow(&self, fragments: &Fragments, x: usize, y: usize) -> f32 {
        let here = fragments.at(x as i64, y as i64);
        if here.surface.is_none() {
            return 0.0;
        }
        let n = here.unit_normal();
        let nz = n[2].max(0.3);
        let unit = self.supersampling as f32 * self.raster_scale;
        let mut hidden = 0.0;
        for (ring, weight) in [(3.0_f32, 0.30), (8.0, 0.35), (20.0, 0.35)] {
            let distance = ring * unit;
            let mut ring_hidden = 0.0;
            for [dx, dy] in TAPS {
                let (right, down) = (dx * distance, dy * distance);
                let there = fragments.at(x as i64 + right as i64, y as i64 + down as i64);
                if there.surface.is_none() {
                    continue;
                }
                let tangent = here.height - (n[0] * right - n[1] * down) / nz;
                let rise = (there.height - tangent) / distance;
                // What stands far in front casts no contact shadow.
                ring_hidden += (rise - 0.08).clamp(0.0, 1.0) / (1.0 + 0.25 * rise.max(0.0).powi(2));
            }
            hidden += weight * ring_hidden / TAPS.len() as f32;
        }
        (1.5 * hidden).min(0.8)
    }
}

impl Fragments {
    /// The fragment at a sample; empty beyond the sheet.
    pub(crate) fn at(&self, x: i64, y: i64) -> Fragment {
        let (Ok(column), Ok(row)) = (usize::try_from(x), usize::try_from(y)) else {
            return Fragment::EMPTY;
        };
        if column >= self.width {
            return Fragment::EMPTY;
        }
        self.samples.get(row * self.width + column).copied().unwrap_or(Fragment::EMPTY)
    }
}

/// Puts cut material where the cutting plane is: through the cut one sees the far side of
/// the material from within, and its section lies before that.
pub(crate) fn raise_cut(fragments: &mut Fragments, cut: &CutAway) {
    let width = fragments.width;
    fragments.samples.par_chunks_mut(width.max(1)).enumerate().for_each(|(row, line)| {
        for (column, fragment) in line.iter_mut().enumerate() {
            if fragment.surface.is_inside()
                && let Some(height) = cut.height_at(column as f32 + 0.5, row as f32 + 0.5)
                && height > fragment.height
            {
                fragment.height = height;
                fragment.normal = [0, 0];
            }
        }
    });
}

fn dot(a: [f32; 3], b: [f32; 3]) -> f32 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn mixed(a: [f32; 3], b: [f32; 3], share: f32) -> [f32; 3] {
    [0, 1, 2].map(|i| a[i] + (b[i] - a[i]) * share)
}
