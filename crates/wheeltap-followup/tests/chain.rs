//! The promise: a sheet's minutes are the longest chain of work by craft above and below, not the sum; no
//! plan is shorter, and every plan can be worked.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use proptest::prelude::*;
use wheeltap_followup::sheet::{Chain, fitting, shortest};
use wheeltap_model::{Crew, Side, Step};

fn step(craft: &str, side: Side, minutes: u32) -> Step {
    Step {
        craft: craft.to_owned(),
        side,
        minutes,
        alone: false,
    }
}

fn crew(craft: &str, side: Side, crews: u32) -> Crew {
    Crew {
        craft: craft.to_owned(),
        side,
        crews,
    }
}

fn yard() -> Vec<Crew> {
    vec![
        crew("machinist", Side::Above, 1),
        crew("machinist", Side::Below, 1),
        crew("electrician", Side::Above, 1),
    ]
}

fn slices(tasks: &[Vec<Step>]) -> Vec<&[Step]> {
    tasks.iter().map(Vec::as_slice).collect()
}

// By hand: machinist above 35 + 8 = 43, machinist below 25 + 15 = 40, electrician above 20. The sum is 103.
#[test]
fn crews_work_side_by_side() {
    use Side::{Above, Below};
    let tasks = [
        vec![step("machinist", Above, 35)],
        vec![step("machinist", Below, 25)],
        vec![step("electrician", Above, 20)],
        vec![step("machinist", Above, 8)],
        vec![step("machinist", Below, 15)],
    ];
    let chain = shortest(&slices(&tasks), &yard()).unwrap();
    assert_eq!(chain.minutes, 43);
    assert_eq!(chain.longest, [(0, 0), (3, 0)]);
    assert!(chain.is_shortest);
}

// By hand: the electrician must be done (15) before the machinist tests below (20), who meanwhile does the
// other job (18): 15 + 3 of waiting is no waiting, 18 + 20 = 38.
#[test]
fn a_step_waits_for_the_one_before_and_for_its_crew() {
    use Side::{Above, Below};
    let tasks = [
        vec![step("electrician", Above, 15), step("machinist", Below, 20)],
        vec![step("machinist", Below, 18)],
    ];
    let chain = shortest(&slices(&tasks), &yard()).unwrap();
    assert_eq!(chain.minutes, 38);
    assert_eq!(chain.longest, [(1, 0), (0, 1)]);
    // By hand: with a second machinist below nobody waits: 15 + 20.
    let more = [yard(), vec![crew("machinist", Below, 1)]].concat();
    assert_eq!(shortest(&slices(&tasks), &more).unwrap().minutes, 35);
}

// By hand: while the engine runs for its test (8) nobody else works: 30 above beside 12 below, then 8.
#[test]
fn a_step_done_alone_waits_for_everybody() {
    use Side::{Above, Below};
    let test_run = Step {
        alone: true,
        ..step("machinist", Above, 8)
    };
    let tasks = [
        vec![step("machinist", Above, 20), test_run],
        vec![step("electrician", Above, 30)],
        vec![step("machinist", Below, 12)],
    ];
    let chain = shortest(&slices(&tasks), &yard()).unwrap();
    assert_eq!(chain.minutes, 38);
    assert_eq!(chain.longest, [(1, 0), (0, 1)]);
}

#[test]
fn what_does_not_fit_leaves_its_room_to_what_comes_after() {
    use Side::Above;
    let tasks = [
        vec![step("machinist", Above, 30)],
        vec![step("machinist", Above, 40)],
        vec![step("machinist", Above, 25)],
    ];
    let (fits, chain) = fitting(&slices(&tasks), &yard(), 55).unwrap();
    assert_eq!(fits, [true, false, true]);
    assert_eq!(chain.minutes, 55);
    assert_eq!(chain.longest, [(0, 0), (2, 0)], "places among all tasks");
    let (fits, chain) = fitting(&slices(&tasks), &yard(), 10).unwrap();
    assert_eq!((fits, chain.minutes), (vec![false; 3], 0));
}

