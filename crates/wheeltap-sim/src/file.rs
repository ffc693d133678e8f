//! The railway's file and the file of planted failures, read from TOML and checked.

use serde::Deserialize;
use std::collections::BTreeSet;
use wheeltap_model::{ChannelName, ClassName, ConsistRole, Facing, UnitId, UnitState, parse_span};

/// Why a file was refused, or a railway could not be made of it.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{file}:{line}:{column}: {what}")]
pub struct FileError {
    /// The file as named by the caller.
    pub file: String,
    /// Counted from 1.
    pub line: usize,
    /// Counted from 1.
    pub column: usize,
    /// What is wrong and what to do about it.
    pub what: String,
}

pub(crate) fn parse<T: serde::de::DeserializeOwned>(
    file: &str,
    text: &str,
) -> Result<T, FileError> {
    toml::from_str(text).map_err(|error| {
        let (line, column) = place(text, error.span().map_or(0, |span| span.start));
        FileError {
            file: file.to_owned(),
            line,
            column,
            what: error.message().to_owned(),
        }
    })
}

fn place(text: &str, offset: usize) -> (usize, usize) {
    let before = text.get(..offset).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before
        .rsplit('\n')
        .next()
        .map_or(0, |tail| tail.chars().count())
        + 1;
    (line, column)
}

/// A refusal that points at the first place in the file where `needle` is written.
pub(crate) fn refuse(file: &str, text: &str, needle: &str, what: String) -> FileError {
    let (line, column) = place(text, text.find(needle).unwrap_or(0));
    FileError {
        file: file.to_owned(),
        line,
        column,
        what,
    }
}

/// A stretch of line, in miles; it does not run over the line's zero.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stretch {
    /// What people call it.
    pub name: String,
    /// First mile.
    pub from_mi: f64,
    /// Last mile.
    pub until_mi: f64,
}

impl Stretch {
    pub(crate) fn holds(&self, mile: f64) -> bool {
        (self.from_mi..self.until_mi).contains(&mile)
    }
}

/// A named point of a line.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Place {
    /// Its name.
    pub name: String,
    /// Miles from the line's zero.
    pub mile: f64,
}

/// One line; it closes on itself, so that a train can go on for days.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Its name.
    pub name: String,
    /// Once round, miles.
    pub length_mi: f64,
    /// Steepest grade a train meets, percent.
    pub ruling_grade_percent: f64,
    /// Points along it.
    #[serde(default)]
    pub places: Vec<Place>,
    /// Tunnels.
    #[serde(default)]
    pub tunnels: Vec<Stretch>,
    /// Stretches where something lies on the rail all year.
    #[serde(default)]
    pub greasy: Vec<Stretch>,
    /// Stretches through woods: leaves lie there in the leaf season.
    #[serde(default)]
    pub wooded: Vec<Stretch>,
}

/// A unit's place in a train's consist.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ConsistEntry {
    /// The unit.
    pub unit: UnitId,
    /// Its part.
    pub role: ConsistRole,
    /// Which end leads.
    #[serde(default)]
    pub facing: Facing,
    /// The unit is set out at the train's first stop that begins after this span of the run.
    #[serde(default, deserialize_with = "span")]
    pub set_out_after: Option<i64>,
}

/// A train that runs all day.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Train {
    /// Its symbol.
    pub symbol: String,
    /// Where it runs.
    pub line: String,
    /// Cars behind, or between, the units.
    pub cars: u32,
    /// Mean mass of a car, t.
    pub car_mass_t: f64,
    /// From the head.
    pub consist: Vec<ConsistEntry>,
}

/// A unit of the roster.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RosterUnit {
    /// Its id.
    pub id: UnitId,
    /// Painted on it.
    pub road_number: String,
    /// Its class, as the catalogue names it.
    pub class: ClassName,
    /// First day in service, `YYYY-MM-DD`.
    pub commissioned: String,
    /// What it does all day, but for automatic stops.
    #[serde(default = "working")]
    pub state: UnitState,
    /// Where a unit that is in no train stands: a line's name.
    #[serde(default)]
    pub stands_at: Option<String>,
    /// Stretches in which its diesel is stopped.
    #[serde(default)]
    pub stops: Vec<Stop>,
    /// It may stop its diesel by itself when it stands long in mild weather.
    #[serde(default)]
    pub auto_stop: bool,
    /// Axles whose motors are cut out, from 1.
    #[serde(default)]
    pub cut_out: Vec<u32>,
}

