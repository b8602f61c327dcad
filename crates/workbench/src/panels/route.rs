//! The route across the top: where one is in the job, how each stop stands, what it still needs.

use super::{Action, parts};
use crate::keys::Command;
use crate::state::{State, Stop, There};
use crate::theme;
use crate::words::plural;
use egui::{Align, Button, Layout, RichText, Stroke, Ui, WidgetInfo, WidgetType, vec2};
use stringline_hardpoints::Role;

/// A stop with the command that leads there.
const STOPS: [(Stop, Command); 6] = [
    (Stop::Scans, Command::StopScans),
    (Stop::Features, Command::StopFeatures),
    (Stop::Frame, Command::StopFrame),
    (Stop::Geometry, Command::StopGeometry),
    (Stop::Clearance, Command::StopClearance),
    (Stop::Cut, Command::StopCut),
];

/// How a stop stands.
pub(super) struct Standing {
    words: String,
    /// Nothing is left to do there.
    done: bool,
    /// Something there went wrong.
    wrong: bool,
}

pub(super) fn bar(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    ui.add_space(2.0);
    ui.horizontal(|ui| {
        ui.spacing_mut().item_spacing.x = 3.0;
        for (number, (stop, command)) in STOPS.into_iter().enumerate() {
            if number > 0 {
                let (rect, _) = ui.allocate_exact_size(vec2(9.0, 1.0), egui::Sense::hover());
                ui.painter().hline(rect.x_range(), rect.center().y, Stroke::new(1.5, theme::of(ui).hair));
            }
            stop_button(ui, state, stop, command, actions);
        }
        ui.with_layout(Layout::right_to_left(Align::Center), |ui| tools(ui, state, actions));
    });
    ui.add_space(2.0);
}

fn stop_button(ui: &mut Ui, state: &State, stop: Stop, command: Command, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    let standing = standing(state, stop);
    let here = state.job.is_some() && state.stop == stop;
    let (name, status) = if here {
        (RichText::new(command.words()).color(ink.on_blue), RichText::new(&standing.words).small().color(ink.on_blue))
    } else {
        let later = stop == Stop::Cut;
        let colour = if standing.wrong { ink.red } else { ink.faint };
        (
            RichText::new(command.words()).color(if later { ink.faint } else { ink.ink }),
            RichText::new(&standing.words).small().color(colour),
        )
    };
    let mark = format!("{} {}", command.key_words(), if standing.done { "✓ " } else { "" });
    let mut job = egui::text::LayoutJob::default();
    RichText::new(mark).color(if here { ink.on_blue } else { ink.blue }).append_to(
        &mut job,
        ui.style(),
        egui::FontSelection::Default,
        Align::Center,
    );
    let below = if state.job.is_some() { vec![RichText::new("\n"), status] } else { Vec::new() };
    for text in std::iter::once(name).chain(below) {
        text.append_to(&mut job, ui.style(), egui::FontSelection::Default, Align::Center);
    }
    let button = Button::new(job).fill(if here { ink.blue } else { egui::Color32::TRANSPARENT }).stroke(Stroke::NONE);
    let tip = format!("{}\nIt stands: {}", command.tip(), standing.words);
    let response = ui.add_enabled(state.job.is_some(), button).on_hover_text(tip);
    let label = format!("{}: {}", command.words(), standing.words);
    response.widget_info(|| WidgetInfo::selected(WidgetType::Button, state.job.is_some(), here, &label));
    if response.clicked() {
        actions.push(Action::Go(stop));
    }
}

/// A button without a frame, its key beside it.
fn quiet(it: Command) -> Button<'static> {
    let key = RichText::new(it.key_words()).small();
    Button::new(it.words()).shortcut_text(key).frame_when_inactive(false)
}

