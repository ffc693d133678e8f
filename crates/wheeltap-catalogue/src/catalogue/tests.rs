use super::*;
use crate::ucum::Ucum;
use wheeltap_model::{ChannelKind, Resolution};

fn channel(name: &str) -> ChannelDef {
    let catalogue = Catalogue::builtin();
    let name = ChannelName::new(name).unwrap();
    catalogue.channel(&name).unwrap().1.clone()
}

fn with(text: &str) -> Result<Catalogue, Vec<CatalogueProblem>> {
    Catalogue::with_files(&[("own.toml".to_owned(), text.to_owned())])
}

/// The only problem's place, and its whole text.
#[track_caller]
fn problem(text: &str) -> (usize, usize, String) {
    let problems = with(text).unwrap_err();
    assert_eq!(problems.len(), 1, "{problems:#?}");
    let shown = problems[0].to_string();
    assert!(shown.starts_with("own.toml:"), "{shown}");
    (problems[0].line, problems[0].column, shown)
}

#[test]
fn the_built_in_file_is_sound() {
    let catalogue = Catalogue::builtin();
    let names: Vec<&ChannelName> = catalogue.channels().map(|(_, def)| &def.name).collect();
    assert!(names.len() > 100, "{}", names.len());
    assert_eq!(catalogue.classes().count(), 0);
    for (id, def) in catalogue.channels() {
        assert!(Ucum::parse(&def.ucum).is_ok(), "{}", def.name);
        assert!(def.range.0 < def.range.1, "{}", def.name);
        assert!(
            !def.title.contains('{') && !def.title.is_empty(),
            "{}",
            def.name
        );
        assert_eq!(catalogue.by_id(id), Some(def));
        assert_eq!(catalogue.channel(&def.name), Some((id, def)));
    }
    let oil = channel("engine.oil.temperature");
    assert_eq!(
        oil.kind,
        ChannelKind::Sampled {
            interval_ms: 10_000
        }
    );
    assert_eq!(oil.resolution, Resolution { num: 1, den: 10 });
    assert_eq!(channel("traction.axle.6.speed").ucum, "km/h");
    let fields = ["axle", "duration", "peak_creep"];
    let ChannelKind::Event { fields: slip } = channel("wheel.slip").kind else {
        panic!("wheel slips are events");
    };
    assert_eq!(
        slip.iter()
            .map(|(name, _)| name.as_str())
            .collect::<Vec<_>>(),
        fields
    );
    // 49 CFR 232.403(c): the rear reports at least every 70 s (check-values 1.4, from memory).
    assert_eq!(
        channel("brake.rear.pressure").kind,
        ChannelKind::Held { hold_ms: 70_000 }
    );
}

#[test]
fn one_quantity_has_one_unit() {
    let mut units: BTreeMap<[i8; 7], String> = BTreeMap::new();
    // The mile of a line, air flow and the sums in hours are as the trade counts them.
    let apart = [
        "place.mile",
        "unit.odometer",
        "brake.air_flow",
        "engine.hours",
    ];
    let builtin = Catalogue::builtin();
    // What is derived comes in the unit of its formula.
    let measured = builtin
        .channels()
        .filter(|(_, def)| builtin.derived(&def.name).is_none());
    for (_, def) in measured {
        let dimension = Ucum::parse(&def.ucum).unwrap().dimension();
        let plain = ["%", "1", "deg"].contains(&def.ucum.as_str());
        let slow = def.ucum == "mm/s";
        if plain || slow || dimension.level || apart.contains(&def.name.as_str()) {
            continue;
        }
        let first = units
            .entry(dimension.exponents)
            .or_insert_with(|| def.ucum.clone());
        assert_eq!(*first, def.ucum, "{}", def.name);
    }
    assert!(units.len() >= 8);
}

