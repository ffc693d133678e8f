//! The simulated day obeys what is published about locomotives, whatever the seed.

use crate::common;
use std::collections::BTreeMap;
use wheeltap_model::EventTime;
use wheeltap_sim::physics::{KPA_PER_PSI, LINE_HAUL_DUTY, Mode};
use wheeltap_sim::{Delivery, Failures, Railway, Season, Settings, SimError, SimUnit};

type Series = Vec<(i64, f64)>;

fn deliveries(railway: &Railway, unit: &str) -> Vec<Delivery> {
    let known = |known: &SimUnit| known.unit.id.as_str() == unit;
    let idx = railway.units().iter().position(known);
    let mut all = Vec::new();
    railway.run_unit(idx.expect("the roster has it"), &mut |delivery| {
        all.push(delivery);
    });
    all
}

/// Every sample of some channels, seconds from the start of the run, in order of time.
fn series(railway: &Railway, unit: &str, names: &[&str]) -> BTreeMap<String, Series> {
    let catalogue = common::catalogue();
    let mut found: BTreeMap<String, Series> = BTreeMap::new();
    for delivery in deliveries(railway, unit) {
        for column in &delivery.batch.columns {
            let def = catalogue
                .by_id(column.channel)
                .expect("ids are the catalogue's");
            let name = def.name.as_str();
            if !names.contains(&name) {
                continue;
            }
            let samples = column.samples().map(|sample| {
                let since_ms = sample.time.ms_since(railway.settings().start);
                (since_ms / 1_000, sample.value)
            });
            found.entry(name.to_owned()).or_default().extend(samples);
        }
    }
    for series in found.values_mut() {
        series.sort_by_key(|(at_s, _)| *at_s);
    }
    assert_eq!(found.len(), names.len(), "{unit} sends all of {names:?}");
    found
}

/// The value of a held channel at a second.
fn held(series: &Series, at_s: i64) -> f64 {
    let after = series.partition_point(|(sent_s, _)| *sent_s <= at_s);
    after.checked_sub(1).map_or(f64::NAN, |idx| series[idx].1)
}

fn healthy(seed: u64, season: Season) -> Railway {
    let settings = Settings {
        seed,
        weather: season.weather(),
        ..Settings::default()
    };
    common::railway(settings, false)
}

// 40 CFR 1033.530 table 1: the shares of line-haul time.
#[test]
fn a_long_run_gives_back_the_duty_cycle() {
    let settings = Settings {
        duration_s: 20 * 86_400,
        ..Settings::default()
    };
    let railway = common::railway(settings, false);
    let mut seconds = [0_i64; 11];
    for train_idx in 0..25 {
        for (mode, span_s) in railway.handle_positions(train_idx) {
            seconds[mode.index()] += span_s;
        }
    }
    let all: i64 = seconds.iter().sum();
    assert_eq!(all, 25 * 20 * 86_400);
    for (mode, published) in Mode::ALL.into_iter().zip(LINE_HAUL_DUTY) {
        let share = seconds[mode.index()] as f64 / all as f64;
        let off = (share - published).abs();
        assert!(off < 0.003, "{mode:?}: {share:.4} for {published}");
    }
}

// EPA-420-F-09-025, from memory: 20.8 hp.h of work from a gallon for large line-haul units.
#[test]
fn fuel_burnt_is_what_large_locomotives_burn() {
    let railway = healthy(3, Season::Spring);
    let found = series(&railway, "ZVR 4104", &["traction.power", "fuel.rate"]);
    let kwh: f64 = found["traction.power"]
        .iter()
        .map(|(_, kw)| kw.max(0.0) * 10.0 / 3_600.0)
        .sum();
    let litres: f64 = found["fuel.rate"]
        .iter()
        .map(|(_, l_h)| l_h * 30.0 / 3_600.0)
        .sum();
    let hp_h_per_gallon = kwh / 0.745_7 / (litres / 3.785_411_784);
    // Auxiliaries and idling are in the fuel and not in the work, so a little less.
    assert!(
        (17.5..=20.8).contains(&hp_h_per_gallon),
        "{hp_h_per_gallon}"
    );
}

// 375 x hp x efficiency / mph bounds the effort; practice: under 0.37 of the weight on drivers.
#[test]
fn effort_stays_within_power_and_adhesion() {
    let railway = healthy(5, Season::Spring);
    let found = series(&railway, "ZVR 4104", &["traction.effort", "unit.speed"]);
    let speed: BTreeMap<i64, f64> = found["unit.speed"].iter().copied().collect();
    let mut pulled = 0;
    for (at_s, effort_kn) in &found["traction.effort"] {
        assert!(*effort_kn < 0.37 * 190.0 * 9.806_65, "{effort_kn} kN");
        if let Some(km_h) = speed.get(at_s).filter(|km_h| **km_h > 5.0) {
            let limit_kn = 3.6 * 3_000.0 * 0.85 / km_h;
            assert!(
                *effort_kn < limit_kn * 1.03 + 6.0,
                "{effort_kn} kN at {km_h} km/h"
            );
            pulled += i32::from(*effort_kn > 0.8 * limit_kn);
        }
    }
    assert!(pulled > 300, "it pulls near its power: {pulled}");
}

