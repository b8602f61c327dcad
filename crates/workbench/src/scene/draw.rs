//! Drawing the bodies, in the render world.
//!
//! The scans are drawn into a picture of their own that is kept. A frame in which only panels
//! change copies it; one in which only colours change (the brush hovers) draws the touched pieces
//! over it, which leaves their depth as it was. So the work of a frame is that of its change.

use crate::mouse::sides;
use crate::scene::colours::{self, Palette};
use crate::scene::display::{Display, Indices, Piece};
use crate::scene::pace::{Drawn, Pace};
use crate::scene::tint::Patch;
use crate::scene::watch::Watch;
use crate::scene::{Body, Stage, plane_in};
use bevy::app::{App, Plugin};
use bevy::asset::{Handle, load_internal_asset, uuid_handle};
use bevy::core_pipeline::upscaling::upscaling;
use bevy::ecs::prelude::*;
use bevy::ecs::schedule::ScheduleLabel;
use bevy::log::info_span;
use bevy::mesh::VertexBufferLayout;
use bevy::render::extract_plugin::MainWorld;
use bevy::render::render_resource::binding_types::{
    sampler, texture_2d, texture_depth_2d, texture_depth_2d_multisampled, uniform_buffer_sized,
};
use bevy::render::render_resource::*;
use bevy::render::renderer::{RenderAdapterInfo, RenderContext, RenderDevice, RenderQueue, ViewQuery};
use bevy::render::view::ViewTarget;
use bevy::render::{ExtractSchedule, GpuResourceAppExt, Render, RenderApp, RenderSystems};
use bevy::shader::Shader;
use bevy_egui::render::{egui_pass, prepare_egui_pass};
use nalgebra::Matrix4;
use std::collections::BTreeMap;
use std::num::NonZeroU64;
use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;
use std::time::Instant;
use stringline_core::{Point3, RigidTransform, UnitVec3};

const SCAN_SHADER: Handle<Shader> = uuid_handle!("3f0dbd0e-6c54-4a8e-9a55-52a1c2f3c9b1");
const SPREAD_SHADER: Handle<Shader> = uuid_handle!("5c1e9a34-7d0b-4f1c-b9a6-2e83d4f7c015");
const LINES_SHADER: Handle<Shader> = uuid_handle!("8a5f6d2c-1b3e-4c62-8f4e-0d9b7c1e2a47");

/// Bytes of surfaces that go to the graphics card in one frame: a few milliseconds of copying.
const UPLOAD_A_FRAME: usize = 24 << 20;

/// Bytes between the uniforms of two bodies: what every graphics card allows.
const BODY_STRIDE: usize = 256;

/// Floats of the view's uniforms, of a body's and of the lines'.
const VIEW_FLOATS: usize = 12 * 4;
const BODY_FLOATS: usize = 10 * 4;
const LINES_FLOATS: usize = 6 * 4;

/// Floats of a segment: two ends, linear colour, width.
const SEGMENT_FLOATS: usize = 11;

/// Samples a pixel where the graphics card is a real one.
const SAMPLES: u32 = 4;

const DEPTH: TextureFormat = TextureFormat::Depth32Float;

/// What is done for the window's camera in the render world, in order.
#[derive(ScheduleLabel, Clone, Debug, PartialEq, Eq, Hash)]
pub(crate) struct BenchView;

/// Adds the drawing to an app; one without a graphics card is left as it is.
pub(crate) struct DrawPlugin {
    /// Samples a pixel, 1 or 4; by default as the graphics card can bear.
    pub(crate) samples: Option<u32>,
}

/// [`DrawPlugin::samples`].
#[derive(Resource)]
struct Sampling(Option<u32>);

impl Plugin for DrawPlugin {
    fn build(&self, app: &mut App) {
        load_internal_asset!(app, SCAN_SHADER, "scan.wgsl", Shader::from_wgsl);
        load_internal_asset!(app, LINES_SHADER, "lines.wgsl", Shader::from_wgsl);
        load_internal_asset!(app, SPREAD_SHADER, "spread.wgsl", Shader::from_wgsl);
        let Some(render) = app.get_sub_app_mut(RenderApp) else {
            return;
        };
        let mut schedule = Schedule::new(BenchView);
        schedule.add_systems((draw, prepare_egui_pass, egui_pass, upscaling).chain());
        render
            .init_resource::<Frame>()
            .insert_resource(Sampling(self.samples))
            .init_gpu_resource::<Card>()
            .add_schedule(schedule)
            .add_systems(ExtractSchedule, extract)
            .add_systems(
                Render,
                (prepare.in_set(RenderSystems::PrepareResources), watch.in_set(RenderSystems::Cleanup)),
            );
    }
}

