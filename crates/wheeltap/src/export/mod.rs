//! `wheeltap export`: what the service holds, as files for other tools.

mod ical;
mod rows;
mod table;

use crate::{
    Outcome, Stop,
    args::{
        ExportAlertsArgs, ExportCommand, ExportDefectsArgs, ExportEventsArgs, ExportPlannedArgs,
        ExportTelemetryArgs, ExportTo, OfUnitArgs, TierArg,
    },
    output::{counted, note},
    remote::{self, connected},
};
use anyhow::{Context, anyhow};
use bytes::Bytes;
use futures::StreamExt;
use ical::Calendar;
use rows::{ALERT, DEFECT, EVENT, PLANNED, ROLLUP, SAMPLE};
use std::collections::BTreeMap;
use table::{Cell, Table};
use wheeltap_client::Connection;
use wheeltap_model::{ChannelName, EventTime, Quality, UnitId};
use wheeltap_proto::v1;

pub fn run(command: &ExportCommand) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            ExportCommand::Telemetry(args) => telemetry(args).await,
            ExportCommand::Events(args) => events(args).await,
            ExportCommand::Alerts(args) => alerts(args).await,
            ExportCommand::Defects(args) => defects(args).await,
            ExportCommand::Planned(args) => planned(args).await,
        }
    })
}

/// Ends a table and says how much went where.
fn done(table: Table, to: &ExportTo) -> Result<Outcome, Stop> {
    let n_rows = table.finish()?;
    if let Some(file) = &to.to {
        note(format!("{} in {}", counted(n_rows, "row"), file.display()));
    }
    Ok(Outcome::Fine)
}

const fn quality(of: Quality) -> &'static str {
    match of {
        Quality::Bad => "bad",
        Quality::Uncertain => "uncertain",
        Quality::Good => "good",
        Quality::Conflict => "conflict",
    }
}

/// The names, checked, and from when to when.
type Asked = (UnitId, Vec<ChannelName>, (EventTime, EventTime));

fn asked(of: &OfUnitArgs) -> Result<Asked, Stop> {
    let usage = |error: &dyn std::fmt::Display| Stop::Usage(anyhow!("{error}"));
    let unit = UnitId::new(&of.unit).map_err(|error| usage(&error))?;
    let channels = of
        .channel
        .iter()
        .map(|name| ChannelName::new(name).map_err(|error| usage(&error)))
        .collect::<Result<Vec<_>, _>>()?;
    let from = EventTime::from_unix_ms(of.since.unwrap_or(0));
    let to = EventTime::from_unix_ms(of.until.unwrap_or_else(remote::now_ms));
    Ok((unit, channels, (from, to)))
}

async fn events(args: &ExportEventsArgs) -> Result<Outcome, Stop> {
    let (unit, channels, (from, to)) = asked(&args.of)?;
    let connection = connected(&args.server).await?;
    let mut table = Table::begin(args.to.to.as_deref(), EVENT)?;
    for channel in &channels {
        let names = [unit.as_str(), channel.as_str()].map(|text| Bytes::from(text.to_owned()));
        let mut events = connection.list_events(&unit, channel, from, to);
        while let Some(event) = events.next().await {
            let event = event?;
            let mut row = |field: Cell, value: Cell| {
                let [unit, channel] = names.clone();
                let time = Cell::Instant(event.time_unix_ms);
                table.row([Cell::Text(unit), Cell::Text(channel), time, field, value])
            };
            if event.fields.is_empty() {
                row(Cell::Empty, Cell::Empty)?;
            }
            let fields: BTreeMap<String, f64> = event.fields.into_iter().collect();
            for (field, value) in fields {
                row(Cell::text(field), Cell::Number(value))?;
            }
        }
    }
    done(table, &args.to)
}

async fn telemetry(args: &ExportTelemetryArgs) -> Result<Outcome, Stop> {
    let (unit, channels, (from, to)) = asked(&args.of)?;
    let connection = connected(&args.server).await?;
    let fields = if args.rollup.is_some() {
        ROLLUP
    } else {
        SAMPLE
    };
    let mut table = Table::begin(args.to.to.as_deref(), fields)?;
    for channel in &channels {
        match args.rollup {
            None => samples(&connection, &mut table, (&unit, channel), (from, to)).await?,
            Some(tier) => {
                rollups(&connection, &mut table, (&unit, channel), tier, (from, to)).await?;
            }
        }
    }
    done(table, &args.to)
}

