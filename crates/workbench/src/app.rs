//! The app: window, drawing, and the order of a frame.
//!
//! In a frame the bench takes its workers' news, the mouse turns the view and speaks to the bench,
//! the panels are drawn with the view as it then is, and the scene follows what the bench shows.
//! Nothing runs between frames, and there is a frame only when something asks for one: an event,
//! a worker, egui, a surface on its way to the graphics card.

use crate::clipboard::Clipboard;
use crate::face::{Bench, Wake};
use crate::mouse::Place;
use crate::picture;
use crate::scene::{BenchView, Body, DrawPlugin, Stage, choose_levels, mirror};
use crate::shown::Eye;
use bevy::app::{
    App, AppExit, First, Last, PluginGroup, PostUpdate, PreUpdate, Startup, TerminalCtrlCHandlerPlugin, Update,
};
use bevy::asset::{AssetPlugin, Assets, Handle};
use bevy::camera::{Camera, CameraMainTextureUsages, Projection, RenderTarget};
use bevy::ecs::message::Messages;
use bevy::ecs::prelude::*;
use bevy::image::Image;
use bevy::log::{LogPlugin, info_span};
use bevy::render::RenderPlugin;
use bevy::render::camera::CameraRenderGraph;
use bevy::render::pipelined_rendering::PipelinedRenderingPlugin;
use bevy::render::render_resource::{TextureFormat, TextureUsages};
use bevy::render::settings::{RenderCreation, WgpuSettings};
use bevy::render::view::Msaa;
use bevy::render::view::screenshot::{Screenshot, ScreenshotCaptured};
use bevy::window::{
    ExitCondition, FileDragAndDrop, PresentMode, RequestRedraw, Window, WindowCloseRequested, WindowPlugin,
    WindowResizeConstraints, WindowResolution,
};
use bevy::winit::{EventLoopProxyWrapper, UpdateMode, WinitPlugin, WinitSettings, WinitUserEvent};
use bevy::{DefaultPlugins, transform::components::GlobalTransform};
use bevy_egui::{
    EguiContext, EguiContextSettings, EguiFullOutput, EguiGlobalSettings, EguiInput, EguiPlugin, EguiPostUpdateSet,
    EguiPreUpdateSet, PrimaryEguiContext,
};
use std::borrow::Cow;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use stringline_core::Explain;
use thiserror::Error;

/// Repaints that egui wants later than this are as good as never.
const FAR_OFF: Duration = Duration::from_secs(3600);

/// egui's further frames after the pointer moved wait this long for the next event.
const AFTER_MOVES: Duration = Duration::from_millis(30);

/// The size a window opens with, logical points: fits the smallest screen that is provided for.
const FIRST_SIZE: [u32; 2] = [1280, 800];

/// Why there is no window.
#[derive(Debug, Error)]
pub enum WindowError {
    /// No screen to show it on.
    #[error("there is no display to open a window on")]
    NoDisplay,
    /// No graphics card and no driver that stands in for one.
    #[error("no graphics driver was found that can draw the window")]
    NoGraphics,
    /// It ended otherwise than by being closed.
    #[error("the window ended unexpectedly")]
    Ended,
}

impl Explain for WindowError {
    fn next_step(&self) -> Cow<'static, str> {
        Cow::Borrowed(match self {
            WindowError::NoDisplay => "Run it in a graphical session, or use the subcommands, which need no display.",
            WindowError::NoGraphics => {
                "Install the graphics card's Vulkan driver, or a software one (package mesa-vulkan-drivers)."
            }
            WindowError::Ended => "Start it again: it offers to recover what was not saved.",
        })
    }
}

/// The bench behind the window.
#[derive(Resource)]
struct Face(Box<dyn Bench>);

/// The egui context's entity, which is the camera's.
#[derive(Resource)]
struct Desk(Entity);

/// Whether and when egui wants to be drawn again.
#[derive(Resource, Clone, Default)]
struct Soonest(Arc<Mutex<Option<Duration>>>);

