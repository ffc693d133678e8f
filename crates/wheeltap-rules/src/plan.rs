//! What a checked rule is made of.

use crate::program::Program;
use crate::script::ScriptVerdict;
use crate::{Against, Baseline, ClassWindow, OfClass, OfMates, Param};
use wheeltap_model::{ChannelName, ClassName, ConsistRole, Priority, RuleRef, UnitId, UnitState};

/// One checked version of a rule.
#[derive(Clone, Debug)]
pub struct Rule {
    /// Name and version.
    pub reference: RuleRef,
    /// The rule's text, kept with every version.
    pub source: String,
    /// What `about()` says.
    pub about: About,
    /// What `reads()` says, in its order; a [`Seen`] row has the same order.
    pub inputs: Vec<Input>,
    /// What `params()` says, in its order.
    pub params: Vec<Param>,
    /// When the condition can show itself at all.
    pub tested: Option<Logic>,
    /// The condition.
    pub raise: Logic,
    /// When a standing condition may end (the deadband); without it, not `raise`.
    pub clear: Option<Logic>,
    /// When the operating state explains the condition.
    pub suppress: Option<Logic>,
    /// It looks for the condition's absence: raised where the condition, tested, is known to be clear.
    pub is_absence: bool,
}

impl Rule {
    /// Whether it asks the unit's consist mates, and so waits for them.
    pub fn reads_mates(&self) -> bool {
        let mut reads = self.inputs.iter().map(|input| &input.read);
        reads.any(|read| matches!(read, Read::Mates { .. }))
    }

    /// The rule that looks for this one's absence, under a version of its own: raised where the condition,
    /// while it could show itself, was known to be clear for the off-delay.
    #[must_use]
    pub fn absence(&self) -> Self {
        let mut rule = self.clone();
        rule.is_absence = true;
        rule.suppress = None;
        rule.about.on_delay_ms = rule.about.off_delay_ms;
        rule.reference.version = crate::vet::version(&format!("{}\n// absence", self.source));
        rule
    }
}

/// The page an engineer fills in: rationalization, scope and delays.
#[derive(Clone, Debug, PartialEq)]
pub struct About {
    /// One line for the desk.
    pub title: String,
    /// System, such as `engine / lubrication`.
    pub system: String,
    /// Component, such as `oil cooler`; joins alerts into defects.
    pub component: String,
    /// How soon to look.
    pub priority: Priority,
    /// Never muted by shelving, operating state or data quality.
    pub safety: bool,
    /// Whether it calls the desk; otherwise it makes an item for the shop and nobody is rung.
    pub desk: bool,
    /// Which units it is for.
    pub applies: Applies,
    /// Milliseconds between judgements.
    pub tick_ms: i64,
    /// How long the condition must hold; a multiple of `tick_ms`, may be 0.
    pub on_delay_ms: i64,
    /// How long it must be clear; a multiple of `tick_ms`, may be 0.
    pub off_delay_ms: i64,
    /// Judged once for each part of this kind; `axle` is the only kind.
    pub for_each: Option<String>,
    /// Of its alerts that overlap on units of one train one is told; it is judged on each unit.
    pub once_a_train: bool,
    /// Why it happens.
    pub cause: String,
    /// What follows if nobody acts.
    pub consequence: String,
    /// What to do.
    pub action: String,
    /// How long the answer can wait, in milliseconds.
    pub respond_within_ms: i64,
}

/// Which units a rule is for; empty lists are no restriction.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Applies {
    /// Classes.
    pub classes: Vec<ClassName>,
    /// Single units.
    pub units: Vec<UnitId>,
}

/// One declared input.
#[derive(Clone, Debug, PartialEq)]
pub struct Input {
    /// Its name in `seen`.
    pub name: String,
    /// What it reads.
    pub read: Read,
    /// How a person would write it, such as `mean(engine.oil.temperature, 5 min)`.
    pub text: String,
    /// UCUM code of the value; empty for flags.
    pub ucum: String,
}

