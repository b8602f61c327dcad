//! The readers against the writers, against the general crates, and against damage.

#![allow(clippy::unwrap_used, reason = "in the helpers of tests a panic is the report")]

use std::io::{Cursor, Write};

use proptest::prelude::*;
use stringline_core::units::LengthUnit;
use stringline_core::{Explain, Point3, Vec3};
use stringline_scan::read::{FileFormat, Problem, ReadError, ReadSettings, Reading, UnitBasis, Weld, read};
use stringline_scan::write::{self, Precision};
use stringline_scan::{Cloud, Geometry, Mesh};

fn reading(bytes: &[u8], name: &str) -> Result<Reading, ReadError> {
    read(Cursor::new(bytes), name, &ReadSettings::default())
}

fn mesh(reading: Reading) -> Mesh {
    match reading.geometry {
        Geometry::Mesh(mesh) => mesh,
        Geometry::Cloud(_) => panic!("a cloud"),
    }
}

fn cloud(reading: Reading) -> Cloud {
    match reading.geometry {
        Geometry::Cloud(cloud) => cloud,
        Geometry::Mesh(_) => panic!("a mesh"),
    }
}

/// An invented closed mesh: a box with its sides split, 40 × 30 × 20 mm, every coordinate exact in `f32`.
fn block() -> Mesh {
    let (nx, ny) = (4_u32, 3_u32);
    let mut mesh = Mesh::default();
    for z in [0.0, 20.0] {
        for j in 0..=ny {
            for i in 0..=nx {
                mesh.vertices.push(Point3::new(f64::from(i) * 10.0 + 0.125, f64::from(j) * 10.0, z));
            }
        }
    }
    let layer = (nx + 1) * (ny + 1);
    let at = |i: u32, j: u32, k: u32| k * layer + j * (nx + 1) + i;
    for j in 0..ny {
        for i in 0..nx {
            let quad = [at(i, j, 1), at(i + 1, j, 1), at(i + 1, j + 1, 1), at(i, j + 1, 1)];
            mesh.facets.push([quad[0], quad[1], quad[2]]);
            mesh.facets.push([quad[0], quad[2], quad[3]]);
            let under = quad.map(|v| v - layer);
            mesh.facets.push([under[0], under[2], under[1]]);
            mesh.facets.push([under[0], under[3], under[2]]);
        }
    }
    mesh
}

fn points() -> Cloud {
    let points: Vec<Point3> =
        (0..50).map(|k| f64::from(k) * 0.37).map(|t| Point3::new(30.0 * t.cos(), 30.0 * t.sin(), t * 1.1)).collect();
    let normals = points.iter().map(|p| Vec3::new(p.x, p.y, 0.0).normalize()).collect();
    Cloud { points, normals }
}

fn stl_bytes(mesh: &Mesh) -> Vec<u8> {
    let mut bytes = Vec::new();
    write::stl(mesh, &mut bytes).unwrap();
    bytes
}

fn ply_bytes(geometry: Geometry, precision: Precision) -> Vec<u8> {
    let mut bytes = Vec::new();
    write::ply(&geometry, precision, &mut bytes).unwrap();
    bytes
}

fn stl_text(mesh: &Mesh, name: &str) -> String {
    let mut text = format!("solid {name}\n");
    for facet in 0..mesh.facets.len() as u32 {
        text += "facet normal 0 0 0\n  outer loop\n";
        for p in mesh.corners(facet) {
            text += &format!("    vertex {} {} {:e}\n", p.x, p.y, p.z);
        }
        text += "  endloop\nendfacet\n";
    }
    text + "endsolid " + name + "\n"
}

fn obj_text(mesh: &Mesh) -> String {
    let mut text = String::from("# invented\nmtllib none.mtl\no block\n");
    for p in &mesh.vertices {
        text += &format!("v {} {} {}\n", p.x, p.y, p.z);
    }
    text += "vn 0 0 1\ng half\n";
    for (k, [a, b, c]) in mesh.facets.iter().enumerate() {
        // The four ways to write a corner.
        let n = mesh.vertices.len() as i64;
        let corner = |v: u32| match k % 4 {
            0 => format!("{}", v + 1),
            1 => format!("{}//1", v + 1),
            2 => format!("{}", i64::from(v) - n),
            _ => format!("{}/1/1", v + 1),
        };
        text += &format!("f {} {} {}\n", corner(*a), corner(*b), corner(*c));
    }
    text
}

/// A PLY of the mesh with fields of any type around those that matter.
#[derive(Clone, Copy, Debug)]
struct PlyLayout {
    big: bool,
    double: bool,
    index: &'static str,
    count: &'static str,
    extra: bool,
    vertex_list: bool,
}

