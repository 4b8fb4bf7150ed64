//! From TOML to typed tables: unknown and missing keys, types, ranges, names.
//!
//! Reading goes over the file twice: once to learn every name, once to check
//! every key, so that a name may be used above the place that defines it. All
//! problems are collected; none ends the reading.

use super::collect::in_order;
use super::form::{Form, Key, Kind, Need, Often, Section, unit_of};
use super::keys::{SECTIONS, section};
use super::names::{Names, meant};
use super::node::{DefaultInForce, Got, Node, Span, Value};
pub(crate) use super::tree::Tree;
use super::value::{expected, kind_word};
use crate::diagnostic::{Diagnostic, Lines, Severity};
use std::borrow::Cow;
use std::collections::BTreeSet;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Most problems that are listed: a hostile file must not fill the memory with
/// complaints about itself.
const LIMIT: usize = 500;

/// Day classes that every site has, weakest first.
pub(crate) const DAY_CLASSES: [&str; 4] = ["workday", "weekend", "holiday", "closed"];

/// The section of that name, or the one that a misspelt name seems to mean.
pub(crate) fn meant_section(word: &str) -> Option<&'static Section> {
    section(word).or_else(|| meant(word, SECTIONS.iter().map(|s| s.name)).and_then(section))
}

/// One site file being read.
pub(crate) struct Reader<'t> {
    file: &'t str,
    pub(crate) text: &'t str,
    lines: Lines<'t>,
    pub(crate) names: Names,
    /// For each `[[device]]`, how many devices it stands for.
    pub(crate) device_counts: Vec<usize>,
    diagnostics: Vec<Diagnostic>,
    /// Kinds of which a name was used that does not exist.
    pub(crate) unresolved: BTreeSet<Kind>,
    /// What some name in the file refers to.
    used: BTreeSet<(Kind, usize)>,
    /// What the builders assumed because the file leaves it out.
    pub(crate) assumed: Vec<DefaultInForce>,
    /// The file has syntax errors: what is missing may only be lost.
    broken_syntax: bool,
}

impl<'t> Reader<'t> {
    pub(crate) fn new(file: &'t str, text: &'t str) -> Self {
        Self {
            file,
            text,
            lines: Lines::of(text),
            names: Names::default(),
            device_counts: Vec::new(),
            diagnostics: Vec::new(),
            unresolved: BTreeSet::new(),
            used: BTreeSet::new(),
            assumed: Vec::new(),
            broken_syntax: false,
        }
    }

    pub(crate) fn error(
        &mut self,
        span: &Span,
        message: impl Into<String>,
        hint: impl Into<String>,
    ) {
        self.push(Severity::Error, span, message.into(), hint.into());
    }

    pub(crate) fn warn(
        &mut self,
        span: &Span,
        message: impl Into<String>,
        hint: impl Into<String>,
    ) {
        self.push(Severity::Warning, span, message.into(), hint.into());
    }

    fn push(&mut self, severity: Severity, span: &Span, message: String, hint: String) {
        if self.diagnostics.len() >= LIMIT {
            return;
        }
        let (line, column) = self.lines.place(span.start);
        self.diagnostics.push(Diagnostic {
            file: self.file.to_owned(),
            line,
            column,
            span: span.clone(),
            severity,
            message,
            hint,
        });
    }

    /// Takes over what was found in another file.
    pub(crate) fn take(&mut self, diagnostic: Diagnostic) {
        if self.diagnostics.len() < LIMIT {
            self.diagnostics.push(diagnostic);
        }
    }

    pub(crate) fn use_of(&mut self, kind: Kind, number: usize) {
        self.used.insert((kind, number));
    }

    pub(crate) fn is_used(&self, kind: Kind, number: usize) -> bool {
        self.used.contains(&(kind, number))
    }

    /// Notes what holds because the file leaves it out, where no table of keys can
    /// say it. `of` is the section it belongs to.
    pub(crate) fn assume(&mut self, of: &str, key: &str, value: impl Into<String>, meaning: &str) {
        self.assumed.push(DefaultInForce {
            of: of.to_owned(),
            key: key.to_owned(),
            value: value.into(),
            meaning: meaning.to_owned(),
        });
    }

    pub(crate) fn line_of(&self, span: &Span) -> usize {
        self.lines.place(span.start).0
    }

    pub(crate) fn failed(&self) -> bool {
        self.diagnostics
            .iter()
            .any(|d| d.severity == Severity::Error)
    }

