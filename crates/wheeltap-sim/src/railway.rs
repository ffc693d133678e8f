//! The railway put together: roster, trains, weather and failures in, telemetry out.

use crate::file::{Failure, FailureKind, RailwayFile, RosterUnit, days_of, sends_nothing};
use crate::physics::{Mode, Rail};
use crate::random::Random;
use crate::sensor::{Scene, Sensors, Spoil, Spoiled};
use crate::train::{Leak, Now, PIPE_SET_KPA, Plan, Running};
use crate::unit::{Ailment, Build, Locomotive};
use crate::weather::{Season, Sky, Weather};
use wheeltap_catalogue::{Catalogue, Ucum};
use wheeltap_model::{
    Batch, ChannelId, ChannelKind, ChannelName, ConsistPosition, ConsistRole, Dated, Event,
    EventTime, Facing, Timeline, Unit, UnitId, UnitState,
};

/// What is simulated.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// Same seed, same telemetry, to the bit.
    pub seed: u64,
    /// First instant; whole seconds.
    pub start: EventTime,
    /// What the clocks along the lines show then, s after midnight: sun and frost go by them. 0 to
    /// 86,399.
    pub second_of_day: i64,
    /// How long, s; above 0.
    pub duration_s: i64,
    /// Air temperature, rain and leaves.
    pub weather: Weather,
    /// Seconds of telemetry in one batch, 1 to 3,600.
    pub batch_s: i64,
}

impl Default for Settings {
    /// One spring day, 2026-03-02 from midnight UTC, sent by the minute.
    fn default() -> Self {
        Self {
            seed: 1,
            start: EventTime::from_unix_ms(1_772_409_600_000),
            second_of_day: 0,
            duration_s: 86_400,
            weather: Season::Spring.weather(),
            batch_s: 60,
        }
    }
}

/// Why a railway could not be made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SimError {
    /// The catalogue has no such class.
    #[error("unit \"{unit}\" is of class \"{class}\", which the catalogue does not have")]
    UnknownClass {
        /// The unit.
        unit: UnitId,
        /// Its class.
        class: String,
    },
    /// A failure is planted where there is nothing to fail.
    #[error("failure \"{id}\": {what}")]
    Misplaced {
        /// The failure.
        id: String,
        /// What is wrong.
        what: String,
    },
    /// A setting is out of its range.
    #[error("{what}")]
    Setting {
        /// Which, and its range.
        what: String,
    },
}

/// One unit of the railway and what is known of it in the run.
#[derive(Clone, Debug)]
pub struct SimUnit {
    /// The unit.
    pub unit: Unit,
    /// What it does.
    pub states: Timeline<UnitState>,
    /// Where it stands in its train.
    pub consist: Timeline<ConsistPosition>,
}

/// One delivery of a unit: about a batch's length of telemetry, in event-time order within.
#[derive(Clone, Debug)]
pub struct Delivery {
    /// What was measured; channel ids are the catalogue's.
    pub batch: Batch,
    /// The batch covers event times from here, inclusive ...
    pub from: EventTime,
    /// ... to here, exclusive.
    pub until: EventTime,
    /// When the unit could send it: `until`, but for a radio gap.
    pub sent_at: EventTime,
}

#[derive(Clone, Debug)]
struct Coupled {
    train_idx: usize,
    role: ConsistRole,
    /// The unit leaves the train at this second.
    until_s: i64,
}

#[derive(Clone, Debug)]
struct TrainPlan {
    plan: Plan,
    line_idx: usize,
    rated_w: f64,
    drivers_kg: f64,
    /// Units whose compressors feed the pipe.
    feeders: f64,
    leaks: Vec<Leak>,
}

/// An invented railway over a stretch of time.
#[derive(Clone, Debug)]
pub struct Railway {
    settings: Settings,
    file: RailwayFile,
    failures: Vec<Failure>,
    catalogue: Catalogue,
    units: Vec<SimUnit>,
    coupled: Vec<Option<Coupled>>,
    trains: Vec<TrainPlan>,
    skies: Vec<Sky>,
    events: EventChannels,
}

/// An event channel and the fields it has in the catalogue, in the catalogue's order.
#[derive(Clone, Debug)]
struct EventChannel {
    channel: ChannelId,
    fields: Vec<(String, Ucum)>,
}

