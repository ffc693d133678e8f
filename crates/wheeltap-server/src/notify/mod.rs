//! Tells other systems of changes: each change of an alert or a defect is posted as a CloudEvent to the
//! receivers that the settings name.
//!
//! A receiver reads the book's history at its own pace, so one that is slow or away holds up nobody and
//! fills no queue. What is refused is tried again, with growing waits, and nothing behind it goes before it:
//! a receiver sees every change at least once, in order. How far it was told is kept in the store, at most
//! [`SAVE_EVERY`] behind; what was told since then is told again after a crash, under the same id. One that
//! was away for longer than the history reaches is told so by an event of its own.

mod connect;
mod event;
mod receiver;
mod sign;

pub use receiver::{Of, Receiver, ReceiverName, ReceiverUrl};

use crate::blocking::blocking;
use crate::judging::Ledger;
use crate::{SettingsProblem, Shared, StartError};
use bytes::Bytes;
use connect::HttpClient;
use http::{HeaderName, Method, Request, StatusCode, header};
use http_body_util::{BodyExt, Full, Limited};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use sign::Key;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::task::JoinHandle;
use wheeltap_followup::{AlertQuery, ChangeNotice, DefectQuery, HistoryGone};
use wheeltap_store::{Commit, DocumentKey};

/// Document kind of a receiver's place in the ledger.
const KIND: &str = "notify";
/// How far a receiver was told is saved this often while it is being told.
const SAVE_EVERY: Duration = Duration::from_secs(1);
/// Changes of a kind read at once.
const AT_ONCE: usize = 256;
/// Shortest secret, in bytes: as long as the hash.
const LEAST_SECRET: usize = 32;
/// Bytes of an answer that are read, so that the connection can be used again.
const MOST_ANSWER: usize = 64 * 1_024;
/// The longest wait that a receiver may ask for.
const MOST_RETRY_AFTER: Duration = Duration::from_hours(1);

/// The tasks that tell receivers.
pub struct Tellers(Vec<JoinHandle<()>>);

/// Starts a task for each receiver; they end when the service stops.
///
/// # Errors
/// A secret that cannot be read or is too short; authorities that cannot be read.
pub fn start(shared: &Arc<Shared>, ledger: &Arc<Ledger>) -> Result<Tellers, StartError> {
    let receivers = shared.settings.notify.iter().cloned();
    let tellers: Result<Vec<Teller>, StartError> = receivers
        .map(|receiver| Teller::new(Arc::clone(shared), Arc::clone(ledger), receiver))
        .collect();
    let tasks = tellers?
        .into_iter()
        .map(|teller| tokio::spawn(teller.run()));
    Ok(Tellers(tasks.collect()))
}

impl Tellers {
    /// Waits until all have ended and kept how far they were.
    pub async fn ended(self) {
        for task in self.0 {
            // One that panicked has said so; what it did not tell is told at the next start.
            let _ = task.await;
        }
    }
}

fn key_of(receiver: &Receiver) -> Result<Option<Key>, SettingsProblem> {
    let Some(path) = &receiver.secret_file else {
        return Ok(None);
    };
    let file = path.display().to_string();
    let mut secret = std::fs::read(path).map_err(|error| {
        SettingsProblem::at_start(
            &file,
            error.to_string(),
            "name a readable file as secret_file, or leave it out",
        )
    })?;
    while secret.last().is_some_and(|byte| b"\r\n".contains(byte)) {
        secret.pop();
    }
    if secret.len() < LEAST_SECRET {
        return Err(SettingsProblem::at_start(
            &file,
            format!(
                "the secret of {} has {} bytes",
                receiver.name.as_str(),
                secret.len()
            ),
            &format!("write {LEAST_SECRET} random bytes or more, such as 64 hexadecimal digits"),
        ));
    }
    Ok(Some(Key {
        id: receiver.name.as_str().to_owned(),
        secret,
    }))
}

/// Why an event did not arrive.
enum Refused {
    /// Worth another try, not before the wait, if the receiver named one.
    Again {
        why: String,
        after: Option<Duration>,
    },
    /// The receiver wants no more (410 Gone), until the service starts again.
    Gone,
}

/// How telling went on.
enum Told {
    Yes,
    /// The service stops, or the receiver wants no more.
    Over,
}

struct Teller {
    shared: Arc<Shared>,
    ledger: Arc<Ledger>,
    receiver: Receiver,
    key: Option<Key>,
    source: String,
    alerts: AlertQuery,
    defects: DefectQuery,
    client: HttpClient,
}

impl Teller {
    fn new(
        shared: Arc<Shared>,
        ledger: Arc<Ledger>,
        receiver: Receiver,
    ) -> Result<Self, StartError> {
        Ok(Self {
            key: key_of(&receiver)?,
            source: event::source(shared.store.id()),
            alerts: AlertQuery {
                least_priority: receiver.least_priority,
                ..AlertQuery::default()
            },
            defects: DefectQuery {
                least_priority: receiver.least_priority,
                ..DefectQuery::default()
            },
            client: connect::client(&receiver)?,
            shared,
            ledger,
            receiver,
        })
    }

