//! A headless Chromium, driven over its DevTools protocol through a pair of pipes: what a person
//! sees, types and points at, on the pages of the real program.
//!
//! The protocol is JSON ended by zero bytes, of which a test needs a dozen calls; the libraries for
//! it generate some 60,000 lines for all of them.
//!
//! `CHROMIUM` names the program where it is not on the path.

use crate::missing;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use serde_json::{Value, json};
use std::collections::HashMap;
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, mpsc};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Nothing here takes a tenth of it.
const PATIENCE: Duration = Duration::from_secs(30);
const NAMES: [&str; 4] = [
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
];

/// Where Chromium is, if anywhere.
fn program() -> Option<PathBuf> {
    if let Some(named) = std::env::var_os("CHROMIUM") {
        return Some(PathBuf::from(named));
    }
    let path = std::env::var_os("PATH")?;
    std::env::split_paths(&path)
        .flat_map(|folder| NAMES.map(|name| folder.join(name)))
        .find(|file| file.is_file())
}

/// The folder with this build's profiles.
fn target() -> PathBuf {
    let own = std::env::current_exe().unwrap();
    own.ancestors().nth(3).unwrap().to_owned()
}

/// The script that checks a page for what keeps people out, as fetched by `tests/run`. Without it
/// it says so and gives `None`; with `CI=true` it fails.
pub fn axe() -> Option<String> {
    let file = target().join("browser-tools/node_modules/axe-core/axe.min.js");
    let script = fs::read_to_string(&file).ok();
    if script.is_none() {
        missing(&format!(
            "axe-core, which ./tests/run fetches with npm, is not at {}",
            file.display()
        ));
    }
    script
}

/// A running browser; ended when dropped.
pub struct Browser {
    child: Child,
    to: Mutex<Option<ChildStdin>>,
    shared: Arc<Heard>,
    next: AtomicU64,
    _profile: TempDir,
}

#[derive(Default)]
struct Heard {
    answers: Mutex<HashMap<u64, mpsc::Sender<Value>>>,
    events: Mutex<Vec<Value>>,
    came: Condvar,
}

impl Browser {
    /// Starts one. Where there is none it says so and gives `None`; with `CI=true` it fails.
    pub fn start() -> Option<Self> {
        let Some(program) = program() else {
            missing("no Chromium is here: install it, or name it by CHROMIUM");
            return None;
        };
        let profile = tempfile::tempdir().unwrap();
        let mut child = Command::new("sh")
            // The browser reads calls from descriptor 3 and writes answers to 4.
            .args([
                "-c",
                "exec \"$@\" 3<&0 4>&1 </dev/null >/dev/null 2>&1",
                "sh",
            ])
            .arg(program)
            .arg(format!("--user-data-dir={}", profile.path().display()))
            .args([
                "--headless",
                "--remote-debugging-pipe",
                // Containers and root have no sandbox; only our own pages are opened.
                "--no-sandbox",
                "--disable-gpu",
                "--disable-dev-shm-usage",
                "--no-first-run",
                "--disable-background-networking",
                "--disable-component-update",
                "--disable-extensions",
                // Several tabs are one test's desks, all of them looked at.
                "--disable-background-timer-throttling",
                "--disable-backgrounding-occluded-windows",
                "--disable-renderer-backgrounding",
                "--force-color-profile=srgb",
            ])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let from = BufReader::new(child.stdout.take().unwrap());
        let to = Mutex::new(child.stdin.take());
        let shared = Arc::new(Heard::default());
        let hearing = Arc::clone(&shared);
        std::thread::spawn(move || hear(from, &hearing));
        Some(Self {
            child,
            to,
            shared,
            next: AtomicU64::new(1),
            _profile: profile,
        })
    }

