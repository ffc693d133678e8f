//! What a unit's sensors make of its physics, and which of it is sent when.
//!
//! A sampled channel is sent at whole multiples of the catalogue's interval; a held one when its
//! value has changed by its resolution or more, and again before its hold runs out.

use crate::physics::{KPA_PER_PSI, L_S_PER_CFM, Mode, Rail};
use crate::random::Random;
use crate::train::Now;
use crate::unit::{FANS, Locomotive, RATED_RPM};
use std::sync::Arc;
use wheeltap_catalogue::{Catalogue, Ucum};
use wheeltap_model::{ChannelId, ChannelKind, ChannelName, Column};

/// One measured thing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Signal {
    EngineRunning,
    Throttle,
    DynamicBrake,
    EngineSpeed,
    OilTemperature,
    OilPressure,
    CoolantTemperature,
    CoolantLevel,
    CrankcasePressure,
    FanCommand,
    FanSpeed,
    ExhaustTemperature,
    FuelLevel,
    FuelRate,
    TractionPower,
    TractionEffort,
    Derated,
    AxleSpeed(usize),
    AxleEffort(usize),
    GroundSpeed,
    Lead,
    Isolated,
    Tunnel,
    Odometer,
    EngineHours,
    OilLevel,
    Mile,
    Line,
    SandCommand,
    SandLevel,
    PipePressure,
    EqualizingPressure,
    MainReservoir,
    CylinderPressure,
    RearPressure,
    AirFlow,
    IndependentBrake,
    FeedCut,
    CompressorRunning,
    BatteryVoltage,
    Ambient,
    CabNoise,
    CabVibration,
    CylinderExhaust(usize),
    CutOut(usize),
    FilterDrop,
    Rain,
}

/// Channel name, signal, UCUM code of the number computed here, and the sensor's noise in it.
const SIGNALS: &[(&str, Signal, &str, f64)] = &[
    ("engine.running", Signal::EngineRunning, "1", 0.0),
    ("engine.notch", Signal::Throttle, "1", 0.0),
    ("engine.dynamic_brake", Signal::DynamicBrake, "1", 0.0),
    ("engine.speed", Signal::EngineSpeed, "/min", 1.5),
    (
        "engine.oil.temperature",
        Signal::OilTemperature,
        "Cel",
        0.25,
    ),
    ("engine.oil.pressure", Signal::OilPressure, "kPa", 4.0),
    (
        "engine.coolant.temperature",
        Signal::CoolantTemperature,
        "Cel",
        0.25,
    ),
    ("engine.coolant.level", Signal::CoolantLevel, "%", 0.3),
    (
        "engine.crankcase.pressure",
        Signal::CrankcasePressure,
        "kPa",
        0.03,
    ),
    ("engine.fan.command", Signal::FanCommand, "%", 0.0),
    ("engine.fan.speed", Signal::FanSpeed, "/min", 4.0),
    (
        "engine.exhaust.temperature",
        Signal::ExhaustTemperature,
        "Cel",
        3.0,
    ),
    ("fuel.level", Signal::FuelLevel, "L", 25.0),
    ("fuel.rate", Signal::FuelRate, "L/h", 2.0),
    ("traction.power", Signal::TractionPower, "kW", 8.0),
    ("traction.effort", Signal::TractionEffort, "kN", 1.5),
    ("traction.derated", Signal::Derated, "1", 0.0),
    ("unit.speed", Signal::GroundSpeed, "km/h", 0.15),
    ("unit.lead", Signal::Lead, "1", 0.0),
    ("unit.isolated", Signal::Isolated, "1", 0.0),
    ("unit.tunnel", Signal::Tunnel, "1", 0.0),
    ("unit.odometer", Signal::Odometer, "km", 0.0),
    ("engine.hours", Signal::EngineHours, "h", 0.0),
    ("engine.oil.level", Signal::OilLevel, "%", 0.0),
    ("place.mile", Signal::Mile, "[mi_i]", 0.005),
    ("place.line", Signal::Line, "1", 0.0),
    ("sand.command", Signal::SandCommand, "1", 0.0),
    ("sand.level", Signal::SandLevel, "kg", 1.5),
    ("brake.pipe.pressure", Signal::PipePressure, "kPa", 1.2),
    (
        "brake.equalizing_reservoir.pressure",
        Signal::EqualizingPressure,
        "kPa",
        0.8,
    ),
    (
        "brake.main_reservoir.pressure",
        Signal::MainReservoir,
        "kPa",
        1.5,
    ),
    (
        "brake.cylinder.pressure",
        Signal::CylinderPressure,
        "kPa",
        1.5,
    ),
    ("brake.rear.pressure", Signal::RearPressure, "kPa", 1.0),
    ("brake.air_flow", Signal::AirFlow, "[cft_i]/min", 0.6),
    ("brake.independent", Signal::IndependentBrake, "%", 0.0),
    ("brake.feed_cut_out", Signal::FeedCut, "1", 0.0),
    ("compressor.running", Signal::CompressorRunning, "1", 0.0),
    ("battery.voltage", Signal::BatteryVoltage, "V", 0.12),
    ("ambient.temperature", Signal::Ambient, "Cel", 0.2),
    ("ambient.rain", Signal::Rain, "1", 0.0),
    (
        "engine.air_filter.pressure_drop",
        Signal::FilterDrop,
        "kPa",
        0.02,
    ),
    ("cab.noise", Signal::CabNoise, "dB[SPL]{A}", 0.8),
    ("cab.vibration", Signal::CabVibration, "m/s2", 0.03),
];

