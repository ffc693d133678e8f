//! The promise: a request id is a repeat only of the same act on the same thing in the same words; anything
//! else under it is refused by name, and nothing of it is done or lost unsaid.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{Desk, at, facts, occurred, rule, unit};
use wheeltap_followup::{
    Call, CasesText, MuteOrder, Planner, Refusal, Report, RuleFacts, Terms, Verdict,
};
use wheeltap_model::{
    AlertId, DefectId, DefectOrigin, Disposition, FindingKind, MuteId, MuteKind, MuteScope, Plan,
    Priority, RuleName, ServerTime, UnitId, Work,
};

const HOUR: i64 = 3_600_000;

fn oil_facts() -> RuleFacts {
    facts("oil cooler", Priority::Medium, false, 24 * HOUR)
}

/// With alerts 1 and 2 of defect 1, and alert 3 of defect 2.
fn desk() -> Desk {
    let fan = facts("radiator fan", Priority::Low, false, 48 * HOUR);
    let mut desk = Desk::with(&[("oil", oil_facts()), ("oil-hot", oil_facts()), ("fan", fan)]);
    desk.now = 1_000;
    for (name, ended) in [("oil", Some(200)), ("oil-hot", Some(200)), ("fan", None)] {
        desk.raise(occurred(name, 100, ended), Terms::default());
    }
    desk
}

