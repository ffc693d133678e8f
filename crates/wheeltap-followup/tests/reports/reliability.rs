//! Reliability of classes and systems.

use super::*;

struct Known {
    unit: Unit,
    states: Timeline<UnitState>,
}

/// A unit of a class with its states by day; commissioned on `day`.
fn known(name: &str, class: &str, day: i64, states: &[(i64, UnitState)]) -> Known {
    let mut timeline = Timeline::default();
    for (day, state) in states {
        timeline.set(Dated {
            from: at(day * DAY),
            value: *state,
            source: "test".into(),
        });
    }
    Known {
        unit: Unit {
            id: named(name),
            road_number: name.into(),
            class: ClassName::new(class).unwrap(),
            commissioned: at(day * DAY),
        },
        states: timeline,
    }
}

fn terms(grouping: Grouping, until_days: i64) -> ReliabilityTerms {
    ReliabilityTerms {
        from: at(0),
        until: at(until_days * DAY),
        confidence: 0.9,
        grouping,
        repeat_ms: 30 * DAY,
        class: None,
        system: None,
        component: None,
    }
}

fn worked(desk: &Desk, fleet: &[Known], terms: &ReliabilityTerms) -> ReliabilityReport {
    let fleet: Vec<FleetUnit<'_>> = fleet
        .iter()
        .map(|known| FleetUnit {
            unit: &known.unit,
            states: &known.states,
        })
        .collect();
    reliability(&desk.rebuilt(), &fleet, terms).unwrap()
}

#[test]
fn failures_are_what_was_a_fault_or_stopped_a_unit_on_the_road() {
    use DefectOrigin::*;
    use FindingKind::*;
    let mut desk = desk();
    let mut told = |origin, kind: Option<FindingKind>, component: &str, day: i64| {
        let id = report(&mut desk, "A", component, origin, day * DAY);
        if let Some(kind) = kind {
            find(&mut desk, id, kind, day * DAY + HOUR);
        }
    };
    told(ShopFind, Some(AsCalled), "oil cooler", 1);
    told(CrewReport, Some(AnotherFault), "oil cooler", 2);
    told(DailyInspection, Some(SensorOrWiring), "oil cooler", 3);
    told(CrewReport, Some(NoFaultFound), "oil cooler", 4);
    told(CrewReport, Some(CouldNotTest), "oil cooler", 5);
    told(CrewReport, Some(NotLookedAt), "oil cooler", 6);
    told(RoadFailure, Some(NoFaultFound), "oil cooler", 7);
    told(RoadFailure, None, "radiator fan", 8);
    told(CrewReport, None, "sander", 9);
    // Another railway's, and before the span's beginning.
    failed(&mut desk, "STRANGER", "oil cooler", 5 * DAY);
    let fleet = [known("A", "Marten", 0, &[(0, UnitState::Working)])];
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    assert_eq!(report.basis, Basis::Working);
    assert_eq!(
        (report.total.n_failures, report.total.n_road_failures),
        (5, 2)
    );
    let components: Vec<(&str, u64)> = report
        .components
        .iter()
        .map(|actor| (actor.name.as_str(), actor.n_failures))
        .collect();
    assert_eq!(
        components,
        [
            ("oil cooler", 2),
            ("oil cooler sensor", 1),
            ("radiator fan", 1),
        ]
    );
    // What the shop found is no component: of another fault it named none.
    assert_eq!(report.n_unnamed, 1);
    near(report.components[1].cumulated, 3.0 / 4.0);
    let systems = worked(&desk, &fleet, &terms(Grouping::System, 100));
    let names: Vec<&str> = systems
        .groups
        .iter()
        .map(|group| group.name.as_str())
        .collect();
    assert_eq!(names, ["test", "sensors and wiring"]);
    assert_eq!(systems.total.n_failures, 5);
    // The span cuts: the first four days have three.
    let early = worked(&desk, &fleet, &terms(Grouping::Component, 4));
    assert_eq!(early.total.n_failures, 3);
}

#[test]
fn one_component_however_it_is_spelled_is_one_group() {
    let mut desk = desk();
    failed(&mut desk, "A", "oil cooler", DAY);
    failed(&mut desk, "A", " Oil Cooler", 5 * DAY);
    let fleet = [known("A", "Marten", 0, &[(0, UnitState::Working)])];
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    let n_failures: Vec<u64> = report
        .components
        .iter()
        .map(|actor| actor.n_failures)
        .collect();
    assert_eq!(n_failures, [2]);
}

