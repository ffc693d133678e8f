//! The promise: formulas give the published tables and worked examples, to the digits printed.
//! Published units are converted by the catalogue's UCUM, never by this crate's own factors.

#![expect(
    clippy::unwrap_used,
    reason = "helpers outside of test functions are test code too"
)]

use wheeltap_analysis::*;
use wheeltap_catalogue::Ucum;

fn convert(value: f64, from: &str, to: &str) -> f64 {
    let (from, to) = (Ucum::parse(from).unwrap(), Ucum::parse(to).unwrap());
    from.convert(value, &to).unwrap()
}

#[track_caller]
fn near(value: f64, expected: f64, within: f64) {
    assert!(
        (value - expected).abs() <= within,
        "{value}, not {expected}"
    );
}

fn kmh(mph: f64) -> f64 {
    convert(mph, "[mi_i]/h", "km/h")
}

fn kpa(psi: f64) -> f64 {
    convert(psi, "[psi]", "kPa")
}

// TE[lbf] = 375 hp e / mph is the definition of the units, so these follow from UCUM's; the row in SI
// from 3.6 kW e / (km/h).
#[test]
fn effort_follows_from_power_and_back() {
    for (hp, efficiency, mph, lbf, kn) in [
        (3_000.0, 1.00, 10.0, 112_500.0, 500.425),
        (3_000.0, 0.82, 10.0, 92_250.0, 410.348),
        (4_000.0, 0.82, 11.0, 111_818.18, 497.392),
        (4_400.0, 0.85, 12.0, 116_875.0, 519.886),
    ] {
        let kw = convert(hp, "[HP]", "kW");
        let effort = tractive_effort(kw, kmh(mph), efficiency);
        near(effort, kn, 0.000_5);
        near(convert(effort, "kN", "[lbf_av]"), lbf, 0.005);
        near(rail_power(effort, kmh(mph)), kw * efficiency, 1e-9 * kw);
    }
    near(tractive_effort(3_000.0, 20.0, 0.85), 459.0, 1e-9);
    // Dynamic brake.
    near(tractive_effort(-1_000.0, 36.0, 1.0), -100.0, 1e-9);
}

#[test]
fn effort_at_a_standstill_is_adhesion_s() {
    let weight = 120_000.0;
    let limit = adhesion_limit(weight, 0.0);
    near(effort_possible(3_000.0, 0.85, 0.0, weight), limit, 0.0);
    // Slow: the rail; fast: the engine.
    near(
        effort_possible(3_000.0, 0.85, 5.0, weight),
        adhesion_limit(weight, 5.0),
        0.0,
    );
    near(effort_possible(3_000.0, 0.85, 100.0, weight), 91.8, 1e-9);
    assert!(effort_possible(f64::NAN, 0.85, 100.0, weight).is_nan());
    assert!(effort_possible(3_000.0, 0.85, -1.0, weight).is_nan());
}

// Curtius and Kniffler, computed to six digits from 7.5 / (v + 44) + 0.161.
#[test]
fn adhesion_is_curtius_and_kniffler_s() {
    for (v, mu) in [
        (0.0, 0.331_455),
        (10.0, 0.299_889),
        (20.0, 0.278_188),
        (30.0, 0.262_351),
        (40.0, 0.250_286),
        (60.0, 0.233_115),
        (80.0, 0.221_484),
        (100.0, 0.213_083),
        (120.0, 0.206_732),
        (160.0, 0.197_765),
    ] {
        near(adhesion_available(v), mu, 5e-7);
    }
    // 120 t on drivers at 20 km/h.
    near(adhesion_limit(120_000.0, 20.0), 327.370, 0.000_5);
    assert!(adhesion_available(160.1).is_nan() && adhesion_available(-0.1).is_nan());
    // 420,000 lbf on drivers at 0.30 are 126,000 lbf.
    let weight = convert(420_000.0, "[lb_av]", "kg");
    let effort = convert(126_000.0, "[lbf_av]", "kN");
    near(effort, 560.476, 0.000_5);
    near(adhesion_used(effort, weight), 0.30, 1e-12);
    near(adhesion_used(-effort, weight), 0.30, 1e-12);
    assert!(adhesion_used(1.0, 0.0).is_nan());
}

