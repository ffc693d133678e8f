//! `wheeltap sheet`: arrivals, what is known of parts and of work done, and turnaround sheets.

mod print;

pub use print::stop_json;

use crate::table::{Cells, NOTHING_RECORDED, Problems, Table};
use crate::{
    Outcome, Stop,
    args::{
        ArrivalListArgs, CancelArgs, DoneArgs, RestoreArgs, SheetArgs, SheetCommand, SheetFileArgs,
        StockArgs,
    },
    output::{Out, counted, note},
    remote::{self, answer, connected, instant, short_instant, tail},
};
use anyhow::anyhow;
use futures::TryStreamExt;
use serde_json::json;
use std::path::Path;
use tonic_types::StatusExt;
use wheeltap_client::{CallError, Connection};
use wheeltap_proto::v1;

const POINT_MEND: &str = "name the service point, such as Burbot Yard";
/// Entries of one call.
const A_CALL: usize = 1_000;

pub fn run(args: &SheetArgs, command: Option<&SheetCommand>) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            None => show(args).await,
            Some(SheetCommand::Points(args)) => points(args).await,
            Some(SheetCommand::Arrivals(args)) => arrivals(args).await,
            Some(SheetCommand::Import(args)) => import(args).await,
            Some(SheetCommand::Cancel(args)) => cancel(args).await,
            Some(SheetCommand::Restore(args)) => restore(args).await,
            Some(SheetCommand::Parts(args)) => parts(args).await,
            Some(SheetCommand::Stock(args)) => stock(args).await,
            Some(SheetCommand::Done(args)) => done(args).await,
            Some(SheetCommand::DoneFile(args)) => done_file(args).await,
        }
    })
}

async fn sheet(connection: &Connection, request: v1::GetSheetRequest) -> anyhow::Result<v1::Sheet> {
    answer(connection.turnaround().get_sheet(request).await)
}

async fn show(args: &SheetArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let mut sheets = Vec::new();
    if let Some(unit) = &args.unit {
        let request = v1::GetSheetRequest {
            unit: format!("units/{unit}"),
            point: args
                .point
                .as_ref()
                .map(|point| format!("points/{point}"))
                .unwrap_or_default(),
            ..Default::default()
        };
        sheets.push(sheet(&connection, request).await?);
    } else if let Some(arrival) = &args.arrival {
        let request = v1::GetSheetRequest {
            arrival: format!("arrivals/{arrival}"),
            ..Default::default()
        };
        sheets.push(sheet(&connection, request).await?);
    } else if let Some(point) = &args.point {
        let filter = v1::ArrivalFilter {
            point: format!("points/{point}"),
            ..Default::default()
        };
        let arrivals: Vec<v1::Arrival> = connection.list_arrivals(filter).try_collect().await?;
        for arrival in arrivals {
            let request = v1::GetSheetRequest {
                arrival: arrival.name,
                ..Default::default()
            };
            sheets.push(sheet(&connection, request).await?);
        }
    } else {
        return Err(Stop::Usage(anyhow!(
            "name a unit, or a service point by --point; `wheeltap sheet arrivals` lists who comes in"
        )));
    }
    let mut out = Out::new();
    for (idx, sheet) in sheets.iter().enumerate() {
        if args.ask.json {
            out.json(&print::json(sheet))?;
        } else {
            if idx > 0 {
                out.line("\n")?;
            }
            print::print(&mut out, sheet)?;
        }
    }
    out.flush()?;
    if sheets.is_empty() {
        note("nobody has said that a unit comes in there");
    }
    Ok(Outcome::Fine)
}

