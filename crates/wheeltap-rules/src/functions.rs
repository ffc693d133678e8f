//! The pure functions of the rule language: one table for the checker, the script engine and the
//! reference.
//!
//! Functions that IEEE 754 does not define exactly come from one portable library, so that a
//! verdict has the same bits on every machine. The trade's formulas are those of wheeltap-analysis.

use std::sync::LazyLock;
use wheeltap_analysis::{Compute, FORMULAS, Formula};

/// How a function is called.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Call {
    One(fn(f64) -> f64),
    Two(fn(f64, f64) -> f64),
    Three(fn(f64, f64, f64) -> f64),
}

/// What a function asks of, and does to, units of measure.
#[derive(Clone, Copy, Debug)]
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
    /// The units that a formula of the trade states.
    Formula(&'static Formula),
    /// A value, how fast it moves and a limit: seconds.
    Until,
}

/// One function.
#[derive(Debug)]
pub(crate) struct Function {
    pub name: &'static str,
    pub args: Vec<&'static str>,
    pub what: &'static str,
    /// Who published it; empty for plain arithmetic.
    pub source: &'static str,
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

/// The table, in the order of the reference: arithmetic, then the trade's formulas.
pub(crate) static FUNCTIONS: LazyLock<Vec<Function>> = LazyLock::new(|| {
    let arithmetic = ARITHMETIC.iter().map(Plain::function);
    arithmetic
        .chain(FORMULAS.iter().filter_map(of_trade))
        .collect()
});

/// What rules can use of a formula: it is of one instant, of three numbers at most, and more than
/// an operator.
fn of_trade(formula: &'static Formula) -> Option<Function> {
    if formula.example.is_empty() {
        return None;
    }
    let call = match formula.compute {
        Compute::One(call) => Call::One(call),
        Compute::Two(call) => Call::Two(call),
        Compute::Three(call) => Call::Three(call),
        Compute::Many(_) | Compute::Over(..) => return None,
    };
    let any_unit = formula.args.iter().any(|arg| arg.ucum.is_empty());
    Some(Function {
        name: formula.name,
        args: formula.args.iter().map(|arg| arg.name).collect(),
        what: formula.what,
        source: formula.source,
        unit: if any_unit {
            UnitRule::Until
        } else {
            UnitRule::Formula(formula)
        },
        call,
        example: formula.example,
    })
}

/// One function of arithmetic.
struct Plain {
    name: &'static str,
    args: &'static [&'static str],
    what: &'static str,
    unit: UnitRule,
    call: Call,
    example: &'static str,
}

impl Plain {
    fn function(&self) -> Function {
        Function {
            name: self.name,
            args: self.args.to_vec(),
            what: self.what,
            source: "",
            unit: self.unit,
            call: self.call,
            example: self.example,
        }
    }
}

