//! ReplayRule: what a rule would have done over what is stored.

mod sweep;

use crate::access::actor_of;
use crate::alerts::{act, bad_field};
use crate::judging::{FittedClass, History, Judging, Progress, Side, check};
use crate::{Shared, known, status};
use std::sync::Arc;
use tokio::sync::mpsc::Sender;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Request, Status};
use wheeltap_followup::{
    DESK_BUDGET_PER_DAY, Forecast, KeptForecast, Score, WouldRing, forecast, once_a_train,
};
use wheeltap_judge::Occurrence;
use wheeltap_model::{Actor, EventTime, RuleRef, UnitId};
use wheeltap_proto::{convert, v1};
use wheeltap_rules::Rule;

/// Replays that run at once. One takes every core there is.
const MOST_AT_ONCE: usize = 2;
/// Messages made ahead of the reader; a slow one slows the replay down, and nothing else.
const MESSAGES_AHEAD: usize = 256;
/// Length of the span when none is asked for.
const DEFAULT_SPAN_MS: i64 = 30 * 86_400_000;
/// Alerts that one replay adds up at most; a rule that has more is no rule yet.
const MOST_ALERTS: usize = 1_000_000;

pub use sweep::Sweeping;

type Answer = Result<v1::ReplayRuleResponse, Status>;

/// What is on its way to whoever asked for a replay.
pub type Replaying = ReceiverStream<Answer>;

/// Runs replays, a bounded number at once.
pub struct Replays {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
    permits: Arc<Semaphore>,
}

/// What was asked for, checked.
struct Asked {
    history: History,
    /// Length of the stretch that missing class baselines are fitted from.
    class_stretch_ms: i64,
    /// Keep the forecast with this version, in the name of whoever asked.
    keep_for: Option<(RuleRef, Actor)>,
}

impl Replays {
    /// Over the service's store and rule book.
    pub fn new(shared: Arc<Shared>, judging: Arc<Judging>) -> Self {
        Self {
            shared,
            judging,
            permits: Arc::new(Semaphore::new(MOST_AT_ONCE)),
        }
    }

    fn permit(&self) -> Result<OwnedSemaphorePermit, Status> {
        Arc::clone(&self.permits).try_acquire_owned().map_err(|_| {
            status::exhausted(
                "TOO_MANY_REPLAYS",
                format!("{MOST_AT_ONCE} replays run already; wait for one to end"),
            )
        })
    }

    /// Begins one.
    ///
    /// # Errors
    /// Those of the contract's `ReplayRule`.
    pub async fn start(
        &self,
        request: Request<v1::ReplayRuleRequest>,
    ) -> Result<Replaying, Status> {
        let actor = actor_of(&request)?;
        let request = request.into_inner();
        let permit = self.permit()?;
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let asked = tokio::task::spawn_blocking(move || ask(&shared, &judging, actor, request))
            .await
            .map_err(|_| status::internal("a replay was cut off"))??;
        let (answers, stream) = mpsc::channel(MESSAGES_AHEAD);
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let runtime = tokio::runtime::Handle::current();
        tokio::task::spawn_blocking(move || {
            let keep_for = asked.keep_for.clone();
            if let Some(made) = judge(&shared, &judging, asked, permit, &answers) {
                let kept = match keep_for {
                    Some((rule, actor)) => {
                        let forecast = made.forecast.clone();
                        let keep = move |planner: &mut wheeltap_followup::Planner<'_>| {
                            planner.keep_forecast(&rule, forecast)
                        };
                        runtime
                            .block_on(act(judging.ledger(), actor.clone(), keep))
                            .map(|()| Some((judging.ledger().now().unix_ms(), actor.name)))
                    }
                    None => Ok(None),
                };
                let answer = kept.map(|kept| {
                    let mut wire = made.to_wire();
                    if let Some((at, by)) = kept {
                        wire.kept_unix_ms = at;
                        wire.kept_by = by;
                    }
                    item(v1::replay_rule_response::Item::Forecast(wire))
                });
                // The reader may have gone.
                let _ = answers.blocking_send(answer);
            }
        });
        Ok(ReceiverStream::new(stream))
    }
}

fn item(item: v1::replay_rule_response::Item) -> v1::ReplayRuleResponse {
    v1::ReplayRuleResponse { item: Some(item) }
}

