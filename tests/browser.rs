//! The promise: the pages do in a browser what they say: they show an alert as it comes and say so
//! when they are not up to date, they can be worked by the keyboard alone, plots move, paper has all
//! that counts, and nothing on them keeps anybody out.
//!
//! On the real program, with a day of the demonstration's fleet in its store. Pictures are kept in
//! `tmp/browser` of the target folder, for people.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use serde_json::Value;
use std::collections::{BTreeMap, VecDeque};
use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::OnceLock;
use std::time::{SystemTime, UNIX_EPOCH};
use tempfile::TempDir;
use wheeltap_client::{BatchBuilder, Gateway, GatewayOptions, MemorySpool, Packing, connect_lazy};
use wheeltap_model::{ChannelName, UnitId};
use wheeltap_tests::browser::{Browser, Key, Tab, axe, demo_file, keep, n_pages};
use wheeltap_tests::{Service, wheeltap};

/// Units that no day was played for: a test sends what it needs.
const SPARE: [&str; 2] = ["ZVR 4191", "ZVR 4192"];
const WIDE: (u32, u32) = (1_280, 900);
const TABLET: (u32, u32) = (820, 1_180);
const PHONE: (u32, u32) = (390, 844);

/// A store with a day of some units of the demonstration, made once for all tests.
fn played() -> &'static Path {
    static PLAYED: OnceLock<TempDir> = OnceLock::new();
    PLAYED
        .get_or_init(|| {
            let folder = tempfile::tempdir().unwrap();
            let output = Command::new(wheeltap())
                .args(["demo", "--units", "4", "--json", "--data"])
                .arg(folder.path().join("data"))
                .output()
                .unwrap();
            assert!(
                output.status.success(),
                "{}",
                String::from_utf8_lossy(&output.stderr)
            );
            folder
        })
        .path()
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &to.join(entry.file_name()));
        } else {
            fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
        }
    }
}

/// A service of one test, on a copy of the played day.
struct Railway {
    folder: TempDir,
}

impl Railway {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        copy(&played().join("data"), &folder.path().join("data"));
        let units = SPARE.map(|unit| format!("[[unit]]\nid = \"{unit}\"\nclass = \"Marten\"\n"));
        fs::write(folder.path().join("roster.toml"), units.concat()).unwrap();
        let settings = format!(
            "data = \"data\"\nroster = \"roster.toml\"\ncatalogue = ['{}']\nrules = '{}'\nwork = ['{}']\n",
            demo_file("catalogue.toml").display(),
            demo_file("rules").display(),
            demo_file("work.toml").display()
        );
        fs::write(folder.path().join("wheeltap.toml"), settings).unwrap();
        Self { folder }
    }

    fn serve(&self, listen: &str, pages: &str) -> Service {
        let mut command = Command::new(wheeltap());
        command
            .arg("serve")
            .arg("--config")
            .arg(self.folder.path().join("wheeltap.toml"))
            .args(["--listen", listen, "--pages", pages]);
        Service::start(command).unwrap()
    }

    fn start(&self) -> Service {
        self.serve("127.0.0.1:0", "127.0.0.1:0")
    }
}

fn now_ms() -> i64 {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    i64::try_from(now.as_millis()).unwrap()
}

/// Says who acts in this browser, by the keyboard.
fn say_who(tab: &Tab<'_>, pages: &str, name: &str) {
    tab.open(&format!("{pages}/you"));
    tab.value("document.querySelector('#name').focus()");
    tab.type_text(name);
    tab.then_loads(|| tab.press(Key::Enter));
    let shown = "document.querySelector('.you').textContent";
    assert_eq!(tab.text(shown), name);
}

