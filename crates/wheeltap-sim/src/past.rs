//! The shops' book of the years before a run: what failed on each unit, when, and what it did meanwhile.
//!
//! Components fail by age, each with its own Weibull distribution of lives in days of work; a repair makes a
//! component as new. So a report of lives, rates and trends can be held against what the file says.

use crate::FileError;
use crate::file::{parse, refuse};
use crate::random::Random;
use serde::Deserialize;
use wheeltap_model::{ClassName, Dated, DefectOrigin, EventTime, FindingKind, UnitId, UnitState};

const HOUR_MS: f64 = 3_600_000.0;
const DAY_MS: f64 = 24.0 * HOUR_MS;
const SAID_BY: &str = "yard";

/// A file of lives.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PastFile {
    /// Days before the run that the book covers.
    pub days: u16,
    /// Units unlike the others.
    #[serde(default)]
    pub unit: Vec<PastUnit>,
    /// What fails.
    pub component: Vec<PastComponent>,
    /// Reports that were none.
    pub false_reports: FalseReports,
}

/// A unit whose components live shorter or longer than the file says.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PastUnit {
    /// Which.
    pub id: UnitId,
    /// Its lives are those of the file times this; above 0.
    pub lives: f64,
}

/// A component and how it lives.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PastComponent {
    /// System, in the rule book's words.
    pub system: String,
    /// Component, in the rule book's words.
    pub name: String,
    /// Only these classes have it; empty for all.
    #[serde(default)]
    pub classes: Vec<ClassName>,
    /// The life that 63.2 % do not reach, days of work; above 0.
    pub life_days: f64,
    /// Weibull shape; above 0.
    pub shape: f64,
    /// Share of failures that stop the unit on the road, 0 to 1.
    pub on_the_road: f64,
    /// Days in shop on average; above 0.
    pub shop_days: f64,
    /// What the shop writes down, at least one.
    pub found: Vec<String>,
    /// From this day of the book on a better part is put in.
    #[serde(default)]
    pub better_after_days: Option<u16>,
    /// Its life is the old one times this.
    #[serde(default = "one")]
    pub better: f64,
}

const fn one() -> f64 {
    1.0
}

/// Reports that were no failure of what they named.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FalseReports {
    /// In a unit's year of work.
    pub a_year: f64,
}

/// One unit's part of the book.
#[derive(Clone, Debug, PartialEq)]
pub struct Past {
    /// What it did, from the first day on.
    pub states: Vec<Dated<UnitState>>,
    /// Its defects with their findings, in the order in which they were reported.
    pub defects: Vec<PastDefect>,
}

/// A defect that is closed.
#[derive(Clone, Debug, PartialEq)]
pub struct PastDefect {
    /// System.
    pub system: String,
    /// Component.
    pub component: String,
    /// Who saw it.
    pub origin: DefectOrigin,
    /// In their words.
    pub title: String,
    /// When.
    pub first_sign_at: EventTime,
    /// What the shop found.
    pub finding: FindingKind,
    /// In its words.
    pub note: String,
    /// When the work was done.
    pub repaired_at: EventTime,
}

impl PastFile {
    /// Reads a file of lives.
    ///
    /// # Errors
    /// [`FileError`] with the place and the mend.
    pub fn parse(file: &str, text: &str) -> Result<Self, FileError> {
        let past: Self = parse(file, text)?;
        let is_positive = |number: f64| number.is_finite() && number > 0.0;
        for component in &past.component {
            let PastComponent {
                life_days,
                shape,
                shop_days,
                better,
                on_the_road,
                ..
            } = *component;
            let are_positive = [life_days, shape, shop_days, better]
                .into_iter()
                .all(is_positive);
            if !are_positive || !(0.0..=1.0).contains(&on_the_road) || component.found.is_empty() {
                let what = format!(
                    "component \"{}\": lives, shape, shop_days and better are above 0, on_the_road \
                     is 0 to 1, and something is found",
                    component.name
                );
                return Err(refuse(file, text, &format!("\"{}\"", component.name), what));
            }
        }
        if let Some(unit) = past.unit.iter().find(|unit| !is_positive(unit.lives)) {
            let what = format!("unit \"{}\": lives is above 0", unit.id);
            return Err(refuse(file, text, unit.id.as_str(), what));
        }
        let a_year = past.false_reports.a_year;
        if !(a_year.is_finite() && a_year >= 0.0) {
            let what = "false_reports: a_year is 0 or more".to_owned();
            return Err(refuse(file, text, "a_year", what));
        }
        Ok(past)
    }

