//! What a sheet is made of, read from the store, the fleet and the book.

use crate::judging::Judging;
use crate::{Fleet, Shared, UnitRecord};
use wheeltap_catalogue::Catalogue;
use wheeltap_followup::sheet::{DefectSeen, LevelSeen, Seen, Sheet, WearSeen, sheet};
use wheeltap_followup::{DefectQuery, KeptDefect};
use wheeltap_model::{
    Arrival, Care, ChannelDef, ChannelId, ChannelKind, ChannelName, Condition, DefectStatus,
    EventTime, Fill, Quality, Sample, ServicePoint, UnitId, Wear, WearBasis, WearBy,
};
use wheeltap_store::{Rollup, Store, StoreError, Tier};

const HOUR_MS: i64 = 3_600_000;
const DAY_MS: i64 = 24 * HOUR_MS;
/// A unit's own use and pace are those of so long before now.
const PACE_MS: i64 = 3 * DAY_MS;
/// Less history makes no pace.
const LEAST_PACE_MS: i64 = 6 * HOUR_MS;
/// A level that rises by this share of full from one hour to the next was filled.
const FILL_STEP: f64 = 0.05;
/// Days over which the change of a channel that shows wear is taken, and the least that make one.
const WEAR_DAYS: i64 = 14;
const LEAST_WEAR_DAYS: usize = 5;
/// How far back a trip is looked for.
const TRIP_MS: i64 = 7 * DAY_MS;
/// `engine.shutdown` by a trip.
const CAUSE_TRIP: f64 = 3.0;
/// An engine turning faster than this (1/min) runs.
const RUNS_ABOVE: f64 = 200.0;
/// Channels heard within so long before the unit's newest data are looked at for silence.
const HEARD_MS: i64 = DAY_MS;

/// The event time that counts as now: the newest of the fleet, or the server's if that is earlier. A fleet
/// that is played back is met at its own time, and a wrong clock aboard cannot hide arrivals.
pub fn as_of(shared: &Shared) -> EventTime {
    let now = EventTime::from_unix_ms(shared.clock.now().unix_ms());
    newest(&shared.fleet).map_or(now, |newest| newest.min(now))
}

/// The newest event time of the fleet.
pub fn newest(fleet: &Fleet) -> Option<EventTime> {
    let all = fleet.all();
    all.iter()
        .filter_map(|record| record.heard.newest_event())
        .max()
}

/// One unit's telemetry up to now.
struct Telemetry<'a> {
    store: &'a dyn Store,
    catalogue: &'a Catalogue,
    unit: &'a UnitId,
    as_of: EventTime,
}

