//! Alerts as the book keeps them: small, shared, and whole again when asked for.

use crate::{Occurrence, RuleVersion};
use std::collections::{BTreeSet, HashMap, HashSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;
use wheeltap_model::{
    Alert, AlertId, Condition, DefectId, EventTime, Evidence, EvidenceItem, KnownValue, Mute, Part,
    Priority, Response, RuleName, ServerTime, Suppression, UnitId, WithdrawnReason,
};

/// What the inputs of an evidence are called; the same for every alert of a rule version and part.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Heading {
    input: Arc<str>,
    of: Arc<str>,
    ucum: Arc<str>,
}

/// Evidence without its words: 16 bytes an input.
#[derive(Clone, Debug, PartialEq)]
struct Seen {
    at: EventTime,
    since: EventTime,
    headings: Arc<[Heading]>,
    values: Box<[KnownValue]>,
}

impl Seen {
    fn evidence(&self) -> Evidence {
        let inputs = self.headings.iter().zip(&self.values);
        Evidence {
            at: self.at,
            since: self.since,
            inputs: inputs
                .map(|(heading, value)| EvidenceItem {
                    input: heading.input.as_ref().to_owned(),
                    of: heading.of.as_ref().to_owned(),
                    ucum: heading.ucum.as_ref().to_owned(),
                    value: *value,
                })
                .collect(),
        }
    }
}

/// Hands out one copy of words that recur: rules times parts, however many alerts there are.
#[derive(Clone, Debug, Default)]
pub(crate) struct Words {
    /// By the hash of the words, so that known ones are found without copying them.
    headings: HashMap<u64, Vec<Arc<[Heading]>>>,
    parts: HashSet<Part>,
}

impl Words {
    fn seen(&mut self, evidence: &Evidence) -> Seen {
        let mut hasher = DefaultHasher::new();
        for item in &evidence.inputs {
            (&item.input, &item.of, &item.ucum).hash(&mut hasher);
        }
        let alike = self.headings.entry(hasher.finish()).or_default();
        let is_same = |headings: &&Arc<[Heading]>| {
            headings.len() == evidence.inputs.len()
                && headings
                    .iter()
                    .zip(&evidence.inputs)
                    .all(|(heading, item)| {
                        *heading.input == *item.input
                            && *heading.of == *item.of
                            && *heading.ucum == *item.ucum
                    })
        };
        let headings = if let Some(known) = alike.iter().find(is_same) {
            Arc::clone(known)
        } else {
            let items = evidence.inputs.iter().map(|item| Heading {
                input: item.input.as_str().into(),
                of: item.of.as_str().into(),
                ucum: item.ucum.as_str().into(),
            });
            let headings: Arc<[Heading]> = items.collect();
            alike.push(Arc::clone(&headings));
            headings
        };
        Seen {
            at: evidence.at,
            since: evidence.since,
            headings,
            values: evidence.inputs.iter().map(|item| item.value).collect(),
        }
    }

    fn part(&mut self, part: &Part) -> Part {
        if let Some(known) = self.parts.get(part) {
            return known.clone();
        }
        self.parts.insert(part.clone());
        part.clone()
    }
}

#[derive(Clone, Debug, PartialEq)]
struct Answer {
    by: String,
    at: ServerTime,
    note: String,
}

/// What people's mutes did to an alert.
#[derive(Clone, Debug, Default, PartialEq)]
struct Muting {
    /// What covers it now.
    mute: Option<Arc<Mute>>,
    told_again_at: Option<ServerTime>,
    /// It ended while it was muted.
    passed: bool,
    /// It was over and waited for an answer when the mute began, as it does again when that ends.
    waited: bool,
}

/// One alert as the book keeps it. [`KeptAlert::alert`] makes the whole value.
///
/// Kept small, since ended alerts stay for as long as the ledger: 280 bytes and 16 for each input of
/// an evidence; unit, rule and words are shared.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptAlert {
    id: AlertId,
    unit: UnitId,
    rule: Arc<RuleVersion>,
    part: Option<Part>,
    raised_at: EventTime,
    ended_at: Option<EventTime>,
    superseded: bool,
    unsuppressed_at: Option<EventTime>,
    seen: Seen,
    end_seen: Option<Seen>,
    /// Where the unit's data ended when a standing alert was withdrawn.
    stood_through: Option<EventTime>,
    answer: Option<Box<Answer>>,
    pub(crate) trial: bool,
    pub(crate) defect: DefectId,
    pub(crate) announced_at: Option<ServerTime>,
    pub(crate) late_news: bool,
    /// 0 unless what its train shares was told with another.
    pub(crate) told_with: AlertId,
    pub(crate) settled: bool,
    /// Apart, since few were ever muted.
    muting: Option<Box<Muting>>,
    withdrawn: Option<WithdrawnReason>,
    pub(crate) revision: u32,
    response_revision: u32,
    /// Ledger number of the record that raised it.
    raised_by: u64,
}

