//! The command line `leeside`.
fn main() {}
