//! Of the car frame's sheet: laying one scan on another, and how well all mates agree.

use super::{Action, parts};
use crate::keys::Command;
use crate::placing::{Act, By, LONGER, laid};
use crate::state::State;
use crate::theme;
use crate::words::{Trouble, count};
use egui::{CollapsingHeader, RichText, Ui};
use stringline_core::covariance::{largest_sigma, rounded, two_significant};
use stringline_job::{How, Laid, Name, Op};

/// So many standard deviations off, and a residual is worth a look.
const WORTH_A_LOOK: f64 = 3.0;

/// The ways to lay the scan that is coloured on the other one.
pub(super) fn lay(ui: &mut Ui, state: &State, [of, from]: [&Name; 2], actions: &mut Vec<Action>) {
    let mut act = |act: Act| actions.push(Action::Placing(act));
    if let Some(picking) = &state.placing.picking {
        let next = match picking.half {
            None => format!("Click a place on {}.", picking.scan),
            Some(_) => format!("Click the same place on {}.", picking.on),
        };
        parts::note(ui, theme::of(ui).blue, |ui| {
            ui.label(next);
            let pairs = crate::words::plural(picking.pairs.len(), "pair");
            parts::faint(ui, format!("{pairs} picked; three or more, far apart, not in a row."));
        });
        let enough = picking.pairs.len() >= 3;
        ui.horizontal_wrapped(|ui| {
            let points = ui.add_enabled(enough, egui::Button::new("Lay by these points"));
            if points.on_hover_text("As well as you could click: to about a millimetre.").clicked() {
                act(Act::Lay(By::Points));
            }
            let surface = ui.add_enabled(enough, egui::Button::new("Then by the surface"));
            if surface.on_hover_text("The points begin, the surface that both scans saw decides.").clicked() {
                act(Act::Lay(By::SurfaceFromPoints));
            }
            if parts::button(ui, "Take the last back", "The last picked point.") {
                act(Act::Unpick);
            }
            if parts::button(ui, "Stop picking", &format!("Nothing is laid. Key: {}", Command::PickPoints.key_words()))
            {
                act(Act::StopPicking);
            }
        });
        return;
    }
    CollapsingHeader::new(format!("Lay {of} on {from}")).id_salt("lay").show(ui, |ui| {
        parts::faint(ui, "Both must have seen some of the same surface, or the same markers.");
        ui.horizontal_wrapped(|ui| {
            parts::command(ui, Command::Lay, true, actions);
            parts::command(ui, Command::PickPoints, true, actions);
        });
        ui.horizontal_wrapped(|ui| {
            for (by, words, why) in [
                (
                    By::SurfaceAnywhere,
                    "By surface, anywhere",
                    "Looks for the place from nothing: slower, and it says where two places fit.",
                ),
                (By::Balls, "By balls", "Finds ball markers on both and matches them by their distances."),
                (By::Discs, "By discs", "Finds round flat markers on both and matches them by their distances."),
            ] {
                if parts::button(ui, words, why) {
                    actions.push(Action::Placing(Act::Lay(by)));
                }
            }
        });
    });
}

/// What was laid last, to keep or to undo.
pub(super) fn fresh(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(name) = state.placing.fresh.as_ref() else { return };
    let ink = theme::of(ui);
    if state.job().is_none_or(|job| !job.mates.contains_key(name)) {
        // Undone already.
        actions.push(Action::Placing(Act::Keep));
        return;
    }
    if !state.up_to_date() {
        parts::note(ui, ink.blue, |ui| {
            ui.label(format!("Laying {name} …"));
        });
        return;
    }
    let failed = state.results.failures.iter().find(|f| f.what == "mate" && f.name == name.as_str());
    parts::note(ui, ink.blue, |ui| {
        match (laid(state, name), failed) {
            (Some(laid), _) => {
                ui.label(RichText::new(format!("Laid: {name}")).strong());
                ui.label(what(laid));
                for note in &laid.notes {
                    ui.label(RichText::new(note).color(ink.amber));
                }
                ui.horizontal_wrapped(|ui| {
                    if laid.before().is_some() {
                        for (after, words) in [(false, "Gaps before"), (true, "Gaps after")] {
                            if parts::button(ui, words, "Colour the scan by how far it lies off the other.") {
                                actions.push(Action::Placing(Act::Gaps(name.clone(), after)));
                            }
                        }
                    }
                });
            }
            (None, Some(failed)) => {
                let Trouble { what, next } = Trouble::of(&failed.error);
                ui.label(RichText::new(what).color(ink.red));
                ui.label(next);
            }
            (None, None) => drop(ui.label(format!("{name} is not worked out."))),
        }
        ui.horizontal(|ui| {
            if parts::button(ui, "Keep it", "It stays a mate of the job.") {
                actions.push(Action::Placing(Act::Keep));
            }
            parts::command(ui, Command::Undo, true, actions);
        });
    });
}

