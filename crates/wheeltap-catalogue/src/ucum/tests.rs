use super::atoms::{ATOMS, atoms, simple_unit};
use super::meant::MEANT;
use super::*;
use proptest::prelude::*;

fn unit(code: &str) -> Ucum {
    Ucum::parse(code).unwrap_or_else(|problem| panic!("{problem}"))
}

#[track_caller]
fn check(value: f64, from: &str, expected: f64, to: &str) {
    let got = unit(from).convert(value, &unit(to)).unwrap();
    let tolerance = 1e-12 * expected.abs().max(1e-300);
    assert!(
        (got - expected).abs() <= tolerance,
        "{value} {from} is {got} {to}, not {expected}"
    );
}

#[test]
fn every_definition_is_read() {
    for (code, _, decimal, definition_text) in ATOMS {
        let quantity = simple_unit(code).unwrap();
        assert!(quantity.factor.value > 0.0, "{code}");
        assert!(
            quantity.factor.exact.is_some(),
            "{code} = {decimal} {definition_text}"
        );
        // The small reader of definitions agrees with the parser.
        let parsed = unit(definition_text);
        assert_eq!(parsed.dimension, quantity.dimension, "{code}");
        let worth = parsed
            .factor
            .exact
            .unwrap()
            .times(Fraction::from_decimal(decimal).unwrap());
        assert_eq!(worth, quantity.factor.exact, "{code}");
    }
    assert_eq!(
        atoms().len(),
        ATOMS.len() + 7 + 5 + 2 + 4,
        "no code is given twice"
    );
}

// UCUM essence 2.2 of 2024-06-17, as listed in check-values section 8, row by row.
#[test]
fn ucum_rows_hold() {
    check(1.0, "[psi]", 6.894_757_293_168_361, "kPa");
    check(1.0, "[lbf_av]/[in_i]2", 1.0, "[psi]");
    check(1.0, "bar", 1e5, "Pa");
    check(1.0, "mbar", 100.0, "Pa");
    check(1.0, "[in_i'Hg]", 3.386_378_8, "kPa");
    check(1.0, "m[H2O]", 9.806_65, "kPa");
    check(1.0, "[mi_i]/h", 0.447_04, "m/s");
    check(1.0, "[mi_i]", 5280.0, "[ft_i]");
    check(1.0, "[mi_i]", 1.609_344, "km");
    check(36.0, "km/h", 10.0, "m/s");
    check(1.0, "[kn_i]", 1.852, "km/h");
    check(1.0, "[lbf_av]", 4.448_221_615_260_5, "N");
    check(1.0, "kN", 1000.0, "N");
    check(1.0, "kW", 1000.0, "J/s");
    // Printed to 14 places in the source; the exact value runs on.
    assert!((unit("[HP]").convert(1.0, &unit("W")).unwrap() - 745.699_871_582_27).abs() < 5e-12);
    check(1.0, "L/h", 1.0, "l/h");
    check(1.0, "[gal_us]", 231.0, "[in_i]3");
    check(1.0, "[gal_us]", 3.785_411_784, "L");
    check(1.0, "[lb_av]", 7000.0, "[gr]");
    check(1.0, "[lb_av]", 0.453_592_37, "kg");
    check(1.0, "[ston_av]", 2000.0, "[lb_av]");
    check(1.0, "[lton_av]", 2240.0, "[lb_av]");
    check(1.0, "t", 1000.0, "kg");
    check(1.0, "[cft_i]/min", 1.0, "[ft_i]3/min");
    check(60.0, "[cft_i]/min", 1.699_010_795_52, "m3/min");
    check(1.0, "[in_i]", 2.54, "cm");
    check(1.0, "[ft_i]", 12.0, "[in_i]");
    check(60.0, "{rev}/min", 60.0, "/min");
    check(60.0, "/min", 1.0, "Hz");
    check(3.0, "{event}", 3.0, "1");
    check(50.0, "%", 0.5, "1");
    check(1.0, "[ppm]", 1e-6, "1");
    check(1.0, "V/A", 1.0, "Ohm");
    check(1.0, "kW.h", 3.6e6, "J");
    check(1.0, "[Btu_IT]", 1.055_055_852_62, "kJ");
    check(1.0, "h", 60.0, "min");
    check(1.0, "d", 24.0, "h");
    check(1.0, "a", 365.25, "d");
    check(12.0, "mo", 1.0, "a");
    check(1.0, "ms", 1000.0, "us");
    check(85.0, "dB[SPL]{A}", 85.0, "dB[SPL]");
    check(10.0, "dB[SPL]", 1.0, "B[SPL]");
    check(10.0, "dB", 1.0, "B");
    check(180.0, "deg", std::f64::consts::PI, "rad");
    check(1.0, "[g]", 9.806_65, "m/s2");
    check(1000.0, "mm/s", 1.0, "m/s");
    check(1.0, "1/s", 1.0, "Hz");
    assert_eq!(
        unit("dB[SPL]").convert(1.0, &unit("Pa")),
        None,
        "a level is no pressure"
    );
    assert_eq!(unit("dB[SPL]").convert(1.0, &unit("dB")), None);
    assert_eq!(
        unit("F").convert(1.0, &unit("[degF]")),
        None,
        "F is the farad"
    );
    assert_eq!(
        unit("C").convert(1.0, &unit("Cel")),
        None,
        "C is the coulomb"
    );
}

