//! Work at a service point: who is there, what a job takes, what is filled, what wears, what is due.

use crate::{
    ChannelDef, ChannelName, ClassDef, ClassName, EventTime, PointName, ServerTime, UnitId,
    UnitState,
};
use serde::{Deserialize, Serialize};

/// Where a crew works: crews above and below work side by side.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// On the unit: cab, hood, roof.
    Above,
    /// Under and beside it: trucks, brake rigging, tanks.
    Below,
}

impl Side {
    /// The word used in files and output.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Above => "above",
            Self::Below => "below",
        }
    }
}

/// One step of a piece of work: one crew, from start to end without a break.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Step {
    /// The craft, such as `machinist`.
    pub craft: String,
    /// Where.
    pub side: Side,
    /// How long, in minutes; above zero.
    pub minutes: u32,
    /// Nobody else may be on, under or between meanwhile, as when an engine is started for a test.
    pub alone: bool,
}

/// How many crews of one craft work on one side of a unit at a time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Crew {
    /// The craft.
    pub craft: String,
    /// Where.
    pub side: Side,
    /// Crews; above zero.
    pub crews: u32,
}

/// A place where units are serviced.
#[derive(Clone, Debug, PartialEq)]
pub struct ServicePoint {
    /// Its name.
    pub name: PointName,
    /// How long a stop is planned for where the arrival does not say, in milliseconds.
    pub stop_ms: i64,
    /// What of a stop goes into protecting people before work and releasing the unit after it, in
    /// minutes: blue signal, lockout, their removal.
    pub lockout_minutes: u32,
    /// Who works there; a craft that is missing is not there.
    pub crews: Vec<Crew>,
    /// What can be filled there, by the name of its [`Fill`].
    pub fills: Vec<String>,
}

/// What it takes to put a component right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Job {
    /// In the words of the rule book.
    pub component: String,
    /// The class it is for; `None`: every class without a job of its own.
    pub class: Option<ClassName>,
    /// One after the other; at least one.
    pub steps: Vec<Step>,
    /// The part it takes, if any.
    pub part: Option<String>,
    /// What to beware of, said with the job.
    pub caution: Option<String>,
}

/// Something that is filled, such as fuel.
#[derive(Clone, Debug, PartialEq)]
pub struct Fill {
    /// `fuel`, `sand`, `oil`, `water` or the railway's own.
    pub name: String,
    /// The class it is for; `None`: every class without one of its own.
    pub class: Option<ClassName>,
    /// The channel that tells the level.
    pub level: ChannelName,
    /// The level when full, in the channel's unit; `None`: by [`Fill::full_of`].
    pub full: Option<f64>,
    /// Share of full that must be left at the next stop, 0 to 1.
    pub keep: f64,
    /// Use an hour in the channel's unit, where the unit's own use is not known.
    pub use_per_h: Option<f64>,
    /// What filling takes; empty: nobody said.
    pub steps: Vec<Step>,
}

impl Fill {
    /// The level when full: as stated; else 100 of a level in percent; else the class's capacity, where
    /// its unit (L, and kg for sand) is the channel's.
    pub fn full_of(&self, class: Option<&ClassDef>, channel: &ChannelDef) -> Option<f64> {
        self.full.or_else(|| match channel.ucum.as_str() {
            "%" => Some(100.0),
            ucum => self
                .capacity_of(class)
                .and_then(|(capacity, own)| (own == ucum).then_some(capacity)),
        })
    }

    /// What the class holds of it, and the UCUM code.
    pub fn capacity_of(&self, class: Option<&ClassDef>) -> Option<(f64, &'static str)> {
        let class = class?;
        let (capacity, ucum) = match self.name.as_str() {
            "fuel" => (class.fuel_capacity_l, "L"),
            "sand" => (class.sand_capacity_kg, "kg"),
            "oil" => (class.oil_capacity_l, "L"),
            "water" => (class.water_capacity_l, "L"),
            _ => (None, ""),
        };
        capacity.map(|capacity| (capacity, ucum))
    }
}

/// What the wear of a thing goes by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum WearBasis {
    /// Calendar days.
    Day,
    /// Hours that the engine ran, by `engine.hours`.
    EngineHour,
    /// Kilometres run, by `unit.odometer`.
    Kilometre,
}

