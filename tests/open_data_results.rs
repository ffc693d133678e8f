//! What the rules of `tests/open-data` find in the recordings, counted against their labels, as
//! `tests/open-data/RESULTS.md` has it. `WHEELTAP_WRITE=1 cargo test -p wheeltap-tests --test
//! open_data_results` writes that file anew; without it a number that changed fails.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::Arc;
use wheeltap_catalogue::{BoundMap, Catalogue, CsvMap};
use wheeltap_judge::{EffectiveRule, UnitContext, UnitData, UnitPlan, replay_unit};
use wheeltap_model::{ChannelId, EventTime, Sample, Series, UnitId};
use wheeltap_rules::{Environment, compile};
use wheeltap_tests::open_data::{Table, files, instant_ms, kept, recordings, root};

const S: i64 = 1_000;
const H: i64 = 3_600_000;

/// A rule's name and text.
type Rules = Vec<(String, String)>;

/// One alert: rule, raised, ended or the end of time.
type Span = (String, i64, i64);

/// The rules kept for a set.
fn rules(set: &str) -> Rules {
    let paths = files(&kept(set, "rules"), ".rhai").into_iter();
    let named = paths.map(|path| {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        (name, fs::read_to_string(&path).unwrap())
    });
    named.collect()
}

/// The same with another number in one rule; the text must be there.
fn with(rules: &Rules, rule: &str, changes: &[(&str, String)]) -> Rules {
    let mut rules = rules.clone();
    let (_, text) = rules.iter_mut().find(|(name, _)| name == rule).unwrap();
    for (old, new) in changes {
        assert!(text.contains(old), "{rule} has no {old}");
        *text = text.replace(old, new);
    }
    rules
}

/// One recording, read once.
struct Recording {
    map: BoundMap,
    unit: UnitId,
    data: UnitData,
}

impl Recording {
    fn read(set: &str, map: &str, paths: &[PathBuf]) -> Self {
        let map = CsvMap::load(&kept(set, map)).and_then(|map| map.bind(&Catalogue::builtin()));
        let map = map.unwrap_or_else(|problems| panic!("{problems:#?}"));
        let mut samples: BTreeMap<ChannelId, Vec<Sample>> = BTreeMap::new();
        for path in paths {
            let file = File::open(path).unwrap();
            let read = map.read(&path.display().to_string(), file, &mut |row| {
                for &(channel, value, quality) in row.samples {
                    samples.entry(channel).or_default().push(Sample {
                        time: row.time,
                        value,
                        quality,
                    });
                }
                ControlFlow::Continue(())
            });
            read.unwrap_or_else(|problem| panic!("{problem}"));
        }
        let series = samples.into_iter();
        Self {
            unit: map.unit().unwrap().clone(),
            map,
            data: UnitData {
                series: series
                    .map(|(channel, samples)| (channel, Series::from_samples(samples)))
                    .collect(),
                events: vec![],
            },
        }
    }

    /// The alerts of these rules, as `rules replay` gives them.
    fn alerts(&self, rules: &Rules) -> Vec<Span> {
        let env = Environment::new(self.map.catalogue());
        let rules: Vec<EffectiveRule> = rules
            .iter()
            .map(|(name, text)| {
                let rule = compile(name, text, &env);
                EffectiveRule::always(Arc::new(rule.unwrap_or_else(|all| panic!("{}", all[0]))))
            })
            .collect();
        let plan = UnitPlan::new(
            &rules,
            &self.unit,
            self.map.class(),
            None,
            self.map.catalogue(),
        );
        let context = Arc::new(UnitContext::default());
        let judged = replay_unit(Arc::new(plan), context, &self.data);
        let spans = judged.occurrences().into_iter().map(|o| {
            let ended = o.ended_at.map_or(i64::MAX, EventTime::unix_ms);
            (o.rule.name.to_string(), o.raised_at.unix_ms(), ended)
        });
        spans.collect()
    }
}

fn stands(alerts: &[Span], rule: &str, at_ms: i64) -> bool {
    let of = alerts.iter().filter(|(name, ..)| name == rule);
    of.clone()
        .any(|(_, from, to)| *from <= at_ms && at_ms < *to)
}

