use super::*;
use wheeltap_model::{ChannelKind, ConsistRole};

const START_MS: i64 = 1_767_225_600_000;

fn cases(text: &str, files: &[(&str, &str)]) -> Result<Vec<RuleCase>, Vec<String>> {
    read_cases("r.cases.toml", text, &Catalogue::builtin(), |name| {
        files
            .iter()
            .find(|(file, _)| *file == name)
            .map(|(_, text)| (*text).to_owned())
            .ok_or_else(|| "no such file".to_owned())
    })
    .map_err(|found| found.iter().map(ToString::to_string).collect())
}

fn one(text: &str, csv: &str) -> RuleCase {
    cases(text, &[("a.csv", csv)]).unwrap().remove(0)
}

fn values(case: &RuleCase, channel: &str) -> Vec<(i64, f64)> {
    let name = wheeltap_model::ChannelName::new(channel).unwrap();
    let (id, _) = case.catalogue.channel(&name).unwrap();
    case.measured.samples[&id]
        .iter()
        .map(|sample| (sample.time.unix_ms() - START_MS, sample.value))
        .collect()
}

#[test]
fn rows_are_samples_as_they_stand() {
    let case = one(
        "[[case]]\nname = \"n\"\ncsv = \"a.csv\"\nclass = \"Marten\"\nalert = []\n",
        "min,engine.oil.temperature,engine.coolant.temperature [degF]\n0,80,\n1.5,,212\n",
    );
    assert_eq!(values(&case, "engine.oil.temperature"), [(0, 80.0)]);
    assert_eq!(
        values(&case, "engine.coolant.temperature"),
        [(90_000, 100.0)]
    );
    assert_eq!(
        case.class.as_ref().map(ToString::to_string).as_deref(),
        Some("Marten")
    );
    assert_eq!(case.alerts, []);
}

#[test]
fn lines_and_holds_fill_what_lies_between() {
    let csv = "s,engine.oil.temperature,engine.notch\n0,80,8\n4,88,8\n6,,1\n8,90,1\n";
    let head = "[[case]]\nname = \"n\"\ncsv = \"a.csv\"\nalert = []\n";
    let line = one(&format!("{head}between = \"line\"\n"), csv);
    let oil = values(&line, "engine.oil.temperature");
    let name = wheeltap_model::ChannelName::new("engine.oil.temperature").unwrap();
    let (_, def) = line.catalogue.channel(&name).unwrap();
    let ChannelKind::Sampled { interval_ms } = def.kind else {
        panic!("sampled");
    };
    // The cell at 6 s is empty: silent from 4 s to 8 s.
    let mut expected: Vec<(i64, f64)> = (0..4_000)
        .step_by(usize::try_from(interval_ms).unwrap())
        .map(|ms| (ms, 80.0 + 0.002 * ms as f64))
        .collect();
    expected.extend([(4_000, 88.0), (8_000, 90.0)]);
    assert_eq!(oil, expected);
    let hold = one(&format!("{head}between = \"hold\"\n"), csv);
    assert!(
        values(&hold, "engine.oil.temperature")
            .iter()
            .all(|(ms, value)| *ms >= 4_000 || (80.0..=80.0).contains(value))
    );
    // A held channel does not slide from 8 to 1, whatever is said of sampled ones.
    assert!(
        values(&line, "engine.notch")
            .iter()
            .all(|(_, notch)| [1.0, 8.0].contains(notch))
    );
}

