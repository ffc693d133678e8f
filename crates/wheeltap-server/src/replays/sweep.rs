//! SweepRule: what the other values of a rule's parameters would have done.

use super::{
    MESSAGES_AHEAD, MOST_ALERTS, Replays, fitted_to_wire, forecast_to_wire, rule_of, span, to_wire,
    units_of, would_ring,
};
use crate::judging::{History, Judging};
use crate::{Shared, status};
use std::collections::HashMap;
use std::sync::Arc;
use tokio::sync::mpsc::Sender;
use tokio::sync::{OwnedSemaphorePermit, mpsc};
use tokio_stream::wrappers::ReceiverStream;
use tonic::{Request, Status};
use wheeltap_followup::{Tried, WouldRing, best, forecast, knee, once_a_train};
use wheeltap_proto::v1;
use wheeltap_proto::v1::sweep_rule_response::Item;
use wheeltap_rules::{NoGrid, Rule};

type Answer = Result<v1::SweepRuleResponse, Status>;

/// What is on its way to whoever asked for a sweep.
pub type Sweeping = ReceiverStream<Answer>;

/// What was asked for, checked.
struct Asked {
    history: History,
    rule: Arc<Rule>,
    /// The values of each variant, and the variant's version.
    grid: Vec<(Vec<f64>, String)>,
}

impl Replays {
    /// Begins a sweep.
    ///
    /// # Errors
    /// Those of the contract's `SweepRule`.
    pub async fn sweep(&self, request: Request<v1::SweepRuleRequest>) -> Result<Sweeping, Status> {
        let request = request.into_inner();
        let permit = self.permit()?;
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let mut asked = tokio::task::spawn_blocking(move || ask(&shared, &judging, request))
            .await
            .map_err(|_| status::internal("a sweep was cut off"))??;
        let (answers, stream) = mpsc::channel(MESSAGES_AHEAD);
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        tokio::task::spawn_blocking(move || {
            let answer = match try_all(&shared, &judging, &mut asked, permit, &answers) {
                Ok(Some(tried)) => Ok(item(Item::Sweep(sweep_to_wire(&asked.rule, &tried)))),
                // Ended early, by the reader or the service.
                Ok(None) => return,
                Err(refused) => Err(refused),
            };
            // The reader may have gone.
            let _ = answers.blocking_send(answer);
        });
        Ok(ReceiverStream::new(stream))
    }
}

fn item(item: Item) -> v1::SweepRuleResponse {
    v1::SweepRuleResponse { item: Some(item) }
}

fn ask(shared: &Shared, judging: &Judging, request: v1::SweepRuleRequest) -> Result<Asked, Status> {
    let v1::SweepRuleRequest {
        name,
        source,
        params,
        from_unix_ms,
        until_unix_ms,
        units,
        span_ms,
    } = request;
    let rule = rule_of(shared, judging, &name, &source)?;
    let values = rule.grid(&params).map_err(|refusal| {
        let reason = match refusal {
            NoGrid::NoParams => "NO_PARAMS",
            NoGrid::Unknown { .. } => "UNKNOWN_PARAM",
            NoGrid::TooMany { .. } => "TOO_MANY_VARIANTS",
        };
        status::bad_field(reason, "params", refusal.to_string())
    })?;
    let units = units_of(shared, &units)?;
    if span_ms < 0 {
        return Err(status::bad_field("BAD_SPAN", "span_ms", "is below zero"));
    }
    let (from, until) = span(shared, &units, from_unix_ms, until_unix_ms, span_ms)?;
    let mut variants: Vec<Arc<Rule>> = values
        .iter()
        .map(|values| Arc::new(rule.with_params(values)))
        .collect();
    let versions = variants.iter().map(|rule| rule.reference.version.clone());
    let grid = values.into_iter().zip(versions).collect();
    let first = variants.swap_remove(0);
    Ok(Asked {
        history: History {
            rule: first,
            against: None,
            variants,
            from,
            until,
            classes: judging.class_baselines(),
            units,
        },
        rule,
        grid,
    })
}

/// Judges all variants; `None` when it was ended early.
fn try_all(
    shared: &Shared,
    judging: &Judging,
    asked: &mut Asked,
    permit: OwnedSemaphorePermit,
    answers: &Sender<Answer>,
) -> Result<Option<Vec<Tried>>, Status> {
    let _permit = permit;
    let stretch_ms = shared.settings.class_baselines.stretch.ms();
    let fitted = asked.history.fit_classes(shared, stretch_ms);
    for fitted in fitted.map_err(|error| status::store(&error))? {
        let answer = item(Item::ClassBaseline(fitted_to_wire(fitted)));
        if answers.blocking_send(Ok(answer)).is_err() {
            return Ok(None);
        }
    }
    let history = &asked.history;
    let is_wanted = || !answers.is_closed();
    let mut alerts: HashMap<String, Vec<WouldRing>> = HashMap::new();
    let mut n_alerts = 0;
    let replay = history
        .run_while(shared, is_wanted, |progress| {
            for (occurrence, _) in progress.occurrences {
                if occurrence.unsuppressed_at.is_some() {
                    n_alerts += 1;
                    alerts
                        .entry(occurrence.rule.version.clone())
                        .or_default()
                        .push(would_ring(progress.unit, occurrence));
                }
            }
            let progress = item(Item::Progress(to_wire(&progress)));
            n_alerts <= MOST_ALERTS && answers.blocking_send(Ok(progress)).is_ok()
        })
        .map_err(|error| status::store(&error))?;
    if n_alerts > MOST_ALERTS {
        return Err(status::exhausted(
            "TOO_MANY_ALERTS",
            format!(
                "the variants raise more than {MOST_ALERTS} alerts together; ask for a shorter span or \
                 fewer values"
            ),
        ));
    }
    if !replay.is_complete {
        return Ok(None);
    }
    let (from, until) = (history.from, history.until);
    let component = &asked.rule.about.component;
    let truth = judging.ledger().book().truth(component, from, until);
    let (n_units, covered_ms) = (replay.n_units as u64, replay.covered_ms_a_unit());
    let tried = asked.grid.iter().map(|(values, version)| {
        let mut alerts = alerts.remove(version).unwrap_or_default();
        if asked.rule.about.once_a_train {
            alerts = once_a_train(alerts, &shared.fleet);
        }
        let mut forecast = forecast(&alerts, from, until, n_units, &truth).covering(covered_ms);
        // Parameters are known always, so what left one without a verdict left all.
        forecast.blind.clone_from(&replay.blind);
        Tried {
            values: values.clone(),
            forecast,
        }
    });
    Ok(Some(tried.collect()))
}

fn sweep_to_wire(rule: &Rule, tried: &[Tried]) -> v1::RuleSweep {
    let (best, knee) = (best(tried), knee(tried));
    let in_force: Vec<f64> = rule.params.iter().map(|param| param.value).collect();
    v1::RuleSweep {
        params: rule
            .params
            .iter()
            .map(|param| v1::RuleParam {
                name: param.name.clone(),
                ucum: param.ucum.clone(),
                value: param.value,
                from: param.from,
                to: param.to,
                step: param.step,
            })
            .collect(),
        tried: tried
            .iter()
            .enumerate()
            .map(|(idx, tried)| v1::TriedParams {
                values: tried.values.clone(),
                forecast: Some(forecast_to_wire(&tried.forecast)),
                in_force: tried.values == in_force,
                best: best.contains(&idx),
                knee: knee == Some(idx),
            })
            .collect(),
    }
}
