//! The settings: one TOML file, checked as a whole before anything is bound or opened.

use crate::Receiver;
use serde::Deserialize;
use std::collections::HashSet;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;
use wheeltap_followup::Policy;

/// A span of time written as text, such as `"90 s"` or `"30 d"`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub struct Span {
    ms: i64,
}

impl Span {
    /// From milliseconds; at least 1.
    pub const fn from_ms(ms: i64) -> Self {
        Self {
            ms: if ms < 1 { 1 } else { ms },
        }
    }

    /// Milliseconds, above zero.
    pub const fn ms(self) -> i64 {
        self.ms
    }

    /// The same as the standard library has it.
    pub const fn duration(self) -> Duration {
        Duration::from_millis(self.ms.cast_unsigned())
    }
}

impl TryFrom<String> for Span {
    type Error = wheeltap_model::InvalidSpan;
    fn try_from(text: String) -> Result<Self, Self::Error> {
        wheeltap_model::parse_span(&text).map(|ms| Self { ms })
    }
}

/// How long each tier of telemetry is kept, counted in event time.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Retention {
    /// Raw samples and events; at least 15 d, for the settlement horizon and the windows before it.
    pub raw: Span,
    /// One row a minute.
    pub minute: Span,
    /// One row an hour.
    pub hour: Span,
}

impl Default for Retention {
    fn default() -> Self {
        const DAY_MS: i64 = 86_400_000;
        Self {
            raw: Span::from_ms(90 * DAY_MS),
            minute: Span::from_ms(400 * DAY_MS),
            hour: Span::from_ms(3_660 * DAY_MS),
        }
    }
}

/// Bounds on what callers can take. Every one has an answer of its own on the wire.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// Telemetry streams open at once; more are answered TOO_MANY_STREAMS.
    pub streams: u32,
    /// Units multiplexed on one stream.
    pub sources_per_stream: u32,
    /// Unanswered batches of one stream; beyond it the stream is not read.
    pub batches_in_flight: u32,
    /// Bytes of batches received but not judged yet, of all streams together, in MiB.
    pub in_flight_mib: u32,
    /// Alert watchers open at once.
    pub watchers: u32,
    /// Schemas remembered; the least recently used one is forgotten, and sent again when needed.
    pub schemas: u32,
    /// How long a new stream may take to its first message.
    pub first_message: Span,
    /// How long a stream may stay silent; the gateway connects again when it has something.
    pub idle: Span,
    /// How long open streams may take to end when the service stops.
    pub drain: Span,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            streams: 4_096,
            sources_per_stream: 4_096,
            batches_in_flight: 64,
            in_flight_mib: 256,
            watchers: 256,
            schemas: 4_096,
            first_message: Span::from_ms(20_000),
            idle: Span::from_ms(600_000),
            drain: Span::from_ms(5_000),
        }
    }
}

/// When and from what class baselines are frozen, which `class_score(..)` and its kin read.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ClassBaselines {
    /// How far apart: at whole multiples of it since Monday 1970-01-05T00:00:00Z, server time. The
    /// first of a class comes with the first full hour at which it has enough data.
    pub every: Span,
    /// What is looked at: so long a stretch before that instant.
    pub stretch: Span,
    /// Units without which there is none.
    pub least_units: u32,
    /// Known windows without which a unit does not count.
    pub least_windows: u32,
    /// Units read at most, evenly spread over the class's ids.
    pub most_units: u32,
}

impl Default for ClassBaselines {
    fn default() -> Self {
        const DAY_MS: i64 = 86_400_000;
        Self {
            every: Span::from_ms(7 * DAY_MS),
            stretch: Span::from_ms(7 * DAY_MS),
            least_units: 5,
            least_windows: 24,
            most_units: 200,
        }
    }
}

/// The terms of the desk.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Desk {
    /// The longest time for which an alert can be shelved.
    pub shelve_at_most: Span,
    /// What comes back so soon after its repair is the same defect.
    pub reopen_within: Span,
    /// A unit that should send and has not for so long is silent.
    pub silent_after: Span,
}

impl Default for Desk {
    fn default() -> Self {
        let Policy {
            reopen_within_ms,
            shelve_at_most_ms,
        } = Policy::default();
        Self {
            shelve_at_most: Span::from_ms(shelve_at_most_ms),
            reopen_within: Span::from_ms(reopen_within_ms),
            silent_after: Span::from_ms(3_600_000),
        }
    }
}