// Practice: oil 5 to 15 K above coolant at full load, coolant below its alarm at 98 degC.
#[test]
fn a_sound_engine_keeps_its_temperatures_in_every_season() {
    for (season, _) in Season::ALL {
        let railway = healthy(7, season);
        let names = [
            "engine.oil.temperature",
            "engine.coolant.temperature",
            "engine.speed",
            "unit.tunnel",
        ];
        let found = series(&railway, "ZVR 4104", &names);
        let mut full_s = 0;
        let mut loaded = 0;
        for (idx, (at_s, oil)) in found["engine.oil.temperature"].iter().enumerate() {
            let coolant = found["engine.coolant.temperature"][idx].1;
            let full = found["engine.speed"][idx].1 > 930.0;
            full_s = if full { full_s + 10 } else { 0 };
            let tunnel = held(&found["unit.tunnel"], *at_s) > 0.5;
            assert!(
                coolant < if tunnel { 104.0 } else { 98.0 },
                "{season:?}: {coolant} at {at_s}"
            );
            if full_s > 600 {
                let above = oil - coolant;
                assert!(
                    (4.0..=15.0).contains(&above),
                    "{season:?}: {above} K at {at_s}"
                );
                loaded += 1;
            }
        }
        assert!(loaded > 300, "{season:?} had load: {loaded}");
    }
}

// 49 CFR 229.49: acts within 5 psi of the working pressure, starts no lower than 15 psi above the
// brake pipe, stops no less than 10 psi above where it started; never past 15 psi over working.
#[test]
fn the_compressor_keeps_the_regulation() {
    let railway = healthy(9, Season::Spring);
    let names = [
        "brake.main_reservoir.pressure",
        "compressor.running",
        "engine.speed",
    ];
    let found = series(&railway, "ZVR 4104", &names);
    let noise_kpa = 6.0;
    for (at_s, kpa) in &found["brake.main_reservoir.pressure"] {
        assert!(*kpa < 155.0 * KPA_PER_PSI, "{kpa}");
        // Ten minutes after a start it is full again.
        let speed = &found["engine.speed"];
        let until = speed.partition_point(|(second, _)| second <= at_s);
        let ran = speed[until.saturating_sub(60)..until]
            .iter()
            .all(|(_, rpm)| *rpm > 200.0);
        if until > 60 && ran {
            assert!(
                *kpa > (90.0 + 15.0) * KPA_PER_PSI - noise_kpa,
                "{kpa} at {at_s}"
            );
        }
    }
    let changes = found["compressor.running"]
        .windows(2)
        .filter(|pair| pair[0].1 < pair[1].1);
    let starts = changes.count();
    assert!(starts > 100, "{starts}");
}

// 49 CFR 232.207(b)(1): at most 5 psi a minute after a 20 psi reduction, feed cut, settled.
#[test]
fn a_leakage_test_tells_a_sound_train_from_a_leaking_one() {
    let worst = |planted: bool| {
        let settings = Settings {
            duration_s: 3 * 86_400,
            ..Settings::default()
        };
        let railway = common::railway(settings, planted);
        let names = ["brake.feed_cut_out", "brake.pipe.pressure"];
        let found = series(&railway, "ZVR 4118", &names);
        let pipe = &found["brake.pipe.pressure"];
        let mut falls = Vec::new();
        for pair in pipe.windows(5) {
            let (from, until) = (pair[0], pair[4]);
            let cut = |at_s| held(&found["brake.feed_cut_out"], at_s) > 0.5;
            // The leak is there from the eighth hour on.
            if from.0 > 9 * 3_600 && until.0 - from.0 == 40 && cut(from.0) && cut(until.0) {
                falls.push((from.1 - until.1) / 40.0 * 60.0 / KPA_PER_PSI);
            }
        }
        assert!(!falls.is_empty(), "the train was tested");
        falls.into_iter().fold(f64::NEG_INFINITY, f64::max)
    };
    let sound = worst(false);
    assert!((0.5..=5.0).contains(&sound), "{sound} psi/min");
    let leaking = worst(true);
    assert!(leaking > 5.0, "{leaking} psi/min");
}

