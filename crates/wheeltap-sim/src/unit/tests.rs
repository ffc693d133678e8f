use super::*;

/// Idling at a stand on a dry, level line.
fn standing() -> Now {
    Now {
        mode: Mode::LowIdle,
        moving: false,
        speed_m_s: 0.0,
        mile: 0.0,
        in_tunnel: false,
        rail: Rail::Dry,
        air_cel: 12.0,
        hand_sanding: false,
        pipe_kpa: 620.0,
        rear_kpa: 610.0,
        equalizing_kpa: 620.0,
        feed_l_s: 0.0,
        feed_cut: false,
        grade_percent: 0.0,
    }
}

/// Full power at this speed, m/s; the brake pipe takes some air.
fn pulling(speed_m_s: f64) -> Now {
    Now {
        mode: Mode::Notch(8),
        moving: true,
        speed_m_s,
        feed_l_s: 6.0,
        ..standing()
    }
}

// Common practice: in hard frost an engine that idles keeps itself warm.
#[test]
fn an_idling_engine_does_not_cool_out_in_hard_frost() {
    let mut loco = Locomotive::new(Build::usual(), Random::named(1, "frost"), true, -35.0, &[]);
    let now = Now {
        air_cel: -35.0,
        ..standing()
    };
    let sound = Ailment::none(6, 12);
    let mut least_cel = f64::INFINITY;
    for at_s in 0..86_400 {
        loco.step(&now, UnitState::Working, 0.0, &sound, at_s, false);
        least_cel = least_cel.min(loco.coolant_cel);
    }
    assert!((50.0..56.0).contains(&least_cel), "{least_cel}");
}

/// Seconds slipped by each axle on greasy rail, cut so often; power is off in every tenth second.
fn slipped_s(cut_s: i64) -> [i64; 6] {
    let mut loco = Locomotive::new(Build::usual(), Random::named(1, "slip"), true, 12.0, &[]);
    let mut sound = Ailment::none(6, 12);
    // Without sand slips last.
    sound.sander = 0.0;
    let mut slipped_s = [0; 6];
    for at_s in 0..1_200 {
        let now = Now {
            mode: if at_s % 10 == 9 {
                Mode::Idle
            } else {
                Mode::Notch(8)
            },
            rail: Rail::Leaves,
            ..pulling(5.0)
        };
        let ends = at_s % cut_s == cut_s - 1;
        loco.step(&now, UnitState::Working, 3.0, &sound, at_s, ends);
        for slip in &loco.slips {
            slipped_s[slip.axle as usize - 1] += slip.duration_s;
        }
    }
    slipped_s
}

#[test]
fn slips_that_are_cut_last_as_long_as_whole_ones() {
    let whole_s = slipped_s(1_200);
    assert!(
        whole_s.iter().all(|slipped_s| *slipped_s > 100),
        "{whole_s:?}"
    );
    for cut_s in [1, 3, 9, 120] {
        assert_eq!(slipped_s(cut_s), whole_s, "cut every {cut_s} s");
    }
}

// Heat soak, common practice: with the pump stopped the iron's heat goes into standing water.
#[test]
fn coolant_rises_before_it_falls_after_a_stop_under_load() {
    let mut loco = Locomotive::new(Build::usual(), Random::named(1, "soak"), true, 12.0, &[]);
    let now = pulling(12.0);
    let sound = Ailment::none(6, 12);
    let mut run = |from_s: i64, until_s: i64, state| -> f64 {
        for at_s in from_s..until_s {
            loco.step(&now, state, 3.0, &sound, at_s, false);
        }
        loco.coolant_cel
    };
    let loaded = run(0, 2_400, UnitState::Working);
    let soaked = run(2_400, 2_700, UnitState::StoppedManual);
    let cooled = run(2_700, 12_000, UnitState::StoppedManual);
    assert!((80.0..90.0).contains(&loaded), "{loaded}");
    assert!(soaked > loaded + 3.0, "{loaded} to {soaked}");
    assert!(cooled < loaded, "{soaked} to {cooled}");
}
