//! What the core decides, shown as tables, as laws, and by exhaustion.

#![expect(clippy::unwrap_used, reason = "tests")]

mod again;
mod arbitration;
mod contacts;
mod damaged;
mod dozing;
mod drives;
mod edges;
mod frost;
mod hand;
mod laws;
mod loopholes;
mod moments;
mod moved;
mod polled;
mod power;
mod references;
mod reload;
mod restart;
mod sensors;
mod shading;
mod sun;
mod support;
mod timetable;
mod twilight;
mod unheard;
mod wind;
