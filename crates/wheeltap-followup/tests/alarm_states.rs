//! The state view follows the transitions of ISA-18.2 / IEC 62682 as far as an alert here can take
//! them: it is one occurrence, so "abnormal again" is a new alert.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{Desk, at, facts, occurred, rule};
use wheeltap_followup::{MuteOrder, Refusal, Terms};
use wheeltap_model::{
    AlertChange, AlertId, AlertState, MuteId, MuteKind, MuteScope, Priority, RuleName, RuleStage,
    ServerTime,
};

fn desk() -> Desk {
    Desk::with(&[("oil", facts("oil cooler", Priority::High, false, 1_000))])
}

fn view(desk: &Desk, id: AlertId) -> AlertState {
    let view = desk.book.alert(id).unwrap().alert().state();
    // What was known is known again by construction.
    assert_eq!(desk.rebuilt().alert(id).unwrap().alert().state(), view);
    view
}

// Rows of the transition table in ISA-18.2 / IEC 62682 as two open implementations quote it
// (check-values 5.1; letters A to D seen, F from memory).
#[test]
fn a_becomes_abnormal_b() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    assert_eq!(view(&desk, id), AlertState::Unacknowledged);
}

#[test]
fn b_acknowledge_c_becomes_normal_a() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.acknowledge(id, "desk");
    assert_eq!(view(&desk, id), AlertState::Acknowledged);
    desk.end(id, occurred("oil", 100, Some(200)));
    assert_eq!(view(&desk, id), AlertState::Normal);
}

#[test]
fn b_becomes_normal_d_acknowledge_a() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.end(id, occurred("oil", 100, Some(200)));
    // The usual bug: what came and went before anybody answered must still be seen.
    assert_eq!(view(&desk, id), AlertState::ReturnedUnacknowledged);
    desk.acknowledge(id, "desk");
    assert_eq!(view(&desk, id), AlertState::Normal);
}

#[test]
fn d_becomes_abnormal_again_b() {
    let mut desk = desk();
    let first = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.end(first, occurred("oil", 100, Some(200)));
    let second = desk.raise(occurred("oil", 300, None), Terms::default());
    assert_eq!(view(&desk, first), AlertState::ReturnedUnacknowledged);
    assert_eq!(view(&desk, second), AlertState::Unacknowledged);
    let defect = |id| desk.book.alert(id).unwrap().defect();
    assert_eq!(defect(first), defect(second), "one item for the shop");
}

#[test]
fn b_same_value_again_no_change_no_second_annunciation() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    assert!(desk.book.alert(id).unwrap().announced_at().is_some());
    let ((), notices) = desk.write("telemetry", |planner| {
        let alert = planner.book().alert(id).unwrap();
        planner.revise(alert, occurred("oil", 100, None), Terms::default());
    });
    let announced = desk.book.alert(id).unwrap().announced_at();
    assert!(notices.iter().all(|notice| !matches!(
        notice,
        wheeltap_followup::ChangeNotice::Alert {
            change: AlertChange::Announced | AlertChange::Raised,
            ..
        }
    )));
    assert_eq!(announced, Some(wheeltap_model::ServerTime::from_unix_ms(0)));
}

#[test]
fn a_acknowledge_no_change_no_event() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.acknowledge(id, "desk");
    desk.end(id, occurred("oil", 100, Some(200)));
    assert_eq!(view(&desk, id), AlertState::Normal);
    let (again, notices) = desk.write("desk", |planner| planner.acknowledge(id, "", "", ""));
    assert_eq!((again, notices), (Ok(()), vec![]));
}

#[test]
fn any_suppressed_f_and_back() {
    let mut desk = desk();
    let mut suppressed = occurred("oil", 100, None);
    suppressed.unsuppressed_at = None;
    let id = desk.raise(suppressed, Terms::default());
    assert_eq!(view(&desk, id), AlertState::SuppressedByDesign);
    assert_eq!(desk.book.alert(id).unwrap().announced_at(), None);
    desk.now = 50;
    desk.write("telemetry", |planner| {
        let alert = planner.book().alert(id).unwrap();
        planner.unsuppress(alert, at(150), Terms::default());
    });
    assert_eq!(view(&desk, id), AlertState::Unacknowledged);
    assert!(desk.book.alert(id).unwrap().announced_at().is_some());
}

