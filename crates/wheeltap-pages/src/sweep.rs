//! What a rule's other parameters would have found, and what they would cost.

use crate::{Pages, refused, shown, told};
use askama::Template;
use axum::extract::Path;
use axum::response::Response;
use wheeltap_client::CallError;
use wheeltap_proto::v1;
use wheeltap_proto::v1::sweep_rule_response::Item;

/// Rows of the table.
const MOST_ROWS: usize = 60;
/// The plot's inner width and height in the units of its view box.
const WIDTH: f64 = 640.0;
const HEIGHT: f64 = 280.0;

struct Dot {
    x: String,
    y: String,
    /// `best`, `knee`, `force` or none.
    class: &'static str,
    says: String,
}

#[derive(Template)]
#[template(path = "sweep.html")]
struct Page {
    name: String,
    path: String,
    said: String,
    x_says: String,
    y_says: &'static str,
    /// The ends of both scales.
    x_ends: [String; 2],
    y_ends: [String; 2],
    dots: Vec<Dot>,
    /// The best combinations, joined.
    line: String,
    head: Vec<String>,
    rows: Vec<(&'static str, Vec<String>)>,
    n_more: usize,
}

/// `GET /rules/{rule}/sweep`: all combinations over the last 30 days of history.
pub async fn page(pages: Pages, Path(name): Path<String>) -> Response {
    match swept(&pages, &name).await {
        Ok(sweep) => shown(made(name, &sweep).render()),
        Err(error) => refused(&error),
    }
}

async fn swept(pages: &Pages, name: &str) -> Result<v1::RuleSweep, CallError> {
    let request = v1::SweepRuleRequest {
        name: format!("rules/{name}"),
        ..v1::SweepRuleRequest::default()
    };
    let answers = pages.connection.rules().sweep_rule(request).await;
    let mut answers = answers.map_err(CallError::from)?.into_inner();
    while let Some(message) = answers.message().await.map_err(CallError::from)? {
        if let Some(Item::Sweep(sweep)) = message.item {
            return Ok(sweep);
        }
    }
    Err(tonic::Status::unavailable("the service ended the sweep without a result").into())
}

fn recall(tried: &v1::TriedParams) -> Option<f64> {
    tried.forecast.as_ref()?.score.as_ref()?.recall
}

fn per_day(tried: &v1::TriedParams) -> f64 {
    tried.forecast.as_ref().map_or(0.0, |made| made.per_day)
}

fn short(value: f64) -> String {
    told::number((value * 100.0).round() / 100.0)
}

/// `limit 18 K, hold 480 s`.
fn values(sweep: &v1::RuleSweep, tried: &v1::TriedParams) -> Vec<String> {
    let pairs = sweep.params.iter().zip(&tried.values);
    pairs
        .map(|(param, value)| match param.ucum.as_str() {
            "1" => told::number(*value),
            ucum => format!("{} {ucum}", told::number(*value)),
        })
        .collect()
}

fn class(tried: &v1::TriedParams) -> &'static str {
    match (tried.in_force, tried.knee, tried.best) {
        (true, _, _) => "force",
        (_, true, _) => "knee",
        (_, _, true) => "best",
        _ => "",
    }
}

/// Where everything lies in the view box.
struct Plot {
    x_ends: [String; 2],
    y_ends: [String; 2],
    dots: Vec<Dot>,
    line: String,
}

fn plot(sweep: &v1::RuleSweep, is_scored: bool) -> Plot {
    let at = |tried: &v1::TriedParams| match recall(tried).filter(|_| is_scored) {
        Some(recall) => (per_day(tried), 100.0 * recall),
        None => (
            tried.values.first().copied().unwrap_or_default(),
            per_day(tried),
        ),
    };
    let points: Vec<(f64, f64)> = sweep.tried.iter().map(at).collect();
    let fold = |pick: fn(&(f64, f64)) -> f64| {
        let all = points.iter().map(pick);
        all.fold(
            (f64::INFINITY, f64::NEG_INFINITY),
            |(least, most), value| (least.min(value), most.max(value)),
        )
    };
    let ((mut left, mut right), (_, mut top)) = (fold(|at| at.0), fold(|at| at.1));
    if is_scored {
        (left, top) = (0.0, 100.0);
    }
    // A scale has a length even where all are alike.
    if right - left < 1e-9 {
        right = left + 1.0;
    }
    if top < 1e-9 {
        top = 1.0;
    }
    let place = |(x, y): (f64, f64)| {
        (
            format!("{:.1}", (x - left) / (right - left) * WIDTH),
            format!("{:.1}", HEIGHT - y / top * HEIGHT),
        )
    };
    let mut line: Vec<(f64, f64)> = points
        .iter()
        .zip(&sweep.tried)
        .filter(|(_, tried)| tried.best)
        .map(|(at, _)| *at)
        .collect();
    line.sort_by(|a, b| a.0.total_cmp(&b.0));
    let line: Vec<String> = line
        .into_iter()
        .map(|at| {
            let (x, y) = place(at);
            format!("{x},{y}")
        })
        .collect();
    let mut dots: Vec<Dot> = points
        .iter()
        .zip(&sweep.tried)
        .map(|(at, tried)| {
            let (x, y) = place(*at);
            Dot {
                x,
                y,
                class: class(tried),
                says: format!(
                    "{}: {} alerts a day",
                    values(sweep, tried).join(", "),
                    short(per_day(tried))
                ),
            }
        })
        .collect();
    // What is marked lies on top.
    dots.sort_by_key(|dot| dot.class);
    Plot {
        x_ends: [short(left), short(right)],
        y_ends: ["0".to_owned(), short(top)],
        dots,
        line: line.join(" "),
    }
}

