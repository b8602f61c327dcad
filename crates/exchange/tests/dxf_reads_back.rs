//! DXF files taken apart again: pairs, handles, entities, refusals.

#![allow(clippy::unwrap_used, reason = "in a test a panic is the report")]

use std::collections::BTreeSet;
use stringline_core::Explain;
use stringline_exchange::dxf::{Corner, Drawing, DxfError, Entity, Layer, Shape, write};

fn pairs(text: &str) -> Vec<(u16, String)> {
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len() % 2, 0);
    lines.chunks(2).map(|c| (c[0].trim().parse().unwrap(), c[1].to_owned())).collect()
}

fn drawing(shapes: Vec<Shape>) -> Drawing {
    Drawing {
        comments: vec!["for a test".into()],
        layers: vec![Layer { name: "CUT".into(), colour: 7 }],
        entities: shapes.into_iter().map(|shape| Entity { layer: 0, shape }).collect(),
    }
}

fn slot() -> Shape {
    let corner = |x: f64, y: f64, bulge: f64| Corner { at: [x, y], bulge };
    Shape::Polyline {
        corners: vec![corner(0.0, 0.0, 0.0), corner(27.0, 0.0, 1.0), corner(27.0, 13.0, 0.0), corner(0.0, 13.0, 1.0)],
        closed: true,
    }
}

#[test]
fn entities_carry_their_numbers_in_full() {
    let text = write(&drawing(vec![
        Shape::Circle { centre: [1.0 / 3.0, -1e-9], radius: 6.4 },
        slot(),
        Shape::Text { at: [0.0, 0.0], height: 3.5, text: "⌀ ±0.1 Ø".into() },
    ]))
    .unwrap();
    assert!(text.is_ascii());
    let all = pairs(&text);
    let from = |kind: &str| {
        let start = all.iter().position(|p| *p == (0, kind.into())).unwrap();
        let end = start + 1 + all[start + 1..].iter().position(|p| p.0 == 0).unwrap();
        all[start..end].to_vec()
    };
    let value = |entity: &[(u16, String)], code: u16| -> Vec<String> {
        entity.iter().filter(|p| p.0 == code).map(|p| p.1.clone()).collect()
    };
    let circle = from("CIRCLE");
    assert_eq!(value(&circle, 8), ["CUT"]);
    assert_eq!(value(&circle, 10)[0].parse::<f64>().unwrap(), 1.0 / 3.0);
    assert_eq!(value(&circle, 20), ["-0.000000001"]);
    assert_eq!(value(&circle, 40), ["6.4"]);
    let polyline = from("LWPOLYLINE");
    assert_eq!(value(&polyline, 90), ["4"]);
    assert_eq!(value(&polyline, 70), ["1"]);
    assert_eq!(value(&polyline, 10), ["0.0", "27.0", "27.0", "0.0"]);
    assert_eq!(value(&polyline, 42), ["1.0", "1.0"]);
    assert_eq!(value(&from("TEXT"), 1), ["%%c %%p0.1 \\U+00D8"]);
    let header = |name: &str| {
        let at = all.iter().position(|p| *p == (9, name.into())).unwrap();
        all[at + 1].1.clone()
    };
    assert_eq!(header("$ACADVER"), "AC1015");
    assert_eq!(header("$INSUNITS"), "4");
    assert_eq!(header("$MEASUREMENT"), "1");
}

#[test]
fn handles_are_unique_and_owners_exist() {
    let text = write(&drawing(vec![slot(), slot(), Shape::Point { at: [0.0; 2] }])).unwrap();
    let all = pairs(&text);
    let mut handles = BTreeSet::new();
    let body = all.iter().skip_while(|p| p.1 != "TABLES");
    for (code, value) in body.clone() {
        if *code == 5 || *code == 105 {
            let handle = u64::from_str_radix(value, 16).unwrap();
            assert!(handles.insert(handle), "{value} is there twice");
        }
    }
    for (code, value) in body {
        if [330, 340, 350].contains(code) {
            let owner = u64::from_str_radix(value, 16).unwrap();
            assert!(owner == 0 || handles.contains(&owner), "{value} is missing");
        }
    }
    let seed = all.iter().position(|p| p.1 == "$HANDSEED").unwrap();
    let seed = u64::from_str_radix(&all[seed + 1].1, 16).unwrap();
    assert!(handles.iter().all(|h| *h < seed));
}

#[test]
fn an_empty_drawing_is_a_drawing() {
    assert!(write(&Drawing::default()).unwrap().ends_with("EOF\n"));
}

#[test]
fn what_draws_nothing_is_refused() {
    let nan = Shape::Point { at: [f64::NAN, 0.0] };
    assert!(matches!(write(&drawing(vec![nan])), Err(DxfError::NotFinite { entity: 0, .. })));
    let dot = Shape::Circle { centre: [0.0; 2], radius: 0.0 };
    let error = write(&drawing(vec![slot(), dot])).unwrap_err();
    assert_eq!(error.to_string(), "entity 1 on layer 'CUT' has a radius that draws nothing");
    assert!(error.next_step().ends_with('.'));
    let mut elsewhere = drawing(vec![slot()]);
    elsewhere.entities[0].layer = 3;
    assert!(matches!(write(&elsewhere), Err(DxfError::NoLayer { .. })));
    for name in ["", "0", "a/b", "CUT", "cut", "Größe"] {
        let mut twice = drawing(vec![]);
        twice.layers.push(Layer { name: name.into(), colour: 1 });
        assert!(matches!(write(&twice), Err(DxfError::LayerName { .. })), "{name}");
    }
}
