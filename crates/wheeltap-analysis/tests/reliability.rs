//! The promise: reliability statistics give the published worked examples, to the digits printed.

use proptest::prelude::*;
use wheeltap_analysis::reliability::*;

#[track_caller]
fn near(value: f64, expected: f64, within: f64) {
    assert!(
        (value - expected).abs() <= within,
        "{value}, not {expected}"
    );
}

/// NIST/SEMATECH e-Handbook 8.4.1.3 (data set apr413): 20 units, ten failed, ten good at 500 h.
fn apr413() -> Vec<Life> {
    let failed = [
        54.0, 187.0, 216.0, 240.0, 244.0, 335.0, 361.0, 373.0, 375.0, 386.0,
    ];
    let failed = failed.map(|time| Life { time, failed: true });
    let good = [Life {
        time: 500.0,
        failed: false,
    }; 10];
    failed.into_iter().chain(good).collect()
}

/// NIST/SEMATECH e-Handbook 8.1.7 and 8.4.5.2: ten failures in 1500 h.
const CASE: [f64; 10] = [
    5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1_299.0, 1_478.0,
];

/// MIL-HDBK-189 (1981) appendix C: 27 failures in 300 h, two of them tied.
const HANDBOOK: [f64; 27] = [
    2.6, 16.5, 16.5, 17.0, 21.4, 29.1, 33.3, 56.5, 63.1, 70.6, 73.0, 77.7, 93.9, 95.5, 98.1, 101.1,
    132.0, 142.2, 147.7, 149.0, 167.2, 190.7, 193.0, 198.7, 251.9, 282.5, 286.1,
];

#[test]
fn weibull_gives_the_published_fit() {
    let fit = weibull(&apr413(), 0.9).unwrap();
    near(fit.shape.value, 1.7208, 0.000_05);
    near(fit.scale.value, 606.528_0, 0.000_5);
    near(fit.log_likelihood, -75.135, 0.000_5);
    near(fit.aic(), 154.27, 0.005);
    assert_eq!((fit.n_failures, fit.n_censored), (10, 10));
    let mut shuffled = apr413();
    shuffled.reverse();
    shuffled.swap(3, 15);
    near(
        weibull(&shuffled, 0.9).unwrap().shape.value,
        fit.shape.value,
        1e-9,
    );
    // The classic error is another answer.
    let failed: Vec<Life> = apr413().into_iter().filter(|life| life.failed).collect();
    let wrong = weibull(&failed, 0.9).unwrap();
    near(wrong.shape.value, 3.059_7, 0.000_05);
    near(wrong.scale.value, 308.53, 0.005);
    near(fit.surviving(fit.life(0.1)), 0.9, 1e-12);
    near(fit.surviving(fit.scale.value), (-1.0_f64).exp(), 1e-12);
}

// Likelihood-ratio bounds computed apart from this crate by bisection over the two-parameter likelihood.
#[test]
fn weibull_bounds_enclose_what_the_likelihood_allows() {
    let fit = weibull(&apr413(), 0.9).unwrap();
    near(fit.shape.lower, 1.014_646_961_9, 1e-8);
    near(fit.shape.upper, 2.673_450_179_2, 1e-8);
    near(fit.scale.lower, 458.931_186_156, 1e-6);
    near(fit.scale.upper, 975.010_057_15, 1e-5);
    near(fit.p_constant, 0.091_821_592_2, 1e-9);
    let surer = weibull(&apr413(), 0.99).unwrap();
    assert!(surer.shape.lower < fit.shape.lower && surer.shape.upper > fit.shape.upper);
    assert!(surer.scale.lower < fit.scale.lower && surer.scale.upper > fit.scale.upper);
}

#[test]
fn exponential_lives_have_shape_one_and_their_mean() {
    // At the middles of equal shares of an exponential distribution of mean 100.
    let lives: Vec<Life> = (0..400)
        .map(|idx| Life {
            time: -100.0 * (1.0 - (f64::from(idx) + 0.5) / 400.0).ln(),
            failed: true,
        })
        .collect();
    let fit = weibull(&lives, 0.9).unwrap();
    near(fit.shape.value, 1.0, 0.01);
    near(fit.mean(), 100.0, 1.0);
    assert!(fit.shape.lower < 1.0 && fit.shape.upper > 1.0 && fit.p_constant > 0.5);
}