impl Telemetry<'_> {
    fn channel(&self, name: &ChannelName) -> Option<(ChannelId, &ChannelDef)> {
        self.catalogue.channel(name)
    }

    fn named(&self, name: &str) -> Option<(ChannelId, &ChannelDef)> {
        self.channel(&ChannelName::new(name).ok()?)
    }

    fn hours(
        &self,
        channel: ChannelId,
        from: EventTime,
        to: EventTime,
    ) -> Result<Vec<Rollup>, StoreError> {
        let store = self.store;
        let rows = store.rollups(self.unit, channel, Tier::Hour, from, to, usize::MAX)?;
        Ok(rows.into_iter().filter(|row| row.n > 0).collect())
    }

    /// The newest good sample up to an instant: the newest of all if it is good, else the newest of the hours
    /// before.
    fn newest_good(
        &self,
        channel: ChannelId,
        at: EventTime,
    ) -> Result<Option<(EventTime, f64)>, StoreError> {
        let newest = self
            .store
            .newest_before(self.unit, channel, at.plus_ms(1))?;
        match newest {
            None => Ok(None),
            Some(Sample {
                time,
                value,
                quality: Quality::Good,
            }) => Ok(Some((time, value))),
            Some(Sample { time, .. }) => {
                let rows = self.hours(channel, time.plus_ms(-DAY_MS), time.plus_ms(1))?;
                Ok(rows.last().map(|row| (row.start, row.last)))
            }
        }
    }

    fn level(&self, fill: &Fill, when_full: Option<f64>) -> Result<Option<LevelSeen>, StoreError> {
        let Some((channel, def)) = self.channel(&fill.level) else {
            return Ok(None);
        };
        let newest = self.newest_good(channel, self.as_of)?;
        let heard = self.store.extent(self.unit)?.map(|(_, newest)| newest);
        let is_silent = match (newest, heard) {
            (Some((at, _)), Some(heard)) => heard.min(self.as_of).ms_since(at) > def.silent_ms,
            _ => true,
        };
        let from = self.as_of.plus_ms(-PACE_MS);
        let rows = self.hours(channel, from, self.as_of)?;
        Ok(Some(LevelSeen {
            fill: fill.name.clone(),
            newest,
            is_silent,
            own_use_per_h: own_use(&rows, when_full.unwrap_or(def.range.1)),
            ucum: def.ucum.clone(),
            full: when_full,
        }))
    }

    /// How much of its basis went by since, and how much goes by in an hour at the pace of the last days.
    fn basis(
        &self,
        per: WearBasis,
        since: Option<EventTime>,
    ) -> Result<(Option<f64>, Option<f64>), StoreError> {
        let Some(by) = per.channel() else {
            let used = since.map(|since| days(self.as_of.ms_since(since)));
            return Ok((used, Some(1.0 / 24.0)));
        };
        let Some((channel, _)) = self.named(by) else {
            return Ok((None, None));
        };
        let Some((now, counted)) = self.newest_good(channel, self.as_of)? else {
            return Ok((None, None));
        };
        let used = match since {
            None => None,
            Some(since) => self
                .newest_good(channel, since)?
                .map(|(_, then)| counted - then),
        };
        let rows = self.hours(channel, self.as_of.plus_ms(-PACE_MS), self.as_of)?;
        let pace = rows.first().and_then(|first| {
            let span = now.ms_since(first.start);
            (span >= LEAST_PACE_MS).then(|| (counted - first.min) / (days(span) * 24.0))
        });
        Ok((used, pace.filter(|pace| *pace >= 0.0)))
    }

    fn wear(&self, wear: &Wear, care: &[Care]) -> Result<Option<WearSeen>, StoreError> {
        let of_item = care.iter().filter(|care| care.item == wear.name);
        let since = of_item.map(|care| care.done_at).max();
        let seen = match &wear.by {
            WearBy::Rate { rate, per } => {
                let (used_since, pace) = self.basis(*per, since)?;
                WearSeen {
                    wear: wear.name.clone(),
                    read: None,
                    change_per_h: pace.map(|pace| pace * rate),
                    used_since,
                }
            }
            WearBy::Channel(name) => {
                let Some((channel, _)) = self.channel(name) else {
                    return Ok(None);
                };
                // What a renewal before it showed says nothing of the new one.
                let from = self.as_of.plus_ms(-WEAR_DAYS * DAY_MS);
                let from = since.map_or(from, |since| since.max(from));
                let rows = self.hours(channel, from, self.as_of)?;
                let days = daily_extremes(&rows, self.as_of, wear.limit > wear.new);
                WearSeen {
                    wear: wear.name.clone(),
                    read: days
                        .last()
                        .map(|(back, value)| (self.as_of.plus_ms(-back * DAY_MS), *value)),
                    change_per_h: slope_per_day(&days).map(|slope| slope / 24.0),
                    used_since: None,
                }
            }
        };
        Ok(Some(seen))
    }

    fn tripped_at(&self) -> Result<Option<EventTime>, StoreError> {
        let Some((channel, def)) = self.named("engine.shutdown") else {
            return Ok(None);
        };
        let ChannelKind::Event { fields } = &def.kind else {
            return Ok(None);
        };
        let Some(cause) = fields.iter().position(|(name, _)| name == "cause") else {
            return Ok(None);
        };
        let from = self.as_of.plus_ms(-TRIP_MS);
        let store = self.store;
        let stops = store.read_events(self.unit, channel, from, self.as_of, usize::MAX)?;
        let Some(last) = stops.last() else {
            return Ok(None);
        };
        let is_trip = last.fields.get(cause).copied().flatten() == Some(CAUSE_TRIP);
        if !is_trip {
            return Ok(None);
        }
        // Had it run and stopped again, that stop would be the last.
        let runs = match self.named("engine.speed") {
            None => false,
            Some((channel, _)) => self
                .newest_good(channel, self.as_of)?
                .is_some_and(|(at, speed)| at > last.time && speed > RUNS_ABOVE),
        };
        Ok((!runs).then_some(last.time))
    }

    /// Sampled channels that the unit sent within a day before its newest data and that are silent at it,
    /// while another of the same kind (the first word of the name) is not.
    fn silent_channels(&self) -> Result<Vec<(ChannelName, EventTime)>, StoreError> {
        let Some((_, newest)) = self.store.extent(self.unit)? else {
            return Ok(Vec::new());
        };
        let newest = newest.min(self.as_of);
        let mut silent = Vec::new();
        let mut speaking: Vec<String> = Vec::new();
        for (channel, def) in self.catalogue.channels() {
            if !matches!(def.kind, ChannelKind::Sampled { .. })
                || self.catalogue.derived(&def.name).is_some()
            {
                continue;
            }
            let rows = self.hours(channel, newest.plus_ms(-HEARD_MS), newest.plus_ms(1))?;
            if rows.is_empty() {
                continue;
            }
            let Some((at, _)) = self.newest_good(channel, newest)? else {
                continue;
            };
            if newest.ms_since(at) > def.silent_ms {
                silent.push((def.name.clone(), at));
            } else {
                speaking.push(first_word(&def.name).to_owned());
            }
        }
        silent.retain(|(name, _)| speaking.iter().any(|word| word == first_word(name)));
        Ok(silent)
    }
}