/// The event channels that both the simulator and the catalogue know.
#[derive(Clone, Debug)]
struct EventChannels {
    slip: Option<EventChannel>,
    start_dip: Option<EventChannel>,
    shutdown: Option<EventChannel>,
    ground_relay: Option<EventChannel>,
}

impl EventChannel {
    fn find(catalogue: &Catalogue, name: &str) -> Option<Self> {
        let (channel, def) = catalogue.channel(&ChannelName::new(name).ok()?)?;
        let ChannelKind::Event { fields } = &def.kind else {
            return None;
        };
        let fields = fields
            .iter()
            .map(|(field, code)| Ucum::parse(code).map(|ucum| (field.clone(), ucum)))
            .collect::<Result<_, _>>()
            .ok()?;
        Some(Self { channel, fields })
    }

    /// The event with these fields, given as name, value and UCUM code.
    fn event(&self, time: EventTime, known: &[(&str, f64, &str)]) -> Event {
        let value = |field: &str, ucum: &Ucum| {
            let (_, value, code) = known.iter().find(|(name, ..)| *name == field)?;
            Ucum::parse(code).ok()?.convert(*value, ucum)
        };
        Event {
            channel: self.channel,
            time,
            fields: self
                .fields
                .iter()
                .map(|(field, ucum)| value(field, ucum))
                .collect(),
        }
    }
}

impl Railway {
    /// Puts a railway together.
    ///
    /// # Errors
    /// [`SimError`] when a setting is out of range, the catalogue lacks a class, or a failure is
    /// planted on something that is not there.
    pub fn new(
        settings: Settings,
        file: &RailwayFile,
        failures: &[Failure],
        catalogue: &Catalogue,
    ) -> Result<Self, SimError> {
        check(&settings)?;
        let duration_s = settings.duration_s;
        let builds = file
            .unit
            .iter()
            .map(|unit| build_of(unit, catalogue))
            .collect::<Result<Vec<_>, _>>()?;
        for failure in failures {
            check_failure(failure, file, &builds, catalogue)?;
        }
        let unit_idx = |id: &UnitId| file.unit.iter().position(|unit| unit.id == *id);
        let mut coupled: Vec<Option<Coupled>> = vec![None; file.unit.len()];
        let mut trains = Vec::new();
        for (train_idx, train) in file.train.iter().enumerate() {
            let mut random = Random::named(settings.seed, &format!("train {}", train.symbol));
            let plan = Plan::draw(&mut random, duration_s);
            let (mut rated_w, mut drivers_kg, mut feeders) = (0.0, 0.0, 0.0);
            let mut leaks = Vec::new();
            for entry in &train.consist {
                let Some(idx) = unit_idx(&entry.unit) else {
                    continue;
                };
                if file.unit[idx].state == UnitState::Working {
                    rated_w += builds[idx].rated_kw * 1e3;
                    drivers_kg += builds[idx].drivers_kg;
                    feeders += 1.0;
                }
                let until_s = entry.set_out_after.map_or(i64::MAX, |after_ms| {
                    let after_s = after_ms / 1_000;
                    plan.standings()
                        .iter()
                        .find(|(from_s, _)| *from_s >= after_s)
                        // Two minutes to stop, then the time it takes to uncouple.
                        .map_or(i64::MAX, |(from_s, _)| from_s + 900)
                });
                coupled[idx] = Some(Coupled {
                    train_idx,
                    role: entry.role,
                    until_s,
                });
                for failure in failures.iter().filter(|failure| failure.unit == entry.unit) {
                    if failure.kind == FailureKind::BrakePipeLeak {
                        let (from_s, until_s) = span_s(failure);
                        leaks.push(Leak {
                            seconds: from_s..until_s,
                            flow_l_s: failure.severity * 40.0,
                        });
                    }
                }
            }
            let line_idx = file.line.iter().position(|line| line.name == train.line);
            trains.push(TrainPlan {
                plan,
                line_idx: line_idx.unwrap_or(0),
                rated_w,
                drivers_kg,
                feeders: f64::max(feeders, 1.0),
                leaks,
            });
        }
        let skies = file
            .line
            .iter()
            .map(|line| Sky::new(settings.weather, settings.seed, &line.name, duration_s))
            .collect();
        let mut railway = Self {
            events: EventChannels {
                slip: EventChannel::find(catalogue, "wheel.slip"),
                start_dip: EventChannel::find(catalogue, "engine.start.dip"),
                shutdown: EventChannel::find(catalogue, "engine.shutdown"),
                ground_relay: EventChannel::find(catalogue, "traction.ground_relay"),
            },
            settings,
            file: file.clone(),
            failures: failures.to_vec(),
            catalogue: catalogue.clone(),
            units: Vec::new(),
            coupled,
            trains,
            skies,
        };
        railway.units = (0..railway.file.unit.len())
            .map(|idx| railway.known_of(idx))
            .collect();
        Ok(railway)
    }

