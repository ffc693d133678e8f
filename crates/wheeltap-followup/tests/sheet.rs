//! The promise: a turnaround sheet says in which order to work, what of it fits and what may wait, and says
//! so where something is not known.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use wheeltap_followup::sheet::{
    DefectSeen, FillNeed, LevelSeen, OnHand, Seen, Sheet, TaskLine, UseFrom, Verdict, WearSeen,
    What, sheet,
};
use wheeltap_model::{
    Arrival, Care, ChannelName, ClassName, Crew, Dated, Defect, DefectId, DefectOrigin,
    Disposition, EventTime, Fill, Inspection, Job, PartStock, Plan, PointName, Priority, Said,
    ServerTime, ServicePoint, Side, Step, Timeline, Unit, UnitId, UnitState, Wear, WearBasis,
    WearBy, WorkSettings,
};

const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;
const DAY: i64 = 24 * HOUR;
/// 2026-03-02T00:00:00Z.
const NOW: i64 = 1_772_409_600_000;
/// The server's clock is elsewhere: a day that is played back.
const SERVER_NOW: i64 = NOW + 200 * DAY;

fn at(ms: i64) -> EventTime {
    EventTime::from_unix_ms(ms)
}

fn unit_id() -> UnitId {
    UnitId::new("ZVR 4117").unwrap()
}

fn point_name() -> PointName {
    PointName::new("Burbot Yard").unwrap()
}

fn steps(craft: &str, side: Side, minutes: u32) -> Vec<Step> {
    vec![Step {
        craft: craft.to_owned(),
        side,
        minutes,
        alone: false,
    }]
}

fn job(component: &str, steps: Vec<Step>, part: Option<&str>) -> Job {
    Job {
        component: component.to_owned(),
        class: None,
        steps,
        part: part.map(str::to_owned),
        caution: None,
    }
}

fn defect(id: u64, component: &str, priority: Priority, due_in_h: i64) -> Defect {
    let opened_at = ServerTime::from_unix_ms(SERVER_NOW - HOUR);
    Defect {
        system: "engine".to_owned(),
        component: component.to_owned(),
        title: format!("{component} at fault"),
        priority,
        first_sign_at: at(NOW - HOUR),
        due_at: ServerTime::from_unix_ms(SERVER_NOW + due_in_h * HOUR),
        action: format!("Mend the {component}."),
        ..Defect::opened(DefectId(id), unit_id(), DefectOrigin::Alert, opened_at)
    }
}

fn arrival(id: &str, in_h: i64, leaves_after_min: Option<i64>) -> Arrival {
    let arrives_at = at(NOW + in_h * HOUR);
    Arrival {
        id: id.to_owned(),
        unit: unit_id(),
        point: point_name(),
        arrives_at,
        leaves_at: leaves_after_min.map(|minutes| arrives_at.plus_ms(minutes * MINUTE)),
        source: "a test".to_owned(),
        said_at: ServerTime::from_unix_ms(SERVER_NOW),
        cancelled: None,
        restored: None,
    }
}

/// Everything a sheet is made of, to be changed by each test.
struct Bench {
    unit: Unit,
    states: Timeline<UnitState>,
    arrival: Arrival,
    next: Option<Arrival>,
    point: ServicePoint,
    work: WorkSettings,
    stock: Vec<PartStock>,
    care: Vec<Care>,
    defects: Vec<Defect>,
    safety: Vec<u64>,
    owed: Vec<u64>,
    levels: Vec<LevelSeen>,
    wears: Vec<WearSeen>,
    newest: Option<EventTime>,
    tripped_at: Option<EventTime>,
    server_now: i64,
}

