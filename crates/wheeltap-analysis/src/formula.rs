//! The table of formulas: what each takes and gives, where it is valid and who published it.

use crate::machine::{Charging, Cooling, Falling, Machine, SlidingSum};
use crate::{air, exposure, forecast, fuel, heat, resistance, sand, traction};

/// One argument of a formula.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Argument {
    /// A lower-case word.
    pub name: &'static str,
    /// Its unit, a UCUM code; empty where any will do.
    pub ucum: &'static str,
    /// Whether a class that lacks the figure may be computed without it, as NaN: one of several of which a
    /// value needs one.
    pub may_lack: bool,
}

/// How a formula is computed.
#[derive(Clone, Copy, Debug)]
pub enum Compute {
    /// Of one number.
    One(fn(f64) -> f64),
    /// Of two.
    Two(fn(f64, f64) -> f64),
    /// Of three.
    Three(fn(f64, f64, f64) -> f64),
    /// Of more than three, as many as there are arguments.
    Many(fn(&[f64]) -> f64),
    /// Over samples: the first `usize` arguments are watched, the others set the machine up.
    Over(usize, fn(&[f64]) -> Machine),
}

/// One formula.
#[derive(Clone, Copy, Debug)]
pub struct Formula {
    /// A lower-case word by which rules and catalogues call it.
    pub name: &'static str,
    /// What it gives, and when it gives nothing.
    pub what: &'static str,
    /// What it takes, in order.
    pub args: &'static [Argument],
    /// The unit of the result, a UCUM code.
    pub ucum: &'static str,
    /// How it is computed.
    pub compute: Compute,
    /// Who published it.
    pub source: &'static str,
    /// A verdict that uses it, for a rule with plain numbers `seen.x` and `seen.y`; empty where the
    /// rule language has no use for it.
    pub example: &'static str,
}

impl Formula {
    /// The value at one instant; `None` where it is not defined, where the number of values is not
    /// that of the arguments, and for a computation over samples.
    pub fn at(&self, values: &[f64]) -> Option<f64> {
        let value = match (self.compute, values) {
            (Compute::One(call), [a]) => call(*a),
            (Compute::Two(call), [a, b]) => call(*a, *b),
            (Compute::Three(call), [a, b, c]) => call(*a, *b, *c),
            (Compute::Many(call), values) if values.len() == self.args.len() => call(values),
            _ => f64::NAN,
        };
        value.is_finite().then_some(value)
    }

    /// How many of the first arguments may be channels; the others of a computation over samples
    /// are settings.
    pub const fn n_inputs(&self) -> usize {
        match self.compute {
            Compute::Over(n_inputs, _) => n_inputs,
            _ => self.args.len(),
        }
    }
}

/// The formula of this name.
pub fn find(name: &str) -> Option<&'static Formula> {
    FORMULAS.iter().find(|formula| formula.name == name)
}

const fn arg(name: &'static str, ucum: &'static str) -> Argument {
    Argument {
        name,
        ucum,
        may_lack: false,
    }
}

/// One of several figures of a class, of which a value needs one.
const fn one_of(name: &'static str, ucum: &'static str) -> Argument {
    Argument {
        may_lack: true,
        ..arg(name, ucum)
    }
}

const POWER: Argument = arg("power", "kW");
const EFFORT: Argument = arg("effort", "kN");
const SPEED: Argument = arg("speed", "km/h");
const EFFICIENCY: Argument = arg("efficiency", "1");
const WEIGHT: Argument = arg("weight", "kg");
const AXLE_LOAD: Argument = arg("axle_load", "t");
const AXLES: Argument = arg("axles", "1");
const FUEL: Argument = arg("fuel", "L/h");
const LEVEL: Argument = arg("level", "dB[SPL]{A}");
const SETTLE: Argument = arg("settle", "s");
const WINDOW: Argument = arg("window", "s");

