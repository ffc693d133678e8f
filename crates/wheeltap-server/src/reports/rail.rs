//! Where wheels slip: the rail's doing, or the unit's.

use super::{DAY_MS, Heard, bad_span, span};
use crate::judging::{Judging, check};
use crate::{Shared, status};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::sync::Arc;
use tonic::Status;
use wheeltap_analysis::{PlaceTerms, SlipAt, SlipperyStretch, slippery_stretches};
use wheeltap_followup::{Book, RuleVersion, Trains};
use wheeltap_model::{
    ChannelDef, ChannelId, ChannelKind, ChannelName, DefectId, EventTime, Quality, RuleRef, Series,
    UnitId,
};
use wheeltap_proto::convert;
use wheeltap_proto::v1;

/// Channels of the standard list.
const SLIP: &str = "wheel.slip";
const MILE: &str = "place.mile";
const LINE: &str = "place.line";
/// Longest span, and slips in it.
const MOST_DAYS: i64 = 31;
const MOST_SLIPS: usize = 1_000_000;
/// Taken where nothing else is asked for, and the most that can be.
const STRETCH_MILES: f64 = 2.0;
const MOST_MILES: f64 = 50.0;
const LEAST_UNITS: u32 = 3;
const LEAST_TRAINS: u32 = 2;
/// A mile that was measured longer ago says no more where a unit is.
const MILE_HOLDS_MS: i64 = 120_000;
/// Miles farther apart are of two lines, or of a line's end: nothing lies between them.
const MOST_STEP: f64 = 5.0;
/// An alert is of a place that its unit slipped at so long before or after.
const OF_PLACE_MS: i64 = 30 * 60_000;

/// A slip as it was sent, beside where it was.
struct Slip {
    at: EventTime,
    place: SlipAt,
}

/// `GetRailPlaces`.
///
/// # Errors
/// A span or a stretch that cannot be; a stop of the store.
pub fn places(
    shared: &Shared,
    judging: &Judging,
    request: v1::GetRailPlacesRequest,
) -> Result<v1::RailPlaces, Status> {
    let v1::GetRailPlacesRequest {
        from_unix_ms,
        until_unix_ms,
        stretch_miles,
        least_units,
        least_trains,
        span_ms,
    } = request;
    let or = |asked: u32, usual: u32| if asked == 0 { usual } else { asked };
    let (least_units, least_trains) =
        (or(least_units, LEAST_UNITS), or(least_trains, LEAST_TRAINS));
    let stretch_miles = if stretch_miles == 0.0 {
        STRETCH_MILES
    } else {
        stretch_miles
    };
    if !(stretch_miles > 0.0 && stretch_miles <= MOST_MILES) {
        let why = format!("is no stretch of rail; it is above 0 and up to {MOST_MILES} miles");
        return Err(status::bad_field("BAD_FIELD", "stretch_miles", &why));
    }
    let end_ms = Heard::read(shared, judging)?.end_ms(shared);
    let until_ms = if until_unix_ms == 0 {
        end_ms
    } else {
        until_unix_ms
    };
    let begin_ms = match span_ms {
        0 => until_ms.saturating_sub(DAY_MS),
        1.. => until_ms.saturating_sub(span_ms).max(0),
        _ => return Err(bad_span("span_ms", "is below zero; leave it out for 24 h")),
    };
    let asked = (from_unix_ms, until_unix_ms);
    let (from_ms, until_ms) = span(shared, asked, begin_ms, end_ms)?;
    if until_ms - from_ms > MOST_DAYS * DAY_MS {
        let why = format!("lies more than {MOST_DAYS} d before the end; ask for a shorter span");
        return Err(bad_span("from_unix_ms", &why));
    }

    let units: Vec<UnitId> = shared
        .fleet
        .all()
        .iter()
        .map(|record| record.unit.id.clone())
        .collect();
    let slips = read_all(shared, &units, from_ms, until_ms)?;
    let at: Vec<SlipAt> = slips.iter().map(|slip| slip.place).collect();
    let count = |least: u32| usize::try_from(least).unwrap_or(usize::MAX);
    let terms = PlaceTerms {
        most_miles: stretch_miles,
        least_units: count(least_units),
        least_trains: count(least_trains),
    };
    let stretches = slippery_stretches(&at, terms);
    let slipped = stretches.iter().flat_map(|stretch| &stretch.slips);
    let slipped = slipped.map(|idx| &units[at[*idx].unit]).collect();
    let reading = reading_slips(shared, judging, &slipped);
    let book = judging.ledger().book();
    let places = stretches
        .iter()
        .map(|stretch| place(stretch, &slips, &units, &reading, &book))
        .collect();
    Ok(v1::RailPlaces {
        places,
        units: by_unit(&slips, &stretches, &units),
        from_unix_ms: from_ms,
        until_unix_ms: until_ms,
        stretch_miles,
        least_units,
        least_trains,
        n_slips: slips.len() as u64,
        n_unplaced: at.iter().filter(|slip| slip.mile.is_nan()).count() as u64,
    })
}

