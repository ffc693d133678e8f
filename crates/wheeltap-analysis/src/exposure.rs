//! What people in the cab and machines take: noise and vibration.

/// Hours a day that a person may be in a noise of this level, dB(A): 8 / 2^((L - 90)/5).
///
/// Source: 49 CFR 227.105, the same as 29 CFR 1910.95: 90 dB(A) for 8 h, 5 dB exchange rate
/// (from memory).
pub fn noise_hours(level_db: f64) -> f64 {
    8.0 / libm::exp2((level_db - 90.0) / 5.0)
}

/// Noise dose in % of a day's for each hour at this level, dB(A): 100 / T, and 0 under 80 dB(A), which
/// the regulation leaves out. The dose of a shift is the mean rate times its hours.
///
/// Source: 49 CFR 227.105 and appendix A (from memory).
pub fn noise_dose_rate(level_db: f64) -> f64 {
    if level_db < 80.0 {
        0.0
    } else {
        100.0 / noise_hours(level_db)
    }
}

/// The level that, held for 8 h, gives a dose (%): 90 + 5 log2(D/100), dB(A). NaN for no dose.
///
/// Source: 49 CFR 227 appendix A (from memory), which prints the factor as 16.61 log10.
pub fn noise_average(dose_percent: f64) -> f64 {
    if dose_percent > 0.0 {
        90.0 + 5.0 * libm::log2(dose_percent / 100.0)
    } else {
        f64::NAN
    }
}

/// Upper ends of zones A, B and C for classes I to IV, mm/s.
const ZONES: [[f64; 3]; 4] = [
    [0.71, 1.8, 4.5],
    [1.12, 2.8, 7.1],
    [1.8, 4.5, 11.2],
    [2.8, 7.1, 18.0],
];

/// Severity zone, 1 (A, as new) to 4 (D, harmful), of a vibration velocity (mm/s r.m.s., 10 to 1000
/// Hz) for a machine of class 1 to 4. **A value at a boundary stays in the better zone.**
///
/// Class 1 is small (to 15 kW), 2 medium (to 75 kW), 3 large on rigid, 4 large on flexible supports.
///
/// Source: ISO 10816-1 annex B; its successor ISO 20816-1 advises agreed criteria instead.
pub fn vibration_zone(velocity_mm_s: f64, class: f64) -> f64 {
    let limits = (1_u8..)
        .zip(ZONES)
        .find(|(number, _)| f64::from(*number).total_cmp(&class).is_eq());
    match limits {
        Some((_, limits)) if velocity_mm_s >= 0.0 => limits.iter().fold(1.0, |zone, limit| {
            zone + f64::from(u8::from(velocity_mm_s > *limit))
        }),
        _ => f64::NAN,
    }
}

/// Likely reaction to a weighted acceleration (m/s2 r.m.s.): 0 not uncomfortable, 1 a little, 2 fairly,
/// 3 uncomfortable, 4 very, 5 extremely uncomfortable.
///
/// The standard's bands overlap. **Here the worse of two begins where its band begins**: 0.315, 0.5,
/// 0.8, 1.25, and over 2.
///
/// Source: ISO 2631-1 annex C.2.3, as quoted elsewhere.
pub fn ride_discomfort(acceleration: f64) -> f64 {
    if acceleration >= 0.0 {
        let begun = [0.315, 0.5, 0.8, 1.25]
            .iter()
            .filter(|from| acceleration >= **from);
        let begun = begun.count() as f64;
        begun + f64::from(u8::from(acceleration > 2.0))
    } else {
        f64::NAN
    }
}

/// Total of the weighted accelerations along x, y and z (m/s2) of a seated person, all factors 1.
///
/// Source: ISO 2631-1 clause 6.5, factors for comfort (from memory).
pub fn ride_total(x: f64, y: f64, z: f64) -> f64 {
    (x * x + y * y + z * z).sqrt()
}
