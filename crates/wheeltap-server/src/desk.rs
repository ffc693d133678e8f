//! DeskService: mutes, load, handovers, and who did what.

use crate::access::actor_of;
use crate::alerts::{
    act, bad_field, bad_filter, check_request_id, check_text, two_numbers, two_numbers_bytes,
};
use crate::judging::{BY_CLOCK, BY_SETTINGS, Judging, Ledger};
use crate::paging::{Page, PageRule};
use crate::{Shared, known, status};
use std::sync::Arc;
use tonic::{Request, Response, Status};
use wheeltap_followup::{
    AuditLine, Book, DeskLoad, HandoverList, LedgerRecord, MuteOrder, Refusal, Subject,
    UPDATED_BY_TELEMETRY, audit, desk_load, handover_list,
};
use wheeltap_model::{
    Actor, ClassDef, DefectId, Handover, Mute, MuteId, MuteKind, MuteScope, Part, ServerTime,
    UnitId, UnitState,
};
use wheeltap_proto::v1::desk_service_server::DeskService;
use wheeltap_proto::{convert, v1};

const LISTS: PageRule = PageRule {
    default: 100,
    most: 1_000,
};
/// Longest reason and note, in bytes.
const MAX_TEXT: usize = 2_000;
/// Longest name of a person, in bytes.
const MAX_NAME: usize = 128;
/// Ledger entries looked at for one page of acts, so that a page comes soon however much is telemetry's.
const MOST_LOOKED_AT: u64 = 20_000;
/// Ledger entries read at once.
const READ_AT_ONCE: u64 = 2_000;

/// The service of the contract over the book and the ledger.
pub struct DeskCalls {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
}

impl DeskCalls {
    /// The service over a running judge.
    pub const fn new(shared: Arc<Shared>, judging: Arc<Judging>) -> Self {
        Self { shared, judging }
    }

    fn ledger(&self) -> &Arc<Ledger> {
        self.judging.ledger()
    }

    fn mute(&self, id: MuteId) -> Result<v1::Mute, Status> {
        let book = self.ledger().book();
        let mute = book.mute(id).ok_or(Refusal::UnknownMute { id });
        mute.map(|mute| mute.as_ref().into())
            .map_err(|refusal| status::refusal(&refusal))
    }

    async fn set_mute(
        &self,
        actor: Actor,
        order: MuteOrder,
        request_id: String,
    ) -> Result<Response<v1::Mute>, Status> {
        check_request_id(&request_id)?;
        check_text("reason", &order.reason, MAX_TEXT)?;
        let id = act(self.ledger(), actor, move |planner| {
            planner.mute(order, &request_id)
        })
        .await?;
        self.mute(id).map(Response::new)
    }

    /// Units that work, by what was recorded of them, and have not been heard for too long; longest silent
    /// first.
    fn silent(&self, now: ServerTime) -> Vec<v1::desk::SilentUnit> {
        let after_ms = self.shared.settings.desk.silent_after.ms();
        let book = self.ledger().book();
        let mut silent = Vec::new();
        for record in self.shared.fleet.all() {
            let unit = &record.unit;
            let at = wheeltap_model::EventTime::from_unix_ms(now.unix_ms());
            let state = record.states.at(at).map(|dated| dated.value);
            // Of a unit whose state nobody recorded it is not known whether it should send.
            if !matches!(state, Some(UnitState::Working | UnitState::Isolated)) {
                continue;
            }
            let newest_event = record.heard.newest_event();
            let last_heard = record.heard.last_heard();
            let heard_ms = last_heard.map(ServerTime::unix_ms).or_else(|| {
                // Not since the start: what was stored says when it was heard at the latest.
                newest_event.map(wheeltap_model::EventTime::unix_ms)
            });
            if heard_ms.is_some_and(|heard| now.unix_ms() - heard <= after_ms) {
                continue;
            }
            let open = book.open_defects_of(&unit.id);
            let priority = open.map(|kept| kept.defect().priority).max();
            silent.push(v1::desk::SilentUnit {
                unit: convert::unit_name(&unit.id),
                last_heard_unix_ms: last_heard.map(ServerTime::unix_ms),
                newest_event_unix_ms: newest_event.map(wheeltap_model::EventTime::unix_ms),
                open_priority: priority
                    .map_or(v1::Priority::Unspecified, convert::priority_to_wire)
                    .into(),
            });
        }
        silent.sort_by_key(|unit| (unit.newest_event_unix_ms, unit.unit.clone()));
        silent
    }