/// A unit's state as its sensors find it.
pub(crate) struct Scene<'a> {
    pub(crate) now: &'a Now,
    pub(crate) loco: &'a Locomotive,
    /// Lines are numbered as the railway file lists them, from 1.
    pub(crate) line: u32,
    /// Flow and rear pressure are shown in the leading unit only.
    pub(crate) leads: bool,
    pub(crate) isolated: bool,
    /// Coupled to a train's brake pipe and trainline.
    pub(crate) coupled: bool,
}

impl Signal {
    /// The true value; `None` where this unit has no such thing to show now.
    fn read(self, scene: &Scene<'_>) -> Option<f64> {
        let (now, loco) = (scene.now, scene.loco);
        let flag = |yes: bool| if yes { 1.0 } else { 0.0 };
        let coupled = |value: f64| if scene.coupled { value } else { 0.0 };
        Some(match self {
            Self::EngineRunning => flag(loco.rpm > 0.25 * RATED_RPM),
            Self::Throttle => coupled(f64::from(now.mode.notch())),
            Self::DynamicBrake => coupled(6.0 * flag(now.mode == Mode::DynamicBrake)),
            Self::EngineSpeed => loco.rpm,
            Self::OilTemperature => loco.oil_cel,
            Self::OilPressure => loco.oil_kpa,
            Self::CoolantTemperature => loco.coolant_cel,
            // The tank tilts with the grade.
            Self::CoolantLevel => loco.coolant_share * 100.0 + 0.8 * now.grade_percent,
            Self::CrankcasePressure => loco.crankcase_kpa,
            Self::FanCommand => loco.fans_called / FANS * 100.0,
            Self::FanSpeed => loco.fan_rpm,
            Self::ExhaustTemperature => loco.exhaust_cel,
            Self::FuelLevel => loco.fuel_l,
            Self::FuelRate => loco.fuel_l_h,
            Self::TractionPower => loco.power_kw - loco.braking_kw,
            Self::TractionEffort => loco.effort_n / 1e3,
            Self::Derated => flag(loco.derate < 0.97),
            Self::AxleSpeed(idx) => loco.axles[idx].speed_m_s * 3.6,
            Self::AxleEffort(idx) => loco.axles[idx].effort_n / 1e3,
            Self::GroundSpeed => now.speed_m_s * 3.6,
            Self::Lead => flag(scene.leads),
            Self::Isolated => flag(scene.isolated),
            Self::Tunnel => flag(now.in_tunnel),
            Self::Odometer => loco.odometer_km,
            Self::EngineHours => loco.engine_h,
            Self::OilLevel => loco.oil_share * 100.0,
            Self::Mile => now.mile,
            Self::Line => f64::from(scene.line),
            Self::SandCommand => flag(loco.sanding),
            Self::SandLevel => loco.sand_kg,
            Self::PipePressure => coupled(now.pipe_kpa),
            Self::EqualizingPressure => return scene.leads.then_some(now.equalizing_kpa),
            Self::MainReservoir => loco.main_reservoir_kpa,
            Self::CylinderPressure => loco.cylinder_kpa,
            Self::RearPressure => return scene.leads.then_some(now.rear_kpa),
            Self::AirFlow => return scene.leads.then_some(now.feed_l_s / L_S_PER_CFM),
            Self::IndependentBrake => 100.0 * flag(loco.running && !now.moving),
            Self::FeedCut => return scene.leads.then_some(flag(now.feed_cut)),
            Self::CompressorRunning => flag(loco.pumping),
            Self::BatteryVoltage => loco.battery_v,
            Self::Ambient => now.air_cel,
            Self::CabNoise => loco.cab_db,
            Self::CabVibration => loco.vibration_m_s2,
            Self::CylinderExhaust(idx) => loco.cylinder_cel[idx],
            Self::CutOut(idx) => flag(loco.is_cut_out(idx)),
            Self::FilterDrop => loco.filter_kpa,
            Self::Rain => flag(now.rail == Rail::Wet),
        })
    }
}