// Common practice, no source: a six-axle unit of 425,000 lb with 4,300 hp. It is consistent with itself:
// at 0.85 to the rail and its usual lowest continuous speed of 10 to 13 mph it asks of the rail
// what drives of its kind deliver, 0.24 to 0.37.
#[test]
fn a_usual_six_axle_unit_asks_what_its_rail_gives() {
    let weight = convert(425_000.0, "[lb_av]", "kg");
    let power = convert(4_300.0, "[HP]", "kW");
    near(weight / 1_000.0, 192.8, 0.05);
    near(power, 3_206.5, 0.05);
    for mph in [10.0, 11.0, 12.0, 13.0] {
        let used = adhesion_used(tractive_effort(power, kmh(mph), 0.85), weight);
        assert!((0.24..=0.37).contains(&used), "{used} at {mph} mph");
    }
    // Dry rail alone would be exceeded at a crawl: there adhesion governs.
    let at = kmh(5.0);
    assert!(tractive_effort(power, at, 0.85) > adhesion_limit(weight, at));
}

// Textbook definition with the ground speed below: 12.6 m/s against 12.0 m/s is 5 %.
#[test]
fn creep_is_of_the_ground_speed() {
    near(creep(12.6 * 3.6, 12.0 * 3.6), 0.05, 1e-12);
    near(creep(11.4 * 3.6, 12.0 * 3.6), -0.05, 1e-12);
    near(creep(0.0, 60.0), -1.0, 0.0);
    // Not of the mean (0.0488) and not of the greater (0.0476).
    assert!(creep(12.6 * 3.6, 12.0 * 3.6) > 0.0499);
    assert!(creep(10.0, 0.0).is_nan());
    // 3 mph itself is told.
    near(LEAST_CREEP_SPEED_KMH, kmh(3.0), 1e-12);
    near(creep(kmh(3.3), kmh(3.0)), 0.1, 1e-12);
    assert!(creep(5.0, 4.82).is_nan());
    // A wheel of 42 in turns about 480.5 times a minute at 60 mph (from geometry: a mile a minute
    // is 63,360 in).
    let turns = 63_360.0 / (42.0 * core::f64::consts::PI);
    near(
        wheel_speed(turns, convert(42.0, "[in_i]", "mm")),
        kmh(60.0),
        1e-9,
    );
}

/// lb a short ton from N/t.
fn pounds_per_ton(newtons_per_tonne: f64) -> f64 {
    convert(newtons_per_tonne, "N/t", "[lbf_av]/[ston_av]")
}

fn tonnes(short_tons: f64) -> f64 {
    convert(short_tons, "[ston_av]", "t")
}

// A car of 143 short tons on four axles; formulas of AREA committee 16, Davis 1926 and AAR RP-548.
#[test]
fn resistance_of_a_car_is_as_published() {
    let w = tonnes(35.75);
    let modified = |mph: f64| pounds_per_ton(resistance_modified_davis(w, 4.0, kmh(mph)));
    let original = |mph: f64| pounds_per_ton(resistance_davis_1926(w, 4.0, kmh(mph)));
    near(modified(0.0), 1.159_441, 5e-7);
    near(modified(30.0), 1.900_000, 5e-7);
    near(modified(50.0), 2.883_217, 5e-7);
    near(original(30.0), 3.738_112, 5e-7);
    near(original(50.0), 5.130_420, 5e-7);
    near(original(50.0) * 143.0, 733.65, 0.005);
    near(
        pounds_per_ton(resistance_rp_548(w, 4.0, kmh(30.0))),
        2.603_147,
        5e-7,
    );
    let empty = resistance_modified_davis(tonnes(7.5), 4.0, kmh(50.0));
    near(pounds_per_ton(empty), 9.600_000, 5e-7);
    // Containers and trailers on flat cars meet more air.
    let air = |k| davis_modified(w, 4.0, kmh(50.0), k);
    assert!(air(0.07) < air(0.0935) && air(0.0935) < air(0.16));
    assert!(resistance_rp_548(w, 4.0, -1.0).is_nan());
}