    /// The problems by place, this file's before those of others.
    pub(crate) fn finish(mut self) -> Vec<Diagnostic> {
        let file = self.file;
        self.diagnostics.sort_by(|a, b| {
            let place = |d: &Diagnostic| (d.file != file, d.file.clone(), d.line, d.column);
            place(a).cmp(&place(b))
        });
        let mut told = BTreeSet::new();
        self.diagnostics
            .retain(|d| told.insert((d.file.clone(), d.span.start, d.line, d.message.clone())));
        self.diagnostics
    }

    /// Reads the whole file.
    pub(crate) fn tree(&mut self) -> Tree {
        let (root, errors) = DeTable::parse_recoverable(self.text);
        for error in &errors {
            self.broken_syntax = true;
            let span = error.span().unwrap_or(0..0);
            self.error(
                &span,
                format!("this is not TOML: {}", error.message().replace('\n', ", ")),
                syntax_hint(error.message()),
            );
        }
        let root = root.into_inner();
        self.collect_names(&root);
        let mut tree = Tree::default();
        for (key, value) in in_order(&root) {
            if section(key.get_ref()).is_none() {
                self.unknown_section(key);
            }
            // A misspelt section is read as what it seems to mean, so that what
            // is in it is not missed elsewhere.
            if let Some(section) = meant_section(key.get_ref()) {
                let nodes = self.section(section, key, value);
                tree.sections.entry(section.name).or_default().extend(nodes);
            }
        }
        for section in &SECTIONS {
            let needed = matches!(section.often, Often::Once | Often::Some);
            if needed && !tree.sections.contains_key(section.name) && !self.broken_syntax {
                self.error(
                    &(0..0),
                    format!("there is no {} in this file", section.header()),
                    section.doc,
                );
            }
        }
        tree
    }

    fn unknown_section(&mut self, key: &Spanned<Cow<'_, str>>) {
        let word = key.get_ref().as_ref();
        let hint = match meant_section(word) {
            Some(section) => format!("did you mean {}?", section.header()),
            None => {
                let all: Vec<_> = SECTIONS.iter().map(|s| s.name).collect();
                format!("a site file has {}", all.join(", "))
            }
        };
        self.error(&key.span(), format!("unknown section `{word}`"), hint);
    }

    fn section(
        &mut self,
        section: &'static Section,
        key: &Spanned<Cow<'_, str>>,
        value: &Spanned<DeValue<'_>>,
    ) -> Vec<Node> {
        match value.get_ref() {
            DeValue::Table(table) if !section.many() => {
                vec![self.table(section.keys, section.header(), &key.span(), table)]
            }
            DeValue::Array(array) if section.many() => {
                let mut nodes = Vec::new();
                for element in array.iter() {
                    if let DeValue::Table(table) = element.get_ref() {
                        let name = table
                            .get("name")
                            .or_else(|| table.get("names"))
                            .map(|v| self.excerpt(&v.span()));
                        let label = name.map_or_else(
                            || section.header(),
                            |name| format!("{} {name}", section.header()),
                        );
                        nodes.push(self.table(
                            section.keys,
                            label,
                            &header_span(self.text, &element.span()),
                            table,
                        ));
                    } else {
                        self.error(
                            &element.span(),
                            format!(
                                "`{}` is {}, expected a table",
                                section.name,
                                kind_word(element.get_ref())
                            ),
                            format!("write {}", section.header()),
                        );
                    }
                }
                nodes
            }
            DeValue::Table(table) => {
                self.error(
                    &key.span(),
                    format!(
                        "there may be several of `{0}`, so each needs two brackets",
                        section.name
                    ),
                    format!("write {}", section.header()),
                );
                vec![self.table(section.keys, section.header(), &key.span(), table)]
            }
            other @ (DeValue::String(_)
            | DeValue::Integer(_)
            | DeValue::Float(_)
            | DeValue::Boolean(_)
            | DeValue::Datetime(_)
            | DeValue::Array(_)) => {
                self.error(
                    &key.span(),
                    format!(
                        "`{}` is {}, expected {}",
                        section.name,
                        kind_word(other),
                        section.header()
                    ),
                    if section.many() {
                        ""
                    } else {
                        "there is only one of it: write one pair of brackets"
                    },
                );
                Vec::new()
            }
        }
    }

