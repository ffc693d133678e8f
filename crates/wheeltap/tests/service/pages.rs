//! The web pages by HTTP: the board as an alert comes, a unit's plots, and a rule from its text to its stage.

use super::*;
use std::fmt::Write as _;

/// What `GET /live` tells next.
fn told(live: &mut impl BufRead) -> Value {
    let mut text = String::new();
    while !text.starts_with("data: ") {
        text.clear();
        let n_read = live.read_line(&mut text).expect("the stream lives");
        assert!(n_read > 0, "the stream ended");
    }
    serde_json::from_str(text["data: ".len()..].trim()).expect("JSON")
}

#[test]
fn the_board_shows_an_alert_as_it_comes_and_takes_one_answer() {
    let bench = Bench::new();
    let service = Service::start(&bench);
    let (head, board) = service.page("GET /", "", "");
    assert!(
        head.starts_with("HTTP/1.1 200") && head.contains("default-src 'self'"),
        "{head}"
    );
    assert!(board.contains("Nothing waits for an answer"), "{board}");

    let mut live = BufReader::new(service.ask_page("GET /live", "", ""));
    let before = told(&mut live)["generation"].as_u64().expect("a number");
    service.take_day(&bench);
    while told(&mut live)["generation"].as_u64().expect("a number") == before {}
    let changes = |since: &Value| -> Value {
        let (_, changes) = service.page(&format!("GET /board?since={since}"), "", "");
        serde_json::from_str(&changes).expect("JSON")
    };
    let all = changes(&0.into());
    assert_eq!(all["lists"]["within-12h"][0][0], "d1", "{all}");
    assert_eq!(all["said"]["waiting"], "1 waits for an answer");
    // A browser that shows this is sent no row again.
    let again = changes(&all["rendering"]);
    assert_eq!(again["lists"]["within-12h"][0][0], "d1", "{again}");
    assert_eq!(again["rows"], serde_json::json!({}));
    holds(
        all["rows"]["d1"].as_str().expect("a row"),
        &[
            "ZVR 4117",
            "Oil warm",
            "oil 60 °C",
            "Check the cooler at the next stop.",
            "/defects/1/take-on",
        ],
    );

    // Nobody acts through another site.
    let act = "POST /defects/1/take-on";
    let (head, _) = service.page(act, "Origin: http://elsewhere.example\r\n", "note=x");
    assert!(head.starts_with("HTTP/1.1 403"), "{head}");
    let own = format!("Origin: http://{}\r\n", service.pages);
    let (head, _) = service.page(act, &own, "note=crew+told+%3Cb%3E");
    assert!(
        head.starts_with("HTTP/1.1 303") && head.contains("said=taken"),
        "{head}"
    );
    let (_, board) = service.page("GET /?said=taken&defect=1", "", "");
    holds(
        &board,
        &[
            "Defect 1 is yours.",
            "Nothing waits",
            "Taken on",
            "Ada Brook, ",
            "crew told &#60;b&#62;",
        ],
    );
    let (head, _) = service.page("POST /defects/99/take-on", &own, "");
    assert!(head.starts_with("HTTP/1.1 404"), "{head}");
}

