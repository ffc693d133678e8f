//! Files named on the command line, read whole, with errors that name them.

use crate::Stop;
use crate::output::note;
use anyhow::{Context, anyhow};
use std::{
    fs,
    path::{Path, PathBuf},
};
use wheeltap_catalogue::BoundMap;

/// A text file and the name to call it by.
pub struct TextFile {
    pub name: String,
    pub path: PathBuf,
    pub text: String,
}

/// Why a text file could not be read.
#[derive(Debug, thiserror::Error)]
pub enum Unreadable {
    #[error("{name} could not be read: {source}")]
    Io {
        name: String,
        source: std::io::Error,
    },
    #[error("{name}:{line}: this is no UTF-8 text; save the file as UTF-8")]
    NoText { name: String, line: usize },
}

/// Reads a text file; a byte-order mark is taken off.
pub fn read_text(path: &Path) -> Result<TextFile, Unreadable> {
    let name = path.display().to_string();
    let bytes = match fs::read(path) {
        Ok(bytes) => bytes,
        Err(source) => return Err(Unreadable::Io { name, source }),
    };
    let text = match String::from_utf8(bytes) {
        Ok(text) => text,
        Err(error) => {
            let valid = &error.as_bytes()[..error.utf8_error().valid_up_to()];
            let line = 1 + valid.split(|byte| *byte == b'\n').skip(1).count();
            return Err(Unreadable::NoText { name, line });
        }
    };
    let text = match text.strip_prefix('\u{feff}') {
        Some(rest) => rest.to_owned(),
        None => text,
    };
    Ok(TextFile {
        name,
        path: path.to_owned(),
        text,
    })
}

/// Says which files are taken as one unit's because of their names, which is right for two days of a unit and wrong
/// for two runs.
///
/// # Errors
/// The first file that by its name is of no unit.
pub fn say_shared_units(files: &[PathBuf], map: &BoundMap) -> Result<(), Stop> {
    const MOST_TOLD: usize = 5;
    let files: Vec<String> = files
        .iter()
        .map(|path| path.display().to_string())
        .collect();
    let shared = map.shared_units(&files)?;
    for (unit, files) in shared.iter().take(MOST_TOLD) {
        note(format!(
            "{} are of one unit by their names, {unit}, and are taken together",
            files.join(" and ")
        ));
    }
    if shared.len() > MOST_TOLD {
        note(format!(
            "so are files of {} more units",
            shared.len() - MOST_TOLD
        ));
    }
    if !shared.is_empty() {
        note(
            "if they are runs apart, let the map's unit have the folder in its name too: name = \"{folder} {file}\"",
        );
    }
    Ok(())
}

/// All rule files named or held by the folders named, each once, by name of the rule; what of them could not
/// be read is in its place.
pub fn rule_files_each(paths: &[PathBuf]) -> Result<Vec<Result<TextFile, Unreadable>>, Stop> {
    let mut found = Vec::new();
    for path in paths {
        if path.is_dir() {
            let entries = fs::read_dir(path)
                .with_context(|| format!("{} could not be read", path.display()))?;
            let before = found.len();
            for entry in entries {
                let entry = entry
                    .with_context(|| format!("{} could not be read", path.display()))?
                    .path();
                if entry.extension().is_some_and(|end| end == "rhai") && entry.is_file() {
                    found.push(entry);
                }
            }
            if found.len() == before {
                return Err(Stop::Usage(anyhow!(
                    "{} holds no rule: a rule is a file that ends in .rhai",
                    path.display()
                )));
            }
        } else {
            found.push(path.clone());
        }
    }
    found.sort_by(|a, b| a.file_name().cmp(&b.file_name()).then_with(|| a.cmp(b)));
    found.dedup();
    for pair in found.windows(2) {
        if pair[0].file_name() == pair[1].file_name() {
            return Err(Stop::Usage(anyhow!(
                "{} and {} are two rules of one name; rename one",
                pair[0].display(),
                pair[1].display()
            )));
        }
    }
    Ok(found.iter().map(|path| read_text(path)).collect())
}

/// As [`rule_files_each`], all of them readable.
pub fn rule_files(paths: &[PathBuf]) -> Result<Vec<TextFile>, Stop> {
    let files: Result<Vec<TextFile>, Unreadable> = rule_files_each(paths)?.into_iter().collect();
    Ok(files.map_err(anyhow::Error::from)?)
}