/// Says on the point's page, by the keyboard, that the silent unit comes in, and opens the sheet of that stop.
fn open_a_sheet(tab: &Tab<'_>, pages: &str) {
    say_who(tab, pages, "Ada Brook");
    tab.open(&format!("{pages}/service/Burbot%20Yard"));
    tab.value("document.querySelector('#unit').focus()");
    tab.type_text("ZVR 4102");
    tab.press(Key::Tab);
    tab.type_text("2 h");
    tab.then_loads(|| tab.press(Key::Enter));
    tab.until("document.querySelector('.said')?.textContent.includes('on the list')");
    tab.picture("point");
    tab.then_loads(|| tab.click(".stops a"));
    tab.until("document.querySelector('.sheet')");
}

/// A minute, which ended `ago_s` before now, in which a unit moves and one of its axles does not: the
/// demonstration's rule `axle-not-turning` rings at once, whatever else is going on.
async fn an_axle_does_not_turn(address: &str, unit: &str, standing: u32, ago_s: i64) {
    let gateway = Gateway::start(
        connect_lazy(address).unwrap(),
        GatewayOptions::default(),
        |_| {},
    );
    let source = gateway
        .add(UnitId::new(unit).unwrap(), MemorySpool::new(1 << 20))
        .unwrap();
    let last_ms = (now_ms() / 1_000 - 1 - ago_s) * 1_000;
    let times: Vec<i64> = (0..60)
        .map(|second| last_ms - 59_000 + second * 1_000)
        .collect();
    let mut builder = BatchBuilder::new(Packing::Plain);
    let mut add = |name: &str, value: f64| {
        let name = ChannelName::new(name).unwrap();
        builder
            .samples(&name, "", &times, &[value; 60], &[])
            .unwrap();
    };
    add("unit.speed", 40.0);
    for axle in 1..=6 {
        let speed = if axle == standing { 0.0 } else { 40.0 };
        add(&format!("traction.axle.{axle}.speed"), speed);
    }
    source.append(builder.build().unwrap()).await.unwrap();
    source.drained().await;
    gateway.stop().await;
}

/// The number of the open defect of a unit, as the board's row has it: `#d7`.
fn row_of(tab: &Tab<'_>, unit: &str) -> String {
    let row = format!(
        "[...document.querySelectorAll('.row')].find((r) => r.textContent.includes('{unit}'))"
    );
    tab.until(&row);
    tab.text(&format!("({row}).id"))
}

