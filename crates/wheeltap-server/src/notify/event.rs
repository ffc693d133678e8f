//! A change as a CloudEvent (CloudEvents 1.0, structured JSON: one signature covers all of it).

use serde_json::{Value, json};
use wheeltap_followup::{ChangeNotice, DefectChangeKind};
use wheeltap_model::{EventTime, ServerTime};
use wheeltap_proto::convert;
use wheeltap_proto::json::to_json;
use wheeltap_proto::v1;
use wheeltap_store::StoreId;

/// The media type of the JSON event format.
pub const CONTENT_TYPE: &str = "application/cloudevents+json; charset=utf-8";

/// Types begin with the package of the contract, which is the only name we have.
const TYPE: &str = "wheeltap.v1";

/// The context that events are told apart by: the same source and id are the same event.
pub fn source(store: StoreId) -> String {
    let hex: Vec<String> = store.0.iter().map(|byte| format!("{byte:02x}")).collect();
    format!("/wheeltap/stores/{}", hex.concat())
}

fn envelope(
    source: &str,
    id: &str,
    kind: &str,
    subject: &str,
    at: ServerTime,
    data: &Value,
) -> Value {
    let mut event = json!({
        "specversion": "1.0",
        "id": id,
        "source": source,
        "type": format!("{TYPE}.{kind}"),
        "time": EventTime::from_unix_ms(at.unix_ms()).to_string(),
        "datacontenttype": "application/json",
        "data": data,
    });
    if !subject.is_empty() {
        event["subject"] = subject.into();
    }
    event
}

const fn defect_word(kind: DefectChangeKind) -> &'static str {
    match kind {
        DefectChangeKind::Opened => "opened",
        DefectChangeKind::Changed => "changed",
        DefectChangeKind::Closed => "closed",
        DefectChangeKind::Voided => "voided",
    }
}

/// The event of a notice, the `place`th of its ledger entry; `None` for what is no receiver's business.
pub fn of(source: &str, notice: &ChangeNotice, place: usize) -> Option<Value> {
    let id = |seq: u64| format!("{seq}.{place}");
    match notice {
        ChangeNotice::Alert {
            seq,
            at,
            change,
            alert,
        } => {
            let alert: v1::Alert = (&alert.alert()).into();
            let word = convert::alert_change_to_wire(*change).as_str_name();
            let kind = format!("alert.{}", convert::enum_word(word, "KIND_"));
            Some(envelope(
                source,
                &id(*seq),
                &kind,
                &alert.name,
                *at,
                &to_json(&alert),
            ))
        }
        ChangeNotice::Defect {
            seq,
            at,
            kind,
            defect,
            awaits_answer,
        } => {
            let defect = v1::Defect {
                awaits_answer: *awaits_answer,
                ..defect.defect().into()
            };
            let kind = format!("defect.{}", defect_word(*kind));
            Some(envelope(
                source,
                &id(*seq),
                &kind,
                &defect.name,
                *at,
                &to_json(&defect),
            ))
        }
        ChangeNotice::Rule { .. } => None,
    }
}

/// Says that changes up to a ledger entry are not kept any more: the receiver must list again.
pub fn missed(source: &str, after: u64, through: u64, at: ServerTime) -> Value {
    let data = json!({ "afterEntry": after.to_string(), "throughEntry": through.to_string() });
    envelope(
        source,
        &format!("{through}.missed"),
        "changes.missed",
        "",
        at,
        &data,
    )
}
