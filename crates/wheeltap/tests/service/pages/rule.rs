//! A rule on its page, from its text to its stage.

use super::*;

/// What follows from moving a draft is said first, and pressing once more does it; looking at it changes nothing.
/// The page of its way to trial.
fn follows_are_said_first(service: &Service, version: &str) -> String {
    let step = |stage: &str| {
        let path = format!("GET /rules/oil-warm/stage?version={version}&stage={stage}");
        service.page(&path, "", "").1
    };
    // Its button has it tried first, and keeps what it would have done.
    let live = format!("version={version}&stage=live");
    let (head, _) = service.page("POST /rules/oil-warm/forecast", "", &live);
    assert!(
        head.starts_with("HTTP/1.1 303")
            && head.contains(&format!("location: /rules/oil-warm/stage?{live}")),
        "{head}"
    );
    let (_, list) = service.page("GET /rules", "", "");
    let mut rows = list.lines();
    let row = rows.find(|row| row.contains("<td>draft</td>"));
    assert!(
        row.is_some_and(|row| row.contains("<td>0</td></tr>")),
        "{list}"
    );
    let page = step("live");
    holds(
        &page,
        &[
            "its alerts ring at the desk with high priority, to be answered within 4 h",
            "which is live now, is retired, and its alerts that stand end as superseded",
            "It was never on trial",
            "Its case &#34;hot&#34; fails, so it will be refused: did not come",
            "<dt>alerts</dt><dd>0 on 0 units",
            "name=\"reason\" maxlength=\"500\" autocomplete=\"off\" required",
            "<button>Make it live</button>",
            ">Leave it draft</a>",
        ],
    );
    let page = step("trial");
    holds(
        &page,
        &["Its alerts ring nobody", "<button>Make it trial</button>"],
    );
    assert!(!page.contains(" required") && step("bell").contains("no such stage"));
    let (_, unmoved) = service.page(&format!("GET /rules/oil-warm?version={version}"), "", "");
    assert!(
        unmoved.contains(&format!("{version}, draft</dd>")),
        "{unmoved}"
    );
    page
}

/// The page before the last press comes back with what was typed.
fn a_refused_move_keeps_its_reason(service: &Service, version: &str, live: &str) {
    let from = format!(
        "Referer: http://{}/rules/oil-warm/stage?version={version}&stage=live\r\n",
        service.pages
    );
    let form = format!("{live}&reason=too+hot+%3Cx%3E");
    let (head, page) = service.page("POST /rules/oil-warm/stage", &from, &form);
    assert!(!head.contains("303"), "{head}");
    holds(refused_form(&page), &["value=\"too hot &#60;x&#62;\""]);
}

#[test]
fn a_rule_is_written_tried_kept_and_promoted_on_its_page() {
    let bench = Bench::new();
    let case = "[[case]]\nname = \"hot\"\ncsv = \"hot.csv\"\nbetween = \"hold\"\nalert = [{ raised = \"1 min 20 s\" }]\n";
    bench.write("rules/hot.csv", "min,engine.oil.temperature\n0,60\n10,60\n");
    bench.write("rules/oil-warm.cases.toml", case);
    let service = Service::start(&bench);
    service.take_day(&bench);
    let (_, list) = service.page("GET /rules", "", "");
    assert!(
        list.contains("href=\"/rules/oil-warm\"") && list.contains("live"),
        "{list}"
    );
    let (_, page) = service.page("GET /rules/oil-warm", "", "");
    holds(
        &page,
        &[
            "seen.oil &#62; 50.0",
            "The text is right",
            "Passes: hot",
            "settings from the beginning",
        ],
    );

    let wrong = form("source", &RULE.replace("seen.oil >", "seen.oli >"));
    let (_, checked) = service.page("POST /rules/oil-warm/check", "", &wrong);
    holds(
        &checked,
        &["Line 9, column ", "no input oli", "did you mean oil?"],
    );
    // As a browser sends it, with lines that end in CRLF; the case does not pass this text.
    let cooler = RULE.replace("> 50.0", "> 70.0");
    let text = form("source", &cooler.replace('\n', "\r\n"));
    let (_, checked) = service.page("POST /rules/oil-warm/check", "", &text);
    assert!(checked.contains("<strong>Fails</strong>: hot"), "{checked}");

    let (_, tried) = service.page("POST /rules/oil-warm/try", "", &form("source", RULE));
    holds(
        &tried,
        &[
            "event: progress",
            "event: done",
            "1 on 1 unit, ",
            "2026-01-01 00:11 after 10 min 20 s",
            "oil 60 °C",
        ],
    );
    let (_, tried) = service.page("POST /rules/oil-warm/try", "", &wrong);
    assert!(
        tried.contains("event: refused") && tried.contains("no input oli"),
        "{tried}"
    );

    let (head, _) = service.page("POST /rules/oil-warm/keep", "", &text);
    assert!(
        head.contains("303") && head.contains("said=kept&version="),
        "{head}"
    );
    let (_, rest) = head.split_once("version=").expect("the version kept");
    let version = rest.split_whitespace().next().unwrap_or_default();
    // The same text by the command line is the same version: lines end in LF.
    bench.write("kept/oil-warm.rhai", &cooler);
    let lodged = service.run(&bench, &["rules", "lodge", "kept"]);
    assert!(
        lodged.stderr.contains(version),
        "{version} in {}",
        lodged.stderr
    );

    let (_, page) = service.page(&format!("GET /rules/oil-warm?version={version}"), "", "");
    assert!(
        page.contains("draft") && page.contains("Make it trial"),
        "{page}"
    );
    let page = follows_are_said_first(&service, version);
    let (_, rest) = page.split_once("name=\"etag\" value=\"").expect("an etag");
    let etag = rest
        .split("\">")
        .next()
        .unwrap_or_default()
        .replace("&#34;", "\"");
    let to = |stage: &str| {
        [
            form("version", version),
            form("stage", stage),
            form("etag", &etag),
        ]
        .join("&")
    };
    // It came with the cases of the version before, which it does not pass.
    let (head, page) = service.page("POST /rules/oil-warm/stage", "", &to("live"));
    assert!(
        !head.contains("303") && page.contains("case &#34;hot&#34;: did not come"),
        "{head} {page}"
    );
    a_refused_move_keeps_its_reason(&service, version, &to("live"));
    let (head, _) = service.page("POST /rules/oil-warm/stage", "", &to("retired"));
    assert!(
        head.contains("303") && head.contains("said=moved"),
        "{head}"
    );
    let (head, _) = service.page("POST /rules/oil-warm/stage", "", &to("trial"));
    assert!(!head.contains("303"), "the etag is stale: {head}");

    let (_, units) = service.page("GET /units", "", "");
    assert!(
        units.contains("href=\"/units/ZVR%204117\"") && units.contains("Marten"),
        "{units}"
    );
}