#[test]
fn a_file_changes_only_what_it_names() {
    let changed = with(
        "[[channel]]\nname = \"engine.oil.temperature\"\ninterval = \"1 s\"\nrange = [-40, 150]",
    )
    .unwrap();
    let name = ChannelName::new("engine.oil.temperature").unwrap();
    let (id, def) = changed.channel(&name).unwrap();
    let old = channel("engine.oil.temperature");
    assert_eq!(def.kind, ChannelKind::Sampled { interval_ms: 1_000 });
    assert_eq!(
        (def.range, &def.title, def.resolution),
        ((-40.0, 150.0), &old.title, old.resolution)
    );
    assert_eq!(
        def.silent_ms, 60_000,
        "the silent time follows the interval"
    );
    assert_eq!(
        Catalogue::builtin().channel(&name).unwrap().0,
        id,
        "ids stay"
    );
}

#[test]
fn a_file_adds_numbered_channels_and_events() {
    let text = r#"
        [[channel]]
        name = "door.{n}.open"
        count = 2
        title = "Door {n} open"
        kind = "held"
        ucum = "1"
        range = [0, 1]
        resolution = 1
        hold = "5 min"
        [[channel]]
        name = "door.blocked"
        kind = "event"
        fields = [{ name = "door", ucum = "1" }, { name = "lasted", ucum = "s" }]
    "#;
    let catalogue = with(text).unwrap();
    let (id, second) = catalogue
        .channel(&ChannelName::new("door.2.open").unwrap())
        .unwrap();
    assert_eq!(second.title, "Door 2 open");
    assert_eq!(id.0 as usize, Catalogue::builtin().channels().count() + 1);
    let (_, blocked) = catalogue
        .channel(&ChannelName::new("door.blocked").unwrap())
        .unwrap();
    assert!(matches!(&blocked.kind, ChannelKind::Event { fields } if fields.len() == 2));
}

#[test]
fn classes_convert_their_quantities() {
    let text = r#"
        [[class]]
        name = "Marten"
        title = "Six-axle road unit"
        axles = 6
        powered = [1, 2, 3, 4, 5, 6]
        weight_on_drivers = "420000 [lb_av]"
        rated_power = "4400 [HP]"
        gear_ratio = 4.1
        wheel_diameter = "42 [in_i]"
        fuel_capacity = "5000 [gal_us]"
        sand_capacity = "600 kg"
        oil_capacity = "1500 L"
        water_capacity = "1.2 m3"
        [class.limits]
        coolant_hot_cel = 98
        [[class]]
        name = "Stoat"
        axles = 6
        powered = [1, 3, 4, 6]
    "#;
    let catalogue = with(text).unwrap();
    let marten = catalogue.class(&ClassName::new("Marten").unwrap()).unwrap();
    let near = |got: Option<f64>, expected: f64| {
        assert!(
            (got.unwrap() - expected).abs() < 1e-9 * expected,
            "{got:?} is not {expected}"
        );
    };
    near(marten.weight_on_drivers_kg, 190_508.795_4);
    near(marten.rated_power_kw, 3_281.079_434_962);
    near(marten.wheel_diameter_mm, 1066.8);
    near(marten.fuel_capacity_l, 18_927.058_92);
    near(marten.water_capacity_l, 1200.0);
    assert_eq!(marten.limits, vec![("coolant_hot_cel".to_owned(), 98.0)]);
    let stoat = catalogue.class(&ClassName::new("Stoat").unwrap()).unwrap();
    let powered: Vec<bool> = stoat.axles.iter().map(|axle| axle.powered).collect();
    assert_eq!(powered, [true, false, true, true, false, true]);
    assert_eq!(stoat.rated_power_kw, None, "what is not told is unknown");
}