#[test]
fn c_answer_taken_back_b() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    let back = |desk: &mut Desk, note: &str| {
        desk.write("desk", |planner| planner.give_back(id, note, "", ""))
            .0
    };
    assert_eq!(
        back(&mut desk, "not mine"),
        Err(Refusal::NotAcknowledged { id })
    );
    desk.acknowledge(id, "desk");
    assert!(matches!(back(&mut desk, ""), Err(Refusal::BadField { .. })));
    assert_eq!(back(&mut desk, "going home"), Ok(()));
    assert_eq!(view(&desk, id), AlertState::Unacknowledged);
}

const SHELVED_UNTIL: i64 = 3_600_000;

fn order(kind: MuteKind, rule: Option<&str>, until: Option<i64>) -> MuteOrder {
    MuteOrder {
        kind,
        scope: MuteScope {
            unit: common::unit(),
            rule: rule.map(|rule| RuleName::new(rule).unwrap()),
            part: None,
        },
        until: until.map(ServerTime::from_unix_ms),
        reason: "sensor is being changed".into(),
    }
}

fn mute(desk: &mut Desk, order: MuteOrder) -> Result<MuteId, Refusal> {
    desk.write("desk", |planner| planner.mute(order, "")).0
}

fn shelve(desk: &mut Desk) -> MuteId {
    mute(
        desk,
        order(MuteKind::Shelved, Some("oil"), Some(SHELVED_UNTIL)),
    )
    .unwrap()
}

fn lapse(desk: &mut Desk) -> Vec<AlertChange> {
    let ((), notices) = desk.write("clock", |planner| {
        planner.lapse();
    });
    let changes = notices.iter().filter_map(|notice| match notice {
        wheeltap_followup::ChangeNotice::Alert { change, .. } => Some(*change),
        _ => None,
    });
    changes.collect()
}

/// Every way into shelved and out of it: `any of A-D | shelve | E` and
/// `E | timer ends or unshelve | A if normal, B if abnormal, announced again`.
#[test]
fn any_shelved_e_and_when_its_time_is_over_b_or_a() {
    // B: standing, nobody answered.
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    shelve(&mut desk);
    assert_eq!(view(&desk, id), AlertState::Shelved);
    assert!(!desk.book.alert(id).unwrap().awaits_answer());
    desk.now = SHELVED_UNTIL - 1;
    assert_eq!(lapse(&mut desk), []);
    desk.now = SHELVED_UNTIL;
    assert_eq!(
        lapse(&mut desk),
        [AlertChange::Suppression, AlertChange::Announced]
    );
    assert_eq!(view(&desk, id), AlertState::Unacknowledged);
    let told = desk.book.alert(id).unwrap().told_at();
    assert_eq!(told, Some(ServerTime::from_unix_ms(SHELVED_UNTIL)));
    assert_eq!(lapse(&mut desk), [], "once");

    // C: taken on before; the answer no longer counts.
    let mut desk = self::desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.acknowledge(id, "desk");
    shelve(&mut desk);
    assert_eq!(view(&desk, id), AlertState::Shelved);
    desk.now = SHELVED_UNTIL;
    lapse(&mut desk);
    assert_eq!(view(&desk, id), AlertState::Unacknowledged);

    // D: it came and went, and nobody had answered when it was shelved: it still waits afterwards.
    let mut desk = self::desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.end(id, occurred("oil", 100, Some(200)));
    shelve(&mut desk);
    assert_eq!(view(&desk, id), AlertState::Shelved);
    assert!(!desk.book.alert(id).unwrap().awaits_answer());
    desk.now = SHELVED_UNTIL;
    assert_eq!(lapse(&mut desk), [AlertChange::Suppression]);
    assert_eq!(view(&desk, id), AlertState::ReturnedUnacknowledged);
    assert!(desk.book.alert(id).unwrap().awaits_answer());

    // B, and it ended while shelved: the end was nobody's to see.
    let mut desk = self::desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    shelve(&mut desk);
    desk.end(id, occurred("oil", 100, Some(200)));
    desk.now = SHELVED_UNTIL;
    lapse(&mut desk);
    assert_eq!(view(&desk, id), AlertState::Normal);
    assert!(!desk.book.alert(id).unwrap().awaits_answer());

    // A: normal, and becomes abnormal and normal while shelved; nobody is told.
    let mut desk = self::desk();
    let mute = shelve(&mut desk);
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    assert_eq!(view(&desk, id), AlertState::Shelved);
    assert_eq!(desk.book.alert(id).unwrap().announced_at(), None);
    desk.end(id, occurred("oil", 100, Some(200)));
    assert_eq!(view(&desk, id), AlertState::Shelved);
    let second = desk.raise(occurred("oil", 300, None), Terms::default());
    let lifted = desk.write("desk", |planner| planner.lift(mute, "done", ""));
    assert_eq!(lifted.0, Ok(()));
    assert_eq!(view(&desk, id), AlertState::Normal);
    // And what stands then is told for the first time.
    assert_eq!(view(&desk, second), AlertState::Unacknowledged);
    assert!(desk.book.alert(second).unwrap().announced_at().is_some());
    let twice = desk.write("desk", |planner| planner.lift(mute, "done", ""));
    assert_eq!(twice, (Ok(()), vec![]));
}