impl Desk {
    /// As planners follow them.
    pub const fn policy(&self) -> Policy {
        Policy {
            reopen_within_ms: self.reopen_within.ms(),
            shelve_at_most_ms: self.shelve_at_most.ms(),
        }
    }
}

/// The settings of one server.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Settings {
    /// Where to listen; loopback only, as nothing here is encrypted and nobody is asked who he is.
    pub listen: SocketAddr,
    /// Where to serve the web pages; the port after `listen`'s if not said. Loopback only, too.
    pub pages: Option<SocketAddr>,
    /// The store's folder.
    pub data: PathBuf,
    /// Catalogue files that extend the built-in catalogue.
    pub catalogue: Vec<PathBuf>,
    /// Work files: service points, jobs, what is filled, wears and is inspected.
    pub work: Vec<PathBuf>,
    /// Units to be created at the start where they are missing.
    pub roster: Option<PathBuf>,
    /// Rule files to be lodged at the start; live at once when the rule book is empty, else drafts.
    pub rules: Option<PathBuf>,
    /// Whether sensors are watched by rules written from the catalogue, which make items for the shop:
    /// silent, stuck, jumping, told twice. Such a version goes live when it is first seen; on by default.
    pub channel_health: bool,
    /// How long telemetry is kept.
    pub retention: Retention,
    /// When class baselines are frozen.
    pub class_baselines: ClassBaselines,
    /// The terms of the desk.
    pub desk: Desk,
    /// Who is told of changes, by CloudEvents over HTTP.
    pub notify: Vec<Receiver>,
    /// Bounds.
    pub limits: Limits,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            listen: SocketAddr::from(([127, 0, 0, 1], 7_417)),
            pages: None,
            data: PathBuf::from("wheeltap-data"),
            catalogue: Vec::new(),
            work: Vec::new(),
            roster: None,
            rules: None,
            channel_health: true,
            retention: Retention::default(),
            class_baselines: ClassBaselines::default(),
            desk: Desk::default(),
            notify: Vec::new(),
            limits: Limits::default(),
        }
    }
}

/// One thing wrong in a settings or roster file, with its place and the mend.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}:{column}: {what}; {mend}")]
pub struct SettingsProblem {
    /// The file as named by the caller.
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// Counted from 1, in characters.
    pub column: usize,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub mend: String,
}

impl SettingsProblem {
    /// A problem of the whole file.
    pub(crate) fn at_start(file: &str, what: String, mend: &str) -> Self {
        Self {
            file: file.to_owned(),
            line: 1,
            column: 1,
            what,
            mend: mend.to_owned(),
        }
    }

    /// What the TOML reader found, at the place where it found it.
    pub(crate) fn from_toml(file: &str, text: &str, error: &toml::de::Error, mend: &str) -> Self {
        let offset = error.span().map_or(0, |span| span.start).min(text.len());
        Self::at_offset(file, text, offset, error.message().to_owned(), mend)
    }

    /// A problem at a byte of the text.
    pub(crate) fn at_offset(
        file: &str,
        text: &str,
        offset: usize,
        what: String,
        mend: &str,
    ) -> Self {
        let before = text.get(..offset).unwrap_or_default();
        let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
        Self {
            file: file.to_owned(),
            line: before.matches('\n').count() + 1,
            column: before[line_start..].chars().count() + 1,
            what,
            mend: mend.to_owned(),
        }
    }

    /// A problem with the value of a key: at the first line that sets it.
    fn at_key(file: &str, text: &str, key: &str, what: String, mend: &str) -> Self {
        Self::at_key_from(file, text, 0, key, what, mend)
    }

    /// At the first line that sets a key after an offset.
    fn at_key_from(
        file: &str,
        text: &str,
        mut offset: usize,
        key: &str,
        what: String,
        mend: &str,
    ) -> Self {
        for line in text[offset..].split_inclusive('\n') {
            let trimmed = line.trim_start();
            let indent = line.len() - trimmed.len();
            let rest = trimmed.strip_prefix(key).map(str::trim_start);
            if rest.is_some_and(|rest| rest.starts_with('=')) {
                return Self::at_offset(file, text, offset + indent, what, mend);
            }
            offset += line.len();
        }
        Self::at_start(file, what, mend)
    }