fn no_errors(tab: &Tab<'_>) {
    assert_eq!(tab.errors(), [] as [String; 0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_comes_is_taken_on_and_a_lost_connection_misses_nothing() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    let (address, pages) = (service.address().to_owned(), service.pages().to_owned());
    let tab = browser.tab(WIDE.0, WIDE.1);
    say_who(&tab, &pages, "Ada Brook");
    tab.open(&pages);
    tab.until("document.querySelector('#fresh').textContent.startsWith('Up to date, ')");
    let waiting_before = tab.number("parseInt(document.querySelector('#waiting').textContent)");
    assert!(waiting_before >= 1.0, "the day left nothing on the board");
    tab.picture("board-light-wide");

    // It comes by itself: the page is not loaded again.
    tab.value("window.isSame = true");
    an_axle_does_not_turn(&address, SPARE[0], 3, 600).await;
    let row = row_of(&tab, SPARE[0]);
    assert_eq!(tab.value("window.isSame"), true);
    let waiting = tab.number("parseInt(document.querySelector('#waiting').textContent)");
    assert!((waiting - waiting_before - 1.0).abs() < 0.1);
    tab.until(&format!(
        "document.title === '{waiting} wait for an answer: Wheeltap'"
    ));
    // A row is laid out, and has a text to be seen, only from the next frame on.
    for said in ["axle 3", "verify by local rules"] {
        tab.until(&format!(
            "document.getElementById('{row}').innerText.includes('{said}')"
        ));
    }
    tab.picture("board-alert-came");

    // The row becomes another under the hands of who is about to press its button.
    let button = row.replace('d', "t");
    tab.value(&format!("document.querySelector('#{button}').focus()"));
    an_axle_does_not_turn(&address, SPARE[0], 5, 0).await;
    tab.until(&format!(
        "document.querySelector('#{row}').textContent.includes('axle 5')"
    ));
    assert_eq!(tab.text("document.activeElement.id"), button);

    // Taken on, with a note. Others see it without doing anything.
    let other = browser.tab(WIDE.0, WIDE.1);
    other.open(&pages);
    tab.value(&format!(
        "document.querySelector('#{row} input[name=note]').focus()"
    ));
    tab.type_text("crew told 14:05, \"stopping\" <now>");
    tab.then_loads(|| tab.click(&format!("#{row} button")));
    let noted = "crew told 14:05, \"stopping\" <now>";
    for seen in [&tab, &other] {
        seen.to_front();
        seen.until(&format!(
            "document.querySelector('tr#{row}').textContent.includes({})",
            Value::from(noted)
        ));
    }
    assert!(
        tab.text("document.querySelector('.said').textContent")
            .contains("is yours")
    );
    tab.picture("board-taken-on");

    // The service goes: every page says so, and since when.
    tab.value("window.isSame = true");
    let of_unit = browser.tab(WIDE.0, WIDE.1);
    of_unit.open(&format!("{}/units", service.pages()));
    service.kill();
    tab.to_front();
    tab.until("document.querySelector('#fresh.lost')");
    let lost = tab.text("document.querySelector('#fresh').textContent");
    let since = lost
        .strip_prefix("Not updated since ")
        .unwrap_or_else(|| panic!("{lost}"));
    assert!(since.ends_with(" UTC") && since.len() == 23, "{lost}");
    tab.picture("board-lost");
    of_unit.to_front();
    of_unit.until("document.querySelector('#as-of.lost')");
    let lost = of_unit.text("document.querySelector('#as-of').textContent");
    assert!(lost.contains(" UTC; no answer since "), "{lost}");
    // What is on the page stays readable, and one waits for it while the service is away.
    assert!(
        tab.text("document.body.innerText").contains(SPARE[0]),
        "the board went with the service"
    );

    // It comes back, and what happened meanwhile is there.
    let bare = |url: &str| url.strip_prefix("http://").unwrap().to_owned();
    let again = railway.serve(&bare(&address), &bare(&pages));
    an_axle_does_not_turn(again.address(), SPARE[1], 3, 0).await;
    for seen in [&tab, &other] {
        seen.to_front();
        row_of(seen, SPARE[1]);
        seen.until("document.querySelector('#fresh:not(.lost)').textContent.startsWith('Up to')");
    }
    assert_eq!(tab.value("window.isSame"), true);
    of_unit.to_front();
    of_unit.until("document.querySelector('#as-of:not(.lost)')");
    no_errors(&tab);
    no_errors(&other);
}

// A browser keeps six connections a host, and pages that were left for a while.
#[test]
fn a_board_left_again_and_again_gives_its_connection_back() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    let tab = browser.tab(WIDE.0, WIDE.1);
    tab.open(service.pages());
    for n in 0..10 {
        tab.until("document.querySelector('#fresh').textContent.startsWith('Up to date, ')");
        tab.then_loads(|| drop(tab.value(&format!("location.assign('/?n={n}')"))));
    }
    no_errors(&tab);
}

#[test]
fn what_is_shelved_leaves_the_board_with_its_reason() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    let tab = browser.tab(WIDE.0, WIDE.1);
    tab.open(service.pages());
    tab.until("document.querySelector('#board details summary')");
    let row = tab.text("document.querySelector('#board details').closest('li').id");
    tab.click(&format!("#{row} details summary"));
    tab.until(&format!("document.querySelector('#{row} details').open"));
    tab.picture("board-shelving");
    tab.value(&format!(
        "document.querySelector('#{row} input[name=reason]').focus()"
    ));
    tab.type_text("sensor on order");
    tab.then_loads(|| tab.press(Key::Enter));
    // Whoever acts for the first time is asked who that is, and types nothing twice.
    tab.until("document.activeElement.id === 'your_name'");
    tab.picture("who-are-you");
    if let Some(axe) = axe() {
        assert_eq!(tab.violations(&axe), [] as [String; 0]);
    }
    tab.type_text("Zo\u{eb} Brook");
    tab.then_loads(|| tab.press(Key::Enter));
    for said in ["sensor on order", "Zo\u{eb} Brook"] {
        tab.until(&format!(
            "document.querySelector('tr#{row}').textContent.includes('{said}')"
        ));
    }
    assert_eq!(
        tab.text("document.querySelector('.you').textContent"),
        "Zo\u{eb} Brook"
    );
    tab.picture("board-shelved");
}

