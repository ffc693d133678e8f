//! Units of measure by their UCUM codes (case-sensitive), with exact factors.
//!
//! A code is a term: atoms with an optional prefix and a whole exponent, joined by `.` and `/`
//! from left to right, with annotations in braces that count as 1 (`{rev}/min`). Factors are kept
//! as exact fractions, so that a conversion rounds once. Strict: what is no UCUM code is refused
//! with the right code where it can be guessed.
//!
//! Left out of UCUM's own list: units of the clinic and the arbitrary ones, units of the astronomer,
//! and special units but the Celsius and Fahrenheit scales and the levels in bel.

use crate::exact::Fraction;
use std::collections::HashMap;
use std::sync::OnceLock;

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

struct Parser<'a> {
    text: &'a str,
    at: usize,
    depth: usize,
}

impl Parser<'_> {
    fn peek(&self) -> Option<u8> {
        self.text.as_bytes().get(self.at).copied()
    }

    /// term: `/`? component ((`.` | `/`) component)*
    fn term(&mut self) -> Result<Quantity, String> {
        let mut value = if self.peek() == Some(b'/') {
            Quantity::number(Fraction::ONE)
        } else {
            self.component()?
        };
        while let Some(joint @ (b'.' | b'/')) = self.peek() {
            self.at += 1;
            let next = self.component()?;
            value = value.joined(next, joint == b'/')?;
        }
        Ok(value)
    }

    fn component(&mut self) -> Result<Quantity, String> {
        match self.peek() {
            None => Err("it ends where a unit should follow".to_owned()),
            Some(b'(') => {
                self.depth += 1;
                if self.depth > 8 {
                    return Err("its brackets are nested too deeply".to_owned());
                }
                self.at += 1;
                let inner = self.term()?;
                if self.peek() != Some(b')') {
                    return Err("a \"(\" is not closed".to_owned());
                }
                self.at += 1;
                self.depth -= 1;
                Ok(inner)
            }
            Some(b'{') => {
                self.annotation()?;
                Ok(Quantity::number(Fraction::ONE))
            }
            Some(b'0'..=b'9') if !self.at_ten_star() => self.factor(),
            Some(_) => self.annotatable(),
        }
    }

    fn at_ten_star(&self) -> bool {
        let rest = &self.text[self.at..];
        rest.starts_with("10*") || rest.starts_with("10^")
    }

    fn factor(&mut self) -> Result<Quantity, String> {
        let digits: String = self.text[self.at..]
            .chars()
            .take_while(char::is_ascii_digit)
            .collect();
        self.at += digits.len();
        let exact = Fraction::from_decimal(&digits)
            .filter(|exact| exact.num() > 0)
            .ok_or_else(|| format!("the factor {digits} is zero or too large"))?;
        Ok(Quantity::number(exact))
    }

    fn annotation(&mut self) -> Result<(), String> {
        let rest = &self.text[self.at..];
        let end = rest
            .find('}')
            .ok_or_else(|| "a \"{\" is not closed".to_owned())?;
        if rest[1..end].contains('{') {
            return Err("braces cannot be nested".to_owned());
        }
        self.at += end + 1;
        Ok(())
    }

    fn annotatable(&mut self) -> Result<Quantity, String> {
        let start = self.at;
        if self.at_ten_star() {
            self.at += 3;
        } else {
            self.symbol()?;
        }
        let symbol = &self.text[start..self.at];
        let unit = simple_unit(symbol)?;
        let exponent = self.exponent()?;
        let value = unit.power(exponent)?;
        if self.peek() == Some(b'{') {
            self.annotation()?;
        }
        Ok(value)
    }

    /// Moves over a prefix and an atom: everything up to a joint, digit, sign or brace outside of
    /// square brackets.
    fn symbol(&mut self) -> Result<(), String> {
        let start = self.at;
        while let Some(byte) = self.peek() {
            match byte {
                b'[' => {
                    let rest = &self.text[self.at..];
                    let end = rest
                        .find(']')
                        .ok_or_else(|| "a \"[\" is not closed".to_owned())?;
                    self.at += end + 1;
                }
                b'.' | b'/' | b'(' | b')' | b'{' | b'}' | b'+' | b'-' | b'0'..=b'9' => break,
                _ => self.at += 1,
            }
        }
        if self.at == start {
            let found = &self.text[start..=start];
            return Err(format!("a unit should stand where \"{found}\" does"));
        }
        Ok(())
    }

    fn exponent(&mut self) -> Result<i8, String> {
        let rest = &self.text[self.at..];
        let sign_len = usize::from(rest.starts_with(['+', '-']));
        let digits = rest[sign_len..]
            .bytes()
            .take_while(u8::is_ascii_digit)
            .count();
        if digits == 0 {
            return if sign_len == 0 {
                Ok(1)
            } else {
                Err("a sign without an exponent".to_owned())
            };
        }
        let text = &rest[..sign_len + digits];
        self.at += text.len();
        match text.parse::<i8>() {
            Ok(0) | Err(_) => Err(format!("the exponent {text} is zero or too large")),
            Ok(exponent) => Ok(exponent),
        }
    }
}

