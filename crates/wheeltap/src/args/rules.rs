//! What can be said of rules.

use super::{AskArgs, ServerArgs, StageArg, span, time};
use clap::{Args, Subcommand, ValueHint};
use std::path::PathBuf;

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
    /// Print a rule of the service: its text and its cases
    Show(RuleShowArgs),
    /// Give rule files to the service, which keeps them as drafts
    Lodge(LodgeArgs),
    /// Move a rule to another stage
    Promote(PromoteArgs),
}

/// Which catalogue the rules are checked against.
#[derive(Debug, Args)]
pub struct CatalogueArgs {
    /// A catalogue file (TOML) that adds channels and classes to the built-in ones; may be given several times
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub catalogue: Vec<PathBuf>,
}

#[derive(Debug, Args)]
pub struct VetArgs {
    /// Rule files (.rhai), or folders that hold them
    #[arg(required = true, value_name = "PATH", value_hint = ValueHint::AnyPath)]
    pub paths: Vec<PathBuf>,

    #[command(flatten)]
    pub catalogue: CatalogueArgs,

    /// A map of CSV files (TOML), for the channels that it declares
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub map: Option<PathBuf>,

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

    /// A rule file (.rhai), or a folder that holds some; may be given several times
    #[arg(long, required = true, value_name = "PATH", value_hint = ValueHint::AnyPath)]
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
    /// failed_at and rule). An alert raised from `from` to `until` calls the failure; every other
    /// one counts as false
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
    #[arg(long, value_name = "SPAN", value_parser = span, allow_hyphen_values = true)]
    pub class_stretch: Option<i64>,

    /// Units without which a class has no baseline
    #[arg(long, value_name = "N", allow_negative_numbers = true, default_value_t = 5, value_parser = clap::value_parser!(u16).range(1..))]
    pub class_least_units: u16,

    /// Known windows in the stretch without which a unit does not count for its class
    #[arg(long, value_name = "N", allow_negative_numbers = true, default_value_t = 24, value_parser = clap::value_parser!(u16).range(1..))]
    pub class_least_windows: u16,

    /// Take these class baselines (one JSON object a line, as `wheeltap rules baselines --json` prints
    /// them) and fit only what is not among them
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub class_baselines: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct BaselineListArgs {
    /// Only this class
    #[arg(long, value_name = "CLASS")]
    pub class: Option<String>,
    #[command(flatten)]
    pub ask: AskArgs,
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
    /// The version of a rule of the service, or how it begins; the newest without it
    #[arg(long, value_name = "VERSION")]
    pub version: Option<String>,
    /// Another version, to see what this one would raise more and fewer
    #[arg(long, value_name = "VERSION")]
    pub against: Option<String>,
    #[command(flatten)]
    pub history: HistoryArgs,
    /// Fit class baselines that the service has not frozen yet from so long a stretch at the start, at most
    /// half of the span; as the service would without it
    #[arg(long, value_name = "SPAN", value_parser = span, allow_hyphen_values = true)]
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
    #[command(flatten)]
    pub ask: AskArgs,
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
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
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
    #[arg(long, value_name = "DAYS", allow_negative_numbers = true, value_parser = clap::value_parser!(u16).range(1..), conflicts_with = "from")]
    pub days: Option<u16>,
    /// From this instant on (RFC 3339), or a span back from now such as "7 d"; 30 d before the end
    /// without it
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub from: Option<i64>,
    /// Up to this instant; the newest stored data without it
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub until: Option<i64>,
    /// Only this unit of the service; may be given several times
    #[arg(long, value_name = "UNIT")]
    pub unit: Vec<String>,
}

#[derive(Debug, Args)]
pub struct RuleListArgs {
    /// Those too that ring nobody and only make items for the shop, as the service's own that watch sensors
    #[arg(long)]
    pub shop: bool,
    /// Every version, also those retired; with who moved it to its stage and when
    #[arg(long)]
    pub versions: bool,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct RuleShowArgs {
    /// The rule
    #[arg(value_name = "NAME")]
    pub rule: String,
    /// The version, or how it begins; the newest without it
    #[arg(long, value_name = "VERSION")]
    pub version: Option<String>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct LodgeArgs {
    /// Rule files (.rhai), or folders that hold them
    #[arg(required = true, value_name = "PATH", value_hint = ValueHint::AnyPath)]
    pub paths: Vec<PathBuf>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct PromoteArgs {
    /// The rule
    #[arg(value_name = "NAME")]
    pub rule: String,
    /// The stage to move it to
    #[arg(value_enum)]
    pub stage: StageArg,
    /// The version, or how it begins; the newest without it
    #[arg(long, value_name = "VERSION")]
    pub version: Option<String>,
    /// Do not try it on what is stored first
    #[arg(long)]
    pub no_forecast: bool,
    /// Why; must be said of a version that goes live without a trial
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub reason: String,
    #[command(flatten)]
    pub ask: AskArgs,
}
