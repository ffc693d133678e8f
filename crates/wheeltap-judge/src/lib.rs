//! The one place that evaluates rules, live and in replay.
