//! What becomes of defects: joining, due times, findings, withdrawn bases.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{Desk, at, facts, occurred, unit};
use wheeltap_followup::{
    AlertQuery, Call, ChangeNotice, DefectChangeKind, DefectQuery, MuteOrder, Planner, Refusal,
    Report, Terms, UPDATED_BY_TELEMETRY, Verdict,
};
use wheeltap_model::{
    AlertId, DefectId, DefectOrigin, DefectStatus, Disposition, FindingKind, MuteKind, MuteScope,
    Plan, Priority, RuleName, ServerTime, Work,
};

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

const DAY: i64 = 24 * HOUR;

#[test]
fn what_was_seen_before_a_repair_belongs_to_it_and_what_comes_back_opens_it_again() {
    let mut desk = desk();
    desk.now = 10_000;
    desk.raise(occurred("oil", 1_000, Some(2_000)), Terms::default());
    let plan = Plan {
        service_point: "Stenmoor".into(),
        ..Plan::default()
    };
    desk.write("desk", |planner| {
        planner.take_on(DefectId(1), "", "").unwrap();
        planner.plan(DefectId(1), Some(plan), "", "").unwrap();
    });
    assert_eq!(find(&mut desk, 1, 5_000), Ok(()));
    assert_eq!(
        find(&mut desk, 1, 5_000),
        Err(Refusal::AlreadyClosed {
            id: DefectId(1),
            status: "closed"
        })
    );
    // Late: seen before the repair.
    let late = desk.raise(occurred("oil-hot", 3_000, Some(3_500)), Terms::default());
    assert_eq!(desk.book.alert(late).unwrap().defect(), DefectId(1));
    let closed = defect(&desk, 1);
    assert_eq!(
        closed.status,
        DefectStatus::Closed,
        "it is not opened again"
    );
    assert_eq!(closed.alerts.len(), 2);
    // It comes back: the same defect, and its answer is due from now, not from the first time.
    desk.now = 3 * HOUR;
    let back = desk.raise(occurred("oil", 6_000, None), Terms::default());
    assert_eq!(desk.book.alert(back).unwrap().defect(), DefectId(1));
    let open = defect(&desk, 1);
    assert_eq!(open.status, DefectStatus::Suspected);
    assert_eq!(
        (open.taken, open.plan),
        (None, None),
        "somebody has to look again"
    );
    assert_eq!((open.finding, open.earlier_findings.len()), (None, 1));
    assert_eq!(open.due_at.unix_ms(), 27 * HOUR);
    assert_eq!(open.priority, Priority::Medium, "as it is called now");
    assert_eq!(open.first_sign_at, at(1_000));
    let truth = desk.book.truth("oil cooler", at(0), at(HOUR));
    assert_eq!(
        truth.failures.len(),
        1,
        "the finding of the first time still counts"
    );
    // Its return was a mistake: what was said then holds, and somebody must look.
    desk.withdraw(back);
    assert!(defect(&desk, 1).basis_withdrawn);
    assert_eq!(find(&mut desk, 1, 7_000), Ok(()));
    assert_eq!(defect(&desk, 1).earlier_findings.len(), 1);
    let failures = desk.book.truth("oil cooler", at(0), at(HOUR)).failures;
    // A call of the second time comes after the first repair.
    assert_eq!((failures.len(), failures[1].from), (2, at(5_000)));
}

#[test]
fn what_comes_back_after_the_time_that_the_railway_set_is_new() {
    let mut desk = desk();
    desk.now = 20 * DAY;
    desk.raise(occurred("oil", 1_000, Some(2_000)), Terms::default());
    assert_eq!(find(&mut desk, 1, 5_000), Ok(()));
    // 14 d by default, to the millisecond.
    let back = desk.raise(occurred("oil", 14 * DAY + 5_001, None), Terms::default());
    assert_eq!(desk.book.alert(back).unwrap().defect(), DefectId(2));
    assert_eq!(find(&mut desk, 2, 15 * DAY), Ok(()));
    let back = desk.raise(occurred("oil", 29 * DAY, None), Terms::default());
    assert_eq!(desk.book.alert(back).unwrap().defect(), DefectId(2));
    // Between two repairs: the second one's.
    let between = desk.raise(occurred("oil-hot", 6_000, Some(6_100)), Terms::default());
    assert_eq!(desk.book.alert(between).unwrap().defect(), DefectId(2));
}

