//! DefectService: list, get, report, record a finding, and the change feed.

use crate::access::actor_of;
use crate::after_repair::{AfterRepair, Repairs};
use crate::alerts::{
    act, bad_field, bad_filter, check_request_id, check_text, two_numbers, two_numbers_bytes,
};
use crate::desk::last_act_on;
use crate::fleet::UnitRecord;
use crate::judging::{Cursors, Judging, Place, expired, foreign};
use crate::paging::{Page, PageRule};
use crate::turnaround::as_of;
use crate::{Shared, known, status};
use std::sync::Arc;
use tonic::{Code, Request, Response, Status};
use wheeltap_followup::{
    Book, Call, ChangeNotice, DefectChangeKind, DefectQuery, KeptDefect, Planner, Refusal, Report,
    Verdict,
};
use wheeltap_model::{DefectId, DefectOrigin, EventTime, Priority, ServerTime, Work};
use wheeltap_proto::convert;
use wheeltap_proto::v1;
use wheeltap_proto::v1::defect_service_server::DefectService;

const DEFECTS: PageRule = PageRule {
    default: 100,
    most: 1_000,
};
/// Longest title and note, in bytes.
const MAX_TEXT: usize = 2_000;
/// Longest system, component and name, in bytes.
const MAX_NAME: usize = 128;
/// Work that was to begin so long ago is not planned any more.
const PLAN_SLACK_MS: i64 = 86_400_000;
/// A first sign further back than this many years is a slip of the pen. Ours: heavy overhauls are closer together.
const OLDEST_SIGN_YEARS: i64 = 5;
const OLDEST_SIGN_MS: i64 = OLDEST_SIGN_YEARS * 366 * 86_400_000;
/// Most parts that a finding names.
const MAX_PARTS: usize = 50;

/// The service of the contract over the book's defects.
pub struct DefectCalls {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
    repairs: Arc<Repairs>,
}

fn query(shared: &Shared, filter: Option<v1::DefectFilter>) -> Result<DefectQuery, Status> {
    let v1::DefectFilter {
        unit,
        status,
        least_priority,
        component,
        open,
    } = filter.unwrap_or_default();
    let unit = (!unit.is_empty())
        .then(|| convert::unit_from_name("filter.unit", &unit))
        .transpose()
        .map_err(bad_filter)?;
    if let Some(unit) = &unit {
        known::unit(shared, unit)?;
    }
    Ok(DefectQuery {
        unit,
        status: convert::defect_status_from_wire("filter.status", status).map_err(bad_filter)?,
        least_priority: convert::priority_from_wire("filter.least_priority", least_priority)
            .map_err(bad_filter)?,
        component: (!component.is_empty()).then_some(component),
        open,
    })
}

const fn kind_to_wire(kind: DefectChangeKind) -> v1::defect_change::Kind {
    use v1::defect_change::Kind;
    match kind {
        DefectChangeKind::Opened => Kind::Opened,
        DefectChangeKind::Changed => Kind::Changed,
        DefectChangeKind::Closed => Kind::Closed,
        DefectChangeKind::Voided => Kind::Voided,
    }
}

/// A request to act on one defect.
trait OnDefect: Send + 'static {
    fn name_and_request_id(&self) -> (&str, &str);
}

macro_rules! on_defect {
    ($($message:ident),+ $(,)?) => {$(
        impl OnDefect for v1::$message {
            fn name_and_request_id(&self) -> (&str, &str) {
                (&self.name, &self.request_id)
            }
        }
    )+};
}

on_defect!(
    TakeDefectOnRequest,
    LogContactRequest,
    KeepPromiseRequest,
    SayDispositionRequest,
    PlanDefectRequest,
    BeginWorkRequest,
    CloseWithoutFindingRequest,
    SplitDefectRequest,
    MergeDefectRequest
);

impl DefectCalls {
    /// The service over a running judge.
    pub const fn new(shared: Arc<Shared>, judging: Arc<Judging>, repairs: Arc<Repairs>) -> Self {
        Self {
            shared,
            judging,
            repairs,
        }
    }

