//! TelemetryService: what was stored, read back in pages.

use crate::blocking::blocking;
use crate::paging::{Page, PageRule, bad_token};
use crate::{Shared, known, status};
use prost::Message;
use std::sync::Arc;
use tonic::{Request, Response, Status};
use wheeltap_judge::derive_series;
use wheeltap_model::{ChannelDef, ChannelId, ChannelKind, EventTime, Quality, Series, UnitId};
use wheeltap_proto::convert::{self, InvalidField};
use wheeltap_proto::v1;
use wheeltap_proto::v1::telemetry_service_server::TelemetryService;
use wheeltap_store::{Rollup, StoreError, Tier};

const SAMPLES: PageRule = PageRule {
    default: 10_000,
    most: 100_000,
};
const ROLLUPS: PageRule = PageRule {
    default: 1_000,
    most: 50_000,
};
const EVENTS: PageRule = PageRule {
    default: 1_000,
    most: 10_000,
};
/// Most events read of one call to the store to step over those already sent.
const MAX_STEP: usize = 1_000_000;

/// The service of the contract over the store.
pub struct TelemetryCalls {
    shared: Arc<Shared>,
}

/// What every call asks for.
struct Asked<'a> {
    unit: UnitId,
    channel: ChannelId,
    def: &'a ChannelDef,
    from: EventTime,
    to: EventTime,
}

fn field(invalid: InvalidField) -> Status {
    status::bad_field("BAD_FIELD", &invalid.field, invalid.why)
}

impl TelemetryCalls {
    /// A service that reads from `shared.store`.
    pub const fn new(shared: Arc<Shared>) -> Self {
        Self { shared }
    }

    fn asked(
        &self,
        unit: &str,
        channel: &str,
        from_ms: i64,
        to_ms: i64,
    ) -> Result<Asked<'_>, Status> {
        let unit = convert::unit_from_name("unit", unit).map_err(field)?;
        let channel = convert::channel_from_name("channel", channel).map_err(field)?;
        known::unit(&self.shared, &unit)?;
        let (id, def) = self.shared.catalogue.channel(&channel).ok_or_else(|| {
            status::not_found(
                "UNKNOWN_CHANNEL",
                format!("the catalogue has no channel {channel}"),
            )
        })?;
        if to_ms < from_ms {
            return Err(status::bad_field(
                "BAD_RANGE",
                "to_unix_ms",
                "is before from_unix_ms",
            ));
        }
        Ok(Asked {
            unit,
            channel: id,
            def,
            from: EventTime::from_unix_ms(from_ms),
            to: EventTime::from_unix_ms(to_ms),
        })
    }

    /// Refuses a range that ends before the oldest instant that is kept: retention counts back
    /// from the newest event time stored, or from now if that is earlier.
    async fn check_kept(&self, unit: &UnitId, to: EventTime, kept_ms: i64) -> Result<(), Status> {
        let (store, of) = (Arc::clone(&self.shared.store), unit.clone());
        let Some((_, newest)) = blocking(move || store.extent(&of)).await? else {
            return Ok(());
        };
        let now_ms = self.shared.clock.now().unix_ms();
        let oldest_ms = newest.unix_ms().min(now_ms).saturating_sub(kept_ms);
        if to.unix_ms() < oldest_ms {
            return Err(status::out_of_range(
                "BEYOND_RETENTION",
                format!(
                    "nothing so old is kept; the oldest is {}",
                    EventTime::from_unix_ms(oldest_ms)
                ),
            ));
        }
        Ok(())
    }

    fn page(
        &self,
        call: &'static str,
        size: i32,
        token: &str,
        rule: PageRule,
        arguments: &impl Message,
    ) -> Result<Page, Status> {
        Page::read(self.shared.store.id(), call, size, token, rule, arguments)
    }
}

fn after_ms(page: &Page) -> Result<Option<i64>, Status> {
    Ok(page.after_number()?.map(u64::cast_signed))
}

fn token_after(page: &Page, ms: i64) -> String {
    page.next_token(&ms.cast_unsigned().to_be_bytes())
}

fn samples_only(def: &ChannelDef) -> Result<(), Status> {
    if matches!(def.kind, ChannelKind::Event { .. }) {
        return Err(status::bad_field(
            "WRONG_KIND",
            "channel",
            "is a channel of events; ask for events (ListEvents, `wheeltap export events`)",
        ));
    }
    Ok(())
}

