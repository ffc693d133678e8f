//! One rule on one unit or part: its verdict at a tick, and what follows from it.

use crate::{
    Change, FaultReport, Judgement, Mates, NoVerdict, Occurrence,
    baseline::{BaselineState, PlannedBaseline},
    class, evidence, mates,
    plan::{PlannedSlot, Source, WindowSource},
};
use std::sync::Arc;
use wheeltap_model::{ClassBaseline, EventTime, Evidence, EvidenceItem, KnownValue};
use wheeltap_rules::{Fault, Logic, Seen, Truth};

/// Ticks in a row at which a script must fail for its rule to be *faulted*.
pub const FAULTS_TO_REPORT: u32 = 5;

/// What the judge remembers of one rule on one unit or part.
#[derive(Clone, Debug, Default)]
pub(crate) struct SlotState {
    pub run_start: Option<EventTime>,
    pub run_last: Option<EventTime>,
    pub standing: Option<Occurrence>,
    pub n_faults: u32,
    /// Not kept in checkpoints.
    pub knew: Knew,
}

/// What was known at some tick, for who asks why a rule was silent.
#[derive(Clone, Debug, Default)]
pub(crate) struct Knew {
    /// Its verdict: true or false.
    verdict: bool,
    /// That it could not show itself.
    untested: bool,
    /// By input, up to the first verdict.
    inputs: Vec<bool>,
    /// Its script failed, which is told by itself.
    faulted: bool,
}

impl Knew {
    fn take(&mut self, verdict: Verdict, row: &[Seen]) {
        if self.verdict {
            return;
        }
        self.verdict = matches!(verdict, Verdict::True | Verdict::False);
        self.untested |= verdict == Verdict::NotTested;
        self.inputs.resize(row.len(), false);
        for (known, seen) in self.inputs.iter_mut().zip(row) {
            *known |= !matches!(seen, Seen::Unknown);
        }
    }

    /// Why it had no verdict at any tick; `None` when it had one, or failed.
    pub fn silence(&self, slot: &PlannedSlot) -> Option<NoVerdict> {
        let is_unknown = |idx: usize| !self.inputs.get(idx).is_some_and(|known| *known);
        let inputs = slot.rule.inputs.iter().enumerate();
        let unknown = inputs.filter(|(idx, _)| is_unknown(*idx));
        (!self.verdict && !self.faulted).then(|| NoVerdict {
            rule: slot.rule.reference.clone(),
            part: slot.part.clone(),
            never_known: unknown
                .map(|(_, input)| of_part(slot, &input.text))
                .collect(),
            was_untested: self.untested,
        })
    }
}

/// What a rule says at a tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Verdict {
    True,
    False,
    Unknown,
    NotTested,
}

/// What one rule sees at a tick.
pub(crate) struct SeenAt<'a> {
    pub tick: EventTime,
    pub row: &'a [Seen],
    pub baselines: &'a [BaselineState],
    pub planned: &'a [(PlannedBaseline, Vec<WindowSource>)],
    pub classes: &'a [Arc<[ClassBaseline]>],
    pub mates: &'a Mates,
    /// By input as far as the last one that asks mates: what each of them, by its place, said.
    pub of_mates: &'a [Vec<(usize, f64)>],
}

/// One rule at one tick: verdict, run, delay.
pub(crate) fn judge_slot(
    slot: &PlannedSlot,
    state: &mut SlotState,
    seen: &SeenAt<'_>,
    out: &mut Judgement,
) {
    let (tick, row) = (seen.tick, seen.row);
    let mut fault = None;
    let mut ask = |logic: &Logic| match logic.judge(row) {
        Ok(truth) => truth,
        Err(failed) => {
            fault.get_or_insert(failed);
            Truth::Unknown
        }
    };
    let rule = &slot.rule;
    let tested = rule.tested.as_ref().map_or(Truth::True, &mut ask);
    let raise = match tested {
        Truth::True if rule.is_absence => {
            let clear = rule.clear.as_ref().map_or(Truth::True, &mut ask);
            both(not(ask(&rule.raise)), clear)
        }
        Truth::True => ask(&rule.raise),
        _ => Truth::Unknown,
    };
    let verdict = if state.standing.is_none() {
        verdict_of(tested, raise)
    } else {
        match (tested, raise, &rule.clear) {
            (Truth::True, Truth::True, _) => Verdict::False,
            (Truth::True, raise, None) => verdict_of(tested, not(raise)),
            (Truth::True, _, Some(clear)) => verdict_of(tested, ask(clear)),
            _ => verdict_of(tested, Truth::Unknown),
        }
    };
    state.knew.take(verdict, row);
    let due_ms = if state.standing.is_none() {
        rule.about.on_delay_ms
    } else {
        rule.about.off_delay_ms
    };
    let since = run(state, verdict, tick, slot.silent_ms).filter(|s| tick.ms_since(*s) >= due_ms);
    let suppressed = |ask: &mut dyn FnMut(&Logic) -> Truth| {
        !rule.about.safety
            && rule
                .suppress
                .as_ref()
                .is_some_and(|suppress| ask(suppress) == Truth::True)
    };
    match (since, state.standing.take()) {
        (Some(since), None) => {
            let quiet = suppressed(&mut ask);
            let occurrence = Occurrence {
                rule: rule.reference.clone(),
                part: slot.part.clone(),
                raised_at: tick,
                ended_at: None,
                superseded: false,
                evidence: evidence(slot, seen, since),
                end_evidence: None,
                unsuppressed_at: (!quiet).then_some(tick),
            };
            state.run_start = None;
            out.changes.push(Change::Raised(occurrence.clone()));
            state.standing = Some(occurrence);
        }
        (Some(since), Some(mut occurrence)) => {
            occurrence.ended_at = Some(tick);
            occurrence.end_evidence = Some(evidence(slot, seen, since));
            state.run_start = None;
            out.changes.push(Change::Ended(occurrence));
        }
        (None, Some(mut occurrence)) => {
            if occurrence.unsuppressed_at.is_none() && !suppressed(&mut ask) {
                occurrence.unsuppressed_at = Some(tick);
                out.changes.push(Change::Unsuppressed(occurrence.clone()));
            }
            state.standing = Some(occurrence);
        }
        (None, None) => {}
    }
    report_fault(slot, state, fault, tick, out);
}

