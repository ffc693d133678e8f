//! Where wheels slip: places at which several units did, and units that slip elsewhere too.

use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::Query;
use axum::response::Response;
use serde::Deserialize;
use wheeltap_proto::{v1, words};

const HOUR_MS: i64 = 3_600_000;
/// Spans to choose from: the address and the word.
const SPANS: [(u16, &str); 4] = [(6, "6 h"), (24, "24 h"), (168, "7 d"), (744, "31 d")];
/// Taken where no other is chosen.
const USUAL_H: u16 = 24;
/// Places and units listed, and units of a place.
const MOST_LISTED: usize = 20;
const MOST_UNITS: usize = 6;

/// What is asked for.
#[derive(Default, Deserialize)]
pub struct Wanted {
    #[serde(default)]
    hours: Option<u16>,
}

struct Place {
    line: String,
    miles: String,
    first: String,
    last: String,
    n_slips: u64,
    n_trains: u64,
    /// Unit's path, unit, slips.
    units: Vec<(String, String, u64)>,
    n_more_units: usize,
    defects: Vec<String>,
}

#[derive(Template)]
#[template(path = "rail.html")]
struct Page {
    said: String,
    hours: u16,
    spans: [(u16, &'static str); 4],
    places: Vec<Place>,
    n_more: usize,
    has_defects: bool,
    /// Unit's path, unit, slips elsewhere, slips.
    own: Vec<(String, String, u64, u64)>,
}

/// `GET /reports/rail`.
pub async fn page(pages: Pages, Query(wanted): Query<Wanted>) -> Response {
    let hours = wanted.hours.unwrap_or(USUAL_H);
    let asked = v1::GetRailPlacesRequest {
        span_ms: i64::from(hours) * HOUR_MS,
        ..v1::GetRailPlacesRequest::default()
    };
    let mut calls = pages.connection.reports();
    let found = match calls.get_rail_places(asked).await {
        Ok(found) => found.into_inner(),
        Err(status) => return refused(&status.into()),
    };
    shown(made(&found, hours).render())
}

fn made(found: &v1::RailPlaces, hours: u16) -> Page {
    let unit = |name: &str| {
        let unit = told::tail(name).to_owned();
        (told::segment(&unit), unit)
    };
    let place = |place: &v1::RailPlace| Place {
        line: place.line.map_or_else(
            || "line not known".to_owned(),
            |line| format!("line {line}"),
        ),
        miles: words::miles(place.from_mile, place.until_mile),
        first: told::minute(place.first_unix_ms),
        last: told::minute(place.last_unix_ms),
        n_slips: place.n_slips,
        n_trains: place.n_trains,
        n_more_units: place.units.len().saturating_sub(MOST_UNITS),
        units: place
            .units
            .iter()
            .take(MOST_UNITS)
            .map(|of| {
                let (path, unit) = unit(&of.unit);
                (path, unit, of.n_slips)
            })
            .collect(),
        defects: place
            .defects
            .iter()
            .map(|name| told::tail(name).to_owned())
            .collect(),
    };
    let own = found
        .units
        .iter()
        .filter(|of| of.n_slips > of.n_at_places)
        .take(MOST_LISTED);
    Page {
        said: format!(
            "{} to {}: {}.",
            told::minute(found.from_unix_ms),
            told::minute(found.until_unix_ms),
            words::slips_said(found)
        ),
        hours,
        spans: SPANS,
        places: found.places.iter().take(MOST_LISTED).map(place).collect(),
        has_defects: found.places.iter().any(|place| !place.defects.is_empty()),
        n_more: found.places.len().saturating_sub(MOST_LISTED),
        own: own
            .map(|of| {
                let (path, unit) = unit(&of.unit);
                (path, unit, of.n_slips - of.n_at_places, of.n_slips)
            })
            .collect(),
    }
}
