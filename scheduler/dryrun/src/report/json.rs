//! Everything for programs.

use super::csv::local;
use super::head::hours;
use super::{FORMAT_VERSION, Head};
use crate::replay::{GroupMonth, Sink, Tally};
use crate::weather::moment;
use leeside_core::ids::GroupId;
use leeside_core::model::Model;
use leeside_core::output::{Alarm, Command, LockoutChange, Lost, Word};
use leeside_core::pose::Pose;
use leeside_core::say;
use leeside_core::time::Wall;
use serde_json::{Map, Value, json};
use std::io::{self, Write};

/// Writes JSON, format 1 (see the [module](super)), movements as they come.
#[derive(Debug)]
pub struct JsonSink<W> {
    out: W,
    first: bool,
    lockouts: Vec<Value>,
    alarms: Vec<Value>,
}

impl<W: Write> JsonSink<W> {
    /// Begins with the head.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn new(mut out: W, head: &Head) -> io::Result<Self> {
        write!(out, "{{\"format_version\":{FORMAT_VERSION},\n\"head\":")?;
        serde_json::to_writer(&mut out, head)?;
        out.write_all(b",\n\"movements\":[")?;
        Ok(Self {
            out,
            first: true,
            lockouts: vec![],
            alarms: vec![],
        })
    }

    /// Ends with lockouts, alarms and summary; gives the writer back.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn finish(mut self, model: &Model, tally: &Tally) -> io::Result<W> {
        self.out.write_all(b"\n],\n\"lockouts\":")?;
        list(&mut self.out, &self.lockouts)?;
        self.out.write_all(b",\n\"alarms\":")?;
        list(&mut self.out, &self.alarms)?;
        self.out.write_all(b",\n\"summary\":")?;
        serde_json::to_writer(&mut self.out, &summary(model, tally))?;
        self.out.write_all(b"}\n")?;
        self.out.flush()?;
        Ok(self.out)
    }
}

impl<W: Write> Sink for JsonSink<W> {
    fn looks(&self) -> bool {
        false
    }

    fn movement(&mut self, model: &Model, command: &Command) -> io::Result<()> {
        let at = command.at.wall;
        let orders = command.orders.iter().map(|order| {
            let mut value = Map::new();
            value.insert("device".to_owned(), json!(model.device(order.device).name));
            pose(&mut value, order.pose);
            value.insert("start_delay_ms".to_owned(), json!(order.start_delay_ms));
            Value::Object(value)
        });
        let mut value = Map::new();
        value.insert("at_local".to_owned(), json!(local_text(model, at)));
        value.insert("at_utc".to_owned(), json!(moment(at)));
        value.insert("group".to_owned(), json!(model.group(command.group).name));
        pose(&mut value, command.goes_to());
        value.insert("decided_by".to_owned(), json!(command.decided_by.as_str()));
        value.insert(
            "reason".to_owned(),
            json!(say::because(model, &command.because)),
        );
        value.insert(
            "lost".to_owned(),
            command
                .lost
                .iter()
                .map(|lost| lost_value(model, lost))
                .collect(),
        );
        value.insert(
            "release".to_owned(),
            json!(say::release(model, &command.release, command.at)),
        );
        value.insert("orders".to_owned(), orders.collect());
        self.out
            .write_all(if self.first { b"\n" } else { b",\n" })?;
        self.first = false;
        serde_json::to_writer(&mut self.out, &Value::Object(value))?;
        Ok(())
    }

    fn lockout(&mut self, model: &Model, change: &LockoutChange) -> io::Result<()> {
        self.lockouts.push(json!({
            "at_local": local_text(model, change.at.wall),
            "at_utc": moment(change.at.wall),
            "group": model.group(change.group).name,
            "guard": change.word.as_str(),
            "engaged": change.engaged,
            "reason": say::because(model, &change.because),
        }));
        Ok(())
    }

    fn alarm(&mut self, model: &Model, alarm: &Alarm) -> io::Result<()> {
        self.alarms.push(json!({
            "at_utc": moment(alarm.at.wall),
            "key": alarm.key,
            "active": alarm.active,
            "reason": say::because(model, &alarm.because),
        }));
        Ok(())
    }
}

fn list<W: Write>(out: &mut W, values: &[Value]) -> io::Result<()> {
    out.write_all(b"[")?;
    for (index, value) in values.iter().enumerate() {
        out.write_all(if index == 0 { b"\n" } else { b",\n" })?;
        serde_json::to_writer(&mut *out, value)?;
    }
    out.write_all(b"]")
}

fn local_text(model: &Model, at: Wall) -> String {
    let mut text = String::with_capacity(25);
    local(&mut text, model, at);
    text
}

/// `extension_pct` and `tilt_deg`; null where there is none (a halt, or no slats).
fn pose(into: &mut Map<String, Value>, pose: Option<Pose>) {
    into.insert(
        "extension_pct".to_owned(),
        json!(pose.map(|pose| pose.extension_pct)),
    );
    into.insert(
        "tilt_deg".to_owned(),
        json!(pose.and_then(|pose| pose.tilt_deg)),
    );
}

fn lost_value(model: &Model, lost: &Lost) -> Value {
    let mut value = Map::new();
    value.insert("word".to_owned(), json!(lost.word.as_str()));
    pose(&mut value, lost.pose);
    value.insert(
        "reason".to_owned(),
        json!(say::because(model, &lost.because)),
    );
    Value::Object(value)
}

fn summary(model: &Model, tally: &Tally) -> Value {
    let months = tally.months.iter().map(|month| {
        let busiest = month.busiest.as_ref().map(|day| {
            json!({ "date": day.date.to_string(), "movements": day.movements, "by_word": by_word(&day.by_word) })
        });
        let groups = month.groups.iter().zip(&model.groups);
        json!({
            "month": format!("{:04}-{:02}", month.year, month.month),
            "busiest_day": busiest,
            "groups": groups.map(|(of, group)| group_value(&group.name, of)).collect::<Vec<_>>(),
        })
    });
    let groups = (0..model.groups.len()).map(GroupId::of);
    let alarms = tally
        .alarms
        .iter()
        .map(|(word, count)| json!({ "word": word, "raised": count }));
    json!({
        "groups": groups.map(|id| group_value(&model.group(id).name, &tally.group(id))).collect::<Vec<_>>(),
        "months": months.collect::<Vec<_>>(),
        "alarms": alarms.collect::<Vec<_>>(),
    })
}

fn by_word(counts: &[u32; Word::ALL.len()]) -> Value {
    let moved = Word::ALL
        .iter()
        .zip(counts)
        .filter(|(_, count)| **count > 0);
    Value::Object(
        moved
            .map(|(word, count)| (word.as_str().to_owned(), json!(count)))
            .collect(),
    )
}

fn group_value(name: &str, of: &GroupMonth) -> Value {
    json!({
        "group": name,
        "movements": by_word(&of.movements),
        "starts": of.starts,
        "sunlit_h": hours(of.sunlit_ms),
        "shaded_h": hours(of.shaded_ms),
        "locked_h": hours(of.locked_ms),
        "refuge_h": hours(of.refuge_ms),
        "lockouts": { "wind": of.lockouts[0], "hail": of.lockouts[1], "ice": of.lockouts[2], "rain": of.lockouts[3] },
    })
}
