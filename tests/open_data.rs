//! The promise: `rules replay` says of real recordings what their labels say, and what anyone finds who
//! computes the same windows by looking at every sample again for every tick. What is computed here
//! shares no code with the judge. `wheeltap send` to a service gives the same alerts.
//!
//! Windows, known inputs, runs and delays are those of the rule language's reference: (t - w, t], whole
//! steps of the channel's resolution summed exactly and divided once, known from half of the promised
//! samples on.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;
use wheeltap_tests::open_data::{Alert, Table, files, instant_ms, kept, recordings, replay};
use wheeltap_tests::{Service, wheeltap};

const PATIENCE: Duration = Duration::from_mins(3);
const S: i64 = 1_000;
const MIN: i64 = 60 * S;
const H: i64 = 60 * MIN;

/// One channel's samples in order of time; instants with two values are left out.
struct Channel {
    samples: Vec<(i64, f64)>,
    interval_ms: i64,
    /// Steps are 1 / this.
    steps_a_unit: f64,
}

impl Channel {
    fn new(times: &[i64], values: &[f64], interval_ms: i64, steps_a_unit: f64) -> Self {
        let mut by_time: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
        for (time, value) in times.iter().zip(values) {
            by_time.entry(*time).or_default().push(*value);
        }
        by_time.retain(|_, all| all.iter().all(|value| value.total_cmp(&all[0]).is_eq()));
        Self {
            samples: by_time.iter().map(|(time, all)| (*time, all[0])).collect(),
            interval_ms,
            steps_a_unit,
        }
    }

    fn within(&self, from_ms: i64, to_ms: i64) -> Vec<f64> {
        let inside = |(time, _): &&(i64, f64)| from_ms < *time && *time <= to_ms;
        let inside = self.samples.iter().filter(inside);
        inside.map(|(_, value)| *value).collect()
    }

    fn promised(&self, window_ms: i64) -> f64 {
        window_ms as f64 / self.interval_ms as f64
    }

    /// Whole steps below 2^53, so that no order of adding matters.
    fn steps(&self, values: &[f64]) -> f64 {
        let steps = values.iter().map(|value| value * self.steps_a_unit);
        steps.map(f64::round).sum()
    }

    /// The mean of (t - w, t], or `None` where too few samples are there.
    fn mean(&self, tick_ms: i64, window_ms: i64, share: f64) -> Option<f64> {
        let values = self.within(tick_ms - window_ms, tick_ms);
        let n = values.len() as f64;
        let known = n > 0.0 && n >= share * self.promised(window_ms);
        known.then(|| self.steps(&values) / (n * self.steps_a_unit))
    }

    fn span(&self) -> (i64, i64) {
        (self.samples[0].0, self.samples[self.samples.len() - 1].0)
    }
}

/// An input's name and its value.
type Input = (&'static str, f64);

/// What a rule says, written out.
struct Plain<'a> {
    rule: &'a str,
    tick_ms: i64,
    on_ms: i64,
    off_ms: i64,
    /// Unknown for longer than this ends a run.
    silent_ms: i64,
    /// What is seen at a tick, `None` when any input is not known.
    see: &'a dyn Fn(i64) -> Option<Vec<Input>>,
    raise: &'a dyn Fn(&[Input]) -> bool,
    clear: &'a dyn Fn(&[Input]) -> bool,
}

fn shown(seen: &[Input]) -> Value {
    seen.iter()
        .map(|(name, value)| ((*name).to_owned(), json!(value)))
        .collect()
}