/// What an input reads.
#[derive(Clone, Debug, PartialEq)]
pub enum Read {
    /// A statistic of one channel over a window that ends at the tick.
    Window {
        /// Channel name; may hold `{axle}` in a `for_each: "axle"` rule.
        channel: String,
        /// What to compute.
        statistic: Statistic,
        /// Window length in milliseconds, a multiple of `pane_ms`.
        window_ms: i64,
        /// Pane length in milliseconds; see [`pane_ms`].
        pane_ms: i64,
        /// Share of the promised samples that makes a sampled window known, 0 to 1; 0.5 by default.
        /// With conditions: share of the whole window that must be seen while they held, 0.1 by
        /// default.
        min_share: f64,
        /// What must hold at an instant for it to count; all of them. Empty: every instant counts.
        during: Vec<Condition>,
    },
    /// A comparison with a stretch in which the unit was healthy.
    Healthy {
        /// Channels, windows and the stretch.
        baseline: Baseline,
        /// What of it.
        gives: Against,
    },
    /// A comparison with the units of the class.
    Class {
        /// Which window.
        window: ClassWindow,
        /// What of it.
        gives: OfClass,
    },
    /// A statistic of the unit's consist mates.
    Mates {
        /// What each of them is asked for; a [`Self::Window`].
        window: Box<Read>,
        /// What is made of their values.
        gives: OfMates,
        /// Mates of other classes are left out.
        same_class: bool,
    },
    /// Whether the unit is in one of these states; unknown when the state is.
    InState(Vec<UnitState>),
    /// Whether the unit has this part in its consist; unknown when that is.
    InRole(ConsistRole),
    /// The number of the part that is judged, such as the axle's; known always.
    PartNumber,
    /// A number of the rule's own, which a sweep varies; known always.
    Param(f64),
}

impl Read {
    /// The channels read as the rule writes them, a window's measured one first.
    pub fn channels(&self) -> Vec<&str> {
        match self {
            Self::Window {
                channel, during, ..
            }
            | Self::Class {
                window: ClassWindow {
                    channel, during, ..
                },
                ..
            } => {
                let conditions = during.iter().map(|condition| condition.channel.as_str());
                std::iter::once(channel.as_str())
                    .chain(conditions)
                    .collect()
            }
            Self::Healthy { baseline, .. } => {
                baseline.channels.iter().map(String::as_str).collect()
            }
            Self::Mates { window, .. } => window.channels(),
            Self::InState(_) | Self::InRole(_) | Self::PartNumber | Self::Param(_) => Vec::new(),
        }
    }

    /// Length of the panes that its window is kept in, in milliseconds; `None` when no channel is read.
    pub fn pane_ms(&self) -> Option<i64> {
        match self {
            Self::Window { pane_ms, .. } => Some(*pane_ms),
            Self::Healthy { baseline, .. } => Some(baseline.pane_ms),
            Self::Class { window, .. } => Some(window.pane_ms),
            Self::Mates { window, .. } => window.pane_ms(),
            Self::InState(_) | Self::InRole(_) | Self::PartNumber | Self::Param(_) => None,
        }
    }

    /// Length of the window and the past before it, in milliseconds; 0 when no channel is read.
    pub fn span_ms(&self) -> i64 {
        match self {
            Self::Window {
                statistic: Statistic::RobustScore { past_ms, .. },
                window_ms,
                ..
            } => *window_ms + *past_ms,
            Self::Window { window_ms, .. } => *window_ms,
            Self::Healthy { baseline, .. } => baseline.window_ms,
            Self::Class { window, .. } => window.window_ms,
            Self::Mates { window, .. } => window.span_ms(),
            Self::InState(_) | Self::InRole(_) | Self::PartNumber | Self::Param(_) => 0,
        }
    }

    /// How far before a tick data can matter, in milliseconds, what conditions look back and healthy
    /// stretches not counted; 0 when no channel is read.
    pub fn reach_ms(&self) -> i64 {
        match self {
            Self::Window {
                statistic: Statistic::RobustScore { past_pane_ms, .. },
                ..
            } => self.span_ms() + *past_pane_ms,
            Self::Window { pane_ms, .. } => self.span_ms() + *pane_ms,
            Self::Healthy { baseline, .. } => baseline.window_ms + baseline.pane_ms,
            Self::Class { window, .. } => window.window_ms + window.pane_ms,
            Self::Mates { window, .. } => window.reach_ms(),
            Self::InState(_) | Self::InRole(_) | Self::PartNumber | Self::Param(_) => 0,
        }
    }

    /// The channel read for part `part_no`, with `{axle}` filled in; `None` when none is read.
    pub fn channel_for(&self, part_no: Option<u32>) -> Option<ChannelName> {
        let Self::Window { channel, .. } = self else {
            return None;
        };
        named(channel, part_no)
    }
}

fn named(channel: &str, part_no: Option<u32>) -> Option<ChannelName> {
    match part_no {
        Some(number) => ChannelName::new(&channel.replace("{axle}", &number.to_string())).ok(),
        None => ChannelName::new(channel).ok(),
    }
}