#[test]
fn times_are_spans_from_the_beginning_or_instants() {
    let case = one(
        "[[case]]\nname = \"n\"\ncsv = \"a.csv\"\nfrom = \"2026-03-01T00:00:00Z\"\nrole = \"trailing\"\n\
         state = [{ at = \"0 s\", is = \"working\" }, { at = \"2 h\", is = \"isolated\" }]\n\
         alert = [{ raised = \"1 h 20 min\", ended = \"2026-03-01T03:00:00Z\", part = \"axle 3\" }]\n",
        "time,engine.oil.temperature\n2026-03-01T01:00:00+01:00,80\n",
    );
    let from = EventTime::from_unix_ms(
        "2026-03-01T00:00:00Z"
            .parse::<jiff::Timestamp>()
            .unwrap()
            .as_millisecond(),
    );
    assert_eq!(
        case.alerts,
        [ExpectedAlert {
            part: Some("axle 3".to_owned()),
            raised_at: from.plus_ms(4_800_000),
            ended_at: Some(from.plus_ms(10_800_000)),
        }]
    );
    assert_eq!(case.measured.samples.values().next().unwrap()[0].time, from);
    assert_eq!(
        case.states.at(from.plus_ms(7_200_000)).unwrap().value,
        UnitState::Isolated
    );
    assert_eq!(
        case.consists.at(from).unwrap().value.role,
        ConsistRole::Trailing
    );
}

#[test]
fn a_map_of_its_own_reads_other_tables() {
    let found = cases(
        "[[case]]\nname = \"n\"\ncsv = \"a.csv\"\nmap = \"m.toml\"\nalert = []\n",
        &[
            ("a.csv", "t;oil\n0;80,5\n"),
            (
                "m.toml",
                "csv = { separator = \";\", decimal = \",\" }\ntime = { column = \"t\", counts = \"s\" }\n\
                 unit = { name = \"ZVR 1\", class = \"Stoat\" }\n\
                 [[channel]]\ncolumn = \"oil\"\nname = \"engine.oil.temperature\"\n",
            ),
        ],
    )
    .unwrap();
    assert_eq!(found[0].unit.as_str(), "ZVR 1");
    let oil: Vec<f64> = found[0]
        .measured
        .samples
        .values()
        .next()
        .unwrap()
        .iter()
        .map(|s| s.value)
        .collect();
    assert_eq!(oil, [80.5]);
}

#[test]
fn what_is_wrong_is_said_with_its_place() {
    let found = cases(
        "[[case]]\nname = \"a\"\ncsv = \"gone.csv\"\nalert = []\n\
         [[case]]\nname = \"b\"\ncsv = \"a.csv\"\nalrt = []\nbetween = \"spline\"\n\
         [[case]]\nname = \"c\"\ncsv = \"a.csv\"\nalert = [{ raised = \"soon\" }]\nrole = \"mid\"\n\
         [[case]]\nname = \"d\"\ncsv = \"b.csv\"\nalert = []\n\
         [[case]]\nname = \"e\"\ncsv = \"c.csv\"\nalert = []\n\
         [[case]]\nname = \"f\"\ncsv = \"d.csv\"\nalert = [{ raised = \"2 h\", ended = \"1 h\" }]\n",
        &[
            ("a.csv", "s,engine.oil.temperature\n0,80\n"),
            ("b.csv", "when,engine.oil.temperature\n0,80\n"),
            ("c.csv", "s,engine.oil.temperatur\n0,80\n"),
            ("d.csv", "s,engine.oil.temperature\n0,hot\n"),
        ],
    )
    .unwrap_err();
    let expected = [
        "r.cases.toml:3:7: \"gone.csv\" cannot be read: no such file; put it beside the file of cases",
        "r.cases.toml:5:1: [[case]] has no `alert`; add alert = ",
        "r.cases.toml:8:1: [[case]] has no key `alrt`; write `alert`, or remove it",
        "r.cases.toml:9:11: `between` = \"spline\" is neither line nor hold",
        "r.cases.toml:13:21: `raised` = \"soon\" is no time",
        "r.cases.toml:14:8: no part in a train \"mid\"",
        "r.cases.toml:26:10: the alert ends before it is raised",
        "b.csv:1: the first column is \"when\" and no time",
        "c.csv:1: no catalogue has a channel engine.oil.temperatur; write \"engine.oil.temperature\"",
    ];
    assert_eq!(found.len(), expected.len(), "{found:#?}");
    for (found, expected) in found.iter().zip(expected) {
        assert!(found.starts_with(expected), "{found}\nis not\n{expected}");
    }
    let bad_cell = cases(
        "[[case]]\nname = \"f\"\ncsv = \"d.csv\"\nalert = []\n",
        &[("d.csv", "s,engine.oil.temperature\n0,hot\n")],
    )
    .unwrap_err();
    assert!(bad_cell[0].starts_with("d.csv:2:"), "{bad_cell:?}");
    let too_long = cases(
        "[[case]]\nname = \"f\"\ncsv = \"d.csv\"\nbetween = \"line\"\nalert = []\n",
        &[("d.csv", "h,engine.oil.temperature\n0,80\n90000,90\n")],
    )
    .unwrap_err();
    assert!(too_long[0].contains("too many samples"), "{too_long:?}");
    let none = cases("", &[]).unwrap_err();
    assert!(none[0].contains("the file has no case"), "{none:?}");
}

