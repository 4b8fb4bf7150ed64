//! The report as OpenMetrics text (OpenMetrics 1.0, the text format of its §4).

use super::{DriveReport, Report, Spread};
use std::fmt::Write as _;

/// What an HTTP answer with this text says of itself.
pub const CONTENT_TYPE: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// The report as OpenMetrics text.
#[must_use]
pub fn open_metrics(report: &Report) -> String {
    let mut text = Text::default();
    text.about(report);
    text.guards(report);
    text.sensors(report);
    text.drives(report);
    text.traffic(report);
    text.loops(report);
    text.0.push_str("# EOF\n");
    text.0
}

/// A number of a drive, where it has it.
type Value = fn(&DriveReport) -> Option<f64>;

/// Text under construction.
#[derive(Default)]
struct Text(String);

impl Text {
    fn about(&mut self, report: &Report) {
        self.family("leeside_build", "info", None, "Program and site.");
        let labels = [
            ("version", report.version),
            ("site", &report.site),
            ("fingerprint", &report.fingerprint),
        ];
        self.sample("leeside_build_info", &labels, 1.0);
        self.gauge(
            "leeside_uptime_seconds",
            "Since the start.",
            report.uptime_s,
        );
        self.gauge(
            "leeside_broker_connected",
            "1: there is a connection to the broker.",
            one(report.connected),
        );
        self.gauge(
            "leeside_clock_trusted",
            "1: the wall clock is trusted.",
            one(report.clock_trusted),
        );
        self.counter(
            "leeside_site_versions",
            "Versions of the site file that took effect since the start.",
            report.counters.reloads,
        );
    }

    fn guards(&mut self, report: &Report) {
        let name = "leeside_lockouts";
        self.family(name, "gauge", None, "Groups locked out, by guard.");
        for guard in ["wind", "hail", "ice", "rain"] {
            let count = report.lockouts.iter().filter(|(_, word)| *word == guard);
            self.sample(name, &[("guard", guard)], whole(count.count()));
        }
        let name = "leeside_lockout";
        self.family(
            name,
            "gauge",
            None,
            "1 for each group and guard that has engaged.",
        );
        for (group, guard) in &report.lockouts {
            self.sample(name, &[("group", group), ("guard", guard)], 1.0);
        }
        self.gauge(
            "leeside_devices",
            "Devices of the site.",
            whole(report.devices),
        );
        self.gauge(
            "leeside_devices_exposed",
            "Devices not known to be where a weather guard that has engaged wants them.",
            whole(report.exposed),
        );
        let name = "leeside_alarms";
        self.family(
            name,
            "gauge",
            None,
            "Alarms that stand, by word and whether seen.",
        );
        let mut alarms = report.alarms.clone();
        alarms.sort();
        for same in alarms.chunk_by(|a, b| a == b) {
            let (word, seen) = &same[0];
            let seen = if *seen { "yes" } else { "no" };
            self.sample(name, &[("word", word), ("seen", seen)], whole(same.len()));
        }
    }

    fn sensors(&mut self, report: &Report) {
        let name = "leeside_sensor_age_seconds";
        self.family(
            name,
            "gauge",
            Some("seconds"),
            "Since a sensor was last heard.",
        );
        for sensor in &report.sensors {
            self.sample(name, &[("sensor", &sensor.name)], sensor.age_s);
        }
        let name = "leeside_sensor_believed";
        self.family(name, "gauge", None, "1: the sensor is believed.");
        for sensor in &report.sensors {
            self.sample(name, &[("sensor", &sensor.name)], one(sensor.good));
        }
    }

