//! The unit's consist mates: who they were when, and what they measured.
//!
//! A mate's windows are kept by a judge of its own that judges nothing, so they are what the mate's would
//! be, to the bit. Who is a mate at a tick follows from what was recorded of the units alone, and is
//! worked out once, when the context is made; so nothing here hangs on what came when.

use crate::{
    UnitContext, UnitJudge, UnitPlan,
    gate::intersect,
    plan::{PlannedMates, Watch},
};
use std::sync::Arc;
use wheeltap_model::{
    ChannelId, ClassName, ConsistPosition, EventTime, Timeline, UnitId, UnitState,
};
use wheeltap_rules::MOST_MATES;

/// From, inclusive, to until, exclusive; Unix milliseconds.
type Span = (i64, i64);

/// Who was in the unit's train, and working, when.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Mates {
    /// By unit.
    mates: Vec<Mate>,
    /// When the unit was in a train of a consist's size.
    known: Vec<Span>,
}

/// One unit that was a mate at some time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mate {
    /// The unit.
    pub unit: UnitId,
    /// Its class.
    pub class: Option<ClassName>,
    spans: Vec<Span>,
}

/// What is recorded of a unit that may have been a mate.
#[derive(Clone, Copy, Debug)]
pub struct Recorded<'a> {
    /// The unit.
    pub unit: &'a UnitId,
    /// Its class.
    pub class: Option<&'a ClassName>,
    /// What it was doing.
    pub states: &'a Timeline<UnitState>,
    /// Where it stood.
    pub consists: &'a Timeline<ConsistPosition>,
}

impl Mates {
    /// Of a unit that stood so, among these others, in any order and each once; who was never in its train
    /// may be among them.
    pub fn new<'a>(
        own: &Timeline<ConsistPosition>,
        others: impl IntoIterator<Item = Recorded<'a>>,
    ) -> Self {
        let own = trains(own);
        let mut together: Vec<(Recorded<'a>, Vec<Span>)> = others
            .into_iter()
            .map(|other| (other, in_one_train(&own, &trains(other.consists))))
            .filter(|(_, spans)| !spans.is_empty())
            .collect();
        together.sort_by(|(a, _), (b, _)| a.unit.cmp(b.unit));
        let own: Vec<Span> = own.iter().map(|(span, _)| *span).collect();
        let known = intersect(&own, &uncrowded(together.iter().flat_map(|(_, s)| s)));
        let mates = together.into_iter().map(|(other, spans)| Mate {
            unit: other.unit.clone(),
            class: other.class.cloned(),
            spans: intersect(&intersect(&spans, &known), &working(other.states)),
        });
        let mates = mates.filter(|mate| !mate.spans.is_empty()).collect();
        Self { mates, known }
    }

    /// All who were mates at some time, by unit.
    pub fn all(&self) -> &[Mate] {
        &self.mates
    }

    /// Whether it is known at an instant who the mates are, be there any or not.
    pub fn are_known(&self, at: EventTime) -> bool {
        within(&self.known, at.unix_ms()).is_some()
    }

    /// All that held up to an instant, in words: the same when the same did.
    pub fn held_until(&self, at: EventTime) -> impl Iterator<Item = String> {
        let at_ms = at.unix_ms();
        let words = move |of: &str, spans: &[Span]| {
            let began = spans.iter().filter(|(from, _)| *from <= at_ms);
            let words = began.map(|(from, until)| {
                let ended = if *until <= at_ms {
                    until.to_string()
                } else {
                    String::new()
                };
                format!(" {from}..{ended}")
            });
            let words: String = words.collect();
            (!words.is_empty()).then(|| format!("{of}{words}"))
        };
        let mates = self.mates.iter().filter_map(move |mate| {
            let class = mate.class.as_ref().map_or("", ClassName::as_str);
            words(&format!("{} {class}", mate.unit), &mate.spans)
        });
        words("train", &self.known).into_iter().chain(mates)
    }

    /// First instant after `at` from which others are mates.
    pub(crate) fn next_change_after(&self, at: EventTime) -> Option<EventTime> {
        let spans = self.mates.iter().flat_map(|mate| &mate.spans);
        let bounds = spans
            .chain(&self.known)
            .flat_map(|(from, until)| [*from, *until]);
        let after = bounds.filter(|bound| *bound > at.unix_ms()).min();
        after.map(EventTime::from_unix_ms)
    }
}

