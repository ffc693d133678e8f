//! What people do about alerts and defects.

use super::{
    AskArgs, ChangesArgs, DefectStatusArg, DispositionArg, FindingArg, NumberArgs, OriginArg,
    PriorityArg, ServerArgs, ShowArgs, ahead, at_least_one, time,
};
use clap::{Args, Subcommand};

#[derive(Debug, Subcommand)]
pub enum AlertsCommand {
    /// Show all that is known of an alert
    Show(ShowArgs),
    /// Take an alert on
    Acknowledge(AcknowledgeArgs),
    /// Take an answer back, so that somebody else can take the alert on
    GiveBack(GiveBackArgs),
    /// Mute an alert's rule on its unit and part for a time; what warns of danger is never muted
    Shelve(ShelveArgs),
}

#[derive(Debug, Args)]
pub struct GiveBackArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub note: String,
}

#[derive(Debug, Args)]
pub struct ShelveArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// When it ends: a time, or a span from now
    #[arg(long, value_name = "TIME", value_parser = ahead, allow_hyphen_values = true)]
    pub until: i64,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub reason: String,
}

#[derive(Debug, Args)]
pub struct TakeOnArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// What to write down with it
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "",
        hide_default_value = true
    )]
    pub note: String,
}

#[derive(Debug, Args)]
pub struct CallArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// Who was told, such as dispatcher
    #[arg(value_name = "WHO")]
    pub told: String,
    /// The alert that it was about
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub alert: Option<u64>,
    /// What they answered
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "",
        hide_default_value = true
    )]
    pub answer: String,
    /// What they promised
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "",
        hide_default_value = true
    )]
    pub promise: String,
    /// When the promise is due: a time, or a span from now
    #[arg(long, value_name = "TIME", value_parser = ahead, allow_hyphen_values = true)]
    pub by: Option<i64>,
}

#[derive(Debug, Args)]
pub struct KeptArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// Which of its calls, counted from 1
    #[arg(value_name = "CALL")]
    pub call: u32,
}

#[derive(Debug, Args)]
pub struct SayArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// What
    #[arg(value_enum)]
    pub disposition: DispositionArg,
    /// Which restriction, or what is cut out
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "",
        hide_default_value = true
    )]
    pub how: String,
}

#[derive(Debug, Args)]
pub struct PlanArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// The service point or shop
    #[arg(long, value_name = "PLACE", required_unless_present = "drop")]
    pub at: Option<String>,
    /// When the work is to begin: a time, or a span from now
    #[arg(long, value_name = "TIME", value_parser = ahead, allow_hyphen_values = true)]
    pub when: Option<i64>,
    /// The part that is needed
    #[arg(
        long,
        value_name = "NAME",
        default_value = "",
        hide_default_value = true
    )]
    pub part: String,
    /// The craft that does it
    #[arg(
        long,
        value_name = "NAME",
        default_value = "",
        hide_default_value = true
    )]
    pub craft: String,
    /// Anything else
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "",
        hide_default_value = true
    )]
    pub note: String,
    /// Take the plan back
    #[arg(long, conflicts_with_all = ["at", "when"])]
    pub drop: bool,
}

#[derive(Debug, Args)]
pub struct CloseArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// Why there is no finding
    #[arg(long, value_name = "TEXT")]
    pub note: String,
}

#[derive(Debug, Args)]
pub struct SplitArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// The alerts that go into the new one
    #[arg(value_name = "ALERT", required = true)]
    pub alerts: Vec<u64>,
    /// Its component, if another
    #[arg(
        long,
        value_name = "NAME",
        default_value = "",
        hide_default_value = true
    )]
    pub component: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub note: String,
}

#[derive(Debug, Args)]
pub struct MergeArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// The defect that stays
    #[arg(long, value_name = "NUMBER", allow_negative_numbers = true)]
    pub into: u64,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub note: String,
}

#[derive(Debug, Args)]
pub struct DeskArgs {
    /// What is new is told from here on: a time, or a span back from now; since the last handover without it
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub since: Option<i64>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Subcommand)]
pub enum DeskCommand {
    /// List what is muted
    Mutes(MutesArgs),
    /// Mute a unit, or a rule on it, for maintenance; what warns of danger rings all the same
    OutOfService(OutOfServiceArgs),
    /// End a mute before its time
    Lift(LiftArgs),
    /// Hand the desk over
    HandOver(HandOverArgs),
    /// List handovers, newest first
    Handovers(HandoversArgs),
    /// List who did what, newest first
    Acts(ActsArgs),
}

#[derive(Debug, Args)]
pub struct MutesArgs {
    /// Ended ones too
    #[arg(long)]
    pub ended: bool,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct OutOfServiceArgs {
    /// The unit
    #[arg(value_name = "UNIT")]
    pub unit: String,
    /// Only this rule
    #[arg(long, value_name = "NAME")]
    pub rule: Option<String>,
    /// Only this part, such as "axle 3"
    #[arg(
        long,
        value_name = "PART",
        default_value = "",
        hide_default_value = true
    )]
    pub part: String,
    /// When it ends by itself: a time, or a span from now; until it is lifted without it
    #[arg(long, value_name = "TIME", value_parser = ahead, allow_hyphen_values = true)]
    pub until: Option<i64>,
    /// Why
    #[arg(long, value_name = "TEXT")]
    pub reason: String,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct LiftArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// What to write down with it
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "",
        hide_default_value = true
    )]
    pub note: String,
}

