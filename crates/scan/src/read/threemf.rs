//! 3MF: the meshes of the core specification, with components, build items and the unit.
//!
//! The container goes through the crate `zip`, the XML through `quick-xml`, event by event, so
//! that neither an archive nor a document is ever held. Whole-file crates for the format accept
//! positions that are no numbers and indices out of range, and expand without a limit.

use std::cell::Cell;
use std::collections::BTreeMap;
use std::io::{self, BufRead, BufReader, Read};

use nalgebra::{Matrix3, Matrix3x4};
use quick_xml::Reader;
use quick_xml::events::{BytesStart, Event};
use stringline_core::units::LengthUnit;
use stringline_core::{Point3, Vec3};
use zip::ZipArchive;

use super::error::{Place, Problem};
use super::polygons::Polygons;
use super::source::{ReadSeek, Source, quote};
use super::{Draft, FileFormat, ReadSettings, Repairs, within_limit};
use crate::{Geometry, Mesh};

/// Text of meshes packs five to twenty times; beyond this it was packed to do harm.
const MOST_EXPANSION: u64 = 50;

/// Bytes any archive may expand to, however small.
const FREE_EXPANSION: u64 = 1 << 20;

/// The longest single tag or text between tags.
const LONGEST_EVENT: u64 = 1 << 20;

/// The deepest nesting of components, and the most components placed in all.
const DEEPEST: usize = 16;
const MOST_PLACED: u64 = 100_000;

fn malformed(place: Place, problem: impl Into<String>) -> Problem {
    Problem::Malformed { format: FileFormat::ThreeMf, place, problem: problem.into() }
}

/// Bytes that stop when a part expands beyond what is left, or one XML event beyond its limit.
struct Limited<'a, R> {
    inner: R,
    left: &'a Cell<u64>,
    event: &'a Cell<u64>,
}

impl<R: BufRead> Read for Limited<'_, R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let available = self.fill_buf()?;
        let count = available.len().min(out.len());
        out[..count].copy_from_slice(&available[..count]);
        self.consume(count);
        Ok(count)
    }
}

impl<R: BufRead> BufRead for Limited<'_, R> {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.left.get() == 0 {
            return Err(io::Error::other(format!("the archive expands to more than {MOST_EXPANSION} times its size")));
        }
        if self.event.get() == 0 {
            return Err(io::Error::other("a tag longer than any real one"));
        }
        self.inner.fill_buf()
    }

    fn consume(&mut self, count: usize) {
        let spend = |cell: &Cell<u64>| cell.set(cell.get().saturating_sub(count as u64));
        spend(self.left);
        spend(self.event);
        self.inner.consume(count);
    }
}

/// An object's mesh or the components it is made of.
#[derive(Default)]
struct Object {
    vertices: Vec<Point3>,
    polygons: Polygons,
    components: Vec<Placed>,
}

/// An object and where it goes.
struct Placed {
    key: Key,
    transform: Matrix3x4<f64>,
}

/// The part of the archive an object is in, and its number there.
type Key = (String, u32);

/// Everything the model parts of the archive hold.
#[derive(Default)]
struct Model {
    objects: BTreeMap<Key, Object>,
    items: Vec<Placed>,
    unit: Option<LengthUnit>,
    /// All vertices and facets of all objects, for the limit.
    elements: u64,
}

/// Reads the build of a 3MF file.
pub(super) fn read(source: Source<'_>, settings: &ReadSettings) -> Result<Draft, Problem> {
    let left = Cell::new((source.len().saturating_mul(MOST_EXPANSION)).saturating_add(FREE_EXPANSION));
    let mut archive = ZipArchive::new(source.into_inner()?)
        .map_err(|e| malformed(Place::Part("the archive".into()), e.to_string()))?;
    let root = root_model(&mut archive, &left)?;
    let parts: Vec<String> = archive
        .file_names()
        .filter_map(Result::ok)
        .filter(|name| name.to_ascii_lowercase().ends_with(".model"))
        .map(|name| name.into_owned())
        .collect();
    let mut model = Model::default();
    for part in &parts {
        let is_root = plain_path(part) == root;
        parse_part(&mut archive, part, is_root, &left, &mut model, settings)?;
    }

    let mut notices = Vec::new();
    if model.items.is_empty() {
        // A library of objects: nothing says where they go, so all stay where they are.
        let placed = |key: &Key| Placed { key: key.clone(), transform: Matrix3x4::identity() };
        model.items = model
            .objects
            .iter()
            .filter(|(_, object)| object.components.is_empty())
            .map(|(key, _)| placed(key))
            .collect();
        notices.push("The file places no object, so all were taken as they are.".into());
    } else if model.items.len() > 1 {
        notices.push(format!("The file places {} objects; they were put together.", model.items.len()));
    }
    let mut build = Build {
        model: &model,
        mesh: Mesh::default(),
        repairs: Repairs::default(),
        placed: 0,
        most_elements: left.get() / 8 + FREE_EXPANSION,
        settings,
    };
    for item in &model.items {
        build.place(item, &Matrix3x4::identity(), 0)?;
    }
    let Build { mesh, mut repairs, .. } = build;
    repairs.points_in_file = mesh.vertices.len() as u64;
    Ok(Draft {
        declared_unit: Some(model.unit.unwrap_or(LengthUnit::Millimetre)),
        notices,
        ..Draft::new(Geometry::Mesh(mesh), repairs)
    })
}