#[test]
fn weibull_says_why_it_cannot() {
    let life = |time, failed| Life { time, failed };
    let fit = |lives: &[Life]| weibull(lives, 0.9).unwrap_err();
    let too_few = |found| Unfit::TooFew { needed: 2, found };
    assert_eq!(fit(&[]), too_few(0));
    assert_eq!(fit(&[life(5.0, false); 4]), too_few(0), "all still good");
    assert_eq!(fit(&[life(5.0, true), life(9.0, false)]), too_few(1));
    // All at one life, which is the longest: the steeper the better.
    assert_eq!(fit(&[life(5.0, true); 3]), Unfit::NoShape);
    for bad in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        let refused = fit(&[life(3.0, true), life(bad, true)]);
        assert!(matches!(refused, Unfit::NotPositive { .. }), "{refused}");
    }
    assert!(weibull(&apr413(), 1.0).is_err());
    // Ties are lives like others.
    let tied = [life(3.0, true), life(3.0, true), life(7.0, true)];
    assert!(weibull(&tied, 0.9).unwrap().shape.value > 1.0);
}

// NIST's listing of the same data: log10 of the cumulated hazard over log10 of time.
#[test]
fn median_ranks_give_the_published_line() {
    let ranks = median_ranks(&apr413()).unwrap();
    let fitted = ranks.line.unwrap();
    near(fitted.slope, 1.457_519, 0.000_000_5);
    near(fitted.intercept, -4.116_536, 0.000_000_5);
    near(ranks.points[0].1, 0.7 / 20.4, 1e-12);
    // A good one between two failures moves the rank of the second: 2 + 1/2 at n = 3, by Johnson's rule.
    let life = |time, failed| Life { time, failed };
    let mixed = [life(1.0, true), life(2.0, false), life(3.0, true)];
    let ranks = median_ranks(&mixed).unwrap();
    near(ranks.points[1].1, (2.5 - 0.3) / 3.4, 1e-12);
    assert!(median_ranks(&[life(1.0, false)]).is_err());
    let one = median_ranks(&[life(4.0, true), life(4.0, true)]).unwrap();
    assert_eq!(one.line, None);
}

// NIST/SEMATECH e-Handbook 8.4.5.1 (from memory, recomputed).
#[test]
fn mean_time_between_failures_has_the_published_bounds() {
    let seen = mtbf(800.0, 2, Ended::AtTime, 0.9).unwrap();
    assert_eq!(seen.estimate, Some(400.0));
    near(seen.lower / 400.0, 0.317_7, 0.000_05);
    near(seen.upper.unwrap() / 400.0, 5.628_1, 0.000_05);
    near(seen.lower, 127.069_0, 0.000_05);
    near(seen.upper.unwrap(), 2_251.228_6, 0.000_05);
    // No failure in 1000 h: 1000/ln 10, and no upper bound.
    let none = mtbf(1_000.0, 0, Ended::AtTime, 0.9).unwrap();
    near(none.lower, 434.294_5, 0.000_05);
    assert_eq!((none.estimate, none.upper), (None, None));
    near(
        mtbf_least(1_000.0, 0, Ended::AtTime, 0.9).unwrap(),
        none.lower,
        1e-9,
    );
    // Ended by the second failure there are two degrees less for the lower bound.
    let by_failure = mtbf(800.0, 2, Ended::AtFailure, 0.9).unwrap();
    near(by_failure.lower, 1_600.0 / 9.487_729, 0.000_05);
    assert_eq!(by_failure.upper, seen.upper);
}

#[test]
fn mean_time_between_failures_says_why_it_cannot() {
    for exposure in [0.0, -5.0, f64::NAN, f64::INFINITY] {
        assert!(mtbf(exposure, 1, Ended::AtTime, 0.9).is_err());
    }
    for confidence in [0.0, 1.0, 90.0, f64::NAN] {
        let refused = mtbf(100.0, 1, Ended::AtTime, confidence).unwrap_err();
        assert!(refused.to_string().contains("between 0 and 1"), "{refused}");
    }
    let none = mtbf(100.0, 0, Ended::AtFailure, 0.9);
    assert_eq!(
        none,
        Err(Unfit::TooFew {
            needed: 1,
            found: 0
        })
    );
}

