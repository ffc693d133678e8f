//! From text to our own tree: the one file that walks the script engine's syntax tree.
//!
//! Rhai parses; this module copies what it parsed into [`Tree`], whose shape is ours and stays when
//! the engine's internals change. What the expression dialect does not have becomes
//! [`Kind::Refused`] with its mend, so that later passes can go on and report more.

use crate::problem::{Findings, Place, one_of};
use rhai::{
    ASTFlags, ASTNode, Engine, Expr, LexError, OptimizationLevel, ParseErrorType, Position, Stmt,
    StmtBlock, Token,
};
use std::sync::LazyLock;

/// Longest rule text that is read, in bytes: kept as one record, with what `about()` says.
pub(crate) const MAX_SOURCE_BYTES: usize = 32 * 1024;
/// Deepest nesting that is read.
pub(crate) const MAX_DEPTH: usize = 48;
/// Most functions in one rule.
pub(crate) const MAX_FUNCTIONS: usize = 64;
/// Whole numbers up to here are exact as floating-point numbers: 2^53.
pub(crate) const MAX_WHOLE: f64 = 9_007_199_254_740_992.0;

/// One rule's functions.
pub(crate) struct Tree {
    pub functions: Vec<Function>,
}

pub(crate) struct Function {
    pub name: String,
    pub params: Vec<String>,
    pub place: Place,
    pub end: Place,
    pub body: Block,
}

pub(crate) struct Block {
    pub place: Place,
    pub steps: Vec<Step>,
}

pub(crate) enum Step {
    Let {
        name: String,
        place: Place,
        value: Node,
    },
    Return(Option<Node>, Place),
    Value(Node),
}

pub(crate) struct Node {
    pub place: Place,
    pub kind: Kind,
}

