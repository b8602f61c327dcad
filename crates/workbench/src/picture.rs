//! Pictures of the view as PNG files.

use bevy::image::Image;
use bevy::render::render_resource::TextureFormat;
use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

/// Saves a part of a captured screen (pixels), without its opacity.
pub(crate) fn save(screen: &Image, part: egui::Rect, path: &Path) -> Result<(), String> {
    let (width, height) = (screen.width(), screen.height());
    let pixels = screen.data.as_deref().ok_or("the picture came back empty")?;
    let swapped = match screen.texture_descriptor.format {
        TextureFormat::Rgba8UnormSrgb | TextureFormat::Rgba8Unorm => false,
        TextureFormat::Bgra8UnormSrgb | TextureFormat::Bgra8Unorm => true,
        other => return Err(format!("the screen's picture format ({other:?}) cannot be saved")),
    };
    let clamp = |at: f32, limit: u32| (at.round().max(0.0) as u32).min(limit);
    let (left, right) = (clamp(part.left(), width), clamp(part.right(), width));
    let (top, bottom) = (clamp(part.top(), height), clamp(part.bottom(), height));
    if left >= right || top >= bottom || pixels.len() < (width * height * 4) as usize {
        return Err("the view is too small for a picture".into());
    }
    let row = |y: u32| &pixels[(y * width + left) as usize * 4..(y * width + right) as usize * 4];
    let mut cut: Vec<u8> = (top..bottom).flat_map(row).copied().collect();
    if swapped {
        cut.chunks_exact_mut(4).for_each(|p| p.swap(0, 2));
    }
    write_png(path, [right - left, bottom - top], &cut)
}

/// Writes 8-bit sRGB pixels with opacity, which is left out.
pub(crate) fn write_png(path: &Path, size: [u32; 2], pixels: &[u8]) -> Result<(), String> {
    let said = |e: &dyn std::fmt::Display| format!("{} cannot be written: {e}", path.display());
    let file = File::create(path).map_err(|e| said(&e))?;
    let mut encoder = png::Encoder::new(BufWriter::new(file), size[0], size[1]);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_source_srgb(png::SrgbRenderingIntent::Perceptual);
    let opaque: Vec<u8> = pixels.chunks_exact(4).flat_map(|p| [p[0], p[1], p[2]]).collect();
    let mut writer = encoder.write_header().map_err(|e| said(&e))?;
    writer.write_image_data(&opaque).map_err(|e| said(&e))?;
    writer.finish().map_err(|e| said(&e))
}
