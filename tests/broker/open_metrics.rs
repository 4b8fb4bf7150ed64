//! Reads OpenMetrics text strictly, and refuses what the specification does not
//! allow. Written after the specification alone (OpenMetrics 1.0.0, Internet-Draft
//! draft-richih-opsawg-openmetrics-00, from memory where no clause is quoted); it
//! knows nothing of the program that wrote the text.

use std::collections::{BTreeMap, BTreeSet};

/// A sample: name, labels in order of their names, value.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Sample {
    pub(crate) name: String,
    pub(crate) labels: BTreeMap<String, String>,
    pub(crate) value: f64,
}

/// A family and its samples.
#[derive(Clone, PartialEq, Debug, Default)]
pub(crate) struct Family {
    pub(crate) kind: String,
    unit: Option<String>,
    help: Option<String>,
    pub(crate) samples: Vec<Sample>,
}

/// All families by their names.
pub(crate) type Exposition = BTreeMap<String, Family>;

/// Reads a whole exposition.
pub(crate) fn read(text: &str) -> Result<Exposition, String> {
    // "Line separators MUST be signalled by line feed", and none of the ABNF's
    // productions is an empty line.
    if text.contains('\r') || text.starts_with('\u{feff}') {
        return Err("carriage return or byte order mark".to_owned());
    }
    // "Expositions MUST end with EOF."
    let body = text
        .strip_suffix("# EOF\n")
        .ok_or("it does not end with # EOF")?;
    let mut all = Exposition::new();
    let mut open: Option<String> = None;
    for (index, line) in body.split_terminator('\n').enumerate() {
        one_line(line, &mut all, &mut open)
            .map_err(|why| format!("line {}: {why}: {line}", index + 1))?;
    }
    for (name, family) in &all {
        whole(name, family).map_err(|why| format!("family {name}: {why}"))?;
    }
    Ok(all)
}

fn one_line(line: &str, all: &mut Exposition, open: &mut Option<String>) -> Result<(), String> {
    if let Some(meta) = line.strip_prefix("# ") {
        let mut words = meta.splitn(3, ' ');
        let (what, name, rest) = (
            words.next().unwrap_or_default(),
            words.next().unwrap_or_default(),
            words.next().unwrap_or_default(),
        );
        named(name, true)?;
        if open.as_deref() != Some(name) {
            // "MetricFamilies MUST NOT be interleaved", and their names are unique.
            if all.contains_key(name) {
                return Err(format!("{name} comes twice"));
            }
            all.insert(name.to_owned(), Family::default());
            *open = Some(name.to_owned());
        }
        let family = all.get_mut(name).ok_or("no family")?;
        // "There MUST NOT be more than one of each type of metadata line", and they
        // come before the samples.
        if !family.samples.is_empty() {
            return Err("metadata after samples".to_owned());
        }
        return match what {
            "TYPE" if family.kind.is_empty() => {
                let kinds = [
                    "counter",
                    "gauge",
                    "histogram",
                    "gaugehistogram",
                    "stateset",
                    "info",
                    "summary",
                    "unknown",
                ];
                family.kind = rest.to_owned();
                kinds
                    .contains(&rest)
                    .then_some(())
                    .ok_or_else(|| format!("no type: {rest}"))
            }
            "UNIT" if family.unit.is_none() => {
                family.unit = Some(rest.to_owned());
                // "If the unit is set the metric name MUST have it as a suffix, after an underscore."
                let suffix = format!("_{rest}");
                name.ends_with(&suffix)
                    .then_some(())
                    .ok_or_else(|| format!("the name does not end with {suffix}"))
            }
            "HELP" if family.help.is_none() => {
                family.help = Some(unescaped(rest)?);
                Ok(())
            }
            "TYPE" | "UNIT" | "HELP" => Err(format!("{what} comes twice")),
            _ => Err("# is for TYPE, UNIT, HELP and EOF only".to_owned()),
        };
    }
    let sample = sample(line)?;
    let family_name = open.clone().ok_or("a sample before any family")?;
    let family = all.get_mut(&family_name).ok_or("no family")?;
    let suffix = sample
        .name
        .strip_prefix(family_name.as_str())
        .ok_or_else(|| format!("not of family {family_name}"))?;
    let allowed: &[&str] = match family.kind.as_str() {
        "counter" => &["_total", "_created"],
        "histogram" => &["_bucket", "_count", "_sum", "_created"],
        "gaugehistogram" => &["_bucket", "_gcount", "_gsum"],
        "summary" => &["", "_count", "_sum", "_created"],
        "info" => &["_info"],
        _ => &[""],
    };
    if !allowed.contains(&suffix) {
        return Err(format!("a {} has no {suffix:?}", family.kind));
    }
    // "Each Metric within a MetricFamily MUST have a unique LabelSet."
    let twice = |other: &Sample| other.name == sample.name && other.labels == sample.labels;
    if family.samples.iter().any(twice) {
        return Err("the same sample twice".to_owned());
    }
    family.samples.push(sample);
    Ok(())
}

