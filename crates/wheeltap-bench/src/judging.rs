//! What live judging costs a sample: 200 rules on one class, windows of 5 min, 1 h and 24 h.
//!
//! Drives the judge itself as the service's threads do: a batch of one unit is fed, then the unit is
//! judged, unit after unit, so that no unit's state stays in the nearest cache by courtesy of the
//! bench. Windows are filled before anything is timed. Making the batches is not timed.

use crate::child::own_usage;
use anyhow::Context;
use std::fmt::Write as _;
use std::sync::Arc;
use std::time::{Duration, Instant};
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{EffectiveRule, Judgement, UnitContext, UnitJudge, UnitPlan};
use wheeltap_model::{
    Batch, ChannelId, ChannelName, ClassName, Column, ConsistPosition, ConsistRole, Dated,
    EventTime, UnitId, UnitState,
};
use wheeltap_rules::{Environment, compile};

/// 1 Hz channels that rules read, with where their values lie and how far they stray, in their units.
const CHANNELS: [(&str, f64, f64); 34] = [
    ("engine.speed", 800.0, 150.0),
    ("engine.oil.temperature", 85.0, 6.0),
    ("engine.oil.pressure", 450.0, 40.0),
    ("engine.coolant.temperature", 80.0, 5.0),
    ("engine.coolant.pressure", 100.0, 10.0),
    ("engine.crankcase.pressure", -0.5, 0.1),
    ("engine.fan.speed", 600.0, 200.0),
    ("engine.intake.temperature", 45.0, 5.0),
    ("engine.intake.pressure", 180.0, 20.0),
    ("engine.turbo.speed", 18_000.0, 2_000.0),
    ("engine.exhaust.temperature", 420.0, 60.0),
    ("fuel.rate", 400.0, 150.0),
    ("fuel.pressure", 500.0, 20.0),
    ("traction.power", 2_000.0, 400.0),
    ("traction.effort", 200.0, 60.0),
    ("unit.speed", 60.0, 20.0),
    ("traction.axle.1.speed", 60.0, 20.0),
    ("traction.axle.2.speed", 60.0, 20.0),
    ("traction.axle.3.speed", 60.0, 20.0),
    ("traction.axle.4.speed", 60.0, 20.0),
    ("traction.axle.5.speed", 60.0, 20.0),
    ("traction.axle.6.speed", 60.0, 20.0),
    ("traction.axle.1.effort", 33.0, 10.0),
    ("traction.axle.2.effort", 33.0, 10.0),
    ("traction.axle.3.effort", 33.0, 10.0),
    ("traction.axle.4.effort", 33.0, 10.0),
    ("traction.axle.5.effort", 33.0, 10.0),
    ("traction.axle.6.effort", 33.0, 10.0),
    ("brake.pipe.pressure", 610.0, 5.0),
    ("brake.main_reservoir.pressure", 900.0, 40.0),
    ("brake.cylinder.pressure", 10.0, 8.0),
    ("brake.air_flow", 20.0, 8.0),
    ("compressor.oil.pressure", 250.0, 20.0),
    ("battery.voltage", 74.0, 0.5),
];
/// Held channels, sent once a second all the same; whole numbers from nothing to this.
const HELD: [(&str, f64); 6] = [
    ("engine.notch", 8.0),
    ("engine.fan.command", 100.0),
    ("traction.derated", 1.0),
    ("unit.tunnel", 1.0),
    ("sand.command", 1.0),
    ("compressor.running", 1.0),
];
/// Computed channels that rules read, each with a value that it does not reach.
const DERIVED: [(&str, f64); 8] = [
    ("traction.adhesion", 1.9),
    ("traction.effort.possible", 1_990.0),
    ("engine.oil.over_coolant", 200.0),
    ("fuel.specific", 99.0),
    ("traction.axle.1.creep", 59.0),
    ("traction.axle.2.creep", 59.0),
    ("traction.axle.3.creep", 59.0),
    ("traction.adhesion.available", 0.99),
];
const N_RULES: usize = 200;
const CLASS: &str = "Marten";
/// Lengths of the rules' longer windows; the shorter ones stay as they are in the demo's rules.
const WINDOWS: [(&str, i64); 3] = [("5 min", 300_000), ("1 h", 3_600_000), ("24 h", 86_400_000)];
/// Whole days since the epoch, so that panes of every length begin there.
const START_MS: i64 = 1_767_571_200_000;
/// Batches in which windows are filled.
const WARM_BATCH_S: i64 = 3_600;

