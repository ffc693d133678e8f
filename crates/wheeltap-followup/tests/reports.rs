//! The promise: reports say what a person counts by hand in a small book.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{Desk, at, facts, occurred, rule};
use wheeltap_followup::reports::{
    Basis, DeskClock, DeskLoad, DeskTerms, FleetUnit, Grouping, MetricKind, ReliabilityReport,
    ReliabilityTerms, RuleScorecard, ScorecardTerms, Verdict, desk_load, reliability, scorecards,
};
use wheeltap_followup::{Planner, Report, Terms, UPDATED_BY_TELEMETRY};
use wheeltap_model::{
    AlertId, ClassName, Dated, DefectId, DefectOrigin, FindingKind, Priority, RuleName, RuleStage,
    ServerTime, Timeline, Unit, UnitId, UnitState, Work,
};

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

fn named(unit: &str) -> UnitId {
    UnitId::new(unit).unwrap()
}

/// With the rules `oil` (desk, medium) and `fan` (desk, low), live from the beginning.
fn desk() -> Desk {
    Desk::with(&[
        (
            "oil",
            facts("oil cooler", Priority::Medium, false, 24 * HOUR),
        ),
        (
            "fan",
            facts("radiator fan", Priority::Low, false, 48 * HOUR),
        ),
    ])
}

#[track_caller]
fn near(value: f64, expected: f64) {
    assert!((value - expected).abs() < 1e-9, "{value}, not {expected}");
}

/// Raised and told at `ms`, standing for `stood` or still.
fn ring(desk: &mut Desk, name: &str, unit: &str, ms: i64, stood: Option<i64>) -> AlertId {
    desk.now = ms;
    let occurred = occurred(name, ms, stood.map(|stood| ms + stood));
    let unit = named(unit);
    let standing = common::occurred(name, ms, None);
    let raise = |planner: &mut Planner<'_>| planner.raise(&unit, standing, Terms::default());
    let id = desk.write(UPDATED_BY_TELEMETRY, raise).0.unwrap();
    if stood.is_some() {
        desk.end(id, occurred);
    }
    id
}

fn report(desk: &mut Desk, unit: &str, component: &str, origin: DefectOrigin, ms: i64) -> DefectId {
    desk.now = ms;
    let report = Report {
        unit: named(unit),
        system: "test".into(),
        component: component.into(),
        origin,
        title: "seen".into(),
        priority: Priority::Medium,
        first_sign_at: at(ms),
    };
    desk.write("crew", |planner| planner.report(report, ""))
        .0
        .unwrap()
}

fn find(desk: &mut Desk, id: DefectId, kind: FindingKind, ms: i64) {
    desk.now = ms;
    let finding = wheeltap_followup::Verdict {
        kind,
        note: "seen".into(),
        repaired_at: at(ms),
        work: Work::default(),
    };
    let found = desk.write("shop", |planner| {
        planner.record_finding(id, finding, "", "")
    });
    found.0.unwrap();
}

/// A road failure or a shop find that was what it was reported as, repaired a day later.
fn failed(desk: &mut Desk, unit: &str, component: &str, ms: i64) -> DefectId {
    let id = report(desk, unit, component, DefectOrigin::RoadFailure, ms);
    find(desk, id, FindingKind::AsCalled, ms + DAY);
    id
}

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
            .stage(&newer, RuleStage::Live, at(2 * DAY), "")
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

fn load(desk: &Desk, from: i64, until: i64, n_desks: u32) -> DeskLoad {
    let terms = DeskTerms {
        from_ms: from,
        until_ms: until,
        since_ms: 0,
        clock: DeskClock::Announced,
        n_desks,
    };
    desk_load(&desk.rebuilt(), &terms)
}

fn value(load: &DeskLoad, kind: MetricKind) -> (f64, Option<Verdict>) {
    let metric = load.metric(kind).unwrap();
    (metric.value, metric.verdict)
}

