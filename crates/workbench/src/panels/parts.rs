//! Small pieces that panels share.

use super::Action;
use crate::keys::Command;
use crate::theme;
use crate::words::Trouble;
pub(super) use crate::words::number;
use egui::text::{CCursor, CCursorRange};
use egui::text_edit::TextEditState;
use egui::{Button, Color32, Frame, Id, Margin, Response, RichText, Stroke, TextEdit, Ui, WidgetInfo, WidgetType};
use std::any::Any;

/// A button for a command with its key beside it. Its accessible name is the command's alone.
pub(super) fn command(ui: &mut Ui, command: Command, enabled: bool, actions: &mut Vec<Action>) -> Response {
    let button = Button::new(command.words()).shortcut_text(RichText::new(command.key_words()).small());
    act(ui, button, command, enabled, actions)
}

/// As [`command`], as wide as the sheet.
pub(super) fn wide_command(ui: &mut Ui, it: Command, enabled: bool, actions: &mut Vec<Action>) -> Response {
    let button = Button::new(it.words())
        .shortcut_text(RichText::new(it.key_words()).small())
        .min_size(egui::vec2(ui.available_width(), 0.0));
    act(ui, button, it, enabled, actions)
}

/// As [`command`], shown as on or off.
pub(super) fn switch(ui: &mut Ui, it: Command, on: bool, enabled: bool, actions: &mut Vec<Action>) -> Response {
    let key = RichText::new(it.key_words()).small();
    let key = if on { key.color(theme::of(ui).on_blue) } else { key };
    let button = Button::selectable(on, it.words()).shortcut_text(key).frame_when_inactive(true);
    let response = act(ui, button, it, enabled, actions);
    response.widget_info(|| WidgetInfo::selected(WidgetType::Button, enabled, on, it.words()));
    response
}

fn act(ui: &mut Ui, button: Button<'_>, it: Command, enabled: bool, actions: &mut Vec<Action>) -> Response {
    let response = ui.add_enabled(enabled, button).on_hover_text(it.tip()).on_disabled_hover_text(it.tip());
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, enabled, it.words()));
    if response.clicked() {
        actions.push(Action::Command(it));
    }
    response
}

/// A plain button with what it is for.
pub(super) fn button(ui: &mut Ui, words: &str, why: &str) -> bool {
    ui.button(words).on_hover_text(why).clicked()
}

/// A small button whose sign stands for words: their accessible name.
pub(super) fn sign(ui: &mut Ui, sign: &str, words: &str) -> bool {
    let response = ui.add(Button::new(sign).small()).on_hover_text(words);
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Button, true, words));
    response.clicked()
}

/// Leaves out a row of a long list where it is scrolled out of sight, keeping its room.
pub(super) fn row_out_of_sight(ui: &mut Ui) -> bool {
    let (top, height) = (ui.cursor().top(), ui.spacing().interact_size.y);
    let seen = ui.clip_rect().y_range().expand(2.0 * height);
    let out = top + height < seen.min || top > seen.max;
    if out {
        ui.allocate_space(egui::vec2(1.0, height));
    }
    out
}

/// A heading within a sheet.
pub(super) fn heading(ui: &mut Ui, words: &str) {
    ui.add_space(8.0);
    let faint = theme::of(ui).faint;
    ui.horizontal(|ui| {
        ui.label(RichText::new(words).color(faint));
        let rect = ui.available_rect_before_wrap();
        let y = ui.min_rect().center().y;
        ui.painter().hline(rect.x_range(), y, Stroke::new(1.0, theme::of(ui).hair));
    });
}

/// Less important words, on several lines.
pub(super) fn faint(ui: &mut Ui, words: impl Into<String>) -> Response {
    let colour = theme::of(ui).faint;
    ui.label(RichText::new(words).color(colour).small())
}

/// What went wrong and what to do about it, where it happened.
pub(super) fn trouble(ui: &mut Ui, trouble: &Trouble) {
    let ink = theme::of(ui);
    note(ui, ink.red, |ui| {
        ui.label(RichText::new(&trouble.what).color(ink.red));
        ui.label(&trouble.next);
    });
}