/// Rows counted against a label.
#[derive(Clone, Copy, Default)]
struct Counts {
    found: u32,
    false_alarms: u32,
    missed: u32,
    quiet: u32,
}

impl Counts {
    fn add(&mut self, labelled: bool, alerted: bool) {
        let slot = match (labelled, alerted) {
            (true, true) => &mut self.found,
            (false, true) => &mut self.false_alarms,
            (true, false) => &mut self.missed,
            (false, false) => &mut self.quiet,
        };
        *slot += 1;
    }

    fn sum<'a>(all: impl IntoIterator<Item = &'a Self>) -> Self {
        let mut sum = Self::default();
        for one in all {
            sum.found += one.found;
            sum.false_alarms += one.false_alarms;
            sum.missed += one.missed;
            sum.quiet += one.quiet;
        }
        sum
    }

    fn f1(self) -> f64 {
        let twice = 2.0 * f64::from(self.found);
        twice / (twice + f64::from(self.false_alarms) + f64::from(self.missed))
    }

    fn cells(self) -> String {
        let share =
            |part: u32, rest: u32| 100.0 * f64::from(part) / f64::from((part + rest).max(1));
        format!(
            "{:.3} | {:.1} % | {:.1} %",
            self.f1(),
            share(self.false_alarms, self.quiet),
            share(self.missed, self.found)
        )
    }
}

const PUMP: &str = "pump-testbed";

/// One experiment with its labels by row.
struct Experiment {
    name: String,
    recording: Recording,
    labels: Vec<(i64, bool)>,
}

impl Experiment {
    /// Every row counts, as in the benchmark; `skip` leaves the first ones out.
    fn count(&self, rules: &Rules, skip: usize) -> Counts {
        let alerts = self.recording.alerts(rules);
        let mut counts = Counts::default();
        for (at_ms, label) in self.labels.iter().skip(skip) {
            let alerted = alerts
                .iter()
                .any(|(_, from, to)| from <= at_ms && at_ms < to);
            counts.add(*label, alerted);
        }
        counts
    }

    /// The kind of fault, by which experiments are held out together.
    fn kind(&self) -> &'static str {
        match self.name.as_str() {
            name if name.starts_with("valve1") => "valve at the inlet",
            name if name.starts_with("valve2") => "valve at the outlet",
            "other/1" | "other/2" => "leaks",
            _ => "rotor",
        }
    }
}

/// T-squared and Q of all eight channels with one limit for both, for comparison.
fn unlike_itself(limit: u32) -> Rules {
    let map = "#{ channels: [\"pump.vibration.1\", \"pump.vibration.2\", \"motor.current\", \
               \"loop.pressure\", \"motor.temperature\", \"loop.temperature\", \
               \"motor.voltage\", \"loop.flow\"], window: \"20 s\", healthy: first(\"400 s\") }";
    let text = format!(
        "fn about() {{ #{{ title: \"Unlike itself\", system: \"coolant\", component: \"pump\", \
         priority: \"low\", tick: \"1 s\", cause: \"c\", consequence: \"c\", action: \"a\", \
         respond_within: \"1 d\" }} }}\nfn reads() {{ #{{ t: t_squared({map}), q: q({map}) }} }}\n\
         fn raise(seen) {{ seen.t > {limit}.0 || seen.q > {limit}.0 }}\n"
    );
    vec![("unlike-itself.rhai".to_owned(), text)]
}

fn experiments() -> Vec<Experiment> {
    let folder = recordings(PUMP).unwrap();
    let mut experiments = Vec::new();
    for path in files(&folder, ".csv.gz") {
        let name = path.strip_prefix(&folder).unwrap().display().to_string();
        let name = name.trim_end_matches(".csv.gz").to_owned();
        let table = Table::read(&path, b';');
        let times = table.instants("datetime");
        let labels = if table.header.iter().any(|name| name == "anomaly") {
            table
                .numbers("anomaly")
                .iter()
                .map(|label| *label > 0.5)
                .collect()
        } else {
            vec![false; times.len()]
        };
        experiments.push(Experiment {
            name,
            recording: Recording::read(PUMP, "map.toml", &[path]),
            labels: times.into_iter().zip(labels).collect(),
        });
    }
    experiments
}

