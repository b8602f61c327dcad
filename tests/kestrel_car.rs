//! The whole Kestrel from its scans' own frames: scanned anew from a seed, worked as the demo works it, and each hardpoint
//! held against the truth.

use rayon::prelude::*;
use std::fs;
use std::io::BufWriter;
use std::sync::Arc;
use stringline_job::{Evaluator, LoadError, LoadedScan, Name, ScanFile, load};
use stringline_place::MateFit;
use stringline_sample::{Compared, Truth, compare, raw, work};
use stringline_testkit::kestrel::{Part, ScanSettings, chassis_right, scan, truth};

/// What came of one seed.
pub struct Outcome {
    /// The hardpoints beside their truth.
    pub compared: Vec<Compared>,
    /// How the pair of strut towers fits.
    pub towers: Option<MateFit>,
    /// Pairs that were left out, by name.
    pub left_out: Vec<String>,
    /// The probability that chance makes the adjustment's χ² as large.
    pub probability: f64,
    /// χ² over its degrees of freedom.
    pub chi_squared_per_redundancy: f64,
    /// What could not be computed.
    pub failures: Vec<String>,
}

/// Scans the car from a seed, works it, and compares. `push` moves the right strut tower off the left one's mirror
/// image, mm; `None`: as it is found.
///
/// # Errors
/// What went wrong, in words.
pub fn one(seed: u64, push: Option<[f64; 3]>) -> Result<Outcome, String> {
    let told = |error: &dyn std::fmt::Display| error.to_string();
    let folder = tempfile::tempdir().map_err(|e| told(&e))?;
    let settings = ScanSettings { seed, ..ScanSettings::default() };
    let mut truths = Vec::new();
    for part in Part::ALL {
        let model = match (part, push) {
            (Part::ChassisRight, Some(offset)) => chassis_right(offset),
            _ => part.model(),
        };
        let made = scan(part, &model, &settings);
        let file = fs::File::create(folder.path().join(part.file_name())).map_err(|e| told(&e))?;
        part.write(&made.geometry, &mut BufWriter::new(file)).map_err(|e| told(&e))?;
        let sheet = truth::of_scan(part, &model, &settings, &made.car_from_scan);
        let sheet = serde_json::to_vec(&sheet).map_err(|e| told(&e))?;
        truths.push(serde_json::from_slice::<Truth>(&sheet).map_err(|e| told(&e))?);
    }
    let files: Vec<(&str, &str)> = Part::ALL.iter().map(|part| (part.name(), part.file_name())).collect();
    let sheets: Vec<(&str, &Truth)> = Part::ALL.iter().map(|part| part.name()).zip(&truths).collect();
    let job = raw(folder.path(), &files).and_then(|job| work(&job, &sheets)).map_err(|e| told(&e))?;
    let open =
        |_: &Name, file: &ScanFile| -> Result<Arc<LoadedScan>, LoadError> { Ok(Arc::new(load(file, folder.path())?)) };
    let results = Evaluator::default().evaluate(&job, &open);
    let failures = results.failures.iter().map(|f| format!("{} {}: {}", f.what, f.name, f.error)).collect();
    let adjusted = results.adjusted.as_ref();
    let mates = || adjusted.iter().flat_map(|a| &a.mates);
    Ok(Outcome {
        compared: compare(&results.set.hardpoints, &truths),
        towers: mates().find(|mate| mate.name == "strut towers").cloned(),
        left_out: mates().filter(|mate| mate.left_out).map(|mate| mate.name.clone()).collect(),
        probability: adjusted.map_or(f64::NAN, |a| a.probability),
        chi_squared_per_redundancy: adjusted.map_or(f64::NAN, |a| a.chi_squared / a.redundancy as f64),
        failures,
    })
}

