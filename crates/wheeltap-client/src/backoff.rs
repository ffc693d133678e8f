//! How long to wait before the next try.

use rand::Rng as _;
use std::time::Duration;

/// Waits that double from `first` to `longest`, each drawn between half of it and all: many
/// clients of a service that comes back must not come back in step.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Backoff {
    pub(crate) first: Duration,
    pub(crate) longest: Duration,
}

impl Backoff {
    /// The wait after so many failures before this one.
    pub(crate) fn wait(self, n_failures: u32) -> Duration {
        let factor = 1_u32.checked_shl(n_failures).unwrap_or(u32::MAX);
        self.first
            .saturating_mul(factor)
            .min(self.longest)
            .mul_f64(rand::rng().random_range(0.5..=1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_the_longest_and_are_drawn() {
        let backoff = Backoff {
            first: Duration::from_millis(100),
            longest: Duration::from_secs(3),
        };
        for (n_failures, all_ms) in [(0, 100), (1, 200), (4, 1_600), (5, 3_000), (99, 3_000)] {
            let waits: Vec<u128> = (0..50)
                .map(|_| backoff.wait(n_failures).as_millis())
                .collect();
            assert!(waits.iter().all(|ms| (all_ms / 2..=all_ms).contains(ms)));
            assert!(waits.iter().any(|ms| *ms != waits[0]), "no jitter");
        }
    }
}
