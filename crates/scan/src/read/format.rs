//! Which format a file is in: by its content first, by its ending where the content leaves a doubt.

use std::fmt;

use serde::Serialize;

use super::error::Problem;
use super::source::{Source, number, quote, words};

/// A format a scan can be read from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum FileFormat {
    /// Binary STL.
    StlBinary,
    /// STL as text.
    StlText,
    /// PLY, as text or binary in either byte order.
    Ply,
    /// Wavefront OBJ.
    Obj,
    /// Points as text: XYZ, ASC, CSV.
    TextPoints,
    /// ASTM E2807 (E57).
    E57,
    /// 3MF.
    ThreeMf,
}

impl fmt::Display for FileFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            FileFormat::StlBinary => "binary STL",
            FileFormat::StlText => "text STL",
            FileFormat::Ply => "PLY",
            FileFormat::Obj => "OBJ",
            FileFormat::TextPoints => "text points",
            FileFormat::E57 => "E57",
            FileFormat::ThreeMf => "3MF",
        })
    }
}

impl FileFormat {
    /// The format's usual endings, lower case.
    fn endings(self) -> &'static [&'static str] {
        match self {
            FileFormat::StlBinary | FileFormat::StlText => &["stl"],
            FileFormat::Ply => &["ply"],
            FileFormat::Obj => &["obj"],
            FileFormat::TextPoints => &["xyz", "asc", "csv", "txt", "pts", "xyzn", "pcd"],
            FileFormat::E57 => &["e57"],
            FileFormat::ThreeMf => &["3mf"],
        }
    }
}

/// Bytes looked at.
const HEAD: usize = 4096;

/// The bytes a binary STL of `facets` facets has.
pub(super) fn stl_length(facets: u32) -> u64 {
    84 + 50 * u64::from(facets)
}

fn ending(file_name: &str) -> String {
    match file_name.rsplit_once('.') {
        Some((_, ending)) if ending.len() <= 8 => ending.to_ascii_lowercase(),
        _ => String::new(),
    }
}

/// Tells when the name promised another format than the content is in.
pub(super) fn notice_ending(format: FileFormat, file_name: &str, notices: &mut Vec<String>) {
    let ending = ending(file_name);
    if !ending.is_empty() && !format.endings().contains(&ending.as_str()) {
        notices.push(format!("The file is named .{ending}, but its content is {format}; it was read as that."));
    }
}

/// Decides the format; the source is left at its start.
pub(super) fn detect(source: &mut Source<'_>, file_name: &str) -> Result<FileFormat, Problem> {
    // Reading first: a folder has a length but gives no byte, and says so.
    let head = source.fill(HEAD)?.to_vec();
    let len = source.len();
    if head.is_empty() {
        return Err(Problem::Empty);
    }
    let ending = ending(file_name);
    let stl_count = head.get(80..84).and_then(|bytes| bytes.try_into().ok()).map(u32::from_le_bytes);

    // The length settles binary STL whatever its header says, "solid" included.
    if stl_count.is_some_and(|n| n > 0 && stl_length(n) == len) {
        return Ok(FileFormat::StlBinary);
    }
    if head.starts_with(b"ply\n") || head.starts_with(b"ply\r") {
        return Ok(FileFormat::Ply);
    }
    if head.starts_with(b"ASTM-E57") {
        return Ok(FileFormat::E57);
    }
    if head.starts_with(b"PK\x03\x04") {
        return Ok(FileFormat::ThreeMf);
    }
    if head.starts_with(&[0xFF, 0xFE]) || head.starts_with(&[0xFE, 0xFF]) {
        return Err(Problem::UnknownFormat { evidence: "it is text in UTF-16; save it as plain text (UTF-8)".into() });
    }
    if is_text(&head) {
        return detect_text(&head, &ending);
    }
    if ending == "stl" {
        // Longer than its count says, or shorter: the reader tells or tolerates.
        return match stl_count {
            Some(_) => Ok(FileFormat::StlBinary),
            None => Err(Problem::Truncated {
                format: FileFormat::StlBinary,
                announced: "a header and a count".into(),
                needed: 84,
                found: len,
            }),
        };
    }
    Err(Problem::UnknownFormat {
        evidence: format!("binary content that no known format begins with{}", named(&ending)),
    })
}

fn named(ending: &str) -> String {
    if ending.is_empty() { String::new() } else { format!(", though it is named .{ending}") }
}

/// Text has no NUL and next to no other control characters.
fn is_text(head: &[u8]) -> bool {
    let odd = head.iter().filter(|&&b| b < b' ' && !matches!(b, b'\t' | b'\n' | b'\r' | 0x0C)).count();
    !head.contains(&0) && odd * 50 <= head.len()
}

fn detect_text(head: &[u8], ending: &str) -> Result<FileFormat, Problem> {
    let text = head.strip_prefix("\u{FEFF}".as_bytes()).unwrap_or(head);
    let lines: Vec<&[u8]> = text
        .split(|&b| b == b'\n' || b == b'\r')
        .map(<[u8]>::trim_ascii)
        .filter(|line| !line.is_empty() && !line.starts_with(b"#") && !line.starts_with(b"//"))
        .take(4)
        .collect();
    let first = lines.first().copied().unwrap_or_default();
    let keyword = words(first).next().unwrap_or_default().to_ascii_lowercase();
    let lower = text.to_ascii_lowercase();
    let mentions = |word: &[u8]| lower.windows(word.len()).any(|w| w == word);

    if keyword == b"solid" && (mentions(b"facet") || mentions(b"endsolid")) {
        return Ok(FileFormat::StlText);
    }
    let wrong =
        |content: &str| Problem::UnknownFormat { evidence: format!("it is text{}, and {content}", named(ending)) };
    if ending == "stl" && keyword == b"solid" {
        return Err(wrong("after \u{201c}solid\u{201d} no facet follows as text STL would have"));
    }
    const OBJ_WORDS: [&[u8]; 11] = [b"v", b"vn", b"vt", b"vp", b"f", b"o", b"g", b"s", b"l", b"mtllib", b"usemtl"];
    let is_numbers = |line: &[u8]| {
        line.split(|b| b.is_ascii_whitespace() || matches!(b, b',' | b';'))
            .filter(|w| !w.is_empty())
            .take(3)
            .all(|w| number(w).is_some())
            && !line.is_empty()
    };
    if OBJ_WORDS.contains(&keyword.as_slice()) && lines.get(1).is_none_or(|l| !is_numbers(l)) {
        return Ok(FileFormat::Obj);
    }
    let points_ending = FileFormat::TextPoints.endings().contains(&ending);
    // One line of headings may stand before the numbers.
    if lines.iter().take(2).any(|line| is_numbers(line)) || (points_ending && !lines.is_empty()) {
        return Ok(FileFormat::TextPoints);
    }
    match ending {
        "obj" => Ok(FileFormat::Obj),
        "xyz" | "asc" | "csv" | "txt" | "pts" => Err(wrong("has no line of numbers")),
        _ => Err(wrong(&format!("begins with {}, as no scan in text does", quote(first)))),
    }
}
