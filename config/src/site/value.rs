//! Single values: types, ranges, times, poses, references.

use super::form::{Form, Key, Kind, may, must, unit_of, with_unit};
use super::names::{expand, fault_of_name, meant};
use super::node::{Got, Span, Value};
use super::read::Reader;
use chrono::{NaiveDate, NaiveDateTime, NaiveTime};
use leeside_core::pose::Pose;
use toml::Spanned;
use toml::de::DeValue;
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

const BARE_POSES: &[(&str, &str)] = &[
    ("retracted", "fully retracted"),
    ("extended", "fully extended"),
];

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
        Form::Ref(kind) => format!("the name of a {}", kind.word()),
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
        let span = value.span();
        match (form, value.get_ref()) {
            (Form::Or(a, b), inner) => {
                let form = if matches!(inner, DeValue::String(_)) {
                    a
                } else {
                    b
                };
                self.value(key, form, value, label)
            }
            (Form::Text, DeValue::String(text)) if text.trim().is_empty() => {
                self.wrong(&span, key, form, "is empty")
            }
            (Form::Text, DeValue::String(text)) => Some(Got::Text(text.clone().into_owned())),
            (Form::Pointer, DeValue::String(text)) => self.pointer(key, text, &span),
            (Form::Name, DeValue::String(text)) => match fault_of_name(text) {
                Some(fault) => {
                    self.error(
                        &span,
                        format!("`{key}` is {}: {fault}", self.excerpt(&span)),
                        "choose another name",
                    );
                    None
                }
                None => Some(Got::Text(text.clone().into_owned())),
            },
            (Form::Flag, DeValue::Boolean(flag)) => Some(Got::Flag(*flag)),
            (Form::Number(min, max), DeValue::Integer(_) | DeValue::Float(_)) => {
                self.number(key, form, value, (*min, *max))
            }
            (Form::Whole(min, max), DeValue::Integer(number)) => {
                match i64::from_str_radix(number.as_str(), number.radix())
                    .ok()
                    .filter(|n| (min..=max).contains(&n))
                {
                    Some(number) => Some(Got::Whole(number)),
                    None => self.wrong(&span, key, form, "is out of range"),
                }
            }
            (Form::Whole(..), DeValue::Float(_)) => {
                self.wrong(&span, key, form, "is no whole number")
            }
            (Form::Clock, DeValue::String(text)) => match parse_clock(text) {
                Some(minute) => Some(Got::Clock(minute)),
                None => self.wrong(&span, key, form, "is no time of day"),
            },
            (
                Form::Clock,
                DeValue::Datetime(Datetime {
                    date: None,
                    time: Some(time),
                    offset: None,
                }),
            ) => Some(Got::Clock(
                u16::from(time.hour) * 60 + u16::from(time.minute),
            )),
            (Form::Date, DeValue::Datetime(at)) => self.date(key, form, at, &span),
            (Form::Moment, DeValue::Datetime(at)) => self.moment(key, form, at, &span),
            (Form::Word(words), DeValue::String(text)) => {
                self.word(key, words, text, &span).map(Got::Word)
            }
            (Form::Pose, _) => self.pose(key, form, value, label).map(Got::Pose),
            (Form::Refuge, DeValue::String(text)) if text == "not_harmed" => Some(Got::NotHarmed),
            (Form::Refuge, _) => self.pose(key, form, value, label).map(Got::Pose),
            (Form::Ref(kind), DeValue::String(name)) => {
                self.reference(*kind, name, &span).map(Got::Ref)
            }
            (Form::Table(keys), DeValue::Table(table)) => Some(Got::Table(self.table(
                keys,
                format!("`{key}` of {label}"),
                &span,
                table,
            ))),
            (Form::Map(kind, inner), DeValue::Table(table)) => {
                let mut entries = Vec::new();
                let mut stated: Vec<_> = table.iter().collect();
                stated.sort_by_key(|(name, _)| name.span().start);
                for (name, value) in stated {
                    let number = self.reference(*kind, name.get_ref(), &name.span());
                    let got = self.value(key, inner, value, label);
                    if let (Some(number), Some(got)) = (number, got) {
                        entries.push((number, Value::new(got, name.span(), true)));
                    }
                }
                Some(Got::Map(entries))
            }
            (
                Form::Names
                | Form::Texts
                | Form::Words(_)
                | Form::Refs(_)
                | Form::Pairs(..)
                | Form::Tables(_),
                DeValue::Array(_),
            ) => self.list(key, form, value, label),
            (_, other) => {
                let hint = match (form, other) {
                    (
                        Form::Text | Form::Name | Form::Ref(_) | Form::Word(_),
                        DeValue::Integer(_) | DeValue::Float(_),
                    ) => "put it in quotes",
                    (Form::Number(..) | Form::Whole(..) | Form::Flag, DeValue::String(_)) => {
                        "write it without quotes"
                    }
                    (
                        Form::Refs(_) | Form::Names | Form::Texts | Form::Words(_),
                        DeValue::String(_),
                    ) => "put it in square brackets",
                    _ => "",
                };
                self.error(
                    &span,
                    format!(
                        "`{key}` is {} ({}), expected {}",
                        kind_word(other),
                        self.excerpt(&span),
                        expected(key, form)
                    ),
                    hint,
                );
                None
            }
        }
    }

    fn wrong(&mut self, span: &Span, key: &str, form: &Form, what: &str) -> Option<Got> {
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
        None
    }

    fn number(
        &mut self,
        key: &str,
        form: &Form,
        value: &Spanned<DeValue<'_>>,
        (min, max): (f64, f64),
    ) -> Option<Got> {
        match number_of(value.get_ref()) {
            Some(number) if (min..=max).contains(&number) => Some(Got::Number(number)),
            Some(number) if number.is_finite() => {
                self.wrong(&value.span(), key, form, "is out of range")
            }
            Some(_) | None => self.wrong(&value.span(), key, form, "is no number"),
        }
    }

    fn pointer(&mut self, key: &str, text: &str, span: &Span) -> Option<Got> {
        let escapes_well = text
            .split('~')
            .skip(1)
            .all(|after| after.starts_with(['0', '1']));
        if (text.is_empty() || text.starts_with('/')) && escapes_well {
            return Some(Got::Text(text.to_owned()));
        }
        let hint = if escapes_well {
            format!("did you mean \"/{}\"?", text.replace('.', "/"))
        } else {
            "write ~0 for ~ and ~1 for /".to_owned()
        };
        self.error(
            span,
            format!(
                "`{key}` is {}, which is no JSON Pointer (RFC 6901)",
                self.excerpt(span)
            ),
            hint,
        );
        None
    }

    fn date(&mut self, key: &str, form: &Form, at: &Datetime, span: &Span) -> Option<Got> {
        match (naive_date(at), at.time) {
            (Some(date), None) => Some(Got::Date(date)),
            _ => self.wrong(span, key, form, "is no date"),
        }
    }

    fn moment(&mut self, key: &str, form: &Form, at: &Datetime, span: &Span) -> Option<Got> {
        if at.offset.is_some() {
            return self.wrong(span, key, form, "has an offset though local time is meant");
        }
        let time = at.time.and_then(|t| {
            NaiveTime::from_hms_opt(t.hour.into(), t.minute.into(), t.second.unwrap_or(0).into())
        });
        match (naive_date(at), time) {
            (Some(date), Some(time)) => Some(Got::Moment(NaiveDateTime::new(date, time))),
            _ => self.wrong(span, key, form, "is no date and time"),
        }
    }

    fn word(
        &mut self,
        key: &str,
        words: &'static [(&'static str, &'static str)],
        text: &str,
        span: &Span,
    ) -> Option<&'static str> {
        if let Some((word, _)) = words.iter().find(|(word, _)| *word == text) {
            return Some(word);
        }
        let hint = meant(text, words.iter().map(|(word, _)| *word))
            .map_or(String::new(), |near| format!("did you mean \"{near}\"?"));
        self.error(
            span,
            format!(
                "`{key}` is {}, expected {}",
                self.excerpt(span),
                one_of(words)
            ),
            hint,
        );
        None
    }

    fn pose(
        &mut self,
        key: &'static str,
        form: &Form,
        value: &Spanned<DeValue<'_>>,
        label: &str,
    ) -> Option<Pose> {
        let span = value.span();
        match value.get_ref() {
            DeValue::String(text) => match text.as_ref() {
                "retracted" => Some(Pose::RETRACTED),
                "extended" => Some(Pose::EXTENDED),
                other => {
                    let hint = meant(
                        other,
                        BARE_POSES
                            .iter()
                            .map(|(word, _)| *word)
                            .chain(["not_harmed"]),
                    )
                    .map_or(String::new(), |near| format!("did you mean \"{near}\"?"));
                    self.error(
                        &span,
                        format!(
                            "`{key}` is {}, expected {}",
                            self.excerpt(&span),
                            expected(key, form)
                        ),
                        hint,
                    );
                    None
                }
            },
            DeValue::Table(table) => {
                let node = self.table(POSE_KEYS, format!("`{key}` of {label}"), &span, table);
                let extension_pct = u8::try_from(node.whole("extension_pct")?).ok()?;
                let tilt_deg = node
                    .whole("tilt_deg")
                    .and_then(|tilt| i16::try_from(tilt).ok());
                (node.sound).then_some(Pose {
                    extension_pct,
                    tilt_deg,
                })
            }
            other => {
                self.error(
                    &span,
                    format!(
                        "`{key}` is {} ({}), expected {}",
                        kind_word(other),
                        self.excerpt(&span),
                        expected(key, form)
                    ),
                    "",
                );
                None
            }
        }
    }

    /// The number of something by its name.
    pub(crate) fn reference(&mut self, kind: Kind, name: &str, span: &Span) -> Option<usize> {
        if let Some(number) = self.names.find(kind, name) {
            self.use_of(kind, number);
            return Some(number);
        }
        let hint = if let Some(near) = meant(name, self.names.all(kind)) {
            format!("did you mean `{near}`?")
        } else if let Some(other) = self.names.kind_of(name, kind) {
            format!("`{name}` is a {}", other.word())
        } else if self.names.count(kind) == 0 {
            format!("there is no {} in this file", kind.section())
        } else {
            let known: Vec<_> = self
                .names
                .all(kind)
                .filter(|n| !n.is_empty())
                .take(12)
                .collect();
            format!("known: {}", known.join(", "))
        };
        self.error(span, format!("there is no {} `{name}`", kind.word()), hint);
        None
    }

    fn list(
        &mut self,
        key: &'static str,
        form: &Form,
        value: &Spanned<DeValue<'_>>,
        label: &str,
    ) -> Option<Got> {
        let array = value.get_ref().as_array()?;
        let before = self.problems();
        if array.is_empty() {
            self.error(
                &value.span(),
                format!("`{key}` is an empty list"),
                format!(
                    "expected {}; leave the key out where there is none",
                    expected(key, form)
                ),
            );
        }
        let mut texts = Vec::new();
        let mut words = Vec::new();
        let mut refs: Vec<(usize, Span)> = Vec::new();
        let mut pairs = Vec::new();
        let mut nodes = Vec::new();
        for element in array.iter() {
            let span = element.span();
            match (form, element.get_ref()) {
                (Form::Texts, DeValue::String(text)) => {
                    texts.push((text.clone().into_owned(), span))
                }
                (Form::Names, DeValue::String(text)) => match expand(text) {
                    Ok(names) => texts.extend(names.into_iter().map(|name| (name, span.clone()))),
                    Err(fault) => self.error(
                        &span,
                        format!("`{key}` holds {}: {fault}", self.excerpt(&span)),
                        "write \"S-101..108\" for S-101 to S-108",
                    ),
                },
                (Form::Words(known), DeValue::String(text)) => {
                    words.extend(self.word(key, known, text, &span))
                }
                (Form::Refs(kind), DeValue::String(text)) => {
                    for number in self.references(*kind, text, &span) {
                        if refs.iter().any(|(known, _)| *known == number) {
                            let name = self.names.name(*kind, number).to_owned();
                            self.error(
                                &span,
                                format!("`{key}` names `{name}` twice"),
                                "once is enough",
                            );
                        } else {
                            refs.push((number, span.clone()));
                        }
                    }
                }
                (Form::Pairs(a, b), DeValue::Array(pair)) => {
                    let numbers: Vec<_> = pair.iter().map(|n| number_of(n.get_ref())).collect();
                    match numbers[..] {
                        [Some(x), Some(y)] if (a.0..=a.1).contains(&x) && (b.0..=b.1).contains(&y) => pairs.push((x, y)),
                        _ => self.error(&span, format!("`{key}` holds {}, expected a pair of numbers from {} to {} and from {} to {}", self.excerpt(&span), a.0, a.1, b.0, b.1), ""),
                    }
                }
                (Form::Tables(keys), DeValue::Table(table)) => {
                    let number = nodes.len() + 1;
                    nodes.push(self.table(
                        keys,
                        format!("`{key}` {number} of {label}"),
                        &span,
                        table,
                    ));
                }
                (_, other) => self.error(
                    &span,
                    format!(
                        "`{key}` holds {} ({}), expected {}",
                        kind_word(other),
                        self.excerpt(&span),
                        expected(key, form)
                    ),
                    "",
                ),
            }
        }
        if !matches!(form, Form::Tables(_)) && self.problems() > before {
            return None;
        }
        Some(match form {
            Form::Words(_) => Got::Words(words),
            Form::Refs(_) => Got::Refs(refs),
            Form::Pairs(..) => Got::Pairs(pairs),
            Form::Tables(_) => Got::Tables(nodes),
            _ => Got::Texts(texts),
        })
    }

    fn references(&mut self, kind: Kind, text: &str, span: &Span) -> Vec<usize> {
        if self.names.find(kind, text).is_none() && text.contains("..") {
            return match expand(text) {
                Ok(names) => names
                    .iter()
                    .filter_map(|name| self.reference(kind, name, span))
                    .collect(),
                Err(fault) => {
                    self.error(
                        span,
                        format!("{} is no range of names: {fault}", self.excerpt(span)),
                        "write \"S-101..108\" for S-101 to S-108",
                    );
                    Vec::new()
                }
            };
        }
        self.reference(kind, text, span).into_iter().collect()
    }
}

fn number_of(value: &DeValue<'_>) -> Option<f64> {
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
