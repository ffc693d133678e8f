//! What can be said on the command line.

mod people;
mod report;

pub use people::*;
pub use report::*;

use clap::{Args, Parser, Subcommand, ValueEnum, ValueHint};
use std::{net::SocketAddr, path::PathBuf};
use wheeltap_proto::v1;

/// Condition monitoring for a fleet of diesel-electric locomotives
#[derive(Debug, Parser)]
#[command(
    version,
    about,
    long_about = "Condition monitoring for a fleet of diesel-electric locomotives.\n\n\
        Alerts advise; they never declare a unit safe. Data goes to stdout, notes and progress to stderr.",
    after_help = "Exit codes: 0 fine, 1 a problem or a finding, 2 the command line or the configuration is wrong.",
    subcommand_required = true,
    arg_required_else_help = true,
    max_term_width = 100
)]
pub struct Cli {
    /// What to log to stderr: error, warn, info, debug, trace, or directives such as
    /// wheeltap_server=debug
    #[arg(
        long,
        global = true,
        env = "WHEELTAP_LOG",
        hide_env_values = true,
        value_name = "LEVEL",
        default_value = "warn",
        hide_default_value = true,
        display_order = 900
    )]
    pub log: String,

    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the service with an invented railway, and score what it finds
    Demo(DemoArgs),
    /// Run the service
    Serve(ServeArgs),
    /// Send measurements from CSV files, as a unit's gateway would; goes on where it left off
    Send(SendArgs),
    /// Follow alerts live
    Watch(WatchArgs),
    /// List and show alerts, take them on, shelve them
    Alerts {
        #[command(flatten)]
        list: AlertListArgs,
        #[command(subcommand)]
        command: Option<AlertsCommand>,
    },
    /// List and show defects, report them, plan them, record calls and what the shop found
    Defects {
        #[command(flatten)]
        list: DefectListArgs,
        #[command(subcommand)]
        command: Option<DefectsCommand>,
    },
    /// Show how loaded the desk is and what a shift hands over; mutes, handovers, who did what
    Desk {
        #[command(flatten)]
        show: DeskArgs,
        #[command(subcommand)]
        command: Option<DeskCommand>,
    },
    /// List and show units, add one, record what it does
    Units {
        #[command(flatten)]
        list: UnitListArgs,
        #[command(subcommand)]
        command: Option<UnitsCommand>,
    },
    /// Print turnaround sheets; say who comes in, which parts are on hand and what was done
    #[command(
        args_conflicts_with_subcommands = true,
        after_help = "Examples:\n  wheeltap sheet \"ZVR 4117\"\n  wheeltap sheet --point \"Burbot Yard\"\n  \
        wheeltap sheet import arrivals.csv\n\n\
        A sheet advises; it never declares a unit safe. Local rules and licensed practice come first."
    )]
    Sheet {
        #[command(flatten)]
        show: SheetArgs,
        #[command(subcommand)]
        command: Option<SheetCommand>,
    },
    /// Check rules, try them on history, keep and promote them
    #[command(subcommand_required = true, arg_required_else_help = true)]
    Rules {
        #[command(subcommand)]
        command: RulesCommand,
    },
    /// Write telemetry, alerts, defects or planned work into files for other tools
    #[command(subcommand_required = true, arg_required_else_help = true)]
    Export {
        #[command(subcommand)]
        command: ExportCommand,
    },
    /// How right rules are, what the desk has to bear, how often things fail
    #[command(subcommand_required = true, arg_required_else_help = true)]
    Report {
        #[command(subcommand)]
        command: ReportCommand,
    },
    /// List, release and delete batches that the service set aside
    #[command(subcommand_required = true, arg_required_else_help = true)]
    Quarantine {
        #[command(subcommand)]
        command: QuarantineCommand,
    },
    /// Print a completion script for a shell
    #[command(
        after_help = "Bash, for the running shell: source <(wheeltap completions bash)\n\
            Zsh, in a folder of $fpath: wheeltap completions zsh > _wheeltap"
    )]
    Completions {
        /// The shell to write it for
        shell: clap_complete::Shell,
    },
}

