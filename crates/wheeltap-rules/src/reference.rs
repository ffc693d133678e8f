//! The reference of the rule language, made from the tables the checker itself uses.

use crate::about::FIELDS;
use crate::conditions;
use crate::functions::{FUNCTIONS, UnitRule};
use crate::lower::VERDICTS;
use crate::reads::{Fits, MOST_INPUTS, UnitOf, readers, signature};
use crate::script;
use crate::syntax::{MAX_SOURCE_BYTES, operator_words};
use wheeltap_analysis::FORMULAS;
use wheeltap_catalogue::Catalogue;

/// The reference of the rule language, as Markdown; `REFERENCE.md` beside this crate is a copy.
///
/// ```
/// assert!(wheeltap_rules::reference().contains("mean(channel, window)"));
/// ```
#[expect(clippy::too_many_lines, reason = "a page of text, top to bottom")]
pub fn reference() -> String {
    let mut lines: Vec<String> = Vec::new();
    let mut say = |text: &str| lines.push(text.to_owned());
    say("# The rule language");
    say("");
    say("Made from the code by `wheeltap_rules::reference()`; a test keeps this copy true.");
    say("");
    say(
        "A rule is one `.rhai` file of functions; its name is the file's. `about()` and `reads()` are",
    );
    say(
        "literal maps: they are read, not run. The verdict functions are given what the rule sees and",
    );
    say("give true or false.");
    say("");
    say("## about()");
    say("");
    say("| field | must | what it says |");
    say("|---|---|---|");
    for field in &FIELDS {
        let must = if field.required { "yes" } else { "" };
        say(&format!("| `{}` | {must} | {} |", field.name, field.what));
    }
    say("");
    say("Spans of time are a whole number and `ms`, `s`, `min`, `h` or `d`, such as `\"5 min\"`.");
    say("");
    say("## reads()");
    say("");
    say(
        "`name: statistic(..)`, read in verdicts as `seen.name`. A window of length w at tick t is",
    );
    say(
        "(t - w, t]. A last argument `#{ share: 0.8 }` says which share of the promised samples makes",
    );
    say(
        "the input known; half by default. In a `for_each: \"axle\"` rule a channel's name may hold",
    );
    say(
        "`{axle}`. Statistics from counts in bins have at most 4,096 of them over the channel's range, each",
    );
    say(
        "a whole number of the resolution's steps and one where that is enough: exact to the step there,",
    );
    say("else to half a bin, at most 1/8192 of the range and a step.");
    say("");
    say("| statistic | of | unit | what | example |");
    say("|---|---|---|---|---|");
    for reader in readers() {
        let fits = match reader.fits {
            Fits::Values => "sampled, held",
            Fits::Events => "events",
            Fits::All => "sampled, held, events",
            Fits::NoChannel => "",
        };
        let unit = match reader.unit {
            UnitOf::Channel => "the channel's",
            UnitOf::Difference => "the channel's; K for Cel",
            UnitOf::PerSecond => "the channel's per second; K/s for Cel",
            UnitOf::TimesSecond => "the channel's times second",
            UnitOf::Seconds => "s",
            UnitOf::Count | UnitOf::Number => "1",
            UnitOf::Field => "the field's",
            UnitOf::Flag => "true or false",
            UnitOf::Statistic => "the statistic's",
        };
        say(&format!(
            "| `{}` | {fits} | {unit} | {} | `{}` |",
            signature(reader),
            reader.what,
            reader.example
        ));
    }
    say("");
    say("### During");
    say("");
    say(
        "`#{ during: at_least(\"engine.notch\", 6) }` as last argument lets only the instants count at which",
    );
    say(
        "that holds: samples and events are taken or left by their time, held values count for the time",
    );
    say(
        "that both last. Up to 4 conditions in a list must all hold. A condition's value lasts from its",
    );
    say(
        "sample to the next, at most the held channel's hold or the sampled one's silent time, that",
    );
    say(
        "instant left out, so it is exact in time for held channels; while none lasts, the condition does",
    );
    say(
        "not hold. Such an input is known when what was seen while it held is worth at least a tenth of the",
    );
    say(
        "window (`share: 0.3` asks for another part). Limits are numbers in the channel's unit, or texts",
    );
    say("with a number and a UCUM unit, which are converted.");
    say("");
    say("| condition | holds while the value is | example |");
    say("|---|---|---|");
    for kept in &conditions::TESTS {
        say(&format!(
            "| `{}` | {} | `{}` |",
            conditions::signature(kept),
            kept.what,
            kept.example
        ));
    }
    say("");
    for line in crate::baseline::REFERENCE {
        say(line);
    }
    say("");
    for line in crate::class::REFERENCE {
        say(line);
    }
    say("");
    for line in crate::mates::REFERENCE {
        say(line);
    }
    say("");
    for line in crate::params::REFERENCE {
        say(line);
    }
    say("## Verdicts");
    say("");
    say("| function | decides | must |");
    say("|---|---|---|");
    for (name, what) in VERDICTS {
        let must = if name == "raise" { "yes" } else { "" };
        say(&format!("| `{name}(seen)` | {what} | {must} |"));
    }
    say("");
    say(
        "Expressions are numbers, `true`, `false`, `seen.name`, `let` once a name, `if .. else`, early",
    );
    say("`return`, the rule's own functions without recursion, those below, and the operators");
    say(&format!("{}, && || and !.", operator_words()));
    say("");
    say(
        "They are judged by three-valued logic: an unknown input makes what depends on it unknown, but",
    );
    say(
        "does not hide a true on the other side of `||` or a false on the other side of `&&`. An unknown",
    );
    say(
        "`if` test gives unknown. A calculation that gives no finite number is unknown. `known(x)` asks.",
    );
    say(
        "Comparisons are IEEE 754's. Whole numbers divide without decimals in the script engine, so",
    );
    say("dividing two of them is refused: write `7.0 / 2.0`.");
    say("");
    say(
        "Units are followed: sides of a comparison, a sum or a difference measure the same in the same",
    );
    say(
        "steps. Points on a scale with its own zero, such as Cel, have differences (K) and no sums. A",
    );
    say(
        "number written out goes with anything, and so does what is multiplied by one. A comparison",
    );
    say("that the channel's range decides is refused.");
    say("");
    say("| function | unit | what | example |");
    say("|---|---|---|---|");
    for function in FUNCTIONS.iter().filter(|f| f.source.is_empty()) {
        say(&format!(
            "| `{}({})` | {} | {} | `{}` |",
            function.name,
            function.args.join(", "),
            unit_words(function.unit),
            function.what,
            function.example
        ));
    }
    say("");
    say(
        "The trade's formulas. A channel must be in the unit of its argument; a number written out goes",
    );
    say("with it. Outside of where a formula is defined its value is unknown.");
    say("");
    say("| function | unit | what | published by | example |");
    say("|---|---|---|---|---|");
    for function in FUNCTIONS.iter().filter(|f| !f.source.is_empty()) {
        say(&format!(
            "| `{}({})` | {} | {} | {} | `{}` |",
            function.name,
            function.args.join(", "),
            unit_words(function.unit),
            function.what.replace('|', "\\|"),
            function.source,
            function.example
        ));
    }
    say("");
    say("## Derived channels");
    say("");
    say(
        "Channels that are computed from others, read like any channel. These are built in; a catalogue",
    );
    say(
        "file adds its own by `[[derived]]` (FORMATS.md of wheeltap-catalogue). A value stands at the",
    );
    say(
        "time of each good sample of the first channel named under `of`, or where a test over time ends.",
    );
    say(
        "The others are taken as they were last, at most a held channel's hold or a sampled one's silent",
    );
    say(
        "time before, so `last()` of it may rest on samples that are older than its own time by so much.",
    );
    say("");
    say("| channel | unit | what | formula | of | published by |");
    say("|---|---|---|---|---|---|");
    for row in derived_rows() {
        say(&row);
    }
    say("");
    say(
        "`[[derived]]` can name the trade's formulas above but `time_until`, and these, which need more",
    );
    say("arguments or time than a verdict has; (s) marks a setting, which is no channel.");
    say("");
    say("| formula | unit | what | published by |");
    say("|---|---|---|---|");
    for formula in FORMULAS
        .iter()
        .filter(|f| f.args.iter().all(|arg| !arg.ucum.is_empty()))
    {
        let args = formula.args.iter().enumerate().map(|(idx, arg)| {
            let setting = if idx < formula.n_inputs() { "" } else { " (s)" };
            format!("{}{setting}", arg.name)
        });
        let units: Vec<&str> = formula.args.iter().map(|arg| arg.ucum).collect();
        say(&format!(
            "| `{}({})` | {}, of {} | {} | {} |",
            formula.name,
            args.collect::<Vec<_>>().join(", "),
            formula.ucum,
            units.join(", "),
            formula.what.replace('|', "\\|"),
            formula.source
        ));
    }
    say("");
    say("## Script rules");
    say("");
    say(
        "`judge: \"script\"` in `about()` runs the verdicts in the Rhai engine, loops and assignments",
    );
    say(
        "included. At a tick where any input that a verdict reads is unknown, it is unknown. Closures,",
    );
    say(
        "`eval`, `Fn`, `call` and `curry` stay refused. A script that throws or runs over its budget is",
    );
    say("a fault at that tick, and the rule alone suffers.");
    say("");
    say("| limit | at most |");
    say("|---|---|");
    for (what, most) in [
        ("bytes of a rule", MAX_SOURCE_BYTES.to_string()),
        (
            "inputs of a rule, parameters among them",
            MOST_INPUTS.to_string(),
        ),
        ("operations a verdict", script::MAX_OPERATIONS.to_string()),
        ("calls within calls", script::MAX_CALL_LEVELS.to_string()),
        ("variables at one time", script::MAX_VARIABLES.to_string()),
        ("elements of an array", script::MAX_ARRAY.to_string()),
        ("entries of a map", script::MAX_MAP.to_string()),
        ("bytes of a string", script::MAX_STRING.to_string()),
    ] {
        say(&format!("| {what} | {most} |"));
    }
    lines.join("\n") + "\n"
}

