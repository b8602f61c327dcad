//! The command line as it is typed. Commands resolve it to what they work with.

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;
use stringline_core::units::LengthUnit;
use stringline_hardpoints::Role;
use stringline_job::Wanted;

/// From scan files of suspension and steering parts to a trusted hardpoint set.
///
/// Without a command the window opens, on JOB where one is named.
#[derive(Debug, Parser)]
#[command(
    name = "stringline",
    version,
    args_conflicts_with_subcommands = true,
    max_term_width = 100,
    after_help = "Exit status: 0 done, 1 could not do it, 2 wrong usage, 3 done in part.\n\
                  Lengths are millimetres; ± is at 95 % coverage."
)]
pub(crate) struct Cli {
    /// The job to open in the window: a file that ends in .job.json.
    pub(crate) job: Option<PathBuf>,
    #[command(subcommand)]
    pub(crate) command: Option<Command>,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Do the whole main job on the sample scans of the Kestrel, an invented car; then open the
    /// window on it, where there is a display.
    Demo(DemoArgs),
    /// Say what scan files hold.
    Survey(SurveyArgs),
    /// Paint on a scan, or take the whole of it, and fit a shape.
    Fit(FitArgs),
    /// Replay a job and write all its results.
    Run(RunArgs),
    /// Say how a job's scans sit in the car: what each mate is off by, what is free, what rests on what.
    Place(PlaceArgs),
    /// Write a job's hardpoints, or a hardpoint set, to other files.
    Export(ExportArgs),
    /// Say what a suspension does: every kinematic measure over wheel travel and rack.
    Curves(CurvesArgs),
    /// Say whether a job's bodies keep clear of each other over lock and wheel travel, or how one scan lies over another.
    Gap(GapArgs),
    /// Print the JSON Schema of a file format.
    Schema(SchemaArgs),
}