impl WearBasis {
    /// The code used in files and output.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Day => "d",
            Self::EngineHour => "h",
            Self::Kilometre => "km",
        }
    }

    /// The channel that counts it; none for days.
    pub const fn channel(self) -> Option<&'static str> {
        match self {
            Self::Day => None,
            Self::EngineHour => Some("engine.hours"),
            Self::Kilometre => Some("unit.odometer"),
        }
    }
}

/// How the state of something that wears is known.
#[derive(Clone, Debug, PartialEq)]
pub enum WearBy {
    /// From the last gauging or renewal that somebody recorded, and a rate.
    Rate {
        /// Change for each unit of the basis; its sign leads from new to the limit.
        rate: f64,
        /// What the rate is for.
        per: WearBasis,
    },
    /// From a channel: the greatest value (least, where the limit is below new) of the newest day.
    Channel(ChannelName),
}

/// Something that wears and is renewed.
#[derive(Clone, Debug, PartialEq)]
pub struct Wear {
    /// Such as `brake shoes`.
    pub name: String,
    /// The class it is for; `None`: every class without one of its own.
    pub class: Option<ClassName>,
    /// UCUM code of the values.
    pub ucum: String,
    /// When new.
    pub new: f64,
    /// When it must be renewed.
    pub limit: f64,
    /// How its state is known.
    pub by: WearBy,
    /// What renewing it takes; empty: nobody said.
    pub steps: Vec<Step>,
    /// The part it takes, if any.
    pub part: Option<String>,
    /// Where the limit comes from.
    pub source: String,
}

/// An inspection or test that must be made at intervals.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Inspection {
    /// Such as `periodic`.
    pub name: String,
    /// For people.
    pub title: String,
    /// The class it is for; `None`: every class without one of its own.
    pub class: Option<ClassName>,
    /// Due again on the local calendar day so many days after the day it was made; above zero. 1: on each
    /// day of use.
    pub every_days: u32,
    /// Whether days out of use move the day it is due.
    pub credits_out_of_use: bool,
    /// What it takes; empty: nobody said.
    pub steps: Vec<Step>,
    /// Where the interval comes from.
    pub source: String,
}

/// All that is set for work on the service track.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct WorkSettings {
    /// Service points, in the order of the files.
    pub points: Vec<ServicePoint>,
    /// Jobs.
    pub jobs: Vec<Job>,
    /// What is filled.
    pub fills: Vec<Fill>,
    /// What wears.
    pub wears: Vec<Wear>,
    /// What is inspected.
    pub inspections: Vec<Inspection>,
    /// Seconds that local time is ahead of UTC: where a calendar day ends.
    pub utc_offset_s: i32,
    /// How long after leaving the next stop is taken to be while no arrival says, in milliseconds.
    pub next_stop_ms: i64,
    /// Consecutive days without which a time out of use earns no credit.
    pub credit_least_days: u32,
    /// States in which a unit counts as out of use.
    pub out_of_use: Vec<UnitState>,
}

/// The item for a class: its own, or the one for all.
fn of_class<'a, T>(
    items: impl Iterator<Item = &'a T>,
    class: &ClassName,
    class_of: impl Fn(&T) -> Option<&ClassName>,
) -> Option<&'a T> {
    let mut general = None;
    for item in items {
        match class_of(item) {
            Some(own) if own == class => return Some(item),
            None => general = Some(item),
            Some(_) => {}
        }
    }
    general
}

/// Each name once, in order, as it is for a class.
fn each_of_class<'a, T>(
    items: &'a [T],
    class: &ClassName,
    name_of: impl Fn(&T) -> &str + Copy + 'a,
    class_of: impl Fn(&T) -> Option<&ClassName> + Copy + 'a,
) -> Vec<&'a T> {
    let mut found: Vec<&T> = Vec::new();
    for item in items {
        if found.iter().any(|other| name_of(other) == name_of(item)) {
            continue;
        }
        let same = items.iter().filter(|other| name_of(other) == name_of(item));
        found.extend(of_class(same, class, class_of));
    }
    found
}

impl WorkSettings {
    /// A service point.
    pub fn point(&self, name: &PointName) -> Option<&ServicePoint> {
        self.points.iter().find(|point| point.name == *name)
    }

