//! An image as a small PNG: at most 256 colours, chosen from the image by median cut
//! (Heckbert, *Color image quantization for frame buffer display*, 1982).

use rayon::prelude::*;
use std::io::Cursor;

/// 8-bit sRGB pixels in rows from the top.
#[derive(Debug)]
pub(crate) struct Rgb {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) pixels: Vec<[u8; 3]>,
}

impl Rgb {
    /// The image as an indexed PNG.
    pub(crate) fn png(&self) -> Result<Vec<u8>, png::EncodingError> {
        let (palette, indices) = self.quantised();
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(
            Cursor::new(&mut bytes),
            u32::try_from(self.width).unwrap_or(u32::MAX),
            u32::try_from(self.height).unwrap_or(u32::MAX),
        );
        encoder.set_color(png::ColorType::Indexed);
        encoder.set_depth(png::BitDepth::Eight);
        encoder.set_palette(palette.concat());
        encoder.set_compression(png::Compression::High);
        let mut writer = encoder.write_header()?;
        writer.write_image_data(&indices)?;
        writer.finish()?;
        Ok(bytes)
    }

    /// A palette, darkest first, and each pixel's place in it.
    fn quantised(&self) -> (Vec<[u8; 3]>, Vec<u8>) {
        let mut sorted = self.pixels.clone();
        sorted.par_sort_unstable();
        let used: Vec<Used> = sorted
            .chunk_by(|a, b| a == b)
            .filter_map(|run| run.first().map(|&colour| Used { colour, count: run.len() as u64 }))
            .collect();
        let colours: Vec<[u8; 3]> = used.iter().map(|u| u.colour).collect();
        let mut palette: Vec<([u8; 3], Vec<Used>)> =
            median_cut(used, 256).into_iter().map(|members| (mean(&members), members)).collect();
        // Similar indices for similar colours: runs compress.
        palette.sort_by_key(|([r, g, b], members)| {
            (2 * u32::from(*r) + 5 * u32::from(*g) + u32::from(*b), members.first().map(|m| m.colour))
        });
        let mut place = vec![0_u8; colours.len()];
        for (index, (_, members)) in palette.iter().enumerate() {
            for member in members {
                if let Ok(at) = colours.binary_search(&member.colour) {
                    place[at] = index as u8;
                }
            }
        }
        let indices = self
            .pixels
            .par_iter()
            .map(|pixel| colours.binary_search(pixel).ok().and_then(|at| place.get(at).copied()).unwrap_or(0))
            .collect();
        (palette.into_iter().map(|(c, _)| c).collect(), indices)
    }
}

/// A colour of the image and how many pixels have it.
#[derive(Clone, Copy, Debug)]
struct Used {
    colour: [u8; 3],
    count: u64,
}

fn mean(members: &[Used]) -> [u8; 3] {
    let total: u64 = members.iter().map(|m| m.count).sum::<u64>().max(1);
    [0, 1, 2].map(|i| {
        let sum: u64 = members.iter().map(|m| m.count * u64::from(m.colour[i])).sum();
        ((sum + total / 2) / total) as u8
    })
}

/// The channel in which colours spread most, and how far.
fn widest(members: &[Used]) -> (usize, u8) {
    [0, 1, 2]
        .map(|i| {
            let low = members.iter().map(|m| m.colour[i]).min().unwrap_or(0);
            let high = members.iter().map(|m| m.colour[i]).max().unwrap_or(0);
            (i, high - low)
        })
        .into_iter()
        .fold((0, 0), |best, next| if next.1 > best.1 { next } else { best })
}

fn median_cut(all: Vec<Used>, limit: usize) -> Vec<Vec<Used>> {
    if all.is_empty() {
        return Vec::new();
    }
    let mut boxes = vec![all];
    while boxes.len() < limit {
        // Spread counts for more than number: the eye sees a wrong colour before a frequent one.
        let choice = boxes
            .iter()
            .enumerate()
            .filter(|(_, members)| members.len() > 1)
            .map(|(i, members)| {
                let number: u64 = members.iter().map(|m| m.count).sum();
                (i, f32::from(widest(members).1) * (number as f32).powf(0.25))
            })
            .fold(None, |best: Option<(usize, f32)>, next| match best {
                Some(b) if b.1 >= next.1 => Some(b),
                _ => Some(next),
            });
        let Some((index, _)) = choice else { break };
        let mut members = boxes.swap_remove(index);
        let (channel, _) = widest(&members);
        members.sort_by_key(|m| (m.colour[channel], m.colour));
        let half = members.iter().map(|m| m.count).sum::<u64>() / 2;
        let mut below = 0;
        let mut cut = 0;
        for member in &members {
            if cut > 0 && below + member.count > half {
                break;
            }
            below += member.count;
            cut += 1;
        }
        let cut = cut.clamp(1, members.len() - 1);
        let upper = members.split_off(cut);
        boxes.push(members);
        boxes.push(upper);
    }
    boxes
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_colours_survive_exactly() {
        let colours = [[250, 249, 245], [44, 104, 184], [0, 0, 0], [196, 193, 187]];
        let image = Rgb { width: 2, height: 2, pixels: colours.to_vec() };
        let (palette, indices) = image.quantised();
        for (pixel, index) in colours.iter().zip(&indices) {
            assert_eq!(*pixel, palette[usize::from(*index)]);
        }
    }

    #[test]
    fn a_ramp_keeps_its_order_and_its_steps() {
        let image = Rgb { width: 256, height: 1, pixels: (0..=255_u8).map(|v| [v, v, v / 2]).collect() };
        let (palette, indices) = image.quantised();
        assert!(indices.windows(2).all(|w| w[0] <= w[1]));
        for (v, &index) in indices.iter().enumerate() {
            assert_eq!(usize::from(palette[usize::from(index)][0]), v);
        }
    }
}
