//! From the tree to a program: types are checked and helpers put in place of their calls.

use crate::functions::{self, Call, FUNCTIONS, UnitRule};
use crate::problem::{Findings, Place, one_of, suggestion};
use crate::program::{Builder, MAX_OPS, Op, Program, Reg};
use crate::reads::Placed;
use crate::syntax::{
    Binary, Block, Function, Kind, MAX_WHOLE, Node, Step, Tree, Unary, kind_words,
};
use crate::units::{ANYTHING, Clash, Measure, Range, corners};

/// The verdict functions with what each decides.
pub(crate) const VERDICTS: [(&str, &str); 4] = [
    ("tested", "when the condition can show itself at all"),
    ("raise", "the condition"),
    (
        "clear",
        "when a standing condition may end; without it, when raise is false",
    ),
    (
        "suppress",
        "when the operating state explains the condition",
    ),
];

/// Most nodes looked at for one verdict, helpers counted each time they are put in.
const MAX_NODES: usize = 50_000;
const MAX_CALLS: usize = 32;

/// What an expression gives.
#[derive(Clone, Debug)]
enum Value {
    Number(Number),
    Flag(Reg),
    Seen,
    /// Something refused; said already.
    Refused,
}

#[derive(Clone, Debug)]
struct Number {
    reg: Reg,
    /// The greatest size it can have where it may be a whole number at run time: the engine
    /// divides whole numbers without decimals, so those are kept apart.
    whole: Option<f64>,
    measure: Measure,
    range: Range,
}

impl Value {
    fn words(&self) -> &'static str {
        match self {
            Self::Number(_) => "a number",
            Self::Flag(_) => "true or false",
            Self::Seen => "seen as a whole",
            Self::Refused => "refused",
        }
    }
}

pub(crate) struct Lower<'a> {
    pub tree: &'a Tree,
    pub inputs: &'a [Placed],
    pub refused_inputs: &'a [String],
    pub findings: &'a mut Findings,
    /// Inputs that some verdict reads.
    pub used: Vec<bool>,
    /// Helpers that some verdict calls.
    pub called: Vec<String>,
    builder: Builder,
    names: Vec<(String, Value)>,
    calls: Vec<String>,
    nodes: usize,
}

impl<'a> Lower<'a> {
    pub fn new(
        tree: &'a Tree,
        inputs: &'a [Placed],
        refused_inputs: &'a [String],
        findings: &'a mut Findings,
    ) -> Self {
        Self {
            tree,
            inputs,
            refused_inputs,
            findings,
            used: vec![false; inputs.len()],
            called: Vec::new(),
            builder: Builder::default(),
            names: Vec::new(),
            calls: Vec::new(),
            nodes: 0,
        }
    }

    /// Lowers one verdict function; `None` when it was refused, which is then in the findings.
    pub fn verdict(&mut self, function: &Function) -> Option<Program> {
        let before = self.findings.problems.len();
        let [param] = function.params.as_slice() else {
            self.findings.refuse(
                function.place,
                format!(
                    "{}() takes {} arguments",
                    function.name,
                    function.params.len()
                ),
                "it is given what the rule sees, and nothing else",
                format!("write fn {}(seen) {{ .. }}", function.name),
            );
            return None;
        };
        self.builder = Builder::default();
        self.names = vec![(param.clone(), Value::Seen)];
        self.calls = vec![function.name.clone()];
        self.nodes = 0;
        let result = self.block(&function.body, true);
        let reg = match result {
            Value::Flag(reg) => reg,
            Value::Refused => return None,
            other => {
                self.findings.refuse(
                    function.place,
                    format!("{}() gives {}", function.name, other.words()),
                    "a verdict is true or false",
                    "end it with a comparison or a flag",
                );
                return None;
            }
        };
        if self.builder.overflowed() {
            self.refuse_size(function.place);
        }
        if let Some(value) = self.builder.constant(reg) {
            let (says, mend) = if value.is_nan() {
                ("unknown", "mend the calculation that never gives a number")
            } else if value > 0.5 {
                ("true", "let it depend on what is seen, or leave it out")
            } else {
                ("false", "let it depend on what is seen, or leave it out")
            };
            self.findings.refuse(
                function.place,
                format!("{}() is always {says}", function.name),
                "it gives the same verdict whatever is seen",
                mend,
            );
        }
        if self.findings.problems.len() > before {
            return None;
        }
        let program = self.builder.finish(reg);
        for input in program.inputs() {
            self.used[input] = true;
        }
        Some(program)
    }

    fn refuse_size(&mut self, place: Place) {
        self.findings.refuse(
            place,
            "the verdict is too large",
            format!("a verdict has at most {MAX_OPS} operations with its helpers put in"),
            "split the rule, or say judge: \"script\" in about()",
        );
    }

