//! A healthy fleet through the demonstration's rule book: every alert is false.
//!
//! Simulator and judge run straight on each other, without wire or store, on all cores. The fleet of
//! `demo-data/railway.toml` lives through stretches of days in each season in turn, with radio gaps,
//! stored units and diesels stopped by hand ([`wheeltap_sim::everyday`]). What a gap held back reaches the
//! judge in order for every second gap, as late data does once it is judged again, and never for the
//! others, which is what the desk would be told before it came.

use anyhow::{Context, anyhow};
use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use wheeltap_catalogue::Catalogue;
use wheeltap_followup::{DESK_BUDGET_PER_DAY, Forecast, Truth, WouldRing, forecast};
use wheeltap_judge::{EffectiveRule, Judgement, UnitContext, UnitJudge, UnitPlan};
use wheeltap_model::{ChannelId, ChannelName, evidence_words};
use wheeltap_rules::{Environment, compile, health_rules};
use wheeltap_sim::{Delivery, Railway, RailwayFile, Season, Settings, everyday};

const DAY_S: i64 = 86_400;
/// Seconds of telemetry in one batch: long ones, because nobody waits for them here.
const BATCH_S: i64 = 600;
/// At most so many false alerts in a thousand unit-days.
const FALSE_PER_THOUSAND: f64 = 1.0;
/// The standard's figures (ISA-18.2 clause 16 as the trade quotes it): at most ten alerts in any ten
/// minutes, and under one per cent of the time in flood.
const MOST_IN_TEN_MINUTES: u64 = 10;
const FLOOD_SHARE: f64 = 0.01;

/// What to run.
#[derive(clap::Args, Clone, Debug)]
pub struct Args {
    /// Unit-days in all, rounded up to whole stretches of each season
    #[arg(long, default_value_t = 24_000)]
    unit_days: u64,
    /// Days a stretch runs on without a break
    #[arg(long, default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..=400))]
    days: u32,
    /// Units of the fleet, taken at random; all of them if left out
    #[arg(long)]
    units: Option<usize>,
    /// Same seed, same run, to the bit; by the clock if left out
    #[arg(long, env = "WHEELTAP_SEED")]
    seed: Option<u64>,
    /// One season alone: spring, `deep_cold`, heat or `leaf_fall`
    #[arg(long)]
    season: Option<String>,
    /// The rules that watch sensors, as the catalogue has them, instead of the demonstration's book
    #[arg(long)]
    sensors: bool,
}

/// What was lived through in a season.
#[derive(Clone, Debug, Default)]
struct Lived {
    unit_days: f64,
    silent_days: f64,
    least_cel: f64,
    most_cel: f64,
    tunnels: u64,
    gaps_late: u64,
    gaps_lost: u64,
    alerts: u64,
}

