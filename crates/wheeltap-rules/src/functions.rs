//! The pure functions of the rule language: one table for the checker, the script engine and the
//! reference.
//!
//! Functions that IEEE 754 does not define exactly come from one portable library, so that a
//! verdict has the same bits on every machine.

/// How a function is called.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Call {
    One(fn(f64) -> f64),
    Two(fn(f64, f64) -> f64),
    Three(fn(f64, f64, f64) -> f64),
}

/// What a function asks of, and does to, units of measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum UnitRule {
    /// All arguments alike; the result too.
    Same,
    /// A plain number in, a plain number out.
    Plain,
    /// The square root of the unit.
    Root,
    /// The unit to the power of the second argument, a literal.
    Power,
    /// Any unit in, a plain number out.
    Sign,
}

/// One function.
#[derive(Debug)]
pub(crate) struct Function {
    pub name: &'static str,
    pub args: &'static [&'static str],
    pub what: &'static str,
    pub unit: UnitRule,
    pub call: Call,
    /// A verdict that compiles where `seen.x` and `seen.y` are plain numbers.
    pub example: &'static str,
}

fn clamp(x: f64, low: f64, high: f64) -> f64 {
    if low > high {
        f64::NAN
    } else {
        f64::min(f64::max(x, low), high)
    }
}

fn sign(x: f64) -> f64 {
    if x > 0.0 {
        1.0
    } else if x < 0.0 {
        -1.0
    } else {
        0.0
    }
}

/// IEEE leaves the sign of `min(0.0, -0.0)` open; the rule language does not.
fn min(a: f64, b: f64) -> f64 {
    if a < b || (a <= b && a.is_sign_negative()) {
        a
    } else {
        b
    }
}

fn max(a: f64, b: f64) -> f64 {
    if a > b || (a >= b && a.is_sign_positive()) {
        a
    } else {
        b
    }
}