#[derive(Debug, Args)]
pub struct HandOverArgs {
    /// Who leaves
    #[arg(long, value_name = "NAME")]
    pub from: String,
    /// Who takes over
    #[arg(long, value_name = "NAME")]
    pub to: String,
    /// What to write down with it
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "",
        hide_default_value = true
    )]
    pub note: String,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct HandoversArgs {
    /// Most to print
    #[arg(
        long,
        value_name = "N",
        allow_negative_numbers = true,
        default_value_t = 20,
        value_parser = at_least_one
    )]
    pub limit: usize,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Debug, Args)]
pub struct ActsArgs {
    /// Only about this unit
    #[arg(long, value_name = "UNIT", group = "about")]
    pub unit: Option<String>,
    /// Only about this alert
    #[arg(
        long,
        value_name = "NUMBER",
        allow_negative_numbers = true,
        group = "about"
    )]
    pub alert: Option<u64>,
    /// Only about this defect
    #[arg(
        long,
        value_name = "NUMBER",
        allow_negative_numbers = true,
        group = "about"
    )]
    pub defect: Option<u64>,
    /// Only about this rule
    #[arg(long, value_name = "NAME", group = "about")]
    pub rule: Option<String>,
    /// Only by this person
    #[arg(
        long,
        value_name = "NAME",
        default_value = "",
        hide_default_value = true
    )]
    pub by: String,
    /// What telemetry and the clock did too
    #[arg(long)]
    pub telemetry: bool,
    /// Most to print
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
pub struct AcknowledgeArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// What to write down with it
    #[arg(long, default_value = "", hide_default_value = true)]
    pub note: String,
}

#[derive(Debug, Args)]
pub struct DefectListArgs {
    /// Only of this unit
    #[arg(long, value_name = "UNIT")]
    pub unit: Option<String>,
    /// Only in this status; open ones without it
    #[arg(long, value_enum)]
    pub status: Option<DefectStatusArg>,
    /// Closed ones too
    #[arg(long, conflicts_with = "status")]
    pub all: bool,
    /// Only of this priority or a higher one
    #[arg(long, value_enum)]
    pub priority: Option<PriorityArg>,
    /// Only of this component
    #[arg(long, value_name = "NAME")]
    pub component: Option<String>,
    /// Most defects to print
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

#[derive(Debug, Subcommand)]
pub enum DefectsCommand {
    /// Show all that is known of a defect
    Show(ShowArgs),
    /// Report a defect that no rule raised
    Report(ReportArgs),
    /// Take a defect on, with all of its alerts that wait for an answer
    TakeOn(TakeOnArgs),
    /// Keep a call: who was told, what they answered and promised
    Call(CallArgs),
    /// Say that a promise was kept
    Kept(KeptArgs),
    /// Say what holds for the unit until the work is done
    Say(SayArgs),
    /// Say where and when the work is to be done
    Plan(PlanArgs),
    /// Say that the shop has begun
    Begin(NumberArgs),
    /// Record what the shop found, which closes the defect
    Find(FindArgs),
    /// Close a defect without a finding, which is owed from then on
    Close(CloseArgs),
    /// Make some of its alerts a defect of their own
    Split(SplitArgs),
    /// Let it go into another defect of the same unit
    Merge(MergeArgs),
    /// Print changes after a cursor, oldest first, for a system that pulls
    Changes(ChangesArgs),
}

#[derive(Debug, Args)]
pub struct ReportArgs {
    /// The unit
    #[arg(value_name = "UNIT")]
    pub unit: String,
    /// What was seen
    #[arg(value_name = "TITLE")]
    pub title: String,
    /// The component, such as "air compressor"; joins the open defect of the same one
    #[arg(long, value_name = "NAME")]
    pub component: String,
    /// The system, such as "air / brake"
    #[arg(
        long,
        value_name = "NAME",
        default_value = "",
        hide_default_value = true
    )]
    pub system: String,
    /// Who reports it
    #[arg(long, value_enum, default_value = "crew-report")]
    pub origin: OriginArg,
    /// How soon to look
    #[arg(long, value_enum, default_value = "medium")]
    pub priority: PriorityArg,
    /// When it first showed: a time, or a span back from now
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub first_sign: Option<i64>,
    #[command(flatten)]
    pub server: ServerArgs,
}

#[derive(Debug, Args)]
pub struct FindArgs {
    #[command(flatten)]
    pub of: NumberArgs,
    /// What was found
    #[arg(value_enum)]
    pub finding: FindingArg,
    /// In the shop's words
    #[arg(long, default_value = "", hide_default_value = true)]
    pub note: String,
    /// When the work was done: a time, or a span back from now; now without it
    #[arg(long, value_name = "TIME", value_parser = time, allow_hyphen_values = true)]
    pub repaired: Option<i64>,
    /// What caused it
    #[arg(
        long,
        value_name = "TEXT",
        default_value = "",
        hide_default_value = true
    )]
    pub cause: String,
    /// The component that it was, if another than was called
    #[arg(
        long,
        value_name = "NAME",
        default_value = "",
        hide_default_value = true
    )]
    pub component: String,
    /// How it failed: a code of three letters after ISO 14224, such as OHE for overheating
    #[arg(
        long,
        value_name = "CODE",
        default_value = "",
        hide_default_value = true
    )]
    pub failure_mode: String,
    /// Working time
    #[arg(long, value_name = "MINUTES", allow_negative_numbers = true)]
    pub minutes: Option<u32>,
    /// A part that was fitted; may be given several times
    #[arg(long, value_name = "NAME")]
    pub part: Vec<String>,
    /// In place of the finding that was given last, also of one that came back since; the note says what was wrong
    #[arg(long)]
    pub correct: bool,
}