// The metric form of the same RP-548 as quoted in 2016, which takes g as 10 and rounds its factors:
// 6.5 + 320/(w n) + 0.046 v + 0.096 v^2/(w n), N/t.
#[test]
fn rp_548_agrees_with_its_metric_form() {
    for v in [0.0, 30.0, 60.0, 90.0] {
        let (w, n) = (32.4, 4.0);
        let metric = 6.5 + 320.0 / (w * n) + 0.046 * v + 0.096 * v * v / (w * n);
        let own = resistance_rp_548(w, n, v);
        assert!(
            (own / metric - 1.0).abs() < 0.03,
            "{own} and {metric} at {v} km/h"
        );
    }
}

// 100 cars of 143 tons at 30 mph up 0.5 %: 170,170 lb and 13,613.6 hp at the rail; and a train of
// 15,000 tons stands on 1 % by 300,000 lb.
#[test]
fn a_train_s_pull_is_as_worked_out() {
    let per_tonne =
        resistance_modified_davis(tonnes(35.75), 4.0, kmh(30.0)) + grade_resistance(0.5);
    let kn = per_tonne * tonnes(14_300.0) / 1_000.0;
    near(convert(kn, "kN", "[lbf_av]"), 170_170.0, 0.05);
    let hp = convert(rail_power(kn, kmh(30.0)), "kW", "[HP]");
    near(hp, 13_613.6, 0.05);
    let held = grade_resistance(1.0) * tonnes(15_000.0);
    near(convert(held, "N", "[lbf_av]"), 300_000.0, 1e-6);
    near(pounds_per_ton(grade_resistance(-1.0)), -20.0, 1e-12);
    near(pounds_per_ton(curve_resistance(-2.0)), 1.6, 1e-12);
}

// ERA/ERTMS/033281 clause 3.1.4.1; GM/RT2461: 7.5 g/m at 40 km/h are 5,000 g/min.
#[test]
fn sand_is_counted_as_published() {
    near(sand_density(5.0, 40.0), 7.5, 1e-12);
    assert!(sand_density(5.0, 0.0).is_nan());
    near(sand_limit(139.9), 500.0, 0.0);
    near(sand_limit(140.0), 800.0, 0.0);
    // 400 g in 30 s are 1.764 lb/min.
    near(convert(0.8, "kg/min", "[lb_av]/min"), 1.764, 0.000_5);
}

// 49 CFR 232.207(b)(3) and 229.49(c).
#[test]
fn pressures_are_held_against_the_regulation() {
    let least = |psi: f64| convert(rear_pressure_least(kpa(psi)), "kPa", "[psi]");
    near(least(90.0), 75.0, 1e-9);
    near(least(88.0), 75.0, 1e-9);
    near(least(100.0), 85.0, 1e-9);
    // Equality passes.
    assert!(kpa(75.0) >= rear_pressure_least(kpa(90.0)) - 1e-9);
    assert!(kpa(74.9) < rear_pressure_least(kpa(90.0)));
    near(
        convert(reservoir_start_least(kpa(90.0)), "kPa", "[psi]"),
        105.0,
        1e-9,
    );
    near(
        convert(pressure_difference(kpa(90.0), kpa(75.0)), "kPa", "[psi]"),
        15.0,
        1e-9,
    );
}

// EPA-420-F-09-025 gives 20.8 hp.h a gallon for large line-haul: with 137,381 Btu a gallon 38.5 %.
// Both from memory.
#[test]
fn fuel_is_held_against_its_heat() {
    let gallons_per_hour = convert(1.0, "[gal_us]/h", "L/h");
    let power = convert(20.8, "[HP].h", "kW.h");
    near(engine_efficiency(power, gallons_per_hour), 0.385, 0.000_5);
    near(
        specific_fuel(gallons_per_hour, power),
        convert(1.0 / 20.8, "[gal_us]/([HP].h)", "L/(kW.h)"),
        1e-12,
    );
    assert!(specific_fuel(1.0, 0.0).is_nan() && engine_efficiency(1.0, 0.0).is_nan());
}

