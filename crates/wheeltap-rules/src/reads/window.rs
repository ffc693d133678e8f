//! Plans one window of one channel, and says what cannot be right about it.

use super::Planner;
use super::arguments::{Options, Parts};
use super::bounds::{Bounds, Cut, bounds, promised};
use super::table::{
    Arg::{self, Limit, OptionalWindow, Target},
    Reader, UnitOf,
};
use crate::problem::{Place, one_of};
use crate::syntax::Node;
use crate::{ClassWindow, OfClass, Read, Statistic, conditions, pane_ms};
use wheeltap_model::{ChannelDef, ChannelKind, format_span};

pub(super) const DAY_MS: i64 = 86_400_000;

impl Planner<'_> {
    pub(super) fn window(
        &mut self,
        reader: &'static Reader,
        place: Place,
        args: &[Node],
    ) -> Option<(Read, String, String, Bounds)> {
        let Options {
            rest: args,
            min_share,
            during,
        } = self.options(args)?;
        let most = reader.args.len();
        let least = most - usize::from(reader.args.contains(&OptionalWindow));
        if !(least..=most).contains(&args.len()) {
            self.refuse_count(reader, place, args.len());
            return None;
        }
        // All arguments are looked at, so that each wrong one is reported.
        let mut parts = Parts::default();
        let mut whole = true;
        for (wanted, arg) in reader.args.iter().zip(args) {
            whole &= self.argument(*wanted, arg, &mut parts).is_some();
        }
        let (written, def) = parts.channel?;
        let channel_place = args.first().map_or(place, |arg| arg.place);
        if !whole || !self.fits(reader, def, channel_place) {
            return None;
        }
        let tick_ms = self.about.tick_ms.unwrap_or(1_000);
        let statistic = statistic(reader.name, &parts, tick_ms)?;
        let (window_ms, said) = match parts.window {
            Some((window_ms, _)) => (window_ms, true),
            None => (default_window(def, tick_ms), false),
        };
        let window_place = parts.window.map_or(place, |(_, window_place)| window_place);
        let most_panes = statistic.most_panes();
        let past_ms = parts.past.map_or(0, |(past_ms, _)| past_ms);
        let furthest_place = parts
            .past
            .map_or(window_place, |(_, past_place)| past_place);
        // First, so that no window is offered that samples are not kept for.
        let fits = |ms: i64| past_ms > 0 || is_filled(ms, tick_ms, most_panes);
        self.check_retention(window_ms.saturating_add(past_ms), furthest_place, fits)?;
        if said {
            self.check_window((window_ms, most_panes), tick_ms, def, window_place)?;
        }
        let pane_ms = pane_ms(tick_ms, window_ms, most_panes);
        let cut = Cut {
            window_ms,
            pane_ms,
            tick_ms,
        };
        self.check_enough(reader, statistic, def, cut, window_place)?;
        self.warn_by_samples(reader, statistic, def, place);
        self.check_limits(reader, statistic, def, args)?;
        if let Some((past_ms, past_place)) = parts.past {
            self.check_window((past_ms, most_panes), tick_ms, def, past_place)?;
        }
        let ucum = input_ucum(reader.unit, def, parts.field.as_ref());
        let mut words = vec![written.to_owned()];
        words.extend(parts.numbers.iter().map(f64::to_string));
        words.extend(parts.field.as_ref().map(|(_, field)| field.clone()));
        words.extend(said.then(|| format_span(window_ms)));
        words.extend(parts.past.map(|(past_ms, _)| format_span(past_ms)));
        words.extend(conditions::words(&during));
        let text = format!("{}({})", reader.name, words.join(", "));
        let channel = written.to_owned();
        let read = match of_class(reader.name) {
            Some(gives) => Read::Class {
                window: ClassWindow {
                    channel,
                    window_ms,
                    pane_ms,
                    min_share,
                    during,
                },
                gives,
            },
            None => Read::Window {
                channel,
                statistic,
                window_ms,
                pane_ms,
                min_share,
                during,
            },
        };
        Some((read, text, ucum, bounds(reader, statistic, def, cut)))
    }

    pub(super) fn check_window(
        &mut self,
        (window_ms, most_panes): (i64, i64),
        tick_ms: i64,
        def: &ChannelDef,
        place: Place,
    ) -> Option<()> {
        let pane = pane_ms(tick_ms, window_ms, most_panes);
        if !is_filled(window_ms, tick_ms, most_panes) {
            let below = (1..=window_ms / pane)
                .rev()
                .map(|panes| panes * pane)
                .find(|length| is_filled(*length, tick_ms, most_panes));
            let above = (window_ms / pane + 1..window_ms / pane + 400)
                .map(|panes| panes * pane)
                .find(|length| is_filled(*length, tick_ms, most_panes))
                .filter(|length| self.needed_ms(*length) <= self.env.raw_retention_ms);
            let near: Vec<String> = below.into_iter().chain(above).map(format_span).collect();
            self.findings.refuse(
                place,
                format!("a window of {}", format_span(window_ms)),
                format!(
                    "windows are made of panes, here of {}, which do not fill it evenly",
                    format_span(pane)
                ),
                format!("use {}", one_of(near.iter().map(String::as_str))),
            );
            return None;
        }
        if let ChannelKind::Sampled { interval_ms } = def.kind
            && window_ms < interval_ms
        {
            // Only a warning: a map of files may say another spacing.
            self.findings.warn(
                place,
                format!("a window of {}", format_span(window_ms)),
                format!(
                    "{} comes every {}, so the window would mostly be empty",
                    def.name,
                    format_span(interval_ms)
                ),
                format!("use at least {}", format_span(interval_ms)),
            );
        }
        Some(())
    }

    /// A statistic that its window can never, or hardly, give enough for.
    fn check_enough(
        &mut self,
        reader: &Reader,
        statistic: Statistic,
        def: &ChannelDef,
        cut: Cut,
        place: Place,
    ) -> Option<()> {
        let (samples, panes) = statistic.least();
        let n_panes = cut.window_ms / cut.pane_ms;
        let what = || format!("{}() over {}", reader.name, format_span(cut.window_ms));
        if n_panes < panes {
            self.findings.refuse(
                place,
                what(),
                format!(
                    "it compares the means of {panes} panes at least; with a tick of {} the window \
                     has {n_panes}",
                    format_span(cut.tick_ms)
                ),
                format!("use at least {}", format_span(panes * cut.tick_ms)),
            );
            return None;
        }
        let ChannelKind::Sampled { interval_ms } = def.kind else {
            return Some(());
        };
        let n_samples = promised(cut.window_ms, interval_ms);
        if n_samples < samples && cut.window_ms >= interval_ms {
            let step_ms = interval_ms.max(cut.tick_ms);
            // Only a warning: a map of files may say another spacing.
            self.findings.warn(
                place,
                what(),
                format!(
                    "{} comes every {}, so {n_samples} in that time, and it needs {samples}: it is \
                     unknown unless more come",
                    def.name,
                    format_span(interval_ms)
                ),
                format!("use at least {}", format_span(samples * step_ms)),
            );
        }
        Some(())
    }

    /// Of a held channel, which is sent when it changes, samples do not say for how long a value was held.
    fn warn_by_samples(
        &mut self,
        reader: &Reader,
        statistic: Statistic,
        def: &ChannelDef,
        place: Place,
    ) {
        if !matches!(def.kind, ChannelKind::Held { .. }) {
            return;
        }
        let mend = match statistic {
            Statistic::StdDev | Statistic::MovingRange => {
                "use range(), or quantile(), which goes by time"
            }
            Statistic::Slope | Statistic::SlopeError => {
                "use rate(), or robust_slope(), which compares the means of panes"
            }
            Statistic::Ewma(_) | Statistic::EwmaScore { .. } => "use mean(), which goes by time",
            Statistic::CusumHigh { .. } | Statistic::CusumLow { .. } => {
                "use integral() or time_above(), which go by time"
            }
            _ => return,
        };
        self.findings.warn(
            place,
            format!("{}() of a held channel", reader.name),
            format!(
                "it goes by samples, not by time: {} is sent when it changes, so a value of a second counts \
                 like one of an hour",
                def.name
            ),
            mend,
        );
    }

    /// A limit or target that no value can reach.
    fn check_limits(
        &mut self,
        reader: &Reader,
        statistic: Statistic,
        def: &ChannelDef,
        args: &[Node],
    ) -> Option<()> {
        let (low, high) = def.range;
        let place_of = |wanted: Arg| {
            let idx = reader.args.iter().position(|arg| *arg == wanted);
            idx.and_then(|idx| args.get(idx))
                .map_or(Place::START, |arg| arg.place)
        };
        let ranges = format!("{} ranges from {low} to {high} {}", def.name, def.ucum);
        match statistic {
            Statistic::EwmaScore { target, .. }
            | Statistic::CusumHigh { target, .. }
            | Statistic::CusumLow { target, .. }
                if target < low || target > high =>
            {
                self.findings.refuse(
                    place_of(Target),
                    format!("the target is {target}"),
                    ranges,
                    "write where the process belongs, inside the range and in the channel's unit",
                );
                None
            }
            Statistic::TimeAbove(limit) if limit >= high => {
                self.refuse_never(place_of(Limit), "above", limit, ranges);
                None
            }
            Statistic::TimeBelow(limit) if limit <= low => {
                self.refuse_never(place_of(Limit), "below", limit, ranges);
                None
            }
            _ => Some(()),
        }
    }

    fn refuse_never(&mut self, place: Place, side: &str, limit: f64, ranges: String) {
        self.findings.refuse(
            place,
            format!("no time is ever {side} {limit}"),
            ranges,
            "write a limit inside the range, in the channel's unit",
        );
    }

    /// For how long samples must be kept for a window of this length.
    fn needed_ms(&self, window_ms: i64) -> i64 {
        self.env
            .settlement_horizon_ms
            .saturating_add(window_ms)
            .saturating_add(self.about.longest_delay_ms)
    }

    /// Refuses a window that samples are not kept for; `fits` says which others could be.
    pub(super) fn check_retention(
        &mut self,
        window_ms: i64,
        place: Place,
        fits: impl Fn(i64) -> bool,
    ) -> Option<()> {
        let kept = self.env.raw_retention_ms;
        if self.needed_ms(window_ms) <= kept {
            return Some(());
        }
        let room_ms = kept - self.env.settlement_horizon_ms;
        let delay_ms = self.about.longest_delay_ms;
        let why = format!(
            "samples are kept {}, and late ones are judged for {}, so the window with the rule's delay would \
             reach past them",
            format_span(kept),
            format_span(self.env.settlement_horizon_ms)
        );
        // The longer of the two is what cannot be meant.
        let (place, what, most) = match self.about.longest_delay {
            Some((field, place)) if delay_ms > window_ms => {
                // In whole days, so that windows of minutes and hours say the same.
                let most = (room_ms - window_ms).max(0) / DAY_MS * DAY_MS;
                (place, format!("{field} of {}", format_span(delay_ms)), most)
            }
            _ => {
                let what = format!("a window of {}", format_span(window_ms));
                let room_ms = room_ms - delay_ms;
                let days = (0..=room_ms / DAY_MS).rev().map(|days| days * DAY_MS);
                let most = std::iter::once(room_ms)
                    .chain(days)
                    .find(|ms| *ms > 0 && fits(*ms));
                (place, what, most.unwrap_or(0))
            }
        };
        let mend = if most > 0 {
            format!("use at most {}, or keep samples longer", format_span(most))
        } else {
            "shorten window and delays, or keep samples longer".to_owned()
        };
        self.findings.refuse(place, what, why, mend);
        None
    }
}

