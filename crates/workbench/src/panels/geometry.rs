//! The sheet of the stop Geometry: moving the linkage, variants and their moves, working backwards.

use super::{Action, parts};
use crate::geometry::offers::{self, Goals, Wish};
use crate::geometry::study::{BUMP, Path};
use crate::geometry::{Act, FURTHEST, Over, acts, corner_side, linkage, moves};
use crate::keys::Command;
use crate::state::State;
use crate::theme;
use crate::words::Trouble;
use egui::{
    Button, CollapsingHeader, Color32, ComboBox, DragValue, Grid, Id, Response, RichText, Slider, TextEdit, Ui,
    WidgetInfo, WidgetType,
};
use stringline_hardpoints::{Role, Side};
use stringline_job::Op;
use stringline_kinematics::{AS_FOUND, Variant};

pub(super) fn sheet(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    ui.heading("Geometry");
    let geometry = &state.geometry;
    let Some(study) = &geometry.study else {
        if state.job().is_some_and(|job| job.hardpoints.is_empty()) {
            needed(ui, state, actions);
        } else {
            parts::faint(ui, "The hardpoints are being worked out …");
        }
        return;
    };
    if let Err(trouble) = &study.paths {
        needed(ui, state, actions);
        parts::trouble(ui, trouble);
        vehicle(ui, state, true, actions);
        return;
    }
    movement(ui, state, actions);
    variants(ui, state, actions);
    match geometry.path() {
        Some(Ok(path)) => {
            hardpoint(ui, state, path, actions);
            list(ui, state, path, actions);
            backwards(ui, state, path, actions);
        }
        Some(Err(trouble)) => {
            parts::trouble(ui, trouble);
            if let Some(variant) = acts::in_hand(state) {
                each_move(ui, &variant, actions);
            }
        }
        None => {}
    }
    vehicle(ui, state, false, actions);
    if !study.notes.is_empty() {
        parts::heading(ui, "Assumed");
        study.notes.iter().for_each(|note| drop(parts::faint(ui, note)));
    }
}

/// What a corner still needs, where it is not complete.
fn needed(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let Some(job) = state.job() else { return };
    ui.label("The linkage is drawn and moved once a corner is complete. What the other side lacks is mirrored.");
    let Some(suspension) = job.suspension else {
        super::scans::kind_of_corner(ui, state, actions);
        return;
    };
    for side in [Side::Left, Side::Right] {
        let missing = suspension.missing(&state.roles_present(side));
        if missing.len() == suspension.needs().len() {
            parts::faint(ui, format!("{} corner: nothing yet", side.name()));
            continue;
        }
        parts::heading(ui, &format!("{} corner", side.name()));
        if missing.is_empty() {
            ui.label("✓ complete");
        }
        for roles in missing {
            let words: Vec<String> = roles.iter().map(|role| role.words()).collect();
            ui.label(format!("◌ {}", words.join(" or ")));
        }
    }
    ui.add_space(6.0);
    if parts::button(ui, "← Paint and name features", "Go to the stop where bores and faces become hardpoints. Key: 2")
    {
        actions.push(Action::Command(Command::StopFeatures));
    }
}