    fn defect(&self, id: DefectId) -> Result<v1::Defect, Status> {
        let book = self.judging.ledger().book();
        let kept = book.defect(id).ok_or(Refusal::UnknownDefect { id });
        kept.map(|kept| to_wire(&book, kept))
            .map_err(|refusal| status::refusal(&refusal))
    }

    /// When a repair was done of which nothing else is said: now, or at the first sign where the unit's clock runs
    /// ahead of the server's.
    fn repaired_now(&self, id: DefectId) -> EventTime {
        let ledger = self.judging.ledger();
        let now = EventTime::from_unix_ms(ledger.now().unix_ms());
        let book = ledger.book();
        let sign = book.defect(id).map(|kept| kept.defect().first_sign_at);
        sign.map_or(now, |sign| sign.max(now))
    }

    /// When a repair was done whose finding is corrected and nothing else is said: as it was.
    fn repaired_before(&self, id: DefectId) -> EventTime {
        let before = {
            let book = self.judging.ledger().book();
            let finding = book.defect(id).and_then(|kept| kept.last_finding());
            finding.map(|finding| finding.repaired_at)
        };
        before.unwrap_or_else(|| self.repaired_now(id))
    }

    /// An act that was refused because the defect changed meanwhile says who did what.
    async fn who_came_first(&self, refused: Status, id: DefectId) -> Status {
        if refused.code() != Code::Aborted {
            return refused;
        }
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        let last = tokio::task::spawn_blocking(move || last_act_on(&shared, judging.ledger(), id));
        match last.await {
            Ok(Ok(Some(last))) => status::stale_etag(format!(
                "defect {} was changed meanwhile: {} {} at {}; look at it again",
                id.0,
                last.by,
                last.what,
                ServerTime::from_unix_ms(last.at_unix_ms.div_euclid(1_000) * 1_000)
            )),
            _ => refused,
        }
    }