async fn points(args: &crate::args::PointListArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let request = v1::ListServicePointsRequest {};
    let points = answer(connection.turnaround().list_service_points(request).await)?.points;
    let mut out = Out::new();
    let crew = |crew: &v1::Crew| {
        let many = if crew.crews == 1 {
            String::new()
        } else {
            format!(" x{}", crew.crews)
        };
        format!("{} {}{many}", crew.craft, print::side(crew.side))
    };
    if args.ask.json {
        for point in &points {
            let crews: Vec<_> = point
                .crews
                .iter()
                .map(|crew| json!({ "craft": crew.craft, "side": print::side(crew.side), "crews": crew.crews }))
                .collect();
            out.json(&json!({
                "point": tail(&point.name),
                "stop_min": point.stop_ms / 60_000,
                "lockout_min": point.lockout_minutes,
                "crews": crews,
                "fills": point.fills,
            }))?;
        }
    } else if !points.is_empty() {
        let rows = points.iter().map(|point| {
            let crews: Vec<String> = point.crews.iter().map(crew).collect();
            vec![
                tail(&point.name).to_owned(),
                format!("{} min", point.stop_ms / 60_000),
                crews.join(", "),
                point.fills.join(", "),
            ]
        });
        out.table(&["service point", "stop", "crews", "fills"], rows.collect())?;
    }
    out.flush()?;
    if points.is_empty() {
        note("there is no service point: describe some in a work file of the service's settings");
    }
    Ok(Outcome::Fine)
}

async fn arrivals(args: &ArrivalListArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let filter = v1::ArrivalFilter {
        point: args
            .point
            .as_ref()
            .map(|point| format!("points/{point}"))
            .unwrap_or_default(),
        unit: args
            .unit
            .as_ref()
            .map(|unit| format!("units/{unit}"))
            .unwrap_or_default(),
        leaves_after_unix_ms: args.all.then_some(0),
        arrives_before_unix_ms: None,
        with_cancelled: args.all,
    };
    let arrivals: Vec<v1::Arrival> = connection.list_arrivals(filter).try_collect().await?;
    let mut out = Out::new();
    if args.ask.json {
        for arrival in &arrivals {
            out.json(&print::arrival_json(arrival))?;
        }
    } else if !arrivals.is_empty() {
        let rows = arrivals.iter().map(|arrival| {
            vec![
                tail(&arrival.unit).to_owned(),
                tail(&arrival.point).to_owned(),
                short_instant(arrival.arrives_unix_ms),
                arrival
                    .leaves_unix_ms
                    .map_or_else(|| "not said".to_owned(), short_instant),
                match &arrival.restored {
                    Some(restored) => format!("{}, again {}", arrival.source, restored.by),
                    None => arrival.source.clone(),
                },
                match &arrival.cancelled {
                    Some(cancelled) => format!("cancelled by {}", cancelled.by),
                    None => tail(&arrival.name).to_owned(),
                },
            ]
        });
        let head = ["unit", "service point", "in", "out", "said by", "arrival"];
        out.table(&head, rows.collect())?;
    }
    out.flush()?;
    if !args.ask.json {
        note(counted(arrivals.len(), "arrival"));
    }
    Ok(Outcome::Fine)
}

/// Reads a table and says which of its columns are not used.
fn table(path: &Path, needed: &[&'static str], optional: &[&'static str]) -> Result<Table, Stop> {
    let table = Table::read(path, needed, optional)?;
    if !table.not_read.is_empty() {
        note(format!(
            "{}: columns that are not read: {}",
            path.display(),
            table.not_read.join(", ")
        ));
    }
    Ok(table)
}

/// The column of a field of the contract.
fn column(field: &str) -> &str {
    match field {
        "point" => "service point",
        "arrives_unix_ms" | "as_of_unix_ms" | "done_unix_ms" => "time",
        "leaves_unix_ms" => "out-time",
        "name" => "id",
        "on_hand" => "on hand",
        other => other,
    }
}

/// The line of an entry that is named as the wire does, `arrivals[3]`, and what stands after its name.
fn line_of<'t>(text: &'t str, lines: &[u64]) -> Option<(u64, &'t str)> {
    let (_, rest) = text.split_once('[')?;
    let (idx, after) = rest.split_once(']')?;
    let line = lines.get(idx.parse::<usize>().ok()?)?;
    Some((*line, after))
}

/// As people read it: an entry of the request is a line of their file.
fn in_lines(why: &str, lines: &[u64]) -> String {
    why.split_once("arrivals[")
        .and_then(|(before, _)| {
            let (line, after) = line_of(why, lines)?;
            Some(format!("{before}line {line}{after}"))
        })
        .unwrap_or_else(|| why.to_owned())
}

