//! AlertService: list, get, acknowledge, watch.

use crate::access::actor_of;
use crate::judging::{Cursors, Documents, Judging, Ledger, Place, expired, foreign};
use crate::paging::{Page, PageRule, bad_token};
use crate::{Shared, known, status};
use futures::Stream;
use std::collections::VecDeque;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tonic::{Request, Response, Status};
use wheeltap_followup::{AlertQuery, Book, ChangeNotice, KeptAlert, Planner, Refusal};
use wheeltap_model::{Actor, AlertId, EventTime, is_hidden};
use wheeltap_proto::convert::{self, InvalidField};
use wheeltap_proto::v1;
use wheeltap_proto::v1::alert_service_server::AlertService;
use wheeltap_proto::v1::watch_alerts_response::Item;

const ALERTS: PageRule = PageRule {
    default: 100,
    most: 1_000,
};
/// A watcher hears something at least this often.
const UP_TO_DATE_EVERY: Duration = Duration::from_secs(15);
/// Changes read from the book at once.
const CHANGES_AT_ONCE: usize = 256;
/// A watcher that has so many changes still to read has fallen behind.
const MOST_BEHIND: usize = 10_000;
/// Most defects that a filter names.
const MOST_DEFECTS: usize = 1_000;
/// Longest note, in bytes.
const MAX_NOTE: usize = 2_000;

/// The service of the contract over the book's alerts.
pub struct AlertCalls {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
    watchers: Arc<Semaphore>,
}

pub(crate) fn bad_filter(invalid: InvalidField) -> Status {
    status::bad_field("BAD_FILTER", &invalid.field, invalid.why)
}

pub(crate) fn bad_field(invalid: InvalidField) -> Status {
    status::bad_field("BAD_FIELD", &invalid.field, invalid.why)
}

/// Checks a request id (AIP-155).
pub(crate) fn check_request_id(request_id: &str) -> Result<(), Status> {
    if request_id.len() > 36 || !request_id.bytes().all(|byte| (32..127).contains(&byte)) {
        return Err(status::bad_field(
            "BAD_REQUEST_ID",
            "request_id",
            "is not up to 36 printable ASCII characters",
        ));
    }
    Ok(())
}

/// Checks the length of what a person wrote.
pub(crate) fn check_text(field: &str, text: &str, most: usize) -> Result<(), Status> {
    if text.len() > most {
        return Err(status::bad_field(
            "BAD_FIELD",
            field,
            format!("is longer than {most} bytes"),
        ));
    }
    // Line breaks and tabs are a person's; anything else that moves a cursor or turns text around is not.
    let is_typed = |character: char| matches!(character, '\n' | '\r' | '\t');
    if text.chars().any(|one| is_hidden(one) && !is_typed(one)) {
        let why = "holds a control character, or one that turns the text around; take it away";
        return Err(status::bad_field("BAD_FIELD", field, why.to_owned()));
    }
    Ok(())
}

/// Lets a person act on the ledger, on a blocking thread; the act is durable on return.
pub(crate) async fn act<T: Send + 'static>(
    ledger: &Arc<Ledger>,
    actor: Actor,
    plan: impl FnOnce(&mut Planner<'_>) -> Result<T, Refusal> + Send + 'static,
) -> Result<T, Status> {
    act_then(ledger, actor, plan, || ()).await
}

/// As [`act`], and does `then` after what is written, even if the caller has left.
///
/// # Errors
/// As [`act`].
pub(crate) async fn act_then<T: Send + 'static>(
    ledger: &Arc<Ledger>,
    actor: Actor,
    plan: impl FnOnce(&mut Planner<'_>) -> Result<T, Refusal> + Send + 'static,
    then: impl FnOnce() + Send + 'static,
) -> Result<T, Status> {
    let ledger = Arc::clone(ledger);
    let written = tokio::task::spawn_blocking(move || {
        let written = ledger.write(&actor.name, Documents::new(), plan);
        if matches!(written, Ok(Ok(_))) {
            then();
        }
        written
    });
    written
        .await
        .map_err(|_| status::internal("an act was cut off"))?
        .map_err(|error| status::ledger(&error))?
        .map_err(|refusal| status::refusal(&refusal))
}

