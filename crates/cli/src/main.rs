//! The `stringline` command.
//!
//! Each command reads its arguments, does its work through the job crate, and returns an
//! [`Outcome`](failure::Outcome); only this file prints and sets the exit status: 0 done,
//! 1 could not do it, 2 wrong usage, 3 done in part.

mod args;
mod demo;
mod export;
mod failure;
mod feature_report;
mod fit;
mod pictures;
mod run;
mod schema;
mod survey;
mod table;

use args::{Cli, Command};
use clap::{CommandFactory, Parser};
use failure::{Failure, Outcome};
use std::io::{ErrorKind, Write};
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let outcome = match &cli.command {
        Some(Command::Demo(args)) => demo::demo(args),
        Some(Command::Survey(args)) => survey::survey(args),
        Some(Command::Fit(args)) => fit::fit(args),
        Some(Command::Run(args)) => run::run(args),
        Some(Command::Export(args)) => export::export(args),
        Some(Command::Schema(args)) => schema::schema(args),
        None => {
            let mut messages = vec![Cli::command().render_help().to_string()];
            messages.push("There is no window yet: name a command. `stringline demo` is a good first one.".into());
            say(&messages);
            return ExitCode::from(2);
        }
    };
    match outcome {
        Ok(outcome) => finish(&outcome),
        Err(failure) => fail(&failure),
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
