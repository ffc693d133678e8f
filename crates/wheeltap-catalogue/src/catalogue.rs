//! Channels and classes, built in and from the user's own files.

use crate::derived::{self, DerivedDef};
use crate::doc::{At, Problems, Section, as_count, as_number, is_near};
use crate::exact::Fraction;
use crate::health::Health;
use crate::ucum::Ucum;
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;
use wheeltap_model::{
    Axle, ChannelDef, ChannelId, ChannelKind, ChannelName, ClassDef, ClassName, Resolution,
    parse_span,
};

/// One thing wrong in a catalogue file, with its place and the mend.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{}: {what}; {mend}", crate::doc::shown(.file, *.line, *.column))]
pub struct CatalogueProblem {
    /// The file as named by the caller.
    pub file: String,
    /// Counted from 1; 0 where the file has no lines to speak of, such as one that cannot be read.
    pub line: usize,
    /// Counted from 1; 0 as above.
    pub column: usize,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub mend: String,
}

/// All channels and classes in force.
#[derive(Clone, Debug, Default)]
pub struct Catalogue {
    channels: Vec<(ChannelId, ChannelDef)>,
    by_name: BTreeMap<ChannelName, usize>,
    by_id: BTreeMap<ChannelId, usize>,
    classes: BTreeMap<ClassName, ClassDef>,
    derived: BTreeMap<ChannelName, Arc<DerivedDef>>,
    health: BTreeMap<ChannelName, Health>,
}

const BUILTIN_FILE: &str = "built-in channels.toml";
const BUILTIN: &str = include_str!("channels.toml");

/// Steps of the resolution that a range may span from zero, so that sums over a window of any
/// length stay exact in 128 bits, squares included.
const MAX_STEPS: f64 = (1_u64 << 40) as f64;

const MAX_AXLES: u32 = 32;

impl Catalogue {
    /// The built-in catalogue for diesel-electrics; it has channels and no classes.
    ///
    /// # Panics
    /// Never: a test reads the built-in file.
    pub fn builtin() -> Self {
        let mut catalogue = Self::default();
        let read = catalogue.extend(BUILTIN_FILE, BUILTIN);
        read.expect("a test reads the built-in file");
        catalogue
    }

    /// The built-in catalogue extended by the user's files, given as (name for messages, TOML text).
    ///
    /// A file may add channels, change what it names of a channel that is there already, and define
    /// classes; a later file goes over an earlier one. FORMATS.md in this crate describes the form.
    ///
    /// # Errors
    /// Every problem found in every file.
    ///
    /// # Examples
    /// ```
    /// use wheeltap_catalogue::Catalogue;
    /// let text = r#"
    ///     [[channel]]
    ///     name = "engine.oil.temperature"   # built in: only the interval changes
    ///     interval = "5 s"
    ///     [[class]]
    ///     name = "Marten"
    ///     axles = 6
    ///     rated_power = "4000 [HP]"
    /// "#;
    /// let catalogue = Catalogue::with_files(&[("zvr.toml".to_owned(), text.to_owned())]).unwrap();
    /// assert_eq!(catalogue.classes().count(), 1);
    /// ```
    pub fn with_files(files: &[(String, String)]) -> Result<Self, Vec<CatalogueProblem>> {
        let mut catalogue = Self::builtin();
        let mut problems = Vec::new();
        for (file, text) in files {
            if let Err(found) = catalogue.extend(file, text) {
                problems.extend(found);
            }
        }
        if problems.is_empty() {
            Ok(catalogue)
        } else {
            Err(problems)
        }
    }

