//! The sheet of the stop Clearance: which bodies, what is to be kept clear, the sweep and its verdicts.

use super::geometry::colour;
use super::{Action, parts};
use crate::clearance::acts::Act;
use crate::clearance::sweeps::{Sweeps, Swept};
use crate::clearance::view;
use crate::geometry;
use crate::keys::Command;
use crate::state::State;
use crate::theme;
use egui::{CollapsingHeader, ComboBox, Grid, Id, RichText, Ui, WidgetInfo, WidgetType};
use std::sync::Arc;
use stringline_clearance::{CAUTIONS, Outcome, Verdict};
use stringline_core::covariance::{rounded, two_significant};
use stringline_hardpoints::{Role, Side};
use stringline_job::{BodyShape, BodySpec, ClearanceSpec, Job, Name, Op, Place, WheelSpec};
use stringline_kinematics::Link;

/// Diameter that a new tube begins with, mm.
const TUBE: f64 = 25.0;

pub(super) fn sheet(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    ui.heading("Clearance");
    let Some(job) = state.job() else { return };
    let clearance = &state.clearance;
    let Some(sweeps) = &clearance.sweeps else {
        bodies(ui, state, job, actions);
        wanted(ui, job, actions);
        begin(ui, state, job, actions);
        return;
    };
    if sweeps.revision != job.revision() {
        parts::note(ui, theme::of(ui).amber, |ui| {
            ui.label("The job has changed since this sweep: sweep again.");
        });
    }
    look(ui, state, actions);
    limits(ui, state, sweeps, actions);
    if let Some(swept) = clearance.swept(&state.geometry.hand) {
        verdicts(ui, swept, actions);
    }
    for (name, trouble) in &sweeps.failed {
        parts::heading(ui, name);
        parts::trouble(ui, trouble);
    }
    begin(ui, state, job, actions);
    // What was swept, out of the way of what came of it.
    ui.add_space(6.0);
    CollapsingHeader::new("What is swept").show(ui, |ui| {
        bodies(ui, state, job, actions);
        wanted(ui, job, actions);
    });
    parts::heading(ui, "Before you cut, weld or drive");
    for caution in CAUTIONS.iter().chain(&stringline_hardpoints::export::CAUTION) {
        parts::faint(ui, *caution);
    }
}

/// Sweeping, and what went wrong with it.
fn begin(ui: &mut Ui, state: &State, job: &Job, actions: &mut Vec<Action>) {
    ui.add_space(6.0);
    ui.horizontal_wrapped(|ui| {
        let busy = state.clearance.task.is_some_and(|id| state.task(id).is_some());
        parts::command(ui, Command::Sweep, !busy && !job.bodies.is_empty(), actions);
        if busy {
            parts::faint(ui, "sweeping …");
        } else if state.clearance.waits {
            parts::faint(ui, "waiting for the hardpoints …");
        }
    });
    if let Some(trouble) = &state.clearance.failed {
        parts::trouble(ui, trouble);
    }
}

/// What moves with what.
fn bodies(ui: &mut Ui, state: &State, job: &Arc<Job>, actions: &mut Vec<Action>) {
    parts::heading(ui, "Bodies");
    if job.bodies.is_empty() {
        ui.label("Say which scan moves with what, and add the wheel.");
    }
    for (name, body) in &job.bodies {
        ui.push_id(("body", name.as_str()), |ui| one_body(ui, job, name, body, actions));
    }
    for name in job.scans.keys() {
        let known = job.bodies.values().any(|b| matches!(&b.shape, BodyShape::Scan { scan } if scan == name));
        if known || job.bodies.contains_key(name) {
            continue;
        }
        let side = geometry::linkage::knuckle_side(state, name);
        let (moves_with, side) = match side {
            Some(side) => (Link::Knuckle, side),
            None => (Link::Chassis, Side::Centre),
        };
        if parts::button(ui, &format!("+ {name}"), "This scan is a body that something could touch.") {
            let body = new_body(BodyShape::Scan { scan: name.clone() }, moves_with, side);
            actions.push(set(name, body));
        }
    }
    ui.horizontal_wrapped(|ui| {
        let wheel = job.bodies.values().any(|b| matches!(b.shape, BodyShape::Wheel(_)));
        if !wheel && parts::button(ui, "+ wheel", "The wheel with its tyre, from the sizes of the car and the rim.") {
            for side in [Side::Left, Side::Right] {
                let shape = BodyShape::Wheel(WheelSpec {
                    tyre: None,
                    rim_width: None,
                    offset: None,
                    new: false,
                    bulge: 0.0,
                    section: Vec::new(),
                    extra: Default::default(),
                });
                if let Ok(name) = format!("wheel {}", side.name()).parse::<Name>() {
                    actions.push(set(&name, new_body(shape, Link::Knuckle, side)));
                }
            }
        }
        let rods = job.bodies.values().any(|b| matches!(b.shape, BodyShape::Tube { .. }));
        if !rods && parts::button(ui, "+ tie rods", "A round bar between both ends of each tie rod.") {
            for side in [Side::Left, Side::Right] {
                let (from, to) = (Place::Hardpoint(Role::TieRodInner), Place::Hardpoint(Role::TieRodOuter));
                if let Ok(name) = format!("tie rod {}", side.name()).parse::<Name>() {
                    let shape = BodyShape::Tube { from, to, diameter: TUBE };
                    actions.push(set(&name, new_body(shape, Link::TieRod, side)));
                }
            }
        }
    });
    parts::faint(
        ui,
        "A new part's design is added as a scan is, placed at the stop Car frame, and fitted in its variant here.",
    );
}