fn ply_of(mesh: &Mesh, layout: PlyLayout) -> Vec<u8> {
    let encoding = if layout.big { "big" } else { "little" };
    let float = if layout.double { "double" } else { "float" };
    let mut bytes = format!(
        "ply\nformat binary_{encoding}_endian 1.0\nelement material 2\nproperty short id\n\
         element vertex {}\n",
        mesh.vertices.len()
    );
    if layout.extra {
        bytes += "property uchar red\n";
    }
    for axis in ["x", "y", "z"] {
        bytes += &format!("property {float} {axis}\n");
    }
    if layout.vertex_list {
        bytes += "property list uchar short neighbours\n";
    }
    bytes += &format!("element face {}\n", mesh.facets.len());
    if layout.extra {
        bytes += "property float quality\n";
    }
    bytes += &format!("property list {} {} vertex_index\n", layout.count, layout.index);
    if layout.extra {
        bytes += "property ushort group\n";
    }
    bytes += "end_header\n";
    let mut bytes = bytes.into_bytes();
    let put = |bytes: &mut Vec<u8>, little: &[u8]| {
        if layout.big {
            bytes.extend(little.iter().rev());
        } else {
            bytes.extend(little);
        }
    };
    let integer = |bytes: &mut Vec<u8>, kind: &str, value: u32| match kind {
        "uchar" | "char" => put(bytes, &[value as u8]),
        "ushort" | "short" => put(bytes, &(value as u16).to_le_bytes()),
        _ => put(bytes, &value.to_le_bytes()),
    };
    for id in [1_i16, -2] {
        put(&mut bytes, &id.to_le_bytes());
    }
    for p in &mesh.vertices {
        if layout.extra {
            bytes.push(200);
        }
        for c in p.iter() {
            if layout.double {
                put(&mut bytes, &c.to_le_bytes());
            } else {
                put(&mut bytes, &(*c as f32).to_le_bytes());
            }
        }
        if layout.vertex_list {
            bytes.push(2);
            put(&mut bytes, &7_i16.to_le_bytes());
            put(&mut bytes, &(-7_i16).to_le_bytes());
        }
    }
    for corners in &mesh.facets {
        if layout.extra {
            put(&mut bytes, &0.5_f32.to_le_bytes());
        }
        integer(&mut bytes, layout.count, 3);
        for v in corners {
            integer(&mut bytes, layout.index, *v);
        }
        if layout.extra {
            put(&mut bytes, &9_u16.to_le_bytes());
        }
    }
    bytes
}

fn e57_bytes(scans: &[(Vec<Point3>, Option<e57::Transform>)]) -> Vec<u8> {
    use e57::{Record, RecordDataType, RecordName, RecordValue};
    let mut file = Cursor::new(Vec::new());
    let mut writer = e57::E57Writer::new(&mut file, "stringline-test").unwrap();
    for (points, pose) in scans {
        let double = RecordDataType::Double { min: None, max: None };
        let mut prototype: Vec<Record> = [RecordName::CartesianX, RecordName::CartesianY, RecordName::CartesianZ]
            .map(|name| Record { name, data_type: double.clone() })
            .to_vec();
        prototype.push(Record {
            name: RecordName::CartesianInvalidState,
            data_type: RecordDataType::Integer { min: 0, max: 2 },
        });
        let mut cloud = writer.add_pointcloud("scan", prototype).unwrap();
        cloud.set_transform(pose.clone());
        for (k, p) in points.iter().enumerate() {
            let mut values: Vec<RecordValue> = p.iter().map(|c| RecordValue::Double(*c)).collect();
            // Every seventh point is marked as invalid.
            values.push(RecordValue::Integer(if k % 7 == 6 { 2 } else { 0 }));
            cloud.add_point(values).unwrap();
        }
        cloud.finalize().unwrap();
    }
    writer.finalize().unwrap();
    drop(writer);
    file.into_inner()
}

/// One small file of every format, for the damage tests.
fn samples() -> Vec<(&'static str, Vec<u8>)> {
    let small = Mesh { facets: block().facets[..6].to_vec(), ..block() };
    let mut small_cloud = points();
    small_cloud.points.truncate(8);
    small_cloud.normals.truncate(8);
    let mut xyz = Vec::new();
    write::xyz(&Geometry::Cloud(small_cloud.clone()), &mut xyz).unwrap();
    let odd = PlyLayout { big: true, double: false, index: "ushort", count: "int", extra: true, vertex_list: true };
    let ascii = "ply\nformat ascii 1.0\nelement vertex 4\nproperty float x\nproperty float y\nproperty float z\n\
        element face 2\nproperty list uchar int vertex_indices\nend_header\n\
        0 0 0\n30 0 0\n30 30.5 0\n0 30 1e1\n4 0 1 2 3\n3 0 2 1\n";
    vec![
        ("block.stl", stl_bytes(&small)),
        ("text.stl", stl_text(&small, "a part").into_bytes()),
        ("single.ply", ply_bytes(Geometry::Mesh(small.clone()), Precision::Single)),
        ("cloud.ply", ply_bytes(Geometry::Cloud(small_cloud.clone()), Precision::Double)),
        ("odd.ply", ply_of(&small, odd)),
        ("ascii.ply", ascii.as_bytes().to_vec()),
        ("part.obj", obj_text(&small).into_bytes()),
        ("points.xyz", xyz),
        ("room.e57", e57_bytes(&[(small_cloud.points, None)])),
        ("part.3mf", threemf_bytes(&small)),
    ]
}

