//! Speaking to a service: the connection, and its words in ours.

use crate::{Stop, args::ServerArgs};
use futures::{Stream, StreamExt};
use std::future::Future;
use wheeltap_client::{CallError, ConnectError, Connection, connect};
use wheeltap_model::{EventTime, PersonName};
pub use wheeltap_proto::convert::{enum_word as word, name_tail as tail};
use wheeltap_proto::v1;

/// Runs a command that waits for things.
pub fn block_on<T>(command: impl Future<Output = Result<T, Stop>>) -> Result<T, Stop> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()?
        .block_on(command)
}

/// Connects to the service named on the command line.
pub async fn connected(args: &ServerArgs) -> Result<Connection, Stop> {
    let connection = connect(&args.server).await.map_err(|error| match error {
        // The transport's own words add nothing for whoever typed the address.
        error @ ConnectError::BadEndpoint { .. } => Stop::Usage(anyhow::anyhow!("{error}")),
        error @ ConnectError::Unreachable { .. } => Stop::Failed(anyhow::anyhow!("{error}")),
    })?;
    Ok(match args.person.clone().or_else(account) {
        Some(person) => connection.acting_as(&person),
        None => connection,
    })
}

/// Who is logged in on this machine.
fn account() -> Option<PersonName> {
    let said = ["USER", "LOGNAME", "USERNAME"].map(std::env::var);
    let mut names = said.iter().flatten().map(|name| name.trim());
    PersonName::new(names.find(|name| !name.is_empty())?).ok()
}

/// The answer of one call, or what to do about its refusal.
pub fn answer<T>(result: Result<tonic::Response<T>, tonic::Status>) -> anyhow::Result<T> {
    match result {
        Ok(response) => Ok(response.into_inner()),
        Err(status) => Err(CallError::from(status).into()),
    }
}

/// The first `limit` items of a list, and whether there are more.
pub async fn first<T>(
    mut list: impl Stream<Item = Result<T, CallError>> + Unpin,
    limit: usize,
) -> Result<(Vec<T>, bool), CallError> {
    let mut items = Vec::new();
    while let Some(item) = list.next().await {
        if items.len() == limit {
            return Ok((items, true));
        }
        items.push(item?);
    }
    Ok((items, false))
}

/// What somebody took on before is not taken on again, and what was to be written with it is not kept.
pub fn already(what: &str, (by, at_ms): (&str, i64), note: &str) -> Stop {
    let kept = if note.is_empty() {
        ""
    } else {
        "; the note was not kept"
    };
    Stop::Failed(anyhow::anyhow!(
        "{what} is already taken on by {by} at {}{kept}",
        instant(at_ms)
    ))
}

pub fn priority(number: i32) -> String {
    let priority = v1::Priority::try_from(number).unwrap_or_default();
    word(priority.as_str_name(), "PRIORITY_")
}

pub fn instant(unix_ms: i64) -> String {
    EventTime::from_unix_ms(unix_ms).to_string()
}

/// An instant for tables: without the date when it is `today`, seconds only.
pub fn short_instant(unix_ms: i64) -> String {
    let text = EventTime::from_unix_ms(unix_ms.div_euclid(1_000) * 1_000).to_string();
    text.replace('T', " ").trim_end_matches('Z').to_owned()
}

pub fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}
