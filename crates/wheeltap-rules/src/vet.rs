//! From text to a checked rule, or to everything that is wrong with it.

use crate::about::{self, Dialect};
use crate::lower::{Lower, VERDICTS, domains};
use crate::params;
use crate::problem::{Findings, Place, Problem, arguments, suggestion};
use crate::reads::{self, Placed};
use crate::script::Script;
use crate::syntax::{self, Function, Tree};
use crate::{About, Logic, MOST_MATES, Read, Rule, Statistic, functions, together};
use std::path::Path;
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{RuleName, RuleRef};

/// What a rule is checked against.
#[derive(Clone, Copy, Debug)]
pub struct Environment<'a> {
    /// Channels and classes.
    pub catalogue: &'a Catalogue,
    /// How long raw samples are kept, in milliseconds.
    pub raw_retention_ms: i64,
    /// For how long late samples are judged, in milliseconds.
    pub settlement_horizon_ms: i64,
}

impl<'a> Environment<'a> {
    /// 90 d of raw samples and 14 d for late ones, the defaults of the service.
    pub const fn new(catalogue: &'a Catalogue) -> Self {
        Self {
            catalogue,
            raw_retention_ms: 90 * 86_400_000,
            settlement_horizon_ms: 14 * 86_400_000,
        }
    }
}

/// What the checker found.
#[derive(Clone, Debug)]
pub struct Vetted {
    /// The rule, when there is no problem.
    pub rule: Option<Rule>,
    /// What cannot be right, in the order of the text.
    pub problems: Vec<Problem>,
    /// What may not be meant, in the order of the text.
    pub warnings: Vec<Problem>,
}

impl Rule {
    /// Panes kept a unit, over all inputs; each holds one statistic's partial result.
    pub fn panes(&self) -> u64 {
        let panes = self.inputs.iter().map(|input| panes(&input.read));
        panes.fold(0, u64::saturating_add)
    }

    /// The longest window, in milliseconds; 0 when no channel is read.
    pub fn longest_window_ms(&self) -> i64 {
        self.inputs
            .iter()
            .map(|input| input.read.span_ms())
            .max()
            .unwrap_or(0)
    }
}

/// Panes of one input; of mates, as many as a unit can have.
fn panes(read: &Read) -> u64 {
    let whole = |panes: i64| u64::try_from(panes).unwrap_or(0);
    match read {
        Read::Window {
            statistic,
            window_ms,
            pane_ms,
            ..
        } => {
            let past = match statistic {
                Statistic::RobustScore {
                    past_ms,
                    past_pane_ms,
                } => past_ms / past_pane_ms,
                _ => 0,
            };
            whole(window_ms / pane_ms + past)
        }
        Read::Healthy { baseline, .. } => baseline.panes(),
        Read::Class { window, .. } => whole(window.window_ms / window.pane_ms),
        Read::Mates { window, .. } => panes(window).saturating_mul(MOST_MATES as u64),
        Read::InState(_) | Read::InRole(_) | Read::PartNumber | Read::Param(_) => 0,
    }
}

/// Checks one rule's text and makes the rule; its name is the stem of `file`.
///
/// # Errors
/// Every [`Problem`] found, in the order of the text.
pub fn compile(file: &str, source: &str, env: &Environment) -> Result<Rule, Vec<Problem>> {
    let vetted = vet(file, source, env);
    vetted.rule.ok_or(vetted.problems)
}

/// Checks the text of a rule that was kept under this name and makes the rule.
///
/// # Errors
/// Every [`Problem`] found, in the order of the text.
pub fn compile_kept(
    name: &RuleName,
    source: &str,
    env: &Environment,
) -> Result<Rule, Vec<Problem>> {
    let vetted = vet_named(&format!("{name}.rhai"), source, env, |_| Some(name.clone()));
    vetted.rule.ok_or(vetted.problems)
}

/// Checks one rule's text; its name is the stem of `file`.
pub fn vet(file: &str, source: &str, env: &Environment) -> Vetted {
    vet_named(file, source, env, |findings| rule_name(file, findings))
}

fn vet_named(
    file: &str,
    source: &str,
    env: &Environment,
    name: impl FnOnce(&mut Findings) -> Option<RuleName>,
) -> Vetted {
    let mut findings = Findings::new(file);
    let name = name(&mut findings);
    let rule = check(name, source, env, &mut findings);
    findings.sort();
    Vetted {
        rule: rule.filter(|_| findings.problems.is_empty()),
        problems: findings.problems,
        warnings: findings.warnings,
    }
}