    /// The units, in the roster's order.
    pub fn units(&self) -> &[SimUnit] {
        &self.units
    }

    /// The settings it was made with.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The planted failures: the truth for a score.
    pub fn failures(&self) -> &[Failure] {
        &self.failures
    }

    /// The handle position of a train, by its place in the file, with its stretch in seconds.
    pub fn handle_positions(&self, train_idx: usize) -> impl Iterator<Item = (Mode, i64)> + '_ {
        let mut from_s = 0;
        let duration_s = self.settings.duration_s;
        self.trains[train_idx]
            .plan
            .pieces()
            .iter()
            .map_while(move |piece| {
                let start_s = from_s;
                from_s = piece.end_s.min(duration_s);
                (from_s > start_s).then_some((piece.mode, from_s - start_s))
            })
    }

    fn at(&self, second: i64) -> EventTime {
        self.settings.start.plus_ms(second * 1_000)
    }

    /// What a dispatcher knows of a unit: its states and its places in consists.
    fn known_of(&self, unit_idx: usize) -> SimUnit {
        let roster = &self.file.unit[unit_idx];
        let dated = |from_s, value, source: &str| Dated {
            from: self.at(from_s),
            value,
            source: source.to_owned(),
        };
        let mut states = Timeline::default();
        states.set(dated(0, roster.state, "roster"));
        for (from_s, until_s) in self.auto_stops(unit_idx) {
            states.set(dated(from_s, UnitState::StoppedAuto, "unit"));
            states.set(dated(until_s, UnitState::Working, "unit"));
        }
        for stop in &roster.stops {
            states.set(dated(stop.after / 1_000, stop.state, "crew"));
            states.set(dated(stop.until / 1_000, roster.state, "crew"));
        }
        let mut consist = Timeline::default();
        if let Some(coupled) = &self.coupled[unit_idx] {
            let train = &self.file.train[coupled.train_idx];
            let order = train
                .consist
                .iter()
                .position(|entry| entry.unit == roster.id);
            let position = ConsistPosition {
                train: Some(train.symbol.clone()),
                order: order.map_or(0, |order| u32::try_from(order + 1).unwrap_or(0)),
                facing: order.map_or(Facing::Unknown, |order| train.consist[order].facing),
                role: coupled.role,
            };
            consist.set(Dated {
                from: self.at(0),
                value: position,
                source: "dispatcher".to_owned(),
            });
            if coupled.until_s < self.settings.duration_s {
                consist.set(Dated {
                    from: self.at(coupled.until_s),
                    value: ConsistPosition::default(),
                    source: "dispatcher".to_owned(),
                });
            }
        }
        let days = days_of(&roster.commissioned).unwrap_or(0);
        SimUnit {
            unit: Unit {
                id: roster.id.clone(),
                road_number: roster.road_number.clone(),
                class: roster.class.clone(),
                commissioned: EventTime::from_unix_ms(days * 86_400_000),
            },
            states,
            consist,
        }
    }

    /// Stretches in which the unit stops its diesel by itself: it stands long, and it is mild.
    fn auto_stops(&self, unit_idx: usize) -> Vec<(i64, i64)> {
        let roster = &self.file.unit[unit_idx];
        let Some(coupled) = &self.coupled[unit_idx] else {
            return Vec::new();
        };
        if !roster.auto_stop || self.settings.weather.mean_cel < 3.0 {
            return Vec::new();
        }
        let plan = &self.trains[coupled.train_idx].plan;
        let standings = plan.standings().into_iter();
        let by_hand = |from_s: i64, until_s: i64| {
            let mut stops = roster.stops.iter();
            stops.any(|stop| stop.after / 1_000 < until_s && from_s < stop.until / 1_000)
        };
        standings
            .filter(|(from_s, until_s)| until_s - from_s > 4_500)
            .map(|(from_s, until_s)| (from_s + 420, until_s - 1_500))
            .filter(|(from_s, until_s)| !by_hand(*from_s, *until_s))
            .filter(|(from_s, until_s)| {
                *from_s > 0 && *until_s < self.settings.duration_s && *until_s < coupled.until_s
            })
            .collect()
    }

    /// Simulates one unit from start to end and delivers its telemetry in the order in which the
    /// unit could send it.
    ///
    /// Units do not depend on each other's runs: any of them, on any thread, in any order.
    ///
    /// # Panics
    /// When `unit_idx` is not below the number of [`Railway::units`].
    pub fn run_unit(&self, unit_idx: usize, deliver: &mut dyn FnMut(Delivery)) {
        let mut radio = Radio::new(
            &self.failures,
            &self.file.unit[unit_idx].id,
            self.settings.start,
        );
        let mut run = UnitRun::new(self, unit_idx);
        let batch_ms = self.settings.batch_s * 1_000;
        let mut events = Vec::new();
        let mut batch_start_s = 0;
        for at_s in 0..self.settings.duration_s {
            let next = self.at(at_s + 1);
            let ends =
                next.unix_ms().rem_euclid(batch_ms) == 0 || at_s + 1 == self.settings.duration_s;
            run.step(at_s, ends, &mut events);
            if ends {
                let columns = run.sensors.take();
                let batch = Batch {
                    columns,
                    events: std::mem::take(&mut events),
                    complete_through: Some(next.plus_ms(-1)),
                };
                let delivery = Delivery {
                    batch,
                    from: self.at(batch_start_s),
                    until: next,
                    sent_at: next,
                };
                batch_start_s = at_s + 1;
                if !delivery.batch.is_empty() {
                    radio.pass(delivery, deliver);
                }
            }
        }
        radio.end(deliver);
    }
}

