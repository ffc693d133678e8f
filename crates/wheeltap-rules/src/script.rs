//! Script rules: the full language, run in the engine with every limit set.
//!
//! The engine has its own floating-point operators: the built-in ones compare with a tolerance and
//! let infinities through. Here comparisons are IEEE, and a result that is not finite stops the run
//! as *unknown*. Nothing reaches a file, a clock, the console or another rule.

use crate::functions::{Call, FUNCTIONS};
use crate::problem::{Findings, Place};
use crate::syntax::{self, MAX_DEPTH, MAX_FUNCTIONS, place};
use crate::{Fault, Seen, Truth};
use rhai::packages::{
    ArithmeticPackage, BasicArrayPackage, BasicIteratorPackage, BasicMapPackage,
    BasicStringPackage, LogicPackage, MoreStringPackage, Package,
};
use rhai::{
    AST, CallFnOptions, Dynamic, Engine, EvalAltResult, Identifier, Map, OptimizationLevel,
    Position, Scope,
};
use std::sync::{Arc, LazyLock};

/// Operations that one verdict may take.
pub(crate) const MAX_OPERATIONS: u64 = 50_000;
/// Calls within calls.
pub(crate) const MAX_CALL_LEVELS: usize = 16;
/// Variables at one time.
pub(crate) const MAX_VARIABLES: usize = 64;
/// Elements of an array, nested ones counted.
pub(crate) const MAX_ARRAY: usize = 512;
/// Entries of a map, nested ones counted.
pub(crate) const MAX_MAP: usize = 128;
/// Bytes of a string.
pub(crate) const MAX_STRING: usize = 1_024;

/// Rows that a verdict is tried on; one that it judges is enough.
const TRIALS: usize = 24;
/// Numbers of those rows: small and great ones, as channels have them.
const TRIED: [f64; 11] = [
    0.0, 1.0, 50.0, -40.0, 500.0, 0.5, 100.0, 2.0, -1.0, 10_000.0, 8.0,
];

/// An input of a made row: others in each row, in another order for each input.
fn made(round: usize, input: usize, is_flag: bool) -> Seen {
    let step = round * (input + 1) + input;
    if is_flag {
        Seen::Flag((round >> (input % 4)) & 1 == 1)
    } else {
        Seen::Number(TRIED[step % TRIED.len()])
    }
}

/// What a calculation throws that gives no finite number.
#[derive(Clone, Copy, Debug)]
struct NotFinite;

type Computed = Result<f64, Box<EvalAltResult>>;

fn finite(value: f64) -> Computed {
    if value.is_finite() {
        Ok(value)
    } else {
        let thrown = Dynamic::from(NotFinite);
        Err(EvalAltResult::ErrorRuntime(thrown, Position::NONE).into())
    }
}

fn number(value: &Dynamic) -> Option<f64> {
    value
        .as_float()
        .ok()
        .or_else(|| value.as_int().ok().map(|whole| whole as f64))
}

/// Registers `$op` for a float on either side, as an operator and as an assignment.
macro_rules! arithmetic {
    ($engine:ident, $symbol:literal, $assign:literal, $apply:expr) => {{
        let apply: fn(f64, f64) -> f64 = $apply;
        $engine.register_fn($symbol, move |a: f64, b: f64| finite(apply(a, b)));
        $engine.register_fn($symbol, move |a: f64, b: i64| finite(apply(a, b as f64)));
        $engine.register_fn($symbol, move |a: i64, b: f64| finite(apply(a as f64, b)));
        let assign = move |a: &mut f64, b: f64| -> Result<(), Box<EvalAltResult>> {
            *a = finite(apply(*a, b))?;
            Ok(())
        };
        $engine.register_fn($assign, assign);
        $engine.register_fn($assign, move |a: &mut f64, b: i64| assign(a, b as f64));
    }};
}

macro_rules! comparison {
    ($engine:ident, $symbol:literal, $test:expr) => {{
        let test: fn(f64, f64) -> bool = $test;
        $engine.register_fn($symbol, move |a: f64, b: f64| test(a, b));
        $engine.register_fn($symbol, move |a: f64, b: i64| test(a, b as f64));
        $engine.register_fn($symbol, move |a: i64, b: f64| test(a as f64, b));
    }};
}

