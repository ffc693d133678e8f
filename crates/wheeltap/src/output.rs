//! What people and programs see: data on stdout, notes and progress on stderr.

use comfy_table::{ContentArrangement, Table, presets};
use indicatif::{ProgressBar, ProgressStyle};
use serde::Serialize;
use std::io::{self, BufWriter, IsTerminal, StdoutLock, Write};
pub use wheeltap_model::{number_words as number, rate_words as rate, span_words as duration};

/// Data on stdout, buffered: call [`Out::flush`] at the end, and after each line that someone waits for.
pub struct Out {
    to: BufWriter<StdoutLock<'static>>,
}

impl Out {
    pub fn new() -> Self {
        Self {
            to: BufWriter::new(io::stdout().lock()),
        }
    }

    /// One JSON object on one line.
    pub fn json(&mut self, value: &impl Serialize) -> anyhow::Result<()> {
        serde_json::to_writer(&mut self.to, value).map_err(io::Error::from)?;
        self.to.write_all(b"\n")?;
        Ok(())
    }

    pub fn line(&mut self, text: impl AsRef<str>) -> anyhow::Result<()> {
        self.to.write_all(text.as_ref().as_bytes())?;
        self.to.write_all(b"\n")?;
        Ok(())
    }

    /// Columns under a head, as wide as the terminal allows; into a file or pipe never wrapped.
    pub fn table(&mut self, head: &[&str], rows: Vec<Vec<String>>) -> anyhow::Result<()> {
        let mut table = Table::new();
        table.load_preset(presets::NOTHING);
        if io::stdout().is_terminal() {
            table.set_content_arrangement(ContentArrangement::Dynamic);
        }
        table.set_header(head.iter().map(|title| title.to_uppercase()));
        for row in rows {
            table.add_row(row);
        }
        for column in table.column_iter_mut() {
            column.set_padding((0, 2));
        }
        for line in table.lines() {
            self.line(line.trim_end())?;
        }
        Ok(())
    }

    /// Names with their values, one a line.
    pub fn facts(&mut self, facts: &[(&str, String)]) -> anyhow::Result<()> {
        let width = facts.iter().map(|(name, _)| name.len()).max().unwrap_or(0);
        for (name, value) in facts {
            self.line(format!("{name:width$}  {value}").trim_end())?;
        }
        Ok(())
    }

    pub fn flush(&mut self) -> anyhow::Result<()> {
        self.to.flush()?;
        Ok(())
    }
}

/// A line cut to the terminal's width; into a file or pipe it stays whole.
pub fn fitted(line: String) -> String {
    match Table::new().width() {
        Some(width) if io::stdout().is_terminal() => cut(line, usize::from(width)),
        _ => line,
    }
}

fn cut(line: String, width: usize) -> String {
    if line.chars().count() <= width {
        return line;
    }
    let kept: String = line.chars().take(width.saturating_sub(3)).collect();
    format!("{kept}...")
}

/// A note for people on stderr. A closed stderr is nobody's loss.
pub fn note(text: impl AsRef<str>) {
    let _ = writeln!(io::stderr(), "{}", text.as_ref());
}

/// A bar over bytes on stderr; it hides itself where stderr is no terminal.
pub fn bytes_bar(total: u64, verb: &'static str) -> ProgressBar {
    let style = "{prefix} {wide_bar} {bytes} of {total_bytes}, {eta} left";
    bar(total, style, verb)
}

/// A bar over things on stderr.
pub fn count_bar(total: u64, verb: &'static str, things: &str) -> ProgressBar {
    let style = format!("{{prefix}} {{wide_bar}} {{pos}} of {{len}} {things}, {{eta}} left");
    bar(total, &style, verb)
}

/// A bar over a known stretch, with a word for where it is.
pub fn share_bar(total: u64, verb: &'static str) -> ProgressBar {
    bar(total, "{prefix} {wide_bar} {msg}", verb)
}

fn bar(total: u64, style: &str, verb: &'static str) -> ProgressBar {
    let bar = ProgressBar::new(total);
    if let Ok(style) = ProgressStyle::with_template(style) {
        bar.set_style(style.progress_chars("=> "));
    }
    bar.set_prefix(verb);
    bar
}

/// A bar whose total is not known before the work has begun; gone when dropped.
pub struct LateBar {
    verb: &'static str,
    bar: Option<ProgressBar>,
}

impl LateBar {
    pub const fn new(verb: &'static str) -> Self {
        Self { verb, bar: None }
    }

    /// So many of so many units are done.
    pub fn units(&mut self, n_done: u64, n_units: u64) {
        let bar = self
            .bar
            .get_or_insert_with(|| count_bar(n_units, self.verb, "units"));
        bar.set_position(n_done);
    }
}

impl Drop for LateBar {
    fn drop(&mut self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// `1 alert`, `2 alerts`, `2 batches`.
pub fn counted(n: impl TryInto<u64>, one: &str) -> String {
    let n = n.try_into().unwrap_or(u64::MAX);
    let ending = match (n, one.ends_with("ch")) {
        (1, _) => "",
        (_, true) => "es",
        (_, false) => "s",
    };
    format!("{} {one}{ending}", grouped(n))
}

/// Digits in groups of three: `1,234,567`.
pub fn grouped(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::with_capacity(digits.len() + digits.len() / 3);
    for (idx, digit) in digits.chars().enumerate() {
        if idx > 0 && (digits.len() - idx).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_easily() {
        assert_eq!(counted(1, "batch"), "1 batch");
        assert_eq!(counted(0, "batch"), "0 batches");
        assert_eq!(counted(2_000, "alert"), "2,000 alerts");
        assert_eq!(grouped(0), "0");
        assert_eq!(grouped(999), "999");
        assert_eq!(grouped(1_234_567), "1,234,567");
        assert_eq!(cut("0123456789".to_owned(), 10), "0123456789");
        assert_eq!(cut("0123456789".to_owned(), 9), "012345...");
    }
}