/// The worked example of the reference values, section 5.3: counts in eight successive ten-minute
/// intervals 2, 11, 14, 10, 6, 5, 4, 0. Flood from the second to the start of the seventh: 50 min, peak 14;
/// above ten 2 of 8, 25 %; on average 52 in 80 min, 6.5 in ten.
#[test]
fn the_desk_s_figures_are_those_of_the_worked_example() {
    let mut desk = desk();
    for (interval, n_alerts) in (0_i64..).zip([2, 11, 14, 10, 6, 5, 4, 0]) {
        for number in 0..n_alerts {
            let start = interval * 10 * MINUTE + number * 1_000;
            let unit = format!("U{interval}-{number}");
            let name = if number == 0 { "fan" } else { "oil" };
            ring(&mut desk, name, &unit, start, Some(2 * MINUTE));
        }
    }
    let seen = load(&desk, 0, 80 * MINUTE, 1);
    assert_eq!(seen.n_alerts, 52);
    assert_eq!(seen.floods, [(10 * MINUTE, 60 * MINUTE)]);
    assert_eq!(seen.worst_ten_minutes, Some((20 * MINUTE, 14)));
    assert_eq!(seen.worst_hour, Some((0, 48)));
    let (ten, verdict) = value(&seen, MetricKind::PerTenMinutes);
    near(ten, 6.5);
    assert_eq!(verdict, None, "80 minutes say nothing of a month");
    near(value(&seen, MetricKind::PerHour).0, 39.0);
    near(value(&seen, MetricKind::CrowdedShare).0, 0.25);
    near(value(&seen, MetricKind::FloodShare).0, 50.0 / 80.0);
    near(value(&seen, MetricKind::TopTenShare).0, 1.0);
    near(value(&seen, MetricKind::Chattering).0, 0.0);
    assert_eq!(seen.priorities, [7, 45, 0, 0]);
    assert_eq!(seen.top[0].n_alerts, 45);
    assert!(!seen.is_long_enough(), "80 minutes are no 30 days");
    // Two desks share them evenly: 7 each at the peak is no flood.
    let shared = load(&desk, 0, 80 * MINUTE, 2);
    assert_eq!(shared.floods, []);
    near(value(&shared, MetricKind::PerTenMinutes).0, 3.25);
    near(value(&shared, MetricKind::MostInTenMinutes).0, 7.0);
    // The span cuts.
    assert_eq!(load(&desk, 20 * MINUTE, 30 * MINUTE, 1).n_alerts, 14);
    let nothing = load(&desk, DAY, DAY, 1);
    assert_eq!((nothing.n_alerts, nothing.metrics.len()), (0, 0));
}

/// Check values 5.3: 150 a day is 1.042 in ten minutes, 300 a day 2.083; 144 and 288 are the round ones.
#[test]
fn a_month_at_the_standard_s_rate_is_acceptable() {
    let mut desk = desk();
    for hour in 0..30 * 24 {
        for number in 0..6 {
            let at = hour * HOUR + number * 10 * MINUTE;
            ring(
                &mut desk,
                "oil",
                &format!("U{hour}-{number}"),
                at,
                Some(HOUR),
            );
        }
    }
    let seen = load(&desk, 0, 30 * DAY, 1);
    assert!(seen.is_long_enough());
    for kind in [
        MetricKind::PerDay,
        MetricKind::PerHour,
        MetricKind::PerTenMinutes,
        MetricKind::CrowdedShare,
        MetricKind::MostInTenMinutes,
        MetricKind::FloodShare,
    ] {
        assert_eq!(value(&seen, kind).1, Some(Verdict::Acceptable), "{kind:?}");
    }
    near(value(&seen, MetricKind::PerDay).0, 144.0);
    assert_eq!(seen.days.len(), 30);
    assert!(seen.days.iter().all(|day| day.n_alerts == 144));
    // The one rule is all of the load.
    assert_eq!(
        value(&seen, MetricKind::TopTenShare).1,
        Some(Verdict::TooMuch)
    );
    let shorter = DeskTerms {
        from_ms: 0,
        until_ms: 15 * DAY,
        since_ms: 0,
        clock: DeskClock::Raised,
        n_desks: 1,
    };
    let seen = desk_load(&desk.book, &shorter);
    assert!(!seen.is_long_enough());
    near(value(&seen, MetricKind::PerDay).0, 144.0);
}

#[test]
fn chattering_fleeting_and_stale_alerts_are_counted() {
    let mut desk = desk();
    // Three within a minute on one unit, each over after ten seconds.
    for number in 0..3 {
        ring(&mut desk, "oil", "A", HOUR + number * 20_000, Some(10_000));
    }
    // Stands from the first day on; stale from the second hour of the second day.
    ring(&mut desk, "fan", "B", 2 * HOUR, None);
    // Ended on the fourth day: stale on the third and fourth.
    ring(&mut desk, "fan", "C", DAY + 3 * HOUR, Some(2 * DAY + HOUR));
    // Over within its first day.
    ring(&mut desk, "fan", "D", 4 * HOUR, Some(23 * HOUR));
    // Taken back: it stands no more.
    let id = ring(&mut desk, "oil", "E", 5 * HOUR, None);
    desk.withdraw(id);
    let seen = load(&desk, 0, 5 * DAY, 1);
    let month = load(&desk, 0, 31 * DAY, 1);
    near(value(&seen, MetricKind::Chattering).0, 3.0);
    assert_eq!(
        value(&month, MetricKind::Fleeting),
        (3.0, Some(Verdict::TooMuch))
    );
    let stale: Vec<u64> = seen.days.iter().map(|day| day.n_stale).collect();
    assert_eq!(stale, [0, 1, 2, 2, 1]);
    assert_eq!(value(&seen, MetricKind::MostStale), (2.0, None));
    assert_eq!(
        value(&month, MetricKind::MostStale),
        (2.0, Some(Verdict::Acceptable))
    );
    assert_eq!(seen.n_stale, 1);
    // What was told and then taken back was still told.
    assert_eq!(seen.n_alerts, 7);
}

