//! Who acts on the pages: a name said once a shift, which stands with every act that it does.
//!
//! The name is kept in a cookie of this browser and nowhere else. An act without one is not refused: the page
//! that answers it asks for the name and sends the same form again with it.

use crate::troubles::{Asked, MOST_FORM_BYTES, Says};
use crate::{Pages, shown};
use askama::Template;
use axum::body::Body;
use axum::extract::{Form, FromRequest, FromRequestParts, Request};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use cookie::time::Duration;
use cookie::{Cookie, SameSite};
use serde::Deserialize;
use std::convert::Infallible;
use wheeltap_model::PersonName;

/// The cookie with the name.
const COOKIE: &str = "wheeltap-person";
/// The field that an act's form has where the name is asked for.
const FIELD: &str = "your_name";
/// How long a browser keeps the name: no longer than a shift, as others may sit down there.
const KEPT: Duration = Duration::hours(12);

tokio::task_local! {
    static YOU: Option<PersonName>;
}

/// Who looks at the page that is being made.
pub fn name() -> Option<PersonName> {
    YOU.try_with(Clone::clone).ok().flatten()
}

/// As [`name`], for a field of a form; empty where it is not known.
pub fn known() -> String {
    name().map_or_else(String::new, String::from)
}

impl FromRequestParts<Self> for Pages {
    type Rejection = Infallible;

    /// What a handler is given: its calls bear the name of whoever asks.
    async fn from_request_parts(_: &mut Parts, pages: &Self) -> Result<Self, Infallible> {
        let mut pages = pages.clone();
        if let Some(name) = name() {
            pages.connection = pages.connection.acting_as(&name);
        }
        Ok(pages)
    }
}

/// Learns who asks, from the cookie or from an act's form that asked for the name, and keeps the latter.
pub async fn know(request: Request, next: Next) -> Response {
    let known = of_cookie(request.headers());
    if *request.method() != Method::POST || known.is_some() {
        return YOU.scope(known, next.run(request)).await;
    }
    let (request, fields) = match form(request).await {
        Ok(both) => both,
        Err(response) => return response,
    };
    let said = fields.iter().find(|(field, _)| field == FIELD);
    let said = said.and_then(|(_, said)| PersonName::new(said.trim()).ok());
    let mut response = YOU.scope(said.clone(), next.run(request)).await;
    if let Some(said) = said {
        keep(&mut response, Some(&said));
    }
    response
}

#[derive(Template)]
#[template(path = "ask_name.html")]
struct AskName {
    /// Why what was said is no name; empty where nothing was said.
    says: String,
    said: String,
    path: String,
    /// What the act's form sent, to be sent again as it is.
    fields: Vec<(String, String)>,
}

/// Asks for a name where an act came without one; nothing was done then.
pub async fn ask(request: Request, next: Next) -> Response {
    if *request.method() != Method::POST || name().is_some() {
        return next.run(request).await;
    }
    let path = request.uri().path().to_owned();
    let mut fields = match form(request).await {
        Ok((_, fields)) => fields,
        Err(response) => return response,
    };
    let at = fields.iter().position(|(field, _)| field == FIELD);
    let said = at.map(|at| fields.remove(at).1);
    let says = said.as_ref().map_or_else(String::new, |said| why(said));
    let page = AskName {
        says,
        said: said.unwrap_or_default(),
        path,
        fields,
    };
    (StatusCode::FORBIDDEN, shown(page.render())).into_response()
}

#[derive(Template)]
#[template(path = "you.html")]
struct You {
    name: String,
    /// The page to be led back to.
    back: String,
}

/// Where somebody came from, to be led back there.
#[derive(Deserialize)]
pub struct From {
    #[serde(default)]
    back: String,
}

/// `GET /you`.
pub async fn page(request: Request) -> Response {
    let you = You {
        name: known(),
        back: crate::troubles::back(request.headers()).unwrap_or_default(),
    };
    shown(you.render())
}

/// What the form on `/you` sends.
#[derive(Deserialize)]
pub struct Said {
    name: String,
    #[serde(flatten)]
    from: From,
}

