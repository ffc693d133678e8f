//! Split, merged and reported by people.

use super::*;

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