#[test]
fn any_out_of_service_g_until_it_is_lifted() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    shelve(&mut desk);
    let shop = mute(&mut desk, order(MuteKind::OutOfService, None, None)).unwrap();
    assert_eq!(view(&desk, id), AlertState::OutOfService);
    // The shelf's end changes nothing while the unit is in the shop.
    desk.now = SHELVED_UNTIL;
    assert_eq!(lapse(&mut desk), []);
    assert_eq!(view(&desk, id), AlertState::OutOfService);
    desk.write("desk", |planner| planner.lift(shop, "", ""))
        .0
        .unwrap();
    assert_eq!(view(&desk, id), AlertState::Unacknowledged);
}

#[test]
fn what_something_else_still_mutes_is_not_told() {
    // Out of the shop before its shelf ends.
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    shelve(&mut desk);
    let shop = mute(&mut desk, order(MuteKind::OutOfService, None, None)).unwrap();
    let told = desk.book.alert(id).unwrap().told_at();
    desk.now = 1_000;
    desk.write("desk", |planner| planner.lift(shop, "", ""))
        .0
        .unwrap();
    assert_eq!(view(&desk, id), AlertState::Shelved);
    assert_eq!(desk.book.alert(id).unwrap().told_at(), told);
    // Explained by the operating state when its shelf ends.
    let mut desk = self::desk();
    let mut explained = occurred("oil", 100, None);
    explained.unsuppressed_at = None;
    let id = desk.raise(explained, Terms::default());
    shelve(&mut desk);
    desk.now = SHELVED_UNTIL;
    assert_eq!(lapse(&mut desk), [AlertChange::Suppression]);
    assert_eq!(view(&desk, id), AlertState::SuppressedByDesign);
    assert_eq!(desk.book.alert(id).unwrap().told_at(), None);
}

#[test]
fn a_shelf_covers_its_unit_and_part_alone() {
    let mut desk = desk();
    let part = |text: &str| Some(wheeltap_model::Part::new(text).unwrap());
    let of_part = |raised: i64, text: &str| wheeltap_followup::Occurrence {
        part: part(text),
        ..occurred("oil", raised, None)
    };
    let third = desk.raise(of_part(100, "axle 3"), Terms::default());
    let fourth = desk.raise(of_part(100, "axle 4"), Terms::default());
    let other = wheeltap_model::UnitId::new("ZVR 4118").unwrap();
    let elsewhere = desk
        .write("telemetry", |planner| {
            planner.raise(&other, of_part(100, "axle 3"), Terms::default())
        })
        .0
        .unwrap();
    let mut shelf = order(MuteKind::Shelved, Some("oil"), Some(SHELVED_UNTIL));
    shelf.scope.part = part("axle 3");
    let mut longer = shelf.clone();
    longer.scope.unit = other;
    longer.until = Some(ServerTime::from_unix_ms(2 * SHELVED_UNTIL));
    mute(&mut desk, shelf).unwrap();
    assert_eq!(view(&desk, third), AlertState::Shelved);
    assert_eq!(view(&desk, fourth), AlertState::Unacknowledged);
    assert_eq!(view(&desk, elsewhere), AlertState::Unacknowledged);
    // Another unit's shelf does not keep this one quiet.
    mute(&mut desk, longer).unwrap();
    desk.now = SHELVED_UNTIL;
    assert_eq!(
        lapse(&mut desk),
        [AlertChange::Suppression, AlertChange::Announced]
    );
    assert_eq!(view(&desk, third), AlertState::Unacknowledged);
    assert_eq!(view(&desk, elsewhere), AlertState::Shelved);
    // The answer is due the time to respond after the shelf's end.
    let defect = desk.book.alert(elsewhere).unwrap().defect();
    let due_at = desk.book.defect(defect).unwrap().defect().due_at;
    assert_eq!(due_at.unix_ms(), 2 * SHELVED_UNTIL + 1_000);
}

