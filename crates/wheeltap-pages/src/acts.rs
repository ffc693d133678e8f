//! What a person does on a page.

use crate::{Pages, refused, told};
use axum::Form;
use axum::extract::{Path, State};
use axum::response::{IntoResponse, Redirect, Response};
use futures::TryStreamExt;
use serde::Deserialize;
use wheeltap_client::CallError;
use wheeltap_proto::v1;

/// What was written with an act.
#[derive(Deserialize)]
pub struct Note {
    #[serde(default)]
    note: String,
}

/// `POST /defects/{number}/take-on`: acknowledges every alert of the defect that waits for an answer.
/// Of two people one takes it on, and the other is told by whom.
pub async fn take_on(
    State(pages): State<Pages>,
    Path(number): Path<u64>,
    Form(Note { note }): Form<Note>,
) -> Response {
    let name = format!("defects/{number}");
    let asked = v1::GetDefectRequest { name: name.clone() };
    if let Err(status) = pages.connection.defects().get_defect(asked).await {
        return refused(&status.into());
    }
    let filter = v1::AlertFilter {
        defect: name,
        ..v1::AlertFilter::default()
    };
    let alerts: Result<Vec<v1::Alert>, CallError> =
        pages.connection.list_alerts(filter).try_collect().await;
    let alerts = match alerts {
        Ok(alerts) => alerts,
        Err(error) => return refused(&error),
    };
    let mut says = "taken";
    for alert in alerts
        .iter()
        .filter(|alert| alert.acknowledgement.is_none())
    {
        let request = v1::AcknowledgeAlertRequest {
            name: alert.name.clone(),
            note: note.clone(),
            etag: alert.etag.clone(),
            request_id: String::new(),
        };
        if let Err(status) = pages.connection.alerts().acknowledge_alert(request).await {
            let error = CallError::from(status);
            match error.reason.as_str() {
                "ALREADY_ACKNOWLEDGED" | "STALE_ETAG" => says = "others",
                // Later data took it back meanwhile: nothing to answer.
                "WITHDRAWN" => {}
                _ => return refused(&error),
            }
        }
    }
    pages.live.touch();
    Redirect::to(&format!(
        "/?said={says}&defect={}#d{number}",
        told::segment(&number.to_string())
    ))
    .into_response()
}
