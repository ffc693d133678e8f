//! What a person does on a page. Every act is one call, which the service may refuse.

use crate::{Pages, refused, told, trouble, you};
use axum::Form;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;
use tonic::Status;
use wheeltap_client::CallError;
use wheeltap_proto::v1;

/// Unix milliseconds from a span, counted from now in `direction` (1 or -1), or from a time in UTC;
/// `None` for an empty field.
fn when(text: &str, direction: i64) -> Result<Option<i64>, Box<Response>> {
    when_from(text, crate::board::now_ms(), direction)
}

/// As [`when`], by another clock.
pub fn when_from(text: &str, now_ms: i64, direction: i64) -> Result<Option<i64>, Box<Response>> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    if let Ok(span_ms) = wheeltap_model::parse_span(text) {
        return Ok(Some(now_ms + direction * span_ms));
    }
    match wheeltap_model::read_instant_at(text, 0) {
        Some(at_unix_ms) => Ok(Some(at_unix_ms)),
        None => Err(Box::new(bad(&format!(
            "\"{text}\" is no time: write a span such as 2 h, or a time in UTC such as 2026-03-02 14:05"
        )))),
    }
}

pub fn bad(says: &str) -> Response {
    trouble(StatusCode::BAD_REQUEST, says)
}

fn defect_name(number: u64) -> String {
    format!("defects/{number}")
}

/// Back to a defect's page after an act, or what the service said against it.
fn done(pages: &Pages, answer: Result<tonic::Response<v1::Defect>, Status>) -> Response {
    match answer {
        Ok(defect) => {
            pages.live.touch();
            to_defect(told::tail(&defect.get_ref().name))
        }
        Err(status) => refused(&status.into()),
    }
}

/// Back to the defect, with that it is done.
fn to_defect(number: &str) -> Response {
    Redirect::to(&format!("/defects/{}?said=done", told::segment(number))).into_response()
}

/// What was written with taking a defect on.
#[derive(Deserialize)]
pub struct TakeOn {
    #[serde(default)]
    note: String,
    /// `defect` leads back to the defect's page.
    #[serde(default)]
    back: String,
}

/// `POST /defects/{number}/take-on`. Of two desks one takes it on, and the other is told by whom and when.
pub async fn take_on(
    pages: Pages,
    Path(number): Path<u64>,
    Form(TakeOn { note, back }): Form<TakeOn>,
) -> Response {
    let said = match taken(&pages, number, note).await {
        Ok(true) => "taken",
        Ok(false) => "others",
        Err(error) => return refused(&error),
    };
    pages.live.touch();
    let to = match back.as_str() {
        "defect" => format!("/defects/{number}?said={said}"),
        // Where the next one is.
        _ => format!("/?said={said}&defect={number}#waiting"),
    };
    Redirect::to(&to).into_response()
}

/// Whether it was this form that took it on, and not somebody before.
async fn taken(pages: &Pages, number: u64, note: String) -> Result<bool, CallError> {
    // The service lets the same person take something on twice, but writes the first note alone.
    if let (defect, Some(_)) = crate::defect::answered(pages, number).await?
        && crate::defect::is_open(&defect)
        && !defect.awaits_answer
    {
        return Ok(false);
    }
    let request = v1::TakeDefectOnRequest {
        name: defect_name(number),
        note,
        request_id: String::new(),
    };
    match pages.connection.defects().take_defect_on(request).await {
        Ok(_) => Ok(true),
        Err(status) => match CallError::from(status) {
            error if error.reason == "ALREADY_TAKEN" => Ok(false),
            error => Err(error),
        },
    }
}

/// For how long something is shelved, and why.
#[derive(Deserialize)]
pub struct Shelve {
    within: String,
    reason: String,
}