impl Bench {
    /// A unit that comes in 2 h from now for an hour, with 5 min of lockout, and again 26 h from now.
    fn new() -> Self {
        let crew = |craft: &str, side| Crew {
            craft: craft.to_owned(),
            side,
            crews: 1,
        };
        Self {
            server_now: SERVER_NOW,
            unit: Unit {
                id: unit_id(),
                road_number: "4117".to_owned(),
                class: ClassName::new("Marten").unwrap(),
                commissioned: at(0),
            },
            states: Timeline::default(),
            arrival: arrival("this", 2, None),
            next: Some(arrival("next", 26, None)),
            point: ServicePoint {
                name: point_name(),
                stop_ms: HOUR,
                lockout_minutes: 5,
                crews: vec![
                    crew("machinist", Side::Above),
                    crew("machinist", Side::Below),
                    crew("laborer", Side::Below),
                ],
                fills: vec!["fuel".to_owned()],
            },
            work: WorkSettings {
                next_stop_ms: DAY,
                credit_least_days: 30,
                out_of_use: vec![UnitState::Stored],
                ..WorkSettings::default()
            },
            stock: Vec::new(),
            care: Vec::new(),
            defects: Vec::new(),
            safety: Vec::new(),
            owed: Vec::new(),
            levels: Vec::new(),
            wears: Vec::new(),
            newest: Some(at(NOW)),
            tripped_at: None,
        }
    }

    fn sheet(&self) -> Sheet {
        sheet(Seen {
            unit: &self.unit,
            class: None,
            states: &self.states,
            consist: None,
            arrival: &self.arrival,
            point: &self.point,
            next: self.next.as_ref(),
            work: &self.work,
            stock: &self.stock,
            care: &self.care,
            defects: self
                .defects
                .iter()
                .map(|defect| DefectSeen {
                    defect,
                    safety: self.safety.contains(&defect.id.0),
                    n_standing: 1,
                    finding_owed: self.owed.contains(&defect.id.0),
                })
                .collect(),
            levels: self.levels.clone(),
            wears: self.wears.clone(),
            newest_event: self.newest,
            last_heard: None,
            silent_channels: Vec::new(),
            tripped_at: self.tripped_at,
            as_of: at(NOW),
            now: ServerTime::from_unix_ms(self.server_now),
        })
    }

    fn said(&mut self, part: &str, on_hand: Option<bool>, as_of: i64) {
        self.stock.push(PartStock {
            point: point_name(),
            part: part.to_owned(),
            on_hand,
            as_of: at(as_of),
            source: "stores".to_owned(),
            said_at: ServerTime::from_unix_ms(SERVER_NOW),
        });
    }

    fn did(&mut self, item: &str, done_at: i64, value: Option<f64>) {
        self.care.push(Care {
            unit: unit_id(),
            item: item.to_owned(),
            done_at: at(done_at),
            value,
            source: "the shop".to_owned(),
            said_at: ServerTime::from_unix_ms(SERVER_NOW),
        });
    }
}

fn of(sheet: &Sheet) -> Vec<(String, Verdict)> {
    let of = |what: &What| match what {
        What::Defect(id) => format!("defect {}", id.0),
        What::Fill(name) | What::Renew(name) | What::Inspect(name) => name.clone(),
    };
    sheet
        .tasks
        .iter()
        .map(|task| (of(&task.what), task.verdict.clone()))
        .collect()
}

fn named(expected: &[(&str, Verdict)]) -> Vec<(String, Verdict)> {
    let owned = expected.iter().cloned();
    owned
        .map(|(what, verdict)| (what.to_owned(), verdict))
        .collect()
}