#[test]
fn a_rate_is_told_once_enough_is_covered() {
    let mut desk = desk();
    ring(&mut desk, "oil", "A", 1_000, None);
    let told = |ms: i64| {
        let seen = load(&desk, 0, ms, 1);
        [
            MetricKind::PerDay,
            MetricKind::PerHour,
            MetricKind::PerTenMinutes,
            MetricKind::MostInTenMinutes,
        ]
        .map(|kind| seen.metric(kind).map(|metric| metric.value))
    };
    assert_eq!(told(43_000), [None, None, None, Some(1.0)]);
    let ten = told(10 * MINUTE);
    assert_eq!(ten, [None, None, Some(1.0), Some(1.0)]);
    let hour = told(HOUR);
    near(hour[0].unwrap(), 24.0);
    near(hour[1].unwrap(), 1.0);
}

/// Nor does a scorecard make half an hour's alert forty-eight a day.
#[test]
fn a_scorecard_tells_a_rate_once_an_hour_is_covered() {
    let mut desk = desk();
    ring(&mut desk, "oil", "A", MINUTE, None);
    let per_day = |ms: i64| card_of(&cards(&desk, ms), "oil").per_day;
    assert_eq!(per_day(30 * MINUTE), None);
    assert!(per_day(2 * HOUR).is_some());
}

/// What was told late is no shorter for it.
#[test]
fn an_alert_is_fleeting_by_how_long_it_stood() {
    let mut desk = desk();
    // Told two minutes after it was raised, over within half a minute of that.
    desk.now = HOUR + 2 * MINUTE;
    let late = occurred("oil", HOUR, None);
    let id = desk.raise(late, Terms::default());
    desk.end(id, occurred("oil", HOUR, Some(HOUR + 150_000)));
    let seen = load(&desk, 0, DAY, 1);
    assert_eq!(seen.n_alerts, 1);
    near(value(&seen, MetricKind::Fleeting).0, 0.0);
}

#[test]
fn the_record_begins_when_it_begins() {
    let mut desk = desk();
    ring(&mut desk, "oil", "A", 10 * DAY + HOUR, Some(HOUR));
    let terms = DeskTerms {
        from_ms: 0,
        until_ms: 12 * DAY,
        since_ms: 10 * DAY,
        clock: DeskClock::Announced,
        n_desks: 1,
    };
    let seen = desk_load(&desk.book, &terms);
    assert_eq!((seen.from_ms, seen.covered_ms()), (10 * DAY, 2 * DAY));
    near(value(&seen, MetricKind::PerDay).0, 0.5);
}

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
            ("another than called", 1),
            ("radiator fan", 1),
            ("sensor or wiring of oil cooler", 1),
        ]
    );
    near(report.components[1].cumulated, 3.0 / 5.0);
    let systems = worked(&desk, &fleet, &terms(Grouping::System, 100));
    let names: Vec<&str> = systems
        .groups
        .iter()
        .map(|group| group.name.as_str())
        .collect();
    assert_eq!(names, ["test", "another than called", "sensors and wiring"]);
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
    // Repaired within the last 30 days: nobody can tell yet.
    failed(&mut desk, "C", "oil cooler", 95 * DAY);
    let fleet: Vec<Known> = ["A", "B", "C"]
        .map(|name| known(name, "Marten", 0, &[(0, UnitState::Working)]))
        .into();
    let report = worked(&desk, &fleet, &terms(Grouping::Component, 100));
    assert_eq!((report.repeats.share.n, report.repeats.share.of), (1, 5));
    let item = &report.repeats.items[0];
    assert_eq!(
        (item.first, item.again, item.after_ms),
        (first, again, 9 * DAY)
    );
    let longer = ReliabilityTerms {
        repeat_ms: 60 * DAY,
        ..terms(Grouping::Component, 100)
    };
    assert_eq!(worked(&desk, &fleet, &longer).repeats.items.len(), 2);
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
