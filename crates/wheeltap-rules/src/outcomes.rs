//! Which truths a verdict can give, found by cases.
//!
//! A case confines registers: a number to an interval, two numbers to an order, a value to known or
//! unknown. Within a case every operation is computed over intervals; where the verdict is still
//! open, the case is split at the comparison that leaves it open. Intervals only ever hold too much,
//! so what is found impossible is impossible, and what is found possible may still not happen.

use crate::functions::FUNCTIONS;
use crate::program::{Op, Reg};
use crate::units::Range;
use std::cmp::Ordering;

/// Most operations computed for one question; beyond it everything counts as possible.
const MOST_STEPS: usize = 300_000;

/// What an input can be.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Domain {
    pub range: Range,
    pub flag: bool,
    /// Of the least and the greatest value of a window: which window, by a number, and which of them.
    pub end: Option<(usize, WindowEnd)>,
}

/// The least or the greatest value of a window: the one is never over the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum WindowEnd {
    Least,
    Greatest,
}

/// How the least and the greatest value of one window lie to each other.
pub(crate) fn never_is(a: &Domain, b: &Domain) -> Option<Ordering> {
    let ((a_of, a), (b_of, b)) = (a.end?, b.end?);
    match a.cmp(&b) {
        _ if a_of != b_of => None,
        Ordering::Equal => None,
        Ordering::Less => Some(Ordering::Greater),
        Ordering::Greater => Some(Ordering::Less),
    }
}

/// What was found possible.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Outcomes {
    pub yes: bool,
    pub no: bool,
    /// Looked at only as far as not both others were found.
    pub unknown: bool,
}

impl Outcomes {
    /// Everything.
    pub const ALL: Self = Self {
        yes: true,
        no: true,
        unknown: true,
    };

    /// The word for the only verdict it gives; `None` where it gives both.
    pub fn only(self) -> Option<&'static str> {
        match (self.yes, self.no) {
            (true, true) => None,
            (true, false) => Some("true"),
            (false, true) => Some("false"),
            (false, false) => Some("unknown"),
        }
    }
}

/// What a register can hold: numbers from `low` to `high` where `known`, nothing where `unknown`.
/// Flags are 0 and 1.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Span {
    low: f64,
    high: f64,
    known: bool,
    unknown: bool,
}

/// How the first of two numbers lies to the second.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Order {
    a: Reg,
    b: Reg,
    /// `None` where either is unknown.
    is: Option<Ordering>,
}

#[derive(Clone)]
struct Case {
    limits: Vec<Span>,
    orders: Vec<Order>,
}

/// Which truths `result` can have over all rows.
pub(crate) fn outcomes(ops: &[Op], result: Reg, inputs: &[Domain]) -> Outcomes {
    let search = Search::new(ops, inputs);
    let mut found = Outcomes {
        yes: false,
        no: false,
        unknown: false,
    };
    let mut open = vec![Case {
        limits: vec![Span::ANYTHING; ops.len()],
        orders: Vec::new(),
    }];
    let mut left = MOST_STEPS;
    while let Some(mut case) = open.pop() {
        let Some(rest) = left.checked_sub(2 * ops.len().max(1)) else {
            return Outcomes::ALL;
        };
        left = rest;
        let Some(spans) = search.spans(&mut case) else {
            continue;
        };
        let verdict = spans[usize::from(result)];
        if !(verdict.may(true) && verdict.may(false)) {
            found.yes |= verdict.may(true);
            found.no |= verdict.may(false);
            found.unknown |= verdict.unknown;
            if found.yes && found.no {
                return found;
            }
            continue;
        }
        let Some(split) = search.flag_split(result, &spans) else {
            return Outcomes::ALL;
        };
        open.extend(split.cases(&case, &spans));
    }
    found
}

impl Span {
    const ANYTHING: Self = Self {
        low: f64::MIN,
        high: f64::MAX,
        known: true,
        unknown: true,
    };
    const NOTHING: Self = Self {
        known: false,
        unknown: false,
        ..Self::ANYTHING
    };
    const UNKNOWN: Self = Self {
        known: false,
        ..Self::ANYTHING
    };

    const fn known(low: f64, high: f64) -> Self {
        Self {
            low,
            high,
            known: true,
            unknown: false,
        }
    }

    /// The flag that may be each of these.
    fn flag(yes: bool, no: bool, unknown: bool) -> Self {
        Self {
            low: if no { 0.0 } else { 1.0 },
            high: if yes { 1.0 } else { 0.0 },
            known: yes || no,
            unknown,
        }
    }

