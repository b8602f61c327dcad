//! Saying what things are for: constructing points from what is picked, giving them a role, what is still needed, what lies between.

use super::{Action, drawing, parts, route};
use crate::keys::Command;
use crate::state::State;
use crate::{measured, theme, words};
use egui::{Id, RichText, Ui};
use stringline_fit::Kind;
use stringline_hardpoints::{Construction, DatumKind, Role, Side};
use stringline_job::{HardpointSpec, Name, Op, hardpoint_words};

/// What a picked thing can serve as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Serves {
    line: bool,
    plane: bool,
    point: bool,
    cone: bool,
    /// Sphere or circle: its centre is a point of its own.
    centre: Option<Kind>,
}

/// Something that can be constructed from what is picked.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Offer {
    pub(super) construction: Construction,
    pub(super) makes: DatumKind,
    /// The number that has to be typed: its name and where it begins.
    pub(super) number: Option<(&'static str, f64)>,
}

impl Offer {
    /// What is made and how, in words; a number that is still to be typed is left open.
    pub(super) fn words(&self) -> String {
        let how = match &self.construction {
            Construction::ConeAtDiameter { cone, .. } => format!("on the axis of '{cone}' at a diameter"),
            Construction::PointOnAxis { axis, face, .. } => {
                format!("on the axis of '{axis}' at a distance from '{face}'")
            }
            Construction::OffsetAlongAxis { point, axis, .. } => {
                format!("'{point}' moved along the axis of '{axis}'")
            }
            other => other.words(),
        };
        format!("{}: {how}", self.makes)
    }
}

pub(super) fn serves(state: &State, name: &str) -> Option<Serves> {
    if let Some(result) = state.results.features.get(name) {
        let kind = result.feature.shape.kind();
        return Some(Serves {
            line: matches!(kind, Kind::Cylinder | Kind::Cone | Kind::Circle),
            plane: matches!(kind, Kind::Plane | Kind::Circle),
            point: matches!(kind, Kind::Sphere | Kind::Circle),
            cone: kind == Kind::Cone,
            centre: Some(kind).filter(|kind| matches!(kind, Kind::Sphere | Kind::Circle)),
        });
    }
    let kind = state.results.datums.get(name)?.datum.kind();
    Some(Serves {
        line: kind == DatumKind::Axis,
        plane: kind == DatumKind::Face,
        point: kind == DatumKind::Point,
        cone: false,
        centre: None,
    })
}

