//! A verdict as a flat program over floating-point registers, judged by three-valued logic.
//!
//! Every register holds one `f64`. A number is itself; a flag is 0 or 1; *unknown* is NaN, for both.
//! No operation may leave an infinity behind: what is not finite becomes unknown at once. All
//! operations are pure and total, so both branches of an `if` are computed and one is taken:
//! judging has no jumps, allocates nothing and costs the same on every row.
//!
//! The [`Builder`] folds constants and shares equal operations, so a helper that is used twice is
//! computed once.

use crate::functions::{Call, FUNCTIONS};
use crate::{Seen, Truth};
use std::sync::Arc;

/// Most operations in one verdict.
pub(crate) const MAX_OPS: usize = 1_024;

/// Index of an operation, and of the register it writes.
pub(crate) type Reg = u16;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Op {
    Const(f64),
    Input(u16),
    Known(Reg),
    Not(Reg),
    And(Reg, Reg),
    Or(Reg, Reg),
    Negate(Reg),
    Add(Reg, Reg),
    Subtract(Reg, Reg),
    Multiply(Reg, Reg),
    Divide(Reg, Reg),
    Remainder(Reg, Reg),
    Less(Reg, Reg),
    LessOrEqual(Reg, Reg),
    Equal(Reg, Reg),
    NotEqual(Reg, Reg),
    One(u8, Reg),
    Two(u8, Reg, Reg),
    Three(u8, Reg, Reg, Reg),
    Select(Reg, Reg, Reg),
}

impl Op {
    pub fn reads(self) -> [Option<Reg>; 3] {
        match self {
            Self::Const(_) | Self::Input(_) => [None; 3],
            Self::Known(a) | Self::Not(a) | Self::Negate(a) | Self::One(_, a) => {
                [Some(a), None, None]
            }
            Self::And(a, b)
            | Self::Or(a, b)
            | Self::Add(a, b)
            | Self::Subtract(a, b)
            | Self::Multiply(a, b)
            | Self::Divide(a, b)
            | Self::Remainder(a, b)
            | Self::Less(a, b)
            | Self::LessOrEqual(a, b)
            | Self::Equal(a, b)
            | Self::NotEqual(a, b)
            | Self::Two(_, a, b) => [Some(a), Some(b), None],
            Self::Three(_, a, b, c) | Self::Select(a, b, c) => [Some(a), Some(b), Some(c)],
        }
    }

    fn renumber(self, new: &[Reg]) -> Self {
        let at = |reg: Reg| new[usize::from(reg)];
        match self {
            Self::Const(_) | Self::Input(_) => self,
            Self::Known(a) => Self::Known(at(a)),
            Self::Not(a) => Self::Not(at(a)),
            Self::Negate(a) => Self::Negate(at(a)),
            Self::One(f, a) => Self::One(f, at(a)),
            Self::And(a, b) => Self::And(at(a), at(b)),
            Self::Or(a, b) => Self::Or(at(a), at(b)),
            Self::Add(a, b) => Self::Add(at(a), at(b)),
            Self::Subtract(a, b) => Self::Subtract(at(a), at(b)),
            Self::Multiply(a, b) => Self::Multiply(at(a), at(b)),
            Self::Divide(a, b) => Self::Divide(at(a), at(b)),
            Self::Remainder(a, b) => Self::Remainder(at(a), at(b)),
            Self::Less(a, b) => Self::Less(at(a), at(b)),
            Self::LessOrEqual(a, b) => Self::LessOrEqual(at(a), at(b)),
            Self::Equal(a, b) => Self::Equal(at(a), at(b)),
            Self::NotEqual(a, b) => Self::NotEqual(at(a), at(b)),
            Self::Two(f, a, b) => Self::Two(f, at(a), at(b)),
            Self::Three(f, a, b, c) => Self::Three(f, at(a), at(b), at(c)),
            Self::Select(a, b, c) => Self::Select(at(a), at(b), at(c)),
        }
    }