/// What the main world shows, as of the last extraction.
#[derive(Resource, Default)]
struct Frame {
    pace: Arc<Pace>,
    area: [f32; 4],
    scale: f32,
    /// How many pixels of the window one of the scans' picture stands for, each way.
    shrink: u32,
    moving: bool,
    parallel: bool,
    dark: bool,
    section: Option<(Point3, UnitVec3)>,
    clip_from_world: Matrix4<f64>,
    view_from_world: Matrix4<f64>,
    bodies: Vec<Drawing>,
    /// What the segments' ends count from, world.
    line_origin: Point3,
    segments: Vec<[f32; SEGMENT_FLOATS]>,
}

/// A body.
struct Drawing {
    id: u64,
    display: Arc<Display>,
    world_from_scan: RigidTransform,
    opacity: f32,
    level: usize,
    patches: Vec<Patch>,
}

/// Copies what is needed; the main world waits meanwhile.
fn extract(mut main: ResMut<MainWorld>, mut frame: ResMut<Frame>) {
    let _span = info_span!("extract").entered();
    let mut bodies = main.query::<&mut Body>();
    let frame = &mut *frame;
    frame.bodies.clear();
    for mut body in bodies.iter_mut(&mut main) {
        // Only those with news count as changed.
        let patches = if body.patches.is_empty() { Vec::new() } else { std::mem::take(&mut body.patches) };
        frame.bodies.push(Drawing {
            id: body.id,
            display: body.display.clone(),
            world_from_scan: body.world_from_scan,
            opacity: body.opacity,
            level: body.level,
            patches,
        });
    }
    frame.bodies.sort_by_key(|b| b.id);
    let Some(stage) = main.get_resource::<Stage>() else {
        return;
    };
    let logical = sides(stage.area);
    frame.pace = stage.pace.clone();
    frame.scale = stage.scale;
    frame.area = logical.map(|c| c * stage.scale);
    frame.moving = stage.settles_in().is_some();
    frame.shrink = if frame.moving { stage.pace.shrink() } else { 1 };
    frame.parallel = stage.view.parallel();
    frame.dark = stage.shown.dark;
    frame.section = stage.shown.section;
    frame.clip_from_world = stage.view.clip_from_world(logical, stage.ball.as_ref());
    frame.view_from_world = match frame.parallel {
        true => stage.view.view_from_world().to_homogeneous(),
        false => stage.view.view_from_world().to_homogeneous() * Matrix4::new_translation(&-stage.view.eye().coords),
    };
    frame.line_origin = stage.ball.map_or(Point3::origin(), |b| b.centre);
    frame.segments.clear();
    for line in &stage.shown.lines {
        let (colour, width) = colours::line(line.mark, frame.dark);
        let [r, g, b] = colours::linear([colour[0], colour[1], colour[2]]);
        let a = f32::from(colour[3]) / 255.0;
        for ends in line.points.windows(2) {
            let [p, q] = [0, 1].map(|i| (ends[i] - frame.line_origin).cast::<f32>());
            frame.segments.push([p.x, p.y, p.z, q.x, q.y, q.z, r, g, b, a, width]);
        }
    }
}

/// What lies on the graphics card, and what it is to do this frame.
#[derive(Resource)]
struct Card {
    samples: u32,
    scan_layout: BindGroupLayoutDescriptor,
    lines_layout: BindGroupLayoutDescriptor,
    spread_layout: BindGroupLayoutDescriptor,
    view: Buffer,
    scale: Buffer,
    lines: Buffer,
    shrink: Buffer,
    smooth: Sampler,
    /// With the number of bodies it has room for.
    bodies: (Buffer, usize),
    /// With the number of segments it has room for.
    segments: Option<(Buffer, usize)>,
    segment_count: u32,
    /// Whether surfaces came to the card in this frame.
    uploaded: bool,
    scans: BTreeMap<u64, Loaded>,
    picture: Option<Picture>,
    pipelines: BTreeMap<Kind, CachedRenderPipelineId>,
    scan_group: Option<BindGroup>,
    lines_group: Option<BindGroup>,
    spread_group: Option<BindGroup>,
    drawn: Option<Key>,
    plan: Plan,
    watch: Watch,
    begun: Instant,
    handed: Option<Drawn>,
}

/// A surface on the card.
struct Loaded {
    display: Arc<Display>,
    /// Corners and indices of the pieces that have arrived.
    pieces: Vec<Option<(Buffer, Option<Buffer>)>>,
    /// Colours of each piece.
    tints: Vec<Buffer>,
    arrived: usize,
}

/// The picture that the scans are drawn into.
struct Picture {
    size: [u32; 2],
    format: TextureFormat,
    /// With several samples a pixel, if that is so.
    colour: TextureView,
    /// What is copied to the window.
    flat: Texture,
    flat_view: TextureView,
    depth: TextureView,
}

