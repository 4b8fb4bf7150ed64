//! The simulated plant: drives with travel, drift and faults; as pure as the core.