impl Plain<'_> {
    /// Tick by tick from the first sample to before the last.
    fn alerts(&self, (first_ms, last_ms): (i64, i64)) -> Vec<Alert> {
        let mut alerts: Vec<Alert> = Vec::new();
        let mut run: Option<(i64, i64)> = None;
        let mut tick = first_ms + (-first_ms).rem_euclid(self.tick_ms);
        while tick < last_ms {
            let seen = (self.see)(tick);
            let standing = alerts.last().is_some_and(|last| last.ended_ms.is_none());
            let holds = seen.as_ref().map(|seen| {
                if standing {
                    !(self.raise)(seen) && (self.clear)(seen)
                } else {
                    (self.raise)(seen)
                }
            });
            match holds {
                Some(true) => run = Some((run.map_or(tick, |(since, _)| since), tick)),
                Some(false) => run = None,
                None => run = run.filter(|(_, last)| tick - last <= self.silent_ms),
            }
            let due = if standing { self.off_ms } else { self.on_ms };
            if let (Some(true), Some((since, _)), Some(seen)) = (holds, run, seen)
                && tick - since >= due
            {
                run = None;
                if let Some(last) = alerts.last_mut().filter(|_| standing) {
                    last.ended_ms = Some(tick);
                    last.end_evidence = shown(&seen);
                } else {
                    alerts.push(Alert {
                        rule: self.rule.to_owned(),
                        raised_ms: tick,
                        ended_ms: None,
                        evidence: shown(&seen),
                        end_evidence: Value::Null,
                    });
                }
            }
            tick += self.tick_ms;
        }
        alerts
    }
}

/// Alerts whose times, rule or evidence differ in any digit fail.
#[track_caller]
fn same(replayed: &[Alert], plain: &[Alert]) {
    assert!(!plain.is_empty(), "the recording holds none");
    assert_eq!(replayed, plain);
}

fn of<'a>(alerts: &'a [Alert], rule: &str) -> Vec<&'a Alert> {
    alerts.iter().filter(|alert| alert.rule == rule).collect()
}

const RIG_START: &str = "2026-01-01T00:00:00Z";

#[test]
fn the_rigs_cooler_is_called_as_labelled() {
    let Some(folder) = recordings("hydraulic-rig") else {
        return;
    };
    let file = folder.join("telemetry_1hz.csv.gz");
    let alerts = replay(
        "hydraulic-rig",
        "map.toml",
        &["cooler-failed", "oil-hot"],
        std::slice::from_ref(&file),
    );

    let start = instant_ms(RIG_START);
    let table = Table::read(&file, b',');
    let seconds = table.whole("t_s");
    let times: Vec<i64> = seconds.iter().map(|s| start + s * S).collect();
    let check = |rule: &str, input: &'static str, column: &str, steps: f64, raise, clear| {
        let raise: &dyn Fn(f64) -> bool = raise;
        let clear: &dyn Fn(f64) -> bool = clear;
        let channel = Channel::new(&times, &table.numbers(column), S, steps);
        let on_ms = if rule == "oil-hot" { 5 * MIN } else { 10 * MIN };
        let plain = Plain {
            rule,
            tick_ms: MIN,
            on_ms,
            off_ms: 5 * MIN,
            silent_ms: MIN,
            see: &|tick| Some(vec![(input, channel.mean(tick, 5 * MIN, 0.5)?)]),
            raise: &|seen| raise(seen[0].1),
            clear: &|seen| clear(seen[0].1),
        };
        let found: Vec<Alert> = of(&alerts, rule).into_iter().cloned().collect();
        same(&found, &plain.alerts(channel.span()));
        found
    };
    let failed = check(
        "cooler-failed",
        "efficiency",
        "CE",
        1_000.0,
        &|x| x < 23.0,
        &|x| x > 25.0,
    );
    let hot = check("oil-hot", "oil", "TS1", 10.0, &|x| x > 51.0, &|x| x < 49.0);

    // The labels: cycles of a minute; the cooler is at 3 % first, then at 20 %, then whole.
    let labels = Table::read(&folder.join("cycle_conditions.csv"), b',');
    let level = labels.numbers("cooler_condition_pct");
    let ends = labels.whole("end_s");
    let last_failed = level.iter().rposition(|level| *level < 4.0).unwrap();
    let block_end = start + (ends[last_failed] + 1) * S;
    for found in [failed, hot] {
        assert_eq!(found.len(), 1);
        assert!(found[0].raised_ms < block_end, "in the block at 3 %");
        // The next block begins hours later; the rig must have been seen in order again.
        let ended = found[0].ended_ms.unwrap();
        let next = level.iter().position(|level| *level > 4.0).unwrap();
        let next_start = start + labels.whole("start_s")[next] * S;
        assert!((next_start..next_start + 30 * MIN).contains(&ended));
    }
}