/// Whether a window is filled evenly by the panes that it is made of.
pub(super) fn is_filled(window_ms: i64, tick_ms: i64, most_panes: i64) -> bool {
    window_ms % pane_ms(tick_ms, window_ms, most_panes) == 0
}

/// Without a window `last` looks back the channel's silent time or hold, in whole panes.
fn default_window(def: &ChannelDef, tick_ms: i64) -> i64 {
    let wanted = match def.kind {
        ChannelKind::Held { hold_ms } => hold_ms,
        ChannelKind::Sampled { .. } | ChannelKind::Event { .. } => def.silent_ms,
    }
    .max(1);
    let mut window_ms = wanted;
    // A longer window may ask for longer panes; each round goes up, and the ladder has an end.
    for _ in 0..64 {
        let pane = pane_ms(tick_ms, window_ms, Statistic::Last.most_panes());
        if window_ms % pane == 0 {
            break;
        }
        window_ms = (window_ms / pane + 1) * pane;
    }
    window_ms
}

fn statistic(name: &str, parts: &Parts, tick_ms: i64) -> Option<Statistic> {
    let number = |idx: usize| parts.numbers.get(idx).copied();
    Some(match name {
        "last" => Statistic::Last,
        "mean" | "class_score" | "class_median" | "class_spread" => Statistic::Mean,
        "min" => Statistic::Min,
        "max" => Statistic::Max,
        "median" => Statistic::Median,
        "quantile" => Statistic::Quantile(number(0)?),
        "range" => Statistic::Range,
        "stdev" => Statistic::StdDev,
        "slope" => Statistic::Slope,
        "slope_error" => Statistic::SlopeError,
        "robust_slope" => Statistic::RobustSlope,
        "trend_s" => Statistic::TrendS,
        "trend_z" => Statistic::TrendZ,
        "trend_p" => Statistic::TrendP,
        "rate" => Statistic::Rate,
        "time_above" => Statistic::TimeAbove(number(0)?),
        "time_below" => Statistic::TimeBelow(number(0)?),
        "integral" => Statistic::Integral,
        "moving_range" => Statistic::MovingRange,
        "ewma" => Statistic::Ewma(number(0)?),
        "ewma_score" => Statistic::EwmaScore {
            weight: number(0)?,
            target: number(1)?,
            sigma: number(2)?,
        },
        "cusum_high" => Statistic::CusumHigh {
            target: number(0)?,
            slack: number(1)?,
        },
        "cusum_low" => Statistic::CusumLow {
            target: number(0)?,
            slack: number(1)?,
        },
        "robust_score" => {
            let (past_ms, _) = parts.past?;
            // Its kind alone decides how many panes it may have.
            let most = Statistic::Median.most_panes();
            Statistic::RobustScore {
                past_ms,
                past_pane_ms: pane_ms(tick_ms, past_ms, most),
            }
        }
        "count" => Statistic::Count,
        "conflicts" => Statistic::Conflicts,
        "sum" => Statistic::Sum(parts.field.as_ref()?.0),
        _ => return None,
    })
}