    fn push(&mut self, op: Op) -> Reg {
        self.builder.push(op)
    }

    fn number(&mut self, op: Op, whole: Option<f64>, measure: Measure, range: Range) -> Value {
        let reg = self.push(op);
        Value::Number(Number {
            reg,
            whole,
            measure,
            range,
        })
    }

    /// The measure, or `None` with the clash said.
    fn measure(&mut self, checked: Result<Measure, Clash>, place: Place) -> Option<Measure> {
        match checked {
            Ok(measure) => Some(measure),
            Err(clash) => {
                self.findings
                    .refuse(place, clash.what, clash.why, clash.mend);
                None
            }
        }
    }

    fn flag(&mut self, op: Op) -> Value {
        Value::Flag(self.push(op))
    }

    fn block(&mut self, block: &Block, tail: bool) -> Value {
        let names = self.names.len();
        let value = self.steps(&block.steps, block.place, tail);
        self.names.truncate(names);
        value
    }

    /// `tail`: the value of these steps is the function's, so `return` means the same.
    fn steps(&mut self, steps: &[Step], place: Place, tail: bool) -> Value {
        let mut place = place;
        for (idx, step) in steps.iter().enumerate() {
            let rest = &steps[idx + 1..];
            match step {
                Step::Let { name, place, value } => self.bind(name, *place, value),
                Step::Return(value, at) => {
                    if !tail {
                        self.findings.refuse(
                            *at,
                            "return inside an expression",
                            "it would leave the expression half done",
                            "let the block's last line be its value",
                        );
                        return Value::Refused;
                    }
                    self.refuse_after(rest, "return");
                    if let Some(value) = value {
                        return self.node(value, true);
                    }
                    self.findings.refuse(
                        *at,
                        "return without a value",
                        "a function here gives a value",
                        "write return true; or return false;",
                    );
                    return Value::Refused;
                }
                Step::Value(node) if rest.is_empty() => return self.node(node, tail),
                Step::Value(node) => {
                    if let (true, Kind::If(parts)) = (tail, &node.kind)
                        && let (test, then, None) = &**parts
                        && always_returns(then)
                    {
                        let Some(test) = self.test(test) else {
                            self.block(then, true);
                            self.steps(rest, node.place, true);
                            return Value::Refused;
                        };
                        let then = self.block(then, true);
                        let otherwise = self.steps(rest, node.place, true);
                        return self.choose(test, then, otherwise, node.place);
                    }
                    self.refuse_unused(node);
                    return Value::Refused;
                }
            }
            place = step_place(step);
        }
        self.findings.refuse(
            place,
            "no value at the end",
            "a function or block gives the value of its last line",
            "end with an expression",
        );
        Value::Refused
    }

    fn bind(&mut self, name: &str, place: Place, node: &Node) {
        let value = self.node(node, false);
        if self.names.iter().any(|(own, _)| own == name) {
            self.findings.refuse(
                place,
                format!("{name} is let twice"),
                "a name means one thing in a function",
                format!("choose another name than {name}"),
            );
        }
        self.names.push((name.to_owned(), value));
    }

    fn refuse_after(&mut self, rest: &[Step], after: &str) {
        if let Some(step) = rest.first() {
            self.findings.refuse(
                step_place(step),
                "never reached",
                format!("it stands after {after}"),
                "take it away",
            );
        }
    }

    fn refuse_unused(&mut self, node: &Node) {
        if let Kind::Refused(refused) = &node.kind {
            self.refuse_construct(node.place, refused.what, refused.mend);
            return;
        }
        if let Kind::Call(name, _) = &node.kind
            && crate::syntax::HIDDEN_CALLS.contains(&name.as_str())
        {
            return;
        }
        self.findings.refuse(
            node.place,
            "a value that nothing uses",
            "functions here only compute; nothing else comes of this line",
            "bind it with let, join it with && or ||, or take it away",
        );
    }

    fn refuse_construct(&mut self, place: Place, what: &str, mend: &str) {
        self.findings
            .refuse(place, what, "expression rules do not have it", mend);
    }

