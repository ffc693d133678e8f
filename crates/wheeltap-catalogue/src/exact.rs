//! Exact fractions, so that unit factors and resolutions carry no rounding of their own.

/// `num / den` in lowest terms, `den` above zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Fraction {
    num: i128,
    den: i128,
}

pub(crate) const fn gcd(mut a: u128, mut b: u128) -> u128 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

impl Fraction {
    pub(crate) const ZERO: Self = Self { num: 0, den: 1 };
    pub(crate) const ONE: Self = Self { num: 1, den: 1 };

    /// `None` when `den` is zero or a part does not fit.
    pub(crate) fn new(num: i128, den: i128) -> Option<Self> {
        if den == 0 {
            return None;
        }
        let common = i128::try_from(gcd(num.unsigned_abs(), den.unsigned_abs())).ok()?;
        let sign = if den < 0 { -1 } else { 1 };
        Some(Self {
            num: (num / common).checked_mul(sign)?,
            den: (den / common).checked_mul(sign)?,
        })
    }

    pub(crate) const fn num(self) -> i128 {
        self.num
    }

    pub(crate) const fn den(self) -> i128 {
        self.den
    }

    pub(crate) fn times(self, other: Self) -> Option<Self> {
        // Reduced crosswise first, so that products overflow as late as possible.
        let left = Self::new(self.num, other.den)?;
        let right = Self::new(other.num, self.den)?;
        Self::new(
            left.num.checked_mul(right.num)?,
            left.den.checked_mul(right.den)?,
        )
    }

    pub(crate) fn inverse(self) -> Option<Self> {
        Self::new(self.den, self.num)
    }

    pub(crate) fn over(self, other: Self) -> Option<Self> {
        self.times(other.inverse()?)
    }

    pub(crate) fn minus(self, other: Self) -> Option<Self> {
        let left = self.num.checked_mul(other.den)?;
        let right = other.num.checked_mul(self.den)?;
        Self::new(left.checked_sub(right)?, self.den.checked_mul(other.den)?)
    }

    pub(crate) fn power(self, exponent: i8) -> Option<Self> {
        let base = if exponent < 0 { self.inverse()? } else { self };
        let mut product = Self::ONE;
        for _ in 0..exponent.unsigned_abs() {
            product = product.times(base)?;
        }
        Some(product)
    }

    /// Reads plain or scientific decimal text such as `0.1`, `-40` or `6.02e23`, exactly.
    pub(crate) fn from_decimal(text: &str) -> Option<Self> {
        let (mantissa, exponent) = match text.split_once(['e', 'E']) {
            Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
            None => (text, 0),
        };
        let (negative, mantissa) = match mantissa.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, mantissa.strip_prefix('+').unwrap_or(mantissa)),
        };
        let (whole, part) = mantissa.split_once('.').unwrap_or((mantissa, ""));
        if whole.len() + part.len() == 0 {
            return None;
        }
        let mut num: i128 = 0;
        for byte in whole.bytes().chain(part.bytes()) {
            if !byte.is_ascii_digit() {
                return None;
            }
            num = num.checked_mul(10)?.checked_add(i128::from(byte - b'0'))?;
        }
        if negative {
            num = -num;
        }
        let tens = exponent.checked_sub(i32::try_from(part.len()).ok()?)?;
        let scale = 10_i128.checked_pow(tens.unsigned_abs())?;
        if tens < 0 {
            Self::new(num, scale)
        } else {
            Self::new(num.checked_mul(scale)?, 1)
        }
    }

    /// The nearest `f64`, to one unit in the last place where a part exceeds 2^53.
    pub(crate) fn to_f64(self) -> f64 {
        self.num as f64 / self.den as f64
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn decimals_are_read_exactly() {
        let check = |text: &str, num: i128, den: i128| {
            let read = Fraction::from_decimal(text).unwrap();
            assert_eq!((read.num, read.den), (num, den), "{text}");
        };
        check("0.1", 1, 10);
        check("-0.25", -1, 4);
        check("2.50e2", 250, 1);
        check("1e-3", 1, 1000);
        check(".5", 1, 2);
        check("7", 7, 1);
        for bad in [
            "", ".", "-", "1.2.3", "1e", "0x1", "1_000", "inf", "NaN", "1e999", " 1",
        ] {
            assert_eq!(Fraction::from_decimal(bad), None, "{bad}");
        }
    }

    proptest! {
        // The law: arithmetic agrees with cross-multiplied whole numbers.
        #[test]
        fn arithmetic_is_exact(a in -999_i128..999, b in 1_i128..999, c in -999_i128..999, d in 1_i128..999) {
            let (left, right) = (Fraction::new(a, b).unwrap(), Fraction::new(c, d).unwrap());
            let product = left.times(right).unwrap();
            prop_assert_eq!(product.num * b * d, a * c * product.den);
            let difference = left.minus(right).unwrap();
            prop_assert_eq!(difference.num * b * d, (a * d - c * b) * difference.den);
            if c != 0 {
                prop_assert_eq!(left.over(right).unwrap().times(right).unwrap(), left);
            }
        }
    }
}