pub(crate) enum Kind {
    Number { value: f64, whole: bool },
    Flag(bool),
    Text(String),
    Map(Vec<(String, Place, Node)>),
    List(Vec<Node>),
    Name(String),
    Field(Box<Node>, String),
    Unary(Unary, Box<Node>),
    Binary(Binary, Box<(Node, Node)>),
    And(Vec<Node>),
    Or(Vec<Node>),
    If(Box<(Node, Block, Option<Block>)>),
    Call(String, Vec<Node>),
    Block(Block),
    Refused(Refused),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Unary {
    Minus,
    Plus,
    Not,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Binary {
    Add,
    Subtract,
    Multiply,
    Divide,
    Remainder,
    Power,
    Less,
    LessOrEqual,
    Greater,
    GreaterOrEqual,
    Equal,
    NotEqual,
}

impl Binary {
    const ALL: [(Self, &'static str); 12] = [
        (Self::Add, "+"),
        (Self::Subtract, "-"),
        (Self::Multiply, "*"),
        (Self::Divide, "/"),
        (Self::Remainder, "%"),
        (Self::Power, "**"),
        (Self::Less, "<"),
        (Self::LessOrEqual, "<="),
        (Self::Greater, ">"),
        (Self::GreaterOrEqual, ">="),
        (Self::Equal, "=="),
        (Self::NotEqual, "!="),
    ];

    pub fn symbol(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(operator, _)| *operator == self)
            .map_or("", |(_, symbol)| symbol)
    }

    pub fn compares(self) -> bool {
        matches!(
            self,
            Self::Less
                | Self::LessOrEqual
                | Self::Greater
                | Self::GreaterOrEqual
                | Self::Equal
                | Self::NotEqual
        )
    }

    fn of(symbol: &str) -> Option<Self> {
        Self::ALL
            .iter()
            .find(|(_, own)| *own == symbol)
            .map(|(operator, _)| *operator)
    }
}

/// A construct that the expression dialect does not have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Refused {
    pub what: &'static str,
    pub mend: &'static str,
}

const fn refused(what: &'static str, mend: &'static str) -> Kind {
    Kind::Refused(Refused { what, mend })
}

/// Functions that hide a call from the checker; refused in every dialect.
pub(crate) const HIDDEN_CALLS: [&str; 6] =
    ["eval", "Fn", "call", "curry", "is_def_fn", "is_def_var"];

static READER: LazyLock<Engine> = LazyLock::new(|| {
    let mut engine = Engine::new_raw();
    // The default level folds dead branches away before they could be checked.
    engine.set_optimization_level(OptimizationLevel::None);
    engine.set_max_expr_depths(MAX_DEPTH, MAX_DEPTH);
    engine.set_max_functions(MAX_FUNCTIONS);
    engine.set_max_strings_interned(256);
    engine.set_max_string_size(4_096);
    engine.set_max_array_size(1_024);
    engine.set_max_map_size(256);
    engine
});

/// Parses a rule; `None` when the text cannot be read at all, which is then in `findings`.
pub(crate) fn read(source: &str, findings: &mut Findings) -> Option<Tree> {
    if source.len() > MAX_SOURCE_BYTES {
        findings.refuse(
            Place::START,
            format!("the file has {} bytes", source.len()),
            format!("a rule has at most {MAX_SOURCE_BYTES}"),
            "split it into several rules",
        );
        return None;
    }
    let (ast, twice) = parse(source, findings)?;
    if let Some(stray) = ast.statements().first() {
        findings.refuse(
            place(stray.position()).unwrap_or(Place::START),
            "a statement outside of any function",
            "a rule is a set of functions, and nothing runs between them",
            "move it into a function",
        );
    }
    let mut functions = empty_functions(&ast, findings);
    ast.walk(&mut |path: &[ASTNode]| {
        if let [ASTNode::Stmt(stmt)] = path {
            let at = place(stmt.position());
            if let Some(function) = innermost(&mut functions, at) {
                let made = step(stmt, function.place);
                function.body.steps.push(made);
            }
        }
        true
    });
    functions.retain(|function| !function.name.starts_with(CLOSURE));
    for function in &mut functions {
        for step in &mut function.body.steps {
            if let Step::Value(node) | Step::Return(Some(node), _) = step {
                take_out(node, &twice);
            }
        }
    }
    ast.walk(&mut |path: &[ASTNode]| {
        if let Some((name, at)) = hidden_call(path) {
            findings.refuse(
                place(at).unwrap_or(Place::START),
                format!("{name}() is not allowed"),
                "it hides a call from the checker",
                "call the function by its name",
            );
        }
        true
    });
    Some(Tree { functions })
}

/// Most names given twice that are told of at once.
const MOST_TWICE: usize = 32;

/// The engine's tree, with the names put in place of those that a map gives twice.
///
/// The engine stops at such a name, so each is told of and read again under one that nothing has.
fn parse(source: &str, findings: &mut Findings) -> Option<(rhai::AST, Vec<String>)> {
    let mut text = source.to_owned();
    let mut twice = Vec::new();
    loop {
        let error = match READER.compile(&text) {
            Ok(ast) => return Some((ast, twice)),
            Err(error) => error,
        };
        refuse_parse_error(source, error.err_type(), error.position(), findings);
        let ParseErrorType::DuplicatedProperty(name) = error.err_type() else {
            return None;
        };
        let stand_in = stand_in(&text, name).filter(|_| twice.len() < MOST_TWICE)?;
        let at = offset(&text, place(error.position())?)?;
        let found = at + text[at..].find(name.as_str())?;
        text.replace_range(found..found + name.len(), &stand_in);
        twice.push(stand_in);
    }
}

/// A name as long as this one that the text does not have.
fn stand_in(text: &str, name: &str) -> Option<String> {
    ('a'..='z')
        .chain('A'..='Z')
        .map(|letter| letter.to_string().repeat(name.len()))
        .find(|made| !text.contains(made.as_str()))
}

/// Where a place is, in bytes.
fn offset(text: &str, at: Place) -> Option<usize> {
    let line_start: usize = text
        .split_inclusive('\n')
        .take(at.line - 1)
        .map(str::len)
        .sum();
    let line = text.get(line_start..)?;
    let (column, _) = line.char_indices().nth(at.column - 1)?;
    Some(line_start + column)
}

/// Takes the entries of these names out of every map.
fn take_out(node: &mut Node, names: &[String]) {
    if names.is_empty() {
        return;
    }
    match &mut node.kind {
        Kind::Map(entries) => {
            entries.retain(|(name, _, _)| !names.contains(name));
            for (_, _, value) in entries {
                take_out(value, names);
            }
        }
        Kind::List(nodes) | Kind::Call(_, nodes) => {
            for node in nodes {
                take_out(node, names);
            }
        }
        _ => {}
    }
}

/// What the engine calls a closure's function.
const CLOSURE: &str = "anon$";

/// The functions without their bodies.
///
/// The engine does not export the type of a body, only its span and a walk over all statements, so
/// the walk that follows puts each statement into the function whose span holds it.
fn empty_functions(ast: &rhai::AST, findings: &mut Findings) -> Vec<Function> {
    let mut functions: Vec<Function> = ast
        .shared_lib()
        .iter_script_fn_info()
        .map(|(_, _, _, _, definition)| {
            let start = place(definition.body.start_position()).unwrap_or(Place::START);
            if definition.name.starts_with(CLOSURE) {
                findings.refuse(
                    start,
                    "a closure",
                    "a closure hides a call from the checker",
                    "write a function of its own with fn",
                );
            } else if definition.this_type.is_some() {
                findings.refuse(
                    start,
                    format!("{} is a method of a type", definition.name),
                    "a rule's functions take what they need as arguments",
                    format!("write fn {}(seen) {{ .. }}", definition.name),
                );
            }
            Function {
                name: definition.name.to_string(),
                params: definition.params.iter().map(ToString::to_string).collect(),
                place: start,
                end: place(definition.body.end_position()).unwrap_or(start),
                body: Block {
                    place: start,
                    steps: Vec::new(),
                },
            }
        })
        .collect();
    functions.sort_by_key(|function| function.place);
    functions
}

/// The last function that begins before `at` and does not end before it.
fn innermost(functions: &mut [Function], at: Option<Place>) -> Option<&mut Function> {
    let at = at?;
    functions
        .iter_mut()
        .rev()
        .find(|function| function.place <= at && at <= function.end)
}

fn hidden_call<'a>(path: &[ASTNode<'a>]) -> Option<(&'a str, Position)> {
    let (call, at) = match path.last()? {
        ASTNode::Expr(Expr::FnCall(call, at) | Expr::MethodCall(call, at))
        | ASTNode::Stmt(Stmt::FnCall(call, at)) => (call, *at),
        _ => return None,
    };
    HIDDEN_CALLS
        .contains(&call.name.as_str())
        .then_some((call.name.as_str(), at))
}