// NIST/SEMATECH e-Handbook 8.4.5.2, the case study of 8.1.7.
#[test]
fn growth_gives_the_published_case() {
    let law = power_law(&CASE, 1_500.0, Ended::AtTime, 0.8).unwrap();
    near(1.0 - law.unbiased_exponent, 0.516_494, 0.000_000_5);
    near(law.unbiased_scale, 0.291_300_3, 0.000_000_05);
    near(law.unbiased_mtbf, 310.234, 0.000_5);
    let bounds = law.unbiased_mtbf_bounds.unwrap();
    near(bounds.lower, 157.713_8, 0.000_05);
    near(bounds.upper, 548.556_6, 0.000_05);
    near(law.exponent, 0.537_228_866_0, 0.000_000_000_05);
    near(law.scale, 0.196_658_2, 0.000_000_05);
    near(law.mtbf, 279.210_6, 0.000_05);
    near(law.expected(1_500.0), 10.0, 1e-9);
    let seen = trend(&CASE, 1_500.0, Ended::AtTime).unwrap();
    near(seen.laplace, -1.326_949, 0.000_000_5);
    assert!(seen.laplace_p > 0.1, "not significant");
    near(seen.military, 37.228_081, 0.000_000_5);
    assert_eq!(seen.military_degrees, 20);
    near(seen.military_p_improving, 0.010_986, 0.000_000_5);
    near(seen.military_p(), 2.0 * 0.010_986, 0.000_001);
}

// MIL-HDBK-189 (1981) appendix C, with a tie at 16.5.
#[test]
fn growth_gives_the_handbook_s_example() {
    let law = power_law(&HANDBOOK, 300.0, Ended::AtTime, 0.9).unwrap();
    near(law.exponent, 0.716_339_262_4, 0.000_000_000_05);
    near(law.scale, 0.453_841_861_4, 0.000_000_000_05);
    near(law.intensity, 0.064_470_533_6, 0.000_000_000_05);
    near(law.mtbf, 15.510_962_0, 0.000_000_05);
    near(law.unbiased_exponent, 0.689_808_178_6, 0.000_000_000_05);
    near(law.cramer_von_mises, 0.091_061_1, 0.000_000_05);
    assert!(law.fits());
    let mut shuffled = HANDBOOK;
    shuffled.reverse();
    let again = power_law(&shuffled, 300.0, Ended::AtTime, 0.9).unwrap();
    assert_eq!(again, law);
}

// The same handbook, grouped data.
#[test]
fn grouped_growth_gives_the_handbook_s_example() {
    let ends = [20.0, 40.0, 60.0, 80.0, 100.0];
    let law = power_law_grouped(&ends, &[13, 16, 5, 8, 7]).unwrap();
    near(law.exponent, 0.752_851, 0.000_000_5);
    near(law.scale, 1.529_306, 0.000_000_5);
    near(law.intensity, 0.368_896_9, 0.000_000_05);
    near(law.mtbf, 2.710_784_3, 0.000_000_05);
    near(law.last_mtbf, 2.639_426, 0.000_000_5);
    assert_eq!(law.n_failures, 49);
    assert!(law.p.unwrap() > 0.05, "the handbook does not reject it");
    for (ends, counts) in [
        (&[20.0, 20.0][..], &[3, 3][..]),
        (&[20.0, 10.0], &[3, 3]),
        (&[20.0], &[3, 3]),
        (&[], &[]),
    ] {
        let refused = power_law_grouped(ends, counts).unwrap_err();
        assert_eq!(refused, Unfit::BadIntervals);
    }
    let late = power_law_grouped(&[10.0, 20.0], &[0, 5]);
    assert_eq!(late, Err(Unfit::NoShape), "the later the better");
    let early = power_law_grouped(&[10.0, 20.0], &[5, 0]);
    assert_eq!(early, Err(Unfit::NoShape), "the earlier the better");
    assert!(power_law_grouped(&[10.0, 20.0], &[1, 1]).is_err());
    assert!(power_law_grouped(&[-1.0, 20.0], &[4, 1]).is_err());
}

// Check values 7.6: "Equal spacing should give b near 1."
#[test]
fn equal_spacing_is_neither_growth_nor_wear() {
    let even: Vec<f64> = (1_u32..=200).map(|n| f64::from(n) - 0.5).collect();
    let law = power_law(&even, 200.0, Ended::AtTime, 0.9).unwrap();
    near(law.exponent, 1.0, 0.01);
    let seen = trend(&even, 200.0, Ended::AtTime).unwrap();
    near(seen.laplace, 0.0, 1e-9);
    assert!(seen.military_p() > 0.9);
    // The first half of the time only: improving, in both tests.
    let seen = trend(&even, 400.0, Ended::AtTime).unwrap();
    assert!(seen.laplace < -10.0 && seen.military_p_improving < 1e-9);
    let worse: Vec<f64> = even.iter().map(|time| 400.0 - time).collect();
    let seen = trend(&worse, 400.0, Ended::AtTime).unwrap();
    assert!(seen.laplace > 10.0 && seen.military_p_worsening < 1e-9);
}

