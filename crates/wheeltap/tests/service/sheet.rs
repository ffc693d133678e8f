//! The turnaround sheet by the real binary: what a CSV file says comes back, mistakes are told with their lines,
//! and terminal, JSON and page say the same.

use super::*;

pub const WORK: &str = r#"
[[point]]
name = "Burbot Yard"
lockout = "5 min"
crew = [{ craft = "machinist", side = "above" }, { craft = "laborer", side = "below" }]
fills = ["fuel"]

[[job]]
component = "oil cooler"
craft = "machinist"
side = "above"
minutes = 35
part = "oil cooler bundle"
caution = "Oil stays hot for an hour."

[[fill]]
name = "fuel"
craft = "laborer"
side = "below"
minutes = 20
"#;

const ARRIVALS: &str = "unit,service point,time,out-time\n\
    ZVR 4117,Burbot Yard,2026-01-01T01:00:00Z,2026-01-01T01:45:00Z\n\
    ZVR 4117,Burbot Yard,2026-01-02 02:00+01:00,\n";

#[test]
#[expect(
    clippy::too_many_lines,
    reason = "one day on the service track, read from top to bottom"
)]
fn a_sheet_is_printed_for_what_a_file_says_comes_in() {
    let bench = Bench::new();
    let service = Service::start(&bench);
    service.take_day(&bench);
    refuses_bad_files(&bench, &service);

    bench.write("arrivals.csv", ARRIVALS);
    let import = ["sheet", "import", "arrivals.csv"];
    service
        .run(&bench, &import)
        .says(0, &["2 arrivals: 2 new, 0 changed, 0 known already"]);
    service
        .run(&bench, &import)
        .says(0, &["2 arrivals: 0 new, 0 changed, 2 known already"]);
    let listed = service.run(&bench, &["sheet", "arrivals", "--json"]).json();
    assert_eq!(listed.len(), 2, "{listed:#?}");
    assert_eq!(listed[0]["arrival"], "ZVR 4117@2026-01-01T01:00:00Z");
    assert_eq!(listed[0]["leaves_at"], "2026-01-01T01:45:00Z");
    assert_eq!(
        listed[1]["arrives_at"], "2026-01-02T01:00:00Z",
        "offsets are heeded"
    );
    assert_eq!(listed[0]["source"], "arrivals.csv");

    bench.write(
        "parts.csv",
        "Service Point,Part,On Hand\nBurbot Yard,oil cooler bundle,Yes\n",
    );
    service
        .run(&bench, &["sheet", "stock", "parts.csv"])
        .says(0, &["1 part: 1 of them news"]);
    bench.write(
        "done.csv",
        "unit,item,time,value\nZVR 4117,periodic,2025-09-20T10:00:00Z,\n",
    );
    service
        .run(&bench, &["sheet", "done-file", "done.csv"])
        .says(0, &["1 record: 1 of them news"]);
    service
        .run(
            &bench,
            &[
                "sheet",
                "done",
                "ZVR 4117",
                "annual",
                "--at",
                "2025-10-01T10:00:00Z",
            ],
        )
        .says(0, &["annual of ZVR 4117 is recorded"]);

    let sheet = &service.run(&bench, &["sheet", "ZVR 4117", "--json"]).json()[0];
    assert_eq!(sheet["stop_minutes"], 45);
    // 35 min above beside 20 below, and the lockout.
    assert_eq!(sheet["planned_minutes"], 40);
    let mut tasks = sheet["tasks"].as_array().expect("a list").iter();
    let task = tasks.find(|task| task["component"] == "oil cooler");
    let task = task.expect("the defect's");
    assert_eq!(
        (&task["component"], &task["verdict"]),
        (&json!("oil cooler"), &json!("do"))
    );
    assert_eq!(task["part"]["on_hand"], "yes");
    assert_eq!(task["action"], "Check the cooler at the next stop.");
    assert_eq!(sheet["next_stop_point"], "Burbot Yard");
    let fuel = &sheet["fills"][0];
    assert_eq!(
        (&fuel["silent"], &fuel["needed"]),
        (&json!(true), &Value::Null)
    );
    // 49 CFR 229.23(a): 92 days after 2025-09-20 was 2025-12-21.
    let mut inspections = sheet["inspections"].as_array().expect("a list").iter();
    let periodic = inspections.find(|one| one["name"] == "periodic");
    let periodic = periodic.expect("one of them");
    assert_eq!(
        (&periodic["due_by"], &periodic["overdue"]),
        (&json!("2025-12-22T00:00:00Z"), &json!(true))
    );

    let printed = service.run(&bench, &["sheet", "--point", "Burbot Yard"]);
    printed.says(0, &[]);
    holds(
        &printed.stdout,
        &[
            "blue signal up, unit locked out",
            "Oil stays hot for an hour.",
            "40 of 45 min, 5 of them lockout",
            "machinist above, min 0 to 35",
            "oil cooler bundle: yes",
            "never heard: gauge it",
            "OVERDUE since 2025-12-22 00:00",
            "ASK THE DESK",
        ],
    );
    assert_eq!(
        printed.stdout.matches("FIRST").count(),
        2,
        "a sheet for each stop"
    );
    pages_say_the_same(&service);
    a_repair_is_followed_up(&bench, &service);

    service
        .run(
            &bench,
            &[
                "sheet",
                "cancel",
                "ZVR 4117@2026-01-01T01:00:00Z",
                "--why",
                "train annulled",
            ],
        )
        .says(0, &["is cancelled"]);
    let left = service.run(&bench, &["sheet", "arrivals", "--json"]).json();
    assert_eq!(left.len(), 1);
    let all = service
        .run(&bench, &["sheet", "arrivals", "--all", "--json"])
        .json();
    assert_eq!(all[0]["cancelled_by"], "Ada Brook");
    // The file that it came from does not bring it back, and says so and what would.
    service
        .run(&bench, &["sheet", "import", "arrivals.csv"])
        .says(
            0,
            &[
                "ZVR 4117 at Burbot Yard, 2026-01-01T01:00:00Z, was cancelled by Ada Brook at 20",
                "(train annulled) and stays so",
                "wheeltap sheet restore \"ZVR 4117@2026-01-01T01:00:00Z\"",
            ],
        );
    let restore = ["sheet", "restore", "ZVR 4117@2026-01-01T01:00:00Z"];
    service.run(&bench, &restore).says(0, &["is to come in"]);
    let back = service.run(&bench, &["sheet", "arrivals", "--json"]).json();
    assert_eq!((back.len(), &back[0]["cancelled_by"]), (2, &Value::Null));
    assert_eq!(back[0]["restored_by"], "Ada Brook");
    service.run(&bench, &restore).says(0, &["is to come in"]);
    let unknown = ["sheet", "restore", "nothing"];
    service.run(&bench, &unknown).says(1, &["UNKNOWN_ARRIVAL"]);
    service
        .run(&bench, &["sheet", "ZVR 9"])
        .says(1, &["UNKNOWN_UNIT", "ZVR 9"]);
    service.run(&bench, &["sheet"]).says(2, &["name a unit"]);
    for (words, said) in [
        (
            &["sheet", "--point", "Nowhere"][..],
            "there are Burbot Yard",
        ),
        (
            &["defects", "plan", "1", "--at", "Nowhere"],
            "service point: there is no service point Nowhere; there are Burbot Yard",
        ),
        (
            &[
                "defects",
                "plan",
                "1",
                "--at",
                "Burbot Yard",
                "--when",
                "2025-12-01",
            ],
            "at is 2025-12-01T00:00:00Z, which is past",
        ),
    ] {
        service.run(&bench, words).says(1, &[said]);
    }
}

