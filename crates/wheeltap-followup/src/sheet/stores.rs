//! What is filled, what wears, what is inspected: how it stands, and how it will at the next stop.

use super::{NextStop, Seen, due_day, end_of_day};
use wheeltap_model::{Care, EventTime, WearBy};

const HOUR_MS: f64 = 3_600_000.0;

/// Where a rate comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum UseFrom {
    /// What this unit did lately.
    OwnUse,
    /// The settings for work.
    Settings,
}

/// What telemetry says of a level.
#[derive(Clone, Debug, PartialEq)]
pub struct LevelSeen {
    /// The fill's name.
    pub fill: String,
    /// Newest good sample: when and what, in the channel's unit.
    pub newest: Option<(EventTime, f64)>,
    /// The channel was silent while the unit sent others, or never spoke.
    pub is_silent: bool,
    /// Use an hour by the unit's own last days, in the channel's unit; at least 0.
    pub own_use_per_h: Option<f64>,
    /// UCUM code of the channel.
    pub ucum: String,
    /// The level when full.
    pub full: Option<f64>,
}

/// What is known of something that wears, besides what was recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct WearSeen {
    /// The wear's name.
    pub wear: String,
    /// By channel: the value of the newest day and when; by rate: `None`.
    pub read: Option<(EventTime, f64)>,
    /// Change an hour, in the wear's unit: of the channel over the last days, or the rate at the pace of the
    /// last days.
    pub change_per_h: Option<f64>,
    /// By rate: how much of the basis (days, engine hours, km) went by since the last record.
    pub used_since: Option<f64>,
}

/// Whether something is to be filled at this stop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FillNeed {
    /// It would fall below what must be left before the next stop.
    Needed,
    /// It lasts to the next stop and beyond.
    Lasts,
    /// Level, use or size is not known: gauge it.
    Unknown,
}

/// One fill on the sheet. Levels are in `ucum`.
#[derive(Clone, Debug, PartialEq)]
pub struct FillLine {
    /// Its name.
    pub name: String,
    /// UCUM code of the level.
    pub ucum: String,
    /// Newest level and when.
    pub newest: Option<(EventTime, f64)>,
    /// The level's channel is silent.
    pub is_silent: bool,
    /// The level when full.
    pub full: Option<f64>,
    /// What must be left.
    pub keep: Option<f64>,
    /// Use an hour and where that comes from.
    pub use_per_h: Option<(f64, UseFrom)>,
    /// Forecast for the arrival.
    pub at_arrival: Option<f64>,
    /// Forecast for the next stop, if nothing is filled; below 0 it ran dry before.
    pub at_next_stop: Option<f64>,
    /// When it falls below what must be left; `None`: never, or not known.
    pub short_at: Option<EventTime>,
    /// What fills it up at the arrival.
    pub to_fill: Option<f64>,
    /// Whether to fill it now.
    pub need: FillNeed,
}

/// One thing that wears. Values are in `ucum`.
#[derive(Clone, Debug, PartialEq)]
pub struct WearLine {
    /// Its name.
    pub name: String,
    /// UCUM code of the values.
    pub ucum: String,
    /// When new.
    pub new: f64,
    /// When it must be renewed.
    pub limit: f64,
    /// What it is now: read, or forecast from the last record.
    pub now: Option<f64>,
    /// It was read from a channel; otherwise it is an estimate: gauge it.
    pub is_read: bool,
    /// When it was last gauged or renewed, by what was recorded.
    pub last: Option<EventTime>,
    /// Forecast for the next stop.
    pub at_next_stop: Option<f64>,
    /// When it reaches the limit; `None`: never, or not known.
    pub due_at: Option<EventTime>,
    /// Whether it is due before the next stop; `None`: not known, gauge it.
    pub is_due: Option<bool>,
    /// Where the limit comes from.
    pub source: String,
}

/// One inspection.
#[derive(Clone, Debug, PartialEq)]
pub struct InspectionLine {
    /// Its name.
    pub name: String,
    /// For people.
    pub title: String,
    /// Days between.
    pub every_days: u32,
    /// When it was last made; `None`: nobody said.
    pub last: Option<EventTime>,
    /// Days of credit for time out of use.
    pub credit_days: i64,
    /// The end of the last local day on which it may be made.
    pub due_by: Option<EventTime>,
    /// It was due before the arrival.
    pub is_overdue: bool,
    /// It is due before the next stop, or overdue; `None`: not known.
    pub is_due: Option<bool>,
    /// Where the interval comes from.
    pub source: String,
}

fn hours(from: EventTime, to: EventTime) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        reason = "spans of years are exact in milliseconds"
    )]
    let ms = to.ms_since(from) as f64;
    ms / HOUR_MS
}

/// An instant some hours on; beyond a century there is none worth a line.
fn after_hours(from: EventTime, hours: f64) -> Option<EventTime> {
    const CENTURY_H: f64 = 876_600.0;
    #[expect(
        clippy::cast_possible_truncation,
        reason = "checked to be within a century"
    )]
    (hours.abs() < CENTURY_H).then(|| from.plus_ms((hours * HOUR_MS).round() as i64))
}

