//! One locomotive, second by second: engine, heat, air, traction, sand and battery.
//!
//! Heat runs from the combustion chambers into iron, oil and coolant, and leaves by the radiators.
//! Three stores (iron, coolant, oil) give the behaviour that matters: oil follows coolant through
//! its cooler, fans hold the coolant, and after a stop the iron's heat soaks into standing water.

mod axle;
mod build;

pub(crate) use axle::SlipDone;
pub(crate) use build::{Ailment, Build};

use crate::physics::{
    BRAKE_EFFICIENCY, FUEL_KWH_PER_L, GRAVITY_M_S2, Governor, KPA_PER_PSI, Mode, POWER_SHARE, Rail,
    SAND_G_PER_S_PER_NOZZLE, SPEED_SHARE, adhesion_limit, pressure_rate_kpa_s, tractive_effort_n,
};
use crate::random::Random;
use crate::train::{DRIVE_EFFICIENCY, Now, dynamic_brake_n};
use axle::{Asked, AxleNow};
use wheeltap_model::UnitState;

/// Rated engine speed of all classes, r/min.
pub(crate) const RATED_RPM: f64 = 950.0;
/// Radiator fans of all classes.
pub(crate) const FANS: f64 = 2.0;

/// A fan's speed when it turns, r/min.
const FULL_FAN_RPM: f64 = 1_150.0;
/// What an engine drives beside traction, as a share of rated traction power.
const AUXILIARIES: f64 = 0.03;
const MAIN_RESERVOIR_L: f64 = 950.0;
/// In frost an idling engine runs faster from the first of these coolant temperatures to the second,
/// degC, so that it does not cool out (practice).
const IDLES_UP_CEL: (f64, f64) = (55.0, 65.0);
/// Only under this air temperature, degC.
const FROST_CEL: f64 = -5.0;
/// Pressure drop over clean intake air filters at full load, kPa.
const CLEAN_FILTER_KPA: f64 = 1.1;
/// Ground relay trips a day of load that rain brings to sound motors (practice).
const TRIPS_A_DAY_OF_RAIN: f64 = 0.4;
/// The crew resets the relay and gives power again after this, s.
const RELAY_RESET_S: i64 = 60;
/// How far a unit has come for each hour its engine ran, idling included, km.
const KM_PER_ENGINE_H: f64 = 25.0;
/// Lubricating oil after a filling, and what an engine burns of it in an hour, shares of full: about 0.4 %
/// of its fuel.
const FILLED_OIL_SHARE: f64 = 0.97;
const OIL_SHARE_PER_H: f64 = 4e-4;
const OIL_FILLED_EVERY_H: f64 = 300.0;
/// Free air a compressor delivers, L/s (233 CFM).
const COMPRESSOR_L_S: f64 = 110.0;

/// A locomotive being simulated.
#[derive(Clone, Debug)]
pub(crate) struct Locomotive {
    build: Build,
    scale: f64,
    random: Random,
    /// For what is drawn now and then.
    seldom: Random,
    pub(crate) running: bool,
    pub(crate) cranking_s: i64,
    pub(crate) rpm: f64,
    pub(crate) power_kw: f64,
    pub(crate) effort_n: f64,
    pub(crate) fuel_l_h: f64,
    pub(crate) iron_cel: f64,
    pub(crate) coolant_cel: f64,
    pub(crate) oil_cel: f64,
    pub(crate) oil_kpa: f64,
    pub(crate) fans_called: f64,
    pub(crate) coolant_share: f64,
    pub(crate) crankcase_kpa: f64,
    pub(crate) exhaust_cel: f64,
    pub(crate) main_reservoir_kpa: f64,
    pub(crate) pumping: bool,
    pub(crate) cylinder_kpa: f64,
    pub(crate) fuel_l: f64,
    pub(crate) filling: bool,
    filling_sand: bool,
    pub(crate) sand_kg: f64,
    pub(crate) sanding: bool,
    pub(crate) sand_s: i64,
    pub(crate) battery_v: f64,
    charge: f64,
    pub(crate) shoe_mm: f64,
    pub(crate) cab_db: f64,
    pub(crate) vibration_m_s2: f64,
    pub(crate) axles: Vec<AxleNow>,
    pub(crate) slips: Vec<SlipDone>,
    pub(crate) fan_rpm: f64,
    pub(crate) braking_kw: f64,
    pub(crate) odometer_km: f64,
    /// Hours that the engine ran since new.
    pub(crate) engine_h: f64,
    /// Oil in the sump, share of full.
    pub(crate) oil_share: f64,
    pub(crate) derate: f64,
    /// The lowest battery voltage of a start that has just ended, V.
    pub(crate) start_dip_v: Option<f64>,
    lowest_v: f64,
    hold_back: f64,
    air_use_l_s: f64,
    oil_character: f64,
    /// What the unit is like within what is sound: fuel for its work, dirt on its air filters, K by
    /// which each cylinder differs.
    fuel_character: f64,
    filter_character: f64,
    cylinder_k: Vec<f64>,
    /// Each cylinder's exhaust, degC, and the drop over the air filters, kPa.
    pub(crate) cylinder_cel: Vec<f64>,
    pub(crate) filter_kpa: f64,
    /// The ground relay tripped in this second, and how long power stays off.
    pub(crate) tripped: bool,
    relay_open_s: i64,
    idles_up: bool,
    crank_v: f64,
    cut_out: Vec<bool>,
}

