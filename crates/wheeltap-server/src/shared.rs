//! What every part of the service shares.

use crate::{
    Access, Clock, Fleet, Metrics, Settings, SettingsProblem, Shutdown, StartError, Turnaround,
    roster,
};
use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::Arc;
use wheeltap_catalogue::{Catalogue, read_work};
use wheeltap_model::{ChannelId, ChannelName, WorkSettings};
use wheeltap_store::Store;

/// What every part of the service shares; made once by [`Shared::open`].
pub struct Shared {
    /// Telemetry, ledger and documents. Its calls block: not on an async thread.
    pub store: Arc<dyn Store>,
    /// Channels and classes, numbered by the store's book of names.
    pub catalogue: Arc<Catalogue>,
    /// Units and what is known of them.
    pub fleet: Fleet,
    /// What is set for work on the service track.
    pub work: Arc<WorkSettings>,
    /// Arrivals, parts and work done.
    pub turnaround: Turnaround,
    /// The server's time.
    pub clock: Arc<dyn Clock>,
    /// As read from the settings file.
    pub settings: Settings,
    /// Who may call what.
    pub access: Access,
    /// Counters.
    pub metrics: Metrics,
    /// The signal to stop.
    pub shutdown: Shutdown,
}

/// Names and texts of files.
fn read_files(
    paths: &[PathBuf],
    mend: &'static str,
) -> Result<Vec<(String, String)>, SettingsProblem> {
    let read = paths.iter().map(|path| {
        let file = path.display().to_string();
        match std::fs::read_to_string(path) {
            Ok(text) => Ok((file, text)),
            Err(error) => Err(SettingsProblem::at_start(&file, error.to_string(), mend)),
        }
    });
    read.collect()
}

impl Shared {
    /// Reads the catalogue and the fleet, and creates the roster's missing units. Blocks; nothing is
    /// bound.
    ///
    /// # Errors
    /// Every problem of the catalogue files, the first of the roster, or a stop of the store.
    pub fn open(
        store: Arc<dyn Store>,
        settings: Settings,
        clock: Arc<dyn Clock>,
    ) -> Result<Arc<Self>, StartError> {
        let files = read_files(&settings.catalogue, "name a readable catalogue file")?;
        let catalogue =
            Catalogue::with_files(&files).map_err(|problems| StartError::Catalogue { problems })?;
        Self::with_catalogue(store, settings, clock, catalogue)
    }

    /// As [`Shared::open`] with a catalogue that is not in files; those of the settings are ignored.
    ///
    /// # Errors
    /// As [`Shared::open`].
    pub fn with_catalogue(
        store: Arc<dyn Store>,
        settings: Settings,
        clock: Arc<dyn Clock>,
        mut catalogue: Catalogue,
    ) -> Result<Arc<Self>, StartError> {
        let names: Vec<ChannelName> = catalogue
            .channels()
            .map(|(_, def)| def.name.clone())
            .collect();
        let ids = store.channel_ids(&names)?;
        let book: HashMap<ChannelName, ChannelId> = names.into_iter().zip(ids).collect();
        catalogue.renumber(|name| book[name]);
        let files = read_files(&settings.work, "name a readable work file")?;
        let work =
            read_work(&files, &catalogue).map_err(|problems| StartError::Work { problems })?;
        let fleet = Fleet::load(Arc::clone(&store))?;
        let turnaround = Turnaround::load(Arc::clone(&store))?;
        if let Some(path) = &settings.roster {
            for unit in roster::read(path, &catalogue)? {
                fleet.create(unit, Vec::new())?;
            }
        }
        Ok(Arc::new(Self {
            store,
            catalogue: Arc::new(catalogue),
            fleet,
            work: Arc::new(work),
            turnaround,
            clock,
            settings,
            access: Access::default(),
            metrics: Metrics::default(),
            shutdown: Shutdown::default(),
        }))
    }
}
