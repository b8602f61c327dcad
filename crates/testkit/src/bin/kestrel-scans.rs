//! Writes the Kestrel's sample scans and the truth beside them.

#![allow(clippy::print_stdout, reason = "a command reports on standard output")]

use clap::Parser;
use std::error::Error;
use std::fs;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};
use stringline_testkit::kestrel::{self, Noise, Part, ScanSettings, truth};

/// Generate the scans of the Kestrel, an invented car, with their true values.
///
/// Without arguments it reproduces the committed scans in `sample-scans`.
#[derive(Parser)]
struct Arguments {
    /// Folder to write to; `sample-scans`, or `sample-scans/large` with --triangles
    #[arg(long)]
    out: Option<PathBuf>,
    /// About how many facets each scan has (a cloud keeps their vertices)
    #[arg(long, value_name = "N")]
    triangles: Option<usize>,
    /// Another seed gives other frames, noise, gaps and strays
    #[arg(long, default_value_t = ScanSettings::default().seed)]
    seed: u64,
    /// Standard deviation of the noise, mm
    #[arg(long, value_name = "SIGMA_MM", default_value_t = ScanSettings::default().noise.sigma)]
    noise: f64,
    /// Only this part
    #[arg(long, value_name = "NAME", value_parser = part)]
    part: Option<Part>,
}

fn part(name: &str) -> Result<Part, String> {
    Part::ALL
        .into_iter()
        .find(|part| part.name() == name)
        .ok_or_else(|| format!("no such part; there are {}", Part::ALL.map(Part::name).join(", ")))
}

fn main() -> Result<(), Box<dyn Error>> {
    let arguments = Arguments::parse();
    let home = if arguments.triangles.is_some() { "sample-scans/large" } else { "sample-scans" };
    let out = arguments.out.unwrap_or_else(|| home.into());
    fs::create_dir_all(&out)?;
    let settings = ScanSettings {
        seed: arguments.seed,
        noise: Noise { sigma: arguments.noise, ..ScanSettings::default().noise },
        triangles: arguments.triangles,
    };
    for part in Part::ALL {
        if arguments.part.is_some_and(|only| only != part) {
            continue;
        }
        let model = part.model();
        let scan = kestrel::scan(part, &model, &settings);
        let path = out.join(part.file_name());
        let mut file = BufWriter::new(fs::File::create(&path)?);
        part.write(&scan.geometry, &mut file)?;
        file.flush()?;
        let truth = truth::of_scan(part, &model, &settings, &scan.car_from_scan);
        write_json(&out.join(format!("{}.truth.json", part.name())), &truth)?;
        println!("{}: {}", path.display(), kestrel::describe(&scan.geometry));
    }
    write_json(&out.join("kestrel.truth.json"), &truth::of_car())
}

fn write_json(path: &Path, value: &impl serde::Serialize) -> Result<(), Box<dyn Error>> {
    let mut text = serde_json::to_string_pretty(value)?;
    text.push('\n');
    Ok(fs::write(path, text)?)
}