/// Calls the wake after a while.
#[derive(Resource)]
struct Alarm(Mutex<Sender<Instant>>);

/// Pictures that were asked for: how many are on their way, and what became of the others.
#[derive(Resource)]
struct Pictures {
    open: usize,
    done: Sender<(PathBuf, Result<(), String>)>,
    news: Mutex<Receiver<(PathBuf, Result<(), String>)>>,
    wake: Wake,
}

/// What a frame costs the window's thread.
#[derive(Resource, Default)]
pub struct Clock {
    /// Frames so far.
    pub frames: u64,
    /// From the beginning of the last frame to its end, without waiting for events or the card.
    pub last: Duration,
    begun: Option<Instant>,
}

/// What assistive technology is told of the last frame; kept only where there is no window.
#[derive(Resource, Default)]
struct Told(Option<egui::accesskit::TreeUpdate>);

/// Events that did not come from a window.
#[derive(Resource, Default)]
struct Injected(Vec<egui::Event>);

/// Whether the pointer moved in this frame, and nothing else happened.
#[derive(Resource, Default)]
struct OnlyMoved(bool);

/// How the view was when the panels were drawn.
#[derive(Resource, Default)]
struct EyeOfPanels(Option<Eye>);

/// Whether there is a display to open a window on.
pub fn has_display() -> bool {
    !cfg!(target_os = "linux") || std::env::var_os("DISPLAY").is_some_and(|display| !display.is_empty())
}

/// Opens the window and returns once it is closed. `make` is given what wakes the window.
///
/// # Errors
/// If there is nothing to show or draw it on.
pub fn run<B: Bench>(title: &str, make: impl FnOnce(Wake) -> B) -> Result<(), WindowError> {
    if !has_display() {
        return Err(WindowError::NoDisplay);
    }
    let window = Window {
        title: title.into(),
        name: Some("stringline".into()),
        resolution: WindowResolution::new(FIRST_SIZE[0], FIRST_SIZE[1]),
        resize_constraints: WindowResizeConstraints { min_width: 800.0, min_height: 560.0, ..Default::default() },
        present_mode: PresentMode::AutoVsync,
        ..Window::default()
    };
    let plugins = || {
        DefaultPlugins
            .set(WindowPlugin {
                primary_window: Some(window),
                exit_condition: ExitCondition::OnPrimaryClosed,
                close_when_requested: false,
                ..WindowPlugin::default()
            })
            .set(render_plugin(true))
            .set(log_plugin())
            .set(asset_plugin())
    };
    // bevy panics where it finds no driver; everything else about a missing one is the same to the user.
    let built = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        let mut app = App::new();
        app.add_plugins(plugins());
        app
    }));
    let Ok(mut app) = built else {
        return Err(WindowError::NoGraphics);
    };
    let Some(proxy) = app.world().get_resource::<EventLoopProxyWrapper>().map(|p| (**p).clone()) else {
        return Err(WindowError::NoDisplay);
    };
    let wake: Wake = Arc::new(move || {
        // Nobody needs waking once the loop is gone.
        let _ = proxy.send_event(WinitUserEvent::WakeUp);
    });
    let mode = UpdateMode::reactive_low_power(Duration::MAX);
    app.insert_resource(WinitSettings { focused_mode: mode, unfocused_mode: mode });
    let bench = make(wake.clone());
    furnish(&mut app, Box::new(bench), wake, RenderTarget::default(), None);
    match app.run() {
        AppExit::Success => Ok(()),
        AppExit::Error(_) => Err(WindowError::Ended),
    }
}

fn render_plugin(graphics: bool) -> RenderPlugin {
    let mut settings = WgpuSettings::default();
    if !graphics {
        settings.backends = None;
    }
    RenderPlugin {
        render_creation: RenderCreation::Automatic(Box::new(settings)),
        // A few small shaders: the first frame waits for them rather than showing nothing.
        synchronous_pipeline_compilation: true,
        ..RenderPlugin::default()
    }
}

