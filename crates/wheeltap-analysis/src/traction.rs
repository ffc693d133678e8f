//! Power, effort and what the rail takes.

use crate::units::{GRAVITY, MILE_KM};
use core::f64::consts::PI;

/// Ground speed under which creep is not told, km/h: 3 mph. Below it the error of any ground speed
/// is as large as the creep.
pub const LEAST_CREEP_SPEED_KMH: f64 = 3.0 * MILE_KM;

/// Tractive effort at the rail in kN from power in kW, speed in km/h and the share of the power that
/// reaches the rail (above 0, at most 1): 3.6 P e / v.
///
/// NaN at a standstill, where adhesion limits the effort instead: see [`effort_possible`]. Negative
/// power is dynamic braking and gives a negative effort.
///
/// Source: definition of power; as 375 hp e / mph in every textbook of train operation.
pub fn tractive_effort(power_kw: f64, speed_kmh: f64, efficiency: f64) -> f64 {
    if speed_kmh > 0.0 && efficiency > 0.0 && efficiency <= 1.0 {
        3.6 * power_kw * efficiency / speed_kmh
    } else {
        f64::NAN
    }
}

/// Power at the rail in kW from effort in kN and speed in km/h (0 and up): F v / 3.6.
///
/// Source: definition of power.
pub fn rail_power(effort_kn: f64, speed_kmh: f64) -> f64 {
    if speed_kmh >= 0.0 {
        effort_kn * speed_kmh / 3.6
    } else {
        f64::NAN
    }
}

/// Effort in kN that power (kW, share `efficiency` of it at the rail) and adhesion allow together at
/// a speed in km/h with this weight on drivers in kg: the lesser of the two; at a standstill adhesion
/// alone.
///
/// Source: [`tractive_effort`] and [`adhesion_limit`].
pub fn effort_possible(power_kw: f64, efficiency: f64, speed_kmh: f64, weight_kg: f64) -> f64 {
    let rail = adhesion_limit(weight_kg, speed_kmh);
    // Exactly 0 is a standstill; a gauge that says less is broken.
    if speed_kmh > 0.0 {
        let engine = tractive_effort(power_kw, speed_kmh, efficiency);
        // `min` would drop a NaN.
        if engine.is_nan() {
            engine
        } else {
            rail.min(engine)
        }
    } else {
        rail
    }
}

/// Share of the weight on drivers (kg) that an effort (kN, either direction) asks of the rail:
/// |F| / (m g).
///
/// Source: definition of adhesion.
pub fn adhesion_used(effort_kn: f64, weight_kg: f64) -> f64 {
    if weight_kg > 0.0 {
        effort_kn.abs() * 1_000.0 / (weight_kg * GRAVITY)
    } else {
        f64::NAN
    }
}

/// Adhesion to be had on dry rail at a speed in km/h, 0 to 160: 7.5 / (v + 44) + 0.161.
///
/// NaN outside, where it was not measured. Wet rail has about 0.6 of it (Koffman 1948), leaves far
/// less.
///
/// Source: Curtius and Kniffler, 1943 to 1950.
pub fn adhesion_available(speed_kmh: f64) -> f64 {
    if (0.0..=160.0).contains(&speed_kmh) {
        7.5 / (speed_kmh + 44.0) + 0.161
    } else {
        f64::NAN
    }
}

/// Effort in kN that dry rail takes with this weight on drivers (kg) at a speed in km/h.
///
/// Source: [`adhesion_available`].
pub fn adhesion_limit(weight_kg: f64, speed_kmh: f64) -> f64 {
    if weight_kg > 0.0 {
        adhesion_available(speed_kmh) * weight_kg * GRAVITY / 1_000.0
    } else {
        f64::NAN
    }
}

/// Creep of an axle: (wheel - ground) / ground, both in km/h. Positive in traction, negative in
/// braking, -1 for an axle that does not turn.
///
/// **The denominator is the ground speed**, in traction and in braking; some texts take the mean or
/// the greater of the two. NaN under [`LEAST_CREEP_SPEED_KMH`], 0 included.
///
/// Source: textbooks of traction.
pub fn creep(wheel_kmh: f64, ground_kmh: f64) -> f64 {
    if ground_kmh >= LEAST_CREEP_SPEED_KMH && wheel_kmh >= 0.0 {
        (wheel_kmh - ground_kmh) / ground_kmh
    } else {
        f64::NAN
    }
}

/// Surface speed in km/h of a wheel of this diameter in mm at so many turns a minute: pi d n.
///
/// Source: geometry.
pub fn wheel_speed(turns_per_min: f64, diameter_mm: f64) -> f64 {
    if diameter_mm > 0.0 {
        PI * diameter_mm * turns_per_min * 60.0 / 1e6
    } else {
        f64::NAN
    }
}