/// What the picture of the scans depends on; as long as it stays the picture does.
#[derive(PartialEq)]
struct Key {
    size: [u32; 2],
    area: [f32; 4],
    shrink: u32,
    clip_from_world: Matrix4<f64>,
    dark: bool,
    section: Option<(Point3, UnitVec3)>,
    bodies: Vec<(u64, RigidTransform, u32, usize, usize)>,
}

/// What is drawn of the scans this frame: of which body, which piece.
#[derive(Debug)]
enum Plan {
    Keep,
    Over(Vec<(usize, usize)>),
    Anew(Vec<(usize, usize)>),
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Kind {
    /// Discs of a cloud; cut away or faded.
    Scan {
        discs: bool,
        cut: bool,
    },
    Lines,
    /// The picture over the window, when it is smaller.
    Spread,
}

impl FromWorld for Card {
    fn from_world(world: &mut World) -> Card {
        let device = world.resource::<RenderDevice>().clone();
        let software = world.resource::<RenderAdapterInfo>().device_type == wgpu_types::DeviceType::Cpu;
        let wished = world.get_resource::<Sampling>().and_then(|s| s.0);
        let samples = wished.unwrap_or(if software { 1 } else { SAMPLES });
        let uniform = |label, floats: usize| {
            device.create_buffer(&BufferDescriptor {
                label: Some(label),
                size: (floats * 4) as u64,
                usage: BufferUsages::UNIFORM | BufferUsages::COPY_DST,
                mapped_at_creation: false,
            })
        };
        // Of signed values, then of magnitudes.
        let scale: Vec<f32> = crate::scale::vik()
            .iter()
            .chain(crate::scale::batlow())
            .flat_map(|&c| {
                let [r, g, b] = colours::linear(c);
                [r, g, b, 1.0]
            })
            .collect();
        let both = ShaderStages::VERTEX_FRAGMENT;
        let sized = |floats: usize, moving: bool| uniform_buffer_sized(moving, NonZeroU64::new((floats * 4) as u64));
        let scan_layout = BindGroupLayoutEntries::sequential(
            both,
            (sized(VIEW_FLOATS, false), sized(BODY_FLOATS, true), sized(scale.len(), false)),
        );
        let depth = if samples > 1 { texture_depth_2d_multisampled() } else { texture_depth_2d() };
        let lines_layout = BindGroupLayoutEntries::sequential(both, (sized(LINES_FLOATS, false), depth));
        let spread_layout = BindGroupLayoutEntries::sequential(
            ShaderStages::FRAGMENT,
            (
                texture_2d(TextureSampleType::Float { filterable: true }),
                sampler(SamplerBindingType::Filtering),
                sized(4, false),
            ),
        );
        Card {
            samples,
            scan_layout: BindGroupLayoutDescriptor::new("scan", &scan_layout),
            lines_layout: BindGroupLayoutDescriptor::new("lines", &lines_layout),
            spread_layout: BindGroupLayoutDescriptor::new("spread", &spread_layout),
            view: uniform("view", VIEW_FLOATS),
            scale: device.create_buffer_with_data(&BufferInitDescriptor {
                label: Some("scale"),
                contents: bytemuck::cast_slice(&scale),
                usage: BufferUsages::UNIFORM,
            }),
            lines: uniform("lines", LINES_FLOATS),
            shrink: uniform("shrink", 4),
            smooth: device.create_sampler(&SamplerDescriptor {
                mag_filter: FilterMode::Linear,
                min_filter: FilterMode::Linear,
                ..SamplerDescriptor::default()
            }),
            bodies: (uniform("bodies", BODY_STRIDE / 4), 1),
            segments: None,
            segment_count: 0,
            uploaded: false,
            scans: BTreeMap::new(),
            picture: None,
            pipelines: BTreeMap::new(),
            scan_group: None,
            lines_group: None,
            spread_group: None,
            drawn: None,
            plan: Plan::Keep,
            watch: Watch::new(device.clone()),
            begun: Instant::now(),
            handed: None,
        }
    }
}

impl Card {
    /// Brings surfaces and colours to the card, as much as fits a frame. Returns which pieces
    /// changed their colours, of which body.
    fn load(&mut self, frame: &mut Frame, device: &RenderDevice, queue: &RenderQueue) -> Vec<(usize, usize)> {
        self.scans.retain(|id, _| frame.bodies.binary_search_by_key(id, |b| b.id).is_ok());
        let mut budget = UPLOAD_A_FRAME;
        let mut touched = Vec::new();
        let mut missing = false;
        for (b, body) in frame.bodies.iter_mut().enumerate() {
            let pieces = &body.display.pieces;
            let fresh = || Loaded {
                display: body.display.clone(),
                pieces: pieces.iter().map(|_| None).collect(),
                tints: pieces.iter().map(|p| tint_buffer(device, p)).collect(),
                arrived: 0,
            };
            let loaded = self.scans.entry(body.id).or_insert_with(fresh);
            // The same number for another surface: against the promise, but no reason to draw nonsense.
            if !Arc::ptr_eq(&loaded.display, &body.display) {
                *loaded = fresh();
            }
            for patch in body.patches.drain(..) {
                if let Some(tints) = loaded.tints.get(patch.piece) {
                    queue.write_buffer(tints, (patch.first * 4) as u64, bytemuck::cast_slice(&patch.codes));
                    touched.push((b, patch.piece));
                }
            }
            // The coarsest first, so that there is something to see.
            for p in body.display.levels.iter().rev().flat_map(|l| l.pieces.clone()) {
                if loaded.pieces[p].is_none() {
                    let bytes = pieces[p].corners.len() * 20 + pieces[p].indices.bytes().len();
                    if budget == 0 {
                        missing = true;
                        break;
                    }
                    budget = budget.saturating_sub(bytes);
                    loaded.pieces[p] = Some(surface_buffers(device, &pieces[p]));
                    loaded.arrived += 1;
                }
            }
        }
        frame.pace.uploading.store(missing, Relaxed);
        self.uploaded = budget < UPLOAD_A_FRAME;
        touched
    }