fn refuse_parse_error(
    source: &str,
    error: &ParseErrorType,
    position: Position,
    findings: &mut Findings,
) {
    let end = || Place {
        line: source.lines().count().max(1),
        column: source.lines().last().map_or(0, |line| line.chars().count()) + 1,
    };
    let at = place(position).unwrap_or_else(end);
    let mend = match error {
        _ if at >= end() => "close every brace and parenthesis".to_owned(),
        ParseErrorType::MissingToken(token, _) if token == "," => {
            "put , here; or, where a text should stand, put it in double quotes, and no such quote in it"
                .to_owned()
        }
        ParseErrorType::MissingToken(token, _) => format!("put {token} here"),
        ParseErrorType::DuplicatedProperty(name) => format!("keep one {name}"),
        ParseErrorType::FnDuplicatedDefinition(name, _) => format!("keep one fn {name}"),
        ParseErrorType::Reserved(word) if matches!(word.as_str(), "import" | "export") => {
            "take it away: a rule reaches no other file and is reached by none".to_owned()
        }
        ParseErrorType::Reserved(word) => format!("choose another word than {word}"),
        ParseErrorType::BadInput(LexError::MalformedChar(_)) => {
            "write texts in double quotes, such as \"5 min\"".to_owned()
        }
        ParseErrorType::BadInput(LexError::UnterminatedString) => {
            "close the text with a double quote on its line".to_owned()
        }
        ParseErrorType::BadInput(LexError::UnexpectedInput(text))
            if text.starts_with(['\u{201c}', '\u{201d}', '\u{201e}', '\u{2018}', '\u{2019}']) =>
        {
            "write texts in straight double quotes, such as \"5 min\"".to_owned()
        }
        ParseErrorType::BadInput(LexError::UnexpectedInput(text)) if !text.is_ascii() => {
            "write names with ASCII letters, digits and _, a letter first; other text goes in \
             quotes"
                .to_owned()
        }
        ParseErrorType::ExprTooDeep => {
            "name parts of the expression with let, or split it into functions".to_owned()
        }
        ParseErrorType::TooManyFunctions => {
            format!("a rule has at most {MAX_FUNCTIONS} functions: split it")
        }
        ParseErrorType::LiteralTooLarge(_, most) => format!("at most {most} are read: shorten it"),
        _ => "mend the text here or just before".to_owned(),
    };
    let why = match error {
        ParseErrorType::DuplicatedProperty(_) => "a map has one value for each name",
        _ => "the text cannot be read past this place",
    };
    findings.refuse(at, error.to_string(), why, mend);
}