#[derive(clap::Args)]
pub struct Args {
    /// Units judged in turn
    #[arg(long, default_value_t = 8)]
    units: usize,
    /// Event time in a batch, seconds
    #[arg(long, default_value_t = 10)]
    batch_seconds: i64,
    /// Event time that is timed, minutes
    #[arg(long, default_value_t = 60)]
    minutes: i64,
}

/// What one run cost.
struct Cost {
    n_samples: u64,
    /// By the clock, feeding and judging together.
    all: Duration,
    feeding: Duration,
    /// Of one core, counted by the system in hundredths of a second.
    cpu: Duration,
    /// A plain pass over the same values.
    yardstick: Duration,
    window_bytes: usize,
    n_slots: usize,
    n_changes: usize,
}

#[expect(clippy::print_stdout, reason = "the report")]
pub fn run(args: &Args) -> anyhow::Result<()> {
    let catalogue = catalogue()?;
    println!(
        "{} units, {} channels at 1 Hz, {N_RULES} rules, batches of {} s, {} min timed after the \
         windows were filled",
        args.units,
        CHANNELS.len() + HELD.len(),
        args.batch_seconds,
        args.minutes
    );
    for (window, window_ms) in WINDOWS {
        for has_derived in [true, false] {
            let cost = measure(args, &catalogue, (window, window_ms), has_derived)?;
            let per_sample = |took: Duration| took.as_nanos() as f64 / cost.n_samples as f64;
            println!(
                "windows of {window}, {}: {:.0} ns a sample by the clock (feeding {:.0}), {:.0} ns of a \
                 core; {} rules, {} KiB of windows a unit at most, {} changes; a plain pass over the \
                 values {:.2} ns",
                if has_derived {
                    "computed channels"
                } else {
                    "no computed channels"
                },
                per_sample(cost.all),
                per_sample(cost.feeding),
                per_sample(cost.cpu),
                cost.n_slots,
                cost.window_bytes / 1_024,
                cost.n_changes,
                per_sample(cost.yardstick),
            );
        }
    }
    Ok(())
}

/// The built-in catalogue, a class with the figures that computed channels need, every channel at 1 Hz.
fn catalogue() -> anyhow::Result<Catalogue> {
    let mut text = format!(
        "[[class]]\nname = \"{CLASS}\"\ntitle = \"A class for benches\"\naxles = 6\n\
         weight_on_drivers = \"190000 kg\"\nrated_power = \"3000 kW\"\n"
    );
    for (name, _, _) in CHANNELS {
        write!(text, "[[channel]]\nname = \"{name}\"\ninterval = \"1 s\"\n")?;
    }
    Catalogue::with_files(&[("bench.toml".to_owned(), text)]).map_err(|problems| {
        let problems: Vec<String> = problems.iter().map(ToString::to_string).collect();
        anyhow::anyhow!(problems.join("\n"))
    })
}