/// The command line speaks for itself; bevy's lesser messages are for its own developers.
fn log_plugin() -> LogPlugin {
    LogPlugin { level: bevy::log::Level::ERROR, filter: String::new(), ..LogPlugin::default() }
}

/// Everything drawn is in the program itself; no folder is looked for beside it.
fn asset_plugin() -> AssetPlugin {
    AssetPlugin { file_path: ".".into(), ..AssetPlugin::default() }
}

/// Adds what windowed and headless apps have in common.
fn furnish(app: &mut App, bench: Box<dyn Bench>, wake: Wake, target: RenderTarget, samples: Option<u32>) {
    app.add_plugins((EguiPlugin::default(), DrawPlugin { samples }));
    app.world_mut().resource_mut::<EguiGlobalSettings>().auto_create_primary_context = false;
    let camera = app
        .world_mut()
        .spawn((
            Camera::default(),
            Projection::default(),
            CameraRenderGraph::new(BenchView),
            CameraMainTextureUsages::default().with(TextureUsages::COPY_DST),
            // The scans are drawn with samples of their own.
            Msaa::Off,
            target,
            GlobalTransform::default(),
            PrimaryEguiContext,
            EguiContextSettings { run_manually: true, ..EguiContextSettings::default() },
        ))
        .id();
    let (done, news) = channel();
    app.insert_resource(Face(bench))
        .insert_resource(Desk(camera))
        .insert_resource(Stage::new(wake.clone()))
        .insert_resource(alarm(wake.clone()))
        .insert_resource(Pictures { open: 0, done, news: Mutex::new(news), wake })
        .init_resource::<Soonest>()
        .init_resource::<Clock>()
        .init_resource::<Injected>()
        .init_resource::<OnlyMoved>()
        .init_resource::<EyeOfPanels>()
        .init_resource::<Messages<WindowCloseRequested>>()
        .init_non_send::<Clipboard>()
        .add_systems(Startup, listen_to_egui)
        .add_systems(First, begin)
        .add_systems(PreUpdate, inject.after(EguiPreUpdateSet::ProcessInput).before(EguiPreUpdateSet::BeginPass))
        .add_systems(Update, (hear, steer, panels, mirror, choose_levels, take_pictures).chain())
        .add_systems(PostUpdate, plan_next.after(EguiPostUpdateSet::PostProcessOutput))
        .add_systems(Last, end);
}

/// A thread that calls the wake when the earliest of the times it was given has come.
fn alarm(wake: Wake) -> Alarm {
    let (sender, times) = channel::<Instant>();
    std::thread::spawn(move || {
        let mut next: Option<Instant> = None;
        loop {
            let got = match next {
                Some(at) => times.recv_timeout(at.saturating_duration_since(Instant::now())),
                None => times.recv().map_err(RecvTimeoutError::from),
            };
            match got {
                Ok(at) => next = Some(next.map_or(at, |n| n.min(at))),
                Err(RecvTimeoutError::Timeout) => {
                    next = None;
                    wake();
                }
                Err(RecvTimeoutError::Disconnected) => return,
            }
        }
    });
    Alarm(Mutex::new(sender))
}

/// Has egui tell when it wants to be drawn again. Its own integration asks for a frame at once
/// whenever any is wanted, however late: a blinking cursor would keep the machine busy.
fn listen_to_egui(mut contexts: Query<&mut EguiContext>, soonest: Res<Soonest>) {
    for mut context in &mut contexts {
        let soonest = soonest.clone();
        context.get_mut().set_request_repaint_callback(move |wanted| {
            let mut held = soonest.0.lock().unwrap_or_else(PoisonError::into_inner);
            *held = Some(held.map_or(wanted.delay, |h| h.min(wanted.delay)));
        });
    }
}

fn begin(mut clock: ResMut<Clock>) {
    clock.begun = Some(Instant::now());
}