    /// The level of a body that is drawn: the wished one, or a coarser one that has arrived.
    fn level(&self, body: &Drawing) -> usize {
        let there = |level: &usize| {
            let (level, loaded) = (body.display.levels.get(*level), self.scans.get(&body.id));
            level.zip(loaded).is_some_and(|(l, loaded)| l.pieces.clone().all(|p| loaded.pieces[p].is_some()))
        };
        (body.level..body.display.levels.len()).find(there).unwrap_or(body.level)
    }

    /// Makes the picture anew if the window changed its size.
    fn fit_picture(&mut self, device: &RenderDevice, size: [u32; 2], format: TextureFormat) {
        if self.picture.as_ref().is_some_and(|p| p.size == size && p.format == format) {
            return;
        }
        let texture = |label, format, sample_count, usage| {
            device.create_texture(&TextureDescriptor {
                label: Some(label),
                size: Extent3d { width: size[0], height: size[1], depth_or_array_layers: 1 },
                mip_level_count: 1,
                sample_count,
                dimension: TextureDimension::D2,
                format,
                usage,
                view_formats: &[],
            })
        };
        let whole = TextureViewDescriptor::default();
        let drawn = TextureUsages::RENDER_ATTACHMENT;
        let flat = texture("scans", format, 1, drawn | TextureUsages::COPY_SRC | TextureUsages::TEXTURE_BINDING);
        let flat_view = flat.create_view(&whole);
        let colour = match self.samples {
            1 => flat_view.clone(),
            samples => texture("scans, sampled", format, samples, drawn).create_view(&whole),
        };
        let depth = texture("scans, depth", DEPTH, self.samples, drawn | TextureUsages::TEXTURE_BINDING);
        let depth = depth.create_view(&whole);
        self.picture = Some(Picture { size, format, colour, flat, flat_view, depth });
        self.lines_group = None;
        self.spread_group = None;
        self.drawn = None;
    }

    fn pipeline(&mut self, cache: &PipelineCache, kind: Kind, format: TextureFormat) {
        if self.pipelines.contains_key(&kind) {
            return;
        }
        let corner = |step_mode| {
            let mut corner = VertexBufferLayout::from_vertex_formats(
                step_mode,
                [VertexFormat::Float32x3, VertexFormat::Snorm16x2, VertexFormat::Snorm16x2],
            );
            corner.array_stride = 20;
            let tint = VertexBufferLayout::from_vertex_formats(step_mode, [VertexFormat::Uint32]);
            vec![corner, tint.offset_locations_by(3)]
        };
        let segment = || {
            vec![VertexBufferLayout::from_vertex_formats(
                VertexStepMode::Instance,
                [VertexFormat::Float32x3, VertexFormat::Float32x3, VertexFormat::Float32x4, VertexFormat::Float32],
            )]
        };
        let (shader, layout, entry, buffers) = match kind {
            Kind::Scan { discs, .. } => {
                let step = if discs { VertexStepMode::Instance } else { VertexStepMode::Vertex };
                (SCAN_SHADER, &self.scan_layout, "corner", corner(step))
            }
            Kind::Lines => (LINES_SHADER, &self.lines_layout, "segment", segment()),
            Kind::Spread => (SPREAD_SHADER, &self.spread_layout, "cover", Vec::new()),
        };
        let mut defs = Vec::new();
        let mut define = |wanted: bool, name: &str| {
            if wanted {
                defs.push(name.into());
            }
        };
        define(matches!(kind, Kind::Scan { discs: true, .. }), "DISCS");
        define(matches!(kind, Kind::Scan { cut: true, .. }), "CUT");
        define(kind == Kind::Lines && self.samples > 1, "MULTISAMPLED");
        let is_scan = matches!(kind, Kind::Scan { .. });
        let strip = matches!(kind, Kind::Scan { discs: true, .. } | Kind::Lines);
        let descriptor = RenderPipelineDescriptor {
            label: Some(entry.into()),
            layout: vec![layout.clone()],
            vertex: VertexState {
                shader: shader.clone(),
                shader_defs: defs.clone(),
                entry_point: Some(entry.into()),
                buffers,
            },
            fragment: Some(FragmentState {
                shader,
                shader_defs: defs,
                entry_point: Some("colour".into()),
                targets: vec![Some(ColorTargetState {
                    format,
                    blend: (kind == Kind::Lines).then_some(BlendState::ALPHA_BLENDING),
                    write_mask: ColorWrites::ALL,
                })],
            }),
            primitive: PrimitiveState {
                topology: if strip { PrimitiveTopology::TriangleStrip } else { PrimitiveTopology::TriangleList },
                ..PrimitiveState::default()
            },
            depth_stencil: is_scan.then(|| DepthStencilState {
                format: DEPTH,
                depth_write_enabled: Some(true),
                // Equal too: a piece drawn over itself must change its colours.
                depth_compare: Some(CompareFunction::GreaterEqual),
                stencil: StencilState::default(),
                bias: DepthBiasState::default(),
            }),
            multisample: MultisampleState {
                count: if is_scan { self.samples } else { 1 },
                ..MultisampleState::default()
            },
            ..RenderPipelineDescriptor::default()
        };
        self.pipelines.insert(kind, cache.queue_render_pipeline(descriptor));
    }

