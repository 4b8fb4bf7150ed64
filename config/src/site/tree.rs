//! The sections of a file, as read.

use super::keys::SECTIONS;
use super::node::Node;
use std::collections::BTreeMap;

/// The sections of a file, as read.
#[derive(Debug, Default)]
pub(crate) struct Tree {
    pub(crate) sections: BTreeMap<&'static str, Vec<Node>>,
}

impl Tree {
    pub(crate) fn all(&self, section: &str) -> &[Node] {
        self.sections.get(section).map_or(&[], Vec::as_slice)
    }

    pub(crate) fn one(&self, section: &str) -> Option<&Node> {
        self.all(section).first()
    }

    /// The phases of all timetables.
    pub(crate) fn phases(&self) -> impl Iterator<Item = &Node> {
        let days = self
            .all("timetable")
            .iter()
            .filter_map(|node| node.map("days"))
            .flatten();
        days.filter_map(|(_, value)| value.got.tables()).flatten()
    }

    pub(crate) fn nodes(&self) -> impl Iterator<Item = &Node> {
        SECTIONS.iter().flat_map(|section| self.all(section.name))
    }
}