/// A rule's reads, test and condition; `window` is its longer window.
fn body(idx: usize, window: &str, has_derived: bool) -> (String, &'static str, String) {
    let of = |step: usize| CHANNELS[(idx * 7 + step * 11) % CHANNELS.len()];
    let ((a, base, stray), (b, _, _), (c, _, _)) = (of(0), of(1), of(2));
    let held = |step: usize| HELD[(idx + step) % HELD.len()].0;
    let far = base + 6.0 * stray;
    let tested = "seen.run > 200.0";
    let run = "run: min(\"engine.speed\", \"3 min\")";
    match idx % 12 {
        0 => (
            format!("x: mean(\"{a}\", \"{window}\"), y: mean(\"{b}\", \"3 min\"), {run}"),
            tested,
            format!("seen.x > {far:?} && known(seen.y)"),
        ),
        1 => (
            format!(
                "x: slope(\"{a}\", \"{window}\"), y: mean(\"{a}\", \"{window}\"), on: in_state(\"working\")"
            ),
            "seen.on",
            format!("abs(seen.x) * 600.0 > {:?} && known(seen.y)", 40.0 * stray),
        ),
        2 => (
            format!(
                "x: time_above(\"{a}\", {:?}, \"{window}\"), n: count(\"{a}\", \"{window}\"), {run}",
                base + 2.0 * stray
            ),
            tested,
            "seen.x > 0.9 * seen.n".to_owned(),
        ),
        3 => (
            format!("x: quantile(\"{a}\", 0.9, \"{window}\"), y: min(\"{b}\", \"2 min\")"),
            "true",
            format!("seen.x > {far:?} && known(seen.y)"),
        ),
        4 => (
            format!(
                "x: mean(\"{a}\", \"{window}\", #{{ during: at_least(\"engine.notch\", 6) }}), {run}"
            ),
            tested,
            format!("seen.x > {far:?}"),
        ),
        5 => (
            format!(
                "x: ewma(\"{a}\", 0.05, \"{window}\"), now: last(\"{b}\", \"1 min\"), lead: in_role(\"lead\")"
            ),
            "seen.lead",
            format!("seen.x > {far:?} || !known(seen.now)"),
        ),
        6 => (
            format!("x: range(\"{a}\", \"{window}\"), y: stdev(\"{a}\", \"{window}\"), {run}"),
            tested,
            format!("seen.x > {:?} && seen.y > {stray:?}", 10.0 * stray),
        ),
        7 if has_derived => {
            let (derived, far) = DERIVED[idx / 12 % DERIVED.len()];
            (
                format!(
                    "x: mean(\"{derived}\", \"{window}\"), y: max(\"{derived}\", \"1 min\"), {run}"
                ),
                tested,
                format!("seen.x > {far:?} && known(seen.y)"),
            )
        }
        7 => (
            format!("x: mean(\"{a}\", \"{window}\"), y: max(\"{b}\", \"1 min\"), {run}"),
            tested,
            format!("seen.x > {far:?} && known(seen.y)"),
        ),
        8 => (
            format!(
                "x: rate(\"{a}\", \"1 min\"), y: max(\"{b}\", \"{window}\"), z: min(\"{c}\", \"1 min\")"
            ),
            "true",
            format!("abs(seen.x) > {far:?} && known(seen.y) && known(seen.z)"),
        ),
        9 => (
            format!(
                "x: max(\"{}\", \"{window}\"), y: time_above(\"{}\", 0.5, \"{window}\"), z: mean(\"{a}\", \"5 min\"), {run}",
                held(0),
                held(3)
            ),
            tested,
            format!("seen.z > {far:?} && seen.x > 0.5 && seen.y > 10.0"),
        ),
        10 => (
            format!(
                "x: mean(\"{a}\", \"{window}\"), y: mean(\"{b}\", \"{window}\"), z: mean(\"{c}\", \"{window}\"), {run}"
            ),
            tested,
            format!("seen.x > {far:?} && known(seen.y) && known(seen.z)"),
        ),
        _ => (
            format!(
                "x: median(\"{a}\", \"{window}\", #{{ during: above(\"traction.power\", 1500) }}), y: min(\"{}\", \"3 min\")",
                held(1)
            ),
            "true",
            format!("seen.x > {far:?} && known(seen.y)"),
        ),
    }
}

