//! Trials of the fits over many simulated patches, printed as tables.
#![allow(clippy::print_stdout, reason = "a command prints its result")]

use clap::{Parser, Subcommand};

#[derive(Parser)]
#[command(about = "Trials of the fits over many simulated patches")]
struct Arguments {
    #[command(subcommand)]
    trial: Trial,
}

#[derive(Subcommand)]
enum Trial {
    /// Errors against the Cramér–Rao bound, clean and with points beyond the edge
    Bound {
        /// Seeds a row
        #[arg(long, default_value_t = 1000)]
        seeds: u64,
        /// Only patches with this in their name
        #[arg(long, default_value = "")]
        only: String,
    },
    /// How often the stated 95 % regions hold the truth, with noise common to neighbours
    Cover {
        /// Seeds a row
        #[arg(long, default_value_t = 1000)]
        seeds: u64,
        /// Only patches with this in their name
        #[arg(long, default_value = "")]
        only: String,
    },
    /// The whole Kestrel, scanned anew from every seed: every feature's stated 95 % regions
    Car {
        /// Seeds
        #[arg(long, default_value_t = 200)]
        seeds: u64,
        /// Only parts with this in their name
        #[arg(long, default_value = "")]
        only: String,
    },
    /// Which shape: random patches of each kind
    Shape {
        /// Distinguishable patches of each kind
        #[arg(long, default_value_t = 1000)]
        count: usize,
    },
    /// Surface registration of partly overlapping scans from random starts and from nothing
    Register {
        /// Random cuts and starts
        #[arg(long, default_value_t = 100)]
        seeds: u64,
        /// About how many facets each scan has
        #[arg(long, default_value_t = 100_000)]
        triangles: usize,
        /// Share of each scan that is also in the other
        #[arg(long, default_value_t = 0.4)]
        overlap: f64,
    },
    /// How often the stated 95 % regions of a surface registration hold the truth
    RegisterCover {
        /// Pairs of scans a row
        #[arg(long, default_value_t = 100)]
        seeds: u64,
        /// About how many facets each scan has
        #[arg(long, default_value_t = 60_000)]
        triangles: usize,
    },
}

fn main() -> std::io::Result<()> {
    let out = &mut std::io::stdout();
    match Arguments::parse().trial {
        Trial::Bound { seeds, only } => stringline_testkit::bound::print_table(seeds, &only, out),
        Trial::Cover { seeds, only } => stringline_testkit::cover::print_table(seeds, &only, out),
        Trial::Car { seeds, only } => stringline_testkit::kestrel::trial::print_table(seeds, &only, out),
        Trial::Register { seeds, triangles, overlap } => {
            stringline_testkit::register::print_table(seeds, triangles, overlap, out)
        }
        Trial::RegisterCover { seeds, triangles } => stringline_testkit::register::print_cover(seeds, triangles, out),
        Trial::Shape { count } => stringline_testkit::shape::print_table(count, out),
    }
}
