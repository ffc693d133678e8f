//! TurnaroundService: arrivals, parts, work done and sheets.

use super::told::{ArrivalOutcome, FORGOTTEN_AFTER_MS, Restoring, left_at};
use super::{gather, wire};
use crate::access::actor_of;
use crate::after_repair::Repairs;
use crate::alerts::{bad_field, bad_filter, check_text};
use crate::blocking::blocking;
use crate::judging::Judging;
use crate::paging::{Page, PageRule, bad_token};
use crate::{Shared, UnitRecord, known, status};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;
use std::sync::Arc;
use tonic::{Request, Response, Status};
use wheeltap_followup::sheet::Sheet;
use wheeltap_model::{
    Actor, Arrival, Cancelled, Care, EventTime, PartStock, PointName, Restored, ServicePoint,
    UnitId,
};
use wheeltap_proto::convert::{self, InvalidField};
use wheeltap_proto::v1;
use wheeltap_proto::v1::turnaround_service_server::TurnaroundService;

/// A new part may be better than new by this share of what it wears, as parts and gauges differ. Ours.
const GAUGE_SHARE: f64 = 0.05;
const ARRIVALS: PageRule = PageRule {
    default: 100,
    most: 1_000,
};
const SUMMARIES: PageRule = PageRule {
    default: 50,
    most: 50,
};
/// Most entries of one request that records.
const MOST_ENTRIES: usize = 1_000;
/// Repairs so far back are on a sheet, and so many of them.
const REPAIRS_MS: i64 = 30 * 86_400_000;
const MOST_REPAIRS: usize = 8;
const MAX_SOURCE: usize = 64;
const MAX_WHY: usize = 500;
const MAX_ID: usize = 96;
/// An arrival lies within so much of now.
const YEAR_MS: i64 = 366 * 86_400_000;
/// Times further than this from 1970 (in either direction) are slips: about 5,000 years.
const MOST_MS: u64 = 160_000_000_000_000;

/// The service of the contract.
pub struct TurnaroundCalls {
    shared: Arc<Shared>,
    judging: Arc<Judging>,
    repairs: Arc<Repairs>,
}

/// What is wrong with the entries of a request, all of it.
struct Faults {
    reason: Option<&'static str>,
    list: Vec<(String, String)>,
}

impl Faults {
    const fn new() -> Self {
        Self {
            reason: None,
            list: Vec::new(),
        }
    }

    /// The first reason names the answer.
    fn add(&mut self, reason: &'static str, field: String, why: impl Into<String>) {
        self.reason.get_or_insert(reason);
        self.list.push((field, why.into()));
    }

    /// Times so far off are a slip of the pen, and would be kept for ever.
    fn check_time(&mut self, field: String, unix_ms: i64) {
        if unix_ms.unsigned_abs() > MOST_MS {
            self.add("BAD_TIME", field, "is no time near ours");
        }
    }

    /// An arrival is news: a time out of this span has a slip in its year.
    fn check_near(&mut self, field: String, unix_ms: i64, near: &RangeInclusive<EventTime>) {
        let at = EventTime::from_unix_ms(unix_ms);
        if near.contains(&at) {
            return;
        }
        let told = if unix_ms.unsigned_abs() > MOST_MS {
            String::new()
        } else {
            format!("{at}, ")
        };
        let why = format!("is {told}more than a year from now; look at the year");
        self.add("BAD_TIME", field, why);
    }

    fn take<T>(&mut self, read: Result<T, InvalidField>) -> Option<T> {
        read.map_err(|invalid| self.add("BAD_FIELD", invalid.field, invalid.why))
            .ok()
    }

    fn into_result(self) -> Result<(), Status> {
        let Some(reason) = self.reason else {
            return Ok(());
        };
        let (field, why) = &self.list[0];
        let more = match self.list.len() - 1 {
            0 => String::new(),
            n => format!(" (and {n} more)"),
        };
        let message = format!("nothing was recorded: {field}: {why}{more}");
        Err(status::bad_fields(reason, message, self.list))
    }
}

fn where_else(other: &Arrival) -> String {
    format!(
        "is while {} is at {} from {} on; mend the times, or cancel {}",
        other.unit, other.point, other.arrives_at, other.id
    )
}

/// What to say of an arrival of a unit that is at another point then.
fn elsewhere(field: String, other: &Arrival) -> Status {
    let mut faults = Faults::new();
    faults.add("UNIT_ELSEWHERE", field, where_else(other));
    match faults.into_result() {
        Err(status) => status,
        Ok(()) => status::internal("a refusal had no fault"),
    }
}