/// Takes down which entries of a file the service refuses, by line: `arrivals[3].unit` is of the fourth row.
/// Whether there were any; a refusal of something else has none.
fn take_refused(problems: &mut Problems, lines: &[u64], status: &tonic::Status) -> bool {
    let details = status.get_error_details();
    let Some(bad) = details.bad_request() else {
        return false;
    };
    for violation in &bad.field_violations {
        let why = in_lines(&violation.description, lines);
        let (line, field) =
            line_of(&violation.field, lines).unwrap_or((1, violation.field.as_str()));
        problems.refuse(line, column(field.trim_start_matches('.')), &why);
    }
    !bad.field_violations.is_empty()
}

/// A refusal of entries that stand in a file.
fn refused(path: &Path, lines: &[u64], status: tonic::Status, done: usize) -> Stop {
    let mut problems = Problems::of(path.display().to_string());
    if !take_refused(&mut problems, lines, &status) {
        return Stop::Failed(CallError::from(status).into());
    }
    match done {
        0 => problems.stop(NOTHING_RECORDED),
        done => problems.stop(&format!(
            "the first {done} rows were recorded; mend the others and run it again"
        )),
    }
}

/// Arrivals of a file, each with its line.
pub fn read_arrivals(path: &Path, source: &str) -> Result<Vec<(u64, v1::Arrival)>, Stop> {
    let (rows, problems) = take_arrivals(path, source)?;
    if problems.is_empty() {
        return Ok(rows);
    }
    Err(problems.stop(NOTHING_RECORDED))
}

/// As [`read_arrivals`], with what is wrong with the file; a row with a mistake has what can be read of it.
fn take_arrivals(path: &Path, source: &str) -> Result<(Vec<(u64, v1::Arrival)>, Problems), Stop> {
    let needed = ["unit", "service point", "time"];
    let table = table(path, &needed, &["out-time", "id"])?;
    Ok(table.take_all(|cells| {
        let unit = cells.needed("unit", "name the unit, such as ZVR 4117");
        let point = cells.needed("service point", POINT_MEND);
        let arrives = match cells.needed("time", "say when it comes in") {
            Some(_) => cells.instant("time"),
            None => None,
        };
        let leaves = cells.instant("out-time");
        if let Some((arrives, leaves)) = arrives.zip(leaves)
            && leaves <= arrives
        {
            let mend = "write when the unit leaves, or nothing";
            cells.wrong("out-time", "it is not after the time", mend);
        }
        let id = cells.text("id");
        Some(v1::Arrival {
            name: id.map(|id| format!("arrivals/{id}")).unwrap_or_default(),
            unit: format!("units/{}", unit.unwrap_or_default()),
            point: format!("points/{}", point.unwrap_or_default()),
            arrives_unix_ms: arrives.unwrap_or(0),
            leaves_unix_ms: leaves,
            source: source.to_owned(),
            ..Default::default()
        })
    }))
}

/// What the service too finds wrong with a file that has mistakes already, so that all of them are told at once.
async fn with_the_services(
    args: &SheetFileArgs,
    rows: &[(u64, v1::Arrival)],
    mut problems: Problems,
) -> Stop {
    // Without a service what can be said of the file by itself is said.
    if let Ok(connection) = connected(&args.server).await {
        for rows in rows.chunks(A_CALL) {
            let (lines, arrivals): (Vec<u64>, Vec<_>) = rows.iter().cloned().unzip();
            let request = v1::RecordArrivalsRequest {
                arrivals,
                validate_only: true,
            };
            if let Err(status) = connection.turnaround().record_arrivals(request).await
                && !take_refused(&mut problems, &lines, &status)
            {
                break;
            }
        }
    }
    problems.stop(NOTHING_RECORDED)
}