    /// What is computed from `args` lies between these; beyond what a number can be, it is unknown.
    fn computed(low: f64, high: f64, args: &[Self]) -> Self {
        let beyond = low < f64::MIN || high > f64::MAX;
        Self {
            low: low.max(f64::MIN),
            high: high.min(f64::MAX),
            known: args.iter().all(|arg| arg.known) && low <= f64::MAX && high >= f64::MIN,
            unknown: beyond || args.iter().any(|arg| arg.unknown),
        }
    }

    fn or_unknown(self, unknown: bool) -> Self {
        Self {
            unknown: self.unknown || unknown,
            ..self
        }
    }

    /// As a flag: whether it can be this.
    fn may(self, flag: bool) -> bool {
        self.known
            && if flag {
                self.high > 0.5
            } else {
                self.low < 0.5
            }
    }

    fn is_open(self) -> bool {
        self.may(true) && self.may(false)
    }

    fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }

    /// The one number it can be.
    fn only(self) -> Option<f64> {
        (self.known && self.low >= self.high).then_some(self.low)
    }

    fn both(self, other: Self) -> Self {
        let (low, high) = (self.low.max(other.low), self.high.min(other.high));
        Self {
            low,
            high,
            known: self.known && other.known && low <= high,
            unknown: self.unknown && other.unknown,
        }
    }

    fn either(self, other: Self) -> Self {
        let unknown = self.unknown || other.unknown;
        match (self.known, other.known) {
            (true, true) => Self {
                low: self.low.min(other.low),
                high: self.high.max(other.high),
                known: true,
                unknown,
            },
            (true, false) => Self { unknown, ..self },
            _ => Self { unknown, ..other },
        }
    }

    fn is_impossible(self) -> bool {
        !self.known && !self.unknown
    }
}

struct Search<'a> {
    ops: &'a [Op],
    inputs: &'a [Domain],
    flags: Vec<bool>,
}

impl<'a> Search<'a> {
    fn new(ops: &'a [Op], inputs: &'a [Domain]) -> Self {
        let mut flags: Vec<bool> = Vec::with_capacity(ops.len());
        for op in ops {
            flags.push(match op {
                Op::Known(_)
                | Op::Not(_)
                | Op::And(..)
                | Op::Or(..)
                | Op::Less(..)
                | Op::LessOrEqual(..)
                | Op::Equal(..)
                | Op::NotEqual(..) => true,
                Op::Input(idx) => inputs.get(usize::from(*idx)).is_some_and(|own| own.flag),
                Op::Select(_, a, b) => flags[usize::from(*a)] || flags[usize::from(*b)],
                _ => false,
            });
        }
        Self { ops, inputs, flags }
    }

    /// What each register can hold in this case; `None` where the case cannot be.
    fn spans(&self, case: &mut Case) -> Option<Vec<Span>> {
        let spans = self.pass(case)?;
        if !confine_by_order(case, &spans) {
            return Some(spans);
        }
        self.pass(case)
    }

    fn pass(&self, case: &Case) -> Option<Vec<Span>> {
        let mut spans: Vec<Span> = Vec::with_capacity(self.ops.len());
        for (op, limit) in self.ops.iter().zip(&case.limits) {
            let span = self.of(*op, &spans, case).both(*limit);
            if span.is_impossible() {
                return None;
            }
            spans.push(span);
        }
        Some(spans)
    }

    fn of(&self, op: Op, spans: &[Span], case: &Case) -> Span {
        let at = |reg: Reg| spans[usize::from(reg)];
        match op {
            Op::Const(value) if value.is_nan() => Span::UNKNOWN,
            Op::Const(value) => Span::known(value, value),
            Op::Input(idx) => match self.inputs.get(usize::from(idx)) {
                Some(Domain { range, .. }) => Span::computed(range.0, range.1, &[Span::ANYTHING]),
                None => Span::ANYTHING,
            },
            Op::Known(a) => Span::flag(at(a).known, at(a).unknown, false),
            Op::Not(a) => Span::flag(at(a).may(false), at(a).may(true), at(a).unknown),
            Op::And(a, b) => and(at(a), at(b)),
            Op::Or(a, b) => not(and(not(at(a)), not(at(b)))),
            Op::Less(..) | Op::LessOrEqual(..) | Op::Equal(..) | Op::NotEqual(..) => {
                self.compared(op, &at, case)
            }
            Op::Select(test, then, otherwise) => {
                let test = at(test);
                let mut taken = Span {
                    known: false,
                    unknown: test.unknown,
                    ..Span::ANYTHING
                };
                if test.may(true) {
                    taken = taken.either(at(then));
                }
                if test.may(false) {
                    taken = taken.either(at(otherwise));
                }
                taken
            }
            Op::One(function, a) => of_one(FUNCTIONS[usize::from(function)].name, at(a)),
            Op::Two(function, a, b) => of_two(FUNCTIONS[usize::from(function)].name, at(a), at(b)),
            Op::Three(function, a, b, c) => {
                of_three(FUNCTIONS[usize::from(function)].name, [at(a), at(b), at(c)])
            }
            _ => arithmetic(op, &at),
        }
    }

