//! The header of a PLY file.

use super::super::FileFormat;
use super::super::error::{Place, Problem};
use super::super::source::{Source, quote, words};

/// The longest header that is read; real ones have a few hundred bytes.
const LONGEST: usize = 1 << 18;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Encoding {
    Text,
    LittleEndian,
    BigEndian,
}

/// A number type, under either of its two names.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Scalar {
    I8,
    U8,
    I16,
    U16,
    I32,
    U32,
    F32,
    F64,
}

impl Scalar {
    fn parse(name: &[u8]) -> Option<Self> {
        Some(match name {
            b"char" | b"int8" => Scalar::I8,
            b"uchar" | b"uint8" => Scalar::U8,
            b"short" | b"int16" => Scalar::I16,
            b"ushort" | b"uint16" => Scalar::U16,
            b"int" | b"int32" => Scalar::I32,
            b"uint" | b"uint32" => Scalar::U32,
            b"float" | b"float32" => Scalar::F32,
            b"double" | b"float64" => Scalar::F64,
            _ => return None,
        })
    }

    pub(super) fn size(self) -> u64 {
        match self {
            Scalar::I8 | Scalar::U8 => 1,
            Scalar::I16 | Scalar::U16 => 2,
            Scalar::I32 | Scalar::U32 | Scalar::F32 => 4,
            Scalar::F64 => 8,
        }
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Scalar(Scalar),
    List { count: Scalar, item: Scalar },
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Property {
    pub(super) name: String,
    pub(super) kind: Kind,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Element {
    pub(super) name: String,
    pub(super) count: u64,
    pub(super) properties: Vec<Property>,
}

impl Element {
    /// The type of the property `name`, where it is a single number.
    pub(super) fn scalar(&self, name: &str) -> Option<Scalar> {
        self.properties.iter().find_map(|p| match p.kind {
            Kind::Scalar(scalar) if p.name == name => Some(scalar),
            _ => None,
        })
    }

    /// Where among the properties the list of a face's corners is. Both names are in use.
    pub(super) fn corners(&self) -> Option<usize> {
        self.properties.iter().position(|p| {
            matches!(p.kind, Kind::List { .. }) && (p.name == "vertex_indices" || p.name == "vertex_index")
        })
    }

    /// Bytes of one binary record at least.
    fn least_size(&self) -> u64 {
        self.properties
            .iter()
            .map(|p| match p.kind {
                Kind::Scalar(scalar) => scalar.size(),
                Kind::List { count, .. } => count.size(),
            })
            .sum()
    }

    /// Bytes of one binary record, where all have the same.
    pub(super) fn fixed_size(&self) -> Option<u64> {
        let fixed = |p: &Property| matches!(p.kind, Kind::Scalar(_));
        self.properties.iter().all(fixed).then(|| self.least_size())
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Header {
    pub(super) encoding: Encoding,
    pub(super) elements: Vec<Element>,
    /// Lines of text, the last being `end_header`.
    pub(super) lines: u64,
}

impl Header {
    pub(super) fn element(&self, name: &str) -> Option<&Element> {
        self.elements.iter().find(|e| e.name == name)
    }

    /// Refuses counts that cannot fit in the `found` bytes after the header.
    pub(super) fn check_size(&self, found: u64) -> Result<(), Problem> {
        let mut needed = 0_u64;
        for element in &self.elements {
            let record = match self.encoding {
                // A digit and a separator for every number.
                Encoding::Text => 2 * element.properties.len() as u64,
                _ => element.least_size(),
            };
            needed = needed.saturating_add(record.saturating_mul(element.count));
        }
        // The last number of a text may do without a separator.
        let slack = u64::from(self.encoding == Encoding::Text);
        if needed > found.saturating_add(slack) {
            let announced: Vec<String> =
                self.elements.iter().take(8).map(|e| format!("{} {}", e.count, quote(e.name.as_bytes()))).collect();
            return Err(Problem::Truncated { format: FileFormat::Ply, announced: announced.join(", "), needed, found });
        }
        Ok(())
    }
}

pub(super) fn malformed(problem: impl Into<String>) -> Problem {
    Problem::Malformed { format: FileFormat::Ply, place: Place::Header, problem: problem.into() }
}

/// Parses the header and leaves the source at the first byte of data.
pub(super) fn parse(source: &mut Source<'_>) -> Result<Header, Problem> {
    let block = source.fill(LONGEST)?;
    let block = &block[..block.len().min(LONGEST)];
    // The first line shows how lines end: a CR may be a whole line end or half of one.
    let ending: &[u8] = match block {
        [b'p', b'l', b'y', b'\r', b'\n', ..] => b"\r\n",
        [b'p', b'l', b'y', b'\r', ..] => b"\r",
        _ => b"\n",
    };
    let mut encoding = None;
    let mut elements: Vec<Element> = Vec::new();
    let (mut at, mut number) = (0, 0);
    loop {
        let rest = &block[at..];
        let Some(length) = rest.windows(ending.len()).position(|w| w == ending) else {
            return Err(malformed("no \u{201c}end_header\u{201d} ends it"));
        };
        let line = &rest[..length];
        at += length + ending.len();
        number += 1;
        let wrong = |what: &str| Problem::Malformed {
            format: FileFormat::Ply,
            place: Place::Line(number),
            problem: format!("{what} ({})", quote(line)),
        };
        let tokens: Vec<&[u8]> = words(line).take(6).collect();
        match tokens[..] {
            [] | [b"comment" | b"obj_info", ..] => {}
            [b"ply"] if number == 1 => {}
            [b"format", name, _version] => {
                encoding = Some(match name {
                    b"ascii" => Encoding::Text,
                    b"binary_little_endian" => Encoding::LittleEndian,
                    b"binary_big_endian" => Encoding::BigEndian,
                    _ => return Err(wrong("an unknown encoding")),
                });
            }
            [b"element", name, count] => {
                let count = std::str::from_utf8(count)
                    .ok()
                    .and_then(|c| c.parse().ok())
                    .ok_or_else(|| wrong("a count that is no whole number"))?;
                let name = String::from_utf8_lossy(name).into_owned();
                if elements.iter().any(|e| e.name == name) {
                    return Err(wrong("an element declared twice"));
                }
                elements.push(Element { name, count, properties: Vec::new() });
            }
            [b"property", ref kind @ .., name] => {
                let kind = match *kind {
                    [b"list", count, item] => {
                        let count = Scalar::parse(count)
                            .filter(|c| !matches!(c, Scalar::F32 | Scalar::F64))
                            .ok_or_else(|| wrong("a list whose length is no whole number type"))?;
                        let item = Scalar::parse(item).ok_or_else(|| wrong("an unknown number type"))?;
                        Kind::List { count, item }
                    }
                    [scalar] => Kind::Scalar(Scalar::parse(scalar).ok_or_else(|| wrong("an unknown number type"))?),
                    _ => return Err(wrong("a property that cannot be understood")),
                };
                let Some(element) = elements.last_mut() else {
                    return Err(wrong("a property before any element"));
                };
                let name = String::from_utf8_lossy(name).into_owned();
                if element.properties.iter().any(|p| p.name == name) {
                    return Err(wrong("a property declared twice"));
                }
                element.properties.push(Property { name, kind });
            }
            [b"end_header"] => break,
            _ => return Err(wrong("a line that cannot be understood")),
        }
        // Looking names up is linear; real files have a few dozen.
        if elements.len() > 256 || elements.iter().map(|e| e.properties.len()).sum::<usize>() > 4096 {
            return Err(malformed("more elements or properties than any scan has"));
        }
    }
    let encoding = encoding.ok_or_else(|| malformed("no \u{201c}format\u{201d} line"))?;
    if let Some(bare) = elements.iter().find(|e| e.properties.is_empty() && e.count > 0) {
        let name = quote(bare.name.as_bytes());
        return Err(malformed(format!("the element {name} has no properties")));
    }
    source.advance(at);
    Ok(Header { encoding, elements, lines: number })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn parsed(text: &str) -> (Result<Header, Problem>, u64) {
        let mut cursor = Cursor::new(text.as_bytes());
        let mut source = Source::new(&mut cursor).unwrap();
        let header = parse(&mut source);
        (header, source.position())
    }

    const HEADER: &str = "ply\nformat binary_big_endian 1.0\ncomment  made by hand\nobj_info\n\
        element vertex 3\nproperty float x\nproperty float64 y\nproperty  uint8   z\n\
        element face 1\nproperty list uchar int vertex_index\nend_header\n";

    #[test]
    fn every_end_of_line_gives_the_same_header() {
        let (header, at) = parsed(&format!("{HEADER}\n\n"));
        let header = header.unwrap();
        assert_eq!((at as usize, header.lines), (HEADER.len(), 11));
        assert_eq!(header.encoding, Encoding::BigEndian);
        assert_eq!(header.element("vertex").unwrap().fixed_size(), Some(4 + 8 + 1));
        assert_eq!(header.element("face").unwrap().corners(), Some(0));
        for ending in ["\r\n", "\r"] {
            let text = HEADER.replace('\n', ending);
            // A first data byte that looks like an end of line stays data.
            let (again, at) = parsed(&format!("{text}\n"));
            assert_eq!((again.unwrap(), at as usize), (header.clone(), text.len()));
        }
    }

    #[test]
    fn nonsense_is_refused_with_its_line() {
        for (from, to) in [
            ("element vertex 3", "element vertex 99999999999999999999999"),
            ("element vertex 3", "element vertex -3"),
            ("property float x", "property real x"),
            ("property float x", "property float y"),
            ("list uchar", "list float"),
            ("element face", "element vertex"),
            ("format binary_big_endian", "format binary_middle_endian"),
            ("obj_info", "remark"),
        ] {
            let (header, _) = parsed(&HEADER.replacen(from, to, 1));
            let said = header.unwrap_err().to_string();
            assert!(said.contains("in line"), "{to}: {said}");
        }
        let (header, _) = parsed(HEADER.strip_suffix("end_header\n").unwrap());
        assert!(header.unwrap_err().to_string().contains("end_header"));
    }

    #[test]
    fn a_count_beyond_the_file_is_refused() {
        let header = parsed(&HEADER.replace("vertex 3", "vertex 4000000000")).0.unwrap();
        assert!(matches!(header.check_size(1 << 20), Err(Problem::Truncated { needed: 52_000_000_001, .. })));
        let header = parsed(&HEADER.replace("vertex 3", &format!("vertex {}", u64::MAX))).0.unwrap();
        assert!(header.check_size(1 << 40).is_err());
    }
}