fn new_body(shape: BodyShape, moves_with: Link, side: Side) -> BodySpec {
    BodySpec {
        shape,
        moves_with,
        side,
        variants: Vec::new(),
        drawn_in: None,
        made_within: None,
        extra: Default::default(),
    }
}

fn set(name: &Name, body: BodySpec) -> Action {
    Action::Do(vec![Op::SetBody { name: name.clone(), body: Box::new(body) }])
}

fn one_body(ui: &mut Ui, job: &Job, name: &Name, body: &BodySpec, actions: &mut Vec<Action>) {
    let what = match &body.shape {
        BodyShape::Scan { .. } => "",
        BodyShape::Tube { .. } => "tube",
        BodyShape::Plate { .. } => "plate",
        BodyShape::Wheel(_) => "wheel",
        BodyShape::TurnedScan { .. } => "scanned wheel",
    };
    let with = format!("moves with {}{}", body.moves_with.words(), side_words(body.side));
    CollapsingHeader::new(name.as_str())
        .id_salt("one")
        .show(ui, |ui| {
            let mut changed = body.clone();
            ui.horizontal(|ui| {
                let label = ui.label("moves with");
                let combo = ComboBox::from_id_salt("link").selected_text(body.moves_with.words()).show_ui(ui, |ui| {
                    for link in Link::ALL {
                        ui.selectable_value(&mut changed.moves_with, link, link.words());
                    }
                });
                combo.response.labelled_by(label.id);
            });
            ui.horizontal(|ui| {
                let label = ui.label("corner");
                let combo = ComboBox::from_id_salt("side").selected_text(body.side.name()).show_ui(ui, |ui| {
                    for side in [Side::Left, Side::Right, Side::Centre] {
                        ui.selectable_value(&mut changed.side, side, side.name());
                    }
                });
                combo.response.labelled_by(label.id);
            });
            if !job.variants.is_empty() {
                ui.horizontal(|ui| {
                    let label = ui.label("fitted in");
                    let now = match body.variants.as_slice() {
                        [] => "every variant".to_owned(),
                        some => some.join(", "),
                    };
                    let combo = ComboBox::from_id_salt("variants").selected_text(now).show_ui(ui, |ui| {
                        if ui.selectable_label(body.variants.is_empty(), "every variant").clicked() {
                            changed.variants.clear();
                        }
                        let names = std::iter::once(stringline_kinematics::AS_FOUND)
                            .chain(job.variants.iter().map(|variant| variant.name.as_str()));
                        for variant in names {
                            let has = body.variants.iter().any(|known| known == variant);
                            if ui.selectable_label(has, variant).clicked() {
                                match has {
                                    true => changed.variants.retain(|known| known != variant),
                                    false => changed.variants.push(variant.to_owned()),
                                }
                            }
                        }
                    });
                    combo
                        .response
                        .labelled_by(label.id)
                        .on_hover_text("The old part as found, the new one in its variant.");
                });
            }
            match &mut changed.shape {
                BodyShape::Tube { diameter, .. } => number(ui, "diameter", "mm", diameter),
                BodyShape::Plate { thickness, .. } => number(ui, "thickness", "mm", thickness),
                BodyShape::Wheel(wheel) => {
                    number(ui, "bulge of each side", "mm", &mut wheel.bulge);
                    let mut offset = wheel.offset.or(job.vehicle.rim_offset).unwrap_or(0.0);
                    number(ui, "rim offset", "mm", &mut offset);
                    if wheel.offset.or(job.vehicle.rim_offset) != Some(offset) {
                        wheel.offset = Some(offset);
                    }
                    let tyre = wheel.tyre.clone().or_else(|| job.vehicle.tyre.clone());
                    parts::faint(
                        ui,
                        format!("tyre {}", tyre.as_deref().unwrap_or("not known: see \"The car\" at Geometry")),
                    );
                }
                BodyShape::Scan { .. } | BodyShape::TurnedScan { .. } => {}
            }
            if changed != *body {
                actions.push(set(name, changed));
            }
            if parts::button(ui, "Take it out", "It is no body any more; a scan stays in the job.") {
                actions.push(Action::Do(vec![Op::RemoveBody { name: name.clone() }]));
            }
        })
        .header_response
        .on_hover_text(format!("{what} {with}").trim());
}