    /// Adds what one more file says; new channels get the next free ids.
    ///
    /// # Errors
    /// Every problem of the file; then this catalogue is as it was.
    pub fn extend(&mut self, file: &str, text: &str) -> Result<(), Vec<CatalogueProblem>> {
        let mut problems = Problems::new(file, text);
        let document = problems.parse();
        if !problems.is_empty() {
            // What is left of a broken file would only raise problems of its own.
            return Err(problems.into_list());
        }
        let mut root = Section::new(document.get_ref(), document.span(), "a catalogue file");
        let mut extended = self.clone();
        let mut named: Vec<ChannelName> = Vec::new();
        for mut section in root.tables("channel", "[[channel]]", &mut problems) {
            for def in read_channels(&mut section, &extended, &mut problems) {
                tell_twice("channel", &def.name, &mut named, &section, &mut problems);
                extended.put(def);
            }
        }
        for mut section in root.tables("derived", "[[derived]]", &mut problems) {
            for (def, derived) in derived::read(&mut section, &extended, &mut problems) {
                tell_twice("channel", &def.name, &mut named, &section, &mut problems);
                extended.put_derived(def, derived);
            }
        }
        let mut watched: Vec<ChannelName> = Vec::new();
        for mut section in root.tables("health", "[[health]]", &mut problems) {
            if let Some((name, health)) = Health::read(&mut section, &extended, &mut problems) {
                tell_twice("health of", &name, &mut watched, &section, &mut problems);
                extended.health.insert(name, health);
            }
        }
        let mut class_names: Vec<ClassName> = Vec::new();
        for mut section in root.tables("class", "[[class]]", &mut problems) {
            if let Some(class) = read_class(&mut section, &mut problems) {
                tell_twice(
                    "class",
                    &class.name,
                    &mut class_names,
                    &section,
                    &mut problems,
                );
                extended.classes.insert(class.name.clone(), class);
            }
        }
        root.refuse_unknown(&mut problems);
        if !problems.is_empty() {
            return Err(problems.into_list());
        }
        *self = extended;
        Ok(())
    }

    /// A catalogue of just these; ids are given in order from 0. For tests and derived catalogues.
    pub fn from_parts(channels: Vec<ChannelDef>, classes: Vec<ClassDef>) -> Self {
        let mut catalogue = Self {
            classes: classes
                .into_iter()
                .map(|class| (class.name.clone(), class))
                .collect(),
            ..Self::default()
        };
        for (idx, def) in (0_u32..).zip(channels) {
            catalogue.channels.push((ChannelId(idx), def));
        }
        catalogue.index();
        catalogue
    }

    /// Replaces the channel of this name, or adds it with the next free id. One that was derived
    /// is measured from now on.
    pub(crate) fn put(&mut self, def: ChannelDef) {
        self.derived.remove(&def.name);
        let name = def.name.clone();
        self.put_def(def);
        self.follow(&name);
    }

    /// As [`Catalogue::put`] for a channel that is computed.
    fn put_derived(&mut self, def: ChannelDef, derived: DerivedDef) {
        let name = def.name.clone();
        self.derived.insert(name.clone(), Arc::new(derived));
        self.put_def(def);
        self.follow(&name);
    }

    /// Gives what is derived from a channel first, and what from that, its kind and silent time, where
    /// they state none of their own. There are no circles.
    fn follow(&mut self, name: &ChannelName) {
        let Some((_, leader)) = self.channel(name) else {
            return;
        };
        let leader = leader.clone();
        let followers: Vec<(ChannelName, Arc<DerivedDef>)> = self
            .derived
            .iter()
            .filter(|(_, derived)| derived.inputs().next() == Some(name))
            .map(|(own, derived)| (own.clone(), Arc::clone(derived)))
            .collect();
        for (own, derived) in followers {
            if let Some(idx) = self.by_name.get(&own) {
                let def = &mut self.channels[*idx].1;
                if derived.follows_kind {
                    def.kind = leader.kind.clone();
                }
                if derived.follows_silent {
                    def.silent_ms = leader.silent_ms;
                }
            }
            self.follow(&own);
        }
    }

    fn put_def(&mut self, def: ChannelDef) {
        if let Some(idx) = self.by_name.get(&def.name) {
            self.channels[*idx].1 = def;
            return;
        }
        let free = self.by_id.last_key_value().map_or(0, |(id, _)| id.0 + 1);
        let idx = self.channels.len();
        self.by_name.insert(def.name.clone(), idx);
        self.by_id.insert(ChannelId(free), idx);
        self.channels.push((ChannelId(free), def));
    }

    fn index(&mut self) {
        self.by_name = self
            .channels
            .iter()
            .enumerate()
            .map(|(idx, (_, def))| (def.name.clone(), idx))
            .collect();
        self.by_id = self
            .channels
            .iter()
            .enumerate()
            .map(|(idx, (id, _))| (*id, idx))
            .collect();
    }

    /// Gives every channel the id that `book` says, such as the store's book of names.
    pub fn renumber(&mut self, mut book: impl FnMut(&ChannelName) -> ChannelId) {
        for (id, def) in &mut self.channels {
            *id = book(&def.name);
        }
        self.index();
    }

