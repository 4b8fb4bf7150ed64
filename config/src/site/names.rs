//! Names of things: ranges of names, who has which name, and what a misspelt one may mean.

use super::form::Kind;
use std::collections::BTreeMap;
use std::ops::Range;

/// Most names that one range may stand for.
const LONGEST_RANGE: usize = 2000;

/// Characters that a name must not hold: it becomes part of topics and messages.
const BARRED: [char; 7] = ['/', '+', '#', '{', '}', '$', '"'];

/// What is wrong with a name, in words; nothing if it may be one.
pub(crate) fn fault_of_name(name: &str) -> Option<String> {
    if name.trim().is_empty() {
        return Some("a name must not be empty".to_owned());
    }
    if name.trim() != name {
        return Some("a name must not begin or end with a space".to_owned());
    }
    if name.chars().count() > 64 {
        return Some("a name must not be longer than 64 characters".to_owned());
    }
    if name.contains("..") {
        return Some("a single name must not hold `..`".to_owned());
    }
    name.chars()
        .find(|c| c.is_control() || BARRED.contains(c))
        .map(|c| format!("a name must not hold {c:?}: it becomes part of topics"))
}

/// The names that one text stands for: itself, or a range `S-101..108`.
pub(crate) fn expand(text: &str) -> Result<Vec<String>, String> {
    let Some((first, last)) = text.split_once("..") else {
        return match fault_of_name(text) {
            Some(fault) => Err(fault),
            None => Ok(vec![text.to_owned()]),
        };
    };
    let stem = first.trim_end_matches(|c: char| c.is_ascii_digit());
    let digits = &first[stem.len()..];
    let numbers = (digits.parse::<usize>(), last.parse::<usize>());
    let (Ok(from), Ok(to)) = numbers else {
        return Err("a range of names ends in digits on both sides of `..`".to_owned());
    };
    if to <= from {
        return Err(format!(
            "the range of names runs backwards, from {from} to {to}"
        ));
    }
    if to - from >= LONGEST_RANGE {
        return Err(format!(
            "a range of names stands for at most {LONGEST_RANGE}"
        ));
    }
    let width = digits.len();
    let names: Vec<String> = (from..=to).map(|n| format!("{stem}{n:0width$}")).collect();
    match names.iter().find_map(|name| fault_of_name(name)) {
        Some(fault) => Err(fault),
        None => Ok(names),
    }
}

/// The one of `known` that a misspelt word most likely means.
pub(crate) fn meant<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    let low = word.to_lowercase();
    let allowed = (low.chars().count() / 3).max(1);
    let length = low.chars().count();
    known
        .into_iter()
        .filter(|candidate| candidate.chars().count().abs_diff(length) <= allowed)
        .map(|candidate| {
            (
                strsim::osa_distance(&low, &candidate.to_lowercase()),
                candidate,
            )
        })
        .filter(|&(distance, _)| distance <= allowed)
        .min_by_key(|&(distance, _)| distance)
        .map(|(_, candidate)| candidate)
}

/// The names of one kind: by number as the model counts them, and by name.
#[derive(Debug, Default)]
struct OfKind {
    places: Vec<(String, Range<usize>)>,
    index: BTreeMap<String, usize>,
}

/// All names that the file defines.
#[derive(Debug, Default)]
pub(crate) struct Names {
    kinds: BTreeMap<Kind, OfKind>,
}

impl Names {
    /// Adds a name; gives the place where it was taken before, if it was. A name
    /// that is taken still gets a number, so that the numbers stay those of the file.
    pub(crate) fn add(
        &mut self,
        kind: Kind,
        name: String,
        span: Range<usize>,
    ) -> Option<Range<usize>> {
        let of_kind = self.kinds.entry(kind).or_default();
        let taken = of_kind
            .index
            .get(&name)
            .and_then(|&i| of_kind.places.get(i))
            .map(|(_, at)| at.clone());
        let number = of_kind.places.len();
        of_kind.index.entry(name.clone()).or_insert(number);
        of_kind.places.push((name, span));
        taken
    }

    /// Keeps a number for something whose name cannot be used.
    pub(crate) fn add_nameless(&mut self, kind: Kind, span: Range<usize>) {
        self.kinds
            .entry(kind)
            .or_default()
            .places
            .push((String::new(), span));
    }

    pub(crate) fn find(&self, kind: Kind, name: &str) -> Option<usize> {
        self.kinds.get(&kind)?.index.get(name).copied()
    }

    pub(crate) fn all(&self, kind: Kind) -> impl Iterator<Item = &str> {
        self.kinds
            .get(&kind)
            .into_iter()
            .flat_map(|of| of.places.iter().map(|(name, _)| name.as_str()))
    }

    pub(crate) fn name(&self, kind: Kind, number: usize) -> &str {
        self.kinds
            .get(&kind)
            .and_then(|of| of.places.get(number))
            .map_or("", |(name, _)| name)
    }

    pub(crate) fn count(&self, kind: Kind) -> usize {
        self.kinds.get(&kind).map_or(0, |of| of.places.len())
    }

    /// The kind, other than `not`, that something of this name is of.
    pub(crate) fn kind_of(&self, name: &str, not: Kind) -> Option<Kind> {
        self.kinds
            .iter()
            .find(|(kind, of)| **kind != not && of.index.contains_key(name))
            .map(|(kind, _)| *kind)
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    #[test]
    fn ranges_keep_their_zeros() {
        assert_eq!(
            expand("S-08..11").unwrap(),
            ["S-08", "S-09", "S-10", "S-11"]
        );
        assert_eq!(expand("lone").unwrap(), ["lone"]);
    }

    #[test]
    fn ranges_that_are_none() {
        for bad in [
            "S-9..8",
            "S..8",
            "S-1..x",
            "a/b",
            "",
            "S-1..99999999",
            " x",
            "a#1..2",
        ] {
            assert!(expand(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn meant_is_near_or_nothing() {
        let known = ["south", "north", "roof west"];
        assert_eq!(meant("sotuh", known), Some("south"));
        assert_eq!(meant("South", known), Some("south"));
        assert_eq!(meant("cellar", known), None);
    }
}
