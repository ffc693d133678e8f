//! Rule cases: judged for their author, and before a version may ring anybody.

use crate::judging::{Judging, Side, check};
use crate::replays::told;
use crate::rules::{bare_name, check_source, lodged, refused};
use crate::{Shared, known, status};
use std::collections::BTreeMap;
use std::sync::Arc;
use tonic::Status;
use wheeltap_catalogue::{CASES_ENDING, Catalogue, CatalogueProblem, RuleCase, read_cases};
use wheeltap_followup::CasesText;
use wheeltap_judge::{CaseOutcome, run_case};
use wheeltap_model::{RuleName, RuleRef, UnitId};
use wheeltap_proto::v1;
use wheeltap_rules::Rule;

/// Most bytes of one rule's cases: with their escapes they must fit a ledger entry.
const MAX_CASES: usize = 20 << 10;

/// Cases as sent; `None` when unset.
pub(crate) fn from_wire(cases: Option<v1::RuleCases>) -> Result<Option<CasesText>, Status> {
    let Some(v1::RuleCases { toml, files }) = cases else {
        return Ok(None);
    };
    let files: BTreeMap<String, String> = files.into_iter().collect();
    let in_files = files.iter().map(|(name, text)| name.len() + text.len());
    let n_bytes = toml.len() + in_files.sum::<usize>();
    if n_bytes > MAX_CASES {
        return Err(status::bad_field(
            "TOO_LARGE",
            "cases",
            format!(
                "are {n_bytes} bytes, over the limit of {MAX_CASES}; write fewer rows and join them by \
                 between = \"line\", or leave the long ones to `wheeltap rules cases`"
            ),
        ));
    }
    Ok(Some(CasesText { toml, files }))
}

/// Cases as kept; unset when there are none.
pub(crate) fn to_wire(cases: &CasesText) -> Option<v1::RuleCases> {
    (!cases.is_empty()).then(|| v1::RuleCases {
        toml: cases.toml.clone(),
        files: cases.files.clone().into_iter().collect(),
    })
}

/// The cases of a rule, read; none where the text is empty.
pub(crate) fn read(
    rule: &RuleName,
    cases: &CasesText,
    catalogue: &Catalogue,
) -> Result<Vec<RuleCase>, Vec<CatalogueProblem>> {
    if cases.is_empty() {
        return Ok(Vec::new());
    }
    read_cases(
        &format!("{rule}{CASES_ENDING}"),
        &cases.toml,
        catalogue,
        |name| {
            let found = cases.files.get(name).cloned();
            found.ok_or_else(|| "it was not sent with the cases".to_owned())
        },
    )
}

/// Why texts are no cases: a field for each place in them.
pub(crate) fn refused_cases(problems: &[CatalogueProblem]) -> Status {
    let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
    let violations = problems.iter().map(|problem| {
        let field = format!("cases:{}:{}:{}", problem.file, problem.line, problem.column);
        (field, format!("{}; {}", problem.what, problem.mend))
    });
    status::bad_fields("CASE_PROBLEMS", lines.join("\n"), violations)
}

/// Judges all cases of a rule.
pub(crate) fn outcomes(rule: &Arc<Rule>, cases: &[RuleCase]) -> Vec<CaseOutcome> {
    cases.iter().map(|case| run_case(rule, case)).collect()
}

/// What did not come as the cases say, a line each; empty when all passed.
pub(crate) fn misses(outcomes: &[CaseOutcome]) -> Vec<String> {
    outcomes
        .iter()
        .flat_map(|outcome| {
            let misses = outcome.misses.iter();
            misses.map(|miss| format!("case \"{}\": {miss}", outcome.name))
        })
        .collect()
}

/// Refuses a version whose cases do not pass. Blocks.
pub(crate) fn must_pass(
    shared: &Shared,
    judging: &Judging,
    reference: &RuleRef,
) -> Result<(), Status> {
    let (source, cases) = {
        let book = judging.ledger().book();
        let version = known::version(&book, reference)?;
        let cases = book.rule_cases(reference).map(Arc::clone);
        (version.source.clone(), cases.unwrap_or_default())
    };
    if cases.is_empty() {
        return Ok(());
    }
    let rule = check(shared, &reference.name, &source).map_err(|found| refused(&found))?;
    let cases =
        read(&reference.name, &cases, &shared.catalogue).map_err(|found| refused_cases(&found))?;
    let misses = misses(&outcomes(&Arc::new(rule), &cases));
    if misses.is_empty() {
        return Ok(());
    }
    Err(status::precondition(
        "CASES_FAILED",
        format!(
            "{} does not give what its cases say, so it cannot ring anybody; mend the rule or the case:\n{}",
            reference.name,
            misses.join("\n")
        ),
    ))
}

/// Answers `TryRuleCases`. Blocks.
pub(crate) fn try_cases(
    shared: &Shared,
    judging: &Judging,
    request: v1::TryRuleCasesRequest,
) -> Result<v1::TryRuleCasesResponse, Status> {
    let v1::TryRuleCasesRequest {
        name,
        source,
        cases,
    } = request;
    let cases = from_wire(cases)?;
    let (rule, kept) = if source.is_empty() {
        let book = judging.ledger().book();
        let found = lodged(&book, "name", &name)?;
        let kept = book.rule_cases(&found.reference).map(Arc::clone);
        drop(book);
        (
            check(shared, &found.reference.name, &found.source),
            kept.unwrap_or_default(),
        )
    } else {
        check_source(&source)?;
        (check(shared, &bare_name(&name)?, &source), Arc::default())
    };
    let rule = Arc::new(rule.map_err(|problems| refused(&problems))?);
    let cases = cases.unwrap_or_else(|| kept.as_ref().clone());
    let cases = read(&rule.reference.name, &cases, &shared.catalogue)
        .map_err(|problems| refused_cases(&problems))?;
    if cases.is_empty() {
        return Err(status::precondition(
            "NO_CASES",
            format!("{name} has no cases; send some with the request or lodge the rule with them"),
        ));
    }
    let results = cases.iter().zip(outcomes(&rule, &cases));
    Ok(v1::TryRuleCasesResponse {
        results: results
            .map(|(case, outcome)| result_to_wire(&case.unit, &outcome))
            .collect(),
    })
}

fn result_to_wire(unit: &UnitId, outcome: &CaseOutcome) -> v1::RuleCaseResult {
    v1::RuleCaseResult {
        name: outcome.name.clone(),
        misses: outcome.misses.iter().map(ToString::to_string).collect(),
        alerts: outcome
            .alerts
            .iter()
            .map(|occurrence| told(unit, occurrence, Side::Both))
            .collect(),
        knew_nothing: outcome.knew_nothing,
    }
}