/// Wheels and rack.
fn movement(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let geometry = &state.geometry;
    parts::heading(ui, "Movement");
    let mut act = |act: Act| actions.push(Action::Geometry(act));
    let mut travel = geometry.travel;
    let tip = format!(
        "How far both wheels are up from rest.\nKeys: {} and {}",
        Command::Rise.key_words(),
        Command::Fall.key_words()
    );
    if slider(ui, "Travel", &mut travel, [-geometry.range, geometry.range], &tip) {
        act(Act::Travel(travel));
    }
    let mut rack = geometry.rack;
    let tip = format!(
        "How far the rack is to the left of its centre. To the left turns the car as its arms say.\nKeys: {} and {}",
        Command::RackLeft.key_words(),
        Command::RackRight.key_words()
    );
    if slider(ui, "Rack", &mut rack, geometry.rack_ends(), &tip) {
        act(Act::Rack(rack));
    }
    ui.horizontal_wrapped(|ui| {
        parts::switch(ui, Command::Play, geometry.playing.is_some(), true, actions);
        parts::command(ui, Command::Rest, geometry.travel != 0.0 || geometry.rack != 0.0, actions);
    });
    ui.horizontal_wrapped(|ui| {
        for (over, words, why) in [
            (
                Over::Travel,
                "over travel",
                "Play and curves run over wheel travel; the wheel centre's height is counted.",
            ),
            (Over::Rack, "over rack", "Play and curves run over rack travel; the tyres stay on the ground."),
        ] {
            let tip = format!("{why}\nKey: {}", Command::Over.key_words());
            if ui.selectable_label(geometry.over == over, words).on_hover_text(tip).clicked() {
                actions.push(Action::Geometry(Act::Over(over)));
            }
        }
        let label = ui.label("±");
        let mut range = geometry.range;
        let field = DragValue::new(&mut range).range(1.0..=FURTHEST).max_decimals(0).suffix(" mm");
        let response =
            ui.add(field).labelled_by(label.id).on_hover_text("Wheel travel either way that curves and play run over.");
        if response.changed() {
            actions.push(Action::Geometry(Act::Range(range)));
        }
    });
    ui.horizontal_wrapped(|ui| {
        for (side, words) in [(Side::Left, "left corner"), (Side::Right, "right corner")] {
            let tip = format!("Show this corner's numbers.\nKey: {}", Command::OtherSide.key_words());
            let chosen = corner_side(state.side) == side;
            if ui.selectable_label(chosen, words).on_hover_text(tip).clicked() {
                actions.push(Action::Side(side));
            }
        }
    });
    if let Some(Ok(path)) = geometry.path() {
        match geometry.now(path) {
            Ok(now) => {
                let m = if corner_side(state.side) == Side::Right { &now.right } else { &now.left };
                let degrees = |angle: f64| {
                    let hundredths = (100.0 * angle.to_degrees()).round() / 100.0 + 0.0;
                    format!("{hundredths:+.2}°").replace('-', "−")
                };
                let (steer, toe, camber, caster) =
                    (degrees(m.steer), degrees(m.toe_in), degrees(m.camber), degrees(m.caster));
                parts::faint(ui, format!("steer {steer}  toe-in {toe}  camber {camber}  caster {caster}"));
            }
            Err(error) => parts::trouble(ui, &Trouble::of(&error)),
        }
        let ink = theme::of(ui);
        for caution in &path.cautions {
            parts::note(ui, ink.amber, |ui| {
                ui.label(caution);
            });
        }
    }
    let knuckle = state.scans.keys().any(|scan| linkage::knuckle_side(state, scan).is_some());
    if knuckle {
        parts::faint(ui, "The knuckle's scan moves with it; the other scans stay where they were scanned.");
    }
}

/// A slider with its name; whether it was moved.
fn slider(ui: &mut Ui, name: &str, value: &mut f64, [low, high]: [f64; 2], tip: &str) -> bool {
    ui.horizontal(|ui| {
        let label = ui.label(name);
        ui.add_space((52.0 - label.rect.width()).max(0.0));
        ui.spacing_mut().slider_width = 128.0;
        // In tenths, the ends of the range aside.
        let shown = moves::snapped(*value);
        let mut now = shown;
        let slider = Slider::new(&mut now, low.min(shown)..=high.max(shown)).fixed_decimals(1).suffix(" mm");
        let changed = ui.add(slider).labelled_by(label.id).on_hover_text(tip).changed();
        let moved = changed && moves::snapped(now) != shown;
        if moved {
            *value = moves::snapped(now);
        }
        moved
    })
    .inner
}

/// The colour of a variant.
pub(super) fn colour(ui: &Ui, state: &State, name: &str) -> Color32 {
    let [r, g, b] = crate::scale::variant(linkage::colour_of(state, name), ui.visuals().dark_mode);
    Color32::from_rgb(r, g, b)
}

