//! The rule book compiled: which versions judge which unit when.

use super::memory::{Basis, HORIZON_MS, Whose};
use crate::{Shared, StartError, UnitRecord, rule_cases};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use wheeltap_catalogue::{CASES_ENDING, read_cases};
use wheeltap_followup::{Book, CasesText, RuleFacts, RuleVersion};
use wheeltap_judge::{
    Checkpoint, ClassBaselines, EffectiveRule, Mates, Recorded, RuleCost, UnitContext, UnitPlan,
};
use wheeltap_model::{
    Batch, ChannelId, ClassBaseline, ClassName, EventTime, RuleName, RuleRef, Unit, UnitId,
};
use wheeltap_rules::{Environment, Problem, Read, Rule, Vetted, compile, compile_kept, vet};

/// What rules are checked against in this service.
pub fn environment(shared: &Shared) -> Environment<'_> {
    Environment {
        raw_retention_ms: shared.settings.retention.raw.ms(),
        settlement_horizon_ms: HORIZON_MS,
        ..Environment::new(&shared.catalogue)
    }
}

/// What the ledger keeps of a rule for the desk.
pub fn facts(rule: &Rule) -> RuleFacts {
    let about = &rule.about;
    RuleFacts {
        title: about.title.clone(),
        system: about.system.clone(),
        component: about.component.clone(),
        priority: about.priority,
        safety: about.safety,
        once_a_train: about.once_a_train,
        desk: about.desk,
        cause: about.cause.clone(),
        consequence: about.consequence.clone(),
        action: about.action.clone(),
        respond_within_ms: about.respond_within_ms,
    }
}

/// Problems as lines of text, each with its place.
pub fn lines(problems: &[Problem]) -> String {
    let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
    lines.join("\n")
}

/// Checks a rule's text under its name, which is not asked about again: a kept rule may be named as none is now.
///
/// # Errors
/// Every problem found.
pub fn check(shared: &Shared, name: &RuleName, source: &str) -> Result<Rule, Vec<Problem>> {
    compile_kept(name, source, &environment(shared))
}

/// Checks a rule's text under its name: everything that is wrong or doubtful, and what it costs when nothing
/// is wrong.
pub fn vetted(shared: &Shared, name: &RuleName, source: &str) -> (Vetted, Option<RuleCost>) {
    let vetted = vet(&format!("{name}.rhai"), source, &environment(shared));
    let rule = vetted.rule.clone().map(Arc::new);
    let cost = rule.map(|rule| RuleCost::measure(&rule, &shared.catalogue));
    (vetted, cost)
}

/// A rule of a folder.
pub struct FolderRule {
    pub rule: Rule,
    /// The cases beside it.
    pub cases: Option<CasesText>,
}

/// Reads and checks all `.rhai` files of a folder, by name, and judges the cases beside them.
///
/// # Errors
/// Every problem of every file, and what did not come as a case says.
pub fn read_folder(shared: &Shared, folder: &Path) -> Result<Vec<FolderRule>, StartError> {
    let refused = |message: String| StartError::Rules { message };
    let unreadable = |path: &Path, error: &std::io::Error| {
        refused(format!(
            "{}: {error}; name a readable folder",
            path.display()
        ))
    };
    let mut paths = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(|error| unreadable(folder, &error))? {
        let path = entry.map_err(|error| unreadable(folder, &error))?.path();
        if path.extension().is_some_and(|ext| ext == "rhai") {
            paths.push(path);
        }
    }
    paths.sort();
    let mut rules = Vec::new();
    let mut problems = Vec::new();
    for path in paths {
        let source = std::fs::read_to_string(&path).map_err(|error| unreadable(&path, &error))?;
        match compile(&path.display().to_string(), &source, &environment(shared)) {
            Ok(rule) => {
                let path = path.with_file_name(format!("{}{CASES_ENDING}", rule.reference.name));
                match cases_of(shared, &rule, &path) {
                    Ok(cases) => rules.push(FolderRule { rule, cases }),
                    Err(found) => problems.extend(found),
                }
            }
            Err(found) => problems.extend(found.iter().map(ToString::to_string)),
        }
    }
    if problems.is_empty() {
        Ok(rules)
    } else {
        Err(refused(problems.join("\n")))
    }
}

