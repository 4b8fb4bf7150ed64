//! Lists of values: texts, names, references, pairs, tables.
#![expect(
    clippy::wildcard_enum_match_arm,
    reason = "a form takes few types of value and refuses all others alike"
)]

use super::form::{Form, Key, Kind};
use super::names::expand;
use super::node::{Got, Node, Span};
use super::read::Reader;
use super::value::{Read, Refusal, expected, kind_word, number_of};
use toml::Spanned;
use toml::de::{DeArray, DeValue};

/// How names are given as a range.
const RANGE_HINT: &str = "write \"S-101..108\" for S-101 to S-108";

/// One element of a list.
type Element<'e> = Spanned<DeValue<'e>>;

impl Reader<'_> {
    pub(crate) fn list(
        &mut self,
        key: &'static str,
        form: &Form,
        (array, span): (&DeArray<'_>, &Span),
        label: &str,
    ) -> Read {
        let before = self.problems();
        let got = match form {
            Form::Texts | Form::Names => Got::Texts(self.texts(key, form, array)),
            Form::Words(known) => {
                let each = |reader: &mut Self, text: &str, span: &Span| {
                    reader.word(key, known, text, span).ok()
                };
                Got::Words(self.each_text(key, form, array, each))
            }
            Form::Refs(kind) => Got::Refs(self.refs(key, form, *kind, array)),
            Form::Pairs(a, b) => Got::Pairs(self.pairs(key, (*a, *b), array)),
            Form::Tables(keys) => Got::Tables(self.tables(key, form, keys, array, label)),
            _ => return Err(Refusal::OtherType),
        };
        if array.is_empty() {
            self.error(
                span,
                format!("`{key}` is an empty list"),
                format!(
                    "expected {}; leave the key out where there is none",
                    expected(key, form)
                ),
            );
        }
        // Of tables and references the right ones are kept: the rest is still checked.
        let kept = matches!(form, Form::Tables(_) | Form::Refs(_)) && !array.is_empty();
        let told = self.problems() > before && !kept;
        if told { Err(Refusal::Told) } else { Ok(got) }
    }

    fn wrong_element(&mut self, key: &str, form: &Form, element: &Element<'_>) {
        let span = element.span();
        let (what, shown) = (kind_word(element.get_ref()), self.excerpt(&span));
        self.error(
            &span,
            format!(
                "`{key}` holds {what} ({shown}), expected {}",
                expected(key, form)
            ),
            "",
        );
    }

    /// What `each` makes of every text of a list.
    fn each_text<T>(
        &mut self,
        key: &str,
        form: &Form,
        array: &DeArray<'_>,
        each: impl Fn(&mut Self, &str, &Span) -> Option<T>,
    ) -> Vec<T> {
        let mut all = Vec::new();
        for element in array.iter() {
            match element.get_ref().as_str() {
                Some(text) => all.extend(each(self, text, &element.span())),
                None => self.wrong_element(key, form, element),
            }
        }
        all
    }

    fn texts(&mut self, key: &str, form: &Form, array: &DeArray<'_>) -> Vec<(String, Span)> {
        let each = |reader: &mut Self, text: &str, span: &Span| {
            if matches!(form, Form::Texts) {
                return Some((vec![text.to_owned()], span.clone()));
            }
            match expand(text) {
                Ok(names) => Some((names, span.clone())),
                Err(fault) => {
                    let shown = reader.excerpt(span);
                    reader.error(span, format!("`{key}` holds {shown}: {fault}"), RANGE_HINT);
                    None
                }
            }
        };
        let mut all = Vec::new();
        for (names, span) in self.each_text(key, form, array, each) {
            all.extend(names.into_iter().map(|name| (name, span.clone())));
        }
        all
    }

    fn refs(
        &mut self,
        key: &str,
        form: &Form,
        kind: Kind,
        array: &DeArray<'_>,
    ) -> Vec<(usize, Span)> {
        let mut refs: Vec<(usize, Span)> = Vec::new();
        let each = |reader: &mut Self, text: &str, span: &Span| {
            Some((reader.references(kind, text, span), span.clone()))
        };
        for (numbers, span) in self.each_text(key, form, array, each) {
            for number in numbers {
                if refs.iter().any(|(known, _)| *known == number) {
                    let name = self.names.name(kind, number).to_owned();
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
        refs
    }

    fn references(&mut self, kind: Kind, text: &str, span: &Span) -> Vec<usize> {
        if self.names.find(kind, text).is_some() || !text.contains("..") {
            return self.reference(kind, text, span).into_iter().collect();
        }
        match expand(text) {
            Ok(names) => self.range_of(kind, &names, span),
            Err(fault) => {
                let shown = self.excerpt(span);
                self.error(
                    span,
                    format!("{shown} is no range of names: {fault}"),
                    RANGE_HINT,
                );
                Vec::new()
            }
        }
    }

    /// The numbers of a range of names; one complaint for all that are missing.
    fn range_of(&mut self, kind: Kind, names: &[String], span: &Span) -> Vec<usize> {
        let mut found = Vec::new();
        let mut missing: Vec<&String> = Vec::new();
        for name in names {
            match self.known(kind, name) {
                Some(number) => found.push(number),
                None => missing.push(name),
            }
        }
        if let Some((first, more)) = missing.split_first() {
            let more = match more.last() {
                Some(last) => format!(", nor {} more up to `{last}`", more.len()),
                None => String::new(),
            };
            let hint = self.hint_for(kind, first);
            self.error(
                span,
                format!("there is no {} `{first}`{more}", kind.word()),
                hint,
            );
        }
        found
    }

    fn pairs(
        &mut self,
        key: &str,
        (a, b): ((f64, f64), (f64, f64)),
        array: &DeArray<'_>,
    ) -> Vec<(f64, f64)> {
        let mut pairs = Vec::new();
        for element in array.iter() {
            let numbers: Vec<_> = element
                .get_ref()
                .as_array()
                .map(|pair| pair.iter().map(|n| number_of(n.get_ref())).collect())
                .unwrap_or_default();
            match numbers[..] {
                [Some(x), Some(y)] if (a.0..=a.1).contains(&x) && (b.0..=b.1).contains(&y) => {
                    pairs.push((x, y));
                }
                _ => {
                    let span = element.span();
                    let shown = self.excerpt(&span);
                    self.error(
                        &span,
                        format!(
                            "`{key}` holds {shown}, expected a pair of numbers from {} to {} and from {} to {}",
                            a.0, a.1, b.0, b.1
                        ),
                        "",
                    );
                }
            }
        }
        pairs
    }

    fn tables(
        &mut self,
        key: &str,
        form: &Form,
        keys: &'static [Key],
        array: &DeArray<'_>,
        label: &str,
    ) -> Vec<Node> {
        let mut nodes = Vec::new();
        for (number, element) in (1..).zip(array.iter()) {
            match element.get_ref().as_table() {
                Some(table) => {
                    let label = match table.get("phase") {
                        Some(name) => format!("phase {} of {label}", self.excerpt(&name.span())),
                        None => format!("`{key}` {number} of {label}"),
                    };
                    nodes.push(self.table(keys, label, &element.span(), table));
                }
                None => self.wrong_element(key, form, element),
            }
        }
        nodes
    }
}