/// What can be said of a family only when all of it is there.
fn whole(name: &str, family: &Family) -> Result<(), String> {
    for sample in &family.samples {
        let counts = sample.name.ends_with("_total") || sample.name.ends_with("_bucket");
        // "A Total is a non-NaN and MUST be monotonically non-decreasing over time, starting from 0."
        if counts && (sample.value.is_nan() || sample.value < 0.0) {
            return Err(format!("{} is {}", sample.name, sample.value));
        }
        // "A MetricPoint in an Info … MUST have the Sample value 1."
        if family.kind == "info" && (sample.value - 1.0).abs() > 0.0 {
            return Err("an info is not 1".to_owned());
        }
        if family.kind == "unknown" && sample.name != name {
            return Err("an unknown with a suffix".to_owned());
        }
    }
    if family.kind == "histogram" {
        histogram(name, family)?;
    }
    Ok(())
}

/// "Histograms MUST have a bucket with an +Inf threshold. Buckets MUST be
/// cumulative." And the count is that of the last bucket.
fn histogram(name: &str, family: &Family) -> Result<(), String> {
    let buckets = family
        .samples
        .iter()
        .filter(|s| s.name.ends_with("_bucket"));
    let (mut bound, mut count) = (f64::NEG_INFINITY, 0.0);
    for bucket in buckets {
        let le = bucket.labels.get("le").ok_or("a bucket without le")?;
        // "Floating point numbers MUST be rendered … with a point" for le (canonical numbers).
        if le != "+Inf" && !le.contains('.') && !le.contains('e') {
            return Err(format!("le=\"{le}\" is not canonical"));
        }
        let le = number(le)?;
        if le <= bound || bucket.value < count {
            return Err("buckets that do not rise".to_owned());
        }
        (bound, count) = (le, bucket.value);
    }
    if bound.is_finite() {
        return Err("no bucket +Inf".to_owned());
    }
    let all = family
        .samples
        .iter()
        .find(|s| s.name == format!("{name}_count"));
    let all = all.ok_or("no _count")?.value;
    if (all - count).abs() > 0.0 {
        return Err(format!("_count is {all}, the last bucket {count}"));
    }
    Ok(())
}

/// `name{label="text",…} value [timestamp]`
fn sample(line: &str) -> Result<Sample, String> {
    let name_end = line.find(['{', ' ']).ok_or("no value")?;
    let (name, mut rest) = line.split_at(name_end);
    named(name, true)?;
    let mut labels = BTreeMap::new();
    if let Some(inside) = rest.strip_prefix('{') {
        let mut chars = inside.char_indices();
        let mut from = 0;
        loop {
            let equals = inside[from..].find("=\"").ok_or("a label without =\"")? + from;
            let label = &inside[from..equals];
            named(label, false)?;
            let text_from = equals + 2;
            let mut escaped = false;
            let end = chars
                .by_ref()
                .skip_while(|(at, _)| *at < text_from)
                .find(|(_, c)| {
                    let ends = *c == '"' && !escaped;
                    escaped = *c == '\\' && !escaped;
                    ends
                })
                .map(|(at, _)| at)
                .ok_or("a label that does not end")?;
            let text = unescaped(&inside[text_from..end])?;
            // "Label names MUST be unique within a LabelSet."
            if labels.insert(label.to_owned(), text).is_some() {
                return Err(format!("label {label} twice"));
            }
            match inside[end + 1..].chars().next() {
                Some(',') => from = end + 2,
                Some('}') => {
                    rest = &inside[end + 2..];
                    break;
                }
                _ => return Err("neither , nor } after a label".to_owned()),
            }
        }
    }
    let value = rest.strip_prefix(' ').ok_or("no space before the value")?;
    let mut words = value.split(' ');
    let value = number(words.next().unwrap_or_default())?;
    if let Some(stamp) = words.next() {
        number(stamp)?;
    }
    if words.next().is_some() {
        return Err("more after the value".to_owned());
    }
    Ok(Sample {
        name: name.to_owned(),
        labels,
        value,
    })
}

/// metricname: ALPHA / "_" / ":" first, then digits too; label-name: no colon.
fn named(name: &str, colon: bool) -> Result<(), String> {
    let letter = |c: char| c.is_ascii_alphabetic() || c == '_' || (colon && c == ':');
    let mut chars = name.chars();
    let well = chars.next().is_some_and(letter) && chars.all(|c| letter(c) || c.is_ascii_digit());
    well.then_some(())
        .ok_or_else(|| format!("no name: {name:?}"))
}