/// File text, line, column, and a part of what is said.
const MISTAKES: &[(&str, usize, usize, &str)] = &[
    (
        "[[channel]]\nname = \"engine.speed\"\nintervall = \"1 s\"",
        3,
        1,
        "write `interval`",
    ),
    (
        "[[chanel]]\nname = \"engine.speed\"",
        1,
        3,
        "write `channel`",
    ),
    (
        "[[channel]]\nname = \"Engine.Speed\"",
        2,
        8,
        "no channel name",
    ),
    ("[[channel]]\nkind = \"held\"", 1, 1, "has no `name`"),
    (
        "[[channel]]\nname = \"engine.speed\"\ninterval = \"1 m\"",
        3,
        12,
        "write \"1 min\"",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nrange = [5, 1]",
        3,
        9,
        "lower one first",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nrange = [0, nan]",
        3,
        9,
        "finite",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nhold = \"1 s\"",
        1,
        1,
        "no use for `hold`",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nsilent = \"1 ms\"",
        3,
        10,
        "silent sooner",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nucum = \"rpm\"",
        3,
        8,
        "write \"/min\"",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nucum = \"km/h\"",
        3,
        8,
        "cannot become",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nucum = \"Hz\"",
        3,
        8,
        "range and resolution",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nresolution = \"0\"",
        3,
        14,
        "0.1",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nresolution = \"1e-9\"",
        3,
        14,
        "2^40 steps",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\ntitle = 5",
        3,
        9,
        "not text",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\nkind = \"polled\"",
        3,
        8,
        "\"sampled\", \"held\"",
    ),
    ("[[channel]]\nname = \"a.{n}\"", 2, 8, "count"),
    ("[[health]]\nfastest = 1", 1, 1, "has no `channel`"),
    (
        "[[health]]\nchannel = \"engine.notch\"",
        2,
        11,
        "not a channel that units sample",
    ),
    (
        "[[health]]\nchannel = \"traction.adhesion\"",
        2,
        11,
        "not a channel that units sample",
    ),
    (
        "[[health]]\nchannel = \"engine.speed\"\nfastest = 0",
        3,
        11,
        "not above zero",
    ),
    (
        "[[health]]\nchannel = \"fuel.level\"\nstuck_after = \"1 h\"\nabove = 200",
        1,
        1,
        "go together",
    ),
    (
        "[[health]]\nchannel = \"engine.speed\"\nstuck = \"1 h\"",
        3,
        1,
        "no key `stuck`",
    ),
    (
        "[[health]]\nchannel = \"engine.speed\"\n[[health]]\nchannel = \"engine.speed\"",
        3,
        1,
        "engine.speed",
    ),
    (
        "[[channel]]\nname = \"x.y\"\nkind = \"sampled\"\nucum = \"K\"\nrange = [0, 1]",
        1,
        1,
        "has no `interval`",
    ),
    (
        "[[channel]]\nname = \"x.y\"\nkind = \"sampled\"\ninterval = \"1 s\"\nrange = [0, 1]",
        1,
        1,
        "has no `ucum`",
    ),
    (
        "[[channel]]\nname = \"x.y\"\nkind = \"sampled\"\ninterval = \"1 s\"\nucum = \"K\"",
        1,
        1,
        "has no `range`",
    ),
    ("channel = 5", 1, 11, "list of tables"),
    (
        "[[class]]\nname = \"A\"\nrated_power = 4400",
        3,
        15,
        "not text",
    ),
    (
        "[[class]]\nname = \"A\"\nrated_power = \"4400 hp\"",
        3,
        15,
        "[HP]",
    ),
    (
        "[[class]]\nname = \"A\"\nrated_power = \"4400 kg\"",
        3,
        15,
        "converts to kW",
    ),
    ("[[class]]\nname = \"A\"\naxles = 0", 3, 9, "from 1 to 32"),
    (
        "[[class]]\nname = \"A\"\naxles = 4\npowered = [5]",
        4,
        11,
        "from 1 to 4",
    ),
    ("[[class]]\nname = \"A\"\npowered = [1]", 3, 11, "add axles"),
    ("[[class]]\nname = \"A/B\"", 2, 8, "no class name"),
    (
        "[[class]]\nname = \"A\"\n[class.limits]\nHot = 5",
        4,
        1,
        "lower-case",
    ),
    (
        "[[class]]\nname = \"A\"\n[class.limits]\nhot = \"5\"",
        4,
        7,
        "finite number",
    ),
    (
        "[[class]]\nname = \"A\"\n[[class]]\nname = \"A\"",
        3,
        1,
        "twice",
    ),
    (
        "[[channel]]\nname = \"engine.speed\"\n[[channel]]\nname = \"engine.speed\"",
        3,
        1,
        "twice",
    ),
    ("name = ", 1, 8, "TOML syntax"),
];