/// The actions on the job as a whole, from the right.
fn tools(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let open = state.job.as_ref();
    let tool = |ui: &mut Ui, it: Command, enabled: bool, actions: &mut Vec<Action>| {
        let response = ui.add_enabled(enabled, quiet(it)).on_hover_text(it.tip()).on_disabled_hover_text(it.tip());
        response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, enabled, it.words()));
        if response.clicked() {
            actions.push(Action::Command(it));
        }
    };
    let menu = ui.menu_button("More", |ui| {
        for it in [
            Command::New,
            Command::Open,
            Command::AddScan,
            Command::SaveAs,
            Command::Picture,
            Command::Theme,
            Command::Drawer,
            Command::Settings,
            Command::Keys,
        ] {
            let needs_job = matches!(it, Command::SaveAs | Command::Picture | Command::Drawer);
            if parts::command(ui, it, open.is_some() || !needs_job, actions).clicked() {
                ui.close();
            }
        }
    });
    menu.response.on_hover_text("Everything else that concerns the job and the window");
    ui.menu_button("View", |ui| {
        for it in [
            Command::Fit,
            Command::SquareOn,
            Command::Section,
            Command::Parallel,
            Command::Front,
            Command::Rear,
            Command::Left,
            Command::Right,
            Command::Top,
            Command::Under,
            Command::Fold,
        ] {
            let on = match it {
                Command::Section => state.section.is_some(),
                Command::Parallel => state.parallel,
                Command::Fold => state.fold_all,
                _ => false,
            };
            if parts::switch(ui, it, on, open.is_some(), actions).clicked() {
                ui.close();
            }
        }
    })
    .response
    .on_hover_text("Where to look from, and cutting the view open");
    tool(ui, Command::Export, open.is_some(), actions);
    let steps = |n: usize, words: &str| if n == 0 { String::new() } else { format!("{words} ({n})") };
    let (done, undone) = open.map_or((0, 0), |open| (open.history.done().count(), open.history.undone().count()));
    for (it, n) in [(Command::Redo, undone), (Command::Undo, done)] {
        let step = open.and_then(|open| match it {
            Command::Undo => open.history.done().last(),
            _ => open.history.undone().next(),
        });
        let tip = match step {
            Some(step) => format!("{}: {step}\n{}", steps(n, it.words()), it.tip()),
            None => it.tip(),
        };
        let response = ui.add_enabled(n > 0, quiet(it)).on_hover_text(tip.clone());
        response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, n > 0, it.words()));
        if response.on_disabled_hover_text(tip).clicked() {
            actions.push(Action::Command(it));
        }
    }
    let unsaved = open.is_some_and(|open| !open.is_saved());
    tool(ui, Command::Save, unsaved, actions);
    if let Some(open) = open {
        let ink = theme::of(ui);
        let title = &open.history.job().title;
        let name = if !title.is_empty() {
            title.clone()
        } else if open.draft {
            "new job".into()
        } else {
            open.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
        };
        let state = if unsaved { "not saved" } else { "saved" };
        let text =
            RichText::new(format!("{state} · {name}")).small().color(if unsaved { ink.amber } else { ink.faint });
        ui.add(egui::Label::new(text).truncate()).on_hover_text(open.path.display().to_string());
    }
}

/// How a stop stands, in as few words as will do.
pub(super) fn standing(state: &State, stop: Stop) -> Standing {
    let plain = |words: String| Standing { words, done: false, wrong: false };
    let Some(job) = state.job() else { return plain("–".into()) };
    match stop {
        Stop::Scans => {
            let there = |wanted: fn(&There) -> bool| state.scans.values().filter(|scan| wanted(&scan.there)).count();
            let failed = there(|there| matches!(there, There::Failed(_)));
            let loading = there(|there| matches!(there, There::Loading(_) | There::Coarse(..)));
            if job.scans.is_empty() {
                plain("add one".into())
            } else if failed > 0 {
                Standing { wrong: true, ..plain(format!("{failed} not there")) }
            } else if loading > 0 {
                plain(format!("loading {loading}"))
            } else {
                Standing { done: true, ..plain(plural(job.scans.len(), "scan")) }
            }
        }
        Stop::Features => {
            let failed = state.results.failures.iter().filter(|failed| failed.what != "scan").count();
            if job.features.is_empty() {
                plain("paint one".into())
            } else if failed > 0 {
                Standing { wrong: true, ..plain(format!("{failed} need a look")) }
            } else {
                match missing(state) {
                    Some(missing) if missing.is_empty() => Standing { done: true, ..plain("corner complete".into()) },
                    Some(missing) => plain(format!("{} to go", missing.len())),
                    None => plain(plural(job.features.len(), "feature")),
                }
            }
        }
        Stop::Frame => {
            let placed = job.scans.keys().filter(|name| state.car_from_scan(name).is_some()).count();
            let all = job.scans.len();
            Standing { done: placed == all && all > 0, ..plain(format!("{placed} of {all} placed")) }
        }
        Stop::Geometry => {
            // What one side lacks is the mirror image of the other's.
            let present: Vec<Role> = job.hardpoints.iter().map(|hardpoint| hardpoint.role).collect();
            match job.suspension.map(|suspension| suspension.missing(&present).len()) {
                None => plain("say which corner".into()),
                Some(0) if job.variants.is_empty() => plain("as found".into()),
                Some(0) => Standing { done: true, ..plain(plural(job.variants.len(), "variant")) },
                Some(missing) => plain(format!("needs {}", plural(missing, "hardpoint"))),
            }
        }
        Stop::Clearance => match &state.clearance.sweeps {
            Some(sweeps) if sweeps.revision == job.revision() => Standing { done: true, ..plain("swept".into()) },
            _ if job.bodies.is_empty() => plain("no bodies".into()),
            _ => plain("not swept".into()),
        },
        Stop::Cut => plain("not yet".into()),
    }
}

/// The roles that a complete corner still needs on the side worked on; `None` until its kind is known.
pub(super) fn missing(state: &State) -> Option<Vec<&'static [Role]>> {
    let suspension = state.job()?.suspension?;
    Some(suspension.missing(&state.roles_present(state.side)))
}
