//! Benches and their yardsticks: what the service carries on this machine, and what a bare stream
//! would.
//!
//! `ingest` asks how many samples a second go through gRPC to an acknowledgement after fsync, with
//! 20 live rules, and how long an alert takes from the sending of its last sample to a watcher.
//! `restart` asks how long the service takes from a `kill -9` to serving again. `healthy` asks how often
//! the demonstration's rule book calls for nothing on a fleet that is sound. `judging` asks what the
//! judge alone costs a sample, live, with 200 rules and windows of three lengths. `replay`
//! asks how many stored samples a second a rule is replayed over. `desk` asks how long people wait: for the
//! board with thousands of standing alerts, for news among hundreds of watchers, for a year of one unit.
//!
//! In `ingest`, `restart` and `desk` the service runs in a child process of its own, so that its memory is its own.
//! Client and service share the machine, so the figures are what both together manage.

mod child;
mod desk;
mod fleet;
mod healthy;
mod ingest;
mod judging;
mod replay;
mod restart;
mod serve;
mod yardstick;

use clap::{Parser, Subcommand};
use std::path::PathBuf;
use std::process::ExitCode;

#[derive(Parser)]
#[command(about = "Benches of the service and their yardsticks")]
struct Cli {
    #[command(subcommand)]
    bench: Bench,
}

#[derive(Subcommand)]
enum Bench {
    /// Samples a second through gRPC with acknowledgement after fsync, memory, delay of alerts
    Ingest(ingest::Args),
    /// Time from a kill to serving, with so much stored
    Restart(restart::Args),
    /// False alerts of a healthy fleet; exits with 1 when there are too many
    Healthy(healthy::Args),
    /// Nanoseconds a sample of the judge, live, with 200 rules and windows of three lengths
    Judging(judging::Args),
    /// Samples a second of a rule replayed over sealed blocks, on all cores
    Replay(replay::Args),
    /// How long people wait for pages and news; exits with 1 when it is too long
    Desk(desk::Args),
    /// The service, as the child of the others
    #[command(hide = true)]
    Serve {
        /// Settings file
        #[arg(long)]
        config: PathBuf,
    },
    /// The yardstick's other end, as the child of the others
    #[command(hide = true)]
    Bare,
}

fn main() -> anyhow::Result<ExitCode> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?;
    let done = match Cli::parse().bench {
        Bench::Ingest(args) => runtime.block_on(ingest::run(&args)),
        Bench::Restart(args) => runtime.block_on(restart::run(&args)),
        Bench::Healthy(args) => {
            return Ok(if healthy::run(&args)? {
                ExitCode::SUCCESS
            } else {
                ExitCode::FAILURE
            });
        }
        Bench::Desk(args) => {
            return Ok(if runtime.block_on(desk::run(args))? {
                ExitCode::SUCCESS
            } else {
                ExitCode::FAILURE
            });
        }
        Bench::Judging(args) => judging::run(&args),
        Bench::Replay(args) => replay::run(&args),
        Bench::Serve { config } => runtime.block_on(serve::run(&config)),
        Bench::Bare => runtime.block_on(yardstick::serve()),
    };
    done.map(|()| ExitCode::SUCCESS)
}
