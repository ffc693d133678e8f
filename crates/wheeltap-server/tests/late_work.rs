//! Late work beside live work misses nothing, and a restart judges no more again than it must.

#![allow(
    clippy::unwrap_used,
    reason = "a test that cannot go on says so by a panic"
)]

mod judged;

use judged::{Answer, LEVEL, MIN, Service, T0, at, batch, folder, level};
use wheeltap_model::UnitId;

/// Judged once an hour, so that much of the newest data is not judged yet.
const HOURLY: &str = r#"
fn about() { #{
    title: "Level too high", system: "test", component: "level", priority: "high",
    tick: "1 h", on_delay: "1 h", off_delay: "1 h",
    cause: "a test", consequence: "none", action: "look", respond_within: "4 h",
} }
fn reads() { #{ level: max("test.level", "2 h") } }
fn raise(seen) { seen.level > 10.0 }
"#;

// Work goes over 0:30 to 4:50 in pieces of 2 h; what comes for 4:10 after it has read up to 4:30 is not
// late to the live judge, whose last tick is 4:00.
#[test]
fn what_late_work_has_passed_by_is_not_lost() {
    let rules = folder(&[("hourly", HOURLY)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    service.send(batch(&level(31..250, 5.0), &[], &[]), true);
    service.send(batch(&level(256..290, 5.0), &[], &[]), true);
    service.idle();

    let gate = &service.killable.clone().gate;
    gate.shut(Answer::Samples, at(T0 + 150 * MIN));
    service.send(batch(&level(30..31, 5.0), &[], &[]), true);
    gate.is_reached();
    service.send(batch(&level(250..256, 20.0), &[], &[]), true);
    gate.open();
    service.idle();
    service.send(batch(&level(290..370, 5.0), &[], &[]), true);
    service.idle();

    let law: Vec<String> = service.law().into_iter().collect();
    assert_eq!(law.len(), 1, "{law:#?}");
    assert!(law[0].contains(" 2026-01-01T06:00:00Z "), "{law:#?}");
    service.judging.stop();
}

/// More of them than there are judging threads, so that some wait for others.
fn units() -> Vec<UnitId> {
    let n_threads = std::thread::available_parallelism().map_or(2, |n_cores| n_cores.get().max(2));
    (0..=2 * n_threads)
        .map(|number| UnitId::new(&format!("ZVR {}", 5000 + number)).unwrap())
        .collect()
}

/// Nothing was read but what is in the windows of the newest checkpoint and later.
fn assert_read_from(service: &Service, minute: i64) {
    let read_from = service.killable.read_from.lock().unwrap();
    for unit in units() {
        let from = (read_from[&unit].unix_ms() - T0) / MIN;
        assert!(from >= minute, "{unit} was read from minute {from} on");
    }
}

#[test]
fn a_restart_judges_from_the_newest_checkpoint_on_though_units_send_meanwhile() {
    let rules = folder(&[("level", LEVEL)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    for unit in units() {
        service.create(&unit);
        service.send_of(&unit, batch(&level(0..230, 5.0), &[], &[]), true);
    }
    service.idle();
    for minute in [230, 240] {
        // The first time after a clean end, then after a kill.
        let mut next = service.restarted_before(minute == 240, Answer::Sources);
        next.killable.gate.is_reached();
        for unit in units() {
            let alarming = batch(&level(minute..minute + 10, 20.0), &[], &[]);
            next.send_of(&unit, alarming, true);
        }
        next.killable.gate.open();
        next.idle();
        assert_read_from(&next, minute - 5 - 60 * (minute / 240));
        for unit in units() {
            assert_eq!(next.law_of(&unit).len(), 1, "{unit}");
        }
        service = next;
    }
    service.judging.stop();
}

#[test]
fn a_batch_in_quarantine_does_not_make_a_restart_judge_everything() {
    let rules = folder(&[("level", LEVEL)]);
    let mut service = Service::new(Some(rules.path().to_owned()));
    for unit in units() {
        service.create(&unit);
        // The first that is heard of it, and one more.
        service.set_aside(&unit);
        service.idle();
        service.send_of(&unit, batch(&level(0..230, 5.0), &[], &[]), true);
        service.set_aside(&unit);
    }
    service.idle();
    let mut service = service.restarted(false);
    service.idle();
    assert_read_from(&service, 225);
    // Killed, it was written with the next commit.
    for unit in units() {
        service.set_aside(&unit);
    }
    service.idle();
    let service = service.restarted(true);
    service.idle();
    assert_read_from(&service, 225);
    service.judging.stop();
}
