//! Follows units of measure through an expression.
//!
//! A number written out goes with anything, and so does a quantity multiplied by one, as that number may carry a
//! unit of its own (a conversion, or seconds ahead of a trend). A value on a scale with its own zero (Celsius, a
//! level) is a *point*: points have differences, not sums.

use wheeltap_catalogue::{Dimension, Ucum};

/// What a number measures.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Measure {
    /// Written out, or computed from such: goes with anything.
    Free,
    /// Computed in a way that is not followed: goes with anything, and so does all made of it.
    Any,
    /// In a known unit.
    Unit(Unit),
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Unit {
    /// For messages.
    code: String,
    dimension: Dimension,
    /// Size in base units; `None` for levels, which have none.
    scale: Option<f64>,
    point: bool,
    /// It is the square root of what `dimension` and `scale` say.
    rooted: bool,
}

/// Why two units do not go together, with the mend.
pub(crate) struct Clash {
    pub what: String,
    pub why: String,
    pub mend: String,
}

type Checked = Result<Measure, Clash>;

impl Measure {
    /// The measure of an input; `Any` when the code does not parse, which the catalogue refuses.
    pub fn of(code: &str, difference: bool) -> Self {
        let Ok(ucum) = Ucum::parse(code) else {
            return Self::Any;
        };
        let dimension = ucum.dimension();
        let scale = base(dimension).and_then(|base| ucum.convert_difference(1.0, &base));
        Self::Unit(Unit {
            code: code.to_owned(),
            dimension,
            scale,
            point: ucum.is_special() && !difference,
            rooted: false,
        })
    }

    const fn number() -> Self {
        Self::Unit(Unit {
            code: String::new(),
            dimension: Dimension::NUMBER,
            scale: Some(1.0),
            point: false,
            rooted: false,
        })
    }

    /// Sides that must measure the same: comparisons, min, max, branches.
    pub fn alike(&self, other: &Self, symbol: &str) -> Checked {
        match (self, other) {
            (Self::Any, _) | (_, Self::Any) => Ok(Self::Any),
            (Self::Free, own) | (own, Self::Free) => Ok(own.clone()),
            (Self::Unit(a), Self::Unit(b)) => {
                a.same_size(b, symbol)?;
                if a.point != b.point && !a.is_of_points() && !b.is_of_points() {
                    return Err(clash(
                        format!("{} {symbol} {}", a.role(), b.role()),
                        "one is a point on a scale, the other a difference between two",
                        format!(
                            "take a point from the side in {} first",
                            if a.point { a.name() } else { b.name() }
                        ),
                    ));
                }
                Ok(Self::Unit(a.joined(b)))
            }
        }
    }

    pub fn plus(&self, other: &Self) -> Checked {
        match (self, other) {
            (Self::Unit(a), Self::Unit(b)) => {
                a.same_size(b, "+")?;
                if a.point && b.point {
                    return Err(clash(
                        format!("{} + {}", a.name(), b.name()),
                        "points on a scale have differences, not sums",
                        "for their mean write a + (b - a) / 2.0",
                    ));
                }
                Ok(Self::Unit(if b.point { b.joined(a) } else { a.joined(b) }))
            }
            (Self::Free, Self::Unit(b)) | (Self::Unit(b), Self::Free) if b.is_step_of_points() => {
                Ok(Self::Unit(b.of_points()))
            }
            _ => self.alike(other, "+"),
        }
    }

    pub fn minus(&self, other: &Self) -> Checked {
        match (self, other) {
            (Self::Unit(a), Self::Unit(b)) => {
                a.same_size(b, "-")?;
                match (a.point, b.point) {
                    (false, true) if !a.is_of_points() => Err(clash(
                        format!("a difference - {}", b.name()),
                        "a point on a scale cannot be taken from a difference",
                        "turn the sides round",
                    )),
                    (true, true) => Ok(Self::Unit(Unit {
                        code: difference_code(&a.code),
                        point: false,
                        ..a.joined(b)
                    })),
                    _ => Ok(Self::Unit(a.joined(b))),
                }
            }
            (Self::Free, Self::Unit(b)) if b.point => Ok(Self::Any),
            (Self::Free, Self::Unit(b)) if b.is_step_of_points() => Ok(Self::Unit(b.of_points())),
            _ => self.alike(other, "-"),
        }
    }

    pub fn times(&self, other: &Self) -> Self {
        match (self, other) {
            (Self::Free, Self::Free) => Self::Free,
            (Self::Unit(a), Self::Unit(b)) => a.combined(b, ".", Dimension::times, |a, b| a * b),
            _ => Self::Any,
        }
    }