#[test]
fn work_is_ordered_by_safety_then_priority_then_what_is_due() {
    let mut bench = Bench::new();
    for component in ["fans", "pump", "axle", "filter", "hose"] {
        let steps = steps("machinist", Side::Above, 5);
        bench.work.jobs.push(job(component, steps, None));
    }
    bench.defects = vec![
        defect(1, "filter", Priority::Low, 1),
        defect(2, "fans", Priority::High, 9),
        defect(3, "pump", Priority::High, 3),
        defect(4, "axle", Priority::Medium, 20),
        defect(5, "hose", Priority::Urgent, 50),
    ];
    bench.safety = vec![4];
    let sheet = bench.sheet();
    let order: Vec<String> = of(&sheet).into_iter().map(|(what, _)| what).collect();
    assert_eq!(
        order,
        ["defect 4", "defect 5", "defect 3", "defect 2", "defect 1"]
    );
    assert_eq!(sheet.tasks[0].action, "Mend the axle.");
    // A fleet that is played back is planned for by how far off each due time is; what is told is the defect's own.
    let told = |sheet: &Sheet| (sheet.tasks[2].due_at, sheet.tasks[2].answer_due_at);
    let own = Some(bench.defects[2].due_at);
    assert_eq!(told(&sheet), (Some(at(NOW + 3 * HOUR)), own));
    // Of one that is heard, data that is 10 min old moves nothing.
    bench.server_now = NOW + 10 * MINUTE;
    let due = ServerTime::from_unix_ms(NOW + 3 * HOUR);
    bench.defects[2].due_at = due;
    assert_eq!(told(&bench.sheet()), (Some(at(NOW + 3 * HOUR)), Some(due)));
    // One machinist above does all of it, after the lockout.
    assert_eq!(sheet.chain.minutes, 25);
    assert_eq!(sheet.planned_minutes(), 30);
    assert_eq!((sheet.stop_minutes, sheet.lockout_minutes), (60, 5));
}

#[test]
fn what_cannot_be_done_here_says_why_and_whether_it_may_wait() {
    use Side::{Above, Below};
    let mut bench = Bench::new();
    bench.work.jobs = vec![
        job("cooler", steps("machinist", Above, 40), Some("bundle")),
        job("motor", steps("electrician", Above, 10), None),
        job("pump", steps("machinist", Above, 30), Some("pump")),
        job("pipe", steps("machinist", Below, 55), Some("gasket")),
        job("valve", steps("machinist", Above, 15), None),
    ];
    bench.defects = vec![
        defect(1, "cooler", Priority::High, 4),
        defect(2, "motor", Priority::High, 100),
        defect(3, "pump", Priority::Medium, 30),
        defect(4, "pipe", Priority::Medium, 40),
        defect(5, "valve", Priority::Low, 100),
        defect(6, "whistle", Priority::Low, 200),
    ];
    bench.said("bundle", Some(false), NOW - 3 * HOUR);
    bench.said("pump", Some(true), NOW - 3 * HOUR);
    bench.said("gasket", None, NOW - DAY);
    let sheet = bench.sheet();
    assert_eq!(
        of(&sheet),
        named(&[
            ("defect 1", Verdict::NoPart),
            (
                "defect 2",
                Verdict::NoCrew("no electrician works above here".to_owned())
            ),
            ("defect 3", Verdict::Do),
            ("defect 4", Verdict::Do),
            ("defect 5", Verdict::Do),
            ("defect 6", Verdict::NoJob),
        ])
    );
    // The next stop is 26 h from now: what is due in 4 h cannot wait for it.
    let may_wait: Vec<Option<bool>> = sheet.tasks.iter().map(TaskLine::may_wait).collect();
    assert_eq!(
        may_wait,
        [Some(false), Some(true), None, None, None, Some(true)]
    );
    assert_eq!(
        sheet.tasks[0].why(),
        "part not on hand, as of 2026-03-01 21:00 UTC"
    );
    // Unknown is said as such, and work goes on the plan.
    let part = sheet.tasks[3].part.as_ref().unwrap();
    assert_eq!(
        (part.on_hand, part.as_of),
        (OnHand::Unknown, Some(at(NOW - DAY)))
    );
    // 30 and 15 above beside 55 below, and 5 of lockout.
    assert_eq!(sheet.planned_minutes(), 60);
    assert_eq!(sheet.all_minutes, Some(55));

    // In a stop of 50 minutes the 55 below do not fit, and their room goes to nobody else.
    bench.arrival = arrival("this", 2, Some(50));
    bench.defects[3].plan = Some(Plan {
        service_point: bench.point.name.as_str().to_owned(),
        ..Plan::default()
    });
    let sheet = bench.sheet();
    assert_eq!(sheet.tasks[3].verdict, Verdict::DoesNotFit);
    assert!(sheet.tasks[3].planned_here && !sheet.tasks[0].planned_here);
    assert_eq!(
        sheet.tasks[3].why(),
        "people planned it for this stop, but: does not fit into the stop"
    );
    assert_eq!(sheet.tasks[3].may_wait(), Some(true));
    assert_eq!((sheet.stop_minutes, sheet.planned_minutes()), (50, 50));
    assert_eq!(sheet.all_minutes, Some(55));
}