fn threemf_model(mesh: &Mesh) -> String {
    let mut text = String::from(r#"<model unit="millimeter"><resources><object id="1"><mesh><vertices>"#);
    for p in &mesh.vertices {
        text += &format!(r#"<vertex x="{}" y="{}" z="{}"/>"#, p.x, p.y, p.z);
    }
    text += "</vertices><triangles>";
    for [a, b, c] in &mesh.facets {
        text += &format!(r#"<triangle v1="{a}" v2="{b}" v3="{c}"/>"#);
    }
    text + r#"</triangles></mesh></object></resources><build><item objectid="1"/></build></model>"#
}

fn threemf_bytes(mesh: &Mesh) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let stored = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    zip.start_file("3D/3dmodel.model", stored).unwrap();
    zip.write_all(threemf_model(mesh).as_bytes()).unwrap();
    zip.finish().unwrap().into_inner()
}

/// Writes the first inputs of the fuzz targets, one small file of every format each.
#[test]
#[ignore = "run by hand before fuzzing: it writes into tests/fuzz/corpus"]
fn write_fuzz_seeds() {
    let corpus = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/fuzz/corpus");
    for (name, bytes) in samples() {
        let target = match name.rsplit('.').next().unwrap() {
            "3mf" => "threemf",
            ending => ending,
        };
        let folder = std::path::Path::new(corpus).join(target);
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(name), bytes).unwrap();
    }
    // The model alone, which the target puts into an archive itself.
    let model = std::path::Path::new(corpus).join("threemf/part.model");
    std::fs::write(model, threemf_model(&block())).unwrap();
}

#[test]
fn what_is_written_is_read() {
    let block = block();
    let read_back = reading(&stl_bytes(&block), "a.stl").unwrap();
    assert_eq!(read_back.format, FileFormat::StlBinary);
    assert_eq!(read_back.repairs.welded_vertices, 3 * 48 - 40);
    assert_eq!(positions(&mesh(read_back)), positions(&block));
    for precision in [Precision::Single, Precision::Double] {
        let bytes = ply_bytes(Geometry::Mesh(block.clone()), precision);
        let read_back = reading(&bytes, "a.ply").unwrap();
        assert!(read_back.notices.is_empty(), "{:?}", read_back.notices);
        assert_eq!(mesh(read_back), block);
    }
    let c = points();
    let bytes = ply_bytes(Geometry::Cloud(c.clone()), Precision::Double);
    let back = cloud(reading(&bytes, "a.ply").unwrap());
    assert_eq!(back.points, c.points);
    assert_near(&back.normals, &c.normals);
    let mut bytes = Vec::new();
    write::xyz(&Geometry::Cloud(c.clone()), &mut bytes).unwrap();
    let back = reading(&bytes, "a.xyz").unwrap();
    assert!(back.notices.is_empty(), "{:?}", back.notices);
    let back = cloud(back);
    assert_eq!(back.points, c.points);
    assert_near(&back.normals, &c.normals);
}

fn assert_near(a: &[Vec3], b: &[Vec3]) {
    assert_eq!(a.len(), b.len());
    assert!(a.iter().zip(b).all(|(a, b)| (a - b).norm() < 1e-15));
}

/// The corners of every facet: what a mesh is, whatever its vertices are numbered.
fn positions(mesh: &Mesh) -> Vec<[Point3; 3]> {
    (0..mesh.facets.len() as u32).map(|f| mesh.corners(f)).collect()
}

#[test]
fn text_formats_give_the_same_mesh() {
    let block = block();
    for (name, text) in [
        ("a.stl", stl_text(&block, "block")),
        ("a.stl", stl_text(&block, "block").replace('\n', "\r\n")),
        ("a.stl", stl_text(&block, "block").to_uppercase()),
        ("a.stl", stl_text(&block, "")),
        ("a.obj", obj_text(&block)),
        ("a.obj", obj_text(&block).replace('\n', "\r\n")),
        ("a.obj", obj_text(&block).replace("f 1 ", "f 1 \\\n")),
    ] {
        let back = reading(text.as_bytes(), name).unwrap();
        assert!(back.notices.is_empty(), "{:?}", back.notices);
        assert_eq!(positions(&mesh(back)), positions(&block), "{name}");
    }
}

#[test]
fn both_solids_of_a_file_are_read() {
    let block = block();
    let (mut one, mut two) = (block.clone(), block.clone());
    two.facets = one.facets.split_off(20);
    let text = stl_text(&one, "one") + &stl_text(&two, "two");
    let back = mesh(reading(text.as_bytes(), "two.stl").unwrap());
    assert_eq!(positions(&back), positions(&block));
}

#[test]
fn stl_agrees_with_the_general_crate() {
    let block = block();
    let name_one_word = stl_text(&block, "block");
    for bytes in [stl_bytes(&block), name_one_word.into_bytes()] {
        let general = stl_io::read_stl(&mut Cursor::new(&bytes)).unwrap();
        let ours = mesh(reading(&bytes, "a.stl").unwrap());
        // Both number the vertices by first appearance.
        let vertices: Vec<Point3> = general.vertices.iter().map(|v| Point3::from(v.0.map(f64::from))).collect();
        let facets: Vec<[u32; 3]> = general.faces.iter().map(|f| f.vertices.map(|v| v as u32)).collect();
        assert_eq!(ours, Mesh { vertices, facets });
    }
}

#[test]
fn obj_agrees_with_the_general_crate() {
    let text = obj_text(&block());
    let options = tobj::LoadOptions { triangulate: true, ..Default::default() };
    let (models, _) =
        tobj::load_obj_buf(&mut text.as_bytes(), &options, |_| Ok((Vec::new(), Default::default()))).unwrap();
    let general: Vec<[f32; 3]> = models
        .iter()
        .flat_map(|m| {
            m.mesh.indices.iter().map(|i| *i as usize * 3).map(|i| [0, 1, 2].map(|k| m.mesh.positions[i + k]))
        })
        .collect();
    let ours: Vec<[f32; 3]> = positions(&mesh(reading(text.as_bytes(), "a.obj").unwrap()))
        .iter()
        .flatten()
        .map(|p| [p.x, p.y, p.z].map(|c| c as f32))
        .collect();
    assert_eq!(ours, general);
}

fn any_layout() -> impl Strategy<Value = PlyLayout> {
    let index = prop::sample::select(vec!["int", "uint", "uchar", "short", "ushort"]);
    let count = prop::sample::select(vec!["uchar", "char", "ushort", "int"]);
    (any::<[bool; 4]>(), index, count).prop_map(|([big, double, extra, vertex_list], index, count)| PlyLayout {
        big,
        double,
        index,
        count,
        extra,
        vertex_list,
    })
}

/// The same file through `ply-rs` alone.
fn general_ply(bytes: &[u8]) -> Mesh {
    use ply_rs::ply::{DefaultElement, Property};
    let ply = ply_rs::parser::Parser::<DefaultElement>::new().read_ply(&mut Cursor::new(bytes)).unwrap();
    let number = |p: &Property| match p {
        Property::Float(v) => f64::from(*v),
        Property::Double(v) => *v,
        other => panic!("{other:?}"),
    };
    let list = |p: &Property| -> Vec<u32> {
        match p {
            Property::ListInt(v) => v.iter().map(|v| *v as u32).collect(),
            Property::ListUInt(v) => v.clone(),
            Property::ListUChar(v) => v.iter().map(|v| u32::from(*v)).collect(),
            Property::ListShort(v) => v.iter().map(|v| *v as u32).collect(),
            Property::ListUShort(v) => v.iter().map(|v| u32::from(*v)).collect(),
            other => panic!("{other:?}"),
        }
    };
    let vertices = ply.payload["vertex"].iter().map(|v| Point3::from(["x", "y", "z"].map(|a| number(&v[a])))).collect();
    let facets = ply.payload["face"].iter().map(|f| list(&f["vertex_index"]).try_into().unwrap()).collect();
    Mesh { vertices, facets }
}

proptest! {
    /// Whatever the layout, whichever decoder takes it: the same mesh as `ply-rs` gives.
    #[test]
    fn ply_agrees_with_the_general_crate(
        layout in any_layout(),
        coords in prop::collection::vec([-1e6_f64..1e6, -1e-6..1e-6, -1e3..1e3], 3..40),
    ) {
        // A fan over points in general position: no facet is degenerate, none unused.
        let vertices: Vec<Point3> = coords.into_iter().map(Point3::from).collect();
        let facets: Vec<[u32; 3]> = (2..vertices.len() as u32).map(|k| [0, k - 1, k]).collect();
        let bytes = ply_of(&Mesh { vertices, facets }, layout);
        let settings = ReadSettings { weld: Weld::Never, ..Default::default() };
        let ours = mesh(read(Cursor::new(&bytes), "a.ply", &settings).unwrap());
        prop_assert_eq!(ours, general_ply(&bytes));
    }

    /// Random bytes under every name, and behind every format's first bytes.
    #[test]
    fn noise_is_refused_or_read_but_never_panics(
        noise in prop::collection::vec(any::<u8>(), 0..400),
        start in 0_usize..10,
        keep in 0_usize..200,
    ) {
        let (name, sample) = &samples()[start];
        let mut bytes = sample[..keep.min(sample.len())].to_vec();
        bytes.extend(&noise);
        let _ = reading(&bytes, name);
    }

    /// One byte changed anywhere.
    #[test]
    fn a_changed_byte_never_panics(start in 0_usize..10, at in any::<prop::sample::Index>(), value: u8) {
        let (name, mut bytes) = samples().swap_remove(start);
        let at = at.index(bytes.len());
        bytes[at] = value;
        let _ = reading(&bytes, name);
    }

    /// Text points keep every digit.
    #[test]
    fn text_points_keep_every_digit(coords in prop::collection::vec(any::<[f64; 3]>(), 1..30)) {
        let points: Vec<Point3> = coords
            .into_iter()
            .map(|c| Point3::from(c.map(|c| if c.abs() < 1e12 && c.abs() > 1e-30 { c } else { 1.5 })))
            .collect();
        let geometry = Geometry::Cloud(Cloud { points, normals: Vec::new() });
        let mut bytes = Vec::new();
        write::xyz(&geometry, &mut bytes).unwrap();
        prop_assert_eq!(reading(&bytes, "a.xyz").unwrap().geometry, geometry);
    }
}

#[test]
fn a_file_cut_anywhere_is_refused_or_told() {
    for (name, bytes) in samples() {
        let whole = reading(&bytes, name).unwrap();
        for length in 0..bytes.len() {
            match reading(&bytes[..length], name) {
                Err(error) => {
                    assert!(!error.next_step().is_empty());
                    assert!(error.to_string().starts_with(name), "{error}");
                }
                Ok(part) => {
                    // Text formats have no end mark; then either nothing is lost or it is told.
                    let told = part.notices != whole.notices;
                    let whole_lines =
                        bytes[..length].ends_with(b"\n") && (name.ends_with("xyz") || name.ends_with("obj"));
                    assert!(
                        told || whole_lines || part.geometry == whole.geometry,
                        "{name} cut at {length} of {}: {part:?}",
                        bytes.len()
                    );
                }
            }
        }
    }
}

#[test]
fn counts_beyond_the_file_are_refused_before_anything_is_allocated() {
    let mut stl = stl_bytes(&block());
    stl[80..84].copy_from_slice(&4_000_000_000_u32.to_le_bytes());
    let ply = ply_bytes(Geometry::Mesh(block()), Precision::Single);
    let count = |what: &str, n: &str| {
        let at = ply.windows(what.len()).position(|w| w == what.as_bytes()).unwrap();
        let end = at + ply[at..].iter().position(|b| *b == b'\n').unwrap();
        [&ply[..at], what.as_bytes(), n.as_bytes(), &ply[end..]].concat()
    };
    for (name, bytes) in [
        ("a.stl", stl),
        ("a.ply", count("element vertex ", "4000000000")),
        ("a.ply", count("element face ", "4000000000")),
        ("a.ply", count("element face ", "18446744073709551615")),
    ] {
        let error = reading(&bytes, name).unwrap_err();
        assert!(matches!(error.problem, Problem::Truncated { .. }), "{error}");
    }
    // A list that claims 4·10⁹ corners, and one that claims −1.
    for (count, bytes) in [("uint", 4_000_000_000_u32), ("int", u32::MAX)] {
        let text = format!(
            "ply\nformat binary_little_endian 1.0\nelement vertex 1\nproperty float x\nproperty float y\n\
             property float z\nelement face 1\nproperty list {count} int vertex_indices\nend_header\n"
        );
        let mut file = text.into_bytes();
        file.extend([0; 12]);
        file.extend(bytes.to_le_bytes());
        file.extend([0; 64]);
        let error = reading(&file, "a.ply").unwrap_err();
        assert!(matches!(error.problem, Problem::Malformed { .. }), "{error}");
    }
    let mut ascii = String::from(
        "ply\nformat ascii 1.0\nelement vertex 4000000000\nproperty float x\nproperty float y\nproperty float z\nend_header\n",
    );
    ascii += "1 2 3\n";
    assert!(matches!(reading(ascii.as_bytes(), "a.ply").unwrap_err().problem, Problem::Truncated { .. }));
}

#[test]
fn an_e57_that_claims_too_many_points_is_refused() {
    // The XML is not covered by what the count describes, only by its page's checksum: rewrite both.
    let bytes = e57_bytes(&[(points().points, None)]);
    let changed = replaced_in_e57(&bytes, "recordCount=\"50\"", "recordCount=\"4000000000\"");
    let error = reading(&changed, "a.e57").unwrap_err();
    assert!(matches!(error.problem, Problem::Truncated { .. }), "{error}");
    // Coordinates that take no bits at all would be endless.
    let mut none = bytes;
    for axis in ["X", "Y", "Z"] {
        let tag = format!("<cartesian{axis} type=\"");
        let constant = format!("{tag}Integer\" minimum=\"1\" maximum=\"1\" was=\"");
        none = replaced_in_e57(&none, &tag, &constant);
    }
    let error = reading(&none, "a.e57").unwrap_err();
    assert!(error.to_string().contains("bits"), "{error}");
}

/// Replaces text in the XML part of an E57 file (which its writer puts last) and mends length and
/// checksums.
fn replaced_in_e57(bytes: &[u8], from: &str, to: &str) -> Vec<u8> {
    let (pages, _) = bytes.as_chunks::<1024>();
    let mut logical: Vec<u8> = pages.iter().flat_map(|p| &p[..1020]).copied().collect();
    let offset = u64::from_le_bytes(bytes[24..32].try_into().unwrap()) as usize;
    let length = u64::from_le_bytes(bytes[32..40].try_into().unwrap()) as usize;
    let start = offset - offset / 1024 * 4;
    let xml = String::from_utf8(logical[start..start + length].to_vec()).unwrap();
    assert!(xml.contains(from));
    let xml = xml.replace(from, to);
    logical.truncate(start);
    logical.extend(xml.as_bytes());
    logical[32..40].copy_from_slice(&(xml.len() as u64).to_le_bytes());
    logical.resize(logical.len().next_multiple_of(1020), 0);
    logical.chunks(1020).flat_map(|page| [page, &crc32c(page).to_be_bytes()].concat()).collect()
}

/// CRC-32C (Castagnoli, reflected polynomial 0x82F63B78), bit by bit.
fn crc32c(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0_u32, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| (crc >> 1) ^ (0x82F6_3B78 & (crc & 1).wrapping_neg()))
    })
}