/// A stretch of the run in which a unit's diesel is stopped, wherever the unit is. Stored, in shop
/// or off line it sends nothing either.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stop {
    /// It starts after this span of the run, ms.
    #[serde(deserialize_with = "needed_span")]
    pub after: i64,
    /// It ends after this span of the run, ms.
    #[serde(deserialize_with = "needed_span")]
    pub until: i64,
    /// Why: `stopped_manual`, `stopped_auto`, `stopped_trip`, `stored`, `in_shop` or `off_line`.
    pub state: UnitState,
}

/// Whether a unit in this state has nothing to send: it is shut down, or on another railway.
pub(crate) const fn sends_nothing(state: UnitState) -> bool {
    matches!(
        state,
        UnitState::Stored | UnitState::InShop | UnitState::OffLine
    )
}

fn working() -> UnitState {
    UnitState::Working
}

/// The railway: lines, trains and units.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RailwayFile {
    /// Its name.
    pub name: String,
    /// Its reporting mark.
    pub mark: String,
    /// Lines.
    pub line: Vec<Line>,
    /// Trains.
    pub train: Vec<Train>,
    /// The roster.
    pub unit: Vec<RosterUnit>,
}

impl RailwayFile {
    /// Reads and checks a railway; `file` is for messages only.
    ///
    /// # Errors
    /// [`FileError`] at the first thing that is not TOML, not known, or does not fit together.
    pub fn parse(file: &str, text: &str) -> Result<Self, FileError> {
        let railway: Self = parse(file, text)?;
        for line in &railway.line {
            let miles = line.places.iter().map(|place| place.mile);
            let stretches = line.tunnels.iter().chain(&line.greasy).chain(&line.wooded);
            let ends = stretches.flat_map(|stretch| [stretch.from_mi, stretch.until_mi]);
            let beyond = miles
                .chain(ends)
                .any(|mile| !(0.0..=line.length_mi).contains(&mile));
            if beyond || line.length_mi.is_nan() || line.length_mi < 1.0 {
                let what = format!(
                    "line \"{}\" has a mile outside 0 to its length of {} mi",
                    line.name, line.length_mi
                );
                return Err(refuse(file, text, &format!("\"{}\"", line.name), what));
            }
        }
        let mut ids = BTreeSet::new();
        for unit in &railway.unit {
            if !ids.insert(&unit.id) {
                let what = format!("unit \"{}\" is listed twice", unit.id);
                return Err(refuse(file, text, unit.id.as_str(), what));
            }
            if days_of(&unit.commissioned).is_none() {
                let what = format!("\"{}\" is no date: write YYYY-MM-DD", unit.commissioned);
                return Err(refuse(file, text, &unit.commissioned, what));
            }
        }
        for unit in &railway.unit {
            let stopped = |stop: &Stop| {
                let state = stop.state;
                (sends_nothing(state) || state.as_str().starts_with("stopped"))
                    && stop.after < stop.until
            };
            if !unit.stops.iter().all(stopped) {
                let what = format!(
                    "unit \"{}\" has a stop that ends before it starts or is none",
                    unit.id
                );
                return Err(refuse(file, text, unit.id.as_str(), what));
            }
        }
        let mut coupled = BTreeSet::new();
        for train in &railway.train {
            if !railway.line.iter().any(|line| line.name == train.line) {
                let what = format!("train {} runs on no known line", train.symbol);
                return Err(refuse(file, text, &format!("\"{}\"", train.line), what));
            }
            for entry in &train.consist {
                if !ids.contains(&entry.unit) || !coupled.insert(&entry.unit) {
                    let what = format!(
                        "unit \"{}\" of train {} is not in the roster, or in two trains",
                        entry.unit, train.symbol
                    );
                    return Err(refuse(file, text, entry.unit.as_str(), what));
                }
            }
        }
        Ok(railway)
    }
}

/// Days from 1970-01-01 to a date written YYYY-MM-DD.
pub(crate) fn days_of(date: &str) -> Option<i64> {
    let mut parts = date.splitn(3, '-').map(str::parse::<i64>);
    let (year, month, day) = (
        parts.next()?.ok()?,
        parts.next()?.ok()?,
        parts.next()?.ok()?,
    );
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    // March-based years: the leap day ends the year.
    let (year, month) = if month <= 2 {
        (year - 1, month + 9)
    } else {
        (year, month - 3)
    };
    let era = year.div_euclid(400);
    let year_of_era = year.rem_euclid(400);
    let day_of_year = (153 * month + 2) / 5 + day - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    Some(era * 146_097 + day_of_era - 719_468)
}

