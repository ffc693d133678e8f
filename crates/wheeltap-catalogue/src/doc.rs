//! Reading TOML tables with the place of every value, so that all problems come at once.

use crate::catalogue::CatalogueProblem;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Collects problems of one file.
pub(crate) struct Problems<'a> {
    file: &'a str,
    text: &'a str,
    list: Vec<CatalogueProblem>,
}

impl<'a> Problems<'a> {
    pub(crate) const fn new(file: &'a str, text: &'a str) -> Self {
        Self {
            file,
            text,
            list: Vec::new(),
        }
    }

    /// Parses the file; syntax errors become problems.
    pub(crate) fn parse(&mut self) -> Spanned<DeTable<'a>> {
        let (table, errors) = DeTable::parse_recoverable(self.text);
        for error in errors {
            let what = error.message().replace('\n', ", ");
            self.add(
                &error.span().unwrap_or(0..0),
                what,
                "mend the TOML syntax here",
            );
        }
        table
    }

    pub(crate) fn add(
        &mut self,
        span: &Range<usize>,
        what: impl Into<String>,
        mend: impl Into<String>,
    ) {
        let (line, column) = place(self.text, span.start);
        self.list.push(CatalogueProblem {
            file: self.file.to_owned(),
            line,
            column,
            what: what.into(),
            mend: mend.into(),
        });
    }

    /// The line on which a value begins, counted from 1.
    pub(crate) fn line(&self, span: &Range<usize>) -> usize {
        place(self.text, span.start).0
    }

    pub(crate) fn len(&self) -> usize {
        self.list.len()
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// All problems in the order of the file.
    pub(crate) fn into_list(mut self) -> Vec<CatalogueProblem> {
        self.list
            .sort_by_key(|problem| (problem.line, problem.column));
        self.list
    }
}

/// A place as messages write it; 0 is left out.
pub(crate) fn shown(file: &str, line: usize, column: usize) -> String {
    match (line, column) {
        (0, _) => file.to_owned(),
        (_, 0) => format!("{file}:{line}"),
        _ => format!("{file}:{line}:{column}"),
    }
}

/// Line and column, both counted from 1, of a byte position.
fn place(text: &str, at: usize) -> (usize, usize) {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    let before = &text[..at];
    let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
    (
        before.matches('\n').count() + 1,
        before[line_start..].chars().count() + 1,
    )
}

/// A value with its place.
#[derive(Clone, Debug)]
pub(crate) struct At<T> {
    pub(crate) value: T,
    pub(crate) span: Range<usize>,
}

impl At<&str> {
    pub(crate) fn owned(self) -> At<String> {
        At {
            value: self.value.to_owned(),
            span: self.span,
        }
    }
}

/// One table, which remembers which keys were asked for, so that the others can be refused.
pub(crate) struct Section<'t, 'i> {
    table: &'t DeTable<'i>,
    pub(crate) span: Range<usize>,
    /// How messages call it, such as `[[channel]]`.
    what: &'static str,
    asked: Vec<&'static str>,
}

impl<'t, 'i> Section<'t, 'i> {
    pub(crate) fn new(table: &'t DeTable<'i>, span: Range<usize>, what: &'static str) -> Self {
        Self {
            table,
            span,
            what,
            asked: Vec::new(),
        }
    }

