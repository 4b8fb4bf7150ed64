//! The program as somebody at a shell meets it: what is typed, what comes out, the
//! exit code. What stands behind it is tested in the crates; `leeside sun`
//! against its tables in `tests/outside_sun.rs`, a run at a broker in
//! `tests/broker`, stopped runs and packed files in `tests/dry_run`.
//!
//! `golden/` holds one whole answer. After a change that is meant to alter it:
//! `INSTA_UPDATE=always tests/run -p leeside --test cli golden`, then read the
//! difference before keeping it.
#![expect(clippy::unwrap_used, reason = "tests")]

mod audit;
mod calendar;
mod check;
mod closed_days;
mod diff;
mod dry_run;
mod help;
mod journal;
mod lockouts;
mod manual;
mod next;
mod run;
mod schemas;
mod sun;
mod support;
mod why;
