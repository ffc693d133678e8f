//! The turnaround sheet: what to do to one unit in one stop, in which order, and what of it fits.
//!
//! A pure function of what is known: [`sheet`] reads nothing. What is not known stays *unknown* on the sheet
//! (`None`, or a verdict that says so); nothing is guessed in its place.

mod cautions;
mod chain;
mod due;
mod stores;
mod task;

pub use cautions::Caution;
pub use chain::{Chain, NoCrew, PlacedStep, fitting, shortest};
pub use due::{DueDay, due_day, end_of_day, local_day};
pub use stores::{FillLine, FillNeed, InspectionLine, LevelSeen, UseFrom, WearLine, WearSeen};
pub use task::{DefectSeen, OnHand, PartLine, TaskLine, Verdict, What};

use wheeltap_model::{
    Arrival, Care, ChannelName, ClassDef, ConsistPosition, Dated, EventTime, PartStock, PointName,
    ServerTime, ServicePoint, Timeline, Unit, UnitState, WorkSettings,
};

/// So long without anything heard, and a sheet calls the unit silent.
const SILENT_MS: i64 = 15 * 60_000;
const MINUTE_MS: i64 = 60_000;

/// All that is known when a sheet is made.
#[derive(Clone, Debug)]
pub struct Seen<'a> {
    /// The unit.
    pub unit: &'a Unit,
    /// Its class; `None`: the catalogue no longer has it.
    pub class: Option<&'a ClassDef>,
    /// What it was doing.
    pub states: &'a Timeline<UnitState>,
    /// Where it stands in a train.
    pub consist: Option<&'a ConsistPosition>,
    /// The stop.
    pub arrival: &'a Arrival,
    /// Where.
    pub point: &'a ServicePoint,
    /// The unit's next stop after it, if one is planned.
    pub next: Option<&'a Arrival>,
    /// The settings for work.
    pub work: &'a WorkSettings,
    /// What was said of parts at the point.
    pub stock: &'a [PartStock],
    /// What was last done to the unit, the newest of each item.
    pub care: &'a [Care],
    /// Its open defects, and closed ones whose finding is owed.
    pub defects: Vec<DefectSeen<'a>>,
    /// What is known of the levels of what is filled.
    pub levels: Vec<LevelSeen>,
    /// What is known of what wears.
    pub wears: Vec<WearSeen>,
    /// Newest event time stored.
    pub newest_event: Option<EventTime>,
    /// When the server last received something, since it started.
    pub last_heard: Option<ServerTime>,
    /// Channels that this unit sends and that are silent while it sends others, with their newest sample.
    pub silent_channels: Vec<(ChannelName, EventTime)>,
    /// When the engine stopped by a trip and did not run again since.
    pub tripped_at: Option<EventTime>,
    /// Event time now: the newest of the fleet, or the server's now if that is earlier.
    pub as_of: EventTime,
    /// The server's now.
    pub now: ServerTime,
}

/// The stop after this one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NextStop {
    /// When.
    pub at: EventTime,
    /// Where; `None`: no arrival says, and the time is the setting's.
    pub point: Option<PointName>,
}

/// How well the unit is heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DataHealth {
    /// Newest event time stored; `None`: nothing ever.
    pub newest_event: Option<EventTime>,
    /// When the server last received something, since it started.
    pub last_heard: Option<ServerTime>,
    /// Nothing was heard for 15 min.
    pub is_silent: bool,
    /// Channels that are silent while the unit sends others, with their newest sample.
    pub silent_channels: Vec<(ChannelName, EventTime)>,
}

/// One unit's sheet for one stop.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// The unit.
    pub unit: Unit,
    /// What it does as of now; `None`: nobody said.
    pub state: Option<Dated<UnitState>>,
    /// Where it stands in a train.
    pub consist: Option<ConsistPosition>,
    /// The stop.
    pub arrival: Arrival,
    /// When it is to leave: as the arrival says, or by the point's planned stop.
    pub leaves_at: EventTime,
    /// The planned stop in minutes.
    pub stop_minutes: u32,
    /// What of it goes into protecting people and releasing the unit.
    pub lockout_minutes: u32,
    /// The stop after it.
    pub next_stop: NextStop,
    /// What to know before anyone touches the unit, most important first.
    pub cautions: Vec<Caution>,
    /// All work, in the order in which to take it.
    pub tasks: Vec<TaskLine>,
    /// The plan for what fits; its tasks are indices into `tasks`.
    pub chain: Chain,
    /// Minutes of work if everything were done that can be done here; lockout not counted. `None`: nothing
    /// can.
    pub all_minutes: Option<u32>,
    /// What is filled.
    pub fills: Vec<FillLine>,
    /// What wears.
    pub wears: Vec<WearLine>,
    /// What is inspected.
    pub inspections: Vec<InspectionLine>,
    /// Defects that were closed without a finding, which is still owed.
    pub owed: Vec<wheeltap_model::DefectId>,
    /// How well it is heard.
    pub health: DataHealth,
    /// Event time for which all this was worked out.
    pub as_of: EventTime,
    /// When it was made.
    pub made_at: ServerTime,
}

