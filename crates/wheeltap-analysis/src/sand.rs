//! Sand on the rail.

/// Sand laid on a metre of rail in g/m, from the rate of the nozzles over that rail in kg/min and the
/// speed in km/h. NaN at a standstill, where it heaps up.
///
/// Source: definition.
pub fn sand_density(rate_kg_per_min: f64, speed_kmh: f64) -> f64 {
    if speed_kmh > 0.0 && rate_kg_per_min >= 0.0 {
        // g/min over m/min.
        rate_kg_per_min * 60.0 / speed_kmh
    } else {
        f64::NAN
    }
}

/// Most sand in g that one device may lay in any 30 s at a speed in km/h, tolerance included: 400 +
/// 100 under 140 km/h, 650 + 150 from there on. The limit itself is allowed.
///
/// Source: ERA/ERTMS/033281 clause 3.1.4.1.
pub fn sand_limit(speed_kmh: f64) -> f64 {
    if speed_kmh >= 140.0 {
        800.0
    } else if speed_kmh >= 0.0 {
        500.0
    } else {
        f64::NAN
    }
}