    async fn run(self) {
        // Before the book is looked at, so that nothing falls between.
        let mut news = self.ledger.position();
        let Some(mut position) = self.begin().await else {
            return;
        };
        let (mut saved, mut saved_at) = (position, Instant::now());
        loop {
            news.mark_unchanged();
            let (entries, through) = self.read(position);
            for (seq, events) in entries {
                for event in events {
                    if let Told::Over = self.tell(&event).await {
                        self.save(position).await;
                        return;
                    }
                }
                position = seq;
                if saved_at.elapsed() >= SAVE_EVERY {
                    self.save(position).await;
                    (saved, saved_at) = (position, Instant::now());
                }
            }
            position = position.max(through);
            if through < *news.borrow() {
                continue;
            }
            let due = saved_at + SAVE_EVERY;
            tokio::select! {
                changed = news.changed() => if changed.is_ok() { continue },
                () = self.shared.shutdown.wait() => {}
                () = tokio::time::sleep_until(due.into()), if position > saved => {
                    self.save(position).await;
                    (saved, saved_at) = (position, Instant::now());
                    continue;
                }
            }
            self.save(position).await;
            return;
        }
    }

    fn key(&self) -> DocumentKey {
        DocumentKey {
            kind: KIND,
            key: self.receiver.name.as_str().as_bytes().to_vec(),
        }
    }

    /// Where it was; a new receiver begins with what comes from now on.
    async fn begin(&self) -> Option<u64> {
        let (store, key) = (Arc::clone(&self.shared.store), self.key());
        let kept = blocking(move || store.document(&key)).await.ok()?;
        let kept = kept.and_then(|bytes| <[u8; 8]>::try_from(bytes).ok());
        if let Some(bytes) = kept {
            return Some(u64::from_be_bytes(bytes));
        }
        let now = self.ledger.book().seq();
        self.save(now).await;
        Some(now)
    }

    /// A failure is the store's stop, which ends the service; what was told since is told again.
    async fn save(&self, position: u64) {
        let (store, key) = (Arc::clone(&self.shared.store), self.key());
        let commit = Commit {
            ledger: Vec::new(),
            documents: vec![(key, Some(position.to_be_bytes().to_vec()))],
        };
        let _ = blocking(move || store.commit(commit)).await;
    }

    /// The next changes, by ledger entry, and the entry up to which there are no others.
    fn read(&self, position: u64) -> (Vec<(u64, Vec<serde_json::Value>)>, u64) {
        let book = self.ledger.book();
        let mut limit = AT_ONCE;
        loop {
            let read = book
                .alert_changes(position, limit)
                .and_then(|alerts| Ok((alerts, book.defect_changes(position, limit)?)));
            let (alerts, defects) = match read {
                Ok(read) => read,
                Err(HistoryGone { forgotten_through }) => {
                    let now = self.shared.clock.now();
                    let missed = event::missed(&self.source, position, forgotten_through, now);
                    return (vec![(forgotten_through, vec![missed])], forgotten_through);
                }
            };
            // The last entry of a list that was cut off may have more changes behind the cut.
            let whole = |list: &Vec<ChangeNotice>| {
                let last = list.last().map_or(u64::MAX, ChangeNotice::seq);
                if list.len() < limit {
                    u64::MAX
                } else {
                    last - 1
                }
            };
            let through = whole(&alerts).min(whole(&defects)).min(book.seq());
            if through <= position && (alerts.len() == limit || defects.len() == limit) {
                limit *= 2;
                continue;
            }
            let mut notices: Vec<ChangeNotice> = alerts
                .into_iter()
                .chain(defects)
                .filter(|notice| notice.seq() <= through)
                .collect();
            // Stable: within an entry alerts come first, in their order.
            notices.sort_by_key(ChangeNotice::seq);
            drop(book);
            return (self.events(&notices), through);
        }
    }

    fn events(&self, notices: &[ChangeNotice]) -> Vec<(u64, Vec<serde_json::Value>)> {
        notices
            .chunk_by(|a, b| a.seq() == b.seq())
            .map(|entry| {
                let events = entry
                    .iter()
                    .enumerate()
                    .filter(|(_, notice)| self.is_wanted(notice))
                    .filter_map(|(place, notice)| event::of(&self.source, notice, place));
                (entry[0].seq(), events.collect())
            })
            .collect()
    }

    fn is_wanted(&self, notice: &ChangeNotice) -> bool {
        match notice {
            ChangeNotice::Alert { alert, .. } => {
                self.receiver.of.contains(&Of::Alerts) && self.alerts.watches(alert)
            }
            ChangeNotice::Defect { defect, .. } => {
                self.receiver.of.contains(&Of::Defects) && self.defects.watches(defect.defect())
            }
            ChangeNotice::Rule { .. } => false,
        }
    }