    /// How the first of two inputs never lies to the second.
    fn never_is(&self, a: Reg, b: Reg) -> Option<Ordering> {
        let domain = |reg: Reg| match self.ops[usize::from(reg)] {
            Op::Input(idx) => self.inputs.get(usize::from(idx)),
            _ => None,
        };
        never_is(domain(a)?, domain(b)?)
    }

    fn compared(&self, op: Op, at: &impl Fn(Reg) -> Span, case: &Case) -> Span {
        let (Op::Less(a, b) | Op::LessOrEqual(a, b) | Op::Equal(a, b) | Op::NotEqual(a, b)) = op
        else {
            return Span::ANYTHING;
        };
        let (left, right) = (at(a), at(b));
        let unknown = left.unknown || right.unknown;
        if !left.known || !right.known {
            return Span::UNKNOWN;
        }
        let never = self.never_is(a, b);
        let (less, equal, greater) = match order_in(case, a, b) {
            Said::Unknown => return Span::UNKNOWN,
            Said::Is(is) if Some(is) == never => return Span::NOTHING,
            Said::Is(is) => (
                is == Ordering::Less,
                is == Ordering::Equal,
                is == Ordering::Greater,
            ),
            Said::Nothing if a == b => (false, true, false),
            Said::Nothing => {
                let touch = left.low <= right.high && right.low <= left.high;
                let more = left.high > right.low;
                let less = left.low < right.high;
                let may = |is| never != Some(is);
                (
                    less && may(Ordering::Less),
                    touch,
                    more && may(Ordering::Greater),
                )
            }
        };
        match op {
            Op::Less(..) => Span::flag(less, equal || greater, unknown),
            Op::LessOrEqual(..) => Span::flag(less || equal, greater, unknown),
            Op::Equal(..) => Span::flag(equal, less || greater, unknown),
            _ => Span::flag(less || greater, equal, unknown),
        }
    }

    /// Where to split a case in which this flag can be true and can be false.
    fn flag_split(&self, reg: Reg, spans: &[Span]) -> Option<Split> {
        let is_open = |reg: &Reg| spans[usize::from(*reg)].is_open();
        match self.ops[usize::from(reg)] {
            Op::Input(_) => Some(Split::Flag(reg)),
            Op::Known(a) => self.known_split(a, spans).or(Some(Split::Known(a))),
            Op::Not(a) => self.flag_split(a, spans),
            Op::And(a, b) | Op::Or(a, b) => {
                let side = [a, b].into_iter().find(is_open)?;
                self.flag_split(side, spans)
            }
            Op::Select(test, then, otherwise) => {
                let part = [test, then, otherwise].into_iter().find(is_open)?;
                self.flag_split(part, spans)
            }
            Op::Less(a, b) | Op::LessOrEqual(a, b) | Op::Equal(a, b) | Op::NotEqual(a, b) => {
                if self.flags[usize::from(a)] || self.flags[usize::from(b)] {
                    let side = [a, b].into_iter().find(is_open)?;
                    return self.flag_split(side, spans);
                }
                self.number_split(a, spans)
                    .or_else(|| self.number_split(b, spans))
                    .or_else(|| Some(compare_split(a, b, spans)))
            }
            _ => None,
        }
    }

    /// Where to split a flag that can be known and unknown: at a comparison that it is made of, so that
    /// what makes it known is also seen by others that are made of it.
    fn known_split(&self, reg: Reg, spans: &[Span]) -> Option<Split> {
        let is_unsettled = |reg: &Reg| {
            let span = spans[usize::from(*reg)];
            [span.may(true), span.may(false), span.unknown]
                .into_iter()
                .filter(|may| *may)
                .count()
                > 1
        };
        match self.ops[usize::from(reg)] {
            Op::Not(a) => self.known_split(a, spans),
            Op::And(a, b) | Op::Or(a, b) => {
                let side = [a, b].into_iter().find(is_unsettled)?;
                self.known_split(side, spans)
            }
            Op::Less(a, b) | Op::LessOrEqual(a, b) | Op::Equal(a, b) | Op::NotEqual(a, b)
                if !self.flags[usize::from(a)] && !self.flags[usize::from(b)] =>
            {
                self.number_split(a, spans)
                    .or_else(|| self.number_split(b, spans))
                    .or_else(|| Some(compare_split(a, b, spans)))
            }
            _ => None,
        }
    }

