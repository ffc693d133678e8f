//! Reports by the real binary: terminal, JSON and pages.

use super::*;

/// Values by hand: one alert found as called, one road failure of the same component that nothing called.
#[test]
fn reports_say_what_shops_found_what_was_missed_and_what_failed() {
    let (bench, service) = with_a_day();
    let find = [
        "defects",
        "find",
        "1",
        "as-called",
        "--repaired",
        "2026-01-01T00:25:00Z",
    ];
    service.run(&bench, &find).says(0, &["is closed"]);
    let missed = [
        "defects",
        "report",
        "ZVR 4117",
        "Stopped",
        "--component",
        "oil cooler",
        "--system",
        "engine / lubrication",
        "--origin",
        "road-failure",
        "--first-sign",
        "2026-01-01T00:28:00Z",
    ];
    service.run(&bench, &missed).says(0, &[]);
    let find = [
        "defects",
        "find",
        "2",
        "as-called",
        "--repaired",
        "2026-01-01T00:29:00Z",
    ];
    service.run(&bench, &find).says(0, &["is closed"]);

    scorecards_say_how_right_it_was(&bench, &service);
    desk_and_reliability_say_what_happened(&bench, &service);
    let refused = ["report", "scorecard", "none"];
    service.run(&bench, &refused).says(1, &["UNKNOWN_RULE"]);
    let refused = ["report", "reliability", "--confidence", "2"];
    service.run(&bench, &refused).says(1, &["between 0 and 1"]);

    let rail = service.run(&bench, &["report", "rail"]);
    rail.says(
        0,
        &["0 slips; a place is at most 2 mi where 3 units of 2 trains slipped"],
    );
    let refused = ["report", "rail", "--from", "2025-11-01T00:00:00Z"];
    service.run(&bench, &refused).says(1, &["BAD_SPAN", "31 d"]);

    pages_show_reports(&service);
}

fn scorecards_say_how_right_it_was(bench: &Bench, service: &Service) {
    let card = ["report", "scorecard", "oil-warm", "--json"];
    let card = &service.run(bench, &card).json()[0];
    assert_eq!(card["rule"], "oil-warm");
    assert_eq!(
        (
            &card["alerts"],
            &card["precision"]["n"],
            &card["precision"]["of"]
        ),
        (&json!(1), &json!(1), &json!(1))
    );
    // The alert was answered by the repair, so it did not call what failed three minutes later.
    assert_eq!(
        (&card["failures"], &card["failures_reported"]),
        (&json!(2), &json!(1))
    );
    assert_eq!(
        (&card["recall"]["n"], &card["recall"]["of"]),
        (&json!(1), &json!(2))
    );
    assert_eq!(card["lead"], Value::Null);
    let table = service.run(bench, &["report", "scorecard"]);
    table.says(0, &["bounds at 90 %"]);
    assert!(
        table.stdout.contains("1 of 1, 100 % (27 to 100)"),
        "{}",
        table.stdout
    );
}

fn desk_and_reliability_say_what_happened(bench: &Bench, service: &Service) {
    let desk = service
        .run(bench, &["report", "desk", "--json", "--by-event-time"])
        .json();
    assert_eq!(desk[0]["desk"]["alerts"], 1);
    assert_eq!(desk[0]["desk"]["from"], "2026-01-01T00:00:00Z");
    assert_eq!(desk[0]["desk"]["is_long_enough"], false);
    // Half an hour is enough for what a desk bears in ten minutes, and too short for a day.
    let has = |of: &str| desk.iter().any(|line| line["figure"]["of"] == of);
    assert!(has("per_ten_minutes") && !has("per_day"), "{desk:#?}");
    let table = service.run(bench, &["report", "desk"]);
    // It was over before anybody could be told.
    table.says(0, &["0 alerts as told", "mean something from 30 d on"]);
    // The desk has been rung for seconds: no rate a day comes of that.
    assert!(!table.stdout.contains("at most 288"), "{}", table.stdout);

    let failed = [
        "report",
        "reliability",
        "--json",
        "--from",
        "2026-01-01T00:00:00Z",
    ];
    let failed = service.run(bench, &failed).json();
    assert_eq!(
        failed[0]["reliability"]["basis"], "commissioned",
        "no state was told"
    );
    let group = failed
        .iter()
        .find(|line| line["group"]["name"] == "oil cooler");
    assert_eq!(
        group.expect("a group")["group"]["failures"],
        2,
        "{failed:#?}"
    );
    let repeat = failed.iter().find(|line| !line["repeat"].is_null());
    assert_eq!(
        repeat.expect("it came back")["repeat"]["after_ms"],
        3 * 60_000
    );
    let table = service.run(bench, &["report", "reliability", "--by", "system"]);
    table.says(0, &["all unit-days since commissioning count"]);
    assert!(
        table.stdout.contains("engine / lubrication"),
        "{}",
        table.stdout
    );
}

fn pages_show_reports(service: &Service) {
    let (head, page) = service.page("GET /reports?by=system&component=oil%20cooler", "", "");
    assert!(head.starts_with("HTTP/1.1 200"), "{head}");
    holds(
        &page,
        &[
            "<title id=\"right-title\">",
            "role=\"img\"",
            "1 of 1, 100 % (27 to 100)",
            "too few for these figures",
            "<option selected>oil cooler</option>",
            "<option selected>system</option>",
            "href=\"/units/ZVR%204117\"",
        ],
    );
    assert!(
        !page.contains("style="),
        "the page's policy lets no style in"
    );
    let (_, page) = service.page("GET /reports/rail?hours=744", "", "");
    holds(
        &page,
        &[
            "<option value=\"744\" selected>31 d</option>",
            "No place at which several units slipped.",
            "No unit slipped elsewhere.",
        ],
    );
    let (_, page) = service.page("GET /rules/oil-warm", "", "");
    assert!(
        page.contains("<h2>Scorecard</h2>") && page.contains("scorecard-title"),
        "{page}"
    );
}