fn channel<'a>(shared: &'a Shared, name: &str) -> Option<(ChannelId, &'a ChannelDef)> {
    shared.catalogue.channel(&ChannelName::new(name).ok()?)
}

/// The slips of all units, each with its mile, NaN where that is not known.
fn read_all(
    shared: &Shared,
    units: &[UnitId],
    from_ms: i64,
    until_ms: i64,
) -> Result<Vec<Slip>, Status> {
    let stopped = |error| status::store(&error);
    let Some((slip, _)) = channel(shared, SLIP) else {
        return Ok(Vec::new());
    };
    let (from, last) = (
        EventTime::from_unix_ms(from_ms),
        EventTime::from_unix_ms(until_ms - 1),
    );
    // Trains are numbered after the units, of which each is its own train while it runs alone.
    let mut trains: HashMap<String, usize> = HashMap::new();
    let mut slips = Vec::new();
    for (number, unit) in units.iter().enumerate() {
        let room = MOST_SLIPS - slips.len();
        let events = shared.store.read_events(unit, slip, from, last, room + 1);
        let events = events.map_err(stopped)?;
        if events.len() > room {
            let why =
                format!("begins a span of more than {MOST_SLIPS} slips; ask for a shorter one");
            return Err(bad_span("from_unix_ms", &why));
        }
        let (Some(first), Some(newest)) = (events.first(), events.last()) else {
            continue;
        };
        let read = |name: &str| -> Result<(Series, i64), Status> {
            let Some((id, def)) = channel(shared, name) else {
                return Ok((Series::default(), 0));
            };
            let holds_ms = match def.kind {
                ChannelKind::Held { hold_ms } => hold_ms,
                ChannelKind::Sampled { .. } | ChannelKind::Event { .. } => MILE_HOLDS_MS,
            };
            let from = first.time.plus_ms(-holds_ms);
            let until = newest.time.plus_ms(MILE_HOLDS_MS);
            let read = shared.store.read(unit, id, from, until, usize::MAX);
            Ok((read.map_err(stopped)?, holds_ms))
        };
        let ((miles, _), (lines, line_holds_ms)) = (read(MILE)?, read(LINE)?);
        let mut train_of = |at: EventTime| {
            shared.fleet.train_at(unit, at).map_or(number, |symbol| {
                let next = units.len() + trains.len();
                *trains.entry(symbol).or_insert(next)
            })
        };
        slips.extend(events.iter().map(|event| Slip {
            at: event.time,
            place: SlipAt {
                unit: number,
                train: train_of(event.time),
                line: held(&lines, event.time, line_holds_ms),
                mile: mile_at(&miles, event.time).unwrap_or(f64::NAN),
            },
        }));
    }
    Ok(slips)
}

