//! DefectService: list, get, report, record a finding, and the change feed.

use crate::access::actor_of;
use crate::alerts::{
    act, bad_field, bad_filter, check_request_id, check_text, two_numbers, two_numbers_bytes,
};
use crate::judging::{Cursors, Judging, Place, expired, foreign};
use crate::paging::{Page, PageRule};
use crate::{Shared, status};
use std::sync::Arc;
use tonic::{Request, Response, Status};
use wheeltap_followup::{ChangeNotice, DefectChangeKind, DefectQuery, Refusal, Report};
use wheeltap_model::{DefectId, DefectOrigin, EventTime, Priority, ServerTime};
use wheeltap_proto::convert;
use wheeltap_proto::v1;
use wheeltap_proto::v1::defect_service_server::DefectService;

const DEFECTS: PageRule = PageRule {
    default: 100,
    most: 1_000,
};
/// Longest title and note, in bytes.
const MAX_TEXT: usize = 2_000;
/// Longest system and component, in bytes.
const MAX_NAME: usize = 128;

/// The service of the contract over the book's defects.
pub struct DefectCalls {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
}

fn query(filter: Option<v1::DefectFilter>) -> Result<DefectQuery, Status> {
    let v1::DefectFilter {
        unit,
        status,
        least_priority,
        component,
    } = filter.unwrap_or_default();
    Ok(DefectQuery {
        unit: (!unit.is_empty())
            .then(|| convert::unit_from_name("filter.unit", &unit))
            .transpose()
            .map_err(bad_filter)?,
        status: convert::defect_status_from_wire("filter.status", status).map_err(bad_filter)?,
        least_priority: convert::priority_from_wire("filter.least_priority", least_priority)
            .map_err(bad_filter)?,
        component: (!component.is_empty()).then_some(component),
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

impl DefectCalls {
    /// The service over a running judge.
    pub const fn new(shared: Arc<Shared>, judging: Arc<Judging>) -> Self {
        Self { shared, judging }
    }

    fn defect(&self, id: DefectId) -> Result<v1::Defect, Status> {
        let book = self.judging.ledger().book();
        let kept = book.defect(id).ok_or(Refusal::UnknownDefect { id });
        kept.map(|kept| kept.defect().into())
            .map_err(|refusal| status::refusal(&refusal))
    }
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
        } = request.into_inner();
        let page = Page::read(
            self.shared.store.id(),
            "ListDefects",
            page_size,
            &page_token,
            DEFECTS,
            &filter.clone().unwrap_or_default(),
        )?;
        let after = match page.after.as_deref() {
            None => None,
            Some(bytes) => {
                let (due, id) = two_numbers(bytes)?;
                Some((ServerTime::from_unix_ms(due), DefectId(id)))
            }
        };
        let query = query(filter)?;
        let mut found = self
            .judging
            .ledger()
            .book()
            .defects(&query, after, page.size + 1);
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
            defects: found.iter().map(|kept| kept.defect().into()).collect(),
            next_page_token,
        }))
    }

    async fn get_defect(
        &self,
        request: Request<v1::GetDefectRequest>,
    ) -> Result<Response<v1::Defect>, Status> {
        let v1::GetDefectRequest { name } = request.into_inner();
        let id = convert::defect_from_name("name", &name).map_err(bad_field)?;
        self.defect(id).map(Response::new)
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
        } = defect.unwrap_or_default();
        let unit = convert::unit_from_name("defect.unit", &unit).map_err(bad_field)?;
        if self.shared.fleet.get(&unit).is_none() {
            return Err(status::not_found(
                "UNKNOWN_UNIT",
                format!("the fleet has no unit {unit}"),
            ));
        }
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
        } = request.into_inner();
        check_request_id(&request_id)?;
        let id = convert::defect_from_name("name", &name).map_err(bad_field)?;
        let v1::Finding {
            kind,
            note,
            repaired_unix_ms,
            by: _,
            recorded_unix_ms: _,
        } = finding.unwrap_or_default();
        let kind = convert::finding_kind_from_wire("finding.kind", kind)
            .map_err(bad_field)?
            .ok_or_else(|| status::bad_field("BAD_FIELD", "finding.kind", "is not set"))?;
        check_text("finding.note", &note, MAX_TEXT)?;
        let repaired_at = match repaired_unix_ms {
            0 => EventTime::from_unix_ms(self.judging.ledger().now().unix_ms()),
            ms => EventTime::from_unix_ms(ms),
        };
        act(self.judging.ledger(), actor, move |planner| {
            planner.record_finding(id, (kind, &note, repaired_at), &etag, &request_id)
        })
        .await?;
        self.defect(id).map(Response::new)
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
        let query = query(filter)?;
        let place = cursors.read(&cursor)?;
        let book = self.judging.ledger().book();
        let mut position = match place {
            None => book.defect_changes_kept_after(),
            Some(place) if place.position > book.seq() => return Err(foreign()),
            Some(place) => place.position,
        };
        let mut changes = Vec::new();
        let mut more = true;
        while changes.len() < page.size {
            let kept = book.defect_changes(position, page.size).map_err(expired)?;
            let Some(last) = kept.last() else {
                // Entries that changed no defect are passed over for good.
                position = book.seq();
                more = false;
                break;
            };
            let last = last.seq();
            for notice in kept {
                let ChangeNotice::Defect {
                    seq,
                    at,
                    kind,
                    defect,
                } = notice
                else {
                    continue;
                };
                position = seq;
                if query.watches(defect.defect()) {
                    changes.push(v1::DefectChange {
                        number: seq,
                        kind: kind_to_wire(kind).into(),
                        defect: Some(defect.defect().into()),
                        at_unix_ms: at.unix_ms(),
                    });
                    if changes.len() == page.size {
                        break;
                    }
                }
            }
            if changes.len() == page.size {
                more = position < last || book.n_defect_changes(position) > 0;
            }
        }
        drop(book);
        Ok(Response::new(v1::ListDefectChangesResponse {
            changes,
            cursor: cursors.write(Place {
                position,
                standing_through: None,
            }),
            more,
        }))
    }
}