#[test]
fn a_form_that_is_refused_stands_there_filled_in_and_is_sent_again() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    let (mine, other) = (browser.tab(WIDE.0, WIDE.1), browser.tab(WIDE.0, WIDE.1));
    say_who(&mine, service.pages(), "Ada Brook");
    let defect = format!("{}/defects/1", service.pages());
    for tab in [&mine, &other] {
        tab.open(&defect);
        tab.value("document.querySelector('#point').closest('details').open = true");
    }
    let plan = |tab: &Tab<'_>, when: &str, craft: &str| {
        tab.value("document.querySelector('#point').value = 'Burbot Yard'");
        for (field, text) in [("#when", when), ("#craft", craft)] {
            tab.value(&format!("document.querySelector('{field}').value = ''"));
            tab.value(&format!("document.querySelector('{field}').focus()"));
            tab.type_text(text);
        }
        tab.then_loads(|| tab.press(Key::Enter));
    };
    plan(&other, "8 h", "mechanical");
    mine.to_front();
    plan(&mine, "6 h", "electrical \"B\"");
    // It is seen and read first, with no script's help; the next stop of the keyboard is the form.
    mine.until("document.activeElement.id === 'refused'");
    let told = mine.text("document.activeElement.innerText");
    for said in ["was changed meanwhile", "send the form again"] {
        assert!(told.contains(said), "{told}");
    }
    let place = "document.activeElement.getBoundingClientRect()";
    mine.until(&format!(
        "{place}.top >= 0 && {place}.bottom <= innerHeight"
    ));
    mine.picture("form-refused");
    mine.press(Key::Tab);
    assert_eq!(mine.text("document.activeElement.id"), "point");
    for (field, text) in [
        ("point", "Burbot Yard"),
        ("when", "6 h"),
        ("craft", "electrical \"B\""),
    ] {
        assert_eq!(
            mine.text(&format!("document.getElementById('{field}').value")),
            text
        );
    }
    // Others see what the first had planned; whoever looked at it sends the form again.
    let plan_now = "document.querySelector('dl.facts').innerText";
    assert!(mine.text(plan_now).contains("planned at Burbot Yard"));
    mine.then_loads(|| mine.press(Key::Enter));
    assert_eq!(
        mine.text("document.querySelector('.said').innerText"),
        "It is kept."
    );
    mine.until("document.querySelector('#craft').value === 'electrical \"B\"'");
    no_errors(&other);
}

/// The unit whose oil pressure sensor goes silent on the played day.
const SILENT: &str = "/units/ZVR%204102";
/// Every plot was drawn from what was measured, and every channel looked up.
const DRAWN: &str = "document.querySelector('h1') &&
    !document.querySelector('#heard')?.textContent.includes('looked up') &&
    [...document.querySelectorAll('canvas')].every((c) => c.ariaLabel.includes('mean'))";

/// The stretch that the last request for points was about, in milliseconds: the view and half of it
/// on each side.
const ASKED: &str = "(() => {
    const asked = performance.getEntriesByType('resource').filter((e) => e.name.includes('/series?'));
    const query = new URL(asked[asked.length - 1].name).searchParams;
    const from = Number(query.get('from')), to = Number(query.get('to'));
    return { n: asked.length, span: (to - from) / 2, middle: (from + to) / 2 };
})()";

