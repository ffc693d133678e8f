//! Keeps other sites out: a browser on this machine may be told by any page to call a loopback address.

use axum::body::Body;
use axum::extract::Request;
use axum::http::{HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;

/// Lets a request through that names this machine and, if it acts, comes from our own page.
pub async fn check(request: Request, next: Next) -> Response {
    if let Err(says) = admit(&request) {
        tracing::warn!(says, "a page was refused");
        let mut response = Response::new(Body::from(says));
        *response.status_mut() = StatusCode::FORBIDDEN;
        return response;
    }
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    for (name, value) in [
        (
            header::CONTENT_SECURITY_POLICY,
            "default-src 'self'; frame-ancestors 'none'; form-action 'self'; base-uri 'none'",
        ),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

fn admit(request: &Request) -> Result<(), &'static str> {
    let text = |name| {
        request
            .headers()
            .get(name)
            .and_then(|value| value.to_str().ok())
    };
    // A foreign name that resolves to this machine would make its pages one origin with ours.
    let host = text(header::HOST).unwrap_or_default();
    if !is_loopback(host) {
        return Err("open the pages by a loopback address, such as http://127.0.0.1");
    }
    if matches!(*request.method(), Method::GET | Method::HEAD) {
        return Ok(());
    }
    match text(header::ORIGIN) {
        Some(origin) if origin.strip_prefix("http://") == Some(host) => Ok(()),
        // Not from a browser's page.
        None if text(header::HeaderName::from_static("sec-fetch-site")).is_none() => Ok(()),
        _ => Err("this was sent by another site"),
    }
}

fn is_loopback(host: &str) -> bool {
    let name = match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => host.split(':').next().unwrap_or_default(),
    };
    name == "localhost"
        || name
            .parse::<std::net::IpAddr>()
            .is_ok_and(|address| address.is_loopback())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn admitted(method: Method, headers: &[(&'static str, &'static str)]) -> bool {
        let mut request = Request::new(Body::empty());
        *request.method_mut() = method;
        for (name, value) in headers {
            request
                .headers_mut()
                .insert(*name, HeaderValue::from_static(value));
        }
        admit(&request).is_ok()
    }

    #[test]
    fn other_sites_are_kept_out() {
        let host = ("host", "127.0.0.1:7418");
        assert!(admitted(Method::GET, &[host]));
        assert!(admitted(Method::GET, &[("host", "[::1]:7418")]));
        assert!(admitted(Method::GET, &[("host", "localhost:7418")]));
        assert!(!admitted(Method::GET, &[("host", "rebound.example:7418")]));
        assert!(!admitted(Method::GET, &[]));
        assert!(admitted(
            Method::POST,
            &[host, ("origin", "http://127.0.0.1:7418")]
        ));
        assert!(!admitted(
            Method::POST,
            &[host, ("origin", "http://evil.example")]
        ));
        assert!(!admitted(Method::POST, &[host, ("origin", "null")]));
        assert!(!admitted(
            Method::POST,
            &[host, ("sec-fetch-site", "cross-site")]
        ));
        // The command line's habit.
        assert!(admitted(Method::POST, &[host]));
    }
}
