//! Operators: what their sides may be, and what comes of units and ranges.

use super::{Lower, Number, Value, domains};
use crate::functions;
use crate::outcomes::never_is;
use crate::problem::Place;
use crate::program::{Op, Reg};
use crate::reads::Bound;
use crate::syntax::{Binary, MAX_WHOLE, Node, Unary};
use crate::units::{ANYTHING, Range, corners};
use crate::{Read, Statistic};
use std::cmp::Ordering;

impl Lower<'_> {
    pub(super) fn unary(&mut self, operator: Unary, of: &Node, place: Place) -> Value {
        let value = self.node(of, false);
        match operator {
            Unary::Not => match self.as_flag(&value, of.place, "!") {
                Some(reg) => self.flag(Op::Not(reg)),
                None => Value::Refused,
            },
            Unary::Plus => match self.as_number(&value, place, "+") {
                Some(number) => Value::Number(number),
                None => Value::Refused,
            },
            Unary::Minus => match self.as_number(&value, place, "-") {
                Some(number) => {
                    let range = (-number.range.1, -number.range.0);
                    let op = Op::Negate(number.reg);
                    let measure = number.measure.clone();
                    self.number(op, number.whole, measure, range)
                }
                None => Value::Refused,
            },
        }
    }

    pub(super) fn join(&mut self, sides: &[Node], symbol: &str, op: fn(Reg, Reg) -> Op) -> Value {
        let mut joined: Option<Reg> = None;
        let mut whole = true;
        for side in sides {
            let value = self.node(side, false);
            match self.as_flag(&value, side.place, symbol) {
                Some(reg) => {
                    joined = Some(joined.map_or(reg, |before| self.builder.push(op(before, reg))));
                }
                None => whole = false,
            }
        }
        match joined {
            Some(reg) if whole => Value::Flag(reg),
            _ => Value::Refused,
        }
    }

    pub(super) fn binary(
        &mut self,
        operator: Binary,
        left: &Value,
        right: &Value,
        place: Place,
    ) -> Value {
        if matches!(left, Value::Refused) || matches!(right, Value::Refused) {
            return Value::Refused;
        }
        if let (Binary::Equal | Binary::NotEqual, Value::Flag(a), Value::Flag(b)) =
            (operator, left, right)
        {
            return self.flag(if operator == Binary::Equal {
                Op::Equal(*a, *b)
            } else {
                Op::NotEqual(*a, *b)
            });
        }
        let symbol = operator.symbol();
        let (Some(a), Some(b)) = (
            self.as_number(left, place, symbol),
            self.as_number(right, place, symbol),
        ) else {
            return Value::Refused;
        };
        if operator.compares() {
            let alike = a.measure.alike(&b.measure, symbol);
            if self.measure(alike, place).is_none() {
                return Value::Refused;
            }
            self.check_ranges(operator, &a, &b, place);
            self.warn_exact(operator, &a, &b, place);
        }
        match operator {
            Binary::Less => self.flag(Op::Less(a.reg, b.reg)),
            Binary::LessOrEqual => self.flag(Op::LessOrEqual(a.reg, b.reg)),
            Binary::Greater => self.flag(Op::Less(b.reg, a.reg)),
            Binary::GreaterOrEqual => self.flag(Op::LessOrEqual(b.reg, a.reg)),
            Binary::Equal => self.flag(Op::Equal(a.reg, b.reg)),
            Binary::NotEqual => self.flag(Op::NotEqual(a.reg, b.reg)),
            _ => self.arithmetic(operator, &a, &b, place),
        }
    }

    /// A comparison that what its sides can be decides is no test.
    fn check_ranges(&mut self, operator: Binary, a: &Number, b: &Number, place: Place) {
        let constant = |number: &Number| self.builder.constant(number.reg).is_some();
        // In a helper it may be decided for one caller only; two constants are told of elsewhere.
        if self.calls.len() > 1 || (constant(a) && constant(b)) {
            return;
        }
        let by_ends = self.decided_by_ends(operator, a, b);
        let (always, never) = by_ends.unwrap_or_else(|| decided(operator, a.range, b.range));
        let (why, by_range) = match by_ends {
            Some(_) => {
                let why =
                    "the least value of a window is never over the greatest of the same window";
                (why.to_owned(), false)
            }
            None => self.why_decided(a, b),
        };
        if never {
            let mend = if by_range {
                "mend the limit, or the channel's range in the catalogue"
            } else {
                "mend the limit"
            };
            self.findings
                .refuse(place, "a comparison that never holds", why, mend);
        } else if always {
            self.findings.warn(
                place,
                "a comparison that always holds",
                why,
                "mend the limit, or take it away",
            );
        } else {
            self.warn_promised(operator, a, b, place);
        }
    }

    /// What a comparison of the least with the greatest value of one window says, where that is always the same.
    fn decided_by_ends(&self, operator: Binary, a: &Number, b: &Number) -> Option<(bool, bool)> {
        let domains = domains(self.inputs);
        let domain = |number: &Number| match self.builder.op(number.reg) {
            Some(Op::Input(idx)) => domains.get(usize::from(idx)),
            _ => None,
        };
        let never = never_is(domain(a)?, domain(b)?)?;
        match (operator, never) {
            (Binary::Less, Ordering::Less) | (Binary::Greater, Ordering::Greater) => {
                Some((false, true))
            }
            (Binary::LessOrEqual, Ordering::Greater) | (Binary::GreaterOrEqual, Ordering::Less) => {
                Some((true, false))
            }
            _ => None,
        }
    }

    /// Warns where what is computed from many samples is to be exactly one number.
    fn warn_exact(&mut self, operator: Binary, a: &Number, b: &Number, place: Place) {
        let input = |number: &Number| match self.builder.op(number.reg) {
            Some(Op::Input(idx)) => self.inputs.get(usize::from(idx)),
            _ => None,
        };
        let constant = |number: &Number| self.builder.constant(number.reg);
        let sides = (input(a), constant(b), input(b), constant(a));
        let ((Some(placed), Some(limit), ..) | (.., Some(placed), Some(limit))) = sides else {
            return;
        };
        // The ends of what it can be are reached where all samples are alike, and so is no change.
        let is_inside = placed.bounds.0 < limit && limit < placed.bounds.1 && limit != 0.0;
        if !matches!(operator, Binary::Equal | Binary::NotEqual)
            || self.calls.len() > 1
            || !is_inside
            || !is_computed(&placed.input.read)
        {
            return;
        }
        let (says, name) = if operator == Binary::Equal {
            ("hardly ever holds", &placed.input.name)
        } else {
            ("holds nearly always", &placed.input.name)
        };
        self.findings.warn(
            place,
            format!("a comparison with exactly {limit} {says}"),
            format!(
                "{} is computed from many samples, and seldom is one number to the last digit",
                placed.input.text
            ),
            format!("leave room, such as abs(seen.{name} - {limit:?}) < 0.5, or read last(..)"),
        );
    }

    /// What the sides can be, why, and whether a range in the catalogue has to do with it.
    fn why_decided(&self, a: &Number, b: &Number) -> (String, bool) {
        let bounds = [a, b].map(|number| match self.builder.op(number.reg) {
            Some(Op::Const(_)) => Bound::Kind,
            Some(Op::Input(idx)) => self
                .inputs
                .get(usize::from(idx))
                .map_or(Bound::Kind, |placed| placed.bound_by),
            _ => Bound::Range,
        });
        let sides = format!(
            "the left side {}, the right {}",
            between(a.range),
            between(b.range)
        );
        let has = |bound| bounds.contains(&bound);
        let because = if has(Bound::Range) {
            "; outside its range a sample is bad and feeds no rule"
        } else if has(Bound::Probability) {
            "; a probability is neither under 0 nor over 1"
        } else if has(Bound::Window) {
            "; its window allows no more"
        } else {
            ""
        };
        (format!("{sides}{because}"), has(Bound::Range))
    }

    /// Warns of a comparison that never holds while no more samples come than promised.
    fn warn_promised(&mut self, operator: Binary, a: &Number, b: &Number, place: Place) {
        let usual = |number: &Number| match self.builder.op(number.reg) {
            Some(Op::Input(idx)) => {
                let placed = self.inputs.get(usize::from(idx));
                let promised = placed.map_or(f64::INFINITY, |placed| placed.promised);
                (number.range.0, number.range.1.min(promised))
            }
            _ => number.range,
        };
        let (a, b) = (usual(a), usual(b));
        if decided(operator, a, b).1 {
            self.findings.warn(
                place,
                "a comparison that holds only where more samples come than promised",
                format!(
                    "at the channel's own interval the left side {}, the right {}",
                    between(a),
                    between(b)
                ),
                "mend the limit, or take a longer window",
            );
        }
    }

    fn arithmetic(&mut self, operator: Binary, a: &Number, b: &Number, place: Place) -> Value {
        let whole = match (a.whole, b.whole) {
            (Some(a), Some(b)) => match operator {
                Binary::Add | Binary::Subtract => Some(a + b),
                Binary::Multiply => Some(a * b),
                Binary::Remainder => Some(a.max(b)),
                _ => {
                    self.findings.refuse(
                        place,
                        format!("{} of two whole numbers", operator.symbol()),
                        "whole numbers divide without decimals (7 / 2 is 3), which is seldom meant",
                        "write them with a decimal point: 7.0 / 2.0",
                    );
                    return Value::Refused;
                }
            },
            _ => None,
        };
        if whole.is_some_and(|size| size >= MAX_WHOLE) {
            self.findings.refuse(
                place,
                "whole numbers that may pass 2^53",
                "beyond that not every whole number can be held",
                "write them with a decimal point",
            );
            return Value::Refused;
        }
        let literal = self.builder.constant(b.reg);
        let checked = match operator {
            Binary::Add => a.measure.plus(&b.measure),
            Binary::Subtract => a.measure.minus(&b.measure),
            Binary::Multiply => Ok(a.measure.times(&b.measure)),
            Binary::Divide => Ok(a.measure.per(&b.measure)),
            Binary::Remainder => a.measure.alike(&b.measure, "%"),
            _ => a.measure.power(&b.measure, literal),
        };
        let Some(measure) = self.measure(checked, place) else {
            return Value::Refused;
        };
        let range = match operator {
            Binary::Add => corners(a.range, b.range, |a, b| a + b),
            Binary::Subtract => corners(a.range, b.range, |a, b| a - b),
            Binary::Multiply => corners(a.range, b.range, |a, b| a * b),
            _ => ANYTHING,
        };
        let op = match operator {
            Binary::Add => Op::Add(a.reg, b.reg),
            Binary::Subtract => Op::Subtract(a.reg, b.reg),
            Binary::Multiply => Op::Multiply(a.reg, b.reg),
            Binary::Divide => Op::Divide(a.reg, b.reg),
            Binary::Remainder => Op::Remainder(a.reg, b.reg),
            _ => match functions::find("pow") {
                Some((pow, _)) => Op::Two(pow, a.reg, b.reg),
                None => return Value::Refused,
            },
        };
        self.number(op, whole, measure, range)
    }
}

