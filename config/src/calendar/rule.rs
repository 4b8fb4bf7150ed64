//! Recurrence rules as written (RFC 5545 §3.3.10).

use chrono::{NaiveDate, NaiveDateTime, Weekday};

use super::diagnostic::Report;
use super::line::ContentLine;
use super::value::{self, Stamp, shorten};

/// More times within one period than this are refused: denser than every second
/// of an hour no calendar needs to be, and the work per period stays bounded.
const MAX_TIMES: usize = 3600;

/// How often, before `INTERVAL`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Frequency {
    Secondly,
    Minutely,
    Hourly,
    Daily,
    Weekly,
    Monthly,
    Yearly,
}

/// The `UNTIL` of a rule, inclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Until {
    /// A date: that day still belongs to the rule.
    Date(NaiveDate),
    /// A local time in the event's zone.
    Wall(NaiveDateTime),
    /// An instant.
    Utc(NaiveDateTime),
}

/// A weekday, or the nth (from the end if negative) of its month or year.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct ByDay {
    pub(crate) nth: Option<i32>,
    pub(crate) weekday: Weekday,
}

/// A recurrence rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Rule {
    pub(crate) frequency: Frequency,
    pub(crate) interval: i64,
    pub(crate) count: Option<u64>,
    pub(crate) until: Option<Until>,
    pub(crate) week_start: Weekday,
    pub(crate) by_month: Vec<i32>,
    pub(crate) by_week_no: Vec<i32>,
    pub(crate) by_year_day: Vec<i32>,
    pub(crate) by_month_day: Vec<i32>,
    pub(crate) by_day: Vec<ByDay>,
    pub(crate) by_hour: Vec<i32>,
    pub(crate) by_minute: Vec<i32>,
    pub(crate) by_second: Vec<i32>,
    pub(crate) by_set_pos: Vec<i32>,
}

impl Rule {
    /// A rule without any parts but its frequency.
    pub(crate) fn plain(frequency: Frequency) -> Self {
        Self {
            frequency,
            interval: 1,
            count: None,
            until: None,
            week_start: Weekday::Mon,
            by_month: Vec::new(),
            by_week_no: Vec::new(),
            by_year_day: Vec::new(),
            by_month_day: Vec::new(),
            by_day: Vec::new(),
            by_hour: Vec::new(),
            by_minute: Vec::new(),
            by_second: Vec::new(),
            by_set_pos: Vec::new(),
        }
    }
}

/// Reads the RRULE of a content line. `all_day` tells whether DTSTART is a DATE.
pub(crate) fn read(line: &ContentLine, all_day: bool, report: &mut Report) -> Option<Rule> {
    let mut reader = Reader {
        line,
        report,
        failed: false,
    };
    let rule = reader.rule(all_day);
    let failed = reader.failed;
    rule.filter(|_| !failed)
}

struct Reader<'a> {
    line: &'a ContentLine,
    report: &'a mut Report,
    failed: bool,
}

/// One `NAME=value` of the rule and where it stands in the line's value.
struct Part<'a> {
    name: String,
    value: &'a str,
    offset: usize,
}

impl<'a> Reader<'a> {
    fn error(&mut self, offset: usize, message: impl Into<String>, hint: &str) {
        self.failed = true;
        self.report.error(
            self.line.value_place(offset),
            &self.line.name,
            message,
            hint,
        );
    }

    fn warning(&mut self, offset: usize, message: impl Into<String>, hint: &str) {
        self.report.warning(
            self.line.value_place(offset),
            &self.line.name,
            message,
            hint,
        );
    }

    fn rule(&mut self, all_day: bool) -> Option<Rule> {
        let parts = self.parts();
        let Some(freq) = parts.iter().find(|p| p.name == "FREQ") else {
            self.error(0, "the rule lacks FREQ", "e.g. FREQ=YEARLY");
            return None;
        };
        let frequency = match freq.value.to_ascii_uppercase().as_str() {
            "SECONDLY" => Frequency::Secondly,
            "MINUTELY" => Frequency::Minutely,
            "HOURLY" => Frequency::Hourly,
            "DAILY" => Frequency::Daily,
            "WEEKLY" => Frequency::Weekly,
            "MONTHLY" => Frequency::Monthly,
            "YEARLY" => Frequency::Yearly,
            other => {
                self.error(
                    freq.offset,
                    format!("FREQ={} is unknown", shorten(other)),
                    "one of SECONDLY, MINUTELY, HOURLY, DAILY, WEEKLY, MONTHLY, YEARLY",
                );
                return None;
            }
        };
        let mut rule = Rule::plain(frequency);
        for part in &parts {
            self.part(part, &mut rule);
        }
        self.check(&mut rule, all_day, &parts);
        Some(rule)
    }