    /// Posts one event until it was taken.
    async fn tell(&self, event: &serde_json::Value) -> Told {
        let name = self.receiver.name.as_str();
        let body = Bytes::from(event.to_string());
        let mut n_failures = 0_u32;
        loop {
            let posted = tokio::select! {
                posted = self.post(&body) => posted,
                () = self.shared.shutdown.wait() => return Told::Over,
            };
            let (why, after) = match posted {
                Ok(()) => {
                    if n_failures > 0 {
                        tracing::info!(receiver = name, n_failures, "it takes events again");
                    }
                    self.shared.metrics.events_told.add(1);
                    return Told::Yes;
                }
                Err(Refused::Gone) => {
                    tracing::error!(
                        receiver = name,
                        "it wants no more events (410); start again to go on"
                    );
                    return Told::Over;
                }
                Err(Refused::Again { why, after }) => (why, after),
            };
            self.shared.metrics.events_refused.add(1);
            let wait = after.unwrap_or_else(|| self.wait(n_failures));
            // Said once, not at every try.
            if n_failures == 0 {
                tracing::warn!(receiver = name, id = %event["id"], why, "an event was not taken; trying on");
            }
            n_failures = n_failures.saturating_add(1);
            tokio::select! {
                () = tokio::time::sleep(wait) => {}
                () = self.shared.shutdown.wait() => return Told::Over,
            }
        }
    }

    /// Between half of the doubled wait and all of it, so that many senders do not come together.
    fn wait(&self, n_failures: u32) -> Duration {
        let first = self.receiver.first_wait.duration();
        let longest = self.receiver.longest_wait.duration();
        let full = first.saturating_mul(1 << n_failures.min(20)).min(longest);
        full.mul_f64(StdRng::from_os_rng().random_range(0.5..=1.0))
    }

    async fn post(&self, body: &Bytes) -> Result<(), Refused> {
        let again = |why: String| Refused::Again { why, after: None };
        let request = self
            .request(body)
            .map_err(|error| again(error.to_string()))?;
        let exchange = async {
            let response = self
                .client
                .request(request)
                .await
                .map_err(|error| again(crate::status::chain(&error)))?;
            let (parts, body) = response.into_parts();
            // What it says is of no interest, only that it was said.
            let _ = Limited::new(body, MOST_ANSWER).collect().await;
            Ok(parts)
        };
        let parts = tokio::time::timeout(self.receiver.timeout.duration(), exchange)
            .await
            .map_err(|_| again("no answer in time".to_owned()))??;
        match parts.status {
            status if status.is_success() => Ok(()),
            StatusCode::GONE => Err(Refused::Gone),
            status => Err(Refused::Again {
                why: format!("it answered {status}"),
                after: retry_after(&parts.headers),
            }),
        }
    }

    fn request(&self, body: &Bytes) -> http::Result<Request<Full<Bytes>>> {
        let uri = self.receiver.url.uri();
        let digest = sign::content_digest(body);
        let mut request = Request::builder()
            .method(Method::POST)
            .uri(uri)
            .header(header::CONTENT_TYPE, event::CONTENT_TYPE)
            .header(
                header::USER_AGENT,
                concat!("wheeltap/", env!("CARGO_PKG_VERSION")),
            )
            .header(HeaderName::from_static("content-digest"), &digest);
        if let Some(key) = &self.key {
            let target = uri.to_string();
            let components = [
                ("@method", "POST"),
                ("@target-uri", target.as_str()),
                ("content-type", event::CONTENT_TYPE),
                ("content-digest", digest.as_str()),
            ];
            let created = self.shared.clock.now().unix_ms().div_euclid(1_000);
            if let Some((input, signature)) = key.sign(&components, created) {
                request = request
                    .header(HeaderName::from_static("signature-input"), input)
                    .header(HeaderName::from_static("signature"), signature);
            }
        }
        request.body(Full::new(body.clone()))
    }
}

/// `Retry-After` in seconds; dates are not understood. One of 0 names no wait, so that a receiver that always
/// says so is not tried without a pause.
fn retry_after(headers: &http::HeaderMap) -> Option<Duration> {
    let text = headers.get(header::RETRY_AFTER)?.to_str().ok()?;
    let seconds = text.trim().parse().ok().filter(|seconds| *seconds > 0)?;
    Some(Duration::from_secs(seconds).min(MOST_RETRY_AFTER))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_receiver_may_ask_for_a_wait_but_not_for_none() {
        let asked = |text: &str| {
            let mut headers = http::HeaderMap::new();
            headers.insert(header::RETRY_AFTER, text.parse().unwrap());
            retry_after(&headers)
        };
        assert_eq!(asked("7"), Some(Duration::from_secs(7)));
        assert_eq!(asked("999999999"), Some(MOST_RETRY_AFTER));
        for none in ["0", "-1", "Fri, 02 Jan 2026 00:00:00 GMT"] {
            assert_eq!(asked(none), None, "{none}");
        }
        assert_eq!(retry_after(&http::HeaderMap::new()), None);
    }
}
