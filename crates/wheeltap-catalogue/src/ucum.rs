//! Units of measure by their UCUM codes (case-sensitive), with exact factors.
//!
//! A code is a term: atoms with an optional prefix and a whole exponent, joined by `.` and `/`
//! from left to right, with annotations in braces that count as 1 (`{rev}/min`). Factors are kept
//! as exact fractions, so that a conversion rounds once. Strict: what is no UCUM code is refused
//! with the right code where it can be guessed.
//!
//! Left out of UCUM's own list: units of the clinic and the arbitrary ones, units of the astronomer,
//! and special units but the Celsius and Fahrenheit scales and the levels in bel.

mod atoms;
mod meant;
mod parser;

use crate::exact::Fraction;
use meant::suggestion;
use parser::Parser;

/// A dimension: exponents of the base units m, s, g, rad, K, C, cd, and whether it is a level (dB).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Dimension {
    /// Exponents in the order m, s, g, rad, K, C, cd.
    pub exponents: [i8; 7],
    /// A logarithmic level such as `dB[SPL]`, which nothing else converts to.
    pub level: bool,
}

impl Dimension {
    /// That of a plain number.
    pub const NUMBER: Self = Self {
        exponents: [0; 7],
        level: false,
    };

    /// That of a product of two quantities; exponents saturate at the ends of `i8`.
    #[must_use]
    pub fn times(self, other: Self) -> Self {
        self.combined(other, i8::saturating_add)
    }

    /// That of a quotient of two quantities; exponents saturate at the ends of `i8`.
    #[must_use]
    pub fn per(self, other: Self) -> Self {
        self.combined(other, i8::saturating_sub)
    }

    /// Whether it is that of a plain number.
    pub fn is_number(self) -> bool {
        self == Self::NUMBER
    }

    fn combined(self, other: Self, with: fn(i8, i8) -> i8) -> Self {
        let mut exponents = self.exponents;
        for (exponent, other) in exponents.iter_mut().zip(other.exponents) {
            *exponent = with(*exponent, other);
        }
        Self {
            exponents,
            level: self.level || other.level,
        }
    }
}

/// One parsed UCUM unit.
#[derive(Clone, Debug, PartialEq)]
pub struct Ucum {
    code: String,
    dimension: Dimension,
    /// Size in base units (K for temperatures, B for levels).
    factor: Factor,
    /// What zero on a special scale is in base units; zero for all others.
    offset: Fraction,
    special: bool,
}

/// A factor, exact wherever it is rational and fits.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Factor {
    value: f64,
    exact: Option<Fraction>,
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

/// How values of one unit become values of another: `(value * mul + add) / div`, rounded once for
/// each step; the same unit gives the same bits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conversion {
    mul: f64,
    add: f64,
    div: f64,
}

impl Conversion {
    /// Leaves values as they are.
    pub const IDENTITY: Self = Self {
        mul: 1.0,
        add: 0.0,
        div: 1.0,
    };

    /// Converts one value.
    pub fn apply(&self, value: f64) -> f64 {
        if *self == Self::IDENTITY {
            // Adding 0.0 would turn -0.0 into 0.0.
            value
        } else {
            (value * self.mul + self.add) / self.div
        }
    }

    /// Whether it leaves values as they are.
    pub fn is_identity(&self) -> bool {
        *self == Self::IDENTITY
    }
}

impl Ucum {
    /// Parses a code.
    ///
    /// # Errors
    /// [`InvalidUcum`] when the code does not follow the grammar or names an unknown atom.
    ///
    /// # Examples
    /// ```
    /// use wheeltap_catalogue::Ucum;
    /// let psi = Ucum::parse("[psi]")?;
    /// let kilopascal = Ucum::parse("kPa")?;
    /// assert_eq!(psi.convert(90.0, &kilopascal).map(f64::round), Some(621.0));
    /// assert!(Ucum::parse("psi").unwrap_err().why.contains("[psi]"));
    /// # Ok::<(), wheeltap_catalogue::InvalidUcum>(())
    /// ```
    pub fn parse(code: &str) -> Result<Self, InvalidUcum> {
        let refused = |why: String| InvalidUcum {
            code: code.chars().take(MAX_CODE).collect(),
            why,
        };
        let hint = |why: String| match suggestion(code) {
            Some(right) => refused(format!("write \"{right}\"")),
            None => refused(why),
        };
        if code.is_empty() {
            return Err(refused("it is empty; a plain number is \"1\"".to_owned()));
        }
        if code.len() > MAX_CODE {
            return Err(refused(format!("it is longer than {MAX_CODE} characters")));
        }
        if !code.bytes().all(|byte| (33..=126).contains(&byte)) {
            return Err(hint(
                "only printable ASCII without spaces is allowed; multiply with \".\"".to_owned(),
            ));
        }
        let mut parser = Parser {
            text: code,
            at: 0,
            depth: 0,
        };
        let quantity = parser
            .term()
            .and_then(|quantity| {
                if parser.at == code.len() {
                    Ok(quantity)
                } else {
                    Err(format!(
                        "\"{}\" cannot follow; join units with \".\" or \"/\"",
                        &code[parser.at..]
                    ))
                }
            })
            .map_err(hint)?;
        if !(quantity.factor.value.is_finite() && quantity.factor.value > 0.0) {
            return Err(refused(
                "its factor is zero or too large to be a number".to_owned(),
            ));
        }
        Ok(Self {
            code: code.to_owned(),
            dimension: quantity.dimension,
            factor: quantity.factor,
            offset: quantity.offset,
            special: quantity.special,
        })
    }

    /// The code as given.
    pub fn code(&self) -> &str {
        &self.code
    }

