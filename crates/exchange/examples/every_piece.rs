//! Writes one of every piece as STEP to the standard output, to be opened with another program.
#![allow(clippy::print_stdout, reason = "the example's output")]

use stringline_core::{Point3, UnitVec3, Vec3};
use stringline_exchange::step::{Assembly, Heading, Part, Piece, write};

fn main() -> Result<(), stringline_exchange::step::StepError> {
    let direction = UnitVec3::new_normalize(Vec3::new(0.123, -0.456, 0.789));
    let at = Point3::new(101.123456789, -55.5, 1.0 / 3.0);
    let pieces = [
        ("point", Piece::Point { at }),
        ("line", Piece::Segment { from: at, to: at + direction.into_inner() * 40.0 }),
        ("circle ⌀ 30 \"Größe\" 😀", Piece::Circle { centre: at, normal: direction, radius: 15.0 }),
        ("disc", Piece::Disc { centre: at, normal: direction, radius: 15.0 }),
        ("cylinder", Piece::Cylinder { start: at, direction, radius: 7.123, length: 20.0 }),
        ("cone", Piece::Cone { start: at, direction, radius: 6.5, half_angle: (1.0_f64 / 16.0).atan(), length: 18.0 }),
        ("sphere", Piece::Sphere { centre: at, radius: 11.0 }),
    ];
    let mut parts: Vec<Part> = pieces
        .iter()
        .map(|(name, piece)| Part { name: (*name).into(), description: "a datum".into(), pieces: vec![*piece] })
        .collect();
    parts.push(Part {
        name: "axis with sheet".into(),
        description: "a datum".into(),
        pieces: vec![pieces[0].1, pieces[1].1, pieces[4].1],
    });
    let assembly = Assembly { name: "every piece".into(), description: "one of every piece".into(), parts };
    let heading = Heading {
        file_name: "every_piece.step",
        time_stamp: "2026-01-31T12:00:00Z",
        system: "Stringline",
        description: vec!["one of every piece"],
    };
    print!("{}", write(&assembly, &heading)?);
    Ok(())
}
