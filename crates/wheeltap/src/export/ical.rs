//! Planned work as a calendar (iCalendar, RFC 5545), for whoever plans a shop's day.

use crate::remote::tail;
use std::fmt::Write as _;
use wheeltap_model::EventTime;
use wheeltap_proto::v1;

/// Octets of a line without its end (RFC 5545, 3.1).
const MOST_OCTETS: usize = 75;

/// One calendar; an entry for each defect that has a plan.
pub struct Calendar {
    text: String,
    stamp: String,
    n_entries: usize,
}

/// `20260302T140000Z`.
fn instant(unix_ms: i64) -> String {
    let whole = EventTime::from_unix_ms(unix_ms.div_euclid(1_000) * 1_000).to_string();
    whole.replace(['-', ':'], "").replace(".000", "")
}

/// TEXT of RFC 5545, 3.3.11; what is no text there is left out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '\\' | ';' | ',' => out.extend(['\\', letter]),
            '\n' => out.push_str("\\n"),
            letter if letter.is_control() => {}
            letter => out.push(letter),
        }
    }
    out
}

impl Calendar {
    /// Made at an instant, Unix milliseconds.
    pub fn new(made_unix_ms: i64) -> Self {
        let mut calendar = Self {
            text: String::new(),
            stamp: instant(made_unix_ms),
            n_entries: 0,
        };
        calendar.line("BEGIN:VCALENDAR");
        calendar.line("VERSION:2.0");
        calendar.line("PRODID:-//wheeltap//planned work//EN");
        calendar
    }

    /// Folded where it is too long; a letter is never cut.
    fn line(&mut self, line: &str) {
        let mut octets = 0;
        for letter in line.chars() {
            if octets + letter.len_utf8() > MOST_OCTETS {
                self.text.push_str("\r\n ");
                octets = 1;
            }
            self.text.push(letter);
            octets += letter.len_utf8();
        }
        self.text.push_str("\r\n");
    }

    fn property(&mut self, name: &str, text: &str) {
        if !text.is_empty() {
            self.line(&format!("{name}:{}", escaped(text)));
        }
    }

    /// Adds a defect that has a plan: an event at its time, or a to-do until it is due where none is known.
    pub fn add(&mut self, defect: &v1::Defect) {
        let Some(plan) = &defect.plan else {
            return;
        };
        let kind = if plan.at_unix_ms.is_some() {
            "VEVENT"
        } else {
            "VTODO"
        };
        self.line(&format!("BEGIN:{kind}"));
        // The same defect is the same item when it is imported again, whatever address it was asked for at.
        let (number, opened) = (tail(&defect.name), defect.opened_unix_ms);
        self.line(&format!("UID:defect-{number}-{opened}@wheeltap"));
        let stamp = self.stamp.clone();
        self.line(&format!("DTSTAMP:{stamp}"));
        match plan.at_unix_ms {
            Some(at) => self.line(&format!("DTSTART:{}", instant(at))),
            None => self.line(&format!("DUE:{}", instant(defect.due_unix_ms))),
        }
        self.property(
            "SUMMARY",
            &format!("{}: {}", tail(&defect.unit), defect.title),
        );
        self.property("LOCATION", &plan.service_point);
        let mut about = format!("Defect {}, {}", tail(&defect.name), defect.component);
        for (word, text) in [
            ("do", &defect.action),
            ("craft", &plan.craft),
            ("part", &plan.part),
            ("note", &plan.note),
        ] {
            if !text.is_empty() {
                // Writing to a string does not fail.
                let _ = write!(about, "\n{word}: {text}");
            }
        }
        self.property("DESCRIPTION", &about);
        self.property("CATEGORIES", &defect.component);
        self.line(&format!("END:{kind}"));
        self.n_entries += 1;
    }

    /// The whole text, and how many entries it has.
    pub fn finish(mut self) -> (String, usize) {
        self.line("END:VCALENDAR");
        (self.text, self.n_entries)
    }
}