    /// All channels in catalogue order.
    pub fn channels(&self) -> impl Iterator<Item = (ChannelId, &ChannelDef)> {
        self.channels.iter().map(|(id, def)| (*id, def))
    }

    /// A channel's name that may have been meant by one that no channel has.
    pub(crate) fn near(&self, name: &ChannelName) -> Option<&str> {
        self.channels()
            .map(|(_, def)| def.name.as_str())
            .find(|known| is_near(known, name.as_str()))
    }

    /// The channel of this name.
    pub fn channel(&self, name: &ChannelName) -> Option<(ChannelId, &ChannelDef)> {
        self.by_name
            .get(name)
            .map(|idx| (self.channels[*idx].0, &self.channels[*idx].1))
    }

    /// The channel with this id.
    pub fn by_id(&self, id: ChannelId) -> Option<&ChannelDef> {
        self.by_id.get(&id).map(|idx| &self.channels[*idx].1)
    }

    /// How this channel is computed from others; `None` where units send it.
    pub fn derived(&self, name: &ChannelName) -> Option<&Arc<DerivedDef>> {
        self.derived.get(name)
    }

    /// How it shows that this channel's sensor fails.
    pub fn health(&self, name: &ChannelName) -> Health {
        self.health.get(name).cloned().unwrap_or_default()
    }

    /// All classes by name.
    pub fn classes(&self) -> impl Iterator<Item = &ClassDef> {
        self.classes.values()
    }

    /// The class of this name.
    pub fn class(&self, name: &ClassName) -> Option<&ClassDef> {
        self.classes.get(name)
    }
}

/// What a table says of a channel; what it does not say comes from the channel of that name.
#[derive(Clone, Debug)]
pub(crate) struct ChannelSays {
    /// Where the table stands and how messages call it.
    span: Range<usize>,
    what: &'static str,
    /// What the table calls the stored unit and the interval.
    ucum_key: &'static str,
    interval_key: &'static str,
    title: Option<At<String>>,
    kind: Option<At<String>>,
    ucum: Option<At<String>>,
    range: Option<At<(f64, f64)>>,
    resolution: Option<At<Resolution>>,
    interval: Option<At<i64>>,
    hold: Option<At<i64>>,
    silent: Option<At<i64>>,
    fields: Option<Vec<(String, String)>>,
    /// Something in it was wrong and is among the problems.
    broken: bool,
}

impl ChannelSays {
    /// Reads the keys that catalogue and map have in common.
    pub(crate) fn read(
        section: &mut Section<'_, '_>,
        ucum_key: &'static str,
        interval_key: &'static str,
        problems: &mut Problems<'_>,
    ) -> Self {
        let before = problems.len();
        let mut says = Self {
            span: section.span.clone(),
            what: section.what(),
            ucum_key,
            interval_key,
            title: section.text("title", problems).map(At::owned),
            kind: section.text("kind", problems).map(At::owned),
            ucum: section.text(ucum_key, problems).map(At::owned),
            range: read_range(section, problems),
            resolution: read_resolution(section, problems),
            interval: read_span(section, interval_key, problems),
            hold: read_span(section, "hold", problems),
            silent: read_span(section, "silent", problems),
            fields: read_fields(section, problems),
            broken: false,
        };
        says.broken = problems.len() > before;
        says
    }

    /// Takes `code` for the stored unit where the table gave none.
    pub(crate) fn with_ucum(mut self, code: Option<&At<String>>) -> Self {
        self.ucum = self.ucum.or_else(|| code.cloned());
        self
    }

    /// Whether it says how the channel speaks, and whether when it is silent.
    pub(crate) const fn states(&self) -> (bool, bool) {
        let kind = self.kind.is_some() || self.interval.is_some() || self.hold.is_some();
        (kind, kind || self.silent.is_some())
    }

    /// Whether it describes a whole new channel.
    pub(crate) const fn declares(&self) -> bool {
        self.kind.is_some()
    }

    fn missing(&self, key: &str, example: &str, problems: &mut Problems<'_>) {
        problems.add(
            &self.span,
            format!("{} has no `{key}`", self.what),
            format!("add {key} = {example}"),
        );
    }