    /// Draws the book of one unit up to `until`. What would still be in shop then is left out.
    pub fn draw(&self, seed: u64, unit: &UnitId, class: &ClassName, until: EventTime) -> Past {
        let from = until.plus_ms(whole(-f64::from(self.days) * DAY_MS));
        let has_it = |component: &&PastComponent| {
            component.classes.is_empty() || component.classes.contains(class)
        };
        let own = self.unit.iter().find(|own| own.id == *unit);
        let mut random = Random::named(seed, &format!("past of {unit}"));
        let parts = self.component.iter().filter(has_it);
        let parts = parts.map(|component| {
            // Put in some time before the book begins.
            let age = random.share() * component.life_days;
            Part {
                component,
                age,
                is_better: false,
            }
        });
        let mut drawing = Drawing {
            parts: parts.collect(),
            lives: own.map_or(1.0, |own| own.lives),
            false_a_day: self.false_reports.a_year / 365.25,
            random: random.apart(),
            past: Past {
                states: vec![state(from, UnitState::Working)],
                defects: Vec::new(),
            },
            from,
            until,
        };
        drawing.run();
        drawing.past
    }
}

fn state(from: EventTime, value: UnitState) -> Dated<UnitState> {
    Dated {
        from,
        value,
        source: SAID_BY.to_owned(),
    }
}

#[expect(
    clippy::cast_possible_truncation,
    reason = "milliseconds of some years are far below 2^53"
)]
fn whole(ms: f64) -> i64 {
    libm::round(ms) as i64
}

struct Part<'a> {
    component: &'a PastComponent,
    /// Days of work since it was new.
    age: f64,
    is_better: bool,
}

struct Drawing<'a> {
    parts: Vec<Part<'a>>,
    lives: f64,
    false_a_day: f64,
    random: Random,
    past: Past,
    from: EventTime,
    until: EventTime,
}

