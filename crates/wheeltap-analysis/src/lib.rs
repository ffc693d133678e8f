//! The trade's computation: what a mechanical department works out from what a locomotive sends.
//!
//! Pure arithmetic on numbers. It knows no channels, units, rules or clocks, and reads nothing.
//!
//! Start with [`FORMULAS`], the table by which the rule language and derived channels call these
//! functions; each entry has units, the range in which it is valid and its source. What needs more
//! than one instant is a [`Machine`].
//!
//! ```
//! use wheeltap_analysis::{adhesion_available, find, tractive_effort};
//! // 3 MW at the shaft, 85 % of it at the rail, at 20 km/h.
//! assert_eq!(tractive_effort(3_000.0, 20.0, 0.85), 459.0);
//! // Outside of its range a formula gives NaN, which a rule reads as unknown.
//! assert!(tractive_effort(3_000.0, 0.0, 0.85).is_nan());
//! assert!(adhesion_available(0.0) > 0.33);
//! assert_eq!(find("tractive_effort").unwrap().ucum, "kN");
//! ```
//!
//! Contracts that hold throughout: quantities are in the units in which the catalogue stores them
//! (kW, km/h, kN, kg, kPa, L/h, Cel), named in every signature; no function panics; what is not
//! defined is NaN, never a guess or an infinity from a division by zero; results have the same bits on
//! every machine, as transcendentals come from one portable library.
//!
//! What these say of brakes, wheels and air is advice. It never declares a unit safe: local rules
//! and licensed practice decide.

mod air;
mod exposure;
mod forecast;
mod formula;
mod fuel;
mod heat;
mod machine;
mod rail;
pub mod reliability;
mod resistance;
mod sand;
mod traction;
mod units;
mod walk_back;

pub use air::{pressure_difference, rear_pressure_least, reservoir_start_least};
pub use exposure::{
    noise_average, noise_dose_rate, noise_hours, ride_discomfort, ride_total, vibration_zone,
};
pub use forecast::{time_until, wear_rate};
pub use formula::{Argument, Compute, FORMULAS, Formula, find};
pub use fuel::{engine_efficiency, freight_per_fuel, share_of_notch, specific_fuel};
pub use heat::temperature_difference;
pub use machine::{Charging, Cooling, Falling, Machine, SlidingSum};
pub use rail::{PlaceTerms, SlipAt, SlipperyStretch, Witnesses, slippery_stretches};
pub use resistance::{
    curve_resistance, davis_modified, grade_resistance, resistance_davis_1926,
    resistance_modified_davis, resistance_rp_548,
};
pub use sand::{sand_density, sand_limit};
pub use traction::{
    LEAST_CREEP_SPEED_KMH, adhesion_available, adhesion_limit, adhesion_used, creep,
    effort_possible, rail_power, tractive_effort, wheel_speed,
};
pub use walk_back::{Difference, Peers, Quantity, Walk};