#[derive(Debug, Subcommand)]
pub enum ExportCommand {
    /// Samples of a unit, a row each, or rows of a minute or an hour
    Telemetry(ExportTelemetryArgs),
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

#[derive(Debug, Args)]
pub struct ExportTelemetryArgs {
    /// The unit
    #[arg(value_name = "UNIT")]
    pub unit: String,
    /// A channel; may be given again
    #[arg(long, required = true, value_name = "NAME")]
    pub channel: Vec<String>,
    /// At or after: a time, or a span back from now, such as "24 h"
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub since: Option<i64>,
    /// At or before: a time, or a span back from now
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub until: Option<i64>,
    /// Least, mean, greatest and last of each minute or hour instead of samples
    #[arg(long, value_enum)]
    pub rollup: Option<TierArg>,
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
    pub filter: AlertFilterArgs,
    /// Raised at or after: a time, or a span back from now, such as "24 h"
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub since: Option<i64>,
    /// Raised before: a time, or a span back from now
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub until: Option<i64>,
    /// Withdrawn alerts too
    #[arg(long)]
    pub withdrawn: bool,
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

#[derive(Debug, Subcommand)]
pub enum RulesCommand {
    /// Check rule files: say what is wrong, where, and the mend
    Vet(VetArgs),
    /// Try rules on the cases written down beside them; needs no server
    Cases(CasesArgs),
    /// Judge measurements from CSV files, exactly as the service would have; needs no server
    Replay(ReplayArgs),
    /// Try a rule on what the service has stored: alerts a day, floods, findings; rings nobody
    Forecast(ForecastArgs),
    /// Try a rule's other params() on history: what each would find and cost
    Sweep(SweepArgs),
    /// Look back from a failure: what differed on the unit, since when, and a rule drafted from it
    WalkBack(WalkBackArgs),
    /// List the service's rules
    List(RuleListArgs),
    /// List what classes do, as the service froze it for class_score(..) and its kin
    Baselines(BaselineListArgs),
    /// Give rule files to the service, which keeps them as drafts
    Lodge(LodgeArgs),
    /// Move a rule to another stage
    Promote(PromoteArgs),
}

/// Which catalogue the rules are checked against.
#[derive(Debug, Args)]
pub struct CatalogueArgs {
    /// Catalogue files (TOML) that add channels and classes to the built-in ones
    #[arg(long, value_name = "FILE", num_args = 1.., value_hint = ValueHint::FilePath)]
    pub catalogue: Vec<PathBuf>,
}

#[derive(Debug, Args)]
pub struct VetArgs {
    /// Rule files (.rhai), or folders that hold them
    #[arg(required = true, value_name = "PATH", value_hint = ValueHint::AnyPath)]
    pub paths: Vec<PathBuf>,

    #[command(flatten)]
    pub catalogue: CatalogueArgs,

    /// Units to state the memory for
    #[arg(long, value_name = "UNITS", default_value_t = 1_000)]
    pub fleet: u64,

    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "The cases of NAME.rhai stand beside it in NAME.cases.toml: tables of measurements, and the alerts that\n\
    they must give."
)]
pub struct CasesArgs {
    /// Rule files (.rhai), or folders that hold them
    #[arg(required = true, value_name = "PATH", value_hint = ValueHint::AnyPath)]
    pub paths: Vec<PathBuf>,

    #[command(flatten)]
    pub catalogue: CatalogueArgs,

    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  wheeltap rules replay --rules rules --map map.toml day.csv.gz\n\n\
    Several files of one unit are one history; they may come in any order."
)]
pub struct ReplayArgs {
    /// Measurements: CSV, plain or gzip (.gz)
    #[arg(required = true, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub files: Vec<PathBuf>,