impl Mate {
    /// Whether it is a mate at an instant.
    pub fn is_one_at(&self, at: EventTime) -> bool {
        within(&self.spans, at.unix_ms()).is_some()
    }

    /// The first instant from this one on at which it is a mate.
    pub(crate) fn next_at(&self, from: EventTime) -> Option<EventTime> {
        let idx = self
            .spans
            .partition_point(|(_, until)| *until <= from.unix_ms());
        let (first, _) = self.spans.get(idx)?;
        Some(from.max(EventTime::from_unix_ms(*first)))
    }

    /// Whether it is a mate at some instant after this one.
    pub fn is_one_after(&self, at: EventTime) -> bool {
        self.spans
            .last()
            .is_some_and(|(_, until)| *until > at.unix_ms())
    }

    /// The parts of `from..=to` whose data can matter to a rule that looks back so far, ascending.
    fn needed(&self, (from_ms, to_ms): Span, reach_ms: i64) -> Vec<Span> {
        let mut needed: Vec<Span> = Vec::new();
        let first = self.spans.partition_point(|(_, until)| *until <= from_ms);
        for (from, until) in &self.spans[first..] {
            let from = from.saturating_sub(reach_ms).max(from_ms);
            if from > to_ms {
                break;
            }
            let to = (until - 1).min(to_ms);
            match needed.last_mut() {
                Some(last) if from <= last.1 => last.1 = last.1.max(to),
                _ => needed.push((from, to)),
            }
        }
        needed
    }
}

/// The span that holds an instant.
fn within(spans: &[Span], at_ms: i64) -> Option<Span> {
    let idx = spans.partition_point(|(_, until)| *until <= at_ms);
    spans.get(idx).filter(|(from, _)| *from <= at_ms).copied()
}

/// The stretches in which a timeline's entries hold, with their values.
fn stretches<T>(timeline: &Timeline<T>) -> impl Iterator<Item = (Span, &T)> {
    let entries = timeline.entries();
    let ends = entries.iter().skip(1).map(|next| next.from.unix_ms());
    let ends = ends.chain([i64::MAX]);
    entries
        .iter()
        .zip(ends)
        .map(|(dated, until)| ((dated.from.unix_ms(), until), &dated.value))
}

fn trains(consists: &Timeline<ConsistPosition>) -> Vec<(Span, &str)> {
    let mut trains: Vec<(Span, &str)> = Vec::new();
    for (span, position) in stretches(consists) {
        let Some(train) = position.train.as_deref() else {
            continue;
        };
        match trains.last_mut() {
            Some((last, known)) if *known == train && last.1 == span.0 => last.1 = span.1,
            _ => trains.push((span, train)),
        }
    }
    trains
}

fn working(states: &Timeline<UnitState>) -> Vec<Span> {
    let working = stretches(states).filter(|(_, state)| **state == UnitState::Working);
    working.map(|(span, _)| span).collect()
}

fn in_one_train(a: &[(Span, &str)], b: &[(Span, &str)]) -> Vec<Span> {
    let (mut i, mut j, mut both) = (0, 0, Vec::new());
    while let (Some((x, own)), Some((y, other))) = (a.get(i), b.get(j)) {
        let (from, until) = (x.0.max(y.0), x.1.min(y.1));
        if from < until && own == other {
            both.push((from, until));
        }
        if x.1 <= y.1 {
            i += 1;
        } else {
            j += 1;
        }
    }
    both
}

/// When no more others are in the train than a consist has.
fn uncrowded<'a>(together: impl Iterator<Item = &'a Span>) -> Vec<Span> {
    let mut turns: Vec<(i64, bool)> = together
        .flat_map(|(from, until)| [(*from, true), (*until, false)])
        .collect();
    // Who leaves at an instant has left before another comes.
    turns.sort_unstable();
    let (mut n_others, mut uncrowded, mut from) = (0_usize, Vec::new(), Some(i64::MIN));
    for (at_ms, comes) in turns {
        n_others = if comes { n_others + 1 } else { n_others - 1 };
        match from {
            Some(since) if n_others > MOST_MATES => {
                uncrowded.push((since, at_ms));
                from = None;
            }
            None if n_others <= MOST_MATES => from = Some(at_ms),
            _ => {}
        }
    }
    uncrowded.extend(from.map(|since| (since, i64::MAX)));
    uncrowded.retain(|(from, until)| from < until);
    uncrowded
}