impl KeptAlert {
    pub(crate) fn new(
        (id, raised_by): (AlertId, u64),
        unit: UnitId,
        rule: Arc<RuleVersion>,
        occurred: &Occurrence,
        words: &mut Words,
    ) -> Self {
        Self {
            id,
            unit,
            rule,
            part: occurred.part.as_ref().map(|part| words.part(part)),
            raised_at: occurred.raised_at,
            ended_at: occurred.ended_at,
            superseded: occurred.superseded,
            unsuppressed_at: occurred.unsuppressed_at,
            seen: words.seen(&occurred.evidence),
            end_seen: occurred.end_evidence.as_ref().map(|seen| words.seen(seen)),
            stood_through: None,
            answer: None,
            trial: false,
            defect: DefectId(0),
            announced_at: None,
            late_news: false,
            told_with: AlertId(0),
            settled: false,
            muting: None,
            withdrawn: None,
            revision: 1,
            response_revision: 0,
            raised_by,
        }
    }

    /// Takes what the judge says now.
    pub(crate) fn judged(&mut self, occurred: &Occurrence, words: &mut Words) {
        self.raised_at = occurred.raised_at;
        self.ended_at = occurred.ended_at;
        self.superseded = occurred.superseded;
        self.unsuppressed_at = occurred.unsuppressed_at;
        self.seen = words.seen(&occurred.evidence);
        self.end_seen = occurred.end_evidence.as_ref().map(|seen| words.seen(seen));
        self.stood_through = None;
        self.withdrawn = None;
        self.revision += 1;
        if let Some(muting) = &mut self.muting
            && self.ended_at.is_none()
        {
            muting.waited = false;
        }
    }

    pub(crate) fn withdraw(&mut self, reason: WithdrawnReason, through: EventTime) {
        self.withdrawn = Some(reason);
        self.stood_through = self.ended_at.is_none().then_some(through);
        self.revision += 1;
    }

    pub(crate) fn unsuppress(&mut self, unsuppressed_at: EventTime) {
        self.unsuppressed_at = Some(unsuppressed_at);
        self.revision += 1;
    }

    pub(crate) fn acknowledge(&mut self, by: String, at: ServerTime, note: String) {
        self.answer = Some(Box::new(Answer { by, at, note }));
        self.response_revision += 1;
    }

    pub(crate) fn give_back(&mut self) {
        self.answer = None;
        self.response_revision += 1;
    }

    /// What muted it ended while it stood, or it outlasted its repair: people are told once more, and an answer
    /// given before no longer counts.
    pub(crate) fn tell_again(&mut self, at: ServerTime) {
        self.muting.get_or_insert_default().told_again_at = Some(at);
        self.answer = None;
        self.response_revision += 1;
    }

    /// Another mute covers it now, or none.
    pub(crate) fn set_mute(&mut self, mute: Option<Arc<Mute>>) {
        if mute.is_none() && self.muting.is_none() {
            return;
        }
        let has_ended = self.condition() == Condition::Ended;
        let waits = has_ended && self.awaits_answer();
        // What is never muted does not pass unseen either.
        let hides = !self.rule.facts.safety;
        let muting = self.muting.get_or_insert_default();
        if muting.mute.is_none() {
            muting.waited = waits;
        } else if mute.is_none() && has_ended && hides {
            muting.passed |= !muting.waited;
        }
        muting.mute = mute;
    }

    /// The alert in full.
    pub fn alert(&self) -> Alert {
        let facts = &self.rule.facts;
        Alert {
            id: self.id,
            rule: self.rule.reference.clone(),
            title: facts.title.clone(),
            priority: facts.priority,
            safety: facts.safety,
            trial: self.trial,
            unit: self.unit.clone(),
            part: self.part.clone(),
            raised_at: self.raised_at,
            ended_at: self.ended_at,
            ended_because: if self.superseded {
                "superseded".to_owned()
            } else {
                String::new()
            },
            announced_at: self.announced_at,
            late_news: self.late_news,
            told_with: self.told_with,
            settled: self.settled,
            evidence: self.seen.evidence(),
            end_evidence: self.end_seen.as_ref().map(Seen::evidence),
            withdrawn: self.withdrawn.clone(),
            response: match self.answer.as_deref() {
                None => Response::None,
                Some(Answer { by, at, note }) => Response::Acknowledged {
                    by: by.clone(),
                    at: *at,
                    note: note.clone(),
                },
            },
            suppression: self.suppression(),
            told_again_at: self.muting.as_ref().and_then(|of| of.told_again_at),
            passed_muted: self.passed_muted(),
            defect: self.defect,
            revision: self.revision,
            response_revision: self.response_revision,
        }
    }