fn what(laid: &Laid) -> String {
    let place = laid.covariance.fixed_view::<3, 3>(0, 0).into_owned();
    let sigma = largest_sigma(&nalgebra::DMatrix::from_column_slice(3, 3, place.as_slice()));
    let known = if sigma > 0.0 { format!(", known to {} mm (one σ)", two_significant(sigma)) } else { String::new() };
    match &laid.how {
        How::Surface { fit, .. } => format!(
            "{} points on the surface, {:.0} % of the scan; {} mm rms left over{known}",
            count(fit.used),
            100.0 * fit.overlap,
            rounded(fit.rms, 0.01)
        ),
        How::Markers { matched, .. } => {
            format!(
                "{} markers matched, {} mm rms left over{known}",
                matched.pairs.len(),
                rounded(matched.fit.rms, 0.01)
            )
        }
        How::Points { pairs, fit } => {
            format!("{} picked points, {} mm rms left over{known}", pairs.len(), rounded(fit.rms, 0.1))
        }
    }
}

/// All mates with what is left of them, the worst first.
pub(super) fn mates(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(job) = state.job().filter(|job| !job.mates.is_empty()) else { return };
    parts::heading(ui, "Mates");
    let ink = theme::of(ui);
    if let Some(adjusted) = &state.results.adjusted {
        let words = format!(
            "χ² {} for {} equations to spare; chance alone makes it as large in {:.0} of 100",
            rounded(adjusted.chi_squared, 0.1),
            adjusted.redundancy,
            100.0 * adjusted.probability
        );
        parts::faint(ui, words)
            .on_hover_text("How well all mates agree, by their own weights. Few of 100: something does not fit.");
        for free in &adjusted.free {
            ui.label(RichText::new(free.to_string()).color(ink.amber));
        }
    }
    parts::switch(ui, Command::Arrows, state.placing.arrows, true, actions);
    let fits = state.results.adjusted.iter().flat_map(|adjusted| &adjusted.mates);
    let mut fits: Vec<_> = fits.collect();
    let worst = |fit: &stringline_place::MateFit| fit.standardised().unwrap_or(0.0);
    fits.sort_by(|a, b| {
        (b.left_out, worst(b)).partial_cmp(&(a.left_out, worst(a))).unwrap_or(std::cmp::Ordering::Equal)
    });
    CollapsingHeader::new(crate::words::plural(job.mates.len(), "mate")).id_salt("mates").show(ui, |ui| {
        parts::faint(ui, "The worst first: what is left, mm, and in its own standard deviations.");
        for fit in fits {
            ui.horizontal(|ui| {
                let off = match fit.standardised() {
                    Some(off) => format!("{} mm, {off:.1} σ", rounded(fit.residual.norm(), 0.01)),
                    None => "unchecked".to_owned(),
                };
                let colour = match (fit.left_out, worst(fit) > WORTH_A_LOOK) {
                    (true, _) => ink.red,
                    (false, true) => ink.amber,
                    (false, false) => ink.ink,
                };
                let tip = job.mates.get(fit.name.as_str()).map_or_else(String::new, |mate| mate.tie.words());
                ui.add(egui::Label::new(RichText::new(&fit.name).color(colour)).truncate()).on_hover_text(tip);
                ui.label(RichText::new(off).small().color(ink.faint));
                if parts::sign(ui, "✕", &format!("Take out: {}", fit.name))
                    && let Ok(name) = fit.name.parse::<Name>()
                {
                    actions.push(Action::Do(vec![Op::RemoveMate { name }]));
                }
            });
            if fit.left_out {
                ui.label(RichText::new("left out: it does not hold").small().color(ink.red));
            }
            for side in &fit.sides {
                let way = if side.outboard < 0.0 { "inboard" } else { "outboard" };
                let off = format!(
                    "{}: {} mm {way} ± {}",
                    side.datum,
                    rounded(side.outboard.abs(), side.u95.max(0.01)),
                    two_significant(side.u95)
                );
                parts::faint(ui, off);
            }
        }
    });
    parts::faint(ui, format!("Arrows are drawn {LONGER:.0} times as long as what is left."));
}