/// A prefix and an atom, or an atom.
fn simple_unit(symbol: &str) -> Result<Quantity, String> {
    let atoms = atoms();
    if let Some((_, quantity)) = atoms.get(symbol) {
        return Ok(*quantity);
    }
    for (prefix, exact) in prefixes() {
        let Some((metric, quantity)) = symbol.strip_prefix(prefix).and_then(|rest| atoms.get(rest))
        else {
            continue;
        };
        if !metric {
            let atom = &symbol[prefix.len()..];
            return Err(format!(
                "{atom} is not metric and takes no prefix; scale with \"10*3.{atom}\" or the like"
            ));
        }
        return Ok(quantity.scaled(*exact));
    }
    Err(format!(
        "it has no unit \"{symbol}\" (codes are case-sensitive)"
    ))
}

fn prefixes() -> &'static [(&'static str, Fraction)] {
    static PREFIXES: OnceLock<Vec<(&str, Fraction)>> = OnceLock::new();
    PREFIXES.get_or_init(|| {
        const DECIMAL: [(&str, i8); 20] = [
            ("da", 1),
            ("Y", 24),
            ("Z", 21),
            ("E", 18),
            ("P", 15),
            ("T", 12),
            ("G", 9),
            ("M", 6),
            ("k", 3),
            ("h", 2),
            ("d", -1),
            ("c", -2),
            ("m", -3),
            ("u", -6),
            ("n", -9),
            ("p", -12),
            ("f", -15),
            ("a", -18),
            ("z", -21),
            ("y", -24),
        ];
        const BINARY: [(&str, u32); 4] = [("Ki", 10), ("Mi", 20), ("Gi", 30), ("Ti", 40)];
        let ten = Fraction::new(10, 1);
        DECIMAL
            .into_iter()
            .filter_map(|(prefix, tens)| Some((prefix, ten?.power(tens)?)))
            .chain(
                BINARY
                    .into_iter()
                    .filter_map(|(prefix, twos)| Some((prefix, Fraction::new(1 << twos, 1)?))),
            )
            .collect()
    })
}

const METRIC: bool = true;
const PLAIN: bool = false;