    /// Lets a person act on a defect, and gives it as it is then.
    async fn on_defect<M: OnDefect>(
        &self,
        request: Request<M>,
        plan: impl FnOnce(&mut Planner<'_>, DefectId, M) -> Result<(), Refusal> + Send + 'static,
    ) -> Result<Response<v1::Defect>, Status> {
        self.regroup(request, |planner, id, message| {
            plan(planner, id, message).map(|()| id)
        })
        .await
    }

    /// Lets a person act on a defect, and gives the one that comes of it.
    async fn regroup<M: OnDefect>(
        &self,
        request: Request<M>,
        plan: impl FnOnce(&mut Planner<'_>, DefectId, M) -> Result<DefectId, Refusal> + Send + 'static,
    ) -> Result<Response<v1::Defect>, Status> {
        let actor = actor_of(&request)?;
        let message = request.into_inner();
        let (name, request_id) = message.name_and_request_id();
        check_request_id(request_id)?;
        let id = convert::defect_from_name("name", name).map_err(bad_field)?;
        let done = act(self.judging.ledger(), actor, move |planner| {
            plan(planner, id, message)
        });
        match done.await {
            Ok(id) => self.defect(id).map(Response::new),
            Err(refused) => Err(self.who_came_first(refused, id).await),
        }
    }
}

fn to_wire(book: &Book, kept: &KeptDefect) -> v1::Defect {
    v1::Defect {
        awaits_answer: book.awaits_answer(kept),
        ..kept.defect().into()
    }
}

/// Where service points are described, work is planned at one of them; and it is still to come.
fn check_plan(shared: &Shared, plan: &v1::Plan) -> Result<(), Status> {
    let place = plan.service_point.as_str();
    let points = &shared.work.points;
    let is_known = points.iter().any(|point| point.name.as_str() == place);
    // An empty name is refused where a repeated request is told from a new one.
    if !points.is_empty() && !place.is_empty() && !is_known {
        let why = known::no_point(shared, place);
        return Err(status::bad_field(
            "UNKNOWN_POINT",
            "plan.service_point",
            why,
        ));
    }
    let earliest = as_of(shared).plus_ms(-PLAN_SLACK_MS);
    match plan.at_unix_ms.map(EventTime::from_unix_ms) {
        Some(at) if at < earliest => Err(bad(
            "plan.at_unix_ms",
            format!("is {at}, which is past; say when the work is to begin"),
        )),
        _ => Ok(()),
    }
}

fn bad(field: &str, why: impl Into<String>) -> Status {
    status::bad_field("BAD_FIELD", field, why)
}

/// Refuses a first sign that cannot be: before the unit was there, or so far back that it is a slip of the pen,
/// as counted from the unit's newest data where that is older than the clock.
fn check_first_sign(record: &UnitRecord, sign: EventTime, now: ServerTime) -> Result<(), Status> {
    let commissioned = record.unit.commissioned;
    let now = EventTime::from_unix_ms(now.unix_ms());
    let newest = record.heard.newest_event();
    let newest = newest.map_or(now, |newest| newest.min(now));
    let why = if sign < commissioned && commissioned.unix_ms() != 0 {
        format!(
            "is {sign}, before unit {} was commissioned at {commissioned}",
            record.unit.id
        )
    } else if newest.ms_since(sign) > OLDEST_SIGN_MS {
        format!("is {sign}, more than {OLDEST_SIGN_YEARS} years before {newest}")
    } else {
        return Ok(());
    };
    Err(bad(
        "defect.first_sign_unix_ms",
        format!("{why}; give the time it was seen"),
    ))
}

/// Working time of one finding, at most.
const MOST_MINUTES: u32 = 366 * 24 * 60;

/// One ledger entry may change several defects; a change's number has so many bits for its place in it.
const PLACE_BITS: u32 = 20;

/// The change of a notice, the `idx`th of its ledger entry; `None` where the query does not ask for it.
fn defect_change(
    query: &DefectQuery,
    notice: &ChangeNotice,
    idx: usize,
) -> Option<v1::DefectChange> {
    let ChangeNotice::Defect {
        seq,
        at,
        kind,
        defect,
        awaits_answer,
    } = notice
    else {
        return None;
    };
    query.watches(defect.defect()).then(|| v1::DefectChange {
        number: (seq << PLACE_BITS) | idx as u64,
        kind: kind_to_wire(*kind).into(),
        defect: Some(v1::Defect {
            awaits_answer: *awaits_answer,
            ..defect.defect().into()
        }),
        at_unix_ms: at.unix_ms(),
    })
}

#[tonic::async_trait]
impl DefectService for DefectCalls {
    async fn list_defects(
        &self,
        request: Request<v1::ListDefectsRequest>,
    ) -> Result<Response<v1::ListDefectsResponse>, Status> {
        let v1::ListDefectsRequest {
            page_size,
            page_token,
            filter,
            latest_first,
        } = request.into_inner();
        let page = Page::read(
            self.shared.store.id(),
            "ListDefects",
            page_size,
            &page_token,
            DEFECTS,
            &v1::ListDefectsRequest {
                filter: filter.clone(),
                latest_first,
                ..v1::ListDefectsRequest::default()
            },
        )?;
        let after = match page.after.as_deref() {
            None => None,
            Some(bytes) => {
                let (due, id) = two_numbers(bytes)?;
                Some((ServerTime::from_unix_ms(due), DefectId(id)))
            }
        };
        let query = query(&self.shared, filter)?;
        let mut found = {
            let book = self.judging.ledger().book();
            if latest_first {
                book.latest_defects(&query, after, page.size + 1)
            } else {
                book.defects(&query, after, page.size + 1)
            }
        };
        let has_more = found.len() > page.size;
        found.truncate(page.size);
        let next_page_token = match found.last() {
            Some(last) if has_more => {
                let due_at = last.defect().due_at.unix_ms();
                page.next_token(&two_numbers_bytes(due_at, last.id().0))
            }
            _ => String::new(),
        };
        Ok(Response::new(v1::ListDefectsResponse {
            defects: {
                let book = self.judging.ledger().book();
                found.iter().map(|kept| to_wire(&book, kept)).collect()
            },
            next_page_token,
        }))
    }

    async fn get_defect(
        &self,
        request: Request<v1::GetDefectRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        let v1::GetDefectRequest { name } = request.into_inner();
        let id = convert::defect_from_name("name", &name).map_err(bad_field)?;
        let mut defect = self.defect(id)?;
        let (after_repair, at) = AfterRepair::to_wire(self.repairs.of(id).await?);
        defect.after_repair = after_repair.into();
        defect.after_repair_unix_ms = at;
        Ok(Response::new(defect))
    }

    async fn report_defect(
        &self,
        request: Request<v1::ReportDefectRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        let actor = actor_of(&request)?;
        let v1::ReportDefectRequest { defect, request_id } = request.into_inner();
        check_request_id(&request_id)?;
        let v1::Defect {
            name: _,
            unit,
            system,
            component,
            origin,
            title,
            priority,
            status: _,
            first_sign_unix_ms,
            opened_unix_ms: _,
            due_unix_ms: _,
            alerts: _,
            basis_withdrawn: _,
            action: _,
            finding: _,
            etag: _,
            plan: _,
            begun_unix_ms: _,
            said: _,
            contacts: _,
            earlier_findings: _,
            merged_into: _,
            taken_by: _,
            taken_unix_ms: _,
            taken_note: _,
            awaits_answer: _,
            closed_note: _,
            reopened_unix_ms: _,
            after_repair: _,
            after_repair_unix_ms: _,
            closed_unix_ms: _,
            reports: _,
        } = defect.unwrap_or_default();
        let unit = convert::unit_from_name("defect.unit", &unit).map_err(bad_field)?;
        let record = known::unit(&self.shared, &unit)?;
        let origin = convert::defect_origin_from_wire("defect.origin", origin)
            .map_err(|invalid| status::bad_field("BAD_ORIGIN", &invalid.field, invalid.why))?
            .filter(|origin| *origin != DefectOrigin::Alert)
            .ok_or_else(|| {
                status::bad_field(
                    "BAD_ORIGIN",
                    "defect.origin",
                    "is none that a person reports: crew report, daily inspection, shop find or \
                     road failure",
                )
            })?;
        for (field, text) in [("defect.component", &component), ("defect.title", &title)] {
            if text.trim().is_empty() {
                return Err(status::bad_field("BAD_FIELD", field, "is empty"));
            }
        }
        check_text("defect.title", &title, MAX_TEXT)?;
        check_text("defect.system", &system, MAX_NAME)?;
        check_text("defect.component", &component, MAX_NAME)?;
        let priority = convert::priority_from_wire("defect.priority", priority)
            .map_err(bad_field)?
            .unwrap_or(Priority::Medium);
        let first_sign_at = match first_sign_unix_ms {
            0 => EventTime::from_unix_ms(self.judging.ledger().now().unix_ms()),
            ms => EventTime::from_unix_ms(ms),
        };
        check_first_sign(&record, first_sign_at, self.judging.ledger().now())?;
        let report = Report {
            unit,
            system,
            component,
            origin,
            title,
            priority,
            first_sign_at,
        };
        let id = act(self.judging.ledger(), actor, move |planner| {
            planner.report(report, &request_id)
        })
        .await?;
        self.defect(id).map(Response::new)
    }

    async fn record_finding(
        &self,
        request: Request<v1::RecordFindingRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        let actor = actor_of(&request)?;
        let v1::RecordFindingRequest {
            name,
            finding,
            etag,
            request_id,
            corrects,
        } = request.into_inner();
        check_request_id(&request_id)?;
        let id = convert::defect_from_name("name", &name).map_err(bad_field)?;
        let v1::Finding {
            kind,
            note,
            repaired_unix_ms,
            by: _,
            recorded_unix_ms: _,
            cause,
            component,
            failure_mode,
            minutes,
            parts,
        } = finding.unwrap_or_default();
        let kind = convert::finding_kind_from_wire("finding.kind", kind)
            .map_err(bad_field)?
            .ok_or_else(|| status::bad_field("BAD_FIELD", "finding.kind", "is not set"))?;
        check_text("finding.note", &note, MAX_TEXT)?;
        let repaired_at = match repaired_unix_ms {
            0 if corrects => self.repaired_before(id),
            0 => self.repaired_now(id),
            ms => EventTime::from_unix_ms(ms),
        };
        if minutes.is_some_and(|minutes| minutes > MOST_MINUTES) {
            let why = format!("is more than {MOST_MINUTES}, a whole year of work; give minutes");
            return Err(bad("finding.minutes", why));
        }
        check_text("finding.cause", &cause, MAX_TEXT)?;
        check_text("finding.component", &component, MAX_NAME)?;
        if parts.len() > MAX_PARTS {
            return Err(bad("finding.parts", format!("has more than {MAX_PARTS}")));
        }
        for part in &parts {
            check_text("finding.parts", part, MAX_NAME)?;
        }
        let verdict = Verdict {
            kind,
            note,
            work: Work {
                cause,
                component,
                failure_mode,
                minutes,
                parts,
            },
            repaired_at,
        };
        let done = act(self.judging.ledger(), actor, move |planner| {
            if corrects {
                planner.correct_finding(id, verdict, &etag, &request_id)
            } else {
                planner.record_finding(id, verdict, &etag, &request_id)
            }
        });
        match done.await {
            Ok(()) => self.defect(id).map(Response::new),
            Err(refused) => Err(self.who_came_first(refused, id).await),
        }
    }

    async fn take_defect_on(
        &self,
        request: Request<v1::TakeDefectOnRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        check_text("note", &request.get_ref().note, MAX_TEXT)?;
        self.on_defect(request, |planner, id, message| {
            planner.take_on(id, &message.note, &message.request_id)
        })
        .await
    }

    async fn log_contact(
        &self,
        mut request: Request<v1::LogContactRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        let message = request.get_mut();
        let v1::Contact {
            number: _,
            told,
            alert,
            answer,
            promise,
            promised_for_unix_ms,
            by: _,
            at_unix_ms: _,
            kept_by: _,
            kept_unix_ms: _,
        } = message.contact.take().unwrap_or_default();
        check_text("contact.told", &told, MAX_NAME)?;
        check_text("contact.answer", &answer, MAX_TEXT)?;
        check_text("contact.promise", &promise, MAX_TEXT)?;
        if promised_for_unix_ms.is_some() && promise.trim().is_empty() {
            let why = "is empty, but a time is given that it is due by; say what was promised";
            return Err(bad("contact.promise", why));
        }
        let now = self.judging.ledger().now();
        if promised_for_unix_ms.is_some_and(|by| by < now.unix_ms()) {
            let why = "is past; give the time by which it is promised";
            return Err(bad("contact.promised_for_unix_ms", why));
        }
        let mut about = (!alert.is_empty())
            .then(|| convert::alert_from_name("contact.alert", &alert))
            .transpose()
            .map_err(bad_field)?;
        if message.name.starts_with("alerts/") {
            let id = convert::alert_from_name("name", &message.name).map_err(bad_field)?;
            let book = self.judging.ledger().book();
            let alert = book
                .alert(id)
                .ok_or_else(|| status::refusal(&Refusal::UnknownAlert { id }))?;
            if alert.defect().0 == 0 {
                return Err(bad("name", "is an alert on trial, which has no defect"));
            }
            message.name = convert::defect_name(alert.defect());
            about = about.or(Some(id));
        }
        let call = Call {
            told,
            alert: about,
            answer,
            promise,
            promised_for: promised_for_unix_ms.map(ServerTime::from_unix_ms),
        };
        self.on_defect(request, |planner, id, message| {
            planner.log_contact(id, call, &message.request_id)
        })
        .await
    }

    async fn keep_promise(
        &self,
        request: Request<v1::KeepPromiseRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        self.on_defect(request, |planner, id, message| {
            planner.keep_promise(id, message.contact, &message.request_id)
        })
        .await
    }

    async fn say_disposition(
        &self,
        request: Request<v1::SayDispositionRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        let message = request.get_ref();
        check_text("how", &message.how, MAX_TEXT)?;
        let disposition = convert::disposition_from_wire("disposition", message.disposition)
            .map_err(bad_field)?
            .ok_or_else(|| bad("disposition", "is not set"))?;
        self.on_defect(request, move |planner, id, message| {
            planner.say(id, disposition, &message.how, &message.request_id)
        })
        .await
    }

    async fn plan_defect(
        &self,
        request: Request<v1::PlanDefectRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        if let Some(plan) = &request.get_ref().plan {
            for (field, text, most) in [
                ("plan.service_point", &plan.service_point, MAX_NAME),
                ("plan.part", &plan.part, MAX_NAME),
                ("plan.craft", &plan.craft, MAX_NAME),
                ("plan.note", &plan.note, MAX_TEXT),
            ] {
                check_text(field, text, most)?;
            }
            check_plan(&self.shared, plan)?;
        }
        self.on_defect(request, |planner, id, message| {
            let plan = message.plan.map(convert::plan_from_wire);
            planner.plan(id, plan, &message.etag, &message.request_id)
        })
        .await
    }

    async fn begin_work(
        &self,
        request: Request<v1::BeginWorkRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        self.on_defect(request, |planner, id, message| {
            planner.begin_work(id, &message.etag, &message.request_id)
        })
        .await
    }

    async fn close_without_finding(
        &self,
        request: Request<v1::CloseWithoutFindingRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        check_text("note", &request.get_ref().note, MAX_TEXT)?;
        self.on_defect(request, |planner, id, message| {
            let v1::CloseWithoutFindingRequest {
                name: _,
                note,
                etag,
                request_id,
            } = message;
            planner.close_without_finding(id, &note, &etag, &request_id)
        })
        .await
    }

    async fn split_defect(
        &self,
        request: Request<v1::SplitDefectRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        let message = request.get_ref();
        check_text("note", &message.note, MAX_TEXT)?;
        check_text("component", &message.component, MAX_NAME)?;
        let alerts = message
            .alerts
            .iter()
            .map(|name| convert::alert_from_name("alerts", name))
            .collect::<Result<Vec<_>, _>>()
            .map_err(bad_field)?;
        self.regroup(request, |planner, id, message| {
            let v1::SplitDefectRequest {
                name: _,
                alerts: _,
                component,
                note,
                etag,
                request_id,
            } = message;
            planner.split(id, alerts, &component, &note, &etag, &request_id)
        })
        .await
    }

    async fn merge_defect(
        &self,
        request: Request<v1::MergeDefectRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        let message = request.get_ref();
        check_text("note", &message.note, MAX_TEXT)?;
        let into = convert::defect_from_name("into", &message.into).map_err(bad_field)?;
        self.regroup(request, move |planner, id, message| {
            planner
                .merge(id, into, &message.note, &message.etag, &message.request_id)
                .map(|()| into)
        })
        .await
    }

    async fn list_defect_changes(
        &self,
        request: Request<v1::ListDefectChangesRequest>,
    ) -> Result<Response<v1::ListDefectChangesResponse>, Status> {
        let v1::ListDefectChangesRequest {
            cursor,
            page_size,
            filter,
        } = request.into_inner();
        let store = self.shared.store.id();
        let arguments = filter.clone().unwrap_or_default();
        let call = "ListDefectChanges";
        let page = Page::read(store, call, page_size, "", DEFECTS, &arguments)?;
        let cursors = Cursors::new(store, call, &arguments);
        let query = query(&self.shared, filter)?;
        if query.status.is_some() || query.open {
            let field = if query.open {
                "filter.open"
            } else {
                "filter.status"
            };
            let why = "is of lists alone: a reader of changes must learn that a defect is no longer what it asked for; \
                       leave it out and look at the status of each";
            return Err(status::bad_field("BAD_FILTER", field, why));
        }
        let place = cursors.read(&cursor)?;
        let book = self.judging.ledger().book();
        let mut place = match place {
            None => Place::whole(book.defect_changes_kept_after()),
            Some(place) if place.position > book.seq() => return Err(foreign()),
            Some(place) => place,
        };
        let mut changes = Vec::new();
        let more = 'full: loop {
            let kept = book
                .defect_changes(place.position, page.size)
                .map_err(expired)?;
            let Some(newest) = kept.last().map(ChangeNotice::seq) else {
                // Entries that changed no defect are passed over for good.
                place = Place::whole(book.seq());
                break false;
            };
            for (notice, idx, after) in place.unsent(&kept) {
                place = after;
                changes.extend(defect_change(&query, notice, idx));
                if changes.len() == page.size {
                    let n_left = book.n_defect_changes(place.position);
                    break 'full n_left > place.sent_of_next as usize;
                }
            }
            // Also where a cursor says that more of the first entry was sent than there is.
            place = Place::whole(newest);
        };
        drop(book);
        Ok(Response::new(v1::ListDefectChangesResponse {
            changes,
            cursor: cursors.write(place),
            more,
        }))
    }
}
