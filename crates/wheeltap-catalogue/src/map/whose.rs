//! `[unit]`: whose the rows are, and what their units do throughout.

use super::layout::{Source, read_source};
use crate::doc::{At, Problems, Section};
use wheeltap_model::{ClassName, ConsistRole, UnitId, UnitState};

/// Whose the rows are.
#[derive(Clone, Debug)]
pub(super) struct UnitRule {
    pub(super) whose: Whose,
    pub(super) class: Option<ClassName>,
    pub(super) does: Does,
}

/// What a map says that its units do throughout.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Does {
    /// The state; *unknown* where it is not said.
    pub state: UnitState,
    /// The part in a train; *unknown* where it is not said.
    pub role: ConsistRole,
}

/// Whose a row is.
#[derive(Clone, Debug)]
pub(crate) enum Whose {
    /// All rows are this unit's.
    One(UnitId),
    /// The name of the file says: `{file}` and `{folder}` stand for it and for the folder it lies in.
    File(String),
    /// A column says.
    Column(Source),
}

pub(super) fn read_unit(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<UnitRule> {
    let name = section.text("name", problems);
    let class = section.text("class", problems);
    let whose = if let Some(name) = name {
        for key in ["column", "position"] {
            if let Some(value) = section.value(key) {
                problems.add(
                    &value.span(),
                    format!("the unit is named, so `{key}` has no use"),
                    "give `name` for all rows, or the column that says",
                );
            }
        }
        read_unit_name(&name, problems)
    } else if section.has("column") || section.has("position") {
        read_source(section, problems).map(Whose::Column)
    } else {
        problems.add(
            &section.span,
            "[unit] does not say whose the rows are",
            "add name = \"ZVR 4117\", column = \"unit\", or name = \"{file}\" where each file is of a unit of its own",
        );
        None
    };
    let does = read_does(section, problems);
    section.refuse_unknown(problems);
    let class = match class {
        None => None,
        Some(class) => match ClassName::new(class.value) {
            Ok(class) => Some(class),
            Err(refusal) => {
                problems.add(
                    &class.span,
                    format!("\"{}\" is no class name", refusal.text),
                    refusal.rule,
                );
                None
            }
        },
    };
    Some(UnitRule {
        whose: whose?,
        class,
        does,
    })
}

/// A unit, or how the file's name tells it.
fn read_unit_name(name: &At<&str>, problems: &mut Problems<'_>) -> Option<Whose> {
    let is_by_file = name.value.contains('{');
    // Any file's name may stand there; the rest must be fit for a unit as it is.
    let tried = named_by(name.value, "x", "x");
    match UnitId::new(&tried) {
        Ok(_) if is_by_file => Some(Whose::File(name.value.to_owned())),
        Ok(unit) => Some(Whose::One(unit)),
        Err(_) if is_by_file && tried.contains('{') => {
            problems.add(
                &name.span,
                format!(
                    "\"{}\" has braces around something else than file or folder",
                    name.value
                ),
                "write {file} for the name of the file, {folder} for that of the folder it lies in",
            );
            None
        }
        Err(refusal) => {
            problems.add(
                &name.span,
                format!("\"{}\" is no unit id", name.value),
                refusal.rule,
            );
            None
        }
    }
}

/// A unit's name with what stands for the file and its folder filled in.
pub(crate) fn named_by(name: &str, file: &str, folder: &str) -> String {
    name.replace("{file}", file).replace("{folder}", folder)
}

fn read_does(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Does {
    let mut does = Does::default();
    if let Some(state) = section.text("state", problems) {
        does.state = read_state(&state, problems).unwrap_or_default();
    }
    if let Some(role) = section.text("role", problems) {
        does.role = read_role(&role, problems).unwrap_or_default();
    }
    does
}

/// What a unit does.
pub(crate) fn read_state(state: &At<&str>, problems: &mut Problems<'_>) -> Option<UnitState> {
    one_of(state, "unit state", &UnitState::ALL, problems)
}

/// A part in a train.
pub(crate) fn read_role(role: &At<&str>, problems: &mut Problems<'_>) -> Option<ConsistRole> {
    one_of(role, "part in a train", &ConsistRole::ALL, problems)
}

fn one_of<T: Copy>(
    said: &At<&str>,
    what: &str,
    all: &[(T, &str)],
    problems: &mut Problems<'_>,
) -> Option<T> {
    let known = all.iter().find(|(_, word)| *word == said.value);
    if known.is_none() {
        let words: Vec<&str> = all.iter().map(|(_, word)| *word).collect();
        problems.add(
            &said.span,
            format!("no {what} \"{}\"", said.value),
            format!("write one of {}", words.join(", ")),
        );
    }
    known.map(|(value, _)| *value)
}
