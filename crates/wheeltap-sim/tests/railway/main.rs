//! The invented railway as a whole: its physics, and what its rule book finds.

mod book;
mod common;
mod demo_day;
mod physics;