/// What came of it.
#[derive(Clone, Debug)]
pub struct Report {
    seed: u64,
    seasons: BTreeMap<&'static str, Lived>,
    rings: Vec<(WouldRing, &'static str, u64)>,
    /// One a stretch: what one desk had to bear.
    desks: Vec<Forecast>,
    n_samples: u64,
    took: Duration,
    simulating: Duration,
    judging: Duration,
}

/// One unit's run.
struct UnitRun {
    /// With what the rule saw, in words.
    rings: Vec<(WouldRing, String)>,
    lived: Lived,
    n_samples: u64,
    simulating: Duration,
    judging: Duration,
}

/// The demonstration's railway, catalogue and rules.
struct Book {
    file: RailwayFile,
    catalogue: Catalogue,
    rules: Vec<EffectiveRule>,
}

/// Runs it and prints the report; whether it was within bounds.
pub fn run(args: &Args) -> anyhow::Result<bool> {
    let report = judge(args)?;
    println!("{report}");
    Ok(report.is_fine())
}

impl Book {
    fn read(sensors: bool) -> anyhow::Result<Self> {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../demo-data");
        let read = |name: &str| {
            let path = folder.join(name);
            std::fs::read_to_string(&path).with_context(|| path.display().to_string())
        };
        let said = |problems: &[String]| anyhow!("{}", problems.join("\n"));
        let files = [("catalogue.toml".to_owned(), read("catalogue.toml")?)];
        let catalogue = Catalogue::with_files(&files).map_err(|problems| {
            said(&problems.iter().map(ToString::to_string).collect::<Vec<_>>())
        })?;
        let mut names = Vec::new();
        for entry in std::fs::read_dir(folder.join("rules"))? {
            let path = entry?.path();
            let name = path
                .file_name()
                .map(|name| name.to_string_lossy().into_owned());
            if path.extension().is_some_and(|end| end == "rhai") {
                names.extend(name);
            }
        }
        names.sort();
        let mut rules = Vec::new();
        let texts: Vec<(String, String)> = if sensors {
            let written = health_rules(&catalogue);
            let texts = written.into_iter();
            texts
                .map(|(name, text)| (format!("{name}.rhai"), text))
                .collect()
        } else {
            let texts = names.into_iter().map(|name| {
                let text = read(&format!("rules/{name}"))?;
                anyhow::Ok((name, text))
            });
            texts.collect::<Result<_, _>>()?
        };
        for (name, text) in texts {
            let rule =
                compile(&name, &text, &Environment::new(&catalogue)).map_err(|problems| {
                    said(&problems.iter().map(ToString::to_string).collect::<Vec<_>>())
                })?;
            rules.push(EffectiveRule::always(Arc::new(rule)));
        }
        Ok(Self {
            file: RailwayFile::parse("railway.toml", &read("railway.toml")?)?,
            catalogue,
            rules,
        })
    }

