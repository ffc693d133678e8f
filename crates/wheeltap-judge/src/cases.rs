//! Rule cases: whether a rule gives the alerts that were written down beside it.

use crate::reconcile::share_an_instant;
use crate::{
    ClassBaselines, EffectiveRule, FaultReport, Mates, Occurrence, Recorded, UnitContext, UnitData,
    UnitPlan, replay_among,
};
use std::fmt;
use std::sync::Arc;
use wheeltap_catalogue::{ExpectedAlert, MOST_AXLES, RuleCase};
use wheeltap_model::{
    ClassBaseline, ClassName, ConsistPosition, EventTime, Timeline, UnitId, UnitState,
};
use wheeltap_rules::{ClassWindow, Read, Rule};

/// What came out of one case.
#[derive(Clone, Debug, PartialEq)]
pub struct CaseOutcome {
    /// The case's name.
    pub name: String,
    /// Alerts that would have rung, in order of raising.
    pub alerts: Vec<Occurrence>,
    /// What is not as the case says; empty when it passed.
    pub misses: Vec<CaseMiss>,
    /// The rule knew nothing at any tick, so that quiet says nothing of it.
    pub knew_nothing: bool,
}

impl CaseOutcome {
    /// Everything came as the case says.
    pub const fn passed(&self) -> bool {
        self.misses.is_empty()
    }
}

/// One thing that is not as a case says.
#[derive(Clone, Debug, PartialEq)]
pub enum CaseMiss {
    /// The rule is not for the case's unit and class.
    NotJudged {
        /// The unit, with its class where one is known.
        whose: String,
    },
    /// The case gives a baseline of something that the rule does not ask of the class.
    NoSuchBaseline {
        /// As the case names it.
        input: String,
        /// The inputs that ask the class.
        asked: Vec<String>,
    },
    /// The rule's script failed.
    Faulted(FaultReport),
    /// An alert did not come.
    Missing(ExpectedAlert),
    /// An alert came that the case does not have.
    Unexpected(ExpectedAlert),
    /// An alert came at other times.
    OtherTimes {
        /// What the case says.
        expected: ExpectedAlert,
        /// What came.
        came: ExpectedAlert,
    },
}

/// `raised 2026-01-01T00:20:00Z on axle 3 and ended ..`.
struct Told<'a>(&'a ExpectedAlert);

impl fmt::Display for Told<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ExpectedAlert {
            part,
            raised_at,
            ended_at,
        } = self.0;
        if let Some(part) = part {
            write!(f, "{part} ")?;
        }
        write!(f, "raised {raised_at}, ")?;
        match ended_at {
            Some(ended_at) => write!(f, "ended {ended_at}"),
            None => f.write_str("standing at the end"),
        }
    }
}

impl fmt::Display for CaseMiss {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotJudged { whose } => write!(
                f,
                "the rule is not for {whose}; give the case a class or unit that it is for"
            ),
            Self::NoSuchBaseline { input, asked } if asked.is_empty() => write!(
                f,
                "gives a baseline of {input}, and no input of the rule asks the class; take it away"
            ),
            Self::NoSuchBaseline { input, asked } => write!(
                f,
                "gives a baseline of {input}, which does not ask the class; name {}",
                asked.join(" or ")
            ),
            Self::Faulted(fault) => {
                write!(f, "the script failed at {}: {}", fault.at, fault.message)
            }
            Self::Missing(expected) => write!(f, "did not come: {}", Told(expected)),
            Self::Unexpected(came) => write!(f, "came, and is not in the case: {}", Told(came)),
            Self::OtherTimes { expected, came } => {
                write!(f, "expected {}; came {}", Told(expected), Told(came))
            }
        }
    }
}

/// Judges a case as live would, from its first row to its last.
pub fn run_case(rule: &Arc<Rule>, case: &RuleCase) -> CaseOutcome {
    let applies = &rule.about.applies;
    let class = case.class.as_ref().or_else(|| applies.classes.first());
    let class_def = class.and_then(|class| case.catalogue.class(class));
    // A case that names no unit is about one that the rule is for.
    let is_named = case.unit.as_str() != wheeltap_catalogue::ANY_CASE_UNIT;
    let unit: &UnitId = match applies.units.first() {
        Some(first) if !is_named => first,
        _ => &case.unit,
    };
    let effective = EffectiveRule::always(Arc::clone(rule));
    let plan = UnitPlan::new(&[effective], unit, class, class_def, &case.catalogue);
    let n_slots = plan.n_slots();
    if plan.n_slots() == 0 {
        let whose = class.map_or_else(|| unit.to_string(), |class| format!("{unit}, a {class}"));
        return CaseOutcome {
            name: case.name.clone(),
            alerts: Vec::new(),
            misses: vec![CaseMiss::NotJudged { whose }],
            knew_nothing: true,
        };
    }
    let context = UnitContext {
        states: case.states.clone(),
        consists: case.consists.clone(),
        mates: Arc::new(mates_of(case, class)),
        class_baselines: Arc::new(baselines_of(rule, case, class)),
    };
    let data = UnitData::from(case.measured.clone());
    let mates = case.mates.iter().map(|mate| {
        let data = UnitData::from(mate.measured.clone());
        (mate.unit.clone(), data)
    });
    let mates: Vec<(UnitId, UnitData)> = mates.collect();
    let judgement = replay_among(Arc::new(plan), Arc::new(context), &data, &mates);
    let fault = judgement.faults.iter().find(|fault| fault.n_in_a_row > 0);
    let mut misses: Vec<CaseMiss> = fault.cloned().map(CaseMiss::Faulted).into_iter().collect();
    misses.extend(baselines_of_nothing(rule, case));
    let mut alerts = judgement.occurrences();
    alerts.retain(|occurrence| occurrence.unsuppressed_at.is_some());
    let told: Vec<ExpectedAlert> = alerts
        .iter()
        .map(|occurrence| ExpectedAlert {
            part: occurrence.part.as_ref().map(ToString::to_string),
            raised_at: occurrence.raised_at,
            ended_at: occurrence.ended_at,
        })
        .collect();
    misses.extend(compare(&case.alerts, told));
    CaseOutcome {
        name: case.name.clone(),
        alerts,
        misses,
        knew_nothing: judgement
            .without_verdict
            .iter()
            .filter(|of| !of.was_untested)
            .count()
            == n_slots,
    }
}

