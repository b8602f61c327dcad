//! The trial of the whole car, from its scans' own frames.
#![allow(clippy::print_stdout, reason = "a command prints its result")]

use clap::Parser;

/// The Kestrel scanned anew from every seed, worked as the demo works it: how often each hardpoint lies within its
/// stated ± of the truth, and whether a bent strut tower is named.
#[derive(Parser)]
struct Arguments {
    /// Seeds
    #[arg(long, default_value_t = 200)]
    seeds: u64,
    /// Push the right strut tower this far inboard of the left one's mirror image, mm, in place of its old knock
    #[arg(long, allow_hyphen_values = true)]
    push: Option<f64>,
}

fn main() -> std::io::Result<()> {
    let arguments = Arguments::parse();
    let push = arguments.push.map(|inboard| [0.0, inboard, 0.0]);
    stringline_tests::kestrel_car::print_table(arguments.seeds, push, &mut std::io::stdout())
}
