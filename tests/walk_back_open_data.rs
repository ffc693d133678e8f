//! The promise: on real recordings with labelled faults walking back names the sensors that the fault
//! acts on, and since when, though nothing is known of the machine. There is one machine each time and
//! no class, so its own past alone says what is usual.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use std::collections::BTreeMap;
use std::path::Path;
use wheeltap_analysis::{Difference, Peers, Quantity, Walk};
use wheeltap_tests::open_data::{recordings, text_of};

/// Columns of a recording by name.
type Columns = BTreeMap<String, Vec<f64>>;

/// The numbers of a CSV file; a column with anything else is left out.
fn columns(path: &Path) -> Columns {
    let text = text_of(path);
    let mut reader = csv::ReaderBuilder::new().from_reader(text.as_bytes());
    let names: Vec<String> = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_owned)
        .collect();
    let mut columns: Vec<Vec<f64>> = vec![Vec::new(); names.len()];
    let mut is_number = vec![true; names.len()];
    for record in reader.records() {
        for (idx, field) in record.unwrap().iter().enumerate() {
            let value = field.parse();
            is_number[idx] &= value.is_ok();
            columns[idx].push(value.unwrap_or(f64::NAN));
        }
    }
    let all = names.into_iter().zip(columns).zip(is_number);
    all.filter_map(|(column, is_number)| is_number.then_some(column))
        .collect()
}

/// Means over so many rows.
fn means(values: &[f64], rows: usize) -> Vec<f64> {
    let mean = |pane: &[f64]| pane.iter().sum::<f64>() / pane.len() as f64;
    values.chunks_exact(rows).map(mean).collect()
}

/// Walks back from the end of the panes; names with what differs, the surest first.
fn walk(panes: &Columns) -> Vec<(String, Difference)> {
    let n_panes = panes.values().next().unwrap().len();
    let mut walk = Walk::new(Peers {
        n_panes,
        n_features: 0,
        features: vec![Vec::new()],
        n_conditions: 1,
        conditions: vec![vec![1; n_panes]],
        mates: Vec::new(),
        until: n_panes,
        lengths: Vec::new(),
        n_today: n_panes,
    });
    let names: Vec<&String> = panes.keys().collect();
    for (number, name) in names.iter().enumerate() {
        let quantity = Quantity {
            values: vec![panes[*name].clone()],
            step: 1e-3,
            without: Vec::new(),
            weights: (1.0, 1.0),
            relates: false,
            sensor: number,
        };
        walk.add(number, &quantity);
    }
    let (found, _) = walk.finish();
    found
        .into_iter()
        .map(|difference| (names[difference.quantity].clone(), difference))
        .collect()
}

fn told(found: &[(String, Difference)]) -> String {
    let line = |(name, difference): &(String, Difference)| {
        format!(
            "{name}: score {:.1}, {:.2} here, {:.2} usually, since {:?}\n",
            difference.score,
            difference.here,
            difference.usually.unwrap_or(f64::NAN),
            difference.since,
        )
    };
    found.iter().map(line).collect()
}

fn place(found: &[(String, Difference)], name: &str) -> usize {
    found
        .iter()
        .position(|(own, _)| own == name)
        .unwrap_or(found.len())
}

// The air production unit of a metro train (MetroPT-3, UCI, DOI 10.24432/C5VW3R): two recordings of
// sound hours, then half an hour of a reported air leak, in which the compressor was loaded without
// a pause and its oil hot.
#[test]
fn an_air_leak_is_named_by_what_the_compressor_does() {
    let Some(folder) = recordings("metro-air-unit") else {
        return;
    };
    let mut panes = Columns::new();
    let mut n_sound = 0;
    for (name, most) in [
        ("metropt3_2020-02-01_00h_first1000.csv", 1_000),
        ("metropt3_2020-02-05_10h_normal.csv", 360),
        ("metropt3_2020-04-18_12h_air_leak.csv", 180),
    ] {
        let before = panes.values().next().map_or(0, Vec::len);
        for (column, values) in columns(&folder.join(name)) {
            if column.starts_with("Unnamed") {
                continue;
            }
            // Two minutes.
            panes
                .entry(column)
                .or_default()
                .extend(means(&values[..most.min(values.len())], 12));
        }
        n_sound = before;
    }
    let found = walk(&panes);
    let told = told(&found);
    // Loaded without a pause: the valves' signals, the pressure on the compressor, the heat. The motor's
    // current is not among the first: before, it went to and fro by far more than it rose.
    for acts in ["Oil_temperature", "COMP", "DV_eletric", "TP2"] {
        assert!(place(&found, acts) < 8, "{acts}\n{told}");
    }
    for other in ["LPS", "Oil_level", "Pressure_switch", "Caudal_impulses"] {
        let worst = ["Oil_temperature", "DV_eletric", "COMP"].map(|name| place(&found, name));
        assert!(
            place(&found, other) > worst.into_iter().max().unwrap(),
            "{other}\n{told}"
        );
    }
    let since = found[0].1.since.unwrap();
    assert!(since.abs_diff(n_sound) <= 2, "{n_sound}\n{told}");
}

// The hydraulic test rig (Helwig, Pignanelli, Schuetze, UCI, DOI 10.24432/C5CW21), one pane a cycle:
// cycles with a sound cooler, then those with one close to total failure. Valve, pump and
// accumulator go through the same settings in both.
#[test]
fn a_cooler_is_named_by_temperatures_and_cooling_power() {
    let Some(folder) = recordings("hydraulic-rig") else {
        return;
    };
    let conditions = columns(&folder.join("cycle_conditions.csv"));
    let cycles = |cooler: f64| -> Vec<usize> {
        (0..conditions["cycle"].len())
            .filter(|cycle| (conditions["cooler_condition_pct"][*cycle] - cooler).abs() < 0.5)
            .filter(|cycle| conditions["not_yet_stable"][*cycle] < 0.5)
            .collect()
    };
    let (sound, failing) = (cycles(100.0), cycles(3.0));
    assert!(sound.len() > 200 && failing.len() > 40);
    let order: Vec<usize> = sound
        .iter()
        .chain(failing.iter().take(40))
        .copied()
        .collect();
    let mut panes = Columns::new();
    for file in [
        "telemetry_1hz.csv.gz",
        "pressures_flows_power_1s_means.csv.gz",
    ] {
        for (name, values) in columns(&folder.join(file)) {
            if ["t_s", "cycle", "second"].contains(&name.as_str()) {
                continue;
            }
            let by_cycle = means(&values, 60);
            panes.insert(name, order.iter().map(|cycle| by_cycle[*cycle]).collect());
        }
    }
    let found = walk(&panes);
    let told = told(&found);
    let cooling = ["TS1", "TS2", "TS3", "TS4", "CE", "CP"];
    // PS4 falls to nothing in the same cycles, and flow with it; the cooler's own come before.
    for (name, difference) in &found[..2] {
        assert!(cooling.contains(&name.as_str()), "{name}\n{told}");
        assert_eq!(difference.since, Some(sound.len()), "{told}");
    }
    let is_cooling = |(name, _): &&(String, _)| cooling.contains(&name.as_str());
    assert!(found[..6].iter().filter(is_cooling).count() >= 4, "{told}");
}