    /// An empty page of its own, so wide and high.
    pub fn tab(&self, width: u32, height: u32) -> Tab<'_> {
        let made = self.call("", "Target.createTarget", json!({ "url": "about:blank" }));
        let attached = self.call(
            "",
            "Target.attachToTarget",
            json!({ "targetId": made["targetId"], "flatten": true }),
        );
        let tab = Tab {
            browser: self,
            target: made["targetId"].as_str().unwrap().to_owned(),
            session: attached["sessionId"].as_str().unwrap().to_owned(),
        };
        for domain in ["Page.enable", "Runtime.enable", "Log.enable"] {
            tab.call(domain, json!({}));
        }
        tab.size(width, height);
        tab
    }

    fn call(&self, session: &str, method: &str, params: Value) -> Value {
        let id = self.next.fetch_add(1, Ordering::Relaxed);
        let (answer, answered) = mpsc::channel();
        self.shared.answers.lock().unwrap().insert(id, answer);
        let mut message = json!({ "id": id, "method": method });
        message["params"] = params;
        if !session.is_empty() {
            message["sessionId"] = session.into();
        }
        let mut bytes = serde_json::to_vec(&message).unwrap();
        bytes.push(0);
        {
            let mut to = self.to.lock().unwrap();
            to.as_mut().unwrap().write_all(&bytes).unwrap();
        }
        let mut answer = answered
            .recv_timeout(PATIENCE)
            .unwrap_or_else(|_| panic!("Chromium did not answer {method}"));
        assert!(
            answer["error"].is_null(),
            "{method}: {}",
            answer["error"]["message"]
        );
        answer["result"].take()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        // It ends when nobody can call it any more; it may have ended already.
        drop(self.to.lock().map(|mut to| to.take()));
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn hear(mut from: impl BufRead, heard: &Heard) {
    let mut bytes = Vec::new();
    while from.read_until(0, &mut bytes).is_ok_and(|n| n > 0) {
        bytes.pop();
        let message: Value = serde_json::from_slice(&bytes).unwrap();
        bytes.clear();
        if let Some(id) = message["id"].as_u64() {
            let answer = heard.answers.lock().unwrap().remove(&id);
            // Whoever asked may have given up.
            let _ = answer.map(|answer| answer.send(message));
        } else {
            heard.events.lock().unwrap().push(message);
            heard.came.notify_all();
        }
    }
}

/// One page of a [`Browser`].
pub struct Tab<'b> {
    browser: &'b Browser,
    target: String,
    session: String,
}

/// A key that types nothing by itself.
#[derive(Clone, Copy, Debug)]
pub enum Key {
    /// To the next thing that takes the focus.
    Tab,
    /// To the one before.
    BackTab,
    /// Follows a link, presses a button, sends a form.
    Enter,
    /// Presses a button, ticks a box.
    Space,
    /// Closes what is open.
    Escape,
    /// Left.
    Left,
    /// Right.
    Right,
    /// Up.
    Up,
    /// Down.
    Down,
    /// To the beginning.
    Home,
}

impl Key {
    /// Name, code, and what it types.
    const fn code(self) -> (&'static str, u32, &'static str) {
        match self {
            Self::Tab | Self::BackTab => ("Tab", 9, ""),
            Self::Enter => ("Enter", 13, "\r"),
            Self::Space => (" ", 32, " "),
            Self::Escape => ("Escape", 27, ""),
            Self::Left => ("ArrowLeft", 37, ""),
            Self::Right => ("ArrowRight", 39, ""),
            Self::Up => ("ArrowUp", 38, ""),
            Self::Down => ("ArrowDown", 40, ""),
            Self::Home => ("Home", 36, ""),
        }
    }
}