/// The case's mates, in one train with the unit and working throughout; of its class where the case
/// names none.
fn mates_of(case: &RuleCase, class: Option<&ClassName>) -> Mates {
    if case.mates.is_empty() {
        return Mates::default();
    }
    let states = Timeline::always(UnitState::Working, "the case");
    let consists = Timeline::always(
        ConsistPosition {
            train: Some("case".to_owned()),
            ..ConsistPosition::default()
        },
        "the case",
    );
    let recorded = case.mates.iter().map(|mate| Recorded {
        unit: &mate.unit,
        class: mate.class.as_ref().or(class),
        states: &states,
        consists: &consists,
    });
    Mates::new(&consists, recorded)
}

/// The inputs that ask the class, with what they ask.
fn asks_class(rule: &Rule) -> impl Iterator<Item = (&str, &ClassWindow)> {
    rule.inputs.iter().filter_map(|input| match &input.read {
        Read::Class { window, .. } => Some((input.name.as_str(), window)),
        _ => None,
    })
}

/// What the case says of the class, in force at all times and for each part alike.
fn baselines_of(rule: &Rule, case: &RuleCase, class: Option<&ClassName>) -> ClassBaselines {
    let always = EventTime::from_unix_ms(i64::MIN);
    let given = asks_class(rule).filter_map(|(name, window)| {
        let given = case.baselines.iter().find(|given| given.input == name)?;
        Some((window, given))
    });
    ClassBaselines::new(given.flat_map(|(window, given)| {
        let parts = std::iter::once(None).chain((1..=MOST_AXLES).map(Some));
        parts.map(|part_no| ClassBaseline {
            class: class.cloned(),
            of: window.of(part_no),
            ucum: String::new(),
            from: always,
            fitted_from: always,
            fitted_to: always,
            median: given.median,
            spread: given.spread,
            n_units: 0,
            n_windows: 0,
        })
    }))
}

fn baselines_of_nothing<'a>(
    rule: &'a Rule,
    case: &'a RuleCase,
) -> impl Iterator<Item = CaseMiss> + 'a {
    let asked: Vec<String> = asks_class(rule).map(|(name, _)| name.to_owned()).collect();
    let unasked = case.baselines.iter();
    let unasked = unasked.filter(|given| asks_class(rule).all(|(name, _)| name != given.input));
    unasked
        .map(|given| given.input.clone())
        .collect::<Vec<_>>()
        .into_iter()
        .map(move |input| CaseMiss::NoSuchBaseline {
            input,
            asked: asked.clone(),
        })
}

/// What differs, in order of time; of what is left over, alerts of one part that overlap are one at
/// other times.
fn compare(expected: &[ExpectedAlert], mut came: Vec<ExpectedAlert>) -> Vec<CaseMiss> {
    let mut missing: Vec<ExpectedAlert> = Vec::new();
    for alert in expected {
        match came.iter().position(|other| other == alert) {
            Some(at) => drop(came.remove(at)),
            None => missing.push(alert.clone()),
        }
    }
    let overlaps = |a: &ExpectedAlert, b: &ExpectedAlert| {
        let span = |of: &ExpectedAlert| (of.raised_at, of.ended_at);
        a.part == b.part && share_an_instant(span(a), span(b))
    };
    let mut misses: Vec<(EventTime, CaseMiss)> = Vec::new();
    for expected in missing {
        let at = expected.raised_at;
        let miss = match came.iter().position(|other| overlaps(&expected, other)) {
            Some(found) => CaseMiss::OtherTimes {
                came: came.remove(found),
                expected,
            },
            None => CaseMiss::Missing(expected),
        };
        misses.push((at, miss));
    }
    let unexpected = came
        .into_iter()
        .map(|alert| (alert.raised_at, CaseMiss::Unexpected(alert)));
    misses.extend(unexpected);
    misses.sort_by_key(|(at, _)| *at);
    misses.into_iter().map(|(_, miss)| miss).collect()
}