fn east<T>(desk: &mut Desk, act: impl FnOnce(&mut Planner<'_>) -> T) -> T {
    desk.write("east", act).0
}

fn report(unit: UnitId, title: &str) -> Report {
    Report {
        unit,
        system: "cab".into(),
        component: "cab heater".into(),
        origin: DefectOrigin::CrewReport,
        title: title.into(),
        priority: Priority::Low,
        first_sign_at: at(500),
    }
}

fn verdict(kind: FindingKind) -> Verdict {
    Verdict {
        kind,
        note: "seen".into(),
        work: Work::default(),
        repaired_at: at(900),
    }
}

fn order(kind: MuteKind, reason: &str) -> MuteOrder {
    MuteOrder {
        kind,
        scope: MuteScope {
            unit: unit(),
            rule: Some(RuleName::new("fan").unwrap()),
            part: None,
        },
        until: Some(ServerTime::from_unix_ms(HOUR)),
        reason: reason.into(),
    }
}

/// Plans under a request id, and gives the number of what was made.
type Act = dyn Fn(&mut Planner<'_>, &str) -> Result<u64, Refusal>;

/// One act of a person, and what it is called in a refusal.
struct Tried {
    called: &'static str,
    act: Box<Act>,
}

fn tried(
    called: &'static str,
    act: impl Fn(&mut Planner<'_>, &str) -> Result<u64, Refusal> + 'static,
) -> Tried {
    Tried {
        called,
        act: Box::new(act),
    }
}

fn none(done: Result<(), Refusal>) -> Result<u64, Refusal> {
    done.map(|()| 0)
}

const OIL: DefectId = DefectId(1);
const FAN: DefectId = DefectId(2);

fn plan(place: &str) -> Plan {
    Plan {
        service_point: place.into(),
        ..Plan::default()
    }
}

fn call(told: &str) -> Call {
    Call {
        told: told.into(),
        promise: "at the next meet".into(),
        ..Call::default()
    }
}

/// Every act that takes a request id, in an order in which each can be done.
#[rustfmt::skip]
fn every_act() -> Vec<Tried> {
    vec![
        tried("lodge rule new 0123456789abcdef", |planner, id| {
            none(planner.lodge(&rule("new"), "text", oil_facts(), None, id))
        }),
        tried("take alert 1 on", |planner, id| none(planner.acknowledge(AlertId(1), "", "", id))),
        tried("give alert 1 back", |planner, id| {
            none(planner.give_back(AlertId(1), "not mine", "", id))
        }),
        tried("report a defect of ZVR 4117", |planner, id| {
            planner.report(report(unit(), "cold"), id).map(|id| id.0)
        }),
        tried("take defect 1 on", |planner, id| none(planner.take_on(OIL, "mine", id))),
        tried("log a call about defect 1", |planner, id| {
            none(planner.log_contact(OIL, call("dispatcher"), id))
        }),
        tried("keep the promise of call 1, defect 1", |planner, id| {
            none(planner.keep_promise(OIL, 1, id))
        }),
        tried("say what holds until defect 1 is repaired", |planner, id| {
            none(planner.say(OIL, Disposition::Restrict, "notch 6 at most", id))
        }),
        tried("plan defect 1", |planner, id| {
            none(planner.plan(OIL, Some(plan("Stenmoor")), "", id))
        }),
        tried("begin work on defect 1", |planner, id| none(planner.begin_work(OIL, "", id))),
        tried("split defect 1", |planner, id| {
            let split = planner.split(OIL, vec![AlertId(2)], "", "another fault", "", id);
            split.map(|new| new.0)
        }),
        tried("merge defect 4 into defect 1", |planner, id| {
            none(planner.merge(DefectId(4), OIL, "the same after all", "", id))
        }),
        tried("close defect 1 without a finding", |planner, id| {
            none(planner.close_without_finding(OIL, "unit was needed", "", id))
        }),
        tried("record the finding of defect 1", |planner, id| {
            none(planner.record_finding(OIL, verdict(FindingKind::AsCalled), "", id))
        }),
        tried("shelve alerts of ZVR 4117", |planner, id| {
            planner.mute(order(MuteKind::Shelved, "waits for parts"), id).map(|id| id.0)
        }),
        tried("lift mute 1", |planner, id| none(planner.lift(MuteId(1), "parts came", id))),
        tried("hand the desk over", |planner, id| {
            planner.hand_desk_over("Ruben", "Ada", "quiet", id).map(|id| id.0)
        }),
    ]
}

#[test]
fn the_same_again_is_answered_as_before_and_does_nothing() {
    let mut desk = desk();
    let mut made = Vec::new();
    for (idx, tried) in every_act().iter().enumerate() {
        let id = format!("r-{idx}");
        let (done, _) = desk.write("east", |planner| (tried.act)(planner, &id));
        let n_entries = desk.entries.len();
        let (again, _) = desk.write("east", |planner| (tried.act)(planner, &id));
        assert_eq!(
            (&again, desk.entries.len()),
            (&done, n_entries),
            "{}",
            tried.called
        );
        made.push(done.unwrap());
    }
    assert_eq!(made, [0, 0, 0, 3, 0, 0, 0, 0, 0, 0, 4, 0, 0, 0, 1, 0, 1]);
    // Once all is done, and after a restart too.
    desk.book = desk.rebuilt();
    let n_entries = desk.entries.len();
    for (idx, tried) in every_act().iter().enumerate() {
        let id = format!("r-{idx}");
        let (again, _) = desk.write("east", |planner| (tried.act)(planner, &id));
        assert_eq!(again, Ok(made[idx]), "{}", tried.called);
    }
    assert_eq!(desk.entries.len(), n_entries);
}

#[test]
fn an_id_that_was_used_for_another_act_on_the_same_thing_is_refused() {
    let acts = every_act();
    let mut desk = desk();
    for (idx, done) in acts.iter().enumerate() {
        let id = format!("r-{idx}");
        desk.write("east", |planner| (done.act)(planner, &id))
            .0
            .unwrap();
        let n_entries = desk.entries.len();
        for other in acts.iter().filter(|other| other.called != done.called) {
            let (refused, _) = desk.write("east", |planner| (other.act)(planner, &id));
            let Err(Refusal::RequestIdReused { request_id, before }) = refused else {
                panic!("{} after {}: {refused:?}", other.called, done.called);
            };
            assert_eq!((request_id, before), (id.clone(), done.called.to_owned()));
        }
        assert_eq!(desk.entries.len(), n_entries);
    }
}

#[test]
fn an_id_that_was_used_to_say_something_else_is_refused() {
    let mut desk = desk();
    let first = [
        east(&mut desk, |planner| planner.take_on(FAN, "mine", "t")),
        east(&mut desk, |planner| {
            planner.say(FAN, Disposition::Restrict, "notch 6 at most", "s")
        }),
        east(&mut desk, |planner| {
            planner.plan(FAN, Some(plan("Stenmoor")), "", "p")
        }),
        east(&mut desk, |planner| {
            planner.log_contact(FAN, call("dispatcher"), "c")
        }),
        east(&mut desk, |planner| {
            planner.report(report(unit(), "cold"), "d")
        })
        .map(drop),
        east(&mut desk, |planner| {
            planner.mute(order(MuteKind::Shelved, "parts"), "m")
        })
        .map(drop),
    ];
    assert!(first.iter().all(Result::is_ok), "{first:?}");
    let n_entries = desk.entries.len();
    let isolate = Disposition::Isolate;
    let other = UnitId::new("ZVR 4118").unwrap();
    let refused = [
        east(&mut desk, |planner| planner.take_on(FAN, "west's", "t")),
        east(&mut desk, |planner| planner.say(FAN, isolate, "", "s")),
        east(&mut desk, |planner| planner.plan(FAN, None, "", "p")),
        east(&mut desk, |planner| {
            planner.log_contact(FAN, call("yardmaster"), "c")
        }),
        east(&mut desk, |planner| {
            planner.report(report(other, "cold"), "d").map(drop)
        }),
        east(&mut desk, |planner| {
            planner.report(report(unit(), "hot"), "d").map(drop)
        }),
        east(&mut desk, |planner| {
            planner
                .mute(order(MuteKind::Shelved, "no parts"), "m")
                .map(drop)
        }),
    ];
    let says: Vec<String> = refused
        .iter()
        .map(|refused| refused.as_ref().unwrap_err().to_string())
        .collect();
    assert_eq!(
        says[1],
        "request id \"s\" was used before to say what holds until defect 2 is repaired, in other words; \
         make a new one"
    );
    assert_eq!(
        says[4],
        "request id \"d\" was used before to report a defect of ZVR 4117; make a new one"
    );
    assert_eq!(desk.entries.len(), n_entries);
    // Cases are kept apart from their rule, and are not lost either.
    let lodge = |desk: &mut Desk, toml: &str| {
        let cases = CasesText {
            toml: toml.into(),
            ..CasesText::default()
        };
        desk.write("author", |planner| {
            planner.lodge(&rule("new"), "text", oil_facts(), Some(cases), "l")
        })
        .0
    };
    assert_eq!(lodge(&mut desk, "one"), Ok(()));
    assert_eq!(lodge(&mut desk, "one"), Ok(()));
    assert!(matches!(
        lodge(&mut desk, "two"),
        Err(Refusal::RequestIdReused { .. })
    ));
}

#[test]
fn an_id_belongs_to_its_caller_and_what_the_server_fills_in_does_not_count() {
    let mut desk = desk();
    let take = |desk: &mut Desk, by: &str, id| {
        desk.write(by, |planner| planner.take_on(DefectId(id), "", "t"))
            .0
    };
    assert_eq!(take(&mut desk, "east", 1), Ok(()));
    assert_eq!(take(&mut desk, "west", 2), Ok(()));
    // Without a time the server takes its own, which is another one by the time of the repeat.
    let find = |desk: &mut Desk, repaired: i64| {
        let mut verdict = verdict(FindingKind::AsCalled);
        verdict.repaired_at = at(repaired);
        let etag = desk.book.defect(OIL).unwrap().etag();
        desk.write("shop", |planner| {
            planner.record_finding(OIL, verdict, &etag, "f")
        })
        .0
    };
    assert_eq!(find(&mut desk, 900), Ok(()));
    assert_eq!(find(&mut desk, 950), Ok(()));
    let finding = desk.book.defect(OIL).unwrap().defect().finding.clone();
    assert_eq!(finding.unwrap().repaired_at, at(900));
    let said = |desk: &mut Desk, first: i64| {
        let mut report = report(unit(), "cold");
        report.first_sign_at = at(first);
        desk.write("crew", |planner| planner.report(report, "d")).0
    };
    assert_eq!(said(&mut desk, 500), Ok(DefectId(3)));
    assert_eq!(said(&mut desk, 600), Ok(DefectId(3)));
    // A report that joins what is open is known again just so.
    let joins = |desk: &mut Desk| {
        let joins = report(unit(), "still cold");
        desk.write("crew", |planner| planner.report(joins, "e")).0
    };
    let n_entries = desk.entries.len();
    assert_eq!(
        (joins(&mut desk), joins(&mut desk)),
        (Ok(DefectId(3)), Ok(DefectId(3)))
    );
    assert_eq!(desk.entries.len(), n_entries + 1);
}
