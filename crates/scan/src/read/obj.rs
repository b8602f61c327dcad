//! Wavefront OBJ: vertices and faces; texture, normals, groups and materials are passed over.
//!
//! Parsed here rather than by the general crate (`tobj`, against which the tests check this):
//! that one rounds to `f32`, splits a surface at every group and holds all faces in between.

use stringline_core::Point3;

use super::error::Problem;
use super::polygons::Polygons;
use super::source::{BLOCK, Lines, Source, number, words};
use super::{Draft, FileFormat, LAST_LINE, ReadSettings, Repairs, within_limit};
use crate::{Cloud, Geometry, Mesh};

/// What a line turned out to be.
enum Line {
    Vertex(Point3),
    Face,
    Ignored,
    NotUnderstood,
    Wrong(&'static str),
}

/// Reads an OBJ file from its start.
pub(super) fn read(source: &mut Source<'_>, settings: &ReadSettings) -> Result<Draft, Problem> {
    let mut lines = Lines::new(source, FileFormat::Obj, 0);
    let mut points: Vec<Point3> = Vec::new();
    let mut polygons = Polygons::default();
    let mut corners: Vec<i64> = Vec::new();
    let mut not_understood = 0_u64;
    // A line that a backslash continues, as far as it was read.
    let mut joined: Vec<u8> = Vec::new();
    while let Some(line) = lines.next_line()? {
        let found = if let Some(part) = line.strip_suffix(b"\\") {
            joined.extend_from_slice(part);
            joined.push(b' ');
            if joined.len() <= BLOCK {
                continue;
            }
            Line::Wrong("a line continued beyond any believable length")
        } else if joined.is_empty() {
            statement(line, points.len(), &mut corners)
        } else {
            joined.extend_from_slice(line);
            let found = statement(&joined, points.len(), &mut corners);
            joined.clear();
            found
        };
        match found {
            Line::Vertex(p) => {
                points.push(p);
                within_limit(points.len() as u64, "points", settings)?;
            }
            Line::Face => {
                // A face may name a vertex that follows; the validator sees the true count.
                polygons.push(corners.iter().copied(), u64::from(u32::MAX))?;
                within_limit(polygons.count(), "facets", settings)?;
            }
            Line::Ignored => {}
            Line::NotUnderstood => not_understood += 1,
            Line::Wrong(problem) => return Err(lines.malformed(problem)),
        }
    }
    let mut notices = Vec::new();
    if not_understood > 0 {
        notices.push(format!(
            "{not_understood} lines hold statements that are not read (curves, surfaces, damage); they were left out."
        ));
    }
    if lines.unterminated() {
        notices.push(LAST_LINE.into());
    }
    points.shrink_to_fit();
    let mut repairs = Repairs { points_in_file: points.len() as u64, ..Repairs::default() };
    let had_faces = polygons.count() > 0;
    let mut facets = polygons.finish(&mut repairs);
    facets.shrink_to_fit();
    let geometry = if had_faces {
        Geometry::Mesh(Mesh { vertices: points, facets })
    } else {
        Geometry::Cloud(Cloud { points, normals: Vec::new() })
    };
    Ok(Draft { notices, ..Draft::new(geometry, repairs) })
}

/// Understands one line; a face's indices, from 0, go to `corners`.
fn statement(line: &[u8], vertices: usize, corners: &mut Vec<i64>) -> Line {
    let mut tokens = words(line.strip_prefix("\u{FEFF}".as_bytes()).unwrap_or(line));
    match tokens.next() {
        None => Line::Ignored,
        Some(b"v") => {
            let mut coordinate = || tokens.next().and_then(number);
            match (coordinate(), coordinate(), coordinate()) {
                (Some(x), Some(y), Some(z)) => Line::Vertex(Point3::new(x, y, z)),
                _ => Line::Wrong("a vertex without three numbers"),
            }
        }
        Some(b"f") => {
            corners.clear();
            for token in tokens {
                if token.starts_with(b"#") {
                    break;
                }
                let index = token.split(|&b| b == b'/').next().unwrap_or_default();
                let index = std::str::from_utf8(index).ok().and_then(|t| t.parse::<i64>().ok());
                match index {
                    // Counted from 1, or back from the last vertex so far.
                    Some(index) if index > 0 => corners.push(index - 1),
                    Some(index) if index < 0 => corners.push(index.saturating_add(vertices as i64)),
                    _ => return Line::Wrong("a face whose corner is no vertex number"),
                }
            }
            Line::Face
        }
        Some(
            b"vn" | b"vt" | b"vp" | b"g" | b"o" | b"s" | b"l" | b"p" | b"mg" | b"usemtl" | b"mtllib" | b"usemap"
            | b"maplib" | b"bevel" | b"c_interp" | b"d_interp" | b"lod" | b"shadow_obj" | b"trace_obj",
        ) => Line::Ignored,
        Some(word) if word.starts_with(b"#") => Line::Ignored,
        Some(_) => Line::NotUnderstood,
    }
}
