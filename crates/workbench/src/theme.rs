//! How everything looks: drawing paper by day and slate by night, ink, and marking blue for what is being painted.

use egui::epaint::text::{FontData, FontDefinitions};
use egui::style::{ScrollStyle, Selection, WidgetVisuals};
use egui::{
    Color32, Context, CornerRadius, FontFamily, FontId, Margin, Shadow, Stroke, TextStyle, Theme, Visuals, vec2,
};
use std::sync::Arc;

/// Letters, digits and signs.
static LETTERS: &[u8] = include_bytes!("../../../assets/fonts/DejaVuSans.ttf");
/// The drawing symbols that [`LETTERS`] lacks.
static SYMBOLS: &[u8] = include_bytes!("../../../assets/fonts/NotoSansSymbols.ttf");

/// The colours of one theme.
#[derive(Clone, Copy, Debug)]
pub struct Ink {
    /// Panels and call-outs.
    pub paper: Color32,
    /// Fields and lists.
    pub well: Color32,
    /// Buttons.
    pub button: Color32,
    /// Text and leaders.
    pub ink: Color32,
    /// Less important text.
    pub faint: Color32,
    /// Lines between things.
    pub hair: Color32,
    /// Marking blue: what is chosen and what is painted.
    pub blue: Color32,
    /// On marking blue.
    pub on_blue: Color32,
    /// Something to look at.
    pub amber: Color32,
    /// Something that went wrong.
    pub red: Color32,
}

/// Contrast of text on its ground is at least 4.5 to 1 in both (WCAG 2.1, 1.4.3).
const LIGHT: Ink = Ink {
    paper: Color32::from_rgb(0xf6, 0xf5, 0xf0),
    well: Color32::from_rgb(0xff, 0xff, 0xfd),
    button: Color32::from_rgb(0xe6, 0xe4, 0xdc),
    ink: Color32::from_rgb(0x1d, 0x22, 0x28),
    faint: Color32::from_rgb(0x5b, 0x62, 0x69),
    hair: Color32::from_rgb(0xc4, 0xc2, 0xb8),
    blue: Color32::from_rgb(0x1f, 0x4f, 0xa8),
    on_blue: Color32::WHITE,
    amber: Color32::from_rgb(0x86, 0x56, 0x00),
    red: Color32::from_rgb(0xa8, 0x1e, 0x1e),
};

const DARK: Ink = Ink {
    paper: Color32::from_rgb(0x22, 0x27, 0x2c),
    well: Color32::from_rgb(0x17, 0x1b, 0x1f),
    button: Color32::from_rgb(0x36, 0x3d, 0x44),
    ink: Color32::from_rgb(0xe9, 0xe7, 0xe0),
    faint: Color32::from_rgb(0xa6, 0xac, 0xb1),
    hair: Color32::from_rgb(0x4a, 0x52, 0x59),
    blue: Color32::from_rgb(0x8c, 0xb4, 0xff),
    on_blue: Color32::from_rgb(0x0c, 0x14, 0x22),
    amber: Color32::from_rgb(0xf0, 0xb9, 0x4c),
    red: Color32::from_rgb(0xff, 0x8f, 0x86),
};

/// The colours in use.
pub fn ink(dark: bool) -> Ink {
    if dark { DARK } else { LIGHT }
}

/// The colours that a panel is drawn in.
pub(crate) fn of(ui: &egui::Ui) -> Ink {
    ink(ui.visuals().dark_mode)
}

/// Takes the fonts in; once.
pub(crate) fn install_fonts(ctx: &Context) {
    let mut fonts = FontDefinitions::empty();
    fonts.font_data.insert("letters".into(), Arc::new(FontData::from_static(LETTERS)));
    fonts.font_data.insert("symbols".into(), Arc::new(FontData::from_static(SYMBOLS)));
    for family in [FontFamily::Proportional, FontFamily::Monospace] {
        fonts.families.insert(family, vec!["letters".into(), "symbols".into()]);
    }
    ctx.set_fonts(fonts);
}

/// Sets colours, sizes and distances.
pub(crate) fn apply(ctx: &Context, dark: bool, text: f32) {
    let theme = if dark { Theme::Dark } else { Theme::Light };
    ctx.set_theme(theme);
    ctx.options_mut(|options| options.zoom_with_keyboard = false);
    ctx.style_mut_of(theme, |style| {
        style.visuals = visuals(dark);
        let sized = |factor: f32| FontId::proportional((text * factor).round());
        style.text_styles = [
            (TextStyle::Small, sized(0.85)),
            (TextStyle::Body, sized(1.0)),
            (TextStyle::Button, sized(1.0)),
            (TextStyle::Monospace, sized(1.0)),
            (TextStyle::Heading, sized(1.25)),
        ]
        .into();
        style.spacing.item_spacing = vec2(6.0, 5.0);
        style.spacing.button_padding = vec2(7.0, 3.0);
        style.spacing.interact_size.y = (text * 1.65).round();
        style.spacing.window_margin = Margin::same(12);
        style.spacing.menu_margin = Margin::same(8);
        style.spacing.scroll = ScrollStyle { bar_width: 6.0, ..ScrollStyle::solid() };
        // A bench has no show: what opens is open.
        style.animation_time = 0.0;
        style.interaction.tooltip_delay = 0.4;
        style.interaction.selectable_labels = false;
    });
}

