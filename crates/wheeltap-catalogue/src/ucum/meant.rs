//! What people write instead of a code, and the code they mean.

use super::Ucum;
use super::atoms::{joint, simple_unit};

/// What people write, in lower case, and the UCUM code they mean.
pub(super) const MEANT: &[(&str, &str)] = &[
    ("degc", "Cel"),
    ("deg c", "Cel"),
    ("\u{b0}c", "Cel"),
    ("celsius", "Cel"),
    ("degf", "[degF]"),
    ("deg f", "[degF]"),
    ("\u{b0}f", "[degF]"),
    ("fahrenheit", "[degF]"),
    ("kelvin", "K"),
    ("\u{b0}", "deg"),
    ("psi", "[psi]"),
    ("psig", "[psi]"),
    ("inhg", "[in_i'Hg]"),
    ("inh2o", "[in_i'H2O]"),
    ("mh2o", "m[H2O]"),
    ("mmhg", "mm[Hg]"),
    ("mph", "[mi_i]/h"),
    ("mi/h", "[mi_i]/h"),
    ("kph", "km/h"),
    ("kmh", "km/h"),
    ("kmph", "km/h"),
    ("mps", "m/s"),
    ("fps", "[ft_i]/s"),
    ("kn", "[kn_i]"),
    ("knot", "[kn_i]"),
    ("knots", "[kn_i]"),
    ("rpm", "/min"),
    ("rev", "{rev}"),
    ("rev/min", "{rev}/min"),
    ("cfm", "[cft_i]/min"),
    ("scfm", "[cft_i]/min"),
    ("lpm", "L/min"),
    ("gal", "[gal_us]"),
    ("gallon", "[gal_us]"),
    ("gallons", "[gal_us]"),
    ("gph", "[gal_us]/h"),
    ("gal/h", "[gal_us]/h"),
    ("gpm", "[gal_us]/min"),
    ("gal/min", "[gal_us]/min"),
    ("lb", "[lb_av]"),
    ("lbs", "[lb_av]"),
    ("lbm", "[lb_av]"),
    ("lb/min", "[lb_av]/min"),
    ("lbf", "[lbf_av]"),
    ("klb", "10*3.[lb_av]"),
    ("k[psi]", "10*3.[psi]"),
    ("klbf", "10*3.[lbf_av]"),
    ("oz", "[oz_av]"),
    ("ton", "[ston_av]"),
    ("tons", "[ston_av]"),
    ("hp", "[HP]"),
    ("[hp]", "[HP]"),
    ("bhp", "[HP]"),
    ("in", "[in_i]"),
    ("inch", "[in_i]"),
    ("foot", "[ft_i]"),
    ("feet", "[ft_i]"),
    ("yd", "[yd_i]"),
    ("mi", "[mi_i]"),
    ("mile", "[mi_i]"),
    ("miles", "[mi_i]"),
    ("btu", "[Btu_IT]"),
    ("sec", "s"),
    ("second", "s"),
    ("hr", "h"),
    ("hour", "h"),
    ("day", "d"),
    ("yr", "a"),
    ("year", "a"),
    ("month", "mo"),
    ("percent", "%"),
    ("pct", "%"),
    ("ppm", "[ppm]"),
    ("ppb", "[ppb]"),
    ("volt", "V"),
    ("volts", "V"),
    ("amp", "A"),
    ("amps", "A"),
    ("watt", "W"),
    ("kwh", "kW.h"),
    ("amph", "A.h"),
    ("ah", "A.h"),
    ("litre", "L"),
    ("liter", "L"),
    ("tonne", "t"),
    ("\u{3a9}", "Ohm"),
    ("\u{2126}", "Ohm"),
    ("dba", "dB[SPL]{A}"),
    ("db(a)", "dB[SPL]{A}"),
    ("db[spl](a)", "dB[SPL]{A}"),
    ("count", "{count}"),
    ("event", "{event}"),
    ("events", "{event}"),
    ("m/s^2", "m/s2"),
    ("m/s\u{b2}", "m/s2"),
    ("\u{b5}m", "um"),
];

/// Codes that are met in the wrong case.
const USUAL: &[&str] = &[
    "km/h",
    "m/s",
    "mm/s",
    "L/h",
    "L/min",
    "kW.h",
    "g/min",
    "kg/min",
    "Cel",
    "K",
    "Pa",
    "kPa",
    "MPa",
    "hPa",
    "bar",
    "mbar",
    "N",
    "kN",
    "W",
    "kW",
    "MW",
    "J",
    "kJ",
    "MJ",
    "V",
    "mV",
    "kV",
    "A",
    "mA",
    "kA",
    "Ohm",
    "Hz",
    "kHz",
    "m",
    "km",
    "cm",
    "mm",
    "g",
    "kg",
    "t",
    "s",
    "ms",
    "min",
    "h",
    "d",
    "L",
    "rad",
    "deg",
    "dB",
    "[degF]",
    "[psi]",
    "[HP]",
    "m/s2",
    "dB[SPL]",
    "dB[SPL]{A}",
];

/// The code that was probably meant: a habit of speech, or another case of a right code.
pub(super) fn suggestion(code: &str) -> Option<String> {
    let lower = code.to_lowercase();
    if let Some((_, right)) = MEANT.iter().find(|(meant, _)| *meant == lower) {
        return Some((*right).to_owned());
    }
    if let Some(usual) = USUAL.iter().find(|usual| usual.to_lowercase() == lower) {
        return Some((*usual).to_owned());
    }
    // Otherwise joint by joint.
    let mut right = String::new();
    let mut rest = code;
    loop {
        let end = joint(rest);
        let part = &rest[..end];
        if !part.is_empty() {
            if simple_unit(part).is_ok() {
                right.push_str(part);
            } else {
                let lower = part.to_lowercase();
                let meant = MEANT
                    .iter()
                    .find(|(meant, code)| *meant == lower && !code.contains(['/', '.']))
                    .map(|(_, code)| *code);
                let cased = || {
                    USUAL
                        .iter()
                        .find(|usual| usual.to_lowercase() == lower)
                        .copied()
                };
                right.push_str(meant.or_else(cased)?);
            }
        }
        if end == rest.len() {
            break;
        }
        right.push_str(&rest[end..=end]);
        rest = &rest[end + 1..];
    }
    (right != code && Ucum::parse(&right).is_ok()).then_some(right)
}