impl Tab<'_> {
    fn call(&self, method: &str, params: Value) -> Value {
        self.browser.call(&self.session, method, params)
    }

    /// Makes the window so wide and high, in CSS pixels.
    pub fn size(&self, width: u32, height: u32) {
        self.call(
            "Emulation.setDeviceMetricsOverride",
            json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false }),
        );
    }

    /// Prefers `dark` or `light`, on `screen` or in `print`.
    pub fn media(&self, scheme: &str, medium: &str) {
        let feature = json!({ "name": "prefers-color-scheme", "value": scheme });
        self.call(
            "Emulation.setEmulatedMedia",
            json!({ "media": medium, "features": [feature] }),
        );
    }

    /// Shows this tab; pages in tabs behind another one know that nobody looks at them.
    pub fn to_front(&self) {
        self.call("Page.bringToFront", json!({}));
    }

    /// Opens a page and waits until it is loaded.
    pub fn open(&self, url: &str) {
        self.then_loads(|| {
            let gone = self.call("Page.navigate", json!({ "url": url }));
            assert!(gone["errorText"].is_null(), "{url}: {}", gone["errorText"]);
        });
    }

    /// Does something that leads to another page, and waits until that is loaded.
    pub fn then_loads(&self, act: impl FnOnce()) {
        let is_load = |event: &Value| {
            event["method"] == "Page.loadEventFired" && event["sessionId"] == self.session.as_str()
        };
        self.browser
            .shared
            .events
            .lock()
            .unwrap()
            .retain(|event| !is_load(event));
        act();
        let until = Instant::now() + PATIENCE;
        let mut events = self.browser.shared.events.lock().unwrap();
        while !events.iter().any(is_load) {
            let left = until.saturating_duration_since(Instant::now());
            assert!(!left.is_zero(), "no page was loaded");
            events = self
                .browser
                .shared
                .came
                .wait_timeout(events, left)
                .unwrap()
                .0;
        }
    }

    /// The value of a JavaScript expression, awaited if it is a promise.
    pub fn value(&self, expression: &str) -> Value {
        let mut answer = self.call(
            "Runtime.evaluate",
            json!({ "expression": expression, "awaitPromise": true, "returnByValue": true }),
        );
        let wrong = &answer["exceptionDetails"];
        assert!(wrong.is_null(), "{expression}: {wrong}");
        answer["result"]["value"].take()
    }

    /// The value of an expression that gives text.
    pub fn text(&self, expression: &str) -> String {
        let value = self.value(expression);
        value
            .as_str()
            .unwrap_or_else(|| panic!("{expression} is {value}"))
            .to_owned()
    }

    /// The value of an expression that gives a number.
    pub fn number(&self, expression: &str) -> f64 {
        let value = self.value(expression);
        value
            .as_f64()
            .unwrap_or_else(|| panic!("{expression} is {value}"))
    }

    /// Waits until a JavaScript condition holds; says what the page showed when it never does.
    pub fn until(&self, condition: &str) {
        let limit_ms = PATIENCE.as_millis() / 2;
        let script = format!(
            "new Promise((done) => {{
                const until = Date.now() + {limit_ms};
                const look = () => {{
                    let holds = false;
                    try {{ holds = Boolean({condition}); }} catch {{ }}
                    if (holds || Date.now() > until) done(holds); else setTimeout(look, 20);
                }};
                look();
            }})"
        );
        assert!(
            self.value(&script) == true,
            "never: {condition}\nthe page shows:\n{}",
            self.text("document.body.innerText")
        );
    }

    /// Presses and lets go of a key.
    pub fn press(&self, key: Key) {
        let (name, code, text) = key.code();
        let modifiers = if matches!(key, Key::BackTab) { 8 } else { 0 };
        let mut down = json!({
            "type": if text.is_empty() { "rawKeyDown" } else { "keyDown" },
            "key": name, "code": name, "windowsVirtualKeyCode": code, "modifiers": modifiers,
        });
        if !text.is_empty() {
            down["text"] = text.into();
        }
        self.call("Input.dispatchKeyEvent", down);
        self.call(
            "Input.dispatchKeyEvent",
            json!({ "type": "keyUp", "key": name, "code": name, "windowsVirtualKeyCode": code,
                    "modifiers": modifiers }),
        );
    }

    /// Types text where the focus is, key by key.
    pub fn type_text(&self, text: &str) {
        for letter in text.chars().map(String::from) {
            for kind in ["keyDown", "keyUp"] {
                let mut event = json!({ "type": kind, "key": letter });
                if kind == "keyDown" {
                    event["text"] = letter.as_str().into();
                }
                self.call("Input.dispatchKeyEvent", event);
            }
        }
    }

    /// Presses the tabulator until the focus is where a selector says.
    pub fn tab_to(&self, selector: &str) {
        let found = format!("document.activeElement.matches({})", json!(selector));
        let mut passed = Vec::new();
        for _ in 0..300 {
            self.press(Key::Tab);
            if self.value(&found) == true {
                return;
            }
            passed.push(self.text(
                "((e) => e.tagName + ' ' + (e.id || e.textContent.trim().slice(0, 30)))(document.activeElement)",
            ));
        }
        panic!("the tabulator never came to {selector}, only to {passed:#?}");
    }

    /// One pointer event at a place in the window.
    pub fn pointer(&self, kind: &str, x: f64, y: f64) {
        let is_down = kind != "mouseMoved";
        self.call(
            "Input.dispatchMouseEvent",
            json!({ "type": kind, "x": x, "y": y, "button": if is_down { "left" } else { "none" },
                    "clickCount": i32::from(is_down) }),
        );
    }

    /// Presses the pointer at one place, moves it to another and lets go.
    pub fn drag(&self, from: (f64, f64), to: (f64, f64)) {
        self.pointer("mousePressed", from.0, from.1);
        self.call(
            "Input.dispatchMouseEvent",
            json!({ "type": "mouseMoved", "x": to.0, "y": to.1, "button": "left", "buttons": 1 }),
        );
        self.pointer("mouseReleased", to.0, to.1);
    }

    /// Turns the wheel at a place; below zero is away from oneself.
    pub fn wheel(&self, (x, y): (f64, f64), by: f64) {
        self.call(
            "Input.dispatchMouseEvent",
            json!({ "type": "mouseWheel", "x": x, "y": y, "deltaX": 0, "deltaY": by }),
        );
    }

    /// Clicks the middle of what a selector finds.
    pub fn click(&self, selector: &str) {
        let place = self.value(&format!(
            "(() => {{ const e = document.querySelector({}); e.scrollIntoView({{ block: 'center' }});
              const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; }})()",
            json!(selector)
        ));
        let (x, y) = (place[0].as_f64().unwrap(), place[1].as_f64().unwrap());
        self.pointer("mousePressed", x, y);
        self.pointer("mouseReleased", x, y);
    }

    /// The page as PDF.
    pub fn print(&self) -> Vec<u8> {
        let printed = self.call("Page.printToPDF", json!({ "printBackground": true }));
        STANDARD.decode(printed["data"].as_str().unwrap()).unwrap()
    }

    /// Keeps a picture of the whole page for people, in `tmp/browser` of the target folder.
    pub fn picture(&self, name: &str) {
        self.call("Page.bringToFront", json!({}));
        let taken = self.call(
            "Page.captureScreenshot",
            json!({ "format": "png", "captureBeyondViewport": true }),
        );
        let bytes = STANDARD.decode(taken["data"].as_str().unwrap()).unwrap();
        keep(&format!("{name}.png"), &bytes);
    }

    /// What axe-core finds wrong with the page, each with the rule, the element and the mend.
    pub fn violations(&self, axe: &str) -> Vec<String> {
        self.value(&format!("{axe}; true"));
        let found = self.value(
            "axe.run(document, { resultTypes: ['violations'] }).then((found) => found.violations
                .flatMap((rule) => rule.nodes.map((node) =>
                    `${rule.id}: ${node.target.join(' ')}: ${node.failureSummary}`)))",
        );
        found
            .as_array()
            .unwrap()
            .iter()
            .map(|line| line.as_str().unwrap().to_owned())
            .collect()
    }

    /// Errors of scripts, of the content security policy and of the browser so far, apart from lost
    /// connections; they are told once.
    pub fn errors(&self) -> Vec<String> {
        let mut events = self.browser.shared.events.lock().unwrap();
        let mut found = Vec::new();
        events.retain(|event| {
            if event["sessionId"] != self.session.as_str() {
                return true;
            }
            let params = &event["params"];
            match event["method"].as_str() {
                Some("Runtime.exceptionThrown") => {
                    found.push(params["exceptionDetails"].to_string());
                }
                Some("Log.entryAdded")
                    if params["entry"]["level"] == "error"
                        && params["entry"]["source"] != "network" =>
                {
                    found.push(params["entry"].to_string());
                }
                Some("Log.entryAdded") => {}
                _ => return true,
            }
            false
        });
        found
    }
}

impl Drop for Tab<'_> {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            self.browser.call(
                "",
                "Target.closeTarget",
                json!({ "targetId": self.target.as_str() }),
            );
        }
    }
}

/// Keeps a file for people, in `tmp/browser` of the target folder; gives where.
pub fn keep(name: &str, bytes: &[u8]) -> PathBuf {
    let folder = target().join("tmp/browser");
    fs::create_dir_all(&folder).unwrap();
    let file = folder.join(name);
    fs::write(&file, bytes).unwrap();
    file
}

/// Pages of a PDF file as Chromium writes it.
pub fn n_pages(pdf: &[u8]) -> usize {
    let text = String::from_utf8_lossy(pdf);
    assert!(text.starts_with("%PDF-"), "it is no PDF");
    text.matches("/Type /Page\n").count()
}

/// The path of a file of the demonstration.
pub fn demo_file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .unwrap()
        .join("demo-data")
        .join(name)
}