fn visuals(dark: bool) -> Visuals {
    let ink = ink(dark);
    let mut visuals = if dark { Visuals::dark() } else { Visuals::light() };
    let widget = |fill: Color32, edge: Color32, text: Color32| WidgetVisuals {
        bg_fill: fill,
        weak_bg_fill: fill,
        bg_stroke: Stroke::new(1.0, edge),
        corner_radius: CornerRadius::same(2),
        fg_stroke: Stroke::new(1.0, text),
        expansion: 0.0,
    };
    visuals.widgets.noninteractive = widget(ink.paper, ink.hair, ink.ink);
    visuals.widgets.inactive = widget(ink.button, ink.hair, ink.ink);
    visuals.widgets.hovered = widget(ink.button, ink.ink, ink.ink);
    visuals.widgets.active = widget(ink.hair, ink.ink, ink.ink);
    visuals.widgets.open = widget(ink.button, ink.ink, ink.ink);
    visuals.selection = Selection { bg_fill: ink.blue, stroke: Stroke::new(1.0, ink.on_blue) };
    visuals.panel_fill = ink.paper;
    visuals.window_fill = ink.paper;
    visuals.window_stroke = Stroke::new(1.0, ink.hair);
    visuals.window_corner_radius = CornerRadius::same(3);
    visuals.menu_corner_radius = CornerRadius::same(3);
    visuals.window_shadow = Shadow::NONE;
    visuals.popup_shadow = Shadow::NONE;
    visuals.extreme_bg_color = ink.well;
    visuals.text_edit_bg_color = Some(ink.well);
    visuals.faint_bg_color = ink.well;
    visuals.weak_text_color = Some(ink.faint);
    visuals.warn_fg_color = ink.amber;
    visuals.error_fg_color = ink.red;
    visuals.hyperlink_color = ink.blue;
    visuals
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance, WCAG 2.1.
    fn luminance(colour: Color32) -> f64 {
        let channel = |c: u8| {
            let c = f64::from(c) / 255.0;
            if c <= 0.039_28 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * channel(colour.r()) + 0.7152 * channel(colour.g()) + 0.0722 * channel(colour.b())
    }

    fn contrast(a: Color32, b: Color32) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn text_stands_out_from_its_ground() {
        for dark in [false, true] {
            let ink = ink(dark);
            for ground in [ink.paper, ink.well, ink.button] {
                for text in [ink.ink, ink.faint, ink.blue, ink.amber, ink.red] {
                    assert!(contrast(text, ground) >= 4.5, "{text:?} on {ground:?}: {:.1}", contrast(text, ground));
                }
            }
            assert!(contrast(ink.on_blue, ink.blue) >= 4.5);
        }
    }

    #[test]
    fn curves_and_their_names_stand_out_from_the_paper() {
        for dark in [false, true] {
            for number in 0..=6 {
                let [r, g, b] = crate::scale::variant(number, dark);
                let found = contrast(Color32::from_rgb(r, g, b), ink(dark).paper);
                assert!(found >= 4.5, "variant {number}, dark {dark}: {found:.1}");
            }
        }
    }

    #[test]
    fn the_fonts_have_every_sign_we_write() {
        let ctx = Context::default();
        install_fonts(&ctx);
        let output = ctx.run_ui(egui::RawInput::default(), |_| {});
        output.drop_without_applying_deltas();
        let output = ctx.run_ui(egui::RawInput::default(), |ui| {
            let drawn = |sign: char| {
                let font = FontId::proportional(14.0);
                let galley = ui.painter().layout_no_wrap(sign.to_string(), font, Color32::WHITE);
                galley.rows[0].glyphs[0].uv_rect
            };
            // No font has the last code point, so it looks as every missing sign does.
            let missing = drawn('\u{10ffff}');
            for sign in "⌀⌭⏥○⌓∠±°µ×−→←…–·▸▾✓✕⚠σ½◌↶".chars() {
                assert_ne!(drawn(sign), missing, "{sign}");
            }
        });
        output.drop_without_applying_deltas();
    }
}
