//! `wheeltap`: the one binary.
//!
//! `main` reads the command line, sets up logging and hands over to one module a command. Data goes
//! to stdout; notes, progress and logs go to stderr, so that output can be piped.

mod alert_json;
mod alerts;
mod args;
mod defects;
mod demo;
mod desk;
mod export;
mod files;
mod output;
mod pages;
mod quarantine;
mod remote;
mod report;
mod rules;
mod send;
mod serve;
mod sheet;
mod table;
mod units;
mod watch;

use args::{Cli, Command, RulesCommand};
use clap::{CommandFactory, Parser};
use std::{
    io::{self, IsTerminal},
    process::ExitCode,
};
use tracing_subscriber::EnvFilter;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// Nothing to remark.
    Fine,
    /// It ran, and what it was asked to check is not in order.
    Findings,
}

/// Why a command stopped.
#[derive(Debug)]
pub enum Stop {
    /// What was asked for cannot be: the command line or a configuration file.
    Usage(anyhow::Error),
    /// Something went wrong underway.
    Failed(anyhow::Error),
}

impl<E: Into<anyhow::Error>> From<E> for Stop {
    fn from(error: E) -> Self {
        Self::Failed(error.into())
    }
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    match log_to_stderr(&cli.log).and_then(|()| run(cli.command)) {
        Ok(Outcome::Fine) => ExitCode::SUCCESS,
        Ok(Outcome::Findings) => ExitCode::from(1),
        // Whoever read our output has seen enough.
        Err(Stop::Failed(error)) if is_broken_pipe(&error) => ExitCode::SUCCESS,
        Err(Stop::Failed(error)) => {
            output::note(format!("wheeltap: {error:#}"));
            ExitCode::from(1)
        }
        Err(Stop::Usage(error)) => {
            output::note(format!("wheeltap: {error:#}"));
            ExitCode::from(2)
        }
    }
}

fn run(command: Command) -> Result<Outcome, Stop> {
    match command {
        Command::Demo(args) => demo::run(&args),
        Command::Serve(args) => serve::run(&args),
        Command::Send(args) => send::run(&args),
        Command::Watch(args) => watch::run(&args),
        Command::Alerts { list, command } => alerts::run(&list, command.as_ref()),
        Command::Defects { list, command } => defects::run(&list, command.as_ref()),
        Command::Desk { show, command } => desk::run(&show, command.as_ref()),
        Command::Units { list, command } => units::run(&list, command.as_ref()),
        Command::Sheet { show, command } => sheet::run(&show, command.as_ref()),
        Command::Rules { command } => match command {
            RulesCommand::Vet(args) => rules::vet::run(&args),
            RulesCommand::Cases(args) => rules::cases::run(&args),
            RulesCommand::Replay(args) => rules::replay::run(&args),
            RulesCommand::Forecast(args) => rules::forecast::run(&args),
            RulesCommand::Sweep(args) => rules::sweep::run(&args),
            RulesCommand::WalkBack(args) => rules::walk_back::run(&args),
            RulesCommand::List(args) => rules::book::list(&args),
            RulesCommand::Baselines(args) => rules::baselines::list(&args),
            RulesCommand::Show(args) => rules::book::show(&args),
            RulesCommand::Lodge(args) => rules::book::lodge(&args),
            RulesCommand::Promote(args) => rules::book::promote(&args),
        },
        Command::Export { command } => export::run(&command),
        Command::Report { command } => report::run(&command),
        Command::Quarantine { command } => quarantine::run(&command),
        Command::Completions { shell } => {
            let mut script = Vec::new();
            clap_complete::generate(shell, &mut Cli::command(), "wheeltap", &mut script);
            io::Write::write_all(&mut io::stdout(), &script)?;
            Ok(Outcome::Fine)
        }
    }
}

fn log_to_stderr(directives: &str) -> Result<(), Stop> {
    let filter = EnvFilter::try_new(directives).map_err(|error| {
        Stop::Usage(anyhow::anyhow!(
            "--log {directives:?} is no level ({error}): write error, warn, info, debug or trace"
        ))
    })?;
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(io::stderr)
        .with_ansi(io::stderr().is_terminal())
        .with_target(false)
        .init();
    Ok(())
}

fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error
        .chain()
        .filter_map(|cause| cause.downcast_ref::<io::Error>())
        .any(|cause| cause.kind() == io::ErrorKind::BrokenPipe)
}