fn query(book: &Book, filter: Option<v1::AlertFilter>) -> Result<AlertQuery, Status> {
    let v1::AlertFilter {
        unit,
        rule,
        condition,
        least_priority,
        raised_from_unix_ms,
        raised_to_unix_ms,
        show_trial,
        show_withdrawn,
        defect,
        awaits_answer,
        defects,
    } = filter.unwrap_or_default();
    let set = |text: &str| !text.is_empty();
    let rule = set(&rule)
        .then(|| known::rule_from_name(book, "filter.rule", &rule))
        .transpose()
        .map_err(bad_filter)?;
    if let Some((_, Some(_))) = rule {
        return Err(status::bad_field(
            "BAD_FILTER",
            "filter.rule",
            "names a version; write rules/{rule}",
        ));
    }
    if let Some((from, to)) = raised_from_unix_ms.zip(raised_to_unix_ms)
        && from > to
    {
        let why = format!(
            "is {}, before {}, where the span begins",
            EventTime::from_unix_ms(to),
            EventTime::from_unix_ms(from)
        );
        return Err(status::bad_field(
            "BAD_FILTER",
            "filter.raised_to_unix_ms",
            why,
        ));
    }
    Ok(AlertQuery {
        unit: set(&unit)
            .then(|| convert::unit_from_name("filter.unit", &unit))
            .transpose()
            .map_err(bad_filter)?,
        rule: rule.map(|(name, _)| name),
        condition: convert::condition_from_wire("filter.condition", condition)
            .map_err(bad_filter)?,
        least_priority: convert::priority_from_wire("filter.least_priority", least_priority)
            .map_err(bad_filter)?,
        raised_from: raised_from_unix_ms.map(EventTime::from_unix_ms),
        raised_to: raised_to_unix_ms.map(EventTime::from_unix_ms),
        show_trial,
        show_withdrawn,
        defect: set(&defect)
            .then(|| convert::defect_from_name("filter.defect", &defect))
            .transpose()
            .map_err(bad_filter)?,
        awaits_answer,
        defects: {
            if defects.len() > MOST_DEFECTS {
                let why = format!("names more than {MOST_DEFECTS}");
                return Err(status::bad_field("BAD_FILTER", "filter.defects", why));
            }
            let ids = defects
                .iter()
                .map(|name| convert::defect_from_name("filter.defects", name));
            ids.collect::<Result<_, _>>().map_err(bad_filter)?
        },
    })
}

/// Refuses names of what there is not.
fn check_names(shared: &Shared, book: &Book, query: &AlertQuery) -> Result<(), Status> {
    if let Some(unit) = &query.unit {
        known::unit(shared, unit)?;
    }
    if let Some(rule) = &query.rule {
        known::rule(book, rule)?;
    }
    let mut defects = query.defect.iter().chain(&query.defects);
    defects.try_for_each(|id| known::defect(book, *id))
}

fn to_wire(book: &Book, alert: &KeptAlert) -> v1::Alert {
    v1::Alert {
        awaits_answer: book.alert_awaits_answer(alert),
        ..(&alert.alert()).into()
    }
}

impl AlertCalls {
    /// The service over a running judge.
    pub fn new(shared: Arc<Shared>, judging: Arc<Judging>) -> Self {
        let most = usize::try_from(shared.settings.limits.watchers).unwrap_or(usize::MAX >> 4);
        Self {
            shared,
            judging,
            watchers: Arc::new(Semaphore::new(most)),
        }
    }

    fn alert(&self, id: AlertId) -> Result<v1::Alert, Status> {
        let book = self.judging.ledger().book();
        let alert = book.alert(id).ok_or(Refusal::UnknownAlert { id });
        alert
            .map(|alert| to_wire(&book, alert))
            .map_err(|refusal| status::refusal(&refusal))
    }

