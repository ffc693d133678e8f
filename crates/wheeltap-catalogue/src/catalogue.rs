//! Channels and classes, built in and from the user's own files.

use std::collections::BTreeMap;
use wheeltap_model::{ChannelDef, ChannelId, ChannelName, ClassDef, ClassName};

/// One thing wrong in a catalogue file, with its place and the mend.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}:{column}: {what}; {mend}")]
pub struct CatalogueProblem {
    /// The file as named by the caller.
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// Counted from 1.
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
}

impl Catalogue {
    /// The built-in catalogue for diesel-electrics; it has channels and no classes.
    ///
    /// # Panics
    /// Never: a test reads the built-in file.
    pub fn builtin() -> Self {
        unimplemented!()
    }

    /// The built-in catalogue extended by the user's files, given as (name for messages, TOML text).
    ///
    /// # Errors
    /// Every problem found in every file.
    pub fn with_files(files: &[(String, String)]) -> Result<Self, Vec<CatalogueProblem>> {
        let _ = files;
        unimplemented!()
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

    /// All classes by name.
    pub fn classes(&self) -> impl Iterator<Item = &ClassDef> {
        self.classes.values()
    }

    /// The class of this name.
    pub fn class(&self, name: &ClassName) -> Option<&ClassDef> {
        self.classes.get(name)
    }
}
