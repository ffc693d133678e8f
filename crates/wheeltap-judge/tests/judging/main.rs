//! The judge against oracles: windows, delays, resuming.
#![allow(clippy::unwrap_used, reason = "tests stop at the first surprise")]

mod class;
mod cost;
mod delays;
mod derived;
mod health;
mod healthy;
mod mates;
mod published;
mod resume;
mod support;
mod windows;
