//! ReportService: how right rules are, what the desk has to bear, how often things fail.
//!
//! Reports are worked out when asked for, on a blocking thread, from the book and the fleet in memory. Telemetry
//! is read for the places where wheels slip only.

mod rail;
mod wire;

use crate::alerts::{bad_field, check_text};
use crate::fleet::UnitRecord;
use crate::judging::{Judging, check};
use crate::{Shared, known, status};
use std::collections::HashMap;
use std::sync::Arc;
use tonic::{Request, Response, Status};
use wheeltap_followup::reports::{
    DeskClock, DeskTerms, FleetUnit, Grouping, ReliabilityTerms, ScorecardTerms, desk_load,
    reliability, scorecards,
};
use wheeltap_followup::{Book, RuleVersion};
use wheeltap_model::{EventTime, RuleRef, RuleStage, UnitId};
use wheeltap_proto::convert;
use wheeltap_proto::v1;
use wheeltap_proto::v1::report_service_server::ReportService;
use wire::{desk_to_wire, reliability_to_wire, scorecard_to_wire};

const DAY_MS: i64 = 86_400_000;
/// Taken where no confidence is asked for.
const CONFIDENCE: f64 = 0.9;
/// Taken where no span is asked for: what the standard's figures need.
const DESK_DAYS: i64 = 30;
const REPEAT_DAYS: u32 = 30;
const MOST_REPEAT_DAYS: u32 = 3_650;
const MOST_DESKS: u32 = 1_000;
/// Longest system and component, in bytes.
const MAX_NAME: usize = 128;

/// The service of the contract over book and fleet.
pub struct ReportCalls {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
}

fn bad_span(field: &str, why: &str) -> Status {
    status::bad_field("BAD_SPAN", field, why)
}

/// A span of the request with what it is where the request does not say. It ends now at the latest: what is to
/// come is no record.
fn span(
    shared: &Shared,
    (from_ms, until_ms): (i64, i64),
    begin_ms: i64,
    end_ms: i64,
) -> Result<(i64, i64), Status> {
    for (field, ms) in [("from_unix_ms", from_ms), ("until_unix_ms", until_ms)] {
        if ms < 0 {
            return Err(bad_span(
                field,
                "is before 1970; leave it out for the beginning or end",
            ));
        }
    }
    let until_ms = match until_ms {
        0 => end_ms,
        until_ms => until_ms.min(end_ms.max(shared.clock.now().unix_ms())),
    };
    let from_ms = match from_ms {
        // A record that begins after an end asked for has nothing before it.
        0 => begin_ms.min(until_ms),
        from_ms => from_ms,
    };
    if from_ms > until_ms {
        let why = format!(
            "is after {}, where the span ends: until_unix_ms, or now if that is earlier",
            EventTime::from_unix_ms(until_ms)
        );
        return Err(bad_span("from_unix_ms", &why));
    }
    Ok((from_ms, until_ms))
}

fn confidence(asked: f64) -> Result<f64, Status> {
    if asked > 0.0 && asked < 1.0 {
        Ok(asked)
    } else if asked == 0.0 {
        Ok(CONFIDENCE)
    } else {
        let why = "is no confidence; it lies between 0 and 1, such as 0.9";
        Err(status::bad_field("BAD_FIELD", "confidence", why))
    }
}

/// The confidence was checked, and counts come from lists: a share that is none is a bug.
fn worked_out<T, E: std::fmt::Display>(made: Result<T, E>) -> Result<T, Status> {
    made.map_err(|error| status::internal(&error.to_string()))
}

async fn off_thread<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Status> + Send + 'static,
) -> Result<Response<T>, Status> {
    tokio::task::spawn_blocking(work)
        .await
        .map_err(|_| status::internal("a report was cut off"))?
        .map(Response::new)
}

/// What is known of the fleet's telemetry.
struct Heard {
    /// From when to when each unit that sent any was heard.
    by_unit: HashMap<UnitId, (EventTime, EventTime)>,
}

/// Retention drops whole periods; what begins within so much of its limit may have begun earlier.
const CUT_SLACK_MS: i64 = 2 * DAY_MS;