fn span<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<i64>, D::Error> {
    let text = String::deserialize(from)?;
    parse_span(&text)
        .map(Some)
        .map_err(serde::de::Error::custom)
}

/// What can be planted. Each acts on physics, on a sensor or on the radio, and on nothing else.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FailureKind {
    /// The oil cooler passes less heat: severity is the share lost.
    OilCoolerFouled,
    /// Radiator fans do not turn when called: severity is the share of all fans.
    RadiatorFanStuck,
    /// The oil pump delivers less: severity is the share of pressure lost.
    OilPumpWeak,
    /// Sanders let no sand through: severity is the share blocked.
    SanderBlocked,
    /// The sanding valve stays open.
    SanderLeftOn,
    /// The train's brake pipe leaks: severity 1 is 40 L/s (85 CFM) more than before.
    BrakePipeLeak,
    /// The compressor delivers less: severity is the share lost.
    CompressorSluggish,
    /// One traction motor pulls less: severity is the share lost.
    TractionMotorWeak,
    /// A sensor reads more and more wrong: severity is in the channel's unit an hour.
    SensorDrift,
    /// A sensor sends nothing.
    SensorDead,
    /// A sensor repeats its last value.
    SensorStuck,
    /// An axle does not turn.
    AxleLocked,
    /// The charging of the battery fails.
    ChargingFailed,
    /// Combustion gas reaches the crankcase: severity 1 adds 1.5 kPa at full load.
    CrankcaseBlowBy,
    /// Coolant is lost: severity is the share of the system an hour.
    CoolantLeak,
    /// Nothing reaches the railway; afterwards the backlog comes, newest first.
    RadioGap,
    /// A blocked fuel filter: severity is the share of rated power that is out of reach.
    FuelFilterBlocked,
    /// Worn injectors burn more for the same work: severity is the share more.
    InjectorsWorn,
    /// The battery sags while cranking: severity is the share of its voltage lost.
    BatteryWeak,
    /// The dynamic brake holds less than asked: severity is the share lost.
    DynamicBrakeWeak,
    /// The slip control calls no sand; by hand it still comes.
    SandRelayDead,
    /// Insulation to earth breaks down under load: severity is trips a day of load.
    GroundFault,
    /// One cylinder burns less: severity is the share of its heat lost.
    CylinderWeak,
    /// The intake air filters are dirty: severity is kPa more at full load.
    AirFilterDirty,
    /// A wheel set is smaller than the controls believe: severity is the share of its diameter.
    WheelWorn,
}

impl FailureKind {
    /// The word used in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::OilCoolerFouled => "oil_cooler_fouled",
            Self::RadiatorFanStuck => "radiator_fan_stuck",
            Self::OilPumpWeak => "oil_pump_weak",
            Self::SanderBlocked => "sander_blocked",
            Self::SanderLeftOn => "sander_left_on",
            Self::BrakePipeLeak => "brake_pipe_leak",
            Self::CompressorSluggish => "compressor_sluggish",
            Self::TractionMotorWeak => "traction_motor_weak",
            Self::SensorDrift => "sensor_drift",
            Self::SensorDead => "sensor_dead",
            Self::SensorStuck => "sensor_stuck",
            Self::AxleLocked => "axle_locked",
            Self::ChargingFailed => "charging_failed",
            Self::CrankcaseBlowBy => "crankcase_blow_by",
            Self::CoolantLeak => "coolant_leak",
            Self::RadioGap => "radio_gap",
            Self::FuelFilterBlocked => "fuel_filter_blocked",
            Self::InjectorsWorn => "injectors_worn",
            Self::BatteryWeak => "battery_weak",
            Self::DynamicBrakeWeak => "dynamic_brake_weak",
            Self::SandRelayDead => "sand_relay_dead",
            Self::GroundFault => "ground_fault",
            Self::CylinderWeak => "cylinder_weak",
            Self::AirFilterDirty => "air_filter_dirty",
            Self::WheelWorn => "wheel_worn",
        }
    }
}