#[test]
fn a_crew_that_is_not_there_is_named() {
    let tasks = [
        vec![step("machinist", Side::Above, 5)],
        vec![
            step("machinist", Side::Above, 5),
            step("electrician", Side::Below, 5),
        ],
    ];
    let error = shortest(&slices(&tasks), &yard()).unwrap_err();
    assert_eq!(error.task, 1);
    assert_eq!(error.to_string(), "no electrician works below here");
}

/// A placed step: task, step, from, to.
type Placed = (usize, usize, u32, u32);

fn crews_of(step: &Step, crews: &[Crew]) -> usize {
    let same = crews
        .iter()
        .filter(|crew| crew.craft == step.craft && crew.side == step.side);
    same.map(|crew| crew.crews as usize).sum()
}

/// Whether a step may be worked in these minutes beside what is placed.
fn may_work(
    step: &Step,
    from: u32,
    placed: &[Placed],
    tasks: &[Vec<Step>],
    crews: &[Crew],
) -> bool {
    (from..from + step.minutes).all(|minute| {
        let busy: Vec<&Step> = placed
            .iter()
            .filter(|(_, _, from, to)| (*from..*to).contains(&minute))
            .map(|(task, step, _, _)| &tasks[*task][*step])
            .collect();
        if step.alone {
            return busy.is_empty();
        }
        let same = busy
            .iter()
            .filter(|other| other.craft == step.craft && other.side == step.side);
        same.count() < crews_of(step, crews) && !busy.iter().any(|other| other.alone)
    })
}

/// The shortest of all plans: every order of steps, each put into the first gap in which it can be worked.
fn every_plan(
    tasks: &[Vec<Step>],
    crews: &[Crew],
    done: &mut Vec<usize>,
    placed: &mut Vec<Placed>,
) -> u32 {
    let mut best = u32::MAX;
    for task in 0..tasks.len() {
        let Some(step) = tasks[task].get(done[task]) else {
            continue;
        };
        let ready = placed
            .iter()
            .filter(|(of, _, _, _)| *of == task)
            .map(|(_, _, _, to)| *to)
            .max();
        let from = (ready.unwrap_or(0)..1_000)
            .find(|from| may_work(step, *from, placed, tasks, crews))
            .unwrap();
        placed.push((task, done[task], from, from + step.minutes));
        done[task] += 1;
        best = best.min(every_plan(tasks, crews, done, placed));
        done[task] -= 1;
        placed.pop();
    }
    if best == u32::MAX {
        return placed.iter().map(|(_, _, _, to)| *to).max().unwrap_or(0);
    }
    best
}

/// Everything that must hold of a plan.
fn check_plan(chain: &Chain, tasks: &[Vec<Step>], crews: &[Crew]) {
    let placed: Vec<Placed> = chain
        .steps
        .iter()
        .map(|step| (step.task, step.step, step.from_minute, step.to_minute))
        .collect();
    let n_steps: usize = tasks.iter().map(Vec::len).sum();
    assert_eq!(placed.len(), n_steps, "each step has its place");
    for (idx, (task, step, from, to)) in placed.iter().enumerate() {
        let of = &tasks[*task][*step];
        assert_eq!(*to - *from, of.minutes);
        let mut others = placed.clone();
        others.remove(idx);
        assert!(
            may_work(of, *from, &others, tasks, crews),
            "step {step} of task {task} can be worked at minute {from}: {placed:?}"
        );
        let before = others
            .iter()
            .find(|(of, other, _, _)| of == task && other + 1 == *step);
        assert!(before.is_none_or(|(_, _, _, end)| end <= from), "in order");
    }
    let end = placed.iter().map(|(_, _, _, to)| *to).max().unwrap_or(0);
    assert_eq!(chain.minutes, end);
    // The longest chain has no gap from the beginning to the end.
    let mut at = 0;
    for (task, step) in &chain.longest {
        let link = placed
            .iter()
            .find(|(of, own, _, _)| of == task && own == step);
        let (_, _, from, to) = link.unwrap();
        assert_eq!(*from, at, "{:?} of {placed:?}", chain.longest);
        at = *to;
    }
    assert_eq!(at, chain.minutes);
}

