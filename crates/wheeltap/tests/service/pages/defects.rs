//! Lists of defects, and what stands with one.

use super::*;

#[test]
fn lists_of_defects_go_on_page_by_page() {
    let (bench, service) = with_a_day();
    let own = format!("Origin: http://{}\r\n", service.pages);
    // With the day's alert 102 of one unit, each of a component of its own.
    for number in 1..=101 {
        let said = format!(
            "unit=ZVR+4117&component=part+{number}&title=Seen+{number}&origin=2&priority=1"
        );
        let (head, _) = service.page("POST /defects", &own, &said);
        assert!(head.starts_with("HTTP/1.1 303"), "{head}");
    }
    let lines = |page: &str| page.matches("<tr><td><a href=\"/defects/").count();
    let (_, first) = service.page("GET /defects?unit=ZVR+4117", "", "");
    assert_eq!(lines(&first), 100);
    let next = first
        .split_once("<p><a href=\"/defects?")
        .and_then(|(_, rest)| rest.split_once("\">Due later"))
        .map(|(next, _)| next.replace("&#38;", "&"));
    let next = next.unwrap_or_else(|| panic!("no way on: {first}"));
    let (_, second) = service.page(&format!("GET /defects?{next}"), "", "");
    assert_eq!(lines(&second), 2, "{second}");
    assert!(!second.contains("Due later"), "{second}");
    holds(&second, &["value=\"ZVR 4117\"", "Seen 101"]);
    assert!(!first.contains("Seen 101"));
    let (_, none) = service.page("GET /defects?unit=ZVR+4117&show=closed", "", "");
    holds(&none, &["None."]);
    // A mistyped unit is not one with nothing wrong.
    let (_, unknown) = service.page("GET /defects?unit=ZVR+4118", "", "");
    holds(
        &unknown,
        &["the fleet has no unit ZVR 4118; did you mean ZVR 4117?"],
    );
    // A token of another list is no way into this one.
    let (head, _) = service.page(&format!("GET /defects?show=closed&{next}"), "", "");
    assert!(head.starts_with("HTTP/1.1 400"), "{head}");

    // What is over is read from the latest on.
    for number in ["3", "7"] {
        let find = ["defects", "find", number, "no-fault-found"];
        service.run(&bench, &find).says(0, &["is closed"]);
    }
    let (_, closed) = service.page("GET /defects?show=closed", "", "");
    let place = |text: &str| closed.find(text).unwrap_or_else(|| panic!("{closed}"));
    assert!(place("/defects/7") < place("/defects/3"), "{closed}");
    let listed = ["defects", "--status", "closed", "--json"];
    let listed = service.run(&bench, &listed).json();
    assert_eq!(
        (&listed[0]["defect"], &listed[1]["defect"]),
        (&7.into(), &3.into())
    );
}

#[test]
fn lists_of_defects_tell_what_is_over_from_what_is_due() {
    let (bench, service) = with_a_day();
    let list = |show: &str| service.page(&format!("GET /defects{show}"), "", "");
    let (_, open) = list("");
    holds(
        &open,
        &[
            "aria-current=\"page\">Open</a>",
            "<th scope=\"col\">Due</th>",
            "<td>high</td>",
            "href=\"/mutes\"",
            "As of ",
        ],
    );
    let find = ["defects", "find", "1", "as-called"];
    service.run(&bench, &find).says(0, &["is closed"]);
    let (_, closed) = list("?show=closed");
    holds(
        &closed,
        &["aria-current=\"page\">Closed</a>", "<td>as called</td>"],
    );
    assert!(
        !closed.contains(">Due") && !closed.contains("<td>in "),
        "{closed}"
    );
    holds(
        &list("?show=merged").1,
        &["Went into another defect", "None."],
    );
    let (head, page) = list("?show=all");
    assert!(head.starts_with("HTTP/1.1 400"), "{head}");
    holds(&page, &["There is no list of defects &#34;all&#34;"]);
}

#[test]
fn reports_that_join_a_defect_stand_with_it() {
    let (bench, service) = with_a_day();
    let own = format!("Origin: http://{}\r\n", service.pages);
    for (title, origin, priority) in [("smells+hot", 2, 2), ("drips", 3, 4)] {
        let form = format!(
            "unit=ZVR+4117&component=Oil+Cooler&title={title}&origin={origin}&priority={priority}"
        );
        let (head, _) = service.page("POST /defects", &own, &form);
        assert!(head.contains("location: /defects/1?said=done"), "{head}");
    }
    let (_, page) = service.page("GET /defects/1", "", "");
    let (_, reports) = page.split_once("<h2>Reports</h2>").expect("its reports");
    holds(
        reports,
        &[
            "<td>Ada Brook</td><td>crew report</td>",
            "<td>medium</td><td>smells hot</td>",
            "<td>Ada Brook</td><td>daily inspection</td>",
            "<td>urgent</td><td>drips</td>",
        ],
    );
    // What is urgent leaves the time to reach somebody.
    let listed = service
        .run(&bench, &["defects", "show", "1", "--json"])
        .json();
    let reports = listed[0]["reports"].as_array().expect("its reports");
    let said = |at: usize, what: &str| reports[at][what].as_str().expect("words").to_owned();
    assert_eq!(
        (reports.len(), said(0, "title")),
        (2, "smells hot".to_owned())
    );
    assert_eq!(
        (said(1, "title"), said(1, "origin"), said(1, "by")),
        (
            "drips".into(),
            "daily_inspection".into(),
            "Ada Brook".into()
        )
    );
    let time = |text: &str| {
        text.parse::<jiff::Timestamp>()
            .expect("a time")
            .as_millisecond()
    };
    let due = time(listed[0]["due_at"].as_str().expect("a time"));
    assert_eq!(due - time(&said(1, "at")), 600_000);
    let shown = service.run(&bench, &["defects", "show", "1"]);
    holds(
        &shown.stdout,
        &[
            "by Ada Brook: smells hot (crew report, medium",
            "by Ada Brook: drips (daily inspection, urgent",
        ],
    );
}