static ENGINE: LazyLock<Engine> = LazyLock::new(|| {
    let mut engine = Engine::new_raw();
    engine.set_optimization_level(OptimizationLevel::None);
    engine.set_max_operations(MAX_OPERATIONS);
    engine.set_max_call_levels(MAX_CALL_LEVELS);
    engine.set_max_expr_depths(MAX_DEPTH, MAX_DEPTH);
    engine.set_max_functions(MAX_FUNCTIONS);
    engine.set_max_variables(MAX_VARIABLES);
    engine.set_max_array_size(MAX_ARRAY);
    engine.set_max_map_size(MAX_MAP);
    engine.set_max_string_size(MAX_STRING);
    engine.set_max_strings_interned(256);
    engine.set_strict_variables(true);
    engine.set_allow_anonymous_fn(false);
    engine.set_fail_on_invalid_map_property(true);
    // Otherwise the built-in operators on floats win over ours.
    engine.set_fast_operators(false);
    for hidden in syntax::HIDDEN_CALLS {
        engine.disable_symbol(hidden);
    }
    ArithmeticPackage::new().register_into_engine(&mut engine);
    LogicPackage::new().register_into_engine(&mut engine);
    BasicArrayPackage::new().register_into_engine(&mut engine);
    BasicMapPackage::new().register_into_engine(&mut engine);
    BasicIteratorPackage::new().register_into_engine(&mut engine);
    BasicStringPackage::new().register_into_engine(&mut engine);
    MoreStringPackage::new().register_into_engine(&mut engine);
    register_operators(&mut engine);
    register_functions(&mut engine);
    engine
});

#[expect(clippy::float_cmp, reason = "the dialect's == is IEEE equality")]
fn register_operators(engine: &mut Engine) {
    arithmetic!(engine, "+", "+=", |a, b| a + b);
    arithmetic!(engine, "-", "-=", |a, b| a - b);
    arithmetic!(engine, "*", "*=", |a, b| a * b);
    arithmetic!(engine, "/", "/=", |a, b| a / b);
    arithmetic!(engine, "%", "%=", |a, b| a % b);
    arithmetic!(engine, "**", "**=", libm::pow);
    comparison!(engine, "<", |a, b| a < b);
    comparison!(engine, "<=", |a, b| a <= b);
    comparison!(engine, ">", |a, b| a > b);
    comparison!(engine, ">=", |a, b| a >= b);
    comparison!(engine, "==", |a, b| a == b);
    comparison!(engine, "!=", |a, b| a != b);
}

fn register_functions(engine: &mut Engine) {
    let wrong = |name: &str| -> Box<EvalAltResult> { format!("{name}() takes numbers").into() };
    for function in FUNCTIONS.iter() {
        let name = function.name;
        match function.call {
            Call::One(call) => {
                engine.register_fn(name, move |a: Dynamic| -> Computed {
                    finite(call(number(&a).ok_or_else(|| wrong(name))?))
                });
            }
            Call::Two(call) => {
                engine.register_fn(name, move |a: Dynamic, b: Dynamic| -> Computed {
                    let (a, b) = number(&a).zip(number(&b)).ok_or_else(|| wrong(name))?;
                    finite(call(a, b))
                });
            }
            Call::Three(call) => {
                engine.register_fn(
                    name,
                    move |a: Dynamic, b: Dynamic, c: Dynamic| -> Computed {
                        let ((a, b), c) = number(&a)
                            .zip(number(&b))
                            .zip(number(&c))
                            .ok_or_else(|| wrong(name))?;
                        finite(call(a, b, c))
                    },
                );
            }
        }
    }
    engine.register_fn("known", |_: Dynamic| true);
    engine.register_fn("to_float", |whole: i64| whole as f64);
    engine.register_fn("to_float", |float: f64| float);
    engine.register_fn("to_int", |float: f64| -> Result<i64, Box<EvalAltResult>> {
        // 2^53: beyond it a float no longer tells whole numbers apart.
        if float.abs() < syntax::MAX_WHOLE {
            #[expect(clippy::cast_possible_truncation, reason = "checked: below 2^53")]
            let whole = float.trunc() as i64;
            Ok(whole)
        } else {
            Err(format!("to_int({float}) does not fit").into())
        }
    });
}

/// One rule's script, compiled.
#[derive(Clone, Debug)]
pub(crate) struct Script {
    ast: Arc<AST>,
    names: Arc<[Identifier]>,
    reads: Arc<[syntax::FunctionReads]>,
}

impl Script {
    /// Compiles the text with the engine's own checks; `None` when it is refused.
    pub fn new(source: &str, inputs: &[&str], findings: &mut Findings) -> Option<Self> {
        match ENGINE.compile(source) {
            Ok(ast) => Some(Self {
                reads: syntax::reads_by_function(&ast).into(),
                ast: Arc::new(ast),
                names: inputs.iter().map(|name| Identifier::from(*name)).collect(),
            }),
            Err(error) => {
                let position = error.position();
                findings.refuse(
                    Place {
                        line: position.line().unwrap_or(1),
                        column: position.position().unwrap_or(1),
                    },
                    error.err_type().to_string(),
                    "the script engine does not take it",
                    "bind names with let before they are used, and call functions by their names",
                );
                None
            }
        }
    }

