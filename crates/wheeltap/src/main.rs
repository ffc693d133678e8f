//! The `wheeltap` command.

fn main() {}