#[test]
fn the_checksum_helper_is_right() {
    // The check value of CRC-32C for "123456789" (RFC 3720, B.4 uses the same polynomial; value from memory).
    assert_eq!(crc32c(b"123456789"), 0xE306_9283);
}

#[test]
fn e57_poses_and_invalid_points() {
    let p: Vec<Point3> = (0..14).map(|k| Point3::new(f64::from(k) * 0.1, 0.02, 0.3)).collect();
    let half = std::f64::consts::FRAC_1_SQRT_2;
    // A quarter turn about z, then 10 m along x.
    let pose = e57::Transform {
        rotation: e57::Quaternion { w: half, x: 0.0, y: 0.0, z: half },
        translation: e57::Translation { x: 10.0, y: 0.0, z: 0.0 },
    };
    let back = reading(&e57_bytes(&[(p.clone(), Some(pose)), (p.clone(), None)]), "room.e57").unwrap();
    assert_eq!((back.repairs.points_in_file, back.repairs.invalid_points), (28, 4));
    assert_eq!((back.unit.applied, back.unit.basis), (LengthUnit::Metre, UnitBasis::Declared));
    let back = cloud(back);
    assert_eq!(back.points.len(), 24);
    assert!((back.points[1] - Point3::new(10_000.0 - 20.0, 100.0, 300.0)).norm() < 1e-9);
    assert!((back.points[13] - Point3::new(100.0, 20.0, 300.0)).norm() < 1e-9);
}

