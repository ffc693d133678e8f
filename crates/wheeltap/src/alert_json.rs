//! One alert as one JSON object, the same for replay, lists and watching.

use crate::remote::{instant, priority, tail, word};
use serde::{Serialize, Serializer, ser::SerializeMap};
use wheeltap_model::EvidenceItem;
pub use wheeltap_model::evidence_words as told;
pub use wheeltap_proto::convert::{evidence_inputs as inputs, rule_and_version};
use wheeltap_proto::v1;

/// What a rule saw: input names with their values, in the order of the rule.
pub struct Values(pub Vec<EvidenceItem>);

impl Serialize for Values {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for item in &self.0 {
            map.serialize_entry(&item.input, &item.value)?;
        }
        map.end()
    }
}

/// What the values are of.
pub struct Reads(pub Vec<EvidenceItem>);

#[derive(Serialize)]
struct ReadOf<'a> {
    of: &'a str,
    ucum: &'a str,
}

impl Serialize for Reads {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for item in &self.0 {
            let EvidenceItem {
                input, of, ucum, ..
            } = item;
            map.serialize_entry(input, &ReadOf { of, ucum })?;
        }
        map.end()
    }
}

/// What every alert has, whoever judged it.
#[derive(Serialize)]
pub struct Core {
    pub rule: String,
    pub version: String,
    pub title: String,
    pub priority: String,
    pub unit: String,
    pub part: Option<String>,
    /// First known true tick of the run that led here.
    pub since: String,
    pub raised_at: String,
    pub ended_at: Option<String>,
    pub suppressed_by_design: bool,
    pub evidence: Values,
    pub end_evidence: Option<Values>,
    pub reads: Reads,
}

/// An alert of a service.
#[derive(Serialize)]
pub struct Served {
    pub alert: u64,
    pub condition: String,
    #[serde(flatten)]
    pub core: Core,
    pub ended_because: Option<String>,
    pub safety: bool,
    pub trial: bool,
    /// Server time.
    pub announced_at: Option<String>,
    pub late_news: bool,
    /// The alert that people were told of in its place.
    pub told_with: Option<u64>,
    pub settled: bool,
    pub withdrawn_because: Option<String>,
    /// Of the seven states of ISA-18.2.
    pub state: String,
    pub awaits_answer: bool,
    pub mute: Option<u64>,
    /// Server time.
    pub told_again_at: Option<String>,
    pub acknowledged: Option<Acknowledged>,
    pub defect: Option<u64>,
    pub revision: u32,
}

#[derive(Serialize)]
pub struct Acknowledged {
    by: String,
    at: String,
    note: String,
}

fn text(text: &str) -> Option<String> {
    (!text.is_empty()).then(|| text.to_owned())
}

pub fn condition(alert: &v1::Alert) -> String {
    word(alert.condition().as_str_name(), "CONDITION_")
}

impl From<&v1::Alert> for Served {
    fn from(alert: &v1::Alert) -> Self {
        let (rule, version) = rule_and_version(&alert.rule);
        let reads = inputs(alert.evidence.as_ref());
        let since_ms = alert
            .evidence
            .as_ref()
            .map_or(alert.raised_unix_ms, |evidence| evidence.since_unix_ms);
        Self {
            alert: tail(&alert.name).parse().unwrap_or(0),
            condition: condition(alert),
            core: Core {
                rule: rule.to_owned(),
                version: version.to_owned(),
                title: alert.title.clone(),
                priority: priority(alert.priority),
                unit: tail(&alert.unit).to_owned(),
                part: text(&alert.part),
                since: instant(since_ms),
                raised_at: instant(alert.raised_unix_ms),
                ended_at: alert.ended_unix_ms.map(instant),
                suppressed_by_design: alert.suppressed_by_design,
                evidence: Values(reads.clone()),
                end_evidence: alert
                    .end_evidence
                    .as_ref()
                    .map(|evidence| Values(inputs(Some(evidence)))),
                reads: Reads(reads),
            },
            ended_because: text(&alert.ended_because),
            safety: alert.safety,
            trial: alert.trial,
            announced_at: alert.announced_unix_ms.map(instant),
            late_news: alert.late_news,
            told_with: tail(&alert.told_with).parse().ok(),
            settled: alert.settled,
            withdrawn_because: text(&alert.withdrawn_because),
            state: word(alert.state().as_str_name(), "ALERT_STATE_"),
            awaits_answer: alert.awaits_answer,
            mute: tail(&alert.mute).parse().ok(),
            told_again_at: alert.told_again_unix_ms.map(instant),
            acknowledged: alert.acknowledgement.as_ref().map(|act| Acknowledged {
                by: act.by.clone(),
                at: instant(act.at_unix_ms),
                note: act.note.clone(),
            }),
            defect: tail(&alert.defect).parse().ok(),
            revision: alert.revision,
        }
    }
}
