//! A sheet in the terminal and as JSON.

use crate::{
    output::Out,
    remote::{instant, priority, short_instant, tail, word},
};
use serde_json::{Value, json};
use std::fmt::Write as _;
use wheeltap_proto::{v1, words};

pub fn side(side: i32) -> String {
    let side = v1::Side::try_from(side).unwrap_or_default();
    word(side.as_str_name(), "SIDE_")
}

pub fn on_hand(known: i32) -> String {
    let known = v1::OnHand::try_from(known).unwrap_or_default();
    word(known.as_str_name(), "ON_HAND_")
}

fn verdict(task: &v1::SheetTask) -> String {
    word(task.verdict().as_str_name(), "TASK_VERDICT_")
}

fn minute(unix_ms: i64) -> String {
    let text = short_instant(unix_ms);
    text.get(..16).unwrap_or(&text).to_owned()
}

fn work(task: &v1::SheetTask) -> String {
    let steps: Vec<String> = task
        .steps
        .iter()
        .map(|step| {
            let when = step.from_minute.map_or_else(
                || format!("{} min", step.minutes),
                |from| format!("min {from} to {}", from + step.minutes),
            );
            let alone = if step.alone { " alone" } else { "" };
            format!("{} {}{alone}, {when}", step.craft, side(step.side))
        })
        .collect();
    steps.join("; ")
}

fn part(task: &v1::SheetTask) -> String {
    match &task.part {
        None => "none".to_owned(),
        Some(part) => format!("{}: {}", part.part, on_hand(part.on_hand)),
    }
}

pub fn print(out: &mut Out, sheet: &v1::Sheet) -> anyhow::Result<()> {
    let arrival = sheet.arrival.clone().unwrap_or_default();
    let next = if sheet.next_stop_point.is_empty() {
        format!("{} (nobody said; assumed)", minute(sheet.next_stop_unix_ms))
    } else {
        let point = tail(&sheet.next_stop_point);
        format!("{} at {point}", minute(sheet.next_stop_unix_ms))
    };
    let state = sheet.state.as_ref().map_or_else(
        || "not known".to_owned(),
        |state| {
            let word = state.state.replace('_', " ");
            let since = minute(state.from_unix_ms);
            format!("{word} since {since}, said by {}", state.source)
        },
    );
    out.facts(&[
        (
            "unit",
            format!("{} ({})", tail(&arrival.unit), tail(&sheet.unit_class)),
        ),
        ("at", tail(&arrival.point).to_owned()),
        (
            "in, out",
            format!(
                "{} to {}, {} min",
                minute(arrival.arrives_unix_ms),
                minute(sheet.leaves_unix_ms),
                sheet.stop_minutes
            ),
        ),
        ("next stop", next),
        ("state", state),
        ("heard", heard(sheet)),
        ("work", minutes(sheet)),
    ])?;
    out.line("\nFIRST")?;
    for caution in &sheet.cautions {
        let mark = if caution.of_this_unit { "!" } else { "-" };
        out.line(format!("  {mark} {}", caution.text))?;
    }
    let is_done = |task: &&v1::SheetTask| task.verdict() == v1::TaskVerdict::Do;
    let planned: Vec<&v1::SheetTask> = sheet.tasks.iter().filter(is_done).collect();
    if !planned.is_empty() {
        out.line("")?;
        let rows = planned.iter().enumerate().map(|(idx, task)| {
            vec![
                (idx + 1).to_string(),
                what(task),
                priority(task.priority),
                words::due(task.due_unix_ms, words::due_counts_from(task, sheet)),
                work(task),
                part(task),
            ]
        });
        out.table(
            &["do", "what", "priority", "due", "who and when", "part"],
            rows.collect(),
        )?;
        for (idx, task) in planned.iter().enumerate() {
            for said in [&task.action, &task.remark] {
                if !said.is_empty() {
                    out.line(format!("  {}: {said}", idx + 1))?;
                }
            }
        }
    }
    let left = |may_wait: Option<bool>| words::left_undone(sheet, may_wait).into_iter();
    for (heading, may_wait) in [
        (
            "due before the next stop and not done: ask the desk",
            Some(false),
        ),
        ("not known whether due: look", None),
        ("can wait", Some(true)),
    ] {
        let rows: Vec<Vec<String>> = left(may_wait)
            .map(|task| {
                vec![
                    what(task),
                    priority(task.priority),
                    words::due(task.due_unix_ms, words::due_counts_from(task, sheet)),
                    match task.remark.as_str() {
                        "" => task.why.clone(),
                        remark => format!("{}; {remark}", task.why),
                    },
                ]
            })
            .collect();
        if !rows.is_empty() {
            out.line("")?;
            out.table(&[heading, "priority", "due", "why"], rows)?;
        }
    }
    stores(out, sheet)
}