/// All that can be constructed from one, two or three things.
pub(super) fn offers(picked: &[(String, Serves)]) -> Vec<Offer> {
    use Construction as C;
    let mut offers = Vec::new();
    let mut offer = |construction, makes| offers.push(Offer { construction, makes, number: None });
    let name = |i: usize| picked.get(i).map(|(name, _)| name.clone()).unwrap_or_default();
    match picked {
        [(_, only)] => {
            match only.centre {
                Some(Kind::Sphere) => offer(C::SphereCentre { sphere: name(0) }, DatumKind::Point),
                Some(_) => offer(C::CircleCentre { circle: name(0) }, DatumKind::Point),
                None => {}
            }
            if only.line {
                offer(C::Axis { axis: name(0) }, DatumKind::Axis);
            }
            if only.plane {
                offer(C::Face { plane: name(0) }, DatumKind::Face);
            }
            if only.cone {
                offers.push(Offer {
                    construction: C::ConeAtDiameter { cone: name(0), diameter: 0.0 },
                    makes: DatumKind::Point,
                    number: Some(("Gauge diameter", 0.0)),
                });
            }
        }
        [(_, first), (_, second)] => {
            for (i, j, one, other) in [(0, 1, first, second), (1, 0, second, first)] {
                if one.line && other.plane {
                    offers.push(Offer {
                        construction: C::AxisMeetsPlane { axis: name(i), plane: name(j) },
                        makes: DatumKind::Point,
                        number: None,
                    });
                    offers.push(Offer {
                        construction: C::PointOnAxis { axis: name(i), face: name(j), distance: 0.0, towards: None },
                        makes: DatumKind::Point,
                        number: Some(("Distance from the face", 10.0)),
                    });
                }
                if one.point && other.line {
                    offers.push(Offer {
                        construction: C::OffsetAlongAxis {
                            point: name(i),
                            axis: name(j),
                            distance: 0.0,
                            towards: None,
                        },
                        makes: DatumKind::Point,
                        number: Some(("Distance along the axis", 10.0)),
                    });
                }
            }
            let mut offer = |construction, makes| offers.push(Offer { construction, makes, number: None });
            if first.line && second.line {
                offer(C::NearestPoints { first: name(0), second: name(1) }, DatumKind::Point);
            }
            if first.point && second.point {
                offer(C::MidPoint { first: name(0), second: name(1) }, DatumKind::Point);
                offer(C::AxisThrough { from: name(0), to: name(1) }, DatumKind::Axis);
            }
        }
        [_, _, _] => {
            for axis in 0..3 {
                let (a, b) = ((axis + 1) % 3, (axis + 2) % 3);
                let (first, second) = (a.min(b), a.max(b));
                let fits = |i: usize, of: fn(&Serves) -> bool| picked.get(i).is_some_and(|(_, serves)| of(serves));
                if fits(axis, |s| s.line) && fits(first, |s| s.plane) && fits(second, |s| s.plane) {
                    let construction = C::MidPlaneOnAxis { first: name(first), second: name(second), axis: name(axis) };
                    offer(construction, DatumKind::Point);
                }
            }
        }
        _ => {}
    }
    offers
}

/// An offer with its number.
fn with_number(construction: &Construction, number: f64) -> Construction {
    let mut construction = construction.clone();
    match &mut construction {
        Construction::ConeAtDiameter { diameter, .. } => *diameter = number,
        Construction::PointOnAxis { distance, .. } | Construction::OffsetAlongAxis { distance, .. } => {
            *distance = number;
        }
        _ => {}
    }
    construction
}

/// What is picked, or else in hand: what lies between, what can be made of it, what that is for.
pub(super) fn picked(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let in_hand = state.chosen.iter().map(|name| name.to_string());
    let names: Vec<String> = if state.picked.is_empty() { in_hand.collect() } else { state.picked.clone() };
    if names.is_empty() {
        return;
    }
    let known: Option<Vec<(String, Serves)>> =
        names.iter().map(|name| Some((name.clone(), serves(state, name)?))).collect();
    if state.picked.is_empty() {
        parts::heading(ui, "What it is for");
    } else {
        parts::heading(ui, "Picked");
        ui.horizontal_wrapped(|ui| {
            for name in &names {
                if ui.button(format!("{name} ✕")).on_hover_text("Leave it out again").clicked() {
                    actions.push(Action::Pick(name.clone()));
                }
            }
            parts::command(ui, Command::PickNone, true, actions);
        });
    }
    measurement(ui, state);
    let Some(known) = known else {
        parts::faint(ui, "It can be named as soon as it is fitted.");
        return;
    };
    let offers = offers(&known);
    if offers.is_empty() {
        let words = if known.len() > 3 {
            "Pick up to three: an axis and a face give a point; so do two axes, or an axis between two faces."
        } else {
            "Nothing can be constructed from these. An axis and a face give a point; so do two axes, two points, or an axis between two faces."
        };
        parts::faint(ui, words);
        return;
    }
    let id = Id::new(("offer", &names));
    let chosen: usize = parts::kept(ui, id, &0).min(offers.len() - 1);
    if offers.len() > 1 || state.picked.len() > 1 {
        for (index, offer) in offers.iter().enumerate() {
            if drawing::offer(ui, offer, index == chosen) {
                parts::keep(ui, id, 0, index);
            }
        }
    }
    let Some(offer) = offers.get(chosen) else { return };
    let construction = match offer.number {
        None => Some(offer.construction.clone()),
        Some((name, initial)) => {
            let id = Id::new(("number", &names, chosen));
            let begin = proposed_number(state, offer, initial);
            let (text, _) = parts::number_field(ui, id, name, "mm", &begin);
            let number = parts::number(&text).filter(|n| name != "Gauge diameter" || *n > 0.0);
            if number.is_none() {
                parts::faint(ui, "Type a number in millimetres.");
            }
            number.map(|number| with_number(&offer.construction, number))
        }
    };
    let Some(construction) = construction else { return };
    roles(ui, state, offer.makes, &construction, &names, actions);
}