/// What must hold for an instant to count in a window.
///
/// A value of the channel lasts from its sample to the next one, at most the held channel's hold or
/// the sampled one's silent time. A held sample that is not good ends it; a sampled one that is not
/// good is as if it were not there. While no value lasts, the condition does not hold.
#[derive(Clone, Debug, PartialEq)]
pub struct Condition {
    /// Channel name; may hold `{axle}`.
    pub channel: String,
    /// What its value must be.
    pub test: Test,
}

impl Condition {
    /// The channel for part `part_no`, with `{axle}` filled in; `None` when that is no name.
    pub fn channel_for(&self, part_no: Option<u32>) -> Option<ChannelName> {
        named(&self.channel, part_no)
    }
}

/// A test of one value, limits in the channel's unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Test {
    /// Not under the limit.
    AtLeast(f64),
    /// Not over the limit.
    AtMost(f64),
    /// Over the limit.
    Above(f64),
    /// Under the limit.
    Below(f64),
    /// From the first to the second, both included.
    Between(f64, f64),
}

impl Test {
    /// Whether a value passes.
    pub fn holds(self, value: f64) -> bool {
        match self {
            Self::AtLeast(limit) => value >= limit,
            Self::AtMost(limit) => value <= limit,
            Self::Above(limit) => value > limit,
            Self::Below(limit) => value < limit,
            Self::Between(low, high) => value >= low && value <= high,
        }
    }
}

/// What is computed over a window (t - w, t]. `x` are the good samples in it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Statistic {
    /// The newest value. Sampled: known when not older than the window; held: when within `hold`.
    Last,
    /// Sampled: arithmetic mean. Held: time-weighted over the known stretch.
    Mean,
    /// Least value; a held value carried into the window counts.
    Min,
    /// Greatest value; a held value carried into the window counts.
    Max,
    /// Max less min.
    Range,
    /// Sample standard deviation (n - 1); unknown under two samples. Held: each stored sample once.
    StdDev,
    /// Least-squares slope, unit per second; unknown under two samples or when all at one instant.
    Slope,
    /// (last - first) / (their times' difference), unit per second; unknown under two samples.
    Rate,
    /// Seconds above the limit. Sampled: samples above it, each worth one nominal interval;
    /// held: exact time.
    TimeAbove(f64),
    /// Seconds below the limit, as above.
    TimeBelow(f64),
    /// Number of events (or of good samples of a channel). Known always for events.
    Count,
    /// Number of instants at which differing good values came. Known always.
    Conflicts,
    /// Sum of an event's field, by its index; events without it add nothing. Known always.
    Sum(usize),
    /// The value below which this share (0 to 1, both left out) lies, from counts in fixed bins of the
    /// channel's range: the first bin up to which the counts reach the share (type 1, the inverse
    /// of the empirical distribution), given by its middle. Held: shares of time.
    Quantile(f64),
    /// The mean of the two middle bins (the same one for an odd count). Held: by time.
    Median,
    /// The integral over time, unit times second. Sampled: each sample lasts one nominal interval;
    /// held: exact.
    Integral,
    /// Standard error of [`Self::Slope`], unit per second; unknown under three samples.
    SlopeError,
    /// The mean step from a sample to the next, without sign; unknown under two samples.
    MovingRange,
    /// Exponentially weighted mean of the samples in the window: the newest weighs 1, each earlier one
    /// (1 - weight) times its follower.
    Ewma(f64),
    /// The exponentially weighted chart that starts from the target at the window's start, in standard
    /// deviations of its own: (E - target) / (sigma sqrt(weight / (2 - weight) (1 - (1 -
    /// weight)^(2 n)))). Source: NIST/SEMATECH e-Handbook 6.3.2.4.
    EwmaScore {
        /// 0 to 1, 0 left out.
        weight: f64,
        /// Where the process belongs, in the channel's unit.
        target: f64,
        /// Standard deviation of a sample, in the channel's unit, above 0.
        sigma: f64,
    },
    /// Tabular cumulative sum above target + slack since the newest whole multiple of the window since
    /// 1970: S = max(0, S + x - target - slack). Source: NIST/SEMATECH e-Handbook 6.3.2.3.
    CusumHigh {
        /// Where the process belongs, in the channel's unit.
        target: f64,
        /// What is let pass, in the channel's unit; 0 or more.
        slack: f64,
    },
    /// As [`Self::CusumHigh`] below target - slack.
    CusumLow {
        /// Where the process belongs, in the channel's unit.
        target: f64,
        /// What is let pass, in the channel's unit; 0 or more.
        slack: f64,
    },
    /// How far the window's mean lies from the median of the `past_ms` before the window, in units of
    /// 1.4826 times that stretch's median absolute deviation, which counts as half a bin at least.
    RobustScore {
        /// Length of the past, a multiple of its pane.
        past_ms: i64,
        /// Pane of the past, which ends at the last multiple of it before the window.
        past_pane_ms: i64,
    },
    /// Mann-Kendall S over pane means: later and greater pairs less later and lesser ones.
    TrendS,
    /// (S - 1) / sqrt(Var S) for S over 0, (S + 1) / sqrt(Var S) under 0, with ties in the variance.
    TrendZ,
    /// Two-sided probability of so great a trend without one, of [`Self::TrendZ`].
    TrendP,
    /// Theil-Sen slope: the median of the slopes between each two pane means, unit per second.
    RobustSlope,
}