#[test]
fn of_several_words_on_a_part_the_last_state_counts() {
    let mut bench = Bench::new();
    let steps = steps("machinist", Side::Above, 10);
    bench.work.jobs = vec![job("cooler", steps, Some("bundle"))];
    bench.defects = vec![defect(1, "cooler", Priority::High, 4)];
    let on_hand = |bench: &Bench| bench.sheet().tasks[0].part.clone().unwrap().on_hand;
    assert_eq!(on_hand(&bench), OnHand::Unknown, "nobody said");
    bench.said("bundle", Some(true), NOW - HOUR);
    bench.said("bundle", Some(false), NOW - 2 * HOUR);
    assert_eq!(on_hand(&bench), OnHand::Yes);
}

fn fuel(bench: &mut Bench) {
    bench.work.fills = vec![Fill {
        name: "fuel".to_owned(),
        class: None,
        level: ChannelName::new("fuel.level").unwrap(),
        full: None,
        keep: 0.2,
        use_per_h: Some(100.0),
        steps: steps("laborer", Side::Below, 20),
    }];
    bench.levels = vec![LevelSeen {
        fill: "fuel".to_owned(),
        newest: Some((at(NOW - HOUR), 6_000.0)),
        is_silent: false,
        own_use_per_h: Some(200.0),
        ucum: "L".to_owned(),
        full: Some(10_000.0),
    }];
}

// By hand: 6,000 L an hour ago at 200 L/h is 5,400 L at the arrival 2 h from now, and 600 L at the next stop
// 26 h from now, where 2,000 L must be left. 4,000 L of room last 20 h.
#[test]
fn a_level_is_carried_to_the_next_stop() {
    let mut bench = Bench::new();
    fuel(&mut bench);
    let sheet = bench.sheet();
    let line = &sheet.fills[0];
    let near = |value: Option<f64>, expected: f64| {
        assert!(
            (value.unwrap() - expected).abs() < 1e-6,
            "{value:?}, not {expected}"
        );
    };
    near(line.at_arrival, 5_400.0);
    near(line.at_next_stop, 600.0);
    near(line.to_fill, 4_600.0);
    assert_eq!(line.short_at, Some(at(NOW + 19 * HOUR)));
    assert_eq!(line.use_per_h, Some((200.0, UseFrom::OwnUse)));
    assert_eq!(line.need, FillNeed::Needed);
    assert_eq!(of(&sheet), named(&[("fuel", Verdict::Do)]));
    // With half the use it lasts: 6,000 - 27 x 100 = 3,300 L, and there is no work.
    bench.levels[0].own_use_per_h = None;
    let sheet = bench.sheet();
    near(sheet.fills[0].at_next_stop, 3_300.0);
    assert_eq!(sheet.fills[0].use_per_h, Some((100.0, UseFrom::Settings)));
    assert_eq!(
        (sheet.fills[0].need, sheet.tasks.len()),
        (FillNeed::Lasts, 0)
    );
    // Where no arrival says when the next stop is, it is so long after leaving as the settings say.
    bench.next = None;
    bench.work.next_stop_ms = 48 * HOUR;
    let sheet = bench.sheet();
    assert_eq!(sheet.next_stop.at, at(NOW + 51 * HOUR));
    assert_eq!(sheet.next_stop.point, None);
    near(sheet.fills[0].at_next_stop, 800.0);
    assert_eq!(sheet.fills[0].need, FillNeed::Needed);
    // A point that does not fill it says so.
    bench.point.fills.clear();
    assert_eq!(bench.sheet().tasks[0].verdict, Verdict::NotFilledHere);
}