/// The limits from which the two rules' were chosen: flow under which to raise, vibration apart.
fn candidates(shipped: &Rules) -> Vec<(String, Rules)> {
    let mut all = Vec::new();
    for flow in [0.992, 0.99, 0.988, 0.985, 0.982] {
        for vibration in [0.06, 0.1, 0.15] {
            let clear = flow + 0.002;
            let calm = 0.7 * vibration;
            let flows = [
                ("0.988 *", format!("{flow:?} *")),
                ("0.99 *", format!("{clear:.3} *")),
            ];
            let shakes = [
                (", 0.1)", format!(", {vibration:?})")),
                (", 0.07)", format!(", {calm:.3})")),
            ];
            let rules = with(shipped, "flow-below-usual.rhai", &flows);
            let rules = with(&rules, "vibration-off-usual.rhai", &shakes);
            all.push((format!("flow {flow}, vibration {vibration}"), rules));
        }
    }
    all
}

/// Chooses the limits on the other experiments and scores these; summed over all held out.
fn held_out(
    experiments: &[&Experiment],
    scores: &[(String, Vec<Counts>)],
    fold: &dyn Fn(&Experiment) -> String,
) -> (Counts, Vec<String>) {
    let mut folds: Vec<String> = experiments.iter().map(|one| fold(one)).collect();
    folds.sort();
    folds.dedup();
    let (mut sum, mut told) = (Vec::new(), Vec::new());
    for held in folds {
        let of = |counts: &[Counts], inside: bool| {
            let chosen = experiments.iter().zip(counts);
            let chosen = chosen.filter(|(one, _)| (fold(one) == held) == inside);
            Counts::sum(chosen.map(|(_, counts)| counts))
        };
        let best = scores
            .iter()
            .max_by(|a, b| of(&a.1, false).f1().total_cmp(&of(&b.1, false).f1()))
            .unwrap();
        let counts = of(&best.1, true);
        told.push(format!("| {held} | {} | {} |", best.0, counts.cells()));
        sum.push(counts);
    }
    (Counts::sum(&sum), told)
}

fn pump(out: &mut String) {
    let all = experiments();
    let shipped = rules(PUMP);
    let labelled: Vec<&Experiment> = all
        .iter()
        .filter(|one| one.name != "anomaly-free/anomaly-free")
        .collect();
    assert_eq!(labelled.len(), 17);
    writeln!(out, "## Pump testbed, row by row\n").unwrap();
    writeln!(
        out,
        "17 experiments with a fault each. A row counts as alerted while any alert stands; all rows count, as in the \
         set's own benchmark. The rules compare with the run's first 400 s.\n\n\
         | rules | F1 | false alarms, of rows in order | missed, of rows at fault |\n|---|---|---|---|"
    )
    .unwrap();
    let count = |rules: &Rules, skip: usize| -> Vec<Counts> {
        labelled.iter().map(|one| one.count(rules, skip)).collect()
    };
    let own = count(&shipped, 0);
    let total = Counts::sum(&own);
    writeln!(out, "| as shipped | {} |", total.cells()).unwrap();
    let later = Counts::sum(&count(&shipped, 400));
    writeln!(
        out,
        "| as shipped, first 400 rows left out | {} |",
        later.cells()
    )
    .unwrap();
    let scores: Vec<(String, Vec<Counts>)> = candidates(&shipped)
        .into_iter()
        .map(|(name, rules)| (name, count(&rules, 0)))
        .collect();
    let (by_file, _) = held_out(&labelled, &scores, &|one| one.name.clone());
    writeln!(
        out,
        "| limits chosen on 16 files, scored on the 17th | {} |",
        by_file.cells()
    )
    .unwrap();
    let (by_kind, told) = held_out(&labelled, &scores, &|one| one.kind().to_owned());
    writeln!(
        out,
        "| limits chosen on all other kinds of fault | {} |",
        by_kind.cells()
    )
    .unwrap();
    for limit in [20, 40, 80] {
        let counts = Counts::sum(&count(&unlike_itself(limit), 0));
        writeln!(
            out,
            "| for comparison: T-squared and Q of all channels, limit {limit} | {} |",
            counts.cells()
        )
        .unwrap();
    }
    writeln!(
        out,
        "\n| kind held out | limits chosen on the rest | F1 | false alarms | missed |\n|---|---|---|---|---|\n{}",
        told.join("\n")
    )
    .unwrap();
    writeln!(
        out,
        "\n| experiment | rows at fault found | missed | rows in order alerted |\n|---|---|---|---|"
    )
    .unwrap();
    for (one, counts) in labelled.iter().zip(&own) {
        writeln!(
            out,
            "| {} | {} | {} | {} |",
            one.name, counts.found, counts.missed, counts.false_alarms
        )
        .unwrap();
    }
    let free = all
        .iter()
        .find(|one| one.name.starts_with("anomaly-free"))
        .unwrap();
    let counts = free.count(&shipped, 0);
    let n_alerts = free.recording.alerts(&shipped).len();
    writeln!(
        out,
        "\nThe recording without a fault, {} rows (572 of them are also in other/5): {n_alerts} alerts over {} rows.\n",
        free.labels.len(),
        counts.false_alarms
    )
    .unwrap();
    assert!(total.f1() > 0.8, "{}", total.f1());
    assert!(by_file.f1() > 0.8, "{}", by_file.f1());
}

