//! What classes do: baselines from a file, or fitted from the start of the measurements.

use crate::{
    Outcome, Stop,
    args::{BaselineListArgs, ClassArgs},
    files,
    output::{Out, count_bar, counted, grouped, note, number},
    remote::{self, connected, instant, tail},
};
use anyhow::anyhow;
use futures::TryStreamExt;
use serde::{Deserialize, Serialize};
use std::{collections::BTreeMap, path::Path, sync::Arc};
use wheeltap_catalogue::Catalogue;
use wheeltap_judge::{
    ClassBaselines, ClassFit, EffectiveRule, LeastOfClass, Stretch, UnitData, UnitPlan, survey_unit,
};
use wheeltap_model::{ClassBaseline, ClassName, EventTime, UnitId};
use wheeltap_proto::v1;
use wheeltap_rules::Read;

/// The stretch that a service fits from, and files too where they are long enough.
const USUAL_STRETCH_MS: i64 = 7 * 86_400_000;

/// One baseline as a line of JSON.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    class: Option<String>,
    of: String,
    ucum: String,
    median: f64,
    spread: f64,
    n_units: u64,
    n_windows: u64,
    from: String,
    fitted_from: String,
    fitted_to: String,
}

/// Reads a file of baselines.
pub fn read(path: &Path) -> Result<Vec<ClassBaseline>, Stop> {
    let file = files::read_text(path)?;
    let lines = file.text.lines().enumerate();
    let mut baselines = Vec::new();
    for (idx, line) in lines.filter(|(_, line)| !line.trim().is_empty()) {
        let parsed = serde_json::from_str::<Line>(line)
            .map_err(|error| error.to_string())
            .and_then(baseline)
            .map_err(|why| {
                anyhow!(
                    "{}:{}: {why}; write what `wheeltap rules baselines --json` prints",
                    file.name,
                    idx + 1
                )
            })?;
        baselines.push(parsed);
    }
    Ok(baselines)
}

fn baseline(line: Line) -> Result<ClassBaseline, String> {
    let Line {
        class,
        of,
        ucum,
        median,
        spread,
        n_units,
        n_windows,
        from,
        fitted_from,
        fitted_to,
    } = line;
    let instant = |name: &str, text: &str| {
        wheeltap_model::read_instant(text)
            .map(EventTime::from_unix_ms)
            .ok_or_else(|| format!("{name} \"{text}\" is no time"))
    };
    if spread <= 0.0 {
        return Err(format!("the spread {spread} is not above 0"));
    }
    let class = class.map(|class| ClassName::new(&class)).transpose();
    Ok(ClassBaseline {
        class: class.map_err(|error| error.to_string())?,
        of,
        ucum,
        from: instant("from", &from)?,
        fitted_from: instant("fitted_from", &fitted_from)?,
        fitted_to: instant("fitted_to", &fitted_to)?,
        median,
        spread,
        n_units,
        n_windows,
    })
}

/// What is known of every class.
pub type ByClass = BTreeMap<Option<ClassName>, Arc<ClassBaselines>>;

/// One unit of the files.
pub struct OfUnit<'a> {
    pub unit: &'a UnitId,
    pub class: Option<&'a ClassName>,
    pub data: &'a UnitData,
}

