//! Single values: types, ranges, times, poses, references.
#![expect(
    clippy::wildcard_enum_match_arm,
    reason = "a form takes few types of value and refuses all others alike"
)]

use super::collect::in_order;
use super::form::{Form, Key, Kind, may, must, unit_of, with_unit};
use super::names::{fault_of_name, meant};
use super::node::{Got, Span, Value};
use super::read::Reader;
use chrono::{NaiveDate, NaiveDateTime, NaiveTime};
use leeside_core::pose::Pose;
use toml::Spanned;
use toml::de::{DeTable, DeValue};
use toml::value::Datetime;

pub(crate) const POSE_KEYS: &[Key] = &[
    must(
        "extension_pct",
        Form::Whole(0, 100),
        "0 retracted to 100 extended.",
    ),
    may(
        "tilt_deg",
        Form::Whole(-90, 90),
        "Tilt of the slats; 0 horizontal, positive outer edge down.",
    ),
];

/// Why a value was not taken.
pub(crate) enum Refusal {
    /// It was complained about.
    Told,
    /// It is of another type than its key asks for, and nobody has said so yet.
    OtherType,
}

/// A value, or why there is none.
pub(crate) type Read = Result<Got, Refusal>;

/// What a value is, as a person would say it.
pub(crate) const fn kind_word(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date or time",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

fn one_of(words: &[(&str, &str)]) -> String {
    let quoted: Vec<_> = words
        .iter()
        .map(|(word, _)| format!("\"{word}\""))
        .collect();
    match quoted.split_last() {
        Some((last, [])) => last.clone(),
        Some((last, rest)) => format!("{} or {last}", rest.join(", ")),
        None => String::new(),
    }
}

/// What a key expects, in words.
pub(crate) fn expected(key: &str, form: &Form) -> String {
    match form {
        Form::Text => "text in quotes".to_owned(),
        Form::Name => "a name in quotes".to_owned(),
        Form::Names => "a list of names, such as [\"S-101..108\"]".to_owned(),
        Form::Texts => "a list of texts".to_owned(),
        Form::Pointer => "a JSON Pointer such as \"/wind/gust\"".to_owned(),
        Form::Flag => "true or false".to_owned(),
        Form::Number(min, max) => format!("a number from {min} to {}", with_unit(max, key)),
        Form::Whole(min, max) => format!("a whole number from {min} to {}", with_unit(max, key)),
        Form::Clock => "a time of day such as \"07:30\"".to_owned(),
        Form::Date => "a date such as 2027-03-01".to_owned(),
        Form::Moment => "a local date and time such as 2027-03-01T18:00:00".to_owned(),
        Form::Word(words) => one_of(words),
        Form::Words(words) => format!("a list of {}", one_of(words)),
        Form::Pose => {
            "\"retracted\", \"extended\" or { extension_pct = ..., tilt_deg = ... }".to_owned()
        }
        Form::Refuge => {
            "\"not_harmed\", \"retracted\", \"extended\" or { extension_pct = ..., tilt_deg = ... }"
                .to_owned()
        }
        Form::Ref(kind) => format!("the name of {}", kind.with_article()),
        Form::Refs(kind) => format!("a list of names of {}", kind.section()),
        Form::Pairs(..) => "a list of pairs of numbers, such as [[0, 5], [90, 12]]".to_owned(),
        Form::Table(keys) => {
            let names: Vec<_> = keys.iter().map(|k| format!("{} = ...", k.name)).collect();
            format!("a table {{ {} }}", names.join(", "))
        }
        Form::Tables(_) => "a list of tables [{ ... }, { ... }]".to_owned(),
        Form::Map(kind, _) => format!("a table with a key for each {}", kind.word()),
        Form::Or(a, b) => format!("{}, or {}", expected(key, a), expected(key, b)),
    }
}

impl Reader<'_> {
    /// Reads the value of a key; complains and gives nothing where it is none.
    pub(crate) fn value(
        &mut self,
        key: &'static str,
        form: &Form,
        value: &Spanned<DeValue<'_>>,
        label: &str,
    ) -> Option<Got> {
        if let Form::Or(text, other) = form {
            let form = if value.get_ref().is_str() {
                text
            } else {
                other
            };
            return self.value(key, form, value, label);
        }
        let span = value.span();
        let read = match value.get_ref() {
            DeValue::String(text) => self.read_text(key, form, text, &span),
            DeValue::Integer(_) | DeValue::Float(_) => self.read_number(key, form, value),
            DeValue::Boolean(flag) if matches!(form, Form::Flag) => Ok(Got::Flag(*flag)),
            DeValue::Datetime(at) => self.read_time(key, form, at, &span),
            DeValue::Array(array) => self.list(key, form, (array, &span), label),
            DeValue::Table(table) => self.read_table(key, form, (table, &span), label),
            DeValue::Boolean(_) => Err(Refusal::OtherType),
        };
        if let Err(Refusal::OtherType) = read {
            self.other_type(key, form, value);
        }
        read.ok()
    }

    fn other_type(&mut self, key: &str, form: &Form, value: &Spanned<DeValue<'_>>) {
        let text = value.get_ref().is_str();
        let number = value.get_ref().is_integer() || value.get_ref().is_float();
        let hint = match form {
            Form::Text | Form::Name | Form::Ref(_) | Form::Word(_) | Form::Clock if number => {
                "put it in quotes"
            }
            Form::Number(..) | Form::Whole(..) | Form::Flag | Form::Date | Form::Moment if text => {
                "write it without quotes"
            }
            Form::Refs(_) | Form::Names | Form::Texts | Form::Words(_) if text => {
                "put it in square brackets"
            }
            _ => "",
        };
        let span = value.span();
        self.error(
            &span,
            format!(
                "`{key}` is {} ({}), expected {}",
                kind_word(value.get_ref()),
                self.excerpt(&span),
                expected(key, form)
            ),
            hint,
        );
    }

    fn read_text(&mut self, key: &'static str, form: &Form, text: &str, span: &Span) -> Read {
        match form {
            Form::Text if text.trim().is_empty() => self.wrong(span, key, form, "is empty"),
            Form::Text => Ok(Got::Text(text.to_owned())),
            Form::Pointer => self.pointer(key, text, span),
            Form::Name => match fault_of_name(text) {
                Some(fault) => {
                    self.error(
                        span,
                        format!("`{key}` is {}: {fault}", self.excerpt(span)),
                        "choose another name",
                    );
                    Err(Refusal::Told)
                }
                None => Ok(Got::Text(text.to_owned())),
            },
            Form::Clock => match parse_clock(text) {
                Some(minute) => Ok(Got::Clock(minute)),
                None => self.wrong(span, key, form, "is no time of day"),
            },
            Form::Word(words) => self.word(key, words, text, span).map(Got::Word),
            Form::Refuge if text == "not_harmed" => Ok(Got::NotHarmed),
            Form::Pose | Form::Refuge => self.bare_pose(key, form, text, span),
            Form::Ref(kind) => self
                .reference(*kind, text, span)
                .map(Got::Ref)
                .ok_or(Refusal::Told),
            _ => Err(Refusal::OtherType),
        }
    }

    fn read_table(
        &mut self,
        key: &'static str,
        form: &Form,
        (table, span): (&DeTable<'_>, &Span),
        label: &str,
    ) -> Read {
        match form {
            Form::Table(keys) => {
                let label = format!("`{key}` of {label}");
                Ok(Got::Table(self.table(keys, label, span, table)))
            }
            Form::Pose | Form::Refuge => self.pose(key, (table, span), label),
            Form::Map(kind, inner) => {
                let mut entries = Vec::new();
                for (name, value) in in_order(table) {
                    let number = self.reference(*kind, name.get_ref(), &name.span());
                    let label = format!("{} in {label}", name.get_ref());
                    let got = self.value(key, inner, value, &label);
                    if let (Some(number), Some(got)) = (number, got) {
                        entries.push((number, Value::new(got, name.span(), true)));
                    }
                }
                Ok(Got::Map(entries))
            }
            _ => Err(Refusal::OtherType),
        }
    }

    fn read_number(
        &mut self,
        key: &'static str,
        form: &Form,
        value: &Spanned<DeValue<'_>>,
    ) -> Read {
        let span = value.span();
        match form {
            Form::Number(min, max) => match number_of(value.get_ref()) {
                Some(number) if (*min..=*max).contains(&number) => Ok(Got::Number(number)),
                Some(number) if number.is_finite() => {
                    self.wrong(&span, key, form, "is out of range")
                }
                Some(_) | None => self.wrong(&span, key, form, "is no number"),
            },
            Form::Whole(min, max) => match value.get_ref().as_integer() {
                None => self.wrong(&span, key, form, "is no whole number"),
                Some(digits) => {
                    let number = i64::from_str_radix(digits.as_str(), digits.radix()).ok();
                    match number.filter(|n| (min..=max).contains(&n)) {
                        Some(number) => Ok(Got::Whole(number)),
                        None => self.wrong(&span, key, form, "is out of range"),
                    }
                }
            },
            _ => Err(Refusal::OtherType),
        }
    }

    fn read_time(&mut self, key: &str, form: &Form, at: &Datetime, span: &Span) -> Read {
        match (form, at.date, at.time) {
            (Form::Clock, None, Some(time)) if at.offset.is_none() => Ok(Got::Clock(
                u16::from(time.hour) * 60 + u16::from(time.minute),
            )),
            (Form::Date, Some(_), None) => match naive_date(at) {
                Some(date) => Ok(Got::Date(date)),
                None => self.wrong(span, key, form, "is no date"),
            },
            (Form::Moment, Some(_), Some(_)) if at.offset.is_some() => {
                self.wrong(span, key, form, "has an offset though local time is meant")
            }
            (Form::Moment, Some(_), Some(time)) => {
                let second = time.second.unwrap_or(0).into();
                let time = NaiveTime::from_hms_opt(time.hour.into(), time.minute.into(), second);
                match naive_date(at).zip(time) {
                    Some((date, time)) => Ok(Got::Moment(NaiveDateTime::new(date, time))),
                    None => self.wrong(span, key, form, "is no date and time"),
                }
            }
            _ => Err(Refusal::OtherType),
        }
    }

    fn wrong(&mut self, span: &Span, key: &str, form: &Form, what: &str) -> Read {
        let hint = if unit_of(key).is_empty() {
            ""
        } else {
            "the unit stands at the end of the key's name"
        };
        let hint = if what.contains("range") { hint } else { "" };
        self.error(
            span,
            format!(
                "`{key}` is {}, which {what}: expected {}",
                self.excerpt(span),
                expected(key, form)
            ),
            hint,
        );
        Err(Refusal::Told)
    }

    fn pointer(&mut self, key: &str, text: &str, span: &Span) -> Read {
        let mut after_tildes = text.split('~').skip(1);
        let escapes_well = after_tildes.all(|after| after.starts_with(['0', '1']));
        if (text.is_empty() || text.starts_with('/')) && escapes_well {
            return Ok(Got::Text(text.to_owned()));
        }
        let hint = if escapes_well {
            format!("did you mean \"/{}\"?", text.replace('.', "/"))
        } else {
            "write ~0 for ~ and ~1 for /".to_owned()
        };
        let shown = self.excerpt(span);
        self.error(
            span,
            format!("`{key}` is {shown}, which is no JSON Pointer (RFC 6901)"),
            hint,
        );
        Err(Refusal::Told)
    }

    pub(crate) fn word(
        &mut self,
        key: &str,
        words: &'static [(&'static str, &'static str)],
        text: &str,
        span: &Span,
    ) -> Result<&'static str, Refusal> {
        if let Some((word, _)) = words.iter().find(|(word, _)| *word == text) {
            return Ok(word);
        }
        let near = meant(text, words.iter().map(|(word, _)| *word));
        let hint = near.map_or(String::new(), |near| format!("did you mean \"{near}\"?"));
        let shown = self.excerpt(span);
        self.error(
            span,
            format!("`{key}` is {shown}, expected {}", one_of(words)),
            hint,
        );
        Err(Refusal::Told)
    }

    fn bare_pose(&mut self, key: &str, form: &Form, text: &str, span: &Span) -> Read {
        match text {
            "retracted" => Ok(Got::Pose(Pose::RETRACTED)),
            "extended" => Ok(Got::Pose(Pose::EXTENDED)),
            other => {
                let known: &[&str] = match form {
                    Form::Refuge => &["retracted", "extended", "not_harmed"],
                    _ => &["retracted", "extended"],
                };
                let near = meant(other, known.iter().copied());
                let hint = near.map_or(String::new(), |near| format!("did you mean \"{near}\"?"));
                let shown = self.excerpt(span);
                self.error(
                    span,
                    format!("`{key}` is {shown}, expected {}", expected(key, form)),
                    hint,
                );
                Err(Refusal::Told)
            }
        }
    }

    fn pose(&mut self, key: &str, (table, span): (&DeTable<'_>, &Span), label: &str) -> Read {
        let node = self.table(POSE_KEYS, format!("`{key}` of {label}"), span, table);
        let extension_pct = node
            .whole("extension_pct")
            .and_then(|pct| u8::try_from(pct).ok());
        let tilt_deg = node
            .whole("tilt_deg")
            .and_then(|tilt| i16::try_from(tilt).ok());
        match extension_pct.filter(|_| node.sound) {
            Some(extension_pct) => Ok(Got::Pose(Pose {
                extension_pct,
                tilt_deg,
            })),
            None => Err(Refusal::Told),
        }
    }

    /// The number of something by its name, without a complaint.
    pub(crate) fn known(&mut self, kind: Kind, name: &str) -> Option<usize> {
        let number = self.names.find(kind, name);
        match number {
            Some(number) => self.use_of(kind, number),
            None => {
                self.unresolved.insert(kind);
            }
        }
        number
    }

    /// The number of something by its name.
    pub(crate) fn reference(&mut self, kind: Kind, name: &str, span: &Span) -> Option<usize> {
        let number = self.known(kind, name);
        if number.is_none() {
            let hint = self.hint_for(kind, name);
            self.error(span, format!("there is no {} `{name}`", kind.word()), hint);
        }
        number
    }

    /// What a name that does not exist may have been meant to be.
    pub(crate) fn hint_for(&self, kind: Kind, name: &str) -> String {
        if self.is_full() {
            String::new()
        } else if let Some(near) = meant(name, self.names.all(kind)) {
            format!("did you mean `{near}`?")
        } else if let Some(other) = self.names.kind_of(name, kind) {
            format!("`{name}` is {}", other.with_article())
        } else if self.names.all(kind).all(str::is_empty) {
            format!("there is no {} in this file", kind.section())
        } else {
            let known: Vec<_> = self
                .names
                .all(kind)
                .filter(|n| !n.is_empty())
                .take(12)
                .collect();
            format!("known: {}", known.join(", "))
        }
    }
}

pub(crate) fn number_of(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Integer(number) => i32::from_str_radix(number.as_str(), number.radix())
            .ok()
            .map(f64::from),
        DeValue::Float(number) => number.as_str().parse().ok(),
        DeValue::String(_)
        | DeValue::Boolean(_)
        | DeValue::Datetime(_)
        | DeValue::Array(_)
        | DeValue::Table(_) => None,
    }
}

fn naive_date(at: &Datetime) -> Option<NaiveDate> {
    let date = at.date?;
    NaiveDate::from_ymd_opt(date.year.into(), date.month.into(), date.day.into())
}

/// Minutes after midnight of `HH:MM`.
pub(crate) fn parse_clock(text: &str) -> Option<u16> {
    let (hour, minute) = text.split_once(':')?;
    let digits = |part: &str| part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
    if !digits(hour) || !digits(minute) {
        return None;
    }
    let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
    (hour < 24 && minute < 60).then_some(hour * 60 + minute)
}
