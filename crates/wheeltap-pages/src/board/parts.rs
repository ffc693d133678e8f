//! The board as parts that a browser keeps: a row is sent again only when it became another.
//!
//! Each time the board is made anew is a *rendering* with a number. A part remembers the rendering in which it
//! became what it is, so a browser that names what it shows is sent the order of all rows, the time left of
//! each, and of the rows themselves those alone that it does not have. What it missed is among them, however
//! long it was away. A flood's four hundred rows took half a second to lay out each time they came whole.

use super::{Line, Row, Rows, STRETCHES};
use crate::told;
use askama::Template;
use serde::Serialize;
use std::collections::{BTreeMap, HashMap};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::sync::Arc;
use wheeltap_proto::v1;

/// When an answer is due. Time left goes on without the row being another; that it is over is news.
pub struct Due {
    at_unix_ms: i64,
    left_ms: i64,
}

impl Due {
    pub fn of(defect: &v1::Defect, left_ms: i64) -> Self {
        Self {
            at_unix_ms: defect.due_unix_ms,
            left_ms,
        }
    }

    pub fn iso(&self) -> String {
        told::instant(self.at_unix_ms)
    }

    pub fn left(&self) -> String {
        super::left(self.left_ms)
    }

    pub fn is_over(&self) -> bool {
        self.left_ms < 0
    }
}

impl Hash for Due {
    fn hash<H: Hasher>(&self, state: &mut H) {
        (self.at_unix_ms, self.is_over()).hash(state);
    }
}

/// One row or line in HTML, without its time left.
struct Part {
    digest: u64,
    /// The rendering in which it became this.
    since: u64,
    html: String,
    /// Where time left stands in `html`; none where it is not told.
    left_at: Option<usize>,
}

impl Part {
    /// The element with its time left, as a page without script shows it.
    fn whole(&self, left: &str) -> String {
        let mut whole = self.html.clone();
        if let Some(at) = self.left_at {
            whole.insert_str(at, left);
        }
        whole
    }
}

/// What was on the board when it was last made.
pub struct Sight {
    rendering: u64,
    parts: HashMap<u64, Arc<Part>>,
}

impl Sight {
    /// Renderings are counted from `first`, which must be above every one of an earlier process: a browser
    /// outlives it.
    pub fn new(first: u64) -> Self {
        Self {
            rendering: first,
            parts: HashMap::new(),
        }
    }

    fn part<T: OfDefect>(&self, of: &T) -> Result<Arc<Part>, askama::Error> {
        let mut hasher = DefaultHasher::new();
        (std::any::type_name::<T>(), of).hash(&mut hasher);
        let digest = hasher.finish();
        if let Some(part) = self.parts.get(&of.number())
            && part.digest == digest
        {
            return Ok(Arc::clone(part));
        }
        let html = of.render()?;
        Ok(Arc::new(Part {
            digest,
            since: self.rendering,
            left_at: html.find("</time>"),
            html,
        }))
    }
}

/// Rows of one stretch of time, or lines of one table.
pub struct List {
    id: &'static str,
    pub heading: &'static str,
    rows: Vec<(u64, Arc<Part>, String)>,
}

impl List {
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    /// The rows' HTML, each with its time left.
    pub fn whole(&self) -> impl Iterator<Item = String> {
        self.rows.iter().map(|(_, part, left)| part.whole(left))
    }
}

/// The board as it was made once, for all who look.
#[derive(Template)]
#[template(path = "rows.html")]
pub struct Board {
    rendering: u64,
    generation: u64,
    as_of: String,
    waiting: String,
    load: String,
    more: String,
    shop: String,
    baseless: String,
    owed: String,
    stretches: Vec<List>,
    taken: List,
    muted: List,
}

/// What a browser is sent that already shows an earlier rendering.
#[derive(Debug, Serialize)]
pub struct Changes<'a> {
    rendering: u64,
    generation: u64,
    as_of: &'a str,
    /// Sentences by the id of their element; an empty one is hidden.
    said: BTreeMap<&'static str, &'a str>,
    /// All rows in order, by the list's id: the row's id and its time left.
    lists: BTreeMap<&'static str, Vec<(String, &'a str)>>,
    /// HTML of the rows that became what they are after what the browser shows, by id.
    rows: BTreeMap<String, &'a str>,
}