    /// Rule files (.rhai), or folders that hold them
    #[arg(long, required = true, value_name = "PATH", num_args = 1.., value_hint = ValueHint::AnyPath)]
    pub rules: Vec<PathBuf>,

    /// How the columns become channels (TOML)
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub map: PathBuf,

    #[command(flatten)]
    pub catalogue: CatalogueArgs,

    /// Judge only this rule; may be given several times
    #[arg(long, value_name = "NAME")]
    pub rule: Vec<String>,

    /// Sum up what each rule would have done to the desk
    #[arg(long)]
    pub forecast: bool,

    /// What is known to have been wrong (CSV with the columns unit, from, until and, if wanted,
    /// failed_at and rule); every other alert counts as false
    #[arg(long, value_name = "FILE", requires = "forecast", value_hint = ValueHint::FilePath)]
    pub labels: Option<PathBuf>,

    #[command(flatten)]
    pub class: ClassArgs,

    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

/// What `class_score(..)` compares with where the files are all there is.
#[derive(Debug, Args)]
#[expect(
    clippy::struct_field_names,
    reason = "they are options among others, named by the field"
)]
pub struct ClassArgs {
    /// Fit class baselines from so long a stretch at the start; 7 d without it, at most half of the span
    #[arg(long, value_name = "SPAN", value_parser = span)]
    pub class_stretch: Option<i64>,

    /// Units without which a class has no baseline
    #[arg(long, value_name = "N", default_value_t = 5, value_parser = clap::value_parser!(u16).range(1..))]
    pub class_least_units: u16,

    /// Known windows in the stretch without which a unit does not count for its class
    #[arg(long, value_name = "N", default_value_t = 24, value_parser = clap::value_parser!(u16).range(1..))]
    pub class_least_windows: u16,

    /// Take these class baselines (one JSON object a line, as `wheeltap rules baselines --json` prints
    /// them) and fit only what is not among them
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub class_baselines: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct BaselineListArgs {
    #[command(flatten)]
    pub server: ServerArgs,
    /// Only this class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  wheeltap rules forecast oil-above-coolant\n  \
    wheeltap rules forecast rules/oil-above-coolant.rhai --days 7 --unit \"ZVR 4117\" --alerts"
)]
pub struct ForecastArgs {
    /// A rule of the service, or a rule file (.rhai), which is not kept
    #[arg(value_name = "NAME|FILE", value_hint = ValueHint::AnyPath)]
    pub rule: String,
    /// The version of a rule of the service; the newest without it
    #[arg(long, value_name = "VERSION")]
    pub version: Option<String>,
    /// Another version, to see what this one would raise more and fewer
    #[arg(long, value_name = "VERSION")]
    pub against: Option<String>,
    #[command(flatten)]
    pub history: HistoryArgs,
    /// Fit class baselines that the service has not frozen yet from so long a stretch at the start, at most
    /// half of the span; as the service would without it
    #[arg(long, value_name = "SPAN", value_parser = span)]
    pub class_stretch: Option<i64>,
    /// List the alerts too; with --against those that only one version would raise
    #[arg(long)]
    pub alerts: bool,
    /// Print one JSON object a line: alerts, then the forecast
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  wheeltap rules sweep rules/pump.rhai --map map.toml --labels labels.csv run1.csv run2.csv --plot pump.html\n  \
    wheeltap rules sweep oil-above-coolant --param limit --days 30\n\n\
    Without --map the service's history is judged, and its findings say what was right."
)]
pub struct SweepArgs {
    /// A rule file (.rhai), or without --map a rule of the service
    #[arg(value_name = "NAME|FILE", value_hint = ValueHint::AnyPath)]
    pub rule: String,
    /// Measurements: CSV, plain or gzip (.gz)
    #[arg(value_name = "FILE", requires = "map", value_hint = ValueHint::FilePath)]
    pub files: Vec<PathBuf>,
    /// How the columns become channels (TOML)
    #[arg(long, value_name = "FILE", requires = "files", conflicts_with = "HistoryArgs", value_hint = ValueHint::FilePath)]
    pub map: Option<PathBuf>,
    #[command(flatten)]
    pub catalogue: CatalogueArgs,
    /// What is known to have been wrong (CSV, as for replay); every other alert counts as false
    #[arg(long, value_name = "FILE", requires = "map", value_hint = ValueHint::FilePath)]
    pub labels: Option<PathBuf>,
    #[command(flatten)]
    pub class: ClassArgs,
    /// Vary only this parameter; may be given several times
    #[arg(long, value_name = "NAME")]
    pub param: Vec<String>,
    /// Draw it: .svg for the plot alone, .html with the table
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub plot: Option<PathBuf>,
    /// Print every combination, not only those that none beats
    #[arg(long)]
    pub all: bool,
    #[command(flatten)]
    pub history: HistoryArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  wheeltap rules walk-back --unit \"ZVR 4105\" --component \"oil cooler\" \\\n    \
    --at 2026-03-02T11:00:00Z --draft oil-cooler.rhai\n\n\
    Compared are the hour, day, week and month before with the unit's own past, its consist mates and its\n\
    class at like load and weather. Exit code 1 where something differs."
)]
pub struct WalkBackArgs {
    /// The unit that failed
    #[arg(long, value_name = "UNIT")]
    pub unit: String,
    /// What failed, in the rule book's words, such as "oil cooler"
    #[arg(long, value_name = "NAME")]
    pub component: String,
    /// When it failed: a time, or a span back from now; the unit's newest data without it
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub at: Option<i64>,
    /// Write the drafted rule to this file, which must not exist
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub draft: Option<PathBuf>,
    /// Print one JSON object a line: findings, the draft, then what was compared
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    pub server: ServerArgs,
}

