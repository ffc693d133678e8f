//! What does not work, and the form that comes back.

use super::*;

#[test]
fn what_does_not_work_is_told_in_plain_words_and_leads_back() {
    let (bench, service) = with_a_day();
    let own = format!("Origin: http://{}\r\n", service.pages);
    let act = |path: &str, form: &str| service.page(&format!("POST {path}"), &own, form);
    // A second desk is told who was faster, on the board and on the defect's page.
    let (head, _) = act("/defects/1/take-on", "note=crew+told");
    assert!(head.contains("said=taken"), "{head}");
    let other = format!("{own}Cookie: wheeltap-person=Bo%20Lind\r\n");
    for (form, page) in [("note=me", "/"), ("note=me&back=defect", "/defects/1")] {
        let (head, _) = service.page("POST /defects/1/take-on", &other, form);
        assert!(
            head.contains(&format!("location: {page}?said=others")),
            "{head}"
        );
        let (_, page) = service.page(&format!("GET {page}?said=others&defect=1"), "", "");
        holds(
            &page,
            &[
                "Defect 1 was taken on already by Ada Brook, 20",
                ": crew told</p>",
            ],
        );
    }

    let find = ["defects", "find", "1", "as-called"];
    service.run(&bench, &find).says(0, &["is closed"]);
    let from = format!(
        "{own}Referer: http://{}/defects/1?said=done\r\n",
        service.pages
    );
    let (head, page) = service.page("POST /defects/1/begin", &from, "");
    assert!(head.starts_with("HTTP/1.1 409"), "{head}");
    // It stands above the page as it is now, which has no such form any more.
    holds(
        &page,
        &[
            "That did not work.</strong> defect 1 is closed",
            "<h1>Defect 1: ",
        ],
    );
    assert!(!page.contains("It is kept."), "{page}");
    for path in ["/defects/abc", "/nowhere"] {
        let (head, page) = service.page(&format!("GET {path}"), "", "");
        assert!(head.starts_with("HTTP/1.1 404"), "{head}");
        holds(
            &page,
            &[&format!("There is no page {path}"), "Back to the board"],
        );
    }
    let walk = "GET /walk-back?unit=ZVR+4117&component=oil+cooler&at=noon";
    let (head, page) = service.page(walk, "", "");
    assert!(head.starts_with("HTTP/1.1 400"), "{head}");
    holds(
        refused_form(&page),
        &["&#34;noon&#34; is no time", "value=\"oil cooler\""],
    );
}

/// Forms that are refused: path, what is sent, the answer's code, and what stands in the form that comes back.
const REFUSED: &[(&str, &str, u16, &[&str])] = &[
    (
        "/defects/1/find",
        "corrects=false&kind=3&cause=chafed+wire&minutes=forty&failure_mode=OHE&parts=a,b&note=n",
        400,
        &[
            "&#34;forty&#34; is no number of minutes",
            "<option value=\"3\" selected>",
            "<option value=\"OHE\" selected>",
            "value=\"chafed wire\"",
            "value=\"forty\"",
            "value=\"a,b\"",
        ],
    ),
    (
        "/defects/1/call",
        "told=dispatcher&answer=yes&promise=&when=2+h",
        400,
        &[
            "promise is empty, but a time is given",
            "value=\"dispatcher\"",
            "name=\"promise\" maxlength=\"500\" value=\"\" aria-invalid=\"true\"",
            "value=\"2 h\"",
        ],
    ),
    (
        "/defects/1/say",
        "disposition=2&how=+",
        400,
        &["<option value=\"2\" selected>"],
    ),
    (
        "/defects/1/split",
        "alerts=99&component=pump&note=two",
        409,
        &["value=\"99\"", "value=\"two\""],
    ),
    (
        "/defects/1/merge",
        "into=77&note=same",
        404,
        &["no defect 77", "value=\"77\"", "value=\"same\""],
    ),
    (
        "/defects/1/close",
        "note=+",
        400,
        &["is empty", "Why there is none"],
    ),
    (
        "/defects",
        "unit=ZVR+4&component=horn&title=weak&origin=3&priority=3",
        404,
        &[
            "no unit ZVR 4",
            "value=\"horn\"",
            "<option value=\"3\" selected>Daily inspection",
            "<option value=\"3\" selected>This trip",
        ],
    ),
    (
        "/mutes",
        "unit=ZVR+4117",
        400,
        &[
            "The field &#34;reason&#34; is missing",
            "value=\"ZVR 4117\"",
        ],
    ),
    (
        "/mutes",
        "unit=ZVR+4117&rule=none&within=8+h&reason=paint",
        404,
        &["value=\"none\"", "value=\"paint\""],
    ),
    (
        "/alerts/1/shelve",
        "within=24+h&reason=+",
        400,
        &["<option selected>24 h"],
    ),
    (
        "/handover",
        "from=Ada&to=Ada&note=calm",
        400,
        &["value=\"Ada\"", "value=\"calm\""],
    ),
    (
        "/service/Burbot%20Yard",
        "unit=ZVR+4117&when=soon&goes_out=9+h",
        400,
        &[
            "&#34;soon&#34; is no time",
            "value=\"soon\"",
            "value=\"9 h\"",
        ],
    ),
    (
        "/rules/oil-warm/keep",
        "source=fn+raise(%0D%0Ax+%3C+1",
        400,
        &[">\nfn raise(\r\nx &#60; 1</textarea>"],
    ),
];

