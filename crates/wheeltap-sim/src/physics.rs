//! The formulas the railway runs by, each with its source; pure functions of numbers in SI units
//! unless a name says otherwise.

/// Standard gravity, m/s2 (exact by definition).
pub const GRAVITY_M_S2: f64 = 9.806_65;

/// Kilopascals in one psi, from the exact definitions of pound, standard gravity and inch.
pub const KPA_PER_PSI: f64 = 6.894_757_293_168_361;

/// Litres of free air a second in one cubic foot a minute.
pub const L_S_PER_CFM: f64 = 28.316_846_592 / 60.0;

/// Kilowatt-hours of heat in a litre of diesel fuel: 137,381 Btu/gal by US energy statistics,
/// 40.2624 kWh/gal, over 3.785411784 L/gal. The Btu figure is from memory.
pub const FUEL_KWH_PER_L: f64 = 40.262_4 / 3.785_411_784;

/// Share of the fuel's heat that reaches the crankshaft at full load: 20.8 hp.h/gal for large
/// line-haul locomotives (EPA-420-F-09-025, from memory) is 38.5 % of the heat above.
pub const BRAKE_EFFICIENCY: f64 = 0.385;

/// What the throttle handle asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mode {
    /// Idle at the lowered speed.
    LowIdle,
    /// Idle.
    Idle,
    /// Dynamic brake.
    DynamicBrake,
    /// Power, notch 1 to 8.
    Notch(u8),
}

impl Mode {
    /// All modes in the order of 40 CFR 1033.530 table 1.
    pub const ALL: [Self; 11] = [
        Self::LowIdle,
        Self::Idle,
        Self::DynamicBrake,
        Self::Notch(1),
        Self::Notch(2),
        Self::Notch(3),
        Self::Notch(4),
        Self::Notch(5),
        Self::Notch(6),
        Self::Notch(7),
        Self::Notch(8),
    ];

    /// Its place in [`Mode::ALL`].
    pub fn index(self) -> usize {
        match self {
            Self::LowIdle => 0,
            Self::Idle => 1,
            Self::DynamicBrake => 2,
            Self::Notch(notch) => 2 + usize::from(notch.clamp(1, 8)),
        }
    }

    /// The power notch, 0 at idle and in dynamic brake.
    pub fn notch(self) -> u8 {
        match self {
            Self::Notch(notch) => notch,
            _ => 0,
        }
    }
}

/// Share of line-haul time in each of [`Mode::ALL`]: 40 CFR 1033.530, table 1.
pub const LINE_HAUL_DUTY: [f64; 11] = [
    0.190, 0.190, 0.125, 0.065, 0.065, 0.052, 0.044, 0.038, 0.039, 0.030, 0.162,
];

/// Share of rated power by notch 0 to 8; common practice, no published source.
pub const POWER_SHARE: [f64; 9] = [0.0, 0.05, 0.12, 0.24, 0.35, 0.49, 0.65, 0.83, 1.0];

/// Engine speed by notch 0 to 8 as a share of rated speed; common practice.
pub const SPEED_SHARE: [f64; 9] = [0.34, 0.36, 0.43, 0.53, 0.62, 0.71, 0.80, 0.90, 1.0];

/// Tractive effort in newtons of `power_w` at the given efficiency: power over speed.
///
/// In pounds-force, horsepower and miles an hour the constant is 375 = 550 x 3600 / 5280.
/// At a stand the power sets no limit, so the answer is infinite: adhesion limits it.
pub fn tractive_effort_n(power_w: f64, efficiency: f64, speed_m_s: f64) -> f64 {
    if speed_m_s > 0.0 {
        power_w * efficiency / speed_m_s
    } else {
        f64::INFINITY
    }
}

/// The same in pounds-force from horsepower and miles an hour, 375 x hp x efficiency / mph.
pub fn tractive_effort_lbf(power_hp: f64, efficiency: f64, speed_mph: f64) -> f64 {
    tractive_effort_n(power_hp * 375.0, efficiency, speed_mph)
}

/// Curtius and Kniffler's limit of adhesion on dry rail, 7.5 / (v + 44) + 0.161, v in km/h.
pub fn curtius_kniffler(speed_km_h: f64) -> f64 {
    7.5 / (speed_km_h + 44.0) + 0.161
}

/// What lies on the rail.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Rail {
    /// Clean and dry.
    Dry,
    /// Rain or dew.
    Wet,
    /// A film of leaves.
    Leaves,
}