// Common practice, no source: one ton moved about 202 miles on a gallon of fuel, which is 77.9 t.km/L. A train
// of 5,000 tons at 20 mph moves so when it burns 495 gal/h, as three units near notch 6 do.
#[test]
fn freight_moves_so_far_on_a_gallon() {
    let usual = convert(202.0, "[ston_av].[mi_i]/[gal_us]", "t.km/L");
    near(usual, 77.9, 0.05);
    let gallon = convert(1.0, "[gal_us]/h", "L/h");
    near(
        freight_per_fuel(tonnes(1.0), kmh(202.0), gallon),
        usual,
        1e-9,
    );
    let fuel = convert(5_000.0 * 20.0 / 202.0, "[gal_us]/h", "L/h");
    near(
        freight_per_fuel(tonnes(5_000.0), kmh(20.0), fuel),
        usual,
        1e-9,
    );
    assert!(freight_per_fuel(1.0, 1.0, 0.0).is_nan());
}

// Common practice, no source: a facility that fuels 75 to 100 units a day with about 100,000 gal, fills of
// 1,500 to 4,500 gal into a tank of up to 5,000 gal. At 4,300 hp for 16.2 % of the day (the
// line-haul duty cycle of 40 CFR 1033.530), a sixth of it otherwise and 20.8 hp.h a gallon, such a
// fill is burnt in about one to three days.
#[test]
fn a_fill_lasts_from_one_service_stop_to_the_next() {
    let full = convert(5_000.0, "[gal_us]", "L");
    let gallons_per_hour = 4_300.0 * (0.162 + 0.838 / 6.0) / 20.8;
    let rate = -convert(gallons_per_hour, "[gal_us]/h", "L/s");
    let facility = 100_000.0 / 75.0;
    for (fill, least, most) in [
        (facility, 0.8, 1.0),
        (1_500.0, 0.9, 1.1),
        (4_500.0, 2.7, 3.2),
    ] {
        let left = full - convert(fill, "[gal_us]", "L");
        let days = time_until(full, rate, left) / 86_400.0;
        assert!((least..most).contains(&days), "{fill} gal in {days} days");
    }
}

#[test]
fn a_share_is_of_the_class_at_that_notch() {
    let class = [20.0, 60.0, 120.0, 0.0];
    near(share_of_notch(63.0, 1.0, &class), 1.05, 1e-12);
    near(share_of_notch(126.0, 1.6, &class), 1.05, 1e-12);
    near(share_of_notch(20.0, -0.2, &class), 1.0, 1e-12);
    assert!(share_of_notch(1.0, 3.0, &class).is_nan());
    assert!(share_of_notch(1.0, 4.0, &class).is_nan());
}

// Occupational noise rules of the US (49 CFR 227, 29 CFR 1910.95), from memory: 90 dB(A) for 8 h, 5 dB
// exchange.
#[test]
fn noise_is_allowed_as_long_as_published() {
    for (level, hours, within) in [
        (90.0, 8.0, 0.0),
        (95.0, 4.0, 1e-12),
        (85.0, 16.0, 1e-12),
        (92.0, 6.063, 0.000_5),
        (100.0, 2.0, 1e-12),
        (105.0, 1.0, 1e-12),
    ] {
        near(noise_hours(level), hours, within);
    }
    near(noise_dose_rate(90.0), 12.5, 1e-12);
    near(noise_dose_rate(80.0), 100.0 / 32.0, 1e-12);
    near(noise_dose_rate(79.9), 0.0, 0.0);
    // 29 CFR 1910.95 table A-1: 50 % is 85 dB, 100 % is 90 dB, 200 % is 95 dB.
    near(noise_average(50.0), 85.0, 1e-9);
    near(noise_average(100.0), 90.0, 1e-9);
    near(noise_average(200.0), 95.0, 1e-9);
    assert!(noise_average(0.0).is_nan());
}