    fn desk(&self, since: Option<ServerTime>) -> v1::Desk {
        let now = self.ledger().now();
        let silent = self.silent(now);
        let book = self.ledger().book();
        let last_handover = book.handovers().last();
        let since = since.or(last_handover.map(|handover| handover.at));
        let DeskLoad {
            flood_since,
            n_told: [ten_minutes, hour, day],
            stale,
            repeating,
            fleeting,
            first_out,
        } = desk_load(&book, now);
        let HandoverList {
            new,
            awaiting,
            new_quiet,
            in_hand,
            n_in_hand,
            finding_owed,
            n_finding_owed,
            owed,
            ending,
            lasting,
        } = handover_list(&book, since, now);
        let count = |n: u64| u32::try_from(n).unwrap_or(u32::MAX);
        let alerts = |ids: Vec<wheeltap_model::AlertId>| -> Vec<String> {
            ids.into_iter().map(convert::alert_name).collect()
        };
        let defects = |ids: Vec<wheeltap_model::DefectId>| -> Vec<String> {
            ids.into_iter().map(convert::defect_name).collect()
        };
        let mutes = |ids: Vec<MuteId>| -> Vec<v1::Mute> {
            let mutes = ids.into_iter().filter_map(|id| book.mute(id));
            mutes.map(|mute| mute.as_ref().into()).collect()
        };
        v1::Desk {
            at_unix_ms: now.unix_ms(),
            flood_since_unix_ms: flood_since.map(ServerTime::unix_ms),
            n_told_ten_minutes: count(ten_minutes),
            n_told_hour: count(hour),
            n_told_day: count(day),
            stale: alerts(stale),
            repeating: repeating
                .into_iter()
                .filter_map(|of| {
                    let alert = book.alert(of.alert)?;
                    Some(v1::desk::Repeating {
                        rule: convert::rule_name(&alert.rule().reference.name),
                        unit: convert::unit_name(alert.unit()),
                        part: alert.part().map(ToString::to_string).unwrap_or_default(),
                        n: count(of.n_in_an_hour),
                        chattering: of.chattering,
                        alert: convert::alert_name(of.alert),
                    })
                })
                .collect(),
            fleeting: alerts(fleeting),
            first_out: first_out
                .into_iter()
                .map(|group| v1::desk::FirstOut {
                    unit: convert::unit_name(&group.unit),
                    first: convert::alert_name(group.first),
                    others: alerts(group.others),
                })
                .collect(),
            since_unix_ms: since.map(ServerTime::unix_ms),
            last_handover: last_handover.map(Into::into),
            new_defects: defects(new),
            awaiting: defects(awaiting),
            owed: owed
                .into_iter()
                .map(|owed| v1::desk::OwedCall {
                    defect: convert::defect_name(owed.defect),
                    contact: owed.contact,
                    due_unix_ms: owed.due.map(ServerTime::unix_ms),
                })
                .collect(),
            ending: mutes(ending),
            silent,
            new_quiet: defects(new_quiet),
            in_hand: defects(in_hand),
            n_in_hand: count(n_in_hand),
            lasting: mutes(lasting),
            finding_owed: defects(finding_owed),
            n_finding_owed: count(n_finding_owed),
        }
    }
}

/// Rules are judged once for each axle; a unit has no other parts.
fn check_part(unit: &UnitId, class: &ClassDef, part: &Part) -> Result<(), Status> {
    let n_axles = class.axles.len();
    if (1..=n_axles).any(|number| part.as_str() == format!("axle {number}")) {
        return Ok(());
    }
    let why = format!("is no part of {unit}; write axle 1 to axle {n_axles}, or leave it out");
    Err(status::bad_field("BAD_FIELD", "part", why))
}

/// The last that was done to a defect, by whoever or whatever.
///
/// # Errors
/// A stop of the store. Blocks.
pub(crate) fn last_act_on(
    shared: &Shared,
    ledger: &Ledger,
    defect: DefectId,
) -> Result<Option<v1::RecordedAct>, Status> {
    let wanted = Wanted {
        telemetry: true,
        by: String::new(),
        about: Subject {
            defect: Some(defect),
            ..Subject::default()
        },
    };
    let newest = ledger.book().seq();
    let (mut acts, _) = acts(shared, ledger, &wanted, newest + 1, 1)?;
    Ok(acts.pop())
}

/// What one is to read acts about.
#[derive(Clone, Debug, Default)]
struct Wanted {
    telemetry: bool,
    by: String,
    about: Subject,
}