/// Limit of adhesion for a rail, sanded or not.
///
/// Wet is about 0.6 of dry (Koffman 1948). Textbooks (from memory) give 0.20 to 0.30 for wet and
/// sanded, 0.30 to 0.40 for dry and sanded, 0.05 or less for a leaf film, which sand cuts through
/// in part.
pub fn adhesion_limit(speed_km_h: f64, rail: Rail, sanded: bool) -> f64 {
    let dry = curtius_kniffler(speed_km_h);
    dry * match (rail, sanded) {
        (Rail::Dry, false) => 1.0,
        (Rail::Dry, true) => 1.12,
        (Rail::Wet, false) => 0.6,
        (Rail::Wet, true) => 0.82,
        (Rail::Leaves, false) => 0.17,
        (Rail::Leaves, true) => 0.38,
    }
}

/// Resistance of a vehicle on level straight track, newtons a tonne: AAR RP-548 in metric form,
/// 6.5 + 320/W + 0.046 v + 0.096 v2/W with W its mass in tonnes and v in km/h.
pub fn resistance_n_per_t(mass_t: f64, speed_km_h: f64) -> f64 {
    6.5 + 320.0 / mass_t + 0.046 * speed_km_h + 0.096 * speed_km_h * speed_km_h / mass_t
}

/// Creep in traction: wheel surface speed less ground speed, over ground speed. `None` below
/// 3 mph (1.34 m/s), where no measured ground speed is good enough to divide by.
pub fn creep(wheel_m_s: f64, ground_m_s: f64) -> Option<f64> {
    (ground_m_s >= 1.34).then(|| (wheel_m_s - ground_m_s) / ground_m_s)
}

/// Sand through one nozzle, g/s: 1.5 lb/min, within the 1 to 4 lb/min of North American practice
/// (from memory) and under the 400 g in 30 s of ERA/ERTMS/033281 clause 3.1.4.1.
pub const SAND_G_PER_S_PER_NOZZLE: f64 = 1.5 * 453.592_37 / 60.0;

/// Fall of pressure in a closed pipe, kPa/s, when it loses `flow_l_s` of free air.
pub fn pressure_rate_kpa_s(flow_l_s: f64, volume_l: f64) -> f64 {
    flow_l_s * 101.325 / volume_l
}

/// Which way the compressor governor has the compressor.
///
/// 49 CFR 229.49: it starts no lower than 15 psi above the brake pipe's pressure and stops no less
/// than 10 psi above where it started.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Governor {
    /// The compressor starts at or below this main reservoir pressure, kPa.
    pub cut_in_kpa: f64,
    /// It stops at or above this, kPa.
    pub cut_out_kpa: f64,
}

impl Governor {
    /// 130 psi in, 140 psi out.
    pub const ROAD: Self = Self {
        cut_in_kpa: 130.0 * KPA_PER_PSI,
        cut_out_kpa: 140.0 * KPA_PER_PSI,
    };

