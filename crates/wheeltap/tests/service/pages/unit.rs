//! A unit's page: plots, past, silence.

use super::*;

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