#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// The folder to write to; made if it is not there.
    #[arg(default_value = "kestrel-demo")]
    pub(crate) dir: PathBuf,
    /// Print the result as JSON.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct SurveyArgs {
    /// Scan files: .stl, .ply, .obj, .3mf, .e57, or text points .xyz, .asc, .csv.
    #[arg(required = true, value_name = "SCAN")]
    pub(crate) scans: Vec<PathBuf>,
    /// The unit of the files' coordinates, in place of a guess.
    #[arg(long)]
    pub(crate) unit: Option<Unit>,
    /// Print the result as JSON.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct FitArgs {
    /// The scan file.
    #[arg(value_name = "SCAN")]
    pub(crate) scan: PathBuf,
    /// Touch the scan at X,Y,Z with a brush of radius R, mm, in the scan's frame (R is 5 if
    /// left out). May be given several times: together they make one patch.
    #[arg(
        long = "dab",
        value_name = "X,Y,Z[,R]",
        allow_hyphen_values = true,
        required_unless_present = "all",
        conflicts_with = "all",
        value_parser = parse_dab
    )]
    pub(crate) dabs: Vec<DabArg>,
    /// Take the whole scan.
    #[arg(long)]
    pub(crate) all: bool,
    /// The shape; auto lets the evidence decide.
    #[arg(long = "as", value_name = "SHAPE", default_value = "auto")]
    pub(crate) shape: Shape,
    /// Go on from the dabs over the connected surface, as far as it still belongs.
    #[arg(long, conflicts_with = "all")]
    pub(crate) grow: bool,
    /// Plain least squares, with nothing left out.
    #[arg(long)]
    pub(crate) keep_all: bool,
    /// Hold the radius at a known size, mm.
    #[arg(long, value_name = "HELD", value_parser = parse_length)]
    pub(crate) radius: Option<f64>,
    /// The unit of the file's coordinates, in place of a guess.
    #[arg(long)]
    pub(crate) unit: Option<Unit>,
    /// Print the result as JSON.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct RunArgs {
    /// The job file, .job.json.
    #[arg(value_name = "JOB")]
    pub(crate) job: PathBuf,
    /// The folder to write to; the job's own if left out.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct PlaceArgs {
    /// The job file, .job.json.
    #[arg(value_name = "JOB")]
    pub(crate) job: PathBuf,
    /// Measure the gaps of each scan laid on another, where it started and as placed.
    #[arg(long)]
    pub(crate) gaps: bool,
    /// How far away the other surface is looked for, mm.
    #[arg(long, value_name = "MM", requires = "gaps", value_parser = parse_length)]
    pub(crate) limit: Option<f64>,
    /// Write those gaps as coloured meshes to this folder.
    #[arg(long, value_name = "DIR", requires = "gaps")]
    pub(crate) out: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct ExportArgs {
    /// A job (.job.json) or a hardpoint set (.hardpoints.json).
    #[arg(value_name = "JOB|SET")]
    pub(crate) source: PathBuf,
    /// A variant of the job in place of the car as found.
    #[arg(long, value_name = "NAME")]
    pub(crate) variant: Option<String>,
    /// The files to write; their endings say how: .json, .step, .dxf, .csv.
    #[arg(long, required = true, num_args = 1.., value_name = "FILE")]
    pub(crate) to: Vec<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct CurvesArgs {
    /// A job (.job.json) or a hardpoint set (.hardpoints.json).
    #[arg(value_name = "SET|JOB")]
    pub(crate) source: PathBuf,
    /// A variant of the job, or as-found. May be given several times: the first is what the others are compared with. All
    /// of them if left out.
    #[arg(long = "variant", value_name = "NAME")]
    pub(crate) variants: Vec<String>,
    /// Wheel travel from rest, mm, up.
    #[arg(long, value_name = "A..B", default_value = "-60..60", allow_hyphen_values = true, value_parser = parse_range)]
    pub(crate) travel: [f64; 2],
    /// Rack travel, mm, to the left; to the stops, or to just before over centre, if left out.
    #[arg(long, value_name = "A..B", allow_hyphen_values = true, value_parser = parse_range)]
    pub(crate) rack: Option<[f64; 2]>,
    /// The range of wheel travel, either way, over which bump steer is summed up, mm.
    #[arg(long, value_name = "MM", default_value = "30", value_parser = parse_length)]
    pub(crate) bump: f64,
    /// How far off a point may be made, ±, mm, as tie_rod_outer=0.2. May be given several times.
    #[arg(long = "made-within", value_name = "POINT=MM", value_parser = parse_made_within)]
    pub(crate) made_within: Vec<(Role, f64)>,
    /// Write every value to this file for a spreadsheet.
    #[arg(long, value_name = "FILE")]
    pub(crate) csv: Option<PathBuf>,
    /// Draw the curves into this file.
    #[arg(long, value_name = "FILE")]
    pub(crate) svg: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Default, Args)]