fn check(settings: &Settings) -> Result<(), SimError> {
    let what = if settings.duration_s <= 0 {
        "duration_s must be above 0"
    } else if !(1..=3_600).contains(&settings.batch_s) {
        "batch_s must be 1 to 3600"
    } else if settings.start.unix_ms() % 1_000 != 0 {
        "start must be a whole second"
    } else if !(0..86_400).contains(&settings.second_of_day) {
        "second_of_day must be 0 to 86399"
    } else if !(-60.0..=60.0).contains(&settings.weather.mean_cel)
        || !(0.0..=40.0).contains(&settings.weather.swing_k)
        || !(0.0..=0.95).contains(&settings.weather.rain_share)
    {
        "weather must have a mean of -60 to 60 degC, a swing of 0 to 40 K, rain of 0 to 0.95"
    } else {
        return Ok(());
    };
    Err(SimError::Setting {
        what: what.to_owned(),
    })
}

fn build_of(unit: &RosterUnit, catalogue: &Catalogue) -> Result<Build, SimError> {
    let class = catalogue
        .class(&unit.class)
        .ok_or_else(|| SimError::UnknownClass {
            unit: unit.id.clone(),
            class: unit.class.to_string(),
        })?;
    Ok(Build::of(class))
}

fn check_failure(
    failure: &Failure,
    file: &RailwayFile,
    builds: &[Build],
    catalogue: &Catalogue,
) -> Result<(), SimError> {
    let misplaced = |what: String| SimError::Misplaced {
        id: failure.id.clone(),
        what,
    };
    let idx = file
        .unit
        .iter()
        .position(|unit| unit.id == failure.unit)
        .ok_or_else(|| misplaced(format!("unit \"{}\" is not in the roster", failure.unit)))?;
    if let Some(axle) = failure.axle {
        let axles = builds[idx].powered.len();
        if usize::try_from(axle).is_ok_and(|axle| axle > axles) {
            return Err(misplaced(format!(
                "axle {axle} of a unit with {axles} axles"
            )));
        }
    }
    if let Some(cylinder) = failure.cylinder {
        let cylinders = builds[idx].cylinders;
        if usize::try_from(cylinder).is_ok_and(|cylinder| cylinder > cylinders) {
            return Err(misplaced(format!(
                "cylinder {cylinder} of a unit with {cylinders} cylinders"
            )));
        }
    }
    match &failure.channel {
        Some(channel) if catalogue.channel(channel).is_none() => Err(misplaced(format!(
            "channel \"{channel}\" is not in the catalogue"
        ))),
        _ => Ok(()),
    }
}

