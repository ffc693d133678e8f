//! To and from the wire.

use std::collections::HashMap;
use wheeltap_followup::sheet::{
    FillLine, FillNeed, InspectionLine, OnHand, PartLine, Sheet, TaskLine, UseFrom, Verdict,
    WearLine, What,
};
use wheeltap_model::{
    Arrival, Care, Crew, EventTime, PartStock, ServerTime, ServicePoint, Step, Unit, UnitState,
};
use wheeltap_proto::convert;
use wheeltap_proto::v1;

pub fn arrival(arrival: &Arrival) -> v1::Arrival {
    let Arrival {
        id,
        unit,
        point,
        arrives_at,
        leaves_at,
        source,
        said_at,
        cancelled,
        restored,
    } = arrival;
    v1::Arrival {
        name: format!("arrivals/{id}"),
        unit: convert::unit_name(unit),
        point: convert::point_name(point),
        arrives_unix_ms: arrives_at.unix_ms(),
        leaves_unix_ms: leaves_at.map(EventTime::unix_ms),
        source: source.clone(),
        said_unix_ms: said_at.unix_ms(),
        cancelled: cancelled.as_ref().map(|cancelled| v1::Cancellation {
            by: cancelled.by.clone(),
            at_unix_ms: cancelled.at.unix_ms(),
            why: cancelled.why.clone(),
        }),
        restored: restored.as_ref().map(|restored| v1::Restoration {
            by: restored.by.clone(),
            at_unix_ms: restored.at.unix_ms(),
        }),
    }
}

pub fn point(point: &ServicePoint) -> v1::ServicePoint {
    let ServicePoint {
        name,
        stop_ms,
        lockout_minutes,
        crews,
        fills,
    } = point;
    let crew = |crew: &Crew| v1::Crew {
        craft: crew.craft.clone(),
        side: convert::side_to_wire(crew.side).into(),
        crews: crew.crews,
    };
    v1::ServicePoint {
        name: convert::point_name(name),
        stop_ms: *stop_ms,
        lockout_minutes: *lockout_minutes,
        crews: crews.iter().map(crew).collect(),
        fills: fills.clone(),
    }
}

const fn on_hand(known: Option<bool>) -> v1::OnHand {
    match known {
        Some(true) => v1::OnHand::Yes,
        Some(false) => v1::OnHand::No,
        None => v1::OnHand::Unknown,
    }
}

pub fn stock(stock: &PartStock) -> v1::PartStock {
    let PartStock {
        point,
        part,
        on_hand: known,
        as_of,
        source,
        said_at,
    } = stock;
    v1::PartStock {
        point: convert::point_name(point),
        part: part.clone(),
        on_hand: on_hand(*known).into(),
        as_of_unix_ms: as_of.unix_ms(),
        source: source.clone(),
        said_unix_ms: said_at.unix_ms(),
    }
}

pub fn care(care: &Care) -> v1::Care {
    let Care {
        unit,
        item,
        done_at,
        value,
        source,
        said_at,
    } = care;
    v1::Care {
        unit: convert::unit_name(unit),
        item: item.clone(),
        done_unix_ms: done_at.unix_ms(),
        value: *value,
        source: source.clone(),
        said_unix_ms: said_at.unix_ms(),
    }
}

fn part(part: &PartLine) -> v1::SheetPart {
    let known = match part.on_hand {
        OnHand::Yes => Some(true),
        OnHand::No => Some(false),
        OnHand::Unknown => None,
    };
    v1::SheetPart {
        part: part.part.clone(),
        on_hand: on_hand(known).into(),
        as_of_unix_ms: part.as_of.map(EventTime::unix_ms),
        source: part.source.clone(),
    }
}

fn verdict(verdict: &Verdict) -> v1::TaskVerdict {
    match verdict {
        Verdict::Do => v1::TaskVerdict::Do,
        Verdict::DoesNotFit => v1::TaskVerdict::DoesNotFit,
        Verdict::NoPart => v1::TaskVerdict::PartNotOnHand,
        Verdict::NoCrew(_) => v1::TaskVerdict::NoCrew,
        Verdict::NotFilledHere => v1::TaskVerdict::NotFilledHere,
        Verdict::PlannedElsewhere(_) => v1::TaskVerdict::PlannedElsewhere,
        Verdict::NoJob => v1::TaskVerdict::NoJob,
        Verdict::NotKnown => v1::TaskVerdict::NotKnown,
    }
}