impl TurnaroundCalls {
    /// A service over the shared state.
    pub const fn new(shared: Arc<Shared>, judging: Arc<Judging>, repairs: Arc<Repairs>) -> Self {
        Self {
            shared,
            judging,
            repairs,
        }
    }

    /// A year before the newest telemetry to a year after now. Before anything was heard nothing says at
    /// which time a fleet that is played back will be met.
    fn near(&self) -> RangeInclusive<EventTime> {
        let now = EventTime::from_unix_ms(self.shared.clock.now().unix_ms());
        let first = match gather::newest(&self.shared.fleet) {
            Some(newest) => newest.min(now).plus_ms(-YEAR_MS),
            None => EventTime::from_unix_ms(0),
        };
        first..=now.plus_ms(YEAR_MS)
    }

    fn unknown_point(&self, point: &PointName) -> String {
        known::no_point(&self.shared, point.as_str())
    }

    /// A unit of an entry that is in the fleet.
    fn unit_of(&self, faults: &mut Faults, field: &str, name: &str) -> Option<Arc<UnitRecord>> {
        let unit = faults.take(convert::unit_from_name(field, name))?;
        let record = self.shared.fleet.get(&unit);
        if record.is_none() {
            let why = known::no_unit(&self.shared, &unit);
            faults.add("UNKNOWN_UNIT", field.to_owned(), why);
        }
        record
    }

    fn point_of(&self, faults: &mut Faults, field: &str, name: &str) -> Option<PointName> {
        let point = faults.take(convert::point_from_name(field, name))?;
        if self.shared.work.point(&point).is_none() {
            faults.add(
                "UNKNOWN_POINT",
                field.to_owned(),
                self.unknown_point(&point),
            );
            return None;
        }
        Some(point)
    }

    fn source_of(faults: &mut Faults, field: String, source: String, actor: &Actor) -> String {
        if source.len() > MAX_SOURCE {
            faults.add(
                "BAD_FIELD",
                field,
                format!("is longer than {MAX_SOURCE} bytes"),
            );
        }
        if source.is_empty() {
            actor.name.clone()
        } else {
            source
        }
    }

    fn known_unit(&self, field: &str, name: &str) -> Result<UnitId, Status> {
        let unit = convert::unit_from_name(field, name).map_err(bad_field)?;
        known::unit(&self.shared, &unit).map(|_| unit)
    }

    fn known_point(&self, field: &str, name: &str) -> Result<&ServicePoint, Status> {
        let point = convert::point_from_name(field, name).map_err(bad_field)?;
        let found = self.shared.work.point(&point);
        found.ok_or_else(|| status::not_found("UNKNOWN_POINT", self.unknown_point(&point)))
    }

    /// The arrival as it would be kept; `None` where something is wrong with it.
    fn read_arrival(
        &self,
        idx: usize,
        wire: v1::Arrival,
        actor: &Actor,
        faults: &mut Faults,
    ) -> Option<Arrival> {
        let v1::Arrival {
            name,
            unit,
            point,
            arrives_unix_ms,
            leaves_unix_ms,
            source,
            said_unix_ms: _,
            cancelled: _,
            restored: _,
        } = wire;
        let at = |field: &str| format!("arrivals[{idx}].{field}");
        let unit = self.unit_of(faults, &at("unit"), &unit);
        let point = self.point_of(faults, &at("point"), &point);
        let source = Self::source_of(faults, at("source"), source, actor);
        let before = faults.list.len();
        if arrives_unix_ms == 0 {
            faults.add("BAD_TIME", at("arrives_unix_ms"), "is not set");
        }
        let near = self.near();
        if arrives_unix_ms != 0 {
            faults.check_near(at("arrives_unix_ms"), arrives_unix_ms, &near);
        }
        if let Some(leaves) = leaves_unix_ms {
            faults.check_near(at("leaves_unix_ms"), leaves, &near);
        }
        if let Some(leaves) = leaves_unix_ms
            && leaves <= arrives_unix_ms
        {
            let why = format!(
                "{} is not after the arrival",
                EventTime::from_unix_ms(leaves)
            );
            faults.add("BAD_TIME", at("leaves_unix_ms"), why);
        }
        let id = if name.is_empty() {
            None
        } else {
            faults.take(arrival_id(&at("name"), &name))
        };
        if faults.list.len() > before {
            return None;
        }
        let (unit, point) = (unit?.unit.id.clone(), point?);
        let arrives_at = EventTime::from_unix_ms(arrives_unix_ms);
        Some(Arrival {
            id: id.unwrap_or_else(|| format!("{unit}@{arrives_at}")),
            unit,
            point,
            arrives_at,
            leaves_at: leaves_unix_ms.map(EventTime::from_unix_ms),
            source,
            said_at: self.shared.clock.now(),
            cancelled: None,
            restored: None,
        })
    }

