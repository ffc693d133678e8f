//! What is heard of a unit's channels, and which of them fell silent while others speak.

use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::Path;
use axum::response::Response;
use futures::{StreamExt, TryStreamExt};
use wheeltap_client::CallError;
use wheeltap_model::{ChannelName, EventTime, UnitId};
use wheeltap_proto::{v1, words};

const MINUTE_MS: i64 = 60_000;
const HOUR_MS: i64 = 3_600_000;
/// How far back from the newest data a channel is looked for.
const DAYS_BACK: i64 = 30;
/// Channels asked about at a time.
const AT_ONCE: usize = 8;

/// One channel and when it was heard last.
struct Channel {
    name: String,
    title: String,
    /// The minute, Unix milliseconds.
    last_ms: i64,
    /// Nothing came for longer than the catalogue's silent time, while the unit was heard.
    is_silent: bool,
    /// What came last was all out of range or marked bad.
    is_unusable: bool,
}

impl Channel {
    fn last(&self) -> String {
        told::minute(self.last_ms)
    }
}

/// Channels that fell silent together.
struct Amiss(Vec<Channel>);

impl Amiss {
    fn all(&self, of: impl Fn(&Channel) -> &str) -> String {
        self.0.iter().map(of).collect::<Vec<_>>().join(", ")
    }

    fn titles(&self) -> String {
        self.all(|channel| &channel.title)
    }

    fn names(&self) -> String {
        self.all(|channel| &channel.name)
    }

    /// The minute in which the first of them was heard last.
    fn last(&self) -> String {
        let last = self.0.iter().map(|channel| channel.last_ms).min();
        last.map_or_else(String::new, told::minute)
    }

    fn state(&self) -> &'static str {
        match self.0.first() {
            Some(first) if first.is_silent && first.is_unusable => {
                "silent while the unit was heard; sent only values that cannot be used"
            }
            Some(first) if first.is_silent => "silent while the unit was heard",
            _ => "sent only values that cannot be used",
        }
    }
}

/// The channels of a unit, as of its newest data.
#[derive(Default)]
struct Heard {
    /// Silent or unusable ones, in the catalogue's order, those of one gap together.
    amiss: Vec<Amiss>,
    /// The others that were heard.
    sound: Vec<Channel>,
    /// Those of the catalogue that were not heard.
    n_never: usize,
}

#[derive(Template)]
#[template(path = "unit_heard.html")]
struct Part {
    heard: Heard,
    days_back: i64,
}

/// `GET /units/{unit}/heard`: a part of the unit's page, which is there sooner than every channel is asked
/// about.
pub async fn part(pages: Pages, Path(unit): Path<String>) -> Response {
    match read(&pages, &unit).await {
        Ok(heard) => shown(
            Part {
                heard,
                days_back: DAYS_BACK,
            }
            .render(),
        ),
        Err(error) => refused(&error),
    }
}

async fn read(pages: &Pages, unit: &str) -> Result<Heard, CallError> {
    let request = v1::GetUnitRequest {
        name: format!("units/{unit}"),
    };
    let unit = pages.connection.fleet().get_unit(request).await?;
    let channels: Vec<v1::Channel> = pages.connection.list_channels().try_collect().await?;
    of(pages, unit.get_ref(), &channels).await
}

/// Asks about each channel that units send of themselves; events come only when something happens.
async fn of(pages: &Pages, unit: &v1::Unit, channels: &[v1::Channel]) -> Result<Heard, CallError> {
    let (Some(newest), Ok(id)) = (
        unit.newest_event_unix_ms,
        UnitId::new(told::tail(&unit.name)),
    ) else {
        return Ok(Heard::default());
    };
    let sent = channels.iter().filter(|channel| {
        channel.derivation.is_none() && !matches!(channel.kind, Some(v1::channel::Kind::Event(_)))
    });
    let asked: Vec<_> = sent
        .map(|channel| {
            let id = id.clone();
            async move { Ok::<_, CallError>((channel, last_row(pages, &id, channel, newest).await?)) }
        })
        .collect();
    let rows: Vec<(&v1::Channel, Option<v1::RollupRow>)> = futures::stream::iter(asked)
        .buffered(AT_ONCE)
        .try_collect()
        .await?;
    Ok(sorted(&rows, newest))
}