fn ask(
    shared: &Shared,
    judging: &Judging,
    actor: Actor,
    request: v1::ReplayRuleRequest,
) -> Result<Asked, Status> {
    let v1::ReplayRuleRequest {
        name,
        source,
        against,
        from_unix_ms,
        until_unix_ms,
        units,
        keep_forecast,
        span_ms,
        class_stretch_ms,
    } = request;
    let rule = rule_of(shared, judging, &name, &source)?;
    let against = match against.as_str() {
        "" => None,
        against => Some(lodged(shared, judging, "against", against)?),
    };
    if let Some(other) = &against
        && other.reference.name != rule.reference.name
    {
        return Err(status::bad_field(
            "BAD_FIELD",
            "against",
            format!(
                "is a version of {}, not of {}",
                other.reference.name, rule.reference.name
            ),
        ));
    }
    let is_whole =
        units.is_empty() && [from_unix_ms, until_unix_ms, span_ms, class_stretch_ms] == [0; 4];
    if keep_forecast && !(source.is_empty() && is_whole) {
        return Err(status::bad_field(
            "BAD_FIELD",
            "keep_forecast",
            "goes with a lodged version over all units and the span by default only",
        ));
    }
    let units = units_of(shared, &units)?;
    if span_ms < 0 {
        return Err(status::bad_field("BAD_SPAN", "span_ms", "is below zero"));
    }
    if class_stretch_ms < 0 {
        let field = "class_stretch_ms";
        return Err(status::bad_field("BAD_SPAN", field, "is below zero"));
    }
    let class_stretch_ms = match class_stretch_ms {
        0 => shared.settings.class_baselines.stretch.ms(),
        asked => asked,
    };
    let (from, until) = span(shared, &units, from_unix_ms, until_unix_ms, span_ms)?;
    let keep_for = keep_forecast.then(|| (rule.reference.clone(), actor));
    let against = against.filter(|against| against.reference != rule.reference);
    Ok(Asked {
        history: History {
            rule,
            against,
            variants: Vec::new(),
            from,
            until,
            classes: judging.class_baselines(),
            units,
        },
        class_stretch_ms,
        keep_for,
    })
}

/// The rule asked for: a lodged one, or a text.
fn rule_of(
    shared: &Shared,
    judging: &Judging,
    name: &str,
    source: &str,
) -> Result<Arc<Rule>, Status> {
    if source.is_empty() {
        return lodged(shared, judging, "name", name);
    }
    crate::rules::check_source(source)?;
    let name = crate::rules::bare_name(name)?;
    check(shared, &name, source)
        .map(Arc::new)
        .map_err(|problems| crate::rules::refused(&problems))
}

fn lodged(
    shared: &Shared,
    judging: &Judging,
    field: &str,
    name: &str,
) -> Result<Arc<Rule>, Status> {
    let found = crate::rules::lodged(&judging.ledger().book(), field, name)?;
    check(shared, &found.reference.name, &found.source)
        .map(Arc::new)
        .map_err(|problems| crate::rules::refused(&problems))
}

fn units_of(shared: &Shared, names: &[String]) -> Result<Vec<UnitId>, Status> {
    if names.is_empty() {
        let all = shared.fleet.all();
        return Ok(all.iter().map(|record| record.unit.id.clone()).collect());
    }
    let mut units = Vec::with_capacity(names.len());
    for name in names {
        let unit = convert::unit_from_name("units", name).map_err(bad_field)?;
        known::unit(shared, &unit)?;
        if !units.contains(&unit) {
            units.push(unit);
        }
    }
    Ok(units)
}

fn span(
    shared: &Shared,
    units: &[UnitId],
    from_unix_ms: i64,
    until_unix_ms: i64,
    span_ms: i64,
) -> Result<(EventTime, EventTime), Status> {
    let mut stored: Option<(EventTime, EventTime)> = None;
    for unit in units {
        let extent = shared
            .store
            .extent(unit)
            .map_err(|error| status::store(&error))?;
        if let Some((first, last)) = extent {
            let (least, most) = stored.unwrap_or((first, last));
            stored = Some((least.min(first), most.max(last)));
        }
    }
    let Some((first, newest)) = stored else {
        return Err(status::precondition(
            "NOTHING_STORED",
            "nothing is stored of these units; send telemetry first",
        ));
    };
    let until = match until_unix_ms {
        0 => newest,
        asked => EventTime::from_unix_ms(asked).min(newest),
    };
    let span_ms = if span_ms == 0 {
        DEFAULT_SPAN_MS
    } else {
        span_ms
    };
    let from = match from_unix_ms {
        0 => until.plus_ms(-span_ms).max(first),
        // Before the first telemetry there is nothing to judge.
        asked => EventTime::from_unix_ms(asked).max(first),
    };
    if from > until {
        return Err(status::bad_field(
            "BAD_SPAN",
            "from_unix_ms",
            format!("{from} is after {until}, where the span or what is stored ends"),
        ));
    }
    Ok((from, until))
}

