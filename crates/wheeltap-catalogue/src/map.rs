//! CSV maps: how the columns of a table become channels. FORMATS.md describes the file.

mod channels;
mod events;
mod layout;
mod time;
mod whose;

pub(crate) use channels::BoundColumn;
pub(crate) use events::{BoundEvent, Trigger};
pub(crate) use layout::{Layout, Source};
pub(crate) use time::{TimeForm, TimeRule};
pub use whose::Does;
pub(crate) use whose::{Whose, named_by, read_role, read_state};

use crate::catalogue::{Catalogue, CatalogueProblem};
use crate::doc::{Problems, Section};
use channels::{ChannelRule, read_rule};
use layout::{read_layout, texts};
use std::path::Path;
use time::read_time;
use wheeltap_model::{ChannelId, ClassName, UnitId};
use whose::{UnitRule, read_unit};

/// A checked map, not yet tied to a catalogue.
#[derive(Clone, Debug)]
pub struct CsvMap {
    file: String,
    text: String,
    /// Name for messages and text of each catalogue file that the map names.
    catalogues: Vec<(String, String)>,
    pub(crate) layout: Layout,
    pub(crate) time: TimeRule,
    unit: UnitRule,
    channels: Vec<ChannelRule>,
    events: Vec<events::EventRule>,
}

/// A map tied to a catalogue: it can read files.
#[derive(Clone, Debug)]
pub struct BoundMap {
    pub(crate) catalogue: Catalogue,
    pub(crate) layout: Layout,
    pub(crate) time: TimeRule,
    pub(crate) whose: Whose,
    pub(crate) class: Option<ClassName>,
    does: Does,
    pub(crate) columns: Vec<BoundColumn>,
    pub(crate) events: Vec<BoundEvent>,
}

impl CsvMap {
    /// Parses a map that names no catalogue files.
    ///
    /// # Errors
    /// Every problem of the map.
    pub fn parse(file: &str, text: &str) -> Result<Self, Vec<CatalogueProblem>> {
        Self::parse_with(file, text, |_| {
            Err("this map is read without a folder to look in".to_owned())
        })
    }

    /// Parses a map; `neighbour` gives the text of a catalogue file that it names, or says why it
    /// cannot be read.
    ///
    /// # Errors
    /// Every problem of the map. Those of the catalogue files come from [`CsvMap::bind`].
    pub fn parse_with(
        file: &str,
        text: &str,
        mut neighbour: impl FnMut(&str) -> Result<String, String>,
    ) -> Result<Self, Vec<CatalogueProblem>> {
        let mut problems = Problems::new(file, text);
        let document = problems.parse();
        if !problems.is_empty() {
            return Err(problems.into_list());
        }
        let mut root = Section::new(document.get_ref(), document.span(), "a map");
        let catalogues = read_catalogues(&mut root, &mut neighbour, &mut problems);
        let layout = read_layout(&mut root, &mut problems);
        let time = root.table("time", "[time]", &mut problems);
        root.missing("time", "a table [time]", &mut problems);
        let time = time.and_then(|mut section| read_time(&mut section, &mut problems));
        let unit = root.table("unit", "[unit]", &mut problems);
        root.missing("unit", "a table [unit]", &mut problems);
        let unit = unit.and_then(|mut section| read_unit(&mut section, &mut problems));
        let mut channels: Vec<ChannelRule> = Vec::new();
        for mut section in root.tables("channel", "[[channel]]", &mut problems) {
            let Some(rule) = read_rule(&mut section, &mut problems) else {
                continue;
            };
            let same = |old: &&ChannelRule| old.name.value == rule.name.value;
            if channels.iter().any(|old| same(&old)) {
                problems.add(
                    &rule.name.span,
                    format!("channel {} is mapped twice", rule.name.value),
                    "keep one of the two",
                );
            }
            channels.push(rule);
        }
        let mut events: Vec<events::EventRule> = Vec::new();
        for mut section in root.tables("event", "[[event]]", &mut problems) {
            events.extend(events::EventRule::read(&mut section, &mut problems));
        }
        if channels.is_empty() && events.is_empty() && problems.is_empty() {
            problems.add(
                &root.span,
                "the map has no channel",
                "add a table [[channel]] with column and name, or [[event]] with name",
            );
        }
        root.refuse_unknown(&mut problems);
        let (Some(layout), Some(time), Some(unit), true) =
            (layout, time, unit, problems.is_empty())
        else {
            return Err(problems.into_list());
        };
        Ok(Self {
            file: file.to_owned(),
            text: text.to_owned(),
            catalogues,
            layout,
            time,
            unit,
            channels,
            events,
        })
    }

