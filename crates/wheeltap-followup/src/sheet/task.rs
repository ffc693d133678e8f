//! Work as lines of a sheet, in the order in which to take it.

use super::{FillLine, FillNeed, InspectionLine, NextStop, Seen, WearLine, shortest};
use std::cmp::Reverse;
use wheeltap_model::{Defect, DefectId, EventTime, Plan, Priority, ServerTime, Step};

/// A fleet whose newest data is older than this is played back; one that is heard is never so old.
const PLAYED_BACK_MS: i64 = 86_400_000;

/// A defect and what its alerts say.
#[derive(Clone, Copy, Debug)]
pub struct DefectSeen<'a> {
    /// The defect.
    pub defect: &'a Defect,
    /// A safety rule raised one of its alerts.
    pub safety: bool,
    /// Alerts of it that stand.
    pub n_standing: usize,
    /// It was closed without a finding, which is owed; it is no work any more.
    pub finding_owed: bool,
}

/// What a task is for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// To put a defect right.
    Defect(DefectId),
    /// To fill something.
    Fill(String),
    /// To renew something worn.
    Renew(String),
    /// To inspect.
    Inspect(String),
}

/// Whether a part is on hand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OnHand {
    /// Yes.
    Yes,
    /// No.
    No,
    /// Nobody said, or somebody said that it is not known.
    Unknown,
}

/// The part that a task takes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PartLine {
    /// Its name.
    pub part: String,
    /// Whether it is on hand at the point.
    pub on_hand: OnHand,
    /// When that was so; `None`: nobody said anything.
    pub as_of: Option<EventTime>,
    /// Who said so.
    pub source: String,
}

/// What becomes of a task at this stop.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// It is done: the plan has a place for it.
    Do,
    /// It can be done here, but not within the stop beside what comes before it.
    DoesNotFit,
    /// Its part is not on hand.
    NoPart,
    /// Nobody of a craft works there.
    NoCrew(String),
    /// It is not filled at this point.
    NotFilledHere,
    /// People planned it for another stop, as the words say.
    PlannedElsewhere(String),
    /// Nobody said what work it takes, so nothing can be planned.
    NoJob,
    /// How it stands is not known, and so whether it is due.
    NotKnown,
}

/// One piece of work.
#[derive(Clone, Debug, PartialEq)]
pub struct TaskLine {
    /// What for.
    pub what: What,
    /// In a few words.
    pub title: String,
    /// Of defects; empty otherwise.
    pub component: String,
    /// What to do, from the rule; empty for what is no defect.
    pub action: String,
    /// A safety rule called it.
    pub safety: bool,
    /// How soon.
    pub priority: Priority,
    /// When it is due, on the clock of the stops; `None`: not known.
    pub due_at: Option<EventTime>,
    /// Of a defect, when its answer is due by the server's clock, as everywhere else.
    pub answer_due_at: Option<ServerTime>,
    /// It is due before the next stop; `None`: not known.
    pub due_before_next_stop: Option<bool>,
    /// Alerts of it that stand.
    pub n_standing: usize,
    /// The steps; empty where nobody said.
    pub steps: Vec<Step>,
    /// The part it takes, if any.
    pub part: Option<PartLine>,
    /// What to beware of.
    pub caution: Option<String>,
    /// What people said of it: their plan, that it is in work, what the desk said of the unit.
    pub remark: String,
    /// When people plan to do it.
    pub planned_for: Option<EventTime>,
    /// People planned it for this stop.
    pub planned_here: bool,
    /// What becomes of it.
    pub verdict: Verdict,
}

impl TaskLine {
    /// Why it is not done here; empty when it is.
    pub fn why(&self) -> String {
        let why = self.why_not();
        if self.planned_here && self.verdict != Verdict::Do {
            return format!("people planned it for this stop, but: {why}");
        }
        why
    }

    fn why_not(&self) -> String {
        match &self.verdict {
            Verdict::Do => String::new(),
            Verdict::DoesNotFit => "does not fit into the stop".to_owned(),
            Verdict::NoPart => match self.part.as_ref().and_then(|part| part.as_of) {
                Some(as_of) => format!("part not on hand, as of {}", minute(as_of)),
                None => "part not on hand".to_owned(),
            },
            Verdict::NoCrew(why) | Verdict::PlannedElsewhere(why) => why.clone(),
            Verdict::NotFilledHere => "not filled here".to_owned(),
            Verdict::NoJob => "nobody has said what work it takes".to_owned(),
            Verdict::NotKnown => "how it stands, or how fast it changes, is not known".to_owned(),
        }
    }

    /// Whether it is left undone and may be: it is due only after the next stop. `None`: it is done, or
    /// when it is due is not known.
    pub fn may_wait(&self) -> Option<bool> {
        match self.verdict {
            Verdict::Do => None,
            // What is planned for another stop in time can wait for that.
            Verdict::PlannedElsewhere(_)
                if self
                    .planned_for
                    .zip(self.due_at)
                    .is_some_and(|(planned_for, due_at)| planned_for <= due_at) =>
            {
                Some(true)
            }
            _ => self.due_before_next_stop.map(|before| !before),
        }
    }
}

