//! Scorecards of rules.

use super::*;

fn cards(desk: &Desk, until: i64) -> Vec<RuleScorecard> {
    let terms = ScorecardTerms {
        from: at(0),
        until: at(until),
        confidence: 0.9,
        rule: None,
        watches: &|_, unit, _| *unit != named("UNSEEN"),
    };
    scorecards(&desk.rebuilt(), &terms).unwrap()
}

fn card_of<'a>(cards: &'a [RuleScorecard], name: &str) -> &'a RuleScorecard {
    let is_it = |card: &&RuleScorecard| card.version.reference.name.as_str() == name;
    cards.iter().find(is_it).unwrap()
}

#[test]
fn a_road_failure_that_was_closed_without_a_finding_still_counts_once_it_comes_back() {
    let mut desk = desk();
    let id = report(
        &mut desk,
        "U1",
        "radiator fan",
        DefectOrigin::RoadFailure,
        HOUR,
    );
    desk.now = 2 * HOUR;
    desk.write("shop", |planner| {
        planner
            .close_without_finding(id, "unit was needed", "", "")
            .unwrap();
    });
    ring(&mut desk, "fan", "U1", 5 * HOUR, None);
    let kept = desk.book.defect(id).unwrap();
    assert_eq!(
        kept.defect().reopened_at.map(ServerTime::unix_ms),
        Some(5 * HOUR)
    );
    assert_eq!(
        kept.defect().due_at.unix_ms(),
        53 * HOUR,
        "by the alert, not by the report of the first time"
    );
    let told: Vec<_> = kept.reported().collect();
    assert_eq!(told.len(), 1);
    assert!(told[0].unwrap().on_the_road);
    assert_eq!(told[0].unwrap().first_sign_at, at(HOUR));
    // The finding that comes is of both times, and the next time begins anew.
    find(&mut desk, id, FindingKind::AsCalled, 6 * HOUR);
    ring(&mut desk, "fan", "U1", 7 * HOUR, None);
    let told: Vec<_> = desk.book.defect(id).unwrap().reported().collect();
    assert!(told[0].unwrap().on_the_road);
    assert_eq!(told[1], None);
}

/// Its alert never ended, so each time that the defect was there was called by it.
#[test]
fn each_time_that_an_alert_outlasted_the_repair_counts() {
    let mut desk = desk();
    ring(&mut desk, "oil", "U1", HOUR, None);
    let id = DefectId(1);
    for (kind, hour) in [(FindingKind::AsCalled, 2), (FindingKind::NoFaultFound, 4)] {
        find(&mut desk, id, kind, hour * HOUR);
        desk.write("clock", |planner| {
            planner.came_back(id, at((hour + 1) * HOUR));
        });
    }
    let of = |desk: &Desk| {
        let cards = cards(desk, DAY);
        let oil = card_of(&cards, "oil").findings;
        (oil.as_called, oil.no_fault_found, oil.owed)
    };
    assert_eq!(of(&desk), (1, 1, 1));
    let times: Vec<_> = desk.book.defect(id).unwrap().came_back_at().collect();
    assert_eq!(times, [Some(at(3 * HOUR)), Some(at(5 * HOUR))]);
    // It ends, and is closed without a finding: that one is owed still.
    desk.end(AlertId(1), occurred("oil", HOUR, Some(6 * HOUR)));
    desk.write("shop", |planner| {
        planner
            .close_without_finding(id, "unit was needed", "", "")
            .unwrap();
    });
    assert_eq!(of(&desk), (1, 1, 1));
    // What had ended before the defect came back is no call of that.
    ring(&mut desk, "oil", "U2", HOUR, Some(2 * HOUR));
    find(&mut desk, DefectId(2), FindingKind::AsCalled, 2 * HOUR);
    let again = report(
        &mut desk,
        "U2",
        "oil cooler",
        DefectOrigin::CrewReport,
        6 * HOUR,
    );
    assert_eq!(again, DefectId(2));
    assert_eq!(of(&desk), (2, 1, 1));
}