fn end(mut clock: ResMut<Clock>) {
    clock.frames += 1;
    clock.last = clock.begun.map_or(Duration::ZERO, |b| b.elapsed());
}

/// Completes the input. bevy_egui tells egui of the modifier keys in every frame, whether they
/// changed or not, and any event makes egui ask for another frame: the app would never rest.
fn inject(
    mut injected: ResMut<Injected>,
    mut held: Local<egui::Modifiers>,
    mut only_moved: ResMut<OnlyMoved>,
    mut clipboard: NonSendMut<Clipboard>,
    desk: Res<Desk>,
    mut inputs: Query<&mut EguiInput>,
) {
    let Ok(mut input) = inputs.get_mut(desk.0) else {
        return;
    };
    input.events.retain(|event| match event {
        egui::Event::ModifiersChanged(now) => std::mem::replace(&mut *held, *now) != *now,
        _ => true,
    });
    input.events.append(&mut injected.0);
    clipboard.read_keys(&mut input.events);
    let is_move = |e: &egui::Event| matches!(e, egui::Event::PointerMoved(_) | egui::Event::MouseMoved(_));
    only_moved.0 = !input.events.is_empty() && input.events.iter().all(is_move);
}

/// Lets the bench take what its workers finished, what was dropped on the window and the wish to
/// close it.
fn hear(
    mut face: ResMut<Face>,
    mut pictures: ResMut<Pictures>,
    mut dropped: MessageReader<FileDragAndDrop>,
    mut close: MessageReader<WindowCloseRequested>,
    mut exit: MessageWriter<AppExit>,
) {
    let _span = info_span!("hear").entered();
    // What changed is shown by this very frame.
    let _ = face.0.poll();
    let paths: Vec<PathBuf> = dropped
        .read()
        .filter_map(|d| match d {
            FileDragAndDrop::DroppedFile { path_buf, .. } => Some(path_buf.clone()),
            _ => None,
        })
        .collect();
    if !paths.is_empty() {
        face.0.dropped(paths);
    }
    let taken: Vec<_> = pictures.news.get_mut().unwrap_or_else(PoisonError::into_inner).try_iter().collect();
    for (path, result) in taken {
        face.0.picture_done(&path, result);
    }
    if (close.read().count() > 0 && face.0.may_close()) || face.0.wants_close() {
        exit.write(AppExit::Success);
    }
}

/// What the mouse did to the view and the scans.
fn steer(
    mut stage: ResMut<Stage>,
    mut face: ResMut<Face>,
    desk: Res<Desk>,
    mut desks: Query<(&mut EguiContext, &EguiInput)>,
) {
    let Ok((mut context, input)) = desks.get_mut(desk.0) else {
        return;
    };
    if input.events.is_empty() {
        return;
    }
    let _span = info_span!("steer").entered();
    let context = context.get_mut().clone();
    let covered = |at: egui::Pos2| context.layer_id_at(at).is_some_and(|l| l.order != egui::Order::Background);
    let stage = &mut *stage;
    let (mut mouse, mut view) = (std::mem::take(&mut stage.mouse), stage.view.clone());
    let find = |view: &crate::view::View, at: egui::Pos2| stage.find(view, at);
    let place = Place { area: stage.area, covered: &covered, find: &find };
    let said = mouse.take(&input.events, &place, &mut view);
    stage.mouse = mouse;
    if view != stage.view {
        stage.view = view;
        stage.moves();
    }
    for event in said {
        face.0.pointer(event);
    }
}

