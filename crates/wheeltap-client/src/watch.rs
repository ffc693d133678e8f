//! Following alerts, whatever happens to the connection.

use crate::backoff::Backoff;
use crate::{CallError, Connection};
use futures::stream::{self, BoxStream, StreamExt};
use std::collections::VecDeque;
use std::time::Duration;
use tonic::Code;
use wheeltap_proto::v1;

const BACKOFF: Backoff = Backoff {
    first: Duration::from_millis(200),
    longest: Duration::from_secs(15),
};
/// The service says something at least every 15 s. Three times that long means that it is gone.
const LONGEST_SILENCE: Duration = Duration::from_secs(45);

/// What a watch tells.
#[derive(Clone, Debug)]
pub enum WatchItem {
    /// An alert changed, or (kind *standing*) stood already when the watch began.
    Change {
        /// What happened to it.
        kind: v1::alert_change::Kind,
        /// As it is after the change.
        alert: Box<v1::Alert>,
        /// Resume behind this change with it.
        cursor: String,
    },
    /// All changes up to here were told; nothing is left for now. Repeated at least every 15 s, so
    /// that a screen can say how old it is.
    UpToDate {
        /// Server time, Unix milliseconds.
        at_unix_ms: i64,
        /// Resume from here with it.
        cursor: String,
    },
    /// The cursor was of no use any more: forget what was held. All alerts that stand now follow as
    /// *standing*, then changes. What raised and ended in between is in the list of alerts only.
    Relisted {
        /// Why, such as `CURSOR_EXPIRED`.
        reason: String,
    },
    /// This watcher was too slow for the service. The watch goes on where it left off, so nothing
    /// is missing; it is only late.
    FellBehind {
        /// Changes the service was ahead.
        n_missed: u64,
    },
    /// The connection broke; the watch resumes by itself.
    Disconnected {
        /// Why; `None` when the service closed the stream without an error.
        error: Option<CallError>,
        /// The next try comes after so long.
        retry_in: Duration,
    },
}

/// Follows alerts that match `filter`: from `cursor` on, or, without one, first those that stand now
/// and then every change. The stream goes on for ever, through restarts of the service, and tells
/// each change once. Nothing is asked before the stream is first polled: read up to the first
/// [`WatchItem::UpToDate`] to know that the watch has begun.
///
/// It ends with an `Err` when trying again would not help: no permission, a filter that is refused
/// or names what there is not.
///
/// # Cancel safety
/// Dropping the stream ends the watch. Keep the last cursor to go on later.
///
/// ```no_run
/// use futures::StreamExt;
/// use wheeltap_client::{WatchItem, connect, watch_alerts};
/// # #[tokio::main]
/// # async fn main() -> Result<(), Box<dyn std::error::Error>> {
/// let connection = connect("http://127.0.0.1:7417").await?;
/// let mut alerts = watch_alerts(&connection, wheeltap_proto::v1::AlertFilter::default(), None);
/// while let Some(item) = alerts.next().await {
///     if let WatchItem::Change { alert, .. } = item? {
///         println!("{} {}", alert.unit, alert.title);
///     }
/// }
/// # Ok(())
/// # }
/// ```
pub fn watch_alerts(
    connection: &Connection,
    filter: v1::AlertFilter,
    cursor: Option<String>,
) -> BoxStream<'static, Result<WatchItem, CallError>> {
    let watch = Watch {
        connection: connection.clone(),
        filter,
        cursor: cursor.unwrap_or_default(),
        inbound: None,
        queue: VecDeque::new(),
        wait: None,
        n_failures: 0,
        ended: false,
    };
    stream::unfold(watch, |mut watch| async {
        let item = watch.next().await?;
        Some((item, watch))
    })
    .boxed()
}