/// Which of the service's history.
#[derive(Debug, Args)]
pub struct HistoryArgs {
    /// How many days of the service's history, back from the end
    #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u16).range(1..), conflicts_with = "from")]
    pub days: Option<u16>,
    /// From this instant on (RFC 3339), or a span back from now such as "7 d"; 30 d before the end
    /// without it
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub from: Option<i64>,
    /// Up to this instant; the newest stored data without it
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub until: Option<i64>,
    /// Only this unit of the service; may be given several times
    #[arg(long, value_name = "UNIT")]
    pub unit: Vec<String>,
}

/// Which service to speak to.
#[derive(Debug, Args)]
pub struct ServerArgs {
    /// The service's address
    #[arg(long, env = "WHEELTAP_SERVER", value_name = "URL", default_value = "http://127.0.0.1:7417", value_hint = ValueHint::Url)]
    pub server: String,
}

#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Another seed makes another day of the same railway
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub seed: u64,
    /// Play about so many units, in whole trains, those with planted failures first
    #[arg(long, value_name = "NUMBER", value_parser = clap::value_parser!(u16).range(1..))]
    pub units: Option<u16>,
    /// Where to listen; port 0 takes any free one
    #[arg(long, value_name = "ADDRESS:PORT", default_value = "127.0.0.1:0")]
    pub listen: SocketAddr,
    /// Keep the store in this folder instead of a temporary one
    #[arg(long, value_name = "FOLDER", value_hint = ValueHint::DirPath)]
    pub data: Option<PathBuf>,
    /// Give the service the shops' book of the two years before too, and what they find of the day's
    /// alerts, so that reports have something to say
    #[arg(long)]
    pub history: bool,
    /// Keep the service up at the end, to look around
    #[arg(long)]
    pub stay: bool,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct ServeArgs {
    /// Settings (TOML); without it, the defaults
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub config: Option<PathBuf>,
    /// Where to listen, instead of what the settings say
    #[arg(long, value_name = "ADDRESS:PORT")]
    pub listen: Option<SocketAddr>,
    /// Where to serve the web pages, instead of what the settings say
    #[arg(long, value_name = "ADDRESS:PORT")]
    pub pages: Option<SocketAddr>,
    /// The store's folder, instead of what the settings say
    #[arg(long, value_name = "FOLDER", value_hint = ValueHint::DirPath)]
    pub data: Option<PathBuf>,
}

