//! When something runs out.

/// Seconds until a value that moves by `rate_per_s` each second meets a limit; 0 at the limit. NaN
/// while it stands still or moves away, and beyond the limit.
///
/// For sand, fuel, shoes, filters: value and slope of a level, and the level at which it is due. A
/// straight line is an estimate: gauge it.
pub fn time_until(value: f64, rate_per_s: f64, limit: f64) -> f64 {
    let gap = limit - value;
    if gap.abs() <= 0.0 {
        return 0.0;
    }
    let seconds = gap / rate_per_s;
    if seconds > 0.0 { seconds } else { f64::NAN }
}

/// Wear of tread brake shoes while braking, in kPa.km/h of brake cylinder pressure (kPa) times speed
/// (km/h): what a shoe loses goes with its force and the way it slides. Its integral between two
/// gaugings gives the millimetres for each kPa.km, and with them the time a shoe has left.
///
/// Source: Archard, Journal of Applied Physics 24 (1953) 981. Not valid for discs, locked wheels or heat
/// fade.
pub fn wear_rate(cylinder_kpa: f64, speed_kmh: f64) -> f64 {
    if speed_kmh >= 0.0 {
        cylinder_kpa.max(0.0) * speed_kmh
    } else {
        f64::NAN
    }
}