pub(crate) fn place(position: Position) -> Option<Place> {
    Some(Place {
        line: position.line()?,
        column: position.position().unwrap_or(1),
    })
}

fn block(block: &StmtBlock, near: Place) -> Block {
    let at = place(block.position()).unwrap_or(near);
    Block {
        place: at,
        steps: block.iter().map(|stmt| step(stmt, at)).collect(),
    }
}

fn step(stmt: &Stmt, near: Place) -> Step {
    let at = place(stmt.position()).unwrap_or(near);
    let kind = match stmt {
        Stmt::Var(var, flags, _) if !flags.contains(ASTFlags::EXPORTED) => {
            return Step::Let {
                name: var.0.name.to_string(),
                place: at,
                value: node(&var.1, at),
            };
        }
        Stmt::Return(value, flags, _) if !flags.contains(ASTFlags::BREAK) => {
            return Step::Return(value.as_ref().map(|value| node(value, at)), at);
        }
        Stmt::Expr(expr) => return Step::Value(node(expr, at)),
        Stmt::If(flow, _) => Kind::If(Box::new((
            node(&flow.expr, at),
            block(&flow.body, at),
            (!flow.branch.is_empty()).then(|| block(&flow.branch, at)),
        ))),
        Stmt::FnCall(call, _) => call_kind(call, at),
        Stmt::Block(inner) => Kind::Block(block(inner, at)),
        Stmt::Noop(_) => refused("an empty statement", "take the lone semicolon away"),
        Stmt::While(..) | Stmt::Do(..) | Stmt::For(..) | Stmt::BreakLoop(..) => refused(
            "a loop",
            "let a window do it (mean, max, time_above ...), or say judge: \"script\" in about()",
        ),
        Stmt::Switch(..) => refused("switch", "write if .. else if .. else"),
        Stmt::Assignment(_) => refused(
            "an assignment",
            "give each value a name of its own with let, and choose between values with if",
        ),
        Stmt::Return(..) => refused("throw", "return false, or let the value be unknown"),
        Stmt::TryCatch(..) => refused("try", "nothing here throws: take it away"),
        _ => refused("this statement", "use let, if and expressions only"),
    };
    Step::Value(Node { place: at, kind })
}

