//! Temperatures against each other; time constants are in [`crate::Machine`].

/// How much hotter (K) one thing is than another, both in Cel: oil over coolant, oil over ambient.
///
/// Oil 5 to 15 K over coolant at full load is common practice, no source.
pub fn temperature_difference(hot_cel: f64, cool_cel: f64) -> f64 {
    hot_cel - cool_cel
}
