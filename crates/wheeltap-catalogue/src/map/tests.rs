use super::*;
use proptest::prelude::*;
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName};

const TIME: &str = "[time]\ncolumn = \"t\"\ncounts = \"s\"\n";
const UNIT: &str = "[unit]\nname = \"ZVR 4117\"\n";
const OIL: &str = "[[channel]]\ncolumn = \"TS1\"\nname = \"engine.oil.temperature\"\n";

fn map(text: &str) -> Result<CsvMap, Vec<CatalogueProblem>> {
    CsvMap::parse("map.toml", text)
}

fn bind(text: &str) -> Result<BoundMap, Vec<CatalogueProblem>> {
    map(text)?.bind(&Catalogue::builtin())
}

fn def(bound: &BoundMap, name: &str) -> ChannelDef {
    let name = ChannelName::new(name).unwrap();
    bound.catalogue().channel(&name).unwrap().1.clone()
}

#[test]
fn the_design_example_is_read() {
    let text = r#"
        [csv]
        separator = ";"
        [time]
        column = "t_s"
        counts = "s"
        from = "2026-01-01T00:00:00Z"
        [unit]
        name = "ZVR 4117"
        class = "Marten"
        [[channel]]
        column = "TS1"
        name = "engine.oil.temperature"
        ucum = "Cel"
        spacing = "1 s"
    "#;
    let bound = bind(text).unwrap();
    assert_eq!(bound.class().unwrap().as_str(), "Marten");
    assert_eq!(bound.unit().unwrap().as_str(), "ZVR 4117");
    let oil = def(&bound, "engine.oil.temperature");
    assert_eq!(oil.kind, ChannelKind::Sampled { interval_ms: 1_000 });
    assert!(bound.columns[0].conversion.is_identity());
    let name = ChannelName::new("engine.oil.temperature").unwrap();
    let (id, before) = Catalogue::builtin()
        .channel(&name)
        .map(|(id, def)| (id, def.clone()))
        .unwrap();
    assert_eq!(bound.channels().collect::<Vec<_>>(), [id]);
    assert_eq!(oil.range, before.range);
}

#[test]
fn a_channel_can_be_declared_in_the_map() {
    let text = format!(
        "{TIME}{UNIT}[[channel]]\ncolumn = \"CE\"\nname = \"cooler.efficiency\"\nucum = \"1\"\nstored = \"%\"\n\
         kind = \"sampled\"\nspacing = \"1 s\"\nrange = [0, 100]\nresolution = \"0.001\"\n"
    );
    let bound = bind(&text).unwrap();
    let efficiency = def(&bound, "cooler.efficiency");
    assert_eq!(
        (efficiency.ucum.as_str(), efficiency.range),
        ("%", (0.0, 100.0))
    );
    assert_eq!(
        bound.columns[0].conversion.apply(0.25).to_bits(),
        25.0_f64.to_bits()
    );
}

#[test]
fn the_maps_own_catalogue_is_taken_up() {
    let text = format!(
        "catalogue = \"own.toml\"\n{TIME}{UNIT}[[channel]]\ncolumn = \"x\"\nname = \"x.y\"\n"
    );
    let own = "[[channel]]\nname = \"x.y\"\nkind = \"held\"\nhold = \"1 h\"\nucum = \"K\"\nrange = [0, 1]\n\
               [[class]]\nname = \"Rig\"\n";
    let parse = |answer: Result<String, String>| {
        CsvMap::parse_with("map.toml", &text, |name| {
            assert_eq!(name, "own.toml");
            answer.clone()
        })
    };
    let bound = parse(Ok(own.to_owned()))
        .unwrap()
        .bind(&Catalogue::builtin())
        .unwrap();
    assert_eq!(
        def(&bound, "x.y").kind,
        ChannelKind::Held { hold_ms: 3_600_000 }
    );
    assert_eq!(bound.catalogue().classes().count(), 1);
    let missing = parse(Err("no such file".to_owned())).unwrap_err();
    assert_eq!((missing[0].line, missing[0].column), (1, 13), "{missing:?}");
    assert!(missing[0].what.contains("no such file"));
    let broken = parse(Ok("[[channel]]\nname = 5".to_owned())).unwrap();
    let problems = broken.bind(&Catalogue::builtin()).unwrap_err();
    assert_eq!(
        (problems[0].file.as_str(), problems[0].line),
        ("own.toml", 2)
    );
}

