//! A drawn section of a wheel from a file.

use std::borrow::Cow;
use stringline_core::Explain;

/// Why a file holds no section.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SectionError {
    /// It is no text.
    #[error("the file is not text")]
    NotText,
    /// A line that is not two numbers.
    #[error("line {line} is not two numbers, along the axis and radius: \"{text}\"")]
    Line {
        /// Counted from 1.
        line: usize,
        /// Its beginning.
        text: String,
    },
    /// Nothing in it.
    #[error("the file holds no points")]
    Empty,
}

impl Explain for SectionError {
    fn next_step(&self) -> Cow<'static, str> {
        "Give a text file with a point of the section on each line, in order round it: its place along the axis, outboard \
         positive from the middle of the rim, then its radius, both in mm, parted by a comma."
            .into()
    }
}

/// Reads a drawn section: text, a point on each line, its place along the axis (outboard positive from the rim's middle)
/// and its radius, mm. Parted by comma, semicolon, tab or spaces; with semicolons or tabs a comma may stand for the decimal
/// point. One heading, empty lines and what follows a # are passed over.
///
/// Points come back as `[radius, along the axis]` for [`Wheel::from_profile`](crate::Wheel::from_profile), which checks them.
///
/// ```
/// let drawn = b"axial mm, radius mm\n-50, 200\n-50, 300\n50, 300\n50, 200\n";
/// let section = stringline_clearance::read_section(drawn)?;
/// assert_eq!(section[1], [300.0, -50.0]);
/// let wheel = stringline_clearance::Wheel::from_profile(&section)?;
/// assert_eq!(wheel.radius(), 300.0);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`SectionError`], with the line.
pub fn read_section(bytes: &[u8]) -> Result<Vec<[f64; 2]>, SectionError> {
    let text = std::str::from_utf8(bytes).ok().ok_or(SectionError::NotText)?;
    let mut points = Vec::new();
    let mut heading = true;
    for (i, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line = line.split('#').next().unwrap_or("").trim();
        if line.is_empty() {
            continue;
        }
        match numbers(line) {
            Some([along, radius]) => points.push([radius, along]),
            None if heading && !line.starts_with(|c: char| c.is_ascii_digit() || "+-.,".contains(c)) => {}
            None => return Err(SectionError::Line { line: i + 1, text: line.chars().take(40).collect() }),
        }
        heading = false;
    }
    if points.is_empty() { Err(SectionError::Empty) } else { Ok(points) }
}

fn numbers(line: &str) -> Option<[f64; 2]> {
    let by = |part: &dyn Fn(char) -> bool| -> Vec<&str> {
        line.split(part).map(str::trim).filter(|p| !p.is_empty()).collect()
    };
    let wide = line.contains(';') || line.contains('\t');
    let parts = match wide {
        true => by(&|c| c == ';' || c == '\t'),
        false if line.contains(',') => by(&|c| c == ','),
        false => by(&char::is_whitespace),
    };
    let number = |p: &&str| {
        let p = if wide { p.replace(',', ".") } else { (*p).to_owned() };
        p.parse::<f64>().ok().filter(|v| v.is_finite())
    };
    match &parts[..] {
        [a, b] => Some([number(a)?, number(b)?]),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn usual_ways_to_write_numbers_are_read() {
        let expected = vec![[200.0, -50.5], [300.0, -50.5], [300.0, 50.0]];
        for text in [
            "-50.5,200\n-50.5,300\n50,300\n",
            "\u{feff}axial;radial\r\n-50,5;200\r\n-50,5;300\r\n50;300,0\r\n",
            "# a wheel\n\n-50.5  200\n-50.5\t300 # flange\n5e1 300",
        ] {
            assert_eq!(read_section(text.as_bytes()), Ok(expected.clone()), "{text}");
        }
    }

    #[test]
    fn what_is_no_section_is_told_with_its_line() {
        assert_eq!(read_section(&[0xff, 0x00]), Err(SectionError::NotText));
        assert_eq!(read_section(b"axial,radial\n"), Err(SectionError::Empty));
        for (text, line) in [("a,b\nc,d", 2), ("1,2\n3", 2), ("1,2,3", 1), ("1,2\n\n4,nan", 3), ("1,inf", 1)] {
            let error = read_section(text.as_bytes()).unwrap_err();
            assert!(matches!(error, SectionError::Line { line: l, .. } if l == line), "{text} {error}");
            assert!(error.next_step().ends_with('.'));
        }
    }
}