/// A stretch of a mate's data that a judge wants.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MateNeed {
    /// Which mate, in the order of [`Mates::all`].
    pub mate: usize,
    /// The same by name.
    pub unit: UnitId,
    /// Channels to be read.
    pub channels: Vec<ChannelId>,
    /// First instant.
    pub from: EventTime,
    /// Last instant.
    pub to: EventTime,
}

/// One mate's windows while they are needed, and how far it was heard.
#[derive(Debug)]
pub(crate) struct MateState {
    watch: Arc<Watch>,
    judge: Option<Box<UnitJudge>>,
    /// Newest event time.
    pub heard_ms: i64,
}

impl MateState {
    pub(crate) fn all(planned: Option<&PlannedMates>, mates: &Mates) -> Vec<Self> {
        let Some(planned) = planned else {
            return Vec::new();
        };
        let state = |mate: &Mate| Self {
            watch: planned.watch(mate.class.as_ref()),
            judge: None,
            heard_ms: i64::MIN,
        };
        mates.all().iter().map(state).collect()
    }

    /// What it wants of `from..=to`.
    pub(crate) fn needs<'a>(
        &'a self,
        (idx, mate): (usize, &'a Mate),
        span: Span,
    ) -> impl Iterator<Item = MateNeed> + 'a {
        let needed = mate.needed(span, self.watch.plan.reach_ms());
        needed.into_iter().map(move |(from, to)| MateNeed {
            mate: idx,
            unit: mate.unit.clone(),
            channels: self.watch.plan.channels().to_vec(),
            from: EventTime::from_unix_ms(from),
            to: EventTime::from_unix_ms(to),
        })
    }

    /// Its windows, made when they are not there.
    pub(crate) fn windows(&mut self) -> &mut UnitJudge {
        let plan = &self.watch.plan;
        self.judge.get_or_insert_with(|| {
            let context = Arc::new(UnitContext::default());
            Box::new(UnitJudge::new(Arc::clone(plan), context))
        })
    }

    pub(crate) fn sort(&mut self) {
        if let Some(judge) = &mut self.judge {
            judge.sort();
        }
    }

    pub(crate) fn drop_taken(&mut self) {
        if let Some(judge) = &mut self.judge {
            judge.drop_taken();
        }
    }

    pub(crate) fn next_pending(&self) -> Option<i64> {
        self.judge.as_ref().and_then(|judge| judge.next_pending())
    }

    /// Takes what was fed up to and including a tick; gives the newest time taken.
    pub(crate) fn fold(&mut self, mate: &Mate, tick_ms: i64) -> Option<i64> {
        let reach_ms = self.watch.plan.reach_ms();
        let judge = self.judge.as_mut()?;
        if mate.needed((tick_ms, tick_ms), reach_ms).is_empty() && judge.next_pending().is_none() {
            // Whatever it is asked for next will be fed from far enough back.
            self.judge = None;
            return None;
        }
        judge.fold(tick_ms)
    }

    /// Its value of what is asked, at the tick folded to.
    pub(crate) fn value(&mut self, asked: usize, tick_ms: i64) -> Option<f64> {
        let source = self.watch.sources.get(asked)?.clone()?;
        self.windows().watched(&source, tick_ms)
    }
}

/// The mates' values for the evidence, such as `ZVR 4118 81.2500, ZVR 4121 79.9000`.
pub(crate) fn told(mates: &Mates, values: &[(usize, f64)]) -> Option<String> {
    let named = values.iter().map(|(mate, value)| {
        let unit = &mates.mates[*mate].unit;
        format!("{unit} {value:.4}")
    });
    let named: Vec<String> = named.collect();
    (!named.is_empty()).then(|| named.join(", "))
}