    /// Lets a person act on an alert, and gives it as it is then.
    async fn on_alert(
        &self,
        actor: Actor,
        name: &str,
        plan: impl FnOnce(&mut Planner<'_>, AlertId) -> Result<(), Refusal> + Send + 'static,
    ) -> Result<Response<v1::Alert>, Status> {
        let id = convert::alert_from_name("name", name).map_err(bad_field)?;
        act(self.judging.ledger(), actor, move |planner| {
            plan(planner, id)
        })
        .await?;
        self.alert(id).map(Response::new)
    }
}

/// Changes on their way to one watcher.
pub type Watching = Pin<Box<dyn Stream<Item = Result<v1::WatchAlertsResponse, Status>> + Send>>;

#[tonic::async_trait]
impl AlertService for AlertCalls {
    type WatchAlertsStream = Watching;

    async fn list_alerts(
        &self,
        request: Request<v1::ListAlertsRequest>,
    ) -> Result<Response<v1::ListAlertsResponse>, Status> {
        let v1::ListAlertsRequest {
            page_size,
            page_token,
            filter,
        } = request.into_inner();
        let arguments = filter.clone().unwrap_or_default();
        let page = Page::read(
            self.shared.store.id(),
            "ListAlerts",
            page_size,
            &page_token,
            ALERTS,
            &arguments,
        )?;
        let after = match page.after.as_deref() {
            None => None,
            Some(bytes) => {
                let (raised, id) = two_numbers(bytes)?;
                Some((EventTime::from_unix_ms(raised), AlertId(id)))
            }
        };
        let book = self.judging.ledger().book();
        let query = query(&book, filter)?;
        check_names(&self.shared, &book, &query)?;
        let mut found = book.alerts(&query, after, page.size + 1);
        let has_more = found.len() > page.size;
        found.truncate(page.size);
        let next_page_token = match found.last() {
            Some(last) if has_more => {
                page.next_token(&two_numbers_bytes(last.raised_at().unix_ms(), last.id().0))
            }
            _ => String::new(),
        };
        let alerts = found.iter().map(|alert| to_wire(&book, alert)).collect();
        Ok(Response::new(v1::ListAlertsResponse {
            alerts,
            next_page_token,
        }))
    }

    async fn get_alert(
        &self,
        request: Request<v1::GetAlertRequest>,
    ) -> Result<Response<v1::Alert>, Status> {
        let v1::GetAlertRequest { name } = request.into_inner();
        let id = convert::alert_from_name("name", &name).map_err(bad_field)?;
        self.alert(id).map(Response::new)
    }

    async fn acknowledge_alert(
        &self,
        request: Request<v1::AcknowledgeAlertRequest>,
    ) -> Result<Response<v1::Alert>, Status> {
        let actor = actor_of(&request)?;
        let v1::AcknowledgeAlertRequest {
            name,
            note,
            etag,
            request_id,
        } = request.into_inner();
        check_request_id(&request_id)?;
        check_text("note", &note, MAX_NOTE)?;
        self.on_alert(actor, &name, move |planner, id| {
            planner.acknowledge(id, &note, &etag, &request_id)
        })
        .await
    }

    async fn give_back_alert(
        &self,
        request: Request<v1::GiveBackAlertRequest>,
    ) -> Result<Response<v1::Alert>, Status> {
        let actor = actor_of(&request)?;
        let v1::GiveBackAlertRequest {
            name,
            note,
            etag,
            request_id,
        } = request.into_inner();
        check_request_id(&request_id)?;
        check_text("note", &note, MAX_NOTE)?;
        self.on_alert(actor, &name, move |planner, id| {
            planner.give_back(id, &note, &etag, &request_id)
        })
        .await
    }