/// `POST /alerts/{number}/shelve`.
pub async fn shelve(
    pages: Pages,
    Path(number): Path<u64>,
    Form(Shelve { within, reason }): Form<Shelve>,
) -> Response {
    let until = match when(&within, 1) {
        Ok(Some(until)) => until,
        Ok(None) => return bad("say for how long"),
        Err(refusal) => return *refusal,
    };
    let request = v1::ShelveAlertRequest {
        alert: format!("alerts/{number}"),
        until_unix_ms: until,
        reason,
        request_id: String::new(),
    };
    match pages.connection.desk().shelve_alert(request).await {
        Ok(_) => {
            pages.live.touch();
            Redirect::to("/?said=shelved").into_response()
        }
        Err(status) => refused(&status.into()),
    }
}

/// A unit to be taken out of service.
#[derive(Deserialize)]
pub struct OutOfService {
    unit: String,
    #[serde(default)]
    rule: String,
    #[serde(default)]
    within: String,
    reason: String,
}

/// `POST /mutes`.
pub async fn out_of_service(
    pages: Pages,
    Form(OutOfService {
        unit,
        rule,
        within,
        reason,
    }): Form<OutOfService>,
) -> Response {
    let until_unix_ms = match when(&within, 1) {
        Ok(until) => until,
        Err(refusal) => return *refusal,
    };
    let request = v1::TakeOutOfServiceRequest {
        unit: format!("units/{}", unit.trim()),
        rule: match rule.trim() {
            "" => String::new(),
            rule => format!("rules/{rule}"),
        },
        part: String::new(),
        until_unix_ms,
        reason,
        request_id: String::new(),
    };
    let muted = pages.connection.desk().take_out_of_service(request).await;
    to_mutes(&pages, muted.map(drop))
}

/// `POST /mutes/{number}/lift`.
pub async fn lift(pages: Pages, Path(number): Path<u64>) -> Response {
    let request = v1::LiftMuteRequest {
        name: format!("mutes/{number}"),
        ..v1::LiftMuteRequest::default()
    };
    let lifted = pages.connection.desk().lift_mute(request).await;
    to_mutes(&pages, lifted.map(drop))
}

fn to_mutes(pages: &Pages, answer: Result<(), Status>) -> Response {
    match answer {
        Ok(()) => {
            pages.live.touch();
            Redirect::to("/mutes").into_response()
        }
        Err(status) => refused(&status.into()),
    }
}

/// A report.
#[derive(Deserialize)]
pub struct Report {
    unit: String,
    component: String,
    title: String,
    origin: i32,
    priority: i32,
    #[serde(default)]
    request_id: String,
}

/// `POST /defects`.
pub async fn report(
    pages: Pages,
    Form(Report {
        unit,
        component,
        title,
        origin,
        priority,
        request_id,
    }): Form<Report>,
) -> Response {
    let request = v1::ReportDefectRequest {
        defect: Some(v1::Defect {
            unit: format!("units/{}", unit.trim()),
            component,
            title,
            origin,
            priority,
            ..v1::Defect::default()
        }),
        request_id,
    };
    done(
        &pages,
        pages.connection.defects().report_defect(request).await,
    )
}

/// A call.
#[derive(Deserialize)]
pub struct Call {
    told: String,
    #[serde(default)]
    answer: String,
    #[serde(default)]
    promise: String,
    #[serde(default)]
    when: String,
    #[serde(default)]
    request_id: String,
}

/// `POST /defects/{number}/call`.
pub async fn call(pages: Pages, Path(number): Path<u64>, Form(call): Form<Call>) -> Response {
    let promised_for_unix_ms = match when(&call.when, 1) {
        Ok(when) => when,
        Err(refusal) => return *refusal,
    };
    let request = v1::LogContactRequest {
        name: defect_name(number),
        contact: Some(v1::Contact {
            told: call.told,
            answer: call.answer,
            promise: call.promise,
            promised_for_unix_ms,
            ..v1::Contact::default()
        }),
        request_id: call.request_id,
    };
    let logged = pages.connection.defects().log_contact(request).await;
    match logged.map_err(CallError::from) {
        // The form was sent twice; "2 h" from now was another time by then.
        Err(error) if error.reason == "REQUEST_ID_REUSED" => to_defect(&number.to_string()),
        Err(error) => refused(&error),
        Ok(defect) => done(&pages, Ok(defect)),
    }
}

