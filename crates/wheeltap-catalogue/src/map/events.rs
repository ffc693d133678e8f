//! `[[event]]`: rows, or columns, that mean a dated thing with fields.

use super::channels::BoundColumn;
use super::layout::{Source, read_source, texts};
use crate::catalogue::{Catalogue, channel_name, parse_ucum};
use crate::doc::{At, Problems, Section};
use crate::ucum::{Conversion, Ucum};
use wheeltap_model::{ChannelId, ChannelKind, ChannelName};

/// One `[[event]]` as written.
#[derive(Clone, Debug)]
pub(super) struct EventRule {
    pub(super) name: At<ChannelName>,
    trigger: Option<Trigger>,
    fields: Vec<FieldRule>,
}

#[derive(Clone, Debug)]
struct FieldRule {
    name: At<String>,
    source: Source,
    ucum: Option<At<String>>,
    optional: bool,
}

/// The column that says which rows are an event.
#[derive(Clone, Debug)]
pub(crate) struct Trigger {
    pub(crate) source: Source,
    /// Cells that mean one; empty: all that say something other than 0 or false.
    pub(crate) is: Vec<String>,
    /// Only where the unit's row before did not.
    pub(crate) onset: bool,
    /// A file may lack the column, and then has none.
    pub(crate) optional: bool,
}

/// One event channel tied to a catalogue.
#[derive(Clone, Debug)]
pub(crate) struct BoundEvent {
    pub(crate) id: ChannelId,
    /// `None`: every row is one.
    pub(crate) trigger: Option<Trigger>,
    /// In the catalogue's order; `None` for a field that the map does not fill.
    pub(crate) fields: Vec<Option<BoundColumn>>,
}

const EXAMPLE: &str = "{ column = \"axle\" }";

impl EventRule {
    pub(super) fn read(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Option<Self> {
        let before = problems.len();
        let name = section.text("name", problems);
        section.missing("name", "\"wheel.slip\"", problems);
        let is = section
            .value("is")
            .map(|value| (value.span(), texts(value.get_ref())));
        let onset = section.flag("onset", problems);
        let optional = section.flag("optional", problems);
        let source = if section.has("column") || section.has("position") {
            read_source(section, problems)
        } else {
            for span in [
                is.as_ref().map(|(span, _)| span),
                onset.as_ref().map(|at| &at.span),
                optional.as_ref().map(|at| &at.span),
            ]
            .into_iter()
            .flatten()
            {
                problems.add(
                    span,
                    "without a column every row is an event, so that this has no use",
                    "add column = \"...\", whose cell says which rows are one, or remove it",
                );
            }
            section.value("column");
            section.value("position");
            None
        };
        if let Some((span, None)) = &is {
            problems.add(
                span,
                "`is` is neither a word nor a list of words",
                "write is = \"slip\" or is = [\"slip\", \"slide\"]",
            );
        }
        let fields = read_fields(section, problems);
        section.refuse_unknown(problems);
        let name = name?;
        let value = channel_name(name.value, &name.span, problems)?;
        let trigger = source.map(|source| Trigger {
            source,
            is: is.and_then(|(_, words)| words).unwrap_or_default(),
            onset: onset.is_some_and(|flag| flag.value),
            optional: optional.is_some_and(|flag| flag.value),
        });
        (problems.len() == before).then_some(Self {
            name: At {
                value,
                span: name.span,
            },
            trigger,
            fields,
        })
    }

    pub(super) fn bind(
        &self,
        catalogue: &Catalogue,
        problems: &mut Problems<'_>,
    ) -> Option<BoundEvent> {
        let name = &self.name.value;
        let Some((id, def)) = catalogue.channel(name) else {
            let near = catalogue.near(name);
            problems.add(
                &self.name.span,
                format!("no catalogue has an event {name}"),
                near.map_or_else(
                    || {
                        "declare it in a catalogue file, with kind = \"event\" and its fields"
                            .into()
                    },
                    |near| format!("write \"{near}\", or declare it in a catalogue file"),
                ),
            );
            return None;
        };
        let ChannelKind::Event { fields } = &def.kind else {
            problems.add(
                &self.name.span,
                format!("{name} has values and is no event"),
                "map it under [[channel]]",
            );
            return None;
        };
        let mut bound: Vec<Option<BoundColumn>> = vec![None; fields.len()];
        let before = problems.len();
        for rule in &self.fields {
            let Some(at) = fields.iter().position(|(own, _)| *own == rule.name.value) else {
                let all: Vec<&str> = fields.iter().map(|(own, _)| own.as_str()).collect();
                problems.add(
                    &rule.name.span,
                    format!("{name} has no field {}", rule.name.value),
                    if all.is_empty() {
                        "remove it; the catalogue gives this event no fields".to_owned()
                    } else {
                        format!("use {}", all.join(", "))
                    },
                );
                continue;
            };
            let Ok(stored) = Ucum::parse(&fields[at].1) else {
                continue;
            };
            let conversion = match &rule.ucum {
                None => Some(Conversion::IDENTITY),
                Some(code) => parse_ucum(code, problems).and_then(|unit| {
                    let conversion = unit.conversion(&stored);
                    if conversion.is_none() {
                        problems.add(
                            &code.span,
                            format!(
                                "{} does not convert to {}, the unit of {} of {name}",
                                code.value, fields[at].1, rule.name.value
                            ),
                            "name the unit in which the column is written",
                        );
                    }
                    conversion
                }),
            };
            bound[at] = conversion.map(|conversion| BoundColumn {
                source: rule.source.clone(),
                optional: rule.optional,
                id,
                range: (f64::NEG_INFINITY, f64::INFINITY),
                conversion,
                repeats_ms: None,
                words: Vec::new(),
                plain_number: stored.dimension().is_number(),
            });
        }
        (problems.len() == before).then_some(BoundEvent {
            id,
            trigger: self.trigger.clone(),
            fields: bound,
        })
    }
}

/// `[event.fields]`: each a column and its unit.
fn read_fields(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Vec<FieldRule> {
    let Some(table) = section.table("fields", "[event.fields]", problems) else {
        return Vec::new();
    };
    let mut fields = Vec::new();
    for (name, span, value) in table.entries() {
        let Some(own) = value.get_ref().as_table() else {
            problems.add(
                &value.span(),
                format!("field {name} is not a table"),
                format!("write it like {name} = {EXAMPLE}"),
            );
            continue;
        };
        let mut own = Section::new(own, value.span(), "the field");
        let source = read_source(&mut own, problems);
        let ucum = own.text("ucum", problems).map(At::owned);
        let optional = own.flag("optional", problems);
        own.refuse_unknown(problems);
        fields.extend(source.map(|source| FieldRule {
            name: At {
                value: name.to_owned(),
                span,
            },
            source,
            ucum,
            optional: optional.is_some_and(|flag| flag.value),
        }));
    }
    fields
}
