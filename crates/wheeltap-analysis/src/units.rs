//! Factors of the units in which some formulas are published. They are those of UCUM; a test
//! compares them with the catalogue's.

/// kg in a pound.
const POUND_KG: f64 = 0.453_592_37;
/// Standard gravity, m/s2.
pub(crate) const GRAVITY: f64 = 9.806_65;
/// km in a mile.
pub(crate) const MILE_KM: f64 = 1.609_344;
/// t in a short ton.
pub(crate) const SHORT_TON_T: f64 = 2.0 * POUND_KG;
/// N/t in one pound-force a short ton: 1 lb in 2,000 lb of weight.
pub(crate) const POUND_PER_TON: f64 = GRAVITY / 2.0;
/// kPa in a pound-force a square inch.
pub(crate) const PSI_KPA: f64 = POUND_KG * GRAVITY / (0.025_4 * 0.025_4) / 1_000.0;
/// L in a US gallon.
pub(crate) const GALLON_L: f64 = 3.785_411_784;
/// kJ in a Btu (international table).
pub(crate) const BTU_KJ: f64 = 1.055_055_852_62;
