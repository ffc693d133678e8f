//! Helpers shared by the whole-system tests: the real `wheeltap serve` in a process of its own, and
//! a small fleet whose alerts are known beforehand.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::missing_panics_doc,
    reason = "test code: a failed step must fail the test"
)]

pub mod browser;
pub mod open_data;

use std::fmt::Write as _;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::{Arc, Mutex, OnceLock, mpsc};
use std::thread::JoinHandle;
use std::time::{SystemTime, UNIX_EPOCH};
use tempfile::TempDir;
use wheeltap_client::{BatchBuilder, EncodedBatch, Packing};
use wheeltap_model::{ChannelName, EventTime, UnitId};

/// The channel of the rule `probe`.
pub const PRESSURE: &str = "engine.crankcase.pressure";
/// The channel of the rule `oil-hot`.
pub const OIL: &str = "engine.oil.temperature";
/// Milliseconds of event time in a batch of [`Fleet`].
pub const BATCH_MS: i64 = 60_000;

/// Rings while the newest pressure is above 1 kPa, tick by tick.
pub const PROBE: (&str, &str) = (
    "probe",
    r#"fn about() { #{
    title: "Crankcase pressure high", system: "engine", component: "crankcase",
    priority: "high", tick: "1 s",
    cause: "A test.", consequence: "None.", action: "None.", respond_within: "4 h",
} }
fn reads() { #{ x: last("engine.crankcase.pressure", "5 s") } }
fn raise(seen) { seen.x > 1.0 }
"#,
);
/// Rings when the mean of 5 minutes has been above 100 Cel for 2 minutes.
pub const OIL_HOT: (&str, &str) = (
    "oil-hot",
    r#"fn about() { #{
    title: "Oil hot", system: "engine", component: "oil cooler",
    priority: "medium", tick: "10 s", on_delay: "2 min", off_delay: "2 min",
    cause: "A test.", consequence: "None.", action: "None.", respond_within: "8 h",
} }
fn reads() { #{ x: mean("engine.oil.temperature", "5 min") } }
fn raise(seen) { seen.x > 100.0 }
fn clear(seen) { seen.x < 95.0 }
"#,
);

/// The program under test, built if it is not up to date.
pub fn wheeltap() -> PathBuf {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    let built = BINARY.get_or_init(|| built("wheeltap", "--bin", "wheeltap", ""));
    built.clone()
}

/// An example of the client crate, built if it is not up to date.
pub fn example(name: &str) -> PathBuf {
    built("wheeltap-client", "--example", name, "examples/")
}

/// Set by `tests/run`: whoever runs all tests at once has built the programs with them, and building one
/// alone, with fewer features of what it depends on, would build half the workspace anew.
const BUILT: &str = "WHEELTAP_PROGRAMS_BUILT";

/// Builds a program of the workspace in the profile of this test; `folder` is where its kind is put.
fn built(package: &str, kind: &str, name: &str, folder: &str) -> PathBuf {
    // target/<profile>/deps/<this test>
    let own = std::env::current_exe().unwrap();
    let profile = own.parent().unwrap().parent().unwrap();
    let program = profile.join(format!("{folder}{name}{}", std::env::consts::EXE_SUFFIX));
    if std::env::var_os(BUILT).is_some() {
        return program;
    }
    let mut build = Command::new(env!("CARGO"));
    build
        .args(["build", "--offline", "--package", package, kind, name])
        .arg("--target-dir")
        .arg(profile.parent().unwrap())
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap());
    // Built with what cargo told this test of its own package, ring counts as changed, and all above it.
    for (name, _) in std::env::vars().filter(|(name, _)| name.starts_with("CARGO_PKG_")) {
        build.env_remove(name);
    }
    build.env_remove("CARGO_MANIFEST_DIR");
    if profile.file_name().unwrap() == "release" {
        build.arg("--release");
    }
    let output = build.output().unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    program
}

/// Says that a test is left out since something is not on this machine; with `CI=true` it fails.
pub fn missing(what: &str) {
    let ci = std::env::var("CI").is_ok_and(|value| value == "true");
    assert!(!ci, "{what}, and CI=true demands it");
    eprintln!("skipped: {what}");
}