fn refuses_bad_files(bench: &Bench, service: &Service) {
    let import = |text: &str| {
        bench.write("bad.csv", text);
        service.run(bench, &["sheet", "import", "bad.csv"])
    };
    import("unit,service point,time,out-time\nZVR 4117,Burbot Yard,noon,\n,Burbot Yard,2026-01-01T01:00:00Z,2026-01-01T00:00:00Z\n")
        .says(
            1,
            &[
                "bad.csv:2: cell 3 (time): \"noon\" cannot be read; write a time with its offset",
                "bad.csv:3: cell 1 (unit): the cell is empty; name the unit",
                "bad.csv:3: cell 4 (out-time): it is not after the time",
                "nothing was recorded",
            ],
        );
    import("unit,place\nZVR 4117,x\n")
        .says(1, &["bad.csv:1: there is no column service point, time"]);
    // What only the service can know is told by line, too.
    import(
        "unit,service point,time\nZVR 4117,Burbot Yard,2026-01-01T01:00:00Z\n\nZVR 9,Nowhere,2026-01-01T01:00:00Z\n",
    )
    .says(
        1,
        &[
            "bad.csv:4: unit: the fleet has no unit ZVR 9",
            "bad.csv:4: service point: there is no service point Nowhere; there are Burbot Yard",
            "nothing was recorded",
        ],
    );
    // Both at once, also of one row; and an arrival that is named is named by its line.
    let both = import(
        "unit,service point,time,out-time\nZVR 9,Burbot Yard,noon,\nZVR 4117,Nowhere,2026-01-01T01:00:00Z,\n\
         ZVR 4117,Burbot Yard,2062-01-01T01:00:00Z,\nZVR 4117,Burbot Yard,2026-01-01T02:00:00Z,\n\
         ZVR 4117,Burbot Yard,2026-01-01T02:00:00Z,2026-01-01T03:00:00Z\n",
    );
    both.says(
        1,
        &[
            "bad.csv:2: cell 3 (time): \"noon\" cannot be read",
            "bad.csv:2: unit: the fleet has no unit ZVR 9",
            "bad.csv:3: service point: there is no service point Nowhere",
            "bad.csv:4: time: is 2062-01-01T01:00:00Z, more than a year from now",
            "bad.csv:6: id: is the same arrival as line 5 with other content",
            "nothing was recorded",
        ],
    );
    assert_eq!(both.stderr.matches("bad.csv:").count(), 5, "{both:#?}");
    let listed = service.run(bench, &["sheet", "arrivals", "--all", "--json"]);
    assert_eq!(listed.stdout, "", "no part of a refused file is kept");
}

