//! What the desk is told of itself: load, stale and repeating alerts, what was first, the shift handover, and
//! who did what.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod common;

use common::{Desk, facts, occurred, unit};
use wheeltap_followup::{
    Book, Call, HandoverList, LedgerRecord, MOST_IN_HAND, MuteOrder, OwedCall, Refusal, Report,
    Terms, audit, desk_load, handover_list,
};
use wheeltap_model::{
    AlertId, DefectId, DefectOrigin, EventTime, HandoverId, MuteId, MuteKind, MuteScope, Plan,
    Priority, RuleName, ServerTime,
};

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;

fn desk() -> Desk {
    Desk::with(&[
        ("oil", facts("oil cooler", Priority::High, false, 4 * HOUR)),
        (
            "fan",
            facts("radiator fan", Priority::Low, false, 48 * HOUR),
        ),
    ])
}

fn at(ms: i64) -> ServerTime {
    ServerTime::from_unix_ms(ms)
}

#[test]
fn an_alert_is_stale_when_it_has_stood_for_more_than_a_day() {
    let mut desk = desk();
    let id = desk.raise(occurred("oil", 100, None), Terms::default());
    assert_eq!(desk_load(&desk.book, at(DAY)).stale, []);
    assert_eq!(desk_load(&desk.book, at(DAY + 1)).stale, [id]);
    desk.end(id, occurred("oil", 100, Some(200)));
    assert_eq!(desk_load(&desk.book, at(DAY + 1)).stale, []);
}

#[test]
fn what_comes_and_goes_is_named_once_and_what_passes_at_once_is_fleeting() {
    let mut desk = desk();
    // Three within an hour: 0, 30 and 60 min; the first two short, the second comes again at once.
    for (raised, ended) in [
        (0, 5_000),
        (30 * MINUTE, 30 * MINUTE + 10_000),
        (30 * MINUTE + 70_000, 60 * MINUTE),
    ] {
        desk.now = raised;
        desk.raise(occurred("oil", raised, Some(ended)), Terms::default());
        let id = desk.raise(occurred("oil", raised, None), Terms::default());
        desk.end(id, occurred("oil", raised, Some(ended)));
    }
    let load = desk_load(&desk.book, at(HOUR));
    // Late news is told to nobody, so each counts once.
    assert_eq!(load.n_told, [0, 2, 3], "an hour ago is not within the hour");
    assert_eq!(load.repeating.len(), 1);
    assert_eq!(load.repeating[0].alert, AlertId(6));
    assert_eq!(load.repeating[0].n_in_an_hour, 3);
    assert!(!load.repeating[0].chattering, "not three in a minute");
    assert_eq!(load.fleeting, [AlertId(2)]);
    // Three in a minute chatter.
    for raised in [2 * HOUR, 2 * HOUR + 20_000, 2 * HOUR + 60_000] {
        desk.now = raised;
        let id = desk.raise(occurred("fan", raised, None), Terms::default());
        desk.end(id, occurred("fan", raised, Some(raised + 10_000)));
    }
    let load = desk_load(&desk.book, at(2 * HOUR + 60_000));
    let fan = load.repeating.iter().find(|of| of.alert == AlertId(9));
    assert!(fan.unwrap().chattering);
    // A day later none of it is told any more.
    let load = desk_load(&desk.book, at(2 * DAY));
    assert_eq!((load.repeating.len(), load.fleeting.len()), (0, 0));
}

#[test]
fn of_alerts_close_upon_each_other_one_was_first() {
    let mut desk = desk();
    let fan = desk.raise(occurred("fan", 5 * MINUTE, None), Terms::default());
    let oil = desk.raise(occurred("oil", 0, None), Terms::default());
    let late = desk.raise(occurred("oil", 15 * MINUTE, None), Terms::default());
    // More than ten minutes after the one before: another matter.
    desk.raise(occurred("fan", 26 * MINUTE, None), Terms::default());
    let groups = desk_load(&desk.book, at(HOUR)).first_out;
    assert_eq!(groups.len(), 1);
    assert_eq!(groups[0].first, oil);
    assert_eq!(groups[0].others, [fan, late]);
}