impl Locomotive {
    /// `cut_out` says which motors are; an axle it does not reach is in.
    pub(crate) fn new(
        build: Build,
        mut random: Random,
        running: bool,
        air_cel: f64,
        cut_out: &[bool],
    ) -> Self {
        let axles = build
            .powered
            .iter()
            .map(|_| AxleNow {
                speed_m_s: 0.0,
                effort_n: 0.0,
                diameter: 1.0 + random.between(-0.003, 0.003),
                slip: None,
                shade: 0.0,
            })
            .collect();
        let mut seldom = random.apart();
        let fuel_character = seldom.between(0.985, 1.015);
        let filter_character = seldom.between(1.0, 1.25);
        let cylinder_k: Vec<f64> = (0..build.cylinders)
            .map(|_| seldom.between(-15.0, 15.0))
            .collect();
        let (coolant_cel, oil_cel) = if running {
            (78.0, 80.0)
        } else {
            (air_cel, air_cel)
        };
        let mut unit = Self {
            scale: build.rated_kw / 3_000.0,
            running,
            cranking_s: 0,
            rpm: if running {
                RATED_RPM * SPEED_SHARE[0]
            } else {
                0.0
            },
            power_kw: 0.0,
            effort_n: 0.0,
            fuel_l_h: 0.0,
            iron_cel: coolant_cel + if running { 3.0 } else { 0.0 },
            coolant_cel,
            oil_cel,
            oil_kpa: 0.0,
            fans_called: 0.0,
            coolant_share: random.between(0.93, 1.0),
            crankcase_kpa: 0.0,
            exhaust_cel: coolant_cel,
            main_reservoir_kpa: if running {
                random.between(900.0, 960.0)
            } else {
                0.0
            },
            pumping: false,
            cylinder_kpa: 0.0,
            fuel_l: build.tank_l * random.between(0.55, 0.98),
            filling: false,
            filling_sand: false,
            sand_kg: build.sand_kg * random.between(0.6, 0.98),
            sanding: false,
            sand_s: 0,
            battery_v: 74.0,
            charge: random.between(0.9, 1.0),
            shoe_mm: random.between(25.0, 60.0),
            cab_db: 50.0,
            vibration_m_s2: 0.0,
            axles,
            slips: Vec::new(),
            fan_rpm: 0.0,
            braking_kw: 0.0,
            odometer_km: random.between(100_000.0, 2_500_000.0).round(),
            engine_h: 0.0,
            oil_share: 0.0,
            derate: 1.0,
            start_dip_v: None,
            lowest_v: 100.0,
            hold_back: 1.0,
            air_use_l_s: random.between(3.0, 6.0),
            oil_character: random.between(0.97, 1.03),
            fuel_character,
            filter_character,
            cylinder_cel: vec![coolant_cel; cylinder_k.len()],
            cylinder_k,
            filter_kpa: 0.0,
            tripped: false,
            relay_open_s: 0,
            idles_up: false,
            crank_v: 0.0,
            cut_out: cut_out.to_vec(),
            seldom,
            build,
            random,
        };
        // As long a life as its odometer tells of, and oil as so many hours after a filling.
        unit.engine_h = unit.odometer_km / KM_PER_ENGINE_H;
        unit.oil_share = FILLED_OIL_SHARE - OIL_SHARE_PER_H * (unit.engine_h % OIL_FILLED_EVERY_H);
        unit
    }

