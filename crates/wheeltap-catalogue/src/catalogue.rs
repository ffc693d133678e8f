//! Channels and classes, built in and from the user's own files.

mod channel;
mod class;

pub(crate) use channel::{ChannelSays, channel_name, parse_ucum, read_span};

use crate::derived::{self, DerivedDef};
use crate::doc::{Problems, Section, is_near};
use crate::health::Health;
use channel::read_channels;
use class::read_class;
use std::collections::BTreeMap;
use std::sync::Arc;
use wheeltap_model::{ChannelDef, ChannelId, ChannelName, ClassDef, ClassName};

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

/// Most axles of a class: more than any locomotive has, articulated ones among them.
pub const MOST_AXLES: u32 = 32;

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

#[cfg(test)]
mod derived_tests;
#[cfg(test)]
mod tests;