/// Does something with a plot, waits until it is drawn from new points, and gives the view's span and
/// middle.
fn view_after(tab: &Tab<'_>, act: impl FnOnce()) -> (f64, f64) {
    let n = tab.number(&format!("{ASKED}.n"));
    act();
    let n_plots = tab.number("document.querySelectorAll('canvas').length");
    tab.until(&format!("{ASKED}.n >= {}", n + n_plots));
    (
        tab.number(&format!("{ASKED}.span")),
        tab.number(&format!("{ASKED}.middle")),
    )
}

#[test]
fn plots_move_by_keyboard_and_by_mouse() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    let tab = browser.tab(WIDE.0, WIDE.1);
    tab.open(&format!("{}{SILENT}", service.pages()));
    tab.until(DRAWN);
    let day_ms = 86_400_000.0;
    assert!(tab.number("document.querySelectorAll('canvas').length") >= 2.0);
    let middle = tab.number(&format!("{ASKED}.middle"));
    let span = tab.number(&format!("{ASKED}.span"));
    let close = |a: f64, b: f64| (a - b).abs() < 2_000.0;
    assert!(close(span, day_ms), "{span}");

    tab.tab_to("canvas");
    let (span_in, middle_in) = view_after(&tab, || tab.type_text("+"));
    assert!(close(span_in, day_ms / 2.0) && close(middle_in, middle));
    let (span_left, middle_left) = view_after(&tab, || tab.press(Key::Left));
    assert!(close(span_left, span_in) && close(middle_left, middle - span_in / 5.0));
    let (_, middle_right) = view_after(&tab, || tab.press(Key::Right));
    assert!(close(middle_right, middle));
    let (span_out, _) = view_after(&tab, || tab.type_text("-"));
    assert!(close(span_out, day_ms));
    view_after(&tab, || tab.type_text("+"));
    let (span_home, middle_home) = view_after(&tab, || tab.press(Key::Home));
    assert!(close(span_home, day_ms) && close(middle_home, middle));

    // The wheel zooms about the pointer, the button drags.
    let place = tab.value(
        "(() => { const c = document.querySelector('canvas'); c.scrollIntoView({ block: 'center' });
           const r = c.getBoundingClientRect(); return [r.x, r.y, r.width, r.height]; })()",
    );
    let side = |at: usize| place[at].as_f64().unwrap();
    let (x, y, width, height) = (side(0), side(1), side(2), side(3));
    let at = |share: f64| (x + width * share, y + height / 2.0);
    let (span_wheel, middle_wheel) = view_after(&tab, || tab.wheel(at(0.75), -100.0));
    assert!(close(span_wheel, day_ms * 0.8), "{span_wheel}");
    assert!(middle_wheel > middle, "it zooms about the pointer");
    let (span_drag, middle_drag) = view_after(&tab, || tab.drag(at(0.5), at(0.7)));
    assert!(close(span_drag, span_wheel));
    assert!(
        middle_drag < middle_wheel - span_wheel * 0.15,
        "dragging to the right shows what was before"
    );
    // What the pointer is at is told in words, and so is the whole plot.
    tab.pointer("mouseMoved", x + width * 0.6, y + height / 2.0);
    tab.until("/\\d( \\S+)?, 2026-03-0/.test(document.querySelector('.read').textContent)");
    tab.until(DRAWN);
    tab.picture("unit-light-wide");
    no_errors(&tab);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_board_is_worked_by_the_keyboard_alone() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    an_axle_does_not_turn(service.address(), SPARE[0], 3, 0).await;
    let tab = browser.tab(TABLET.0, TABLET.1);
    say_who(&tab, service.pages(), "Ada Brook");
    tab.open(service.pages());
    let row = row_of(&tab, SPARE[0]);
    // Whatever takes the focus shows it.
    tab.press(Key::Tab);
    assert_eq!(
        tab.text("getComputedStyle(document.activeElement).outlineStyle"),
        "solid"
    );
    tab.tab_to(&format!("#{row} input[name=note]"));
    assert_eq!(
        tab.text("getComputedStyle(document.activeElement).outlineStyle"),
        "solid"
    );
    tab.type_text("dispatcher called");
    // News that come meanwhile leave the focus and the words where they are.
    an_axle_does_not_turn(service.address(), SPARE[1], 3, 0).await;
    row_of(&tab, SPARE[1]);
    tab.type_text(" at 9");
    assert_eq!(
        tab.text("document.activeElement.value"),
        "dispatcher called at 9"
    );
    tab.then_loads(|| tab.press(Key::Enter));
    tab.until(&format!(
        "document.querySelector('tr#{row}').textContent.includes('dispatcher called at 9')"
    ));
    tab.tab_to(&format!("tr#{row} a"));
    tab.then_loads(|| tab.press(Key::Enter));
    assert_eq!(
        tab.text("document.querySelector('h1').textContent"),
        SPARE[0]
    );
    tab.tab_to("nav a[href='/']");
    tab.then_loads(|| tab.press(Key::Enter));
    tab.until("document.querySelector('#waiting')");
    no_errors(&tab);
}