#[test]
fn a_map_is_loaded_with_its_neighbours() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("map.toml");
    std::fs::write(
        &path,
        format!("catalogue = [\"own.toml\"]\n{TIME}{UNIT}{OIL}"),
    )
    .unwrap();
    let missing = CsvMap::load(&path).unwrap_err();
    assert!(missing[0].what.contains("own.toml"), "{missing:?}");
    std::fs::write(
        folder.path().join("own.toml"),
        "[[class]]\nname = \"Rig\"\n",
    )
    .unwrap();
    let bound = CsvMap::load(&path)
        .unwrap()
        .bind(&Catalogue::builtin())
        .unwrap();
    assert_eq!(bound.catalogue().classes().count(), 1);
    let absent = CsvMap::load(&folder.path().join("none.toml")).unwrap_err();
    assert!(
        absent[0].to_string().contains("cannot be read"),
        "{absent:?}"
    );
}

/// What is put together as the map, the line of the only problem, and a part of what is said.
const MISTAKES: &[(&[&str], usize, &str)] = &[
    (&[UNIT, OIL], 1, "has no `time`"),
    (&[TIME, OIL], 1, "has no `unit`"),
    (&[TIME, UNIT], 1, "has no channel"),
    (&[TIME, UNIT, OIL, "colour = 1\n"], 9, "no key `colour`"),
    (
        &[TIME, UNIT, OIL, "spacin = \"1 s\"\n"],
        9,
        "write `spacing`",
    ),
    (&[TIME, UNIT, OIL, "spacing = \"1\"\n"], 9, "is no span"),
    (&[TIME, UNIT, OIL, "ucum = \"degC\"\n"], 9, "write \"Cel\""),
    (
        &[TIME, UNIT, OIL, "ucum = \"kPa\"\n"],
        9,
        "does not convert to Cel",
    ),
    (&[TIME, UNIT, OIL, "position = 2\n"], 9, "not both"),
    (
        &[TIME, "[unit]\nname = \"rig {fil}\"\n", OIL],
        5,
        "write {file} for the name of the file",
    ),
    (
        &[TIME, "[unit]\nname = \"rig/{file}\"\n", OIL],
        5,
        "is no unit id",
    ),
    (
        &[TIME, UNIT, "state = \"asleep\"\n", OIL],
        6,
        "write one of unknown, working",
    ),
    (
        &[TIME, UNIT, "role = \"first\"\n", OIL],
        6,
        "write one of lead, trailing, remote",
    ),
    (
        &["[csv]\nskip_before = 0\n", TIME, UNIT, OIL],
        2,
        "write how many lines there are",
    ),
    (
        &["[csv]\nheader = false\nskip_after = 1\n", TIME, UNIT, OIL],
        3,
        "give skip_before instead",
    ),
    (
        &["[time]\ncolumns = [\"t\"]\ncounts = \"s\"\n", UNIT, OIL],
        2,
        "columns = [\"Date\", \"Time\"]",
    ),
    (
        &["[time]\npositions = [1, 2]\ncounts = \"s\"\n", UNIT, OIL],
        3,
        "a number stands in one column",
    ),
    (
        &[TIME, UNIT, OIL, "words = { On = \"1\" }\n"],
        9,
        "finite number",
    ),
    (
        &[TIME, UNIT, OIL, "hold = \"1 s\"\n"],
        6,
        "no use for `hold`",
    ),
    (&[TIME, UNIT, OIL, OIL], 11, "mapped twice"),
    (
        &[TIME, UNIT, "[[channel]]\nname = \"unit.speed\"\n"],
        6,
        "neither `column` nor `position`",
    ),
    (
        &[TIME, UNIT, "[[channel]]\ncolumn = \"a\"\n"],
        6,
        "has no `name`",
    ),
    (
        &[
            TIME,
            UNIT,
            "[[channel]]\nposition = 0\nname = \"unit.speed\"\n",
        ],
        7,
        "count columns from 1",
    ),
    (
        &[
            TIME,
            UNIT,
            "[[channel]]\ncolumn = []\nname = \"unit.speed\"\n",
        ],
        7,
        "list of names",
    ),
    (
        &[
            TIME,
            UNIT,
            "[[channel]]\ncolumn = \"a\"\nname = \"unit.sped\"\n",
        ],
        8,
        "write \"unit.speed\"",
    ),
    (
        &[
            TIME,
            UNIT,
            "[[channel]]\ncolumn = \"a\"\nname = \"x.new\"\n",
        ],
        8,
        "declare it here",
    ),
    (
        &[
            TIME,
            UNIT,
            "[[channel]]\ncolumn = \"a\"\nname = \"wheel.slip\"\n",
        ],
        8,
        "is an event",
    ),
    (
        &[
            TIME,
            UNIT,
            "[[channel]]\ncolumn = \"a\"\nname = \"x.new\"\nkind = \"sampled\"\nucum = \"K\"\nrange = [0, 1]\n",
        ],
        6,
        "has no `spacing`",
    ),
    (
        &["[csv]\nseparator = \";;\"\n", TIME, UNIT, OIL],
        2,
        "one ASCII character",
    ),
    (
        &["[csv]\ndecimal = \",\"\n", TIME, UNIT, OIL],
        2,
        "both separate",
    ),
    (
        &["[csv]\ndecimal = \"x\"\n", TIME, UNIT, OIL],
        2,
        "point nor a comma",
    ),
    (
        &["[csv]\nmissing = 5\n", TIME, UNIT, OIL],
        2,
        "list of texts",
    ),
    (
        &["[csv]\nheader = \"no\"\n", TIME, UNIT, OIL],
        2,
        "yes or no",
    ),
    (&["csv = 5\n", TIME, UNIT, OIL], 1, "not a table"),
    (&["catalogue = 5\n", TIME, UNIT, OIL], 1, "no file name"),
    (
        &["catalogue = \"c.toml\"\n", TIME, UNIT, OIL],
        1,
        "without a folder",
    ),
    (
        &["[time]\ncolumn = \"t\"\n", UNIT, OIL],
        1,
        "`counts` or `text`",
    ),
    (
        &["[time]\ncolumn = \"t\"\ncounts = \"km\"\n", UNIT, OIL],
        3,
        "no unit of time",
    ),
    (
        &["[time]\ncolumn = \"t\"\ncounts = \"sec\"\n", UNIT, OIL],
        3,
        "write \"s\"",
    ),
    (
        &[
            "[time]\ncolumn = \"t\"\ncounts = \"s\"\nfrom = \"2026\"\n",
            UNIT,
            OIL,
        ],
        4,
        "RFC 3339",
    ),
    (
        &[
            "[time]\ncolumn = \"t\"\ncounts = \"s\"\nzone = \"Z\"\n",
            UNIT,
            OIL,
        ],
        4,
        "no use",
    ),
    (
        &[
            "[time]\ncolumn = \"t\"\ntext = \"rfc3339\"\nfrom = \"2026-01-01T00:00:00Z\"\n",
            UNIT,
            OIL,
        ],
        4,
        "no use",
    ),
    (
        &[
            "[time]\ncolumn = \"t\"\ntext = \"rfc3339\"\nzone = \"Europe/Riga\"\n",
            UNIT,
            OIL,
        ],
        4,
        "fixed offset",
    ),
    (
        &["[time]\ncolumn = \"t\"\ntext = \"iso\"\n", UNIT, OIL],
        3,
        "is no pattern",
    ),
    (
        &[
            "[time]\ncolumn = \"t\"\ntext = \"%Y-%!\"\nzone = \"Z\"\n",
            UNIT,
            OIL,
        ],
        3,
        "no pattern that can be read",
    ),
    (
        &["[time]\ncolumn = \"t\"\ntext = \"%Y-%m-%d\"\n", UNIT, OIL],
        3,
        "names no zone",
    ),
    (
        &[
            "[time]\ncolumn = \"t\"\ntext = \"%H:%M\"\nzone = \"Z\"\n",
            UNIT,
            OIL,
        ],
        3,
        "has no date",
    ),
    (
        &[
            "[time]\ncolumn = \"t\"\ntext = \"%Y-%m-%d\"\nzone = \"Z\"\ndate_from_file = true\n",
            UNIT,
            OIL,
        ],
        3,
        "date of its own",
    ),
    (
        &[TIME, "[unit]\nclass = \"A\"\n", OIL],
        4,
        "whose the rows are",
    ),
    (&[TIME, "[unit]\nname = \"a/b\"\n", OIL], 5, "no unit id"),
    (
        &[TIME, "[unit]\nname = \"a\"\ncolumn = \"b\"\n", OIL],
        6,
        "no use",
    ),
    (
        &[TIME, "[unit]\nname = \"a\"\nclass = \"b/c\"\n", OIL],
        6,
        "no class name",
    ),
    (&["[time\n"], 1, "TOML syntax"),
];