/// Every formula, in the order of the reference.
pub static FORMULAS: [Formula; 38] = [
    Formula {
        name: "tractive_effort",
        what: "3.6 P e / v: effort at the rail from power and the share of it (0 to 1] that arrives there; unknown at a standstill",
        args: &[POWER, SPEED, EFFICIENCY],
        ucum: "kN",
        compute: Compute::Three(traction::tractive_effort),
        source: "definition of power (375 hp e / mph)",
        example: "tractive_effort(2200.0, seen.x * 3.6, 0.82) > 100.0",
    },
    Formula {
        name: "rail_power",
        what: "F v / 3.6: power at the rail",
        args: &[EFFORT, SPEED],
        ucum: "kW",
        compute: Compute::Two(traction::rail_power),
        source: "definition of power",
        example: "rail_power(400.0, seen.x * 3.6) > 100.0",
    },
    Formula {
        name: "effort_possible",
        what: "the lesser of what power and dry rail allow; at a standstill what the rail does",
        args: &[POWER, EFFICIENCY, SPEED, WEIGHT],
        ucum: "kN",
        compute: Compute::Many(|a| traction::effort_possible(a[0], a[1], a[2], a[3])),
        source: "tractive_effort and adhesion_limit",
        example: "",
    },
    Formula {
        name: "adhesion_used",
        what: "|F| / (m g): share of the weight on drivers that an effort asks of the rail",
        args: &[EFFORT, WEIGHT],
        ucum: "1",
        compute: Compute::Two(traction::adhesion_used),
        source: "definition",
        example: "adhesion_used(seen.x * 100.0, 193000.0) > 0.3",
    },
    Formula {
        name: "adhesion_available",
        what: "7.5 / (v + 44) + 0.161: adhesion of dry rail, 0 to 160 km/h; unknown outside",
        args: &[SPEED],
        ucum: "1",
        compute: Compute::One(traction::adhesion_available),
        source: "Curtius and Kniffler 1943-1950",
        example: "adhesion_available(seen.x * 3.6) < 0.25",
    },
    Formula {
        name: "adhesion_limit",
        what: "effort that dry rail takes: adhesion_available(v) m g",
        args: &[WEIGHT, SPEED],
        ucum: "kN",
        compute: Compute::Two(traction::adhesion_limit),
        source: "Curtius and Kniffler 1943-1950",
        example: "adhesion_limit(193000.0, seen.x * 3.6) < 500.0",
    },
    Formula {
        name: "creep",
        what: "(wheel - ground) / ground, the ground speed in the denominator; unknown under 3 mph (4.83 km/h)",
        args: &[arg("wheel", "km/h"), arg("ground", "km/h")],
        ucum: "1",
        compute: Compute::Two(traction::creep),
        source: "textbooks",
        example: "creep(seen.x * 3.6, seen.y * 3.6) > 0.05",
    },
    Formula {
        name: "wheel_speed",
        what: "pi d n: surface speed of a wheel",
        args: &[arg("turns", "/min"), arg("diameter", "mm")],
        ucum: "km/h",
        compute: Compute::Two(traction::wheel_speed),
        source: "geometry",
        example: "wheel_speed(seen.x * 60.0, 1067.0) > 50.0",
    },
    Formula {
        name: "resistance_modified_davis",
        what: "0.6 + 20/w + 0.01 V + 0.07 V^2/(w n) lb/ton (w short tons an axle, V mph): level tangent track, conventional cars",
        args: &[AXLE_LOAD, AXLES, SPEED],
        ucum: "N/t",
        compute: Compute::Three(resistance::resistance_modified_davis),
        source: "AREA committee 16",
        example: "resistance_modified_davis(32.4, 4.0, seen.x * 3.6) > 10.0",
    },
    Formula {
        name: "davis_modified",
        what: "the same with its air coefficient: 0.07, containers 0.0935, trailers on flat cars 0.16",
        args: &[AXLE_LOAD, AXLES, SPEED, arg("air", "1")],
        ucum: "N/t",
        compute: Compute::Many(|a| resistance::davis_modified(a[0], a[1], a[2], a[3])),
        source: "AREA committee 16",
        example: "",
    },
    Formula {
        name: "resistance_davis_1926",
        what: "1.3 + 29/w + 0.045 V + 0.044 V^2/(w n) lb/ton: freight cars on plain bearings",
        args: &[AXLE_LOAD, AXLES, SPEED],
        ucum: "N/t",
        compute: Compute::Three(resistance::resistance_davis_1926),
        source: "Davis 1926",
        example: "resistance_davis_1926(32.4, 4.0, seen.x * 3.6) > 10.0",
    },
    Formula {
        name: "resistance_rp_548",
        what: "1.3 + 72.5/(w n) + 0.015 V + 0.055 V^2/(w n) lb/ton",
        args: &[AXLE_LOAD, AXLES, SPEED],
        ucum: "N/t",
        compute: Compute::Three(resistance::resistance_rp_548),
        source: "AAR RP-548",
        example: "resistance_rp_548(32.4, 4.0, seen.x * 3.6) > 10.0",
    },
    Formula {
        name: "grade_resistance",
        what: "20 lb/ton for each 1 % of grade, negative downhill",
        args: &[arg("grade", "%")],
        ucum: "N/t",
        compute: Compute::One(resistance::grade_resistance),
        source: "geometry",
        example: "grade_resistance(seen.x * 1.0) > 98.0",
    },
    Formula {
        name: "curve_resistance",
        what: "0.8 lb/ton for each degree of curve (100-foot chord)",
        args: &[arg("curve", "deg")],
        ucum: "N/t",
        compute: Compute::One(resistance::curve_resistance),
        source: "AREA",
        example: "curve_resistance(seen.x * 1.0) > 10.0",
    },
    Formula {
        name: "sand_density",
        what: "sand on a metre of rail from the rate over that rail; unknown at a standstill",
        args: &[arg("rate", "kg/min"), SPEED],
        ucum: "g/m",
        compute: Compute::Two(sand::sand_density),
        source: "definition",
        example: "sand_density(seen.x * 1.0, 40.0) > 7.5",
    },
    Formula {
        name: "sand_limit",
        what: "most sand of one device in any 30 s: 500 g, from 140 km/h on 800 g; the limit itself is allowed",
        args: &[SPEED],
        ucum: "g",
        compute: Compute::One(sand::sand_limit),
        source: "ERA/ERTMS/033281 clause 3.1.4.1",
        example: "sand_limit(seen.x * 3.6) > 600.0",
    },
    Formula {
        name: "rear_pressure_least",
        what: "15 psi under the operating pressure, at least 75 psi; the limit itself passes",
        args: &[arg("operating", "kPa")],
        ucum: "kPa",
        compute: Compute::One(air::rear_pressure_least),
        source: "49 CFR 232.207(b)(3)",
        example: "rear_pressure_least(seen.x * 1.0) > 520.0",
    },
    Formula {
        name: "reservoir_start_least",
        what: "15 psi over the brake pipe: where the compressor must start",
        args: &[arg("brake_pipe", "kPa")],
        ucum: "kPa",
        compute: Compute::One(air::reservoir_start_least),
        source: "49 CFR 229.49(c)",
        example: "reservoir_start_least(seen.x * 1.0) > 720.0",
    },
    Formula {
        name: "pressure_difference",
        what: "the difference of two: head minus rear is the brake pipe's gradient",
        args: &[arg("high", "kPa"), arg("low", "kPa")],
        ucum: "kPa",
        compute: Compute::Two(air::pressure_difference),
        source: "definition",
        example: "",
    },
    Formula {
        name: "temperature_difference",
        what: "how much hotter one is: oil over coolant, oil over ambient",
        args: &[arg("hot", "Cel"), arg("cool", "Cel")],
        ucum: "K",
        compute: Compute::Two(heat::temperature_difference),
        source: "definition",
        example: "",
    },
    Formula {
        name: "specific_fuel",
        what: "fuel for each unit of energy; unknown without power",
        args: &[FUEL, POWER],
        ucum: "L/(kW.h)",
        compute: Compute::Two(fuel::specific_fuel),
        source: "definition",
        example: "specific_fuel(seen.x * 1.0, 3200.0) > 0.26",
    },
    Formula {
        name: "engine_efficiency",
        what: "share of the fuel's heat (higher, 137381 Btu a US gallon) that becomes power",
        args: &[POWER, FUEL],
        ucum: "1",
        compute: Compute::Two(fuel::engine_efficiency),
        source: "US energy statistics",
        example: "engine_efficiency(3200.0, seen.x * 1.0) < 0.35",
    },
    Formula {
        name: "freight_per_fuel",
        what: "freight moved by each litre; weight of the train, fuel of all its units",
        args: &[arg("weight", "t"), SPEED, FUEL],
        ucum: "t.km/L",
        compute: Compute::Three(fuel::freight_per_fuel),
        source: "definition",
        example: "freight_per_fuel(13000.0, seen.x * 3.6, 2400.0) < 78.0",
    },
    Formula {
        name: "fuel_of_class",
        what: "fuel as a share of the class's at this notch, idle and 1 to 8; unknown where the class has none",
        args: &[
            FUEL,
            arg("notch", "1"),
            one_of("notch_0", "L/h"),
            one_of("notch_1", "L/h"),
            one_of("notch_2", "L/h"),
            one_of("notch_3", "L/h"),
            one_of("notch_4", "L/h"),
            one_of("notch_5", "L/h"),
            one_of("notch_6", "L/h"),
            one_of("notch_7", "L/h"),
            one_of("notch_8", "L/h"),
        ],
        ucum: "1",
        compute: Compute::Many(|a| fuel::share_of_notch(a[0], a[1], &a[2..])),
        source: "definition",
        example: "",
    },
    Formula {
        name: "power_of_class",
        what: "power as a share of the class's at this notch, idle and 1 to 8; unknown where the class has none",
        args: &[
            POWER,
            arg("notch", "1"),
            one_of("notch_0", "kW"),
            one_of("notch_1", "kW"),
            one_of("notch_2", "kW"),
            one_of("notch_3", "kW"),
            one_of("notch_4", "kW"),
            one_of("notch_5", "kW"),
            one_of("notch_6", "kW"),
            one_of("notch_7", "kW"),
            one_of("notch_8", "kW"),
        ],
        ucum: "1",
        compute: Compute::Many(|a| fuel::share_of_notch(a[0], a[1], &a[2..])),
        source: "definition",
        example: "",
    },
    Formula {
        name: "noise_hours",
        what: "8 / 2^((L - 90) / 5): hours a day that this level is allowed",
        args: &[LEVEL],
        ucum: "h",
        compute: Compute::One(exposure::noise_hours),
        source: "49 CFR 227.105",
        example: "noise_hours(seen.x * 1.0) < 4.0",
    },
    Formula {
        name: "noise_dose_rate",
        what: "share of a day's dose for each hour at this level; 0 under 80 dB(A)",
        args: &[LEVEL],
        ucum: "%/h",
        compute: Compute::One(exposure::noise_dose_rate),
        source: "49 CFR 227 appendix A",
        example: "noise_dose_rate(seen.x * 1.0) > 12.5",
    },
    Formula {
        name: "noise_average",
        what: "90 + 5 log2(D / 100): the level that in 8 h gives a dose; unknown for none",
        args: &[arg("dose", "%")],
        ucum: "dB[SPL]{A}",
        compute: Compute::One(exposure::noise_average),
        source: "49 CFR 227 appendix A",
        example: "noise_average(seen.x * 1.0) > 85.0",
    },
    Formula {
        name: "vibration_zone",
        what: "1 (A) to 4 (D) for a velocity r.m.s. and a machine of class 1 to 4; at a boundary the better zone",
        args: &[arg("velocity", "mm/s"), arg("class", "1")],
        ucum: "1",
        compute: Compute::Two(exposure::vibration_zone),
        source: "ISO 10816-1 annex B",
        example: "vibration_zone(seen.x * 1.0, 4.0) >= 3.0",
    },
    Formula {
        name: "ride_discomfort",
        what: "0 (not uncomfortable) to 5 (extremely) for a weighted acceleration r.m.s.; where bands overlap, the worse from its beginning on",
        args: &[arg("acceleration", "m/s2")],
        ucum: "1",
        compute: Compute::One(exposure::ride_discomfort),
        source: "ISO 2631-1 annex C.2.3",
        example: "ride_discomfort(seen.x * 1.0) >= 3.0",
    },
    Formula {
        name: "ride_total",
        what: "root of the summed squares of the weighted accelerations, factors 1",
        args: &[arg("x", "m/s2"), arg("y", "m/s2"), arg("z", "m/s2")],
        ucum: "m/s2",
        compute: Compute::Three(exposure::ride_total),
        source: "ISO 2631-1 clause 6.5",
        example: "ride_total(seen.x * 1.0, seen.y * 1.0, 0.1) > 0.5",
    },
    Formula {
        name: "time_until",
        what: "(limit - x) / rate: when a value that moves so meets a limit; unknown while it stands, moves away or is beyond",
        args: &[arg("x", ""), arg("rate", ""), arg("limit", "")],
        ucum: "s",
        compute: Compute::Three(forecast::time_until),
        source: "geometry",
        example: "time_until(seen.x, -0.01, 0.0) < 3600.0",
    },
    Formula {
        name: "wear_rate",
        what: "brake cylinder pressure times speed: what tread brake shoes lose goes with its integral",
        args: &[arg("cylinder", "kPa"), SPEED],
        ucum: "kPa.km/h",
        compute: Compute::Two(forecast::wear_rate),
        source: "Archard 1953",
        example: "wear_rate(seen.x * 1.0, 40.0) > 1000.0",
    },
    Formula {
        name: "sliding_sum",
        what: "amount laid in the window that ends now, from a rate; once half of it was seen",
        args: &[arg("rate", "kg/min"), WINDOW],
        ucum: "g",
        compute: Compute::Over(1, |a| Machine::SlidingSum(SlidingSum::new(millis(a[0])))),
        source: "ERA/ERTMS/033281 clause 3.1.4.1 (30 s)",
        example: "",
    },
    Formula {
        name: "fall_rate",
        what: "leakage by the test: the gate closes, pressure settles, then its fall over the window, end to end, in kPa a minute; once for each closing",
        args: &[arg("pressure", "kPa"), arg("gate", "1"), SETTLE, WINDOW],
        ucum: "kPa/min",
        compute: Compute::Over(2, |a| {
            Machine::Falling(Falling::new(millis(a[0]), millis(a[1])))
        }),
        source: "49 CFR 232.205(c)(1)",
        example: "",
    },
    Formula {
        name: "fall_rate_at_rest",
        what: "the same with a gate that closes at 0, such as a compressor that stops",
        args: &[arg("pressure", "kPa"), arg("running", "1"), SETTLE, WINDOW],
        ucum: "kPa/min",
        compute: Compute::Over(2, |a| {
            Machine::Falling(Falling::at_rest(millis(a[0]), millis(a[1])))
        }),
        source: "49 CFR 229.59(a) (3 min)",
        example: "",
    },
    Formula {
        name: "charging_time",
        what: "time from one pressure to another; once for each charging that takes less than `most`",
        args: &[
            arg("pressure", "kPa"),
            arg("from", "kPa"),
            arg("to", "kPa"),
            arg("most", "s"),
        ],
        ucum: "min",
        compute: Compute::Over(1, |a| {
            Machine::Charging(Charging::new(a[0], a[1], millis(a[2])))
        }),
        source: "definition",
        example: "",
    },
    Formula {
        name: "cooling_constant",
        what: "thermal time constant fitted to the excess over ambient after the engine stops; once for each stop, 5 K over ambient at least",
        args: &[
            arg("hot", "Cel"),
            arg("ambient", "Cel"),
            arg("running", "1"),
            SETTLE,
            WINDOW,
        ],
        ucum: "s",
        compute: Compute::Over(3, |a| {
            Machine::Cooling(Cooling::new(millis(a[0]), millis(a[1])))
        }),
        source: "Newton's law of cooling",
        example: "",
    },
];

/// Milliseconds of so many seconds; 0 and up, at most ten years.
fn millis(seconds: f64) -> i64 {
    let rounded = (seconds * 1_000.0).round().clamp(0.0, 3.2e11);
    #[expect(clippy::cast_possible_truncation, reason = "whole and clamped")]
    let whole = rounded as i64;
    whole
}