fn part_line(seen: &Seen<'_>, part: &str) -> PartLine {
    let said = seen.stock.iter().filter(|stock| stock.part == part);
    let said = said.max_by_key(|stock| stock.as_of);
    PartLine {
        part: part.to_owned(),
        on_hand: match said.and_then(|said| said.on_hand) {
            Some(true) => OnHand::Yes,
            Some(false) => OnHand::No,
            None => OnHand::Unknown,
        },
        as_of: said.map(|said| said.as_of),
        source: said.map_or_else(String::new, |said| said.source.clone()),
    }
}

/// What can be said of a task before it is known what fits.
fn verdict(seen: &Seen<'_>, steps: &[Step], part: Option<&PartLine>) -> Verdict {
    if steps.is_empty() {
        return Verdict::NoJob;
    }
    if part.is_some_and(|part| part.on_hand == OnHand::No) {
        return Verdict::NoPart;
    }
    match shortest(&[steps], &seen.point.crews) {
        Ok(_) => Verdict::Do,
        Err(error) => Verdict::NoCrew(error.to_string()),
    }
}

/// Where and when people planned it, if that is another stop than this one.
fn planned_elsewhere(seen: &Seen<'_>, plan: &Plan, leaves_at: EventTime) -> Option<String> {
    let is_elsewhere =
        !plan.service_point.is_empty() && plan.service_point != seen.point.name.as_str();
    let is_later = plan.at.is_some_and(|at| at >= leaves_at);
    if !is_elsewhere && !is_later {
        return None;
    }
    let point = match plan.service_point.as_str() {
        "" => String::new(),
        point => format!(" at {point}"),
    };
    let at = plan
        .at
        .map_or_else(String::new, |at| format!(" for {}", minute(at)));
    Some(format!("planned{point}{at}"))
}

/// `2026-03-02 14:05 UTC`.
fn minute(at: EventTime) -> String {
    let text = at.to_string();
    let minute = text.get(..16).unwrap_or(&text);
    format!("{} UTC", minute.replace('T', " "))
}

/// What people said of a defect, in a few words.
fn remark(defect: &Defect) -> String {
    let mut remarks = Vec::new();
    if let Some((by, _)) = &defect.begun {
        remarks.push(format!("in work, said by {by}"));
    }
    if let Some(said) = &defect.said {
        let word = said.disposition.words();
        let how = match said.how.as_str() {
            "" => String::new(),
            how => format!(" ({how})"),
        };
        remarks.push(format!("the desk said: {word}{how}"));
    }
    if let Some(plan) = defect.plan.as_ref().filter(|plan| !plan.note.is_empty()) {
        remarks.push(format!("plan: {}", plan.note));
    }
    remarks.join("; ")
}

/// A due time is the server's, the stops' times are event time. They are one clock, unless the fleet is played back:
/// then what counts is how far from now each is.
fn on_the_clock_of_stops(seen: &Seen<'_>, due_at: ServerTime) -> EventTime {
    let now = EventTime::from_unix_ms(seen.now.unix_ms());
    if now.ms_since(seen.as_of) > PLAYED_BACK_MS {
        seen.as_of.plus_ms(due_at.ms_since(seen.now))
    } else {
        EventTime::from_unix_ms(due_at.unix_ms())
    }
}

fn of_defect(
    seen: &Seen<'_>,
    told: &DefectSeen<'_>,
    leaves_at: EventTime,
    next_stop: &NextStop,
) -> TaskLine {
    let defect = told.defect;
    let job = seen.work.job(&defect.component, &seen.unit.class);
    let steps = job.map_or_else(Vec::new, |job| job.steps.clone());
    // Who planned it may know a part better than the job for all such components.
    let plan = defect.plan.as_ref();
    let planned_part = plan.map(|plan| plan.part.as_str());
    let planned_part = planned_part.filter(|part| !part.is_empty());
    let part = planned_part.or_else(|| job?.part.as_deref());
    let part = part.map(|part| part_line(seen, part));
    let elsewhere = plan.and_then(|plan| planned_elsewhere(seen, plan, leaves_at));
    let due_at = on_the_clock_of_stops(seen, defect.due_at);
    TaskLine {
        what: What::Defect(defect.id),
        title: defect.title.clone(),
        component: defect.component.clone(),
        action: defect.action.clone(),
        safety: told.safety,
        priority: defect.priority,
        due_at: Some(due_at),
        answer_due_at: Some(defect.due_at),
        due_before_next_stop: Some(due_at < next_stop.at),
        n_standing: told.n_standing,
        remark: remark(defect),
        planned_for: plan.and_then(|plan| plan.at),
        planned_here: plan.is_some() && elsewhere.is_none(),
        verdict: match elsewhere {
            Some(why) => Verdict::PlannedElsewhere(why),
            None => verdict(seen, &steps, part.as_ref()),
        },
        steps,
        part,
        caution: job.and_then(|job| job.caution.clone()),
    }
}

