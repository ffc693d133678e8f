//! What the atoms and prefixes of UCUM are worth.

use super::{Dimension, Factor, Quantity};
use crate::exact::Fraction;
use std::collections::HashMap;
use std::sync::OnceLock;

/// A prefix and an atom, or an atom.
pub(super) fn simple_unit(symbol: &str) -> Result<Quantity, String> {
    let atoms = atoms();
    if let Some((_, quantity)) = atoms.get(symbol) {
        return Ok(*quantity);
    }
    for (prefix, exact) in prefixes() {
        let Some((metric, quantity)) = symbol.strip_prefix(prefix).and_then(|rest| atoms.get(rest))
        else {
            continue;
        };
        if !metric {
            let atom = &symbol[prefix.len()..];
            return Err(format!(
                "{atom} is not metric and takes no prefix; scale with \"10*3.{atom}\" or the like"
            ));
        }
        return Ok(quantity.scaled(*exact));
    }
    Err(format!(
        "it has no unit \"{symbol}\" (codes are case-sensitive)"
    ))
}

fn prefixes() -> &'static [(&'static str, Fraction)] {
    static PREFIXES: OnceLock<Vec<(&str, Fraction)>> = OnceLock::new();
    PREFIXES.get_or_init(|| {
        const DECIMAL: [(&str, i8); 20] = [
            ("da", 1),
            ("Y", 24),
            ("Z", 21),
            ("E", 18),
            ("P", 15),
            ("T", 12),
            ("G", 9),
            ("M", 6),
            ("k", 3),
            ("h", 2),
            ("d", -1),
            ("c", -2),
            ("m", -3),
            ("u", -6),
            ("n", -9),
            ("p", -12),
            ("f", -15),
            ("a", -18),
            ("z", -21),
            ("y", -24),
        ];
        const BINARY: [(&str, u32); 4] = [("Ki", 10), ("Mi", 20), ("Gi", 30), ("Ti", 40)];
        let ten = Fraction::new(10, 1);
        DECIMAL
            .into_iter()
            .filter_map(|(prefix, tens)| Some((prefix, ten?.power(tens)?)))
            .chain(
                BINARY
                    .into_iter()
                    .filter_map(|(prefix, twos)| Some((prefix, Fraction::new(1 << twos, 1)?))),
            )
            .collect()
    })
}

const METRIC: bool = true;
const PLAIN: bool = false;