impl Sheet {
    /// Minutes of the stop that the planned work takes, lockout included; 0 when there is none.
    pub fn planned_minutes(&self) -> u32 {
        match self.chain.minutes {
            0 => 0,
            minutes => minutes + self.lockout_minutes,
        }
    }
}

/// Works out the sheet.
pub fn sheet(seen: Seen<'_>) -> Sheet {
    let stop_ms = match seen.arrival.leaves_at {
        Some(leaves) => leaves.ms_since(seen.arrival.arrives_at),
        None => seen.point.stop_ms,
    }
    .max(0);
    let leaves_at = seen.arrival.arrives_at.plus_ms(stop_ms);
    let next_stop = match seen.next {
        Some(next) => NextStop {
            at: next.arrives_at,
            point: Some(next.point.clone()),
        },
        None => NextStop {
            at: leaves_at.plus_ms(seen.work.next_stop_ms),
            point: None,
        },
    };
    let stop_minutes = u32::try_from(stop_ms / MINUTE_MS).unwrap_or(u32::MAX);
    let fills = stores::fills(&seen, &next_stop);
    let wears = stores::wears(&seen, &next_stop);
    let inspections = stores::inspections(&seen, leaves_at, &next_stop);
    let mut tasks = task::tasks(
        &seen,
        (&fills, &wears, &inspections),
        (leaves_at, &next_stop),
    );
    let lockout_minutes = seen.point.lockout_minutes;
    let (chain, all_minutes) = plan(
        &mut tasks,
        seen.point,
        stop_minutes.saturating_sub(lockout_minutes),
    );
    let is_silent = seen
        .newest_event
        .is_none_or(|newest| seen.as_of.ms_since(newest) > SILENT_MS);
    Sheet {
        unit: seen.unit.clone(),
        state: seen.states.at(seen.as_of).cloned(),
        consist: seen.consist.cloned(),
        arrival: seen.arrival.clone(),
        leaves_at,
        stop_minutes,
        lockout_minutes,
        cautions: cautions::cautions(&seen, &tasks, &inspections),
        next_stop,
        tasks,
        chain,
        all_minutes,
        fills,
        wears,
        inspections,
        owed: seen
            .defects
            .iter()
            .filter(|seen| seen.finding_owed)
            .map(|seen| seen.defect.id)
            .collect(),
        health: DataHealth {
            newest_event: seen.newest_event,
            last_heard: seen.last_heard,
            is_silent,
            silent_channels: seen.silent_channels,
        },
        as_of: seen.as_of,
        made_at: seen.now,
    }
}

/// Says of each task that can be done here whether it fits, and gives the plan for those that do.
fn plan(tasks: &mut [TaskLine], point: &ServicePoint, within_minutes: u32) -> (Chain, Option<u32>) {
    let doable: Vec<usize> = (0..tasks.len())
        .filter(|idx| tasks[*idx].verdict == Verdict::Do)
        .collect();
    let steps: Vec<Vec<_>> = doable.iter().map(|idx| tasks[*idx].steps.clone()).collect();
    let steps: Vec<&[_]> = steps.iter().map(Vec::as_slice).collect();
    // No crew is missing: such tasks have another verdict.
    let all = shortest(&steps, &point.crews).ok();
    let Ok((fits, mut chain)) = fitting(&steps, &point.crews, within_minutes) else {
        return (Chain::default(), None);
    };
    for (idx, fits) in doable.iter().zip(fits) {
        if !fits {
            tasks[*idx].verdict = Verdict::DoesNotFit;
        }
    }
    for step in &mut chain.steps {
        step.task = doable[step.task];
    }
    for (task, _) in &mut chain.longest {
        *task = doable[*task];
    }
    let all_minutes = all.filter(|_| !doable.is_empty()).map(|all| all.minutes);
    (chain, all_minutes)
}