// check-values section 8, "Conversion checks", and 1.5 to the digits printed.
#[test]
fn conversion_checks_hold() {
    for (cel, fahrenheit) in [
        (-40.0, -40.0),
        (0.0, 32.0),
        (85.0, 185.0),
        (90.0, 194.0),
        (100.0, 212.0),
        (115.0, 239.0),
    ] {
        assert_eq!(unit("Cel").convert(cel, &unit("[degF]")), Some(fahrenheit));
        assert_eq!(unit("[degF]").convert(fahrenheit, &unit("Cel")), Some(cel));
    }
    for (fahrenheit, cel) in [(180.0, 82.2222), (190.0, 87.7778), (215.0, 101.6667)] {
        let got = unit("[degF]").convert(fahrenheit, &unit("Cel")).unwrap();
        assert!((got - cel).abs() < 0.000_05, "{fahrenheit}: {got}");
    }
    assert_eq!(unit("Cel").convert(0.0, &unit("K")), Some(273.15));
    assert_eq!(
        unit("[degF]").convert_difference(9.0, &unit("K")),
        Some(5.0)
    );
    assert_eq!(
        unit("[degF]").convert_difference(9.0, &unit("Cel")),
        Some(5.0)
    );
    check(60.0, "[mi_i]/h", 96.560_64, "km/h");
    let kilowatt = unit("[HP]").convert(3000.0, &unit("kW")).unwrap();
    assert!((kilowatt - 2237.0996).abs() < 0.000_05);
    check(100.0, "[gal_us]/h", 378.541_178_4, "L/h");
    check(1.0, "[lb_av]/min", 453.592_37, "g/min");
    for (psi, kilopascal) in [
        (1.0, 6.895),
        (3.0, 20.684),
        (5.0, 34.474),
        (15.0, 103.421),
        (20.0, 137.895),
        (75.0, 517.107),
        (80.0, 551.581),
        (90.0, 620.528),
        (130.0, 896.318),
        (140.0, 965.266),
    ] {
        let got = unit("[psi]").convert(psi, &unit("kPa")).unwrap();
        assert!(
            (got - kilopascal).abs() <= 0.000_5,
            "{psi} [psi] is {got} kPa"
        );
    }
}

// check-values section 8, "Grammar checks".
#[test]
fn grammar_is_ucums() {
    assert_eq!(unit("m/s2").factor, unit("m.s-2").factor);
    assert_eq!(unit("m/s2").dimension, unit("m.s-2").dimension);
    for good in [
        "1",
        "/min",
        "{rev}/min",
        "{x}",
        "10*3",
        "10^-3.m",
        "10*-3{n}",
        "kg.(m/s2)",
        "m3.s-1",
        "L/(min.kW)",
        "mm[Hg]",
        "[in_i'Hg]",
        "m{a}.s{b}",
        "2.m",
        "m+2",
        "%",
        "Mi[g]",
        "5.K/9",
        "dam",
        "das",
        "cd",
        "Pa",
        "min",
        "kN",
        "dB[SPL]{A}",
    ] {
        assert!(Ucum::parse(good).is_ok(), "{good}");
    }
    for bad in [
        "",
        " ",
        "m ",
        "m//s",
        "m.",
        ".m",
        "/",
        "m/",
        "m..s",
        "(m",
        "m)",
        "{a",
        "a}",
        "{a{b}}",
        "[psi",
        "psi]",
        "m2s",
        "m-",
        "m0",
        "m+",
        "m/s^2",
        "k[psi]",
        "kmin",
        "0.m",
        "m/H/",
        "10**",
        "mm2m",
        "-m",
        "Cel.m",
        "Cel2",
        "/Cel",
        "dB.s",
        "m300",
        "m{\u{b0}}",
        "()",
    ] {
        assert!(Ucum::parse(bad).is_err(), "{bad:?}");
    }
    let deep = "(".repeat(40) + "m" + &")".repeat(40);
    assert!(Ucum::parse(&deep).unwrap_err().why.contains("nested"));
    assert!(
        Ucum::parse(&"m.".repeat(4000))
            .unwrap_err()
            .why
            .contains("longer")
    );
}