    /// Where the head of the `idx`th table of an array stands; 0 when it is written in another way.
    fn nth_table(text: &str, head: &str, idx: usize) -> usize {
        let mut offset = 0;
        let mut heads = text.split_inclusive('\n').filter_map(|line| {
            let at = offset;
            offset += line.len();
            line.trim_start().starts_with(head).then_some(at)
        });
        heads.nth(idx).unwrap_or_default()
    }
}

const MIN_RAW_MS: i64 = 15 * 86_400_000;

impl Settings {
    /// Reads settings from TOML text; `file` is for messages.
    ///
    /// # Errors
    /// The first problem found: a syntax error, an unknown key, a value of the wrong kind or out of
    /// its bounds.
    pub fn from_toml(file: &str, text: &str) -> Result<Self, SettingsProblem> {
        let settings: Self = toml::from_str(text).map_err(|error| {
            let mend = "see the sample settings for every key and its values";
            SettingsProblem::from_toml(file, text, &error, mend)
        })?;
        settings.check(file, text)?;
        Ok(settings)
    }

    /// Reads a settings file; relative paths in it count from its folder.
    ///
    /// # Errors
    /// As [`Settings::from_toml`], and a file that cannot be read.
    pub fn read(path: &Path) -> Result<Self, SettingsProblem> {
        let file = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|error| {
            SettingsProblem::at_start(&file, error.to_string(), "name a readable file")
        })?;
        let mut settings = Self::from_toml(&file, &text)?;
        let folder = path.parent().unwrap_or_else(|| Path::new(""));
        // Joining leaves an absolute path as it is.
        settings.data = folder.join(&settings.data);
        let files = settings.catalogue.iter_mut().chain(&mut settings.work);
        for path in files {
            *path = folder.join(&*path);
        }
        settings.roster = settings.roster.map(|path| folder.join(path));
        settings.rules = settings.rules.map(|path| folder.join(path));
        for receiver in &mut settings.notify {
            for file in [&mut receiver.secret_file, &mut receiver.authorities_file] {
                *file = file.take().map(|path| folder.join(path));
            }
        }
        Ok(settings)
    }

    fn check_receivers(&self, file: &str, text: &str) -> Result<(), SettingsProblem> {
        let mut names = HashSet::new();
        for (idx, receiver) in self.notify.iter().enumerate() {
            let name = receiver.name.as_str();
            if !names.insert(name) {
                let again = text.rfind(&format!("\"{name}\"")).unwrap_or_default();
                return Err(SettingsProblem::at_offset(
                    file,
                    text,
                    again,
                    format!("two [[notify]] tables are named {name:?}"),
                    "give each its own name: how far it was told is kept under it",
                ));
            }
            if receiver.authorities_file.is_some() && !receiver.url.is_encrypted() {
                let table = SettingsProblem::nth_table(text, "[[notify]]", idx);
                return Err(SettingsProblem::at_key_from(
                    file,
                    text,
                    table,
                    "authorities_file",
                    format!("{name} is told in the clear, so nobody vouches for it"),
                    "leave authorities_file out, or write \"https://\" in its url",
                ));
            }
        }
        Ok(())
    }

    fn check(&self, file: &str, text: &str) -> Result<(), SettingsProblem> {
        if !self.listen.ip().is_loopback() {
            return Err(SettingsProblem::at_key(
                file,
                text,
                "listen",
                format!("{} is not a loopback address", self.listen),
                "listen on 127.0.0.1 or [::1]: this version has no encryption and no tokens, so it \
                 serves this machine only",
            ));
        }
        if let Some(pages) = self.pages.filter(|pages| !pages.ip().is_loopback()) {
            return Err(SettingsProblem::at_key(
                file,
                text,
                "pages",
                format!("{pages} is not a loopback address"),
                "serve pages on 127.0.0.1 or [::1]: this version knows no identities",
            ));
        }
        self.check_receivers(file, text)?;
        let least = [
            ("streams", self.limits.streams, 100_000),
            (
                "sources_per_stream",
                self.limits.sources_per_stream,
                100_000,
            ),
            ("batches_in_flight", self.limits.batches_in_flight, 4_096),
            ("in_flight_mib", self.limits.in_flight_mib, 2_047),
            ("watchers", self.limits.watchers, 100_000),
            ("schemas", self.limits.schemas, 1_000_000),
            ("least_units", self.class_baselines.least_units, 100_000),
            ("least_windows", self.class_baselines.least_windows, 1_000),
            ("most_units", self.class_baselines.most_units, 100_000),
        ];
        for (key, value, most) in least {
            if !(1..=most).contains(&value) {
                return Err(SettingsProblem::at_key(
                    file,
                    text,
                    key,
                    format!("{key} is {value}"),
                    &format!("write a number from 1 to {most}"),
                ));
            }
        }
        let tiers = [
            ("raw", self.retention.raw.ms(), MIN_RAW_MS),
            (
                "minute",
                self.retention.minute.ms(),
                self.retention.raw.ms(),
            ),
            ("hour", self.retention.hour.ms(), self.retention.minute.ms()),
        ];
        for (key, value_ms, least_ms) in tiers {
            if value_ms < least_ms {
                return Err(SettingsProblem::at_key(
                    file,
                    text,
                    key,
                    format!("{key} is {}", wheeltap_model::format_span(value_ms)),
                    &format!(
                        "keep it at least {}: raw covers late data, and a coarser tier outlives a \
                         finer one",
                        wheeltap_model::format_span(least_ms)
                    ),
                ));
            }
        }
        let ClassBaselines { every, stretch, .. } = self.class_baselines;
        let most_ms = self.retention.raw.ms();
        for (key, value_ms, least_ms, most_ms) in [
            ("every", every.ms(), 3_600_000, i64::MAX),
            ("stretch", stretch.ms(), 3_600_000, most_ms),
        ] {
            if !(least_ms..=most_ms).contains(&value_ms) {
                return Err(SettingsProblem::at_key(
                    file,
                    text,
                    key,
                    format!("{key} is {}", wheeltap_model::format_span(value_ms)),
                    "write 1 h or more, and a stretch no longer than raw samples are kept",
                ));
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problem(text: &str) -> String {
        Settings::from_toml("wheeltap.toml", text)
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn an_empty_file_takes_the_defaults() {
        let settings = Settings::from_toml("wheeltap.toml", "").unwrap();
        assert_eq!(settings, Settings::default());
        assert!(settings.listen.ip().is_loopback());
    }

    #[test]
    fn every_key_is_read() {
        let text = r#"
            listen = "[::1]:9000"
            data = "d"
            catalogue = ["c.toml"]
            work = ["w.toml"]
            roster = "units.toml"
            rules = "rules"
            [retention]
            raw = "20 d"
            minute = "30 d"
            hour = "40 d"
            [class_baselines]
            every = "1 d"
            stretch = "2 d"
            least_units = 3
            least_windows = 4
            most_units = 6
            [desk]
            shelve_at_most = "8 h"
            reopen_within = "30 d"
            silent_after = "20 min"
            [[notify]]
            name = "work-orders"
            url = "http://127.0.0.1:8080/events?from=us"
            of = ["defects"]
            least_priority = "high"
            secret_file = "work-orders.secret"
            timeout = "2 s"
            first_wait = "3 s"
            longest_wait = "1 min"
            [[notify]]
            name = "lake"
            url = "https://lake.example/"
            authorities_file = "ours.pem"
            [limits]
            streams = 7
            sources_per_stream = 8
            batches_in_flight = 9
            in_flight_mib = 10
            watchers = 11
            schemas = 12
            first_message = "1 s"
            idle = "2 min"
            drain = "250 ms"
        "#;
        let settings = Settings::from_toml("wheeltap.toml", text).unwrap();
        let default = Settings::default();
        assert_ne!(settings.listen, default.listen);
        assert_eq!(settings.retention.hour.ms(), 40 * 86_400_000);
        assert_eq!(settings.desk.policy().shelve_at_most_ms, 8 * 3_600_000);
        assert_eq!(settings.desk.policy().reopen_within_ms, 30 * 86_400_000);
        assert_eq!(settings.desk.silent_after.ms(), 1_200_000);
        assert_eq!(settings.limits.idle.ms(), 120_000);
        assert_eq!(settings.class_baselines.stretch.ms(), 2 * 86_400_000);
        assert_eq!(settings.class_baselines.most_units, 6);
        assert_eq!(settings.limits.drain.duration(), Duration::from_millis(250));
        assert_eq!(settings.limits.schemas, 12);
        let [first, second] = settings.notify.as_slice() else {
            panic!("{:?}", settings.notify);
        };
        assert_eq!(first.url.uri().path(), "/events");
        assert_eq!((first.of.len(), second.of.len()), (1, 2));
        assert_eq!(first.least_priority, Some(wheeltap_model::Priority::High));
        assert_eq!(first.longest_wait.ms(), 60_000);
        assert!(second.secret_file.is_none() && second.url.is_encrypted());
        assert_eq!(second.authorities_file, Some(PathBuf::from("ours.pem")));
    }

    #[test]
    fn problems_name_file_line_column_and_mend() {
        let unknown = problem("data = \"d\"\n\n[limits]\nstreems = 3\n");
        assert!(
            unknown.starts_with("wheeltap.toml:4:1: unknown field `streems`"),
            "{unknown}"
        );
        assert!(unknown.contains("streams"), "{unknown}");
        let syntax = problem("data = \n");
        assert!(syntax.starts_with("wheeltap.toml:1:"), "{syntax}");
        let open = problem("# a comment\n  listen = \"0.0.0.0:7417\"\n");
        assert!(
            open.starts_with("wheeltap.toml:2:3: 0.0.0.0:7417 is not a loopback"),
            "{open}"
        );
        assert!(open.contains("127.0.0.1"), "{open}");
        let span = problem("[limits]\nidle = \"5 m\"\n");
        assert!(
            span.starts_with("wheeltap.toml:2:8: \"5 m\" is no span"),
            "{span}"
        );
        let zero = problem("[limits]\nstreams = 0\n");
        assert!(
            zero.contains("2:1: streams is 0; write a number from 1 to"),
            "{zero}"
        );
        let long = problem("[class_baselines]\nstretch = \"91 d\"\n");
        assert!(long.contains("2:1: stretch is 91 d; write 1 h"), "{long}");
        let notify = |rest: &str| problem(&format!("[[notify]]\nname = \"lake\"\n{rest}"));
        for (rest, says) in [
            (
                "url = \"http://[::1]/\"\nauthorities_file = \"ours.pem\"\n",
                "4:1: lake is told in the clear",
            ),
            (
                "url = \"https://lake.example/\"\nauthorities_file = \"a.pem\"\n\
                 [[notify]]\nname = \"b\"\nauthorities_file = \"a.pem\"\nurl = \"http://[::1]/\"\n",
                "7:1: b is told in the clear",
            ),
            (
                "url = \"http://lake.example/\"\n",
                "3:7: \"http://lake.example/\" is on another machine",
            ),
            ("url = \"lake\"\n", "3:7: \"lake\" is no address"),
            ("", "1:1: missing field `url`"),
            (
                "url = \"http://[::1]/\"\nof = [\"rules\"]\n",
                "4:7: unknown variant `rules`",
            ),
            (
                "url = \"http://[::1]/\"\n[[notify]]\nurl = \"http://[::1]/\"\nname = \"lake\"\n",
                "6:8: two [[notify]]",
            ),
            (
                "url = \"http://[::1]/\"\n[[notify]]\nurl = \"http://[::1]/\"\nname = \"a b\"\n",
                "6:8: \"a b\" is no name",
            ),
        ] {
            let found = notify(rest);
            assert!(
                found.starts_with(&format!("wheeltap.toml:{says}")),
                "{found}"
            );
        }
        let short = problem("[retention]\nraw = \"3 d\"\n");
        assert!(
            short.contains("2:1: raw is 3 d; keep it at least 15 d"),
            "{short}"
        );
    }

    #[test]
    fn paths_count_from_the_files_folder() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("wheeltap.toml");
        std::fs::write(
            &path,
            "rules = \"book\"\nroster = \"/elsewhere/units.toml\"\n[[notify]]\nname = \"lake\"\nurl = \
             \"https://[::1]/\"\nsecret_file = \"lake.secret\"\nauthorities_file = \"ours.pem\"\n",
        )
        .unwrap();
        let settings = Settings::read(&path).unwrap();
        assert_eq!(settings.rules, Some(folder.path().join("book")));
        assert_eq!(
            settings.roster,
            Some(PathBuf::from("/elsewhere/units.toml"))
        );
        assert_eq!(settings.data, folder.path().join("wheeltap-data"));
        let secret = folder.path().join("lake.secret");
        assert_eq!(settings.notify[0].secret_file.as_ref(), Some(&secret));
        let ours = folder.path().join("ours.pem");
        assert_eq!(settings.notify[0].authorities_file.as_ref(), Some(&ours));
        let missing = Settings::read(&folder.path().join("no.toml")).unwrap_err();
        assert!(
            missing.to_string().contains("name a readable file"),
            "{missing}"
        );
    }
}