    /// Goes on by one second.
    ///
    /// `feed_l_s` is this unit's share of the air its train's brake pipe takes, and `ends` closes
    /// a slip that still goes on, because what is sent ends here.
    pub(crate) fn step(
        &mut self,
        now: &Now,
        state: UnitState,
        feed_l_s: f64,
        ail: &Ailment,
        at_s: i64,
        ends: bool,
    ) {
        let runs = matches!(state, UnitState::Working | UnitState::Isolated);
        if runs && !self.running {
            self.cranking_s = 8;
            // No two starts are alike.
            self.crank_v = self.seldom.between(-0.8, 0.8);
        }
        self.running = runs;
        let loads = state == UnitState::Working && self.cranking_s == 0;
        let loads = self.ground_relay(now, loads, ail);
        self.engine(now, loads, ail, at_s);
        self.traction(now, loads, ail, at_s, ends);
        self.heat(now, ail);
        self.air(now, feed_l_s, ail);
        self.stores(now, ail, at_s);
        self.cranking_s = (self.cranking_s - 1).max(0);
    }

    /// Whether the unit still loads: a trip of the ground relay takes power off.
    fn ground_relay(&mut self, now: &Now, loads: bool, ail: &Ailment) -> bool {
        self.relay_open_s = (self.relay_open_s - 1).max(0);
        self.tripped = false;
        let a_day = ail.trips_a_day
            + if now.rail == Rail::Wet {
                TRIPS_A_DAY_OF_RAIN
            } else {
                0.0
            };
        if a_day > 0.0 && loads && self.relay_open_s == 0 && now.mode.notch() >= 3 {
            self.tripped = self.seldom.chance(a_day / 86_400.0);
            if self.tripped {
                self.relay_open_s = RELAY_RESET_S;
            }
        }
        loads && self.relay_open_s == 0
    }

    /// Whether an axle's motor is cut out.
    pub(crate) fn is_cut_out(&self, idx: usize) -> bool {
        self.cut_out.get(idx).copied().unwrap_or(false)
    }

    fn engine(&mut self, now: &Now, loads: bool, ail: &Ailment, at_s: i64) {
        let until_cel = if self.idles_up {
            IDLES_UP_CEL.1
        } else {
            IDLES_UP_CEL.0
        };
        self.idles_up = now.air_cel < FROST_CEL && self.coolant_cel < until_cel;
        let target_rpm = if !self.running {
            0.0
        } else if self.cranking_s > 0 {
            120.0
        } else {
            let share = match now.mode {
                Mode::LowIdle | Mode::Idle if self.idles_up => SPEED_SHARE[4],
                _ if !loads && self.idles_up => SPEED_SHARE[4],
                _ if !loads => SPEED_SHARE[0],
                // A cold engine does not take the lowered idle.
                Mode::LowIdle if self.coolant_cel > 60.0 => SPEED_SHARE[0] * 0.85,
                Mode::DynamicBrake => SPEED_SHARE[4],
                mode => SPEED_SHARE[usize::from(mode.notch())],
            };
            RATED_RPM * share
        };
        self.rpm += (target_rpm - self.rpm) * 0.22;
        if self.rpm < 1.0 {
            self.rpm = 0.0;
        }
        let aux_kw = if self.running {
            self.build.rated_kw * AUXILIARIES * (self.rpm / RATED_RPM)
        } else {
            0.0
        };
        let shaft_kw = self.power_kw + aux_kw;
        // Willans line: fuel to turn the engine over, plus fuel in step with work.
        let full_kw = self.build.rated_kw * (1.0 + AUXILIARIES);
        let turning_kw = full_kw / BRAKE_EFFICIENCY * 0.05 * (self.rpm / RATED_RPM).powi(2)
            + if self.running { full_kw * 0.008 } else { 0.0 };
        let heat_kw = shaft_kw / BRAKE_EFFICIENCY * 0.95 + turning_kw;
        self.fuel_l_h = if self.running {
            heat_kw / FUEL_KWH_PER_L * self.fuel_character * ail.fuel
        } else {
            0.0
        };
        if self.running {
            self.engine_h += 1.0 / 3_600.0;
            self.oil_share = (self.oil_share - OIL_SHARE_PER_H / 3_600.0).max(0.0);
        }
        let load = self.power_kw / self.build.rated_kw;
        let crank_kpa = if self.running {
            -0.35 - 0.45 * self.rpm / RATED_RPM + ail.blow_by_kpa * (0.25 + 0.75 * load)
        } else {
            0.0
        };
        self.crankcase_kpa += (crank_kpa - self.crankcase_kpa) * 0.2;
        let exhaust_cel = if self.running {
            150.0 + 330.0 * load
        } else {
            now.air_cel.max(self.iron_cel)
        };
        self.exhaust_cel += (exhaust_cel - self.exhaust_cel) * 0.02;
        if at_s % 60 == 0 {
            let above_k = (self.exhaust_cel - now.air_cel).max(0.0);
            // Cylinders differ in step with how hot they are.
            let spread = above_k / 480.0;
            for (idx, cel) in self.cylinder_cel.iter_mut().enumerate() {
                let left = ail.cylinders.get(idx).copied().unwrap_or(1.0);
                *cel = now.air_cel + above_k * left + self.cylinder_k[idx] * spread;
            }
            // Air through the filters goes with speed, and with load by the turbocharger.
            let air_share = self.rpm / RATED_RPM * (0.5 + 0.5 * load);
            let full_kpa = CLEAN_FILTER_KPA * self.filter_character + ail.filter_kpa;
            self.filter_kpa = full_kpa * air_share * air_share;
        }
    }