type Archive<'a> = ZipArchive<&'a mut dyn ReadSeek>;

/// A part's name as a path from the root: names and references differ in the leading slash, and
/// compare without regard to capitals.
fn plain_path(name: &str) -> String {
    name.trim_start_matches('/').to_ascii_lowercase()
}

/// The events of one part of the archive, handed to `take` with the attributes where there are some.
fn events(
    archive: &mut Archive<'_>,
    part: &str,
    left: &Cell<u64>,
    mut take: impl FnMut(Tag<'_, '_>) -> Result<(), Problem>,
) -> Result<(), Problem> {
    let place = || Place::Part(format!("part {}", quote(part.as_bytes())));
    let file = archive.by_name(part).map_err(|e| malformed(place(), e.to_string()))?;
    let event = Cell::new(LONGEST_EVENT);
    let mut reader =
        Reader::from_reader(Limited { inner: BufReader::with_capacity(1 << 16, file), left, event: &event });
    let mut buffer = Vec::new();
    let mut depth = 0_u64;
    loop {
        buffer.clear();
        event.set(LONGEST_EVENT);
        match reader.read_event_into(&mut buffer) {
            Ok(Event::Start(start)) => {
                depth += 1;
                if depth > 64 {
                    return Err(malformed(place(), "tags nested deeper than any real ones"));
                }
                take(Tag::Start(&start))?;
            }
            Ok(Event::Empty(start)) => {
                take(Tag::Start(&start))?;
                take(Tag::End(start.local_name().into_inner()))?;
            }
            Ok(Event::End(end)) => {
                depth = depth.saturating_sub(1);
                take(Tag::End(end.local_name().into_inner()))?;
            }
            Ok(Event::DocType(_)) => {
                return Err(malformed(place(), "a document type, which 3MF forbids,"));
            }
            Ok(Event::Eof) if depth > 0 => {
                return Err(malformed(place(), "the XML ends too early"));
            }
            Ok(Event::Eof) => return Ok(()),
            Ok(_) => {}
            Err(e) => return Err(malformed(place(), e.to_string())),
        }
    }
}

