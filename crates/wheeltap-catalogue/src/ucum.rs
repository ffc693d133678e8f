//! Units of measure by their UCUM codes (case-sensitive), with exact factors.

/// A dimension: exponents of the base units m, s, g, rad, K, C, cd, and whether it is a level (dB).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Dimension {
    /// Exponents in the order m, s, g, rad, K, C, cd.
    pub exponents: [i8; 7],
    /// A logarithmic level such as `dB[SPL]`, which nothing else converts to.
    pub level: bool,
}

/// One parsed UCUM unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Ucum {
    code: String,
    dimension: Dimension,
    factor: f64,
    offset: f64,
}

/// Why a code was refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{code}\" is no UCUM unit: {why}")]
pub struct InvalidUcum {
    /// The code as given.
    pub code: String,
    /// What is wrong and what to write instead.
    pub why: String,
}

impl Ucum {
    /// Parses a code.
    ///
    /// # Errors
    /// [`InvalidUcum`] when the code does not follow the grammar or names an unknown atom.
    pub fn parse(code: &str) -> Result<Self, InvalidUcum> {
        let _ = code;
        unimplemented!()
    }

    /// The code as given.
    pub fn code(&self) -> &str {
        &self.code
    }

    /// What it measures.
    pub const fn dimension(&self) -> Dimension {
        self.dimension
    }

    /// Converts a value in this unit to `target`; `None` when the dimensions differ.
    pub fn convert(&self, value: f64, target: &Self) -> Option<f64> {
        (self.dimension == target.dimension)
            .then(|| ((value * self.factor + self.offset) - target.offset) / target.factor)
    }

    /// Converts a *difference* of values: a rise of 9 `[degF]` is a rise of 5 K.
    pub fn convert_difference(&self, value: f64, target: &Self) -> Option<f64> {
        (self.dimension == target.dimension).then(|| value * self.factor / target.factor)
    }
}
