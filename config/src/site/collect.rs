//! The first walk over a file: every name it defines, before any is used.

use super::form::Kind;
use super::names::expand;
use super::node::Span;
use super::read::{DAY_CLASSES, Reader, meant_section};
use std::borrow::Cow;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// The keys of a table in the order of the file.
pub(crate) fn in_order<'t, 'i>(
    table: &'t DeTable<'i>,
) -> Vec<(&'t Spanned<Cow<'i, str>>, &'t Spanned<DeValue<'i>>)> {
    let mut keys: Vec<_> = table.iter().collect();
    keys.sort_by_key(|(key, _)| key.span().start);
    keys
}

/// The tables of a section, whether it was written with one bracket or two.
fn tables_of<'t, 'i>(value: &'t Spanned<DeValue<'i>>) -> Vec<(&'t DeTable<'i>, Span)> {
    match value.get_ref() {
        DeValue::Table(table) => vec![(table, value.span())],
        DeValue::Array(array) => array
            .iter()
            .filter_map(|t| Some((t.get_ref().as_table()?, t.span())))
            .collect(),
        DeValue::String(_)
        | DeValue::Integer(_)
        | DeValue::Float(_)
        | DeValue::Boolean(_)
        | DeValue::Datetime(_) => Vec::new(),
    }
}

impl Reader<'_> {
    pub(crate) fn collect_names(&mut self, root: &DeTable<'_>) {
        for class in DAY_CLASSES {
            self.names.add(Kind::DayClass, class.to_owned(), 0..0);
        }
        let days = root.get("days").map(Spanned::get_ref);
        if let Some(own) = days.and_then(|days| days.get("own_classes")) {
            self.names_in(Kind::DayClass, own);
        }
        for (key, value) in in_order(root) {
            let Some(kind) = meant_section(key.get_ref()).and_then(|section| section.defines)
            else {
                continue;
            };
            for (table, span) in tables_of(value) {
                let several = table.get("names").filter(|_| kind == Kind::Device);
                let count = match (table.get("name"), several) {
                    // One table, one number, whatever stands there: a list of names, or
                    // of none, would move the numbers of all that follow.
                    (Some(name), _) => {
                        match name.get_ref().as_str() {
                            Some(text) => self.add_name(kind, text, name.span()),
                            None => self.names.add_nameless(kind, name.span()),
                        }
                        1
                    }
                    (None, Some(names)) => self.names_in(kind, names),
                    (None, None) => {
                        self.names.add_nameless(kind, span);
                        1
                    }
                };
                if kind == Kind::Device {
                    self.device_counts.push(count);
                }
            }
        }
    }

    /// Learns the names that a value holds; says how many, wrong ones included.
    fn names_in(&mut self, kind: Kind, value: &Spanned<DeValue<'_>>) -> usize {
        let mut count = 0;
        let texts: Vec<&Spanned<DeValue<'_>>> = match value.get_ref().as_array() {
            Some(list) => list.iter().collect(),
            None => vec![value],
        };
        for text in texts {
            let single = value.get_ref().is_str();
            let names = match text.get_ref().as_str() {
                Some(name) if single => vec![name.to_owned()],
                Some(name) => expand(name).unwrap_or_default(),
                None => Vec::new(),
            };
            count += names.len().max(1);
            if names.is_empty() {
                self.names.add_nameless(kind, text.span());
            }
            for name in names {
                self.add_name(kind, &name, text.span());
            }
        }
        count
    }

    fn add_name(&mut self, kind: Kind, name: &str, span: Span) {
        let Some(taken) = self.names.add(kind, name.to_owned(), span.clone()) else {
            return;
        };
        let kind = kind.word();
        if taken.is_empty() {
            self.error(
                &span,
                format!("the {kind} `{name}` is always there"),
                "leave it out here",
            );
        } else {
            let line = self.line_of(&taken);
            self.error(
                &span,
                format!("the {kind} `{name}` is there already, in line {line}"),
                "give each its own name",
            );
        }
    }
}