/// The cases in a file, where there is one, all of which must pass.
fn cases_of(shared: &Shared, rule: &Rule, path: &Path) -> Result<Option<CasesText>, Vec<String>> {
    if !path.exists() {
        return Ok(None);
    }
    let unreadable = |error: std::io::Error| vec![format!("{}: {error}", path.display())];
    let toml = std::fs::read_to_string(path).map_err(unreadable)?;
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    let mut files = BTreeMap::new();
    let cases = read_cases(
        &path.display().to_string(),
        &toml,
        &shared.catalogue,
        |name| {
            let text =
                std::fs::read_to_string(folder.join(name)).map_err(|error| error.to_string())?;
            files.insert(name.to_owned(), text.clone());
            Ok(text)
        },
    );
    let cases = cases.map_err(|found| {
        let lines = found.iter().map(ToString::to_string);
        lines.collect::<Vec<String>>()
    })?;
    let outcomes = rule_cases::outcomes(&Arc::new(rule.clone()), &cases);
    let misses: Vec<String> = rule_cases::misses(&outcomes)
        .into_iter()
        .map(|miss| format!("{}: {miss}", path.display()))
        .collect();
    if misses.is_empty() {
        Ok(Some(CasesText { toml, files }))
    } else {
        Err(misses)
    }
}

/// A unit's plan, and what its checkpoints rest on.
#[derive(Clone)]
pub struct Planned {
    pub plan: Arc<UnitPlan>,
    pub context: Arc<UnitContext>,
    pub basis: Arc<Basis>,
    /// What the plan leaves out.
    pub over: Option<Over>,
    plans: Arc<Plans>,
    /// Rules of the plan, by their place in the book.
    applicable: Arc<[usize]>,
}

/// Versions that a plan leaves out, as they were over before it begins.
#[derive(Clone)]
pub struct Over {
    /// When the last of them was.
    until: EventTime,
    /// What they alone read.
    channels: Arc<[ChannelId]>,
}

impl Over {
    /// From when on a batch has what would have mattered to them.
    pub fn late_from(&self, batch: &Batch) -> Option<EventTime> {
        let is_theirs = |channel: &ChannelId| self.channels.contains(channel);
        let columns = batch.columns.iter();
        let columns = columns.filter(|column| is_theirs(&column.channel));
        let samples = columns.filter_map(|column| column.times_ms.iter().min());
        let samples = samples.map(|ms| EventTime::from_unix_ms(*ms));
        let events = batch.events.iter();
        let events = events.filter(|event| is_theirs(&event.channel));
        let first = samples.chain(events.map(|event| event.time)).min();
        first.filter(|first| *first < self.until)
    }
}

impl Planned {
    /// The same for the ticks after a checkpoint alone: versions that were over by then, and of which nothing
    /// stands in it, have nothing more to say, so their windows cost nothing. What checkpoints rest on stays: they
    /// rest on those versions as well.
    ///
    /// Rules that ask mates all stay: how far back their mates' data matters hangs on each of them.
    pub fn after(self, shared: &Shared, unit: &UnitId, base: &Checkpoint) -> Self {
        // A version may have been in force again since.
        let stands = |rule: &RuleRef, until: EventTime| {
            let mut slots = base.slots.iter().filter(|slot| slot.rule == *rule);
            slots.any(|slot| {
                let standing = slot.standing.as_ref();
                standing.is_some_and(|standing| standing.raised_at < until)
            })
        };
        let is_over = |idx: &usize| {
            let EffectiveRule { rule, until, .. } = &self.plans.rules[*idx];
            until.is_some_and(|until| until <= base.at && !stands(&rule.reference, until))
        };
        let applicable = self.applicable.iter().copied();
        let (over, left): (Vec<usize>, Vec<usize>) = applicable.partition(is_over);
        let until = over.iter().filter_map(|idx| self.plans.rules[*idx].until);
        let (Some(until), Some(record), false) =
            (until.max(), shared.fleet.get(unit), self.plan.reads_mates())
        else {
            return self;
        };
        let plan = self.plans.plan(shared, &record.unit, &left);
        let theirs = self.plan.channels().iter();
        let theirs = theirs.filter(|channel| !plan.channels().contains(channel));
        let channels = theirs.copied().collect();
        Self {
            plan,
            over: Some(Over { until, channels }),
            ..self
        }
    }
}