    pub fn per(&self, other: &Self) -> Self {
        match (self, other) {
            (Self::Free, Self::Free) => Self::Free,
            (Self::Unit(a), Self::Unit(b)) => a.combined(b, "/", Dimension::per, |a, b| a / b),
            _ => Self::Any,
        }
    }

    /// The square root.
    pub fn root(&self) -> Self {
        match self {
            Self::Free => Self::Free,
            Self::Unit(unit) => unit.root(),
            Self::Any => Self::Any,
        }
    }

    /// To a power, which is a whole literal from 1 on where units are followed.
    pub fn power(&self, exponent: &Self, literal: Option<f64>) -> Checked {
        exponent.plain("a power")?;
        if let Self::Unit(unit) = self
            && !unit.dimension.is_number()
        {
            return Ok(match literal {
                Some(value) if exactly(value, 2.0) => self.times(self),
                Some(value) if exactly(value, 1.0) => self.clone(),
                _ => Self::Any,
            });
        }
        Ok(self.clone())
    }

    /// Must be a plain number (or radians).
    pub fn plain(&self, use_of: &str) -> Checked {
        match self {
            Self::Unit(unit) if !unit.is_plain() => Err(clash(
                format!("{} in {use_of}", unit.name()),
                "it takes a plain number",
                "divide by a reference in the same unit first",
            )),
            Self::Unit(_) => Ok(Self::number()),
            other => Ok(other.clone()),
        }
    }

    /// A plain number, whatever this is.
    pub fn sign() -> Self {
        Self::number()
    }
}

impl Unit {
    fn name(&self) -> &str {
        if self.code.is_empty() {
            "1"
        } else {
            &self.code
        }
    }

    /// With what it is on its scale, for messages.
    fn role(&self) -> String {
        if self.point {
            format!("a point in {}", self.name())
        } else {
            format!("a difference in {}", self.name())
        }
    }

    /// A difference between points of a scale such as degrees: with a number written out it may be a point again,
    /// as in a limit of so many degrees and three spreads.
    fn is_step_of_points(&self) -> bool {
        let is_temperature =
            || Ucum::parse("Cel").is_ok_and(|degrees| degrees.dimension() == self.dimension);
        !self.point && !self.rooted && is_temperature()
    }

    /// Neither a point nor a difference for sure.
    fn of_points(&self) -> Self {
        Self {
            scale: None,
            ..self.clone()
        }
    }

    /// A product of points, or what may be either: neither a point nor a difference.
    fn is_of_points(&self) -> bool {
        self.scale.is_none() && !self.dimension.level
    }

    /// The root of a square is the side; any other root is only alike to roots of the same.
    fn root(&self) -> Measure {
        let exponents = self.dimension.exponents;
        let square = exponents.iter().all(|exponent| exponent % 2 == 0);
        if self.rooted || self.dimension.level || (square && self.scale.is_none()) {
            return Measure::Any;
        }
        let dimension = if square {
            Dimension {
                exponents: exponents.map(|exponent| exponent / 2),
                ..self.dimension
            }
        } else {
            self.dimension
        };
        // A point's scale has its own zero, so its root has no size in steps.
        let scale = self.scale.filter(|_| !self.point);
        Measure::Unit(Self {
            code: if dimension.is_number() {
                String::new()
            } else {
                format!("sqrt({})", self.name())
            },
            dimension,
            scale: if square { scale.map(f64::sqrt) } else { scale },
            point: false,
            rooted: !square,
        })
    }

    fn is_plain(&self) -> bool {
        let mut radians = [0; 7];
        radians[3] = 1;
        self.dimension.is_number()
            || (self.dimension.exponents == radians
                && self.scale.is_some_and(|scale| exactly(scale, 1.0)))
    }

    /// Refuses another dimension, and the same dimension in other steps.
    fn same_size(&self, other: &Self, symbol: &str) -> Result<(), Clash> {
        let what = format!("{} {symbol} {}", self.name(), other.name());
        if self.dimension != other.dimension || self.rooted != other.rooted {
            return Err(clash(
                what,
                "they measure different things",
                "put like with like, or divide each by a reference in its own unit",
            ));
        }
        if let (Some(a), Some(b)) = (self.scale, other.scale) {
            let ratio = b / a;
            // Scales are products of exact factors, each rounded once or twice.
            let differ = (ratio - 1.0).abs() > 1e-12;
            // Points such as degrees count from zeros of their own, so no factor makes them alike.
            if differ && (self.point || other.point) {
                return Err(clash(
                    what,
                    format!(
                        "{} and {} have other steps and other zeros",
                        self.name(),
                        other.name()
                    ),
                    format!(
                        "write the side in {} in {} instead",
                        other.name(),
                        self.name()
                    ),
                ));
            }
            if differ {
                return Err(clash(
                    what,
                    format!("1 {} is {ratio} {}", other.name(), self.name()),
                    format!("multiply the side in {} by {ratio}", other.name()),
                ));
            }
        }
        Ok(())
    }