    /// Writes what the shaders read of the view and of each body.
    fn write_uniforms(&mut self, frame: &Frame, device: &RenderDevice, queue: &RenderQueue) {
        let Palette { metal, inside, hatch, marks, .. } = colours::palette(frame.dark);
        let mut view: Vec<f32> = Vec::with_capacity(VIEW_FLOATS);
        let mut push = |colour: [u8; 3], share: f32| {
            view.extend(colours::linear(colour));
            view.push(share);
        };
        [metal, inside, hatch].into_iter().for_each(|c| push(c, 1.0));
        push([0; 3], 0.0);
        marks.into_iter().for_each(|(colour, share)| push(colour, share));
        view.resize(VIEW_FLOATS - 4, 0.0);
        view.extend([if frame.parallel { 1.0 } else { 0.0 }, frame.scale / frame.shrink.max(1) as f32, 0.0, 0.0]);
        queue.write_buffer(&self.view, 0, bytemuck::cast_slice(&view));

        if self.bodies.1 < frame.bodies.len() {
            let room = frame.bodies.len().next_power_of_two();
            let buffer = device.create_buffer(&BufferDescriptor {
                label: Some("bodies"),
                size: (room * BODY_STRIDE) as u64,
                usage: BufferUsages::UNIFORM | BufferUsages::COPY_DST,
                mapped_at_creation: false,
            });
            self.bodies = (buffer, room);
            self.scan_group = None;
        }
        let mut all: Vec<f32> = Vec::with_capacity(frame.bodies.len() * BODY_STRIDE / 4);
        for (b, body) in frame.bodies.iter().enumerate() {
            let local = local_to_world(body);
            for m in [frame.clip_from_world * local, frame.view_from_world * local] {
                all.extend(m.iter().map(|c| *c as f32));
            }
            all.extend(plane_in(&body.world_from_scan, frame.section, &body.display.origin));
            // A coarser copy of a cloud has fewer discs, which must be wider to close up.
            let level = |i: usize| body.display.levels.get(i).map_or(1.0, |l| l.elements.max(1) as f32);
            let wider = (level(0) / level(self.level(body))).sqrt();
            let disc = body.display.disc.unwrap_or(0.0) * wider;
            all.extend([body.opacity, disc, if body.display.oriented { 1.0 } else { 0.0 }, b as f32]);
            all.resize(all.len().next_multiple_of(BODY_STRIDE / 4), 0.0);
        }
        queue.write_buffer(&self.bodies.0, 0, bytemuck::cast_slice(&all));
    }

    fn write_lines(&mut self, frame: &Frame, device: &RenderDevice, queue: &RenderQueue) {
        self.segment_count = frame.segments.len() as u32;
        if frame.segments.is_empty() {
            return;
        }
        let clip = frame.clip_from_world * Matrix4::new_translation(&frame.line_origin.coords);
        let mut lines: Vec<f32> = clip.iter().map(|c| *c as f32).collect();
        lines.extend([1.0 / frame.shrink.max(1) as f32, 0.0, frame.scale, 0.0]);
        lines.extend(frame.area);
        queue.write_buffer(&self.lines, 0, bytemuck::cast_slice(&lines));
        if self.segments.as_ref().is_none_or(|(_, room)| *room < frame.segments.len()) {
            let room = frame.segments.len().next_power_of_two();
            let buffer = device.create_buffer(&BufferDescriptor {
                label: Some("segments"),
                size: (room * SEGMENT_FLOATS * 4) as u64,
                usage: BufferUsages::VERTEX | BufferUsages::COPY_DST,
                mapped_at_creation: false,
            });
            self.segments = Some((buffer, room));
        }
        if let Some((buffer, _)) = &self.segments {
            queue.write_buffer(buffer, 0, bytemuck::cast_slice(&frame.segments));
        }
    }

