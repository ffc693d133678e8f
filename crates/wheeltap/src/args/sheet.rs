//! What can be said of turnaround sheets.

use super::{AskArgs, ServerArgs, time};
use clap::{Args, Subcommand, ValueHint};
use std::path::PathBuf;

#[derive(Debug, Args)]
pub struct SheetArgs {
    /// The unit whose next stop it is
    #[arg(value_name = "UNIT")]
    pub unit: Option<String>,
    /// Only a stop there; without a unit, a sheet for each unit that comes in there
    #[arg(long, value_name = "POINT")]
    pub point: Option<String>,
    /// This arrival, as `wheeltap sheet arrivals` names it
    #[arg(long, value_name = "ARRIVAL", conflicts_with_all = ["unit", "point"])]
    pub arrival: Option<String>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Subcommand)]
pub enum SheetCommand {
    /// List service points
    Points(PointListArgs),
    /// List who comes in
    Arrivals(ArrivalListArgs),
    /// Say who comes in, from a CSV file
    #[command(
        after_help = "Columns: unit, service point, time and, if wanted, out-time and id. Times have an offset\n\
        (2026-03-02T14:00:00Z). The same file again changes nothing; other content for a unit and time, or for\n\
        an id, changes that arrival."
    )]
    Import(SheetFileArgs),
    /// Cancel an arrival
    Cancel(CancelArgs),
    /// Bring a cancelled arrival back
    Restore(RestoreArgs),
    /// List what is known of parts at a service point
    Parts(StockArgs),
    /// Say which parts are on hand, from a CSV file
    #[command(
        after_help = "Columns: service point, part, on hand (yes, no or unknown) and, if wanted, time: when that was so."
    )]
    Stock(SheetFileArgs),
    /// Say that something was inspected, gauged or renewed
    Done(DoneArgs),
    /// Say what was inspected, gauged or renewed, from a CSV file
    #[command(
        after_help = "Columns: unit, item, time and, if wanted, value (what was gauged; none: inspected or renewed)."
    )]
    DoneFile(SheetFileArgs),
}

#[derive(Debug, Args)]
pub struct PointListArgs {
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct ArrivalListArgs {
    /// Only at this service point
    #[arg(long, value_name = "POINT")]
    pub point: Option<String>,
    /// Only of this unit
    #[arg(long, value_name = "UNIT")]
    pub unit: Option<String>,
    /// Those that have left and cancelled ones too
    #[arg(long)]
    pub all: bool,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct SheetFileArgs {
    /// The table (CSV)
    #[arg(value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub file: PathBuf,
    /// Who or what says so; the file's name without it
    #[arg(long, value_name = "WHO")]
    pub source: Option<String>,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct CancelArgs {
    /// The arrival, as `wheeltap sheet arrivals` names it
    #[arg(value_name = "ARRIVAL")]
    pub arrival: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub why: Option<String>,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct RestoreArgs {
    /// The arrival, as `wheeltap sheet arrivals --all` names it
    #[arg(value_name = "ARRIVAL")]
    pub arrival: String,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct StockArgs {
    /// The service point
    #[arg(value_name = "POINT")]
    pub point: String,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct DoneArgs {
    /// The unit
    #[arg(value_name = "UNIT")]
    pub unit: String,
    /// What was inspected, gauged or renewed, as the work file names it, such as periodic
    #[arg(value_name = "ITEM")]
    pub item: String,
    /// When: a time, or a span back from now; now without it
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub at: Option<i64>,
    /// What was gauged, in the unit of the work file; without it, it was inspected or renewed
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub value: Option<f64>,
    #[command(flatten)]
    pub server: ServerArgs,
}