#[test]
fn many_e57_packets_pass_the_budget() {
    let p: Vec<Point3> = (0..60_000).map(|k| f64::from(k) * 1e-5).map(|t| Point3::new(t, t * t, 0.1)).collect();
    let back = reading(&e57_bytes(&[(p, None)]), "room.e57").unwrap();
    assert_eq!(back.repairs.points_in_file, 60_000);
}

#[test]
fn single_bad_points_are_dropped_and_many_are_an_error() {
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300] {
        let mut c = points();
        c.points[7].y = bad;
        let bytes = ply_bytes(Geometry::Cloud(c), Precision::Double);
        let back = reading(&bytes, "a.ply").unwrap();
        assert_eq!(back.repairs.unusable_points, 1);
        assert_eq!(cloud(back).normals.len(), 49);

        let mut m = block();
        m.vertices[8].x = bad;
        for bytes in [stl_bytes(&m), ply_bytes(Geometry::Mesh(m.clone()), Precision::Double)] {
            let back = reading(&bytes, "a").unwrap();
            let touching = m.facets.iter().filter(|f| f.contains(&8)).count() as u64;
            assert_eq!(back.repairs.unusable_facets, touching);
            assert_eq!(mesh(back).vertices.len(), 39);
        }
    }
    let text = "1 2 nan\n1 2 nan\n1 2 3\n";
    let error = reading(text.as_bytes(), "a.xyz").unwrap_err();
    assert!(matches!(error.problem, Problem::MostlyUnusable { unusable: 2, total: 3, .. }), "{error}");
}