/// A note with a coloured edge.
pub(super) fn note(ui: &mut Ui, edge: Color32, add: impl FnOnce(&mut Ui)) {
    let frame = Frame::new().fill(theme::of(ui).well).inner_margin(Margin { left: 9, right: 6, top: 4, bottom: 4 });
    let inner = frame.show(ui, |ui| {
        ui.set_width(ui.available_width());
        add(ui);
    });
    let rect = inner.response.rect;
    ui.painter().vline(rect.left() + 2.0, rect.y_range(), Stroke::new(3.0, edge));
}

/// What stands in a field between two frames; it begins with `initial` whenever that changes.
pub(super) fn kept<T: Clone + PartialEq + Any + Send + Sync>(ui: &Ui, id: Id, initial: &T) -> T {
    ui.data_mut(|data| {
        let (began, value) = data.get_temp::<(T, T)>(id).unwrap_or_else(|| (initial.clone(), initial.clone()));
        if began == *initial { value } else { initial.clone() }
    })
}

/// See [`kept`].
pub(super) fn keep<T: Clone + Any + Send + Sync>(ui: &Ui, id: Id, initial: T, value: T) {
    ui.data_mut(|data| data.insert_temp(id, (initial, value)));
}

/// A line of text with a name over it; what stands in it, and whether Enter was pressed.
pub(super) fn text_field(ui: &mut Ui, id: Id, name: &str, initial: &str, hint: &str) -> (String, bool) {
    let initial = initial.to_owned();
    let mut text = kept(ui, id, &initial);
    let label = ui.label(name);
    let field = TextEdit::singleline(&mut text).id(id).hint_text(hint).desired_width(f32::INFINITY);
    let response = ui.add(field).labelled_by(label.id);
    let entered = response.lost_focus() && ui.input(|input| input.key_pressed(egui::Key::Enter));
    keep(ui, id, initial, text.clone());
    (text, entered)
}

/// Gives a text field the keyboard, with all that stands in it chosen: typing takes its place.
pub(super) fn ready_to_type(ui: &Ui, id: Id, text: &str) {
    ui.memory_mut(|memory| memory.request_focus(id));
    let mut state = TextEditState::load(ui.ctx(), id).unwrap_or_default();
    let ends = [0, text.chars().count()].map(CCursor::new);
    state.cursor.set_char_range(Some(CCursorRange::two(ends[0], ends[1])));
    state.store(ui.ctx(), id);
}

/// Whether this is the first time that `count` is asked for under `id`: a wish of the keyboard is granted once.
pub(super) fn wished(ui: &Ui, id: Id, count: u64) -> bool {
    let seen = id.with("wished");
    ui.data_mut(|data| std::mem::replace(data.get_temp_mut_or(seen, 0), count) != count)
}

/// Room for the name of a field, logical points.
const NAMES: f32 = 96.0;

/// A short field for a number beside its name; what stands in it, and whether Enter was pressed.
pub(super) fn number_field(ui: &mut Ui, id: Id, name: &str, unit: &str, initial: &str) -> (String, bool) {
    let initial = initial.to_owned();
    let mut text = kept(ui, id, &initial);
    let mut entered = false;
    ui.horizontal(|ui| {
        let label = ui.label(name);
        // So that fields below each other line up.
        ui.add_space((NAMES - label.rect.width()).max(0.0));
        let wrong = number(&text).is_none() && !text.trim().is_empty();
        let colour = if wrong { theme::of(ui).red } else { theme::of(ui).ink };
        let field = TextEdit::singleline(&mut text).id(id).desired_width(84.0).text_color(colour);
        let response = ui.add(field).labelled_by(label.id);
        entered = response.lost_focus() && ui.input(|input| input.key_pressed(egui::Key::Enter));
        ui.label(unit);
    });
    keep(ui, id, initial, text.clone());
    (text, entered)
}
