//! The `stringline` command.
fn main() {}
