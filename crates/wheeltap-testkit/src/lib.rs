//! Oracles, shufflers and fault layers for tests.
