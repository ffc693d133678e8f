//! The board as an alert comes, and who does what there.

use super::*;

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