    fn traction(&mut self, now: &Now, loads: bool, ail: &Ailment, at_s: i64, ends: bool) {
        self.slips.clear();
        let speed = now.speed_m_s;
        let n_powered = self
            .build
            .powered
            .iter()
            .filter(|powered| **powered)
            .count()
            .max(1) as f64;
        // Hot water takes power off before it does harm.
        let derate = if self.coolant_cel > 103.0 { 0.7 } else { 1.0 };
        self.derate += (derate - self.derate) * 0.02;
        let notch = now.mode.notch();
        let weight_n = self.build.drivers_kg * GRAVITY_M_S2;
        let asked_kw = if loads {
            let share = POWER_SHARE[usize::from(notch)].min(ail.power);
            self.build.rated_kw * share * self.derate
        } else {
            0.0
        };
        // Load builds up and comes off over some seconds.
        self.power_kw +=
            (asked_kw - self.power_kw).clamp(-0.2 * self.build.rated_kw, 90.0 * self.scale);
        let asked_n = tractive_effort_n(self.power_kw * 1e3, DRIVE_EFFICIENCY, speed.max(0.1))
            .min(weight_n * 0.27 * f64::from(notch + 2) / 10.0)
            * self.hold_back;
        let per_axle_n = asked_n / n_powered;
        let braking_n = if loads && now.mode == Mode::DynamicBrake {
            dynamic_brake_n(self.build.rated_kw * 1e3, speed) * 0.7 * ail.dynamic_brake / n_powered
        } else {
            0.0
        };
        let km_h = speed * 3.6;
        let bare = adhesion_limit(km_h, now.rail, false);
        let sand = if self.sanding { ail.sander } else { 0.0 };
        let mean_limit = bare + (adhesion_limit(km_h, now.rail, true) - bare) * sand;
        let axle_load_n = weight_n / n_powered;
        let mut effort_n = 0.0;
        let mut slipping = false;
        let pulls = loads && notch > 0 && speed > 0.2;
        for (idx, axle) in self.axles.iter_mut().enumerate() {
            let is_out = self.cut_out.get(idx).copied().unwrap_or(false);
            let left = if self.build.powered[idx] && !is_out {
                ail.motors[idx]
            } else {
                0.0
            };
            // The leading axles clean the rail for the others.
            let cleaned = match idx {
                0 => 0.95,
                1 => 0.98,
                _ => 1.02,
            };
            let asked = Asked {
                pull_n: if pulls { per_axle_n * left } else { 0.0 },
                brake_n: braking_n * left,
                limit_n: axle_load_n * mean_limit * cleaned,
                locked: ail.locked[idx],
                worn: ail.worn[idx],
            };
            let (slips, done) = axle.turn(&asked, speed, at_s, ends, self.random.normal());
            slipping |= slips;
            effort_n += axle.effort_n;
            self.slips.extend(done.map(|done| SlipDone {
                axle: u32::try_from(idx + 1).unwrap_or(0),
                ..done
            }));
        }
        self.effort_n = effort_n;
        self.braking_kw = braking_n * n_powered * speed / 1e3 * DRIVE_EFFICIENCY;
        self.odometer_km += speed / 1e3;
        // Creep control takes power off while wheels slip and gives it back slowly.
        self.hold_back = if slipping {
            (self.hold_back - 0.06).max(0.35)
        } else {
            (self.hold_back + 0.012).min(1.0)
        };
        // Sand comes by itself on slip, by hand on a grade, and in the wet at any hard pull.
        if slipping && !ail.calls_no_sand {
            self.sand_s = 7;
        }
        self.sand_s = (self.sand_s - 1).max(0);
        let hard = notch >= 7 && speed < 9.0;
        let by_hand = hard && (now.hand_sanding || now.rail != Rail::Dry);
        self.sanding = ail.sander_open || (pulls && (self.sand_s > 0 || by_hand));
    }

