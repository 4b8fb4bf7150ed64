//! An entry of the house calendar, as the tests add one.

use leeside_config::closed_days::{NewEntry, Recurrence};

/// Whole days, once, with the stamp of a known moment.
pub(crate) fn entry(first: &str, last: &str, name: &str) -> NewEntry {
    NewEntry {
        first: first.parse().unwrap(),
        last: last.parse().unwrap(),
        name: name.into(),
        times: None,
        recurrence: Recurrence::Once,
        category: None,
        uid: "new@house".into(),
        stamp: "2027-01-02T03:04:05Z".parse().unwrap(),
    }
}
