// A scan: facets of a mesh, or discs of a cloud. Everything is lit in the view's own axes, by a
// lamp beside the eye and a weaker one that stays to its upper left.

struct View {
    metal: vec4<f32>,
    inside: vec4<f32>,
    hatch: vec4<f32>,
    // By mark: linear colour, and how much of it.
    marks: array<vec4<f32>, 8>,
    // 1 in a parallel view; pixels a logical point.
    more: vec4<f32>,
};

struct Body {
    clip_from_local: mat4x4<f32>,
    view_from_local: mat4x4<f32>,
    // Cut away where dot(xyz, p) > w, in local axes; zero for no section.
    plane: vec4<f32>,
    // Opacity, radius of the widest disc, whether normals point out of the material, which of the bodies.
    more: vec4<f32>,
};

@group(0) @binding(0) var<uniform> view: View;
@group(0) @binding(1) var<uniform> body: Body;
// Of signed values, then of magnitudes.
@group(0) @binding(2) var<uniform> scale: array<vec4<f32>, 512>;

struct Corner {
    @location(0) position: vec3<f32>,
    @location(1) normal: vec2<f32>,
    // Bend from -1 to 1, roughness from 0 to 1; of a disc, its radius as a share of the widest.
    @location(2) cue: vec2<f32>,
    @location(3) tint: u32,
};

struct Seen {
    @builtin(position) clip: vec4<f32>,
    @location(0) at: vec3<f32>,
    @location(1) normal: vec3<f32>,
    @location(2) cue: vec2<f32>,
    // Premultiplied.
    @location(3) mark: vec4<f32>,
    // Place on the scale, 1, and 1 for a magnitude; all zero without a value.
    @location(4) value: vec3<f32>,
    @location(5) height: f32,
#ifdef DISCS
    @location(6) on_disc: vec2<f32>,
#endif
};

fn normal_of(packed: vec2<f32>) -> vec3<f32> {
    if packed.x > 0.99995 && packed.y > 0.99995 {
        return vec3(0.0);
    }
    let z = 1.0 - abs(packed.x) - abs(packed.y);
    let fold = max(-z, 0.0);
    return normalize(vec3(packed - sign(packed) * fold, z));
}

fn towards_eye(at: vec3<f32>) -> vec3<f32> {
    return select(normalize(-at), vec3(0.0, 0.0, 1.0), view.more.x > 0.5);
}

@vertex
fn corner(in: Corner
#ifdef DISCS
    , @builtin(vertex_index) index: u32
#endif
) -> Seen {
    var out: Seen;
    let turn = mat3x3(body.view_from_local[0].xyz, body.view_from_local[1].xyz, body.view_from_local[2].xyz);
    var normal = turn * normal_of(in.normal);
    var position = in.position;
#ifdef DISCS
    // A triangle strip of four corners round the point, square to its normal.
    let square = vec2(f32(index & 1u), f32(index >> 1u)) * 2.0 - 1.0;
    let centre = (body.view_from_local * vec4(position, 1.0)).xyz;
    if dot(normal, normal) < 0.5 {
        normal = towards_eye(centre);
    }
    let side = normalize(cross(normal, select(vec3(1.0, 0.0, 0.0), vec3(0.0, 1.0, 0.0), abs(normal.x) > 0.7)));
    let shift = (side * square.x + cross(normal, side) * square.y) * (body.more.y * in.cue.x);
    position += transpose(turn) * shift;
    out.on_disc = square;
#endif
    out.clip = body.clip_from_local * vec4(position, 1.0);
    out.at = (body.view_from_local * vec4(position, 1.0)).xyz;
    out.normal = normal;
#ifdef DISCS
    out.cue = vec2(0.0);
#else
    out.cue = in.cue;
#endif
    let mark = view.marks[in.tint & 7u];
    out.mark = vec4(mark.rgb * mark.a, mark.a);
    let place = in.tint >> 16u;
    let magnitude = f32((in.tint >> 3u) & 1u);
    out.value = select(vec3(0.0), vec3((f32(place) - 1.0) / 65534.0, 1.0, magnitude), place > 0u);
    out.height = dot(body.plane.xyz, position) - body.plane.w;
    return out;
}

// A threshold for each of 4 x 4 pixels, evenly spread (B. E. Bayer, 1973). Each body's are others,
// so that of two faded ones both are seen.
fn threshold(at: vec2<f32>) -> f32 {
    let p = vec2<u32>(at) & vec2(3u);
    let x = p.x ^ p.y;
    let order = ((x & 1u) << 3u) | ((p.y & 1u) << 2u) | ((x & 2u)) | ((p.y & 2u) >> 1u);
    return (f32(order) + 0.5) / 16.0;
}

@fragment
fn colour(in: Seen, @builtin(front_facing) front: bool) -> @location(0) vec4<f32> {
#ifdef DISCS
    if dot(in.on_disc, in.on_disc) > 1.0 {
        discard;
    }
#endif
#ifdef CUT
    if in.height > 0.0 || threshold(in.clip.xy + body.more.w * vec2(1.0, 2.0)) > body.more.x {
        discard;
    }
#endif
    let eye = towards_eye(in.at);
    var normal = normalize(in.normal);
#ifdef DISCS
    // Estimated normals may point either way; a disc has no inside.
    let within = body.more.z > 0.5 && dot(normal, eye) < 0.0;
    normal = select(normal, -normal, dot(normal, eye) < 0.0);
#else
    let within = !front;
    normal = select(normal, -normal, within);
#endif
    if within && any(body.plane.xyz != vec3(0.0)) {
        // What a section opens is seen flat, hatched as a cut is on a drawing.
        let stripe = fract((in.clip.x + in.clip.y) / (9.0 * view.more.y));
        let flat_tone = mix(view.inside.rgb, view.hatch.rgb, select(0.0, 1.0, stripe < 0.16));
        return vec4(mix(flat_tone, in.mark.rgb / max(in.mark.a, 1e-4), in.mark.a * 0.5), 1.0);
    }

    var surface = select(view.metal.rgb, view.inside.rgb, within);
    // Edges catch light and hollows keep dirt; what was cast is duller than what was cut.
    let bend = in.cue.x;
    let rough = clamp(in.cue.y, 0.0, 1.0);
    surface *= 1.0 + 0.30 * max(bend, 0.0) + 0.45 * min(bend, 0.0);
    surface *= mix(1.04, 0.88, rough);
    surface = surface * (1.0 - in.mark.a) + in.mark.rgb;
    if in.value.y > 0.5 {
        let place = clamp(in.value.x / in.value.y, 0.0, 1.0) * 255.0;
        let low = u32(place);
        let first = select(0u, 256u, in.value.z > 0.5 * in.value.y);
        surface = mix(scale[first + low].rgb, scale[first + min(low + 1u, 255u)].rgb, fract(place));
    }

    let lamp = max(dot(normal, eye), 0.0);
    let other = normalize(vec3(-0.55, 0.65, 0.52));
    let side = max(dot(normal, other), 0.0);
    let sky = 0.5 + 0.5 * normal.y;
    // A map of values must keep its colours: it is lit just enough to show the shape.
    let flatness = select(0.0, 0.55, in.value.y > 0.5);
    let light = mix(0.16 + 0.12 * sky + 0.50 * lamp + 0.34 * side, 1.0, flatness);
    let half_way = normalize(other + eye);
    let gloss = pow(max(dot(normal, half_way), 0.0), mix(42.0, 10.0, rough)) * mix(0.22, 0.02, rough) * (1.0 - flatness);
    return vec4(surface * light + gloss, 1.0);
}
