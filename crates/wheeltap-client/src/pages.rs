//! Lists as streams: pages are fetched as they are needed.
//!
//! A stream yields items in the service's order and ends after the last; an `Err` is the last item.
//! A page that meets `UNAVAILABLE` is asked for again a few times first.

use crate::backoff::Backoff;
use crate::{CallError, Connection};
use futures::stream::{self, BoxStream, StreamExt};
use std::future::Future;
use std::time::Duration;
use tonic::{Code, Response, Status};
use wheeltap_model::{ChannelName, ClassName, EventTime, Quality, Sample, UnitId};
use wheeltap_proto::v1;

const BACKOFF: Backoff = Backoff {
    first: Duration::from_millis(200),
    longest: Duration::from_secs(2),
};
/// Tries of one page before its error is told.
const MAX_TRIES: u32 = 4;

/// A page of the list of defect changes. A client that applies `changes` and keeps `cursor` in one
/// transaction takes every change exactly once.
#[derive(Clone, Debug)]
pub struct DefectChangePage {
    /// Oldest first; may be empty.
    pub changes: Vec<v1::DefectChange>,
    /// Ask from here next time.
    pub cursor: String,
}

async fn with_tries<T, F>(mut call: impl FnMut() -> F) -> Result<T, CallError>
where
    F: Future<Output = Result<Response<T>, Status>>,
{
    let mut n_failures = 0;
    loop {
        match call().await {
            Ok(response) => return Ok(response.into_inner()),
            Err(status) if status.code() == Code::Unavailable && n_failures + 1 < MAX_TRIES => {
                tokio::time::sleep(BACKOFF.wait(n_failures)).await;
                n_failures += 1;
            }
            Err(status) => return Err(status.into()),
        }
    }
}

/// Walks pages from token to token. `call` fetches the page of a token; it answers with the items
/// and the next token, empty at the end.
fn walk<T, C, F>(first_token: String, call: C) -> BoxStream<'static, Result<T, CallError>>
where
    T: Send + 'static,
    C: FnMut(String) -> F + Send + 'static,
    F: Future<Output = Result<(Vec<T>, String), CallError>> + Send + 'static,
{
    stream::unfold((Some(first_token), call), |(token, mut call)| async {
        let (items, next) = match call(token?).await {
            Ok((items, next)) => (
                items.into_iter().map(Ok).collect(),
                (!next.is_empty()).then_some(next),
            ),
            Err(error) => (vec![Err(error)], None),
        };
        Some((stream::iter(items), (next, call)))
    })
    .flatten()
    .boxed()
}

/// One list: how its request is asked for a page, and where its answer has items and token.
macro_rules! list {
    ($connection:expr, $client:ident . $method:ident, $request:expr, $items:expr) => {{
        let (connection, request) = ($connection.clone(), $request);
        walk(String::new(), move |page_token| {
            let (connection, mut request) = (connection.clone(), request.clone());
            request.page_token = page_token;
            async move {
                let page = with_tries(|| {
                    let (mut client, request) = (connection.$client(), request.clone());
                    async move { client.$method(request).await }
                })
                .await?;
                Ok(($items)(page))
            }
        })
    }};
}

/// A stream of one kind of thing.
pub type List<T> = BoxStream<'static, Result<T, CallError>>;

impl Connection {
    /// Alerts that match, newest first.
    pub fn list_alerts(&self, filter: v1::AlertFilter) -> List<v1::Alert> {
        let request = v1::ListAlertsRequest {
            filter: Some(filter),
            ..Default::default()
        };
        list!(
            self,
            alerts.list_alerts,
            request,
            |page: v1::ListAlertsResponse| (page.alerts, page.next_page_token)
        )
    }

    /// Mutes in force, soonest ended first; or all, newest first.
    pub fn list_mutes(&self, show_ended: bool) -> List<v1::Mute> {
        let request = v1::ListMutesRequest {
            show_ended,
            ..Default::default()
        };
        list!(
            self,
            desk.list_mutes,
            request,
            |page: v1::ListMutesResponse| (page.mutes, page.next_page_token)
        )
    }

