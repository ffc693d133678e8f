//! Units, classes and channels as the catalogue states them.

use crate::{ChannelName, ClassName, EventTime, UnitId};
use serde::{Deserialize, Serialize};

/// How a channel speaks.
#[derive(Clone, Debug, PartialEq)]
pub enum ChannelKind {
    /// A value at each of regular instants.
    Sampled {
        /// Nominal milliseconds between samples; above zero.
        interval_ms: i64,
    },
    /// A value sent on change or by exception; it lasts to the next sample.
    Held {
        /// The longest a value lasts without being sent again, in milliseconds; above zero.
        hold_ms: i64,
    },
    /// Dated things with fields.
    Event {
        /// Field names with their UCUM codes, in the order of [`crate::Event::fields`].
        fields: Vec<(String, String)>,
    },
}

/// The step of a channel's values, as an exact fraction `num / den`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Resolution {
    /// Numerator; above zero.
    pub num: u32,
    /// Denominator; above zero.
    pub den: u32,
}

/// One channel of the catalogue.
#[derive(Clone, Debug, PartialEq)]
pub struct ChannelDef {
    /// Its name, unique in the catalogue.
    pub name: ChannelName,
    /// What it measures, in a short phrase.
    pub title: String,
    /// How it speaks.
    pub kind: ChannelKind,
    /// UCUM code of the stored values; `1` for counts, flags and events.
    pub ucum: String,
    /// Lowest and highest believable value; outside is *bad*. Ignored for events.
    pub range: (f64, f64),
    /// Step in which windows count; the stored value stays as sent. Ignored for events.
    pub resolution: Resolution,
    /// Milliseconds without a sample after which the channel counts as silent; above zero.
    pub silent_ms: i64,
}

/// One axle of a class.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Axle {
    /// Whether a traction motor drives it.
    pub powered: bool,
}

/// What units of one class have in common. `None` is *unknown*.
#[derive(Clone, Debug, PartialEq)]
pub struct ClassDef {
    /// The class.
    pub name: ClassName,
    /// One line for people.
    pub title: String,
    /// Axles from the front (the end marked F).
    pub axles: Vec<Axle>,
    /// Weight on drivers, kg.
    pub weight_on_drivers_kg: Option<f64>,
    /// Rated traction power, kW.
    pub rated_power_kw: Option<f64>,
    /// Motor turns per axle turn.
    pub gear_ratio: Option<f64>,
    /// New wheel diameter, mm.
    pub wheel_diameter_mm: Option<f64>,
    /// Fuel tank, L.
    pub fuel_capacity_l: Option<f64>,
    /// Sand boxes together, kg.
    pub sand_capacity_kg: Option<f64>,
    /// Engine oil, L.
    pub oil_capacity_l: Option<f64>,
    /// Cooling water, L.
    pub water_capacity_l: Option<f64>,
    /// The class's own limits, by name, in the unit the name says (`coolant_hot_cel`).
    pub limits: Vec<(String, f64)>,
}

/// One locomotive.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Unit {
    /// Its id, which stays.
    pub id: UnitId,
    /// The number painted on it, which may change.
    pub road_number: String,
    /// Its class.
    pub class: ClassName,
    /// Samples before this are quarantined.
    pub commissioned: EventTime,
}

/// A value and the event time from which it held.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Dated<T> {
    /// Effective from this instant, inclusive.
    pub from: EventTime,
    /// What held.
    pub value: T,
    /// Who or what said so.
    pub source: String,
}

/// Effective-dated values, oldest first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Timeline<T>(Vec<Dated<T>>);

impl<T> Default for Timeline<T> {
    fn default() -> Self {
        Self(Vec::new())
    }
}

impl<T> Timeline<T> {
    /// What held at `at`; `None` before the first entry, which reads as *unknown*.
    pub fn at(&self, at: EventTime) -> Option<&Dated<T>> {
        let after = self.0.partition_point(|dated| dated.from <= at);
        after.checked_sub(1).map(|idx| &self.0[idx])
    }

    /// Records a value from an instant on; a second entry for the same instant replaces the first.
    pub fn set(&mut self, dated: Dated<T>) {
        let idx = self.0.partition_point(|old| old.from < dated.from);
        match self.0.get_mut(idx) {
            Some(old) if old.from == dated.from => *old = dated,
            _ => self.0.insert(idx, dated),
        }
    }

    /// Always the same, as `source` said.
    pub fn always(value: T, source: &str) -> Self {
        Self(vec![Dated {
            from: EventTime::from_unix_ms(i64::MIN),
            value,
            source: source.to_owned(),
        }])
    }

    /// All entries, oldest first.
    pub fn entries(&self) -> &[Dated<T>] {
        &self.0
    }
}

/// What a unit is doing, as far as anybody knows.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum UnitState {
    /// Nobody said.
    #[default]
    Unknown,
    /// On line and able to pull.
    Working,
    /// On line, not loading.
    Isolated,
    /// Diesel stopped by hand.
    StoppedManual,
    /// Diesel stopped by the automatic stop: it can crank.
    StoppedAuto,
    /// Diesel stopped by a trip.
    StoppedTrip,
    /// Dead in tow.
    DeadInTow,
    /// Stored.
    Stored,
    /// In shop.
    InShop,
    /// On another railway.
    OffLine,
}

impl UnitState {
    /// All states with the words used in files and output.
    pub const ALL: [(Self, &'static str); 10] = [
        (Self::Unknown, "unknown"),
        (Self::Working, "working"),
        (Self::Isolated, "isolated"),
        (Self::StoppedManual, "stopped_manual"),
        (Self::StoppedAuto, "stopped_auto"),
        (Self::StoppedTrip, "stopped_trip"),
        (Self::DeadInTow, "dead_in_tow"),
        (Self::Stored, "stored"),
        (Self::InShop, "in_shop"),
        (Self::OffLine, "off_line"),
    ];

    /// The word used in files and output.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(state, _)| *state == self)
            .map_or("unknown", |(_, word)| word)
    }
}

/// A unit's part in its consist.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ConsistRole {
    /// Nobody said.
    #[default]
    Unknown,
    /// Controls the train.
    Lead,
    /// Follows the lead by trainline.
    Trailing,
    /// Controlled by radio elsewhere in the train.
    Remote,
}

impl ConsistRole {
    /// All that somebody can say, with the words used in files, rules and output.
    pub const ALL: [(Self, &'static str); 3] = [
        (Self::Lead, "lead"),
        (Self::Trailing, "trailing"),
        (Self::Remote, "remote"),
    ];
}

/// Which end points in the direction of travel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Facing {
    /// Nobody said.
    #[default]
    Unknown,
    /// The end marked F leads.
    Forward,
    /// The end marked F trails.
    Backward,
}

/// Where a unit stands in a train.
#[derive(Clone, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub struct ConsistPosition {
    /// The train's symbol; `None` when unknown or in no train.
    pub train: Option<String>,
    /// Counted from the head of the consist, first is 1; 0 when unknown.
    pub order: u32,
    /// Which way it faces.
    pub facing: Facing,
    /// Its part.
    pub role: ConsistRole,
}