/// What is known of every class.
pub type Classes = HashMap<ClassName, Arc<ClassBaselines>>;

/// The class baselines of the ledger.
pub fn classes_of(book: &Book) -> Classes {
    let mut by_class: HashMap<ClassName, Vec<ClassBaseline>> = HashMap::new();
    for kept in book.class_baselines() {
        if let Some(class) = &kept.baseline.class {
            let known = by_class.entry(class.clone()).or_default();
            known.push(kept.baseline.clone());
        }
    }
    by_class
        .into_iter()
        .map(|(class, known)| (class, Arc::new(ClassBaselines::new(known))))
        .collect()
}

type PlanKey = (ClassName, Vec<usize>);

/// Rules, and the plans made of them.
struct Plans {
    rules: Vec<EffectiveRule>,
    /// By class and applicable rules, made when first needed.
    made: Mutex<HashMap<PlanKey, Arc<UnitPlan>>>,
}

impl Plans {
    /// The plan of some of the rules, by their places, for a unit.
    fn plan(&self, shared: &Shared, unit: &Unit, applicable: &[usize]) -> Arc<UnitPlan> {
        let mut made = self.made.lock().unwrap_or_else(PoisonError::into_inner);
        let plan = made
            .entry((unit.class.clone(), applicable.to_vec()))
            .or_insert_with(|| {
                let rules: Vec<EffectiveRule> = applicable
                    .iter()
                    .map(|idx| self.rules[*idx].clone())
                    .collect();
                Arc::new(UnitPlan::new(
                    &rules,
                    &unit.id,
                    Some(&unit.class),
                    shared.catalogue.class(&unit.class),
                    &shared.catalogue,
                ))
            });
        Arc::clone(plan)
    }
}

/// All versions that are judged at some time, compiled; made anew when the rule book changes.
pub struct RuleBook {
    plans: Arc<Plans>,
    classes: Classes,
}

/// Compiled versions by reference; a version's text never changes, so it is compiled once.
pub type Compiled = HashMap<RuleRef, Arc<Rule>>;

impl RuleBook {
    /// Of rules that are compiled, and what is known of the classes.
    pub fn of(rules: Vec<EffectiveRule>, classes: Classes) -> Self {
        let made = Mutex::new(HashMap::new());
        Self {
            plans: Arc::new(Plans { rules, made }),
            classes,
        }
    }

    /// Whether any of its rules runs in the engine.
    pub fn has_scripts(&self) -> bool {
        let mut rules = self.plans.rules.iter();
        rules.any(|effective| effective.rule.raise.is_script())
    }

    /// Its rules that compare a unit with its class.
    pub fn comparing(&self) -> Vec<EffectiveRule> {
        let compares = |effective: &&EffectiveRule| {
            let inputs = &effective.rule.inputs;
            inputs
                .iter()
                .any(|input| matches!(input.read, Read::Class { .. }))
        };
        let rules = self.plans.rules.iter();
        rules.filter(compares).cloned().collect()
    }

    /// A unit's plan.
    pub fn plan(&self, shared: &Shared, record: &UnitRecord) -> Planned {
        let unit = &record.unit;
        let all = self.plans.rules.iter().enumerate();
        let applicable: Arc<[usize]> = all
            .filter(|(_, effective)| {
                let applies = &effective.rule.about.applies;
                (applies.classes.is_empty() || applies.classes.contains(&unit.class))
                    && (applies.units.is_empty() || applies.units.contains(&unit.id))
            })
            .map(|(idx, _)| idx)
            .collect();
        let plan = self.plans.plan(shared, unit, &applicable);
        let rules = applicable.iter().map(|idx| &self.plans.rules[*idx]);
        let mates = if plan.reads_mates() {
            Arc::new(mates_of(shared, record))
        } else {
            Arc::default()
        };
        let context = UnitContext {
            states: record.states.clone(),
            consists: record.consists.clone(),
            class_baselines: self.classes.get(&unit.class).cloned().unwrap_or_default(),
            mates,
        };
        Planned {
            basis: Arc::new(Basis::new(rules, &plan, context.clone())),
            plan,
            context: Arc::new(context),
            over: None,
            plans: Arc::clone(&self.plans),
            applicable,
        }
    }
}