    /// A unit is at one service point at a time, and what left long ago would be forgotten at once.
    fn check_place_and_time(
        &self,
        field: String,
        arrival: &Arrival,
        before: &[Arrival],
        faults: &mut Faults,
    ) {
        let forgotten_before = gather::as_of(&self.shared).plus_ms(-FORGOTTEN_AFTER_MS);
        if left_at(arrival) < forgotten_before {
            let days = FORGOTTEN_AFTER_MS / 86_400_000;
            let why = format!("is of a stop that ended more than {days} days ago; leave it out");
            faults.add("BAD_TIME", field.clone(), why);
        }
        if let Some(other) = self.shared.turnaround.elsewhere(arrival, before) {
            faults.add("UNIT_ELSEWHERE", field, where_else(&other));
        }
    }

    async fn sheet(&self, arrival: Arc<Arrival>, in_full: bool) -> Result<Sheet, Status> {
        let record = known::unit(&self.shared, &arrival.unit)?;
        let point = self.shared.work.point(&arrival.point).cloned();
        let point = point.ok_or_else(|| {
            status::not_found("UNKNOWN_POINT", self.unknown_point(&arrival.point))
        })?;
        let (shared, judging) = (Arc::clone(&self.shared), Arc::clone(&self.judging));
        blocking(move || {
            let as_of = gather::as_of(&shared);
            gather::make(
                &shared,
                &judging,
                (&record, &arrival, &point),
                as_of,
                in_full,
            )
        })
        .await
    }

    fn filter(&self, filter: Option<v1::ArrivalFilter>) -> Result<Wanted, Status> {
        let v1::ArrivalFilter {
            point,
            unit,
            leaves_after_unix_ms,
            arrives_before_unix_ms,
            with_cancelled,
        } = filter.unwrap_or_default();
        let set = |text: String| (!text.is_empty()).then_some(text);
        let point = set(point)
            .map(|point| convert::point_from_name("filter.point", &point))
            .transpose()
            .map_err(bad_filter)?;
        if let Some(point) = &point {
            known::point(&self.shared, point)?;
        }
        let unit = set(unit)
            .map(|unit| convert::unit_from_name("filter.unit", &unit))
            .transpose()
            .map_err(bad_filter)?;
        if let Some(unit) = &unit {
            known::unit(&self.shared, unit)?;
        }
        Ok(Wanted {
            point,
            unit,
            leaves_after: leaves_after_unix_ms.map(EventTime::from_unix_ms),
            arrives_before: arrives_before_unix_ms.map(EventTime::from_unix_ms),
            with_cancelled,
        })
    }
}

/// Which arrivals are asked for.
struct Wanted {
    point: Option<PointName>,
    unit: Option<UnitId>,
    leaves_after: Option<EventTime>,
    arrives_before: Option<EventTime>,
    with_cancelled: bool,
}

impl Wanted {
    fn lists(&self, arrival: &Arrival, as_of: EventTime) -> bool {
        let is_to_come = match self.leaves_after {
            None => left_at(arrival) > as_of,
            Some(after) if after.unix_ms() == 0 => true,
            Some(after) => left_at(arrival) > after,
        };
        is_to_come
            && self.with_cancelled_or_not(arrival)
            && self
                .point
                .as_ref()
                .is_none_or(|point| arrival.point == *point)
            && self.unit.as_ref().is_none_or(|unit| arrival.unit == *unit)
            && self
                .arrives_before
                .is_none_or(|before| arrival.arrives_at < before)
    }

    const fn with_cancelled_or_not(&self, arrival: &Arrival) -> bool {
        self.with_cancelled || arrival.cancelled.is_none()
    }
}

