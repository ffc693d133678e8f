//! What did not work, on a page in plain words that leads back to where it was asked.

use crate::forms::{Refused, Typed, above};
use askama::Template;
use axum::body::Body;
use axum::extract::{FromRequest, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Response};
use axum::{Form, Router};
use std::collections::HashSet;
use tower::ServiceExt;

/// What went wrong, for the page that [`tell`] makes.
#[derive(Clone)]
pub struct Says {
    pub words: String,
    /// Fields at fault, as forms name them.
    pub at_fault: Vec<String>,
    /// Goes on after the words where the form stands below them, on its page as it is now.
    pub once_more: &'static str,
}

/// Longest text of the web framework that is looked into.
const MOST_BYTES: usize = 4_096;
/// Longest form; the longest text in one is a rule's.
pub const MOST_FORM_BYTES: usize = 2 << 20;
/// Longest page that a form is looked for on.
const MOST_PAGE_BYTES: usize = 16 << 20;

#[derive(Template)]
#[template(path = "trouble.html")]
struct Trouble {
    says: String,
    /// The page that asked; empty where it is not known, or is the board.
    back: String,
    /// The form that asked, in HTML; empty where there is none.
    form: String,
    typed: Written,
    /// What a form sent, to be sent there again as it is.
    again: Option<(String, Vec<(String, String)>)>,
}

/// What was written into a form that is no more, by field.
#[derive(Default, Template)]
#[template(path = "trouble_written.html")]
struct Written {
    words: Vec<(String, String)>,
}

/// The HTTP status of a refusal.
pub fn status_of(code: tonic::Code) -> StatusCode {
    use tonic::Code;
    match code {
        Code::NotFound => StatusCode::NOT_FOUND,
        Code::InvalidArgument | Code::OutOfRange => StatusCode::BAD_REQUEST,
        Code::PermissionDenied => StatusCode::FORBIDDEN,
        Code::FailedPrecondition | Code::Aborted | Code::AlreadyExists => StatusCode::CONFLICT,
        _ => StatusCode::SERVICE_UNAVAILABLE,
    }
}

/// Turns what did not work into a page: refusals of the service, and what no handler was asked about, such as
/// an unknown path or a form that lacks a field. A form comes back as it was filled in.
pub async fn tell(State(pages): State<Router>, request: Request, next: Next) -> Response {
    let asked = Asked::of(&request);
    let (request, typed) = match typed(request).await {
        Ok(both) => both,
        Err(code) => return asked.unread(code),
    };
    let response = next.run(request).await;
    if !response.status().is_client_error() && !response.status().is_server_error() {
        return response;
    }
    let (parts, body) = response.into_parts();
    let (code, says) = match parts.extensions.get::<Says>() {
        Some(says) => (parts.status, says.clone()),
        None if is_page(&parts.headers) => return Response::from_parts(parts, body),
        None => {
            let said = text(body).await;
            (plain(parts.status, &said), asked.says(parts.status, &said))
        }
    };
    let page = match typed {
        Some(typed) => {
            let typed = Typed {
                may_be_done: code.is_server_error(),
                ..typed
            };
            with_form(&asked, &typed, says, &pages).await
        }
        None => asked.page(says.words),
    };
    (code, Html(page)).into_response()
}

/// The request, and what a form sent with it. A script's own requests come from no form.
///
/// # Errors
/// The status of what is too long.
async fn typed(request: Request) -> Result<(Request, Option<Typed>), StatusCode> {
    let (parts, body) = request.into_parts();
    let is_post = parts.method == Method::POST;
    let is_script = parts
        .headers
        .get("sec-fetch-dest")
        .is_some_and(|of| of.as_bytes() == b"empty");
    if is_script || !is_post && parts.uri.query().is_none() {
        return Ok((Request::from_parts(parts, body), None));
    }
    let Ok(bytes) = axum::body::to_bytes(body, MOST_FORM_BYTES).await else {
        return Err(StatusCode::PAYLOAD_TOO_LARGE);
    };
    let request = |bytes| Request::from_parts(parts.clone(), Body::from(bytes));
    let read = Form::<Vec<(String, String)>>::from_request(request(bytes.clone()), &()).await;
    let typed = read.ok().map(|Form(fields)| Typed {
        path: parts.uri.path().to_owned(),
        is_post,
        fields,
        may_be_done: false,
    });
    Ok((request(bytes), typed))
}