#[test]
fn a_silent_level_is_not_guessed() {
    let mut bench = Bench::new();
    fuel(&mut bench);
    bench.levels[0].is_silent = true;
    let sheet = bench.sheet();
    let line = &sheet.fills[0];
    assert_eq!(
        (line.at_arrival, line.at_next_stop, line.to_fill),
        (None, None, None)
    );
    assert_eq!(line.need, FillNeed::Unknown);
    assert_eq!(
        line.newest,
        Some((at(NOW - HOUR), 6_000.0)),
        "what was last heard is shown"
    );
    assert_eq!(sheet.tasks[0].title, "Gauge fuel, fill if low");
    assert_eq!(
        (sheet.tasks[0].verdict.clone(), sheet.tasks[0].may_wait()),
        (Verdict::Do, None)
    );
    // A level without a use, or without a size, makes no forecast either.
    bench.levels[0].is_silent = false;
    bench.levels[0].own_use_per_h = None;
    bench.work.fills[0].use_per_h = None;
    assert_eq!(bench.sheet().fills[0].need, FillNeed::Unknown);
    fuel(&mut bench);
    bench.levels[0].full = None;
    assert_eq!(bench.sheet().fills[0].need, FillNeed::Unknown);
}

fn shoes(bench: &mut Bench) {
    bench.work.wears = vec![Wear {
        name: "brake shoes".to_owned(),
        class: None,
        ucum: "mm".to_owned(),
        new: 50.0,
        limit: 15.0,
        by: WearBy::Rate {
            rate: -1.4,
            per: WearBasis::Day,
        },
        steps: steps("machinist", Side::Below, 30),
        part: Some("brake shoe".to_owned()),
        source: "a test".to_owned(),
    }];
    bench.wears = vec![WearSeen {
        wear: "brake shoes".to_owned(),
        read: None,
        change_per_h: Some(-1.4 / 24.0),
        used_since: Some(10.0),
    }];
}

// By hand: gauged 31 mm ten days ago at 1.4 mm a day is 17 mm now; the 2 mm left last 1.43 days = 34.3 h, and at
// the next stop in 26 h there are 15.48 mm.
#[test]
fn wear_is_carried_from_the_last_gauging() {
    let mut bench = Bench::new();
    shoes(&mut bench);
    // Nobody said when they were new: nothing is guessed.
    let sheet = bench.sheet();
    assert_eq!((sheet.wears[0].now, sheet.wears[0].is_due), (None, None));
    assert_eq!(of(&sheet), named(&[("brake shoes", Verdict::NotKnown)]));
    bench.did("brake shoes", NOW - 10 * DAY, Some(31.0));
    let sheet = bench.sheet();
    let line = &sheet.wears[0];
    assert!((line.now.unwrap() - 17.0).abs() < 1e-9);
    assert!((line.at_next_stop.unwrap() - (17.0 - 1.4 * 26.0 / 24.0)).abs() < 1e-9);
    let left_ms = line.due_at.unwrap().ms_since(at(NOW));
    assert!(
        (left_ms - 34 * HOUR - 17 * MINUTE).abs() < MINUTE,
        "{left_ms}"
    );
    assert_eq!((line.is_due, sheet.tasks.len()), (Some(false), 0));
    // Two days later by the clock of use it is due before the next stop.
    bench.wears[0].used_since = Some(11.0);
    let sheet = bench.sheet();
    assert_eq!(sheet.wears[0].is_due, Some(true));
    assert_eq!(of(&sheet), named(&[("brake shoes", Verdict::Do)]));
    // Renewed, not gauged: it begins at new.
    bench.care.clear();
    bench.did("brake shoes", NOW - 11 * DAY, None);
    assert!((bench.sheet().wears[0].now.unwrap() - (50.0 - 15.4)).abs() < 1e-9);
    // Months without a word: by the rate they are long gone, and no thickness is under nothing.
    bench.wears[0].used_since = Some(280.0);
    let sheet = bench.sheet();
    let line = &sheet.wears[0];
    assert_eq!((line.now, line.at_next_stop), (Some(0.0), Some(0.0)));
    assert_eq!(line.is_due, Some(true));
}