// Common practice, no source: a cab target of 80 dB met with 75. At 75 nothing of the dose is used, at 80
// a quarter of it in a shift of 8 h.
#[test]
fn a_quiet_cab_uses_none_of_the_dose() {
    near(noise_dose_rate(75.0) * 8.0, 0.0, 0.0);
    near(noise_dose_rate(80.0) * 8.0, 25.0, 1e-12);
    near(noise_average(noise_dose_rate(80.0) * 8.0), 80.0, 1e-9);
}

// ISO 10816-1 annex B: 3.2 mm/s is C, C, B, B; a boundary belongs to the better zone.
#[test]
fn vibration_falls_into_its_zone() {
    for (class, zone) in [(1.0, 3.0), (2.0, 3.0), (3.0, 2.0), (4.0, 2.0)] {
        near(vibration_zone(3.2, class), zone, 0.0);
    }
    for (class, ends) in [
        (1.0, [0.71, 1.8, 4.5]),
        (2.0, [1.12, 2.8, 7.1]),
        (3.0, [1.8, 4.5, 11.2]),
        (4.0, [2.8, 7.1, 18.0]),
    ] {
        for (zone, end) in (1_u8..).map(f64::from).zip(ends) {
            near(vibration_zone(end, class), zone, 0.0);
            near(vibration_zone(end + 0.001, class), zone + 1.0, 0.0);
        }
    }
    assert!(vibration_zone(1.0, 5.0).is_nan() && vibration_zone(-1.0, 1.0).is_nan());
}

// ISO 2631-1 annex C.2.3; the sum (0.2, 0.3, 0.6) is 0.7.
#[test]
fn ride_is_told_by_the_worse_of_two_bands() {
    near(ride_total(0.2, 0.3, 0.6), 0.7, 1e-12);
    for (acceleration, band) in [
        (0.0, 0.0),
        (0.314, 0.0),
        (0.315, 1.0),
        // In two bands.
        (0.55, 2.0),
        (0.9, 3.0),
        (1.3, 4.0),
        (2.0, 4.0),
        (2.001, 5.0),
    ] {
        near(ride_discomfort(acceleration), band, 0.0);
    }
    assert!(ride_discomfort(-0.1).is_nan());
}

// Common practice, no source: shoes last three to four weeks. A shoe of 50 mm condemned at 10 mm (constructed)
// that loses 1.6 mm a day lasts 25 days.
#[test]
fn a_shoe_is_due_when_its_wear_says() {
    let per_s = -1.6 / 86_400.0;
    let days = time_until(50.0, per_s, 10.0) / 86_400.0;
    near(days, 25.0, 1e-9);
    assert!((21.0..=28.0).contains(&days));
    near(time_until(10.0, per_s, 10.0), 0.0, 0.0);
    assert!(time_until(9.0, per_s, 10.0).is_nan());
    assert!(time_until(50.0, 0.0, 10.0).is_nan());
    assert!(time_until(50.0, 1.0, 10.0).is_nan());
    // Twice the force or twice the way wears twice as much; a released brake not at all.
    near(wear_rate(200.0, 40.0), 2.0 * wear_rate(100.0, 40.0), 0.0);
    near(wear_rate(200.0, 80.0), 2.0 * wear_rate(200.0, 40.0), 0.0);
    near(wear_rate(-3.0, 40.0), 0.0, 0.0);
}

// 40 CFR 1033.530 table 1: notch 8 for 16.2 % of a day is 3 h 53 min 16.8 s. Effort times way in it is the
// energy that reached the rail.
#[test]
fn energy_is_effort_times_way() {
    let hours = 0.162 * 24.0;
    near(hours, 3.0 + 53.0 / 60.0 + 16.8 / 3_600.0, 1e-12);
    let effort = tractive_effort(3_000.0, 60.0, 0.85);
    near(
        rail_power(effort, 60.0) * hours,
        3_000.0 * 0.85 * hours,
        1e-6,
    );
}