fn check(
    name: Option<RuleName>,
    source: &str,
    env: &Environment,
    findings: &mut Findings,
) -> Option<Rule> {
    let tree = syntax::read(source, findings)?;
    let find = |name: &str| tree.functions.iter().find(|function| function.name == name);
    refuse_missing(&tree, findings);
    refuse_taken_names(&tree, findings);
    let about = match find("about") {
        Some(function) => about::read(function, findings),
        None => about::Read::default(),
    };
    warn_classes(&about, env, findings);
    let (mut placed, mut refused) = match find("reads") {
        Some(function) => reads::read(function, &about, env, findings),
        None => (Vec::new(), Vec::new()),
    };
    warn_for_each(&about, &placed, findings);
    let params = find("params").map(|function| {
        let inputs = (&mut placed, &mut refused);
        params::read(function, &about, inputs, findings)
    });
    let [tested, raise, clear, suppress] = match about.dialect {
        Dialect::Expression => expressions(&tree, &placed, &refused, findings),
        Dialect::Script => {
            let place = find("about").map_or(Place::START, |function| function.place);
            reads::warn_script(about.dialect, place, findings);
            scripts(source, &tree, (&placed, &refused), findings)
        }
    };
    let about: Option<About> = about.about;
    if let Some(function) = find("suppress")
        && about.as_ref().is_some_and(|about| about.safety)
    {
        findings.refuse(
            function.place,
            "suppress() in a safety rule",
            "what warns of danger is never suppressed, so it is never asked",
            "take it away, or let raise() or tested() leave out what is no danger",
        );
    }
    Some(Rule {
        reference: RuleRef {
            name: name?,
            version: version(source),
        },
        source: source.to_owned(),
        about: about?,
        inputs: placed.into_iter().map(|placed| placed.input).collect(),
        params: params.unwrap_or_default(),
        tested,
        raise: raise?,
        clear,
        suppress,
        is_absence: false,
    })
}

/// First 16 hexadecimal digits of the BLAKE3 digest of the text.
pub(crate) fn version(source: &str) -> String {
    let digest = blake3::hash(source.as_bytes()).to_hex();
    digest.as_str().chars().take(16).collect()
}

fn rule_name(file: &str, findings: &mut Findings) -> Option<RuleName> {
    let stem = Path::new(file)
        .file_stem()
        .map(|stem| stem.to_string_lossy().into_owned())
        .unwrap_or_default();
    match RuleName::of_new(&stem) {
        Ok(name) => Some(name),
        Err(refusal) => {
            findings.refuse(
                Place::START,
                format!("\"{}\" is no rule name", refusal.text),
                format!("a rule is named by its file: {}", refusal.rule),
                "rename the file, such as oil-above-coolant.rhai",
            );
            None
        }
    }
}

/// The functions a rule may have besides helpers.
fn entry_names() -> impl Iterator<Item = &'static str> {
    ["about", "reads", "params"]
        .into_iter()
        .chain(VERDICTS.iter().map(|(name, _)| *name))
}

fn refuse_missing(tree: &Tree, findings: &mut Findings) {
    let has = |name: &str| tree.functions.iter().any(|function| function.name == name);
    for name in ["about", "reads", "raise"] {
        if has(name) {
            continue;
        }
        let others = tree
            .functions
            .iter()
            .map(|function| function.name.as_str())
            .filter(|other| entry_names().all(|entry| entry != *other));
        let args = if name == "raise" { "seen" } else { "" };
        findings.refuse(
            Place::START,
            format!("the rule has no {name}()"),
            "about() says what it is for, reads() what it sees, raise() when it rings",
            suggestion(name, others, || format!("add fn {name}({args}) {{ .. }}")),
        );
    }
}

fn refuse_taken_names(tree: &Tree, findings: &mut Findings) {
    for function in &tree.functions {
        if functions::find(&function.name).is_some() || function.name == "known" {
            findings.refuse(
                function.place,
                format!("the rule defines {}()", function.name),
                "the language has a function of that name",
                "choose another name",
            );
        }
        if let Some(param) = function.params.iter().find(|param| {
            function
                .params
                .iter()
                .filter(|other| other == param)
                .count()
                > 1
        }) {
            findings.refuse(
                function.place,
                format!("{}() takes {param} twice", function.name),
                "a name means one thing in a function",
                "choose another name",
            );
        }
    }
}

