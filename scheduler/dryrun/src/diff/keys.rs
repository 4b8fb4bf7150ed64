//! The changed keys of two site files.

use std::collections::BTreeSet;
use toml::{Table, Value};

/// A key that was changed, added or removed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct KeyChange {
    /// Where: `group["slip terrace"].wind_limit.mps`.
    pub key: String,
    /// The old value, as TOML; `None` where there was none.
    pub old: Option<String>,
    /// The new value.
    pub new: Option<String>,
}

/// The keys by which tables of a list are told apart.
const NAMES: [&str; 3] = ["name", "names", "phase"];

/// Compares two site files key by key. Tables of a list are matched by their
/// names; comments and layout do not count.
///
/// # Errors
/// Where one of the texts is no TOML.
pub fn keys(old: &str, new: &str) -> Result<Vec<KeyChange>, toml::de::Error> {
    let (old, new): (Table, Table) = (old.parse()?, new.parse()?);
    let mut found = vec![];
    tables("", &old, &new, &mut found);
    Ok(found)
}

fn tables(at: &str, old: &Table, new: &Table, found: &mut Vec<KeyChange>) {
    let names: BTreeSet<&String> = old.keys().chain(new.keys()).collect();
    for name in names {
        let key = if bare(name) {
            name.clone()
        } else {
            format!("{name:?}")
        };
        let at = if at.is_empty() {
            key
        } else {
            format!("{at}.{key}")
        };
        values(&at, old.get(name), new.get(name), found);
    }
}

/// Whether TOML writes a key without quotes.
fn bare(name: &str) -> bool {
    !name.is_empty()
        && name
            .chars()
            .all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-')
}

fn values(at: &str, old: Option<&Value>, new: Option<&Value>, found: &mut Vec<KeyChange>) {
    match (old, new) {
        (Some(old), Some(new)) if old == new => {}
        (Some(Value::Table(old)), Some(Value::Table(new))) => tables(at, old, new, found),
        (Some(Value::Array(old)), Some(Value::Array(new)))
            if named(old).is_some() && named(new).is_some() =>
        {
            lists(at, old, new, found);
        }
        // A whole list of tables that is there on one side only is told table by table.
        (Some(Value::Array(list)), None) if named(list).is_some() => lists(at, list, &[], found),
        (None, Some(Value::Array(list))) if named(list).is_some() => lists(at, &[], list, found),
        (old, new) => found.push(KeyChange {
            key: at.to_owned(),
            old: old.map(Value::to_string),
            new: new.map(Value::to_string),
        }),
    }
}

/// The names of a list's tables, where each is a table with a name of its own.
fn named(list: &[Value]) -> Option<Vec<String>> {
    let name = |value: &Value| {
        let table = value.as_table()?;
        let name = NAMES.iter().find_map(|key| table.get(*key))?;
        Some(match name {
            Value::Array(names) => {
                let names: Vec<String> = names.iter().map(Value::to_string).collect();
                names.join(", ")
            }
            Value::String(name) => format!("{name:?}"),
            Value::Integer(_)
            | Value::Float(_)
            | Value::Boolean(_)
            | Value::Datetime(_)
            | Value::Table(_) => name.to_string(),
        })
    };
    let names: Vec<String> = list.iter().map(name).collect::<Option<_>>()?;
    let distinct: BTreeSet<&String> = names.iter().collect();
    (!names.is_empty() && distinct.len() == names.len()).then_some(names)
}

fn lists(at: &str, old: &[Value], new: &[Value], found: &mut Vec<KeyChange>) {
    let (olds, news) = (
        named(old).unwrap_or_default(),
        named(new).unwrap_or_default(),
    );
    for (index, name) in olds.iter().enumerate() {
        let other = news.iter().position(|other| other == name);
        values(
            &format!("{at}[{name}]"),
            Some(&old[index]),
            other.map(|other| &new[other]),
            found,
        );
    }
    for (index, name) in news
        .iter()
        .enumerate()
        .filter(|(_, name)| !olds.contains(name))
    {
        values(&format!("{at}[{name}]"), None, Some(&new[index]), found);
    }
    // The order of the file is the order of commands.
    let kept = |names: &[String], others: &[String]| -> Vec<String> {
        names
            .iter()
            .filter(|name| others.contains(name))
            .cloned()
            .collect()
    };
    let (before, after) = (kept(&olds, &news), kept(&news, &olds));
    if before != after {
        found.push(KeyChange {
            key: format!("{at} (order)"),
            old: Some(before.join(", ")),
            new: Some(after.join(", ")),
        });
    }
}

#[cfg(test)]
mod tests {
    #![expect(clippy::unwrap_used, reason = "tests")]

    use super::*;

    fn told(old: &str, new: &str) -> Vec<(String, Option<String>, Option<String>)> {
        keys(old, new)
            .unwrap()
            .into_iter()
            .map(|change| (change.key, change.old, change.new))
            .collect()
    }

    #[test]
    fn keys_are_told_by_the_names_of_their_tables() {
        let old = r#"
            # a comment
            [site]
            name = "House"
            [[group]]
            name = "a"
            wind_limit = { mps = 10, source = "sheet" }
            [[group]]
            name = "b"
            rest = "retracted"
        "#;
        let new = r#"
            [site]
            name = "House"
            [[group]]
            name = "b"
            rest = "extended"
            [[group]]
            name = "a"
            wind_limit = { mps = 9, source = "sheet" }
            [[group]]
            name = "c"
        "#;
        let some = |text: &str| Some(text.to_owned());
        assert_eq!(
            told(old, new),
            [
                (
                    "group[\"a\"].wind_limit.mps".to_owned(),
                    some("10"),
                    some("9")
                ),
                (
                    "group[\"b\"].rest".to_owned(),
                    some("\"retracted\""),
                    some("\"extended\"")
                ),
                ("group[\"c\"]".to_owned(), None, some("{ name = \"c\" }")),
                (
                    "group (order)".to_owned(),
                    some("\"a\", \"b\""),
                    some("\"b\", \"a\"")
                ),
            ]
        );
        assert!(told(old, old).is_empty());
    }

    #[test]
    fn layout_and_comments_do_not_count() {
        assert!(told("a.b = 1", "[a]\nb = 1 # the same").is_empty());
        assert!(keys("a = ", "a = 1").is_err());
        let list = told("x = [1, 2]", "x = [2, 1]");
        assert_eq!(
            list,
            [(
                "x".to_owned(),
                Some("[1, 2]".to_owned()),
                Some("[2, 1]".to_owned())
            )]
        );
    }
}