    /// Whether the compressor pumps, given whether it did.
    pub fn pumps(self, pumped: bool, reservoir_kpa: f64) -> bool {
        if pumped {
            reservoir_kpa < self.cut_out_kpa
        } else {
            reservoir_kpa <= self.cut_in_kpa
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(actual: f64, expected: f64, tolerance: f64) {
        assert!(
            (actual - expected).abs() <= tolerance,
            "{actual} is not {expected}"
        );
    }

    // 375 = 550 x 3600 / 5280; the rows are computed from it, and 308 lbf.mph/hp at 82 % is a
    // commonly quoted rounding of 307.5.
    #[test]
    fn tractive_effort_follows_the_375_formula() {
        for (hp, efficiency, mph, lbf, kn) in [
            (3_000.0, 1.00, 10.0, 112_500.0, 500.425),
            (3_000.0, 0.82, 10.0, 92_250.0, 410.348),
            (4_000.0, 0.82, 11.0, 111_818.18, 497.392),
            (4_400.0, 0.85, 12.0, 116_875.0, 519.886),
        ] {
            close(tractive_effort_lbf(hp, efficiency, mph), lbf, 0.01);
            let watts = hp * 745.699_871_582;
            let metres_a_second = mph * 0.447_04;
            close(
                tractive_effort_n(watts, efficiency, metres_a_second) / 1e3,
                kn,
                0.001,
            );
        }
        close(tractive_effort_n(3e6, 0.85, 20.0 / 3.6) / 1e3, 459.0, 1e-9);
        assert!(tractive_effort_n(3e6, 0.85, 0.0).is_infinite());
    }

    // Curtius and Kniffler 1943-50 as quoted in a train simulation's documentation.
    #[test]
    fn dry_adhesion_follows_curtius_and_kniffler() {
        for (speed, limit) in [
            (0.0, 0.331_455),
            (10.0, 0.299_889),
            (20.0, 0.278_188),
            (40.0, 0.250_286),
            (80.0, 0.221_484),
            (120.0, 0.206_732),
            (160.0, 0.197_765),
        ] {
            close(curtius_kniffler(speed), limit, 5e-7);
        }
        // 120 t on drivers at 20 km/h.
        close(curtius_kniffler(20.0) * 120.0 * GRAVITY_M_S2, 327.370, 5e-4);
    }

    // Koffman 1948 for wet rail; textbooks for sand and leaves, from memory.
    #[test]
    fn rail_conditions_rank_as_textbooks_say() {
        close(
            adhesion_limit(30.0, Rail::Wet, false) / curtius_kniffler(30.0),
            0.6,
            1e-12,
        );
        for speed in [5.0, 15.0, 30.0, 50.0] {
            let wet_sanded = adhesion_limit(speed, Rail::Wet, true);
            assert!((0.19..=0.30).contains(&wet_sanded), "{wet_sanded}");
            assert!(adhesion_limit(speed, Rail::Leaves, false) <= 0.056);
            assert!(
                adhesion_limit(speed, Rail::Leaves, true) < adhesion_limit(speed, Rail::Wet, false)
            );
        }
        let dry_sanded = adhesion_limit(10.0, Rail::Dry, true);
        assert!((0.30..=0.40).contains(&dry_sanded), "{dry_sanded}");
    }

    // AAR RP-548 as quoted in a 2016 conference paper: 2.603147 lb/ton for a 143-ton car at 30 mph.
    // Its metric form takes g as 10 and rounds the constants, hence the 2 %.
    #[test]
    fn car_resistance_follows_the_published_form() {
        let tonnes = 143.0 * 0.907_184_74;
        let lb_per_ton = resistance_n_per_t(tonnes, 30.0 * 1.609_344) / 4.448_221_6 * 0.907_184_74;
        close(lb_per_ton, 2.603_147, 0.06);
    }

    // Creep in traction, textbook: 12.6 against 12.0 m/s is 5 %.
    #[test]
    fn creep_is_over_ground_speed() {
        close(creep(12.6, 12.0).unwrap(), 0.05, 1e-12);
        assert_eq!(creep(0.4, 0.0), None);
    }

    // ERA/ERTMS/033281 clause 3.1.4.1: at most 400 g (tolerance 100 g) a device in any 30 s.
    #[test]
    fn a_sander_stays_within_published_bounds() {
        let in_30_s: f64 = (0..30).map(|_| SAND_G_PER_S_PER_NOZZLE).sum();
        assert!(in_30_s <= 400.0, "{in_30_s}");
        let lb_a_minute = SAND_G_PER_S_PER_NOZZLE * 60.0 / 453.592_37;
        assert!((1.0..=4.0).contains(&lb_a_minute));
    }

    // 49 CFR 229.49(b), (c): brake pipe 90 psi; start at 105 psi or above, rise at least 10 psi,
    // act within 5 psi of the working pressure.
    #[test]
    fn the_governor_keeps_the_regulation() {
        let governor = Governor::ROAD;
        assert!(governor.cut_in_kpa >= (90.0 + 15.0) * KPA_PER_PSI);
        assert!(governor.cut_out_kpa - governor.cut_in_kpa >= 10.0 * KPA_PER_PSI - 1e-9);
        assert!(!governor.pumps(false, 135.0 * KPA_PER_PSI));
        assert!(governor.pumps(true, 135.0 * KPA_PER_PSI));
        assert!(governor.pumps(false, 129.9 * KPA_PER_PSI));
        assert!(!governor.pumps(true, 140.1 * KPA_PER_PSI));
    }

    // 40 CFR 1033.530 table 1 sums to one; 60 CFM is 28.317 L/s by the foot's definition.
    #[test]
    fn constants_are_the_published_ones() {
        close(LINE_HAUL_DUTY.iter().sum::<f64>(), 1.0, 1e-12);
        close(60.0 * L_S_PER_CFM, 28.317, 5e-4);
        close(90.0 * KPA_PER_PSI, 620.528, 5e-4);
        for (idx, mode) in Mode::ALL.into_iter().enumerate() {
            assert_eq!(mode.index(), idx);
        }
    }
}