impl Heard {
    /// Asks the store for each unit, so the book is not to be held meanwhile.
    fn read(shared: &Shared, judging: &Judging) -> Result<Self, Status> {
        let lodged = first_lodged(&judging.ledger().book());
        let mut by_unit = HashMap::new();
        for record in shared.fleet.all() {
            let extent = shared.store.extent(&record.unit.id);
            if let Some(extent) = extent.map_err(|error| status::store(&error))? {
                by_unit.insert(record.unit.id.clone(), extent);
            }
        }
        // Samples are dropped when they are old, alerts never: a unit whose samples begin where retention
        // cuts was heard since there were rules.
        let newest = by_unit.values().map(|(_, newest)| *newest).max();
        if let (Some(newest), Some(lodged)) = (newest, lodged) {
            let cut = newest.plus_ms(CUT_SLACK_MS - shared.settings.retention.raw.ms());
            for (oldest, _) in by_unit.values_mut() {
                if *oldest <= cut {
                    *oldest = (*oldest).min(EventTime::from_unix_ms(lodged));
                }
            }
        }
        Ok(Self { by_unit })
    }

    fn oldest(&self) -> Option<EventTime> {
        self.by_unit.values().map(|(oldest, _)| *oldest).min()
    }

    /// Where the record ends: with the newest event time, or now where there is none. Half-open.
    fn end_ms(&self, shared: &Shared) -> i64 {
        let newest = self.by_unit.values().map(|(_, newest)| *newest).max();
        newest.map_or_else(
            || shared.clock.now().unix_ms(),
            |newest| newest.unix_ms() + 1,
        )
    }

    fn has(&self, unit: &UnitId, at: EventTime) -> bool {
        let extent = self.by_unit.get(unit);
        extent.is_some_and(|(oldest, newest)| *oldest <= at && at <= *newest)
    }
}

/// When the record of the fleet begins: with the first that was told of a unit's state, which may be older than
/// any telemetry, or with that. Failures alone, which are told from memory, begin it only where there is neither.
fn record_begins(records: &[Arc<UnitRecord>], heard: &Heard, book: &Book) -> Option<EventTime> {
    let states = records
        .iter()
        .filter_map(|record| record.states.entries().first());
    let known = states.map(|dated| dated.from).chain(heard.oldest()).min();
    known.or_else(|| {
        let defects = book.all_defects().map(|kept| kept.defect());
        defects.map(|defect| defect.first_sign_at).min()
    })
}

/// When the first rule was lodged, server time.
fn first_lodged(book: &Book) -> Option<i64> {
    let versions = book.rule_names().flat_map(|name| book.rule_versions(name));
    versions.map(|version| version.lodged_at.unix_ms()).min()
}

impl ReportCalls {
    /// The service over a running judge.
    pub const fn new(shared: Arc<Shared>, judging: Arc<Judging>) -> Self {
        Self { shared, judging }
    }
}

#[tonic::async_trait]
impl ReportService for ReportCalls {
    async fn get_rule_scorecards(
        &self,
        request: Request<v1::GetRuleScorecardsRequest>,
    ) -> Result<Response<v1::GetRuleScorecardsResponse>, Status> {
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let request = request.into_inner();
        off_thread(move || rule_scorecards(&shared, &judging, &request)).await
    }

    async fn get_desk_load(
        &self,
        request: Request<v1::GetDeskLoadRequest>,
    ) -> Result<Response<v1::DeskLoad>, Status> {
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let request = request.into_inner();
        off_thread(move || desk(&shared, &judging, &request)).await
    }

    async fn get_reliability(
        &self,
        request: Request<v1::GetReliabilityRequest>,
    ) -> Result<Response<v1::Reliability>, Status> {
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let request = request.into_inner();
        off_thread(move || reliable(&shared, &judging, request)).await
    }

    async fn get_rail_places(
        &self,
        request: Request<v1::GetRailPlacesRequest>,
    ) -> Result<Response<v1::RailPlaces>, Status> {
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let request = request.into_inner();
        off_thread(move || rail::places(&shared, &judging, request)).await
    }
}