/// Prints a row for each hardpoint over so many seeds.
///
/// # Errors
/// Whatever `out` refuses.
pub fn print_table(seeds: u64, push: Option<[f64; 3]>, out: &mut impl std::io::Write) -> std::io::Result<()> {
    writeln!(
        out,
        "the Kestrel from {seeds} seeds, from its scans' own frames to the car's: hardpoints within their stated ± \
         (± {:.1} % by chance)",
        100.0 * (0.95 * 0.05 / seeds.max(1) as f64).sqrt()
    )?;
    let found: Vec<Result<Outcome, String>> = (0..seeds).into_par_iter().map(|seed| one(seed, push)).collect();
    let good: Vec<&Outcome> = found.iter().flatten().collect();
    writeln!(
        out,
        "{:<18} {:<6} {:>9} {:>9} {:>10} {:>10} {:>10} {:>10} {:>7}",
        "hardpoint", "side", "within %", "point %", "rms mm", "median ±", "rms °", "median ± °", "missing"
    )?;
    let mut all = [0_usize; 2];
    let keys: Vec<_> = good.first().map_or_else(Vec::new, |o| o.compared.iter().map(|c| (c.role, c.side)).collect());
    for (role, side) in keys {
        let of: Vec<&Compared> =
            good.iter().flat_map(|o| &o.compared).filter(|c| (c.role, c.side) == (role, side)).collect();
        let share = |count: usize| 100.0 * count as f64 / of.len().max(1) as f64;
        let rms = |values: Vec<f64>| (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt();
        let median = stringline_testkit::stated::median;
        let within = of.iter().filter(|c| c.within).count();
        all[0] += within;
        all[1] += of.len();
        let degrees: Vec<f64> = of.iter().filter_map(|c| c.off_deg).collect();
        writeln!(
            out,
            "{:<18} {:<6} {:>9.1} {:>9.1} {:>10.4} {:>10.4} {:>10} {:>10} {:>7}",
            role.words(),
            side.to_string(),
            share(within),
            share(of.iter().filter(|c| c.off <= c.stated).count()),
            rms(of.iter().map(|c| c.off).collect()),
            median(of.iter().map(|c| c.stated).collect()),
            if degrees.is_empty() { "–".into() } else { format!("{:.4}", rms(degrees.clone())) },
            if degrees.is_empty() {
                "–".into()
            } else {
                format!("{:.4}", median(of.iter().filter_map(|c| c.stated_deg).collect()))
            },
            seeds as usize - of.len(),
        )?;
    }
    writeln!(out, "all: {:.1} % within", 100.0 * all[0] as f64 / all[1].max(1) as f64)?;
    let count = good.len().max(1) as f64;
    let mean = good.iter().map(|o| o.chi_squared_per_redundancy).sum::<f64>() / count;
    let low = good.iter().filter(|o| o.probability < 0.05).count();
    writeln!(
        out,
        "adjustment: mean χ² per equation to spare {mean:.2}; below 5 % by chance in {low} of {} seeds",
        good.len()
    )?;
    let named = |o: &&&Outcome| o.left_out == ["strut towers"] && is_right(o);
    writeln!(
        out,
        "the pair of strut towers alone left out, and its right one named: {} of {}",
        good.iter().filter(named).count(),
        good.len()
    )?;
    for (seed, outcome) in found.iter().enumerate() {
        match outcome {
            Err(error) => writeln!(out, "seed {seed}: {error}")?,
            Ok(outcome) if !outcome.failures.is_empty() => {
                writeln!(out, "seed {seed}: {}", outcome.failures.join("; "))?
            }
            Ok(outcome) if outcome.left_out.len() > 1 => writeln!(out, "seed {seed}: left out {:?}", outcome.left_out)?,
            Ok(_) => {}
        }
    }
    Ok(())
}

/// Whether the right tower, and not the left, is told to stand off the drawing.
pub fn is_right(outcome: &Outcome) -> bool {
    let Some([left, right]) = outcome.towers.as_ref().map(|t| t.sides.as_slice()) else { return false };
    right.probability < 0.001 && left.probability > 0.001
}