/// From and until, in seconds of the run.
fn span_s(failure: &Failure) -> (i64, i64) {
    (
        failure.after / 1_000,
        failure.until.map_or(i64::MAX, |until_ms| until_ms / 1_000),
    )
}

/// Holds back what cannot be sent in a radio gap, and sends it newest first afterwards.
struct Radio {
    gaps: Vec<(EventTime, EventTime)>,
    backlog: Vec<Delivery>,
}

impl Radio {
    fn new(failures: &[Failure], unit: &UnitId, start: EventTime) -> Self {
        let gaps = failures
            .iter()
            .filter(|failure| failure.unit == *unit && failure.kind == FailureKind::RadioGap)
            .map(|failure| {
                let until_ms = failure.until.unwrap_or(i64::MAX);
                (start.plus_ms(failure.after), start.plus_ms(until_ms))
            })
            .collect();
        Self {
            gaps,
            backlog: Vec::new(),
        }
    }

    fn pass(&mut self, delivery: Delivery, deliver: &mut dyn FnMut(Delivery)) {
        let silent = self
            .gaps
            .iter()
            .any(|(from, until)| (*from..*until).contains(&delivery.until));
        if silent {
            self.backlog.push(delivery);
        } else {
            self.send_backlog(delivery.until, deliver);
            deliver(delivery);
        }
    }

    fn send_backlog(&mut self, at: EventTime, deliver: &mut dyn FnMut(Delivery)) {
        let complete = self
            .backlog
            .last()
            .and_then(|newest| newest.batch.complete_through);
        while let Some(mut delivery) = self.backlog.pop() {
            delivery.sent_at = delivery.sent_at.max(at);
            // Only the oldest, which comes last, can promise that nothing older follows.
            delivery.batch.complete_through = complete.filter(|_| self.backlog.is_empty());
            deliver(delivery);
        }
    }

    fn end(&mut self, deliver: &mut dyn FnMut(Delivery)) {
        if let Some(newest) = self.backlog.last() {
            self.send_backlog(newest.until, deliver);
        }
    }
}

/// One unit on its way through the run.
struct UnitRun<'a> {
    railway: &'a Railway,
    train: Option<Running<'a>>,
    coupled: Option<&'a Coupled>,
    sky: &'a Sky,
    line: u32,
    loco: Locomotive,
    sensors: Sensors,
    failures: Vec<&'a Failure>,
    ail: Ailment,
    state: UnitState,
    /// Still to come, the next one last.
    state_changes: Vec<(i64, UnitState)>,
    start_second_of_day: i64,
    standing: Now,
}