#[derive(Debug, Args)]
#[command(
    after_help = "Cut off or refused, run the same command again: it sends what waits in the spool and reads on where it
stopped. What the service holds already is not sent again."
)]
pub struct SendArgs {
    /// Measurements: CSV, plain or gzip (.gz)
    #[arg(required = true, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub files: Vec<PathBuf>,
    /// How the columns become channels (TOML)
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub map: PathBuf,
    #[command(flatten)]
    pub catalogue: CatalogueArgs,
    /// Folder that keeps what the service does not hold yet
    #[arg(long, value_name = "FOLDER", default_value = "wheeltap-spool", value_hint = ValueHint::DirPath)]
    pub spool: PathBuf,
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print the summary as one JSON object
    #[arg(long)]
    pub json: bool,
}

/// Which alerts.
#[derive(Debug, Args)]
pub struct AlertFilterArgs {
    /// Only of this unit
    #[arg(long, value_name = "UNIT")]
    pub unit: Option<String>,
    /// Only by this rule
    #[arg(long, value_name = "NAME")]
    pub rule: Option<String>,
    /// Only in this condition
    #[arg(long, value_enum)]
    pub condition: Option<ConditionArg>,
    /// Only of this priority or a higher one
    #[arg(long, value_enum)]
    pub priority: Option<PriorityArg>,
    /// Trial alerts too
    #[arg(long)]
    pub trial: bool,
}