impl Wanted {
    fn read(book: &Book, request: &v1::ListActsRequest) -> Result<Self, Status> {
        let mut about = Subject::default();
        let field = "about";
        let text = request.about.as_str();
        match text.split_once('/').map(|(kind, _)| kind) {
            None if text.is_empty() => {}
            Some("units") => {
                about.unit = Some(convert::unit_from_name(field, text).map_err(bad_filter)?);
            }
            Some("alerts") => {
                about.alert = Some(convert::alert_from_name(field, text).map_err(bad_filter)?);
            }
            Some("defects") => {
                about.defect = Some(convert::defect_from_name(field, text).map_err(bad_filter)?);
            }
            Some("rules") => {
                let (rule, _) = known::rule_from_name(book, field, text).map_err(bad_filter)?;
                about.rule = Some(rule);
            }
            _ => {
                return Err(status::bad_field(
                    "BAD_FILTER",
                    field,
                    "is none of units/.., alerts/.., defects/.. and rules/..",
                ));
            }
        }
        Ok(Self {
            telemetry: request.show_telemetry,
            by: request.by.clone(),
            about,
        })
    }

    /// Refuses to look for what there is not.
    fn check_names(&self, shared: &Shared, book: &Book) -> Result<(), Status> {
        let about = &self.about;
        if let Some(unit) = &about.unit {
            known::unit(shared, unit)?;
        }
        if let Some(alert) = about.alert {
            known::alert(book, alert)?;
        }
        if let Some(defect) = about.defect {
            known::defect(book, defect)?;
        }
        about
            .rule
            .as_ref()
            .map_or(Ok(()), |rule| known::rule(book, rule))
    }

    /// Whether a record can be wanted, before anything is looked up for it.
    fn may_take(&self, record: &LedgerRecord) -> bool {
        let by = record.by.as_str();
        let is_a_person = ![UPDATED_BY_TELEMETRY, BY_CLOCK, BY_SETTINGS].contains(&by);
        (self.telemetry || is_a_person) && (self.by.is_empty() || self.by == by)
    }

    fn takes(&self, line: &AuditLine) -> bool {
        fn fits<T: PartialEq>(wanted: Option<&T>, is: Option<&T>) -> bool {
            wanted.is_none() || wanted == is
        }
        let (wanted, is) = (&self.about, &line.about);
        fits(wanted.unit.as_ref(), is.unit.as_ref())
            && fits(wanted.alert.as_ref(), is.alert.as_ref())
            && (fits(wanted.defect.as_ref(), is.defect.as_ref())
                || fits(wanted.defect.as_ref(), is.other_defect.as_ref()))
            && fits(wanted.rule.as_ref(), is.rule.as_ref())
    }
}

fn recorded(number: u64, record: &LedgerRecord, line: AuditLine) -> v1::RecordedAct {
    let AuditLine { what, why, about } = line;
    let Subject {
        unit,
        alert,
        defect,
        other_defect: _,
        rule,
    } = about;
    v1::RecordedAct {
        number,
        at_unix_ms: record.at.unix_ms(),
        by: record.by.clone(),
        what,
        why,
        unit: unit.as_ref().map(convert::unit_name).unwrap_or_default(),
        alert: alert.map(convert::alert_name).unwrap_or_default(),
        defect: defect.map(convert::defect_name).unwrap_or_default(),
        rule: rule.as_ref().map(convert::rule_name).unwrap_or_default(),
    }
}

/// Acts at ledger numbers below `before`, newest first, and the number below which the next page begins; 0
/// at the beginning of the ledger. Blocks.
fn acts(
    shared: &Shared,
    ledger: &Ledger,
    wanted: &Wanted,
    before: u64,
    size: usize,
) -> Result<(Vec<v1::RecordedAct>, u64), Status> {
    let mut acts = Vec::new();
    let mut end = before;
    let lowest = before.saturating_sub(MOST_LOOKED_AT);
    while end > 1 && end > lowest {
        let first = end.saturating_sub(READ_AT_ONCE).max(1);
        let n_wanted = usize::try_from(end - first).unwrap_or(usize::MAX);
        let entries = shared
            .store
            .ledger(first - 1, n_wanted)
            .map_err(|error| status::store(&error))?;
        let book = ledger.book();
        for (number, bytes) in entries.into_iter().rev() {
            if number >= end {
                continue;
            }
            end = number;
            let record = LedgerRecord::from_bytes(&bytes).map_err(|error| {
                tracing::error!(
                    number,
                    error = status::chain(&error),
                    "a ledger entry is unreadable"
                );
                status::internal("a ledger entry is unreadable")
            })?;
            if !wanted.may_take(&record) {
                continue;
            }
            let line = audit(&record, &book);
            if wanted.takes(&line) {
                acts.push(recorded(number, &record, line));
                if acts.len() == size {
                    return Ok((acts, if end > 1 { end } else { 0 }));
                }
            }
        }
        drop(book);
        end = end.min(first);
    }
    Ok((acts, if end > 1 { end } else { 0 }))
}