fn warn_classes(about: &about::Read, env: &Environment, findings: &mut Findings) {
    for (class, place) in &about.class_places {
        if env.catalogue.class(class).is_none() {
            let names = env.catalogue.classes().map(|class| class.name.as_str());
            findings.warn(
                *place,
                format!("no class {class}"),
                "the catalogue does not have it, so the rule may be for no unit",
                suggestion(class.as_str(), names, || {
                    "name a class that is there, or add it to the catalogue and name that with \
                     --catalogue FILE"
                        .to_owned()
                }),
            );
        }
    }
}

fn warn_for_each(about: &about::Read, placed: &[Placed], findings: &mut Findings) {
    let Some(place) = about.for_each else {
        return;
    };
    let by_axle = placed.iter().any(|placed| {
        matches!(placed.input.read, Read::PartNumber)
            || placed
                .input
                .read
                .channels()
                .iter()
                .any(|name| name.contains("{axle}"))
    });
    if !by_axle && !placed.is_empty() {
        findings.warn(
            place,
            "for_each: \"axle\" without an axle's channel",
            "the rule would say the same of each axle",
            "write {axle} in a channel's name, or leave for_each out",
        );
    }
}

type Verdicts = [Option<Logic>; 4];

fn expressions(
    tree: &Tree,
    placed: &[Placed],
    refused: &[String],
    findings: &mut Findings,
) -> Verdicts {
    let mut lower = Lower::new(tree, placed, refused, findings);
    let programs = VERDICTS.map(|(name, _)| {
        let function = tree.functions.iter().find(|own| own.name == name)?;
        lower.verdict(function)
    });
    let (used, called) = (
        std::mem::take(&mut lower.used),
        std::mem::take(&mut lower.called),
    );
    together::check(tree, &programs, &domains(placed), findings);
    let verdicts = programs.map(|program| program.map(Logic::from_program));
    if !findings.problems.is_empty() {
        return verdicts;
    }
    for (placed, _) in placed.iter().zip(used).filter(|(_, used)| !used) {
        warn_unused(placed, findings);
    }
    for function in &tree.functions {
        let entry = entry_names().any(|entry| entry == function.name);
        if !entry && !called.contains(&function.name) {
            warn_uncalled(function, findings);
        }
    }
    verdicts
}

fn warn_unused(placed: &Placed, findings: &mut Findings) {
    if matches!(placed.input.read, Read::Param(_)) {
        findings.warn(
            placed.place,
            format!("{} decides nothing", placed.input.name),
            "whatever it is, the rule says the same",
            "use it as seen.name, or take it out of params()",
        );
        return;
    }
    findings.warn(
        placed.place,
        format!("{} decides nothing", placed.input.name),
        "its window is kept for every unit all the same, as evidence only",
        "use it, or take it out of reads()",
    );
}

fn warn_uncalled(function: &Function, findings: &mut Findings) {
    findings.warn(
        function.place,
        format!("{}() is never called", function.name),
        "no verdict of the rule calls it, so it decides nothing",
        suggestion(&function.name, entry_names(), || {
            "call it from a verdict, or take it away".to_owned()
        }),
    );
}

fn scripts(
    source: &str,
    tree: &Tree,
    (placed, refused): (&[Placed], &[String]),
    findings: &mut Findings,
) -> Verdicts {
    let inputs: Vec<&str> = placed
        .iter()
        .map(|placed| placed.input.name.as_str())
        .collect();
    let are_flags: Vec<bool> = placed
        .iter()
        .map(|placed| placed.input.ucum.is_empty())
        .collect();
    let Some(script) = Script::new(source, &inputs, findings) else {
        return Default::default();
    };
    VERDICTS.map(|(name, _)| {
        let function = tree.functions.iter().find(|own| own.name == name)?;
        if function.params.len() != 1 {
            findings.refuse(
                function.place,
                format!("{name}() takes {}", arguments(function.params.len())),
                "it is given what the rule sees, and nothing else",
                format!("write fn {name}(seen) {{ .. }}"),
            );
            return None;
        }
        let before = findings.problems.len();
        for (field, at) in script.fields(name) {
            if !inputs.contains(&field.as_str()) && !refused.contains(field) {
                findings.refuse_unknown_input(*at, field, inputs.iter().copied());
            }
        }
        // Where inputs are missing it must fail, which says nothing of it.
        if refused.is_empty() && findings.problems.len() == before {
            script.refuse_failing(name, &are_flags, findings);
        }
        Some(Logic::from_script(script.verdict(name)))
    })
}