    fn heat(&mut self, now: &Now, ail: &Ailment) {
        let scale = self.scale;
        let fuel_kw = self.fuel_l_h * FUEL_KWH_PER_L;
        let flow = libm::sqrt(self.rpm / RATED_RPM);
        // Of the fuel's heat a fifth goes into iron and water and 6.5 % into oil.
        let into_iron_kw = fuel_kw * 0.20;
        let into_oil_kw = fuel_kw * 0.065;
        let iron_water_kw = (self.iron_cel - self.coolant_cel) * scale * (10.0 + 40.0 * flow);
        let oil_water_kw =
            (self.oil_cel - self.coolant_cel) * scale * (1.5 + 60.0 * flow * ail.oil_cooler);
        // Fans by thermostat, one after the other, each with 4 K of hysteresis.
        let mut called = 0.0;
        for (idx, on_cel) in [(0.0, 82.0), (1.0, 84.5)] {
            let on = self.fans_called > idx;
            if self.running
                && (self.coolant_cel > on_cel || (on && self.coolant_cel > on_cel - 4.0))
            {
                called = idx + 1.0;
            }
        }
        self.fans_called = called;
        let open =
            ((self.coolant_cel - 74.0) / 6.0).clamp(0.0, 1.0) * f64::from(u8::from(self.running));
        let fans = (called - FANS * (1.0 - ail.fans)).max(0.0);
        let level = (self.coolant_share / 0.7).min(1.0);
        self.fan_rpm += (fans / FANS * FULL_FAN_RPM - self.fan_rpm) * 0.3;
        let away_kw = (self.coolant_cel - now.air_cel)
            * scale
            * ((2.6 + 19.5 * fans) * open * level + 0.35)
            * if now.in_tunnel { 0.78 } else { 1.0 };
        let bare_kw = (self.oil_cel - now.air_cel) * scale * 0.4;
        self.iron_cel += (into_iron_kw - iron_water_kw) / (8_000.0 * scale);
        self.coolant_cel += (iron_water_kw + oil_water_kw - away_kw) / (9_000.0 * scale);
        self.oil_cel += (into_oil_kw - oil_water_kw - bare_kw) / (4_500.0 * scale);
        // A gear pump with a relief valve; thin hot oil leaks back.
        let pumped_kpa = if self.rpm > 30.0 {
            (60.0 + 520.0 * self.rpm / RATED_RPM)
                * (1.0 - 0.0045 * (self.oil_cel - 85.0))
                * self.oil_character
                * ail.oil_pump
        } else {
            0.0
        };
        let held_kpa = pumped_kpa.min(720.0);
        self.oil_kpa += (held_kpa - self.oil_kpa) * 0.5;
        self.coolant_share = (self.coolant_share - ail.coolant_loss).max(0.0);
    }

