//! Fuel against what it did.

use crate::units::{BTU_KJ, GALLON_L};

/// Higher heating value of diesel fuel, kJ/L: 137,381 Btu a US gallon (US energy statistics).
const FUEL_KJ_PER_L: f64 = 137_381.0 * BTU_KJ / GALLON_L;

/// Fuel for each unit of energy, L/(kW.h), from L/h and kW. NaN without power.
///
/// Source: definition.
pub fn specific_fuel(fuel_l_per_h: f64, power_kw: f64) -> f64 {
    if power_kw > 0.0 && fuel_l_per_h >= 0.0 {
        fuel_l_per_h / power_kw
    } else {
        f64::NAN
    }
}

/// Share of the fuel's heat that becomes power, from kW and L/h, by the higher heating value of
/// 137,381 Btu a US gallon. NaN without fuel.
///
/// Source: US energy statistics for the heating value.
pub fn engine_efficiency(power_kw: f64, fuel_l_per_h: f64) -> f64 {
    if fuel_l_per_h > 0.0 {
        power_kw * 3_600.0 / (fuel_l_per_h * FUEL_KJ_PER_L)
    } else {
        f64::NAN
    }
}

/// Freight moved by each litre, t.km/L, from the train's weight in t, its speed in km/h and the fuel
/// rate of all its units in L/h. NaN without fuel.
///
/// Source: definition. One short ton moved about 202 miles on a US gallon is common practice for a
/// freight train, no source: 78 t.km/L.
pub fn freight_per_fuel(weight_t: f64, speed_kmh: f64, fuel_l_per_h: f64) -> f64 {
    if fuel_l_per_h > 0.0 && weight_t >= 0.0 && speed_kmh >= 0.0 {
        weight_t * speed_kmh / fuel_l_per_h
    } else {
        f64::NAN
    }
}

/// A value (fuel, power) as a share of what the class has at this notch: 1 is as the class.
///
/// `of_notch` are the class's values for idle and notches 1 to 8; the notch is rounded. NaN for
/// another notch and where the class has nothing or 0.
///
/// Source: definition.
pub fn share_of_notch(value: f64, notch: f64, of_notch: &[f64]) -> f64 {
    let notch = notch.round();
    let found = (0_u8..)
        .zip(of_notch)
        .find(|(idx, _)| f64::from(*idx).total_cmp(&(notch + 0.0)).is_eq());
    match found {
        Some((_, own)) if *own > 0.0 => value / own,
        _ => f64::NAN,
    }
}