pub(crate) struct GapArgs {
    /// The job file, .job.json.
    #[arg(value_name = "JOB")]
    pub(crate) job: PathBuf,
    /// Measure one placed scan of the job against another, in place of the sweep.
    #[arg(long, num_args = 2, value_names = ["SCAN", "AGAINST"])]
    pub(crate) overlay: Vec<String>,
    /// How far away the other surface is looked for, mm.
    #[arg(long, value_name = "MM", requires = "overlay", value_parser = parse_length)]
    pub(crate) limit: Option<f64>,
    /// A variant of the job, or as-found. May be given several times: the first is what the others are compared with. All
    /// of them if left out.
    #[arg(long = "variant", value_name = "NAME", conflicts_with = "overlay")]
    pub(crate) variants: Vec<String>,
    /// The gap wanted, mm, of all pairs; as the job says if left out.
    #[arg(long, value_name = "MM", conflicts_with = "overlay", value_parser = parse_length)]
    pub(crate) wanted: Option<f64>,
    /// Locks to either side, degrees; as the job says if left out.
    #[arg(long, value_name = "DEG", conflicts_with = "overlay", value_parser = parse_length)]
    pub(crate) lock: Option<f64>,
    /// Wheel travel from rest, mm, up; as the job says if left out.
    #[arg(long, value_name = "A..B", allow_hyphen_values = true, conflicts_with = "overlay", value_parser = parse_range)]
    pub(crate) travel: Option<[f64; 2]>,
    /// Sweep wheels of this drawn section in place of the job's: a text file, a point on each line, in order round the
    /// section: its place along the axis (outboard positive, from the rim's middle), then its radius, mm.
    #[arg(long, value_name = "FILE", conflicts_with = "overlay")]
    pub(crate) section: Option<PathBuf>,
    /// Write pictures and coloured meshes to this folder.
    #[arg(long, value_name = "DIR")]
    pub(crate) out: Option<PathBuf>,
    /// Print the result as JSON.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct SchemaArgs {
    /// Which format.
    #[arg(default_value = "job")]
    pub(crate) format: Format,
    /// Accepted as everywhere; a schema is JSON in any case.
    #[arg(long)]
    pub(crate) json: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum Format {
    /// The job file.
    Job,
    /// The hardpoint set.
    Hardpoints,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum Unit {
    /// Millimetres.
    Mm,
    /// Metres.
    M,
    /// Inches.
    In,
}

impl From<Unit> for LengthUnit {
    fn from(unit: Unit) -> Self {
        match unit {
            Unit::Mm => LengthUnit::Millimetre,
            Unit::M => LengthUnit::Metre,
            Unit::In => LengthUnit::Inch,
        }
    }
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(crate) enum Shape {
    Auto,
    Plane,
    Cylinder,
    Cone,
    Sphere,
    Circle,
}

impl From<Shape> for Wanted {
    fn from(shape: Shape) -> Self {
        match shape {
            Shape::Auto => Wanted::Auto,
            Shape::Plane => Wanted::Plane,
            Shape::Cylinder => Wanted::Cylinder,
            Shape::Cone => Wanted::Cone,
            Shape::Sphere => Wanted::Sphere,
            Shape::Circle => Wanted::Circle,
        }
    }
}

/// A dab as typed, mm.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct DabArg {
    pub(crate) centre: [f64; 3],
    pub(crate) radius: f64,
}

/// The brush where its radius is left out, mm.
const BRUSH: f64 = 5.0;

fn parse_dab(text: &str) -> Result<DabArg, String> {
    let numbers: Vec<f64> = text
        .split(',')
        .map(|part| part.trim().parse().ok().filter(|v: &f64| v.is_finite()))
        .collect::<Option<_>>()
        .ok_or("each of X,Y,Z and R must be a number")?;
    match numbers[..] {
        [x, y, z] => Ok(DabArg { centre: [x, y, z], radius: BRUSH }),
        [x, y, z, radius] if radius > 0.0 => Ok(DabArg { centre: [x, y, z], radius }),
        [_, _, _, _] => Err("the radius must be above zero".into()),
        _ => Err("give three numbers, or four with the brush's radius".into()),
    }
}

fn parse_range(text: &str) -> Result<[f64; 2], String> {
    let number = |part: &str| part.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    match text.split_once("..").map(|(a, b)| (number(a), number(b))) {
        Some((Some(low), Some(high))) if low < high => Ok([low, high]),
        Some((Some(_), Some(_))) => Err("the range must run from a lower to a higher number".into()),
        _ => Err("give two numbers in mm, as -60..60".into()),
    }
}

fn parse_made_within(text: &str) -> Result<(Role, f64), String> {
    let (role, length) = text.split_once('=').ok_or("give a point and a length, as tie_rod_outer=0.2")?;
    let role = role.parse::<Role>().map_err(|error| error.to_string())?;
    Ok((role, parse_length(length)?))
}

fn parse_length(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(length) if length.is_finite() && length > 0.0 => Ok(length),
        _ => Err("give a length above zero, in mm".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_well_formed() {
        Cli::command().debug_assert();
    }

    #[test]
    fn dabs_are_read_or_refused() {
        let dab = parse_dab("-1, 2.5,3e1").unwrap();
        assert_eq!(dab, DabArg { centre: [-1.0, 2.5, 30.0], radius: BRUSH });
        assert_eq!(parse_dab("1,2,3,4").unwrap().radius, 4.0);
        for bad in ["", "1,2", "1,2,3,4,5", "1,2,x", "1,2,nan", "inf,2,3", "1,2,3,0", "1,2,3,-1"] {
            assert!(parse_dab(bad).is_err(), "{bad}");
        }
    }
}