#[test]
fn each_mistake_is_told_with_its_place_and_mend() {
    for (text, line, column, said) in MISTAKES {
        let (at_line, at_column, shown) = problem(text);
        assert_eq!((at_line, at_column), (*line, *column), "{shown}");
        assert!(shown.contains(said), "{shown}");
    }
}

#[test]
fn all_problems_of_all_files_come_at_once() {
    let bad = "[[channel]]\nname = \"engine.speed\"\nrange = 5\nhue = 1\n[[class]]\naxles = -1\n";
    let files = [
        ("a.toml".to_owned(), bad.to_owned()),
        ("b.toml".to_owned(), bad.to_owned()),
    ];
    let problems = Catalogue::with_files(&files).unwrap_err();
    let places: Vec<_> = problems.iter().map(|p| (p.file.as_str(), p.line)).collect();
    assert_eq!(
        places,
        [("a.toml", 3), ("a.toml", 4), ("a.toml", 5), ("a.toml", 6)]
            .into_iter()
            .chain([("b.toml", 3), ("b.toml", 4), ("b.toml", 5), ("b.toml", 6)])
            .collect::<Vec<_>>()
    );
}

#[test]
fn a_refused_file_changes_nothing() {
    let mut catalogue = Catalogue::builtin();
    let before: Vec<ChannelDef> = catalogue.channels().map(|(_, def)| def.clone()).collect();
    let text = "[[channel]]\nname = \"engine.speed\"\ninterval = \"5 s\"\nhue = 1";
    catalogue.extend("own.toml", text).unwrap_err();
    let after: Vec<ChannelDef> = catalogue.channels().map(|(_, def)| def.clone()).collect();
    assert_eq!(before, after);
}

#[test]
fn renumbered_channels_keep_their_names() {
    let mut catalogue = Catalogue::builtin();
    let mut next = 1_000;
    catalogue.renumber(|_| {
        next += 1;
        ChannelId(next)
    });
    for (id, def) in catalogue.channels() {
        assert_eq!(catalogue.by_id(id).unwrap().name, def.name);
    }
    catalogue
        .extend("own.toml", "[[channel]]\nname = \"x\"\nkind = \"event\"")
        .unwrap();
    let (id, _) = catalogue.channel(&ChannelName::new("x").unwrap()).unwrap();
    assert_eq!(id.0, next + 1, "a new channel takes no id in use");
}

use proptest::prelude::*;

proptest! {
    // The law: no text makes the reader panic, and a refusal has a place inside the text.
    #[test]
    fn any_text_is_read_or_refused(parts in prop::collection::vec(prop::sample::select(vec![
        "[[channel]]\n", "[[class]]\n", "name = \"engine.speed\"\n", "name = \"x\"\n", "kind = \"held\"\n",
        "hold = \"1 s\"\n", "range = [0, 1]\n", "range = [1]\n", "ucum = \"K\"\n", "count = 3\n", "fields = [{}]\n",
        "axles = 3\n", "[class.limits]\n", "=", "\"", "\u{e9}", "[", "\r\n", "\0",
    ]), 0..12)) {
        let text = parts.concat();
        if let Err(problems) = with(&text) {
            prop_assert!(!problems.is_empty());
            for problem in problems {
                prop_assert!((1..=text.lines().count().max(1) + 1).contains(&problem.line), "{}", problem);
                prop_assert!(problem.column >= 1);
            }
        }
    }
}