#[derive(Debug, Args)]
#[command(
    after_help = "With --cursor-file, alerts that change while nobody watches are told at the next start, each once."
)]
pub struct WatchArgs {
    #[command(flatten)]
    pub filter: AlertFilterArgs,
    /// Resume after this cursor, from an earlier watch
    #[arg(long, value_name = "CURSOR", conflicts_with = "cursor_file")]
    pub cursor: Option<String>,
    /// Keep the cursor in this file and resume from it
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub cursor_file: Option<PathBuf>,
    /// Stop once everything up to now was told
    #[arg(long)]
    pub catch_up: bool,
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct AlertListArgs {
    #[command(flatten)]
    pub filter: AlertFilterArgs,
    /// Raised at or after: a time, or a span back from now, such as "24 h"
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub since: Option<i64>,
    /// Raised before: a time, or a span back from now
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub until: Option<i64>,
    /// Withdrawn alerts too
    #[arg(long)]
    pub withdrawn: bool,
    /// Only those that somebody has still to take on
    #[arg(long)]
    pub awaiting: bool,
    /// Most alerts to print
    #[arg(long, value_name = "N", default_value_t = 100)]
    pub limit: usize,
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Its number
    #[arg(value_name = "NUMBER")]
    pub number: u64,
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct ChangesArgs {
    /// Start after this cursor, which the last line of an earlier run gave; without it, from the first change
    #[arg(long, value_name = "CURSOR")]
    pub cursor: Option<String>,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct UnitListArgs {
    /// Only of this class
    #[arg(long, value_name = "NAME")]
    pub class: Option<String>,
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Subcommand)]
pub enum UnitsCommand {
    /// Show all that is known of a unit
    Show(UnitShowArgs),
    /// Add a unit
    Add(UnitAddArgs),
    /// Record what a unit does
    State(UnitStateArgs),
}

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
    pub server: ServerArgs,
    /// Print one JSON object a sheet, each on a line
    #[arg(long)]
    pub json: bool,
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
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
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
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
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
pub struct StockArgs {
    /// The service point
    #[arg(value_name = "POINT")]
    pub point: String,
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
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
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub at: Option<i64>,
    /// What was gauged, in the unit of the work file; without it, it was inspected or renewed
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub value: Option<f64>,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct UnitShowArgs {
    /// Its id
    #[arg(value_name = "UNIT")]
    pub unit: String,
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct UnitAddArgs {
    /// Its id, which stays for good, such as "ZVR 4117"
    #[arg(value_name = "UNIT")]
    pub unit: String,
    /// Its class
    #[arg(long, value_name = "NAME")]
    pub class: String,
    /// The number painted on it; its id without this
    #[arg(long, value_name = "NUMBER")]
    pub road_number: Option<String>,
    /// Measurements before this time are set aside: a time, or a span back from now
    #[arg(long, value_name = "TIME", value_parser = time, default_value = "1970-01-01T00:00:00Z")]
    pub commissioned: i64,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct UnitStateArgs {
    /// Its id
    #[arg(value_name = "UNIT")]
    pub unit: String,
    /// What it does
    #[arg(value_enum)]
    pub state: UnitStateArg,
    /// Since when: a time, or a span back from now; now without it
    #[arg(long, value_name = "TIME", value_parser = time)]
    pub from: Option<i64>,
    /// Who or what says so
    #[arg(long, value_name = "TEXT", default_value = "command line")]
    pub source: String,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct RuleListArgs {
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct LodgeArgs {
    /// Rule files (.rhai), or folders that hold them
    #[arg(required = true, value_name = "PATH", value_hint = ValueHint::AnyPath)]
    pub paths: Vec<PathBuf>,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct PromoteArgs {
    /// The rule
    #[arg(value_name = "NAME")]
    pub rule: String,
    /// The stage to move it to
    #[arg(value_enum)]
    pub stage: StageArg,
    /// The version; the newest without it
    #[arg(long, value_name = "VERSION")]
    pub version: Option<String>,
    /// Do not try it on what is stored first
    #[arg(long)]
    pub no_forecast: bool,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Subcommand)]
pub enum QuarantineCommand {
    /// List them, with the reason
    List(QuarantineListArgs),
    /// Check batches again and store them, after what was wrong was mended
    Release(QuarantineArgs),
    /// Delete batches for good
    Delete(QuarantineArgs),
}

#[derive(Debug, Args)]
pub struct QuarantineListArgs {
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub struct QuarantineArgs {
    /// Their numbers
    #[arg(required = true, value_name = "NUMBER")]
    pub numbers: Vec<u64>,
    #[command(flatten)]
    pub server: ServerArgs,
}

macro_rules! words {
    ($($(#[$doc:meta])* $name:ident => $target:ty { $($(#[$variant_doc:meta])* $variant:ident => $to:ident),* $(,)? })*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
        pub enum $name { $($(#[$variant_doc])* $variant),* }

        impl From<$name> for $target {
            fn from(word: $name) -> Self {
                match word { $($name::$variant => Self::$to),* }
            }
        }
    )*};
}

words! {
    /// Of an alert.
    ConditionArg => v1::Condition {
        Standing => Standing, Ended => Ended, Withdrawn => Withdrawn,
    }
    /// How soon to look.
    PriorityArg => v1::Priority {
        /// At the next planned stop
        Low => Low,
        /// Today
        Medium => Medium,
        /// This trip
        High => High,
        /// Now; people may be at risk
        Urgent => Urgent,
    }
    /// Of a defect.
    DefectStatusArg => v1::DefectStatus {
        /// Open; what it is has not been seen yet
        Suspected => Suspected,
        /// Open, with a place and a time for the work
        Planned => Planned,
        /// Open; the shop is at it
        InWork => InWork,
        /// Closed with a finding
        Closed => Closed,
        /// Closed without a finding
        FindingOwed => FindingOwed,
        /// Late data took back every alert behind it
        Void => Void,
        /// All of it went into another defect
        Merged => Merged,
    }
    /// What holds for a unit until the work is done.
    DispositionArg => v1::Disposition {
        /// It goes on as it is
        RunOn => RunOn,
        /// It goes on under a restriction, which --how says
        Restrict => Restrict,
        Isolate => Isolate,
        /// A motor, the dynamic brake or a sander, which --how says
        CutOut => CutOut,
        /// Another unit of the consist leads
        SwapLead => SwapLead,
        /// Other power is arranged
        ArrangePower => ArrangePower,
        /// It waits for its next service stop
        NextServiceStop => NextServiceStop,
        SetOut => SetOut,
    }
    /// Who reports a defect.
    OriginArg => v1::DefectOrigin {
        CrewReport => CrewReport,
        DailyInspection => DailyInspection,
        ShopFind => ShopFind,
        RoadFailure => RoadFailure,
    }
    /// What the shop found.
    FindingArg => v1::FindingKind {
        /// As the rule called it
        AsCalled => AsCalled,
        AnotherFault => AnotherFault,
        /// The sensor or its wiring
        SensorOrWiring => SensorOrWiring,
        NoFaultFound => NoFaultFound,
        CouldNotTest => CouldNotTest,
        NotLookedAt => NotLookedAt,
    }
    /// What a unit does.
    UnitStateArg => v1::UnitState {
        Unknown => Unknown,
        Working => Working,
        /// On line, not loading
        Isolated => Isolated,
        StoppedManual => StoppedManual,
        /// Stopped by the automatic stop: it can crank
        StoppedAuto => StoppedAuto,
        StoppedTrip => StoppedTrip,
        DeadInTow => DeadInTow,
        Stored => Stored,
        InShop => InShop,
        /// On another railway
        OffLine => OffLine,
    }
    /// Where a rule stands.
    StageArg => v1::RuleStage {
        /// Kept, not judged
        Draft => Draft,
        /// Judged on live data; rings nobody
        Trial => Trial,
        /// Judged and announced
        Live => Live,
        /// Kept for its past alerts
        Retired => Retired,
    }
}

/// Milliseconds of a span.
fn span(text: &str) -> Result<i64, String> {
    wheeltap_model::parse_span(text).map_err(|error| error.to_string())
}

/// Unix milliseconds from RFC 3339, or from a span back from now.
fn time(text: &str) -> Result<i64, String> {
    let now_ms = jiff::Timestamp::now().as_millisecond();
    if let Ok(span_ms) = wheeltap_model::parse_span(text) {
        return Ok(now_ms.saturating_sub(span_ms));
    }
    text.parse::<jiff::Timestamp>()
        .map(jiff::Timestamp::as_millisecond)
        .map_err(|_| {
            "write a time such as 2026-03-02T14:00:00Z, or a span back from now such as \"24 h\""
                .to_owned()
        })
}

/// Unix milliseconds from RFC 3339, or from a span ahead of now.
fn ahead(text: &str) -> Result<i64, String> {
    let now_ms = jiff::Timestamp::now().as_millisecond();
    if let Ok(span_ms) = wheeltap_model::parse_span(text) {
        return Ok(now_ms.saturating_add(span_ms));
    }
    text.parse::<jiff::Timestamp>()
        .map(jiff::Timestamp::as_millisecond)
        .map_err(|_| {
            "write a time such as 2026-03-02T14:00:00Z, or a span ahead of now such as \"8 h\""
                .to_owned()
        })
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn times_are_instants_or_spans_back_from_now() {
        assert_eq!(time("1970-01-01T00:00:01Z"), Ok(1_000));
        assert_eq!(time("1970-01-01T01:00:01+01:00"), Ok(1_000));
        let hour_ago = time("1 h").unwrap();
        let now_ms = jiff::Timestamp::now().as_millisecond();
        assert!((now_ms - hour_ago - 3_600_000).abs() < 60_000);
        assert!(time("noon").unwrap_err().contains("24 h"));
        let in_an_hour = ahead("1 h").unwrap();
        assert!((in_an_hour - now_ms - 3_600_000).abs() < 60_000);
        assert_eq!(ahead("1970-01-01T00:00:01Z"), Ok(1_000));
        assert!(ahead("tomorrow").unwrap_err().contains("8 h"));
    }
}