/// Exposure by hand: A works 60 of 100 days, B all 100 from day 0, C from its commissioning on day 50.
#[test]
fn exposure_is_what_units_worked() {
    use UnitState::*;
    let mut desk = desk();
    failed(&mut desk, "A", "oil cooler", 10 * DAY);
    failed(&mut desk, "B", "oil cooler", 70 * DAY);
    let fleet = [
        known(
            "A",
            "Marten",
            0,
            &[(0, Working), (20, InShop), (60, Working)],
        ),
        known("B", "Marten", 0, &[(0, Working)]),
        known("C", "Stoat", 50, &[(0, Working)]),
    ];
    let report = worked(&desk, &fleet, &terms(Grouping::Class, 100));
    near(report.total.exposure_days, 60.0 + 100.0 + 50.0);
    // Day 10: two units for ten days. Day 70: A 20 + 10, B 70, C 20.
    assert_eq!(report.total.failed_at_days.len(), 2);
    near(report.total.failed_at_days[0], 20.0);
    near(report.total.failed_at_days[1], 120.0);
    let mtbf = report.total.mtbf.unwrap();
    near(mtbf.estimate.unwrap(), 105.0);
    let names: Vec<(&str, u64, u64)> = report
        .groups
        .iter()
        .map(|group| (group.name.as_str(), group.n_units, group.n_failures))
        .collect();
    assert_eq!(names, [("Marten", 2, 2), ("Stoat", 1, 0)]);
    let stoat = &report.groups[1];
    // No failure in 50 days, 90 %: 50 / ln 10, and no upper bound (NIST/SEMATECH e-Handbook 8.4.5.1).
    near(stoat.mtbf.unwrap().lower, 50.0 / 10.0_f64.ln());
    assert_eq!(
        (stoat.mtbf.unwrap().upper, stoat.trend, stoat.growth),
        (None, None, None)
    );
    let all = &report.availability[0];
    assert_eq!((all.able_ms(), all.lost_ms()), (210 * DAY, 40 * DAY));
    near(all.share().unwrap(), 210.0 / 250.0);
    let stoats = &report.availability[2];
    assert_eq!(
        (stoats.class.as_str(), stoats.share()),
        ("Stoat", Some(1.0))
    );
    // One class alone.
    let martens = ReliabilityTerms {
        class: Some(ClassName::new("Marten").unwrap()),
        ..terms(Grouping::Component, 100)
    };
    let report = worked(&desk, &fleet, &martens);
    near(report.total.exposure_days, 160.0);
    assert_eq!(report.total.n_units, 2);
}

#[test]
fn without_known_states_the_time_since_commissioning_counts() {
    let mut desk = desk();
    failed(&mut desk, "A", "oil cooler", 10 * DAY);
    let fleet = [
        known("A", "Marten", 0, &[]),
        known("B", "Marten", 40, &[(90, UnitState::InShop)]),
        known("C", "Marten", 200, &[]),
    ];
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    assert_eq!(report.basis, Basis::Commissioned);
    near(report.total.exposure_days, 100.0 + 60.0);
    assert_eq!(report.availability[0].lost_ms(), 10 * DAY);
    let nobody = worked(&desk, &[], &terms(Grouping::Component, 100));
    assert_eq!((nobody.total.n_failures, nobody.total.mtbf), (0, None));
    let unsure = ReliabilityTerms {
        confidence: 0.0,
        ..terms(Grouping::Class, 100)
    };
    assert!(reliability(&desk.book, &[], &unsure).is_err());
}

