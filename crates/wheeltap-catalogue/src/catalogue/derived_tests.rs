//! Derived channels as files describe them.

use super::*;
use crate::{ClassConstant, DerivedArg};
use wheeltap_model::ChannelKind;

fn with(text: &str) -> Result<Catalogue, Vec<String>> {
    Catalogue::with_files(&[("zvr.toml".to_owned(), text.to_owned())])
        .map_err(|problems| problems.iter().map(ToString::to_string).collect())
}

fn name(text: &str) -> ChannelName {
    ChannelName::new(text).unwrap()
}

#[test]
fn built_in_ones_are_sound() {
    let catalogue = Catalogue::builtin();
    let mut n_derived = 0;
    for (_, def) in catalogue.channels() {
        let Some(derived) = catalogue.derived(&def.name) else {
            continue;
        };
        n_derived += 1;
        assert_eq!(def.ucum, derived.formula.ucum, "{}", def.name);
        assert_eq!(derived.args.len(), derived.formula.args.len());
        let known = derived
            .inputs()
            .all(|input| catalogue.channel(input).is_some());
        assert!(known, "{}", def.name);
    }
    assert!(n_derived > 20);
}

#[test]
fn a_derived_channel_takes_what_its_table_and_first_input_say() {
    let catalogue = with(
        "[[derived]]
        name = \"bogie.{n}.resistance\"
        count = 2
        title = \"Resistance under bogie {n}\"
        formula = \"fall_rate\"
        of = { pressure = \"brake.pipe.pressure\", gate = \"brake.feed_cut_out\", settle = \"1 min\", window = 60 }
        kind = \"held\"
        hold = \"2 min\"
        range = [0, 10]",
    )
    .unwrap();
    let (_, def) = catalogue.channel(&name("bogie.2.resistance")).unwrap();
    assert_eq!(def.title, "Resistance under bogie 2");
    assert_eq!(def.kind, ChannelKind::Held { hold_ms: 120_000 });
    assert_eq!(def.ucum, "kPa/min");
    let derived = catalogue.derived(&def.name).unwrap();
    assert_eq!(
        derived.args,
        [
            DerivedArg::Channel(name("brake.pipe.pressure")),
            DerivedArg::Channel(name("brake.feed_cut_out")),
            DerivedArg::Number(60.0),
            DerivedArg::Number(60.0),
        ]
    );
    let creep = catalogue.channel(&name("traction.axle.3.creep")).unwrap().1;
    assert_eq!(creep.kind, ChannelKind::Sampled { interval_ms: 1_000 });
}

#[test]
fn a_class_gives_its_figures() {
    let catalogue = with(
        "[[class]]
        name = \"Marten\"
        axles = 6
        powered = [1, 3, 4, 6]
        weight_on_drivers = \"425000 [lb_av]\"
        rated_power = \"4300 [HP]\"
        [class.limits]
        fuel_notch_8_l_per_h = 800",
    )
    .unwrap();
    let class = catalogue.classes().next().unwrap();
    let near = |constant: ClassConstant, value: f64| {
        let found = constant.of(class).unwrap();
        assert!((found - value).abs() < 0.01, "{found}, not {value}");
    };
    near(ClassConstant::PoweredAxles, 4.0);
    near(
        ClassConstant::Limit("fuel_notch_8_l_per_h".to_owned()),
        800.0,
    );
    // 425,000 lb and 4,300 hp in UCUM's kg and W.
    near(ClassConstant::WeightOnDrivers, 192_776.76);
    near(ClassConstant::RatedPower, 3_206.51);
    assert_eq!(ClassConstant::SandCapacity.of(class), None);
    assert_eq!(ClassConstant::Limit("other".to_owned()).of(class), None);
}

#[test]
fn a_measured_channel_replaces_a_derived_one() {
    let derived = name("traction.adhesion");
    assert!(Catalogue::builtin().derived(&derived).is_some());
    let catalogue =
        with("[[channel]]\nname = \"traction.adhesion\"\ninterval = \"5 s\"\n").unwrap();
    assert!(catalogue.derived(&derived).is_none());
    assert!(catalogue.channel(&derived).is_some());
}

#[test]
fn a_derived_channel_follows_its_first_input_and_no_other() {
    let change = |name: &str| {
        let text =
            format!("[[channel]]\nname = \"{name}\"\ninterval = \"1 min\"\nsilent = \"7 min\"\n");
        let catalogue = with(&text).unwrap();
        let (_, def) = catalogue
            .channel(&self::name("engine.oil.over_coolant"))
            .unwrap();
        let ChannelKind::Sampled { interval_ms } = def.kind else {
            panic!("it is sampled");
        };
        (interval_ms, def.silent_ms)
    };
    assert_eq!(change("engine.oil.temperature"), (60_000, 420_000));
    assert_eq!(change("engine.coolant.temperature"), (10_000, 100_000));
    // What states its own keeps it.
    let text = "[[channel]]\nname = \"brake.pipe.pressure\"\ninterval = \"5 s\"\n";
    let catalogue = with(text).unwrap();
    let (_, leakage) = catalogue.channel(&name("brake.pipe.leakage")).unwrap();
    assert_eq!(leakage.kind, ChannelKind::Held { hold_ms: 600_000 });
}

/// A whole table with these lines instead of its own.
fn refused(formula: &str, of: &str, more: &str) -> String {
    let text = format!(
        "[[derived]]\nname = \"own.creep\"\nformula = {formula}\nof = {of}\nrange = [-1, 60]\n{more}\n"
    );
    let said = with(&text).unwrap_err();
    assert_eq!(said.len(), 1, "{said:?}");
    said[0].clone()
}

#[test]
fn what_cannot_be_computed_is_refused_with_its_place_and_the_mend() {
    let creep = "\"creep\"";
    let good = "{ wheel = \"traction.axle.1.speed\", ground = \"unit.speed\" }";
    for (formula, of, more, words) in [
        ("\"crep\"", good, "", ["zvr.toml:3:11", "write \"creep\""]),
        (
            "\"time_until\"",
            "{ x = 1 }",
            "",
            ["3:11", "no units of its own"],
        ),
        (
            creep,
            "{ wheel = \"traction.axle.1.speed\" }",
            "",
            ["4:6", "no `ground`"],
        ),
        (
            creep,
            "{ wheel = \"traction.axle.1.sped\", ground = \"unit.speed\" }",
            "",
            ["4:16", "write \"traction.axle.1.speed\""],
        ),
        (
            creep,
            "{ wheel = \"engine.oil.pressure\", ground = \"unit.speed\" }",
            "",
            ["4:16", "is in kPa, and `wheel` in km/h"],
        ),
        (
            creep,
            "{ wheel = \"wheel.slip\", ground = \"unit.speed\" }",
            "",
            ["4:16", "event channel"],
        ),
        (
            creep,
            "{ wheel = 1, ground = 2 }",
            "",
            ["4:6", "no argument is a channel"],
        ),
        (
            creep,
            "{ wheel = \"class.wheel\", ground = \"unit.speed\" }",
            "",
            ["4:16", "no figure `wheel`"],
        ),
        (
            creep,
            "{ wheel = \"class.wheel_diameter\", ground = \"unit.speed\" }",
            "",
            ["4:16", "is in mm"],
        ),
        (
            creep,
            "{ wheel = \"own.creep\", ground = \"unit.speed\" }",
            "",
            ["4:16", "no catalogue has a channel own.creep"],
        ),
        (creep, good, "ucum = \"%\"", ["1:1", "no use for `ucum`"]),
        (
            "\"fall_rate\"",
            "{ pressure = \"brake.pipe.pressure\", gate = 1, settle = 1, window = 60 }",
            "",
            ["4:", "is watched over time"],
        ),
        (
            "\"fall_rate\"",
            "{ pressure = \"brake.pipe.pressure\", gate = \"unit.lead\", settle = \"engine.hours\", window = 60 }",
            "",
            ["4:", "is a setting"],
        ),
    ] {
        let said = refused(formula, of, more);
        assert!(
            words.iter().all(|word| said.contains(word)),
            "{words:?}: {said}"
        );
    }
}

#[test]
fn a_circle_is_refused() {
    let said = with(
        "[[derived]]
name = \"unit.speed\"
formula = \"wheel_speed\"
of = { turns = \"engine.speed\", diameter = \"class.wheel_diameter\" }
range = [0, 250]
[[derived]]
name = \"engine.speed\"
formula = \"wheel_speed\"
of = { turns = \"engine.speed\", diameter = 900 }
range = [0, 250]",
    )
    .unwrap_err();
    assert!(
        said.iter().any(|problem| problem.contains("from itself")),
        "{said:?}"
    );
}
