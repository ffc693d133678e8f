//! What becomes of defects: joining, due times, findings, withdrawn bases.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod by_hand;
#[path = "../common/mod.rs"]
mod common;
mod findings;

use common::{Desk, at, facts, occurred, unit};
use wheeltap_followup::{
    AlertQuery, Call, ChangeNotice, DefectChangeKind, DefectQuery, MuteOrder, Planner, Refusal,
    Report, Terms, UPDATED_BY_TELEMETRY, Verdict,
};
use wheeltap_model::{
    AlertId, DefectId, DefectOrigin, DefectStatus, Disposition, FindingKind, MuteKind, MuteScope,
    Plan, Priority, ServerTime, Work,
};

const HOUR: i64 = 3_600_000;
const DAY: i64 = 24 * HOUR;
fn desk() -> Desk {
    Desk::with(&[
        (
            "oil",
            facts("oil cooler", Priority::Medium, false, 24 * HOUR),
        ),
        (
            "oil-hot",
            facts("oil cooler", Priority::High, false, 4 * HOUR),
        ),
        (
            "fan",
            facts("radiator fan", Priority::Low, false, 48 * HOUR),
        ),
        ("axle", facts("axle", Priority::Urgent, true, 0)),
    ])
}

fn withheld() -> Terms {
    Terms {
        withhold: true,
        ..Terms::default()
    }
}

fn verdict(kind: FindingKind, note: &str, repaired: i64) -> Verdict {
    Verdict {
        kind,
        note: note.to_owned(),
        work: Work::default(),
        repaired_at: at(repaired),
    }
}

fn cold(first_sign: i64) -> Report {
    Report {
        unit: unit(),
        system: "cab".into(),
        component: "cab heater".into(),
        origin: DefectOrigin::CrewReport,
        title: "cold".into(),
        priority: Priority::Low,
        first_sign_at: at(first_sign),
    }
}

fn find(desk: &mut Desk, id: u64, repaired: i64) -> Result<(), Refusal> {
    let finding = verdict(FindingKind::AsCalled, "core blocked", repaired);
    let record = desk.write("shop", |planner| {
        planner.record_finding(DefectId(id), finding, "", "")
    });
    record.0
}

fn defect(desk: &Desk, id: u64) -> wheeltap_model::Defect {
    let defect = desk.book.defect(DefectId(id)).unwrap().defect().clone();
    let rebuilt = desk.rebuilt();
    assert_eq!(*rebuilt.defect(DefectId(id)).unwrap().defect(), defect);
    defect
}

#[test]
fn alerts_of_one_component_are_one_item_with_the_sharpest_answer() {
    let mut desk = desk();
    desk.now = 1_000;
    let first = desk.raise(occurred("oil", 100, None), Terms::default());
    assert_eq!(defect(&desk, 1).due_at.unix_ms(), 1_000 + 24 * HOUR);
    desk.now = 9_000;
    let second = desk.raise(occurred("oil-hot", 50, None), Terms::default());
    let fan = desk.raise(occurred("fan", 100, None), Terms::default());
    let joined = defect(&desk, 1);
    assert_eq!(joined.alerts, [first, second]);
    assert_eq!(joined.priority, Priority::High);
    assert_eq!(joined.first_sign_at, at(50));
    // The soonest of each alert's time to respond from its own announcement.
    assert_eq!(joined.due_at.unix_ms(), 9_000 + 4 * HOUR);
    assert_eq!(desk.book.alert(fan).unwrap().defect(), DefectId(2));
    // Soonest due first.
    let listed = desk.book.defects(&DefectQuery::default(), None, 10);
    let ids: Vec<u64> = listed.iter().map(|kept| kept.id().0).collect();
    assert_eq!(ids, [1, 2]);
}

#[test]
fn due_time_runs_from_the_announcement() {
    let mut desk = desk();
    desk.now = 1_000;
    let id = desk.raise(occurred("oil", 100, None), withheld());
    desk.now = 61_000;
    desk.write(UPDATED_BY_TELEMETRY, |planner| {
        let alert = planner.book().alert(id).unwrap();
        planner.announce(alert);
    });
    let defect = defect(&desk, 1);
    assert_eq!(defect.due_at.unix_ms(), 61_000 + 24 * HOUR);
    assert_eq!(defect.opened_at, ServerTime::from_unix_ms(1_000));
}