/// The rules in force at some time, as they are judged: those that ask a unit's mates wait for them, and
/// so have a judge of their own.
pub struct RuleBooks {
    /// All of them.
    pub all: RuleBook,
    /// Those that look at the unit alone.
    pub own: RuleBook,
    /// Those that ask mates.
    pub asking: RuleBook,
    asks: HashSet<RuleRef>,
    /// Versions whose texts are not right any more.
    broken: HashMap<RuleRef, Broken>,
}

struct Broken {
    problems: String,
    /// Until when it is in force.
    until: Option<EventTime>,
}

impl RuleBooks {
    /// Compiles what the book says is judged, taking from `compiled` what was compiled before.
    ///
    /// A lodged version that is no longer right, such as after a channel left the catalogue, is left out.
    pub fn new(shared: &Shared, book: &Book, compiled: &mut Compiled) -> Self {
        let mut rules = Vec::new();
        let mut broken = HashMap::new();
        for judged in book.judged_rules() {
            let Some(version) = book.rule_version(&judged.rule) else {
                continue;
            };
            match Self::compile(shared, version, compiled) {
                Ok(rule) => rules.push(EffectiveRule {
                    rule,
                    from: judged.from,
                    until: judged.until,
                }),
                Err(problems) => {
                    let problems = lines(&problems);
                    let until = judged.until;
                    broken.insert(judged.rule, Broken { problems, until });
                }
            }
        }
        let classes = classes_of(book);
        let (asking, own): (Vec<EffectiveRule>, Vec<EffectiveRule>) = rules
            .iter()
            .cloned()
            .partition(|effective| effective.rule.reads_mates());
        let asks = asking
            .iter()
            .map(|effective| effective.rule.reference.clone());
        let books = Self {
            asks: asks.collect(),
            broken,
            all: RuleBook::of(rules, classes.clone()),
            own: RuleBook::of(own, classes.clone()),
            asking: RuleBook::of(asking, classes),
        };
        for (rule, problems) in books.broken_in_force() {
            tracing::error!(rule = %rule.name, problems, "a rule is left out");
        }
        books
    }

    fn compile(
        shared: &Shared,
        version: &RuleVersion,
        compiled: &mut Compiled,
    ) -> Result<Arc<Rule>, Vec<Problem>> {
        let reference = &version.reference;
        if let Some(rule) = compiled.get(reference) {
            return Ok(Arc::clone(rule));
        }
        let rule = Arc::new(check(shared, &reference.name, &version.source)?);
        compiled.insert(reference.clone(), Arc::clone(&rule));
        Ok(rule)
    }

    fn broken_in_force(&self) -> impl Iterator<Item = (&RuleRef, &str)> {
        let in_force = self.broken.iter().filter(|(_, of)| of.until.is_none());
        in_force.map(|(rule, of)| (rule, of.problems.as_str()))
    }

    /// Why a version that is in force is left out.
    pub fn left_out(&self, rule: &RuleRef) -> Option<&str> {
        let broken = self.broken.get(rule).filter(|of| of.until.is_none())?;
        Some(&broken.problems)
    }

    /// Whether any version is left out, in force or not.
    pub fn leave_any_out(&self) -> bool {
        !self.broken.is_empty()
    }

    /// Until when a version that is left out was in force.
    pub fn left_out_until(&self, rule: &RuleRef) -> Option<EventTime> {
        self.broken.get(rule)?.until
    }

    /// Whether a version is judged, and by this one of a unit's judges: the others say nothing of its alerts.
    pub fn is_judged_by(&self, rule: &RuleRef, whose: Whose) -> bool {
        !self.broken.contains_key(rule) && self.whose(rule) == whose
    }

    /// Whether any rule asks mates.
    pub fn ask(&self) -> bool {
        !self.asks.is_empty()
    }

    /// Which of a unit's judges judges a version.
    pub fn whose(&self, rule: &RuleRef) -> Whose {
        if self.asks.contains(rule) {
            Whose::Asking
        } else {
            Whose::Own
        }
    }
}

/// Who was with a unit in its train when.
fn mates_of(shared: &Shared, record: &UnitRecord) -> Mates {
    let others = shared.fleet.sharing_trains(record);
    let recorded = others.iter().map(|other| Recorded {
        unit: &other.unit.id,
        class: Some(&other.unit.class),
        states: &other.states,
        consists: &other.consists,
    });
    Mates::new(&record.consists, recorded)
}