    /// The pieces of all bodies that are in sight, of those at hand.
    fn in_sight(&self, frame: &Frame) -> Vec<(usize, usize)> {
        let mut list = Vec::new();
        for (b, body) in frame.bodies.iter().enumerate().filter(|(_, body)| body.opacity > 0.0) {
            let Some(loaded) = self.scans.get(&body.id) else {
                continue;
            };
            let clip = frame.clip_from_world * local_to_world(body);
            let level = body.display.levels.get(self.level(body));
            let pieces = level.into_iter().flat_map(|l| l.pieces.clone());
            let seen = |p: &usize| loaded.pieces[*p].is_some() && is_in_sight(&clip, &body.display.pieces[*p]);
            list.extend(pieces.filter(seen).map(|p| (b, p)));
        }
        list
    }
}

/// From a body's own axes, about its display's origin, to the world.
fn local_to_world(body: &Drawing) -> Matrix4<f64> {
    body.world_from_scan.to_homogeneous() * Matrix4::new_translation(&body.display.origin.coords)
}

/// Whether the ball round a piece reaches into the view (G. Gribb and K. Hartmann, *Fast
/// extraction of viewing frustum planes from the world-view-projection matrix*, 2001).
fn is_in_sight(clip: &Matrix4<f64>, piece: &Piece) -> bool {
    let ([x, y, z], radius) = piece.ball;
    let centre = nalgebra::Vector4::new(f64::from(x), f64::from(y), f64::from(z), 1.0);
    let last = clip.row(3);
    [(0, 1.0), (0, -1.0), (1, 1.0), (1, -1.0)].into_iter().all(|(row, sign)| {
        let plane = last + clip.row(row) * sign;
        let length = plane.columns(0, 3).norm();
        (plane * centre)[0] >= -f64::from(radius) * length
    })
}

fn tint_buffer(device: &RenderDevice, piece: &Piece) -> Buffer {
    // New buffers hold zeros: no colour.
    device.create_buffer(&BufferDescriptor {
        label: Some("tint"),
        size: (piece.corners.len() * 4) as u64,
        usage: BufferUsages::VERTEX | BufferUsages::COPY_DST,
        mapped_at_creation: false,
    })
}

fn surface_buffers(device: &RenderDevice, piece: &Piece) -> (Buffer, Option<Buffer>) {
    let buffer = |label, contents, usage| {
        device.create_buffer_with_data(&BufferInitDescriptor { label: Some(label), contents, usage })
    };
    let corners = buffer("corners", bytemuck::cast_slice(&piece.corners), BufferUsages::VERTEX);
    let indices = (!piece.indices.is_empty()).then(|| buffer("indices", piece.indices.bytes(), BufferUsages::INDEX));
    (corners, indices)
}

/// Brings to the card what the frame needs, and decides what is to be drawn.
fn prepare(
    mut card: ResMut<Card>,
    mut frame: ResMut<Frame>,
    device: Res<RenderDevice>,
    queue: Res<RenderQueue>,
    cache: Res<PipelineCache>,
    targets: Query<&ViewTarget>,
) {
    let (card, frame) = (&mut *card, &mut *frame);
    card.plan = Plan::Keep;
    let touched = card.load(frame, &device, &queue);
    let Some(target) = targets.iter().next() else {
        // No window yet, or a hidden one; the colours are there when it comes.
        card.drawn = None;
        return;
    };
    let texture = target.main_texture();
    let (size, format) = ([texture.width(), texture.height()], target.main_texture_format());
    if card.picture.as_ref().is_some_and(|p| p.format != format) {
        card.pipelines.clear();
    }
    card.fit_picture(&device, size, format);
    for discs in [false, true] {
        for cut in [false, true] {
            card.pipeline(&cache, Kind::Scan { discs, cut }, format);
        }
    }
    card.pipeline(&cache, Kind::Lines, format);
    card.pipeline(&cache, Kind::Spread, format);
    let shrink = frame.shrink.max(1);
    queue.write_buffer(&card.shrink, 0, bytemuck::cast_slice(&[shrink as f32, 0.0, 0.0, 0.0]));
    card.write_lines(frame, &device, &queue);

    let bodies = frame.bodies.iter().map(|b| {
        let arrived = card.scans.get(&b.id).map_or(0, |l| l.arrived);
        (b.id, b.world_from_scan, b.opacity.to_bits(), card.level(b), arrived)
    });
    let key = Key {
        size,
        area: frame.area,
        shrink,
        clip_from_world: frame.clip_from_world,
        dark: frame.dark,
        section: frame.section,
        bodies: bodies.collect(),
    };
    let seen = card.in_sight(frame);
    card.plan = if card.drawn.as_ref() != Some(&key) {
        Plan::Anew(seen)
    } else if !touched.is_empty() {
        Plan::Over(seen.into_iter().filter(|piece| touched.contains(piece)).collect())
    } else {
        Plan::Keep
    };
    if !matches!(card.plan, Plan::Keep) {
        card.write_uniforms(frame, &device, &queue);
    }
    card.drawn = Some(key);
    if card.scan_group.is_none() {
        let body = BufferBinding { buffer: &card.bodies.0, offset: 0, size: NonZeroU64::new((BODY_FLOATS * 4) as u64) };
        card.scan_group = Some(device.create_bind_group(
            "scan",
            &cache.get_bind_group_layout(&card.scan_layout),
            &BindGroupEntries::sequential((
                card.view.as_entire_binding(),
                BindingResource::Buffer(body),
                card.scale.as_entire_binding(),
            )),
        ));
    }
    if let (None, Some(picture)) = (&card.spread_group, &card.picture) {
        card.spread_group = Some(device.create_bind_group(
            "spread",
            &cache.get_bind_group_layout(&card.spread_layout),
            &BindGroupEntries::sequential((&picture.flat_view, &card.smooth, card.shrink.as_entire_binding())),
        ));
    }
    if let (None, Some(picture)) = (&card.lines_group, &card.picture) {
        card.lines_group = Some(device.create_bind_group(
            "lines",
            &cache.get_bind_group_layout(&card.lines_layout),
            &BindGroupEntries::sequential((card.lines.as_entire_binding(), &picture.depth)),
        ));
    }
}

/// Draws the scans into their picture, the picture into the window, and the lines over it.
fn draw(
    view: ViewQuery<&ViewTarget>,
    mut card: ResMut<Card>,
    frame: Res<Frame>,
    cache: Res<PipelineCache>,
    mut context: RenderContext,
) {
    let target = view.into_inner();
    let card = &mut *card;
    card.begun = Instant::now();
    card.handed = None;
    let (Some(picture), Some(scan_group), Some(lines_group)) = (&card.picture, &card.scan_group, &card.lines_group)
    else {
        return;
    };
    if picture.size != [target.main_texture().width(), target.main_texture().height()] {
        return;
    }
    // Everything is drawn anew until the shaders are there.
    if card.pipelines.values().any(|id| cache.get_render_pipeline(*id).is_none()) {
        card.drawn = None;
    }
    let [left, top, right, bottom] = pixels(&frame.area, picture.size);
    let (width, height) = (right - left, bottom - top);
    // A smaller picture lies in the upper left of the full one.
    let shrink = frame.shrink.max(1);
    let small = frame.area.map(|c| c / shrink as f32);
    let pieces = match &card.plan {
        Plan::Keep => None,
        Plan::Over(pieces) | Plan::Anew(pieces) => Some(pieces),
    };
    let anew = matches!(card.plan, Plan::Anew(_));
    if let Some(pieces) = pieces {
        let [r, g, b] = colours::linear(colours::palette(frame.dark).background).map(f64::from);
        // bevy gives a colour no name here; the types are those of the target's own attachment.
        let background = bevy::color::LinearRgba::rgb(r as f32, g as f32, b as f32).into();
        let mut pass = context.command_encoder().begin_render_pass(&RenderPassDescriptor {
            label: Some("scans"),
            color_attachments: &[Some(RenderPassColorAttachment {
                view: &picture.colour,
                depth_slice: None,
                resolve_target: (card.samples > 1).then_some(&*picture.flat_view),
                ops: Operations {
                    load: if anew { LoadOp::Clear(background) } else { LoadOp::Load },
                    store: StoreOp::Store,
                },
            })],
            depth_stencil_attachment: Some(RenderPassDepthStencilAttachment {
                view: &picture.depth,
                depth_ops: Some(Operations {
                    load: if anew { LoadOp::Clear(0.0) } else { LoadOp::Load },
                    store: StoreOp::Store,
                }),
                stencil_ops: None,
            }),
            timestamp_writes: None,
            occlusion_query_set: None,
            multiview_mask: None,
        });
        let mut elements = 0;
        if width > 0 && height > 0 {
            pass.set_viewport(small[0], small[1], small[2].max(1.0), small[3].max(1.0), 0.0, 1.0);
            let [left, top, right, bottom] = pixels(&small, picture.size);
            pass.set_scissor_rect(left, top, right - left, bottom - top);
            let mut current = None;
            for &(b, p) in pieces {
                let body = &frame.bodies[b];
                let Some(loaded) = card.scans.get(&body.id) else {
                    continue;
                };
                let Some((corners, indices)) = &loaded.pieces[p] else {
                    continue;
                };
                let discs = body.display.disc.is_some();
                let cut = frame.section.is_some() || body.opacity < 1.0;
                if current != Some(b) {
                    let pipeline = card.pipelines.get(&Kind::Scan { discs, cut });
                    let Some(pipeline) = pipeline.and_then(|id| cache.get_render_pipeline(*id)) else {
                        continue;
                    };
                    pass.set_pipeline(pipeline);
                    pass.set_bind_group(0, &**scan_group, &[(b * BODY_STRIDE) as u32]);
                    current = Some(b);
                }
                pass.set_vertex_buffer(0, *corners.slice(..));
                pass.set_vertex_buffer(1, *loaded.tints[p].slice(..));
                let piece = &body.display.pieces[p];
                match indices {
                    Some(indices) => {
                        let format = match piece.indices {
                            Indices::Short(_) => IndexFormat::Uint16,
                            Indices::Long(_) => IndexFormat::Uint32,
                        };
                        pass.set_index_buffer(*indices.slice(..), format);
                        pass.draw_indexed(0..piece.indices.len() as u32, 0, 0..1);
                        elements += piece.indices.len() / 3;
                    }
                    None if discs => {
                        pass.draw(0..4, 0..piece.corners.len() as u32);
                        elements += piece.corners.len();
                    }
                    None => {}
                }
            }
        }
        if anew {
            let finest = frame.bodies.iter().all(|b| card.level(b) == 0);
            let whole = finest && shrink == 1 && !card.uploaded;
            card.handed = Some(Drawn { elements, whole, moving: frame.moving });
        }
    }
    let pace = &frame.pace;
    pace.count(match card.plan {
        Plan::Keep => &pace.none,
        Plan::Over(_) => &pace.partial,
        Plan::Anew(_) => &pace.full,
    });

    let spread = card.pipelines.get(&Kind::Spread).and_then(|id| cache.get_render_pipeline(*id));
    match (spread, &card.spread_group) {
        (Some(spread), Some(group)) if shrink > 1 => {
            let mut pass = context.command_encoder().begin_render_pass(&RenderPassDescriptor {
                label: Some("spread"),
                color_attachments: &[Some(target.get_unsampled_color_attachment())],
                depth_stencil_attachment: None,
                timestamp_writes: None,
                occlusion_query_set: None,
                multiview_mask: None,
            });
            pass.set_pipeline(spread);
            pass.set_bind_group(0, &**group, &[]);
            pass.draw(0..3, 0..1);
        }
        _ => {
            // Asking for the attachment tells the target that it needs no clearing any more.
            let _ = target.get_unsampled_color_attachment();
            let whole = picture.flat.size();
            context.command_encoder().copy_texture_to_texture(
                picture.flat.as_image_copy(),
                target.main_texture().as_image_copy(),
                whole,
            );
        }
    }
    let pipeline = card.pipelines.get(&Kind::Lines).and_then(|id| cache.get_render_pipeline(*id));
    if let (Some(pipeline), Some((segments, _))) = (pipeline, &card.segments)
        && card.segment_count > 0
        && width > 0
        && height > 0
    {
        let mut pass = context.command_encoder().begin_render_pass(&RenderPassDescriptor {
            label: Some("lines"),
            color_attachments: &[Some(target.get_unsampled_color_attachment())],
            depth_stencil_attachment: None,
            timestamp_writes: None,
            occlusion_query_set: None,
            multiview_mask: None,
        });
        pass.set_viewport(frame.area[0], frame.area[1], frame.area[2].max(1.0), frame.area[3].max(1.0), 0.0, 1.0);
        pass.set_scissor_rect(left, top, width, height);
        pass.set_pipeline(pipeline);
        pass.set_bind_group(0, &**lines_group, &[]);
        pass.set_vertex_buffer(0, *segments.slice(..));
        pass.draw(0..4, 0..card.segment_count);
    }
}

/// Left, top, right and bottom of the view in whole pixels, within the target.
fn pixels(area: &[f32; 4], size: [u32; 2]) -> [u32; 4] {
    let within = |at: f32, limit: u32| (at.round().max(0.0) as u32).min(limit);
    [
        within(area[0], size[0]),
        within(area[1], size[1]),
        within(area[0] + area[2], size[0]),
        within(area[1] + area[3], size[1]),
    ]
}

/// Measures how long the card takes.
fn watch(card: Res<Card>, frame: Res<Frame>, queue: Res<RenderQueue>) {
    let (pace, begun, drawn) = (frame.pace.clone(), card.begun, card.handed);
    queue.on_submitted_work_done(move || pace.finished(begun, drawn));
    card.watch.ask();
}