    fn parts(&mut self) -> Vec<Part<'a>> {
        let mut parts: Vec<Part<'a>> = Vec::new();
        let mut offset = 0;
        for piece in self.line.value.split(';') {
            let here = offset;
            offset += piece.len() + 1;
            if piece.trim().is_empty() {
                continue;
            }
            let Some((name, value)) = piece.split_once('=') else {
                self.error(here, format!("`{}` is not NAME=value", shorten(piece)), "");
                continue;
            };
            let name = name.trim().to_ascii_uppercase();
            if parts.iter().any(|p| p.name == name) {
                self.error(
                    here,
                    format!("{} is given twice", shorten(&name)),
                    "each part may stand once (RFC 5545 §3.3.10)",
                );
                continue;
            }
            parts.push(Part {
                name,
                value: value.trim(),
                offset: here,
            });
        }
        parts
    }

    fn part(&mut self, part: &Part<'_>, rule: &mut Rule) {
        match part.name.as_str() {
            "FREQ" => {}
            "INTERVAL" => rule.interval = self.positive(part).map_or(1, i64::from),
            "COUNT" => rule.count = self.positive(part).map(u64::from),
            "UNTIL" => rule.until = self.until(part),
            "WKST" => match weekday(part.value) {
                Some(day) => rule.week_start = day,
                None => self.error(
                    part.offset,
                    format!("WKST={} is not a weekday", shorten(part.value)),
                    "e.g. WKST=MO",
                ),
            },
            "BYMONTH" => rule.by_month = self.numbers(part, 1..=12, false),
            "BYWEEKNO" => rule.by_week_no = self.numbers(part, 1..=53, true),
            "BYYEARDAY" => rule.by_year_day = self.numbers(part, 1..=366, true),
            "BYMONTHDAY" => rule.by_month_day = self.numbers(part, 1..=31, true),
            "BYHOUR" => rule.by_hour = self.numbers(part, 0..=23, false),
            "BYMINUTE" => rule.by_minute = self.numbers(part, 0..=59, false),
            // Second 60 is a leap second and read as 59 (§3.3.12).
            "BYSECOND" => {
                rule.by_second = self
                    .numbers(part, 0..=60, false)
                    .into_iter()
                    .map(|s| s.min(59))
                    .collect()
            }
            "BYSETPOS" => rule.by_set_pos = self.numbers(part, 1..=366, true),
            "BYDAY" => rule.by_day = self.days(part),
            name if name.starts_with("X-") => {
                self.warning(part.offset, format!("{} is not read", shorten(name)), "")
            }
            "RSCALE" | "SKIP" => self.error(
                part.offset,
                format!("{} (RFC 7529) is not supported", part.name),
                "write the rule without it",
            ),
            name => self.error(
                part.offset,
                format!("{} is not a part of a rule", shorten(name)),
                "see RFC 5545 §3.3.10",
            ),
        }
    }

    fn positive(&mut self, part: &Part<'_>) -> Option<u32> {
        let number = part.value.parse::<u32>().ok().filter(|n| *n > 0);
        if number.is_none() {
            self.error(
                part.offset,
                format!(
                    "{}={} is not a whole number above 0",
                    part.name,
                    shorten(part.value)
                ),
                "",
            );
        }
        number
    }

    fn until(&mut self, part: &Part<'_>) -> Option<Until> {
        match value::stamp(part.value) {
            Ok(Stamp::Date(date)) => Some(Until::Date(date)),
            Ok(Stamp::Time { wall, utc: true }) => Some(Until::Utc(wall)),
            Ok(Stamp::Time { wall, utc: false }) => Some(Until::Wall(wall)),
            Err(message) => {
                self.error(part.offset, format!("UNTIL: {message}"), "");
                None
            }
        }
    }

    /// A list of numbers; with `signed`, their negatives are allowed too, 0 is not.
    fn numbers(
        &mut self,
        part: &Part<'_>,
        range: std::ops::RangeInclusive<i32>,
        signed: bool,
    ) -> Vec<i32> {
        let mut list = Vec::new();
        for text in part.value.split(',') {
            let number = text.trim().parse::<i32>().ok();
            match number.filter(|n| {
                range.contains(n) || (signed && n.checked_neg().is_some_and(|m| range.contains(&m)))
            }) {
                Some(number) => list.push(number),
                None => {
                    let sign = if signed {
                        ", or the negatives of these"
                    } else {
                        ""
                    };
                    self.error(
                        part.offset,
                        format!(
                            "{}={} is out of range: {} to {}{sign}",
                            part.name,
                            shorten(text),
                            range.start(),
                            range.end()
                        ),
                        "",
                    );
                    return Vec::new();
                }
            }
        }
        list.sort_unstable();
        list.dedup();
        list
    }

    fn days(&mut self, part: &Part<'_>) -> Vec<ByDay> {
        let mut list = Vec::new();
        for text in part.value.split(',') {
            let text = text.trim();
            let split = text.len().saturating_sub(2);
            let day = text.get(split..).and_then(weekday);
            let nth = match text.get(..split) {
                Some("") => Some(None),
                Some(number) => number
                    .parse::<i32>()
                    .ok()
                    .filter(|n| *n != 0 && (-53..=53).contains(n))
                    .map(Some),
                None => None,
            };
            match (day, nth) {
                (Some(weekday), Some(nth)) => {
                    let by = ByDay { nth, weekday };
                    if !list.contains(&by) {
                        list.push(by);
                    }
                }
                _ => {
                    self.error(
                        part.offset,
                        format!("BYDAY={} is not a weekday", shorten(text)),
                        "MO, TU, … or with a number: 1MO, -1FR",
                    );
                    return Vec::new();
                }
            }
        }
        list
    }

    /// What RFC 5545 §3.3.10 forbids to stand together.
    fn check(&mut self, rule: &mut Rule, all_day: bool, parts: &[Part<'_>]) {
        use Frequency::{Daily, Monthly, Weekly, Yearly};
        let at = |name: &str| {
            parts
                .iter()
                .find(|p| p.name == name)
                .map_or(0, |p| p.offset)
        };
        let frequency = rule.frequency;
        if rule.count.is_some() && rule.until.is_some() {
            self.warning(
                at("COUNT"),
                "COUNT and UNTIL stand together; whichever is reached first ends the rule",
                "keep one of them",
            );
        }
        if !rule.by_week_no.is_empty() && frequency != Yearly {
            self.error(
                at("BYWEEKNO"),
                "BYWEEKNO stands only with FREQ=YEARLY",
                "use FREQ=YEARLY, or remove it",
            );
        }
        if !rule.by_year_day.is_empty() && matches!(frequency, Daily | Weekly | Monthly) {
            self.error(
                at("BYYEARDAY"),
                "BYYEARDAY does not stand with FREQ=DAILY, WEEKLY or MONTHLY",
                "use FREQ=YEARLY, or remove it",
            );
        }
        if !rule.by_month_day.is_empty() && frequency == Weekly {
            self.error(
                at("BYMONTHDAY"),
                "BYMONTHDAY does not stand with FREQ=WEEKLY",
                "use FREQ=MONTHLY, or remove it",
            );
        }
        if rule.by_day.iter().any(|d| d.nth.is_some()) {
            if !matches!(frequency, Monthly | Yearly) {
                self.error(
                    at("BYDAY"),
                    "a numbered weekday stands only with FREQ=MONTHLY or YEARLY",
                    "e.g. BYDAY=MO",
                );
            } else if !rule.by_week_no.is_empty() {
                self.error(
                    at("BYDAY"),
                    "a numbered weekday does not stand with BYWEEKNO",
                    "e.g. BYDAY=MO",
                );
            }
        }
        let other_by = parts
            .iter()
            .any(|p| p.name.starts_with("BY") && p.name != "BYSETPOS");
        if !rule.by_set_pos.is_empty() && !other_by {
            self.error(
                at("BYSETPOS"),
                "BYSETPOS needs another BY… part to choose from",
                "e.g. BYDAY=MO,TU,WE,TH,FR;BYSETPOS=-1",
            );
        }
        let times: usize = [&rule.by_hour, &rule.by_minute, &rule.by_second]
            .iter()
            .map(|list| list.len().max(1))
            .product();
        if times > MAX_TIMES {
            self.error(
                0,
                format!(
                    "the rule names {times} times within one period; at most {MAX_TIMES} are read"
                ),
                "",
            );
        }
        if all_day {
            if frequency < Daily {
                self.error(
                    at("FREQ"),
                    "an all-day event cannot recur within a day",
                    "use FREQ=DAILY, or a DTSTART with a time",
                );
            }
            for name in ["BYHOUR", "BYMINUTE", "BYSECOND"] {
                if parts.iter().any(|p| p.name == name) {
                    self.warning(
                        at(name),
                        format!("{name} is ignored for an all-day event"),
                        "remove it (RFC 5545 §3.3.10)",
                    );
                }
            }
            rule.by_hour.clear();
            rule.by_minute.clear();
            rule.by_second.clear();
        }
    }
}

/// The weekday of a two-letter abbreviation.
fn weekday(text: &str) -> Option<Weekday> {
    Some(match text.to_ascii_uppercase().as_str() {
        "MO" => Weekday::Mon,
        "TU" => Weekday::Tue,
        "WE" => Weekday::Wed,
        "TH" => Weekday::Thu,
        "FR" => Weekday::Fri,
        "SA" => Weekday::Sat,
        "SU" => Weekday::Sun,
        _ => return None,
    })
}
