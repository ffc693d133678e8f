//! Keeps a file of defects as another system's table would: every change is applied exactly once, through kills
//! of this program and restarts of the service, because the changes and the place after them are kept in one step.
//!
//! ```text
//! wheeltap demo --units 4 --stay
//! cargo run -p wheeltap-client --example defects -- http://127.0.0.1:PORT defects.json          # goes on for ever
//! cargo run -p wheeltap-client --example defects -- http://127.0.0.1:PORT defects.json once     # ends when up to date
//! ```

use futures::StreamExt;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{ErrorKind, Write};
use std::path::Path;
use std::time::Duration;
use wheeltap_client::{DefectChangePage, connect_lazy};
use wheeltap_proto::v1::DefectFilter;

const ASK_EVERY: Duration = Duration::from_millis(500);

/// The table and how far the service's changes are in it.
#[derive(Default, Serialize, Deserialize)]
struct Kept {
    cursor: Option<String>,
    defects: BTreeMap<String, Row>,
}

#[derive(Default, Serialize, Deserialize)]
struct Row {
    unit: String,
    title: String,
    status: String,
    due_unix_ms: i64,
    n_changes: u32,
}

impl Kept {
    fn read(file: &Path) -> Result<Self, Box<dyn std::error::Error>> {
        match fs::read(file) {
            Ok(bytes) => Ok(serde_json::from_slice(&bytes)?),
            Err(error) if error.kind() == ErrorKind::NotFound => Ok(Self::default()),
            Err(error) => Err(error.into()),
        }
    }

    fn apply(&mut self, page: DefectChangePage) {
        for defect in page.changes.into_iter().filter_map(|change| change.defect) {
            let row = self.defects.entry(defect.name.clone()).or_default();
            row.n_changes += 1;
            row.status = String::from(defect.status().as_str_name());
            row.unit = defect.unit;
            row.title = defect.title;
            row.due_unix_ms = defect.due_unix_ms;
        }
        self.cursor = Some(page.cursor);
    }

    /// In one step: a reader sees the old file or the new one. A database would commit a transaction here.
    fn write(&self, file: &Path) -> std::io::Result<()> {
        let fresh = file.with_extension("new");
        let mut to = File::create(&fresh)?;
        to.write_all(&serde_json::to_vec_pretty(self)?)?;
        to.sync_all()?;
        fs::rename(&fresh, file)
    }
}

#[tokio::main]
async fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let (Some(address), Some(file)) = (args.next(), args.next()) else {
        return Err(
            "give the service's address, a file for the table, and \"once\" if it is to end".into(),
        );
    };
    let is_once = args.next().is_some_and(|word| word == "once");
    let file = Path::new(&file);
    let mut kept = Kept::read(file)?;
    // Connects when it is first needed, and again whenever the service comes back.
    let connection = connect_lazy(&address)?;
    loop {
        let mut pages =
            connection.list_defect_changes(kept.cursor.clone(), DefectFilter::default());
        while let Some(page) = pages.next().await {
            match page {
                Ok(page) if page.changes.is_empty() && kept.cursor.is_some() => {}
                Ok(page) => {
                    let n_changes = page.changes.len();
                    println!("applying {n_changes}");
                    kept.apply(page);
                    kept.write(file)?;
                    println!("applied {n_changes}");
                }
                // The table no longer follows from the changes that are kept: it must be made anew.
                Err(error) if error.reason.starts_with("CURSOR_") => return Err(error.into()),
                Err(error) if is_once => return Err(error.into()),
                Err(error) => eprintln!("{error}; trying again"),
            }
        }
        if is_once {
            return Ok(());
        }
        tokio::time::sleep(ASK_EVERY).await;
    }
}
