//! Values in the words of a person.

use crate::{EvidenceItem, KnownValue};

/// Whether a character does something else to a line than stand in it: controls, and what turns its direction.
pub fn is_hidden(character: char) -> bool {
    let turns = matches!(character, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    turns || character.is_control()
}

/// A stretch of time for people, in its two greatest units: `3 d 4 h`, `12 min`, `8 s`.
pub fn span_words(ms: i64) -> String {
    const UNITS: [(i64, &str); 4] = [
        (86_400_000, "d"),
        (3_600_000, "h"),
        (60_000, "min"),
        (1_000, "s"),
    ];
    if ms < 1_000 {
        return format!("{} ms", ms.max(0));
    }
    let mut parts = Vec::new();
    let mut left = ms;
    for (size, name) in UNITS {
        if left >= size && parts.len() < 2 {
            parts.push(format!("{} {name}", left / size));
            left %= size;
        } else if !parts.is_empty() {
            break;
        }
    }
    parts.join(" ")
}

/// A number as a person would write it: five digits, and all of them before the point.
pub fn number_words(value: f64) -> String {
    if value.abs() >= 10_000.0 {
        return format!("{}", value.round());
    }
    let rounded: f64 = format!("{value:.4e}").parse().unwrap_or(value);
    format!("{rounded}")
}

/// A rate such as alerts a day, rounded: two digits after the point, or two digits where it is seldom.
///
/// ```
/// # use wheeltap_model::rate_words;
/// assert_eq!([rate_words(4.26719), rate_words(0.004_444), rate_words(0.0)], ["4.27", "0.0044", "0"]);
/// ```
pub fn rate_words(value: f64) -> String {
    if value.abs() < 0.1 {
        let rounded: f64 = format!("{value:.1e}").parse().unwrap_or(value);
        return number_words(rounded);
    }
    number_words((value * 100.0).round() / 100.0)
}

/// UCUM atoms whose usual sign is another than their code.
const SIGNS: [(&str, &str); 17] = [
    ("Cel", "°C"),
    ("[degF]", "°F"),
    ("deg", "°"),
    ("Ohm", "Ω"),
    ("dB[SPL]", "dB"),
    ("[HP]", "hp"),
    ("[psi]", "psi"),
    ("[in_i]", "in"),
    ("[ft_i]", "ft"),
    ("[mi_i]", "mi"),
    ("[cin_i]", "in³"),
    ("[cft_i]", "ft³"),
    ("[gal_us]", "gal"),
    ("[lb_av]", "lb"),
    ("[lbf_av]", "lbf"),
    ("[ston_av]", "ton"),
    ("'", "′"),
];

/// A UCUM code as it is written on a gauge: `Cel` is °C, `[cft_i]/min` is ft³/min, `m/s2` is m/s². What has no other
/// sign stays as it is; 1 is nothing.
pub fn unit_words(ucum: &str) -> String {
    let mut words = String::new();
    if ucum == "1" {
        return words;
    }
    for part in ucum.split_inclusive(['.', '/']) {
        let (factor, joint) = match part.strip_suffix('.') {
            Some(factor) => (factor, "·"),
            None => part
                .strip_suffix('/')
                .map_or((part, ""), |factor| (factor, "/")),
        };
        let atom = match factor.trim_end_matches(['2', '3']) {
            // A power of ten, not of an atom.
            ten if ten.ends_with(['*', '^']) => return ucum.to_owned(),
            atom => atom,
        };
        let power = match &factor[atom.len()..] {
            "" => "",
            "2" => "²",
            "3" => "³",
            // Not a power of an atom.
            _ => return ucum.to_owned(),
        };
        let sign = SIGNS.iter().find(|(code, _)| *code == atom);
        words.push_str(sign.map_or(atom, |(_, sign)| sign));
        words.push_str(power);
        words.push_str(joint);
    }
    words
}

/// A number with its unit, which is not there for 1.
fn with_unit(number: &str, ucum: &str) -> String {
    match unit_words(ucum) {
        unit if unit.is_empty() => number.to_owned(),
        unit => format!("{number} {unit}"),
    }
}

/// A level or a measure to the three digits that a gauge on a track is good for, with its unit.
pub fn gauge_words(value: f64, ucum: &str) -> String {
    let rounded: f64 = format!("{value:.2e}").parse().unwrap_or(value);
    with_unit(&number_words(rounded), ucum)
}

/// What a rule saw: `oil 78.2 °C, coolant 59.1 °C`; inputs that are not known say so.
pub fn evidence_words(inputs: &[EvidenceItem]) -> String {
    let words: Vec<String> = inputs
        .iter()
        .map(|item| {
            let value = match item.value {
                KnownValue::Number(number) => number_words(number),
                KnownValue::Flag(true) => "yes".to_owned(),
                KnownValue::Flag(false) => "no".to_owned(),
                KnownValue::Unknown(()) => return format!("{} not known", item.input),
            };
            format!("{} {}", item.input, with_unit(&value, &item.ucum))
        })
        .collect();
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_read_easily() {
        for (value, text) in [
            (0.0, "0"),
            (61.230_000_1, "61.23"),
            (-2400.0, "-2400"),
            (0.012_345_678, "0.012346"),
            (123_456_789.4, "123456789"),
            (-0.25, "-0.25"),
        ] {
            assert_eq!(number_words(value), text);
        }
        assert_eq!(gauge_words(17_349.6, "L"), "17300 L");
        assert_eq!(gauge_words(0.812_4, "kPa"), "0.812 kPa");
        assert_eq!(gauge_words(3.0, "1"), "3");
        for (ucum, sign) in [
            ("Cel", "°C"),
            ("K", "K"),
            ("/min", "/min"),
            ("[cft_i]/min", "ft³/min"),
            ("m3/min", "m³/min"),
            ("m/s2", "m/s²"),
            ("kW.h", "kW·h"),
            ("[lb_av]", "lb"),
            ("%/s", "%/s"),
            ("", ""),
            ("10*3", "10*3"),
        ] {
            assert_eq!(unit_words(ucum), sign);
        }
        assert_eq!(span_words(93_784_000), "1 d 2 h");
        assert_eq!(span_words(3_605_000), "1 h");
        assert_eq!(span_words(59_999), "59 s");
        assert_eq!(span_words(250), "250 ms");
    }
}