impl Statistic {
    /// The fewest samples, and the fewest panes with samples, that it is known with.
    pub(crate) const fn least(self) -> (i64, i64) {
        match self {
            Self::StdDev | Self::Slope | Self::Rate | Self::MovingRange => (2, 1),
            Self::SlopeError => (3, 1),
            // With one pane mean there is no pair to compare.
            Self::RobustSlope | Self::TrendS => (2, 2),
            Self::TrendZ | Self::TrendP => (4, 4),
            _ => (1, 1),
        }
    }

    /// The most panes its window is cut into.
    pub const fn most_panes(self) -> i64 {
        match self {
            // Each pane mean is compared with each other one.
            Self::TrendS | Self::TrendZ | Self::TrendP | Self::RobustSlope => 72,
            _ => 360,
        }
    }
}

/// What a rule sees of one input at a tick. Numbers are finite.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Seen {
    /// Not known.
    Unknown,
    /// A number in the input's unit.
    Number(f64),
    /// A yes or no.
    Flag(bool),
}

/// Three-valued truth (Kleene).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Truth {
    /// Known to hold.
    True,
    /// Known not to hold.
    False,
    /// Not known.
    Unknown,
}

/// Why a script gave no verdict at a tick: it threw, or it ran over its budget.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{message} (line {line}, column {column})")]
pub struct Fault {
    /// What the engine said.
    pub message: String,
    /// Counted from 1; 0 when unknown.
    pub line: usize,
    /// Counted from 1; 0 when unknown.
    pub column: usize,
}

/// One of the rule's functions, ready to be judged; cloning shares it.
#[derive(Clone, Debug)]
pub struct Logic(Inner);

#[derive(Clone, Debug)]
enum Inner {
    Program(Program),
    Script(ScriptVerdict),
}

impl Logic {
    pub(crate) const fn from_program(program: Program) -> Self {
        Self(Inner::Program(program))
    }

    pub(crate) const fn from_script(verdict: ScriptVerdict) -> Self {
        Self(Inner::Script(verdict))
    }

    /// Whether it runs in the engine, where each call may take all the operations that limits allow.
    pub const fn is_script(&self) -> bool {
        matches!(self.0, Inner::Script(_))
    }

    /// Judges one row of inputs, in the order of [`Rule::inputs`].
    ///
    /// A row that is too short reads as unknown past its end. A number that is not finite reads as
    /// unknown.
    ///
    /// # Errors
    /// [`Fault`] from script rules only: they threw or ran over their budget.
    pub fn judge(&self, seen: &[Seen]) -> Result<Truth, Fault> {
        match &self.0 {
            Inner::Program(program) => Ok(program.judge(seen)),
            Inner::Script(verdict) => verdict.judge(seen),
        }
    }

    /// The inputs that can decide it, as indices into [`Rule::inputs`], each once.
    pub fn inputs(&self) -> Vec<usize> {
        match &self.0 {
            Inner::Program(program) => program.inputs().collect(),
            Inner::Script(verdict) => verdict.inputs().collect(),
        }
    }
}

/// Pane lengths a window may be cut into, in milliseconds.
pub const PANE_LADDER_MS: [i64; 20] = [
    1_000, 2_000, 5_000, 10_000, 15_000, 20_000, 30_000, 60_000, 120_000, 300_000, 600_000,
    900_000, 1_200_000, 1_800_000, 3_600_000, 7_200_000, 14_400_000, 21_600_000, 43_200_000,
    86_400_000,
];

/// Pane length of a window of at most `most_panes`: the greater of the tick and `window / most_panes`
/// rounded up to the ladder.
pub fn pane_ms(tick_ms: i64, window_ms: i64, most_panes: i64) -> i64 {
    let least = (window_ms + most_panes - 1) / most_panes;
    let rung = PANE_LADDER_MS.into_iter().find(|rung| *rung >= least);
    tick_ms.max(rung.unwrap_or(86_400_000))
}