fn of(what: &What) -> (v1::TaskKind, String) {
    match what {
        What::Defect(id) => (v1::TaskKind::Defect, convert::defect_name(*id)),
        What::Fill(name) => (v1::TaskKind::Fill, name.clone()),
        What::Renew(name) => (v1::TaskKind::Renew, name.clone()),
        What::Inspect(name) => (v1::TaskKind::Inspect, name.clone()),
    }
}

/// Where each step stands in the plan: its first minute, and whether it is in the longest chain.
type Places = HashMap<(usize, usize), (u32, bool)>;

fn places(sheet: &Sheet) -> Places {
    let steps = sheet.chain.steps.iter();
    steps
        .map(|step| {
            let place = (step.task, step.step);
            let longest = sheet.chain.longest.contains(&place);
            (place, (step.from_minute, longest))
        })
        .collect()
}

fn task(idx: usize, task: &TaskLine, places: &Places) -> v1::SheetTask {
    let (kind, of) = of(&task.what);
    let step = |(step_idx, step): (usize, &Step)| {
        let place = places.get(&(idx, step_idx));
        v1::SheetStep {
            craft: step.craft.clone(),
            side: convert::side_to_wire(step.side).into(),
            minutes: step.minutes,
            alone: step.alone,
            from_minute: place.map(|(from_minute, _)| *from_minute),
            in_longest_chain: place.is_some_and(|(_, longest)| *longest),
        }
    };
    v1::SheetTask {
        kind: kind.into(),
        of,
        title: task.title.clone(),
        component: task.component.clone(),
        action: task.action.clone(),
        safety: task.safety,
        priority: convert::priority_to_wire(task.priority).into(),
        due_unix_ms: (task.answer_due_at.map(ServerTime::unix_ms))
            .or(task.due_at.map(EventTime::unix_ms)),
        due_before_next_stop: task.due_before_next_stop,
        n_standing: u32::try_from(task.n_standing).unwrap_or(u32::MAX),
        steps: task.steps.iter().enumerate().map(step).collect(),
        part: task.part.as_ref().map(part),
        caution: task.caution.clone().unwrap_or_default(),
        verdict: verdict(&task.verdict).into(),
        why: task.why(),
        may_wait: task.may_wait(),
        remark: task.remark.clone(),
        planned_here: task.planned_here,
    }
}

fn fill(line: &FillLine) -> v1::SheetFill {
    let FillLine {
        name,
        ucum,
        newest,
        is_silent,
        full,
        keep,
        use_per_h,
        at_arrival,
        at_next_stop,
        short_at,
        to_fill,
        need,
    } = line;
    v1::SheetFill {
        name: name.clone(),
        ucum: ucum.clone(),
        level: newest.map(|(_, level)| level),
        level_unix_ms: newest.map_or(0, |(at, _)| at.unix_ms()),
        silent: *is_silent,
        full: *full,
        keep: *keep,
        use_per_hour: use_per_h.map(|(rate, _)| rate),
        own_use: use_per_h.is_some_and(|(_, from)| from == UseFrom::OwnUse),
        at_arrival: *at_arrival,
        at_next_stop: *at_next_stop,
        short_unix_ms: short_at.map(EventTime::unix_ms),
        to_fill: *to_fill,
        needed: match need {
            FillNeed::Needed => Some(true),
            FillNeed::Lasts => Some(false),
            FillNeed::Unknown => None,
        },
    }
}

fn wear(line: &WearLine) -> v1::SheetWear {
    let WearLine {
        name,
        ucum,
        new,
        limit,
        now,
        is_read,
        last,
        at_next_stop,
        due_at,
        is_due,
        source,
    } = line;
    v1::SheetWear {
        name: name.clone(),
        ucum: ucum.clone(),
        new: *new,
        limit: *limit,
        now: *now,
        is_read: *is_read,
        last_unix_ms: last.map(EventTime::unix_ms),
        at_next_stop: *at_next_stop,
        due_unix_ms: due_at.map(EventTime::unix_ms),
        due: *is_due,
        source: source.clone(),
    }
}