fn first_word(name: &ChannelName) -> &str {
    name.as_str().split('.').next().unwrap_or_default()
}

fn days(ms: i64) -> f64 {
    #[expect(
        clippy::cast_precision_loss,
        reason = "spans of years are exact in milliseconds"
    )]
    let ms = ms as f64;
    #[expect(clippy::cast_precision_loss, reason = "a day is exact")]
    let day = DAY_MS as f64;
    ms / day
}

/// Use an hour from hourly means, fills left out: a rise by the step ends a stretch, and within a stretch what
/// the gauge errs falls out, as only its ends count.
fn own_use(rows: &[Rollup], full: f64) -> Option<f64> {
    let (mut used, mut hours) = (0.0, 0.0);
    for pair in rows.windows(2) {
        let mean = |row: &Rollup| row.sum / f64::from(row.n.max(1));
        let lost = mean(&pair[0]) - mean(&pair[1]);
        if -lost > FILL_STEP * full {
            continue;
        }
        used += lost;
        hours += days(pair[1].start.ms_since(pair[0].start)) * 24.0;
    }
    let least = days(LEAST_PACE_MS) * 24.0;
    (hours >= least).then(|| f64::max(used / hours, 0.0))
}

/// The greatest (or least) value of each of the last days that has any: how many whole days back it lies, and
/// the value; oldest first.
fn daily_extremes(rows: &[Rollup], as_of: EventTime, greatest: bool) -> Vec<(i64, f64)> {
    let mut days: Vec<(i64, f64)> = Vec::new();
    for row in rows {
        let back = as_of.ms_since(row.start).div_euclid(DAY_MS);
        let value = if greatest { row.max } else { row.min };
        match days.last_mut() {
            Some((day, extreme)) if *day == back => {
                *extreme = if greatest {
                    extreme.max(value)
                } else {
                    extreme.min(value)
                };
            }
            _ => days.push((back, value)),
        }
    }
    days
}