/// One planted failure: what acts on the physics, and the truth for the score.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Failure {
    /// A short name.
    pub id: String,
    /// Where.
    pub unit: UnitId,
    /// What.
    pub kind: FailureKind,
    /// It acts from this span of the run on, ms.
    #[serde(deserialize_with = "needed_span")]
    pub after: i64,
    /// It ends at this span of the run, ms; `None` stays to the end.
    #[serde(default, deserialize_with = "span")]
    pub until: Option<i64>,
    /// How bad; what it counts is said at each [`FailureKind`].
    pub severity: f64,
    /// The axle, from 1, where it is one axle's.
    #[serde(default)]
    pub axle: Option<u32>,
    /// The cylinder, from 1, where it is one cylinder's.
    #[serde(default)]
    pub cylinder: Option<u32>,
    /// The channel, where it is a sensor's.
    #[serde(default)]
    pub channel: Option<ChannelName>,
    /// The component a person would find at fault, in the rule book's words.
    pub component: String,
    /// Components whose alerts on this unit are consequences and not false.
    #[serde(default)]
    pub also: Vec<String>,
    /// It cannot be seen before this span of the run, ms.
    #[serde(deserialize_with = "needed_span")]
    pub visible_after: i64,
    /// What a person would find.
    pub finding: String,
    /// For a radio gap: the failure that falls into it and must be found from the backlog.
    #[serde(default)]
    pub hides: Option<String>,
}

fn needed_span<'de, D: serde::Deserializer<'de>>(from: D) -> Result<i64, D::Error> {
    let text = String::deserialize(from)?;
    parse_span(&text).map_err(serde::de::Error::custom)
}

/// The file of planted failures.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Failures {
    /// All of them.
    #[serde(default)]
    pub failure: Vec<Failure>,
}

impl Failures {
    /// Reads and checks planted failures; `file` is for messages only.
    ///
    /// # Errors
    /// [`FileError`] at the first thing that is not TOML, not known, or lacks what its kind needs.
    pub fn parse(file: &str, text: &str) -> Result<Self, FileError> {
        let failures: Self = parse(file, text)?;
        let mut ids = BTreeSet::new();
        for failure in &failures.failure {
            let needs_axle = matches!(
                failure.kind,
                FailureKind::TractionMotorWeak | FailureKind::AxleLocked | FailureKind::WheelWorn
            );
            let needs_cylinder = failure.kind == FailureKind::CylinderWeak;
            let needs_channel = matches!(
                failure.kind,
                FailureKind::SensorDrift | FailureKind::SensorDead | FailureKind::SensorStuck
            );
            let wrong = if !ids.insert(&failure.id) {
                Some("an id used twice".to_owned())
            } else if needs_axle && failure.axle.is_none_or(|axle| axle == 0) {
                Some("no axle: write axle = 1 or more".to_owned())
            } else if needs_cylinder && failure.cylinder.is_none_or(|cylinder| cylinder == 0) {
                Some("no cylinder: write cylinder = 1 or more".to_owned())
            } else if needs_channel && failure.channel.is_none() {
                Some("no channel: name the sensor's channel".to_owned())
            } else if !failure.severity.is_finite() {
                Some("a severity that is no number".to_owned())
            } else if failure.until.is_some_and(|until| until <= failure.after) {
                Some("an end that is not after its start".to_owned())
            } else {
                failure
                    .hides
                    .as_ref()
                    .filter(|hidden| !failures.failure.iter().any(|other| other.id == **hidden))
                    .map(|hidden| format!("hides \"{hidden}\", which is no failure"))
            };
            if let Some(wrong) = wrong {
                let what = format!("failure \"{}\" has {wrong}", failure.id);
                return Err(refuse(file, text, &failure.id, what));
            }
        }
        Ok(failures)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_become_days() {
        // RFC 3339 section 5.8's instants, from memory, by day.
        assert_eq!(days_of("1970-01-01"), Some(0));
        assert_eq!(days_of("1996-12-20"), Some(851_042_397 / 86_400));
        assert_eq!(days_of("2000-02-29"), Some(951_782_400 / 86_400));
        assert_eq!(days_of("2019-13-01"), None);
        assert_eq!(days_of("May 1919"), None);
    }

    #[test]
    fn refusals_name_the_place() {
        let error = RailwayFile::parse("r.toml", "name = \"Z\"\nmark = 3\n").unwrap_err();
        assert_eq!((error.line, error.column), (2, 8), "{error}");
        let text = "[[failure]]\nid = \"a\"\nunit = \"ZVR 1\"\nkind = \"axle_locked\"\n\
                    after = \"1 h\"\nseverity = 1.0\ncomponent = \"axle\"\n\
                    visible_after = \"1 h\"\nfinding = \"seized\"\n";
        let error = Failures::parse("f.toml", text).unwrap_err();
        assert!(error.what.contains("no axle"), "{error}");
        assert!(Failures::parse("f.toml", &format!("{text}axle = 2\n")).is_ok());
        let unknown = text.replace("severity", "seriousness");
        assert!(Failures::parse("f.toml", &unknown).is_err());
    }
}