/// Atoms as (code, metric, decimal, unit): each is worth `decimal` times `unit`, whose atoms stand
/// above it. Values: UCUM essence 2.2 of 2024-06-17 for those in check-values section 8, from
/// memory of the same list for the others.
pub(super) const ATOMS: &[(&str, bool, &str, &str)] = &[
    // Numbers.
    ("10*", PLAIN, "10", "1"),
    ("10^", PLAIN, "10", "1"),
    ("%", PLAIN, "0.01", "1"),
    ("[ppth]", PLAIN, "0.001", "1"),
    ("[ppm]", PLAIN, "0.000001", "1"),
    ("[ppb]", PLAIN, "0.000000001", "1"),
    ("mol", METRIC, "6.0221367e23", "1"),
    // SI.
    ("sr", METRIC, "1", "rad2"),
    ("Hz", METRIC, "1", "/s"),
    ("N", METRIC, "1000", "g.m/s2"),
    ("Pa", METRIC, "1", "N/m2"),
    ("J", METRIC, "1", "N.m"),
    ("W", METRIC, "1", "J/s"),
    ("A", METRIC, "1", "C/s"),
    ("V", METRIC, "1", "J/C"),
    ("F", METRIC, "1", "C/V"),
    ("Ohm", METRIC, "1", "V/A"),
    ("S", METRIC, "1", "/Ohm"),
    ("Wb", METRIC, "1", "V.s"),
    ("T", METRIC, "1", "Wb/m2"),
    ("H", METRIC, "1", "Wb/A"),
    ("lm", METRIC, "1", "cd.sr"),
    ("lx", METRIC, "1", "lm/m2"),
    // Beside SI.
    ("min", PLAIN, "60", "s"),
    ("h", PLAIN, "60", "min"),
    ("d", PLAIN, "24", "h"),
    ("wk", PLAIN, "7", "d"),
    ("a_j", PLAIN, "365.25", "d"),
    ("a_g", PLAIN, "365.2425", "d"),
    ("a_t", PLAIN, "365.24219", "d"),
    ("a", PLAIN, "365.25", "d"),
    ("mo_j", PLAIN, "1", "a_j/12"),
    ("mo_g", PLAIN, "1", "a_g/12"),
    ("mo", PLAIN, "1", "a_j/12"),
    ("l", METRIC, "1", "dm3"),
    ("L", METRIC, "1", "dm3"),
    ("ar", METRIC, "100", "m2"),
    ("t", METRIC, "1000", "kg"),
    ("bar", METRIC, "100000", "Pa"),
    ("u", METRIC, "1.6605402e-24", "g"),
    ("dyn", METRIC, "1", "g.cm/s2"),
    ("erg", METRIC, "1", "dyn.cm"),
    ("P", METRIC, "1", "dyn.s/cm2"),
    ("St", METRIC, "1", "cm2/s"),
    ("G", METRIC, "0.0001", "T"),
    ("[g]", METRIC, "9.80665", "m/s2"),
    ("gf", METRIC, "1", "g.[g]"),
    ("atm", PLAIN, "101325", "Pa"),
    ("att", PLAIN, "1", "kgf/cm2"),
    ("m[H2O]", METRIC, "9.80665", "kPa"),
    ("m[Hg]", METRIC, "133.3220", "kPa"),
    ("cal", METRIC, "4.184", "J"),
    ("cal_IT", METRIC, "4.1868", "J"),
    ("cal_th", METRIC, "4.184", "J"),
    ("bit", METRIC, "1", "1"),
    ("By", METRIC, "8", "bit"),
    ("Bd", METRIC, "1", "/s"),
    // International customary.
    ("[in_i]", PLAIN, "2.54", "cm"),
    ("[ft_i]", PLAIN, "12", "[in_i]"),
    ("[yd_i]", PLAIN, "3", "[ft_i]"),
    ("[mi_i]", PLAIN, "5280", "[ft_i]"),
    ("[nmi_i]", PLAIN, "1852", "m"),
    ("[kn_i]", PLAIN, "1", "[nmi_i]/h"),
    ("[mil_i]", PLAIN, "0.001", "[in_i]"),
    ("[sin_i]", PLAIN, "1", "[in_i]2"),
    ("[sft_i]", PLAIN, "1", "[ft_i]2"),
    ("[syd_i]", PLAIN, "1", "[yd_i]2"),
    ("[cin_i]", PLAIN, "1", "[in_i]3"),
    ("[cft_i]", PLAIN, "1", "[ft_i]3"),
    ("[cyd_i]", PLAIN, "1", "[yd_i]3"),
    // United States and British customary.
    ("[ft_us]", PLAIN, "1200", "m/3937"),
    ("[in_us]", PLAIN, "1", "[ft_us]/12"),
    ("[yd_us]", PLAIN, "3", "[ft_us]"),
    ("[mi_us]", PLAIN, "5280", "[ft_us]"),
    ("[gal_us]", PLAIN, "231", "[in_i]3"),
    ("[qt_us]", PLAIN, "1", "[gal_us]/4"),
    ("[pt_us]", PLAIN, "1", "[qt_us]/2"),
    ("[foz_us]", PLAIN, "1", "[gal_us]/128"),
    ("[bbl_us]", PLAIN, "42", "[gal_us]"),
    ("[gal_br]", PLAIN, "4.54609", "l"),
    ("[pt_br]", PLAIN, "1", "[gal_br]/8"),
    ("[gr]", PLAIN, "64.79891", "mg"),
    ("[lb_av]", PLAIN, "7000", "[gr]"),
    ("[oz_av]", PLAIN, "1", "[lb_av]/16"),
    ("[scwt_av]", PLAIN, "100", "[lb_av]"),
    ("[lcwt_av]", PLAIN, "112", "[lb_av]"),
    ("[ston_av]", PLAIN, "20", "[scwt_av]"),
    ("[lton_av]", PLAIN, "20", "[lcwt_av]"),
    ("[stone_av]", PLAIN, "14", "[lb_av]"),
    ("[lbf_av]", PLAIN, "1", "[lb_av].[g]"),
    ("[psi]", PLAIN, "1", "[lbf_av]/[in_i]2"),
    ("[HP]", PLAIN, "550", "[ft_i].[lbf_av]/s"),
    ("[in_i'H2O]", PLAIN, "1", "m[H2O].[in_i]/m"),
    ("[in_i'Hg]", PLAIN, "1", "m[Hg].[in_i]/m"),
    ("[Btu_IT]", PLAIN, "1.05505585262", "kJ"),
    ("[Btu_th]", PLAIN, "1.054350", "kJ"),
    ("[Btu]", PLAIN, "1", "[Btu_th]"),
    ("[degR]", PLAIN, "5", "K/9"),
];

pub(super) fn atoms() -> &'static HashMap<&'static str, (bool, Quantity)> {
    static ATOM_MAP: OnceLock<HashMap<&str, (bool, Quantity)>> = OnceLock::new();
    ATOM_MAP.get_or_init(build_atoms)
}