fn rules(
    catalogue: &Catalogue,
    window: &str,
    has_derived: bool,
) -> anyhow::Result<Vec<EffectiveRule>> {
    let environment = Environment::new(catalogue);
    let mut rules = Vec::with_capacity(N_RULES);
    for idx in 0..N_RULES {
        let (reads, tested, raise) = body(idx, window, has_derived);
        // Mostly 10 s, some slower, as in a real book.
        let tick = match idx % 10 {
            7 | 8 if window == "5 min" => "30 s",
            7 | 8 => "1 min",
            _ => "10 s",
        };
        let tested = if tested == "true" {
            String::new()
        } else {
            format!("fn tested(seen) {{ {tested} }}\n")
        };
        let text = format!(
            "fn about() {{ #{{ title: \"Bench {idx}\", system: \"s\", component: \"c {idx}\", \
             priority: \"low\", applies: #{{ class: [\"{CLASS}\"] }}, tick: \"{tick}\", \
             on_delay: \"5 min\", off_delay: \"5 min\", cause: \"c\", consequence: \"c\", action: \
             \"a\", respond_within: \"1 d\" }} }}\nfn reads() {{ #{{ {reads} }} }}\n{tested}\
             fn raise(seen) {{ {raise} }}\n"
        );
        let rule = compile(&format!("bench-{idx}.rhai"), &text, &environment).map_err(|all| {
            let all: Vec<String> = all.iter().map(ToString::to_string).collect();
            anyhow::anyhow!("{}\n{text}", all.join("\n"))
        })?;
        rules.push(EffectiveRule::always(Arc::new(rule)));
    }
    Ok(rules)
}

/// Makes the batches of one unit.
struct Maker {
    channels: Vec<(ChannelId, f64, f64)>,
    held: Vec<(ChannelId, f64)>,
    state: u64,
    now_ms: i64,
    walks: Vec<f64>,
}

impl Maker {
    fn new(catalogue: &Catalogue, number: usize) -> anyhow::Result<Self> {
        let id = |name: &str| {
            let (id, _) = catalogue
                .channel(&ChannelName::new(name)?)
                .with_context(|| format!("{name} is in the catalogue"))?;
            anyhow::Ok(id)
        };
        let channels = CHANNELS
            .iter()
            .map(|(n, base, stray)| anyhow::Ok((id(n)?, *base, *stray)));
        let held = HELD
            .iter()
            .map(|(name, most)| anyhow::Ok((id(name)?, *most)));
        Ok(Self {
            channels: channels.collect::<Result<_, _>>()?,
            held: held.collect::<Result<_, _>>()?,
            state: 0x9E37_79B9_7F4A_7C15 ^ (u64::try_from(number)? << 1) | 1,
            now_ms: START_MS,
            walks: vec![0.0; CHANNELS.len() + HELD.len()],
        })
    }