fn rule_scorecards(
    shared: &Shared,
    judging: &Judging,
    request: &v1::GetRuleScorecardsRequest,
) -> Result<v1::GetRuleScorecardsResponse, Status> {
    let v1::GetRuleScorecardsRequest {
        rule,
        from_unix_ms,
        until_unix_ms,
        confidence: asked,
    } = request;
    let confidence = confidence(*asked)?;
    let only = if rule.is_empty() {
        None
    } else {
        let book = judging.ledger().book();
        let (name, version) = known::rule_from_name(&book, "rule", rule).map_err(bad_field)?;
        if version.is_some() {
            let why = "names a version; write rules/{rule}, all versions are answered";
            return Err(status::bad_field("BAD_FIELD", "rule", why));
        }
        Some(name)
    };
    let heard = Heard::read(shared, judging)?;
    let end_ms = heard.end_ms(shared);
    let begin_ms = heard.oldest().map_or(end_ms, EventTime::unix_ms);
    let asked = (*from_unix_ms, *until_unix_ms);
    let (from_ms, until_ms) = span(shared, asked, begin_ms, end_ms)?;
    let versions: Vec<Arc<RuleVersion>> = {
        let book = judging.ledger().book();
        let names = book
            .rule_names()
            .filter(|name| only.as_ref().is_none_or(|only| only == *name));
        names
            .flat_map(|name| book.rule_versions(name))
            .cloned()
            .collect()
    };
    if let Some(only) = &only
        && versions.is_empty()
    {
        return Err(known::no_rule(&judging.ledger().book(), only, None));
    }
    // Compiled before the book is locked. A text that is no rule any more is taken to be for every unit.
    let applies: HashMap<RuleRef, _> = versions
        .iter()
        .filter_map(|version| {
            let rule = check(shared, &version.reference.name, &version.source).ok()?;
            Some((version.reference.clone(), rule.about.applies))
        })
        .collect();
    let watches = |rule: &RuleRef, unit: &UnitId, at: EventTime| {
        heard.has(unit, at)
            && applies.get(rule).is_none_or(|applies| {
                let class = || {
                    shared
                        .fleet
                        .get(unit)
                        .map(|record| record.unit.class.clone())
                };
                (applies.classes.is_empty()
                    || class().is_some_and(|class| applies.classes.contains(&class)))
                    && (applies.units.is_empty() || applies.units.contains(unit))
            })
    };
    let terms = ScorecardTerms {
        // Before the first telemetry nothing was judged, however long a version says it was live.
        from: EventTime::from_unix_ms(from_ms.max(begin_ms).min(until_ms)),
        until: EventTime::from_unix_ms(until_ms),
        confidence,
        rule: only.as_ref(),
        watches: &watches,
    };
    let cards = worked_out(scorecards(&judging.ledger().book(), &terms))?;
    Ok(v1::GetRuleScorecardsResponse {
        scorecards: cards.iter().map(scorecard_to_wire).collect(),
        from_unix_ms: terms.from.unix_ms(),
        until_unix_ms: until_ms,
        confidence,
    })
}