#[test]
fn each_mistake_is_told_with_its_place_and_mend() {
    for (parts, line, said) in MISTAKES {
        let text = parts.concat();
        let problems = bind(&text).expect_err(&text);
        assert_eq!(problems.len(), 1, "{text}\n{problems:#?}");
        let shown = problems[0].to_string();
        assert_eq!(problems[0].line, *line, "{text}\n{shown}");
        assert!(
            shown.starts_with("map.toml:") && shown.contains(said),
            "{shown}"
        );
    }
}

#[test]
fn all_problems_come_at_once() {
    let text = "[csv]\nhue = 1\n[time]\ncolumn = 5\ncounts = \"s\"\n[unit]\nname = \"/\"\n[[channel]]\nname = \"x\"\n";
    let lines: Vec<usize> = map(text)
        .unwrap_err()
        .iter()
        .map(|problem| problem.line)
        .collect();
    assert_eq!(lines, [2, 4, 7, 8]);
}

proptest! {
    // The law: no text makes the reader panic, and a refusal says something.
    #[test]
    fn any_text_is_read_or_refused(parts in prop::collection::vec(prop::sample::select(vec![
        TIME, UNIT, OIL, "[csv]\n", "[time]\n", "text = \"%H:%M:%S%.f\"\n", "zone = \"+01:30\"\n", "text = \"%\"\n",
        "date_from_file = true\n", "column = [\"a\", \"b\"]\n", "position = 3\n", "repeats = \"5 s\"\n",
        "words = {}\n", "kind = \"held\"\n", "=", "\u{e9}", "text = \"%s\"\n", "text = \"%9f%%%Z%:::z\"\n",
    ]), 0..10)) {
        if let Err(problems) = bind(&parts.concat()) {
            prop_assert!(problems.iter().all(|problem| !problem.what.is_empty() && !problem.mend.is_empty()));
            prop_assert!(!problems.is_empty());
        }
    }
}