#[test]
fn the_same_settings_give_the_same_telemetry() {
    let settings = Settings {
        duration_s: 7_200,
        ..Settings::default()
    };
    let first = common::railway(settings.clone(), true);
    let second = common::railway(settings.clone(), true);
    let bits = |railway: &Railway, unit: &str| -> Vec<_> {
        deliveries(railway, unit)
            .into_iter()
            .map(|delivery| delivery.batch)
            .collect()
    };
    // The order in which units run does not matter either.
    let later = bits(&first, "ZVR 4102");
    let earlier = bits(&first, "ZVR 4101");
    assert_eq!(earlier, bits(&second, "ZVR 4101"));
    assert_eq!(later, bits(&second, "ZVR 4102"));
    let other = common::railway(
        Settings {
            seed: 2,
            ..settings
        },
        true,
    );
    assert_ne!(earlier, bits(&other, "ZVR 4101"));
}

#[test]
fn what_is_sent_is_in_range_and_in_order() {
    let catalogue = common::catalogue();
    let settings = Settings {
        duration_s: 6 * 3_600,
        ..Settings::default()
    };
    let railway = common::railway(settings, false);
    let mut n_samples = 0;
    for idx in 0..railway.units().len() {
        railway.run_unit(idx, &mut |delivery| {
            let (first, last) = delivery.batch.span().unwrap();
            assert!(delivery.from <= first && last < delivery.until);
            for column in &delivery.batch.columns {
                let def = catalogue.by_id(column.channel).unwrap();
                assert!(column.times_ms.is_sorted());
                assert_eq!(column.times_ms.len(), column.values.len());
                for value in &column.values {
                    let fits = (def.range.0..=def.range.1).contains(value);
                    assert!(fits, "{} reads {value}", def.name);
                }
                n_samples += column.values.len();
            }
        });
    }
    assert!(n_samples > 2_000_000, "{n_samples}");
}

#[test]
fn a_backlog_comes_newest_first_and_promises_only_at_its_end() {
    let railway = common::railway(Settings::default(), true);
    let all = deliveries(&railway, "ZVR 4116");
    let start = railway.settings().start;
    let hour = |hours: i64| start.plus_ms(hours * 3_600_000);
    let backlog: Vec<&Delivery> = all
        .iter()
        .filter(|delivery| delivery.sent_at > delivery.until)
        .collect();
    assert_eq!(backlog.len(), 4 * 60);
    assert!(backlog.windows(2).all(|pair| pair[0].from > pair[1].from));
    assert!(
        backlog
            .iter()
            .all(|delivery| delivery.sent_at >= hour(14).plus_ms(-60_000))
    );
    let (last, others) = backlog.split_last().unwrap();
    assert!(
        others
            .iter()
            .all(|delivery| delivery.batch.complete_through.is_none())
    );
    assert_eq!(
        last.batch.complete_through,
        Some(backlog[0].until.plus_ms(-1))
    );
    assert!(
        all.windows(2)
            .all(|pair| pair[0].sent_at <= pair[1].sent_at)
    );
    let mut spans: Vec<(EventTime, EventTime)> = all
        .iter()
        .map(|delivery| (delivery.from, delivery.until))
        .collect();
    spans.sort_unstable();
    assert!(
        spans.windows(2).all(|pair| pair[0].1 == pair[1].0),
        "nothing is lost or sent twice"
    );
}

#[test]
fn what_does_not_fit_together_is_refused_with_its_name() {
    let planted = |text: &str| Failures::parse("planted", text).unwrap().failure;
    let failure = "[[failure]]\nid = \"x\"\nunit = \"ZVR 1201\"\nkind = \"axle_locked\"\naxle = 6\n\
                   after = \"1 h\"\nseverity = 1.0\ncomponent = \"axle\"\n\
                   visible_after = \"1 h\"\nfinding = \"seized\"\n";
    let refused = |failures: &[wheeltap_sim::Failure], settings: Settings| {
        Railway::new(settings, &common::file(), failures, &common::catalogue()).unwrap_err()
    };
    let error = refused(&planted(failure), Settings::default());
    assert!(
        error.to_string().contains("axle 6 of a unit with 4 axles"),
        "{error}"
    );
    let nowhere = failure.replace("ZVR 1201", "ZVR 9");
    let error = refused(&planted(&nowhere), Settings::default());
    assert!(matches!(error, SimError::Misplaced { .. }), "{error}");
    let never = Settings {
        duration_s: 0,
        ..Settings::default()
    };
    assert!(matches!(refused(&[], never), SimError::Setting { .. }));
    let classless = wheeltap_catalogue::Catalogue::builtin();
    let error = Railway::new(Settings::default(), &common::file(), &[], &classless).unwrap_err();
    assert!(matches!(error, SimError::UnknownClass { .. }), "{error}");
}