#[test]
fn a_shift_hands_over_what_is_new_owed_and_ending() {
    let mut desk = desk();
    desk.now = HOUR;
    let oil = desk.raise(occurred("oil", 100, None), Terms::default());
    let hand = |desk: &mut Desk, from: &str, to: &str| {
        desk.write("desk", |planner| {
            planner.hand_desk_over(from, to, "quiet", "")
        })
        .0
    };
    for (from, to) in [("", "Ada"), ("Bo", " "), ("Ada", "Ada ")] {
        let refused = hand(&mut desk, from, to);
        assert!(
            matches!(refused, Err(Refusal::BadField { .. })),
            "{from} {to}"
        );
    }
    assert_eq!(hand(&mut desk, "Bo", "Ada"), Ok(HandoverId(1)));
    let since = desk.book.handovers().last().map(|last| last.at);
    let list = |desk: &Desk| handover_list(&desk.book, since, at(desk.now));
    assert_eq!(list(&desk).new, []);
    assert_eq!(list(&desk).awaiting, [DefectId(1)]);
    assert_eq!(list(&desk).owed, []);
    // Taken on, urgent enough, and nobody called: a call is owed by the time that the answer is due.
    desk.acknowledge(oil, "Ada");
    assert_eq!(
        list(&desk).owed,
        [OwedCall {
            due: Some(at(5 * HOUR)),
            defect: DefectId(1),
            contact: 0
        }]
    );
    assert_eq!(list(&desk).awaiting, []);
    // Called, and something was promised.
    let call = Call {
        told: "dispatcher".into(),
        promise: "calls back".into(),
        promised_for: Some(at(2 * HOUR)),
        ..Call::default()
    };
    desk.write("Ada", |planner| planner.log_contact(DefectId(1), call, ""))
        .0
        .unwrap();
    assert_eq!(
        list(&desk).owed,
        [OwedCall {
            due: Some(at(2 * HOUR)),
            defect: DefectId(1),
            contact: 1
        }]
    );
    desk.write("Ada", |planner| planner.keep_promise(DefectId(1), 1, ""))
        .0
        .unwrap();
    assert_eq!(list(&desk).owed, []);
    // New since the handover, and shelves that end in the next twelve hours.
    desk.now = 2 * HOUR;
    desk.raise(occurred("fan", 300, None), Terms::default());
    let shelf = |rule: &str, until: i64| MuteOrder {
        kind: MuteKind::Shelved,
        scope: MuteScope {
            unit: unit(),
            rule: Some(RuleName::new(rule).unwrap()),
            part: None,
        },
        until: Some(at(until)),
        reason: "gauge is being changed".into(),
    };
    desk.write("Ada", |planner| planner.mute(shelf("fan", 15 * HOUR), ""))
        .0
        .unwrap();
    let soon = desk.write("Ada", |planner| planner.mute(shelf("oil", 14 * HOUR), ""));
    assert_eq!(soon.0, Ok(MuteId(2)));
    assert_eq!(list(&desk).new, [DefectId(2)]);
    assert_eq!(list(&desk).ending, [MuteId(2)]);
    assert_eq!(list(&desk).lasting, [MuteId(1)], "none is left out");
    assert_eq!(list(&desk).awaiting, [], "the fan is shelved");
}

fn list(desk: &Desk, since: i64) -> HandoverList {
    handover_list(&desk.book, Some(at(since)), at(desk.now))
}

