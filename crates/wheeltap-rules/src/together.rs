//! Verdicts of one rule that leave each other no room.

use crate::outcomes::{Domain, Outcomes, outcomes};
use crate::problem::{Findings, Place};
use crate::program::{Builder, Op, Program, Reg};
use crate::syntax::Tree;

/// Looks at `tested`, `raise`, `clear` and `suppress`, those that there are, with each other.
pub(crate) fn check(
    tree: &Tree,
    programs: &[Option<Program>; 4],
    inputs: &[Domain],
    findings: &mut Findings,
) {
    let place = |name: &str| {
        let function = tree.functions.iter().find(|own| own.name == name);
        function.map_or(Place::START, |function| function.place)
    };
    let [tested, Some(raise), clear, suppress] = programs else {
        return;
    };
    let ask = |make: &dyn Fn(&mut Pair) -> Reg| {
        let mut pair = Pair::new(tested.as_ref(), raise);
        let asked = make(&mut pair);
        pair.outcomes(asked, inputs)
    };
    let rings = |pair: &mut Pair| pair.builder.push(Op::And(pair.tested, pair.raise));
    if !ask(&rings).yes {
        findings.refuse(
            place("raise"),
            "raise() is never true while tested() is",
            "raise() counts only while tested() is true, so the rule would never ring",
            "let tested() hold where the condition can show itself",
        );
        return;
    }
    if let Some(suppress) = suppress {
        let told = |pair: &mut Pair| {
            let rings = rings(pair);
            let quiet = pair.surely(suppress);
            pair.and_not(rings, quiet)
        };
        if !ask(&told).yes {
            findings.warn(
                place("suppress"),
                "suppress() is true wherever raise() is",
                "every alert of the rule would be suppressed by design",
                "let suppress() hold only where the operating state explains the condition",
            );
        }
    }
    let Some(clear) = clear else { return };
    let ends = |pair: &mut Pair| {
        let clear = pair.builder.append(clear);
        let clear = pair.builder.push(Op::And(pair.tested, clear));
        let standing = pair.surely(raise);
        pair.and_not(clear, standing)
    };
    if !ask(&ends).yes {
        findings.refuse(
            place("clear"),
            "clear() is true only while raise() is",
            "clear() counts only where raise() is not true, so an alert would never end",
            "let clear() hold where the condition is over",
        );
        return;
    }
    let begun = |pair: &mut Pair| {
        let rings = rings(pair);
        let known = pair.builder.push(Op::Known(rings));
        let rings = pair.builder.push(Op::And(known, rings));
        let over = pair.surely(clear);
        pair.and_not(rings, over)
    };
    if !ask(&begun).yes {
        findings.warn(
            place("clear"),
            "clear() is true wherever raise() is",
            "clear() counts only where raise() is not true, so the alert ends close to where it began \
             and goes on standing farther away",
            "let clear() hold where the condition is over: seen.x < 90.0 to raise() with seen.x > 100.0",
        );
        return;
    }
    let kept = |pair: &mut Pair| {
        let clear = pair.builder.append(clear);
        let open = pair.builder.push(Op::Or(pair.raise, clear));
        let open = pair.builder.push(Op::Not(open));
        pair.builder.push(Op::And(pair.tested, open))
    };
    if !ask(&kept).yes {
        findings.warn(
            place("clear"),
            "clear() keeps nothing standing",
            "it is true wherever raise() is false, so there is no deadband and the alert ends as \
             soon as raise() does",
            "let clear() ask for more than that raise() is false, or leave it out",
        );
    }
}

/// `tested` and `raise` of one rule in one program.
struct Pair {
    builder: Builder,
    tested: Reg,
    raise: Reg,
}

impl Pair {
    fn new(tested: Option<&Program>, raise: &Program) -> Self {
        let mut builder = Builder::default();
        let tested = match tested {
            Some(tested) => builder.append(tested),
            None => builder.push(Op::Const(1.0)),
        };
        let raise = builder.append(raise);
        Self {
            builder,
            tested,
            raise,
        }
    }

    /// Whether this verdict is known to be true; itself known always.
    fn surely(&mut self, verdict: &Program) -> Reg {
        let reg = self.builder.append(verdict);
        let known = self.builder.push(Op::Known(reg));
        self.builder.push(Op::And(known, reg))
    }

    fn and_not(&mut self, a: Reg, b: Reg) -> Reg {
        let not = self.builder.push(Op::Not(b));
        self.builder.push(Op::And(a, not))
    }

    /// Together they may be too large to ask, which leaves everything possible.
    fn outcomes(&self, asked: Reg, inputs: &[Domain]) -> Outcomes {
        if self.builder.overflowed() {
            return Outcomes::ALL;
        }
        let program = self.builder.finish(asked);
        outcomes(program.ops(), program.result(), inputs)
    }
}