/// A taper's gauge diameter begins at its diameter in the middle of what was measured.
fn proposed_number(state: &State, offer: &Offer, initial: f64) -> String {
    if let Construction::ConeAtDiameter { cone, .. } = &offer.construction
        && let Some(radius) = state.results.features.get(cone.as_str()).and_then(|r| r.feature.shape.radius())
    {
        return format!("{:.2}", 2.0 * radius);
    }
    format!("{initial}")
}

/// The roles that fit, by plain words.
fn roles(
    ui: &mut Ui,
    state: &State,
    makes: DatumKind,
    how: &Construction,
    names: &[String],
    actions: &mut Vec<Action>,
) {
    let ink = theme::of(ui);
    let Some(job) = state.job() else { return };
    side(ui, state, actions);
    let id = Id::new(("role filter", names));
    let (filter, entered) =
        parts::text_field(ui, id, &format!("Which {makes} is it?"), "", "type a word, or pick below");
    if parts::wished(ui, Id::new("naming"), state.naming) {
        ui.memory_mut(|memory| memory.request_focus(id));
    }
    let filter = filter.trim().to_lowercase();
    let missing: Vec<Role> = route::missing(state).unwrap_or_default().into_iter().flatten().copied().collect();
    let mut fitting: Vec<Role> = Role::ALL
        .into_iter()
        .filter(|role| role.kind() == makes && filter.split_whitespace().all(|word| role.words().contains(word)))
        .collect();
    // What the corner still needs comes first.
    fitting.sort_by_key(|role| !missing.contains(role));
    let give = |role: Role| {
        let side = if role == Role::RackAxis { Side::Centre } else { state.side };
        HardpointSpec { role, side, construction: how.clone(), extra: Default::default() }
    };
    if entered && let Some(role) = fitting.first() {
        actions.push(Action::Do(vec![Op::SetHardpoint { hardpoint: give(*role) }]));
    }
    ui.horizontal_wrapped(|ui| {
        for role in fitting {
            let hardpoint = give(role);
            let known = job.hardpoints.iter().find(|known| known.key() == hardpoint.key());
            let same = known.is_some_and(|known| known.construction == *how);
            let tip = match known {
                Some(_) if same => "It is this already.".to_owned(),
                Some(known) => format!("Now it is {}. This takes its place.", known.construction.words()),
                None => format!("Make this the {}: {}.", hardpoint_words(role, hardpoint.side), how.words()),
            };
            let needed = missing.contains(&role);
            let text = RichText::new(role.words());
            let text = if needed && !same { text.color(ink.blue) } else { text };
            if ui.selectable_label(same, text).on_hover_text(tip).clicked() && !same {
                actions.push(Action::Do(vec![Op::SetHardpoint { hardpoint }]));
            }
        }
    });
    if names.len() > 1 {
        let id = Id::new(("datum", names));
        let (name, entered) = parts::text_field(ui, id, "or keep it under a name of your own", "", "bracket middle");
        let keep = !name.trim().is_empty()
            && (parts::button(ui, "Keep", "It can be picked like a feature from then on.") || entered);
        if keep {
            match name.trim().parse::<Name>() {
                Ok(name) => actions.push(Action::Do(vec![Op::SetDatum { name, construction: how.clone() }])),
                Err(error) => parts::trouble(ui, &words::Trouble::of(&error)),
            }
        }
    }
}