#[test]
fn what_is_muted_is_not_taken_on_and_what_is_in_hand_is_handed_over() {
    let mut desk = desk();
    desk.now = HOUR;
    let shop = MuteOrder {
        kind: MuteKind::OutOfService,
        scope: MuteScope {
            unit: unit(),
            rule: Some(RuleName::new("fan").unwrap()),
            part: None,
        },
        until: None,
        reason: "fan is off".into(),
    };
    desk.write("shop", |planner| planner.mute(shop, ""))
        .0
        .unwrap();
    let oil = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.raise(occurred("fan", 200, None), Terms::default());
    let first = list(&desk, 0);
    assert_eq!(first.new, [DefectId(1), DefectId(2)]);
    assert_eq!(first.awaiting, [DefectId(1)]);
    assert_eq!(first.new_quiet, [DefectId(2)], "muted, so nobody's");
    assert_eq!((first.ending, first.lasting), (vec![], vec![MuteId(1)]));
    desk.acknowledge(oil, "Ada");
    let taken = list(&desk, 0);
    assert_eq!((taken.awaiting, taken.in_hand), (vec![], vec![]));
    assert_eq!(taken.new_quiet, [DefectId(2)]);
    // The next shift: not new any more, and still in hand.
    let next = list(&desk, 2 * HOUR);
    assert_eq!((next.new, next.new_quiet), (vec![], vec![]));
    assert_eq!((next.in_hand, next.n_in_hand), (vec![DefectId(1)], 1));
    // The shop has what it plans, whoever answered.
    let plan = Plan {
        service_point: "Stenmoor".into(),
        ..Plan::default()
    };
    desk.write("shop", |planner| {
        planner.plan(DefectId(2), Some(plan), "", "").unwrap();
    });
    assert_eq!(list(&desk, 2 * HOUR).in_hand, [DefectId(1), DefectId(2)]);
}

#[test]
fn of_many_in_hand_the_soonest_due_are_listed() {
    let mut desk = desk();
    let n_defects = MOST_IN_HAND as u64 + 5;
    for number in 0..n_defects {
        let report = Report {
            unit: unit(),
            system: "test".into(),
            component: format!("part {number}"),
            origin: DefectOrigin::CrewReport,
            title: "loose".into(),
            priority: Priority::Low,
            first_sign_at: EventTime::from_unix_ms(0),
        };
        desk.write("crew", |planner| planner.report(report, ""))
            .0
            .unwrap();
        desk.write("Ada", |planner| {
            planner.take_on(DefectId(number + 1), "", "").unwrap();
        });
    }
    let seen = list(&desk, 1);
    assert_eq!(seen.n_in_hand, n_defects);
    assert_eq!(seen.in_hand.len(), MOST_IN_HAND);
    assert_eq!(seen.in_hand[0], DefectId(1));
}

#[test]
fn a_promise_is_owed_until_it_is_kept_whatever_became_of_its_defect() {
    let mut desk = desk();
    desk.now = HOUR;
    desk.raise(occurred("oil", 100, None), Terms::default());
    desk.raise(occurred("fan", 100, None), Terms::default());
    let call = || Call {
        told: "shop".into(),
        promise: "sends the old core".into(),
        ..Call::default()
    };
    desk.write("Ada", |planner| {
        planner.log_contact(DefectId(1), call(), "")
    })
    .0
    .unwrap();
    let owed = |defect, contact| OwedCall {
        due: None,
        defect: DefectId(defect),
        contact,
    };
    desk.end(AlertId(1), occurred("oil", 100, Some(200)));
    desk.write("shop", |planner| {
        let closed = planner.close_without_finding(DefectId(1), "set out", "", "");
        closed.unwrap();
    });
    assert_eq!(list(&desk, 0).owed, [owed(1, 1)]);
    let handed = list(&desk, 0);
    assert_eq!(
        (handed.finding_owed, handed.n_finding_owed),
        (vec![DefectId(1)], 1)
    );
    desk.write("Ada", |planner| planner.keep_promise(DefectId(1), 1, ""))
        .0
        .unwrap();
    assert_eq!(list(&desk, 0).owed, []);
    // What went into another took its promises along, and takes no more calls.
    desk.raise(occurred("oil", HOUR + 100, None), Terms::default());
    desk.write("Ada", |planner| {
        planner.log_contact(DefectId(2), call(), "")
    })
    .0
    .unwrap();
    desk.write("Ada", |planner| {
        let merged = planner.merge(DefectId(2), DefectId(1), "one cause", "", "");
        merged.unwrap();
    });
    assert_eq!(list(&desk, 0).owed, [owed(1, 2)]);
    let late = desk.write("Ada", |planner| {
        planner.log_contact(DefectId(2), call(), "")
    });
    assert_eq!(
        late.0,
        Err(Refusal::WentInto {
            id: DefectId(2),
            into: DefectId(1)
        })
    );
}

