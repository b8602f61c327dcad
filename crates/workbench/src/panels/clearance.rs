//! The sheet of the stop Clearance: which bodies, what is to be kept clear, the sweep and its verdicts.

use super::bodies::{bodies, number};
use super::geometry::colour;
use super::{Action, parts};
use crate::clearance::acts::Act;
use crate::clearance::marks;
use crate::clearance::sweeps::{Sweeps, Swept};
use crate::clearance::view;
use crate::geometry;
use crate::keys::Command;
use crate::state::State;
use crate::theme;
use egui::{CollapsingHeader, Grid, Id, RichText, Ui, WidgetInfo, WidgetType};
use stringline_clearance::{CAUTIONS, Outcome, gap_words};
use stringline_core::covariance::{rounded, two_significant};
use stringline_hardpoints::Side;
use stringline_job::{ClearanceSpec, Job, Op};

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
        verdicts(ui, state, swept, actions);
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

/// Marking what must go for a pair to keep the wanted gap.
fn cut_here(ui: &mut Ui, state: &State, swept: &Swept, pair: usize, actions: &mut Vec<Action>) {
    let it = Command::CutHere;
    let marked = marks::shown(state).filter(|marked| marked.pair == pair);
    let cannot = marks::cannot(swept, pair);
    let words = swept.pairs.get(pair).map_or("", String::as_str);
    let tip = format!("{}\nKey: {}, for the pair that is nearest now.", it.why(), it.key_words());
    ui.horizontal_wrapped(|ui| {
        let button = egui::Button::selectable(marked.is_some(), it.words()).frame_when_inactive(true);
        let response = ui.add_enabled(cannot.is_none(), button).on_hover_text(&tip);
        let response = response.on_disabled_hover_text(cannot.unwrap_or(&tip));
        let name = format!("{}: {words}", it.words());
        response.widget_info(|| WidgetInfo::selected(WidgetType::Button, cannot.is_none(), marked.is_some(), &name));
        if response.clicked() {
            actions.push(Action::Clearance(Act::Mark(pair)));
        }
        if state.clearance.marking.is_some_and(|(id, of)| of == pair && state.task(id).is_some()) {
            parts::faint(ui, "marking …");
        }
    });
    if let Some(marked) = marked {
        ui.label(RichText::new(&marked.sentence).color(if marked.depth > 0.0 {
            theme::of(ui).red
        } else {
            theme::of(ui).ink
        }));
    }
}

/// Of each pair the smallest gap over all states.
fn verdicts(ui: &mut Ui, state: &State, swept: &Swept, actions: &mut Vec<Action>) {
    parts::heading(ui, "Verdict");
    let ink = theme::of(ui);
    for (number, (pair, nearest)) in swept.pairs.iter().zip(&swept.nearest).enumerate() {
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
                    ui.label(format!("{} mm", gap_words(verdict.gap, verdict.u95)));
                    if parts::button(ui, "Show", "Go to the state where they come nearest.") {
                        actions.push(Action::Clearance(Act::At(*at)));
                    }
                });
                let from: Vec<String> =
                    verdict.components.iter().map(|c| format!("{} {}", c.name, two_significant(c.standard))).collect();
                if !from.is_empty() {
                    parts::faint(ui, format!("standard uncertainties, mm: {}", from.join(", ")));
                }
                cut_here(ui, state, swept, number, actions);
            }
        });
    }
}