    /// Computes the operation on the registers before it.
    fn run(self, regs: &[f64], seen: &[Seen]) -> f64 {
        let at = |reg: Reg| regs[usize::from(reg)];
        match self {
            Self::Const(value) => value,
            Self::Input(idx) => match seen.get(usize::from(idx)) {
                Some(Seen::Number(number)) => finite(*number),
                Some(Seen::Flag(flag)) => f64::from(u8::from(*flag)),
                Some(Seen::Unknown) | None => f64::NAN,
            },
            Self::Known(a) => truth(!at(a).is_nan()),
            Self::Not(a) => 1.0 - at(a),
            Self::And(a, b) => and(at(a), at(b)),
            Self::Or(a, b) => 1.0 - and(1.0 - at(a), 1.0 - at(b)),
            Self::Negate(a) => -at(a),
            Self::Add(a, b) => finite(at(a) + at(b)),
            Self::Subtract(a, b) => finite(at(a) - at(b)),
            Self::Multiply(a, b) => finite(at(a) * at(b)),
            Self::Divide(a, b) => finite(at(a) / at(b)),
            Self::Remainder(a, b) => finite(at(a) % at(b)),
            Self::Less(a, b) => compare(at(a), at(b), |a, b| a < b),
            Self::LessOrEqual(a, b) => compare(at(a), at(b), |a, b| a <= b),
            Self::Equal(a, b) => compare(at(a), at(b), exactly_equal),
            Self::NotEqual(a, b) => compare(at(a), at(b), |a, b| !exactly_equal(a, b)),
            Self::One(function, a) => apply(function, [at(a), 0.0, 0.0]),
            Self::Two(function, a, b) => apply(function, [at(a), at(b), 0.0]),
            Self::Three(function, a, b, c) => apply(function, [at(a), at(b), at(c)]),
            Self::Select(test, then, otherwise) => {
                let test = at(test);
                if test.is_nan() {
                    f64::NAN
                } else if test > 0.5 {
                    at(then)
                } else {
                    at(otherwise)
                }
            }
        }
    }
}

#[expect(clippy::float_cmp, reason = "the dialect's == is IEEE equality")]
fn exactly_equal(a: f64, b: f64) -> bool {
    a == b
}

fn truth(flag: bool) -> f64 {
    f64::from(u8::from(flag))
}

/// Unknown unless finite.
fn finite(value: f64) -> f64 {
    if value.is_finite() { value } else { f64::NAN }
}

/// Kleene's and: false wins over unknown.
fn and(a: f64, b: f64) -> f64 {
    // NaN compares false with everything, so `min` of the two comparisons keeps what is known.
    if a < 0.5 || b < 0.5 { 0.0 } else { a * b }
}

fn compare(a: f64, b: f64, test: impl Fn(f64, f64) -> bool) -> f64 {
    if a.is_nan() || b.is_nan() {
        f64::NAN
    } else {
        truth(test(a, b))
    }
}

/// A function of an unknown is unknown, also where IEEE says otherwise (`pow(NaN, 0)` is 1).
fn apply(function: u8, args: [f64; 3]) -> f64 {
    let [a, b, c] = args;
    if a.is_nan() || b.is_nan() || c.is_nan() {
        return f64::NAN;
    }
    finite(match FUNCTIONS[usize::from(function)].call {
        Call::One(call) => call(a),
        Call::Two(call) => call(a, b),
        Call::Three(call) => call(a, b, c),
    })
}

/// A finished verdict; its last operation is the result.
#[derive(Clone, Debug)]
pub(crate) struct Program {
    ops: Arc<[Op]>,
}

impl Program {
    pub fn judge(&self, seen: &[Seen]) -> Truth {
        // Three sizes, so that a small verdict does not clear a large array first.
        let result = match self.ops.len() {
            0..=32 => self.run(&mut [0.0; 32], seen),
            33..=160 => self.run(&mut [0.0; 160], seen),
            _ => self.run(&mut [0.0; MAX_OPS], seen),
        };
        if result.is_nan() {
            Truth::Unknown
        } else if result > 0.5 {
            Truth::True
        } else {
            Truth::False
        }
    }

    fn run(&self, regs: &mut [f64], seen: &[Seen]) -> f64 {
        for (idx, op) in self.ops.iter().enumerate() {
            let (before, from) = regs.split_at_mut(idx);
            if let Some(target) = from.first_mut() {
                *target = op.run(before, seen);
            }
        }
        self.ops
            .len()
            .checked_sub(1)
            .map_or(f64::NAN, |last| regs[last])
    }

    /// Its operations; the last is the result.
    pub fn ops(&self) -> &[Op] {
        &self.ops
    }

    /// The register of its result.
    pub fn result(&self) -> Reg {
        Reg::try_from(self.ops.len().saturating_sub(1)).unwrap_or(0)
    }

    /// Inputs that decide the verdict, by index.
    pub fn inputs(&self) -> impl Iterator<Item = usize> + '_ {
        self.ops.iter().filter_map(|op| match op {
            Op::Input(idx) => Some(usize::from(*idx)),
            _ => None,
        })
    }
}

