//! What did not work, on a page in plain words that leads back to where it was asked.

use askama::Template;
use axum::body::Body;
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{Html, IntoResponse, Response};

/// What went wrong, for the page that [`tell`] makes.
#[derive(Clone)]
pub struct Says(pub String);

/// Longest text of the web framework that is looked into.
const MOST_BYTES: usize = 4_096;

#[derive(Template)]
#[template(path = "trouble.html")]
struct Trouble {
    says: String,
    /// The page that asked; empty where it is not known, or is the board.
    back: String,
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
/// an unknown path or a form that lacks a field.
pub async fn tell(request: Request, next: Next) -> Response {
    let asked = Asked::of(&request);
    let response = next.run(request).await;
    if !response.status().is_client_error() && !response.status().is_server_error() {
        return response;
    }
    let (parts, body) = response.into_parts();
    let (code, says) = match parts.extensions.get::<Says>() {
        Some(Says(says)) => (parts.status, says.clone()),
        None if is_page(&parts.headers) => return Response::from_parts(parts, body),
        None => {
            let said = text(body).await;
            let words = asked.words(parts.status, &said);
            (plain(parts.status, &said), words)
        }
    };
    let page = Trouble {
        says,
        back: asked.back,
    };
    (code, Html(page.render().unwrap_or_default())).into_response()
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
struct Asked {
    path: String,
    is_form: bool,
    back: String,
}

impl Asked {
    fn of(request: &Request) -> Self {
        Self {
            path: request.uri().path().to_owned(),
            is_form: *request.method() == Method::POST,
            back: back(request.headers()).unwrap_or_default(),
        }
    }

    /// The framework's refusal in plain words.
    fn words(&self, code: StatusCode, said: &str) -> String {
        let path = &self.path;
        // Such as: missing field `reason`.
        let field = said
            .split_once("field `")
            .and_then(|(_, rest)| rest.split_once('`'))
            .map(|(field, _)| field);
        match (code, field) {
            (StatusCode::METHOD_NOT_ALLOWED, _) if self.is_form => {
                format!("Nothing can be sent to {path}; open its page and use the form there.")
            }
            (StatusCode::METHOD_NOT_ALLOWED, _) => {
                format!("{path} is no page: it only takes what a form sends.")
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

/// Path and query of the page that asked, where it is one of ours and not the board.
fn back(headers: &HeaderMap) -> Option<String> {
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
