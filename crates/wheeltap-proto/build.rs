//! Compiles the contract without a `protoc` on the machine.

use prost::Message;
use std::{env, error::Error, fs, path::PathBuf};

const FILES: [&str; 10] = [
    "wheeltap/v1/common.proto",
    "wheeltap/v1/ingest.proto",
    "wheeltap/v1/telemetry.proto",
    "wheeltap/v1/fleet.proto",
    "wheeltap/v1/rules.proto",
    "wheeltap/v1/alerts.proto",
    "wheeltap/v1/defects.proto",
    "wheeltap/v1/desk.proto",
    "wheeltap/v1/reports.proto",
    "wheeltap/v1/turnaround.proto",
];

fn main() -> Result<(), Box<dyn Error>> {
    let root = PathBuf::from(env::var("CARGO_MANIFEST_DIR")?).join("../../proto");
    // compile_fds does not print it.
    println!("cargo:rerun-if-changed={}", root.display());
    let descriptors = protox::compile(FILES, [&root])?;
    let out = PathBuf::from(env::var("OUT_DIR")?);
    fs::write(out.join("descriptors.bin"), descriptors.encode_to_vec())?;
    tonic_prost_build::configure()
        .bytes(".")
        .compile_fds(descriptors)?;
    Ok(())
}