/// A task that is no defect.
fn other(
    what: What,
    title: String,
    priority: Priority,
    due_at: Option<EventTime>,
    steps: Vec<Step>,
) -> TaskLine {
    TaskLine {
        what,
        title,
        component: String::new(),
        action: String::new(),
        safety: false,
        priority,
        due_at,
        answer_due_at: None,
        due_before_next_stop: Some(true),
        n_standing: 0,
        steps,
        part: None,
        caution: None,
        remark: String::new(),
        planned_for: None,
        planned_here: false,
        verdict: Verdict::NotKnown,
    }
}

fn of_fill(seen: &Seen<'_>, line: &FillLine) -> Option<TaskLine> {
    let fills = seen.work.fills_of(&seen.unit.class);
    let fill = fills.into_iter().find(|fill| fill.name == line.name)?;
    let (title, priority) = match line.need {
        FillNeed::Lasts => return None,
        FillNeed::Needed => (format!("Fill {}", line.name), Priority::High),
        FillNeed::Unknown => (
            format!("Gauge {}, fill if low", line.name),
            Priority::Medium,
        ),
    };
    let what = What::Fill(line.name.clone());
    let mut task = other(what, title, priority, line.short_at, fill.steps.clone());
    if line.need == FillNeed::Unknown {
        task.due_before_next_stop = None;
    }
    task.verdict = if seen.point.fills.contains(&line.name) {
        verdict(seen, &task.steps, None)
    } else {
        Verdict::NotFilledHere
    };
    Some(task)
}

fn of_wear(seen: &Seen<'_>, line: &WearLine) -> Option<TaskLine> {
    let wears = seen.work.wears_of(&seen.unit.class);
    let wear = wears.into_iter().find(|wear| wear.name == line.name)?;
    let (title, priority) = match line.is_due {
        Some(false) => return None,
        Some(true) => (format!("Renew {}", line.name), Priority::Medium),
        None => (format!("Gauge {}", line.name), Priority::Low),
    };
    let what = What::Renew(line.name.clone());
    let mut task = other(what, title, priority, line.due_at, wear.steps.clone());
    task.part = wear.part.as_deref().map(|part| part_line(seen, part));
    if line.is_due.is_some() {
        task.verdict = verdict(seen, &task.steps, task.part.as_ref());
    } else {
        task.due_before_next_stop = None;
    }
    Some(task)
}

fn of_inspection(seen: &Seen<'_>, line: &InspectionLine) -> Option<TaskLine> {
    let all = seen.work.inspections_of(&seen.unit.class);
    let inspection = all.into_iter().find(|one| one.name == line.name)?;
    // One of each day of use that nobody recorded is due; of a longer interval it is not known.
    let is_known = line.is_due.is_some() || line.every_days == 1;
    let (title, priority) = match line.is_due {
        Some(false) => return None,
        Some(true) if line.is_overdue => (format!("{}: overdue", line.title), Priority::High),
        Some(true) => (line.title.clone(), Priority::Medium),
        None if is_known => (line.title.clone(), Priority::Medium),
        None => (
            format!("{}: find out when it was made", line.title),
            Priority::Low,
        ),
    };
    let what = What::Inspect(line.name.clone());
    let due_at = line.due_by;
    let mut task = other(what, title, priority, due_at, inspection.steps.clone());
    if is_known {
        task.verdict = verdict(seen, &task.steps, None);
    } else {
        task.due_before_next_stop = None;
    }
    Some(task)
}

/// All work there is, safety first, then by priority, then by what is due soonest.
pub(super) fn tasks(
    seen: &Seen<'_>,
    (fills, wears, inspections): (&[FillLine], &[WearLine], &[InspectionLine]),
    (leaves_at, next_stop): (EventTime, &NextStop),
) -> Vec<TaskLine> {
    let defects = seen.defects.iter().filter(|told| !told.finding_owed);
    let mut tasks: Vec<TaskLine> = defects
        .map(|told| of_defect(seen, told, leaves_at, next_stop))
        .collect();
    tasks.extend(
        inspections
            .iter()
            .filter_map(|line| of_inspection(seen, line)),
    );
    tasks.extend(fills.iter().filter_map(|line| of_fill(seen, line)));
    tasks.extend(wears.iter().filter_map(|line| of_wear(seen, line)));
    tasks.sort_by_key(|task| {
        let due_at = task.due_at.map_or(i64::MAX, EventTime::unix_ms);
        (Reverse(task.safety), Reverse(task.priority), due_at)
    });
    tasks
}