/// Builds one program, operation by operation.
#[derive(Clone, Default)]
pub(crate) struct Builder {
    ops: Vec<Op>,
    overflowed: bool,
}

impl Builder {
    /// Adds an operation, or finds the equal one, or folds it when all it reads is constant.
    pub fn push(&mut self, op: Op) -> Reg {
        let op = self.fold(op);
        let same = |old: &Op| match (old, &op) {
            (Op::Const(a), Op::Const(b)) => a.to_bits() == b.to_bits(),
            (old, new) => old == new,
        };
        let found = self.ops.iter().position(same);
        let idx = found.unwrap_or_else(|| {
            if self.ops.len() >= MAX_OPS {
                self.overflowed = true;
                return 0;
            }
            self.ops.push(op);
            self.ops.len() - 1
        });
        Reg::try_from(idx).unwrap_or(0)
    }

    /// Adds a finished verdict; gives the register of its result.
    pub fn append(&mut self, program: &Program) -> Reg {
        let mut new: Vec<Reg> = Vec::with_capacity(program.ops.len());
        for op in program.ops.iter() {
            let reg = self.push(op.renumber(&new));
            new.push(reg);
        }
        new.last().copied().unwrap_or(0)
    }

    /// More operations were asked for than a verdict may have.
    pub fn overflowed(&self) -> bool {
        self.overflowed
    }

    /// The operation that writes this register.
    pub fn op(&self, reg: Reg) -> Option<Op> {
        self.ops.get(usize::from(reg)).copied()
    }

    /// The register's value where it is the same on every row; NaN means always unknown.
    pub fn constant(&self, reg: Reg) -> Option<f64> {
        match self.ops.get(usize::from(reg)) {
            Some(Op::Const(value)) => Some(*value),
            _ => None,
        }
    }

    fn fold(&self, op: Op) -> Op {
        let constant = |reg: Reg| self.constant(reg);
        match op {
            Op::Const(_) | Op::Input(_) => return op,
            // One known side can decide.
            Op::And(a, b) => {
                for (side, other) in [(a, b), (b, a)] {
                    match constant(side) {
                        Some(value) if value < 0.5 => return Op::Const(0.0),
                        Some(value) if value > 0.5 => return self.ops[usize::from(other)],
                        _ => {}
                    }
                }
            }
            Op::Or(a, b) => {
                for (side, other) in [(a, b), (b, a)] {
                    match constant(side) {
                        Some(value) if value > 0.5 => return Op::Const(1.0),
                        Some(value) if value < 0.5 => return self.ops[usize::from(other)],
                        _ => {}
                    }
                }
            }
            Op::Select(test, then, otherwise) => match constant(test) {
                Some(value) if value.is_nan() => return Op::Const(f64::NAN),
                Some(value) if value > 0.5 => return self.ops[usize::from(then)],
                Some(_) => return self.ops[usize::from(otherwise)],
                None => {}
            },
            // An unknown makes all else unknown.
            _ if !matches!(op, Op::Known(_)) => {
                let unknown = |reg: &Reg| constant(*reg).is_some_and(f64::is_nan);
                if op.reads().iter().flatten().any(unknown) {
                    return Op::Const(f64::NAN);
                }
            }
            _ => {}
        }
        let reads = op.reads();
        if reads.iter().flatten().all(|reg| constant(*reg).is_some()) {
            let regs: Vec<f64> = self
                .ops
                .iter()
                .map(|op| match op {
                    Op::Const(value) => *value,
                    _ => f64::NAN,
                })
                .collect();
            return Op::Const(op.run(&regs, &[]));
        }
        op
    }

    /// Keeps what `result` needs, in order, with `result` last.
    pub fn finish(&self, result: Reg) -> Program {
        let mut needed = vec![false; self.ops.len()];
        let mut open = vec![result];
        while let Some(reg) = open.pop() {
            let reg = usize::from(reg);
            if !needed[reg] {
                needed[reg] = true;
                open.extend(self.ops[reg].reads().into_iter().flatten());
            }
        }
        let mut new = vec![0; self.ops.len()];
        let mut ops = Vec::new();
        for (old, op) in self.ops.iter().enumerate() {
            if needed[old] {
                new[old] = Reg::try_from(ops.len()).unwrap_or(0);
                ops.push(op.renumber(&new));
            }
        }
        Program { ops: ops.into() }
    }
}