fn side_words(side: Side) -> String {
    if side == Side::Centre { String::new() } else { format!(", {}", side.name()) }
}

/// A number that is taken once it is typed, not while it is.
fn number(ui: &mut Ui, name: &str, unit: &str, value: &mut f64) {
    let initial = format!("{value}");
    let (text, entered) = parts::number_field(ui, ui.id().with(name), name, unit, &initial);
    if entered && let Some(now) = parts::number(&text) {
        *value = now;
    }
}

/// The gap wanted and the states looked at.
fn wanted(ui: &mut Ui, job: &Job, actions: &mut Vec<Action>) {
    parts::heading(ui, "Keep clear");
    let known = job.clearance.as_ref().map(|spec| ClearanceSpec::clone(spec)).unwrap_or_default();
    let mut spec = known.clone();
    let [low, high] = &mut spec.travel;
    for (name, unit, value) in [
        ("gap wanted", "mm", &mut spec.wanted),
        ("lock up to ±", "°", &mut spec.lock_deg),
        ("travel from", "mm", low),
        ("travel to", "mm", high),
    ] {
        number(ui, name, unit, value);
    }
    ui.horizontal(|ui| {
        for side in [Side::Left, Side::Right] {
            let words = format!("{} corner", side.name());
            if ui.selectable_label(spec.side == side, words).on_hover_text("Which corner is swept.").clicked() {
                spec.side = side;
            }
        }
    });
    parts::faint(ui, "Numbers are taken with Enter.");
    if spec != known {
        actions.push(Action::Do(vec![Op::SetClearance { clearance: Some(Box::new(spec)) }]));
    }
}

/// The state looked at.
fn look(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(view) = view(state) else { return };
    parts::heading(ui, "Look at");
    let sweep = &view.swept.sweep;
    for (name, axis, count, words, keys) in [
        (
            "Lock",
            1,
            sweep.locks.len(),
            format!("{:+.1}°", view.state.lock.to_degrees()),
            [Command::RackRight, Command::RackLeft],
        ),
        ("Travel", 0, sweep.travels.len(), format!("{:+.1} mm", view.state.travel), [Command::Fall, Command::Rise]),
    ] {
        ui.horizontal(|ui| {
            let label = ui.label(name);
            ui.add_space((52.0 - label.rect.width()).max(0.0));
            ui.spacing_mut().slider_width = 150.0;
            let mut at = view.at;
            let slider = egui::Slider::new(&mut at[axis], 0..=count.saturating_sub(1)).show_value(false);
            let tip = format!("States of the sweep.\nKeys: {} and {}", keys[0].key_words(), keys[1].key_words());
            if ui.add(slider).labelled_by(label.id).on_hover_text(tip).changed() {
                actions.push(Action::Clearance(Act::At(at)));
            }
            ui.label(words.replace('-', "−"));
        });
    }
    let ink = theme::of(ui);
    match (&view.state.poses, view.nearest()) {
        (Err(stop), _) => drop(ui.label(RichText::new(format!("no such position: {stop}")).color(ink.amber))),
        (Ok(_), None) => drop(parts::faint(ui, "Everything is further apart than was looked for.")),
        (Ok(_), Some((pair, closest, _))) => {
            let wanted = sweep.pairs.get(pair).map_or(0.0, |pair| pair.wanted);
            let words = view.swept.pairs.get(pair).map_or("", String::as_str);
            let text = match closest.gap > 0.0 {
                true => format!("{words}: {} mm", rounded(closest.gap, 0.01)),
                false => format!("{words}: they touch"),
            };
            let colour = if closest.gap < wanted { ink.red } else { ink.ink };
            ui.label(RichText::new(text).color(colour));
        }
    }
    ui.horizontal_wrapped(|ui| {
        parts::switch(ui, Command::Play, state.clearance.playing.is_some(), true, actions);
        parts::command(ui, Command::Rest, true, actions);
        match &state.clearance.frames {
            None => drop(parts::command(ui, Command::Frames, true, actions)),
            Some(frames) => {
                ui.label(format!("picture {} of {}", frames.next + 1, sweep.locks.len()));
                if parts::button(ui, "Stop", "What is written stays.") {
                    actions.push(Action::Clearance(Act::StopFrames));
                }
            }
        }
    });
}

