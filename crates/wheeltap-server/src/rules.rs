//! RuleService: the rule book.

use crate::access::actor_of;
use crate::alerts::{act, act_then, bad_field, check_request_id, check_text};
use crate::judging::{Judging, check, facts, vetted};
use crate::paging::{Page, PageRule, bad_token};
use crate::replays::{Replaying, Replays, Sweeping, kept_to_wire};
use crate::walk_back::{WalkBacks, Walking};
use crate::{Shared, known, rule_cases, status};
use std::sync::Arc;
use tonic::{Request, Response, Status};
use wheeltap_followup::{Book, KeptBaseline, RuleVersion};
use wheeltap_model::{EventTime, RuleName, RuleRef, RuleStage};
use wheeltap_proto::v1::rule_service_server::RuleService;
use wheeltap_proto::{convert, v1, words};
use wheeltap_rules::{Input, Problem};

const RULES: PageRule = PageRule {
    default: 100,
    most: 1_000,
};
/// Longest rule text, in bytes: with its escapes it must fit a ledger entry of 48 KiB.
const MAX_SOURCE: usize = 20 << 10;

/// The service of the contract over the book's rules.
pub struct RuleCalls {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
    replays: Replays,
    walks: WalkBacks,
}

/// Longest reason for a stage, in bytes.
const MAX_REASON: usize = 2_000;

/// The version that a name means: `rules/{rule}` is the newest.
pub(crate) fn lodged(book: &Book, field: &str, name: &str) -> Result<Arc<RuleVersion>, Status> {
    let (name, version) = known::rule_from_name(book, field, name).map_err(bad_field)?;
    let Some(version) = version else {
        let newest = book.rule_versions(&name).last();
        return newest
            .map(Arc::clone)
            .ok_or_else(|| known::no_rule(book, &name, None));
    };
    let reference = RuleRef { name, version };
    known::version(book, &reference).map(Arc::clone)
}

/// The name of a rule to be written, without a version.
pub(crate) fn bare_name(name: &str) -> Result<RuleName, Status> {
    let bad = |why: String| status::bad_field("BAD_RULE_NAME", "name", why);
    match convert::rule_from_name("name", name) {
        Ok((name, None)) => {
            RuleName::of_new(name.as_str()).map_err(|invalid| bad(invalid.to_string()))
        }
        Ok(_) => Err(bad("names a version; write rules/{rule}".to_owned())),
        Err(invalid) => Err(bad(invalid.why)),
    }
}

/// Why a text is no rule: a field for each place in it, in the words of the message, which tells them all.
pub(crate) fn refused(problems: &[Problem]) -> Status {
    let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
    let violations = problems.iter().map(|problem| {
        let field = format!("source:{}:{}", problem.line, problem.column);
        let why = format!("{}; {}; {}", problem.what, problem.why, problem.mend);
        (field, why)
    });
    status::bad_fields("RULE_PROBLEMS", lines.join("\n"), violations)
}

fn problem(problem: Problem) -> v1::RuleProblem {
    let Problem {
        file: _,
        line,
        column,
        what,
        why,
        mend,
    } = problem;
    v1::RuleProblem {
        line: place(line),
        column: place(column),
        what,
        why,
        mend,
    }
}

fn input(input: &Input) -> v1::RuleInput {
    v1::RuleInput {
        name: input.name.clone(),
        text: input.text.clone(),
        ucum: input.ucum.clone(),
        window_ms: input.read.span_ms(),
        pane_ms: input.read.pane_ms().unwrap_or(0),
    }
}

pub(crate) fn check_source(source: &str) -> Result<(), Status> {
    if source.len() > MAX_SOURCE {
        return Err(status::bad_field(
            "TOO_LARGE",
            "source",
            format!(
                "is {} bytes, over the limit of {MAX_SOURCE}; split the rule",
                source.len()
            ),
        ));
    }
    Ok(())
}

/// Of one rule's versions, newest first, those that somebody has to know: live, on trial, and the newest if it
/// is a draft. Where there is none of these, the newest.
fn that_stand<'a>(book: &Book, versions: Vec<&'a Arc<RuleVersion>>) -> Vec<&'a Arc<RuleVersion>> {
    let newest = versions.first().copied();
    let stands = |(idx, version): (usize, &'a Arc<RuleVersion>)| {
        let stage = book
            .rule_stage(&version.reference)
            .map_or(RuleStage::Draft, |of| of.stage);
        let is_judged = matches!(stage, RuleStage::Live | RuleStage::Trial);
        let is_new = idx == 0 && stage == RuleStage::Draft;
        (is_judged || is_new).then_some(version)
    };
    let standing: Vec<_> = versions
        .into_iter()
        .enumerate()
        .filter_map(stands)
        .collect();
    if standing.is_empty() {
        newest.into_iter().collect()
    } else {
        standing
    }
}

