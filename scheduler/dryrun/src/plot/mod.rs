//! Drawings as SVG text, made from plain values; [`Gather`] works the values of a
//! sun path out. Nothing here reads a model.

mod gather;
mod sun_path;

pub use gather::{Gather, Grain, Onto};
pub use sun_path::{HourLine, PathDay, PathPoint, Region, RegionKind, SunPathPlot, sun_path};

/// Text made safe for SVG and HTML.
#[must_use]
pub fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for letter in text.chars() {
        match letter {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            // XML 1.0 has no way to write most control characters.
            c if c.is_control() => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::escaped;

    #[test]
    fn nothing_gets_out_of_its_quotes() {
        assert_eq!(
            escaped("a<b & \"c\"\u{1}>"),
            "a&lt;b &amp; &quot;c&quot; &gt;"
        );
    }
}
