//! How a file is cut into cells, and which column is meant.

use crate::doc::{Problems, Section, as_count};
use toml::de::DeValue;

/// How the file is cut into cells.
#[derive(Clone, Debug)]
pub(crate) struct Layout {
    pub(crate) separator: u8,
    pub(crate) decimal_comma: bool,
    pub(crate) header: bool,
    /// Lines before the header, or before the rows where there is none.
    pub(crate) skip_before: u32,
    /// Lines between the header and the rows, such as one of units.
    pub(crate) skip_after: u32,
    /// Cells that say that there is no value, besides the empty one.
    pub(crate) missing: Vec<String>,
}

/// Which column is meant.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Source {
    /// The first of these names that the header has.
    Named(Vec<String>),
    /// Counted from 0 here, from 1 in the file.
    At(usize),
}

/// One text, or a list of at least one.
pub(super) fn texts(value: &DeValue<'_>) -> Option<Vec<String>> {
    if let Some(text) = value.as_str() {
        return Some(vec![text.to_owned()]);
    }
    let texts: Option<Vec<String>> = value
        .as_array()?
        .iter()
        .map(|item| item.get_ref().as_str().map(ToOwned::to_owned))
        .collect();
    texts.filter(|texts| !texts.is_empty())
}

pub(super) fn read_layout(
    root: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<Layout> {
    let mut layout = Layout {
        separator: b',',
        decimal_comma: false,
        header: true,
        skip_before: 0,
        skip_after: 0,
        missing: Vec::new(),
    };
    if !root.has("csv") {
        root.value("csv");
        return Some(layout);
    }
    let mut section = root.table("csv", "[csv]", problems)?;
    if let Some(separator) = section.text("separator", problems) {
        match separator.value.as_bytes() {
            [byte] if *byte != b'"' && *byte != b'\n' && *byte != b'\r' => layout.separator = *byte,
            _ => problems.add(
                &separator.span,
                "`separator` is not one ASCII character",
                "write \",\", \";\", \"|\" or \"\\t\"",
            ),
        }
    }
    if let Some(decimal) = section.text("decimal", problems) {
        match decimal.value {
            "." => {}
            "," => layout.decimal_comma = true,
            _ => problems.add(
                &decimal.span,
                "`decimal` is neither a point nor a comma",
                "write \".\" or \",\"",
            ),
        }
        if layout.decimal_comma && layout.separator == b',' {
            problems.add(
                &decimal.span,
                "a comma cannot both separate cells and mark decimals",
                "give the separator, such as \";\"",
            );
        }
    }
    if let Some(header) = section.flag("header", problems) {
        layout.header = header.value;
    }
    for (key, lines) in [
        ("skip_before", &mut layout.skip_before),
        ("skip_after", &mut layout.skip_after),
    ] {
        let Some(value) = section.value(key) else {
            continue;
        };
        match as_count(value.get_ref()) {
            Some(_) if key == "skip_after" && !layout.header => problems.add(
                &value.span(),
                "there is no header that lines could stand after",
                "give skip_before instead",
            ),
            Some(count) => *lines = count,
            None => problems.add(
                &value.span(),
                format!("`{key}` is not a whole number above zero"),
                "write how many lines there are, such as 3",
            ),
        }
    }
    if let Some(missing) = section.value("missing") {
        match texts(missing.get_ref()) {
            Some(words) => layout.missing = words,
            None => problems.add(
                &missing.span(),
                "`missing` is not a list of texts",
                "write it like missing = [\"NA\", \"-9999\"]",
            ),
        }
    }
    section.refuse_unknown(problems);
    Some(layout)
}

/// `column` (a name or a list of them, the first present is taken) or `position` (from 1).
pub(super) fn read_source(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<Source> {
    let column = section.value("column");
    let position = section.value("position");
    match (column, position) {
        (Some(column), None) => {
            let names = texts(column.get_ref());
            if names.is_none() {
                problems.add(
                    &column.span(),
                    "`column` is neither a name nor a list of names",
                    "write column = \"TS1\" or column = [\"TS1\", \"Temp 1\"]",
                );
            }
            names.map(Source::Named)
        }
        (None, Some(position)) => {
            let count = as_count(position.get_ref());
            if count.is_none() {
                problems.add(
                    &position.span(),
                    "`position` is not a whole number above zero",
                    "count columns from 1",
                );
            }
            count.map(|count| Source::At(count as usize - 1))
        }
        (Some(_), Some(position)) => {
            problems.add(
                &position.span(),
                "a column is named and counted at once",
                "give `column` or `position`, not both",
            );
            None
        }
        (None, None) => {
            problems.add(
                &section.span,
                format!("{} has neither `column` nor `position`", section.what()),
                "add column = \"...\" as the header spells it, or position = 1",
            );
            None
        }
    }
}