/// The table, in the order of the reference.
pub(crate) static FUNCTIONS: [Function; 24] = [
    Function {
        name: "abs",
        args: &["x"],
        what: "x without its sign",
        unit: UnitRule::Same,
        call: Call::One(f64::abs),
        example: "abs(seen.x) > 3.0",
    },
    Function {
        name: "sign",
        args: &["x"],
        what: "-1, 0 or 1",
        unit: UnitRule::Sign,
        call: Call::One(sign),
        example: "sign(seen.x) != sign(seen.y)",
    },
    Function {
        name: "min",
        args: &["x", "y"],
        what: "the lesser of two; unknown when either is",
        unit: UnitRule::Same,
        call: Call::Two(min),
        example: "min(seen.x, seen.y) > 3.0",
    },
    Function {
        name: "max",
        args: &["x", "y"],
        what: "the greater of two; unknown when either is",
        unit: UnitRule::Same,
        call: Call::Two(max),
        example: "max(seen.x, seen.y) > 3.0",
    },
    Function {
        name: "clamp",
        args: &["x", "low", "high"],
        what: "x, but not under low or over high; unknown when low is over high",
        unit: UnitRule::Same,
        call: Call::Three(clamp),
        example: "clamp(seen.x, 0.0, 10.0) > 3.0",
    },
    Function {
        name: "floor",
        args: &["x"],
        what: "the greatest whole number not over x",
        unit: UnitRule::Same,
        call: Call::One(f64::floor),
        example: "floor(seen.x) > 3.0",
    },
    Function {
        name: "ceil",
        args: &["x"],
        what: "the least whole number not under x",
        unit: UnitRule::Same,
        call: Call::One(f64::ceil),
        example: "ceil(seen.x) > 3.0",
    },
    Function {
        name: "round",
        args: &["x"],
        what: "the nearest whole number; halves go away from zero",
        unit: UnitRule::Same,
        call: Call::One(f64::round),
        example: "round(seen.x) == 3.0",
    },
    Function {
        name: "trunc",
        args: &["x"],
        what: "x without its decimals",
        unit: UnitRule::Same,
        call: Call::One(f64::trunc),
        example: "trunc(seen.x) == 3.0",
    },
    Function {
        name: "sqrt",
        args: &["x"],
        what: "the square root; unknown under 0",
        unit: UnitRule::Root,
        call: Call::One(f64::sqrt),
        example: "sqrt(seen.x) > 3.0",
    },
    Function {
        name: "pow",
        args: &["x", "y"],
        what: "x to the power of y, as x ** y",
        unit: UnitRule::Power,
        call: Call::Two(libm::pow),
        example: "pow(seen.x, 1.5) > 3.0",
    },
    Function {
        name: "exp",
        args: &["x"],
        what: "e to the power of x",
        unit: UnitRule::Plain,
        call: Call::One(libm::exp),
        example: "exp(seen.x) > 3.0",
    },
    Function {
        name: "ln",
        args: &["x"],
        what: "the natural logarithm; unknown at 0 and under",
        unit: UnitRule::Plain,
        call: Call::One(libm::log),
        example: "ln(seen.x) > 3.0",
    },
    Function {
        name: "log2",
        args: &["x"],
        what: "the logarithm to base 2; unknown at 0 and under",
        unit: UnitRule::Plain,
        call: Call::One(libm::log2),
        example: "log2(seen.x) > 3.0",
    },
    Function {
        name: "log10",
        args: &["x"],
        what: "the logarithm to base 10; unknown at 0 and under",
        unit: UnitRule::Plain,
        call: Call::One(libm::log10),
        example: "log10(seen.x) > 3.0",
    },
    Function {
        name: "hypot",
        args: &["x", "y"],
        what: "the square root of x * x + y * y",
        unit: UnitRule::Same,
        call: Call::Two(libm::hypot),
        example: "hypot(seen.x, seen.y) > 3.0",
    },
    Function {
        name: "sin",
        args: &["x"],
        what: "the sine of x radians",
        unit: UnitRule::Plain,
        call: Call::One(libm::sin),
        example: "sin(seen.x) > 0.5",
    },
    Function {
        name: "cos",
        args: &["x"],
        what: "the cosine of x radians",
        unit: UnitRule::Plain,
        call: Call::One(libm::cos),
        example: "cos(seen.x) > 0.5",
    },
    Function {
        name: "tan",
        args: &["x"],
        what: "the tangent of x radians",
        unit: UnitRule::Plain,
        call: Call::One(libm::tan),
        example: "tan(seen.x) > 0.5",
    },
    Function {
        name: "asin",
        args: &["x"],
        what: "the arc sine in radians; unknown outside -1 to 1",
        unit: UnitRule::Plain,
        call: Call::One(libm::asin),
        example: "asin(seen.x) > 0.5",
    },
    Function {
        name: "acos",
        args: &["x"],
        what: "the arc cosine in radians; unknown outside -1 to 1",
        unit: UnitRule::Plain,
        call: Call::One(libm::acos),
        example: "acos(seen.x) > 0.5",
    },
    Function {
        name: "atan",
        args: &["x"],
        what: "the arc tangent in radians",
        unit: UnitRule::Plain,
        call: Call::One(libm::atan),
        example: "atan(seen.x) > 0.5",
    },
    Function {
        name: "atan2",
        args: &["y", "x"],
        what: "the angle of the point (x, y) in radians",
        unit: UnitRule::Plain,
        call: Call::Two(libm::atan2),
        example: "atan2(seen.y, seen.x) > 0.5",
    },
    Function {
        name: "tanh",
        args: &["x"],
        what: "the hyperbolic tangent",
        unit: UnitRule::Plain,
        call: Call::One(libm::tanh),
        example: "tanh(seen.x) > 0.5",
    },
];

/// The function of this name and its place in the table.
pub(crate) fn find(name: &str) -> Option<(u8, &'static Function)> {
    (0_u8..)
        .zip(FUNCTIONS.iter())
        .find(|(_, function)| function.name == name)
}