impl UnitPlan {
    /// Whether it asks the unit's mates, whose data is to be fed then too.
    pub const fn reads_mates(&self) -> bool {
        self.mates.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use wheeltap_model::Dated;

    fn timeline<T: Clone>(entries: &[(i64, T)]) -> Timeline<T> {
        let mut timeline = Timeline::default();
        for (from, value) in entries {
            timeline.set(Dated {
                from: EventTime::from_unix_ms(*from),
                value: value.clone(),
                source: "test".into(),
            });
        }
        timeline
    }

    fn position(train: Option<u8>) -> ConsistPosition {
        ConsistPosition {
            train: train.map(|n| format!("M{n}")),
            ..ConsistPosition::default()
        }
    }

    type Entries = (Vec<(i64, Option<u8>)>, Vec<(i64, bool)>);

    fn unit(most: usize) -> impl Strategy<Value = Entries> {
        (
            prop::collection::vec((0_i64..60, prop::option::weighted(0.8, 0_u8..2)), 0..most),
            prop::collection::vec((0_i64..60, prop::bool::weighted(0.8)), 1..4),
        )
    }

    proptest! {
        // The law: a mate at an instant is who stood in the same train and worked then, unless more
        // others than a consist has stood in it.
        #[test]
        fn mates_are_those_of_the_same_train_at_each_instant(
            own in unit(6),
            others in prop::collection::vec(unit(4), 0..24),
        ) {
            let made = |entries: &Entries| {
                let consists: Vec<(i64, ConsistPosition)> = entries.0.iter()
                    .map(|(from, train)| (*from, position(*train)))
                    .collect();
                let states: Vec<(i64, UnitState)> = entries.1.iter()
                    .map(|(from, works)| (*from, if *works { UnitState::Working } else { UnitState::Isolated }))
                    .collect();
                (timeline(&consists), timeline(&states))
            };
            let own = made(&own).0;
            let others: Vec<_> = others.iter().map(made).collect();
            let names: Vec<UnitId> = (0..others.len())
                .map(|n| UnitId::new(&format!("U{:02}", others.len() - n)).unwrap())
                .collect();
            let recorded = names.iter().zip(&others).map(|(unit, (consists, states))| Recorded {
                unit,
                class: None,
                states,
                consists,
            });
            let mates = Mates::new(&own, recorded.clone());
            for ms in -1..64 {
                let at = EventTime::from_unix_ms(ms);
                let train_of = |consists: &Timeline<ConsistPosition>| {
                    consists.at(at).and_then(|dated| dated.value.train.clone())
                };
                let train = train_of(&own);
                let together: Vec<_> = recorded.clone()
                    .filter(|other| train.is_some() && train_of(other.consists) == train)
                    .collect();
                let known = train.is_some() && together.len() <= MOST_MATES;
                prop_assert_eq!(mates.are_known(at), known, "at {}", ms);
                let mut expected: Vec<&UnitId> = together.iter()
                    .filter(|other| known && other.states.at(at).is_some_and(|s| s.value == UnitState::Working))
                    .map(|other| other.unit)
                    .collect();
                expected.sort();
                let found: Vec<&UnitId> = mates.all().iter()
                    .filter(|mate| mate.is_one_at(at))
                    .map(|mate| &mate.unit)
                    .collect();
                prop_assert_eq!(found, expected, "at {}", ms);
                // What matters of a mate's data: what some instant at which it is one can look back to.
                for mate in mates.all() {
                    let slow = (ms..=ms + 7).any(|later| mate.is_one_at(EventTime::from_unix_ms(later)));
                    prop_assert_eq!(!mate.needed((ms, ms), 7).is_empty(), slow, "at {}", ms);
                }
            }
        }
    }

    #[test]
    fn what_held_until_an_instant_does_not_hang_on_what_follows() {
        let own = timeline(&[(0, position(Some(1)))]);
        let other = UnitId::new("ZVR 2").unwrap();
        let working = timeline(&[(0, UnitState::Working)]);
        let held = |consists: &[(i64, ConsistPosition)], at_ms: i64| -> Vec<String> {
            let consists = timeline(consists);
            let recorded = Recorded {
                unit: &other,
                class: None,
                states: &working,
                consists: &consists,
            };
            let mates = Mates::new(&own, [recorded]);
            mates.held_until(EventTime::from_unix_ms(at_ms)).collect()
        };
        let first = [(10, position(Some(1)))];
        let then = [(10, position(Some(1))), (50, position(None))];
        assert_eq!(held(&first, 9), ["train 0.."]);
        assert_eq!(held(&first, 49), ["train 0..", "ZVR 2  10.."]);
        assert_eq!(held(&then, 49), held(&first, 49));
        assert_eq!(held(&then, 50), ["train 0..", "ZVR 2  10..50"]);
    }
}