    /// What was not believed, by why; what drives have done; what people asked for.
    fn drives(&mut self, report: &Report) {
        let name = "leeside_readings_disbelieved";
        self.family(
            name,
            "counter",
            None,
            "Readings that were not believed: no number (garbled), from the future, older than the last or too old (old), out of range or changing too fast (implausible).",
        );
        for sensor in &report.sensors {
            let counts = &sensor.disbelieved;
            for (why, count) in [
                ("garbled", counts.garbled),
                ("future", counts.future),
                ("old", counts.old),
                ("implausible", counts.implausible),
            ] {
                self.sample(
                    "leeside_readings_disbelieved_total",
                    &[("sensor", &sensor.name), ("why", why)],
                    wide(count),
                );
            }
        }
        let drives = |text: &mut Self, name: &str, unit, help, value: Value| {
            text.family(name, "counter", unit, help);
            for drive in &report.drives {
                if let Some(value) = value(drive) {
                    text.sample(&format!("{name}_total"), &[("drive", &drive.name)], value);
                }
            }
        };
        let travels: Value = |drive| Some(wide(drive.travels));
        let help = "Travels that a drive was told to make.";
        drives(self, "leeside_drive_travels", None, help, travels);
        let name = "leeside_drive_running_seconds";
        let help = "How long a drive was told to run.";
        drives(self, name, Some("seconds"), help, |drive| Some(drive.ran_s));
        let name = "leeside_drive_measured_seconds";
        let help = "How long a drive ran by its measured power.";
        drives(self, name, Some("seconds"), help, |drive| {
            drive.measured.map(|(s, _)| s)
        });
        let name = "leeside_drive_energy_joules";
        let help = "Energy that a drive took, where its power is measured.";
        drives(self, name, Some("joules"), help, |drive| {
            drive.measured.map(|(_, joules)| joules)
        });
        let name = "leeside_requests_by_hand";
        self.family(name, "counter", None, "Requests by hand, by group.");
        for (group, count) in &report.by_hand {
            self.sample(
                "leeside_requests_by_hand_total",
                &[("group", group)],
                wide(u64::from(*count)),
            );
        }
    }

    fn traffic(&mut self, report: &Report) {
        let counters = &report.counters;
        let name = "leeside_commands";
        self.family(
            name,
            "counter",
            None,
            "Commands to groups, by what decided.",
        );
        for (word, count) in &counters.commands {
            self.sample(
                "leeside_commands_total",
                &[("decided_by", word)],
                wide(*count),
            );
        }
        self.counter(
            "leeside_commands_repeated",
            "Commands that only repeated a verdict.",
            counters.repeats,
        );
        let name = "leeside_reports";
        self.family(
            name,
            "counter",
            None,
            "Reports of drives, by what they say.",
        );
        for (state, count) in &counters.reports {
            self.sample("leeside_reports_total", &[("state", state)], wide(*count));
        }
        self.counter(
            "leeside_requests_refused",
            "Requests refused.",
            counters.refused,
        );
        let name = "leeside_messages_sent";
        self.family(
            name,
            "counter",
            None,
            "What became of messages to the broker.",
        );
        let sent = &report.sent;
        for (outcome, count) in [
            ("confirmed", sent.taken),
            ("unheard", sent.unheard),
            ("refused", sent.refused),
            ("replaced", sent.replaced),
            ("expired", sent.expired),
            ("lost", sent.lost),
        ] {
            self.sample(
                "leeside_messages_sent_total",
                &[("outcome", outcome)],
                wide(count),
            );
        }
        let arrived = &report.arrived;
        self.counter(
            "leeside_messages_arrived",
            "Messages that arrived.",
            arrived.messages,
        );
        let name = "leeside_messages_unused";
        self.family(
            name,
            "counter",
            None,
            "Messages that were not used, by why.",
        );
        for (why, count) in [
            ("retained", arrived.retained),
            ("malformed", arrived.malformed),
            ("unknown_topic", arrived.unknown),
            ("too_many", arrived.left_out),
        ] {
            self.sample(
                "leeside_messages_unused_total",
                &[("why", why)],
                wide(count),
            );
        }
    }