/// Draws the panels, and takes what the bench shows.
#[expect(clippy::too_many_arguments, reason = "a system has a parameter for each thing it uses")]
fn panels(
    mut stage: ResMut<Stage>,
    mut face: ResMut<Face>,
    mut shown: ResMut<EyeOfPanels>,
    told: Option<ResMut<Told>>,
    soonest: Res<Soonest>,
    mut fresh_signs: Local<u8>,
    mut clipboard: NonSendMut<Clipboard>,
    desk: Res<Desk>,
    mut desks: Query<(&mut EguiContext, &mut EguiInput, &mut EguiFullOutput)>,
) {
    let Ok((mut context, mut input, mut output)) = desks.get_mut(desk.0) else {
        return;
    };
    let context = context.get_mut();
    let eye = stage.eye();
    let mut area = egui::Rect::ZERO;
    let span = info_span!("panels").entered();
    let drawn = context.run_ui(input.take(), |ui| area = face.0.ui(ui, eye.as_ref()));
    drop(span);
    clipboard.keep(&drawn.platform_output.commands);
    if let Some(mut told) = told {
        told.0 = drawn.platform_output.accesskit_update.clone();
    }
    // Signs that are new in the fonts' texture reach the graphics card some frames later; the last frame before a rest
    // would lack them.
    *fresh_signs = if drawn.textures_delta.set.is_empty() { fresh_signs.saturating_sub(1) } else { UPLOADED_AFTER };
    if *fresh_signs > 0 {
        *soonest.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(Duration::ZERO);
    }
    **output = Some(drawn);
    stage.area = area;
    stage.scale = context.pixels_per_point();
    shown.0 = eye;
    let _span = info_span!("shown").entered();
    let next = face.0.shown();
    stage.show(next);
}

/// Takes pictures of the view as wished: of the screen with its call-outs, cut to the view.
fn take_pictures(
    mut commands: Commands,
    mut face: ResMut<Face>,
    mut pictures: ResMut<Pictures>,
    stage: Res<Stage>,
    desk: Res<Desk>,
    targets: Query<&RenderTarget>,
) {
    let Some(path) = face.0.picture_wanted() else {
        return;
    };
    let Ok(target) = targets.get(desk.0) else {
        return;
    };
    pictures.open += 1;
    let (area, done, wake) = (stage.area * stage.scale, pictures.done.clone(), pictures.wake.clone());
    commands.spawn(Screenshot(target.clone())).observe(
        move |captured: On<ScreenshotCaptured>, mut pictures: ResMut<Pictures>| {
            pictures.open = pictures.open.saturating_sub(1);
            let (image, path, done, wake) = (captured.image.clone(), path.clone(), done.clone(), wake.clone());
            // Packing a large picture takes longer than a frame.
            std::thread::spawn(move || {
                let result = picture::save(&image, area, &path);
                // The window may be gone by then.
                let _ = done.send((path, result));
                wake();
            });
        },
    );
}

/// Decides when the next frame is.
fn plan_next(
    mut redraws: ResMut<Messages<RequestRedraw>>,
    soonest: Res<Soonest>,
    alarm: Res<Alarm>,
    stage: Res<Stage>,
    pictures: Res<Pictures>,
    shown: Res<EyeOfPanels>,
    only_moved: Res<OnlyMoved>,
) {
    redraws.clear();
    let mut egui = soonest.0.lock().unwrap_or_else(PoisonError::into_inner).take();
    if only_moved.0 {
        // egui asks for two more frames after any event. While the pointer moves the next event
        // brings the next frame anyway.
        egui = egui.map(|delay| delay.max(AFTER_MOVES));
    }
    // Call-outs stand where the view was before it followed a wish or made room for a panel.
    let stale = stage.eye() != shown.0;
    let at_once = [egui, stale.then_some(Duration::ZERO)].into_iter().flatten().min();
    let busy = stage.pace.uploading.load(Relaxed) || stage.is_recolouring() || pictures.open > 0;
    match at_once.into_iter().chain(stage.settles_in()).min() {
        _ if busy => {
            redraws.write(RequestRedraw);
        }
        Some(Duration::ZERO) => {
            redraws.write(RequestRedraw);
        }
        Some(delay) if delay < FAR_OFF => {
            let sender = alarm.0.lock().unwrap_or_else(PoisonError::into_inner);
            // Fails only when the program ends.
            let _ = sender.send(Instant::now() + delay);
        }
        _ => {}
    }
}