    async fn watch_alerts(
        &self,
        request: Request<v1::WatchAlertsRequest>,
    ) -> Result<Response<Watching>, Status> {
        let v1::WatchAlertsRequest { cursor, filter } = request.into_inner();
        let permit = Arc::clone(&self.watchers)
            .try_acquire_owned()
            .map_err(|_| {
                status::exhausted(
                    "TOO_MANY_WATCHERS",
                    "too many watchers are open; close one or come back later",
                )
            })?;
        let cursors = Cursors::new(
            self.shared.store.id(),
            "WatchAlerts",
            &filter.clone().unwrap_or_default(),
        );
        let place = cursors.read(&cursor)?;
        let query = {
            let book = self.judging.ledger().book();
            let query = query(&book, filter)?;
            check_names(&self.shared, &book, &query)?;
            query
        };
        let watch = Watch::open(
            Arc::clone(&self.shared),
            Arc::clone(self.judging.ledger()),
            (cursors, query),
            place,
            permit,
        )?;
        let stream = futures::stream::unfold(watch, |mut watch| async {
            let item = watch.next().await?;
            Some((item, watch))
        });
        Ok(Response::new(Box::pin(stream)))
    }
}

pub(crate) fn two_numbers_bytes(first: i64, second: u64) -> [u8; 16] {
    let mut bytes = [0; 16];
    bytes[..8].copy_from_slice(&first.to_be_bytes());
    bytes[8..].copy_from_slice(&second.to_be_bytes());
    bytes
}

pub(crate) fn two_numbers(bytes: &[u8]) -> Result<(i64, u64), Status> {
    let bytes = <[u8; 16]>::try_from(bytes).map_err(|_| bad_token())?;
    let (mut first, mut second) = ([0; 8], [0; 8]);
    first.copy_from_slice(&bytes[..8]);
    second.copy_from_slice(&bytes[8..]);
    Ok((i64::from_be_bytes(first), u64::from_be_bytes(second)))
}

enum Pending {
    Standing(Arc<KeptAlert>, Place),
    Change(ChangeNotice, Place),
    UpToDate,
    FellBehind(u64),
}

/// One watcher. It reads the book's history whenever its client has room, so a slow one costs nobody
/// anything: there is no queue to fill.
struct Watch {
    shared: Arc<Shared>,
    ledger: Arc<Ledger>,
    cursors: Cursors,
    query: AlertQuery,
    /// Changes up to here were put into `pending`.
    place: Place,
    /// Where the ledger stood when the watch began: reaching it is catching up, not falling behind.
    began_at: u64,
    pending: VecDeque<Pending>,
    news: watch::Receiver<u64>,
    is_told_up_to_date: bool,
    has_ended: bool,
    _counted: Counted,
}

struct Counted {
    shared: Arc<Shared>,
    _permit: OwnedSemaphorePermit,
}

impl Drop for Counted {
    fn drop(&mut self) {
        self.shared.metrics.watchers_now.sub(1);
    }
}

impl Watch {
    fn open(
        shared: Arc<Shared>,
        ledger: Arc<Ledger>,
        (cursors, query): (Cursors, AlertQuery),
        place: Option<Place>,
        permit: OwnedSemaphorePermit,
    ) -> Result<Self, Status> {
        // Before the book is looked at, so that nothing falls between.
        let news = ledger.position();
        let book = ledger.book();
        let began_at = book.seq();
        let place = match place {
            None => Place {
                standing_through: Some(0),
                ..Place::whole(began_at)
            },
            Some(place) if place.position > began_at => return Err(foreign()),
            Some(place) => place,
        };
        book.alert_changes(place.position, 0).map_err(expired)?;
        let mut pending = VecDeque::new();
        if let Some(through) = place.standing_through {
            let standing = book.standing().filter(|alert| {
                alert.id().0 > through
                    && alert.raised_by() <= place.position
                    && book.lists(&query, alert)
            });
            for alert in standing {
                let sent = Place {
                    standing_through: Some(alert.id().0),
                    ..place
                };
                pending.push_back(Pending::Standing(Arc::clone(alert), sent));
            }
        }
        drop(book);
        shared.metrics.watchers_now.add(1);
        let counted = Counted {
            shared: Arc::clone(&shared),
            _permit: permit,
        };
        Ok(Self {
            shared,
            ledger,
            cursors,
            query,
            place,
            began_at,
            pending,
            news,
            is_told_up_to_date: false,
            has_ended: false,
            _counted: counted,
        })
    }