#[test]
fn a_shelf_has_an_end_a_reason_and_one_owner() {
    let mut desk = desk();
    desk.now = 1_000;
    let refused = |desk: &mut Desk, order: MuteOrder| match mute(desk, order) {
        Err(Refusal::BadField { field, .. }) => field,
        other => panic!("{other:?}"),
    };
    let shelf = |until| order(MuteKind::Shelved, Some("oil"), until);
    assert_eq!(refused(&mut desk, shelf(None)), "until_unix_ms");
    assert_eq!(refused(&mut desk, shelf(Some(1_000))), "until_unix_ms");
    let too_long = 1_001 + 3 * 24 * 3_600_000;
    assert_eq!(refused(&mut desk, shelf(Some(too_long))), "until_unix_ms");
    let silent = MuteOrder {
        reason: " ".into(),
        ..shelf(Some(2_000))
    };
    assert_eq!(refused(&mut desk, silent), "reason");
    let unknown = order(MuteKind::Shelved, Some("nothing"), Some(2_000));
    assert_eq!(refused(&mut desk, unknown), "rule");
    let id = mute(&mut desk, shelf(Some(too_long - 1))).unwrap();
    assert!(matches!(
        mute(&mut desk, shelf(Some(2_000))),
        Err(Refusal::AlreadyMuted { id: known, .. }) if known == id
    ));
}

#[test]
fn safety_is_never_shelved_and_rings_out_of_service() {
    let mut desk = Desk::with(&[("axle", facts("axle", Priority::Urgent, true, 0))]);
    let shelf = order(MuteKind::Shelved, Some("axle"), Some(SHELVED_UNTIL));
    assert!(matches!(
        mute(&mut desk, shelf),
        Err(Refusal::NeverMuted { .. })
    ));
    let shop = mute(&mut desk, order(MuteKind::OutOfService, None, None)).unwrap();
    let id = desk.raise(occurred("axle", 100, None), Terms::default());
    assert_eq!(view(&desk, id), AlertState::Unacknowledged);
    let alert = desk.book.alert(id).unwrap();
    assert!(alert.announced_at().is_some() && alert.awaits_answer());
    // It rang, so its end did not pass unseen.
    desk.end(id, occurred("axle", 100, Some(200)));
    desk.write("desk", |planner| planner.lift(shop, "", ""))
        .0
        .unwrap();
    assert_eq!(view(&desk, id), AlertState::ReturnedUnacknowledged);
    assert!(desk.book.alert(id).unwrap().awaits_answer());
}

#[test]
fn safety_is_never_muted() {
    let mut desk = Desk::with(&[("axle", facts("axle", Priority::Urgent, true, 0))]);
    let mut suppressed = occurred("axle", 100, None);
    suppressed.unsuppressed_at = None;
    let terms = Terms {
        withhold: true,
        ..Terms::default()
    };
    let id = desk.raise(suppressed, terms);
    assert_eq!(view(&desk, id), AlertState::Unacknowledged);
    assert!(desk.book.alert(id).unwrap().announced_at().is_some());
}