#[test]
fn a_defect_goes_through_the_shop() {
    let mut desk = desk();
    desk.now = 1_000;
    desk.raise(occurred("oil", 100, None), Terms::default());
    let id = DefectId(1);
    let plan = Plan {
        service_point: "Stenmoor".into(),
        at: Some(at(2 * HOUR)),
        part: "cooler core".into(),
        craft: "mechanical".into(),
        note: String::new(),
    };
    let nowhere = desk.write("desk", |planner| {
        planner.plan(id, Some(Plan::default()), "", "")
    });
    assert!(matches!(nowhere.0, Err(Refusal::BadField { .. })));
    let etag = desk.book.defect(id).unwrap().etag();
    let planned = desk.write("desk", |planner| {
        planner.plan(id, Some(plan.clone()), &etag, "p-1")
    });
    assert_eq!(planned.0, Ok(()));
    assert_eq!(defect(&desk, 1).status, DefectStatus::Planned);
    assert_eq!(defect(&desk, 1).plan.as_ref(), Some(&plan));
    // Planned against what it was before: refused, and nothing changes.
    let stale = desk.write("other", |planner| planner.plan(id, None, &etag, ""));
    assert!(matches!(stale.0, Err(Refusal::StaleEtag { .. })));
    assert_eq!(defect(&desk, 1).plan, Some(plan));
    let begun = desk.write("shop", |planner| planner.begin_work(id, "", ""));
    assert_eq!((begun.0, begun.1.len()), (Ok(()), 1));
    assert_eq!(defect(&desk, 1).status, DefectStatus::InWork);
    let again = desk.write("shop", |planner| planner.begin_work(id, "", ""));
    assert_eq!((again.0, again.1.len()), (Ok(()), 0));
    // Closed, and nobody says what it was: the finding is owed.
    desk.end(AlertId(1), occurred("oil", 100, Some(200)));
    let silent = desk.write("shop", |planner| {
        planner.close_without_finding(id, " ", "", "")
    });
    assert!(matches!(
        silent.0,
        Err(Refusal::BadField { field: "note", .. })
    ));
    let closed = desk.write("shop", |planner| {
        planner.close_without_finding(id, "unit was needed", "", "")
    });
    assert_eq!(closed.0, Ok(()));
    assert!(matches!(
        closed.1[..],
        [ChangeNotice::Defect {
            kind: DefectChangeKind::Closed,
            ..
        }]
    ));
    assert_eq!(defect(&desk, 1).status, DefectStatus::FindingOwed);
    let truth = desk.book.truth("oil cooler", at(0), at(HOUR));
    assert_eq!(
        truth,
        wheeltap_followup::Truth::default(),
        "outside precision"
    );
    // The finding comes later, with a failure mode that there is.
    let mut late = verdict(FindingKind::AsCalled, "core blocked", 900);
    late.work = Work {
        cause: "leaves".into(),
        component: "oil cooler".into(),
        failure_mode: "XYZ".into(),
        minutes: Some(50),
        parts: vec!["cooler core".into()],
    };
    let bad = desk.write("shop", |planner| {
        planner.record_finding(id, late.clone(), "", "")
    });
    let Err(Refusal::BadField { why, .. }) = bad.0 else {
        panic!("XYZ was taken");
    };
    assert!(why.contains("PLU"), "{why}");
    late.work.failure_mode = "PLU".into();
    let found = desk.write("shop", |planner| {
        planner.record_finding(id, late.clone(), "", "")
    });
    assert_eq!(found.0, Ok(()));
    let closed = defect(&desk, 1);
    assert_eq!(closed.status, DefectStatus::Closed);
    assert_eq!(closed.finding.unwrap().work, late.work);
}

