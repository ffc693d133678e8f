//! What becomes of defects: joining, due times, findings, withdrawn bases.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{Desk, at, facts, occurred, unit};
use wheeltap_followup::{
    ChangeNotice, DefectChangeKind, DefectQuery, Refusal, Report, Terms, UPDATED_BY_TELEMETRY,
};
use wheeltap_model::{DefectId, DefectOrigin, DefectStatus, FindingKind, Priority, ServerTime};

const HOUR: i64 = 3_600_000;

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
    ])
}

fn withheld() -> Terms {
    Terms {
        withhold: true,
        ..Terms::default()
    }
}

fn find(desk: &mut Desk, id: u64, repaired: i64) -> Result<(), Refusal> {
    let finding = (FindingKind::AsCalled, "core blocked", at(repaired));
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
    // The shortest time to respond, from the first announcement.
    assert_eq!(joined.due_at.unix_ms(), 1_000 + 4 * HOUR);
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
    assert_eq!(find(&mut desk, 1, 0), Ok(()));
    assert_eq!(defect(&desk, 1).status, DefectStatus::Closed);
}

#[test]
fn what_was_seen_before_a_repair_belongs_to_it_and_what_comes_after_is_new() {
    let mut desk = desk();
    desk.now = 10_000;
    desk.raise(occurred("oil", 1_000, Some(2_000)), Terms::default());
    assert_eq!(find(&mut desk, 1, 5_000), Ok(()));
    assert_eq!(
        find(&mut desk, 1, 5_000),
        Err(Refusal::AlreadyClosed {
            id: DefectId(1),
            status: "closed"
        })
    );
    let back = desk.raise(occurred("oil", 6_000, None), Terms::default());
    assert_eq!(desk.book.alert(back).unwrap().defect(), DefectId(2));
    // Late: seen before the repair, learned of after the next one was opened.
    let late = desk.raise(occurred("oil-hot", 3_000, Some(3_500)), Terms::default());
    assert_eq!(desk.book.alert(late).unwrap().defect(), DefectId(1));
    let closed = defect(&desk, 1);
    assert_eq!(
        closed.status,
        DefectStatus::Closed,
        "it is not opened again"
    );
    assert_eq!(closed.alerts.len(), 2);
    assert_eq!(find(&mut desk, 2, 7_000), Ok(()));
    // Between two repairs: the second one's.
    let between = desk.raise(occurred("oil", 5_500, Some(5_600)), Terms::default());
    assert_eq!(desk.book.alert(between).unwrap().defect(), DefectId(2));
}

#[test]
fn a_repair_ahead_of_the_clock_is_refused() {
    let mut desk = desk();
    desk.raise(occurred("oil", 1_000, None), Terms::default());
    desk.now = 5_000;
    let ahead = find(&mut desk, 1, 5_000 + HOUR);
    assert!(
        matches!(ahead, Err(Refusal::RepairAhead { .. })),
        "{ahead:?}"
    );
    assert_eq!(defect(&desk, 1).finding, None);
}

#[test]
fn a_report_joins_the_open_defect_and_a_repeat_changes_nothing() {
    let mut desk = desk();
    let report = |origin| Report {
        unit: unit(),
        system: "cooling".into(),
        component: "radiator fan".into(),
        origin,
        title: "fan does not turn".into(),
        priority: Priority::High,
        first_sign_at: at(500),
    };
    desk.now = 1_000;
    let crew = report(DefectOrigin::CrewReport);
    let (first, _) = desk.write("crew", |planner| planner.report(crew.clone(), "r-1"));
    assert_eq!(first, Ok(DefectId(1)));
    let (repeat, notices) = desk.write("crew", |planner| planner.report(crew, "r-1"));
    assert_eq!((repeat, notices.len()), (Ok(DefectId(1)), 0));
    let found = report(DefectOrigin::ShopFind);
    let (second, _) = desk.write("shop", |planner| planner.report(found, ""));
    assert_eq!(second, Ok(DefectId(1)));
    // An alert joins it, and its withdrawal does not take the report's basis away.
    let alert = desk.raise(occurred("fan", 700, None), Terms::default());
    assert_eq!(desk.book.alert(alert).unwrap().defect(), DefectId(1));
    desk.withdraw(alert);
    let shown = defect(&desk, 1);
    assert_eq!(shown.status, DefectStatus::Suspected);
    assert!(!shown.basis_withdrawn);
    assert_eq!(
        (shown.priority, shown.first_sign_at),
        (Priority::High, at(500))
    );
}

#[test]
fn findings_say_which_calls_of_a_component_were_right() {
    let mut desk = desk();
    desk.now = 1_000;
    let oil = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.raise(occurred("fan", 200, None), Terms::default());
    let span = (at(0), at(HOUR));
    let truth = |desk: &Desk, component: &str| desk.book.truth(component, span.0, span.1);
    // Nobody has looked yet.
    assert_eq!(
        truth(&desk, "oil cooler"),
        wheeltap_followup::Truth::default()
    );
    find(&mut desk, 1, 5_000).unwrap();
    let known = truth(&desk, "oil cooler");
    assert_eq!((known.failures.len(), known.sound.len()), (1, 0));
    assert_eq!(known.failures[0].until, at(5_000));
    assert!(!known.is_complete);
    // Another component's finding says nothing of it, and the fan has none.
    assert_eq!(truth(&desk, "radiator fan").failures, []);
    let finding = (FindingKind::NoFaultFound, "runs", at(6_000));
    desk.write("shop", |planner| {
        planner.record_finding(DefectId(2), finding, "", "")
    })
    .0
    .unwrap();
    let known = truth(&desk, "radiator fan");
    assert_eq!((known.failures.len(), known.sound.len()), (0, 1));
    // Load of all but one rule, over a span, without what was taken back.
    let n_rung = |desk: &Desk, from, except: &str| {
        let except = wheeltap_model::RuleName::new(except).unwrap();
        desk.book.n_rung(at(from), at(HOUR), &except)
    };
    assert_eq!(n_rung(&desk, 0, "none"), 2);
    assert_eq!(n_rung(&desk, 0, "oil"), 1);
    assert_eq!(n_rung(&desk, 150, "none"), 1);
    desk.withdraw(oil);
    assert_eq!(n_rung(&desk, 0, "none"), 1);
}
