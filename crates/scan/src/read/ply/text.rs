//! Text PLY: one record a line, numbers parsed as `f64` whatever type is declared.

use stringline_core::{Point3, Vec3};

use super::super::error::Problem;
use super::super::source::{Lines, Source, number, words};
use super::super::{FileFormat, ReadSettings, within_limit};
use super::Content;
use super::header::{Header, Kind};

/// What a property's number is for.
#[derive(Clone, Copy)]
enum Use {
    Vertex(usize),
    Corners,
    Ignored,
}

pub(super) fn decode(
    source: &mut Source<'_>,
    header: &Header,
    with_normals: bool,
    content: &mut Content,
    settings: &ReadSettings,
    notices: &mut Vec<String>,
) -> Result<(), Problem> {
    let mut lines = Lines::new(source, FileFormat::Ply, header.lines);
    let mut corners: Vec<i64> = Vec::new();
    for element in &header.elements {
        let (is_vertex, is_face) = (element.name == "vertex", element.name == "face");
        let corner_list = element.corners();
        let uses: Vec<(Use, bool)> = element
            .properties
            .iter()
            .enumerate()
            .map(|(k, p)| {
                let names = ["x", "y", "z", "nx", "ny", "nz"];
                let is_list = matches!(p.kind, Kind::List { .. });
                let slot = names.iter().position(|n| *n == p.name);
                let purpose = match slot {
                    Some(slot) if is_vertex && !is_list => Use::Vertex(slot),
                    _ if is_face && corner_list == Some(k) => Use::Corners,
                    _ => Use::Ignored,
                };
                (purpose, is_list)
            })
            .collect();
        for index in 0..element.count {
            let mut vertex = [0.0; 6];
            let mut complete = true;
            loop {
                let Some(line) = lines.next_line()? else {
                    return Err(super::cut_short(element, index));
                };
                let mut tokens = words(line).peekable();
                if tokens.peek().is_none() {
                    // An empty line is no record.
                    continue;
                }
                for (purpose, is_list) in &uses {
                    let mut length = 1;
                    if *is_list {
                        let count = tokens.next().and_then(number);
                        // No line is longer than a block, so neither is a believable list.
                        match count.filter(|c| (0.0..1e6).contains(c) && c.fract() == 0.0) {
                            Some(count) => length = count as usize,
                            None => complete = false,
                        }
                        corners.clear();
                    }
                    for _ in 0..length {
                        let Some(value) = tokens.next().and_then(number) else {
                            complete = false;
                            break;
                        };
                        match *purpose {
                            Use::Vertex(slot) => vertex[slot] = value,
                            Use::Corners => corners.push(value as i64),
                            Use::Ignored => {}
                        }
                    }
                    if !complete {
                        break;
                    }
                    if matches!(purpose, Use::Corners) {
                        content.polygons.push(corners.drain(..), content.vertices_announced)?;
                    }
                }
                break;
            }
            if !complete {
                let name = &element.name;
                return Err(
                    lines.malformed(format!("{name} {index} has too few numbers, or something that is no number,"))
                );
            }
            if is_vertex {
                let [x, y, z, nx, ny, nz] = vertex;
                content.points.push(Point3::new(x, y, z));
                if with_normals {
                    content.normals.push(Vec3::new(nx, ny, nz));
                }
            }
            within_limit(content.polygons.count(), "facets", settings)?;
        }
    }
    if lines.unterminated() {
        notices.push(super::super::LAST_LINE.into());
    }
    Ok(())
}
