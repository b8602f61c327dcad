//! Writes one of every shape as DXF to the standard output, to be opened with another program.
#![allow(clippy::print_stdout, reason = "the example's output")]

use stringline_exchange::dxf::{Corner, Drawing, DxfError, Entity, Layer, Shape, write};

fn main() -> Result<(), DxfError> {
    let corner = |x: f64, y: f64, bulge: f64| Corner { at: [x, y], bulge };
    let shapes = [
        Shape::Point { at: [1.0 / 3.0, 2.5] },
        Shape::Line { from: [0.0, 0.0], to: [123.456789, -1e-7] },
        Shape::Circle { centre: [10.0, 20.0], radius: 6.4 },
        // A slot 40 long and 13 wide: two lines and two half circles.
        Shape::Polyline {
            corners: vec![
                corner(0.0, 0.0, 0.0),
                corner(27.0, 0.0, 1.0),
                corner(27.0, 13.0, 0.0),
                corner(0.0, 13.0, 1.0),
            ],
            closed: true,
        },
        Shape::Text { at: [5.0, 30.0], height: 3.5, text: "⌀ 12.8, Größe ^ 😀".into() },
    ];
    let drawing = Drawing {
        comments: vec!["one of every shape".into()],
        layers: vec![Layer { name: "CUT".into(), colour: 7 }, Layer { name: "NOTES".into(), colour: 3 }],
        entities: shapes.into_iter().enumerate().map(|(i, shape)| Entity { layer: i / 4, shape }).collect(),
    };
    print!("{}", write(&drawing)?);
    Ok(())
}