impl Drawing<'_> {
    /// Day of work by day of work.
    fn run(&mut self) {
        let mut now = self.from;
        while now < self.until {
            let Some((idx, share)) = self.failing() else {
                self.worked(1.0);
                self.false_report(now);
                now = now.plus_ms(whole(DAY_MS));
                continue;
            };
            self.worked(share);
            let at = now.plus_ms(whole(share * DAY_MS));
            let Some(back) = self.failed(idx, at) else {
                return;
            };
            now = back;
        }
    }

    /// The part that fails on the coming day of work, the first of several, and after which share of it.
    fn failing(&mut self) -> Option<(usize, f64)> {
        let mut first: Option<(usize, f64)> = None;
        for (idx, part) in self.parts.iter().enumerate() {
            let component = part.component;
            let better = if part.is_better {
                component.better
            } else {
                1.0
            };
            let life = component.life_days * self.lives * better;
            let hazard = |age: f64| libm::pow(age / life, component.shape);
            let chance = -libm::expm1(hazard(part.age) - hazard(part.age + 1.0));
            if self.random.chance(chance) {
                let share = self.random.share();
                if first.is_none_or(|(_, earlier)| share < earlier) {
                    first = Some((idx, share));
                }
            }
        }
        first
    }

    fn worked(&mut self, days: f64) {
        for part in &mut self.parts {
            part.age += days;
        }
    }

    /// Writes a failure down; gives when the unit works again, or `None` when that is after the end.
    fn failed(&mut self, idx: usize, at: EventTime) -> Option<EventTime> {
        let component = self.parts[idx].component;
        let hours = |random: &mut Random, low, high| whole(random.between(low, high) * HOUR_MS);
        let on_the_road = self.random.chance(component.on_the_road);
        let mut states = Vec::new();
        let mut shop_at = at;
        let origin = if on_the_road {
            states.push(state(at, UnitState::StoppedTrip));
            let towed_at = at.plus_ms(hours(&mut self.random, 1.0, 6.0));
            states.push(state(towed_at, UnitState::DeadInTow));
            shop_at = towed_at.plus_ms(hours(&mut self.random, 3.0, 20.0));
            DefectOrigin::RoadFailure
        } else {
            shop_at = shop_at.plus_ms(hours(&mut self.random, 0.5, 6.0));
            states.push(state(at, UnitState::Isolated));
            match self.random.seconds(0, 3) {
                0 => DefectOrigin::CrewReport,
                1 => DefectOrigin::DailyInspection,
                _ => DefectOrigin::ShopFind,
            }
        };
        states.push(state(shop_at, UnitState::InShop));
        let days = component.shop_days * self.random.between(0.4, 1.6);
        let back = shop_at.plus_ms(whole(days * DAY_MS));
        if back >= self.until {
            return None;
        }
        states.push(state(back, UnitState::Working));
        self.past.states.extend(states);
        let found = i64::try_from(component.found.len()).unwrap_or(1);
        let found = usize::try_from(self.random.seconds(0, found)).unwrap_or(0);
        self.past.defects.push(PastDefect {
            system: component.system.clone(),
            component: component.name.clone(),
            origin,
            title: if on_the_road {
                format!("Stopped on the road: {}", component.name)
            } else {
                format!("{} not in order", component.name)
            },
            first_sign_at: at,
            finding: FindingKind::AsCalled,
            note: component.found[found].clone(),
            repaired_at: back,
        });
        let day = back.ms_since(self.from) as f64 / DAY_MS;
        let part = &mut self.parts[idx];
        part.age = 0.0;
        part.is_better = component
            .better_after_days
            .is_some_and(|after| day >= f64::from(after));
        Some(back)
    }

    /// A report of something that was in order, or was something else; looked at while the unit works.
    fn false_report(&mut self, now: EventTime) {
        if self.parts.is_empty() || !self.random.chance(self.false_a_day) {
            return;
        }
        let n_parts = i64::try_from(self.parts.len()).unwrap_or(1);
        let idx = usize::try_from(self.random.seconds(0, n_parts)).unwrap_or(0);
        let component = self.parts[idx].component;
        let (finding, note) = match self.random.seconds(0, 10) {
            0..=5 => (FindingKind::NoFaultFound, "Tested, in order."),
            6 | 7 => (FindingKind::SensorOrWiring, "Plug corroded."),
            8 => (FindingKind::CouldNotTest, "No load box free."),
            _ => (FindingKind::AnotherFault, "Loose clamp nearby."),
        };
        let repaired_at = now.plus_ms(whole(self.random.between(2.0, 20.0) * HOUR_MS));
        if repaired_at >= self.until {
            return;
        }
        self.past.defects.push(PastDefect {
            system: component.system.clone(),
            component: component.name.clone(),
            origin: DefectOrigin::CrewReport,
            title: format!("{} seems not in order", component.name),
            first_sign_at: now,
            finding,
            note: note.to_owned(),
            repaired_at,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FILE: &str = r#"
        days = 730
        [[unit]]
        id = "ZVR 9"
        lives = 0.2
        [[component]]
        system = "traction"
        name = "traction motor"
        life_days = 200.0
        shape = 2.0
        on_the_road = 0.5
        shop_days = 2.0
        found = ["shorted"]
        [[component]]
        system = "sand"
        name = "sander"
        classes = ["Stoat"]
        life_days = 50.0
        shape = 1.0
        on_the_road = 0.0
        shop_days = 0.5
        found = ["blocked"]
        [false_reports]
        a_year = 1.0
    "#;

    fn past(unit: &str, class: &str) -> Past {
        let file = PastFile::parse("past.toml", FILE).unwrap();
        let until = EventTime::from_unix_ms(1_772_409_600_000);
        let (unit, class) = (UnitId::new(unit).unwrap(), ClassName::new(class).unwrap());
        file.draw(1, &unit, &class, until)
    }

    #[test]
    fn a_book_is_in_order_and_ends_before_the_run() {
        let until = EventTime::from_unix_ms(1_772_409_600_000);
        let seen = past("ZVR 1", "Stoat");
        assert_eq!(seen, past("ZVR 1", "Stoat"), "the same seed, the same book");
        assert!(
            seen.states
                .windows(2)
                .all(|pair| pair[0].from < pair[1].from)
        );
        assert_eq!(seen.states.last().unwrap().value, UnitState::Working);
        assert_eq!(until.ms_since(seen.states[0].from), 730 * 86_400_000);
        let signs = seen.defects.windows(2);
        assert!(
            signs
                .into_iter()
                .all(|pair| pair[0].first_sign_at < pair[1].first_sign_at)
        );
        for defect in &seen.defects {
            assert!(defect.first_sign_at < defect.repaired_at && defect.repaired_at < until);
        }
        let road = seen
            .defects
            .iter()
            .find(|defect| defect.origin == DefectOrigin::RoadFailure);
        let road = road.unwrap();
        let stopped = seen
            .states
            .iter()
            .find(|state| state.from == road.first_sign_at);
        assert_eq!(stopped.unwrap().value, UnitState::StoppedTrip);
    }

    #[test]
    fn lives_are_as_the_file_says() {
        let mut n_failures = 0_u32;
        let mut n_bad = 0_u32;
        for number in 100..300 {
            let motors = past(&format!("ZVR {number}"), "Marten");
            let motors = motors.defects.iter();
            n_failures += u32::try_from(
                motors
                    .filter(|defect| {
                        assert_eq!(
                            defect.component, "traction motor",
                            "a Marten has no sander here"
                        );
                        defect.finding == FindingKind::AsCalled
                    })
                    .count(),
            )
            .unwrap();
        }
        for defect in past("ZVR 9", "Marten").defects {
            n_bad += u32::from(defect.finding == FindingKind::AsCalled);
        }
        // A mean life of 200 x gamma(1.5) = 177 days, and some days out of work between: about four in two
        // years, and five times as many on the bad one.
        let mean = f64::from(n_failures) / 200.0;
        assert!((3.4..4.3).contains(&mean), "{mean}");
        assert!((14..=24).contains(&n_bad), "{n_bad}");
    }

    #[test]
    fn bad_files_are_refused_with_their_place() {
        let refused = |from: &str, to: &str| {
            let text = FILE.replacen(from, to, 1);
            PastFile::parse("past.toml", &text).unwrap_err().to_string()
        };
        let message = refused("shape = 2.0", "shape = 0.0");
        assert!(
            message.starts_with("past.toml:8:") && message.contains("above 0"),
            "{message}"
        );
        assert!(refused("lives = 0.2", "lives = -1.0").contains("ZVR 9"));
        assert!(refused("a_year = 1.0", "a_year = -1.0").contains("a_year"));
        assert!(refused("on_the_road = 0.5", "on_the_road = 1.5").contains("0 to 1"));
        assert!(refused("[\"shorted\"]", "[]").contains("something is found"));
        assert!(refused("days = 730", "days = \"x\"").contains("past.toml:2:"));
    }
}
