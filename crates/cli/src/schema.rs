//! `stringline schema`: the JSON Schema of a file format.

use crate::args::{Format, SchemaArgs};
use crate::failure::{Failure, Outcome};
use stringline_job::Job;

pub(crate) fn schema(args: &SchemaArgs) -> Result<Outcome, Failure> {
    let text = match args.format {
        Format::Job => Job::schema(),
        Format::Hardpoints => stringline_hardpoints::hardpoints_schema(),
    };
    Ok(Outcome { text, ..Outcome::default() })
}
