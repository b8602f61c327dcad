// The scans' picture, drawn small because the card is slow and the view moves, over the window.

@group(0) @binding(0) var small: texture_2d<f32>;
@group(0) @binding(1) var smooth_sampler: sampler;
// How many pixels of the window one of the picture stands for.
@group(0) @binding(2) var<uniform> shrink: vec4<f32>;

@vertex
fn cover(@builtin(vertex_index) index: u32) -> @builtin(position) vec4<f32> {
    // One triangle that reaches over all corners.
    return vec4(f32(index & 1u) * 4.0 - 1.0, f32(index >> 1u) * 4.0 - 1.0, 0.0, 1.0);
}

@fragment
fn colour(@builtin(position) at: vec4<f32>) -> @location(0) vec4<f32> {
    let size = vec2<f32>(textureDimensions(small));
    // Beyond what was drawn lies an older picture.
    let place = min(at.xy / shrink.x, size / shrink.x - 0.5);
    return textureSampleLevel(small, smooth_sampler, place / size, 0.0);
}
