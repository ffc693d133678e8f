//! The demonstration's railway and rule book, read from `demo-data` and played through the judge.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{EffectiveRule, Judgement, UnitContext, UnitJudge, UnitPlan};
use wheeltap_model::UnitId;
use wheeltap_rules::{Environment, compile, health_rules};
use wheeltap_sim::{Delivery, Failure, Failures, Railway, RailwayFile, Ring, Score, Settings};

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-data")
}

pub fn read(name: &str) -> String {
    let path = folder().join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

pub fn catalogue() -> Catalogue {
    let files = [("catalogue.toml".to_owned(), read("catalogue.toml"))];
    Catalogue::with_files(&files).unwrap_or_else(|problems| panic!("{problems:#?}"))
}

pub fn file() -> RailwayFile {
    let file = RailwayFile::parse("railway.toml", &read("railway.toml"));
    file.unwrap_or_else(|error| panic!("{error}"))
}

/// Failures of a file of `demo-data`.
pub fn failures(name: &str) -> Vec<Failure> {
    let failures = Failures::parse(name, &read(name));
    failures.unwrap_or_else(|error| panic!("{error}")).failure
}

pub fn railway(settings: Settings, planted: bool) -> Railway {
    let failures = if planted {
        failures("failures.toml")
    } else {
        Vec::new()
    };
    with_failures(settings, &failures)
}

pub fn with_failures(settings: Settings, failures: &[Failure]) -> Railway {
    Railway::new(settings, &file(), failures, &catalogue())
        .unwrap_or_else(|error| panic!("{error}"))
}

/// Every rule of the book; panics with all that is wrong with any.
pub fn rules(catalogue: &Catalogue) -> Vec<EffectiveRule> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(folder().join("rules"))
        .expect("demo-data/rules is there")
        .map(|entry| entry.expect("a folder entry").path())
        .filter(|path| path.extension().is_some_and(|end| end == "rhai"))
        .collect();
    paths.sort();
    let mut rules = Vec::new();
    let mut refused = String::new();
    for path in paths {
        let name = path
            .file_name()
            .expect("a file's name")
            .to_string_lossy()
            .into_owned();
        let text = read(&format!("rules/{name}"));
        match compile(&name, &text, &Environment::new(catalogue)) {
            Ok(rule) => rules.push(EffectiveRule::always(Arc::new(rule))),
            Err(problems) => {
                for problem in problems {
                    let _ = writeln!(refused, "{problem}");
                }
            }
        }
    }
    assert!(refused.is_empty(), "{refused}");
    rules
}

/// The rules that watch sensors, as the service writes them.
fn sensor_rules(catalogue: &Catalogue) -> impl Iterator<Item = EffectiveRule> {
    let written = health_rules(catalogue).into_iter();
    written.map(|(name, text)| {
        let rule = compile(&format!("{name}.rhai"), &text, &Environment::new(catalogue));
        EffectiveRule::always(Arc::new(rule.expect("a rule that the service writes")))
    })
}

/// Runs the railway through the judge and scores what rang.
pub fn play(settings: Settings, planted: bool) -> Score {
    judge_all(&railway(settings, planted), |_| true)
}

/// Runs the chosen units of a railway through the judge and scores what rang.
pub fn judge_all(railway: &Railway, chosen: impl Fn(&UnitId) -> bool + Sync) -> Score {
    let start = railway.settings().start;
    let catalogue = catalogue();
    let mut rules = rules(&catalogue);
    // Whether they keep quiet on sound sensors is a long run of its own, `wheeltap-bench healthy --sensors`.
    if !railway.failures().is_empty() {
        rules.extend(sensor_rules(&catalogue));
    }
    // Units are independent: one thread takes the even ones, one the odd ones.
    let rings: Vec<Ring> = std::thread::scope(|scope| {
        let halves = [0, 1].map(|first| {
            let (rules, catalogue, chosen) = (&rules, &catalogue, &chosen);
            scope.spawn(move || {
                let units = (first..railway.units().len())
                    .step_by(2)
                    .filter(|idx| chosen(&railway.units()[*idx].unit.id));
                let rings = units.flat_map(|idx| rings_of(railway, idx, rules, catalogue));
                rings.collect::<Vec<Ring>>()
            })
        });
        let joined = halves.map(|half| half.join().expect("a unit's replay does not panic"));
        joined.into_iter().flatten().collect()
    });
    Score::of(railway.failures(), start, &rings)
}

/// What rings on one unit.
fn rings_of(
    railway: &Railway,
    idx: usize,
    rules: &[EffectiveRule],
    catalogue: &Catalogue,
) -> Vec<Ring> {
    let sim_unit = &railway.units()[idx];
    let (unit, class) = (&sim_unit.unit.id, &sim_unit.unit.class);
    let plan = UnitPlan::new(rules, unit, Some(class), catalogue.class(class), catalogue);
    let context = UnitContext {
        states: sim_unit.states.clone(),
        consists: sim_unit.consist.clone(),
        ..UnitContext::default()
    };
    let mut judge = UnitJudge::new(Arc::new(plan), Arc::new(context));
    let mut judgement = Judgement::default();
    // Late data is judged as if it had come in time, so a backlog is put in order first.
    let mut deliveries: Vec<Delivery> = Vec::new();
    railway.run_unit(idx, &mut |delivery| deliveries.push(delivery));
    deliveries.sort_by_key(|delivery| delivery.from);
    for delivery in &deliveries {
        let fed = judge.feed(&delivery.batch);
        assert_eq!(fed.late_from, None, "a delivery lies within its own span");
        judge.judge(&mut judgement);
    }
    assert!(judgement.faults.is_empty(), "{:#?}", judgement.faults);
    let component = |name: &str| {
        let found = rules
            .iter()
            .find(|rule| rule.rule.reference.name.as_str() == name);
        found.map_or(String::new(), |rule| rule.rule.about.component.clone())
    };
    judgement
        .occurrences()
        .into_iter()
        .filter(|occurrence| occurrence.unsuppressed_at.is_some())
        .map(|occurrence| Ring {
            unit: unit.clone(),
            component: component(occurrence.rule.name.as_str()),
            rule: occurrence.rule.name.to_string(),
            part: occurrence.part.map(|part| part.to_string()),
            raised_at: occurrence.raised_at,
            ended_at: occurrence.ended_at,
        })
        .collect()
}

/// A score as a person reads it.
pub fn table(score: &Score) -> String {
    let mut text = String::new();
    for outcome in &score.outcomes {
        let failure = &outcome.failure;
        let _ = match (&outcome.found_by, outcome.delay_ms) {
            (Some(ring), Some(delay_ms)) => writeln!(
                text,
                "found   {:26} {} by {} at {} after {} min",
                failure.id,
                failure.unit,
                ring.rule,
                ring.raised_at,
                delay_ms / 60_000
            ),
            _ => writeln!(text, "missed  {:26} {}", failure.id, failure.unit),
        };
    }
    for ring in &score.false_rings {
        let part = ring.part.as_deref().unwrap_or("");
        let ended = ring.ended_at.map_or("-".to_owned(), |at| at.to_string());
        let _ = writeln!(
            text,
            "false   {:26} {} {part} at {} to {ended}",
            ring.rule, ring.unit, ring.raised_at
        );
    }
    let _ = writeln!(
        text,
        "{} found, {} missed, {} false",
        score.found(),
        score.missed(),
        score.false_rings.len()
    );
    text
}