pub(super) fn fills(seen: &Seen<'_>, next_stop: &NextStop) -> Vec<FillLine> {
    let fills = seen.work.fills_of(&seen.unit.class);
    let lines = fills.into_iter().filter_map(|fill| {
        let level = seen.levels.iter().find(|level| level.fill == fill.name)?;
        let use_per_h = level
            .own_use_per_h
            .map(|own| (own, UseFrom::OwnUse))
            .or_else(|| fill.use_per_h.map(|set| (set, UseFrom::Settings)));
        let known = level.newest.filter(|_| !level.is_silent);
        // Before the newest sample nothing is forecast: what it said then holds.
        let forecast = |at: EventTime| {
            let ((from, value), (rate, _)) = (known?, use_per_h?);
            Some(value - rate * hours(from, at).max(0.0))
        };
        let keep = level.full.map(|full| full * fill.keep);
        let at_arrival = forecast(seen.arrival.arrives_at);
        let at_next_stop = forecast(next_stop.at);
        let short_at =
            known
                .zip(use_per_h)
                .zip(keep)
                .and_then(|(((from, value), (rate, _)), keep)| {
                    if value <= keep {
                        Some(from)
                    } else if rate > 0.0 {
                        after_hours(from, (value - keep) / rate)
                    } else {
                        None
                    }
                });
        Some(FillLine {
            name: fill.name.clone(),
            ucum: level.ucum.clone(),
            newest: level.newest,
            is_silent: level.is_silent,
            full: level.full,
            keep,
            use_per_h,
            at_arrival,
            at_next_stop,
            short_at,
            to_fill: level
                .full
                .zip(at_arrival)
                .map(|(full, at_arrival)| (full - at_arrival.max(0.0)).max(0.0)),
            need: match at_next_stop.zip(keep) {
                Some((left, keep)) if left < keep => FillNeed::Needed,
                Some(_) => FillNeed::Lasts,
                None => FillNeed::Unknown,
            },
        })
    });
    lines.collect()
}

fn newest_care<'a>(seen: &'a Seen<'_>, item: &str) -> Option<&'a Care> {
    let of_item = seen.care.iter().filter(|care| care.item == item);
    of_item.max_by_key(|care| care.done_at)
}

pub(super) fn wears(seen: &Seen<'_>, next_stop: &NextStop) -> Vec<WearLine> {
    let wears = seen.work.wears_of(&seen.unit.class);
    let lines = wears.into_iter().filter_map(|wear| {
        let told = seen.wears.iter().find(|told| told.wear == wear.name)?;
        let last = newest_care(seen, &wear.name);
        let towards = (wear.limit - wear.new).signum();
        // What wears down is gone at nothing, however long a line goes on.
        let estimate = |value: f64| {
            if towards < 0.0 && wear.limit >= 0.0 {
                value.max(0.0)
            } else {
                value
            }
        };
        let now = match wear.by {
            WearBy::Channel(_) => told.read,
            WearBy::Rate { rate, .. } => last.zip(told.used_since).map(|(last, used)| {
                let from = last.value.unwrap_or(wear.new);
                (seen.as_of, estimate(from + rate * used))
            }),
        };
        let is_over = |value: f64| (value - wear.limit) * towards >= 0.0;
        let forecast = |at: EventTime| {
            let ((from, value), change) = (now?, told.change_per_h?);
            Some(estimate(value + change * hours(from, at).max(0.0)))
        };
        let at_next_stop = forecast(next_stop.at);
        let due_at = now.and_then(|(from, value)| {
            if is_over(value) {
                return Some(from);
            }
            let change = told.change_per_h.filter(|change| change * towards > 0.0)?;
            after_hours(from, (wear.limit - value) / change)
        });
        let is_due = match (now, at_next_stop) {
            (Some((_, value)), _) if is_over(value) => Some(true),
            (_, Some(then)) => Some(is_over(then)),
            _ => None,
        };
        Some(WearLine {
            name: wear.name.clone(),
            ucum: wear.ucum.clone(),
            new: wear.new,
            limit: wear.limit,
            now: now.map(|(_, value)| value),
            is_read: matches!(wear.by, WearBy::Channel(_)),
            last: last.map(|last| last.done_at),
            at_next_stop,
            due_at,
            is_due,
            source: wear.source.clone(),
        })
    });
    lines.collect()
}

pub(super) fn inspections(
    seen: &Seen<'_>,
    leaves_at: EventTime,
    next_stop: &NextStop,
) -> Vec<InspectionLine> {
    let work = seen.work;
    let all = work.inspections_of(&seen.unit.class).into_iter();
    all.map(|inspection| {
        let last = newest_care(seen, &inspection.name).map(|care| care.done_at);
        let due =
            last.map(|last| due_day(inspection, last, seen.states, seen.arrival.arrives_at, work));
        let due_by = due.map(|due| end_of_day(due.day, work.utc_offset_s));
        InspectionLine {
            name: inspection.name.clone(),
            title: inspection.title.clone(),
            every_days: inspection.every_days,
            last,
            credit_days: due.map_or(0, |due| due.credit_days),
            due_by,
            is_overdue: due_by.is_some_and(|due_by| due_by <= seen.arrival.arrives_at),
            // On the day of the next stop it can still be made there.
            is_due: due_by.map(|due_by| due_by <= next_stop.at.max(leaves_at)),
            source: inspection.source.clone(),
        }
    })
    .collect()
}