#[test]
fn inspections_are_due_by_their_days() {
    let mut bench = Bench::new();
    let inspection = |name: &str, every_days| Inspection {
        name: name.to_owned(),
        title: name.to_owned(),
        class: None,
        every_days,
        credits_out_of_use: every_days > 1,
        steps: steps("machinist", Side::Below, 10),
        source: "a test".to_owned(),
    };
    bench.work.inspections = vec![
        inspection("daily", 1),
        inspection("periodic", 92),
        inspection("annual", 368),
        inspection("biennial", 736),
    ];
    // NOW is a midnight. The periodic one made 92 days before may be made all day; the annual one is a day over.
    bench.did("daily", NOW - 2 * HOUR, None);
    bench.did("periodic", NOW - 92 * DAY + 5 * HOUR, None);
    bench.did("annual", NOW - 369 * DAY + 5 * HOUR, None);
    let sheet = bench.sheet();
    let line = |name: &str| {
        sheet
            .inspections
            .iter()
            .find(|line| line.name == name)
            .unwrap()
    };
    assert_eq!(line("periodic").due_by, Some(at(NOW + DAY)));
    assert_eq!(
        (line("periodic").is_due, line("periodic").is_overdue),
        (Some(true), false)
    );
    assert_eq!(
        (line("annual").is_due, line("annual").is_overdue),
        (Some(true), true)
    );
    assert_eq!(
        (line("biennial").due_by, line("biennial").is_due),
        (None, None)
    );
    // Made yesterday at 22:00, today's daily is due today.
    assert_eq!(
        (line("daily").due_by, line("daily").is_overdue),
        (Some(at(NOW + DAY)), false)
    );
    assert_eq!(
        of(&sheet),
        named(&[
            ("annual", Verdict::Do),
            ("daily", Verdict::Do),
            ("periodic", Verdict::Do),
            ("biennial", Verdict::NotKnown),
        ])
    );
    assert_eq!(sheet.tasks[0].priority, Priority::High);
    // 49 CFR 229.9, seen (TRADE): a non-complying unit moves under it.
    let text = texts(&sheet);
    assert!(
        text.contains("Overdue: ") && text.contains("49 CFR 229.9"),
        "{text}"
    );
}

#[test]
fn what_people_planned_for_another_stop_waits_for_that() {
    let mut bench = Bench::new();
    let steps = steps("machinist", Side::Above, 10);
    bench.work.jobs = vec![job("cooler", steps, Some("bundle"))];
    let plan = |service_point: &str, at_h: Option<i64>, part: &str| Plan {
        service_point: service_point.to_owned(),
        at: at_h.map(|hours| at(NOW + hours * HOUR)),
        part: part.to_owned(),
        ..Plan::default()
    };
    let mut task = |plan: Plan| {
        bench.defects = vec![Defect {
            plan: Some(plan),
            ..defect(1, "cooler", Priority::High, 12)
        }];
        bench.sheet().tasks.remove(0)
    };
    // Here, or anywhere: it is done, with the part that the plan names.
    let here = task(plan("Burbot Yard", Some(2), "bundle of the old kind"));
    assert_eq!(here.verdict, Verdict::Do);
    assert_eq!(here.part.unwrap().part, "bundle of the old kind");
    assert_eq!(task(plan("", None, "")).part.unwrap().part, "bundle");
    // Elsewhere before it is due: it may wait. After that: it may not, as the next stop is too late as well.
    let elsewhere = task(plan("Pike Lock", Some(10), ""));
    assert_eq!(
        elsewhere.why(),
        "planned at Pike Lock for 2026-03-02 10:00 UTC"
    );
    assert_eq!(elsewhere.may_wait(), Some(true));
    assert_eq!(
        task(plan("Pike Lock", Some(14), "")).may_wait(),
        Some(false)
    );
    assert_eq!(task(plan("Pike Lock", None, "")).may_wait(), Some(false));
    // Here, but at a later stop.
    assert_eq!(
        task(plan("Burbot Yard", Some(26), "")).why(),
        "planned at Burbot Yard for 2026-03-03 02:00 UTC"
    );
}