impl RuleCalls {
    /// The service over a running judge.
    pub fn new(shared: Arc<Shared>, judging: Arc<Judging>) -> Self {
        let replays = Replays::new(Arc::clone(&shared), Arc::clone(&judging));
        Self {
            walks: WalkBacks::new(Arc::clone(&shared), Arc::clone(judging.ledger())),
            shared,
            judging,
            replays,
        }
    }

    fn to_wire(&self, book: &Book, version: &RuleVersion) -> v1::Rule {
        let reference = &version.reference;
        let facts = &version.facts;
        let stage = book.rule_stage(reference);
        let faulted = self.judging.faulted(reference);
        let held = stage.map_or(RuleStage::Draft, |change| change.stage);
        v1::Rule {
            name: convert::rule_version_name(reference),
            title: facts.title.clone(),
            system: facts.system.clone(),
            component: facts.component.clone(),
            priority: convert::priority_to_wire(facts.priority).into(),
            safety: facts.safety,
            stage: convert::rule_stage_to_wire(held).into(),
            source: version.source.clone(),
            stage_from_unix_ms: stage.map_or(0, |change| match change.stage {
                RuleStage::Trial | RuleStage::Live => change.from.unix_ms(),
                RuleStage::Draft | RuleStage::Retired => change.at.unix_ms(),
            }),
            stage_by: stage.map(|change| change.by.clone()).unwrap_or_default(),
            stage_reason: stage
                .map(|change| change.reason.clone())
                .unwrap_or_default(),
            without_trial: stage.is_some_and(|change| change.without_trial),
            was_on_trial: book.was_on_trial(reference),
            n_units_faulted: u32::try_from(faulted.n_units).unwrap_or(u32::MAX),
            last_fault: faulted.last_fault,
            etag: book.rule_etag(reference),
            cause: facts.cause.clone(),
            consequence: facts.consequence.clone(),
            action: facts.action.clone(),
            respond_within_ms: facts.respond_within_ms,
            once_a_train: facts.once_a_train,
            only_for_shop: !facts.desk,
            forecast: book.rule_forecast(reference).map(|kept| kept_to_wire(kept)),
            stage_forecast: stage
                .and_then(|change| change.forecast.as_deref())
                .map(kept_to_wire),
            cases: book
                .rule_cases(reference)
                .and_then(|cases| rule_cases::to_wire(cases)),
        }
    }

    fn rule(&self, reference: &RuleRef) -> Result<v1::Rule, Status> {
        let book = self.judging.ledger().book();
        let version = known::version(&book, reference)?;
        Ok(self.to_wire(&book, version))
    }
}

async fn off_thread<T: Send + 'static>(
    call: impl FnOnce() -> T + Send + 'static,
) -> Result<T, Status> {
    tokio::task::spawn_blocking(call)
        .await
        .map_err(|_| status::internal("checking a rule was cut off"))
}

fn place(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}

#[tonic::async_trait]
impl RuleService for RuleCalls {
    type ReplayRuleStream = Replaying;
    type SweepRuleStream = Sweeping;

    async fn sweep_rule(
        &self,
        request: Request<v1::SweepRuleRequest>,
    ) -> Result<Response<Sweeping>, Status> {
        self.replays.sweep(request).await.map(Response::new)
    }

    async fn try_rule_cases(
        &self,
        request: Request<v1::TryRuleCasesRequest>,
    ) -> Result<Response<v1::TryRuleCasesResponse>, Status> {
        let request = request.into_inner();
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        off_thread(move || rule_cases::try_cases(&shared, &judging, request))
            .await?
            .map(Response::new)
    }

    async fn replay_rule(
        &self,
        request: Request<v1::ReplayRuleRequest>,
    ) -> Result<Response<Replaying>, Status> {
        self.replays.start(request).await.map(Response::new)
    }

