//! Messages of the contract as JSON, by the standard mapping of protocol buffers (ProtoJSON): names in
//! lowerCamelCase, 64-bit integers as text, values of enums by name, fields at their default left out.

use crate::DESCRIPTORS;
use prost_reflect::{DescriptorPool, DynamicMessage};
use serde_json::Value;
use std::sync::LazyLock;

// The build wrote these bytes.
static POOL: LazyLock<DescriptorPool> =
    LazyLock::new(|| DescriptorPool::decode(DESCRIPTORS).expect("the contract's own descriptors"));

/// A message that the contract names.
pub trait Named: prost::Message {
    /// Its full name, such as `wheeltap.v1.Alert`.
    const NAME: &'static str;
}

impl Named for crate::v1::Alert {
    const NAME: &'static str = "wheeltap.v1.Alert";
}

impl Named for crate::v1::Defect {
    const NAME: &'static str = "wheeltap.v1.Defect";
}

/// The message as JSON.
#[expect(
    clippy::missing_panics_doc,
    reason = "a generated message is of its own descriptor, and its map has text keys"
)]
pub fn to_json<M: Named>(message: &M) -> Value {
    let descriptor = POOL
        .get_message_by_name(M::NAME)
        .expect("the contract has it");
    let dynamic = DynamicMessage::decode(descriptor, message.encode_to_vec().as_slice())
        .expect("its own encoding");
    serde_json::to_value(&dynamic).expect("text keys")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::v1;
    use serde_json::json;

    /// The mapping of https://protobuf.dev/programming-guides/json (from memory): 64-bit integers are
    /// text, enum values their names, field names lowerCamelCase.
    #[test]
    fn messages_become_standard_json() {
        let alert = v1::Alert {
            name: "alerts/7".to_owned(),
            priority: v1::Priority::High.into(),
            raised_unix_ms: 1_772_410_000_000,
            revision: 2,
            evidence: Some(v1::Evidence {
                inputs: vec![v1::EvidenceInput {
                    input: "oil".to_owned(),
                    value: Some(v1::evidence_input::Value::Number(104.07)),
                    ..v1::EvidenceInput::default()
                }],
                ..v1::Evidence::default()
            }),
            ..v1::Alert::default()
        };
        assert_eq!(
            to_json(&alert),
            json!({
                "name": "alerts/7", "priority": "PRIORITY_HIGH", "raisedUnixMs": "1772410000000", "revision": 2,
                "evidence": { "inputs": [{ "input": "oil", "number": 104.07 }] },
            })
        );
        assert_eq!(to_json(&v1::Defect::default()), json!({}));
    }
}
