//! Panes: exact sums over epoch-aligned stretches of one channel.