    /// The channel as told here on top of `old`; `None` when something was wrong, which then is
    /// among the problems.
    pub(crate) fn channel(
        &self,
        name: &ChannelName,
        old: Option<&ChannelDef>,
        problems: &mut Problems<'_>,
    ) -> Option<ChannelDef> {
        if self.broken {
            return None;
        }
        let kind = self.kind_on(old, problems)?;
        let is_event = matches!(kind, ChannelKind::Event { .. });
        let ucum = self.ucum_on(name, old, is_event, problems)?;
        let range = match (&self.range, old) {
            (Some(range), _) => range.value,
            (None, Some(old)) => old.range,
            (None, None) if is_event => (0.0, 1.0),
            (None, None) => {
                self.missing("range", "[0, 120]", problems);
                return None;
            }
        };
        let resolution = match (&self.resolution, old) {
            (Some(resolution), _) => resolution.value,
            (None, Some(old)) => old.resolution,
            (None, None) => Resolution { num: 1, den: 1000 },
        };
        let step = f64::from(resolution.num) / f64::from(resolution.den);
        if range.0.abs().max(range.1.abs()) / step > MAX_STEPS {
            let span = self.resolution.as_ref().map(|at| &at.span);
            problems.add(
                span.or(self.range.as_ref().map(|at| &at.span))
                    .unwrap_or(&self.span),
                format!("the range of {name} is more than 2^40 steps of its resolution"),
                "take a coarser resolution or a narrower range",
            );
            return None;
        }
        Some(ChannelDef {
            name: name.clone(),
            title: match (&self.title, old) {
                (Some(title), _) => title.value.clone(),
                (None, Some(old)) => old.title.clone(),
                (None, None) => name.to_string(),
            },
            silent_ms: self.silent_on(&kind, old, problems)?,
            kind,
            ucum,
            range,
            resolution,
        })
    }

    fn kind_on(
        &self,
        old: Option<&ChannelDef>,
        problems: &mut Problems<'_>,
    ) -> Option<ChannelKind> {
        let word = match (&self.kind, old) {
            (Some(kind), _) => kind.value.as_str(),
            (None, Some(old)) => kind_word(&old.kind),
            (None, None) => {
                self.missing("kind", "\"sampled\"", problems);
                return None;
            }
        };
        let foreign = [
            (self.interval_key, self.interval.is_some(), "sampled"),
            ("hold", self.hold.is_some(), "held"),
            ("fields", self.fields.is_some(), "event"),
        ];
        for (key, given, owner) in foreign {
            if given && owner != word {
                problems.add(
                    &self.span,
                    format!("a channel of kind {word} has no use for `{key}`"),
                    format!("remove it, or write kind = \"{owner}\""),
                );
            }
        }
        let old = old.map(|old| &old.kind);
        match word {
            "sampled" => {
                let old = match old {
                    Some(ChannelKind::Sampled { interval_ms }) => Some(*interval_ms),
                    _ => None,
                };
                let interval_ms = self.interval.as_ref().map(|at| at.value).or(old);
                if interval_ms.is_none() {
                    self.missing(self.interval_key, "\"1 s\"", problems);
                }
                interval_ms.map(|interval_ms| ChannelKind::Sampled { interval_ms })
            }
            "held" => {
                let old = match old {
                    Some(ChannelKind::Held { hold_ms }) => Some(*hold_ms),
                    _ => None,
                };
                let hold_ms = self.hold.as_ref().map(|at| at.value).or(old);
                if hold_ms.is_none() {
                    self.missing("hold", "\"70 s\"", problems);
                }
                hold_ms.map(|hold_ms| ChannelKind::Held { hold_ms })
            }
            "event" => {
                let old = match old {
                    Some(ChannelKind::Event { fields }) => Some(fields.clone()),
                    _ => None,
                };
                let fields = self.fields.clone().or(old).unwrap_or_default();
                Some(ChannelKind::Event { fields })
            }
            other => {
                problems.add(
                    self.kind.as_ref().map_or(&self.span, |at| &at.span),
                    format!("\"{other}\" is no kind of channel"),
                    "write \"sampled\", \"held\" or \"event\"",
                );
                None
            }
        }
    }