/// What a file says of parts, each with its line.
pub fn read_stock(path: &Path, source: &str) -> Result<Vec<(u64, v1::PartStock)>, Stop> {
    let needed = ["service point", "part", "on hand"];
    table(path, &needed, &["time"])?.take(|cells| {
        let point = cells.needed("service point", POINT_MEND);
        let part = cells.needed("part", "name the part as the work file does");
        let on_hand = on_hand_of(cells);
        let as_of = cells.instant("time");
        Some(v1::PartStock {
            point: format!("points/{}", point?),
            part: part?,
            on_hand: on_hand?.into(),
            as_of_unix_ms: as_of.unwrap_or(0),
            source: source.to_owned(),
            ..Default::default()
        })
    })
}

/// What a file says was done, each with its line.
pub fn read_done(path: &Path, source: &str) -> Result<Vec<(u64, v1::Care)>, Stop> {
    let needed = ["unit", "item", "time"];
    table(path, &needed, &["value"])?.take(|cells| {
        let unit = cells.needed("unit", "name the unit, such as ZVR 4117");
        let item = cells.needed("item", "name what was inspected, gauged or renewed");
        let at = match cells.needed("time", "say when it was done") {
            Some(_) => cells.instant("time"),
            None => None,
        };
        let value = cells.read("value", "write a number, or nothing", |text| {
            text.parse::<f64>().ok().filter(|value| value.is_finite())
        });
        Some(v1::Care {
            unit: format!("units/{}", unit?),
            item: item?,
            done_unix_ms: at?,
            value,
            source: source.to_owned(),
            ..Default::default()
        })
    })
}

fn on_hand_of(cells: &mut Cells<'_>) -> Option<v1::OnHand> {
    let mend = "write yes, no or unknown";
    cells.needed("on hand", mend)?;
    cells.read("on hand", mend, |text| match text.to_lowercase().as_str() {
        "yes" => Some(v1::OnHand::Yes),
        "no" => Some(v1::OnHand::No),
        "unknown" => Some(v1::OnHand::Unknown),
        _ => None,
    })
}

async fn import(args: &SheetFileArgs) -> Result<Outcome, Stop> {
    let (rows, problems) = take_arrivals(&args.file, &source(args))?;
    if !problems.is_empty() {
        return Err(with_the_services(args, &rows, problems).await);
    }
    let connection = connected(&args.server).await?;
    let (mut n_new, mut n_changed, mut n_unchanged) = (0, 0, 0);
    for (nth, rows) in rows.chunks(A_CALL).enumerate() {
        let (lines, arrivals): (Vec<u64>, Vec<_>) = rows.iter().cloned().unzip();
        let request = v1::RecordArrivalsRequest {
            arrivals,
            validate_only: false,
        };
        let recorded = connection.turnaround().record_arrivals(request).await;
        let recorded = recorded
            .map_err(|status| refused(&args.file, &lines, status, nth * A_CALL))?
            .into_inner();
        n_new += recorded.n_new;
        n_changed += recorded.n_changed;
        n_unchanged += recorded.n_unchanged;
        recorded.arrivals.iter().for_each(say_if_cancelled);
    }
    note(format!(
        "{}: {n_new} new, {n_changed} changed, {n_unchanged} known already",
        counted(rows.len(), "arrival")
    ));
    Ok(Outcome::Fine)
}

fn source(args: &SheetFileArgs) -> String {
    args.source.clone().unwrap_or_else(|| {
        let name = args.file.file_name().unwrap_or_default().to_string_lossy();
        name.chars()
            .take(40)
            .filter(|letter| !letter.is_control())
            .collect()
    })
}

/// A file does not bring back what somebody cancelled: it may be older than that.
fn say_if_cancelled(arrival: &v1::Arrival) {
    let Some(cancelled) = &arrival.cancelled else {
        return;
    };
    let why = match cancelled.why.as_str() {
        "" => String::new(),
        why => format!(" ({why})"),
    };
    let id = tail(&arrival.name);
    note(format!(
        "{} at {}, {}, was cancelled by {} at {}{why} and stays so; if it comes after all: \
         wheeltap sheet restore \"{id}\"",
        tail(&arrival.unit),
        tail(&arrival.point),
        instant(arrival.arrives_unix_ms),
        cancelled.by,
        instant(cancelled.at_unix_ms),
    ));
}