/// One row for each built-in derived channel; numbered ones share the first's.
fn derived_rows() -> Vec<String> {
    let catalogue = Catalogue::builtin();
    let mut rows = Vec::new();
    for (_, def) in catalogue.channels() {
        let Some(derived) = catalogue.derived(&def.name) else {
            continue;
        };
        let numbered = |text: &str| text.replace(".1.", ".{n}.").replace("axle 1", "axle {n}");
        let words: Vec<&str> = def.name.as_str().split('.').collect();
        if words
            .iter()
            .any(|word| word.parse::<u32>().is_ok_and(|n| n > 1))
        {
            continue;
        }
        let of: Vec<String> = derived
            .inputs()
            .map(|name| numbered(name.as_str()))
            .collect();
        rows.push(format!(
            "| `{}` | {} | {} | {} | {} | {} |",
            numbered(def.name.as_str()),
            def.ucum,
            numbered(&def.title),
            derived.formula.name,
            of.join(", "),
            derived.formula.source
        ));
    }
    rows
}

fn unit_words(unit: UnitRule) -> String {
    match unit {
        UnitRule::Same => "the argument's; all alike".to_owned(),
        UnitRule::Plain => "1, of plain numbers".to_owned(),
        UnitRule::Root => "the root of the argument's".to_owned(),
        UnitRule::Power => "the argument's to that power".to_owned(),
        UnitRule::Sign => "1, of any".to_owned(),
        UnitRule::Formula(formula) => {
            let args: Vec<&str> = formula.args.iter().map(|arg| arg.ucum).collect();
            format!("{}, of {}", formula.ucum, args.join(", "))
        }
        UnitRule::Until => "s, of any, its change a second, and alike".to_owned(),
    }
}
