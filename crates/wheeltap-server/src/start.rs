//! What can go wrong before the service runs.

use crate::SettingsProblem;
use wheeltap_catalogue::CatalogueProblem;
use wheeltap_store::StoreError;

/// Why the service did not start. Nothing was bound.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// A settings or roster file is wrong.
    #[error("the settings are not usable")]
    Settings {
        /// What and where.
        #[source]
        problem: SettingsProblem,
    },
    /// Catalogue files are wrong.
    #[error("the catalogue is not usable:\n{}", lines(problems))]
    Catalogue {
        /// Each with its place.
        problems: Vec<CatalogueProblem>,
    },
    /// Work files are wrong.
    #[error("the work settings are not usable:\n{}", lines(problems))]
    Work {
        /// Each with its place.
        problems: Vec<CatalogueProblem>,
    },
    /// Rules could not be taken over.
    #[error("the rules are not usable:\n{message}")]
    Rules {
        /// Each problem on a line, with its place.
        message: String,
    },
    /// The store stopped.
    #[error("the store could not be read")]
    Store {
        /// Why.
        #[source]
        source: StoreError,
    },
}

fn lines(problems: &[CatalogueProblem]) -> String {
    let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
    lines.join("\n")
}

impl From<StoreError> for StartError {
    fn from(source: StoreError) -> Self {
        Self::Store { source }
    }
}

impl From<SettingsProblem> for StartError {
    fn from(problem: SettingsProblem) -> Self {
        Self::Settings { problem }
    }
}
