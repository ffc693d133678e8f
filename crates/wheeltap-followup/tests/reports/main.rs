//! The promise: reports say what a person counts by hand in a small book.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

#[path = "../common/mod.rs"]
mod common;
mod load;
mod reliability;
mod scorecards;

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