#[test]
fn what_stands_is_not_closed_without_a_finding_unless_it_is_muted() {
    let mut desk = desk();
    let close = |desk: &mut Desk, id: u64| {
        desk.write("shop", |planner| {
            planner.close_without_finding(DefectId(id), "later", "", "")
        })
        .0
    };
    let status = |desk: &Desk, id: u64| defect(desk, id).status;
    desk.now = 10 * HOUR;
    let danger = desk.raise(occurred("axle", 100, None), Terms::default());
    let (id, alert) = (DefectId(1), danger);
    assert_eq!(
        close(&mut desk, 1),
        Err(Refusal::DangerStands { id, alert })
    );
    // Nor does it pass under another name.
    let unseen = verdict(FindingKind::NotLookedAt, "no time", 5_000);
    let unseen = desk.write("shop", |planner| planner.record_finding(id, unseen, "", ""));
    assert_eq!(unseen.0, Err(Refusal::DangerStands { id, alert }));
    assert_eq!(status(&desk, 1), DefectStatus::Suspected);
    // Another rule's can be muted, and then closed; once it is no longer, it is open again and told.
    let oil = desk.raise(occurred("oil", 100, None), Terms::default());
    let (id, alert) = (DefectId(2), oil);
    assert_eq!(close(&mut desk, 2), Err(Refusal::StillStands { id, alert }));
    let shelf = MuteOrder {
        kind: MuteKind::Shelved,
        scope: MuteScope {
            unit: unit(),
            rule: Some(RuleName::new("oil").unwrap()),
            part: None,
        },
        until: Some(ServerTime::from_unix_ms(11 * HOUR)),
        reason: "gauge is being changed".into(),
    };
    desk.write("desk", |planner| planner.mute(shelf, ""))
        .0
        .unwrap();
    assert_eq!(close(&mut desk, 2), Ok(()));
    assert_eq!(desk.book.closed_though_standing().count(), 0);
    assert_eq!(
        desk.book.defect(id).unwrap().repaired_at(),
        None,
        "nobody repaired it"
    );
    desk.now = 11 * HOUR;
    desk.write("clock", |planner| {
        planner.lapse();
    });
    assert_eq!(desk.book.closed_though_standing().collect::<Vec<_>>(), [id]);
    desk.write("clock", |planner| {
        planner.reopen_what_stands();
    });
    assert_eq!(status(&desk, 2), DefectStatus::Suspected);
    assert!(desk.book.awaits_answer(desk.book.defect(id).unwrap()));
    assert_eq!(desk.book.closed_though_standing().count(), 0);
    // What ended is closed so; what stands since before the closing, by its unit's clock, opens it again.
    let fan = desk.raise(occurred("fan", 100, Some(200)), Terms::default());
    assert_eq!(close(&mut desk, 3), Ok(()));
    desk.raise(occurred("fan", 300, Some(400)), Terms::default());
    assert_eq!(
        status(&desk, 3),
        DefectStatus::FindingOwed,
        "late news of what is over"
    );
    let again = desk.raise(occurred("fan", 500, None), Terms::default());
    assert_eq!(status(&desk, 3), DefectStatus::Suspected);
    for alert in [fan, again] {
        assert_eq!(desk.book.alert(alert).unwrap().defect(), DefectId(3));
    }
}