    fn ucum_on(
        &self,
        name: &ChannelName,
        old: Option<&ChannelDef>,
        is_event: bool,
        problems: &mut Problems<'_>,
    ) -> Option<String> {
        let Some(code) = &self.ucum else {
            if old.is_none() && !is_event {
                self.missing(self.ucum_key, "\"1\"", problems);
                return None;
            }
            return Some(old.map_or_else(|| "1".to_owned(), |old| old.ucum.clone()));
        };
        let unit = parse_ucum(code, problems)?;
        if let Some(old) = old.filter(|old| old.ucum != code.value) {
            let same = Ucum::parse(&old.ucum).is_ok_and(|was| was.dimension() == unit.dimension());
            if !same {
                problems.add(
                    &code.span,
                    format!("{name} is in {} and cannot become {}", old.ucum, code.value),
                    "give the channel a name of its own",
                );
                return None;
            }
            if self.range.is_none() || self.resolution.is_none() {
                problems.add(
                    &code.span,
                    format!(
                        "{name} gets another unit, but range or resolution are still in {}",
                        old.ucum
                    ),
                    "state range and resolution in the new unit",
                );
                return None;
            }
        }
        Some(code.value.clone())
    }

    fn silent_on(
        &self,
        kind: &ChannelKind,
        old: Option<&ChannelDef>,
        problems: &mut Problems<'_>,
    ) -> Option<i64> {
        // The longest that a channel in order may say nothing, and a time that is clearly more.
        let (least, usual) = match kind {
            ChannelKind::Sampled { interval_ms } => {
                (*interval_ms, interval_ms.saturating_mul(10).max(60_000))
            }
            ChannelKind::Held { hold_ms } => (*hold_ms, hold_ms.saturating_mul(2)),
            ChannelKind::Event { .. } => (1, i64::MAX),
        };
        match (&self.silent, old) {
            (Some(silent), _) if silent.value < least => {
                problems.add(
                    &silent.span,
                    "a channel cannot be silent sooner than its next sample is due",
                    "make `silent` longer than the interval or the hold",
                );
                None
            }
            (Some(silent), _) => Some(silent.value),
            (None, Some(old))
                if self.interval.is_none() && self.hold.is_none() && self.kind.is_none() =>
            {
                Some(old.silent_ms)
            }
            (None, _) => Some(usual),
        }
    }
}

/// Parses a code; a refusal becomes a problem.
pub(crate) fn parse_ucum(code: &At<String>, problems: &mut Problems<'_>) -> Option<Ucum> {
    Ucum::parse(&code.value)
        .map_err(|refusal| {
            problems.add(
                &code.span,
                format!("\"{}\" is no UCUM unit", refusal.code),
                refusal.why,
            );
        })
        .ok()
}

const fn kind_word(kind: &ChannelKind) -> &'static str {
    match kind {
        ChannelKind::Sampled { .. } => "sampled",
        ChannelKind::Held { .. } => "held",
        ChannelKind::Event { .. } => "event",
    }
}

/// Takes down a name of this file; the second of the same is a mistake.
fn tell_twice<N: PartialEq + Clone + std::fmt::Display>(
    what: &str,
    name: &N,
    named: &mut Vec<N>,
    section: &Section<'_, '_>,
    problems: &mut Problems<'_>,
) {
    if named.contains(name) {
        problems.add(
            &section.span,
            format!("{what} {name} is described twice in this file"),
            "keep one of the two",
        );
    }
    named.push(name.clone());
}

fn read_channels(
    section: &mut Section<'_, '_>,
    catalogue: &Catalogue,
    problems: &mut Problems<'_>,
) -> Vec<ChannelDef> {
    let name = section.text("name", problems);
    let count = section.count("count", MAX_AXLES * 2, problems);
    let says = ChannelSays::read(section, "ucum", "interval", problems);
    section.refuse_unknown(problems);
    let Some(name) = name else {
        section.missing("name", "\"engine.oil.temperature\"", problems);
        return Vec::new();
    };
    let numbered = name.value.contains("{n}");
    if numbered != count.is_some() {
        problems.add(
            &name.span,
            "a numbered channel needs both {n} in its name and `count`",
            "write name = \"traction.axle.{n}.speed\" and count = 6, or neither",
        );
        return Vec::new();
    }
    let mut defs = Vec::new();
    for number in 1..=count.map_or(1, |count| count.value) {
        let number = number.to_string();
        let Some(name) = channel_name(&name.value.replace("{n}", &number), &name.span, problems)
        else {
            break;
        };
        let old = catalogue.channel(&name).map(|(_, def)| def);
        let Some(mut def) = says.channel(&name, old, problems) else {
            break;
        };
        def.title = def.title.replace("{n}", &number);
        defs.push(def);
    }
    defs
}