    /// Shift handovers, newest first.
    pub fn list_handovers(&self) -> List<v1::Handover> {
        let request = v1::ListHandoversRequest::default();
        list!(
            self,
            desk.list_handovers,
            request,
            |page: v1::ListHandoversResponse| (page.handovers, page.next_page_token)
        )
    }

    /// Who did what, newest first. Of the request, `page_token` is not looked at.
    pub fn list_acts(&self, request: v1::ListActsRequest) -> List<v1::RecordedAct> {
        list!(
            self,
            desk.list_acts,
            request,
            |page: v1::ListActsResponse| (page.acts, page.next_page_token)
        )
    }

    /// What classes do, as frozen (`classes/{class}`; empty: all): by class and window, the newest first.
    pub fn list_class_baselines(&self, class: &str) -> List<v1::ClassBaseline> {
        let request = v1::ListClassBaselinesRequest {
            class: class.to_owned(),
            ..Default::default()
        };
        list!(
            self,
            rules.list_class_baselines,
            request,
            |page: v1::ListClassBaselinesResponse| (page.class_baselines, page.next_page_token)
        )
    }

    /// Defects that match, soonest due first.
    pub fn list_defects(&self, filter: v1::DefectFilter) -> List<v1::Defect> {
        self.defects_in_order(filter, false)
    }

    /// Defects that match, latest due first.
    pub fn latest_defects(&self, filter: v1::DefectFilter) -> List<v1::Defect> {
        self.defects_in_order(filter, true)
    }

    fn defects_in_order(&self, filter: v1::DefectFilter, latest_first: bool) -> List<v1::Defect> {
        let request = v1::ListDefectsRequest {
            filter: Some(filter),
            latest_first,
            ..Default::default()
        };
        list!(
            self,
            defects.list_defects,
            request,
            |page: v1::ListDefectsResponse| (page.defects, page.next_page_token)
        )
    }

    /// Pages of defect changes behind `cursor` (from the first change kept, without one), oldest
    /// first, up to the present. Ask again later with the last page's cursor.
    pub fn list_defect_changes(
        &self,
        cursor: Option<String>,
        filter: v1::DefectFilter,
    ) -> List<DefectChangePage> {
        let connection = self.clone();
        walk(cursor.unwrap_or_default(), move |cursor| {
            let (connection, filter) = (connection.clone(), filter.clone());
            async move {
                let page = with_tries(|| {
                    let mut client = connection.defects();
                    let request = v1::ListDefectChangesRequest {
                        cursor: cursor.clone(),
                        filter: Some(filter.clone()),
                        ..Default::default()
                    };
                    async move { client.list_defect_changes(request).await }
                })
                .await?;
                let next = if page.more {
                    page.cursor.clone()
                } else {
                    String::new()
                };
                let page = DefectChangePage {
                    changes: page.changes,
                    cursor: page.cursor,
                };
                Ok((vec![page], next))
            }
        })
    }

    /// Units, by id; of one class, if one is given.
    pub fn list_units(&self, class: Option<&ClassName>) -> List<v1::Unit> {
        let request = v1::ListUnitsRequest {
            unit_class: class.map_or_else(String::new, |class| format!("classes/{class}")),
            ..Default::default()
        };
        list!(
            self,
            fleet.list_units,
            request,
            |page: v1::ListUnitsResponse| (page.units, page.next_page_token)
        )
    }

    /// Arrivals that match, by time.
    pub fn list_arrivals(&self, filter: v1::ArrivalFilter) -> List<v1::Arrival> {
        let request = v1::ListArrivalsRequest {
            filter: Some(filter),
            ..Default::default()
        };
        list!(
            self,
            turnaround.list_arrivals,
            request,
            |page: v1::ListArrivalsResponse| (page.arrivals, page.next_page_token)
        )
    }

    /// Classes, by name.
    pub fn list_classes(&self) -> List<v1::UnitClass> {
        let request = v1::ListClassesRequest::default();
        list!(
            self,
            fleet.list_classes,
            request,
            |page: v1::ListClassesResponse| (page.classes, page.next_page_token)
        )
    }

    /// Channels, in catalogue order.
    pub fn list_channels(&self) -> List<v1::Channel> {
        let request = v1::ListChannelsRequest::default();
        list!(
            self,
            fleet.list_channels,
            request,
            |page: v1::ListChannelsResponse| (page.channels, page.next_page_token)
        )
    }

