//! The table of the demonstration's rule book says what is there.

use crate::common;
use std::collections::BTreeSet;
use wheeltap_model::ChannelName;

/// What a mechanical department asks for; the table has a line for each.
const ASKED_FOR: [&str; 27] = [
    "axle not turning while the unit moves",
    "coolant hot",
    "oil above coolant",
    "oil pressure low for speed and temperature",
    "crankcase pressure positive",
    "coolant level falling by engine hour",
    "exhaust temperature of one cylinder",
    "power short of its notch",
    "fuel for the energy made",
    "battery low while running",
    "cranking dip",
    "freeze danger, stopped",
    "main reservoir low",
    "compressor works too much",
    "air flow high",
    "head less rear pressure",
    "brake cylinder not released",
    "brake pipe leakage by the test",
    "slip without sand",
    "sander left on, or sanding at a stand",
    "sand box empty before the next stop",
    "one motor's share of effort",
    "dynamic brake short of command",
    "ground relay trips",
    "brake shoes due",
    "filters due",
    "flange lubricant due",
];

#[test]
fn every_line_names_its_rules_or_says_why_there_is_none() {
    let catalogue = common::catalogue();
    let there: BTreeSet<String> = common::rules(&catalogue)
        .iter()
        .map(|rule| rule.rule.reference.name.to_string())
        .collect();
    let table = common::read("rules/README.md");
    let mut named = BTreeSet::new();
    let mut lines = BTreeSet::new();
    for line in table.lines().filter(|line| line.starts_with("| ")).skip(1) {
        let cells: Vec<&str> = line.trim_matches('|').split('|').map(str::trim).collect();
        let [asked, rules, why] = cells.as_slice() else {
            panic!("three cells: {line}");
        };
        assert!(lines.insert((*asked).to_owned()), "twice: {asked}");
        assert!(why.len() > 10, "nothing is said of {asked}");
        if *rules != "none" {
            named.extend(
                rules
                    .split(", ")
                    .map(|rule| rule.trim_matches('`').to_owned()),
            );
        }
    }
    for asked in ASKED_FOR {
        assert!(lines.contains(asked), "no line for {asked}");
    }
    assert_eq!(named, there);
}

// What the classes say of power and fuel at each notch is what a unit of theirs does there.
#[test]
fn the_classes_figures_are_their_units_own() {
    let railway = common::railway(wheeltap_sim::Settings::default(), false);
    let catalogue = common::catalogue();
    let id = |name: &str| {
        catalogue
            .channel(&ChannelName::new(name).unwrap())
            .unwrap()
            .0
    };
    let (notch, power, fuel) = (id("engine.notch"), id("traction.power"), id("fuel.rate"));
    for unit in ["ZVR 4102", "ZVR 3004", "ZVR 1202"] {
        let of_class = steady_means(&railway, unit, (notch, power, fuel));
        let known = |known: &&wheeltap_sim::SimUnit| known.unit.id.as_str() == unit;
        let class = &railway.units().iter().find(known).unwrap().unit.class;
        let limits = &catalogue.class(class).unwrap().limits;
        let limit = |name: String| limits.iter().find(|(own, _)| *own == name).unwrap().1;
        for (idx, (kw, litres)) in of_class.into_iter().enumerate().skip(1) {
            let class_kw = limit(format!("power_notch_{idx}_kw"));
            let class_litres = limit(format!("fuel_notch_{idx}_l_per_h"));
            let close = |seen: f64, said: f64, share: f64| (seen / said - 1.0).abs() < share;
            assert!(close(kw, class_kw, 0.02), "{unit}, notch {idx}: {kw} kW");
            // Sound units differ by 1.5 % of fuel.
            assert!(
                close(litres, class_litres, 0.025),
                "{unit}, notch {idx}: {litres} L/h"
            );
        }
    }
}

/// Mean power and fuel by notch, from the third minute of a handle position on.
fn steady_means(
    railway: &wheeltap_sim::Railway,
    unit: &str,
    (notch, power, fuel): (
        wheeltap_model::ChannelId,
        wheeltap_model::ChannelId,
        wheeltap_model::ChannelId,
    ),
) -> Vec<(f64, f64)> {
    let known = |known: &wheeltap_sim::SimUnit| known.unit.id.as_str() == unit;
    let idx = railway
        .units()
        .iter()
        .position(known)
        .expect("the roster has it");
    let mut series = [Vec::new(), Vec::new(), Vec::new()];
    railway.run_unit(idx, &mut |delivery| {
        for column in &delivery.batch.columns {
            let which = [notch, power, fuel]
                .iter()
                .position(|id| *id == column.channel);
            if let Some(which) = which {
                let samples = column.samples();
                series[which].extend(samples.map(|sample| (sample.time.unix_ms(), sample.value)));
            }
        }
    });
    let [handle, power, fuel] = series;
    let steady = |at_ms: i64| {
        let last = handle.partition_point(|(time_ms, _)| *time_ms <= at_ms);
        let (_, now) = *handle.get(last.checked_sub(1)?)?;
        let window = handle[..last].iter().rev();
        let moved = window
            .take_while(|(time_ms, _)| *time_ms > at_ms - 120_000)
            .any(|(_, value)| (value - now).abs() > 0.5);
        let before = handle[..last]
            .iter()
            .rfind(|(time_ms, _)| *time_ms <= at_ms - 120_000)?;
        (!moved && (before.1 - now).abs() < 0.5).then_some(now)
    };
    let mean = |series: &[(i64, f64)], notch: usize| {
        let here = series.iter().filter(|(at_ms, _)| {
            steady(*at_ms).is_some_and(|now| (now - notch as f64).abs() < 0.5)
        });
        let (sum, n) = here.fold((0.0, 0.0), |(sum, n), (_, value)| (sum + value, n + 1.0));
        sum / n
    };
    (0..=8)
        .map(|notch| (mean(&power, notch), mean(&fuel, notch)))
        .collect()
}