pub(crate) fn channel_name(
    text: &str,
    span: &Range<usize>,
    problems: &mut Problems<'_>,
) -> Option<ChannelName> {
    ChannelName::new(text)
        .map_err(|refusal| {
            problems.add(
                span,
                format!("\"{}\" is no channel name", refusal.text),
                refusal.rule,
            );
        })
        .ok()
}

fn read_range(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<At<(f64, f64)>> {
    let value = section.value("range")?;
    let ends: Option<Vec<f64>> = value
        .get_ref()
        .as_array()
        .and_then(|items| items.iter().map(|item| as_number(item.get_ref())).collect());
    match ends.as_deref() {
        Some([low, high]) if low < high => Some(At {
            value: (*low, *high),
            span: value.span(),
        }),
        _ => {
            problems.add(
                &value.span(),
                "`range` is not two finite numbers, the lower one first",
                "write it like range = [-40, 150]",
            );
            None
        }
    }
}

fn read_resolution(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<At<Resolution>> {
    let text = section.decimal("resolution", problems)?;
    let fraction = Fraction::from_decimal(&text.value).and_then(|fraction| {
        let num = u32::try_from(fraction.num()).ok().filter(|num| *num > 0)?;
        let den = u32::try_from(fraction.den()).ok()?;
        Some(Resolution { num, den })
    });
    if fraction.is_none() {
        problems.add(
            &text.span,
            format!(
                "resolution \"{}\" is no decimal above zero that fits",
                text.value
            ),
            "write it like resolution = \"0.1\"",
        );
    }
    Some(At {
        value: fraction?,
        span: text.span,
    })
}

pub(crate) fn read_span(
    section: &mut Section<'_, '_>,
    key: &'static str,
    problems: &mut Problems<'_>,
) -> Option<At<i64>> {
    let text = section.text(key, problems)?;
    match parse_span(text.value) {
        Ok(span_ms) => Some(At {
            value: span_ms,
            span: text.span,
        }),
        Err(refusal) => {
            problems.add(
                &text.span,
                format!("`{key}` = \"{}\" is no span", refusal.text),
                "write a whole number and one of ms, s, min, h, d, such as \"5 min\"",
            );
            None
        }
    }
}

fn read_fields(
    section: &mut Section<'_, '_>,
    problems: &mut Problems<'_>,
) -> Option<Vec<(String, String)>> {
    section.value("fields")?;
    let mut fields: Vec<(String, String)> = Vec::new();
    for mut field in section.tables("fields", "a field", problems) {
        let name = field.text("name", problems);
        let ucum = field.text("ucum", problems);
        field.refuse_unknown(problems);
        let Some((name, ucum)) = name.zip(ucum) else {
            field.missing("name", "\"axle\"", problems);
            field.missing("ucum", "\"1\"", problems);
            continue;
        };
        let plain = name
            .value
            .bytes()
            .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_');
        if !plain || name.value.is_empty() || fields.iter().any(|(old, _)| old == name.value) {
            problems.add(
                &name.span,
                format!("field \"{}\" is no lower-case word of its own", name.value),
                "use lower-case letters, digits and underscores, each name once",
            );
        }
        parse_ucum(&ucum.clone().owned(), problems);
        fields.push((name.value.to_owned(), ucum.value.to_owned()));
    }
    Some(fields)
}

fn read_class(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Option<ClassDef> {
    let name = section.text("name", problems);
    let title = section.text("title", problems);
    let axles = read_axles(section, problems);
    let weight_on_drivers_kg = quantity(section, "weight_on_drivers", "kg", problems);
    let rated_power_kw = quantity(section, "rated_power", "kW", problems);
    let gear_ratio = section.number("gear_ratio", problems);
    let wheel_diameter_mm = quantity(section, "wheel_diameter", "mm", problems);
    let fuel_capacity_l = quantity(section, "fuel_capacity", "L", problems);
    let sand_capacity_kg = quantity(section, "sand_capacity", "kg", problems);
    let oil_capacity_l = quantity(section, "oil_capacity", "L", problems);
    let water_capacity_l = quantity(section, "water_capacity", "L", problems);
    let limits = read_limits(section, problems);
    section.refuse_unknown(problems);
    if let Some(ratio) = gear_ratio.as_ref().filter(|ratio| ratio.value <= 0.0) {
        problems.add(
            &ratio.span,
            "`gear_ratio` is not above zero",
            "give motor turns per axle turn, such as 4.1",
        );
    }
    let Some(name) = name else {
        section.missing("name", "\"Marten\"", problems);
        return None;
    };
    match ClassName::new(name.value) {
        Ok(name) => Some(ClassDef {
            title: title.map_or_else(|| name.to_string(), |title| title.value.to_owned()),
            name,
            axles,
            weight_on_drivers_kg,
            rated_power_kw,
            gear_ratio: gear_ratio.map(|ratio| ratio.value),
            wheel_diameter_mm,
            fuel_capacity_l,
            sand_capacity_kg,
            oil_capacity_l,
            water_capacity_l,
            limits,
        }),
        Err(refusal) => {
            problems.add(
                &name.span,
                format!("\"{}\" is no class name", refusal.text),
                refusal.rule,
            );
            None
        }
    }
}

/// `axles = 6` and, unless all are, `powered = [1, 3, 4, 6]`.
fn read_axles(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Vec<Axle> {
    let count = section.count("axles", MAX_AXLES, problems);
    let powered = section.value("powered");
    let Some(count) = count else {
        if let Some(powered) = powered {
            problems.add(
                &powered.span(),
                "`powered` counts axles, but `axles` does not say how many there are",
                "add axles = 6",
            );
        }
        return Vec::new();
    };
    let n_axles = count.value as usize;
    let Some(powered) = powered else {
        return vec![Axle { powered: true }; n_axles];
    };
    let mut axles = vec![Axle { powered: false }; n_axles];
    let numbers: Option<Vec<usize>> = powered.get_ref().as_array().and_then(|items| {
        items
            .iter()
            .map(|item| {
                let number = as_count(item.get_ref())? as usize;
                (number <= n_axles).then_some(number)
            })
            .collect()
    });
    match numbers {
        Some(numbers) => {
            for number in numbers {
                axles[number - 1].powered = true;
            }
        }
        None => problems.add(
            &powered.span(),
            format!("`powered` is not a list of axle numbers from 1 to {n_axles}"),
            "count axles from the end marked F, such as [1, 3, 4, 6]",
        ),
    }
    axles
}

/// A quantity with its unit, such as `"425000 [lb_av]"`, in `target`.
fn quantity(
    section: &mut Section<'_, '_>,
    key: &'static str,
    target: &str,
    problems: &mut Problems<'_>,
) -> Option<f64> {
    let text = section.text(key, problems)?;
    let converted = Ucum::parse_quantity(text.value).and_then(|(value, unit)| {
        let target_unit = Ucum::parse(target).map_err(|refusal| refusal.to_string())?;
        unit.convert(value, &target_unit)
            .filter(|value| value.is_finite() && *value > 0.0)
            .ok_or_else(|| {
                format!(
                    "\"{}\" is no amount above zero that converts to {target}",
                    text.value
                )
            })
    });
    converted
        .map_err(|what| {
            problems.add(
                &text.span,
                format!("`{key}`: {what}"),
                format!("write a number and a UCUM unit, such as \"100 {target}\""),
            );
        })
        .ok()
}

fn read_limits(section: &mut Section<'_, '_>, problems: &mut Problems<'_>) -> Vec<(String, f64)> {
    let Some(limits) = section.table("limits", "[class.limits]", problems) else {
        return Vec::new();
    };
    let mut read = Vec::new();
    for (key, span, value) in limits.entries() {
        let plain = key
            .bytes()
            .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_');
        if !plain || key.is_empty() {
            problems.add(
                &span,
                format!("limit \"{key}\" is no lower-case word"),
                "use lower-case letters, digits and underscores, ending in the unit: coolant_hot_cel",
            );
        }
        match as_number(value.get_ref()) {
            Some(number) => read.push((key.to_owned(), number)),
            None => problems.add(
                &value.span(),
                format!("limit `{key}` is not a finite number"),
                "write it like coolant_hot_cel = 98",
            ),
        }
    }
    read
}

#[cfg(test)]
mod derived_tests;
#[cfg(test)]
mod tests;
