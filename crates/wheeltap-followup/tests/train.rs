//! What units of one train share is told once, joins one defect, and passes on when the first is taken
//! back or left behind.

#![allow(clippy::unwrap_used, reason = "tests stop at the first surprise")]

mod common;

use common::{Desk, at, facts, occurred};
use wheeltap_followup::{
    ChangeNotice, Occurrence, Planner, RuleFacts, Terms, Trains, UPDATED_BY_TELEMETRY,
};
use wheeltap_model::{
    AlertChange, AlertId, EventTime, Priority, RuleName, UnitId, WithdrawnReason,
};

/// Units named "M1 .." are in train M1 and so on; "turns .." goes from M1 to M2 at 500.
struct ByName;

impl Trains for ByName {
    fn train_at(&self, unit: &UnitId, at: EventTime) -> Option<String> {
        match unit.as_str().split_once(' ')?.0 {
            "turns" if at.unix_ms() < 500 => Some("M1".into()),
            "turns" => Some("M2".into()),
            "alone" => None,
            train => Some(train.into()),
        }
    }
}

struct Trained(Desk);

fn unit(name: &str) -> UnitId {
    UnitId::new(name).unwrap()
}

fn desk() -> Trained {
    let pipe = RuleFacts {
        once_a_train: true,
        ..facts("brake pipe", Priority::High, false, 60_000)
    };
    let oil = facts("oil cooler", Priority::High, false, 60_000);
    Trained(Desk::with(&[("pipe", pipe), ("oil", oil)]))
}

impl Trained {
    fn write<T>(&mut self, plan: impl FnOnce(&mut Planner<'_>) -> T) -> (T, Vec<ChangeNotice>) {
        self.0.write(UPDATED_BY_TELEMETRY, |planner| {
            let book = planner.book();
            let now = wheeltap_model::ServerTime::from_unix_ms(0);
            let fresh = Planner::new(book, now, UPDATED_BY_TELEMETRY);
            *planner = fresh.with_trains(&ByName);
            plan(planner)
        })
    }

    fn raise(&mut self, name: &str, occurred: Occurrence) -> AlertId {
        let unit = unit(name);
        self.write(|planner| planner.raise(&unit, occurred, Terms::default()).unwrap())
            .0
    }

    fn withdraw(&mut self, id: AlertId) {
        self.write(|planner| {
            let alert = planner.book().alert(id).unwrap();
            planner.withdraw(alert, WithdrawnReason::LateData, Terms::default());
        });
    }

    /// As the pipeline looks at a unit's alerts whenever it has judged it.
    fn keep_told(&mut self, id: AlertId, watermark: i64) {
        self.write(|planner| {
            let alert = planner.book().alert(id).unwrap();
            planner.keep_told(alert, at(watermark));
        });
    }

    /// Whether it rang, and with which it was told.
    fn told(&self, id: AlertId) -> (bool, u64) {
        let alert = self.0.book.alert(id).unwrap();
        (alert.announced_at().is_some(), alert.told_with().0)
    }

    fn defect(&self, id: AlertId) -> u64 {
        self.0.book.alert(id).unwrap().defect().0
    }
}

#[test]
fn three_units_of_a_train_ring_once_and_are_one_defect() {
    let mut desk = desk();
    let first = desk.raise("M1 a", occurred("pipe", 100, None));
    let ids = [("M1 b", 110), ("M1 c", 105)];
    let others = ids.map(|(name, raised)| desk.raise(name, occurred("pipe", raised, None)));
    let elsewhere = desk.raise("M2 d", occurred("pipe", 110, None));
    let alone = desk.raise("alone e", occurred("pipe", 110, None));
    assert_eq!(desk.told(first), (true, 0));
    for id in others {
        assert_eq!(desk.told(id), (false, first.0));
        assert_eq!(desk.defect(id), desk.defect(first));
    }
    assert_eq!([desk.told(elsewhere), desk.told(alone)], [(true, 0); 2]);
    assert_ne!(desk.defect(elsewhere), desk.defect(first));
    // Of a rule that does not say so each rings.
    for name in ["M1 a", "M1 b"] {
        let id = desk.raise(name, occurred("oil", 100, None));
        assert_eq!(desk.told(id), (true, 0));
    }
    let from = (at(0), at(1_000), RuleName::new("oil").unwrap());
    assert_eq!(desk.0.book.n_rung(from.0, from.1, &from.2), 3);
    assert_eq!(
        format!("{:?}", desk.0.rebuilt().counts()),
        format!("{:?}", desk.0.book.counts())
    );
    let kept = desk.0.rebuilt().alert(others[0]).unwrap().told_with();
    assert_eq!(kept, first, "after a restart too");
}

#[test]
fn all_in_one_commit_ring_once() {
    let mut desk = desk();
    let (ids, notices) = desk.write(|planner| {
        ["M1 a", "M1 b", "M1 c"].map(|name| {
            let raised = planner.raise(&unit(name), occurred("pipe", 100, None), Terms::default());
            raised.unwrap()
        })
    });
    let told = ids.map(|id| desk.told(id));
    assert_eq!(told, [(true, 0), (false, ids[0].0), (false, ids[0].0)]);
    assert_eq!(desk.defect(ids[2]), desk.defect(ids[0]));
    let told_with = notices.iter().filter(|notice| {
        matches!(
            notice,
            ChangeNotice::Alert {
                change: AlertChange::ToldWith,
                ..
            }
        )
    });
    assert_eq!(told_with.count(), 2);
}

#[test]
fn what_was_withheld_is_told_once() {
    let mut desk = desk();
    let withhold = Terms {
        withhold: true,
        ..Terms::default()
    };
    let ids = ["M1 a", "M1 b"].map(|name| {
        let raise = |planner: &mut Planner<'_>| {
            planner.raise(&unit(name), occurred("pipe", 100, None), withhold)
        };
        desk.write(raise).0.unwrap()
    });
    assert_eq!(ids.map(|id| desk.told(id)), [(false, 0); 2]);
    assert_eq!(desk.defect(ids[0]), desk.defect(ids[1]));
    desk.write(|planner| {
        for id in ids {
            let alert = planner.book().alert(id).unwrap();
            assert!(alert.is_to_announce());
            planner.announce(alert);
        }
    });
    assert_eq!(ids.map(|id| desk.told(id)), [(true, 0), (false, ids[0].0)]);
    assert!(!desk.0.book.alert(ids[1]).unwrap().is_to_announce());
}

