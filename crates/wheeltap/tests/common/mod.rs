//! A folder with a rule, a map and measurements, and the binary run in it.

use assert_cmd::Command;
use std::{fmt::Write as _, fs, path::Path};
use tempfile::TempDir;

pub const RULE: &str = r#"// Oil runs warm.
fn about() { #{
    title: "Oil warm", system: "engine / lubrication", component: "oil cooler",
    priority: "high", tick: "10 s", on_delay: "1 min", off_delay: "1 min",
    cause: "Cooler fouled.", consequence: "Bearing wear.", action: "Check the cooler at the next stop.",
    respond_within: "4 h",
} }
fn reads() { #{ oil: mean("engine.oil.temperature", "1 min") } }
fn raise(seen) { seen.oil > 50.0 }
fn clear(seen) { seen.oil < 45.0 }
"#;

pub const MAP: &str = r#"[time]
column = "t_s"
counts = "s"
from = "2026-01-01T00:00:00Z"
[unit]
name = "ZVR 4117"
class = "Marten"
[[channel]]
column = "oil"
name = "engine.oil.temperature"
ucum = "Cel"
spacing = "1 s"
"#;

/// A working folder for one test.
pub struct Bench {
    folder: TempDir,
}

impl Bench {
    /// With `rules/oil-warm.rhai`, `map.toml` and `day.csv`.
    pub fn new() -> Self {
        let bench = Self {
            folder: TempDir::new().expect("a temporary folder"),
        };
        fs::create_dir(bench.path().join("rules")).expect("a folder is made");
        bench.write("rules/oil-warm.rhai", RULE);
        bench.write("map.toml", MAP);
        bench.write("day.csv", csv(0..1_800));
        bench
    }

    pub fn path(&self) -> &Path {
        self.folder.path()
    }

    pub fn write(&self, name: &str, content: impl AsRef<[u8]>) {
        let path = self.path().join(name);
        let folder = path.parent().expect("a folder");
        fs::create_dir_all(folder).expect("a folder is made");
        fs::write(path, content).expect("a file is written");
    }

    /// Adds `rules/slips.rhai`, and to map and measurements three wheel slips of half a second at
    /// 10, 20 and 30 s.
    #[allow(dead_code, reason = "not every test file has events")]
    pub fn add_slips(&self) {
        let slips = "[[event]]\nname = \"wheel.slip\"\ncolumn = \"slip\"\n\
                     [event.fields]\naxle = { column = \"slip\" }\n\
                     duration = { column = \"ms\", ucum = \"ms\" }\n";
        self.write("map.toml", [MAP, slips].concat());
        let read = "fn reads() { #{ n: count(\"wheel.slip\", \"1 min\"), \
                    s: sum(\"wheel.slip\", \"duration\", \"1 min\") } }";
        let (about, _) = RULE.split_once("fn reads").expect("the rule reads");
        let about = about.replace("on_delay: \"1 min\", off_delay: \"1 min\",", "");
        self.write(
            "rules/slips.rhai",
            format!("{about}{read}\nfn raise(seen) {{ seen.n > 2.5 && seen.s > 1.0 }}\n"),
        );
        let mut text = "t_s,oil,slip,ms\n".to_owned();
        for second in 0..200 {
            let slip = if [10, 20, 30].contains(&second) {
                "3,500"
            } else {
                ","
            };
            writeln!(text, "{second},40,{slip}").expect("a string takes all");
        }
        self.write("day.csv", text);
    }

    /// Runs the binary in the folder.
    pub fn run<'a>(&self, words: impl IntoIterator<Item = &'a str>) -> Ran {
        let output = Command::cargo_bin("wheeltap")
            .expect("cargo builds the binary first")
            .current_dir(self.path())
            .env_remove("WHEELTAP_LOG")
            .env("WHEELTAP_PERSON", "Ada Brook")
            .args(words)
            .output()
            .expect("the binary runs");
        Ran {
            code: output.status.code().expect("it was not killed"),
            stdout: String::from_utf8(output.stdout).expect("UTF-8"),
            stderr: String::from_utf8(output.stderr).expect("UTF-8"),
        }
    }
}

/// What a run of the binary gave.
#[derive(Debug)]
pub struct Ran {
    pub code: i32,
    pub stdout: String,
    pub stderr: String,
}

impl Ran {
    /// Every line of stdout as JSON.
    pub fn json(&self) -> Vec<serde_json::Value> {
        self.stdout
            .lines()
            .map(|line| serde_json::from_str(line).expect("JSON"))
            .collect()
    }

    /// Asserts the exit code and that stderr holds all of these.
    #[track_caller]
    pub fn says(&self, code: i32, words: &[&str]) {
        assert_eq!(self.code, code, "{self:#?}");
        for word in words {
            assert!(self.stderr.contains(word), "no {word:?} in {}", self.stderr);
        }
    }
}

/// Seconds of oil temperature: 40 degC, but 60 degC from 600 s to 1,200 s.
pub fn csv(seconds: impl IntoIterator<Item = u32>) -> String {
    let mut text = "t_s,oil\n".to_owned();
    for second in seconds {
        let oil = if (600..1_200).contains(&second) {
            60
        } else {
            40
        };
        writeln!(text, "{second},{oil}").expect("a string takes all");
    }
    text
}