// The promise of the audit log: every step has its author.
#[test]
fn an_act_without_a_name_is_asked_for_one_and_done_under_it() {
    let (_bench, service) = with_a_day();
    let nobody = format!("Origin: http://{}\r\nCookie: other=1\r\n", service.pages);
    let act = "POST /defects/1/take-on";
    let (head, page) = service.page(act, &nobody, "note=crew+%3Ctold%3E&back=defect");
    assert!(head.starts_with("HTTP/1.1 403"), "{head}");
    holds(
        &page,
        &[
            "<h1>Who are you?</h1>",
            "action=\"/defects/1/take-on\"",
            "name=\"note\" value=\"crew &#60;told&#62;\"",
            "name=\"back\" value=\"defect\"",
            "name=\"your_name\" value=\"\"",
        ],
    );
    let (_, defect) = service.page("GET /defects/1", &nobody, "");
    holds(&defect, &["<a href=\"/you\">Who are you?</a>"]);
    assert!(!defect.contains("crew "), "nothing was done");

    // What is no name is said so, and nothing that was written is lost.
    let (head, page) = service.page(act, &nobody, "note=crew&your_name=clock");
    assert!(head.starts_with("HTTP/1.1 403"), "{head}");
    holds(
        &page,
        &[
            "\"clock\" is no name of a person"
                .replace('"', "&#34;")
                .as_str(),
            "value=\"crew\"",
        ],
    );

    let said = "note=crew+told&back=defect&your_name=+Zo%C3%AB+Brook+";
    let (head, _) = service.page(act, &nobody, said);
    assert!(
        head.starts_with("HTTP/1.1 303") && head.contains("said=taken"),
        "{head}"
    );
    let cookie = head
        .lines()
        .find_map(|line| line.strip_prefix("set-cookie: "));
    let cookie = cookie
        .and_then(|cookie| cookie.split(';').next())
        .expect("the name is kept");
    let zoe = format!("Origin: http://{}\r\nCookie: {cookie}\r\n", service.pages);
    let (_, defect) = service.page("GET /defects/1", &zoe, "");
    holds(
        &defect,
        &["<a href=\"/you\">Zo\u{eb} Brook</a>", "Zo\u{eb} Brook, 20"],
    );

    // Another one is told so, by pages, and stands beside the first in the log.
    let (head, _) = service.page(
        act,
        &format!("Origin: http://{}\r\n", service.pages),
        "note=me",
    );
    assert!(head.contains("said=others"), "{head}");
    let call = "told=dispatcher&answer=runs+on";
    let own = format!("Origin: http://{}\r\n", service.pages);
    service.page("POST /defects/1/call", &own, call);
    let (_, acts) = service.page("GET /acts?about=defects/1", "", "");
    holds(&acts, &["<td>Zo\u{eb} Brook</td>", "<td>Ada Brook</td>"]);

    // Whoever hands over and leaves is forgotten, so that the next one says their own.
    let (_, page) = service.page("GET /handover", &zoe, "");
    holds(&page, &["name=\"from\" value=\"Zo\u{eb} Brook\""]);
    let (head, _) = service.page("POST /handover", &zoe, "from=Zo%C3%AB+Brook&to=Bo&note=");
    assert!(
        head.contains("wheeltap-person=; ") && head.contains("Max-Age=0"),
        "{head}"
    );
    let (head, _) = service.page("POST /you", &zoe, "name=Bo+Lind&back=/defects/1");
    assert!(
        head.contains("wheeltap-person=Bo%20Lind; ") && head.contains("location: /defects/1"),
        "{head}"
    );
    let (head, page) = service.page("POST /you", &zoe, "name=local&back=/");
    assert!(head.starts_with("HTTP/1.1 400"), "{head}");
    holds(&page, &["is no name of a person"]);
}

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
fn a_units_page_plots_what_is_stored() {
    let (_bench, service) = with_a_day();
    let (_, page) = service.page("GET /units/ZVR%204117", "", "");
    holds(
        &page,
        &[
            "ZVR 4117",
            "Marten",
            "Oil warm",
            "data-channel=\"engine.oil.temperature\"",
            "ended 2026-01-01 00:21",
        ],
    );
    let series = |from: u64, to: u64, channel: &str| {
        let path = format!(
            "GET /units/ZVR%204117/series?channel={channel}&from={from}&to={to}&width=1000"
        );
        service.page(&path, "", "")
    };
    let start = 1_767_225_600_000;
    let body =
        |answer: (String, String)| -> Value { serde_json::from_str(&answer.1).expect("JSON") };
    // Ten minutes on a thousand pixels: every sample.
    let near = body(series(start, start + 600_000 - 1, "engine.oil.temperature"));
    assert_eq!(
        (&near["of"], &near["unit"]),
        (&"samples".into(), &"°C".into())
    );
    assert_eq!(near["mid"].as_array().map(Vec::len), Some(600));
    // A day: minutes, each with its least and greatest.
    let far = body(series(start, start + 86_400_000, "engine.oil.temperature"));
    assert_eq!(far["of"], "minutes");
    assert_eq!(far["t"].as_array().map(Vec::len), Some(30));
    assert_eq!(
        (&far["low"][15], &far["high"][15]),
        (&60.0.into(), &60.0.into())
    );
    // A year: hours.
    let year = body(series(
        start - 31_536_000_000,
        start + 3_600_000,
        "engine.oil.temperature",
    ));
    assert_eq!(
        (&year["of"], year["t"].as_array().map(Vec::len)),
        (&"hours".into(), Some(1))
    );
    let (head, page) = series(start, start + 1, "engine.oil.temprature");
    assert!(
        head.starts_with("HTTP/1.1 404") && page.contains("engine.oil.temprature"),
        "{head} {page}"
    );
    let (head, page) = service.page("GET /units/ZVR%209999", "", "");
    assert!(
        head.starts_with("HTTP/1.1 404") && page.contains("ZVR 9999"),
        "{head} {page}"
    );
}

/// A form's value for one field.
fn form(name: &str, value: &str) -> String {
    let mut text = format!("{name}=");
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric() {
            text.push(char::from(byte));
        } else {
            write!(text, "%{byte:02X}").expect("a string takes all");
        }
    }
    text
}

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

/// The rule that rings nobody and makes an item for the shop.
fn for_the_shop() -> String {
    RULE.replace("Oil warm", "Filter clogs").replace(
        "component: \"oil cooler\"",
        "component: \"oil filter\", desk: false",
    )
}

/// The day with a fan command every 10 s that falls silent after 200 s.
fn with_a_fan(bench: &Bench) {
    let fan = "[[channel]]\ncolumn = \"fan\"\nname = \"engine.fan.command\"\nucum = \"%\"\n";
    bench.write("map.toml", [common::MAP, fan].concat());
    let mut day = String::new();
    for (idx, line) in csv(0..1_800).lines().enumerate() {
        let cell = match idx {
            0 => "fan",
            1..=200 if idx % 10 == 1 && idx > 60 => "100",
            1..=200 if idx % 10 == 1 => "0",
            _ => "",
        };
        writeln!(day, "{line},{cell}").expect("a string takes all");
    }
    bench.write("day.csv", day);
}