struct Watch {
    connection: Connection,
    filter: v1::AlertFilter,
    cursor: String,
    inbound: Option<tonic::Streaming<v1::WatchAlertsResponse>>,
    /// Told next, before anything else.
    queue: VecDeque<WatchItem>,
    /// Before the next try.
    wait: Option<Duration>,
    n_failures: u32,
    ended: bool,
}

impl Watch {
    async fn next(&mut self) -> Option<Result<WatchItem, CallError>> {
        loop {
            if let Some(item) = self.queue.pop_front() {
                return Some(Ok(item));
            }
            if self.ended {
                return None;
            }
            if let Some(wait) = self.wait.take() {
                tokio::time::sleep(wait).await;
            }
            let answer = match self.answer().await {
                Ok(answer) => answer,
                Err(error) => {
                    self.inbound = None;
                    if let Some(fatal) = self.failed(error) {
                        self.ended = true;
                        return Some(Err(fatal));
                    }
                    continue;
                }
            };
            self.n_failures = 0;
            self.take(answer);
        }
    }

    /// The next message; `Err(None)` when the service closed the stream without an error.
    async fn answer(&mut self) -> Result<v1::WatchAlertsResponse, Option<CallError>> {
        let silent = |_| {
            let status = tonic::Status::deadline_exceeded("the service has gone silent");
            Some(CallError::from(status))
        };
        let inbound = match &mut self.inbound {
            Some(inbound) => inbound,
            none => {
                let mut client = self.connection.alerts();
                let opening = client.watch_alerts(v1::WatchAlertsRequest {
                    cursor: self.cursor.clone(),
                    filter: Some(self.filter.clone()),
                });
                let opened = tokio::time::timeout(LONGEST_SILENCE, opening)
                    .await
                    .map_err(silent)?
                    .map_err(|status| Some(status.into()))?;
                none.insert(opened.into_inner())
            }
        };
        tokio::time::timeout(LONGEST_SILENCE, inbound.message())
            .await
            .map_err(silent)?
            .map_err(|status| Some(status.into()))?
            .ok_or(None)
    }

    fn take(&mut self, answer: v1::WatchAlertsResponse) {
        use v1::watch_alerts_response::Item;
        let v1::WatchAlertsResponse { item, cursor } = answer;
        if !cursor.is_empty() {
            self.cursor.clone_from(&cursor);
        }
        match item {
            Some(Item::Change(change)) => {
                let kind = change.kind();
                if let Some(alert) = change.alert {
                    self.queue.push_back(WatchItem::Change {
                        kind,
                        alert: Box::new(alert),
                        cursor,
                    });
                }
            }
            Some(Item::UpToDate(mark)) => self.queue.push_back(WatchItem::UpToDate {
                at_unix_ms: mark.at_unix_ms,
                cursor,
            }),
            Some(Item::FellBehind(behind)) => {
                self.inbound = None;
                self.queue.push_back(WatchItem::FellBehind {
                    n_missed: behind.n_missed,
                });
            }
            // Of a later version: its cursor is kept, so nothing is told twice.
            None => {}
        }
    }

    /// Decides what follows a failure; returns one that is final.
    fn failed(&mut self, error: Option<CallError>) -> Option<CallError> {
        let code = error.as_ref().map(|error| error.code);
        match (code, error) {
            (Some(Code::OutOfRange), Some(error)) if !self.cursor.is_empty() => {
                self.cursor.clear();
                self.queue.push_back(WatchItem::Relisted {
                    reason: error.reason,
                });
                None
            }
            (
                Some(
                    Code::PermissionDenied
                    | Code::Unauthenticated
                    | Code::InvalidArgument
                    | Code::NotFound
                    | Code::OutOfRange
                    | Code::Unimplemented,
                ),
                Some(error),
            ) => Some(error),
            (_, error) => {
                let retry_in = BACKOFF.wait(self.n_failures);
                self.n_failures = self.n_failures.saturating_add(1);
                self.wait = Some(retry_in);
                self.queue
                    .push_back(WatchItem::Disconnected { error, retry_in });
                None
            }
        }
    }
}