fn what(task: &v1::SheetTask) -> String {
    let safety = if task.safety { "SAFETY: " } else { "" };
    if task.component.is_empty() {
        format!("{safety}{}", task.title)
    } else {
        format!(
            "{safety}{}: {} (defect {})",
            task.component,
            task.title,
            tail(&task.of)
        )
    }
}

fn minutes(sheet: &v1::Sheet) -> String {
    let mut text = match sheet.planned_minutes {
        0 => "none planned".to_owned(),
        planned => format!("{planned} of {} min", sheet.stop_minutes),
    };
    if sheet.planned_minutes > 0 && sheet.lockout_minutes > 0 {
        let _ = write!(text, ", {} of them lockout", sheet.lockout_minutes);
    }
    if let Some(all) = sheet.all_minutes.filter(|all| *all > sheet.stop_minutes) {
        let _ = write!(text, "; all that can be done here takes {all} min");
    }
    text
}

fn heard(sheet: &v1::Sheet) -> String {
    let health = sheet.health.clone().unwrap_or_default();
    let mut text = match health.newest_event_unix_ms {
        None => "never".to_owned(),
        Some(newest) if health.silent => format!("SILENT since {}", minute(newest)),
        Some(newest) => format!("up to {}", minute(newest)),
    };
    if !health.silent_channels.is_empty() {
        let silent = words::silent_since(&health.silent_channels, minute);
        let _ = write!(text, "; silent: {silent}");
    }
    text
}

fn stores(out: &mut Out, sheet: &v1::Sheet) -> anyhow::Result<()> {
    if !sheet.fills.is_empty() {
        out.line("")?;
        let rows = sheet.fills.iter().map(|fill| {
            let level = match (fill.level, fill.silent) {
                (None, _) => "never heard: gauge it".to_owned(),
                (Some(_), true) => format!("silent since {}: gauge it", minute(fill.level_unix_ms)),
                (level, false) => words::amount(level, &fill.ucum),
            };
            vec![
                fill.name.clone(),
                level,
                words::amount(fill.full, &fill.ucum),
                words::amount(fill.at_next_stop.map(|left| left.max(0.0)), &fill.ucum),
                words::to_fill(fill),
            ]
        });
        out.table(
            &["store", "level", "full", "at next stop", "so"],
            rows.collect(),
        )?;
    }
    if !sheet.wears.is_empty() {
        out.line("")?;
        let rows = sheet.wears.iter().map(|wear| {
            vec![
                wear.name.clone(),
                words::worn(wear),
                words::amount(Some(wear.limit), &wear.ucum),
                words::due(wear.due_unix_ms, sheet.as_of_unix_ms),
                wear.source.clone(),
            ]
        });
        out.table(&["wears", "now", "limit", "due", "by"], rows.collect())?;
    }
    if !sheet.inspections.is_empty() {
        out.line("")?;
        let rows = sheet.inspections.iter().map(|one| {
            vec![
                one.title.clone(),
                one.last_unix_ms
                    .map_or_else(|| "nobody said".to_owned(), minute),
                match (one.due_by_unix_ms, one.overdue) {
                    (None, _) => "not known".to_owned(),
                    (Some(by), true) => format!("OVERDUE since {}", minute(by)),
                    (Some(by), false) => format!("by {}", minute(by)),
                },
                words::every(one),
                one.source.clone(),
            ]
        });
        out.table(
            &["inspection", "last", "due", "every", "by"],
            rows.collect(),
        )?;
    }
    if !sheet.repairs.is_empty() {
        let rows = sheet.repairs.iter().map(|repair| {
            vec![
                format!("{}: {}", repair.component, repair.title),
                tail(&repair.defect).to_owned(),
                instant(repair.repaired_unix_ms),
                held(repair),
            ]
        });
        out.table(
            &["repaired lately", "defect", "when", "since"],
            rows.collect(),
        )?;
    }
    if !sheet.findings_owed.is_empty() {
        let numbers: Vec<&str> = sheet.findings_owed.iter().map(|name| tail(name)).collect();
        out.line(format!("\nFINDING OWED  defects {}", numbers.join(", ")))?;
    }
    Ok(())
}

fn held(repair: &v1::SheetRepair) -> String {
    let at = repair.after_repair_unix_ms.map(instant).unwrap_or_default();
    words::after_repair(repair.after_repair(), &at)
}

fn repair_json(repair: &v1::SheetRepair) -> Value {
    let said = word(repair.after_repair().as_str_name(), "AFTER_REPAIR_");
    json!({
        "defect": tail(&repair.defect),
        "component": repair.component,
        "title": repair.title,
        "repaired_at": instant(repair.repaired_unix_ms),
        "after_repair": (repair.after_repair() != v1::AfterRepair::Unspecified).then_some(said),
        "after_repair_at": repair.after_repair_unix_ms.map(instant),
    })
}