const fn not(truth: Truth) -> Truth {
    match truth {
        Truth::True => Truth::False,
        Truth::False => Truth::True,
        Truth::Unknown => Truth::Unknown,
    }
}

const fn both(a: Truth, b: Truth) -> Truth {
    match (a, b) {
        (Truth::False, _) | (_, Truth::False) => Truth::False,
        (Truth::True, Truth::True) => Truth::True,
        _ => Truth::Unknown,
    }
}

const fn verdict_of(tested: Truth, truth: Truth) -> Verdict {
    match (tested, truth) {
        (Truth::False, _) => Verdict::NotTested,
        (Truth::Unknown, _) | (Truth::True, Truth::Unknown) => Verdict::Unknown,
        (Truth::True, Truth::True) => Verdict::True,
        (Truth::True, Truth::False) => Verdict::False,
    }
}

/// Carries the run on and returns its start at a known true tick.
///
/// Ticks that are unknown or not tested neither continue nor end it, until they have lasted longer
/// than the longest silent time of the rule's channels.
fn run(
    state: &mut SlotState,
    verdict: Verdict,
    tick: EventTime,
    silent_ms: i64,
) -> Option<EventTime> {
    let lapsed = |last: &Option<EventTime>| last.is_none_or(|last| tick.ms_since(last) > silent_ms);
    match verdict {
        Verdict::True => {
            let start = *state.run_start.get_or_insert(tick);
            state.run_last = Some(tick);
            Some(start)
        }
        Verdict::False => {
            state.run_start = None;
            None
        }
        Verdict::Unknown | Verdict::NotTested => {
            if lapsed(&state.run_last) {
                state.run_start = None;
            }
            None
        }
    }
}

fn report_fault(
    slot: &PlannedSlot,
    state: &mut SlotState,
    fault: Option<Fault>,
    tick: EventTime,
    out: &mut Judgement,
) {
    let report = |n_in_a_row: u32, message: String| FaultReport {
        rule: slot.rule.reference.clone(),
        part: slot.part.clone(),
        at: tick,
        n_in_a_row,
        message,
    };
    match fault {
        Some(fault) => {
            state.n_faults = state.n_faults.saturating_add(1);
            state.knew.faulted = true;
            if state.n_faults == 1 || state.n_faults == FAULTS_TO_REPORT {
                out.faults.push(report(state.n_faults, fault.to_string()));
            }
        }
        None if state.n_faults > 0 => {
            state.n_faults = 0;
            out.faults.push(report(0, String::new()));
        }
        None => {}
    }
}

fn evidence(slot: &PlannedSlot, seen: &SeenAt<'_>, since: EventTime) -> Evidence {
    let sources = slot.rule.inputs.iter().zip(&slot.sources).zip(seen.row);
    let inputs = sources
        .enumerate()
        .map(|(idx, ((input, source), value))| EvidenceItem {
            input: input.name.clone(),
            of: told(slot, &input.text, (idx, source), seen),
            ucum: input.ucum.clone(),
            value: match *value {
                Seen::Unknown => KnownValue::Unknown(()),
                Seen::Number(number) => KnownValue::Number(number),
                Seen::Flag(flag) => KnownValue::Flag(flag),
            },
        });
    Evidence {
        at: seen.tick,
        since,
        inputs: evidence::fitted(inputs.collect()),
    }
}

fn of_part(slot: &PlannedSlot, text: &str) -> String {
    match slot.part_no {
        Some(number) => text.replace("{axle}", &number.to_string()),
        None => text.to_owned(),
    }
}

/// What an input reads, with the part's number; against a healthy stretch also the channels that
/// contribute most, against the class what it does, of mates each one's value.
fn told(
    slot: &PlannedSlot,
    text: &str,
    (idx, source): (usize, &Source),
    seen: &SeenAt<'_>,
) -> String {
    let of = of_part(slot, text);
    let more = match source {
        Source::Healthy { baseline, gives } => {
            let (state, planned) = (&seen.baselines[*baseline], &seen.planned[*baseline].0);
            state.contributions(planned, *gives)
        }
        Source::Class { compared, .. } => {
            let dated = &seen.classes[*compared];
            class::at(dated, seen.tick.unix_ms()).map(class::told)
        }
        Source::Mates { .. } => {
            let values = seen.of_mates.get(idx);
            values.and_then(|values| mates::told(seen.mates, values))
        }
        _ => None,
    };
    match more {
        Some(more) => format!("{of}: {more}"),
        None => of,
    }
}
