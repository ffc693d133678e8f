//! What a shop found: recorded, corrected, held or come back.

use super::*;

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
    desk.shelve(unit(), "oil", 11 * HOUR);
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
fn what_is_muted_opens_what_was_closed_without_a_finding_once_the_mute_ends() {
    let mut desk = desk();
    desk.now = 10 * HOUR;
    desk.raise(occurred("fan", 100, Some(200)), Terms::default());
    let close = desk.write("shop", |planner| {
        planner.close_without_finding(DefectId(1), "later", "", "")
    });
    assert_eq!(close.0, Ok(()));
    desk.shelve(unit(), "fan", 11 * HOUR);
    desk.raise(occurred("fan", 500, None), Terms::default());
    assert_eq!(defect(&desk, 1).status, DefectStatus::FindingOwed);
    assert_eq!(desk.book.closed_though_standing().count(), 0);
    desk.now = 11 * HOUR;
    desk.write("clock", |planner| {
        planner.lapse();
    });
    desk.write("clock", |planner| {
        planner.reopen_what_stands();
    });
    assert_eq!(defect(&desk, 1).status, DefectStatus::Suspected);
}

#[test]
fn while_a_danger_stands_a_finding_is_not_corrected_to_nobody_having_looked() {
    let mut desk = desk();
    desk.now = 10 * HOUR;
    let id = DefectId(1);
    let alert = desk.raise(occurred("axle", 100, None), Terms::default());
    assert_eq!(find(&mut desk, 1, 5_000), Ok(()));
    let correct = |desk: &mut Desk, kind: FindingKind| {
        let other = verdict(kind, "another unit's sheet", 5_000);
        desk.write("shop", |planner| planner.correct_finding(id, other, "", ""))
            .0
    };
    let unseen = FindingKind::NotLookedAt;
    assert_eq!(
        correct(&mut desk, unseen),
        Err(Refusal::DangerStands { id, alert })
    );
    assert_eq!(correct(&mut desk, FindingKind::AnotherFault), Ok(()));
    // What came back is open, and stays so whatever was found the first time.
    desk.raise(occurred("axle", 6_000, None), Terms::default());
    assert_eq!(defect(&desk, 1).status, DefectStatus::Suspected);
    assert_eq!(correct(&mut desk, unseen), Ok(()));
    assert_eq!(defect(&desk, 1).status, DefectStatus::Suspected);
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