fn made(name: String, sweep: &v1::RuleSweep) -> Page {
    let is_scored = sweep.tried.iter().any(|tried| tried.best);
    let Plot {
        x_ends,
        y_ends,
        dots,
        line,
    } = plot(sweep, is_scored);
    let mut shown: Vec<&v1::TriedParams> = sweep
        .tried
        .iter()
        .filter(|tried| !is_scored || tried.best || tried.in_force)
        .collect();
    shown.sort_by(|a, b| per_day(a).total_cmp(&per_day(b)));
    let n_more = sweep.tried.len() - shown.len().min(MOST_ROWS);
    shown.truncate(MOST_ROWS);
    let mut head: Vec<String> = sweep
        .params
        .iter()
        .map(|param| param.name.clone())
        .collect();
    let figures = [
        "alerts a day",
        "right",
        "wrong",
        "undecided",
        "found",
        "ahead",
        "",
    ];
    head.extend(figures.map(ToOwned::to_owned));
    Page {
        path: told::segment(&name),
        name,
        said: if is_scored {
            format!(
                "{} combinations. The line joins those that no other beats in failures found and alerts a day.",
                sweep.tried.len()
            )
        } else {
            format!(
                "{} combinations. No failure of its component is known in this span, so nothing says which is best.",
                sweep.tried.len()
            )
        },
        x_says: if is_scored {
            "alerts a day".to_owned()
        } else {
            let named = |param: &v1::RuleParam| format!("{}, {}", param.name, param.ucum);
            sweep.params.first().map(named).unwrap_or_default()
        },
        y_says: if is_scored {
            "failures found, %"
        } else {
            "alerts a day"
        },
        x_ends,
        y_ends,
        dots,
        line,
        head,
        rows: shown
            .into_iter()
            .map(|tried| (class(tried), row(sweep, tried)))
            .collect(),
        n_more,
    }
}

fn row(sweep: &v1::RuleSweep, tried: &v1::TriedParams) -> Vec<String> {
    let mut row = values(sweep, tried);
    row.push(short(per_day(tried)));
    let score = tried.forecast.as_ref().and_then(|made| made.score.as_ref());
    match score {
        None => row.extend(["-"; 5].map(ToOwned::to_owned)),
        Some(score) => {
            let alerts = [score.n_right, score.n_wrong, score.n_undecided];
            row.extend(alerts.map(|n| n.to_string()));
            row.push(format!(
                "{} of {}",
                score.n_found,
                score.n_found + score.n_missed
            ));
            let ahead = score.median_lead_ms.map(|lead| {
                if lead < 0 {
                    format!("{} late", told::span(-lead))
                } else {
                    told::span(lead)
                }
            });
            row.push(ahead.unwrap_or_else(|| "-".to_owned()));
        }
    }
    row.push(
        match class(tried) {
            "force" => "as written",
            "knee" => "knee",
            _ => "",
        }
        .to_owned(),
    );
    row
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tried(value: f64, per_day: f64, found: Option<(u64, u64)>) -> v1::TriedParams {
        v1::TriedParams {
            values: vec![value],
            forecast: Some(v1::RuleForecast {
                per_day,
                score: found.map(|(n_found, n_missed)| v1::RuleScore {
                    n_right: n_found,
                    n_undecided: 10,
                    n_found,
                    n_missed,
                    recall: Some(n_found as f64 / (n_found + n_missed) as f64),
                    ..v1::RuleScore::default()
                }),
                ..v1::RuleForecast::default()
            }),
            ..v1::TriedParams::default()
        }
    }

    fn sweep(tried: Vec<v1::TriedParams>) -> v1::RuleSweep {
        v1::RuleSweep {
            params: vec![v1::RuleParam {
                name: "limit".to_owned(),
                ucum: "K".to_owned(),
                ..v1::RuleParam::default()
            }],
            tried,
        }
    }

    #[test]
    fn what_no_other_beats_is_a_line_over_the_load() {
        let mut best = tried(18.0, 2.0, Some((3, 1)));
        best.best = true;
        best.knee = true;
        let mut more = tried(14.0, 4.0, Some((4, 0)));
        more.best = true;
        let worse = tried(16.0, 3.0, Some((2, 2)));
        let page = made("oil".to_owned(), &sweep(vec![more, worse, best]));
        // From 0 to 4 alerts a day, 0 to 100 %.
        assert_eq!(page.line, "320.0,70.0 640.0,0.0");
        assert_eq!(page.rows.len(), 2);
        assert_eq!(
            page.rows[0].1,
            ["18 K", "2", "3", "0", "10", "3 of 4", "-", "knee"]
        );
        assert_eq!((page.dots.len(), page.n_more), (3, 1));
    }

    #[test]
    fn without_known_failures_the_load_is_over_the_parameter() {
        let page = made("oil".to_owned(), &sweep(vec![tried(5.0, 0.0, None)]));
        assert_eq!(
            (page.x_says.as_str(), page.y_says),
            ("limit, K", "alerts a day")
        );
        assert_eq!(
            (page.dots[0].x.as_str(), page.dots[0].y.as_str()),
            ("0.0", "280.0")
        );
        assert!(page.line.is_empty());
    }
}