#[test]
fn what_the_desk_said_stands_with_the_work() {
    let mut bench = Bench::new();
    bench.defects = vec![Defect {
        begun: Some(("shop".to_owned(), ServerTime::from_unix_ms(SERVER_NOW))),
        said: Some(Said {
            disposition: Disposition::Restrict,
            how: "notch 6".to_owned(),
            by: "desk".to_owned(),
            at: ServerTime::from_unix_ms(SERVER_NOW),
        }),
        ..defect(1, "cooler", Priority::High, 12)
    }];
    assert_eq!(
        bench.sheet().tasks[0].remark,
        "in work, said by shop; the desk said: restrict (notch 6)"
    );
}

fn texts(sheet: &Sheet) -> String {
    let texts: Vec<&str> = sheet
        .cautions
        .iter()
        .map(|caution| caution.text.as_str())
        .collect();
    texts.join("\n")
}

#[test]
fn protection_comes_first_and_a_trip_keeps_the_engine_still() {
    let mut bench = Bench::new();
    let sheet = bench.sheet();
    // 49 CFR 218.29, seen (TRADE): blue signal on engine servicing tracks; local rules win.
    assert!(
        sheet.cautions[0]
            .text
            .contains("blue signal up, unit locked out")
    );
    assert!(sheet.cautions[0].text.contains("Local rules"));
    let text = texts(&sheet);
    assert!(text.contains("can crank at any moment"), "{text}");
    assert!(text.contains("Capacitors") && text.contains("Air") && text.contains("Coolant"));
    assert!(!text.contains("do not restart"), "{text}");
    assert!(
        sheet
            .cautions
            .iter()
            .all(|caution| !caution.is_of_this_unit)
    );

    let mut said = |value| {
        bench.states.set(Dated {
            from: at(NOW - HOUR),
            value,
            source: "a test".to_owned(),
        });
        texts(&bench.sheet())
    };
    assert!(said(UnitState::StoppedAuto).contains("The automatic stop has stopped this engine"));
    // Stopped by hand: people err, and the engine may have an automatic stop all the same.
    assert!(said(UnitState::StoppedManual).contains("may have been stopped automatically"));
    assert!(said(UnitState::StoppedTrip).contains("which one is not known here"));
    said(UnitState::Working);
    bench.tripped_at = Some(at(NOW - HOUR));
    let text = texts(&bench.sheet());
    assert!(
        text.contains("stopped by a trip at 2026-03-01T23:00:00Z"),
        "{text}"
    );

    bench.defects = vec![defect(1, "crankcase", Priority::Urgent, 0)];
    let text = texts(&bench.sheet());
    assert!(
        text.contains(
            "Crankcase pressure was called: do not restart the engine, do not open covers"
        )
    );
    assert!(!text.contains("which one is not known"), "{text}");
}

#[test]
fn a_jobs_caution_is_said_with_the_first_things() {
    let mut bench = Bench::new();
    let mut cooler = job("cooler", steps("machinist", Side::Above, 10), None);
    cooler.caution = Some("Oil stays hot for an hour.".to_owned());
    bench.work.jobs = vec![cooler];
    bench.defects = vec![defect(1, "cooler", Priority::High, 4)];
    assert!(texts(&bench.sheet()).ends_with("cooler at fault: Oil stays hot for an hour."));
}

#[test]
fn a_finding_owed_is_no_work() {
    let mut bench = Bench::new();
    bench.defects = vec![defect(7, "crankcase", Priority::High, 4)];
    bench.owed = vec![7];
    let sheet = bench.sheet();
    assert_eq!((sheet.tasks.len(), sheet.owed), (0, vec![DefectId(7)]));
    assert_eq!((sheet.chain.minutes, sheet.all_minutes), (0, None));
}

#[test]
fn a_unit_that_is_not_heard_is_called_silent() {
    let mut bench = Bench::new();
    assert!(!bench.sheet().health.is_silent);
    bench.newest = Some(at(NOW - 16 * MINUTE));
    assert!(bench.sheet().health.is_silent);
    bench.newest = None;
    assert!(bench.sheet().health.is_silent);
}