/// A unit of the tests' fleet, counted from 0.
pub fn unit(number: usize) -> UnitId {
    UnitId::new(&format!("ZVR {}", 4_100 + number)).unwrap()
}

/// A folder with settings, one class, units, rules and the store's data.
pub struct Site {
    folder: TempDir,
}

impl Site {
    /// With so many units and these rules, each a name and its text.
    pub fn new(n_units: usize, rules: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let write = |name: &str, text: &str| fs::write(folder.path().join(name), text).unwrap();
        write(
            "classes.toml",
            "[[class]]\nname = \"Marten\"\ntitle = \"A class of tests\"\naxles = 6\n",
        );
        let mut roster = String::new();
        for number in 0..n_units {
            writeln!(
                roster,
                "[[unit]]\nid = \"{}\"\nclass = \"Marten\"",
                unit(number)
            )
            .unwrap();
        }
        write("roster.toml", &roster);
        fs::create_dir(folder.path().join("rules")).unwrap();
        for (name, text) in rules {
            write(&format!("rules/{name}.rhai"), text);
        }
        write(
            "wheeltap.toml",
            "data = \"data\"\ncatalogue = [\"classes.toml\"]\nroster = \"roster.toml\"\nrules = \
             \"rules\"\n",
        );
        Self { folder }
    }

    /// A path in the folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// `wheeltap serve` with these settings, not started.
    pub fn command(&self, listen: &str) -> Command {
        let mut command = Command::new(wheeltap());
        command
            .arg("serve")
            .arg("--config")
            .arg(self.path("wheeltap.toml"))
            .args(["--listen", listen]);
        command
    }

    /// Starts the service on a free port and waits until it serves.
    pub fn serve(&self) -> Service {
        Service::start(self.command("127.0.0.1:0")).expect("it serves")
    }

    /// Starts it again where it was, so that clients find it.
    pub fn serve_again(&self, address: &str) -> Service {
        let listen = address.strip_prefix("http://").unwrap();
        Service::start(self.command(listen)).expect("it serves again")
    }
}

/// A running `wheeltap serve`; killed when dropped.
pub struct Service {
    child: Child,
    address: String,
    pages: String,
    said: Arc<Mutex<String>>,
    reader: Option<JoinHandle<()>>,
}

/// A service that ended before it served.
#[derive(Debug)]
pub struct Ended {
    /// How.
    pub status: ExitStatus,
    /// All it said on stderr.
    pub said: String,
}

impl Service {
    /// Starts a command and waits until it says where it serves.
    ///
    /// # Errors
    /// [`Ended`] when it ends before.
    pub fn start(mut command: Command) -> Result<Self, Ended> {
        let mut child = command.stderr(Stdio::piped()).spawn().unwrap();
        let stderr = child.stderr.take().unwrap();
        let said = Arc::new(Mutex::new(String::new()));
        let (address, addressed) = mpsc::channel();
        let heard = Arc::clone(&said);
        let reader = std::thread::spawn(move || {
            for line in BufReader::new(stderr).lines().map_while(Result::ok) {
                if line.contains("serving http://") {
                    let after = |word: &str| {
                        let (_, rest) = line.split_once(word).unwrap_or_default();
                        rest.split([',', ' ', ';'])
                            .next()
                            .unwrap_or_default()
                            .to_owned()
                    };
                    // Nobody listens once it is known.
                    let _ = address.send((after("serving "), after("pages at ")));
                }
                let mut heard = heard.lock().unwrap();
                heard.push_str(&line);
                heard.push('\n');
            }
        });
        // The sender is dropped with the process's end.
        if let Ok((address, pages)) = addressed.recv() {
            return Ok(Self {
                child,
                address,
                pages,
                said,
                reader: Some(reader),
            });
        }
        reader.join().unwrap();
        let said = said.lock().unwrap().clone();
        Err(Ended {
            status: child.wait().unwrap(),
            said,
        })
    }

    /// Where it serves, such as `http://127.0.0.1:40001`.
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Where its web pages are, such as `http://127.0.0.1:40002`.
    pub fn pages(&self) -> &str {
        &self.pages
    }

    /// SIGKILL: no warning, no last words.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// SIGTERM, and waits for the end.
    pub fn terminate(mut self) -> Ended {
        let pid = self.child.id().to_string();
        let sent = Command::new("kill").args(["-TERM", &pid]).status().unwrap();
        assert!(sent.success());
        self.wait()
    }