    fn node(&mut self, node: &Node, tail: bool) -> Value {
        self.nodes += 1;
        if self.nodes > MAX_NODES {
            if self.nodes == MAX_NODES + 1 {
                self.refuse_size(node.place);
            }
            return Value::Refused;
        }
        match &node.kind {
            Kind::Number { value, whole } => {
                let bound = whole.then_some(value.abs());
                self.number(Op::Const(*value), bound, Measure::Free, (*value, *value))
            }
            Kind::Flag(flag) => self.flag(Op::Const(f64::from(u8::from(*flag)))),
            Kind::Name(name) => self.name(name, node.place),
            Kind::Field(of, name) => self.field(of, name, node.place),
            Kind::Unary(operator, of) => self.unary(*operator, of, node.place),
            Kind::Binary(operator, sides) => {
                let left = self.node(&sides.0, false);
                let right = self.node(&sides.1, false);
                self.binary(*operator, &left, &right, node.place)
            }
            Kind::And(sides) => self.join(sides, "&&", Op::And),
            Kind::Or(sides) => self.join(sides, "||", Op::Or),
            Kind::If(parts) => {
                let (test, then, otherwise) = &**parts;
                let test = self.test(test);
                let then = self.block(then, tail);
                let Some(otherwise) = otherwise else {
                    self.findings.refuse(
                        node.place,
                        "if without else",
                        "where the test is false it gives nothing",
                        "add else { .. }",
                    );
                    return Value::Refused;
                };
                let otherwise = self.block(otherwise, tail);
                match test {
                    Some(test) => self.choose(test, then, otherwise, node.place),
                    None => Value::Refused,
                }
            }
            Kind::Call(name, args) => self.call(name, args, node.place),
            Kind::Block(block) => self.block(block, tail),
            Kind::Refused(refused) => {
                self.refuse_construct(node.place, refused.what, refused.mend);
                Value::Refused
            }
            Kind::Text(_) | Kind::Map(_) | Kind::List(_) => {
                self.findings.refuse(
                    node.place,
                    format!("{} in a verdict", kind_words(&node.kind)),
                    "verdicts work on numbers and flags",
                    "compare numbers, or read in_state(..) in reads()",
                );
                Value::Refused
            }
        }
    }

    fn name(&mut self, name: &str, place: Place) -> Value {
        if let Some((_, value)) = self.names.iter().rev().find(|(own, _)| own == name) {
            return value.clone();
        }
        let input = self.inputs.iter().any(|placed| placed.input.name == name);
        let mend = if input {
            format!("write seen.{name}")
        } else {
            let known: Vec<String> = self.names.iter().map(|(own, _)| own.clone()).collect();
            suggestion(name, known.iter().map(String::as_str), || {
                "bind it with let, or read it in reads() and write seen.name".to_owned()
            })
        };
        self.findings.refuse(
            place,
            format!("no {name} here"),
            "it is neither an argument nor bound with let before",
            mend,
        );
        Value::Refused
    }

    fn field(&mut self, of: &Node, name: &str, place: Place) -> Value {
        match self.node(of, false) {
            Value::Seen => {}
            Value::Refused => return Value::Refused,
            other => {
                self.findings.refuse(
                    place,
                    format!(".{name} of {}", other.words()),
                    "only seen has names in it",
                    "write seen.name for an input, f(x) for a function",
                );
                return Value::Refused;
            }
        }
        let found = self
            .inputs
            .iter()
            .position(|placed| placed.input.name == name);
        let Some(idx) = found else {
            if !self.refused_inputs.iter().any(|refused| refused == name) {
                let names = self.inputs.iter().map(|placed| placed.input.name.as_str());
                let mend = suggestion(name, names, || format!("add {name} to reads()"));
                self.findings.refuse(
                    place,
                    format!("no input {name}"),
                    "reads() does not name it",
                    mend,
                );
            }
            return Value::Refused;
        };
        let op = Op::Input(Reg::try_from(idx).unwrap_or(Reg::MAX));
        let placed = &self.inputs[idx];
        if placed.input.ucum.is_empty() {
            self.flag(op)
        } else {
            self.number(op, None, placed.measure.clone(), placed.bounds)
        }
    }

    /// The register of a flag; refuses anything else.
    fn as_flag(&mut self, value: &Value, place: Place, use_of: &str) -> Option<Reg> {
        match value {
            Value::Flag(reg) => Some(*reg),
            Value::Refused => None,
            other => {
                self.findings.refuse(
                    place,
                    format!("{} in {use_of}", other.words()),
                    "it takes true or false",
                    "compare the number with a limit, such as x > 3.0",
                );
                None
            }
        }
    }

    fn as_number(&mut self, value: &Value, place: Place, use_of: &str) -> Option<Number> {
        match value {
            Value::Number(number) => Some(number.clone()),
            Value::Refused => None,
            other => {
                self.findings.refuse(
                    place,
                    format!("{} in {use_of}", other.words()),
                    "it takes numbers",
                    match other {
                        Value::Seen => "name the input: seen.name",
                        _ => "choose a number with if .. else, or use && and ||",
                    },
                );
                None
            }
        }
    }