fn wire_rollup(row: &Rollup) -> v1::RollupRow {
    let Rollup {
        start,
        n,
        n_unusable,
        min,
        max,
        sum,
        last,
    } = *row;
    let known = |value: f64| (n > 0).then_some(value);
    v1::RollupRow {
        start_unix_ms: start.unix_ms(),
        n,
        n_unusable,
        min: known(min),
        max: known(max),
        mean: known(sum / f64::from(n.max(1))),
        last: known(last),
    }
}

/// Inputs of a derived channel are read in stretches of event time of this length.
const STRETCH_MS: i64 = 3_600_000;

/// At least the first `limit` values of a derived channel in a range, or all that there are.
fn derived(
    shared: &Shared,
    unit: &UnitId,
    def: &ChannelDef,
    (from, to): (EventTime, EventTime),
    limit: usize,
) -> Result<Series, StoreError> {
    let class = shared
        .fleet
        .get(unit)
        .map(|record| record.unit.class.clone());
    let class = class.and_then(|class| shared.catalogue.class(&class));
    let Some((first, newest)) = shared.store.extent(unit)? else {
        return Ok(Series::default());
    };
    // Nothing is stored outside, so stretches are finite whatever was asked.
    let (mut from, to) = (from.max(first), to.min(newest));
    let mut found = Vec::new();
    while from <= to && found.len() < limit {
        let until = from.plus_ms(STRETCH_MS - 1).min(to);
        let mut read = |channel, from, to| shared.store.read(unit, channel, from, to, usize::MAX);
        let part = derive_series(def, class, &shared.catalogue, (from, until), &mut read)?;
        found.extend(part.samples());
        from = until.plus_ms(1);
    }
    Ok(Series::from_samples(found))
}

#[tonic::async_trait]
impl TelemetryService for TelemetryCalls {
    async fn list_samples(
        &self,
        request: Request<v1::ListSamplesRequest>,
    ) -> Result<Response<v1::ListSamplesResponse>, Status> {
        let mut asked = request.into_inner();
        let size = std::mem::take(&mut asked.page_size);
        let token = std::mem::take(&mut asked.page_token);
        let page = self.page("ListSamples", size, &token, SAMPLES, &asked)?;
        let v1::ListSamplesRequest {
            unit,
            channel,
            from_unix_ms,
            to_unix_ms,
            page_size: _,
            page_token: _,
        } = asked;
        let Asked {
            unit,
            channel,
            def,
            from,
            to,
        } = self.asked(&unit, &channel, from_unix_ms, to_unix_ms)?;
        samples_only(def)?;
        let kept_ms = self.shared.settings.retention.raw.ms();
        self.check_kept(&unit, to, kept_ms).await?;
        let from = after_ms(&page)?.map_or(from, |ms| EventTime::from_unix_ms(ms).plus_ms(1));
        let limit = page.size + 1;
        let mut series = if self.shared.catalogue.derived(&def.name).is_some() {
            let (shared, def) = (Arc::clone(&self.shared), def.clone());
            blocking(move || derived(&shared, &unit, &def, (from, to), limit)).await?
        } else {
            let store = Arc::clone(&self.shared.store);
            blocking(move || store.read(&unit, channel, from, to, limit)).await?
        };
        let more = series.times_ms.len() > page.size;
        series.times_ms.truncate(page.size);
        series.values.truncate(page.size);
        series.qualities.truncate(page.size);
        if series
            .qualities
            .iter()
            .all(|quality| *quality == Quality::Good)
        {
            series.qualities.clear();
        }
        let next_page_token = match series.times_ms.last() {
            Some(last) if more => token_after(&page, *last),
            _ => String::new(),
        };
        Ok(Response::new(v1::ListSamplesResponse {
            qualities: convert::qualities_to_wire(&series.qualities).into(),
            times_unix_ms: series.times_ms,
            values: series.values,
            ucum: def.ucum.clone(),
            next_page_token,
        }))
    }