    pub(crate) const fn what(&self) -> &'static str {
        self.what
    }

    pub(crate) fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    pub(crate) fn value(&mut self, key: &'static str) -> Option<&'t Spanned<DeValue<'i>>> {
        self.asked.push(key);
        self.table.get(key)
    }

    fn wrong(
        problems: &mut Problems<'_>,
        key: &str,
        value: &Spanned<DeValue<'_>>,
        wanted: &str,
        example: &str,
    ) {
        let found = value.get_ref().type_str();
        problems.add(
            &value.span(),
            format!("`{key}` is of type {found}, not {wanted}"),
            format!("write it like {key} = {example}"),
        );
    }

    pub(crate) fn text(
        &mut self,
        key: &'static str,
        problems: &mut Problems<'_>,
    ) -> Option<At<&'t str>> {
        let value = self.value(key)?;
        let Some(text) = value.get_ref().as_str() else {
            Self::wrong(problems, key, value, "text", "\"...\"");
            return None;
        };
        Some(At {
            value: text,
            span: value.span(),
        })
    }

    pub(crate) fn flag(
        &mut self,
        key: &'static str,
        problems: &mut Problems<'_>,
    ) -> Option<At<bool>> {
        let value = self.value(key)?;
        let Some(flag) = value.get_ref().as_bool() else {
            Self::wrong(problems, key, value, "a yes or no", "true");
            return None;
        };
        Some(At {
            value: flag,
            span: value.span(),
        })
    }

    pub(crate) fn number(
        &mut self,
        key: &'static str,
        problems: &mut Problems<'_>,
    ) -> Option<At<f64>> {
        let value = self.value(key)?;
        let Some(number) = as_number(value.get_ref()) else {
            Self::wrong(problems, key, value, "a finite number", "4.1");
            return None;
        };
        Some(At {
            value: number,
            span: value.span(),
        })
    }

    /// A whole number from 1 to `most`.
    pub(crate) fn count(
        &mut self,
        key: &'static str,
        most: u32,
        problems: &mut Problems<'_>,
    ) -> Option<At<u32>> {
        let value = self.value(key)?;
        let count = as_count(value.get_ref()).filter(|count| *count <= most);
        let Some(count) = count else {
            problems.add(
                &value.span(),
                format!("`{key}` is not a whole number from 1 to {most}"),
                format!("write it like {key} = 6"),
            );
            return None;
        };
        Some(At {
            value: count,
            span: value.span(),
        })
    }

    /// A decimal given as text (`"0.1"`) or as a number, as it stands in the file.
    pub(crate) fn decimal(
        &mut self,
        key: &'static str,
        problems: &mut Problems<'_>,
    ) -> Option<At<String>> {
        let value = self.value(key)?;
        let text = match value.get_ref() {
            DeValue::String(text) => text.as_ref().to_owned(),
            DeValue::Integer(number) if number.radix() == 10 => number.as_str().to_owned(),
            DeValue::Float(number) => number.as_str().to_owned(),
            _ => {
                Self::wrong(problems, key, value, "a decimal", "\"0.1\"");
                return None;
            }
        };
        Some(At {
            value: text,
            span: value.span(),
        })
    }

    /// The tables of `[[key]]`.
    pub(crate) fn tables(
        &mut self,
        key: &'static str,
        what: &'static str,
        problems: &mut Problems<'_>,
    ) -> Vec<Section<'t, 'i>> {
        let Some(value) = self.value(key) else {
            return Vec::new();
        };
        let items = value.get_ref().as_array();
        let Some(items) = items else {
            problems.add(
                &value.span(),
                format!("`{key}` is not a list of tables"),
                format!("head each with [[{key}]]"),
            );
            return Vec::new();
        };
        let mut sections = Vec::new();
        for item in items {
            match item.get_ref().as_table() {
                Some(table) => sections.push(Section::new(table, item.span(), what)),
                None => problems.add(
                    &item.span(),
                    format!("an item of `{key}` is not a table"),
                    format!("head each with [[{key}]]"),
                ),
            }
        }
        sections
    }

    /// The table `[key]`.
    pub(crate) fn table(
        &mut self,
        key: &'static str,
        what: &'static str,
        problems: &mut Problems<'_>,
    ) -> Option<Section<'t, 'i>> {
        let value = self.value(key)?;
        let table = value.get_ref().as_table();
        if table.is_none() {
            problems.add(
                &value.span(),
                format!("`{key}` is not a table"),
                format!("head it with [{key}]"),
            );
        }
        Some(Section::new(table?, value.span(), what))
    }

    /// Keys and values in the order of the file.
    pub(crate) fn entries(
        &self,
    ) -> impl Iterator<Item = (&'t str, Range<usize>, &'t Spanned<DeValue<'i>>)> + use<'t, 'i> {
        self.table
            .iter()
            .map(|(key, value)| (key.get_ref().as_ref(), key.span(), value))
    }

    /// Adds a problem for a key that must be there.
    pub(crate) fn missing(&self, key: &str, example: &str, problems: &mut Problems<'_>) {
        if !self.table.contains_key(key) {
            problems.add(
                &self.span,
                format!("{} has no `{key}`", self.what),
                format!("add {key} = {example}"),
            );
        }
    }

    /// Refuses every key that nobody asked for.
    pub(crate) fn refuse_unknown(&self, problems: &mut Problems<'_>) {
        for (key, span, _) in self.entries() {
            if self.asked.contains(&key) {
                continue;
            }
            let mend = match self.asked.iter().find(|asked| is_near(asked, key)) {
                Some(near) => format!("write `{near}`, or remove it"),
                None => format!("remove it; known here: {}", self.asked.join(", ")),
            };
            problems.add(&span, format!("{} has no key `{key}`", self.what), mend);
        }
    }
}

/// Whether two keys differ by at most two letters.
pub(crate) fn is_near(a: &str, b: &str) -> bool {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (idx, left) in a.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = idx + 1;
        for (jdx, right) in b.iter().enumerate() {
            let change = diagonal + usize::from(left != *right);
            diagonal = row[jdx + 1];
            row[jdx + 1] = change.min(row[jdx] + 1).min(diagonal + 1);
        }
    }
    row[b.len()] <= 2.min(a.len().max(b.len()) / 2)
}

pub(crate) fn as_number(value: &DeValue<'_>) -> Option<f64> {
    let number: f64 = match value {
        DeValue::Integer(number) if number.radix() == 10 => number.as_str().parse().ok()?,
        DeValue::Float(number) => number.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

/// A whole number above zero.
pub(crate) fn as_count(value: &DeValue<'_>) -> Option<u32> {
    let number = value.as_integer()?;
    u32::from_str_radix(number.as_str(), number.radix())
        .ok()
        .filter(|number| *number > 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_count_characters_from_one() {
        let text = "a\n\u{e9}b";
        assert_eq!(place(text, 0), (1, 1));
        assert_eq!(place(text, 2), (2, 1));
        assert_eq!(place(text, 3), (2, 1), "inside a character");
        assert_eq!(place(text, 4), (2, 2));
        assert_eq!(place(text, 99), (2, 3));
    }

    #[test]
    fn near_keys_are_found() {
        assert!(is_near("interval", "intervall"));
        assert!(is_near("range", "ragne"));
        assert!(!is_near("range", "hold"));
        assert!(!is_near("ucum", "unit"));
    }
}