    fn test(&mut self, test: &Node) -> Option<Reg> {
        let value = self.node(test, false);
        let reg = self.as_flag(&value, test.place, "an if")?;
        // In a helper a constant test may come from a constant argument, which is fair.
        if self.calls.len() == 1
            && let Some(value) = self.builder.constant(reg)
        {
            let (says, dead) = if value.is_nan() {
                ("unknown", "neither branch is ever taken")
            } else if value > 0.5 {
                ("true", "the branch after else is never taken")
            } else {
                ("false", "the first branch is never taken")
            };
            self.findings.refuse(
                test.place,
                format!("a test that is always {says}"),
                dead,
                "test something that is seen, or keep only the branch that is taken",
            );
            return None;
        }
        Some(reg)
    }

    fn choose(&mut self, test: Reg, then: Value, otherwise: Value, place: Place) -> Value {
        match (then, otherwise) {
            (Value::Flag(then), Value::Flag(otherwise)) => {
                self.flag(Op::Select(test, then, otherwise))
            }
            (Value::Number(then), Value::Number(otherwise)) => {
                let whole = match (then.whole, otherwise.whole) {
                    (Some(a), Some(b)) => Some(a.max(b)),
                    (a, b) => a.or(b),
                };
                let alike = then.measure.alike(&otherwise.measure, "if .. else");
                let Some(measure) = self.measure(alike, place) else {
                    return Value::Refused;
                };
                let range = (
                    then.range.0.min(otherwise.range.0),
                    then.range.1.max(otherwise.range.1),
                );
                let op = Op::Select(test, then.reg, otherwise.reg);
                self.number(op, whole, measure, range)
            }
            (Value::Refused, _) | (_, Value::Refused) => Value::Refused,
            (then, otherwise) => {
                self.findings.refuse(
                    place,
                    format!("{} or {}", then.words(), otherwise.words()),
                    "both branches of an if give the same kind of value",
                    "make both numbers or both flags",
                );
                Value::Refused
            }
        }
    }

    fn unary(&mut self, operator: Unary, of: &Node, place: Place) -> Value {
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

    fn join(&mut self, sides: &[Node], symbol: &str, op: fn(Reg, Reg) -> Op) -> Value {
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

    fn binary(&mut self, operator: Binary, left: &Value, right: &Value, place: Place) -> Value {
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

    /// A comparison that the channels' ranges decide is no test.
    fn check_ranges(&mut self, operator: Binary, a: &Number, b: &Number, place: Place) {
        let constant = |number: &Number| self.builder.constant(number.reg).is_some();
        // In a helper it may be decided for one caller only; two constants are told of elsewhere.
        if self.calls.len() > 1 || (constant(a) && constant(b)) {
            return;
        }
        let less = |a: Range, b: Range| (a.1 < b.0, a.0 >= b.1);
        // Touching the range's end is a way to ask whether the input is known at all.
        let less_or_equal = |a: Range, b: Range| (a.1 < b.0, a.0 > b.1);
        let apart = a.range.1 < b.range.0 || b.range.1 < a.range.0;
        let (always, never) = match operator {
            Binary::Less => less(a.range, b.range),
            Binary::LessOrEqual => less_or_equal(a.range, b.range),
            Binary::Greater => less(b.range, a.range),
            Binary::GreaterOrEqual => less_or_equal(b.range, a.range),
            Binary::Equal => (false, apart),
            _ => (apart, false),
        };
        let why = format!(
            "the left side lies between {} and {}, the right between {} and {}; outside its range a \
             sample is bad and feeds no rule",
            a.range.0, a.range.1, b.range.0, b.range.1
        );
        if never {
            self.findings.refuse(
                place,
                "a comparison that never holds",
                why,
                "mend the limit, or the channel's range in the catalogue",
            );
        } else if always {
            self.findings.warn(
                place,
                "a comparison that always holds",
                why,
                "mend the limit, or take it away",
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

    fn call(&mut self, name: &str, args: &[Node], place: Place) -> Value {
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
        if self.calls.iter().any(|open| open == name) || self.calls.len() > MAX_CALLS {
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
                format!("{name}() with {given} arguments"),
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
                format!("known() with {} arguments", args.len()),
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
                format!("{}() with {} arguments", function.name, args.len()),
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

fn step_place(step: &Step) -> Place {
    match step {
        Step::Let { place, .. } | Step::Return(_, place) => *place,
        Step::Value(node) => node.place,
    }
}

fn always_returns(block: &Block) -> bool {
    match block.steps.last() {
        Some(Step::Return(..)) => true,
        Some(Step::Value(Node {
            kind: Kind::If(parts),
            ..
        })) => {
            let (_, then, otherwise) = &**parts;
            always_returns(then) && otherwise.as_ref().is_some_and(always_returns)
        }
        _ => false,
    }
}
