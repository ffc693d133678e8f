//! One service point: who comes in, with a sheet for each, and saying that a unit comes or does not.

use crate::acts::{bad, when_from};
use crate::{Pages, refused, service, shown, told, trouble};
use askama::Template;
use axum::Form;
use axum::extract::{Path, Query};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use futures::TryStreamExt;
use serde::Deserialize;
use service::Stop;
use wheeltap_client::CallError;
use wheeltap_proto::v1;

/// What an act said, shown once above the list.
#[derive(Default, Deserialize)]
pub struct Told {
    #[serde(default)]
    said: String,
}

#[derive(Template)]
#[template(path = "point.html")]
struct Page {
    name: String,
    path: String,
    who: String,
    said: &'static str,
    /// How long a stop takes where an arrival does not say.
    stop_span: String,
    stops: Vec<Stop>,
    has_more: bool,
    cancelled: Vec<NotComing>,
}

/// One that was to come and does not.
struct NotComing {
    id: String,
    unit: String,
    comes_in: String,
    by: String,
    why: String,
}

/// `GET /service/{point}`.
pub async fn page(pages: Pages, Path(name): Path<String>, Query(told): Query<Told>) -> Response {
    let said = match told.said.as_str() {
        "comes" => "It is on the list.",
        "cancelled" => "It is off the list; those that were cancelled stand below it.",
        _ => "",
    };
    match read(&pages, &name, said).await {
        Ok(Some(page)) => shown(page.render()),
        Ok(None) => trouble(
            StatusCode::NOT_FOUND,
            &format!("There is no service point {name}; the work file of the settings names them."),
        ),
        Err(error) => refused(&error),
    }
}

async fn read(pages: &Pages, name: &str, said: &'static str) -> Result<Option<Page>, CallError> {
    let points = service::service_points(pages).await?;
    let point = points.iter().find(|point| told::tail(&point.name) == name);
    let Some(point) = point else {
        return Ok(None);
    };
    let filter = v1::ArrivalFilter {
        point: point.name.clone(),
        ..v1::ArrivalFilter::default()
    };
    let (arrivals, has_more) = service::arrivals(pages, filter).await?;
    Ok(Some(Page {
        name: name.to_owned(),
        path: told::segment(name),
        who: service::who(point),
        said,
        stop_span: told::span(point.stop_ms),
        stops: arrivals
            .iter()
            .map(|(arrival, summary)| service::stop(arrival, summary))
            .collect(),
        has_more,
        cancelled: cancelled(pages, point).await?,
    }))
}

/// Of those that would be there yet or are to come.
async fn cancelled(pages: &Pages, point: &v1::ServicePoint) -> Result<Vec<NotComing>, CallError> {
    let filter = v1::ArrivalFilter {
        point: point.name.clone(),
        with_cancelled: true,
        ..v1::ArrivalFilter::default()
    };
    let all: Vec<v1::Arrival> = pages.connection.list_arrivals(filter).try_collect().await?;
    let cancelled = all.iter().filter_map(|arrival| {
        let cancelled = arrival.cancelled.as_ref()?;
        Some(NotComing {
            id: told::tail(&arrival.name).to_owned(),
            unit: told::tail(&arrival.unit).to_owned(),
            comes_in: told::minute(arrival.arrives_unix_ms),
            by: format!("{}, {}", cancelled.by, told::minute(cancelled.at_unix_ms)),
            why: cancelled.why.clone(),
        })
    });
    Ok(cancelled.collect())
}

/// A unit that comes in.
#[derive(Deserialize)]
pub struct Comes {
    unit: String,
    when: String,
    #[serde(default)]
    goes_out: String,
}

/// `POST /service/{point}`.
pub async fn record(pages: Pages, Path(point): Path<String>, Form(comes): Form<Comes>) -> Response {
    let mut track = pages.connection.turnaround();
    // Arrivals are told by the units' clock.
    let one = v1::ListArrivalsRequest {
        page_size: 1,
        ..v1::ListArrivalsRequest::default()
    };
    let now_ms = match track.list_arrivals(one).await {
        Ok(listed) => listed.get_ref().as_of_unix_ms,
        Err(status) => return refused(&status.into()),
    };
    let times = [&comes.when, &comes.goes_out].map(|text| when_from(text, now_ms, 1));
    let (arrives, leaves) = match times.into() {
        (Ok(Some(arrives)), Ok(leaves)) => (arrives, leaves),
        (Ok(None), _) => return bad("say when it comes in"),
        (Err(refusal), _) | (_, Err(refusal)) => return *refusal,
    };
    let request = v1::RecordArrivalsRequest {
        arrivals: vec![v1::Arrival {
            unit: format!("units/{}", comes.unit.trim()),
            point: format!("points/{point}"),
            arrives_unix_ms: arrives,
            leaves_unix_ms: leaves,
            ..v1::Arrival::default()
        }],
        ..v1::RecordArrivalsRequest::default()
    };
    let recorded = match track.record_arrivals(request).await {
        Ok(recorded) => recorded.into_inner(),
        Err(status) => return refused(&status.into()),
    };
    let cancelled = recorded
        .arrivals
        .into_iter()
        .find(|arrival| arrival.cancelled.is_some());
    match cancelled {
        // Whoever puts it on the list by hand says that it comes after all.
        Some(arrival) => restored(&pages, &point, arrival.name).await,
        None => back(&point, "comes"),
    }
}

/// `POST /service/{point}/restore`.
pub async fn restore(
    pages: Pages,
    Path(point): Path<String>,
    Form(Of { arrival }): Form<Of>,
) -> Response {
    restored(&pages, &point, format!("arrivals/{arrival}")).await
}

async fn restored(pages: &Pages, point: &str, name: String) -> Response {
    let request = v1::RestoreArrivalRequest { name };
    match pages.connection.turnaround().restore_arrival(request).await {
        Ok(_) => back(point, "comes"),
        Err(status) => refused(&status.into()),
    }
}

/// Which arrival.
#[derive(Deserialize)]
pub struct Of {
    arrival: String,
}

/// `POST /service/{point}/cancel`.
pub async fn cancel(
    pages: Pages,
    Path(point): Path<String>,
    Form(Of { arrival }): Form<Of>,
) -> Response {
    let request = v1::CancelArrivalRequest {
        name: format!("arrivals/{arrival}"),
        why: String::new(),
    };
    match pages.connection.turnaround().cancel_arrival(request).await {
        Ok(_) => back(&point, "cancelled"),
        Err(status) => refused(&status.into()),
    }
}

fn back(point: &str, said: &str) -> Response {
    Redirect::to(&format!("/service/{}?said={said}", told::segment(point))).into_response()
}