#[test]
fn what_can_wait_is_taken_on_without_a_call() {
    let mut desk = desk();
    let fan = desk.raise(occurred("fan", 200, None), Terms::default());
    desk.acknowledge(fan, "Ada");
    assert_eq!(handover_list(&desk.book, None, at(0)).owed, []);
}

#[test]
fn every_record_says_who_did_what_and_why() {
    let mut desk = desk();
    desk.now = HOUR;
    let oil = desk.raise(occurred("oil", 100, None), Terms::default());
    desk.acknowledge(oil, "Ada");
    desk.write("Ada", |planner| {
        planner.hand_desk_over("Ada", "Bo", "one oil cooler", "")
    })
    .0
    .unwrap();
    let book: Book = desk.rebuilt();
    let lines: Vec<(String, String, String)> = desk
        .entries
        .iter()
        .map(|bytes| {
            let record = LedgerRecord::from_bytes(bytes).unwrap();
            let line = audit(&record, &book);
            (record.by, line.what, line.why)
        })
        .collect();
    let of = |by: &str, what: &str, why: &str| (by.to_owned(), what.to_owned(), why.to_owned());
    assert_eq!(
        lines[1],
        of(
            "author",
            "made rule oil 0123456789abcdef live without a trial",
            "a test"
        )
    );
    let last = &lines[lines.len() - 4..];
    assert_eq!(
        last,
        [
            of("telemetry", "opened defect 1", ""),
            of("telemetry", "raised alert 1", ""),
            of("Ada", "took alert 1 on", "on it"),
            of(
                "Ada",
                "handed the desk over from Ada to Bo",
                "one oil cooler"
            ),
        ]
    );
    let raised = LedgerRecord::from_bytes(&desk.entries[5]).unwrap();
    let about = audit(&raised, &book).about;
    assert_eq!(
        (about.unit, about.defect),
        (Some(unit()), Some(DefectId(1)))
    );
    assert_eq!(about.rule, Some(RuleName::new("oil").unwrap()));
    // A merge is about both, and a time that nobody means is told all the same.
    desk.raise(occurred("fan", 100, None), Terms::default());
    let never = Plan {
        service_point: "Stenmoor".into(),
        at: Some(EventTime::from_unix_ms(i64::MIN)),
        ..Plan::default()
    };
    desk.write("Bo", |planner| {
        planner.plan(DefectId(1), Some(never), "", "").unwrap();
    });
    let last = |desk: &Desk| {
        let bytes = desk.entries.last().unwrap();
        audit(&LedgerRecord::from_bytes(bytes).unwrap(), &desk.book)
    };
    assert!(
        last(&desk)
            .what
            .starts_with("planned defect 1 at Stenmoor for ")
    );
    desk.write("Bo", |planner| {
        let merged = planner.merge(DefectId(2), DefectId(1), "one cause", "", "");
        merged.unwrap();
    });
    let about = last(&desk).about;
    assert_eq!(
        (about.defect, about.other_defect),
        (Some(DefectId(2)), Some(DefectId(1)))
    );
}