/// Lives by hand. A, new on day 0: fails on day 30 (life 30), repaired on day 31, in shop until then, fails on
/// day 80 (life 49), repaired on day 81, good until day 100 (19). B was there before the span: its first
/// stretch is not seen; repaired on day 41, good for 59. C, new on day 60, never failed: 40. D was
/// there before and never failed: not seen.
#[test]
fn lives_run_from_repair_to_failure_or_to_the_end() {
    use UnitState::*;
    let mut desk = desk();
    failed(&mut desk, "A", "oil cooler", 30 * DAY);
    failed(&mut desk, "B", "oil cooler", 40 * DAY);
    failed(&mut desk, "B", "radiator fan", 45 * DAY);
    failed(&mut desk, "A", "oil cooler", 80 * DAY);
    let fleet = [
        known(
            "A",
            "Marten",
            0,
            &[(0, Working), (30, InShop), (31, Working)],
        ),
        known("B", "Marten", -500, &[(-500, Working)]),
        known("C", "Marten", 60, &[(0, Working)]),
        known("D", "Marten", -500, &[(-500, Working)]),
    ];
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    let cooler = &report.groups[0];
    assert_eq!((cooler.name.as_str(), cooler.n_failures), ("oil cooler", 3));
    let lives = cooler.lives.as_ref().unwrap();
    assert_eq!((lives.n_failed, lives.n_good, lives.n_unseen), (2, 3, 2));
    let ranks = lives.ranks.as_ref().unwrap();
    let failed_at: Vec<f64> = ranks.points.iter().map(|(life, _)| *life).collect();
    assert_eq!(failed_at, [30.0, 49.0]);
    // Those of all five lives, by the analysis itself.
    let by_hand = [
        (30.0, true),
        (49.0, true),
        (19.0, false),
        (59.0, false),
        (40.0, false),
    ];
    let by_hand =
        by_hand.map(|(time, failed)| wheeltap_analysis::reliability::Life { time, failed });
    let fit = wheeltap_analysis::reliability::weibull(&by_hand, 0.9).unwrap();
    near(lives.weibull.unwrap().shape.value, fit.shape.value);
    // Asked for one component, all together are its lives too.
    let only = ReliabilityTerms {
        component: Some("oil cooler".into()),
        ..terms(Grouping::Class, 100)
    };
    let report = worked(&desk, &fleet, &only);
    assert_eq!(report.total.n_failures, 3);
    assert_eq!(report.total.lives.as_ref(), Some(lives));
    assert!(report.groups[0].lives.is_none(), "a class is no component");
}

/// A failure that waits for its repair begins no life, and is none that was not seen.
#[test]
fn what_waits_for_its_repair_has_no_age() {
    let mut desk = desk();
    report(
        &mut desk,
        "A",
        "oil cooler",
        DefectOrigin::RoadFailure,
        30 * DAY,
    );
    let fleet = [known("A", "Marten", 0, &[(0, UnitState::Working)])];
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    let lives = report.groups[0].lives.as_ref().unwrap();
    assert_eq!((lives.n_failed, lives.n_good, lives.n_unseen), (1, 0, 0));
    assert_eq!(lives.weibull, None, "one failure is too few");
}

#[test]
fn a_unit_that_fails_too_often_stands_out_from_chance() {
    let mut desk = desk();
    for day in 1..=8 {
        failed(&mut desk, "U0", "oil cooler", 10 * day * DAY);
    }
    failed(&mut desk, "U1", "oil cooler", 50 * DAY);
    failed(&mut desk, "U2", "oil cooler", 60 * DAY);
    let fleet: Vec<Known> = (0..10)
        .map(|n| known(&format!("U{n}"), "Marten", 0, &[(0, UnitState::Working)]))
        .collect();
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    let worst = &report.units[0];
    assert_eq!((worst.name.as_str(), worst.n_failures), ("U0", 8));
    near(worst.expected.unwrap(), 1.0);
    // Ten units, each with a chance of 1 - e^-1 (1 + 1 + ... + 1/7!) of eight or more.
    let mut terms_of_e = 1.0;
    let mut sum = 0.0;
    for k in 0..8 {
        sum += terms_of_e;
        terms_of_e /= f64::from(k + 1);
    }
    near(worst.p.unwrap(), 10.0 * (1.0 - sum * (-1.0_f64).exp()));
    assert!(worst.p.unwrap() < 0.001);
    near(report.units[1].p.unwrap(), 1.0);
    near(report.units[0].cumulated, 0.8);
}

#[test]
fn repeats_are_counted_within_their_days_and_only_where_one_can_tell() {
    let mut desk = desk();
    // Repaired on day 11, back on day 20.
    let first = failed(&mut desk, "A", "oil cooler", 10 * DAY);
    let again = failed(&mut desk, "A", "oil cooler", 20 * DAY);
    // Back after more than 30 days: none.
    failed(&mut desk, "B", "oil cooler", 10 * DAY);
    failed(&mut desk, "B", "oil cooler", 60 * DAY);
    // Another component of the same unit: none.
    failed(&mut desk, "A", "radiator fan", 22 * DAY);
    // Repaired within the last 30 days: nobody can tell yet, whether it came back so far or not.
    failed(&mut desk, "C", "oil cooler", 95 * DAY);
    failed(&mut desk, "D", "oil cooler", 80 * DAY);
    failed(&mut desk, "D", "oil cooler", 90 * DAY);
    let fleet: Vec<Known> = ["A", "B", "C", "D"]
        .map(|name| known(name, "Marten", 0, &[(0, UnitState::Working)]))
        .into();
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    assert_eq!((report.repeats.share.n, report.repeats.share.of), (1, 5));
    assert_eq!(report.repeats.items.len(), 2, "what came back is listed");
    let item = &report.repeats.items[0];
    assert_eq!(
        (item.first, item.again, item.after_ms),
        (first, again, 9 * DAY)
    );
    let longer = ReliabilityTerms {
        repeat_ms: 60 * DAY,
        ..terms(Grouping::Component, 100)
    };
    assert_eq!(worked(&desk, &fleet, &longer).repeats.items.len(), 3);
}