    /// This unit after meeting one alike: its size is known only where both are.
    fn joined(&self, other: &Self) -> Self {
        Self {
            scale: self.scale.and(other.scale),
            ..self.clone()
        }
    }

    fn combined(
        &self,
        other: &Self,
        sign: &str,
        dimensions: fn(Dimension, Dimension) -> Dimension,
        scales: fn(f64, f64) -> f64,
    ) -> Measure {
        if self.dimension.level || other.dimension.level {
            return Measure::Any;
        }
        if self.rooted || other.rooted {
            return self.combined_roots(other, sign);
        }
        let points = self.point || other.point;
        if points && (self.dimension.is_number() || other.dimension.is_number()) {
            return Measure::Any;
        }
        let dimension = dimensions(self.dimension, other.dimension);
        let code = if dimension.is_number() {
            String::new()
        } else if sign == "." && other.dimension.is_number() {
            self.code.clone()
        } else if sign == "." && self.dimension.is_number() {
            other.code.clone()
        } else {
            format!("{}{sign}{}", self.code, other.code)
        };
        Measure::Unit(Self {
            code,
            dimension,
            scale: self
                .scale
                .zip(other.scale)
                // Points count from a zero of their own, so their products have no size in steps.
                .filter(|_| !points)
                .map(|(a, b)| scales(a, b)),
            point: false,
            rooted: false,
        })
    }

    /// A root times itself is what is under it; other products with roots are not followed.
    fn combined_roots(&self, other: &Self, sign: &str) -> Measure {
        let alike = self.rooted == other.rooted && self.dimension == other.dimension;
        match sign {
            "." if alike => Measure::Unit(Self {
                code: format!("{}.{}", self.code, other.code),
                rooted: false,
                scale: self.scale.filter(|_| self.scale == other.scale),
                ..self.clone()
            }),
            _ if other.dimension.is_number() => Measure::Unit(Self {
                scale: None,
                ..self.clone()
            }),
            "." if self.dimension.is_number() => Measure::Unit(Self {
                scale: None,
                ..other.clone()
            }),
            _ => Measure::Any,
        }
    }
}

/// Exact on purpose: literals and factors of 1.
#[expect(
    clippy::float_cmp,
    reason = "compared with a literal that is written out"
)]
fn exactly(value: f64, literal: f64) -> bool {
    value == literal
}

fn clash(what: String, why: impl Into<String>, mend: impl Into<String>) -> Clash {
    Clash {
        what,
        why: why.into(),
        mend: mend.into(),
    }
}

fn difference_code(code: &str) -> String {
    if code == "Cel" {
        "K".to_owned()
    } else {
        code.to_owned()
    }
}

/// The unit of size 1 in this dimension; `None` for levels.
fn base(dimension: Dimension) -> Option<Ucum> {
    if dimension.level {
        return None;
    }
    let parts: Vec<String> = ["m", "s", "g", "rad", "K", "C", "cd"]
        .iter()
        .zip(dimension.exponents)
        .filter(|(_, exponent)| *exponent != 0)
        .map(|(code, exponent)| format!("{code}{exponent}"))
        .collect();
    let code = if parts.is_empty() {
        "1".to_owned()
    } else {
        parts.join(".")
    };
    Ucum::parse(&code).ok()
}

/// Least and greatest value a number can have.
pub(crate) type Range = (f64, f64);

/// Nothing is known.
pub(crate) const ANYTHING: Range = (f64::NEG_INFINITY, f64::INFINITY);

/// The range of a monotone operation, from its values at the corners.
pub(crate) fn corners(a: Range, b: Range, apply: impl Fn(f64, f64) -> f64) -> Range {
    let values = [
        apply(a.0, b.0),
        apply(a.0, b.1),
        apply(a.1, b.0),
        apply(a.1, b.1),
    ];
    if values.iter().any(|value| value.is_nan()) {
        return ANYTHING;
    }
    let least = values.into_iter().fold(f64::INFINITY, f64::min);
    let greatest = values.into_iter().fold(f64::NEG_INFINITY, f64::max);
    (least, greatest)
}