    fn loops(&mut self, report: &Report) {
        self.spread(
            "leeside_command_latency_seconds",
            "From the arrival of what a command follows from, or the moment a timer was due, to its being handed to the connection.",
            &report.counters.latency,
        );
        self.spread(
            "leeside_first_command_seconds",
            "The same of the first command of each moment.",
            &report.counters.first,
        );
        self.spread(
            "leeside_wake_lateness_seconds",
            "How much later than asked for the loop woke up.",
            &report.counters.lateness,
        );
        if let Some(journal) = report.journal {
            self.gauge(
                "leeside_journal_kept",
                "1: the journal can be written.",
                one(journal.well),
            );
            #[expect(clippy::cast_precision_loss, reason = "a number of rows")]
            let row = journal.row as f64;
            self.gauge("leeside_journal_row", "The last row of the journal.", row);
            self.counter(
                "leeside_journal_rows_lost",
                "Rows that could not be kept.",
                journal.rows_lost,
            );
        }
    }

    fn gauge(&mut self, name: &str, help: &str, value: f64) {
        let unit = name.ends_with("_seconds").then_some("seconds");
        self.family(name, "gauge", unit, help);
        self.sample(name, &[], value);
    }

    fn counter(&mut self, name: &str, help: &str, value: u64) {
        self.family(name, "counter", None, help);
        self.sample(&format!("{name}_total"), &[], wide(value));
    }

    fn spread(&mut self, name: &str, help: &str, spread: &Spread) {
        self.family(name, "histogram", Some("seconds"), help);
        let bucket = format!("{name}_bucket");
        for (bound, count) in spread.bins() {
            self.sample(&bucket, &[("le", &float(bound))], wide(count));
        }
        self.sample(&bucket, &[("le", "+Inf")], wide(spread.count()));
        self.sample(&format!("{name}_count"), &[], wide(spread.count()));
        self.sample(&format!("{name}_sum"), &[], spread.sum_s());
    }

    fn family(&mut self, name: &str, kind: &str, unit: Option<&str>, help: &str) {
        let _ = writeln!(self.0, "# TYPE {name} {kind}");
        if let Some(unit) = unit {
            let _ = writeln!(self.0, "# UNIT {name} {unit}");
        }
        let _ = writeln!(self.0, "# HELP {name} {}", escaped(help));
    }

    fn sample(&mut self, name: &str, labels: &[(&str, &str)], value: f64) {
        self.0.push_str(name);
        for (index, (label, text)) in labels.iter().enumerate() {
            let before = if index == 0 { '{' } else { ',' };
            let _ = write!(self.0, "{before}{label}=\"{}\"", escaped(text));
        }
        if !labels.is_empty() {
            self.0.push('}');
        }
        let _ = writeln!(self.0, " {value}");
    }
}

/// Backslash, quote and line feed are written as two characters each.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\")
        .replace('"', "\\\"")
        .replace('\n', "\\n")
}

/// Bounds are written with a point, as the format wants them.
fn float(value: f64) -> String {
    format!("{value:?}")
}

const fn one(yes: bool) -> f64 {
    if yes { 1.0 } else { 0.0 }
}

#[expect(clippy::cast_precision_loss, reason = "counts far below 2^53")]
const fn whole(count: usize) -> f64 {
    count as f64
}