    fn response(&self, item: Item, place: Place) -> v1::WatchAlertsResponse {
        v1::WatchAlertsResponse {
            item: Some(item),
            cursor: self.cursors.write(place),
        }
    }

    fn sent(&mut self, pending: Pending) -> Option<v1::WatchAlertsResponse> {
        let change = |kind: v1::alert_change::Kind, alert: &KeptAlert| {
            Item::Change(v1::AlertChange {
                kind: kind.into(),
                alert: Some(to_wire(&self.ledger.book(), alert)),
            })
        };
        match pending {
            Pending::Standing(alert, place) => {
                let item = change(v1::alert_change::Kind::Standing, &alert);
                Some(self.response(item, place))
            }
            Pending::Change(
                ChangeNotice::Alert {
                    seq: _,
                    at: _,
                    change: kind,
                    alert,
                },
                place,
            ) => {
                let item = change(convert::alert_change_to_wire(kind), &alert);
                Some(self.response(item, place))
            }
            Pending::Change(..) => None,
            Pending::UpToDate => {
                let at_unix_ms = self.ledger.now().unix_ms();
                let item = Item::UpToDate(v1::UpToDate { at_unix_ms });
                Some(self.response(item, self.place))
            }
            Pending::FellBehind(n_missed) => {
                self.has_ended = true;
                let item = Item::FellBehind(v1::FellBehind { n_missed });
                Some(self.response(item, self.place))
            }
        }
    }

    async fn next(&mut self) -> Option<Result<v1::WatchAlertsResponse, Status>> {
        loop {
            if self.has_ended {
                return None;
            }
            if self.shared.shutdown.is_stopping() {
                self.has_ended = true;
                return Some(Err(status::shutting_down()));
            }
            while let Some(pending) = self.pending.pop_front() {
                if let Some(response) = self.sent(pending) {
                    return Some(Ok(response));
                }
            }
            if self.read_changes() {
                continue;
            }
            if !self.is_told_up_to_date {
                self.is_told_up_to_date = true;
                self.pending.push_back(Pending::UpToDate);
                continue;
            }
            let shared = Arc::clone(&self.shared);
            tokio::select! {
                news = self.news.changed() => {
                    if news.is_err() {
                        self.has_ended = true;
                    }
                }
                () = shared.shutdown.wait() => {}
                () = tokio::time::sleep(UP_TO_DATE_EVERY) => self.is_told_up_to_date = false,
            }
        }
    }

    /// Puts the next changes into `pending`; `false` when there are none.
    fn read_changes(&mut self) -> bool {
        self.news.mark_unchanged();
        let book = self.ledger.book();
        let now = book.seq();
        let n_behind = book.n_alert_changes(self.place.position.max(self.began_at));
        let changes = match book.alert_changes(self.place.position, CHANGES_AT_ONCE) {
            Ok(changes) if n_behind <= MOST_BEHIND => changes,
            Ok(_) => {
                drop(book);
                self.pending.push_back(Pending::FellBehind(n_behind as u64));
                return true;
            }
            Err(_) => {
                drop(book);
                self.pending
                    .push_back(Pending::FellBehind(now - self.place.position));
                return true;
            }
        };
        drop(book);
        let Some(last) = changes.last() else {
            self.place = Place::whole(now);
            return false;
        };
        let newest = last.seq();
        for (change, _, after) in self.place.unsent(&changes) {
            if matches!(change, ChangeNotice::Alert { alert, .. } if self.query.watches(alert)) {
                let change = Pending::Change(change.clone(), after);
                self.pending.push_back(change);
            }
        }
        self.place = Place::whole(newest);
        if !self.pending.is_empty() {
            self.is_told_up_to_date = false;
        }
        true
    }
}