    async fn list_rollups(
        &self,
        request: Request<v1::ListRollupsRequest>,
    ) -> Result<Response<v1::ListRollupsResponse>, Status> {
        let mut asked = request.into_inner();
        let size = std::mem::take(&mut asked.page_size);
        let token = std::mem::take(&mut asked.page_token);
        let page = self.page("ListRollups", size, &token, ROLLUPS, &asked)?;
        let v1::ListRollupsRequest {
            unit,
            channel,
            tier,
            from_unix_ms,
            to_unix_ms,
            page_size: _,
            page_token: _,
        } = asked;
        let retention = &self.shared.settings.retention;
        let (tier, kept) = match v1::RollupTier::try_from(tier) {
            Ok(v1::RollupTier::Minute) => (Tier::Minute, retention.minute),
            Ok(v1::RollupTier::Hour) => (Tier::Hour, retention.hour),
            Ok(v1::RollupTier::Unspecified) | Err(_) => {
                return Err(status::bad_field(
                    "BAD_FIELD",
                    "tier",
                    "is unset or unknown; write MINUTE or HOUR",
                ));
            }
        };
        let Asked {
            unit,
            channel,
            def,
            from,
            to,
        } = self.asked(&unit, &channel, from_unix_ms, to_unix_ms)?;
        samples_only(def)?;
        if self.shared.catalogue.derived(&def.name).is_some() {
            return Err(status::bad_field(
                "WRONG_KIND",
                "channel",
                "is computed on reading and has no rollups; ask ListSamples",
            ));
        }
        self.check_kept(&unit, to, kept.ms()).await?;
        let from = after_ms(&page)?.map_or(from, |ms| EventTime::from_unix_ms(ms).plus_ms(1));
        let store = Arc::clone(&self.shared.store);
        let limit = page.size + 1;
        let mut rows =
            blocking(move || store.rollups(&unit, channel, tier, from, to, limit)).await?;
        let more = rows.len() > page.size;
        rows.truncate(page.size);
        let next_page_token = match rows.last() {
            Some(last) if more => token_after(&page, last.start.unix_ms()),
            _ => String::new(),
        };
        Ok(Response::new(v1::ListRollupsResponse {
            rows: rows.iter().map(wire_rollup).collect(),
            ucum: def.ucum.clone(),
            next_page_token,
        }))
    }

    async fn list_events(
        &self,
        request: Request<v1::ListEventsRequest>,
    ) -> Result<Response<v1::ListEventsResponse>, Status> {
        let mut asked = request.into_inner();
        let size = std::mem::take(&mut asked.page_size);
        let token = std::mem::take(&mut asked.page_token);
        let page = self.page("ListEvents", size, &token, EVENTS, &asked)?;
        let v1::ListEventsRequest {
            unit,
            channel,
            from_unix_ms,
            to_unix_ms,
            page_size: _,
            page_token: _,
        } = asked;
        let Asked {
            unit,
            channel,
            def,
            from,
            to,
        } = self.asked(&unit, &channel, from_unix_ms, to_unix_ms)?;
        let ChannelKind::Event { fields } = &def.kind else {
            return Err(status::bad_field(
                "WRONG_KIND",
                "channel",
                "is no event channel; ask ListSamples",
            ));
        };
        let kept_ms = self.shared.settings.retention.raw.ms();
        self.check_kept(&unit, to, kept_ms).await?;
        // Several events may share an instant, so a position is an instant and how many of it went.
        let (from, sent) = match page.after.as_deref() {
            None => (from, 0),
            Some(bytes) => {
                let (ms, sent) = bytes.split_first_chunk::<8>().ok_or_else(bad_token)?;
                let sent = <[u8; 4]>::try_from(sent).map_err(|_| bad_token())?;
                (
                    EventTime::from_unix_ms(i64::from_be_bytes(*ms)),
                    usize::try_from(u32::from_be_bytes(sent)).map_err(|_| bad_token())?,
                )
            }
        };
        if sent > MAX_STEP {
            return Err(bad_token());
        }
        let store = Arc::clone(&self.shared.store);
        let limit = sent + page.size + 1;
        let found = blocking(move || store.read_events(&unit, channel, from, to, limit)).await?;
        let shown = &found[sent.min(found.len())..];
        let more = shown.len() > page.size;
        let shown = &shown[..page.size.min(shown.len())];
        let next_page_token = match shown.last() {
            Some(last) if more => {
                let until = sent.min(found.len()) + shown.len();
                let of_instant = found[..until]
                    .iter()
                    .filter(|event| event.time == last.time);
                let n_of_instant = u32::try_from(of_instant.count()).unwrap_or(u32::MAX);
                let mut position = last.time.unix_ms().to_be_bytes().to_vec();
                position.extend_from_slice(&n_of_instant.to_be_bytes());
                page.next_token(&position)
            }
            _ => String::new(),
        };
        let events = shown
            .iter()
            .map(|event| v1::TelemetryEvent {
                time_unix_ms: event.time.unix_ms(),
                fields: fields
                    .iter()
                    .zip(&event.fields)
                    .filter_map(|((name, _), value)| Some((name.clone(), (*value)?)))
                    .collect(),
            })
            .collect();
        Ok(Response::new(v1::ListEventsResponse {
            events,
            next_page_token,
        }))
    }
}
