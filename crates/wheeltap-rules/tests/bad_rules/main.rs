//! A rule that cannot be right is refused at the place of the mistake, with why and the mend, and
//! everything wrong in it is said at once.

mod inputs;
mod verdicts;
mod whole;

use wheeltap_catalogue::Catalogue;
use wheeltap_model::RuleName;
use wheeltap_rules::{Environment, Problem, compile_kept, vet};

const ABOUT: &str = "fn about() { #{ title: \"T\", system: \"s\", component: \"c\", priority: \"low\", tick: \"10 s\", cause: \"c\", consequence: \"c\", action: \"a\", respond_within: \"1 d\" } }\n";
const READS: &str = "fn reads() { #{ oil: mean(\"engine.oil.temperature\", \"5 min\"), coolant: mean(\"engine.coolant.temperature\", \"5 min\"), slips: count(\"wheel.slip\", \"1 h\"), working: in_state(\"working\"), pressure: last(\"engine.oil.pressure\"), trend: slope(\"engine.coolant.temperature\", \"30 min\") } }\n";

fn problems(source: &str) -> Vec<Problem> {
    let catalogue = Catalogue::builtin();
    vet("rule.rhai", source, &Environment::new(&catalogue)).problems
}

/// The only problem of `marked` is where its `^` is, which is taken out first, and says these words.
fn check(marked: &str, words: &str) -> Result<(), String> {
    let at = marked.find('^').expect("a marked place");
    let before = &marked[..at];
    let line = before.matches('\n').count() + 1;
    let column = before
        .rsplit('\n')
        .next()
        .unwrap_or_default()
        .chars()
        .count()
        + 1;
    let found = problems(&marked.replacen('^', "", 1));
    let said: Vec<String> = found.iter().map(ToString::to_string).collect();
    let right = matches!(found.as_slice(), [only] if (only.line, only.column) == (line, column)
        && said[0].contains(words)
        && ![&only.what, &only.why, &only.mend].iter().any(|part| part.is_empty()));
    if right {
        Ok(())
    } else {
        Err(format!(
            "at {line}:{column} \"{words}\" was wanted:\n{marked}\n{said:#?}"
        ))
    }
}

/// All of a table at once, so that one run tells everything.
#[derive(Default)]
struct Table(Vec<String>);

impl Table {
    fn refused(&mut self, marked: &str, words: &str) {
        self.0.extend(check(marked, words).err());
    }

    /// A whole rule with this `raise`.
    fn raise(&mut self, body: &str, words: &str) {
        self.refused(&format!("{ABOUT}{READS}{body}\n"), words);
    }
}

impl Drop for Table {
    fn drop(&mut self) {
        assert!(
            self.0.is_empty() || std::thread::panicking(),
            "{}",
            self.0.join("\n")
        );
    }
}