fn node(expr: &Expr, near: Place) -> Node {
    let at = place(expr.position()).unwrap_or(near);
    let many = |exprs: &[Expr]| exprs.iter().map(|expr| node(expr, at)).collect();
    let kind = match expr {
        Expr::BoolConstant(flag, _) => Kind::Flag(*flag),
        Expr::IntegerConstant(whole, _) => whole_number(*whole),
        Expr::FloatConstant(float, _) => {
            let value = **float;
            if value.is_finite() {
                Kind::Number {
                    value,
                    whole: false,
                }
            } else {
                refused("a number too large to hold", "write a smaller number")
            }
        }
        Expr::StringConstant(text, _) => Kind::Text(text.to_string()),
        Expr::CharConstant(letter, _) => Kind::Text(letter.to_string()),
        Expr::Array(items, _) => Kind::List(many(items)),
        Expr::Map(map, _) => Kind::Map(
            map.0
                .iter()
                .map(|(key, value)| {
                    let key_place = place(key.pos).unwrap_or(at);
                    (key.name.to_string(), key_place, node(value, key_place))
                })
                .collect(),
        ),
        Expr::Variable(variable, _, _) => Kind::Name(variable.1.to_string()),
        Expr::Dot(pair, flags, _) => match &pair.rhs {
            Expr::Property(property, property_at) if !flags.contains(ASTFlags::NEGATED) => {
                return Node {
                    place: place(*property_at).unwrap_or(at),
                    kind: Kind::Field(Box::new(node(&pair.lhs, at)), property.2.to_string()),
                };
            }
            Expr::Property(..) => refused("?.", "write a plain dot: seen.name"),
            Expr::MethodCall(call, call_at) => {
                // x.f(a) is f(x, a): one way to write it keeps rules alike.
                return Node {
                    place: place(*call_at).unwrap_or(at),
                    kind: if HIDDEN_CALLS.contains(&call.name.as_str()) {
                        Kind::Call(call.name.to_string(), Vec::new())
                    } else {
                        refused("a method call", "write f(x) instead of x.f()")
                    },
                };
            }
            _ => refused("a longer path", "an input is seen.name and has no parts"),
        },
        Expr::Index(..) => refused("indexing", "write seen.name"),
        Expr::And(sides, _) => Kind::And(many(sides)),
        Expr::Or(sides, _) => Kind::Or(many(sides)),
        Expr::Coalesce(..) => refused("??", "write if known(seen.x) { .. } else { .. }"),
        Expr::FnCall(call, _) => call_kind(call, at),
        Expr::Stmt(inner) => return inner_block(inner, at),
        Expr::InterpolatedString(..) => refused("a text with ${..}", "write plain text in quotes"),
        // A closure; said already where its function was found.
        Expr::DynamicConstant(value, _) if value.is_fnptr() => {
            Kind::Call(HIDDEN_CALLS[1].to_owned(), Vec::new())
        }
        Expr::ThisPtr(_) => refused("this", "take seen as an argument"),
        Expr::Unit(_) => refused("nothing", "give a value"),
        _ => refused(
            "this expression",
            "use numbers, seen.name, operators and functions",
        ),
    };
    Node { place: at, kind }
}

/// A block used as a value; one that only holds an `if` is that `if`.
fn inner_block(inner: &StmtBlock, at: Place) -> Node {
    let mut made = block(inner, at);
    if let [
        Step::Value(Node {
            kind: Kind::If(_), ..
        }),
    ] = made.steps.as_slice()
        && let Some(Step::Value(only)) = made.steps.pop()
    {
        return only;
    }
    Node {
        place: at,
        kind: Kind::Block(made),
    }
}

fn whole_number(whole: i64) -> Kind {
    let value = whole as f64;
    if value.abs() < MAX_WHOLE {
        Kind::Number { value, whole: true }
    } else {
        refused(
            "a whole number beyond 2^53",
            "write it with a decimal point, such as 1.0e16",
        )
    }
}

fn call_kind(call: &rhai::FnCallExpr, at: Place) -> Kind {
    let mut args: Vec<Node> = call.args.iter().map(|arg| node(arg, at)).collect();
    let Some(token) = &call.op_token else {
        if call.capture_parent_scope {
            return refused("f!(..)", "write f(..)");
        }
        if call.name == "contains" {
            return refused("in", "compare with == and ||");
        }
        return Kind::Call(call.name.to_string(), args);
    };
    let second = args.pop();
    match (args.pop(), second) {
        (None, Some(only)) => match token {
            Token::Minus | Token::UnaryMinus => Kind::Unary(Unary::Minus, Box::new(only)),
            Token::Plus | Token::UnaryPlus => Kind::Unary(Unary::Plus, Box::new(only)),
            Token::Bang => Kind::Unary(Unary::Not, Box::new(only)),
            _ => refused("this operator", "use -, + or !"),
        },
        (Some(left), Some(right)) => match Binary::of(&call.name) {
            Some(operator) => Kind::Binary(operator, Box::new((left, right))),
            None => match call.name.as_str() {
                "&" => refused("&", "write &&"),
                "|" => refused("|", "write ||"),
                "^" => refused("^", "write != between flags, ** for a power"),
                ".." | "..=" => refused("a range", "compare twice: x >= a && x <= b"),
                _ => refused("this operator", "use + - * / % ** < <= > >= == != && || !"),
            },
        },
        _ => refused("an operator without sides", "write both sides"),
    }
}