#[test]
fn an_untouched_defect_whose_alerts_are_withdrawn_is_void_and_may_come_back() {
    let mut desk = desk();
    let first = desk.raise(occurred("oil", 100, None), Terms::default());
    let second = desk.raise(occurred("oil-hot", 100, None), Terms::default());
    desk.withdraw(second);
    assert_eq!(
        defect(&desk, 1).priority,
        Priority::Medium,
        "withdrawn ones do not count"
    );
    assert_eq!(defect(&desk, 1).status, DefectStatus::Suspected);
    desk.withdraw(first);
    assert_eq!(defect(&desk, 1).status, DefectStatus::Void);
    assert_eq!(
        find(&mut desk, 1, 0),
        Err(Refusal::AlreadyClosed {
            id: DefectId(1),
            status: "void"
        })
    );
    let ((), notices) = desk.write(UPDATED_BY_TELEMETRY, |planner| {
        let alert = planner.book().alert(first).unwrap();
        planner.reinstate(alert, occurred("oil", 120, None), Terms::default());
    });
    assert!(notices.iter().any(|notice| matches!(
        notice,
        ChangeNotice::Defect {
            kind: DefectChangeKind::Opened,
            ..
        }
    )));
    assert_eq!(defect(&desk, 1).status, DefectStatus::Suspected);
}

#[test]
fn a_touched_defect_shows_that_its_basis_is_gone_and_still_needs_its_finding() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.acknowledge(id, "desk");
    desk.withdraw(id);
    let shown = defect(&desk, 1);
    assert_eq!(shown.status, DefectStatus::Suspected);
    assert!(shown.basis_withdrawn && shown.touched);
    assert_eq!(find(&mut desk, 1, 100), Ok(()));
    assert_eq!(defect(&desk, 1).status, DefectStatus::Closed);
}

#[test]
fn a_mute_that_ends_rings_nothing_of_a_closed_defect() {
    let mut desk = desk();
    desk.now = 1_000;
    let oil = desk.raise(occurred("oil", 100, None), Terms::default());
    let order = MuteOrder {
        kind: MuteKind::OutOfService,
        scope: MuteScope {
            unit: unit(),
            rule: None,
            part: None,
        },
        until: None,
        reason: "paint".into(),
    };
    let mute = desk.write("lead", |planner| planner.mute(order, "")).0;
    let finding = verdict(FindingKind::AsCalled, "", 1_000);
    let find = |planner: &mut Planner<'_>| planner.record_finding(DefectId(1), finding, "", "");
    desk.write("shop", find).0.unwrap();
    desk.now = 2_000;
    let told = desk.book.alert(oil).unwrap().told_at();
    desk.write("lead", |planner| planner.lift(mute.unwrap(), "", ""))
        .0
        .unwrap();
    assert_eq!(desk.book.alert(oil).unwrap().told_at(), told);
}

#[test]
fn calls_leave_a_trace_until_their_promise_is_kept() {
    let mut desk = desk();
    desk.now = 1_000;
    let alert = desk.raise(occurred("oil", 100, None), Terms::default());
    let call = Call {
        told: "yardmaster".into(),
        alert: Some(alert),
        answer: "will swap the lead".into(),
        promise: "at the next meet".into(),
        promised_for: Some(ServerTime::from_unix_ms(HOUR)),
    };
    let log = |desk: &mut Desk, call: Call| {
        desk.write("desk", |planner| planner.log_contact(DefectId(1), call, ""))
            .0
    };
    let nobody = Call {
        told: String::new(),
        ..call.clone()
    };
    assert!(matches!(
        log(&mut desk, nobody),
        Err(Refusal::BadField { field: "told", .. })
    ));
    let other = Call {
        alert: Some(wheeltap_model::AlertId(9)),
        ..call.clone()
    };
    assert!(matches!(
        log(&mut desk, other),
        Err(Refusal::BadField { field: "alert", .. })
    ));
    assert_eq!(log(&mut desk, call), Ok(()));
    assert!(defect(&desk, 1).contacts[0].is_owed());
    let keep = |desk: &mut Desk, number| {
        desk.write("desk", |planner| {
            planner.keep_promise(DefectId(1), number, "")
        })
    };
    assert!(keep(&mut desk, 2).0.is_err());
    assert_eq!(keep(&mut desk, 1).0, Ok(()));
    assert!(!defect(&desk, 1).contacts[0].is_owed());
    assert_eq!(keep(&mut desk, 1), (Ok(()), vec![]));
    let say = |desk: &mut Desk, how: &str| {
        desk.write("desk", |planner| {
            planner.say(DefectId(1), Disposition::Restrict, how, "")
        })
        .0
    };
    assert!(say(&mut desk, "").is_err(), "which restriction?");
    assert_eq!(say(&mut desk, "notch 6 at most"), Ok(()));
    assert_eq!(defect(&desk, 1).said.unwrap().how, "notch 6 at most");
}