#[test]
fn baselines_are_given_by_input() {
    let head = "[[case]]\nname = \"n\"\ncsv = \"a.csv\"\nalert = []\n";
    let files = [("a.csv", "s,engine.oil.temperature\n0,80\n")];
    let with = |baselines: &str| cases(&format!("{head}baseline = [{baselines}]\n"), &files);
    let good = "{ input = \"score\", median = 84, spread = 2.5 }";
    let case = with(good).unwrap().remove(0);
    let expected = CaseBaseline {
        input: "score".to_owned(),
        median: 84.0,
        spread: 2.5,
    };
    assert_eq!(case.baselines, [expected]);
    for (baselines, words) in [
        ("{ input = \"score\", median = 84 }", "spread"),
        (
            "{ input = \"score\", median = 84, spread = 0 }",
            "a spread of 0",
        ),
        (
            "{ input = \"score\", median = \"84\", spread = 1 }",
            "`median` is no number",
        ),
        ("{ of = \"score\", median = 84, spread = 1 }", "input"),
        (&format!("{good}, {good}"), "is there already"),
    ] {
        let said = with(baselines).unwrap_err().join("; ");
        assert!(
            said.contains("r.cases.toml:5") && said.contains(words),
            "{said}"
        );
    }
}

#[test]
fn mates_have_tables_of_their_own() {
    let head = "[[case]]\nname = \"n\"\ncsv = \"a.csv\"\nalert = []\nunit = \"ZVR 1\"\n";
    let files = [
        ("a.csv", "s,engine.oil.temperature\n0,80\n"),
        ("b.csv", "min,engine.oil.temperature [degF]\n1,212\n"),
        ("bad.csv", "s,engine.oil.temperatur\n0,80\n"),
    ];
    let mates =
        "mate = [{ csv = \"b.csv\" }, { csv = \"a.csv\", unit = \"ZVR 2\", class = \"Stoat\" }]\n";
    let case = cases(&format!("{head}{mates}"), &files).unwrap().remove(0);
    let told: Vec<_> = case
        .mates
        .iter()
        .map(|mate| {
            let values = mate.measured.samples.values().flatten();
            let values: Vec<_> = values
                .map(|sample| (sample.time.unix_ms() - START_MS, sample.value))
                .collect();
            let class = mate.class.as_ref().map(ToString::to_string);
            (mate.unit.to_string(), class, values)
        })
        .collect();
    let expected = [
        ("mate 1".to_owned(), None, vec![(60_000, 100.0)]),
        (
            "ZVR 2".to_owned(),
            Some("Stoat".to_owned()),
            vec![(0, 80.0)],
        ),
    ];
    assert_eq!(told, expected);
    let refused = |mates: &str| {
        cases(&format!("{head}{mates}"), &files)
            .unwrap_err()
            .join("; ")
    };
    for (mates, words) in [
        (
            "mate = [{ csv = \"b.csv\", unit = \"ZVR 1\" }]\n",
            "in the train already",
        ),
        (
            "mate = [{ csv = \"none.csv\" }]\n",
            "cannot be read: no such file",
        ),
        ("mate = [{ unit = \"ZVR 2\" }]\n", "csv"),
        ("mate = [{ csv = \"bad.csv\" }]\n", "bad.csv"),
        ("mate = [{ csv = \"b.csv\", clas = \"Stoat\" }]\n", "clas"),
    ] {
        let said = refused(mates);
        assert!(said.contains(words), "{said}");
    }
}
