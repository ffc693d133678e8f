//! What can be said of reports.

use super::{AskArgs, above_zero, at_least_one, time};
use clap::{Args, Subcommand, ValueEnum};
use wheeltap_proto::v1;

#[derive(Debug, Subcommand)]
pub enum ReportCommand {
    /// Scorecards of rules: how often the shops found what they called, and what they missed
    Scorecard(ScorecardArgs),
    /// Load of the desk beside the standard's figures
    Desk(DeskReportArgs),
    /// Failures by component, system or class: time between them, trend, lives, what fails most
    Reliability(ReliabilityArgs),
    /// Places where several units slipped, and units that slip elsewhere: the rail, or the unit
    Rail(RailArgs),
}

/// Which span a report is over.
#[derive(Debug, Args)]
pub struct ReportSpan {
    /// From this instant on (RFC 3339), or a span back from now such as "30 d"; without it from the
    /// beginning of the record, of the desk 30 d
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub from: Option<i64>,
    /// Up to this instant; the end of the record without it
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub until: Option<i64>,
}

#[derive(Debug, Args)]
pub struct ScorecardArgs {
    /// Only this rule
    #[arg(value_name = "RULE")]
    pub rule: Option<String>,
    #[command(flatten)]
    pub span: ReportSpan,
    /// Of the bounds, between 0 and 1
    #[arg(
        long,
        value_name = "SHARE",
        allow_negative_numbers = true,
        default_value_t = 0.9
    )]
    pub confidence: f64,
    /// Rules with nothing to say too
    #[arg(long)]
    pub all: bool,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct DeskReportArgs {
    #[command(flatten)]
    pub span: ReportSpan,
    /// Desks that share the alerts evenly
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true, default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=1_000))]
    pub desks: u16,
    /// Count alerts when they were raised aboard, not when people were told
    #[arg(long)]
    pub by_event_time: bool,
    #[command(flatten)]
    pub ask: AskArgs,
}

/// By what failures are put together.
#[derive(Clone, Copy, Debug, ValueEnum)]
pub enum ReliabilityBy {
    Component,
    System,
    Class,
}

impl std::fmt::Display for ReliabilityBy {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Component => "component",
            Self::System => "system",
            Self::Class => "class",
        })
    }
}

impl From<ReliabilityBy> for v1::get_reliability_request::Grouping {
    fn from(by: ReliabilityBy) -> Self {
        match by {
            ReliabilityBy::Component => Self::Component,
            ReliabilityBy::System => Self::System,
            ReliabilityBy::Class => Self::Class,
        }
    }
}

#[derive(Debug, Args)]
#[command(
    after_help = "Failures are road failures, and defects whose finding was a fault. Times are days of a unit's work."
)]
pub struct ReliabilityArgs {
    #[command(flatten)]
    pub span: ReportSpan,
    /// Put failures together by this
    #[arg(long, value_enum, default_value_t = ReliabilityBy::Component)]
    pub by: ReliabilityBy,
    /// Only units of this class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,
    /// Only failures of this system
    #[arg(long, value_name = "NAME")]
    pub system: Option<String>,
    /// Only failures of this component
    #[arg(long, value_name = "NAME")]
    pub component: Option<String>,
    /// A defect that comes back within so many days after its repair is a repeat
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true, default_value_t = 30, value_parser = clap::value_parser!(u16).range(1..=3_650))]
    pub repeat_days: u16,
    /// Of the bounds, between 0 and 1
    #[arg(
        long,
        value_name = "SHARE",
        allow_negative_numbers = true,
        default_value_t = 0.9
    )]
    pub confidence: f64,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct RailArgs {
    /// From this instant on (RFC 3339), or a span back from now such as "7 d"; without it the last 24 h of
    /// the record
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub from: Option<i64>,
    /// Up to this instant; the end of the record without it
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub until: Option<i64>,
    /// Longest stretch of rail that is one place, miles
    #[arg(
        long,
        value_name = "MILES",
        allow_negative_numbers = true,
        default_value_t = 2.0,
        value_parser = above_zero
    )]
    pub stretch: f64,
    /// Units that must have slipped there
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true, default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..))]
    pub units: u32,
    /// Trains that they must have been in, a unit that runs alone being one
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true, default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..))]
    pub trains: u32,
    /// Places to list
    #[arg(
        long,
        value_name = "NUMBER",
        allow_negative_numbers = true,
        default_value_t = 20,
        value_parser = at_least_one
    )]
    pub limit: usize,
    #[command(flatten)]
    pub ask: AskArgs,
}