#[test]
fn a_finding_that_was_wrong_is_corrected_and_the_last_one_counts() {
    let mut desk = desk();
    desk.now = 1_000;
    desk.raise(occurred("oil", 100, None), Terms::default());
    let first = verdict(FindingKind::AsCalled, "core blocked", 900);
    desk.write("shop", |planner| {
        planner.record_finding(DefectId(1), first, "", "")
    })
    .0
    .unwrap();
    let truth = desk.book.truth("oil cooler", at(0), at(HOUR));
    assert_eq!((truth.failures.len(), truth.sound.len()), (1, 0));
    let correct = |desk: &mut Desk, id: u64, note: &str| {
        let other = verdict(FindingKind::NoFaultFound, note, 900);
        desk.write("shop", |planner| {
            planner.correct_finding(DefectId(id), other, "", "")
        })
        .0
    };
    assert!(matches!(
        correct(&mut desk, 1, " "),
        Err(Refusal::BadField {
            field: "finding.note",
            ..
        })
    ));
    assert_eq!(correct(&mut desk, 1, "another unit's sheet"), Ok(()));
    // Of one request id a finding and its correction are two requests.
    let same = verdict(FindingKind::NoFaultFound, "another unit's sheet", 900);
    let [first, second] = [true, false].map(|corrects| {
        let (same, etag, id) = (same.clone(), "", "one");
        desk.write("shop", |planner| {
            if corrects {
                planner.correct_finding(DefectId(1), same, etag, id)
            } else {
                planner.record_finding(DefectId(1), same, etag, id)
            }
        })
        .0
    });
    assert_eq!(first, Ok(()));
    assert!(
        matches!(second, Err(Refusal::RequestIdReused { .. })),
        "{second:?}"
    );
    let corrected = defect(&desk, 1);
    assert_eq!(corrected.status, DefectStatus::Closed);
    assert!(corrected.earlier_findings.is_empty());
    assert_eq!(corrected.finding.unwrap().kind, FindingKind::NoFaultFound);
    let truth = desk.book.truth("oil cooler", at(0), at(HOUR));
    assert_eq!((truth.failures.len(), truth.sound.len()), (0, 1));
    desk.now = 5_000;
    desk.raise(occurred("fan", 4_000, None), Terms::default());
    assert_eq!(
        correct(&mut desk, 2, "open yet"),
        Err(Refusal::NothingToCorrect { id: DefectId(2) })
    );
}

#[test]
fn the_last_finding_is_corrected_also_of_a_defect_that_came_back() {
    let mut desk = desk();
    desk.now = HOUR;
    desk.raise(occurred("oil", 100, None), Terms::default());
    assert_eq!(find(&mut desk, 1, 900), Ok(()));
    // Its alert stands, and telemetry shows it again.
    desk.write("clock", |planner| planner.came_back(DefectId(1), at(2_000)));
    let correct = |desk: &mut Desk, repaired: i64| {
        let other = verdict(FindingKind::NoFaultFound, "another unit's sheet", repaired);
        desk.write("shop", |planner| {
            planner.correct_finding(DefectId(1), other, "", "")
        })
        .0
    };
    assert!(matches!(
        correct(&mut desk, 99),
        Err(Refusal::RepairBeforeSign { .. })
    ));
    assert!(matches!(
        correct(&mut desk, 2_001),
        Err(Refusal::RepairAfterReturn { .. })
    ));
    assert_eq!(correct(&mut desk, 1_500), Ok(()));
    let open = defect(&desk, 1);
    assert_eq!((open.status, open.finding), (DefectStatus::Suspected, None));
    let [earlier] = &open.earlier_findings[..] else {
        panic!("{:?}", open.earlier_findings);
    };
    assert_eq!(
        (earlier.kind, earlier.repaired_at),
        (FindingKind::NoFaultFound, at(1_500))
    );
    let truth = desk.book.truth("oil cooler", at(0), at(HOUR));
    assert_eq!((truth.failures.len(), truth.sound.len()), (0, 1));
    // The next repair is after the one that is known now.
    assert!(matches!(
        find(&mut desk, 1, 1_400),
        Err(Refusal::RepairBeforeSign { .. })
    ));
    assert_eq!(find(&mut desk, 1, 3_000), Ok(()));
    assert_eq!(
        desk.book.defect(DefectId(1)),
        desk.rebuilt().defect(DefectId(1))
    );
}

