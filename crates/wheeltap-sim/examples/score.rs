//! Replays the demonstration's day through its rule book and prints what was found.
//!
//! Usage: `cargo run --release -p wheeltap-sim --example score [SEED] [SEASON] [healthy]`
//!
//! With `healthy` nothing is planted, so that every alert is false.

#[path = "../tests/railway/common.rs"]
mod common;

use wheeltap_sim::{Season, Settings};

fn main() {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let seed = args.iter().find_map(|arg| arg.parse().ok()).unwrap_or(1);
    let season = Season::ALL
        .into_iter()
        .find(|(_, word)| args.iter().any(|arg| arg == word))
        .map_or(Season::Spring, |(season, _)| season);
    let settings = Settings {
        seed,
        weather: season.weather(),
        ..Settings::default()
    };
    let score = common::play(settings, !args.iter().any(|arg| arg == "healthy"));
    println!("{}", common::table(&score));
}