#[test]
fn a_defect_has_one_taker() {
    let mut desk = desk();
    let first = desk.raise(occurred("oil", 100, None), Terms::default());
    let second = desk.raise(occurred("oil-hot", 150, None), Terms::default());
    let take = |desk: &mut Desk, by: &str, request: &str| {
        desk.write(by, |planner| planner.take_on(DefectId(1), "mine", request))
            .0
    };
    let waits = |desk: &Desk| {
        let kept = desk.book.defect(DefectId(1)).unwrap();
        desk.book.awaits_answer(kept)
    };
    assert!(waits(&desk));
    assert_eq!(take(&mut desk, "east", "t-1"), Ok(()));
    for id in [first, second] {
        assert_eq!(desk.book.alert(id).unwrap().acknowledged_by(), Some("east"));
        assert_eq!(
            desk.rebuilt().alert(id).unwrap().acknowledged_by(),
            Some("east")
        );
    }
    assert!(!waits(&desk));
    let other = take(&mut desk, "west", "");
    assert_eq!(
        other,
        Err(Refusal::AlreadyTaken {
            id: DefectId(1),
            by: "east".into()
        })
    );
    assert_eq!(take(&mut desk, "east", "t-1"), Ok(()));
    // Something new of it: anybody may take that on.
    desk.raise(occurred("oil", 500, None), Terms::default());
    assert!(waits(&desk));
    assert_eq!(take(&mut desk, "west", ""), Ok(()));
    // One of its alerts given back: it waits, and is nobody's as a whole.
    desk.write("east", |planner| {
        planner.give_back(second, "not mine", "", "")
    })
    .0
    .unwrap();
    assert!(waits(&desk));
    assert_eq!(defect(&desk, 1).taken, None);
    assert_eq!(
        desk.rebuilt().defect(DefectId(1)),
        desk.book.defect(DefectId(1))
    );
    assert_eq!(take(&mut desk, "west", ""), Ok(()));
    // What was only reported waits too, and is taken on as a whole.
    let report = cold(500);
    let (made, _) = desk.write("crew", |planner| planner.report(report, ""));
    let id = made.unwrap();
    assert!(desk.book.awaits_answer(desk.book.defect(id).unwrap()));
    desk.write("east", |planner| planner.take_on(id, "", ""))
        .0
        .unwrap();
    assert!(!desk.book.awaits_answer(desk.book.defect(id).unwrap()));
    let (late, _) = desk.write("west", |planner| planner.take_on(id, "", ""));
    assert!(matches!(late, Err(Refusal::AlreadyTaken { .. })));
    // Two who say no name may be two.
    let horn = Report {
        component: "horn".into(),
        ..cold(500)
    };
    let (made, _) = desk.write("crew", |planner| planner.report(horn, ""));
    let id = made.unwrap();
    let mut unnamed = || {
        let by = wheeltap_model::UNNAMED;
        desk.write(by, |planner| planner.take_on(id, "", "")).0
    };
    assert_eq!(unnamed(), Ok(()));
    assert!(matches!(unnamed(), Err(Refusal::AlreadyTaken { .. })));
}

#[test]
fn an_alert_of_a_closed_defect_waits_for_no_answer() {
    let mut desk = desk();
    let oil = desk.raise(occurred("oil", 1_000, None), Terms::default());
    let fan = desk.raise(occurred("fan", 1_000, None), Terms::default());
    desk.now = 5_000;
    let waiting = AlertQuery {
        awaits_answer: true,
        ..AlertQuery::default()
    };
    let waits = |desk: &Desk| -> Vec<AlertId> {
        let found = desk.book.alerts(&waiting, None, 10);
        found.iter().map(|alert| alert.id()).collect()
    };
    assert_eq!(waits(&desk), [fan, oil]);
    assert_eq!(find(&mut desk, 1, 4_000), Ok(()));
    assert_eq!(waits(&desk), [fan]);
    let closed = desk.book.alert(oil).unwrap();
    assert!(!desk.book.alert_awaits_answer(closed));
    // It came back: both are of an open defect again.
    let again = desk.raise(occurred("oil", 4_500, None), Terms::default());
    assert_eq!(waits(&desk), [again, fan, oil]);
}
