// Lines over the scans: full where they are in sight, faint where a scan hides them.

struct Lines {
    clip_from_local: mat4x4<f32>,
    // Pixels of the scans' picture a pixel of the window, nothing, pixels a logical point.
    more: vec4<f32>,
    // Left, top, width, height of the view in pixels.
    area: vec4<f32>,
};

@group(0) @binding(0) var<uniform> lines: Lines;
#ifdef MULTISAMPLED
@group(0) @binding(1) var depth: texture_depth_multisampled_2d;
#else
@group(0) @binding(1) var depth: texture_depth_2d;
#endif

struct Segment {
    @location(0) begin: vec3<f32>,
    @location(1) end: vec3<f32>,
    @location(2) colour: vec4<f32>,
    // Logical points.
    @location(3) width: f32,
};

struct Seen {
    @builtin(position) clip: vec4<f32>,
    @location(0) colour: vec4<f32>,
    // Pixels off the middle, and half the width.
    @location(1) @interpolate(linear) off: f32,
    @location(2) half_width: f32,
};

// How much of a hidden line is seen.
const HIDDEN = 0.32;
// A line on a surface counts as in sight although facets lie a little before it.
const SLACK = 0.004;

@vertex
fn segment(in: Segment, @builtin(vertex_index) index: u32) -> Seen {
    var a = lines.clip_from_local * vec4(in.begin, 1.0);
    var b = lines.clip_from_local * vec4(in.end, 1.0);
    // What lies behind the eye has no place on the screen: cut there. Depth beyond w is nearer
    // than the nearest that is drawn.
    let da = a.w - a.z;
    let db = b.w - b.z;
    if da < 0.0 && db > 0.0 { a = mix(a, b, -da / (db - da)); }
    if db < 0.0 && da > 0.0 { b = mix(b, a, -db / (da - db)); }
    let half_size = lines.area.zw * 0.5;
    let along = (b.xy / b.w - a.xy / a.w) * half_size;
    let direction = select(vec2(1.0, 0.0), normalize(along), dot(along, along) > 1e-8);
    let end = select(a, b, (index & 1u) == 1u);
    let side = f32(index >> 1u) * 2.0 - 1.0;
    let half_width = 0.5 * in.width * lines.more.z;
    // One pixel more on each side, over which it fades.
    let off = side * (half_width + 1.0);
    let square = vec2(-direction.y, direction.x) * off / half_size;
    var out: Seen;
    out.clip = vec4(end.xy + square * end.w, end.z, end.w);
    if da < 0.0 && db < 0.0 {
        out.clip = vec4(2.0, 2.0, 0.0, 1.0);
    }
    out.colour = in.colour;
    out.off = off;
    out.half_width = half_width;
    return out;
}

@fragment
fn colour(in: Seen) -> @location(0) vec4<f32> {
    let surface = textureLoad(depth, vec2<i32>(in.clip.xy * lines.more.x), 0);
    let sight = select(HIDDEN, 1.0, in.clip.z >= surface * (1.0 - SLACK));
    let edge = clamp(in.half_width + 0.5 - abs(in.off), 0.0, 1.0);
    return vec4(in.colour.rgb, in.colour.a * edge * sight);
}