#[test]
fn the_wrong_byte_order_is_found_out() {
    let swap = |bytes: Vec<u8>| {
        let (from, to) = (b"little_endian", b"big_endian");
        let at = bytes.windows(from.len()).position(|w| w == from).unwrap();
        [&bytes[..at], &to[..], &bytes[at + from.len()..]].concat()
    };
    for precision in [Precision::Single, Precision::Double] {
        for geometry in [Geometry::Mesh(block()), Geometry::Cloud(points())] {
            let error = reading(&swap(ply_bytes(geometry, precision)), "a.ply").unwrap_err();
            assert!(error.next_step().contains("byte order"), "{error}");
        }
    }
}

#[test]
fn content_decides_the_format() {
    let block = block();
    // A binary header that begins like text, and one with a line break in it.
    for title in [&b"solid part\n facet"[..], b"SOLID", b"v 1 2 3\nv 1 2 3", &[0; 80]] {
        let mut bytes = stl_bytes(&block);
        bytes[..80].fill(b' ');
        bytes[..title.len()].copy_from_slice(title);
        assert_eq!(positions(&mesh(reading(&bytes, "a.stl").unwrap())), positions(&block));
    }
    // Bytes after the announced facets are passed over, and told.
    let mut longer = stl_bytes(&block);
    longer.extend([0; 7]);
    let back = reading(&longer, "a.stl").unwrap();
    assert!(back.notices[0].contains("7 bytes"), "{:?}", back.notices);
    // Another format under a wrong name is read, and told.
    let back = reading(&ply_bytes(Geometry::Mesh(block.clone()), Precision::Single), "a.stl").unwrap();
    assert_eq!(back.format, FileFormat::Ply);
    assert!(back.notices[0].contains(".stl"), "{:?}", back.notices);
}

