//! What can be written into files for other tools.

use super::{PastAlertArgs, ServerArgs, time};
use clap::{Args, Subcommand, ValueEnum, ValueHint};
use std::path::PathBuf;
use wheeltap_proto::v1;

#[derive(Debug, Subcommand)]
pub enum ExportCommand {
    /// Samples of a unit, a row each, or rows of a minute or an hour
    Telemetry(ExportTelemetryArgs),
    /// Events of a unit, a row for each of their fields
    Events(ExportEventsArgs),
    /// Alerts, the newest first
    Alerts(ExportAlertsArgs),
    /// Defects, the soonest due first
    Defects(ExportDefectsArgs),
    /// Planned work, the earliest first; a file that ends in .ics becomes a calendar
    Planned(ExportPlannedArgs),
}

#[derive(Debug, Args)]
pub struct ExportPlannedArgs {
    #[command(flatten)]
    pub to: ExportTo,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct ExportTo {
    /// The file, which ends in .csv or .parquet; CSV on stdout without it
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub to: Option<PathBuf>,
}

/// What of a unit's past.
#[derive(Debug, Args)]
pub struct OfUnitArgs {
    /// The unit
    #[arg(value_name = "UNIT")]
    pub unit: String,
    /// A channel; may be given again
    #[arg(long, required = true, value_name = "NAME")]
    pub channel: Vec<String>,
    /// At or after: a time, or a span back from now, such as "24 h"
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub since: Option<i64>,
    /// At or before: a time, or a span back from now
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub until: Option<i64>,
}

#[derive(Debug, Args)]
pub struct ExportTelemetryArgs {
    #[command(flatten)]
    pub of: OfUnitArgs,
    /// Least, mean, greatest and last of each minute or hour instead of samples
    #[arg(long, value_enum)]
    pub rollup: Option<TierArg>,
    #[command(flatten)]
    pub to: ExportTo,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct ExportEventsArgs {
    #[command(flatten)]
    pub of: OfUnitArgs,
    #[command(flatten)]
    pub to: ExportTo,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum TierArg {
    Minute,
    Hour,
}

impl From<TierArg> for v1::RollupTier {
    fn from(tier: TierArg) -> Self {
        match tier {
            TierArg::Minute => Self::Minute,
            TierArg::Hour => Self::Hour,
        }
    }
}

#[derive(Debug, Args)]
pub struct ExportAlertsArgs {
    #[command(flatten)]
    pub past: PastAlertArgs,
    #[command(flatten)]
    pub to: ExportTo,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct ExportDefectsArgs {
    /// Only of this unit
    #[arg(long, value_name = "UNIT")]
    pub unit: Option<String>,
    #[command(flatten)]
    pub to: ExportTo,
    #[command(flatten)]
    pub server: ServerArgs,
}