    /// Reads one table by its keys.
    pub(crate) fn table(
        &mut self,
        keys: &'static [Key],
        label: String,
        span: &Span,
        table: &DeTable<'_>,
    ) -> Node {
        let mut node = Node::new(keys, label, span.clone());
        let before = self.diagnostics.len();
        let mut misspelt = Vec::new();
        for (name, value) in in_order(table) {
            if let Some(key) = keys.iter().find(|k| k.name == name.get_ref().as_ref()) {
                if let Some(got) = self.value(key.name, &key.form, value, &node.label) {
                    node.put(key.name, Value::new(got, value.span(), true));
                }
            } else if let Some(key) = self.unknown_key(keys, &node.label, name) {
                misspelt.push(key);
            }
        }
        for key in keys {
            if table.contains_key(key.name) || misspelt.contains(&key.name) {
                continue;
            }
            match key.need {
                Need::Must if !self.broken_syntax => {
                    let hint = format!(
                        "add `{} = ...`: {}",
                        key.name,
                        expected(key.name, &key.form)
                    );
                    self.error(
                        span,
                        format!("{} lacks `{}`. {}", node.label, key.name, key.doc),
                        hint,
                    );
                }
                Need::Must | Need::May => {}
                Need::Else(_) | Need::Said(_) => {
                    if let Some(got) = self.fallback(key) {
                        node.put(key.name, Value::new(got, span.clone(), false));
                    }
                }
            }
        }
        node.sound = self.diagnostics.len() == before;
        node
    }

    fn fallback(&self, key: &Key) -> Option<Got> {
        match (key.need, key.form) {
            (Need::Else(number), Form::Whole(..)) => Some(Got::Whole(super::node::millis(number))),
            (Need::Else(number), _) => Some(Got::Number(number)),
            (Need::Said(said), Form::Flag) => Some(Got::Flag(said == "true")),
            (Need::Said(said), Form::Ref(kind)) => self.names.find(kind, said).map(Got::Ref),
            (Need::Said(said), Form::Word(_)) => Some(Got::Word(said)),
            (Need::Said(said), _) => Some(Got::Text(said.to_owned())),
            (Need::Must | Need::May, _) => None,
        }
    }

    /// Complains about a key that is none; gives the one that it seems to mean.
    fn unknown_key(
        &mut self,
        keys: &'static [Key],
        label: &str,
        name: &Spanned<Cow<'_, str>>,
    ) -> Option<&'static str> {
        let word = name.get_ref().as_ref();
        let theirs = word.rsplit_once('_').map_or(word, |(stem, _)| stem);
        let same_stem = keys.iter().find(|key| {
            let stem = key.name.rsplit_once('_').map(|(stem, _)| stem);
            !unit_of(key.name).is_empty() && stem.is_some_and(|s| s == word || s == theirs)
        });
        let near = same_stem
            .map(|key| key.name)
            .or_else(|| meant(word, keys.iter().map(|k| k.name)));
        let hint = match (near, section(word)) {
            (Some(near), _) if same_stem.is_some() => format!(
                "did you mean `{near}`? The unit belongs to the name: give the value in {}",
                unit_of(near)
            ),
            (Some(near), _) => format!("did you mean `{near}`?"),
            (None, Some(section)) => {
                format!("{} stands by itself, not within {label}", section.header())
            }
            (None, None) => {
                let all: Vec<_> = keys.iter().map(|k| k.name).collect();
                format!("known here: {}", all.join(", "))
            }
        };
        self.error(
            &name.span(),
            format!("unknown key `{word}` in {label}"),
            hint,
        );
        near
    }

    /// A short piece of the text as it stands in the file.
    pub(crate) fn excerpt(&self, span: &Span) -> String {
        let piece = self
            .text
            .get(span.clone())
            .unwrap_or("")
            .lines()
            .next()
            .unwrap_or("");
        if piece.chars().count() > 48 {
            format!("{}…", piece.chars().take(47).collect::<String>())
        } else {
            piece.to_owned()
        }
    }
}

/// The header of a `[[section]]`: toml gives its span, or that of an inline table.
fn header_span(text: &str, span: &Span) -> Span {
    let first_line = text.get(span.clone()).and_then(|piece| piece.find('\n'));
    first_line.map_or_else(|| span.clone(), |end| span.start..span.start + end)
}

fn syntax_hint(message: &str) -> &'static str {
    if message.contains("duplicate") {
        "each key may stand once in a table"
    } else if message.contains("string") || message.contains("quot") {
        "text stands in double quotes"
    } else {
        ""
    }
}

impl Reader<'_> {
    /// Whether no further problem will be listed.
    pub(crate) const fn is_full(&self) -> bool {
        self.diagnostics.len() >= LIMIT
    }

    /// How many problems there are so far.
    pub(crate) const fn problems(&self) -> usize {
        self.diagnostics.len()
    }
}