    async fn list_class_baselines(
        &self,
        request: Request<v1::ListClassBaselinesRequest>,
    ) -> Result<Response<v1::ListClassBaselinesResponse>, Status> {
        let v1::ListClassBaselinesRequest {
            page_size,
            page_token,
            class,
        } = request.into_inner();
        let wanted = match class.as_str() {
            "" => None,
            class => Some(convert::class_from_name("class", class).map_err(bad_field)?),
        };
        let arguments = v1::ListClassBaselinesRequest {
            page_size: 0,
            page_token: String::new(),
            class,
        };
        let call = "ListClassBaselines";
        let store = self.shared.store.id();
        let page = Page::read(store, call, page_size, &page_token, RULES, &arguments)?;
        let book = self.judging.ledger().book();
        // A handful a rule and week.
        let mut found: Vec<&KeptBaseline> = book.class_baselines().iter().collect();
        found.retain(|kept| wanted.is_none() || kept.baseline.class == wanted);
        let place = |kept: &KeptBaseline| {
            let baseline = &kept.baseline;
            let of = (baseline.class.clone(), baseline.of.clone());
            (of, std::cmp::Reverse(baseline.from))
        };
        found.sort_by_key(|kept| place(kept));
        let token = |kept: &KeptBaseline| {
            let baseline = &kept.baseline;
            let class = baseline.class.as_ref().map(ToString::to_string);
            format!("{class:?} {} {}", baseline.of, baseline.from.unix_ms())
        };
        if let Some(after) = &page.after {
            let is_last = |kept: &&KeptBaseline| token(kept).as_bytes() == after.as_slice();
            let last = found.iter().position(is_last).ok_or_else(bad_token)?;
            found.drain(..=last);
        }
        let has_more = found.len() > page.size;
        found.truncate(page.size);
        let next_page_token = match found.last() {
            Some(last) if has_more => page.next_token(token(last).as_bytes()),
            _ => String::new(),
        };
        let to_wire = |kept: &KeptBaseline| {
            convert::class_baseline_to_wire(&kept.baseline, Some(kept.frozen_at))
        };
        Ok(Response::new(v1::ListClassBaselinesResponse {
            class_baselines: found.into_iter().map(to_wire).collect(),
            next_page_token,
        }))
    }

    type WalkBackStream = Walking;

    async fn walk_back(
        &self,
        request: Request<v1::WalkBackRequest>,
    ) -> Result<Response<Walking>, Status> {
        self.walks.start(request.into_inner()).map(Response::new)
    }

    async fn list_rules(
        &self,
        request: Request<v1::ListRulesRequest>,
    ) -> Result<Response<v1::ListRulesResponse>, Status> {
        let v1::ListRulesRequest {
            page_size,
            page_token,
            stage,
            all_versions,
        } = request.into_inner();
        let wanted = convert::rule_stage_from_wire("stage", stage).map_err(bad_field)?;
        let arguments = v1::ListRulesRequest {
            page_size: 0,
            page_token: String::new(),
            stage,
            all_versions,
        };
        let store = self.shared.store.id();
        let page = Page::read(
            store,
            "ListRules",
            page_size,
            &page_token,
            RULES,
            &arguments,
        )?;
        let book = self.judging.ledger().book();
        // Newest version first; a rule book has hundreds of rules, not millions.
        let mut found: Vec<&Arc<RuleVersion>> = Vec::new();
        for name in book.rule_names() {
            let mut versions: Vec<_> = book.rule_versions(name).collect();
            versions.reverse();
            if !all_versions && wanted.is_none() {
                versions = that_stand(&book, versions);
            }
            found.extend(versions.into_iter().filter(|version| {
                let stage = book.rule_stage(&version.reference);
                wanted.is_none_or(|wanted| stage.is_some_and(|of| of.stage == wanted))
            }));
        }
        if let Some(after) = &page.after {
            let is_last = |version: &&Arc<RuleVersion>| {
                convert::rule_version_name(&version.reference).as_bytes() == after.as_slice()
            };
            let last = found.iter().position(is_last).ok_or_else(bad_token)?;
            found.drain(..=last);
        }
        let has_more = found.len() > page.size;
        found.truncate(page.size);
        let next_page_token = match found.last() {
            Some(last) if has_more => {
                page.next_token(convert::rule_version_name(&last.reference).as_bytes())
            }
            _ => String::new(),
        };
        Ok(Response::new(v1::ListRulesResponse {
            rules: found
                .into_iter()
                .map(|version| self.to_wire(&book, version))
                .collect(),
            next_page_token,
        }))
    }

    async fn get_rule(
        &self,
        request: Request<v1::GetRuleRequest>,
    ) -> Result<Response<v1::Rule>, Status> {
        let v1::GetRuleRequest { name } = request.into_inner();
        let book = self.judging.ledger().book();
        let found = lodged(&book, "name", &name)?;
        Ok(Response::new(self.to_wire(&book, &found)))
    }

    async fn vet_rule(
        &self,
        request: Request<v1::VetRuleRequest>,
    ) -> Result<Response<v1::VetRuleResponse>, Status> {
        let v1::VetRuleRequest { name, source } = request.into_inner();
        let name = bare_name(&name)?;
        check_source(&source)?;
        let shared = Arc::clone(&self.shared);
        let (vetted, cost) = off_thread(move || vetted(&shared, &name, &source)).await?;
        let inputs = vetted.rule.iter().flat_map(|rule| &rule.inputs);
        Ok(Response::new(v1::VetRuleResponse {
            inputs: inputs.map(input).collect(),
            problems: vetted.problems.into_iter().map(problem).collect(),
            doubts: vetted.warnings.into_iter().map(problem).collect(),
            bytes_per_unit: cost.map_or(0, |cost| cost.window_bytes),
            readings_per_hour: cost.map_or(0, |cost| cost.readings_per_hour),
            verdicts_per_hour: cost.map_or(0, |cost| cost.verdicts_per_hour),
            core_ms_per_unit_day: cost
                .map_or(0.0, |cost| cost.core_per_day.as_secs_f64() * 1_000.0),
        }))
    }

