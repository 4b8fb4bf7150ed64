//! The page in a real browser: the built program at a broker, Debian's Chromium in
//! front of it.
//!
//! Each test starts a house of its own on free ports of the loopback interface. The
//! browsers are shared (see [`browser`]): a test takes one and gives it back clean.
#![expect(clippy::unwrap_used, reason = "tests")]

#[expect(dead_code, reason = "shared with tests/broker, which uses all of it")]
#[path = "../broker/brokers.rs"]
mod brokers;
#[expect(dead_code, reason = "shared with tests/broker, which uses all of it")]
#[path = "../broker/building.rs"]
mod building;
#[expect(dead_code, reason = "shared with tests/broker, which uses all of it")]
#[path = "../broker/client.rs"]
mod client;
#[expect(dead_code, reason = "shared with tests/broker, which uses all of it")]
#[path = "../broker/daemon.rs"]
mod daemon;
#[path = "../broker/described.rs"]
mod described;

mod api;
mod asvs;
mod axe;
#[expect(dead_code, reason = "the tools of all tests of the page")]
mod browser;
mod calendar;
mod facade;
mod hands;
mod house;
mod languages;
mod line;
mod look;
mod now;
mod plain;
mod reach;
mod speed;
mod who;
mod why;
mod year;