/// The page with the form, filled in. A page that only looked something up would show that of something
/// else, so of it the form alone is shown.
async fn with_form(asked: &Asked, typed: &Typed, says: Says, pages: &Router) -> String {
    let refused = Refused {
        says: &says.words,
        at_fault: says.at_fault.iter().map(String::as_str).collect(),
    };
    if !typed.is_post {
        let bare = page_at(&typed.path, pages).await;
        let filled = bare.and_then(|page| typed.put_into(&page, &typed.path, &refused));
        return whole(&Trouble {
            form: filled.map_or_else(String::new, |filled| filled.html[filled.form].to_owned()),
            ..asked.trouble(says.words)
        });
    }
    let with_form = [says.words.as_str(), says.once_more].concat();
    let on_form = Refused {
        says: &with_form,
        at_fault: refused.at_fault.clone(),
    };
    let mut first = None;
    for path in asked.pages_of(typed) {
        let Some(page) = page_at(&path, pages).await else {
            continue;
        };
        if let Some(filled) = typed.put_into(&page, &path, &on_form) {
            return filled.html;
        }
        first = first.or(Some(page));
    }
    let written = Written {
        words: typed.words(),
    };
    match first {
        // The form is no more, as when somebody else closed what it was about.
        Some(page) => {
            let told = format!("<main>{}{}", above(&refused), whole(&written));
            page.replacen("<main>", &told, 1)
        }
        None => whole(&Trouble {
            typed: written,
            again: Some((typed.path.clone(), typed.fields.clone())),
            ..asked.trouble(says.words)
        }),
    }
}

/// One of our pages as it is now; `None` for what is no page, such as the events that never end.
async fn page_at(path: &str, pages: &Router) -> Option<String> {
    let request = Request::builder().uri(path).body(Body::empty()).ok()?;
    let response = pages.clone().oneshot(request).await.ok()?;
    let kind = response.headers().get(header::CONTENT_TYPE);
    let is_page = kind.is_some_and(|kind| kind.as_bytes().starts_with(b"text/html"));
    if !response.status().is_success() || !is_page {
        return None;
    }
    let bytes = axum::body::to_bytes(response.into_body(), MOST_PAGE_BYTES).await;
    String::from_utf8(bytes.ok()?.to_vec()).ok()
}

/// Rendering what has no loops over what may fail does not fail.
fn whole(page: &impl Template) -> String {
    page.render().unwrap_or_default()
}

/// The status of what the framework refused: an address that names nothing is not found, and a field that
/// cannot be read is a mistake like any other.
fn plain(code: StatusCode, said: &str) -> StatusCode {
    match code {
        _ if said.starts_with("Invalid URL") => StatusCode::NOT_FOUND,
        StatusCode::UNPROCESSABLE_ENTITY => StatusCode::BAD_REQUEST,
        code => code,
    }
}

/// Whether somebody made it for a reader already.
fn is_page(headers: &HeaderMap) -> bool {
    headers
        .get(header::CONTENT_TYPE)
        .is_some_and(|kind| !kind.as_bytes().starts_with(b"text/plain"))
}

async fn text(body: Body) -> String {
    let bytes = axum::body::to_bytes(body, MOST_BYTES).await;
    String::from_utf8_lossy(&bytes.unwrap_or_default()).into_owned()
}

/// What a request was about.
pub struct Asked {
    path: String,
    is_form: bool,
    back: String,
}

impl Asked {
    pub fn of(request: &Request) -> Self {
        Self {
            path: request.uri().path().to_owned(),
            is_form: *request.method() == Method::POST,
            back: back(request.headers()).unwrap_or_default(),
        }
    }

    fn trouble(&self, says: String) -> Trouble {
        Trouble {
            says,
            back: self.back.clone(),
            form: String::new(),
            typed: Written::default(),
            again: None,
        }
    }

    /// The answer to what could not be read at all.
    pub fn unread(&self, code: StatusCode) -> Response {
        (code, Html(self.page(self.words(code, "")))).into_response()
    }

    fn page(&self, says: String) -> String {
        whole(&self.trouble(says))
    }

    /// Pages that a form may be on, most likely first: what it says itself, what the browser says, and what its
    /// path is under.
    fn pages_of(&self, typed: &Typed) -> Vec<String> {
        let said = [typed.page(), Some(self.back.as_str())];
        let said = said.into_iter().flatten().filter(|page| !page.is_empty());
        let mut pages: Vec<String> = said.map(without_said).collect();
        let mut path = typed.path.as_str();
        while let Some((under, _)) = path.rsplit_once('/') {
            pages.push(path.to_owned());
            path = under;
        }
        pages.push("/".to_owned());
        let mut seen = HashSet::new();
        pages.retain(|page| seen.insert(page.clone()));
        pages
    }

    /// The framework's refusal in plain words, and which field it is about.
    fn says(&self, code: StatusCode, said: &str) -> Says {
        Says {
            words: self.words(code, said),
            at_fault: field(said).map(str::to_owned).into_iter().collect(),
            once_more: "",
        }
    }