#[tonic::async_trait]
impl DeskService for DeskCalls {
    async fn shelve_alert(
        &self,
        request: Request<v1::ShelveAlertRequest>,
    ) -> Result<Response<v1::Mute>, Status> {
        let actor = actor_of(&request)?;
        let v1::ShelveAlertRequest {
            alert,
            until_unix_ms,
            reason,
            request_id,
        } = request.into_inner();
        let id = convert::alert_from_name("alert", &alert).map_err(bad_field)?;
        let scope = {
            let book = self.ledger().book();
            let alert = book
                .alert(id)
                .ok_or_else(|| status::refusal(&Refusal::UnknownAlert { id }))?;
            MuteScope {
                unit: alert.unit().clone(),
                rule: Some(alert.rule().reference.name.clone()),
                part: alert.part().cloned(),
            }
        };
        let order = MuteOrder {
            kind: MuteKind::Shelved,
            scope,
            until: (until_unix_ms != 0).then(|| ServerTime::from_unix_ms(until_unix_ms)),
            reason,
        };
        self.set_mute(actor, order, request_id).await
    }

    async fn take_out_of_service(
        &self,
        request: Request<v1::TakeOutOfServiceRequest>,
    ) -> Result<Response<v1::Mute>, Status> {
        let actor = actor_of(&request)?;
        let v1::TakeOutOfServiceRequest {
            unit,
            rule,
            part,
            until_unix_ms,
            reason,
            request_id,
        } = request.into_inner();
        let unit: UnitId = convert::unit_from_name("unit", &unit).map_err(bad_field)?;
        let record = known::unit(&self.shared, &unit)?;
        let rule = match rule.as_str() {
            "" => None,
            name => {
                let book = self.ledger().book();
                let (rule, _) = known::rule_from_name(&book, "rule", name).map_err(bad_field)?;
                known::rule(&book, &rule)?;
                Some(rule)
            }
        };
        let part = (!part.is_empty())
            .then(|| Part::new(&part))
            .transpose()
            .map_err(|error| status::bad_field("BAD_FIELD", "part", error.to_string()))?;
        if let (Some(part), Some(class)) = (&part, self.shared.catalogue.class(&record.unit.class))
        {
            check_part(&unit, class, part)?;
        }
        let order = MuteOrder {
            kind: MuteKind::OutOfService,
            scope: MuteScope { unit, rule, part },
            until: until_unix_ms.map(ServerTime::from_unix_ms),
            reason,
        };
        self.set_mute(actor, order, request_id).await
    }

    async fn lift_mute(
        &self,
        request: Request<v1::LiftMuteRequest>,
    ) -> Result<Response<v1::Mute>, Status> {
        let actor = actor_of(&request)?;
        let v1::LiftMuteRequest {
            name,
            note,
            request_id,
        } = request.into_inner();
        let id = convert::mute_from_name("name", &name).map_err(bad_field)?;
        check_request_id(&request_id)?;
        check_text("note", &note, MAX_TEXT)?;
        act(self.ledger(), actor, move |planner| {
            planner.lift(id, &note, &request_id)
        })
        .await?;
        self.mute(id).map(Response::new)
    }

    async fn list_mutes(
        &self,
        request: Request<v1::ListMutesRequest>,
    ) -> Result<Response<v1::ListMutesResponse>, Status> {
        let mut request = request.into_inner();
        let page_token = std::mem::take(&mut request.page_token);
        let page_size = std::mem::take(&mut request.page_size);
        let store = self.shared.store.id();
        let page = Page::read(store, "ListMutes", page_size, &page_token, LISTS, &request)?;
        let after = page.after.as_deref().map(two_numbers).transpose()?;
        // A page begins after the place of the last one's end, whatever came or ended meanwhile.
        let place = |mute: &Mute| {
            if request.show_ended {
                (0, u64::MAX - mute.id.0)
            } else {
                (mute.until.map_or(i64::MAX, ServerTime::unix_ms), mute.id.0)
            }
        };
        let book = self.ledger().book();
        let mut mutes: Vec<&Arc<Mute>> = if request.show_ended {
            book.mutes().collect()
        } else {
            book.muting().collect()
        };
        mutes.retain(|mute| after.is_none_or(|after| place(mute) > after));
        mutes.sort_by_key(|mute| place(mute));
        let more = mutes.len() > page.size;
        mutes.truncate(page.size);
        let next_page_token = match mutes.last() {
            Some(last) if more => {
                let (until, id) = place(last);
                page.next_token(&two_numbers_bytes(until, id))
            }
            _ => String::new(),
        };
        let mutes = mutes.into_iter().map(|mute| mute.as_ref().into()).collect();
        drop(book);
        Ok(Response::new(v1::ListMutesResponse {
            mutes,
            next_page_token,
        }))
    }

