//! The web pages: what needs an answer and by when, and what is known of a unit.
//!
//! A client of the services like any other: it knows the contract alone, keeps nothing that the
//! services do not, and every act on a page is a call that the service may refuse. Server-rendered;
//! the one script keeps what is shown up to date and says so when it is not. Nothing is fetched from
//! elsewhere.
//!
//! Start with [`serve()`].
//!
//! The listener must be on loopback as long as nobody proves who they are: whoever reaches the pages acts under
//! the name they say (`you.rs`). Requests that another site makes a browser send are refused.

mod acts;
mod arrivals;
mod board;
mod charts;
mod defect;
mod desk;
mod forms;
mod guard;
mod heard;
mod live;
mod rail;
mod reports;
mod rules;
mod series;
mod service;
mod stage;
mod sweep;
mod told;
mod troubles;
mod unit;
mod walk;
mod you;

use axum::Router;
use axum::http::{HeaderValue, header};
use axum::middleware::{from_fn, from_fn_with_state};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::{get, post};
use live::Live;
use std::future::Future;
use std::sync::Arc;
use tokio::net::TcpListener;
use wheeltap_client::{CallError, Connection};

/// Why pages could not be served any more.
#[derive(Debug, thiserror::Error)]
pub enum PagesError {
    /// The listener is open to others.
    #[error(
        "{address} is not a loopback address; listen on 127.0.0.1 or [::1]: nobody proves yet who they are"
    )]
    NotLoopback {
        /// Where it listens.
        address: std::net::SocketAddr,
    },
    /// The system refused something.
    #[error("the pages' listener failed")]
    System {
        /// What it said.
        #[from]
        source: std::io::Error,
    },
}

/// What every page is made of.
#[derive(Clone)]
struct Pages {
    connection: Connection,
    live: Arc<Live>,
}

/// Serves the pages until `stop` is ready; open streams end then.
///
/// # Errors
/// [`PagesError`] at the start, or when the listener fails.
pub async fn serve(
    listener: TcpListener,
    connection: Connection,
    stop: impl Future<Output = ()> + Send + 'static,
) -> Result<(), PagesError> {
    let address = listener.local_addr()?;
    if !address.ip().is_loopback() {
        return Err(PagesError::NotLoopback { address });
    }
    let live = Live::start(connection.clone());
    let pages = Pages {
        connection,
        live: Arc::clone(&live),
    };
    let all = routes(pages);
    let router = all
        .clone()
        .layer(from_fn_with_state(all, troubles::tell))
        .layer(from_fn(you::know))
        .layer(from_fn(guard::check));
    let stopped = async move {
        stop.await;
        live.stop();
    };
    axum::serve(listener, router)
        .with_graceful_shutdown(stopped)
        .await?;
    Ok(())
}

