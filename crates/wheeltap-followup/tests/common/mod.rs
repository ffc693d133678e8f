//! A ledger in a vector, with the book that is its fold.

#![allow(dead_code, reason = "each test file takes what it needs")]

use wheeltap_followup::{
    Book, ChangeNotice, LedgerRecord, MuteOrder, Occurrence, Planner, RuleFacts, Terms,
    UPDATED_BY_TELEMETRY,
};
use wheeltap_model::{
    AlertId, EventTime, Evidence, EvidenceItem, KnownValue, MuteId, MuteKind, MuteScope, Priority,
    RuleName, RuleRef, RuleStage, ServerTime, UnitId,
};

pub fn at(ms: i64) -> EventTime {
    EventTime::from_unix_ms(ms)
}

pub fn unit() -> UnitId {
    UnitId::new("ZVR 4117").unwrap()
}

pub fn rule(name: &str) -> RuleRef {
    RuleRef {
        name: RuleName::new(name).unwrap(),
        version: "0123456789abcdef".into(),
    }
}

pub fn facts(component: &str, priority: Priority, safety: bool, within_ms: i64) -> RuleFacts {
    RuleFacts {
        title: format!("{component} wrong"),
        system: "test".into(),
        component: component.into(),
        priority,
        safety,
        once_a_train: false,
        desk: true,
        cause: "a test".into(),
        consequence: "none".into(),
        action: "look".into(),
        respond_within_ms: within_ms,
    }
}

pub fn occurred(name: &str, raised: i64, ended: Option<i64>) -> Occurrence {
    let evidence = |ms: i64| Evidence {
        at: at(ms),
        since: at(ms - 10),
        inputs: vec![EvidenceItem {
            input: "oil".into(),
            of: "mean(engine.oil.temperature, 5 min)".into(),
            ucum: "Cel".into(),
            value: KnownValue::Number(103.25),
        }],
    };
    Occurrence {
        rule: rule(name),
        part: None,
        raised_at: at(raised),
        ended_at: ended.map(at),
        superseded: false,
        evidence: evidence(raised),
        end_evidence: ended.map(evidence),
        unsuppressed_at: Some(at(raised)),
    }
}

#[derive(Default)]
pub struct Desk {
    pub entries: Vec<Vec<u8>>,
    pub book: Book,
    pub now: i64,
}

impl Desk {
    /// With live rules, one a component.
    pub fn with(rules: &[(&str, RuleFacts)]) -> Self {
        let mut desk = Self::default();
        for (name, facts) in rules {
            desk.write("author", |planner| {
                planner
                    .lodge(&rule(name), "text", facts.clone(), None, "")
                    .unwrap();
            });
            desk.stage(name, RuleStage::Live);
        }
        desk
    }

    pub fn stage(&mut self, name: &str, stage: RuleStage) {
        self.write("author", |planner| {
            planner
                .stage(&rule(name), stage, at(i64::MIN), "a test", "")
                .unwrap();
        });
    }

    /// Plans, writes bytes, reads them back, applies.
    pub fn write<T>(
        &mut self,
        by: &str,
        plan: impl FnOnce(&mut Planner<'_>) -> T,
    ) -> (T, Vec<ChangeNotice>) {
        let mut planner = Planner::new(&self.book, ServerTime::from_unix_ms(self.now), by);
        let outcome = plan(&mut planner);
        let mut notices = Vec::new();
        for record in planner.finish() {
            let bytes = record.to_bytes();
            assert_eq!(LedgerRecord::from_bytes(&bytes).unwrap(), record);
            self.entries.push(bytes);
            let seq = self.entries.len() as u64;
            notices.extend(self.book.apply(seq, &record).unwrap());
        }
        (outcome, notices)
    }

    pub fn raise(&mut self, occurred: Occurrence, terms: Terms) -> AlertId {
        let raise = |planner: &mut Planner<'_>| planner.raise(&unit(), occurred, terms).unwrap();
        self.write(UPDATED_BY_TELEMETRY, raise).0
    }

    pub fn end(&mut self, id: AlertId, occurred: Occurrence) {
        self.write(UPDATED_BY_TELEMETRY, |planner| {
            let alert = planner.book().alert(id).unwrap();
            planner.end(alert, occurred, Terms::default());
        });
    }

    pub fn withdraw(&mut self, id: AlertId) {
        self.write(UPDATED_BY_TELEMETRY, |planner| {
            let alert = planner.book().alert(id).unwrap();
            let reason = wheeltap_model::WithdrawnReason::LateData;
            planner.withdraw(alert, reason, Terms::default());
        });
    }

    pub fn acknowledge(&mut self, id: AlertId, by: &str) {
        self.write(by, |planner| {
            planner.acknowledge(id, "on it", "", "").unwrap();
        });
    }

    /// The desk shelves a rule on a unit, until an instant of the server's.
    pub fn shelve(&mut self, unit: UnitId, rule: &str, until: i64) -> MuteId {
        let order = MuteOrder {
            kind: MuteKind::Shelved,
            scope: MuteScope {
                unit,
                rule: Some(RuleName::new(rule).unwrap()),
                part: None,
            },
            until: Some(ServerTime::from_unix_ms(until)),
            reason: "gauge is being changed".into(),
        };
        let planned = self.write("desk", |planner| planner.mute(order, ""));
        planned.0.unwrap()
    }

    /// The book as a restart makes it.
    pub fn rebuilt(&self) -> Book {
        let mut book = Book::default();
        for (seq, bytes) in (1..).zip(&self.entries) {
            book.apply(seq, &LedgerRecord::from_bytes(bytes).unwrap())
                .unwrap();
        }
        book
    }
}