#[test]
fn what_is_no_scan_is_refused_with_reasons() {
    for (name, bytes, says) in [
        ("a.stl", &b""[..], "empty"),
        ("a.stl", b"Dear customer, here is the scan you asked for.\nRegards", "it is text, though it is named .stl"),
        ("a.stl", b"solid as a rock", "no facet"),
        ("a.stl", b"\0\0\0\0\0\0", "cut short"),
        ("a.ply", b"{\"a\": 1}", "it is text"),
        ("a.xyz", b"\xFF\xFEx\0y\0", "UTF-16"),
        ("a.jpg", b"\xFF\xD8\xFF\xE0\0\0\0\0", "no known format"),
        ("a.csv", b"x,y,z\n", "no usable points"),
        ("a.csv", b"x;y;z\n1,5;2,5;3,5\n", "decimal points"),
        ("a.txt", b"1,5 2,5 3,5\n1,5 2,5 3,5\n", "decimal points"),
        ("a.xyz", b"1 2 3\n4 5\n", "in line 2"),
        ("a.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 4\n", "refers to vertex 3"),
        ("a.obj", b"v 0 0 0\nf 1 2 0\n", "in line 2"),
    ] {
        let error = reading(bytes, name).unwrap_err();
        assert!(error.to_string().contains(says), "{error}");
        assert!(!error.next_step().is_empty());
    }
    let folder = std::fs::File::open(env!("CARGO_MANIFEST_DIR")).unwrap();
    let error = read(folder, "scans", &ReadSettings::default()).unwrap_err();
    assert!(matches!(error.problem, Problem::Io { .. }), "{error}");
}

#[test]
fn separators_headings_and_columns() {
    let expected = [Point3::new(1.5, -2.0, 3e3), Point3::new(4.0, 5.0, 6.0), Point3::new(7.0, 8.0, 30.0)];
    for text in [
        "1.5 -2 3e3\n4 5 6\n7 8 30\n",
        "3\r\n1.5\t-2\t3E3\r\n4\t5\t6\r\n\r\n7\t8\t30\r\n",
        "X,Y,Z\n1.5,-2,3e3\n4, 5, 6\n7,8,30,\n",
        "# made by hand\n1.5;-2;3e3;255;0;0\n4;5;6;1;2;3\n7;8;30;9;9;9\n",
        "\"id\";\"x [mm]\";\"Y\";\"z\"\n1;1.5;-2;3000\n2;4;5;6\n3;7;8;30\n",
        "//X Y Z I\n1.5 -2 3000 0.5\n4 5 6 label\n7 8 30\n",
        "\u{FEFF}1.5 -2 3000\n4 5 6\n7 8 30\n",
    ] {
        let back = cloud(reading(text.as_bytes(), "a.csv").unwrap());
        assert_eq!(back.points, expected, "{text}");
        assert!(back.normals.is_empty());
    }
    // Unit vectors in columns four to six are normals; headings may name them elsewhere.
    for text in ["10 0 0 0 0.6 0.8\n0 0 9 1 0 0\n", "nx ny nz x y z\n0 0.6 0.8 10 0 0\n1 0 0 0 0 9\n"] {
        let back = cloud(reading(text.as_bytes(), "a.asc").unwrap());
        assert_near(&back.normals, &[Vec3::new(0.0, 0.6, 0.8), Vec3::x()]);
        assert_eq!(back.points[1].z, 9.0);
    }
}