/// Builds the map without going through [`atoms`], which would wait for itself.
fn build_atoms() -> HashMap<&'static str, (bool, Quantity)> {
    let mut map = HashMap::new();
    let one = Quantity::number(Fraction::ONE);
    for (idx, base) in ["m", "s", "g", "rad", "K", "C", "cd"]
        .into_iter()
        .enumerate()
    {
        let mut dimension = Dimension::NUMBER;
        dimension.exponents[idx] = 1;
        map.insert(base, (METRIC, Quantity { dimension, ..one }));
    }
    // pi / 180 is not rational, so the angles alone are inexact.
    let half_turn = |parts: f64| Quantity {
        dimension: map["rad"].1.dimension,
        factor: Factor {
            value: std::f64::consts::PI / parts,
            exact: None,
        },
        ..one
    };
    let angles = [
        ("deg", half_turn(180.0)),
        ("'", half_turn(180.0 * 60.0)),
        ("''", half_turn(180.0 * 3600.0)),
        ("gon", half_turn(200.0)),
        (
            "[pi]",
            Quantity {
                dimension: Dimension::NUMBER,
                ..half_turn(1.0)
            },
        ),
    ];
    map.extend(angles.map(|(code, quantity)| (code, (PLAIN, quantity))));
    for (code, metric, decimal, unit) in ATOMS {
        let worth = definition(&map, unit)
            .zip(Fraction::from_decimal(decimal))
            .map(|(unit, decimal)| unit.scaled(decimal))
            .expect("a test reads every atom's definition");
        map.insert(code, (*metric, worth));
    }
    let kelvin = map["K"].1;
    let scale = |step: Option<Fraction>, zero: Option<Fraction>| {
        let (step, zero) = step.zip(zero).expect("constants that fit");
        Quantity {
            offset: zero,
            special: true,
            ..kelvin.scaled(step)
        }
    };
    // 0 Cel = 273.15 K; 0 [degF] = 459.67 * 5/9 K.
    let celsius = scale(Fraction::new(1, 1), Fraction::new(27_315, 100));
    let fahrenheit = scale(Fraction::new(5, 9), Fraction::new(45_967 * 5, 900));
    map.insert("Cel", (METRIC, celsius));
    map.insert("[degF]", (PLAIN, fahrenheit));
    for (code, of) in [("B", "1"), ("B[SPL]", "Pa"), ("B[V]", "V"), ("B[W]", "W")] {
        let mut dimension = definition(&map, of)
            .expect("a test reads every level's definition")
            .dimension;
        dimension.level = true;
        let level = Quantity {
            dimension,
            special: true,
            ..one
        };
        map.insert(code, (METRIC, level));
    }
    map
}

/// A reader for the definitions above alone: atoms with k, c, d or m before metric ones, an
/// exponent digit, whole numbers, joints.
fn definition(map: &HashMap<&'static str, (bool, Quantity)>, unit: &str) -> Option<Quantity> {
    let mut value = Quantity::number(Fraction::ONE);
    let mut per = false;
    let mut rest = unit;
    loop {
        let end = joint(rest);
        let part = &rest[..end];
        if !part.is_empty() {
            let quantity = if let Some(exact) = Fraction::from_decimal(part) {
                Quantity::number(exact)
            } else {
                let exponent = part.chars().last()?.to_digit(10);
                let symbol = if exponent.is_some() {
                    &part[..part.len() - 1]
                } else {
                    part
                };
                let plain = map.get(symbol).map(|(_, quantity)| *quantity);
                let prefixed = || {
                    prefixes().iter().find_map(|(prefix, exact)| {
                        let (_, quantity) = map.get(symbol.strip_prefix(prefix)?)?;
                        Some(quantity.scaled(*exact))
                    })
                };
                let exponent = i8::try_from(exponent.unwrap_or(1)).ok()?;
                plain.or_else(prefixed)?.power(exponent).ok()?
            };
            value = value.joined(quantity, per).ok()?;
        }
        if end == rest.len() {
            return Some(value);
        }
        per = rest.as_bytes()[end] == b'/';
        rest = &rest[end + 1..];
    }
}

/// Where the next `.` or `/` outside of square brackets is, or the end.
pub(super) fn joint(text: &str) -> usize {
    let mut depth = 0_usize;
    for (idx, byte) in text.bytes().enumerate() {
        match byte {
            b'[' => depth += 1,
            b']' => depth = depth.saturating_sub(1),
            b'.' | b'/' if depth == 0 => return idx,
            _ => {}
        }
    }
    text.len()
}