/// `POST /you`: from now on somebody else acts here.
pub async fn say(Form(said): Form<Said>) -> Response {
    let Ok(name) = PersonName::new(said.name.trim()) else {
        let says = Says {
            words: why(&said.name),
            at_fault: vec!["name".to_owned()],
            once_more: "",
        };
        return crate::said(StatusCode::BAD_REQUEST, says);
    };
    let mut response = to_page(&said.from.back);
    keep(&mut response, Some(&name));
    response
}

/// `POST /you/forget`: nobody in particular acts here until a name is said again.
pub async fn forget(Form(from): Form<From>) -> Response {
    let mut response = to_page(&from.back);
    keep(&mut response, None);
    response
}

fn to_page(page: &str) -> Response {
    let is_ours = page.starts_with('/') && !page.starts_with("//") && !page.contains('\\');
    Redirect::to(if is_ours { page } else { "/" }).into_response()
}

/// Why a text is no name.
fn why(said: &str) -> String {
    match PersonName::new(said.trim()) {
        _ if said.trim().is_empty() => String::new(),
        Err(error) => format!("{error}."),
        Ok(_) => String::new(),
    }
}

fn of_cookie(headers: &HeaderMap) -> Option<PersonName> {
    let all = headers.get_all(header::COOKIE).iter();
    let all = all.filter_map(|value| value.to_str().ok());
    let mut cookies = all.flat_map(|all| Cookie::split_parse_encoded(all).flatten());
    let found = cookies.find(|cookie| cookie.name() == COOKIE)?;
    PersonName::new(found.value()).ok()
}

/// Has the browser keep a name, or forget the one it has.
pub fn keep(response: &mut Response, name: Option<&PersonName>) {
    let value = name.map_or("", PersonName::as_str);
    let kept = if name.is_some() { KEPT } else { Duration::ZERO };
    let cookie = Cookie::build((COOKIE, value))
        .path("/")
        .http_only(true)
        .same_site(SameSite::Strict)
        .max_age(kept)
        .build();
    // A percent-encoded cookie is ASCII.
    if let Ok(value) = HeaderValue::from_str(&cookie.encoded().to_string()) {
        response.headers_mut().append(header::SET_COOKIE, value);
    }
}

/// The request, and what its form sends.
///
/// # Errors
/// The answer to what is too long.
async fn form(request: Request) -> Result<(Request, Vec<(String, String)>), Response> {
    let asked = Asked::of(&request);
    let (parts, body) = request.into_parts();
    let Ok(bytes) = axum::body::to_bytes(body, MOST_FORM_BYTES).await else {
        return Err(asked.unread(StatusCode::PAYLOAD_TOO_LARGE));
    };
    let request = |bytes| Request::from_parts(parts.clone(), Body::from(bytes));
    let read = Form::<Vec<(String, String)>>::from_request(request(bytes.clone()), &()).await;
    let fields = read.map_or_else(|_| Vec::new(), |Form(fields)| fields);
    Ok((request(bytes), fields))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_comes_back_from_the_cookie_as_it_was_said() {
        for name in [
            "Ada Brook",
            "Zo\u{eb}; \"night\" desk, 2",
            "\u{4f50}\u{85e4}",
        ] {
            let name = PersonName::new(name).unwrap();
            let mut response = Response::new(Body::empty());
            keep(&mut response, Some(&name));
            let kept = response.headers()[header::SET_COOKIE].to_str().unwrap();
            assert!(
                kept.contains("HttpOnly") && kept.contains("SameSite=Strict"),
                "{kept}"
            );
            let pair = kept.split(';').next().unwrap();
            let mut headers = HeaderMap::new();
            let sent = format!("other=1; {pair}");
            headers.insert(header::COOKIE, HeaderValue::from_str(&sent).unwrap());
            assert_eq!(of_cookie(&headers), Some(name));
        }
        let mut headers = HeaderMap::new();
        headers.insert(
            header::COOKIE,
            HeaderValue::from_static("wheeltap-person=local"),
        );
        assert_eq!(of_cookie(&headers), None, "a name that nobody may have");
    }

    #[test]
    fn one_is_led_back_to_pages_of_ours_only() {
        let to = |page: &str| to_page(page).headers()[header::LOCATION].clone();
        assert_eq!(to("/defects/3?of=1"), "/defects/3?of=1");
        for page in [
            "",
            "//elsewhere.example",
            "http://elsewhere.example",
            "/\\elsewhere.example",
        ] {
            assert_eq!(to(page), "/", "{page}");
        }
    }
}