impl<'a> UnitRun<'a> {
    fn new(railway: &'a Railway, unit_idx: usize) -> Self {
        let settings = &railway.settings;
        let roster = &railway.file.unit[unit_idx];
        let coupled = railway.coupled[unit_idx].as_ref();
        let start_second_of_day = settings.second_of_day;
        let stands_at = roster.stands_at.as_ref();
        let own_line_idx = stands_at
            .and_then(|name| railway.file.line.iter().position(|line| line.name == *name))
            .unwrap_or(0);
        let line_idx = coupled.map_or(own_line_idx, |coupled| {
            railway.trains[coupled.train_idx].line_idx
        });
        let sky = &railway.skies[line_idx];
        let train = coupled.map(|coupled| {
            let plan = &railway.trains[coupled.train_idx];
            let file = &railway.file.train[coupled.train_idx];
            Running::new(
                file,
                &plan.plan,
                &railway.file.line[plan.line_idx],
                &railway.skies[plan.line_idx],
                plan.leaks.clone(),
                plan.rated_w,
                plan.drivers_kg,
                start_second_of_day,
                Random::named(settings.seed, &format!("pipe of {}", file.symbol)),
            )
        });
        let failures: Vec<&Failure> = railway
            .failures
            .iter()
            .filter(|failure| failure.unit == roster.id)
            .collect();
        let build = railway
            .catalogue
            .class(&roster.class)
            .map_or_else(Build::usual, Build::of);
        let (axles, cylinders) = (build.powered.len(), build.cylinders);
        let spoils: Vec<Spoil> = failures
            .iter()
            .filter_map(|failure| spoil(failure))
            .collect();
        let air_cel = sky.air_cel(start_second_of_day, 0);
        let running = matches!(roster.state, UnitState::Working | UnitState::Isolated);
        let mut random = Random::named(settings.seed, roster.id.as_str());
        let cut_out: Vec<bool> = (1..=axles)
            .map(|number| u32::try_from(number).is_ok_and(|axle| roster.cut_out.contains(&axle)))
            .collect();
        let mile = random.between(0.0, railway.file.line[line_idx].length_mi);
        let sensors = Sensors::new(
            &railway.catalogue,
            (axles, cylinders),
            &spoils,
            Random::named(settings.seed, &format!("sensors of {}", roster.id)),
        );
        Self {
            railway,
            train,
            coupled,
            sky,
            line: u32::try_from(line_idx + 1).unwrap_or(u32::MAX),
            loco: Locomotive::new(build, random, running, air_cel, &cut_out),
            sensors,
            failures,
            ail: Ailment::none(axles, cylinders),
            state: roster.state,
            state_changes: railway.units[unit_idx]
                .states
                .entries()
                .iter()
                .rev()
                .map(|dated| (dated.from.ms_since(settings.start) / 1_000, dated.value))
                .collect(),
            start_second_of_day,
            standing: Now {
                mode: Mode::Idle,
                moving: false,
                speed_m_s: 0.0,
                mile,
                in_tunnel: false,
                rail: Rail::Dry,
                air_cel,
                hand_sanding: false,
                pipe_kpa: PIPE_SET_KPA,
                rear_kpa: PIPE_SET_KPA,
                equalizing_kpa: PIPE_SET_KPA,
                feed_l_s: 0.0,
                feed_cut: false,
                grade_percent: 0.0,
            },
        }
    }

    fn step(&mut self, at_s: i64, ends: bool, events: &mut Vec<Event>) {
        let coupled = self.coupled.filter(|coupled| at_s < coupled.until_s);
        let now = if let (Some(train), Some(_)) = (&mut self.train, coupled) {
            let now = train.step();
            self.standing.mile = now.mile;
            now
        } else {
            if at_s % 10 == 0 {
                let second_of_day = (self.start_second_of_day + at_s).rem_euclid(86_400);
                self.standing.air_cel = self.sky.air_cel(second_of_day, at_s);
            }
            self.standing
        };
        let mut stops = false;
        while let Some((_, state)) = self.state_changes.pop_if(|(from_s, _)| *from_s <= at_s) {
            stops = at_s > 0 && state == UnitState::StoppedAuto;
            self.state = state;
        }
        if at_s % 60 == 0 {
            self.suffer(at_s);
        }
        let feeders = coupled.map_or(1.0, |coupled| {
            self.railway.trains[coupled.train_idx].feeders
        });
        self.loco.step(
            &now,
            self.state,
            now.feed_l_s / feeders,
            &self.ail,
            at_s,
            ends,
        );
        if sends_nothing(self.state) {
            return;
        }
        let scene = Scene {
            now: &now,
            loco: &self.loco,
            line: self.line,
            leads: coupled.is_some_and(|coupled| coupled.role == ConsistRole::Lead),
            isolated: self.state == UnitState::Isolated,
            coupled: coupled.is_some(),
        };
        let time_ms = self.railway.at(at_s).unix_ms();
        self.sensors.read(&scene, at_s, time_ms);
        let channels = &self.railway.events;
        if let Some(slip) = &channels.slip {
            for done in &self.loco.slips {
                let fields = [
                    ("axle", f64::from(done.axle), "1"),
                    ("duration", done.duration_s as f64, "s"),
                    ("peak_creep", done.peak_creep, "1"),
                ];
                events.push(slip.event(self.railway.at(done.from_s), &fields));
            }
        }
        if let (Some(start), Some(lowest_v)) = (&channels.start_dip, self.loco.start_dip_v) {
            let fields = [("lowest", lowest_v, "V"), ("duration", 8.0, "s")];
            events.push(start.event(self.railway.at(at_s), &fields));
        }
        if let (Some(relay), true) = (&channels.ground_relay, self.loco.tripped) {
            events.push(relay.event(self.railway.at(at_s), &[]));
        }
        if let (Some(shutdown), true) = (&channels.shutdown, stops) {
            events.push(shutdown.event(self.railway.at(at_s), &[("cause", 2.0, "1")]));
        }
    }