/// On the next sheet stands whether what was repaired has held.
fn a_repair_is_followed_up(bench: &Bench, service: &Service) {
    service
        .run(bench, &["defects", "find", "1", "as-called"])
        .says(0, &["1"]);
    let printed = service.run(bench, &["sheet", "ZVR 4117"]);
    printed.says(0, &[]);
    let since = "not yet tested: nothing since could show it";
    holds(
        &printed.stdout,
        &["REPAIRED LATELY", "oil cooler: Oil warm", since],
    );
    let sheet = &service.run(bench, &["sheet", "ZVR 4117", "--json"]).json()[0];
    assert_eq!(sheet["repairs"][0]["defect"], "1", "{sheet}");
    assert_eq!(sheet["repairs"][0]["after_repair"], "not_yet_tested");
    let (_, page) = service.page("GET /service/Burbot%20Yard/ZVR%204117", "", "");
    holds(&page, &["Repaired lately", since]);
}

fn pages_say_the_same(service: &Service) {
    let (head, list) = service.page("GET /service", "", "");
    assert!(head.starts_with("HTTP/1.1 200"), "{head}");
    holds(
        &list,
        &[
            "Burbot Yard",
            "40 of 45 min",
            "/service/Burbot%20Yard/ZVR%204117?arrival=",
        ],
    );
    let (head, sheet) = service.page("GET /service/Burbot%20Yard/ZVR%204117", "", "");
    assert!(head.starts_with("HTTP/1.1 200"), "{head}");
    holds(
        &sheet,
        &[
            "blue signal up, unit locked out",
            "oil cooler: Oil warm (defect 1)",
            "machinist above 0 to 35",
            "never heard: gauge it",
            "overdue since 2025-12-22 00:00",
        ],
    );
    let (head, _) = service.page("GET /service/Burbot%20Yard/ZVR%209", "", "");
    assert!(head.starts_with("HTTP/1.1 404"), "{head}");
    a_point_s_page_takes_arrivals(service);
}

fn a_point_s_page_takes_arrivals(service: &Service) {
    let own = format!("Origin: http://{}\r\n", service.pages);
    let say = |path: &str, form: &str| service.page(&format!("POST /service/{path}"), &own, form);
    let point = || service.page("GET /service/Burbot%20Yard", "", "").1;
    holds(
        &point(),
        &["Burbot Yard", "40 of 45 min", "Put on the list"],
    );
    // A span counts from the fleet's newest data: the day that was sent, not the day of the test.
    for (when, shown) in [
        ("2026-01-02+06%3A00", "2026-01-02 06:00"),
        ("3+d", "2026-01-04 "),
    ] {
        let comes = format!("unit=ZVR+4117&when={when}&goes_out=");
        let (head, _) = say("Burbot%20Yard", &comes);
        assert!(
            head.contains("303") && head.contains("said=comes"),
            "{head}"
        );
        let with_it = point();
        holds(&with_it, &[shown]);
        let list = with_it.split("<h2>Cancelled</h2>").next();
        let (_, after) = list
            .expect("a list")
            .rsplit_once("name=\"arrival\" value=\"")
            .expect("an arrival");
        let id = after.split('"').next().expect("its id").replace(':', "%3A");
        let (head, _) = say("Burbot%20Yard/cancel", &format!("arrival={id}"));
        assert!(head.contains("said=cancelled"), "{head}");
        let page = point();
        let (list, cancelled) = page
            .split_once("<h2>Cancelled</h2>")
            .expect("those cancelled");
        assert!(!list.contains(shown), "{list}");
        holds(
            cancelled,
            &[shown, "<td>Ada Brook, 20", "It comes after all"],
        );
        // A slip of the hand, by its button or by saying once more that it comes.
        let (head, _) = say("Burbot%20Yard/restore", &format!("arrival={id}"));
        assert!(head.contains("said=comes"), "{head}");
        let page = point();
        let list = page.split("<h2>Cancelled</h2>").next().expect("a list");
        assert!(list.contains(shown), "{list}");
        let of = id.replace(' ', "%20");
        let sheet = format!("GET /service/Burbot%20Yard/ZVR%204117?arrival={of}");
        let (_, sheet) = service.page(&sheet, "", "");
        holds(
            &sheet,
            &["; cancelled, and on the list again by Ada Brook</dd>"],
        );
        say("Burbot%20Yard/cancel", &format!("arrival={id}"));
    }
    let (head, page) = say("Burbot%20Yard", "unit=ZVR+4117&when=at+noon");
    assert!(head.starts_with("HTTP/1.1 400"), "{head}");
    holds(&page, &["at noon", "is no time: write a span such as 2 h"]);
    let (_, page) = say("Burbot%20Yard", "unit=ZVR+9&when=2+h");
    holds(&page, &["the fleet has no unit ZVR 9"]);
    let (head, page) = service.page("GET /service/Nowhere", "", "");
    assert!(head.starts_with("HTTP/1.1 404"), "{head}");
    holds(&page, &["There is no service point Nowhere"]);
}
