//! Calls: a helper's body is put in place of its call, a function of the language becomes an operation.

use super::{Lower, Number, Value};
use crate::functions::{self, Call, FUNCTIONS, UnitRule};
use crate::problem::{Place, arguments, one_of, suggestion};
use crate::program::Op;
use crate::syntax::{Function, Node};
use crate::units::{ANYTHING, Measure};

/// Helpers open at once, one within the other.
const MAX_CALLS: usize = 32;

impl Lower<'_> {
    pub(super) fn call(&mut self, name: &str, args: &[Node], place: Place) -> Value {
        if name == "known" {
            return self.known(args, place);
        }
        if crate::syntax::HIDDEN_CALLS.contains(&name) {
            // Said once, for every dialect, where the text is read.
            return Value::Refused;
        }
        if let Some((idx, function)) = functions::find(name) {
            return self.native(idx, function, args, place);
        }
        let named = |function: &&Function| function.name == name;
        let all: Vec<&Function> = self.tree.functions.iter().filter(named).collect();
        let Some(helper) = all.iter().find(|helper| helper.params.len() == args.len()) else {
            self.refuse_call(name, args.len(), all.first().copied(), place);
            for arg in args {
                self.node(arg, false);
            }
            return Value::Refused;
        };
        if matches!(name, "about" | "reads") {
            self.findings.refuse(
                place,
                format!("{name}() in a verdict"),
                "it is read, not run",
                "write seen.name for an input",
            );
            return Value::Refused;
        }
        let calls_itself = self.calls.iter().any(|open| open == name);
        if !calls_itself && self.calls.len() > MAX_CALLS {
            self.findings.refuse(
                place,
                format!("{name}() within {MAX_CALLS} other helpers"),
                "helpers are put in place of their calls, and one within the other only so deep",
                "put some of them together, or say judge: \"script\" in about()",
            );
            return Value::Refused;
        }
        if calls_itself {
            self.findings.refuse(
                place,
                format!("{name}() calls itself"),
                "a verdict must end, so helpers are put in place of their calls",
                "write it without recursion, or say judge: \"script\" in about()",
            );
            return Value::Refused;
        }
        let values: Vec<Value> = args.iter().map(|arg| self.node(arg, false)).collect();
        if !self.called.iter().any(|own| own == name) {
            self.called.push(name.to_owned());
        }
        let own = helper
            .params
            .iter()
            .cloned()
            .zip(values)
            .collect::<Vec<_>>();
        let outer = std::mem::replace(&mut self.names, own);
        self.calls.push(name.to_owned());
        let value = self.block(&helper.body, true);
        self.calls.pop();
        self.names = outer;
        value
    }

    fn refuse_call(&mut self, name: &str, given: usize, like: Option<&Function>, place: Place) {
        if let Some(function) = like {
            self.findings.refuse(
                place,
                format!("{name}() with {}", arguments(given)),
                format!("it takes {}", function.params.len()),
                format!("write {name}({})", function.params.join(", ")),
            );
            return;
        }
        let own = self.tree.functions.iter().map(|f| f.name.as_str());
        let table = FUNCTIONS.iter().map(|f| f.name);
        let mend = suggestion(name, table.chain(own).chain(["known"]), || {
            format!(
                "use {}, or write fn {name}(..) {{ .. }}",
                one_of(FUNCTIONS.iter().map(|f| f.name))
            )
        });
        self.findings.refuse(
            place,
            format!("no function {name}()"),
            "it is neither in the rule nor in the language",
            mend,
        );
    }

    fn known(&mut self, args: &[Node], place: Place) -> Value {
        let [arg] = args else {
            self.findings.refuse(
                place,
                format!("known() with {}", arguments(args.len())),
                "it asks of one value whether it is known",
                "write known(seen.name)",
            );
            return Value::Refused;
        };
        match self.node(arg, false) {
            Value::Number(Number { reg, .. }) | Value::Flag(reg) => self.flag(Op::Known(reg)),
            Value::Seen => {
                self.findings.refuse(
                    arg.place,
                    "known(seen)",
                    "it asks of one value whether it is known",
                    "write known(seen.name)",
                );
                Value::Refused
            }
            Value::Refused => Value::Refused,
        }
    }

    fn native(
        &mut self,
        idx: u8,
        function: &'static functions::Function,
        args: &[Node],
        place: Place,
    ) -> Value {
        if args.len() != function.args.len() {
            self.findings.refuse(
                place,
                format!("{}() with {}", function.name, arguments(args.len())),
                format!("it takes {}", function.args.len()),
                format!("write {}({})", function.name, function.args.join(", ")),
            );
            return Value::Refused;
        }
        let use_of = format!("{}()", function.name);
        let mut numbers = Vec::with_capacity(3);
        for arg in args {
            let value = self.node(arg, false);
            numbers.extend(self.as_number(&value, arg.place, &use_of));
        }
        if numbers.len() != args.len() {
            return Value::Refused;
        }
        let Some(measure) = self.native_measure(function, &numbers, place) else {
            return Value::Refused;
        };
        let range = match (function.name, numbers.as_slice()) {
            ("abs", [a]) => {
                let greatest = a.range.0.abs().max(a.range.1.abs());
                let least = a.range.0.max(-a.range.1).max(0.0);
                (least, greatest)
            }
            ("min", [a, b]) => (a.range.0.min(b.range.0), a.range.1.min(b.range.1)),
            ("max", [a, b]) => (a.range.0.max(b.range.0), a.range.1.max(b.range.1)),
            ("sqrt", [a]) => (0.0, a.range.1.max(0.0).sqrt()),
            _ => ANYTHING,
        };
        let op = match (function.call, numbers.as_slice()) {
            (Call::One(_), [a]) => Op::One(idx, a.reg),
            (Call::Two(_), [a, b]) => Op::Two(idx, a.reg, b.reg),
            (Call::Three(_), [a, b, c]) => Op::Three(idx, a.reg, b.reg, c.reg),
            _ => return Value::Refused,
        };
        self.number(op, None, measure, range)
    }

    fn native_measure(
        &mut self,
        function: &functions::Function,
        numbers: &[Number],
        place: Place,
    ) -> Option<Measure> {
        let use_of = format!("{}()", function.name);
        let first = &numbers.first()?.measure;
        let checked = match function.unit {
            UnitRule::Sign => Ok(Measure::sign()),
            UnitRule::Formula(formula) => formula
                .args
                .iter()
                .zip(numbers)
                .try_for_each(|(arg, number)| {
                    let wanted = Measure::of(arg.ucum, false);
                    let symbol = format!("as {} of {use_of} in", arg.name);
                    number.measure.alike(&wanted, &symbol).map(|_| ())
                })
                .map(|()| Measure::of(formula.ucum, false)),
            UnitRule::Until => {
                let [value, rate, limit] = numbers else {
                    return None;
                };
                let gap = value.measure.alike(&limit.measure, &use_of);
                gap.and_then(|_| {
                    let gap = limit.measure.minus(&value.measure)?;
                    let seconds = Measure::of("s", false);
                    gap.per(&rate.measure).alike(&seconds, &use_of)?;
                    Ok(seconds)
                })
            }
            UnitRule::Root => Ok(first.root()),
            UnitRule::Plain => numbers
                .iter()
                .try_fold(Measure::Free, |_, number| number.measure.plain(&use_of)),
            UnitRule::Power => {
                let second = numbers.get(1)?;
                first.power(&second.measure, self.builder.constant(second.reg))
            }
            UnitRule::Same => numbers.iter().try_fold(Measure::Free, |so_far, number| {
                so_far.alike(&number.measure, &use_of)
            }),
        };
        self.measure(checked, place)
    }
}