enum Tag<'t, 'e> {
    Start(&'t BytesStart<'e>),
    End(&'t str),
}

/// The attribute of a tag by its name without prefix.
fn attribute(tag: &BytesStart<'_>, name: &str) -> Option<String> {
    tag.attributes()
        .with_checks(false)
        .filter_map(Result::ok)
        .find(|a| a.key.local_name().into_inner() == name)
        .map(|a| a.value.into_owned())
}

/// Three numeric attributes of a tag, found in one walk.
fn three<T: std::str::FromStr>(tag: &BytesStart<'_>, names: [&str; 3]) -> Option<[T; 3]> {
    let mut found = [None, None, None];
    for a in tag.attributes().with_checks(false).filter_map(Result::ok) {
        if let Some(k) = names.iter().position(|n| *n == a.key.into_inner()) {
            found[k] = a.value.trim().parse().ok();
        }
    }
    let [a, b, c] = found;
    Some([a?, b?, c?])
}

/// The path of the model that counts, from the archive's relationships.
fn root_model(archive: &mut Archive<'_>, left: &Cell<u64>) -> Result<String, Problem> {
    let mut root = None;
    if archive.index_for_name("_rels/.rels").is_some() {
        events(archive, "_rels/.rels", left, |tag| {
            if let Tag::Start(tag) = tag
                && attribute(tag, "Type").is_some_and(|t| t.ends_with("/3dmodel"))
                && root.is_none()
            {
                root = attribute(tag, "Target");
            }
            Ok(())
        })?;
    }
    Ok(plain_path(root.as_deref().unwrap_or("3D/3dmodel.model")))
}

fn unit_named(name: &str) -> Option<LengthUnit> {
    Some(match name {
        "micron" => LengthUnit::Micrometre,
        "millimeter" => LengthUnit::Millimetre,
        "centimeter" => LengthUnit::Centimetre,
        "inch" => LengthUnit::Inch,
        "foot" => LengthUnit::Foot,
        "meter" => LengthUnit::Metre,
        _ => return None,
    })
}

/// The 4×3 matrix of the format multiplies row vectors; ours multiplies columns.
fn transform(tag: &BytesStart<'_>) -> Option<Matrix3x4<f64>> {
    let Some(text) = attribute(tag, "transform") else {
        return Some(Matrix3x4::identity());
    };
    let numbers: Vec<f64> = text.split_ascii_whitespace().take(13).map(str::parse).collect::<Result<_, _>>().ok()?;
    (numbers.len() == 12 && numbers.iter().all(|n| n.is_finite())).then(|| Matrix3x4::from_column_slice(&numbers))
}

fn parse_part(
    archive: &mut Archive<'_>,
    part: &str,
    is_root: bool,
    left: &Cell<u64>,
    model: &mut Model,
    settings: &ReadSettings,
) -> Result<(), Problem> {
    let path = plain_path(part);
    let place = || Place::Part(format!("part {}", quote(part.as_bytes())));
    // The prefix of the core namespace, from the root element; other prefixes are extensions.
    let mut core: Option<Option<String>> = None;
    let mut object: Option<(u32, Object)> = None;
    events(archive, part, left, |tag| {
        let tag = match tag {
            Tag::Start(tag) => tag,
            Tag::End("object") => {
                if let Some((id, object)) = object.take() {
                    model.objects.insert((path.clone(), id), object);
                }
                return Ok(());
            }
            Tag::End(_) => return Ok(()),
        };
        let (name, prefix) = tag.name().decompose();
        let prefix = prefix.map(|p| p.into_inner());
        let core = core.get_or_insert_with(|| prefix.map(str::to_owned));
        if core.as_deref() != prefix {
            return Ok(());
        }
        let id = |name: &str| attribute(tag, name).and_then(|id| id.trim().parse::<u32>().ok());
        let placed = || -> Option<Placed> {
            let part = attribute(tag, "path").map_or_else(|| path.clone(), |p| plain_path(&p));
            Some(Placed { key: (part, id("objectid")?), transform: transform(tag)? })
        };
        match (name.into_inner(), &mut object) {
            ("model", _) => {
                let unit = attribute(tag, "unit").unwrap_or_else(|| "millimeter".into());
                let unit = unit_named(&unit)
                    .ok_or_else(|| malformed(place(), format!("the unknown unit {}", quote(unit.as_bytes()))))?;
                if *model.unit.get_or_insert(unit) != unit {
                    return Err(Problem::Unsupported {
                        format: FileFormat::ThreeMf,
                        feature: "a mixture of units in one file".into(),
                    });
                }
            }
            ("object", _) => {
                let id = id("id").ok_or_else(|| malformed(place(), "an object without a number"))?;
                object = Some((id, Object::default()));
            }
            ("vertex", Some((_, object))) => {
                let p =
                    three(tag, ["x", "y", "z"]).ok_or_else(|| malformed(place(), "a vertex without three numbers"))?;
                object.vertices.push(Point3::from(p));
                model.elements += 1;
            }
            ("triangle", Some((_, object))) => {
                let corners: [i64; 3] = three(tag, ["v1", "v2", "v3"])
                    .ok_or_else(|| malformed(place(), "a triangle without three vertices"))?;
                object.polygons.push(corners, object.vertices.len() as u64)?;
                model.elements += 1;
            }
            ("component", Some((_, object))) => {
                let component = placed().ok_or_else(|| malformed(place(), "a component that cannot be understood"))?;
                object.components.push(component);
            }
            ("item", _) if is_root => {
                let item = placed().ok_or_else(|| malformed(place(), "a build item that cannot be understood"))?;
                model.items.push(item);
            }
            _ => {}
        }
        within_limit(model.elements / 2, "facets", settings)
    })
}

/// Puts the placed objects together.
struct Build<'a> {
    model: &'a Model,
    mesh: Mesh,
    repairs: Repairs,
    placed: u64,
    /// Placing an object again and again must not cost more than a file of its own would.
    most_elements: u64,
    settings: &'a ReadSettings,
}