/// The newest minute in which something came.
async fn last_row(
    pages: &Pages,
    unit: &UnitId,
    channel: &v1::Channel,
    newest: i64,
) -> Result<Option<v1::RollupRow>, CallError> {
    let Ok(name) = ChannelName::new(told::tail(&channel.name)) else {
        return Ok(None);
    };
    let last = async |tier, from: i64, until: i64| -> Result<Option<v1::RollupRow>, CallError> {
        let (from, until) = (
            EventTime::from_unix_ms(from),
            EventTime::from_unix_ms(until),
        );
        let mut rows = pages
            .connection
            .list_rollups(unit, &name, tier, from, until);
        let mut last = None;
        while let Some(row) = rows.try_next().await? {
            if row.n + row.n_unusable > 0 {
                last = Some(row);
            }
        }
        Ok(last)
    };
    let minutes = v1::RollupTier::Minute;
    let of_late = last(minutes, newest - HOUR_MS, newest + 1).await?;
    if of_late.is_some() {
        return Ok(of_late);
    }
    let back_ms = DAYS_BACK * 24 * HOUR_MS;
    let hour = last(v1::RollupTier::Hour, newest - back_ms, newest + 1).await?;
    match hour {
        None => Ok(None),
        Some(hour) => {
            let start = hour.start_unix_ms;
            Ok(last(minutes, start, start + HOUR_MS).await?.or(Some(hour)))
        }
    }
}

fn sorted(rows: &[(&v1::Channel, Option<v1::RollupRow>)], newest: i64) -> Heard {
    let mut heard = Heard::default();
    let mut amiss = Vec::new();
    for (channel, row) in rows {
        let Some(row) = row else {
            heard.n_never += 1;
            continue;
        };
        // What came may have come at the minute's end.
        let silent_for = newest - (row.start_unix_ms + MINUTE_MS);
        let channel = Channel {
            name: told::tail(&channel.name).to_owned(),
            title: channel.title.clone(),
            last_ms: row.start_unix_ms,
            is_silent: silent_for > channel.silent_ms,
            is_unusable: row.n == 0,
        };
        if channel.is_silent || channel.is_unusable {
            amiss.push(channel);
        } else {
            heard.sound.push(channel);
        }
    }
    // Those that are both are told apart from those that are silent alone.
    let (both, others): (Vec<Channel>, Vec<Channel>) = amiss
        .into_iter()
        .partition(|channel| channel.is_silent && channel.is_unusable);
    for list in [others, both] {
        let since = |channel: &Channel| channel.is_silent.then_some(channel.last_ms);
        let groups = words::by_gap(list, since);
        heard.amiss.extend(groups.into_iter().map(Amiss));
    }
    heard
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_channel_is_silent_when_the_unit_was_heard_longer_than_its_silent_time_after_it() {
        let channel = v1::Channel {
            name: "channels/engine.oil.temperature".to_owned(),
            title: "Oil".to_owned(),
            silent_ms: 5 * MINUTE_MS,
            ..v1::Channel::default()
        };
        let row = |minutes_back: i64, n| {
            let row = v1::RollupRow {
                start_unix_ms: HOUR_MS - minutes_back * MINUTE_MS,
                n,
                n_unusable: 1,
                ..v1::RollupRow::default()
            };
            (&channel, Some(row))
        };
        let rows = [row(7, 1), row(8, 1), row(6, 1), row(1, 0), (&channel, None)];
        let heard = sorted(&rows, HOUR_MS);
        let [silent, unusable] = heard.amiss.as_slice() else {
            panic!("{} lines", heard.amiss.len());
        };
        assert_eq!(silent.state(), "silent while the unit was heard");
        // Of one gap, the earlier first.
        assert_eq!(
            (silent.titles(), silent.last()),
            ("Oil, Oil".to_owned(), "1970-01-01 00:52".to_owned())
        );
        assert_eq!(unusable.state(), "sent only values that cannot be used");
        assert_eq!((heard.sound.len(), heard.n_never), (1, 1));
    }
}