/// Which call.
#[derive(Deserialize)]
pub struct Kept {
    contact: u32,
}

/// `POST /defects/{number}/kept`.
pub async fn kept(
    pages: Pages,
    Path(number): Path<u64>,
    Form(Kept { contact }): Form<Kept>,
) -> Response {
    let request = v1::KeepPromiseRequest {
        name: defect_name(number),
        contact,
        request_id: String::new(),
    };
    done(
        &pages,
        pages.connection.defects().keep_promise(request).await,
    )
}

/// What holds until then.
#[derive(Deserialize)]
pub struct Say {
    disposition: i32,
    #[serde(default)]
    how: String,
}

/// `POST /defects/{number}/say`.
pub async fn say(
    pages: Pages,
    Path(number): Path<u64>,
    Form(Say { disposition, how }): Form<Say>,
) -> Response {
    let request = v1::SayDispositionRequest {
        name: defect_name(number),
        disposition,
        how,
        request_id: String::new(),
    };
    done(
        &pages,
        pages.connection.defects().say_disposition(request).await,
    )
}

/// A plan.
#[derive(Deserialize)]
pub struct Plan {
    service_point: String,
    #[serde(default)]
    when: String,
    #[serde(default)]
    part: String,
    #[serde(default)]
    craft: String,
    #[serde(default)]
    etag: String,
}

/// `POST /defects/{number}/plan`.
pub async fn plan(pages: Pages, Path(number): Path<u64>, Form(plan): Form<Plan>) -> Response {
    let at_unix_ms = match when(&plan.when, 1) {
        Ok(when) => when,
        Err(refusal) => return *refusal,
    };
    let request = v1::PlanDefectRequest {
        name: defect_name(number),
        plan: Some(v1::Plan {
            service_point: plan.service_point,
            at_unix_ms,
            part: plan.part,
            craft: plan.craft,
            note: String::new(),
        }),
        etag: plan.etag,
        request_id: String::new(),
    };
    done(
        &pages,
        pages.connection.defects().plan_defect(request).await,
    )
}

/// What the page showed.
#[derive(Deserialize)]
pub struct Etag {
    #[serde(default)]
    etag: String,
}

/// `POST /defects/{number}/begin`.
pub async fn begin(
    pages: Pages,
    Path(number): Path<u64>,
    Form(Etag { etag }): Form<Etag>,
) -> Response {
    let request = v1::BeginWorkRequest {
        name: defect_name(number),
        etag,
        ..v1::BeginWorkRequest::default()
    };
    done(&pages, pages.connection.defects().begin_work(request).await)
}

/// A finding.
#[derive(Deserialize)]
pub struct Find {
    kind: i32,
    #[serde(default)]
    note: String,
    #[serde(default)]
    cause: String,
    #[serde(default)]
    component: String,
    #[serde(default)]
    failure_mode: String,
    #[serde(default)]
    minutes: String,
    #[serde(default)]
    parts: String,
    #[serde(default)]
    when: String,
    #[serde(default)]
    etag: String,
    /// In place of the finding that it has.
    #[serde(default)]
    corrects: bool,
}

/// `POST /defects/{number}/find`.
pub async fn find(pages: Pages, Path(number): Path<u64>, Form(found): Form<Find>) -> Response {
    let repaired = match when(&found.when, -1) {
        Ok(when) => when,
        Err(refusal) => return *refusal,
    };
    let minutes = match found.minutes.trim() {
        "" => None,
        text => match text.parse() {
            Ok(minutes) => Some(minutes),
            Err(_) => return bad(&format!("\"{text}\" is no number of minutes")),
        },
    };
    let parts = found.parts.split(',').map(str::trim);
    let request = v1::RecordFindingRequest {
        name: defect_name(number),
        finding: Some(v1::Finding {
            kind: found.kind,
            note: found.note,
            repaired_unix_ms: repaired.unwrap_or(0),
            cause: found.cause,
            component: found.component,
            failure_mode: found.failure_mode,
            minutes,
            parts: parts
                .filter(|part| !part.is_empty())
                .map(str::to_owned)
                .collect(),
            ..v1::Finding::default()
        }),
        etag: found.etag,
        request_id: String::new(),
        corrects: found.corrects,
    };
    done(
        &pages,
        pages.connection.defects().record_finding(request).await,
    )
}