impl Build<'_> {
    fn place(&mut self, item: &Placed, outer: &Matrix3x4<f64>, depth: usize) -> Result<(), Problem> {
        let (part, id) = &item.key;
        let place = || Place::Part(format!("object {id} of part {}", quote(part.as_bytes())));
        self.placed += 1;
        if depth > DEEPEST || self.placed > MOST_PLACED {
            return Err(malformed(place(), "components nested or repeated without end"));
        }
        let object = self
            .model
            .objects
            .get(&item.key)
            .ok_or_else(|| malformed(place(), "a reference to what does not exist"))?;
        // x ↦ A x + a after x ↦ B x + b.
        let (a, b) = (outer.fixed_columns::<3>(0), &item.transform);
        let mut all = a * b;
        all.set_column(3, &(all.column(3) + outer.column(3)));
        for component in &object.components {
            self.place(component, &all, depth + 1)?;
        }

        let elements = (object.vertices.len() + object.polygons.facets.len()) as u64;
        self.most_elements = self
            .most_elements
            .checked_sub(elements)
            .ok_or_else(|| malformed(place(), "objects repeated far beyond the size of the file"))?;
        let linear: Matrix3<f64> = all.fixed_columns::<3>(0).into();
        let shift: Vec3 = all.column(3).into();
        let first = self.mesh.vertices.len() as u64;
        within_limit(first + object.vertices.len() as u64, "points", self.settings)?;
        let first = first as u32;
        self.mesh.vertices.extend(object.vertices.iter().map(|p| linear * p + shift));
        // A mirrored object must still show its outside.
        let mirrored = linear.determinant() < 0.0;
        let facets = object.polygons.facets.iter();
        self.mesh.facets.extend(facets.map(|corners| {
            let [a, b, c] = corners.map(|v| v + first);
            if mirrored { [a, c, b] } else { [a, b, c] }
        }));
        self.repairs.facets_in_file += object.polygons.count();
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::read::{Reading, read as read_scan};
    use std::io::{Cursor, Write};
    use zip::write::SimpleFileOptions;

    const MESH: &str = r#"<mesh><vertices>
        <vertex x="0" y="0" z="0"/><vertex x="1.5" y="0" z="0"/>
        <vertex x="0" y="2" z="0"/><vertex x="0" y="0" z="3e0"/></vertices><triangles>
        <triangle v1="0" v2="2" v3="1"/><triangle v1="0" v2="1" v3="3"/>
        <triangle v1="1" v2="2" v3="3" pid="1"/><triangle v1="0" v2="3" v3="2"/></triangles></mesh>"#;

    fn archive(parts: &[(&str, &str)]) -> Vec<u8> {
        let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
        for (name, text) in parts {
            zip.start_file(*name, SimpleFileOptions::default()).unwrap();
            zip.write_all(text.as_bytes()).unwrap();
        }
        zip.finish().unwrap().into_inner()
    }

    fn model(unit: &str, resources: &str, build: &str) -> String {
        format!(
            r#"<?xml version="1.0" encoding="UTF-8"?><model unit="{unit}" xmlns="urn:core" xmlns:p="urn:p">
            <resources>{resources}</resources><build>{build}</build></model>"#
        )
    }

    fn reading(parts: &[(&str, &str)]) -> Result<Reading, crate::read::ReadError> {
        read_scan(Cursor::new(archive(parts)), "a.3mf", &ReadSettings::default())
    }

    fn mesh(parts: &[(&str, &str)]) -> Mesh {
        match reading(parts).unwrap().geometry {
            Geometry::Mesh(mesh) => mesh,
            Geometry::Cloud(_) => panic!("a cloud"),
        }
    }

    #[test]
    fn the_unit_is_honoured() {
        for (unit, mm) in [
            ("micron", 0.0015),
            ("millimeter", 1.5),
            ("centimeter", 15.0),
            ("inch", 38.1),
            ("foot", 457.2),
            ("meter", 1500.0),
        ] {
            let text = model(unit, &format!(r#"<object id="1">{MESH}</object>"#), r#"<item objectid="1"/>"#);
            let m = mesh(&[("3D/3dmodel.model", &text)]);
            assert_eq!((m.facets.len(), m.vertices.len()), (4, 4));
            assert!((m.vertices[1].x - mm).abs() < 1e-12 * mm, "{unit}");
        }
        let text = model("furlong", "", "");
        assert!(reading(&[("3D/3dmodel.model", &text)]).is_err());
    }

    #[test]
    fn components_are_placed_where_they_belong() {
        // A quarter turn about z (row vectors: x → y, y → −x) and a shift, of a component that is
        // itself shifted; and a mirrored copy from another part.
        let rels =
            r#"<Relationships><Relationship Target="/3D/Main.model" Id="r" Type="http://x/3dmodel"/></Relationships>"#;
        let resources = format!(
            r#"<object id="1">{MESH}</object><object id="2"><components>
            <component objectid="1" transform="1 0 0 0 1 0 0 0 1 10 0 0"/></components></object>"#
        );
        let main = model(
            "millimeter",
            &resources,
            concat!(
                r#"<item objectid="2" transform="0 1 0 -1 0 0 0 0 1 0 0 100"/>"#,
                r#"<item objectid="7" p:path="/3D/Other.model" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>"#,
            ),
        );
        let other = model("millimeter", &format!(r#"<object id="7">{MESH}</object>"#), r#"<item objectid="7"/>"#);
        let m = mesh(&[("_rels/.rels", rels), ("3D/Main.model", &main), ("3D/Other.model", &other)]);
        assert_eq!(m.facets.len(), 8);
        assert_eq!(m.vertices[1], Point3::new(0.0, 11.5, 100.0));
        assert_eq!(m.vertices[5], Point3::new(-1.5, 0.0, 0.0));
        // Both copies enclose the same, positive volume.
        let volume = |facets: &[[u32; 3]]| -> f64 {
            let tetrahedron = |f: &[u32; 3]| {
                let [a, b, c] = f.map(|v| m.vertices[v as usize].coords);
                a.dot(&b.cross(&c)) / 6.0
            };
            facets.iter().map(tetrahedron).sum()
        };
        assert!((volume(&m.facets[..4]) - 1.5).abs() < 1e-9);
        assert!((volume(&m.facets[4..]) - 1.5).abs() < 1e-9);
    }

    #[test]
    fn what_would_grow_without_end_is_refused() {
        let own = r#"<object id="1"><components><component objectid="1"/></components></object>"#;
        let mut laughs = format!(r#"<object id="1">{MESH}</object>"#);
        for id in 2..16 {
            let inner = format!(r#"<component objectid="{}"/>"#, id - 1).repeat(10);
            laughs += &format!(r#"<object id="{id}"><components>{inner}</components></object>"#);
        }
        let bomb = format!("<object id=\"1\">{MESH}</object>{}", " <a/>".repeat(3_000_000));
        let long = format!("<object id=\"1\" name=\"{}\">{MESH}</object>", "x".repeat(2_000_000));
        for (resources, item) in [(own, 1), (laughs.as_str(), 15), (bomb.as_str(), 1), (long.as_str(), 1)] {
            let text = model("millimeter", resources, &format!(r#"<item objectid="{item}"/>"#));
            let error = reading(&[("3D/3dmodel.model", &text)]).unwrap_err();
            assert!(matches!(error.problem, Problem::Malformed { .. }), "{error}");
        }
    }

    #[test]
    fn damage_is_named() {
        for (from, to, says) in [
            (r#"v3="1""#, r#"v3="4""#, "refers to vertex 4"),
            (r#"v3="1""#, r#"v3="-1""#, "refers to vertex -1"),
            (r#"x="1.5""#, r#"x="one""#, "three numbers"),
            (r#"<item objectid="1"/>"#, r#"<item objectid="9"/>"#, "does not exist"),
            ("</build>", "", "ill-formed"),
            ("<?xml version", "<!DOCTYPE a><?xml version", "document type"),
        ] {
            let text = model("millimeter", &format!(r#"<object id="1">{MESH}</object>"#), r#"<item objectid="1"/>"#);
            assert!(text.contains(from));
            let text = text.replace(from, to);
            let error = reading(&[("3D/3dmodel.model", &text)]).unwrap_err();
            assert!(error.to_string().contains(says), "{error}");
        }
        let text = model("millimeter", &format!(r#"<object id="1">{MESH}</object>"#), r#"<item objectid="1"/>"#);
        let nan = text.replace(r#"x="1.5""#, r#"x="nan""#);
        assert!(matches!(reading(&[("3D/3dmodel.model", &nan)]).unwrap_err().problem, Problem::MostlyUnusable { .. }));
        let whole = archive(&[("3D/3dmodel.model", &text)]);
        for length in 0..whole.len() {
            assert!(read_scan(Cursor::new(&whole[..length]), "a.3mf", &ReadSettings::default()).is_err());
        }
    }
}