/// A forecast with what stands beside it.
struct Made {
    forecast: Forecast,
    others_per_day: f64,
}

impl Made {
    fn to_wire(&self) -> v1::RuleForecast {
        let mut wire = forecast_to_wire(&self.forecast);
        wire.others_per_day = self.others_per_day;
        wire
    }
}

/// Judges and tells; the forecast, unless it was ended early.
fn judge(
    shared: &Shared,
    judging: &Judging,
    asked: Asked,
    permit: OwnedSemaphorePermit,
    answers: &Sender<Answer>,
) -> Option<Made> {
    let _permit = permit;
    let mut history = asked.history;
    match history.fit_classes(shared, asked.class_stretch_ms) {
        Ok(fitted) => {
            for fitted in fitted {
                let wire = fitted_to_wire(fitted);
                let answer = item(v1::replay_rule_response::Item::ClassBaseline(wire));
                if answers.blocking_send(Ok(answer)).is_err() {
                    return None;
                }
            }
        }
        Err(error) => {
            // The reader may have gone.
            let _ = answers.blocking_send(Err(status::store(&error)));
            return None;
        }
    }
    let mut alerts = Vec::new();
    let mut is_too_much = false;
    let is_wanted = || !answers.is_closed();
    let outcome = history.run_while(shared, is_wanted, |progress| {
        for (occurrence, side) in progress.occurrences {
            if *side != Side::Fewer && occurrence.unsuppressed_at.is_some() {
                alerts.push(would_ring(progress.unit, occurrence));
            }
            let told = told(progress.unit, occurrence, *side);
            let answer = item(v1::replay_rule_response::Item::Alert(told));
            if answers.blocking_send(Ok(answer)).is_err() {
                return false;
            }
        }
        is_too_much = alerts.len() > MOST_ALERTS;
        let progress = item(v1::replay_rule_response::Item::Progress(to_wire(&progress)));
        !is_too_much && answers.blocking_send(Ok(progress)).is_ok()
    });
    let replay = match outcome {
        Ok(replay) => replay,
        Err(error) => {
            // The reader may have gone.
            let _ = answers.blocking_send(Err(status::store(&error)));
            return None;
        }
    };
    if is_too_much {
        let _ = answers.blocking_send(Err(status::exhausted(
            "TOO_MANY_ALERTS",
            format!("the rule raises more than {MOST_ALERTS} alerts; ask for a shorter span"),
        )));
    }
    if !replay.is_complete {
        return None;
    }
    let (from, until) = (history.from, history.until);
    let about = &history.rule.about;
    // Nobody waits for the book while alerts are summed up.
    let (truth, n_others) = {
        let book = judging.ledger().book();
        let rule = &history.rule.reference.name;
        (
            book.truth(&about.component, from, until),
            book.n_rung(from, until, rule),
        )
    };
    let n_units = replay.n_units as u64;
    if about.once_a_train {
        alerts = once_a_train(alerts, &shared.fleet);
    }
    let covered_ms = replay.covered_ms_a_unit();
    let mut forecast = forecast(&alerts, from, until, n_units, &truth).covering(covered_ms);
    forecast.faulted = replay.faulted;
    forecast.blind = replay.blind;
    let days = forecast.covered_ms as f64 / 86_400_000.0;
    Some(Made {
        forecast,
        others_per_day: n_others as f64 / days,
    })
}

fn fitted_to_wire(fitted: FittedClass) -> v1::ClassBaseline {
    let FittedClass { class, of, fitted } = fitted;
    match fitted {
        Ok(baseline) => convert::class_baseline_to_wire(&baseline, None),
        Err(few) => v1::ClassBaseline {
            class: convert::class_name(&class),
            of,
            n_units: few.n_units as u64,
            ..v1::ClassBaseline::default()
        },
    }
}

pub(crate) fn would_ring(unit: &UnitId, occurrence: &Occurrence) -> WouldRing {
    WouldRing {
        unit: unit.clone(),
        rule: occurrence.rule.name.clone(),
        part: occurrence.part.clone(),
        raised_at: occurrence.raised_at,
        ended_at: occurrence.ended_at,
    }
}

