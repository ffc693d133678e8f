//! What it takes to keep a train rolling. Resistances are in N a tonne of train.

use crate::units::{MILE_KM, POUND_PER_TON, SHORT_TON_T};

/// Short tons an axle, axles and mph; `None` where the formulas say nothing.
fn imperial(axle_load_t: f64, n_axles: f64, speed_kmh: f64) -> Option<(f64, f64, f64)> {
    let valid = axle_load_t > 0.0 && n_axles >= 1.0 && speed_kmh >= 0.0;
    valid.then_some((axle_load_t / SHORT_TON_T, n_axles, speed_kmh / MILE_KM))
}

/// Modified Davis in N/t for a car of this axle load (t), axles and air coefficient at a speed in
/// km/h: 0.6 + 20/w + 0.01 V + K V^2/(w n) lb a short ton, w in short tons an axle, V in mph.
///
/// K is 0.07 for conventional cars, 0.0935 for containers, 0.16 for trailers on flat cars. Level
/// tangent track, no wind.
///
/// Source: AREA committee 16; the first three terms from memory.
pub fn davis_modified(axle_load_t: f64, n_axles: f64, speed_kmh: f64, air: f64) -> f64 {
    imperial(axle_load_t, n_axles, speed_kmh).map_or(f64::NAN, |(w, n, v)| {
        (0.6 + 20.0 / w + 0.01 * v + air * v * v / (w * n)) * POUND_PER_TON
    })
}

/// [`davis_modified`] for conventional cars (K = 0.07).
pub fn resistance_modified_davis(axle_load_t: f64, n_axles: f64, speed_kmh: f64) -> f64 {
    davis_modified(axle_load_t, n_axles, speed_kmh, 0.07)
}

/// Davis' own formula for freight cars in N/t: 1.3 + 29/w + 0.045 V + 0.044 V^2/(w n) lb a short ton.
///
/// Source: Davis, General Electric Review, October 1926. High for modern bearings and speeds.
pub fn resistance_davis_1926(axle_load_t: f64, n_axles: f64, speed_kmh: f64) -> f64 {
    imperial(axle_load_t, n_axles, speed_kmh).map_or(f64::NAN, |(w, n, v)| {
        (1.3 + 29.0 / w + 0.045 * v + 0.044 * v * v / (w * n)) * POUND_PER_TON
    })
}

/// The form of AAR RP-548 in N/t: 1.3 + 72.5/(w n) + 0.015 V + 0.055 V^2/(w n) lb a short ton.
///
/// Source: AAR Recommended Practice RP-548.
pub fn resistance_rp_548(axle_load_t: f64, n_axles: f64, speed_kmh: f64) -> f64 {
    imperial(axle_load_t, n_axles, speed_kmh).map_or(f64::NAN, |(w, n, v)| {
        (1.3 + 72.5 / (w * n) + 0.015 * v + 0.055 * v * v / (w * n)) * POUND_PER_TON
    })
}

/// Pull of a grade in N/t, negative downhill: 20 lb a short ton for each 1 %, which is the weight's
/// share along the rail with the sine taken as the tangent (0.1 % too much at 4 %).
///
/// Source: geometry.
pub fn grade_resistance(grade_percent: f64) -> f64 {
    20.0 * grade_percent * POUND_PER_TON
}

/// Drag of a curve in N/t: 0.8 lb a short ton for each degree of curve (the angle of a 100-foot
/// chord), either hand.
///
/// Source: AREA (from memory); lubricated rail has less.
pub fn curve_resistance(curve_deg: f64) -> f64 {
    0.8 * curve_deg.abs() * POUND_PER_TON
}