    /// An open choice within a number, which is split before the number itself is.
    fn number_split(&self, reg: Reg, spans: &[Span]) -> Option<Split> {
        let mut seen = vec![false; self.ops.len()];
        let mut open = vec![reg];
        while let Some(reg) = open.pop() {
            if std::mem::replace(&mut seen[usize::from(reg)], true) {
                continue;
            }
            let op = self.ops[usize::from(reg)];
            match op {
                Op::Select(test, ..) if spans[usize::from(test)].is_open() => {
                    return self.flag_split(test, spans);
                }
                _ => open.extend(op.reads().into_iter().flatten()),
            }
        }
        None
    }
}

fn compare_split(a: Reg, b: Reg, spans: &[Span]) -> Split {
    match (spans[usize::from(a)].only(), spans[usize::from(b)].only()) {
        (_, Some(limit)) => Split::Number(a, limit),
        (Some(limit), None) => Split::Number(b, limit),
        (None, None) => Split::Order(a, b),
    }
}

/// Where a case is split.
#[derive(Clone, Copy)]
enum Split {
    /// True, false, unknown.
    Flag(Reg),
    /// Known, unknown.
    Known(Reg),
    /// Under, at and over a limit, unknown.
    Number(Reg, f64),
    /// Less, equal, greater, unknown.
    Order(Reg, Reg),
}

impl Split {
    fn cases(self, case: &Case, spans: &[Span]) -> Vec<Case> {
        let (reg, parts) = match self {
            Self::Order(a, b) => return orders(a, b, case),
            Self::Flag(reg) => {
                let each = vec![Span::UNKNOWN, Span::known(0.0, 0.0), Span::known(1.0, 1.0)];
                (reg, each)
            }
            Self::Known(reg) => (reg, vec![Span::UNKNOWN, Span::known(f64::MIN, f64::MAX)]),
            Self::Number(reg, limit) => (
                reg,
                vec![
                    Span::UNKNOWN,
                    Span::known(limit, limit),
                    Span::known(f64::MIN, limit.next_down()),
                    Span::known(limit.next_up(), f64::MAX),
                ],
            ),
        };
        let idx = usize::from(reg);
        let parts = parts.into_iter().map(|part| part.both(spans[idx]));
        let parts = parts.filter(|part| !part.is_impossible());
        let confined = parts.map(|part| {
            let mut case = case.clone();
            case.limits[idx] = part;
            case
        });
        confined.collect()
    }
}

fn orders(a: Reg, b: Reg, case: &Case) -> Vec<Case> {
    let each = [
        None,
        Some(Ordering::Equal),
        Some(Ordering::Less),
        Some(Ordering::Greater),
    ];
    let ordered = each.map(|is| {
        let mut case = case.clone();
        case.orders.push(Order { a, b, is });
        case
    });
    ordered.into()
}

/// Carries the orders of a case over to its limits; whether any became narrower.
fn confine_by_order(case: &mut Case, spans: &[Span]) -> bool {
    let mut narrower = false;
    for order in &case.orders {
        let (a, b) = match order.is {
            None => continue,
            Some(Ordering::Greater) => (order.b, order.a),
            _ => (order.a, order.b),
        };
        let (a, b) = (usize::from(a), usize::from(b));
        let (low, high) = if order.is == Some(Ordering::Equal) {
            (spans[a].low, spans[b].high)
        } else {
            (spans[a].low.next_up(), spans[b].high.next_down())
        };
        let mut limits = vec![
            (a, Span::known(f64::MIN, high)),
            (b, Span::known(low, f64::MAX)),
        ];
        if order.is == Some(Ordering::Equal) {
            limits.push((a, Span::known(spans[b].low, f64::MAX)));
            limits.push((b, Span::known(f64::MIN, spans[a].high)));
        }
        for (idx, limit) in limits {
            let before = case.limits[idx];
            case.limits[idx] = before.both(limit);
            narrower |= case.limits[idx] != before;
        }
    }
    narrower
}

fn not(a: Span) -> Span {
    Span::flag(a.may(false), a.may(true), a.unknown)
}

/// Kleene's and: false wins over unknown.
fn and(a: Span, b: Span) -> Span {
    let not_false = |side: Span| side.may(true) || side.unknown;
    Span::flag(
        a.may(true) && b.may(true),
        a.may(false) || b.may(false),
        (a.unknown && not_false(b)) || (b.unknown && not_false(a)),
    )
}

