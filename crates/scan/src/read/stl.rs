//! STL, binary and text. Vertices are welded while reading, so the soup is never held.
//!
//! Binary STL is `f32` little-endian; every `f32` is exact in `f64`. Text is parsed as `f64`,
//! several solids in one file are taken together, and keywords may be in capitals: the general
//! crate (`stl_io`, against which the tests check both paths) stops at the first `endsolid`,
//! rounds to `f32` and refuses capitals.

use stringline_core::Point3;

use super::error::Problem;
use super::format::stl_length;
use super::source::{BLOCK, Lines, Source, number, words};
use super::{Draft, FileFormat, ReadSettings, Repairs, tidy, within_limit};
use crate::weld::{BATCH, Welder};
use crate::{Geometry, Mesh};

const RECORD: usize = 50;

/// Welds facets as they come; those with unusable corners are counted, not kept.
struct Collector {
    welder: Welder,
    facets: Vec<[u32; 3]>,
    repairs: Repairs,
}

impl Collector {
    fn new(facets: usize) -> Self {
        Self {
            // A closed mesh has half as many vertices as facets.
            welder: Welder::with_capacity(facets / 2),
            facets: Vec::with_capacity(facets),
            repairs: Repairs::default(),
        }
    }

    fn push(&mut self, corners: [Point3; 3]) {
        self.repairs.facets_in_file += 1;
        if corners.iter().all(tidy::usable) {
            self.facets.push(corners.map(|p| self.welder.vertex(p)));
        } else {
            self.repairs.unusable_facets += 1;
        }
    }

    fn push_batch(&mut self, corners: &mut [Point3; BATCH]) {
        if corners.iter().all(tidy::usable) {
            self.repairs.facets_in_file += BATCH as u64 / 3;
            let vertices = self.welder.vertices_at(corners);
            self.facets.extend_from_slice(vertices.as_chunks().0);
        } else {
            corners.as_chunks().0.iter().for_each(|c| self.push(*c));
        }
    }

    fn into_draft(mut self, notices: Vec<String>) -> Draft {
        let corners = 3 * self.facets.len() as u64;
        let vertices = self.welder.into_vertices();
        self.repairs.points_in_file = 3 * self.repairs.facets_in_file;
        self.repairs.welded_vertices = corners - vertices.len() as u64;
        self.facets.shrink_to_fit();
        let mesh = Mesh { vertices, facets: self.facets };
        Draft { welded: true, notices, ..Draft::new(Geometry::Mesh(mesh), self.repairs) }
    }
}

/// Binary STL; the count has been seen to be there.
pub(super) fn binary(source: &mut Source<'_>, settings: &ReadSettings) -> Result<Draft, Problem> {
    let header = source.fill(84)?;
    let count = match header.get(80..84).and_then(|b| b.try_into().ok()) {
        Some(bytes) => u32::from_le_bytes(bytes),
        None => 0,
    };
    let (needed, found) = (stl_length(count), source.len());
    if needed > found {
        return Err(Problem::Truncated {
            format: FileFormat::StlBinary,
            announced: format!("{count} facets"),
            needed,
            found,
        });
    }
    within_limit(u64::from(count), "facets", settings)?;
    source.advance(84);
    let mut notices = Vec::new();
    if found > needed {
        notices.push(format!(
            "{} bytes follow the {count} facets the file announces; they were left out.",
            found - needed
        ));
    }

    let mut collector = Collector::new(count as usize);
    let mut left = count as usize;
    while left > 0 {
        let block = source.fill(BLOCK / RECORD * RECORD)?;
        let records = (block.len() / RECORD).min(left);
        if records == 0 {
            // The file shrank while it was read.
            return Err(Problem::Truncated {
                format: FileFormat::StlBinary,
                announced: format!("{count} facets"),
                needed,
                found: source.position(),
            });
        }
        let corners = |record: &[u8]| [12, 24, 36].map(|at| position(&record[at..at + 12]));
        let (batches, rest) = block[..records * RECORD].as_chunks::<{ RECORD * BATCH / 3 }>();
        for batch in batches {
            let mut positions = [Point3::origin(); BATCH];
            let (facets, _) = positions.as_chunks_mut::<3>();
            for (facet, record) in facets.iter_mut().zip(batch.chunks_exact(RECORD)) {
                *facet = corners(record);
            }
            collector.push_batch(&mut positions);
        }
        for record in rest.chunks_exact(RECORD) {
            collector.push(corners(record));
        }
        source.advance(records * RECORD);
        left -= records;
    }
    Ok(collector.into_draft(notices))
}

fn position(bytes: &[u8]) -> Point3 {
    let float = |at: usize| f64::from(f32::from_le_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]));
    Point3::new(float(0), float(4), float(8))
}

/// Text STL.
pub(super) fn text(source: &mut Source<'_>, settings: &ReadSettings) -> Result<Draft, Problem> {
    let mut lines = Lines::new(source, FileFormat::StlText, 0);
    let mut collector = Collector::new(0);
    let mut corners: Vec<Point3> = Vec::with_capacity(3);
    let mut in_facet = false;
    let mut closed = false;
    loop {
        // What is wrong with the line, told once the line is no longer borrowed.
        let mut wrong: Option<&str> = None;
        let Some(line) = lines.next_line()? else {
            break;
        };
        let mut tokens = words(line.strip_prefix("\u{FEFF}".as_bytes()).unwrap_or(line));
        while let Some(token) = tokens.next() {
            let is = |word: &str| token.eq_ignore_ascii_case(word.as_bytes());
            if is("vertex") {
                let mut coordinate = || tokens.next().and_then(number);
                match (coordinate(), coordinate(), coordinate()) {
                    (Some(x), Some(y), Some(z)) if in_facet && corners.len() < 3 => {
                        corners.push(Point3::new(x, y, z));
                    }
                    (Some(_), Some(_), Some(_)) => wrong = Some("a vertex too many"),
                    _ => wrong = Some("a vertex without three numbers"),
                }
            } else if is("facet") {
                if in_facet {
                    wrong = Some("a facet inside a facet");
                }
                in_facet = true;
                // The normal is left out: three corners tell it better. It may be "nan".
                tokens.by_ref().take(4).for_each(drop);
            } else if is("endfacet") {
                match corners[..] {
                    [a, b, c] if in_facet => collector.push([a, b, c]),
                    _ => wrong = Some("a facet without three vertices"),
                }
                corners.clear();
                in_facet = false;
            } else if is("solid") || is("endsolid") {
                if in_facet {
                    wrong = Some("the end of a solid inside a facet");
                }
                closed = is("endsolid");
                // The rest of the line is a name.
                break;
            } else if is("outer") {
                tokens.by_ref().take(1).for_each(drop);
            } else if !is("endloop") {
                wrong = Some("a word that is not text STL");
            }
            if wrong.is_some() {
                break;
            }
        }
        drop(tokens);
        if let Some(problem) = wrong {
            return Err(lines.malformed(problem));
        }
        within_limit(collector.repairs.facets_in_file, "facets", settings)?;
    }
    if in_facet {
        return Err(lines.malformed("the file ends inside a facet, so it is cut short,"));
    }
    let mut notices = Vec::new();
    if !closed {
        notices.push(
            "The file ends without \u{201c}endsolid\u{201d}: it may be cut short, and only the facets before that were read.".into(),
        );
    }
    Ok(collector.into_draft(notices))
}