/// Least squares through days; too few make none.
fn slope_per_day(days: &[(i64, f64)]) -> Option<f64> {
    if days.len() < LEAST_WEAR_DAYS {
        return None;
    }
    #[expect(clippy::cast_precision_loss, reason = "at most a fortnight")]
    let points: Vec<(f64, f64)> = days
        .iter()
        .map(|(back, value)| (-(*back as f64), *value))
        .collect();
    #[expect(clippy::cast_precision_loss, reason = "at most a fortnight")]
    let n = points.len() as f64;
    let mean_x = points.iter().map(|(x, _)| x).sum::<f64>() / n;
    let mean_y = points.iter().map(|(_, y)| y).sum::<f64>() / n;
    let xx: f64 = points.iter().map(|(x, _)| (x - mean_x).powi(2)).sum();
    let xy: f64 = points
        .iter()
        .map(|(x, y)| (x - mean_x) * (y - mean_y))
        .sum();
    (xx > 0.0).then(|| xy / xx)
}

/// Whether a defect was closed without its finding.
fn is_owed(kept: &KeptDefect) -> bool {
    kept.defect().status == DefectStatus::FindingOwed
}

/// Makes the sheet of one arrival; `in_full` looks at every channel for silence, which a summary does not
/// show. Blocks.
///
/// # Errors
/// A stop of the store.
pub fn make(
    shared: &Shared,
    judging: &Judging,
    (record, arrival, point): (&UnitRecord, &Arrival, &ServicePoint),
    as_of: EventTime,
    in_full: bool,
) -> Result<Sheet, StoreError> {
    let work = &shared.work;
    let unit = &record.unit;
    let class = shared.catalogue.class(&unit.class);
    let telemetry = Telemetry {
        store: shared.store.as_ref(),
        catalogue: &shared.catalogue,
        unit: &unit.id,
        as_of,
    };
    let care = shared.turnaround.care(&unit.id);
    let mut levels = Vec::new();
    for fill in work.fills_of(&unit.class) {
        let def = telemetry.channel(&fill.level).map(|(_, def)| def);
        let when_full = def.and_then(|def| fill.full_of(class, def));
        levels.extend(telemetry.level(fill, when_full)?);
    }
    let mut wears = Vec::new();
    for wear in work.wears_of(&unit.class) {
        wears.extend(telemetry.wear(wear, &care)?);
    }
    let tripped_at = telemetry.tripped_at()?;
    let silent_channels = if in_full {
        telemetry.silent_channels()?
    } else {
        Vec::new()
    };
    let stock = shared.turnaround.stock(&point.name);
    let next = shared.turnaround.next_of(&unit.id, |other| {
        other.id != arrival.id && other.arrives_at > arrival.arrives_at
    });
    let query = DefectQuery {
        unit: Some(unit.id.clone()),
        status: None,
        least_priority: None,
        component: None,
        open: false,
    };
    let book = judging.ledger().book();
    let defects: Vec<_> = book
        .defects(&query, None, usize::MAX)
        .into_iter()
        .filter(|kept| kept.is_open() || is_owed(kept))
        .collect();
    let told = defects.iter().map(|kept| {
        let alerts = || {
            let ids = kept.defect().alerts.iter();
            ids.filter_map(|id| book.alert(*id))
                .filter(|alert| alert.condition() != Condition::Withdrawn)
        };
        DefectSeen {
            defect: kept.defect(),
            safety: alerts().any(|alert| alert.rule().facts.safety),
            n_standing: alerts()
                .filter(|alert| alert.condition() == Condition::Standing)
                .count(),
            finding_owed: is_owed(kept),
        }
    });
    let told: Vec<DefectSeen<'_>> = told.collect();
    // Working out what fits may take a while; nobody else shall wait for it.
    drop(book);
    let consist = record.consists.at(as_of);
    Ok(sheet(Seen {
        unit,
        class,
        states: &record.states,
        consist: consist.map(|dated| &dated.value),
        arrival,
        point,
        next: next.as_deref(),
        work,
        stock: &stock,
        care: &care,
        defects: told,
        levels,
        wears,
        newest_event: record.heard.newest_event(),
        last_heard: record.heard.last_heard(),
        silent_channels,
        tripped_at,
        as_of,
        now: shared.clock.now(),
    }))
}
