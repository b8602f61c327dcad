//! Points as text: XYZ, ASC, CSV and their kin.
//!
//! One point a line, numbers with decimal points separated by blanks, commas or semicolons, the
//! same throughout. Lines that begin with `#` or `//` are comments; one line of headings or a
//! count may come first. Headings that name `x`, `y` and `z` tell the columns, otherwise they are
//! the first three. Unit normals are taken from the columns named `nx ny nz`, or from the fourth
//! to sixth when every line has a unit vector there.

use stringline_core::{Point3, Vec3};

use super::error::Problem;
use super::source::{Lines, Source, number, quote};
use super::{Draft, FileFormat, LAST_LINE, ReadSettings, Repairs, within_limit};
use crate::{Cloud, Geometry};

/// What separates the numbers of a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Separator {
    Blank,
    Comma,
    Semicolon,
}

impl Separator {
    fn of(line: &[u8]) -> Self {
        if line.contains(&b';') {
            Separator::Semicolon
        } else if line.contains(&b',') {
            Separator::Comma
        } else {
            Separator::Blank
        }
    }

    fn split(self, line: &[u8]) -> impl Iterator<Item = &[u8]> {
        line.split(move |b| match self {
            Separator::Blank => b.is_ascii_whitespace(),
            Separator::Comma => *b == b',',
            Separator::Semicolon => *b == b';',
        })
        .map(<[u8]>::trim_ascii)
        // Several blanks separate once; an empty field between commas is a missing number.
        .filter(move |token| self != Separator::Blank || !token.is_empty())
    }
}

/// Where x y z nx ny nz are found.
struct Columns {
    /// For each column of the file the coordinate it holds, if any.
    slots: Vec<Option<usize>>,
    /// Headings name the normals, so that they need not prove to be unit vectors.
    named_normals: bool,
}

impl Default for Columns {
    fn default() -> Self {
        Self { slots: (0..6).map(Some).collect(), named_normals: false }
    }
}

impl Columns {
    /// From a line of headings, where it names `x`, `y` and `z`.
    fn from_headings(line: &[u8]) -> Option<Self> {
        let plain = line.strip_prefix(b"#").or(line.strip_prefix(b"//")).unwrap_or(line);
        let names: Vec<Vec<u8>> = Separator::of(plain)
            .split(plain)
            .take(64)
            .map(|name| {
                // "X [mm]" and a quoted "x" are both x.
                let name = name.trim_ascii_start().to_ascii_lowercase();
                let name = name.split(|b| matches!(b, b' ' | b'[' | b'(')).next().unwrap_or_default();
                name.iter().copied().filter(|b| *b != b'"').collect()
            })
            .collect();
        let wanted: [&[u8]; 6] = [b"x", b"y", b"z", b"nx", b"ny", b"nz"];
        let at = wanted.map(|w| names.iter().position(|n| n == w));
        let [Some(_), Some(_), Some(_), normals @ ..] = at else {
            return None;
        };
        let named_normals = normals.iter().all(Option::is_some);
        let mut slots = vec![None; names.len()];
        for (slot, column) in at.iter().enumerate().take(if named_normals { 6 } else { 3 }) {
            if let Some(column) = column {
                slots[*column] = Some(slot);
            }
        }
        Some(Self { slots, named_normals })
    }

    /// The numbers of a line: the position, and the normal where there is one.
    fn parse(&self, line: &[u8], separator: Separator) -> Option<(Point3, Option<Vec3>)> {
        let mut values = [0.0; 6];
        let mut found = [false; 6];
        for (slot, token) in self.slots.iter().zip(separator.split(line)) {
            let Some(slot) = *slot else {
                continue;
            };
            match number(token) {
                Some(value) => (values[slot], found[slot]) = (value, true),
                None if slot < 3 => return None,
                None => {}
            }
        }
        let [x, y, z, nx, ny, nz] = values;
        let normal = found[3..].iter().all(|f| *f).then(|| Vec3::new(nx, ny, nz));
        found[..3].iter().all(|f| *f).then(|| (Point3::new(x, y, z), normal))
    }
}

/// Reads text points from the start of the file.
pub(super) fn read(source: &mut Source<'_>, settings: &ReadSettings) -> Result<Draft, Problem> {
    let mut lines = Lines::new(source, FileFormat::TextPoints, 0);
    let mut columns = Columns::default();
    let mut separator = None;
    let mut headings = 0;
    let mut points = Vec::new();
    let mut normals: Vec<Vec3> = Vec::new();
    let mut with_normals = true;
    while let Some(line) = lines.next_line()? {
        let line = line.strip_prefix("\u{FEFF}".as_bytes()).unwrap_or(line).trim_ascii();
        if line.is_empty() {
            continue;
        }
        if line.starts_with(b"#") || line.starts_with(b"//") {
            if points.is_empty()
                && let Some(named) = Columns::from_headings(line)
            {
                columns = named;
            }
            continue;
        }
        let split_by = separator.unwrap_or_else(|| Separator::of(line));
        let Some((point, normal)) = columns.parse(line, split_by) else {
            let heading = points.is_empty() && headings == 0;
            if heading {
                headings += 1;
                if let Some(named) = Columns::from_headings(line) {
                    columns = named;
                }
                continue;
            }
            let mut problem = format!("no three numbers where they should be ({})", quote(line));
            if line.contains(&b',') && (line.contains(&b';') || line.contains(&b' ') || line.contains(&b'\t')) {
                problem.push_str("; numbers must have decimal points, not commas,");
            }
            return Err(lines.malformed(problem));
        };
        separator = Some(split_by);
        points.push(point);
        if with_normals {
            match normal {
                Some(n) if columns.named_normals || (n.norm_squared() - 1.0).abs() < 0.04 => {
                    normals.push(n);
                }
                _ => {
                    with_normals = false;
                    normals = Vec::new();
                }
            }
        }
        if points.len() % 4096 == 0 {
            within_limit(points.len() as u64, "points", settings)?;
        }
    }
    within_limit(points.len() as u64, "points", settings)?;
    let mut notices = Vec::new();
    if lines.unterminated() {
        notices.push(LAST_LINE.into());
    }
    points.shrink_to_fit();
    normals.shrink_to_fit();
    let repairs = Repairs { points_in_file: points.len() as u64, ..Repairs::default() };
    Ok(Draft { notices, ..Draft::new(Geometry::Cloud(Cloud { points, normals }), repairs) })
}