fn row_id(number: u64) -> String {
    format!("d{number}")
}

/// What stands on the board for one defect.
trait OfDefect: Hash + Template {
    fn number(&self) -> u64;
    fn due(&self) -> &Due;
}

impl OfDefect for Row {
    fn number(&self) -> u64 {
        self.number
    }

    fn due(&self) -> &Due {
        &self.due
    }
}

impl OfDefect for Line {
    fn number(&self) -> u64 {
        self.number
    }

    fn due(&self) -> &Due {
        &self.due
    }
}

fn list(
    sight: &Sight,
    id: &'static str,
    heading: &'static str,
    rows: &[impl OfDefect],
) -> Result<List, askama::Error> {
    let rows = rows.iter().map(|row| {
        let left = row.due().left();
        Ok((row.number(), sight.part(row)?, left))
    });
    Ok(List {
        id,
        heading,
        rows: rows.collect::<Result<_, askama::Error>>()?,
    })
}

impl Board {
    /// Makes the board of what was read, of `generation` or later, and remembers it as the newest rendering.
    pub fn of(sight: &mut Sight, generation: u64, rows: Rows) -> Result<Self, askama::Error> {
        sight.rendering += 1;
        let stretches = STRETCHES.iter().zip(&rows.waiting);
        let stretches = stretches
            .map(|((id, heading, _), rows)| list(sight, id, heading, rows))
            .collect::<Result<_, _>>()?;
        let board = Self {
            rendering: sight.rendering,
            generation,
            waiting: match rows.n_waiting {
                0 => "Nothing waits for an answer".to_owned(),
                1 => "1 waits for an answer".to_owned(),
                n => format!("{n} wait for an answer"),
            },
            load: rows.load,
            more: match rows.n_more {
                0 => String::new(),
                1 => "1 more is due later than these.".to_owned(),
                n => format!("{n} more are due later than these."),
            },
            shop: match rows.n_shop {
                0 => String::new(),
                1 => "1 more is for the shop and rings nobody.".to_owned(),
                n => format!("{n} more are for the shop and ring nobody."),
            },
            baseless: match rows.n_baseless {
                0 => String::new(),
                1 => "Later data took back the alerts of 1 more, which still needs its finding."
                    .to_owned(),
                n => format!(
                    "Later data took back the alerts of {n} more, which still need their findings."
                ),
            },
            owed: match rows.n_finding_owed {
                0 => String::new(),
                1 => "1 was closed without a finding, which is owed.".to_owned(),
                n => format!("{n} were closed without a finding, which is owed."),
            },
            as_of: rows.as_of,
            stretches,
            taken: list(sight, "taken", "Taken on", &rows.taken)?,
            muted: list(sight, "muted", "Muted", &rows.muted)?,
        };
        sight.parts = board
            .lists()
            .flat_map(|list| &list.rows)
            .map(|(number, part, _)| (*number, Arc::clone(part)))
            .collect();
        Ok(board)
    }

    /// `3 wait for an answer`.
    pub fn waiting(&self) -> &str {
        &self.waiting
    }

    fn lists(&self) -> impl Iterator<Item = &List> {
        self.stretches.iter().chain([&self.taken, &self.muted])
    }

    /// What a browser needs that shows the rendering `shown`; all for one that shows none, or one of another
    /// process.
    pub fn since(&self, shown: u64) -> Changes<'_> {
        let mut changes = Changes {
            rendering: self.rendering,
            generation: self.generation,
            as_of: &self.as_of,
            said: BTreeMap::from([
                ("waiting", self.waiting.as_str()),
                ("load", &self.load),
                ("more", &self.more),
                ("shop", &self.shop),
                ("baseless", &self.baseless),
                ("owed", &self.owed),
            ]),
            lists: BTreeMap::new(),
            rows: BTreeMap::new(),
        };
        for list in self.lists() {
            let order = list.rows.iter();
            let order = order.map(|(number, _, left)| (row_id(*number), left.as_str()));
            changes.lists.insert(list.id, order.collect());
            for (number, part, _) in &list.rows {
                if part.since > shown {
                    changes.rows.insert(row_id(*number), &part.html);
                }
            }
        }
        changes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(number: u64, title: &str, left_ms: i64) -> Row {
        Row {
            number,
            due: Due {
                at_unix_ms: 1_000_000_000,
                left_ms,
            },
            unit: "ZVR 1".to_owned(),
            unit_path: "ZVR%201".to_owned(),
            component: "fuel pump".to_owned(),
            title: title.to_owned(),
            priority: "high".to_owned(),
            action: String::new(),
            remarks: Vec::new(),
            alerts: Vec::new(),
            shelvable: None,
        }
    }

