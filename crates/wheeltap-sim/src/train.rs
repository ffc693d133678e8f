//! A train's day: the throttle by the published duty cycle, speed, place and the brake pipe.
//!
//! The crew's handle positions are dealt from a deck that holds each notch in its published share,
//! so any long run gives the duty cycle back. The grade under the train follows: it is the one on
//! which that notch holds the speed aimed for, within the line's ruling grade. Notch and grade are
//! one thing seen from two sides, and drawing the grade instead could not keep the shares.
//!
//! A train is a pure function of (seed, its plan, time), so each of its units can be simulated on
//! its own, on any thread, and all see the same speed and the same brake pipe.

use crate::file::{Line, Train};
use crate::physics::{
    GRAVITY_M_S2, KPA_PER_PSI, LINE_HAUL_DUTY, Mode, POWER_SHARE, Rail, pressure_rate_kpa_s,
    resistance_n_per_t, tractive_effort_n,
};
use crate::random::Random;
use crate::weather::{Sky, whole_seconds};

/// Wheel-rim power over the power into the motors' supply.
pub(crate) const DRIVE_EFFICIENCY: f64 = 0.85;
/// Brake pipe pressure when charged: 90 psi.
pub(crate) const PIPE_SET_KPA: f64 = 90.0 * KPA_PER_PSI;

/// Idle with the train moving, as a share of all time; the rest of the idle share is standing.
const COASTING: f64 = 0.05;

/// One stretch with one handle position.
#[derive(Clone, Debug)]
pub(crate) struct Piece {
    /// It ends here, seconds from the start of the run.
    pub(crate) end_s: i64,
    pub(crate) mode: Mode,
    pub(crate) moving: bool,
    /// Speed the crew aims for, m/s.
    aim_m_s: f64,
    /// Brake pipe reduction in the piece and how long it stays, kPa and s.
    reduction: (f64, i64),
    /// Second of the piece at which a leakage test starts: 20 psi reduction, feed cut out, 60 s to
    /// settle, 60 s to measure, release.
    test_at_s: Option<i64>,
    /// The crew sands by hand.
    hand_sanding: bool,
}

/// A train's handle positions, standing included.
#[derive(Clone, Debug)]
pub(crate) struct Plan {
    pieces: Vec<Piece>,
}

impl Plan {
    pub(crate) fn draw(random: &mut Random, duration_s: i64) -> Self {
        let mut pieces = Vec::new();
        let standing_share = LINE_HAUL_DUTY[0] + LINE_HAUL_DUTY[1] - COASTING;
        // The run begins anywhere in the first cycle.
        let mut at_s = -random.seconds(0, 14_400);
        while at_s < duration_s {
            let moving_s = random.seconds(5_400, 16_200);
            let standing_s =
                whole_seconds(moving_s as f64 * standing_share / (1.0 - standing_share));
            at_s = Self::stand(random, &mut pieces, at_s, standing_s);
            at_s = Self::move_along(random, &mut pieces, at_s, moving_s);
        }
        pieces.retain(|piece| piece.end_s > 0);
        Self { pieces }
    }

    fn stand(random: &mut Random, pieces: &mut Vec<Piece>, at_s: i64, standing_s: i64) -> i64 {
        let low_share = LINE_HAUL_DUTY[0] / (LINE_HAUL_DUTY[0] + LINE_HAUL_DUTY[1] - COASTING);
        let low_s = whole_seconds(standing_s as f64 * low_share);
        let idle_s = standing_s - low_s;
        // Normal idle on arrival and before leaving, low idle between.
        let leaving_s = 720.min(idle_s / 2);
        let hold = (random.between(13.0, 20.0) * KPA_PER_PSI, i64::MAX);
        let piece = |end_s, mode, reduction, test_at_s| Piece {
            end_s,
            mode,
            moving: false,
            aim_m_s: 0.0,
            reduction,
            test_at_s,
            hand_sanding: false,
        };
        let arrived_s = at_s + idle_s - leaving_s;
        pieces.push(piece(arrived_s, Mode::Idle, hold, None));
        pieces.push(piece(arrived_s + low_s, Mode::LowIdle, hold, None));
        let end_s = at_s + standing_s;
        let test = random.chance(0.5).then_some(270);
        pieces.push(piece(end_s, Mode::Idle, (0.0, 0), test));
        end_s
    }