    /// What the judge said when it was last written.
    ///
    /// A withdrawn alert that never ended is told as ended where the unit's data ended when it was
    /// withdrawn: later occurrences are others.
    pub fn occurred(&self) -> Occurrence {
        Occurrence {
            rule: self.rule.reference.clone(),
            part: self.part.clone(),
            raised_at: self.raised_at,
            ended_at: self.ended_at.or(self.stood_through),
            superseded: self.superseded,
            evidence: self.seen.evidence(),
            end_evidence: self.end_seen.as_ref().map(Seen::evidence),
            unsuppressed_at: self.unsuppressed_at,
        }
    }

    /// Its number.
    pub const fn id(&self) -> AlertId {
        self.id
    }

    /// The unit.
    pub const fn unit(&self) -> &UnitId {
        &self.unit
    }

    /// The version that raised it.
    pub const fn rule(&self) -> &Arc<RuleVersion> {
        &self.rule
    }

    /// The part.
    pub const fn part(&self) -> Option<&Part> {
        self.part.as_ref()
    }

    /// First known true tick after the on-delay.
    pub const fn raised_at(&self) -> EventTime {
        self.raised_at
    }

    /// First known clear tick after the off-delay.
    pub const fn ended_at(&self) -> Option<EventTime> {
        self.ended_at
    }

    /// The rule was on trial.
    pub const fn is_trial(&self) -> bool {
        self.trial
    }

    /// The defect it belongs to; 0 for none.
    pub const fn defect(&self) -> DefectId {
        self.defect
    }

    /// When it was told to people.
    pub const fn announced_at(&self) -> Option<ServerTime> {
        self.announced_at
    }

    /// The alert that people were told of in its place, as their train shares it; 0 for none.
    pub const fn told_with(&self) -> AlertId {
        self.told_with
    }

    /// Ledger number of the record that raised it.
    pub const fn raised_by(&self) -> u64 {
        self.raised_by
    }

    /// Who acknowledged it.
    pub fn acknowledged_by(&self) -> Option<&str> {
        self.answer.as_deref().map(|answer| answer.by.as_str())
    }

    /// When somebody took it on.
    pub fn acknowledged_at(&self) -> Option<ServerTime> {
        self.answer.as_deref().map(|answer| answer.at)
    }

    /// Whether what was told of it can be told once more: it stands, rings, and nothing mutes it or stands for
    /// it.
    pub(crate) fn may_be_told_again(&self) -> bool {
        self.is_for_people() && self.announced_at.is_some()
    }

    /// It stands, it is of a rule that is live, and nothing mutes it.
    pub(crate) fn is_shown(&self) -> bool {
        self.condition() == Condition::Standing && !self.trial && !self.is_muted()
    }

    /// It stands, it is for the desk, and nothing mutes it or stands for it.
    fn is_for_people(&self) -> bool {
        self.condition() == Condition::Standing
            && self.rings()
            && self.told_with.0 == 0
            && !self.is_muted()
    }

    /// Counts people's acts.
    pub const fn response_revision(&self) -> u32 {
        self.response_revision
    }

    /// Quoted, as RFC 9110 has it; covers what people did, not what telemetry changed.
    pub fn etag(&self) -> String {
        format!("\"{}-{}\"", self.id.0, self.response_revision)
    }

    /// The condition axis.
    pub const fn condition(&self) -> Condition {
        match (&self.withdrawn, self.ended_at) {
            (Some(_), _) => Condition::Withdrawn,
            (None, Some(_)) => Condition::Ended,
            (None, None) => Condition::Standing,
        }
    }

    /// The suppression axis.
    pub fn suppression(&self) -> Suppression {
        match (self.mute(), self.unsuppressed_at) {
            (Some(mute), _) => Suppression::Muted(Arc::clone(mute)),
            (None, None) => Suppression::ByDesign,
            (None, Some(_)) => Suppression::None,
        }
    }

    /// Whether the rule's own `suppress` says that the operating state explains it.
    pub const fn is_by_design(&self) -> bool {
        self.unsuppressed_at.is_none()
    }

