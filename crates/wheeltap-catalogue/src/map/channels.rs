//! `[[channel]]`: columns of values.

use super::layout::{Source, read_source};
use crate::catalogue::{Catalogue, ChannelSays, channel_name, parse_ucum, read_span};
use crate::doc::{At, Problems, Section, as_number};
use crate::ucum::{Conversion, Ucum};
use wheeltap_model::{ChannelDef, ChannelId, ChannelKind, ChannelName};

#[derive(Clone, Debug)]
pub(super) struct ChannelRule {
    pub(super) name: At<ChannelName>,
    source: Source,
    ucum: Option<At<String>>,
    optional: bool,
    repeats_ms: Option<i64>,
    words: Vec<(String, f64)>,
    says: ChannelSays,
}

/// One mapped column.
#[derive(Clone, Debug)]
pub(crate) struct BoundColumn {
    pub(crate) source: Source,
    /// A file may lack it.
    pub(crate) optional: bool,
    pub(crate) id: ChannelId,
    pub(crate) range: (f64, f64),
    pub(crate) conversion: Conversion,
    pub(crate) repeats_ms: Option<i64>,
    pub(crate) words: Vec<(String, f64)>,
    /// `true` and `false` are understood.
    pub(crate) plain_number: bool,
}

impl ChannelRule {
    pub(super) fn bind(
        &self,
        catalogue: &mut Catalogue,
        problems: &mut Problems<'_>,
    ) -> Option<BoundColumn> {
        let name = &self.name.value;
        let old = catalogue.channel(name).map(|(_, def)| def.clone());
        if old.is_none() && !self.says.declares() {
            let near = catalogue.near(name);
            problems.add(
                &self.name.span,
                format!("no catalogue has a channel {name}"),
                match near {
                    Some(near) => {
                        format!("write \"{near}\", or declare it here with kind and range")
                    }
                    None => {
                        "declare it here with kind and range, or in a catalogue file".to_owned()
                    }
                },
            );
            return None;
        }
        let says = match &old {
            // For a channel that exists, `ucum` is the column's alone.
            Some(_) => self.says.clone(),
            None => self.says.clone().with_ucum(self.ucum.as_ref()),
        };
        let def = says.channel(name, old.as_ref(), problems)?;
        if matches!(def.kind, ChannelKind::Event { .. }) {
            problems.add(
                &self.name.span,
                format!("{name} is an event and no column of values"),
                "map it under [[event]]",
            );
            return None;
        }
        let stored = Ucum::parse(&def.ucum).ok()?;
        let conversion = self.conversion(&def, &stored, problems)?;
        let bound = BoundColumn {
            source: self.source.clone(),
            optional: self.optional,
            range: def.range,
            conversion,
            repeats_ms: self.repeats_ms,
            words: self.words.clone(),
            plain_number: stored.dimension().is_number(),
            id: ChannelId(0),
        };
        catalogue.put(def);
        let (id, _) = catalogue.channel(name)?;
        Some(BoundColumn { id, ..bound })
    }

    fn conversion(
        &self,
        def: &ChannelDef,
        stored: &Ucum,
        problems: &mut Problems<'_>,
    ) -> Option<Conversion> {
        let Some(code) = &self.ucum else {
            return Some(Conversion::IDENTITY);
        };
        let unit = parse_ucum(code, problems)?;
        let conversion = unit.conversion(stored);
        if conversion.is_none() {
            problems.add(
                &code.span,
                format!(
                    "{} does not convert to {}, the unit of {}",
                    code.value, def.ucum, def.name
                ),
                "name the unit in which the column is written",
            );
        }
        conversion
    }
}

pub(super) fn read_rule(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<ChannelRule> {
    let source = read_source(section, problems);
    let name = section.text("name", problems);
    let ucum = section.text("ucum", problems).map(At::owned);
    let optional = section.flag("optional", problems);
    let repeats = read_span(section, "repeats", problems);
    let words = read_words(section, problems);
    let says = ChannelSays::read(section, "stored", "spacing", problems);
    section.refuse_unknown(problems);
    if let Some(code) = &ucum {
        parse_ucum(code, problems)?;
    }
    section.missing("name", "\"engine.oil.temperature\"", problems);
    let name = name?;
    let value = channel_name(name.value, &name.span, problems)?;
    Some(ChannelRule {
        name: At {
            value,
            span: name.span,
        },
        source: source?,
        ucum,
        optional: optional.is_some_and(|flag| flag.value),
        repeats_ms: repeats.map(|at| at.value),
        words,
        says,
    })
}

fn read_words(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Vec<(String, f64)> {
    let Some(table) = section.table("words", "words", problems) else {
        return Vec::new();
    };
    let mut words = Vec::new();
    for (word, _, value) in table.entries() {
        match as_number(value.get_ref()) {
            Some(number) => words.push((word.to_owned(), number)),
            None => problems.add(
                &value.span(),
                format!("word \"{word}\" does not stand for a finite number"),
                "write it like words = { On = 1, Off = 0 }",
            ),
        }
    }
    words
}
