//! What people do about alerts and defects: pure state machines.