/// Reads `arrivals/{id}`.
fn arrival_id(field: &str, name: &str) -> Result<String, InvalidField> {
    let refused = |why: &str| InvalidField::new(field, why);
    let id = name
        .strip_prefix("arrivals/")
        .ok_or_else(|| refused("is not written arrivals/{id}"))?;
    let is_plain = id
        .bytes()
        .all(|byte| (32..127).contains(&byte) && byte != b'/');
    if id.is_empty() || id.len() > MAX_ID || !is_plain {
        return Err(refused(
            "its id is not 1 to 96 printable ASCII characters without a slash",
        ));
    }
    Ok(id.to_owned())
}

fn few_enough(field: &str, n_entries: usize) -> Result<(), Status> {
    if n_entries > MOST_ENTRIES {
        return Err(status::bad_field(
            "TOO_MANY",
            field,
            format!("has {n_entries} entries; send at most {MOST_ENTRIES} at a time"),
        ));
    }
    Ok(())
}

fn count(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

fn no_arrival(message: String) -> Status {
    status::not_found("NO_ARRIVAL", message)
}

fn read_place(page: &Page) -> Result<Option<(EventTime, String)>, Status> {
    let Some(bytes) = page.after.as_deref() else {
        return Ok(None);
    };
    let (ms, id) = bytes.split_first_chunk::<8>().ok_or_else(bad_token)?;
    let id = String::from_utf8(id.to_vec()).map_err(|_| bad_token())?;
    Ok(Some((EventTime::from_unix_ms(i64::from_be_bytes(*ms)), id)))
}

#[tonic::async_trait]
impl TurnaroundService for TurnaroundCalls {
    async fn list_service_points(
        &self,
        request: Request<v1::ListServicePointsRequest>,
    ) -> Result<Response<v1::ListServicePointsResponse>, Status> {
        let v1::ListServicePointsRequest {} = request.into_inner();
        Ok(Response::new(v1::ListServicePointsResponse {
            points: self.shared.work.points.iter().map(wire::point).collect(),
        }))
    }

    async fn list_arrivals(
        &self,
        request: Request<v1::ListArrivalsRequest>,
    ) -> Result<Response<v1::ListArrivalsResponse>, Status> {
        let v1::ListArrivalsRequest {
            page_size,
            page_token,
            filter,
            with_summaries,
        } = request.into_inner();
        let arguments = v1::ListArrivalsRequest {
            page_size: 0,
            page_token: String::new(),
            filter: filter.clone(),
            with_summaries,
        };
        let page = Page::read(
            self.shared.store.id(),
            "ListArrivals",
            page_size,
            &page_token,
            if with_summaries { SUMMARIES } else { ARRIVALS },
            &arguments,
        )?;
        let wanted = self.filter(filter)?;
        let as_of = gather::as_of(&self.shared);
        let mut found =
            self.shared
                .turnaround
                .arrivals(read_place(&page)?, page.size + 1, |arrival| {
                    wanted.lists(arrival, as_of)
                });
        let more = found.len() > page.size;
        found.truncate(page.size);
        let next_page_token = match found.last() {
            Some(last) if more => {
                let mut place = last.arrives_at.unix_ms().to_be_bytes().to_vec();
                place.extend_from_slice(last.id.as_bytes());
                page.next_token(&place)
            }
            _ => String::new(),
        };
        let mut summaries = Vec::new();
        if with_summaries {
            for arrival in &found {
                let sheet = self.sheet(Arc::clone(arrival), false).await?;
                summaries.push(wire::summary(&sheet));
            }
        }
        Ok(Response::new(v1::ListArrivalsResponse {
            arrivals: found.iter().map(|arrival| wire::arrival(arrival)).collect(),
            next_page_token,
            summaries,
            as_of_unix_ms: as_of.unix_ms(),
        }))
    }

    async fn record_arrivals(
        &self,
        request: Request<v1::RecordArrivalsRequest>,
    ) -> Result<Response<v1::RecordArrivalsResponse>, Status> {
        let actor = actor_of(&request)?;
        let v1::RecordArrivalsRequest {
            arrivals,
            validate_only,
        } = request.into_inner();
        few_enough("arrivals", arrivals.len())?;
        let mut faults = Faults::new();
        let mut read: Vec<Arrival> = Vec::with_capacity(arrivals.len());
        let mut first_of: BTreeMap<String, usize> = BTreeMap::new();
        for (idx, wire) in arrivals.into_iter().enumerate() {
            let Some(arrival) = self.read_arrival(idx, wire, &actor, &mut faults) else {
                continue;
            };
            let first = *first_of.entry(arrival.id.clone()).or_insert(idx);
            let same = read.iter().find(|other| other.id == arrival.id);
            if let Some(same) = same
                && (&same.unit, &same.point, same.arrives_at, same.leaves_at)
                    != (
                        &arrival.unit,
                        &arrival.point,
                        arrival.arrives_at,
                        arrival.leaves_at,
                    )
            {
                faults.add(
                    "BAD_FIELD",
                    format!("arrivals[{idx}].name"),
                    format!("is the same arrival as arrivals[{first}] with other content"),
                );
            }
            let field = format!("arrivals[{idx}].arrives_unix_ms");
            self.check_place_and_time(field, &arrival, &read, &mut faults);
            read.push(arrival);
        }
        faults.into_result()?;
        if validate_only {
            return Ok(Response::new(v1::RecordArrivalsResponse::default()));
        }
        let shared = Arc::clone(&self.shared);
        let recorded = blocking(move || {
            let as_of = gather::as_of(&shared);
            shared.turnaround.record_arrivals(read, as_of)
        })
        .await?;
        let outcomes = recorded.map_err(|(idx, other)| {
            let field = format!("arrivals[{idx}].arrives_unix_ms");
            elsewhere(field, &other)
        })?;
        let n_of = |wanted: ArrivalOutcome| {
            count(
                outcomes
                    .iter()
                    .filter(|(_, outcome)| *outcome == wanted)
                    .count(),
            )
        };
        Ok(Response::new(v1::RecordArrivalsResponse {
            arrivals: outcomes
                .iter()
                .map(|(arrival, _)| wire::arrival(arrival))
                .collect(),
            n_new: n_of(ArrivalOutcome::New),
            n_changed: n_of(ArrivalOutcome::Changed),
            n_unchanged: n_of(ArrivalOutcome::Unchanged),
        }))
    }

    async fn cancel_arrival(
        &self,
        request: Request<v1::CancelArrivalRequest>,
    ) -> Result<Response<v1::Arrival>, Status> {
        let actor = actor_of(&request)?;
        let v1::CancelArrivalRequest { name, why } = request.into_inner();
        let id = arrival_id("name", &name).map_err(bad_field)?;
        check_text("why", &why, MAX_WHY)?;
        let cancelled = Cancelled {
            by: actor.name,
            at: self.shared.clock.now(),
            why,
        };
        let (shared, of) = (Arc::clone(&self.shared), id.clone());
        let found = blocking(move || shared.turnaround.cancel(&of, cancelled)).await?;
        let found = found.ok_or_else(|| unknown_arrival(&id))?;
        Ok(Response::new(wire::arrival(&found)))
    }

    async fn restore_arrival(
        &self,
        request: Request<v1::RestoreArrivalRequest>,
    ) -> Result<Response<v1::Arrival>, Status> {
        let actor = actor_of(&request)?;
        let v1::RestoreArrivalRequest { name } = request.into_inner();
        let id = arrival_id("name", &name).map_err(bad_field)?;
        let known = self.shared.turnaround.arrival(&id);
        let known = known.ok_or_else(|| unknown_arrival(&id))?;
        if known.cancelled.is_some() {
            let mut faults = Faults::new();
            self.check_place_and_time("name".to_owned(), &known, &[], &mut faults);
            faults.into_result()?;
        }
        let restored = Restored {
            by: actor.name,
            at: self.shared.clock.now(),
        };
        let (shared, of) = (Arc::clone(&self.shared), id.clone());
        match blocking(move || shared.turnaround.restore(&of, restored)).await? {
            Restoring::Unknown => Err(unknown_arrival(&id)),
            Restoring::Elsewhere(other) => Err(elsewhere("name".to_owned(), &other)),
            Restoring::Stands(arrival) => Ok(Response::new(wire::arrival(&arrival))),
        }
    }

    async fn list_part_stock(
        &self,
        request: Request<v1::ListPartStockRequest>,
    ) -> Result<Response<v1::ListPartStockResponse>, Status> {
        let v1::ListPartStockRequest { point } = request.into_inner();
        let point = self.known_point("point", &point)?;
        let stock = self.shared.turnaround.stock(&point.name);
        Ok(Response::new(v1::ListPartStockResponse {
            stock: stock.iter().map(wire::stock).collect(),
        }))
    }

    async fn record_part_stock(
        &self,
        request: Request<v1::RecordPartStockRequest>,
    ) -> Result<Response<v1::RecordPartStockResponse>, Status> {
        let actor = actor_of(&request)?;
        let v1::RecordPartStockRequest { stock } = request.into_inner();
        few_enough("stock", stock.len())?;
        let now = self.shared.clock.now();
        let as_of_now = gather::as_of(&self.shared);
        let work = &self.shared.work;
        let is_part = |part: &str| {
            let of_jobs = work.jobs.iter().filter_map(|job| job.part.as_deref());
            let of_wears = work.wears.iter().filter_map(|wear| wear.part.as_deref());
            of_jobs.chain(of_wears).any(|known| known == part)
        };
        let mut faults = Faults::new();
        let mut read = Vec::with_capacity(stock.len());
        for (idx, wire) in stock.into_iter().enumerate() {
            let v1::PartStock {
                point,
                part,
                on_hand,
                as_of_unix_ms,
                source,
                said_unix_ms: _,
            } = wire;
            let at = |field: &str| format!("stock[{idx}].{field}");
            let point = self.point_of(&mut faults, &at("point"), &point);
            if !is_part(&part) {
                faults.add(
                    "UNKNOWN_PART",
                    at("part"),
                    format!("no job of the work files takes a part \"{part}\""),
                );
            }
            let on_hand = match v1::OnHand::try_from(on_hand) {
                Ok(v1::OnHand::Yes) => Some(true),
                Ok(v1::OnHand::No) => Some(false),
                Ok(v1::OnHand::Unknown) => None,
                Ok(v1::OnHand::Unspecified) | Err(_) => {
                    let why = "is unset or unknown; write YES, NO or UNKNOWN";
                    faults.add("BAD_FIELD", at("on_hand"), why);
                    None
                }
            };
            faults.check_time(at("as_of_unix_ms"), as_of_unix_ms);
            let source = Self::source_of(&mut faults, at("source"), source, &actor);
            let Some(point) = point else { continue };
            read.push(PartStock {
                point,
                part,
                on_hand,
                as_of: match as_of_unix_ms {
                    0 => as_of_now,
                    ms => EventTime::from_unix_ms(ms),
                },
                source,
                said_at: now,
            });
        }
        faults.into_result()?;
        let n_said = read.len();
        let shared = Arc::clone(&self.shared);
        let n_changed = blocking(move || shared.turnaround.record_stock(read)).await?;
        Ok(Response::new(v1::RecordPartStockResponse {
            n_changed: count(n_changed),
            n_unchanged: count(n_said - n_changed),
        }))
    }

    async fn list_care(
        &self,
        request: Request<v1::ListCareRequest>,
    ) -> Result<Response<v1::ListCareResponse>, Status> {
        let v1::ListCareRequest { unit } = request.into_inner();
        let unit = self.known_unit("unit", &unit)?;
        let shared = Arc::clone(&self.shared);
        let care = blocking(move || shared.turnaround.all_care(&unit)).await?;
        Ok(Response::new(v1::ListCareResponse {
            care: care.iter().map(wire::care).collect(),
        }))
    }

    async fn record_care(
        &self,
        request: Request<v1::RecordCareRequest>,
    ) -> Result<Response<v1::RecordCareResponse>, Status> {
        let actor = actor_of(&request)?;
        let v1::RecordCareRequest { care } = request.into_inner();
        few_enough("care", care.len())?;
        let now = self.shared.clock.now();
        let as_of_now = gather::as_of(&self.shared);
        let mut faults = Faults::new();
        let mut read = Vec::with_capacity(care.len());
        for (idx, wire) in care.into_iter().enumerate() {
            let v1::Care {
                unit,
                item,
                done_unix_ms,
                value,
                source,
                said_unix_ms: _,
            } = wire;
            let at = |field: &str| format!("care[{idx}].{field}");
            let record = self.unit_of(&mut faults, &at("unit"), &unit);
            let source = Self::source_of(&mut faults, at("source"), source, &actor);
            faults.check_time(at("done_unix_ms"), done_unix_ms);
            let Some(record) = record else { continue };
            let done_at = match done_unix_ms {
                0 => as_of_now,
                ms => EventTime::from_unix_ms(ms),
            };
            if done_at.unix_ms() > now.unix_ms() {
                let why = format!("{done_at} is still to come");
                faults.add("BAD_TIME", at("done_unix_ms"), why);
            }
            self.check_item(
                &mut faults,
                &record,
                (&at("item"), &item),
                (&at("value"), value),
            );
            read.push(Care {
                unit: record.unit.id.clone(),
                item,
                done_at,
                value,
                source,
                said_at: now,
            });
        }
        faults.into_result()?;
        let n_said = read.len();
        let shared = Arc::clone(&self.shared);
        let n_changed = blocking(move || shared.turnaround.record_care(read)).await?;
        Ok(Response::new(v1::RecordCareResponse {
            n_changed: count(n_changed),
            n_unchanged: count(n_said - n_changed),
        }))
    }

    async fn get_sheet(
        &self,
        request: Request<v1::GetSheetRequest>,
    ) -> Result<Response<v1::Sheet>, Status> {
        let v1::GetSheetRequest {
            arrival,
            unit,
            point,
        } = request.into_inner();
        let found = if arrival.is_empty() {
            let unit = self.known_unit("unit", &unit)?;
            let point = match point.as_str() {
                "" => None,
                point => Some(self.known_point("point", point)?.name.clone()),
            };
            let as_of = gather::as_of(&self.shared);
            let next = self.shared.turnaround.next_of(&unit, |arrival| {
                left_at(arrival) > as_of
                    && point.as_ref().is_none_or(|point| arrival.point == *point)
            });
            next.ok_or_else(|| {
                let at = point.map_or_else(String::new, |point| format!(" at {point}"));
                no_arrival(format!("nobody has said that {unit} comes in{at}"))
            })?
        } else {
            let id = arrival_id("arrival", &arrival).map_err(bad_field)?;
            let known = self.shared.turnaround.arrival(&id);
            known.ok_or_else(|| unknown_arrival(&id))?
        };
        let unit = found.unit.clone();
        let sheet = self.sheet(found, true).await?;
        let from = sheet.as_of.plus_ms(-REPAIRS_MS);
        let repairs = self.repairs.since(unit, from, MOST_REPAIRS).await?;
        Ok(Response::new(v1::Sheet {
            repairs,
            ..wire::sheet(&sheet)
        }))
    }
}

fn unknown_arrival(id: &str) -> Status {
    status::not_found("UNKNOWN_ARRIVAL", format!("no arrival is called {id}"))
}

impl TurnaroundCalls {
    /// An item must be inspected or wear on the unit's class; only what wears is gauged.
    fn check_item(
        &self,
        faults: &mut Faults,
        record: &UnitRecord,
        (item_field, item): (&str, &str),
        (value_field, value): (&str, Option<f64>),
    ) {
        let work = &self.shared.work;
        let class = &record.unit.class;
        let inspections = work.inspections_of(class);
        let wears = work.wears_of(class);
        let wear = wears.iter().find(|wear| wear.name == item);
        if wear.is_none() && !inspections.iter().any(|one| one.name == item) {
            let names = inspections.iter().map(|one| one.name.as_str());
            let names: Vec<&str> = names
                .chain(wears.iter().map(|wear| wear.name.as_str()))
                .collect();
            faults.add(
                "UNKNOWN_ITEM",
                item_field.to_owned(),
                format!(
                    "nothing called \"{item}\" is inspected or wears on a {class}; there are {}",
                    names.join(", ")
                ),
            );
            return;
        }
        match (wear, value) {
            (_, None) => {}
            (None, Some(_)) => faults.add(
                "BAD_FIELD",
                value_field.to_owned(),
                "an inspection has no value; leave it out",
            ),
            (Some(wear), Some(value)) => {
                let (low, high) = (wear.new.min(wear.limit), wear.new.max(wear.limit));
                let reach = high - low;
                // Beyond the limit is news; better than new is a slip of the pen, but for what a new part and a
                // gauge may be off. What cannot be negative when new or worn out cannot be between or beyond either.
                let floor = if low >= 0.0 { 0.0 } else { f64::NEG_INFINITY };
                let (below, above) = if wear.new > wear.limit {
                    (2.0, GAUGE_SHARE)
                } else {
                    (GAUGE_SHARE, 2.0)
                };
                let believable = (low - below * reach).max(floor)..=(high + above * reach);
                if !believable.contains(&value) {
                    faults.add(
                        "BAD_FIELD",
                        value_field.to_owned(),
                        format!(
                            "{value} {} is not believable: new is {}, the limit {}",
                            wear.ucum, wear.new, wear.limit
                        ),
                    );
                }
            }
        }
    }
}