#[test]
fn a_defect_without_a_system_is_in_a_group_of_its_own() {
    let mut desk = desk();
    let whistle = Report {
        unit: named("A"),
        system: String::new(),
        component: "whistle".into(),
        origin: DefectOrigin::RoadFailure,
        title: "weak".into(),
        priority: Priority::Low,
        first_sign_at: at(DAY),
    };
    desk.now = 2 * DAY;
    desk.write("crew", |planner| planner.report(whistle, ""))
        .0
        .unwrap();
    failed(&mut desk, "A", "oil cooler", 3 * DAY);
    let fleet = [known("A", "Marten", 0, &[(0, UnitState::Working)])];
    let mut terms = terms(Grouping::System, 100);
    let names = |report: &ReliabilityReport| -> Vec<String> {
        let groups = report.groups.iter();
        groups.map(|group| group.name.clone()).collect()
    };
    assert_eq!(
        names(&worked(&desk, &fleet, &terms)),
        ["no system given", "test"]
    );
    terms.system = Some("no system given".into());
    let report = worked(&desk, &fleet, &terms);
    assert_eq!(names(&report), ["no system given"]);
    assert_eq!(report.total.n_failures, 1);
}

/// Seen again a day after the repair, by an alert that had not ended.
#[test]
fn what_never_ended_came_back_when_it_was_seen_again() {
    let mut desk = desk();
    ring(&mut desk, "oil", "A", 10 * DAY, None);
    find(&mut desk, DefectId(1), FindingKind::AsCalled, 11 * DAY);
    desk.write("clock", |planner| {
        planner.came_back(DefectId(1), at(12 * DAY));
    });
    find(&mut desk, DefectId(1), FindingKind::AsCalled, 13 * DAY);
    let fleet = [known("A", "Marten", 0, &[(0, UnitState::Working)])];
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    let [item] = &report.repeats.items[..] else {
        panic!("{:?}", report.repeats.items);
    };
    assert_eq!(item.after_ms, DAY);
}

/// The case of NIST/SEMATECH e-Handbook 8.1.7 as one unit's road failures: days for its hours.
#[test]
fn a_published_case_comes_out_of_a_book() {
    let mut desk = desk();
    for (idx, day) in [5, 40, 43, 175, 389, 712, 747, 795, 1_299, 1_478]
        .iter()
        .enumerate()
    {
        let component = format!("part {idx}");
        failed(&mut desk, "A", &component, day * DAY);
    }
    let fleet = [known("A", "Marten", 0, &[(0, UnitState::Working)])];
    let report = worked(&desk, &fleet, &terms(Grouping::Class, 1_500));
    let total = &report.total;
    let growth = total.growth.unwrap();
    assert!((growth.unbiased_mtbf - 310.234).abs() < 0.000_5);
    assert!((growth.unbiased_scale - 0.291_300_3).abs() < 0.000_000_05);
    let trend = total.trend.unwrap();
    assert!((trend.laplace + 1.326_949).abs() < 0.000_000_5);
    assert!((trend.military_p_improving - 0.010_986).abs() < 0.000_000_5);
    near(total.mtbf.unwrap().estimate.unwrap(), 150.0);
}

#[test]
fn a_failure_in_the_first_instant_is_counted_and_breaks_nothing() {
    let mut desk = desk();
    failed(&mut desk, "A", "oil cooler", 0);
    failed(&mut desk, "A", "oil cooler", 5 * DAY);
    failed(&mut desk, "A", "oil cooler", 9 * DAY);
    let fleet = [known("A", "Marten", 0, &[(0, UnitState::Working)])];
    let of_ten_days = terms(Grouping::Component, 10);
    let report = worked(&desk, &fleet, &of_ten_days);
    assert_eq!(report.total.n_failures, 3);
    assert!(report.total.growth.is_some());
    assert_eq!(report.total.trend, None, "three failures are no trend");
    failed(&mut desk, "A", "oil pump", 9 * DAY);
    let report = worked(&desk, &fleet, &of_ten_days);
    assert!(report.total.trend.is_some());
}