#[test]
fn what_a_defect_was_found_to_be_counts_after_it_went_into_another() {
    let mut desk = desk();
    ring(&mut desk, "oil", "U1", HOUR, Some(MINUTE));
    find(&mut desk, DefectId(1), FindingKind::AsCalled, 2 * HOUR);
    ring(&mut desk, "oil", "U1", 3 * HOUR, None);
    ring(&mut desk, "fan", "U1", 4 * HOUR, None);
    let merged = desk.write("desk", |planner| {
        planner.merge(DefectId(1), DefectId(2), "the fan heats the oil", "", "")
    });
    merged.0.unwrap();
    find(&mut desk, DefectId(2), FindingKind::AnotherFault, 8 * HOUR);
    let cards = cards(&desk, DAY);
    let oil = card_of(&cards, "oil").findings;
    assert_eq!((oil.as_called, oil.another_fault, oil.owed), (1, 1, 0));
    let fan = card_of(&cards, "fan").findings;
    assert_eq!((fan.as_called, fan.another_fault, fan.owed), (0, 1, 0));
}

#[test]
fn precision_counts_defects_whose_finding_says_and_no_others() {
    use FindingKind::*;
    let mut desk = desk();
    let kinds = [
        AsCalled,
        AsCalled,
        AsCalled,
        AnotherFault,
        SensorOrWiring,
        NoFaultFound,
        CouldNotTest,
        NotLookedAt,
    ];
    for (idx, kind) in (0_i64..).zip(kinds) {
        let unit = format!("U{idx}");
        let id = ring(&mut desk, "oil", &unit, (1 + idx) * HOUR, Some(HOUR / 2));
        // A second alert of the same defect is no second call.
        ring(
            &mut desk,
            "oil",
            &unit,
            (1 + idx) * HOUR + 40 * MINUTE,
            None,
        );
        let defect = desk.book.alert(id).unwrap().defect();
        find(&mut desk, defect, kind, (2 + idx) * HOUR);
    }
    ring(&mut desk, "oil", "U9", 20 * HOUR, None);
    ring(&mut desk, "fan", "U1", 21 * HOUR, None);
    let cards = cards(&desk, 2 * DAY);
    let oil = card_of(&cards, "oil");
    assert_eq!(oil.findings.decided(), 6);
    assert_eq!(
        (
            oil.findings.could_not_test,
            oil.findings.not_looked_at,
            oil.findings.owed
        ),
        (1, 1, 1)
    );
    assert_eq!((oil.precision.n, oil.precision.of), (3, 6));
    assert_eq!((oil.no_fault_found.n, oil.no_fault_found.of), (1, 6));
    assert!(oil.precision.lower < 0.5 && 0.5 < oil.precision.upper);
    assert_eq!((oil.n_alerts, oil.n_told, oil.n_units), (17, 17, 9));
    near(oil.per_day.unwrap(), 8.5);
    near(oil.load_share.unwrap(), 17.0 / 18.0);
    // Every failure that is known was called, so recall would say nothing.
    assert_eq!((oil.n_failures, oil.n_reported, oil.recall), (3, 0, None));
    let fan = card_of(&cards, "fan");
    assert_eq!((fan.precision.of, fan.precision.share), (0, None));
}

#[test]
fn recall_and_lead_come_from_failures_that_came_to_light_otherwise() {
    let mut desk = desk();
    // Called two hours ahead; the report joins the alert's defect, so the defect is the alert's.
    let id = ring(&mut desk, "oil", "A", 10 * HOUR, None);
    let defect = desk.book.alert(id).unwrap().defect();
    find(&mut desk, defect, FindingKind::AsCalled, 11 * HOUR);
    // An alert, and 28 h later the unit fails on the road: one item, which the alert called.
    ring(&mut desk, "fan", "B", 20 * HOUR, None);
    failed(&mut desk, "B", "radiator fan", 2 * DAY);
    // One that nothing called, and one on a unit that the rule does not judge.
    failed(&mut desk, "C", "radiator fan", 3 * DAY);
    failed(&mut desk, "UNSEEN", "radiator fan", 3 * DAY);
    // One before the span, one that was no fault.
    let id = report(
        &mut desk,
        "D",
        "radiator fan",
        DefectOrigin::CrewReport,
        4 * DAY,
    );
    find(&mut desk, id, FindingKind::NoFaultFound, 5 * DAY);
    let cards = cards(&desk, 10 * DAY);
    let fan = card_of(&cards, "fan");
    assert_eq!((fan.n_failures, fan.n_reported), (2, 2));
    let recall = fan.recall.unwrap();
    assert_eq!((recall.n, recall.of), (1, 2));
    let lead = fan.lead.unwrap();
    assert_eq!((lead.n, lead.n_ahead, lead.median_ms), (1, 1, 28 * HOUR));
    let oil = card_of(&cards, "oil");
    assert_eq!((oil.n_failures, oil.recall), (1, None));
}