#[test]
fn habits_are_refused_with_the_right_code() {
    for (habit, right) in [
        ("degC", "Cel"),
        ("\u{b0}C", "Cel"),
        ("degF", "[degF]"),
        ("mph", "[mi_i]/h"),
        ("psi", "[psi]"),
        ("PSI", "[psi]"),
        ("rpm", "/min"),
        ("RPM", "/min"),
        ("CFM", "[cft_i]/min"),
        ("gal", "[gal_us]"),
        ("gal/h", "[gal_us]/h"),
        ("rev/min", "{rev}/min"),
        ("KM/H", "km/h"),
        ("kpa", "kPa"),
        ("KW", "kW"),
        ("psi/min", "[psi]/min"),
        ("lb", "[lb_av]"),
        ("lbs/min", "[lb_av]/min"),
        ("hp", "[HP]"),
        ("dBA", "dB[SPL]{A}"),
        ("k[psi]", "10*3.[psi]"),
        ("m/s^2", "m/s2"),
    ] {
        let refusal = Ucum::parse(habit).unwrap_err();
        assert_eq!(refusal.why, format!("write \"{right}\""), "{habit}");
        assert!(Ucum::parse(right).is_ok(), "{right}");
    }
    for (meant, right) in MEANT {
        assert!(Ucum::parse(right).is_ok(), "{right}");
        assert!(Ucum::parse(meant).is_err(), "{meant} is a UCUM code itself");
    }
}

#[test]
fn dimensions_multiply() {
    let energy = unit("kW").dimension().times(unit("h").dimension());
    assert_eq!(energy, unit("J").dimension());
    assert_eq!(
        unit("m").dimension().per(unit("s").dimension()),
        unit("km/h").dimension()
    );
    assert!(
        unit("km")
            .dimension()
            .per(unit("[mi_i]").dimension())
            .is_number()
    );
    assert!(unit("dB").dimension().level);
}

#[test]
fn quantities_are_read() {
    let (value, pound) = Ucum::parse_quantity("425000 [lb_av]").unwrap();
    let kilogram = pound.convert(value, &unit("kg")).unwrap();
    assert!((kilogram - 192_776.757_25).abs() < 1e-9);
    for bad in [
        "", "5", "kg", "x kg", "NaN kg", "inf kg", "5 lb", "1e999 kg", "0x5 kg", "5kg",
    ] {
        assert!(Ucum::parse_quantity(bad).is_err(), "{bad}");
    }
    assert!(
        Ucum::parse_quantity("5 lb")
            .unwrap_err()
            .contains("[lb_av]")
    );
}

fn code() -> impl Strategy<Value = String> {
    let atom = prop::sample::select(vec![
        "m", "km", "s", "h", "g", "[lb_av]", "N", "Pa", "bar", "kW", "L", "[gal_us]", "K", "{x}",
    ]);
    let exponent = prop::sample::select(vec!["", "2", "-1", "+3"]);
    let part = (atom, exponent).prop_map(|(atom, exponent)| {
        if atom.starts_with('{') {
            atom.to_owned()
        } else {
            format!("{atom}{exponent}")
        }
    });
    prop::collection::vec((part, prop::sample::select(vec![".", "/"])), 1..5).prop_map(|parts| {
        let joined: String = parts
            .into_iter()
            .map(|(part, joint)| part + joint)
            .collect();
        joined[..joined.len() - 1].to_owned()
    })
}

proptest! {
    // The law: no text makes the parser panic or loop.
    #[test]
    fn any_text_is_parsed_or_refused(text in "[ -~\u{b0}]{0,24}") {
        if let Ok(unit) = Ucum::parse(&text) {
            prop_assert_eq!(unit.code(), text);
        }
    }

    // The law: a code of the grammar is read, converts to itself to the bit, and to its own
    // reciprocal's reciprocal within rounding.
    #[test]
    fn codes_convert_to_themselves(code in code(), value in -1e6_f64..1e6) {
        let parsed = unit(&code);
        prop_assert_eq!(parsed.convert(value, &parsed).unwrap().to_bits(), value.to_bits());
        let twice = unit(&format!("/(/({code}))"));
        prop_assert_eq!(parsed.dimension(), twice.dimension());
        let there = parsed.convert(value, &twice).unwrap();
        prop_assert!((there - value).abs() <= 1e-9 * value.abs());
    }

    // The law: there and back again, within rounding.
    #[test]
    fn conversions_come_back(value in -1e4_f64..1e4, pair in prop::sample::select(vec![
        ("Cel", "[degF]"), ("[psi]", "kPa"), ("[mi_i]/h", "km/h"), ("[HP]", "kW"), ("deg", "rad"),
        ("[degF]", "K"), ("[cft_i]/min", "L/s"), ("dB[SPL]", "B[SPL]"),
    ])) {
        let (from, to) = (unit(pair.0), unit(pair.1));
        let back = to.convert(from.convert(value, &to).unwrap(), &from).unwrap();
        prop_assert!((back - value).abs() <= 1e-12 * (value.abs() + 500.0));
    }
}

// Found by `codes_convert_to_themselves`: a factor too large to be kept exact was multiplied and
// divided, which lost the last bit.
#[test]
fn a_unit_without_an_exact_factor_converts_to_itself() {
    let huge = unit("bar3.[gal_us]3.[lb_av]3.Pa3");
    assert_eq!(huge.factor.exact, None);
    let value = 123_456.789_012_345_6_f64;
    assert_eq!(
        huge.convert(value, &huge).unwrap().to_bits(),
        value.to_bits()
    );
}