    async fn lodge_rule(
        &self,
        request: Request<v1::LodgeRuleRequest>,
    ) -> Result<Response<v1::Rule>, Status> {
        let actor = actor_of(&request)?;
        let v1::LodgeRuleRequest {
            name,
            source,
            request_id,
            cases,
        } = request.into_inner();
        let name = bare_name(&name)?;
        check_source(&source)?;
        check_request_id(&request_id)?;
        let cases = rule_cases::from_wire(cases)?;
        let shared = Arc::clone(&self.shared);
        let sent = cases.clone();
        let rule = off_thread(move || {
            let rule = check(&shared, &name, &source).map_err(|found| refused(&found))?;
            rule_cases::read(&name, &sent.unwrap_or_default(), &shared.catalogue)
                .map_err(|found| rule_cases::refused_cases(&found))?;
            Ok::<_, Status>(rule)
        })
        .await??;
        let reference = rule.reference.clone();
        act(self.judging.ledger(), actor, move |planner| {
            let facts = facts(&rule);
            planner.lodge(&rule.reference, &rule.source, facts, cases, &request_id)
        })
        .await?;
        self.rule(&reference).map(Response::new)
    }

    async fn promote_rule(
        &self,
        request: Request<v1::PromoteRuleRequest>,
    ) -> Result<Response<v1::Rule>, Status> {
        let actor = actor_of(&request)?;
        let v1::PromoteRuleRequest {
            name,
            stage,
            etag,
            without_forecast,
            reason,
        } = request.into_inner();
        check_text("reason", &reason, MAX_REASON)?;
        let (rule, version) = {
            let book = self.judging.ledger().book();
            known::rule_from_name(&book, "name", &name).map_err(bad_field)?
        };
        let version = version.ok_or_else(|| {
            status::bad_field(
                "BAD_FIELD",
                "name",
                "names no version; write rules/{rule}/versions/{version}",
            )
        })?;
        let reference = RuleRef {
            name: rule,
            version,
        };
        let stage = convert::rule_stage_from_wire("stage", stage)
            .map_err(bad_field)?
            .ok_or_else(|| status::bad_field("BAD_FIELD", "stage", "is not set"))?;
        if matches!(stage, RuleStage::Trial | RuleStage::Live) {
            let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
            let version = reference.clone();
            off_thread(move || rule_cases::must_pass(&shared, &judging, &version)).await??;
        }
        if stage == RuleStage::Live && !without_forecast {
            let book = self.judging.ledger().book();
            let is_lodged = book.rule_version(&reference).is_some();
            let kept = book.rule_forecast(&reference);
            if is_lodged && kept.is_none() {
                return Err(status::precondition(
                    "FORECAST_MISSING",
                    "nobody has looked at what it would have rung; replay it with keep_forecast first, or go \
                     without a forecast",
                ));
            }
            if let Some(kept) = kept
                && kept.forecast.is_blind()
                && let Some(blind) = &kept.forecast.blind
            {
                return Err(status::precondition(
                    "NOTHING_KNOWN",
                    format!(
                        "it had no verdict at any tick on any of the units it was tried on, as it never knew {}; see \
                         that the units send it and replay it again, or go without a forecast",
                        words::never_known(&blind.never_known)
                    ),
                ));
            }
            if let Some(faulted) = kept.and_then(|kept| kept.forecast.faulted.as_ref()) {
                return Err(status::precondition(
                    "SCRIPT_FAILS",
                    format!(
                        "its script failed at tick after tick on {} of the units it was tried on: {}; mend it, \
                         lodge it and replay it again, or go without a forecast",
                        faulted.n_units, faulted.message
                    ),
                ));
            }
        }
        // In force from now on: what was measured before this instant is not judged by it.
        let from = EventTime::from_unix_ms(self.judging.ledger().now().unix_ms());
        let (moved, judging) = (reference.clone(), Arc::clone(&self.judging));
        act_then(
            self.judging.ledger(),
            actor,
            move |planner| planner.stage(&moved, stage, from, &reason, &etag),
            move || judging.rules_changed(),
        )
        .await?;
        self.rule(&reference).map(Response::new)
    }
}