/// Fourteen days by the policy of the book's default.
#[test]
fn what_telemetry_shows_after_a_repair_opens_a_closed_defect_within_days() {
    const DAY: i64 = 24 * HOUR;
    for (seen_at, opens) in [(14 * DAY, true), (14 * DAY + 1, false), (-1, false)] {
        let mut desk = desk();
        desk.now = 1_000;
        desk.raise(occurred("oil", 100, None), Terms::default());
        let came_back = |desk: &mut Desk| {
            desk.write("clock", |planner| {
                planner.came_back(DefectId(1), at(1_000 + seen_at));
            });
        };
        let before = defect(&desk, 1);
        came_back(&mut desk);
        assert_eq!(defect(&desk, 1), before, "it is open");
        let finding = verdict(FindingKind::AsCalled, "", 1_000);
        let find = |planner: &mut Planner<'_>| planner.record_finding(DefectId(1), finding, "", "");
        desk.write("shop", find).0.unwrap();
        came_back(&mut desk);
        let is_open = desk.book.defect(DefectId(1)).unwrap().is_open();
        assert_eq!(is_open, opens, "{seen_at}");
    }
}

#[test]
fn what_comes_back_waits_for_an_answer_whoever_took_it_on_before() {
    for ends in [false, true] {
        let mut desk = desk();
        desk.now = 1_000;
        let oil = desk.raise(occurred("oil", 100, None), Terms::default());
        desk.write("desk", |planner| planner.take_on(DefectId(1), "", ""))
            .0
            .unwrap();
        if ends {
            desk.end(oil, occurred("oil", 100, Some(1_500)));
        }
        desk.now = 2_000;
        let finding = verdict(FindingKind::AsCalled, "", 2_000);
        desk.write("shop", |planner| {
            planner.record_finding(DefectId(1), finding, "", "")
        })
        .0
        .unwrap();
        desk.now = 3_000;
        let report = Report {
            unit: unit(),
            system: "test".into(),
            component: "oil  cooler".into(),
            origin: DefectOrigin::CrewReport,
            title: "hot again".into(),
            priority: Priority::Low,
            first_sign_at: at(3_000),
        };
        let again = desk.write("crew", |planner| planner.report(report, ""));
        assert_eq!(again.0, Ok(DefectId(1)));
        let kept = desk.book.defect(DefectId(1)).unwrap();
        assert!(desk.book.awaits_answer(kept), "ended: {ends}");
        assert_eq!(kept.defect().title, "hot again");
        // What stands is as urgent as it was, and was told once more.
        let alert = desk.book.alert(oil).unwrap();
        assert_eq!(alert.acknowledged_by().is_none(), !ends);
        let priority = if ends {
            Priority::Low
        } else {
            Priority::Medium
        };
        assert_eq!(kept.defect().priority, priority);
        // Answered now, it waits for nobody.
        desk.write("desk", |planner| planner.take_on(DefectId(1), "", ""))
            .0
            .unwrap();
        let kept = desk.book.defect(DefectId(1)).unwrap();
        assert!(!desk.book.awaits_answer(kept));
    }
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
fn a_defect_is_split_and_merged_by_hand() {
    let mut desk = desk();
    desk.now = 1_000;
    let oil = desk.raise(occurred("oil", 100, None), Terms::default());
    let hot = desk.raise(occurred("oil-hot", 200, None), Terms::default());
    let fan = desk.raise(occurred("fan", 300, None), Terms::default());
    let split = |desk: &mut Desk, alerts: Vec<_>| {
        desk.write("desk", |planner| {
            planner.split(DefectId(1), alerts, " thermostat ", "another fault", "", "")
        })
        .0
    };
    for wrong in [vec![], vec![oil, hot], vec![fan]] {
        let refused = split(&mut desk, wrong);
        assert!(matches!(refused, Err(Refusal::CannotRegroup { .. })));
    }
    assert_eq!(split(&mut desk, vec![hot, hot]), Ok(DefectId(3)));
    let parted = (defect(&desk, 1), defect(&desk, 3));
    assert_eq!((parted.0.alerts, parted.1.alerts), (vec![oil], vec![hot]));
    assert_eq!(parted.1.component, "thermostat");
    assert_eq!(
        (parted.0.priority, parted.1.priority),
        (Priority::Medium, Priority::High)
    );
    assert_eq!(desk.book.alert(hot).unwrap().defect(), DefectId(3));
    // A call that was logged goes with it.
    let call = Call {
        told: "dispatcher".into(),
        ..Call::default()
    };
    desk.write("desk", |planner| planner.log_contact(DefectId(2), call, ""))
        .0
        .unwrap();
    let merge = |desk: &mut Desk, id, into| {
        desk.write("desk", |planner| {
            planner.merge(DefectId(id), DefectId(into), "one cause", "", "")
        })
        .0
    };
    assert!(matches!(
        merge(&mut desk, 1, 1),
        Err(Refusal::CannotRegroup { .. })
    ));
    assert_eq!(merge(&mut desk, 2, 3), Ok(()));
    let (gone, stays) = (defect(&desk, 2), defect(&desk, 3));
    assert_eq!(gone.status, DefectStatus::Merged);
    assert_eq!(gone.merged_into, Some(DefectId(3)));
    assert_eq!((stays.alerts, stays.contacts.len()), (vec![hot, fan], 1));
    assert_eq!(desk.book.alert(fan).unwrap().defect(), DefectId(3));
    assert_eq!(
        merge(&mut desk, 2, 1),
        Err(Refusal::AlreadyClosed {
            id: DefectId(2),
            status: "part of another one"
        })
    );
    // What is called next of a component whose defect went away opens a new one.
    let next = desk.raise(occurred("fan", 400, None), Terms::default());
    assert_eq!(desk.book.alert(next).unwrap().defect(), DefectId(4));
}

#[test]
fn what_was_found_before_goes_with_a_merged_defect() {
    for (gone, stays) in [(1, 2), (2, 1)] {
        let mut desk = desk();
        // The oil cooler was repaired twice, the fan once in between; both came back.
        for (name, id, seen, repaired) in [
            ("oil", 1, 1_000, 2_000),
            ("fan", 2, 3_000, 4_000),
            ("oil", 1, 5_000, 6_000),
        ] {
            desk.now = seen;
            desk.raise(occurred(name, seen, Some(seen + 10)), Terms::default());
            desk.now = repaired;
            assert_eq!(find(&mut desk, id, repaired), Ok(()));
        }
        desk.now = 7_000;
        desk.raise(occurred("fan", 7_000, None), Terms::default());
        desk.now = 8_000;
        desk.raise(occurred("oil", 8_000, None), Terms::default());
        let merged = desk.write("desk", |planner| {
            planner.merge(DefectId(gone), DefectId(stays), "one cause", "", "")
        });
        assert_eq!(merged.0, Ok(()));
        let kept = defect(&desk, stays);
        let repairs = kept.earlier_findings.iter().map(|found| found.repaired_at);
        assert_eq!(
            repairs.collect::<Vec<_>>(),
            [at(2_000), at(4_000), at(6_000)]
        );
        assert_eq!(
            desk.book
                .defect(DefectId(stays))
                .unwrap()
                .reported()
                .count(),
            4
        );
        assert_eq!(kept.first_sign_at, at(1_000));
        // Due from the first call that is not behind a repair: the fan's in 48 h, the oil's in 24 h.
        assert_eq!(kept.due_at.unix_ms(), 8_000 + 24 * HOUR);
        let truth = desk.book.truth(&kept.component, at(0), at(HOUR));
        assert_eq!(truth.failures.len(), 3);
    }
}

#[test]
fn a_new_defect_takes_over_the_past_of_one_that_came_back_and_no_old_due_time() {
    let mut desk = desk();
    // Told while it stood, so that an answer was due then.
    let first = desk.raise(occurred("fan", 1_000, None), Terms::default());
    desk.end(first, occurred("fan", 1_000, Some(1_010)));
    desk.now = 2_000;
    assert_eq!(find(&mut desk, 1, 2_000), Ok(()));
    desk.now = 10 * DAY;
    desk.raise(occurred("fan", 10 * DAY, None), Terms::default());
    desk.raise(occurred("oil", 10 * DAY, None), Terms::default());
    desk.write("desk", |planner| {
        planner.merge(DefectId(1), DefectId(2), "one cause", "", "")
    })
    .0
    .unwrap();
    let kept = defect(&desk, 2);
    assert_eq!(kept.earlier_findings.len(), 1);
    assert_eq!(kept.due_at.unix_ms(), 11 * DAY);
    assert_eq!(kept.first_sign_at, at(1_000));
}

#[test]
fn a_merged_defect_in_work_and_taken_on_is_so_still() {
    let mut desk = desk();
    desk.now = 1_000;
    let oil = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.acknowledge(oil, "west");
    let report = cold(500);
    desk.write("crew", |planner| planner.report(report, ""))
        .0
        .unwrap();
    desk.write("east", |planner| {
        planner.take_on(DefectId(2), "mine", "").unwrap();
    });
    desk.write("shop", |planner| {
        planner.begin_work(DefectId(2), "", "").unwrap();
    });
    desk.write("desk", |planner| {
        planner
            .merge(DefectId(2), DefectId(1), "one cause", "", "")
            .unwrap();
    });
    let kept = defect(&desk, 1);
    assert_eq!(kept.status, DefectStatus::InWork);
    assert_eq!(kept.taken.unwrap().by, "east");
}

#[test]
fn a_first_sign_ahead_of_the_clock_is_refused() {
    let mut desk = desk();
    let ahead = desk.write("crew", |planner| planner.report(cold(HOUR), ""));
    assert!(matches!(
        ahead.0,
        Err(Refusal::BadField {
            field: "defect.first_sign_unix_ms",
            ..
        })
    ));
    // Clocks differ by a little.
    let now = desk.write("crew", |planner| planner.report(cold(200_000), ""));
    assert_eq!(now.0, Ok(DefectId(1)));
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

#[test]
fn a_repair_before_the_first_sign_is_refused() {
    let mut desk = desk();
    desk.raise(occurred("oil", 1_000, None), Terms::default());
    desk.now = 5_000;
    let before = |repaired: i64, sign: i64| {
        Err(Refusal::RepairBeforeSign {
            id: DefectId(1),
            repaired_at: at(repaired),
            sign_at: at(sign),
        })
    };
    assert_eq!(find(&mut desk, 1, 999), before(999, 1_000));
    assert_eq!(defect(&desk, 1).finding, None);
    assert_eq!(find(&mut desk, 1, 2_000), Ok(()));
    // It came back, so its next repair is after the one that did not hold.
    desk.raise(occurred("oil", 3_000, None), Terms::default());
    assert_eq!(find(&mut desk, 1, 1_999), before(1_999, 2_000));
    assert_eq!(find(&mut desk, 1, 4_000), Ok(()));
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
    // However it is written, it is the same component; the first spelling stays.
    let spelled = Report {
        component: " Radiator FAN ".into(),
        ..report(DefectOrigin::DailyInspection)
    };
    for _ in 0..2 {
        let asked = spelled.clone();
        let (third, _) = desk.write("shop", |planner| planner.report(asked, "r-2"));
        assert_eq!(third, Ok(DefectId(1)), "and a repeat is one");
    }
    assert_eq!(defect(&desk, 1).component, "radiator fan");
    let asked = DefectQuery {
        component: Some("Radiator fan".into()),
        ..DefectQuery::default()
    };
    assert_eq!(desk.book.defects(&asked, None, 10).len(), 1);
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
    let finding = verdict(FindingKind::NoFaultFound, "runs", 6_000);
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
