//! How long work takes when crews work side by side: the longest chain, not the sum.
//!
//! A task is steps one after the other; a step takes one crew of a craft above or below. Crews of one craft
//! and side are alike. The shortest plan is searched for by branch and bound over the orders in which steps
//! are handed to crews, each as early as it can begin: of all orders that of the steps' beginnings in a
//! best plan gives a plan no longer, so the best is among them. A bound (the load of a craft over its
//! crews, and the longest task) ends most searches at once; a limit ends the rest, and then says that a
//! shorter plan may exist.

use wheeltap_model::{Crew, Side, Step};

/// Orders looked at before a search gives up.
const MOST_LOOKED_AT: u32 = 20_000;

/// One step with its place in a plan; minutes count from the beginning of work.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlacedStep {
    /// Index of the task.
    pub task: usize,
    /// Index of the step within its task.
    pub step: usize,
    /// First minute.
    pub from_minute: u32,
    /// Minute after the last.
    pub to_minute: u32,
}

/// When each step is done.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Chain {
    /// By task, then step.
    pub steps: Vec<PlacedStep>,
    /// From the beginning of work to the end of the last step.
    pub minutes: u32,
    /// Steps of which each waits for the one before it, the last of which ends the work: shortening any
    /// other step does not shorten this plan.
    pub longest: Vec<(usize, usize)>,
    /// No plan can be shorter; otherwise the search was ended before it had seen all.
    pub is_shortest: bool,
}

/// A step that needs a crew that is not there.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("no {craft} works {} here", side.as_str())]
pub struct NoCrew {
    /// Index of the task.
    pub task: usize,
    /// The craft.
    pub craft: String,
    /// The side.
    pub side: Side,
}

/// One crew's next free minute, and the step that it did last.
#[derive(Clone, Copy)]
struct Free {
    minute: u32,
    last: Option<(usize, usize)>,
}

struct Search<'a> {
    tasks: &'a [Vec<(usize, &'a Step)>],
    best: Chain,
    bound: u32,
    left: u32,
}

#[derive(Clone)]
struct State {
    /// Steps done of each task.
    done: Vec<usize>,
    /// When each task's next step may begin.
    ready: Vec<u32>,
    /// Crews by group.
    crews: Vec<Vec<Free>>,
    placed: Vec<(PlacedStep, Option<(usize, usize)>)>,
    end: u32,
}

/// The shortest plan for tasks, given by their steps, with the crews of a service point.
///
/// # Errors
/// [`NoCrew`] for the first step that nobody there can do.
pub fn shortest(tasks: &[&[Step]], crews: &[Crew]) -> Result<Chain, NoCrew> {
    let mut groups: Vec<(&str, Side, usize)> = Vec::new();
    for crew in crews {
        let known = groups
            .iter_mut()
            .find(|(craft, side, _)| *craft == crew.craft && *side == crew.side);
        match known {
            Some((_, _, n_crews)) => *n_crews += crew.crews as usize,
            None => groups.push((&crew.craft, crew.side, crew.crews as usize)),
        }
    }
    groups.retain(|(_, _, n_crews)| *n_crews > 0);
    let mut assigned: Vec<Vec<(usize, &Step)>> = Vec::with_capacity(tasks.len());
    for (task, steps) in tasks.iter().enumerate() {
        let mut of_task = Vec::with_capacity(steps.len());
        for step in *steps {
            let group = groups
                .iter()
                .position(|(craft, side, _)| *craft == step.craft && *side == step.side);
            let group = group.ok_or_else(|| NoCrew {
                task,
                craft: step.craft.clone(),
                side: step.side,
            })?;
            of_task.push((group, step));
        }
        assigned.push(of_task);
    }
    let free = Free {
        minute: 0,
        last: None,
    };
    let state = State {
        done: vec![0; tasks.len()],
        ready: vec![0; tasks.len()],
        crews: groups
            .iter()
            .map(|(_, _, n_crews)| vec![free; *n_crews])
            .collect(),
        placed: Vec::new(),
        end: 0,
    };
    let mut search = Search {
        tasks: &assigned,
        best: Chain {
            minutes: u32::MAX,
            ..Chain::default()
        },
        bound: 0,
        left: MOST_LOOKED_AT,
    };
    search.bound = search.least(&state);
    let whole = search.go(&state);
    let Search {
        mut best, bound, ..
    } = search;
    best.is_shortest = whole || best.minutes == bound;
    Ok(best)
}

impl State {
    /// Whether nothing is left to place.
    fn is_whole(&self, tasks: &[Vec<(usize, &Step)>]) -> bool {
        self.done
            .iter()
            .zip(tasks)
            .all(|(done, steps)| *done == steps.len())
    }

    /// When a task's next step would begin, and what it then waits for.
    fn begin(&self, task: usize, group: usize, step: &Step) -> (u32, Option<(usize, usize)>) {
        let before = self.done[task].checked_sub(1).map(|step| (task, step));
        let mut begin = (self.ready[task], before);
        if step.alone {
            for free in self.crews.iter().flatten() {
                if free.minute > begin.0 {
                    begin = (free.minute, free.last);
                }
            }
        } else if let Some(free) = self.crews[group].iter().min_by_key(|free| free.minute)
            && free.minute > begin.0
        {
            begin = (free.minute, free.last);
        }
        begin
    }