/// Atoms as (code, metric, decimal, unit): each is worth `decimal` times `unit`, whose atoms stand
/// above it. Values: UCUM essence 2.2 of 2024-06-17 for those in check-values section 8, from
/// memory of the same list for the others.
const ATOMS: &[(&str, bool, &str, &str)] = &[
    // Numbers.
    ("10*", PLAIN, "10", "1"),
    ("10^", PLAIN, "10", "1"),
    ("%", PLAIN, "0.01", "1"),
    ("[ppth]", PLAIN, "0.001", "1"),
    ("[ppm]", PLAIN, "0.000001", "1"),
    ("[ppb]", PLAIN, "0.000000001", "1"),
    ("mol", METRIC, "6.0221367e23", "1"),
    // SI.
    ("sr", METRIC, "1", "rad2"),
    ("Hz", METRIC, "1", "/s"),
    ("N", METRIC, "1000", "g.m/s2"),
    ("Pa", METRIC, "1", "N/m2"),
    ("J", METRIC, "1", "N.m"),
    ("W", METRIC, "1", "J/s"),
    ("A", METRIC, "1", "C/s"),
    ("V", METRIC, "1", "J/C"),
    ("F", METRIC, "1", "C/V"),
    ("Ohm", METRIC, "1", "V/A"),
    ("S", METRIC, "1", "/Ohm"),
    ("Wb", METRIC, "1", "V.s"),
    ("T", METRIC, "1", "Wb/m2"),
    ("H", METRIC, "1", "Wb/A"),
    ("lm", METRIC, "1", "cd.sr"),
    ("lx", METRIC, "1", "lm/m2"),
    // Beside SI.
    ("min", PLAIN, "60", "s"),
    ("h", PLAIN, "60", "min"),
    ("d", PLAIN, "24", "h"),
    ("wk", PLAIN, "7", "d"),
    ("a_j", PLAIN, "365.25", "d"),
    ("a_g", PLAIN, "365.2425", "d"),
    ("a_t", PLAIN, "365.24219", "d"),
    ("a", PLAIN, "365.25", "d"),
    ("mo_j", PLAIN, "1", "a_j/12"),
    ("mo_g", PLAIN, "1", "a_g/12"),
    ("mo", PLAIN, "1", "a_j/12"),
    ("l", METRIC, "1", "dm3"),
    ("L", METRIC, "1", "dm3"),
    ("ar", METRIC, "100", "m2"),
    ("t", METRIC, "1000", "kg"),
    ("bar", METRIC, "100000", "Pa"),
    ("u", METRIC, "1.6605402e-24", "g"),
    ("dyn", METRIC, "1", "g.cm/s2"),
    ("erg", METRIC, "1", "dyn.cm"),
    ("P", METRIC, "1", "dyn.s/cm2"),
    ("St", METRIC, "1", "cm2/s"),
    ("G", METRIC, "0.0001", "T"),
    ("[g]", METRIC, "9.80665", "m/s2"),
    ("gf", METRIC, "1", "g.[g]"),
    ("atm", PLAIN, "101325", "Pa"),
    ("att", PLAIN, "1", "kgf/cm2"),
    ("m[H2O]", METRIC, "9.80665", "kPa"),
    ("m[Hg]", METRIC, "133.3220", "kPa"),
    ("cal", METRIC, "4.184", "J"),
    ("cal_IT", METRIC, "4.1868", "J"),
    ("cal_th", METRIC, "4.184", "J"),
    ("bit", METRIC, "1", "1"),
    ("By", METRIC, "8", "bit"),
    ("Bd", METRIC, "1", "/s"),
    // International customary.
    ("[in_i]", PLAIN, "2.54", "cm"),
    ("[ft_i]", PLAIN, "12", "[in_i]"),
    ("[yd_i]", PLAIN, "3", "[ft_i]"),
    ("[mi_i]", PLAIN, "5280", "[ft_i]"),
    ("[nmi_i]", PLAIN, "1852", "m"),
    ("[kn_i]", PLAIN, "1", "[nmi_i]/h"),
    ("[mil_i]", PLAIN, "0.001", "[in_i]"),
    ("[sin_i]", PLAIN, "1", "[in_i]2"),
    ("[sft_i]", PLAIN, "1", "[ft_i]2"),
    ("[syd_i]", PLAIN, "1", "[yd_i]2"),
    ("[cin_i]", PLAIN, "1", "[in_i]3"),
    ("[cft_i]", PLAIN, "1", "[ft_i]3"),
    ("[cyd_i]", PLAIN, "1", "[yd_i]3"),
    // United States and British customary.
    ("[ft_us]", PLAIN, "1200", "m/3937"),
    ("[in_us]", PLAIN, "1", "[ft_us]/12"),
    ("[yd_us]", PLAIN, "3", "[ft_us]"),
    ("[mi_us]", PLAIN, "5280", "[ft_us]"),
    ("[gal_us]", PLAIN, "231", "[in_i]3"),
    ("[qt_us]", PLAIN, "1", "[gal_us]/4"),
    ("[pt_us]", PLAIN, "1", "[qt_us]/2"),
    ("[foz_us]", PLAIN, "1", "[gal_us]/128"),
    ("[bbl_us]", PLAIN, "42", "[gal_us]"),
    ("[gal_br]", PLAIN, "4.54609", "l"),
    ("[pt_br]", PLAIN, "1", "[gal_br]/8"),
    ("[gr]", PLAIN, "64.79891", "mg"),
    ("[lb_av]", PLAIN, "7000", "[gr]"),
    ("[oz_av]", PLAIN, "1", "[lb_av]/16"),
    ("[scwt_av]", PLAIN, "100", "[lb_av]"),
    ("[lcwt_av]", PLAIN, "112", "[lb_av]"),
    ("[ston_av]", PLAIN, "20", "[scwt_av]"),
    ("[lton_av]", PLAIN, "20", "[lcwt_av]"),
    ("[stone_av]", PLAIN, "14", "[lb_av]"),
    ("[lbf_av]", PLAIN, "1", "[lb_av].[g]"),
    ("[psi]", PLAIN, "1", "[lbf_av]/[in_i]2"),
    ("[HP]", PLAIN, "550", "[ft_i].[lbf_av]/s"),
    ("[in_i'H2O]", PLAIN, "1", "m[H2O].[in_i]/m"),
    ("[in_i'Hg]", PLAIN, "1", "m[Hg].[in_i]/m"),
    ("[Btu_IT]", PLAIN, "1.05505585262", "kJ"),
    ("[Btu_th]", PLAIN, "1.054350", "kJ"),
    ("[Btu]", PLAIN, "1", "[Btu_th]"),
    ("[degR]", PLAIN, "5", "K/9"),
];

