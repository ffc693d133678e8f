//! Helpers shared by the whole-system tests.