/// realnumber, "inf" and "nan" of the ABNF.
fn number(text: &str) -> Result<f64, String> {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let word = ["inf", "infinity", "nan"].contains(&unsigned.to_ascii_lowercase().as_str());
    let digits = unsigned.starts_with(|c: char| c.is_ascii_digit() || c == '.')
        && unsigned
            .chars()
            .all(|c| c.is_ascii_digit() || ".eE+-".contains(c));
    if !word && !digits {
        return Err(format!("no number: {text:?}"));
    }
    text.parse().map_err(|_| format!("no number: {text:?}"))
}

/// escaped-string: a backslash stands before n, a quote or a backslash only.
fn unescaped(text: &str) -> Result<String, String> {
    let mut out = String::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        match c {
            '"' => return Err("a quote that is not escaped".to_owned()),
            '\\' => match chars.next() {
                Some('n') => out.push('\n'),
                Some(c @ ('"' | '\\')) => out.push(c),
                _ => return Err("a backslash before something else".to_owned()),
            },
            c => out.push(c),
        }
    }
    Ok(out)
}

/// The one sample with these labels.
pub(crate) fn value(all: &Exposition, family: &str, labels: &[(&str, &str)]) -> f64 {
    let family = all
        .get(family)
        .unwrap_or_else(|| panic!("no family {family}"));
    let with = |sample: &&Sample| {
        labels
            .iter()
            .all(|(name, text)| sample.labels.get(*name).is_some_and(|found| found == text))
    };
    let found: BTreeSet<String> = family
        .samples
        .iter()
        .map(|s| format!("{:?}", s.labels))
        .collect();
    let sample = family.samples.iter().find(with);
    sample
        .unwrap_or_else(|| panic!("no {labels:?} among {found:?}"))
        .value
}

#[test]
fn the_reader_refuses_what_the_specification_refuses() {
    let sound = "# TYPE a counter\n# HELP a Of \\\"b\\\".\na_total{x=\"1,}\\n\"} 4\n# TYPE g_seconds gauge\n# UNIT g_seconds seconds\ng_seconds 1.5e3\n# EOF\n";
    let all = read(sound).unwrap();
    assert_eq!(all["a"].samples[0].labels["x"], "1,}\n");
    assert!((value(&all, "g_seconds", &[]) - 1_500.0).abs() < 1e-9);
    for (wrong, why) in [
        ("a 1\n", "does not end with # EOF"),
        ("a 1\n# EOF\n", "before any family"),
        ("# TYPE a counter\na 1\n# EOF\n", "a counter has no"),
        ("# TYPE a counter\na_total -1\n# EOF\n", "a_total is -1"),
        ("# TYPE a gauge\n\na 1\n# EOF\n", "line 2"),
        (
            "# TYPE a gauge\n# TYPE a gauge\na 1\n# EOF\n",
            "TYPE comes twice",
        ),
        (
            "# TYPE a gauge\na 1\n# TYPE b gauge\nb 1\n# HELP a x\n# EOF\n",
            "a comes twice",
        ),
        ("# TYPE a gauge\na 1\na 2\n# EOF\n", "same sample twice"),
        (
            "# TYPE a gauge\n# UNIT a seconds\na 1\n# EOF\n",
            "does not end with _seconds",
        ),
        ("# TYPE a gauge\na{x=\"1\" } 1\n# EOF\n", "neither , nor }"),
        ("# TYPE a gauge\na{x=\"\\t\"} 1\n# EOF\n", "a backslash"),
        (
            "# TYPE a gauge\na{x=\"1\",x=\"2\"} 1\n# EOF\n",
            "label x twice",
        ),
        ("# TYPE a gauge\na{1x=\"1\"} 1\n# EOF\n", "no name"),
        ("# TYPE a gauge\na one\n# EOF\n", "no number"),
        ("# TYPE a info\na_info 2\n# EOF\n", "an info is not 1"),
        (
            "# TYPE h histogram\nh_bucket{le=\"1.0\"} 2\nh_count 2\n# EOF\n",
            "no bucket +Inf",
        ),
        (
            "# TYPE h histogram\nh_bucket{le=\"1\"} 2\nh_bucket{le=\"+Inf\"} 2\nh_count 2\n# EOF\n",
            "not canonical",
        ),
        (
            "# TYPE h histogram\nh_bucket{le=\"1.0\"} 2\nh_bucket{le=\"+Inf\"} 1\nh_count 1\n# EOF\n",
            "do not rise",
        ),
        (
            "# TYPE h histogram\nh_bucket{le=\"+Inf\"} 1\nh_count 2\n# EOF\n",
            "_count is 2",
        ),
    ] {
        let said = read(wrong).unwrap_err();
        assert!(said.contains(why), "{wrong:?}: {said}");
    }
}