fn atoms() -> &'static HashMap<&'static str, (bool, Quantity)> {
    static ATOM_MAP: OnceLock<HashMap<&str, (bool, Quantity)>> = OnceLock::new();
    ATOM_MAP.get_or_init(build_atoms)
}

/// Builds the map without going through [`atoms`], which would wait for itself.
fn build_atoms() -> HashMap<&'static str, (bool, Quantity)> {
    let mut map = HashMap::new();
    let one = Quantity::number(Fraction::ONE);
    for (idx, base) in ["m", "s", "g", "rad", "K", "C", "cd"]
        .into_iter()
        .enumerate()
    {
        let mut dimension = Dimension::NUMBER;
        dimension.exponents[idx] = 1;
        map.insert(base, (METRIC, Quantity { dimension, ..one }));
    }
    // pi / 180 is not rational, so the angles alone are inexact.
    let half_turn = |parts: f64| Quantity {
        dimension: map["rad"].1.dimension,
        factor: Factor {
            value: std::f64::consts::PI / parts,
            exact: None,
        },
        ..one
    };
    let angles = [
        ("deg", half_turn(180.0)),
        ("'", half_turn(180.0 * 60.0)),
        ("''", half_turn(180.0 * 3600.0)),
        ("gon", half_turn(200.0)),
        (
            "[pi]",
            Quantity {
                dimension: Dimension::NUMBER,
                ..half_turn(1.0)
            },
        ),
    ];
    map.extend(angles.map(|(code, quantity)| (code, (PLAIN, quantity))));
    for (code, metric, decimal, unit) in ATOMS {
        let worth = definition(&map, unit)
            .zip(Fraction::from_decimal(decimal))
            .map(|(unit, decimal)| unit.scaled(decimal))
            .expect("a test reads every atom's definition");
        map.insert(code, (*metric, worth));
    }
    let kelvin = map["K"].1;
    let scale = |step: Option<Fraction>, zero: Option<Fraction>| {
        let (step, zero) = step.zip(zero).expect("constants that fit");
        Quantity {
            offset: zero,
            special: true,
            ..kelvin.scaled(step)
        }
    };
    // 0 Cel = 273.15 K; 0 [degF] = 459.67 * 5/9 K.
    let celsius = scale(Fraction::new(1, 1), Fraction::new(27_315, 100));
    let fahrenheit = scale(Fraction::new(5, 9), Fraction::new(45_967 * 5, 900));
    map.insert("Cel", (METRIC, celsius));
    map.insert("[degF]", (PLAIN, fahrenheit));
    for (code, of) in [("B", "1"), ("B[SPL]", "Pa"), ("B[V]", "V"), ("B[W]", "W")] {
        let mut dimension = definition(&map, of)
            .expect("a test reads every level's definition")
            .dimension;
        dimension.level = true;
        let level = Quantity {
            dimension,
            special: true,
            ..one
        };
        map.insert(code, (METRIC, level));
    }
    map
}