#[test]
fn the_machines_failures_are_found_in_their_windows() {
    let Some(folder) = recordings("machine-temperature") else {
        return;
    };
    let file = folder.join("machine_temperature_system_failure.csv");
    let rule = "machine-collapsed";
    let found = replay(
        "machine-temperature",
        "map.toml",
        &[rule],
        std::slice::from_ref(&file),
    );
    let table = Table::read(&file, b',');
    let celsius: Vec<f64> = table.numbers("value").iter().map(|f| celsius(*f)).collect();
    let machine = Channel::new(&table.instants("timestamp"), &celsius, 5 * MIN, 100_000.0);
    assert_eq!(
        machine.samples.len(),
        13_869 - 24,
        "twelve instants have two values each"
    );
    let plain = Plain {
        rule,
        tick_ms: 5 * MIN,
        on_ms: 0,
        off_ms: H,
        silent_ms: 50 * MIN,
        see: &|tick| Some(vec![("now", machine.mean(tick, 30 * MIN, 0.5)?)]),
        raise: &|seen| seen[0].1 < 5.0,
        clear: &|seen| seen[0].1 > 15.0,
    };
    same(&found, &plain.alerts(machine.span()));
}

/// Exact factors of UCUM: K = ([degF] + 459.67) 5/9.
fn celsius(fahrenheit: f64) -> f64 {
    (fahrenheit - 32.0) / 1.8
}

#[test]
fn the_air_leak_of_the_metro_is_called_within_half_an_hour() {
    let Some(folder) = recordings("metro-air-unit") else {
        return;
    };
    let rule = "compressor-oil-hot";
    let check = |file: &str| {
        let file = folder.join(file);
        let found = replay(
            "metro-air-unit",
            "map.toml",
            &[rule],
            std::slice::from_ref(&file),
        );
        let table = Table::read(&file, b',');
        let oil = Channel::new(
            &table.instants("timestamp"),
            &table.numbers("Oil_temperature"),
            10 * S,
            10.0,
        );
        let plain = Plain {
            rule,
            tick_ms: MIN,
            on_ms: 10 * MIN,
            off_ms: 10 * MIN,
            silent_ms: 100 * S,
            see: &|tick| Some(vec![("oil", oil.mean(tick, 10 * MIN, 0.5)?)]),
            raise: &|seen| seen[0].1 > 74.0,
            clear: &|seen| seen[0].1 < 68.0,
        };
        let plain = plain.alerts(oil.span());
        assert_eq!(found, plain, "{}", file.display());
        found
    };
    assert_eq!(check("metropt3_2020-02-01_00h_first1000.csv"), []);
    assert_eq!(check("metropt3_2020-02-05_10h_normal.csv"), []);
    let leak = check("metropt3_2020-04-18_12h_air_leak.csv");
    let first = instant_ms("2020-04-18T12:00:08Z");
    assert_eq!(leak.len(), 1);
    assert!(leak[0].raised_ms < first + 30 * MIN);
}

#[test]
fn the_cars_log_that_breaks_off_is_the_one_named_so() {
    let Some(folder) = recordings("vehicle-obd") else {
        return;
    };
    let rule = "logger-drops-out";
    let mut named = Vec::new();
    // The trip with the measuring fault and two without: every trip is replayed elsewhere.
    for part in ["Messfehler", "2017-07-14", "2018-02-26"] {
        let all = files(&folder, ".csv.gz");
        let file = all
            .into_iter()
            .find(|path| path.to_string_lossy().contains(part))
            .unwrap();
        let found = replay(
            "vehicle-obd",
            "map.toml",
            &[rule],
            std::slice::from_ref(&file),
        );
        let speed = answers(&file, "Engine RPM");
        let plain = Plain {
            rule,
            tick_ms: 10 * S,
            on_ms: 270 * S,
            off_ms: 5 * MIN,
            silent_ms: MIN,
            // Not tested with nothing heard, which ends no run sooner than silence does.
            see: &|tick| {
                let heard = speed.within(tick - 2 * MIN, tick).len() as f64;
                (heard > 0.0).then(|| vec![("heard", heard)])
            },
            raise: &|seen| seen[0].1 < 90.0,
            clear: &|seen| seen[0].1 > 110.0,
        };
        let plain = plain.alerts(span_of_log(&file));
        assert_eq!(found, plain, "{}", file.display());
        if !found.is_empty() {
            named.push(part);
        }
    }
    assert_eq!(named, ["Messfehler"]);
}