pub fn arrival_json(arrival: &v1::Arrival) -> Value {
    json!({
        "arrival": tail(&arrival.name),
        "unit": tail(&arrival.unit),
        "point": tail(&arrival.point),
        "arrives_at": instant(arrival.arrives_unix_ms),
        "leaves_at": arrival.leaves_unix_ms.map(instant),
        "source": arrival.source,
        "cancelled_by": arrival.cancelled.as_ref().map(|cancelled| &cancelled.by),
        "restored_by": arrival.restored.as_ref().map(|restored| &restored.by),
    })
}

/// A stop and what its sheet comes to.
pub fn stop_json(arrival: &v1::Arrival, summary: &v1::SheetSummary) -> Value {
    json!({
        "arrival": arrival_json(arrival),
        "stop_minutes": summary.stop_minutes,
        "planned_minutes": summary.planned_minutes,
        "all_minutes": summary.all_minutes,
        "n_planned": summary.n_planned,
        "n_cannot_wait": summary.n_cannot_wait,
        "safety": summary.safety,
    })
}

fn task_json(task: &v1::SheetTask) -> Value {
    let steps: Vec<Value> = task
        .steps
        .iter()
        .map(|step| {
            json!({
                "craft": step.craft,
                "side": side(step.side),
                "minutes": step.minutes,
                "alone": step.alone,
                "from_minute": step.from_minute,
                "in_longest_chain": step.in_longest_chain,
            })
        })
        .collect();
    json!({
        "kind": word(task.kind().as_str_name(), "TASK_KIND_"),
        "of": tail(&task.of),
        "title": task.title,
        "component": task.component,
        "action": task.action,
        "safety": task.safety,
        "priority": priority(task.priority),
        "due_at": task.due_unix_ms.map(instant),
        "verdict": verdict(task),
        "why": task.why,
        "remark": task.remark,
        "planned_here": task.planned_here,
        "may_wait": task.may_wait,
        "steps": steps,
        "part": task.part.as_ref().map(|part| json!({
            "part": part.part,
            "on_hand": on_hand(part.on_hand),
            "as_of": part.as_of_unix_ms.map(instant),
        })),
    })
}

pub fn json(sheet: &v1::Sheet) -> Value {
    let arrival = sheet.arrival.clone().unwrap_or_default();
    let health = sheet.health.clone().unwrap_or_default();
    let fills: Vec<Value> = sheet
        .fills
        .iter()
        .map(|fill| {
            json!({
                "name": fill.name, "ucum": fill.ucum, "level": fill.level, "silent": fill.silent,
                "full": fill.full, "use_per_hour": fill.use_per_hour, "at_arrival": fill.at_arrival,
                "at_next_stop": fill.at_next_stop, "to_fill": fill.to_fill, "needed": fill.needed,
            })
        })
        .collect();
    let wears: Vec<Value> = sheet
        .wears
        .iter()
        .map(|wear| {
            json!({
                "name": wear.name, "ucum": wear.ucum, "now": wear.now, "limit": wear.limit,
                "is_read": wear.is_read, "at_next_stop": wear.at_next_stop,
                "due_at": wear.due_unix_ms.map(instant), "due": wear.due,
            })
        })
        .collect();
    let inspections: Vec<Value> = sheet
        .inspections
        .iter()
        .map(|one| {
            json!({
                "name": one.name, "title": one.title, "every_days": one.every_days,
                "last_at": one.last_unix_ms.map(instant), "credit_days": one.credit_days,
                "due_by": one.due_by_unix_ms.map(instant), "overdue": one.overdue, "due": one.due,
                "source": one.source,
            })
        })
        .collect();
    json!({
        "arrival": arrival_json(&arrival),
        "leaves_at": instant(sheet.leaves_unix_ms),
        "stop_minutes": sheet.stop_minutes,
        "lockout_minutes": sheet.lockout_minutes,
        "planned_minutes": sheet.planned_minutes,
        "all_minutes": sheet.all_minutes,
        "next_stop_at": instant(sheet.next_stop_unix_ms),
        "next_stop_point": Some(tail(&sheet.next_stop_point)).filter(|point| !point.is_empty()),
        "state": sheet.state.as_ref().map(|state| &state.state),
        "cautions": sheet.cautions.iter().map(|caution| &caution.text).collect::<Vec<_>>(),
        "tasks": sheet.tasks.iter().map(task_json).collect::<Vec<_>>(),
        "fills": fills,
        "wears": wears,
        "inspections": inspections,
        "findings_owed": sheet.findings_owed.iter().map(|name| tail(name)).collect::<Vec<_>>(),
        "repairs": sheet.repairs.iter().map(repair_json).collect::<Vec<_>>(),
        "newest_at": health.newest_event_unix_ms.map(instant),
        "silent": health.silent,
        "silent_channels": health
            .silent_channels
            .iter()
            .map(|silent| tail(&silent.channel))
            .collect::<Vec<_>>(),
        "as_of": instant(sheet.as_of_unix_ms),
    })
}