    /// The framework's refusal in plain words.
    fn words(&self, code: StatusCode, said: &str) -> String {
        let path = &self.path;
        match (code, field(said)) {
            (StatusCode::METHOD_NOT_ALLOWED, _) if self.is_form => {
                format!("Nothing can be sent to {path}; open its page and use the form there.")
            }
            (StatusCode::METHOD_NOT_ALLOWED, _) => {
                format!("{path} is no page: it only takes what a form sends.")
            }
            (StatusCode::PAYLOAD_TOO_LARGE, _) => {
                format!(
                    "What was sent is longer than {} MiB, or broke off on the way, so nothing was done. Go back, \
                     shorten its longest text, and send it again.",
                    MOST_FORM_BYTES >> 20
                )
            }
            (_, Some(field)) => {
                format!("The field \"{field}\" is missing: fill it in, and send the form again.")
            }
            _ if said.starts_with("Invalid URL") => {
                format!("There is no page {path}: a number is expected where it has a name.")
            }
            (StatusCode::NOT_FOUND, _) => {
                format!(
                    "There is no page {path}; check the address, or choose from the list above."
                )
            }
            _ => {
                let what = if self.is_form { "form" } else { "address" };
                let said = said.rsplit(": ").next().unwrap_or_default();
                format!("A value of the {what} cannot be read: {said}")
            }
        }
    }
}

/// The field in such as: missing field `reason`.
fn field(said: &str) -> Option<&str> {
    let (_, rest) = said.split_once("field `")?;
    rest.split_once('`').map(|(field, _)| field)
}

/// A page's address without what it said of an earlier act.
fn without_said(page: &str) -> String {
    let Some((path, query)) = page.split_once('?') else {
        return page.to_owned();
    };
    let asked = query.split('&').filter(|of| !of.starts_with("said="));
    let asked: Vec<&str> = asked.collect();
    match asked.as_slice() {
        [] => path.to_owned(),
        asked => format!("{path}?{}", asked.join("&")),
    }
}

/// Path and query of the page that asked, where it is one of ours and not the board.
pub fn back(headers: &HeaderMap) -> Option<String> {
    let text = |name| {
        headers
            .get(name)
            .and_then(|value: &HeaderValue| value.to_str().ok())
    };
    let host = text(header::HOST)?;
    let path = text(header::REFERER)?
        .strip_prefix("http://")?
        .strip_prefix(host)?;
    (path.starts_with('/') && !path.starts_with("//") && path != "/").then(|| path.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asked(method: Method, referer: &'static str) -> Asked {
        let mut request = Request::new(Body::empty());
        *request.method_mut() = method;
        *request.uri_mut() = "/mutes".parse().unwrap();
        for (name, value) in [(header::HOST, "127.0.0.1:7418"), (header::REFERER, referer)] {
            request
                .headers_mut()
                .insert(name, HeaderValue::from_static(value));
        }
        Asked::of(&request)
    }

    #[test]
    fn the_way_back_is_a_page_of_ours() {
        let back = |referer| asked(Method::POST, referer).back;
        assert_eq!(
            back("http://127.0.0.1:7418/defects/3?said=done"),
            "/defects/3?said=done"
        );
        assert_eq!(back("http://127.0.0.1:7418/"), "");
        assert_eq!(back("http://127.0.0.1:74189/defects"), "");
        assert_eq!(back("http://127.0.0.1:7418//elsewhere.example/"), "");
        assert_eq!(back("http://elsewhere.example/defects"), "");
    }

    #[test]
    fn what_the_framework_refuses_is_told_in_plain_words() {
        let form = asked(Method::POST, "");
        let said = "Failed to deserialize form body: missing field `reason`";
        assert!(
            form.words(StatusCode::UNPROCESSABLE_ENTITY, said)
                .starts_with("The field \"reason\" is missing")
        );
        let said = "Failed to deserialize form body: kind: invalid digit found in string";
        assert_eq!(
            form.words(StatusCode::UNPROCESSABLE_ENTITY, said),
            "A value of the form cannot be read: invalid digit found in string"
        );
        let page = asked(Method::GET, "");
        let said = "Invalid URL: Cannot parse `abc` to a `u64`";
        assert!(
            page.words(StatusCode::BAD_REQUEST, said)
                .starts_with("There is no page /mutes: a number")
        );
        assert!(
            page.words(StatusCode::METHOD_NOT_ALLOWED, "")
                .starts_with("/mutes is no page")
        );
    }

    #[test]
    fn what_conflicts_with_what_is_known_is_no_outage() {
        for code in [
            tonic::Code::FailedPrecondition,
            tonic::Code::Aborted,
            tonic::Code::AlreadyExists,
        ] {
            assert_eq!(status_of(code), StatusCode::CONFLICT);
        }
        assert_eq!(
            status_of(tonic::Code::Unavailable),
            StatusCode::SERVICE_UNAVAILABLE
        );
    }
}