    fn move_along(random: &mut Random, pieces: &mut Vec<Piece>, at_s: i64, moving_s: i64) -> i64 {
        let moving_share = 1.0 - (LINE_HAUL_DUTY[0] + LINE_HAUL_DUTY[1] - COASTING);
        let mut deck: Vec<(Mode, i64)> = Vec::new();
        for mode in Mode::ALL.into_iter().skip(1) {
            let share = if mode == Mode::Idle {
                COASTING
            } else {
                LINE_HAUL_DUTY[mode.index()]
            };
            let mut left_s = whole_seconds(moving_s as f64 * share / moving_share);
            let mut long = mode == Mode::Notch(8);
            while left_s > 0 {
                let drawn_s = if long {
                    random.seconds(1_080, 2_400)
                } else {
                    random.seconds(100, 420)
                };
                long = false;
                // A remainder too short to be a handle position of its own joins this one.
                let dealt_s = if left_s - drawn_s < 60 {
                    left_s
                } else {
                    drawn_s
                };
                deck.push((mode, dealt_s));
                left_s -= dealt_s;
            }
        }
        random.shuffle(&mut deck);
        // It starts pulling and ends braking.
        let pull = deck.iter().position(|(mode, _)| mode.notch() >= 5);
        deck.swap(0, pull.unwrap_or(0));
        let brake = deck
            .iter()
            .rposition(|(mode, _)| *mode == Mode::DynamicBrake);
        let last = deck.len() - 1;
        deck.swap(last, brake.unwrap_or(last));
        let mut end_s = at_s;
        for (mode, dealt_s) in deck {
            end_s += dealt_s;
            let hard = mode == Mode::Notch(8) && random.chance(0.45);
            let aim_m_s = match mode {
                Mode::Notch(8) if hard => random.between(4.6, 7.0),
                Mode::Notch(8) => random.between(7.5, 18.0),
                Mode::Notch(_) => random.between(9.0, 20.0),
                _ => random.between(8.0, 16.0),
            };
            let air = mode.notch() == 0 && random.chance(0.35);
            let reduction = if air {
                (
                    random.between(6.0, 10.0) * KPA_PER_PSI,
                    random.seconds(50, 90),
                )
            } else {
                (0.0, 0)
            };
            pieces.push(Piece {
                end_s,
                mode,
                moving: true,
                aim_m_s,
                reduction,
                test_at_s: None,
                hand_sanding: hard,
            });
        }
        end_s
    }

    /// The pieces in order.
    pub(crate) fn pieces(&self) -> &[Piece] {
        &self.pieces
    }

    /// Start and end of each standing stretch, seconds.
    pub(crate) fn standings(&self) -> Vec<(i64, i64)> {
        let mut standings: Vec<(i64, i64)> = Vec::new();
        let mut from_s = 0;
        for piece in &self.pieces {
            if !piece.moving {
                match standings.last_mut() {
                    Some(last) if last.1 == from_s => last.1 = piece.end_s,
                    _ => standings.push((from_s, piece.end_s)),
                }
            }
            from_s = piece.end_s;
        }
        standings
    }
}

/// What a train does in one second.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Now {
    pub(crate) mode: Mode,
    pub(crate) moving: bool,
    pub(crate) speed_m_s: f64,
    /// Along its line, miles.
    pub(crate) mile: f64,
    pub(crate) in_tunnel: bool,
    pub(crate) rail: Rail,
    /// Air temperature around the train, tunnels included, degC.
    pub(crate) air_cel: f64,
    pub(crate) hand_sanding: bool,
    pub(crate) pipe_kpa: f64,
    pub(crate) rear_kpa: f64,
    pub(crate) equalizing_kpa: f64,
    /// Free air into the pipe at the lead unit, L/s.
    pub(crate) feed_l_s: f64,
    /// The feed is cut out for a leakage test.
    pub(crate) feed_cut: bool,
    /// Grade under the train, positive uphill; 0 where it stands.
    pub(crate) grade_percent: f64,
}

/// Leakage that somebody planted: when, and how much more.
#[derive(Clone, Debug)]
pub(crate) struct Leak {
    pub(crate) seconds: std::ops::Range<i64>,
    /// Free air, L/s.
    pub(crate) flow_l_s: f64,
}

/// A train being simulated, second by second from 0.
#[derive(Clone, Debug)]
pub(crate) struct Running<'a> {
    plan: &'a Plan,
    line: &'a Line,
    sky: &'a Sky,
    leaks: Vec<Leak>,
    start_second_of_day: i64,
    piece_idx: usize,
    piece_start_s: i64,
    rated_w: f64,
    drivers_kg: f64,
    mass_t: f64,
    vehicle_t: f64,
    pipe_l: f64,
    reservoirs_l: f64,
    leak_l_s: f64,
    slope: f64,
    now: Now,
    reservoir_kpa: f64,
    at_s: i64,
}