    /// The units in this stretch, in the roster's order; whole trains need not be among them.
    fn chosen(&self, seed: u64, units: Option<usize>) -> Vec<usize> {
        let n_all = self.file.unit.len();
        let n = units.unwrap_or(n_all).clamp(1, n_all);
        // Neighbours in the roster share a train: a step through it takes units of all kinds.
        let first = usize::try_from(seed % n_all as u64).unwrap_or(0);
        let mut chosen: Vec<usize> = (0..n).map(|k| (first + k * 7) % n_all).collect();
        chosen.sort_unstable();
        chosen.dedup();
        chosen
    }
}

/// Runs a healthy fleet and sums up.
pub fn judge(args: &Args) -> anyhow::Result<Report> {
    let book = Book::read(args.sensors)?;
    let seed = args.seed.unwrap_or_else(|| {
        let since = std::time::UNIX_EPOCH.elapsed().unwrap_or_default();
        since.as_secs() % 1_000_000
    });
    let seasons: Vec<(Season, &'static str)> = Season::ALL
        .into_iter()
        .filter(|(_, word)| args.season.as_deref().is_none_or(|own| own == *word))
        .collect();
    anyhow::ensure!(!seasons.is_empty(), "no such season: {:?}", args.season);
    let per_stretch = u64::from(args.days) * book.chosen(seed, args.units).len() as u64;
    let per_season = args.unit_days.div_ceil(per_stretch * seasons.len() as u64);
    let began = Instant::now();
    let mut report = Report {
        seed,
        seasons: BTreeMap::new(),
        rings: Vec::new(),
        desks: Vec::new(),
        n_samples: 0,
        took: Duration::ZERO,
        simulating: Duration::ZERO,
        judging: Duration::ZERO,
    };
    eprintln!("seed {seed}: --seed {seed} makes the same run again");
    for round in 0..per_season {
        for (season, word) in &seasons {
            stretch(&book, args, seed + round, (*season, word), &mut report)?;
        }
    }
    report.took = began.elapsed();
    Ok(report)
}

/// One stretch of days of one season, all its units on all cores.
fn stretch(
    book: &Book,
    args: &Args,
    seed: u64,
    (season, word): (Season, &'static str),
    report: &mut Report,
) -> anyhow::Result<()> {
    let settings = Settings {
        seed,
        duration_s: i64::from(args.days) * DAY_S,
        weather: season.weather(),
        batch_s: BATCH_S,
        ..Settings::default()
    };
    let (start, duration_s) = (settings.start, settings.duration_s);
    let (file, gaps) = everyday(&book.file, &settings);
    let railway = Railway::new(settings, &file, &gaps, &book.catalogue)?;
    let chosen = book.chosen(seed, args.units);
    let next = AtomicUsize::new(0);
    let runs: Mutex<Vec<UnitRun>> = Mutex::new(Vec::new());
    let threads = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    std::thread::scope(|scope| {
        for _ in 0..threads.min(chosen.len()) {
            scope.spawn(|| {
                while let Some(idx) = chosen.get(next.fetch_add(1, Ordering::Relaxed)) {
                    let run = unit_run(book, &railway, *idx);
                    runs.lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .push(run);
                }
            });
        }
    });
    let runs = runs.into_inner().unwrap_or_else(PoisonError::into_inner);
    let lived = report.seasons.entry(word).or_insert_with(|| Lived {
        least_cel: f64::INFINITY,
        most_cel: f64::NEG_INFINITY,
        ..Lived::default()
    });
    let mut rings: Vec<(WouldRing, String)> = Vec::new();
    for run in runs {
        lived.unit_days += f64::from(args.days);
        lived.silent_days += run.lived.silent_days;
        lived.least_cel = lived.least_cel.min(run.lived.least_cel);
        lived.most_cel = lived.most_cel.max(run.lived.most_cel);
        lived.tunnels += run.lived.tunnels;
        lived.gaps_late += run.lived.gaps_late;
        lived.gaps_lost += run.lived.gaps_lost;
        lived.alerts += run.rings.len() as u64;
        report.n_samples += run.n_samples;
        report.simulating += run.simulating;
        report.judging += run.judging;
        rings.extend(run.rings);
    }
    rings.sort_by(|(a, _), (b, _)| {
        (a.raised_at, &a.unit, &a.rule).cmp(&(b.raised_at, &b.unit, &b.rule))
    });
    for (ring, saw) in &rings {
        eprintln!(
            "{word}, seed {seed}: {} {} at {}, which saw {saw}",
            ring.rule, ring.unit, ring.raised_at
        );
    }
    let rings: Vec<WouldRing> = rings.into_iter().map(|(ring, _)| ring).collect();
    let until = start.plus_ms(duration_s * 1_000 - 1);
    let n_units = chosen.len() as u64;
    report
        .desks
        .push(forecast(&rings, start, until, n_units, &Truth::default()));
    eprintln!(
        "{word}, seed {seed}: {} units, {} days, {} alerts",
        n_units,
        args.days,
        rings.len()
    );
    report
        .rings
        .extend(rings.into_iter().map(|ring| (ring, word, seed)));
    Ok(())
}

fn unit_run(book: &Book, railway: &Railway, idx: usize) -> UnitRun {
    let sim_unit = &railway.units()[idx];
    let (unit, class) = (&sim_unit.unit.id, &sim_unit.unit.class);
    let class_def = book.catalogue.class(class);
    let plan = UnitPlan::new(&book.rules, unit, Some(class), class_def, &book.catalogue);
    let context = UnitContext {
        states: sim_unit.states.clone(),
        consists: sim_unit.consist.clone(),
        ..UnitContext::default()
    };
    let channel = |name: &str| {
        let name = ChannelName::new(name).ok()?;
        book.catalogue.channel(&name).map(|(id, _)| id)
    };
    let mut taker = Taker {
        judge: UnitJudge::new(Arc::new(plan), Arc::new(context)),
        judgement: Judgement::default(),
        ambient: channel("ambient.temperature"),
        tunnel: channel("unit.tunnel"),
        in_tunnel: false,
        backlog: Vec::new(),
        n_gaps: 0,
        heard: 0,
        lived: Lived {
            least_cel: f64::INFINITY,
            most_cel: f64::NEG_INFINITY,
            ..Lived::default()
        },
        n_samples: 0,
        judging: Duration::ZERO,
    };
    let began = Instant::now();
    railway.run_unit(idx, &mut |delivery| taker.take(delivery));
    taker.send_backlog();
    let took = began.elapsed();
    let batches = railway.settings().duration_s / BATCH_S;
    taker.lived.silent_days = (batches - taker.heard) as f64 * BATCH_S as f64 / DAY_S as f64;
    let rings = taker.judgement.occurrences().into_iter();
    let rings = rings.filter(|occurrence| occurrence.unsuppressed_at.is_some());
    let rings = rings.map(|occurrence| {
        let saw = evidence_words(&occurrence.evidence.inputs);
        let ring = WouldRing {
            unit: unit.clone(),
            rule: occurrence.rule.name,
            part: occurrence.part,
            raised_at: occurrence.raised_at,
            ended_at: occurrence.ended_at,
        };
        (ring, saw)
    });
    UnitRun {
        rings: rings.collect(),
        lived: taker.lived,
        n_samples: taker.n_samples,
        simulating: took.saturating_sub(taker.judging),
        judging: taker.judging,
    }
}

/// Hands what a unit sends to its judge.
struct Taker {
    judge: UnitJudge,
    judgement: Judgement,
    ambient: Option<ChannelId>,
    tunnel: Option<ChannelId>,
    in_tunnel: bool,
    backlog: Vec<Delivery>,
    n_gaps: u64,
    heard: i64,
    lived: Lived,
    n_samples: u64,
    judging: Duration,
}

impl Taker {
    fn take(&mut self, delivery: Delivery) {
        self.heard += 1;
        if delivery.sent_at > delivery.until {
            self.backlog.push(delivery);
            return;
        }
        self.send_backlog();
        self.judge(&delivery);
    }

    /// A gap is over: the backlog came newest first.
    fn send_backlog(&mut self) {
        if self.backlog.is_empty() {
            return;
        }
        let mut backlog = std::mem::take(&mut self.backlog);
        self.n_gaps += 1;
        if self.n_gaps.is_multiple_of(2) {
            self.lived.gaps_lost += 1;
            return;
        }
        self.lived.gaps_late += 1;
        backlog.sort_by_key(|delivery| delivery.from);
        for delivery in &backlog {
            self.judge(delivery);
        }
    }

    fn judge(&mut self, delivery: &Delivery) {
        for column in &delivery.batch.columns {
            self.n_samples += column.values.len() as u64;
            if Some(column.channel) == self.ambient {
                for value in &column.values {
                    self.lived.least_cel = self.lived.least_cel.min(*value);
                    self.lived.most_cel = self.lived.most_cel.max(*value);
                }
            }
            if Some(column.channel) == self.tunnel {
                for value in &column.values {
                    let is_in = *value > 0.5;
                    self.lived.tunnels += u64::from(is_in && !self.in_tunnel);
                    self.in_tunnel = is_in;
                }
            }
        }
        let began = Instant::now();
        let fed = self.judge.feed(&delivery.batch);
        assert!(fed.late_from.is_none(), "deliveries come in order");
        self.judge.judge(&mut self.judgement);
        self.judgement.checkpoints.clear();
        assert!(
            self.judgement.faults.is_empty(),
            "{:#?}",
            self.judgement.faults
        );
        self.judging += began.elapsed();
    }
}

impl Report {
    fn unit_days(&self) -> f64 {
        self.seasons.values().map(|lived| lived.unit_days).sum()
    }

    fn false_per_thousand(&self) -> f64 {
        self.rings.len() as f64 * 1_000.0 / self.unit_days()
    }

    /// Whether false alerts and the desk's load are within bounds.
    pub fn is_fine(&self) -> bool {
        let desk = |desk: &Forecast| {
            desk.per_day <= f64::from(DESK_BUDGET_PER_DAY.0)
                && desk
                    .worst_ten_minutes
                    .is_none_or(|(_, n)| n <= MOST_IN_TEN_MINUTES)
                && desk.flood_share < FLOOD_SHARE
                && desk.n_chattering == 0
        };
        self.false_per_thousand() <= FALSE_PER_THOUSAND && self.desks.iter().all(desk)
    }
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "seed {}", self.seed)?;
        writeln!(
            f,
            "{:10} {:>9} {:>7} {:>15} {:>8} {:>10} {:>10} {:>7}",
            "season",
            "unit-days",
            "silent",
            "air, degC",
            "tunnels",
            "gaps late",
            "gaps lost",
            "alerts"
        )?;
        for (word, lived) in &self.seasons {
            writeln!(
                f,
                "{:10} {:>9.0} {:>7.0} {:>6.1} to {:>5.1} {:>8} {:>10} {:>10} {:>7}",
                word,
                lived.unit_days,
                lived.silent_days,
                lived.least_cel,
                lived.most_cel,
                lived.tunnels,
                lived.gaps_late,
                lived.gaps_lost,
                lived.alerts
            )?;
        }
        let mut by_rule: BTreeMap<(&str, &str), u64> = BTreeMap::new();
        for (ring, word, _) in &self.rings {
            *by_rule.entry((ring.rule.as_str(), word)).or_default() += 1;
        }
        for ((rule, word), n) in by_rule {
            writeln!(f, "{n:>6}  {rule} in {word}")?;
        }
        let most = |of: fn(&Forecast) -> u64| self.desks.iter().map(of).max().unwrap_or(0);
        let per_day = self
            .desks
            .iter()
            .map(|desk| desk.per_day)
            .fold(0.0, f64::max);
        let flood = self
            .desks
            .iter()
            .map(|desk| desk.flood_share)
            .fold(0.0, f64::max);
        writeln!(
            f,
            "desk, the worst stretch: {per_day:.2} alerts a day, {} in the worst hour, {} in ten minutes, {:.2} % in flood, {} chattering",
            most(|desk| desk.worst_hour.map_or(0, |(_, n)| n)),
            most(|desk| desk.worst_ten_minutes.map_or(0, |(_, n)| n)),
            flood * 100.0,
            most(|desk| desk.n_chattering),
        )?;
        writeln!(
            f,
            "{} false alerts in {:.0} unit-days: {:.2} in a thousand",
            self.rings.len(),
            self.unit_days(),
            self.false_per_thousand()
        )?;
        write!(
            f,
            "{} samples in {:.0} s; simulator {:.0} s, judge {:.0} s of all cores' time",
            self.n_samples,
            self.took.as_secs_f64(),
            self.simulating.as_secs_f64(),
            self.judging.as_secs_f64()
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Another fleet every day; a failure prints the seed that makes it again (WHEELTAP_SEED).
    #[test]
    fn a_healthy_fleet_calls_nearly_nobody() {
        let seed = std::env::var("WHEELTAP_SEED")
            .ok()
            .map(|seed| seed.parse().expect("WHEELTAP_SEED is a whole number"));
        let args = Args {
            unit_days: 64,
            days: 2,
            units: Some(8),
            seed,
            season: None,
            sensors: false,
        };
        let report = judge(&args).unwrap();
        assert!(
            report.seasons.len() == 4 && report.n_samples > 5_000_000,
            "{report}"
        );
        // At the rate allowed one of sixteen such runs has an alert, and one of five hundred has two.
        assert!(report.rings.len() <= 1, "{report}");
    }
}