    /// Waits until it ends by itself.
    pub fn wait(&mut self) -> Ended {
        let status = self.child.wait().unwrap();
        if let Some(reader) = self.reader.take() {
            reader.join().unwrap();
        }
        Ended {
            status,
            said: self.said.lock().unwrap().clone(),
        }
    }

    /// Largest resident memory so far, bytes; Linux only.
    pub fn peak_bytes(&self) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find(|line| line.starts_with("VmHWM:"));
        let kib: u64 = line
            .and_then(|line| line.split_whitespace().nth(1))
            .unwrap()
            .parse()
            .unwrap();
        kib * 1_024
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // It may have ended already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// What the units of a test send: pressure at 1 Hz and oil temperature every 10 s, a minute a batch.
pub struct Fleet {
    start_ms: i64,
}

impl Fleet {
    /// Begins two hours ago.
    pub fn two_hours_ago() -> Self {
        Self::hours_ago(2)
    }

    /// Begins some hours ago on a whole minute; more than is sent, since nothing may be ahead of
    /// the server's clock.
    pub fn hours_ago(hours: i64) -> Self {
        let now = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
        let now_ms = i64::try_from(now.as_millis()).unwrap();
        Self {
            start_ms: (now_ms - hours * 3_600_000) / BATCH_MS * BATCH_MS,
        }
    }

    /// Event time of a batch's first sample.
    pub fn first_ms(&self, batch: i64) -> i64 {
        self.start_ms + batch * BATCH_MS
    }

    /// The pressure: high from half of every seventh batch on, for a minute; units take turns.
    pub fn pressure(&self, number: usize, at_ms: i64) -> f64 {
        let half_minutes = (at_ms - self.start_ms).div_euclid(BATCH_MS / 2);
        let from = (half_minutes - 1).div_euclid(2) + i64::try_from(number).unwrap();
        let is_high = half_minutes > 0 && from.rem_euclid(7) == 0;
        let ripple = (at_ms / 1_000 % 10) as f64 / 1_000.0;
        if is_high { 2.0 + ripple } else { -0.5 + ripple }
    }

    /// The oil: hot for 12 of every 30 minutes.
    pub fn oil(&self, number: usize, at_ms: i64) -> f64 {
        let minute = (at_ms - self.start_ms).div_euclid(BATCH_MS) + i64::try_from(number).unwrap();
        let ripple = (at_ms / 10_000 % 7) as f64 / 10.0;
        if minute.rem_euclid(30) < 12 {
            110.0 + ripple
        } else {
            85.0 + ripple
        }
    }

    /// One minute of one unit.
    pub fn batch(&self, number: usize, batch: i64) -> EncodedBatch {
        let first_ms = self.first_ms(batch);
        let mut builder = BatchBuilder::new(Packing::Plain);
        let mut add = |name: &str, step_ms: usize, value: &dyn Fn(i64) -> f64| {
            let times: Vec<i64> = (first_ms..first_ms + BATCH_MS).step_by(step_ms).collect();
            let values: Vec<f64> = times.iter().map(|ms| value(*ms)).collect();
            let name = ChannelName::new(name).unwrap();
            builder.samples(&name, "", &times, &values, &[]).unwrap();
        };
        add(PRESSURE, 1_000, &|ms| self.pressure(number, ms));
        add(OIL, 10_000, &|ms| self.oil(number, ms));
        builder.complete_through(EventTime::from_unix_ms(first_ms + BATCH_MS));
        builder.build().unwrap().remove(0)
    }

    /// When `probe` raises on a unit whose batches up to (not including) `n_batches` are stored.
    pub fn probe_raises_ms(&self, number: usize, n_batches: i64) -> Vec<i64> {
        let ticks = (self.start_ms..self.first_ms(n_batches)).step_by(1_000);
        let mut raises = Vec::new();
        let mut stands = false;
        // A tick is judged once something newer is stored.
        for tick_ms in ticks.take_while(|ms| ms + 1_000 < self.first_ms(n_batches)) {
            let is_high = self.pressure(number, tick_ms) > 1.0;
            if is_high && !stands {
                raises.push(tick_ms);
            }
            stands = is_high;
        }
        raises
    }
}