/// As-found and all variants: which is in hand, which are drawn in the curves.
fn variants(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let geometry = &state.geometry;
    let Some(study) = &geometry.study else { return };
    let Ok(paths) = &study.paths else { return };
    parts::heading(ui, "Variants");
    Grid::new("variants").num_columns(3).min_col_width(18.0).spacing([6.0, 3.0]).show(ui, |ui| {
        for (name, path) in paths {
            let mut shown = !geometry.hidden.contains(name);
            let check = ui.checkbox(&mut shown, "").on_hover_text("Draw its curves.");
            let label = format!("Draw {name}");
            check.widget_info(|| WidgetInfo::selected(WidgetType::Checkbox, true, shown, &label));
            if check.changed() {
                actions.push(Action::Geometry(Act::Hide(name.clone(), !shown)));
            }
            let here = geometry.hand == *name;
            let text = RichText::new(format!("— {name}"));
            let text = if here { text.color(theme::of(ui).on_blue) } else { text.color(colour(ui, state, name)) };
            let tip = format!(
                "Take it in hand: it is drawn over the scans, and its moves are below.\nKey: {}",
                Command::NextVariant.key_words()
            );
            let button = ui.selectable_label(here, text).on_hover_text(tip);
            button.widget_info(|| WidgetInfo::selected(WidgetType::Button, true, here, name));
            if button.clicked() && !here {
                actions.push(Action::Geometry(Act::Hand(name.clone())));
            }
            match path {
                Ok(Path { bump: Some(bump), .. }) => ui
                    .label(format!("{:.2}°", bump.largest_deg))
                    .on_hover_text(format!("Bump steer: the largest change of toe within ±{BUMP:.0} mm of travel.")),
                Ok(_) => ui.label("–").on_hover_text("The mechanism ends before that travel."),
                Err(trouble) => ui.colored_label(theme::of(ui).red, "⚠").on_hover_text(&trouble.what),
            };
            ui.end_row();
        }
    });
    parts::faint(ui, format!("On the right bump steer within ±{BUMP:.0} mm."));
    ui.horizontal_wrapped(|ui| {
        parts::command(ui, Command::NewVariant, true, actions);
        if geometry.hand != AS_FOUND && parts::button(ui, "Remove", &format!("Take {} out of the job.", geometry.hand))
        {
            actions.push(Action::Geometry(Act::Remove(geometry.hand.clone())));
        }
    });
    if geometry.hand != AS_FOUND && geometry.draft.is_none() {
        let id = Id::new("variant name");
        let (name, entered) = parts::text_field(ui, id, "What it is called", &geometry.hand, "");
        let name = name.trim().to_owned();
        if name != geometry.hand && !name.is_empty() && (parts::button(ui, "Rename", "Key: Enter") || entered) {
            actions.push(Action::Geometry(Act::Rename(geometry.hand.clone(), name)));
        }
    }
}

const AXES: [(&str, &str); 3] = [("x", "forward"), ("y", "outwards"), ("z", "up")];

/// The hardpoint in hand and how far it is moved.
fn hardpoint(ui: &mut Ui, state: &State, path: &Path, actions: &mut Vec<Action>) {
    let geometry = &state.geometry;
    parts::heading(ui, "Move a hardpoint");
    let all = moves::points(path.axle.geometry());
    let chosen = geometry.point.filter(|role| all.contains(role));
    ui.horizontal(|ui| {
        let text = chosen.map_or_else(|| "choose, or drag in the view".to_owned(), Role::words);
        let combo = ComboBox::from_id_salt("point").width(190.0).selected_text(text).show_ui(ui, |ui| {
            for role in &all {
                if ui.selectable_label(chosen == Some(*role), role.words()).clicked() {
                    actions.push(Action::Geometry(Act::Point(Some(*role))));
                }
            }
        });
        combo.response.on_hover_text(format!("{}\nKey: {}", Command::NextPoint.why(), Command::NextPoint.key_words()));
        ui.label(RichText::new(Command::NextPoint.key_words()).small());
    });
    let Some(role) = chosen else { return };
    let side = (!geometry.both).then(|| corner_side(state.side));
    let variant = acts::in_hand(state);
    Grid::new("axes").num_columns(3).spacing([6.0, 3.0]).show(ui, |ui| {
        for (axis, (name, words)) in AXES.into_iter().enumerate() {
            let text = format!("{name} {words}");
            let tip = format!(
                "Keys {} and {} move along this axis. Key: {}",
                Command::Nearer.key_words(),
                Command::Further.key_words(),
                Command::NextAxis.key_words()
            );
            let label = ui.add(Button::selectable(geometry.axis == axis, text)).on_hover_text(tip);
            if label.clicked() {
                actions.push(Action::Geometry(Act::Axis(axis)));
            }
            let total = variant.as_ref().map_or(0.0, |variant| moves::total(variant, role, axis, side));
            let mut value = total;
            let field = DragValue::new(&mut value)
                .speed(0.1)
                .fixed_decimals(1)
                .suffix(" mm")
                .custom_formatter(|v, _| format!("{v:+.1}").replace('-', "−"))
                .custom_parser(parts::number);
            let response = ui.add(field).labelled_by(label.id);
            response.clone().on_hover_text("Drag, or click and type. Left corner; the right one is its mirror image.");
            let value = moves::snapped(value);
            if response.changed() && (value - total).abs() > 1e-9 {
                actions.push(Action::Geometry(Act::Shift(role, axis, value - total)));
            }
            settle(&response, actions);
            ui.end_row();
        }
    });
    if let Some(variant) = &variant {
        made_within(ui, variant, role, actions);
    }
    let mut both = geometry.both;
    if ui
        .checkbox(&mut both, "both sides alike")
        .on_hover_text("Moves go to both corners, mirrored; otherwise to the corner looked at alone.")
        .changed()
    {
        actions.push(Action::Geometry(Act::Both(both)));
    }
    ui.horizontal_wrapped(|ui| {
        parts::command(ui, Command::Nearer, true, actions);
        parts::command(ui, Command::Further, true, actions);
        parts::command(ui, Command::NextAxis, true, actions);
    });
}