    /// The newest version of each rule, by name.
    pub fn list_rules(&self) -> List<v1::Rule> {
        self.rule_versions(v1::ListRulesRequest::default())
    }

    /// Every version of every rule, the newest of each first.
    pub fn list_rule_versions(&self) -> List<v1::Rule> {
        self.rule_versions(v1::ListRulesRequest {
            all_versions: true,
            ..v1::ListRulesRequest::default()
        })
    }

    fn rule_versions(&self, request: v1::ListRulesRequest) -> List<v1::Rule> {
        list!(
            self,
            rules.list_rules,
            request,
            |page: v1::ListRulesResponse| (page.rules, page.next_page_token)
        )
    }

    /// Samples of one channel with `from <= time <= to`, oldest first, in the catalogue's unit.
    pub fn list_samples(
        &self,
        unit: &UnitId,
        channel: &ChannelName,
        from: EventTime,
        to: EventTime,
    ) -> List<Sample> {
        let request = v1::ListSamplesRequest {
            unit: format!("units/{unit}"),
            channel: format!("channels/{channel}"),
            from_unix_ms: from.unix_ms(),
            to_unix_ms: to.unix_ms(),
            ..Default::default()
        };
        list!(
            self,
            telemetry.list_samples,
            request,
            |page: v1::ListSamplesResponse| {
                let samples = page.times_unix_ms.iter().zip(&page.values).enumerate();
                let samples = samples.map(|(idx, (&ms, &value))| Sample {
                    time: EventTime::from_unix_ms(ms),
                    value,
                    quality: quality(page.qualities.get(idx).copied()),
                });
                (samples.collect(), page.next_page_token)
            }
        )
    }

    /// Rolled-up rows of one channel that start in `from..to`, oldest first.
    pub fn list_rollups(
        &self,
        unit: &UnitId,
        channel: &ChannelName,
        tier: v1::RollupTier,
        from: EventTime,
        to: EventTime,
    ) -> List<v1::RollupRow> {
        let request = v1::ListRollupsRequest {
            unit: format!("units/{unit}"),
            channel: format!("channels/{channel}"),
            tier: tier.into(),
            from_unix_ms: from.unix_ms(),
            to_unix_ms: to.unix_ms(),
            ..Default::default()
        };
        list!(
            self,
            telemetry.list_rollups,
            request,
            |page: v1::ListRollupsResponse| (page.rows, page.next_page_token)
        )
    }

    /// Events of one channel with `from <= time <= to`, oldest first.
    pub fn list_events(
        &self,
        unit: &UnitId,
        channel: &ChannelName,
        from: EventTime,
        to: EventTime,
    ) -> List<v1::TelemetryEvent> {
        let request = v1::ListEventsRequest {
            unit: format!("units/{unit}"),
            channel: format!("channels/{channel}"),
            from_unix_ms: from.unix_ms(),
            to_unix_ms: to.unix_ms(),
            ..Default::default()
        };
        list!(
            self,
            telemetry.list_events,
            request,
            |page: v1::ListEventsResponse| (page.events, page.next_page_token)
        )
    }

    /// Quarantined batches, oldest first. Role: operator.
    pub fn list_quarantined_batches(&self) -> List<v1::QuarantinedBatch> {
        let request = v1::ListQuarantinedBatchesRequest::default();
        list!(
            self,
            ingest.list_quarantined_batches,
            request,
            |page: v1::ListQuarantinedBatchesResponse| (
                page.quarantined_batches,
                page.next_page_token
            )
        )
    }
}

/// From the wire's number; none given means that all are good.
fn quality(number: Option<u8>) -> Quality {
    match number.map(|number| v1::Quality::try_from(i32::from(number))) {
        None | Some(Ok(v1::Quality::Good)) => Quality::Good,
        Some(Ok(v1::Quality::Conflict)) => Quality::Conflict,
        Some(Ok(v1::Quality::Uncertain)) => Quality::Uncertain,
        // An unknown number is of a later version: not to be trusted blindly.
        Some(Ok(v1::Quality::Bad | v1::Quality::Unspecified) | Err(_)) => Quality::Bad,
    }
}