#[test]
fn an_answer_has_one_author_and_needs_the_state_it_was_given_for() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    let etag = desk.book.alert(id).unwrap().etag();
    let answer = |desk: &mut Desk, by: &str, etag: &str, request: &str| {
        desk.write(by, |planner| planner.acknowledge(id, "", etag, request))
            .0
    };
    let stale = answer(&mut desk, "desk", "\"9\"", "");
    assert!(matches!(stale, Err(Refusal::StaleEtag { .. })), "{stale:?}");
    assert_eq!(answer(&mut desk, "desk", &etag, "r-1"), Ok(()));
    // The answer to a request that was answered, whatever the etag is by now.
    assert_eq!(answer(&mut desk, "desk", &etag, "r-1"), Ok(()));
    let other = answer(&mut desk, "other", "", "");
    assert!(matches!(other, Err(Refusal::AlreadyAcknowledged { by, .. }) if by == "desk"));
    // Two who say no name may be two, so only one of them is told yes.
    let nobodys = desk.raise(occurred("oil", 200, None), Terms::default());
    let unnamed = |desk: &mut Desk, request: &str| {
        let by = wheeltap_model::UNNAMED;
        desk.write(by, |planner| planner.acknowledge(nobodys, "", "", request))
            .0
    };
    assert_eq!(unnamed(&mut desk, "r-2"), Ok(()));
    let second = unnamed(&mut desk, "");
    assert!(
        matches!(second, Err(Refusal::AlreadyAcknowledged { .. })),
        "{second:?}"
    );
    assert_eq!(unnamed(&mut desk, "r-2"), Ok(()), "the answer to a repeat");
    let second = desk.raise(occurred("oil", 300, None), Terms::default());
    let reused = desk.write("desk", |planner| planner.acknowledge(second, "", "", "r-1"));
    assert!(matches!(reused.0, Err(Refusal::RequestIdReused { .. })));
    desk.withdraw(second);
    let gone = desk.write("desk", |planner| planner.acknowledge(second, "", "", ""));
    assert_eq!(gone.0, Err(Refusal::Withdrawn { id: second }));
    let none = desk.write("desk", |planner| {
        planner.acknowledge(AlertId(99), "", "", "")
    });
    assert_eq!(none.0, Err(Refusal::UnknownAlert { id: AlertId(99) }));
}

#[test]
fn what_ended_before_it_was_learned_of_is_late_news() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, Some(200)), Terms::default());
    let alert = desk.book.alert(id).unwrap().alert();
    assert!(alert.late_news && alert.announced_at.is_none());
    // Withheld while standing, and over before anybody was told.
    let terms = Terms {
        withhold: true,
        ..Terms::default()
    };
    let id = desk.raise(occurred("oil", 300, None), terms);
    assert!(desk.book.alert(id).unwrap().is_to_announce());
    desk.end(id, occurred("oil", 300, Some(400)));
    assert!(desk.book.alert(id).unwrap().alert().late_news);
}

#[test]
fn a_trial_rings_nobody_until_its_rule_is_live() {
    let mut desk = Desk::default();
    let rule_facts = facts("oil cooler", Priority::High, false, 1_000);
    desk.write("author", |planner| {
        planner
            .lodge(&rule("oil"), "text", rule_facts, None, "")
            .unwrap();
    });
    desk.stage("oil", RuleStage::Trial);
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    let alert = desk.book.alert(id).unwrap().alert();
    assert!(alert.trial && alert.announced_at.is_none() && alert.defect.0 == 0);
    assert_eq!(desk.book.counts(), (1, 0));
    desk.write("author", |planner| {
        planner
            .stage(&rule("oil"), RuleStage::Live, at(150), "", "")
            .unwrap();
    });
    let alert = desk.book.alert(id).unwrap().alert();
    assert!(!alert.trial && alert.announced_at.is_some());
    assert_eq!(desk.book.counts(), (1, 1));
    assert_eq!(
        desk.book.defect(alert.defect).unwrap().defect().alerts,
        [id]
    );
    // What was over before the rule went live stays a trial.
    let old = desk.raise(occurred("oil", 10, Some(20)), Terms::default());
    assert!(desk.book.alert(old).unwrap().is_trial());
}

#[test]
fn a_promise_of_completeness_settles() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    let to_settle = |desk: &Desk, through: i64| {
        let unit = common::unit();
        let found = desk.book.to_settle(&unit, at(through));
        found.map(|alert| alert.id()).collect::<Vec<_>>()
    };
    assert_eq!(to_settle(&desk, 99), []);
    assert_eq!(to_settle(&desk, 100), [id]);
    desk.write("telemetry", |planner| {
        let alert = planner.book().alert(id).unwrap();
        planner.settle(alert);
    });
    assert!(desk.book.alert(id).unwrap().alert().settled);
    assert_eq!(to_settle(&desk, 100), []);
    // Its end is another matter, and may still be revised.
    desk.end(id, occurred("oil", 100, Some(200)));
    assert_eq!(to_settle(&desk, 199), []);
    assert_eq!(to_settle(&desk, 200), [id]);
}
