//! What was found of what was planted, and what rang without cause.

use crate::{Failure, FailureKind};
use wheeltap_model::{EventTime, UnitId};

/// One alert, as far as a score needs it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ring {
    /// On this unit.
    pub unit: UnitId,
    /// The rule that rang, for people.
    pub rule: String,
    /// The component it suspects.
    pub component: String,
    /// The part, such as `axle 3`.
    pub part: Option<String>,
    /// From when, in event time.
    pub raised_at: EventTime,
    /// To when; `None` while it stands.
    pub ended_at: Option<EventTime>,
}

/// What became of one planted failure.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The failure.
    pub failure: Failure,
    /// The first alert that called it; for a radio gap, the one that called what it hid.
    pub found_by: Option<Ring>,
    /// From when it could be seen to that alert, ms of event time; negative never happens.
    pub delay_ms: Option<i64>,
}

/// Planted failures against alerts.
#[derive(Clone, Debug, PartialEq)]
pub struct Score {
    /// One a failure, in the file's order.
    pub outcomes: Vec<Outcome>,
    /// Alerts that no failure explains.
    pub false_rings: Vec<Ring>,
}

impl Score {
    /// Compares what was planted in a run that began at `start` with what rang.
    ///
    /// A failure is found by an alert on its unit for its component, and its axle where it has
    /// one, that was raised at or after the failure began. Alerts for components that it brings
    /// with it are explained; every other alert is false.
    pub fn of(failures: &[Failure], start: EventTime, rings: &[Ring]) -> Self {
        let mut rings: Vec<&Ring> = rings.iter().collect();
        rings.sort_by_key(|ring| ring.raised_at);
        let outcomes = failures
            .iter()
            .map(|failure| {
                let sought = failure
                    .hides
                    .as_ref()
                    .and_then(|hidden| failures.iter().find(|other| other.id == *hidden))
                    .unwrap_or(failure);
                let found = rings.iter().find(|ring| calls(sought, start, ring));
                let visible = start.plus_ms(sought.visible_after);
                Outcome {
                    failure: failure.clone(),
                    found_by: found.map(|ring| (*ring).clone()),
                    delay_ms: found.map(|ring| ring.raised_at.ms_since(visible).max(0)),
                }
            })
            .collect();
        let false_rings = rings
            .iter()
            .filter(|ring| {
                !failures
                    .iter()
                    .any(|failure| explains(failure, start, ring))
            })
            .map(|ring| (*ring).clone())
            .collect();
        Self {
            outcomes,
            false_rings,
        }
    }

    /// How many planted failures were found.
    pub fn found(&self) -> usize {
        self.outcomes
            .iter()
            .filter(|outcome| outcome.found_by.is_some())
            .count()
    }

    /// How many were not.
    pub fn missed(&self) -> usize {
        self.outcomes.len() - self.found()
    }
}

fn acts(failure: &Failure, start: EventTime, ring: &Ring) -> bool {
    failure.unit == ring.unit && ring.raised_at >= start.plus_ms(failure.after)
}

fn calls(failure: &Failure, start: EventTime, ring: &Ring) -> bool {
    let same_axle = failure
        .axle
        .is_none_or(|axle| ring.part.as_deref() == Some(format!("axle {axle}").as_str()));
    acts(failure, start, ring)
        && failure.kind != FailureKind::RadioGap
        && failure.component == ring.component
        && same_axle
}

fn explains(failure: &Failure, start: EventTime, ring: &Ring) -> bool {
    calls(failure, start, ring)
        || (acts(failure, start, ring) && failure.also.contains(&ring.component))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Failures;

    fn ring(unit: &str, component: &str, part: Option<&str>, at_s: i64) -> Ring {
        Ring {
            unit: UnitId::new(unit).unwrap(),
            rule: "a-rule".to_owned(),
            component: component.to_owned(),
            part: part.map(str::to_owned),
            raised_at: EventTime::from_unix_ms(at_s * 1_000),
            ended_at: None,
        }
    }

    fn planted() -> Vec<Failure> {
        let text = r#"
            [[failure]]
            id = "motor"
            unit = "ZVR 1"
            kind = "traction_motor_weak"
            after = "100 s"
            severity = 0.3
            axle = 2
            component = "traction motor"
            also = ["engine power"]
            visible_after = "200 s"
            finding = "shorted"
            [[failure]]
            id = "gap"
            unit = "ZVR 1"
            kind = "radio_gap"
            after = "50 s"
            until = "500 s"
            severity = 1.0
            component = "radio link"
            visible_after = "50 s"
            finding = "cable"
            hides = "motor"
        "#;
        Failures::parse("test", text).unwrap().failure
    }

    #[test]
    fn a_failure_is_found_by_its_component_on_its_axle_after_it_began() {
        let start = EventTime::from_unix_ms(0);
        let rings = [
            ring("ZVR 1", "traction motor", Some("axle 2"), 90),
            ring("ZVR 1", "traction motor", Some("axle 3"), 150),
            ring("ZVR 2", "traction motor", Some("axle 2"), 160),
            ring("ZVR 1", "engine power", None, 170),
            ring("ZVR 1", "traction motor", Some("axle 2"), 260),
        ];
        let score = Score::of(&planted(), start, &rings);
        assert_eq!((score.found(), score.missed()), (2, 0));
        assert_eq!(score.outcomes[0].delay_ms, Some(60_000));
        assert_eq!(score.outcomes[1].found_by, score.outcomes[0].found_by);
        let at: Vec<i64> = score
            .false_rings
            .iter()
            .map(|ring| ring.raised_at.unix_ms() / 1_000)
            .collect();
        assert_eq!(at, [90, 150, 160]);
        assert_eq!(Score::of(&planted(), start, &[]).missed(), 2);
    }
}