/// One address of each kind of page that can be reached by links from the board, and two that go
/// wrong. Pages of a kind differ in one part of the path.
fn kinds_of_pages(tab: &Tab<'_>, pages: &str) -> Vec<String> {
    let mut kinds: BTreeMap<String, String> = BTreeMap::new();
    let mut open = VecDeque::from(["/".to_owned(), SILENT.to_owned()]);
    while let Some(path) = open.pop_front() {
        let kind: Vec<&str> = path
            .split('?')
            .next()
            .unwrap()
            .split('/')
            .enumerate()
            .map(|(idx, part)| if idx == 2 { "*" } else { part })
            .collect();
        if kinds.contains_key(&kind.join("/")) {
            continue;
        }
        kinds.insert(kind.join("/"), path.clone());
        tab.open(&format!("{pages}{path}"));
        let links = tab.value(
            "[...document.querySelectorAll('a[href]')].map((a) => new URL(a.href))
               .filter((u) => u.origin === location.origin).map((u) => u.pathname + u.search)",
        );
        for link in links.as_array().unwrap() {
            open.push_back(link.as_str().unwrap().to_owned());
        }
    }
    kinds.into_values().collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn no_page_keeps_anybody_out() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let Some(axe) = axe() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    an_axle_does_not_turn(service.address(), SPARE[0], 3, 0).await;
    let tab = browser.tab(WIDE.0, WIDE.1);
    open_a_sheet(&tab, service.pages());
    let mut paths = kinds_of_pages(&tab, service.pages());
    assert!(paths.len() >= 5, "{paths:?}");
    paths.push("/units/none".to_owned());
    let mut found = Vec::new();
    for path in &paths {
        for (scheme, size, called) in [("light", WIDE, "wide"), ("dark", TABLET, "tablet")] {
            tab.media(scheme, "screen");
            tab.size(size.0, size.1);
            tab.open(&format!("{}{path}", service.pages()));
            tab.until("document.fonts.status === 'loaded'");
            tab.picture(&format!("page{}-{scheme}-{called}", as_name(path)));
            for violation in tab.violations(&axe) {
                found.push(format!("{path} {scheme} {called}: {violation}"));
            }
            let over = tab.number(
                "document.documentElement.scrollWidth - document.documentElement.clientWidth",
            );
            if over > 0.0 {
                found.push(format!("{path} {scheme} {called}: {over} px too wide"));
            }
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n\n"));
    // The check can fail.
    tab.value("document.body.insertAdjacentHTML('beforeend', '<img src=\"/none.png\">')");
    assert!(
        tab.violations(&axe)
            .iter()
            .any(|line| line.starts_with("image-alt"))
    );
    no_errors(&tab);
}

/// A path as a part of a file's name.
fn as_name(path: &str) -> String {
    let letters = path.chars().map(|letter| match letter {
        'a'..='z' | '0'..='9' | 'A'..='Z' => letter,
        _ => '-',
    });
    letters.take(60).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn no_page_scrolls_sideways_on_a_phone() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    an_axle_does_not_turn(service.address(), SPARE[0], 3, 0).await;
    let tab = browser.tab(WIDE.0, WIDE.1);
    open_a_sheet(&tab, service.pages());
    let mut paths = kinds_of_pages(&tab, service.pages());
    assert!(paths.len() >= 5, "{paths:?}");
    let rule = paths.iter().find(|path| path.starts_with("/rules/"));
    let rule = rule.unwrap().split('?').next().unwrap().to_owned();
    tab.open(&format!("{}{rule}", service.pages()));
    let version = tab.text("document.querySelector('form.acts [name=version]').value");
    for stage in ["trial", "retired"] {
        paths.push(format!("{rule}/stage?stage={stage}&version={version}"));
    }
    tab.size(PHONE.0, PHONE.1);
    let over = || {
        tab.number("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    };
    let mut found = Vec::new();
    for path in &paths {
        tab.open(&format!("{}{path}", service.pages()));
        tab.until("document.fonts.status === 'loaded'");
        tab.until("!document.querySelector('#heard > p')?.textContent.includes('looked up')");
        // What is folded away can be opened.
        tab.value("document.querySelectorAll('details').forEach((part) => (part.open = true))");
        tab.picture(&format!("page{}-phone", as_name(path)));
        let too_wide = over();
        if too_wide > 0.0 {
            let widest = tab.text(
                "[...document.querySelectorAll('body *')].filter((e) => !e.closest('.box, .across, .chart') &&
                   e.getBoundingClientRect().right > document.documentElement.clientWidth).map((e) => e.outerHTML.slice(0, 120)).slice(-3).join(' | ')",
            );
            found.push(format!("{path}: {too_wide} px too wide: {widest}"));
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n\n"));
    // The check can fail.
    tab.value("document.body.insertAdjacentHTML('beforeend', `<pre>${'wide '.repeat(99)}</pre>`)");
    assert!(over() > 0.0);
    no_errors(&tab);
}

#[test]
fn pages_go_on_paper() {
    let Some(browser) = Browser::start() else {
        return;
    };
    let railway = Railway::new();
    let service = railway.start();
    let tab = browser.tab(WIDE.0, WIDE.1);
    open_a_sheet(&tab, service.pages());
    tab.picture("sheet");
    let sheet = tab.text("location.pathname + location.search");
    assert_eq!(
        tab.text("document.querySelector('.sheet h2').textContent"),
        "First"
    );
    for (path, name, n_most) in [("/", "board", 4), (SILENT, "unit", 4), (&sheet, "sheet", 1)] {
        tab.media("dark", "screen");
        tab.open(&format!("{}{path}", service.pages()));
        tab.until(DRAWN);
        // On paper nothing can be typed, and ink is dark whatever the screen prefers.
        tab.media("dark", "print");
        let pdf = tab.print();
        keep(&format!("{name}.pdf"), &pdf);
        assert!(
            (1..=n_most).contains(&n_pages(&pdf)),
            "{path}: {}",
            n_pages(&pdf)
        );
        let seen = tab.value(
            "[...document.querySelectorAll('form, button, input')].filter((e) => e.checkVisibility()).length",
        );
        assert_eq!(seen, 0, "{path}: forms on paper");
        let light = tab.value(
            "[...document.querySelectorAll('body *')].filter((e) => e.checkVisibility() &&
               [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim()))
               .filter((e) => { const [r, g, b] = getComputedStyle(e).color.match(/\\d+/g).map(Number);
                 return 0.2126 * r + 0.7152 * g + 0.0722 * b > 130; })
               .map((e) => e.textContent.trim().slice(0, 40))",
        );
        assert_eq!(light, Value::Array(Vec::new()), "{path}: pale on paper");
    }
    no_errors(&tab);
}