#[test]
fn growth_and_trend_say_why_they_cannot() {
    let law = |times: &[f64]| power_law(times, 100.0, Ended::AtTime, 0.9).unwrap_err();
    let found = |found| Unfit::TooFew { needed: 3, found };
    assert_eq!(law(&[]), found(0));
    assert_eq!(law(&[1.0, 2.0]), found(2));
    assert_eq!(
        law(&[1.0, 2.0, 101.0]),
        Unfit::AfterEnd {
            time: 101.0,
            end: 100.0
        }
    );
    assert_eq!(law(&[100.0; 3]), Unfit::NoShape);
    assert!(matches!(law(&[0.0, 1.0, 2.0]), Unfit::NotPositive { .. }));
    assert!(trend(&[], 100.0, Ended::AtTime).is_err());
    assert!(trend(&[7.0], 100.0, Ended::AtFailure).is_err());
    assert!(trend(&[7.0], f64::NAN, Ended::AtTime).is_err());
    // One failure close to the end is no trend, nor are three.
    for times in [&[99.9][..], &[97.0, 98.0, 99.0]] {
        let found = times.len() as u64;
        let refused = trend(times, 100.0, Ended::AtTime).unwrap_err();
        assert_eq!(refused, Unfit::TooFew { needed: 4, found });
    }
    let four = [96.0, 97.0, 98.0, 99.0];
    let seen = trend(&four, 100.0, Ended::AtTime).unwrap();
    assert_eq!(seen.military_degrees, 8);
    let refused = trend(&four, f64::NAN, Ended::AtFailure).unwrap_err();
    assert_eq!(
        refused,
        Unfit::TooFew {
            needed: 5,
            found: 4
        }
    );
    // When the last failure ended it, that one is not counted, and the given end not used.
    let five = [10.0, 30.0, 32.0, 35.0, 40.0];
    let ended = trend(&five, f64::NAN, Ended::AtFailure).unwrap();
    assert_eq!(ended, trend(&five[..4], 40.0, Ended::AtTime).unwrap());
    let law = power_law(&CASE, 0.0, Ended::AtFailure, 0.8).unwrap();
    near(law.end, 1_478.0, 0.0);
    assert_eq!(law.unbiased_mtbf_bounds, None);
    near(law.unbiased_exponent, law.exponent * 8.0 / 10.0, 1e-12);
}

// Newcombe 1998 (Statistics in Medicine 17, 857-872), table I, method 3, 95 % (from memory).
#[test]
fn shares_have_the_published_bounds() {
    for (n, of, lower, upper) in [
        (81, 263, 0.255_3, 0.366_2),
        (15, 148, 0.062_4, 0.160_5),
        (0, 20, 0.0, 0.161_1),
        (1, 29, 0.006_1, 0.171_8),
    ] {
        let seen = proportion(n, of, 0.95).unwrap();
        near(seen.lower, lower, 0.000_05);
        near(seen.upper, upper, 0.000_05);
    }
    let all = proportion(20, 20, 0.95).unwrap();
    near(all.lower, 1.0 - 0.161_1, 0.000_05);
    near(all.upper, 1.0, 0.0);
    let nothing = proportion(0, 0, 0.95).unwrap();
    assert_eq!(
        (nothing.share, nothing.lower, nothing.upper),
        (None, 0.0, 1.0)
    );
    assert_eq!(proportion(3, 2, 0.95), Err(Unfit::NoShare { n: 3, of: 2 }));
    assert!(proportion(1, 2, 1.5).is_err());
}

#[test]
fn a_count_is_more_than_chance_or_not() {
    near(at_least(0, 3.0), 1.0, 0.0);
    near(at_least(1, 2.0), 1.0 - (-2.0_f64).exp(), 1e-12);
    // 1 - e^-1 (1 + 1 + 1/2)
    near(at_least(3, 1.0), 1.0 - 2.5 * (-1.0_f64).exp(), 1e-12);
    near(at_least(2, 0.0), 0.0, 0.0);
    assert!(at_least(1, f64::NAN).is_nan() && at_least(1, -1.0).is_nan());
}