    /// What it measures.
    pub const fn dimension(&self) -> Dimension {
        self.dimension
    }

    /// Whether its zero is not the quantity's zero (`Cel`, `[degF]`) or it is a level: such values
    /// must not be scaled or summed as amounts.
    pub const fn is_special(&self) -> bool {
        self.special
    }

    /// How values in this unit become values in `target`; `None` when the dimensions differ.
    pub fn conversion(&self, target: &Self) -> Option<Conversion> {
        let offset = self.offset.minus(target.offset);
        self.conversion_with(target, offset)
    }

    fn conversion_with(&self, target: &Self, offset: Option<Fraction>) -> Option<Conversion> {
        if self.dimension != target.dimension {
            return None;
        }
        if self.factor == target.factor && offset == Some(Fraction::ZERO) {
            return Some(Conversion::IDENTITY);
        }
        let exact = || {
            let (from, to) = (self.factor.exact?, target.factor.exact?);
            let mul = from.over(to)?;
            let add = offset?.over(to)?;
            let div = mul.den().checked_mul(add.den())?;
            // One common divisor; lowest terms keep the parts small enough to be exact as f64.
            let scaled_mul = mul.num().checked_mul(add.den())?;
            let scaled_add = add.num().checked_mul(mul.den())?;
            let common = i128::try_from(
                [scaled_mul, scaled_add, div]
                    .into_iter()
                    .map(i128::unsigned_abs)
                    .fold(0, crate::exact::gcd),
            )
            .ok()?;
            Some(Conversion {
                mul: (scaled_mul / common) as f64,
                add: (scaled_add / common) as f64,
                div: (div / common) as f64,
            })
        };
        Some(exact().unwrap_or_else(|| Conversion {
            mul: self.factor.value,
            add: offset.map_or(0.0, Fraction::to_f64),
            div: target.factor.value,
        }))
    }

    /// Converts a value in this unit to `target`; `None` when the dimensions differ.
    pub fn convert(&self, value: f64, target: &Self) -> Option<f64> {
        Some(self.conversion(target)?.apply(value))
    }

    /// Converts a *difference* of values: a rise of 9 `[degF]` is a rise of 5 K.
    pub fn convert_difference(&self, value: f64, target: &Self) -> Option<f64> {
        let conversion = self.conversion_with(target, Some(Fraction::ZERO))?;
        Some(conversion.apply(value))
    }

    /// Reads a quantity such as `425000 [lb_av]`: a number, blanks, a code.
    ///
    /// # Errors
    /// What is wrong with it, and what to write.
    pub fn parse_quantity(text: &str) -> Result<(f64, Self), String> {
        let trimmed = text.trim();
        let (number, code) = trimmed.split_once(char::is_whitespace).ok_or_else(|| {
            format!("\"{text}\" is not a number and a UCUM unit with a space between")
        })?;
        let value = Fraction::from_decimal(number)
            .map(|_| number)
            .and_then(|number| number.parse::<f64>().ok())
            .filter(|value| value.is_finite())
            .ok_or_else(|| format!("\"{number}\" in \"{text}\" is no number"))?;
        let unit = Self::parse(code.trim()).map_err(|problem| problem.to_string())?;
        Ok((value, unit))
    }
}

const MAX_CODE: usize = 96;

/// What a part of a code is worth.
#[derive(Clone, Copy, Debug)]
struct Quantity {
    dimension: Dimension,
    factor: Factor,
    offset: Fraction,
    special: bool,
}

impl Quantity {
    fn number(exact: Fraction) -> Self {
        Self {
            dimension: Dimension::NUMBER,
            factor: Factor {
                value: exact.to_f64(),
                exact: Some(exact),
            },
            offset: Fraction::ZERO,
            special: false,
        }
    }

    /// `self` times (or per) `other`.
    fn joined(self, other: Self, per: bool) -> Result<Self, String> {
        if self.special || other.special {
            // A scale with an own zero can only stand alone or be counted in tens of its step.
            return Err(
                "a temperature scale or a level stands alone; use K for differences and rates"
                    .to_owned(),
            );
        }
        let exact = |(left, right): (Fraction, Fraction)| {
            if per {
                left.over(right)
            } else {
                left.times(right)
            }
        };
        Ok(Self {
            dimension: if per {
                self.dimension.per(other.dimension)
            } else {
                self.dimension.times(other.dimension)
            },
            factor: Factor {
                value: if per {
                    self.factor.value / other.factor.value
                } else {
                    self.factor.value * other.factor.value
                },
                exact: self.factor.exact.zip(other.factor.exact).and_then(exact),
            },
            ..self
        })
    }

    fn power(self, exponent: i8) -> Result<Self, String> {
        if exponent == 1 {
            return Ok(self);
        }
        if self.special {
            return Err("a temperature scale or a level takes no exponent".to_owned());
        }
        let mut dimension = self.dimension;
        for own in &mut dimension.exponents {
            *own = own
                .checked_mul(exponent)
                .ok_or_else(|| "its exponent is too large".to_owned())?;
        }
        let exact = self.factor.exact.and_then(|exact| exact.power(exponent));
        Ok(Self {
            dimension,
            factor: Factor {
                value: exact.map_or_else(
                    || self.factor.value.powi(i32::from(exponent)),
                    Fraction::to_f64,
                ),
                exact,
            },
            ..self
        })
    }

    fn scaled(self, by: Fraction) -> Self {
        let exact = self.factor.exact.and_then(|exact| exact.times(by));
        Self {
            factor: Factor {
                value: exact.map_or_else(|| self.factor.value * by.to_f64(), Fraction::to_f64),
                exact,
            },
            ..self
        }
    }
}

#[cfg(test)]
mod tests;