fn desk(
    shared: &Shared,
    judging: &Judging,
    request: &v1::GetDeskLoadRequest,
) -> Result<v1::DeskLoad, Status> {
    let v1::GetDeskLoadRequest {
        from_unix_ms,
        until_unix_ms,
        clock,
        n_desks,
    } = *request;
    let clock = match v1::DeskClock::try_from(clock) {
        Ok(v1::DeskClock::Unspecified | v1::DeskClock::Announced) => DeskClock::Announced,
        Ok(v1::DeskClock::Raised) => DeskClock::Raised,
        Err(_) => {
            let why = format!("{clock} is no clock that this version takes");
            return Err(status::bad_field("BAD_FIELD", "clock", why));
        }
    };
    if n_desks > MOST_DESKS {
        let why = format!("is over the limit of {MOST_DESKS}");
        return Err(status::bad_field("BAD_FIELD", "n_desks", why));
    }
    let heard = Heard::read(shared, judging)?;
    let book = judging.ledger().book();
    let now_ms = shared.clock.now().unix_ms();
    let (since_ms, end_ms) = match clock {
        DeskClock::Announced => {
            // The desk can be rung since the first rule went live.
            let names = book.rule_names();
            let versions = names.flat_map(|name| book.rule_versions(name));
            let changes = versions.flat_map(|version| book.rule_stages(&version.reference));
            let live = changes.filter(|change| change.stage == RuleStage::Live);
            let since = live.map(|change| change.at.unix_ms()).min();
            (since.unwrap_or(now_ms), now_ms)
        }
        DeskClock::Raised => {
            let end_ms = heard.end_ms(shared);
            (heard.oldest().map_or(end_ms, EventTime::unix_ms), end_ms)
        }
    };
    let begin_ms = match until_unix_ms {
        0 => end_ms,
        until_ms => until_ms,
    }
    .saturating_sub(DESK_DAYS * DAY_MS);
    let asked = (from_unix_ms, until_unix_ms);
    let (from_ms, until_ms) = span(shared, asked, begin_ms, end_ms)?;
    let load = desk_load(
        &book,
        &DeskTerms {
            from_ms,
            until_ms: until_ms.min(end_ms.max(from_ms)),
            since_ms,
            clock,
            n_desks: n_desks.max(1),
        },
    );
    Ok(desk_to_wire(&load))
}

fn reliable(
    shared: &Shared,
    judging: &Judging,
    request: v1::GetReliabilityRequest,
) -> Result<v1::Reliability, Status> {
    use v1::get_reliability_request::Grouping as Asked;
    let v1::GetReliabilityRequest {
        from_unix_ms,
        until_unix_ms,
        confidence: asked,
        grouping,
        repeat_days,
        unit_class,
        system,
        component,
    } = request;
    let confidence = confidence(asked)?;
    let grouping = match Asked::try_from(grouping) {
        Ok(Asked::Unspecified | Asked::Component) => Grouping::Component,
        Ok(Asked::System) => Grouping::System,
        Ok(Asked::Class) => Grouping::Class,
        Err(_) => {
            let why = format!("{grouping} is no grouping that this version takes");
            return Err(status::bad_field("BAD_FIELD", "grouping", why));
        }
    };
    if repeat_days > MOST_REPEAT_DAYS {
        let why = format!("is over the limit of {MOST_REPEAT_DAYS}");
        return Err(status::bad_field("BAD_FIELD", "repeat_days", why));
    }
    check_text("system", &system, MAX_NAME)?;
    check_text("component", &component, MAX_NAME)?;
    let class = match unit_class.as_str() {
        "" => None,
        name => Some(convert::class_from_name("unit_class", name).map_err(bad_field)?),
    };
    if let Some(class) = &class {
        known::class(shared, class)?;
    }
    let records = shared.fleet.all();
    let heard = Heard::read(shared, judging)?;
    let book = judging.ledger().book();
    let end_ms = heard.end_ms(shared);
    let begin_ms = record_begins(&records, &heard, &book)
        .map_or(end_ms, EventTime::unix_ms)
        .max(0);
    let asked = (from_unix_ms, until_unix_ms);
    let (from_ms, until_ms) = span(shared, asked, begin_ms, end_ms)?;
    let repeat_days = if repeat_days == 0 {
        REPEAT_DAYS
    } else {
        repeat_days
    };
    let terms = ReliabilityTerms {
        from: EventTime::from_unix_ms(from_ms),
        until: EventTime::from_unix_ms(until_ms),
        confidence,
        grouping,
        repeat_ms: i64::from(repeat_days) * DAY_MS,
        class,
        system: Some(system).filter(|system| !system.is_empty()),
        component: Some(component).filter(|component| !component.is_empty()),
    };
    let fleet: Vec<FleetUnit<'_>> = records
        .iter()
        .map(|record| FleetUnit {
            unit: &record.unit,
            states: &record.states,
        })
        .collect();
    let report = worked_out(reliability(&book, &fleet, &terms))?;
    if report.total.n_failures == 0 {
        let name = |of: &Option<String>| of.clone().unwrap_or_default();
        known::parts_of_units(&book, &name(&terms.system), &name(&terms.component))?;
    }
    Ok(reliability_to_wire(&report, &terms, repeat_days))
}