/// How closely the hardpoint in hand can be made.
fn made_within(ui: &mut Ui, variant: &Variant, role: Role, actions: &mut Vec<Action>) {
    ui.horizontal(|ui| {
        let label = ui.label("made within ±");
        let was = variant.made_within.get(&role).copied().unwrap_or(0.0);
        let mut within = was;
        let field = DragValue::new(&mut within).speed(0.01).range(0.0..=20.0).max_decimals(2).suffix(" mm");
        let response = ui.add(field.custom_parser(parts::number)).labelled_by(label.id).on_hover_text(
            "How closely the shop can put it there, in each coordinate: a welded bung, a drilled plate. The curves' ± follows.",
        );
        if response.changed() && within != was {
            let mut changed = variant.clone();
            match within > 0.0 {
                true => changed.made_within.insert(role, within),
                false => changed.made_within.remove(&role),
            };
            actions.push(Action::Geometry(Act::Draft(changed)));
        }
        settle(&response, actions);
    });
}

/// A change that is over becomes a step.
fn settle(response: &Response, actions: &mut Vec<Action>) {
    if response.drag_stopped() || response.lost_focus() {
        actions.push(Action::Geometry(Act::Settle));
    }
}

/// The moves of the variant in hand.
fn list(ui: &mut Ui, state: &State, path: &Path, actions: &mut Vec<Action>) {
    parts::heading(ui, "Moves");
    match acts::in_hand(state) {
        None => drop(parts::faint(ui, "The car as found has no moves. Moving anything begins a variant.")),
        Some(variant) => {
            if let Some(base) = &variant.base {
                parts::faint(ui, format!("On top of {base}:"));
            }
            each_move(ui, &variant, actions);
        }
    }
    let combo = ComboBox::from_id_salt("add a move").width(230.0).selected_text("Add a move …").show_ui(ui, |ui| {
        for (words, change) in moves::offered(path.axle.geometry()) {
            if ui.selectable_label(false, words).clicked() {
                actions.push(Action::Geometry(Act::Add(change)));
            }
        }
    });
    combo
        .response
        .on_hover_text("Drop, relocation, spacer, arm, rack, wheel: what is changed, in the order it is made.");
}

fn each_move(ui: &mut Ui, variant: &Variant, actions: &mut Vec<Action>) {
    for (place, m) in variant.moves.iter().enumerate() {
        ui.push_id(("move", place), |ui| {
            let words = moves::words(&m.change);
            ui.horizontal(|ui| {
                let side = m.side.map_or(String::new(), |side| format!(", {} only", side.name()));
                let width = ui.available_width() - 30.0;
                ui.allocate_ui(egui::vec2(width, 0.0), |ui| {
                    ui.add(egui::Label::new(format!("{}. {words}{side}", place + 1)).wrap());
                });
                if parts::sign(ui, "✕", &format!("Take out: {words}")) {
                    let mut changed = variant.clone();
                    changed.moves.remove(place);
                    actions.push(Action::Geometry(Act::Draft(changed)));
                    actions.push(Action::Geometry(Act::Settle));
                }
            });
            ui.horizontal_wrapped(|ui| {
                ui.add_space(14.0);
                let mut changed = variant.clone();
                let (mut any, mut over) = (false, false);
                if let Some(m) = changed.moves.get_mut(place) {
                    for number in moves::numbers(&mut m.change) {
                        let label = (!number.name.is_empty()).then(|| ui.label(RichText::new(number.name).small()).id);
                        let degrees = number.unit == "°";
                        let field = DragValue::new(number.value)
                            .speed(if degrees { 0.01 } else { 0.1 })
                            .fixed_decimals(if degrees { 2 } else { 1 })
                            .suffix(if degrees { "°" } else { " mm" })
                            .custom_parser(parts::number);
                        let response = ui.add(field);
                        let response = match label {
                            Some(label) => response.labelled_by(label),
                            None => response,
                        };
                        any |= response.changed();
                        over |= response.drag_stopped() || response.lost_focus();
                    }
                }
                if any {
                    actions.push(Action::Geometry(Act::Draft(changed)));
                }
                if over {
                    actions.push(Action::Geometry(Act::Settle));
                }
            });
        });
    }
}

