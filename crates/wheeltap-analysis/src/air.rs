//! Air brake at one instant; tests that take time are in [`crate::Machine`].

use crate::units::PSI_KPA;

/// Head minus rear pressure, or any other difference, in kPa: the gradient of the brake pipe, which
/// 49 CFR 232.207(b)(3) lets be 15 psi (103.4 kPa).
pub fn pressure_difference(head_kpa: f64, rear_kpa: f64) -> f64 {
    head_kpa - rear_kpa
}

/// Least pressure in kPa at the rear of the train for a road test at this operating pressure (kPa):
/// 15 psi under it, and not under 75 psi. The limit itself passes.
///
/// Source: 49 CFR 232.207(b)(3).
pub fn rear_pressure_least(operating_kpa: f64) -> f64 {
    if operating_kpa > 0.0 {
        (operating_kpa - 15.0 * PSI_KPA).max(75.0 * PSI_KPA)
    } else {
        f64::NAN
    }
}

/// Main reservoir pressure in kPa at or above which the compressor must start: 15 psi over the
/// highest brake pipe pressure (kPa).
///
/// Source: 49 CFR 229.49(c).
pub fn reservoir_start_least(brake_pipe_kpa: f64) -> f64 {
    if brake_pipe_kpa >= 0.0 {
        brake_pipe_kpa + 15.0 * PSI_KPA
    } else {
        f64::NAN
    }
}