fn good(series: &Series, idx: usize) -> Option<(i64, f64)> {
    let is_good = series
        .qualities
        .get(idx)
        .is_none_or(|quality| *quality == Quality::Good);
    let time = series.times_ms.get(idx).filter(|_| is_good)?;
    Some((*time, *series.values.get(idx)?))
}

/// The mile at an instant: between the two measured around it, or the nearest one before or after it that is
/// recent.
fn mile_at(miles: &Series, at: EventTime) -> Option<f64> {
    let at_ms = at.unix_ms();
    let next = miles.times_ms.partition_point(|time| *time <= at_ms);
    let is_near = |(time, _): &(i64, f64)| (at_ms - time).abs() <= MILE_HOLDS_MS;
    let before = next
        .checked_sub(1)
        .and_then(|idx| good(miles, idx))
        .filter(is_near);
    let after = good(miles, next).filter(is_near);
    match (before, after) {
        (Some((from_ms, from)), Some((until_ms, until))) if (until - from).abs() <= MOST_STEP => {
            let share = (at_ms - from_ms) as f64 / (until_ms - from_ms) as f64;
            Some(from + share * (until - from))
        }
        (Some((_, mile)), _) | (None, Some((_, mile))) => Some(mile),
        (None, None) => None,
    }
}

/// What a held channel said last, while it holds, as a number of a list.
fn held(series: &Series, at: EventTime, holds_ms: i64) -> Option<u32> {
    let at_ms = at.unix_ms();
    let next = series.times_ms.partition_point(|time| *time <= at_ms);
    let (time, value) = good(series, next.checked_sub(1)?)?;
    let number = value.round();
    let is_number = at_ms - time < holds_ms && (0.0..=f64::from(u32::MAX)).contains(&number);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "only where it is a whole number of the type"
    )]
    let number = is_number.then_some(number as u32);
    number
}

/// Of the versions that raised something open on units that slipped at a place, those that read slips. A text
/// that is no rule any more reads nothing.
fn reading_slips(
    shared: &Shared,
    judging: &Judging,
    units: &BTreeSet<&UnitId>,
) -> HashSet<RuleRef> {
    let mut versions: HashMap<RuleRef, Arc<RuleVersion>> = HashMap::new();
    {
        let book = judging.ledger().book();
        let open = units.iter().flat_map(|unit| book.open_defects_of(unit));
        let alerts = open.flat_map(|kept| &kept.defect().alerts);
        for version in alerts
            .filter_map(|id| book.alert(*id))
            .map(|alert| alert.rule())
        {
            versions
                .entry(version.reference.clone())
                .or_insert_with(|| Arc::clone(version));
        }
    }
    // Compiled while nobody waits for the book.
    versions.retain(|_, version| {
        check(shared, &version.reference.name, &version.source).is_ok_and(|rule| {
            let channels = rule.inputs.iter().flat_map(|input| input.read.channels());
            channels.into_iter().any(|channel| channel == SLIP)
        })
    });
    versions.into_keys().collect()
}

/// A unit's slips at a place: how many, the first and the last.
type AtPlace = (u64, EventTime, EventTime);