    /// What people set that covers it.
    pub fn mute(&self) -> Option<&Arc<Mute>> {
        self.muting.as_ref()?.mute.as_ref()
    }

    fn passed_muted(&self) -> bool {
        self.muting.as_ref().is_some_and(|of| of.passed)
    }

    /// Whether something mutes it; `safety` alerts are never muted.
    pub fn is_muted(&self) -> bool {
        (self.mute().is_some() || self.is_by_design()) && !self.rule.facts.safety
    }

    /// When people were last told of it: from here the time to respond runs.
    pub fn told_at(&self) -> Option<ServerTime> {
        let again = self.muting.as_ref().and_then(|of| of.told_again_at);
        again.or(self.announced_at)
    }

    /// Whether somebody at the desk has still to take it on: it was told by itself or came as late
    /// news, nothing mutes it, and nobody answered, whether it still stands or not. Whether its defect is
    /// closed, which answers for it, is [`crate::Book::alert_awaits_answer`]'s to say.
    pub fn awaits_answer(&self) -> bool {
        self.rings()
            && (self.announced_at.is_some() || self.late_news)
            && self.told_with.0 == 0
            && self.answer.is_none()
            && self.condition() != Condition::Withdrawn
            && !self.is_muted()
            && !(self.passed_muted() && self.condition() == Condition::Ended)
    }

    /// Whether it is for the desk at all: its rule is live, and not one that only makes items for the
    /// shop.
    pub fn rings(&self) -> bool {
        !self.trial && self.rule.facts.desk
    }

    /// Whether people should be told of it: it stands, it is for the desk, nothing mutes it and
    /// nobody was told, of it or of what stands for it. `safety` alerts are never muted.
    pub fn is_to_announce(&self) -> bool {
        self.is_for_people() && self.announced_at.is_none()
    }

    /// Whether a promise that nothing older than `complete_through` is to come settles it.
    pub fn settles_with(&self, complete_through: EventTime) -> bool {
        !self.settled && self.ended_at.unwrap_or(self.raised_at) <= complete_through
    }
}

/// Which alerts are asked for; `None` does not filter.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct AlertQuery {
    /// Of this unit.
    pub unit: Option<UnitId>,
    /// Of any version of this rule.
    pub rule: Option<RuleName>,
    /// In this condition.
    pub condition: Option<Condition>,
    /// At least this priority.
    pub least_priority: Option<Priority>,
    /// Raised at or after.
    pub raised_from: Option<EventTime>,
    /// Raised before.
    pub raised_to: Option<EventTime>,
    /// Trial alerts too, and those that only make items for the shop; asking for a rule or a defect
    /// shows the latter in any case.
    pub show_trial: bool,
    /// Withdrawn alerts too; asking for withdrawn ones shows them in any case.
    pub show_withdrawn: bool,
    /// Of this defect.
    pub defect: Option<DefectId>,
    /// Of any of these defects; empty does not filter.
    pub defects: BTreeSet<DefectId>,
    /// Only those that somebody has still to take on.
    pub awaits_answer: bool,
}

impl AlertQuery {
    /// Whether an alert as it is now belongs into a list, but for whether it waits for an answer.
    pub(crate) fn lists(&self, alert: &KeptAlert) -> bool {
        let condition = alert.condition();
        self.watches(alert)
            && self.condition.is_none_or(|wanted| wanted == condition)
            && (condition != Condition::Withdrawn
                || self.show_withdrawn
                || self.condition == Some(Condition::Withdrawn))
    }

    /// Whether changes of an alert belong into a watch: as for lists, but whatever its condition,
    /// since a change of condition is what one watches for.
    pub fn watches(&self, alert: &KeptAlert) -> bool {
        self.unit.as_ref().is_none_or(|unit| *unit == alert.unit)
            && self
                .rule
                .as_ref()
                .is_none_or(|rule| *rule == alert.rule.reference.name)
            && self
                .least_priority
                .is_none_or(|least| alert.rule.facts.priority >= least)
            && self.raised_from.is_none_or(|from| alert.raised_at >= from)
            && self.raised_to.is_none_or(|to| alert.raised_at < to)
            && (self.show_trial || !alert.trial)
            && (alert.rule.facts.desk
                || self.show_trial
                || self.rule.is_some()
                || self.defect.is_some()
                || !self.defects.is_empty())
            && self.defect.is_none_or(|defect| alert.defect == defect)
            && (self.defects.is_empty() || self.defects.contains(&alert.defect))
    }
}