/// What a case says of two values.
enum Said {
    Nothing,
    Unknown,
    Is(Ordering),
}

/// The order that the case says of these two.
fn order_in(case: &Case, a: Reg, b: Reg) -> Said {
    let said = case.orders.iter().find_map(|order| {
        let is = if (order.a, order.b) == (a, b) {
            order.is
        } else if (order.b, order.a) == (a, b) {
            order.is.map(Ordering::reverse)
        } else {
            return None;
        };
        Some(is.map_or(Said::Unknown, Said::Is))
    });
    said.unwrap_or(Said::Nothing)
}

fn arithmetic(op: Op, at: &impl Fn(Reg) -> Span) -> Span {
    match op {
        Op::Negate(a) => {
            let a = at(a);
            Span::computed(-a.high, -a.low, &[a])
        }
        Op::Add(a, b) => corners(at(a), at(b), |a, b| a + b),
        // A number less itself is 0 wherever it is known.
        Op::Subtract(a, b) if a == b => Span::computed(0.0, 0.0, &[at(a)]),
        Op::Subtract(a, b) => corners(at(a), at(b), |a, b| a - b),
        Op::Multiply(a, b) => {
            let product = corners(at(a), at(b), |a, b| a * b);
            if a == b {
                return Span {
                    low: product.low.max(0.0),
                    ..product
                };
            }
            product
        }
        Op::Divide(a, b) => {
            let (a, b, same) = (at(a), at(b), a == b);
            if b.only().is_some_and(|only| only == 0.0) {
                return Span::UNKNOWN;
            }
            let by_zero = b.holds(0.0);
            if same {
                return Span::computed(1.0, 1.0, &[a]).or_unknown(by_zero);
            }
            if by_zero {
                return Span::computed(f64::MIN, f64::MAX, &[a, b]).or_unknown(true);
            }
            corners(a, b, |a, b| a / b)
        }
        Op::Remainder(a, b) => {
            let (a, b) = (at(a), at(b));
            let most = |side: Span| side.low.abs().max(side.high.abs());
            let size = most(a).min(most(b));
            let low = if a.low < 0.0 { -size } else { 0.0 };
            let high = if a.high > 0.0 { size } else { 0.0 };
            Span::computed(low, high, &[a, b]).or_unknown(b.holds(0.0))
        }
        _ => Span::ANYTHING,
    }
}

/// Rounding never turns an order round, so the ends come from the ends.
fn corners(a: Span, b: Span, apply: impl Fn(f64, f64) -> f64) -> Span {
    let (low, high) = crate::units::corners((a.low, a.high), (b.low, b.high), apply);
    Span::computed(low, high, &[a, b])
}

fn of_one(name: &str, a: Span) -> Span {
    let rising = |apply: fn(f64) -> f64| Span::computed(apply(a.low), apply(a.high), &[a]);
    match name {
        "abs" => {
            let least = a.low.max(-a.high).max(0.0);
            Span::computed(least, a.low.abs().max(a.high.abs()), &[a])
        }
        "floor" => rising(f64::floor),
        "ceil" => rising(f64::ceil),
        "round" => rising(f64::round),
        "trunc" => rising(f64::trunc),
        "sqrt" if a.high < 0.0 => Span::UNKNOWN,
        "sqrt" => rising(|value| value.max(0.0).sqrt()).or_unknown(a.low < 0.0),
        "exp" => Span::computed(0.0, f64::MAX, &[a]).or_unknown(true),
        _ => Span::computed(f64::MIN, f64::MAX, &[a]).or_unknown(true),
    }
}

fn of_two(name: &str, a: Span, b: Span) -> Span {
    match name {
        "min" => Span::computed(a.low.min(b.low), a.high.min(b.high), &[a, b]),
        "max" => Span::computed(a.low.max(b.low), a.high.max(b.high), &[a, b]),
        "hypot" => Span::computed(0.0, f64::MAX, &[a, b]).or_unknown(true),
        _ => Span::computed(f64::MIN, f64::MAX, &[a, b]).or_unknown(true),
    }
}

fn of_three(name: &str, args: [Span; 3]) -> Span {
    let [x, low, high] = args;
    if name != "clamp" {
        return Span::computed(f64::MIN, f64::MAX, &args).or_unknown(true);
    }
    if low.low > high.high {
        return Span::UNKNOWN;
    }
    let clamped = |x: f64, low: f64, high: f64| x.max(low).min(high);
    Span::computed(
        clamped(x.low, low.low, high.low),
        clamped(x.high, low.high, high.high),
        &args,
    )
    .or_unknown(low.high > high.low)
}