#[test]
fn units_are_never_changed_on_a_guess() {
    let text = "0 0 0\n0.25 0.1 0\n";
    let back = reading(text.as_bytes(), "a.xyz").unwrap();
    assert_eq!((back.unit.guess, back.geometry.points()[1].x), (Some(LengthUnit::Metre), 0.25));
    assert!(back.notices[0].contains("--unit m"), "{:?}", back.notices);
    let settings = ReadSettings { unit: Some(LengthUnit::Metre), ..Default::default() };
    let back = read(Cursor::new(text), "a.xyz", &settings).unwrap();
    assert_eq!((back.unit.basis, back.geometry.points()[1].x), (UnitBasis::Given, 250.0));
    // An E57 is in metres unless the user knows better.
    let bytes = e57_bytes(&[(points().points, None)]);
    let settings = ReadSettings { unit: Some(LengthUnit::Millimetre), ..Default::default() };
    let back = read(Cursor::new(bytes), "a.e57", &settings).unwrap();
    assert_eq!(back.geometry.points()[1], points().points[1]);
    assert!(back.notices.iter().any(|n| n.contains("declares m")), "{:?}", back.notices);
}

#[test]
fn far_from_the_origin_no_step_is_lost() {
    // 10⁶ mm away, steps of 10⁻⁶ mm.
    let c = Cloud {
        points: (0..40).map(|k| f64::from(k) * 1e-6).map(|s| Point3::new(1e6 + s, -1e6 - s, 1e6)).collect(),
        normals: Vec::new(),
    };
    let mut xyz = Vec::new();
    write::xyz(&Geometry::Cloud(c.clone()), &mut xyz).unwrap();
    for bytes in [xyz, ply_bytes(Geometry::Cloud(c.clone()), Precision::Double)] {
        assert_eq!(cloud(reading(&bytes, "a").unwrap()).points, c.points);
    }
    // Text keeps its digits whatever type a PLY header declares, and in STL and OBJ.
    let far = Mesh { vertices: block().vertices.iter().map(|p| p + Vec3::repeat(1e6 + 1e-6)).collect(), ..block() };
    let mut ply = format!(
        "ply\nformat ascii 1.0\nelement vertex 40\nproperty float x\nproperty float y\nproperty float z\n\
         element face {}\nproperty list uchar int vertex_indices\nend_header\n",
        far.facets.len()
    );
    for p in &far.vertices {
        ply += &format!("{} {} {}\n", p.x, p.y, p.z);
    }
    for [a, b, c] in &far.facets {
        ply += &format!("3 {a} {b} {c}\n");
    }
    for text in [ply, obj_text(&far), stl_text(&far, "far")] {
        assert_eq!(positions(&mesh(reading(text.as_bytes(), "a").unwrap())), positions(&far));
    }
}

#[test]
fn polygons_are_split_and_counted() {
    let text = "ply\r\nformat ascii 1.0\r\nelement vertex 5\r\nproperty double x\r\nproperty double y\r\n\
        property double z\r\nproperty uchar red\r\nelement face 2\r\nproperty list uchar int vertex_indices\r\n\
        end_header\r\n0 0 0 255\r\n30 0 0 1\r\n40 20 0 2\r\n20 40 0 3\r\n.5 3.e1 0 4\r\n5 0 1 2 3 4\r\n2 0 1\r\n";
    let back = reading(text.as_bytes(), "a.ply").unwrap();
    assert_eq!((back.repairs.split_polygons, back.repairs.degenerate_facets), (1, 1));
    assert_eq!(back.repairs.facets_in_file, 4);
    let back = mesh(back);
    assert_eq!(back.facets, [[0, 1, 2], [0, 2, 3], [0, 3, 4]]);
    assert_eq!(back.vertices[4], Point3::new(0.5, 30.0, 0.0));
    // The same in binary, where triangles have a path of their own.
    let mut bytes = b"ply\nformat binary_little_endian 1.0\nelement vertex 5\nproperty double x\nproperty double y\n\
        property double z\nelement face 3\nproperty list uchar int vertex_indices\nend_header\n"
        .to_vec();
    bytes.extend(back.vertices.iter().flat_map(|p| [p.x, p.y, p.z]).flat_map(f64::to_le_bytes));
    for face in [&[0, 1, 2][..], &[0, 2, 3, 4], &[1]] {
        bytes.push(face.len() as u8);
        bytes.extend(face.iter().flat_map(|v: &i32| v.to_le_bytes()));
    }
    let again = reading(&bytes, "a.ply").unwrap();
    assert_eq!((again.repairs.split_polygons, again.repairs.degenerate_facets), (1, 1));
    assert_eq!(mesh(again), back);
}

#[test]
fn a_negative_index_is_refused() {
    let layout = PlyLayout { big: false, double: true, index: "int", count: "uchar", extra: false, vertex_list: false };
    for index in [u32::MAX, 40, 1 << 31] {
        let mut m = block();
        m.facets[3][1] = index;
        let error = reading(&ply_of(&m, layout), "a.ply").unwrap_err();
        assert!(matches!(error.problem, Problem::IndexOutOfRange { facet: 3, .. }), "{error}");
    }
}

#[test]
fn the_limit_is_kept() {
    for (name, bytes) in samples() {
        let settings = ReadSettings { most_elements: 1, ..Default::default() };
        let error = read(Cursor::new(&bytes), name, &settings).unwrap_err();
        assert!(matches!(error.problem, Problem::TooMany { limit: 1, .. }), "{error}");
    }
}