#[expect(clippy::too_many_lines, reason = "one page of the results")]
fn rig(out: &mut String) {
    let set = "hydraulic-rig";
    let folder = recordings(set).unwrap();
    let paths = [
        "telemetry_1hz.csv.gz",
        "pressures_flows_power_1s_means.csv.gz",
    ];
    let recording = Recording::read(set, "map.toml", &paths.map(|name| folder.join(name)));
    let labels = Table::read(&folder.join("cycle_conditions.csv"), b',');
    let column = |name: &str| labels.whole(name);
    let [cooler, leakage, unstable, ends] = [
        "cooler_condition_pct",
        "pump_leakage",
        "not_yet_stable",
        "end_s",
    ]
    .map(column);
    let start = instant_ms("2026-01-01T00:00:00Z");
    // A row a cycle of the recording; the condition at its last second.
    let heard: Vec<usize> = (0..ends.len()).collect();
    let at = |cycle: usize| start + ends[cycle] * S;
    let alerts = recording.alerts(&rules(set));
    let told = |cycle: usize| {
        if stands(&alerts, "cooler-failed", at(cycle)) {
            3
        } else if stands(&alerts, "cooler-weak", at(cycle)) {
            20
        } else {
            100
        }
    };
    writeln!(
        out,
        "## Hydraulic rig, cycle by cycle\n\nThe condition called at the last second of each cycle of a minute, {} cycles, {} of them stable.\n\n\
         | what | stable cycles right | all cycles right |\n|---|---|---|",
        heard.len(),
        heard.iter().filter(|cycle| unstable[**cycle] == 0).count()
    )
    .unwrap();
    let mut row = |what: &str, right: &dyn Fn(usize) -> bool| -> usize {
        let score = |only_stable: bool| {
            let of: Vec<&usize> = heard
                .iter()
                .filter(|cycle| !only_stable || unstable[**cycle] == 0)
                .collect();
            let n_right = of.iter().filter(|cycle| right(***cycle)).count();
            (n_right, of.len())
        };
        let ((stable, n_stable), (every, n_every)) = (score(true), score(false));
        writeln!(
            out,
            "| {what} | {stable} of {n_stable} | {every} of {n_every} |"
        )
        .unwrap();
        n_stable - stable
    };
    let wrong = row("cooler at 3, 20 or 100 %", &|cycle| {
        told(cycle) == cooler[cycle]
    });
    assert_eq!(wrong, 0, "cooler levels are told apart");
    let leaks = |cycle: usize| leakage[cycle] > 0;
    for (what, names) in [
        (
            "pump leaks, by its efficiency",
            &["pump-efficiency-lost"][..],
        ),
        ("pump leaks, by its flow", &["pump-flow-low"]),
        (
            "pump leaks, by either",
            &["pump-efficiency-lost", "pump-flow-low"],
        ),
    ] {
        let wrong = row(what, &|cycle| {
            leaks(cycle) == names.iter().any(|name| stands(&alerts, name, at(cycle)))
        });
        assert!(wrong * 20 <= 720, "{what}: {wrong} of 720 are wrong");
    }
    writeln!(out, "\nLimits chosen at two cooler levels and scored at the third, stable cycles:\n\n| rule | level held out | limit chosen | right |\n|---|---|---|---|").unwrap();
    let shipped = rules(set);
    for (rule, limits) in [
        (
            "pump-efficiency-lost",
            ("67.5", [66.5, 67.0, 67.5, 68.0, 68.5]),
        ),
        ("pump-flow-low", ("7.65", [7.61, 7.63, 7.65, 7.67, 7.69])),
    ] {
        let file = format!("{rule}.rhai");
        let scores: Vec<(f64, Vec<(i64, bool)>)> = limits
            .1
            .iter()
            .map(|limit| {
                let rules = with(&shipped, &file, &[(limits.0, format!("{limit:?}"))]);
                let alerts = recording.alerts(&rules);
                let stable = heard.iter().filter(|cycle| unstable[**cycle] == 0);
                let right = stable.map(|cycle| {
                    (
                        cooler[*cycle],
                        leaks(*cycle) == stands(&alerts, rule, at(*cycle)),
                    )
                });
                (*limit, right.collect())
            })
            .collect();
        for level in [3, 20, 100] {
            let n_right = |right: &[(i64, bool)], inside: bool| {
                let of: Vec<&(i64, bool)> = right
                    .iter()
                    .filter(|(own, _)| (*own == level) == inside)
                    .collect();
                (of.iter().filter(|(_, right)| *right).count(), of.len())
            };
            // Of equally good ones the middle one.
            let best = scores
                .iter()
                .map(|(_, right)| n_right(right, false).0)
                .max()
                .unwrap();
            let good: Vec<&(f64, Vec<(i64, bool)>)> = scores
                .iter()
                .filter(|(_, right)| n_right(right, false).0 == best)
                .collect();
            let (limit, right) = good[good.len() / 2];
            let (right, of) = n_right(right, true);
            writeln!(out, "| {rule} | {level} % | {limit} | {right} of {of} |").unwrap();
        }
    }
    writeln!(out).unwrap();
}

