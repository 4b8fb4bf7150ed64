//! Prints the JSON Schema of a site file:
//! `cargo run -p leeside-config --example schema > deploy/site.schema.json`.
#![expect(clippy::print_stdout, reason = "a command line")]

fn main() {
    println!("{:#}", leeside_config::site::schema());
}