fn trip_times(file: &std::path::Path, table: &Table) -> Vec<i64> {
    let name = file.file_name().unwrap().to_string_lossy().into_owned();
    let date = &name[..10];
    let times = table.column("Time");
    times
        .map(|time| instant_ms(&format!("{date}T{time}")))
        .collect()
}

fn span_of_log(file: &std::path::Path) -> (i64, i64) {
    let times = trip_times(file, &Table::read(file, b','));
    (*times.iter().min().unwrap(), *times.iter().max().unwrap())
}

/// A column's answers: every line repeats the last, so that only a change, or a second passed, is one.
fn answers(file: &std::path::Path, column: &str) -> Channel {
    let table = Table::read(file, b',');
    let at = table
        .header
        .iter()
        .find(|name| name.starts_with(column))
        .unwrap();
    let times = trip_times(file, &table);
    let (mut taken_times, mut taken) = (Vec::new(), Vec::new());
    let mut last: Option<(i64, f64)> = None;
    for (time, cell) in times.iter().zip(table.column(at)) {
        let Ok(value) = cell.parse::<f64>() else {
            continue;
        };
        let repeats = last.is_some_and(|(at, old)| {
            old.total_cmp(&value).is_eq() && (0..S).contains(&(time - at))
        });
        if !repeats {
            last = Some((*time, value));
            taken_times.push(*time);
            taken.push(value);
        }
    }
    Channel::new(&taken_times, &taken, S, 10.0)
}

/// The pump against its own first 400 s: the usual flow by hand, as the plain mean of all rows.
#[test]
fn the_pumps_flow_below_its_usual_is_found_by_hand() {
    let Some(folder) = recordings("pump-testbed") else {
        return;
    };
    let rule = "flow-below-usual";
    for (part, least) in [("valve1/3", 1), ("valve2/1", 1), ("other/8", 0)] {
        let file = folder.join(format!("{part}.csv.gz"));
        let found = replay(
            "pump-testbed",
            "map.toml",
            &[rule],
            std::slice::from_ref(&file),
        );
        let table = Table::read(&file, b';');
        let flow = Channel::new(
            &table.instants("datetime"),
            &table.numbers("Volume Flow RateRMS"),
            S,
            10_000.0,
        );
        let window = 20 * S;
        // From the second before the first sample on.
        let (start, end) = (flow.span().0 - S, flow.span().0 - S + 400 * S);
        let ticks = (start + window..=end).step_by(1_000);
        let rows: Vec<f64> = ticks
            .filter_map(|tick| flow.mean(tick, window, 0.5))
            .collect();
        let usual = rows.iter().sum::<f64>() / rows.len() as f64;
        let plain = Plain {
            rule,
            tick_ms: S,
            on_ms: 5 * S,
            off_ms: 5 * S,
            silent_ms: MIN,
            see: &|tick| {
                let now = flow.mean(tick, window, 0.5)?;
                (tick > end).then(|| vec![("now", now), ("usual", usual)])
            },
            raise: &|seen| seen[0].1 < 0.988 * seen[1].1,
            clear: &|seen| seen[0].1 > 0.99 * seen[1].1,
        };
        // The usual value is a sum of rounded numbers, in another order here; all else is exact.
        let rounded = |mut alerts: Vec<Alert>| {
            for seen in alerts
                .iter_mut()
                .flat_map(|alert| [&mut alert.evidence, &mut alert.end_evidence])
            {
                if let Some(usual) = seen.get_mut("usual") {
                    let value = usual.as_f64().unwrap();
                    *usual = json!((value * 1e9).round() / 1e9);
                }
            }
            alerts
        };
        let (found, plain) = (rounded(found), rounded(plain.alerts(flow.span())));
        assert_eq!(found, plain, "{part}");
        assert!(found.len() >= least, "{part}");
        // Each fault that takes flow away is called while it lasts.
        let events = Table::read(&folder.join("events.csv"), b',');
        let row = events.column("file").position(|name| name == part).unwrap();
        let [from, to] = ["start", "end"].map(|name| events.instants(name)[row]);
        let called = found
            .iter()
            .filter(|alert| (from..=to).contains(&alert.raised_ms));
        assert!(called.count() >= least, "{part}");
    }
}