#[test]
fn a_units_page_tells_its_past_what_is_for_the_shop_and_what_is_silent() {
    let bench = Bench::new();
    with_a_fan(&bench);
    bench.write("rules/filter-clogs.rhai", for_the_shop());
    let service = Service::start(&bench);
    service.take_day(&bench);
    let listed = || {
        service
            .run(&bench, &["defects", "--json"])
            .json()
            .into_iter()
    };
    let number = |of: &str| {
        let found = listed().find(|defect| defect["component"] == of);
        found.map(|defect| defect["defect"].to_string())
    };
    // Each look starts a program, so it does not run hot.
    while number("oil filter").is_none() {}
    let cooler = number("oil cooler").expect("the day's");
    let find = ["defects", "find", &cooler, "as-called", "--note", "silted"];
    service.run(&bench, &find).says(0, &["is closed"]);
    let own = format!("Origin: http://{}\r\n", service.pages);
    // A form that is sent twice is done once, also where it means a time from now.
    for _ in 0..2 {
        let call = "told=dispatcher&answer=&promise=a+fitter&when=2+h&request_id=page-0";
        let (head, _) = service.page(&format!("POST /defects/{cooler}/call"), &own, call);
        assert!(head.starts_with("HTTP/1.1 303"), "{head}");
    }
    let (_, called) = service.page(&format!("GET /defects/{cooler}"), "", "");
    assert_eq!(called.matches("<td>a fitter</td>").count(), 1, "{called}");
    let horn = "unit=ZVR+4117&component=horn&title=weak&origin=2&priority=1&request_id=page-1";
    for _ in 0..2 {
        let (head, _) = service.page("POST /defects", &own, horn);
        assert!(head.starts_with("HTTP/1.1 303"), "{head}");
    }
    let defects = service.run(&bench, &["defects", "--json"]).json();
    let horns = defects
        .iter()
        .filter(|defect| defect["component"] == "horn");
    assert_eq!(horns.count(), 1);
    let mute = "unit=ZVR+4117&within=&reason=at+the+paint+shop";
    let (head, _) = service.page("POST /mutes", &own, mute);
    assert!(head.starts_with("HTTP/1.1 303"), "{head}");

    let (_, page) = service.page("GET /units/ZVR%204117", "", "");
    let (_, past) = page.split_once("Closed defects").expect("its past");
    holds(
        past,
        &[
            "oil cooler: Oil warm",
            "as called: silted",
            "/defects?show=closed&amp;unit=ZVR%204117",
            "Items for the shop",
            "Filter clogs",
        ],
    );
    holds(
        &page,
        &[
            "<dt>out of service</dt><dd>all rules until somebody lifts it, Ada Brook: at the paint shop",
            "data-from=\"/units/ZVR%204117/heard\"",
        ],
    );
    let (_, channels) = service.page("GET /units/ZVR%204117/heard", "", "");
    holds(
        &channels,
        &[
            "<td>engine.fan.command</td><td>2026-01-01 00:03</td><td>silent while the unit was heard",
            "Channels that are heard: 1;",
            "<td>engine.oil.temperature</td><td>2026-01-01 00:29</td>",
        ],
    );

    // A value that holds is drawn in steps from far away, too, and is what it was last.
    let path = "GET /units/ZVR%204117/series?channel=engine.fan.command&from=1767225600000&to=1767312000000&width=1000";
    let series: Value = serde_json::from_str(&service.page(path, "", "").1).expect("JSON");
    assert_eq!(
        (&series["of"], &series["steps"]),
        (&"minutes".into(), &true.into())
    );
    assert_eq!(series["gap_ms"], 660_000, "{series}");
    assert_eq!(series["mid"], json!([0.0, 100.0, 100.0, 100.0]));
}

#[test]
fn what_does_not_work_is_told_in_plain_words_and_leads_back() {
    let (bench, service) = with_a_day();
    let own = format!("Origin: http://{}\r\n", service.pages);
    let act = |path: &str, form: &str| service.page(&format!("POST {path}"), &own, form);
    // A second desk is told who was faster, on the board and on the defect's page.
    let (head, _) = act("/defects/1/take-on", "note=crew+told");
    assert!(head.contains("said=taken"), "{head}");
    for (form, page) in [("note=me", "/"), ("note=me&back=defect", "/defects/1")] {
        let (head, _) = act("/defects/1/take-on", form);
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

/// The refusal and the form under it.
fn refused_form(page: &str) -> &str {
    let from = page.find("id=\"refused\"");
    let from = from.unwrap_or_else(|| panic!("no refusal on {page}"));
    let end = page[from..].find("</form>").expect("a form");
    &page[from..from + end]
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
