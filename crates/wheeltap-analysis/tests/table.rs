//! The promise: the table of formulas says what is true: units are UCUM codes, names are unique, every
//! formula computes, and this crate's factors are UCUM's.

use std::collections::BTreeSet;
use wheeltap_analysis::{Compute, FORMULAS, find};
use wheeltap_catalogue::Ucum;

#[test]
fn names_and_units_are_sound() {
    let names: BTreeSet<&str> = FORMULAS.iter().map(|formula| formula.name).collect();
    assert_eq!(names.len(), FORMULAS.len());
    for formula in &FORMULAS {
        let name = formula.name;
        assert!(
            Ucum::parse(formula.ucum).is_ok(),
            "{name}: {}",
            formula.ucum
        );
        for arg in formula.args {
            assert!(
                arg.ucum.is_empty() || Ucum::parse(arg.ucum).is_ok(),
                "{name}: {}",
                arg.ucum
            );
        }
        let args: BTreeSet<&str> = formula.args.iter().map(|arg| arg.name).collect();
        assert_eq!(args.len(), formula.args.len(), "{name}: an argument twice");
        let n_args = match formula.compute {
            Compute::One(_) => 1,
            Compute::Two(_) => 2,
            Compute::Three(_) => 3,
            Compute::Many(_) | Compute::Over(..) => formula.args.len(),
        };
        assert_eq!(formula.args.len(), n_args, "{name}");
        assert!(
            !formula.what.is_empty() && !formula.source.is_empty(),
            "{name}"
        );
        assert_eq!(find(name).map(|found| found.name), Some(name));
    }
}

// Anything may come in: no panic, and what comes out is a number or nothing.
#[test]
fn no_formula_panics_or_gives_an_infinity() {
    let odd = [
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        -1e300,
        -1.0,
        -0.0,
        0.0,
        1e-310,
        1.0,
        8.0,
        100.0,
        1e300,
    ];
    let mut n_known = 0;
    for formula in &FORMULAS {
        for seed in 0..odd.len() * odd.len() * odd.len() {
            let values: Vec<f64> = (0..formula.args.len())
                .map(|place| {
                    odd[(seed / odd.len().pow(u32::try_from(place % 3).unwrap())) % odd.len()]
                })
                .collect();
            if let Compute::Over(n_inputs, start) = formula.compute {
                let mut machine = start(&values[n_inputs..]);
                for ms in 0..5 {
                    let _ = machine.step(ms, &values[..n_inputs]);
                }
            } else if let Some(value) = formula.at(&values) {
                assert!(value.is_finite(), "{}", formula.name);
                n_known += 1;
            }
        }
    }
    assert!(n_known > 10_000);
}

// A formula takes as many values as it has arguments.
#[test]
fn a_wrong_number_of_values_is_nothing() {
    for formula in &FORMULAS {
        let values = vec![1.0; formula.args.len() + 1];
        assert_eq!(formula.at(&values), None, "{}", formula.name);
    }
}