/// The machine's recording sent to a service of its own, as a unit's gateway would.
#[test]
fn what_is_sent_is_judged_as_replayed() {
    let Some(folder) = recordings("machine-temperature") else {
        return;
    };
    let file = folder.join("machine_temperature_system_failure.csv");
    let replayed = replay(
        "machine-temperature",
        "map.toml",
        &[],
        std::slice::from_ref(&file),
    );
    assert!(replayed.len() >= 2 && replayed.iter().all(|alert| alert.ended_ms.is_some()));

    let site = tempfile::tempdir().unwrap();
    let path = |name: &str| site.path().join(name);
    fs::write(
        path("roster.toml"),
        "[[unit]]\nid = \"machine 1\"\nclass = \"Machine\"\n",
    )
    .unwrap();
    let class = "[[class]]\nname = \"Machine\"\ntitle = \"A machine that stands still\"\n";
    fs::write(path("classes.toml"), class).unwrap();
    let quoted = |path: PathBuf| json!(path.canonicalize().unwrap()).to_string();
    let settings = format!(
        "data = \"data\"\nroster = \"roster.toml\"\ncatalogue = [\"classes.toml\", {}]\nrules = {}\n",
        quoted(kept("machine-temperature", "catalogue.toml")),
        quoted(kept("machine-temperature", "rules")),
    );
    fs::write(path("wheeltap.toml"), settings).unwrap();
    let mut serve = Command::new(wheeltap());
    serve
        .args(["serve", "--listen", "127.0.0.1:0", "--config"])
        .arg(path("wheeltap.toml"));
    let service = Service::start(serve).unwrap();
    let run = |words: &[&str]| {
        let mut command = Command::new(wheeltap());
        command
            .current_dir(site.path())
            .args(words)
            .args(["--server", service.address()]);
        command
    };
    let done = |words: &[&str]| {
        let output = run(words).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{words:?}: {said}");
        String::from_utf8(output.stdout).unwrap()
    };
    // A watch from before anything was sent.
    done(&["watch", "--catch-up", "--cursor-file", "start"]);
    let cursor = fs::read_to_string(path("start")).unwrap();
    let map = kept("machine-temperature", "map.toml");
    done(&[
        "send",
        "--map",
        &map.to_string_lossy(),
        &file.to_string_lossy(),
    ]);
    let mut watch = run(&["watch", "--json", "--cursor", cursor.trim()])
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let lines = BufReader::new(watch.stdout.take().unwrap()).lines();
    let (over, is_over) = mpsc::channel::<()>();
    let patience = thread::spawn(move || {
        // Ends the lines, and so the test, should the alerts never come.
        let _ = is_over.recv_timeout(PATIENCE);
        watch.kill().unwrap();
        watch.wait().unwrap();
    });
    let mut live = Vec::new();
    // With each change that is told, once more what there is.
    for line in lines {
        line.unwrap();
        let listed = done(&["alerts", "--json"]);
        live = listed.lines().map(Alert::parse).collect();
        live.sort_by(|a: &Alert, b| (a.raised_ms, &a.rule).cmp(&(b.raised_ms, &b.rule)));
        if live == replayed {
            break;
        }
    }
    over.send(()).unwrap_or_default();
    patience.join().unwrap();
    assert_eq!(live, replayed);
}