// The examples of FORMATS.md, cut out of it, so that they cannot go out of date.
#[test]
fn the_documented_examples_are_read() {
    let blocks: Vec<&str> = include_str!("../../FORMATS.md")
        .split("```toml\n")
        .skip(1)
        .map(|rest| rest.split("```").next().unwrap())
        .collect();
    assert_eq!(blocks.len(), 7);
    let catalogue = [blocks[0], blocks[1], blocks[2]].concat();
    // The map shows a header-less file beside one with names.
    let text = [blocks[4], blocks[5]].concat();
    let text = text.replace("header = false", "header = true");
    let map = CsvMap::parse_with("map.toml", &text, |_| Ok(catalogue.clone())).unwrap();
    let bound = map
        .bind(&Catalogue::builtin())
        .unwrap_or_else(|problems| panic!("{problems:#?}"));
    assert_eq!(bound.catalogue().classes().count(), 1);
    assert_eq!(bound.channels().count(), 4);
    let work = [("work.toml".to_owned(), blocks[3].to_owned())];
    let work = crate::read_work(&work, bound.catalogue())
        .unwrap_or_else(|problems| panic!("{problems:#?}"));
    assert_eq!((work.points.len(), work.wears.len()), (1, 1));
    assert_eq!(def(&bound, "cab.door.2.open").silent_ms, 1_200_000);
    let cases = crate::read_cases("r.cases.toml", blocks[6], &Catalogue::builtin(), |name| {
        assert!(["oil-above-coolant.fouled.csv", "oil-above-coolant.mate.csv"].contains(&name));
        Ok("min,engine.oil.temperature [degF]\n0,180\n60,200\n".to_owned())
    });
    let case = &cases.unwrap()[0];
    assert_eq!((case.alerts.len(), case.mates.len()), (1, 1));
}

#[test]
fn bad_events_are_refused_by_place_and_mend() {
    let slip = "[[event]]\nname = \"wheel.slip\"\n";
    let check = |rest: &str, line: usize, column: usize, words: &str| {
        let text = [TIME, UNIT, rest].concat();
        let problems = bind(&text).unwrap_err();
        let found = problems.iter().any(|problem| {
            (problem.line, problem.column) == (line, column)
                && (problem.what.contains(words) || problem.mend.contains(words))
        });
        assert!(found, "no {words:?} at {line}:{column} in {problems:#?}");
    };
    check(
        "[[event]]\nname = \"wheel.slop\"\n",
        7,
        8,
        "write \"wheel.slip\"",
    );
    check("[[event]]\nname = \"no.such\"\n", 7, 8, "kind = \"event\"");
    check(
        "[[event]]\nname = \"unit.speed\"\n",
        7,
        8,
        "under [[channel]]",
    );
    check("[[event]]\ncolumn = \"x\"\n", 6, 1, "has no `name`");
    check(&format!("{slip}is = \"slip\"\n"), 8, 6, "add column");
    check(&format!("{slip}onset = true\n"), 8, 9, "add column");
    check(
        &format!("{slip}column = \"x\"\nis = 5\n"),
        9,
        6,
        "a list of words",
    );
    check(&format!("{slip}colum = \"x\"\n"), 8, 1, "write `column`");
    check(&format!("{slip}fields = 5\n"), 8, 10, "is not a table");
    check(
        &format!("{slip}[event.fields]\naxle = \"axle\"\n"),
        9,
        8,
        "axle = { column",
    );
    check(
        &format!("{slip}[event.fields]\naxel = {{ column = \"a\" }}\n"),
        9,
        1,
        "use axle, duration",
    );
    check(
        &format!("{slip}[event.fields]\nduration = {{ column = \"a\", ucum = \"kPa\" }}\n"),
        9,
        35,
        "does not convert to s",
    );
    check(
        &format!("{slip}[event.fields]\naxle = {{ colum = \"a\" }}\n"),
        9,
        10,
        "write `column`",
    );
}