fn to_wire(progress: &Progress<'_>) -> v1::ReplayProgress {
    v1::ReplayProgress {
        n_units_done: progress.n_units_done as u64,
        n_units: progress.n_units as u64,
        n_samples: progress.n_read,
    }
}

pub(crate) fn told(unit: &UnitId, occurrence: &Occurrence, side: Side) -> v1::ReplayedAlert {
    let Occurrence {
        rule,
        part,
        raised_at,
        ended_at,
        superseded: _,
        evidence,
        end_evidence,
        unsuppressed_at,
    } = occurrence;
    let side = match side {
        Side::Both => v1::ReplaySide::Both,
        Side::More => v1::ReplaySide::More,
        Side::Fewer => v1::ReplaySide::Fewer,
    };
    v1::ReplayedAlert {
        rule: convert::rule_version_name(rule),
        unit: convert::unit_name(unit),
        part: part.as_ref().map(ToString::to_string).unwrap_or_default(),
        raised_unix_ms: raised_at.unix_ms(),
        ended_unix_ms: ended_at.map_or(0, EventTime::unix_ms),
        suppressed_by_design: unsuppressed_at.is_none(),
        evidence: Some(evidence.into()),
        end_evidence: end_evidence.as_ref().map(Into::into),
        side: side.into(),
    }
}

/// A kept forecast on the wire.
pub fn kept_to_wire(kept: &KeptForecast) -> v1::RuleForecast {
    let KeptForecast { forecast, at, by } = kept;
    let mut wire = forecast_to_wire(forecast);
    wire.kept_unix_ms = at.unix_ms();
    wire.kept_by.clone_from(by);
    wire
}

pub(crate) fn forecast_to_wire(forecast: &Forecast) -> v1::RuleForecast {
    let Forecast {
        from,
        until,
        n_units,
        n_alerts,
        n_standing,
        n_units_alerting,
        covered_ms,
        per_day,
        worst_hour,
        worst_ten_minutes,
        crowded_share,
        flood_ms,
        flood_share: _,
        n_chattering,
        busiest,
        score,
        faulted,
        blind,
    } = forecast;
    let peak = |peak: &Option<(EventTime, u64)>| {
        peak.map(|(start, n_alerts)| v1::LoadPeak {
            start_unix_ms: start.unix_ms(),
            n_alerts,
        })
    };
    let (budget, most) = DESK_BUDGET_PER_DAY;
    v1::RuleForecast {
        from_unix_ms: from.unix_ms(),
        until_unix_ms: until.unix_ms(),
        n_units: *n_units,
        n_alerts: *n_alerts,
        n_standing: *n_standing,
        n_units_alerting: *n_units_alerting,
        covered_ms: *covered_ms,
        per_day: *per_day,
        worst_hour: peak(worst_hour),
        worst_ten_minutes: peak(worst_ten_minutes),
        crowded_share: *crowded_share,
        flood_ms: *flood_ms,
        n_chattering: *n_chattering,
        busiest: busiest
            .iter()
            .map(|(unit, n_alerts)| v1::UnitLoad {
                unit: convert::unit_name(unit),
                n_alerts: *n_alerts,
            })
            .collect(),
        score: score.as_ref().map(score_to_wire),
        others_per_day: 0.0,
        budget_per_day: budget,
        budget_most_per_day: most,
        kept_unix_ms: 0,
        kept_by: String::new(),
        n_units_faulted: faulted.as_ref().map_or(0, |faulted| faulted.n_units),
        fault: faulted
            .as_ref()
            .map_or_else(String::new, |faulted| faulted.message.clone()),
        n_units_blind: blind.as_ref().map_or(0, |blind| blind.n_units),
        never_known: blind
            .iter()
            .flat_map(|blind| blind.never_known.iter().cloned())
            .collect(),
    }
}

fn score_to_wire(score: &Score) -> v1::RuleScore {
    let Score {
        n_right,
        n_wrong,
        n_undecided,
        n_found,
        n_missed,
        precision,
        recall,
        median_lead_ms,
    } = score;
    v1::RuleScore {
        n_right: *n_right,
        n_wrong: *n_wrong,
        n_undecided: *n_undecided,
        n_found: *n_found,
        n_missed: *n_missed,
        precision: *precision,
        recall: *recall,
        median_lead_ms: *median_lead_ms,
    }
}