/// A reader for the definitions above alone: atoms with k, c, d or m before metric ones, an
/// exponent digit, whole numbers, joints.
fn definition(map: &HashMap<&'static str, (bool, Quantity)>, unit: &str) -> Option<Quantity> {
    let mut value = Quantity::number(Fraction::ONE);
    let mut per = false;
    let mut rest = unit;
    loop {
        let end = joint(rest);
        let part = &rest[..end];
        if !part.is_empty() {
            let quantity = if let Some(exact) = Fraction::from_decimal(part) {
                Quantity::number(exact)
            } else {
                let exponent = part.chars().last()?.to_digit(10);
                let symbol = if exponent.is_some() {
                    &part[..part.len() - 1]
                } else {
                    part
                };
                let plain = map.get(symbol).map(|(_, quantity)| *quantity);
                let prefixed = || {
                    prefixes().iter().find_map(|(prefix, exact)| {
                        let (_, quantity) = map.get(symbol.strip_prefix(prefix)?)?;
                        Some(quantity.scaled(*exact))
                    })
                };
                let exponent = i8::try_from(exponent.unwrap_or(1)).ok()?;
                plain.or_else(prefixed)?.power(exponent).ok()?
            };
            value = value.joined(quantity, per).ok()?;
        }
        if end == rest.len() {
            return Some(value);
        }
        per = rest.as_bytes()[end] == b'/';
        rest = &rest[end + 1..];
    }
}

/// Where the next `.` or `/` outside of square brackets is, or the end.
fn joint(text: &str) -> usize {
    let mut depth = 0_usize;
    for (idx, byte) in text.bytes().enumerate() {
        match byte {
            b'[' => depth += 1,
            b']' => depth = depth.saturating_sub(1),
            b'.' | b'/' if depth == 0 => return idx,
            _ => {}
        }
    }
    text.len()
}

/// What people write, in lower case, and the UCUM code they mean.
const MEANT: &[(&str, &str)] = &[
    ("degc", "Cel"),
    ("deg c", "Cel"),
    ("\u{b0}c", "Cel"),
    ("celsius", "Cel"),
    ("degf", "[degF]"),
    ("deg f", "[degF]"),
    ("\u{b0}f", "[degF]"),
    ("fahrenheit", "[degF]"),
    ("kelvin", "K"),
    ("\u{b0}", "deg"),
    ("psi", "[psi]"),
    ("psig", "[psi]"),
    ("inhg", "[in_i'Hg]"),
    ("inh2o", "[in_i'H2O]"),
    ("mh2o", "m[H2O]"),
    ("mmhg", "mm[Hg]"),
    ("mph", "[mi_i]/h"),
    ("mi/h", "[mi_i]/h"),
    ("kph", "km/h"),
    ("kmh", "km/h"),
    ("kmph", "km/h"),
    ("mps", "m/s"),
    ("fps", "[ft_i]/s"),
    ("kn", "[kn_i]"),
    ("knot", "[kn_i]"),
    ("knots", "[kn_i]"),
    ("rpm", "/min"),
    ("rev", "{rev}"),
    ("rev/min", "{rev}/min"),
    ("cfm", "[cft_i]/min"),
    ("scfm", "[cft_i]/min"),
    ("lpm", "L/min"),
    ("gal", "[gal_us]"),
    ("gallon", "[gal_us]"),
    ("gallons", "[gal_us]"),
    ("gph", "[gal_us]/h"),
    ("gal/h", "[gal_us]/h"),
    ("gpm", "[gal_us]/min"),
    ("gal/min", "[gal_us]/min"),
    ("lb", "[lb_av]"),
    ("lbs", "[lb_av]"),
    ("lbm", "[lb_av]"),
    ("lb/min", "[lb_av]/min"),
    ("lbf", "[lbf_av]"),
    ("klb", "10*3.[lb_av]"),
    ("k[psi]", "10*3.[psi]"),
    ("klbf", "10*3.[lbf_av]"),
    ("oz", "[oz_av]"),
    ("ton", "[ston_av]"),
    ("tons", "[ston_av]"),
    ("hp", "[HP]"),
    ("[hp]", "[HP]"),
    ("bhp", "[HP]"),
    ("in", "[in_i]"),
    ("inch", "[in_i]"),
    ("foot", "[ft_i]"),
    ("feet", "[ft_i]"),
    ("yd", "[yd_i]"),
    ("mi", "[mi_i]"),
    ("mile", "[mi_i]"),
    ("miles", "[mi_i]"),
    ("btu", "[Btu_IT]"),
    ("sec", "s"),
    ("second", "s"),
    ("hr", "h"),
    ("hour", "h"),
    ("day", "d"),
    ("yr", "a"),
    ("year", "a"),
    ("month", "mo"),
    ("percent", "%"),
    ("pct", "%"),
    ("ppm", "[ppm]"),
    ("ppb", "[ppb]"),
    ("volt", "V"),
    ("volts", "V"),
    ("amp", "A"),
    ("amps", "A"),
    ("watt", "W"),
    ("kwh", "kW.h"),
    ("amph", "A.h"),
    ("ah", "A.h"),
    ("litre", "L"),
    ("liter", "L"),
    ("tonne", "t"),
    ("\u{3a9}", "Ohm"),
    ("\u{2126}", "Ohm"),
    ("dba", "dB[SPL]{A}"),
    ("db(a)", "dB[SPL]{A}"),
    ("db[spl](a)", "dB[SPL]{A}"),
    ("count", "{count}"),
    ("event", "{event}"),
    ("events", "{event}"),
    ("m/s^2", "m/s2"),
    ("m/s\u{b2}", "m/s2"),
    ("\u{b5}m", "um"),
];