    fn rows(waiting: Vec<Row>) -> Rows {
        Rows {
            n_waiting: waiting.len(),
            waiting: [Vec::new(), waiting, Vec::new(), Vec::new()],
            taken: Vec::new(),
            muted: Vec::new(),
            n_more: 0,
            n_shop: 0,
            n_baseless: 0,
            n_finding_owed: 1,
            load: String::new(),
            as_of: String::new(),
        }
    }

    fn sent(board: &Board, shown: u64) -> Vec<String> {
        board.since(shown).rows.into_keys().collect()
    }

    #[test]
    fn a_row_is_sent_again_only_when_it_became_another() {
        let mut sight = Sight::new(100);
        let first = Board::of(
            &mut sight,
            1,
            rows(vec![row(1, "a", 9_000_000), row(2, "b", 9_000_000)]),
        )
        .unwrap();
        assert_eq!(sent(&first, 0), ["d1", "d2"]);
        assert_eq!(sent(&first, first.rendering), [""; 0]);
        // One changed, of one only the time left, one is new.
        let second = Board::of(
            &mut sight,
            2,
            rows(vec![
                row(3, "c", 8_000_000),
                row(1, "a", 8_000_000),
                row(2, "b!", 8_000_000),
            ]),
        )
        .unwrap();
        assert_eq!(sent(&second, first.rendering), ["d2", "d3"]);
        let changes = second.since(first.rendering);
        let order: Vec<&str> = changes.lists["within-1h"]
            .iter()
            .map(|(id, _)| id.as_str())
            .collect();
        assert_eq!(order, ["d3", "d1", "d2"]);
        assert_eq!(changes.lists["within-1h"][1].1, "in 2 h 13 min");
        // Who missed a rendering gets what changed in it too.
        let third = Board::of(
            &mut sight,
            2,
            rows(vec![row(1, "a", 7_000_000), row(2, "b!", 7_000_000)]),
        )
        .unwrap();
        assert_eq!(sent(&third, first.rendering), ["d2"]);
        assert_eq!(sent(&third, second.rendering), [""; 0]);
        // What left and came back is sent to who no longer has it.
        let fourth = Board::of(&mut sight, 2, rows(vec![row(3, "c", 1)])).unwrap();
        assert_eq!(sent(&fourth, third.rendering), ["d3"]);
        // A browser of an earlier process gets all.
        assert_eq!(sent(&fourth, 99), ["d3"]);
    }

    #[test]
    fn time_over_is_news_and_a_page_shows_time_left() {
        let mut sight = Sight::new(0);
        let before = Board::of(&mut sight, 1, rows(vec![row(1, "a", 5_000)])).unwrap();
        let page = before.render().unwrap();
        assert!(page.contains(">in 5 s</time>"), "{page}");
        assert!(page.contains("1 waits for an answer"), "{page}");
        assert_eq!(before.waiting(), "1 waits for an answer");
        assert!(page.contains("href=\"/defects?show=waiting&amp;page=after-the-board\""));
        let owed =
            "<a id=\"owed\" href=\"/defects?show=finding-owed\">1 was closed without a finding";
        assert!(page.contains(owed), "{page}");
        let after = Board::of(&mut sight, 1, rows(vec![row(1, "a", -1)])).unwrap();
        assert_eq!(sent(&after, before.rendering), ["d1"]);
        assert!(after.render().unwrap().contains("class=\"row over\""));
    }
}