async fn restore(args: &RestoreArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::RestoreArrivalRequest {
        name: format!("arrivals/{}", args.arrival),
    };
    let arrival = answer(connection.turnaround().restore_arrival(request).await)?;
    note(format!(
        "{} at {}, {}, is to come in",
        tail(&arrival.unit),
        tail(&arrival.point),
        instant(arrival.arrives_unix_ms)
    ));
    Ok(Outcome::Fine)
}

async fn cancel(args: &CancelArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::CancelArrivalRequest {
        name: format!("arrivals/{}", args.arrival),
        why: args.why.clone().unwrap_or_default(),
    };
    let arrival = answer(connection.turnaround().cancel_arrival(request).await)?;
    note(format!(
        "{} at {}, {}, is cancelled",
        tail(&arrival.unit),
        tail(&arrival.point),
        instant(arrival.arrives_unix_ms)
    ));
    Ok(Outcome::Fine)
}

async fn parts(args: &StockArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let request = v1::ListPartStockRequest {
        point: format!("points/{}", args.point),
    };
    let stock = answer(connection.turnaround().list_part_stock(request).await)?.stock;
    let mut out = Out::new();
    if args.ask.json {
        for stock in &stock {
            out.json(&json!({
                "point": tail(&stock.point),
                "part": stock.part,
                "on_hand": print::on_hand(stock.on_hand),
                "as_of": instant(stock.as_of_unix_ms),
                "source": stock.source,
            }))?;
        }
    } else if !stock.is_empty() {
        let rows = stock.iter().map(|stock| {
            vec![
                stock.part.clone(),
                print::on_hand(stock.on_hand),
                short_instant(stock.as_of_unix_ms),
                stock.source.clone(),
            ]
        });
        out.table(&["part", "on hand", "as of", "said by"], rows.collect())?;
    }
    out.flush()?;
    if stock.is_empty() {
        note("nobody has said anything of parts there");
    }
    Ok(Outcome::Fine)
}

async fn stock(args: &SheetFileArgs) -> Result<Outcome, Stop> {
    let rows = read_stock(&args.file, &source(args))?;
    let connection = connected(&args.server).await?;
    let mut n_changed = 0;
    for (nth, rows) in rows.chunks(A_CALL).enumerate() {
        let (lines, stock): (Vec<u64>, Vec<_>) = rows.iter().cloned().unzip();
        let request = v1::RecordPartStockRequest { stock };
        let recorded = connection.turnaround().record_part_stock(request).await;
        let recorded =
            recorded.map_err(|status| refused(&args.file, &lines, status, nth * A_CALL))?;
        n_changed += recorded.into_inner().n_changed;
    }
    told(rows.len(), "part", n_changed);
    Ok(Outcome::Fine)
}

fn told(n_rows: usize, one: &str, n_changed: u32) {
    note(format!(
        "{}: {n_changed} of them news",
        counted(n_rows, one)
    ));
}

async fn done(args: &DoneArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::RecordCareRequest {
        care: vec![v1::Care {
            unit: format!("units/{}", args.unit),
            item: args.item.clone(),
            done_unix_ms: args.at.unwrap_or(0),
            value: args.value,
            ..Default::default()
        }],
    };
    let recorded = answer(connection.turnaround().record_care(request).await)?;
    note(match recorded.n_changed {
        0 => format!("{} of {} was known already", args.item, args.unit),
        _ => format!("{} of {} is recorded", args.item, args.unit),
    });
    Ok(Outcome::Fine)
}

async fn done_file(args: &SheetFileArgs) -> Result<Outcome, Stop> {
    let rows = read_done(&args.file, &source(args))?;
    let connection = connected(&args.server).await?;
    let mut n_changed = 0;
    for (nth, rows) in rows.chunks(A_CALL).enumerate() {
        let (lines, care): (Vec<u64>, Vec<_>) = rows.iter().cloned().unzip();
        let request = v1::RecordCareRequest { care };
        let recorded = connection.turnaround().record_care(request).await;
        let recorded =
            recorded.map_err(|status| refused(&args.file, &lines, status, nth * A_CALL))?;
        n_changed += recorded.into_inner().n_changed;
    }
    told(rows.len(), "record", n_changed);
    Ok(Outcome::Fine)
}