/// Frames after which a sign that is new in the fonts' texture is surely drawn.
const UPLOADED_AFTER: u8 = 3;

/// How a headless app is set up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeadlessSettings {
    /// Pixels.
    pub size: [u32; 2],
    /// Pixels a logical point.
    pub scale: f32,
    /// Whether to draw; without it everything else still runs.
    pub graphics: bool,
    /// Samples a pixel of the scans, 1 or 4; by default 4 on a graphics card and 1 on a software
    /// driver.
    pub samples: Option<u32>,
}

impl Default for HeadlessSettings {
    /// The smallest screen that is provided for, drawn.
    fn default() -> HeadlessSettings {
        HeadlessSettings { size: FIRST_SIZE, scale: 1.0, graphics: true, samples: None }
    }
}

/// The same app without a window: it draws into an image and takes its events from a list.
pub struct Headless {
    app: App,
    image: Handle<Image>,
    size: [u32; 2],
    woken: Arc<AtomicBool>,
}

impl Headless {
    /// Sets it up.
    ///
    /// # Errors
    /// If it is to draw and there is no graphics driver.
    pub fn new<B: Bench>(settings: HeadlessSettings, make: impl FnOnce(Wake) -> B) -> Result<Headless, WindowError> {
        let built = std::panic::catch_unwind(|| {
            let mut app = App::new();
            let mut plugins = DefaultPlugins.set(log_plugin());
            // There is one log for the whole program.
            static LOGS: AtomicBool = AtomicBool::new(false);
            if LOGS.swap(true, Relaxed) {
                plugins = plugins.disable::<LogPlugin>();
            }
            app.add_plugins(
                plugins
                    .disable::<WinitPlugin>()
                    .disable::<TerminalCtrlCHandlerPlugin>()
                    // Pictures and timings are wanted of the frame that was just asked for.
                    .disable::<PipelinedRenderingPlugin>()
                    .set(WindowPlugin {
                        primary_window: None,
                        exit_condition: ExitCondition::DontExit,
                        ..WindowPlugin::default()
                    })
                    .set(render_plugin(settings.graphics))
                    .set(asset_plugin()),
            );
            app
        });
        let Ok(mut app) = built else {
            return Err(WindowError::NoGraphics);
        };
        let woken = Arc::new(AtomicBool::new(true));
        let wake: Wake = {
            let woken = woken.clone();
            Arc::new(move || woken.store(true, Relaxed))
        };
        let [width, height] = settings.size;
        let mut image = Image::new_target_texture(width, height, TextureFormat::Rgba8UnormSrgb, None);
        image.texture_descriptor.usage |= TextureUsages::COPY_SRC;
        let image = app.world_mut().resource_mut::<Assets<Image>>().add(image);
        let target = bevy::camera::ImageRenderTarget { handle: image.clone(), scale_factor: settings.scale };
        let bench = make(wake.clone());
        furnish(&mut app, Box::new(bench), wake, RenderTarget::Image(target), settings.samples);
        app.init_resource::<Told>();
        app.finish();
        app.cleanup();
        Ok(Headless { app, image, size: settings.size, woken })
    }

    /// One frame with these events.
    pub fn frame(&mut self, events: &[egui::Event]) {
        self.woken.store(false, Relaxed);
        self.app.world_mut().resource_mut::<Injected>().0.extend_from_slice(events);
        self.app.update();
    }

    /// Whether anything asks for a frame at once.
    pub fn wants_frame(&self) -> bool {
        self.woken.load(Relaxed) || !self.app.world().resource::<Messages<RequestRedraw>>().is_empty()
    }

    /// Frames as long as anything asks for one, or surfaces are being made ready; true if it came
    /// to rest in time.
    pub fn settle(&mut self, limit: Duration) -> bool {
        let begun = Instant::now();
        while begun.elapsed() < limit {
            self.frame(&[]);
            if self.wants_frame() {
                continue;
            }
            let stage = self.stage();
            if stage.settles_in().is_none() && !stage.is_busy() {
                return true;
            }
            std::thread::sleep(Duration::from_millis(2));
        }
        false
    }