fn place(
    stretch: &SlipperyStretch,
    slips: &[Slip],
    units: &[UnitId],
    reading: &HashSet<RuleRef>,
    book: &Book,
) -> v1::RailPlace {
    let mut of_units: BTreeMap<usize, AtPlace> = BTreeMap::new();
    for slip in stretch.slips.iter().map(|idx| &slips[*idx]) {
        let of = of_units
            .entry(slip.place.unit)
            .or_insert((0, slip.at, slip.at));
        *of = (of.0 + 1, of.1.min(slip.at), of.2.max(slip.at));
    }
    let mut defects: Vec<DefectId> = Vec::new();
    for (unit, (_, first, last)) in &of_units {
        let (from, until) = (first.plus_ms(-OF_PLACE_MS), last.plus_ms(OF_PLACE_MS));
        for kept in book.open_defects_of(&units[*unit]) {
            let mut alerts = kept.defect().alerts.iter().filter_map(|id| book.alert(*id));
            let is_of_place = alerts.any(|alert| {
                reading.contains(&alert.rule().reference)
                    && (from..=until).contains(&alert.raised_at())
            });
            if is_of_place {
                defects.push(kept.id());
            }
        }
    }
    defects.sort_unstable();
    let first = of_units.values().map(|(_, first, _)| first.unix_ms()).min();
    let last = of_units.values().map(|(_, _, last)| last.unix_ms()).max();
    let mut of_units: Vec<v1::SlipsOfUnit> = of_units
        .iter()
        .map(|(unit, (n_slips, _, _))| v1::SlipsOfUnit {
            unit: convert::unit_name(&units[*unit]),
            n_slips: *n_slips,
        })
        .collect();
    // Stable: of equal ones by id.
    of_units.sort_by_key(|of| std::cmp::Reverse(of.n_slips));
    v1::RailPlace {
        line: stretch.line,
        from_mile: stretch.miles.0,
        until_mile: stretch.miles.1,
        first_unix_ms: first.unwrap_or_default(),
        last_unix_ms: last.unwrap_or_default(),
        n_slips: stretch.n.slips as u64,
        n_trains: stretch.n.trains as u64,
        units: of_units,
        defects: defects.into_iter().map(convert::defect_name).collect(),
    }
}

fn by_unit(
    slips: &[Slip],
    stretches: &[SlipperyStretch],
    units: &[UnitId],
) -> Vec<v1::SlippingUnit> {
    let mut counts: HashMap<usize, (u64, u64)> = HashMap::new();
    for slip in slips {
        counts.entry(slip.place.unit).or_default().0 += 1;
    }
    for idx in stretches.iter().flat_map(|stretch| &stretch.slips) {
        counts.entry(slips[*idx].place.unit).or_default().1 += 1;
    }
    let mut counts: Vec<(usize, (u64, u64))> = counts.into_iter().collect();
    counts.sort_by_key(|(unit, (n, at))| (std::cmp::Reverse(n - at), *unit));
    counts
        .into_iter()
        .map(|(unit, (n_slips, n_at_places))| v1::SlippingUnit {
            unit: convert::unit_name(&units[unit]),
            n_slips,
            n_at_places,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series(samples: &[(i64, f64)]) -> Series {
        Series {
            times_ms: samples.iter().map(|(time, _)| *time).collect(),
            values: samples.iter().map(|(_, value)| *value).collect(),
            qualities: Vec::new(),
        }
    }

    #[test]
    fn a_mile_lies_between_the_two_measured_around_it() {
        let at = |ms: i64, samples: &[(i64, f64)]| {
            mile_at(&series(samples), EventTime::from_unix_ms(ms))
        };
        let moving = [(0, 10.0), (60_000, 11.0), (600_000, 20.0)];
        assert_eq!(at(15_000, &moving), Some(10.25));
        assert_eq!(at(60_000, &moving), Some(11.0));
        // Too long ago, and long before the next.
        assert_eq!(at(180_000, &moving), Some(11.0));
        assert_eq!(at(181_000, &moving), None);
        assert_eq!(at(481_000, &moving), Some(20.0));
        // A line's end: the miles between were not run.
        assert_eq!(at(30_000, &[(0, 185.9), (60_000, 0.4)]), Some(185.9));
        assert_eq!(at(0, &[]), None);
        let mut bad = series(&moving);
        bad.qualities = vec![Quality::Bad, Quality::Good, Quality::Good];
        assert_eq!(mile_at(&bad, EventTime::from_unix_ms(15_000)), Some(11.0));
    }

    #[test]
    fn a_line_holds_until_it_is_old() {
        let lines = series(&[(0, 2.0), (10_000, 3.0)]);
        let at = |ms: i64| held(&lines, EventTime::from_unix_ms(ms), 60_000);
        assert_eq!(at(-1), None);
        assert_eq!(at(9_999), Some(2));
        assert_eq!(at(69_999), Some(3));
        assert_eq!(at(70_000), None);
    }
}