#[test]
fn a_form_that_is_refused_comes_back_as_it_was_filled_in() {
    let (bench, service) = with_a_day();
    let own = format!("Origin: http://{}\r\n", service.pages);
    let refused = |path: &str, form: &str, code: u16, holding: &[&str]| {
        let (head, page) = service.page(&format!("POST {path}"), &own, form);
        assert!(
            head.starts_with(&format!("HTTP/1.1 {code}")),
            "{path}: {head}"
        );
        holds(refused_form(&page), holding);
        page
    };
    let plan =
        "etag=%221%22&service_point=Burbot+Yard&when=8+h&part=valve+%22A%22&craft=electrical";
    let page = refused(
        "/defects/1/plan",
        plan,
        409,
        &[
            "changed meanwhile",
            "; look at it again. Below it is as it is now: send the form again if it still holds.",
            "value=\"Burbot Yard\"",
            "value=\"8 h\"",
            "value=\"valve &#34;A&#34;\"",
            "value=\"electrical\"",
        ],
    );
    // Its etag is that of what the page shows, so that pressing once more does it; and one sees the form.
    holds(&page, &["<details open><summary>Plan the work</summary>"]);
    let etag = refused_form(&page).split_once("name=\"etag\" value=\"");
    let (etag, _) = etag
        .and_then(|(_, rest)| rest.split_once("\">"))
        .expect("an etag");
    let etag = form("etag", &etag.replace("&#34;", "\""));
    let (head, _) = service.page(
        "POST /defects/1/plan",
        &own,
        &plan.replace("etag=%221%22", &etag),
    );
    assert!(head.starts_with("HTTP/1.1 303"), "{head}");

    for (path, form, code, holding) in REFUSED {
        refused(path, form, *code, holding);
    }
    // A page that never ends is no page to put a form on.
    refused(
        "/defects/1/close",
        "note=+&on_page=/live",
        400,
        &["is empty"],
    );
    let long = format!("note={}", "x".repeat(2 << 20));
    let (head, page) = service.page("POST /defects/1/close", &own, &long);
    assert!(head.starts_with("HTTP/1.1 413"), "{head}");
    holds(
        &page,
        &["longer than 2 MiB", "Back to the board", "</html>"],
    );

    // What cannot be put into a form any more is told all the same.
    let find = ["defects", "find", "1", "as-called"];
    service.run(&bench, &find).says(0, &["is closed"]);
    let (head, page) = service.page("POST /defects/1/plan", &own, plan);
    assert!(head.starts_with("HTTP/1.1 409"), "{head}");
    holds(
        &page,
        &[
            "<dt>craft</dt><dd class=\"written\">electrical</dd>",
            "<h1>Defect 1: ",
        ],
    );
    let correction = "corrects=true&kind=4&note=another+sheet&when=never";
    refused(
        "/defects/1/find",
        correction,
        400,
        &[
            "<option value=\"4\" selected>",
            "value=\"another sheet\"",
            "name=\"corrects\" value=\"true\"",
        ],
    );
    // What only looks something up is asked again, and nothing else is shown in its place.
    let (head, page) = service.page("GET /defects?show=closed&unit=ZVR+4", "", "");
    assert!(head.starts_with("HTTP/1.1 404"), "{head}");
    holds(
        refused_form(&page),
        &["no unit ZVR 4", "name=\"unit\" value=\"ZVR 4\""],
    );
    assert!(!page.contains("<table>"), "{page}");
}