    /// Reads a map file, and beside it the catalogue files that it names.
    ///
    /// # Errors
    /// Every problem of the map, or that it cannot be read.
    pub fn load(path: &Path) -> Result<Self, Vec<CatalogueProblem>> {
        let shown = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|error| {
            vec![CatalogueProblem {
                file: shown.clone(),
                line: 0,
                column: 0,
                what: format!("the map cannot be read: {error}"),
                mend: "check the path and that the file is UTF-8 text".to_owned(),
            }]
        })?;
        let folder = path.parent().unwrap_or_else(|| Path::new(""));
        Self::parse_with(&shown, &text, |name| {
            std::fs::read_to_string(folder.join(name)).map_err(|error| error.to_string())
        })
    }

    /// The class that the map gives its units; no catalogue needs to have it.
    pub const fn class(&self) -> Option<&ClassName> {
        self.unit.class.as_ref()
    }

    /// Ties the map to a catalogue, which is extended by the map's own catalogue files and by what
    /// the map itself says of channels; `base` stays as it is, and channels keep its ids.
    ///
    /// # Errors
    /// Every problem of the catalogue files, every channel that nobody describes, every unit that
    /// does not convert.
    pub fn bind(&self, base: &Catalogue) -> Result<BoundMap, Vec<CatalogueProblem>> {
        let mut catalogue = base.clone();
        let mut found = Vec::new();
        for (file, text) in &self.catalogues {
            if let Err(problems) = catalogue.extend(file, text) {
                found.extend(problems);
            }
        }
        if !found.is_empty() {
            return Err(found);
        }
        let mut problems = Problems::new(&self.file, &self.text);
        let mut columns = Vec::new();
        for rule in &self.channels {
            if let Some(column) = rule.bind(&mut catalogue, &mut problems) {
                columns.push(column);
            }
        }
        let mut events = Vec::new();
        for rule in &self.events {
            events.extend(rule.bind(&catalogue, &mut problems));
        }
        if !problems.is_empty() {
            return Err(problems.into_list());
        }
        Ok(BoundMap {
            catalogue,
            layout: self.layout.clone(),
            time: self.time.clone(),
            whose: self.unit.whose.clone(),
            class: self.unit.class.clone(),
            does: self.unit.does,
            columns,
            events,
        })
    }
}

impl BoundMap {
    /// The catalogue in force: the one bound to, with what the map adds and changes.
    pub const fn catalogue(&self) -> &Catalogue {
        &self.catalogue
    }

    /// The class that the map gives its units; the catalogue may lack it.
    pub const fn class(&self) -> Option<&ClassName> {
        self.class.as_ref()
    }

    /// The unit, where the map names one for all rows.
    pub const fn unit(&self) -> Option<&UnitId> {
        match &self.whose {
            Whose::One(unit) => Some(unit),
            Whose::File(_) | Whose::Column(_) => None,
        }
    }

    /// What it says that its units do throughout.
    pub const fn does(&self) -> Does {
        self.does
    }

    /// The channels it reads, in the order of the map; those of events come last.
    pub fn channels(&self) -> impl Iterator<Item = ChannelId> {
        let events = self.events.iter().map(|event| event.id);
        self.columns.iter().map(|column| column.id).chain(events)
    }
}

fn read_catalogues(
    root: &mut Section<'_, '_>,
    neighbour: &mut impl FnMut(&str) -> Result<String, String>,
    problems: &mut Problems<'_>,
) -> Vec<(String, String)> {
    let Some(value) = root.value("catalogue") else {
        return Vec::new();
    };
    let Some(names) = texts(value.get_ref()) else {
        problems.add(
            &value.span(),
            "`catalogue` is no file name",
            "write it like catalogue = \"catalogue.toml\"; it is looked for beside the map",
        );
        return Vec::new();
    };
    let mut catalogues = Vec::new();
    for name in names {
        match neighbour(&name) {
            Ok(text) => catalogues.push((name, text)),
            Err(why) => problems.add(
                &value.span(),
                format!("catalogue file \"{name}\" cannot be read: {why}"),
                "put it beside the map",
            ),
        }
    }
    catalogues
}

#[cfg(test)]
mod tests;