fn any_step() -> impl Strategy<Value = Step> {
    let craft = prop_oneof![Just("machinist"), Just("electrician")];
    let side = prop_oneof![Just(Side::Above), Just(Side::Below)];
    (craft, side, 1_u32..7, prop::bool::weighted(0.1)).prop_map(|(craft, side, minutes, alone)| {
        Step {
            alone,
            ..step(craft, side, minutes)
        }
    })
}

fn any_tasks() -> impl Strategy<Value = Vec<Vec<Step>>> {
    let task = prop_oneof![
        3 => prop::collection::vec(any_step(), 1..2),
        2 => prop::collection::vec(any_step(), 2..3),
    ];
    // At most seven steps in all: every order of them is tried.
    prop::collection::vec(task, 1..6).prop_filter("few enough orders to try all", |tasks| {
        tasks.iter().map(Vec::len).sum::<usize>() <= 7
    })
}

fn any_crews() -> impl Strategy<Value = Vec<Crew>> {
    let many = 1_u32..3;
    (many.clone(), many.clone(), many).prop_map(|(a, b, c)| {
        vec![
            crew("machinist", Side::Above, a),
            crew("machinist", Side::Below, b),
            crew("electrician", Side::Above, c),
            crew("electrician", Side::Below, 1),
        ]
    })
}

fn cases() -> ProptestConfig {
    ProptestConfig::with_cases(if cfg!(debug_assertions) { 400 } else { 2_000 })
}

proptest! {
    #![proptest_config(cases())]

    /// No order of work, tried one by one, is shorter than the plan.
    #[test]
    fn no_plan_is_shorter(tasks in any_tasks(), crews in any_crews()) {
        let chain = shortest(&slices(&tasks), &crews).unwrap();
        check_plan(&chain, &tasks, &crews);
        let best = every_plan(&tasks, &crews, &mut vec![0; tasks.len()], &mut Vec::new());
        prop_assert!(chain.is_shortest, "so few are looked at in full");
        prop_assert_eq!(chain.minutes, best);
    }

    /// Work of one step each by one crew each takes what the busiest crew takes.
    #[test]
    fn single_steps_take_what_the_busiest_crew_takes(steps in prop::collection::vec(any_step(), 1..15)) {
        let tasks: Vec<Vec<Step>> = steps.into_iter().map(|step| vec![Step { alone: false, ..step }]).collect();
        let crews: Vec<Crew> = [("machinist", Side::Above), ("machinist", Side::Below),
                ("electrician", Side::Above), ("electrician", Side::Below)]
            .into_iter().map(|(craft, side)| crew(craft, side, 1)).collect();
        let chain = shortest(&slices(&tasks), &crews).unwrap();
        check_plan(&chain, &tasks, &crews);
        let load = |crew: &Crew| -> u32 {
            let own = tasks.iter().flatten().filter(|step| step.craft == crew.craft && step.side == crew.side);
            own.map(|step| step.minutes).sum()
        };
        prop_assert_eq!(chain.minutes, crews.iter().map(load).max().unwrap());
    }

    /// What is said to fit does, and what is said not to fit would not beside what comes before it.
    #[test]
    fn what_fits_is_within_the_stop(tasks in any_tasks(), crews in any_crews(), within in 1_u32..25) {
        let (fits, chain) = fitting(&slices(&tasks), &crews, within).unwrap();
        prop_assert!(chain.minutes <= within);
        let mut kept: Vec<Vec<Step>> = Vec::new();
        for (task, fits) in tasks.iter().zip(&fits) {
            kept.push(task.clone());
            let best = every_plan(&kept, &crews, &mut vec![0; kept.len()], &mut Vec::new());
            prop_assert_eq!(*fits, best <= within);
            if !fits {
                kept.pop();
            }
        }
        let planned: Vec<usize> = chain.steps.iter().map(|step| step.task).collect();
        for (task, fits) in fits.iter().enumerate() {
            prop_assert_eq!(planned.contains(&task), *fits);
        }
    }
}
