//! The page of the drawer with every variant's numbers beside those of the car as found.

use super::geometry::colour;
use super::parts;
use crate::geometry::study::Path;
use crate::geometry::{Over, corner_side};
use crate::state::State;
use crate::theme;
use egui::{Grid, RichText, Ui};
use stringline_core::covariance::{rounded, with_uncertainty};
use stringline_hardpoints::Side;
use stringline_kinematics::{AxleMeasures, Quantity, SUMMARY};

/// Measures of the axle that are told besides.
const BESIDES: [Quantity; 4] =
    [Quantity::AckermannPercent, Quantity::AckermannError, Quantity::TurningCircle, Quantity::AxleRollCentre];

pub(super) fn page(ui: &mut Ui, state: &State) {
    let geometry = &state.geometry;
    let Some(paths) = geometry.study.as_ref().and_then(|study| study.paths.as_ref().ok()) else {
        ui.label("There is no linkage yet: see the stop Geometry.");
        return;
    };
    let side = corner_side(state.side);
    let ink = theme::of(ui);
    let shown: Vec<(&str, &Path)> = paths
        .iter()
        .filter(|(name, _)| !geometry.hidden.contains(name))
        .filter_map(|(name, path)| Some((name.as_str(), path.as_ref().ok()?)))
        .collect();
    let now: Vec<(&str, Option<AxleMeasures>)> =
        shown.iter().map(|(name, path)| (*name, geometry.now(path).ok())).collect();
    let place = format!("{} corner, travel {:+.1} mm, rack {:+.1} mm", side.name(), geometry.travel, geometry.rack);
    Grid::new("compared").striped(true).min_col_width(60.0).spacing([14.0, 3.0]).show(ui, |ui| {
        ui.label(RichText::new(place.replace('-', "−")).small().color(ink.faint));
        ui.label("");
        for (column, (name, _)) in now.iter().enumerate() {
            ui.label(RichText::new(*name).color(colour(ui, state, name)));
            if column > 0 {
                ui.label(RichText::new("change").small().color(ink.faint));
            }
        }
        ui.end_row();
        for quantity in std::iter::once(Quantity::BumpSteer).chain(SUMMARY).chain(BESIDES) {
            let value = |m: &Option<AxleMeasures>| m.as_ref().and_then(|m| quantity.of(m, side));
            if now.iter().all(|(_, m)| value(m).is_none()) {
                continue;
            }
            ui.label(quantity.words());
            ui.label(RichText::new(quantity.unit()).color(ink.faint));
            let first = now.first().and_then(|(_, m)| value(m));
            for (column, (name, m)) in now.iter().enumerate() {
                let text = value(m).map_or_else(|| "–".into(), |value| stated(state, name, quantity, side, value));
                ui.label(text);
                if column > 0 {
                    let change = value(m).zip(first).map(|(value, first)| value - first);
                    ui.label(change.map_or_else(String::new, |change| signed(change, fine(quantity))));
                }
            }
            ui.end_row();
        }
    });
    let over = match geometry.over {
        Over::Travel => "the wheel centre's height is what travel counts",
        Over::Rack => "the tyres stay on the ground",
    };
    parts::faint(
        ui,
        format!("Signs are those of ISO 8855. ± at 95 %, as far as the hardpoints' own uncertainty goes. Here {over}."),
    );
}

/// What a difference is rounded to: slopes are small numbers.
fn fine(quantity: Quantity) -> f64 {
    if quantity.unit().contains('/') { 0.000_10 } else { 0.010 }
}

/// A value with its ± where that is known, with the digits it leaves.
pub(super) fn stated(state: &State, variant: &str, quantity: Quantity, side: Side, value: f64) -> String {
    let geometry = &state.geometry;
    at(state, variant, quantity, side, geometry.along(), value)
}

/// The same at a place along the curves.
pub(super) fn at(state: &State, variant: &str, quantity: Quantity, side: Side, x: f64, value: f64) -> String {
    let geometry = &state.geometry;
    let bands = geometry.bands.as_ref().filter(|bands| {
        // While something is dragged the bands follow a little later.
        geometry.study.as_ref().is_some_and(|study| study.ticket == bands.ticket)
    });
    let u95 = bands.and_then(|bands| bands.u95(variant, quantity, side, x)).filter(|u| *u > 1e-9);
    let text = match u95 {
        Some(u) => with_uncertainty(value, u),
        None => rounded(value, fine(quantity)),
    };
    text.replace('-', "−")
}

fn signed(value: f64, fine: f64) -> String {
    let text = rounded(value, fine);
    let is_zero = !text.chars().any(|c| c.is_ascii_digit() && c != '0');
    if value > 0.0 && !is_zero { format!("+{text}") } else { text.replace('-', "−") }
}
