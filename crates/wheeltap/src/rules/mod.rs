//! `wheeltap rules`: vetting and replay need no server; the rest speaks to one.

pub mod baselines;
pub mod book;
pub mod cases;
mod conflicts;
pub mod forecast;
mod labels;
pub mod replay;
pub mod sweep;
mod sweep_plot;
pub mod vet;
pub mod walk_back;

use crate::{
    Stop,
    files::{self, TextFile},
    output::{counted, note},
};
use anyhow::anyhow;
use std::{fmt::Display, path::Path};
use wheeltap_catalogue::Catalogue;

/// The built-in catalogue with the user's files.
pub fn catalogue(args: &crate::args::CatalogueArgs) -> Result<Catalogue, Stop> {
    let mut texts = Vec::new();
    for path in &args.catalogue {
        let file = files::read_text(path)?;
        texts.push((file.name, file.text));
    }
    Catalogue::with_files(&texts)
        .map_err(|problems| problems_in("the catalogue", problems.iter(), problems.len()))
}

/// Prints each problem on a line of its own and sums them up.
pub fn problems_in(
    what: &str,
    problems: impl Iterator<Item = impl Display>,
    n_problems: usize,
) -> Stop {
    for problem in problems {
        note(problem.to_string());
    }
    Stop::Failed(anyhow!("{} in {what}", counted(n_problems, "problem")))
}

/// The stem of a rule's file, which is the rule's name.
fn rule_name(file: &TextFile) -> String {
    stem(&file.path)
}

fn stem(path: &Path) -> String {
    path.file_stem()
        .map(|stem| stem.to_string_lossy().into_owned())
        .unwrap_or_default()
}
