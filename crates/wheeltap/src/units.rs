//! `wheeltap units`: the fleet.

use crate::{
    Outcome, Stop,
    args::{UnitAddArgs, UnitListArgs, UnitShowArgs, UnitStateArgs, UnitsCommand},
    output::{Out, counted, duration, note},
    remote::{self, answer, connected, instant, now_ms, short_instant, tail, word},
};
use anyhow::anyhow;
use futures::TryStreamExt;
use serde::Serialize;
use wheeltap_model::ClassName;
use wheeltap_proto::v1;

/// One unit as printed by `--json`.
#[derive(Serialize)]
struct Line {
    unit: String,
    road_number: String,
    class: String,
    commissioned_at: String,
    state: String,
    state_from: Option<String>,
    state_source: Option<String>,
    train: Option<String>,
    order: Option<u32>,
    role: Option<String>,
    facing: Option<String>,
    /// Event time.
    newest_at: Option<String>,
    /// Server time.
    last_heard_at: Option<String>,
}

fn state(unit: &v1::Unit) -> String {
    word(unit.state().as_str_name(), "UNIT_STATE_")
}

fn role(consist: &v1::ConsistPosition) -> String {
    word(consist.role().as_str_name(), "CONSIST_ROLE_")
}

impl From<&v1::Unit> for Line {
    fn from(unit: &v1::Unit) -> Self {
        let said = !unit.state_source.is_empty();
        let consist = unit.consist.as_ref();
        Self {
            unit: tail(&unit.name).to_owned(),
            road_number: unit.road_number.clone(),
            class: tail(&unit.unit_class).to_owned(),
            commissioned_at: instant(unit.commissioned_unix_ms),
            state: state(unit),
            state_from: said.then(|| instant(unit.state_from_unix_ms)),
            state_source: said.then(|| unit.state_source.clone()),
            train: consist
                .map(|consist| consist.train.clone())
                .filter(|train| !train.is_empty()),
            order: consist
                .map(|consist| consist.order)
                .filter(|order| *order > 0),
            role: consist.map(role),
            facing: consist.map(|consist| word(consist.facing().as_str_name(), "FACING_")),
            newest_at: unit.newest_event_unix_ms.map(instant),
            last_heard_at: unit.last_heard_unix_ms.map(instant),
        }
    }
}

pub fn run(list: &UnitListArgs, command: Option<&UnitsCommand>) -> Result<Outcome, Stop> {
    remote::block_on(async {
        match command {
            None => print_list(list).await,
            Some(UnitsCommand::Show(args)) => show(args).await,
            Some(UnitsCommand::Add(args)) => add(args).await,
            Some(UnitsCommand::State(args)) => set_state(args).await,
        }
    })
}

async fn print_list(args: &UnitListArgs) -> Result<Outcome, Stop> {
    let class = args
        .class
        .as_deref()
        .map(ClassName::new)
        .transpose()
        .map_err(|error| Stop::Usage(error.into()))?;
    let connection = connected(&args.ask.server).await?;
    let units: Vec<v1::Unit> = connection.list_units(class.as_ref()).try_collect().await?;
    let mut out = Out::new();
    if args.ask.json {
        for unit in &units {
            out.json(&Line::from(unit))?;
        }
    } else if !units.is_empty() {
        let head = ["unit", "class", "state", "train", "role", "newest", "heard"];
        out.table(&head, units.iter().map(row).collect())?;
    }
    out.flush()?;
    if !args.ask.json {
        note(counted(units.len(), "unit"));
    }
    Ok(Outcome::Fine)
}

fn row(unit: &v1::Unit) -> Vec<String> {
    let dash = || "-".to_owned();
    let consist = unit.consist.as_ref();
    let train = consist
        .map(|consist| consist.train.clone())
        .filter(|train| !train.is_empty());
    vec![
        tail(&unit.name).to_owned(),
        tail(&unit.unit_class).to_owned(),
        state(unit).replace('_', " "),
        train.unwrap_or_else(dash),
        consist.map_or_else(dash, role),
        unit.newest_event_unix_ms.map_or_else(dash, short_instant),
        unit.last_heard_unix_ms.map_or_else(dash, |heard_ms| {
            format!("{} ago", duration(now_ms() - heard_ms))
        }),
    ]
}

async fn show(args: &UnitShowArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let request = v1::GetUnitRequest {
        name: format!("units/{}", args.unit),
    };
    let unit = answer(connection.fleet().get_unit(request).await)?;
    let mut out = Out::new();
    let line = Line::from(&unit);
    if args.ask.json {
        out.json(&line)?;
        out.flush()?;
        return Ok(Outcome::Fine);
    }
    let mut lines = vec![
        ("unit", line.unit),
        ("road number", line.road_number),
        ("class", line.class),
        ("commissioned", line.commissioned_at),
    ];
    lines.push((
        "state",
        match (line.state_from, line.state_source) {
            (Some(from), Some(source)) => {
                format!(
                    "{} since {from}, said by {source}",
                    line.state.replace('_', " ")
                )
            }
            _ => line.state,
        },
    ));
    if let Some(train) = line.train {
        let order = line
            .order
            .map_or(String::new(), |order| format!(", number {order}"));
        let role = line.role.unwrap_or_default();
        let facing = line.facing.unwrap_or_default();
        lines.push(("train", format!("{train}{order}, {role}, facing {facing}")));
    }
    let none = || "nothing yet".to_owned();
    lines.push(("newest data", line.newest_at.unwrap_or_else(none)));
    lines.push(("last heard", line.last_heard_at.unwrap_or_else(none)));
    out.facts(&lines)?;
    out.flush()?;
    Ok(Outcome::Fine)
}

async fn add(args: &UnitAddArgs) -> Result<Outcome, Stop> {
    let unit_id =
        wheeltap_model::UnitId::new(&args.unit).map_err(|error| Stop::Usage(anyhow!("{error}")))?;
    let connection = connected(&args.server).await?;
    let request = v1::CreateUnitRequest {
        unit_id: unit_id.to_string(),
        unit: Some(v1::Unit {
            road_number: args
                .road_number
                .clone()
                .unwrap_or_else(|| args.unit.clone()),
            unit_class: format!("classes/{}", args.class),
            commissioned_unix_ms: args.commissioned,
            ..Default::default()
        }),
        ..Default::default()
    };
    answer(connection.fleet().create_unit(request).await)?;
    note(format!("unit {unit_id} is in the fleet"));
    Ok(Outcome::Fine)
}

async fn set_state(args: &UnitStateArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.server).await?;
    let request = v1::RecordUnitStateRequest {
        name: format!("units/{}", args.unit),
        from_unix_ms: args.from.unwrap_or_else(now_ms),
        state: v1::UnitState::from(args.state).into(),
        source: args.source.clone(),
    };
    let unit = answer(connection.fleet().record_unit_state(request).await)?;
    note(format!(
        "unit {} is {} since {}",
        tail(&unit.name),
        state(&unit).replace('_', " "),
        instant(unit.state_from_unix_ms)
    ));
    Ok(Outcome::Fine)
}