    /// Puts into the physics what the failures of this minute are.
    fn suffer(&mut self, at_s: i64) {
        if self.failures.is_empty() {
            return;
        }
        let (axles, cylinders) = (self.ail.motors.len(), self.ail.cylinders.len());
        let mut ail = Ailment::none(axles, cylinders);
        for failure in &self.failures {
            let (from_s, until_s) = span_s(failure);
            if !(from_s..until_s).contains(&at_s) {
                continue;
            }
            let left = 1.0 - failure.severity;
            let axle = failure
                .axle
                .and_then(|axle| usize::try_from(axle).ok())
                .and_then(|axle| axle.checked_sub(1))
                .filter(|idx| *idx < axles);
            let cylinder = failure
                .cylinder
                .and_then(|cylinder| usize::try_from(cylinder).ok())
                .and_then(|cylinder| cylinder.checked_sub(1))
                .filter(|idx| *idx < cylinders);
            match (failure.kind, axle) {
                (FailureKind::OilCoolerFouled, _) => ail.oil_cooler = left,
                (FailureKind::RadiatorFanStuck, _) => ail.fans = left,
                (FailureKind::OilPumpWeak, _) => ail.oil_pump = left,
                (FailureKind::SanderBlocked, _) => ail.sander = left,
                (FailureKind::SanderLeftOn, _) => ail.sander_open = true,
                (FailureKind::CompressorSluggish, _) => ail.compressor = left,
                (FailureKind::TractionMotorWeak, Some(idx)) => ail.motors[idx] = left,
                (FailureKind::AxleLocked, Some(idx)) => ail.locked[idx] = true,
                (FailureKind::ChargingFailed, _) => ail.charger = left,
                (FailureKind::CrankcaseBlowBy, _) => ail.blow_by_kpa = 1.5 * failure.severity,
                (FailureKind::CoolantLeak, _) => ail.coolant_loss = failure.severity / 3_600.0,
                (FailureKind::FuelFilterBlocked, _) => ail.power = left,
                (FailureKind::InjectorsWorn, _) => ail.fuel = 1.0 + failure.severity,
                (FailureKind::BatteryWeak, _) => ail.battery = left,
                (FailureKind::DynamicBrakeWeak, _) => ail.dynamic_brake = left,
                (FailureKind::SandRelayDead, _) => ail.calls_no_sand = true,
                (FailureKind::GroundFault, _) => ail.trips_a_day = failure.severity,
                (FailureKind::AirFilterDirty, _) => ail.filter_kpa = failure.severity,
                (FailureKind::WheelWorn, Some(idx)) => ail.worn[idx] = failure.severity,
                (FailureKind::CylinderWeak, _) => {
                    if let Some(idx) = cylinder {
                        ail.cylinders[idx] = left;
                    }
                }
                // The pipe is the train's, sensors and radio are not physics.
                _ => {}
            }
        }
        self.ail = ail;
    }
}

fn spoil(failure: &Failure) -> Option<Spoil> {
    let how = match failure.kind {
        FailureKind::SensorDrift => Spoiled::Drift(failure.severity / 3_600.0),
        FailureKind::SensorDead => Spoiled::Dead,
        FailureKind::SensorStuck => Spoiled::Stuck,
        _ => return None,
    };
    let (from_s, until_s) = span_s(failure);
    Some(Spoil {
        channel: failure.channel.clone()?,
        from_s,
        until_s,
        how,
    })
}