/// The next uniform number between 0 and 1 of a fixed sequence (SplitMix64).
fn uniform(state: &mut u64) -> f64 {
    *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let mut bits = *state;
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (((bits ^ (bits >> 31)) >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
}

/// A power-law process of `n` failures until 1, by its own definition: given their number they are
/// independent, each to the power 1/b of a uniform one.
fn drawn(n: usize, exponent: f64, state: &mut u64) -> Vec<f64> {
    (0..n)
        .map(|_| uniform(state).powf(1.0 / exponent))
        .collect()
}

/// How many events of rate 1 come until `end`.
fn poisson(end: f64, state: &mut u64) -> usize {
    let (mut n, mut at) = (0, -uniform(state).ln());
    while at < end {
        n += 1;
        at -= uniform(state).ln();
    }
    n
}

// The critical values are from memory, so the distribution is drawn: one in ten lies above.
#[test]
fn a_tenth_of_true_power_laws_lie_above_the_tenth() {
    let mut state = 7;
    for n in [3, 5, 10, 30] {
        let n_above = (0..8_000)
            .filter(|_| {
                let times = drawn(n, 0.7, &mut state);
                let law = power_law(&times, 1.0, Ended::AtTime, 0.9).unwrap();
                !law.fits()
            })
            .count();
        let share = n_above as f64 / 8_000.0;
        near(share, 0.1, 0.012);
    }
}

// What "90 % between the bounds" means.
#[test]
fn nine_in_ten_intervals_hold_the_truth() {
    let mut state = 11;
    let (mut n_shape, mut n_scale, mut n_growth) = (0, 0, 0);
    for _ in 0..1_000 {
        // Weibull lives of shape 2 and scale 1 are square roots of exponential ones; those over 1.2
        // were still good.
        let lives: Vec<Life> = drawn(15, 1.0, &mut state)
            .into_iter()
            .map(|share| (-share.ln()).sqrt())
            .map(|time| Life {
                time: time.min(1.2),
                failed: time < 1.2,
            })
            .collect();
        let fit = weibull(&lives, 0.9).unwrap();
        n_shape += u32::from(fit.shape.lower <= 2.0 && 2.0 <= fit.shape.upper);
        n_scale += u32::from(fit.scale.lower <= 1.0 && 1.0 <= fit.scale.upper);
        let n_failures = poisson(20.0, &mut state);
        let times = drawn(n_failures, 0.7, &mut state);
        let law = power_law(&times, 1.0, Ended::AtTime, 0.9).unwrap();
        let bounds = law.unbiased_mtbf_bounds.unwrap();
        let truth = 1.0 / (20.0 * 0.7);
        n_growth += u32::from(bounds.lower <= truth && truth <= bounds.upper);
    }
    for (n, name) in [(n_shape, "shape"), (n_scale, "scale"), (n_growth, "mtbf")] {
        assert!((860..=960).contains(&n), "{name}: {n} of 1000");
    }
}

proptest! {
    /// Time in other units scales what is a time and leaves what is none.
    #[test]
    fn units_do_not_matter(times in prop::collection::vec(0.5_f64..99.0, 3..20), factor in 0.01_f64..100.0) {
        prop_assume!(times.iter().any(|time| (time - times[0]).abs() > 0.5));
        let scaled: Vec<f64> = times.iter().map(|time| time * factor).collect();
        let life = |time: &f64| Life { time: *time, failed: true };
        let plain = weibull(&times.iter().map(life).collect::<Vec<_>>(), 0.9);
        let other = weibull(&scaled.iter().map(life).collect::<Vec<_>>(), 0.9);
        if let (Ok(plain), Ok(other)) = (plain, other) {
            prop_assert!((plain.shape.value / other.shape.value - 1.0).abs() < 1e-6);
            prop_assert!((plain.scale.value * factor / other.scale.value - 1.0).abs() < 1e-6);
            prop_assert!((plain.p_constant - other.p_constant).abs() < 1e-6);
            prop_assert!(plain.shape.lower <= plain.shape.value && plain.shape.value <= plain.shape.upper);
            prop_assert!(plain.scale.lower <= plain.scale.value && plain.scale.value <= plain.scale.upper);
        }
        let plain = power_law(&times, 100.0, Ended::AtTime, 0.9).unwrap();
        let other = power_law(&scaled, 100.0 * factor, Ended::AtTime, 0.9).unwrap();
        prop_assert!((plain.exponent / other.exponent - 1.0).abs() < 1e-9);
        prop_assert!((plain.mtbf * factor / other.mtbf - 1.0).abs() < 1e-9);
    }
}

/// A component of a great fleet: most are still good.
#[test]
fn a_great_fleet_is_fitted_like_a_small_one() {
    let mut state = 3;
    let lives: Vec<Life> = drawn(20_000, 1.0, &mut state)
        .into_iter()
        .map(|share| 1_000.0 * (-share.ln()).powf(1.0 / 1.8))
        .map(|time| Life {
            time: time.min(300.0),
            failed: time < 300.0,
        })
        .collect();
    let fit = weibull(&lives, 0.99).unwrap();
    assert!(fit.shape.lower < 1.8 && 1.8 < fit.shape.upper, "{fit:?}");
    assert!(fit.scale.lower < 1_000.0 && 1_000.0 < fit.scale.upper);
    assert!(fit.scale.upper / fit.scale.lower < 1.3);
}
