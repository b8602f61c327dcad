//! Tables and numbers for people.

pub(crate) use stringline_core::covariance::{rounded, with_uncertainty};
pub(crate) use stringline_core::words::{count, plural};

/// Where a column's text stands.
#[derive(Clone, Copy)]
pub(crate) enum Align {
    Left,
    Right,
}

/// Rows of text under headings, in aligned columns.
pub(crate) struct Table {
    align: Vec<Align>,
    rows: Vec<Vec<String>>,
}

impl Table {
    /// Begins with the headings.
    pub(crate) fn new(columns: &[(&str, Align)]) -> Self {
        Table {
            align: columns.iter().map(|(_, align)| *align).collect(),
            rows: vec![columns.iter().map(|(heading, _)| (*heading).to_owned()).collect()],
        }
    }

    /// Adds a row.
    pub(crate) fn row<const N: usize>(&mut self, cells: [String; N]) {
        self.rows.push(cells.into());
    }

    /// Adds a row of as many cells as there are columns.
    pub(crate) fn cells(&mut self, cells: Vec<String>) {
        self.rows.push(cells);
    }

    /// Whether there are only headings.
    pub(crate) fn is_empty(&self) -> bool {
        self.rows.len() == 1
    }
}

impl std::fmt::Display for Table {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let width_of = |column: usize| {
            let cells = self.rows.iter().filter_map(|row| row.get(column));
            cells.map(|cell| cell.chars().count()).max().unwrap_or(0)
        };
        let widths: Vec<usize> = (0..self.align.len()).map(width_of).collect();
        for (number, row) in self.rows.iter().enumerate() {
            let mut line = String::new();
            for ((cell, &width), align) in row.iter().zip(&widths).zip(&self.align) {
                if !line.is_empty() {
                    line.push_str("  ");
                }
                match align {
                    Align::Left => line.push_str(&format!("{cell:<width$}")),
                    Align::Right => line.push_str(&format!("{cell:>width$}")),
                }
            }
            writeln!(f, "{}", line.trim_end())?;
            if number == 0 {
                let rule: Vec<String> = widths.iter().map(|&width| "─".repeat(width)).collect();
                writeln!(f, "{}", rule.join("  "))?;
            }
        }
        Ok(())
    }
}

/// A position with one expanded uncertainty for all its coordinates: `(1.00, 2.00, 3.00)`.
pub(crate) fn position(point: &stringline_core::Point3, uncertainty: f64) -> String {
    let [x, y, z] = [point.x, point.y, point.z].map(|v| rounded(v, uncertainty));
    format!("({x}, {y}, {z})")
}

/// A unit direction, to four decimals (0.006°).
pub(crate) fn direction(d: &stringline_core::Vec3) -> String {
    let [x, y, z] = [d.x, d.y, d.z].map(|v| rounded(v, 0.0));
    format!("({x}, {y}, {z})")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_line_up() {
        let mut table = Table::new(&[("name", Align::Left), ("Ø", Align::Right)]);
        table.row(["a".into(), "10.5".into()]);
        table.row(["longer".into(), "9.5".into()]);
        assert_eq!(table.to_string(), "name       Ø\n──────  ────\na       10.5\nlonger   9.5\n");
    }
}