#[test]
fn what_no_one_was_told_is_no_call() {
    let mut desk = desk();
    let id = ring(&mut desk, "oil", "A", HOUR, None);
    desk.end(id, occurred("oil", HOUR, Some(2 * HOUR)));
    let taken_back = ring(&mut desk, "oil", "B", 2 * HOUR, None);
    desk.withdraw(taken_back);
    desk.stage("fan", RuleStage::Trial);
    ring(&mut desk, "fan", "A", 3 * HOUR, Some(HOUR));
    let cards = cards(&desk, DAY);
    let oil = card_of(&cards, "oil");
    assert_eq!(
        (oil.n_alerts, oil.n_withdrawn, oil.findings.owed),
        (1, 1, 1)
    );
    let fan = card_of(&cards, "fan");
    assert_eq!((fan.n_alerts, fan.n_trial, fan.live_ms), (0, 1, 0));
    assert_eq!((fan.per_day, fan.stage), (None, RuleStage::Trial));
    assert_eq!(fan.n_failures, 0, "a version on trial calls nothing");
}

#[test]
fn a_scorecard_is_one_version_s_over_its_own_time() {
    let mut desk = desk();
    // Live from the third day on; a failure before it was not its to call.
    desk.write("author", |planner| {
        let mut newer = rule("fan");
        newer.version = "fedcba9876543210".into();
        let facts = facts("radiator fan", Priority::Low, false, 48 * HOUR);
        planner
            .lodge(&newer, "newer text", facts, None, "")
            .unwrap();
    });
    let mut newer = rule("fan");
    newer.version = "fedcba9876543210".into();
    desk.write("author", |planner| {
        planner
            .stage(&newer, RuleStage::Live, at(2 * DAY), "a test", "")
            .unwrap();
    });
    failed(&mut desk, "A", "radiator fan", DAY);
    failed(&mut desk, "B", "radiator fan", 5 * DAY);
    let cards = cards(&desk, 10 * DAY);
    let fans: Vec<&RuleScorecard> = cards
        .iter()
        .filter(|card| card.version.reference.name.as_str() == "fan")
        .collect();
    let said: Vec<(&str, i64, u64)> = fans
        .iter()
        .map(|card| {
            let version = card.version.reference.version.as_str();
            (version, card.live_ms, card.n_failures)
        })
        .collect();
    assert_eq!(
        said,
        [
            ("fedcba9876543210", 8 * DAY, 1),
            ("0123456789abcdef", 2 * DAY, 1)
        ]
    );
    let wanted = RuleName::new("oil").unwrap();
    let terms = ScorecardTerms {
        from: at(0),
        until: at(DAY),
        confidence: 0.9,
        rule: Some(&wanted),
        watches: &|_, _, _| true,
    };
    assert_eq!(scorecards(&desk.book, &terms).unwrap().len(), 1);
    let unsure = ScorecardTerms {
        confidence: 1.0,
        ..terms
    };
    assert!(scorecards(&desk.book, &unsure).is_err());
}

/// Half an hour's alert is not told as forty-eight a day.
#[test]
fn a_scorecard_tells_a_rate_once_an_hour_is_covered() {
    let mut desk = desk();
    ring(&mut desk, "oil", "A", MINUTE, None);
    let per_day = |ms: i64| card_of(&cards(&desk, ms), "oil").per_day;
    assert_eq!(per_day(30 * MINUTE), None);
    assert!(per_day(2 * HOUR).is_some());
}