    async fn get_desk(
        &self,
        request: Request<v1::GetDeskRequest>,
    ) -> Result<Response<v1::Desk>, Status> {
        let v1::GetDeskRequest { since_unix_ms } = request.into_inner();
        let now = self.ledger().now();
        if since_unix_ms.is_some_and(|since| since > now.unix_ms()) {
            let why = format!("is ahead of now, {now}; give the time from which it is new");
            return Err(status::bad_field("BAD_FIELD", "since_unix_ms", why));
        }
        Ok(Response::new(
            self.desk(since_unix_ms.map(ServerTime::from_unix_ms)),
        ))
    }

    async fn hand_over(
        &self,
        request: Request<v1::HandOverRequest>,
    ) -> Result<Response<v1::Handover>, Status> {
        let actor = actor_of(&request)?;
        let v1::HandOverRequest {
            from,
            to,
            note,
            request_id,
        } = request.into_inner();
        check_request_id(&request_id)?;
        check_text("from", &from, MAX_NAME)?;
        check_text("to", &to, MAX_NAME)?;
        check_text("note", &note, MAX_TEXT)?;
        let id = act(self.ledger(), actor, move |planner| {
            planner.hand_desk_over(&from, &to, &note, &request_id)
        })
        .await?;
        let book = self.ledger().book();
        let mut handovers = book.handovers().iter();
        let handover = handovers.find(|handover| handover.id == id);
        let handover = handover.ok_or_else(|| status::internal("a handover is not in the book"))?;
        Ok(Response::new(handover.into()))
    }

    async fn list_handovers(
        &self,
        request: Request<v1::ListHandoversRequest>,
    ) -> Result<Response<v1::ListHandoversResponse>, Status> {
        let mut request = request.into_inner();
        let page_token = std::mem::take(&mut request.page_token);
        let page_size = std::mem::take(&mut request.page_size);
        let (store, call) = (self.shared.store.id(), "ListHandovers");
        let page = Page::read(store, call, page_size, &page_token, LISTS, &request)?;
        let before = page.after_number()?.unwrap_or(u64::MAX);
        let book = self.ledger().book();
        let older = book.handovers().iter().rev();
        let mut older = older.filter(|handover| handover.id.0 < before);
        let shown: Vec<&Handover> = older.by_ref().take(page.size).collect();
        let next_page_token = match (shown.last(), older.next()) {
            (Some(last), Some(_)) => page.next_token(&last.id.0.to_be_bytes()),
            _ => String::new(),
        };
        let handovers = shown.into_iter().map(Into::into).collect();
        drop(book);
        Ok(Response::new(v1::ListHandoversResponse {
            handovers,
            next_page_token,
        }))
    }

    async fn list_acts(
        &self,
        request: Request<v1::ListActsRequest>,
    ) -> Result<Response<v1::ListActsResponse>, Status> {
        let mut request = request.into_inner();
        let page_token = std::mem::take(&mut request.page_token);
        let page_size = std::mem::take(&mut request.page_size);
        let store = self.shared.store.id();
        let page = Page::read(store, "ListActs", page_size, &page_token, LISTS, &request)?;
        let (wanted, newest) = {
            let book = self.ledger().book();
            let wanted = Wanted::read(&book, &request)?;
            wanted.check_names(&self.shared, &book)?;
            (wanted, book.seq())
        };
        let before = page.after_number()?.unwrap_or(newest + 1).min(newest + 1);
        let (shared, ledger) = (Arc::clone(&self.shared), Arc::clone(self.ledger()));
        let size = page.size;
        let (acts, next) =
            tokio::task::spawn_blocking(move || acts(&shared, &ledger, &wanted, before, size))
                .await
                .map_err(|_| status::internal("reading the ledger was cut off"))??;
        let next_page_token = if next == 0 {
            String::new()
        } else {
            page.next_token(&next.to_be_bytes())
        };
        Ok(Response::new(v1::ListActsResponse {
            acts,
            next_page_token,
        }))
    }
}