/// Every page, act and asset.
fn routes(pages: Pages) -> Router {
    Router::new()
        .route("/", get(board::page))
        .route("/board", get(board::changes))
        .route("/live", get(live::events))
        .route("/now", get(live::now))
        .merge(desk_routes())
        .route("/units", get(unit::list))
        .route("/rules", get(rules::list))
        .route("/rules/{rule}", get(rules::page))
        .route("/rules/{rule}/keep", post(rules::keep))
        .route(
            "/rules/{rule}/stage",
            get(stage::page).post(stage::stage_to),
        )
        .route("/rules/{rule}/forecast", post(stage::forecast))
        .route("/rules/{rule}/sweep", get(sweep::page))
        .route("/walk-back", get(walk::page))
        .route("/reports", get(reports::page))
        .route("/reports/rail", get(rail::page))
        .route("/units/{unit}", get(unit::page))
        .route("/units/{unit}/heard", get(heard::part))
        .route("/service", get(service::list))
        .route(
            "/service/{point}",
            get(arrivals::page).post(arrivals::record),
        )
        .route("/service/{point}/cancel", post(arrivals::cancel))
        .route("/service/{point}/restore", post(arrivals::restore))
        .route("/service/{point}/{unit}", get(service::page))
        .route("/units/{unit}/series", get(series::series))
        // What is above and changes something does so under a name.
        .layer(from_fn(you::ask))
        .route("/rules/{rule}/check", post(rules::checked))
        .route("/rules/{rule}/try", post(rules::tried))
        .route("/you", get(you::page).post(you::say))
        .route("/you/forget", post(you::forget))
        .route(
            "/app.css",
            get(async || asset("text/css", include_str!("../assets/app.css"))),
        )
        .route(
            "/asof.js",
            get(async || asset("text/javascript", include_str!("../assets/asof.js"))),
        )
        .route(
            "/live.js",
            get(async || asset("text/javascript", include_str!("../assets/live.js"))),
        )
        .route(
            "/rule.js",
            get(async || asset("text/javascript", include_str!("../assets/rule.js"))),
        )
        .route(
            "/plot.js",
            get(async || asset("text/javascript", include_str!("../assets/plot.js"))),
        )
        .fallback(async || axum::http::StatusCode::NOT_FOUND)
        .with_state(pages)
}

/// What the desk and the shop do about defects.
fn desk_routes() -> Router<Pages> {
    Router::new()
        .route("/handover", get(desk::handover).post(acts::hand_over))
        .route("/acts", get(desk::acts))
        .route("/mutes", get(desk::mutes).post(acts::out_of_service))
        .route("/mutes/{number}/lift", post(acts::lift))
        .route("/alerts/{number}/shelve", post(acts::shelve))
        .route("/defects", get(defect::list).post(acts::report))
        .route("/defects/{number}", get(defect::page))
        .route("/defects/{number}/take-on", post(acts::take_on))
        .route("/defects/{number}/call", post(acts::call))
        .route("/defects/{number}/kept", post(acts::kept))
        .route("/defects/{number}/say", post(acts::say))
        .route("/defects/{number}/plan", post(acts::plan))
        .route("/defects/{number}/begin", post(acts::begin))
        .route("/defects/{number}/find", post(acts::find))
        .route("/defects/{number}/close", post(acts::close))
        .route("/defects/{number}/split", post(acts::split))
        .route("/defects/{number}/merge", post(acts::merge))
}

fn asset(kind: &'static str, text: &'static str) -> Response {
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
        (header::CACHE_CONTROL, HeaderValue::from_static("no-cache")),
    ];
    (headers, text).into_response()
}

/// A rendered page, or why there is none.
fn shown(page: Result<String, askama::Error>) -> Response {
    match page {
        Ok(page) => Html(page).into_response(),
        Err(error) => {
            tracing::error!(%error, "a page could not be rendered");
            trouble(
                axum::http::StatusCode::INTERNAL_SERVER_ERROR,
                "The page could not be made.",
            )
        }
    }
}

/// What went wrong with a call, for whoever looks at the page.
fn refused(error: &CallError) -> Response {
    let fields = error.fields.iter();
    let last = |field: &str| field.rsplit('.').next().unwrap_or(field).to_owned();
    let says = troubles::Says {
        words: error.plain_words(),
        at_fault: fields.map(|(field, _)| last(field)).collect(),
        once_more: match error.reason.as_str() {
            "STALE_ETAG" => ". Below it is as it is now: send the form again if it still holds.",
            _ => "",
        },
    };
    said(troubles::status_of(error.code), says)
}

/// What went wrong; [`troubles::tell`] makes a page of it.
fn trouble(code: axum::http::StatusCode, says: &str) -> Response {
    let says = troubles::Says {
        words: says.to_owned(),
        at_fault: Vec::new(),
        once_more: "",
    };
    said(code, says)
}

fn said(code: axum::http::StatusCode, says: troubles::Says) -> Response {
    let mut response = code.into_response();
    response.extensions_mut().insert(says);
    response
}