    fn place(&mut self, task: usize, group: usize, step: &Step) {
        let (from_minute, waits_for) = self.begin(task, group, step);
        let to_minute = from_minute + step.minutes;
        let this = (task, self.done[task]);
        let taken = Free {
            minute: to_minute,
            last: Some(this),
        };
        if step.alone {
            for free in self.crews.iter_mut().flatten() {
                *free = taken;
            }
        } else if let Some(free) = self.crews[group].iter_mut().min_by_key(|free| free.minute) {
            *free = taken;
        }
        self.placed.push((
            PlacedStep {
                task,
                step: this.1,
                from_minute,
                to_minute,
            },
            waits_for,
        ));
        self.done[task] += 1;
        self.ready[task] = to_minute;
        self.end = self.end.max(to_minute);
    }

    fn chain(&self) -> Chain {
        let mut longest = Vec::new();
        let last = self.placed.iter().map(|(step, _)| step);
        // The first of those that end last: of equals the one of the higher rank.
        let last = last.min_by_key(|step| (std::cmp::Reverse(step.to_minute), step.task));
        let mut next = last.map(|step| (step.task, step.step));
        while let Some(key) = next {
            longest.push(key);
            let found = self
                .placed
                .iter()
                .find(|(step, _)| (step.task, step.step) == key);
            next = found.and_then(|(_, waits_for)| *waits_for);
        }
        longest.reverse();
        let mut steps: Vec<PlacedStep> = self.placed.iter().map(|(step, _)| step.clone()).collect();
        steps.sort_by_key(|step| (step.task, step.step));
        Chain {
            steps,
            minutes: self.end,
            longest,
            is_shortest: false,
        }
    }
}

impl Search<'_> {
    /// What no plan that goes on from here can be shorter than.
    fn least(&self, state: &State) -> u32 {
        let mut least = state.end;
        let mut loads: Vec<u32> = state
            .crews
            .iter()
            .map(|crews| crews.iter().map(|free| free.minute).sum())
            .collect();
        for (task, steps) in self.tasks.iter().enumerate() {
            let left = &steps[state.done[task]..];
            let minutes: u32 = left.iter().map(|(_, step)| step.minutes).sum();
            least = least.max(state.ready[task] + minutes);
            for (group, step) in left {
                if step.alone {
                    for (load, crews) in loads.iter_mut().zip(&state.crews) {
                        *load += step.minutes * u32::try_from(crews.len()).unwrap_or(u32::MAX);
                    }
                } else {
                    loads[*group] += step.minutes;
                }
            }
        }
        for (load, crews) in loads.iter().zip(&state.crews) {
            least = least.max(load.div_ceil(u32::try_from(crews.len().max(1)).unwrap_or(1)));
        }
        least
    }

    /// Looks at every plan that goes on from here and can be shorter than the best; false when the search
    /// was ended before.
    fn go(&mut self, state: &State) -> bool {
        if state.is_whole(self.tasks) {
            if state.end < self.best.minutes {
                self.best = state.chain();
            }
            return true;
        }
        if self.best.minutes <= self.bound {
            return true;
        }
        if self.left == 0 {
            return false;
        }
        self.left -= 1;
        // The earliest beginning first, then the higher rank: the plan that a foreman would make. It is
        // also the first that is looked at, so there always is one.
        let mut choices: Vec<(u32, usize)> = (0..self.tasks.len())
            .filter_map(|task| {
                let (group, step) = self.tasks[task].get(state.done[task])?;
                Some((state.begin(task, *group, step).0, task))
            })
            .collect();
        choices.sort_unstable();
        let mut whole = true;
        for (_, task) in choices {
            let mut next = state.clone();
            let (group, step) = self.tasks[task][state.done[task]];
            next.place(task, group, step);
            if self.least(&next) < self.best.minutes {
                whole &= self.go(&next);
            }
        }
        whole
    }
}

/// Which tasks can be done within some minutes, the higher ranks first, and the plan for those. A task that
/// does not fit leaves its room to those behind it.
///
/// # Errors
/// [`NoCrew`] as [`shortest`].
pub fn fitting(
    tasks: &[&[Step]],
    crews: &[Crew],
    within_minutes: u32,
) -> Result<(Vec<bool>, Chain), NoCrew> {
    let mut fits = vec![false; tasks.len()];
    let mut kept: Vec<usize> = Vec::new();
    let mut chain = Chain {
        is_shortest: true,
        ..Chain::default()
    };
    for (task, fits) in fits.iter_mut().enumerate() {
        kept.push(task);
        let steps: Vec<&[Step]> = kept.iter().map(|idx| tasks[*idx]).collect();
        let tried = shortest(&steps, crews).map_err(|error| NoCrew { task, ..error })?;
        if tried.minutes <= within_minutes {
            *fits = true;
            chain = tried;
        } else {
            kept.pop();
        }
    }
    // From places among those kept to places among all.
    for step in &mut chain.steps {
        step.task = kept[step.task];
    }
    for (task, _) in &mut chain.longest {
        *task = kept[*task];
    }
    Ok((fits, chain))
}