/// What a planted failure makes of one sensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Spoiled {
    /// Reads wrong by this many of the channel's units more every second.
    Drift(f64),
    Dead,
    Stuck,
}

/// One spoiled sensor.
#[derive(Clone, Debug)]
pub(crate) struct Spoil {
    pub(crate) channel: ChannelName,
    pub(crate) from_s: i64,
    pub(crate) until_s: i64,
    pub(crate) how: Spoiled,
}

/// One channel of one unit, on its way out.
#[derive(Clone, Debug)]
struct Output {
    channel: ChannelId,
    signal: Signal,
    factor: f64,
    offset: f64,
    noise: f64,
    steps_per_unit: f64,
    /// A counter that starts at zero does not go below it.
    least: f64,
    spoils: Vec<Spoil>,
    stuck_at: Option<f64>,
    values: Vec<f64>,
    /// Times of its own, once it missed a second that the others of its group did not.
    own_times: Option<Vec<i64>>,
}

/// Channels sent at the same seconds, or each when it changes.
#[derive(Clone, Debug)]
struct Group {
    /// Seconds between samples.
    interval_s: i64,
    outputs: Vec<Output>,
    times_ms: Vec<i64>,
}

#[derive(Clone, Debug)]
struct Held {
    output: Output,
    /// A change of at least this is sent at once.
    deadband: f64,
    again_s: i64,
    sent: Option<(i64, f64)>,
    /// The true value when it was last looked at.
    seen: f64,
    times_ms: Vec<i64>,
}

/// All channels a unit sends.
#[derive(Clone, Debug)]
pub(crate) struct Sensors {
    groups: Vec<Group>,
    held: Vec<Held>,
    random: Random,
}

/// The channels this simulator can send for a class: name and UCUM code.
pub(crate) fn channel_names(
    axles: usize,
    cylinders: usize,
) -> Vec<(String, Signal, &'static str, f64)> {
    let mut names: Vec<_> = SIGNALS
        .iter()
        .map(|(name, signal, ucum, noise)| ((*name).to_owned(), *signal, *ucum, *noise))
        .collect();
    for idx in 0..axles {
        let number = idx + 1;
        let speed = format!("traction.axle.{number}.speed");
        names.push((speed, Signal::AxleSpeed(idx), "km/h", 0.06));
        let effort = format!("traction.axle.{number}.effort");
        names.push((effort, Signal::AxleEffort(idx), "kN", 0.6));
        let cut_out = format!("traction.axle.{number}.cut_out");
        names.push((cut_out, Signal::CutOut(idx), "1", 0.0));
    }
    for idx in 0..cylinders {
        let exhaust = format!("engine.cylinder.{}.exhaust_temperature", idx + 1);
        names.push((exhaust, Signal::CylinderExhaust(idx), "Cel", 3.0));
    }
    names
}

/// The change that a held channel reports at once. A rear-of-train device reports 2 psi
/// (49 CFR 232.403(c)); the others are switches and report any step.
fn deadband(signal: Signal, output: &Output) -> f64 {
    match signal {
        Signal::RearPressure => 2.0 * KPA_PER_PSI * output.factor,
        _ => 0.5 / output.steps_per_unit,
    }
}

impl Sensors {
    /// The channels that both the simulator and the catalogue know; units are converted by UCUM.
    pub(crate) fn new(
        catalogue: &Catalogue,
        (axles, cylinders): (usize, usize),
        spoils: &[Spoil],
        random: Random,
    ) -> Self {
        let mut sensors = Self {
            groups: Vec::new(),
            held: Vec::new(),
            random,
        };
        for (name, signal, ucum, noise) in channel_names(axles, cylinders) {
            let Ok(name) = ChannelName::new(&name) else {
                continue;
            };
            let Some((id, def)) = catalogue.channel(&name) else {
                continue;
            };
            let (Ok(from), Ok(to)) = (Ucum::parse(ucum), Ucum::parse(&def.ucum)) else {
                continue;
            };
            let (Some(offset), Some(one)) = (from.convert(0.0, &to), from.convert(1.0, &to)) else {
                continue;
            };
            let factor = one - offset;
            let output = Output {
                channel: id,
                signal,
                factor,
                offset,
                noise: noise * factor,
                least: if def.range.0 == 0.0 {
                    0.0
                } else {
                    f64::NEG_INFINITY
                },
                steps_per_unit: f64::from(def.resolution.den) / f64::from(def.resolution.num),
                spoils: spoils
                    .iter()
                    .filter(|spoil| spoil.channel == name)
                    .cloned()
                    .collect(),
                stuck_at: None,
                values: Vec::new(),
                own_times: None,
            };
            match &def.kind {
                ChannelKind::Sampled { interval_ms } => {
                    let interval_s = (interval_ms / 1_000).max(1);
                    sensors.add_sampled(interval_s, output);
                }
                ChannelKind::Held { hold_ms } => sensors.held.push(Held {
                    deadband: deadband(signal, &output),
                    output,
                    again_s: (hold_ms / 1_000 * 6 / 7).max(1),
                    sent: None,
                    seen: f64::NAN,
                    times_ms: Vec::new(),
                }),
                ChannelKind::Event { .. } => {}
            }
        }
        sensors
    }

