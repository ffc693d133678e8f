//! What is known of the service right now, and the stream that tells browsers.
//!
//! One watch on alerts serves all browsers. It counts *generations*: a browser that hears of a newer
//! one than it shows asks for the rows again, so whatever it missed is there after a reconnect.

use crate::Pages;
use crate::board::{Board, Rows, Sight};
use axum::http::HeaderValue;
use axum::http::header::CONTENT_TYPE;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures::{Stream, StreamExt};
use std::convert::Infallible;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{Mutex, watch};
use tokio_stream::wrappers::WatchStream;
use wheeltap_client::{Connection, WatchItem, watch_alerts};
use wheeltap_proto::v1;

/// Changes that come together are told together.
const TOGETHER: Duration = Duration::from_millis(100);
/// Changes of defects are asked for so often.
const DEFECTS_EVERY: Duration = Duration::from_secs(1);
/// Browsers hear something this often, so that silence means a lost connection.
const HEARTBEAT: Duration = Duration::from_secs(5);

/// A board is good for so long where nothing changed: time left goes on.
const BOARD_LASTS: Duration = Duration::from_secs(10);

/// What browsers are told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Now {
    /// Rises when an alert changed, through restarts too: it begins with the time of the start, so that a
    /// browser that shows what an earlier process told never takes it for the newest.
    pub generation: u64,
    /// Server time up to which everything is known; 0 before the first.
    pub up_to_date_unix_ms: i64,
    /// The service answers.
    pub is_connected: bool,
}

impl Now {
    fn to_json(self) -> String {
        format!(
            "{{\"generation\":{},\"at\":{},\"connected\":{}}}",
            self.generation, self.up_to_date_unix_ms, self.is_connected
        )
    }
}

/// The board as last made, with the generation it shows and when that was.
struct Made {
    last: Option<(u64, Instant, Arc<Board>)>,
    sight: Sight,
}

/// The one watch behind all pages.
pub struct Live {
    now: watch::Sender<Now>,
    made: Mutex<Made>,
    stopped: watch::Sender<bool>,
}

impl Live {
    /// Begins to watch.
    pub fn start(connection: Connection) -> Arc<Self> {
        let started = crate::board::now_ms().unsigned_abs();
        let live = Arc::new(Self {
            now: watch::Sender::new(Now {
                generation: started,
                ..Now::default()
            }),
            made: Mutex::new(Made {
                last: None,
                sight: Sight::new(started),
            }),
            stopped: watch::Sender::new(false),
        });
        let watching = Arc::clone(&live);
        tokio::spawn(async move {
            let mut stopped = watching.stopped.subscribe();
            tokio::select! {
                () = watching.follow(connection.clone()) => {}
                () = watching.follow_defects(connection) => {}
                _ = stopped.wait_for(|stopped| *stopped) => {}
            }
        });
        live
    }

    /// Ends the watch and all streams to browsers.
    pub fn stop(&self) {
        self.stopped.send_replace(true);
    }

    async fn follow(&self, connection: Connection) {
        let mut alerts = watch_alerts(&connection, v1::AlertFilter::default(), None);
        while let Some(item) = alerts.next().await {
            match item {
                Ok(WatchItem::Change { .. } | WatchItem::Relisted { .. }) => {
                    self.now.send_modify(|now| now.generation += 1);
                }
                Ok(WatchItem::UpToDate { at_unix_ms, .. }) => self.now.send_modify(|now| {
                    now.up_to_date_unix_ms = at_unix_ms;
                    now.is_connected = true;
                }),
                Ok(WatchItem::FellBehind { .. }) => {}
                Ok(WatchItem::Disconnected { error, .. }) => {
                    tracing::warn!(?error, "the service does not answer the pages");
                    self.now.send_modify(|now| now.is_connected = false);
                }
                Err(error) => {
                    tracing::error!(%error, "the pages may not watch alerts");
                    self.now.send_modify(|now| now.is_connected = false);
                    return;
                }
            }
        }
    }

    /// What people do about a defect changes no alert, so changes of defects are asked for too.
    async fn follow_defects(&self, connection: Connection) {
        let mut cursor = None;
        loop {
            let mut pages =
                connection.list_defect_changes(cursor.clone(), v1::DefectFilter::default());
            while let Some(page) = pages.next().await {
                match page {
                    Ok(page) => {
                        // What there was before this began is in the first rows.
                        if cursor.is_some() && !page.changes.is_empty() {
                            self.touch();
                        }
                        cursor = Some(page.cursor);
                    }
                    Err(error) => {
                        // The watch says that the service is gone; a cursor that is too old begins anew.
                        if !matches!(error.code, tonic::Code::Unavailable) {
                            cursor = None;
                        }
                        tracing::debug!(%error, "changes of defects could not be read");
                        break;
                    }
                }
            }
            tokio::time::sleep(DEFECTS_EVERY).await;
        }
    }

    /// As it is now.
    pub fn now(&self) -> Now {
        *self.now.borrow()
    }

    /// The board of the present generation: made once for all browsers that ask, again when it is older
    /// than [`BOARD_LASTS`].
    ///
    /// # Errors
    /// Those of `read`, and what the templates say.
    pub async fn board<E: From<askama::Error>>(
        &self,
        read: impl Future<Output = Result<Rows, E>>,
    ) -> Result<Arc<Board>, E> {
        let mut made = self.made.lock().await;
        // Asked first: what changes while the lists are read makes a newer generation.
        let generation = self.now().generation;
        if let Some((of, at, board)) = &made.last
            && *of == generation
            && at.elapsed() < BOARD_LASTS
        {
            return Ok(Arc::clone(board));
        }
        let rows = read.await?;
        let board = Arc::new(Board::of(&mut made.sight, generation, rows)?);
        made.last = Some((generation, Instant::now(), Arc::clone(&board)));
        Ok(board)
    }

    /// Says that something else than an alert changed.
    pub fn touch(&self) {
        self.now.send_modify(|now| now.generation += 1);
    }
}

/// `GET /now`: what [`events`] would say, once.
pub async fn now(pages: Pages) -> Response {
    let json = HeaderValue::from_static("application/json");
    ([(CONTENT_TYPE, json)], pages.live.now().to_json()).into_response()
}

/// `GET /live`: server-sent events, one for each change of [`Now`], and one at least every 5 s.
pub async fn events(pages: Pages) -> Sse<impl Stream<Item = Result<Event, Infallible>>> {
    let told = |now: Now| {
        let event = Event::default().id(now.generation.to_string());
        Ok(event.data(now.to_json()))
    };
    let changes = WatchStream::new(pages.live.now.subscribe()).then(|now| async move {
        // What comes meanwhile is in the next one.
        tokio::time::sleep(TOGETHER).await;
        now
    });
    let live = Arc::clone(&pages.live);
    let beats = tokio_stream::wrappers::IntervalStream::new(tokio::time::interval(HEARTBEAT))
        .map(move |_| live.now());
    let mut stopped = pages.live.stopped.subscribe();
    let until = async move {
        // An error means that the watch is gone, which is the end too.
        let _ = stopped.wait_for(|stopped| *stopped).await;
    };
    let events = futures::stream::select(changes, beats)
        .map(told)
        .take_until(until);
    Sse::new(events).keep_alive(KeepAlive::default())
}
