//! Benches and their yardsticks.