/// The words for a node's kind in messages.
pub(crate) fn kind_words(kind: &Kind) -> &'static str {
    match kind {
        Kind::Number { .. } => "a number",
        Kind::Flag(_) => "true or false",
        Kind::Text(_) => "a text",
        Kind::Map(_) => "a map",
        Kind::List(_) => "a list",
        _ => "an expression",
    }
}

/// What one function of a script reads and calls.
#[derive(Clone, Debug)]
pub(crate) struct FunctionReads {
    name: String,
    start: Position,
    place: Option<Place>,
    end: Option<Place>,
    params: Vec<String>,
    /// With their places.
    fields: Vec<(String, Place)>,
    calls: Vec<String>,
    /// An argument is used in a way that may reach any input.
    whole: bool,
}

impl FunctionReads {
    fn read(&mut self, field: &str, at: Position) {
        let at = place(at).or(self.place).unwrap_or(Place::START);
        self.fields.push((field.to_owned(), at));
    }

    /// What it reads of its argument, with the places.
    pub fn fields(&self, function: &str) -> &[(String, Place)] {
        if self.name == function {
            &self.fields
        } else {
            &[]
        }
    }
}

/// What each function of a script reads as `<argument>.<field>`, and which others it calls.
pub(crate) fn reads_by_function(ast: &rhai::AST) -> Vec<FunctionReads> {
    let mut functions: Vec<FunctionReads> = ast
        .shared_lib()
        .iter_script_fn_info()
        .map(|(_, _, _, _, definition)| FunctionReads {
            name: definition.name.to_string(),
            start: definition.body.start_position(),
            place: place(definition.body.start_position()),
            end: place(definition.body.end_position()),
            params: definition.params.iter().map(ToString::to_string).collect(),
            fields: Vec::new(),
            calls: Vec::new(),
            whole: false,
        })
        .collect();
    ast.walk(&mut |path: &[ASTNode]| {
        let Some(ASTNode::Stmt(top)) = path.first() else {
            return true;
        };
        let at = place(top.position());
        let Some(function) = functions
            .iter_mut()
            .find(|function| function.place <= at && at <= function.end)
        else {
            return true;
        };
        match path {
            [
                ..,
                ASTNode::Expr(Expr::FnCall(call, _) | Expr::MethodCall(call, _))
                | ASTNode::Stmt(Stmt::FnCall(call, _)),
            ] => {
                function.calls.push(call.name.to_string());
            }
            [.., parent, ASTNode::Expr(Expr::Variable(variable, ..))]
                if function
                    .params
                    .iter()
                    .any(|param| variable.1 == param.as_str()) =>
            {
                match parent {
                    ASTNode::Expr(Expr::Dot(pair, ..)) => match &pair.rhs {
                        Expr::Property(property, at) => {
                            function.read(&property.2, *at);
                        }
                        Expr::Dot(inner, ..) => match &inner.lhs {
                            Expr::Property(property, at) => function.read(&property.2, *at),
                            _ => function.whole = true,
                        },
                        _ => function.whole = true,
                    },
                    ASTNode::Expr(Expr::FnCall(..)) | ASTNode::Stmt(Stmt::FnCall(..)) => {}
                    _ => function.whole = true,
                }
            }
            _ => {}
        }
        true
    });
    functions
}

/// Where a function's body begins.
pub(crate) fn start_of(functions: &[FunctionReads], name: &str) -> Position {
    let found = functions.iter().find(|function| function.name == name);
    found.map_or(Position::NONE, |function| function.start)
}

/// The fields that a function and all it calls read; `None` when that may be any.
pub(crate) fn fields_reached(functions: &[FunctionReads], start: &str) -> Option<Vec<String>> {
    let mut fields = Vec::new();
    let mut done: Vec<&str> = Vec::new();
    let mut open: Vec<&str> = vec![start];
    while let Some(name) = open.pop() {
        if done.contains(&name) {
            continue;
        }
        done.push(name);
        for function in functions.iter().filter(|function| function.name == name) {
            if function.whole {
                return None;
            }
            fields.extend(function.fields.iter().map(|(field, _)| field.clone()));
            open.extend(function.calls.iter().map(String::as_str));
        }
    }
    Some(fields)
}

/// For messages: the operators of the dialect.
pub(crate) fn operator_words() -> String {
    one_of(Binary::ALL.iter().map(|(_, symbol)| *symbol))
}