/// Anomaly windows of one file of the set.
fn windows(file: &str) -> Vec<(i64, i64)> {
    let folder = recordings("machine-temperature").unwrap();
    let labels: Value =
        serde_json::from_str(&fs::read_to_string(folder.join("labels.json")).unwrap()).unwrap();
    let windows = labels["windows"][format!("realKnownCause/{file}")]
        .as_array()
        .unwrap()
        .iter();
    let time = |value: &Value| instant_ms(value.as_str().unwrap());
    windows
        .map(|window| (time(&window[0]), time(&window[1])))
        .collect()
}

fn machine(out: &mut String) {
    let set = "machine-temperature";
    let folder = recordings(set).unwrap();
    writeln!(out, "## Machine and office temperature\n\nA window is found when an alert is raised inside it; every other alert is false.\n\n\
        | recording | days | windows found | false alerts | hours from the window's start to the first alert |\n|---|---|---|---|---|").unwrap();
    for (file, map) in [
        ("machine_temperature_system_failure.csv", "map.toml"),
        ("ambient_temperature_system_failure.csv", "ambient.toml"),
    ] {
        let path = folder.join(file);
        let times = Table::read(&path, b',').instants("timestamp");
        let days = (times.iter().max().unwrap() - times.iter().min().unwrap()) / (24 * H);
        let alerts = Recording::read(set, map, &[path]).alerts(&rules(set));
        let windows = windows(file);
        let within = |at: i64| windows.iter().any(|(from, to)| (*from..=*to).contains(&at));
        let first = windows.iter().map(|(from, to)| {
            let inside = alerts
                .iter()
                .filter(|(_, at, _)| (*from..=*to).contains(at));
            inside.map(|(_, at, _)| (at - from) / H).min()
        });
        let first: Vec<Option<i64>> = first.collect();
        let found = first.iter().flatten().count();
        let n_false = alerts.iter().filter(|(_, at, _)| !within(*at)).count();
        let hours: Vec<String> = first.iter().flatten().map(ToString::to_string).collect();
        writeln!(
            out,
            "| {file} | {days} | {found} of {} | {n_false} | {} |",
            windows.len(),
            hours.join(", ")
        )
        .unwrap();
        assert_eq!(found, windows.len(), "{file}");
        assert!(
            i64::try_from(n_false).unwrap() * 30 <= days,
            "{file}: {n_false} false alerts"
        );
    }
    writeln!(out).unwrap();
}

