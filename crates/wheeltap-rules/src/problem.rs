//! What is wrong in a rule's text, where, why, and the mend.

use serde::{Deserialize, Serialize};
use std::fmt;

/// One thing wrong (or, as a warning, doubtful) in a rule's text.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Problem {
    /// The file as named by the caller.
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// Counted from 1, in characters.
    pub column: usize,
    /// What is wrong.
    pub what: String,
    /// Why that cannot be right.
    pub why: String,
    /// What to write instead.
    pub mend: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            file,
            line,
            column,
            what,
            why,
            mend,
        } = self;
        write!(f, "{file}:{line}:{column}: {what}; {why}; {mend}")
    }
}

/// A place in the text, both counted from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Place {
    pub line: usize,
    pub column: usize,
}

impl Place {
    pub const START: Self = Self { line: 1, column: 1 };
}

/// Gathers problems and warnings of one file.
pub(crate) struct Findings {
    file: String,
    pub problems: Vec<Problem>,
    pub warnings: Vec<Problem>,
}

impl Findings {
    pub fn new(file: &str) -> Self {
        Self {
            file: file.to_owned(),
            problems: Vec::new(),
            warnings: Vec::new(),
        }
    }

    fn make(
        &self,
        place: Place,
        what: impl Into<String>,
        why: impl Into<String>,
        mend: impl Into<String>,
    ) -> Problem {
        Problem {
            file: self.file.clone(),
            line: place.line,
            column: place.column,
            what: what.into(),
            why: why.into(),
            mend: mend.into(),
        }
    }

    /// Records a problem; the same one found on a second path is kept once.
    pub fn refuse(
        &mut self,
        place: Place,
        what: impl Into<String>,
        why: impl Into<String>,
        mend: impl Into<String>,
    ) {
        let problem = self.make(place, what, why, mend);
        if !self.problems.contains(&problem) {
            self.problems.push(problem);
        }
    }

    /// What `seen` does not have.
    pub fn refuse_unknown_input<'n>(
        &mut self,
        place: Place,
        name: &str,
        inputs: impl Iterator<Item = &'n str>,
    ) {
        let mend = suggestion(name, inputs, || format!("add {name} to reads()"));
        self.refuse(
            place,
            format!("no input {name}"),
            "reads() does not name it",
            mend,
        );
    }

    /// Records a warning once.
    pub fn warn(
        &mut self,
        place: Place,
        what: impl Into<String>,
        why: impl Into<String>,
        mend: impl Into<String>,
    ) {
        let warning = self.make(place, what, why, mend);
        if !self.warnings.contains(&warning) {
            self.warnings.push(warning);
        }
    }

    /// Puts both lists into the order of the text.
    pub fn sort(&mut self) {
        self.problems
            .sort_by_key(|problem| (problem.line, problem.column));
        self.warnings
            .sort_by_key(|warning| (warning.line, warning.column));
    }
}

/// Edits (insert, delete, replace, swap of neighbours) between two words.
fn distance(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut before = vec![0; b.len() + 1];
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let replace = last[j - 1] + usize::from(a[i - 1] != b[j - 1]);
            row[j] = replace.min(last[j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(before[j - 2] + 1);
            }
        }
        before = last;
        last = row;
    }
    last[b.len()]
}

/// Letters of the longest word that names are looked for near: counting edits takes time by the product of both
/// lengths, and no name is as long.
const MOST_LETTERS: usize = 128;

/// Up to three of `names` that `word` may have meant, nearest first; none of one that is far longer than names.
pub(crate) fn nearest<'a>(word: &str, names: impl IntoIterator<Item = &'a str>) -> Vec<&'a str> {
    if word.chars().count() > MOST_LETTERS {
        return Vec::new();
    }
    let limit = 1 + word.chars().count() / 3;
    let shares_a_word = |name: &str| {
        word.contains('.')
            && name
                .split('.')
                .skip(1)
                .any(|part| part.len() > 3 && word.split('.').any(|own| own == part))
    };
    let mut ranked: Vec<(usize, &str)> = names
        .into_iter()
        .map(|name| (distance(word, name), name))
        .filter(|(edits, name)| *edits <= limit || shares_a_word(name))
        .collect();
    ranked.sort_unstable();
    let best = ranked.first().map_or(0, |(edits, _)| *edits);
    // A slip of the pen has one reading; only far words get several guesses.
    ranked
        .into_iter()
        .filter(|(edits, _)| best > limit || *edits == best)
        .take(3)
        .map(|(_, name)| name)
        .collect()
}

/// "did you mean ...?" or, when nothing is near, `otherwise`.
pub(crate) fn suggestion<'a>(
    word: &str,
    names: impl IntoIterator<Item = &'a str>,
    otherwise: impl FnOnce() -> String,
) -> String {
    let near = nearest(word, names);
    match near.split_last() {
        None => otherwise(),
        Some((only, [])) => format!("did you mean {only}?"),
        Some((last, rest)) => format!("did you mean {} or {last}?", rest.join(", ")),
    }
}

/// `1 argument`, `2 arguments`.
pub(crate) fn arguments(n: usize) -> String {
    if n == 1 {
        "1 argument".to_owned()
    } else {
        format!("{n} arguments")
    }
}

/// `a, b or c`.
pub(crate) fn one_of<'a>(names: impl IntoIterator<Item = &'a str>) -> String {
    let names: Vec<&str> = names.into_iter().collect();
    match names.split_last() {
        None => String::new(),
        Some((only, [])) => (*only).to_owned(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn near_names_are_suggested_and_far_ones_not() {
        assert_eq!(nearest("oli", ["oil", "coolant", "power"]), ["oil"]);
        assert_eq!(nearest("xyz", ["oil", "coolant"]), [] as [&str; 0]);
        let long = "oil".repeat(100_000);
        assert_eq!(nearest(&long, [long.as_str()]), [] as [&str; 0]);
        assert_eq!(
            nearest(
                "engine.oil.temprature",
                ["engine.oil.temperature", "air.main.pressure"]
            ),
            ["engine.oil.temperature"]
        );
        assert_eq!(
            nearest(
                "oil.temperature",
                ["engine.oil.temperature", "air.main.pressure"]
            ),
            ["engine.oil.temperature"]
        );
        assert_eq!(
            suggestion("maen", ["mean", "min"], String::new),
            "did you mean mean?"
        );
    }
}