    /// From 0 to 1. xorshift64: values only have to look like measurements.
    fn random(&mut self) -> f64 {
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        (self.state >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn next(&mut self, seconds: i64) -> Batch {
        let times_ms: Arc<[i64]> = (0..seconds)
            .map(|second| self.now_ms + second * 1_000)
            .collect();
        self.now_ms += seconds * 1_000;
        let mut columns = Vec::with_capacity(self.walks.len());
        for idx in 0..self.channels.len() {
            let (channel, base, stray) = self.channels[idx];
            let values = times_ms.iter().map(|_| {
                // A walk that is drawn back, in tenths of what it may stray.
                let step = self.random() - 0.5;
                let walk = &mut self.walks[idx];
                *walk = *walk * 0.999 + step * 0.1;
                ((base + stray * *walk) * 1_000.0).round() / 1_000.0
            });
            columns.push(Column {
                channel,
                values: values.collect(),
                times_ms: Arc::clone(&times_ms),
                qualities: Vec::new(),
            });
        }
        for idx in 0..self.held.len() {
            let (channel, most) = self.held[idx];
            let place = self.channels.len() + idx;
            let values = times_ms.iter().map(|_| {
                // It changes about once a minute.
                if self.random() < 1.0 / 60.0 {
                    self.walks[place] = (self.random() * (most + 1.0)).floor().min(most);
                }
                self.walks[place]
            });
            columns.push(Column {
                channel,
                values: values.collect(),
                times_ms: Arc::clone(&times_ms),
                qualities: Vec::new(),
            });
        }
        Batch {
            columns,
            ..Batch::default()
        }
    }
}

/// A plain pass: count, sum, least and greatest of every column.
fn plain_pass(batch: &Batch) -> f64 {
    let columns = batch.columns.iter().map(|column| {
        let start = (0.0, f64::INFINITY, f64::NEG_INFINITY);
        let (sum, least, greatest) = column
            .values
            .iter()
            .fold(start, |(sum, least, most), value| {
                (sum + value, value.min(least), value.max(most))
            });
        sum + least + greatest
    });
    columns.sum()
}

fn measure(
    args: &Args,
    catalogue: &Catalogue,
    (window, window_ms): (&str, i64),
    has_derived: bool,
) -> anyhow::Result<Cost> {
    let rules = rules(catalogue, window, has_derived)?;
    let class = ClassName::new(CLASS)?;
    let unit = UnitId::new("ZVR 00001")?;
    let plan = UnitPlan::new(
        &rules,
        &unit,
        Some(&class),
        catalogue.class(&class),
        catalogue,
    );
    let plan = Arc::new(plan);
    let from = EventTime::from_unix_ms(0);
    let mut context = UnitContext::default();
    context.states.set(Dated {
        from,
        value: UnitState::Working,
        source: "bench".to_owned(),
    });
    context.consists.set(Dated {
        from,
        value: ConsistPosition {
            role: ConsistRole::Lead,
            ..ConsistPosition::default()
        },
        source: "bench".to_owned(),
    });
    let context = Arc::new(context);
    let mut units = Vec::with_capacity(args.units);
    for number in 0..args.units {
        let judge = UnitJudge::new(Arc::clone(&plan), Arc::clone(&context));
        units.push((Maker::new(catalogue, number)?, judge));
    }
    let mut judgement = Judgement::default();
    // One whole window and an hour more, so that panes leave as fast as they come.
    for _ in 0..window_ms / (WARM_BATCH_S * 1_000) + 2 {
        for (maker, judge) in &mut units {
            judge.feed(&maker.next(WARM_BATCH_S));
            judge.judge(&mut judgement);
        }
    }
    let mut cost = Cost {
        n_samples: 0,
        all: Duration::ZERO,
        feeding: Duration::ZERO,
        cpu: Duration::ZERO,
        yardstick: Duration::ZERO,
        window_bytes: plan.window_bytes(),
        n_slots: plan.n_slots(),
        n_changes: 0,
    };
    let mut rounds = Vec::new();
    for _ in 0..args.minutes * 60 / args.batch_seconds {
        let of_units = units
            .iter_mut()
            .map(|(maker, _)| maker.next(args.batch_seconds));
        rounds.push(of_units.collect::<Vec<Batch>>());
    }
    let began = Instant::now();
    for batch in rounds.iter().flatten() {
        std::hint::black_box(plain_pass(std::hint::black_box(batch)));
    }
    cost.yardstick = began.elapsed();
    let used_before = own_usage().cpu_s;
    for batches in &rounds {
        for ((_, judge), batch) in units.iter_mut().zip(batches) {
            cost.n_samples += batch.len() as u64;
            let began = Instant::now();
            let fed = judge.feed(batch);
            cost.feeding += began.elapsed();
            // The service makes one for each batch, too.
            let mut judgement = Judgement::default();
            judge.judge(&mut judgement);
            cost.all += began.elapsed();
            cost.n_changes += judgement.changes.len();
            anyhow::ensure!(fed.late_from.is_none(), "batches come in order");
        }
    }
    cost.cpu = Duration::from_secs_f64(own_usage().cpu_s - used_before);
    Ok(cost)
}