/// From what is wanted to what to change.
fn backwards(ui: &mut Ui, state: &State, path: &Path, actions: &mut Vec<Action>) {
    let geometry = &state.geometry;
    parts::heading(ui, "Work it out");
    let mut goals = geometry.goals.clone();
    ui.horizontal_wrapped(|ui| {
        for (wish, words) in [
            (Wish::BumpSteer, "bump steer"),
            (Wish::Ackermann, "Ackermann"),
            (Wish::Caster, "caster"),
            (Wish::Lock, "lock"),
        ] {
            let open = goals.open == Some(wish);
            if ui.selectable_label(open, words).on_hover_text("What is wanted.").clicked() {
                goals.open = if open { None } else { Some(wish) };
            }
        }
    });
    if let Some(wish) = goals.open {
        form(ui, wish, &mut goals, path);
        let busy = geometry.offering.is_some();
        match wish {
            Wish::BumpSteer => {
                drop(parts::wide_command(ui, Command::LeastBumpSteer, !busy && goals.ends.contains(&true), actions))
            }
            _ => {
                let words = match wish {
                    Wish::Ackermann => "Find the hole",
                    Wish::Caster => "Find the setting",
                    _ => "Find arm and stops",
                };
                if ui
                    .add_enabled(!busy, Button::new(words))
                    .on_hover_text("Moves are offered; nothing is changed yet.")
                    .clicked()
                {
                    actions.push(Action::Geometry(Act::Solve(wish)));
                }
            }
        }
    }
    if goals != geometry.goals {
        actions.push(Action::Geometry(Act::Goals(goals)));
    }
    match &geometry.offer {
        Some(Ok(offer)) => offered(ui, offer, actions),
        Some(Err(trouble)) => parts::trouble(ui, trouble),
        None => {}
    }
}

fn field(ui: &mut Ui, name: &str, value: &mut f64, suffix: &str, range: std::ops::RangeInclusive<f64>) {
    ui.horizontal(|ui| {
        let label = ui.label(name);
        ui.add_space((150.0 - label.rect.width()).max(0.0));
        let field =
            DragValue::new(value).speed(0.5).range(range).max_decimals(1).suffix(suffix).custom_parser(parts::number);
        ui.add(field).labelled_by(label.id);
    });
}

fn form(ui: &mut Ui, wish: Wish, goals: &mut Goals, path: &Path) {
    if wish != Wish::Lock {
        field(ui, "toe kept within ±", &mut goals.bump, " mm", 5.0..=150.0);
    }
    match wish {
        Wish::BumpSteer => {
            let [outer, inner] = &mut goals.ends;
            ui.horizontal_wrapped(|ui| {
                ui.checkbox(outer, "outer end up and down");
                ui.checkbox(inner, "inner end up and down");
            });
            ui.horizontal(|ui| {
                let label = ui.label("spacers in stock");
                let field = TextEdit::singleline(&mut goals.stock).hint_text("any").desired_width(104.0);
                ui.add(field).labelled_by(label.id).on_hover_text(
                    "Thicknesses in mm with spaces between them, as 1 2 3 5. The first end that may move gets a stack of these.",
                );
                ui.label("mm");
            });
        }
        Wish::Ackermann => {
            field(ui, "Ackermann", &mut goals.percent, " %", -100.0..=200.0);
            field(ui, "at the inner wheel's", &mut goals.inner_deg, "°", 5.0..=80.0);
        }
        Wish::Caster => {
            field(ui, "caster", &mut goals.caster_deg, "°", -10.0..=20.0);
            let all = offers::adjusters(path.axle.geometry());
            let words = all.get(goals.adjuster).or(all.first()).map_or("", |(words, _)| words);
            ComboBox::from_id_salt("adjuster").width(230.0).selected_text(words).show_ui(ui, |ui| {
                for (place, (words, _)) in all.iter().enumerate() {
                    ui.selectable_value(&mut goals.adjuster, place, *words);
                }
            });
        }
        Wish::Lock => {
            field(ui, "steer of the inner wheel", &mut goals.lock_deg, "°", 5.0..=80.0);
            field(ui, "left to over centre", &mut goals.margin_deg, "°", 0.0..=60.0);
        }
    }
}

