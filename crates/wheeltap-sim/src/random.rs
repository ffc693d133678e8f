//! Seeded random numbers that are the same on every machine: ChaCha8, and no transcendental
//! functions but libm's.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

/// One stream of random numbers.
#[derive(Clone, Debug)]
pub(crate) struct Random(ChaCha8Rng);

impl Random {
    /// The stream of `seed` that belongs to `name` (a train, a unit).
    pub(crate) fn named(seed: u64, name: &str) -> Self {
        // FNV-1a spreads a short name over 64 bits; ChaCha's stream number keeps names apart.
        let stream = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self(rng)
    }

    /// Another stream of the same seed and name, for what is drawn now and then: it leaves the
    /// draws of this one where they are.
    pub(crate) fn apart(&self) -> Self {
        let mut rng = self.0.clone();
        rng.set_stream(!rng.get_stream());
        rng.set_word_pos(0);
        Self(rng)
    }

    /// Uniform in [0, 1).
    pub(crate) fn share(&mut self) -> f64 {
        f64::from(self.0.next_u32()) / 4_294_967_296.0
    }

    /// Uniform between two numbers.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// Uniform whole seconds between two, the upper one excluded.
    pub(crate) fn seconds(&mut self, low: i64, high: i64) -> i64 {
        let span = u64::try_from(high - low).unwrap_or(0).max(1);
        low + i64::try_from(u64::from(self.0.next_u32()) % span).unwrap_or(0)
    }

    /// True with this probability.
    pub(crate) fn chance(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    /// Nearly normal with mean 0 and deviation 1: the sum of four uniforms, never beyond 3.5.
    /// A sensor's noise has no longer tails than that, and it costs one draw.
    pub(crate) fn normal(&mut self) -> f64 {
        let bits = self.0.next_u64();
        let sum: u64 = (0..4).map(|idx| (bits >> (16 * idx)) & 0xffff).sum();
        let sum = u32::try_from(sum).map_or(0.0, f64::from);
        // Four uniforms on 0..65535 have mean 131070 and deviation 65536 x sqrt(4/12).
        (sum - 131_070.0) / 37_837.2
    }

    /// Puts a list into random order.
    pub(crate) fn shuffle<T>(&mut self, list: &mut [T]) {
        for idx in (1..list.len()).rev() {
            let bound = u32::try_from(idx + 1).unwrap_or(u32::MAX);
            let other = usize::try_from(self.0.next_u32() % bound).unwrap_or(0);
            list.swap(idx, other);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_has_mean_zero_and_deviation_one() {
        let mut random = Random::named(7, "noise");
        let draws: Vec<f64> = (0..200_000).map(|_| random.normal()).collect();
        let mean = draws.iter().sum::<f64>() / 200_000.0;
        let square = draws.iter().map(|x| x * x).sum::<f64>() / 200_000.0;
        assert!(mean.abs() < 0.01, "{mean}");
        assert!((square - 1.0).abs() < 0.02, "{square}");
    }

    #[test]
    fn a_name_has_its_own_stream_and_keeps_it() {
        let first = Random::named(7, "ZVR 4101").share();
        assert_eq!(
            first.to_bits(),
            Random::named(7, "ZVR 4101").share().to_bits()
        );
        assert_ne!(
            first.to_bits(),
            Random::named(7, "ZVR 4102").share().to_bits()
        );
        assert_ne!(
            first.to_bits(),
            Random::named(8, "ZVR 4101").share().to_bits()
        );
    }
}