/// Takes the baselines that a file gives, fits those that rules read besides, and says so. Does nothing
/// where no rule compares with a class.
pub fn for_files(
    args: &ClassArgs,
    rules: &[EffectiveRule],
    units: &[OfUnit<'_>],
    catalogue: &Catalogue,
    (first, last): (EventTime, EventTime),
) -> Result<ByClass, Stop> {
    let asks_class = |effective: &&EffectiveRule| {
        let inputs = &effective.rule.inputs;
        inputs
            .iter()
            .any(|input| matches!(input.read, Read::Class { .. }))
    };
    let rules: Vec<EffectiveRule> = rules.iter().filter(asks_class).cloned().collect();
    let given = match &args.class_baselines {
        Some(path) => read(path)?,
        None => Vec::new(),
    };
    if rules.is_empty() {
        return Ok(ByClass::new());
    }
    let half_ms = last.ms_since(first) / 2;
    let span_ms = args
        .class_stretch
        .unwrap_or_else(|| USUAL_STRETCH_MS.min(half_ms));
    // A window at the start holds the first sample, as (t - w, t] does.
    let from = first.plus_ms(-1);
    let stretch = Stretch {
        from,
        to: from.plus_ms(span_ms),
    };
    let needed = LeastOfClass {
        units: args.class_least_units.into(),
        windows: args.class_least_windows.into(),
    };
    let mut fits: BTreeMap<Option<ClassName>, ClassFit> = BTreeMap::new();
    let bar = count_bar(units.len() as u64, "measuring classes", "units");
    for of in units {
        let class_def = of.class.and_then(|class| catalogue.class(class));
        let plan = Arc::new(UnitPlan::new(
            &rules, of.unit, of.class, class_def, catalogue,
        ));
        let fit = fits
            .entry(of.class.cloned())
            .or_insert_with(|| ClassFit::new(stretch, needed));
        fit.add(&plan, survey_unit(Arc::clone(&plan), of.data, stretch));
        bar.inc(1);
    }
    bar.finish_and_clear();
    let mut by_class = ByClass::new();
    for (class, fit) in fits {
        let own = |baseline: &&ClassBaseline| baseline.class == class;
        let mut known: Vec<ClassBaseline> = given.iter().filter(own).cloned().collect();
        let n_given = known.len();
        if n_given > 0 {
            note(format!(
                "{}: {} from the file",
                told(class.as_ref()),
                counted(n_given, "baseline")
            ));
        }
        for (of, fitted) in fit.finish(class.as_ref()) {
            if known[..n_given].iter().any(|known| known.of == of) {
                continue;
            }
            match fitted {
                Ok(baseline) => {
                    say_what_was_fitted(&baseline);
                    known.push(baseline);
                }
                Err(few) => note(format!(
                    "{} has no baseline of {of} from {} to {}: {few}; what is compared with it is \
                     unknown (--class-stretch, --class-least-units and --class-least-windows ask \
                     for other ones)",
                    told(class.as_ref()),
                    stretch.from.plus_ms(1),
                    stretch.to.plus_ms(1),
                )),
            }
        }
        by_class.insert(class, Arc::new(ClassBaselines::new(known)));
    }
    Ok(by_class)
}

/// What a service fitted for want of a frozen one.
pub fn say(wire: &v1::ClassBaseline) {
    let v1::ClassBaseline {
        class,
        of,
        ucum,
        median,
        spread,
        n_units,
        n_windows,
        from_unix_ms,
        fitted_from_unix_ms,
        fitted_to_unix_ms: _,
        frozen_unix_ms: _,
    } = wire;
    let class = tail(class);
    let units = counted(*n_units, "unit");
    let (Some(median), Some(spread)) = (median, spread) else {
        note(format!(
            "class {class} has no baseline of {of} yet, and only {units} with enough windows at the start \
             of the span; what is compared with it is unknown"
        ));
        return;
    };
    note(format!(
        "class {class} was taken for healthy from {} to {}: {of}, median {median:.4} {ucum}, spread \
         {spread:.4}, {units}, {} windows; unknown before the end of it",
        instant(fitted_from_unix_ms + 1),
        instant(from_unix_ms + 1),
        grouped(*n_windows),
    ));
}

/// `wheeltap rules baselines`.
pub fn list(args: &BaselineListArgs) -> Result<Outcome, Stop> {
    remote::block_on(async {
        let connection = connected(&args.ask.server).await?;
        let class = args.class.as_ref();
        let class = class.map_or_else(String::new, |class| format!("classes/{class}"));
        let found: Vec<v1::ClassBaseline> = connection
            .list_class_baselines(&class)
            .try_collect()
            .await?;
        let mut out = Out::new();
        if args.ask.json {
            for wire in &found {
                out.json(&line(wire))?;
            }
        } else if !found.is_empty() {
            let head = [
                "class", "of", "from", "median", "spread", "unit", "units", "windows",
            ];
            out.table(&head, found.iter().map(row).collect())?;
        }
        out.flush()?;
        if !args.ask.json {
            let why = if found.is_empty() {
                "; one is made once a rule on trial or live compares with a class and enough units of the \
                 class were heard for the whole stretch"
            } else {
                ""
            };
            note(format!("{}{why}", counted(found.len(), "baseline")));
        }
        Ok(Outcome::Fine)
    })
}

fn line(wire: &v1::ClassBaseline) -> Line {
    Line {
        class: (!wire.class.is_empty()).then(|| tail(&wire.class).to_owned()),
        of: wire.of.clone(),
        ucum: wire.ucum.clone(),
        median: wire.median.unwrap_or_default(),
        spread: wire.spread.unwrap_or_default(),
        n_units: wire.n_units,
        n_windows: wire.n_windows,
        from: instant(wire.from_unix_ms),
        fitted_from: instant(wire.fitted_from_unix_ms),
        fitted_to: instant(wire.fitted_to_unix_ms),
    }
}

fn row(wire: &v1::ClassBaseline) -> Vec<String> {
    vec![
        tail(&wire.class).to_owned(),
        wire.of.clone(),
        instant(wire.from_unix_ms),
        number(wire.median.unwrap_or_default()),
        number(wire.spread.unwrap_or_default()),
        wire.ucum.clone(),
        wire.n_units.to_string(),
        grouped(wire.n_windows),
    ]
}

fn told(class: Option<&ClassName>) -> String {
    class.map_or_else(
        || "units without a class".to_owned(),
        |class| format!("class {class}"),
    )
}

fn say_what_was_fitted(baseline: &ClassBaseline) {
    let ClassBaseline {
        class,
        of,
        ucum,
        from,
        fitted_from,
        fitted_to: _,
        median,
        spread,
        n_units,
        n_windows,
    } = baseline;
    note(format!(
        "{} was taken for healthy from {} to {}: {of}, median {median:.4} {ucum}, spread {spread:.4}, \
         {}, {} windows; unknown before the end of it",
        told(class.as_ref()),
        fitted_from.plus_ms(1),
        from.plus_ms(1),
        counted(*n_units, "unit"),
        grouped(*n_windows),
    ));
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_text(text: &str) -> Result<Vec<ClassBaseline>, String> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("class.jsonl");
        std::fs::write(&path, text).unwrap();
        read(&path).map_err(|stop| match stop {
            Stop::Usage(error) | Stop::Failed(error) => format!("{error:#}"),
        })
    }

    const LINE: &str = r#"{"class":"Marten","of":"mean(x, 5 min, share 0.5)","ucum":"Cel","median":80.5,
"spread":1.5,"n_units":7,"n_windows":70,"from":"2026-03-02T00:00:00Z",
"fitted_from":"2026-02-23T00:00:00Z","fitted_to":"2026-03-02T00:00:00Z"}"#;

    #[test]
    fn a_file_of_baselines_is_read() {
        let line = LINE.replace('\n', "");
        let read = read_text(&format!("{line}\n\n{line}\n")).unwrap();
        assert_eq!(read.len(), 2);
        assert_eq!(read[0].class, Some(ClassName::new("Marten").unwrap()));
        assert_eq!(read[0].from.ms_since(read[0].fitted_from), 7 * 86_400_000);
    }

    #[test]
    fn a_wrong_line_is_refused_by_its_number() {
        let line = LINE.replace('\n', "");
        let refused = |from: &str, to: &str| {
            read_text(&format!("{line}\n{}\n", line.replace(from, to))).unwrap_err()
        };
        assert!(refused("1.5", "0").contains("class.jsonl:2: the spread 0 is not above 0"));
        assert!(
            refused(
                "2026-03-02T00:00:00Z\",\"fitted_from",
                "noon\",\"fitted_from"
            )
            .contains("noon")
        );
        assert!(refused("\"median\"", "\"middle\"").contains("rules baselines --json"));
    }
}