#[test]
fn the_next_takes_over_from_one_that_is_withdrawn() {
    let mut desk = desk();
    let first = desk.raise("M1 a", occurred("pipe", 100, None));
    let late = desk.raise("M1 b", occurred("pipe", 120, None));
    let next = desk.raise("M1 c", occurred("pipe", 110, None));
    desk.withdraw(first);
    assert_eq!(desk.told(next), (true, 0));
    assert_eq!(desk.told(late), (false, next.0));
    // The item of the shop goes on with what is left.
    let defect = desk
        .0
        .book
        .defect(wheeltap_model::DefectId(desk.defect(next)));
    assert!(defect.unwrap().is_open());
}

#[test]
fn one_that_ended_is_told_for_ten_minutes_more() {
    let mut desk = desk();
    let first = desk.raise("M1 a", occurred("pipe", 100, None));
    let other = desk.raise("M1 b", occurred("pipe", 110, None));
    desk.0.end(first, occurred("pipe", 100, Some(200)));
    desk.keep_told(other, 600_000);
    assert_eq!(desk.told(other), (false, first.0));
    desk.keep_told(other, 600_200);
    assert_eq!(desk.told(other), (true, 0));
    // Afterwards nothing overlaps the first.
    let again = desk.raise("M1 a", occurred("pipe", 600_300, None));
    assert_eq!(desk.told(again), (false, other.0));
}

#[test]
fn a_unit_that_changes_trains_rings_with_its_new_one() {
    let mut desk = desk();
    let first = desk.raise("M1 a", occurred("pipe", 100, None));
    let turned = desk.raise("turns b", occurred("pipe", 110, None));
    assert_eq!(desk.told(turned), (false, first.0));
    desk.keep_told(turned, 499);
    assert_eq!(desk.told(turned), (false, first.0));
    desk.keep_told(turned, 500);
    assert_eq!(desk.told(turned), (true, 0));
    let there = desk.raise("M2 c", occurred("pipe", 600, None));
    assert_eq!(desk.told(there), (false, turned.0));
    let still = desk.raise("M1 d", occurred("pipe", 600, None));
    assert_eq!(desk.told(still), (false, first.0));
}

#[test]
fn late_news_of_a_train_that_was_told_is_no_news() {
    let mut desk = desk();
    let first = desk.raise("M1 a", occurred("pipe", 100, None));
    let late = desk.raise("M1 b", occurred("pipe", 110, Some(300)));
    assert_eq!(desk.told(late), (false, first.0));
    let apart = desk.raise("M1 c", occurred("pipe", 20, Some(90)));
    assert_eq!(desk.told(apart), (false, 0));
    assert!(desk.0.book.alert(apart).unwrap().alert().late_news);
}