/// Old against new: the largest lock of each variant.
fn limits(ui: &mut Ui, state: &State, sweeps: &Sweeps, actions: &mut Vec<Action>) {
    parts::heading(ui, "Largest lock");
    let first = sweeps.of.first();
    for swept in &sweeps.of {
        let here = state.clearance.swept(&state.geometry.hand).is_some_and(|known| std::ptr::eq(known, swept));
        let text = RichText::new(format!("— {}", swept.name));
        let text = if here { text.color(theme::of(ui).on_blue) } else { text.color(colour(ui, state, &swept.name)) };
        let tip = format!("Look at this variant.\nKey: {}", Command::NextVariant.key_words());
        let button = ui.selectable_label(here, text).on_hover_text(tip);
        button.widget_info(|| WidgetInfo::selected(WidgetType::Button, true, here, &swept.name));
        if button.clicked() && !here {
            actions.push(Action::Geometry(geometry::Act::Hand(swept.name.clone())));
        }
        Grid::new(("limits", &swept.name)).num_columns(3).spacing([8.0, 2.0]).show(ui, |ui| {
            for (side, (words, limit)) in ["right", "left"].into_iter().zip(&swept.limits).enumerate() {
                ui.label(words);
                let gained = first.filter(|first| !std::ptr::eq(*first, swept)).and_then(|first| {
                    let gained = limit.lock_deg? - first.limits.get(side)?.lock_deg?;
                    Some(format!("  {gained:+.1}°").replace('-', "−"))
                });
                ui.label(limit.words() + gained.as_deref().unwrap_or(""));
                let travel = limit.travel.map_or(String::new(), |travel| format!(", travel {travel:+.0} mm"));
                let by = format!("{}{}", limit.by, travel.replace('-', "−"));
                ui.add(egui::Label::new(RichText::new(&by).small().color(theme::of(ui).faint)).truncate())
                    .on_hover_text(by);
                ui.end_row();
            }
        });
    }
    parts::faint(
        ui,
        format!("Over all travel, with {} mm kept, between the states looked at too. ± at 95 %.", sweeps.spec.wanted),
    );
}

/// Of each pair the smallest gap over all states.
fn verdicts(ui: &mut Ui, swept: &Swept, actions: &mut Vec<Action>) {
    parts::heading(ui, "Verdict");
    let ink = theme::of(ui);
    for (pair, nearest) in swept.pairs.iter().zip(&swept.nearest) {
        ui.label(pair);
        ui.indent(Id::new(("verdict", pair)), |ui| match nearest {
            None => drop(parts::faint(ui, "passes: further apart than was looked for")),
            Some((verdict, at)) => {
                ui.horizontal_wrapped(|ui| {
                    let colour = match verdict.outcome {
                        Outcome::Passes => ink.ink,
                        Outcome::TooCloseToCall => ink.amber,
                        Outcome::FallsShort | Outcome::Touches => ink.red,
                    };
                    ui.label(RichText::new(verdict.outcome.words()).color(colour).strong());
                    ui.label(gap_words(verdict));
                    if parts::button(ui, "Show", "Go to the state where they come nearest.") {
                        actions.push(Action::Clearance(Act::At(*at)));
                    }
                });
                let from: Vec<String> =
                    verdict.components.iter().map(|c| format!("{} {}", c.name, two_significant(c.standard))).collect();
                if !from.is_empty() {
                    parts::faint(ui, format!("standard uncertainties, mm: {}", from.join(", ")));
                }
            }
        });
    }
}

fn gap_words(verdict: &Verdict) -> String {
    if verdict.u95 > 0.0 {
        format!("{} ± {} mm", rounded(verdict.gap, verdict.u95), two_significant(verdict.u95))
    } else {
        format!("{} mm", rounded(verdict.gap, 0.015))
    }
}