fn offered(ui: &mut Ui, offer: &offers::Offer, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    parts::note(ui, ink.blue, |ui| {
        for line in &offer.lines {
            ui.label(line);
        }
        for m in &offer.moves {
            let mut change = m.change.clone();
            let numbers: Vec<String> = moves::numbers(&mut change)
                .into_iter()
                .filter(|number| number.unit == "°" || *number.value != 0.0)
                .map(|number| {
                    let digits = if number.unit == "°" { 2 } else { 1 };
                    format!("{} {:+.digits$} {}", number.name, *number.value, number.unit).replace('-', "−")
                })
                .collect();
            parts::faint(ui, format!("▸ {}: {}", moves::words(&m.change), numbers.join(", ").trim()));
        }
        if let Some(short) = &offer.short {
            ui.label(RichText::new(short).color(ink.amber));
        }
        ui.horizontal(|ui| {
            parts::command(ui, Command::TakeOffer, true, actions);
            if parts::button(ui, "Leave it", "Nothing was changed.") {
                actions.push(Action::Geometry(Act::Decline));
            }
        });
    });
}

/// What is known of the car besides its hardpoints.
fn vehicle(ui: &mut Ui, state: &State, open: bool, actions: &mut Vec<Action>) {
    let Some(job) = state.job() else { return };
    ui.add_space(6.0);
    CollapsingHeader::new("The car").default_open(open).show(ui, |ui| {
        let known = job.vehicle.as_ref();
        let text = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value}"));
        let stroke = known.rack_stroke;
        let fields: [(&str, &str, String); 8] = [
            ("tyre radius", "mm", text(known.tyre_radius)),
            ("wheelbase", "mm", text(known.wheelbase)),
            ("stop right", "mm", text(stroke.map(|s| s[0]))),
            ("stop left", "mm", text(stroke.map(|s| s[1]))),
            ("rack a turn", "mm", text(known.rack_per_turn)),
            ("rim offset", "mm", text(known.rim_offset)),
            ("mass height", "mm", text(known.mass_height)),
            ("front brakes", "of 1", text(known.front_brake_share)),
        ];
        let tyre_was = known.tyre.clone().unwrap_or_default();
        let (tyre, mut entered) = parts::text_field(ui, Id::new("tyre"), "Tyre, as 205/50R16", &tyre_was, "205/50R16");
        let mut changed = tyre != tyre_was;
        let mut wrong = false;
        let mut values = [None; 8];
        for (place, (name, unit, was)) in fields.iter().enumerate() {
            let (now, enter) = parts::number_field(ui, Id::new(("car", *name)), name, unit, was);
            entered |= enter;
            changed |= now != *was;
            values[place] = parts::number(&now);
            wrong |= values[place].is_none() && !now.trim().is_empty();
        }
        let [radius, wheelbase, right, left, per_turn, offset, height, share] = values;
        parts::faint(ui, "The tyre's loaded radius goes before its marking. The rack's stops are measured from its centre, to the left positive.");
        let stops = match (right, left) {
            (Some(right), Some(left)) => Some([right, left]),
            _ => None,
        };
        wrong |= right.is_some() != left.is_some();
        if changed && wrong {
            parts::faint(ui, "Every field takes a number or nothing; stops come in pairs.");
        } else if changed && (parts::button(ui, "Keep these", "Key: Enter") || entered) {
            let mut vehicle = known.clone();
            vehicle.tyre = Some(tyre.trim().to_owned()).filter(|tyre| !tyre.is_empty());
            vehicle.tyre_radius = radius;
            vehicle.wheelbase = wheelbase;
            vehicle.rack_stroke = stops;
            vehicle.rack_per_turn = per_turn;
            vehicle.rim_offset = offset;
            vehicle.mass_height = height;
            vehicle.front_brake_share = share;
            actions.push(Action::Do(vec![Op::SetVehicle { vehicle: Box::new(vehicle), suspension: job.suspension }]));
        }
    });
}