fn side(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    ui.horizontal(|ui| {
        ui.label("Side");
        for side in [Side::Left, Side::Right, Side::Centre] {
            let tip = "The side of the car, as its driver sits.";
            if ui.selectable_label(state.side == side, side.name()).on_hover_text(tip).clicked() {
                actions.push(Action::Side(side));
            }
        }
    });
}

fn measurement(ui: &mut Ui, state: &State) {
    let ink = theme::of(ui);
    let [first, second] = state.picked.as_slice() else { return };
    match measured::between(state) {
        None => {}
        Some(Err(trouble)) => parts::trouble(ui, &trouble),
        Some(Ok(found)) => parts::note(ui, ink.amber, |ui| {
            ui.label(format!("From {first} to {second}"));
            for line in measured::lines(&found, measured::in_car(state)) {
                ui.label(line);
            }
        }),
    }
}

/// The hardpoints there are, and what the corner still needs.
pub(super) fn needed(ui: &mut Ui, state: &State, actions: &mut Vec<Action>) {
    let ink = theme::of(ui);
    let Some(job) = state.job() else { return };
    parts::heading(ui, "Hardpoints");
    for hardpoint in &job.hardpoints {
        let label = hardpoint_words(hardpoint.role, hardpoint.side);
        ui.horizontal(|ui| {
            let failed = state.results.failures.iter().find(|f| f.what == "hardpoint" && f.name == label);
            let colour = if failed.is_some() { ink.red } else { ink.ink };
            let tip = match failed {
                Some(failed) => {
                    let trouble = words::Trouble::of(&failed.error);
                    format!("{}\n{}", trouble.what, trouble.next)
                }
                None => hardpoint.construction.words(),
            };
            ui.label(RichText::new(format!("✓ {label}")).color(colour)).on_hover_text(tip);
            if parts::sign(ui, "✕", &format!("Remove {label}")) {
                actions.push(Action::Do(vec![Op::RemoveHardpoint { role: hardpoint.role, side: hardpoint.side }]));
            }
        });
    }
    match route::missing(state) {
        None => {
            parts::faint(ui, "Say which kind of corner it is to see what it needs.");
            super::scans::kind_of_corner(ui, state, actions);
        }
        Some(missing) if missing.is_empty() => {
            ui.label(RichText::new(format!("The {} corner is complete.", state.side.name())).color(ink.blue));
            parts::command(ui, Command::Export, true, actions);
        }
        Some(missing) => {
            parts::faint(ui, format!("Still needed for a complete {} corner:", state.side.name()));
            for group in missing {
                let words: Vec<String> = group.iter().map(|role| role.words()).collect();
                ui.label(RichText::new(format!("◌ {}", words.join(" or "))).color(ink.faint));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn serves(line: bool, plane: bool, point: bool) -> Serves {
        Serves { line, plane, point, cone: false, centre: None }
    }

    fn made(picked: &[(&str, Serves)]) -> Vec<String> {
        let picked: Vec<(String, Serves)> = picked.iter().map(|(name, s)| ((*name).to_owned(), *s)).collect();
        offers(&picked).iter().map(|offer| offer.construction.words()).collect()
    }

    #[test]
    fn what_is_offered_follows_from_what_is_picked() {
        let (bore, face, ball) = (serves(true, false, false), serves(false, true, false), serves(false, false, true));
        assert_eq!(made(&[("bore", bore)]), ["axis of 'bore'"]);
        // In either order.
        for picked in [[("bore", bore), ("face", face)], [("face", face), ("bore", bore)]] {
            let words = made(&picked);
            assert_eq!(words.len(), 2);
            assert_eq!(words[0], "where the axis of 'bore' meets 'face'");
        }
        assert_eq!(made(&[("a", bore), ("b", bore)]), ["where the axes of 'a' and 'b' pass nearest"]);
        assert_eq!(made(&[("a", ball), ("b", ball)]).len(), 2);
        assert_eq!(
            made(&[("in", face), ("bore", bore), ("out", face)]),
            ["on the axis of 'bore', midway between 'in' and 'out'"]
        );
        assert!(made(&[("in", face), ("out", face)]).is_empty());
    }
}
