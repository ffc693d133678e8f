//! `wheeltap watch`: alerts as they come, through lost connections and restarts.

use crate::{
    Outcome, Stop,
    alert_json::{Served, inputs, told},
    alerts,
    args::WatchArgs,
    output::{Out, counted, fitted, note},
    remote::{self, connected, priority, short_instant, tail, word},
};
use anyhow::Context;
use futures::StreamExt;
use serde::Serialize;
use std::{
    fs, io,
    path::{Path, PathBuf},
};
use wheeltap_client::{WatchItem, watch_alerts};
use wheeltap_proto::v1;

/// One change as printed by `--json`.
#[derive(Serialize)]
struct Line<'a> {
    change: String,
    #[serde(flatten)]
    alert: Served,
    cursor: &'a str,
}

/// Where the last cursor is kept between runs.
struct CursorFile(Option<PathBuf>);

impl CursorFile {
    fn read(&self) -> anyhow::Result<Option<String>> {
        let Some(path) = &self.0 else {
            return Ok(None);
        };
        match fs::read_to_string(path) {
            Ok(text) => Ok(Some(text.trim().to_owned()).filter(|cursor| !cursor.is_empty())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => {
                Err(error).with_context(|| format!("{} could not be read", path.display()))
            }
        }
    }

    /// A crash leaves the old cursor or the new one: at worst the last change is told again.
    fn write(&self, cursor: &str) -> anyhow::Result<()> {
        let Some(path) = &self.0 else { return Ok(()) };
        replace(path, cursor.as_bytes())
    }
}

/// Replaces a small file as a whole.
pub fn replace(path: &Path, content: &[u8]) -> anyhow::Result<()> {
    let mut draft = path.as_os_str().to_owned();
    draft.push(".new");
    fs::write(&draft, content)
        .and_then(|()| fs::rename(&draft, path))
        .with_context(|| format!("{} could not be written", path.display()))
}

pub fn run(args: &WatchArgs) -> Result<Outcome, Stop> {
    remote::block_on(watch(args))
}

async fn watch(args: &WatchArgs) -> Result<Outcome, Stop> {
    let connection = connected(&args.ask.server).await?;
    let file = CursorFile(args.cursor_file.clone());
    let cursor = match &args.cursor {
        Some(cursor) => Some(cursor.clone()),
        None => file.read()?,
    };
    let mut items = watch_alerts(&connection, alerts::filter(&args.filter), cursor);
    let mut out = Out::new();
    let mut state = State::default();
    loop {
        let item = tokio::select! {
            item = items.next() => item,
            _ = tokio::signal::ctrl_c() => None,
        };
        let Some(item) = item else { break };
        match item? {
            WatchItem::Change {
                kind,
                alert,
                cursor,
            } => {
                if args.ask.json {
                    out.json(&Line {
                        change: change(kind),
                        alert: Served::from(alert.as_ref()),
                        cursor: &cursor,
                    })?;
                } else {
                    out.line(fitted(line(kind, &alert)))?;
                }
                out.flush()?;
                file.write(&cursor)?;
            }
            WatchItem::UpToDate { cursor, .. } => {
                file.write(&cursor)?;
                if args.catch_up {
                    break;
                }
                if state.tell_up_to_date() {
                    note(format!("up to date, watching {}", args.ask.server.server));
                }
            }
            WatchItem::Relisted { reason } => note(format!(
                "the cursor is of no use any more ({reason}): what stands now follows; for what came \
                 and went meanwhile see `wheeltap alerts`"
            )),
            WatchItem::FellBehind { n_missed } => {
                let n_missed = usize::try_from(n_missed).unwrap_or(usize::MAX);
                note(format!("late by {}", counted(n_missed, "change")));
            }
            WatchItem::Disconnected { error, retry_in } => {
                let why = error.map_or_else(|| "it was closed".to_owned(), |error| error.message);
                state.lost();
                note(format!(
                    "the connection is lost ({why}); next try in {:.1} s",
                    retry_in.as_secs_f64()
                ));
            }
        }
    }
    Ok(Outcome::Fine)
}

/// Whether people were told that what they see is current.
#[derive(Default)]
struct State {
    current: bool,
}

impl State {
    const fn tell_up_to_date(&mut self) -> bool {
        !std::mem::replace(&mut self.current, true)
    }

    const fn lost(&mut self) {
        self.current = false;
    }
}

fn change(kind: v1::alert_change::Kind) -> String {
    word(kind.as_str_name(), "KIND_")
}

/// One change for people.
pub fn line(kind: v1::alert_change::Kind, alert: &v1::Alert) -> String {
    use v1::alert_change::Kind;
    let ended = kind == Kind::Ended;
    let at_ms = match alert.ended_unix_ms {
        Some(ended_ms) if ended => ended_ms,
        _ => alert.raised_unix_ms,
    };
    let evidence = match (&alert.end_evidence, ended) {
        (Some(evidence), true) => Some(evidence),
        _ => alert.evidence.as_ref(),
    };
    let remark = match kind {
        Kind::Ended => format!(" ({})", alerts::ended(alert)),
        Kind::Acknowledged => alert
            .acknowledgement
            .as_ref()
            .map_or(String::new(), |act| format!(" (by {})", act.by)),
        Kind::Suppression if alert.suppressed_by_design || !alert.mute.is_empty() => {
            " (begins)".to_owned()
        }
        Kind::Suppression => " (ends)".to_owned(),
        _ if !alert.told_with.is_empty() => format!(" (told with #{})", tail(&alert.told_with)),
        _ if alert.late_news => " (late news: it has ended)".to_owned(),
        _ => String::new(),
    };
    format!(
        "{}  {:12}  {:6}  #{:<4}  {}  {}{remark}: {}",
        short_instant(at_ms),
        change(kind),
        priority(alert.priority),
        tail(&alert.name),
        alerts::whose(alert),
        alert.title,
        told(&inputs(evidence)),
    )
}