    fn air(&mut self, now: &Now, feed_l_s: f64, ail: &Ailment) {
        if self.running && self.cranking_s == 0 {
            self.pumping = Governor::ROAD.pumps(self.pumping, self.main_reservoir_kpa);
        } else {
            self.pumping = false;
        }
        let speed_share = (self.rpm / RATED_RPM).clamp(0.0, 1.0);
        let made_l_s = if self.pumping {
            COMPRESSOR_L_S * (0.55 + 0.45 * speed_share) * ail.compressor
        } else {
            0.0
        };
        let sand_l_s = if self.sanding { 4.0 } else { 0.0 };
        // Even a sound system loses a little: about 1 psi/min.
        let lost_l_s = self.air_use_l_s * if self.running { 1.0 } else { 0.3 };
        let used_l_s =
            (feed_l_s + sand_l_s + lost_l_s) * (self.main_reservoir_kpa / 300.0).min(1.0);
        self.main_reservoir_kpa = (self.main_reservoir_kpa
            + pressure_rate_kpa_s(made_l_s - used_l_s, MAIN_RESERVOIR_L))
        .clamp(0.0, 155.0 * KPA_PER_PSI);
        // The independent brake holds a standing unit; under way the automatic's is bailed off.
        let set_kpa = if self.running && !now.moving {
            310.0
        } else {
            0.0
        };
        self.cylinder_kpa += (set_kpa - self.cylinder_kpa).clamp(-60.0, 45.0);
        self.shoe_mm -= self.cylinder_kpa * now.speed_m_s * 2.0e-9;
    }

    fn stores(&mut self, now: &Now, ail: &Ailment, at_s: i64) {
        self.fuel_l = (self.fuel_l - self.fuel_l_h / 3_600.0).max(0.0);
        // A unit that stands with its tank low is filled, 800 L/min.
        let low = self.fuel_l < 0.35 * self.build.tank_l;
        let full = self.fuel_l > 0.97 * self.build.tank_l;
        let stands = now.speed_m_s == 0.0 && self.running;
        self.filling = now.speed_m_s == 0.0 && self.running && !full && (self.filling || low);
        if self.filling {
            self.fuel_l += 800.0 / 60.0;
            // The same stop fills the sand boxes.
            self.sand_kg = (self.sand_kg + 1.0).min(self.build.sand_kg * 0.98);
        }
        // Where boxes run low, crews see to it at the next stop.
        self.filling_sand = stands
            && self.sand_kg < 0.95 * self.build.sand_kg
            && (self.filling_sand || self.sand_kg < 0.4 * self.build.sand_kg);
        if self.filling_sand {
            self.sand_kg += 1.0;
        }
        if self.sanding {
            // A nozzle on each rail ahead of the first driven wheel set.
            let kg = 2.0 * SAND_G_PER_S_PER_NOZZLE / 1e3 * ail.sander;
            self.sand_kg = (self.sand_kg - kg).max(0.0);
        }
        let aim_v = if self.cranking_s > 0 {
            (50.0 - 0.15 * (20.0 - now.air_cel).max(0.0) + self.crank_v) * ail.battery
        } else if self.running && ail.charger > 0.5 {
            74.6
        } else {
            58.0 + 8.0 * self.charge
        };
        let drain = if self.running && ail.charger > 0.5 {
            -1.0 / 7_200.0
        } else {
            1.0 / 50_000.0
        };
        self.charge = (self.charge - drain).clamp(0.0, 1.0);
        let quick = if self.cranking_s > 0 { 0.6 } else { 0.05 };
        self.battery_v += (aim_v - self.battery_v) * quick;
        self.start_dip_v = None;
        if self.cranking_s > 0 {
            self.lowest_v = self.lowest_v.min(self.battery_v);
            if self.cranking_s == 1 {
                self.start_dip_v = Some(self.lowest_v);
                self.lowest_v = 100.0;
            }
        }
        if at_s % 5 == 0 {
            let speed_share = self.rpm / RATED_RPM;
            let load = self.power_kw / self.build.rated_kw;
            self.cab_db = 48.0 + 16.0 * speed_share + 9.0 * load + 0.35 * now.speed_m_s;
            self.vibration_m_s2 = 0.15 + 1.1 * speed_share + 0.05 * now.speed_m_s;
        }
    }
}

#[cfg(test)]
mod tests;