    /// The view and what it shows.
    pub fn stage(&self) -> &Stage {
        self.app.world().resource::<Stage>()
    }

    /// The same, to be changed.
    pub fn stage_mut(&mut self) -> Mut<'_, Stage> {
        self.app.world_mut().resource_mut::<Stage>()
    }

    /// What the last frame cost.
    pub fn clock(&self) -> &Clock {
        self.app.world().resource::<Clock>()
    }

    /// The graphics driver's name; none if nothing is drawn.
    pub fn graphics(&self) -> Option<String> {
        let info = self.app.world().get_resource::<bevy::render::renderer::RenderAdapterInfo>()?;
        Some(format!("{} ({:?}, {:?})", info.name, info.device_type, info.backend))
    }

    /// Waits until the graphics card has done everything it was handed.
    pub fn wait_for_card(&self) {
        if let Some(device) = self.app.world().get_resource::<bevy::render::renderer::RenderDevice>() {
            // A lost card is seen by the next frame.
            let _ = device.poll(bevy::render::render_resource::PollType::wait_indefinitely());
        }
    }

    /// The bodies that mirror what is shown: slot, number, level, in order of slot.
    pub fn bodies(&mut self) -> Vec<(usize, u64, usize)> {
        let world = self.app.world_mut();
        let mut bodies: Vec<_> = world.query::<&Body>().iter(world).map(|b| (b.slot, b.id, b.level)).collect();
        bodies.sort_unstable();
        bodies
    }

    /// How many corners' colours wait for the graphics card.
    pub fn waiting_colours(&mut self) -> usize {
        let world = self.app.world_mut();
        world.query::<&Body>().iter(world).map(Body::waiting).sum()
    }

    /// What egui wants of its surroundings, as for the accessibility tree.
    pub fn context(&mut self) -> Option<egui::Context> {
        let desk = self.app.world().resource::<Desk>().0;
        self.app.world_mut().get_mut::<EguiContext>(desk).map(|mut c| c.get_mut().clone())
    }

    /// Where the widget of this name is, logical points; the first of several.
    pub fn widget(&mut self, name: &str) -> Option<egui::Rect> {
        self.context()?.enable_accesskit();
        self.frame(&[]);
        let tree = self.app.world().resource::<Told>().0.as_ref()?;
        let (_, node) = tree.nodes.iter().find(|(_, node)| node.label().or(node.value()) == Some(name))?;
        let bounds = node.bounds()?;
        let corner = |x: f64, y: f64| egui::pos2(x as f32, y as f32);
        Some(egui::Rect::from_min_max(corner(bounds.x0, bounds.y0), corner(bounds.x1, bounds.y1)))
    }

    /// The whole screen as it is, 8-bit sRGB with opacity, row by row; `None` if nothing is drawn.
    pub fn screen(&mut self) -> Option<([u32; 2], Vec<u8>)> {
        self.graphics()?;
        let (sender, receiver) = channel();
        self.app.world_mut().spawn(Screenshot::image(self.image.clone())).observe(
            move |captured: On<ScreenshotCaptured>| {
                // The receiver waits below.
                let _ = sender.send(captured.image.data.clone());
            },
        );
        for _ in 0..200 {
            self.frame(&[]);
            if let Ok(data) = receiver.try_recv() {
                return data.map(|data| (self.size, data));
            }
        }
        None
    }

    /// The whole screen as a PNG file.
    ///
    /// # Errors
    /// A sentence if it cannot be drawn or written.
    pub fn save_screen(&mut self, path: &std::path::Path) -> Result<(), String> {
        let (size, data) = self.screen().ok_or("nothing is drawn without a graphics driver")?;
        picture::write_png(path, size, &data)
    }
}
