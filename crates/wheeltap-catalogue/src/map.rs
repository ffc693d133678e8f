//! CSV maps: how the columns of a table become channels. FORMATS.md describes the file.

mod events;

pub(crate) use events::{BoundEvent, Trigger};

use crate::catalogue::{
    Catalogue, CatalogueProblem, ChannelSays, channel_name, parse_ucum, read_span,
};
use crate::doc::{At, Problems, Section, as_count, as_number};
use crate::instant::{is_offset, read_instant};
use crate::ucum::{Conversion, Ucum};
use std::path::Path;
use toml::de::DeValue;
use wheeltap_model::{
    ChannelDef, ChannelId, ChannelKind, ChannelName, ClassName, ConsistRole, UnitId, UnitState,
};

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

/// How a row's time is read.
#[derive(Clone, Debug)]
pub(crate) struct TimeRule {
    /// Where it is written; several cells are read as one text, with a space between them.
    pub(crate) sources: Vec<Source>,
    pub(crate) form: TimeForm,
}

#[derive(Clone, Debug)]
pub(crate) enum TimeForm {
    /// A number of spans of `unit_ms` after `from_ms`.
    Counts { unit_ms: f64, from_ms: i64 },
    /// RFC 3339; `offset_s` is taken where the text has none.
    Rfc3339 { offset_s: Option<i32> },
    /// A strftime pattern.
    Pattern {
        pattern: String,
        offset_s: i32,
        date_from_file: bool,
    },
}

