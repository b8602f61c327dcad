//! The `stringline` command.
//!
//! Each command reads its arguments, does its work through the job crate, and returns an
//! [`failure::Outcome`]; only this file prints and sets the exit status: 0 done,
//! 1 could not do it, 2 wrong usage, 3 done in part.

mod args;
mod curves;
mod cut;
mod demo;
mod export;
mod failure;
mod feature_report;
mod fit;
mod gap;
mod overlay;
mod pictures;
mod place;
mod run;
mod schema;
mod survey;
mod table;

use args::{Cli, Command};
use clap::Parser;
use failure::{Failure, Outcome};
use std::io::{ErrorKind, Write};
use std::path::PathBuf;
use std::process::ExitCode;

fn main() -> ExitCode {
    let Cli { job, command } = Cli::parse();
    let Some(command) = command else {
        // A mistyped command reads as the name of a job.
        if let Some(name) = job.as_ref().filter(|job| !job.exists()) {
            return fail(&Failure::usage(
                format!("there is no file {}, and no command of that name", name.display()),
                "Name a job that ends in .job.json, or see `stringline --help` for the commands.",
            ));
        }
        return match open_window(job) {
            Ok(()) => ExitCode::SUCCESS,
            Err(failure) => fail(&failure),
        };
    };
    match std::panic::catch_unwind(|| perform(&command)) {
        Ok(Ok(outcome)) => {
            let status = finish(&outcome);
            if let Some(Err(failure)) = outcome.shows.map(|job| open_window(Some(job))) {
                say(&[format!("The results are all written, but the window did not open.\n{failure}")]);
            }
            status
        }
        Ok(Err(failure)) => fail(&failure),
        Err(_) => fail(&Failure::new(
            "the program met a fault of its own, and what it was doing is not done",
            "Report it, with the command and the files it was given.",
        )),
    }
}

#[cfg(feature = "window")]
fn open_window(job: Option<PathBuf>) -> Result<(), Failure> {
    use stringline_workbench::{Workbench, run};
    Ok(run("Stringline", |wake| Workbench::new(job, wake))?)
}

#[cfg(not(feature = "window"))]
fn open_window(_: Option<PathBuf>) -> Result<(), Failure> {
    Err(Failure::new(
        "this program was built without its window",
        "Build it without `--no-default-features`, or see `stringline --help` for the commands.",
    ))
}

/// Whether a window can be opened here.
fn has_window() -> bool {
    #[cfg(feature = "window")]
    return stringline_workbench::has_display();
    #[cfg(not(feature = "window"))]
    return false;
}

fn perform(command: &Command) -> Result<Outcome, Failure> {
    match command {
        Command::Demo(args) => demo::demo(args),
        Command::Survey(args) => survey::survey(args),
        Command::Fit(args) => fit::fit(args),
        Command::Run(args) => run::run(args),
        Command::Place(args) => place::place(args),
        Command::Export(args) => export::export(args),
        Command::Curves(args) => curves::curves(args),
        Command::Gap(args) => gap::gap(args),
        Command::Schema(args) => schema::schema(args),
    }
}

fn finish(outcome: &Outcome) -> ExitCode {
    say(&outcome.messages);
    let mut stdout = std::io::stdout().lock();
    match stdout.write_all(outcome.text.as_bytes()).and_then(|()| stdout.flush()) {
        // Whoever read it has seen enough.
        Err(error) if error.kind() == ErrorKind::BrokenPipe => outcome.status(),
        Err(error) => fail(&Failure::new(
            format!("cannot write the result: {error}"),
            "Make room where standard output goes, or send it elsewhere.",
        )),
        Ok(()) => outcome.status(),
    }
}

fn fail(failure: &Failure) -> ExitCode {
    say(&[format!("stringline: {failure}")]);
    failure.status()
}

fn say(messages: &[String]) {
    let mut stderr = std::io::stderr().lock();
    for message in messages {
        // There is nowhere left to say that this failed.
        let _ = writeln!(stderr, "{message}");
    }
}