static ARITHMETIC: [Plain; 24] = [
    Plain {
        name: "abs",
        args: &["x"],
        what: "x without its sign",
        unit: UnitRule::Same,
        call: Call::One(f64::abs),
        example: "abs(seen.x) > 3.0",
    },
    Plain {
        name: "sign",
        args: &["x"],
        what: "-1, 0 or 1",
        unit: UnitRule::Sign,
        call: Call::One(sign),
        example: "sign(seen.x) != sign(seen.y)",
    },
    Plain {
        name: "min",
        args: &["x", "y"],
        what: "the lesser of two; unknown when either is",
        unit: UnitRule::Same,
        call: Call::Two(min),
        example: "min(seen.x, seen.y) > 3.0",
    },
    Plain {
        name: "max",
        args: &["x", "y"],
        what: "the greater of two; unknown when either is",
        unit: UnitRule::Same,
        call: Call::Two(max),
        example: "max(seen.x, seen.y) > 3.0",
    },
    Plain {
        name: "clamp",
        args: &["x", "low", "high"],
        what: "x, but not under low or over high; unknown when low is over high",
        unit: UnitRule::Same,
        call: Call::Three(clamp),
        example: "clamp(seen.x, 0.0, 10.0) > 3.0",
    },
    Plain {
        name: "floor",
        args: &["x"],
        what: "the greatest whole number not over x",
        unit: UnitRule::Same,
        call: Call::One(f64::floor),
        example: "floor(seen.x) > 3.0",
    },
    Plain {
        name: "ceil",
        args: &["x"],
        what: "the least whole number not under x",
        unit: UnitRule::Same,
        call: Call::One(f64::ceil),
        example: "ceil(seen.x) > 3.0",
    },
    Plain {
        name: "round",
        args: &["x"],
        what: "the nearest whole number; halves go away from zero",
        unit: UnitRule::Same,
        call: Call::One(f64::round),
        example: "round(seen.x) == 3.0",
    },
    Plain {
        name: "trunc",
        args: &["x"],
        what: "x without its decimals",
        unit: UnitRule::Same,
        call: Call::One(f64::trunc),
        example: "trunc(seen.x) == 3.0",
    },
    Plain {
        name: "sqrt",
        args: &["x"],
        what: "the square root; unknown under 0",
        unit: UnitRule::Root,
        call: Call::One(f64::sqrt),
        example: "sqrt(seen.x) > 3.0",
    },
    Plain {
        name: "pow",
        args: &["x", "y"],
        what: "x to the power of y, as x ** y",
        unit: UnitRule::Power,
        call: Call::Two(libm::pow),
        example: "pow(seen.x, 1.5) > 3.0",
    },
    Plain {
        name: "exp",
        args: &["x"],
        what: "e to the power of x",
        unit: UnitRule::Plain,
        call: Call::One(libm::exp),
        example: "exp(seen.x) > 3.0",
    },
    Plain {
        name: "ln",
        args: &["x"],
        what: "the natural logarithm; unknown at 0 and under",
        unit: UnitRule::Plain,
        call: Call::One(libm::log),
        example: "ln(seen.x) > 3.0",
    },
    Plain {
        name: "log2",
        args: &["x"],
        what: "the logarithm to base 2; unknown at 0 and under",
        unit: UnitRule::Plain,
        call: Call::One(libm::log2),
        example: "log2(seen.x) > 3.0",
    },
    Plain {
        name: "log10",
        args: &["x"],
        what: "the logarithm to base 10; unknown at 0 and under",
        unit: UnitRule::Plain,
        call: Call::One(libm::log10),
        example: "log10(seen.x) > 3.0",
    },
    Plain {
        name: "hypot",
        args: &["x", "y"],
        what: "the square root of x * x + y * y",
        unit: UnitRule::Same,
        call: Call::Two(libm::hypot),
        example: "hypot(seen.x, seen.y) > 3.0",
    },
    Plain {
        name: "sin",
        args: &["x"],
        what: "the sine of x radians",
        unit: UnitRule::Plain,
        call: Call::One(libm::sin),
        example: "sin(seen.x) > 0.5",
    },
    Plain {
        name: "cos",
        args: &["x"],
        what: "the cosine of x radians",
        unit: UnitRule::Plain,
        call: Call::One(libm::cos),
        example: "cos(seen.x) > 0.5",
    },
    Plain {
        name: "tan",
        args: &["x"],
        what: "the tangent of x radians",
        unit: UnitRule::Plain,
        call: Call::One(libm::tan),
        example: "tan(seen.x) > 0.5",
    },
    Plain {
        name: "asin",
        args: &["x"],
        what: "the arc sine in radians; unknown outside -1 to 1",
        unit: UnitRule::Plain,
        call: Call::One(libm::asin),
        example: "asin(seen.x) > 0.5",
    },
    Plain {
        name: "acos",
        args: &["x"],
        what: "the arc cosine in radians; unknown outside -1 to 1",
        unit: UnitRule::Plain,
        call: Call::One(libm::acos),
        example: "acos(seen.x) > 0.5",
    },
    Plain {
        name: "atan",
        args: &["x"],
        what: "the arc tangent in radians",
        unit: UnitRule::Plain,
        call: Call::One(libm::atan),
        example: "atan(seen.x) > 0.5",
    },
    Plain {
        name: "atan2",
        args: &["y", "x"],
        what: "the angle of the point (x, y) in radians",
        unit: UnitRule::Plain,
        call: Call::Two(libm::atan2),
        example: "atan2(seen.y, seen.x) > 0.5",
    },
    Plain {
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
