//! A generated verdict is the same in the flat program, in the script engine and in a slow
//! evaluator written here; unknown follows Kleene's tables.

use proptest::prelude::*;
use std::sync::LazyLock;
use wheeltap_analysis::{FORMULAS, Formula};
use wheeltap_catalogue::Catalogue;
use wheeltap_model::{ChannelDef, ChannelKind, ChannelName, Resolution};
use wheeltap_rules::{Environment, Rule, Seen, Truth, vet};

/// Two channels of plain numbers, whose ranges decide no comparison made here.
static CATALOGUE: LazyLock<Catalogue> = LazyLock::new(|| {
    let channel = |name: &str| ChannelDef {
        name: ChannelName::new(name).expect("a channel name"),
        title: name.to_owned(),
        kind: ChannelKind::Sampled { interval_ms: 1_000 },
        ucum: "1".to_owned(),
        range: (f64::MIN, f64::MAX),
        resolution: Resolution { num: 1, den: 10 },
        silent_ms: 10_000,
    };
    Catalogue::from_parts(vec![channel("x"), channel("y")], Vec::new())
});

#[derive(Clone, Debug)]
enum Num {
    Float(f64),
    Whole(i64),
    X,
    Y,
    Binary(&'static str, Box<Num>, Box<Num>),
    Negative(Box<Num>),
    One(&'static str, Box<Num>),
    Two(&'static str, Box<Num>, Box<Num>),
    If(Box<Flag>, Box<Num>, Box<Num>),
    /// A formula of the trade; it and its arguments are multiplied by 1.0, which makes them go with
    /// any unit.
    Trade(&'static Formula, Vec<Num>),
}

#[derive(Clone, Debug)]
enum Flag {
    On,
    Lead,
    Compare(&'static str, Num, Num),
    Equal(Box<Flag>, Box<Flag>),
    And(Box<Flag>, Box<Flag>),
    Or(Box<Flag>, Box<Flag>),
    Not(Box<Flag>),
    If(Box<Flag>, Box<Flag>, Box<Flag>),
    Known(Num),
}

/// The formulas that rules can call.
fn trade() -> impl Strategy<Value = &'static Formula> {
    let callable = FORMULAS
        .iter()
        .filter(|formula| !formula.example.is_empty());
    prop::sample::select(callable.collect::<Vec<_>>())
}

fn number() -> impl Strategy<Value = Num> {
    let leaf = prop_oneof![
        Just(Num::X),
        Just(Num::Y),
        prop::sample::select(vec![-2.5, -0.0, 0.0, 0.1, 0.3, 1.0, 3.0, 1e-300, 1e300])
            .prop_map(Num::Float),
        (-3_i64..4).prop_map(Num::Whole),
    ];
    leaf.prop_recursive(3, 12, 3, |inner| {
        let boxed = inner.clone().prop_map(Box::new).boxed();
        prop_oneof![
            (
                prop::sample::select(vec!["+", "-", "*", "/", "%"]),
                boxed.clone(),
                boxed.clone()
            )
                .prop_map(|(op, a, b)| Num::Binary(op, a, b)),
            boxed.clone().prop_map(Num::Negative),
            (
                prop::sample::select(vec!["abs", "sqrt", "exp", "ln", "floor", "round"]),
                boxed.clone()
            )
                .prop_map(|(name, a)| Num::One(name, a)),
            (
                prop::sample::select(vec!["min", "max", "pow"]),
                boxed.clone(),
                boxed.clone()
            )
                .prop_map(|(name, a, b)| Num::Two(name, a, b)),
            (trade(), boxed.clone(), boxed.clone(), boxed.clone()).prop_map(|(of, a, b, c)| {
                let args = [*a, *b, *c].into_iter().take(of.args.len());
                Num::Trade(of, args.collect())
            }),
            (boxed.clone(), boxed.clone(), boxed).prop_map(|(a, b, c)| {
                let test = Flag::Compare("<", (*a).clone(), *b.clone());
                Num::If(Box::new(test), b, c)
            }),
        ]
    })
}

fn flag(with_known: bool) -> impl Strategy<Value = Flag> {
    let compare = (
        prop::sample::select(vec!["<", "<=", ">", ">=", "==", "!="]),
        number(),
        number(),
    )
        .prop_map(|(op, a, b)| Flag::Compare(op, a, b));
    let known = number().prop_map(move |of| {
        if with_known {
            Flag::Known(of)
        } else {
            Flag::Compare(">", of, Num::X)
        }
    });
    let leaf = prop_oneof![2 => Just(Flag::On), 1 => Just(Flag::Lead), 4 => compare, 1 => known];
    leaf.prop_recursive(3, 10, 3, |inner| {
        let boxed = inner.prop_map(Box::new).boxed();
        prop_oneof![
            (boxed.clone(), boxed.clone()).prop_map(|(a, b)| Flag::And(a, b)),
            (boxed.clone(), boxed.clone()).prop_map(|(a, b)| Flag::Or(a, b)),
            (boxed.clone(), boxed.clone()).prop_map(|(a, b)| Flag::Equal(a, b)),
            boxed.clone().prop_map(Flag::Not),
            (boxed.clone(), boxed.clone(), boxed).prop_map(|(a, b, c)| Flag::If(a, b, c)),
        ]
    })
}

/// The text. Divisors get + 0.0, so that two whole numbers never meet in a division.
fn write_num(num: &Num) -> String {
    match num {
        Num::Float(value) => format!("({value:?})"),
        Num::Whole(value) => format!("({value})"),
        Num::X => "seen.x".to_owned(),
        Num::Y => "seen.y".to_owned(),
        Num::Binary("/", a, b) => format!("({} / ({} + 0.0))", write_num(a), write_num(b)),
        Num::Binary(op, a, b) => format!("({} {op} {})", write_num(a), write_num(b)),
        Num::Negative(a) => format!("(-({}))", write_num(a)),
        Num::One(name, a) => format!("{name}({})", write_num(a)),
        Num::Two(name, a, b) => format!("{name}({}, {})", write_num(a), write_num(b)),
        Num::If(t, a, b) => {
            format!(
                "(if {} {{ {} }} else {{ {} }})",
                write_flag(t),
                write_num(a),
                write_num(b)
            )
        }
        Num::Trade(of, args) => {
            let args = args.iter().map(|arg| format!("({} * 1.0)", write_num(arg)));
            format!(
                "({}({}) * 1.0)",
                of.name,
                args.collect::<Vec<_>>().join(", ")
            )
        }
    }
}

fn write_flag(flag: &Flag) -> String {
    match flag {
        Flag::On => "seen.on".to_owned(),
        Flag::Lead => "seen.lead".to_owned(),
        Flag::Compare(op, a, b) => format!("({} {op} {})", write_num(a), write_num(b)),
        Flag::Equal(a, b) => format!("({} == {})", write_flag(a), write_flag(b)),
        Flag::And(a, b) => format!("({} && {})", write_flag(a), write_flag(b)),
        Flag::Or(a, b) => format!("({} || {})", write_flag(a), write_flag(b)),
        Flag::Not(a) => format!("!({})", write_flag(a)),
        Flag::If(t, a, b) => {
            format!(
                "(if {} {{ {} }} else {{ {} }})",
                write_flag(t),
                write_flag(a),
                write_flag(b)
            )
        }
        Flag::Known(a) => format!("known({})", write_num(a)),
    }
}

/// x, y, on, lead; `None` is unknown.
type Row = (Option<f64>, Option<f64>, Option<bool>, Option<bool>);

fn slow_num(num: &Num, row: &Row) -> Option<f64> {
    let value = match num {
        Num::Float(value) => *value,
        Num::Whole(value) => *value as f64,
        Num::X => row.0?,
        Num::Y => row.1?,
        Num::Binary(op, a, b) => {
            let (a, b) = (slow_num(a, row)?, slow_num(b, row)?);
            match *op {
                "+" => a + b,
                "-" => a - b,
                "*" => a * b,
                "/" => a / (b + 0.0),
                _ => a % b,
            }
        }
        Num::Negative(a) => -slow_num(a, row)?,
        Num::One(name, a) => {
            let a = slow_num(a, row)?;
            match *name {
                "abs" => a.abs(),
                "sqrt" => a.sqrt(),
                "exp" => libm::exp(a),
                "ln" => libm::log(a),
                "floor" => a.floor(),
                _ => a.round(),
            }
        }
        Num::Two(name, a, b) => {
            let (a, b) = (slow_num(a, row)?, slow_num(b, row)?);
            match *name {
                // The lesser by the total order, so that -0.0 is under 0.0.
                "min" => [a, b].into_iter().min_by(f64::total_cmp)?,
                "max" => [a, b].into_iter().max_by(f64::total_cmp)?,
                _ => libm::pow(a, b),
            }
        }
        Num::If(t, a, b) => {
            if slow_flag(t, row)? {
                slow_num(a, row)?
            } else {
                slow_num(b, row)?
            }
        }
        Num::Trade(of, args) => {
            let values: Option<Vec<f64>> = args.iter().map(|arg| slow_num(arg, row)).collect();
            of.at(&values?)?
        }
    };
    value.is_finite().then_some(value)
}

#[expect(clippy::float_cmp, reason = "the language's == is IEEE equality")]
fn slow_flag(flag: &Flag, row: &Row) -> Option<bool> {
    match flag {
        Flag::On => row.2,
        Flag::Lead => row.3,
        Flag::Compare(op, a, b) => {
            let (a, b) = (slow_num(a, row)?, slow_num(b, row)?);
            Some(match *op {
                "<" => a < b,
                "<=" => a <= b,
                ">" => a > b,
                ">=" => a >= b,
                "==" => a == b,
                _ => a != b,
            })
        }
        Flag::Equal(a, b) => Some(slow_flag(a, row)? == slow_flag(b, row)?),
        Flag::And(a, b) => match (slow_flag(a, row), slow_flag(b, row)) {
            (Some(false), _) | (_, Some(false)) => Some(false),
            (Some(true), Some(true)) => Some(true),
            _ => None,
        },
        Flag::Or(a, b) => match (slow_flag(a, row), slow_flag(b, row)) {
            (Some(true), _) | (_, Some(true)) => Some(true),
            (Some(false), Some(false)) => Some(false),
            _ => None,
        },
        Flag::Not(a) => slow_flag(a, row).map(|flag| !flag),
        Flag::If(t, a, b) => {
            if slow_flag(t, row)? {
                slow_flag(a, row)
            } else {
                slow_flag(b, row)
            }
        }
        Flag::Known(a) => Some(slow_num(a, row).is_some()),
    }
}

fn rule(raise: &str, judge: &str) -> Result<Rule, String> {
    let source = format!(
        "fn about() {{ #{{ title: \"T\", system: \"s\", component: \"c\", priority: \"low\", tick: \"10 s\", judge: \"{judge}\", cause: \"c\", consequence: \"c\", action: \"a\", respond_within: \"1 d\" }} }}
fn reads() {{ #{{ x: last(\"x\"), y: last(\"y\"), on: in_state(\"working\"), lead: in_role(\"lead\") }} }}
fn raise(seen) {{ {raise} }}"
    );
    let vetted = vet("rule.rhai", &source, &Environment::new(&CATALOGUE));
    let said = vetted.problems.iter().map(ToString::to_string);
    vetted.rule.ok_or(said.collect::<Vec<_>>().join("\n"))
}

/// The verdict in the expression dialect; `None` where the checker rightly finds it constant, or nested deeper
/// than a rule may be.
fn expression(raise: &str) -> Option<Rule> {
    match rule(raise, "expression") {
        Ok(rule) => Some(rule),
        Err(said) => {
            let rightly = [
                "is always",
                "that is always",
                "never holds",
                "exceeds maximum complexity",
            ];
            let all = said
                .lines()
                .all(|line| rightly.iter().any(|words| line.contains(words)));
            assert!(all, "{raise}\n{said}");
            None
        }
    }
}

fn value() -> impl Strategy<Value = f64> {
    prop::sample::select(vec![
        -3.0,
        -0.0,
        0.0,
        0.1 + 0.2,
        0.3,
        1.0,
        1.000_000_000_000_000_2,
        2.0,
        1e-310,
        1e200,
    ])
}

fn known_row() -> impl Strategy<Value = Row> {
    (value(), value(), any::<bool>(), any::<bool>())
        .prop_map(|(x, y, on, lead)| (Some(x), Some(y), Some(on), Some(lead)))
}

fn any_row() -> impl Strategy<Value = Row> {
    let value = || prop::option::weighted(0.7, value());
    let flag = || prop::option::weighted(0.7, any::<bool>());
    (value(), value(), flag(), flag())
}

fn seen(row: &Row) -> [Seen; 4] {
    let number = |value: Option<f64>| value.map_or(Seen::Unknown, Seen::Number);
    let flag = |value: Option<bool>| value.map_or(Seen::Unknown, Seen::Flag);
    [number(row.0), number(row.1), flag(row.2), flag(row.3)]
}

fn truth(flag: Option<bool>) -> Truth {
    match flag {
        Some(true) => Truth::True,
        Some(false) => Truth::False,
        None => Truth::Unknown,
    }
}

/// Verdicts that are often constant: few numbers, compared over and over with few limits.
fn crowded() -> impl Strategy<Value = Flag> {
    let limit = || prop::sample::select(vec![-3.0, 0.0, 0.3, 1.0, 2.0]).prop_map(Num::Float);
    let side = || {
        let of = |op| Num::Binary(op, Box::new(Num::X), Box::new(Num::Y));
        prop_oneof![
            4 => Just(Num::X),
            3 => limit(),
            1 => Just(of("-")),
            1 => Just(of("/")),
            1 => Just(Num::Binary("-", Box::new(Num::X), Box::new(Num::X))),
            1 => limit().prop_map(|to| Num::Binary("*", Box::new(Num::X), Box::new(to))),
            1 => limit().prop_map(|to| Num::Two("max", Box::new(Num::X), Box::new(to))),
            1 => prop::sample::select(vec!["abs", "floor", "sqrt"])
                .prop_map(|name| Num::One(name, Box::new(Num::X))),
            1 => limit().prop_map(|to| Num::If(Box::new(Flag::On), Box::new(Num::Y), Box::new(to))),
        ]
    };
    let operator = prop::sample::select(vec!["<", "<=", ">", ">=", "==", "!="]);
    let compare = (operator, side(), side()).prop_map(|(op, a, b)| Flag::Compare(op, a, b));
    let leaf = prop_oneof![6 => compare, 1 => Just(Flag::On), 1 => side().prop_map(Flag::Known)];
    leaf.prop_recursive(3, 8, 3, |inner| {
        let boxed = inner.prop_map(Box::new).boxed();
        prop_oneof![
            3 => (boxed.clone(), boxed.clone()).prop_map(|(a, b)| Flag::And(a, b)),
            3 => (boxed.clone(), boxed.clone()).prop_map(|(a, b)| Flag::Or(a, b)),
            1 => (boxed.clone(), boxed.clone()).prop_map(|(a, b)| Flag::Equal(a, b)),
            1 => boxed.clone().prop_map(Flag::Not),
            1 => (boxed.clone(), boxed.clone(), boxed).prop_map(|(a, b, c)| Flag::If(a, b, c)),
        ]
    })
}

/// The only verdict that the checker says there is.
fn constant(raise: &str) -> Option<Truth> {
    let said = rule(raise, "expression").err()?;
    let of = |word: &str| said.contains(&format!("raise() is always {word}"));
    let all = [
        ("true", Truth::True),
        ("false", Truth::False),
        ("unknown", Truth::Unknown),
    ];
    let found = all.into_iter().find(|(word, _)| of(word));
    found.map(|(_, truth)| truth)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_500))]

    // A verdict refused as constant is that, or unknown, on every row.
    #[test]
    fn a_constant_verdict_is_constant(
        generated in prop_oneof![4 => crowded(), 1 => flag(true)],
        rows in prop::collection::vec(prop_oneof![known_row(), any_row()], 40),
    ) {
        let raise = write_flag(&generated);
        if let Some(only) = constant(&raise) {
            for row in &rows {
                let slow = truth(slow_flag(&generated, row));
                prop_assert!(slow == only || slow == Truth::Unknown, "{} {:?}", raise, row);
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    // On known rows a program says what the engine says, wherever the engine gets to an end.
    #[test]
    fn program_and_engine_agree_on_known_rows(
        generated in flag(false),
        rows in prop::collection::vec(known_row(), 8),
    ) {
        let raise = write_flag(&generated);
        if let Some(program) = expression(&raise) {
            let script = rule(&raise, "script").unwrap();
            for row in &rows {
                // The engine stops at a whole number modulo zero; the program calls it unknown.
                let Ok(engine) = script.raise.judge(&seen(row)) else { continue };
                if engine != Truth::Unknown {
                    prop_assert_eq!(program.raise.judge(&seen(row)), Ok(engine), "{} {:?}", raise, row);
                }
            }
        }
    }

    // On any row a program says what the slow evaluator says.
    #[test]
    fn program_is_the_slow_evaluator(
        generated in flag(true),
        rows in prop::collection::vec(any_row(), 8),
    ) {
        let raise = write_flag(&generated);
        if let Some(program) = expression(&raise) {
            for row in &rows {
                let slow = truth(slow_flag(&generated, row));
                prop_assert_eq!(program.raise.judge(&seen(row)), Ok(slow), "{} {:?}", raise, row);
            }
        }
    }

    // More knowledge never turns a known verdict: Kleene's logic is monotone (without known()).
    #[test]
    fn learning_an_input_never_turns_a_verdict(
        generated in flag(false),
        row in known_row(),
        hidden in 0_usize..4,
    ) {
        if let Some(program) = expression(&write_flag(&generated)) {
            let full = seen(&row);
            let mut part = full;
            part[hidden] = Seen::Unknown;
            let before = program.raise.judge(&part).unwrap();
            if before != Truth::Unknown {
                prop_assert_eq!(program.raise.judge(&full), Ok(before));
            }
        }
    }

    // De Morgan: not (a and b) is (not a) or (not b), unknown included.
    #[test]
    fn de_morgan(a in flag(false), b in flag(false), row in any_row()) {
        let (a, b) = (write_flag(&a), write_flag(&b));
        let left = expression(&format!("!({a} && {b})"));
        let right = expression(&format!("!({a}) || !({b})"));
        if let (Some(left), Some(right)) = (left, right) {
            prop_assert_eq!(left.raise.judge(&seen(&row)), right.raise.judge(&seen(&row)));
        }
    }
}

// Kleene's strong tables, from memory of "Introduction to Metamathematics" (1952), section 64.
#[test]
fn kleene_s_tables() {
    let (t, f, u) = (Some(true), Some(false), None);
    let and = expression("seen.on && seen.lead").unwrap();
    let or = expression("seen.on || seen.lead").unwrap();
    let not = expression("!seen.on").unwrap();
    for (a, b, both, either) in [
        (t, t, t, t),
        (t, f, f, t),
        (t, u, u, t),
        (f, t, f, t),
        (f, f, f, f),
        (f, u, f, u),
        (u, t, u, t),
        (u, f, f, u),
        (u, u, u, u),
    ] {
        let row = seen(&(None, None, a, b));
        assert_eq!(and.raise.judge(&row), Ok(truth(both)), "{a:?} and {b:?}");
        assert_eq!(or.raise.judge(&row), Ok(truth(either)), "{a:?} or {b:?}");
        assert_eq!(not.raise.judge(&row), Ok(truth(a.map(|flag| !flag))));
    }
}