/// Whether what is read is worked out of samples, and not one of them.
fn is_computed(read: &Read) -> bool {
    match read {
        Read::Window { statistic, .. } => matches!(
            statistic,
            Statistic::Mean
                | Statistic::StdDev
                | Statistic::Slope
                | Statistic::SlopeError
                | Statistic::Rate
                | Statistic::Integral
                | Statistic::MovingRange
                | Statistic::Ewma(_)
                | Statistic::EwmaScore { .. }
                | Statistic::RobustScore { .. }
                | Statistic::RobustSlope
                | Statistic::TrendZ
                | Statistic::TrendP
        ),
        Read::Healthy { .. } | Read::Class { .. } => true,
        Read::Mates { window, .. } => is_computed(window),
        Read::InState(_) | Read::InRole(_) | Read::PartNumber | Read::Param(_) => false,
    }
}

/// Whether a comparison of numbers in these ranges always holds, and whether it never does.
fn decided(operator: Binary, a: Range, b: Range) -> (bool, bool) {
    let less = |a: Range, b: Range| (a.1 < b.0, a.0 >= b.1);
    // Touching the range's end is a way to ask whether the input is known at all.
    let less_or_equal = |a: Range, b: Range| (a.1 < b.0, a.0 > b.1);
    let apart = a.1 < b.0 || b.1 < a.0;
    match operator {
        Binary::Less => less(a, b),
        Binary::LessOrEqual => less_or_equal(a, b),
        Binary::Greater => less(b, a),
        Binary::GreaterOrEqual => less_or_equal(b, a),
        Binary::Equal => (false, apart),
        _ => (apart, false),
    }
}

/// A range in words.
fn between((low, high): Range) -> String {
    if low >= high {
        format!("is {low}")
    } else if high.is_infinite() && low.is_infinite() {
        "is any number".to_owned()
    } else if high.is_infinite() {
        format!("is {low} or more")
    } else if low.is_infinite() {
        format!("is {high} or less")
    } else {
        format!("lies between {low} and {high}")
    }
}