async fn samples(
    connection: &Connection,
    table: &mut Table,
    (unit, channel): (&UnitId, &ChannelName),
    (from, to): (EventTime, EventTime),
) -> Result<(), Stop> {
    let names = [unit.as_str(), channel.as_str()].map(|text| Bytes::from(text.to_owned()));
    let mut samples = connection.list_samples(unit, channel, from, to);
    while let Some(sample) = samples.next().await {
        let sample = sample?;
        let [unit, channel] = names.clone();
        table.row([
            Cell::Text(unit),
            Cell::Text(channel),
            Cell::Instant(sample.time.unix_ms()),
            Cell::Number(sample.value),
            Cell::Text(Bytes::from_static(quality(sample.quality).as_bytes())),
        ])?;
    }
    Ok(())
}

async fn rollups(
    connection: &Connection,
    table: &mut Table,
    (unit, channel): (&UnitId, &ChannelName),
    tier: TierArg,
    (from, to): (EventTime, EventTime),
) -> Result<(), Stop> {
    let names = [unit.as_str(), channel.as_str()].map(|text| Bytes::from(text.to_owned()));
    let mut rows = connection.list_rollups(unit, channel, tier.into(), from, to.plus_ms(1));
    while let Some(row) = rows.next().await {
        let row = row?;
        let [unit, channel] = names.clone();
        table.row([
            Cell::Text(unit),
            Cell::Text(channel),
            Cell::Instant(row.start_unix_ms),
            Cell::Whole(row.n.into()),
            Cell::Whole(row.n_unusable.into()),
            Cell::number(row.min),
            Cell::number(row.mean),
            Cell::number(row.max),
            Cell::number(row.last),
        ])?;
    }
    Ok(())
}

async fn alerts(args: &ExportAlertsArgs) -> Result<Outcome, Stop> {
    let filter = crate::alerts::of_the_past(&args.past);
    let connection = connected(&args.server).await?;
    let mut table = Table::begin(args.to.to.as_deref(), ALERT)?;
    let mut alerts = connection.list_alerts(filter);
    while let Some(alert) = alerts.next().await {
        table.row(rows::alert(&alert?)?)?;
    }
    done(table, &args.to)
}

async fn defects(args: &ExportDefectsArgs) -> Result<Outcome, Stop> {
    let filter = v1::DefectFilter {
        unit: args
            .unit
            .as_ref()
            .map_or(String::new(), |unit| format!("units/{unit}")),
        ..v1::DefectFilter::default()
    };
    let connection = connected(&args.server).await?;
    let mut table = Table::begin(args.to.to.as_deref(), DEFECT)?;
    let mut defects = connection.list_defects(filter);
    while let Some(defect) = defects.next().await {
        table.row(rows::defect(&defect?)?)?;
    }
    done(table, &args.to)
}

/// Open defects that have a plan, those with the earliest time first and those without one last.
async fn planned_defects(connection: &Connection) -> Result<Vec<v1::Defect>, Stop> {
    let filter = v1::DefectFilter {
        open: true,
        ..v1::DefectFilter::default()
    };
    let mut list = connection.list_defects(filter);
    let mut planned = Vec::new();
    while let Some(defect) = list.next().await {
        let defect = defect?;
        if defect.plan.is_some() {
            planned.push(defect);
        }
    }
    planned.sort_by_key(|defect| {
        let at = defect.plan.as_ref().and_then(|plan| plan.at_unix_ms);
        (at.unwrap_or(i64::MAX), defect.due_unix_ms)
    });
    Ok(planned)
}

async fn planned(args: &ExportPlannedArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let is_calendar = (args.to.to.as_ref())
        .and_then(|file| file.extension())
        .is_some_and(|ending| ending.eq_ignore_ascii_case("ics"));
    let planned = planned_defects(&connection).await?;
    if let Some(file) = args.to.to.as_ref().filter(|_| is_calendar) {
        let mut calendar = Calendar::new(remote::now_ms());
        for defect in &planned {
            calendar.add(defect);
        }
        let (text, n_entries) = calendar.finish();
        std::fs::write(file, text).with_context(|| format!("{}", file.display()))?;
        note(format!(
            "{} in {}",
            counted(n_entries, "calendar item"),
            file.display()
        ));
        return Ok(Outcome::Fine);
    }
    let mut table = Table::begin(args.to.to.as_deref(), PLANNED)?;
    for defect in &planned {
        table.row(rows::planned(defect))?;
    }
    done(table, &args.to)
}