fn metro(out: &mut String) {
    let set = "metro-air-unit";
    let folder = recordings(set).unwrap();
    writeln!(
        out,
        "## Air unit of a metro train\n\n| recording | what it holds | alerts |\n|---|---|---|"
    )
    .unwrap();
    for (file, map, what, expected) in [
        (
            "metropt3_2020-02-01_00h_first1000.csv",
            "map.toml",
            "in order",
            false,
        ),
        (
            "metropt3_2020-02-05_10h_normal.csv",
            "map.toml",
            "in order",
            false,
        ),
        (
            "metropt3_2020-04-18_12h_air_leak.csv",
            "map.toml",
            "air leak",
            true,
        ),
        (
            "metropt_2022-01-01_06h_first1000_1hz.csv",
            "one-second.toml",
            "parked, in order",
            false,
        ),
        (
            "metropt3_daily_means.csv",
            "daily.toml",
            "air leaks of 18 April and 29 May",
            true,
        ),
    ] {
        let alerts = Recording::read(set, map, &[folder.join(file)]).alerts(&rules(set));
        assert_eq!(!alerts.is_empty(), expected, "{file}");
        let told = alerts
            .iter()
            .map(|(rule, from, _)| format!("{rule} at {}", EventTime::from_unix_ms(*from)));
        let told: Vec<String> = told.collect();
        let told = if told.is_empty() {
            "none".to_owned()
        } else {
            told.join(", ")
        };
        writeln!(out, "| {file} | {what} | {told} |").unwrap();
    }
    writeln!(
        out,
        "\nThe daily rule on the dryer's pressure drop rings on the first reported leak's day and on 20 May, which no \
         report names; the weekly one on oil temperature rings on 6 March, which no report names, and from 22 May on, a \
         week before the second report.\n"
    )
    .unwrap();
}

fn car(out: &mut String) {
    let set = "vehicle-obd";
    let folder = recordings(set).unwrap();
    writeln!(out, "## Road car\n\nThe names of the files are the only labels: one trip has a measuring fault, one an emergency stop.\n\n| trip | alerts |\n|---|---|").unwrap();
    let mut quiet = 0;
    for path in files(&folder, ".csv.gz") {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        let alerts = Recording::read(set, "map.toml", &[path]).alerts(&rules(set));
        let labelled = name.contains("Messfehler") || name.contains("Vollbremsung");
        assert_eq!(!alerts.is_empty(), labelled, "{name}: {alerts:?}");
        if alerts.is_empty() {
            quiet += 1;
            continue;
        }
        let told: Vec<&str> = alerts.iter().map(|(rule, ..)| rule.as_str()).collect();
        writeln!(
            out,
            "| {} | {} |",
            name.trim_end_matches(".csv.gz"),
            told.join(", ")
        )
        .unwrap();
    }
    writeln!(out, "| {quiet} others | none |").unwrap();
}

#[test]
fn the_committed_results_are_what_the_rules_find() {
    if recordings(PUMP).is_none() {
        return;
    }
    let mut out = String::from(
        "# What the rules find in the open data\n\n\
         Made by `WHEELTAP_WRITE=1 cargo test -p wheeltap-tests --test open_data_results`; the same test without\n\
         the variable keeps this copy true. The recordings and their labels are described in their own folder. Rules and\n\
         limits were written on these recordings, so the held-out rows say more than the others.\n\n",
    );
    pump(&mut out);
    rig(&mut out);
    machine(&mut out);
    metro(&mut out);
    car(&mut out);
    let path = root().join("tests/open-data/RESULTS.md");
    if std::env::var_os("WHEELTAP_WRITE").is_some() {
        fs::write(&path, &out).unwrap();
    }
    let committed = fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(committed, out, "write RESULTS.md anew");
}