    /// What it takes to put a component of a class right; `None`: nobody said.
    pub fn job(&self, component: &str, class: &ClassName) -> Option<&Job> {
        let jobs = self.jobs.iter().filter(|job| job.component == component);
        of_class(jobs, class, |job| job.class.as_ref())
    }

    /// What is filled on units of a class.
    pub fn fills_of(&self, class: &ClassName) -> Vec<&Fill> {
        each_of_class(
            &self.fills,
            class,
            |fill| &fill.name,
            |fill| fill.class.as_ref(),
        )
    }

    /// What wears on units of a class.
    pub fn wears_of(&self, class: &ClassName) -> Vec<&Wear> {
        each_of_class(
            &self.wears,
            class,
            |wear| &wear.name,
            |wear| wear.class.as_ref(),
        )
    }

    /// What is inspected on units of a class.
    pub fn inspections_of(&self, class: &ClassName) -> Vec<&Inspection> {
        each_of_class(
            &self.inspections,
            class,
            |inspection| &inspection.name,
            |inspection| inspection.class.as_ref(),
        )
    }
}

/// One unit's stop at a service point, as somebody planned it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Arrival {
    /// Chosen by whoever planned it, or made of unit and time.
    pub id: String,
    /// The unit.
    pub unit: UnitId,
    /// Where.
    pub point: PointName,
    /// When it comes in.
    pub arrives_at: EventTime,
    /// When it goes out again; `None`: nobody said.
    pub leaves_at: Option<EventTime>,
    /// Who or what says so.
    pub source: String,
    /// When it was said, server time.
    pub said_at: ServerTime,
    /// Set once it was cancelled.
    pub cancelled: Option<Cancelled>,
    /// Set once it was brought back after it had been cancelled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub restored: Option<Restored>,
}

/// Who brought a cancelled arrival back.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Restored {
    /// Who.
    pub by: String,
    /// When, server time.
    pub at: ServerTime,
}

/// Who cancelled an arrival.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cancelled {
    /// Who.
    pub by: String,
    /// When, server time.
    pub at: ServerTime,
    /// Why, if they said.
    pub why: String,
}

/// Whether a part is on hand at a service point.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PartStock {
    /// Where.
    pub point: PointName,
    /// The part, as jobs name it.
    pub part: String,
    /// Yes or no; `None`: somebody said that it is not known.
    pub on_hand: Option<bool>,
    /// When it was so, as whoever said it says.
    pub as_of: EventTime,
    /// Who or what says so.
    pub source: String,
    /// When it was said, server time.
    pub said_at: ServerTime,
}

/// That something was inspected, gauged or renewed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Care {
    /// The unit.
    pub unit: UnitId,
    /// The name of an [`Inspection`] or a [`Wear`].
    pub item: String,
    /// When it was done, event time.
    pub done_at: EventTime,
    /// What was gauged, in the unit of the wear; `None`: inspected, or renewed.
    pub value: Option<f64>,
    /// Who or what says so.
    pub source: String,
    /// When it was said, server time.
    pub said_at: ServerTime,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn class(name: &str) -> ClassName {
        ClassName::new(name).unwrap()
    }

    #[test]
    fn a_class_has_its_own_item_or_the_one_for_all() {
        let inspection = |name: &str, of: Option<&str>, every_days| Inspection {
            name: name.to_owned(),
            title: name.to_owned(),
            class: of.map(class),
            every_days,
            credits_out_of_use: true,
            steps: Vec::new(),
            source: "a test".to_owned(),
        };
        let work = WorkSettings {
            inspections: vec![
                inspection("periodic", None, 92),
                inspection("annual", None, 368),
                inspection("periodic", Some("Marten"), 184),
                inspection("mechanical", Some("Marten"), 33),
            ],
            ..WorkSettings::default()
        };
        let days = |of: &str| -> Vec<(String, u32)> {
            let all = work.inspections_of(&class(of)).into_iter();
            all.map(|one| (one.name.clone(), one.every_days)).collect()
        };
        let owned = |name: &str, days| (name.to_owned(), days);
        assert_eq!(days("Stoat"), [owned("periodic", 92), owned("annual", 368)]);
        assert_eq!(
            days("Marten"),
            [
                owned("periodic", 184),
                owned("annual", 368),
                owned("mechanical", 33)
            ]
        );
    }
}