/// A reason.
#[derive(Deserialize)]
pub struct Reason {
    note: String,
    #[serde(default)]
    etag: String,
}

/// `POST /defects/{number}/close`.
pub async fn close(
    pages: Pages,
    Path(number): Path<u64>,
    Form(Reason { note, etag }): Form<Reason>,
) -> Response {
    let request = v1::CloseWithoutFindingRequest {
        name: defect_name(number),
        note,
        etag,
        request_id: String::new(),
    };
    let mut defects = pages.connection.defects();
    done(&pages, defects.close_without_finding(request).await)
}

/// What is split off.
#[derive(Deserialize)]
pub struct Split {
    alerts: String,
    #[serde(default)]
    component: String,
    note: String,
    #[serde(default)]
    etag: String,
}

/// `POST /defects/{number}/split`.
pub async fn split(pages: Pages, Path(number): Path<u64>, Form(split): Form<Split>) -> Response {
    let numbers = split.alerts.split([',', ' ']);
    let request = v1::SplitDefectRequest {
        name: defect_name(number),
        alerts: numbers
            .filter(|number| !number.is_empty())
            .map(|number| format!("alerts/{number}"))
            .collect(),
        component: split.component,
        note: split.note,
        etag: split.etag,
        request_id: String::new(),
    };
    done(
        &pages,
        pages.connection.defects().split_defect(request).await,
    )
}

/// Where it goes.
#[derive(Deserialize)]
pub struct Merge {
    into: String,
    note: String,
    #[serde(default)]
    etag: String,
}

/// `POST /defects/{number}/merge`.
pub async fn merge(
    pages: Pages,
    Path(number): Path<u64>,
    Form(Merge { into, note, etag }): Form<Merge>,
) -> Response {
    let request = v1::MergeDefectRequest {
        name: defect_name(number),
        into: format!("defects/{}", into.trim()),
        note,
        etag,
        request_id: String::new(),
    };
    done(
        &pages,
        pages.connection.defects().merge_defect(request).await,
    )
}

/// Both names.
#[derive(Deserialize)]
pub struct HandOver {
    from: String,
    to: String,
    #[serde(default)]
    note: String,
    #[serde(default)]
    request_id: String,
}

/// `POST /handover`.
pub async fn hand_over(
    pages: Pages,
    Form(HandOver {
        from,
        to,
        note,
        request_id,
    }): Form<HandOver>,
) -> Response {
    let leaves = you::name().is_some_and(|you| you.as_str() == from.trim());
    let request = v1::HandOverRequest {
        from,
        to,
        note,
        request_id,
    };
    match pages.connection.desk().hand_over(request).await {
        Ok(_) => {
            let mut response = Redirect::to("/handover").into_response();
            // Whoever sits down here next is asked for their own name.
            if leaves {
                you::keep(&mut response, None);
            }
            response
        }
        Err(status) => refused(&status.into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_spans_or_instants_in_utc() {
        assert!(matches!(when(" ", 1), Ok(None)));
        assert!(matches!(when("1970-01-01 00:00:01", 1), Ok(Some(1_000))));
        assert!(matches!(
            when("1970-01-01T01:00:01+01:00", 1),
            Ok(Some(1_000))
        ));
        let now = crate::board::now_ms();
        let in_two_hours = when("2 h", 1).ok().flatten().unwrap();
        assert!((in_two_hours - now - 7_200_000).abs() < 60_000);
        let ago = when("2 h", -1).ok().flatten().unwrap();
        assert!((now - ago - 7_200_000).abs() < 60_000);
        assert!(when("soon", 1).is_err());
        assert!(when("1970-01-02T01:00:00+25:00", 1).is_err());
    }
}