/// Codes that are met in the wrong case.
const USUAL: &[&str] = &[
    "km/h",
    "m/s",
    "mm/s",
    "L/h",
    "L/min",
    "kW.h",
    "g/min",
    "kg/min",
    "Cel",
    "K",
    "Pa",
    "kPa",
    "MPa",
    "hPa",
    "bar",
    "mbar",
    "N",
    "kN",
    "W",
    "kW",
    "MW",
    "J",
    "kJ",
    "MJ",
    "V",
    "mV",
    "kV",
    "A",
    "mA",
    "kA",
    "Ohm",
    "Hz",
    "kHz",
    "m",
    "km",
    "cm",
    "mm",
    "g",
    "kg",
    "t",
    "s",
    "ms",
    "min",
    "h",
    "d",
    "L",
    "rad",
    "deg",
    "dB",
    "[degF]",
    "[psi]",
    "[HP]",
    "m/s2",
    "dB[SPL]",
    "dB[SPL]{A}",
];

/// The code that was probably meant: a habit of speech, or another case of a right code.
fn suggestion(code: &str) -> Option<String> {
    let lower = code.to_lowercase();
    if let Some((_, right)) = MEANT.iter().find(|(meant, _)| *meant == lower) {
        return Some((*right).to_owned());
    }
    if let Some(usual) = USUAL.iter().find(|usual| usual.to_lowercase() == lower) {
        return Some((*usual).to_owned());
    }
    // Otherwise joint by joint.
    let mut right = String::new();
    let mut rest = code;
    loop {
        let end = joint(rest);
        let part = &rest[..end];
        if !part.is_empty() {
            if simple_unit(part).is_ok() {
                right.push_str(part);
            } else {
                let lower = part.to_lowercase();
                let meant = MEANT
                    .iter()
                    .find(|(meant, code)| *meant == lower && !code.contains(['/', '.']))
                    .map(|(_, code)| *code);
                let cased = || {
                    USUAL
                        .iter()
                        .find(|usual| usual.to_lowercase() == lower)
                        .copied()
                };
                right.push_str(meant.or_else(cased)?);
            }
        }
        if end == rest.len() {
            break;
        }
        right.push_str(&rest[end..=end]);
        rest = &rest[end + 1..];
    }
    (right != code && Ucum::parse(&right).is_ok()).then_some(right)
}

#[cfg(test)]
mod tests;