/// Whose the rows are.
#[derive(Clone, Debug)]
struct UnitRule {
    whose: Whose,
    class: Option<ClassName>,
    does: Does,
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

#[derive(Clone, Debug)]
struct ChannelRule {
    name: At<ChannelName>,
    source: Source,
    ucum: Option<At<String>>,
    optional: bool,
    repeats_ms: Option<i64>,
    words: Vec<(String, f64)>,
    says: ChannelSays,
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

impl ChannelRule {
    fn bind(&self, catalogue: &mut Catalogue, problems: &mut Problems<'_>) -> Option<BoundColumn> {
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

/// One text, or a list of at least one.
fn texts(value: &DeValue<'_>) -> Option<Vec<String>> {
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

fn read_layout(root: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Option<Layout> {
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
fn read_source(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Option<Source> {
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

/// As [`read_source`], or `columns` or `positions` where date and time of day have a column each.
fn read_time_sources(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<Vec<Source>> {
    let (columns, positions) = (section.value("columns"), section.value("positions"));
    let (value, sources) = match (columns, positions) {
        (None, None) => return read_source(section, problems).map(|source| vec![source]),
        (Some(value), _) => {
            let names = value
                .get_ref()
                .as_array()
                .and_then(|_| texts(value.get_ref()));
            let one = |name: String| Source::Named(vec![name]);
            (
                value,
                names.map(|names| names.into_iter().map(one).collect()),
            )
        }
        (None, Some(value)) => {
            let counts = value.get_ref().as_array().map(|items| {
                let place = |item: &toml::Spanned<DeValue<'_>>| as_count(item.get_ref());
                items.iter().map(place).collect::<Option<Vec<u32>>>()
            });
            let at = |count: u32| Source::At(count as usize - 1);
            let counts = counts.flatten();
            (
                value,
                counts.map(|counts| counts.into_iter().map(at).collect()),
            )
        }
    };
    let sources: Option<Vec<Source>> = sources;
    let is_alone = [section.has("column"), section.has("position")] == [false; 2]
        && (columns.is_none() || positions.is_none());
    let sources = sources.filter(|sources| sources.len() > 1 && is_alone);
    if sources.is_none() {
        problems.add(
            &value.span(),
            "date and time of day are not in a list of columns",
            "write columns = [\"Date\", \"Time\"] or positions = [1, 2], or give `column` or `position` for one column",
        );
    }
    sources
}

fn read_time(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Option<TimeRule> {
    let sources = read_time_sources(section, problems);
    let counts = section.text("counts", problems).map(At::owned);
    let from = section.text("from", problems);
    let text = section.text("text", problems);
    let zone = section.text("zone", problems);
    let date_from_file = section.flag("date_from_file", problems);
    section.refuse_unknown(problems);
    let offset_s = zone.as_ref().and_then(|zone| read_zone(zone, problems));
    let form = match (counts, text) {
        (Some(counts), None) => {
            if sources.as_ref().is_some_and(|sources| sources.len() > 1) {
                problems.add(
                    &counts.span,
                    "a number stands in one column",
                    "give `text` and the pattern that date and time make with a space between them",
                );
            }
            for (key, foreign) in [
                ("zone", zone.as_ref().map(|at| &at.span)),
                ("date_from_file", date_from_file.as_ref().map(|at| &at.span)),
            ] {
                if let Some(span) = foreign {
                    problems.add(
                        span,
                        format!("`{key}` has no use where time is a number"),
                        "remove it; `from` is written with its own zone",
                    );
                }
            }
            read_counts(&counts, from.as_ref(), problems)
        }
        (None, Some(text)) => {
            if let Some(from) = from {
                problems.add(
                    &from.span,
                    "`from` has no use where time is written out",
                    "remove it, or give `counts` instead of `text`",
                );
            }
            let date_from_file = date_from_file.is_some_and(|flag| flag.value);
            read_pattern(&text, offset_s, zone.is_some(), date_from_file, problems)
        }
        _ => {
            problems.add(
                &section.span,
                "[time] needs either `counts` or `text`",
                "add counts = \"s\" for a number, or text = \"rfc3339\" or a strftime pattern",
            );
            None
        }
    };
    Some(TimeRule {
        sources: sources?,
        form: form?,
    })
}

fn read_zone(zone: &At<&str>, problems: &mut Problems<'_>) -> Option<i32> {
    let offset = if zone.value == "Z" {
        Some(0)
    } else {
        jiff::fmt::strtime::parse("%:z", zone.value)
            .ok()
            .and_then(|parsed| parsed.offset())
            .map(jiff::tz::Offset::seconds)
            .filter(|offset_s| is_offset(*offset_s))
    };
    if offset.is_none() {
        problems.add(
            &zone.span,
            format!("zone \"{}\" is no fixed offset", zone.value),
            "write it like zone = \"+00:00\"; names of places are not understood, since clocks \
             that change twice a year do not say which hour is meant",
        );
    }
    offset
}

fn read_counts(
    counts: &At<String>,
    from: Option<&At<&str>>,
    problems: &mut Problems<'_>,
) -> Option<TimeForm> {
    let unit = parse_ucum(counts, problems)?;
    let millisecond = Ucum::parse("ms").ok()?;
    let Some(unit_ms) = unit.convert(1.0, &millisecond) else {
        problems.add(
            &counts.span,
            format!("`counts` = \"{}\" is no unit of time", counts.value),
            "write s, ms, min, h or d",
        );
        return None;
    };
    let mut from_ms = 0;
    if let Some(from) = from {
        let Some(instant) = read_instant(from.value) else {
            problems.add(
                &from.span,
                format!("`from` = \"{}\" is no RFC 3339 instant", from.value),
                "write it like from = \"2026-01-01T00:00:00Z\"",
            );
            return None;
        };
        from_ms = instant;
    }
    Some(TimeForm::Counts { unit_ms, from_ms })
}

fn read_pattern(
    text: &At<&str>,
    offset_s: Option<i32>,
    has_zone: bool,
    date_from_file: bool,
    problems: &mut Problems<'_>,
) -> Option<TimeForm> {
    if text.value == "rfc3339" {
        if date_from_file {
            problems.add(
                &text.span,
                "RFC 3339 has its own date",
                "remove date_from_file, or give a pattern of the time of day",
            );
        }
        return Some(TimeForm::Rfc3339 { offset_s });
    }
    if !text.value.contains('%') {
        problems.add(
            &text.span,
            format!("`text` = \"{}\" is no pattern", text.value),
            "write \"rfc3339\" or a strftime pattern such as \"%Y-%m-%d %H:%M:%S\"",
        );
        return None;
    }
    // The pattern is tried on an instant written by itself, so that a bad one is found before
    // any file is read.
    let tried = jiff::fmt::strtime::format(text.value, jiff::Timestamp::UNIX_EPOCH)
        .and_then(|written| jiff::fmt::strtime::parse(text.value, written));
    let tried = match tried {
        Ok(tried) => tried,
        Err(error) => {
            problems.add(
                &text.span,
                format!(
                    "`text` = \"{}\" is no pattern that can be read: {error}",
                    text.value
                ),
                "use %Y %m %d %H %M %S, %.f for a fraction, %z for an offset",
            );
            return None;
        }
    };
    let names_zone = tried.offset().is_some() || tried.timestamp().is_some();
    if !names_zone && !has_zone {
        problems.add(
            &text.span,
            "the pattern names no zone",
            "add zone = \"+00:00\" or the offset in which the times are written",
        );
        return None;
    }
    let dated = tried.timestamp().is_some() || tried.to_date().is_ok();
    if dated == date_from_file {
        problems.add(
            &text.span,
            if dated {
                "the pattern has a date of its own"
            } else {
                "the pattern has no date"
            },
            if dated {
                "remove date_from_file"
            } else {
                "add the date to the pattern, or date_from_file = true where file names have it"
            },
        );
        return None;
    }
    Some(TimeForm::Pattern {
        pattern: text.value.to_owned(),
        offset_s: offset_s.unwrap_or(0),
        date_from_file,
    })
}

fn read_unit(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Option<UnitRule> {
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
    let known = UnitState::ALL.iter().find(|(_, word)| *word == state.value);
    if known.is_none() {
        let words: Vec<&str> = UnitState::ALL.iter().map(|(_, word)| *word).collect();
        problems.add(
            &state.span,
            format!("no unit state \"{}\"", state.value),
            format!("write one of {}", words.join(", ")),
        );
    }
    known.map(|(state, _)| *state)
}

/// A part in a train.
pub(crate) fn read_role(role: &At<&str>, problems: &mut Problems<'_>) -> Option<ConsistRole> {
    match role.value {
        "lead" => Some(ConsistRole::Lead),
        "trailing" => Some(ConsistRole::Trailing),
        "remote" => Some(ConsistRole::Remote),
        _ => {
            problems.add(
                &role.span,
                format!("no part in a train \"{}\"", role.value),
                "write lead, trailing or remote",
            );
            None
        }
    }
}

fn read_rule(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Option<ChannelRule> {
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

#[cfg(test)]
mod tests;
