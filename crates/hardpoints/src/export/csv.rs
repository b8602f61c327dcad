//! One row a hardpoint, for a spreadsheet (RFC 4180, UTF-8, a point for the decimals).

use super::{CAUTION, ExportError};
use crate::set::HardpointSet;
use std::fmt::Write;

const COLUMNS: &str = "role,side,kind,x_mm,y_mm,z_mm,direction_x,direction_y,direction_z,\
u95_position_mm,u95_direction_deg,form_error_mm,gap_mm,degrees_of_freedom,construction,sources,notes";

/// The set as CSV: lines that start with `#` say what it is, then a row of column names, then a
/// row for each hardpoint. Numbers are written in full; an empty cell means not known or not
/// applicable.
///
/// # Errors
/// [`ExportError::Set`] if the set is not sound.
pub fn to_csv(set: &HardpointSet) -> Result<String, ExportError> {
    set.check()?;
    let mut out = String::new();
    let title = super::title(set);
    let about = [title.as_str(), set.axes.words()];
    for line in about.into_iter().chain(CAUTION) {
        // A comment is a cell of its own, so that a comma does not split it.
        let _ = write!(out, "{}\r\n", cell(&format!("# {line}")));
    }
    out.push_str(COLUMNS);
    out.push_str("\r\n");
    for h in &set.hardpoints {
        let number = |x: Option<f64>| x.map(|x| (x + 0.0).to_string()).unwrap_or_default();
        let coordinates = |v: [f64; 3]| v.map(|x| number(Some(x)));
        let mut row = vec![h.role.name().to_owned(), h.side.name().into(), h.kind.word().into()];
        row.extend(coordinates(h.position));
        row.extend(h.direction.map_or_else(Default::default, coordinates));
        row.extend([
            number(h.u95.map(|u| u.position)),
            number(h.u95.and_then(|u| u.direction_deg)),
            number(h.form_error),
            number(h.gap.map(|g| g.distance)),
            number(h.degrees_of_freedom),
            text(h.construction.as_deref().unwrap_or_default()),
            text(&h.sources.join("; ")),
            text(&h.notes.join("; ")),
        ]);
        let cells: Vec<String> = row.iter().map(|c| cell(c)).collect();
        out.push_str(&cells.join(","));
        out.push_str("\r\n");
    }
    Ok(out)
}

/// A text that a spreadsheet will not take for a formula.
fn text(s: &str) -> String {
    if s.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{s}") } else { s.into() }
}

fn cell(s: &str) -> String {
    if s.contains(['"', ',', '\n', '\r']) { format!("\"{}\"", s.replace('"', "\"\"")) } else { s.into() }
}
