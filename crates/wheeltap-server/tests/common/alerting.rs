//! A rule that raises on hot oil, and a gateway that makes it.

use super::{Gateway, NOW_MS, Served, batch_of, column, schema, unit};
use std::path::Path;
use tonic::Status;
use tonic_types::StatusExt;
use wheeltap_proto::v1;
use wheeltap_server::Settings;

/// Raises a second after the oil is over 100 degrees, ends a second after it is not.
pub const HOT: &str = r#"
fn about() { #{
    title: "Oil hot", system: "engine / lubrication", component: "oil", priority: "high",
    tick: "1 s", on_delay: "1 s", off_delay: "1 s",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ oil: last("engine.oil.temperature", "2 s") } }
fn raise(seen) { seen.oil > 100.0 }
"#;

pub fn settings(rules: &Path) -> Settings {
    Settings {
        rules: Some(rules.to_owned()),
        channel_health: false,
        ..Settings::default()
    }
}

/// Starts of `n` stretches of three hot and three cool seconds: an alert each, the last over.
pub fn swings(n: usize) -> Vec<f64> {
    let mut values: Vec<f64> = (0..n)
        .flat_map(|_| [120.0, 120.0, 120.0, 80.0, 80.0, 80.0])
        .collect();
    values.push(80.0);
    values
}

pub struct Sender {
    gateway: Gateway,
    schema: v1::Schema,
    sequence: u64,
}

impl Sender {
    pub async fn new(served: &Served, number: u32) -> Self {
        let mut gateway = served.stream().await;
        let epoch = u8::try_from(number).unwrap();
        gateway.hello(1, &unit(number), epoch).await;
        let schema = schema(&[("engine.oil.temperature", "Cel", &[])]);
        let asked = v1::stream_telemetry_request::Item::Schema(schema.clone());
        gateway.ask(asked).await;
        Self {
            gateway,
            schema,
            sequence: 0,
        }
    }

    /// One value a second.
    pub async fn send(&mut self, first_ms: i64, values: &[f64]) {
        self.sequence += 1;
        let payload = column(0, first_ms, 1_000, values);
        let batch = batch_of(&self.schema, self.sequence, &payload);
        let outcome = self.gateway.send(batch).await;
        assert_eq!(
            outcome.outcome(),
            v1::batch_outcome::Outcome::Stored,
            "{outcome:?}"
        );
    }
}

pub fn reason(status: &Status) -> String {
    let details = status.get_error_details();
    let info = details.error_info().expect("every status has an ErrorInfo");
    assert_eq!(info.domain, "wheeltap");
    info.reason.clone()
}

/// First event time that the tests send.
pub const START: i64 = NOW_MS - 6 * 3_600_000;
