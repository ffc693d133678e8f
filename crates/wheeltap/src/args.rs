//! What can be said on the command line.

mod export;
mod people;
mod report;
mod rules;
mod sheet;
mod words;

pub use export::*;
pub use people::*;
pub use report::*;
pub use rules::*;
pub use sheet::*;
pub use words::*;

use clap::{Args, Parser, Subcommand, ValueHint};
use std::{net::SocketAddr, path::PathBuf};
use wheeltap_model::PersonName;

/// Condition monitoring for a fleet of diesel-electric locomotives
#[derive(Debug, Parser)]
#[command(
    version,
    about,
    long_about = "Condition monitoring for a fleet of diesel-electric locomotives.\n\n\
        Alerts advise; they never declare a unit safe. Data goes to stdout, notes and progress to stderr.",
    after_help = "Times in tables are UTC.\n\
        Exit codes: 0 fine, 1 a problem or a finding, 2 the command line or the configuration is wrong.",
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

/// Which service to speak to.
#[derive(Debug, Args)]
pub struct ServerArgs {
    /// The service's address
    #[arg(
        long,
        env = "WHEELTAP_SERVER",
        value_name = "URL",
        default_value = "http://127.0.0.1:7417",
        value_hint = ValueHint::Url,
        display_order = 800
    )]
    pub server: String,

    /// Who acts, as others read it; the name of the account unless said
    #[arg(
        long = "as",
        env = "WHEELTAP_PERSON",
        hide_env_values = true,
        value_name = "NAME",
        value_parser = PersonName::new,
        display_order = 801
    )]
    pub person: Option<PersonName>,
}

/// Which service to ask, and how to print what it answers.
#[derive(Debug, Args)]
pub struct AskArgs {
    #[command(flatten)]
    pub server: ServerArgs,
    /// Print one JSON object a line
    #[arg(long, display_order = 810)]
    pub json: bool,
}

/// What an act is on.
#[derive(Debug, Args)]
pub struct NumberArgs {
    /// Its number
    #[arg(value_name = "NUMBER", allow_negative_numbers = true)]
    pub number: u64,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Another seed makes another day of the same railway
    #[arg(
        long,
        value_name = "NUMBER",
        allow_negative_numbers = true,
        default_value_t = 1
    )]
    pub seed: u64,
    /// Play about so many units, in whole trains, those with planted failures first
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true, value_parser = clap::value_parser!(u16).range(1..))]
    pub units: Option<u16>,
    /// Let the day end now instead of with 2 March 2026, so that what is due and who rolls in stand
    /// against the clock
    #[arg(long)]
    pub today: bool,
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
    pub ask: AskArgs,
}

/// Which alerts of the past.
#[derive(Debug, Args)]
pub struct PastAlertArgs {
    #[command(flatten)]
    pub filter: AlertFilterArgs,
    /// Raised at or after: a time, or a span back from now, such as "24 h"
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub since: Option<i64>,
    /// Raised before: a time, or a span back from now
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub until: Option<i64>,
    /// Withdrawn alerts too
    #[arg(long)]
    pub withdrawn: bool,
}

#[derive(Debug, Args)]
pub struct AlertListArgs {
    #[command(flatten)]
    pub past: PastAlertArgs,
    /// Only those that somebody has still to take on
    #[arg(long)]
    pub awaiting: bool,
    /// Most alerts to print
    #[arg(
        long,
        value_name = "N",
        allow_negative_numbers = true,
        default_value_t = 100,
        value_parser = at_least_one
    )]
    pub limit: usize,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct ShowArgs {
    /// Its number
    #[arg(value_name = "NUMBER", allow_negative_numbers = true)]
    pub number: u64,
    #[command(flatten)]
    pub ask: AskArgs,
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
    pub ask: AskArgs,
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
pub struct UnitShowArgs {
    /// Its id
    #[arg(value_name = "UNIT")]
    pub unit: String,
    #[command(flatten)]
    pub ask: AskArgs,
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
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub road_number: Option<String>,
    /// Measurements before this time are set aside: a time, or a span back from now
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true, default_value = "1970-01-01T00:00:00Z")]
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
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub from: Option<i64>,
    /// Who or what says so
    #[arg(long, value_name = "TEXT", default_value = "command line")]
    pub source: String,
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
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct QuarantineArgs {
    /// Their numbers
    #[arg(required = true, value_name = "NUMBER", allow_negative_numbers = true)]
    pub numbers: Vec<u64>,
    #[command(flatten)]
    pub server: ServerArgs,
}

/// How many of a list.
fn at_least_one(text: &str) -> Result<usize, String> {
    match text.parse() {
        Ok(0) => Err("none of them is no list; give 1 or more".to_owned()),
        Ok(n) => Ok(n),
        Err(_) => Err(format!("\"{text}\" is no whole number above 0")),
    }
}

/// A length or another size.
fn above_zero(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(size) if size > 0.0 && size.is_finite() => Ok(size),
        _ => Err(format!("\"{text}\" is no number above 0")),
    }
}

/// Milliseconds of a span.
fn span(text: &str) -> Result<i64, String> {
    wheeltap_model::parse_span(text).map_err(|error| error.to_string())
}

/// Unix milliseconds from RFC 3339; of a date alone, its midnight in UTC.
fn instant(text: &str) -> Option<i64> {
    let midnight = format!("{text}T00:00:00Z");
    let text = if text.len() == "2026-03-02".len() {
        &midnight
    } else {
        text
    };
    wheeltap_model::read_instant(text)
}

/// Unix milliseconds from RFC 3339 or a date, or from a span back from now.
fn time(text: &str) -> Result<i64, String> {
    let now_ms = jiff::Timestamp::now().as_millisecond();
    if let Ok(span_ms) = wheeltap_model::parse_span(text) {
        return Ok(now_ms.saturating_sub(span_ms));
    }
    instant(text).ok_or_else(|| {
        "write a time such as 2026-03-02T14:00:00Z, a date, or a span back from now such as \"24 h\""
            .to_owned()
    })
}

/// Unix milliseconds from RFC 3339 or a date, or from a span ahead of now.
fn ahead(text: &str) -> Result<i64, String> {
    let now_ms = jiff::Timestamp::now().as_millisecond();
    if let Ok(span_ms) = wheeltap_model::parse_span(text) {
        return Ok(now_ms.saturating_add(span_ms));
    }
    instant(text).ok_or_else(|| {
        "write a time such as 2026-03-02T14:00:00Z, a date, or a span ahead of now such as \"8 h\""
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
        // A date alone is its midnight, as on the pages.
        for read in [time, ahead] {
            assert_eq!(read("1970-01-02"), Ok(86_400_000));
            assert!(read("1970-01-02T10:00:00").is_err());
        }
    }

    #[test]
    fn negative_times_and_numbers_are_answered_by_our_own_checks() {
        for (words, said) in [
            (
                &["wheeltap", "alerts", "--until", "-1 h"][..],
                "write a time",
            ),
            (
                &[
                    "wheeltap", "defects", "plan", "1", "--at", "x", "--when", "-3 h",
                ],
                "write a time",
            ),
            (
                &[
                    "wheeltap",
                    "defects",
                    "find",
                    "1",
                    "as-called",
                    "--minutes",
                    "-5",
                ],
                "'-5'",
            ),
            (&["wheeltap", "report", "desk", "--desks", "-5"], "'-5'"),
        ] {
            let error = Cli::try_parse_from(words).unwrap_err().to_string();
            assert!(
                error.contains("invalid value") && error.contains(said),
                "{error}"
            );
        }
    }
}