/// What of the class a reader of that name gives.
fn of_class(name: &str) -> Option<OfClass> {
    match name {
        "class_score" => Some(OfClass::Score),
        "class_median" => Some(OfClass::Median),
        "class_spread" => Some(OfClass::Spread),
        _ => None,
    }
}

/// The code of a difference: degrees on a scale with its own zero become steps.
pub(super) fn difference_ucum(code: &str) -> &str {
    if code == "Cel" { "K" } else { code }
}

fn input_ucum(unit: UnitOf, def: &ChannelDef, field: Option<&(usize, String)>) -> String {
    match unit {
        UnitOf::Channel => def.ucum.clone(),
        UnitOf::Difference => difference_ucum(&def.ucum).to_owned(),
        UnitOf::PerSecond => match difference_ucum(&def.ucum) {
            "1" => "/s".to_owned(),
            code => format!("{code}/s"),
        },
        UnitOf::TimesSecond => match (def.ucum.as_str(), def.ucum.strip_suffix("/s")) {
            ("1", _) => "s".to_owned(),
            (_, Some("")) => "1".to_owned(),
            (_, Some(code)) => code.to_owned(),
            (code, None) => format!("{code}.s"),
        },
        UnitOf::Seconds => "s".to_owned(),
        UnitOf::Count | UnitOf::Number => "1".to_owned(),
        UnitOf::Field => match (&def.kind, field) {
            (ChannelKind::Event { fields }, Some((idx, _))) => fields[*idx].1.clone(),
            _ => String::new(),
        },
        UnitOf::Flag | UnitOf::Statistic => String::new(),
    }
}
