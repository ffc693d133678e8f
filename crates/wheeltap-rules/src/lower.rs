//! From the tree to a program: types are checked and helpers put in place of their calls.

mod calls;
mod operators;

use crate::outcomes::{Domain, WindowEnd, outcomes};
use crate::problem::{Findings, Place, arguments, suggestion};
use crate::program::{Builder, MAX_OPS, Op, Program, Reg};
use crate::reads::Placed;
use crate::syntax::{Block, Function, Kind, Node, Step, Tree, kind_words};
use crate::units::{Clash, Measure, Range};
use crate::{Condition, Read, Statistic};

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
    /// Tests around what is lowered, with how each came out there.
    path: Vec<(Reg, bool)>,
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
            path: Vec::new(),
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
                    "{}() takes {}",
                    function.name,
                    arguments(function.params.len())
                ),
                "it is given what the rule sees, and nothing else",
                format!("write fn {}(seen) {{ .. }}", function.name),
            );
            return None;
        };
        self.builder = Builder::default();
        self.names = vec![(param.clone(), Value::Seen)];
        self.calls = vec![function.name.clone()];
        self.path.clear();
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
        if self.findings.problems.len() > before {
            return None;
        }
        let program = self.builder.finish(reg);
        let found = outcomes(program.ops(), program.result(), &domains(self.inputs));
        if found.yes && !found.no && found.unknown && function.name != "raise" {
            self.warn_known(function);
        } else if let Some(says) = found.only() {
            self.refuse_constant(function, says, !found.unknown);
            return None;
        }
        for input in program.inputs() {
            self.used[input] = true;
        }
        Some(program)
    }

    /// True or unknown: that is a way to ask whether an input is known.
    fn warn_known(&mut self, function: &Function) {
        // Of the others it is told with raise, which they are there for.
        if function.name == "tested" {
            self.findings.warn(
                function.place,
                "tested() is true wherever it is known",
                "it only asks whether what it reads is known",
                "write known(seen.name), or mend its limits",
            );
        }
    }

    fn refuse_constant(&mut self, function: &Function, says: &str, is_known: bool) {
        let why = if is_known || says == "unknown" {
            "it gives the same verdict whatever is seen"
        } else {
            "it is the same whatever is seen, or unknown"
        };
        let mend = match (says, is_known) {
            ("unknown", _) => "mend the calculation that never gives a number",
            ("true", false) => {
                "mend its limits; where you ask whether an input is known, write known(seen.name)"
            }
            (_, false) => "mend its limits: they leave no value that is seen",
            _ => "let it depend on what is seen, or leave it out",
        };
        self.findings.refuse(
            function.place,
            format!("{}() is always {says}", function.name),
            why,
            mend,
        );
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
                        let then = self.where_it_is(test, true, |lower| lower.block(then, true));
                        let otherwise = self
                            .where_it_is(test, false, |lower| lower.steps(rest, node.place, true));
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
                let then = match test {
                    Some(test) => self.where_it_is(test, true, |lower| lower.block(then, tail)),
                    None => self.block(then, tail),
                };
                let Some(otherwise) = otherwise else {
                    self.findings.refuse(
                        node.place,
                        "if without else",
                        "where the test is false it gives nothing",
                        "add else { .. }",
                    );
                    return Value::Refused;
                };
                let Some(test) = test else {
                    self.block(otherwise, tail);
                    return Value::Refused;
                };
                let otherwise = self.where_it_is(test, false, |lower| lower.block(otherwise, tail));
                self.choose(test, then, otherwise, node.place)
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
                self.findings.refuse_unknown_input(place, name, names);
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

    /// Lowers what is looked at only where a test came out so.
    fn where_it_is(
        &mut self,
        test: Reg,
        is: bool,
        lower: impl FnOnce(&mut Self) -> Value,
    ) -> Value {
        self.path.push((test, is));
        let value = lower(self);
        self.path.pop();
        value
    }

    /// Whether a test can come out so where the tests around it came out as they must.
    fn may_be(&self, test: Reg, is: bool) -> bool {
        let mut builder = self.builder.clone();
        let side = |builder: &mut Builder, (reg, is): (Reg, bool)| {
            if is { reg } else { builder.push(Op::Not(reg)) }
        };
        let mut all = side(&mut builder, (test, is));
        for around in &self.path {
            let around = side(&mut builder, *around);
            all = builder.push(Op::And(around, all));
        }
        if builder.overflowed() {
            return true;
        }
        let program = builder.finish(all);
        outcomes(program.ops(), program.result(), &domains(self.inputs)).yes
    }

    fn test(&mut self, test: &Node) -> Option<Reg> {
        let before = self.findings.problems.len();
        let value = self.node(test, false);
        let reg = self.as_flag(&value, test.place, "an if")?;
        // In a helper a constant test may come from a constant argument, which is fair.
        let fresh = self.findings.problems.len() == before && !self.builder.overflowed();
        if self.calls.len() == 1 && fresh {
            let program = self.builder.finish(reg);
            let found = outcomes(program.ops(), program.result(), &domains(self.inputs));
            if let Some(says) = found.only() {
                self.refuse_test(test.place, says);
                return None;
            }
            if !self.path.is_empty() {
                match (self.may_be(reg, true), self.may_be(reg, false)) {
                    (true, false) => self.refuse_decided(test.place, "true"),
                    (false, true) => self.refuse_decided(test.place, "false"),
                    _ => {}
                }
            }
        }
        Some(reg)
    }

    fn refuse_test(&mut self, place: Place, says: &str) {
        let dead = match says {
            "unknown" => "neither branch is ever taken",
            "true" => "the branch after else is never taken",
            _ => "the first branch is never taken",
        };
        self.findings.refuse(
            place,
            format!("a test that is always {says}"),
            dead,
            "test something that is seen, or keep only the branch that is taken",
        );
    }

    /// A test that those around it leave one way.
    fn refuse_decided(&mut self, place: Place, says: &str) {
        let dead = if says == "true" {
            "the branch after else is never taken"
        } else {
            "the first branch is never taken"
        };
        self.findings.refuse(
            place,
            format!("a test that is always {says} here"),
            format!("what was tested before leaves it no other way, so {dead}"),
            "test something that is still open, or keep only the branch that is taken",
        );
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
}

/// What each input can be.
pub(crate) fn domains(inputs: &[Placed]) -> Vec<Domain> {
    let domain = |placed: &Placed| Domain {
        range: placed.bounds,
        flag: placed.input.ucum.is_empty(),
        end: end_of_window(placed, inputs),
    };
    inputs.iter().map(domain).collect()
}

/// Of a least or greatest value: which window it is of, by the first input that is one of the same, and which it is.
fn end_of_window(placed: &Placed, inputs: &[Placed]) -> Option<(usize, WindowEnd)> {
    let (window, end) = window_and_end(&placed.input.read)?;
    let is_same = |other: &Placed| {
        window_and_end(&other.input.read).is_some_and(|(other, _)| other == window)
    };
    Some((inputs.iter().position(is_same)?, end))
}

type OfWindow<'a> = (&'a str, i64, i64, &'a [Condition]);

fn window_and_end(read: &Read) -> Option<(OfWindow<'_>, WindowEnd)> {
    let Read::Window {
        channel,
        statistic,
        window_ms,
        pane_ms,
        min_share: _,
        during,
    } = read
    else {
        return None;
    };
    let end = match statistic {
        Statistic::Min => WindowEnd::Least,
        Statistic::Max => WindowEnd::Greatest,
        _ => return None,
    };
    Some(((channel, *window_ms, *pane_ms, during), end))
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
