//! One channel of a unit as a plot needs it: about a point a pixel, gaps left as gaps.

use crate::{Pages, refused, told};
use axum::Json;
use axum::extract::{Path, Query};
use axum::response::{IntoResponse, Response};
use futures::TryStreamExt;
use serde::{Deserialize, Serialize};
use wheeltap_client::CallError;
use wheeltap_model::{ChannelName, EventTime, Quality, UnitId};
use wheeltap_proto::v1;

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 3_600_000;
/// Points of one answer at most.
const MOST_POINTS: usize = 50_000;

/// Which stretch, and on how many pixels.
#[derive(Deserialize)]
pub struct Wanted {
    channel: String,
    from: i64,
    to: i64,
    #[serde(default)]
    width: u32,
}

/// Points in order of time; least, mean and greatest are the same for raw samples.
#[derive(Default, Serialize)]
struct Points {
    unit: String,
    /// What the points are: `samples`, `minutes` or `hours`.
    of: &'static str,
    /// A line is broken where points are further apart, in milliseconds.
    gap_ms: i64,
    /// Each value stays until the next.
    steps: bool,
    t: Vec<i64>,
    low: Vec<f64>,
    mid: Vec<f64>,
    high: Vec<f64>,
}

/// `GET /units/{unit}/series?channel=..&from=..&to=..&width=..`, times in Unix milliseconds.
pub async fn series(
    pages: Pages,
    Path(unit): Path<String>,
    Query(wanted): Query<Wanted>,
) -> Response {
    let (Ok(unit), Ok(channel)) = (UnitId::new(&unit), ChannelName::new(&wanted.channel)) else {
        return crate::trouble(
            axum::http::StatusCode::BAD_REQUEST,
            "This names no unit or no channel.",
        );
    };
    match points(&pages, &unit, &channel, &wanted).await {
        Ok(points) => Json(points).into_response(),
        Err(error) => refused(&error),
    }
}

async fn points(
    pages: &Pages,
    unit: &UnitId,
    channel: &ChannelName,
    wanted: &Wanted,
) -> Result<Points, CallError> {
    let asked = v1::GetChannelRequest {
        name: format!("channels/{channel}"),
    };
    let def = pages
        .connection
        .fleet()
        .get_channel(asked)
        .await?
        .into_inner();
    let (from, to) = (
        EventTime::from_unix_ms(wanted.from),
        EventTime::from_unix_ms(wanted.to),
    );
    let per_pixel_ms = to.ms_since(from).max(1) / i64::from(wanted.width.clamp(100, 4_000));
    let held_ms = match &def.kind {
        Some(v1::channel::Kind::Held(held)) => Some(held.hold_ms.max(1)),
        _ => None,
    };
    let mut points = Points {
        unit: told::unit(&def.ucum),
        steps: held_ms.is_some(),
        ..Points::default()
    };
    // What is computed has no rollups.
    if per_pixel_ms >= MINUTE_MS / 2 && def.derivation.is_none() {
        let (tier, row_ms, of) = if per_pixel_ms >= HOUR_MS / 2 {
            (v1::RollupTier::Hour, HOUR_MS, "hours")
        } else {
            (v1::RollupTier::Minute, MINUTE_MS, "minutes")
        };
        let until = to.plus_ms(1);
        let mut rows = pages
            .connection
            .list_rollups(unit, channel, tier, from, until);
        while let Some(row) = rows.try_next().await? {
            // A held value stays as it was last, whatever the mean was.
            let mid = if held_ms.is_some() {
                row.last
            } else {
                row.mean
            };
            if let (Some(low), Some(mid), Some(high)) = (row.min, mid, row.max) {
                points.t.push(row.start_unix_ms + row_ms / 2);
                points.low.push(low);
                points.mid.push(mid);
                points.high.push(high);
            }
            if points.t.len() >= MOST_POINTS {
                break;
            }
        }
        points.of = of;
        let lasts_ms = held_ms.unwrap_or(def.silent_ms);
        points.gap_ms = (row_ms * 5 / 2).max(lasts_ms + row_ms);
        return Ok(points);
    }
    let mut samples = pages.connection.list_samples(unit, channel, from, to);
    while let Some(sample) = samples.try_next().await? {
        if sample.quality == Quality::Good {
            points.t.push(sample.time.unix_ms());
            points.mid.push(sample.value);
        }
        if points.t.len() >= MOST_POINTS {
            break;
        }
    }
    points.low.clone_from(&points.mid);
    points.high.clone_from(&points.mid);
    points.of = "samples";
    points.gap_ms = held_ms.unwrap_or(def.silent_ms.max(1));
    Ok(points)
}

/// The channel that an input of evidence was computed from: `mean(engine.oil.temperature, 5 min)`.
pub fn channel_of(text: &str) -> Option<&str> {
    let (_, args) = text.split_once('(')?;
    let name = args.split([',', ')']).next()?.trim();
    (name.contains('.') && ChannelName::new(name).is_ok()).then_some(name)
}

/// Where plots of the last so many days begin and end.
pub fn last_days(unit: &v1::Unit, days: u32) -> (i64, i64) {
    let to = unit
        .newest_event_unix_ms
        .unwrap_or_else(crate::board::now_ms);
    (to - i64::from(days) * 24 * HOUR_MS, to)
}

/// A stretch to be shaded: the condition of an alert, and what to call it.
#[derive(Serialize)]
pub struct Shade {
    pub from: i64,
    pub to: i64,
    pub says: String,
}

/// The stretches in which alerts stood.
pub fn shades(alerts: &[v1::Alert], newest: i64) -> Vec<Shade> {
    let counts = |alert: &&v1::Alert| alert.condition() != v1::Condition::Withdrawn;
    alerts
        .iter()
        .filter(counts)
        .map(|alert| Shade {
            from: alert
                .evidence
                .as_ref()
                .map_or(alert.raised_unix_ms, |seen| seen.since_unix_ms),
            to: alert.ended_unix_ms.unwrap_or(newest),
            says: format!("{} {}", told::tail(&alert.name), alert.title),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_are_found_in_evidence() {
        for (text, channel) in [
            (
                "mean(engine.oil.temperature, 5 min)",
                Some("engine.oil.temperature"),
            ),
            ("last(brake.pipe.pressure)", Some("brake.pipe.pressure")),
            ("in_state(working)", None),
            ("param(18, K)", None),
            ("part_number()", None),
        ] {
            assert_eq!(channel_of(text), channel);
        }
    }
}