    fn add_sampled(&mut self, interval_s: i64, output: Output) {
        let found = self
            .groups
            .iter_mut()
            .find(|group| group.interval_s == interval_s);
        match found {
            Some(group) => group.outputs.push(output),
            None => self.groups.push(Group {
                interval_s,
                outputs: vec![output],
                times_ms: Vec::new(),
            }),
        }
    }

    /// Reads what is due in this second.
    pub(crate) fn read(&mut self, scene: &Scene<'_>, at_s: i64, time_ms: i64) {
        for group in &mut self.groups {
            if (time_ms / 1_000) % group.interval_s != 0 {
                continue;
            }
            for output in &mut group.outputs {
                let read = output.signal.read(scene);
                let value = read.and_then(|value| output.measure(value, at_s, &mut self.random));
                match (value, &mut output.own_times) {
                    (Some(value), None) => output.values.push(value),
                    (Some(value), Some(own_times)) => {
                        output.values.push(value);
                        own_times.push(time_ms);
                    }
                    (None, None) => output.own_times = Some(group.times_ms.clone()),
                    (None, Some(_)) => {}
                }
            }
            group.times_ms.push(time_ms);
        }
        for held in &mut self.held {
            let Some(read) = held.output.signal.read(scene) else {
                continue;
            };
            // A switch that did not move, which most seconds are.
            let is_same = read.to_bits() == held.seen.to_bits()
                && held.output.noise == 0.0
                && held.output.spoils.is_empty();
            let is_due = held
                .sent
                .is_none_or(|(sent_s, _)| at_s - sent_s >= held.again_s);
            if is_same && !is_due {
                continue;
            }
            held.seen = read;
            let Some(value) = held.output.measure(read, at_s, &mut self.random) else {
                continue;
            };
            let due = held.sent.is_none_or(|(sent_s, sent)| {
                at_s - sent_s >= held.again_s || (value - sent).abs() >= held.deadband
            });
            if due {
                held.sent = Some((at_s, value));
                held.output.values.push(value);
                held.times_ms.push(time_ms);
            }
        }
    }

    /// Hands out what was read since the last call.
    pub(crate) fn take(&mut self) -> Vec<Column> {
        let mut columns = Vec::new();
        for group in &mut self.groups {
            let shared: Arc<[i64]> = group.times_ms.as_slice().into();
            for output in &mut group.outputs {
                let times_ms = match output.own_times.take() {
                    None => Arc::clone(&shared),
                    Some(own_times) => own_times.into(),
                };
                columns.extend(output.column(times_ms));
            }
            group.times_ms.clear();
        }
        for held in &mut self.held {
            let times_ms = held.times_ms.as_slice().into();
            held.times_ms.clear();
            columns.extend(held.output.column(times_ms));
        }
        columns
    }
}

/// The nearest whole number; readings count at most 2^40 steps.
fn whole(steps: f64) -> f64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a cast towards zero is what rounds here, and far from i64's ends"
    )]
    let whole = (steps + 0.5_f64.copysign(steps)) as i64;
    whole as f64
}

impl Output {
    /// What the sensor makes of the true value.
    fn measure(&mut self, read: f64, at_s: i64, random: &mut Random) -> Option<f64> {
        let mut value = read * self.factor + self.offset;
        if self.noise > 0.0 {
            value += random.normal() * self.noise;
        }
        for spoil in &self.spoils {
            if !(spoil.from_s..spoil.until_s).contains(&at_s) {
                continue;
            }
            match spoil.how {
                Spoiled::Drift(per_s) => value += per_s * (at_s - spoil.from_s) as f64,
                Spoiled::Dead => return None,
                Spoiled::Stuck => value = *self.stuck_at.get_or_insert(value),
            }
        }
        Some(whole(value.max(self.least) * self.steps_per_unit) / self.steps_per_unit)
    }

    fn column(&mut self, times_ms: Arc<[i64]>) -> Option<Column> {
        let values = std::mem::take(&mut self.values);
        (!values.is_empty()).then_some(Column {
            channel: self.channel,
            times_ms,
            values,
            qualities: Vec::new(),
        })
    }
}