impl<'a> Running<'a> {
    #[expect(
        clippy::too_many_arguments,
        reason = "called in one place, each a different thing"
    )]
    pub(crate) fn new(
        train: &Train,
        plan: &'a Plan,
        line: &'a Line,
        sky: &'a Sky,
        leaks: Vec<Leak>,
        rated_w: f64,
        drivers_kg: f64,
        start_second_of_day: i64,
        mut random: Random,
    ) -> Self {
        let cars = f64::from(train.cars);
        let mass_t = cars * train.car_mass_t + drivers_kg / 1_000.0;
        let first = plan.pieces().first();
        let moving = first.is_some_and(|piece| piece.moving);
        Self {
            plan,
            line,
            sky,
            leaks,
            start_second_of_day,
            piece_idx: usize::MAX,
            piece_start_s: 0,
            rated_w,
            drivers_kg,
            mass_t,
            vehicle_t: train.car_mass_t,
            // About 20 L of pipe and 100 L of reservoirs a car.
            pipe_l: 60.0 + cars * 20.0,
            reservoirs_l: 20.0 + cars * 100.0,
            leak_l_s: 0.8 + cars * random.between(0.045, 0.085),
            slope: 0.0,
            now: Now {
                mode: first.map_or(Mode::Idle, |piece| piece.mode),
                moving,
                speed_m_s: if moving { 10.0 } else { 0.0 },
                mile: random.between(0.0, line.length_mi),
                in_tunnel: false,
                rail: Rail::Dry,
                air_cel: 0.0,
                hand_sanding: false,
                pipe_kpa: PIPE_SET_KPA - 4.0,
                rear_kpa: PIPE_SET_KPA - 14.0,
                equalizing_kpa: PIPE_SET_KPA,
                feed_l_s: 0.0,
                feed_cut: false,
                grade_percent: 0.0,
            },
            reservoir_kpa: PIPE_SET_KPA - 5.0,
            at_s: 0,
        }
    }

    /// Force at the wheel rims for a handle position and speed, N; negative brakes.
    fn rim_force_n(&self, mode: Mode, speed_m_s: f64) -> f64 {
        match mode {
            Mode::Notch(notch) => {
                let power_w = self.rated_w * POWER_SHARE[usize::from(notch)];
                let weight_n = self.drivers_kg * GRAVITY_M_S2;
                tractive_effort_n(power_w, DRIVE_EFFICIENCY, speed_m_s)
                    .min(weight_n * 0.25 * f64::from(notch + 2) / 10.0)
            }
            Mode::DynamicBrake => -dynamic_brake_n(self.rated_w, speed_m_s) * 0.7,
            Mode::Idle | Mode::LowIdle => 0.0,
        }
    }

    fn begin_piece(&mut self, idx: usize, start_s: i64) {
        let plan = self.plan;
        let piece = &plan.pieces()[idx];
        self.piece_idx = idx;
        self.piece_start_s = start_s;
        if piece.moving {
            let balance_n = self.rim_force_n(piece.mode, piece.aim_m_s)
                - self.mass_t * resistance_n_per_t(self.vehicle_t, piece.aim_m_s * 3.6);
            let ruling = self.line.ruling_grade_percent / 100.0;
            self.slope = (balance_n / (self.mass_t * 1e3 * GRAVITY_M_S2)).clamp(-ruling, ruling);
        }
    }

    /// Goes on by one second and tells what then is.
    pub(crate) fn step(&mut self) -> Now {
        let plan = self.plan;
        let at_s = self.at_s;
        self.at_s += 1;
        let mut idx = if self.piece_idx == usize::MAX {
            0
        } else {
            self.piece_idx
        };
        let mut start_s = self.piece_start_s;
        while idx + 1 < plan.pieces().len() && plan.pieces()[idx].end_s <= at_s {
            start_s = plan.pieces()[idx].end_s;
            idx += 1;
        }
        if idx != self.piece_idx {
            self.begin_piece(idx, start_s);
        }
        let piece = &plan.pieces()[idx];
        let into_s = at_s - self.piece_start_s;
        self.roll(piece);
        self.pipe(piece, into_s, at_s);
        let now = &mut self.now;
        now.mode = piece.mode;
        now.moving = piece.moving;
        now.grade_percent = if piece.moving {
            self.slope * 100.0
        } else {
            0.0
        };
        now.hand_sanding = piece.hand_sanding && now.speed_m_s < 9.0;
        let mile = now.mile;
        now.in_tunnel = self.line.tunnels.iter().any(|stretch| stretch.holds(mile));
        if at_s % 10 == 0 {
            let second_of_day = (self.start_second_of_day + at_s).rem_euclid(86_400);
            now.air_cel = self.sky.air_cel(second_of_day, at_s);
            let greasy = self.line.greasy.iter().any(|stretch| stretch.holds(mile));
            let wooded = self.line.wooded.iter().any(|stretch| stretch.holds(mile));
            now.rail = self.sky.rail(at_s, greasy, wooded, now.in_tunnel);
        }
        *now
    }

    fn roll(&mut self, piece: &Piece) {
        let now = &mut self.now;
        let before = now.speed_m_s;
        let mut speed = before;
        if piece.moving {
            let weight_n = self.mass_t * 1e3 * GRAVITY_M_S2;
            let brakes_n = (PIPE_SET_KPA - now.equalizing_kpa).max(0.0) / 140.0 * 0.05 * weight_n;
            let resistance_n = self.mass_t * resistance_n_per_t(self.vehicle_t, speed * 3.6);
            let force_n = self.rim_force_n(piece.mode, speed)
                - resistance_n
                - brakes_n
                - weight_n * self.slope;
            // Rotating parts add about 4 % to the mass; couplers do not bear more than 0.2 m/s2.
            let accel = (force_n / (self.mass_t * 1e3 * 1.04)).clamp(-0.2, 0.2);
            speed += accel;
            // Where the drawn grade would stall the train or run it away, the crew holds it.
            let floor = if before < 4.0 { before + 0.08 } else { 4.0 };
            speed = speed.clamp(floor, 22.0);
        } else if speed > 0.0 {
            speed = (speed - 0.14).max(0.0);
        }
        let now = &mut self.now;
        now.speed_m_s = speed;
        now.mile += speed / 1_609.344;
        if now.mile >= self.line.length_mi {
            now.mile -= self.line.length_mi;
        }
    }

    fn pipe(&mut self, piece: &Piece, into_s: i64, at_s: i64) {
        let leak_l_s = self.leak_l_s
            + self
                .leaks
                .iter()
                .filter(|leak| leak.seconds.contains(&at_s))
                .map(|leak| leak.flow_l_s)
                .sum::<f64>();
        let now = &mut self.now;
        let test_s = piece.test_at_s.map(|start_s| into_s - start_s);
        let testing = test_s.is_some_and(|second| (0..200).contains(&second));
        now.feed_cut = test_s.is_some_and(|second| (70..200).contains(&second));
        let (reduction_kpa, for_s) = piece.reduction;
        let target_kpa = if testing {
            PIPE_SET_KPA - 20.0 * KPA_PER_PSI
        } else if into_s < for_s {
            PIPE_SET_KPA - reduction_kpa
        } else {
            PIPE_SET_KPA
        };
        // The handle lets the equalizing reservoir down slowly and fills it fast.
        now.equalizing_kpa += (target_kpa - now.equalizing_kpa).clamp(-18.0, 60.0);
        let leak_l_s = leak_l_s * (now.pipe_kpa / PIPE_SET_KPA).max(0.0);
        // Control valves: reservoirs take from the pipe through a choke; when the pipe falls they
        // give to the brake cylinders and follow it.
        let fill_l_s = if self.reservoir_kpa < now.pipe_kpa {
            (now.pipe_kpa - self.reservoir_kpa) * self.reservoirs_l / 101.325 / 25.0
        } else {
            self.reservoir_kpa = now.pipe_kpa;
            0.0
        };
        let below_kpa = now.equalizing_kpa - now.pipe_kpa;
        now.feed_l_s = if now.feed_cut || below_kpa <= 0.0 {
            0.0
        } else {
            // Never more in a second than what closes half the difference: short pipes fill at once.
            (below_kpa * (self.pipe_l / 101.325 * 0.5).min(7.0)).min(62.0)
        };
        let exhaust_kpa = if now.feed_cut {
            0.0
        } else {
            (-below_kpa).max(0.0) * 0.35
        };
        now.pipe_kpa += pressure_rate_kpa_s(now.feed_l_s - leak_l_s - fill_l_s, self.pipe_l)
            - exhaust_kpa.min(14.0);
        self.reservoir_kpa += pressure_rate_kpa_s(fill_l_s, self.reservoirs_l);
        // Flow along the pipe costs pressure at the rear.
        let rear_kpa = now.pipe_kpa - 0.8 * (leak_l_s + 0.5 * fill_l_s) - 3.0;
        now.rear_kpa += (rear_kpa - now.rear_kpa) * 0.15;
    }
}

/// Dynamic brake effort of motors rated `rated_w`, N: fades below 4 m/s, limited by power above
/// 10 m/s (practice).
pub(crate) fn dynamic_brake_n(rated_w: f64, speed_m_s: f64) -> f64 {
    let peak_n = rated_w * 0.8 / 10.0;
    if speed_m_s < 4.0 {
        peak_n * speed_m_s / 4.0
    } else {
        peak_n.min(tractive_effort_n(rated_w, 0.8, speed_m_s))
    }
}