fn inspection(line: &InspectionLine) -> v1::SheetInspection {
    let InspectionLine {
        name,
        title,
        every_days,
        last,
        credit_days,
        due_by,
        is_overdue,
        is_due,
        source,
    } = line;
    v1::SheetInspection {
        name: name.clone(),
        title: title.clone(),
        every_days: *every_days,
        last_unix_ms: last.map(EventTime::unix_ms),
        credit_days: *credit_days,
        due_by_unix_ms: due_by.map(EventTime::unix_ms),
        overdue: *is_overdue,
        due: *is_due,
        source: source.clone(),
    }
}

fn all_minutes(sheet: &Sheet) -> Option<u32> {
    sheet
        .all_minutes
        .map(|minutes| minutes + sheet.lockout_minutes)
}

pub fn sheet(sheet: &Sheet) -> v1::Sheet {
    let Unit {
        id: _,
        road_number,
        class,
        commissioned: _,
    } = &sheet.unit;
    let places = places(sheet);
    let tasks = sheet.tasks.iter().enumerate();
    let health = &sheet.health;
    v1::Sheet {
        arrival: Some(arrival(&sheet.arrival)),
        leaves_unix_ms: sheet.leaves_at.unix_ms(),
        stop_minutes: sheet.stop_minutes,
        lockout_minutes: sheet.lockout_minutes,
        planned_minutes: sheet.planned_minutes(),
        all_minutes: all_minutes(sheet),
        is_shortest: sheet.chain.is_shortest,
        road_number: road_number.clone(),
        unit_class: convert::class_name(class),
        state: sheet
            .state
            .as_ref()
            .filter(|state| state.value != UnitState::Unknown)
            .map(|state| v1::UnitStateSaid {
                state: state.value.as_str().to_owned(),
                from_unix_ms: state.from.unix_ms(),
                source: state.source.clone(),
            }),
        next_stop_unix_ms: sheet.next_stop.at.unix_ms(),
        next_stop_point: sheet
            .next_stop
            .point
            .as_ref()
            .map(convert::point_name)
            .unwrap_or_default(),
        cautions: sheet
            .cautions
            .iter()
            .map(|caution| v1::Caution {
                text: caution.text.clone(),
                of_this_unit: caution.is_of_this_unit,
            })
            .collect(),
        tasks: tasks.map(|(idx, line)| task(idx, line, &places)).collect(),
        fills: sheet.fills.iter().map(fill).collect(),
        wears: sheet.wears.iter().map(wear).collect(),
        inspections: sheet.inspections.iter().map(inspection).collect(),
        findings_owed: sheet
            .owed
            .iter()
            .map(|id| convert::defect_name(*id))
            .collect(),
        health: Some(v1::DataHealth {
            newest_event_unix_ms: health.newest_event.map(EventTime::unix_ms),
            last_heard_unix_ms: health.last_heard.map(ServerTime::unix_ms),
            silent: health.is_silent,
            silent_channels: health
                .silent_channels
                .iter()
                .map(|(channel, newest)| v1::SilentChannel {
                    channel: convert::channel_name(channel),
                    newest_unix_ms: newest.unix_ms(),
                })
                .collect(),
        }),
        as_of_unix_ms: sheet.as_of.unix_ms(),
        made_unix_ms: sheet.made_at.unix_ms(),
        // Not of the sheet's own making.
        repairs: Vec::new(),
    }
}

pub fn summary(sheet: &Sheet) -> v1::SheetSummary {
    let count = |wanted: &dyn Fn(&TaskLine) -> bool| {
        let n = sheet.tasks.iter().filter(|task| wanted(task)).count();
        u32::try_from(n).unwrap_or(u32::MAX)
    };
    v1::SheetSummary {
        stop_minutes: sheet.stop_minutes,
        planned_minutes: sheet.planned_minutes(),
        all_minutes: all_minutes(sheet),
        n_planned: count(&|task| task.verdict == Verdict::Do),
        n_cannot_wait: count(&|task| task.may_wait() == Some(false)),
        safety: sheet.tasks.iter().any(|task| task.safety),
    }
}