#[expect(clippy::cast_precision_loss, reason = "counts far below 2^53")]
const fn wide(count: u64) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::open_metrics;
    use crate::seen::tests::report;
    use std::collections::{BTreeMap, BTreeSet};

    #[test]
    fn what_was_disbelieved_run_and_asked_for_is_counted_by_name() {
        let text = open_metrics(&report());
        for line in [
            "leeside_readings_disbelieved_total{sensor=\"wind roof\",why=\"future\"} 3",
            "leeside_readings_disbelieved_total{sensor=\"wind roof\",why=\"old\"} 0",
            "leeside_drive_travels_total{drive=\"S-2\"} 11",
            "leeside_drive_running_seconds_total{drive=\"S-1\"} 540.5",
            "leeside_drive_measured_seconds_total{drive=\"S-1\"} 538",
            "leeside_drive_energy_joules_total{drive=\"S-1\"} 64800",
            "leeside_requests_by_hand_total{group=\"south slats\"} 5",
        ] {
            assert!(text.lines().any(|l| l == line), "{line}");
        }
        // A drive whose power nobody measures has no energy.
        assert!(!text.contains("leeside_drive_energy_joules_total{drive=\"S-2\"}"));
    }

    /// The line grammar of OpenMetrics 1.0 §4.1 and the rules of §5 that can be
    /// broken here: every sample belongs to the family above it and carries the
    /// suffix of its type, families do not come twice, the text ends with EOF.
    #[test]
    fn every_line_is_as_the_format_has_it() {
        let text = open_metrics(&report());
        let lines: Vec<&str> = text.strip_suffix('\n').unwrap().split('\n').collect();
        assert_eq!(*lines.last().unwrap(), "# EOF");
        let mut families = BTreeSet::new();
        let mut samples: BTreeMap<String, f64> = BTreeMap::new();
        let (mut family, mut kind) = ("", "");
        for line in &lines[..lines.len() - 1] {
            if let Some(rest) = line.strip_prefix("# TYPE ") {
                (family, kind) = rest.split_once(' ').unwrap();
                assert!(families.insert(family), "{family} comes twice");
                assert!(["gauge", "counter", "histogram", "info"].contains(&kind));
            } else if let Some(rest) = line.strip_prefix("# UNIT ") {
                let (name, unit) = rest.split_once(' ').unwrap();
                assert_eq!(name, family);
                assert!(name.ends_with(&format!("_{unit}")), "{name} {unit}");
            } else if let Some(rest) = line.strip_prefix("# HELP ") {
                assert!(rest.starts_with(family));
            } else {
                let (key, value) = line.rsplit_once(' ').unwrap();
                let name = key.split('{').next().unwrap();
                let suffix = name.strip_prefix(family).unwrap();
                let allowed: &[&str] = match kind {
                    "gauge" => &[""],
                    "counter" => &["_total"],
                    "info" => &["_info"],
                    _ => &["_bucket", "_count", "_sum"],
                };
                assert!(allowed.contains(&suffix), "{line} in a {kind}");
                if let Some(labels) = key.strip_prefix(name).filter(|l| !l.is_empty()) {
                    check_labels(labels);
                }
                let value: f64 = value.parse().unwrap();
                assert!(
                    samples.insert(key.to_owned(), value).is_none(),
                    "{key} twice"
                );
            }
        }
        assert_eq!(
            samples["leeside_lockouts{guard=\"wind\"}"].to_bits(),
            1.0_f64.to_bits()
        );
        let bins: Vec<f64> = samples
            .iter()
            .filter(|(key, _)| key.starts_with("leeside_command_latency_seconds_bucket"))
            .map(|(_, value)| *value)
            .collect();
        assert_eq!(bins.len(), 13);
        let text_of_site = "site=\"Haus \\\"Nord\\\"\\\\Süd\\nzwei\"";
        assert!(text.contains(text_of_site), "{text}");
    }

    /// `{name="text",...}` with nothing unescaped in the texts.
    fn check_labels(labels: &str) {
        let inner = labels.strip_prefix('{').unwrap().strip_suffix('}').unwrap();
        let mut rest = inner;
        while !rest.is_empty() {
            let (name, after) = rest.split_once("=\"").unwrap();
            assert!(
                name.chars().all(|c| c.is_ascii_lowercase() || c == '_'),
                "{labels}"
            );
            let mut end = None;
            let mut chars = after.char_indices();
            while let Some((at, c)) = chars.next() {
                match c {
                    '\\' => assert!(matches!(chars.next(), Some((_, '\\' | '"' | 'n')))),
                    '"' => {
                        end = Some(at);
                        break;
                    }
                    _ => {}
                }
            }
            rest = &after[end.unwrap() + 1..];
            rest = rest.strip_prefix(',').unwrap_or(rest);
        }
    }
}