    /// What a function reads of its argument, with the places.
    pub fn fields(&self, function: &str) -> impl Iterator<Item = &(String, Place)> {
        let of_it = self.reads.iter();
        of_it.flat_map(move |reads| reads.fields(function))
    }

    /// Refuses a verdict that fails whatever it sees. `are_flags` says of each input whether it is one.
    pub fn refuse_failing(
        &self,
        function: &'static str,
        are_flags: &[bool],
        findings: &mut Findings,
    ) {
        let verdict = self.verdict(function);
        let mut first = None;
        for round in 0..TRIALS {
            let inputs = are_flags.iter().enumerate();
            let seen: Vec<Seen> = inputs
                .map(|(idx, is_flag)| made(round, idx, *is_flag))
                .collect();
            match verdict.judge(&seen) {
                Ok(_) => return,
                Err(fault) => drop(first.get_or_insert(fault)),
            }
        }
        if let Some(Fault {
            message,
            line,
            column,
        }) = first
        {
            let start = place(verdict.start).unwrap_or(Place::START);
            findings.refuse(
                if line == 0 {
                    start
                } else {
                    Place { line, column }
                },
                format!("{function}() fails: {message}"),
                format!("it failed with each of {TRIALS} rows of made inputs"),
                "give true or false whatever is seen, and call only what the reference has",
            );
        }
    }

    /// The judge of one of its functions.
    pub fn verdict(&self, function: &'static str) -> ScriptVerdict {
        let fields = syntax::fields_reached(&self.reads, function);
        let needed = self
            .names
            .iter()
            .enumerate()
            .filter(|(_, name)| {
                fields
                    .as_ref()
                    .is_none_or(|fields| fields.iter().any(|field| field == name.as_str()))
            })
            .map(|(idx, _)| idx)
            .collect();
        ScriptVerdict {
            start: syntax::start_of(&self.reads, function),
            script: self.clone(),
            function,
            needed,
        }
    }
}

/// One function of a script, ready to be judged.
#[derive(Clone, Debug)]
pub(crate) struct ScriptVerdict {
    script: Script,
    function: &'static str,
    /// Where its body begins.
    start: Position,
    /// Inputs it reads, by index.
    needed: Arc<[usize]>,
}

impl ScriptVerdict {
    pub fn judge(&self, seen: &[Seen]) -> Result<Truth, Fault> {
        let mut map = Map::new();
        for idx in self.needed.iter().copied() {
            let value = match seen.get(idx) {
                Some(Seen::Number(number)) if number.is_finite() => Dynamic::from_float(*number),
                Some(Seen::Flag(flag)) => Dynamic::from_bool(*flag),
                _ => return Ok(Truth::Unknown),
            };
            map.insert(self.script.names[idx].clone(), value);
        }
        let options = CallFnOptions::new().eval_ast(false);
        let result = ENGINE.call_fn_with_options::<Dynamic>(
            options,
            &mut Scope::new(),
            &self.script.ast,
            self.function,
            (map,),
        );
        let fault = |message: String, position: Position| Fault {
            message,
            line: position.line().unwrap_or(0),
            column: position.position().unwrap_or(0),
        };
        match result {
            Ok(value) => match value.as_bool() {
                Ok(true) => Ok(Truth::True),
                Ok(false) => Ok(Truth::False),
                Err(kind) => Err(fault(
                    format!("{}() gave {kind}, not true or false", self.function),
                    Position::NONE,
                )),
            },
            Err(error) => {
                // An empty loop, for one, has no place of its own; then the nearest call's is told.
                let (mut inner, called_at) = innermost(*error, self.start);
                if let EvalAltResult::ErrorRuntime(thrown, _) = &inner
                    && thrown.is::<NotFinite>()
                {
                    return Ok(Truth::Unknown);
                }
                let position = inner.take_position().or_else(called_at);
                Err(fault(inner.to_string(), position))
            }
        }
    }

    /// Inputs it reads, by index.
    pub fn inputs(&self) -> impl Iterator<Item = usize> + '_ {
        self.needed.iter().copied()
    }
}

/// The error itself, and the place of the last call on the way to it.
fn innermost(error: EvalAltResult, called_at: Position) -> (EvalAltResult, Position) {
    match error {
        EvalAltResult::ErrorInFunctionCall(_, _, inner, at) => {
            innermost(*inner, at.or_else(called_at))
        }
        other => (other, called_at),
    }
}
